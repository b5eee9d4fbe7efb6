//! The invented archive and the simulator behind it: known truth to compare estimates with.
//!
//! Farms, fields and products are invented. The physical process is simulated, not its statistics: crop → header → delay and
//! mixing → sensors → records, with the errors that such records carry.

mod crop;
mod faults;
mod layout;
mod path;
mod plan;
mod random;
mod simulate;
mod surface;

pub use crop::{FieldTruth, TrueCell};
pub use faults::InjectedFault;
pub use layout::{ROW_M, TrialPlan};
pub use plan::{
    DRAINAGE_CLASSES, FaultPlan, FieldPlan, HarvestPlan, MachinePlan, Pattern, Placement, Pond, RaisedLog, Scenario,
    Sharing, SoilPlan, Spot, StripPlan, SurfacePlan, WavyLine,
};
pub use simulate::{Load, MassBalance, RawRecord, RecordTruth, Simulated, simulate};
pub use surface::Surface;
