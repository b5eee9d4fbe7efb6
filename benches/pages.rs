//! What a page costs: `cargo bench --bench pages`.
//!
//! A simulated trial of some 50,000 records: the size of its page, the time to write it, and in headless Chromium, where one is
//! installed, the first paint, the time until the map of the records can be used, and the time of a frame while it is moved.
//! Prints a table, asserts nothing.
#![expect(clippy::print_stdout, reason = "the table is the purpose")]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    missing_docs,
    unreachable_pub,
    reason = "a measurement may stop at the first surprise"
)]

use std::time::Instant;

use bandlift::batch;
use bandlift::config::{ArchiveSettings, FieldSettings};
use bandlift::demo::{Scenario, simulate};
use bandlift::report::{self, Provenance};

#[path = "../tests/support/browser.rs"]
mod page;

const ARCHIVE: &str = "name = \"x\"\n[soil]\npath = \"soils.geojson\"\n[crops.corn]\nprice = \"4 USD/bu\"\n\
    [treatments.check]\nlabel = \"check\"\ncheck = true\n[treatments.band]\nlabel = \"band\"\ncost = \"10 USD/ac\"\n";
const FIELD: &str = "farm = \"x\"\nfield = \"x\"\nseason = 2023\ncrop = \"corn\"\n[strips]\npath = \"strips.geojson\"\n\
    block = \"block\"\nstrip = \"strip\"\nrandomized = true\n[[harvest]]\npath = \"h.csv\"\ncrs = \"EPSG:4326\"\n\
    machine = \"A\"\nswath = \"30 ft\"\n[harvest.columns]\ntime = { column = \"t\", format = \"epoch_s\" }\n\
    longitude = \"lon\"\nlatitude = \"lat\"\nmass_flow = { column = \"f\", unit = \"kg/s\" }\n";

/// Moves the map by a drag of 100 steps; tells milliseconds.
const MEASURE: &str = r#"
    const root = document.getElementById("record-map");
    await until(() => root.dataset.ready);
    const ready = performance.now();
    const canvas = root.querySelector("canvas");
    canvas.scrollIntoView();
    const next = () => new Promise((done) => requestAnimationFrame(done));
    const box = canvas.getBoundingClientRect();
    const pointer = (type, x) => canvas.dispatchEvent(new PointerEvent(type, { clientX: box.left + 200 + x, clientY: box.top + 200, pointerId: 7, bubbles: true }));
    for (let at = 0; at < 10; at++) await next();
    const frames = [];
    pointer("pointerdown", 0);
    for (let at = 1; at <= 100; at++) {
        const begun = performance.now();
        pointer("pointermove", at);
        await next(); // the map is drawn before this one returns
        frames.push(performance.now() - begun);
    }
    pointer("pointerup", 100);
    frames.sort((one, other) => one - other);
    const paint = performance.getEntriesByName("first-contentful-paint")[0];
    return { paint: paint ? paint.startTime : null, ready, median: frames[50], worst: frames[98], size: [canvas.width, canvas.height] };
"#;

fn main() {
    let archive = ArchiveSettings::parse("archive.toml", ARCHIVE).unwrap_or_else(|faults| panic!("{faults}"));
    let field = FieldSettings::parse("field.toml", FIELD, &archive).unwrap_or_else(|faults| panic!("{faults}"));
    println!(
        "| records | segments | page, MiB | writing all files, ms | of it the page, ms | first paint, ms | map usable, ms | a frame while moving, ms (worst but one) |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    for (blocks, length_m) in [(4, 500.0), (15, 1550.0)] {
        let scenario = Scenario::trial(1, blocks, length_m, [100.0, 300.0, 500.0]);
        let ingested = simulate(&scenario).to_ingested(&scenario);
        let analysed = batch::analyse(&ingested, &field, &archive, "2023/x/x").unwrap();
        let provenance = Provenance::default();
        let case = analysed.case(&ingested, &archive, &provenance);
        let begun = Instant::now();
        let (files, _) = report::site_year(case).unwrap();
        let all_ms = begun.elapsed().as_secs_f64() * 1e3;
        let begun = Instant::now();
        let html = report::site_year_page(case).unwrap();
        let page_ms = begun.elapsed().as_secs_f64() * 1e3;
        assert!(files.iter().any(|file| file.bytes == html));
        let told = page::Browser::installed().map(|browser| {
            browser.run(&String::from_utf8_lossy(&html), MEASURE, page::Light::Light, 1200)["found"].clone()
        });
        let number = |key: &str| {
            told.as_ref().and_then(|told| told[key].as_f64()).map_or_else(|| "–".to_owned(), |ms| format!("{ms:.0}"))
        };
        println!(
            "| {} | {} | {:.2} | {all_ms:.0} | {page_ms:.0} | {} | {} | {} ({}) |",
            analysed.result.counts.read,
            analysed.joined.assigned.segments.len(),
            html.len() as f64 / f64::from(1 << 20),
            number("paint"),
            number("ready"),
            number("median"),
            number("worst"),
        );
    }
}
