//! A drop folder: what comes later is added, and nothing that stands is written over.

use std::fs;
use std::path::Path;

use super::reexport::{KINDS, records};
use crate::archive::say;

fn draft(folder: &Path, more: &[&str]) -> crate::archive::Said {
    let mut arguments = vec!["draft", folder.to_str().unwrap()];
    arguments.extend(more);
    say(&arguments)
}

/// Every file below a folder with its bytes.
fn all(folder: &Path) -> Vec<(std::path::PathBuf, Vec<u8>)> {
    let files = walkdir::WalkDir::new(folder).sort_by_file_name().into_iter().map(Result::unwrap);
    files
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| (entry.path().to_path_buf(), fs::read(entry.path()).unwrap()))
        .collect()
}

#[test]
fn later_files_are_added_and_nothing_is_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let (drop, later) = (folder.path().join("drop"), folder.path().join("later"));
    let kind = KINDS.iter().find(|kind| kind.name == "german").unwrap();
    let records = records();
    kind.write(&drop, &records);
    // the harvest of 2023 comes a year later
    let log = Path::new("2023/tamsin-flats/windbreak/log.csv");
    fs::create_dir_all(later.join(log).parent().unwrap()).unwrap();
    fs::rename(drop.join(log), later.join(log)).unwrap();

    let said = draft(&drop, &["--update"]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("holds no archive.toml to add to"), "{}", said.stderr);
    let said = draft(&drop, &[]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("2022/alder-bend/heron-slough/field.toml"), "{}", said.stdout);
    let archive = drop.join("archive.toml");
    let filled = fs::read_to_string(&archive)
        .unwrap()
        .replace("price = \"?\"", "price = \"4.20 USD/bu\"")
        .replace("cost = \"?\"", "cost = \"20 USD/ac\"");
    fs::write(&archive, &filled).unwrap();
    let before = all(&drop);
    let said = draft(&drop, &[]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("a draft never overwrites"), "{}", said.stderr);
    let said = draft(&drop, &["--update"]);
    assert_eq!((said.code, said.stdout.as_str()), (0, "nothing new\n"), "{}", said.stderr);
    assert_eq!(all(&drop), before);

    fs::rename(later.join(log), drop.join(log)).unwrap();
    let said = draft(&drop, &["--update"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(
        said.stdout.starts_with("2023/tamsin-flats/windbreak/field.toml\n") && !said.stdout.contains("heron"),
        "{}",
        said.stdout
    );
    for (path, bytes) in before {
        let now = fs::read(&path).unwrap();
        assert!(now.starts_with(&bytes), "{} was only added to", path.display());
    }
    let out = folder.path().join("out");
    let said = say(&["run", drop.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stderr.contains("3 site-years: 3 computed"), "{}", said.stderr);
}

#[test]
fn a_folder_without_a_log_says_what_was_found() {
    let folder = tempfile::tempdir().unwrap();
    let said = draft(&folder.path().join("none"), &[]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("no such folder"), "{}", said.stderr);
    fs::write(folder.path().join("prices.csv"), "item,price\nseed,120\n").unwrap();
    let said = draft(folder.path(), &[]);
    assert_eq!(said.code, 2);
    assert!(
        said.stderr.contains("no log of a harvest was found; prices.csv: a table without places"),
        "{}",
        said.stderr
    );
    assert!(!folder.path().join("archive.toml").exists());
}
