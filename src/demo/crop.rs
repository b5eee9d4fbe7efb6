//! The standing crop: yields and moistures cell by cell, and what is true of the trial.

use rand_chacha::ChaCha8Rng;

use super::plan::{FieldPlan, Scenario};
use super::random::{normal, stream};
use super::soil::DRAINAGE_CLASSES;
use super::surface::Surface;
use crate::quantity::factor::M2_PER_HA;

/// The number of drainage classes.
pub(super) const CLASSES: usize = DRAINAGE_CLASSES.len();
/// Steps along the field by which the true response of a strip is kept, m.
const ALONG_M: f64 = 5.0;
/// A cell without crop.
const NO_CROP: u16 = u16::MAX;

/// What is true of one treatment on one drainage class.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TrueCell {
    /// Area of its strips on that class, m².
    pub area_m2: f64,
    /// Mean response there, kg/ha.
    pub response_kg_ha: f64,
    /// Mean dry yield there, kg/ha.
    pub yield_kg_ha: f64,
}

/// What is true of the field.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FieldTruth {
    /// By treatment, then drainage class.
    pub cells: Vec<[TrueCell; CLASSES]>,
    /// Mean response of each strip by steps of [`ALONG_M`] along the field, kg/ha; NaN where the strip does not reach.
    pub along_kg_ha: Vec<Vec<f64>>,
    /// Grain that stood on the field at market moisture, kg.
    pub standing_kg: f64,
    /// Area of the crop, m².
    pub area_m2: f64,
}

impl FieldTruth {
    /// The true response of a treatment on one class (index) or, with `None`, over all its strips, kg/ha; `None` where none of its
    /// strips lies on that class.
    pub fn response_kg_ha(&self, treatment: usize, class: Option<usize>) -> Option<f64> {
        let cells = self.cells.get(treatment)?;
        match class {
            Some(class) => (cells[class].area_m2 > 0.0).then_some(cells[class].response_kg_ha),
            None => {
                let area: f64 = cells.iter().map(|cell| cell.area_m2).sum();
                let sum: f64 = cells.iter().map(|cell| cell.area_m2 * cell.response_kg_ha).sum();
                (area > 0.0).then(|| sum / area)
            }
        }
    }

    /// The true response of a strip from one place along the field to another (m), kg/ha; `None` where the strip does not reach.
    pub fn response_along_kg_ha(&self, strip: usize, from_m: f64, to_m: f64) -> Option<f64> {
        let steps = (from_m / ALONG_M).round().max(0.0) as usize..(to_m / ALONG_M).round().max(0.0) as usize;
        let known: Vec<f64> =
            self.along_kg_ha.get(strip)?.get(steps)?.iter().copied().filter(|one| one.is_finite()).collect();
        (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
    }
}

/// Where a cell lies.
#[derive(Debug, Clone, Copy)]
struct Cell {
    u: f64,
    v: f64,
    class: usize,
    strip: Option<usize>,
}

/// The crop in cells as wide as a row.
#[derive(Debug)]
pub(super) struct Crop {
    cell_m: f64,
    columns: usize,
    rows: usize,
    dry_kg_ha: Vec<f32>,
    moisture_pct: Vec<f32>,
    /// Who cut the cell: 0 for standing crop.
    cut_by: Vec<u16>,
    pub(super) truth: FieldTruth,
}

impl Crop {
    pub(super) fn new(scenario: &Scenario) -> Self {
        let field = &scenario.field;
        let cell_m = field.row_m;
        let columns = (field.width_m / cell_m - 1e-6).ceil() as usize;
        let rows = (field.length_m / cell_m - 1e-6).ceil() as usize;
        let mut random = stream(scenario.seed, &format!("{}/crop", scenario.name));
        let plan = &field.surface;
        let surface =
            Surface::new((0.0, 0.0), (field.width_m, field.length_m), plan.range_m, plan.anisotropy, &mut random);
        let strip_effects: Vec<f64> = field.strips.iter().map(|_| field.strip_sd_kg_ha * normal(&mut random)).collect();
        let varies = field.response_varies.map(|varies| {
            let mut random = stream(scenario.seed, &format!("{}/response", scenario.name));
            let surface = Surface::new((0.0, 0.0), (field.width_m, field.length_m), varies.range_m, 1.0, &mut random);
            (varies, surface)
        });
        let strip_of: Vec<Option<usize>> = (0..columns)
            .map(|column| {
                let u = (column as f64 + 0.5) * cell_m;
                field.strips.iter().position(|strip| u >= strip.u.0 && u < strip.u.1)
            })
            .collect();

        let mut crop = Self {
            cell_m,
            columns,
            rows,
            dry_kg_ha: Vec::with_capacity(columns * rows),
            moisture_pct: Vec::with_capacity(columns * rows),
            cut_by: Vec::with_capacity(columns * rows),
            truth: FieldTruth {
                cells: vec![[TrueCell::default(); CLASSES]; field.treatments.len()],
                along_kg_ha: vec![vec![0.0; (field.length_m / ALONG_M).ceil() as usize]; field.strips.len()],
                ..FieldTruth::default()
            },
        };
        let mut counts: Vec<Vec<f64>> = crop.truth.along_kg_ha.iter().map(|strip| vec![0.0; strip.len()]).collect();
        let soils: Vec<_> = (0..columns).map(|column| field.soil.column((column as f64 + 0.5) * cell_m)).collect();
        for row in 0..rows {
            let v = (row as f64 + 0.5) * cell_m;
            for (column, strip) in strip_of.iter().enumerate() {
                let u = (column as f64 + 0.5) * cell_m;
                let strip = strip.filter(|&at| v >= field.strips[at].v.0 && v < field.strips[at].v.1);
                let cell = Cell { u, v, class: soils[column].class_at(v), strip };
                let varied = strip.and(varies.as_ref()).map_or(0.0, |(varies, surface)| {
                    let deviation = surface.at(u, v).0;
                    varies.sd_kg_ha * if varies.in_patches { deviation.signum() } else { deviation }
                });
                let response = crop.grow(field, &surface, (&strip_effects, varied), &cell, &mut random);
                if let Some((strip, response)) = strip.zip(response) {
                    let step = (v / ALONG_M) as usize;
                    crop.truth.along_kg_ha[strip][step] += response;
                    counts[strip][step] += 1.0;
                }
            }
        }
        for (sum, count) in crop.truth.along_kg_ha.iter_mut().flatten().zip(counts.iter().flatten()) {
            *sum /= count;
        }
        for cells in &mut crop.truth.cells {
            for cell in cells.iter_mut().filter(|cell| cell.area_m2 > 0.0) {
                cell.response_kg_ha /= cell.area_m2;
                cell.yield_kg_ha /= cell.area_m2;
            }
        }
        crop
    }

    /// Grows a cell; `varied` is what its ground responds more than its class. Gives the response, kg/ha, where there is crop.
    fn grow(
        &mut self,
        field: &FieldPlan,
        surface: &Surface,
        (strip_effects, varied): (&[f64], f64),
        cell: &Cell,
        random: &mut ChaCha8Rng,
    ) -> Option<f64> {
        let Cell { u, v, class, strip } = *cell;
        let outside = u > field.width_m
            || v > field.length_m
            || (u - (field.width_m - field.cut_corner_m)) + (v - (field.length_m - field.cut_corner_m))
                > field.cut_corner_m;
        if outside {
            self.dry_kg_ha.push(0.0);
            self.moisture_pct.push(field.moisture_pct as f32);
            self.cut_by.push(NO_CROP);
            return None;
        }
        let plan = &field.surface;
        let (shape, wet) = surface.at(u, v);
        let nugget = if plan.nugget_cv > 0.0 { plan.nugget_cv * normal(random) } else { 0.0 };
        let relative = 1.0
            + plan.cv * shape
            + nugget
            + plan.trend_across * (u / field.width_m - 0.5)
            + plan.trend_along * (v / field.length_m - 0.5)
            + plan.class_change[class];
        let left = plan.spots.iter().fold(1.0, |left: f64, spot| {
            let share = (u - spot.u).hypot(v - spot.v) / spot.radius_m;
            if share < 1.0 { left.min(spot.left + (1.0 - spot.left) * share * share) } else { left }
        });
        let mut dry = plan.mean_kg_ha * relative;
        let mut response = 0.0;
        if let Some(strip) = strip {
            dry += strip_effects[strip];
            let treatment = field.strips[strip].treatment;
            let varied = if field.response_kg_ha[treatment].iter().any(|one| *one != 0.0) { varied } else { 0.0 };
            response = (field.response_kg_ha[treatment][class] + varied) * field.dose(u, v);
        }
        let dry = ((dry + response) * left).max(0.0);
        let area = self.cell_m * self.cell_m;
        self.truth.standing_kg += dry * area / M2_PER_HA;
        self.truth.area_m2 += area;
        if let Some(strip) = strip {
            let cell = &mut self.truth.cells[field.strips[strip].treatment][class];
            cell.area_m2 += area;
            cell.response_kg_ha += area * response * left;
            cell.yield_kg_ha += area * dry;
        }
        self.dry_kg_ha.push(dry as f32);
        self.moisture_pct.push((field.moisture_pct + field.moisture_sd_pct * wet).clamp(8.0, 38.0) as f32);
        self.cut_by.push(0);
        Some(response * left)
    }

    /// The dry yield (kg/ha) and moisture (percent) of the cell at a place, if its crop stands or was begun by the same cut;
    /// the cell then belongs to that cut.
    pub(super) fn cut(&mut self, u: f64, v: f64, by: u16) -> Option<(f64, f64)> {
        if u < 0.0 || v < 0.0 {
            return None;
        }
        let (column, row) = ((u / self.cell_m) as usize, (v / self.cell_m) as usize);
        if column >= self.columns || row >= self.rows {
            return None;
        }
        let at = row * self.columns + column;
        let owner = &mut self.cut_by[at];
        if *owner != 0 && *owner != by {
            return None;
        }
        *owner = by;
        Some((f64::from(self.dry_kg_ha[at]), f64::from(self.moisture_pct[at])))
    }

    /// Area of crop that nobody cut, m².
    pub(super) fn left_m2(&self) -> f64 {
        self.cut_by.iter().filter(|&&by| by == 0).count() as f64 * self.cell_m * self.cell_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::plan::{MachinePlan, SurfacePlan};

    #[test]
    fn mean_variation_trend_and_strip_noise_are_as_asked() {
        let mut scenario = Scenario::bare(1, 40, 500.0, MachinePlan::default());
        scenario.field.surface = SurfacePlan { trend_across: 0.2, ..SurfacePlan::plain(9_000.0, 0.10, 8.0) };
        let crop = Crop::new(&scenario);
        let mean = |columns: std::ops::Range<usize>| {
            let mut sum = 0.0;
            for row in 0..crop.rows {
                sum +=
                    columns.clone().map(|column| f64::from(crop.dry_kg_ha[row * crop.columns + column])).sum::<f64>();
            }
            sum / (columns.len() * crop.rows) as f64
        };
        let whole = mean(0..crop.columns);
        assert!((whole / 9_000.0 - 1.0).abs() < 0.02, "{whole}");
        let (west, east) = (mean(0..crop.columns / 10), mean(crop.columns * 9 / 10..crop.columns));
        assert!(((east - west) / 9_000.0 - 0.18).abs() < 0.04, "nine tenths of the trend: {}", (east - west) / 9_000.0);
        let middle = crop.columns / 2;
        let values: Vec<f64> = (0..crop.rows)
            .flat_map(|row| (middle - 15..middle + 15).map(move |column| (row, column)))
            .map(|(row, column)| f64::from(crop.dry_kg_ha[row * crop.columns + column]))
            .collect();
        let centre = values.iter().sum::<f64>() / values.len() as f64;
        let sd = (values.iter().map(|value| (value - centre).powi(2)).sum::<f64>() / values.len() as f64).sqrt();
        assert!((sd / 9_000.0 - 0.10).abs() < 0.015, "{}", sd / 9_000.0);
    }

    #[test]
    fn the_true_response_is_that_of_the_plan_by_class_and_the_area_weighted_mean_over_all() {
        let scenario = Scenario::trial(3, 5, 500.0, [50.0, 300.0, 600.0]);
        let truth = Crop::new(&scenario).truth;
        assert!((truth.response_kg_ha(1, Some(2)).unwrap() - 50.0).abs() < 1e-9);
        assert!((truth.response_kg_ha(1, Some(5)).unwrap() - 600.0).abs() < 1e-9);
        assert_eq!(truth.response_kg_ha(1, Some(6)), None);
        assert_eq!(truth.response_kg_ha(0, None), Some(0.0));
        let area: Vec<f64> = [2, 4, 5].iter().map(|&class| truth.cells[1][class].area_m2).collect();
        let want = (area[0] * 50.0 + area[1] * 300.0 + area[2] * 600.0) / area.iter().sum::<f64>();
        assert!((truth.response_kg_ha(1, None).unwrap() - want).abs() < 1e-9);
        // Difference of means differs from the truth only by chance: strips and surface.
        let difference = truth.cells[1][5].yield_kg_ha - truth.cells[0][5].yield_kg_ha;
        assert!((difference - 600.0).abs() < 500.0, "{difference}");
    }

    #[test]
    fn a_cell_is_cut_once() {
        let mut crop = Crop::new(&Scenario::bare(1, 2, 100.0, MachinePlan::default()));
        assert!(crop.cut(1.0, 1.0, 1).is_some());
        assert!(crop.cut(1.1, 1.0, 1).is_some(), "by the same cut again and again");
        assert!(crop.cut(1.0, 1.0, 2).is_none());
        assert!(crop.cut(-0.1, 1.0, 2).is_none() && crop.cut(1.0, 1e6, 2).is_none());
    }
}
