//! Faults of a settings file: all of them at once, each with its place.

use std::fmt;

/// One fault of a settings file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The file, as the user would name it.
    pub file: String,
    /// Line, from 1; 0 when the fault concerns the whole file.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key, dotted; empty for faults of syntax.
    pub key: String,
    /// What was found and what was expected.
    pub message: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if self.line > 0 {
            write!(f, ":{}:{}", self.line, self.column)?;
        }
        f.write_str(": ")?;
        if !self.key.is_empty() {
            write!(f, "{}: ", self.key)?;
        }
        f.write_str(&self.message)
    }
}

/// All faults of a file, never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Faults(pub Vec<Fault>);

impl Faults {
    /// One fault that concerns a whole file.
    pub fn whole_file(file: impl Into<String>, message: impl Into<String>) -> Self {
        Self(vec![Fault { file: file.into(), line: 0, column: 0, key: String::new(), message: message.into() }])
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, fault) in self.0.iter().enumerate() {
            if at > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

/// Line and column (both from 1, the column in characters) of a byte offset.
pub(super) fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    let mut offset = offset.min(text.len());
    while !text.is_char_boundary(offset) {
        offset -= 1;
    }
    let before = &text[..offset];
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |last| last.chars().count()) + 1;
    (line, column)
}
