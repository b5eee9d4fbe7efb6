//! The response piece by piece along the treated strips, with what is not known of it.
//!
//! Beside the response by soil class a treatment's response may vary over the ground for reasons that no map tells. Single differences
//! between a piece and the check beside it scatter far more than that; here the variation is a smooth process along and between the
//! strips, shared in part by the treatments, under the covariance that the response model found, averaged over how much it varies and how far it
//! reaches by what the yields say of both.

use std::collections::BTreeMap;

use super::design::Design;
use super::field::KnownField;
use super::trial::{Row, Trial};
use crate::results::{FieldModel, LocalPiece, LocalResponse};
use crate::stats::StatsError;
use crate::stats::dense::Mat;
use crate::stats::distribution::StudentT;
use crate::stats::field::Lists;

/// Standard deviations of the response over the ground that are tried, by the yield of the check, and their lognormal prior: median and
/// standard deviation of the logarithm (ours). No variation at all is not believed: intervals piece by piece are then too wide where
/// there is none (95 % in place of 90), and less too narrow where there is much (benches/coverage.rs).
const SDS: [f64; 5] = [0.01, 0.02, 0.035, 0.06, 0.1];
const SD_PRIOR: (f64, f64) = (0.03, 0.8);
/// Ranges of the exponential correlation of that variation that are tried, m, believed equally (ours).
const RANGES_M: [f64; 2] = [40.0, 120.0];
/// Multiples of the nugget's standard deviation: what varies is no nugget, which the response model could not tell.
const NUGGETS: [f64; 2] = [1.0, 0.75];
/// Distance of the knots along a strip, in lengths of a segment, and the most of them that a trial has; beyond, they lie farther apart.
const KNOT_SEGMENTS: f64 = 2.0;
const MOST_KNOTS: f64 = 200.0;
/// Correlation of the deviations of two treatments on the same ground (ours).
const SHARED: f64 = 0.8;
/// What is less likely than this is left out.
const UNLIKELY: f64 = 1e-3;
/// Pieces are reported to a tenth of this, kg/ha.
const STEPS_PER_KG_HA: f64 = 10.0;

/// The knots: along each treated strip, with linear change between them.
struct Knots {
    step_m: f64,
    /// By strip: place along it of its first knot, number of that knot, and how many it has.
    of_strip: BTreeMap<usize, (f64, usize, usize)>,
    /// Places across and along, m, and the treatment there.
    places: Vec<(f64, f64, usize)>,
}

impl Knots {
    fn new(trial: &Trial<'_>) -> Self {
        let mut spans: BTreeMap<(usize, usize), (f64, f64, f64, f64)> = BTreeMap::new();
        for row in &trial.rows {
            let Some(side) = row.side().filter(|side| side.treatment > 0) else { continue };
            let span =
                spans.entry((side.strip, side.treatment)).or_insert((f64::INFINITY, f64::NEG_INFINITY, 0.0, 0.0));
            *span = (span.0.min(row.along_m), span.1.max(row.along_m), span.2 + row.across_m, span.3 + 1.0);
        }
        let length: f64 = spans.values().map(|span| span.1 - span.0).sum();
        let step_m = (KNOT_SEGMENTS * trial.segment_length_m).max(length / MOST_KNOTS);
        let mut knots = Self { step_m, of_strip: BTreeMap::new(), places: Vec::new() };
        for ((strip, treatment), (low, high, across, rows)) in spans {
            let count = ((high - low) / step_m).ceil() as usize + 1;
            knots.of_strip.insert(strip, (low, knots.places.len(), count));
            knots.places.extend((0..count).map(|at| (across / rows, low + at as f64 * step_m, treatment)));
        }
        knots
    }

    /// The knots of a treated strip about a row, with their weights; none of a strip that no pass lies on alone.
    fn about(&self, row: &Row, strip: usize) -> Option<[(usize, f64); 2]> {
        let (low, first, count) = *self.of_strip.get(&strip)?;
        let place = ((row.along_m - low) / self.step_m).max(0.0);
        let before = (place as usize).min(count - 1);
        let share = if before + 1 < count { place - before as f64 } else { 0.0 };
        Some([(first + before, 1.0 - share), (first + (before + 1).min(count - 1), share)])
    }

    fn correlation(&self, range_m: f64) -> Mat<f64> {
        let count = self.places.len();
        Mat::from_fn(count, count, |i, j| {
            let ((x, y, treatment), (other_x, other_y, other)) = (self.places[i], self.places[j]);
            let shared = if treatment == other { 1.0 } else { SHARED };
            shared * (-(x - other_x).hypot(y - other_y) / range_m).exp()
        })
    }
}

/// The responses on each treated segment, by treatment, with intervals of some confidence; `field` is known
/// under `model`, `level_kg_ha` is the yield of the check.
///
/// # Errors
/// A covariance that cannot be factored.
pub(super) fn responses(
    trial: &Trial<'_>,
    design: &Design,
    (field, model): (&KnownField, &FieldModel),
    (level_kg_ha, confidence): (f64, f64),
) -> Result<Vec<LocalResponse>, StatsError> {
    let knots = Knots::new(trial);
    let parts = design.response_of_rows();
    // by row the knots that count there
    let mut basis = Lists::default();
    let mut segments: BTreeMap<usize, (f64, Vec<usize>)> = BTreeMap::new();
    for (at, row) in trial.rows.iter().enumerate() {
        let treated = row.sides.iter().filter(|side| side.treatment > 0);
        let shared = treated.flat_map(|side| {
            let about = knots.about(row, side.strip).into_iter().flatten();
            about.map(move |(knot, weight)| (knot as u32, side.share * weight))
        });
        basis.push(shared.filter(|(_, weight)| *weight > 0.0));
        if let Some(segment) = row.segment.filter(|_| row.treatment() != Some(0)) {
            let (area, rows) = segments.entry(segment).or_default();
            *area += row.area_m2;
            rows.push(at);
        }
    }
    // weights of the effects in the response of each segment
    let (mut of_fixed, mut of_basis) =
        (Mat::zeros(segments.len(), parts.ncols()), Mat::<f64>::zeros(segments.len(), knots.places.len()));
    for (i, (area, rows)) in segments.values().enumerate() {
        for (at, share) in rows.iter().map(|&at| (at, trial.rows[at].area_m2 / area)) {
            (0..parts.ncols()).for_each(|j| of_fixed[(i, j)] += share * parts[(at, j)]);
            basis.get(at).iter().for_each(|&(knot, weight)| of_basis[(i, knot as usize)] += share * weight);
        }
    }
    let mut tried = Vec::new();
    for share in NUGGETS {
        let model = FieldModel { nugget_sd: share * model.nugget_sd, ..*model };
        let varying = field.under(&model)?.varying((&basis, knots.places.len()), &model)?;
        for range_m in RANGES_M {
            let correlated = varying.correlated(knots.correlation(range_m).as_ref())?;
            for share in SDS {
                let varied = correlated.given(share * level_kg_ha)?;
                let (median, ln_sd) = SD_PRIOR;
                let prior = -0.5 * ((share / median).ln() / ln_sd).powi(2);
                tried.push((prior + varied.ln_evidence, share * level_kg_ha, varied));
            }
        }
    }
    let top = tried.iter().map(|one| one.0).fold(f64::NEG_INFINITY, f64::max);
    tried.retain(|one| one.0 > top + UNLIKELY.ln());
    let total: f64 = tried.iter().map(|one| (one.0 - top).exp()).sum();
    let mut moments = vec![(0.0, 0.0); segments.len()];
    let mut between_sd = 0.0;
    for (level, sd, varied) in &tried {
        let weight = (level - top).exp() / total;
        between_sd += weight * sd;
        for (sums, (mean, variance)) in moments.iter_mut().zip(varied.sums(of_fixed.as_ref(), of_basis.as_ref())) {
            *sums = (sums.0 + weight * mean, sums.1 + weight * (variance + mean * mean));
        }
    }
    let deviations = StudentT::new(f64::INFINITY)?.quantile(0.5 + 0.5 * confidence)?;
    let told = |value: f64| (STEPS_PER_KG_HA * value).round() / STEPS_PER_KG_HA;
    let mut all: Vec<LocalResponse> = trial.treatments[1..]
        .iter()
        .map(|key| LocalResponse { treatment: (*key).to_owned(), between_sd: told(between_sd), pieces: Vec::new() })
        .collect();
    for ((&segment, (area_m2, rows)), (mean, square)) in segments.iter().zip(moments) {
        let std_error = (square - mean * mean).max(0.0).sqrt();
        all[trial.rows[rows[0]].sides.first.treatment - 1].pieces.push(LocalPiece {
            segment,
            area_m2: told(*area_m2),
            mean: told(mean),
            std_error: told(std_error),
            low: told(mean - deviations * std_error),
            high: told(mean + deviations * std_error),
        });
    }
    Ok(all)
}
