//! Quantities with units: parse, convert, print.
//!
//! A quantity is stored in SI units inside a newtype, so that a length cannot be mistaken for a speed. Text such
//! as `30 ft` or `12.50 USD/ac` is read here and nowhere else; a number without a unit is an error that names the
//! units that fit.
//!
//! Exact conversion factors are in [`factor`], with their sources.

pub mod factor;
mod measure;
mod money;
mod parse;
mod rate;
mod yields;

pub use measure::{Bearing, DataSize, Duration, Length, Mass, MassFlow, Percent, Quantity, Speed, Units, Volume};
pub use money::{Currency, MoneyRate};
pub use parse::{QuantityError, nearest, split_number};
pub use rate::{ApplicationRate, RateKind, RateUnit};
pub use yields::{BushelWeight, YieldUnit, dry_factor};
