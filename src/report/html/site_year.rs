//! `report.html`: the grower's page, and below it the specialist's.

use std::collections::BTreeSet;

use serde::Serialize;
use serde_json::{Map, Value, json};

use super::colour::{hex, of_mark, of_yield, stops};
use super::figures::intervals::{Look, Row};
use super::figures::panel::Panel;
use super::figures::soils::{Cell, Grounds, Soil};
use super::figures::{along, intervals, match_curve, range, soils};
use super::ground::MapGround;
use super::text::{
    decimals, doubts, doubts_in_words, interval, p_value, percent, probability, shown, signed, sourced, time_of_year,
};
use super::words::Words;
use super::{improve, map, raster, records, render, script_json};
use crate::config::ArchiveSettings;
use crate::points::{Cleaned, LagCurve};
use crate::report::units::{level, trimmed};
use crate::report::yield_grid::YieldGrid;
use crate::report::{
    Drawn, FIRST, Provenance, ReportError, SiteYearCase, Units, applied, covariates, observed, photos,
};
use crate::results::{Estimate, LocalResponse, Response, SignChanges, SiteYear};
use crate::stats::robust;

/// Shares of the yields between which the scale of colours runs.
const SCALE_ENDS: (f64, f64) = (0.02, 0.98);

/// Probability from which a stretch is said to have paid, or not to have (ours).
const SURELY: f64 = 0.8;

/// Side of a record on the map, as a share of the swath: neighbouring passes stay apart.
const STAMP_SHARE: f64 = 0.75;

/// What the page shows of the records: maps and figures, which no price changes.
pub(in crate::report) fn drawn(
    case: SiteYearCase<'_>,
    units: &Units,
    grid: Option<&YieldGrid>,
) -> Result<Drawn, ReportError> {
    let SiteYearCase { joined, result, archive, .. } = case;
    let tell = Tell { result, archive, units, decimals: decimals(units) };
    let ground = MapGround::of(case, units);
    let scale = grid.and_then(|grid| yield_scale(grid, units));
    let picture = match (grid, scale) {
        (Some(grid), Some((low, high))) => {
            Some(raster::picture(&grid.yields, |value| of_yield((units.yields(value) - low) / (high - low)))?)
        }
        _ => None,
    };
    let map_data = match (&ground, scale) {
        (Some(ground), Some(scale)) => Some(script_json(&map_data(case, ground, scale, units)?)?),
        _ => None,
    };
    let map = ground.as_ref().and_then(|ground| map::of_differences(ground, archive.model.segment_length_m, units));
    let mut drawn = json!({
        "difference_map": map,
        "lines_unsure": ground.as_ref().is_some_and(|ground| ground.line_error_m > 0.0),
        "picture": picture,
        "scale": scale.map(|ends| <[f64; 2]>::from(ends).map(|end| format!("{end:.0$}", tell.decimals))),
        "map_data": map_data,
        "curves": tell.curves(&joined.assigned.cleaned.lag_curves),
        "strips": ground.as_ref().map(|ground| tell.strips(case, ground)),
        "strip_names": ground.as_ref().map(|ground| tell.strip_names(ground)),
        "along": ground.as_ref().map(|ground| Tell::along(case, ground)),
    });
    if let Some(part) = applied::part(case.ingested, archive, units) {
        drawn["applied"] = part;
    }
    let pairs = crate::observed::photo_pairs(&case.ingested.observed, case.joined, archive);
    if let Some(part) = photos::part(case.ingested, &pairs, archive) {
        drawn["photos"] = part;
    }
    Ok(Drawn(drawn))
}

/// `report.html`.
pub(in crate::report) fn page(
    result: &SiteYear,
    archive: &ArchiveSettings,
    provenance: &Provenance,
    mut drawn: Drawn,
) -> Result<Vec<u8>, ReportError> {
    let units = &Units::new(archive, &result.identity.crop);
    let tell = Tell { result, archive, units, decimals: decimals(units) };
    let words = Words { result, archive, units, decimals: tell.decimals };
    let mut context = tell.heading();
    let map: Option<map::DifferenceMap> = serde_json::from_value(drawn.0["difference_map"].take())
        .map_err(|error| ReportError::new("report.html", error))?;
    let paid = tell.surely_paid();
    drawn.0["difference_map"] = map.map(|map| map.marked(|segment| paid.contains(&segment))).into();
    drawn.0["local"] = tell.local().into();
    if let Some(part) = covariates::part(result, archive, units) {
        context.insert("covariates".to_owned(), part);
    }
    if let Some(part) = observed::part(result, archive, units) {
        context.insert("observed".to_owned(), part);
    }
    for part in [
        drawn.0,
        json!({
            "headline": words.headline(),
            "verdicts": words.verdicts(),
            "grower_chart": tell.responses(true),
            "grounds": grounds(result, archive, units).iter().map(|panel| &panel.svg).collect::<Vec<_>>(),
            "improve": improve::of_site_year(result, units),
            "cautions": doubts_in_words(&result.doubts_of_the_answer(), archive),
            "yield_stops": stops(of_yield).join(","),
        }),
        tell.records(),
        tell.lag(),
        tell.classes(),
        json!({
            "provenance": {
                "version": env!("CARGO_PKG_VERSION"),
                "fingerprint": provenance.fingerprint,
                "stages": provenance.stages,
                "inputs": provenance.inputs,
                "epsg": result.epsg,
            },
            "settings": settings(result, archive)?,
        }),
    ] {
        if let Value::Object(part) = part {
            context.extend(part);
        }
    }
    render("report.html", "site_year.html", Value::Object(context))
}

/// The responses by ground, a panel for each treatment.
pub(super) fn grounds(result: &SiteYear, archive: &ArchiveSettings, units: &Units) -> Vec<Panel> {
    let treatments = result.responses.chunk_by(|one, next| one.key.treatment == next.key.treatment);
    let on_soils: Vec<Grounds> = treatments
        .map(|responses| {
            let whole_first = responses.iter().rev().take(1).chain(responses.iter().take(responses.len() - 1));
            let soils = whole_first.map(|response| {
                let estimate = units.estimate(&response.estimate);
                let (whole, mean) = (response.key.class.is_none(), estimate.mean);
                Soil {
                    name: if whole { "whole field".to_owned() } else { response.class_name.clone() },
                    cells: vec![Cell {
                        wetness: mean.map_or_else(String::new, |mean| signed(mean, decimals(units))),
                        mean,
                        interval: estimate.low.zip(estimate.high),
                    }],
                }
            });
            let pays = responses.iter().filter(|one| one.key.class.is_none()).find_map(|one| one.returns.break_even);
            Grounds {
                title: archive.label(&responses[0].key.treatment).to_owned(),
                soils: soils.collect(),
                break_even: pays.map(|kg_ha| units.yields(kg_ha)),
            }
        })
        .collect();
    soils::draw(&on_soils, units.yield_unit)
}

fn number(value: f64) -> String {
    trimmed(value, 3).replace('-', "−")
}

/// The yields between which the colours run, in the report's unit.
fn yield_scale(grid: &YieldGrid, units: &Units) -> Option<(f64, f64)> {
    let mut values: Vec<f64> =
        grid.yields.iter().filter(|value| value.is_finite()).map(|&value| units.yields(f64::from(value))).collect();
    values.sort_by(f64::total_cmp);
    let low = robust::quantile_sorted(&values, SCALE_ENDS.0).ok()?;
    let high = robust::quantile_sorted(&values, SCALE_ENDS.1).ok()?;
    Some((low, if high > low { high } else { low + 1.0 }))
}

/// What the map of the records is drawn from.
fn map_data(
    case: SiteYearCase<'_>,
    ground: &MapGround,
    scale: (f64, f64),
    units: &Units,
) -> Result<Value, ReportError> {
    let crop = case.archive.crops.get(&case.result.identity.crop);
    let moisture = crop.map_or(f64::NAN, |crop| crop.market_moisture_pct);
    let removed = &case.result.counts.removed;
    Ok(json!({
        "width": ground.width_m,
        "height": ground.height_m,
        "unit": units.yield_unit,
        "decimals": decimals(units),
        "scale": [scale.0, scale.1],
        "colours": (0..256).map(|at| of_yield(f64::from(at) / 255.0)).collect::<Vec<_>>(),
        "marks": records::marks().map(|mark| json!({
            "code": mark.code(),
            "text": mark.text(),
            "colour": of_mark(mark),
            "points": removed.get(&mark).copied().unwrap_or(0),
        })).collect::<Vec<_>>(),
        "strips": ground.strips,
        "segments": ground.segments,
        "stamp_m": STAMP_SHARE * swath_m(&case.joined.assigned.cleaned),
        "segment_m": case.archive.model.segment_length_m,
        "soils": ground.soils,
        "classes": case.joined.classes,
        "records": records::pack(case.joined, ground, moisture, units)?,
    }))
}

/// The usual width that the kept records cut, m.
fn swath_m(cleaned: &Cleaned) -> f64 {
    let mut kept: Vec<f64> =
        (0..cleaned.len()).filter(|&at| cleaned.is_kept(at)).map(|at| cleaned.swath_m[at]).collect();
    robust::median_in_place(&mut kept).unwrap_or(5.0)
}

fn machines(result: &SiteYear) -> Vec<Value> {
    let machines = result.cleaning.machines.iter();
    machines
        .map(|(name, facts)| {
            json!({
                "name": name,
                "lag": sourced(&facts.lag_s, " s"),
                "moisture_lag": sourced(&facts.moisture_lag_s, " s"),
                "factor": sourced(&facts.machine_factor, ""),
                "gain": sourced(&facts.ticket_gain, ""),
            })
        })
        .collect()
}

fn removals(result: &SiteYear) -> Vec<Value> {
    let removed = result.counts.removed.iter().filter(|(_, points)| **points > 0);
    removed
        .map(|(mark, points)| {
            json!({
                "code": mark.code(),
                "text": mark.text(),
                "source": mark.rule().source,
                "colour": hex(of_mark(*mark)),
                "points": points,
                "share": percent(*points, result.counts.read),
            })
        })
        .collect()
}

/// The rules that did not run, with what each needs.
fn not_run(result: &SiteYear) -> Vec<Value> {
    let rules = result.cleaning.not_run.iter();
    rules.map(|mark| json!({ "code": mark.code(), "needs": mark.needs() })).collect()
}

fn settings(result: &SiteYear, archive: &ArchiveSettings) -> Result<String, ReportError> {
    let settings = json!({
        "clean": archive.clean,
        "model": archive.model,
        "crop": archive.crops.get(&result.identity.crop),
        "treatments": archive.treatments,
        "target": archive.target,
    });
    serde_json::to_string_pretty(&settings).map_err(|error| ReportError::new("report.html", error))
}

/// A row of the table of responses.
#[derive(Debug, Serialize)]
struct Line {
    treatment: String,
    class: String,
    blocks: usize,
    strips: usize,
    segments: usize,
    check: String,
    treated: String,
    response: String,
    interval: String,
    std_error: String,
    df: String,
    p_randomization: String,
    shrunken: String,
    break_even: String,
    pays: String,
    net: String,
    cautions: Vec<super::text::Doubt>,
}

/// The specialist's tables and figures.
struct Tell<'t> {
    result: &'t SiteYear,
    archive: &'t ArchiveSettings,
    units: &'t Units,
    decimals: usize,
}

impl Tell<'_> {
    /// What stands above everything.
    fn heading(&self) -> Map<String, Value> {
        let Self { result, archive, units, .. } = self;
        let identity = &result.identity;
        let heading = json!({
            "title": format!("{} · {} · {}", identity.field, identity.farm, identity.season),
            "identity": identity,
            "archive": archive.name,
            "depth": "../../../../",
            "time_of_year": time_of_year(archive, result.place_deg.1),
            "wetness_class": result.wetness_class,
            "wetness_mm": result.wetness_mm.map(|mm| format!("{} mm", signed(mm, 0))),
            "mean_yield": self.yields(result.counts.mean_yield_kg_ha),
            "yield_unit": units.yield_unit,
            "money_unit": units.money_unit,
            "confidence": level(archive.model.confidence),
            "first": FIRST,
        });
        heading.as_object().cloned().unwrap_or_default()
    }

    /// How many records were kept, and why the others were not.
    fn records(&self) -> Value {
        let counts = &self.result.counts;
        let by_treatment = self.result.removal_by_treatment.iter();
        json!({
            "area": format!("{:.1} {}", self.units.area(counts.kept_area_m2), self.units.area_unit),
            "points_read": counts.read,
            "points_kept": counts.kept,
            "kept_share": percent(counts.kept, counts.read),
            "removals": removals(self.result),
            "not_run": not_run(self.result),
            "removal_by_treatment": by_treatment.map(|row| json!({
                "treatment": self.archive.label(&row.treatment),
                "records": row.records,
                "share": percent(row.removed, row.records),
            })).collect::<Vec<_>>(),
        })
    }

    /// The curves by which the lags were found.
    fn curves(&self, curves: &[LagCurve]) -> Vec<Value> {
        let drawn = curves.iter().filter_map(|curve| {
            let svg = match_curve::draw(curve, self.result.cleaning.machines.get(&curve.machine)?);
            Some(json!({ "machine": curve.machine, "svg": svg }))
        });
        drawn.collect()
    }

    /// Passes, ramps and lags.
    fn lag(&self) -> Value {
        let facts = &self.result.cleaning;
        json!({
            "machines": machines(self.result),
            "passes": facts.passes,
            "entry": facts.pass_entry_s.as_ref().map(|value| sourced(value, " s")),
            "exit": facts.pass_exit_s.as_ref().map(|value| sourced(value, " s")),
            "limits": facts.limits.iter().map(|(name, value)| json!([name, number(*value)])).collect::<Vec<_>>(),
        })
    }

    /// The design, the responses and the answer under other analyses.
    fn classes(&self) -> Value {
        let Self { result, archive, units, .. } = self;
        let design = result.design.as_ref();
        let whole_field = |one: &&SignChanges| one.class_name == "all";
        json!({
            "design": design.map(|design| json!({
                "blocks": design.blocks.len(),
                "randomized": design.randomized,
                "strips": design.strips_by_treatment.iter().map(|(key, strips)| json!([archive.label(key), strips])).collect::<Vec<_>>(),
            })),
            "lines": result.responses.iter().map(|response| self.line(response)).collect::<Vec<_>>(),
            "decisions": result.responses.iter().any(Response::decision_allowed),
            "chart": self.responses(false),
            "trends": self.trends(),
            "contrasts": self.contrasts(),
            "placebos": self.placebos(),
            "variance": result.variance.iter().map(|(name, value)| json!([name, shown(Some(units.yields(value.sqrt())), self.decimals)])).collect::<Vec<_>>(),
            "ranges": result.field_model.map(|model| json!({
                "along": format!("{:.0} m", model.range_along_m),
                "across": format!("{:.0} m", model.range_across_m),
            })),
            "sensitivity": self.sensitivity(),
            "sign_changes": result.sign_changes().iter().filter(whole_field).map(|one| json!({
                "treatment": archive.label(&one.treatment),
                "changed": one.changed,
                "variants": one.variants,
                "intervals": one.intervals,
                "hold_zero": one.hold_zero,
            })).collect::<Vec<_>>(),
        })
    }

    fn yields(&self, kg_ha: Option<f64>) -> String {
        shown(kg_ha.map(|value| self.units.yields(value)), self.decimals)
    }

    fn line(&self, response: &Response) -> Line {
        let estimate = self.units.estimate(&response.estimate);
        Line {
            treatment: self.archive.label(&response.key.treatment).to_owned(),
            class: response.class_name.clone(),
            blocks: response.blocks,
            strips: response.strips,
            segments: response.segments,
            check: self.yields(response.check_yield),
            treated: self.yields(response.treated_yield),
            response: estimate.mean.map_or_else(|| "–".to_owned(), |mean| signed(mean, self.decimals)),
            interval: interval(&estimate, self.decimals),
            std_error: shown(estimate.std_error, self.decimals),
            df: shown(estimate.df, 1),
            p_randomization: p_value(estimate.p_randomization),
            shrunken: self.yields(response.shrunken.map(|shrunken| shrunken.mean)),
            break_even: self.yields(response.returns.break_even),
            pays: probability(response.returns.probability_pays),
            net: response.returns.net_return.map_or_else(|| "–".to_owned(), |money| signed(self.units.money(money), 0)),
            cautions: doubts(&response.cautions),
        }
    }

    /// The responses with their intervals; `short` leaves the treatments' names to the whole field where there is one alone.
    fn responses(&self, short: bool) -> String {
        let treatments = self.archive.treatments.iter().filter(|treatment| !treatment.check).count();
        let rows: Vec<Row> = self
            .result
            .responses
            .iter()
            .map(|response| {
                let estimate = self.units.estimate(&response.estimate);
                let whole = response.key.class.is_none();
                let ground = if whole { "whole field" } else { response.class_name.as_str() };
                let name = self.archive.label(&response.key.treatment);
                Row {
                    label: match (short, treatments > 1, whole) {
                        (true, false, _) => ground.to_owned(),
                        (true, true, true) => name.to_owned(),
                        (true, true, false) => format!("   {ground}"),
                        (false, ..) => format!("{name} · {ground}"),
                    },
                    mean: estimate.mean,
                    interval: estimate.low.zip(estimate.high),
                    break_even: response.returns.break_even.map(|value| self.units.yields(value)),
                    weight: None,
                    look: if whole { Look::Strong } else { Look::Plain },
                }
            })
            .collect();
        let rows = if short { whole_first(rows) } else { rows };
        // the grower's part has panels for narrow screens
        let draw = if short { intervals::wide } else { intervals::draw };
        draw(&rows, "Treated minus check by treatment and ground, with intervals", self.units.yield_unit, self.decimals)
    }

    /// The strips of each treatment by their names, the check first: what the numbers on the map stand for.
    fn strip_names(&self, ground: &MapGround) -> Vec<Value> {
        let treatments = self.archive.treatments.iter();
        let (checks, treated): (Vec<_>, Vec<_>) = treatments.partition(|one| one.check);
        let all = checks.into_iter().chain(treated).map(|one| one.label.as_str());
        all.filter_map(|label| {
            let own = ground.strips.iter().filter(|strip| strip.label == label);
            let mut names: Vec<&str> = own.map(|strip| strip.name.as_str()).collect();
            names.sort_by_key(|name| by_number(name));
            names.dedup();
            (!names.is_empty()).then(|| json!({ "label": label, "names": names }))
        })
        .collect()
    }

    /// Means and ranges of the segments of each strip.
    fn strips(&self, case: SiteYearCase<'_>, ground: &MapGround) -> Vec<Value> {
        let assigned = &case.joined.assigned;
        let mut counts = vec![(0_usize, 0_usize); assigned.strips.len()];
        for (&strip, &edge) in assigned.strip.iter().zip(&assigned.edge) {
            if let Some((records, at_edge)) = counts.get_mut(strip as usize) {
                *records += 1;
                *at_edge += usize::from(edge);
            }
        }
        let mut order: Vec<usize> = (0..ground.strips.len()).collect();
        order.sort_by_key(|&at| by_number(&ground.strips[at].name));
        order
            .into_iter()
            .map(|at| (at, &ground.strips[at]))
            .map(|(at, strip)| {
                let segments: Vec<_> = assigned.segments.iter().filter(|one| one.strip as usize == at).collect();
                let usable: Vec<_> = segments.iter().filter(|one| one.usable).collect();
                let area: f64 = usable.iter().map(|one| one.area_m2).sum();
                let mean = |pick: &dyn Fn(&crate::points::Segment) -> f64| {
                    (area > 0.0).then(|| usable.iter().map(|one| pick(one) * one.area_m2).sum::<f64>() / area)
                };
                let (records, edge) = counts[at];
                json!({
                    "name": strip.name,
                    "label": strip.label,
                    "block": strip.block,
                    "segments": segments.len(),
                    "usable": usable.len(),
                    "records": records,
                    "edge": edge,
                    "area": shown(Some(self.units.area(area)), 2),
                    "yield": self.yields(mean(&|one| one.dry_yield_kg_ha)),
                    "moisture": shown(mean(&|one| one.moisture_pct), 1),
                })
            })
            .collect()
    }

    /// The segments on which their treatment paid with the probability [`SURELY`].
    fn surely_paid(&self) -> BTreeSet<usize> {
        let pieces = self.result.local.iter().flat_map(|local| local.pieces.iter().map(move |piece| (local, piece)));
        let is_sure = |local, piece| self.result.local_probability_pays(local, piece).is_some_and(|p| p >= SURELY);
        pieces.filter(|(local, piece)| is_sure(local, piece)).map(|(_, piece)| piece.segment).collect()
    }

    /// What is said of the responses piece by piece, by treatment.
    fn local(&self) -> Vec<Value> {
        let of = |local: &LocalResponse| {
            let area = |is_so: &dyn Fn(f64) -> bool| -> Option<f64> {
                let pieces = local.pieces.iter();
                pieces
                    .map(|piece| {
                        let paid = self.result.local_probability_pays(local, piece)?;
                        Some(if is_so(paid) { piece.area_m2 } else { 0.0 })
                    })
                    .sum()
            };
            let whole: f64 = local.pieces.iter().map(|piece| piece.area_m2).sum();
            let share = |area: f64| format!("{:.0} %", 100.0 * area / whole);
            json!({
                "label": self.archive.label(&local.treatment),
                "between": shown(Some(self.units.yields(local.between_sd)), self.decimals),
                "paid": area(&|paid| paid >= SURELY).map(share),
                "not": area(&|paid| paid <= 1.0 - SURELY).map(share),
            })
        };
        self.result.local.iter().map(of).collect()
    }

    /// A figure for each treated strip, all on one scale.
    fn along(case: SiteYearCase<'_>, ground: &MapGround) -> Vec<Value> {
        let mut values: Vec<f64> =
            ground.along.iter().flat_map(|(_, stretches)| stretches.iter().map(|one| one.difference)).collect();
        values.sort_by(f64::total_cmp);
        let end = |share: f64| robust::quantile_sorted(&values, share).unwrap_or(0.0);
        let ends = range([end(0.02), end(0.98)], true);
        ground
            .along
            .iter()
            .map(|(at, stretches)| {
                let strip = &ground.strips[*at];
                let title = format!("{} · {} · block {}", strip.label, strip.name, strip.block);
                json!({ "title": title, "svg": along::draw(&title, stretches, ends, &case.joined.classes) })
            })
            .collect()
    }

    fn trends(&self) -> Vec<Value> {
        let trends = self.result.supplement.trends.iter();
        trends
            .map(|one| {
                let estimate = self.units.estimate(&one.estimate);
                json!({
                    "treatment": self.archive.label(&one.treatment),
                    "from": one.classes.first(),
                    "to": one.classes.last(),
                    "slope": estimate.mean.map_or_else(|| "–".to_owned(), |mean| signed(mean, self.decimals)),
                    "interval": interval(&estimate, self.decimals),
                    "p": p_value(estimate.p_value),
                })
            })
            .collect()
    }

    fn contrasts(&self) -> Vec<Value> {
        let contrasts = self.result.supplement.contrasts.iter();
        contrasts
            .map(|one| {
                let estimate = self.units.estimate(&one.estimate);
                json!({
                    "treatment": self.archive.label(&one.treatment),
                    "against": self.archive.label(&one.against),
                    "class": one.class_name,
                    "blocks": one.blocks,
                    "difference": estimate.mean.map_or_else(|| "–".to_owned(), |mean| signed(mean, self.decimals)),
                    "interval": interval(&estimate, self.decimals),
                    "cautions": doubts(&one.cautions),
                })
            })
            .collect()
    }

    fn placebos(&self) -> Vec<Value> {
        let placebos = self.result.supplement.placebos.iter();
        placebos
            .map(|one| {
                json!({
                    "treatment": self.archive.label(&one.treatment),
                    "observed": signed(self.units.yields(one.observed), self.decimals),
                    "usual": self.yields(Some(one.usual)),
                    "as_large": one.as_large,
                    "positions": one.positions,
                })
            })
            .collect()
    }

    /// The answer over the whole field again, a figure for each treatment.
    fn sensitivity(&self) -> Vec<Value> {
        let whole = self.result.responses.iter().filter(|response| response.key.class.is_none());
        whole
            .filter_map(|response| {
                let row = |name: &str, estimate: &Estimate, look| {
                    let estimate = self.units.estimate(estimate);
                    let interval = estimate.low.zip(estimate.high);
                    Row { label: name.to_owned(), mean: estimate.mean, interval, break_even: None, weight: None, look }
                };
                let others = self
                    .result
                    .sensitivity
                    .iter()
                    .filter(|one| one.class_name == "all" && one.treatment == response.key.treatment);
                let mut rows = vec![row("the answer", &response.estimate, Look::Strong)];
                rows.extend(others.map(|one| {
                    let estimate = Estimate { mean: one.response, low: one.low, high: one.high, ..Estimate::default() };
                    row(&one.variant, &estimate, Look::Plain)
                }));
                let name = self.archive.label(&response.key.treatment);
                let title = format!("{name}: the answer under other analyses");
                let svg = intervals::draw(&rows, &title, self.units.yield_unit, self.decimals);
                (rows.len() > 1 && !svg.is_empty()).then(|| json!({ "treatment": name, "svg": svg }))
            })
            .collect()
    }
}

/// The order of names that hold numbers: "2" before "10", "B1-10" after "B1-9".
fn by_number(name: &str) -> Vec<(String, u64)> {
    let mut parts: Vec<(String, u64)> = Vec::new();
    let mut is_digit = false;
    for c in name.chars() {
        if parts.is_empty() || c.is_ascii_digit() != is_digit {
            parts.push((String::new(), 0));
        }
        is_digit = c.is_ascii_digit();
        if let Some(part) = parts.last_mut() {
            match c.to_digit(10) {
                Some(digit) => part.1 = part.1.saturating_mul(10).saturating_add(u64::from(digit)),
                None => part.0.push(c),
            }
        }
    }
    parts
}

/// Each treatment's line for the whole field before those of its classes, which stand before it in the tables.
fn whole_first(rows: Vec<Row>) -> Vec<Row> {
    let mut ordered: Vec<Row> = Vec::with_capacity(rows.len());
    let mut begin = 0;
    for row in rows {
        if row.look == Look::Strong {
            ordered.insert(begin, row);
            begin = ordered.len();
        } else {
            ordered.push(row);
        }
    }
    ordered
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strips_sort_by_their_numbers() {
        let mut names = vec!["10", "2", "1", "B2-1", "B1-10", "B1-9"];
        names.sort_by_key(|name| by_number(name));
        assert_eq!(names, ["1", "2", "10", "B1-9", "B1-10", "B2-1"]);
    }

    #[test]
    fn the_whole_field_leads_its_classes() {
        let row = |label: &str, look| Row {
            label: label.to_owned(),
            mean: None,
            interval: None,
            break_even: None,
            weight: None,
            look,
        };
        let rows = vec![
            row("a1", Look::Plain),
            row("a2", Look::Plain),
            row("a", Look::Strong),
            row("b1", Look::Plain),
            row("b", Look::Strong),
        ];
        let labels: Vec<String> = whole_first(rows).into_iter().map(|row| row.label).collect();
        assert_eq!(labels, ["a", "a1", "a2", "b", "b1"]);
    }
}
