//! One time log: its header (`TLG00001.XML`) and its records (`TLG00001.BIN`).
//!
//! Format: ISO 11783-10, the annex on the binary time log (letters and order of the attributes from memory, and compared with what a
//! general-purpose library of the standard reads from the same bytes). The header is a TIM element that holds one PTN and up to 255
//! DLV elements. An attribute that is there and empty stands in each record; one that holds a value is that value throughout. A
//! record, least byte first: milliseconds of the day (u32), days since 1980-01-01 (u16); of the position what the header leaves
//! empty, north and east in 1e-7 degrees (i32), up in mm (i32), state (u8), PDOP and HDOP in tenths (u16), satellites (u8), time of
//! the satellites in ms of the day (u32) and their days since 1980-01-01 (u16); the number of values (u8); of each value its place
//! among the DLV elements (u8) and the value (i32).

use roxmltree::Node;

/// Letters of a position's attributes, in the order in which they stand in a record.
const POSITION: [&str; 9] = ["A", "B", "C", "D", "E", "F", "G", "H", "I"];
const NORTH: usize = 0;
const EAST: usize = 1;
const UP: usize = 2;
const STATE: usize = 3;
const HDOP: usize = 5;
const SATELLITES: usize = 6;
const CLOCK: usize = 7;
const DATE: usize = 8;

/// States of a position that is none: no fix, error.
const NO_POSITION: [f64; 2] = [0.0, 14.0];

/// Milliseconds from 1970-01-01 to 1980-01-01.
const EPOCH_MS: f64 = 315_532_800_000.0;
const DAY_MS: f64 = 86_400_000.0;
/// Days that say that the date is not known: the first day there is, and the greatest number.
const NO_DAY: [u16; 2] = [0, u16::MAX];

/// A part of a position.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Field {
    Absent,
    InRecord,
    Fixed(f64),
}

/// A value that a log holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Value {
    pub(super) ddi: u16,
    /// Id of the device element.
    pub(super) element: String,
    /// The value throughout, where the header tells it.
    pub(super) fixed: Option<i32>,
}

/// What a log's records hold.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    position: [Field; 9],
    pub(super) values: Vec<Value>,
}

/// One record's own columns; missing numbers are NaN.
#[derive(Debug, Clone, Copy)]
pub(super) struct Record {
    /// Milliseconds since 1970 by the clock of the log.
    pub(super) clock_ms: f64,
    /// The same by the satellites.
    pub(super) satellites_ms: f64,
    pub(super) longitude: f64,
    pub(super) latitude: f64,
    pub(super) elevation_m: f64,
    pub(super) state: f64,
    pub(super) hdop: f64,
    pub(super) satellites: f64,
}

impl Header {
    /// Reads the root of a header; the error says what is wrong with it.
    pub(super) fn read(root: Node<'_, '_>) -> Result<Self, String> {
        if !root.has_tag_name("TIM") {
            return Err(format!("expected the element TIM, found {}", root.tag_name().name()));
        }
        let mut position = [Field::Absent; 9];
        if let Some(element) = root.children().find(|child| child.has_tag_name("PTN")) {
            for (field, letter) in position.iter_mut().zip(POSITION) {
                *field = match element.attribute(letter).map(str::trim) {
                    None => Field::Absent,
                    Some("") => Field::InRecord,
                    Some(text) => {
                        let number =
                            text.parse().map_err(|_| format!("PTN {letter}: expected a number, found `{text}`"))?;
                        Field::Fixed(number)
                    }
                };
            }
        }
        let mut values = Vec::new();
        for element in root.children().filter(|child| child.has_tag_name("DLV")) {
            let at = values.len();
            let number = element.attribute("A").unwrap_or("").trim();
            let ddi = u16::from_str_radix(number, 16).map_err(|_| {
                format!("DLV {at}: expected a number of the data dictionary as four hex digits, found `{number}`")
            })?;
            let fixed = match element.attribute("B").map_or("", str::trim) {
                "" => None,
                text => Some(text.parse().map_err(|_| format!("DLV {at}: expected a whole number, found `{text}`"))?),
            };
            values.push(Value { ddi, element: element.attribute("C").unwrap_or("").trim().to_owned(), fixed });
        }
        if values.len() > 255 {
            return Err(format!("{} DLV elements; 255 is the most", values.len()));
        }
        Ok(Self { position, values })
    }

    /// Whether records tell their elevation, the state of their position, its HDOP, its satellites.
    pub(super) fn has(&self) -> [bool; 4] {
        [UP, STATE, HDOP, SATELLITES].map(|at| self.position[at] != Field::Absent)
    }

    /// Hands each record on with its values as `(place among the DLV elements, value)`; the error names the byte.
    pub(super) fn records(&self, bytes: &[u8], mut each: impl FnMut(Record, &[(usize, i32)])) -> Result<(), String> {
        let mut from = Bytes { bytes, at: 0 };
        let mut values = Vec::new();
        let mut number = 0;
        while from.at < bytes.len() {
            number += 1;
            let start = from.at;
            values.clear();
            values.extend(self.values.iter().enumerate().filter_map(|(at, value)| Some((at, value.fixed?))));
            let record = self.record(&mut from, &mut values).map_err(|fault| match fault {
                Fault::Ends => format!(
                    "byte {start}: record {number} begins here and the file ends within it, at byte {}",
                    bytes.len()
                ),
                Fault::Value { at, place } => format!(
                    "byte {at}: record {number} holds value {place}, and the header lists {} (counted from 0)",
                    self.values.len()
                ),
            })?;
            each(record, &values);
        }
        Ok(())
    }

    fn record(&self, from: &mut Bytes<'_>, values: &mut Vec<(usize, i32)>) -> Result<Record, Fault> {
        let (clock, day) = (u32::from_le_bytes(from.take()?), u16::from_le_bytes(from.take()?));
        let mut position = [f64::NAN; 9];
        for (at, (number, field)) in position.iter_mut().zip(self.position).enumerate() {
            *number = match field {
                Field::Absent => f64::NAN,
                Field::Fixed(number) => number,
                Field::InRecord => match at {
                    NORTH | EAST => f64::from(i32::from_le_bytes(from.take()?)) / 1e7,
                    UP => f64::from(i32::from_le_bytes(from.take()?)),
                    STATE | SATELLITES => f64::from(u8::from_le_bytes(from.take()?)),
                    CLOCK => f64::from(u32::from_le_bytes(from.take()?)),
                    DATE => f64::from(u16::from_le_bytes(from.take()?)),
                    _ => f64::from(u16::from_le_bytes(from.take()?)) / 10.0,
                },
            };
        }
        let [count] = from.take()?;
        for _ in 0..count {
            let at = from.at;
            let [place] = from.take()?;
            let value = i32::from_le_bytes(from.take()?);
            if usize::from(place) >= self.values.len() {
                return Err(Fault::Value { at, place });
            }
            values.push((usize::from(place), value));
        }
        let is_position = !NO_POSITION.iter().any(|state| (state - position[STATE]).abs() < 0.5)
            && position[NORTH].abs() <= 90.0
            && position[EAST].abs() <= 180.0;
        let only = |is: bool, number: f64| if is { number } else { f64::NAN };
        Ok(Record {
            clock_ms: moment(f64::from(clock), f64::from(day)),
            satellites_ms: moment(position[CLOCK], position[DATE]),
            longitude: only(is_position, position[EAST]),
            latitude: only(is_position, position[NORTH]),
            elevation_m: only(is_position, position[UP] / 1e3),
            state: position[STATE],
            hdop: position[HDOP],
            satellites: position[SATELLITES],
        })
    }
}

/// Milliseconds since 1970, NaN where the day is not known or the clock is beyond it.
fn moment(clock_ms: f64, day: f64) -> f64 {
    let known = !NO_DAY.iter().any(|none| (f64::from(*none) - day).abs() < 0.5) && (0.0..DAY_MS).contains(&clock_ms);
    if known { EPOCH_MS + DAY_MS * day + clock_ms } else { f64::NAN }
}

enum Fault {
    Ends,
    Value { at: usize, place: u8 },
}

struct Bytes<'b> {
    bytes: &'b [u8],
    at: usize,
}

impl Bytes<'_> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], Fault> {
        let part = self.bytes.get(self.at..self.at + N).ok_or(Fault::Ends)?;
        self.at += N;
        part.try_into().map_err(|_| Fault::Ends)
    }
}
