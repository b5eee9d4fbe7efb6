//! Mixtures of t distributions: what is left when a variance has been averaged over instead of plugged in.

use super::StudentT;
use crate::stats::{Interval, StatsError, check};

/// One member of a mixture: `centre + scale · T_df`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Weight, not below 0; the weights need not sum to 1.
    pub weight: f64,
    /// Centre.
    pub centre: f64,
    /// Scale; 0 puts the whole weight on the centre.
    pub scale: f64,
    /// Degrees of freedom; infinity for a normal component.
    pub df: f64,
}

/// A mixture of scaled, shifted t distributions.
#[derive(Debug, Clone, PartialEq)]
pub struct Mixture {
    parts: Vec<(Component, StudentT)>,
}

impl Mixture {
    /// From its components; weights are scaled to sum to 1, components without weight are dropped.
    ///
    /// # Errors
    /// No component with weight, or a component with a value out of range.
    pub fn new(components: impl IntoIterator<Item = Component>) -> Result<Self, StatsError> {
        let mut parts = Vec::new();
        let mut total = 0.0;
        for component in components {
            check::finite("mixture component", &[component.weight, component.centre, component.scale])?;
            if component.weight < 0.0 || component.scale < 0.0 {
                let value = component.weight.min(component.scale);
                return Err(StatsError::OutOfRange { what: "weight and scale", allowed: "not below 0", value });
            }
            if component.weight > 0.0 {
                total += component.weight;
                parts.push((component, StudentT::new(component.df)?));
            }
        }
        if parts.is_empty() {
            return Err(StatsError::TooFew { what: "mixture components", found: 0, needed: 1 });
        }
        for (component, _) in &mut parts {
            component.weight /= total;
        }
        Ok(Self { parts })
    }

    /// The components, their weights summing to 1.
    pub fn components(&self) -> impl ExactSizeIterator<Item = &Component> {
        self.parts.iter().map(|(component, _)| component)
    }

    /// The mean, where every component has one (`df > 1`).
    pub fn mean(&self) -> Option<f64> {
        self.components().all(|part| part.df > 1.0).then(|| self.weighted(|part| part.centre))
    }

    /// The variance, where every component has one (`df > 2`).
    pub fn variance(&self) -> Option<f64> {
        if !self.components().all(|part| part.df > 2.0) {
            return None;
        }
        let mean = self.weighted(|part| part.centre);
        Some(self.weighted(|part| {
            let inflation = if part.df.is_infinite() { 1.0 } else { part.df / (part.df - 2.0) };
            part.scale * part.scale * inflation + (part.centre - mean) * (part.centre - mean)
        }))
    }

    /// `P(X ≤ x)`.
    pub fn cdf(&self, x: f64) -> f64 {
        self.parts.iter().map(|(part, t_dist)| part.weight * part_cdf(part, *t_dist, x)).sum()
    }

    /// `P(X > x)`.
    pub fn survival(&self, x: f64) -> f64 {
        self.parts.iter().map(|(part, t_dist)| part.weight * part_survival(part, *t_dist, x)).sum()
    }

    /// The value below which a share `p` lies, by Newton's method inside a shrinking bracket.
    ///
    /// # Errors
    /// `p` not between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<f64, StatsError> {
        check::open_probability("probability", p)?;
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        let mut at = 0.0;
        let mut last: Option<(f64, f64)> = None; // degrees of freedom and their quantile; most components share them
        for (part, t_dist) in &self.parts {
            let standard = match last {
                Some((df, value)) if df.total_cmp(&part.df).is_eq() => value,
                _ => t_dist.quantile(p)?,
            };
            last = Some((part.df, standard));
            let own = part.centre + part.scale * standard;
            at += part.weight * own;
            low = low.min(own);
            high = high.max(own);
        }
        // the quantile of a mixture lies between those of its components
        for _ in 0..200 {
            if high - low <= 1e-13 * low.abs().max(high.abs()) {
                break;
            }
            // the smaller tail, so that its digits are not lost
            let missing = if p > 0.5 { self.survival(at) - (1.0 - p) } else { p - self.cdf(at) };
            if missing > 0.0 {
                low = at;
            } else {
                high = at;
            }
            let newton = at + missing / self.pdf(at);
            let next = if newton > low && newton < high { newton } else { low + 0.5 * (high - low) };
            if (next - at).abs() <= 1e-14 * at.abs() {
                return Ok(next);
            }
            at = next;
        }
        Ok(at)
    }

    /// The density at `x`; a component without scale adds none.
    pub fn pdf(&self, x: f64) -> f64 {
        self.parts
            .iter()
            .filter(|(part, _)| part.scale > 0.0)
            .map(|(part, t_dist)| part.weight * t_dist.pdf((x - part.centre) / part.scale) / part.scale)
            .sum()
    }

    /// Degrees of freedom of the t distribution whose squared standard error is as uncertain as the mixture's: Satterthwaite's
    /// formula `2 E[s²]² / var(s²)`, over the components and within them.
    pub fn effective_df(&self) -> f64 {
        let mean = self.weighted(|part| part.scale * part.scale);
        let variance = self.weighted(|part| {
            let square = part.scale * part.scale;
            let own = if part.df.is_infinite() { 0.0 } else { 2.0 * square * square / part.df };
            own + (square - mean) * (square - mean)
        });
        if variance > 0.0 { 2.0 * mean * mean / variance } else { f64::INFINITY }
    }

    /// The central interval that holds a share `level`.
    ///
    /// # Errors
    /// `level` not between 0 and 1.
    pub fn interval(&self, level: f64) -> Result<Interval, StatsError> {
        check::open_probability("level", level)?;
        let tail = 0.5 * (1.0 - level);
        Ok(Interval { lower: self.quantile(tail)?, upper: self.quantile(1.0 - tail)? })
    }

    /// `E[max(0, −X)]`, see [`super::expected_loss()`].
    ///
    /// # Errors
    /// A component with at most one degree of freedom.
    pub fn expected_loss(&self) -> Result<f64, StatsError> {
        self.parts.iter().try_fold(0.0, |sum, (part, _)| {
            let loss = if part.scale > 0.0 {
                super::expected_loss(part.centre, part.scale, part.df)?
            } else {
                (-part.centre).max(0.0)
            };
            Ok(sum + part.weight * loss)
        })
    }

    /// The t distribution, as `(centre, scale, df)`, with the median of the mixture and its central intervals of 50 % and
    /// 95 %. A mixture with lighter tails than the normal gives infinite degrees of freedom, one with heavier tails than
    /// one degree gives one.
    ///
    /// # Errors
    /// A mixture without spread.
    pub fn nearest_t(&self) -> Result<(f64, f64, f64), StatsError> {
        // one component is itself: most variants of an answer, their covariance being given
        if let [(part, _)] = self.parts[..]
            && part.scale > 0.0
            && part.df >= 1.0
        {
            return Ok((part.centre, part.scale, part.df));
        }
        let fast = Tabulated::new(self);
        let centre = fast.quantile(0.5)?;
        let half = fast.quantile(0.75)? - fast.quantile(0.25)?;
        let most = fast.quantile(0.975)? - fast.quantile(0.025)?;
        if !(half > 0.0) {
            return Err(StatsError::NoVariation { what: "mixture" });
        }
        let excess = |inverse_df: f64| -> Result<f64, StatsError> {
            let t_dist = StudentT::new(1.0 / inverse_df)?;
            Ok((t_dist.quantile(0.975)? / t_dist.quantile(0.75)?).ln() - (most / half).ln())
        };
        // the ratio of the widths, known to some 1e-7, falls with the degrees of freedom; its logarithm is searched over
        // their inverse, in which it is almost straight
        let (mut low, mut high) = ((0.0, excess(0.0)?), (1.0, excess(1.0)?));
        let inverse = if low.1 >= -3e-7 {
            0.0
        } else if high.1 <= 0.0 {
            1.0
        } else {
            // by the chord, halving the weight of an end that stays (the Illinois form)
            let mut last = 0;
            for _ in 0..60 {
                let at = (low.0 * high.1 - high.0 * low.1) / (high.1 - low.1);
                let found = excess(at)?;
                if found.abs() < 1e-10 || high.0 - low.0 < 1e-10 {
                    low.0 = at;
                    break;
                }
                if found < 0.0 {
                    low = (at, found);
                    high.1 *= if last < 0 { 0.5 } else { 1.0 };
                    last = -1;
                } else {
                    high = (at, found);
                    low.1 *= if last > 0 { 0.5 } else { 1.0 };
                    last = 1;
                }
            }
            low.0
        };
        let df = if inverse > 0.0 { 1.0 / inverse } else { f64::INFINITY };
        Ok((centre, 0.5 * half / StudentT::new(df)?.quantile(0.75)?, df))
    }

    /// The values below which shares lie, to some 1e-7 of the spread.
    ///
    /// # Errors
    /// As [`Self::quantile`].
    pub fn quantiles(&self, shares: impl IntoIterator<Item = f64>) -> Result<Vec<f64>, StatsError> {
        let fast = Tabulated::new(self);
        let quantile = |share: f64| {
            check::open_probability("probability", share)?;
            fast.quantile(share)
        };
        shares.into_iter().map(quantile).collect()
    }

    /// Distance between the quartiles, to some 1e-7 of it.
    ///
    /// # Errors
    /// Degrees of freedom so few that a quartile cannot be computed.
    pub fn quartile_distance(&self) -> Result<f64, StatsError> {
        let fast = Tabulated::new(self);
        Ok(fast.quantile(0.75)? - fast.quantile(0.25)?)
    }

    /// The mixture of `factor · X + shift`.
    ///
    /// # Errors
    /// A factor or shift that is not finite.
    pub fn scaled(&self, factor: f64, shift: f64) -> Result<Self, StatsError> {
        Self::new(self.components().map(|part| Component {
            centre: factor * part.centre + shift,
            scale: factor.abs() * part.scale,
            ..*part
        }))
    }

    /// A mixture of at most so many components that is nearly the same: those of like scale become one with their weight, mean and
    /// second moment. What hundreds of points of a posterior say, a few say for a quantile.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn condensed(&self, groups: usize) -> Result<Self, StatsError> {
        if self.parts.len() <= groups {
            return Ok(self.clone());
        }
        let mut sorted: Vec<&Component> = self.components().collect();
        sorted.sort_by(|one, other| one.scale.total_cmp(&other.scale).then(one.centre.total_cmp(&other.centre)));
        let mut sums = vec![[0.0_f64; 5]; groups];
        let mut before = 0.0;
        for part in sorted {
            let at = (((before + 0.5 * part.weight) * groups as f64) as usize).min(groups - 1);
            before += part.weight;
            let of = [1.0, part.centre, part.centre * part.centre, part.scale * part.scale, part.df.recip()];
            sums[at].iter_mut().zip(of).for_each(|(sum, value)| *sum += part.weight * value);
        }
        let group = |[weight, centre, square, scale, inverse_df]: [f64; 5]| {
            let of = |sum: f64| sum / weight;
            let between = (of(square) - of(centre).powi(2)).max(0.0);
            Component { weight, centre: of(centre), scale: (of(scale) + between).sqrt(), df: of(inverse_df).recip() }
        };
        Self::new(sums.into_iter().filter(|sums| sums[0] > 0.0).map(group))
    }

    fn weighted(&self, of: impl Fn(&Component) -> f64) -> f64 {
        self.components().map(|part| part.weight * of(part)).sum()
    }
}

/// The standard t distribution from 0 on: for each point the probability below it and the density times the step.
struct Table {
    t_dist: StudentT,
    points: Vec<(f64, f64)>,
}

impl Table {
    const STEP: f64 = 0.0625;
    const POINTS: usize = 161;

    /// The density is summed from 0 on by Simpson's rule with end corrections, `h/30 (7f₀ + 16f½ + 7f₁) + h²/60 (f₀′ − f₁′)`,
    /// which is within h⁷/604,800 of the sixth derivative a step: 2 × 10⁻¹² with one degree of freedom, less with more.
    fn new(t_dist: StudentT) -> Self {
        let h = Self::STEP;
        let density_at = t_dist.density();
        let slope = |z: f64, density: f64| {
            let pull = if t_dist.df().is_infinite() { z } else { (t_dist.df() + 1.0) * z / (t_dist.df() + z * z) };
            -density * pull
        };
        let mut points = Vec::with_capacity(Self::POINTS);
        let (mut below, mut density) = (0.5, density_at(0.0));
        points.push((below, h * density));
        for at in 1..Self::POINTS {
            let z = at as f64 * h;
            let (middle, next) = (density_at(z - 0.5 * h), density_at(z));
            below += h / 30.0 * (7.0 * (density + next) + 16.0 * middle)
                + h * h / 60.0 * (slope(z - h, density) - slope(z, next));
            density = next;
            points.push((below, h * density));
        }
        Self { t_dist, points }
    }

    /// Probability below, and density, by a cubic through values and densities: within 3 × 10⁻⁸ of the probability
    /// (step⁴/384 times the fourth derivative).
    fn at(&self, z: f64) -> (f64, f64) {
        let place = z.abs() / Self::STEP;
        let at = place as usize;
        if at + 1 >= Self::POINTS {
            return (self.t_dist.cdf(z), self.t_dist.pdf(z));
        }
        let ((a, slope_a), (b, slope_b), u) = (self.points[at], self.points[at + 1], place - at as f64);
        let rise = b - a;
        let (square, cube) = (3.0 * rise - 2.0 * slope_a - slope_b, slope_a + slope_b - 2.0 * rise);
        let above = a + u * (slope_a + u * (square + u * cube));
        let density = (slope_a + u * (2.0 * square + 3.0 * u * cube)) / Self::STEP;
        (if z < 0.0 { 1.0 - above } else { above }, density)
    }

    /// Two values that hold the quantile between them.
    fn bracket(&self, p: f64) -> Result<(f64, f64), StatsError> {
        let above = self.points.partition_point(|point| point.0 < p.max(1.0 - p));
        if above == Self::POINTS {
            return self.t_dist.quantile(p).map(|exact| (exact, exact));
        }
        let (near, far) = (above.saturating_sub(1) as f64 * Self::STEP, above as f64 * Self::STEP);
        Ok(if p < 0.5 { (-far, -near) } else { (near, far) })
    }
}

/// A mixture whose components share tables of the standard t distribution.
struct Tabulated<'m> {
    mixture: &'m Mixture,
    tables: Vec<Table>,
    /// Which table each component uses.
    table: Vec<usize>,
}

impl<'m> Tabulated<'m> {
    fn new(mixture: &'m Mixture) -> Self {
        let mut tables: Vec<Table> = Vec::new();
        let mut table = Vec::with_capacity(mixture.parts.len());
        for (part, t_dist) in &mixture.parts {
            let known = tables.iter().position(|known| known.t_dist.df().total_cmp(&part.df).is_eq());
            table.push(known.unwrap_or_else(|| {
                tables.push(Table::new(*t_dist));
                tables.len() - 1
            }));
        }
        Self { mixture, tables, table }
    }

    fn parts(&self) -> impl Iterator<Item = (&Component, usize)> {
        self.mixture.components().zip(self.table.iter().copied())
    }

    /// Probability below, and density; a component without scale adds none.
    fn at(&self, x: f64) -> (f64, f64) {
        self.parts().fold((0.0, 0.0), |(below, density), (part, table)| {
            if part.scale > 0.0 {
                let own = self.tables[table].at((x - part.centre) / part.scale);
                (below + part.weight * own.0, density + part.weight * own.1 / part.scale)
            } else {
                (below + part.weight * f64::from(u8::from(x >= part.centre)), density)
            }
        })
    }

    /// By Newton's method between the least and the largest of the components' own quantiles.
    fn quantile(&self, p: f64) -> Result<f64, StatsError> {
        let standard = self.tables.iter().map(|table| table.bracket(p)).collect::<Result<Vec<_>, _>>()?;
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (part, table) in self.parts() {
            low = low.min(part.centre + part.scale * standard[table].0);
            high = high.max(part.centre + part.scale * standard[table].1);
        }
        let mut at =
            self.parts().map(|(part, table)| part.weight * (part.centre + part.scale * standard[table].1)).sum();
        for _ in 0..100 {
            if high - low <= 1e-13 * low.abs().max(high.abs()) {
                break;
            }
            let (below, density) = self.at(at);
            if below < p {
                low = at;
            } else {
                high = at;
            }
            let newton = at + (p - below) / density;
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            if (next - at).abs() <= 1e-14 * at.abs() {
                return Ok(next);
            }
            at = next;
        }
        Ok(at)
    }
}

fn part_cdf(part: &Component, t_dist: StudentT, x: f64) -> f64 {
    if part.scale > 0.0 {
        t_dist.cdf((x - part.centre) / part.scale)
    } else if x >= part.centre {
        1.0
    } else {
        0.0
    }
}

fn part_survival(part: &Component, t_dist: StudentT, x: f64) -> f64 {
    if part.scale > 0.0 {
        t_dist.survival((x - part.centre) / part.scale)
    } else if x < part.centre {
        1.0
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn part(weight: f64, centre: f64, scale: f64, df: f64) -> Component {
        Component { weight, centre, scale, df }
    }

    #[test]
    fn a_condensed_mixture_has_nearly_the_same_quantiles() {
        let parts = (0..480).map(|at| {
            let (cell, ratio) = (f64::from(at / 12), f64::from(at % 12));
            Component {
                weight: (-0.5 * ((cell - 20.0) / 8.0).powi(2) - 0.3 * ratio).exp(),
                centre: 300.0 + 15.0 * (cell * 0.7).sin(),
                scale: 100.0 + 2.0 * cell + 14.0 * ratio,
                df: 350.0,
            }
        });
        let all = Mixture::new(parts).unwrap();
        let few = all.condensed(16).unwrap();
        assert_eq!(few.components().len(), 16);
        let sd = all.variance().unwrap().sqrt();
        assert!((all.mean().unwrap() - few.mean().unwrap()).abs() < 1e-9 * sd);
        for p in [0.005, 0.05, 0.25, 0.5, 0.75, 0.95, 0.995] {
            let apart = (all.quantile(p).unwrap() - few.quantile(p).unwrap()) / sd;
            assert!(apart.abs() < 3e-3, "{p}: {apart}");
        }
    }

    #[test]
    fn one_component_is_itself() {
        let mixture = Mixture::new([part(3.0, 10.0, 2.0, 5.0)]).unwrap();
        let t_dist = StudentT::new(5.0).unwrap();
        for p in [0.001, 0.05, 0.5, 0.9, 0.975] {
            let expected = 10.0 + 2.0 * t_dist.quantile(p).unwrap();
            assert!((mixture.quantile(p).unwrap() - expected).abs() < 1e-11);
        }
        assert_eq!(mixture.mean(), Some(10.0));
        assert!((mixture.variance().unwrap() - 4.0 * 5.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn moments_of_two_normals() {
        let mixture = Mixture::new([part(1.0, 0.0, 1.0, f64::INFINITY), part(3.0, 4.0, 2.0, f64::INFINITY)]).unwrap();
        assert_eq!(mixture.mean(), Some(3.0));
        assert!((mixture.variance().unwrap() - (0.25 + 3.0 + 0.25 * 9.0 + 0.75)).abs() < 1e-12);
        let interval = mixture.interval(0.9).unwrap();
        assert!((mixture.cdf(interval.lower) - 0.05).abs() < 1e-12);
        assert!((mixture.survival(interval.upper) - 0.05).abs() < 1e-12);
        let turned = mixture.scaled(-1.0, 0.0).unwrap();
        assert!((turned.quantile(0.05).unwrap() + interval.upper).abs() < 1e-11);
    }

    #[test]
    fn effective_degrees_by_hand() {
        let single = Mixture::new([part(1.0, 0.0, 2.0, 7.0)]).unwrap();
        assert!((single.effective_df() - 7.0).abs() < 1e-12);
        // squares 1 and 9, mean 5, variance 16
        let two = Mixture::new([part(1.0, 0.0, 1.0, f64::INFINITY), part(1.0, 0.0, 3.0, f64::INFINITY)]).unwrap();
        assert!((two.effective_df() - 50.0 / 16.0).abs() < 1e-12);
        let (centre, scale, df) = Mixture::new([part(1.0, 3.0, 2.0, 7.0)]).unwrap().nearest_t().unwrap();
        assert!((centre - 3.0).abs() < 1e-9 && (scale - 2.0).abs() < 1e-6 && (df - 7.0).abs() < 1e-4, "{df}");
        let normal = Mixture::new([part(1.0, 3.0, 2.0, f64::INFINITY)]).unwrap().nearest_t().unwrap();
        assert!(normal.2 > 1e6 && (normal.1 - 2.0).abs() < 1e-4, "{normal:?}");
        let slope = (two.cdf(0.7 + 1e-5) - two.cdf(0.7 - 1e-5)) / 2e-5;
        assert!((two.pdf(0.7) - slope).abs() < 1e-9);
    }

    #[test]
    fn heavy_tails_have_no_moments_and_bad_input_is_refused() {
        let mixture = Mixture::new([part(1.0, 0.0, 1.0, 1.0)]).unwrap();
        assert_eq!((mixture.mean(), mixture.variance()), (None, None));
        assert!(mixture.expected_loss().is_err());
        assert!(Mixture::new([part(0.0, 0.0, 1.0, 1.0)]).is_err());
        assert!(Mixture::new([part(1.0, 0.0, -1.0, 1.0)]).is_err());
    }

    #[test]
    fn a_point_mass_counts_whole() {
        let mixture = Mixture::new([part(1.0, -2.0, 0.0, 3.0), part(1.0, 5.0, 0.0, 3.0)]).unwrap();
        assert_eq!((mixture.cdf(-2.0), mixture.cdf(-2.1), mixture.survival(4.0)), (0.5, 0.0, 0.5));
        assert_eq!(mixture.expected_loss().unwrap(), 1.0);
    }
}
