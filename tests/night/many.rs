//! An archive of many site-years, some of them broken.

use std::fmt::Write;
use std::fs;

use crate::archive::Archive;

/// Site-years in the archive, as many as the environment says.
fn count(default: usize) -> usize {
    std::env::var("BANDLIFT_TEST_SITE_YEARS").ok().and_then(|text| text.parse().ok()).unwrap_or(default)
}

/// Small fields that are mapped only: two short passes.
fn archive_of(site_years: usize) -> Archive {
    let archive = Archive::single();
    fs::remove_dir_all(archive.path("fields")).unwrap();
    archive.write(
        "archive.toml",
        "name = \"Many\"\n[crops.corn]\nprice = \"4.20 USD/bu\"\n[treatments.check]\ncheck = true\n",
    );
    // the harvest of each season, on the same day of its year
    let records = |season: usize| {
        let mut records = String::from("t,x,y,flow,moist,speed,down\n");
        for (pass, at) in (0..2).flat_map(|pass| (0..30).map(move |at| (pass, at))) {
            let y = if pass == 0 { at * 2 } else { 58 - at * 2 };
            let (time, x) = (1_696_000_000 - (2023 - season) * 31_557_600 + pass * 90 + at, 450_000 + pass * 9);
            writeln!(records, "{time},{x},{},1{}.5,18.0,2.0,1", 4_650_000 + y, at % 3).unwrap();
        }
        records
    };
    for at in 0..site_years {
        let folder = format!("{}/field-{at:05}", 2000 + at % 20);
        archive.write(&format!("{folder}/harvest.csv"), records(2000 + at % 20));
        let swath = if is_broken(at) { "much" } else { "9 m" };
        archive.write(
            &format!("{folder}/field.toml"),
            format!(
                r#"farm = "Farm {}"
field = "Field {at}"
season = {}
crop = "corn"
[[harvest]]
path = "harvest.csv"
crs = "EPSG:32615"
machine = "A"
swath = "{swath}"
[harvest.columns]
time = {{ column = "t", format = "epoch_s" }}
easting = "x"
northing = "y"
mass_flow = {{ column = "flow", unit = "kg/s" }}
moisture = {{ column = "moist", unit = "%" }}
speed = {{ column = "speed", unit = "m/s" }}
header = "down"
"#,
                at / 100,
                2000 + at % 20
            ),
        );
    }
    archive
}

fn is_broken(at: usize) -> bool {
    at % 100 == 42
}

fn runs_with_its_broken_ones_named(site_years: usize) {
    let archive = archive_of(site_years);
    let broken = (0..site_years).filter(|at| is_broken(*at)).count();
    let sound = site_years - broken;
    let said = archive.run();
    assert_eq!(said.code, 1, "{}", said.stderr.lines().last().unwrap());
    let last = said.stderr.lines().last().unwrap();
    let expected = format!("{site_years} site-years: {sound} computed, 0 unchanged, {broken} failed, 0 retired");
    assert!(last.starts_with(&expected), "{last}");
    let run = archive.run_json();
    assert_eq!(run["failures"].as_array().unwrap().len(), broken);
    println!("{last}; peak memory {} MB", run["peak_memory_bytes"].as_u64().unwrap_or(0) / 1_000_000);
    let said = archive.run();
    let last = said.stderr.lines().last().unwrap();
    assert!(last.contains(&format!("0 computed, {sound} unchanged, {broken} failed")), "{last}");
    println!("{last}");
}

#[test]
fn three_hundred_site_years_of_which_three_are_broken() {
    runs_with_its_broken_ones_named(count(300));
}

#[test]
#[ignore = "takes a minute or more"]
fn five_thousand_site_years_of_which_one_in_a_hundred_is_broken() {
    runs_with_its_broken_ones_named(count(5_000));
}
