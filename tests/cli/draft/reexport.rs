//! The records of the example archive, written as other monitors, programs and people write them: other names, languages, units,
//! separators, decimal commas, formats, several fields in a file, a field in several files, and columns that mean nothing here.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use chrono::{DateTime, FixedOffset};

const KG_PER_LB: f64 = 0.453_592_37;
const M_PER_FT: f64 = 0.304_8;

/// One record.
#[derive(Debug, Clone)]
pub struct Record {
    field: usize,
    time_s: f64,
    lon: f64,
    lat: f64,
    flow_kg_s: f64,
    moisture_pct: f64,
    speed_m_s: f64,
    width_m: f64,
    down: bool,
    machine: String,
    load: String,
}

const FIELDS: [(i32, &str, &str, &str); 3] = [
    (2022, "Alder Bend", "Heron Slough", "2022/alder-bend/heron-slough"),
    (2022, "Quillet Ridge", "Hilltop", "2022/quillet-ridge/hilltop"),
    (2023, "Tamsin Flats", "Windbreak", "2023/tamsin-flats/windbreak"),
];

fn sample(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive").join(name)
}

/// The records of three fields, in the order of driving.
pub fn records() -> Vec<Record> {
    let mut all = Vec::new();
    for (field, (.., folder)) in FIELDS.iter().enumerate() {
        let mut files: Vec<_> =
            fs::read_dir(sample(folder).join("harvest")).unwrap().map(|entry| entry.unwrap().path()).collect();
        files.sort();
        for path in files {
            let bytes = fs::read(&path).unwrap();
            let mut text = String::new();
            if path.extension().unwrap() == "gz" {
                std::io::Read::read_to_string(&mut flate2::read::GzDecoder::new(bytes.as_slice()), &mut text).unwrap();
            } else {
                text = String::from_utf8(bytes).unwrap();
            }
            let mut table = csv::Reader::from_reader(text.as_bytes());
            let names: Vec<String> = table.headers().unwrap().iter().map(str::to_owned).collect();
            for row in table.records() {
                let row = row.unwrap();
                let cell = |name: &str| names.iter().position(|known| known == name).map(|at| row[at].to_owned());
                let number = |name: &str| cell(name).map(|text| text.parse::<f64>().unwrap_or(0.0));
                let us = number("utc_s").is_some();
                let time = cell("time").map(|text| DateTime::parse_from_rfc3339(&text).unwrap().timestamp() as f64);
                all.push(Record {
                    field,
                    time_s: number("utc_s").or(time).unwrap(),
                    lon: number("lon").or(number("longitude")).unwrap(),
                    lat: number("lat").or(number("latitude")).unwrap(),
                    flow_kg_s: if us { number("flow_lb_s").unwrap() * KG_PER_LB } else { number("flow_kg_s").unwrap() },
                    moisture_pct: number("moist").or(number("moisture_pct")).unwrap(),
                    speed_m_s: if us { number("mph").unwrap() * 0.447_04 } else { number("speed_km_h").unwrap() / 3.6 },
                    width_m: if us { number("width_ft").unwrap() * M_PER_FT } else { number("width_m").unwrap() },
                    down: matches!(cell("down").or(cell("header")).unwrap().as_str(), "1" | "down"),
                    machine: cell("combine").or(cell("machine")).unwrap(),
                    load: cell("load").unwrap(),
                });
            }
        }
    }
    all
}

/// What a column of an export holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Holds {
    EpochMs,
    EpochS,
    /// A pattern, and hours ahead of UTC.
    Time(&'static str, i32),
    Date(&'static str, i32),
    Clock(&'static str, i32),
    Lon,
    Lat,
    Flow,
    Moisture,
    Speed,
    Width,
    Header(&'static str, &'static str),
    Machine,
    Load,
    Field,
    Farm,
    Crop(&'static str),
    Yield,
    // what means nothing here
    Number,
    Constant(&'static str),
    Fix,
    Satellites,
    Dilution,
    Temperature,
    Heading,
}

/// A column: its name, what it holds, its unit as the settings write it.
type Column = (&'static str, Holds, &'static str);

/// How the records lie in files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Layout {
    /// A file a field, in folders.
    PerField,
    /// All fields of all seasons in one file.
    One,
    /// Two files a field: before and after a moment.
    TwoAField,
    /// Zipped shapefiles.
    Shape,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Letters {
    Utf8,
    Utf16,
    Western,
}

/// A kind of export.
pub struct Kind {
    pub name: &'static str,
    separator: char,
    decimal_comma: bool,
    letters: Letters,
    units_row: bool,
    layout: Layout,
    /// Whether outlines and strips of all fields stand in one layer each.
    one_layer: bool,
    columns: &'static [Column],
}

/// A true line of `[harvest.columns]`.
pub struct Truth {
    pub key: &'static str,
    /// Key of the line's table and its text; `column` alone for a bare name.
    pub wanted: Vec<(&'static str, String)>,
}

use Holds::*;

pub const KINDS: [Kind; 7] = [
    Kind {
        name: "plain",
        separator: ',',
        decimal_comma: false,
        letters: Letters::Utf8,
        units_row: false,
        layout: Layout::PerField,
        one_layer: false,
        columns: &[
            ("utc_s", EpochS, ""),
            ("lon", Lon, ""),
            ("lat", Lat, ""),
            ("flow", Flow, "lb/s"),
            ("moist", Moisture, "%"),
            ("speed", Speed, "mph"),
            ("width", Width, "ft"),
            ("down", Header("1", "0"), ""),
            ("combine", Machine, ""),
            ("load", Load, ""),
        ],
    },
    Kind {
        name: "german",
        separator: ';',
        decimal_comma: true,
        letters: Letters::Western,
        units_row: false,
        layout: Layout::PerField,
        one_layer: false,
        columns: &[
            ("Lfd. Nr.", Number, ""),
            ("Datum", Date("%d.%m.%Y", 0), ""),
            ("Uhrzeit (UTC)", Clock("%H:%M:%S", 0), ""),
            ("Längengrad", Lon, ""),
            ("Breitengrad", Lat, ""),
            ("Korndurchsatz (t/h)", Flow, "t/h"),
            ("Feuchte (%)", Moisture, "%"),
            ("Fahrgeschwindigkeit (km/h)", Speed, "km/h"),
            ("Arbeitsbreite (m)", Width, "m"),
            ("Schneidwerk", Header("abgesenkt", "angehoben"), ""),
            ("Mähdrescher", Machine, ""),
            ("Fuhre", Load, ""),
            ("Fruchtart", Crop("Körnermais"), ""),
            ("Satelliten", Satellites, ""),
        ],
    },
    Kind {
        name: "spanish",
        separator: ';',
        decimal_comma: true,
        letters: Letters::Utf8,
        units_row: true,
        layout: Layout::One,
        one_layer: true,
        columns: &[
            ("Fecha y hora", Time("%Y-%m-%d %H:%M:%S", 0), "utc"),
            ("Latitud", Lat, "°"),
            ("Longitud", Lon, "°"),
            ("Lote", Field, ""),
            ("Campo", Farm, ""),
            ("Cultivo", Crop("Maíz"), ""),
            ("Velocidad", Speed, "m/s"),
            ("Ancho de corte", Width, "m"),
            ("Flujo", Flow, "kg/s"),
            ("Humedad", Moisture, "%"),
            ("Cosechadora", Machine, ""),
            ("Carga", Load, ""),
            ("Cabezal", Header("abajo", "arriba"), ""),
            ("Rumbo", Heading, ""),
        ],
    },
    Kind {
        name: "french_shape",
        separator: ',',
        decimal_comma: false,
        letters: Letters::Utf8,
        units_row: false,
        layout: Layout::Shape,
        one_layer: false,
        columns: &[
            ("HORODATAGE", Time("%Y-%m-%dT%H:%M:%SZ", 0), "rfc3339"),
            ("VITESSE", Speed, "km/h"),
            ("LARGEURDEC", Width, "m"),
            ("DEBITMASSI", Flow, "kg/s"),
            ("HUMIDITE", Moisture, "%"),
            ("BARREDECOU", Header("1", "0"), ""),
            ("MOISSONNEU", Machine, ""),
            ("CHARGEMENT", Load, ""),
            ("QUALITE", Fix, ""),
            ("TEMPERATUR", Temperature, ""),
            ("CULTURE", Crop("Mais"), ""),
            ("ID", Number, ""),
        ],
    },
    Kind {
        name: "nameless",
        separator: ',',
        decimal_comma: false,
        letters: Letters::Utf8,
        units_row: false,
        layout: Layout::PerField,
        one_layer: false,
        columns: &[
            ("c01", Number, ""),
            ("c02", EpochS, ""),
            ("c03", Lat, ""),
            ("c04", Lon, ""),
            ("c05", Speed, "mph"),
            ("c06", Width, "ft"),
            ("mass flow (lb/s)", Flow, "lb/s"),
            ("c08", Fix, ""),
            ("grain water", Moisture, "%"),
            ("c10", Header("1", "0"), ""),
            ("c11", Dilution, ""),
            ("c12", Constant("7"), ""),
            ("machine no", Machine, ""),
            ("load", Load, ""),
            ("kind", Crop("corn"), ""),
        ],
    },
    Kind {
        name: "days_utf16",
        separator: '\t',
        decimal_comma: false,
        letters: Letters::Utf16,
        units_row: false,
        layout: Layout::TwoAField,
        one_layer: false,
        columns: &[
            ("Time (ms)", EpochMs, ""),
            ("Long", Lon, ""),
            ("Lat", Lat, ""),
            ("Grnd Spd", Speed, "ft/s"),
            ("Swth Wdth (in)", Width, "in"),
            ("Flw (lb/min)", Flow, "lb/min"),
            ("Mstr", Moisture, "fraction"),
            ("Hdr", Header("Down", "Up"), ""),
            ("Veh", Machine, ""),
            ("Load", Load, ""),
            ("Product", Crop("Corn"), ""),
            ("Product Name", Constant("Ridge 112"), ""),
        ],
    },
    Kind {
        name: "portuguese",
        separator: ';',
        decimal_comma: true,
        letters: Letters::Utf8,
        units_row: false,
        layout: Layout::One,
        one_layer: true,
        columns: &[
            ("Longitude", Lon, ""),
            ("Latitude", Lat, ""),
            ("Data", Date("%d/%m/%Y", -5), ""),
            ("Hora local", Clock("%H:%M:%S", -5), ""),
            ("Velocidade", Speed, "km/h"),
            ("Largura", Width, "m"),
            ("Vazão", Flow, "kg/s"),
            ("Produtividade", Yield, "t/ha"),
            ("Umidade", Moisture, "%"),
            ("Colhedora", Machine, ""),
            ("Carga", Load, ""),
            ("Cultura", Crop("Milho"), ""),
        ],
    },
];

fn stamp(time_s: f64, pattern: &str, ahead_h: i32) -> String {
    let offset = FixedOffset::east_opt(3600 * ahead_h).unwrap();
    DateTime::from_timestamp(time_s.round() as i64, 0).unwrap().with_timezone(&offset).format(pattern).to_string()
}

impl Kind {
    fn cell(&self, (_, holds, unit): Column, row: usize, record: &Record) -> String {
        let factor = match unit {
            "lb/s" => KG_PER_LB,
            "lb/min" => KG_PER_LB / 60.0,
            "mph" => 0.447_04,
            "t/h" | "km/h" => 1.0 / 3.6,
            "ft" | "ft/s" => M_PER_FT,
            "in" => 0.025_4,
            "fraction" => 100.0,
            _ => 1.0,
        };
        let wave = |length: f64| (row as f64 / length).sin();
        let number = |value: f64, decimals: usize| {
            let text = format!("{value:.decimals$}");
            if self.decimal_comma { text.replace('.', ",") } else { text }
        };
        match holds {
            EpochS => format!("{:.0}", record.time_s),
            EpochMs => format!("{:.0}", 1000.0 * record.time_s),
            Time(pattern, ahead) | Date(pattern, ahead) | Clock(pattern, ahead) => stamp(record.time_s, pattern, ahead),
            Lon => number(record.lon, 7),
            Lat => number(record.lat, 7),
            Flow => number(record.flow_kg_s / factor, 3),
            Moisture => number(record.moisture_pct / factor, 4),
            Speed => number(record.speed_m_s / factor, 3),
            Width => number(record.width_m / factor, 3),
            Header(down, up) => (if record.down { down } else { up }).to_owned(),
            Machine => record.machine.clone(),
            Load => record.load.clone(),
            Field => FIELDS[record.field].2.to_owned(),
            Farm => FIELDS[record.field].1.to_owned(),
            Crop(name) => name.to_owned(),
            Yield => {
                let cut = record.speed_m_s * record.width_m;
                let wet = if cut > 0.1 { record.flow_kg_s / cut * 10.0 } else { 0.0 };
                number(wet * (100.0 - record.moisture_pct) / 84.5, 3)
            }
            Number => (row + 1).to_string(),
            Constant(text) => text.to_owned(),
            Fix => (if row % 211 < 7 { 5 } else { 4 }).to_string(),
            Satellites => (11.0 + 3.0 * wave(900.0)).round().to_string(),
            Dilution => number(0.9 + 0.1 * wave(37.0) + 0.05 * wave(5.0), 2),
            Temperature => number(16.0 + 3.0 * wave(2_000.0), 1),
            Heading => number((180.0 + 170.0 * wave(300.0)).round(), 0),
        }
    }

    /// What a hand would write into `[harvest.columns]`.
    pub fn truth(&self) -> Vec<Truth> {
        let mut truth = Vec::new();
        let mut line = |key: &'static str, wanted: &[(&'static str, &str)]| {
            truth.push(Truth { key, wanted: wanted.iter().map(|(name, text)| (*name, (*text).to_owned())).collect() });
        };
        for &(name, holds, unit) in self.columns {
            match holds {
                EpochS => line("time", &[("column", name), ("format", "epoch_s")]),
                EpochMs => line("time", &[("column", name), ("format", "epoch_ms")]),
                Time(..) if unit == "rfc3339" => line("time", &[("column", name), ("format", "rfc3339")]),
                Time(pattern, _) => line("time", &[("column", name), ("format", pattern)]),
                Clock(pattern, ahead) => {
                    let (date, dates) = self
                        .columns
                        .iter()
                        .find_map(|column| if let Date(dates, _) = column.1 { Some((column.0, dates)) } else { None })
                        .unwrap();
                    let format = format!("{dates} {pattern}");
                    if ahead == 0 {
                        line("time", &[("date", date), ("clock", name), ("format", &format)]);
                    } else {
                        line("time", &[("date", date), ("clock", name), ("format", &format), ("zone", "-05:00")]);
                    }
                }
                Lon => line("longitude", &[("column", name)]),
                Lat => line("latitude", &[("column", name)]),
                Flow => line("mass_flow", &[("column", name), ("unit", unit)]),
                Moisture => line("moisture", &[("column", name), ("unit", unit)]),
                Speed => line("speed", &[("column", name), ("unit", unit)]),
                Width => line("swath", &[("column", name), ("unit", unit)]),
                Header(..) => line("header", &[("column", name)]),
                Machine => line("machine", &[("column", name)]),
                Load => line("load", &[("column", name)]),
                _ => {}
            }
        }
        truth
    }

    /// What the grower would answer.
    pub fn answer(&self, key: &str, question: &serde_json::Value) -> String {
        if key.starts_with("crop") {
            assert_eq!(question["answers"][0]["answer"], "corn");
            return "corn".to_owned();
        }
        let truth = self.truth();
        let of = |key: &str, name: &str| {
            let line = truth.iter().find(|line| line.key == key).unwrap();
            line.wanted.iter().find(|wanted| wanted.0 == name).unwrap().1.clone()
        };
        match key {
            "zone" => of("time", "zone"),
            "date_format" => of("time", "format"),
            key if key.ends_with("_unit") => of(key.trim_end_matches("_unit"), "unit"),
            key if truth.iter().any(|line| line.key == key) => of(key, "column"),
            other => panic!("{}: {other} was asked: {question}", self.name),
        }
    }

    fn encoded(&self, text: &str) -> Vec<u8> {
        match self.letters {
            Letters::Utf8 => text.as_bytes().to_vec(),
            Letters::Utf16 => {
                let mut bytes = vec![0xff, 0xfe];
                bytes.extend(text.encode_utf16().flat_map(u16::to_le_bytes));
                bytes
            }
            Letters::Western => encoding_rs::WINDOWS_1252.encode(text).0.into_owned(),
        }
    }

    fn table<'r>(&self, records: impl Iterator<Item = &'r Record>) -> String {
        let separator = self.separator.to_string();
        let mut out = self.columns.iter().map(|column| column.0).collect::<Vec<_>>().join(&separator);
        out.push('\n');
        if self.units_row {
            let units: Vec<String> = self
                .columns
                .iter()
                .map(|column| if column.2.is_empty() { "-".to_owned() } else { column.2.to_owned() })
                .collect();
            let _ = writeln!(out, "{}", units.join(&separator));
        }
        for (row, record) in records.enumerate() {
            let cells: Vec<String> = self.columns.iter().map(|column| self.cell(*column, row, record)).collect();
            let _ = writeln!(out, "{}", cells.join(&separator));
        }
        out
    }

    /// The files of the logs, with their records' field (`None`: all).
    fn files(&self) -> Vec<(String, Option<usize>, bool)> {
        match self.layout {
            Layout::One => vec![("export.csv".to_owned(), None, false)],
            Layout::PerField => {
                FIELDS.iter().enumerate().map(|(at, field)| (format!("{}/log.csv", field.3), Some(at), false)).collect()
            }
            Layout::Shape => {
                FIELDS.iter().enumerate().map(|(at, field)| (format!("{}/log.zip", field.3), Some(at), false)).collect()
            }
            Layout::TwoAField => FIELDS
                .iter()
                .enumerate()
                .flat_map(|(at, field)| {
                    [
                        (format!("{}/part1.txt", field.3), Some(at), false),
                        (format!("{}/part2.txt", field.3), Some(at), true),
                    ]
                })
                .collect(),
        }
    }

    /// Writes the raw files: logs and layers, no settings.
    pub fn write(&self, raw: &Path, records: &[Record]) {
        let put = |name: &str, bytes: &[u8]| {
            let path = raw.join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        };
        for (name, field, second) in self.files() {
            let of_field: Vec<&Record> =
                records.iter().filter(|record| field.is_none_or(|field| record.field == field)).collect();
            let own: Vec<&Record> = if self.layout == Layout::TwoAField {
                let mut times: Vec<f64> = of_field.iter().map(|record| record.time_s).collect();
                times.sort_by(f64::total_cmp);
                let middle = times[times.len() / 2];
                of_field.into_iter().filter(|record| (record.time_s >= middle) == second).collect()
            } else {
                of_field
            };
            if self.layout == Layout::Shape {
                put(&name, &self.shapes(&own));
            } else {
                put(&name, &self.encoded(&self.table(own.into_iter())));
            }
        }
        if self.one_layer {
            for layer in ["boundary.geojson", "strips.geojson"] {
                for season in [2022, 2023] {
                    let texts: Vec<String> = FIELDS
                        .iter()
                        .filter(|field| layer == "boundary.geojson" || field.0 == season)
                        .map(|field| fs::read_to_string(sample(field.3).join(layer)).unwrap())
                        .collect();
                    let features: Vec<serde_json::Value> = texts
                        .iter()
                        .flat_map(|text| {
                            serde_json::from_str::<serde_json::Value>(text).unwrap()["features"]
                                .as_array()
                                .unwrap()
                                .clone()
                        })
                        .collect();
                    let all = serde_json::json!({ "type": "FeatureCollection", "features": features });
                    let name = if layer == "boundary.geojson" {
                        "fields.geojson".to_owned()
                    } else {
                        format!("trial_{season}.geojson")
                    };
                    put(&name, all.to_string().as_bytes());
                }
            }
        } else {
            for field in &FIELDS {
                for layer in ["boundary.geojson", "strips.geojson"] {
                    put(&format!("{}/{layer}", field.3), &fs::read(sample(field.3).join(layer)).unwrap());
                }
            }
        }
        for layer in ["soils.geojson", "normal_05.tif", "total_2022_05.tif", "total_2023_05.tif"] {
            put(&format!("layers/{layer}"), &fs::read(sample("layers").join(layer)).unwrap());
        }
        put("notes/readme.md", b"nothing to read here");
        put("notes/prices.csv", b"item,price\nseed,120\nfuel,90\n");
    }

    fn shapes(&self, records: &[&Record]) -> Vec<u8> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.shp");
        let mut table = dbase::TableWriterBuilder::new();
        let is_text = |holds: Holds| matches!(holds, Time(..) | Machine | Crop(_) | Constant(_));
        for &(name, holds, _) in self.columns {
            let name = dbase::FieldName::try_from(name).unwrap();
            table =
                if is_text(holds) { table.add_character_field(name, 24) } else { table.add_numeric_field(name, 14, 4) };
        }
        let mut writer = shapefile::Writer::from_path(&path, table).unwrap();
        for (row, record) in records.iter().enumerate() {
            let mut values = dbase::Record::default();
            for column in self.columns {
                let text = self.cell(*column, row, record);
                let value = if is_text(column.1) {
                    dbase::FieldValue::Character(Some(text))
                } else {
                    dbase::FieldValue::Numeric(text.parse().ok())
                };
                values.insert(column.0.to_owned(), value);
            }
            writer.write_shape_and_record(&shapefile::Point::new(record.lon, record.lat), &values).unwrap();
        }
        drop(writer);
        let prj = "GEOGCS[\"GCS_WGS_1984\",DATUM[\"D_WGS_1984\",SPHEROID[\"WGS_1984\",6378137.0,298.257223563]],PRIMEM[\"Greenwich\",0.0],UNIT[\"Degree\",0.0174532925199433]]";
        fs::write(path.with_extension("prj"), prj).unwrap();
        let mut packed = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
        for extension in ["shp", "shx", "dbf", "prj"] {
            packed.start_file(format!("log.{extension}"), zip::write::SimpleFileOptions::default()).unwrap();
            std::io::Write::write_all(&mut packed, &fs::read(path.with_extension(extension)).unwrap()).unwrap();
        }
        packed.finish().unwrap().into_inner()
    }

    /// The archive as a hand would write it, over the same files.
    pub fn write_by_hand(&self, archive: &Path, raw: &Path) {
        for entry in walkdir::WalkDir::new(raw) {
            let entry = entry.unwrap();
            let to = archive.join("files").join(entry.path().strip_prefix(raw).unwrap());
            if entry.file_type().is_dir() {
                fs::create_dir_all(to).unwrap();
            } else {
                fs::copy(entry.path(), to).unwrap();
            }
        }
        let treatments = "\n[treatments.check]\ncheck = true\n[treatments.band_full]\ncost = \"20 USD/ac\"\n[treatments.band_half]\ncost = \"20 USD/ac\"\n";
        let units = if self.columns.iter().any(|column| matches!(column.2, "lb/s" | "ft" | "mph" | "in")) {
            "us"
        } else {
            "metric"
        };
        fs::write(
            archive.join("archive.toml"),
            format!(
                "name = \"by hand\"\nreport_units = \"{units}\"\n[soil]\npath = \"files/layers/soils.geojson\"\ntiled = \"tiled\"\n[wetness]\nmonths = [5]\ntotal = \"files/layers/total_{{season}}_{{month}}.tif\"\nnormal = \"files/layers/normal_{{month}}.tif\"\nunit = \"mm\"\n[crops.corn]\nprice = \"4.20 USD/bu\"{treatments}"
            ),
        )
        .unwrap();
        for (at, (season, farm, field, folder)) in FIELDS.iter().enumerate() {
            let files = "../../files";
            let (boundary, strips) = if self.one_layer {
                let filter = format!("where = {{ column = \"field\", is = \"{field}\" }}\n");
                (format!("path = \"{files}/fields.geojson\"\n{filter}"), format!("{files}/trial_{season}.geojson"))
            } else {
                (format!("path = \"{files}/{folder}/boundary.geojson\"\n"), format!("{files}/{folder}/strips.geojson"))
            };
            let mut text = format!(
                "farm = \"{farm}\"\nfield = \"{field}\"\nseason = {season}\ncrop = \"corn\"\n[boundary]\n{boundary}[strips]\npath = \"{strips}\"\nblock = \"block\"\nstrip = \"strip\"\n"
            );
            for (name, of, _) in self.files() {
                if of.is_some_and(|of| of != at) {
                    continue;
                }
                let _ = write!(text, "[[harvest]]\npath = \"{files}/{name}\"\n");
                if self.layout == Layout::One {
                    let by_label = self.columns.iter().find(|column| column.1 == Field);
                    let filter = by_label.map_or_else(
                        // one field a season needs no outline
                        || {
                            if *season == 2022 {
                                "within = \"boundary\"".to_owned()
                            } else {
                                format!("from = {season}-01-01")
                            }
                        },
                        |column| format!("column = \"{}\", is = \"{field}\"", column.0),
                    );
                    let _ = writeln!(text, "where = {{ {filter} }}");
                }
                if self.layout != Layout::Shape {
                    text.push_str("crs = \"EPSG:4326\"\n");
                }
                text.push_str("[harvest.columns]\n");
                for line in self.truth() {
                    let parts: Vec<String> =
                        line.wanted.iter().map(|(name, text)| format!("{name} = \"{text}\"")).collect();
                    let _ = writeln!(text, "{} = {{ {} }}", line.key, parts.join(", "));
                }
            }
            let place = archive.join(season.to_string()).join(format!("f{at}"));
            fs::create_dir_all(&place).unwrap();
            fs::write(place.join("field.toml"), text).unwrap();
        }
    }
}
