//! The UTM zone of a place.
//!
//! Zones are 6° wide, numbered from 180° W; zone 32 is widened over south-west Norway and zones 31, 33, 35 and 37 over
//! Svalbard (`NGA.STND.0037_2.0.0_GRIDS`, 2014, section 3). UTM ends at 80° S and 84° N.

use super::{Crs, Projector};

/// The UTM zone (1 to 60) of a place, `None` outside UTM's limits or where a coordinate is missing.
pub fn utm_zone(longitude_deg: f64, latitude_deg: f64) -> Option<u32> {
    if !(longitude_deg.abs() <= 360.0 && (-80.0..=84.0).contains(&latitude_deg)) {
        return None;
    }
    let longitude = (longitude_deg + 180.0).rem_euclid(360.0) - 180.0;
    if (56.0..64.0).contains(&latitude_deg) && (3.0..12.0).contains(&longitude) {
        return Some(32);
    }
    if latitude_deg >= 72.0 && (0.0..42.0).contains(&longitude) {
        return Some(match longitude {
            x if x < 9.0 => 31,
            x if x < 21.0 => 33,
            x if x < 33.0 => 35,
            _ => 37,
        });
    }
    Some((((longitude + 180.0) / 6.0).floor() as u32).min(59) + 1)
}

/// The EPSG code of the WGS 84 UTM zone of a place: 326zz in the north, 327zz in the south.
pub fn utm_epsg(longitude_deg: f64, latitude_deg: f64) -> Option<u32> {
    let zone = utm_zone(longitude_deg, latitude_deg)?;
    Some(if latitude_deg >= 0.0 { 32_600 + zone } else { 32_700 + zone })
}

/// The EPSG code of the UTM zone that holds the median of many places; impossible places and 0/0 do not count.
///
/// The median, not the mean, so that a few wild positions do not move a field into another zone. Where the places lie
/// on both sides of the antimeridian, western longitudes count as beyond 180°.
pub fn utm_epsg_of(longitudes_deg: &[f64], latitudes_deg: &[f64]) -> Option<u32> {
    let usable = |&(&lon, &lat): &(&f64, &f64)| {
        lon.abs() <= 360.0 && lat.abs() <= 90.0 && (lon.abs() > 1e-9 || lat.abs() > 1e-9)
    };
    let (mut lon, mut lat): (Vec<f64>, Vec<f64>) = longitudes_deg.iter().zip(latitudes_deg).filter(usable).unzip();
    if lon.is_empty() {
        return None;
    }
    for value in &mut lon {
        *value = (*value + 180.0).rem_euclid(360.0) - 180.0;
    }
    let near_antimeridian = lon.iter().filter(|value| value.abs() > 170.0).count();
    if 2 * near_antimeridian > lon.len() {
        for value in &mut lon {
            *value = value.rem_euclid(360.0);
        }
    }
    utm_epsg(median(&mut lon), median(&mut lat))
}

/// The lower median: one of the values, so that it is reached without rounding.
fn median(values: &mut [f64]) -> f64 {
    let middle = (values.len() - 1) / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// The direction of true north at a place (degrees) in a UTM zone, radians counter-clockwise from grid east.
///
/// # Errors
/// In words, when the zone is none or the place lies off its map.
pub fn true_north((longitude_deg, latitude_deg): (f64, f64), epsg: u32) -> Result<f64, String> {
    const STEP_DEG: f64 = 0.001;
    let utm = Crs::from_epsg(epsg).map_err(|error| error.to_string())?;
    let projector = Projector::new(&Crs::wgs84(), &utm).map_err(|error| error.to_string())?;
    let at = |latitude_deg: f64| {
        let found = projector.convert_point(longitude_deg, latitude_deg).map_err(|error| error.to_string())?;
        found.ok_or_else(|| "it lies off the map".to_owned())
    };
    let (from, to) = (at(latitude_deg)?, at(latitude_deg + STEP_DEG)?);
    Ok((to.1 - from.1).atan2(to.0 - from.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Zone edges and exceptions: NGA.STND.0037 (2014); the codes as PROJ 9.5.1 has them.
    #[test]
    fn zones_follow_the_published_grid_with_its_exceptions() {
        for (lon, lat, want) in [
            (-93.62, 42.03, 32_615),
            (-90.0, 41.5, 32_616),
            (-90.000_000_1, 41.5, 32_615),
            (-96.0, 42.0, 32_615),
            (-84.0, 41.0, 32_617),
            (-63.848_863_65, -33.051_134_99, 32_720),
            (3.0, 0.0, 32_631),
            (3.0, -1e-9, 32_731),
            (5.32, 60.39, 32_632),
            (2.9, 60.39, 32_631),
            (15.6, 78.2, 32_633),
            (8.9, 78.2, 32_631),
            (179.999, -17.8, 32_760),
            (180.0, -17.8, 32_701),
            (266.38, 42.03, 32_615),
        ] {
            assert_eq!(utm_epsg(lon, lat), Some(want), "{lon} {lat}");
        }
        assert_eq!(utm_epsg(0.0, 85.0), None);
        assert_eq!(utm_epsg(f64::NAN, 42.0), None);
        assert_eq!(utm_epsg(400.0, 42.0), None);
    }

    #[test]
    fn a_few_wild_positions_do_not_move_a_field_to_another_zone() {
        let lon = [-93.62, -93.61, -93.6, 0.0, 12.0, f64::NAN];
        let lat = [42.0, 42.0, 42.0, 0.0, 50.0, 42.0];
        assert_eq!(utm_epsg_of(&lon, &lat), Some(32_615));
        assert_eq!(utm_epsg_of(&[0.0], &[0.0]), None);
        assert_eq!(utm_epsg_of(&[179.99, 179.98, -179.99, -179.98, -179.97], &[-17.0; 5]), Some(32_701));
    }

    /// Snyder 1987, USGS Professional Paper 1395, chapter 8: on the sphere, the convergence of a transverse Mercator grid is
    /// atan(tan(λ − λ₀) sin φ) (from memory); inside a zone the ellipsoid differs by little.
    #[test]
    fn true_north_differs_from_the_grid_by_the_convergence() {
        for (longitude, latitude) in [(-93.0_f64, 42.0_f64), (-91.0, 42.5), (-95.5, 30.0)] {
            let expected = ((longitude + 93.0).to_radians().tan() * latitude.to_radians().sin()).atan().to_degrees();
            // east of the central meridian true north lies to the left of the grid's
            let found = true_north((longitude, latitude), 32_615).unwrap().to_degrees() - 90.0;
            assert!((found - expected).abs() < 2e-3, "{longitude} {latitude}: {found} {expected}");
        }
    }
}
