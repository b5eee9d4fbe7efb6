//! What others did to the output, and inputs that cannot be read.

use std::fs;

use crate::archive::Archive;
use crate::tree::{assert_same, results};

fn memory(archive: &Archive, field: &str) -> std::path::PathBuf {
    archive.out().join(".bandlift/site_years/2023/hollow").join(field).join("result")
}

#[test]
fn a_damaged_memory_is_noticed_and_its_site_year_computed_again() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let whole = results(&archive.out());
    let path = memory(&archive, "good");
    let sound = fs::read(&path).unwrap();
    let one_digit = sound.iter().rposition(u8::is_ascii_digit).unwrap();
    let mut other = sound.clone();
    other[one_digit] = if sound[one_digit] == b'1' { b'2' } else { b'1' };
    for damaged in [other, sound[..sound.len() / 2].to_vec(), Vec::new()] {
        fs::write(&path, damaged).unwrap();
        let said = archive.run();
        assert!(said.stderr.contains("1 computed, 1 unchanged"), "{}", said.stderr);
        assert!(fs::read_to_string(archive.out().join("run.log")).unwrap().contains("is damaged"));
        assert_same(&results(&archive.out()), &whole);
    }
}

#[test]
fn a_damaged_output_is_noticed_and_made_again() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let whole = results(&archive.out());
    let parquet = archive.result("good", "points.parquet");
    let bytes = fs::read(&parquet).unwrap();
    fs::write(&parquet, &bytes[..bytes.len() - 100]).unwrap();
    fs::remove_file(archive.result("bad", "response.csv")).unwrap();
    let said = archive.run();
    assert!(said.stderr.contains("2 computed, 0 unchanged"), "{}", said.stderr);
    let log = fs::read_to_string(archive.out().join("run.log")).unwrap();
    assert!(log.contains("points.parquet is not as it was written"), "{log}");
    assert_same(&results(&archive.out()), &whole);
}

#[test]
fn an_output_of_the_same_size_and_time_is_found_damaged_when_all_is_verified() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let whole = results(&archive.out());
    let table = archive.result("good", "response.csv");
    let modified = fs::metadata(&table).unwrap().modified().unwrap();
    let mut bytes = fs::read(&table).unwrap();
    let digit = bytes.iter().rposition(u8::is_ascii_digit).unwrap();
    bytes[digit] = b'0' + (bytes[digit] - b'0' + 1) % 10;
    fs::write(&table, bytes).unwrap();
    fs::File::options().write(true).open(&table).unwrap().set_modified(modified).unwrap();
    // nothing tells of it, and so it stands until all is verified
    assert!(archive.run().stderr.contains("0 computed, 2 unchanged"));
    assert!(archive.run_with(&["--verify"]).stderr.contains("1 computed, 1 unchanged"));
    assert_same(&results(&archive.out()), &whole);
}

#[test]
fn an_input_that_was_touched_is_read_and_nothing_computed() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let path = archive.path("fields/good/harvest.csv");
    let text = fs::read(&path).unwrap();
    fs::write(&path, text).unwrap();
    assert!(archive.run().stderr.contains("0 computed, 2 unchanged"));
}

#[test]
fn an_input_changed_under_its_old_size_and_time_is_computed_again_also_with_the_clock_set_back() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let path = archive.path("fields/good/harvest.csv");
    let modified = fs::metadata(&path).unwrap().modified().unwrap();
    for time in [modified, modified - std::time::Duration::from_hours(24)] {
        let text = fs::read_to_string(&path).unwrap();
        let changed =
            if text.contains(",18.0,") { text.replace(",18.0,", ",19.0,") } else { text.replace(",19.0,", ",18.0,") };
        assert_eq!(changed.len(), text.len());
        fs::write(&path, changed).unwrap();
        fs::File::options().write(true).open(&path).unwrap().set_modified(time).unwrap();
        assert!(archive.run().stderr.contains("1 computed, 1 unchanged"));
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_file_that_the_disk_does_not_give_back_fails_its_site_year_only() {
    let archive = Archive::new();
    let path = archive.path("fields/bad/harvest.csv");
    fs::remove_file(&path).unwrap();
    // the first bytes of a process's memory are mapped nowhere: reading them is an input/output error
    std::os::unix::fs::symlink("/proc/self/mem", &path).unwrap();
    let said = archive.run_with(&["--allow-outside"]);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("fields/bad/harvest.csv: cannot be read: Input/output error"), "{}", said.stderr);
    assert!(archive.result("good", "summary.json").is_file());
}

#[cfg(unix)]
#[test]
fn an_archive_that_cannot_be_written_is_read_and_nothing_in_it_touched() {
    use std::os::unix::fs::PermissionsExt;
    let archive = Archive::new();
    let mode = |path: &std::path::Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    let all: Vec<_> =
        walkdir::WalkDir::new(archive.root()).into_iter().map(|entry| entry.unwrap().into_path()).collect();
    for path in all.iter().rev() {
        mode(path, if path.is_dir() { 0o555 } else { 0o444 });
    }
    let seen = || -> Vec<_> {
        all.iter().map(|path| (path.clone(), fs::metadata(path).unwrap().modified().unwrap())).collect()
    };
    let before = seen();
    assert_eq!(archive.run().code, 0);
    assert_eq!(seen(), before);
    for path in &all {
        mode(path, if path.is_dir() { 0o755 } else { 0o644 });
    }
}
