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
        let mut builder = LabelsBuilder::default();
        for text in texts {
            builder.push(text.as_ref().map(AsRef::as_ref));
        }
        builder.finish()
    }

    /// Whether the data carry this column.
    pub fn is_present(&self) -> bool {
        !self.codes.is_empty()
    }

    /// The label of a row, `None` where it is missing or the column is absent.
    pub fn get(&self, row: usize) -> Option<&str> {
        self.names.get(*self.codes.get(row)? as usize).map(String::as_str)
    }

    /// The label of a code, empty where there is none.
    pub fn name(&self, code: u32) -> &str {
        self.names.get(code as usize).map_or("", String::as_str)
    }

    /// The rows in the order given.
    #[must_use]
    pub fn reordered(&self, order: &[u32]) -> Self {
        let codes =
            if self.is_present() { order.iter().map(|&at| self.codes[at as usize]).collect() } else { Vec::new() };
        Self { codes, names: self.names.clone() }
    }
}

/// Builds a column row by row.
#[derive(Debug, Clone, Default)]
pub struct LabelsBuilder {
    codes: Vec<u32>,
    names: Vec<String>,
    code_of: FxHashMap<String, u32>,
    last: u32,
}

impl LabelsBuilder {
    /// Adds a row.
    pub fn push(&mut self, text: Option<&str>) {
        let Some(text) = text else { return self.codes.push(Labels::NONE) };
        // Labels come in runs: the last one is usually the next one.
        if self.names.get(self.last as usize).is_none_or(|last| last != text) {
            self.last = self.code_of.get(text).copied().unwrap_or_else(|| {
                let code = self.names.len() as u32;
                self.names.push(text.to_owned());
                self.code_of.insert(text.to_owned(), code);
                code
            });
        }
        self.codes.push(self.last);
    }

    /// Adds the same text for several rows.
    pub fn push_repeated(&mut self, text: Option<&str>, rows: usize) {
        for _ in 0..rows {
            self.push(text);
        }
    }

    /// The column; it is absent when no row carries a text.
    pub fn finish(self) -> Labels {
        if self.names.is_empty() {
            return Labels::default();
        }
        let mut order: Vec<u32> = (0..self.names.len() as u32).collect();
        order.sort_by_key(|&code| &self.names[code as usize]);
        let mut place = vec![0; order.len()];
        for (at, &code) in order.iter().enumerate() {
            place[code as usize] = at as u32;
        }
        let codes =
            self.codes.into_iter().map(|code| if code == Labels::NONE { code } else { place[code as usize] }).collect();
        let names = order.iter().map(|&code| self.names[code as usize].clone()).collect();
        Labels { codes, names }
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
