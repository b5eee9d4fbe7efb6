//! Does it repeat?

use std::fmt::Write;

use super::super::figures::repeat::{self, Repeated, SiteYearLine};
use super::super::text::signed;
use super::{Crop, Figure};
use crate::report::units::{counted, level};
use crate::results::{Choice, ForestRow};

impl Crop<'_> {
    /// Does it repeat? The responses, and what they returned where that is known.
    pub(in crate::report::html) fn repeated(&self) -> Vec<Figure> {
        let known: Vec<(&Choice, Vec<&ForestRow>)> = self
            .choices
            .treatments
            .iter()
            .map(|one| (one, self.forest(&one.treatment)))
            .filter(|(_, rows)| !rows.is_empty())
            .collect();
        let of = |in_money: bool| -> Vec<Repeated> {
            known
                .iter()
                .map(|(one, rows)| Repeated {
                    title: self.label(&one.treatment).to_owned(),
                    cases: rows.iter().filter_map(|row| self.case_of(row, in_money)).collect(),
                    overall: if in_money {
                        let worth = one.worth.as_ref();
                        worth.map(|worth| {
                            let money = |per_ha: f64| self.units.money(per_ha);
                            let ends = (money(worth.net_interval.0), money(worth.net_interval.1));
                            (money(worth.net_return), Some(ends))
                        })
                    } else {
                        let (mean, interval) = self.scaled(&one.estimate);
                        mean.map(|mean| (mean, interval))
                    },
                })
                .filter(|one| !one.cases.is_empty())
                .collect()
        };
        let level = level(self.case.archive.model.confidence);
        let decisions = self.has_money();
        let caption = format!(
            "Site-years by season, dry to wet within it, with the departure of precipitation; lines are {level} intervals, grey: not \
             shown to differ from 0, a point alone: no interval can be given{}.",
            if decisions { "; orange dash: what it took to pay there" } else { "" }
        );
        let responses = repeat::draw(&of(false), self.units.yield_unit);
        let mut figures = vec![self.figure("2-repeats", &self.repeats(), responses, caption)];
        let money = of(true);
        if decisions && !money.is_empty() {
            let sentence = format!("What each site-year returned on {}, at its own prices and costs.", self.name());
            let panels = repeat::draw(&money, &self.units.money_unit);
            let caption = "Net return after the cost of the treatment; right of the line it paid.".to_owned();
            figures.push(self.figure("2-repeats-in-money", &sentence, panels, caption));
        }
        figures
    }

    fn case_of(&self, row: &ForestRow, in_money: bool) -> Option<SiteYearLine> {
        let identity = row.identity.as_ref()?;
        let returns = self.returns(row);
        let (mean, interval) = if in_money {
            let returns = returns?;
            let net = |kg_ha: f64| Some(self.units.money(returns.net_return_of(kg_ha)?));
            let ends = returns.net_interval.map(|(low, high)| (self.units.money(low), self.units.money(high)));
            (net(row.estimate.mean?)?, ends)
        } else {
            let (mean, interval) = self.scaled(&row.estimate);
            (mean?, interval)
        };
        let break_even = returns.and_then(|one| one.break_even).map(|kg_ha| self.yields(kg_ha));
        Some(SiteYearLine {
            season: identity.season,
            field: identity.field.clone(),
            wetness_mm: row.wetness_mm,
            mean,
            interval,
            break_even: break_even.filter(|_| !in_money),
        })
    }

    fn repeats(&self) -> String {
        let Some((one, zone)) = self.focus().and_then(|one| Some((one, self.zone(&one.treatment)?))) else {
            return self.without_money();
        };
        let label = self.label(&one.treatment);
        let seasons = counted(zone.seasons, "season");
        let mut sentence = format!(
            "{label} on {} yielded more than the check in {} of {} site-years over {seasons}",
            self.name(),
            zone.gained,
            zone.site_years
        );
        if one.worth.is_some() {
            let _ = write!(sentence, " and paid in {}", zone.paid);
        }
        if let Some((low, high)) = zone.prediction {
            let _ = write!(
                sentence,
                "; a new field in a new year would lie between {} and {} {} ({} interval)",
                signed(self.yields(low), self.decimals),
                signed(self.yields(high), self.decimals),
                self.units.yield_unit,
                level(self.case.archive.model.confidence),
            );
        }
        sentence.push('.');
        sentence
    }
}
