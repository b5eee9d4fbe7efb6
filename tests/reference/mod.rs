//! Checks against sources outside the project, one module a published source.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::float_cmp,
    clippy::print_stderr,
    clippy::unreadable_literal,
    clippy::excessive_precision,
    missing_docs,
    unreachable_pub,
    reason = "a test may stop at the first surprise, and its numbers stand as their sources print them"
)]

mod comparisons_can_fail;

mod amc_1989_copper;
mod anselin_2004_corn;
mod crossed_effects;
mod distribution_tables;
mod doses;
mod grain_moisture_tables;
mod icsm_gda94_manual;
mod mckee_1993_index;
mod nist_strd_linear;
mod noncentral_t_values;
mod prescriptions;
mod published_spreads;
mod raiffa_schlaifer_1961_loss;
mod ratings_and_counts;
mod robust_hand_values;
mod sign_flip_worked_example;
mod soil_survey_manual;
mod stroup_1994_wheat;
mod task_data;
mod yates_1935_oats;
