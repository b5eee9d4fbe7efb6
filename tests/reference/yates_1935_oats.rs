//! A split-plot trial of oats: Yates 1935, Complex experiments, J. R. Stat. Soc. Suppl. 2:181–247; as data set `Oats` of the R
//! package nlme. Six blocks, varieties Golden Rain, Marvellous and Victory on main plots, nitrogen 0, 0.2, 0.4 and 0.6
//! cwt/acre on subplots; yield in quarter pounds per 1/80 acre.
//!
//! The design is balanced, so the REML variances are exact fractions of the mean squares. Other values: R 4.2.2 with lme4
//! 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2 (Kenward–Roger) and nlme 3.1-162, copied by program; Pinheiro & Bates 2000,
//! Mixed-Effects Models in S and S-PLUS, section 1.6 (quoted from memory), where said.

use bandlift::stats::dense::Mat;
use bandlift::stats::mixed::MixedModel;
use bandlift::stats::mixed::fit::MixedFit;

use crate::support::{Tol, close, close_to_printed};

/// `[block][variety][nitrogen]`.
pub(crate) const YIELD: [[[f64; 4]; 3]; 6] = [
    [[117.0, 114.0, 161.0, 141.0], [105.0, 140.0, 118.0, 156.0], [111.0, 130.0, 157.0, 174.0]],
    [[70.0, 108.0, 126.0, 149.0], [96.0, 124.0, 121.0, 144.0], [61.0, 91.0, 97.0, 100.0]],
    [[60.0, 102.0, 89.0, 96.0], [89.0, 129.0, 132.0, 124.0], [68.0, 64.0, 112.0, 86.0]],
    [[64.0, 103.0, 132.0, 133.0], [70.0, 89.0, 104.0, 117.0], [74.0, 89.0, 81.0, 122.0]],
    [[80.0, 82.0, 94.0, 126.0], [63.0, 70.0, 109.0, 99.0], [62.0, 90.0, 100.0, 116.0]],
    [[89.0, 82.0, 86.0, 104.0], [97.0, 99.0, 119.0, 121.0], [53.0, 74.0, 118.0, 113.0]],
];

fn rows() -> impl Iterator<Item = (usize, usize, usize)> {
    (0..72).map(|row| (row / 12, row / 4 % 3, row % 4))
}

fn model(x: &Mat<f64>) -> MixedModel {
    let y: Vec<f64> = rows().map(|(b, v, n)| YIELD[b][v][n]).collect();
    let blocks: Vec<usize> = rows().map(|(b, _, _)| b).collect();
    let plots: Vec<usize> = rows().map(|(b, v, _)| 3 * b + v).collect();
    MixedModel::new(&y, x.as_ref()).unwrap().with_random(&blocks).unwrap().with_random(&plots).unwrap()
}

/// One fixed effect a cell, column `4 × variety + nitrogen`.
fn cell_means() -> MixedFit {
    let cells: Vec<usize> = rows().map(|(_, v, n)| 4 * v + n).collect();
    model(&Mat::from_fn(72, 12, |i, j| f64::from(u8::from(cells[i] == j)))).fit().unwrap()
}

/// A straight line in nitrogen.
fn line() -> MixedFit {
    let nitrogen: Vec<f64> = rows().map(|(_, _, n)| [0.0, 0.2, 0.4, 0.6][n]).collect();
    model(&Mat::from_fn(72, 2, |i, j| if j == 0 { 1.0 } else { nitrogen[i] })).fit().unwrap()
}

/// Weights of the cells from weights of variety and nitrogen.
fn outer(variety: [f64; 3], nitrogen: [f64; 4]) -> Vec<f64> {
    (0..12).map(|cell| variety[cell / 4] * nitrogen[cell % 4]).collect()
}

const THIRD: f64 = 1.0 / 3.0;

#[test]
fn variances_are_the_exact_fractions() {
    let fit = cell_means();
    let found = fit.parameters();
    close("residual", found.residual, 2125.0 / 12.0, Tol::rel(1e-9));
    close("block × variety", found.random[1], 152729.0 / 1440.0, Tol::rel(1e-9));
    close("block", found.random[0], 102949.0 / 480.0, Tol::rel(1e-9));
    close("−2 log restricted likelihood", -2.0 * fit.log_likelihood(), 529.028507006697, Tol::abs(1e-8));
    close_to_printed("sd of block", found.random[0].sqrt(), "14.6450");
    close_to_printed("sd of block × variety", found.random[1].sqrt(), "10.2986");
    close_to_printed("sd of residual", found.residual.sqrt(), "13.3073");
}

/// Differences of means by the textbook formulas: variety `√(2 (σ² + 4 σ_bv²)/24)` on 10 degrees of freedom, nitrogen
/// `√(2 σ²/18)` on 45, nitrogen within a variety `√(2 σ²/6)` on 45.
#[test]
fn differences_have_their_strata() {
    let small = cell_means().small_sample().unwrap();
    let (sigma2, of_plot) = (2125.0 / 12.0, 152729.0 / 1440.0);
    let cases = [
        ("variety", outer([-1.0, 1.0, 0.0], [0.25; 4]), (2.0_f64 * (sigma2 + 4.0 * of_plot) / 24.0).sqrt(), 10.0),
        ("nitrogen", outer([THIRD; 3], [-1.0, 1.0, 0.0, 0.0]), (2.0_f64 * sigma2 / 18.0).sqrt(), 45.0),
        ("nitrogen in a variety", outer([0.0, 1.0, 0.0], [-1.0, 0.0, 0.0, 1.0]), (2.0_f64 * sigma2 / 6.0).sqrt(), 45.0),
    ];
    for (name, contrast, se, df) in cases {
        let test = small.kenward_roger(&contrast, None).unwrap();
        close(&format!("{name} se"), test.se, se, Tol::rel(1e-8));
        close(&format!("{name} df"), test.df, df, Tol::abs(1e-6));
    }
    close_to_printed("variety", small.kenward_roger(&cases_contrast(), None).unwrap().se, "7.0789");
}

fn cases_contrast() -> Vec<f64> {
    outer([-1.0, 1.0, 0.0], [0.25; 4])
}

#[test]
fn a_cell_mean_mixes_the_strata() {
    let small = cell_means().small_sample().unwrap();
    let cell = small.kenward_roger(&outer([1.0, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0]), None).unwrap();
    close("mean", cell.estimate, 80.0, Tol::rel(1e-11));
    close("se", cell.se, 9.10697742171333, Tol::rel(1e-6));
    close("df", cell.df, 16.0820507941319, Tol::abs(1e-5));
    let half = cell.se * bandlift::stats::distribution::StudentT::new(cell.df).unwrap().quantile(0.975).unwrap();
    close("lower", cell.estimate - half, 60.7020724950565, Tol::abs(1e-4));
    close("upper", cell.estimate + half, 99.2979275049443, Tol::abs(1e-4));
}

#[test]
fn a_line_in_nitrogen() {
    let fit = line();
    close("log restricted likelihood", fit.log_likelihood(), -296.520876657615, Tol::abs(1e-9));
    let found = fit.parameters();
    let sds = [
        (found.random[0], 14.5059853547117, "14.506"),
        (found.random[1], 11.004700491792, "11.005"),
        (found.residual, 12.8669534298542, "12.867"),
    ];
    for (variance, sd, published) in sds {
        close(published, variance.sqrt(), sd, Tol::rel(1e-7));
        close_to_printed(published, variance.sqrt(), published);
    }
    let small = fit.small_sample().unwrap();
    let intercept = small.kenward_roger(&[1.0, 0.0], None).unwrap();
    close("intercept", intercept.estimate, 81.8722222222214, Tol::rel(1e-10));
    close("its se", intercept.se, 6.94528299706597, Tol::rel(1e-7));
    close("its df", intercept.df, 5.97766191478885, Tol::abs(5e-7));
    close_to_printed("its df as printed", intercept.df, "5.977662");
    close("its p", intercept.p, 2.31167240828287e-5, Tol::rel(1e-5));
    let slope = small.kenward_roger(&[0.0, 1.0], None).unwrap();
    close("slope", slope.estimate, 221.0 / 3.0, Tol::rel(1e-10));
    close("its se", slope.se, 6.78147990008247, Tol::rel(1e-7));
    close("its df", slope.df, 53.0, Tol::abs(1e-6));
    close_to_printed("intercept as published", intercept.estimate, "81.872");
    close_to_printed("se as published", intercept.se, "6.9453");
    close_to_printed("slope as published", slope.estimate, "73.667");
    close_to_printed("se as published", slope.se, "6.7815");
}
