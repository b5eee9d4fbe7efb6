//! Coordinate reference systems as they are typed or stored beside data.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use proj::Proj;
use serde_json::Value;
use thiserror::Error;

/// Why coordinates cannot be read or converted.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum CrsError {
    /// The text is no reference system.
    #[error("expected a coordinate reference system such as `EPSG:4326` or the text of a .prj file, found `{found}`{}", because(.reason))]
    Unknown {
        /// The text as found, shortened.
        found: String,
        /// What the projection library says.
        reason: String,
    },
    /// A reference system in which places of the ground have no plane coordinates.
    #[error("expected a geographic or projected reference system, found `{found}`, which is a {kind}")]
    NotHorizontal {
        /// The name of the reference system.
        found: String,
        /// What it is.
        kind: String,
    },
    /// There is no way from one system to the other.
    #[error("cannot convert coordinates from {from} to {to}: {reason}")]
    NoConversion {
        /// The system of the data.
        from: String,
        /// The system asked for.
        to: String,
        /// What the projection library says.
        reason: String,
    },
}

fn because(reason: &str) -> String {
    if reason.is_empty() { String::new() } else { format!(" ({reason})") }
}

/// Texts of which it is kept what they stand for.
const MOST_KNOWN: usize = 1_000;

/// Whether coordinates are angles or lengths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CrsKind {
    /// Longitude and latitude in degrees.
    Geographic,
    /// Easting and northing in the system's unit of length.
    Projected,
}

/// A horizontal coordinate reference system. Cheap to clone; two are equal when their definitions are.
#[derive(Debug, Clone)]
pub struct Crs {
    definition: Arc<str>,
    name: Arc<str>,
    kind: CrsKind,
    epsg: Option<u32>,
}

impl PartialEq for Crs {
    fn eq(&self, other: &Self) -> bool {
        self.definition == other.definition || (self.epsg.is_some() && self.epsg == other.epsg)
    }
}

impl Eq for Crs {}

impl std::fmt::Display for Crs {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.epsg {
            Some(code) => write!(f, "EPSG:{code} ({})", self.name),
            None => write!(f, "{}", self.name),
        }
    }
}

impl Crs {
    /// WGS 84 longitude and latitude.
    pub fn wgs84() -> Self {
        Self { definition: "EPSG:4326".into(), name: "WGS 84".into(), kind: CrsKind::Geographic, epsg: Some(4_326) }
    }

    /// A reference system by its EPSG code.
    ///
    /// # Errors
    /// [`CrsError`] when there is no such code or it is not a horizontal system.
    pub fn from_epsg(code: u32) -> Result<Self, CrsError> {
        match code {
            4_326 => Ok(Self::wgs84()),
            32_601..=32_660 => Ok(Self::wgs84_utm(code, code - 32_600, 'N')),
            32_701..=32_760 => Ok(Self::wgs84_utm(code, code - 32_700, 'S')),
            _ => Self::resolve(&format!("EPSG:{code}")),
        }
    }

    fn wgs84_utm(code: u32, zone: u32, hemisphere: char) -> Self {
        Self {
            definition: format!("EPSG:{code}").into(),
            name: format!("WGS 84 / UTM zone {zone}{hemisphere}").into(),
            kind: CrsKind::Projected,
            epsg: Some(code),
        }
    }

    /// Reads `EPSG:4326`, a bare EPSG code, the names of the OGC (`urn:ogc:def:crs:OGC:1.3:CRS84`,
    /// `urn:ogc:def:crs:EPSG::4326`, `http://www.opengis.net/def/crs/EPSG/0/4326`), the well-known text of a .prj file
    /// (WKT 1, its ESRI dialect, WKT 2), or a PROJ definition.
    ///
    /// # Errors
    /// [`CrsError`], with the text that was found.
    pub fn parse(text: &str) -> Result<Self, CrsError> {
        let text = text.trim_start_matches('\u{feff}').trim().trim_end_matches('\0').trim();
        if let Some(code) = epsg_code(text) {
            return Self::from_epsg(code).map_err(|fault| match fault {
                CrsError::Unknown { reason, .. } => CrsError::Unknown { found: shortened(text), reason },
                other => other,
            });
        }
        if text.to_ascii_uppercase().ends_with("CRS84") {
            return Ok(Self::wgs84());
        }
        let keyword = text.split(['[', '(']).next().unwrap_or("").trim().to_ascii_uppercase();
        let well_known = [
            "PROJCS",
            "GEOGCS",
            "COMPD_CS",
            "PROJCRS",
            "PROJECTEDCRS",
            "GEOGCRS",
            "GEOGRAPHICCRS",
            "GEODCRS",
            "GEODETICCRS",
            "COMPOUNDCRS",
            "BOUNDCRS",
        ];
        if well_known.contains(&keyword.as_str()) {
            Self::resolve(text)
        } else if text.contains("+proj=") {
            Self::resolve(&if text.contains("+type=crs") { text.to_owned() } else { format!("{text} +type=crs") })
        } else {
            Err(CrsError::Unknown { found: shortened(text), reason: String::new() })
        }
    }

    /// The system of an EPSG code as PROJJSON (<https://proj.org/en/stable/specifications/projjson.html>).
    pub(crate) fn projjson(epsg: u32) -> Result<Value, CrsError> {
        static KNOWN: Mutex<BTreeMap<u32, Value>> = Mutex::new(BTreeMap::new());
        let mut known = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(described) = known.get(&epsg) {
            return Ok(described.clone());
        }
        let definition = format!("EPSG:{epsg}");
        let unknown = |reason: String| CrsError::Unknown { found: definition.clone(), reason };
        let object = Proj::new(&definition).map_err(|fault| unknown(fault.to_string()))?;
        let described = object.to_projjson(Some(false), None, None).map_err(|fault| unknown(fault.to_string()))?;
        let described: Value = serde_json::from_str(&described).map_err(|fault| unknown(fault.to_string()))?;
        known.insert(epsg, described.clone());
        Ok(described)
    }

    /// What the projection library makes of a text, which costs milliseconds: the files of an archive repeat a few.
    fn resolve(definition: &str) -> Result<Self, CrsError> {
        static KNOWN: Mutex<BTreeMap<String, Crs>> = Mutex::new(BTreeMap::new());
        let known = || KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(crs) = known().get(definition) {
            return Ok(crs.clone());
        }
        let crs = Self::resolved(definition)?;
        let mut known = known();
        if known.len() < MOST_KNOWN {
            known.insert(definition.to_owned(), crs.clone());
        }
        Ok(crs)
    }

    fn resolved(definition: &str) -> Result<Self, CrsError> {
        let unknown = |reason: String| CrsError::Unknown { found: shortened(definition), reason };
        let object = Proj::new(definition).map_err(|fault| unknown(fault.to_string()))?;
        let described = object.to_projjson(Some(false), None, None).map_err(|fault| unknown(fault.to_string()))?;
        let described: Value = serde_json::from_str(&described).map_err(|fault| unknown(fault.to_string()))?;
        let name = described["name"].as_str().unwrap_or("unnamed").to_owned();
        let horizontal = horizontal_part(&described);
        let kind = match horizontal["type"].as_str() {
            Some("GeographicCRS") => CrsKind::Geographic,
            Some("ProjectedCRS" | "DerivedProjectedCRS") => CrsKind::Projected,
            other => {
                let kind = other.unwrap_or("reference system of an unknown type").to_owned();
                return Err(CrsError::NotHorizontal { found: name, kind });
            }
        };
        let mut crs = Self { definition: definition.into(), name: name.into(), kind, epsg: None };
        crs.epsg = declared_epsg(horizontal).or_else(|| crs.recognised_epsg(horizontal["name"].as_str().unwrap_or("")));
        Ok(crs)
    }

    /// The EPSG code of a system that carries only its name: the code is taken when the named system and this one give
    /// the same coordinates (within 1 mm or 1e-9 degrees).
    fn recognised_epsg(&self, name: &str) -> Option<u32> {
        let code = code_by_name(name)?;
        let named = Proj::new_known_crs(&format!("EPSG:{code}"), &self.definition, None).ok()?;
        let (probes, tolerance): (&[(f64, f64)], f64) = match self.kind {
            CrsKind::Geographic => (&[(-93.0, 42.0), (10.0, 50.0), (150.0, -30.0)], 1e-9),
            CrsKind::Projected => (&[(400_000.0, 4_600_000.0), (610_000.0, 3_900_000.0)], 1e-3),
        };
        let same = probes.iter().all(|&(x, y)| {
            named.convert((x, y)).is_ok_and(|(u, v): (f64, f64)| (u - x).abs() < tolerance && (v - y).abs() < tolerance)
        });
        same.then_some(code)
    }

    /// The text that defines the system.
    pub fn definition(&self) -> &str {
        &self.definition
    }

    /// Its name, for instance `WGS 84 / UTM zone 15N`.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Its EPSG code, where it carries one or could be recognised.
    #[cfg(test)]
    pub(crate) fn epsg(&self) -> Option<u32> {
        self.epsg
    }

    /// Whether coordinates are longitude and latitude.
    pub fn is_geographic(&self) -> bool {
        self.kind == CrsKind::Geographic
    }
}

/// The two-dimensional part of a compound, bound or three-dimensional system.
fn horizontal_part(described: &Value) -> &Value {
    match described["type"].as_str() {
        Some("CompoundCRS") => horizontal_part(&described["components"][0]),
        Some("BoundCRS") => horizontal_part(&described["source_crs"]),
        _ => described,
    }
}

fn declared_epsg(described: &Value) -> Option<u32> {
    let id = &described["id"];
    (id["authority"].as_str()? == "EPSG").then(|| id["code"].as_u64().and_then(|code| u32::try_from(code).ok()))?
}

/// EPSG codes of systems that .prj files name without a code (EPSG Geodetic Parameter Dataset, v12).
fn code_by_name(name: &str) -> Option<u32> {
    const GEOGRAPHIC: [(&str, u32); 6] = [
        ("WGS 84", 4_326),
        ("NAD83", 4_269),
        ("NAD27", 4_267),
        ("ETRS89", 4_258),
        ("GDA94", 4_283),
        ("GDA2020", 7_844),
    ];
    if let Some(&(_, code)) = GEOGRAPHIC.iter().find(|(known, _)| *known == name) {
        return Some(code);
    }
    if name == "WGS 84 / Pseudo-Mercator" {
        return Some(3_857);
    }
    let (datum, zone) = name.split_once(" / UTM zone ")?;
    let (number, hemisphere) = zone.split_at_checked(zone.len().checked_sub(1)?)?;
    let number: u32 = number.parse().ok().filter(|number| (1..=60).contains(number))?;
    match (datum, hemisphere, number) {
        ("WGS 84", "N", _) => Some(32_600 + number),
        ("WGS 84", "S", _) => Some(32_700 + number),
        ("NAD83", "N", 1..=23) => Some(26_900 + number),
        ("NAD27", "N", 1..=22) => Some(26_700 + number),
        ("ETRS89", "N", 28..=38) => Some(25_800 + number),
        _ => None,
    }
}

fn epsg_code(text: &str) -> Option<u32> {
    let lower = text.to_ascii_lowercase();
    let rest = [
        "epsg::",
        "epsg:",
        "urn:ogc:def:crs:epsg:",
        "http://www.opengis.net/def/crs/epsg/",
        "https://www.opengis.net/def/crs/epsg/",
    ]
    .iter()
    .find_map(|prefix| lower.strip_prefix(prefix))
    .unwrap_or(&lower);
    let code = rest.rsplit([':', '/']).next()?;
    (!code.is_empty() && code.bytes().all(|byte| byte.is_ascii_digit())).then(|| code.parse().ok())?
}

fn shortened(text: &str) -> String {
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if line.chars().count() <= 80 { line } else { line.chars().take(77).chain("...".chars()).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Well-known text as .prj files carry it, without any EPSG code (ESRI dialect of WKT 1).
    const PRJ_NAD83_UTM15: &str = r#"PROJCS["NAD_1983_UTM_Zone_15N",GEOGCS["GCS_North_American_1983",DATUM["D_North_American_1983",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",500000.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",-93.0],PARAMETER["Scale_Factor",0.9996],PARAMETER["Latitude_Of_Origin",0.0],UNIT["Meter",1.0]]"#;
    const PRJ_WGS84: &str = r#"GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]"#;

    #[test]
    fn codes_and_ogc_names_are_read() {
        for text in [
            "EPSG:4326",
            "epsg:4326",
            "4326",
            " EPSG:4326\n",
            "urn:ogc:def:crs:EPSG::4326",
            "urn:ogc:def:crs:OGC:1.3:CRS84",
            "http://www.opengis.net/def/crs/EPSG/0/4326",
        ] {
            let crs = Crs::parse(text).unwrap();
            assert_eq!((crs.epsg(), crs.is_geographic()), (Some(4_326), true), "{text}");
        }
        let utm = Crs::parse("EPSG:32615").unwrap();
        assert_eq!(utm.to_string(), "EPSG:32615 (WGS 84 / UTM zone 15N)");
        assert_eq!(
            Crs::resolve("EPSG:32615").unwrap().name(),
            utm.name(),
            "the shortcut names zones as the library does"
        );
        assert!(!utm.is_geographic());
    }

    #[test]
    fn prj_texts_without_a_code_are_recognised() {
        let utm = Crs::parse(PRJ_NAD83_UTM15).unwrap();
        assert_eq!((utm.epsg(), utm.is_geographic()), (Some(26_915), false));
        let wgs = Crs::parse(PRJ_WGS84).unwrap();
        assert_eq!((wgs.epsg(), wgs.is_geographic()), (Some(4_326), true));
    }

    #[test]
    fn a_name_that_does_not_fit_its_parameters_gives_no_code() {
        let moved = PRJ_NAD83_UTM15.replace("\"False_Easting\",500000.0", "\"False_Easting\",400000.0");
        assert_eq!(Crs::parse(&moved).unwrap().epsg(), None);
    }

    #[test]
    fn what_is_no_reference_system_is_named_in_the_error() {
        for text in ["", "WGS84-ish", "EPSG:", "EPSG:99999999", "PROJCS[broken"] {
            let fault = Crs::parse(text).unwrap_err().to_string();
            assert!(fault.contains(&format!("found `{text}")), "{fault}");
            assert!(fault.contains("EPSG:4326"), "{fault}");
        }
        assert!(matches!(Crs::parse("EPSG:5703"), Err(CrsError::NotHorizontal { .. })), "a height system");
    }
}
