//! Spatial fields over many rows: generalised least squares whose covariance is never inverted as a dense matrix, with its
//! parameters averaged over their posterior instead of plugged in.
//!
//! The covariance of the rows is `σ² [(1 − ν) C(range) + ν diag(1/w) + γ Z Z′]`: a correlated field, a nugget of share ν and
//! a random effect (strips, say) of ratio γ. Every form below answers one question, [`SpatialForm::gram`], so that the
//! search and the averaging do not know which is used.
//!
//! | form | covariance of the field | cost of one evaluation |
//! | --- | --- | --- |
//! | [`DenseField`] | any [`Kernel`](super::Kernel) of distance, exact | `n³` |
//! | [`LatticeField`] | exponential in two directions multiplied, exact, on a grid with gaps | `n × (shorter side)²` |
//! | [`NeighbourField`] | any kernel, each row given its nearest before it | `n × neighbours²`, equal settings once |
//! | [`LineField`] | exponential along lines, independent between them, exact | `n` |

mod columns;
mod dense;
mod gram;
mod integrate;
mod lattice;
mod lines;
mod neighbours;
mod peak;
mod prior;

pub use columns::Columns;
pub use dense::DenseField;
pub use gram::{Gram, Profile};
pub use integrate::{FieldPosterior, IntegrationLimits, given, integrate, integrate_around};
pub use lattice::LatticeField;
pub use lines::{LineField, LineFit};
pub use neighbours::NeighbourField;
pub use peak::Peak;
pub use prior::FieldPrior;

use super::StatsError;

/// A spatial covariance in some form, bound to its data.
pub trait SpatialForm {
    /// The columns it was built with.
    fn columns(&self) -> &Columns;

    /// Cross products of the columns under `H = (1 − nugget) C(range) + nugget diag(1/w)`, and `ln det H`.
    ///
    /// # Errors
    /// A range not above 0, a nugget outside 0 to 1, or a matrix that is not positive definite.
    fn gram(&self, range: f64, nugget: f64) -> Result<Gram, StatsError>;
}

fn check_parameters(range: f64, nugget: f64) -> Result<(), StatsError> {
    super::check::positive("range", &[range])?;
    if (0.0..=1.0).contains(&nugget) {
        Ok(())
    } else {
        Err(StatsError::OutOfRange { what: "nugget share", allowed: "from 0 to 1", value: nugget })
    }
}
