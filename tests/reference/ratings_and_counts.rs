//! Ordered ratings with a random effect, counts that vary more than Poisson's, and shares.
//!
//! Sources: Randall 1989, Biom. J. 31:781–793 (bitterness of wine, nine judges), printed values as in the vignette of R ordinal
//! 2022.11-16 (Christensen, A tutorial on fitting cumulative link mixed models with clmm2), further digits by the exact integral in
//! Python with numpy 2.4 and scipy 1.17; Aitkin 1978, J. R. Stat. Soc. A 141:195–223 (days absent of 146 children), printed values as
//! in the saved examples of R MASS 7.3-65 (Venables & Ripley 2002), further digits by R 4.2.2 with MASS 7.3-58.2; Wedderburn 1974,
//! Biometrika 61:439–447 (leaf blotch of barley), values by R 4.2.2.

use bandlift::stats::dense::Mat;
use bandlift::stats::ordinal::{CumulativeLogit, CumulativeLogitFit};
use bandlift::stats::quasi::{Family, NegativeBinomialFit, QuasiFit};

use crate::support::{Tol, close, close_to_printed, open_data};

fn table(file: &str) -> Vec<Vec<String>> {
    open_data(file).lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

/// An intercept, then a column for each level but the first of each factor; `products` adds those of columns of two factors.
fn design(rows: &[Vec<String>], factors: &[(usize, &[&str])], products: bool) -> Mat<f64> {
    let of_row = |row: &Vec<String>| {
        let coded: Vec<Vec<f64>> = factors
            .iter()
            .map(|(at, levels)| levels.iter().skip(1).map(|level| f64::from(u8::from(row[*at] == *level))).collect())
            .collect();
        let mut x = vec![1.0];
        x.extend(coded.iter().flatten());
        if products {
            for (at, one) in coded.iter().enumerate() {
                for other in &coded[at + 1..] {
                    x.extend(one.iter().flat_map(|a| other.iter().map(move |b| a * b)));
                }
            }
        }
        x
    };
    let all: Vec<Vec<f64>> = rows.iter().map(of_row).collect();
    // a combination that no row has
    let used: Vec<usize> = (0..all[0].len()).filter(|&j| all.iter().any(|row| row[j] != 0.0)).collect();
    Mat::from_fn(all.len(), used.len(), |i, j| all[i][used[j]])
}

/// Wine: warm, contact.
fn wine() -> (CumulativeLogit, Vec<usize>) {
    let rows = table("wine.csv");
    let x = Mat::from_fn(rows.len(), 2, |i, j| f64::from(u8::from(rows[i][2 + j] == ["warm", "yes"][j])));
    let number = |row: &Vec<String>, at: usize| row[at].parse::<usize>().unwrap();
    let rating: Vec<usize> = rows.iter().map(|row| number(row, 1) - 1).collect();
    let judge = rows.iter().map(|row| number(row, 5)).collect();
    (CumulativeLogit::new(&rating, 5, x.as_ref(), &vec![1.0; rows.len()]).unwrap(), judge)
}

fn estimates(fit: &CumulativeLogitFit) -> Vec<f64> {
    fit.thresholds.iter().chain(&fit.coefficients).copied().chain([fit.group_sd]).collect()
}

#[test]
fn judges_of_wine_as_published() {
    let (model, judge) = wine();
    let model = model.with_groups(&judge).unwrap();
    let fit = model.fit().unwrap();
    let found = estimates(&fit);
    let printed = ["-1.6235", "1.5128", "4.2271", "6.0862", "3.0619", "1.8334", "1.134787"];
    for (at, printed) in printed.iter().enumerate() {
        close_to_printed(&format!("estimate {at}"), found[at], printed);
    }
    close_to_printed("log likelihood", model.height(&fit), "-81.53246");
    let errors = model.std_errors(&fit);
    for (at, printed) in ["0.6834", "0.6044", "0.8090", "0.9719", "0.5951", "0.5122"].iter().enumerate() {
        close_to_printed(&format!("standard error {at}"), errors[at], printed);
    }
}

#[test]
fn judges_of_wine_by_the_exact_integral() {
    let (model, judge) = wine();
    let model = model.with_groups(&judge).unwrap();
    let fit = model.fit().unwrap();
    let exact = [
        -1.623493450460107,
        1.5127941831146205,
        4.227054563927946,
        6.086154698188574,
        3.0618971864697997,
        1.8334312690244303,
        1.1347873348725837,
    ];
    for (found, exact) in estimates(&fit).into_iter().zip(exact) {
        close("exact", found, exact, Tol::abs(2e-5));
    }
    close("spread's error", *model.std_errors(&fit).last().unwrap(), 0.3992984841025216, Tol::abs(2e-5));
    // at the published estimates: by 10 places, by 40, and by Laplace's one
    let at = |nodes: usize| model.log_likelihood(&exact[..4], &exact[4..6], exact[6], nodes);
    close("ten", at(10), -81.53246071080763, Tol::abs(1e-6));
    close("forty", at(40), -81.53246071080763, Tol::abs(1e-10));
    let laplace = [-1.623664, 1.513364, 4.228525, 6.08877];
    let laplace = model.log_likelihood(&laplace, &[3.062993, 1.834883], 1.13113, 1);
    close_to_printed("Laplace", laplace, "-81.56541");
    let (alone, _) = wine();
    close("no judge", alone.height(&alone.fit().unwrap()), -86.4919233656491, Tol::abs(1e-9));
    close_to_printed("likelihood ratio", 2.0 * (model.height(&fit) + 86.4919233656491), "9.918925");
}

#[test]
fn wine_without_judges() {
    let fit = wine().0.fit().unwrap();
    let expected = [
        -1.34438341126472,
        1.25080879841654,
        3.46688692647397,
        5.00640420426996,
        2.50310200789893,
        1.52779765809506,
        0.0,
    ];
    for (found, expected) in estimates(&fit).into_iter().zip(expected) {
        close("estimate", found, expected, Tol::abs(1e-7));
    }
}

const CHILDREN: [(usize, &[&str]); 4] =
    [(0, &["A", "N"]), (1, &["F", "M"]), (2, &["F0", "F1", "F2", "F3"]), (3, &["AL", "SL"])];

#[test]
fn days_absent_are_negative_binomial() {
    let rows = table("quine.csv");
    let days: Vec<f64> = rows.iter().map(|row| row[4].parse().unwrap()).collect();
    let none = vec![0.0; days.len()];
    let x = design(&rows, &CHILDREN, false);
    let main = NegativeBinomialFit::new(x.as_ref(), &days, &none).unwrap().unwrap();
    close("theta", main.theta, 1.27489264505354, Tol::rel(1e-6));
    close("theta's error", main.theta_std_error(&days), 0.161035178773453, Tol::rel(1e-5));
    close("deviance", main.fit.deviance, 167.951800820614, Tol::rel(1e-6));
    let expected = [
        (2.8945799902471, 0.228424614781862),
        (-0.569371697357511, 0.153333359282725),
        (0.082320284147829, 0.159915014648263),
        (-0.448428149878191, 0.239746592555244),
        (0.088080152114466, 0.236193028653584),
        (0.356900971431694, 0.248324362799458),
        (0.292109157035048, 0.186474710100321),
    ];
    for (at, (estimate, error)) in expected.into_iter().enumerate() {
        close("estimate", main.fit.coefficients[at], estimate, Tol::abs(1e-6));
        close("error", main.fit.std_error(at, 1.0), error, Tol::rel(1e-6));
    }
    let x = design(&rows, &CHILDREN, true);
    let two_way = NegativeBinomialFit::new(x.as_ref(), &days, &none).unwrap().unwrap();
    close_to_printed("theta", two_way.theta, "1.603641");
    // the printed one, 0.2138379, is of the step before the last
    close("theta's error", two_way.theta_std_error(&days), 0.2138379, Tol::rel(1e-6));
}

#[test]
fn days_absent_by_quasi_poisson() {
    let rows = table("quine.csv");
    let days: Vec<f64> = rows.iter().map(|row| row[4].parse().unwrap()).collect();
    let x = design(&rows, &CHILDREN, false);
    let fit = QuasiFit::new(Family::Poisson, x.as_ref(), &days, &vec![0.0; days.len()]).unwrap();
    close("deviance", fit.deviance, 1696.70655249359, Tol::rel(1e-11));
    close("dispersion", fit.dispersion(), 13.1668426274744, Tol::rel(1e-6));
    close("intercept", fit.coefficients[0], 2.71538021894764, Tol::abs(1e-7));
    close("error", fit.std_error(1, 1.0), 0.0418831058493914, Tol::rel(1e-6));
}

#[test]
fn leaf_blotch_by_quasi_binomial() {
    let rows = table("wedderburn_barley.csv");
    let share: Vec<f64> = rows.iter().map(|row| row[0].parse::<f64>().unwrap() / 100.0).collect();
    let genotypes = ["G01", "G02", "G03", "G04", "G05", "G06", "G07", "G08", "G09", "G10"];
    let sites = ["S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S9"];
    let x = design(&rows, &[(2, &genotypes), (1, &sites)], false);
    let fit = QuasiFit::new(Family::Binomial, x.as_ref(), &share, &vec![0.0; share.len()]).unwrap();
    close("dispersion", fit.dispersion(), 0.088777766238678, Tol::rel(1e-6));
    close("deviance", fit.deviance, 6.12598963560655, Tol::rel(1e-9));
    close("intercept", fit.coefficients[0], -8.05464849092348, Tol::abs(1e-6));
    close("tenth genotype", fit.coefficients[9], 4.25300781983079, Tol::abs(1e-6));
    close("its error", fit.std_error(9, fit.dispersion()), 0.604229766818084, Tol::rel(1e-6));
    close("ninth site", fit.coefficients[17], 6.79458404314883, Tol::abs(1e-6));
}

#[test]
fn counts_that_vary_no_more_than_poisson_have_no_theta() {
    let x = Mat::from_fn(6, 1, |_, _| 1.0);
    let counts = [10.0, 11.0, 9.0, 10.0, 10.0, 10.0];
    assert!(NegativeBinomialFit::new(x.as_ref(), &counts, &[0.0; 6]).unwrap().is_none());
    assert!(QuasiFit::new(Family::Binomial, x.as_ref(), &[2.0; 6], &[0.0; 6]).is_err());
}
