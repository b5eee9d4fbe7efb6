//! Huber's weights.

/// The usual tuning constant: 95 % efficiency for normal data.
///
/// Huber & Ronchetti 2009, Robust Statistics, 2nd ed., section 4.6; Holland & Welsch 1977, Commun. Stat. A 6:813–827.
pub const HUBER_K: f64 = 1.345;

/// The weight of a value `u` scales from the centre: 1 up to `k`, then `k / |u|`.
///
/// Huber 1964, Robust estimation of a location parameter, Ann. Math. Stat. 35:73–101.
pub fn huber_weight(u: f64, k: f64) -> f64 {
    let distance = u.abs();
    if distance <= k { 1.0 } else { k / distance }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_fall_beyond_k() {
        assert_eq!(huber_weight(1.0, 1.345), 1.0);
        assert_eq!(huber_weight(-2.69, 1.345), 0.5);
    }
}
