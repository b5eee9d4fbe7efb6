//! On which ground?

use super::super::figures::panel::shown;
use super::super::figures::soils::{self, Cell, Grounds, Soil};
use super::{Crop, Figure};
use crate::report::units::level;
use crate::results::ZoneResponse;

impl Crop<'_> {
    /// On which ground?
    pub(in crate::report::html) fn grounds(&self) -> Option<Figure> {
        self.grounds_of(false)
    }

    /// Soil by wetness, or soil alone.
    pub(super) fn grounds_of(&self, soil_alone: bool) -> Option<Figure> {
        let treated: Vec<Grounds> = self
            .choices
            .treatments
            .iter()
            .filter_map(|one| {
                let zones: Vec<&ZoneResponse> = self.zones(&one.treatment).collect();
                let soils: Vec<Soil> = zones
                    .chunk_by(|one, next| one.class == next.class)
                    .map(|zones| Soil {
                        name: if zones[0].class.is_some() {
                            zones[0].class_name.clone()
                        } else {
                            "all soils".to_owned()
                        },
                        cells: zones
                            .iter()
                            .filter(|zone| !soil_alone || zone.wetness.is_none())
                            .map(|zone| {
                                let (mean, interval) = self.scaled(&zone.estimate);
                                let wetness = if zone.wetness.is_some() { &zone.wetness_class } else { "all seasons" };
                                Cell { wetness: wetness.to_owned(), mean, interval }
                            })
                            .collect(),
                    })
                    .collect();
                let break_even = one.worth.as_ref().map(|worth| self.yields(worth.break_even));
                let title = self.label(&one.treatment).to_owned();
                (soils.len() > 1).then_some(Grounds { title, soils, break_even })
            })
            .collect();
        if treated.is_empty() {
            return None;
        }
        let panels = soils::draw(&treated, self.units.yield_unit);
        let caption = format!(
            "Soils dry to wet, seasons dry to wet within each; lines are {} intervals, grey: not shown to differ from 0, a point alone: no \
             interval can be given{}. Soil was not assigned at random: a difference between soils goes with drainage but need not be caused by it.",
            level(self.case.archive.model.confidence),
            if self.has_money() { "; orange line: what it takes to pay" } else { "" }
        );
        Some(self.figure("4-soils", &self.ground_sentence(), panels, caption))
    }

    fn ground_sentence(&self) -> String {
        let Some(one) = self.focus() else { return String::new() };
        let mut named: [Vec<String>; 3] = Default::default();
        for zone in self.zones(&one.treatment).filter(|zone| zone.class.is_some() && zone.wetness.is_none()) {
            let place = match shown(zone.estimate.low.zip(zone.estimate.high)) {
                "gain" => 0,
                "loss" => 1,
                _ => 2,
            };
            named[place].push(zone.class_name.to_lowercase());
        }
        let parts = [
            ("more yield than the check is shown on", &named[0]),
            ("less yield is shown on", &named[1]),
            ("neither more nor less is shown on", &named[2]),
        ];
        let sides: Vec<String> = parts
            .iter()
            .filter(|(_, names)| !names.is_empty())
            .map(|(words, names)| format!("{words} {}", names.join(", ")))
            .collect();
        format!("For {} on {}, {}.", self.label(&one.treatment), self.name(), sides.join("; "))
    }
}
