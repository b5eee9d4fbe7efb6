//! What ingest delivers: the raw records of one site-year, in SI units and UTM metres.

use super::Labels;
use crate::stats::robust;

/// Whether the header was cutting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Header {
    /// Cutting.
    Down,
    /// Raised.
    Up,
    /// Not recorded.
    Unknown,
}

/// Which channels were recorded and which were derived; the stages and the cautions depend on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(clippy::struct_excessive_bools, reason = "one flag for each channel of the monitor")]
pub struct Channels {
    /// Times were recorded (otherwise `time_s` counts rows).
    pub time: bool,
    /// Grain flow was recorded (otherwise it was rebuilt from an exported yield).
    pub flow: bool,
    /// Moisture was recorded (otherwise the market moisture stands in).
    pub moisture: bool,
    /// Speed was recorded (otherwise derived from distance or positions).
    pub speed: bool,
    /// Distance was recorded (otherwise speed × interval).
    pub distance: bool,
    /// Swath width was recorded (otherwise configured, or for exported yields the spacing of the passes).
    pub swath: bool,
    /// The header's state was recorded.
    pub header: bool,
    /// Elevation was recorded.
    pub elevation: bool,
    /// Grain flow was recorded as mass per time (not as mass in a record).
    pub rate: bool,
    /// The seconds that a record stands for were recorded or configured.
    pub interval: bool,
}

impl Channels {
    /// Whether the seconds of a record are known: recorded, configured, or the steps of recorded times.
    pub const fn knows_interval(self) -> bool {
        self.interval || self.time
    }

    /// Whether each record's speed was logged, as such or as distance in a known time. A speed from positions is smoothed over
    /// several records: it tells how fast the machine went, not how one record differs from the next.
    pub const fn logs_speed(self) -> bool {
        self.speed || self.distance && self.knows_interval()
    }

    /// Whether the speed is known at all: logged, or from positions and times.
    pub const fn knows_speed(self) -> bool {
        self.logs_speed() || self.time
    }

    /// Whether the mass flow is known: recorded, or from yield, swath and speed.
    pub const fn knows_flow(self) -> bool {
        self.rate || if self.flow { self.knows_interval() } else { self.knows_speed() }
    }
}

/// A row that repeats another in everything that was recorded. It changes nothing; it is listed as a duplicate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Copied {
    /// Index into `files`.
    pub file: u32,
    /// Row in the file, the first data row being 1.
    pub row: u32,
    /// The record that it repeats.
    pub of: u32,
}

/// The raw records of one site-year, sorted by machine, then time, then value; the order of the input's rows has no
/// influence.
#[derive(Debug, Clone)]
pub struct Records {
    /// EPSG code of the UTM zone of `x_m` and `y_m`.
    pub epsg: u32,
    /// The harvest files, relative to the archive.
    pub files: Vec<String>,
    /// Index into `files`.
    pub file: Vec<u32>,
    /// Row in the file: the first data row (or the first shape) is 1.
    pub row: Vec<u32>,
    /// Seconds since 1970-01-01T00:00:00Z.
    pub time_s: Vec<f64>,
    /// Easting of the antenna as logged, m; NaN where the position is missing or impossible.
    pub x_m: Vec<f64>,
    /// Northing of the antenna as logged, m.
    pub y_m: Vec<f64>,
    /// Wet grain mass weighed during the record, kg.
    pub mass_kg: Vec<f64>,
    /// Seconds that the record stands for.
    pub interval_s: Vec<f64>,
    /// Distance travelled during the record, m.
    pub distance_m: Vec<f64>,
    /// Ground speed, m/s.
    pub speed_m_s: Vec<f64>,
    /// Swath width as logged or configured, or the spacing of the passes, m.
    pub swath_m: Vec<f64>,
    /// Grain moisture as logged, percent wet basis.
    pub moisture_pct: Vec<f64>,
    /// Elevation, m (empty when not recorded).
    pub elevation_m: Vec<f64>,
    /// Header state.
    pub header: Vec<Header>,
    /// The combine.
    pub machine: Labels,
    /// The load (grain tank or truck).
    pub load: Labels,
    /// The pass, where the file carries it.
    pub pass: Labels,
    /// The treatment, where the file carries it.
    pub treatment: Labels,
    /// The block, where the file carries it.
    pub block: Labels,
    /// The strip, where the file carries it.
    pub strip: Labels,
    /// The soil class, where the file carries it.
    pub drainage_class: Labels,
    /// Which channels were recorded.
    pub channels: Channels,
    /// Rows that repeat one of these records.
    pub copies: Vec<Copied>,
}

impl Records {
    /// The number of records.
    pub fn len(&self) -> usize {
        self.row.len()
    }

    /// Whether there are no records.
    pub fn is_empty(&self) -> bool {
        self.row.is_empty()
    }

    /// The full width of each combine's header, m: nearly the greatest that it logs; NaN where it logs none.
    pub fn header_widths_m(&self) -> Vec<f64> {
        (0..self.machine.names.len())
            .map(|code| {
                let own = (0..self.len()).filter(|&at| self.machine.codes[at] as usize == code);
                let mut widths: Vec<f64> = own.map(|at| self.swath_m[at]).filter(|&width| width > 0.0).collect();
                robust::quantile_in_place(&mut widths, 0.95).unwrap_or(f64::NAN)
            })
            .collect()
    }

    /// Whether the record has a usable position.
    pub fn has_position(&self, at: usize) -> bool {
        self.x_m[at].is_finite() && self.y_m[at].is_finite()
    }
}
