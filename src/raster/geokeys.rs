//! The reference system of a `GeoTIFF`.
//!
//! OGC 19-008r4, OGC `GeoTIFF` Standard 1.1, sections 7.1 and Annex B; key numbers and codes of the original
//! specification (Ritter & Ruth 2000, `GeoTIFF` Format Specification 1.8.2, sections 6.2 and 6.3).

use std::collections::BTreeMap;

use crate::geometry::{Crs, CrsError};

pub(super) const MODEL_TYPE: u16 = 1_024;
pub(super) const RASTER_TYPE: u16 = 1_025;
const CITATION: u16 = 1_026;
pub(super) const GEODETIC_CRS: u16 = 2_048;
const GEODETIC_CITATION: u16 = 2_049;
const GEODETIC_DATUM: u16 = 2_050;
const ELLIPSOID: u16 = 2_056;
const SEMI_MAJOR: u16 = 2_057;
const SEMI_MINOR: u16 = 2_058;
const INVERSE_FLATTENING: u16 = 2_059;
pub(super) const PROJECTED_CRS: u16 = 3_072;
const PROJECTED_CITATION: u16 = 3_073;
const METHOD: u16 = 3_075;
pub(super) const LINEAR_UNITS: u16 = 3_076;
const PARALLEL_1: u16 = 3_078;
const PARALLEL_2: u16 = 3_079;
const NATURAL_LONGITUDE: u16 = 3_080;
const NATURAL_LATITUDE: u16 = 3_081;
const FALSE_EASTING: u16 = 3_082;
const FALSE_NORTHING: u16 = 3_083;
const FALSE_ORIGIN_LONGITUDE: u16 = 3_084;
const FALSE_ORIGIN_LATITUDE: u16 = 3_085;
const FALSE_ORIGIN_EASTING: u16 = 3_086;
const FALSE_ORIGIN_NORTHING: u16 = 3_087;
const CENTRE_LONGITUDE: u16 = 3_088;
const CENTRE_LATITUDE: u16 = 3_089;
const SCALE: u16 = 3_092;

pub(super) const PIXEL_IS_POINT: u16 = 2;
const USER_DEFINED: u16 = 32_767;
const DOUBLES: u16 = 34_736;
const TEXTS: u16 = 34_737;

#[derive(Debug, Clone, PartialEq)]
enum KeyValue {
    Code(u16),
    Number(f64),
    Text(String),
}

/// The keys of one file.
#[derive(Debug, Clone, Default)]
pub(super) struct GeoKeys(BTreeMap<u16, KeyValue>);

impl GeoKeys {
    /// Reads the directory; entries that point outside their values are left out.
    pub(super) fn new(directory: &[u16], doubles: &[f64], texts: &str) -> Self {
        let mut keys = BTreeMap::new();
        for entry in directory.get(4..).unwrap_or(&[]).chunks_exact(4) {
            let (key, place, count, value) = (entry[0], entry[1], usize::from(entry[2]), entry[3]);
            let at = usize::from(value);
            let found = match place {
                0 => Some(KeyValue::Code(value)),
                DOUBLES => doubles.get(at).map(|&number| KeyValue::Number(number)),
                TEXTS => texts
                    .get(at..(at + count).min(texts.len()))
                    .map(|text| KeyValue::Text(text.trim_end_matches(['|', '\0']).to_owned())),
                _ => None,
            };
            if let Some(found) = found {
                keys.insert(key, found);
            }
        }
        Self(keys)
    }

    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub(super) fn code(&self, key: u16) -> Option<u16> {
        match self.0.get(&key)? {
            KeyValue::Code(code) => Some(*code),
            _ => None,
        }
    }

    fn number(&self, key: u16) -> Option<f64> {
        match self.0.get(&key)? {
            KeyValue::Number(number) => Some(*number),
            KeyValue::Code(code) => Some(f64::from(*code)),
            KeyValue::Text(_) => None,
        }
    }

    fn text(&self, key: u16) -> Option<&str> {
        match self.0.get(&key)? {
            KeyValue::Text(text) => Some(text),
            _ => None,
        }
    }

    /// The horizontal reference system: by EPSG code, by the well-known text that some writers put in a citation, or from
    /// its parameters (transverse Mercator, Lambert conic conformal, Albers, Mercator, longitude and latitude).
    pub(super) fn crs(&self) -> Result<Crs, CrsError> {
        for key in [PROJECTED_CRS, GEODETIC_CRS] {
            if self.code(MODEL_TYPE) == Some(2) && key == PROJECTED_CRS {
                continue;
            }
            match self.code(key) {
                Some(code) if (1_024..USER_DEFINED).contains(&code) => return Crs::from_epsg(u32::from(code)),
                Some(USER_DEFINED) => break,
                _ => {}
            }
        }
        for key in [PROJECTED_CITATION, GEODETIC_CITATION, CITATION] {
            if let Some((_, text)) = self.text(key).and_then(|text| text.split_once("ESRI PE String = ")) {
                return Crs::parse(text);
            }
        }
        Crs::parse(&self.definition().ok_or_else(|| {
            CrsError::Unknown {
                found: self
                    .text(PROJECTED_CITATION)
                    .or_else(|| self.text(GEODETIC_CITATION))
                    .or_else(|| self.text(CITATION))
                    .unwrap_or("user-defined GeoTIFF keys")
                    .to_owned(),
                reason: "its projection method is not among those read from GeoTIFF keys".to_owned(),
            }
        })?)
    }

    fn definition(&self) -> Option<String> {
        let ellipsoid = self.ellipsoid()?;
        if self.code(MODEL_TYPE) == Some(2) {
            return Some(format!("+proj=longlat {ellipsoid} +type=crs"));
        }
        let any = |keys: &[u16], otherwise: f64| keys.iter().find_map(|&key| self.number(key)).unwrap_or(otherwise);
        let longitude = any(&[NATURAL_LONGITUDE, FALSE_ORIGIN_LONGITUDE, CENTRE_LONGITUDE], 0.0);
        let latitude = any(&[NATURAL_LATITUDE, FALSE_ORIGIN_LATITUDE, CENTRE_LATITUDE], 0.0);
        let scale = any(&[SCALE], 1.0);
        let (first, second) = (any(&[PARALLEL_1], latitude), any(&[PARALLEL_2], latitude));
        // Map projection methods, Ritter & Ruth 6.3.3.3.
        let method = match self.code(METHOD)? {
            1 => format!("+proj=tmerc +lat_0={latitude} +k_0={scale}"),
            7 => format!("+proj=merc +k_0={scale}"),
            8 => format!("+proj=lcc +lat_1={first} +lat_2={second} +lat_0={latitude}"),
            9 => format!("+proj=lcc +lat_1={latitude} +lat_0={latitude} +k_0={scale}"),
            11 => format!("+proj=aea +lat_1={first} +lat_2={second} +lat_0={latitude}"),
            _ => return None,
        };
        let (units, metres) = match self.code(LINEAR_UNITS) {
            None | Some(9_001) => ("+units=m", 1.0),
            Some(9_002) => ("+units=ft", 0.304_8),
            Some(9_003) => ("+units=us-ft", 1_200.0 / 3_937.0),
            Some(_) => return None,
        };
        // The keys hold false origins in the linear unit; PROJ takes metres.
        let east = any(&[FALSE_EASTING, FALSE_ORIGIN_EASTING], 0.0) * metres;
        let north = any(&[FALSE_NORTHING, FALSE_ORIGIN_NORTHING], 0.0) * metres;
        Some(format!("{method} +lon_0={longitude} +x_0={east} +y_0={north} {ellipsoid} {units} +type=crs"))
    }

    fn ellipsoid(&self) -> Option<String> {
        let named = match (self.code(GEODETIC_CRS), self.code(GEODETIC_DATUM), self.code(ELLIPSOID)) {
            (Some(4_326), ..) | (_, Some(6_326), _) => Some("+datum=WGS84"),
            (Some(4_269), ..) | (_, Some(6_269), _) => Some("+datum=NAD83"),
            (Some(4_267), ..) | (_, Some(6_267), _) => Some("+datum=NAD27"),
            (_, _, Some(7_030)) => Some("+ellps=WGS84"),
            (_, _, Some(7_019)) => Some("+ellps=GRS80"),
            (_, _, Some(7_008)) => Some("+ellps=clrk66"),
            _ => None,
        };
        if let Some(named) = named {
            return Some(named.to_owned());
        }
        let major = self.number(SEMI_MAJOR)?;
        if let Some(inverse) = self.number(INVERSE_FLATTENING).filter(|&inverse| inverse > 0.0) {
            return Some(format!("+a={major} +rf={inverse}"));
        }
        Some(format!("+a={major} +b={}", self.number(SEMI_MINOR).unwrap_or(major)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Projector;

    #[test]
    fn epsg_codes_are_taken_from_the_key_of_the_model() {
        let projected = GeoKeys::new(&[1, 1, 0, 2, MODEL_TYPE, 0, 1, 1, PROJECTED_CRS, 0, 1, 26_915], &[], "");
        assert_eq!(projected.crs().unwrap().epsg(), Some(26_915));
        let geographic = GeoKeys::new(&[1, 1, 0, 2, MODEL_TYPE, 0, 1, 2, GEODETIC_CRS, 0, 1, 4_269], &[], "");
        assert_eq!(geographic.crs().unwrap().epsg(), Some(4_269));
        assert!(GeoKeys::new(&[], &[], "").crs().is_err());
        assert!(GeoKeys::new(&[1, 1, 0, 1, 3_073, TEXTS, 500, 200], &[], "short|").crs().is_err(), "a bad pointer");
    }

    /// IOGP 373-7-2, Albers Equal Area (9822), worked example; the system given by parameters only.
    #[test]
    fn a_user_defined_albers_projects_as_published() {
        let doubles = [42.122_774, 49.015_18, -84.455_955, 45.568_977, 1e6, 1e6];
        let mut directory = vec![
            1,
            1,
            0,
            11,
            MODEL_TYPE,
            0,
            1,
            1,
            GEODETIC_CRS,
            0,
            1,
            4_269,
            PROJECTED_CRS,
            0,
            1,
            USER_DEFINED,
            METHOD,
            0,
            1,
            11,
            LINEAR_UNITS,
            0,
            1,
            9_001,
        ];
        for (at, key) in [
            PARALLEL_1,
            PARALLEL_2,
            FALSE_ORIGIN_LONGITUDE,
            FALSE_ORIGIN_LATITUDE,
            FALSE_ORIGIN_EASTING,
            FALSE_ORIGIN_NORTHING,
        ]
        .into_iter()
        .enumerate()
        {
            directory.extend([key, DOUBLES, 1, at as u16]);
        }
        let crs = GeoKeys::new(&directory, &doubles, "").crs().unwrap();
        let (east, north) = Projector::new(&Crs::from_epsg(4_269).unwrap(), &crs)
            .unwrap()
            .convert_point(-78.75, 42.75)
            .unwrap()
            .unwrap();
        assert!((east - 1_466_493.492).abs() < 1e-3 && (north - 702_903.006).abs() < 1e-3, "{east} {north}");
    }
}
