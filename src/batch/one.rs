//! One site-year from its files in memory to its result.

use std::collections::BTreeMap;

use geo::MinimumRotatedRect;

use super::sensitivity::{doubt_unconfirmed, sensitivity};
use crate::assign::{AssignError, Standing};
use crate::config::{ArchiveSettings, CleanSettings, CropSettings, FieldSettings, ModelSettings};
use crate::economics::price_response;
use crate::fit;
use crate::geometry::{Crs, Projector};
use crate::ingest::IngestError;
use crate::points::{Caution, Cautions, Cleaned, Ingested, Joined, Labels, Mark, Source, Strip};
use crate::quantity::factor::M2_PER_HA;
use crate::report::{Provenance, SiteYearCase};
use crate::results::{Counts, Response, Returns, SegmentDifference, SiteYear, SiteYearIdentity};
use crate::stats::robust;
use crate::{clean, join};

/// A site-year with its points, for the reports.
#[derive(Debug, Clone)]
pub struct Analysed {
    /// Points and segments.
    pub joined: Joined,
    /// Treated minus check along the strips.
    pub differences: Vec<SegmentDifference>,
    /// The result.
    pub result: SiteYear,
}

impl Analysed {
    /// What the reports are made of.
    pub fn case<'c>(
        &'c self,
        ingested: &'c Ingested,
        archive: &'c ArchiveSettings,
        provenance: &'c Provenance,
    ) -> SiteYearCase<'c> {
        let Self { joined, differences, result } = self;
        SiteYearCase { ingested, joined, differences, result, archive, provenance }
    }
}

/// Runs clean, assign, join and fit, prices the responses, and repeats the answer under variants of the analysis.
///
/// # Errors
/// A fault that spoils the site-year as a whole, as text.
pub fn analyse(
    ingested: &Ingested,
    field: &FieldSettings,
    archive: &ArchiveSettings,
    folder: &str,
) -> Result<Analysed, String> {
    let mut analysed = SiteYearWork::new(ingested, field, archive, None)?.analyse(folder)?;
    price(&mut analysed.result.responses, field, archive);
    Ok(analysed)
}

/// A site-year on its way: what its variants share.
pub(super) struct SiteYearWork<'c> {
    pub(super) ingested: &'c Ingested,
    pub(super) field: &'c FieldSettings,
    pub(super) archive: &'c ArchiveSettings,
    pub(super) tracked: clean::Tracked,
}

/// Where records stand: on which strips, over which soils.
pub(super) struct Place {
    on_strips: Standing,
    ground: join::Ground,
}

impl<'c> SiteYearWork<'c> {
    /// Finds the tracks, passes and lags, or takes those of the lags that are known.
    ///
    /// # Errors
    /// Records without grain.
    pub(super) fn new(
        ingested: &'c Ingested,
        field: &'c FieldSettings,
        archive: &'c ArchiveSettings,
        known: Option<&clean::KnownLags>,
    ) -> Result<Self, String> {
        if !ingested.records.mass_kg.iter().any(|&mass| mass > 0.0) {
            return Err("no grain was recorded: the flow is zero or missing throughout".to_owned());
        }
        let tracked = clean::track(ingested, &archive.clean, archive.model.seed, known);
        Ok(Self { ingested, field, archive, tracked })
    }

    /// All that follows but the prices, see [`analyse`].
    pub(super) fn analyse(self, folder: &str) -> Result<Analysed, String> {
        let Self { ingested, field, archive, .. } = self;
        let placed = self.place(0.0);
        let cleaned = self.judge(placed.clone(), &archive.clean);
        let place_of_records = self.place_of(&cleaned).map_err(|error| error.to_string())?;
        let mut joined = self.join(cleaned, &place_of_records, &archive.model);
        if !(0..joined.assigned.cleaned.len()).any(|at| joined.assigned.cleaned.is_kept(at)) {
            let cleaned = &joined.assigned.cleaned;
            let (most, count) =
                cleaned.removals().into_iter().max_by_key(|&(_, count)| count).unwrap_or((Mark::NoPosition, 0));
            return Err(format!(
                "no record can be used: of {} records {count} are marked `{}` ({})",
                cleaned.len(),
                most.code(),
                most.text()
            ));
        }
        let fitted = fit::run(&joined, archive);
        let sensitivity = sensitivity(&self, placed, &place_of_records, &joined, &fitted);
        let mut fit = fitted.fit;
        doubt_unconfirmed(&mut fit.responses, &sensitivity);
        if !fit.class_probability.is_empty() {
            joined.segment_class_probability = std::mem::take(&mut fit.class_probability);
        }
        let cleaned = &joined.assigned.cleaned;
        let mut cautions = Cautions::default();
        for part in [&ingested.cautions, &cleaned.cautions, &joined.assigned.cautions, &joined.cautions, &fit.cautions]
        {
            cautions.extend(part);
        }
        let observed = crate::observed::run(&ingested.observed, &joined, archive).map_err(|error| error.to_string())?;
        let mapped_only = field.strips.is_none();
        if !mapped_only && fit.responses.is_empty() {
            cautions.add(Caution::NotEstimable, "no treated strip faces a check strip");
        }
        let result = SiteYear {
            identity: SiteYearIdentity {
                season: field.season,
                farm: field.farm.clone(),
                field: field.field.clone(),
                crop: field.crop.clone(),
            },
            folder: folder.to_owned(),
            place_deg: middle_deg(&joined).map_err(|error| error.to_string())?,
            last_day: last_day(cleaned),
            epsg: cleaned.records.epsg,
            wetness_mm: joined.wetness_mm,
            wetness_class: joined.wetness_class.clone(),
            counts: counts(&joined),
            removal_by_treatment: std::mem::take(&mut fit.removal_by_treatment),
            cleaning: cleaned.facts.clone(),
            design: (!mapped_only).then(|| joined.assigned.design.clone()),
            class_area_m2: class_areas(&joined),
            soil_zone: ingested
                .soils
                .iter()
                .map(|soil| soil.class.map(|class| archive.soil.zone_of_class[class]))
                .collect(),
            responses: fit.responses,
            differences: fit.differences,
            variance: fit.variance,
            field_model: fit.field_model,
            supplement: fit.supplement,
            local: fit.local,
            sensitivity,
            observed,
            covariates: fit::covariates(&joined, archive),
            cautions,
        };
        let differences = fit::segment_differences(&joined, archive);
        Ok(Analysed { joined, differences, result })
    }

    fn crop(&self) -> &CropSettings {
        &self.archive.crops[&self.field.crop]
    }

    /// Places the records, the lags moved by `shift_s`.
    pub(super) fn place(&self, shift_s: f64) -> clean::Placed {
        clean::place(&self.tracked, self.ingested, self.crop(), &self.archive.clean, shift_s)
    }

    /// Judges the yields of placed records; of the settings the rules on yields count.
    pub(super) fn judge(&self, placed: clean::Placed, settings: &CleanSettings) -> Cleaned {
        clean::judge_yields(&self.tracked, placed, self.ingested, self.crop(), settings)
    }

    /// The same without the rules on yields.
    pub(super) fn without_yield_rules(&self, placed: clean::Placed) -> Cleaned {
        self.judge(placed, &self.archive.clean.without_yield_rules())
    }

    /// The records with the lags moved by `shift_s`. Those that the rules on yields removed from the `answer` stay removed, so
    /// that the place of the grain is what changes.
    pub(super) fn moved(&self, shift_s: f64, answer: &Cleaned) -> Cleaned {
        let mut moved = self.without_yield_rules(self.place(shift_s));
        for (mark, of_answer) in moved.mark.iter_mut().zip(&answer.mark) {
            if mark.is_empty() && of_answer.first().is_some_and(Mark::looks_at_yields) {
                *mark = *of_answer;
            }
        }
        moved
    }

    /// Where the records stand.
    pub(super) fn place_of(&self, cleaned: &Cleaned) -> Result<Place, AssignError> {
        Ok(Place {
            on_strips: Standing::new(cleaned, self.ingested, self.field)?,
            ground: join::Ground::new(cleaned, self.ingested, self.archive),
        })
    }

    /// Assigns the records to the strips, and joins soils and weather.
    pub(super) fn join(&self, cleaned: Cleaned, place: &Place, model: &ModelSettings) -> Joined {
        place.ground.join(place.on_strips.assign(cleaned, model), self.ingested, self.archive)
    }
}

/// Tells what the responses are worth at the prices of their season.
pub(super) fn price(responses: &mut [Response], field: &FieldSettings, archive: &ArchiveSettings) {
    let crop = archive.crops[&field.crop].in_season(field.season);
    for response in responses {
        response.returns = Returns::default();
        if let Some(treatment) = archive.treatment(&response.key.treatment) {
            price_response(response, &crop, &treatment.in_season(field.season));
        }
    }
}

fn counts(joined: &Joined) -> Counts {
    let cleaned = &joined.assigned.cleaned;
    let (mut mass, mut dry, mut area, mut kept) = (0.0, 0.0, 0.0, 0);
    let (mut strips_m2, mut straddling_m2) = (0.0, 0.0);
    for at in 0..cleaned.len() {
        let wet = cleaned.mass_flow_kg_s[at] * cleaned.records.interval_s[at];
        mass += if wet.is_finite() { wet } else { 0.0 };
        if cleaned.is_kept(at) {
            kept += 1;
            area += cleaned.area_m2[at];
            dry += cleaned.dry_mass_kg(at);
            if joined.assigned.strip[at] != Labels::NONE {
                strips_m2 += cleaned.area_m2[at];
                if joined.assigned.straddles.get(at) == Some(&true) {
                    straddling_m2 += cleaned.area_m2[at];
                }
            }
        }
    }
    Counts {
        read: cleaned.len() + cleaned.records.copies.len(),
        kept,
        removed: cleaned.removals().into_iter().collect::<BTreeMap<_, _>>(),
        wet_mass_kg: mass,
        kept_area_m2: area,
        strips_m2,
        straddling_m2,
        strip_width_m: strip_width_m(&joined.assigned.strips),
        mean_yield_kg_ha: (area > 0.0).then(|| dry / area * M2_PER_HA),
    }
}

/// The usual width of the strips, m: the median of the shorter sides of the smallest rectangles around them.
fn strip_width_m(strips: &[Strip]) -> Option<f64> {
    let widths = strips.iter().filter_map(|strip| {
        let around = strip.ground.as_ref()?.minimum_rotated_rect()?;
        let sides = around.exterior().lines().take(2).map(|side| side.dx().hypot(side.dy()));
        sides.reduce(f64::min)
    });
    robust::median_in_place(&mut widths.collect::<Vec<f64>>()).ok()
}

/// Area of the kept records by class.
fn class_areas(joined: &Joined) -> Vec<f64> {
    let mut areas = vec![0.0; joined.classes.len()];
    for (at, &class) in joined.point_class.iter().enumerate() {
        if class != Labels::NONE && joined.assigned.cleaned.is_kept(at) {
            areas[class as usize] += joined.assigned.cleaned.area_m2[at];
        }
    }
    areas
}

/// The day of the last record.
fn last_day(cleaned: &Cleaned) -> Option<String> {
    let times = cleaned.records.channels.time.then_some(&cleaned.records.time_s)?;
    let last = times.iter().copied().filter(|time| time.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    Some(chrono::DateTime::from_timestamp(last as i64, 0)?.format("%Y-%m-%d").to_string())
}

/// Middle of the records, degrees.
fn middle_deg(joined: &Joined) -> Result<(f64, f64), IngestError> {
    let cleaned = &joined.assigned.cleaned;
    let middle = |values: &[f64]| {
        let known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
        robust::median(&known).unwrap_or(f64::NAN)
    };
    let fault = |error: crate::geometry::CrsError| IngestError::Contradiction(error.to_string());
    let utm = Crs::from_epsg(cleaned.records.epsg).map_err(fault)?;
    let projector = Projector::new(&utm, &Crs::wgs84()).map_err(fault)?;
    let place = projector.convert_point(middle(&cleaned.x_m), middle(&cleaned.y_m)).map_err(fault)?;
    place.ok_or_else(|| IngestError::Contradiction("the records lie off the map".to_owned()))
}

/// Whether every lag was estimated or configured, none assumed.
pub(super) fn lags_known(result: &SiteYear) -> bool {
    result.cleaning.machines.values().all(|facts| facts.lag_s.source != Source::Assumed)
}
