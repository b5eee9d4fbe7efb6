//! What the fit says of good and of hopeless trials.

use super::example::{Piece, WIDTH_M, archive, joined, noise, pieces};
use super::*;
use crate::points::{Assigned, Straddling};

const ORDERS: [&[usize]; 4] = [&[0, 1], &[1, 0], &[1, 0], &[0, 1]];

/// Three classes one after the other along the strips.
fn class_of(piece: &Piece) -> usize {
    (piece.along / 6) as usize
}

/// A field with a slope, noise between segments and strips, and a response of 100, 300 and 500 kg/ha.
fn field(piece: &Piece) -> (Option<usize>, f64) {
    let class = class_of(piece);
    let strip = 60.0 * noise(piece.block, piece.place, 99);
    let ground = 40.0 * f64::from(piece.along) + 150.0 * (piece.block as f64 + 0.3 * piece.place as f64).sin();
    let response = if piece.treatment > 0 { 100.0 + 200.0 * class as f64 } else { 0.0 };
    let own = 120.0 * noise(piece.block, piece.place, piece.along as usize);
    (Some(class), 10_000.0 + ground + strip + response + own)
}

fn find<'f>(fit: &'f Fit, treatment: &str, class: Option<usize>) -> &'f Response {
    fit.responses.iter().find(|one| one.key.treatment == treatment && one.key.class == class).unwrap()
}

fn fit_of(pieces: &[Piece]) -> Fit {
    run(&joined(pieces, true), &archive()).fit
}

/// Every number that is reported is finite, and all are reported together.
fn assert_sound(fit: &Fit) {
    for response in &fit.responses {
        let one = &response.estimate;
        let numbers = [one.mean, one.std_error, one.df, one.low, one.high, one.p_value, one.probability_positive];
        assert!(numbers.iter().flatten().all(|number| number.is_finite()), "{response:?}");
        assert!(numbers[1..].iter().all(|number| number.is_some() == one.std_error.is_some()), "{response:?}");
        assert_eq!(one.mean.is_none(), response.cautions.contains(Caution::NotEstimable), "{response:?}");
        assert_eq!(response.check_yield.is_some(), one.mean.is_some());
        let shrunken = response.shrunken.iter().flat_map(|one| [one.mean, one.std_error]);
        assert!(shrunken.into_iter().all(f64::is_finite), "{response:?}");
    }
    let contrasts = fit.supplement.contrasts.iter().map(|one| &one.estimate);
    for one in contrasts.chain(fit.supplement.trends.iter().map(|one| &one.estimate)) {
        let numbers = [one.mean, one.std_error, one.df, one.low, one.high, one.p_value, one.probability_positive];
        assert!(numbers.iter().flatten().all(|number| number.is_finite()), "{one:?}");
    }
}

/// Every other analysis gives sound numbers or none, of this trial.
fn assert_alternatives_sound(site: &Joined) {
    let fit = run(site, &archive()).fit;
    assert_sound(&fit);
    for other in alternatives(site, &archive(), &fit.differences, None) {
        let one = &other.estimate;
        let numbers = [one.mean, one.std_error, one.df, one.low, one.high, one.p_value];
        assert!(numbers.iter().flatten().all(|number| number.is_finite()), "{other:?}");
        assert!(one.std_error.is_none_or(|se| se > 0.0), "{other:?}");
    }
}

#[test]
fn the_response_by_class_is_found() {
    let fit = fit_of(&pieces(4, &ORDERS, 18, field));
    assert_sound(&fit);
    for (class, truth) in [(Some(0), 100.0), (Some(1), 300.0), (Some(2), 500.0), (None, 300.0)] {
        let found = find(&fit, "low", class);
        let (mean, std_error) = (found.estimate.mean.unwrap(), found.estimate.std_error.unwrap());
        assert!((mean - truth).abs() < 2.5 * std_error && std_error < 120.0, "{class:?} {mean} ± {std_error}");
        assert_eq!(found.blocks, 4);
        let treated = found.treated_yield.unwrap() - found.check_yield.unwrap();
        assert!((treated - mean).abs() < 1e-9);
        assert!(found.estimate.low.unwrap() < mean && mean < found.estimate.high.unwrap());
    }
    assert_eq!(find(&fit, "low", None).segments, 72);
    assert!(fit.responses.iter().all(|one| one.key.treatment == "low"), "the other treatment is not in this field");
    let model = fit.field_model.unwrap();
    assert!(model.range_along_m > 0.0 && model.strip_sd > 0.0 && model.evaluations > 0);
}

#[test]
fn the_answer_does_not_depend_on_where_the_field_lies_or_which_way_it_runs() {
    let pieces = pieces(4, &ORDERS, 18, field);
    let first = fit_of(&pieces);
    let mut turned = joined(&pieces, true);
    let (sine, cosine) = 0.7_f64.sin_cos();
    for segment in &mut turned.assigned.segments {
        let (x, y) = (segment.x_m - 500_000.0, segment.y_m - 4_600_000.0);
        segment.x_m = 300_000.0 + cosine * x - sine * y;
        segment.y_m = 5_000_000.0 + sine * x + cosine * y;
    }
    let second = run(&turned, &archive()).fit;
    for (one, other) in first.responses.iter().zip(&second.responses) {
        let (a, b) = (one.estimate.mean.unwrap(), other.estimate.mean.unwrap());
        // the order in which segments are given their neighbours is another one
        let std_error = one.estimate.std_error.unwrap();
        assert!((a - b).abs() < 0.1 * std_error, "{a} {b} ± {std_error}");
    }
}

/// The map's lines between three soils lie 30 m north of where the yields change: averaged over where they may lie, the answers come nearer
/// to the truth, and ground beside a line is known to be unsure.
#[test]
fn soil_lines_that_lie_off_are_moved() {
    let truth = pieces(6, &ORDERS, 18, |piece| {
        let class = class_of(piece);
        let level = [0.0, 900.0, 1800.0][class];
        let response = if piece.treatment > 0 { [0.0, 600.0, -300.0][class] } else { 0.0 };
        let own = 150.0 * noise(piece.block, piece.place, piece.along as usize);
        (Some(class), 10_000.0 + level + response + own)
    });
    let on_map = |along: i32| ((f64::from(along) - 1.5).max(0.0) / 6.0) as usize;
    let drawn: Vec<Piece> = truth.iter().map(|piece| Piece { class: Some(on_map(piece.along)), ..*piece }).collect();
    let mut site = joined(&drawn, true);
    let as_drawn = run(&site, &archive()).fit;
    let band = |from: f64, to: f64| {
        let (west, south) = (499_500.0, 4_600_000.0);
        geo::Rect::new((west, south + from), (west + 2_000.0, south + to)).to_polygon().into()
    };
    site.soil_lines = Some(std::sync::Arc::new(crate::points::SoilLines {
        index: crate::geometry::PolygonIndex::new(vec![band(-500.0, 150.0), band(150.0, 270.0), band(270.0, 900.0)]),
        zones: vec![0, 1, 2],
        error_m: 25.0,
    }));
    let moved = run(&site, &archive()).fit;
    let error = |fit: &Fit| -> f64 {
        let of = |class: usize, truth: f64| (find(fit, "low", Some(class)).estimate.mean.unwrap() - truth).powi(2);
        of(0, 0.0) + of(1, 600.0) + of(2, -300.0)
    };
    assert!(error(&moved) < 0.5 * error(&as_drawn), "{} {}", error(&moved), error(&as_drawn));
    let probability = |along: i32| {
        let of = site.assigned.segments.iter().zip(&moved.class_probability).filter(|(one, _)| one.along == along);
        of.map(|(_, probability)| probability).sum::<f64>() / 12.0
    };
    assert!(
        probability(7) < 0.6 && probability(2) > 0.95 && probability(16) > 0.95,
        "{} {}",
        probability(7),
        probability(2)
    );
    // a variant takes the same change, and that of the lines as drawn does not
    let settings = archive();
    let fitted = run(&site, &settings);
    let error = |all: &[Alternative]| -> f64 {
        let of = |class: usize, truth: f64| (again(all, Some(class)).mean.unwrap() - truth).powi(2);
        of(0, 0.0) + of(1, 600.0) + of(2, -300.0)
    };
    let as_drawn = fitted.of_the_model(&settings.model);
    assert!(as_drawn.iter().all(|one| one.analysis == "soil lines as drawn"));
    assert!(error(&fitted.of_other_data("the same", &site, &settings)) < 0.5 * error(&as_drawn));
}

/// What a variant says of the low rate.
fn again(all: &[Alternative], class: Option<usize>) -> Estimate {
    all.iter().find(|one| one.key.treatment == "low" && one.key.class == class).unwrap().estimate
}

#[test]
fn one_block_gives_a_difference_and_nothing_else() {
    let fit = fit_of(&pieces(1, &ORDERS, 18, field));
    assert_sound(&fit);
    let whole = find(&fit, "low", None);
    assert!(whole.estimate.mean.is_some() && whole.estimate.std_error.is_none());
    assert!(whole.cautions.contains(Caution::Unreplicated));
    for class in 0..3 {
        assert!(find(&fit, "low", Some(class)).cautions.contains(Caution::NotEstimable));
    }
}

#[test]
fn a_block_without_a_check_is_left_out_and_said() {
    let all = pieces(5, &ORDERS, 18, field);
    let without: Vec<Piece> = all.iter().copied().filter(|one| one.block != 2 || one.treatment > 0).collect();
    let fit = fit_of(&without);
    assert_sound(&fit);
    assert_eq!(find(&fit, "low", None).blocks, 4);
    assert!(fit.cautions.contains(Caution::NoCheckInBlock));
    let none: Vec<Piece> = all.iter().copied().filter(|one| one.treatment > 0).collect();
    let fit = fit_of(&none);
    assert_sound(&fit);
    assert!(fit.responses.iter().all(|one| one.estimate.mean.is_none()), "no check at all");
}

#[test]
fn one_class_everywhere_is_the_whole_field() {
    let fit = fit_of(&pieces(4, &ORDERS, 18, |piece| (Some(1), field(piece).1)));
    assert_sound(&fit);
    let (class, whole) = (find(&fit, "low", Some(1)), find(&fit, "low", None));
    assert!((class.estimate.mean.unwrap() - whole.estimate.mean.unwrap()).abs() < 1e-9);
    assert_eq!(fit.responses.len(), 2);
}

#[test]
fn ground_without_classes_still_has_a_response() {
    let fit = fit_of(&pieces(4, &ORDERS, 18, |piece| (None, field(piece).1)));
    assert_sound(&fit);
    assert_eq!(fit.responses.len(), 1);
    let partly = fit_of(&pieces(4, &ORDERS, 18, |piece| {
        let (class, value) = field(piece);
        (class.filter(|_| piece.along > 2), value)
    }));
    assert_sound(&partly);
    assert_eq!(partly.responses.len(), 4);
}

#[test]
fn a_class_in_too_few_blocks_is_not_estimable_and_leaves_the_rest() {
    let pieces = pieces(4, &ORDERS, 18, |piece| {
        let (class, value) = field(piece);
        (if class == Some(2) && piece.block > 1 { Some(1) } else { class }, value)
    });
    // two blocks are enough for the field model, and its interval says how little they tell
    let fit = fit_of(&pieces);
    assert_sound(&fit);
    let error = |class| find(&fit, "low", Some(class)).estimate.std_error.unwrap();
    assert!(error(2) > error(1), "{} {}", error(2), error(1));
    let mut strict = archive();
    strict.model.class_blocks = 3;
    let fit = run(&joined(&pieces, true), &strict).fit;
    assert_sound(&fit);
    assert!(find(&fit, "low", Some(2)).cautions.contains(Caution::NotEstimable));
    assert!(find(&fit, "low", Some(1)).estimate.std_error.is_some());
    assert!(find(&fit, "low", None).estimate.std_error.is_some());
}

#[test]
fn treated_and_check_strips_of_different_blocks_are_no_comparison() {
    let apart: Vec<Piece> =
        pieces(4, &ORDERS, 18, field).into_iter().filter(|piece| (piece.treatment == 0) == (piece.block < 2)).collect();
    let fit = fit_of(&apart);
    assert_sound(&fit);
    assert!(
        fit.responses.iter().all(|one| one.estimate.mean.is_none() && one.cautions.contains(Caution::NotEstimable))
    );
}

/// One block compares, and the field joins six strips beside it that stand alone in theirs.
#[test]
fn strips_beside_a_block_that_compares_are_joined_by_the_field() {
    let mut strips = pieces(1, &ORDERS, 18, field);
    let single: [&[usize]; 2] = [&[0], &[1]];
    let alone = pieces(7, &single, 18, field).into_iter().filter(|piece| piece.block > 0);
    strips.extend(alone);
    let fit = fit_of(&strips);
    assert_sound(&fit);
    let whole = find(&fit, "low", None);
    assert_eq!(whole.blocks, 1);
    let (mean, std_error) = (whole.estimate.mean.unwrap(), whole.estimate.std_error.unwrap());
    assert!((mean - 300.0).abs() < 3.0 * std_error && std_error < 300.0, "{mean} ± {std_error}");
    assert!(!whole.decision_allowed());
}

#[test]
fn yields_that_do_not_vary_tell_nothing() {
    for response in [0.0, 200.0] {
        let flat = |piece: &Piece| (Some(class_of(piece)), 9_000.0 + if piece.treatment > 0 { response } else { 0.0 });
        let fit = fit_of(&pieces(4, &ORDERS, 18, flat));
        assert_sound(&fit);
        assert!(fit.responses.iter().all(|one| one.estimate.mean.is_none()));
    }
}

#[test]
fn one_segment_a_strip_is_either_told_soundly_or_not_at_all() {
    for blocks in [1, 2, 3, 4, 8] {
        let fit = fit_of(&pieces(blocks, &ORDERS, 1, |piece| (Some(0), field(piece).1)));
        assert_sound(&fit);
    }
}

#[test]
fn a_treatment_that_no_strip_separates_from_the_combine_is_not_estimable() {
    let all: Vec<Piece> = pieces(4, &ORDERS, 18, field)
        .into_iter()
        .map(|piece| Piece { machine: usize::from(piece.treatment > 0), ..piece })
        .collect();
    let mut site = joined(&all, true);
    site.assigned.cleaned.cautions.add(Caution::MachineUncorrected, "");
    let fit = run(&site, &archive()).fit;
    assert_sound(&fit);
    assert!(find(&fit, "low", None).estimate.mean.is_none());
    assert!(fit.cautions.contains(Caution::MachineAliased));
}

#[test]
fn the_uncertainty_between_combines_is_carried_into_the_response() {
    let cut = |by: fn(&Piece) -> bool| -> Vec<Piece> {
        pieces(4, &ORDERS, 18, field)
            .into_iter()
            .map(|piece| Piece { machine: usize::from(by(&piece)), ..piece })
            .collect()
    };
    let of = |fit: &Fit| find(fit, "low", None).estimate.std_error.unwrap();
    let under = |pieces: &[Piece], variance: f64| {
        let mut site = joined(pieces, true);
        site.assigned.cleaned.facts.factor_covariance = vec![vec![variance, -variance], vec![-variance, variance]];
        of(&run(&site, &archive()).fit)
    };
    // a ratio of the combines known to 2 % of 10,600 kg/ha: all of it where the second combine cut all treated ground
    let treated = cut(|piece| piece.treatment > 0);
    let added = (under(&treated, 1e-4).powi(2) - under(&treated, 0.0).powi(2)).sqrt();
    assert!((added / 212.0 - 1.0).abs() < 0.1, "{added}");
    // half of it where it cut half
    let half = cut(|piece| piece.treatment > 0 && piece.block < 2);
    let added = (under(&half, 1e-4).powi(2) - under(&half, 0.0).powi(2)).sqrt();
    assert!((added / 106.0 - 1.0).abs() < 0.3, "{added}");
    // without a known factor the strips tell it themselves, and pay for it in the interval
    let told = run(&joined(&half, true), &archive()).fit;
    assert!(of(&told) > under(&half, 0.0));
}

#[test]
fn several_treatments_share_one_check() {
    let orders: [&[usize]; 4] = [&[0, 1, 2], &[1, 0, 2], &[2, 1, 0], &[1, 2, 0]];
    let fit = fit_of(&pieces(4, &orders, 18, field));
    assert_sound(&fit);
    assert!(fit.cautions.contains(Caution::SharedCheck));
    for treatment in ["low", "high"] {
        let found = find(&fit, treatment, None);
        assert!((found.estimate.mean.unwrap() - 300.0).abs() < 3.0 * found.estimate.std_error.unwrap());
    }
}

#[test]
fn treatments_are_reported_against_each_other() {
    let orders: [&[usize]; 4] = [&[0, 1, 2], &[1, 0, 2], &[2, 1, 0], &[1, 2, 0]];
    let fit = fit_of(&pieces(4, &orders, 18, |piece| {
        let (class, value) = field(piece);
        (class, value + if piece.treatment == 2 { 250.0 } else { 0.0 })
    }));
    assert_sound(&fit);
    assert_eq!(fit.supplement.contrasts.len(), 4, "three classes and the whole field");
    for one in &fit.supplement.contrasts {
        assert_eq!((one.treatment.as_str(), one.against.as_str(), one.blocks), ("high", "low", 4));
        let (mean, std_error) = (one.estimate.mean.unwrap(), one.estimate.std_error.unwrap());
        assert!((mean - 250.0).abs() < 2.5 * std_error, "{one:?}");
        let of = |treatment: &str| find(&fit, treatment, one.class).estimate.mean.unwrap();
        // both are medians of mixtures, so that they agree but for their skewness
        assert!((of("high") - of("low") - mean).abs() < 0.2 * std_error, "{one:?}");
    }
}

#[test]
fn the_trend_over_the_classes_is_the_slope_of_the_responses() {
    let fit = fit_of(&pieces(4, &ORDERS, 18, field));
    let [trend] = fit.supplement.trends.as_slice() else { panic!("one treatment, one trend") };
    assert_eq!(trend.classes, ["dry", "middle", "wet"]);
    let (mean, std_error) = (trend.estimate.mean.unwrap(), trend.estimate.std_error.unwrap());
    // 100, 300, 500
    assert!((mean - 200.0).abs() < 2.5 * std_error, "{trend:?}");
    let of = |class: usize| find(&fit, "low", Some(class)).estimate.mean.unwrap();
    assert!((0.5 * (of(2) - of(0)) - mean).abs() < 0.2 * std_error, "equal ground in each class");
}

#[test]
fn responses_are_drawn_towards_each_other() {
    let fit = fit_of(&pieces(4, &ORDERS, 18, field));
    assert!(find(&fit, "low", None).shrunken.is_none());
    let of = |class: usize| {
        let found = find(&fit, "low", Some(class));
        (found.estimate.mean.unwrap(), found.estimate.std_error.unwrap(), found.shrunken.unwrap())
    };
    let (dry, middle, wet) = (of(0), of(1), of(2));
    assert!(dry.2.mean > dry.0 && wet.2.mean < wet.0, "{dry:?} {wet:?}");
    assert!(wet.2.mean - dry.2.mean < wet.0 - dry.0);
    assert!([dry, middle, wet].iter().all(|one| one.2.std_error < 1.05 * one.1), "{dry:?} {middle:?} {wet:?}");
}

#[test]
fn elevation_is_adjusted_for_where_it_is_known() {
    // one treated strip of each block stands 2 m higher, where the yield is 100 kg/ha a metre less
    let height =
        |piece: &Piece| 0.5 * (f64::from(piece.along) / 3.0).sin() + 2.0 * f64::from(u8::from(piece.treatment > 0));
    let all = pieces(4, &ORDERS, 18, |piece| {
        let (class, value) = field(piece);
        (class, value - 100.0 * 4.0 * (f64::from(piece.along) / 3.0).sin())
    });
    let mut site = joined(&all, true);
    let settings = archive();
    assert_eq!(run(&site, &settings).of_the_model(&settings.model), []);
    let mut sorted = all.clone();
    sorted.sort_by_key(|piece| (piece.block, piece.place, piece.along));
    for (segment, piece) in site.assigned.segments.iter_mut().zip(&sorted) {
        segment.elevation_m = height(piece);
    }
    let fitted = run(&site, &settings);
    let plain = find(&fitted.fit, "low", None);
    assert!(plain.cautions.contains(Caution::GroundDiffers));
    // the treated stand higher by 2 m, and a metre takes 800 kg/ha: the adjusted response is larger
    let all = fitted.of_the_model(&settings.model);
    assert!(all.iter().all(|one| one.analysis == "adjusted for elevation"));
    let (adjusted, plain) = (again(&all, None).mean.unwrap(), plain.estimate.mean.unwrap());
    assert!(adjusted > plain + 500.0, "{adjusted} {plain}");
}

#[test]
fn a_treatment_on_wetter_ground_is_said_to_be() {
    let wetter = |piece: &Piece| (Some(if piece.treatment > 0 && piece.along > 8 { 2 } else { 1 }), field(piece).1);
    let fit = fit_of(&pieces(4, &ORDERS, 18, wetter));
    assert!(find(&fit, "low", None).cautions.contains(Caution::TreatedWetter));
    let even = fit_of(&pieces(4, &ORDERS, 18, field));
    assert!(!find(&even, "low", None).cautions.contains(Caution::TreatedWetter));
}

#[test]
fn a_single_block_stands_beside_the_passes_around_it() {
    // one block among passes without a strip: ten to each side
    let all = pieces(1, &ORDERS, 18, field);
    let beside: Vec<Piece> = (0..20)
        .flat_map(|place| (0..18).map(move |along| (place, along)))
        .map(|(place, along)| Piece {
            place: place + 2,
            along,
            yield_kg_ha: 10_000.0 + 100.0 * noise(3, place, 1),
            ..all[0]
        })
        .collect();
    let mut site = joined(&[all, beside].concat(), true);
    let assigned = &mut site.assigned;
    let strips = assigned.strip.clone();
    assigned.cleaned.pass.clone_from(&strips);
    for (at, strip) in strips.iter().enumerate() {
        assigned.cleaned.dry_yield_kg_ha[at] = assigned.segments[assigned.segment[at] as usize].dry_yield_kg_ha;
        assigned.cleaned.swath_m[at] = WIDTH_M;
        if *strip >= 2 {
            assigned.strip[at] = crate::points::Labels::NONE;
        }
    }
    assigned.segments.retain(|segment| segment.strip < 2);
    assigned.strips.truncate(2);
    let kept = assigned.segments.len();
    for segment in &mut assigned.segment {
        if *segment as usize >= kept {
            *segment = crate::points::Labels::NONE;
        }
    }
    site.segment_class.truncate(kept);
    site.segment_class_share.truncate(kept);
    let fit = run(&site, &archive()).fit;
    assert_sound(&fit);
    let [placebo] = fit.supplement.placebos.as_slice() else { panic!("no placebo distribution") };
    assert_eq!(placebo.positions, 19);
    assert!(placebo.as_large < 10 && placebo.usual > 20.0 && placebo.usual < 150.0, "{placebo:?}");
    let told = find(&fit, "low", None).cautions.iter().find(|one| one.0 == Caution::Unreplicated).unwrap().1.to_owned();
    assert!(told.contains("of 19 pairs"), "{told}");
}

#[test]
fn hopeless_trials_give_other_analyses_nothing_to_invent() {
    let flat = |piece: &Piece| (Some(class_of(piece)), 9_000.0);
    for blocks in [1, 2, 3, 4] {
        assert_alternatives_sound(&joined(&pieces(blocks, &ORDERS, 18, field), true));
        assert_alternatives_sound(&joined(&pieces(blocks, &ORDERS, 18, flat), true));
        assert_alternatives_sound(&joined(&pieces(blocks, &ORDERS, 1, field), true));
        let treated_only: Vec<Piece> =
            pieces(blocks, &ORDERS, 18, field).into_iter().filter(|one| one.treatment > 0).collect();
        assert_alternatives_sound(&joined(&treated_only, true));
        assert_alternatives_sound(&joined(&pieces(blocks, &ORDERS, 18, |piece| (None, field(piece).1)), true));
    }
}

/// The passes of every second strip lie over it and the next one, 60 to 40, and yield as both do.
fn straddled(pieces: &[Piece]) -> Joined {
    let mut site = joined(pieces, true);
    let Assigned { segments, segment, cleaned, straddling, .. } = &mut site.assigned;
    let yields: BTreeMap<(u32, i32), f64> =
        segments.iter().map(|one| ((one.strip, one.along), one.dry_yield_kg_ha)).collect();
    for at in 0..segment.len() {
        let one = &segments[segment[at] as usize];
        let (strip, shares) = (one.strip, [0.6, 0.4]);
        if strip % 2 == 0 {
            cleaned.dry_yield_kg_ha[at] = 0.6 * one.dry_yield_kg_ha + 0.4 * yields[&(strip + 1, one.along)];
            cleaned.x_m[at] += 0.4 * WIDTH_M;
            straddling.push(Straddling { record: at as u32, strips: [strip, strip + 1], shares, along: one.along / 2 });
            segment[at] = crate::points::Labels::NONE;
        }
    }
    site
}

/// In half of the blocks no pass lies on the check alone, in the others none on the treated strip: only the passes over both compare.
#[test]
fn straddling_passes_tell_of_both_strips() {
    let all = pieces(8, &ORDERS, 18, field);
    let site = straddled(&all);
    let fit = run(&site, &archive()).fit;
    assert_sound(&fit);
    let pure = fit_of(&all);
    for (class, truth) in [(Some(0), 100.0), (Some(1), 300.0), (Some(2), 500.0), (None, 300.0)] {
        let (found, pure) = (find(&fit, "low", class), find(&pure, "low", class));
        assert_eq!(found.blocks, 8, "{class:?}");
        let (one, known) = (found.estimate, pure.estimate);
        assert!((one.mean.unwrap() - truth).abs() < 2.5 * one.std_error.unwrap(), "{class:?}: {one:?}");
        // what lies on both is also nearer to what lies on one of them
        let ratio = one.std_error.unwrap() / known.std_error.unwrap();
        assert!((0.5..4.0).contains(&ratio), "{class:?}: {ratio}");
    }
    // there is no piece to map where no pass lies on one strip; its blocks are compared all the same
    let mut straddling_alone = site.clone();
    straddling_alone.assigned.segment.fill(crate::points::Labels::NONE);
    for segment in &mut straddling_alone.assigned.segments {
        segment.usable = false;
    }
    let found = run(&straddling_alone, &archive()).fit;
    assert_sound(&found);
    assert!(find(&found, "low", None).estimate.mean.is_some(), "{:?}", find(&found, "low", None));
    assert!(found.local.is_empty(), "{:?}", found.local);
    // without them nothing compares
    let settings = archive();
    let without = run(&site, &settings).of_the_model(&settings.model);
    assert!(without.iter().all(|one| one.analysis == "passes on one strip"));
    assert!(again(&without, None).mean.is_none());
}
