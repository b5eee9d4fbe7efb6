//! Estimates in nested and crossed groups: school districts, a half-normal prior, plates and samples, farm trials.
//!
//! Sources: Konstantopoulos 2011, Res. Synth. Methods 2:61–76 (56 school estimates in 11 districts); Röver 2020, J. Stat. Softw.
//! 93(6) (six tables of Crins et al. 2014); Davies & Goldsmith 1972, Statistical Methods in Research and Production, 4th ed.,
//! section 6.6 (24 plates × 6 samples); Student 1923, Biometrika 15:271–293. Printed values as the documentation of R metafor
//! 5.1-12, bayesmeta 3.4 and lme4 show them; further digits by those programs in R 4.2.2, or by an integral over 4,000 nodes in
//! Python with numpy 2.4 and scipy 1.17.

use bandlift::stats::crossed::{Crossed, CrossedLeaf, CrossedPosterior, CrossedRow, Deviations, PARTS, Part, Scatter};

use crate::support::{Tol, close, close_to_printed, open_data};

/// District, estimate, variance.
#[rustfmt::skip]
const DISTRICTS: [(usize, f64, f64); 56] = [
    (11, -0.18, 0.118), (11, -0.22, 0.118), (11, 0.23, 0.144), (11, -0.3, 0.144), (12, 0.13, 0.014), (12, -0.26, 0.014), (12, 0.19, 0.015),
    (12, 0.32, 0.024), (18, 0.45, 0.023), (18, 0.38, 0.043), (18, 0.29, 0.012), (27, 0.16, 0.02), (27, 0.65, 0.004), (27, 0.36, 0.004),
    (27, 0.6, 0.007), (56, 0.08, 0.019), (56, 0.04, 0.007), (56, 0.19, 0.005), (56, -0.06, 0.004), (58, -0.18, 0.02), (58, 0.0, 0.018),
    (58, 0.0, 0.019), (58, -0.28, 0.022), (58, -0.04, 0.02), (58, -0.3, 0.021), (58, 0.07, 0.006), (58, 0.0, 0.007), (58, 0.05, 0.007),
    (58, -0.08, 0.007), (58, -0.09, 0.007), (71, 0.3, 0.015), (71, 0.98, 0.011), (71, 1.19, 0.01), (86, -0.07, 0.001), (86, -0.05, 0.001),
    (86, -0.01, 0.001), (86, 0.02, 0.001), (86, -0.03, 0.001), (86, 0.0, 0.001), (86, 0.01, 0.001), (86, -0.1, 0.001), (91, 0.5, 0.01),
    (91, 0.66, 0.011), (91, 0.2, 0.01), (91, 0.0, 0.009), (91, 0.05, 0.013), (91, 0.07, 0.013), (108, -0.52, 0.031), (108, 0.7, 0.031),
    (108, -0.03, 0.03), (108, 0.27, 0.03), (108, -0.34, 0.03), (644, 0.12, 0.087), (644, 0.61, 0.082), (644, 0.04, 0.067), (644, -0.05, 0.067),
];

/// Deviations from their squares.
fn deviations(parts: &[(Part, f64)]) -> Deviations {
    let mut all = [0.0; PARTS];
    for (part, square) in parts {
        all[*part as usize] = square.sqrt();
    }
    all
}

fn scales(parts: &[(Part, f64)]) -> [Option<f64>; PARTS] {
    let mut all = [None; PARTS];
    for (part, scale) in parts {
        all[*part as usize] = Some(*scale);
    }
    all
}

/// One row a leaf: value, variance, inner group, level of the crossed factor.
fn one_mean(rows: impl Iterator<Item = (f64, f64, usize, usize)>) -> Crossed {
    let (rows, leaves): (Vec<_>, Vec<_>) = rows
        .enumerate()
        .map(|(leaf, (y, variance, inner, cross))| {
            (
                CrossedRow { y, variance, leaf, slope: 0.0, x: vec![(0, 1.0)] },
                CrossedLeaf { outer: 0, inner, cross, shared: 0.0 },
            )
        })
        .unzip();
    Crossed::new(&rows, &leaves, 1, Scatter::default()).unwrap()
}

fn schools() -> Crossed {
    one_mean(DISTRICTS.iter().map(|&(district, y, v)| (y, v, district, 0)))
}

const SCHOOLS: [(Part, f64); 2] = [(Part::Inner, 0.0650619411655826), (Part::Leaf, 0.0327365185109622)];

#[test]
fn three_levels_have_the_published_mean_and_likelihood() {
    let at = schools().at(&deviations(&SCHOOLS)).unwrap();
    close_to_printed("mean", at.coefficients[0], "0.1847132");
    close_to_printed("standard error", at.covariance[(0, 0)].sqrt(), "0.08455592");
    let constants = -0.5 * 55.0 * std::f64::consts::TAU.ln() + 0.5 * 56_f64.ln();
    close("likelihood", at.height + constants, -7.95872403371092, Tol::abs(1e-9));
    // two levels
    let at = schools().at(&deviations(&[(Part::Leaf, 0.0884384765487791)])).unwrap();
    close("mean", at.coefficients[0], 0.127932058364942, Tol::rel(1e-9));
    close("standard error", at.covariance[(0, 0)].sqrt(), 0.0438702732374234, Tol::rel(1e-9));
    close("likelihood", at.height + constants, -16.8454994526106, Tol::abs(1e-8));
}

/// The printed variances are where the restricted likelihood is greatest.
#[test]
fn the_published_variances_are_the_likeliest() {
    let schools = schools();
    let height = |inner: f64, leaf: f64| {
        schools
            .at(&deviations(&[(Part::Inner, SCHOOLS[0].1 * inner), (Part::Leaf, SCHOOLS[1].1 * leaf)]))
            .unwrap()
            .height
    };
    let peak = height(1.0, 1.0);
    for (inner, leaf) in [(1.02, 1.0), (0.98, 1.0), (1.0, 1.02), (1.0, 0.98), (1.02, 0.98), (0.98, 1.02)] {
        assert!(height(inner, leaf) < peak, "{inner} {leaf}");
    }
    // a prior so wide that it says nothing: the peak of the density of the deviations lies by that of the likelihood
    let wide = scales(&[(Part::Inner, 50.0), (Part::Leaf, 50.0)]);
    let mode = CrossedPosterior::peak_of(&schools, &wide, None).unwrap().deviations;
    close("districts", mode[Part::Inner as usize], SCHOOLS[0].1.sqrt(), Tol::rel(0.15));
    close("schools", mode[Part::Leaf as usize], SCHOOLS[1].1.sqrt(), Tol::rel(0.10));
}

/// The districts' deviations from the mean, as the other program predicts them (its errors leave that of the mean out).
#[test]
fn districts_are_drawn_in_as_by_the_other_program() {
    let expected = [
        -0.189985951145873,
        -0.0846707681884275,
        0.140727297101134,
        0.240648137610008,
        -0.10729419603899,
        -0.236508988997159,
        0.534277795536042,
        -0.200469501151597,
        0.0571169220725359,
        -0.141683957209092,
        -0.0121567895885809,
    ];
    let groups = schools().of_groups(&deviations(&SCHOOLS), &[1.0]).unwrap();
    assert_eq!(groups.len(), expected.len());
    for ((mean, _), deviation) in groups.iter().zip(expected) {
        close("district", mean - 0.184713163259049, deviation, Tol::abs(1e-8));
    }
}

/// Log odds ratios and variances of six tables; prior half-normal with scale 0.5, flat for the mean.
const CRINS: [(f64, f64); 6] = [
    (-2.30970256076291, 0.359371833839919),
    (-0.459532329378441, 0.309576023391813),
    (-std::f64::consts::LN_10, 0.775),
    (-1.75785791752937, 0.207816091954023),
    (-1.25846098961001, 0.412159090909091),
    (-2.41789593950504, 2.33726229765834),
];

#[test]
fn a_half_normal_prior_gives_the_exact_integral() {
    let data = one_mean(CRINS.iter().enumerate().map(|(at, &(y, v))| (y, v, at, 0)));
    let posterior = CrossedPosterior::new(data, &scales(&[(Part::Leaf, 0.5)])).unwrap();
    let leaf = Part::Leaf as usize;
    let (mean, square) = (posterior.mean_of(|sd| sd[leaf]), posterior.mean_of(|sd| sd[leaf].powi(2)));
    close("mean of the deviation", mean, 0.38195024469857125, Tol::abs(2e-6));
    close("its own deviation", (square - mean * mean).sqrt(), 0.25983983269136046, Tol::abs(2e-5));
    let mu = posterior.coefficient(&[1.0]).unwrap();
    close("mean", mu.mean().unwrap(), -1.5873037881388778, Tol::abs(2e-6));
    close("median", mu.quantile(0.5).unwrap(), -1.5835093545034133, Tol::abs(2e-6));
    close("standard deviation", mu.variance().unwrap().sqrt(), 0.3312950923187609, Tol::abs(2e-6));
    close("2.5 %", mu.quantile(0.025).unwrap(), -2.2554672634456168, Tol::abs(5e-6));
    close("97.5 %", mu.quantile(0.975).unwrap(), -0.9431984661382612, Tol::abs(5e-6));
    let new = posterior.prediction(&[1.0], &[Part::Leaf]).unwrap();
    close("2.5 % of a new case", new.quantile(0.025).unwrap(), -2.7930502852012413, Tol::abs(1e-5));
    close("97.5 % of a new case", new.quantile(0.975).unwrap(), -0.4293902386752534, Tol::abs(1e-5));
    // printed with a normal prior of scale 4 on the mean, which moves it by a hundredth
    close("mean, printed", mu.mean().unwrap(), -1.5764365, Tol::abs(0.015));
}

/// The same by the points of several deviations, of which all but one are as good as 0.
#[test]
fn scattered_points_come_near_the_exact_integral() {
    let data = one_mean(CRINS.iter().enumerate().map(|(at, &(y, v))| (y, v, at, at % 2)));
    let tiny = [(Part::Cross, 1e-4), (Part::Inner, 1e-4), (Part::Outer, 1e-4), (Part::Leaf, 0.5)];
    let posterior = CrossedPosterior::new(data, &scales(&tiny)).unwrap();
    let new = posterior.prediction(&[1.0], &[Part::Leaf]).unwrap();
    close("2.5 % of a new case", new.quantile(0.025).unwrap(), -2.7930502852012413, Tol::abs(0.02));
    close("97.5 % of a new case", new.quantile(0.975).unwrap(), -0.4293902386752534, Tol::abs(0.02));
    close("mean", new.mean().unwrap(), -1.5873037881388778, Tol::abs(0.01));
}

/// Diameters by sample, one a plate.
const PENICILLIN: [[u8; 24]; 6] = [
    [27, 27, 25, 26, 25, 24, 24, 26, 24, 24, 26, 25, 26, 26, 26, 25, 25, 25, 24, 26, 25, 25, 24, 24],
    [23, 23, 21, 23, 22, 22, 20, 22, 21, 21, 23, 22, 24, 23, 23, 22, 21, 22, 21, 23, 21, 22, 21, 21],
    [26, 26, 25, 25, 26, 25, 23, 26, 24, 24, 26, 26, 26, 26, 25, 25, 24, 24, 23, 26, 24, 25, 24, 24],
    [23, 23, 24, 23, 22, 23, 21, 24, 22, 23, 24, 24, 24, 23, 24, 23, 23, 23, 21, 24, 22, 22, 22, 22],
    [23, 23, 24, 23, 23, 22, 22, 24, 22, 22, 24, 24, 25, 23, 24, 23, 23, 23, 21, 24, 22, 22, 24, 21],
    [21, 21, 20, 20, 20, 19, 19, 21, 20, 19, 21, 20, 22, 20, 22, 20, 20, 19, 19, 21, 18, 20, 19, 18],
];

#[test]
fn crossed_effects_have_the_published_criterion() {
    let residual = 0.302415445062024;
    let rows = PENICILLIN.iter().enumerate().flat_map(|(sample, of_sample)| {
        of_sample.iter().enumerate().map(move |(plate, &y)| (f64::from(y), residual, plate, sample))
    });
    let at =
        one_mean(rows).at(&deviations(&[(Part::Inner, 0.716908340131044), (Part::Cross, 3.73091901431133)])).unwrap();
    let constants = 143.0 * std::f64::consts::TAU.ln();
    close_to_printed("criterion", -2.0 * at.height + constants, "330.8606");
    close_to_printed("mean", at.coefficients[0], "22.97");
    close("standard error", at.covariance[(0, 0)].sqrt(), 0.808573511695053, Tol::rel(1e-7));
}

/// Tonnes per hectare in a stone an acre.
const T_HA: f64 = 14.0 * 0.00112085116;

/// No spread between years or places: the mean of 51 differences, and what a prior on the spread between years does to it.
#[test]
fn farm_trials_of_two_barleys_have_the_mean_of_their_differences() {
    let text = open_data("student_barley.csv");
    let mut trials = std::collections::BTreeMap::<(String, String, String), (f64, f64)>::new();
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').map(|cell| cell.trim_matches('"')).collect();
        let entry = trials.entry((cells[0].to_owned(), cells[1].to_owned(), cells[2].to_owned())).or_default();
        let value: f64 = cells[5].parse().unwrap();
        if cells[4] == "Archer" { entry.0 = value } else { entry.1 = value }
    }
    assert_eq!(trials.len(), 51);
    let place: Vec<&String> = {
        let mut all: Vec<&String> = trials.keys().map(|key| &key.2).collect();
        all.sort_unstable();
        all.dedup();
        all
    };
    let rows = || {
        trials.iter().map(|(key, (archer, goldthorpe))| {
            let year: usize = key.0.parse().unwrap();
            ((archer - goldthorpe) * T_HA, 1e-9, place.binary_search(&&key.2).unwrap(), year)
        })
    };
    let at = one_mean(rows()).at(&deviations(&[(Part::Leaf, 0.145259293665333 - 1e-9)])).unwrap();
    close("mean", at.coefficients[0], 0.20984091913098, Tol::rel(1e-7));
    close("standard error", at.covariance[(0, 0)].sqrt(), 0.0533687309612875, Tol::rel(1e-7));
    let constants = 50.0 * std::f64::consts::TAU.ln() - 51_f64.ln();
    // lme4's criterion leaves ½ ln det X′X out
    close("criterion", -2.0 * at.height + constants + 51_f64.ln(), 49.3639338846696, Tol::abs(1e-6));
    let wide = scales(&[(Part::Cross, 0.07), (Part::Inner, 0.08), (Part::Leaf, 0.4)]);
    let mean = CrossedPosterior::new(one_mean(rows()), &wide).unwrap().coefficient(&[1.0]).unwrap();
    close("mean", mean.mean().unwrap(), 0.20984, Tol::abs(0.02));
    let spread = mean.variance().unwrap().sqrt();
    assert!(spread > 0.0533 && spread < 0.08, "{spread}");
}
