//! What the stages conclude: responses of a site-year and of the archive.
//!
//! SI units throughout (yields in kg/ha, money per hectare); reports convert. A number that the data cannot support is
//! `None` with the caution `not-estimable`, never a guess.

mod choice;
mod conclusions;
mod covariates;
mod dose;
mod observed;
mod outline;
mod plan;
mod promise;
mod response;
mod site_year;
mod supplement;
mod synthesis;
mod together;
mod worth;
mod zone;

pub use choice::{Choice, ChoiceWorth, Choices};
pub use conclusions::Conclusions;
pub use covariates::{CovariateAnswer, Interaction, PooledInteraction, Term};
pub use dose::{DoseCurve, DoseForm, TestedRate};
pub use observed::{Association, Blind, ObservedDifference};
pub use outline::{DepartureMap, Outline, PlanOutline, PlannedMoney, PlannedPlace};
pub use plan::{
    Advice, Course, Decision, HeldOut, NoStrips, PlannedField, PlannedStrip, PlannedZone, Replication, ReplicationRow,
    SeasonPlan, StripLayout, StripWidths, StripsWorth, Why, ZonesRisk, ZonesStanding, ZoningValue,
};
pub use promise::{Promise, Record, RecordOfMoney, ScoredPromise};
pub use response::{
    BlockDifference, Estimate, LocalPiece, LocalResponse, Moistures, Response, ResponseKey, Returns, SegmentDifference,
    Shrunken,
};
pub use site_year::{Counts, FieldModel, RemovalByTreatment, SensitivityRow, SignChanges, SiteYear, SiteYearIdentity};
pub use supplement::{DrainageTrend, Placebo, Supplement, TreatmentContrast};
pub use synthesis::{
    FieldAnswer, FieldResponse, ForestKind, ForestRow, Gradient, LeaveOneOut, LeftOut, Synthesis, Trend, WithoutSeason,
};
pub(crate) use together::correlations;
pub use worth::Worth;
pub use zone::{Estimator, LEAST_POOLED, PriorCheck, ShrunkenZone, ZoneResponse};
