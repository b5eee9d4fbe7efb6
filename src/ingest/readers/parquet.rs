//! Parquet files with columns of positions.

use std::io::Cursor;

use polars::prelude::{DataFrame, DataType, ParquetReader, SerReader};

use super::table::{Table, TextColumn, Wanted};
use crate::ingest::IngestError;

/// The table library panics on some damaged files instead of saying what is wrong with them.
fn guarded<T>(file: &str, read: impl FnOnce() -> Result<T, IngestError>) -> Result<T, IngestError> {
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(read));
    outcome.unwrap_or_else(|_| Err(IngestError::damaged(file, "its columns do not fit its own description")))
}

fn frame(file: &str, bytes: Vec<u8>, columns: Option<Vec<String>>) -> Result<DataFrame, IngestError> {
    guarded(file, || {
        let reader = ParquetReader::new(Cursor::new(bytes)).with_columns(columns);
        reader.finish().map_err(|error| IngestError::damaged(file, error))
    })
}

/// The names of the columns.
pub(crate) fn columns(file: &str, bytes: Vec<u8>) -> Result<Vec<String>, IngestError> {
    guarded(file, || {
        let mut reader = ParquetReader::new(Cursor::new(bytes));
        let schema = reader.schema().map_err(|error| IngestError::damaged(file, error))?;
        Ok(schema.iter_names().map(ToString::to_string).collect())
    })
}

/// Reads the wanted columns.
pub(crate) fn read(file: &str, bytes: Vec<u8>, wanted: &Wanted) -> Result<Table, IngestError> {
    let known = columns(file, bytes.clone())?;
    let names: Vec<String> = wanted.numbers.iter().chain(&wanted.texts).cloned().collect();
    if let Some(missing) = names.iter().find(|name| !known.contains(name)) {
        return Err(IngestError::missing_column(file, missing, &known));
    }
    let frame = frame(file, bytes, Some(names))?;
    let mut table = Table { rows: frame.height(), ..Table::default() };
    let column = |name: &str, wanted: &DataType| {
        let column = frame.column(name).map_err(|error| IngestError::damaged(file, error))?;
        if wanted == &DataType::Float64 && !column.dtype().is_primitive_numeric() {
            return Err(IngestError::damaged(
                file,
                format!("column `{name}` holds {}, expected numbers", column.dtype()),
            ));
        }
        column.strict_cast(wanted).map_err(|error| IngestError::damaged(file, format!("column `{name}`: {error}")))
    };
    for name in &wanted.numbers {
        let cast = column(name, &DataType::Float64)?;
        let values = cast.f64().map_err(|error| IngestError::damaged(file, error))?;
        table.numbers.insert(name.clone(), values.iter().map(|value| value.unwrap_or(f64::NAN)).collect());
    }
    for name in &wanted.texts {
        let cast = column(name, &DataType::String)?;
        let mut texts = TextColumn::default();
        for text in cast.str().map_err(|error| IngestError::damaged(file, error))?.iter() {
            texts.push(text);
        }
        table.texts.insert(name.clone(), texts);
    }
    Ok(table)
}
