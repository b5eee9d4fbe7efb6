//! Laying out strips in blocks, and plain scenarios for tests and measurements.

use rand::RngExt;

use super::plan::{FaultPlan, FieldPlan, HarvestPlan, MachinePlan, Placement, Scenario, StripPlan, SurfacePlan};
use super::random::stream;
use super::soil::{SoilPlan, WavyLine};

/// Side of a row of maize at 30 inches, m.
pub const ROW_M: f64 = 0.762;

/// Strips side by side, in blocks.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialPlan {
    /// Blocks.
    pub blocks: usize,
    /// Rows of a strip (the planter's width, or a multiple).
    pub strip_rows: u32,
    /// Rows of ordinary ground before the first block.
    pub border_rows: u32,
    /// Rows of headland at both ends and sides, outside the strips.
    pub headland_rows: u32,
    /// Whether the order is drawn in each block; otherwise every block has the order of the treatments.
    pub randomised: bool,
}

impl TrialPlan {
    /// The strips of `treatments` treatments over a field that is `length_m` long, and the field's width, m: each block
    /// holds each treatment once.
    pub fn strips(&self, treatments: usize, length_m: f64, seed: u64, name: &str) -> (Vec<StripPlan>, f64) {
        let mut random = stream(seed, &format!("{name}/layout"));
        let margin = f64::from(self.headland_rows) * ROW_M;
        let wide = f64::from(self.strip_rows) * ROW_M;
        let mut u = margin + f64::from(self.border_rows) * ROW_M;
        let mut strips = Vec::with_capacity(self.blocks * treatments);
        for block in 0..self.blocks {
            let mut order: Vec<usize> = (0..treatments).collect();
            if self.randomised {
                for last in (1..treatments).rev() {
                    order.swap(last, random.random_range(0..=last));
                }
            }
            for treatment in order {
                strips.push(StripPlan {
                    name: format!("{}", strips.len() + 1),
                    block: format!("{}", block + 1),
                    treatment,
                    u: (u, u + wide),
                    v: (margin, length_m - margin),
                });
                u += wide;
            }
        }
        (strips, u + margin + f64::from(self.border_rows) * ROW_M)
    }
}

impl SurfacePlan {
    /// Yields of one mean with correlated variation and nothing else.
    pub fn plain(mean_kg_ha: f64, cv: f64, range_m: f64) -> Self {
        Self {
            mean_kg_ha,
            cv,
            range_m,
            anisotropy: 1.0,
            trend_across: 0.0,
            trend_along: 0.0,
            nugget_cv: 0.0,
            class_change: [0.0; 7],
            spots: Vec::new(),
        }
    }
}

impl Scenario {
    /// A bare rectangle of `passes` passes and `length_m`, without strips, headlands or faults: for the study of the lag.
    pub fn bare(seed: u64, passes: u32, length_m: f64, machine: MachinePlan) -> Self {
        Self {
            name: "bare".to_owned(),
            seed,
            field: FieldPlan {
                width_m: f64::from(passes * machine.header_rows) * ROW_M,
                length_m,
                cut_corner_m: 0.0,
                bend_m: 0.0,
                row_m: ROW_M,
                surface: SurfacePlan::plain(10_000.0, 0.12, 25.0),
                soil: SoilPlan::uniform(2),
                treatments: Vec::new(),
                response_kg_ha: Vec::new(),
                response_varies: None,
                strip_sd_kg_ha: 0.0,
                strips: Vec::new(),
                doses: Vec::new(),
                market_moisture_pct: 15.5,
                moisture_pct: 19.0,
                moisture_sd_pct: 1.0,
            },
            placement: Placement { epsg: 32_615, east_m: 420_000.0, north_m: 4_800_000.0, turn_rad: 0.0 },
            machines: vec![machine],
            harvest: HarvestPlan { headland_rounds: 0, stops_per_1000_s: 0.0, ..HarvestPlan::default() },
            faults: FaultPlan::default(),
        }
    }

    /// A randomised trial of one treatment against a check over three drainage classes (well, somewhat poorly, poorly drained):
    /// for the study of the response. `response_kg_ha` is the true response in those classes; one 12-row combine cuts two
    /// passes a strip.
    pub fn trial(seed: u64, blocks: usize, length_m: f64, response_kg_ha: [f64; 3]) -> Self {
        let machine = MachinePlan::default();
        let name = format!("trial-{blocks}-{length_m}");
        let layout = TrialPlan { blocks, strip_rows: 24, border_rows: 12, headland_rows: 24, randomised: true };
        let (strips, width_m) = layout.strips(2, length_m, seed, &name);
        let mut response = [0.0; 7];
        for (class, value) in [2, 4, 5].into_iter().zip(response_kg_ha) {
            response[class] = value;
        }
        let line = |share: f64, phase: f64| WavyLine {
            base: share * length_m,
            amplitude: 0.04 * length_m,
            wavelength: 260.0,
            phase,
        };
        let mut scenario = Self::bare(seed, 1, length_m, machine);
        scenario.name = name;
        scenario.field.width_m = width_m;
        scenario.field.surface = SurfacePlan {
            nugget_cv: 0.03,
            trend_across: 0.06,
            class_change: [0.0, 0.0, 0.0, 0.0, -0.02, -0.06, -0.1],
            ..SurfacePlan::plain(12_000.0, 0.08, 40.0)
        };
        scenario.field.soil = SoilPlan {
            lines: vec![line(0.36, 0.5), line(0.68, 2.0)],
            classes: vec![2, 4, 5],
            pond: None,
            tiled: vec!["no", "yes", "unknown"],
        };
        scenario.field.treatments = vec!["check".to_owned(), "band".to_owned()];
        scenario.field.response_kg_ha = vec![[0.0; 7], response];
        scenario.field.strip_sd_kg_ha = 150.0;
        scenario.field.strips = strips;
        scenario.harvest = HarvestPlan::default();
        scenario.faults = FaultPlan::USUAL;
        scenario
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_block_holds_every_treatment_once_and_strips_meet() {
        let layout = TrialPlan { blocks: 5, strip_rows: 24, border_rows: 12, headland_rows: 24, randomised: true };
        let (strips, width) = layout.strips(4, 600.0, 7, "x");
        assert_eq!(strips.len(), 20);
        for block in strips.chunks(4) {
            let mut treatments: Vec<usize> = block.iter().map(|strip| strip.treatment).collect();
            treatments.sort_unstable();
            assert_eq!(treatments, [0, 1, 2, 3]);
            assert!(block.iter().all(|strip| strip.block == block[0].block));
        }
        assert!(strips.windows(2).all(|pair| (pair[0].u.1 - pair[1].u.0).abs() < 1e-9));
        assert!((width - (20.0 * 24.0 + 2.0 * 36.0) * ROW_M).abs() < 1e-9);
        let orders: Vec<Vec<usize>> =
            strips.chunks(4).map(|block| block.iter().map(|strip| strip.treatment).collect()).collect();
        assert!(orders.iter().any(|order| *order != orders[0]), "the order is drawn anew");
        let fixed = TrialPlan { randomised: false, ..layout }.strips(4, 600.0, 7, "x").0;
        assert!(fixed.chunks(4).all(|block| block.iter().map(|strip| strip.treatment).eq(0..4)));
    }

    #[test]
    fn the_soil_polygons_and_the_soil_at_a_place_agree() {
        let soil = Scenario::trial(1, 4, 400.0, [0.0; 3]).field.soil;
        let units = soil.polygons((-50.0, -50.0), (350.0, 450.0));
        let index = crate::geometry::PolygonIndex::new(units.iter().map(|unit| unit.0.clone().into()).collect());
        let mut differing = 0;
        for i in 0..80 {
            for j in 0..100 {
                let (u, v) = (f64::from(i) * 4.0 + 0.3, f64::from(j) * 4.0 + 0.7);
                let unit = index.locate(u, v).unwrap();
                differing += i32::from(units[unit as usize].1 != soil.class_at(u, v));
            }
        }
        assert!(differing < 8, "only next to the lines: {differing} of 8000");
    }
}
