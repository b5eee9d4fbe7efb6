//! Text that comes from outside (cells, headers, names of files and folders, arguments): how its bytes are read, and how it
//! is shown. A terminal obeys control characters, and a page or a log may hide what stands beside them, so they are never
//! shown as they are.

use std::borrow::Cow;

/// Characters that are shown by their code: controls but for the end of a line and the tab, those that turn the direction of
/// writing (Unicode Standard Annex 9), and marks that nobody sees (byte-order mark, line and paragraph separator).
fn is_hidden(character: char) -> bool {
    (character.is_control() && !matches!(character, '\n' | '\t'))
        || matches!(character, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// Whether a text holds any; whole pages are looked through, so that most bytes are decided by themselves.
fn holds_hidden(text: &str) -> bool {
    text.bytes().enumerate().any(|(at, byte)| match byte {
        b'\n' | b'\t' => false,
        0..=0x1f | 0x7f => true,
        // the first bytes of the hidden characters beyond ASCII
        0xc2 | 0xe2 | 0xef => text[at..].starts_with(is_hidden),
        _ => false,
    })
}

/// The text with hidden characters written as their code, such as `\u{1b}`.
pub fn plain(text: &str) -> Cow<'_, str> {
    escaped(text, |character| character.escape_default().collect())
}

/// JSON with hidden characters written as JSON writes them; what it says stays the same.
pub fn plain_json(json: &str) -> Cow<'_, str> {
    escaped(json, |character| format!("\\u{:04x}", u32::from(character)))
}

/// The beginning of a text, for a message: a damaged file may hold a cell of any length.
pub fn short(text: &str) -> Cow<'_, str> {
    const LONGEST: usize = 80;
    match text.char_indices().nth(LONGEST) {
        Some((end, _)) => Cow::Owned(format!("{}…", &text[..end])),
        None => Cow::Borrowed(text),
    }
}

/// The text in lines of at most `columns` characters. A line of a table is broken where a column begins, and any other between words;
/// what goes on is set in. A word that is longer stays whole, and so does everything below 30 columns.
pub(crate) fn wrapped(text: &str, columns: usize) -> String {
    const LEAST: usize = 30;
    const SET_IN: usize = 4;
    let mut shown = String::with_capacity(text.len() + text.len() / 8);
    for line in text.split_inclusive('\n') {
        let (line, end) = line.strip_suffix('\n').map_or((line, ""), |line| (line, "\n"));
        let letters: Vec<char> = line.trim_end().chars().collect();
        let own_in = letters.iter().take_while(|letter| **letter == ' ').count().min(columns / 2);
        // where a word begins, and where a column does
        let begins = |at: usize| letters[at] != ' ' && letters[at - 1] == ' ';
        let is_column = |at: usize| begins(at) && at >= 2 && letters[at - 2] == ' ';
        let (mut from, mut set_in) = (0, 0);
        while columns >= LEAST && set_in + letters.len() - from > columns {
            let first = from + if from == 0 { own_in } else { 0 } + 1;
            // spaces at the end of a line take no room
            let fits = |to: usize| {
                let spaces = letters[from..to].iter().rev().take_while(|letter| **letter == ' ').count();
                to - spaces - from <= columns - set_in
            };
            let last = |keep: &dyn Fn(usize) -> bool| (first..letters.len()).rev().find(|at| keep(*at) && fits(*at));
            let next = || (first..letters.len()).find(|at| begins(*at));
            let Some(to) = last(&is_column).or_else(|| last(&begins)).or_else(next) else { break };
            let part: String = letters[from..to].iter().collect();
            shown.extend(std::iter::repeat_n(' ', set_in).chain(part.trim_end().chars()).chain(['\n']));
            (from, set_in) = (to, own_in + SET_IN);
        }
        shown.extend(std::iter::repeat_n(' ', set_in).chain(letters[from..].iter().copied()));
        shown.push_str(end);
    }
    shown
}

fn escaped(text: &str, code: impl Fn(char) -> String) -> Cow<'_, str> {
    if !holds_hidden(text) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    for character in text.chars() {
        if is_hidden(character) {
            shown.push_str(&code(character));
        } else {
            shown.push(character);
        }
    }
    Cow::Owned(shown)
}

/// The text as UTF-8 without byte-order mark, where a mark says that it is UTF-8 or UTF-16; without a mark the bytes as they
/// are (the Unicode Standard, section 23.8).
///
/// # Errors
/// Says what is wrong with the bytes behind a mark of UTF-16.
pub fn without_mark(bytes: Vec<u8>) -> Result<Vec<u8>, String> {
    let Some((encoding, mark)) = encoding_rs::Encoding::for_bom(&bytes) else { return Ok(bytes) };
    if encoding == encoding_rs::UTF_8 {
        return Ok(bytes[mark..].to_vec());
    }
    encoding
        .decode_without_bom_handling_and_without_replacement(&bytes[mark..])
        .map(|text| text.into_owned().into_bytes())
        .ok_or_else(|| format!("begins with the byte-order mark of {}, but is not {0} text", encoding.name()))
}

/// The text of a file that must be text: UTF-8, or UTF-16 with a byte-order mark.
///
/// # Errors
/// Says where the bytes are no text.
pub fn decoded(bytes: Vec<u8>) -> Result<String, String> {
    String::from_utf8(without_mark(bytes)?).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..at].split(|&byte| byte == b'\n').count();
        format!("is not UTF-8 text: line {line} holds the byte {:#04x}", error.as_bytes()[at])
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_keep_to_the_terminal_and_nothing_is_lost() {
        let table = "field              treatment                    area\nNorth Eighty       at-planting band             12.5 ac\n";
        let expected = "field              treatment\n    area\nNorth Eighty       at-planting band\n    12.5 ac\n";
        assert_eq!(wrapped(table, 40), expected);
        let prose =
            "Before anything is applied, the product label comes first.\n\n  set in: the product label, local rules";
        let expected = "Before anything is applied, the\n    product label comes first.\n\n  set in: the product label, local\n      rules";
        assert_eq!(wrapped(prose, 34), expected);
        let long = "a_word_that_is_longer_than_any_terminal_is_wide and more";
        assert_eq!(wrapped(long, 30), "a_word_that_is_longer_than_any_terminal_is_wide\n    and more");
        assert_eq!(wrapped(table, 80), table);
        assert_eq!(wrapped(table, 10), table);
        for columns in 30..70 {
            let words = |text: &str| text.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
            let all = format!("{table}{prose}");
            let shown = wrapped(&all, columns);
            assert_eq!(words(&shown), words(&all), "{columns}");
            assert!(shown.lines().all(|line| line.chars().count() <= columns), "{columns}: {shown}");
        }
    }

    #[test]
    fn every_hidden_character_and_no_other_is_found_by_its_first_byte() {
        for character in '\0'..=char::MAX {
            let text = format!("a{character}b");
            assert_eq!(holds_hidden(&text), is_hidden(character), "{character:?}");
        }
    }

    #[test]
    fn what_a_terminal_obeys_is_shown_by_its_code() {
        assert_eq!(plain("a\u{1b}[31mred\0\r\u{9b}\u{202e}"), "a\\u{1b}[31mred\\u{0}\\r\\u{9b}\\u{202e}");
        assert!(matches!(plain("Żółć\t🌽\n"), Cow::Borrowed("Żółć\t🌽\n")));
        let json = serde_json::json!({ "name": "a\u{1b}\u{7f}\u{9b}b" }).to_string();
        let shown = plain_json(&json);
        assert!(!shown.contains(is_hidden));
        assert_eq!(serde_json::from_str::<serde_json::Value>(&shown).unwrap()["name"], "a\u{1b}\u{7f}\u{9b}b");
    }

    #[test]
    fn a_cell_of_any_length_is_shown_by_its_beginning() {
        assert_eq!(short("naïve"), "naïve");
        assert_eq!(short(&"ż".repeat(81)), format!("{}…", "ż".repeat(80)));
    }

    #[test]
    fn marks_of_utf_8_and_utf_16_are_read() {
        let little = |text: &str| text.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>();
        let big = |text: &str| text.encode_utf16().flat_map(u16::to_be_bytes).collect::<Vec<u8>>();
        for bytes in [
            b"\xef\xbb\xbfna\xc3\xafve".to_vec(),
            [vec![0xff, 0xfe], little("naïve")].concat(),
            [vec![0xfe, 0xff], big("naïve")].concat(),
            "naïve".as_bytes().to_vec(),
        ] {
            assert_eq!(decoded(bytes).unwrap(), "naïve");
        }
        assert!(decoded(vec![0xff, 0xfe, 0x00, 0xd8]).unwrap_err().contains("UTF-16LE"));
        assert_eq!(decoded(b"a\nb\xff".to_vec()).unwrap_err(), "is not UTF-8 text: line 2 holds the byte 0xff");
    }
}
