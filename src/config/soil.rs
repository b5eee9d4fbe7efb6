//! `[soil]`: the soil map and the ordered classes that the response is split by.

use serde::Serialize;

use super::section::Section;
use crate::quantity::{Length, nearest};

/// The seven natural drainage classes, dry to wet, as the soil survey spells them.
///
/// Source: Soil Science Division Staff, Soil Survey Manual, USDA Handbook 18, chapter 3, "Natural drainage classes".
pub const DRAINAGE_CLASSES: [&str; 7] = [
    "Excessively drained",
    "Somewhat excessively drained",
    "Well drained",
    "Moderately well drained",
    "Somewhat poorly drained",
    "Poorly drained",
    "Very poorly drained",
];

/// Key of the map unit, share and drainage class of a component: the names of the public soil survey's tables (SSURGO 2.3.2, Tables
/// and Columns, component).
pub const SURVEY_COLUMNS: [&str; 3] = ["mukey", "comppct_r", "drainagecl"];

const SMOOTHING_M: f64 = 8.0;
const LINE_ERROR_M: f64 = 25.0;

/// Soil survey as it is delivered: polygons with the key of their map unit, and the components of the units in tables.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ComponentSettings {
    /// The tables; may be a glob.
    pub path: String,
    /// Attribute of the polygons, and column of the tables, that holds the map unit's key.
    pub key: String,
    /// Column of a component's share of its unit, percent.
    pub percent: String,
    /// Column of a component's class.
    pub class: String,
}

/// The resolved soil settings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SoilSettings {
    /// The polygon layer; absent when there is none or when the harvest file carries the class.
    pub path: Option<String>,
    /// Attribute that holds the class.
    pub attribute: String,
    /// The tables of the components of map units, which tell the class in place of the attribute.
    pub components: Option<ComponentSettings>,
    /// Attribute that says whether the ground is tiled.
    pub tiled_attribute: Option<String>,
    /// Coordinate reference system of a layer that carries none.
    pub crs: Option<String>,
    /// The classes as they stand in the layer, dry to wet.
    pub classes: Vec<String>,
    /// The classes as the model sees them (pooled groups, or the classes themselves), dry to wet.
    pub zones: Vec<String>,
    /// The zone of each class.
    pub zone_of_class: Vec<usize>,
    /// Whether the classes are the seven drainage classes.
    pub is_drainage: bool,
    /// The elevation model, metres.
    pub dem: Option<String>,
    /// Standard deviation of the Gaussian that smooths it, m. Default 8 m: furrows and wheel tracks lead no water across a
    /// field (common practice, no source).
    pub dem_smoothing_m: f64,
    /// Standard deviation of the place of the lines of the soil map in each direction, m; 0 trusts the map. Default 25 m: lines of
    /// surveys at 1:12,000 to 1:24,000 lie 10 to 40 m off (common practice, no source).
    pub line_error_m: f64,
}

impl SoilSettings {
    /// Whether the classes are those of the terrain: an elevation model, classes of the user's own, and no soil map.
    pub fn is_terrain(&self) -> bool {
        self.dem.is_some() && self.path.is_none() && !self.is_drainage
    }

    /// The class that a text names: `Ok(None)` for an empty text (water, pits, urban land: no class).
    ///
    /// Case and surrounding blanks are forgiven, and the word "drained" may be left out.
    ///
    /// # Errors
    /// A message that names the class and those that are known.
    pub fn class(&self, text: &str) -> Result<Option<usize>, String> {
        let text = text.trim();
        if text.is_empty() {
            return Ok(None);
        }
        let folded = fold(text);
        if let Some(at) = self.classes.iter().position(|class| fold(class) == folded) {
            return Ok(Some(at));
        }
        let kind = if self.is_drainage { "drainage class" } else { "soil class" };
        let hint = nearest(text, self.classes.iter().map(String::as_str))
            .map_or_else(String::new, |word| format!("; did you mean `{word}`?"));
        Err(format!("unknown {kind} `{text}`; expected one of: {}{hint}", self.classes.join(", ")))
    }
}

fn fold(text: &str) -> String {
    let folded = text.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
    folded.strip_suffix(" drained").map_or(folded.clone(), str::to_owned)
}

pub(super) fn read(root: &Section<'_, '_>) -> SoilSettings {
    let drainage = || DRAINAGE_CLASSES.iter().map(|&class| class.to_owned()).collect::<Vec<_>>();
    let Some(section) = root.section("soil") else {
        let classes = drainage();
        return SoilSettings {
            path: None,
            attribute: "drclassdcd".to_owned(),
            components: None,
            tiled_attribute: None,
            crs: None,
            zones: classes.clone(),
            zone_of_class: (0..classes.len()).collect(),
            classes,
            is_drainage: true,
            dem: None,
            dem_smoothing_m: SMOOTHING_M,
            line_error_m: LINE_ERROR_M,
        };
    };
    let own_classes = section.texts("classes");
    let is_drainage = own_classes.is_none();
    let classes = own_classes.unwrap_or_else(drainage);
    if classes.is_empty() {
        section.fault("classes", "is empty; list the classes from dry to wet");
    }
    for (at, class) in classes.iter().enumerate() {
        if class.trim().is_empty() {
            section.fault("classes", "holds an empty name");
        }
        if classes[..at].iter().any(|before| fold(before) == fold(class)) {
            section.fault("classes", format!("`{class}` is listed twice"));
        }
    }
    let (drainage_column, components) = (section.column("drainage"), section.text("components"));
    let (key, percent) = (section.column("key"), section.column("percent"));
    for name in ["key", "percent"] {
        if components.is_none() && section.has(name) {
            section.fault(name, "belongs to `components`, which is missing");
        }
    }
    let components = components.map(|path| ComponentSettings {
        path,
        key: key.unwrap_or_else(|| SURVEY_COLUMNS[0].to_owned()),
        percent: percent.unwrap_or_else(|| SURVEY_COLUMNS[1].to_owned()),
        class: drainage_column.clone().unwrap_or_else(|| SURVEY_COLUMNS[2].to_owned()),
    });
    let mut settings = SoilSettings {
        path: section.text("path"),
        attribute: drainage_column.unwrap_or_else(|| "drclassdcd".to_owned()),
        components,
        tiled_attribute: section.column("tiled"),
        crs: section.parsed("crs", super::harvest::epsg_text),
        zones: Vec::new(),
        zone_of_class: Vec::new(),
        classes,
        is_drainage,
        dem: section.text("dem"),
        dem_smoothing_m: section.quantity_or::<Length>("dem_smoothing", SMOOTHING_M, 0.0, 200.0),
        line_error_m: section.quantity_or::<Length>("line_error", LINE_ERROR_M, 0.0, 100.0),
    };
    pool(&section, &mut settings);
    section.finish_known();
    settings
}

/// Forms the zones: each group in place of its classes, at the place of its driest class.
fn pool(section: &Section<'_, '_>, settings: &mut SoilSettings) {
    let mut group_of: Vec<Option<String>> = vec![None; settings.classes.len()];
    if let Some(groups) = section.section("groups") {
        for name in groups.keys() {
            for class in groups.texts(&name).unwrap_or_default() {
                match settings.class(&class) {
                    Ok(Some(at)) => match &group_of[at] {
                        None => group_of[at] = Some(name.clone()),
                        Some(other) => groups.fault(&name, format!("`{class}` is already in the group `{other}`")),
                    },
                    Ok(None) => groups.fault(&name, "holds an empty class name"),
                    Err(message) => groups.fault(&name, message),
                }
            }
        }
    }
    for (class, group) in settings.classes.iter().zip(&group_of) {
        let zone = group.as_ref().unwrap_or(class);
        let at = settings.zones.iter().position(|known| known == zone).unwrap_or_else(|| {
            settings.zones.push(zone.clone());
            settings.zones.len() - 1
        });
        settings.zone_of_class.push(at);
    }
}
