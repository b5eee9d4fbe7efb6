//! Target: what the archive knows → where to treat, where not, and where strips would tell.
//!
//! The decision rests on shrunken responses: the best-looking of several zones owes part of its lead to luck, and a plan made
//! of unshrunken ones promises money that is not there. The season's weather is not known ahead, so the responses are
//! averaged over an outlook of wetness classes. What a zone map is worth is measured by deciding each season and each field without it.

mod advice;
mod field;
mod ground;
mod honest;
mod lanes;
mod outlook;
mod promises;
mod replication;
mod strips;
mod worth;
mod zones_risk;

pub use advice::{advise, for_field, without_optimism};
pub use field::{CropPlanner, areas_m2, commonest_crop, money};
pub use ground::{FieldGround, Lanes};
pub use honest::value_of_zoning;
pub use lanes::best_runs;
pub use outlook::{Outlook, OutlookError};
pub use promises::{promise, promises, record, score};
pub use replication::{detectable, one_field, replication};
pub use strips::{StripCase, lay_out};
pub use worth::{Governed, strips_worth};
pub use zones_risk::zones_risk;
