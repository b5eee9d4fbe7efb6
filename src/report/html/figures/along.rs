//! Treated minus check along a strip.

use super::{Scale, Svg, range};

const WIDTH: f64 = 330.0;
const HEIGHT: f64 = 130.0;
const LEFT: f64 = 40.0;
const BOTTOM: f64 = 30.0;
/// Standard deviation of the weights of the running mean, m: some three segments either side count (ours).
const REACH_M: f64 = 40.0;

/// Width of a letter of a class's name, px.
const LETTER: f64 = 6.6;

/// A segment of the strip.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Stretch {
    /// Index of the segment, the same as on the map.
    pub(in crate::report::html) segment: usize,
    /// Place along the strip, m.
    pub(in crate::report::html) along_m: f64,
    /// Treated minus check, in the report's unit.
    pub(in crate::report::html) difference: f64,
    /// Index of its soil class.
    pub(in crate::report::html) class: Option<usize>,
}

/// The running mean at each stretch: neighbours along the strip count by a Gaussian of their distance.
pub(in crate::report::html) fn running_mean(stretches: &[Stretch]) -> Vec<f64> {
    stretches
        .iter()
        .map(|here| {
            let (mut sum, mut weights) = (0.0, 0.0);
            for there in stretches {
                let weight = (-0.5 * ((there.along_m - here.along_m) / REACH_M).powi(2)).exp();
                sum += weight * there.difference;
                weights += weight;
            }
            sum / weights
        })
        .collect()
}

/// The strip from its one end to the other: each stretch, the running mean, and where the soil class changes.
pub(in crate::report::html) fn draw(
    title: &str,
    stretches: &[Stretch],
    ends: (f64, f64),
    classes: &[String],
) -> String {
    let along = range(stretches.iter().map(|one| one.along_m), false);
    let first_m = along.0;
    let x = Scale::padded((0.0, along.1 - first_m), (LEFT, WIDTH - 4.0));
    let y = Scale::padded(ends, (HEIGHT - BOTTOM, 6.0));
    let mut svg = Svg::new(WIDTH, HEIGHT, "figure along", title);
    svg.lines_across(&y, 3.0, (LEFT, WIDTH - 4.0), 5.0);
    svg.labels_below(&x, 5.0, HEIGHT - BOTTOM + 14.0);
    svg.text("tick", (WIDTH - 4.0, HEIGHT - 3.0), "end", "m along the strip");
    for run in stretches.chunk_by(|one, next| one.class == next.class) {
        let (from, to) = (x.at(run[0].along_m - first_m), x.at(run[run.len() - 1].along_m - first_m));
        svg.line("border", (from, 6.0), (from, HEIGHT - BOTTOM));
        let name = run[0].class.and_then(|class| classes.get(class)).map_or("no class", String::as_str);
        // where it does not fit, the map tells the class
        if to - from > LETTER * name.chars().count() as f64 {
            svg.text("ground", (from + 3.0, 14.0), "start", name);
        }
    }
    let mean = running_mean(stretches);
    for one in stretches {
        svg.raw(format_args!(
            "<circle class=\"stretch\" data-segment=\"{}\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"3\"/>",
            one.segment,
            x.at(one.along_m - first_m),
            y.at(one.difference.clamp(ends.0, ends.1))
        ));
    }
    svg.path("curve", stretches.iter().zip(&mean).map(|(one, &mean)| (x.at(one.along_m - first_m), y.at(mean))));
    svg.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_running_mean_keeps_a_constant_and_damps_a_single_stretch() {
        let stretches = |values: &[f64]| {
            let one = |(at, &difference): (usize, &f64)| Stretch {
                segment: at,
                along_m: 20.0 * at as f64,
                difference,
                class: None,
            };
            values.iter().enumerate().map(one).collect::<Vec<_>>()
        };
        assert!(running_mean(&stretches(&[3.0; 9])).iter().all(|mean| (mean - 3.0).abs() < 1e-12));
        let mut spike = [0.0; 41];
        spike[20] = 1.0;
        let mean = running_mean(&stretches(&spike));
        // by hand: the weights of a Gaussian with a standard deviation of two stretches sum to 2 √(2π) = 5.013
        assert!((mean[20] - 1.0 / 5.013).abs() < 1e-3, "{}", mean[20]);
    }
}
