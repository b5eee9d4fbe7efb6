//! What a reader must know before believing a number. One list; the documents are made from it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

coded! {
    /// A reason to doubt a number, printed beside it.
    Caution, in "the `caution` column";
    NotEstimable = "not-estimable": "the data cannot support this number, so none is given";
    Unreplicated = "unreplicated": "one block only: the difference cannot be separated from the variation of the field; a demonstration, not a trial";
    FewBlocks = "few-blocks": "two or three blocks: the interval is wide; with two nothing is said of what it would pay, with three it should not rest on this field alone";
    NotRandomised = "not-randomised": "the order of treatments was not drawn at random, so a trend across the field may pass for a response";
    OneSided = "one-sided": "the treated strips lie on the same side of their check in every block";
    BlocksFormed = "blocks-formed": "no blocks were given; neighbouring strips were joined into blocks";
    SharedCheck = "shared-check": "one check strip serves several treated strips, so their responses share its error";
    NoCheckInBlock = "no-check-in-block": "a block without a usable check strip was left out";
    TreatedWetter = "treated-wetter": "the treated strips are on wetter ground than their check";
    GroundDiffers = "ground-differs": "the treated strips are on other ground than their check: drier, higher or lower";
    ClassUnsure = "class-unsure": "most of this ground may have another class: the lines of the soil map may lie off, and its units may hold other soils";
    MachineAliased = "machine-aliased": "combine and treatment cannot be separated, so neither can their effects";
    MachineUncorrected = "machine-uncorrected": "several combines, and too few neighbouring passes under one treatment to compare them";
    RemovalUnequal = "removal-unequal": "cleaning removed a different share of treated and check records (more than 3 points apart)";
    HeavyRemoval = "heavy-removal": "more than 40 % of the records were removed: the data are poor";
    LagAssumed = "lag-assumed": "these data give the transport lag roughly or not at all, so the value in use is assumed";
    LagDisagrees = "lag-disagrees": "two ways of estimating the transport lag differ by more than a second";
    MoistureAssumed = "moisture-assumed": "no moisture was recorded, or none by one combine; market moisture was taken, or the median of the other combines";
    MoistureFrozen = "moisture-frozen": "the moisture sensor held one value for long; the median of the pass was used there";
    SpeedDerived = "speed-derived": "no speed was recorded; it was derived from the positions";
    SwathDerived = "swath-derived": "no swath was recorded; it was taken from the spacing of the passes";
    TimeMissing = "time-missing": "no time was recorded; the order of the rows was used";
    ClockSetBack = "clock-set-back": "a clock was set back while harvesting; the times after that were moved on";
    ClocksDisagree = "clocks-disagree": "the machines' clocks disagree, so ground cut twice cannot be found across machines";
    HeaderMissing = "header-missing": "no header state was recorded; passes were formed from movement alone";
    HeaderInverted = "header-inverted": "the header state was recorded the other way round and was turned";
    ZeroDrift = "zero-drift": "the monitor showed flow while no grain could flow; that much was taken off";
    Uncalibrated = "uncalibrated": "no scale tickets: the level of the yields, and with it of the response, rests on the monitor's own calibration";
    TicketsDisagree = "tickets-disagree": "the loads' weights and the monitor disagree by more than a gain can correct";
    AreaMismatch = "area-mismatch": "the area cut differs from the area inside the boundary by more than 3 %";
    SpeedDiffers = "speed-differs": "treated and check strips were harvested at speeds more than 5 % apart";
    MoistureDiffers = "moisture-differs": "treated and check strips were harvested more than 2 points of moisture apart";
    OtherAnalysesDiffer = "other-analyses-differ": "the interval leaves out 0, but those of the other analyses of the same strips all hold it";
    UnitsDoubtful = "units-doubtful": "a unit or a column may be wrong: what it says does not fit the other columns or the crop";
    DatesDoubtful = "dates-doubtful": "the dates or the clock do not fit the season, the planting or the time of day";
    PositionSteps = "position-steps": "positions stepped sideways by more than a combine can have driven; these records were moved back to the line of their pass";
    WideExtent = "wide-extent": "the records reach over more than 5 km: they may be of several fields";
    SoilIncomplete = "soil-incomplete": "the soil map does not cover every segment; those outside have no class";
    StationFar = "station-far": "the weather station is farther than 20 km, so the field may have had other rain";
    WetnessMissing = "wetness-missing": "no precipitation departure is known at this field";
    GeometryRepaired = "geometry-repaired": "a polygon crossed itself and was repaired";
    StripsDisagree = "strips-disagree": "the drawn strips and the log of what was put down disagree; one of them was used";
    LogMoved = "log-moved": "the planter's log lay a steady distance to one side of the combine's and was moved by that much";
    LogOffsetUnknown = "log-offset-unknown": "it is not known how far the planter's log lies to one side of the combine's: passes along the borders of strips may count for the wrong side";
    GroundLeftOut = "ground-left-out": "more than a tenth of the ground was left out because the product did not run there as it should";
    ObservedOffStrips = "observed-off-strips": "counts or ratings that lie on no strip were left out";
    ObservedNotBlind = "observed-not-blind": "who counted or rated knew the treatment, or nothing says that they did not";
    CovariateIncomplete = "covariate-incomplete": "a covariate is missing on more than a tenth of the ground, or for the whole field";
    SingleYear = "single-year": "one season only: what is said of other years rests on what trials elsewhere showed, not on this archive";
    SingleSiteYear = "single-site-year": "one site-year only: nothing is said beyond this field and year";
    FewSiteYears = "few-site-years": "fewer than five site-years: the spread between them is poorly known";
    FewSeasons = "few-seasons": "fewer than three seasons: what is said of other years rests mostly on what trials elsewhere showed";
    RestsOnOne = "rests-on-one": "without one of the site-years the mean response would change its sign";
    ArchiveAnswer = "archive-answer": "this field had no strips: the answer is that of the archive for its soils";
    OutlookShort = "outlook-short": "the outlook rests on fewer than ten seasons";
    ZoningUnproven = "zoning-unproven": "with each season or field predicted from the others, zones were not shown to earn more than treating everything or nothing";
    PromisedTooMuch = "promised-too-much": "with seasons or fields left out, the ground that was chosen returned less than promised; with that taken off it is not expected to pay here, so it is to be tested";
    PromisesNotKept = "promises-not-kept": "what former plans promised was not kept: the harvests fell outside the predicted intervals too often, or made less money";
    TiledMixed = "tiled-mixed": "the drainage class describes the soil before tiling; some of this ground is tiled";
}

/// A set of cautions with, for each, the details that were measured.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Cautions(BTreeMap<Caution, String>);

impl Cautions {
    /// Adds a caution; a second detail of the same caution is appended.
    pub fn add(&mut self, caution: Caution, detail: impl Into<String>) {
        let detail = detail.into();
        let entry = self.0.entry(caution).or_default();
        if !detail.is_empty() && !entry.split("; ").any(|known| known == detail) {
            if !entry.is_empty() {
                entry.push_str("; ");
            }
            entry.push_str(&detail);
        }
    }

    /// Adds all of another set.
    pub fn extend(&mut self, other: &Self) {
        for (caution, detail) in &other.0 {
            self.add(*caution, detail.clone());
        }
    }

    /// Whether the caution was raised.
    pub fn contains(&self, caution: Caution) -> bool {
        self.0.contains_key(&caution)
    }

    /// Whether nothing was raised.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The cautions and their details, in the order of the list.
    pub fn iter(&self) -> impl Iterator<Item = (Caution, &str)> {
        self.0.iter().map(|(caution, detail)| (*caution, detail.as_str()))
    }

    /// The codes joined with semicolons, as in the `caution` column.
    pub fn codes(&self) -> String {
        self.0.keys().map(|caution| caution.code()).collect::<Vec<_>>().join(";")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_unique() {
        let mut codes: Vec<_> = Caution::ALL.iter().map(|caution| caution.code()).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), Caution::ALL.len());
    }

    #[test]
    fn details_are_kept_once() {
        let mut cautions = Cautions::default();
        cautions.add(Caution::LagAssumed, "machine A");
        cautions.add(Caution::LagAssumed, "machine A");
        cautions.add(Caution::LagAssumed, "machine B");
        assert_eq!(cautions.codes(), "lag-assumed");
        assert_eq!(cautions.iter().next().unwrap().1, "machine A; machine B");
    }
}
