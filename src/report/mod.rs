//! Report: everything that people see, as bytes; the batch writes them.

#![expect(clippy::type_complexity, reason = "a column of a table is its name and a function of its row")]

mod answers;
mod applied;
mod columns;
mod covariates;
mod doses;
mod economics;
mod explain;
mod first;
mod forest;
mod geopackage;
mod html;
mod keys;
mod layers;
mod observed;
mod parquet;
mod photos;
mod plan;
mod prescription;
mod promises;
mod strips;
mod styles;
mod summary;
mod tables;
mod units;
mod yield_grid;

pub use answers::{Answer, answers};
pub use columns::{as_json as columns_json, as_text as columns_text};
pub(crate) use explain::{explain_record, explain_site_year};
pub use first::{FIRST, LABEL_FIRST, SUGGESTING_COMMANDS, SUGGESTING_FILES};
pub(crate) use plan::OF_SOME_FIELDS;
pub use plan::{as_json as plan_json, as_text as plan_table, replication_text};
pub use promises::{PROMISED, read_promised};
pub(crate) use tables::aligned;
pub use tables::zone_text as zone_table;
pub(crate) use units::Units;
pub(crate) use units::level;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt::Write;

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::config::ArchiveSettings;
use crate::points::{Caution, Ingested, Joined};
use crate::results::{Conclusions, Outline, Promise, SeasonPlan, SegmentDifference, SiteYear};
use crate::text::plain;

/// Version of this stage's files: part of the fingerprint of a site-year.
pub const VERSION: u32 = 14;

/// A file of the output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutputFile {
    /// Its name in its folder.
    pub name: Cow<'static, str>,
    /// Its content.
    pub bytes: Vec<u8>,
}

/// Why a file could not be made.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{file}: {reason}")]
pub struct ReportError {
    /// The file.
    pub file: &'static str,
    /// What went wrong.
    pub reason: String,
}

impl OutputFile {
    fn new(name: impl Into<Cow<'static, str>>, bytes: Vec<u8>) -> Self {
        Self { name: name.into(), bytes }
    }
}

impl ReportError {
    fn new(file: &'static str, reason: impl std::fmt::Display) -> Self {
        Self { file, reason: reason.to_string() }
    }
}

/// What a site-year's files came from.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Provenance {
    /// Hash of the inputs, the settings and the versions.
    pub fingerprint: String,
    /// Hash of each input, by its name in the archive.
    pub inputs: BTreeMap<String, String>,
    /// Version of each stage's results.
    pub stages: Vec<(&'static str, u32)>,
}

/// What the files of a site-year are made of.
#[derive(Debug, Clone, Copy)]
pub struct SiteYearCase<'c> {
    /// What was read.
    pub ingested: &'c Ingested,
    /// Records and segments.
    pub joined: &'c Joined,
    /// Treated minus check along the strips.
    pub differences: &'c [SegmentDifference],
    /// The result.
    pub result: &'c SiteYear,
    /// The archive's settings.
    pub archive: &'c ArchiveSettings,
    /// Hashes and versions.
    pub provenance: &'c Provenance,
}

/// What of a site-year's page was drawn from its records. With it, and what stands in `layers.gpkg`, a site-year whose
/// prices have changed is written anew without its records.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drawn(serde_json::Value);

/// The files of one site-year, and what was drawn for them.
///
/// # Errors
/// [`ReportError`] when an encoder refuses.
pub fn site_year(case: SiteYearCase<'_>) -> Result<(Vec<OutputFile>, Drawn), ReportError> {
    let SiteYearCase { ingested, joined, result, archive, provenance, .. } = case;
    let units = Units::new(archive, &result.identity.crop);
    let grid = yield_grid::YieldGrid::of(&joined.assigned.cleaned);
    let mut files = vec![
        OutputFile::new("points.parquet", parquet::points(joined)?),
        OutputFile::new("segments.parquet", parquet::segments(joined)?),
        OutputFile::new("removals.csv", tables::removals(result)?),
        OutputFile::new("sensitivity.csv", tables::sensitivity(result, &units)?),
        OutputFile::new("contrasts.csv", tables::contrasts(result, &units)?),
        OutputFile::new(LAYERS, layers::of_site_year(ingested, joined, case.differences, result, &units)?),
    ];
    files.extend(applied::table(ingested, &units)?.map(|bytes| OutputFile::new("applied.csv", bytes)));
    files.extend(covariates::table(result, &units)?.map(|bytes| OutputFile::new("covariates.csv", bytes)));
    files.extend(observed::table(result)?.map(|bytes| OutputFile::new("observed.csv", bytes)));
    files.extend(photos::files(ingested).into_iter().map(|(name, bytes)| OutputFile::new(name, bytes)));
    let drawn = html::drawn(case, &units, grid.as_ref())?;
    files.extend(priced(result, archive, provenance, drawn.clone())?);
    if let Some(grid) = &grid {
        files.push(OutputFile::new("yield.tif", grid.geotiff(result.epsg)?));
        let style = grid.style().map(String::into_bytes);
        files.extend(style.map(|bytes| OutputFile::new("yield.sld", bytes)));
    }
    Ok((files, drawn))
}

/// The GeoPackage of a site-year.
pub const LAYERS: &str = "layers.gpkg";

/// The files that tell of money, `layers.gpkg` aside.
fn priced(
    result: &SiteYear,
    archive: &ArchiveSettings,
    provenance: &Provenance,
    drawn: Drawn,
) -> Result<Vec<OutputFile>, ReportError> {
    let units = Units::new(archive, &result.identity.crop);
    Ok(vec![
        OutputFile::new("response.csv", tables::response(result, &units)?),
        OutputFile::new("summary.json", summary::site_year(result, archive)?),
        OutputFile::new("report.html", html::site_year(result, archive, provenance, drawn)?),
    ])
}

/// The files of a site-year that tell of money, for a result with new prices. `layers` is the `layers.gpkg` of the old ones.
///
/// # Errors
/// [`ReportError`] when an encoder refuses, or `layers` cannot be read.
pub fn repriced(
    result: &SiteYear,
    archive: &ArchiveSettings,
    provenance: &Provenance,
    drawn: Drawn,
    layers: &[u8],
) -> Result<Vec<OutputFile>, ReportError> {
    let units = Units::new(archive, &result.identity.crop);
    let mut files = priced(result, archive, provenance, drawn)?;
    files.push(OutputFile::new(LAYERS, layers::repriced(layers, result, &units)?));
    Ok(files)
}

/// `report.html` by itself.
///
/// # Errors
/// [`ReportError`] when an encoder refuses.
pub fn site_year_page(case: SiteYearCase<'_>) -> Result<Vec<u8>, ReportError> {
    let units = Units::new(case.archive, &case.result.identity.crop);
    let grid = yield_grid::YieldGrid::of(&case.joined.assigned.cleaned);
    html::site_year(case.result, case.archive, case.provenance, html::drawn(case, &units, grid.as_ref())?)
}

/// A site-year that has no result tonight, for the index.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// Its folder in the archive.
    pub folder: String,
    /// Why it failed, or is retired.
    pub reason: String,
    /// The folder below `site_years` of its last good result, if it has one.
    pub results: Option<String>,
    /// Whether it is no longer in the archive.
    pub is_retired: bool,
}

/// The files of the archive.
///
/// # Errors
/// [`ReportError`] when an encoder refuses.
pub fn archive(
    site_years: &[SiteYear],
    conclusions: &Conclusions,
    outline: &Outline,
    failures: &[Failure],
    archive: &ArchiveSettings,
) -> Result<Vec<OutputFile>, ReportError> {
    let zones = &conclusions.synthesis.zones;
    let answers = answers(conclusions, archive);
    let mut files = vec![
        OutputFile::new("answers.md", plain(&answers::markdown(&answers, archive)).into_owned().into_bytes()),
        OutputFile::new("response_by_zone.csv", tables::zones(zones, archive)?),
        OutputFile::new("forest.csv", forest::forest(&conclusions.synthesis, site_years, archive)?),
        OutputFile::new("trends.csv", forest::trends(&conclusions.synthesis, archive)?),
        OutputFile::new("covariates.csv", covariates::pooled(&conclusions.synthesis.covariates, archive)?),
        OutputFile::new("economics.csv", economics::table(conclusions, archive)?),
        OutputFile::new("site_years.csv", tables::site_years(site_years, archive)?),
        OutputFile::new("sites.gpkg", layers::sites(site_years, archive)?),
        OutputFile::new("promises.csv", promises::table(&outline.records, archive)?),
        OutputFile::new("columns.csv", columns::table()?),
    ];
    files.extend(doses::table(&conclusions.doses, archive)?.map(|bytes| OutputFile::new("doses.csv", bytes)));
    files.extend(index(site_years, conclusions, outline, failures, archive)?);
    Ok(files)
}

/// The files of the archive that a new plan changes.
///
/// # Errors
/// [`ReportError`] when an encoder refuses.
pub fn index(
    site_years: &[SiteYear],
    conclusions: &Conclusions,
    outline: &Outline,
    failures: &[Failure],
    archive: &ArchiveSettings,
) -> Result<Vec<OutputFile>, ReportError> {
    let answers = answers(conclusions, archive);
    let case = html::ArchiveCase { site_years, conclusions, outline, answers: &answers, failures, archive };
    Ok(vec![OutputFile::new("index.html", html::index(&case)?)])
}

/// A name as a part of the name of a file: letters, digits and hyphens.
fn file_part(name: &str) -> String {
    let plain = |c: char| if c.is_alphanumeric() { c } else { '-' };
    name.chars().flat_map(char::to_lowercase).map(plain).take(40).collect()
}

/// A figure to take along.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slide {
    /// Its name below `figures`, without an ending, with `/`.
    pub name: String,
    /// The drawing.
    pub svg: String,
}

/// The figures to take along: of the archive, then of its site-years.
///
/// # Errors
/// [`ReportError`] when an encoder refuses.
pub fn slides(
    site_years: &[SiteYear],
    conclusions: &Conclusions,
    outline: &Outline,
    archive: &ArchiveSettings,
) -> Result<Vec<Slide>, ReportError> {
    html::slides(&html::ArchiveCase { site_years, conclusions, outline, answers: &[], failures: &[], archive })
}

/// A figure as a picture of a width, px.
///
/// # Errors
/// [`ReportError`] when it cannot be drawn.
pub fn picture(slide: &Slide, width: u32) -> Result<Vec<u8>, ReportError> {
    html::png(&slide.svg, width)
}

/// The files of a plan, each with its folder below `plan`.
///
/// # Errors
/// [`ReportError`] when an encoder refuses.
pub fn plan(plan: &SeasonPlan, archive: &ArchiveSettings) -> Result<Vec<(String, OutputFile)>, ReportError> {
    plan::files(plan, archive)
}

/// What a plan promises, as it is kept beside it.
///
/// # Errors
/// [`ReportError`] when the encoder refuses.
pub fn promised(promises: &[Promise], archive: &ArchiveSettings) -> Result<OutputFile, ReportError> {
    Ok(OutputFile::new(PROMISED, promises::promised(promises, archive)?))
}

/// The cautions as a table of the README.
pub fn caution_table() -> String {
    let mut text = String::from("| caution | what it means |\n| --- | --- |\n");
    for caution in Caution::ALL {
        let _ = writeln!(text, "| `{}` | {} |", caution.code(), caution.text());
    }
    text
}

/// The marks as a table of the README.
pub fn mark_table() -> String {
    let mut text = String::from("| `removed_by` | why | needs | source |\n| --- | --- | --- | --- |\n");
    for mark in crate::points::Mark::ALL {
        let _ = writeln!(text, "| `{}` | {} | {} | {} |", mark.code(), mark.text(), mark.needs(), mark.rule().source);
    }
    text
}
