//! Reading a number with its unit, and finding the nearest known word.

use thiserror::Error;

/// Why a text is not a quantity.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum QuantityError {
    /// The text does not begin with a finite number.
    #[error("expected a {quantity} such as `{example}`, found `{found}`", example = example(.quantity))]
    MissingNumber {
        /// What was expected.
        quantity: &'static str,
        /// The text as typed.
        found: String,
    },
    /// A bare number.
    #[error("`{found}` has no unit; a {quantity} takes one of: {fitting}")]
    MissingUnit {
        /// What was expected.
        quantity: &'static str,
        /// The text as typed.
        found: String,
        /// The units that fit.
        fitting: String,
    },
    /// A unit that does not belong to the quantity.
    #[error("unknown unit `{found}`; a {quantity} takes one of: {fitting}{}", hint(.nearest.as_deref()))]
    UnknownUnit {
        /// What was expected.
        quantity: &'static str,
        /// The unit as typed.
        found: String,
        /// The units that fit.
        fitting: String,
        /// The known unit nearest in spelling.
        nearest: Option<String>,
    },
}

fn example(quantity: &str) -> &'static str {
    match quantity {
        "length" => "30 ft",
        "area" => "12 ac",
        "speed" => "4 mph",
        "mass" => "56 lb",
        "mass flow" => "20 lb/s",
        "time span" => "12 s",
        "percentage" => "15.5 %",
        "volume" => "6 gal",
        "rate of application" => "8 fl oz/ac",
        "price" => "4.20 USD/bu",
        "cost" => "20 USD/ac",
        "hauling cost" => "0.15 USD/bu",
        "drying cost" => "0.05 USD/bu/%",
        _ => "1 unit",
    }
}

fn hint(nearest: Option<&str>) -> String {
    nearest.map_or_else(String::new, |word| format!("; did you mean `{word}`?"))
}

/// Splits `30 ft` into the number 30 and the unit `ft`; the unit may be empty.
///
/// # Errors
/// [`QuantityError::MissingNumber`] when the text does not begin with a finite number.
pub fn split_number<'t>(text: &'t str, quantity: &'static str) -> Result<(f64, &'t str), QuantityError> {
    let trimmed = text.trim();
    let fault = || QuantityError::MissingNumber { quantity, found: text.to_owned() };
    let end = trimmed
        .char_indices()
        .find(|&(at, c)| {
            let exponent = matches!(c, 'e' | 'E')
                && trimmed[at + 1..].starts_with(|n: char| n.is_ascii_digit() || n == '-' || n == '+')
                && trimmed[..at].ends_with(|n: char| n.is_ascii_digit() || n == '.');
            let sign = matches!(c, '+' | '-') && (at == 0 || trimmed[..at].ends_with(['e', 'E']));
            !(c.is_ascii_digit() || c == '.' || sign || exponent)
        })
        .map_or(trimmed.len(), |(at, _)| at);
    let number: f64 = trimmed[..end].parse().map_err(|_| fault())?;
    if !number.is_finite() {
        return Err(fault());
    }
    Ok((number, trimmed[end..].trim_start()))
}

/// The known word nearest in spelling to `word`, if any is near enough to be what was meant.
pub fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<String> {
    let folded = word.to_lowercase();
    known
        .into_iter()
        .map(|candidate| {
            let other = candidate.to_lowercase();
            // Among equals, the one that begins alike.
            (strsim::osa_distance(&folded, &other), other.chars().next() != folded.chars().next(), candidate)
        })
        .min_by_key(|&(distance, differs, _)| (distance, differs))
        .filter(|&(distance, _, candidate)| distance <= candidate.chars().count().max(2) / 3 + 1)
        .map(|(.., candidate)| candidate.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_split_from_units_with_or_without_a_blank() {
        assert_eq!(split_number("15.5 %", "percentage").unwrap(), (15.5, "%"));
        assert_eq!(split_number("-25mm", "length").unwrap(), (-25.0, "mm"));
        assert_eq!(split_number("1e3 m", "length").unwrap(), (1000.0, "m"));
        assert_eq!(split_number("7", "length").unwrap(), (7.0, ""));
        assert!(split_number("ft", "length").is_err());
        assert!(split_number("NaN ft", "length").is_err());
        assert!(split_number("", "length").is_err());
    }

    #[test]
    fn the_nearest_word_is_offered_only_when_it_is_near() {
        let known = ["mass_flow", "moisture", "speed"];
        assert_eq!(nearest("mositure", known), Some("moisture".to_owned()));
        assert_eq!(nearest("elephant", known), None);
    }
}
