//! How sure: what would overturn it?

use std::collections::BTreeSet;

use super::super::figures::overturn::{self, Again, Tried};
use super::{Crop, Figure};
use crate::results::{Choice, ForestRow, SiteYear, ZoneResponse};

/// Variants of single blocks, which other site-years do not share.
const OF_BLOCKS: &str = "without block";
/// Share of the site-years that must have an analysis before it is reported over all of them (ours).
const LEAST_SHARE: f64 = 0.5;

impl Crop<'_> {
    /// How sure: what would overturn it?
    pub(in crate::report::html) fn tried(&self) -> Option<Figure> {
        let tried: Vec<(&Choice, Tried)> =
            self.choices.treatments.iter().filter_map(|one| Some((one, self.tried_of(one)?))).collect();
        let focus = self.focus()?;
        let sentence = tried
            .iter()
            .find(|(one, _)| one.treatment == focus.treatment)
            .map_or_else(|| self.without_money(), |(one, tried)| self.overturned(one, tried));
        let panels: Vec<Tried> = tried.into_iter().map(|(_, one)| one).collect();
        if panels.is_empty() {
            return None;
        }
        let panels = overturn::draw(&panels, self.units.yield_unit);
        let caption = format!(
            "Each point is the mean response again with one thing changed{}. An analysis is carried over from the site-years by their \
             weights.",
            if self.has_money() { "; orange line: what it takes to pay" } else { "" }
        );
        Some(self.figure("6-sure", &sentence, panels, caption))
    }

    fn tried_of(&self, one: &Choice) -> Option<Tried> {
        let zone = self.zone(&one.treatment).filter(|zone| zone.estimator.is_pooled())?;
        let (mean, interval) = self.scaled(&zone.estimate);
        let forest = self.forest(&one.treatment);
        let sites = forest.iter().filter_map(|row| {
            let identity = row.identity.as_ref()?;
            let mean = self.yields(row.without?.mean);
            Some(Again { name: format!("without {} {}", identity.season, identity.field), mean })
        });
        let of_treatment = self.case.conclusions.synthesis.without_season.iter();
        let seasons = of_treatment
            .filter(|out| out.crop == self.choices.crop && out.treatment == one.treatment)
            .map(|out| Again { name: format!("without {}", out.season), mean: self.yields(out.mean) });
        let priors = zone.prior_checks.iter().filter_map(|check| {
            let mean = self.yields(check.estimate.mean?);
            Some(Again { name: format!("prior spread × {}", check.factor), mean })
        });
        let kinds: Vec<(&'static str, Vec<Again>)> = vec![
            ("one site-year left out", sites.collect()),
            ("one season left out", seasons.collect()),
            ("another prior for the spread between seasons", priors.collect()),
            ("another analysis of the records", self.analyses(&forest, zone)),
        ];
        Some(Tried {
            title: self.label(&one.treatment).to_owned(),
            mean: mean?,
            interval,
            break_even: one.worth.as_ref().map(|worth| self.yields(worth.break_even)),
            kinds: kinds.into_iter().filter(|(_, all)| !all.is_empty()).collect(),
        })
    }

    /// The mean under the other analyses: it moves as the site-years' responses do, each by its weight.
    fn analyses(&self, forest: &[&ForestRow], zone: &ZoneResponse) -> Vec<Again> {
        let Some(mean) = zone.estimate.mean else { return Vec::new() };
        let members: Vec<(&SiteYear, f64, f64)> =
            forest.iter().filter_map(|row| Some((self.site_year(row)?, row.estimate.mean?, row.weight?))).collect();
        let is_own = |name: &str| name == zone.treatment;
        let names: BTreeSet<&str> = members
            .iter()
            .flat_map(|(site_year, ..)| &site_year.sensitivity)
            .filter(|row| is_own(&row.treatment) && !row.variant.starts_with(OF_BLOCKS))
            .map(|row| row.variant.as_str())
            .collect();
        let again = names.into_iter().filter_map(|name| {
            let (mut moved, mut weights, mut count) = (0.0, 0.0, 0);
            for (site_year, own, weight) in &members {
                let row = site_year.sensitivity.iter().find(|row| is_own(&row.treatment) && row.variant == name);
                if let Some(response) = row.and_then(|row| row.response) {
                    moved += weight * (response - own);
                    weights += weight;
                    count += 1;
                }
            }
            let is_known = f64::from(count) >= LEAST_SHARE * members.len() as f64 && weights > 0.0;
            is_known.then(|| Again { name: name.to_owned(), mean: self.yields(mean + moved / weights) })
        });
        again.collect()
    }

    fn overturned(&self, one: &Choice, tried: &Tried) -> String {
        let label = self.label(&one.treatment);
        let all: Vec<&Again> = tried.kinds.iter().flat_map(|(_, all)| all).collect();
        let crosses = |limit: f64| -> Vec<&str> {
            let other = all.iter().filter(|again| (again.mean - limit) * (tried.mean - limit) < 0.0);
            other.map(|again| again.name.as_str()).collect()
        };
        let some = |names: &[&str]| {
            let shown: Vec<&str> = names.iter().take(3).copied().collect();
            let more = if names.len() > 3 { format!(" and {} more", names.len() - 3) } else { String::new() };
            // names hold commas
            format!("{}{more}", shown.join("; "))
        };
        let signs = crosses(0.0);
        let sign = if signs.is_empty() {
            format!(
                "none of {} other looks at {label} on {} changes the sign of its mean response",
                all.len(),
                self.name()
            )
        } else {
            format!("the sign of the mean response of {label} on {} changes under: {}", self.name(), some(&signs))
        };
        let pays = tried.break_even.map(|limit| {
            let names = crosses(limit);
            if names.is_empty() {
                "; none moves it across what it takes to pay".to_owned()
            } else {
                format!("; {} of {} move it across what it takes to pay ({})", names.len(), all.len(), some(&names))
            }
        });
        format!("{sign}{}.", pays.unwrap_or_default())
    }
}
