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
use crate::points::{Cleaned, Copied, CovariateKind, Joined, JoinedCovariate, Labels, Mark, Reasons};

/// The column of the places.
const GEOMETRY: &str = "geometry";

/// The columns of `points.parquet`, in their order.
pub(super) const POINT_COLUMNS: [&str; 26] = [
    "source_file",
    "source_row",
    "time",
    "x_m",
    "y_m",
    "epsg",
    "machine",
    "pass",
    "mass_flow_kg_s",
    "moisture_pct",
    "speed_m_s",
    "swath_m",
    "area_m2",
    "dry_yield_kg_ha",
    "kept",
    "removed_by",
    "treatment",
    "block",
    "strip",
    "segment",
    "edge",
    "drainage_class",
    "wetness_mm",
    "wetness_class",
    "removed_by_all",
    GEOMETRY,
];

/// The columns of `segments.parquet`, in their order.
pub(super) const SEGMENT_COLUMNS: [&str; 22] = [
    "segment",
    "strip",
    "block",
    "treatment",
    "along",
    "x_m",
    "y_m",
    "along_m",
    "area_m2",
    "points",
    "kept_share",
    "dry_yield_kg_ha",
    "moisture_pct",
    "speed_m_s",
    "elevation_m",
    "usable",
    "drainage_class",
    "drainage_class_share",
    "drainage_class_probability",
    "terrain_index",
    "depression_m",
    GEOMETRY,
];

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
    mut told: Vec<Column>,
    joined: &Joined,
    all: impl Iterator<Item = (f64, f64)> + Clone,
) -> Result<Vec<u8>, ReportError> {
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

/// Every input record, none dropped.
pub(super) fn points(joined: &Joined) -> Result<Vec<u8>, ReportError> {
    const FILE: &str = "points.parquet";
    let assigned = &joined.assigned;
    let cleaned = &assigned.cleaned;
    let records = &cleaned.records;
    // The records, then the rows that repeat one of them.
    let copies = records.copies.as_slice();
    let rows = || (0..records.len()).chain(copies.iter().map(|copy| copy.of as usize));
    let count = records.len() + copies.len();
    let fault = |reason: String| ReportError::new(FILE, reason);

    let marks: Vec<&str> = Mark::ALL.iter().map(|mark| mark.code()).collect();
    let in_strip = |at: usize| {
        let shown = !assigned.edge[at] || !cleaned.is_kept(at);
        if shown { assigned.strip[at] } else { Labels::NONE }
    };
    let strip_names: Vec<&str> = assigned.strips.iter().map(|strip| strip.name.as_str()).collect();
    let of_strip = |pick: fn(&crate::points::Strip) -> &str| {
        let mut names: Vec<&str> = assigned.strips.iter().map(pick).collect();
        names.sort_unstable();
        names.dedup();
        let code_of: Vec<u32> = assigned
            .strips
            .iter()
            .map(|strip| names.binary_search(&pick(strip)).map_or(Labels::NONE, |code| code as u32))
            .collect();
        (names, code_of)
    };
    let (treatments, treatment_of) = of_strip(|strip| &strip.treatment);
    let (blocks, block_of) = of_strip(|strip| &strip.block);
    let by_strip = |code_of: &[u32], at: usize| code_of.get(in_strip(at) as usize).copied().unwrap_or(Labels::NONE);
    let optional = |codes: &[u32], at: usize| Some(codes[at]).filter(|&code| code != Labels::NONE);
    let text =
        |name: &str, codes: &mut dyn Iterator<Item = u32>, names: &[&str]| texts(name, codes, names).map_err(fault);

    let of = |values: &[f64]| rows().map(|at| values[at]).collect::<Vec<f64>>();
    let float = |name: &str, values: &[f64]| floats(name, of(values).into_iter());
    let numbers = |name: &str, codes: &[u32]| {
        Series::new(name.into(), rows().map(|at| optional(codes, at)).collect::<Vec<_>>()).into_column()
    };
    // a place that was filled in to follow the pass is none that was recorded
    let all = rows()
        .map(|at| if records.has_position(at) { (cleaned.x_m[at], cleaned.y_m[at]) } else { (f64::NAN, f64::NAN) });
    let of_copies = |pick: fn(&Copied) -> u32| copies.iter().map(pick);
    let kept: Vec<bool> =
        (0..records.len()).map(|at| cleaned.is_kept(at)).chain(copies.iter().map(|_| false)).collect();
    let edge: Vec<bool> = rows().map(|at| assigned.edge[at]).collect();
    let source_row: Vec<u32> = records.row.iter().copied().chain(of_copies(|copy| copy.row)).collect();
    let removed_by = cleaned.mark.iter().map(|reasons| reasons.first());
    let removed_by = removed_by.chain(copies.iter().map(|_| Some(Mark::Duplicate)));
    let mut columns = vec![
        text(
            "source_file",
            &mut records.file.iter().copied().chain(of_copies(|copy| copy.file)),
            &strs(&records.files),
        )?,
        Series::new("source_row".into(), source_row).into_column(),
        times("time", rows().map(|at| if records.channels.time { records.time_s[at] } else { f64::NAN })),
        floats("x_m", all.clone().map(|place| place.0)),
        floats("y_m", all.clone().map(|place| place.1)),
        Series::new("epsg".into(), vec![records.epsg; count]).into_column(),
        text("machine", &mut rows().map(|at| records.machine.codes[at]), &strs(&records.machine.names))?,
        numbers("pass", &cleaned.pass),
        float("mass_flow_kg_s", &cleaned.mass_flow_kg_s),
        float("moisture_pct", &cleaned.moisture_pct),
        float("speed_m_s", &cleaned.speed_m_s),
        float("swath_m", &cleaned.swath_m),
        float("area_m2", &cleaned.area_m2),
        float("dry_yield_kg_ha", &cleaned.dry_yield_kg_ha),
        Series::new("kept".into(), kept).into_column(),
        text("removed_by", &mut removed_by.map(|mark| mark.map_or(Labels::NONE, |mark| mark as u32)), &marks)?,
        text("treatment", &mut rows().map(|at| by_strip(&treatment_of, at)), &treatments)?,
        text("block", &mut rows().map(|at| by_strip(&block_of, at)), &blocks)?,
        text("strip", &mut rows().map(in_strip), &strip_names)?,
        numbers("segment", &assigned.segment),
        Series::new("edge".into(), edge).into_column(),
        text("drainage_class", &mut rows().map(|at| joined.point_class[at]), &strs(&joined.classes))?,
        floats("wetness_mm", (0..count).map(|_| joined.wetness_mm.unwrap_or(f64::NAN))),
        text(
            "wetness_class",
            &mut (0..count).map(|_| 0),
            &joined.wetness_class.as_deref().map_or_else(Vec::new, |class| vec![class]),
        )?,
        all_reasons(cleaned),
    ];
    for one in joined.covariates.iter().filter(|one| one.of_field.is_none()) {
        columns.push(covariate(one, rows().map(|at| one.point[at])).map_err(fault)?);
    }
    encode(FILE, columns, joined, all)
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

/// Every reason of each row, joined with semicolons; null where it is kept.
fn all_reasons(cleaned: &Cleaned) -> Column {
    let codes =
        |reasons: &Reasons| (!reasons.is_empty()).then(|| reasons.iter().map(Mark::code).collect::<Vec<_>>().join(";"));
    let copies = cleaned.records.copies.iter().map(|_| Some(Mark::Duplicate.code().to_owned()));
    let values: Vec<Option<String>> = cleaned.mark.iter().map(codes).chain(copies).collect();
    Series::new("removed_by_all".into(), values).into_column()
}

/// What the model saw.
pub(super) fn segments(joined: &Joined) -> Result<Vec<u8>, ReportError> {
    const FILE: &str = "segments.parquet";
    let assigned = &joined.assigned;
    let segments = &assigned.segments;
    let fault = |reason: String| ReportError::new(FILE, reason);
    let strip = |segment: &crate::points::Segment| &assigned.strips[segment.strip as usize];
    let column = |name: &str, pick: &dyn Fn(&crate::points::Segment) -> f64| floats(name, segments.iter().map(pick));
    let names = |name: &str, pick: &dyn Fn(&crate::points::Segment) -> String| {
        let values: Vec<String> = segments.iter().map(pick).collect();
        Series::new(PlSmallStr::from_str(name), values).into_column()
    };
    let mut columns = vec![
        Series::new("segment".into(), (0..segments.len() as u32).collect::<Vec<_>>()).into_column(),
        names("strip", &|segment| strip(segment).name.clone()),
        names("block", &|segment| strip(segment).block.clone()),
        names("treatment", &|segment| strip(segment).treatment.clone()),
        Series::new("along".into(), segments.iter().map(|segment| segment.along).collect::<Vec<_>>()).into_column(),
        column("x_m", &|segment| segment.x_m),
        column("y_m", &|segment| segment.y_m),
        column("along_m", &|segment| segment.along_m),
        column("area_m2", &|segment| segment.area_m2),
        Series::new("points".into(), segments.iter().map(|segment| segment.points).collect::<Vec<_>>()).into_column(),
        column("kept_share", &|segment| segment.kept_share),
        column("dry_yield_kg_ha", &|segment| segment.dry_yield_kg_ha),
        column("moisture_pct", &|segment| segment.moisture_pct),
        column("speed_m_s", &|segment| segment.speed_m_s),
        column("elevation_m", &|segment| segment.elevation_m),
        Series::new("usable".into(), segments.iter().map(|segment| segment.usable).collect::<Vec<_>>()).into_column(),
        texts("drainage_class", joined.segment_class.iter().copied(), &strs(&joined.classes)).map_err(fault)?,
        floats("drainage_class_share", joined.segment_class_share.iter().copied()),
        floats("drainage_class_probability", joined.segment_class_probability.iter().copied()),
        floats("terrain_index", joined.segment_terrain.iter().copied()),
        floats("depression_m", joined.segment_depression_m.iter().copied()),
    ];
    for one in &joined.covariates {
        columns.push(covariate(one, one.segment.iter().copied()).map_err(fault)?);
        columns.push(floats(&format!("{}_share", one.column()), one.segment_share.iter().copied()));
    }
    encode(FILE, columns, joined, segments.iter().map(|segment| (segment.x_m, segment.y_m)))
}
