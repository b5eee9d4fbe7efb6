//! The columns that travel between the stages, and the marks and cautions that they carry.
//!
//! Every stage adds columns and never drops a row: [`Records`] (ingest) → [`Cleaned`] (clean) → [`Assigned`]
//! (assign) → [`Joined`] (join). A wrong order does not compile.
//!
//! Conventions, for all columns: struct of arrays, one row a record of the yield monitor, SI units, a missing float
//! is NaN (written as null), a missing label is [`Labels::NONE`].

mod applied;
mod assigned;
mod cautions;
mod cleaned;
mod covariates;
mod labels;
mod layers;
mod marks;
mod observed;
mod records;

pub use applied::{Applied, AppliedLog, Finding, PutDown, Stretch};
pub use assigned::{Assigned, Design, Joined, Segment, Strip};
pub use cautions::{Caution, Cautions};
pub use cleaned::{Cleaned, CleaningFacts, LagCurve, MachineFacts, Source, Sourced};
pub use covariates::{COVARIATE_COLUMN, Covariate, CovariateGround, CovariateKind, JoinedCovariate, covariate_column};
pub use labels::{Labels, LabelsBuilder};
pub use layers::{Ingested, SoilGround, StripGround, Surface, Ticket};
pub use marks::{Mark, Reasons};
pub use observed::{Measure, Observation, Photo, Scale};
pub use records::{Channels, Copied, Header, Records};
