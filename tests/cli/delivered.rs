//! Files as they are delivered: grids of other formats, weather stations, soil survey tables, KML, packed files.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

use crate::archive::{Archive, LENGTH, STRIPS, SWATH, TREATED, collection, degrees, feature, ring, strip_features};
use crate::support::{Tol, close};

const WGS84: &str = "GEOGCS[\"GCS_WGS_1984\",DATUM[\"D_WGS_1984\",SPHEROID[\"WGS_1984\",6378137.0,298.257223563]],PRIMEM[\"Greenwich\",0.0],UNIT[\"Degree\",0.0174532925199433]]";

fn wetness(archive: &Archive) -> f64 {
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    archive.response("bad", "all")["wetness_mm"].parse().unwrap()
}

#[track_caller]
fn fails(archive: &Archive, text: &str) {
    let said = archive.run();
    assert_ne!(said.code, 0, "{}", said.stderr);
    assert!(said.stderr.contains(text), "expected `{text}` in:\n{}", said.stderr);
}

fn zipped(members: &[(String, Vec<u8>)]) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, bytes) in members {
        zip.start_file(name.as_str(), zip::write::SimpleFileOptions::default()).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// A grid of 4 × 3 cells of 0.25° about the field.
fn ascii(value: f64) -> String {
    let (lon, lat) = degrees(0.0, 0.0);
    let mut text = format!(
        "ncols 4\nnrows 3\nxllcorner {}\nyllcorner {}\ncellsize 0.25\nNODATA_value -9999\n",
        lon - 0.4,
        lat - 0.4
    );
    for _ in 0..3 {
        writeln!(text, "{value} {value} {value} {value}").unwrap();
    }
    text
}

#[test]
fn ascii_and_binary_grids_tell_the_wetness_plain_and_zipped() {
    let archive = Archive::single();
    archive.edit("archive.toml", "total_{season}_{month}.tif", "total_{season}{month}.asc");
    archive.edit("archive.toml", "normal_{month}.tif", "normals.zip/normal_{month}.bil");
    archive.write("layers/total_202305.asc", ascii(140.0));
    let (lon, lat) = degrees(0.0, 0.0);
    let header = format!(
        "nrows 3\nncols 4\nnbits 32\npixeltype float\nbyteorder I\nulxmap {}\nulymap {}\nxdim 0.25\nydim 0.25\n",
        lon - 0.4 + 0.125,
        lat - 0.4 + 0.75 - 0.125
    );
    let bil: Vec<u8> = (0..12).flat_map(|_| 95.5_f32.to_le_bytes()).collect();
    let members = |prj: bool| {
        let mut members =
            vec![("normal_05.bil".to_owned(), bil.clone()), ("normal_05.hdr".to_owned(), header.clone().into_bytes())];
        members.extend(prj.then(|| ("normal_05.prj".to_owned(), WGS84.as_bytes().to_vec())));
        zipped(&members)
    };
    archive.write("layers/normals.zip", members(true));
    fails(
        &archive,
        "layers/total_202305.asc: carries no coordinate reference system; expected a GeoTIFF or NetCDF that names one, or a .prj beside it",
    );
    archive.write("layers/total_202305.prj", WGS84);
    close("departure", wetness(&archive), 44.5, Tol::abs(0.06));
    // what changes within the .zip is computed anew
    archive.write("layers/normals.zip", members(false));
    fails(&archive, "normal_05.bil: carries no coordinate reference system");
    // another grid
    archive.write("layers/normals.zip", members(true));
    archive.edit("layers/total_202305.asc", "cellsize 0.25", "cellsize 0.26");
    fails(&archive, "lies on another grid");
    archive.write("layers/total_202305.asc", "ncols 4\nnrows 3\nxllcorner 0\nyllcorner 0\ncellsize 1\n1 2 3\n");
    fails(&archive, "3 rows of 4 values (12), found 3");
}

/// `scipy_months.nc` and its netCDF-4 twin: `tests/fixtures/raster/README.md` says what they hold.
#[test]
fn netcdf_tells_its_months_and_its_unit() {
    for name in ["scipy_months.nc", "nc4_months.nc"] {
        let archive = Archive::single();
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/raster").join(name);
        archive.write("layers/pr.nc", std::fs::read(file).unwrap());
        archive.edit("archive.toml", "total = \"layers/total_{season}_{month}.tif\"\n", "");
        archive.edit("archive.toml", "normal = \"layers/normal_{month}.tif\"", "departure = \"layers/pr.nc\"");
        let (lon, lat) = degrees(STRIPS as f64 * SWATH / 2.0, LENGTH / 2.0);
        let (column, row) = (((lon + 94.0) / 0.5).floor(), ((lat - 41.5) / 0.25).floor());
        // May 2023 is the seventeenth month
        let expected = 10.0 + 0.1 * (1_600.0 + 8.0 * row + column);
        close("departure", wetness(&archive), expected, Tol::abs(0.06));
        archive.edit("archive.toml", "months = [5]", "months = [5]\nunit = \"in\"");
        fails(&archive, "layers/pr.nc: records its values in `kg m-2`, wetness.unit says in; write unit = \"mm\"");
        archive.edit("archive.toml", "unit = \"in\"", "unit = \"mm\"");
        archive.edit("fields/bad/field.toml", "season = 2023", "season = 2024");
        fails(&archive, "expected one grid of 2024-05, found none among 2022-01 to 2023-12");
        let said = crate::archive::say(&["inspect", archive.path("layers/pr.nc").to_str().unwrap()]);
        for line in
            ["unit:    kg m-2", "months:  24, 2022-01 to 2023-12; the values are those of the first", "48 of 48 cells"]
        {
            assert!(said.stdout.contains(line), "{line}: {}", said.stdout);
        }
        archive.edit("fields/bad/field.toml", "season = 2024", "season = 2023");
        archive.edit("archive.toml", "layers/pr.nc", "layers/pr.nc/pr");
        close("departure", wetness(&archive), expected, Tol::abs(0.06));
        // a grid without months may not stand for two
        let still = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/raster/nc4_deflate.nc");
        archive.write("layers/still.nc", std::fs::read(still).unwrap());
        archive.edit("archive.toml", "layers/pr.nc/pr", "layers/still.nc");
        wetness(&archive);
        archive.edit("archive.toml", "months = [5]", "months = [5, 6]");
        fails(&archive, "expected a time that gives its months, found none, and several months are asked of it");
        archive.edit("archive.toml", "months = [5, 6]", "months = [5]\nstation = \"a\"");
        fails(&archive, "`stations`, which is missing");
        archive.edit("archive.toml", "\nstation = \"a\"", "");
        archive.edit("archive.toml", "layers/still.nc", "layers/pr.nc/tmax");
        fails(&archive, "layers/pr.nc/tmax: ");
    }
}

/// Rows of a table of stations: every May and June of 33 years has 100 mm, but May 2023 has 140.
fn station(name: &str, north_deg: f64, daily: bool, may: f64) -> String {
    let (lon, lat) = degrees(0.0, 0.0);
    let mut text = String::new();
    for year in 1991..=2023 {
        for month in [5, 6] {
            let sum = if (year, month) == (2023, 5) { may } else { 100.0 };
            if daily {
                let days = if month == 5 { 31 } else { 30 };
                for day in 1..=days {
                    writeln!(
                        text,
                        "{name},{lon:.4},{:.4},{year}-{month:02}-{day:02},{}",
                        lat + north_deg,
                        sum / f64::from(days)
                    )
                    .unwrap();
                }
            } else {
                writeln!(text, "{name},{lon:.4},{:.4},{year}-{month:02},{sum}", lat + north_deg).unwrap();
            }
        }
    }
    text
}

const STATIONS: &str = "station,longitude,latitude,date,precipitation\n";

#[test]
fn the_nearest_station_that_can_tell_gives_the_wetness() {
    let archive = Archive::single();
    archive.edit("archive.toml", "total = \"layers/total_{season}_{month}.tif\"\n", "");
    archive.edit(
        "archive.toml",
        "normal = \"layers/normal_{month}.tif\"",
        "stations = \"layers/weather/*.csv\"\nnormal_years = [1991, 2020]",
    );
    archive.write(
        "layers/weather/a.csv",
        format!("{STATIONS}{}{}", station("near", 0.05, true, 140.0), station("far", -0.5, false, 180.0)),
    );
    close("departure", wetness(&archive), 40.0, Tol::abs(0.06));
    assert!(!archive.response("bad", "all")["caution"].contains("station-far"));
    // a day that is missing spoils its month at that station; the next one lies half a degree away, 55.6 km
    let day = format!("2023-05-07,{}\n", 140.0 / 31.0);
    archive.edit("layers/weather/a.csv", &day, "2023-05-07,\n");
    close("departure", wetness(&archive), 80.0, Tol::abs(0.06));
    archive.is_done_with_caution("station-far");
    assert!(archive.run_json().to_string().contains("far: 56 km"), "{}", archive.run_json());
    // the standardised index takes the station's own history
    archive.edit("archive.toml", "[1991, 2020]", "[1991, 2020]\nmeasure = \"percent\"");
    close("departure", wetness(&archive), 80.0, Tol::abs(0.06));
    assert_eq!(archive.response("bad", "all")["wetness_class"], "wetter");
    // fewer years than ten tell no normal
    archive.edit("archive.toml", "[1991, 2020]", "[2012, 2020]");
    archive.is_done_with_caution("wetness-missing");
    archive.edit("layers/weather/a.csv", "2001-05-03,", "03.05.2001,");
    fails(&archive, "layers/weather/a.csv: row ");
    fails(&archive, "expected a day such as 2023-05-04, or a month such as 2023-05");
    archive.write("layers/weather/a.csv", format!("{STATIONS}a,-93.6,42.0,2023-05,-9999\n"));
    fails(&archive, "expected a depth of rain; leave the cell empty where it is missing");
    archive.write("layers/weather/a.csv", format!("{STATIONS}a,-93.6,42.0,2023-05,1\na,-93.6,42.0,2023-05,2\n"));
    fails(&archive, "expected each day or month of a once");
}

/// Two map units: one of two classes alike, of which the wetter counts, and one that is mostly well drained.
#[test]
fn map_units_take_the_class_of_their_components() {
    let archive = Archive::single();
    archive.edit(
        "archive.toml",
        "path = \"layers/soils.geojson\"",
        "path = \"layers/soils.geojson\"\ncomponents = \"layers/tabular/comp*.txt\"",
    );
    let unit = |key: &str, south: f64, north: f64| {
        feature(&ring(-20.0, south, 80.0, north), &format!("{{\"MUKEY\":\"{key}\"}}"))
    };
    archive.write("layers/soils.geojson", collection(&[unit("11", -20.0, 200.0), unit("12", 200.0, LENGTH + 20.0)]));
    let rows = "40|\"Clarion\"|\"Well drained\"|\"11\"\n40|\"Okoboji\"|\"Very poorly drained\"|\"11\"\n20|\"Water\"||\"11\"\n75|\"Clarion\"|\"Well drained\"|\"12\"\n5|\"Okoboji\"|\"Very poorly drained\"|\"12\"\n";
    let classes = || {
        let said = archive.run();
        assert_eq!(said.code, 0, "{}", said.stderr);
        let table = Archive::table(&archive.result("bad", "response.csv"));
        table.iter().map(|row| row["drainage_class"].clone()).collect::<std::collections::BTreeSet<_>>()
    };
    let both = ["Very poorly drained", "Well drained", "all"].map(str::to_owned).into();
    archive.write("layers/tabular/comp.txt", format!("comppct_r|compname|drainagecl|mukey\n{rows}"));
    assert_eq!(classes(), both);
    // two fifths of the one unit have the class that it is mapped as, three quarters of the other
    for row in
        Archive::table(&archive.result("bad", "response.csv")).iter().filter(|row| row["drainage_class"] != "all")
    {
        let unsure = row["caution"].contains("class-unsure");
        assert_eq!(unsure, row["drainage_class"] == "Very poorly drained", "{row:?}");
    }
    // as delivered, without a header: the columns are named by another table
    archive.write("layers/tabular/comp.txt", rows);
    fails(&archive, "layers/tabular/comp.txt: no column");
    let names = "\"chorizon\"|1|\"hzname\"|\"x\"\n\"component\"|2|\"compname\"|\"a\nb\"\n\"component\"|1|\"comppct_r\"|\"x\"\n\"component\"|4|\"mukey\"|\"x\"\n\"component\"|3|\"drainagecl\"|\"x\"\n";
    archive.write("layers/tabular/mstabcol.txt", names);
    assert_eq!(classes(), both);
    archive.edit("layers/tabular/comp.txt", "40|\"Okoboji\"", "39|\"Okoboji\"");
    assert_eq!(classes(), ["Well drained", "all"].map(str::to_owned).into());
    archive.edit("layers/tabular/comp.txt", "20|\"Water\"", "20%|\"Water\"");
    fails(&archive, "layers/tabular/comp.txt: row 3, column `comppct_r`: found `20%`");
    archive.edit("layers/tabular/comp.txt", "20%|\"Water\"||", "20|\"Water\"|\"Damp\"|");
    fails(&archive, "unknown drainage class `Damp`");
    archive.edit("layers/tabular/comp.txt", "20|\"Water\"|\"Damp\"|", "20|\"Water\"||");
    archive.edit("layers/soils.geojson", "\"MUKEY\":\"12\"", "\"MUKEY\":\"13\"");
    fails(&archive, "layers/soils.geojson: polygon 2: map unit `13` has no component in layers/tabular/comp.txt");
    archive.edit("layers/soils.geojson", "MUKEY", "MUSYM");
    fails(&archive, "layers/soils.geojson: no column `mukey`; found: MUSYM");
}

#[test]
fn strips_in_kml_and_in_lines_of_geojson_read_like_geojson() {
    let archive = Archive::single();
    let response = || {
        let said = archive.run();
        assert_eq!(said.code, 0, "{}", said.stderr);
        archive.response("bad", "all")["response"].clone()
    };
    let expected = response();
    archive.write("fields/bad/strips.geojsonl", strip_features().join("\n") + "\n");
    archive.edit("fields/bad/field.toml", "strips.geojson", "strips.geojsonl");
    assert_eq!(response(), expected);
    let mut kml = "<?xml version=\"1.0\"?><kml xmlns=\"http://www.opengis.net/kml/2.2\"><Document>".to_owned();
    for strip in 0..STRIPS {
        let (west, east) = (strip as f64 * SWATH, (strip as f64 + 1.0) * SWATH);
        let corners = [(west, 0.0), (east, 0.0), (east, LENGTH), (west, LENGTH), (west, 0.0)];
        let corners: Vec<String> =
            corners.iter().map(|&(x, y)| degrees(x, y)).map(|(lon, lat)| format!("{lon:.9},{lat:.9},0")).collect();
        let treatment = if TREATED[strip] { "band" } else { "check" };
        write!(kml, "<Placemark><name>s{strip}</name><ExtendedData><Data name=\"treatment\"><value>{treatment}</value></Data><Data name=\"block\"><value>{}</value></Data><Data name=\"strip\"><value>s{strip}</value></Data></ExtendedData><Polygon><outerBoundaryIs><LinearRing><coordinates>{}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>", strip / 2 + 1, corners.join(" ")).unwrap();
    }
    kml.push_str("</Document></kml>");
    archive.write("fields/bad/strips.kml", &kml);
    archive.edit("fields/bad/field.toml", "strips.geojsonl", "strips.kml");
    assert_eq!(response(), expected);
    archive.write(
        "fields/bad/layers.zip",
        zipped(&[("a/strips.kml".to_owned(), kml.into_bytes()), ("b.csv".to_owned(), b"a\n1\n".to_vec())]),
    );
    archive.edit("fields/bad/field.toml", "strips.kml", "layers.zip/a/strips.kml");
    assert_eq!(response(), expected);
    archive.edit("fields/bad/field.toml", "a/strips.kml", "strips.kml");
    fails(&archive, "fields/bad/layers.zip/strips.kml");
    archive.write("fields/bad/layers.zip", zipped(&[("../strips.kml".to_owned(), b"<kml/>".to_vec())]));
    fails(&archive, "leads out of the .zip");
}

/// Two rows of a header, strips in KML, a zipped pile of grids, and a soil survey with its tables.
#[test]
fn a_folder_of_delivered_files_is_drafted() {
    let folder = tempfile::tempdir().unwrap();
    let raw = folder.path().join("raw");
    let write = |name: &str, content: &[u8]| {
        std::fs::create_dir_all(raw.join(name).parent().unwrap()).unwrap();
        std::fs::write(raw.join(name), content).unwrap();
    };
    let mut text = String::from("Time,Place,,Grain,,Machine\nutc,lon,lat,flow (kg/s),moisture (%),speed (m/s)\n");
    for (at, row) in crate::archive::rows().iter().enumerate() {
        let moisture = 18.0 + 0.3 * crate::archive::noise(at);
        writeln!(text, "{},{:.8},{:.8},{},{moisture:.2},{}", row.time, row.lon, row.lat, row.flow, row.speed).unwrap();
    }
    write("2023/mill-field/corn.csv", text.as_bytes());
    write("2023/mill-field/trial.geojsonl", strip_features().join("\n").as_bytes());
    let grid = |name: &str, value: f64| {
        [(format!("{name}.asc"), ascii(value).into_bytes()), (format!("{name}.prj"), WGS84.as_bytes().to_vec())]
    };
    write("rain.zip", &zipped(&[grid("rain_2023-05", 140.0), grid("normal_05", 100.0)].concat()));
    let unit = |key: &str, south: f64, north: f64| {
        feature(&ring(-20.0, south, 80.0, north), &format!("{{\"MUKEY\":\"{key}\"}}"))
    };
    write("soil/units.geojson", collection(&[unit("11", -20.0, 200.0), unit("12", 200.0, LENGTH + 20.0)]).as_bytes());
    write(
        "soil/comp.txt",
        b"comppct_r|drainagecl|mukey\n80|Poorly drained|11\n20|Well drained|11\n100|Well drained|12\n",
    );
    write("weather.csv", format!("{STATIONS}a,-93.6,42.0,2023-05,1\n").as_bytes());
    let said = crate::archive::say(&["inspect", raw.to_str().unwrap()]);
    for line in [
        "rain.zip/normal_05.asc: a grid with values about 100.0",
        "soil/comp.txt: components of a soil survey's map units",
        "soil/units.geojson: 2 soil polygons; keys of map units in `MUKEY`",
        "weather.csv: precipitation of 1 weather stations",
    ] {
        assert!(said.stdout.contains(line), "{line}: {}", said.stdout);
    }
    let said = crate::archive::say(&["inspect", raw.join("rain.zip").to_str().unwrap()]);
    assert!(said.stdout.contains("rain.zip/rain_2023-05.asc: a grid with values about 140.0"), "{}", said.stdout);
    let said = crate::archive::say(&["inspect", raw.join("rain.zip/normal_05.asc").to_str().unwrap()]);
    assert!(said.stdout.contains("values:  100 to 100; 12 of 12 cells hold data"), "{}", said.stdout);
    let said = crate::archive::say(&["draft", raw.to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let archive = std::fs::read_to_string(raw.join("archive.toml")).unwrap();
    for lines in [
        "[soil]\npath = \"soil/units.geojson\"\ncomponents = \"soil/comp.txt\"\n",
        "[wetness]\nmonths = [5]\ntotal = \"rain.zip/rain_{season}-{month}.asc\"\nnormal = \"rain.zip/normal_{month}.asc\"\nunit = \"mm\"\n",
    ] {
        assert!(archive.contains(lines), "{lines}: {archive}");
    }
    let field = std::fs::read_to_string(raw.join("2023/raw/mill-field/field.toml")).unwrap();
    for line in ["longitude = \"Place lon\"", "column = \"Grain flow (kg/s)\", unit = \"kg/s\"", "trial.geojsonl"] {
        assert!(field.contains(line), "{line}: {field}");
    }
    let answers =
        archive.replace("price = \"?\"", "price = \"4.20 USD/bu\"").replace("cost = \"?\"", "cost = \"20 USD/ac\"");
    std::fs::write(raw.join("archive.toml"), answers.replace("width = \"?\"", "width = \"30 ft\"")).unwrap();
    let out = folder.path().join("out");
    let said = crate::archive::say(&["run", raw.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let table = std::fs::read_to_string(out.join("site_years.csv")).unwrap();
    assert!(table.contains(",wetter,40"), "{table}");
}
