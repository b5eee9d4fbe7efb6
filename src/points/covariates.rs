//! Other layers of the ground: texture, organic matter, conductivity and the like, and what holds for the whole field.

use std::sync::Arc;

use geo::MultiPolygon;
use serde::{Deserialize, Serialize};

use crate::raster::Raster;

/// What the values of a covariate are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CovariateKind {
    /// Names of classes without an order.
    Class,
    /// Numbers.
    Number,
}

impl CovariateKind {
    /// As settings and tables spell it.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Class => "class",
            Self::Number => "number",
        }
    }
}

/// Where the values of a covariate lie, UTM metres. A class is given by its place in [`Covariate::classes`]; NaN where there is no value.
#[derive(Debug, Clone)]
pub enum CovariateGround {
    /// One value for the whole field; `None` where it is not known.
    Field(Option<f64>),
    /// Values at points.
    Points {
        /// Places, m.
        x_m: Vec<f64>,
        /// Places, m.
        y_m: Vec<f64>,
        /// One a place.
        values: Vec<f64>,
        /// Greatest distance of a point that counts, m.
        reach_m: f64,
        /// Whether the mean of all points within reach counts instead of the nearest one.
        is_mean: bool,
    },
    /// Values of polygons.
    Polygons {
        /// Their grounds.
        grounds: Vec<MultiPolygon<f64>>,
        /// One a ground.
        values: Vec<f64>,
    },
    /// Values of cells, in the grid's own reference system.
    Grid(Raster),
}

/// A covariate as it was read.
#[derive(Debug, Clone)]
pub struct Covariate {
    /// What it is called.
    pub name: String,
    /// What its values are.
    pub kind: CovariateKind,
    /// Unit of the numbers, as typed.
    pub unit: String,
    /// Names of the classes, sorted.
    pub classes: Vec<String>,
    /// Whether the response is to be estimated along it.
    pub respond: bool,
    /// Where its values lie.
    pub ground: CovariateGround,
}

/// A covariate under records and segments.
#[derive(Debug, Clone, PartialEq)]
pub struct JoinedCovariate {
    /// What it is called.
    pub name: String,
    /// What its values are.
    pub kind: CovariateKind,
    /// Unit of the numbers.
    pub unit: String,
    /// Names of the classes.
    pub classes: Vec<String>,
    /// Whether the response is to be estimated along it.
    pub respond: bool,
    /// How it was joined, in words.
    pub joined_by: String,
    /// The value that holds for the whole field, NaN where it is not known; absent for a layer.
    pub of_field: Option<f64>,
    /// By record: the number, or the place of the class; NaN where there is none. Empty where one value holds for the whole field.
    pub point: Arc<Vec<f64>>,
    /// By segment: the mean of the numbers, or the place of the class that holds most of it; NaN where there is none.
    pub segment: Vec<f64>,
    /// By segment: the share of its area that has that class, or a number at all.
    pub segment_share: Vec<f64>,
}

impl JoinedCovariate {
    /// The column that holds it in tables and layers.
    pub fn column(&self) -> String {
        covariate_column(&self.name)
    }

    /// The class that a value stands for.
    pub fn class_of(&self, value: f64) -> Option<&str> {
        self.classes.get(value as usize).filter(|_| value.is_finite()).map(String::as_str)
    }
}

/// How the columns of covariates begin.
pub const COVARIATE_COLUMN: &str = "covariate_";

/// The column of a covariate: small letters, digits and `_`.
pub fn covariate_column(name: &str) -> String {
    let plain = |c: char| if c.is_alphanumeric() { c } else { '_' };
    let name: String = name.chars().flat_map(char::to_lowercase).map(plain).collect();
    format!("{COVARIATE_COLUMN}{}", name.trim_matches('_'))
}
