//! Numbers and names as the pages print them.

use serde::Serialize;

use crate::config::ArchiveSettings;
use crate::points::{Cautions, Source, Sourced};
use crate::report::Units;
use crate::report::units::{fixed, probability as printed};
use crate::results::Estimate;

/// Stands where there is no number.
const ABSENT: &str = "–";

/// Decimals of a yield on a page.
pub(in crate::report) fn decimals(units: &Units) -> usize {
    if units.yield_decimals > 3 { 2 } else { 1 }
}

/// A number as it is read: fixed decimals, or a dash.
pub(super) fn shown(value: Option<f64>, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.is_empty() { ABSENT.to_owned() } else { text.replace('-', "−") }
}

/// With its sign.
pub(in crate::report) fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(Some(value), decimals);
    if value > 0.0 && text.bytes().any(|byte| (b'1'..=b'9').contains(&byte)) {
        format!("+{text}")
    } else {
        text.replace('-', "−")
    }
}

/// With its sign, or a dash.
pub(super) fn signed_or_dash(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| ABSENT.to_owned(), |value| signed(value, decimals))
}

/// What the months of the wetness are called at a latitude: `spring` where all of them lie in March to May (south of the equator in
/// September to November), else `season`.
pub(super) fn time_of_year(archive: &ArchiveSettings, latitude_deg: f64) -> &'static str {
    let spring = if latitude_deg < 0.0 { 9..=11 } else { 3..=5 };
    let months = archive.wetness.as_ref().map_or(&[][..], |wetness| wetness.months.as_slice());
    if !months.is_empty() && months.iter().all(|month| spring.contains(month)) { "spring" } else { "season" }
}

/// A part of a count, in percent.
pub(super) fn percent(part: usize, of: usize) -> String {
    format!("{:.1} %", 100.0 * part as f64 / of.max(1) as f64)
}

/// A probability, or a dash.
pub(super) fn probability(share: Option<f64>) -> String {
    share.map_or_else(|| ABSENT.to_owned(), printed)
}

/// A p value, or a dash; never 0.
pub(super) fn p_value(value: Option<f64>) -> String {
    if value.is_some_and(|value| value < 0.001) { "< 0.001".to_owned() } else { shown(value, 3) }
}

/// "4.1 to 12.6".
pub(super) fn interval(estimate: &Estimate, decimals: usize) -> String {
    match estimate.low.zip(estimate.high) {
        Some((low, high)) => format!("{} to {}", shown(Some(low), decimals), shown(Some(high), decimals)),
        None => ABSENT.to_owned(),
    }
}

/// A number with where it comes from.
pub(super) fn sourced(value: &Sourced, unit: &str) -> String {
    // a factor has no unit, and matters to the third digit
    let decimals = if unit.is_empty() { 3 } else { 2 };
    let number = format!("{}{unit}", shown(Some(value.value), decimals));
    match (value.source, value.std_error) {
        (Source::Estimated, Some(std_error)) => format!("{number} ± {std_error:.decimals$} (estimated)"),
        (Source::Estimated, None) => format!("{number} (estimated)"),
        (Source::Configured, _) => format!("{number} (configured)"),
        (Source::Assumed, Some(std_error)) => format!("{number} ± {std_error:.decimals$} (assumed, roughly known)"),
        (Source::Assumed, None) => format!("{number} (assumed)"),
    }
}

/// A caution on a page.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Doubt {
    code: &'static str,
    text: String,
}

/// Cautions with what was measured.
pub(super) fn doubts(cautions: &Cautions) -> Vec<Doubt> {
    cautions
        .iter()
        .map(|(caution, detail)| {
            let more = if detail.is_empty() { String::new() } else { format!(" ({detail})") };
            Doubt { code: caution.code(), text: format!("{}{more}", caution.text()) }
        })
        .collect()
}

/// Cautions for a reader who knows the treatments by their labels: keys in what was measured give way to them.
pub(super) fn doubts_in_words(cautions: &Cautions, archive: &ArchiveSettings) -> Vec<Doubt> {
    let mut all = doubts(cautions);
    for doubt in &mut all {
        doubt.text = labelled(&doubt.text, archive);
    }
    all
}

/// A text with the treatments' labels in the place of their keys, where these stand as words.
fn labelled(text: &str, archive: &ArchiveSettings) -> String {
    let is_part = |c: char| c.is_alphanumeric() || c == '_' || c == '-';
    let mut printed = String::new();
    let mut rest = text;
    while let Some(begin) = rest.find(is_part) {
        let end = rest[begin..].find(|c| !is_part(c)).map_or(rest.len(), |length| begin + length);
        printed.push_str(&rest[..begin]);
        let word = &rest[begin..end];
        // the check's key is a word of the sentences too
        let treatment = archive.treatment(word).filter(|one| !one.check);
        printed.push_str(treatment.map_or(word, |one| one.label.as_str()));
        rest = &rest[end..];
    }
    printed + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signs_stand_before_numbers_that_are_not_zero() {
        assert_eq!(signed(3.12, 1), "+3.1");
        assert_eq!(signed(-3.12, 1), "−3.1");
        assert_eq!(signed(0.01, 1), "0.0");
        assert_eq!(signed(-0.01, 1), "0.0");
    }

    /// A lag that the data tell roughly is reported with its error, and not as if the data said nothing.
    #[test]
    fn an_assumed_value_that_the_data_tell_roughly_is_reported_with_its_error() {
        let lag = Sourced { value: 13.08, std_error: Some(0.6), source: Source::Assumed };
        assert_eq!(sourced(&lag, " s"), "13.08 s ± 0.60 (assumed, roughly known)");
        assert_eq!(sourced(&Sourced { std_error: None, ..lag }, " s"), "13.08 s (assumed)");
        assert!(!crate::points::Caution::LagAssumed.text().contains("could not be estimated"));
    }

    #[test]
    fn keys_give_way_to_labels_where_they_stand_as_words() {
        let text = "name = \"T\"\nreport_units = \"us\"\n[soil]\nclasses = [\"dry\", \"wet\"]\n[crops.corn]\nprice = \"4 USD/bu\"\n\
                    [treatments.check]\nlabel = \"untreated\"\ncheck = true\n[treatments.band]\nlabel = \"the band\"\ncost = \"9 USD/ac\"\n";
        let archive = ArchiveSettings::parse("archive.toml", text).unwrap();
        assert_eq!(
            labelled("shares (band: 3 %, check 1 %; band_full)", &archive),
            "shares (the band: 3 %, check 1 %; band_full)"
        );
    }

    #[test]
    fn nothing_is_certain() {
        assert_eq!([Some(0.999), Some(0.5), None].map(probability), ["more than 99 %", "50 %", "–"]);
        assert_eq!([Some(0.000_4), Some(0.05), None].map(p_value), ["< 0.001", "0.050", "–"]);
        assert_eq!(percent(1, 8), "12.5 %");
    }
}
