//! Soil survey as it is delivered: polygons with the key of their map unit, and tables of the units' components.

use std::collections::BTreeMap;
use std::path::Path;

use super::IngestError;
use super::layers::InputFile;
use super::readers::{self, Shapes, Table, Wanted};
use crate::config::{ComponentSettings, ReadSettings, SURVEY_COLUMNS, SoilSettings};

/// The attribute that a soil survey's polygons carry.
pub(crate) const MAP_UNIT_KEY: &str = SURVEY_COLUMNS[0];

/// Whether a file is the survey's table of components, by its own header or by the table that names its columns.
pub(crate) fn holds_components(name: &str, path: &Path) -> bool {
    if readers::Format::of(path) != Some(readers::Format::Csv) {
        return false;
    }
    let limits = ReadSettings::default();
    let by_header = readers::columns(name, path, limits.most_unpacked_bytes)
        .is_ok_and(|columns| SURVEY_COLUMNS.iter().all(|needed| columns.iter().any(|column| column == needed)));
    if !by_header && readers::names_of_columns(path).is_none() {
        return false;
    }
    let [key, percent, class] = SURVEY_COLUMNS.map(str::to_owned);
    let settings = ComponentSettings { path: String::new(), key, percent, class };
    let file = InputFile { name: name.to_owned(), path: path.to_path_buf() };
    table(&file, &settings, limits).is_ok()
}

/// What the components of a map unit say of its class.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Unit {
    /// The dominant condition: the class with the greatest share, of equals the wetter; none where components without a class have more.
    pub(super) class: Option<usize>,
    /// Shares of the classes, percent, dry to wet.
    pub(super) class_pct: Vec<(usize, f64)>,
}

/// The map units by key.
#[derive(Debug)]
pub(super) struct Units {
    units: BTreeMap<String, Unit>,
    tables: String,
}

impl Unit {
    fn of(shares: BTreeMap<Option<usize>, f64>) -> Self {
        let unclassed = shares.get(&None).copied().unwrap_or(0.0);
        let class_pct: Vec<(usize, f64)> =
            shares.into_iter().filter_map(|(class, pct)| Some((class?, pct))).filter(|(_, pct)| *pct > 0.0).collect();
        // of equals the last, which is the wettest
        let dominant = class_pct.iter().max_by(|one, other| one.1.total_cmp(&other.1));
        let class = dominant.filter(|(_, pct)| *pct >= unclassed).map(|(class, _)| *class);
        Self { class, class_pct }
    }
}

impl Units {
    /// The unit of a polygon, by its key.
    pub(super) fn of(&self, file: &str, row: usize, key: Option<&str>) -> Result<Unit, IngestError> {
        let Some(key) = key else { return Ok(Unit::default()) };
        self.units.get(key).cloned().ok_or_else(|| IngestError::Polygon {
            file: file.to_owned(),
            number: row + 1,
            reason: format!("map unit `{key}` has no component in {}", self.tables),
        })
    }
}

/// The attribute of a layer that is called like the key, without regard to upper and lower case.
pub(super) fn key_of(file: &InputFile, key: &str, limits: ReadSettings) -> Result<String, IngestError> {
    let columns = readers::columns(&file.name, &file.path, limits.most_unpacked_bytes)?;
    let found = columns.iter().find(|column| column.eq_ignore_ascii_case(key));
    found.cloned().ok_or_else(|| IngestError::missing_column(&file.name, key, &columns))
}

/// Reads the components.
pub(super) fn units(
    files: &[InputFile],
    settings: &ComponentSettings,
    soil: &SoilSettings,
    limits: ReadSettings,
) -> Result<Units, IngestError> {
    let mut shares: BTreeMap<String, BTreeMap<Option<usize>, f64>> = BTreeMap::new();
    for file in files {
        let table = table(file, settings, limits)?;
        let (keys, classes) = (&table.texts[&settings.key], &table.texts[&settings.class]);
        for (row, &pct) in table.numbers[&settings.percent].iter().enumerate() {
            let cell = |column: &str, found: String, expected: String| {
                IngestError::cell(&file.name, row + 1, column, found, expected)
            };
            let key =
                keys.get(row).ok_or_else(|| cell(&settings.key, String::new(), "the key of a map unit".to_owned()))?;
            if pct.is_finite() && !(0.0..=100.0).contains(&pct) {
                return Err(cell(&settings.percent, pct.to_string(), "a share of 0 to 100 percent".to_owned()));
            }
            let found = classes.get(row).unwrap_or("");
            let class = soil.class(found).map_err(|reason| cell(&settings.class, found.to_owned(), reason))?;
            // a component without a share is a minor one
            let sum = shares.entry(key.to_owned()).or_default().entry(class).or_insert(0.0);
            *sum += if pct.is_finite() { pct } else { 0.0 };
        }
    }
    let names: Vec<&str> = files.iter().map(|file| file.name.as_str()).collect();
    Ok(Units {
        units: shares.into_iter().map(|(key, shares)| (key, Unit::of(shares))).collect(),
        tables: names.join(", "),
    })
}

/// The columns of one table; where it has no header, they are called as mstabcol.txt beside it says.
fn table(file: &InputFile, settings: &ComponentSettings, limits: ReadSettings) -> Result<Table, IngestError> {
    let wanted = Wanted {
        shapes: Shapes::Ignored,
        numbers: vec![settings.percent.clone()],
        texts: vec![settings.key.clone(), settings.class.clone()],
        most_unpacked_bytes: limits.most_unpacked_bytes,
    };
    let fault = match readers::read(&file.name, &file.path, &wanted) {
        Err(fault @ IngestError::MissingColumn { .. }) => fault,
        other => return other,
    };
    let Some(names) = readers::names_of_columns(&file.path) else { return Err(fault) };
    // table, place of the column, its name
    let mut tables: BTreeMap<String, BTreeMap<u32, String>> = BTreeMap::new();
    for row in readers::rows(&file.name, &names, limits.most_unpacked_bytes)? {
        if let [table, place, name, ..] = row.as_slice()
            && let Ok(place) = place.parse()
        {
            tables.entry(table.clone()).or_default().insert(place, name.clone());
        }
    }
    let needed = [&settings.key, &settings.class, &settings.percent];
    let holds = |names: &&BTreeMap<u32, String>| needed.iter().all(|needed| names.values().any(|name| name == *needed));
    let Some(names) = tables.values().find(holds) else { return Err(fault) };
    let names: Vec<String> = names.values().cloned().collect();
    readers::read_with_names(&file.name, &file.path, &names, &wanted)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand, classes from 0 (dry) to 6 (wet).
    #[test]
    fn the_class_with_most_of_the_components_counts_and_of_equals_the_wetter() {
        let unit = |shares: &[(Option<usize>, f64)]| Unit::of(shares.iter().copied().collect());
        assert_eq!(unit(&[(Some(2), 60.0), (Some(5), 40.0)]).class, Some(2));
        assert_eq!(unit(&[(Some(2), 45.0), (Some(5), 45.0), (None, 10.0)]).class, Some(5));
        assert_eq!(unit(&[(Some(2), 45.0), (Some(5), 45.0)]).class_pct, [(2, 45.0), (5, 45.0)]);
        assert_eq!(unit(&[(None, 90.0), (Some(5), 10.0)]).class, None);
        assert_eq!(unit(&[(None, 100.0)]), Unit::default());
    }
}
