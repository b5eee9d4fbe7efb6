//! The layers of the GeoPackages: strips, segments and zones of a site-year, and the sites of the archive.

use geo::{BooleanOps, ConvexHull, Geometry, MultiPolygon, Point};
use rusqlite::types::Value;

use super::geopackage::{
    self, BOOLEAN, DOUBLE, INTEGER, Layer, LayerColumn, TEXT, WGS_84, count, number, text, values,
};
use super::{LABEL_FIRST, LAYERS, ReportError, Units, plan};
use crate::config::ArchiveSettings;
use crate::points::{CovariateKind, Ingested, Joined, Labels, Segment, Strip};
use crate::results::{LocalPiece, LocalResponse, Response, SegmentDifference, SiteYear};

/// The columns of each layer, by file and layer.
pub(super) fn columns() -> Vec<(&'static str, Vec<&'static str>)> {
    fn names<F>(columns: &[LayerColumn<F>]) -> Vec<&'static str> {
        columns.iter().map(|column| column.0).collect()
    }
    vec![
        ("site_years/…/layers.gpkg:strips", names(STRIPS)),
        (
            "site_years/…/layers.gpkg:segments",
            [names(SEGMENTS), vec!["covariate_<name>", "covariate_<name>_share"]].concat(),
        ),
        ("site_years/…/layers.gpkg:differences", names(DIFFERENCES)),
        ("site_years/…/layers.gpkg:local", names(LOCAL)),
        ("site_years/…/layers.gpkg:zones", names(ZONES)),
        ("sites.gpkg:sites", names(SITES)),
        ("plan/…/zones.gpkg:zones", names(plan::ZONES)),
    ]
}

/// A site of `sites.gpkg`: a site-year with the response to one treatment over its whole field.
struct Site<'r> {
    one: &'r SiteYear,
    response: &'r Response,
    /// The soil of most of the strips.
    ground: Option<&'r str>,
    units: Units,
}

const SITES: &[LayerColumn<fn(&Site<'_>) -> Value>] = &[
    ("season", INTEGER, |row| count(row.one.identity.season)),
    ("farm", TEXT, |row| text(&row.one.identity.farm)),
    ("field", TEXT, |row| text(&row.one.identity.field)),
    ("crop", TEXT, |row| text(&row.one.identity.crop)),
    ("treatment", TEXT, |row| text(&row.response.key.treatment)),
    ("drainage_class", TEXT, |row| row.ground.map_or(Value::Null, text)),
    ("wetness_mm", DOUBLE, |row| number(row.one.wetness_mm)),
    ("wetness_class", TEXT, |row| row.one.wetness_class.as_deref().map_or(Value::Null, text)),
    ("blocks", INTEGER, |row| count(row.response.blocks)),
    ("response", DOUBLE, |row| row.units.yield_value(row.response.estimate.mean)),
    ("std_error", DOUBLE, |row| row.units.yield_value(row.response.estimate.std_error)),
    ("ci_low", DOUBLE, |row| row.units.yield_value(row.response.estimate.low)),
    ("ci_high", DOUBLE, |row| row.units.yield_value(row.response.estimate.high)),
    ("yield_unit", TEXT, |row| text(row.units.yield_unit)),
    ("net_return", DOUBLE, |row| row.units.money_value(row.response.returns.net_return)),
    ("money_unit", TEXT, |row| text(&row.units.money_unit)),
    ("first", TEXT, |_| text(LABEL_FIRST)),
];

/// `sites.gpkg`: where the site-years lie, in longitude and latitude; `drainage_class` is the soil of most of their strips.
pub(super) fn sites(site_years: &[SiteYear], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = site_years.iter().flat_map(|site_year| {
        let whole = site_year.responses.iter().filter(|response| response.key.class.is_none());
        let most = site_year.class_area_m2.iter().enumerate().max_by(|one, other| one.1.total_cmp(other.1));
        let ground = most.filter(|(_, area)| **area > 0.0).and_then(|(class, _)| archive.soil.zones.get(class));
        let ground = ground.map(String::as_str);
        let place = Geometry::Point(Point::new(site_year.place_deg.0, site_year.place_deg.1));
        whole.map(move |response| {
            let units = Units::new(archive, &site_year.identity.crop);
            (place.clone(), Site { one: site_year, response, ground, units })
        })
    });
    geopackage::package("sites.gpkg", &[Layer::of("sites", "POINT", SITES, rows)], WGS_84)
}

/// The layers of a site-year.
pub(super) fn of_site_year(
    ingested: &Ingested,
    joined: &Joined,
    along: &[SegmentDifference],
    result: &SiteYear,
    units: &Units,
) -> Result<Vec<u8>, ReportError> {
    let piece = |at: usize| Piece { joined, at, units };
    let strips = joined.assigned.strips.iter();
    let strips = strips.filter_map(|strip| Some((Geometry::MultiPolygon(strip.ground.clone()?), strip)));
    let differences = along.iter().map(|one| (piece(one.segment), one));
    let differences = differences.map(|(piece, one)| (piece.place(), (piece, one)));
    let local = pieces(result).map(|(local, one)| {
        let piece = piece(one.segment);
        (piece.place(), (piece, one, result.local_probability_pays(local, one)))
    });
    let layers = [
        Layer::of("strips", "MULTIPOLYGON", STRIPS, strips),
        segments(joined, units),
        Layer::of("differences", "POINT", DIFFERENCES, differences),
        Layer::of("local", "POINT", LOCAL, local),
        Layer::of("zones", "MULTIPOLYGON", ZONES, zones(ingested, joined, result, units)),
    ];
    geopackage::package(LAYERS, &layers, result.epsg)
}

/// The layers of a site-year as they stand, with new prices.
pub(super) fn repriced(bytes: &[u8], result: &SiteYear, units: &Units) -> Result<Vec<u8>, ReportError> {
    let layers = [
        ("strips", "MULTIPOLYGON"),
        ("segments", "POINT"),
        ("differences", "POINT"),
        ("local", "POINT"),
        ("zones", "MULTIPOLYGON"),
    ];
    let mut layers = geopackage::read(LAYERS, bytes, &layers)?;
    for layer in &mut layers {
        let at = |name: &str| layer.columns.iter().position(|column| column.0 == name);
        let features = layer.features.iter_mut().map(|(_, values)| values);
        match (layer.name, at("treatment"), at("drainage_class"), at("probability_pays")) {
            ("zones", Some(treatment), Some(class), _) => {
                for zone in features {
                    let own = |response: &&Response| {
                        zone[treatment] == text(&response.key.treatment) && zone[class] == text(&response.class_name)
                    };
                    let response = result.responses.iter().find(own);
                    let response = response.ok_or_else(|| ReportError::new(LAYERS, "a zone has no response"))?;
                    *zone = values(ZONES, &(response, units));
                }
            }
            ("local", _, _, Some(pays)) => {
                for (values, (local, piece)) in features.zip(pieces(result)) {
                    values[pays] = number(result.local_probability_pays(local, piece));
                }
            }
            _ => {}
        }
    }
    geopackage::package(LAYERS, &layers, result.epsg)
}

/// The pieces of the responses along the strips.
fn pieces(result: &SiteYear) -> impl Iterator<Item = (&LocalResponse, &LocalPiece)> {
    result.local.iter().flat_map(|one| one.pieces.iter().map(move |piece| (one, piece)))
}

const STRIPS: &[LayerColumn<fn(&&Strip) -> Value>] = &[
    ("strip", TEXT, |row| text(&row.name)),
    ("treatment", TEXT, |row| text(&row.treatment)),
    ("block", TEXT, |row| text(&row.block)),
];

/// A segment in the layers that tell of single segments.
struct Piece<'r> {
    joined: &'r Joined,
    /// Its index.
    at: usize,
    units: &'r Units,
}

impl<'r> Piece<'r> {
    fn segment(&self) -> &'r Segment {
        &self.joined.assigned.segments[self.at]
    }

    fn strip(&self) -> &'r Strip {
        &self.joined.assigned.strips[self.segment().strip as usize]
    }

    fn place(&self) -> Geometry<f64> {
        let segment = self.segment();
        Geometry::Point(Point::new(segment.x_m, segment.y_m))
    }

    /// The name of its soil class.
    fn class(&self) -> Value {
        let class = self.joined.segment_class[self.at];
        if class == Labels::NONE { Value::Null } else { text(&self.joined.classes[class as usize]) }
    }
}

const SEGMENTS: &[LayerColumn<fn(&Piece<'_>) -> Value>] = &[
    ("strip", TEXT, |row| text(&row.strip().name)),
    ("treatment", TEXT, |row| text(&row.strip().treatment)),
    ("block", TEXT, |row| text(&row.strip().block)),
    ("yield", DOUBLE, |row| row.units.yield_value(row.segment().dry_yield_kg_ha)),
    ("yield_unit", TEXT, |row| text(row.units.yield_unit)),
    ("moisture_pct", DOUBLE, |row| number(row.segment().moisture_pct)),
    ("points", INTEGER, |row| count(row.segment().points)),
    ("usable", BOOLEAN, |row| count(row.segment().usable)),
    ("drainage_class", TEXT, |row| row.class()),
    ("drainage_class_probability", DOUBLE, |row| number(row.joined.segment_class_probability[row.at])),
];

/// The segments, with the covariates that the archive has.
fn segments(joined: &Joined, units: &Units) -> Layer {
    let rows = (0..joined.assigned.segments.len()).map(|at| Piece { joined, at, units });
    let mut layer = Layer::of("segments", "POINT", SEGMENTS, rows.map(|piece| (piece.place(), piece)));
    for one in &joined.covariates {
        let kind = if one.kind == CovariateKind::Class { TEXT } else { DOUBLE };
        layer.columns.extend([(one.column(), kind), (format!("{}_share", one.column()), DOUBLE)]);
        for (at, (_, values)) in layer.features.iter_mut().enumerate() {
            values.push(match one.kind {
                CovariateKind::Number => number(one.segment[at]),
                CovariateKind::Class => one.class_of(one.segment[at]).map_or(Value::Null, text),
            });
            values.push(number(one.segment_share[at]));
        }
    }
    layer
}

const DIFFERENCES: &[LayerColumn<fn(&(Piece<'_>, &SegmentDifference)) -> Value>] = &[
    ("strip", TEXT, |(piece, _)| text(&piece.strip().name)),
    ("treatment", TEXT, |(piece, _)| text(&piece.strip().treatment)),
    ("block", TEXT, |(piece, _)| text(&piece.strip().block)),
    ("difference", DOUBLE, |(piece, one)| piece.units.yield_value(one.difference)),
    ("yield_unit", TEXT, |(piece, _)| text(piece.units.yield_unit)),
    ("drainage_class", TEXT, |(piece, _)| piece.class()),
];

/// The response on each treated segment, and the probability that it pays there.
const LOCAL: &[LayerColumn<fn(&(Piece<'_>, &LocalPiece, Option<f64>)) -> Value>] = &[
    ("strip", TEXT, |(piece, ..)| text(&piece.strip().name)),
    ("treatment", TEXT, |(piece, ..)| text(&piece.strip().treatment)),
    ("block", TEXT, |(piece, ..)| text(&piece.strip().block)),
    ("drainage_class", TEXT, |(piece, ..)| piece.class()),
    ("response", DOUBLE, |(piece, one, _)| piece.units.yield_value(one.mean)),
    ("std_error", DOUBLE, |(piece, one, _)| piece.units.yield_value(one.std_error)),
    ("ci_low", DOUBLE, |(piece, one, _)| piece.units.yield_value(one.low)),
    ("ci_high", DOUBLE, |(piece, one, _)| piece.units.yield_value(one.high)),
    ("probability_pays", DOUBLE, |(.., pays)| number(*pays)),
    ("yield_unit", TEXT, |(piece, ..)| text(piece.units.yield_unit)),
    ("first", TEXT, |_| text(LABEL_FIRST)),
];

const ZONES: &[LayerColumn<fn(&(&Response, &Units)) -> Value>] = &[
    ("treatment", TEXT, |(one, _)| text(&one.key.treatment)),
    ("drainage_class", TEXT, |(one, _)| text(&one.class_name)),
    ("response", DOUBLE, |(one, units)| units.yield_value(one.estimate.mean)),
    ("std_error", DOUBLE, |(one, units)| units.yield_value(one.estimate.std_error)),
    ("ci_low", DOUBLE, |(one, units)| units.yield_value(one.estimate.low)),
    ("ci_high", DOUBLE, |(one, units)| units.yield_value(one.estimate.high)),
    ("probability_pays", DOUBLE, |(one, _)| number(one.returns.probability_pays)),
    ("net_return", DOUBLE, |(one, units)| units.money_value(one.returns.net_return)),
    ("yield_unit", TEXT, |(_, units)| text(units.yield_unit)),
    ("money_unit", TEXT, |(_, units)| text(&units.money_unit)),
    ("caution", TEXT, |(one, _)| text(&one.cautions.codes())),
    ("first", TEXT, |_| text(LABEL_FIRST)),
];

/// The ground of each soil class inside the field, once for each treatment, with its response.
fn zones<'r>(
    ingested: &Ingested,
    joined: &Joined,
    result: &'r SiteYear,
    units: &'r Units,
) -> Vec<(Geometry<f64>, (&'r Response, &'r Units))> {
    let Some(field) = field_ground(ingested, joined) else { return Vec::new() };
    let mut zones = Vec::new();
    for class in 0..joined.classes.len() {
        let of_class = ingested.soils.iter().zip(&result.soil_zone).filter(|(_, zone)| **zone == Some(class));
        let parts = of_class.flat_map(|(soil, _)| soil.ground.0.iter().cloned());
        let ground = MultiPolygon::new(parts.collect()).intersection(&field);
        if ground.0.is_empty() {
            continue;
        }
        let responses = result.responses.iter().filter(|response| response.key.class == Some(class));
        zones.extend(responses.map(|response| (Geometry::MultiPolygon(ground.clone()), (response, units))));
    }
    zones
}

/// The boundary, or the hull of the strips.
fn field_ground(ingested: &Ingested, joined: &Joined) -> Option<MultiPolygon<f64>> {
    if let Some(boundary) = &ingested.boundary {
        return Some(boundary.clone());
    }
    let strips = joined.assigned.strips.iter().filter_map(|strip| strip.ground.as_ref());
    let parts: Vec<_> = strips.flat_map(|ground| ground.0.iter().cloned()).collect();
    (!parts.is_empty()).then(|| MultiPolygon::new(vec![MultiPolygon::new(parts).convex_hull()]))
}
