//! `layers.gpkg`: strips, segments and zones with their results (GeoPackage 1.3, OGC 12-128r17).

use geo::{BooleanOps, BoundingRect, ConvexHull, Geometry, MultiPolygon, Point};
use geo_traits::to_geo::ToGeoGeometry;
use rusqlite::types::Value;
use rusqlite::{Connection, params, params_from_iter};
use wkb::writer::{WriteOptions, write_geometry};

use super::{LABEL_FIRST, ReportError, Units, styles};
use crate::config::ArchiveSettings;
use crate::points::{CovariateKind, Ingested, Joined, Labels};
use crate::results::{Response, SegmentDifference, SiteYear};

const FILE: &str = super::LAYERS;
/// Application id of a GeoPackage: `GPKG` in ASCII.
const APPLICATION_ID: u32 = 0x4750_4B47;
/// GeoPackage 1.3.0.
const USER_VERSION: u32 = 10_300;
/// A fixed moment, so that the same result gives the same bytes.
const LAST_CHANGE: &str = "2000-01-01T00:00:00.000Z";

/// The tables that the standard asks for.
const SCHEMA: &str = "
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
  last_change DATETIME NOT NULL, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
INSERT INTO gpkg_spatial_ref_sys VALUES
  ('Undefined Cartesian SRS', -1, 'NONE', -1, 'undefined', 'undefined Cartesian coordinate reference system'),
  ('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', 'undefined geographic coordinate reference system'),
  ('WGS 84 geodetic', 4326, 'EPSG', 4326, 'GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563]],PRIMEM[\"Greenwich\",0],UNIT[\"degree\",0.0174532925199433],AUTHORITY[\"EPSG\",\"4326\"]]', NULL);
";

/// The table of the layers' styles, by the columns that map programs look for.
const STYLES: &str = "
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT, f_table_schema TEXT, f_table_name TEXT,
  f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT,
  ui TEXT, update_time DATETIME);
INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)
  VALUES ('layer_styles', 'attributes', 'layer_styles', 'The styles that the layers are first shown in', '2000-01-01T00:00:00.000Z');
";

/// A layer to be written.
pub(super) struct Layer {
    pub(super) name: &'static str,
    pub(super) geometry: &'static str,
    /// Column names with their SQL types.
    pub(super) columns: Vec<(String, &'static str)>,
    pub(super) features: Vec<(Geometry<f64>, Vec<Value>)>,
}

/// What each layer holds: its description in the package.
const DESCRIPTIONS: [(&str, &str); 6] = [
    ("strips", "The strips of the trial with their treatments and blocks"),
    ("segments", "The pieces of strips that the model saw, with their dry yield"),
    (
        "differences",
        "Treated minus check along the strips: each treated piece with the check that faces it; one by one they say little",
    ),
    (
        "local",
        "The response piece by piece along the treated strips, under the response model; no map of where to treat",
    ),
    (
        "zones",
        "Treated minus check by treatment and soil class, with intervals and what it was worth; in a plan, what to do",
    ),
    ("sites", "The site-years, one feature for each treatment: treated minus check over the whole field"),
];

/// The columns of each layer, by file and layer.
pub(super) fn columns() -> Vec<(&'static str, Vec<&'static str>)> {
    let names =
        |columns: &[(&'static str, &'static str)]| columns.iter().map(|column| column.0).collect::<Vec<&'static str>>();
    vec![
        ("site_years/…/layers.gpkg:strips", names(&STRIPS)),
        (
            "site_years/…/layers.gpkg:segments",
            [names(&SEGMENTS), vec!["covariate_<name>", "covariate_<name>_share"]].concat(),
        ),
        ("site_years/…/layers.gpkg:differences", names(&DIFFERENCES)),
        ("site_years/…/layers.gpkg:local", names(&LOCAL)),
        ("site_years/…/layers.gpkg:zones", names(&ZONES)),
        ("sites.gpkg:sites", names(&SITES)),
        ("plan/…/zones.gpkg:zones", names(&super::plan::ZONE_COLUMNS)),
    ]
}

const SITES: [(&str, &str); 17] = [
    ("season", "INTEGER"),
    ("farm", "TEXT"),
    ("field", "TEXT"),
    ("crop", "TEXT"),
    ("treatment", "TEXT"),
    ("drainage_class", "TEXT"),
    ("wetness_mm", "DOUBLE"),
    ("wetness_class", "TEXT"),
    ("blocks", "INTEGER"),
    ("response", "DOUBLE"),
    ("std_error", "DOUBLE"),
    ("ci_low", "DOUBLE"),
    ("ci_high", "DOUBLE"),
    ("yield_unit", "TEXT"),
    ("net_return", "DOUBLE"),
    ("money_unit", "TEXT"),
    ("first", "TEXT"),
];

/// `sites.gpkg`: where the site-years lie, in longitude and latitude; `drainage_class` is the soil of most of their strips.
pub(super) fn sites(site_years: &[SiteYear], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let optional = |text_of: Option<&str>| text_of.map_or(Value::Null, text);
    let features = site_years.iter().flat_map(|one| {
        let units = Units::new(archive, &one.identity.crop);
        let whole = one.responses.iter().filter(|response| response.key.class.is_none());
        let most = one.class_area_m2.iter().enumerate().max_by(|one, other| one.1.total_cmp(other.1));
        let ground = most.filter(|(_, area)| **area > 0.0).and_then(|(class, _)| archive.soil.zones.get(class));
        whole
            .map(|response| {
                let estimate = units.estimate(&response.estimate);
                let values = vec![
                    Value::Integer(i64::from(one.identity.season)),
                    text(&one.identity.farm),
                    text(&one.identity.field),
                    text(&one.identity.crop),
                    text(&response.key.treatment),
                    optional(ground.map(String::as_str)),
                    number(one.wetness_mm),
                    optional(one.wetness_class.as_deref()),
                    Value::Integer(i64::try_from(response.blocks).unwrap_or(i64::MAX)),
                    number(estimate.mean),
                    number(estimate.std_error),
                    number(estimate.low),
                    number(estimate.high),
                    text(units.yield_unit),
                    number(response.returns.net_return.map(|money| units.money(money))),
                    text(&units.money_unit),
                    text(LABEL_FIRST),
                ];
                (Geometry::Point(Point::new(one.place_deg.0, one.place_deg.1)), values)
            })
            .collect::<Vec<_>>()
    });
    let layer = Layer { name: "sites", geometry: "POINT", columns: named(&SITES), features: features.collect() };
    package(&[layer], WGS_84)
}

/// EPSG code of longitudes and latitudes on WGS 84.
const WGS_84: u32 = 4326;

/// The layers of a site-year.
pub(super) fn layers(
    ingested: &Ingested,
    joined: &Joined,
    along: &[SegmentDifference],
    result: &SiteYear,
    units: &Units,
) -> Result<Vec<u8>, ReportError> {
    let along = differences(joined, along, units);
    let zones = zones(ingested, joined, result, units);
    package(&[strips(joined), segments(joined, units), along, local(joined, result, units), zones], result.epsg)
}

/// The layers of a site-year as they stand, with new prices in the zones.
pub(super) fn repriced(bytes: &[u8], result: &SiteYear, units: &Units) -> Result<Vec<u8>, ReportError> {
    let fault = |error: rusqlite::Error| ReportError::new(FILE, error);
    let mut connection = Connection::open_in_memory().map_err(fault)?;
    connection.deserialize_read_exact("main", bytes, bytes.len(), true).map_err(fault)?;
    let layers = [
        ("strips", "MULTIPOLYGON"),
        ("segments", "POINT"),
        ("differences", "POINT"),
        ("local", "POINT"),
        ("zones", "MULTIPOLYGON"),
    ];
    let mut layers: Vec<Layer> =
        layers.into_iter().map(|(name, geometry)| read(&connection, name, geometry)).collect::<Result<_, _>>()?;
    let at = |name: &str| ZONES.iter().position(|column| column.0 == name).unwrap_or_default();
    for (_, values) in layers.iter_mut().filter(|layer| layer.name == "zones").flat_map(|layer| &mut layer.features) {
        let own = |response: &&Response| {
            values[at("treatment")] == text(&response.key.treatment)
                && values[at("drainage_class")] == text(&response.class_name)
        };
        let response =
            result.responses.iter().find(own).ok_or_else(|| ReportError::new(FILE, "a zone has no response"))?;
        let [pays, net, unit] = money(response, units);
        values[at("probability_pays")] = pays;
        values[at("net_return")] = net;
        values[at("money_unit")] = unit;
    }
    let at = |name: &str| LOCAL.iter().position(|column| column.0 == name).unwrap_or_default();
    let pieces = result.local.iter().flat_map(|one| one.pieces.iter().map(move |piece| (one, piece)));
    let features = layers.iter_mut().filter(|layer| layer.name == "local").flat_map(|layer| &mut layer.features);
    for ((_, values), (local, piece)) in features.zip(pieces) {
        values[at("probability_pays")] = number(result.local_probability_pays(local, piece));
    }
    package(&layers, result.epsg)
}

/// The columns of a layer beside its key and geometry, with their types; none where it is not there.
fn columns_of(connection: &Connection, name: &str) -> Result<Vec<(String, &'static str)>, ReportError> {
    let fault = |error: rusqlite::Error| ReportError::new(FILE, error);
    let mut statement = connection.prepare("SELECT name, type FROM pragma_table_info(?1)").map_err(fault)?;
    let columns = statement.query_map([name], |row| Ok((row.get(0)?, row.get(1)?))).map_err(fault)?;
    let columns: Vec<(String, String)> = columns.collect::<Result<_, _>>().map_err(fault)?;
    let kind = |kind: &str| ["TEXT", "DOUBLE", "INTEGER", "BOOLEAN"].into_iter().find(|known| *known == kind);
    Ok(columns
        .into_iter()
        .filter_map(|(name, of)| Some((name, kind(&of)?)))
        .filter(|(name, _)| name != "fid")
        .collect())
}

/// A layer of a GeoPackage that [`package`] made, with whatever columns it has; without features where it is not there.
fn read(connection: &Connection, name: &'static str, geometry: &'static str) -> Result<Layer, ReportError> {
    let fault = |error: rusqlite::Error| ReportError::new(FILE, error);
    let mut layer = Layer { name, geometry, columns: columns_of(connection, name)?, features: Vec::new() };
    if layer.columns.is_empty() {
        return Ok(layer);
    }
    let names: Vec<String> = layer.columns.iter().map(|column| format!("\"{}\"", column.0)).collect();
    let mut statement = connection
        .prepare(&format!("SELECT geom, {} FROM \"{name}\" ORDER BY fid", names.join(", ")))
        .map_err(fault)?;
    let mut rows = statement.query([]).map_err(fault)?;
    while let Some(row) = rows.next().map_err(fault)? {
        let blob: Vec<u8> = row.get(0).map_err(fault)?;
        let body = blob.get(8..).unwrap_or_default();
        let geometry = wkb::reader::read_wkb(body).map_err(|error| ReportError::new(FILE, error))?.to_geometry();
        let values = (1..=names.len()).map(|at| row.get(at)).collect::<Result<_, _>>().map_err(fault)?;
        layer.features.push((geometry, values));
    }
    Ok(layer)
}

/// What a zone tells of money.
fn money(response: &Response, units: &Units) -> [Value; 3] {
    let returns = &response.returns;
    [
        number(returns.probability_pays),
        number(returns.net_return.map(|money| units.money(money))),
        text(&units.money_unit),
    ]
}

/// A GeoPackage with layers in one UTM zone; those without features are left out.
pub(super) fn package(layers: &[Layer], epsg: u32) -> Result<Vec<u8>, ReportError> {
    let fault = |error: rusqlite::Error| ReportError::new(FILE, error);
    let mut connection = Connection::open_in_memory().map_err(fault)?;
    connection
        .execute_batch(&format!("PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {USER_VERSION};"))
        .map_err(fault)?;
    connection.execute_batch(SCHEMA).map_err(fault)?;
    let srs_id = i64::from(epsg);
    if epsg != WGS_84 {
        connection
            .execute(
                "INSERT INTO gpkg_spatial_ref_sys VALUES (?1, ?2, 'EPSG', ?2, ?3, NULL)",
                params![utm_name(epsg), srs_id, utm_text(epsg)],
            )
            .map_err(fault)?;
    }
    for layer in layers.iter().filter(|layer| !layer.features.is_empty()) {
        write(&mut connection, layer, srs_id)?;
    }
    connection.execute_batch(STYLES).map_err(fault)?;
    for layer in layers.iter().filter(|layer| !layer.features.is_empty()) {
        if let Some(sld) = styles::sld(layer) {
            connection
                .execute(
                    "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleSLD, \
                     useAsDefault, description, update_time) VALUES ('', '', ?1, 'geom', ?1, ?2, 1, ?1, ?3)",
                    params![layer.name, sld, LAST_CHANGE],
                )
                .map_err(fault)?;
        }
    }
    let bytes = connection.serialize("main").map_err(fault)?;
    Ok(bytes.to_vec())
}

fn zone_and_side(epsg: u32) -> (u32, bool) {
    (epsg % 100, epsg / 100 == 327)
}

fn utm_name(epsg: u32) -> String {
    let (zone, south) = zone_and_side(epsg);
    format!("WGS 84 / UTM zone {zone}{}", if south { 'S' } else { 'N' })
}

/// Well-known text of a UTM zone on WGS 84 (OGC 01-009).
fn utm_text(epsg: u32) -> String {
    let (zone, south) = zone_and_side(epsg);
    let meridian = 6 * i64::from(zone) - 183;
    let northing = if south { 10_000_000 } else { 0 };
    format!(
        "PROJCS[\"{}\",GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563]],PRIMEM[\"Greenwich\",0],UNIT[\"degree\",0.0174532925199433],AUTHORITY[\"EPSG\",\"4326\"]],PROJECTION[\"Transverse_Mercator\"],PARAMETER[\"latitude_of_origin\",0],PARAMETER[\"central_meridian\",{meridian}],PARAMETER[\"scale_factor\",0.9996],PARAMETER[\"false_easting\",500000],PARAMETER[\"false_northing\",{northing}],UNIT[\"metre\",1],AXIS[\"Easting\",EAST],AXIS[\"Northing\",NORTH],AUTHORITY[\"EPSG\",\"{epsg}\"]]",
        utm_name(epsg)
    )
}

pub(super) fn number(value: Option<f64>) -> Value {
    value.filter(|value| value.is_finite()).map_or(Value::Null, Value::Real)
}

pub(super) fn text(value: &str) -> Value {
    Value::Text(value.to_owned())
}

const STRIPS: [(&str, &str); 3] = [("strip", "TEXT"), ("treatment", "TEXT"), ("block", "TEXT")];

fn strips(joined: &Joined) -> Layer {
    let features = joined
        .assigned
        .strips
        .iter()
        .filter_map(|strip| {
            let ground = strip.ground.clone()?;
            Some((Geometry::MultiPolygon(ground), vec![text(&strip.name), text(&strip.treatment), text(&strip.block)]))
        })
        .collect();
    Layer { name: "strips", geometry: "MULTIPOLYGON", columns: named(&STRIPS), features }
}

pub(super) fn named(columns: &[(&str, &'static str)]) -> Vec<(String, &'static str)> {
    columns.iter().map(|&(name, kind)| (name.to_owned(), kind)).collect()
}

const SEGMENTS: [(&str, &str); 10] = [
    ("strip", "TEXT"),
    ("treatment", "TEXT"),
    ("block", "TEXT"),
    ("yield", "DOUBLE"),
    ("yield_unit", "TEXT"),
    ("moisture_pct", "DOUBLE"),
    ("points", "INTEGER"),
    ("usable", "BOOLEAN"),
    ("drainage_class", "TEXT"),
    ("drainage_class_probability", "DOUBLE"),
];

fn segments(joined: &Joined, units: &Units) -> Layer {
    let features = joined
        .assigned
        .segments
        .iter()
        .zip(joined.segment_class.iter().zip(&joined.segment_class_probability))
        .enumerate()
        .map(|(at, (segment, (&class, &probability)))| {
            let strip = &joined.assigned.strips[segment.strip as usize];
            let class = if class == Labels::NONE { Value::Null } else { text(&joined.classes[class as usize]) };
            let mut values = vec![
                text(&strip.name),
                text(&strip.treatment),
                text(&strip.block),
                number(Some(units.yields(segment.dry_yield_kg_ha))),
                text(units.yield_unit),
                number(Some(segment.moisture_pct)),
                Value::Integer(i64::from(segment.points)),
                Value::Integer(i64::from(segment.usable)),
                class,
                number(Some(probability)),
            ];
            for one in &joined.covariates {
                values.push(match one.kind {
                    CovariateKind::Number => number(Some(one.segment[at])),
                    CovariateKind::Class => one.class_of(one.segment[at]).map_or(Value::Null, text),
                });
                values.push(number(Some(one.segment_share[at])));
            }
            (Geometry::Point(Point::new(segment.x_m, segment.y_m)), values)
        })
        .collect();
    let mut columns = named(&SEGMENTS);
    for one in &joined.covariates {
        let kind = if one.kind == CovariateKind::Class { "TEXT" } else { "DOUBLE" };
        columns.extend([(one.column(), kind), (format!("{}_share", one.column()), "DOUBLE")]);
    }
    Layer { name: "segments", geometry: "POINT", columns, features }
}

const DIFFERENCES: [(&str, &str); 6] = [
    ("strip", "TEXT"),
    ("treatment", "TEXT"),
    ("block", "TEXT"),
    ("difference", "DOUBLE"),
    ("yield_unit", "TEXT"),
    ("drainage_class", "TEXT"),
];

/// A treated segment in the layers that tell of single segments.
struct Treated {
    place: Geometry<f64>,
    strip: Value,
    treatment: Value,
    block: Value,
    class: Value,
}

impl Treated {
    fn of(joined: &Joined, segment: usize) -> Self {
        let class = joined.segment_class[segment];
        let segment = &joined.assigned.segments[segment];
        let strip = &joined.assigned.strips[segment.strip as usize];
        Self {
            place: Geometry::Point(Point::new(segment.x_m, segment.y_m)),
            strip: text(&strip.name),
            treatment: text(&strip.treatment),
            block: text(&strip.block),
            class: if class == Labels::NONE { Value::Null } else { text(&joined.classes[class as usize]) },
        }
    }
}

fn differences(joined: &Joined, along: &[SegmentDifference], units: &Units) -> Layer {
    let feature = |one: &SegmentDifference| {
        let Treated { place, strip, treatment, block, class } = Treated::of(joined, one.segment);
        let values =
            vec![strip, treatment, block, number(Some(units.yields(one.difference))), text(units.yield_unit), class];
        (place, values)
    };
    let features = along.iter().map(feature).collect();
    Layer { name: "differences", geometry: "POINT", columns: named(&DIFFERENCES), features }
}

const LOCAL: [(&str, &str); 11] = [
    ("strip", "TEXT"),
    ("treatment", "TEXT"),
    ("block", "TEXT"),
    ("drainage_class", "TEXT"),
    ("response", "DOUBLE"),
    ("std_error", "DOUBLE"),
    ("ci_low", "DOUBLE"),
    ("ci_high", "DOUBLE"),
    ("probability_pays", "DOUBLE"),
    ("yield_unit", "TEXT"),
    ("first", "TEXT"),
];

/// The response on each treated segment.
fn local(joined: &Joined, result: &SiteYear, units: &Units) -> Layer {
    let mut features = Vec::new();
    for (local, piece) in result.local.iter().flat_map(|one| one.pieces.iter().map(move |piece| (one, piece))) {
        let Treated { place, strip, treatment, block, class } = Treated::of(joined, piece.segment);
        let values = vec![
            strip,
            treatment,
            block,
            class,
            number(Some(units.yields(piece.mean))),
            number(Some(units.yields(piece.std_error))),
            number(Some(units.yields(piece.low))),
            number(Some(units.yields(piece.high))),
            number(result.local_probability_pays(local, piece)),
            text(units.yield_unit),
            text(LABEL_FIRST),
        ];
        features.push((place, values));
    }
    Layer { name: "local", geometry: "POINT", columns: named(&LOCAL), features }
}

const ZONES: [(&str, &str); 12] = [
    ("treatment", "TEXT"),
    ("drainage_class", "TEXT"),
    ("response", "DOUBLE"),
    ("std_error", "DOUBLE"),
    ("ci_low", "DOUBLE"),
    ("ci_high", "DOUBLE"),
    ("probability_pays", "DOUBLE"),
    ("net_return", "DOUBLE"),
    ("yield_unit", "TEXT"),
    ("money_unit", "TEXT"),
    ("caution", "TEXT"),
    ("first", "TEXT"),
];

/// The ground of each soil class inside the field, once for each treatment, with its response.
fn zones(ingested: &Ingested, joined: &Joined, result: &SiteYear, units: &Units) -> Layer {
    let mut features = Vec::new();
    if let Some(field) = field_ground(ingested, joined) {
        for (class, name) in joined.classes.iter().enumerate() {
            let parts: Vec<_> = ingested
                .soils
                .iter()
                .zip(&result.soil_zone)
                .filter(|(_, zone)| **zone == Some(class))
                .flat_map(|(soil, _)| soil.ground.0.iter().cloned())
                .collect();
            let ground = MultiPolygon::new(parts).intersection(&field);
            if ground.0.is_empty() {
                continue;
            }
            for response in result.responses.iter().filter(|response| response.key.class == Some(class)) {
                let estimate = units.estimate(&response.estimate);
                let [pays, net, money_unit] = money(response, units);
                let values = vec![
                    text(&response.key.treatment),
                    text(name),
                    number(estimate.mean),
                    number(estimate.std_error),
                    number(estimate.low),
                    number(estimate.high),
                    pays,
                    net,
                    text(units.yield_unit),
                    money_unit,
                    text(&response.cautions.codes()),
                    text(LABEL_FIRST),
                ];
                features.push((Geometry::MultiPolygon(ground.clone()), values));
            }
        }
    }
    Layer { name: "zones", geometry: "MULTIPOLYGON", columns: named(&ZONES), features }
}

/// The boundary, or the hull of the strips.
fn field_ground(ingested: &Ingested, joined: &Joined) -> Option<MultiPolygon<f64>> {
    if let Some(boundary) = &ingested.boundary {
        return Some(boundary.clone());
    }
    let parts: Vec<_> = joined
        .assigned
        .strips
        .iter()
        .filter_map(|strip| strip.ground.as_ref())
        .flat_map(|ground| ground.0.iter().cloned())
        .collect();
    (!parts.is_empty()).then(|| MultiPolygon::new(vec![MultiPolygon::new(parts).convex_hull()]))
}

fn write(connection: &mut Connection, layer: &Layer, srs_id: i64) -> Result<(), ReportError> {
    let fault = |error: rusqlite::Error| ReportError::new(FILE, error);
    super::columns::known(FILE, layer.columns.iter().map(|column| column.0.as_str()))?;
    let description = DESCRIPTIONS.iter().find(|(name, _)| *name == layer.name).map_or("", |(_, text)| *text);
    let transaction = connection.transaction().map_err(fault)?;
    let declared: Vec<String> = layer.columns.iter().map(|(name, kind)| format!("\"{name}\" {kind}")).collect();
    transaction
        .execute_batch(&format!(
            "CREATE TABLE \"{}\" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {}, {});",
            layer.name,
            layer.geometry,
            declared.join(", ")
        ))
        .map_err(fault)?;
    let rects = || layer.features.iter().filter_map(|(geometry, _)| geometry.bounding_rect());
    let low = |pick: fn(geo::Coord<f64>) -> f64| rects().map(|rect| pick(rect.min())).fold(f64::INFINITY, f64::min);
    let high =
        |pick: fn(geo::Coord<f64>) -> f64| rects().map(|rect| pick(rect.max())).fold(f64::NEG_INFINITY, f64::max);
    transaction
        .execute(
            "INSERT INTO gpkg_contents VALUES (?1, 'features', ?1, ?8, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![
                layer.name,
                LAST_CHANGE,
                low(|c| c.x),
                low(|c| c.y),
                high(|c| c.x),
                high(|c| c.y),
                srs_id,
                description
            ],
        )
        .map_err(fault)?;
    transaction
        .execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?1, 'geom', ?2, ?3, 0, 0)",
            params![layer.name, layer.geometry, srs_id],
        )
        .map_err(fault)?;
    {
        let names: Vec<String> = layer.columns.iter().map(|(name, _)| format!("\"{name}\"")).collect();
        let places: Vec<String> = (1..=layer.columns.len() + 1).map(|at| format!("?{at}")).collect();
        let mut statement = transaction
            .prepare(&format!(
                "INSERT INTO \"{}\" (geom, {}) VALUES ({})",
                layer.name,
                names.join(", "),
                places.join(", ")
            ))
            .map_err(fault)?;
        for (geometry, values) in &layer.features {
            let blob = Value::Blob(blob(geometry, srs_id)?);
            statement.execute(params_from_iter(std::iter::once(&blob).chain(values))).map_err(fault)?;
        }
    }
    transaction.commit().map_err(fault)
}

/// A geometry as the standard stores it: `GP`, version 0, flags (little-endian, no envelope), SRS id, well-known binary.
fn blob(geometry: &Geometry<f64>, srs_id: i64) -> Result<Vec<u8>, ReportError> {
    let mut bytes = vec![b'G', b'P', 0, 1];
    bytes.extend((srs_id as i32).to_le_bytes());
    write_geometry(&mut bytes, geometry, &WriteOptions::default()).map_err(|error| ReportError::new(FILE, error))?;
    Ok(bytes)
}
