//! The fit as a site-year takes it, against another program.
//!
//! Yields: corn in nitrogen strips, season 1999 (`tests/data/lasrosas_1999.csv.gz`; its README names source and licence), six
//! neighbouring points a segment, laid on an even grid of strips 18 m and segments 20 m apart; the strips without nitrogen are
//! the check. Expected: the same model and priors in numpy 2.4 and scipy 1.17 without any of this program's short cuts, by
//! dense Cholesky factors of all 270 segments and a sum over 4 × 40 × 41 × 40 values of anisotropy, range, nugget and strip
//! variance; quantiles of the mixture of t distributions by `brentq`.

use std::collections::BTreeMap;

use super::design::Design;
use super::example::{Piece, archive, joined};
use super::field::KnownField;
use super::support::estimable_classes;
use super::trial::Trial;
use super::{local, run};
use crate::results::FieldModel;
use crate::support::{Tol, close, open_data};

/// Points of one segment.
const POINTS: usize = 6;

/// East and north, m; class (hilltop; slopes; low ground); yield, kg/ha; brightness of the bare soil.
type Point = (f64, f64, usize, f64, f64);

/// By rep and nitrogen level.
fn strips() -> BTreeMap<(usize, String), Vec<Point>> {
    let text = open_data("lasrosas_1999.csv");
    let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let head = lines.next().unwrap();
    let column = |name: &str| head.iter().position(|one| *one == name).unwrap();
    let [x, y, topography, level, rep, quintals, brightness] =
        ["x", "y", "topo", "nf", "rep", "yield", "bv"].map(column);
    let mut strips: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for cells in lines {
        let number = |at: usize| cells[at].parse::<f64>().unwrap();
        let class = ["HT", "E", "W", "LO"].iter().position(|one| *one == cells[topography]).unwrap();
        let key = (cells[rep][1..].parse::<usize>().unwrap() - 1, cells[level].to_owned());
        strips.entry(key).or_default().push((
            number(x),
            number(y),
            [0, 1, 1, 2][class],
            100.0 * number(quintals),
            number(brightness),
        ));
    }
    strips
}

fn pieces() -> Vec<Piece> {
    with_brightness().into_iter().map(|one| one.0).collect()
}

/// The same with the mean brightness of the bare soil.
pub(super) fn with_brightness() -> Vec<(Piece, f64)> {
    let mut strips: Vec<_> = strips().into_iter().collect();
    let north = |points: &[Point]| points.iter().map(|one| one.1).sum::<f64>() / points.len() as f64;
    strips.sort_by(|one, other| one.0.0.cmp(&other.0.0).then(north(&one.1).total_cmp(&north(&other.1))));
    let length = strips.iter().map(|strip| strip.1.len() / POINTS).min().unwrap();
    let mut all = Vec::new();
    for (at, ((block, level), points)) in strips.iter_mut().enumerate() {
        points.sort_by(|one, other| one.0.total_cmp(&other.0));
        for (along, points) in (0..).zip(points.chunks(POINTS).take(length)) {
            let count = |class: usize| points.iter().filter(|one| one.2 == class).count();
            // of equal counts the first
            let class = (0..3).rev().max_by_key(|&class| count(class));
            let mean = |of: fn(&Point) -> f64| points.iter().map(of).sum::<f64>() / POINTS as f64;
            let piece = Piece {
                block: *block,
                place: at % 6,
                treatment: usize::from(*level != "N0"),
                along,
                class,
                machine: 0,
                yield_kg_ha: mean(|one| one.3),
            };
            all.push((piece, mean(|one| one.4)));
        }
    }
    all
}

#[test]
#[expect(clippy::unreadable_literal, reason = "as the other program prints them")]
fn the_response_is_that_of_a_dense_program() {
    let pieces = pieces();
    assert_eq!(pieces.len(), 270);
    let fit = run(&joined(&pieces, true), &archive()).fit;
    // class; standard deviation, and the quantiles 0.05, 0.5 and 0.95 of the response, kg/ha
    let expected = [
        (Some(0), 205.07329136584974, [471.7037451804433, 807.1231337283754, 1141.9938040416705]),
        (Some(1), 196.56372970621342, [312.7507955914203, 634.1680515432874, 954.6697538250905]),
        (Some(2), 207.78954617142787, [167.50867995667008, 507.5481939000708, 846.8559672742716]),
        (None, 193.596265957425, [330.71767323938593, 647.1663548275897, 962.7484857461654]),
    ];
    for (class, sd, [low, middle, high]) in expected {
        let found = fit.responses.iter().find(|one| one.key.treatment == "low" && one.key.class == class).unwrap();
        let found = &found.estimate;
        // one part in fifty of the standard deviation: twenty neighbours instead of all, and a coarser grid
        let tol = Tol::abs(0.02 * sd);
        close(&format!("{class:?} median"), found.mean.unwrap(), middle, tol);
        close(&format!("{class:?} low"), found.low.unwrap(), low, Tol::abs(0.04 * sd));
        close(&format!("{class:?} high"), found.high.unwrap(), high, Tol::abs(0.04 * sd));
    }
    let model = fit.field_model.unwrap();
    close("range along the strips", model.range_along_m, 93.94179335516515, Tol::rel(0.04));
    close("range across", model.range_across_m, 2.0 * 93.94179335516515, Tol::rel(0.04));
    close("strips", model.strip_sd, 292.1356212268298, Tol::rel(0.02));
    close("field", model.field_sd, 893.6572179527817, Tol::rel(0.03));
    // given its twenty nearest only, a segment is a little less certain, which the nugget takes up: 8 % here
    close("nugget", model.nugget_sd, 216.24131860004897, Tol::rel(0.1));
}

/// Expected: universal kriging of the varying coefficient under the dense covariance of all 270 segments, numpy 2.4 and scipy 1.17, with
/// the knots, the steps of standard deviation, range and nugget and their priors of `local.rs`.
#[test]
#[expect(clippy::unreadable_literal, reason = "as the other program prints them")]
fn the_response_piece_by_piece_is_that_of_a_dense_program() {
    let (site, archive) = (joined(&pieces(), true), archive());
    let trial = Trial::new(&site, "check", &["low"], &archive.model);
    let design = Design::new(&trial, &estimable_classes(&trial, &archive.model), &[]);
    let model = FieldModel {
        range_along_m: 90.0,
        range_across_m: 180.0,
        field_sd: 900.0,
        nugget_sd: 250.0,
        strip_sd: 300.0,
        evaluations: 0,
    };
    let field = KnownField::new(&trial, &design, &model).unwrap();
    let found = local::responses(&trial, &design, (&field, &model), (5834.5, 0.9)).unwrap();
    assert_eq!((found.len(), found[0].pieces.len()), (1, 225));
    close("spread over the ground", found[0].between_sd, 237.49389015038503, Tol::rel(0.03));
    // piece; mean and standard deviation, kg/ha
    let expected = [
        (0, 723.1922272638719, 283.4900498750374),
        (20, 853.0299585332849, 257.1280043567123),
        (57, 400.65180067454827, 255.81389573049617),
        (100, 555.2281507525712, 252.85447804038196),
        (149, 618.3938922394831, 256.70818075726606),
        (200, 879.5514629194392, 248.32594952667432),
        (224, 582.9109073353486, 275.905011559355),
    ];
    for (at, mean, sd) in expected {
        let piece = &found[0].pieces[at];
        // twenty neighbours instead of all
        close(&format!("mean of piece {at}"), piece.mean, mean, Tol::abs(0.06 * sd));
        close(&format!("deviation of piece {at}"), piece.std_error, sd, Tol::rel(0.03));
        close(&format!("low of piece {at}"), piece.low, piece.mean - 1.6448536 * piece.std_error, Tol::abs(0.2));
    }
}
