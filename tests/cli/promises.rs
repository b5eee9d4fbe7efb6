//! Promises of plans: kept beside the plan, scored when the harvest arrives, told where they were not kept.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::archive::{Archive, FIELD, LIFT, TREATED, collection, csv, noise, rows, say, strip_features};
use crate::observed::row_is_reported;

const HEADER: &str = "season,known_to,farm,field,crop,treatment,drainage_class,decision,treat_m2,response_kg_ha,\
                      predicted_low_kg_ha,predicted_high_kg_ha,confidence,break_even_kg_ha,net_return_per_ha,currency,\
                      probability_pays,probability_new_site_pays,outlook,first";

/// Adds two fields of a season whose treated strips yield so much more, as a share.
fn grow(archive: &Archive, season: i32, lift: f64) {
    archive.raster(&format!("layers/total_{season}_05.tif"), 100.0);
    for (at, field) in ["east", "west"].into_iter().enumerate() {
        let mut records = rows();
        let steps = records.len() / TREATED.len();
        for (place, record) in records.iter_mut().enumerate() {
            let flow: f64 = record.flow.parse().unwrap();
            let own = 1.0 + 0.01 * noise(place + 7919 * (2 * season as usize + at));
            let moved = if TREATED[place / steps] { (1.0 + lift) / (1.0 + LIFT) } else { 1.0 };
            record.flow = format!("{:.5}", flow * own * moved);
            // the autumn of the season
            record.time += f64::from(season - 2023) * 365.25 * 86_400.0;
        }
        let folder = format!("fields/{season}-{field}");
        let settings = FIELD.replace("\"FIELD\"", &format!("\"{field}\"")).replace("2023", &season.to_string());
        archive.write(&format!("{folder}/field.toml"), settings);
        archive.write(&format!("{folder}/harvest.csv"), csv(&records));
        archive.write(&format!("{folder}/strips.geojson"), collection(&strip_features()));
    }
}

fn plan(archive: &Archive) {
    let said = say(&["plan", archive.root().to_str().unwrap(), "--out", archive.out().to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
}

fn table(path: &Path) -> Vec<BTreeMap<String, String>> {
    Archive::table(path)
}

#[test]
fn a_plan_keeps_its_promises_until_the_harvest_tells_and_no_longer() {
    let archive = Archive::new();
    for folder in ["good", "bad"] {
        fs::remove_dir_all(archive.path(&format!("fields/{folder}"))).unwrap();
    }
    for season in [2020, 2021, 2022] {
        grow(&archive, season, LIFT);
    }
    plan(&archive);
    let of_season = |season: i32| archive.out().join(format!("plan/corn/promises/{season}/promised.csv"));
    let first = fs::read_to_string(of_season(2023)).unwrap();
    assert_eq!(first.lines().next().unwrap(), HEADER);
    assert!(table(&of_season(2023)).len() >= 2, "{first}");
    assert!(table(&archive.out().join("promises.csv")).is_empty());
    // the same season planned again under other prices replaces it
    archive.edit("archive.toml", "4.20 USD/bu", "4.40 USD/bu");
    plan(&archive);
    let second = fs::read_to_string(of_season(2023)).unwrap();
    assert_ne!(first, second);
    // a harvest of the season that failed was in the archive all the same: what was promised stays
    grow(&archive, 2023, LIFT);
    archive.edit("fields/2023-east/harvest.csv", "utc_s", "utc");
    archive.edit("fields/2023-west/harvest.csv", "utc_s", "utc");
    archive.edit("archive.toml", "4.40 USD/bu", "4.60 USD/bu");
    let said = say(&["plan", archive.root().to_str().unwrap(), "--out", archive.out().to_str().unwrap()]);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert_eq!(fs::read_to_string(of_season(2023)).unwrap(), second);
    // it is read: every promise of ground with a response of its own is scored
    grow(&archive, 2023, LIFT);
    assert_eq!(archive.run().code, 0);
    let scored = table(&archive.out().join("promises.csv"));
    assert!(!scored.is_empty() && scored.iter().all(|row| row["season"] == "2023" && row["known_to"] == "2022"));
    for row in &scored {
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        assert!(number("check_low") <= number("predicted_low") && number("check_high") >= number("predicted_high"));
        let is_inside = (number("check_low")..=number("check_high")).contains(&number("response"));
        assert_eq!(row["inside"] == "yes", is_inside, "{row:?}");
        assert_eq!(row["inside"], "yes", "{row:?}");
        // money is made where it was promised, on the same ground: at the rounding of both to the cent and to the acre
        if row["decision"] == "treat" {
            let money = number("net_return_promised") * number("area");
            assert!((money - number("money_promised")).abs() < 1.0 + 0.01 * number("area"), "{row:?}");
        }
    }
    let index = fs::read_to_string(archive.out().join("index.html")).unwrap();
    assert!(index.contains("Found against promised") && index.contains("promises for corn in one season"));
    // the next plan's promises stand beside those of 2023
    plan(&archive);
    assert!(of_season(2024).is_file() && of_season(2023).is_file());
    // a promise that says that it was made when the harvest was in is not scored
    fs::write(of_season(2023), second.replace("\n2023,2022,", "\n2023,2023,")).unwrap();
    assert_eq!(archive.run().code, 0);
    assert!(table(&archive.out().join("promises.csv")).is_empty());
    // one that cannot be read is named with its row
    fs::write(of_season(2023), second.replace("\n2023,2022,", "\n2023,soon,")).unwrap();
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let notes = archive.run_json()["notes"].to_string();
    assert!(notes.contains("row 2: known_to: expected a year, found `soon`; its promises are not scored"), "{notes}");
}

/// Promises of two seasons in which all fields fell far short.
#[test]
fn promises_that_were_not_kept_stand_beside_the_next_plan() {
    let room = TempDir::new().unwrap();
    let archive = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive");
    let out = room.path().join("out");
    let arguments = ["plan", archive.to_str().unwrap(), "--out", out.to_str().unwrap()];
    assert_eq!(say(&arguments).code, 0);
    let caution = "Former plans did not keep what they promised";
    let told = |file: &str| fs::read_to_string(out.join(file)).unwrap().contains(caution);
    assert!(!told("index.html"));
    for season in ["2023", "2024"] {
        let known = season.parse::<i32>().unwrap() - 1;
        let mut text = format!("{HEADER}\n");
        for row in table(&out.join("site_years.csv")).iter().filter(|row| row["season"] == season) {
            let place = [&row["farm"], &row["field"], &row["crop"], &row["treatment"]].map(String::as_str).join(",");
            writeln!(text, "{season},{known},{place},all,treat,50000,9000,8000,10000,0.9,300,400,USD,0.9,0.8,,")
                .unwrap();
        }
        let folder = out.join("plan/corn/promises").join(season);
        fs::create_dir_all(&folder).unwrap();
        fs::write(folder.join("promised.csv"), text).unwrap();
    }
    let said = say(&arguments);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains(caution), "{}", said.stdout);
    let rows = table(&out.join("plan/corn/plan.csv"));
    row_is_reported(&rows[0], "promises-not-kept");
    assert!(told("index.html") && told("plan/corn/README.txt"));
    let sheets: Vec<PathBuf> = walkdir::WalkDir::new(out.join("plan"))
        .into_iter()
        .map(|entry| entry.unwrap().into_path())
        .filter(|path| path.ends_with("strips.html"))
        .collect();
    assert!(!sheets.is_empty());
    assert!(sheets.iter().all(|sheet| fs::read_to_string(sheet).unwrap().contains(caution)));
}
