//! The six questions of the index: for each one sentence and one figure, in a file each. The pages and the figures to take along
//! are made of the same.

mod best;
mod grounds;
mod overturn;
mod places;
mod plan;
mod repeats;

use super::ArchiveCase;
use super::figures::panel::Panel;
use super::text::{decimals, signed};
use crate::report::units::counted;
use crate::report::{ReportError, Units};
use crate::results::{Choice, Choices, Estimate, ForestKind, ForestRow, Returns, SiteYear, ZoneResponse};

/// Treatments that a sheet compares.
const MOST_COMPARED: usize = 4;
/// Tallest panel that a sheet shows with text of a readable size, px.
const TALLEST: f64 = 470.0;

/// A figure with what it says.
#[derive(Debug, Clone)]
pub(super) struct Figure {
    /// The name of its files.
    pub(super) name: String,
    /// What it says, in one sentence.
    pub(super) sentence: String,
    pub(super) panels: Vec<Panel>,
    /// How to read it.
    pub(super) caption: String,
}

/// One crop of the archive.
pub(super) struct Crop<'a> {
    case: &'a ArchiveCase<'a>,
    choices: &'a Choices,
    units: Units,
    decimals: usize,
}

/// The crops, those of the most site-years first.
pub(super) fn crops<'a>(case: &'a ArchiveCase<'a>) -> Vec<Crop<'a>> {
    let mut crops: Vec<Crop<'a>> = case
        .conclusions
        .choices
        .iter()
        .map(|choices| {
            let units = Units::new(case.archive, &choices.crop);
            let decimals = decimals(&units);
            Crop { case, choices, units, decimals }
        })
        .collect();
    crops.sort_by_key(|crop| std::cmp::Reverse(crop.choices.treatments.iter().map(|one| one.site_years).max()));
    crops
}

impl Crop<'_> {
    pub(super) fn name(&self) -> &str {
        &self.choices.crop
    }

    fn label<'l>(&'l self, key: &'l str) -> &'l str {
        self.case.archive.label(key)
    }

    pub(super) fn has_money(&self) -> bool {
        self.choices.treatments.iter().any(|one| one.worth.is_some())
    }

    fn yields(&self, kg_ha: f64) -> f64 {
        self.units.yields(kg_ha)
    }

    fn scaled(&self, estimate: &Estimate) -> (Option<f64>, Option<(f64, f64)>) {
        let estimate = self.units.estimate(estimate);
        (estimate.mean, estimate.low.zip(estimate.high))
    }

    /// The treatment of the questions after the first: the likeliest best, or that of the most site-years.
    fn focus(&self) -> Option<&Choice> {
        let rank = |one: &&Choice| (one.worth.as_ref().map_or(-1.0, |worth| worth.probability_best), one.site_years);
        self.choices.treatments.iter().rev().max_by(|one, other| {
            let (one, other) = (rank(one), rank(other));
            one.0.total_cmp(&other.0).then(one.1.cmp(&other.1))
        })
    }

    fn zone<'z>(&'z self, treatment: &'z str) -> Option<&'z ZoneResponse> {
        self.zones(treatment).find(|zone| zone.class.is_none() && zone.wetness.is_none())
    }

    fn zones<'z>(&'z self, treatment: &'z str) -> impl Iterator<Item = &'z ZoneResponse> {
        let zones = self.case.conclusions.synthesis.zones.iter();
        zones.filter(move |zone| zone.crop == self.choices.crop && zone.treatment == treatment)
    }

    /// The site-years of a treatment in the order of seasons and wetness.
    fn forest(&self, treatment: &str) -> Vec<&ForestRow> {
        let is_own = |row: &&ForestRow| {
            row.kind == ForestKind::SiteYear
                && row.class.is_none()
                && row.crop == self.choices.crop
                && row.treatment == treatment
                && row.estimate.mean.is_some()
        };
        let mut rows: Vec<&ForestRow> = self.case.conclusions.synthesis.forest.iter().filter(is_own).collect();
        let season = |row: &ForestRow| row.identity.as_ref().map_or(0, |one| one.season);
        rows.sort_by(|one, other| {
            let wetness = |row: &ForestRow| row.wetness_mm.unwrap_or(f64::INFINITY);
            season(one).cmp(&season(other)).then(wetness(one).total_cmp(&wetness(other)))
        });
        rows
    }

    fn site_year(&self, row: &ForestRow) -> Option<&SiteYear> {
        let identity = row.identity.as_ref()?;
        let at = self.case.site_years.binary_search_by(|one| one.identity.cmp(identity)).ok()?;
        self.case.site_years.get(at)
    }

    /// What a site-year's own response was worth.
    fn returns(&self, row: &ForestRow) -> Option<Returns> {
        let own = self.site_year(row)?.responses.iter();
        own.filter(|one| one.key.class.is_none()).find(|one| one.key.treatment == row.treatment).map(|one| one.returns)
    }

    fn figure(&self, number: &str, sentence: &str, panels: Vec<Panel>, caption: String) -> Figure {
        let crop = crate::report::file_part(self.name());
        Figure { name: format!("{number}-{crop}"), sentence: capitalised(sentence), panels, caption }
    }

    fn without_money(&self) -> String {
        let crop = self.name();
        let Some(one) = self.focus() else { return format!("On {crop}, nothing was compared.") };
        let count = counted(one.site_years, "site-year");
        match self.scaled(&one.estimate).0 {
            Some(mean) => format!(
                "On {crop}, {} differed from the check by {} {} in {count} so far; that is too little to choose by.",
                self.label(&one.treatment),
                signed(mean, self.decimals),
                self.units.yield_unit
            ),
            None => format!("On {crop}, no site-year gives a number yet."),
        }
    }

    /// The figures to take along, none with panels too tall for text of a readable size.
    pub(super) fn slides(&self) -> Result<Vec<Figure>, ReportError> {
        let mut slides = Vec::new();
        let all: Vec<&Choice> = self.choices.treatments.iter().collect();
        let parts: Vec<&[&Choice]> = all.chunks(MOST_COMPARED).collect();
        let of_several = parts.len() > 1;
        for (at, part) in parts.iter().enumerate() {
            let mut figure = self.compared_of(part, at + 1 == parts.len());
            if of_several {
                figure.name = format!("{}-{}", figure.name, at + 1);
            }
            slides.push(figure);
        }
        slides.extend(self.dosed());
        slides.extend(self.repeated());
        slides.extend(self.placed()?);
        let is_tall = |figure: &Figure| figure.panels.iter().any(|panel| panel.height > TALLEST);
        slides.extend(self.grounds_of(false).and_then(
            |all| {
                if is_tall(&all) { self.grounds_of(true) } else { Some(all) }
            },
        ));
        slides.extend(self.plan_figure());
        slides.extend(self.tried());
        Ok(slides)
    }
}

/// A sentence that begins with a capital.
fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
