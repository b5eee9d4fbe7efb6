//! Measurements of the mixed and field models, not checks: run with `--ignored --nocapture`.

use std::time::Instant;

use bandlift::stats::Kernel;
use bandlift::stats::dense::Mat;
use bandlift::stats::field::{
    Columns, DenseField, FieldPrior, IntegrationLimits, LatticeField, LineField, NeighbourField, SpatialForm, integrate,
};
use bandlift::stats::mixed::{Estimation, FitOptions, MixedModel, Residual, SpatialResidual};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const PRIOR: FieldPrior =
    FieldPrior { range_median: 90.0, range_ln_sd: 1.0, nugget_beta: (1.0, 1.0), ratio_scale: 0.5 };

struct Layout {
    columns: Columns,
    across: Vec<f64>,
    along: Vec<f64>,
    positions: Mat<f64>,
}

/// Strips side by side, treated in pairs, four classes along the strips; the response is a separable exponential field of
/// range 90, a strip effect and noise.
fn layout(strips: usize, length: usize, weighted: bool) -> Layout {
    let n = strips * length;
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let across: Vec<f64> = (0..n).map(|i| 9.0 * (i % strips) as f64).collect();
    let along: Vec<f64> = (0..n).map(|i| 20.0 * (i / strips) as f64).collect();
    let class = |i: usize| (i / strips + i % strips) * 4 / (length + strips);
    let treated = |i: usize| usize::from((i % strips) / 2 % 2 == 1);
    let x = Mat::from_fn(n, 8, |i, j| f64::from(u8::from(2 * class(i) + treated(i) == j)));
    let mut normal = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
    let mut field: Vec<f64> = (0..n).map(|_| normal()).collect();
    let (over, beyond) = ((-9.0_f64 / 90.0).exp(), (-20.0_f64 / 90.0).exp());
    for i in 0..n {
        if i % strips > 0 {
            field[i] = over * field[i - 1] + (1.0 - over * over).sqrt() * field[i];
        }
    }
    for i in strips..n {
        field[i] = beyond * field[i - strips] + (1.0 - beyond * beyond).sqrt() * field[i];
    }
    let effects: Vec<f64> = (0..strips).map(|_| 0.2 * normal()).collect();
    let y: Vec<f64> =
        (0..n).map(|i| field[i] + effects[i % strips] + 0.5 * normal() + 0.3 * treated(i) as f64).collect();
    let levels: Vec<usize> = (0..n).map(|i| i % strips).collect();
    let weights: Vec<f64> = (0..n).map(|_| 0.5 + random.random::<f64>()).collect();
    let columns = Columns::new(&y, x.as_ref(), Some(&levels), weighted.then_some(weights.as_slice())).unwrap();
    let positions = Mat::from_fn(n, 2, |i, j| if j == 0 { across[i] } else { along[i] });
    Layout { columns, across, along, positions }
}

fn contrasts() -> Vec<Vec<f64>> {
    (0..4)
        .map(|class| {
            (0..8).map(|j| if j / 2 == class { 2.0 * f64::from(u8::from(j % 2 == 1)) - 1.0 } else { 0.0 }).collect()
        })
        .collect()
}

fn report(name: &str, n: usize, build: f64, form: &dyn SpatialForm, whole: bool) {
    let start = Instant::now();
    let rounds = if n > 2000 && name == "dense" { 1 } else { 3 };
    for _ in 0..rounds {
        form.gram(90.0, 0.3).unwrap();
    }
    let one = start.elapsed().as_secs_f64() / f64::from(rounds) * 1e3;
    let start = Instant::now();
    let mut text = String::new();
    if whole {
        let posterior = integrate(form, &PRIOR, &contrasts(), &IntegrationLimits::default()).unwrap();
        let fitted = start.elapsed().as_secs_f64() * 1e3;
        let start = Instant::now();
        let interval = posterior.contrasts[0].interval(0.9).unwrap();
        text = format!(
            "integrate {fitted:7.1} ms, {:3} evaluations; one interval {:5.2} ms: {:.3} {:.3}",
            posterior.evaluations,
            start.elapsed().as_secs_f64() * 1e3,
            interval.lower,
            interval.upper
        );
    }
    eprintln!("{name:18} n {n:5}  build {build:6.1} ms  one evaluation {one:8.2} ms  {text}");
}

#[test]
#[ignore = "a measurement of time"]
fn time_by_number_of_rows() {
    for (strips, length) in [(10, 30), (16, 60), (20, 150), (30, 100), (60, 50), (40, 250)] {
        let n = strips * length;
        for weighted in [false, true] {
            let tag = if weighted { " weighted" } else { "" };
            let data = layout(strips, length, weighted);
            let start = Instant::now();
            let form = LatticeField::new(data.columns.clone(), &data.across, &data.along, 1.0, 0.5).unwrap();
            report(&format!("lattice{tag}"), n, start.elapsed().as_secs_f64() * 1e3, &form, true);
            let start = Instant::now();
            let form = NeighbourField::new(data.columns.clone(), Kernel::Exponential, data.positions.as_ref(), 30, 0.1)
                .unwrap();
            report(&format!("neighbours{tag}"), n, start.elapsed().as_secs_f64() * 1e3, &form, n <= 3000 && !weighted);
        }
        if n <= 3000 {
            let data = layout(strips, length, false);
            let start = Instant::now();
            let form = DenseField::new(data.columns.clone(), Kernel::Exponential, data.positions.as_ref()).unwrap();
            report("dense", n, start.elapsed().as_secs_f64() * 1e3, &form, n <= 300);
        }
    }
}

/// How often the 90 % interval of a treatment effect covers the truth, over simulated fields of four blocks of two strips
/// 400 m long: field standard deviation 10, nugget share 0.1, strip standard deviation 2, effect 5.
#[test]
#[ignore = "a simulation"]
fn coverage_when_the_kernel_is_right_and_when_it_is_wrong() {
    let (strips, length, fields) = (8_usize, 20_usize, 400);
    let n = strips * length;
    let positions =
        Mat::from_fn(n, 2, |i, j| if j == 0 { 9.0 * (i % strips) as f64 } else { 20.0 * (i / strips) as f64 });
    let across: Vec<f64> = (0..n).map(|i| positions[(i, 0)]).collect();
    let along: Vec<f64> = (0..n).map(|i| positions[(i, 1)]).collect();
    let x = Mat::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { (i % strips % 2) as f64 });
    let levels: Vec<usize> = (0..n).map(|i| i % strips).collect();
    for (name, truth, range) in [
        ("exponential 90", Kernel::Exponential, 90.0),
        ("spherical 200", Kernel::Spherical, 200.0),
        ("Matérn 3/2 40", Kernel::Matern32, 40.0),
    ] {
        let h = Mat::from_fn(n, n, |i, j| {
            let d = (across[i] - across[j]).hypot(along[i] - along[j]);
            90.0 * truth.correlation(d / range) + if i == j { 10.0 } else { 0.0 }
        });
        let factor = bandlift::stats::dense::Cholesky::of_owned(h).unwrap();
        let mut random = ChaCha8Rng::seed_from_u64(77);
        let mut normal = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
        let mut tally = [(0_u32, 0.0, 0.0); 3];
        for _ in 0..fields {
            let z: Vec<f64> = (0..n).map(|_| normal()).collect();
            let effects: Vec<f64> = (0..strips).map(|_| 2.0 * normal()).collect();
            let y: Vec<f64> = (0..n)
                .map(|i| {
                    let field: f64 = (0..=i).map(|k| factor.lower()[(i, k)] * z[k]).sum();
                    field + effects[i % strips] + 5.0 * (i % strips % 2) as f64
                })
                .collect();
            let columns = Columns::new(&y, x.as_ref(), Some(&levels), None).unwrap();
            let forms: [Box<dyn SpatialForm>; 2] = [
                Box::new(LatticeField::new(columns.clone(), &across, &along, 1.0, 0.5).unwrap()),
                Box::new(DenseField::new(columns, Kernel::Exponential, positions.as_ref()).unwrap()),
            ];
            for (form, tally) in forms.iter().zip(tally.iter_mut()) {
                let posterior =
                    integrate(form.as_ref(), &PRIOR, &[vec![0.0, 1.0]], &IntegrationLimits::default()).unwrap();
                let interval = posterior.contrasts[0].interval(0.9).unwrap();
                tally.0 += u32::from(interval.contains(5.0));
                tally.1 += interval.width();
                tally.2 += (posterior.contrasts[0].mean().unwrap() - 5.0).powi(2);
            }
            let mean = |strip: usize| (0..length).map(|t| y[t * strips + strip]).sum::<f64>() / length as f64;
            let differences: Vec<f64> = (0..4).map(|block| mean(2 * block + 1) - mean(2 * block)).collect();
            let test = bandlift::stats::linear::paired_t(&differences).unwrap();
            let interval = test.interval(0.9).unwrap();
            tally[2].0 += u32::from(interval.contains(5.0));
            tally[2].1 += interval.width();
            tally[2].2 += (test.mean - 5.0).powi(2);
        }
        for (form, (hits, width, squares)) in ["lattice", "dense exponential", "block differences"].iter().zip(tally) {
            let fields = f64::from(fields);
            eprintln!(
                "truth {name:15} {form:18} coverage {:.3}  width {:.2}  error {:.2}",
                f64::from(hits) / fields,
                width / fields,
                (squares / fields).sqrt()
            );
        }
    }
}

fn normal_draws(seed: u64) -> impl FnMut() -> f64 {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    move || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
}

/// Differences of blocks by class with random effects of site, site and class, and block; and strips with a correlation
/// along them.
#[test]
#[ignore = "a measurement of time"]
fn time_of_mixed_models() {
    for (sites, blocks) in [(1_usize, 6_usize), (10, 6), (50, 6), (200, 6)] {
        let n = sites * blocks * 4;
        let mut normal = normal_draws(3);
        let of_site: Vec<f64> = (0..sites).map(|_| 3.0 * normal()).collect();
        let of_block: Vec<f64> = (0..sites * blocks).map(|_| 2.0 * normal()).collect();
        let of_class: Vec<f64> = (0..sites * 4).map(|_| 1.5 * normal()).collect();
        let (site, block, class) = (|i: usize| i / (4 * blocks), |i: usize| i / 4, |i: usize| i % 4);
        let y: Vec<f64> = (0..n)
            .map(|i| 4.0 + of_site[site(i)] + of_block[block(i)] + of_class[4 * site(i) + class(i)] + 2.0 * normal())
            .collect();
        let x = Mat::from_fn(n, 4, |i, j| f64::from(u8::from(class(i) == j)));
        let levels = |of: &dyn Fn(usize) -> usize| -> Vec<usize> { (0..n).map(of).collect() };
        let mut model = MixedModel::new(&y, x.as_ref()).unwrap().with_random(&levels(&block)).unwrap();
        if sites > 1 {
            model = model.with_random(&levels(&site)).unwrap();
            model = model.with_random(&levels(&|i| 4 * site(i) + class(i))).unwrap();
        }
        let start = Instant::now();
        let fit = model.fit(&FitOptions::default()).unwrap();
        let test = fit.small_sample().unwrap().kenward_roger(&[1.0, 0.0, 0.0, 0.0], None).unwrap();
        eprintln!(
            "differences {n:5} rows, {sites:3} sites: {:7.2} ms  {:?} df {:.1}",
            start.elapsed().as_secs_f64() * 1e3,
            fit.status(),
            test.df
        );
    }
    for (strips, length) in [(8_usize, 25_usize), (20, 50), (30, 100), (20, 500)] {
        let n = strips * length;
        let mut normal = normal_draws(5);
        let (mut level, mut y) = (0.0, Vec::with_capacity(n));
        for i in 0..n {
            level = if i % length == 0 { normal() } else { 0.8 * level + 0.6 * normal() };
            y.push(level + 0.5 * normal());
        }
        let x = Mat::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { (i / length % 2) as f64 });
        let lines: Vec<usize> = (0..n).map(|i| i / length).collect();
        let along: Vec<f64> = (0..n).map(|i| 20.0 * (i % length) as f64).collect();
        let start = Instant::now();
        let columns = Columns::new(&y, x.as_ref(), Some(&lines), None).unwrap();
        let fit =
            LineField::new(columns, &lines, &along).unwrap().fit(20.0 * length as f64, Estimation::Restricted).unwrap();
        let of_lines = start.elapsed().as_secs_f64() * 1e3;
        let start = Instant::now();
        let mut dense = String::new();
        if length <= 100 {
            let spatial = SpatialResidual {
                kernel: Kernel::Exponential,
                positions: Mat::from_fn(n, 1, |i, _| along[i]),
                groups: Some(lines.clone()),
                nugget: true,
            };
            let model = MixedModel::new(&y, x.as_ref()).unwrap().with_random(&lines).unwrap();
            let model = model.with_residual(Residual::Spatial(spatial)).unwrap();
            let fitted = model.fit(&FitOptions::default()).unwrap();
            dense = format!(
                "dense in blocks {:7.1} ms, log likelihood {:.6}",
                start.elapsed().as_secs_f64() * 1e3,
                fitted.log_likelihood()
            );
        }
        eprintln!(
            "strips {n:5} rows: filter {of_lines:7.1} ms, log likelihood {:.6}; {dense}",
            fit.profile.log_likelihood
        );
    }
}
