//! Shapes whose flow is known by geometry, and what the published algorithm promises.

use std::time::Instant;

use ndarray::Array2;

use super::*;

const CELL: (f64, f64) = (5.0, 5.0);

fn surface(rows: usize, columns: usize, height: impl Fn(f64, f64) -> f64) -> Array2<f64> {
    Array2::from_shape_fn((rows, columns), |(row, column)| height(column as f64 * CELL.0, row as f64 * CELL.1))
}

/// A plane that falls to the south: the cells above, one column's worth, so that a = distance to the divide.
#[test]
fn an_inclined_plane_collects_the_distance_to_its_divide() {
    let plane = surface(40, 20, |_, south| 100.0 - 0.02 * south);
    let flow = d_infinity(&plane, CELL).unwrap();
    let area = flow.accumulate();
    for row in 0..39 {
        assert!((area[(row, 9)] - (row + 1) as f64).abs() < 1e-9);
        assert!((f64::from(flow.slope()[(row, 9)]) - 0.02).abs() < 1e-7);
    }
    // TWI = ln(a / tan β): 10 rows of 5 m over 0.02
    let wet = wetness(&plane, CELL).unwrap();
    assert!((wet.index[(9, 9)] - (50.0_f64 / 0.02).ln()).abs() < 1e-6);
    assert!(wet.depth.iter().all(|depth| depth.abs() < 1e-12));
}

/// An oblique plane: direction and slope are those of the plane whatever its angle (Tarboton 1997 gives this as the test
/// that eight directions fail).
#[test]
fn the_slope_of_an_oblique_plane_is_exact() {
    for degrees in [10.0_f64, 30.0, 45.0, 77.0] {
        let (east, south) = (degrees.to_radians().cos(), degrees.to_radians().sin());
        let plane = surface(30, 30, |x, y| 50.0 - 0.03 * (east * x + south * y));
        let flow = d_infinity(&plane, CELL).unwrap();
        assert!((f64::from(flow.slope()[(15, 15)]) - 0.03).abs() < 1e-6, "{degrees}");
    }
}

/// Water from a cone spreads evenly, so the area above a metre of contour at distance r is r / 2, whatever the direction. A
/// cell takes what crosses its side, which lies at the angle θ (to the nearest axis) to the contour: `cos θ` of that.
#[test]
fn an_outward_cone_sheds_alike_in_all_directions() {
    let middle = 100.0 * CELL.0;
    let cone = surface(201, 201, |x, y| 1000.0 - 0.1 * (x - middle).hypot(y - middle));
    let area = d_infinity(&cone, CELL).unwrap().accumulate();
    let radius = 80.0_f64;
    let (mut least, mut most, mut sum, mut count) = (f64::INFINITY, 0.0_f64, 0.0, 0.0);
    for degrees in (0..360).step_by(5) {
        let (sine, cosine) = f64::from(degrees).to_radians().sin_cos();
        // the mean over nine cells: single cells show the grid
        let (row, column) = ((100.0 + radius * sine).round() as usize, (100.0 + radius * cosine).round() as usize);
        let (mut near, mut distance) = (0.0, 0.0);
        for (down, right) in (0..3).flat_map(|down| (0..3).map(move |right| (down, right))) {
            let (row, column) = (row + down - 1, column + right - 1);
            near += area[(row, column)] / 9.0;
            distance += (row as f64 - 100.0).hypot(column as f64 - 100.0) / 9.0;
        }
        let ratio = near / (distance / 2.0 * sine.abs().max(cosine.abs()));
        least = least.min(ratio);
        most = most.max(ratio);
        sum += ratio;
        count += 1.0;
    }
    assert!((sum / count - 1.0).abs() < 0.05, "{}", sum / count);
    // the grid shows: cells near the diagonals hold more than their share, and their neighbours less
    assert!(least > 0.8 && most < 1.35, "{least} {most}");
}

/// Two slopes that meet in a line: all of a row and of the rows above it comes down the line.
#[test]
fn a_valley_gathers_both_sides() {
    let valley = surface(60, 41, |x, y| 100.0 + 0.2 * (x - 20.0 * CELL.0).abs() - 0.02 * y);
    let flow = d_infinity(&valley, CELL).unwrap();
    let area = flow.accumulate();
    // the slopes run mostly sideways; the line holds nearly all above
    assert!(area[(50, 20)] > 0.75 * 51.0 * 41.0, "{}", area[(50, 20)]);
    assert!(area[(50, 10)] < 0.05 * area[(50, 20)]);
    let wet = wetness(&valley, CELL).unwrap();
    assert!(wet.index[(50, 20)] > wet.index[(50, 5)] + 3.0);
}

#[test]
fn a_bowl_is_filled_to_its_pour_point() {
    // a bowl with a rim at 10 and a notch at 7
    let mut bowl = surface(31, 31, |x, y| ((x - 75.0).powi(2) + (y - 75.0).powi(2)) / 562.5);
    bowl.mapv_inplace(|height| height.min(10.0));
    bowl[(15, 30)] = 7.0;
    bowl[(15, 29)] = 7.0;
    bowl[(15, 28)] = 7.0;
    let filled = fill(&bowl).unwrap();
    let depth = depression_depth(&bowl, &filled);
    assert!((filled[(15, 15)] - 7.0).abs() < 1e-9 && (depth[(15, 15)] - 7.0).abs() < 1e-9);
    assert!((filled[(15, 3)] - bowl[(15, 3)].max(7.0)).abs() < 1e-9);
    assert!(depth[(2, 2)].abs() < 1e-12);
}

fn rough(rows: usize, columns: usize, seed: u64) -> Array2<f64> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(1_u32 << 31)
    };
    let plane = surface(rows, columns, |x, y| 0.002 * x + 0.001 * y);
    plane.mapv(|height| height + next())
}

/// What Barnes, Lehman & Mulla 2014, section 2, ask of a filled surface: nowhere lower than the original; from every cell a
/// way down to the edge; nowhere higher than it must be (the greatest height on the lowest way out, by a slow search).
#[test]
fn a_filled_surface_is_the_lowest_that_drains() {
    for seed in 0..5 {
        let mut original = rough(24, 31, seed);
        original[(10, 10)] = f64::NAN;
        let filled = fill(&original).unwrap();
        let flow = d_infinity(&filled, CELL).unwrap();
        assert!(flow.drains(), "seed {seed}");
        let (rows, columns) = original.dim();
        // the lowest way out by repeated relaxation
        let mut lowest = original.mapv(|height| if height.is_nan() { f64::NEG_INFINITY } else { f64::INFINITY });
        for _ in 0..rows * columns {
            let mut changed = false;
            for row in 0..rows {
                for column in 0..columns {
                    if original[(row, column)].is_nan() {
                        continue;
                    }
                    let on_rim = row == 0 || column == 0 || row + 1 == rows || column + 1 == columns;
                    let around = flood::neighbours(row * columns + column, rows, columns)
                        .map(|other| lowest[(other / columns, other % columns)])
                        .fold(if on_rim { f64::NEG_INFINITY } else { f64::INFINITY }, f64::min);
                    let level = original[(row, column)].max(around);
                    if level < lowest[(row, column)] {
                        lowest[(row, column)] = level;
                        changed = true;
                    }
                }
            }
            if !changed {
                break;
            }
        }
        for ((found, lowest), original) in filled.iter().zip(&lowest).zip(&original) {
            assert!(original.is_nan() || (found - lowest).abs() < 1e-9 && found >= original);
        }
    }
}

#[test]
fn no_water_is_lost() {
    for seed in 5..8 {
        let mut original = rough(50, 40, seed);
        original[(20, 20)] = f64::NAN;
        let filled = fill(&original).unwrap();
        let flow = d_infinity(&filled, CELL).unwrap();
        let area = flow.accumulate();
        assert!(area[(20, 20)].is_nan() && area.iter().all(|cells| cells.is_nan() || *cells >= 1.0));
    }
}

#[test]
fn a_flat_drains() {
    let flat = Array2::from_elem((20, 20), 3.0);
    let filled = fill(&flat).unwrap();
    let flow = d_infinity(&filled, CELL).unwrap();
    assert!(flow.drains());
    assert!(depression_depth(&flat, &filled).iter().all(|depth| depth.abs() < 1e-12));
}

#[test]
fn smoothing_keeps_a_plane_inside_and_a_constant_everywhere() {
    let plane = surface(60, 60, |x, y| 2.0 + 0.1 * x - 0.2 * y);
    let smoothed = smooth(&plane, 2.0);
    assert!((smoothed[(30, 30)] - plane[(30, 30)]).abs() < 1e-9);
    let mut constant = Array2::from_elem((20, 20), 7.0);
    constant[(3, 3)] = f64::NAN;
    let smoothed = smooth(&constant, 3.0);
    assert!(smoothed.iter().filter(|value| !value.is_nan()).all(|value| (value - 7.0).abs() < 1e-9));
    assert!(smoothed[(3, 3)].is_nan() && smoothed.iter().filter(|value| value.is_nan()).count() == 1);
}

#[test]
fn nothing_comes_of_a_surface_without_data_or_cells_without_size() {
    assert!(fill(&Array2::from_elem((3, 3), f64::NAN)).is_err());
    assert!(d_infinity(&Array2::zeros((3, 3)), (0.0, 5.0)).is_err());
}

/// `cargo test --release --lib -- --ignored five_thousand --nocapture`
#[test]
#[ignore = "a measurement of time"]
fn five_thousand_rows_and_columns_take_seconds() {
    // knolls and hollows of some cells' width, as smoothed elevations have them
    let original = smooth(&rough(5_000, 5_000, 3), 2.0);
    let begun = Instant::now();
    let wet = wetness(&original, CELL).unwrap();
    let seconds = begun.elapsed().as_secs_f64();
    assert!(wet.depth.iter().all(|depth| *depth >= 0.0) && wet.index.iter().all(|index| index.is_finite()));
    let text = format!("25 million cells: filled, drained and indexed in {seconds:.1} s\n");
    std::io::Write::write_all(&mut std::io::stderr().lock(), text.as_bytes()).unwrap();
}
