//! The pages: one for each site-year, one for the archive. Each is one file that asks the network for nothing; every name
//! from a file is escaped, and control characters stand as their code.

mod archive;
mod colour;
mod figures;
mod ground;
mod improve;
mod map;
mod questions;
mod raster;
mod records;
mod site_year;
mod slides;
mod strips;
mod text;
mod words;

pub(super) use archive::{ArchiveCase, page as index};
pub(super) use colour::yield_colour;
pub(super) use figures::escaped;
pub(super) use site_year::{drawn, page as site_year};
pub(super) use slides::{all as slides, png};
pub(super) use strips::page as strips;
pub(super) use text::{decimals, signed};

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment};
use serde_json::Value;

use super::ReportError;
use crate::text::{plain, plain_json};

/// The templates by name.
const TEMPLATES: [(&str, &str); 5] = [
    ("base.html", include_str!("templates/base.html")),
    ("parts.html", include_str!("templates/parts.html")),
    ("site_year.html", include_str!("templates/site_year.html")),
    ("index.html", include_str!("templates/index.html")),
    ("strips.html", include_str!("templates/strips.html")),
];
const STYLE: &str = include_str!("templates/style.css");
const RECORD_MAP: &str = include_str!("templates/record_map.js");
const TABLES: &str = include_str!("templates/tables.js");
const WHAT_IF: &str = include_str!("templates/what_if.js");

/// A page from its template.
fn render(file: &'static str, template: &str, mut context: Value) -> Result<Vec<u8>, ReportError> {
    let fault = |error: minijinja::Error| ReportError::new(file, error);
    let mut environment = Environment::new();
    // All templates are pages: whatever stands in a value stays text.
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    for (name, source) in TEMPLATES {
        environment.add_template(name, source).map_err(fault)?;
    }
    context["style"] = STYLE.into();
    context["record_map"] = RECORD_MAP.into();
    context["tables"] = TABLES.into();
    context["what_if_script"] = WHAT_IF.into();
    environment
        .get_template(template)
        .and_then(|template| template.render(Serde(context)))
        .map(|page| plain(&page).into_owned().into_bytes())
        .map_err(fault)
}

/// JSON as it may stand inside a script element: `<` could end it.
fn script_json(value: &Value) -> Result<String, ReportError> {
    let text = serde_json::to_string(value).map_err(|error| ReportError::new("report.html", error))?;
    Ok(plain_json(&text).replace('<', "\\u003c"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn data_cannot_end_their_script() {
        let text = script_json(&serde_json::json!({ "name": "</script><script>alert(1)" })).unwrap();
        assert!(!text.contains('<'));
        let read: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(read["name"], "</script><script>alert(1)");
    }
}
