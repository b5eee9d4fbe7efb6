//! What people saw in the field: counts and ratings.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

/// The scale of a measure.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scale {
    /// A count, such as plants in a length of row.
    Count,
    /// Percent, 0 to 100.
    Percent,
    /// Ordered levels, healthy first.
    Ordinal(Vec<String>),
}

impl Scale {
    /// The word in the tables.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Count => "count",
            Self::Percent => "percent",
            Self::Ordinal(_) => "ordinal",
        }
    }
}

/// A count or rating.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// Its file, as messages name it.
    pub file: String,
    /// Its row, from 1.
    pub row: usize,
    /// Where it was made, UTM metres.
    pub place_m: Option<(f64, f64)>,
    /// Name of its strip, where it is known.
    pub strip: Option<String>,
    /// Its spot, where several plants were looked at in one place.
    pub spot: Option<String>,
    /// Its plant.
    pub plant: Option<String>,
    /// The count, the percent, or the number of the level from 0.
    pub value: f64,
    /// The day, such as 2023-08-14.
    pub day: Option<String>,
    /// Who looked.
    pub observer: Option<String>,
    /// Whether who looked did not know the treatment; absent where nothing says so.
    pub blind: Option<bool>,
    /// Its photograph.
    pub photo: Option<Arc<Photo>>,
}

/// A photograph, encoded anew: its pixels and nothing else of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Photo {
    /// Its file, as messages name it.
    pub name: String,
    /// The picture, JPEG.
    pub jpeg: Vec<u8>,
    /// A small one for the page, JPEG.
    pub small_jpeg: Vec<u8>,
}

/// All observations of one measure.
#[derive(Debug, Clone, PartialEq)]
pub struct Measure {
    /// What it is called.
    pub name: String,
    /// Its scale.
    pub scale: Scale,
    /// The column of the strips' names; absent: all are joined by position.
    pub strip_column: Option<String>,
    /// In the order of files and rows.
    pub observations: Vec<Observation>,
}
