//! An interval on the real line, and the standard error of a mean.

/// A closed interval; an end may be infinite where the data set no limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// The lower end.
    pub lower: f64,
    /// The upper end, not below the lower one.
    pub upper: f64,
}

impl Interval {
    /// `centre ± half_width`.
    #[must_use]
    pub fn around(centre: f64, half_width: f64) -> Self {
        Self { lower: centre - half_width, upper: centre + half_width }
    }

    /// Whether the value lies inside or on an end.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        self.lower <= value && value <= self.upper
    }

    /// Upper less lower end.
    #[must_use]
    pub fn width(&self) -> f64 {
        self.upper - self.lower
    }
}

/// Standard error of the mean of values that scatter alike; `None` for fewer than two.
#[must_use]
pub fn std_error_of_mean(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let square: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (values.len() > 1).then(|| (square / (n - 1.0) / n).sqrt())
}
