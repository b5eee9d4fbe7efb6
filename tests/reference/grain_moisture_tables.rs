//! Wet and dry grain, as extension publications print it.
//!
//! Typed from the publications' text, each value with the digits printed; the formula in all of them is that dry matter
//! is conserved: `dry = wet × (100 − M) / (100 − M_market)`.

use bandlift::config::ArchiveSettings;
use bandlift::quantity::{BushelWeight, YieldUnit, dry_factor};

use crate::support::{Tol, close, close_to_printed};

/// D. R. Hicks & H. A. Cloud (University of Minnesota), Calculating Grain Weight Shrinkage in Corn Due to Mechanical
/// Drying, National Corn Handbook NCH-61: the factor to 12 % is 1.136. D. Karki (SDSU Extension), Corn grain moisture
/// shrinkage, 25 October 2019: factors 1.18 (15.5 and 15 %), 1.16 (14 %), 1.15 (13 %), 1.14 (12 %), and 11.24 % from 25 to
/// 15.5 %. K. Dillivan (SDSU Extension), Understanding corn shrink, October 2014: 1.176 (15 %).
#[test]
fn shrink_factors_are_those_of_the_tables() {
    let factor = |market: f64| 100.0 / (100.0 - market);
    for (market, printed) in [
        (12.0, "1.136"),
        (15.5, "1.18"),
        (15.0, "1.18"),
        (14.0, "1.16"),
        (13.0, "1.15"),
        (12.0, "1.14"),
        (15.0, "1.176"),
    ] {
        // One point of moisture shrinks the weight by this factor in percent.
        let per_point = 100.0 * (dry_factor(20.0, market) - dry_factor(21.0, market));
        close("slope of the dry weight", per_point, factor(market), Tol::rel(1e-12));
        close_to_printed("shrink factor", per_point, printed);
    }
    close_to_printed("shrink 25 to 15.5 %", 100.0 * (1.0 - dry_factor(25.0, 15.5)), "11.24");
}

/// R. L. Nielsen (Purdue University), Converting Wet Corn Weight to Dry Corn Weight: 100,000 lb at 20 % are 94,118 lb at
/// 15 %. Table for Converting Wet Kilograms of Grain Corn to Dry Tonnes (Ontario): 10,000 kg at 25.8 % are 8.781 t at
/// 15.5 %, 1,138.8 kg make a tonne.
#[test]
fn wet_weights_convert_to_dry_ones() {
    close_to_printed("lb at 15 %", 100_000.0 * dry_factor(20.0, 15.0), "94118");
    close_to_printed("t at 15.5 %", 10.0 * dry_factor(25.8, 15.5), "8.781");
    close_to_printed("kg for a tonne", 1000.0 / dry_factor(25.8, 15.5), "1138.8");
}

/// Weights of shelled corn equal to 56 lb at 15.5 %, and of soybeans equal to 60 lb at 13 %, by moisture: moisture
/// conversion tables 3 and 4, ear-corn values credited there to M. Zuber, University of Missouri (read on a third-party
/// page; the attribution to MU Extension G4020 is from memory). The tables cut, so a unit of the last digit is allowed.
#[test]
fn equal_weights_by_moisture_are_those_of_the_tables() {
    for (moisture, pounds) in [
        (16.0, 56.33),
        (18.0, 57.70),
        (20.0, 59.15),
        (22.0, 60.66),
        (25.0, 63.09),
        (28.0, 65.72),
        (30.0, 67.60),
        (35.0, 72.80),
    ] {
        close("corn", 56.0 / dry_factor(moisture, 15.5), pounds, Tol::abs(0.01));
    }
    for (moisture, pounds) in [
        (10.0, 58.00),
        (11.0, 58.65),
        (12.0, 59.32),
        (15.0, 61.41),
        (18.0, 63.66),
        (20.0, 65.25),
        (25.0, 69.60),
        (30.0, 74.57),
    ] {
        close("soybean", 60.0 / dry_factor(moisture, 13.0), pounds, Tol::abs(0.01));
    }
}

/// M. Rankin (University of Wisconsin-Extension), Harvest Time Math 101: corn 56 lb at 15.5 %, soybean 60 lb at 13 %, wheat
/// 60 lb at 13.5 %, oats 32 lb at 14 %, barley 48 lb at 14.5 %. One bushel an acre in kg/ha follows from the pound and the
/// acre (NIST SP 811, Appendix B.8).
#[test]
fn crops_have_the_trade_moistures_and_bushel_weights() {
    let text = "name = \"x\"\n[crops.corn]\n[crops.soybean]\n[crops.wheat]\n[crops.oats]\n[crops.barley]\n";
    let settings = ArchiveSettings::parse("archive.toml", text).unwrap();
    for (crop, pounds, moisture, kg_ha) in [
        ("corn", 56.0, 15.5, "62.77"),
        ("soybean", 60.0, 13.0, "67.25"),
        ("wheat", 60.0, 13.5, "67.25"),
        ("oats", 32.0, 14.0, "35.87"),
        ("barley", 48.0, 14.5, "53.80"),
    ] {
        let found = &settings.crops[crop];
        close("market moisture", found.market_moisture_pct, moisture, Tol::abs(1e-9));
        close("bushel", found.bushel_kg, BushelWeight::from_pounds(pounds).kg, Tol::rel(1e-12));
        close_to_printed("bu/ac in kg/ha", YieldUnit::BushelsPerAcre.kg_per_ha(found.bushel()), kg_ha);
    }
}

/// First record of the open corn field of the University of Minnesota Precision Agriculture Center (agridat collection):
/// 16.54 lb/s over 3 s at 18.5 %, 116 in travelled, 360 in wide, are 128.36880724050485 bu/ac at 15.5 % by the formula
/// printed with the data.
#[test]
fn a_record_becomes_bushels_an_acre() {
    let mass_kg = 16.54 * 3.0 * 0.453_592_37;
    let area_m2 = 116.0 * 360.0 * 0.025_4 * 0.025_4;
    let kg_ha = mass_kg * dry_factor(18.5, 15.5) / area_m2 * 1e4;
    let corn = BushelWeight::from_pounds(56.0);
    close("bu/ac", kg_ha / YieldUnit::BushelsPerAcre.kg_per_ha(corn), 128.368_807_240_504_85, Tol::rel(1e-12));
}
