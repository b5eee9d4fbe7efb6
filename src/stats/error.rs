//! What can be wrong with a statistical question.

/// Why a number cannot be computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum StatsError {
    /// Two inputs that belong together differ in length.
    #[error("{what}: {found} values, expected {expected}")]
    Length {
        /// The input.
        what: &'static str,
        /// Its length.
        found: usize,
        /// The length it must have.
        expected: usize,
    },
    /// Fewer values than the method needs.
    #[error("{what}: {found} values, at least {needed} are needed")]
    TooFew {
        /// The input.
        what: &'static str,
        /// Its length.
        found: usize,
        /// The smallest length that can be used.
        needed: usize,
    },
    /// A value that is NaN or infinite.
    #[error("{what}: the value at position {position} is {value}, a finite number is needed")]
    NotFinite {
        /// The input.
        what: &'static str,
        /// Zero-based position.
        position: usize,
        /// The value found.
        value: f64,
    },
    /// A value outside its range.
    #[error("{what} must be {allowed}, got `{value}`")]
    OutOfRange {
        /// The input.
        what: &'static str,
        /// The allowed range in words.
        allowed: &'static str,
        /// The value found.
        value: f64,
    },
    /// Fixed effects that are linear combinations of others.
    #[error("the fixed effects are collinear: rank {rank} of {columns} columns; columns {aliased:?} repeat the others")]
    RankDeficient {
        /// Numerical rank.
        rank: usize,
        /// Number of columns.
        columns: usize,
        /// Zero-based columns that add nothing to the rest, ascending.
        aliased: Vec<usize>,
    },
    /// Nothing is left to estimate a variance from.
    #[error("no residual degrees of freedom: {rows} rows for {rank} coefficients")]
    NoResidualDegreesOfFreedom {
        /// Number of rows.
        rows: usize,
        /// Number of coefficients.
        rank: usize,
    },
    /// The values do not vary, so no error can be estimated.
    #[error("{what}: no variation is left, so no error can be estimated")]
    NoVariation {
        /// The input.
        what: &'static str,
    },
    /// A covariance matrix that is not positive definite.
    #[error("{what} is not positive definite")]
    NotPositiveDefinite {
        /// The matrix.
        what: &'static str,
    },
    /// An iteration that did not settle.
    #[error("{what} did not converge in {iterations} iterations")]
    NoConvergence {
        /// The iteration.
        what: &'static str,
        /// Iterations spent.
        iterations: usize,
    },
}
