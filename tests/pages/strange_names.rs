//! Names from files stay text, wherever a page shows them.

use std::path::Path;

use tempfile::TempDir;

use crate::browser::{self, Light, found};
use crate::example;

const NAME: &str = "<script>window.pwned=1</script><img src=x onerror=window.pwned=1>\\\"'&amp;</title></svg>";

/// The example archive with that name wherever a name can stand: archive, farm, field, treatment, block, combine.
fn renamed(into: &Path) {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive");
    let folder = "2024/tamsin-flats/creek-quarter";
    for entry in walkdir::WalkDir::new(&from) {
        let entry = entry.unwrap();
        let below = entry.path().strip_prefix(&from).unwrap();
        let is_other = below.components().count() > 1 && below.starts_with("20");
        if entry.file_type().is_dir() || is_other {
            continue;
        }
        let name = below.to_string_lossy();
        if !(name.starts_with(folder) || name.starts_with("layers") || name == "archive.toml") {
            continue;
        }
        let target = into.join(below);
        std::fs::create_dir_all(target.parent().unwrap()).unwrap();
        std::fs::copy(entry.path(), &target).unwrap();
    }
    let edit = |file: &str, change: &dyn Fn(String) -> String| {
        let path = into.join(file);
        std::fs::write(&path, change(std::fs::read_to_string(&path).unwrap())).unwrap();
    };
    let retold = |text: String, key: &str| -> String {
        text.lines()
            .map(|line| {
                if line.split(' ').next() == Some(key) { format!("{key} = \"{NAME}\"\n") } else { format!("{line}\n") }
            })
            .collect()
    };
    edit("archive.toml", &|text| retold(retold(text, "name"), "label"));
    let field = format!("{folder}/field.toml");
    edit(&field, &|text| retold(retold(text, "farm"), "field"));
}

#[test]
fn a_field_called_like_a_script_stays_text() {
    let Some(browser) = browser::find() else { return };
    let folder = TempDir::new().unwrap();
    let (archive, out) = (folder.path().join("archive"), folder.path().join("out"));
    renamed(&archive);
    example::run(&archive, &out);
    let pages: Vec<_> = walkdir::WalkDir::new(&out)
        .into_iter()
        .map(|entry| entry.unwrap().into_path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "html"))
        .collect();
    assert_eq!(pages.len(), 2);
    for page in pages {
        let text = std::fs::read_to_string(&page).unwrap();
        let told = browser.run(
            &text,
            "const map = document.getElementById('record-map'); if (map) await until(() => map.dataset.ready);\
             return { pwned: window.pwned || 0, text: document.body.innerText, broken: document.querySelectorAll('img[src=x]').length };",
            Light::Light,
            1200,
        );
        let told = found(&told);
        assert_eq!((&told["pwned"], &told["broken"]), (&serde_json::json!(0), &serde_json::json!(0)));
        assert!(told["text"].as_str().unwrap().contains("<script>window.pwned=1</script>"), "{}", page.display());
    }
}
