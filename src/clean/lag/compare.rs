//! How well two profiles agree in the bins that both have.

use pulp::{Arch, Simd, WithSimd};

use super::profile::Signal;
use crate::stats::robust;

/// Fewest bins that two passes must share.
const LEAST_BINS: u64 = 12;

/// What is filled again for each comparison, bin by bin.
#[derive(Default)]
pub(super) struct Work {
    one: Vec<f64>,
    other: Vec<f64>,
}

/// What two profiles have in common: no bins where they are few.
struct Shared {
    bins: f64,
    /// Sums over these bins.
    one: f64,
    other: f64,
}

/// How the values of a profile are centred: multiplied, divided and lessened.
#[derive(Clone, Copy)]
struct Centre {
    times: f64,
    by: f64,
    less: f64,
}

impl Centre {
    #[expect(clippy::inline_always, reason = "what is not compiled into the caller does not get its registers")]
    #[inline(always)]
    fn of(self, value: f64) -> f64 {
        value * self.times / self.by - self.less
    }
}

impl Shared {
    fn centre(&self, signal: Signal, sum: f64) -> Centre {
        match signal {
            // relative to the pass's own mean: a combine's gain and a treatment drop out
            Signal::Yield => Centre { times: self.bins, by: sum, less: 1.0 },
            Signal::Moisture => Centre { times: 1.0, by: 1.0, less: sum / self.bins },
        }
    }
}

impl Work {
    /// The sum of Huber's loss of the differences in the shared bins of two profiles, in units of their spread, and how many bins these
    /// are.
    pub(super) fn loss(&mut self, one: &[f64], other: &[f64], signal: Signal, scale: f64) -> (f64, f64) {
        Arch::new().dispatch(Compared { one, other, signal, scale, work: self })
    }

    /// Adds the sizes of the centred values in the shared bins of two profiles.
    pub(super) fn centred(&mut self, one: &[f64], other: &[f64], signal: Signal, out: &mut Vec<f64>) {
        let shared = self.shared(one, other);
        if shared.bins > 0.0 {
            let (of_one, of_other) = (shared.centre(signal, shared.one), shared.centre(signal, shared.other));
            for (one, other) in one.iter().zip(other).filter(|(one, other)| !one.is_nan() && !other.is_nan()) {
                out.extend([of_one.of(*one).abs(), of_other.of(*other).abs()]);
            }
        }
    }

    #[expect(clippy::inline_always, reason = "as above")]
    #[inline(always)]
    fn shared(&mut self, one: &[f64], other: &[f64]) -> Shared {
        let count = one.len().min(other.len());
        let (one, other) = (&one[..count], &other[..count]);
        self.one.resize(count, 0.0);
        self.other.resize(count, 0.0);
        let (of_one, of_other) = (&mut self.one[..count], &mut self.other[..count]);
        let mut bins = 0_u64;
        for at in 0..count {
            let is_known = !one[at].is_nan() & !other[at].is_nan();
            of_one[at] = if is_known { one[at] } else { 0.0 };
            of_other[at] = if is_known { other[at] } else { 0.0 };
            bins += u64::from(is_known);
        }
        let bins = if bins < LEAST_BINS { 0.0 } else { bins as f64 };
        Shared { bins, one: of_one.iter().sum(), other: of_other.iter().sum() }
    }
}

/// Two profiles to be compared, with the widest registers that the processor has: sums run in the order of the bins in any.
struct Compared<'s> {
    one: &'s [f64],
    other: &'s [f64],
    signal: Signal,
    scale: f64,
    work: &'s mut Work,
}

impl WithSimd for Compared<'_> {
    type Output = (f64, f64);

    #[expect(clippy::inline_always, reason = "as above")]
    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> (f64, f64) {
        let Self { one, other, signal, scale, work } = self;
        let k = robust::HUBER_K;
        let shared = work.shared(one, other);
        let (of_one, of_other) = (shared.centre(signal, shared.one), shared.centre(signal, shared.other));
        let unit = scale * std::f64::consts::SQRT_2;
        let count = work.one.len();
        let (one, other, losses) = (&one[..count], &other[..count], &mut work.one[..count]);
        for at in 0..count {
            let u = (of_one.of(one[at]) - of_other.of(other[at])).abs() / unit;
            let loss = if u <= k { u * u } else { 2.0 * k * u - k * k };
            // where a profile has no value
            losses[at] = if loss.is_nan() { 0.0 } else { loss };
        }
        (losses.iter().sum(), shared.bins)
    }
}
