//! The example archive of the project, run once for all tests.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use tempfile::TempDir;

/// The output folder of the example archive, planned.
pub fn out() -> &'static Path {
    static OUT: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    &OUT.get_or_init(|| {
        let folder = TempDir::new().unwrap();
        let archive = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive");
        let out = folder.path().join("out");
        call("plan", &archive, &out);
        (folder, out)
    })
    .1
}

/// Runs an archive.
pub fn run(archive: &Path, out: &Path) {
    call("run", archive, out);
}

/// Runs and plans an archive.
pub fn plan(archive: &Path, out: &Path) {
    call("plan", archive, out);
}

fn call(what: &str, archive: &Path, out: &Path) {
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_bandlift"));
    let said = command.arg(what).arg(archive).arg("--out").arg(out).output().unwrap();
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
}

/// The pages of the site-years.
pub fn reports() -> Vec<PathBuf> {
    all("site_years", "report.html")
}

/// The sheets of next season's strips.
pub fn sheets() -> Vec<PathBuf> {
    all("plan", "strips.html")
}

fn all(folder: &str, name: &str) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = walkdir::WalkDir::new(out().join(folder))
        .into_iter()
        .map(|entry| entry.unwrap().into_path())
        .filter(|path| path.ends_with(name))
        .collect();
    found.sort();
    assert!(!found.is_empty());
    found
}

/// The page of the site-year with most treatments.
pub fn report() -> String {
    let all = reports().into_iter().map(|path| std::fs::read_to_string(path).unwrap());
    all.max_by_key(|page| page.matches("class=\"verdict\"").count()).unwrap()
}

/// The page of the archive.
pub fn index() -> String {
    std::fs::read_to_string(out().join("index.html")).unwrap()
}

/// The sheet of the field with most strips.
pub fn sheet() -> String {
    let all = sheets().into_iter().map(|path| std::fs::read_to_string(path).unwrap());
    all.max_by_key(String::len).unwrap()
}
