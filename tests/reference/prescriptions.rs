//! A prescription as `plan` writes it for the example archive, beside what two general-purpose libraries of ISO 11783-10 read from the same
//! bytes: isoxml 1.11.2 for JavaScript (npm, Apache-2.0; it warns of nothing) and isoxml 0.0.4 for Python (PyPI, Apache-2.0), which
//! agree in every number; by hand it was found valid by the standard's schema 4.3, as isoxml-writer 0.0.3 (PyPI, MIT) carries it. `tests/cli/plan.rs` holds what is written today to this file.

use std::io::Read;
use std::path::Path;

use flate2::read::GzDecoder;
use serde_json::Value;

use crate::ingest::{Shapes, Wanted, read_table};

#[test]
fn our_reader_reads_what_two_libraries_read() {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    let mut text = String::new();
    let packed = std::fs::File::open(data.join("prescription_read.json.gz")).unwrap();
    GzDecoder::new(packed).read_to_string(&mut text).unwrap();
    let all: Vec<Value> = serde_json::from_str(&text).unwrap();
    // nothing where a task has no zone, no position, or leaves the field: zone 0 is theirs alone, without ground
    for zone in all.iter().filter(|zone| zone["code"] == 0) {
        assert_eq!((&zone["value"], &zone["polygons"]), (&Value::from(0), &Value::Array(Vec::new())));
        assert!(["default", "lost", "out"].iter().all(|key| zone[key] == 0), "{zone}");
    }
    let theirs: Vec<&Value> = all.iter().filter(|zone| zone["code"] != 0).collect();
    const RATE: &str = "setpoint_volume_per_area_application_rate_l_ha";
    let texts = ["task", "field", "zone", "product"].map(str::to_owned).to_vec();
    let numbers = vec!["zone_code".to_owned(), RATE.to_owned()];
    let wanted = Wanted { shapes: Shapes::Polygons, numbers, texts: texts.clone(), ..Wanted::default() };
    let table = read_table("prescription.zip", &data.join("prescription.zip"), &wanted).unwrap();
    assert_eq!((table.rows, theirs.len()), (9, 9));
    for (row, theirs) in theirs.iter().enumerate() {
        for name in &texts {
            assert_eq!(table.texts[name].get(row), theirs[name].as_str(), "{name}, row {row}");
        }
        assert_eq!(theirs["ddi"], "0001");
        let number = |name: &str| Some(table.numbers[name][row]);
        assert_eq!(number("zone_code"), theirs["code"].as_f64(), "row {row}");
        // in steps of 0.01 mm³/m²
        assert_eq!(number(RATE), theirs["value"].as_f64().map(|steps| steps / 1e4), "row {row}");
        let rings = |polygon: &geo::Polygon<f64>| -> Vec<Vec<[f64; 2]>> {
            let all = std::iter::once(polygon.exterior()).chain(polygon.interiors());
            all.map(|ring| ring.coords().map(|at| [at.x, at.y]).collect()).collect()
        };
        let ours: Vec<Vec<Vec<[f64; 2]>>> = table.polygons[row].iter().map(rings).collect();
        let theirs: Vec<Vec<Vec<[f64; 2]>>> = serde_json::from_value(theirs["polygons"].clone()).unwrap();
        assert_eq!(ours, theirs, "row {row}");
    }
}
