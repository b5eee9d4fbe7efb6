//! Task data of ISO 11783-10 beside what a general-purpose library of the standard reads from the same bytes: isoxml 1.11.2 for
//! JavaScript (npm, Apache-2.0), which wrote the XML of both files in `tests/data`, too. The records are invented.

use std::io::Read;
use std::path::Path;

use flate2::read::GzDecoder;

use crate::ingest::{Shapes, Wanted, read_table};

/// The library's columns and ours, with the steps of the log in one of our units (ISO 11783-11).
const COLUMNS: [(&str, &str, f64); 10] = [
    ("up_mm", "elevation_m", 1e3),
    ("state", "position_state", 1.0),
    ("hdop", "hdop", 1.0),
    ("satellites", "satellites", 1.0),
    ("0057_DET-1", "mass_per_time_yield_kg_s", 1e6),
    ("0063_DET-1", "crop_moisture_pct", 1e4),
    ("0043_DET-2", "actual_working_width_m", 1e3),
    ("008D_DET-2", "actual_work_state", 1.0),
    ("018D_DET-1", "actual_speed_m_s", 1e3),
    // a number that the dictionary leaves to the makers
    ("E001_DET-2", "ddi_57345", 1.0),
];
/// A state stands until the log tells another; the library's reading leaves such a record empty.
const STANDS: [&str; 4] = ["crop_moisture_pct", "actual_working_width_m", "actual_work_state", "actual_speed_m_s"];

#[test]
fn both_versions_are_read_as_the_library_reads_them() {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    let mut text = String::new();
    let packed = std::fs::File::open(data.join("task_data_read.csv.gz")).unwrap();
    GzDecoder::new(packed).read_to_string(&mut text).unwrap();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let theirs = |column: &str| -> Vec<Option<f64>> {
        let at = names.iter().position(|name| name == column).unwrap();
        rows.iter().map(|row| row[at].parse().ok()).collect()
    };
    for file in ["task_data_v3.zip", "task_data_v4.zip"] {
        let numbers =
            COLUMNS.iter().map(|(_, ours, _)| (*ours).to_owned()).chain(["time".to_owned(), "log_time".to_owned()]);
        let labels = ["log", "task", "field", "farm", "crop", "machine"];
        let wanted = Wanted {
            shapes: Shapes::Points,
            numbers: numbers.collect(),
            texts: labels.map(str::to_owned).to_vec(),
            ..Wanted::default()
        };
        let table = read_table(file, &data.join(file), &wanted).unwrap();
        assert_eq!((table.rows, rows.len()), (60, 60), "{file}");
        let first: Vec<Option<&str>> = labels.iter().map(|label| table.texts[*label].get(0)).collect();
        let told = ["TLG00001", "harvest", "North Eighty", "Marrow Creek", "corn", "combine A"];
        assert_eq!(first, told.map(Some), "{file}");
        let same = |ours: &[f64], column: &str, steps: f64, stands: bool| {
            let mut before = None;
            for (row, (ours, theirs)) in ours.iter().zip(theirs(column)).enumerate() {
                let expected = theirs.map(|value| value / steps).or(if stands { before } else { None });
                assert_eq!(
                    Some(*ours).filter(|value| value.is_finite()),
                    expected,
                    "{file}: {column}, row {}",
                    row + 1
                );
                before = expected;
            }
        };
        let (x, y) = table.positions.as_ref().unwrap();
        same(x, "east", 1.0, false);
        same(y, "north", 1.0, false);
        // the satellites tell no other zone, so that both clocks are the log's
        same(&table.numbers["time"], "time_ms", 1e3, false);
        same(&table.numbers["log_time"], "time_ms", 1e3, false);
        for (column, ours, steps) in COLUMNS {
            same(&table.numbers[ours], column, steps, STANDS.contains(&ours));
        }
    }
}
