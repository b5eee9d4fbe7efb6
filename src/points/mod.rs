//! The columns that travel between the stages, and the marks and cautions that they carry.
//!
//! Every stage adds columns and never drops a row: [`Records`] (ingest) → [`Cleaned`] (clean) → [`Assigned`]
//! (assign) → [`Joined`] (join). A wrong order does not compile.
//!
//! Conventions, for all columns: struct of arrays, one row a record of the yield monitor, SI units, a missing float
//! is NaN (written as null), a missing label is [`Labels::NONE`].

/// A list of words for the reader: `Name = "code": "text";`. Each has its code and one line of text.
macro_rules! coded {
    ($(#[$about:meta])+ $list:ident, in $column:literal; $($name:ident = $code:literal: $text:literal;)+) => {
        $(#[$about])+
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
        #[repr(u8)]
        pub enum $list {
            $(#[doc = $text] #[serde(rename = $code)] $name,)+
        }

        impl $list {
            /// All, in the order of the list.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];

            #[doc = concat!("The word in ", $column, ".")]
            pub const fn code(self) -> &'static str {
                match self { $(Self::$name => $code),+ }
            }

            /// One line for the reader of a report.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$name => $text),+ }
            }
        }
    };
}

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
pub use assigned::{Assigned, Design, Joined, Segment, Straddling, Strip};
pub use cautions::{Caution, Cautions};
pub use cleaned::{Cleaned, CleaningFacts, LagCurve, MachineFacts, Source, Sourced};
pub use covariates::{COVARIATE_COLUMN, Covariate, CovariateGround, CovariateKind, JoinedCovariate, covariate_column};
pub use labels::{Labels, LabelsBuilder};
pub use layers::{Ingested, SoilGround, SoilLines, StripGround, Surface, Ticket};
pub use marks::{Family, Mark, Reasons, Rule};
pub use observed::{Measure, Observation, Photo, Scale};
pub use records::{Channel, Channels, Copied, Header, Labelled, Readings, Records};
