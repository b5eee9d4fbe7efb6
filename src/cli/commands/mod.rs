//! One file a command.

pub(super) mod demo;
pub(super) mod describe_settings;
pub(super) mod draft;
pub(super) mod explain;
pub(super) mod inspect;
pub(super) mod plan;
pub(super) mod run;
pub(super) mod synthesise;
