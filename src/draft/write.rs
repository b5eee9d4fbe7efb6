//! The drafted files: archive.toml, a field.toml for each site-year, draft.md. Nothing is overwritten.

mod applied;
mod archive;
mod field;
mod markdown;

use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::Path;

use self::applied::Tested;
use super::ask::Questions;
use super::known::archive_name;
use super::sight::{Kind, Log};
use super::{DraftError, DraftReport, Found};
use crate::config::{SettingsFile, schema};
use crate::ingest;

/// Where files are put that lie outside the archive.
pub(super) const FILES: &str = "files";

/// Quoted as TOML.
pub(super) fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

struct Writer<'f> {
    archive: &'f Path,
    found: &'f Found,
    /// Path of the folder relative to the archive, where it lies in it; absent: its files are copied.
    inside: Option<String>,
    questions: Questions,
    /// Files that the settings name.
    used: BTreeSet<usize>,
    report: DraftReport,
    treatments: BTreeSet<String>,
    tested: Tested,
    crops: BTreeSet<String>,
    notes: Vec<String>,
}

fn lies_in(folder: &Path, archive: &Path) -> Option<String> {
    let folder = folder.canonicalize().ok()?;
    // the archive may not stand yet
    let archive = archive.canonicalize().ok()?;
    let below = folder.strip_prefix(&archive).ok()?;
    Some(below.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect::<Vec<_>>().join("/"))
}

/// Writes all that was found.
pub(super) fn write(folder: &Path, archive: &Path, found: &Found, update: bool) -> Result<DraftReport, DraftError> {
    std::fs::create_dir_all(archive).map_err(|error| fault(archive, &error))?;
    let old =
        if update { std::fs::read_to_string(archive.join("archive.toml")).unwrap_or_default() } else { String::new() };
    let old_table = old.parse::<toml::Table>().unwrap_or_default();
    let keys = |section: &str| -> Vec<String> {
        old_table
            .get(section)
            .and_then(toml::Value::as_table)
            .map(|table| table.keys().cloned().collect())
            .unwrap_or_default()
    };
    let mut writer = Writer {
        archive,
        found,
        inside: lies_in(folder, archive),
        questions: Questions::besides(keys("answers")),
        used: BTreeSet::new(),
        report: DraftReport {
            archive: archive.to_path_buf(),
            left_out: found.left_out.clone(),
            ..DraftReport::default()
        },
        treatments: BTreeSet::new(),
        tested: Tested::default(),
        crops: BTreeSet::new(),
        notes: Vec::new(),
    };
    let mut fields = Vec::new();
    for at in 0..found.sites.len() {
        fields.push(writer.field(at));
    }
    // logs of applications and tables that came later than the harvest
    for (at, (_, place)) in found.old.iter().enumerate() {
        let stands = std::fs::read_to_string(archive.join(place).join("field.toml")).unwrap_or_default();
        let more = writer.more_of(&stands, found.sites.len() + at, place);
        if !more.is_empty() && fields.iter().all(|field| field.0 != *place) {
            fields.push((place.clone(), String::new(), more));
        }
    }
    let toml = if update { writer.added_to(&old, &old_table) } else { writer.archive_toml(&archive_name(folder)) };
    writer.report.questions = writer.questions.all();
    let text = writer.draft_md(update);
    writer.copy(folder)?;
    for (place, whole, entries) in &fields {
        let path = archive.join(place).join("field.toml");
        if path.exists() {
            append(&path, entries)?;
        } else {
            create(&path, whole)?;
        }
        writer.report.site_years.push(place.clone());
    }
    // editors check the settings by these
    for (name, of) in [(ARCHIVE_SCHEMA, SettingsFile::Archive), (FIELD_SCHEMA, SettingsFile::Field)] {
        let path = archive.join(name);
        if !(path.exists() || update && fields.is_empty()) {
            create(&path, &format!("{:#}\n", schema(of)))?;
        }
    }
    if update {
        if !fields.is_empty() || toml.trim_end() != old.trim_end() {
            replace(&archive.join("archive.toml"), &toml)?;
            append(&archive.join("draft.md"), &text)?;
        }
    } else {
        create(&archive.join("draft.md"), &text)?;
        create(&archive.join("archive.toml"), &toml)?;
    }
    Ok(writer.report)
}

/// The schemas of the settings, which their first lines name.
pub(super) const ARCHIVE_SCHEMA: &str = "archive.schema.json";
pub(super) const FIELD_SCHEMA: &str = "field.schema.json";

fn fault(path: &Path, error: &dyn std::fmt::Display) -> DraftError {
    DraftError::Write { path: path.display().to_string(), reason: error.to_string() }
}

fn create(path: &Path, text: &str) -> Result<(), DraftError> {
    let made = || -> std::io::Result<()> {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        std::fs::File::create_new(path)?.write_all(text.as_bytes())
    };
    made().map_err(|error| fault(path, &error))
}

fn append(path: &Path, text: &str) -> Result<(), DraftError> {
    let open = std::fs::OpenOptions::new().append(true).create(true).open(path);
    open.and_then(|mut file| file.write_all(text.as_bytes())).map_err(|error| fault(path, &error))
}

/// The new text whole or not at all: only lines were added to it.
fn replace(path: &Path, text: &str) -> Result<(), DraftError> {
    let beside = path.with_extension("toml.new");
    std::fs::write(&beside, text).and_then(|()| std::fs::rename(&beside, path)).map_err(|error| fault(path, &error))
}

impl Writer<'_> {
    /// A file's path relative to the archive; it is used.
    fn path_of(&mut self, file: usize) -> String {
        self.used.insert(file);
        self.place_of(file)
    }

    fn place_of(&self, file: usize) -> String {
        let name = &self.found.seen[file].name;
        match &self.inside {
            Some(folder) if folder.is_empty() => name.clone(),
            Some(folder) => format!("{folder}/{name}"),
            None => format!("{FILES}/{name}"),
        }
    }

    /// The same relative to a folder of the archive.
    fn path_from(&mut self, folder: &str, file: usize) -> String {
        self.used.insert(file);
        self.relative(folder, file)
    }

    fn relative(&self, folder: &str, file: usize) -> String {
        let path = self.place_of(file);
        let (from, to): (Vec<&str>, Vec<&str>) = (folder.split('/').collect(), path.split('/').collect());
        let shared = from.iter().zip(&to).take_while(|(one, other)| one == other).count().min(to.len() - 1);
        let mut parts = vec![".."; from.len() - shared];
        parts.extend(&to[shared..]);
        parts.join("/")
    }

    fn copy(&self, folder: &Path) -> Result<(), DraftError> {
        if self.inside.is_some() {
            return Ok(());
        }
        for &file in &self.used {
            let seen = &self.found.seen[file];
            let mut all = ingest::companions(&seen.path);
            all.push(crate::bundle::on_disk(&seen.path).0);
            for path in all {
                let below = path.strip_prefix(folder).unwrap_or(&path);
                let to = self.archive.join(FILES).join(below);
                if to.exists() {
                    continue;
                }
                if let Some(parent) = to.parent() {
                    std::fs::create_dir_all(parent).map_err(|error| fault(&to, &error))?;
                }
                std::fs::copy(&path, &to).map_err(|error| fault(&to, &error))?;
            }
        }
        Ok(())
    }

    fn log(&self, file: usize) -> Option<&Log> {
        if let Kind::Log(log) = &self.found.seen[file].kind { Some(log) } else { None }
    }
}
