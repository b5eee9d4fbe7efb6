//! Numbers and names as the pages print them.

use serde::Serialize;

use crate::points::{Cautions, Source, Sourced};
use crate::report::Units;
use crate::report::units::fixed;
use crate::results::Estimate;

/// Stands where there is no number.
const ABSENT: &str = "–";

/// Decimals of a yield on a page.
pub(super) fn decimals(units: &Units) -> usize {
    if units.yield_decimals > 3 { 2 } else { 1 }
}

/// A number as it is read: fixed decimals, or a dash.
pub(super) fn shown(value: Option<f64>, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.is_empty() { ABSENT.to_owned() } else { text.replace('-', "−") }
}

/// With its sign.
pub(super) fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(Some(value), decimals);
    if value > 0.0 && text.bytes().any(|byte| (b'1'..=b'9').contains(&byte)) {
        format!("+{text}")
    } else {
        text.replace('-', "−")
    }
}

/// A part of a count, in percent.
pub(super) fn percent(part: usize, of: usize) -> String {
    format!("{:.1} %", 100.0 * part as f64 / of.max(1) as f64)
}

/// A probability in percent; never a certainty, which no data give.
pub(super) fn probability(share: Option<f64>) -> String {
    match share {
        None => ABSENT.to_owned(),
        Some(share) if share > 0.99 => "> 99 %".to_owned(),
        Some(share) if share < 0.01 => "< 1 %".to_owned(),
        Some(share) => format!("{:.0} %", 100.0 * share),
    }
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
        (Source::Assumed, _) => format!("{number} (assumed)"),
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

    #[test]
    fn nothing_is_certain() {
        assert_eq!(probability(Some(1.0)), "> 99 %");
        assert_eq!(probability(Some(0.001)), "< 1 %");
        assert_eq!(probability(Some(0.5)), "50 %");
        assert_eq!(probability(None), "–");
        assert_eq!(percent(1, 8), "12.5 %");
    }
}
