//! The lags of one combine over its fields.

use bandlift::demo::{MachinePlan, Scenario, simulate};

use crate::archive::{ARCHIVE, Archive};

/// A field of the given number of passes, as a file and its settings, in `folder`.
fn field(archive: &Archive, folder: &str, seed: u64, passes: u32) {
    let machine = MachinePlan { delay_s: 12.0, mixing_s: 3.0, ..MachinePlan::default() };
    let scenario = Scenario::bare(seed, passes, 400.0, machine);
    let done = simulate(&scenario);
    let records = done.to_records(&scenario);
    let mut text = String::from("t,x,y,flow,moist,speed,width,down\n");
    for at in 0..records.len() {
        use std::fmt::Write;
        writeln!(
            text,
            "{:.2},{:.3},{:.3},{:.5},{:.2},{:.3},{:.3},{}",
            records.time_s[at],
            records.x_m[at],
            records.y_m[at],
            records.mass_kg[at] / records.interval_s[at],
            records.moisture_pct[at],
            records.speed_m_s[at],
            records.swath_m[at],
            u8::from(records.header[at] == bandlift::points::Header::Down)
        )
        .unwrap();
    }
    archive.write(&format!("fields/{folder}/harvest.csv"), text);
    archive.write(
        &format!("fields/{folder}/field.toml"),
        format!(
            r#"farm = "Hollow"
field = "{folder}"
season = 2023
crop = "corn"
[[harvest]]
path = "harvest.csv"
crs = "EPSG:{}"
machine = "A"
[harvest.columns]
time = {{ column = "t", format = "epoch_s" }}
easting = "x"
northing = "y"
mass_flow = {{ column = "flow", unit = "kg/s" }}
moisture = {{ column = "moist", unit = "%" }}
speed = {{ column = "speed", unit = "m/s" }}
swath = {{ column = "width", unit = "m" }}
header = "down"
"#,
            scenario.placement.epsg
        ),
    );
}

fn lag(archive: &Archive, folder: &str) -> (f64, String) {
    let lag = &archive.summary(folder)["lag_s"]["A"];
    (lag["value"].as_f64().unwrap(), lag["source"].as_str().unwrap().to_owned())
}

#[test]
fn a_field_tells_its_own_lag_and_no_other_field_moves_it() {
    let archive = Archive::single();
    std::fs::remove_dir_all(archive.path("fields/bad")).unwrap();
    let settings = ARCHIVE.split("[soil]").next().unwrap().to_owned() + "[crops.corn]\nprice = \"4.20 USD/bu\"\n";
    archive.write("archive.toml", settings);
    field(&archive, "one", 0, 16);
    field(&archive, "z-small", 9, 3);
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let (value, source) = lag(&archive, "one");
    assert!((13.0..15.6).contains(&value) && source == "estimated", "{value} {source}");
    // three passes tell nothing: the usual lag, said so
    assert_eq!(lag(&archive, "z-small"), (12.0, "assumed".to_owned()));
    let caution = archive.summary("z-small")["cautions"]["lag-assumed"].as_str().unwrap().to_owned();
    assert!(caution.contains("12 s taken"), "{caution}");

    // more fields of a combine of that name: neither result changes by a byte, and neither is computed again
    let result = |folder: &str| {
        ["summary.json", "points.parquet"].map(|file| std::fs::read(archive.result(folder, file)).unwrap())
    };
    let before = ["one", "z-small"].map(result);
    for (seed, folder) in ["two", "three", "four"].into_iter().enumerate() {
        field(&archive, folder, 1 + seed as u64, 16);
    }
    let said = archive.run();
    assert!(said.stderr.contains("3 computed, 2 unchanged"), "{}", said.stderr);
    assert!(["one", "z-small"].map(result) == before);
    assert!(archive.run_with(&["--force"]).stderr.contains("5 computed"));
    assert!(["one", "z-small"].map(result) == before);
}
