//! An archive whose index has all that an index can have: four treatments beside the check, two of them rates of one product, a log of
//! what was put down, photographs, several seasons, and promises of a plan that a later harvest kept or not.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use tempfile::TempDir;

use crate::browser::{self, Light, found};
use crate::example;
use crate::index::words;

const SWATH: f64 = 9.144;
const LENGTH: f64 = 240.0;
const STEP: f64 = 2.4;
const FIELDS: usize = 3;
/// Treatments with their response in kg/ha and their rate.
const TREATMENTS: [(&str, f64, Option<f64>); 5] = [
    ("check", 0.0, None),
    ("half rate", 250.0, Some(25.0)),
    ("full rate", 420.0, Some(50.0)),
    ("late spray", 150.0, None),
    ("two passes", 500.0, None),
];

/// Noise that is the same everywhere: in −1..1.
fn noise(seed: usize) -> f64 {
    let mixed = (seed as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15).rotate_left(31).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    (mixed >> 11) as f64 / (1_u64 << 53) as f64 * 2.0 - 1.0
}

fn degrees(field: usize, x: f64, y: f64) -> (f64, f64) {
    let (x, y) = (x + 1_500.0 * field as f64, y);
    (-93.6 + x / (111_320.0 * (42.0 * PI / 180.0).cos()), 42.0 + y / 110_540.0)
}

fn feature(field: usize, [west, south, east, north]: [f64; 4], properties: &str) -> String {
    let corners = [(west, south), (east, south), (east, north), (west, north), (west, south)];
    let ring: Vec<String> = corners
        .iter()
        .map(|&(x, y)| {
            let (lon, lat) = degrees(field, x, y);
            format!("[{lon:.8},{lat:.8}]")
        })
        .collect();
    format!(
        "{{\"type\":\"Feature\",\"properties\":{properties},\"geometry\":{{\"type\":\"Polygon\",\"coordinates\":[[{}]]}}}}",
        ring.join(",")
    )
}

fn collection(features: &[String]) -> String {
    format!("{{\"type\":\"FeatureCollection\",\"features\":[{}]}}", features.join(","))
}

fn write(path: &Path, text: &str) {
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

/// A grid of precipitation about a mean.
fn grid(path: &Path, mean: f64, spread: f64) {
    const WGS84: &str = "GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563]],PRIMEM[\"Greenwich\",0],UNIT[\"degree\",0.0174532925199433]]";
    let mut text =
        String::from("ncols 12\nnrows 12\nxllcorner -94.0\nyllcorner 41.6\ncellsize 0.08\nNODATA_value -9999\n");
    for row in 0..12 {
        let cells: Vec<String> =
            (0..12).map(|column| format!("{:.1}", mean + spread * noise(row * 31 + column))).collect();
        let _ = writeln!(text, "{}", cells.join(" "));
    }
    write(path, &text);
    write(&path.with_extension("prj"), WGS84);
}

fn settings(archive: &Path) {
    let mut text = String::from(
        "name = \"Sallow Fen\"\nreport_units = \"us\"\n[soil]\npath = \"layers/soils.geojson\"\n[wetness]\nmonths = [5]\n\
         total = \"layers/total_{season}_{month}.asc\"\nnormal = \"layers/normal_{month}.asc\"\n[crops.corn]\nprice = \"4.20 USD/bu\"\n",
    );
    for (at, (name, _, rate)) in TREATMENTS.iter().enumerate() {
        let _ = writeln!(text, "[treatments.\"{name}\"]\nlabel = \"{name}\"");
        let _ = match at {
            0 => writeln!(text, "check = true"),
            _ => writeln!(text, "cost = \"{} USD/ac\"", 8 + 6 * at),
        };
        if let Some(rate) = rate {
            let _ = writeln!(text, "rate = \"{rate} L/ha\"");
        }
    }
    text += "[clean]\nlag = \"0 s\"\npass_entry = \"0 s\"\npass_exit = \"0 s\"\n[target]\nplanter = \"60 ft\"\nheader = \"30 ft\"\n";
    write(&archive.join("archive.toml"), &text);
    grid(&archive.join("layers/normal_05.asc"), 100.0, 0.0);
    let soils: Vec<String> = (0..FIELDS)
        .flat_map(|field| {
            [("Poorly drained", -40.0, LENGTH / 2.0), ("Well drained", LENGTH / 2.0, LENGTH + 40.0)].map(
                |(class, south, north)| {
                    feature(field, [-40.0, south, 240.0, north], &format!("{{\"drclassdcd\":\"{class}\"}}"))
                },
            )
        })
        .collect();
    write(&archive.join("layers/soils.geojson"), &collection(&soils));
}

/// The files of one season: strips in blocks in another order each, records, and in the first field looks with photographs.
fn season(archive: &Path, season: usize) {
    grid(&archive.join(format!("layers/total_{season}_05.asc")), 100.0 + 50.0 * noise(season), 20.0);
    for field in 0..FIELDS {
        let folder = archive.join(format!("fields/{season}/f{field}"));
        let (mut strips, mut rows) = (Vec::new(), String::from("utc_s,lon,lat,flow_kg_s,moist,speed_m_s,down\n"));
        let mut time = 1_633_000_000.0 + 31_556_926.0 * (season as f64 - 2021.0);
        for strip in 0..4 * TREATMENTS.len() {
            let (block, at) = (strip / TREATMENTS.len(), strip % TREATMENTS.len());
            let (name, response, _) =
                TREATMENTS[(at * (1 + block % 2 * 2) + block + season + field) % TREATMENTS.len()];
            let west = strip as f64 * SWATH;
            strips.push(feature(
                field,
                [west, 0.0, west + SWATH, LENGTH],
                &format!("{{\"treatment\":\"{name}\",\"block\":\"{}\",\"strip\":\"{}\"}}", block + 1, strip + 1),
            ));
            for step in 0..(LENGTH / STEP) as usize {
                let along = (step as f64 + 0.5) * STEP;
                let y = if strip % 2 == 0 { along } else { LENGTH - along };
                let wet = if y < LENGTH / 2.0 { 1.2 } else { 0.7 };
                let luck = 90.0 * noise(season * 7 + field);
                let seed = (season * FIELDS + field) * 10_000 + strip * 300 + step;
                let told = if response > 0.0 { (response + luck) * wet } else { 0.0 };
                let yields = 10_000.0 + 600.0 * (west / 40.0 + y / 90.0).sin() + 300.0 * noise(seed) + told;
                let (lon, lat) = degrees(field, west + SWATH / 2.0, y);
                let flow = yields / 1e4 * STEP * SWATH * 84.5 / 82.0;
                let _ = writeln!(rows, "{time:.0},{lon:.8},{lat:.8},{flow:.4},18.0,2.4,1");
                time += 1.0;
            }
            time += 30.0;
        }
        write(&folder.join("strips.geojson"), &collection(&strips));
        write(&folder.join("harvest.csv"), &rows);
        let mut text = format!(
            "farm = \"Sallow\"\nfield = \"Field {field}\"\nseason = {season}\ncrop = \"corn\"\n[strips]\npath = \"strips.geojson\"\n\
             block = \"block\"\nstrip = \"strip\"\nrandomized = true\n"
        );
        if field == 0 {
            let mut looks = String::from("strip,rating,photo\n");
            for strip in 0..4 * TREATMENTS.len() {
                for look in 0..3 {
                    let level =
                        ["healthy", "marked", "rotted"][(noise(strip * 5 + look + season).abs() * 2.9) as usize];
                    let photo = if look == 0 && strip < 10 { "look.png" } else { "" };
                    let _ = writeln!(looks, "{},{level},{photo}", strip + 1);
                }
            }
            write(&folder.join("looks.csv"), &looks);
            std::fs::copy(
                Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/report.png"),
                folder.join("look.png"),
            )
            .unwrap();
            text += "[[observed]]\npath = \"looks.csv\"\nname = \"crown rot\"\nkind = \"ordinal\"\nlevels = [\"healthy\", \"marked\", \"rotted\"]\n\
                     [observed.columns]\nvalue = \"rating\"\nstrip = \"strip\"\nphoto = \"photo\"\n";
        }
        text += "[[harvest]]\npath = \"harvest.csv\"\ncrs = \"EPSG:4326\"\nmachine = \"A\"\nswath = \"9.144 m\"\n[harvest.columns]\n\
                 time = { column = \"utc_s\", format = \"epoch_s\" }\nlongitude = \"lon\"\nlatitude = \"lat\"\n\
                 mass_flow = { column = \"flow_kg_s\", unit = \"kg/s\" }\nmoisture = { column = \"moist\", unit = \"%\" }\n\
                 speed = { column = \"speed_m_s\", unit = \"m/s\" }\nheader = \"down\"\n";
        write(&folder.join("field.toml"), &text);
    }
}

/// Its output folder, planned before and after the last harvest.
fn out() -> &'static Path {
    static OUT: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    &OUT.get_or_init(|| {
        let folder = TempDir::new().unwrap();
        let (archive, out) = (folder.path().join("archive"), folder.path().join("out"));
        settings(&archive);
        for year in 2020..2024 {
            season(&archive, year);
        }
        example::plan(&archive, &out);
        season(&archive, 2024);
        example::plan(&archive, &out);
        (folder, out)
    })
    .1
}

#[test]
fn an_index_with_all_that_it_can_have_prints_on_two_pages() {
    let Some(browser) = browser::find() else { return };
    let index = out().join("index.html");
    let page = std::fs::read_to_string(&index).unwrap();
    // the rates of one product, and what the former plan promised
    assert_eq!(page.matches("<div class=\"more\">").count(), 2, "doses and promises");
    assert_eq!(crate::printed::pages(&browser.print(&index)), 2);
}

/// The rates of one product follow the sliders: unmoved they give the table's probabilities, at no cost the range moves up.
#[test]
fn sliders_move_the_most_profitable_rate() {
    let Some(browser) = browser::find() else { return };
    let index = std::fs::read_to_string(out().join("index.html")).unwrap();
    let script = "const form = document.querySelector('form.what-if');\
                  const part = form.closest('[data-crop]');\
                  const dark = () => [...part.querySelectorAll('[data-rate]')].filter((one) => one.getAttribute('class') === 'gain').map((one) => one.dataset.rate);\
                  const told = () => JSON.parse(form.dataset.told).doses;\
                  const move = (name, value) => { const one = form.querySelector(`[name=${name}]`); one.value = value; one.dispatchEvent(new Event('input', { bubbles: true })); };\
                  const first = told(), shown = dark();\
                  move('yield', 0); const none = told(), light = dark();\
                  form.querySelector('button').click();\
                  return { first, shown, none, light, back: told(), again: dark() };";
    let told = browser.run(&index, script, Light::Light, 1280);
    let told = found(&told);
    let rows: Vec<BTreeMap<String, String>> =
        csv::Reader::from_path(out().join("doses.csv")).unwrap().deserialize().map(Result::unwrap).collect();
    let mut compared = 0;
    for row in rows.iter().filter(|row| row["crop"] == "corn") {
        let key = if row["rate"] == "0" { "" } else { row["treatment"].as_str() };
        assert_eq!(told["first"][0]["shares"][key], words(&row["probability_most_profitable"]), "{key}: {told}");
        let is_dark = told["shown"].as_array().unwrap().iter().any(|one| one == key);
        assert!(key.is_empty() || is_dark == (row["in_range"] == "yes"), "{key}: {told}");
        compared += 1;
    }
    assert!(compared >= 3, "{compared}");
    // what yields nothing more is best left out, whatever it costs
    assert_eq!(
        (&told["none"][0]["shares"][""], told["light"].as_array().unwrap().len()),
        (&"more than 99 %".into(), 0)
    );
    assert_eq!((&told["back"], &told["again"]), (&told["first"], &told["shown"]));
}

/// Least size of letters on a telephone, px.
const LEAST: f64 = 11.0;

/// Letters of drawings on a screen of 390 px, and drawings that must be moved sideways.
#[test]
fn letters_of_drawings_stay_readable_on_a_telephone_without_moving_sideways() {
    let Some(browser) = browser::find() else { return };
    let find = |folder: &str, name: &str| {
        let all = walkdir::WalkDir::new(out().join(folder)).sort_by_file_name().into_iter().map(Result::unwrap);
        all.map(walkdir::DirEntry::into_path).find(|path| path.ends_with(name)).unwrap()
    };
    for page in [out().join("index.html"), find("site_years", "report.html"), example::sheets()[0].clone()] {
        let text = serde_json::to_string(&std::fs::read_to_string(&page).unwrap()).unwrap().replace('<', "\\u003c");
        let script = format!(
            "const frame = document.createElement('iframe'); frame.style.cssText = 'border:0;width:390px;height:900px';\
             frame.srcdoc = {text}; document.body.append(frame);\
             await new Promise((done) => frame.addEventListener('load', done));\
             const inner = frame.contentDocument; inner.querySelectorAll('details').forEach((one) => {{ one.open = true; }});\
             const small = [], wide = []; let count = 0;\
             for (const text of inner.querySelectorAll('svg text')) {{\
               if (!text.getBoundingClientRect().width || !text.textContent.trim()) continue;\
               const on = text.getScreenCTM(), size = parseFloat(frame.contentWindow.getComputedStyle(text).fontSize) * Math.hypot(on.a, on.b);\
               count++; if (size < {LEAST} - 0.01) small.push([text.getAttribute('class'), text.textContent, size]); }}\
             for (const one of inner.querySelectorAll('.scroll')) {{\
               const drawing = [...one.children].find((child) => child.tagName === 'svg' && child.getBoundingClientRect().width);\
               if (drawing && one.scrollWidth > one.clientWidth + 1) wide.push([drawing.getAttribute('aria-label'), one.scrollWidth]); }}\
             return {{ count, small, wide, page: inner.documentElement.scrollWidth }};"
        );
        let told = browser.run("<html><head></head><body></body></html>", &script, Light::Light, 1300);
        let told = found(&told);
        assert!(told["count"].as_u64().unwrap() > 10, "{}: {told}", page.display());
        assert!(told["small"].as_array().unwrap().is_empty(), "{}: {told}", page.display());
        assert!(told["wide"].as_array().unwrap().is_empty(), "{}: {told}", page.display());
        assert!(told["page"].as_u64().unwrap() <= 390, "{}: {told}", page.display());
    }
}

/// Least size of letters in figures at a width of 1,280 px.
const LEAST_ON_A_SHEET: f64 = 14.0;

#[test]
fn letters_of_figures_are_14_px_or_more_at_a_width_of_1280() {
    let Some(browser) = browser::find() else { return };
    let all = [out(), example::out()].into_iter().flat_map(|out| walkdir::WalkDir::new(out.join("figures")));
    let drawings: Vec<PathBuf> = all
        .map(|entry| entry.unwrap().into_path())
        .filter(|path| path.extension().is_some_and(|end| end == "svg"))
        .collect();
    assert!(drawings.len() > 10, "{drawings:?}");
    let mut page = String::from("<html><head></head><body>");
    for path in &drawings {
        let name = path.file_name().unwrap().to_string_lossy();
        // each keeps its own style sheet to itself
        let drawing = std::fs::read_to_string(path).unwrap();
        let _ = write!(
            page,
            "<div class=\"drawing\" data-name=\"{name}\"><template shadowrootmode=\"open\">{drawing}</template></div>"
        );
    }
    page += "</body></html>";
    let script = format!(
        "const small = []; let count = 0;\
                  for (const one of document.querySelectorAll('.drawing')) {{\
                    const svg = one.shadowRoot.querySelector('svg'); svg.style.width = '1280px'; svg.style.height = 'auto'; svg.style.maxWidth = 'none';\
                    for (const text of svg.querySelectorAll('text')) {{\
                      if (!text.textContent.trim()) continue;\
                      const on = text.getScreenCTM(), size = parseFloat(getComputedStyle(text).fontSize) * Math.hypot(on.a, on.b);\
                      count++; if (size < {LEAST_ON_A_SHEET} - 0.01) small.push([one.dataset.name, text.getAttribute('class'), text.textContent, size]); }} }}\
                  return {{ count, small }};"
    );
    let told = browser.run(&page, &script, Light::Light, 1400);
    let told = found(&told);
    assert!(told["count"].as_u64().unwrap() > 100, "{told}");
    assert!(told["small"].as_array().unwrap().is_empty(), "{told}");
}
