//! Ctrl-C stops cleanly; a second one at once.
#![cfg(unix)]

use std::os::unix::process::ExitStatusExt;
use std::process::{Child, Command};

use crate::archive::Archive;
use crate::tree::{assert_same, results, start, wait_until};

fn signal(child: &Child, name: &str) {
    assert!(Command::new("kill").args([&format!("-{name}"), &child.id().to_string()]).status().unwrap().success());
}

/// Copies of the sound field, so that a run takes a while.
fn several() -> Archive {
    let archive = Archive::new();
    for at in 0..20 {
        let folder = format!("fields/more{at}");
        for file in ["harvest.csv", "strips.geojson"] {
            let bytes = std::fs::read(archive.path(&format!("fields/good/{file}"))).unwrap();
            archive.write(&format!("{folder}/{file}"), bytes);
        }
        archive.write(&format!("{folder}/field.toml"), crate::archive::FIELD.replace("FIELD", &format!("more{at}")));
    }
    archive
}

fn begun(archive: &Archive) -> Child {
    let (root, out) = (archive.root(), archive.out());
    let _ = std::fs::remove_file(out.join("run.log"));
    let child = start(&["run", root.to_str().unwrap(), "--out", out.to_str().unwrap(), "--jobs", "1"]);
    let log = out.join("run.log");
    wait_until("a site-year is computed", || {
        std::fs::read_to_string(&log).is_ok_and(|text| text.contains("computed in"))
    });
    child
}

#[test]
fn the_first_signal_lets_what_runs_finish_and_keeps_what_is_done() {
    let archive = several();
    for (name, code) in [("INT", 130), ("TERM", 143)] {
        let mut child = begun(&archive);
        signal(&child, name);
        let status = child.wait().unwrap();
        assert_eq!(status.code(), Some(code), "{status}");
        let log = std::fs::read_to_string(archive.out().join("run.log")).unwrap();
        assert!(log.contains("stopped by signal"), "{log}");
        assert!(!archive.out().join("site_years.csv").exists(), "stopped too late to tell anything");
    }
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    // at least one in each of the stopped runs
    let told = said.stderr.rsplit(" computed, ").next().unwrap();
    let unchanged: usize = told.split(' ').next().unwrap().parse().unwrap();
    assert!((2..22).contains(&unchanged), "{}", said.stderr);
    let stopped_twice = results(&archive.out());
    std::fs::remove_dir_all(archive.out()).unwrap();
    assert_eq!(archive.run().code, 0);
    assert_same(&stopped_twice, &results(&archive.out()));
}

#[test]
fn the_second_signal_ends_the_run_at_once() {
    let archive = several();
    let mut child = begun(&archive);
    signal(&child, "INT");
    signal(&child, "INT");
    let status = child.wait().unwrap();
    assert!(status.code() == Some(130) || status.signal() == Some(2), "{status}");
    assert_eq!(archive.run().code, 0);
}
