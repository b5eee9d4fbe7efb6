//! `points.parquet` and `segments.parquet`, as GeoParquet 1.1 (<https://geoparquet.org/releases/v1.1.0/>): the place as a WKB point in
//! the column `geometry`, its reference system as PROJJSON under the key `geo`. Under `columns` stand unit and meaning of each column.

use polars_core::prelude::{
    BinaryChunked, ChunkTake, Column, DataFrame, DataType, IdxCa, IntoColumn, IntoSeries, NamedFrom, NewChunkedArray,
    PlSmallStr, Series, StringChunked, TimeUnit, TimeZone,
};
use polars_io::prelude::{KeyValueMetadata, ParquetCompression, ParquetWriter};
use polars_utils::compression::ZstdLevel;
use serde_json::{Map, Value, json};

use super::{ReportError, columns};
use crate::geometry::Crs;
use crate::points::{
    Cleaned, Copied, CovariateKind, Joined, JoinedCovariate, Labels, Mark, Reasons, Records, Segment, Strip,
};

/// The column of the places.
const GEOMETRY: &str = "geometry";

/// A column of a table of Parquet: its name, and what makes it.
type ParquetColumn<F> = (&'static str, F);

/// The names of the columns, and the places that each table ends with.
pub(super) fn names<F>(columns: &[ParquetColumn<F>]) -> Vec<&'static str> {
    columns.iter().map(|column| column.0).chain([GEOMETRY]).collect()
}

/// Texts by code; codes beyond the names are null.
fn texts(name: &str, codes: impl Iterator<Item = u32>, names: &[&str]) -> Result<Column, String> {
    let values = StringChunked::new(PlSmallStr::from_str(name), names);
    let count = names.len() as u32;
    let codes = IdxCa::from_iter_options(PlSmallStr::EMPTY, codes.map(|code| (code < count).then_some(code)));
    let name = PlSmallStr::from_str(name);
    if names.is_empty() {
        return Ok(Series::full_null(name, codes.len(), &DataType::String).into_column());
    }
    let taken = values.take(&codes).map_err(|error| error.to_string())?;
    Ok(taken.into_series().with_name(name).into_column())
}

/// Values as they are.
#[expect(clippy::unnecessary_wraps, reason = "other columns may fail")]
fn series<T>(name: &str, values: T) -> Result<Column, String>
where
    Series: NamedFrom<T, T::Target>,
    T: std::ops::Deref,
{
    Ok(Series::new(PlSmallStr::from_str(name), values).into_column())
}

/// Floats; NaN is null.
fn floats(name: &str, values: impl Iterator<Item = f64>) -> Column {
    let values: Vec<Option<f64>> = values.map(|value| value.is_finite().then_some(value)).collect();
    Series::new(PlSmallStr::from_str(name), values).into_column()
}

/// Moments in seconds since 1970-01-01 UTC; NaN is null.
fn times(name: &str, seconds: impl Iterator<Item = f64>) -> Column {
    let micros: Vec<Option<i64>> =
        seconds.map(|second| second.is_finite().then(|| (second * 1e6).round() as i64)).collect();
    let moments = Series::new(PlSmallStr::from_str(name), micros);
    moments.into_datetime(TimeUnit::Microseconds, Some(TimeZone::UTC)).into_column()
}

/// Points as little-endian WKB (OGC 06-103r4, 8.2): byte order, type 1, x, y. Without a place null.
fn places(places: impl Iterator<Item = (f64, f64)>) -> Column {
    let bytes = places.map(|(x, y)| {
        (x.is_finite() && y.is_finite()).then(|| {
            let mut bytes = [0_u8; 21];
            (bytes[0], bytes[1]) = (1, 1);
            bytes[5..13].copy_from_slice(&x.to_le_bytes());
            bytes[13..].copy_from_slice(&y.to_le_bytes());
            bytes
        })
    });
    BinaryChunked::from_iter_options(PlSmallStr::from_static(GEOMETRY), bytes).into_series().into_column()
}

/// The keys of the file: `geo`, with the extent of what has a place, and `columns`.
fn keys(
    told: &[Column],
    units: &[(String, &str)],
    epsg: u32,
    all: impl Iterator<Item = (f64, f64)>,
) -> Result<KeyValueMetadata, String> {
    let crs = Crs::projjson(epsg).map_err(|error| error.to_string())?;
    let mut place = json!({ "encoding": "WKB", "geometry_types": ["Point"], "crs": crs });
    let inf = f64::INFINITY;
    let [west, south, east, north] = all
        .filter(|(x, y)| x.is_finite() && y.is_finite())
        .fold([inf, inf, -inf, -inf], |old, (x, y)| [old[0].min(x), old[1].min(y), old[2].max(x), old[3].max(y)]);
    if west <= east {
        place["bbox"] = json!([west, south, east, north]);
    }
    let geo = json!({ "version": "1.1.0", "primary_column": GEOMETRY, "columns": { GEOMETRY: place } });
    let columns: Map<String, Value> = told
        .iter()
        .filter_map(|column| Some((column.name().to_string(), columns::find(column.name().as_str())?)))
        .map(|(name, known)| {
            let unit = units.iter().find(|(covariate, _)| *covariate == name).map_or(known.unit, |(_, unit)| unit);
            (name, json!({ "unit": unit, "description": known.meaning }))
        })
        .collect();
    let columns = Value::Object(columns);
    Ok(KeyValueMetadata::from_static(vec![
        ("geo".to_owned(), geo.to_string()),
        ("columns".to_owned(), columns.to_string()),
    ]))
}

fn encode(
    file: &'static str,
    columns: Result<Vec<Column>, String>,
    joined: &Joined,
    all: impl Iterator<Item = (f64, f64)> + Clone,
) -> Result<Vec<u8>, ReportError> {
    let mut told = columns.map_err(|error| ReportError::new(file, error))?;
    told.push(places(all.clone()));
    columns::known(file, told.iter().map(|column| column.name().as_str()))?;
    let units: Vec<(String, &str)> = joined.covariates.iter().map(|one| (one.column(), one.unit.as_str())).collect();
    let keys = keys(&told, &units, joined.assigned.cleaned.records.epsg, all)
        .map_err(|error| ReportError::new(file, error))?;
    let height = told.first().map_or(0, Column::len);
    let mut frame = DataFrame::new(height, told).map_err(|error| ReportError::new(file, error))?;
    let mut bytes = Vec::new();
    let level = ZstdLevel::try_new(1).map_err(|error| ReportError::new(file, error))?;
    ParquetWriter::new(&mut bytes)
        .with_compression(ParquetCompression::Zstd(Some(level)))
        .with_key_value_metadata(Some(keys))
        .set_parallel(false)
        .finish(&mut frame)
        .map_err(|error| ReportError::new(file, error))?;
    Ok(bytes)
}

fn strs(names: &[String]) -> Vec<&str> {
    names.iter().map(String::as_str).collect()
}

/// Texts of each strip as codes: the names sorted, and the code of each strip.
fn of_strips(joined: &Joined, pick: fn(&Strip) -> &str) -> (Vec<&str>, Vec<u32>) {
    let strips = &joined.assigned.strips;
    let mut names: Vec<&str> = strips.iter().map(pick).collect();
    names.sort_unstable();
    names.dedup();
    let code = |strip| names.binary_search(&pick(strip)).map_or(Labels::NONE, |code| code as u32);
    let codes = strips.iter().map(code).collect();
    (names, codes)
}

/// The rows of `points.parquet`: the records, then the rows that repeat one of them.
pub(super) struct Points<'j> {
    joined: &'j Joined,
    cleaned: &'j Cleaned,
    records: &'j Records,
    copies: &'j [Copied],
}

impl<'j> Points<'j> {
    fn new(joined: &'j Joined) -> Self {
        let cleaned = &joined.assigned.cleaned;
        Self { joined, cleaned, records: &cleaned.records, copies: cleaned.records.copies.as_slice() }
    }

    /// The record that each row holds.
    fn rows(&self) -> impl Iterator<Item = usize> + Clone {
        (0..self.records.len()).chain(self.copies.iter().map(|copy| copy.of as usize))
    }

    /// Where each row lies. A place that was filled in to follow the pass is none that was recorded.
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + Clone {
        let place = |at: usize| (self.cleaned.x_m[at], self.cleaned.y_m[at]);
        self.rows().map(move |at| if self.records.has_position(at) { place(at) } else { (f64::NAN, f64::NAN) })
    }

    /// Values of the records, then values of the copies.
    fn with_copies<'p, T: 'p>(
        &'p self,
        of_records: impl Iterator<Item = T> + 'p,
        of_copy: fn(&Copied) -> T,
    ) -> impl Iterator<Item = T> + 'p {
        of_records.chain(self.copies.iter().map(of_copy))
    }

    #[expect(clippy::unnecessary_wraps, reason = "other columns may fail")]
    fn floats(&self, name: &str, values: &[f64]) -> Result<Column, String> {
        Ok(floats(name, self.rows().map(|at| values[at])))
    }

    /// Numbers of passes or segments; null where there is none.
    fn numbers(&self, name: &str, numbers: &[u32]) -> Result<Column, String> {
        let of = |at: usize| Some(numbers[at]).filter(|&number| number != Labels::NONE);
        series(name, self.rows().map(of).collect::<Vec<_>>())
    }

    /// The strip of a row; none for a kept record that straddles its edge.
    fn strip(&self, at: usize) -> u32 {
        let assigned = &self.joined.assigned;
        if !assigned.edge[at] || !self.cleaned.is_kept(at) { assigned.strip[at] } else { Labels::NONE }
    }

    /// A text of the strip of each row.
    fn of_strip(&self, name: &str, pick: fn(&Strip) -> &str) -> Result<Column, String> {
        let (names, codes) = of_strips(self.joined, pick);
        let code = |at: usize| codes.get(self.strip(at) as usize).copied().unwrap_or(Labels::NONE);
        texts(name, self.rows().map(code), &names)
    }
}

/// The columns of `points.parquet`, in their order.
pub(super) const POINTS: &[ParquetColumn<fn(&Points<'_>, &str) -> Result<Column, String>>] = &[
    ("source_file", |all, name| {
        let codes = all.with_copies(all.records.file.iter().copied(), |copy| copy.file);
        texts(name, codes, &strs(&all.records.files))
    }),
    ("source_row", |all, name| {
        series(name, all.with_copies(all.records.row.iter().copied(), |copy| copy.row).collect::<Vec<_>>())
    }),
    ("time", |all, name| {
        let records = all.records;
        Ok(times(name, all.rows().map(|at| if records.channels.time { records.time_s[at] } else { f64::NAN })))
    }),
    ("x_m", |all, name| Ok(floats(name, all.places().map(|place| place.0)))),
    ("y_m", |all, name| Ok(floats(name, all.places().map(|place| place.1)))),
    ("epsg", |all, name| series(name, all.rows().map(|_| all.records.epsg).collect::<Vec<_>>())),
    ("machine", |all, name| {
        let machine = &all.records.machine;
        texts(name, all.rows().map(|at| machine.codes[at]), &strs(&machine.names))
    }),
    ("pass", |all, name| all.numbers(name, &all.cleaned.pass)),
    ("mass_flow_kg_s", |all, name| all.floats(name, &all.cleaned.mass_flow_kg_s)),
    ("moisture_pct", |all, name| all.floats(name, &all.cleaned.moisture_pct)),
    ("speed_m_s", |all, name| all.floats(name, &all.cleaned.speed_m_s)),
    ("swath_m", |all, name| all.floats(name, &all.cleaned.swath_m)),
    ("area_m2", |all, name| all.floats(name, &all.cleaned.area_m2)),
    ("dry_yield_kg_ha", |all, name| all.floats(name, &all.cleaned.dry_yield_kg_ha)),
    ("kept", |all, name| {
        let kept = (0..all.records.len()).map(|at| all.cleaned.is_kept(at));
        series(name, all.with_copies(kept, |_| false).collect::<Vec<_>>())
    }),
    ("removed_by", |all, name| {
        let marks = all.with_copies(all.cleaned.mark.iter().map(|reasons| reasons.first()), |_| Some(Mark::Duplicate));
        let names: Vec<&str> = Mark::ALL.iter().map(|mark| mark.code()).collect();
        texts(name, marks.map(|mark| mark.map_or(Labels::NONE, |mark| mark as u32)), &names)
    }),
    ("treatment", |all, name| all.of_strip(name, |strip| &strip.treatment)),
    ("block", |all, name| all.of_strip(name, |strip| &strip.block)),
    ("strip", |all, name| {
        let names: Vec<&str> = all.joined.assigned.strips.iter().map(|strip| strip.name.as_str()).collect();
        texts(name, all.rows().map(|at| all.strip(at)), &names)
    }),
    ("segment", |all, name| all.numbers(name, &all.joined.assigned.segment)),
    ("edge", |all, name| series(name, all.rows().map(|at| all.joined.assigned.edge[at]).collect::<Vec<_>>())),
    ("drainage_class", |all, name| {
        texts(name, all.rows().map(|at| all.joined.point_class[at]), &strs(&all.joined.classes))
    }),
    ("wetness_mm", |all, name| Ok(floats(name, all.rows().map(|_| all.joined.wetness_mm.unwrap_or(f64::NAN))))),
    ("wetness_class", |all, name| texts(name, all.rows().map(|_| 0), all.joined.wetness_class.as_deref().as_slice())),
    ("removed_by_all", |all, name| {
        let codes = |reasons: &Reasons| {
            (!reasons.is_empty()).then(|| reasons.iter().map(Mark::code).collect::<Vec<_>>().join(";"))
        };
        let codes = all.with_copies(all.cleaned.mark.iter().map(codes), |_| Some(Mark::Duplicate.code().to_owned()));
        series(name, codes.collect::<Vec<_>>())
    }),
];

/// Every input record, none dropped.
pub(super) fn points(joined: &Joined) -> Result<Vec<u8>, ReportError> {
    const FILE: &str = "points.parquet";
    let all = Points::new(joined);
    let covariates = joined.covariates.iter().filter(|one| one.of_field.is_none());
    let covariates = covariates.map(|one| covariate(one, all.rows().map(|at| one.point[at])));
    let columns = POINTS.iter().map(|(name, make)| make(&all, name)).chain(covariates);
    encode(FILE, columns.collect(), joined, all.places())
}

/// A covariate: its numbers, or its classes as texts.
fn covariate(one: &JoinedCovariate, values: impl Iterator<Item = f64>) -> Result<Column, String> {
    match one.kind {
        CovariateKind::Number => Ok(floats(&one.column(), values)),
        CovariateKind::Class => {
            let codes = values.map(|value| if value.is_finite() { value as u32 } else { Labels::NONE });
            texts(&one.column(), codes, &strs(&one.classes))
        }
    }
}

/// A number of each segment; NaN is null.
#[expect(clippy::unnecessary_wraps, reason = "other columns may fail")]
fn of_segments(joined: &Joined, name: &str, pick: fn(&Segment) -> f64) -> Result<Column, String> {
    Ok(floats(name, joined.assigned.segments.iter().map(pick)))
}

/// What the strip of each segment has.
fn of_their_strips(joined: &Joined, name: &str, pick: fn(&Strip) -> &str) -> Result<Column, String> {
    let (names, codes) = of_strips(joined, pick);
    texts(name, joined.assigned.segments.iter().map(|segment| codes[segment.strip as usize]), &names)
}

/// The columns of `segments.parquet`, in their order.
pub(super) const SEGMENTS: &[ParquetColumn<fn(&Joined, &str) -> Result<Column, String>>] = &[
    ("segment", |all, name| series(name, (0..all.assigned.segments.len() as u32).collect::<Vec<_>>())),
    ("strip", |all, name| of_their_strips(all, name, |strip| &strip.name)),
    ("block", |all, name| of_their_strips(all, name, |strip| &strip.block)),
    ("treatment", |all, name| of_their_strips(all, name, |strip| &strip.treatment)),
    ("along", |all, name| series(name, all.assigned.segments.iter().map(|one| one.along).collect::<Vec<_>>())),
    ("x_m", |all, name| of_segments(all, name, |one| one.x_m)),
    ("y_m", |all, name| of_segments(all, name, |one| one.y_m)),
    ("along_m", |all, name| of_segments(all, name, |one| one.along_m)),
    ("area_m2", |all, name| of_segments(all, name, |one| one.area_m2)),
    ("points", |all, name| series(name, all.assigned.segments.iter().map(|one| one.points).collect::<Vec<_>>())),
    ("kept_share", |all, name| of_segments(all, name, |one| one.kept_share)),
    ("dry_yield_kg_ha", |all, name| of_segments(all, name, |one| one.dry_yield_kg_ha)),
    ("moisture_pct", |all, name| of_segments(all, name, |one| one.moisture_pct)),
    ("speed_m_s", |all, name| of_segments(all, name, |one| one.speed_m_s)),
    ("elevation_m", |all, name| of_segments(all, name, |one| one.elevation_m)),
    ("usable", |all, name| series(name, all.assigned.segments.iter().map(|one| one.usable).collect::<Vec<_>>())),
    ("drainage_class", |all, name| texts(name, all.segment_class.iter().copied(), &strs(&all.classes))),
    ("drainage_class_share", |all, name| Ok(floats(name, all.segment_class_share.iter().copied()))),
    ("drainage_class_probability", |all, name| Ok(floats(name, all.segment_class_probability.iter().copied()))),
    ("terrain_index", |all, name| Ok(floats(name, all.segment_terrain.iter().copied()))),
    ("depression_m", |all, name| Ok(floats(name, all.segment_depression_m.iter().copied()))),
];

/// What the model saw.
pub(super) fn segments(joined: &Joined) -> Result<Vec<u8>, ReportError> {
    const FILE: &str = "segments.parquet";
    let covariates = joined.covariates.iter().flat_map(|one| {
        let share = floats(&format!("{}_share", one.column()), one.segment_share.iter().copied());
        [covariate(one, one.segment.iter().copied()), Ok(share)]
    });
    let columns = SEGMENTS.iter().map(|(name, make)| make(joined, name)).chain(covariates);
    encode(FILE, columns.collect(), joined, joined.assigned.segments.iter().map(|one| (one.x_m, one.y_m)))
}
