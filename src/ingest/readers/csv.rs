//! CSV files, plain or gzipped.
//!
//! The fast reader takes the wanted columns; when it meets anything unusual, an exact reader goes through the file
//! cell by cell and either delivers the same columns or names the cell that is wrong.

use std::io::{Cursor, Read};
use std::sync::Arc;

use polars::prelude::{
    ChunkedArray, CsvParseOptions, CsvReadOptions, DataType, Field, Float64Type, PlSmallStr, Schema, SerReader,
};

use super::table::{Table, TextColumn, Wanted, number};
use crate::ingest::IngestError;

/// Reads the wanted columns of a CSV file.
pub(crate) fn read(file: &str, bytes: Vec<u8>, wanted: &Wanted) -> Result<Table, IngestError> {
    let bytes = unpacked(file, bytes)?;
    let body = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let separator = separator(body);
    let header = header(file, body, separator)?;
    for column in wanted.numbers.iter().chain(&wanted.texts) {
        match header.iter().filter(|name| *name == column).count() {
            1 => {}
            0 => return Err(IngestError::missing_column(file, column, &header)),
            _ => return Err(IngestError::damaged(file, format!("two columns are called `{column}`"))),
        }
    }
    match fast(body, separator, wanted) {
        Some(table) => Ok(table),
        None => exact(file, body, separator, &header, wanted),
    }
}

/// The names of the columns.
pub(crate) fn columns(file: &str, bytes: Vec<u8>) -> Result<Vec<String>, IngestError> {
    let bytes = unpacked(file, bytes)?;
    let body = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    header(file, body, separator(body))
}

fn unpacked(file: &str, bytes: Vec<u8>) -> Result<Vec<u8>, IngestError> {
    if !bytes.starts_with(&[0x1f, 0x8b]) {
        return Ok(bytes);
    }
    let mut text = Vec::new();
    flate2::read::MultiGzDecoder::new(bytes.as_slice())
        .read_to_end(&mut text)
        .map_err(|error| IngestError::damaged(file, format!("the gzip stream ends or breaks: {error}")))?;
    Ok(text)
}

/// Comma, or what the first line holds most of among semicolon and tab where it holds no comma.
fn separator(body: &[u8]) -> u8 {
    let line = body.split(|&byte| byte == b'\n').next().unwrap_or(&[]);
    let count = |separator: u8| line.split(|&byte| byte == separator).count();
    [b',', b';', b'\t'].into_iter().max_by_key(|&separator| (count(separator), separator == b',')).unwrap_or(b',')
}

fn reader(body: &[u8], separator: u8) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new().delimiter(separator).flexible(true).has_headers(true).from_reader(body)
}

fn header(file: &str, body: &[u8], separator: u8) -> Result<Vec<String>, IngestError> {
    let mut reader = reader(body, separator);
    let header = reader.byte_headers().map_err(|error| IngestError::damaged(file, error))?;
    let names: Vec<String> = header.iter().map(|name| String::from_utf8_lossy(name).trim().to_owned()).collect();
    if names.iter().all(String::is_empty) {
        return Err(IngestError::Empty { file: file.to_owned(), what: "rows, not even a header" });
    }
    Ok(names)
}

/// The columns by the table library, or nothing where it met something unusual.
fn fast(body: &[u8], separator: u8, wanted: &Wanted) -> Option<Table> {
    if wanted.numbers.is_empty() && wanted.texts.is_empty() {
        return None;
    }
    let of_type = |names: &[String], data_type: &DataType| {
        names.iter().map(|name| Field::new(PlSmallStr::from_str(name), data_type.clone())).collect::<Vec<_>>()
    };
    let mut fields = of_type(&wanted.numbers, &DataType::Float64);
    fields.extend(of_type(&wanted.texts, &DataType::String));
    let names: Arc<[PlSmallStr]> = fields.iter().map(|field| field.name().clone()).collect();
    let frame = CsvReadOptions::default()
        .with_has_header(true)
        .with_infer_schema_length(Some(0))
        .with_schema_overwrite(Some(Arc::new(Schema::from_iter(fields))))
        .with_columns(Some(names))
        .with_n_threads(Some(1))
        .with_rechunk(true)
        .with_parse_options(CsvParseOptions::default().with_separator(separator))
        .into_reader_with_file_handle(Cursor::new(body))
        .finish()
        .ok()?;
    let mut table = Table { rows: frame.height(), ..Table::default() };
    for name in &wanted.numbers {
        let column: &ChunkedArray<Float64Type> = frame.column(name).ok()?.f64().ok()?;
        table.numbers.insert(name.clone(), column.iter().map(|value| value.unwrap_or(f64::NAN)).collect());
    }
    for name in &wanted.texts {
        let mut texts = TextColumn::default();
        for text in frame.column(name).ok()?.str().ok()?.iter() {
            texts.push(text);
        }
        table.texts.insert(name.clone(), texts);
    }
    Some(table)
}

/// The columns cell by cell; slower, forgiving blanks around numbers, and exact about what is wrong.
fn exact(file: &str, body: &[u8], separator: u8, header: &[String], wanted: &Wanted) -> Result<Table, IngestError> {
    let place = |name: &String| header.iter().position(|known| known == name).unwrap_or(usize::MAX);
    let number_at: Vec<usize> = wanted.numbers.iter().map(place).collect();
    let text_at: Vec<usize> = wanted.texts.iter().map(place).collect();
    let mut numbers: Vec<Vec<f64>> = vec![Vec::new(); number_at.len()];
    let mut texts: Vec<TextColumn> = vec![TextColumn::default(); text_at.len()];
    let mut rows = 0;
    for record in reader(body, separator).byte_records() {
        let record = record.map_err(|error| IngestError::damaged(file, error))?;
        rows += 1;
        if record.len() > header.len() {
            return Err(IngestError::damaged(
                file,
                format!("row {rows} has {} cells, the header {}", record.len(), header.len()),
            ));
        }
        let cell = |at: usize| String::from_utf8_lossy(record.get(at).unwrap_or(b""));
        for ((column, &at), name) in numbers.iter_mut().zip(&number_at).zip(&wanted.numbers) {
            let text = cell(at);
            column.push(number(&text).map_err(|()| IngestError::Cell {
                file: file.to_owned(),
                row: rows,
                column: name.clone(),
                found: text.into_owned(),
                expected: "a number".to_owned(),
            })?);
        }
        for (column, &at) in texts.iter_mut().zip(&text_at) {
            column.push(Some(&cell(at)));
        }
    }
    Ok(Table {
        rows,
        numbers: wanted.numbers.iter().cloned().zip(numbers).collect(),
        texts: wanted.texts.iter().cloned().zip(texts).collect(),
        ..Table::default()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::readers::Shapes;

    fn wanted() -> Wanted {
        Wanted { shapes: Shapes::Ignored, numbers: vec!["a".to_owned(), "b".to_owned()], texts: vec!["t".to_owned()] }
    }

    fn table(text: &str) -> Result<Table, IngestError> {
        read("f.csv", text.as_bytes().to_vec(), &wanted())
    }

    #[test]
    fn columns_are_taken_by_name_whatever_their_order() {
        let table = table("t,b,x,a\nred,2,9,1\n,,9,\nblue,NaN,9,4e1\n").unwrap();
        assert_eq!(table.rows, 3);
        assert_eq!(table.numbers["a"][0], 1.0);
        assert!(table.numbers["a"][1].is_nan());
        assert_eq!(table.numbers["a"][2], 40.0);
        assert!(table.numbers["b"][2].is_nan());
        assert_eq!(table.texts["t"].get(0), Some("red"));
        assert_eq!(table.texts["t"].get(1), None);
    }

    #[test]
    fn byte_order_mark_line_ends_quotes_and_separators_make_no_difference() {
        let plain = table("a,b,t\n1,2,red\n3,4,blue\n").unwrap();
        for other in [
            "\u{feff}a,b,t\r\n1,2,red\r\n3,4,blue\r\n",
            "a;b;t\n1;2;red\n3;4;blue\n",
            "a\tb\tt\n1\t2\tred\n3\t4\tblue",
            "\"a\",\"b\",\"t\"\n\"1\",\"2\",\"red\"\n\"3\",\"4\",\"blue\"\n",
            "a,b,t\n 1 , 2,red\n3,4,blue\n",
        ] {
            let read = table(other).unwrap();
            assert_eq!(read.numbers, plain.numbers, "{other}");
            assert_eq!(read.texts["t"].get(1), Some("blue"), "{other}");
        }
    }

    #[test]
    fn both_readers_agree() {
        let text = "a,b,t\n1,2,red\n,4,\n-5e-3,inf,blue\n";
        let header: Vec<String> = ["a", "b", "t"].iter().map(|&name| name.to_owned()).collect();
        let one = fast(text.as_bytes(), b',', &wanted()).unwrap();
        let two = exact("f.csv", text.as_bytes(), b',', &header, &wanted()).unwrap();
        assert_eq!(one.rows, two.rows);
        for name in ["a", "b"] {
            let pairs = one.numbers[name].iter().zip(&two.numbers[name]);
            assert!(pairs.clone().all(|(one, two)| one.to_bits() == two.to_bits() || (one.is_nan() && two.is_nan())));
        }
    }

    #[test]
    fn text_in_a_column_of_numbers_names_the_cell() {
        let fault = table("a,b,t\n1,2,red\n3,wet,blue\n").unwrap_err().to_string();
        assert_eq!(fault, "f.csv: row 2, column `b`: found `wet`, expected a number");
    }

    #[test]
    fn a_missing_column_names_those_found() {
        let fault = table("a,bb,t\n1,2,red\n").unwrap_err().to_string();
        assert_eq!(fault, "f.csv: no column `b`; found: a, bb, t; did you mean `bb`?");
    }

    #[test]
    fn an_empty_file_is_told_from_one_with_a_header_alone() {
        assert!(matches!(table(""), Err(IngestError::Empty { .. })));
        assert_eq!(table("a,b,t\n").unwrap().rows, 0);
    }

    #[test]
    fn a_truncated_gzip_stream_is_damaged() {
        use std::io::Write;
        let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        packer.write_all("a,b,t\n1,2,red\n".repeat(1000).as_bytes()).unwrap();
        let packed = packer.finish().unwrap();
        assert!(matches!(
            read("f.csv.gz", packed[..packed.len() / 2].to_vec(), &wanted()),
            Err(IngestError::Damaged { .. })
        ));
    }
}
