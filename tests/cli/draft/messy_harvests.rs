//! Harvests with many faults, their columns called by numbers: what is not asked must be right.

use std::fs;

use bandlift::demo::messy;

use crate::archive::say;

/// Simulated harvests; each has about half of the faults.
const FIELDS: u64 = 16;
/// Names in the messy files, the key and the unit of each.
const TRUE: [(&str, &str, &str); 9] = [
    ("time_s", "time", "epoch_s"),
    ("lon", "longitude", ""),
    ("lat", "latitude", ""),
    ("flow_kg_s", "mass_flow", "kg/s"),
    ("moisture", "moisture", "%"),
    ("width_m", "swath", "m"),
    ("speed_m_s", "speed", "m/s"),
    ("down", "header", ""),
    ("combine", "machine", ""),
];

#[test]
#[expect(clippy::print_stderr, reason = "the figures, for whoever asks for them by --nocapture")]
fn columns_without_names_are_right_or_asked() {
    let (mut right, mut asked, mut wrong, mut left) = (0, 0, Vec::new(), 0);
    for seed in 0..FIELDS {
        let folder = tempfile::tempdir().unwrap();
        let raw = folder.path().join("raw");
        let field = messy::write(&raw, 300 + seed, messy::draw(300 + seed)).unwrap();
        messy::finish(&raw, std::slice::from_ref(&field)).unwrap();
        fs::remove_file(raw.join("archive.toml")).unwrap();
        fs::remove_file(raw.join("fields").join(&field.name).join("field.toml")).unwrap();
        let mut names = Vec::new();
        for (file, _) in &field.files {
            let text = fs::read_to_string(raw.join(file)).unwrap();
            let (header, body) = text.split_once('\n').unwrap();
            names = header.split(',').map(str::to_owned).collect();
            let numbers: Vec<String> = (1..=names.len()).map(|at| format!("v{at}")).collect();
            fs::write(raw.join(file), format!("{}\n{body}", numbers.join(","))).unwrap();
        }
        let said = say(&["draft", raw.to_str().unwrap()]);
        assert!(said.code == 0 || said.stderr.contains("no log of a harvest was found"), "{}", said.stderr);
        if said.code != 0 {
            left += names.len();
            continue;
        }
        let fields = super::tables(&raw);
        assert_eq!(fields.len(), 1, "{}", said.stdout);
        for entry in fields[0]["harvest"].as_array().unwrap() {
            let columns = entry["columns"].as_table().unwrap();
            for (key, value) in columns {
                let text = |name: &str| value.get(name).and_then(toml::Value::as_str);
                let column = value.as_str().or_else(|| text("column")).unwrap_or("");
                let unit = text("unit").or_else(|| text("format")).unwrap_or("");
                if column.starts_with('?') || unit.starts_with('?') {
                    asked += 1;
                    continue;
                }
                let at: usize = column[1..].parse().unwrap();
                let (_, true_key, true_unit) = TRUE.iter().find(|one| one.0 == names[at - 1]).unwrap();
                // at a record a second, metres are metres a second
                let same = key == true_key || (key == "distance" && *true_key == "speed");
                if same && (unit == *true_unit || key == "distance") {
                    right += 1;
                } else {
                    wrong.push(format!("{}: {key} = {value} is {} ({:?})", field.name, names[at - 1], field.switches));
                }
            }
            left += names.len().saturating_sub(columns.len());
        }
    }
    eprintln!("right {right}, asked {asked}, left out {left}, wrong {wrong:#?}");
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(right >= 3 * FIELDS as usize, "{right}");
}
