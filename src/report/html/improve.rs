//! What would have made an answer better: from what was lost and what is doubted, ordered by what it costs in width of the interval.
//!
//! Each piece of advice has a cost: by how much the interval would be narrower, as a share of its width. Where ground or blocks are
//! lost, that is the standard error of a mean of more of the same, √(kept share); where a value is assumed, how far the answer
//! moves when it is moved, as a share of the interval.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::points::Caution;
use crate::report::Units;
use crate::report::units::trimmed;
use crate::results::{Response, SiteYear};

/// Where cleaning tells the full width of the header, m.
const FULL_SWATH: &str = "full swath, m";
/// Most lines of advice.
const MOST: usize = 3;
/// How far a number of passes may be from a whole one (ours: half a foot of a 10 ft header).
const WHOLE: f64 = 0.05;
/// Losses below this are not worth a line (ours).
const LEAST: f64 = 0.03;
/// Blocks that strips are commonly laid out in (common practice, no source).
const USUAL_BLOCKS: f64 = 6.0;
/// Share of the records that the ends of passes, turns and the like cost anyway: 18 % of simulated harvests (DEVELOPERS.md, Cleaning).
const USUAL_LOSS: f64 = 0.18;
/// Share of the width that is put down for a doubt whose size the data do not tell (ours: behind all that is measured).
const UNMEASURED: f64 = 0.031;

/// One way to a better answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Advice {
    /// What to do.
    pub(super) text: String,
    /// By how much the interval is wider for want of it, as a share; 0 where that is not known.
    pub(super) cost: f64,
    /// The cost in words.
    pub(super) measured: String,
}

/// The kinds of advice, so that they can be counted over an archive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    Ground,
    Blocks,
    Lag,
    Machines,
    Order,
    Tickets,
    Soil,
    Ends,
}

impl Kind {
    const fn text(self) -> &'static str {
        match self {
            Self::Ground => {
                "lay out strips as wide as whole passes of the header (30 ft strips for a 30 ft header), and start each pass on the strip's line"
            }
            Self::Blocks => "lay out more blocks",
            Self::Lag => "cut neighbouring passes in opposite directions, so that the transport lag can be estimated",
            Self::Machines => "cut each block, treated and check alike, with one combine",
            Self::Order => "draw the order of the treatments in each block at random",
            Self::Tickets => "weigh a few loads and keep the scale tickets",
            Self::Soil => "check the soil lines on the ground: some strips have no class",
            Self::Ends => "harvest the strips at one speed and without stops: many records were removed",
        }
    }
}

/// What each kind costs in one site-year: the share by which its intervals are wider.
fn costs(one: &SiteYear, units: Option<&Units>) -> BTreeMap<Kind, (f64, Option<String>)> {
    let mut costs: BTreeMap<Kind, (f64, Option<String>)> = BTreeMap::new();
    let whole: Vec<&Response> = one.responses.iter().filter(|response| response.key.class.is_none()).collect();
    if whole.is_empty() {
        return costs;
    }
    let doubts = one.doubts_of_the_answer();
    let mut add = |kind, cost: f64, measured: Option<String>| {
        let entry = costs.entry(kind).or_insert((0.0, None));
        if cost > entry.0 {
            *entry = (cost, measured);
        }
    };
    // narrower by √share if nothing were lost
    let of_loss = |lost: f64| 1.0 - (1.0 - lost.clamp(0.0, 0.99)).sqrt();
    let blocks = whole.iter().map(|response| response.blocks).max().unwrap_or(0) as f64;
    if blocks > 0.0 && blocks < USUAL_BLOCKS {
        add(
            Kind::Blocks,
            1.0 - (blocks / USUAL_BLOCKS).sqrt(),
            Some(format!("{blocks:.0} of a usual {USUAL_BLOCKS:.0}")),
        );
    }
    if let Some(design) = &one.design {
        let compared = design.blocks.len() as f64;
        if blocks > 0.0 && blocks < compared {
            let measured =
                format!("{blocks:.0} of {compared:.0} blocks could be compared: passes straddle the strips' lines");
            add(Kind::Ground, of_loss(1.0 - blocks / compared), Some(measured));
        }
    }
    let counts = &one.counts;
    if counts.strips_m2 > 0.0 {
        let lost = counts.straddling_m2 / counts.strips_m2;
        let header_m = one.cleaning.limits.get(FULL_SWATH).copied();
        let widths =
            units.zip(header_m).zip(counts.strip_width_m).map_or_else(String::new, |((units, header), strip)| {
                let measured = |m: f64| format!("{} {}", trimmed(units.length(m), 1), units.length_unit);
                let passes = strip / header;
                let why = if (passes - passes.round()).abs() < WHOLE && passes > 0.5 {
                    "the passes did not start on the strips' lines"
                } else {
                    "no whole number of passes fits"
                };
                format!("; strips {} wide, header {}: {why}", measured(strip), measured(header))
            });
        let measured = format!(
            "{:.0} % of the strips' ground was cut by passes that straddle two strips, which tell less of each{widths}",
            100.0 * lost
        );
        add(Kind::Ground, of_loss(lost), Some(measured));
    }
    if one.counts.read > 0 {
        let lost = 1.0 - one.counts.kept as f64 / one.counts.read as f64;
        add(Kind::Ends, of_loss(lost - USUAL_LOSS), Some(format!("{:.0} % of the records were removed", 100.0 * lost)));
    }
    if doubts.contains(Caution::LagAssumed) {
        add(Kind::Lag, moved_by(one, &whole, "lag ").max(UNMEASURED), Some("the lag is assumed".to_owned()));
    }
    for (caution, kind) in [
        (Caution::MachineAliased, Kind::Machines),
        (Caution::MachineUncorrected, Kind::Machines),
        (Caution::NotRandomised, Kind::Order),
        (Caution::OneSided, Kind::Order),
        (Caution::SoilIncomplete, Kind::Soil),
        (Caution::Uncalibrated, Kind::Tickets),
    ] {
        if doubts.contains(caution) {
            // an answer that cannot be given at all costs all of it
            let cost = if caution == Caution::MachineAliased { 1.0 } else { UNMEASURED };
            add(kind, cost, None);
        }
    }
    costs.retain(|_, (cost, _)| *cost >= LEAST);
    costs
}

/// How far variants of the analysis move the answer, as a share of the width of its interval.
fn moved_by(one: &SiteYear, whole: &[&Response], variant: &str) -> f64 {
    let mut most = 0.0_f64;
    for response in whole {
        let (Some(mean), Some(low), Some(high)) =
            (response.estimate.mean, response.estimate.low, response.estimate.high)
        else {
            continue;
        };
        let own = one.sensitivity.iter().filter(|row| {
            row.class_name == response.class_name
                && row.treatment == response.key.treatment
                && row.variant.starts_with(variant)
        });
        for moved in own.filter_map(|row| row.response) {
            most = most.max((moved - mean).abs() / (high - low));
        }
    }
    most.min(1.0)
}

/// The advice for one site-year, the costliest first.
pub(super) fn of_site_year(one: &SiteYear, units: &Units) -> Vec<Advice> {
    let mut all: Vec<Advice> = costs(one, Some(units))
        .into_iter()
        .map(|(kind, (cost, measured))| Advice { text: capital(kind.text()), cost, measured: in_words(cost, measured) })
        .collect();
    all.sort_by(|one, other| other.cost.total_cmp(&one.cost));
    all.truncate(MOST);
    all
}

/// The advice over an archive: costs summed over its site-years, those with strips.
pub(super) fn over_archive(site_years: &[SiteYear]) -> Vec<Advice> {
    let mut sums: BTreeMap<Kind, (f64, usize)> = BTreeMap::new();
    let with_strips = site_years.iter().filter(|one| !one.responses.is_empty()).count();
    for one in site_years {
        for (kind, (cost, _)) in costs(one, None) {
            let (sum, count) = sums.entry(kind).or_insert((0.0, 0));
            *sum += cost;
            *count += 1;
        }
    }
    let mut all: Vec<Advice> = sums
        .into_iter()
        .map(|(kind, (sum, count))| {
            let cost = sum / with_strips.max(1) as f64;
            let of = format!("in {count} of {with_strips} site-years");
            Advice { text: capital(kind.text()), cost, measured: in_words(sum / count.max(1) as f64, Some(of)) }
        })
        .collect();
    all.sort_by(|one, other| other.cost.total_cmp(&one.cost));
    all.truncate(MOST);
    all
}

fn in_words(cost: f64, measured: Option<String>) -> String {
    let size = if cost >= 0.999 {
        "without it there is no answer".to_owned()
    } else if cost > UNMEASURED {
        format!("some {:.0} % of the interval's width", 100.0 * cost)
    } else {
        "how much it costs is not known".to_owned()
    };
    measured.map_or_else(|| size.clone(), |measured| format!("{measured}; {size}"))
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn costs_are_reported_by_their_size() {
        assert!(in_words(1.0, None).contains("no answer"));
        assert!(in_words(0.2, Some("x".to_owned())).starts_with("x; some 20 %"));
        assert!(in_words(UNMEASURED, None).contains("not known"));
    }
}
