//! Layers, reasons, hover and zoom do what they say.

use crate::browser::{self, Light, found};
use crate::example;

/// Helpers for the scripts: counts pixels of a colour, sums the picture up, points at a record.
const TOOLS: &str = r#"
    const root = document.getElementById("record-map");
    await until(() => root.dataset.ready);
    const canvas = root.querySelector("canvas");
    const data = JSON.parse(document.getElementById("map-data").textContent);
    const frame = () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
    const pixels = () => new Uint32Array(canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data.buffer);
    const print = () => { let sum = 0; pixels().forEach((pixel, at) => { sum = (sum * 31 + pixel + at) % 4294967291; }); return sum; };
    const count = ([red, green, blue]) => { const wanted = ((255 << 24) | (blue << 16) | (green << 8) | red) >>> 0; return pixels().reduce((sum, pixel) => sum + (pixel === wanted), 0); };
    const set = async (input, value) => { if (input.checked !== value) input.click(); await frame(); };
    const option = (name, value) => document.querySelector(`[name=${name}][value="${value}"]`);
    await frame();
"#;

fn told(script: &str) -> Option<serde_json::Value> {
    let browser = browser::find()?;
    let told = browser.run(&example::report(), &format!("{TOOLS}{script}"), Light::Light, 1200);
    Some(found(&told).clone())
}

#[test]
fn the_map_shows_yields_before_and_after_cleaning_and_each_layer_by_itself() {
    let Some(told) = told(
        r#"
        const coloured = pixels().filter((pixel) => pixel !== 0).length;
        const first = print();
        await set(option("view", "logged"), true);
        const logged = print();
        await set(option("view", "cleaned"), true);
        const again = print();
        const layers = {};
        for (const layer of ["strips", "segments", "soils"]) {
            const input = option("layer", layer);
            const before = input.checked;
            await set(input, !before);
            layers[layer] = print();
            await set(input, before);
        }
        return { coloured, first, logged, again, layers, img: root.querySelector("img").hidden };
        "#,
    ) else {
        return;
    };
    assert!(told["coloured"].as_u64().unwrap() > 50_000, "{told}");
    assert_eq!(told["first"], told["again"]);
    assert_ne!(told["first"], told["logged"]);
    for layer in ["strips", "segments", "soils"] {
        assert_ne!(told["layers"][layer], told["first"], "{layer}");
    }
    assert_eq!(told["img"], true);
}

#[test]
fn removed_records_appear_by_reason_in_the_colour_of_the_table() {
    let Some(told) = told(
        r#"
        await set(option("view", "kept"), true);
        const reasons = [];
        for (const mark of data.marks.filter((one) => one.points > 0 && one.code !== "no-position")) {
            const input = option("reason", mark.code);
            const before = count(mark.colour);
            await set(input, true);
            const during = count(mark.colour);
            await set(input, false);
            const swatch = getComputedStyle(input.parentElement.querySelector(".swatch")).backgroundColor;
            reasons.push({ code: mark.code, points: mark.points, before, during, after: count(mark.colour), swatch, colour: `rgb(${mark.colour.join(", ")})` });
        }
        return reasons;
        "#,
    ) else {
        return;
    };
    let reasons = told.as_array().unwrap();
    assert!(reasons.len() > 5, "{told}");
    for reason in reasons {
        assert_eq!(reason["before"], 0, "{reason}");
        assert!(reason["during"].as_u64().unwrap() > 0, "{reason}");
        assert_eq!(reason["after"], 0, "{reason}");
        assert_eq!(reason["swatch"], reason["colour"], "{reason}");
    }
}

#[test]
fn pointing_at_a_segment_reads_it_on_the_map_and_finds_it_in_the_chart_and_the_other_way_round() {
    let Some(told) = told(
        r#"
        const at = data.segments.findIndex((one) => one.difference !== null);
        const one = data.segments[at];
        const scale = Math.min(canvas.width / data.width, canvas.height / data.height);
        const box = canvas.getBoundingClientRect();
        const x = box.left + (canvas.width / 2 + (one.x / 10 - data.width / 2) * scale) * box.width / canvas.width;
        const y = box.top + (canvas.height / 2 - (one.y / 10 - data.height / 2) * scale) * box.height / canvas.height;
        canvas.dispatchEvent(new PointerEvent("pointermove", { clientX: x, clientY: y, pointerId: 7, bubbles: true }));
        await frame();
        const readout = root.querySelector(".readout").textContent;
        const on = [...document.querySelectorAll(".stretch.on")].map((dot) => Number(dot.dataset.segment));
        canvas.dispatchEvent(new PointerEvent("pointerleave", { pointerId: 7 }));
        await frame();
        const off = document.querySelectorAll(".stretch.on").length;
        const empty = print();
        const dot = document.querySelector(`.stretch[data-segment="${at}"]`);
        dot.dispatchEvent(new PointerEvent("pointerenter", { pointerId: 7 }));
        await frame();
        const ringed = print();
        dot.dispatchEvent(new PointerEvent("pointerleave", { pointerId: 7 }));
        await frame();
        return { at, strip: data.strips[one.strip], readout, on, off, empty, ringed, cleared: print() };
        "#,
    ) else {
        return;
    };
    let readout = told["readout"].as_str().unwrap();
    assert!(readout.contains("Yield after cleaning") && readout.contains("bu/ac"), "{readout}");
    assert!(readout.contains(told["strip"]["label"].as_str().unwrap()), "{told}");
    let on: Vec<i64> = told["on"].as_array().unwrap().iter().map(|one| one.as_i64().unwrap()).collect();
    assert_eq!(on.len(), 1, "{told}");
    assert!((on[0] - told["at"].as_i64().unwrap()).abs() <= 1, "{told}");
    assert_eq!(told["off"], 0);
    assert_ne!(told["ringed"], told["empty"]);
    assert_eq!(told["cleared"], told["empty"]);
}

#[test]
fn the_map_moves_by_keys_buttons_and_the_pointer_and_comes_back() {
    let Some(told) = told(
        r#"
        const key = async (key) => { canvas.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true })); await frame(); return print(); };
        const first = print();
        const closer = await key("+");
        const aside = await key("ArrowLeft");
        const back = await key("0");
        root.querySelector("[data-zoom=in]").click();
        await frame();
        const button = print();
        root.querySelector("[data-zoom=all]").click();
        await frame();
        const all = print();
        const box = canvas.getBoundingClientRect();
        const pointer = (type, x) => canvas.dispatchEvent(new PointerEvent(type, { clientX: box.left + x, clientY: box.top + 50, pointerId: 7, bubbles: true }));
        pointer("pointerdown", 100); pointer("pointermove", 160); pointer("pointerup", 160);
        await frame();
        return { first, closer, aside, back, button, all, dragged: print() };
        "#,
    ) else {
        return;
    };
    assert_eq!(told["back"], told["first"]);
    assert_eq!(told["all"], told["first"]);
    for moved in ["closer", "aside", "button", "dragged"] {
        assert_ne!(told[moved], told["first"], "{moved}");
    }
}

/// The map draws what `points.parquet` holds: the packed columns are unpacked and counted against the summary.
#[test]
fn the_map_holds_every_record() {
    let Some(told) = told(
        r#"
        const bytes = Uint8Array.from(atob(data.records.columns), (letter) => letter.charCodeAt(0));
        const all = new Uint8Array(await new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"))).arrayBuffer());
        const records = data.records.records;
        const column = (at) => { let value = 0; return Array.from({ length: records }, (_, row) => (value = (value + all[2 * at * records + row] + 256 * all[(2 * at + 1) * records + row]) & 65535)); };
        const marks = column(8);
        const yields = column(4).filter((value, at) => marks[at] === 0 && value !== 65535);
        return {
            records,
            kept: marks.filter((mark) => mark === 0).length,
            told: document.getElementById("records").querySelector("p").textContent,
            counts: data.marks.every((mark, at) => marks.filter((one) => one === at + 1).length === mark.points),
            mean: yields.reduce((sum, value) => sum + value, 0) / yields.length * data.records.yield_step,
            scale: data.scale,
        };
        "#,
    ) else {
        return;
    };
    let text = told["told"].as_str().unwrap();
    assert!(text.starts_with(&format!("{} of {} records", told["kept"], told["records"])), "{told}");
    assert_eq!(told["counts"], true);
    let (mean, scale) = (told["mean"].as_f64().unwrap(), &told["scale"]);
    assert!(scale[0].as_f64().unwrap() < mean && mean < scale[1].as_f64().unwrap(), "{told}");
}

#[test]
fn site_years_sort_and_are_found() {
    let Some(browser) = browser::find() else { return };
    let told = browser.run(
        &example::index(),
        r#"
        const table = document.getElementById("fields");
        const heading = [...table.tHead.rows[0].cells].findIndex((cell) => cell.textContent === "Mean yield");
        const column = () => [...table.tBodies[0].rows].map((row) => parseFloat(row.cells[heading].textContent));
        const before = column();
        table.tHead.rows[0].cells[heading].querySelector("button").click();
        const rising = column();
        table.tHead.rows[0].cells[heading].querySelector("button").click();
        const find = document.getElementById("find");
        find.value = "windbreak";
        find.dispatchEvent(new Event("input"));
        const shown = [...table.tBodies[0].rows].filter((row) => !row.hidden).map((row) => row.textContent);
        return { before, rising, falling: column(), shown, found: document.getElementById("found").textContent };
        "#,
        Light::Light,
        1200,
    );
    let told = found(&told);
    let column =
        |name: &str| -> Vec<f64> { told[name].as_array().unwrap().iter().map(|one| one.as_f64().unwrap()).collect() };
    let mut sorted = column("before");
    sorted.sort_by(f64::total_cmp);
    assert_eq!(column("rising"), sorted);
    sorted.reverse();
    assert_eq!(column("falling"), sorted);
    let shown = told["shown"].as_array().unwrap();
    assert!(!shown.is_empty() && shown.len() < sorted.len(), "{told}");
    assert!(shown.iter().all(|row| row.as_str().unwrap().contains("Windbreak")));
}
