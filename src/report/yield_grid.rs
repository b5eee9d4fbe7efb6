//! The yield map: mass by area in cells, from the footprints of the kept records.

use ndarray::Array2;

use super::ReportError;
use super::html::yield_colour;
use crate::points::Cleaned;
use crate::raster::{Affine, GeoTiff, encode_described};

/// Cell, m.
const CELL_M: f64 = 5.0;
/// Most cells along one side; larger fields get larger cells.
const MOST_CELLS: f64 = 2000.0;
/// Places across the swath at which a footprint is entered.
const ACROSS: usize = 9;

/// Dry yield in cells, north row first.
#[derive(Debug, Clone)]
pub(super) struct YieldGrid {
    /// kg/ha; NaN where nothing was kept.
    pub(super) yields: Array2<f32>,
    /// West and north rim, UTM m.
    pub(super) west_m: f64,
    pub(super) north_m: f64,
    pub(super) cell_m: f64,
}

impl YieldGrid {
    /// The grid of the kept records; `None` when nothing was kept.
    pub(super) fn of(cleaned: &Cleaned) -> Option<Self> {
        let kept: Vec<usize> =
            (0..cleaned.len()).filter(|&at| cleaned.is_kept(at) && cleaned.area_m2[at] > 0.0).collect();
        let extent = |values: &[f64]| {
            kept.iter()
                .map(|&at| values[at])
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
        };
        let ((west, east), (south, north)) = (extent(&cleaned.x_m), extent(&cleaned.y_m));
        if kept.is_empty() || !(west.is_finite() && south.is_finite()) {
            return None;
        }
        let mut cell_m = CELL_M;
        while (east - west).max(north - south) / cell_m > MOST_CELLS {
            cell_m *= 2.0;
        }
        let rim = 10.0;
        let west_m = ((west - rim) / cell_m).floor() * cell_m;
        let north_m = ((north + rim) / cell_m).ceil() * cell_m;
        let columns = ((east + rim - west_m) / cell_m).ceil() as usize;
        let rows = ((north_m - south + rim) / cell_m).ceil() as usize;
        let mut mass = Array2::<f64>::zeros((rows, columns));
        let mut area = Array2::<f64>::zeros((rows, columns));
        for &at in &kept {
            // Across the course (clockwise from north) lies (cos, −sin).
            let (across_x, across_y) = if cleaned.course_rad[at].is_finite() {
                (cleaned.course_rad[at].cos(), -cleaned.course_rad[at].sin())
            } else {
                (0.0, 0.0)
            };
            let part = cleaned.area_m2[at] / ACROSS as f64;
            for place in 0..ACROSS {
                let aside = ((place as f64 + 0.5) / ACROSS as f64 - 0.5) * cleaned.swath_m[at];
                let (x, y) = (cleaned.x_m[at] + aside * across_x, cleaned.y_m[at] + aside * across_y);
                let (column, row) = (((x - west_m) / cell_m) as usize, ((north_m - y) / cell_m) as usize);
                if row < rows && column < columns {
                    area[(row, column)] += part;
                    mass[(row, column)] += part * cleaned.dry_yield_kg_ha[at];
                }
            }
        }
        // A cell of which only a sliver was entered tells little.
        let least = 0.1 * cell_m * cell_m;
        let yields = Array2::from_shape_fn((rows, columns), |cell| {
            if area[cell] >= least { (mass[cell] / area[cell]) as f32 } else { f32::NAN }
        });
        Some(Self { yields, west_m, north_m, cell_m })
    }

    /// `yield.sld`: the colours in which `yield.tif` is to be shown, as on the page (Styled Layer Descriptor 1.0.0, OGC 02-070, with its
    /// `RasterSymbolizer`); `None` where the grid has one value. A file of single-precision numbers can hold no colour table (TIFF 6.0,
    /// section 5: palettes are of 4 or 8 bits).
    pub(super) fn style(&self) -> Option<String> {
        const STEPS: usize = 9;
        let mut known: Vec<f64> =
            self.yields.iter().copied().filter(|value| value.is_finite()).map(f64::from).collect();
        // the outermost hundredths would leave one colour for the others
        let low = crate::stats::robust::quantile_in_place(&mut known, 0.02).ok()?;
        let high = crate::stats::robust::quantile_in_place(&mut known, 0.98).ok()?;
        if !(high > low) {
            return None;
        }
        let entry = |step: usize| {
            let share = step as f64 / (STEPS - 1) as f64;
            let (value, colour) = (low + share * (high - low), yield_colour(share));
            format!("<ColorMapEntry color=\"{colour}\" quantity=\"{value:.1}\" label=\"{value:.0} kg/ha\"/>")
        };
        let entries: String = (0..STEPS).map(entry).collect();
        Some(format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<StyledLayerDescriptor version=\"1.0.0\" xmlns=\"http://www.opengis.net/sld\"><NamedLayer><Name>yield</Name><UserStyle><Name>dry yield at market moisture, kg/ha</Name><FeatureTypeStyle><Rule><RasterSymbolizer><ColorMap>{entries}</ColorMap></RasterSymbolizer></Rule></FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>\n"
        ))
    }

    /// `yield.tif`.
    pub(super) fn geotiff(&self, epsg: u32) -> Result<Vec<u8>, ReportError> {
        let transform = Affine::north_up(self.west_m, self.north_m, self.cell_m, self.cell_m);
        let description = ("dry yield at market moisture", "kg/ha");
        let raster = GeoTiff { data: self.yields.view(), transform, epsg, is_geographic: false };
        encode_described(&raster, Some(description)).map_err(|error| ReportError::new("yield.tif", error))
    }
}
