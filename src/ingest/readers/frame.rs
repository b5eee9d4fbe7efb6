//! Columns of the table library as those of a table.

use polars_core::prelude::{Float64Chunked, StringChunked};

use super::table::TextColumn;

/// The numbers; missing ones are NaN.
pub(super) fn numbers(column: &Float64Chunked) -> Vec<f64> {
    let mut all = Vec::with_capacity(column.len());
    for chunk in column.downcast_iter() {
        // a chunk without missing values is one run of memory
        if chunk.validity().is_none() {
            all.extend_from_slice(chunk.values());
        } else {
            all.extend(chunk.iter().map(|value| value.copied().unwrap_or(f64::NAN)));
        }
    }
    all
}

/// The texts.
pub(super) fn texts(column: &StringChunked) -> TextColumn {
    let mut all = TextColumn::default();
    all.reserve(column.len());
    for chunk in column.downcast_iter() {
        chunk.iter().for_each(|text| all.push(text));
    }
    all
}
