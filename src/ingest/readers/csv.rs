//! CSV files, plain or gzipped.
//!
//! The fast reader takes the wanted columns; when it meets anything unusual, an exact reader goes through the file
//! cell by cell and either delivers the same columns or names the cell that is wrong.

use std::io::Cursor;
use std::sync::Arc;

use polars_core::prelude::{DataFrame, DataType, Field, PlSmallStr, PolarsError, Schema};
use polars_io::prelude::{CsvParseOptions, CsvReadOptions, SerReader};

use super::csv_text::{body, plain_body, separator};
use super::frame;
use super::table::{Table, TextColumn, Wanted, number};
use crate::ingest::IngestError;

/// Reads the wanted columns of a CSV file.
pub(crate) fn read(file: &str, bytes: Vec<u8>, wanted: &Wanted) -> Result<Table, IngestError> {
    let body = body(file, bytes, wanted.most_unpacked_bytes)?;
    let separator = separator(&body);
    let header = header(file, &body, separator)?;
    for column in wanted.numbers.iter().chain(&wanted.texts) {
        match header.iter().filter(|name| *name == column).count() {
            1 => {}
            0 => return Err(IngestError::missing_column(file, column, &header)),
            _ => return Err(IngestError::damaged(file, format!("two columns are called `{column}`"))),
        }
    }
    let is_plain = examine(file, &body, separator, &header)?;
    match is_plain.then(|| fast(&body, separator, wanted)).flatten() {
        Some(frame) => {
            drop(body);
            table_of(file, frame, wanted)
        }
        None => exact(file, &body, separator, &header, wanted),
    }
}

/// The rows of a text without a header.
pub(crate) fn rows(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Vec<Vec<String>>, IngestError> {
    let body = plain_body(file, bytes, most_bytes)?;
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator(&body))
        .flexible(true)
        .has_headers(false)
        .from_reader(body.as_slice());
    let texts = |row: csv::ByteRecord| row.iter().map(|cell| String::from_utf8_lossy(cell).into_owned()).collect();
    reader.byte_records().map(|row| row.map(texts).map_err(|error| IngestError::damaged(file, error))).collect()
}

/// Reads the wanted columns of a text without a header, whose columns have these names.
pub(crate) fn read_with_names(
    file: &str,
    bytes: Vec<u8>,
    names: &[String],
    wanted: &Wanted,
) -> Result<Table, IngestError> {
    let body = plain_body(file, bytes, wanted.most_unpacked_bytes)?;
    let separator = separator(&body);
    let mut writer = csv::WriterBuilder::new().delimiter(separator).from_writer(Vec::new());
    writer.write_record(names).map_err(|error| IngestError::damaged(file, error))?;
    let mut whole = writer.into_inner().map_err(|error| IngestError::damaged(file, error))?;
    whole.extend_from_slice(&body);
    let header = header(file, &whole, separator)?;
    examine(file, &whole, separator, &header)?;
    exact(file, &whole, separator, &header, wanted)
}

/// The names of the columns.
pub(crate) fn columns(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Vec<String>, IngestError> {
    let body = body(file, bytes, most_bytes)?;
    header(file, &body, separator(&body))
}

fn reader(body: &[u8], separator: u8) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new().delimiter(separator).flexible(true).has_headers(true).from_reader(body)
}

fn header(file: &str, body: &[u8], separator: u8) -> Result<Vec<String>, IngestError> {
    let mut reader = reader(body, separator);
    let header = reader.byte_headers().map_err(|error| IngestError::damaged(file, error))?;
    let names: Vec<String> = header.iter().map(|name| String::from_utf8_lossy(name).trim().to_owned()).collect();
    if names.iter().any(|name| name.contains('\n')) && body.split(|&byte| byte == b'"').count().is_multiple_of(2) {
        return Err(IngestError::damaged(file, "a quote is opened in the header and never closed"));
    }
    if names.iter().all(String::is_empty) {
        return Err(IngestError::Empty { file: file.to_owned(), what: "rows, not even a header" });
    }
    Ok(names)
}

/// Checks that every row has the cells of the header. Returns whether the fast reader can be trusted with the file: without
/// empty lines, empty cells beyond the header and cells of several lines.
///
/// A header may end in separators without names, and so may a row.
fn examine(file: &str, body: &[u8], separator: u8, header: &[String]) -> Result<bool, IngestError> {
    if is_even(body, separator, header.len()) {
        return Ok(true);
    }
    let named = header.iter().rposition(|name| !name.is_empty()).map_or(0, |last| last + 1);
    let mut reader = reader(body, separator);
    let mut record = csv::ByteRecord::new();
    let (mut row, mut is_plain) = (0, !has_empty_line(body));
    while reader.read_byte_record(&mut record).map_err(|error| IngestError::damaged(file, error))? {
        if is_blank(&record, named) {
            is_plain = false;
            continue;
        }
        row += 1;
        let is_record = |line: &[u8]| line.split(|&byte| byte == separator).count() >= named.max(2);
        let has_lines = record.as_slice().contains(&b'\n');
        let swallows = |cell: &[u8]| cell.split(|&byte| byte == b'\n').skip(1).any(is_record);
        let swallowed = if has_lines { record.iter().position(swallows) } else { None };
        if let Some(at) = swallowed {
            let name = header.get(at).map_or("", String::as_str);
            let reason =
                format!("row {row}, column `{name}`: a quote is opened and not closed; it swallows the rows below");
            return Err(IngestError::damaged(file, reason));
        }
        let filled = record.iter().rposition(|cell| !cell.is_empty()).map_or(0, |last| last + 1);
        if record.len() < named || filled > header.len() {
            let reason = format!("row {row} has {} cells, the header {named}", record.len());
            return Err(IngestError::damaged(file, reason));
        }
        is_plain &= record.len() == header.len() && !has_lines;
    }
    Ok(is_plain)
}

/// Whether every line of a file without quotes has as many cells as its header: what most files are is seen without taking them apart.
fn is_even(body: &[u8], separator: u8, cells: usize) -> bool {
    let text = body.strip_suffix(b"\n").unwrap_or(body);
    let is_even = |line: &[u8]| {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        line.iter().map(|&byte| usize::from(byte == separator)).sum::<usize>() + 1 == cells && !line.contains(&b'\r')
    };
    cells > 1 && !text.contains(&b'"') && text.split(|&byte| byte == b'\n').all(is_even)
}

/// Whether a line holds nothing, in a file of several columns.
fn is_blank(record: &csv::ByteRecord, named: usize) -> bool {
    named > 1 && record.len() == 1 && record[0].trim_ascii().is_empty()
}

fn has_empty_line(body: &[u8]) -> bool {
    body.windows(2).any(|pair| pair == b"\n\n" || pair == b"\n\r") || matches!(body.first(), Some(b'\n' | b'\r'))
}

/// The columns by the table library, or nothing where it met something unusual; it panics on some damaged files.
fn fast(body: &[u8], separator: u8, wanted: &Wanted) -> Option<DataFrame> {
    if wanted.numbers.is_empty() && wanted.texts.is_empty()
        || wanted.numbers.iter().any(|name| wanted.texts.contains(name))
    {
        return None;
    }
    let of_type = |names: &[String], data_type: &DataType| {
        names.iter().map(|name| Field::new(PlSmallStr::from_str(name), data_type.clone())).collect::<Vec<_>>()
    };
    let mut fields = of_type(&wanted.numbers, &DataType::Float64);
    fields.extend(of_type(&wanted.texts, &DataType::String));
    let names: Arc<[PlSmallStr]> = fields.iter().map(|field| field.name().clone()).collect();
    let options = CsvReadOptions::default()
        .with_has_header(true)
        .with_infer_schema_length(Some(0))
        .with_schema_overwrite(Some(Arc::new(Schema::from_iter(fields))))
        .with_columns(Some(names))
        .with_n_threads(Some(1))
        .with_parse_options(CsvParseOptions::default().with_separator(separator));
    let read = || options.into_reader_with_file_handle(Cursor::new(body)).finish().ok();
    let frame = std::panic::catch_unwind(std::panic::AssertUnwindSafe(read)).ok()??;
    let is_of = |names: &[String], data_type: &DataType| {
        names.iter().all(|name| frame.column(name).is_ok_and(|column| column.dtype() == data_type))
    };
    (is_of(&wanted.numbers, &DataType::Float64) && is_of(&wanted.texts, &DataType::String)).then_some(frame)
}

/// A frame as a table; each column goes as soon as it is taken over.
fn table_of(file: &str, mut frame: DataFrame, wanted: &Wanted) -> Result<Table, IngestError> {
    let fault = |error: PolarsError| IngestError::damaged(file, error);
    let mut table = Table { rows: frame.height(), ..Table::default() };
    for name in &wanted.texts {
        let column = frame.drop_in_place(name).map_err(fault)?;
        table.texts.insert(name.clone(), frame::texts(column.str().map_err(fault)?));
    }
    for name in &wanted.numbers {
        let column = frame.drop_in_place(name).map_err(fault)?;
        table.numbers.insert(name.clone(), frame::numbers(column.f64().map_err(fault)?));
    }
    Ok(table)
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
        if is_blank(&record, header.len()) {
            continue;
        }
        rows += 1;
        let cell = |at: usize| String::from_utf8_lossy(record.get(at).unwrap_or(b""));
        for ((column, &at), name) in numbers.iter_mut().zip(&number_at).zip(&wanted.numbers) {
            let text = cell(at);
            let read = number(&text).or_else(|()| decimal_comma(&text, separator));
            column.push(read.map_err(|()| IngestError::cell(file, rows, name, text, "a number"))?);
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

/// A number with a decimal comma, in a file whose cells commas do not part.
fn decimal_comma(text: &str, separator: u8) -> Result<f64, ()> {
    let is_plain = |byte: u8| byte.is_ascii_digit() || matches!(byte, b',' | b'-' | b'+' | b' ');
    if separator == b',' || text.matches(',').count() != 1 || !text.bytes().all(is_plain) {
        return Err(());
    }
    number(&text.replace(',', "."))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::readers::Shapes;
    use crate::ingest::readers::csv_text::units;

    fn wanted() -> Wanted {
        Wanted {
            shapes: Shapes::Ignored,
            numbers: vec!["a".to_owned(), "b".to_owned()],
            texts: vec!["t".to_owned()],
            ..Wanted::default()
        }
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
    fn two_rows_of_a_header_are_one() {
        let wanted = |numbers: &[&str]| Wanted {
            numbers: numbers.iter().map(|&name| name.to_owned()).collect(),
            texts: vec!["Field name".to_owned()],
            ..Wanted::default()
        };
        let text = "Yield;;Field\nwet;dry;name\n1,5;2;Long\n3;4,5;Short\n";
        let found = read("f.csv", text.as_bytes().to_vec(), &wanted(&["Yield wet", "Yield dry"])).unwrap();
        assert_eq!((found.rows, &found.numbers["Yield wet"]), (2, &vec![1.5, 3.0]));
        assert_eq!(found.numbers["Yield dry"], [2.0, 4.5]);
        assert_eq!(found.texts["Field name"].get(1), Some("Short"));
        // a title, a row of units below both, and quotes
        let names = |text: &str| columns("f.csv", text.as_bytes().to_vec(), 1 << 20).unwrap();
        assert_eq!(names("Export of May\na,b,t\n1,2,red\n"), ["a", "b", "t"]);
        assert_eq!(
            names("Yield,,Field\nwet,dry,name\nt/ha,t/ha,\n1,2,red\n"),
            ["Yield wet", "Yield dry", "Field name"]
        );
        let quoted = names("\"Yield,\nof grain\",,Field\nwet,dry,name\n1,2,x\n");
        assert_eq!(quoted, ["Yield,\nof grain wet", "Yield,\nof grain dry", "Field name"]);
        // what is no second row of a header: units, a first record of words, of missing values or of dates
        assert_eq!(names("a,b\nm,s\n1,2\n"), ["a", "b"]);
        assert_eq!(names("a,b,t\nNaN,NaN,red\n1,2,red\n"), ["a", "b", "t"]);
        assert_eq!(names("a,b,t\n,,red\n1,2,red\n"), ["a", "b", "t"]);
        assert_eq!(names("a,t,u\nx,red,blue\n1,red,blue\n"), ["a", "t", "u"]);
        assert_eq!(names("a,b,t\n1,2,red\n"), ["a", "b", "t"]);
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
        let one = table_of("f.csv", fast(text.as_bytes(), b',', &wanted()).unwrap(), &wanted()).unwrap();
        let two = exact("f.csv", text.as_bytes(), b',', &header, &wanted()).unwrap();
        assert_eq!(one.rows, two.rows);
        for name in ["a", "b"] {
            let pairs = one.numbers[name].iter().zip(&two.numbers[name]);
            assert!(pairs.clone().all(|(one, two)| one.to_bits() == two.to_bits() || (one.is_nan() && two.is_nan())));
        }
    }

    /// Found by `mutated.rs`: the table library panics on it.
    #[test]
    fn a_quote_in_the_last_line_ends_nothing() {
        let mut bytes = b"Yi".to_vec();
        bytes.extend([0; 17]);
        bytes.extend(b"g\n\"");
        let name = String::from_utf8_lossy(&bytes[..20]).trim().to_owned();
        let wanted = Wanted { texts: vec![name], ..Wanted::default() };
        let rows = read("f.csv", bytes, &wanted).map(|table| table.rows);
        assert!(rows.is_err() || rows.is_ok_and(|rows| rows <= 1));
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
    fn empty_lines_and_separators_at_the_end_make_no_difference() {
        for text in [
            "a,b,t,\n1,2,red,\n3,4,blue,\n",
            "a,b,t,\n1,2,red\n3,4,blue\n",
            "a,b,t\n1,2,red,\n3,4,blue,,\n",
            "a,b,t\n1,2,red\n\n3,4,blue\n\n\n",
            "a,b,t\r\n1,2,red\r\n3,4,blue\r\n\r\n  \r\n",
        ] {
            let table = table(text).unwrap_or_else(|fault| panic!("{text:?}: {fault}"));
            assert_eq!(
                (table.rows, table.numbers["b"][1], table.texts["t"].get(1)),
                (2, 4.0, Some("blue")),
                "{text:?}"
            );
        }
        let notes = table("a,b,t\n1,2,\"red\nand green\"\n3,4,blue\n").unwrap();
        assert_eq!(notes.texts["t"].get(0), Some("red\nand green"));
    }

    #[test]
    fn rows_of_other_lengths_and_open_quotes_are_reported() {
        for (text, expected) in [
            ("a,b,t\n1,2,red\n3,4\n", "f.csv: damaged: row 2 has 2 cells, the header 3"),
            ("a,b,t\n1,2,red\n3,4,blue,5\n", "f.csv: damaged: row 2 has 4 cells, the header 3"),
            ("a,b,t\n1,\"2,red\n3,4,blue\n", "row 1, column `b`: a quote is opened and not closed"),
            // closed by another stray quote in the same column
            ("a,b,t\n1,2,\"red\n3,4,blue\n5,6,x\"\n", "row 1, column `t`: a quote is opened and not closed"),
            ("a,\"b,t\n1,2,red\n", "a quote is opened in the header and never closed"),
        ] {
            let fault = table(text).unwrap_err().to_string();
            assert!(fault.contains(expected), "{text:?}: {fault}");
        }
    }

    #[test]
    fn decimal_commas_rows_of_units_and_western_letters_are_read() {
        let plain = table("a,b,t\n1.5,2,Gr\u{fc}n\n-0.25,4,blue\n").unwrap();
        for text in [
            "a;b;t\n1,5;2;Grün\n-0,25;4;blue\n",
            "a;b;t\n[m];[km/h];\n1,5;2;Grün\n-0,25;4;blue\n",
            "a,b,t\nm,%,text\n1.5,2,Grün\n-0.25,4,blue\n",
        ] {
            let read = table(text).unwrap();
            assert_eq!((read.rows, &read.numbers), (2, &plain.numbers), "{text}");
        }
        let western = b"a;b;t\n1,5;2;Gr\xfcn\n-0,25;4;blue\n".to_vec();
        let read = read("f.csv", western, &wanted()).unwrap();
        assert_eq!((&read.numbers, read.texts["t"].get(0)), (&plain.numbers, Some("Grün")));
        assert_eq!(
            units("f.csv", b"a;b\n(kg/s);%\n1;2\n".to_vec(), 1000).unwrap(),
            Some(vec!["kg/s".to_owned(), "%".to_owned()])
        );
        assert_eq!(units("f.csv", b"a;b\n1;2\n".to_vec(), 1000).unwrap(), None);
        let framed = "# exported on a Monday\na;b;t\n1,5;2;Grün\n-0,25;4;blue\nSumme;6;\n# end\n";
        assert_eq!(table(framed).unwrap().numbers, plain.numbers);
        // a thousand or one and two tenths: where commas part the cells nobody can tell
        assert!(table("a,b,t\n\"1,234\",2,red\n").is_err());
    }

    #[test]
    fn text_in_utf_16_reads_like_utf_8() {
        let plain = "a,b,t\n1,2,Żyto\n";
        let utf_16: Vec<u8> = plain.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let table = read("f.csv", [vec![0xff, 0xfe], utf_16].concat(), &wanted()).unwrap();
        assert_eq!((table.numbers["b"][0], table.texts["t"].get(0)), (2.0, Some("Żyto")));
    }

    #[test]
    fn what_unpacks_beyond_the_limit_is_refused_before_it_is_held() {
        let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        std::io::Write::write_all(&mut packer, format!("a,b,t\n{}", "1,2,red\n".repeat(2000)).as_bytes()).unwrap();
        let packed = packer.finish().unwrap();
        let wanted = Wanted { most_unpacked_bytes: 10_000, ..wanted() };
        let fault = read("f.csv.gz", packed.clone(), &wanted).unwrap_err().to_string();
        assert_eq!(
            fault,
            "f.csv.gz: unpacks to more than 10000 bytes; raise `most_unpacked` under [read] in archive.toml if it is sound"
        );
        assert!(read("f.csv.gz", packed, &Wanted { most_unpacked_bytes: 16_006, ..wanted }).is_ok());
    }

    #[test]
    fn an_empty_file_is_reported_from_one_with_a_header_alone() {
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
