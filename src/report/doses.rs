//! `doses.csv`: the response over rates, and which tested rate returns most.

use super::tables::write;
use super::units::{fixed, level, probability, trimmed};
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::{DoseCurve, DoseForm};

/// The columns of `doses.csv`.
pub(super) const DOSE_COLUMNS: [&str; 17] = [
    "crop",
    "treatment",
    "rate",
    "rate_unit",
    "response",
    "ci_low",
    "ci_high",
    "fitted",
    "fitted_low",
    "fitted_high",
    "yield_unit",
    "net_return",
    "money_unit",
    "probability_most_profitable",
    "in_range",
    "forms",
    "caution",
];

/// A rate in the unit that it is told in.
pub(super) fn rate(curve: &DoseCurve, per_ha: f64) -> f64 {
    per_ha / curve.unit.per_ha
}

/// `doses.csv`; `None` where no rates were tested.
pub(super) fn table(curves: &[DoseCurve], archive: &ArchiveSettings) -> Result<Option<Vec<u8>>, ReportError> {
    if curves.is_empty() {
        return Ok(None);
    }
    let rows = curves.iter().flat_map(|curve| {
        let units = Units::new(archive, &curve.crop);
        let yields = |value: f64| fixed(Some(units.yields(value)), units.yield_decimals);
        let yes = |is: bool| if is { "yes" } else { "no" }.to_owned();
        let forms: Vec<String> =
            curve.forms.iter().map(|(form, weight)| format!("{}={weight:.2}", form.code())).collect();
        let forms = forms.join(",");
        let nothing = vec![
            curve.crop.clone(),
            archive.check().map_or_else(String::new, |check| check.key.clone()),
            "0".to_owned(),
            curve.unit.symbol.to_owned(),
            String::new(),
            String::new(),
            String::new(),
            yields(0.0),
            yields(0.0),
            yields(0.0),
            units.yield_unit.to_owned(),
            fixed(Some(0.0), 2),
            units.money_unit.clone(),
            fixed(Some(curve.probability_nothing_best), 4),
            yes(curve.nothing_in_range),
            forms.clone(),
            String::new(),
        ];
        let of_rate = curve.rates.iter().map(|one| {
            vec![
                curve.crop.clone(),
                one.treatment.clone(),
                trimmed(rate(curve, one.rate_per_ha), 4),
                curve.unit.symbol.to_owned(),
                yields(one.found.0),
                yields(one.found.1),
                yields(one.found.2),
                yields(one.fitted.0),
                yields(one.fitted.1),
                yields(one.fitted.2),
                units.yield_unit.to_owned(),
                fixed(Some(units.money(one.net_return)), 2),
                units.money_unit.clone(),
                fixed(Some(one.probability_best), 4),
                yes(one.in_range),
                forms.clone(),
                String::new(),
            ]
        });
        std::iter::once(nothing).chain(of_rate).collect::<Vec<_>>()
    });
    write("doses.csv", &DOSE_COLUMNS, rows.collect::<Vec<_>>()).map(Some)
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
