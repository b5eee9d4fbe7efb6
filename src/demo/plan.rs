//! What is simulated: the field, the machines and the way they harvest.
//!
//! A field has its own plane, in metres: `u` across the rows, `v` along them, (0, 0) at one corner. [`Placement`] lays it on the
//! ground.

use super::soil::SoilPlan;

/// Yields of a field before strips and treatments.
#[derive(Debug, Clone, PartialEq)]
pub struct SurfacePlan {
    /// Mean dry yield at market moisture, kg/ha.
    pub mean_kg_ha: f64,
    /// Standard deviation of the correlated part by the mean.
    pub cv: f64,
    /// Correlation exp(−h/a): a across the rows, m.
    pub range_m: f64,
    /// How many times longer the correlation reaches along the rows.
    pub anisotropy: f64,
    /// Change from one side (u = 0) to the other, by the mean.
    pub trend_across: f64,
    /// Change from one end (v = 0) to the other, by the mean.
    pub trend_along: f64,
    /// Standard deviation between neighbouring cells of 0.76 m, by the mean.
    pub nugget_cv: f64,
    /// Change by drainage class, by the mean.
    pub class_change: [f64; 7],
    /// Drowned or bare spots.
    pub spots: Vec<Spot>,
}

/// A round spot where little grows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Centre across, m.
    pub u: f64,
    /// Centre along, m.
    pub v: f64,
    /// Radius, m.
    pub radius_m: f64,
    /// Share of the yield that is left at the centre; it rises to 1 at the rim.
    pub left: f64,
}

/// One strip: an interval across, an interval along.
#[derive(Debug, Clone, PartialEq)]
pub struct StripPlan {
    /// Its name.
    pub name: String,
    /// Its block.
    pub block: String,
    /// Index into [`FieldPlan::treatments`].
    pub treatment: usize,
    /// From and to, across, m.
    pub u: (f64, f64),
    /// From and to, along, m.
    pub v: (f64, f64),
}

/// Ground on which a treatment was not put down as it should.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dose {
    /// From and to, across, m.
    pub u: (f64, f64),
    /// From and to, along, m.
    pub v: (f64, f64),
    /// What is left of the response, as a share.
    pub share: f64,
}

/// How the responses of a field vary over the ground besides the drainage class.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ResponseVaries {
    /// Standard deviation, kg/ha.
    pub sd_kg_ha: f64,
    /// Range `a` of the correlation `exp(−h/a)`, m.
    pub range_m: f64,
    /// Whether the response is that much above or below its class with sharp borders, instead of changing smoothly.
    pub in_patches: bool,
}

/// One field in one season.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldPlan {
    /// Extent across the rows, m.
    pub width_m: f64,
    /// Extent along the rows, m.
    pub length_m: f64,
    /// A corner cut off at (width, length): how far along each side, m; 0 for a rectangle. The passes there end on a slant.
    pub cut_corner_m: f64,
    /// Height of the bend of rows that follow the contour, m; 0 for straight rows.
    pub bend_m: f64,
    /// Spacing of the rows, m.
    pub row_m: f64,
    /// Yields.
    pub surface: SurfacePlan,
    /// The soil map.
    pub soil: SoilPlan,
    /// Keys of the treatments.
    pub treatments: Vec<String>,
    /// True response by treatment and drainage class, kg/ha.
    pub response_kg_ha: Vec<[f64; 7]>,
    /// How the responses vary over the ground besides their class.
    pub response_varies: Option<ResponseVaries>,
    /// Standard deviation between strips beyond the surface, kg/ha.
    pub strip_sd_kg_ha: f64,
    /// The strips; none for a field without a trial.
    pub strips: Vec<StripPlan>,
    /// Ground on which the treatments were not put down as they should; the last that holds a place counts.
    pub doses: Vec<Dose>,
    /// Market moisture, percent wet basis.
    pub market_moisture_pct: f64,
    /// Mean moisture at harvest, percent wet basis.
    pub moisture_pct: f64,
    /// Standard deviation of moisture over the field, percentage points.
    pub moisture_sd_pct: f64,
}

impl FieldPlan {
    /// What is left of a treatment's response at a place, as a share.
    pub fn dose(&self, u: f64, v: f64) -> f64 {
        let holds = |dose: &&Dose| u >= dose.u.0 && u < dose.u.1 && v >= dose.v.0 && v < dose.v.1;
        self.doses.iter().rev().find(holds).map_or(1.0, |dose| dose.share)
    }

    /// The boundary, open, counter-clockwise in (u, v).
    pub fn boundary(&self) -> Vec<(f64, f64)> {
        let (w, l, c) = (self.width_m, self.length_m, self.cut_corner_m);
        if c > 0.0 {
            vec![(0.0, 0.0), (w, 0.0), (w, l - c), (w - c, l), (0.0, l)]
        } else {
            vec![(0.0, 0.0), (w, 0.0), (w, l), (0.0, l)]
        }
    }

    /// How far rows that follow the contour lie aside at v, m.
    pub fn bend(&self, v: f64) -> f64 {
        if self.bend_m > 0.0 { self.bend_m * (std::f64::consts::TAU * v / self.length_m).sin() } else { 0.0 }
    }
}

/// Where and how a field lies on the ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placement {
    /// EPSG code of the UTM zone.
    pub epsg: u32,
    /// Easting of (0, 0), m.
    pub east_m: f64,
    /// Northing of (0, 0), m.
    pub north_m: f64,
    /// Turn of the rows, radians clockwise from grid north.
    pub turn_rad: f64,
}

impl Placement {
    /// Plane coordinates of a place in the field.
    pub fn to_ground(&self, field: &FieldPlan, u: f64, v: f64) -> (f64, f64) {
        let (sin, cos) = self.turn_rad.sin_cos();
        let across = u + field.bend(v);
        (self.east_m + across * cos + v * sin, self.north_m - across * sin + v * cos)
    }
}

/// What the monitor writes while the header is raised.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RaisedLog {
    /// Everything.
    Always,
    /// So many seconds after raising.
    Seconds(f64),
    /// Nothing: the grain in transit is never seen.
    Never,
}

/// One combine and its monitor.
#[derive(Debug, Clone, PartialEq)]
pub struct MachinePlan {
    /// Its name.
    pub name: String,
    /// Rows of the header.
    pub header_rows: u32,
    /// Transport delay from header to flow sensor, s.
    pub delay_s: f64,
    /// Mean time of mixing on the way, s.
    pub mixing_s: f64,
    /// Vessels in a row that mix the grain, alike: one gives an exponential distribution of times, more a gamma distribution.
    pub mixing_stages: u32,
    /// Delay from header to moisture sensor, s.
    pub moisture_delay_s: f64,
    /// Time constant of smoothing at the moisture sensor, s.
    pub moisture_mixing_s: f64,
    /// Mean speed, m/s.
    pub speed_m_s: f64,
    /// Standard deviation of speed by its mean.
    pub speed_cv: f64,
    /// Error of single positions, m (standard deviation in each axis).
    pub position_sd_m: f64,
    /// Slow drift of positions, m (standard deviation in each axis, correlation time 5 min).
    pub drift_sd_m: f64,
    /// Steering error, m (standard deviation, correlation time 8 s).
    pub steering_sd_m: f64,
    /// Noise of the flow sensor at one record of 1 s, by the flow.
    pub flow_noise: f64,
    /// Measured by true flow: the calibration error.
    pub gain: f64,
    /// Noise of the moisture sensor, percentage points.
    pub moisture_noise_pct: f64,
    /// Mean seconds by which the header switch is late (negative: early) at entering the crop.
    pub lower_late_s: f64,
    /// Mean seconds by which the header switch is late at leaving the crop.
    pub raise_late_s: f64,
    /// Share of the turns in which the switch stays down.
    pub stays_down_share: f64,
    /// Seconds between records.
    pub interval_s: f64,
    /// What is written while the header is raised.
    pub raised_log: RaisedLog,
    /// Whether the logged swath follows the rows that are cut (in quarters of the header); otherwise it stays full.
    pub sections: bool,
    /// Seconds that the clock is ahead.
    pub clock_ahead_s: f64,
}

impl Default for MachinePlan {
    fn default() -> Self {
        Self {
            name: "A".to_owned(),
            header_rows: 12,
            delay_s: 10.0,
            mixing_s: 3.0,
            mixing_stages: 1,
            moisture_delay_s: 14.0,
            moisture_mixing_s: 5.0,
            speed_m_s: 2.0,
            speed_cv: 0.07,
            position_sd_m: 0.03,
            drift_sd_m: 0.03,
            steering_sd_m: 0.08,
            flow_noise: 0.05,
            gain: 1.0,
            moisture_noise_pct: 0.15,
            lower_late_s: -1.0,
            raise_late_s: 1.5,
            stays_down_share: 0.05,
            interval_s: 1.0,
            raised_log: RaisedLog::Always,
            sections: true,
            clock_ahead_s: 0.0,
        }
    }
}

impl MachinePlan {
    /// The lag of the flow that is seen in the field: delay plus mixing, s.
    pub fn lag_s(&self) -> f64 {
        self.delay_s + self.mixing_s
    }

    /// The lag of the moisture, s.
    pub fn moisture_lag_s(&self) -> f64 {
        self.moisture_delay_s + self.moisture_mixing_s
    }
}

/// In which order the ground is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pattern {
    /// Up one pass, down the next.
    Serpentine,
    /// All passes in one direction, driving back empty.
    SameDirection,
    /// Round the field from outside to the middle.
    RoundAndRound,
}

/// Which machine cuts which pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sharing {
    /// The first machine cuts everything.
    One,
    /// The machines take turns, two passes each.
    Alternate,
    /// Each machine takes its part of the field, side by side.
    Sides,
    /// The first machine cuts all checks and the ground outside strips, the second all treated strips.
    ByTreatment,
}

/// The harvest of one field.
#[derive(Debug, Clone, PartialEq)]
pub struct HarvestPlan {
    /// Order of the passes.
    pub pattern: Pattern,
    /// Rounds along the boundary before the passes.
    pub headland_rounds: u32,
    /// Who cuts what.
    pub sharing: Sharing,
    /// Where the first interior pass begins, m aside of the headland: not 0 where passes do not meet the strips.
    pub offset_m: f64,
    /// Stops in 1,000 s of cutting.
    pub stops_per_1000_s: f64,
    /// Start, seconds since 1970-01-01T00:00:00Z.
    pub start_s: f64,
    /// Wet grain in a load, kg.
    pub load_kg: f64,
}

impl Default for HarvestPlan {
    fn default() -> Self {
        Self {
            pattern: Pattern::Serpentine,
            headland_rounds: 2,
            sharing: Sharing::One,
            offset_m: 0.0,
            stops_per_1000_s: 0.3,
            start_s: 1_696_946_400.0,
            load_kg: 9_000.0,
        }
    }
}

/// How often records are spoilt.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct FaultPlan {
    /// Share of records whose flow is several times too high, or none.
    pub flow_spikes: f64,
    /// Share of records that lie 30 to 500 m off.
    pub position_jumps: f64,
    /// Share of records without a position (0/0 in degrees).
    pub no_position: f64,
    /// Share of records written twice.
    pub duplicates: f64,
    /// Share of records with an impossible speed.
    pub wrong_speeds: f64,
    /// Stretches of 60 to 240 s in which the moisture does not change.
    pub stuck_moisture: u32,
}

impl FaultPlan {
    /// About what a season's files hold.
    pub const USUAL: Self = Self {
        flow_spikes: 0.004,
        position_jumps: 0.002,
        no_position: 0.000_5,
        duplicates: 0.002,
        wrong_speeds: 0.001,
        stuck_moisture: 1,
    };
}

/// All that one simulation needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Names the random streams, with the seed.
    pub name: String,
    /// The seed.
    pub seed: u64,
    /// The field.
    pub field: FieldPlan,
    /// Where it lies.
    pub placement: Placement,
    /// The machines.
    pub machines: Vec<MachinePlan>,
    /// The harvest.
    pub harvest: HarvestPlan,
    /// What is spoilt.
    pub faults: FaultPlan,
}
