//! The filters that look at records on their ground, one file each. A filter marks; it never deletes.

pub(super) mod kinematics;
pub(super) mod low_ground;
pub(super) mod neighbours;
pub(super) mod ranges;
pub(super) mod swath;
pub(super) mod yields;
