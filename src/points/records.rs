//! What ingest delivers: the raw records of one site-year, in SI units and UTM metres.

use serde::Serialize;

use super::Labels;
use crate::quantity::{Duration, Length, Percent, Speed, Units};
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
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
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
    /// Grain flow was recorded as mass per time (not as mass in a record).
    pub rate: bool,
    /// The seconds that a record stands for were recorded or configured.
    pub interval: bool,
}

impl Channels {
    /// Everything was recorded.
    pub const ALL: Self = Self {
        time: true,
        flow: true,
        moisture: true,
        speed: true,
        distance: true,
        swath: true,
        header: true,
        rate: true,
        interval: true,
    };

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

/// What is known of a channel: a column of the harvest's files that is a column of the records, too.
#[derive(Debug, Clone, Copy)]
pub struct Channel {
    /// What the settings call it.
    pub key: &'static str,
    /// What it is, as its comment says.
    pub about: &'static str,
    /// The units that are read; none for labels.
    pub units: Option<Units>,
    /// The column of task data (ISO 11783-11) that tells it, in the SI unit of the channel.
    pub standard: Option<&'static str>,
    /// Whether gaps are filled from the settings or the other channels; one that is only carried is empty where it was not recorded.
    pub is_filled: bool,
}

macro_rules! standard {
    () => {
        None
    };
    ($column:literal) => {
        Some($column)
    };
}

macro_rules! one_each {
    ($name:ident { $($field:ident = $channel:expr),+ }) => {
        impl<T> $name<T> {
            /// A value made of each channel.
            pub fn of(mut make: impl FnMut(Channel) -> T) -> Self {
                Self { $($field: make($channel),)+ }
            }

            /// A value made of each value.
            pub fn as_each<U>(&self, mut make: impl FnMut(&T) -> U) -> $name<U> {
                $name { $($field: make(&self.$field),)+ }
            }

            /// The values in the order of the channels.
            pub fn into_all(self) -> impl Iterator<Item = T> {
                [$(self.$field),+].into_iter()
            }

            /// The same, borrowed.
            pub fn all(&self) -> impl Iterator<Item = &T> {
                [$(&self.$field),+].into_iter()
            }

            /// The same, to change.
            pub fn all_mut(&mut self) -> impl Iterator<Item = &mut T> {
                [$(&mut self.$field),+].into_iter()
            }
        }

        impl $name<Channel> {
            /// What is known of each channel.
            pub fn channels() -> impl Iterator<Item = Channel> {
                Self::of(|channel| channel).into_all()
            }
        }
    };
}

macro_rules! channels {
    (
        readings { $($(#[doc = $about:literal])+ $field:ident = $key:literal: $quantity:ty, $filled:ident $(, $standard:literal)?;)+ }
        labels { $($(#[doc = $text:literal])+ $(#[serde($($how:tt)+)])? $label:ident $(, $of:literal)?;)+ }
    ) => {
        /// One value for each channel of numbers; the fields name the SI unit.
        #[derive(Debug, Clone, Default, PartialEq, Serialize)]
        pub struct Readings<T> {
            $($(#[doc = $about])+ #[serde(rename = $key)] pub $field: T,)+
        }

        one_each! { Readings { $($field = Channel {
            key: $key,
            about: concat!($($about),+),
            units: Some(Units::of::<$quantity>()),
            standard: standard!($($standard)?),
            is_filled: $filled,
        }),+ } }

        /// One value for each channel of labels.
        #[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
        pub struct Labelled<T> {
            $($(#[doc = $text])+ $(#[serde($($how)+)])? pub $label: T,)+
        }

        one_each! { Labelled { $($label = Channel {
            key: stringify!($label),
            about: concat!($($text),+),
            units: None,
            standard: standard!($($of)?),
            is_filled: false,
        }),+ } }

        /// The raw records of one site-year, sorted by machine, then time, then value; the order of the input's rows has no
        /// influence.
        #[derive(Debug, Clone, Default)]
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
            /// Header state.
            pub header: Vec<Header>,
            $($(#[doc = $about])+ pub $field: Vec<f64>,)+
            $($(#[doc = $text])+ pub $label: Labels,)+
            /// Which channels were recorded.
            pub channels: Channels,
            /// Rows that repeat one of these records.
            pub copies: Vec<Copied>,
        }

        impl Records {
            /// The records with these channels.
            #[must_use]
            pub fn with(self, readings: Readings<Vec<f64>>, labels: Labelled<Labels>) -> Self {
                Self { $($field: readings.$field,)+ $($label: labels.$label,)+ ..self }
            }

            /// A hash of all that was recorded, wherever the files are.
            pub fn digest(&self) -> blake3::Hash {
                let Self {
                    epsg, files: _, file: _, row: _, time_s, x_m, y_m, mass_kg, header, $($field,)+ $($label,)+ channels, copies: _
                } = self;
                let mut hasher = blake3::Hasher::new();
                hasher.update(format!("{epsg} {channels:?} {}", header.len()).as_bytes());
                hasher.update(&header.iter().map(|&header| header as u8).collect::<Vec<u8>>());
                for numbers in [time_s, x_m, y_m, mass_kg, $($field),+] {
                    hasher.update(&(numbers.len() as u64).to_le_bytes());
                    hasher.update(&numbers.iter().flat_map(|number| number.to_le_bytes()).collect::<Vec<u8>>());
                }
                for labels in [$($label),+] {
                    hasher.update(format!("{:?} {}", labels.names, labels.codes.len()).as_bytes());
                    hasher.update(&labels.codes.iter().flat_map(|code| code.to_le_bytes()).collect::<Vec<u8>>());
                }
                hasher.finalize()
            }
        }
    };
}

const FILLED: bool = true;
const CARRIED: bool = false;

channels! {
    readings {
        /// Grain moisture as logged, percent wet basis.
        moisture_pct = "moisture": Percent, FILLED, "crop_moisture_pct";
        /// Ground speed, m/s.
        speed_m_s = "speed": Speed, FILLED, "actual_speed_m_s";
        /// Swath width as logged or configured, or the spacing of the passes, m.
        swath_m = "swath": Length, FILLED, "actual_working_width_m";
        /// Seconds that a record stands for.
        interval_s = "interval": Duration, FILLED;
        /// Distance travelled during a record, m.
        distance_m = "distance": Length, FILLED;
        /// Elevation, m.
        elevation_m = "elevation": Length, CARRIED, "elevation_m";
    }
    labels {
        /// The combine.
        #[serde(rename = "machine_column")]
        machine, "machine";
        /// The load (grain tank or truck).
        load;
        /// The pass, where the file carries it.
        pass;
        /// The treatment, where the file carries it.
        treatment;
        /// The block, where the file carries it.
        block;
        /// The strip, where the file carries it.
        strip;
        /// The soil class, where the file carries it.
        drainage_class;
    }
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
