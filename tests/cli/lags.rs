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
fn a_field_of_few_passes_hears_the_other_fields_of_its_combine() {
    let archive = Archive::single();
    std::fs::remove_dir_all(archive.path("fields/bad")).unwrap();
    let settings = ARCHIVE.split("[soil]").next().unwrap().to_owned() + "[crops.corn]\nprice = \"4.20 USD/bu\"\n";
    archive.write("archive.toml", settings);
    for (seed, folder) in ["one", "two", "three"].into_iter().enumerate() {
        field(&archive, folder, seed as u64, 16);
    }
    field(&archive, "z-small", 9, 3);
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    for folder in ["one", "two", "three"] {
        let (value, source) = lag(&archive, folder);
        assert!((13.0..15.6).contains(&value) && source == "estimated", "{folder}: {value} {source}");
    }
    let (value, source) = lag(&archive, "z-small");
    assert!((13.5..15.5).contains(&value) && source == "assumed", "{value} {source}");
    let caution = archive.summary("z-small")["cautions"]["lag-assumed"].as_str().unwrap().to_owned();
    assert!(caution.contains("3 fields of this machine"), "{caution}");
    // it holds: nothing is computed again
    assert!(archive.run().stderr.contains("0 computed, 4 unchanged"));
    // one after the other: it is the last, three have told, and it waits for its turn to hear them; forced, it is computed
    let before = archive.summary("z-small");
    let said = archive.run_with(&["--jobs", "1", "--force"]);
    assert!(said.stderr.contains("4/4 fields/z-small: waits for the lag of its combine"), "{}", said.stderr);
    assert!(said.stderr.contains("1/1 fields/z-small: computed"), "{}", said.stderr);
    assert!(said.stderr.contains("4 computed, 0 unchanged"), "{}", said.stderr);
    assert_eq!(archive.summary("z-small"), before);

    // without the others it is alone again with the usual lag
    for folder in ["one", "two"] {
        std::fs::remove_dir_all(archive.path(&format!("fields/{folder}"))).unwrap();
    }
    let said = archive.run();
    assert!(said.stderr.contains("1 computed, 1 unchanged"), "{}", said.stderr);
    assert_eq!(lag(&archive, "z-small").0, 12.0);
}
