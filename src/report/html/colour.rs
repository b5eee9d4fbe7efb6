//! Colour scales: perceptually uniform, and told apart by readers who see few colours.

use colorous::CIVIDIS;
use palette::{IntoColor, Mix, Oklab, Srgb};

use crate::points::{Family, Mark};

/// A colour as red, green and blue.
pub(super) type Rgb = [u8; 3];

/// Colours of yield, from low (0) to high (1): Nuñez, Anderton & Renslow 2018, PLoS ONE 13:e0199239, a scale made to look
/// the same, and evenly spaced, with and without deficient colour vision.
pub(super) fn of_yield(share: f64) -> Rgb {
    let colour = CIVIDIS.eval_continuous(share.clamp(0.0, 1.0));
    [colour.r, colour.g, colour.b]
}

/// The ends and the middle of the scale of differences, in Oklab (Ottosson 2020): lightness and the two opponent axes. The
/// ends are of one lightness, blue and orange, which every common kind of colour vision tells apart.
const BLUE: (f32, f32, f32) = (0.48, -0.03, -0.125);
const EVEN: (f32, f32, f32) = (0.93, 0.0, 0.006);
const ORANGE: (f32, f32, f32) = (0.48, 0.062, 0.096);

/// Colours of differences: −1 is less than the check (orange), 0 even, +1 more (blue). Steps are even in Oklab on both sides.
pub(super) fn of_difference(signed: f64) -> Rgb {
    let colour = |(l, a, b): (f32, f32, f32)| Oklab::new(l, a, b);
    let end = if signed < 0.0 { ORANGE } else { BLUE };
    let mixed = colour(EVEN).mix(colour(end), signed.abs().min(1.0) as f32);
    let rgb: Srgb = mixed.into_color();
    let rgb: Srgb<u8> = rgb.into_format();
    [rgb.red, rgb.green, rgb.blue]
}

/// Colours of departures from normal, from dry (−1, light) to wet (+1, dark): greys of even steps of lightness in Oklab, so that they
/// leave the hues to the responses that lie on them.
pub(super) fn of_departure(signed: f64) -> Rgb {
    let lightness = 0.78 - 0.17 * signed.clamp(-1.0, 1.0);
    let rgb: Srgb = Oklab::new(lightness as f32, 0.0, 0.0).into_color();
    let rgb: Srgb<u8> = rgb.into_format();
    [rgb.red, rgb.green, rgb.blue]
}

/// The colour of a yield as it is written in markup.
pub(in crate::report) fn yield_colour(share: f64) -> String {
    hex(of_yield(share))
}

/// As it is written in markup.
pub(super) fn hex([red, green, blue]: Rgb) -> String {
    format!("#{red:02x}{green:02x}{blue:02x}")
}

/// Families of reasons for removal: few enough colours to be told apart (Okabe & Ito 2008, Color Universal Design).
pub(super) fn of_mark(mark: Mark) -> Rgb {
    match mark.rule().family {
        Family::Fix | Family::Outline => [213, 94, 0],
        Family::Pass => [0, 114, 178],
        Family::Reading => [204, 121, 167],
        Family::Width => [0, 158, 115],
        Family::Yield => [230, 159, 0],
    }
}

/// Stops of a gradient from one end of a scale to the other.
pub(super) fn stops(scale: impl Fn(f64) -> Rgb) -> Vec<String> {
    (0..=16).map(|at| hex(scale(f64::from(at) / 16.0))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn oklab([red, green, blue]: Rgb) -> Oklab {
        Srgb::new(red, green, blue).into_format::<f32>().into_color()
    }

    /// Two colours as a reader without red (or without green) cones sees them nearly differ in lightness and in blue against
    /// yellow alone; that distance is what remains of a difference.
    fn distance_without_red_and_green(one: Rgb, other: Rgb) -> f32 {
        let (one, other) = (oklab(one), oklab(other));
        ((one.l - other.l).powi(2) + (one.b - other.b).powi(2)).sqrt()
    }

    #[test]
    fn differences_step_evenly_and_alike_on_both_sides() {
        for side in [-1.0, 1.0] {
            let steps: Vec<f32> = (0..10)
                .map(|at| {
                    let (one, other) = (
                        oklab(of_difference(side * f64::from(at) / 10.0)),
                        oklab(of_difference(side * f64::from(at + 1) / 10.0)),
                    );
                    ((one.l - other.l).powi(2) + (one.a - other.a).powi(2) + (one.b - other.b).powi(2)).sqrt()
                })
                .collect();
            let mean = steps.iter().sum::<f32>() / 10.0;
            // eight bits a channel
            assert!(steps.iter().all(|step| (step / mean - 1.0).abs() < 0.12), "{steps:?}");
        }
        let (less, more) = (oklab(of_difference(-1.0)), oklab(of_difference(1.0)));
        assert!((less.l - more.l).abs() < 0.01);
        assert_eq!(of_difference(5.0), of_difference(1.0));
    }

    #[test]
    fn gains_and_losses_are_distinguished_without_red_and_green() {
        for share in [0.3, 0.6, 1.0] {
            let apart = distance_without_red_and_green(of_difference(share), of_difference(-share));
            assert!(apart > 0.18 * share as f32, "{share}: {apart}");
        }
    }

    #[test]
    fn yields_rise_in_lightness() {
        let lightness: Vec<f32> = (0..=20).map(|at| oklab(of_yield(f64::from(at) / 20.0)).l).collect();
        assert!(lightness.windows(2).all(|pair| pair[1] > pair[0]), "{lightness:?}");
    }
}
