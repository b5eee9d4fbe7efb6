//! The invented archive and the simulator behind it: known truth to compare estimates with.
//!
//! Farms, fields and products are invented. The physical process is simulated, not its statistics: crop → header → delay and
//! mixing → sensors → records, with the errors that such records carry.

pub mod applied;
pub mod archive;
mod catalogue;
mod crop;
mod error;
mod faults;
mod harvest_files;
mod layers;
mod layout;
pub mod messy;
mod outcome;
mod path;
mod plan;
mod random;
mod records;
mod seasons;
mod settings;
mod shapes;
mod simulate;
mod soil;
mod surface;
mod truth;
mod weather;

pub use archive::Options;
pub use catalogue::Size;
pub use crop::{FieldTruth, TrueCell};
pub use error::DemoError;
pub use faults::InjectedFault;
pub use layout::{ROW_M, TrialPlan};
pub use outcome::{Load, MassBalance, RawRecord, RecordTruth, Simulated};
pub use plan::{
    Dose, FaultPlan, FieldPlan, HarvestPlan, MachinePlan, Pattern, Placement, RaisedLog, ResponseVaries, Scenario,
    Sharing, Spot, StripPlan, SurfacePlan,
};
pub use simulate::simulate;
pub use soil::{DRAINAGE_CLASSES, Pond, SoilPlan, WavyLine};
pub use surface::Surface;
pub use truth::{ALL_CLASSES, SiteYearTruth, TrueMachine, TrueResponse, Truth};
