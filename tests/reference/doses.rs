//! Responses over rates against fits of general statistics programs and a published optimum.
//!
//! Engelstad and Parks 1971, Agronomy Journal 63:21 (corn, quintal/ha, six nitrogen rates, by way of the agridat collection): the collection's
//! documentation names a plateau from 225 on and an optimum of 140 at 0.11 and 1.15 (the fit gives 140.78). Coefficients of the other
//! site-years by `nls` and `lm` of R 4.2.2. Las Rosas 1999 (Anselin and others 2004, see `anselin_2004_corn`): `lm(yield ~ rep + nitro + nitro²)` on strip
//! means.

use std::collections::BTreeMap;

use crate::economics::doses::{Fit, Tested, best_plateau, fit, weighed};
use crate::results::DoseForm;
use crate::stats::dense::{Cholesky, Mat};
use crate::support::{Tol, close, open_data};

/// Differences from the yield at the lowest rate, whose error they share; errors of one unit.
fn tested(yields: &BTreeMap<i64, f64>) -> Tested {
    let check = *yields.keys().next().unwrap();
    let rates: Vec<i64> = yields.keys().copied().skip(1).collect();
    let count = rates.len();
    let covariance = Mat::from_fn(count, count, |i, j| if i == j { 2.0 } else { 1.0 });
    Tested {
        rates: rates.iter().map(|rate| *rate as f64).collect(),
        check: check as f64,
        responses: rates.iter().map(|rate| yields[rate] - yields[&check]).collect(),
        covariance: Cholesky::of_owned(covariance).unwrap(),
        count: count as f64,
    }
}

fn engelstad(place: &str, year: &str) -> Tested {
    let text = open_data("engelstad_nitro.csv");
    let rows = text.lines().skip(1).map(|line| line.replace('"', "").split(',').map(str::to_owned).collect::<Vec<_>>());
    let own = rows.filter(|row| row[0] == place && row[1] == year);
    tested(&own.map(|row| (row[2].parse().unwrap(), row[3].parse().unwrap())).collect())
}

fn parabola(tested: &Tested) -> Fit {
    fit(tested, DoseForm::Quadratic, 0.0).unwrap()
}

#[test]
fn nitrogen_on_corn_levels_off_where_it_was_published_to() {
    let jackson = engelstad("Jackson", "1962");
    let found = best_plateau(&jackson).unwrap();
    close("plateau", found.plateau, 225.340, Tol::abs(0.01));
    // the slope at no nitrogen is k M
    close("k", found.coefficients[0] / found.plateau, 0.001_131_22, Tol::rel(1e-4));
    close("rest", found.misfit, 8.530_486, Tol::rel(1e-5));
    // the slope is the price ratio, 0.11 / 1.15, at M (1 − ratio / b)
    let optimum = found.plateau * (1.0 - 0.11 / 1.15 / found.coefficients[0]);
    close("optimum", optimum, 140.78, Tol::abs(0.02));
    for (place, year, plateau, k, rest, b1, b2, parabola_rest) in [
        ("Knoxville", "1962", 117.586_765, 0.005_040_991, 36.09, 0.298_182_3, -0.000_628_122_7, 106.066_929),
        ("Jackson", "1963", 243.535_014, 0.002_027_698, 9.396_110, 0.470_250_5, -0.000_892_260_4, 6.506_929),
        ("Jackson", "1966", 203.957_413, 0.001_699_788, 14.235_691, 0.290_383_8, -0.000_577_602_4, 34.505_143),
    ] {
        let tested = engelstad(place, year);
        let found = best_plateau(&tested).unwrap();
        close(year, found.plateau, plateau, Tol::rel(1e-4));
        close(year, found.coefficients[0] / found.plateau, k, Tol::rel(1e-3));
        close(year, found.misfit, rest, Tol::rel(1e-4));
        let found = parabola(&tested);
        close(year, found.coefficients[0], b1, Tol::rel(1e-6));
        close(year, found.coefficients[1], b2, Tol::rel(1e-6));
        close(year, found.misfit, parabola_rest, Tol::rel(1e-6));
    }
    // where nothing is gained beyond the lowest rate, the plateau begins at it
    close("at the edge", best_plateau(&engelstad("Knoxville", "1965")).unwrap().plateau, 67.0, Tol::abs(0.01));
}

#[test]
fn strip_means_of_nitrogen_have_the_slopes_that_least_squares_gives() {
    let text = open_data("lasrosas_1999.csv");
    let mut lines = text.lines().map(|line| line.replace('"', "").split(',').map(str::to_owned).collect::<Vec<_>>());
    let header = lines.next().unwrap();
    let at = |name: &str| header.iter().position(|one| one == name).unwrap();
    let (replicate, rate, grain) = (at("rep"), at("nitro"), at("yield"));
    let mut strips: BTreeMap<(String, i64), (f64, f64)> = BTreeMap::new();
    for row in lines {
        // tenths of a kilogram: the highest is 131.5
        let nitrogen = (10.0 * row[rate].parse::<f64>().unwrap()).round() as i64;
        let sums = strips.entry((row[replicate].clone(), nitrogen)).or_default();
        sums.0 += row[grain].parse::<f64>().unwrap();
        sums.1 += 1.0;
    }
    let mut means: BTreeMap<i64, f64> = BTreeMap::new();
    for ((_, nitrogen), (sum, count)) in &strips {
        *means.entry(*nitrogen).or_default() += sum / count / 3.0;
    }
    assert_eq!(strips.len(), 18);
    let mut tested = tested(&means);
    tested.rates.iter_mut().for_each(|rate| *rate /= 10.0);
    let found = parabola(&tested);
    close("slope", found.coefficients[0], 0.112923590467843, Tol::rel(1e-6));
    close("bend", found.coefficients[1], -0.000319253002092992, Tol::rel(1e-6));
    // the weights of the forms sum to 1, and none beyond the tested rates is asked for
    let weights: f64 = weighed(&tested).iter().map(|(_, weight)| weight).sum();
    close("weights", weights, 1.0, Tol::abs(1e-6));
}
