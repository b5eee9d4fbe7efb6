//! What each key of the settings is for, and where its default comes from: said once, in the doc comment of the field that it fills, or
//! here where no field has its name.

use crate::points::{Channel, Labelled, Readings};

/// The modules whose fields say what their keys are for.
pub(super) const FIELDS: [(&str, &str); 12] = [
    ("applied", include_str!("applied.rs")),
    ("clean", include_str!("clean.rs")),
    ("covariate", include_str!("covariate.rs")),
    ("crops", include_str!("crops.rs")),
    ("harvest", include_str!("harvest.rs")),
    ("model", include_str!("model.rs")),
    ("observed", include_str!("observed.rs")),
    ("read", include_str!("read.rs")),
    ("soil", include_str!("soil.rs")),
    ("target", include_str!("target.rs")),
    ("treatments", include_str!("treatments.rs")),
    ("wetness", include_str!("wetness.rs")),
];

/// A key and its text, one a line.
macro_rules! pairs {
    ($($key:literal, $text:literal;)*) => { [$(($key, $text)),*] };
}

/// What keys are for that fill no field of their name.
pub(super) const OWN: [(&str, &str); 95] = pairs! {
    "name", "What the archive is called.";
    "report_units", "Units of the reports: bu/ac, ac, in, ft, mph, or t/ha, ha, mm, m, km/h. Default us.";
    "answers", "Answers to the questions of a draft; `\"?name\"` in any file stands for the answer of that name.";
    "answers.<name>", "One answer.";
    "soil", "Classes of the ground.";
    "soil.drainage", "Attribute that holds the class. Default drclassdcd, the name in the public soil survey's tables.";
    "soil.components", "Tables of the components of map units (files or a glob; `soils.gpkg/component`), where the polygons carry the units' key instead of a class: the class with the greatest share of the components counts, of equals the wetter.";
    "soil.key", "Attribute of the polygons and column of the components that holds the map unit's key. Default mukey.";
    "soil.percent", "Column of a component's share of its map unit, percent. Default comppct_r.";
    "soil.tiled", "Attribute that says whether the ground is tile-drained: yes, no or unknown.";
    "soil.groups", "Classes that are pooled for the model; by default each class stands by itself.";
    "soil.groups.<group>", "The classes of one group.";
    "wetness", "Precipitation of the season beside its normal.";
    "wetness.window", "First day and the day after the last, counted from planting, in place of `months`: [\"-30 d\", \"60 d\"].";
    "wetness.total", "Pattern of the grids of totals; {season} and {month} are filled in. NetCDF may hold several months of several seasons.";
    "wetness.normal", "Pattern of the grids of normals; {month} is filled in.";
    "wetness.departure", "Pattern of the grids of departures, in place of `total` and `normal`.";
    "wetness.unit", "Unit of the grids: mm, cm, m or in. A grid that records another fails. Default mm.";
    "wetness.stations", "Tables of weather stations (files or a glob), a row a day or a month, in place of grids. The nearest station that has the months and ten years of them counts.";
    "wetness.date", "Column of the day (2023-05-04) or the month (2023-05). Default date.";
    "wetness.precipitation", "Column of the depth of rain, in `unit`; empty where it is missing. Default precipitation.";
    "wetness.station", "Column of the stations' names. Default station, where there is one; else each file is a station.";
    "wetness.longitude", "Column of the station's longitude, degrees. Default longitude.";
    "wetness.latitude", "Column of the station's latitude, degrees. Default latitude.";
    "wetness.normal_years", "First and last year of the normals, such as [1991, 2020]. Default all years of the tables.";
    "crops", "One table for each crop.";
    "crops.<crop>", "A crop; field.toml names it.";
    "crops.<crop>.market_moisture", "Moisture at which grain is sold; known for seven crops.";
    "crops.<crop>.test_weight", "Weight of one bushel; known for seven crops.";
    "crops.<crop>.price", "Price of grain at market moisture; required where there are treatments.";
    "crops.<crop>.drying", "Cost of drying, for each point of moisture above market. Default none.";
    "crops.<crop>.hauling", "Cost of hauling. Default none.";
    "crops.<crop>.plausible_yield", "Low and high end of yields that may be; known for seven crops.";
    "crops.<crop>.plausible_moisture", "Low and high end of moistures that may be; known for seven crops.";
    "crops.<crop>.seasons", "Prices of single seasons, where they differ.";
    "crops.<crop>.seasons.<year>", "The prices of one season.";
    "treatments", "One table for each treatment; one of them is the check.";
    "treatments.<treatment>", "A treatment; the strips' attribute names it.";
    "treatments.<treatment>.cost", "What the treatment costs; or its parts.";
    "treatments.<treatment>.product", "The product's part of the cost.";
    "treatments.<treatment>.application", "The application's part of the cost.";
    "treatments.<treatment>.extra_pass", "An extra pass's part of the cost.";
    "treatments.<treatment>.seasons", "Costs of single seasons, where they differed.";
    "treatments.<treatment>.seasons.<year>", "The costs of one season.";
    "clean", "Limits of the cleaning stage.";
    "model", "The response model.";
    "target", "Where to treat next, and the layout of strips.";
    "target.directions", "Bearing of the rows, by farm and field.";
    "target.directions.<farm>/<field>", "The bearing of one field, 0 to 360 deg.";
    "read", "Limits of the readers.";
    "boundary", "The field's outline.";
    "boundary.path", "The layer of polygons.";
    "boundary.crs", "Coordinate reference system of a layer that carries none, such as EPSG:4326.";
    "boundary.where", "Which polygons of the layer are this field's, where it holds others.";
    "strips", "The treated and check strips; a field without them is cleaned and mapped only.";
    "tickets", "Scale tickets, which calibrate each machine.";
    "tickets.path", "A table with the columns load, machine, from, to, net_weight, moisture.";
    "harvest", "One table for each kind of harvest file.";
    "harvest[].path", "Files, folders of task data (ISO 11783-10) or globs, relative to field.toml.";
    "harvest[].where", "Which rows of the files are this field's, where they hold others.";
    "harvest[].where.within", "Where the rows lie: \"boundary\", or [west, south, east, north] in degrees.";
    "harvest[].where.margin", "Ground around the boundary that still counts (common practice, no source).";
    "harvest[].where.from", "The first day of the rows, UTC.";
    "harvest[].where.to", "The last day of the rows, UTC.";
    "harvest[].columns", "What the columns mean; task data (ISO 11783-10) needs none.";
    "harvest[].columns.longitude", "Degrees; with `latitude`.";
    "harvest[].columns.latitude", "Degrees; with `longitude`.";
    "harvest[].columns.easting", "Units of the projected reference system; with `northing`.";
    "harvest[].columns.northing", "Units of the projected reference system; with `easting`.";
    "harvest[].columns.mass_flow", "Wet mass per time. One column gives the grain: this or one of the next four.";
    "harvest[].columns.mass", "Wet mass of a record.";
    "harvest[].columns.wet_yield", "Exported yield at field moisture.";
    "applied", "One table for each log of what was put down, in the order of application; strips and treatments follow from it.";
    "applied[].path", "Files, folders of task data (ISO 11783-10) or globs, relative to field.toml.";
    "applied[].width", "Working width, where there is no width column.";
    "applied[].columns", "What the columns mean; task data (ISO 11783-10) needs none.";
    "applied[].columns.time", "Times: stops and passes are found by them.";
    "applied[].columns.rate", "The rate that was put down.";
    "applied[].columns.width", "Working width.";
    "applied[].columns.state", "Whether the planter was at work: down or up, 1 or 0, on or off and the like.";
    "applied[].columns.product", "The tank, channel or product of a row; `product` says which are meant.";
    "observed", "One table for each measure of what was seen in the field: counts and ratings, compared between treatments.";
    "observed[].path", "Tables or layers of points, or globs, relative to field.toml.";
    "observed[].levels", "The levels of an ordinal scale, healthy first.";
    "observed[].columns", "What the columns mean; each row has a position or a strip.";
    "covariate", "One table for each other layer of the ground or value of the field: texture, organic matter, pH, conductivity, planting date, hybrid; in archive.toml for all fields, in field.toml for one, which counts before one of the same name.";
    "covariate[].path", "A table or layer of points, a layer of polygons, a grid, or globs; in archive.toml relative to it, in field.toml to that.";
    "covariate[].points", "What a record takes of points: `nearest`, or the `mean` of all within reach. Default nearest.";
    "covariate[].value", "One value for the whole field in place of a path: a number, a class, a day, or \"planted\"; compared over site-years only.";
    "covariate[].longitude", "Column of a table's points, degrees; with `latitude`.";
    "covariate[].latitude", "Column of a table's points, degrees; with `longitude`.";
    "covariate[].easting", "Column of a table's points in the projected reference system; with `northing`.";
    "covariate[].northing", "Column of a table's points in the projected reference system; with `easting`.";
    "treatments.<treatment>.rate", "The rate that was tested, such as \"8 fl oz/ac\": by it a log shows where the treatment stands.";
    "treatments.<treatment>.of", "The treatments that it is made of, each recorded by a log of its own.";
};

/// The same, for the last part of a path, where no whole path is listed.
const OWN_ENDS: [(&str, &str); 14] = pairs! {
    "dry_yield", "Exported yield at market moisture.";
    "yield", "Exported yield, with `at` for the moisture that it is given at.";
    "column", "The column's name.";
    "unit", "The column's unit.";
    "is", "The label, or a list of labels.";
    "at", "The moisture of a yield: market (dry) or field (wet).";
    "date", "The column of the dates, where date and clock stand in two columns.";
    "clock", "The column of the time of day.";
    "format", "How the times are written.";
    "zone", "Offset of a local clock from UTC. Default UTC.";
    "price", "Price of grain in that season.";
    "drying", "Cost of drying in that season.";
    "hauling", "Cost of hauling in that season.";
    "path", "The layer of polygons.";
};

/// What a key is for: from the lists above, or from the comment of the field that it fills.
pub(super) fn about(path: &str) -> String {
    if let Some((_, text)) = OWN.iter().find(|(own, _)| *own == path) {
        return (*text).to_owned();
    }
    let key = path.rsplit('.').next().unwrap_or(path);
    if let Some(channel) = path.strip_prefix("harvest[].columns.").and_then(channel) {
        return channel.about.trim().to_owned();
    }
    let module = path.split(['.', '[']).next().unwrap_or("");
    let source = FIELDS.iter().find(|(name, _)| *name == module && *name != path).map(|(_, source)| *source);
    let commented = || comment_of(source.unwrap_or(include_str!("field.rs")), key);
    let seasonal = path
        .contains(".seasons.<year>.")
        .then(|| OWN.iter().find(|(own, _)| own.ends_with(&format!(">.{key}"))))
        .flatten();
    let shared = [
        ("applied[].", include_str!("applied.rs")),
        ("covariate[].", include_str!("covariate.rs")),
        ("observed[].", include_str!("observed.rs")),
    ];
    if let Some((rest, source)) = shared.iter().find_map(|(of, source)| Some((path.strip_prefix(of)?, source))) {
        // what the readers take of all logs is said once
        let own = comment_of(source, key);
        return own.unwrap_or_else(|| about(&format!("harvest[].{rest}")));
    }
    let listed = OWN_ENDS.iter().find(|(end, _)| *end == key).map(|(_, text)| (*text).to_owned());
    listed.or_else(|| seasonal.map(|(_, text)| (*text).to_owned())).or_else(commented).unwrap_or_default()
}

fn channel(key: &str) -> Option<Channel> {
    Readings::channels().chain(Labelled::channels()).find(|channel| channel.key == key)
}

/// The doc comment of a struct's field that is called as a key, or as the key with its unit or kind behind it.
fn comment_of(source: &str, key: &str) -> Option<String> {
    let stem = key.strip_suffix("_degrees").unwrap_or(key);
    let is_field = |line: &str| {
        let name = line.trim().strip_prefix("pub ").and_then(|rest| rest.split_once(':')).map(|(name, _)| name);
        name.and_then(|name| name.strip_prefix(stem)).is_some_and(|rest| {
            matches!(
                rest,
                "" | "_s"
                    | "_m"
                    | "_m_s"
                    | "_kg_s"
                    | "_per_ha"
                    | "_pct"
                    | "_deg"
                    | "_d"
                    | "_column"
                    | "_l"
                    | "_bytes"
                    | "_unpacked_bytes"
                    | "_crs"
            )
        })
    };
    let lines: Vec<&str> = source.lines().collect();
    let at = lines.iter().position(|line| is_field(line))?;
    let before = lines[..at].iter().rev().map(|line| line.trim());
    let mut comment: Vec<&str> = before
        .take_while(|line| line.starts_with("///") || line.starts_with("#["))
        .filter_map(|line| line.strip_prefix("///"))
        .collect();
    comment.reverse();
    let text = comment.iter().map(|line| line.trim()).collect::<Vec<_>>().join(" ");
    (!text.is_empty()).then_some(text)
}
