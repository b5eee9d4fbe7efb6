//! Trials for the tests, written segment by segment.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::config::ArchiveSettings;
use crate::points::{
    Assigned, Cautions, Channels, Cleaned, CleaningFacts, Design, Header, Joined, Labels, MachineFacts, Records,
    Segment, Sourced, Strip,
};

/// Length of a segment and width of a strip, m.
pub(super) const LENGTH_M: f64 = 20.0;
pub(super) const WIDTH_M: f64 = 18.0;

/// One segment of an example.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    pub(super) block: usize,
    /// Place of the strip in its block.
    pub(super) place: usize,
    /// 0 is the check.
    pub(super) treatment: usize,
    pub(super) along: i32,
    pub(super) class: Option<usize>,
    pub(super) machine: usize,
    pub(super) yield_kg_ha: f64,
}

/// Blocks of strips side by side; `of` gives the class and the yield of a piece.
pub(super) fn pieces(
    blocks: usize,
    orders: &[&[usize]],
    length: i32,
    of: impl Fn(&Piece) -> (Option<usize>, f64),
) -> Vec<Piece> {
    let mut all = Vec::new();
    for block in 0..blocks {
        for (place, &treatment) in orders[block % orders.len()].iter().enumerate() {
            for along in 0..length {
                let piece = Piece { block, place, treatment, along, class: None, machine: 0, yield_kg_ha: 0.0 };
                let (class, yield_kg_ha) = of(&piece);
                all.push(Piece { class, yield_kg_ha, ..piece });
            }
        }
    }
    all
}

/// A number between −1 and 1 that looks random, the same for the same place.
pub(super) fn noise(a: usize, b: usize, c: usize) -> f64 {
    let mut state = ((a as u64 + 1) * 0x9E37_79B9_7F4A_7C15)
        ^ ((b as u64 + 7) * 0xC2B2_AE3D_27D4_EB4F)
        ^ ((c as u64 + 3) * 0x1656_67B1_9E37_79F9);
    state ^= state >> 31;
    state = state.wrapping_mul(0xBF58_476D_1CE4_E5B9);
    state ^= state >> 29;
    (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

/// Settings with a check, two treatments and three soil classes.
pub(super) fn archive() -> ArchiveSettings {
    ArchiveSettings::parse(
        "archive.toml",
        r#"name = "example"
[soil]
classes = ["dry", "middle", "wet"]
[crops.corn]
price = "4 USD/bu"
[treatments.check]
label = "check"
check = true
[treatments.low]
label = "low"
cost = "10 USD/ac"
[treatments.high]
label = "high"
cost = "20 USD/ac"
"#,
    )
    .unwrap()
}

/// The pieces as a joined site-year: two records a segment.
pub(super) fn joined(pieces: &[Piece], randomized: bool) -> Joined {
    joined_of(pieces, randomized, WIDTH_M, LENGTH_M)
}

/// The same with strips of another width and segments of another length, m.
pub(super) fn joined_of(pieces: &[Piece], randomized: bool, width_m: f64, length_m: f64) -> Joined {
    let keys = ["check", "low", "high"];
    let machines = pieces.iter().map(|piece| piece.machine).max().unwrap_or(0) + 1;
    let mut strips: Vec<Strip> = Vec::new();
    let widest = pieces.iter().map(|piece| piece.place).max().unwrap_or(0) + 1;
    let mut sorted = pieces.to_vec();
    sorted.sort_by_key(|piece| (piece.block, piece.place, piece.along));
    let mut segments = Vec::new();
    let mut classes = Vec::new();
    for piece in &sorted {
        let name = format!("{:02}-{:02}", piece.block, piece.place);
        if strips.last().is_none_or(|strip| strip.name != name) {
            strips.push(Strip {
                name,
                treatment: keys[piece.treatment].to_owned(),
                block: format!("block {}", piece.block),
                ground: None,
                across_m: -(piece.place as f64) * width_m,
            });
        }
        // strips run north
        let x_m = 500_000.0 + (piece.block * widest + piece.place) as f64 * width_m;
        segments.push(Segment {
            strip: strips.len() as u32 - 1,
            along: piece.along,
            x_m,
            y_m: 4_600_000.0 + (f64::from(piece.along) + 0.5) * length_m,
            along_m: (f64::from(piece.along) + 0.5) * length_m,
            area_m2: length_m * width_m,
            points: 2,
            kept_share: 1.0,
            dry_yield_kg_ha: piece.yield_kg_ha,
            moisture_pct: 16.0,
            speed_m_s: 2.0,
            machine_share: (0..machines).map(|machine| f64::from(u8::from(machine == piece.machine))).collect(),
            elevation_m: f64::NAN,
            usable: true,
        });
        classes.push(piece.class.map_or(Labels::NONE, |class| class as u32));
    }
    let rows = 2 * segments.len();
    let mut strips_by_treatment = BTreeMap::new();
    for strip in &strips {
        *strips_by_treatment.entry(strip.treatment.clone()).or_insert(0) += 1;
    }
    let mut blocks: Vec<String> = strips.iter().map(|strip| strip.block.clone()).collect();
    blocks.dedup();
    let cleaned = cleaned(records(&sorted, &segments), &segments);
    Joined {
        classes: ["dry", "middle", "wet"].map(str::to_owned).to_vec(),
        point_class: classes.iter().flat_map(|&class| [class; 2]).collect(),
        segment_class_share: classes.iter().map(|&class| if class == Labels::NONE { 0.0 } else { 1.0 }).collect(),
        segment_class_probability: vec![1.0; classes.len()],
        class_mixture: (0..3).map(|row| (0..3).map(|class| f64::from(u8::from(row == class))).collect()).collect(),
        soil_lines: None,
        segment_terrain: vec![f64::NAN; segments.len()],
        segment_depression_m: vec![f64::NAN; segments.len()],
        segment_class: classes,
        covariates: Vec::new(),
        wetness_mm: None,
        wetness_class: None,
        assigned: Assigned {
            strip: segments.iter().flat_map(|one| [one.strip; 2]).collect(),
            segment: (0..segments.len() as u32).flat_map(|at| [at; 2]).collect(),
            edge: vec![false; rows],
            straddles: Vec::new(),
            straddling: Vec::new(),
            design: Design { blocks, strips_by_treatment, randomized, blocks_formed: false },
            cautions: Cautions::default(),
            strips,
            segments,
            cleaned,
        },
        cautions: Cautions::default(),
    }
}

/// Two records a segment.
fn records(pieces: &[Piece], segments: &[Segment]) -> Records {
    let machines = pieces.iter().map(|piece| piece.machine).max().unwrap_or(0) + 1;
    let names = (0..machines).map(|machine| format!("combine {machine}")).collect();
    let rows = 2 * segments.len();
    let twice =
        |values: &dyn Fn(&Segment) -> f64| segments.iter().flat_map(|one| [values(one); 2]).collect::<Vec<f64>>();
    Records {
        epsg: 32615,
        files: vec!["example.csv".to_owned()],
        file: vec![0; rows],
        row: (1..=rows as u32).collect(),
        time_s: (0..rows).map(|row| row as f64).collect(),
        x_m: twice(&|one| one.x_m),
        y_m: twice(&|one| one.y_m),
        mass_kg: vec![1.0; rows],
        interval_s: vec![1.0; rows],
        distance_m: vec![2.0; rows],
        speed_m_s: vec![2.0; rows],
        swath_m: vec![9.0; rows],
        moisture_pct: vec![16.0; rows],
        header: vec![Header::Down; rows],
        machine: Labels { codes: pieces.iter().flat_map(|piece| [piece.machine as u32; 2]).collect(), names },
        channels: Channels::ALL,
        ..Records::default()
    }
}

fn cleaned(records: Records, segments: &[Segment]) -> Cleaned {
    let facts = CleaningFacts {
        machines: records
            .machine
            .names
            .iter()
            .map(|name| {
                let one = Sourced::configured(1.0);
                let facts = MachineFacts { lag_s: one, moisture_lag_s: one, machine_factor: one, ticket_gain: one };
                (name.clone(), facts)
            })
            .collect(),
        ..CleaningFacts::default()
    };
    let rows = records.x_m.len();
    Cleaned {
        x_m: records.x_m.clone(),
        y_m: records.y_m.clone(),
        course_rad: vec![0.0; rows],
        pass: segments.iter().flat_map(|one| [one.strip; 2]).collect(),
        mass_flow_kg_s: vec![1.0; rows],
        moisture_pct: vec![16.0; rows],
        speed_m_s: vec![2.0; rows],
        swath_m: vec![9.0; rows],
        area_m2: vec![LENGTH_M * WIDTH_M / 2.0; rows],
        dry_yield_kg_ha: segments.iter().flat_map(|one| [one.dry_yield_kg_ha; 2]).collect(),
        mark: vec![crate::points::Reasons::default(); rows],
        facts,
        lag_curves: Vec::new(),
        cautions: Cautions::default(),
        records: Arc::new(records),
    }
}
