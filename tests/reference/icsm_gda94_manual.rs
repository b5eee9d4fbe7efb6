//! Intergovernmental Committee on Surveying and Mapping, Geocentric Datum of Australia Technical Manual, worked examples:
//! Flinders Peak and Buninyong in zone 55 on GRS 80, printed to the millimetre. Further published projection examples
//! (IOGP 373-7-2, Snyder 1987) stand beside the code of the projector.

use bandlift::geometry::{Crs, Projector};

use crate::support::{Tol, close};

#[test]
fn flinders_peak_and_buninyong_lie_where_the_manual_puts_them() {
    let geographic = Crs::parse("+proj=longlat +ellps=GRS80").unwrap();
    let grid = Crs::parse("+proj=utm +zone=55 +south +ellps=GRS80").unwrap();
    let projector = Projector::new(&geographic, &grid).unwrap();
    for (longitude, latitude, easting, northing) in [
        (144.424_867_888_888_88, -37.951_033_416_666_67, 273_741.297, 5_796_489.777),
        (143.926_495_527_777_77, -37.652_821_138_888_89, 228_854.052, 5_828_259.038),
    ] {
        let (east, north) = projector.convert_point(longitude, latitude).unwrap().unwrap();
        close("easting", east, easting, Tol::abs(0.001));
        close("northing", north, northing, Tol::abs(0.001));
    }
}
