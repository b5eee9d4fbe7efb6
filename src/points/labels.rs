//! A column of repeated texts, stored as codes.

use rustc_hash::FxHashMap;

/// A categorical column: a code for each row and the text of each code.
///
/// An empty `codes` means that the data carry no such column.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Labels {
    /// One code a row, an index into `names`, or [`Labels::NONE`].
    pub codes: Vec<u32>,
    /// The text of each code.
    pub names: Vec<String>,
}

impl Labels {
    /// The code of a missing label.
    pub const NONE: u32 = u32::MAX;

    /// Codes a column of texts; names are sorted, so that the codes do not depend on the order of the rows.
    pub fn from_texts<T: AsRef<str>>(texts: &[Option<T>]) -> Self {
        let mut names: Vec<String> = Vec::new();
        let mut code_of: FxHashMap<String, u32> = FxHashMap::default();
        for text in texts.iter().flatten() {
            if !code_of.contains_key(text.as_ref()) {
                code_of.insert(text.as_ref().to_owned(), 0);
                names.push(text.as_ref().to_owned());
            }
        }
        names.sort_unstable();
        for (code, name) in names.iter().enumerate() {
            code_of.insert(name.clone(), code as u32);
        }
        let codes = texts.iter().map(|text| text.as_ref().map_or(Self::NONE, |text| code_of[text.as_ref()])).collect();
        Self { codes, names }
    }

    /// A column in which every one of `rows` rows carries `name`.
    pub fn constant(name: &str, rows: usize) -> Self {
        Self { codes: vec![0; rows], names: vec![name.to_owned()] }
    }

    /// Whether the data carry this column.
    pub fn is_present(&self) -> bool {
        !self.codes.is_empty()
    }

    /// The label of a row, `None` where it is missing or the column is absent.
    pub fn get(&self, row: usize) -> Option<&str> {
        self.names.get(*self.codes.get(row)? as usize).map(String::as_str)
    }

    /// The rows in the order given.
    #[must_use]
    pub fn reordered(&self, order: &[u32]) -> Self {
        let codes =
            if self.is_present() { order.iter().map(|&at| self.codes[at as usize]).collect() } else { Vec::new() };
        Self { codes, names: self.names.clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_do_not_depend_on_the_order_of_rows() {
        let one = Labels::from_texts(&[Some("b"), None, Some("a"), Some("b")]);
        assert_eq!(one.names, ["a", "b"]);
        assert_eq!(one.codes, [1, Labels::NONE, 0, 1]);
        assert_eq!(one.get(1), None);
        assert_eq!(one.get(2), Some("a"));
        let two = Labels::from_texts(&[Some("a"), Some("b")]);
        assert_eq!(two.names, one.names);
    }
}
