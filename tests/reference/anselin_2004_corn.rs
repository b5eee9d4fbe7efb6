//! Corn yield in nitrogen strips, season 1999: Anselin, Bongiovanni & Lowenberg-DeBoer 2004, A spatial econometric approach to
//! the economics of site-specific nitrogen management in corn production, Am. J. Agric. Econ. 86:675–687; R package
//! agridat, data set `lasrosas.corn`. 1,738 yield points (quintal/ha) in 18 strips, four topographic classes E, HT, LO, W;
//! "treated" is any nitrogen.
//!
//! Expected values: R 4.2.2 with lme4 1.1-31, pbkrtest 0.5.2 and nlme 3.1-162; the spatial
//! values also by an independent program (numpy and scipy Cholesky, Nelder–Mead from three starts), which reaches more
//! digits of the range. Copied by program.

use bandlift::stats::Kernel;
use bandlift::stats::dense::Mat;
use bandlift::stats::field::{Columns, LineField, NeighbourField, SpatialForm};
use bandlift::stats::mixed::MixedModel;

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
fn design(rows: &[Row]) -> Mat<f64> {
    Mat::from_fn(rows.len(), 8, |i, j| f64::from(u8::from(2 * rows[i].class + usize::from(rows[i].treated) == j)))
}

fn with_strips(rows: &[Row]) -> MixedModel {
    let reps: Vec<usize> = rows.iter().map(|row| row.rep).collect();
    let strips: Vec<usize> = rows.iter().map(|row| row.strip).collect();
    let y: Vec<f64> = rows.iter().map(|row| row.y).collect();
    MixedModel::new(&y, design(rows).as_ref()).unwrap().with_random(&reps).unwrap().with_random(&strips).unwrap()
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
    let fit = with_strips(&rows).fit().unwrap();
    assert!(fit.boundary().is_empty());
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

/// Points with random reps and strips, as a check of a larger model; the points are not replicates.
#[test]
fn points_with_random_strips() {
    let rows = rows("lasrosas_1999.csv");
    assert_eq!(rows.len(), 1738);
    let fit = with_strips(&rows).fit().unwrap();
    close("−2 log restricted likelihood", -2.0 * fit.log_likelihood(), 10791.6127864113, Tol::abs(1e-6));
    close("strip", fit.parameters().random[1], 6.62603541137096, Tol::rel(1e-5));
    close("rep", fit.parameters().random[0], 0.6388090581022, Tol::rel(1e-4));
    close("residual", fit.parameters().residual, 28.4141046761071, Tol::rel(1e-6));
    let found = fit.coefficients();
    for (class, estimate) in
        [5.07984995788068, 8.44057523785324, 5.40022255439691, 7.01541389053214].into_iter().enumerate()
    {
        close("estimate", found[2 * class + 1] - found[2 * class], estimate, Tol::rel(1e-6));
    }
}

/// The field of the production engine. Strips are independent: they are moved so far apart that no correlation is left, and
/// each point is given more points before it than a strip has.
fn within_strips(rows: &[Row], kernel: Kernel) -> NeighbourField {
    let y: Vec<f64> = rows.iter().map(|row| row.y).collect();
    let x = design(rows);
    let positions =
        Mat::from_fn(rows.len(), 2, |i, j| rows[i].position[j] + if j == 0 { 1e6 * rows[i].strip as f64 } else { 0.0 });
    let columns = Columns::new(&y, x.as_ref(), None, None).unwrap();
    NeighbourField::new(columns, kernel, positions.as_ref(), 110, 1e-6).unwrap()
}

#[test]
fn correlation_within_strips_at_fixed_parameters() {
    let rows = rows("lasrosas_1999.csv");
    let found = within_strips(&rows, Kernel::Exponential).gram(40.0, 0.2).unwrap().profile(0.0).unwrap();
    close("log likelihood", found.log_likelihood, -4793.35903070768, Tol::abs(1e-6));
    close("σ", found.factor.sqrt(), 5.31958611361154, Tol::rel(1e-9));
    // the check in class E, and the response there
    close("check", found.coefficients[0], 59.8914744108844, Tol::rel(1e-9));
    close("response", found.contrast(&response(0)).unwrap().0, 6.83497723072236, Tol::rel(1e-8));
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
        let field = within_strips(&rows, kernel);
        let at = |range: f64, nugget: f64| field.gram(range, nugget).unwrap().profile(0.0).unwrap();
        let fit = at(range, nugget);
        close("log likelihood", fit.log_likelihood, log_likelihood, Tol::abs(1e-6));
        close("σ", fit.factor.sqrt(), sigma, Tol::rel(5e-7));
        for (class, (estimate, se)) in responses.into_iter().enumerate() {
            let found = fit.contrast(&response(class)).unwrap();
            close("estimate", found.0, estimate, Tol::rel(1e-5));
            close("se", found.1, se, Tol::rel(1e-6));
        }
        for (range, nugget) in
            [(0.99 * range, nugget), (1.01 * range, nugget), (range, 0.98 * nugget), (range, 1.02 * nugget)]
        {
            assert!(at(range, nugget).log_likelihood < fit.log_likelihood, "{kernel:?} {range} {nugget}");
        }
    }
}

/// The engine of the comparison along strips, on the same points by their distance from the first of their strip; the strips
/// are nearly straight.
#[test]
fn correlation_along_strips_is_found_by_the_filter() {
    let rows = rows("lasrosas_1999.csv");
    let mut first: std::collections::BTreeMap<usize, [f64; 2]> = std::collections::BTreeMap::new();
    for row in &rows {
        let start = first.entry(row.strip).or_insert(row.position);
        if row.position < *start {
            *start = row.position;
        }
    }
    let along = |row: &Row| (row.position[0] - first[&row.strip][0]).hypot(row.position[1] - first[&row.strip][1]);
    let along: Vec<f64> = rows.iter().map(along).collect();
    let lines: Vec<usize> = rows.iter().map(|row| row.strip).collect();
    let y: Vec<f64> = rows.iter().map(|row| row.y).collect();
    let columns = Columns::new(&y, design(&rows).as_ref(), None, None).unwrap();
    let fit = LineField::new(columns, &lines, &along).unwrap().fit(5_000.0).unwrap();
    close("log likelihood", fit.log_likelihood, -4746.623757277816, Tol::abs(0.05));
    close("σ", fit.factor.sqrt(), 7.986357611880865, Tol::rel(1e-3));
    let expected = [
        (7.852980958781183, 3.0953625945527934),
        (6.9778996042459465, 3.079438586952483),
        (6.320806454954499, 3.2264590708421363),
        (4.39333810666079, 3.166298622006331),
    ];
    for (class, (estimate, se)) in expected.into_iter().enumerate() {
        let found = fit.contrast(&response(class)).unwrap();
        close("estimate", found.0, estimate, Tol::rel(2e-3));
        close("se", found.1, se, Tol::rel(1e-3));
    }
}
