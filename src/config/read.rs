//! `[read]`: what reading a file may cost.

use super::section::{Section, settings};
use crate::quantity::DataSize;

settings! {
    /// The resolved limits of reading. No result depends on them.
    #[derive(Copy)]
    pub struct ReadSettings, read from section {
        /// Most bytes that a packed file (.csv.gz, .zip) may unpack to. Default 1 GB, some ten million records (common practice,
        /// no source): a few kilobytes can be made to unpack to more than any memory holds.
        pub most_unpacked_bytes: u64 = section.quantity_or::<DataSize>("most_unpacked", 1e9, 1e3, 1e12) as u64,
    }
}

pub(super) fn read(root: &Section<'_, '_>) -> ReadSettings {
    let Some(section) = root.section("read") else { return ReadSettings::default() };
    let settings = ReadSettings::of(&section);
    section.finish_known();
    settings
}
