//! Files as they come: strips in pieces, soils in several files, remarks about a table.

use std::fmt::Write as _;

use bandlift::geometry::{Crs, Projector};

use crate::archive::{Archive, LENGTH, STRIPS, SWATH, TREATED, collection, csv, feature, ring, rows};

fn response(archive: &Archive) -> String {
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    std::fs::read_to_string(archive.result("bad", "response.csv")).unwrap()
}

#[test]
fn polygons_of_one_name_are_one_strip() {
    let whole = response(&Archive::single());
    let archive = Archive::single();
    let pieces: Vec<String> = (0..STRIPS)
        .flat_map(|strip| {
            let (west, east) = (strip as f64 * SWATH, (strip as f64 + 1.0) * SWATH);
            let treatment = if TREATED[strip] { "band" } else { "check" };
            let properties =
                format!("{{\"treatment\":\"{treatment}\",\"block\":\"{}\",\"strip\":\"s{strip}\"}}", strip / 2 + 1);
            [
                feature(&ring(west, 0.0, east, LENGTH / 2.0), &properties),
                feature(&ring(west, LENGTH / 2.0, east, LENGTH), &properties),
            ]
        })
        .collect();
    archive.write("fields/bad/strips.geojson", collection(&pieces));
    let found = response(&archive);
    let strips = |table: &str| table.lines().nth(1).unwrap().split(',').map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(archive.summary("bad")["design"]["strips_by_treatment"]["band"], 3);
    // vertices in the middle of the sides move by the last digit of a degree, and with them the places of the soil lines that are sampled
    let at = whole.lines().next().unwrap().split(',').position(|name| name == "response").unwrap();
    let (one, other): (f64, f64) = (strips(&found)[at].parse().unwrap(), strips(&whole)[at].parse().unwrap());
    assert!((one - other).abs() < 0.25, "{one} {other}");
}

#[test]
fn soils_may_lie_in_several_files() {
    let whole = response(&Archive::single());
    let archive = Archive::single();
    archive.edit("archive.toml", "layers/soils.geojson", "layers/soils*.geojson");
    let half = |south: f64, north: f64, class: &str| {
        collection(&[feature(&ring(-20.0, south, 80.0, north), &format!("{{\"drclassdcd\":\"{class}\"}}"))])
    };
    archive.write("layers/soils.geojson", half(-20.0, LENGTH / 2.0, "Poorly drained"));
    archive.write("layers/soils_north.geojson", half(LENGTH / 2.0, LENGTH + 20.0, "Well drained"));
    assert_eq!(response(&archive), whole);
    archive.edit("archive.toml", "layers/soils*.geojson", "layers/ground*.geojson");
    let said = archive.run();
    assert!(said.stderr.contains("soil.path: `layers/ground*.geojson` matches no file"), "{}", said.stderr);
}

#[test]
fn remarks_sums_and_a_row_of_units_are_no_records() {
    let whole = response(&Archive::single());
    let archive = Archive::single();
    let (header, body) =
        csv(&rows()).split_once('\n').map(|(header, body)| (header.to_owned(), body.to_owned())).unwrap();
    let framed = format!("# a remark\n{header}\ns,deg,deg,kg/s,%,m/s,-\n{body}Total,,,12,,,\n# end\n")
        .replace(',', ";")
        .replace('.', ",");
    archive.write("fields/bad/harvest.csv", framed);
    assert_eq!(response(&archive), whole);
}

/// Easting and northing, and a yield alone: the layers tell the zone, the header tells the moisture.
#[test]
fn projected_places_and_an_exported_yield_are_drafted() {
    let folder = tempfile::tempdir().unwrap();
    let raw = folder.path().join("raw");
    std::fs::create_dir_all(raw.join("2023/mill-field")).unwrap();
    let utm = Projector::new(&Crs::wgs84(), &Crs::from_epsg(32_615).unwrap()).unwrap();
    let mut text = String::from("Stamp UTC,Easting,Northing,Dry yield (t/ha),Moisture (%),No\n");
    for (at, row) in rows().iter().enumerate() {
        let (x, y) = utm.convert_point(row.lon, row.lat).unwrap().unwrap();
        let time = chrono::DateTime::from_timestamp(row.time as i64, 0).unwrap().format("%Y-%m-%d %H:%M:%S");
        let t_ha = row.flow.parse::<f64>().unwrap() / (2.0 * SWATH) * 10.0 * 82.0 / 84.5;
        let _ = writeln!(text, "{time},{x:.2},{y:.2},{t_ha:.3},{},{at}", 18.0 + 0.3 * crate::archive::noise(at));
    }
    std::fs::write(raw.join("2023/mill-field/corn.csv"), text).unwrap();
    std::fs::write(raw.join("2023/mill-field/trial.geojson"), collection(&crate::archive::strip_features())).unwrap();
    let said = crate::archive::say(&["draft", raw.to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let drafted = std::fs::read_to_string(raw.join("2023/raw/mill-field/field.toml")).unwrap();
    for line in [
        "crop = \"corn\"",
        "crs = \"EPSG:32615\"",
        "easting = \"Easting\"\nnorthing = \"Northing\"",
        "time = { column = \"Stamp UTC\", format = \"%Y-%m-%d %H:%M:%S\" }",
        "dry_yield = { column = \"Dry yield (t/ha)\", unit = \"t/ha\" }",
        "moisture = { column = \"Moisture (%)\", unit = \"%\" }",
        "treatment = \"treatment\"\nblock = \"block\"\nstrip = \"strip\"",
    ] {
        assert!(drafted.contains(line), "{line}: {drafted}");
    }
    assert!(!drafted.contains("\"No\""), "a running number is none of the measures: {drafted}");
    let archive = std::fs::read_to_string(raw.join("archive.toml")).unwrap();
    let answers =
        archive.replace("price = \"?\"", "price = \"4.20 USD/bu\"").replace("cost = \"?\"", "cost = \"20 USD/ac\"");
    std::fs::write(raw.join("archive.toml"), answers.replace("width = \"?\"", "width = \"30 ft\"")).unwrap();
    let said =
        crate::archive::say(&["run", raw.to_str().unwrap(), "--out", folder.path().join("out").to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
}
