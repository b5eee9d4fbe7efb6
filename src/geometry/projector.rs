//! Converting coordinates from one reference system to another, in bulk.

use std::cell::RefCell;
use std::rc::Rc;

use proj::Proj;

use super::crs::{Crs, CrsError};

/// Conversions kept by each thread; beyond that the oldest is dropped.
const KEPT_CONVERSIONS: usize = 32;
/// Points handed to the projection library at once.
const CHUNK: usize = 4_096;
/// Plane coordinates beyond this lie off any map, m.
const FARTHEST: f64 = 1e9;

type Kept = (String, String, Rc<Proj>);

thread_local! {
    /// A conversion costs milliseconds to make and belongs to one thread.
    static CONVERSIONS: RefCell<Vec<Kept>> = const { RefCell::new(Vec::new()) };
}

/// Converts coordinates between two reference systems; x is longitude or easting and comes first on both sides.
///
/// May be shared between threads: each thread makes its own conversion once.
#[derive(Debug, Clone)]
pub struct Projector {
    from: Crs,
    to: Crs,
}

impl Projector {
    /// Prepares the conversion.
    ///
    /// # Errors
    /// [`CrsError::NoConversion`].
    pub fn new(from: &Crs, to: &Crs) -> Result<Self, CrsError> {
        let projector = Self { from: from.clone(), to: to.clone() };
        if !projector.is_identity() {
            projector.conversion()?;
        }
        Ok(projector)
    }

    fn is_identity(&self) -> bool {
        self.from == self.to
    }

    fn conversion(&self) -> Result<Rc<Proj>, CrsError> {
        let (from, to) = (self.from.definition(), self.to.definition());
        CONVERSIONS.with_borrow_mut(|kept| {
            if let Some((_, _, found)) = kept.iter().find(|(a, b, _)| a == from && b == to) {
                return Ok(Rc::clone(found));
            }
            let made = Proj::new_known_crs(from, to, None).map_err(|fault| CrsError::NoConversion {
                from: self.from.to_string(),
                to: self.to.to_string(),
                reason: fault.to_string(),
            })?;
            let made = Rc::new(made);
            if kept.len() == KEPT_CONVERSIONS {
                kept.remove(0);
            }
            kept.push((from.to_owned(), to.to_owned(), Rc::clone(&made)));
            Ok(made)
        })
    }

    /// Whether a point may be handed to the library: finite and on the map.
    fn is_possible(&self, x: f64, y: f64) -> bool {
        if self.from.is_geographic() {
            x.abs() <= 360.0 && y.abs() <= 90.0
        } else {
            x.abs() <= FARTHEST && y.abs() <= FARTHEST
        }
    }

    /// Converts coordinates in place. Points that are not finite, lie off the map or fail become NaN in both.
    ///
    /// # Errors
    /// [`CrsError::NoConversion`] when a thread cannot make the conversion.
    ///
    /// # Panics
    /// When the slices differ in length.
    pub fn convert(&self, x: &mut [f64], y: &mut [f64]) -> Result<(), CrsError> {
        assert_eq!(x.len(), y.len(), "as many x as y");
        let conversion = if self.is_identity() { None } else { Some(self.conversion()?) };
        let mut points: Vec<(f64, f64)> = Vec::with_capacity(CHUNK.min(x.len()));
        for (x, y) in x.chunks_mut(CHUNK).zip(y.chunks_mut(CHUNK)) {
            points.clear();
            points.extend(x.iter().zip(y.iter()).filter(|&(&x, &y)| self.is_possible(x, y)).map(|(&x, &y)| (x, y)));
            if let Some(conversion) = &conversion {
                convert_points(conversion, &mut points);
            }
            let mut converted = points.iter();
            for (x, y) in x.iter_mut().zip(y.iter_mut()) {
                let done = if self.is_possible(*x, *y) { converted.next().copied() } else { None };
                (*x, *y) = done.filter(|(x, y)| x.is_finite() && y.is_finite()).unwrap_or((f64::NAN, f64::NAN));
            }
        }
        Ok(())
    }

    /// Converts one point; `None` where it lies off the map.
    ///
    /// # Errors
    /// As [`Self::convert`].
    pub fn convert_point(&self, x: f64, y: f64) -> Result<Option<(f64, f64)>, CrsError> {
        let (mut x, mut y) = ([x], [y]);
        self.convert(&mut x, &mut y)?;
        Ok((x[0].is_finite() && y[0].is_finite()).then_some((x[0], y[0])))
    }

    /// Converts every vertex of a multi-polygon; `None` when a vertex lies off the map.
    ///
    /// # Errors
    /// As [`Self::convert`].
    pub fn convert_polygons(
        &self,
        polygons: &geo::MultiPolygon<f64>,
    ) -> Result<Option<geo::MultiPolygon<f64>>, CrsError> {
        use geo::{CoordsIter, MapCoords};
        let (mut x, mut y): (Vec<f64>, Vec<f64>) = polygons.coords_iter().map(|at| (at.x, at.y)).unzip();
        self.convert(&mut x, &mut y)?;
        if x.iter().any(|x| x.is_nan()) {
            return Ok(None);
        }
        // `map_coords` visits the vertices in the same order, closing vertices included.
        let vertex = std::cell::Cell::new(0);
        Ok(Some(polygons.map_coords(|_| {
            let at = vertex.replace(vertex.get() + 1);
            geo::Coord { x: x[at], y: y[at] }
        })))
    }
}

/// The library refuses a whole array for one bad point: then each point is tried by itself.
fn convert_points(conversion: &Proj, points: &mut [(f64, f64)]) {
    let whole: Result<&mut [(f64, f64)], _> = conversion.convert_array(points);
    if whole.is_err() {
        for point in points.iter_mut() {
            *point = conversion.convert(*point).unwrap_or((f64::NAN, f64::NAN));
        }
    }
}

/// Whether longitudes and latitudes were probably mistaken for each other: most latitudes are impossible while the
/// swapped ones are possible, or, where the extent of other layers is known (`[west, south, east, north]`, degrees),
/// most places lie outside it (by more than 2°) as they are and inside it when swapped.
pub fn looks_swapped(longitudes_deg: &[f64], latitudes_deg: &[f64], others: Option<[f64; 4]>) -> bool {
    const MARGIN_DEG: f64 = 2.0;
    let inside = |lon: f64, lat: f64| {
        others.is_some_and(|[west, south, east, north]| {
            lon >= west - MARGIN_DEG
                && lon <= east + MARGIN_DEG
                && lat >= south - MARGIN_DEG
                && lat <= north + MARGIN_DEG
        })
    };
    let (mut known, mut swapped) = (0_usize, 0_usize);
    for (&lon, &lat) in longitudes_deg.iter().zip(latitudes_deg) {
        if lon.is_finite() && lat.is_finite() {
            known += 1;
            let impossible = lat.abs() > 90.0 && lat.abs() <= 180.0 && lon.abs() <= 90.0;
            swapped += usize::from(impossible || (inside(lat, lon) && !inside(lon, lat)));
        }
    }
    2 * swapped > known
}

#[cfg(test)]
mod tests {
    use super::*;

    fn projected(from: &str, to: &str, x: f64, y: f64) -> (f64, f64) {
        let projector = Projector::new(&Crs::parse(from).unwrap(), &Crs::parse(to).unwrap()).unwrap();
        projector.convert_point(x, y).unwrap().unwrap()
    }

    fn close(got: (f64, f64), want: (f64, f64), tolerance: f64) {
        assert!((got.0 - want.0).abs() <= tolerance && (got.1 - want.1).abs() <= tolerance, "{got:?} {want:?}");
    }

    /// IOGP Publication 373-7-2 (Geomatics Guidance Note 7, part 2), worked examples: Transverse Mercator (9807),
    /// Lambert Conic Conformal 2SP (9802), Albers Equal Area (9822), Pseudo-Mercator (1024); Snyder 1987, USGS
    /// Professional Paper 1395, p. 269 (UTM zone 18, Clarke 1866). Tolerances: the printed digits.
    #[test]
    fn published_examples_are_reproduced() {
        let cases = [
            (
                "+proj=tmerc +lat_0=49 +lon_0=-2 +k_0=0.9996012717 +x_0=400000 +y_0=-100000 +a=6377563.396 +rf=299.32496",
                0.5,
                50.5,
                577_274.99,
                69_740.50,
                0.01,
            ),
            (
                "+proj=aea +lat_0=45.568977 +lon_0=-84.455955 +lat_1=42.122774 +lat_2=49.01518 +x_0=1000000 +y_0=1000000 +ellps=GRS80",
                -78.75,
                42.75,
                1_466_493.492,
                702_903.006,
                0.001,
            ),
            (
                "+proj=lcc +lat_1=28.383333333333333 +lat_2=30.283333333333333 +lat_0=27.833333333333333 +lon_0=-99 +x_0=609601.2192024384 +y_0=0 +a=6378206.4 +b=6356583.8",
                -96.0,
                28.5,
                2_963_503.91 * 1200.0 / 3937.0,
                254_759.80 * 1200.0 / 3937.0,
                0.01,
            ),
            (
                "+proj=tmerc +lat_0=0 +lon_0=-75 +k_0=0.9996 +a=6378206.4 +es=0.00676866",
                -73.5,
                40.5,
                127_106.5,
                4_484_124.4,
                0.05,
            ),
        ];
        for (definition, lon, lat, east, north, tolerance) in cases {
            // Longitudes and latitudes on the projection's own ellipsoid: no datum shift takes part.
            let ellipsoid: Vec<&str> = definition
                .split(' ')
                .filter(|part| ["+a=", "+b=", "+rf=", "+es=", "+ellps="].iter().any(|key| part.starts_with(key)))
                .collect();
            close(
                projected(&format!("+proj=longlat {}", ellipsoid.join(" ")), definition, lon, lat),
                (east, north),
                tolerance,
            );
        }
        close(
            projected("EPSG:4326", "EPSG:3857", -100.333_333_333_333_33, 24.381_786_944_444_446),
            (-11_169_055.58, 2_800_000.00),
            0.01,
        );
    }

    /// pyproj 3.7.2 with PROJ 9.5.1.
    #[test]
    fn utm_agrees_with_an_independent_caller_of_proj() {
        for (lon, lat, epsg, east, north) in [
            (-93.62, 42.03, 32_615, 448_677.093_953_936_9, 4_653_293.017_674_079),
            (-90.0, 41.5, 32_616, 249_597.546_307_241_52, 4_598_610.163_480_293),
            (-63.848_863_65, -33.051_134_99, 32_720, 420_747.284_390_532_5, 6_342_724.001_108_821_5),
            (5.32, 60.39, 32_632, 297_230.220_209_625_9, 6_700_510.175_253_601),
            (15.6, 78.2, 32_633, 513_696.945_417_043_46, 8_680_760.053_195_585),
        ] {
            let got = projected("EPSG:4326", &format!("EPSG:{epsg}"), lon, lat);
            close(got, (east, north), 1e-6);
            close(projected(&format!("EPSG:{epsg}"), "EPSG:4326", got.0, got.1), (lon, lat), 1e-11);
        }
    }

    #[test]
    fn bad_points_become_nan_and_spare_their_neighbours() {
        let projector = Projector::new(&Crs::wgs84(), &Crs::from_epsg(32_615).unwrap()).unwrap();
        let mut x = vec![-93.62; 10_000];
        let mut y = vec![42.03; 10_000];
        x[1] = f64::NAN;
        y[5_000] = f64::INFINITY;
        y[7_000] = 91.0;
        projector.convert(&mut x, &mut y).unwrap();
        for at in 0..x.len() {
            let bad = [1, 5_000, 7_000].contains(&at);
            assert_eq!((x[at].is_nan(), y[at].is_nan()), (bad, bad), "{at}");
            if !bad {
                assert!((x[at] - 448_677.093_953_936_9).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn threads_share_a_projector() {
        let projector = Projector::new(&Crs::wgs84(), &Crs::from_epsg(32_615).unwrap()).unwrap();
        let all: Vec<_> = std::thread::scope(|scope| {
            let handles: Vec<_> = (0..4).map(|_| scope.spawn(|| projector.convert_point(-93.62, 42.03))).collect();
            handles.into_iter().map(|handle| handle.join().unwrap().unwrap()).collect()
        });
        assert!(all.windows(2).all(|pair| pair[0] == pair[1]));
    }

    #[test]
    fn swapped_coordinates_are_suspected() {
        assert!(looks_swapped(&[42.0, 42.1, 42.2], &[-93.6, -93.5, -93.4], None));
        assert!(!looks_swapped(&[-93.6, -93.5], &[42.0, 42.1], None));
        assert!(!looks_swapped(&[48.0, 48.1], &[11.0, 11.1], None), "cannot be known without other layers");
        assert!(looks_swapped(&[48.0, 48.1], &[11.0, 11.1], Some([11.0, 48.0, 11.2, 48.2])));
        assert!(!looks_swapped(&[11.0, 11.1], &[48.0, 48.1], Some([11.0, 48.0, 11.2, 48.2])));
        assert!(!looks_swapped(&[], &[], None));
    }
}
