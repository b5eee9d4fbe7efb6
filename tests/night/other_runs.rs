//! Two runs on one output folder do not mix; a run that is gone is no obstacle.

use crate::archive::Archive;
use crate::tree::{start, wait_until};

#[test]
fn a_second_run_is_refused_while_the_first_is_at_work_and_told_who_it_is() {
    let archive = Archive::new();
    let (root, out) = (archive.root(), archive.out());
    let mut first = start(&["run", root.to_str().unwrap(), "--out", out.to_str().unwrap(), "--jobs", "1"]);
    wait_until("the first holds the folder", || {
        std::fs::read_to_string(out.join(".bandlift/lock")).is_ok_and(|text| text.ends_with('\n'))
    });
    for more in [&[][..], &["--share", "1/2"]] {
        let said = archive.run_with(more);
        assert_eq!(said.code, 2, "{}", said.stderr);
        let holder = format!("in use by a run: process {}", first.id());
        assert!(said.stderr.contains(&holder), "{}", said.stderr);
    }
    first.kill().unwrap();
    first.wait().unwrap();
    // what it wrote of itself still stands there, and holds nobody up
    assert_eq!(archive.run().code, 0);
}

#[test]
fn shares_work_side_by_side_and_no_run_between_them() {
    let archive = Archive::new();
    let (root, out) = (archive.root(), archive.out());
    let mut share =
        start(&["run", root.to_str().unwrap(), "--out", out.to_str().unwrap(), "--jobs", "1", "--share", "1/2"]);
    wait_until("the share holds the folder", || {
        std::fs::read_to_string(out.join(".bandlift/shares/1-of-2.lock")).is_ok_and(|text| text.ends_with('\n'))
    });
    let said = archive.run_with(&["--share", "2/2"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    for (more, text) in [(&[][..], "in use by share"), (&["--share", "1/2"], "in use by share 1/2")] {
        // the share may have ended meanwhile
        if share.try_wait().unwrap().is_none() {
            let said = archive.run_with(more);
            if share.try_wait().unwrap().is_none() {
                assert_eq!(said.code, 2, "{}", said.stderr);
                assert!(said.stderr.contains(text), "{}", said.stderr);
            }
        }
    }
    share.wait().unwrap();
}
