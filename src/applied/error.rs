//! Why a log makes no strips.

use thiserror::Error;

/// A fault of a log of what was put down: it makes the site-year fail.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum AppliedError {
    /// No stretch is long enough.
    #[error(
        "applied: {log}: no stretch of {least_m} m or more is under one tested rate; shorter ones hold no segment between the buffers at their ends"
    )]
    NoStrips {
        /// The log.
        log: String,
        /// The shortest stretch that counts, m.
        least_m: i64,
    },
    /// The rates are others.
    #[error(
        "{file}: row {row}: the usual rate is {found}, expected a tested one ({tested}); is the unit in field.toml that of the column?"
    )]
    Rate {
        /// The file.
        file: String,
        /// A row with that rate.
        row: u32,
        /// The usual rate.
        found: String,
        /// The tested rates.
        tested: String,
    },
    /// The width and the passes contradict each other.
    #[error(
        "{file}: row {row}: a working width of {width_m:.2} m is recorded, but neighbouring passes lie {spacing_m:.2} m apart; expected the same"
    )]
    Width {
        /// The file.
        file: String,
        /// The first row of a pass.
        row: u32,
        /// The width, m.
        width_m: f64,
        /// The usual distance of passes, m.
        spacing_m: f64,
    },
    /// Two strips carry each other's treatment.
    #[error(
        "applied: {log}: drawn strips and log disagree: {strips}; say which is true: `trust = \"log\"` or `trust = \"strips\"` under [applied]"
    )]
    Swapped {
        /// The log.
        log: String,
        /// The strips.
        strips: String,
    },
}
