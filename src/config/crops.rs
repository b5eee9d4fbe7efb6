//! `[crops.…]`: market moisture, bushel weight, price, and what is plausible.

use std::collections::BTreeMap;

use serde::Serialize;

use super::section::Section;
use super::treatments::{cost_rate, one_currency, season_sections};
use crate::quantity::{
    BushelWeight, Currency, Mass, MoneyRate, Percent, Quantity, QuantityError, YieldUnit, split_number,
};

/// The resolved settings of one crop.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CropSettings {
    /// Moisture at which the grain is traded, percent wet basis.
    pub market_moisture_pct: f64,
    /// Kilograms in one bushel.
    pub bushel_kg: f64,
    /// Price of grain at market moisture, money per kilogram; absent when nothing is costed.
    pub price_per_kg: Option<f64>,
    /// Drying cost, money per kilogram and point of moisture above market.
    pub drying_per_kg_point: f64,
    /// Hauling, handling and whatever else is paid for each kilogram of grain, money per kilogram.
    pub hauling_per_kg: f64,
    /// What differed in single seasons.
    pub seasons: BTreeMap<i32, SeasonPrices>,
    /// Plausible yield at market moisture, kg/ha.
    pub plausible_yield_kg_ha: (f64, f64),
    /// Moisture at which this crop is harvested, percent.
    pub plausible_moisture_pct: (f64, f64),
}

/// Prices and costs of one season; what is absent is as in all others.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct SeasonPrices {
    /// Price of grain at market moisture, money per kilogram.
    pub price_per_kg: Option<f64>,
    /// Drying cost, money per kilogram and point of moisture above market.
    pub drying_per_kg_point: Option<f64>,
    /// Hauling and handling, money per kilogram.
    pub hauling_per_kg: Option<f64>,
}

impl CropSettings {
    /// The settings with the prices and costs of a season.
    #[must_use]
    pub fn in_season(&self, season: i32) -> Self {
        let own = self.seasons.get(&season).copied().unwrap_or_default();
        Self {
            price_per_kg: own.price_per_kg.or(self.price_per_kg),
            drying_per_kg_point: own.drying_per_kg_point.unwrap_or(self.drying_per_kg_point),
            hauling_per_kg: own.hauling_per_kg.unwrap_or(self.hauling_per_kg),
            ..self.clone()
        }
    }

    /// The bushel weight.
    pub fn bushel(&self) -> BushelWeight {
        BushelWeight { kg: self.bushel_kg }
    }
}

/// A crop that is known without settings.
struct KnownCrop {
    key: &'static str,
    market_moisture_pct: f64,
    bushel_lb: f64,
    plausible_bu_ac: (f64, f64),
    moisture_pct: (f64, f64),
}

/// Trade conventions. Moistures and bushel weights: M. Rankin, "Harvest Time Math 101", University of
/// Wisconsin-Extension (corn 15.5 % and 56 lb, soybean 13 % and 60 lb, wheat 13.5 % and 60 lb, oats 14 % and 32 lb,
/// barley 14.5 % and 48 lb); grain sorghum 14 % and 56 lb, and canola 8.5 % and 50 lb: common practice, no source;
/// buyers differ, so that these two are best set in archive.toml. The plausible ranges are common practice, no source.
const KNOWN: [KnownCrop; 7] = [
    known("corn", 15.5, 56.0, 400.0, (8.0, 40.0)),
    known("soybean", 13.0, 60.0, 130.0, (6.0, 25.0)),
    known("wheat", 13.5, 60.0, 200.0, (7.0, 30.0)),
    known("sorghum", 14.0, 56.0, 250.0, (8.0, 30.0)),
    known("barley", 14.5, 48.0, 220.0, (7.0, 30.0)),
    known("oats", 14.0, 32.0, 250.0, (7.0, 30.0)),
    known("canola", 8.5, 50.0, 100.0, (5.0, 20.0)),
];

const fn known(key: &'static str, market: f64, lb: f64, most_bu_ac: f64, moisture: (f64, f64)) -> KnownCrop {
    KnownCrop {
        key,
        market_moisture_pct: market,
        bushel_lb: lb,
        plausible_bu_ac: (0.0, most_bu_ac),
        moisture_pct: moisture,
    }
}

pub(super) fn read(
    root: &Section<'_, '_>,
    currency: &mut Option<Currency>,
    priced: bool,
) -> BTreeMap<String, CropSettings> {
    let Some(section) = root.required("crops", root.section("crops"), "at least one table such as [crops.corn]") else {
        return BTreeMap::new();
    };
    let keys = section.keys();
    if keys.is_empty() {
        root.fault("crops", "is empty; expected at least one table such as [crops.corn]");
    }
    keys.into_iter()
        .filter_map(|key| {
            let entry = section.section(&key)?;
            let crop = read_one(&entry, &key, currency, priced);
            entry.finish_known();
            Some((key, crop?))
        })
        .collect()
}

fn read_one(entry: &Section<'_, '_>, key: &str, currency: &mut Option<Currency>, priced: bool) -> Option<CropSettings> {
    let built_in = KNOWN.iter().find(|known| known.key == key || (known.key == "sorghum" && key == "grain_sorghum"));
    let why = "a value, since this crop is not one of corn, soybean, wheat, sorghum, barley, oats, canola";

    let moisture = entry.quantity::<Percent>("market_moisture").map(Quantity::si);
    if let Some(moisture) = moisture
        && !(0.0..60.0).contains(&moisture)
    {
        entry.fault("market_moisture", format!("must lie between 0 and 60 %, found {moisture} %"));
    }
    let moisture = moisture.or(built_in.map(|known| known.market_moisture_pct));
    let moisture = entry.required("market_moisture", moisture, why);

    // A test weight is written as weight of one bushel, `56 lb/bu`.
    let bushel = entry
        .with_unit("test_weight", |text| {
            let (number, unit) = split_number(text, "test weight")?;
            let per_bushel = unit.strip_suffix("/bu").map(str::trim);
            let unknown = || QuantityError::UnknownUnit {
                quantity: "test weight",
                found: unit.to_owned(),
                fitting: "lb/bu, kg/bu".to_owned(),
                nearest: None,
            };
            Ok(number * Mass::unit(per_bushel.ok_or_else(unknown)?).map_err(|_| unknown())?.factor)
        })
        .or(built_in.map(|known| BushelWeight::from_pounds(known.bushel_lb).kg));
    if let Some(kg) = bushel
        && kg <= 0.0
    {
        entry.fault("test_weight", format!("must be greater than 0, found {kg} kg/bu"));
    }
    let bushel = entry.required("test_weight", bushel, why).map(|kg| BushelWeight { kg });

    let prices = Prices::read(entry, currency);
    if priced {
        entry.required("price", prices.price, "a price such as \"4.20 USD/bu\"");
    }
    let mut seasons = BTreeMap::new();
    for (season, section) in season_sections(entry) {
        let own = Prices::read(&section, currency);
        section.finish_known();
        seasons.insert(season, own);
    }

    let bushel = bushel?;
    let plausible_yield = range(entry, "plausible_yield", |text| {
        let (number, unit) = split_number(text, "yield")?;
        Ok(number * YieldUnit::parse(unit)?.kg_per_ha(bushel))
    })
    .or(built_in.map(|known| {
        let (low, high) = known.plausible_bu_ac;
        let unit = YieldUnit::BushelsPerAcre.kg_per_ha(BushelWeight::from_pounds(known.bushel_lb));
        (low * unit, high * unit)
    }));
    let plausible_yield =
        entry.required("plausible_yield", plausible_yield, "a range such as [\"0 t/ha\", \"9 t/ha\"]");
    let plausible_moisture = range(entry, "plausible_moisture", |text| Percent::parse(text).map(Quantity::si))
        .or(built_in.map(|known| known.moisture_pct));
    let plausible_moisture =
        entry.required("plausible_moisture", plausible_moisture, "a range such as [\"7 %\", \"30 %\"]");
    let all = prices.per_kg(bushel);
    Some(CropSettings {
        market_moisture_pct: moisture?,
        bushel_kg: bushel.kg,
        price_per_kg: all.price_per_kg,
        drying_per_kg_point: all.drying_per_kg_point.unwrap_or(0.0),
        hauling_per_kg: all.hauling_per_kg.unwrap_or(0.0),
        seasons: seasons.into_iter().map(|(season, own)| (season, own.per_kg(bushel))).collect(),
        plausible_yield_kg_ha: plausible_yield?,
        plausible_moisture_pct: plausible_moisture?,
    })
}

/// Prices and costs as they are typed.
#[derive(Debug, Clone, Copy)]
struct Prices {
    price: Option<MoneyRate>,
    drying: Option<MoneyRate>,
    hauling: Option<MoneyRate>,
}

impl Prices {
    fn read(entry: &Section<'_, '_>, currency: &mut Option<Currency>) -> Self {
        let price = entry.with_unit("price", MoneyRate::parse_price);
        if let Some(price) = price {
            one_currency(entry, "price", price, currency);
            if price.amount <= 0.0 {
                entry.fault("price", format!("must be greater than 0, found {}", price.amount));
            }
        }
        let drying = cost_rate(entry, "drying", MoneyRate::parse_drying, currency);
        let hauling = cost_rate(entry, "hauling", MoneyRate::parse_hauling, currency);
        Self { price, drying, hauling }
    }

    fn per_kg(&self, bushel: BushelWeight) -> SeasonPrices {
        let of = |rate: Option<MoneyRate>| rate.and_then(|rate| rate.per_kg(bushel));
        SeasonPrices {
            price_per_kg: of(self.price),
            drying_per_kg_point: of(self.drying),
            hauling_per_kg: of(self.hauling),
        }
    }
}

/// Two quantities, the first the smaller.
fn range(entry: &Section<'_, '_>, key: &str, read: impl Fn(&str) -> Result<f64, QuantityError>) -> Option<(f64, f64)> {
    let texts = entry.texts(key)?;
    let ends: Result<Vec<f64>, _> = texts.iter().map(|text| read(text)).collect();
    match ends {
        Err(error) => entry.fault(key, error.to_string()),
        Ok(ends) if ends.len() == 2 && ends[0] < ends[1] => return Some((ends[0], ends[1])),
        Ok(_) => entry.fault(key, format!("expected a low and a high end, found [{}]", texts.join(", "))),
    }
    None
}
