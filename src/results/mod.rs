//! What the stages conclude: responses of a site-year and of the archive.
//!
//! SI units throughout (yields in kg/ha, money per hectare); reports convert. A number that the data cannot support is
//! `None` with the caution `not-estimable`, never a guess.

mod response;
mod site_year;
mod supplement;
mod zone;

pub use response::{BlockDifference, Estimate, Response, ResponseKey, Returns, Shrunken};
pub use site_year::{Counts, FieldModel, RemovalByTreatment, SensitivityRow, SignChanges, SiteYear, SiteYearIdentity};
pub use supplement::{DrainageTrend, Placebo, Supplement, TreatmentContrast};
pub use zone::ZoneResponse;
