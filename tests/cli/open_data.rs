//! Open data through the whole program.

use std::fs;

use crate::archive::{Archive, say};
use crate::support::{RAW_FIELD, Tol, close, open_data};

/// One corn field in Minnesota, 4,949 raw records: University of Minnesota Precision Agriculture Center, by way of the
/// agridat collection (CC BY-SA 3.0). Totals by the published formula (mass × dry-matter share / (distance × swath)):
/// 9,027.154364961962 bu on 67.63676538108356 ac, wet mass from the file itself.
#[test]
fn raw_records_of_one_field_are_cleaned_and_mapped() {
    let data = open_data("gartner_yield_points.csv");
    let archive = Archive::new();
    fs::remove_dir_all(archive.path("fields")).unwrap();
    archive.write("archive.toml", "name = \"one field\"\nreport_units = \"us\"\n[crops.corn]\n");
    archive.write("fields/one/harvest.csv", data);
    archive.write("fields/one/field.toml", RAW_FIELD);
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let result = |name: &str| archive.out().join("site_years/2001/hollow/one").join(name);
    let summary: serde_json::Value = serde_json::from_slice(&fs::read(result("summary.json")).unwrap()).unwrap();
    assert_eq!(summary["points_read"], 4949);

    // Mass is conserved: the sum of flow × interval over all rows of the file.
    let text = fs::read_to_string(archive.path("fields/one/harvest.csv")).unwrap();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let header = reader.headers().unwrap().clone();
    let at = |name: &str| header.iter().position(|column| column == name).unwrap();
    let pounds: f64 = reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            let number = |name: &str| row[at(name)].parse::<f64>().unwrap();
            number("Flow") * number("Cycles")
        })
        .sum();
    close("wet mass, kg", summary["wet_mass_kg"].as_f64().unwrap(), pounds * 0.453_592_37, Tol::rel(1e-9));

    // The field's mean, against the published formula over all records before any cleaning.
    let published_kg_ha = 9_027.154_364_961_962 / 67.636_765_381_083_56 * 62.767_664_746_889_54;
    let mean = summary["mean_yield_kg_ha"].as_f64().unwrap();
    assert!((mean / published_kg_ha - 1.0).abs() < 0.03, "{mean} against {published_kg_ha}");

    // 34 records were logged below the full swath.
    assert_eq!(summary["limits"]["records logged below the full swath"], 34.0);
    let lag = &summary["lag_s"]["combine"];
    assert!(lag["source"] == "estimated" || lag["source"] == "assumed", "{lag}");
    assert!(result("yield.tif").is_file());
}

/// What the columns of that log are is known from its documentation: a look at the numbers must find it.
#[test]
fn the_columns_of_a_real_log_are_found_with_their_units() {
    let archive = Archive::new();
    archive.write("raw/log.csv", open_data("gartner_yield_points.csv"));
    let said = say(&["inspect", archive.path("raw/log.csv").to_str().unwrap(), "--json"]);
    let json: serde_json::Value = serde_json::from_str(&said.stdout).unwrap();
    let told = |name: &str| {
        let cells = json["cells"].as_array().unwrap();
        let cell = cells.iter().find(|cell| cell["column"] == name).unwrap();
        (cell["probably"]["what"].as_str().unwrap_or("").to_owned(), cell["probably"]["probability"].as_f64())
    };
    for (name, what) in [
        ("Time", "time, epoch_s"),
        ("Longitude", "longitude"),
        ("Latitude", "latitude"),
        ("Distance", "distance in in"),
        ("Swath", "swath in in"),
        ("Moisture", "moisture in %"),
        ("Cycles", "interval in s"),
    ] {
        let (found, probability) = told(name);
        assert_eq!(found, what, "{name}: {said:?}");
        assert!(probability.unwrap() >= 0.9, "{name}: {probability:?}");
    }
    // pounds or tons an hour: nothing here decides it, so it is not sure
    let (flow, probability) = told("Flow");
    assert!(flow.starts_with("mass_flow in") && (flow == "mass_flow in lb/s" || probability.unwrap() < 0.95), "{flow}");
}

/// An archive of the nitrogen strips, with their labels and yields alone: no time, no speed, no flow.
fn labelled_strips(data: &str) -> Archive {
    let archive = Archive::new();
    fs::remove_dir_all(archive.path("fields")).unwrap();
    archive.write(
        "archive.toml",
        r#"name = "nitrogen strips"
report_units = "metric"
[soil]
classes = ["HT", "W", "E", "LO"]
[crops.corn]
price = "6.85 USD/q"
[treatments.0]
label = "N0"
check = true
[treatments.1]
label = "nitrogen"
cost = "40 USD/ha"
"#,
    );
    archive.write("fields/one/harvest.csv", data);
    archive.write(
        "fields/one/field.toml",
        r#"farm = "Hollow"
field = "one"
season = 2023
crop = "corn"
[[harvest]]
path = "harvest.csv"
crs = "EPSG:4326"
swath = "9.8 m"
[harvest.columns]
longitude = "long"
latitude = "lat"
dry_yield = { column = "yield", unit = "q/ha" }
treatment = "treated"
strip = "strip"
block = "rep"
drainage_class = "topo"
"#,
    );
    archive
}

/// Nitrogen strips, 1,738 yield points: Anselin, Bongiovanni & Lowenberg-DeBoer 2004, Am. J. Agric. Econ. 86, by way of
/// the agridat collection. Expected responses by topographic class: lme4 1.1 on strip × class means, `treated * topo` with
/// random replicate and strip: E 5.08340400, HT 8.54444166, LO 5.49284211, W 6.98079916 quintals/ha, each with a standard
/// error of 1.86511387.
#[test]
fn labelled_strips_give_the_response_by_class_of_a_general_mixed_model() {
    let archive = labelled_strips(&open_data("lasrosas_1999.csv"));
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    for (class, expected) in [("E", 5.083_404), ("HT", 8.544_441_66), ("LO", 5.492_842_11), ("W", 6.980_799_16)] {
        let row = archive.response("one", class);
        let (response, std_error): (f64, f64) = (row["response"].parse().unwrap(), row["std_error"].parse().unwrap());
        // t/ha to quintals.
        let (response, std_error) = (10.0 * response, 10.0 * std_error);
        assert!((response - expected).abs() < 0.6, "{class}: {response:.2}, expected {expected:.2}");
        // Of strip size: points as replicates would give 0.3.
        assert!(std_error > 0.35, "{class}: standard error {std_error:.2}");
    }
    assert_eq!(say(&["inspect", archive.root().to_str().unwrap()]).code, 0);
}

/// The same strips with twice the yields: no speed, time or flow was recorded, so no rule may act on one. With an assumed second a
/// record, an assumed speed and so an assumed flow, half of them were lost.
#[test]
fn no_rule_acts_on_a_number_that_was_not_recorded() {
    let data = open_data("lasrosas_1999.csv");
    let mut reader = csv::Reader::from_reader(data.as_bytes());
    let header = reader.headers().unwrap().clone();
    let column = header.iter().position(|name| name == "yield").unwrap();
    let mut doubled = csv::Writer::from_writer(Vec::new());
    doubled.write_record(&header).unwrap();
    for row in reader.records() {
        let row = row.unwrap();
        let cells = row.iter().enumerate().map(|(at, cell)| {
            if at == column { (2.0 * cell.parse::<f64>().unwrap()).to_string() } else { cell.to_owned() }
        });
        doubled.write_record(cells.collect::<Vec<_>>()).unwrap();
    }
    let archive = labelled_strips(&String::from_utf8(doubled.into_inner().unwrap()).unwrap());
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    for mark in ["flow-range", "speed-range", "speed-change", "pass-entry", "pass-exit", "narrow-swath", "overlap"] {
        assert_eq!(archive.removed("one", mark), 0, "{mark}");
    }
    let summary = archive.summary("one");
    let kept = summary["points_kept"].as_f64().unwrap() / summary["points_read"].as_f64().unwrap();
    assert!(kept > 0.95, "{kept}");
    for class in ["E", "HT", "LO", "W", "all"] {
        assert!(!archive.response("one", class)["response"].is_empty(), "{class}");
    }
    for rule in ["flow-range", "speed-change", "pass-entry"] {
        assert!(summary["rules_not_run"][rule].as_str().unwrap().starts_with("needs "), "{rule}");
    }
    let page = fs::read_to_string(archive.result("one", "report.html")).unwrap();
    assert!(page.contains("Rules that did not run"));
    // the lag of an exported yield is said, and can be set
    let lag = |summary: &serde_json::Value| summary["lag_s"]["combine"]["value"].as_f64().unwrap();
    assert_eq!(lag(&summary), 0.0);
    let caution = summary["cautions"]["lag-assumed"].as_str().unwrap().to_owned();
    assert!(caution.contains("0 s taken (an exported yield is taken as already shifted)"), "{caution}");
    archive.edit("archive.toml", "[treatments.0]", "[clean]\nlag_assumed = \"3 s\"\n[treatments.0]");
    assert_eq!(archive.run().code, 0);
    assert_eq!(lag(&archive.summary("one")), 3.0);
}
