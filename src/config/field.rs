//! `field.toml`: the settings of one site-year.

use serde::Serialize;

use super::applied::{self, AppliedSettings};
use super::covariate::{self, CovariateSettings};
use super::harvest::{self, HarvestSettings};
use super::observed::{self, ObservedSettings};
use super::section::{Document, Section};
use super::{ArchiveSettings, Faults};
use crate::quantity::{Length, nearest};

/// The strips of a site-year.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StripSettings {
    /// The polygon layer; absent when the harvest file carries the labels.
    pub path: Option<String>,
    /// Attribute that holds the treatment's key.
    pub treatment: String,
    /// Attribute that holds the block; absent: blocks are formed from neighbouring strips.
    pub block: Option<String>,
    /// Attribute that holds the strip's name.
    pub strip: Option<String>,
    /// Coordinate reference system of a layer that carries none.
    pub crs: Option<String>,
    /// Whether the order was drawn at random within each block.
    pub randomized: bool,
}

impl StripSettings {
    /// Of strips that no layer draws.
    fn of_labels() -> Self {
        let treatment = "treatment".to_owned();
        Self { path: None, treatment, block: None, strip: None, crs: None, randomized: false }
    }
}

/// The resolved settings of one site-year.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FieldSettings {
    /// The farm's name, as typed.
    pub farm: String,
    /// The field's name, as typed.
    pub field: String,
    /// The season: the year of harvest.
    pub season: i32,
    /// Key of the crop in the archive's settings.
    pub crop: String,
    /// Planting date.
    #[serde(serialize_with = "date_as_text")]
    pub planted: Option<chrono::NaiveDate>,
    /// Distance between the rows of the crop, m.
    pub row_spacing_m: Option<f64>,
    /// The boundary layer.
    pub boundary: Option<String>,
    /// Coordinate reference system of a boundary layer that carries none.
    pub boundary_crs: Option<String>,
    /// Attribute of the boundary layer and its values for this field, where the layer holds others, too.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub boundary_filter: Option<(String, Vec<String>)>,
    /// The strips; absent when the field is only mapped.
    pub strips: Option<StripSettings>,
    /// The harvest files, at least one entry.
    pub harvest: Vec<HarvestSettings>,
    /// The scale tickets.
    pub tickets: Option<String>,
    /// The logs of what was put down, in the order of application.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub applied: Vec<AppliedSettings>,
    /// Counts and ratings made in the field.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub observed: Vec<ObservedSettings>,
    /// Other layers of the ground: those of the archive, then the field's own.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub covariates: Vec<CovariateSettings>,
}

#[expect(clippy::ref_option, clippy::trivially_copy_pass_by_ref, reason = "the signature that serde asks for")]
fn date_as_text<S: serde::Serializer>(date: &Option<chrono::NaiveDate>, serializer: S) -> Result<S::Ok, S::Error> {
    date.map(|date| date.to_string()).serialize(serializer)
}

impl FieldSettings {
    /// Reads `field.toml`.
    ///
    /// # Errors
    /// Every fault of the file, with line and column; `file` is how the file is named in them.
    pub fn parse(file: &str, text: &str, archive: &ArchiveSettings) -> Result<Self, Faults> {
        let document = Document::parse(file, text).with_answers(&archive.answers);
        let settings = read(&document.root(), archive);
        document.finish(settings)
    }

    /// What makes this site-year unique in its archive.
    pub fn identity(&self) -> (i32, &str, &str) {
        (self.season, &self.farm, &self.field)
    }
}

pub(super) fn read(root: &Section<'_, '_>, archive: &ArchiveSettings) -> Option<FieldSettings> {
    let farm = root.required("farm", root.text("farm"), "the farm's name in quotes");
    let field = root.required("field", root.text("field"), "the field's name in quotes");
    let season = root.required("season", root.integer("season", 1900, 2200), "the year of harvest such as 2023");
    let crop = root.required("crop", root.text("crop"), "a crop such as \"corn\"");
    if let Some(crop) = &crop
        && !archive.crops.contains_key(crop)
    {
        let known = || archive.crops.keys().map(String::as_str);
        let hint = nearest(crop, known()).map_or_else(String::new, |word| format!("; did you mean `{word}`?"));
        let list = known().collect::<Vec<_>>().join(", ");
        root.fault("crop", format!("unknown crop `{crop}`; archive.toml knows: {list}{hint}"));
    }
    let planted = root.date("planted");
    let row_spacing_m = root.given::<Length>("row_spacing", 0.05, 3.0);

    let (mut boundary, mut boundary_crs, mut boundary_filter) = (None, None, None);
    if let Some(section) = root.section("boundary") {
        boundary = section.required("path", section.text("path"), "a polygon layer");
        boundary_crs = section.parsed("crs", harvest::epsg_text);
        if let Some(table) = section.section("where") {
            let column = table.required("column", table.text("column"), "the attribute that names the field");
            let is = table.required("is", table.texts("is"), "its value, or a list of values, for this field");
            table.finish_known();
            boundary_filter = column.zip(is);
        }
        section.finish_known();
    }
    let mut entries = Vec::new();
    let tables = root.sections("harvest");
    if tables.is_empty() {
        root.required::<()>("harvest", None, "at least one table [[harvest]]");
    }
    for table in &tables {
        entries.extend(harvest::read(table));
    }
    let labelled = entries.iter().any(|entry| entry.labels.treatment.is_some());
    let applied = applied::read(root, &archive.treatments);
    if labelled && !applied.is_empty() {
        root.fault("applied", "treatments are given twice: by a log and by a treatment column of the harvest");
    }
    let strips = strips(root, labelled).or_else(|| {
        let first = applied.first()?;
        Some(StripSettings { randomized: first.randomized, ..StripSettings::of_labels() })
    });
    if labelled && entries.iter().any(|entry| entry.labels.treatment.is_none()) {
        root.fault("harvest", "some entries have a treatment column and some have none; give it to all or none");
    }
    if strips.as_ref().is_some_and(|strips| strips.path.is_some()) && labelled {
        root.fault("strips", "treatments are given twice: by the strips' layer and by a treatment column");
    }
    if (strips.is_some() || labelled) && archive.treatments.is_empty() {
        root.fault(
            if strips.is_some() { "strips" } else { "harvest" },
            "the field has strips, but archive.toml lists no [treatments]",
        );
    }
    let mut tickets = None;
    if let Some(section) = root.section("tickets") {
        tickets = section.required("path", section.text("path"), "a table of scale tickets");
        section.finish_known();
    }
    let observed = observed::read(root);
    let covariates = covariate::of_field(&archive.covariates, covariate::read(root, false), planted);
    if !observed.is_empty() && strips.is_none() {
        root.fault("observed", "needs strips: what was seen is compared between treatments");
    }
    root.finish_known();
    Some(FieldSettings {
        farm: farm?,
        field: field?,
        season: season? as i32,
        crop: crop?,
        planted,
        row_spacing_m,
        boundary,
        boundary_crs,
        boundary_filter,
        strips,
        harvest: entries,
        tickets,
        applied,
        observed,
        covariates,
    })
}

fn strips(root: &Section<'_, '_>, labelled: bool) -> Option<StripSettings> {
    let Some(section) = root.section("strips") else {
        return labelled.then(StripSettings::of_labels);
    };
    let path = section.text("path");
    if path.is_none() && !labelled && !section.has("path") {
        section.fault("path", "is missing; expected a polygon layer, or a treatment column in the harvest files");
    }
    let settings = StripSettings {
        path,
        treatment: section.column("treatment").unwrap_or_else(|| "treatment".to_owned()),
        block: section.column("block"),
        strip: section.column("strip"),
        crs: section.parsed("crs", harvest::epsg_text),
        randomized: section.boolean("randomized").unwrap_or(false),
    };
    section.finish_known();
    Some(settings)
}
