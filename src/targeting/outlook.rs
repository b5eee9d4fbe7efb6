//! How likely each wetness class is in the season to come.

use thiserror::Error;

use crate::config::WetnessSettings;

/// An outlook that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum OutlookError {
    /// The archive has no wetness classes.
    #[error("an outlook takes wetness classes; archive.toml has no [wetness]")]
    NoClasses,
    /// A part that is not `label=probability`.
    #[error("`{found}`: expected `label=probability` for each of {known}, such as `{example}`")]
    Part {
        /// As typed.
        found: String,
        /// The labels.
        known: String,
        /// What would do.
        example: String,
    },
    /// Probabilities that do not sum to 1.
    #[error("the probabilities sum to {sum}, expected 1 within the rounding of each to a percent")]
    Sum {
        /// Their sum, as printed.
        sum: String,
    },
}

/// What rounding to a percent moves a share by, at most.
const ROUNDING: f64 = 0.005;

/// Probabilities of the wetness classes, dry to wet; empty where there are none.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlook {
    /// One for each class; they sum to 1.
    pub shares: Vec<f64>,
    /// Seasons that they were counted over; `None` where they were given.
    pub seasons: Option<usize>,
}

impl Outlook {
    /// Without wetness classes.
    pub fn none() -> Self {
        Self { shares: Vec::new(), seasons: None }
    }

    /// Counted over the measure of past seasons: `(n + 1/W) / (N + 1)` for each of the W classes, so that a class that has not
    /// occurred is not held impossible (Perks 1947, J. Inst. Actuaries 73:285, the rule of one pseudo-count shared by all
    /// classes; from memory).
    pub fn of_seasons(values: &[f64], settings: &WetnessSettings) -> Self {
        let classes = settings.labels.len();
        let mut counts = vec![1.0 / classes as f64; classes];
        for &value in values {
            counts[settings.rank(value)] += 1.0;
        }
        let total = values.len() as f64 + 1.0;
        Self { shares: counts.iter().map(|count| count / total).collect(), seasons: Some(values.len()) }
    }

    /// From `label=probability` parts separated by commas, every class named once.
    ///
    /// # Errors
    /// [`OutlookError`].
    pub fn parse(text: &str, settings: Option<&WetnessSettings>) -> Result<Self, OutlookError> {
        let labels = &settings.ok_or(OutlookError::NoClasses)?.labels;
        let known = labels.iter().map(|label| format!("`{label}`")).collect::<Vec<_>>().join(", ");
        let even = 1.0 / labels.len() as f64;
        let example = labels.iter().map(|label| format!("{label}={even:.2}")).collect::<Vec<_>>().join(",");
        let fault = |found: &str| OutlookError::Part {
            found: found.to_owned(),
            known: known.clone(),
            example: example.clone(),
        };
        let mut shares = vec![None; labels.len()];
        for part in text.split(',') {
            let (label, share) = part.split_once('=').ok_or_else(|| fault(part))?;
            let at = labels.iter().position(|known| known == label.trim()).ok_or_else(|| fault(part))?;
            let share: f64 = share.trim().parse().map_err(|_| fault(part))?;
            if !(0.0..=1.0).contains(&share) || shares[at].is_some() {
                return Err(fault(part));
            }
            shares[at] = Some(share);
        }
        let shares: Vec<f64> = shares.into_iter().collect::<Option<_>>().ok_or_else(|| fault(text))?;
        let sum: f64 = shares.iter().sum();
        if (sum - 1.0).abs() > ROUNDING * labels.len() as f64 + 1e-9 {
            return Err(OutlookError::Sum { sum: format!("{sum:.3}") });
        }
        Ok(Self { shares: shares.iter().map(|share| share / sum).collect(), seasons: None })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::PrecipitationGrids;

    fn classes() -> WetnessSettings {
        WetnessSettings {
            breaks: vec![-25.0, 25.0],
            ..WetnessSettings::of(vec![5], PrecipitationGrids::Departure("x_{season}.tif".to_owned()))
        }
    }

    #[test]
    fn seasons_are_counted_and_none_is_held_impossible() {
        let outlook = Outlook::of_seasons(&[-30.0, 0.0, 10.0], &classes());
        let third = 1.0 / 3.0;
        for (found, expected) in outlook.shares.iter().zip([(1.0 + third) / 4.0, (2.0 + third) / 4.0, third / 4.0]) {
            assert!((found - expected).abs() < 1e-12);
        }
        let nothing_known = Outlook::of_seasons(&[], &classes());
        assert!(nothing_known.shares.iter().all(|share| (share - third).abs() < 1e-12));
    }

    #[test]
    fn a_given_outlook_names_every_class_once_and_sums_to_one() {
        let outlook = Outlook::parse("wetter=0.5, drier=0.2,near normal=0.3", Some(&classes())).unwrap();
        assert_eq!(outlook.shares, [0.2, 0.3, 0.5]);
        // what the error offers, and other shares that were rounded to a percent, are shares of a whole
        for text in ["drier=0.33,near normal=0.33,wetter=0.33", "drier=0.34,near normal=0.33,wetter=0.34"] {
            let shares = Outlook::parse(text, Some(&classes())).unwrap().shares;
            assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12, "{shares:?}");
        }
        let fault = |text: &str| Outlook::parse(text, Some(&classes())).unwrap_err().to_string();
        assert!(fault("drier=0.2,wet=0.8").contains("`wet=0.8`"));
        assert!(fault("drier=0.2,wetter=0.8").contains("for each of `drier`"));
        assert!(fault("drier=0.2,wetter=0.8,near normal=0.3").contains("sum to 1.300"));
        assert!(fault("drier=0.32,wetter=0.33,near normal=0.33").contains("sum to 0.980"));
        assert!(fault("drier=-1,wetter=1,near normal=1").contains("drier=-1"));
        assert_eq!(Outlook::parse("drier=1", None), Err(OutlookError::NoClasses));
    }
}
