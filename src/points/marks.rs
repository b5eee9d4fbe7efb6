//! Why a record does not tell the yield of the ground it stands on. One list; the documents are made from it.

use serde::{Deserialize, Serialize};

use super::Channels;

macro_rules! marks {
    ($($(#[$doc:meta])* $name:ident = $code:literal: $text:literal [$source:literal];)+) => {
        /// The reason for which a record is removed from the analysis; the record itself is never deleted.
        ///
        /// The variants are in the order in which the stages test them: a record carries the first that applies.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[repr(u8)]
        pub enum Mark {
            $($(#[$doc])* #[doc = $text] #[serde(rename = $code)] $name,)+
        }

        impl Mark {
            /// Every mark, in the order in which they are tested.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];

            /// The word in `removed_by`.
            pub const fn code(self) -> &'static str {
                match self { $(Self::$name => $code),+ }
            }

            /// One line for the reader of a report.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$name => $text),+ }
            }

            /// What must have been recorded for the rule to run; empty where it always does.
            pub const fn needs(self) -> &'static str {
                match self {
                    Self::PositionJump | Self::PassEntry | Self::PassExit => "time",
                    Self::FlowRange => "the upper limit: mass flow, or yield with speed or time",
                    Self::MoistureRange => "moisture",
                    Self::SpeedRange => "the limits: speed, or time",
                    Self::SpeedChange => "time, and speed or distance",
                    Self::NarrowSwath => "swath, or time with mass flow",
                    Self::Overlap => "time and mass flow",
                    _ => "",
                }
            }

            /// Whether the rule has what it needs. A rule never acts on a number that was assumed.
            pub const fn can_run(self, channels: &Channels) -> bool {
                match self {
                    Self::PositionJump | Self::PassEntry | Self::PassExit => channels.time,
                    Self::FlowRange => channels.knows_flow(),
                    Self::MoistureRange => channels.moisture,
                    Self::SpeedRange => channels.speed || channels.knows_speed(),
                    Self::SpeedChange => channels.time && channels.logs_speed(),
                    Self::NarrowSwath => channels.swath || channels.time && channels.flow,
                    Self::Overlap => channels.time && channels.flow,
                    _ => true,
                }
            }

            /// Where the rule comes from.
            pub const fn source(self) -> &'static str {
                match self { $(Self::$name => $source),+ }
            }
        }
    };
}

marks! {
    NoPosition = "no-position": "the position is missing, infinite, 0/0 or out of range" ["common practice, no source"];
    Duplicate = "duplicate": "the same machine reports the same time and place twice" ["common practice, no source"];
    PositionJump = "position-jump": "the position lies where the machine cannot have driven" ["common practice, no source"];
    OutsideBoundary = "outside-boundary": "the record lies outside the field boundary" ["common practice, no source"];
    HeaderUp = "header-up": "the header was raised or nothing was being cut" ["Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091"];
    PassEntry = "pass-entry": "the machine was still filling after entering the crop" ["Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091"];
    PassExit = "pass-exit": "the machine was emptying, or the grain of this ground was never logged" ["Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091"];
    ShortPass = "short-pass": "the pass is too short to hold a full flow" ["common practice, no source"];
    Turning = "turning": "the machine was turning: swath and area are not known" ["common practice, no source"];
    FlowRange = "flow-range": "the mass flow is missing, negative, beyond what a machine can thresh, or a fault of the sensor: a value held, a zero that comes or goes at once" ["common practice, no source"];
    MoistureRange = "moisture-range": "the moisture is outside what is harvested of this crop" ["common practice, no source"];
    SpeedRange = "speed-range": "the speed is missing or outside that of cutting" ["Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091"];
    SpeedChange = "speed-change": "the speed changed faster than the grain flow can follow" ["Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091; the limit is common practice, no source"];
    NarrowSwath = "narrow-swath": "less than the trusted share of the header was cutting" ["Drummond, Fraisse & Sudduth 1998"];
    Overlap = "overlap": "the ground had been cut before" ["Drummond, Fraisse & Sudduth 1998"];
    YieldRange = "yield-range": "the yield is outside the plausible range for the crop and the field" ["Hubert & Vandervieren 2008, Comput. Stat. Data Anal. 52:5186; the plausible range is common practice, no source"];
    LocalDisagreement = "local-disagreement": "the yield disagrees with its neighbours under the same treatment" ["the idea of Vega et al. 2019, Precision Agric. 20:1030; the limit is ours"];
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
