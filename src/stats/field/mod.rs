//! Spatial fields over many rows: generalised least squares whose covariance is never inverted as a dense matrix, with its
//! parameters averaged over their posterior instead of plugged in.
//!
//! The covariance of the rows is `σ² [(1 − ν) C(range) + ν diag(1/w) + γ Z Z′]`: a correlated field, a nugget of share ν and
//! a random effect (strips, say) of ratio γ. Every form below answers one question, [`SpatialForm::gram`], so that the
//! search and the averaging do not know which is used.
//!
//! | form | covariance of the field | cost of one evaluation |
//! | --- | --- | --- |
//! | [`NeighbourField`] | any [`Kernel`](super::Kernel) of distance, each row given its nearest before it | `n × neighbours²`, equal settings once |
//! | [`LineField`] | exponential along lines, independent between them, exact | `n` |

mod columns;
#[cfg(test)]
mod dense;
mod gram;
mod integrate;
mod lines;
mod lists;
mod neighbours;
mod peak;
mod prior;
mod varying;

pub(crate) use columns::{Columns, Parts};
#[cfg(test)]
pub(crate) use dense::DenseField;
pub(crate) use gram::{Gram, Profile};
#[cfg(test)]
pub(crate) use integrate::integrate;
pub(crate) use integrate::{FieldPosterior, IntegrationLimits, given, integrate_around};
pub(crate) use lines::LineField;
pub(crate) use lists::Lists;
pub(crate) use neighbours::{NeighbourField, SolvedField};
pub(crate) use peak::Peak;
pub(crate) use prior::FieldPrior;
pub(crate) use varying::Varying;

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
