//! Inverting a distribution function on the positive half line.

/// The `x > 0` where `tail(x)` equals `probability`, for a tail that is monotone in `x`.
///
/// Newton's method on `ln tail` as a function of `ln x`, kept inside a bracket that every step shrinks.
pub(super) fn positive_quantile(
    probability: f64,
    guess: f64,
    rising: bool,
    tail: impl Fn(f64) -> f64,
    density: impl Fn(f64) -> f64,
) -> f64 {
    let target = probability.ln();
    let sign = if rising { 1.0 } else { -1.0 };
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut at = if guess > 0.0 && guess.is_finite() { guess.ln() } else { 0.0 };
    let mut reach = 1.0;
    for _ in 0..400 {
        let x = at.exp();
        let reached = tail(x);
        // below the root this is negative, above it positive
        let value = sign * (reached.max(f64::MIN_POSITIVE).ln() - target);
        if value <= 0.0 {
            low = at;
        }
        if value >= 0.0 {
            high = at;
        }
        let slope = density(x) * x / reached;
        let newton = at - value / slope;
        let next = if newton.is_finite() && newton > low && newton < high && (newton - at).abs() < 4.0 {
            newton
        } else if low.is_infinite() {
            reach *= 2.0;
            high - reach
        } else if high.is_infinite() {
            reach *= 2.0;
            low + reach
        } else {
            0.5 * (low + high)
        };
        if (next - at).abs() <= 2.0 * f64::EPSILON * next.abs().max(1.0) || !(low..=high).contains(&next) {
            return next.exp();
        }
        at = next;
    }
    at.exp()
}
