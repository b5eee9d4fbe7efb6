//! `doses.csv`: the response over rates, and which tested rate returns most.

use super::tables::{Column, by_columns};
use super::units::{fixed, level, probability, trimmed, yes_no};
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::{DoseCurve, DoseForm, TestedRate};

/// A row of `doses.csv`: a tested rate, or nothing.
pub(super) struct Row<'r> {
    curve: &'r DoseCurve,
    tested: Option<&'r TestedRate>,
    /// The key of the check, which stands for nothing.
    check: &'r str,
    units: Units,
}

impl Row<'_> {
    fn found(&self, pick: fn((f64, f64, f64)) -> f64) -> String {
        self.units.yield_cell(self.tested.map(|one| pick(one.found)))
    }

    fn fitted(&self, pick: fn((f64, f64, f64)) -> f64) -> String {
        self.units.yield_cell(self.tested.map_or(0.0, |one| pick(one.fitted)))
    }
}

/// The columns of `doses.csv`.
pub(super) const DOSES: &[Column<fn(&Row<'_>) -> String>] = &[
    ("crop", |row| row.curve.crop.clone()),
    ("treatment", |row| row.tested.map_or(row.check, |one| &one.treatment).to_owned()),
    ("rate", |row| trimmed(row.tested.map_or(0.0, |one| rate(row.curve, one.rate_per_ha)), 4)),
    ("rate_unit", |row| row.curve.unit.symbol.to_owned()),
    ("response", |row| row.found(|found| found.0)),
    ("ci_low", |row| row.found(|found| found.1)),
    ("ci_high", |row| row.found(|found| found.2)),
    ("fitted", |row| row.fitted(|fitted| fitted.0)),
    ("fitted_low", |row| row.fitted(|fitted| fitted.1)),
    ("fitted_high", |row| row.fitted(|fitted| fitted.2)),
    ("yield_unit", |row| row.units.yield_unit.to_owned()),
    ("net_return", |row| row.units.money_cell(row.tested.map_or(0.0, |one| one.net_return))),
    ("money_unit", |row| row.units.money_unit.clone()),
    ("probability_most_profitable", |row| {
        fixed(Some(row.tested.map_or(row.curve.probability_nothing_best, |one| one.probability_best)), 4)
    }),
    ("in_range", |row| yes_no(row.tested.map_or(row.curve.nothing_in_range, |one| one.in_range))),
    ("forms", |row| {
        let forms = row.curve.forms.iter().map(|(form, weight)| format!("{}={weight:.2}", form.code()));
        forms.collect::<Vec<_>>().join(",")
    }),
    ("caution", |_| String::new()),
];

/// A rate in the unit that it is reported in.
pub(super) fn rate(curve: &DoseCurve, per_ha: f64) -> f64 {
    per_ha / curve.unit.per_ha
}

/// `doses.csv`; `None` where no rates were tested.
pub(super) fn table(curves: &[DoseCurve], archive: &ArchiveSettings) -> Result<Option<Vec<u8>>, ReportError> {
    if curves.is_empty() {
        return Ok(None);
    }
    let check = archive.check().map_or("", |check| &check.key);
    let rows = curves.iter().flat_map(|curve| {
        let tested = std::iter::once(None).chain(curve.rates.iter().map(Some));
        tested.map(move |tested| Row { curve, tested, check, units: Units::new(archive, &curve.crop) })
    });
    by_columns("doses.csv", DOSES, rows).map(Some)
}

/// Which of the tested rates returns most, in sentences.
pub(super) fn sentence(curve: &DoseCurve, archive: &ArchiveSettings) -> String {
    let printed = |per_ha: f64| trimmed(rate(curve, per_ha), 2);
    let rates: Vec<String> = curve
        .rates
        .iter()
        .map(|one| format!("{} {} ({})", printed(one.rate_per_ha), curve.unit.symbol, archive.label(&one.treatment)))
        .collect();
    let mut range: Vec<String> = curve.nothing_in_range.then(|| "nothing".to_owned()).into_iter().collect();
    range.extend(curve.rates.iter().filter(|one| one.in_range).map(|one| printed(one.rate_per_ha)));
    let sure = || format!("{} with a probability of at least {}", curve.unit.symbol, level(archive.model.confidence));
    let most_profitable = match &range[..] {
        // a range of all that was compared tells nothing
        all if all.len() > curve.rates.len() => "which is the most profitable is not shown".to_owned(),
        [one] => format!("the most profitable lies at {one} {}", sure()),
        [first, .., last] => format!("the most profitable lies between {first} and {last} {}", sure()),
        [] => "which is the most profitable is not known".to_owned(),
    };
    let chances: Vec<String> = std::iter::once(("nothing".to_owned(), curve.probability_nothing_best))
        .chain(curve.rates.iter().map(|one| (printed(one.rate_per_ha), one.probability_best)))
        .map(|(rate, share)| format!("{rate}: {}", probability(share)))
        .collect();
    let forms: Vec<DoseForm> = curve.forms.iter().map(|(form, _)| *form).collect();
    let few = if curve.rates.len() == 2 && !forms.contains(&DoseForm::QuadraticPlateau) {
        " With two rates only a straight line and a parabola without a plateau can be fitted."
    } else {
        ""
    };
    format!(
        "On {}, of {}, taken as rates of one product, and of nothing, {most_profitable} ({}).{few}",
        curve.crop,
        rates.join(" and "),
        chances.join(", "),
    )
}
