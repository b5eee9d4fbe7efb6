//! Why a record does not tell the yield of the ground it stands on. One list holds what is known of each rule of cleaning; the
//! documents, the pages, `explain` and what counts for which sum follow from it.

use super::Channels;

/// What a rule looks at; each family has one colour on the pages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    /// The position fix by itself: a record that fails tells nothing.
    Fix,
    /// The field's outline.
    Outline,
    /// The pass and what the machine was doing.
    Pass,
    /// What the sensors read.
    Reading,
    /// The width that was cut.
    Width,
    /// The yield itself.
    Yield,
}

/// What is known of a rule of cleaning.
#[derive(Debug, Clone, Copy)]
pub struct Rule {
    /// What it looks at.
    pub family: Family,
    /// What must have been recorded for it to run, in words and as a test; empty where it always runs.
    pub needs: (&'static str, fn(&Channels) -> bool),
    /// Whether the record still tells of ground of its own, so that its removal is a loss.
    pub has_ground: bool,
    /// Whether the record's grain still counts in the weight of its load.
    pub is_weighed: bool,
    /// What a kept record obeys. Between braces stands where `summary.json` tells a number (a JSON pointer, RFC 6901).
    pub limit: &'static str,
    /// Where it comes from.
    pub source: &'static str,
}

const PRACTICE: &str = "common practice, no source";
const SIMBAHAN: &str = "Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091";
const DRUMMOND: &str = "Drummond, Fraisse & Sudduth 1998";

impl Rule {
    /// A rule that runs always; the record's ground and grain count.
    const fn new(family: Family, limit: &'static str, source: &'static str) -> Self {
        Self { family, needs: ("", |_| true), has_ground: true, is_weighed: true, limit, source }
    }

    const fn needs(self, words: &'static str, test: fn(&Channels) -> bool) -> Self {
        Self { needs: (words, test), ..self }
    }

    const fn without_ground(self) -> Self {
        Self { has_ground: false, ..self }
    }

    const fn not_weighed(self) -> Self {
        Self { is_weighed: false, ..self }
    }
}

macro_rules! marks {
    ($($name:ident = $code:literal: $text:literal, $rule:expr;)+) => {
        coded! {
            /// The reason for which a record is removed from the analysis; the record itself is never deleted.
            ///
            /// The variants are in the order in which the stages test them: a record carries the first that applies.
            Mark, in "`removed_by`";
            $($name = $code: $text;)+
        }

        impl Mark {
            /// What is known of its rule.
            pub const fn rule(self) -> Rule {
                match self { $(Self::$name => $rule),+ }
            }
        }
    };
}

marks! {
    NoPosition = "no-position": "the position is missing, infinite, 0/0 or out of range",
        Rule::new(Family::Fix, "a finite position and time on Earth, not 0/0", PRACTICE).without_ground();
    Duplicate = "duplicate": "the same machine reports the same time and place twice",
        Rule::new(Family::Fix, "one record for a machine, time and place", PRACTICE).without_ground().not_weighed();
    PositionJump = "position-jump": "the position lies where the machine cannot have driven",
        Rule::new(Family::Fix, "as far as 1.5 times the logged speed allows, plus 4 m; single fixes 3 m off the line", PRACTICE)
            .without_ground()
            .needs("time", |channels| channels.time);
    OutsideBoundary = "outside-boundary": "the record lies outside the field boundary",
        Rule::new(Family::Outline, "{/settings/clean/boundary_margin_m} m outside the boundary", PRACTICE);
    HeaderUp = "header-up": "the header was raised or nothing was being cut",
        Rule::new(Family::Pass, "header down at the moment of cutting", SIMBAHAN).without_ground();
    PassEntry = "pass-entry": "the machine was still filling after entering the crop",
        Rule::new(Family::Pass, "{/pass_entry_s/value} s after entering the crop", SIMBAHAN)
            .needs("time", |channels| channels.time);
    PassExit = "pass-exit": "the machine was emptying, or the grain of this ground was never logged",
        Rule::new(Family::Pass, "{/pass_exit_s/value} s before leaving the crop", SIMBAHAN)
            .needs("time", |channels| channels.time);
    ShortPass = "short-pass": "the pass is too short to hold a full flow",
        Rule::new(Family::Pass, "a pass of at least {/settings/clean/pass_length_m} m", PRACTICE);
    Turning = "turning": "the machine was turning: swath and area are not known",
        Rule::new(Family::Pass, "less than {/settings/clean/turn_deg} degrees within 24 m", PRACTICE);
    FlowRange = "flow-range": "the mass flow is missing, negative, beyond what a machine can thresh, or a fault of the sensor: a value held, a zero that comes or goes at once",
        Rule::new(Family::Reading, "0 to {/settings/clean/flow_most_kg_s} kg/s; no drop-out shorter than the lag", PRACTICE)
            .not_weighed()
            .needs("the upper limit: mass flow, or yield with speed or time", |channels| channels.knows_flow());
    MoistureRange = "moisture-range": "the moisture is outside what is harvested of this crop",
        Rule::new(
            Family::Reading,
            "{/settings/crop/plausible_moisture_pct/0} to {/settings/crop/plausible_moisture_pct/1} %",
            PRACTICE,
        )
        .needs("moisture", |channels| channels.moisture);
    SpeedRange = "speed-range": "the speed is missing or outside that of cutting",
        Rule::new(Family::Reading, "{/settings/clean/speed_least_m_s} to {/settings/clean/speed_most_m_s} m/s", SIMBAHAN)
            .needs("the limits: speed, or time", |channels| channels.speed || channels.knows_speed());
    SpeedChange = "speed-change": "the speed changed faster than the grain flow can follow",
        Rule::new(
            Family::Reading,
            "{/settings/clean/speed_change_pct} % of the usual speed within 5 s",
            "Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091; the limit is common practice, no source",
        )
        .needs("time, and speed or distance", |channels| channels.time && channels.logs_speed());
    NarrowSwath = "narrow-swath": "less than the trusted share of the header was cutting",
        Rule::new(
            Family::Width,
            "at least {/settings/clean/swath_share_pct} % of the full swath of {/limits/full swath, m} m",
            DRUMMOND,
        )
        .needs("swath, or time with mass flow", |channels| channels.swath || channels.time && channels.flow);
    Overlap = "overlap": "the ground had been cut before",
        Rule::new(Family::Width, "at least a tenth of the footprint not cut before", DRUMMOND)
            .needs("time and mass flow", |channels| channels.time && channels.flow);
    YieldRange = "yield-range": "the yield is outside the plausible range for the crop and the field",
        Rule::new(
            Family::Yield,
            "{/limits/least yield, kg~1ha} to {/limits/greatest yield, kg~1ha} {/yield_unit}",
            "Hubert & Vandervieren 2008, Comput. Stat. Data Anal. 52:5186; the plausible range is common practice, no source",
        );
    LocalDisagreement = "local-disagreement": "the yield disagrees with its neighbours under the same treatment",
        Rule::new(
            Family::Yield,
            "{/settings/clean/neighbour_limit} robust standard deviations of {/limits/spread against neighbours, ln} (ln) from the median of the neighbours",
            "the idea of Vega et al. 2019, Precision Agric. 20:1030; the limit is ours",
        );
}

impl Mark {
    /// What must have been recorded for the rule to run; empty where it always does.
    pub const fn needs(self) -> &'static str {
        self.rule().needs.0
    }

    /// Whether the rule has what it needs. A rule never acts on a number that was assumed.
    pub fn can_run(self, channels: &Channels) -> bool {
        (self.rule().needs.1)(channels)
    }

    /// Whether the rule looks at the yield itself.
    pub fn looks_at_yields(self) -> bool {
        self.rule().family == Family::Yield
    }
}

/// Every reason for which a record is removed; empty for a record that is kept. The first in the order of the marks is the
/// one that tables and pages give.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash)]
pub struct Reasons(u32);

impl Reasons {
    /// Adds a reason.
    pub const fn add(&mut self, mark: Mark) {
        self.0 |= 1 << mark as u32;
    }

    /// Whether this is one of the reasons.
    pub const fn has(self, mark: Mark) -> bool {
        self.0 & (1 << mark as u32) != 0
    }

    /// Whether the record is kept.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The first reason, in the order of the marks.
    pub fn first(self) -> Option<Mark> {
        Mark::ALL.get(self.0.trailing_zeros() as usize).copied()
    }

    /// Whether the record tells of ground of its own: lost where it is removed.
    pub fn has_ground(self) -> bool {
        self.first().is_none_or(|mark| mark.rule().has_ground)
    }

    /// Whether the record's grain counts in the weight of its load.
    pub fn is_weighed(self) -> bool {
        self.iter().all(|mark| mark.rule().is_weighed)
    }

    /// All reasons, in the order of the marks.
    pub fn iter(self) -> impl Iterator<Item = Mark> {
        Mark::ALL.iter().copied().filter(move |&mark| self.has(mark))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_unique() {
        let mut codes: Vec<_> = Mark::ALL.iter().map(|mark| mark.code()).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), Mark::ALL.len());
    }

    #[test]
    fn the_first_reason_does_not_depend_on_the_order_of_adding() {
        let mut reasons = Reasons::default();
        assert!(reasons.is_empty() && reasons.first().is_none());
        reasons.add(Mark::LocalDisagreement);
        reasons.add(Mark::PassEntry);
        assert_eq!(reasons.first(), Some(Mark::PassEntry));
        assert_eq!(reasons.iter().collect::<Vec<_>>(), [Mark::PassEntry, Mark::LocalDisagreement]);
        reasons.add(Mark::NoPosition);
        assert_eq!(reasons.first(), Some(Mark::NoPosition));
    }
}
