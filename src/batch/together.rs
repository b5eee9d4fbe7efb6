//! Files that were written beside those they replace, and go down to the disk together.
//!
//! A disk takes about as long to make sure of one file as of some hundreds. So the files of several site-years wait for each other:
//! all are written, then all are made sure of by one call, and only then does any of them take its place.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::store::StoreError;

/// Most that wait for each other. None is held in memory; what a kill takes is computed again.
const MOST: usize = 128;
/// Longest that one waits.
const LONGEST: Duration = Duration::from_secs(2);

/// Files that belong together, and where they go, in this order.
#[derive(Debug, Default)]
pub(super) struct Beside {
    /// Whose they are.
    pub(super) owner: String,
    /// Where each stands, and where it goes.
    pub(super) files: Vec<(PathBuf, PathBuf)>,
    /// What vouches for the others: removed before any of them takes its place.
    pub(super) voucher: Option<PathBuf>,
    /// What would contradict them: removed before the last of them takes its place.
    pub(super) former: Vec<PathBuf>,
    /// What no longer holds: removed when all stand.
    pub(super) marks: Vec<PathBuf>,
}

impl Beside {
    /// Gives up what was written.
    pub(super) fn give_up(&self) {
        for (from, _) in &self.files {
            let _ = fs::remove_file(from);
        }
    }

    fn sync(&self) -> Result<(), StoreError> {
        let synced = |(from, to): &(PathBuf, PathBuf)| {
            File::open(from).and_then(|file| file.sync_data()).map_err(|error| StoreError::new(to, error))
        };
        self.files.iter().try_for_each(synced)
    }

    fn take_places(&self) -> Result<(), StoreError> {
        let take = |(from, to): &(PathBuf, PathBuf)| fs::rename(from, to).map_err(|error| StoreError::new(to, error));
        let Some((last, others)) = self.files.split_last() else { return Ok(()) };
        self.voucher.iter().try_for_each(|path| super::store::removed(path))?;
        others.iter().try_for_each(take)?;
        self.former.iter().try_for_each(|path| super::store::removed(path))?;
        take(last)?;
        self.marks.iter().try_for_each(|path| super::store::removed(path))
    }
}

/// What waits to be made sure of.
#[derive(Debug)]
pub(super) struct Together {
    /// A folder on the disk, held open so that no error since then is missed.
    disk: File,
    waiting: Mutex<Waiting>,
}

#[derive(Debug, Default)]
struct Waiting {
    since: Option<Instant>,
    all: Vec<Beside>,
    failed: Vec<(String, StoreError)>,
}

impl Together {
    /// For files on the disk of a folder.
    pub(super) fn on_disk_of(folder: &Path) -> std::io::Result<Self> {
        Ok(Self { disk: open_folder(folder)?, waiting: Mutex::default() })
    }

    /// Takes files that were written; where many wait, or one for long, all of them take their places.
    pub(super) fn add(&self, beside: Beside) {
        let due = {
            let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
            let since = *waiting.since.get_or_insert_with(Instant::now);
            waiting.all.push(beside);
            if waiting.all.len() < MOST && since.elapsed() < LONGEST {
                return;
            }
            waiting.since = None;
            std::mem::take(&mut waiting.all)
        };
        self.finish(&due);
    }

    /// All that wait take their places; answers what could not since this was last asked, with its owner.
    pub(super) fn settle(&self) -> Vec<(String, StoreError)> {
        let due = {
            let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
            waiting.since = None;
            std::mem::take(&mut waiting.all)
        };
        self.finish(&due);
        std::mem::take(&mut self.waiting.lock().unwrap_or_else(PoisonError::into_inner).failed)
    }

    fn finish(&self, due: &[Beside]) {
        if due.is_empty() {
            return;
        }
        // The whole disk may fail for what is another's: then each file tells for itself.
        let all_sure = sync_disk(&self.disk);
        for one in due {
            let sure = if all_sure { Ok(()) } else { one.sync() };
            if let Err(error) = sure.and_then(|()| one.take_places()) {
                one.give_up();
                let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
                waiting.failed.push((one.owner.clone(), error));
            }
        }
    }
}

/// Makes sure of all that was written to a disk; whether that is known to have worked (syncfs(2), which tells of errors since Linux
/// 5.8).
#[cfg(target_os = "linux")]
fn sync_disk(disk: &File) -> bool {
    rustix::fs::syncfs(disk).is_ok()
}

#[cfg(target_os = "linux")]
fn open_folder(folder: &Path) -> std::io::Result<File> {
    File::open(folder)
}

/// Other systems have no such call.
#[cfg(not(target_os = "linux"))]
fn sync_disk(_: &File) -> bool {
    false
}

/// Other systems may not open folders; any file of the disk stands for it.
#[cfg(not(target_os = "linux"))]
fn open_folder(folder: &Path) -> std::io::Result<File> {
    File::create(folder.join("disk"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beside(folder: &Path, owner: &str) -> Beside {
        let from = folder.join(format!("scratch-{owner}"));
        fs::write(&from, owner).unwrap();
        Beside { owner: owner.to_owned(), files: vec![(from, folder.join(owner).join("file"))], ..Beside::default() }
    }

    #[test]
    fn what_waits_takes_its_place_when_settled_and_one_that_cannot_does_not_stop_the_others() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path();
        for owner in ["one", "three"] {
            fs::create_dir(folder.join(owner)).unwrap();
        }
        let together = Together::on_disk_of(folder).unwrap();
        for owner in ["one", "two", "three"] {
            together.add(beside(folder, owner));
        }
        assert!(!folder.join("one/file").exists(), "it did not wait");
        let failed = together.settle();
        assert_eq!(failed.iter().map(|(owner, _)| owner.as_str()).collect::<Vec<_>>(), ["two"]);
        assert_eq!(fs::read(folder.join("one/file")).unwrap(), b"one");
        assert_eq!(fs::read(folder.join("three/file")).unwrap(), b"three");
        assert!(!folder.join("scratch-two").exists());
        assert!(together.settle().is_empty(), "told twice");
    }

    #[test]
    fn no_more_wait_than_the_most() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path();
        let together = Together::on_disk_of(folder).unwrap();
        for at in 0..MOST {
            fs::create_dir(folder.join(at.to_string())).unwrap();
            together.add(beside(folder, &at.to_string()));
        }
        assert!(folder.join("0/file").exists() && folder.join((MOST - 1).to_string()).join("file").exists());
    }

    #[test]
    fn what_would_contradict_goes_before_the_last_takes_its_place() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path();
        fs::create_dir(folder.join("one")).unwrap();
        for name in ["former", "mark"] {
            fs::write(folder.join(name), name).unwrap();
        }
        let mut one = beside(folder, "one");
        (one.former, one.marks) = (vec![folder.join("former"), folder.join("never")], vec![folder.join("mark")]);
        let together = Together::on_disk_of(folder).unwrap();
        together.add(one);
        assert!(folder.join("former").exists() && folder.join("mark").exists());
        assert!(together.settle().is_empty());
        assert!(!folder.join("former").exists() && !folder.join("mark").exists() && folder.join("one/file").exists());
    }

    /// A picture that is new beside a drawing that is old would pass for one that belongs to it when the settings go back.
    #[test]
    fn what_vouches_for_others_goes_before_any_takes_its_place() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path();
        fs::write(folder.join("drawing"), "old").unwrap();
        // no folder for its file: it cannot take its place, as if a kill had come before it
        let one = Beside { voucher: Some(folder.join("drawing")), ..beside(folder, "one") };
        let together = Together::on_disk_of(folder).unwrap();
        together.add(one);
        assert!(folder.join("drawing").exists());
        assert_eq!(together.settle().len(), 1);
        assert!(!folder.join("drawing").exists());
    }
}
