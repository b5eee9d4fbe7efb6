//! What layers of polygons and grids are: strips, soils, boundaries; precipitation by season and month.

use std::collections::{BTreeMap, BTreeSet};

use geo::{Centroid, Contains, MultiPolygon, Point};

use super::columns::is_drainage;
use super::sight::{Grid, Polygons, best_label, distinct};
use crate::config::holds_months;
use crate::consistency::Channel;
use crate::consistency::words;
use crate::ingest::{MAP_UNIT_KEY, TextColumn};

/// A layer of strips.
pub(super) struct StripLayer {
    pub(super) file: usize,
    pub(super) treatment: String,
    pub(super) block: Option<String>,
    pub(super) strip: Option<String>,
    pub(super) labels: BTreeSet<String>,
    pub(super) centres: Vec<(f64, f64)>,
    pub(super) field: Option<String>,
}

/// A layer of soils.
pub(super) struct SoilLayer {
    pub(super) file: usize,
    /// The attribute of the class, or of the map unit's key.
    pub(super) class: String,
    /// Whether it carries the key of map units, whose components stand in a table.
    pub(super) by_unit: bool,
    pub(super) tiled: Option<String>,
    pub(super) polygons: usize,
}

/// One field's outline.
pub(super) struct Outline {
    pub(super) file: usize,
    pub(super) ground: MultiPolygon<f64>,
    /// Whether its layer holds no other.
    pub(super) alone: bool,
    pub(super) field: Option<String>,
    pub(super) farm: Option<String>,
}

impl Outline {
    /// Share of places inside it.
    pub(super) fn share(&self, places: &[(f64, f64)]) -> f64 {
        let inside = places.iter().filter(|(x, y)| self.ground.contains(&Point::new(*x, *y))).count();
        inside as f64 / places.len().max(1) as f64
    }
}

/// The layers of a folder.
#[derive(Default)]
pub(super) struct Layers {
    pub(super) strips: Vec<StripLayer>,
    pub(super) soils: Vec<SoilLayer>,
    pub(super) outlines: Vec<Outline>,
}

/// The attribute of treatments: by its name, or by a label that says that nothing was applied.
fn treatment_of(names: &[String], attributes: &BTreeMap<String, TextColumn>, polygons: usize) -> Option<String> {
    let repeats = |column: &TextColumn| {
        let count = distinct(column, 13);
        (2..=12).contains(&count) && polygons >= count
    };
    best_label(Channel::Treatment, names, attributes, repeats).or_else(|| {
        let says = |column: &TextColumn| repeats(column) && column.iter().flatten().any(words::is_check);
        names
            .iter()
            .find(|name| attributes.get(*name).is_some_and(|column| says(column) && !is_number(column)))
            .cloned()
    })
}

fn is_number(column: &TextColumn) -> bool {
    column.iter().flatten().all(|text| text.parse::<f64>().is_ok())
}

fn first_text(column: Option<&TextColumn>, row: usize) -> Option<String> {
    column.and_then(|column| column.get(row)).map(str::to_owned)
}

/// Adds a layer of polygons.
pub(super) fn add(layers: &mut Layers, file: usize, layer: &Polygons) {
    let names: Vec<String> = layer.attributes.keys().cloned().collect();
    let count = layer.shapes.len();
    if let Some(class) = names.iter().find(|name| is_drainage(&layer.attributes[*name])) {
        let tiled = best_label(Channel::Tiled, &names, &layer.attributes, |column| {
            column.iter().flatten().all(|text| {
                matches!(
                    text.to_lowercase().as_str(),
                    "yes" | "no" | "unknown" | "true" | "false" | "1" | "0" | "tiled"
                )
            })
        });
        layers.soils.push(SoilLayer { file, class: class.clone(), by_unit: false, tiled, polygons: count });
        return;
    }
    if let Some(key) = names.iter().find(|name| name.eq_ignore_ascii_case(MAP_UNIT_KEY)) {
        layers.soils.push(SoilLayer { file, class: key.clone(), by_unit: true, tiled: None, polygons: count });
        return;
    }
    let field = best_label(Channel::Field, &names, &layer.attributes, |column| !is_number(column));
    let farm = best_label(Channel::Farm, &names, &layer.attributes, |column| !is_number(column));
    let of =
        |name: &Option<String>, row: usize| first_text(name.as_ref().and_then(|name| layer.attributes.get(name)), row);
    if let Some(treatment) = treatment_of(&names, &layer.attributes, count) {
        let block = best_label(Channel::Block, &names, &layer.attributes, |column| distinct(column, count + 1) < count);
        let strip = best_label(Channel::Strip, &names, &layer.attributes, |_| true);
        let labels = layer.attributes[&treatment].iter().flatten().map(str::to_owned).collect();
        let centre = |one: &MultiPolygon<f64>| one.centroid().map(|centre| (centre.x(), centre.y()));
        let centres = layer.shapes.iter().filter_map(centre).collect();
        layers.strips.push(StripLayer { file, treatment, block, strip, labels, centres, field: of(&field, 0) });
        return;
    }
    for (row, ground) in layer.shapes.iter().enumerate() {
        if ground.0.is_empty() {
            continue;
        }
        // a layer of outlines that is called nothing may carry one text
        let field = of(&field, row).or_else(|| {
            let texts: Vec<&String> = names.iter().filter(|name| !is_number(&layer.attributes[*name])).collect();
            if texts.len() == 1 { first_text(layer.attributes.get(texts[0]), row) } else { None }
        });
        layers.outlines.push(Outline { file, ground: ground.clone(), alone: count == 1, field, farm: of(&farm, row) });
    }
}

/// The `[wetness]` of an archive.
pub(super) struct Wetness {
    pub(super) total: String,
    pub(super) normal: String,
    pub(super) months: Vec<u32>,
    pub(super) unit: &'static str,
    pub(super) probability: f64,
    pub(super) files: Vec<usize>,
    pub(super) seasons: BTreeSet<i32>,
}

/// A name with its year and month put as `{season}` and `{month}`.
fn pattern(name: &str) -> Option<(String, Option<i32>, u32)> {
    let bytes = name.as_bytes();
    let mut numbers: Vec<(usize, usize)> = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        if bytes[at].is_ascii_digit() {
            let end = (at..bytes.len()).find(|&end| !bytes[end].is_ascii_digit()).unwrap_or(bytes.len());
            numbers.push((at, end));
            at = end;
        } else {
            at += 1;
        }
    }
    let number = |(start, end): (usize, usize)| name[start..end].parse::<u32>().ok();
    // only what stands in the file's own name
    let file = name.rfind('/').map_or(0, |slash| slash + 1);
    let own: Vec<(usize, usize)> = numbers.iter().copied().filter(|(start, _)| *start >= file).collect();
    // folders and packed files of a season
    let by_season = |out: String, year: &str| {
        let (above, own) = out.rsplit_once('/').map_or(("", out.as_str()), |(above, own)| (above, own));
        let parts = above.split('/').map(|part| {
            let digits = part.split(|c: char| !c.is_ascii_digit()).any(|digits| digits == year);
            if digits { part.replace(year, "{season}") } else { part.to_owned() }
        });
        let above = parts.collect::<Vec<_>>().join("/");
        if above.is_empty() { own.to_owned() } else { format!("{above}/{own}") }
    };
    // year and month in one number of six digits
    if let Some(&(start, end)) = own.iter().find(|(start, end)| end - start == 6) {
        let (year, month) = (name[start..start + 4].parse().ok()?, name[start + 4..end].parse().ok()?);
        if (1850..2150).contains(&year) && (1..=12).contains(&month) {
            let out = format!("{}{{season}}{{month}}{}", &name[..start], &name[end..]);
            return Some((by_season(out, &name[start..start + 4]), Some(year), month));
        }
    }
    // a span of years is that of normals
    let is_year = |&(start, end): &(usize, usize)| {
        end - start == 4 && number((start, end)).is_some_and(|year| (1850..2150).contains(&year))
    };
    let years: Vec<(usize, usize)> = own.iter().copied().filter(is_year).collect();
    let year = if years.len() == 1 { years.first().copied() } else { None };
    let month = own.iter().copied().find(|&(start, end)| {
        end - start == 2 && number((start, end)).is_some_and(|month| (1..=12).contains(&month))
    })?;
    let mut out = name.to_owned();
    let mut parts = vec![(month, "{month}")];
    parts.extend(year.map(|year| (year, "{season}")));
    parts.sort_by_key(|part| std::cmp::Reverse(part.0.0));
    for ((start, end), word) in parts {
        out.replace_range(start..end, word);
    }
    if let Some(year) = year {
        out = by_season(out, &name[year.0..year.1]);
    }
    let year = year.and_then(number).map(u32::cast_signed);
    Some((out, year, number(month)?))
}

/// Whether the name of a file tells a month, as those of precipitation do.
pub(super) fn names_a_month(name: &str) -> bool {
    pattern(name).is_some()
}

/// A name with its year put as `{season}`, where it holds just one.
fn pattern_of_year(name: &str) -> (String, Option<i32>) {
    let digits = |text: &str| text.len() == 4 && text.parse::<i32>().is_ok_and(|year| (1850..2150).contains(&year));
    let years: BTreeSet<&str> = name.split(|c: char| !c.is_ascii_digit()).filter(|text| digits(text)).collect();
    match years.iter().next() {
        Some(&year) if years.len() == 1 => (name.replace(year, "{season}"), year.parse().ok()),
        _ => (name.to_owned(), None),
    }
}

/// The unit of a month's rain, with its probability: in inches it is a number below 15, in millimetres hardly ever where crops grow.
pub(super) fn unit_of_month(middle: f64) -> (&'static str, f64) {
    match middle {
        middle if middle > 25.0 => ("mm", 0.99),
        middle if middle > 12.0 => ("mm", 0.8),
        middle if middle > 0.8 => ("in", 0.97),
        _ => ("in", 0.6),
    }
}

/// Totals and normals among the grids, by their names and values.
pub(super) fn wetness(grids: &[(usize, &str, &Grid)]) -> Option<Wetness> {
    let mut totals: BTreeMap<String, Vec<(usize, i32, u32, f64)>> = BTreeMap::new();
    let mut normals: BTreeMap<String, Vec<(usize, u32, f64)>> = BTreeMap::new();
    for &(file, name, grid) in grids {
        if !grid.has_crs || !(0.0..2_000.0).contains(&grid.middle) {
            continue;
        }
        if !grid.months.is_empty() && holds_months(name) {
            let years: BTreeSet<i32> = grid.months.iter().filter_map(|month| month.year).collect();
            let (pattern, of_name) = pattern_of_year(name);
            for month in &grid.months {
                // a file of one year that its name does not tell holds normals, dated as their makers chose
                match month.year.filter(|_| years.len() > 1 || of_name.is_some()) {
                    Some(year) => {
                        totals.entry(pattern.clone()).or_default().push((file, year, month.month, grid.middle));
                    }
                    None => normals.entry(pattern.clone()).or_default().push((file, month.month, grid.middle)),
                }
            }
            continue;
        }
        match pattern(name) {
            Some((pattern, Some(year), month)) => {
                totals.entry(pattern).or_default().push((file, year, month, grid.middle));
            }
            Some((pattern, None, month)) => normals.entry(pattern).or_default().push((file, month, grid.middle)),
            None => {}
        }
    }
    let (total, of_totals) = totals.into_iter().max_by_key(|(_, files)| files.len())?;
    let (normal, of_normals) = normals.into_iter().max_by_key(|(_, files)| files.len())?;
    let seasons: BTreeSet<i32> = of_totals.iter().map(|one| one.1).collect();
    let whole = |month: u32| {
        of_normals.iter().any(|one| one.1 == month)
            && seasons.iter().all(|season| of_totals.iter().any(|one| one.1 == *season && one.2 == month))
    };
    let months: Vec<u32> = (1..=12).filter(|&month| whole(month)).collect();
    if months.is_empty() {
        return None;
    }
    let mut middles: Vec<f64> = of_normals.iter().map(|one| one.2).collect();
    let middle = crate::stats::robust::median_in_place(&mut middles).ok()?;
    let recorded: BTreeSet<&str> = grids.iter().filter_map(|(_, _, grid)| grid.unit).collect();
    let (unit, probability) =
        if recorded.len() == 1 { (recorded.first().copied().unwrap_or("mm"), 0.99) } else { unit_of_month(middle) };
    let files = of_totals.iter().map(|one| one.0).chain(of_normals.iter().map(|one| one.0)).collect();
    Some(Wetness { total, normal, months, unit, probability, files, seasons })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seasons_and_months_are_found_in_names() {
        assert_eq!(
            pattern("layers/total_2022_05.tif"),
            Some(("layers/total_{season}_{month}.tif".to_owned(), Some(2022), 5))
        );
        assert_eq!(
            pattern("r/2022/ppt-202205.tif"),
            Some(("r/{season}/ppt-{season}{month}.tif".to_owned(), Some(2022), 5))
        );
        assert_eq!(
            pattern("r/rain_2022.zip/rain-2022-05.bil"),
            Some(("r/rain_{season}.zip/rain-{season}-{month}.bil".to_owned(), Some(2022), 5))
        );
        assert_eq!(pattern("layers/normal_05.tif"), Some(("layers/normal_{month}.tif".to_owned(), None, 5)));
        assert_eq!(pattern("normals_1991-2020_05.tif"), Some(("normals_1991-2020_{month}.tif".to_owned(), None, 5)));
        assert_eq!(pattern("dem.tif"), None);
        assert_eq!(pattern_of_year("r/rain_2022.nc"), ("r/rain_{season}.nc".to_owned(), Some(2022)));
        assert_eq!(pattern_of_year("normals_1991-2020.nc"), ("normals_1991-2020.nc".to_owned(), None));
    }
}
