//! The incomplete beta function, to full accuracy for large parameters.

/// From here on the asymptotic series of [`stirling_error`] is exact in double precision.
const STIRLING_FROM: f64 = 15.0;
/// Parameters above this are large in [`regularised`].
const LARGE: f64 = 500.0;
const LN_SQRT_2PI: f64 = 0.918_938_533_204_672_8;

/// `ln Γ(a) − [(a − ½) ln a − a + ½ ln 2π]`: Abramowitz & Stegun 1964, 6.1.41, after a step up by the recurrence of Γ.
pub(super) fn stirling_error(a: f64) -> f64 {
    let mut at = a;
    let mut steps = 0.0;
    while at < STIRLING_FROM {
        steps += (at + 0.5) * (1.0 / at).ln_1p() - 1.0;
        at += 1.0;
    }
    let square = 1.0 / (at * at);
    let series = 1.0 / 12.0
        - square
            * (1.0 / 360.0
                - square
                    * (1.0 / 1260.0
                        - square * (1.0 / 1680.0 - square * (1.0 / 1188.0 - square * (691.0 / 360_360.0)))));
    steps + series / at
}

/// `ln Γ(a)` for `a > 0`.
pub(super) fn ln_gamma(a: f64) -> f64 {
    if a < STIRLING_FROM {
        // the recurrence as a product: no cancellation near the zeros at 1 and 2
        let (mut product, mut at) = (1.0, a);
        while at < STIRLING_FROM {
            product *= at;
            at += 1.0;
        }
        return (at - 0.5) * at.ln() - at + LN_SQRT_2PI + stirling_error(at) - product.ln();
    }
    (a - 0.5) * a.ln() - a + LN_SQRT_2PI + stirling_error(a)
}

/// `ln B(a, b)` without cancellation.
pub(super) fn ln_beta(a: f64, b: f64) -> f64 {
    LN_SQRT_2PI + stirling_error(a) + stirling_error(b)
        - stirling_error(a + b)
        - a * (b / a).ln_1p()
        - b * (a / b).ln_1p()
        - 0.5 * (a * (b / (a + b))).ln()
}

/// `ln(1 + u) − u`, exact for small `u`.
pub(super) fn ln_1p_less_argument(u: f64) -> f64 {
    if u.abs() > 0.1 {
        return u.ln_1p() - u;
    }
    // ln(1 + u) = 2 artanh(u / (2 + u))
    let r = u / (2.0 + u);
    let square = r * r;
    let mut term = 2.0 * r * square;
    let mut sum = 0.0;
    let mut odd = 3.0;
    while term.abs() > 1e-18 * u.abs() {
        sum += term / odd;
        term *= square;
        odd += 2.0;
    }
    sum - u * r
}

/// An argument of the incomplete beta function, given with its complement and logarithms so that none is rounded away.
#[derive(Clone, Copy)]
pub(super) struct Argument {
    pub(super) x: f64,
    pub(super) complement: f64,
    pub(super) ln_x: f64,
    pub(super) ln_complement: f64,
}

impl Argument {
    /// `x = ratio / (1 + ratio)`.
    pub(super) fn from_odds(ratio: f64) -> Self {
        if ratio <= 0.0 {
            return Self { x: 0.0, complement: 1.0, ln_x: f64::NEG_INFINITY, ln_complement: 0.0 };
        }
        if ratio.is_infinite() {
            return Self { x: 1.0, complement: 0.0, ln_x: 0.0, ln_complement: f64::NEG_INFINITY };
        }
        let inverse = 1.0 / ratio;
        Self {
            x: 1.0 / (1.0 + inverse),
            complement: 1.0 / (1.0 + ratio),
            ln_x: -inverse.ln_1p(),
            ln_complement: -ratio.ln_1p(),
        }
    }

    fn turned(self) -> Self {
        Self { x: self.complement, complement: self.x, ln_x: self.ln_complement, ln_complement: self.ln_x }
    }
}

/// The regularised incomplete beta functions `(I_x(a, b), 1 − I_x(a, b))`.
///
/// Continued fraction 8.17.22 of the NIST Digital Library of Mathematical Functions by the modified Lentz method.
pub(super) fn regularised(a: f64, b: f64, at: Argument) -> (f64, f64) {
    if at.x <= 0.0 {
        return (0.0, 1.0);
    }
    if at.complement <= 0.0 {
        return (1.0, 0.0);
    }
    if at.x > (a + 1.0) / (a + b + 2.0) {
        // turned round, the fraction loses digits in proportion to a large parameter; the direct one does not, but
        // leaves no relative accuracy in a small complement
        if a.max(b) > LARGE {
            let (lower, upper) = regularised_left(a, b, at);
            if upper > 0.01 {
                return (lower, upper);
            }
        }
        let (upper, lower) = regularised_left(b, a, at.turned());
        return (lower, upper);
    }
    regularised_left(a, b, at)
}

fn regularised_left(a: f64, b: f64, at: Argument) -> (f64, f64) {
    let left = (power_terms(a, b, at) / a * continued_fraction(a, b, at.x)).min(1.0);
    (left, 1.0 - left)
}

/// `x^a (1 − x)^b / B(a, b)`, its large exponents cancelled about the mode `a / (a + b)` before they are rounded.
pub(super) fn power_terms(a: f64, b: f64, at: Argument) -> f64 {
    let lead = at.x * b - at.complement * a;
    let near = |share: f64, ln: f64, ln_mode: f64| {
        if share.abs() < 0.3 { ln_1p_less_argument(share) } else { ln - ln_mode - share }
    };
    let exponent =
        a * near(lead / a, at.ln_x, -(b / a).ln_1p()) + b * near(-lead / b, at.ln_complement, -(a / b).ln_1p());
    let correction = stirling_error(a + b) - stirling_error(a) - stirling_error(b);
    (exponent + correction).exp() * (a * (b / (a + b)) / std::f64::consts::TAU).sqrt()
}

fn continued_fraction(a: f64, b: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let away = |value: f64| if value.abs() < TINY { TINY } else { value };
    // the fraction needs a number of terms in proportion to the root of the larger parameter
    let terms = 200 + (20.0 * a.max(b).sqrt()) as u64;
    let mut c = 1.0;
    let mut d = 1.0 / away(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    for term in 1..=terms {
        let m = term as f64;
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / away(1.0 + even * d);
        c = away(1.0 + even / c);
        fraction *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / away(1.0 + odd * d);
        c = away(1.0 + odd / c);
        let step = d * c;
        fraction *= step;
        if (step - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    fraction
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_cases_by_hand() {
        // I_x(1, 1) = x; I_x(2, 1) = x²; I_½(a, a) = ½
        let third = Argument::from_odds(0.5);
        assert!((regularised(1.0, 1.0, third).0 - 1.0 / 3.0).abs() < 1e-15);
        assert!((regularised(2.0, 1.0, third).0 - 1.0 / 9.0).abs() < 1e-15);
        for a in [0.3, 5.0, 80.0, 5e5] {
            assert!((regularised(a, a, Argument::from_odds(1.0)).0 - 0.5).abs() < 1e-12, "{a}");
        }
    }

    #[test]
    fn ln_beta_is_smooth_over_its_branches() {
        // B(a, b + 1) = B(a, b) b / (a + b)
        for (a, b) in [(0.5_f64, 14.4_f64), (0.5, 15.5), (14.9, 14.9), (15.1, 1e6), (0.5, 5e5), (3.0, 20.0)] {
            let expected = (b / (a + b)).ln();
            let found = ln_beta(a, b + 1.0) - ln_beta(a, b);
            assert!((found - expected).abs() < 2e-14 * ln_beta(a, b).abs().max(1.0), "{a} {b}: {found} {expected}");
        }
    }
}
