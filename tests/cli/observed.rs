//! Counts and ratings made in the field: joined to strips, compared between treatments, told beside the yield.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;

use crate::archive::{Archive, LENGTH, STRIPS, SWATH, TREATED, collection, degrees, feature, ring};

const CROWN: &str = r#"
[[observed]]
name = "crown rot"
path = "crown.csv"
crs = "EPSG:4326"
kind = "ordinal"
levels = ["healthy", "marked", "rotted"]
blind = true
observer = "R. Fenn"
[observed.columns]
value = "rating"
longitude = "lon"
latitude = "lat"
spot = "spot"
plant = "plant"
date = "day"
"#;

/// Two spots of five plants on each strip; on treated strips one or two plants of a spot are worse than healthy, on checks three or four.
fn crown() -> String {
    let mut text = String::from("lon,lat,spot,plant,rating,day\n");
    for (strip, treated) in TREATED.iter().enumerate() {
        for (spot, share) in [0.3, 0.7].into_iter().enumerate() {
            let (lon, lat) = degrees((strip as f64 + 0.5) * SWATH, share * LENGTH);
            for plant in 0..5 {
                let bad = if *treated { 1 + usize::from(strip == 4) } else { 3 + (strip + spot) % 2 };
                let rating = match plant {
                    0 if !treated => "rotted",
                    plant if plant < bad => "marked",
                    _ => "healthy",
                };
                writeln!(text, "{lon:.8},{lat:.8},{spot},{plant},{rating},2023-08-14").unwrap();
            }
        }
    }
    text
}

fn archive(settings: &str, file: &str, table: impl AsRef<[u8]>) -> Archive {
    let archive = Archive::new();
    archive.write(&format!("fields/bad/{file}"), table);
    let field = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    archive.write("fields/bad/field.toml", field + settings);
    archive
}

#[track_caller]
fn done(archive: &Archive) -> Vec<BTreeMap<String, String>> {
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    Archive::table(&archive.result("bad", "observed.csv"))
}

/// Expects a caution in a row of `observed.csv`.
#[track_caller]
pub fn row_is_reported(row: &BTreeMap<String, String>, code: &str) {
    assert!(row["caution"].split(';').any(|known| known == code), "expected `{code}` in {row:?}");
}

fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {row:?}"))
}

#[test]
fn ratings_are_reported_beside_the_yield() {
    let archive = archive(CROWN, "crown.csv", crown());
    let rows = done(&archive);
    let whole = &rows[0];
    assert_eq!(whole["measure"], "crown rot");
    assert_eq!((whole["blocks"].as_str(), whole["strips"].as_str()), ("3", "6"));
    assert_eq!((whole["spots"].as_str(), whole["plants"].as_str()), ("12", "60"));
    assert_eq!((whole["blind"].as_str(), whole["observers"].as_str()), ("yes", "R. Fenn"));
    assert_eq!((whole["check_level"].as_str(), whole["treated_level"].as_str()), ("70.000", "26.667"));
    assert_eq!(whole["df"], "2.00", "six strips of three blocks are three differences");
    assert!(number(whole, "observed_difference") < 0.4);
    assert!(number(whole, "difference_low") < number(whole, "observed_difference"));
    row_is_reported(whole, "few-blocks");
    assert!(!whole["caution"].contains("not-blind"));
    // a spot stands on each of the two soils
    let classes: Vec<&str> = rows.iter().map(|row| row["drainage_class"].as_str()).collect();
    assert_eq!(classes.len(), 3, "{classes:?}");
    assert!(classes.contains(&"Poorly drained") && classes.contains(&"Well drained"));
    let page = fs::read_to_string(archive.result("bad", "report.html")).unwrap();
    assert!(page.contains("What was seen") && page.contains("the odds of a worse level"), "the page is silent");
    assert!(!archive.result("good", "observed.csv").exists());
    let page = fs::read_to_string(archive.result("good", "report.html")).unwrap();
    assert!(!page.contains("What was seen"));
    // what was seen moves no yield
    assert_eq!(archive.response("bad", "all")["response"], archive.response("good", "all")["response"]);
}

#[test]
fn one_table_may_hold_several_measures() {
    let settings = r#"
[[observed]]
path = "seen.csv"
name = "stand"
kind = "count"
[observed.columns]
value = "plants"
strip = "strip"
[[observed]]
path = "seen.csv"
name = "leaf spot"
kind = "percent"
[observed.columns]
value = "spot_pct"
strip = "strip"
"#;
    let archive = archive(settings, "seen.csv", "strip,plants,spot_pct\ns0,30,10\ns0,32,12\ns1,20,4\ns1,22,6\n");
    let rows = done(&archive);
    let plants = |measure: &str| rows.iter().find(|row| row["measure"] == measure).unwrap()["plants"].clone();
    assert_eq!((plants("stand").as_str(), plants("leaf spot").as_str()), ("4", "4"));
}

#[test]
fn a_column_of_strips_does_as_well_and_one_block_has_no_interval() {
    let settings = r#"
[[observed]]
path = "stand.csv"
kind = "count"
[observed.columns]
value = "plants"
strip = "strip"
"#;
    let archive = archive(settings, "stand.csv", "strip,plants\ns0,30\ns0,32\ns1,20\ns1,22\ns1,\n");
    let rows = done(&archive);
    assert_eq!(rows.len(), 1);
    assert_eq!((rows[0]["measure"].as_str(), rows[0]["plants"].as_str()), ("plants", "4"));
    assert!((number(&rows[0], "observed_difference") - 62.0 / 42.0).abs() < 1e-3);
    assert_eq!((rows[0]["difference_low"].as_str(), rows[0]["link_std_error"].as_str()), ("", ""));
    row_is_reported(&rows[0], "unreplicated");
    row_is_reported(&rows[0], "observed-not-blind");
    let page = fs::read_to_string(archive.result("bad", "report.html")).unwrap();
    assert!(page.contains("no interval can be given (one block only)"));
}

#[test]
fn percents_in_a_layer_and_places_beside_the_strips() {
    let settings = r#"
[[observed]]
name = "leaf disease"
path = "leaf.geojson"
kind = "percent"
[observed.columns]
value = "pct"
observer = "who"
blind = "blind"
"#;
    let point = |x: f64, pct: f64, blind: &str| {
        let (lon, lat) = degrees(x, 100.0);
        format!(
            "{{\"type\":\"Feature\",\"properties\":{{\"pct\":{pct},\"who\":\"A\",\"blind\":\"{blind}\"}},\"geometry\":{{\"type\":\"Point\",\"coordinates\":[{lon:.8},{lat:.8}]}}}}"
        )
    };
    let mut points: Vec<String> = (0..STRIPS)
        .map(|strip| {
            let pct = if TREATED[strip] { 10.0 } else { 20.0 } + strip as f64;
            point((strip as f64 + 0.5) * SWATH, pct, if strip == 0 { "no" } else { "yes" })
        })
        .collect();
    points.push(point(-5.0, 50.0, "yes"));
    let archive = archive(settings, "leaf.geojson", collection(&points));
    let rows = done(&archive);
    assert_eq!(rows[0]["blind"], "partly");
    let points = number(&rows[0], "observed_difference");
    assert!((-12.0..-8.0).contains(&points), "{points}");
    row_is_reported(&rows[0], "observed-off-strips");
    row_is_reported(&rows[0], "observed-not-blind");
}

#[test]
fn what_is_wrong_is_named_with_file_and_row() {
    let third = |from: &str, to: &str| {
        let table = crown();
        let mut lines: Vec<String> = table.lines().map(str::to_owned).collect();
        assert!(lines[3].contains(from), "{}", lines[3]);
        lines[3] = lines[3].replace(from, to);
        lines.join("\n")
    };
    let rating = crown().lines().nth(3).unwrap().split(',').nth(4).unwrap().to_owned();
    let (lon, _) = degrees(0.5 * SWATH, 0.3 * LENGTH);
    let (lon, far) = (format!("{lon:.8}"), format!("{:.8}", lon + 0.01));
    let cases = [
        (
            third(&rating, "dead"),
            "crown.csv: row 3, column `rating`: found `dead`, expected a level: healthy, marked, rotted",
        ),
        (third(&lon, &far), "crown.csv: row 3: ("),
        (third("2023-08-14", "14.08.2023"), "row 3, column `day`: found `14.08.2023`"),
        (
            third("2023-08-14", "2019-08-14"),
            "row 3, column `day`: found `2019-08-14`, expected a day of the season 2023",
        ),
        (third(&lon, ""), "row 3, column `lon`"),
    ];
    for (table, text) in cases {
        archive(CROWN, "crown.csv", table).fails_with(text);
    }
    let by_strip = "\n[[observed]]\npath = \"leaf.csv\"\nkind = \"percent\"\n[observed.columns]\nvalue = \"pct\"\nstrip = \"strip\"\n";
    archive(by_strip, "leaf.csv", "strip,pct\ns0,3\ns9,4\n")
        .fails_with("leaf.csv: row 2, column `strip`: found `s9`, expected a strip of the field: s0, s1");
    archive(by_strip, "leaf.csv", "strip,pct\ns0,3\ns1,104\n")
        .fails_with("leaf.csv: row 2, column `pct`: found `104`, expected a percent, 0 to 100");
    archive(by_strip, "leaf.csv", "strip,pct\n").fails_with("leaf.csv");
}

#[test]
fn a_place_outside_the_boundary_is_named() {
    let archive = archive(CROWN, "crown.csv", crown());
    archive.write("fields/bad/boundary.geojson", collection(&[feature(&ring(0.0, 0.0, 4.0 * SWATH, LENGTH), "{}")]));
    archive.edit(
        "fields/bad/field.toml",
        "crop = \"corn\"\n",
        "crop = \"corn\"\n[boundary]\npath = \"boundary.geojson\"\n",
    );
    // the sixth strip lies within the margin
    done(&archive);
    let narrow = collection(&[feature(&ring(0.0, 0.0, SWATH, LENGTH), "{}")]);
    archive.write("fields/bad/boundary.geojson", narrow);
    let said = archive.run();
    assert_eq!(said.code, 1);
    assert!(
        said.stderr.contains("crown.csv: row 41: (") && said.stderr.contains("outside the field"),
        "{}",
        said.stderr
    );
}

/// A photograph of 60 by 40 pixels as a camera writes it: turned, with a place and a comment.
fn photograph() -> Vec<u8> {
    let picture = image::RgbImage::from_fn(60, 40, |x, y| image::Rgb([4 * x as u8, 6 * y as u8, 90]));
    let mut jpeg = Vec::new();
    picture.write_with_encoder(image::codecs::jpeg::JpegEncoder::new(&mut jpeg)).unwrap();
    // TIFF in an APP1 segment (Exif 2.3, CIPA DC-008): orientation 6, and the directory of the place
    let entry = |tag: u16, kind: u16, count: u32, value: u32| {
        let mut bytes = [tag.to_le_bytes(), kind.to_le_bytes()].concat();
        bytes.extend([count.to_le_bytes(), value.to_le_bytes()].concat());
        bytes
    };
    let mut tiff = b"II*\0\x08\0\0\0\x02\0".to_vec();
    tiff.extend(entry(0x0112, 3, 1, 6));
    tiff.extend(entry(0x8825, 4, 1, 38));
    tiff.extend([0; 4]);
    tiff.extend(2_u16.to_le_bytes());
    tiff.extend(entry(1, 2, 2, u32::from(b'N')));
    tiff.extend(entry(2, 5, 3, 68));
    tiff.extend([0; 4]);
    // 41° 59′ 7.77″
    for (part, of) in [(41_u32, 1_u32), (59, 1), (777, 100)] {
        tiff.extend([part.to_le_bytes(), of.to_le_bytes()].concat());
    }
    let mut segment = b"\xFF\xE1".to_vec();
    let exif = [b"Exif\0\0".to_vec(), tiff].concat();
    segment.extend((exif.len() as u16 + 2).to_be_bytes());
    segment.extend(exif);
    let comment = b"taken by R. Fenn at the north gate";
    segment.extend([0xFF, 0xFE, 0, comment.len() as u8 + 2]);
    segment.extend(comment);
    [&jpeg[..2], &segment, &jpeg[2..]].concat()
}

/// The kinds of the segments of a JPEG before its pixels.
fn segments(jpeg: &[u8]) -> Vec<u8> {
    let (mut at, mut kinds) = (2, Vec::new());
    while jpeg[at] == 0xFF && jpeg[at + 1] != 0xDA {
        kinds.push(jpeg[at + 1]);
        at += 2 + usize::from(u16::from_be_bytes([jpeg[at + 2], jpeg[at + 3]]));
    }
    kinds
}

/// The measure of `CROWN` with a photograph of one plant on each strip of the first block.
fn with_photos(check: &str, treated: &str) -> Archive {
    let mut lines: Vec<String> = crown().lines().map(|line| format!("{line},")).collect();
    lines[0].push_str("photo");
    // strip s0 is treated, s1 is not; ten plants each
    lines[1].push_str(treated);
    lines[11].push_str(check);
    let archive = archive(&format!("{CROWN}photo = \"photo\"\n"), "crown.csv", lines.join("\n"));
    archive.write("fields/bad/pictures/a.jpg", photograph());
    let mut png = std::io::Cursor::new(Vec::new());
    image::RgbaImage::from_pixel(30, 20, image::Rgba([200, 40, 40, 255]))
        .write_to(&mut png, image::ImageFormat::Png)
        .unwrap();
    archive.write("fields/bad/pictures/b.PNG", png.into_inner());
    archive
}

#[test]
fn photographs_are_copied_without_place_and_shown_in_a_pair() {
    let source = photograph();
    let holds = |bytes: &[u8], text: &[u8]| bytes.windows(text.len()).any(|part| part == text);
    assert!(holds(&source, b"Exif") && holds(&source, b"north gate") && segments(&source).contains(&0xE1));
    let archive = with_photos("pictures/b.PNG", "pictures/a.jpg");
    done(&archive);
    let mut pictures: Vec<Vec<u8>> =
        ["photo-001.jpg", "photo-002.jpg"].map(|name| fs::read(archive.result("bad", name)).unwrap()).to_vec();
    // the camera was held upright
    let first = image::load_from_memory(&pictures[0]).unwrap();
    assert_eq!((first.width(), first.height()), (40, 60));
    let page = fs::read_to_string(archive.result("bad", "report.html")).unwrap();
    let shown: Vec<&str> =
        page.split("data:image/jpeg;base64,").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
    assert_eq!(shown.len(), 2, "a pair of check and treated");
    use base64::Engine;
    pictures.extend(shown.iter().map(|text| base64::engine::general_purpose::STANDARD.decode(text).unwrap()));
    for picture in &pictures {
        assert!(!holds(picture, b"Exif") && !holds(picture, b"gate") && !holds(picture, &777_u32.to_le_bytes()));
        let kinds = segments(picture);
        assert!(kinds.iter().all(|kind| matches!(kind, 0xE0 | 0xDB | 0xC0 | 0xC4)), "{kinds:x?}");
    }
    assert!(page.contains("untreated check: ") && page.contains("pictures&#x2f;a.jpg"));
    // they are inputs like all others: another picture is another page
    let before = page;
    archive.write("fields/bad/pictures/a.jpg", &source[..2]);
    let said = archive.run();
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("pictures/a.jpg"), "{}", said.stderr);
    archive.write("fields/bad/pictures/a.jpg", fs::read(archive.path("fields/bad/pictures/b.PNG")).unwrap());
    done(&archive);
    assert_ne!(before, fs::read_to_string(archive.result("bad", "report.html")).unwrap());
}

#[test]
fn photographs_that_cannot_be_used_are_named_with_file_and_row() {
    let fails = |check: &str, text: &str| with_photos(check, "pictures/a.jpg").fails_with(text);
    fails(
        "https://example.org/b.jpg",
        "crown.csv: row 11, column `photo`: `https://example.org/b.jpg` is a web address",
    );
    fails("pictures/none.jpg", "row 11, column `photo`: `pictures/none.jpg` matches no file");
    let outside = with_photos("../../../b.jpg", "pictures/a.jpg");
    outside.write("../b.jpg", photograph());
    outside.fails_with("`../../../b.jpg` leaves the archive");
    fails("crown.csv", "fields/bad/crown.csv: unknown kind of file; expected a photograph: JPEG or PNG");
}
