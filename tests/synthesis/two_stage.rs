//! Archives of summaries: the thirteen vaccine trials of Colditz et al. 1994 (J. Am. Med. Assoc. 271:698–702) read as
//! site-years with an estimate and no blocks, their latitudes as departures. Expected values: metafor 3.8.1 in R 4.2.2
//! (`rma`, REML with Knapp–Hartung; `leave1out`), copied by program; published in Viechtbauer 2010, J. Stat. Softw. 36(3).

use bandlift::points::Cautions;
use bandlift::results::{Estimate, Estimator, ForestKind, Gradient, SiteYear};
use bandlift::synthesise;

use crate::site_years::{Draw, World, settings};
use crate::support::{Tol, close};

const Y: [f64; 13] = [
    -0.889311333920205,
    -1.58538865720143,
    -1.34807314829969,
    -1.44155119002131,
    -0.217547322211296,
    -0.786115585818864,
    -1.62089822359839,
    0.0119523335238405,
    -0.469417648738149,
    -1.37134480347278,
    -0.339358828338391,
    0.445913400571379,
    -0.0173139482168798,
];
const V: [f64; 13] = [
    0.325584765003961,
    0.194581121398144,
    0.415367965367965,
    0.0200100319022476,
    0.0512101721696309,
    0.00690561845590876,
    0.223017247572315,
    0.00396157929781773,
    0.056434210463249,
    0.0730247936130289,
    0.0124122139715597,
    0.532505845200153,
    0.0714046596839863,
];
const LATITUDE: [f64; 13] = [44.0, 55.0, 42.0, 52.0, 13.0, 44.0, 19.0, 13.0, 27.0, 42.0, 18.0, 33.0, 33.0];
const WITHOUT: [(f64, f64); 13] = [
    (-0.707083784699259, 0.336156701803629),
    (-0.654031200293526, 0.292583083996311),
    (-0.685554410836617, 0.320737929649036),
    (-0.628409369807674, 0.262758148091002),
    (-0.764170095140256, 0.327803260442081),
    (-0.710876555564008, 0.359554070376809),
    (-0.655247599784662, 0.293025869767263),
    (-0.794767604515521, 0.273182929386648),
    (-0.741197299304493, 0.349452009805488),
    (-0.653032915305876, 0.298724504633231),
    (-0.757858626723502, 0.340488287792991),
    (-0.759812099334467, 0.308162214795441),
    (-0.777536184894367, 0.303733366367171),
];

/// Each trial a site-year of its own season.
fn trials() -> Vec<SiteYear> {
    let mut site_years = Draw::new(1).archive(&World { seasons: 13, ..World::default() }, 13, &settings()).0;
    for (at, one) in site_years.iter_mut().enumerate() {
        one.differences.clear();
        one.responses.retain(|response| response.key.class.is_none());
        one.wetness_mm = Some(LATITUDE[at]);
        one.responses[0].cautions = Cautions::default();
        one.responses[0].estimate = Estimate {
            mean: Some(Y[at]),
            std_error: Some(V[at].sqrt()),
            // So many that the variance is as good as known.
            df: Some(1e12),
            ..Estimate::default()
        };
    }
    site_years
}

#[test]
fn the_mean_is_that_of_the_published_analysis() {
    let synthesis = synthesise::run(&trials(), &settings());
    let zone = synthesis.zones.iter().find(|zone| zone.class.is_none() && zone.wetness.is_none()).unwrap();
    assert_eq!((zone.estimator, zone.site_years), (Estimator::TwoStage, 13));
    let tol = Tol { abs: 1e-9, rel: 2e-7 };
    close("mean", zone.estimate.mean.unwrap(), -0.714532342158139, tol);
    close("standard error", zone.estimate.std_error.unwrap(), 0.180791744092848, tol);
    close("τ²", zone.tau.unwrap().powi(2), 0.313243258136481, tol);
    close("df", zone.estimate.df.unwrap(), 12.0, tol);
    close("p", zone.estimate.p_value.unwrap(), 0.00192001509605729, Tol::rel(1e-5));
}

#[test]
fn leaving_one_out_is_that_of_the_other_program() {
    let synthesis = synthesise::run(&trials(), &settings());
    let rows: Vec<_> =
        synthesis.forest.iter().filter(|row| row.kind == ForestKind::SiteYear && row.class.is_none()).collect();
    assert_eq!(rows.len(), 13);
    for (row, (mean, tau2)) in rows.iter().zip(WITHOUT) {
        let without = row.without.unwrap();
        close("mean", without.mean, mean, Tol::rel(2e-7));
        close("τ²", without.tau.powi(2), tau2, Tol::rel(2e-7));
        assert!(!row.turns_sign);
    }
}

/// metafor's `rma(yi, vi, mods = ~ ablat, method = "REML", test = "knha")`.
#[test]
fn the_slope_over_departures_is_the_published_slope_over_latitude() {
    let synthesis = synthesise::run(&trials(), &settings());
    let trend = synthesis.trends.iter().find(|trend| trend.gradient == Gradient::Wetness).unwrap();
    assert_eq!(trend.site_years, 13);
    // The departures span 42: less than the two inches between the default wetness classes.
    assert!(trend.estimate.mean.is_none());
    let mut wide = trials();
    for one in &mut wide {
        one.wetness_mm = one.wetness_mm.map(|mm| 10.0 * mm);
    }
    let synthesis = synthesise::run(&wide, &settings());
    let trend = synthesis.trends.iter().find(|trend| trend.gradient == Gradient::Wetness).unwrap();
    close("slope", 10.0 * trend.estimate.mean.unwrap(), SLOPE.0, Tol::rel(1e-6));
    close("its standard error", 10.0 * trend.estimate.std_error.unwrap(), SLOPE.1, Tol::rel(1e-6));
    close("df", trend.estimate.df.unwrap(), 11.0, Tol::abs(1e-9));
}

/// Slope and standard error.
const SLOPE: (f64, f64) = (-0.0291017250116497, 0.0082014174110366);
