//! Other analyses of the same comparisons, beside the segment model.
//!
//! | analysis | what it rests on |
//! | --- | --- |
//! | block differences | means of facing segments by block; mixed model with Kenward–Roger degrees of freedom |
//! | block differences, CR2 | the same differences, and no model of their errors but that blocks are independent |
//! | sign-flip over blocks | the same differences, and nothing but that the sides could have been swapped |
//! | segment differences, AR(1) | facing segments, correlated along their strip |
//!
//! In the first two a difference weighs as many independent observations as its length holds, and differences that share
//! a check strip or a treated strip share its error.

use std::borrow::Cow;
use std::collections::BTreeMap;

use super::differences::{Facing, facing_segments};
use crate::config::{ArchiveSettings, ModelSettings};
use crate::points::{Joined, Labels};
use crate::results::{BlockDifference, Estimate, ResponseKey};
use crate::stats::dense::Mat;
use crate::stats::field::{Columns, LineField};
use crate::stats::mixed::MixedModel;
use crate::stats::{ContrastTest, StatsError, cluster_robust, sign_flip, sign_flip_interval};

/// The analyses by name.
pub const ANALYSES: [&str; 4] =
    ["block differences", "block differences, CR2", "sign-flip over blocks", "segment differences, AR(1)"];
/// Range of the correlation along the strips where the segment model tells none, m (common practice, no source; three segments
/// of 20 m).
const USUAL_RANGE_M: f64 = 60.0;

/// A response by another analysis, or under a variant of the same.
#[derive(Debug, Clone, PartialEq)]
pub struct Alternative {
    /// The analysis or variant.
    pub analysis: Cow<'static, str>,
    /// Which response.
    pub key: ResponseKey,
    /// What it gives; empty where it gives nothing.
    pub estimate: Estimate,
}

/// The answers of the other analyses. `differences` are those of the fit, `range_m` is the range of its field along the
/// strips.
pub fn alternatives(
    joined: &Joined,
    archive: &ArchiveSettings,
    differences: &[BlockDifference],
    range_m: Option<f64>,
) -> Vec<Alternative> {
    let settings = &archive.model;
    let range_m = range_m.unwrap_or(USUAL_RANGE_M);
    let mut all = Vec::new();
    let mut tell = |analysis: &'static str, found: BTreeMap<ResponseKey, Estimate>| {
        all.extend(found.into_iter().map(|(key, estimate)| Alternative { analysis: analysis.into(), key, estimate }));
    };
    let by_class = Table::new(differences, settings, range_m, true);
    let whole = Table::new(differences, settings, range_m, false);
    let [mixed, robust, flipped, along] = ANALYSES;
    for (analysis, method) in [(mixed, Table::mixed as Method), (robust, Table::cluster_robust)] {
        for table in [&by_class, &whole] {
            tell(analysis, table.by(method, settings));
        }
    }
    for table in [&by_class, &whole] {
        tell(flipped, table.sign_flip(settings));
    }
    if let Some(check) = archive.check() {
        tell(along, along_strips(joined, &check.key, differences, settings).unwrap_or_default());
    }
    all
}

/// Independent observations in a mean over a length of an exponential process: the reciprocal of
/// `(2a/L) [1 − (a/L)(1 − exp(−L/a))]`, the variance of such a mean by that of one observation.
fn effective_number(length_m: f64, range_m: f64) -> f64 {
    let ratio = range_m / length_m;
    1.0 / (2.0 * ratio * (1.0 + ratio * (-1.0 / ratio).exp_m1()))
}

/// Answers one contrast of a table.
type Answer = Box<dyn Fn(&[f64], f64) -> Result<ContrastTest, StatsError>>;
/// Fits a table.
type Method = fn(&Table) -> Result<Answer, StatsError>;

/// Differences by block: a row each, a cell for each response.
struct Table {
    cells: Vec<ResponseKey>,
    cell: Vec<usize>,
    block: Vec<usize>,
    value: Vec<f64>,
    weight: Vec<f64>,
}

impl Table {
    /// The responses by class that enough blocks carry, or those over the whole field that two blocks carry.
    fn new(differences: &[BlockDifference], settings: &ModelSettings, range_m: f64, by_class: bool) -> Self {
        let wanted: Vec<&BlockDifference> =
            differences.iter().filter(|one| one.key.class.is_some() == by_class).collect();
        let mut counts: BTreeMap<&ResponseKey, usize> = BTreeMap::new();
        for one in &wanted {
            *counts.entry(&one.key).or_default() += 1;
        }
        let least = if by_class { settings.class_blocks as usize } else { 2 };
        let cells: Vec<ResponseKey> =
            counts.into_iter().filter(|&(_, count)| count >= least).map(|(key, _)| key.clone()).collect();
        let mut blocks: Vec<&str> = wanted.iter().map(|one| one.block.as_str()).collect();
        blocks.sort_unstable();
        blocks.dedup();
        let mut table = Self { cells, cell: vec![], block: vec![], value: vec![], weight: vec![] };
        for one in wanted {
            let cell = table.cells.iter().position(|key| *key == one.key);
            let block = blocks.iter().position(|block| *block == one.block);
            if let (Some(cell), Some(block)) = (cell, block) {
                table.cell.push(cell);
                table.block.push(block);
                table.value.push(one.difference);
                table.weight.push(effective_number(one.segments as f64 * settings.segment_length_m, range_m));
            }
        }
        table
    }

    fn design(&self) -> Mat<f64> {
        Mat::from_fn(self.cell.len(), self.cells.len(), |i, j| f64::from(u8::from(self.cell[i] == j)))
    }

    /// `difference = cell + block + treated strip + error`: the check strips of a block are common to its differences, and
    /// a treated strip to its classes.
    fn mixed(&self) -> Result<Answer, StatsError> {
        let mut model = MixedModel::new(&self.value, self.design().as_ref())?.with_weights(&self.weight)?;
        let treatment = |row: usize| self.cells[self.cell[row]].treatment.as_str();
        let mut strips: Vec<(usize, &str)> =
            (0..self.cell.len()).map(|row| (self.block[row], treatment(row))).collect();
        let rows = strips.clone();
        strips.sort_unstable();
        strips.dedup();
        let mut blocks = self.block.clone();
        blocks.sort_unstable();
        blocks.dedup();
        // several treatments in a block share its check; several classes share both strips
        if strips.len() > blocks.len() {
            model = model.with_random(&self.block)?;
        }
        if rows.len() > strips.len() {
            let level = |row: &(usize, &str)| strips.binary_search(row).unwrap_or_default();
            model = model.with_random(&rows.iter().map(level).collect::<Vec<_>>())?;
        }
        let small = model.fit()?.small_sample()?;
        Ok(Box::new(move |contrast, limit| small.kenward_roger(contrast, Some(limit))))
    }

    fn cluster_robust(&self) -> Result<Answer, StatsError> {
        let fit = cluster_robust(self.design().as_ref(), &self.value, &self.block, Some(&self.weight))?;
        Ok(Box::new(move |contrast, _| fit.test(contrast)))
    }

    /// The estimate of every cell; an empty one where the method gives none.
    fn by(&self, method: Method, settings: &ModelSettings) -> BTreeMap<ResponseKey, Estimate> {
        if self.cells.is_empty() {
            return BTreeMap::new();
        }
        let answer = method(self);
        let cells = self.cells.iter().enumerate().map(|(at, key)| {
            let unit: Vec<f64> = (0..self.cells.len()).map(|j| f64::from(u8::from(j == at))).collect();
            let blocks = self.cell.iter().filter(|cell| **cell == at).count();
            let found = answer.as_ref().ok().and_then(|answer| answer(&unit, blocks as f64 - 1.0).ok());
            (key.clone(), found.and_then(|test| of_test(&test, settings)).unwrap_or_default())
        });
        cells.collect()
    }

    fn sign_flip(&self, settings: &ModelSettings) -> BTreeMap<ResponseKey, Estimate> {
        let cells = self.cells.iter().enumerate().map(|(at, key)| {
            let values: Vec<f64> =
                self.cell.iter().zip(&self.value).filter(|(cell, _)| **cell == at).map(|(_, value)| *value).collect();
            let p = sign_flip(&values, settings.seed).ok();
            let ends = sign_flip_interval(&values, settings.seed, settings.confidence)
                .ok()
                .filter(|interval| interval.lower.is_finite() && interval.upper.is_finite());
            let estimate = Estimate {
                mean: Some(values.iter().sum::<f64>() / values.len() as f64),
                low: ends.map(|interval| interval.lower),
                high: ends.map(|interval| interval.upper),
                p_value: p,
                p_randomization: p,
                ..Estimate::default()
            };
            (key.clone(), estimate)
        });
        cells.collect()
    }
}

fn of_test(test: &ContrastTest, settings: &ModelSettings) -> Option<Estimate> {
    Estimate::of_t(test.estimate, test.se, test.df, settings.confidence)
}

/// Differences of facing segments with an AR(1) process and a nugget along each treated strip and a deviation of each
/// block; the responses of all treatments and classes in one model, the whole field by the share of each. Degrees of
/// freedom are those of the blocks.
fn along_strips(
    joined: &Joined,
    check: &str,
    differences: &[BlockDifference],
    settings: &ModelSettings,
) -> Option<BTreeMap<ResponseKey, Estimate>> {
    let assigned = &joined.assigned;
    let blocks_of = |key: &ResponseKey| differences.iter().filter(|one| one.key == *key).count();
    let mut treatments: Vec<&str> = differences.iter().map(|one| one.key.treatment.as_str()).collect();
    treatments.sort_unstable();
    treatments.dedup();
    // a cell for each response by class, and one for the rest of each treatment's ground
    let mut cells: Vec<ResponseKey> = Vec::new();
    let mut rows: Vec<(usize, Facing)> = Vec::new();
    for treatment in treatments {
        if blocks_of(&ResponseKey { treatment: treatment.to_owned(), class: None }) < 2 {
            continue;
        }
        for facing in facing_segments(joined, treatment, check) {
            let class = class_of(joined, &facing);
            let key = |class| ResponseKey { treatment: treatment.to_owned(), class };
            let enough = class.is_some() && blocks_of(&key(class)) >= settings.class_blocks as usize;
            let key = key(class.filter(|_| enough));
            let cell = cells.iter().position(|known| *known == key).unwrap_or_else(|| {
                cells.push(key);
                cells.len() - 1
            });
            rows.push((cell, facing));
        }
    }
    let strip = |facing: &Facing| assigned.segments[facing.treated].strip as usize;
    let yield_of = |at: usize| assigned.segments[at].dry_yield_kg_ha;
    let value = |facing: &Facing| {
        let check: f64 = facing.check.iter().map(|&(at, weight)| weight * yield_of(at)).sum();
        yield_of(facing.treated) - check
    };
    let values: Vec<f64> = rows.iter().map(|(_, facing)| value(facing)).collect();
    let lines: Vec<usize> = rows.iter().map(|(_, facing)| strip(facing)).collect();
    let places: Vec<f64> = rows.iter().map(|(_, facing)| assigned.segments[facing.treated].along_m).collect();
    let names = &assigned.design.blocks;
    let blocks: Vec<usize> = lines
        .iter()
        .map(|&strip| names.iter().position(|name| *name == assigned.strips[strip].block))
        .collect::<Option<_>>()?;
    let x = Mat::from_fn(rows.len(), cells.len(), |i, j| f64::from(u8::from(rows[i].0 == j)));
    let extent =
        places.iter().fold(f64::NEG_INFINITY, |a, &b| a.max(b)) - places.iter().fold(f64::INFINITY, |a, &b| a.min(b));
    let columns = Columns::new(&values, x.as_ref(), Some(&blocks), None).ok()?;
    let fit = LineField::new(columns, &lines, &places).ok()?.fit(10.0 * extent).ok()?;
    let estimate = |contrast: &[f64], key: &ResponseKey| {
        let (mean, se) = fit.contrast(contrast).ok()?;
        Estimate::of_t(mean, se, blocks_of(key) as f64 - 1.0, settings.confidence)
    };
    let mut found = BTreeMap::new();
    for (at, key) in cells.iter().enumerate() {
        if key.class.is_some() {
            let unit: Vec<f64> = (0..cells.len()).map(|j| f64::from(u8::from(j == at))).collect();
            found.insert(key.clone(), estimate(&unit, key).unwrap_or_default());
        }
        let whole = ResponseKey { treatment: key.treatment.clone(), class: None };
        let count = |cell: usize| rows.iter().filter(|row| row.0 == cell).count() as f64;
        let own = |cell: usize| if cells[cell].treatment == key.treatment { count(cell) } else { 0.0 };
        let total: f64 = (0..cells.len()).map(own).sum();
        let shares: Vec<f64> = (0..cells.len()).map(|cell| own(cell) / total).collect();
        let told = estimate(&shares, &whole).unwrap_or_default();
        found.insert(whole, told);
    }
    Some(found)
}

/// The class that all members of a facing pair have.
fn class_of(joined: &Joined, facing: &Facing) -> Option<usize> {
    let class = joined.segment_class[facing.treated];
    let alike = facing.check.iter().all(|&(check, weight)| weight == 0.0 || joined.segment_class[check] == class);
    (class != Labels::NONE && alike).then_some(class as usize)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::linear::paired_t;

    fn difference(block: usize, treatment: &str, class: Option<usize>, segments: usize, value: f64) -> BlockDifference {
        BlockDifference {
            block: format!("{block}"),
            key: ResponseKey { treatment: treatment.to_owned(), class },
            difference: value,
            check_yield: 10_000.0,
            segments,
            area_m2: 360.0 * segments as f64,
        }
    }

    /// By hand from the variance of a mean of an exponential process, range 40 m: 3.1 in 200 m, 5.6 in 400 m, 10.5 in 800 m.
    #[test]
    fn a_length_holds_few_independent_observations() {
        for (length, expected) in [(200.0, 3.1), (400.0, 5.6), (800.0, 10.5)] {
            assert!((effective_number(length, 40.0) - expected).abs() < 0.06, "{length}");
        }
    }

    #[test]
    fn with_one_treatment_and_equal_lengths_it_is_the_paired_t_test() {
        let values = [4.1, 6.3, -1.2, 5.5, 2.8, 7.0];
        let all: Vec<_> = values.iter().enumerate().map(|(b, &value)| difference(b, "band", None, 20, value)).collect();
        let settings = ModelSettings::default();
        let table = Table::new(&all, &settings, 60.0, false);
        let expected = paired_t(&values).unwrap();
        for method in [Table::mixed as Method, Table::cluster_robust] {
            let found = table.by(method, &settings);
            let one = found.values().next().unwrap();
            assert!((one.mean.unwrap() - expected.mean).abs() < 1e-9);
            assert!((one.std_error.unwrap() / expected.se - 1.0).abs() < 1e-6, "{one:?}");
            assert!((one.df.unwrap() - 5.0).abs() < 1e-6 && (one.p_value.unwrap() - expected.p).abs() < 1e-6);
        }
        // 2 of the 64 layouts on each side are as far from 0
        let flipped = table.sign_flip(&settings);
        assert!((flipped.values().next().unwrap().p_value.unwrap() - 0.0625).abs() < 1e-12);
    }

    #[test]
    fn treatments_that_share_a_check_share_its_error() {
        // a deviation of the check in each block moves both differences
        let checks = [3.0, -2.0, 0.5, -1.5];
        let mut all = Vec::new();
        for (block, check) in checks.iter().enumerate() {
            let own = 0.1 * block as f64;
            all.push(difference(block, "high", None, 20, 5.0 - check + own));
            all.push(difference(block, "low", None, 20, 2.0 - check - own));
        }
        let settings = ModelSettings::default();
        let answer = Table::new(&all, &settings, 60.0, false).mixed().unwrap();
        let (high, between) = (answer(&[1.0, 0.0], 3.0).unwrap(), answer(&[1.0, -1.0], 3.0).unwrap());
        assert!(between.se < 0.3 * high.se, "the check cancels: {between:?} {high:?}");
        assert!((between.estimate - 3.3).abs() < 1e-9);
    }

    #[test]
    fn differences_without_spread_or_in_one_block_give_no_number() {
        let settings = ModelSettings::default();
        let same: Vec<_> = (0..4).map(|block| difference(block, "band", None, 20, 3.0)).collect();
        let table = Table::new(&same, &settings, 60.0, false);
        assert!(table.by(Table::mixed, &settings).values().all(|one| one.std_error.is_none()));
        assert!(table.by(Table::cluster_robust, &settings).values().all(|one| one.std_error.is_none()));
        assert!(Table::new(&same[..1], &settings, 60.0, false).cells.is_empty());
    }
}
