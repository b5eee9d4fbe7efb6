//! The response along covariates: known slopes in simulated fields, and the same model in another program.
#![allow(clippy::print_stderr, reason = "the shares are what is measured")]

use std::sync::Arc;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::corn_tests::with_brightness;
use super::covariates;
use super::example::{LENGTH_M, Piece, WIDTH_M, archive, joined, pieces};
use crate::points::{Caution, CovariateKind, Joined, JoinedCovariate};
use crate::results::Interaction;
use crate::stats::distribution::StudentT;
use crate::support::{Tol, close};

/// A covariate with a value a piece, in the order of the segments.
fn with(mut joined: Joined, kind: CovariateKind, classes: &[&str], values: Vec<f64>) -> Joined {
    let point = values.iter().flat_map(|&value| [value; 2]).collect();
    let known = values.iter().map(|value| f64::from(u8::from(value.is_finite()))).collect();
    joined.covariates.push(JoinedCovariate {
        name: "clay".to_owned(),
        kind,
        unit: "%".to_owned(),
        classes: classes.iter().map(|&class| class.to_owned()).collect(),
        respond: true,
        joined_by: "the nearest point within 75 m".to_owned(),
        of_field: None,
        point: Arc::new(point),
        segment: values,
        segment_share: known,
    });
    joined
}

fn ask(joined: &Joined) -> Vec<Interaction> {
    covariates(joined, &archive()).remove(0).interactions
}

/// A surface of a few waves in all directions, standard deviation 1: neither the model's field nor any other.
struct Waves(Vec<(f64, f64, f64)>);

impl Waves {
    fn draw(random: &mut ChaCha8Rng) -> Self {
        let wave = |_| {
            let (length, angle) = (random.random_range(60.0..300.0), random.random_range(0.0..6.3_f64));
            let rate = std::f64::consts::TAU / length;
            (rate * angle.cos(), rate * angle.sin(), random.random_range(0.0..6.3))
        };
        Self((0..12).map(wave).collect())
    }

    fn at(&self, piece: &Piece) -> f64 {
        let x = (piece.block * 2 + piece.place) as f64 * WIDTH_M;
        let y = f64::from(piece.along) * LENGTH_M;
        self.0.iter().map(|one| (one.0 * x + one.1 * y + one.2).sin()).sum::<f64>() / (0.5 * self.0.len() as f64).sqrt()
    }
}

/// Slope in kg/ha per unit that is laid into the simulated fields; a standard deviation of the covariate is 4 units.
const SLOPE: f64 = 60.0;

/// Share of trials whose 90 % interval holds the slope, its mean error, and the share that shows a slope where there is none.
fn coverage(trials: u64, blocks: usize, own_response_sd: f64) -> (f64, f64) {
    let told: Vec<(bool, f64)> = (0..trials)
        .into_par_iter()
        .map(|seed| {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let [ground, clay, own] = [(); 3].map(|()| Waves::draw(&mut random));
            let mut normal = |sd: f64| -> f64 {
                let sum: f64 = (0..12).map(|_| random.random_range(0.0..1.0)).sum();
                sd * (sum - 6.0)
            };
            let strips: Vec<f64> = (0..2 * blocks).map(|_| normal(150.0)).collect();
            let noise: Vec<f64> = (0..2 * blocks * 16).map(|_| normal(250.0)).collect();
            let of = |piece: &Piece| 25.0 + 4.0 * clay.at(piece);
            let all = pieces(blocks, &[&[0, 1], &[1, 0]], 16, |piece| {
                let strip = 2 * piece.block + piece.place;
                let response = 400.0 + SLOPE * (of(piece) - 25.0) + own_response_sd * own.at(piece);
                let ground = 9_000.0 + 600.0 * ground.at(piece) + 40.0 * of(piece);
                let yields = ground + strips[strip] + noise[strip * 16 + piece.along as usize];
                (None, yields + if piece.treatment == 1 { response } else { 0.0 })
            });
            let values = all.iter().map(of).collect();
            let found = ask(&with(joined(&all, true), CovariateKind::Number, &[], values)).remove(0).change;
            let holds = found.low.unwrap() <= SLOPE && SLOPE <= found.high.unwrap();
            (holds, found.mean.unwrap() - SLOPE)
        })
        .collect();
    let count = told.len() as f64;
    let held = told.iter().filter(|one| one.0).count() as f64 / count;
    (held, told.iter().map(|one| one.1).sum::<f64>() / count)
}

#[test]
fn intervals_hold_a_known_slope() {
    for (blocks, own) in [(4, 0.0), (4, 150.0)] {
        let (held, error) = coverage(100, blocks, own);
        eprintln!(
            "{blocks} blocks, the response varying by itself by {own}: {held:.2} hold it, mean error {error:+.1}"
        );
        if own <= 0.0 {
            assert!((0.83..=0.97).contains(&held), "{held}");
        }
        assert!(error.abs() < 0.1 * SLOPE, "{error}");
    }
}

/// The data and the priors of `corn_tests`, with the brightness of the bare soil (`bv`) as a covariate: `y = class + a z + t + b z t`. A dense
/// program in numpy 2.4 and scipy 1.17 sums over 4 × 30 × 31 × 30 values of anisotropy, range, nugget and strip variance.
#[test]
fn the_slope_is_that_of_a_dense_program() {
    let (all, values): (Vec<Piece>, Vec<f64>) = with_brightness().into_iter().unzip();
    let joined = with(joined(&all, true), CovariateKind::Number, &[], values);
    let answer = covariates(&joined, &archive()).remove(0);
    close("mean", answer.mean.unwrap(), 174.487_333_333_333_3, Tol::abs(1e-9));
    close("standard deviation", answer.std_dev.unwrap(), 7.527_326_693_331_98, Tol::abs(1e-9));
    let found = answer.interactions[0].change;
    let [sd, low, middle, high] = DENSE;
    // twenty neighbours instead of all, and a coarser grid: 0.04 of the standard deviation here
    close("slope", found.mean.unwrap(), middle, Tol::abs(0.05 * sd));
    close("low", found.low.unwrap(), low, Tol::abs(0.08 * sd));
    close("high", found.high.unwrap(), high, Tol::abs(0.08 * sd));
}

/// Standard deviation, and the quantiles 0.05, 0.5 and 0.95 of the slope, kg/ha per unit of brightness.
const DENSE: [f64; 4] = [5.027_979_054_118_075, 5.165_758_212_762_451, 13.427_391_821_990_51, 21.700_378_341_287_81];

#[test]
fn a_class_responds_by_itself_and_beside_the_others() {
    // the second class responds by 900, the others by 300
    let class = |piece: &Piece| (piece.along / 5) as usize;
    let all = pieces(4, &[&[0, 1], &[1, 0]], 15, |piece| {
        let noise = super::example::noise(piece.block, piece.place, piece.along as usize);
        let response = if class(piece) == 1 { 900.0 } else { 300.0 };
        (None, 9_000.0 + 100.0 * noise + if piece.treatment == 1 { response } else { 0.0 })
    });
    let values = all.iter().map(|piece| class(piece) as f64).collect();
    let found = ask(&with(joined(&all, true), CovariateKind::Class, &["clay", "loam", "sand"], values));
    assert_eq!(found.len(), 3);
    for (one, (name, response, change)) in
        found.iter().zip([("clay", 300.0, -300.0), ("loam", 900.0, 600.0), ("sand", 300.0, -300.0)])
    {
        assert_eq!((one.class.as_deref(), one.blocks, one.asked), (Some(name), 4, 3));
        close("response", one.response.mean.unwrap(), response, Tol::abs(60.0));
        close("change", one.change.mean.unwrap(), change, Tol::abs(90.0));
    }
    let loam = &found[1];
    assert!(loam.change.low.unwrap() > 0.0 && loam.p_holm.unwrap() < 0.05);
    // Holm's of three: the smallest p times 3
    let least = found.iter().filter_map(|one| one.change.p_value).fold(1.0, f64::min);
    let adjusted = found.iter().filter_map(|one| one.p_holm).fold(1.0, f64::min);
    close("Holm", adjusted, 3.0 * least, Tol::rel(1e-12));
}

#[test]
fn what_cannot_be_told_says_why() {
    let all = |blocks: usize| {
        pieces(blocks, &[&[0, 1], &[1, 0]], 12, |piece| {
            let noise = super::example::noise(piece.block, piece.place, piece.along as usize);
            (None, 9_000.0 + 200.0 * noise)
        })
    };
    let why = |blocks: usize, of: &dyn Fn(&Piece) -> f64| {
        let all = all(blocks);
        let values = all.iter().map(of).collect();
        let one = ask(&with(joined(&all, true), CovariateKind::Number, &[], values)).remove(0);
        assert!(one.cautions.contains(Caution::NotEstimable) && one.change.mean.is_none() && one.p_holm.is_none());
        one.why.unwrap()
    };
    assert_eq!(why(4, &|_| 22.0), "it does not vary on the strips: 22.0000 % throughout");
    assert_eq!(why(4, &|_| f64::NAN), "no segment has a value");
    assert_eq!(why(1, &|piece| f64::from(piece.along)), "1 of the 2 blocks needed");
    // where the treated have one value and the check another, treatment and slope are one
    let told = why(4, &|piece| piece.treatment as f64);
    assert_eq!(told, "it cannot be separated from other differences between strips");
    let all = all(4);
    let values = all.iter().map(|piece| f64::from(u8::from(piece.block > 2))).collect();
    let found = ask(&with(joined(&all, true), CovariateKind::Class, &["north", "south"], values));
    assert_eq!(found[1].why.as_deref(), Some("1 of the 2 blocks needed"));
    assert!(found[0].response.mean.is_some());
    assert_eq!(found[0].why.as_deref(), Some("no other class is compared in 2 blocks"));
}

#[test]
fn t_is_reported_with_its_degrees_of_freedom() {
    let all = pieces(4, &[&[0, 1], &[1, 0]], 12, |piece| {
        let noise = super::example::noise(piece.block, piece.place, piece.along as usize);
        (None, 9_000.0 + 200.0 * noise)
    });
    let values = all.iter().map(|piece| f64::from(piece.along)).collect();
    let found = ask(&with(joined(&all, true), CovariateKind::Number, &[], values)).remove(0).change;
    let t = found.mean.unwrap() / found.std_error.unwrap();
    close("p", found.p_value.unwrap(), StudentT::new(found.df.unwrap()).unwrap().two_sided(t), Tol::rel(1e-12));
}
