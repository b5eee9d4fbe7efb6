//! Simulated records as the columns that the stages take.

use geo::{Coord, LineString, Polygon};

use super::layers::{placed, rectangle};
use super::outcome::Simulated;
use super::plan::Scenario;
use crate::points::{Cautions, Channels, Header, Ingested, Labels, Records, SoilGround, StripGround};

impl Simulated {
    /// The records as ingest would deliver them, without a detour by files: sorted by machine, time and value. `row` is the
    /// position in [`Simulated::records`] plus 1, so that the truth of a record is `truth[row - 1]`.
    pub fn to_records(&self, scenario: &Scenario) -> Records {
        let mut order: Vec<u32> = (0..self.records.len() as u32).collect();
        order.sort_by(|&p, &q| {
            let (p, q) = (&self.records[p as usize], &self.records[q as usize]);
            p.machine
                .cmp(&q.machine)
                .then(p.time_s.total_cmp(&q.time_s))
                .then(p.x_m.total_cmp(&q.x_m))
                .then(p.y_m.total_cmp(&q.y_m))
                .then(p.mass_kg.total_cmp(&q.mass_kg))
        });
        let ordered = || order.iter().map(|&at| &self.records[at as usize]);
        let column = |pick: fn(&super::RawRecord) -> f64| -> Vec<f64> { ordered().map(pick).collect() };
        let rows = order.len();
        let names: Vec<String> = scenario.machines.iter().map(|machine| machine.name.clone()).collect();
        let machine: Vec<Option<&str>> =
            ordered().map(|record| names.get(record.machine as usize).map(String::as_str)).collect();
        let load: Vec<Option<String>> = ordered().map(|record| Some(record.load.to_string())).collect();
        Records {
            epsg: scenario.placement.epsg,
            files: vec!["simulated".to_owned()],
            file: vec![0; rows],
            row: order.iter().map(|&at| at + 1).collect(),
            time_s: column(|record| record.time_s),
            x_m: column(|record| record.x_m),
            y_m: column(|record| record.y_m),
            mass_kg: column(|record| record.mass_kg),
            interval_s: column(|record| record.interval_s),
            distance_m: column(|record| record.distance_m),
            speed_m_s: column(|record| record.speed_m_s),
            swath_m: column(|record| record.swath_m),
            moisture_pct: column(|record| record.moisture_pct),
            header: ordered().map(|record| if record.header_down { Header::Down } else { Header::Up }).collect(),
            machine: Labels::from_texts(&machine),
            load: Labels::from_texts(&load),
            channels: Channels::ALL,
            ..Records::default()
        }
    }

    /// All that ingest would deliver, without a detour by files: records, boundary, strips and soils. The soils' classes
    /// are indices of the seven drainage classes.
    pub fn to_ingested(&self, scenario: &Scenario) -> Ingested {
        let (field, placement) = (&scenario.field, &scenario.placement);
        let ground = |polygon: &Polygon<f64>| placed(field, placement, polygon).into();
        let outline: LineString<f64> = field.boundary().into_iter().map(|(x, y)| Coord { x, y }).collect();
        const MARGIN_M: f64 = 60.0;
        let (low, high) = ((-MARGIN_M, -MARGIN_M), (field.width_m + MARGIN_M, field.length_m + MARGIN_M));
        Ingested {
            records: self.to_records(scenario).into(),
            boundary: Some(ground(&Polygon::new(outline, Vec::new()))),
            strips: field
                .strips
                .iter()
                .map(|strip| StripGround {
                    ground: ground(&rectangle(strip.u, strip.v)),
                    treatment: field.treatments[strip.treatment].clone(),
                    block: Some(strip.block.clone()),
                    name: Some(strip.name.clone()),
                })
                .collect(),
            soils: field
                .soil
                .polygons(low, high)
                .into_iter()
                .map(|(polygon, class, _)| SoilGround {
                    ground: ground(&polygon),
                    class: Some(class),
                    class_pct: Vec::new(),
                    tiled: None,
                })
                .collect(),
            wetness_mm: None,
            wetness_measure: None,
            surface: None,
            tickets: Vec::new(),
            row_spacing_m: Some(field.row_m),
            logs: Vec::new(),
            applied: None,
            observed: Vec::new(),
            covariates: Vec::new(),
            cautions: Cautions::default(),
        }
    }
}
