//! One file each, that asks the network for nothing, raises no error and stays small.

use crate::browser::{self, Light, found};
use crate::example;

#[test]
fn pages_load_without_errors_in_light_and_dark_wide_and_narrow() {
    let Some(browser) = browser::find() else { return };
    let mut pages = vec![example::index()];
    let others = example::reports().into_iter().chain(example::sheets());
    pages.extend(others.map(|path| std::fs::read_to_string(path).unwrap()));
    for page in &pages {
        for (light, width) in [(Light::Light, 1200), (Light::Dark, 390)] {
            let told = browser.run(
                page,
                "const map = document.getElementById('record-map'); if (map) await until(() => map.dataset.ready);\
                 return { title: document.title, wide: document.documentElement.scrollWidth, window: window.innerWidth,\
                 asked: performance.getEntriesByType('resource').map((one) => one.name).filter((name) => !/^(data|blob):/.test(name) && !name.endsWith('/favicon.ico')),\
                 paper: getComputedStyle(document.body).backgroundColor };",
                light,
                width,
            );
            let told = found(&told);
            assert_eq!(told["asked"], serde_json::json!([]), "{told}");
            // nothing but tables and charts, which scroll by themselves, is wider than the window
            assert!(told["wide"].as_u64() <= told["window"].as_u64(), "{told}");
            let paper = if light == Light::Light { "rgb(251, 250, 247)" } else { "rgb(20, 25, 30)" };
            assert_eq!(told["paper"], paper, "{told}");
        }
    }
}

#[test]
fn nothing_in_a_page_points_outside_but_the_pages_of_the_archive() {
    let pages = example::reports().into_iter().chain(example::sheets());
    for page in pages.chain([example::out().join("index.html")]) {
        let text = std::fs::read_to_string(&page).unwrap();
        assert!(text.contains("Content-Security-Policy") && text.contains("default-src 'none'"));
        for (attribute, _) in text.match_indices("href=\"").chain(text.match_indices("src=\"")) {
            let target = text[attribute..].split('"').nth(1).unwrap().replace("&#x2f;", "/");
            let inside = target.starts_with('#')
                || target.starts_with("data:image/png;base64,")
                || page.parent().unwrap().join(target.split('#').next().unwrap()).is_file();
            assert!(inside, "{}: {target}", page.display());
        }
    }
}
