//! What published trials over several sites and years showed of the spread of a difference, in percent of the mean: the
//! figures by which the priors of the synthesis were chosen, found again from the data (`tests/data`). Published components of
//! van Eeuwijk & Kroonenberg 1998: as the documentation of the agridat collection prints them (Sahai & Ojeda, Analysis of
//! Variance for Random Models, vol. 1, p. 266; the book was not seen).

use std::collections::BTreeMap;

use crate::support::{Tol, close, close_to_printed, open_data};

fn table(file: &str) -> Vec<Vec<String>> {
    let text = open_data(file);
    text.lines().skip(1).map(|line| line.split(',').map(|cell| cell.trim_matches('"').to_owned()).collect()).collect()
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let all: Vec<f64> = values.collect();
    all.iter().sum::<f64>() / all.len() as f64
}

/// Standard deviations between years, between sites and of the rest, of one value a year and site: analysis of variance.
fn spreads(cells: &BTreeMap<(String, String), f64>) -> (f64, f64, f64) {
    let all = mean(cells.values().copied());
    let by = |pick: &dyn Fn(&(String, String)) -> String| {
        let mut groups: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for (key, value) in cells {
            groups.entry(pick(key)).or_default().push(*value);
        }
        groups.into_iter().map(|(key, own)| (key, mean(own.into_iter()))).collect::<BTreeMap<_, _>>()
    };
    let (sites, years) = (by(&|key| key.0.clone()), by(&|key| key.1.clone()));
    let (s, y) = (sites.len() as f64, years.len() as f64);
    let of_sites = y * sites.values().map(|one| (one - all).powi(2)).sum::<f64>() / (s - 1.0);
    let of_years = s * years.values().map(|one| (one - all).powi(2)).sum::<f64>() / (y - 1.0);
    let rest = cells.iter().map(|(key, value)| (value - sites[&key.0] - years[&key.1] + all).powi(2)).sum::<f64>()
        / ((s - 1.0) * (y - 1.0));
    let root = |square: f64| square.max(0.0).sqrt();
    (root((of_years - rest) / s), root((of_sites - rest) / y), rest.sqrt())
}

/// The mean over all pairs of varieties of a difference's variances is twice the component of variety × year, and so on.
#[test]
fn maize_varieties_over_years_and_sites() {
    let rows = table("vaneeuwijk_drymatter.csv");
    let level = mean(rows.iter().map(|row| row[3].parse().unwrap()));
    let mut by_variety: BTreeMap<String, BTreeMap<(String, String), f64>> = BTreeMap::new();
    for row in &rows {
        by_variety.entry(row[2].clone()).or_default().insert((row[1].clone(), row[0].clone()), row[3].parse().unwrap());
    }
    // deviations of each variety from the mean of its environment, pooled: the analysis of variance of the interactions
    let varieties = by_variety.len() as f64;
    let (mut year, mut site, mut rest) = (0.0, 0.0, 0.0);
    let environments: BTreeMap<(String, String), f64> = by_variety
        .values()
        .next()
        .unwrap()
        .keys()
        .map(|key| (key.clone(), mean(by_variety.values().map(|own| own[key]))))
        .collect();
    for own in by_variety.values() {
        let apart: BTreeMap<_, _> = own.iter().map(|(key, value)| (key.clone(), value - environments[key])).collect();
        let all = mean(apart.values().copied());
        let by = |pick: &dyn Fn(&(String, String)) -> String, name: &str| {
            mean(apart.iter().filter(|(key, _)| pick(key) == name).map(|(_, value)| *value)) - all
        };
        for ((at, when), value) in &apart {
            let (of_site, of_year) = (by(&|key| key.0.clone(), at), by(&|key| key.1.clone(), when));
            year += of_year.powi(2);
            site += of_site.powi(2);
            rest += (value - all - of_site - of_year).powi(2);
        }
    }
    let rest = rest / (3.0 * 6.0 * (varieties - 1.0));
    let (of_year, of_site) =
        ((year / (6.0 * (varieties - 1.0)) - rest) / 4.0, (site / (3.0 * (varieties - 1.0)) - rest) / 7.0);
    close_to_printed("variety × year", of_year, "0.3187");
    close_to_printed("variety × site", of_site, "0.03502");
    close_to_printed("the rest", rest, "0.8885");
    let share = |variance: f64| 100.0 * (2.0 * variance).sqrt() / level;
    close_to_printed("seasons, %", share(of_year), "2.9");
    close_to_printed("sites, %", share(of_site), "1.0");
    close_to_printed("site-years, %", share(rest), "4.9");
}

#[test]
fn nitrogen_on_corn_over_years_and_sites() {
    let rows = table("engelstad_nitro.csv");
    let of_rate = |rate: &str| -> BTreeMap<(String, String), f64> {
        let own = rows.iter().filter(|row| row[2] == rate);
        own.map(|row| ((row[0].clone(), row[1].clone()), row[3].parse().unwrap())).collect()
    };
    for (low, high, seasons, sites, rest) in
        [("67", "134", "8.4", "9.4", "2.7"), ("134", "201", "0", "7.1", "8.8"), ("201", "268", "0", "0", "4.6")]
    {
        let (low, high) = (of_rate(low), of_rate(high));
        let level = 0.5 * (mean(low.values().copied()) + mean(high.values().copied()));
        let steps = high.iter().map(|(key, value)| (key.clone(), value - low[key])).collect();
        let (of_years, of_sites, of_rest) = spreads(&steps);
        for (what, found, printed) in
            [("seasons", of_years, seasons), ("sites", of_sites, sites), ("site-years", of_rest, rest)]
        {
            close_to_printed(what, 100.0 * found / level, printed);
        }
    }
}

#[test]
fn two_barleys_on_farms() {
    let mut trials: BTreeMap<(String, String, String), (f64, f64)> = BTreeMap::new();
    for row in table("student_barley.csv") {
        let entry = trials.entry((row[0].clone(), row[1].clone(), row[2].clone())).or_default();
        let value: f64 = row[5].parse().unwrap();
        if row[4] == "Archer" { entry.0 = value } else { entry.1 = value }
    }
    let differences: Vec<f64> = trials.values().map(|(one, other)| one - other).collect();
    let level = mean(trials.values().map(|(one, other)| 0.5 * (one + other)));
    let middle = mean(differences.iter().copied());
    let sd = (differences.iter().map(|one| (one - middle).powi(2)).sum::<f64>() / 50.0).sqrt();
    close("% of the mean", 100.0 * sd / level, 13.7, Tol::abs(0.05));
}
