//! `[read]`: what reading a file may cost.

use serde::Serialize;

use super::section::Section;
use crate::quantity::DataSize;

/// The resolved limits of reading. No result depends on them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct ReadSettings {
    /// Most bytes that a packed file (.csv.gz, .zip) may unpack to. Default 1 GB, some ten million records (common practice,
    /// no source): a few kilobytes can be made to unpack to more than any memory holds.
    pub most_unpacked_bytes: u64,
}

impl Default for ReadSettings {
    fn default() -> Self {
        Self { most_unpacked_bytes: 1_000_000_000 }
    }
}

pub(super) fn read(root: &Section<'_, '_>) -> ReadSettings {
    let default = ReadSettings::default();
    let Some(section) = root.section("read") else { return default };
    let most = section.quantity_or::<DataSize>("most_unpacked", default.most_unpacked_bytes as f64, 1e3, 1e12);
    section.finish_known();
    ReadSettings { most_unpacked_bytes: most as u64 }
}
