//! Scale tickets: a table whose cells carry units.

use std::fmt::Display;

use chrono::DateTime;

use super::IngestError;
use super::channels::epoch_s;
use super::layers::InputFile;
use super::readers::{self, Shapes, Wanted};
use crate::config::ReadSettings;
use crate::points::Ticket;
use crate::quantity::{Mass, Percent, Quantity};

const COLUMNS: [&str; 6] = ["load", "machine", "from", "to", "net_weight", "moisture"];
/// May be there: the name of a strip that was weighed by itself.
const STRIP: &str = "strip";

/// Reads the tickets.
pub(super) fn read(file: &InputFile, limits: ReadSettings) -> Result<Vec<Ticket>, IngestError> {
    let most_unpacked_bytes = limits.most_unpacked_bytes;
    let by_strip = readers::columns(&file.name, &file.path, most_unpacked_bytes)?.iter().any(|column| column == STRIP);
    let columns = COLUMNS.iter().copied().chain(by_strip.then_some(STRIP));
    let texts = columns.map(str::to_owned).collect();
    let wanted = Wanted { shapes: Shapes::Ignored, numbers: Vec::new(), texts, most_unpacked_bytes };
    let table = readers::read(&file.name, &file.path, &wanted)?;
    let mut tickets = Vec::new();
    for row in 0..table.rows {
        let text = |column: &str| table.texts[column].get(row);
        let fault = |column: &str, expected: &dyn Display| {
            IngestError::cell(&file.name, row + 1, column, text(column).unwrap_or("").to_owned(), expected)
        };
        let time = |column: &str| {
            text(column)
                .map(|value| {
                    DateTime::parse_from_rfc3339(value)
                        .map(|time| epoch_s(time.naive_utc()))
                        .map_err(|_| fault(column, &"a time such as 2023-10-04T15:02:11Z"))
                })
                .transpose()
        };
        let load = text("load").ok_or_else(|| fault("load", &"a load's name, or `field total`"))?.to_owned();
        let strip = if by_strip { text(STRIP).map(str::to_owned) } else { None };
        let time_s = match (time("from")?, time("to")?) {
            (Some(from), Some(to)) if from < to => Some((from, to)),
            (None, None) if load == "field total" || strip.is_some() => None,
            (None, _) => {
                return Err(fault(
                    "from",
                    &"a time before that of `to` (both empty for `field total` and for a strip)",
                ));
            }
            _ => return Err(fault("to", &"a time after that of `from`")),
        };
        let net = text("net_weight").ok_or_else(|| fault("net_weight", &"a weight such as 18250 lb"))?;
        let net = Mass::parse(net).map_err(|error| fault("net_weight", &error))?.si();
        if net <= 0.0 {
            return Err(fault("net_weight", &"a weight greater than 0"));
        }
        let moisture_pct = text("moisture")
            .map(|value| Percent::parse(value).map(Quantity::si).map_err(|error| fault("moisture", &error)))
            .transpose()?;
        let machine = text("machine").map(str::to_owned);
        tickets.push(Ticket { load, strip, machine, time_s, net_kg: net, moisture_pct });
    }
    if tickets.is_empty() {
        return Err(IngestError::Empty { file: file.name.clone(), what: "tickets" });
    }
    Ok(tickets)
}
