//! One file a command.

pub(super) mod about;
pub(super) mod demo;
pub(super) mod describe;
pub(super) mod draft;
mod entries;
pub(super) mod explain;
pub(super) mod figures;
pub(super) mod inspect;
pub(super) mod plan;
pub(super) mod run;
pub(super) mod schema;
pub(super) mod synthesise;
