//! The text of a CSV file as the readers of `csv.rs` take it: unpacked, with one row of names, without remarks, sums and a row of units.

use super::{number_or_comma, unpacked};
use crate::ingest::IngestError;
use crate::text::without_mark;

/// The text: unpacked where it is packed, as UTF-8 without byte-order mark.
pub(super) fn body(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Vec<u8>, IngestError> {
    Ok(without_units(with_one_header(without_footer(plain_body(file, bytes, most_bytes)?))))
}

/// The text as it is, unpacked and as UTF-8.
pub(super) fn plain_body(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Vec<u8>, IngestError> {
    let bytes = if bytes.starts_with(&[0x1f, 0x8b]) {
        unpacked(file, flate2::read::MultiGzDecoder::new(bytes.as_slice()), most_bytes)?
    } else {
        bytes
    };
    without_mark(bytes).map(western).map_err(|reason| IngestError::damaged(file, reason))
}

/// The text with two rows of a header made one: `Yield`, `wet` is called `Yield wet`; an upper cell that is empty takes the one to its
/// left, and a title that stands alone in the upper row names nothing.
///
/// The second row is one of a header where its cells are words, at least two of them above numbers, and none above a number is
/// itself one or missing. A row of units is another thing.
fn with_one_header(body: Vec<u8>) -> Vec<u8> {
    let mut separator = separator(&body);
    if let Some(second) = second_line(&body)
        && !body[..second.start].contains(&separator)
    {
        separator = self::separator(&body[second]);
    }
    let mut reader =
        csv::ReaderBuilder::new().delimiter(separator).flexible(true).has_headers(false).from_reader(body.as_slice());
    let (mut rows, mut ends) = (Vec::new(), Vec::new());
    let mut row = csv::ByteRecord::new();
    while rows.len() < 4 && reader.read_byte_record(&mut row).unwrap_or(false) {
        rows.push(row.clone());
        ends.push(reader.position().byte() as usize);
    }
    if rows.len() < 3 {
        return body;
    }
    // the first record may stand below a row of units
    if units_of(&body[ends[1]..ends[2]], separator).is_some() && rows.len() == 4 {
        rows.remove(2);
    }
    let text = |row: usize, at: usize| String::from_utf8_lossy(rows[row].get(at).unwrap_or(b"")).trim().to_owned();
    let is_number =
        |text: &str| number_or_comma(text).is_some() || text.starts_with(|first: char| first.is_ascii_digit());
    let is_missing =
        |text: &str| text.is_empty() || matches!(text.to_lowercase().as_str(), "na" | "n/a" | "null" | "-");
    let over_numbers: Vec<usize> = (0..rows[2].len()).filter(|&at| number_or_comma(&text(2, at)).is_some()).collect();
    let is_header = |row: usize| {
        (0..rows[row].len()).all(|at| !is_number(&text(row, at)))
            && over_numbers.iter().all(|&at| row == 0 || !is_missing(&text(row, at)))
    };
    let line = &body[ends[0]..ends[1]];
    if over_numbers.len() < 2 || !is_header(0) || !is_header(1) || units_of(line, separator).is_some() {
        return body;
    }
    let is_title = (1..rows[0].len()).all(|at| text(0, at).is_empty());
    let (mut joined, mut above) = (Vec::new(), String::new());
    for at in 0..rows[0].len().max(rows[1].len()) {
        let (upper, lower) = (text(0, at), text(1, at));
        if !upper.is_empty() && !is_title {
            above = upper;
        }
        joined.push(format!("{above} {lower}").trim().to_owned());
    }
    let mut writer = csv::WriterBuilder::new().delimiter(separator).from_writer(Vec::new());
    let Some(mut whole) = writer.write_record(&joined).ok().and_then(|()| writer.into_inner().ok()) else {
        return body;
    };
    whole.extend_from_slice(&body[ends[1]..]);
    whole
}

/// Text that is no UTF-8 and carries no mark is taken for the Western code page (WHATWG Encoding Standard, windows-1252), which
/// older programs write; bytes that are no text in it either stay as they are.
fn western(body: Vec<u8>) -> Vec<u8> {
    let controls = |byte: &u8| *byte < 0x20 && !matches!(byte, b'\t' | b'\n' | b'\r');
    if std::str::from_utf8(&body).is_ok() || body.iter().any(controls) {
        return body;
    }
    let (text, _, _) = encoding_rs::WINDOWS_1252.decode(&body);
    text.into_owned().into_bytes()
}

/// Words that begin a line below the records that sums them up.
const SUMS: [&str; 12] =
    ["total", "totals", "sum", "summe", "gesamt", "suma", "somme", "soma", "mean", "average", "end of file", "eof"];

/// The text without lines that are remarks (`#`) above the header and below the records, and without a line below them that sums
/// them up.
fn without_footer(mut body: Vec<u8>) -> Vec<u8> {
    let begin = |line: &[u8]| {
        let text = String::from_utf8_lossy(line).to_lowercase();
        let text = text.trim_start_matches(['"', ' ', '\t', ';', ',']).trim_end().to_owned();
        let is_sum = |word: &str| text.strip_prefix(word).is_some_and(|rest| !rest.starts_with(char::is_alphanumeric));
        (text.starts_with('#'), SUMS.iter().any(|word| is_sum(word)))
    };
    while let Some(end) = body.iter().position(|&byte| byte == b'\n')
        && begin(&body[..end]).0
    {
        body.drain(..=end);
    }
    loop {
        let end = body.trim_ascii_end().len();
        let start = body[..end].iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
        let (is_remark, is_sum) = begin(&body[start..end]);
        if start == 0 || !(is_remark || is_sum) {
            return body;
        }
        body.truncate(start);
    }
}

/// Units as they stand in a row of their own below the header.
const UNITS: [&str; 42] = [
    "m",
    "ft",
    "in",
    "cm",
    "mm",
    "m/s",
    "km/h",
    "mph",
    "ft/s",
    "s",
    "sec",
    "ms",
    "min",
    "h",
    "kg/s",
    "lb/s",
    "lbs/s",
    "t/h",
    "kg/h",
    "lb/min",
    "%",
    "pct",
    "percent",
    "bu/ac",
    "t/ha",
    "kg/ha",
    "q/ha",
    "lb/ac",
    "deg",
    "degrees",
    "°",
    "-",
    "utc",
    "text",
    "kg",
    "lb",
    "t",
    "no",
    "decimal degrees",
    "dd",
    "hh:mm:ss",
    "yyyy-mm-dd",
];

/// The cells of a row of units, without the brackets about them; `None` where the row is none: a cell is something else, or fewer
/// than two hold a unit.
fn units_of(line: &[u8], separator: u8) -> Option<Vec<String>> {
    let text = std::str::from_utf8(line).ok()?;
    let plain = |cell: &str| cell.trim().trim_matches(['"', '(', ')', '[', ']', ' ']).trim().to_owned();
    let cells: Vec<String> = text.trim_end_matches(['\r', '\n']).split(char::from(separator)).map(plain).collect();
    let is_unit = |cell: &String| cell.is_empty() || UNITS.contains(&cell.to_lowercase().as_str());
    let named = cells.iter().filter(|cell| !cell.is_empty() && *cell != "-").count();
    (named >= 2 && cells.iter().all(is_unit)).then_some(cells)
}

/// The second line of a text, as a range of bytes.
fn second_line(body: &[u8]) -> Option<std::ops::Range<usize>> {
    let start = body.iter().position(|&byte| byte == b'\n')? + 1;
    let end = body[start..].iter().position(|&byte| byte == b'\n').map_or(body.len(), |at| start + at + 1);
    (start < end).then_some(start..end)
}

/// The text without a row of units below its header; it counts as no row.
fn without_units(mut body: Vec<u8>) -> Vec<u8> {
    let separator = separator(&body);
    if let Some(line) = second_line(&body)
        && units_of(&body[line.clone()], separator).is_some()
    {
        body.drain(line);
    }
    body
}

/// The units that stand in a row below the header, one a column.
pub(super) fn units(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Option<Vec<String>>, IngestError> {
    let body = with_one_header(without_footer(plain_body(file, bytes, most_bytes)?));
    let separator = separator(&body);
    Ok(second_line(&body).and_then(|line| units_of(&body[line], separator)))
}

/// What the header holds most of: comma, semicolon, tab or bar.
pub(super) fn separator(body: &[u8]) -> u8 {
    let line = body.split(|&byte| byte == b'\n').next().unwrap_or(&[]);
    let count = |separator: u8| line.split(|&byte| byte == separator).count();
    [b',', b';', b'\t', b'|'].into_iter().max_by_key(|&separator| (count(separator), separator == b',')).unwrap_or(b',')
}
