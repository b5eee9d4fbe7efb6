//! The hold on an output folder: one run at a time, or shares of one archive side by side.
//!
//! The lock is the operating system's own: it ends with the process that holds it, however that ends, so that no lock is
//! left over from a run that was killed. What stands in the file only tells people who holds it.

use std::fs::{self, File};
use std::io::{Seek, Write};
use std::path::Path;

use fs4::{FileExt, TryLockError};

use super::share::Share;
use super::store::StoreError;
use super::times;

/// A hold that lasts until it is dropped.
#[derive(Debug)]
pub(super) struct Hold {
    _files: Vec<File>,
}

impl Hold {
    /// Takes hold of an output folder (`memory` is the program's own folder in it): alone, or as a share.
    pub(super) fn take(out: &Path, memory: &Path, share: Option<Share>) -> Result<Self, StoreError> {
        let whole = memory.join("lock");
        let Some(share) = share else {
            let file = locked(out, &whole, FileExt::try_lock)?;
            return Ok(Self { _files: vec![with_holder(&whole, file, "a run")?] });
        };
        let shared = locked(out, &whole, FileExt::try_lock_shared)?;
        let shared = with_holder(&whole, shared, &format!("share {share}"))?;
        let folder = memory.join("shares");
        fs::create_dir_all(&folder).map_err(|error| StoreError::new(&folder, error))?;
        let own = folder.join(format!("{}.lock", share.name()));
        let file = locked(out, &own, FileExt::try_lock)?;
        Ok(Self { _files: vec![shared, with_holder(&own, file, &format!("share {share}"))?] })
    }
}

fn locked(out: &Path, path: &Path, lock: impl FnOnce(&File) -> Result<(), TryLockError>) -> Result<File, StoreError> {
    let opened = File::options().read(true).write(true).create(true).truncate(false).open(path);
    let file = opened.map_err(|error| StoreError::new(path, error))?;
    match lock(&file) {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => {
            let holder = fs::read_to_string(path).unwrap_or_default();
            let holder = holder.lines().next().unwrap_or("another run");
            Err(StoreError::new(out, format!("is in use by {holder}; expected no other run, wait for its end")))
        }
        Err(TryLockError::Error(error)) => {
            Err(StoreError::new(path, format!("cannot be locked ({error}); OUT must lie where files can be locked")))
        }
    }
}

/// Writes who holds the file into it.
fn with_holder(path: &Path, mut file: File, who: &str) -> Result<File, StoreError> {
    let line = format!("{who}: process {} on {} since {}\n", std::process::id(), host(), times::now_text());
    let write = |file: &mut File| {
        file.set_len(0)?;
        file.rewind()?;
        file.write_all(line.as_bytes())
    };
    write(&mut file).map_err(|error| StoreError::new(path, error))?;
    Ok(file)
}

fn host() -> String {
    let name = fs::read_to_string("/proc/sys/kernel/hostname").or_else(|_| fs::read_to_string("/etc/hostname"));
    name.map_or_else(|_| "an unnamed host".to_owned(), |name| name.trim().to_owned())
}
