//! What is remembered of a site-year: a line that names the format and the content's hash, then JSON.
//!
//! A memory that was damaged, by whatever, counts as none: its hash no longer fits.

use std::collections::BTreeMap;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::seen::SeenFiles;
use crate::clean::KnownLags;
use crate::results::SiteYear;

const FORMAT: &str = "bandlift-memory-7";

/// What is remembered of a site-year that was computed.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Remembered {
    /// Its folder in the archive.
    pub(super) folder: String,
    pub(super) fingerprint: String,
    /// The fingerprint but for what the result is worth.
    pub(super) work: String,
    /// Hash of what was drawn for it; set when that is written.
    pub(super) drawn: String,
    /// Each input as it was seen.
    pub(super) inputs: SeenFiles,
    /// Each output file.
    pub(super) outputs: BTreeMap<String, Written>,
    pub(super) result: SiteYear,
    /// The lags, which most changes of a site-year leave as they are.
    pub(super) lags: Option<KnownLags>,
}

/// An output file as it was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Written {
    pub(super) hash: String,
    pub(super) size: u64,
    /// Nanoseconds since 1970.
    pub(super) modified_ns: i64,
}

/// What is remembered of a site-year that failed, beside its last good result.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct FailedBefore {
    /// Its folder in the archive.
    pub(super) folder: String,
    /// Why.
    pub(super) reason: String,
}

/// The bytes of a memory.
pub(super) fn encode(memory: &impl Serialize) -> Result<Vec<u8>, serde_json::Error> {
    let content = serde_json::to_vec(memory)?;
    let mut bytes = format!("{FORMAT} {}\n", blake3::hash(&content).to_hex()).into_bytes();
    bytes.extend(content);
    Ok(bytes)
}

/// A memory from its bytes; `None` when they are damaged or of another version.
pub(super) fn decode<T: DeserializeOwned>(bytes: &[u8]) -> Option<T> {
    let end = bytes.iter().position(|&byte| byte == b'\n')?;
    let (line, content) = (std::str::from_utf8(&bytes[..end]).ok()?, &bytes[end + 1..]);
    let hash = line.strip_prefix(FORMAT)?.strip_prefix(' ')?;
    (hash == blake3::hash(content).to_hex().as_str()).then(|| serde_json::from_slice(content).ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_memory_of_which_any_byte_was_changed_or_lost_counts_as_none() {
        let memory = FailedBefore { folder: "fields/one".to_owned(), reason: "no file".to_owned() };
        let bytes = encode(&memory).unwrap();
        assert_eq!(decode::<FailedBefore>(&bytes), Some(memory));
        for at in 0..bytes.len() {
            let mut damaged = bytes.clone();
            damaged[at] ^= 1;
            assert_eq!(decode::<FailedBefore>(&damaged), None, "byte {at}");
            assert_eq!(decode::<FailedBefore>(&bytes[..at]), None, "cut at {at}");
        }
    }
}
