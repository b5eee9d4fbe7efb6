//! Parquet files with columns of positions.

use std::io::Cursor;

use polars_core::prelude::{DataFrame, DataType};
use polars_io::prelude::{ParquetReader, SerReader};
use polars_parquet_format::thrift::protocol::TCompactInputProtocol;
use polars_parquet_format::{FileMetaData, PageHeader};

use super::frame;
use super::table::{Table, Wanted};
use crate::ingest::IngestError;

/// The table library panics on some damaged files instead of saying what is wrong with them.
fn guarded<T>(file: &str, read: impl FnOnce() -> Result<T, IngestError>) -> Result<T, IngestError> {
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(read));
    outcome.unwrap_or_else(|_| Err(IngestError::damaged(file, "its columns do not fit its own description")))
}

/// Least bytes of a decoded value.
const VALUE_BYTES: u64 = 8;
/// Bytes at the end of a file: the length of its description, and the mark PAR1.
const END: usize = 8;

/// Refuses a file whose description tells sizes that its bytes cannot hold, or more values than may be unpacked: the table library takes
/// memory by what the file states, and what cannot be had ends the program. (Format: Apache Parquet, the file's description and the headers
/// of its pages.)
fn check(file: &str, bytes: &[u8], most_bytes: u64) -> Result<(), IngestError> {
    let damaged = |reason: &dyn std::fmt::Display| IngestError::damaged(file, reason);
    let broken = || damaged(&"its columns do not fit its own description");
    let end = bytes.len().checked_sub(END).ok_or_else(|| damaged(&"is shorter than any Parquet file"))?;
    let length = <[u8; 4]>::try_from(&bytes[end..end + 4]).map_or(0, u32::from_le_bytes) as usize;
    let description = end.checked_sub(length).map(|from| &bytes[from..end]);
    let description = description.ok_or_else(|| damaged(&"ends too early: its description is longer than the file"))?;
    let mut reader = TCompactInputProtocol::new(description, description.len() * 64);
    let told = FileMetaData::read_from_in_protocol(&mut reader).map_err(|fault| damaged(&fault))?;
    let mut values = 0_u64;
    for column in told.row_groups.iter().flat_map(|group| &group.columns) {
        let column = column.meta_data.as_ref().ok_or_else(broken)?;
        let offset = column.dictionary_page_offset.filter(|at| *at > 0).unwrap_or(column.data_page_offset);
        let (start, size) = (usize::try_from(offset), usize::try_from(column.total_compressed_size));
        let (Ok(start), Ok(size)) = (start, size) else { return Err(broken()) };
        let pages = start.checked_add(size).and_then(|to| bytes.get(start..to)).ok_or_else(broken)?;
        let most = u64::try_from(column.num_values).map_err(|_| broken())?;
        let (mut at, mut seen) = (0, 0_u64);
        while at < pages.len() && seen < most {
            let mut rest = &pages[at..];
            let mut reader = TCompactInputProtocol::new(&mut rest, description.len().max(pages.len()) * 64);
            let page = PageHeader::read_from_in_protocol(&mut reader).map_err(|fault| damaged(&fault))?;
            let [packed, unpacked] = [page.compressed_page_size, page.uncompressed_page_size].map(u64::try_from);
            let (Ok(packed), Ok(unpacked)) = (packed, unpacked) else { return Err(broken()) };
            if unpacked > most_bytes {
                return Err(IngestError::TooLarge { file: file.to_owned(), most_bytes });
            }
            let count = |number: i32| u64::try_from(number).map_err(|_| broken());
            // a value of a dictionary takes a byte or more
            if page.dictionary_page_header.map_or(Ok(0), |own| count(own.num_values))? > unpacked {
                return Err(broken());
            }
            let plain = page.data_page_header.map_or(Ok(0), |own| count(own.num_values))?;
            let second = page.data_page_header_v2.map_or(Ok(0), |own| count(own.num_values))?;
            seen += plain + second;
            at = pages.len() - rest.len() + packed as usize;
        }
        if seen != most || at > pages.len() {
            return Err(broken());
        }
        values += seen;
    }
    let rows = told.row_groups.iter().try_fold(0_i64, |sum, group| sum.checked_add(group.num_rows));
    let rows = rows.and_then(|rows| u64::try_from(rows).ok()).ok_or_else(broken)?;
    if values.max(rows).saturating_mul(VALUE_BYTES) > most_bytes {
        return Err(IngestError::TooLarge { file: file.to_owned(), most_bytes });
    }
    Ok(())
}

fn decoded(file: &str, bytes: Vec<u8>, columns: Option<Vec<String>>) -> Result<DataFrame, IngestError> {
    guarded(file, || {
        let reader = ParquetReader::new(Cursor::new(bytes)).with_columns(columns);
        reader.finish().map_err(|error| IngestError::damaged(file, error))
    })
}

/// The names of the columns.
pub(crate) fn columns(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Vec<String>, IngestError> {
    check(file, &bytes, most_bytes)?;
    guarded(file, || {
        let mut reader = ParquetReader::new(Cursor::new(bytes));
        let schema = reader.schema().map_err(|error| IngestError::damaged(file, error))?;
        Ok(schema.iter_names().map(ToString::to_string).collect())
    })
}

/// Reads the wanted columns.
pub(crate) fn read(file: &str, bytes: Vec<u8>, wanted: &Wanted) -> Result<Table, IngestError> {
    let known = columns(file, bytes.clone(), wanted.most_unpacked_bytes)?;
    let names: Vec<String> = wanted.numbers.iter().chain(&wanted.texts).cloned().collect();
    if let Some(missing) = names.iter().find(|name| !known.contains(name)) {
        return Err(IngestError::missing_column(file, missing, &known));
    }
    let frame = decoded(file, bytes, Some(names))?;
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
        table.numbers.insert(name.clone(), frame::numbers(values));
    }
    for name in &wanted.texts {
        let cast = column(name, &DataType::String)?;
        let texts = cast.str().map_err(|error| IngestError::damaged(file, error))?;
        table.texts.insert(name.clone(), frame::texts(texts));
    }
    Ok(table)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Found by `mutated.rs`: read without a look at its sizes, it made the table library ask for 2 EB, which ended the program.
    #[test]
    fn sizes_that_the_bytes_cannot_hold_are_reported_as_damage() {
        let bytes = include_bytes!("../../../tests/fixtures/vector/damaged_counts.parquet").to_vec();
        let wanted =
            Wanted { numbers: vec!["rate".to_owned()], texts: vec!["treatment".to_owned()], ..Wanted::default() };
        let fault = read("f.parquet", bytes, &wanted).unwrap_err().to_string();
        assert!(fault.starts_with("f.parquet"), "{fault}");
        for short in [b"PAR1".as_slice(), b"PAR1\xff\xff\xff\x7fPAR1"] {
            assert!(columns("f.parquet", short.to_vec(), 1000).is_err());
        }
    }
    /// Dates, clock times and categories as another program writes them (`tests/fixtures/vector/README.md`).
    #[test]
    fn columns_of_another_program_are_read_by_their_types() {
        let bytes = include_bytes!("../../../tests/fixtures/vector/types.parquet").to_vec();
        let of = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<String>>();
        let numbers = ["single", "whole", "large", "tiny", "short", "byte", "word"];
        let texts = ["kind", "day", "clock", "moment", "flag"];
        let wanted = Wanted { numbers: of(&numbers), texts: of(&texts), ..Wanted::default() };
        let table = read("f.parquet", bytes.clone(), &wanted).unwrap();
        let row = |at: usize| texts.map(|name| table.texts[name].get(at));
        assert_eq!(row(0).map(Option::unwrap)[..3], ["check", "2023-10-04", "01:02:03"]);
        assert!(row(0)[3].unwrap().starts_with("2023-10-04 01:02:03") && row(0)[4] == Some("true"));
        assert_eq!(row(1).map(Option::unwrap)[..3], ["band", "2024-02-29", "23:59:59"]);
        assert_eq!(row(2), [None; 5]);
        let number = |at: usize| numbers.map(|name| table.numbers[name][at]);
        assert_eq!(number(0), [1.5, 7.0, 7.0, -3.0, -300.0, 3.0, 3.0]);
        assert_eq!(number(1), [-2.25, -8.0, 2.0_f64.powi(40), 4.0, 400.0, 255.0, 65535.0]);
        assert!(number(2).iter().all(|value| value.is_nan()));
        let day = Wanted { numbers: of(&["day"]), ..Wanted::default() };
        let fault = read("f.parquet", bytes, &day).unwrap_err().to_string();
        assert!(fault.contains("`day` holds date, expected numbers"), "{fault}");
    }
}
