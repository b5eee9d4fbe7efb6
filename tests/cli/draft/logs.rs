//! Logs of applications, tables of stations, of what was seen and of the ground, among the files of a folder.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use crate::applied::{RATE, archive, log, text};
use crate::archive::{Archive, LENGTH, SWATH, TREATED, collection, degrees, say, strip_features};

/// The raw files of a field with a log of its planter, beside the archive over the same files that was written by hand.
struct Raw {
    by_hand: Archive,
    folder: PathBuf,
}

/// Settings that the drafted archive shares with the one written by hand.
const CLEAN: &str =
    "\n[clean]\nlag = \"0 s\"\npass_entry = \"0 s\"\npass_exit = \"0 s\"\n[model]\nedge_along = \"10 m\"\n";

impl Raw {
    fn new() -> Self {
        let by_hand = archive(&log(&TREATED, 0.0), false);
        fs::remove_dir_all(by_hand.path("fields/good")).unwrap();
        let folder = by_hand.dir.path().join("raw");
        let raw = Self { by_hand, folder };
        raw.copy("fields/bad/harvest.csv", "2023/mill/day.csv");
        // what it is called tells nothing
        let planter = fs::read_to_string(raw.by_hand.path("fields/bad/planter.csv")).unwrap();
        raw.write("2023/mill/x17.csv", planter.replacen("rate,width", "rate_l_ha,width_m", 1));
        for name in ["soils.geojson", "total_2023_05.tif", "normal_05.tif"] {
            raw.copy(&format!("layers/{name}"), &format!("layers/{name}"));
        }
        raw
    }

    fn copy(&self, from: &str, to: &str) {
        self.write(to, fs::read(self.by_hand.path(from)).unwrap());
    }

    fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        let path = self.folder.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }

    fn read(&self, name: &str) -> String {
        fs::read_to_string(self.folder.join(name)).unwrap()
    }

    #[track_caller]
    fn draft(&self, more: &[&str]) -> String {
        let mut arguments = vec!["draft", self.folder.to_str().unwrap()];
        arguments.extend(more);
        let said = say(&arguments);
        assert_eq!(said.code, 0, "{}", said.stderr);
        said.stdout
    }

    /// Answers what is open, and runs; the rows of response.csv by treatment and class, without the names of treatments.
    #[track_caller]
    fn run(&self, answers: &[(&str, &str)]) -> Vec<Vec<String>> {
        let mut settings = self.read("archive.toml");
        // units of the reports are those of the files, and these are metric
        let settings_of = [("report_units = \"metric\"", "report_units = \"us\"")];
        let usual = [("price = \"?\"", "price = \"4.20 USD/bu\""), ("cost = \"?\"", "cost = \"20 USD/ac\"")];
        // a header that never rises, and a crop that no file names
        let asked = [
            ("width = \"?\"", "width = \"9.144 m\""),
            ("crop = \"?\"", "crop = \"corn\""),
            ("header = \"?\"", "header = \"down\""),
        ];
        for (open, answer) in usual.iter().chain(&settings_of).chain(&asked).chain(answers) {
            settings = settings.replace(open, answer);
        }
        fs::write(self.folder.join("archive.toml"), settings + CLEAN).unwrap();
        let out = self.by_hand.dir.path().join("drafted");
        let said = say(&["run", self.folder.to_str().unwrap(), "--out", out.to_str().unwrap()]);
        assert_eq!(said.code, 0, "{}\n{}", said.stderr, self.read("archive.toml"));
        rows(&out)
    }

    fn field(&self) -> String {
        self.read("2023/raw/mill/field.toml")
    }

    fn by_hand(&self) -> Vec<Vec<String>> {
        let said = self.by_hand.run();
        assert_eq!(said.code, 0, "{}", said.stderr);
        rows(&self.by_hand.out())
    }
}

/// Numbers of the one response.csv below a folder.
fn rows(out: &Path) -> Vec<Vec<String>> {
    let files = walkdir::WalkDir::new(out).into_iter().map(Result::unwrap);
    let found: Vec<_> = files.filter(|entry| entry.file_name() == "response.csv").collect();
    assert_eq!(found.len(), 1);
    let table: Vec<BTreeMap<String, String>> = Archive::table(found[0].path());
    let columns =
        ["drainage_class", "wetness_mm", "blocks", "strips", "segments", "check_yield", "response", "std_error"];
    table.iter().map(|row| columns.iter().map(|name| row[*name].clone()).collect()).collect()
}

#[test]
fn a_log_of_rates_is_found_by_what_it_holds_and_answers_as_one_written_by_hand() {
    let raw = Raw::new();
    let said = say(&["inspect", raw.folder.join("2023/mill/x17.csv").to_str().unwrap()]);
    for text in [
        "rate_l_ha: 0 to 50; 0 % missing; 2 values; probably rate of application in L/ha",
        "width_m: 9.144 to 9.144; 0 % missing; 1 value; probably width in m",
        "sections: 1111 to 1111; 0 % missing; 1 value; probably sections, a digit for each",
        "probably time, epoch_s",
    ] {
        assert!(said.stdout.contains(text), "{text}: {}", said.stdout);
    }
    let said = say(&["inspect", raw.folder.to_str().unwrap()]);
    assert!(
        said.stdout.contains("x17.csv: 1200 records of an application, with times; rates: none, 50 L/ha"),
        "{}",
        said.stdout
    );
    raw.draft(&[]);
    let field = raw.field();
    for line in [
        "[applied]\npath = \"../../mill/x17.csv\"\ncrs = \"EPSG:4326\"",
        "time = { column = \"utc_s\", format = \"epoch_s\" }",
        "rate = { column = \"rate_l_ha\", unit = \"L/ha\" }",
        "width = { column = \"width_m\", unit = \"m\" }",
        "sections = \"sections\"",
    ] {
        assert!(field.contains(line), "{line}: {field}");
    }
    let settings = raw.read("archive.toml");
    assert!(settings.contains("[treatments.check]\nlabel = \"untreated check\"\ncheck = true"), "{settings}");
    assert!(settings.contains("[treatments.rate_50_l_ha]\nlabel = \"50 L/ha\"\nrate = \"50 L/ha\""), "{settings}");
    assert!(raw.read("draft.md").contains("rates: none, 50 L/ha"));
    assert_eq!(raw.run(&[]), raw.by_hand());
}

#[test]
fn a_rate_without_a_unit_is_a_question() {
    let raw = Raw::new();
    raw.write("2023/mill/x17.csv", text(&log(&TREATED, 0.0)));
    let said = raw.draft(&[]);
    assert!(said.contains("question rate_unit: In which unit does `rate` give the rate of application?"), "{said}");
    assert!(said.contains("to fill in: treatments.rate_50.rate"), "{said}");
    assert_eq!(
        raw.run(&[("rate_unit = \"?\"", "rate_unit = \"L/ha\""), ("rate = \"?\"", "rate = \"50 L/ha\"")]),
        raw.by_hand()
    );
}

#[test]
fn a_log_beside_drawn_strips_tells_the_rate_of_their_labels() {
    let raw = Raw::new();
    let strips = collection(&strip_features());
    raw.write("2023/mill/strips.geojson", &strips);
    raw.by_hand.write("fields/bad/strips.geojson", &strips);
    let field = fs::read_to_string(raw.by_hand.path("fields/bad/field.toml")).unwrap();
    let strips = "[strips]\npath = \"strips.geojson\"\nblock = \"block\"\nstrip = \"strip\"\n";
    let field = field.replace("randomized = true\n", "").replace("[applied]", &format!("{strips}[applied]"));
    raw.by_hand.write("fields/bad/field.toml", field);
    raw.draft(&[]);
    let settings = raw.read("archive.toml");
    assert!(settings.contains("[treatments.band]\nlabel = \"band\"\nrate = \"50 L/ha\""), "{settings}");
    assert_eq!(settings.matches("[treatments.").count(), 2, "{settings}");
    assert_eq!(raw.run(&[]), raw.by_hand());
}

/// Lines, one a strip, that tell no more than their day.
#[test]
fn a_layer_of_lines_is_a_log() {
    let raw = Raw::new();
    fs::remove_file(raw.folder.join("2023/mill/x17.csv")).unwrap();
    let features: Vec<String> = TREATED
        .iter()
        .enumerate()
        .map(|(strip, treated)| {
            let x = (strip as f64 + 0.5) * SWATH;
            let places = [degrees(x, 0.0), degrees(x, LENGTH)].map(|(lon, lat)| format!("[{lon:.8},{lat:.8}]"));
            let rate = if *treated { RATE } else { 0.0 };
            format!(
                "{{\"type\":\"Feature\",\"properties\":{{\"Tag\":\"29.04.2023\",\"Menge l/ha\":{rate},\"Breite (m)\":{SWATH}}},\
                 \"geometry\":{{\"type\":\"LineString\",\"coordinates\":[{}]}}}}",
                places.join(",")
            )
        })
        .collect();
    raw.write("2023/mill/lines.geojson", collection(&features));
    raw.draft(&[]);
    let field = raw.field();
    for line in [
        "time = { column = \"Tag\", format = \"%d.%m.%Y\" }",
        "rate = { column = \"Menge l/ha\", unit = \"L/ha\" }",
        "width = { column = \"Breite (m)\", unit = \"m\" }",
    ] {
        assert!(field.contains(line), "{line}: {field}");
    }
    let (lines, points) = (raw.run(&[]), raw.by_hand());
    let of = |rows: &[Vec<String>]| rows.last().unwrap()[6].parse::<f64>().unwrap();
    assert!((of(&lines) - of(&points)).abs() < 0.5, "{lines:?} {points:?}");
}

#[test]
fn a_log_that_comes_later_is_added_to_its_site_year() {
    let raw = Raw::new();
    let log = raw.read("2023/mill/x17.csv");
    fs::remove_file(raw.folder.join("2023/mill/x17.csv")).unwrap();
    raw.draft(&[]);
    let before = (raw.field(), raw.read("archive.toml"));
    assert_eq!(raw.draft(&["--update"]), "nothing new\n");
    raw.write("2023/mill/x17.csv", log);
    let said = raw.draft(&["--update"]);
    assert!(said.starts_with("2023/raw/mill/field.toml\n"), "{said}");
    let after = (raw.field(), raw.read("archive.toml"));
    assert!(after.0.starts_with(&before.0) && after.0.contains("[applied]"), "{}", after.0);
    assert!(after.1.starts_with(&before.1) && after.1.contains("[treatments.rate_50_l_ha]"), "{}", after.1);
    assert_eq!(raw.draft(&["--update"]), "nothing new\n");
    assert_eq!((raw.field(), raw.read("archive.toml")), after);
    assert_eq!(raw.run(&[]), raw.by_hand());
}

/// Months of a station that lies in the field: 100 mm in each May of ten years, 140 in that of the season, so that the normal is 103.6.
#[test]
fn tables_of_stations_stand_in_for_grids() {
    let raw = Raw::new();
    fs::remove_file(raw.folder.join("layers/total_2023_05.tif")).unwrap();
    fs::remove_file(raw.folder.join("layers/normal_05.tif")).unwrap();
    let (lon, lat) = degrees(0.0, 0.0);
    let mut table = String::from("Monat,Niederschlag (mm),Station,Longitude,Latitude\n");
    for year in 2013..=2023 {
        for month in 4..=6 {
            let depth = if (year, month) == (2023, 5) { 140 } else { 100 + (month - 5) * 30 };
            let _ = writeln!(table, "{year}-{month:02},{depth},Mill,{lon:.4},{lat:.4}");
        }
    }
    raw.write("layers/weather.csv", &table);
    let said = say(&["inspect", raw.folder.join("layers/weather.csv").to_str().unwrap()]);
    assert!(
        said.stdout.contains("Niederschlag (mm): 70 to 140; 0 % missing; 4 values; probably precipitation in mm"),
        "{}",
        said.stdout
    );
    let said = raw.draft(&[]);
    assert!(said.contains("to fill in: wetness.months"), "{said}");
    let settings = raw.read("archive.toml");
    assert!(
        settings.contains(
            "stations = \"layers/weather.csv\"\nunit = \"mm\"\ndate = \"Monat\"\nprecipitation = \"Niederschlag (mm)\""
        ),
        "{settings}"
    );
    let found = raw.run(&[("months = []", "months = [5]")]);
    let mm: f64 = found[0][1].parse().unwrap();
    assert!((mm - (140.0 - 1140.0 / 11.0)).abs() < 0.1, "{found:?}");
}

#[test]
fn tables_of_looks_and_samples_wait_to_be_uncommented() {
    let raw = Raw::new();
    let mut looks = String::from("lon,lat,rating,plants,day,spot\n");
    let mut samples = String::from("longitude,latitude,Clay (%),pH\n");
    for strip in 0..6 {
        for spot in 0..4 {
            let (lon, lat) = degrees((f64::from(strip) + 0.5) * SWATH, 50.0 + 100.0 * f64::from(spot));
            let word = ["healthy", "rotted"][usize::from(spot % 2 == 0)];
            let _ =
                writeln!(looks, "{lon:.7},{lat:.7},{word},{},2023-06-14,{strip}{spot}", 20 + (spot * 7 + strip) % 9);
            let _ = writeln!(samples, "{lon:.7},{lat:.7},{:.1},6.{}", 20.0 + f64::from(spot), (spot + strip) % 9);
        }
    }
    raw.write("2023/mill/looks.csv", looks);
    raw.write("layers/samples.csv", samples);
    let said = raw.draft(&[]);
    for what in [
        "[[observed]] rating of 2023/mill/looks.csv",
        "[[observed]] plants of",
        "[[covariate]] Clay (%) of layers/samples.csv",
    ] {
        assert!(said.contains(what), "{what}: {said}");
    }
    let said = say(&["inspect", raw.folder.join("2023/mill/looks.csv").to_str().unwrap()]);
    for what in [
        "rating: text; 0 % missing; 2 values; probably a rating by healthy, rotted",
        "plants: 20 to 28; 0 % missing; 9 values; probably a count",
    ] {
        assert!(said.stdout.contains(what), "{what}: {}", said.stdout);
    }
    let without = raw.run(&[]);
    // the entries are sound as they stand
    for name in ["archive.toml", "2023/raw/mill/field.toml"] {
        let settings = raw.read(name);
        let (head, remarks) = settings.split_once("\n# Probably").unwrap();
        let mut open = String::from(head);
        for line in remarks.lines().skip(1) {
            open.push('\n');
            open.push_str(if line.contains("Probably") { "" } else { line.strip_prefix("# ").unwrap_or(line) });
        }
        fs::write(raw.folder.join(name), open + "\n").unwrap();
    }
    assert_eq!(raw.run(&[(CLEAN, "")]), without);
    let observed = walkdir::WalkDir::new(raw.by_hand.dir.path().join("drafted")).into_iter().map(Result::unwrap);
    let observed: Vec<_> = observed.filter(|entry| entry.file_name() == "observed.csv").collect();
    let table = fs::read_to_string(observed[0].path()).unwrap();
    assert!(table.contains("rating") && table.contains("plants"), "{table}");
}

#[test]
fn strips_that_a_table_names_tell_where_its_looks_belong() {
    let raw = Raw::new();
    raw.write("2023/mill/strips.geojson", collection(&strip_features()));
    let mut looks = String::from("strip,stand count,scout\n");
    for strip in 0..6 {
        for look in 0..3 {
            let _ = writeln!(looks, "s{strip},{},R. Fenn", 30 + (strip * 5 + look * 3) % 7);
        }
    }
    raw.write("notes/stands.csv", looks);
    let said = raw.draft(&[]);
    assert!(said.contains("[[observed]] stand count of notes/stands.csv, in 2023/raw/mill/field.toml"), "{said}");
    let field = raw.field();
    for line in ["# kind = \"count\"", "# value = \"stand count\"", "# strip = \"strip\"", "# observer = \"scout\""] {
        assert!(field.contains(line), "{line}: {field}");
    }
}
