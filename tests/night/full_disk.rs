//! No room left on the disk.
#![cfg(target_os = "linux")]

use std::path::Path;
use std::process::{Command, Output};

use crate::archive::Archive;
use crate::tree::{assert_same, results};

fn shell(script: &str, archive: &Archive) -> Output {
    Command::new("bash")
        .args(["-c", script])
        .env("PROGRAM", env!("CARGO_BIN_EXE_bandlift"))
        .env("ARCHIVE", archive.root())
        .env("OUT", archive.out())
        .output()
        .unwrap()
}

#[test]
fn a_writer_that_fails_leaves_whole_files_and_the_next_run_completes() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let whole = results(&archive.out());
    let sizes: Vec<usize> = whole.values().map(Vec::len).collect();
    let largest = sizes.iter().max().unwrap() / 1024;
    for limit in [1, largest / 20, largest / 4, largest - 1] {
        std::fs::remove_dir_all(archive.out()).unwrap();
        // no file may be longer than the limit (KiB); the signal that tells of it is ignored, so that writing fails
        let script = format!("trap '' XFSZ; ulimit -f {}; \"$PROGRAM\" run \"$ARCHIVE\" --out \"$OUT\"", limit.max(1));
        let output = shell(&script, &archive);
        let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(matches!(output.status.code(), Some(1 | 2)), "limit {limit}: {stderr}");
        assert!(stderr.contains("File too large"), "limit {limit}: {stderr}");
        assert!(results(&archive.out()).iter().all(|(name, bytes)| {
            !name.starts_with("site_years/") || name.ends_with("not-current.txt") || whole.get(name) == Some(bytes)
        }));
        assert_eq!(archive.run().code, 0);
        assert_same(&results(&archive.out()), &whole);
    }
}

/// A small file system of its own, where this user may make one.
fn with_small_disk(kib: usize, archive: &Archive, copy: &Path) -> Option<Output> {
    let space = if Command::new("unshare").args(["-m", "true"]).status().is_ok_and(|status| status.success()) {
        "-m"
    } else {
        "-rm"
    };
    let mount = format!("mount -t tmpfs -o size={kib}k none \"$OUT\"");
    let script = format!(
        "mkdir -p \"$OUT\"; exec unshare {space} bash -c '{mount} || exit; \
         \"$PROGRAM\" run \"$ARCHIVE\" --out \"$OUT\"; code=$?; cp -a \"$OUT\" \"{}\"; exit $code'",
        copy.display()
    );
    let output = shell(&script, archive);
    copy.exists().then_some(output)
}

#[test]
fn a_disk_that_fills_up_at_any_size_is_reported_and_the_next_run_completes() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let whole = results(&archive.out());
    let total = whole.values().map(Vec::len).sum::<usize>() / 1024;
    for share in [10, 30, 60, 90] {
        std::fs::remove_dir_all(archive.out()).unwrap();
        let copy = archive.dir.path().join(format!("copy{share}"));
        let Some(output) = with_small_disk(total * share / 100, &archive, &copy) else {
            assert_eq!(share, 10, "the first disk could be made");
            println!("no file system can be mounted here; the test of the failing writer stands alone");
            return;
        };
        let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(matches!(output.status.code(), Some(1 | 2)), "{share} %: {stderr}");
        assert!(stderr.contains("No space left on device"), "{share} %: {stderr}");
        std::fs::remove_dir_all(archive.out()).unwrap();
        std::fs::rename(&copy, archive.out()).unwrap();
        assert_eq!(archive.run().code, 0);
        assert_same(&results(&archive.out()), &whole);
    }
}
