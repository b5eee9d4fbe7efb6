//! Contrast, names, landmarks, tables: checked by axe-core, the open accessibility checker (rules of WCAG 2.0 to 2.2, A and AA, and
//! its best practices).

use std::path::PathBuf;

use crate::browser::{self, Browser, Light, found, skipped};
use crate::example;

/// The checker's script, where `.ci/prepare-tests` put it.
fn checker() -> Option<String> {
    let cache =
        std::env::var_os("HOME").map(|home| PathBuf::from(home).join(".cache/bandlift/axe/node_modules/axe-core"));
    let folder = std::env::var_os("BANDLIFT_AXE").map(PathBuf::from).or(cache)?;
    let Ok(script) = std::fs::read_to_string(folder.join("axe.min.js")) else {
        skipped("axe-core");
        return None;
    };
    Some(script)
}

fn violations(browser: &Browser, page: &str, checker: &str, light: Light) -> serde_json::Value {
    let script = "const map = document.getElementById('record-map'); if (map) await until(() => map.dataset.ready);\
         for (const part of document.querySelectorAll('details')) part.open = true;\
         const told = await axe.run(document);\
         return { passes: told.passes.length, rules: told.passes.map((one) => one.id),\
         violations: told.violations.map((one) => [one.id, one.help, one.nodes.slice(0, 3).map((node) => node.html.slice(0, 200) + ' | ' + node.failureSummary)]) };";
    let with_checker = page.replacen("<head>", &format!("<head><script>{checker}</script>"), 1);
    let told = browser.run(&with_checker, script, light, 1200);
    found(&told).clone()
}

#[test]
fn pages_are_accessible() {
    let (Some(browser), Some(checker)) = (browser::find(), checker()) else { return };
    for page in [example::report(), example::index(), example::sheet()] {
        for light in [Light::Light, Light::Dark] {
            let told = violations(&browser, &page, &checker, light);
            assert_eq!(told["violations"], serde_json::json!([]), "{light:?}: {:#}", told["violations"]);
            let rules: Vec<&str> =
                told["rules"].as_array().unwrap().iter().map(|rule| rule.as_str().unwrap()).collect();
            for rule in ["color-contrast", "landmark-one-main", "region", "document-title", "html-has-lang", "label"] {
                assert!(
                    rules.contains(&rule) || (rule == "label" && page != example::report()),
                    "{rule} was not checked: {rules:?}"
                );
            }
        }
    }
}

#[test]
fn the_check_can_fail() {
    let (Some(browser), Some(checker)) = (browser::find(), checker()) else { return };
    let faint = example::index().replace("<h1>", "<h1 style=\"color:#ddd;background:#fff\">");
    let told = violations(&browser, &faint, &checker, Light::Light);
    assert_eq!(told["violations"][0][0], "color-contrast", "{told}");
}
