//! What was put down: the rows of an application's log, and what became of them.

use super::{Header, Labels};

/// The log of one application: one row a record, sorted by time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AppliedLog {
    /// What it is called.
    pub name: String,
    /// The unit that its rates are reported in, and litres, kilograms or pieces per hectare in one of it.
    pub rate_unit: (String, f64),
    /// The tested rates, per hectare, with their treatments.
    pub tested: Vec<(String, f64)>,
    /// The rate on the check.
    pub check_per_ha: f64,
    /// Names of the files.
    pub files: Vec<String>,
    /// File of each row.
    pub file: Vec<u32>,
    /// Row in the file, the first data row being 1.
    pub row: Vec<u32>,
    /// Seconds since 1970-01-01T00:00:00Z.
    pub time_s: Vec<f64>,
    /// Easting in the field's UTM zone.
    pub x_m: Vec<f64>,
    /// Northing.
    pub y_m: Vec<f64>,
    /// Rate, litres, kilograms or pieces per hectare.
    pub rate_per_ha: Vec<f64>,
    /// The rate that was asked for; empty where the log does not tell it.
    pub target_per_ha: Vec<f64>,
    /// Working width, m.
    pub width_m: Vec<f64>,
    /// How long the planter had stood when it moved on to this row, s.
    pub idle_s: Vec<f64>,
    /// Whether the planter was at work.
    pub state: Vec<Header>,
    /// The sections that were on, as digits from left to right; without codes where the log does not tell them.
    pub sections: Labels,
    /// Share of the sections that were on, where only their number is recorded; else empty.
    pub share_on: Vec<f64>,
}

impl AppliedLog {
    /// Rows.
    pub fn len(&self) -> usize {
        self.row.len()
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.row.is_empty()
    }
}

coded! {
    /// What was found of a stretch of a log, or of a strip.
    Finding, in "`applied.csv`";
    Strip = "strip": "a strip from the log";
    Ramp = "ramp": "the rate rose or fell after a start, a stop or a change of rate";
    OffRate = "off-rate": "the rate lay farther from the tested ones than the tolerance";
    AfterLongStop = "after-long-stop": "the first stretch after a long stop, in which settled product may have run out";
    SectionOff = "section-off": "a section was off while the others ran";
    Overlap = "overlap": "two passes lie over each other";
    Turn = "turn": "a turn, or a pass across the strips";
    Short = "short": "too short for a strip between two others";
    RateMissing = "rate-missing": "no rate was logged while the planter ran";
    Combination = "combination": "two logs meet in a combination that is not a treatment of archive.toml";
    Swapped = "swapped": "two drawn strips carry each other's treatment by the log";
    TreatedCheck = "treated-check": "drawn as check, but treated by the log";
    UntreatedStrip = "untreated-strip": "drawn as treated, but run without the product by the log";
    OtherRate = "other-rate": "drawn under one treatment, run at the rate of another";
    MissedPass = "missed-pass": "a part of a drawn strip, a pass or more, carries another treatment";
    NotLogged = "not-logged": "a drawn strip that the log does not cover";
    LogMoved = "log-moved": "the log lay to one side of the combine's and was moved by that much";
}

/// Something that was found, with its place.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Name of the log.
    pub log: String,
    /// What was found.
    pub finding: Finding,
    /// The treatment that the log tells there.
    pub treatment: Option<String>,
    /// Name of the strip.
    pub strip: Option<String>,
    /// First and last moment, seconds since 1970-01-01T00:00:00Z.
    pub time_s: Option<(f64, f64)>,
    /// Its middle, UTM metres.
    pub middle_m: (f64, f64),
    /// Its length along the pass, m.
    pub length_m: Option<f64>,
    /// Its ground, m².
    pub area_m2: f64,
    /// Mean rate, per hectare.
    pub rate_per_ha: Option<f64>,
    /// Mean of the rate that was asked for, per hectare.
    pub target_per_ha: Option<f64>,
    /// File, first and last row.
    pub rows: Option<(String, u32, u32)>,
    /// More in words.
    pub note: String,
}

/// Which of drawn strips and logs the analysis stands on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum PutDown {
    /// The logs.
    #[default]
    Log,
    /// The drawn strips.
    Strips,
}

impl PutDown {
    /// Its word in `applied.csv`.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Log => "log",
            Self::Strips => "strips",
        }
    }
}

/// What became of the logs.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Applied {
    /// Which the strips are made of.
    pub used: PutDown,
    /// What was found: strips, then what was left out and what disagrees.
    pub stretches: Vec<Stretch>,
    /// Unit of the rates by log, with the litres, kilograms or pieces per hectare in one of it.
    pub rate_units: Vec<(String, String, f64)>,
}
