//! Observed: what was seen in the field, joined to strips, blocks and soil, treated against check.
//!
//! Plants stand in spots, spots in strips, strips in blocks; the treatment was given to strips. Whatever was seen on the strips of one
//! treatment in one block comes to one figure, so that the block is the replicate, as it is for the yield.

mod model;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};

use thiserror::Error;

use crate::config::ArchiveSettings;
use crate::geometry::PolygonIndex;
use crate::points::{Caution, Cautions, Joined, Labels, Measure, Observation, Scale};
use crate::results::{Blind, Estimate, ObservedDifference};
use model::{Pair, Told};

/// Version of this stage's results: part of the fingerprint of a site-year that has observations.
pub const VERSION: u32 = 2;

/// Blocks below which no decision should rest on an interval (common practice, no source).
const FEW_BLOCKS: usize = 4;

/// An observation that belongs to no strip of the site-year.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum ObservedError {
    /// Its strip is not known.
    #[error("{file}: row {row}, column `{column}`: found `{found}`, expected a strip of the field: {known}")]
    UnknownStrip {
        /// The file.
        file: String,
        /// Row, the first data row being 1.
        row: usize,
        /// The column of the strips.
        column: String,
        /// The name found.
        found: String,
        /// The strips of the field.
        known: String,
    },
    /// It has a position, but the strips have none.
    #[error(
        "{file}: row {row}: has a position, but the strips are given by labels; expected a column of strips in [observed.columns]"
    )]
    NoGround {
        /// The file.
        file: String,
        /// Row, the first data row being 1.
        row: usize,
    },
}

/// Treated minus check in every measure, by treatment: over the whole field, then by soil class.
///
/// # Errors
/// [`ObservedError`] for the first observation that belongs to no strip that is known.
pub fn run(
    measures: &[Measure],
    joined: &Joined,
    archive: &ArchiveSettings,
) -> Result<Vec<ObservedDifference>, ObservedError> {
    let Some(check) = archive.check() else { return Ok(Vec::new()) };
    let places = Places::new(joined);
    let mut all = Vec::new();
    for measure in measures {
        let joins: Vec<(&Observation, Option<usize>)> = measure
            .observations
            .iter()
            .map(|one| Ok((one, places.strip(one, measure.strip_column.as_deref())?)))
            .collect::<Result<_, _>>()?;
        let seen: Vec<Seen<'_>> = joins
            .iter()
            .filter_map(|(one, strip)| Some(Seen { one, strip: (*strip)?, class: places.class(one, (*strip)?) }))
            .collect();
        let off = joins.len() - seen.len();
        for treatment in archive.treatments.iter().filter(|one| !one.check) {
            let stands = joined.assigned.strips.iter().any(|strip| strip.treatment == treatment.key);
            if !stands {
                continue;
            }
            let case = Case { measure, seen: &seen, joined, check: &check.key, treated: &treatment.key, archive };
            let mut whole = case.tell(None);
            if off > 0 {
                whole.cautions.add(Caution::ObservedOffStrips, format!("{off} of {}", joins.len()));
            }
            all.push(whole);
            let classes: BTreeSet<usize> = seen.iter().filter_map(|one| one.class).collect();
            all.extend(classes.into_iter().map(|class| case.tell(Some(class))).filter(|told| told.blocks > 0));
        }
    }
    Ok(all)
}

/// A check and a treated photograph of one block.
#[derive(Debug, Clone, Copy)]
pub struct PhotoPair<'p> {
    /// What was looked at.
    pub measure: &'p Measure,
    /// Key of the treatment.
    pub treatment: &'p str,
    /// The block.
    pub block: &'p str,
    /// Of the check.
    pub check: &'p Observation,
    /// Of the treated.
    pub treated: &'p Observation,
}

/// By measure and treatment the first block in which both have a photograph, and the first of each there.
pub fn photo_pairs<'p>(
    measures: &'p [Measure],
    joined: &'p Joined,
    archive: &'p ArchiveSettings,
) -> Vec<PhotoPair<'p>> {
    let Some(check) = archive.check() else { return Vec::new() };
    let places = Places::new(joined);
    let mut pairs = Vec::new();
    for measure in measures {
        // the first photograph by block and treatment
        let mut first: BTreeMap<(&str, &str), &Observation> = BTreeMap::new();
        for one in measure.observations.iter().filter(|one| one.photo.is_some()) {
            let Ok(Some(at)) = places.strip(one, measure.strip_column.as_deref()) else { continue };
            let strip = &joined.assigned.strips[at];
            first.entry((strip.block.as_str(), strip.treatment.as_str())).or_insert(one);
        }
        for treatment in archive.treatments.iter().filter(|one| !one.check) {
            let pair =
                first.iter().filter(|((_, key), _)| *key == treatment.key).find_map(|((block, key), treated)| {
                    let check = first.get(&(*block, check.key.as_str()))?;
                    Some(PhotoPair { measure, treatment: key, block, check, treated })
                });
            pairs.extend(pair);
        }
    }
    pairs
}

/// The strips and segments that observations are joined to.
struct Places<'j> {
    joined: &'j Joined,
    by_name: BTreeMap<&'j str, usize>,
    grounds: Option<PolygonIndex>,
}

impl<'j> Places<'j> {
    fn new(joined: &'j Joined) -> Self {
        let strips = &joined.assigned.strips;
        let grounds: Option<Vec<_>> = strips.iter().map(|strip| strip.ground.clone()).collect();
        Self {
            joined,
            by_name: strips.iter().enumerate().map(|(at, strip)| (strip.name.as_str(), at)).collect(),
            grounds: grounds.map(PolygonIndex::new),
        }
    }

    /// By its name, else by its position; `None` on no strip.
    fn strip(&self, one: &Observation, column: Option<&str>) -> Result<Option<usize>, ObservedError> {
        if let Some(name) = &one.strip {
            let known = || self.by_name.keys().copied().collect::<Vec<_>>().join(", ");
            return self.by_name.get(name.as_str()).map(|at| Some(*at)).ok_or_else(|| ObservedError::UnknownStrip {
                file: one.file.clone(),
                row: one.row,
                column: column.unwrap_or_default().to_owned(),
                found: name.clone(),
                known: known(),
            });
        }
        let fault = || ObservedError::NoGround { file: one.file.clone(), row: one.row };
        let grounds = self.grounds.as_ref().ok_or_else(fault)?;
        Ok(one.place_m.and_then(|(x, y)| grounds.locate(x, y)).map(|at| at as usize))
    }

    /// The class of the nearest segment of its strip, where it has a position.
    fn class(&self, one: &Observation, strip: usize) -> Option<usize> {
        let (x, y) = one.place_m?;
        let segments = self.joined.assigned.segments.iter().enumerate();
        let of_strip = segments.filter(|(_, segment)| segment.strip as usize == strip);
        let away = |at: usize| {
            let segment = &self.joined.assigned.segments[at];
            (segment.x_m - x).hypot(segment.y_m - y)
        };
        let nearest = of_strip.map(|(at, _)| at).min_by(|&a, &b| away(a).total_cmp(&away(b)))?;
        Some(self.joined.segment_class[nearest]).filter(|class| *class != Labels::NONE).map(|class| class as usize)
    }
}

/// An observation on its strip.
struct Seen<'s> {
    one: &'s Observation,
    strip: usize,
    class: Option<usize>,
}

/// One treatment against the check in one measure.
struct Case<'c> {
    measure: &'c Measure,
    seen: &'c [Seen<'c>],
    joined: &'c Joined,
    check: &'c str,
    treated: &'c str,
    archive: &'c ArchiveSettings,
}

impl Case<'_> {
    fn tell(&self, class: Option<usize>) -> ObservedDifference {
        let strips = &self.joined.assigned.strips;
        let mut blocks: BTreeMap<&str, [Vec<&Seen<'_>>; 2]> = BTreeMap::new();
        for seen in self.seen.iter().filter(|seen| class.is_none() || seen.class == class) {
            let strip = &strips[seen.strip];
            let side = [self.check, self.treated].iter().position(|key| *key == strip.treatment);
            let Some(side) = side else { continue };
            blocks.entry(strip.block.as_str()).or_default()[side].push(seen);
        }
        blocks.retain(|_, sides| sides.iter().all(|side| !side.is_empty()));
        let used: Vec<&Seen<'_>> = blocks.values().flatten().flatten().copied().collect();
        let mut spots: BTreeMap<(usize, &str), usize> = BTreeMap::new();
        for seen in &used {
            let next = spots.len();
            spots.entry((seen.strip, seen.one.spot.as_deref().unwrap_or_default())).or_insert(next);
        }
        let has_spots = used.iter().any(|seen| seen.one.spot.is_some());
        let pairs: Vec<Pair> = blocks
            .values()
            .map(|sides| {
                let [check, treated] = [0, 1].map(|side: usize| {
                    let rows = sides[side].iter();
                    rows.map(|seen| {
                        let spot = (seen.strip, seen.one.spot.as_deref().unwrap_or_default());
                        (seen.one.value, has_spots.then(|| spots[&spot]))
                    })
                    .collect()
                });
                Pair { check, treated }
            })
            .collect();
        let mut cautions = Cautions::default();
        let told = self.model(&pairs, &mut cautions);
        let level = |side: usize| {
            let values: Vec<f64> = blocks.values().flat_map(|sides| &sides[side]).map(|seen| seen.one.value).collect();
            let of = |value: f64| match self.measure.scale {
                Scale::Ordinal(_) => {
                    if value > 0.0 {
                        100.0
                    } else {
                        0.0
                    }
                }
                _ => value,
            };
            (!values.is_empty()).then(|| values.iter().map(|value| of(*value)).sum::<f64>() / values.len() as f64)
        };
        let plants: BTreeSet<(usize, Option<&str>, &str, usize)> = used
            .iter()
            .map(|seen| match &seen.one.plant {
                Some(plant) => (seen.strip, seen.one.spot.as_deref(), plant.as_str(), 0),
                None => (seen.strip, None, seen.one.file.as_str(), seen.one.row),
            })
            .collect();
        let blind = blind(&used);
        if !used.is_empty() && blind != Blind::Yes {
            cautions.add(Caution::ObservedNotBlind, "");
        }
        let observers: BTreeSet<&String> = used.iter().filter_map(|seen| seen.one.observer.as_ref()).collect();
        let days: BTreeSet<&String> = used.iter().filter_map(|seen| seen.one.day.as_ref()).collect();
        ObservedDifference {
            measure: self.measure.name.clone(),
            scale: self.measure.scale.clone(),
            treatment: self.treated.to_owned(),
            class,
            class_name: class.map_or_else(|| "all".to_owned(), |class| self.joined.classes[class].clone()),
            blocks: pairs.len(),
            strips: used.iter().map(|seen| seen.strip).collect::<BTreeSet<_>>().len(),
            spots: if has_spots { spots.len() } else { used.len() },
            plants: plants.len(),
            check: level(0),
            treated: level(1),
            estimate: told.estimate,
            difference: told.difference,
            low: told.interval.map(|ends| ends.0),
            high: told.interval.map(|ends| ends.1),
            observers: observers.into_iter().cloned().collect(),
            blind,
            days: days.first().zip(days.last()).map(|(first, last)| ((*first).clone(), (*last).clone())),
            cautions,
        }
    }

    fn model(&self, pairs: &[Pair], cautions: &mut Cautions) -> Told {
        let none = Told { estimate: Estimate::default(), difference: None, interval: None };
        if pairs.is_empty() {
            cautions.add(Caution::NotEstimable, "no block has observations of both");
            return none;
        }
        let confidence = self.archive.model.confidence;
        let told = match &self.measure.scale {
            Scale::Count => model::counts(pairs, confidence),
            Scale::Percent => model::percent(pairs, confidence),
            Scale::Ordinal(levels) => model::ordinal(pairs, levels.len(), confidence),
        };
        match pairs.len() {
            1 => cautions.add(Caution::Unreplicated, ""),
            blocks if blocks < FEW_BLOCKS => cautions.add(Caution::FewBlocks, ""),
            _ => {}
        }
        if pairs.len() > 1 && told.as_ref().is_ok_and(|told| told.interval.is_none()) {
            cautions.add(Caution::NotEstimable, "no interval: the blocks do not vary");
        }
        told.unwrap_or_else(|why| {
            cautions.add(Caution::NotEstimable, why);
            none
        })
    }
}

fn blind(used: &[&Seen<'_>]) -> Blind {
    let count = |asked: Option<bool>| used.iter().filter(|seen| seen.one.blind == asked).count();
    match (count(Some(true)), count(Some(false))) {
        (0, 0) => Blind::Unknown,
        (yes, _) if yes == used.len() => Blind::Yes,
        (0, _) => Blind::No,
        _ => Blind::Partly,
    }
}
