//! Corn yield in nitrogen strips, season 1999: Anselin, Bongiovanni & Lowenberg-DeBoer 2004, A spatial econometric approach to
//! the economics of site-specific nitrogen management in corn production, Am. J. Agric. Econ. 86:675–687; R package
//! agridat, data set `lasrosas.corn`. 1,738 yield points (quintal/ha) in 18 strips, four topographic classes E, HT, LO, W;
//! "treated" is any nitrogen. The data lie outside the project; where they are absent these tests say so and pass.
//!
//! Expected values: R 4.2.2 with lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2, emmeans 1.8.4 and nlme 3.1-162; the spatial
//! values also by an independent program (numpy and scipy Cholesky, Nelder–Mead from three starts), which reaches more
//! digits of the range. Copied by program.

use bandlift::stats::Kernel;
use bandlift::stats::dense::Mat;
use bandlift::stats::mixed::{
    CovarianceParameters, Estimation, FitOptions, MixedModel, Residual, SearchStatus, SpatialResidual,
};

use crate::support::{Tol, close, close_to_printed, open_data};

const CLASSES: [&str; 4] = ["E", "HT", "LO", "W"];

struct Row {
    y: f64,
    class: usize,
    treated: bool,
    rep: usize,
    strip: usize,
    position: [f64; 2],
}

fn rows(file: &str) -> Vec<Row> {
    let text = open_data(file);
    let mut lines = text.lines().map(|line| line.split(',').map(|cell| cell.trim_matches('"')).collect::<Vec<_>>());
    let head = lines.next().unwrap();
    let at = |name: &str| head.iter().position(|column| *column == name).unwrap();
    let columns = (at("yield"), at("topo"), at("nf"), at("rep"), at("x"), at("y"));
    let rows: Vec<Row> = lines
        .map(|cells| {
            let rep: usize = cells[columns.3][1..].parse().unwrap();
            let rate: usize = cells[columns.2][1..].parse().unwrap();
            Row {
                y: cells[columns.0].parse().unwrap(),
                class: CLASSES.iter().position(|class| *class == cells[columns.1]).unwrap(),
                treated: rate > 0,
                rep,
                strip: 10 * rep + rate,
                position: [cells[columns.4].parse().unwrap(), cells[columns.5].parse().unwrap()],
            }
        })
        .collect();
    rows
}

/// One fixed effect a class and treatment, column `2 × class + treated`.
fn model(rows: &[Row]) -> MixedModel {
    let y: Vec<f64> = rows.iter().map(|row| row.y).collect();
    let x =
        Mat::from_fn(rows.len(), 8, |i, j| f64::from(u8::from(2 * rows[i].class + usize::from(rows[i].treated) == j)));
    MixedModel::new(&y, x.as_ref()).unwrap()
}

fn with_strips(rows: &[Row]) -> MixedModel {
    let reps: Vec<usize> = rows.iter().map(|row| row.rep).collect();
    let strips: Vec<usize> = rows.iter().map(|row| row.strip).collect();
    model(rows).with_random(&reps).unwrap().with_random(&strips).unwrap()
}

fn response(class: usize) -> Vec<f64> {
    let mut contrast = vec![0.0; 8];
    (contrast[2 * class], contrast[2 * class + 1]) = (-1.0, 1.0);
    contrast
}

#[test]
fn means_by_strip_and_class() {
    let rows = rows("lasrosas_1999_stripzone_means.csv");
    assert_eq!(rows.len(), 72);
    let fit = with_strips(&rows).fit(&FitOptions::default()).unwrap();
    assert_eq!((fit.status(), fit.boundary()), (SearchStatus::Converged, vec![]));
    close("−2 log restricted likelihood", -2.0 * fit.log_likelihood(), 301.345398564761, Tol::abs(1e-8));
    let found = fit.parameters();
    close("strip", found.random[1], 5.78020353286978, Tol::rel(2e-6));
    close("rep", found.random[0], 0.672787068028686, Tol::rel(2e-6));
    close("residual", found.residual, 2.91642082048681, Tol::rel(2e-6));
    let small = fit.small_sample().unwrap();
    // estimate, se, df, t, p
    let expected = [
        (5.08340400329009, 1.8651138681975, 24.1928642232642, 2.72551938515305, 0.0117465852960684),
        (8.54444166297371, 1.8651138681975, 24.1928642232633, 4.58119035446952, 0.000118397905518703),
        (5.49284211426967, 1.8651138681975, 24.1928642232631, 2.94504384312906, 0.00703243423902034),
        (6.98079915571281, 1.8651138681975, 24.1928642232635, 3.7428273279954, 0.000996288623711116),
    ];
    for (class, (estimate, se, df, t, p)) in expected.into_iter().enumerate() {
        let test = small.kenward_roger(&response(class), None).unwrap();
        close("estimate", test.estimate, estimate, Tol::rel(1e-9));
        close("se", test.se, se, Tol::rel(2e-6));
        close("df", test.df, df, Tol::rel(2e-6));
        close("t", test.t, t, Tol::rel(2e-6));
        close("p", test.p, p, Tol::rel(2e-5));
    }
    for (class, printed) in ["5.08340400", "8.54444166", "5.49284211", "6.98079916"].into_iter().enumerate() {
        close_to_printed(CLASSES[class], small.kenward_roger(&response(class), None).unwrap().estimate, printed);
    }
    // the design is balanced, so the analysis of variance gives both exactly (numpy 2.4): mean squares of strips and of the
    // residual, df by Satterthwaite's formula. lme4 stops 6·10⁻⁸ short of them, at 1.86511387 and 24.192864.
    let first = small.kenward_roger(&response(0), None).unwrap();
    close("se", first.se, 1.8651139809553587, Tol::rel(1e-10));
    close("se as printed by lme4", first.se, 1.86511387, Tol::rel(1e-7));
    close("df", first.df, 24.19286192751883, Tol::rel(1e-9));
    close("df as printed by pbkrtest", first.df, 24.192864, Tol::rel(2e-7));
    close("residual", found.residual, 2.9164207015446997, Tol::rel(1e-9));
    close("strip", found.random[1], 5.7802047033431645, Tol::rel(1e-9));
    close("rep", found.random[0], 0.6727864421368911, Tol::rel(1e-8));
}

/// Type III tests: each factor averaged over the other with equal weights.
#[test]
fn joint_tests_of_the_means() {
    let rows = rows("lasrosas_1999_stripzone_means.csv");
    let small = with_strips(&rows).fit(&FitOptions::default()).unwrap().small_sample().unwrap();
    let stack = |rows: Vec<Vec<f64>>| Mat::from_fn(rows.len(), 8, |i, j| rows[i][j]);
    let treatment: Vec<f64> = (0..8).map(|cell| if cell % 2 == 1 { 0.25 } else { -0.25 }).collect();
    let class = |k: usize, treated: f64| -> Vec<f64> {
        (0..8)
            .map(|cell| {
                let weight = if cell % 2 == 1 { treated } else { 1.0 };
                weight * (f64::from(u8::from(cell / 2 == k)) - f64::from(u8::from(cell / 2 == 0)))
            })
            .collect()
    };
    let cases = [
        ("treatment", stack(vec![treatment]), 14.0, 16.3536859218128, 0.00120742195830702),
        ("class", stack((1..4).map(|k| class(k, 1.0)).collect()), 48.0, 215.939293625325, 7.31594210992636e-28),
        (
            "treatment × class",
            stack((1..4).map(|k| class(k, -1.0)).collect()),
            48.0,
            2.12287775663634,
            0.109620098037006,
        ),
    ];
    for (name, contrasts, df, f, p) in cases {
        let test = small.kenward_roger_joint(contrasts.as_ref()).unwrap();
        close(&format!("{name} df"), test.denominator_df, df, Tol::rel(1e-6));
        close(&format!("{name} F"), test.f, f, Tol::rel(2e-6));
        close(&format!("{name} p"), test.p, p, Tol::rel(5e-5));
    }
}

/// Points with random reps and strips, as a check of a larger model; the points are not replicates.
#[test]
fn points_with_random_strips() {
    let rows = rows("lasrosas_1999.csv");
    assert_eq!(rows.len(), 1738);
    let fit = with_strips(&rows).fit(&FitOptions::default()).unwrap();
    close("−2 log restricted likelihood", -2.0 * fit.log_likelihood(), 10791.6127864113, Tol::abs(1e-6));
    close("strip", fit.parameters().random[1], 6.62603541137096, Tol::rel(1e-5));
    close("rep", fit.parameters().random[0], 0.6388090581022, Tol::rel(1e-4));
    close("residual", fit.parameters().residual, 28.4141046761071, Tol::rel(1e-6));
    let small = fit.small_sample().unwrap();
    // estimate, se, df; lmerTest takes the observed information where this program takes the expected one, which moves the
    // degrees of freedom in their fourth digit
    let expected = [
        (5.07984995788068, 1.78951239205717, 18.7344689031579),
        (8.44057523785324, 1.7927825782523, 18.8715280843438),
        (5.40022255439691, 1.75906069420234, 17.4929367312966),
        (7.01541389053214, 1.73899601063772, 16.7094347971056),
    ];
    for (class, (estimate, se, df)) in expected.into_iter().enumerate() {
        let test = small.satterthwaite(&response(class), None).unwrap();
        close("estimate", test.estimate, estimate, Tol::rel(1e-6));
        close("se", test.se, se, Tol::rel(1e-5));
        close("df", test.df, df, Tol::rel(2e-3));
    }
}

fn within_strips(rows: &[Row], kernel: Kernel) -> MixedModel {
    let positions = Mat::from_fn(rows.len(), 2, |i, j| rows[i].position[j]);
    let groups = Some(rows.iter().map(|row| row.strip).collect());
    model(rows).with_residual(Residual::Spatial(SpatialResidual { kernel, positions, groups, nugget: true })).unwrap()
}

#[test]
fn correlation_within_strips_at_fixed_parameters() {
    let rows = rows("lasrosas_1999.csv");
    let shares = CovarianceParameters { random: vec![], residual: 0.2, sill: 0.8, range: 40.0 };
    let found =
        within_strips(&rows, Kernel::Exponential).profiled_likelihood_at(&shares, Estimation::Restricted).unwrap();
    close("log likelihood", found.at.log_likelihood, -4793.35903070768, Tol::abs(1e-7));
    close("σ", found.factor.sqrt(), 5.31958611361154, Tol::rel(1e-10));
    // the check in class E, and the response there
    close("check", found.at.coefficients[0], 59.8914744108844, Tol::rel(1e-10));
    close("response", found.at.coefficients[1] - found.at.coefficients[0], 6.83497723072236, Tol::rel(1e-9));
}

#[test]
fn correlation_within_strips_fitted() {
    let rows = rows("lasrosas_1999.csv");
    // kernel, range, nugget, σ, log likelihood, then estimate and se of the response by class
    let expected = [
        (
            Kernel::Exponential,
            146.02533834793851,
            0.0877554057076978,
            7.986357611880865,
            -4746.623757277816,
            [
                (7.852980958781183, 3.0953625945527934),
                (6.9778996042459465, 3.079438586952483),
                (6.320806454954499, 3.2264590708421363),
                (4.39333810666079, 3.166298622006331),
            ],
        ),
        (
            Kernel::Spherical,
            337.80322301554713,
            0.07871452882376215,
            8.847140651187571,
            -4741.7264884482975,
            [
                (8.000237032785991, 3.2698270529011104),
                (6.676477312137667, 3.2411887985038255),
                (6.512801827369169, 3.4362730729533224),
                (3.852426698986343, 3.3714870507602845),
            ],
        ),
    ];
    for (kernel, range, nugget, sigma, log_likelihood, responses) in expected {
        let fit = within_strips(&rows, kernel).fit(&FitOptions::default()).unwrap();
        assert_eq!(fit.status(), SearchStatus::Converged, "{kernel:?}");
        let found = fit.parameters();
        close("log likelihood", fit.log_likelihood(), log_likelihood, Tol::abs(1e-7));
        // Nelder–Mead leaves some 10⁻⁷ in range and nugget, as its three starts show
        close("range", found.range, range, Tol::rel(5e-7));
        close("nugget", found.nugget_share(), nugget, Tol::rel(5e-7));
        close("σ", found.total_residual().sqrt(), sigma, Tol::rel(5e-7));
        let small = fit.small_sample().unwrap();
        for (class, (estimate, se)) in responses.into_iter().enumerate() {
            let test = small.satterthwaite(&response(class), None).unwrap();
            close("estimate", test.estimate, estimate, Tol::rel(1e-5));
            close("se", test.se, se, Tol::rel(1e-6));
        }
    }
    let fit = within_strips(&rows, Kernel::Exponential).fit(&FitOptions::default()).unwrap();
    // Newton's method on extrapolated differences of the likelihood (numpy 2.4, scipy 1.17) takes the other program's
    // 146.02534 on to the maximum
    close("range", fit.parameters().range, 146.0253694309, Tol::rel(1e-9));
    close("nugget", fit.parameters().nugget_share(), 0.0877554007336, Tol::rel(1e-9));
    close_to_printed("nugget as printed", fit.parameters().nugget_share(), "0.0877554");
    close_to_printed("log likelihood", fit.log_likelihood(), "-4746.623757278");
}
