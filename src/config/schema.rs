//! The JSON Schema of the settings files, made of the reference of their keys.

use serde_json::{Map, Value, json};

use super::reference::{Fact, Kind, SettingsFile, settings};

/// The JSON Schema of a settings file, for editors that complete and check.
pub fn schema(of: SettingsFile) -> Value {
    let facts = settings(of);
    let (name, text) = match of {
        SettingsFile::Archive => ("archive.toml", "Settings of an archive of bandlift."),
        SettingsFile::Field => ("field.toml", "Settings of one field in one season of bandlift."),
    };
    let mut root = table(&facts, "");
    root["$schema"] = json!("http://json-schema.org/draft-07/schema#");
    root["title"] = json!(name);
    root["description"] = json!(text);
    root
}

/// The object of the keys below a path.
fn table(facts: &[Fact], path: &str) -> Value {
    let mut properties = Map::new();
    let mut others = json!(false);
    let mut required = Vec::new();
    for fact in facts {
        let below = if path.is_empty() {
            Some(fact.path.as_str())
        } else {
            fact.path.strip_prefix(path).and_then(|rest| rest.strip_prefix('.'))
        };
        let Some(key) = below.filter(|key| !key.contains('.')) else { continue };
        let own = one(facts, fact);
        if key.starts_with('<') {
            others = own;
        } else {
            required.extend(fact.required.then(|| key.to_owned()));
            properties.insert(key.to_owned(), own);
        }
    }
    let mut object = json!({ "type": "object", "properties": properties, "additionalProperties": others });
    // what a known crop or a treatment's parts make needless is left to the program
    if path.is_empty() {
        object["required"] = json!(required);
    }
    object
}

fn one(facts: &[Fact], fact: &Fact) -> Value {
    let text = || json!({ "type": "string" });
    let list = |of: Value| json!({ "type": "array", "items": of });
    let range = |kind: &str| {
        let mut number = json!({ "type": kind });
        if let Some([low, high]) = fact.range {
            number["minimum"] = json!(low);
            number["maximum"] = json!(high);
        }
        number
    };
    let mut schema = match fact.kind {
        Kind::Text | Kind::Quantity | Kind::Date => text(),
        Kind::Number => range("number"),
        Kind::Integer => range("integer"),
        Kind::Integers => list(range("integer")),
        Kind::Texts => json!({ "anyOf": [text(), list(text())] }),
        Kind::TextOrNumber => json!({ "type": ["string", "number"] }),
        Kind::TextOrNumbers => json!({ "anyOf": [text(), list(json!({ "type": "number" }))] }),
        Kind::Boolean => json!({ "type": "boolean" }),
        Kind::Column => json!({ "anyOf": [text(), table(facts, &fact.path)] }),
        Kind::Table => table(facts, &fact.path),
        Kind::Tables => {
            let entry = table(facts, &format!("{}[]", fact.path));
            json!({ "anyOf": [list(entry.clone()), entry] })
        }
    };
    let said = fact.line();
    schema["description"] = json!(said.split_once(": ").map_or(said.as_str(), |(_, rest)| rest));
    schema
}
