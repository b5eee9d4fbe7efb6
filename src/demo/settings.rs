//! The settings files of the archive.

use std::fmt::Write as _;

use super::catalogue::{FileStyle, TREATMENTS, Tickets};
use super::seasons::SiteYear;
use super::truth::SiteYearTruth;

/// The text of archive.toml.
pub(super) fn archive_toml() -> String {
    let mut out = String::from(
        r#"# An invented archive: farms, fields and products do not exist.
name = "Three invented farms"
report_units = "us"

[soil]
path = "layers/soils.geojson"
drainage = "drclassdcd"
tiled = "tiled"

[wetness]
months = [5]
total = "layers/total_{season}_{month}.tif"
normal = "layers/normal_{month}.tif"
unit = "mm"
breaks = ["-25 mm", "25 mm"]
labels = ["drier", "near normal", "wetter"]

[crops.corn]
market_moisture = "15.5 %"
test_weight = "56 lb/bu"
price = "4.20 USD/bu"
drying = "0.05 USD/bu/%"

[crops.soybean]
market_moisture = "13 %"
test_weight = "60 lb/bu"
price = "10.60 USD/bu"
"#,
    );
    for (key, label, cost) in TREATMENTS {
        let _ = write!(out, "\n[treatments.{key}]\nlabel = \"{label}\"\ncost = \"{cost:.2} USD/ac\"\n");
        if cost == 0.0 {
            out.push_str("check = true\n");
        }
    }
    out.push_str("\n[target]\nplanter = \"60 ft\"\n\n[model]\nsegment_length = \"20 m\"\nconfidence = 0.90\n");
    out
}

/// The text of a field.toml.
pub(super) fn field_toml(site_year: &SiteYear) -> String {
    let (month, day) = site_year.planted;
    let mut out = format!(
        "farm = \"{}\"\nfield = \"{}\"\nseason = {}\ncrop = \"{}\"\nplanted = {}-{month:02}-{day:02}\n\n[boundary]\npath = \"boundary.geojson\"\n",
        site_year.farm.name,
        site_year.field,
        site_year.season,
        site_year.crop.key(),
        site_year.season,
    );
    let strips = if site_year.strips_as_shapes { "strips.shp" } else { "strips.geojson" };
    let _ = write!(
        out,
        "\n[strips]\npath = \"{strips}\"\ntreatment = \"treatment\"\nblock = \"block\"\nstrip = \"strip\"\nrandomized = {}\n",
        site_year.randomised
    );
    match site_year.style {
        FileStyle::CsvUs => out.push_str(&csv_us("harvest/*.csv", None)),
        FileStyle::CsvUsGz => {
            for machine in &site_year.scenario.machines {
                let path = format!("harvest/combine_{}.csv.gz", machine.name.to_lowercase());
                out.push_str(&csv_us(&path, Some(&machine.name)));
            }
        }
        FileStyle::CsvMetric => out.push_str(CSV_METRIC),
        FileStyle::ShapeZip => out.push_str(&SHAPE.replace("PATH", "harvest/harvest.zip")),
        FileStyle::Shape => out.push_str(&SHAPE.replace("PATH", "harvest/harvest.shp")),
    }
    if site_year.tickets != Tickets::None {
        out.push_str("\n[tickets]\npath = \"tickets.csv\"\n");
    }
    out
}

fn csv_us(path: &str, machine: Option<&str>) -> String {
    let named = machine.map(|name| format!("machine = \"{name}\"\n")).unwrap_or_default();
    let column = if machine.is_none() { "machine = \"combine\"\n" } else { "" };
    format!(
        r#"
[[harvest]]
path = "{path}"
crs = "EPSG:4326"
{named}[harvest.columns]
time = {{ column = "utc_s", format = "epoch_s" }}
longitude = "lon"
latitude = "lat"
mass_flow = {{ column = "flow_lb_s", unit = "lb/s" }}
moisture = {{ column = "moist", unit = "%" }}
speed = {{ column = "mph", unit = "mph" }}
swath = {{ column = "width_ft", unit = "ft" }}
header = "down"
load = "load"
{column}"#
    )
}

const CSV_METRIC: &str = r#"
[[harvest]]
path = "harvest/*.csv"
crs = "EPSG:4326"
[harvest.columns]
time = { column = "time", format = "rfc3339" }
longitude = "longitude"
latitude = "latitude"
mass_flow = { column = "flow_kg_s", unit = "kg/s" }
moisture = { column = "moisture_pct", unit = "%" }
speed = { column = "speed_km_h", unit = "km/h" }
distance = { column = "distance_m", unit = "m" }
swath = { column = "width_m", unit = "m" }
header = "header"
load = "load"
machine = "machine"
"#;

const SHAPE: &str = r#"
[[harvest]]
path = "PATH"
[harvest.columns]
time = { column = "UTC", format = "rfc3339" }
mass_flow = { column = "FLOW_LB_S", unit = "lb/s" }
moisture = { column = "MOISTURE", unit = "%" }
speed = { column = "SPEED_MPH", unit = "mph" }
swath = { column = "WIDTH_FT", unit = "ft" }
header = "HEADER"
load = "LOAD"
machine = "COMBINE"
"#;

/// The text of the archive's README.
pub(super) fn readme(site_years: &[SiteYearTruth]) -> String {
    let records: usize = site_years.iter().map(|one| one.records).sum();
    let mut out = format!(
        "# An invented archive\n\nFarms, fields, products, soils, weather and harvests are invented; the coordinates lie in farming country but on no \
         farm that we know of. The harvests were simulated: {records} records in {} site-years.\n\n| season | farm | field | crop | blocks | records |\n\
         | --- | --- | --- | --- | --- | --- |\n",
        site_years.len()
    );
    for one in site_years {
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} | {} | {} |",
            one.season, one.farm, one.field, one.crop, one.blocks, one.records
        );
    }
    out
}
