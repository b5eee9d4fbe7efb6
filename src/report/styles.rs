//! The style that a layer of a GeoPackage is first shown in: Styled Layer Descriptor 1.0.0 (OGC 02-070) in the table `layer_styles`.

use std::fmt::Write;

use rusqlite::types::Value;

use super::geopackage::Layer;
use super::html::escaped;

/// Colours of categories that colour-blind people can tell apart (Okabe and Ito 2008, from memory).
const CATEGORIES: [&str; 7] = ["#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00", "#f0e442"];
/// More than 0, less, and neither shown; treat, test, leave.
const MORE: &str = "#1f5f8b";
const LESS: &str = "#a85400";
const NEITHER: &str = "#c9ccc9";
/// Low to high: five steps of the viridis map (BSD, from memory), dark to light.
const STEPS: [&str; 5] = ["#440154", "#3b528b", "#21918c", "#5ec962", "#fde725"];

/// A rule: its name, its filter (Filter Encoding 1.0, OGC 02-059), its colour.
struct Rule {
    name: String,
    filter: String,
    colour: &'static str,
}

fn compare(kind: &str, column: &str, value: &str) -> String {
    format!(
        "<ogc:{kind}><ogc:PropertyName>{column}</ogc:PropertyName><ogc:Literal>{}</ogc:Literal></ogc:{kind}>",
        escaped(value)
    )
}

/// The style of a layer; none where it has nothing to be coloured by.
pub(super) fn sld(layer: &Layer) -> Option<String> {
    let has = |name: &str| layer.columns.iter().position(|column| column.0 == name);
    let rules = if has("decision").is_some() {
        [("treat", MORE), ("test", LESS), ("leave", NEITHER)]
            .map(|(name, colour)| rule(name, compare("PropertyIsEqualTo", "decision", name), colour))
            .into()
    } else if has("ci_low").is_some() {
        let (low, high) =
            (compare("PropertyIsGreaterThan", "ci_low", "0"), compare("PropertyIsLessThan", "ci_high", "0"));
        let neither = format!("<ogc:Not><ogc:Or>{low}{high}</ogc:Or></ogc:Not>");
        vec![
            rule("more than the check", low, MORE),
            rule("less than the check", high, LESS),
            rule("not shown", neither, NEITHER),
        ]
    } else if has("difference").is_some() {
        vec![
            rule("above the check that faces it", compare("PropertyIsGreaterThan", "difference", "0"), MORE),
            rule("not above it", compare("PropertyIsLessThanOrEqualTo", "difference", "0"), LESS),
        ]
    } else if let Some(at) = has("yield") {
        yields(layer, at)
    } else {
        treatments(layer, has("treatment")?)
    };
    let mut text = format!(
        "<StyledLayerDescriptor version=\"1.0.0\" xmlns=\"http://www.opengis.net/sld\" xmlns:ogc=\"http://www.opengis.net/ogc\"><NamedLayer><Name>{0}</Name><UserStyle><Name>{0}</Name><FeatureTypeStyle>",
        layer.name
    );
    for rule in &rules {
        let _ = write!(
            text,
            "<Rule><Name>{}</Name><ogc:Filter>{}</ogc:Filter>{}</Rule>",
            escaped(&rule.name),
            rule.filter,
            symbol(layer.geometry, rule.colour)
        );
    }
    text.push_str("</FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>");
    Some(text)
}

fn rule(name: &str, filter: String, colour: &'static str) -> Rule {
    Rule { name: name.to_owned(), filter, colour }
}

/// A rule for each treatment, in the order of their names.
fn treatments(layer: &Layer, at: usize) -> Vec<Rule> {
    let mut names: Vec<&str> = layer
        .features
        .iter()
        .filter_map(|(_, values)| match &values[at] {
            Value::Text(name) => Some(name.as_str()),
            _ => None,
        })
        .collect();
    names.sort_unstable();
    names.dedup();
    let of = |(name, colour): (&str, &'static str)| rule(name, compare("PropertyIsEqualTo", "treatment", name), colour);
    names.into_iter().zip(CATEGORIES.into_iter().cycle()).map(of).collect()
}

/// Five steps of as many features each.
fn yields(layer: &Layer, at: usize) -> Vec<Rule> {
    let mut all: Vec<f64> = layer
        .features
        .iter()
        .filter_map(|(_, values)| match values[at] {
            Value::Real(value) => Some(value),
            _ => None,
        })
        .collect();
    all.sort_by(f64::total_cmp);
    let Some(last) = all.len().checked_sub(1) else { return Vec::new() };
    let limit = |step: usize| format!("{:.2}", all[last * step / STEPS.len()]);
    (0..STEPS.len())
        .map(|step| {
            let from = compare("PropertyIsGreaterThanOrEqualTo", "yield", &limit(step));
            let to = compare("PropertyIsLessThan", "yield", &limit(step + 1));
            let (name, filter) = match step {
                0 => (format!("below {}", limit(1)), to),
                step if step + 1 == STEPS.len() => (format!("from {}", limit(step)), from),
                _ => (format!("{} to {}", limit(step), limit(step + 1)), format!("<ogc:And>{from}{to}</ogc:And>")),
            };
            rule(&name, filter, STEPS[step])
        })
        .collect()
}

fn symbol(geometry: &str, colour: &str) -> String {
    let fill = format!("<Fill><CssParameter name=\"fill\">{colour}</CssParameter></Fill>");
    let line = "<Stroke><CssParameter name=\"stroke\">#1b2733</CssParameter><CssParameter name=\"stroke-width\">0.5</CssParameter></Stroke>";
    if geometry == "POINT" {
        format!(
            "<PointSymbolizer><Graphic><Mark><WellKnownName>circle</WellKnownName>{fill}{line}</Mark><Size>7</Size></Graphic></PointSymbolizer>"
        )
    } else {
        format!("<PolygonSymbolizer>{fill}{line}</PolygonSymbolizer>")
    }
}
