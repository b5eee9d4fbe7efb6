//! Files as they come: strips in pieces, soils in several files, remarks about a table.

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
    // vertices in the middle of the sides move by the last digit of a degree
    let at = whole.lines().next().unwrap().split(',').position(|name| name == "response").unwrap();
    let (one, other): (f64, f64) = (strips(&found)[at].parse().unwrap(), strips(&whole)[at].parse().unwrap());
    assert!((one - other).abs() < 0.05, "{one} {other}");
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
