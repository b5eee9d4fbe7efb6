//! Checks of inputs, shared by the modules.

use super::StatsError;

/// Every value is finite.
pub(crate) fn finite(what: &'static str, values: &[f64]) -> Result<(), StatsError> {
    match values.iter().position(|value| !value.is_finite()) {
        None => Ok(()),
        Some(position) => Err(StatsError::NotFinite { what, position, value: values[position] }),
    }
}

/// There are at least `needed` values, all finite.
pub(crate) fn sample(what: &'static str, values: &[f64], needed: usize) -> Result<(), StatsError> {
    if values.len() < needed {
        return Err(StatsError::TooFew { what, found: values.len(), needed });
    }
    finite(what, values)
}

/// The length is the one expected.
pub(crate) fn length(what: &'static str, found: usize, expected: usize) -> Result<(), StatsError> {
    if found == expected { Ok(()) } else { Err(StatsError::Length { what, found, expected }) }
}

/// Every value is finite and greater than zero.
pub(crate) fn positive(what: &'static str, values: &[f64]) -> Result<(), StatsError> {
    finite(what, values)?;
    match values.iter().find(|&&value| value <= 0.0) {
        None => Ok(()),
        Some(&value) => Err(StatsError::OutOfRange { what, allowed: "greater than 0", value }),
    }
}

/// A probability strictly between 0 and 1.
pub(crate) fn open_probability(what: &'static str, value: f64) -> Result<(), StatsError> {
    if value > 0.0 && value < 1.0 {
        Ok(())
    } else {
        Err(StatsError::OutOfRange { what, allowed: "between 0 and 1, both excluded", value })
    }
}
