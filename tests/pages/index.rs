//! The index: its height, its width on a telephone, and the sliders, which give the numbers of the tables where nobody has moved them.

use std::collections::BTreeMap;

use crate::browser::{self, Light, found};
use crate::example;

/// Height that the folded index of the example may have at 1,280 px.
const TALLEST: u64 = 6_000;

fn rows(name: &str) -> Vec<BTreeMap<String, String>> {
    csv::Reader::from_path(example::out().join(name)).unwrap().deserialize().map(Result::unwrap).collect()
}

/// As the pages print a probability.
pub(crate) fn words(cell: &str) -> String {
    let share: f64 = cell.parse().unwrap();
    match share {
        share if share > 0.99 => "more than 99 %".to_owned(),
        share if share < 0.01 => "less than 1 %".to_owned(),
        share => format!("{:.0} %", 100.0 * share),
    }
}

#[test]
fn pages_are_no_wider_than_the_screen_and_the_folded_index_is_short() {
    let Some(browser) = browser::find() else { return };
    for (name, page) in [("index", example::index()), ("report", example::report())] {
        for width in [390, 820, 1280] {
            // a headless window is never narrower than 500 px: the page is squeezed into a frame instead
            let text = serde_json::to_string(&page).unwrap().replace('<', "\\u003c");
            let script = format!(
                "const frame = document.createElement('iframe'); frame.style.cssText = 'border:0;width:{width}px;height:900px';\
                 frame.srcdoc = {text}; document.body.append(frame);\
                 await new Promise((done) => frame.addEventListener('load', done));\
                 const inner = frame.contentDocument.documentElement;\
                 return [inner.scrollWidth, inner.scrollHeight];"
            );
            let told = browser.run("<html><head></head><body></body></html>", &script, Light::Light, 1300);
            let told = found(&told);
            assert!(told[0].as_u64().unwrap() <= width, "{name} at {width}: {told}");
            if (name, width) == ("index", 1280) {
                assert!(told[1].as_u64().unwrap() <= TALLEST, "{told}");
            }
        }
    }
}

#[test]
fn sliders_that_nobody_moved_tell_what_the_tables_tell() {
    let Some(browser) = browser::find() else { return };
    let script = "return [...document.querySelectorAll('form.what-if')].map((form) => ({\
                  crop: form.closest('[data-crop]').dataset.crop, told: JSON.parse(form.dataset.told) }));";
    let told = browser.run(&example::index(), script, Light::Light, 1280);
    let forms = found(&told).as_array().unwrap().clone();
    assert!(!forms.is_empty());
    let economics = rows("economics.csv");
    let mut compared = 0;
    for form in &forms {
        let own = economics.iter().filter(|row| {
            row["crop"] == form["crop"].as_str().unwrap()
                && row["configured"] == "yes"
                && row["drainage_class"] == "all"
                && !row["probability_best"].is_empty()
        });
        for row in own {
            let (key, told) = (row["treatment"].as_str(), &form["told"]);
            assert_eq!(told["mean"][key], words(&row["probability_pays"]), "{key}");
            assert_eq!(told["new"][key], words(&row["probability_new_site_pays"]), "{key}");
            assert_eq!(told["best"][key], words(&row["probability_best"]), "{key}");
            assert_eq!(told["best"][""], words(&row["probability_nothing_best"]), "{key}");
            let net: f64 = row["net_return"].parse().unwrap();
            let shown = told["nets"][key].as_str().unwrap().replace('−', "-");
            let first: f64 = shown.split(' ').next().unwrap().parse().unwrap();
            assert!((first - net).abs() <= 0.51, "{key}: {shown} {net}");
            compared += 1;
        }
    }
    assert!(compared >= 2, "{compared}");
}

/// A higher price makes every treatment that yields more pay sooner; the address keeps it, the button brings all back.
#[test]
fn sliders_move_by_keys_and_the_address_keeps_them() {
    let Some(browser) = browser::find() else { return };
    let script = "const form = document.querySelector('form.what-if');\
                  const told = () => JSON.parse(form.dataset.told);\
                  const text = () => form.closest('[data-crop]').querySelector('svg').parentElement.textContent;\
                  const first = told(), drawn = text();\
                  const price = form.querySelector('[name=price]');\
                  price.value = 180; price.dispatchEvent(new Event('input', { bubbles: true }));\
                  const dear = told(), hash = location.hash, moved = text();\
                  form.querySelector('button').click();\
                  return { first, dear, hash, moved: moved !== drawn, back: told(), emptied: location.hash, redrawn: text() === drawn, focusable: price.tabIndex };";
    let told = browser.run(&example::index(), script, Light::Light, 1280);
    let told = found(&told);
    assert_ne!(told["first"], told["dear"]);
    assert_eq!(told["first"], told["back"]);
    assert!(told["hash"].as_str().unwrap().contains("price=180"), "{told}");
    assert_eq!((&told["emptied"], &told["moved"], &told["redrawn"]), (&"".into(), &true.into(), &true.into()));
    let number = |text: &serde_json::Value| -> f64 {
        let text = text.as_str().unwrap();
        if text.starts_with("more") { 99.5 } else { text.trim_end_matches(" %").parse().unwrap_or(0.5) }
    };
    for (key, share) in told["first"]["mean"].as_object().unwrap() {
        assert!(number(&told["dear"]["mean"][key]) > number(share), "{key}: {told}");
    }
}
