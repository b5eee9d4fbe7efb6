//! The settings files, sound and faulty.

use super::{ArchiveSettings, FieldSettings, FieldValue, ReportUnits};

const ARCHIVE: &str = r#"
name = "Marrow Creek"
report_units = "us"
[soil]
path = "layers/soils.geojson"
[soil.groups]
wet = ["Very poorly drained", "Poorly drained", "somewhat poorly"]
[wetness]
months = [5]
total = "layers/total_{season}_{month}.tif"
normal = "layers/normal_{month}.tif"
[crops.corn]
price = "4.20 USD/bu"
drying = "0.05 USD/bu/%"
[treatments.check]
label = "untreated check"
check = true
[treatments.band]
label = "at-planting band"
cost = "20 USD/ac"
"#;

const FIELD: &str = r#"
farm = "Marrow Creek"
field = "North Eighty"
season = 2023
crop = "corn"
planted = 2023-04-29
[strips]
path = "strips.geojson"
block = "block"
[[harvest]]
path = "harvest/*.csv"
crs = "EPSG:4326"
machine = "A"
swath = "30 ft"
[harvest.columns]
time = { column = "utc_s", format = "epoch_s" }
longitude = "lon"
latitude = "lat"
mass_flow = { column = "flow", unit = "lb/s" }
moisture = { column = "moist", unit = "%" }
speed = { column = "mph", unit = "mph" }
"#;

fn archive_faults(from: &str, to: &str) -> Vec<String> {
    assert!(ARCHIVE.contains(from), "{from}");
    let text = ARCHIVE.replace(from, to);
    let faults = ArchiveSettings::parse("archive.toml", &text).expect_err("a fault was expected");
    faults.0.iter().map(ToString::to_string).collect()
}

fn field_faults(from: &str, to: &str) -> Vec<String> {
    assert!(FIELD.contains(from), "{from}");
    let archive = ArchiveSettings::parse("archive.toml", ARCHIVE).unwrap();
    let text = FIELD.replace(from, to);
    let faults = FieldSettings::parse("field.toml", &text, &archive).expect_err("a fault was expected");
    faults.0.iter().map(ToString::to_string).collect()
}

#[test]
fn the_archive_is_read_with_its_units() {
    let archive = ArchiveSettings::parse("archive.toml", ARCHIVE).unwrap();
    assert_eq!(archive.report_units, ReportUnits::Us);
    let corn = &archive.crops["corn"];
    assert!((corn.market_moisture_pct - 15.5).abs() < 1e-12);
    assert!((corn.bushel_kg - 25.401_172_72).abs() < 1e-9);
    assert!((corn.price_per_kg.unwrap() - 4.20 / 25.401_172_72).abs() < 1e-12);
    assert!((archive.treatment("band").unwrap().cost_per_ha - 20.0 / 0.404_685_642_24).abs() < 1e-9);
    assert_eq!(archive.check().unwrap().key, "check");
    assert_eq!(archive.currency.as_deref(), Some("USD"));
    // Three classes pooled: four drier classes remain, and the pool.
    assert_eq!(archive.soil.zones.len(), 5);
    assert_eq!(archive.soil.zone_of_class, [0, 1, 2, 3, 4, 4, 4]);
    let wetness = archive.wetness.unwrap();
    assert_eq!(wetness.class(-30.0), "drier");
    assert_eq!(wetness.class(-25.0), "near normal");
    assert_eq!(wetness.class(25.0), "wetter");
}

#[test]
fn the_field_is_read_with_its_units() {
    let archive = ArchiveSettings::parse("archive.toml", ARCHIVE).unwrap();
    let field = FieldSettings::parse("field.toml", FIELD, &archive).unwrap();
    assert_eq!(field.identity(), (2023, "Marrow Creek", "North Eighty"));
    assert!((field.harvest[0].swath_m.unwrap() - 9.144).abs() < 1e-12);
    assert!(!field.strips.as_ref().unwrap().randomized);
    assert_eq!(field.planted.unwrap().to_string(), "2023-04-29");
}

#[test]
fn all_faults_are_reported_at_once_with_line_and_column() {
    let archive =
        ArchiveSettings::parse("a/archive.toml", "name = 3\nreport_units = \"imperial\"\n[crops.corn]\nprise = 4\n");
    let text = archive.unwrap_err().to_string();
    assert!(text.contains("a/archive.toml:1:8: name: expected a text in quotes, found the number `3`"), "{text}");
    assert!(text.contains("a/archive.toml:2:16: report_units: expected `us` or `metric`"), "{text}");
    assert!(text.contains("a/archive.toml:4:1: crops.corn.prise: unknown key; did you mean `price`?"), "{text}");
}

#[test]
fn costs_have_parts_and_prices_have_seasons() {
    let text = ARCHIVE
        .replace("cost = \"20 USD/ac\"", "product = \"14 USD/ac\"\napplication = \"5 USD/ac\"\nextra_pass = \"3.50 USD/ac\"\n[treatments.band.seasons.2022]\ncost = \"30 USD/ac\"")
        .replace("drying =", "hauling = \"0.15 USD/bu\"\ndrying =")
        .replace("[treatments.check]", "[crops.corn.seasons.2022]\nprice = \"6.10 USD/bu\"\n[treatments.check]");
    let archive = ArchiveSettings::parse("archive.toml", &text).unwrap();
    let band = archive.treatment("band").unwrap();
    assert!((band.cost_per_ha - 22.5 / 0.404_685_642_24).abs() < 1e-9);
    assert!((band.in_season(2022).cost_per_ha - 30.0 / 0.404_685_642_24).abs() < 1e-9);
    let corn = &archive.crops["corn"];
    assert!((corn.hauling_per_kg - 0.15 / 25.401_172_72).abs() < 1e-12);
    assert!((corn.in_season(2022).price_per_kg.unwrap() - 6.10 / 25.401_172_72).abs() < 1e-12);
    assert!((corn.in_season(2023).price_per_kg.unwrap() - 4.20 / 25.401_172_72).abs() < 1e-12);
}

#[test]
fn faults_of_the_archive_are_named() {
    for (from, to, expected) in [
        ("\"4.20 USD/bu\"", "4.20", "`4.20` has no unit"),
        ("\"4.20 USD/bu\"", "\"4.20\"", "`4.20` has no unit"),
        ("\"4.20 USD/bu\"", "\"0 USD/bu\"", "must be greater than 0"),
        ("\"4.20 USD/bu\"", "\"4.20 EUR/bu\"", "use one currency"),
        ("\"20 USD/ac\"", "\"20 USD/acre foot\"", "unknown unit"),
        ("check = true", "check = false", "no treatment is the check"),
        ("cost = \"20", "check = true\ncost = \"20", "only one treatment can be the check"),
        ("months = [5]", "months = [5, 13]", "must lie between 1 and 12, found 13"),
        ("months = [5]", "months = [5]\nbreaks = [\"25 mm\", \"-25 mm\"]", "must rise"),
        ("months = [5]", "months = [5]\nlabels = [\"dry\", \"wet\"]", "make 3 classes, found 2 labels"),
        ("[wetness]", "[model]\nconfidence = 1.0\n[wetness]", "must lie between 0.5 and 0.999, found 1"),
        ("[wetness]", "[model]\nsegment_length = \"20\"\n[wetness]", "`20` has no unit"),
        ("[wetness]", "[clean]\nneighbor_radius = \"30 m\"\n[wetness]", "did you mean `neighbour_radius`?"),
        ("\"Poorly drained\"", "\"Poorley drained\"", "did you mean `Poorly drained`?"),
        ("months = [5]", "months = [5]\nwindow = [\"0 d\", \"60 d\"]", "stands beside `months`"),
        ("months = [5]", "window = [\"60 d\", \"0 d\"]", "the first before the second"),
        ("months = [5]", "window = [\"0\", \"60\"]", "expected two whole days"),
        ("months = [5]", "", "wetness.months: is missing"),
        ("months = [5]", "months = [5]\nmeasure = \"z\"", "expected `departure`, `percent` or `spi`"),
        ("months = [5]", "months = [5]\nmeasure = \"percent\"\nbreaks = [\"80 mm\", \"120 mm\"]", "unknown unit `mm`"),
        ("months = [5]", "months = [5]\nmeasure = \"spi\"\nbreaks = [\"-1 %\", \"1 %\"]", "unknown unit `%`"),
        ("cost = \"20 USD/ac\"", "cost = \"20 USD/ac\"\nproduct = \"14 USD/ac\"", "is the whole cost"),
        ("cost = \"20 USD/ac\"", "application = \"-1 USD/ac\"", "must not be negative"),
        (
            "cost = \"20 USD/ac\"",
            "cost = \"20 USD/ac\"\n[treatments.band.seasons.last]\ncost = \"2 USD/ac\"",
            "a year such as",
        ),
        ("drying = \"0.05 USD/bu/%\"", "hauling = \"0.15 USD/ac\"", "unknown unit"),
        ("drying = \"0.05 USD/bu/%\"", "[crops.corn.seasons.2022]\nprice = \"0 USD/bu\"", "must be greater than 0"),
        ("[wetness]", "[target]\nsure = 0.2\n[wetness]", "must lie between 0.5 and 0.999"),
        ("[wetness]", "[target]\nzone_cost = \"-1 USD/ac\"\n[wetness]", "must not be negative, found -1"),
        ("[wetness]", "[target]\nzone_cost = \"1 EUR/ha\"\n[wetness]", "use one currency"),
        ("[wetness]", "[target]\nplanter = 40\n[wetness]", "`40` has no unit"),
        ("[wetness]", "[target]\nplanter = \"40 bu\"\n[wetness]", "unknown unit `bu`"),
        ("[wetness]", "[target]\nplanter = \"0 ft\"\n[wetness]", "must lie between 0.5 and 60 m, found 0 m"),
        ("[wetness]", "[target]\nplantr = \"40 ft\"\n[wetness]", "did you mean `planter`?"),
        (
            "[wetness]",
            "[target]\nheader = \"30 ft\"\nseed = 4\n[wetness]",
            "target.header: is of no use without `planter`",
        ),
        (
            "[wetness]",
            "[target]\nheader = \"30 ft\"\nseed = 4\n[wetness]",
            "target.seed: is of no use without `planter`",
        ),
        ("[wetness]", "[target]\nplanter = \"40 ft\"\nblocks = 2\n[wetness]", "must lie between 3 and 40, found 2"),
        (
            "[wetness]",
            "[target]\nplanter = \"40 ft\"\n[target.directions]\n\"Marrow Creek/North Eighty\" = \"370 deg\"\n[wetness]",
            "must lie between 0 and 360 deg, found 370 deg",
        ),
        (
            "[wetness]",
            "[target]\nplanter = \"40 ft\"\n[target.directions]\n\"North Eighty\" = \"80 deg\"\n[wetness]",
            "expected \"farm/field\"",
        ),
        (
            "[wetness]",
            "[target]\nplanter = \"40 ft\"\n[target.directions]\n\"Marrow Creek/North Eighty\" = 80\n[wetness]",
            "`80` has no unit",
        ),
        ("name = \"Marrow Creek\"", "", "name: is missing"),
        ("report_units = \"us\"", "report_units = us", ""),
        ("price = \"4.20 USD/bu\"", "", "crops.corn.price: is missing"),
    ] {
        let faults = archive_faults(from, to);
        assert!(faults.iter().any(|fault| fault.contains(expected)), "{to}: {faults:?}");
    }
}

#[test]
fn faults_of_the_field_are_named() {
    for (from, to, expected) in [
        ("crop = \"corn\"", "crop = \"cron\"", "unknown crop `cron`"),
        ("season = 2023", "season = \"2023\"", "expected a whole number, found the text `2023`"),
        ("swath = \"30 ft\"\n", "", "swath: is missing"),
        ("unit = \"lb/s\"", "unit = \"lb/sec\"", "unknown unit `lb/sec`"),
        ("{ column = \"flow\", unit = \"lb/s\" }", "\"flow\"", "column `flow` has no unit"),
        ("latitude = \"lat\"\n", "", "latitude: is missing"),
        ("format = \"epoch_s\"", "format = \"epoch\"", "unknown time format `epoch`"),
        ("crs = \"EPSG:4326\"", "crs = \"WGS 84\"", "expected a code such as `EPSG:4326`"),
        ("planted = 2023-04-29", "planted = \"in spring\"", "expected a date such as 2023-04-29"),
        ("[[harvest]]", "[[harvests]]", "did you mean `harvest`?"),
        (
            "mass_flow = {",
            "wet_yield = { column = \"y\", unit = \"bu/ac\" }\nmass_flow = {",
            "only one column can give the grain",
        ),
    ] {
        let faults = field_faults(from, to);
        assert!(faults.iter().any(|fault| fault.contains(expected)), "{to}: {faults:?}");
    }
}

#[test]
fn faults_of_what_was_seen_are_named() {
    let speed = "speed = { column = \"mph\", unit = \"mph\" }\n";
    let value = "value = \"a\"";
    for (entry, columns, expected) in [
        ("kind = \"rating\"", value, "expected `count`, `percent` or `ordinal`, found `rating`"),
        ("", value, "kind: is missing"),
        ("kind = \"ordinal\"", value, "levels: expected two or more different levels"),
        ("kind = \"ordinal\"\nlevels = [\"a\", \"a\"]", value, "levels: expected two or more different levels"),
        ("kind = \"count\"\nlevels = [\"a\", \"b\"]", value, "levels: goes with kind"),
        ("kind = \"count\"", "", "value: is missing"),
        ("kind = \"count\"", "value = \"a\"\nlongitude = \"lon\"", "latitude: is missing"),
        ("kind = \"count\"", "value = \"a\"\nplot = \"p\"", "unknown key"),
        (
            "kind = \"count\"",
            "value = \"a\"\n[[observed]]\npath = \"b.csv\"\nkind = \"count\"\n[observed.columns]\nvalue = \"a\"",
            "two measures are called `a`",
        ),
    ] {
        let text = format!("{speed}[[observed]]\npath = \"a.csv\"\n{entry}\n[observed.columns]\n{columns}\n");
        let faults = field_faults(speed, &text);
        assert!(faults.iter().any(|fault| fault.contains(expected)), "{entry} {columns}: {faults:?}");
    }
    let sound =
        format!("{speed}[[observed]]\npath = \"a.csv\"\nkind = \"percent\"\n[observed.columns]\nvalue = \"a\"\n");
    let archive = ArchiveSettings::parse("archive.toml", ARCHIVE).unwrap();
    let field = FieldSettings::parse("field.toml", &FIELD.replace(speed, &sound), &archive).unwrap();
    assert_eq!((field.observed[0].name.as_str(), field.observed[0].blind), ("a", None));
    let without = FIELD.replace("[strips]\npath = \"strips.geojson\"\nblock = \"block\"\n", "").replace(speed, &sound);
    let faults = FieldSettings::parse("field.toml", &without, &archive).expect_err("a fault was expected");
    assert!(faults.to_string().contains("needs strips"), "{faults}");
}

#[test]
fn covariates_are_read_and_their_faults_are_named() {
    let speed = "speed = { column = \"mph\", unit = \"mph\" }\n";
    let clay = "name = \"clay\"\nkind = \"number\"";
    for (entry, expected) in [
        ("path = \"a.tif\"\nkind = \"number\"", "name: is missing"),
        ("name = \"clay\"\npath = \"a.tif\"", "kind: is missing"),
        (clay, "path: is missing"),
        ("name = \"clay\"\nkind = \"number\"\npath = \"a.tif\"\nvalue = 4", "is given beside `path`"),
        ("name = \"clay\"\nkind = \"number\"\nvalue = \"F-12\"", "a name takes kind = \"class\""),
        ("name = \"hybrid\"\nkind = \"class\"\nvalue = 12", "a number takes kind = \"number\""),
        ("name = \"hybrid\"\nkind = \"class\"\nvalue = \"F-12\"\nunit = \"%\"", "unit: goes with kind"),
        (
            "name = \"soil\"\nkind = \"class\"\npath = \"a.csv\"\npoints = \"mean\"",
            "a class is that of the nearest point",
        ),
        ("name = \"clay\"\nkind = \"number\"\npath = \"a.csv\"\nlongitude = \"lon\"", "latitude: is missing"),
        ("name = \"clay\"\nkind = \"number\"\npath = \"a.csv\"\nradius = \"3 m\"", "unknown key"),
        ("name = \"!\"\nkind = \"number\"\nvalue = 3", "holds no letter and no digit"),
        (
            "name = \"EC 1\"\nkind = \"number\"\nvalue = 3\n[[covariate]]\nname = \"ec-1\"\nkind = \"number\"\nvalue = 3",
            "`EC 1` and `ec-1` would share a column",
        ),
    ] {
        let faults = field_faults(speed, &format!("{speed}[[covariate]]\n{entry}\n"));
        assert!(faults.iter().any(|fault| fault.contains(expected)), "{entry}: {faults:?}");
    }
    let all = "[[covariate]]\nname = \"planting date\"\nkind = \"number\"\nvalue = \"planted\"\n\
               [[covariate]]\nname = \"clay\"\nkind = \"number\"\npath = \"clay.tif\"\n";
    let archive = ArchiveSettings::parse("archive.toml", &format!("{ARCHIVE}\n{all}")).unwrap();
    let own = "[[covariate]]\nname = \"Clay\"\nkind = \"number\"\npath = \"own.csv\"\ncolumn = \"a\"\nreach = \"100 ft\"\n\
               [[covariate]]\nname = \"sprayed\"\nkind = \"number\"\nvalue = 2023-03-01\n";
    let text = FIELD.replace(speed, &format!("{speed}{own}"));
    let field = FieldSettings::parse("field.toml", &text, &archive).unwrap();
    let names: Vec<&str> = field.covariates.iter().map(|one| one.name.as_str()).collect();
    assert_eq!(names, ["planting date", "Clay", "sprayed"], "the field's own clay stands before the archive's");
    assert!((field.covariates[1].reach_m - 30.48).abs() < 1e-12 && !field.covariates[1].of_archive);
    assert_eq!(field.covariates[2].value, Some(FieldValue::Number(60.0)));
    let day = field.planted.map(|day| f64::from(chrono::Datelike::ordinal(&day)));
    assert_eq!(field.covariates[0].value, Some(FieldValue::Planted(day)));
    assert_eq!(field.covariates[0].unit, "day of the year");
    let fixed = all.replace("\"planted\"", "119");
    let faults =
        ArchiveSettings::parse("archive.toml", &format!("{ARCHIVE}\n{fixed}")).expect_err("a fault was expected");
    assert!(faults.to_string().contains("stands in field.toml"), "{faults}");
}
