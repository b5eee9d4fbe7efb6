//! A variety trial of wheat with the position of every plot: Stroup, Baenziger & Mulitze 1994, Removing spatial variation
//! from wheat yield trials, Crop Sci. 34:62–66; as data set `Wheat2` of the R package nlme. 224 plots, 56 varieties.
//!
//! Expected values: nlme 3.1-162 in R 4.2.2 (`gls` with `corSpher`, `corExp`, `corRatio` and a nugget), copied by program; published
//! in Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, section 5.4 (quoted from memory). The engine is the one
//! that the fit of a site-year takes; its kernels here are those of the published fits.

use bandlift::stats::Kernel;
use bandlift::stats::dense::Mat;
use bandlift::stats::field::{Columns, FieldPrior, IntegrationLimits, NeighbourField, SpatialForm, integrate};
use bandlift::stats::mixed::MixedModel;

use crate::support::{Tol, close, close_to_printed};

/// Block, variety (in the alphabetical order of their names), yield, and the two coordinates.
#[rustfmt::skip]
const PLOTS: [(usize, usize, f64, f64, f64); 224] = [
    (1, 11, 29.25, 4.3, 19.2),
    (1, 1, 31.55, 4.3, 20.4),
    (1, 49, 35.05, 4.3, 21.6),
    (1, 6, 30.1, 4.3, 22.8),
    (1, 0, 33.05, 4.3, 24.0),
    (1, 13, 30.25, 4.3, 25.2),
    (1, 14, 35.2, 4.3, 26.4),
    (1, 15, 19.4, 8.6, 1.2),
    (1, 3, 24.35, 8.6, 2.4),
    (1, 51, 25.55, 8.6, 3.6),
    (1, 7, 25.1, 8.6, 4.8),
    (1, 17, 24.6, 8.6, 6.0),
    (1, 19, 25.45, 8.6, 7.2),
    (1, 16, 13.4, 8.6, 8.4),
    (1, 20, 31.65, 8.6, 9.6),
    (1, 21, 25.65, 8.6, 10.8),
    (1, 4, 31.6, 8.6, 12.0),
    (1, 48, 22.3, 8.6, 13.2),
    (1, 10, 34.2, 8.6, 14.4),
    (1, 54, 21.1, 8.6, 15.6),
    (1, 22, 28.0, 8.6, 16.8),
    (1, 9, 28.3, 8.6, 18.0),
    (1, 12, 25.7, 8.6, 19.2),
    (1, 23, 31.75, 8.6, 20.4),
    (1, 24, 42.0, 8.6, 21.6),
    (1, 25, 30.9, 8.6, 22.8),
    (1, 26, 32.9, 8.6, 24.0),
    (1, 53, 24.05, 8.6, 25.2),
    (1, 5, 28.2, 8.6, 26.4),
    (1, 2, 29.85, 12.9, 1.2),
    (1, 27, 29.0, 12.9, 2.4),
    (1, 28, 20.9, 12.9, 3.6),
    (1, 29, 26.3, 12.9, 4.8),
    (1, 30, 25.85, 12.9, 6.0),
    (1, 50, 23.95, 12.9, 7.2),
    (1, 55, 25.3, 12.9, 8.4),
    (1, 52, 27.1, 12.9, 9.6),
    (1, 8, 25.65, 12.9, 10.8),
    (1, 18, 25.2, 12.9, 12.0),
    (1, 31, 18.4, 12.9, 13.2),
    (1, 32, 21.85, 12.9, 14.4),
    (1, 33, 27.0, 12.9, 15.6),
    (1, 34, 31.55, 12.9, 16.8),
    (1, 35, 30.5, 12.9, 18.0),
    (1, 36, 31.95, 12.9, 19.2),
    (1, 37, 30.55, 12.9, 20.4),
    (1, 38, 27.25, 12.9, 21.6),
    (1, 39, 29.9, 12.9, 22.8),
    (1, 40, 32.8, 12.9, 24.0),
    (1, 41, 27.85, 12.9, 25.2),
    (1, 42, 24.3, 12.9, 26.4),
    (1, 43, 28.15, 17.2, 1.2),
    (1, 44, 26.95, 17.2, 2.4),
    (1, 45, 25.1, 17.2, 3.6),
    (1, 46, 30.25, 17.2, 4.8),
    (1, 47, 20.15, 17.2, 6.0),
    (2, 3, 27.8, 17.2, 8.4),
    (2, 21, 28.45, 17.2, 9.6),
    (2, 6, 22.75, 17.2, 10.8),
    (2, 28, 26.7, 17.2, 12.0),
    (2, 33, 25.65, 17.2, 13.2),
    (2, 36, 27.45, 17.2, 14.4),
    (2, 16, 31.0, 17.2, 15.6),
    (2, 4, 24.9, 17.2, 16.8),
    (2, 18, 25.65, 17.2, 18.0),
    (2, 34, 32.4, 17.2, 19.2),
    (2, 41, 31.2, 17.2, 20.4),
    (2, 47, 27.6, 17.2, 21.6),
    (2, 0, 34.65, 17.2, 22.8),
    (2, 11, 28.5, 17.2, 24.0),
    (2, 53, 29.45, 17.2, 25.2),
    (2, 49, 30.55, 17.2, 26.4),
    (2, 55, 26.8, 21.5, 1.2),
    (2, 38, 23.85, 21.5, 2.4),
    (2, 25, 27.4, 21.5, 3.6),
    (2, 2, 30.1, 21.5, 4.8),
    (2, 50, 24.75, 21.5, 6.0),
    (2, 27, 25.35, 21.5, 7.2),
    (2, 51, 26.0, 21.5, 8.4),
    (2, 26, 25.0, 21.5, 9.6),
    (2, 29, 29.35, 21.5, 10.8),
    (2, 19, 28.6, 21.5, 12.0),
    (2, 10, 26.7, 21.5, 13.2),
    (2, 8, 25.25, 21.5, 14.4),
    (2, 46, 33.75, 21.5, 15.6),
    (2, 39, 22.3, 21.5, 16.8),
    (2, 5, 28.05, 21.5, 18.0),
    (2, 30, 34.55, 21.5, 19.2),
    (2, 17, 37.4, 21.5, 20.4),
    (2, 13, 29.0, 21.5, 21.6),
    (2, 35, 31.2, 21.5, 22.8),
    (2, 52, 37.1, 21.5, 24.0),
    (2, 9, 29.5, 21.5, 25.2),
    (2, 23, 31.35, 21.5, 26.4),
    (2, 40, 20.2, 25.8, 1.2),
    (2, 15, 26.4, 25.8, 2.4),
    (2, 32, 25.65, 25.8, 3.6),
    (2, 37, 31.9, 25.8, 4.8),
    (2, 14, 31.05, 25.8, 6.0),
    (2, 7, 30.75, 25.8, 7.2),
    (2, 42, 27.15, 25.8, 8.4),
    (2, 48, 30.3, 25.8, 9.6),
    (2, 45, 31.7, 25.8, 10.8),
    (2, 20, 30.5, 25.8, 12.0),
    (2, 54, 24.35, 25.8, 13.2),
    (2, 12, 26.1, 25.8, 14.4),
    (2, 24, 29.95, 25.8, 15.6),
    (2, 22, 32.8, 25.8, 16.8),
    (2, 1, 28.15, 25.8, 18.0),
    (2, 43, 32.7, 25.8, 19.2),
    (2, 44, 36.9, 25.8, 20.4),
    (2, 31, 18.4, 25.8, 21.6),
    (3, 30, 31.15, 25.8, 24.0),
    (3, 12, 26.95, 25.8, 25.2),
    (3, 41, 30.8, 25.8, 26.4),
    (3, 33, 21.9, 30.1, 1.2),
    (3, 15, 29.6, 30.1, 2.4),
    (3, 48, 24.25, 30.1, 3.6),
    (3, 49, 27.1, 30.1, 4.8),
    (3, 10, 21.05, 30.1, 6.0),
    (3, 7, 23.95, 30.1, 7.2),
    (3, 27, 27.3, 30.1, 8.4),
    (3, 55, 30.0, 30.1, 9.6),
    (3, 53, 34.5, 30.1, 10.8),
    (3, 4, 33.1, 30.1, 12.0),
    (3, 47, 28.2, 30.1, 13.2),
    (3, 31, 25.8, 30.1, 14.4),
    (3, 45, 33.95, 30.1, 15.6),
    (3, 23, 30.35, 30.1, 16.8),
    (3, 42, 18.9, 30.1, 18.0),
    (3, 5, 33.9, 30.1, 19.2),
    (3, 52, 33.75, 30.1, 20.4),
    (3, 36, 33.95, 30.1, 21.6),
    (3, 8, 25.0, 30.1, 22.8),
    (3, 11, 28.1, 30.1, 24.0),
    (3, 35, 25.0, 30.1, 25.2),
    (3, 22, 30.3, 30.1, 26.4),
    (3, 6, 16.85, 34.4, 1.2),
    (3, 43, 17.1, 34.4, 2.4),
    (3, 37, 9.55, 34.4, 3.6),
    (3, 19, 1.5, 34.4, 4.8),
    (3, 18, 12.75, 34.4, 6.0),
    (3, 25, 22.15, 34.4, 7.2),
    (3, 54, 19.2, 34.4, 8.4),
    (3, 44, 23.55, 34.4, 9.6),
    (3, 0, 25.05, 34.4, 10.8),
    (3, 51, 33.25, 34.4, 12.0),
    (3, 32, 24.0, 34.4, 13.2),
    (3, 21, 31.75, 34.4, 14.4),
    (3, 26, 24.05, 34.4, 15.6),
    (3, 20, 38.45, 34.4, 16.8),
    (3, 9, 25.85, 34.4, 18.0),
    (3, 13, 32.8, 34.4, 19.2),
    (3, 24, 35.1, 34.4, 20.4),
    (3, 28, 31.05, 34.4, 21.6),
    (3, 46, 33.15, 34.4, 22.8),
    (3, 38, 29.0, 34.4, 24.0),
    (3, 29, 32.15, 34.4, 25.2),
    (3, 1, 40.9, 34.4, 26.4),
    (3, 2, 18.0, 38.7, 1.2),
    (3, 14, 2.15, 38.7, 2.4),
    (3, 34, 3.75, 38.7, 3.6),
    (3, 39, 2.95, 38.7, 4.8),
    (3, 3, 8.7, 38.7, 6.0),
    (3, 16, 11.05, 38.7, 7.2),
    (3, 40, 12.35, 38.7, 8.4),
    (3, 50, 22.45, 38.7, 9.6),
    (3, 17, 26.9, 38.7, 10.8),
    (4, 31, 23.55, 38.7, 13.2),
    (4, 32, 29.0, 38.7, 14.4),
    (4, 40, 27.65, 38.7, 15.6),
    (4, 35, 24.0, 38.7, 16.8),
    (4, 3, 25.75, 38.7, 18.0),
    (4, 24, 23.55, 38.7, 19.2),
    (4, 33, 30.65, 38.7, 20.4),
    (4, 7, 28.2, 38.7, 21.6),
    (4, 11, 28.4, 38.7, 22.8),
    (4, 14, 28.7, 38.7, 24.0),
    (4, 30, 25.75, 38.7, 25.2),
    (4, 52, 22.5, 38.7, 26.4),
    (4, 43, 9.25, 43.0, 1.2),
    (4, 2, 24.3, 43.0, 2.4),
    (4, 20, 4.95, 43.0, 3.6),
    (4, 1, 3.7, 43.0, 4.8),
    (4, 25, 14.7, 43.0, 6.0),
    (4, 50, 13.6, 43.0, 7.2),
    (4, 55, 12.3, 43.0, 8.4),
    (4, 13, 17.5, 43.0, 9.6),
    (4, 6, 15.15, 43.0, 10.8),
    (4, 38, 23.55, 43.0, 12.0),
    (4, 28, 19.5, 43.0, 13.2),
    (4, 39, 26.5, 43.0, 14.4),
    (4, 48, 20.8, 43.0, 15.6),
    (4, 51, 25.3, 43.0, 16.8),
    (4, 41, 17.4, 43.0, 18.0),
    (4, 18, 22.65, 43.0, 19.2),
    (4, 4, 31.6, 43.0, 20.4),
    (4, 47, 16.95, 43.0, 21.6),
    (4, 29, 31.25, 43.0, 22.8),
    (4, 37, 23.65, 43.0, 24.0),
    (4, 26, 25.45, 43.0, 25.2),
    (4, 12, 27.45, 43.0, 26.4),
    (4, 10, 14.55, 47.3, 1.2),
    (4, 22, 6.05, 47.3, 2.4),
    (4, 21, 1.05, 47.3, 3.6),
    (4, 27, 6.4, 47.3, 4.8),
    (4, 36, 5.1, 47.3, 6.0),
    (4, 34, 17.8, 47.3, 7.2),
    (4, 8, 22.15, 47.3, 8.4),
    (4, 15, 15.35, 47.3, 9.6),
    (4, 45, 12.0, 47.3, 10.8),
    (4, 0, 25.0, 47.3, 12.0),
    (4, 5, 22.1, 47.3, 13.2),
    (4, 49, 29.3, 47.3, 14.4),
    (4, 16, 23.45, 47.3, 15.6),
    (4, 46, 27.9, 47.3, 16.8),
    (4, 17, 31.6, 47.3, 18.0),
    (4, 44, 30.2, 47.3, 19.2),
    (4, 23, 30.3, 47.3, 20.4),
    (4, 54, 20.3, 47.3, 21.6),
    (4, 42, 29.65, 47.3, 22.8),
    (4, 19, 26.55, 47.3, 24.0),
    (4, 53, 25.6, 47.3, 25.2),
    (4, 9, 26.9, 47.3, 26.4),
];

/// Kernel, range, nugget share; the logarithm of the restricted likelihood, σ, the first coefficient and its standard error.
type AtFixed = (Kernel, f64, f64, f64, f64, f64, f64);

#[rustfmt::skip]
const AT_FIXED_PARAMETERS: [AtFixed; 12] = [
    (Kernel::Spherical, 10.0, 0.2, -546.388105875317, 6.51470195595193, 27.3833901636007, 2.42741536267977),
    (Kernel::Spherical, 20.0, 0.2, -535.413935999296, 7.13431209510634, 27.5129506898941, 2.98783442614533),
    (Kernel::Spherical, 28.0, 0.2, -533.953783291001, 7.53112872297447, 26.6396860559619, 3.50886855562394),
    (Kernel::Spherical, 13.46, 0.1936, -539.227299531837, 6.7422095970567, 27.4434365493176, 2.56384584646493),
    (Kernel::Exponential, 10.0, 0.2, -536.423561397677, 6.91050883909281, 26.801412335918, 3.34392957097825),
    (Kernel::Exponential, 20.0, 0.2, -534.501257890913, 7.72737228675585, 26.1233836564258, 4.59608198757716),
    (Kernel::Exponential, 28.0, 0.2, -534.63307846636, 8.12687531133453, 25.7944250752877, 5.30287875932463),
    (Kernel::Exponential, 13.46, 0.1936, -535.246736648569, 7.31469149846714, 26.5151762027145, 3.86205235412845),
    (Kernel::RationalQuadratic, 10.0, 0.2, -533.904674267182, 8.31490774716746, 26.5069669887401, 4.24331448444428),
    (Kernel::RationalQuadratic, 20.0, 0.2, -535.208002228503, 9.35607973161787, 26.3745132703507, 5.92874068112822),
    (Kernel::RationalQuadratic, 28.0, 0.2, -540.765643833577, 9.98251016703803, 25.2444584540763, 6.91995848519366),
    (Kernel::RationalQuadratic, 13.46, 0.1936, -532.638888272067, 8.84631004942151, 26.545949879862, 4.97048757645333),
];

fn yields() -> Vec<f64> {
    PLOTS.iter().map(|plot| plot.2).collect()
}

fn varieties() -> Mat<f64> {
    Mat::from_fn(224, 56, |i, j| f64::from(u8::from(PLOTS[i].1 == j)))
}

fn blocks() -> Vec<usize> {
    PLOTS.iter().map(|plot| plot.0).collect()
}

/// The field of the production engine, each plot given so many before it.
fn field(kernel: Kernel, neighbours: usize, blocks: Option<&[usize]>) -> NeighbourField {
    let columns = Columns::new(&yields(), varieties().as_ref(), blocks, None).unwrap();
    let positions = Mat::from_fn(224, 2, |i, j| if j == 0 { PLOTS[i].3 } else { PLOTS[i].4 });
    NeighbourField::new(columns, kernel, positions.as_ref(), neighbours, 1e-6).unwrap()
}

/// Given all plots before it, the likelihood of each is exact.
const ALL: usize = 223;

#[test]
fn likelihood_at_fixed_parameters() {
    for (kernel, range, nugget, log_likelihood, sigma, coefficient, se) in AT_FIXED_PARAMETERS {
        let found = field(kernel, ALL, None).gram(range, nugget).unwrap().profile(0.0).unwrap();
        let name = format!("{kernel:?} {range} {nugget}");
        close(&name, found.log_likelihood, log_likelihood, Tol::abs(1e-7));
        close(&format!("{name} σ"), found.factor.sqrt(), sigma, Tol::rel(1e-9));
        close(&format!("{name} coefficient"), found.coefficients[0], coefficient, Tol::rel(1e-8));
        let found = (found.factor * found.unscaled_covariance[(0, 0)]).sqrt();
        close(&format!("{name} se"), found, se, Tol::rel(1e-8));
    }
}

#[test]
fn independent_plots_and_random_blocks() {
    let fit = |model: MixedModel| model.fit().unwrap();
    let plain = fit(MixedModel::new(&yields(), varieties().as_ref()).unwrap());
    close("independent", plain.log_likelihood(), -620.370893779278, Tol::abs(1e-9));
    close("σ", plain.parameters().residual.sqrt(), 7.71137335484784, Tol::rel(1e-9));
    let blocked = fit(MixedModel::new(&yields(), varieties().as_ref()).unwrap().with_random(&blocks()).unwrap());
    close("blocks", blocked.log_likelihood(), -608.850766243345, Tol::abs(1e-9));
    close("σ", blocked.parameters().residual.sqrt(), 7.0414748670703, Tol::rel(1e-7));
    close("sd of blocks", blocked.parameters().random[0].sqrt(), 3.14370970576979, Tol::rel(1e-6));
    close_to_printed("independent as published", plain.log_likelihood(), "-620.37");
}

/// The published fit: range 13.461, nugget 0.19358, log likelihood −532.64.
#[test]
fn rational_quadratic_fit() {
    let field = field(Kernel::RationalQuadratic, ALL, None);
    let at = |range: f64, nugget: f64| field.gram(range, nugget).unwrap().profile(0.0).unwrap();
    let (range, nugget) = (13.4613322936231, 0.193580341436796);
    let fit = at(range, nugget);
    close("log likelihood", fit.log_likelihood, -532.638888179038, Tol::abs(1e-7));
    close_to_printed("log likelihood as published", fit.log_likelihood, "-532.64");
    close("σ", fit.factor.sqrt(), 8.84683008177945, Tol::rel(1e-5));
    for (j, (coefficient, se)) in
        [26.5459706576504, 26.2837411896115, 35.0372653149825, 24.8672249613154, 26.6953970551745, 24.4302995847241]
            .into_iter()
            .zip([
                4.97093973680622,
                4.98488020302562,
                5.00709110559109,
                4.9813892796287,
                5.00074035277086,
                4.97901534343371,
            ])
            .enumerate()
    {
        close("coefficient", fit.coefficients[j], coefficient, Tol::rel(1e-6));
        close("se", (fit.factor * fit.unscaled_covariance[(j, j)]).sqrt(), se, Tol::rel(1e-5));
    }
    for (range, nugget) in
        [(0.98 * range, nugget), (1.02 * range, nugget), (range, nugget - 0.005), (range, nugget + 0.005)]
    {
        assert!(at(range, nugget).log_likelihood < fit.log_likelihood, "{range} {nugget}");
    }
}

/// The exponential range has no end, but its posterior has: Buckskin less Arapahoe, averaged over range, nugget and the
/// random blocks. Expected: 60 × 50 × 80 points summed in numpy 2.4 with dense Cholesky factors, quantiles by
/// `scipy.optimize.brentq` (scipy 1.17). The usual grid of some 40 points, and sixty neighbours instead of all, are held to
/// one percent of the standard deviation, 3.12.
#[test]
fn averaged_over_the_covariance() {
    let form = field(Kernel::Exponential, 60, Some(&blocks()));
    let prior = FieldPrior {
        range_median: 15.0,
        range_ln_sd: 1.0,
        nugget_beta: (1.0, 1.0),
        ratio_scale: 0.5,
        ratio_df: f64::INFINITY,
    };
    let mut contrast = vec![0.0; 56];
    (contrast[0], contrast[2]) = (-1.0, 1.0);
    let posterior = integrate(&form, &prior, &[contrast], &IntegrationLimits::default()).unwrap();
    let found = &posterior.contrasts[0];
    close("mean", found.mean().unwrap(), 8.10551276313997, Tol::abs(0.03));
    close("sd", found.variance().unwrap().sqrt(), 3.1197115881434465, Tol::rel(0.01));
    for (p, quantile) in [(0.05, 2.9647499120779255), (0.5, 8.112535334006624), (0.95, 13.222335224917904)] {
        close(&format!("quantile {p}"), found.quantile(p).unwrap(), quantile, Tol::abs(0.03));
    }
}
