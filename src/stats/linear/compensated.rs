//! Sums and products carried to twice the working precision.
//!
//! Dekker 1971, A floating-point technique for extending the available precision, Numer. Math. 18:224–242; Ogita, Rump &
//! Oishi 2005, Accurate sum and dot product, SIAM J. Sci. Comput. 26:1955–1988. Without fused multiply-add, so that
//! every machine gives the same bits.

/// A running sum with its own rounding error beside it.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Accumulator {
    high: f64,
    low: f64,
}

impl Accumulator {
    /// Adds a value.
    pub(super) fn add(&mut self, value: f64) {
        let sum = self.high + value;
        let part = sum - self.high;
        self.low += (self.high - (sum - part)) + (value - part);
        self.high = sum;
    }

    /// Adds `a × b` without rounding the product.
    pub(super) fn add_product(&mut self, a: f64, b: f64) {
        let product = a * b;
        let (a_high, a_low) = split(a);
        let (b_high, b_low) = split(b);
        let error = a_low * b_low - (((product - a_high * b_high) - a_low * b_high) - a_high * b_low);
        self.add(product);
        self.low += error;
    }

    /// The sum, rounded once.
    pub(super) fn value(self) -> f64 {
        self.high + self.low
    }
}

/// Two halves of the digits of a value (Veltkamp).
fn split(value: f64) -> (f64, f64) {
    const FACTOR: f64 = 134_217_729.0; // 2^27 + 1
    let scaled = FACTOR * value;
    let high = scaled - (scaled - value);
    (high, value - high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_beyond_double_precision_survive() {
        let mut sum = Accumulator::default();
        sum.add(1e16);
        sum.add(1.0);
        sum.add(-1e16);
        assert_eq!(sum.value(), 1.0);
        let mut square = Accumulator::default();
        let a = 1.0 + f64::EPSILON;
        square.add_product(a, a);
        square.add(-1.0);
        square.add(-2.0 * f64::EPSILON);
        assert_eq!(square.value(), f64::EPSILON * f64::EPSILON);
    }
}
