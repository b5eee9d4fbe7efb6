//! What a simulation yields: records, and what is true of each.

use super::crop::FieldTruth;
use super::faults::InjectedFault;

/// A record as the monitor writes it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RawRecord {
    /// Seconds since 1970-01-01T00:00:00Z by the machine's clock.
    pub time_s: f64,
    /// Easting of the header's middle as logged, m; NaN without a position.
    pub x_m: f64,
    /// Northing, m.
    pub y_m: f64,
    /// Wet mass weighed, kg.
    pub mass_kg: f64,
    /// Seconds it stands for.
    pub interval_s: f64,
    /// Distance travelled, m.
    pub distance_m: f64,
    /// Ground speed, m/s.
    pub speed_m_s: f64,
    /// Swath as logged, m.
    pub swath_m: f64,
    /// Moisture, percent wet basis.
    pub moisture_pct: f64,
    /// Whether the header switch is down.
    pub header_down: bool,
    /// Index of the machine.
    pub machine: u32,
    /// Number of the load on that machine, from 1.
    pub load: u32,
}

/// What is true at the time of a record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordTruth {
    /// True place of the header's middle, m.
    pub x_m: f64,
    /// True place of the header's middle, m.
    pub y_m: f64,
    /// Crop that was cut during the record, m².
    pub area_m2: f64,
    /// Dry yield at market moisture of that crop, kg/ha; NaN where none was cut.
    pub yield_kg_ha: f64,
    /// Moisture of that crop, percent; NaN where none was cut.
    pub moisture_pct: f64,
    /// True wet mass that passed the sensor, kg.
    pub mass_kg: f64,
    /// Number of the drive, from 0; `u32::MAX` in turns.
    pub drive: u32,
    /// Index of the strip at that place, `u32::MAX` outside strips.
    pub strip: u32,
    /// Drainage class (index) at that place.
    pub class: u32,
    /// How the record was spoilt, if it was.
    pub fault: Option<InjectedFault>,
}

/// A load that was weighed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Load {
    /// Index of the machine.
    pub machine: u32,
    /// Its number on that machine, from 1.
    pub load: u32,
    /// Time of its first record, s.
    pub from_s: f64,
    /// Time of its last record, s.
    pub to_s: f64,
    /// True wet mass, kg.
    pub mass_kg: f64,
    /// True moisture, percent.
    pub moisture_pct: f64,
}

/// Where the grain went.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MassBalance {
    /// Wet grain cut, kg.
    pub cut_kg: f64,
    /// Wet grain that passed the flow sensors, kg.
    pub passed_kg: f64,
    /// Of that, wet grain in records that were written, kg.
    pub recorded_kg: f64,
    /// Wet grain still in the machines at the end, kg.
    pub left_kg: f64,
    /// Crop that was cut, m².
    pub cut_m2: f64,
    /// Crop that nobody cut, m².
    pub standing_m2: f64,
}

/// The outcome of a simulation. Records and truths are parallel, sorted by machine, then in the order of writing.
#[derive(Debug, Clone)]
pub struct Simulated {
    /// What the monitors wrote.
    pub records: Vec<RawRecord>,
    /// What was true.
    pub truth: Vec<RecordTruth>,
    /// What was true of the field.
    pub field: FieldTruth,
    /// The loads.
    pub loads: Vec<Load>,
    /// Where the grain went.
    pub balance: MassBalance,
}
