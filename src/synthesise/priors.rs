//! What is expected of the spread between seasons, farms, fields and site-years before the archive tells of it.

use super::rows::Rows;
use crate::stats::crossed::{PARTS, Part};

/// Scales of the half-normal priors of the standard deviations, kg/ha.
///
/// A half-normal prior of scale `s` has the mean `0.80 s` and lies below `1.64 s` with 90 %. Gelman 2006, Bayesian Anal.
/// 1:515–534, advises one of this kind where few groups tell of the spread between them. The shares of the yield come from
/// differences of two treatments over several sites and years, analysed as site, year and site × year, in percent of the mean:
///
/// | trials | seasons | sites | site-years |
/// | --- | --- | --- | --- |
/// | van Eeuwijk & Kroonenberg 1998, Biometrics 54:1315: dry matter content of six maize varieties, 4 sites, 7 years | 2.9 | 1.0 | 4.9 |
/// | Student 1923, Biometrika 15:271: two barleys, 51 farm trials, 6 years | 0 | 0 | 13.7 with the error of two plots |
/// | Engelstad & Parks 1971, Agron. J.: nitrogen on corn, 67 to 134, 134 to 201, 201 to 268; 2 sites, 5 years | 8.4, 0, 0 | 9.4, 7.1, 0 | 2.7, 8.8, 4.6 |
///
/// The root of the mean square over the three sources is 3.3 for seasons and 3.9 for sites; without the first nitrogen step,
/// whose response of 16 % is beyond what strips are laid out for, 1.7 and 2.9. The scales lie between. That of farms and of the classes of one
/// site-year is ours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Priors {
    /// The yield of the check, kg/ha.
    pub(super) check_yield: f64,
    /// Multiple of all scales: 1, or what the answer is tried under.
    pub(super) factor: f64,
}

const SEASON: f64 = 0.02;
const FARM: f64 = 0.015;
const FIELD: f64 = 0.025;
/// Below the trials' figures, which hold the error of small plots.
const SITE_YEAR: f64 = 0.03;
const CLASS: f64 = 0.015;
/// Of the change from class to class between site-years (ours).
const SLOPE: f64 = 0.01;
/// Of the difference in one block: about the variation of single plots (common practice, no source).
const BLOCK: f64 = 0.10;
/// Of a zone about the others (ours): half of what site-years are expected to differ by.
const ZONE: f64 = 0.025;

impl Priors {
    /// Scale of the prior of the spread between zones, kg/ha.
    pub(super) fn zone(&self) -> f64 {
        ZONE * self.check_yield
    }

    /// The scales of a change within fields, by season and by site-year: of a slope by the standard deviation of what it runs along, or
    /// of a class less the others.
    pub(super) fn within_fields(&self, is_class: bool) -> [Option<f64>; PARTS] {
        let mut scales = [None; PARTS];
        for part in [Part::Cross, Part::Leaf] {
            scales[part as usize] = Some(if is_class { CLASS } else { SLOPE } * self.factor * self.check_yield);
        }
        scales
    }

    /// The scales for a model of rows. One farm is the farm that is spoken of; several are taken for farms of a kind.
    pub(super) fn scales(&self, rows: &Rows, by_class: bool, slope: bool) -> [Option<f64>; PARTS] {
        let mut scales = [None; PARTS];
        let mut set = |part: Part, share: f64| scales[part as usize] = Some(self.factor * share * self.check_yield);
        set(Part::Cross, SEASON);
        if rows.seasons_and_farms().1 > 1 {
            set(Part::Outer, FARM);
        }
        set(Part::Inner, FIELD);
        set(Part::Leaf, SITE_YEAR);
        if by_class {
            set(Part::Unit, CLASS);
        }
        if slope {
            set(Part::Slope, SLOPE);
        }
        if !rows.are_estimates() {
            set(Part::Within, BLOCK / self.factor);
        }
        scales
    }
}
