//! Seeded random numbers: each part of a simulation draws from its own stream, named by what it is for, so that nothing
//! depends on the order or the thread in which parts are made.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// The stream of a seed and a name.
pub(super) fn stream(seed: u64, name: &str) -> ChaCha8Rng {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&seed.to_le_bytes());
    hasher.update(name.as_bytes());
    ChaCha8Rng::from_seed(*hasher.finalize().as_bytes())
}

/// A standard normal deviate.
pub(super) fn normal(random: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(random)
}

/// A stationary first-order autoregressive process (Ornstein–Uhlenbeck) of standard deviation 1.
#[derive(Debug, Clone)]
pub(super) struct Wander {
    value: f64,
    keep: f64,
    renew: f64,
}

impl Wander {
    /// `step` and `correlation_time` in the same unit.
    pub(super) fn new(step: f64, correlation_time: f64, random: &mut ChaCha8Rng) -> Self {
        let keep = (-step / correlation_time).exp();
        Self { value: normal(random), keep, renew: (1.0 - keep * keep).sqrt() }
    }

    pub(super) fn next(&mut self, random: &mut ChaCha8Rng) -> f64 {
        self.value = self.keep * self.value + self.renew * normal(random);
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_differ_by_name_and_by_seed_and_repeat() {
        let draw = |seed, name| normal(&mut stream(seed, name));
        assert_eq!(draw(1, "a"), draw(1, "a"));
        assert_ne!(draw(1, "a"), draw(1, "b"));
        assert_ne!(draw(1, "a"), draw(2, "a"));
    }

    /// An Ornstein–Uhlenbeck process of correlation time T has the autocorrelation exp(−h/T).
    #[test]
    fn a_wander_has_unit_variance_and_its_correlation_time() {
        let mut random = stream(3, "wander");
        let mut wander = Wander::new(1.0, 10.0, &mut random);
        let path: Vec<f64> = (0..400_000).map(|_| wander.next(&mut random)).collect();
        let product = |lag: usize| path.iter().zip(&path[lag..]).map(|(a, b)| a * b).sum::<f64>() / path.len() as f64;
        assert!((product(0) - 1.0).abs() < 0.05);
        assert!((product(10) - (-1.0_f64).exp()).abs() < 0.05);
    }
}
