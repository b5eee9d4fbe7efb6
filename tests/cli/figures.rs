//! Figures to take along, and the dictionary of columns.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use polars_io::prelude::{ParquetReader, SerReader};
use tempfile::TempDir;

use crate::archive::{Archive, say};
use bandlift::report::LABEL_FIRST;

/// The drawings below a folder.
fn drawings(out: &Path) -> Vec<std::path::PathBuf> {
    let walk = walkdir::WalkDir::new(out.join("figures")).sort_by_file_name();
    let all = walk.into_iter().map(|entry| entry.unwrap().into_path());
    all.filter(|path| path.extension().is_some_and(|end| end == "svg")).collect()
}

/// Width and height of a PNG (W3C, Portable Network Graphics, section 11.2.1).
fn size(png: &Path) -> (u32, u32) {
    let bytes = fs::read(png).unwrap();
    assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n");
    let number = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
    (number(16), number(20))
}

#[test]
fn every_drawing_has_its_picture_and_an_unchanged_night_draws_nothing_anew() {
    let archive = Archive::single();
    assert_eq!(archive.run().code, 0);
    let found = drawings(&archive.out());
    assert!(found.iter().any(|path| path.to_string_lossy().contains("site_years")), "{found:?}");
    assert!(found.len() >= 3, "{found:?}");
    let times = || found.iter().map(|path| fs::metadata(path).unwrap().modified().unwrap()).collect::<Vec<_>>();
    let before = times();
    for drawing in &found {
        assert!(fs::read_to_string(drawing).unwrap().contains(LABEL_FIRST));
        assert_eq!(size(&drawing.with_extension("png")), (1280, 720));
    }
    assert_eq!(archive.run().code, 0);
    assert_eq!(before, times());
    // one that is gone, and one of a crop that is no more
    fs::remove_file(found[0].with_extension("png")).unwrap();
    fs::write(archive.out().join("figures/1-treatments-hops.svg"), "x").unwrap();
    assert_eq!(archive.run().code, 0);
    assert_eq!(drawings(&archive.out()), found);
    assert!(found[0].with_extension("png").is_file());
}

#[test]
fn figures_are_drawn_again_at_another_width() {
    let archive = Archive::single();
    assert_eq!(archive.run().code, 0);
    let out = archive.out().to_str().unwrap().to_owned();
    let said = say(&["figures", &out, "--only", "1-*", "--width", "640"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stderr.contains(LABEL_FIRST));
    assert_eq!(size(&archive.out().join("figures/1-treatments-corn.png")), (640, 360));
    let said = say(&["figures", &out, "--only", "nothing"]);
    assert!(said.code == 2 && said.stderr.contains("1-treatments-corn"), "{}", said.stderr);
    assert_eq!(say(&["figures", &out, "--width", "7"]).code, 2);
}

/// Every column of a real OUT stands in its own dictionary.
#[test]
fn the_dictionary_holds_every_column() {
    let room = TempDir::new().unwrap();
    let demo = room.path().join("demo");
    assert_eq!(say(&["demo", demo.to_str().unwrap()]).code, 0);
    let out = demo.join("out");
    let mut reader = csv::Reader::from_path(out.join("columns.csv")).unwrap();
    let known: BTreeSet<(String, String)> = reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            assert!(row.iter().take(3).all(|cell| !cell.is_empty()) && !row[4].is_empty(), "{row:?}");
            (row[0].rsplit('/').next().unwrap().to_owned(), row[1].to_owned())
        })
        .collect();
    let mut missing = BTreeSet::new();
    let mut look = |file: String, column: &str| {
        if !known.contains(&(file.clone(), column.to_owned())) {
            missing.insert((file, column.to_owned()));
        }
    };
    for entry in walkdir::WalkDir::new(&out).into_iter().map(Result::unwrap) {
        let (path, name) = (entry.path(), entry.file_name().to_string_lossy().into_owned());
        match path.extension().and_then(|end| end.to_str()) {
            Some("csv") => {
                for column in csv::Reader::from_path(path).unwrap().headers().unwrap() {
                    look(name.clone(), column);
                }
            }
            Some("parquet") => {
                let frame = ParquetReader::new(fs::File::open(path).unwrap()).finish().unwrap();
                for column in frame.get_column_names() {
                    look(name.clone(), column);
                }
            }
            Some("gpkg") => {
                let package = rusqlite::Connection::open(path).unwrap();
                let mut layers =
                    package.prepare("SELECT table_name FROM gpkg_contents WHERE data_type = 'features'").unwrap();
                let layers: Vec<String> = layers.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
                for layer in layers {
                    let statement = package.prepare(&format!("SELECT * FROM \"{layer}\"")).unwrap();
                    for column in statement.column_names().into_iter().filter(|one| !["fid", "geom"].contains(one)) {
                        look(format!("{name}:{layer}"), column);
                    }
                }
            }
            _ => {}
        }
    }
    assert!(missing.is_empty(), "{missing:?}");
    for of in ["columns", "marks", "cautions"] {
        let said = say(&["describe", of, "--json"]);
        let value: serde_json::Value = serde_json::from_str(&said.stdout).unwrap();
        assert!(said.code == 0 && value.as_array().unwrap().len() > 10, "{of}");
    }
}
