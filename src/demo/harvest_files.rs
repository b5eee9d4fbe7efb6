//! The records of a harvest as the files that monitors export.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

use chrono::{DateTime, SecondsFormat};
use dbase::FieldValue;
use flate2::Compression;
use flate2::write::GzEncoder;
use rand_chacha::ChaCha8Rng;

use super::catalogue::{FileStyle, Tickets};
use super::error::{DemoError, write_file};
use super::outcome::{RawRecord, Simulated};
use super::random::{normal, stream};
use super::seasons::SiteYear;
use super::shapes::{self, Column};
use crate::geometry::Projector;
use crate::quantity::factor::{KG_PER_LB, M_PER_FT, M_S_PER_MPH};

/// Writes the harvest files and, where there are any, the tickets of a site-year into its folder.
pub(super) fn write(
    folder: &Path,
    site_year: &SiteYear,
    done: &Simulated,
    to_degrees: &Projector,
) -> Result<(), DemoError> {
    let (mut lon, mut lat): (Vec<f64>, Vec<f64>) = done.records.iter().map(|record| (record.x_m, record.y_m)).unzip();
    to_degrees.convert(&mut lon, &mut lat)?;
    let places: Vec<(f64, f64)> = lon.into_iter().zip(lat).collect();
    let names: Vec<&str> = site_year.scenario.machines.iter().map(|machine| machine.name.as_str()).collect();
    let harvest = folder.join("harvest");
    match site_year.style {
        FileStyle::CsvUs => write_file(&harvest.join("yield.csv"), csv_us(done, &places, &names, None).as_bytes())?,
        FileStyle::CsvUsGz => {
            for (machine, name) in names.iter().enumerate() {
                let path = harvest.join(format!("combine_{}.csv.gz", name.to_lowercase()));
                let text = csv_us(done, &places, &names, Some(machine as u32));
                let mut packed = GzEncoder::new(Vec::new(), Compression::new(6));
                packed
                    .write_all(text.as_bytes())
                    .and_then(|()| packed.finish())
                    .map_err(|source| DemoError::Io { path: path.clone(), source })
                    .and_then(|bytes| write_file(&path, &bytes))?;
            }
        }
        FileStyle::CsvMetric => write_file(&harvest.join("records.csv"), csv_metric(done, &places, &names).as_bytes())?,
        FileStyle::ShapeZip => {
            let path = harvest.join("harvest.zip");
            shape(&path, done, &places, &names)?.write_zip(&path, "harvest")?;
        }
        FileStyle::Shape => {
            let path = harvest.join("harvest.shp");
            shape(&path, done, &places, &names)?.write(&path)?;
        }
    }
    if site_year.tickets != Tickets::None {
        write_file(&folder.join("tickets.csv"), tickets(site_year, done, &names).as_bytes())?;
    }
    Ok(())
}

fn flow_lb_s(record: &RawRecord) -> f64 {
    record.mass_kg / record.interval_s / KG_PER_LB
}

fn csv_us(done: &Simulated, places: &[(f64, f64)], names: &[&str], only: Option<u32>) -> String {
    let mut out = String::with_capacity(80 * done.records.len());
    out.push_str("utc_s,lon,lat,flow_lb_s,moist,mph,width_ft,down,combine,load\n");
    for (record, &(lon, lat)) in done.records.iter().zip(places) {
        if only.is_some_and(|machine| machine != record.machine) {
            continue;
        }
        // A lost position is exported as 0/0.
        let (lon, lat) = if lon.is_finite() { (lon, lat) } else { (0.0, 0.0) };
        let _ = writeln!(
            out,
            "{:.0},{lon:.7},{lat:.7},{:.2},{:.1},{:.2},{:.2},{},{},{}",
            record.time_s,
            flow_lb_s(record),
            record.moisture_pct,
            record.speed_m_s / M_S_PER_MPH,
            record.swath_m / M_PER_FT,
            u8::from(record.header_down),
            names[record.machine as usize],
            record.load,
        );
    }
    out
}

fn csv_metric(done: &Simulated, places: &[(f64, f64)], names: &[&str]) -> String {
    let mut out = String::with_capacity(110 * done.records.len());
    out.push_str("time,longitude,latitude,flow_kg_s,moisture_pct,speed_km_h,distance_m,width_m,header,machine,load\n");
    for (record, &(lon, lat)) in done.records.iter().zip(places) {
        let place = if lon.is_finite() { format!("{lon:.7},{lat:.7}") } else { ",".to_owned() };
        let _ = writeln!(
            out,
            "{},{place},{:.3},{:.2},{:.2},{:.2},{:.3},{},{},{}",
            rfc3339(record.time_s),
            record.mass_kg / record.interval_s,
            record.moisture_pct,
            record.speed_m_s * 3.6,
            record.distance_m,
            record.swath_m,
            if record.header_down { "down" } else { "up" },
            names[record.machine as usize],
            record.load,
        );
    }
    out
}

fn shape(path: &Path, done: &Simulated, places: &[(f64, f64)], names: &[&str]) -> Result<shapes::Shapes, DemoError> {
    let columns = [
        Column::text("UTC", 20),
        Column::number("FLOW_LB_S", 8, 2),
        Column::number("MOISTURE", 6, 1),
        Column::number("SPEED_MPH", 7, 2),
        Column::number("WIDTH_FT", 6, 2),
        Column::number("HEADER", 1, 0),
        Column::text("COMBINE", 8),
        Column::number("LOAD", 4, 0),
    ];
    let rows = done.records.iter().zip(places).map(|(record, &(lon, lat))| {
        let (lon, lat) = if lon.is_finite() { (lon, lat) } else { (0.0, 0.0) };
        let number = |value: f64, decimals: i32| {
            let unit = 10_f64.powi(decimals);
            FieldValue::Numeric(Some((value * unit).round() / unit))
        };
        let values = vec![
            FieldValue::Character(Some(rfc3339(record.time_s))),
            number(flow_lb_s(record), 2),
            number(record.moisture_pct, 1),
            number(record.speed_m_s / M_S_PER_MPH, 2),
            number(record.swath_m / M_PER_FT, 2),
            number(f64::from(u8::from(record.header_down)), 0),
            FieldValue::Character(Some(names[record.machine as usize].to_owned())),
            number(f64::from(record.load), 0),
        ];
        (shapefile::Point::new(lon, lat), values)
    });
    shapes::encode(path, &columns, rows)
}

/// Tickets of a scale that is right to 0.4 % of a load, and of a moisture meter right to 0.15 points.
fn tickets(site_year: &SiteYear, done: &Simulated, names: &[&str]) -> String {
    let scenario = &site_year.scenario;
    let mut random = stream(scenario.seed, &format!("{}/tickets", scenario.name));
    let mut out = String::from("load,machine,from,to,net_weight,moisture\n");
    let cells = |mass_kg: f64, moisture_pct: f64, random: &mut ChaCha8Rng| {
        let pounds = mass_kg / KG_PER_LB * (1.0 + 0.004 * normal(random));
        format!("{:.0} lb,{:.1} %", (pounds / 20.0).round() * 20.0, moisture_pct + 0.15 * normal(random))
    };
    if site_year.tickets == Tickets::Total {
        let mass: f64 = done.loads.iter().map(|load| load.mass_kg).sum();
        let water: f64 = done.loads.iter().map(|load| load.mass_kg * load.moisture_pct).sum();
        let _ = writeln!(out, "field total,,,,{}", cells(mass, water / mass, &mut random));
    } else {
        for load in &done.loads {
            let _ = writeln!(
                out,
                "{},{},{},{},{}",
                load.load,
                names[load.machine as usize],
                rfc3339(load.from_s),
                rfc3339(load.to_s),
                cells(load.mass_kg, load.moisture_pct, &mut random),
            );
        }
    }
    out
}

fn rfc3339(time_s: f64) -> String {
    DateTime::from_timestamp(time_s.round() as i64, 0)
        .map(|time| time.to_rfc3339_opts(SecondsFormat::Secs, true))
        .unwrap_or_default()
}
