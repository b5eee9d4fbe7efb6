//! A night in shares comes to the same bytes as a night in one process.

use std::fs;
use std::process::Command;

use crate::archive::{ARCHIVE, Archive, Said, say};
use crate::tree::{assert_same, results, start};

fn synthesise(archive: &Archive) -> Said {
    say(&["synthesise", archive.out().to_str().unwrap()])
}

fn demo() -> Archive {
    let archive = Archive::single();
    fs::remove_dir_all(archive.root()).unwrap();
    bandlift::demo::archive::write(&archive.root(), bandlift::demo::Options::default()).unwrap();
    archive
}

#[test]
fn shares_and_a_synthesis_give_the_bytes_of_one_process() {
    let archive = demo();
    // one broken, so that failures travel too
    let field = archive.path("2023/tamsin-flats/section-line/field.toml");
    let text = fs::read_to_string(&field).unwrap();
    fs::write(&field, text.replace("[[harvest]]", "[[harvest]]\nswath = \"much\"")).unwrap();
    let single = archive.run();
    assert_eq!(single.code, 1, "{}", single.stderr);
    let whole = results(&archive.out());
    fs::remove_dir_all(archive.out()).unwrap();

    let (root, out) = (archive.root(), archive.out());
    let share = |share: &str| {
        start(&["run", root.to_str().unwrap(), "--out", out.to_str().unwrap(), "--jobs", "1", "--share", share])
    };
    let mut shares: Vec<_> = ["1/3", "2/3", "3/3"].into_iter().map(share).collect();
    let codes: Vec<_> = shares.iter_mut().map(|share| share.wait().unwrap().code().unwrap()).collect();
    assert_eq!(codes.iter().filter(|code| **code == 1).count(), 1, "{codes:?}");
    assert!(!out.join("response_by_zone.csv").exists(), "a share does not synthesise");
    let said = synthesise(&archive);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("section-line") && said.stderr.contains("swath"), "{}", said.stderr);
    assert_same(&results(&archive.out()), &whole);
    // and a night in one process finds nothing to do
    let said = archive.run();
    assert!(said.stderr.contains("0 computed, 14 unchanged, 1 failed"), "{}", said.stderr);
    assert_same(&results(&archive.out()), &whole);
}

#[test]
fn a_share_that_never_ran_is_named_and_its_site_years_are_in_no_table() {
    let archive = Archive::new();
    let nothing = say(&["synthesise", archive.out().to_str().unwrap()]);
    assert_eq!(nothing.code, 2, "{}", nothing.stderr);
    assert!(nothing.stderr.contains("remembers no archive"), "{}", nothing.stderr);
    // one of these holds one of the two fields
    let mut done = 0;
    for number in 1..=16 {
        let said = archive.run_with(&["--share", &format!("{number}/16")]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        done += usize::from(said.stderr.contains("1 computed"));
        if done == 1 {
            break;
        }
    }
    let said = synthesise(&archive);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("has not been computed as it is now; run its share"), "{}", said.stderr);
    assert!(said.stderr.contains("0 computed, 1 unchanged, 1 failed"), "{}", said.stderr);
    assert_eq!(archive.run().code, 0);
    let whole = results(&archive.out());
    assert_eq!(synthesise(&archive).code, 0);
    assert_same(&results(&archive.out()), &whole);
}

#[test]
fn the_share_comes_from_the_array_job_only_when_that_is_asked_for() {
    let archive = Archive::single();
    archive.write("archive.toml", ARCHIVE);
    let run = |more: &[&str], variables: &[(&str, &str)]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bandlift"));
        command.arg("run").arg(archive.root()).arg("--out").arg(archive.out()).args(more);
        for name in ["SLURM_ARRAY_TASK_ID", "PBS_ARRAY_INDEX", "SGE_TASK_ID", "LSB_JOBINDEX"] {
            command.env_remove(name);
        }
        let output = command.envs(variables.iter().copied()).output().unwrap();
        (output.status.code().unwrap(), String::from_utf8(output.stderr).unwrap())
    };
    let array = [("SLURM_ARRAY_TASK_ID", "7"), ("SLURM_ARRAY_TASK_MIN", "5"), ("SLURM_ARRAY_TASK_MAX", "8")];
    let (code, stderr) = run(&["--share", "auto"], &array);
    assert_eq!(code, 0, "{stderr}");
    assert!(stderr.contains("share 3/4: "), "{stderr}");
    let (code, stderr) = run(&["--share", "auto"], &[]);
    assert_eq!(code, 2, "{stderr}");
    assert!(stderr.contains("--share: auto: not an array job"), "{stderr}");
    let (code, stderr) = run(&["--share", "5/4"], &[]);
    assert_eq!(code, 2, "{stderr}");
    assert!(stderr.contains("found `5/4`, expected K/N"), "{stderr}");
    // without the flag the variables mean nothing
    let (code, stderr) = run(&[], &array);
    assert_eq!(code, 0, "{stderr}");
    assert!(stderr.contains("see ") && stderr.contains("index.html") && !stderr.contains("share"), "{stderr}");
}
