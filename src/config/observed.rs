//! `[[observed]]`: counts and ratings made in the field, and what their columns mean.

use serde::Serialize;

use super::harvest::{self, PositionColumns};
use super::section::Section;
use crate::points::Scale;

/// The resolved settings of one measure.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ObservedSettings {
    /// What the measure is called in the reports. Default the name of the value column.
    pub name: String,
    /// Files or globs.
    pub paths: Vec<String>,
    /// Coordinate reference system, where the file carries none.
    pub crs: Option<String>,
    /// `count`, `percent` or `ordinal`.
    pub kind: Scale,
    /// Who looked, where there is no column of it.
    pub observer: Option<String>,
    /// Whether who looked did not know the treatments, where there is no column of it. Default: nothing is known of it.
    pub blind: Option<bool>,
    /// Where it was looked.
    pub position: PositionColumns,
    /// The count, the percent (0 to 100) or the level.
    pub value: String,
    /// The strip's name, in place of a position.
    pub strip: Option<String>,
    /// The spot: plants of one spot are no more than one look at a strip.
    pub spot: Option<String>,
    /// The plant, where several rows tell of one.
    pub plant: Option<String>,
    /// The day, such as 2023-08-14.
    pub date: Option<String>,
    /// Who looked.
    pub observer_column: Option<String>,
    /// A photograph (JPEG or PNG), by its path relative to the table; an address is refused.
    pub photo: Option<String>,
    /// Whether who looked did not know the treatment: yes or no, true or false, 1 or 0.
    pub blind_column: Option<String>,
}

pub(super) fn read(root: &Section<'_, '_>) -> Vec<ObservedSettings> {
    let mut all: Vec<ObservedSettings> = Vec::new();
    for entry in root.sections("observed") {
        let Some(one) = one(&entry) else { continue };
        if all.iter().any(|known| known.name == one.name) {
            entry.fault("name", format!("two measures are called `{}`; give each a `name`", one.name));
        }
        all.push(one);
    }
    all
}

fn one(entry: &Section<'_, '_>) -> Option<ObservedSettings> {
    let name = entry.text("name");
    let paths = entry.required("path", entry.texts("path"), "a table or a layer of points such as \"crown_rot.csv\"");
    let crs = entry.parsed("crs", harvest::epsg_text);
    let levels = entry.texts("levels");
    let kind = entry.parsed("kind", |text| match text {
        "count" => Ok(Scale::Count),
        "percent" => Ok(Scale::Percent),
        "ordinal" => Ok(Scale::Ordinal(levels.clone().unwrap_or_default())),
        other => Err(format!("expected `count`, `percent` or `ordinal`, found `{other}`")),
    });
    let kind = entry.required("kind", kind, "`count`, `percent` or `ordinal`");
    let mut distinct = levels.clone().unwrap_or_default();
    distinct.sort();
    distinct.dedup();
    match (&kind, &levels) {
        (Some(Scale::Ordinal(_)), Some(levels)) if levels.len() >= 2 && levels.len() == distinct.len() => {}
        (Some(Scale::Ordinal(_)), _) => {
            entry.fault(
                "levels",
                "expected two or more different levels, healthy first, such as [\"healthy\", \"rotted\"]",
            );
        }
        (Some(_), Some(_)) => entry.fault("levels", "goes with kind = \"ordinal\""),
        _ => {}
    }
    let (observer, blind) = (entry.text("observer"), entry.boolean("blind"));
    let columns = entry.section("columns");
    entry.required("columns", columns.as_ref(), "a table [observed.columns]");
    entry.finish_known();
    let columns = columns?;
    let position = harvest::position(&columns);
    let value = columns.required("value", columns.column("value"), "the column of the counts or ratings");
    let settings = ObservedSettings {
        name: name.or_else(|| value.clone()).unwrap_or_default(),
        paths: paths.unwrap_or_default(),
        crs,
        kind: kind.unwrap_or(Scale::Count),
        observer,
        blind,
        position,
        value: value.unwrap_or_default(),
        strip: columns.column("strip"),
        spot: columns.column("spot"),
        plant: columns.column("plant"),
        date: columns.column("date"),
        observer_column: columns.column("observer"),
        photo: columns.column("photo"),
        blind_column: columns.column("blind"),
    };
    columns.finish_known();
    (!settings.value.is_empty()).then_some(settings)
}
