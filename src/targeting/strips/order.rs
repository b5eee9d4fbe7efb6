//! The order of the treatments in each block: drawn at random, with draws refused that would confound the comparison.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A treatment may stand on wetter or drier ground than the check by at most this many standard deviations of the drainage
/// over all strips (a usual bound of balance between groups: Imbens & Rubin 2015, Causal Inference for Statistics, Social,
/// and Biomedical Sciences, section 14.2; from memory).
const MOST_APART: f64 = 0.25;
/// Draws after which no order is thought to be balanced: where one in a hundred is, so many miss it once in 20,000
/// times (0.99 to the power of 1,000; ours).
const MOST_DRAWS: usize = 1_000;

/// Where each treatment stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Order {
    /// By block, the treatment of each strip; 0 is the check.
    pub(super) treatments: Vec<Vec<usize>>,
    /// Draws that were refused.
    pub(super) refused: usize,
}

/// The generator of a field: its own stream of the archive's seed.
pub(super) fn stream(seed: u64, farm: &str, field: &str, season: i32) -> ChaCha8Rng {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&seed.to_le_bytes());
    for name in [farm, field] {
        hasher.update(&(name.len() as u64).to_le_bytes());
        hasher.update(name.as_bytes());
    }
    hasher.update(&season.to_le_bytes());
    ChaCha8Rng::from_seed(*hasher.finalize().as_bytes())
}

/// Draws the order in each block until neither the side nor the drainage tells a treatment from the check; `None` where no
/// draw does. `ground` holds, by block and strip, the length on each soil class, dry to wet.
pub(super) fn draw(ground: &[Vec<Vec<f64>>], random: &mut ChaCha8Rng) -> Option<Order> {
    let treatments = ground.first()?.len();
    (0..MOST_DRAWS).find_map(|refused| {
        let drawn: Vec<Vec<usize>> = ground
            .iter()
            .map(|_| {
                let mut order: Vec<usize> = (0..treatments).collect();
                for last in (1..treatments).rev() {
                    order.swap(last, random.random_range(0..=last));
                }
                order
            })
            .collect();
        let is_fair = (1..treatments)
            .all(|treatment| is_on_both_sides(&drawn, treatment) && apart(ground, &drawn, treatment) <= MOST_APART);
        is_fair.then_some(Order { treatments: drawn, refused })
    })
}

fn position_of(block: &[usize], treatment: usize) -> usize {
    block.iter().position(|&one| one == treatment).unwrap_or(0)
}

/// Whether a treatment stands left of the check in one block and right of it in another.
fn is_on_both_sides(drawn: &[Vec<usize>], treatment: usize) -> bool {
    let left = drawn.iter().filter(|block| position_of(block, treatment) < position_of(block, 0)).count();
    left > 0 && left < drawn.len()
}

/// How much wetter or drier a treatment stands than the check: the mean over blocks of the difference in mean class, by the
/// standard deviation of the class over all strips; 0 where all ground is of one class.
fn apart(ground: &[Vec<Vec<f64>>], drawn: &[Vec<usize>], treatment: usize) -> f64 {
    let (mut total, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for strip in ground.iter().flatten() {
        for (rank, length) in strip.iter().enumerate() {
            total += length;
            sum += length * rank as f64;
            squares += length * (rank as f64).powi(2);
        }
    }
    let variance = squares / total - (sum / total).powi(2);
    if total <= 0.0 || variance <= 1e-9 {
        return 0.0;
    }
    let mean = |strip: &[f64]| {
        let known: f64 = strip.iter().sum();
        let sum: f64 = strip.iter().enumerate().map(|(rank, length)| rank as f64 * length).sum();
        (known > 0.0).then(|| sum / known)
    };
    let differences: Vec<f64> = ground
        .iter()
        .zip(drawn)
        .filter_map(|(strips, order)| {
            Some(mean(&strips[position_of(order, treatment)])? - mean(&strips[position_of(order, 0)])?)
        })
        .collect();
    if differences.is_empty() {
        return 0.0;
    }
    (differences.iter().sum::<f64>() / differences.len() as f64 / variance.sqrt()).abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn even(blocks: usize, strips: usize) -> Vec<Vec<Vec<f64>>> {
        vec![vec![vec![100.0, 100.0]; strips]; blocks]
    }

    #[test]
    fn every_block_holds_each_treatment_once_and_the_seed_repeats_the_draw() {
        let ground = even(6, 4);
        let drawn = draw(&ground, &mut stream(1, "farm", "field", 2025)).unwrap();
        for block in &drawn.treatments {
            let mut sorted = block.clone();
            sorted.sort_unstable();
            assert_eq!(sorted, [0, 1, 2, 3]);
        }
        assert_eq!(draw(&ground, &mut stream(1, "farm", "field", 2025)).unwrap(), drawn);
        for (seed, farm, field, season) in
            [(2, "farm", "field", 2025), (1, "far", "mfield", 2025), (1, "farm", "field", 2026)]
        {
            assert_ne!(draw(&ground, &mut stream(seed, farm, field, season)).unwrap(), drawn);
        }
    }

    /// Three blocks of a treatment and its check have eight orders; in two of them the treatment stands on one side throughout.
    #[test]
    fn no_treatment_stands_on_one_side_throughout_and_all_other_orders_are_as_likely() {
        let ground = even(3, 2);
        let (rounds, mut refused) = (6000, 0);
        let mut counts = std::collections::BTreeMap::new();
        let mut random = stream(1, "", "", 0);
        for _ in 0..rounds {
            let drawn = draw(&ground, &mut random).unwrap();
            refused += drawn.refused;
            *counts.entry(drawn.treatments).or_insert(0) += 1;
        }
        assert_eq!(counts.len(), 6);
        // each 1000 ± 5 standard deviations of a binomial count
        assert!(counts.values().all(|&count: &i32| (count - 1000).abs() < 145), "{counts:?}");
        // refused before one stands: geometric, (1 − 0.75) / 0.75 on average, variance 0.25 / 0.75²
        let mean = refused as f64 / f64::from(rounds);
        assert!((mean - 1.0 / 3.0).abs() < 5.0 * (0.25 / 0.5625 / f64::from(rounds)).sqrt(), "{mean}");
    }

    /// The left strip of each block lies on wetter ground. The class over all strips is 0 or 1, half of each: standard
    /// deviation 0.5. A treatment that stands left in `l` of four blocks is wetter by (2 l − 4) / 4 / 0.5 standard deviations, so
    /// only l = 2 is within 0.25.
    #[test]
    fn a_treatment_gets_no_wetter_ground_than_the_check() {
        let ground = vec![vec![vec![0.0, 100.0], vec![100.0, 0.0]]; 4];
        let order = |left: usize| -> Vec<Vec<usize>> {
            (0..4).map(|block| if block < left { vec![1, 0] } else { vec![0, 1] }).collect()
        };
        for (left, expected) in [(0, 2.0), (1, 1.0), (2, 0.0), (3, 1.0)] {
            assert!((apart(&ground, &order(left), 1) - expected).abs() < 1e-12);
        }
        let mut random = stream(3, "", "", 0);
        for _ in 0..100 {
            let drawn = draw(&ground, &mut random).unwrap();
            assert_eq!(drawn.treatments.iter().filter(|block| block[0] == 1).count(), 2);
        }
        // of three blocks none is balanced
        assert_eq!(draw(&ground[..3], &mut random), None);
    }
}
