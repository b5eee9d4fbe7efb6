//! Why a record does not tell the yield of the ground it stands on. One list; the documents are made from it.

use serde::{Deserialize, Serialize};

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
    FlowRange = "flow-range": "the mass flow is missing, negative or beyond what a machine can thresh" ["common practice, no source"];
    MoistureRange = "moisture-range": "the moisture is outside what is harvested of this crop" ["common practice, no source"];
    SpeedRange = "speed-range": "the speed is missing or outside that of cutting" ["Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091"];
    SpeedChange = "speed-change": "the speed changed faster than the grain flow can follow" ["Simbahan, Dobermann & Ping 2004, Agron. J. 96:1091; the limit is common practice, no source"];
    NarrowSwath = "narrow-swath": "less than the trusted share of the header was cutting" ["Drummond, Fraisse & Sudduth 1998"];
    Overlap = "overlap": "the ground had been cut before" ["Drummond, Fraisse & Sudduth 1998"];
    YieldRange = "yield-range": "the yield is outside the plausible range for the crop and the field" ["Hubert & Vandervieren 2008, Comput. Stat. Data Anal. 52:5186; the plausible range is common practice, no source"];
    LocalDisagreement = "local-disagreement": "the yield disagrees with its neighbours under the same treatment" ["the idea of Vega et al. 2019, Precision Agric. 20:1030; the limit is ours"];
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_unique_and_in_the_order_of_testing() {
        let mut codes: Vec<_> = Mark::ALL.iter().map(|mark| mark.code()).collect();
        assert!(Mark::ALL.windows(2).all(|pair| pair[0] < pair[1]));
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), Mark::ALL.len());
    }
}
