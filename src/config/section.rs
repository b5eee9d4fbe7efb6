//! A typed reader over a TOML table that collects every fault instead of stopping at the first.

use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fmt::Display;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::faults::{Fault, Faults, line_and_column};
use super::reference::{Fact, Kind};
use crate::quantity::{Quantity, QuantityError, nearest};

/// A table of settings, each in one place: what it is for and the source of its default, and how it is read. The default is what is
/// read from an empty table.
macro_rules! settings {
    ($(#[$about:meta])+ pub struct $name:ident, read from $section:ident {
        $($(#[$doc:meta])+ pub $field:ident: $kind:ty = $read:expr,)+
    }) => {
        $(#[$about])+
        #[derive(Debug, Clone, PartialEq, serde::Serialize)]
        pub struct $name {
            $($(#[$doc])+ pub $field: $kind,)+
        }

        impl $name {
            fn of($section: &$crate::config::section::Section<'_, '_>) -> Self {
                Self { $($field: $read,)+ }
            }
        }

        impl Default for $name {
            fn default() -> Self {
                Self::of(&$crate::config::section::Document::parse("", "").root())
            }
        }
    };
}
pub(super) use settings;

/// A parsed settings file with the faults found so far.
pub(super) struct Document<'i> {
    file: String,
    text: &'i str,
    table: Spanned<DeTable<'i>>,
    faults: RefCell<Vec<Fault>>,
    answers: BTreeMap<String, String>,
    /// What the parser asks for, where that is what is wanted of it.
    facts: Option<RefCell<Vec<Fact>>>,
}

/// What stands where an answer is still to be given; with a name behind it, where the answer of that name is to be put in.
const OPEN: &str = "?";

impl<'i> Document<'i> {
    /// Parses; faults of syntax are collected like all others.
    pub(super) fn parse(file: &str, text: &'i str) -> Self {
        let (table, errors) = DeTable::parse_recoverable(text);
        let answers = BTreeMap::new();
        let document = Self { file: file.to_owned(), text, table, faults: RefCell::default(), answers, facts: None };
        for error in errors {
            document.push(error.span(), "", error.message().to_owned());
        }
        document
    }

    /// The same with the answers that `"?name"` stands for.
    pub(super) fn with_answers(self, answers: &BTreeMap<String, String>) -> Self {
        Self { answers: answers.clone(), ..self }
    }

    /// The same for what the parser asks of each key.
    pub(super) fn with_facts(self) -> Self {
        Self { facts: Some(RefCell::default()), ..self }
    }

    /// What was asked of each key, in the order of asking.
    pub(super) fn facts(&self) -> Vec<Fact> {
        self.facts.as_ref().map_or_else(Vec::new, |facts| facts.borrow().clone())
    }

    /// Every fault so far.
    #[cfg(test)]
    pub(super) fn faults(&self) -> Vec<Fault> {
        self.faults.borrow().clone()
    }

    /// The root table.
    pub(super) fn root(&self) -> Section<'_, 'i> {
        Section::new(self, self.table.get_ref(), self.table.span(), String::new())
    }

    fn push(&self, span: Option<Range<usize>>, key: &str, message: String) {
        let (line, column) = span.map_or((0, 0), |span| line_and_column(self.text, span.start));
        let mut faults = self.faults.borrow_mut();
        // A syntax error may leave half a table behind: what it lacks is no fault of its own.
        if key.is_empty() || !faults.iter().any(|fault| fault.key.is_empty()) {
            faults.push(Fault { file: self.file.clone(), line, column, key: key.to_owned(), message });
        }
    }

    /// The result, or every fault in the order of the file.
    pub(super) fn finish<T>(self, result: Option<T>) -> Result<T, Faults> {
        let mut faults = self.faults.into_inner();
        faults.sort_by_key(|fault| (fault.line, fault.column));
        faults.dedup();
        match result {
            Some(result) if faults.is_empty() => Ok(result),
            _ if faults.is_empty() => Err(Faults::whole_file(self.file, "could not be read")),
            _ => Err(Faults(faults)),
        }
    }
}

/// One table of a settings file.
pub(super) struct Section<'d, 'i> {
    document: &'d Document<'i>,
    table: &'d DeTable<'i>,
    span: Range<usize>,
    path: String,
    asked: RefCell<Vec<String>>,
}

impl<'d, 'i> Section<'d, 'i> {
    fn new(document: &'d Document<'i>, table: &'d DeTable<'i>, span: Range<usize>, path: String) -> Self {
        Self { document, table, span, path, asked: RefCell::default() }
    }

    fn dotted(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// Notes what is asked of a key; of a key that is asked several times, what is asked first.
    fn note(&self, key: &str, kind: Kind) {
        self.note_with(key, kind, |_| ());
    }

    fn note_with(&self, key: &str, kind: Kind, more: impl FnOnce(&mut Fact)) {
        let Some(facts) = &self.document.facts else { return };
        let path = self.dotted(key);
        let mut facts = facts.borrow_mut();
        if facts.iter().all(|known| known.path != path) {
            let mut fact = Fact::new(path, kind);
            more(&mut fact);
            facts.push(fact);
        }
    }

    /// What a reader of a text says that it takes, for a key that is not written.
    fn note_expected(&self, key: &str, expected: impl FnOnce() -> Option<String>) {
        let Some(facts) = &self.document.facts else { return };
        if self.has(key) {
            return;
        }
        let path = self.dotted(key);
        let expected = expected();
        if let Some(fact) = facts.borrow_mut().iter_mut().find(|known| known.path == path) {
            fact.takes = fact.takes.take().or(expected);
        }
    }

    fn value(&self, key: &str) -> Option<&'d Spanned<DeValue<'i>>> {
        self.asked.borrow_mut().push(key.to_owned());
        self.table.get(key)
    }

    /// Whether the key is written in the file.
    pub(super) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// The keys as written, in the order of the file.
    pub(super) fn keys(&self) -> Vec<String> {
        let mut keys: Vec<_> = self.table.keys().map(|key| (key.span().start, key.get_ref().to_string())).collect();
        keys.sort();
        keys.into_iter().map(|(_, key)| key).collect()
    }

    /// Records a fault at a key, or at the section where the key is absent.
    pub(super) fn fault(&self, key: &str, message: impl Into<String>) {
        let span = self.table.get(key).map_or_else(|| self.span.clone(), Spanned::span);
        self.document.push(Some(span), &self.dotted(key), message.into());
    }

    /// Passes a value through, recording a fault when it is absent and was not written at all.
    pub(super) fn required<T>(&self, key: &str, value: Option<T>, expected: &str) -> Option<T> {
        if let Some(facts) = &self.document.facts {
            let path = self.dotted(key);
            if let Some(fact) = facts.borrow_mut().iter_mut().find(|known| known.path == path) {
                fact.required = true;
                fact.takes.get_or_insert_with(|| expected.to_owned());
            }
        }
        if value.is_none() && !self.has(key) {
            self.document.push(Some(self.span.clone()), &self.dotted(key), format!("is missing; expected {expected}"));
        }
        value
    }

    fn wrong_type(&self, key: &str, found: &DeValue<'_>, expected: &str) {
        self.fault(key, format!("expected {expected}, found {}", describe(found)));
    }

    /// The answer that stands for `"?name"`; any other text as it is. A question that is still open is a fault.
    fn answered<'t>(&self, key: &str, text: &'t str) -> Option<Cow<'t, str>> {
        let Some(name) = text.strip_prefix(OPEN) else { return Some(Cow::Borrowed(text)) };
        match self.document.answers.get(name) {
            Some(answer) if answer != OPEN => return Some(Cow::Owned(answer.clone())),
            _ if name.is_empty() => self.fault(key, "is still to be answered; draft.md says what is asked"),
            Some(_) => self.fault(
                key,
                format!("waits for the answer `{name}` under [answers] in archive.toml; draft.md says what decides it"),
            ),
            None => self.fault(key, format!("asks for the answer `{name}`, and [answers] in archive.toml holds none")),
        }
        None
    }

    /// A text.
    pub(super) fn text(&self, key: &str) -> Option<String> {
        self.note(key, Kind::Text);
        match self.value(key)?.get_ref() {
            DeValue::String(text) if text.starts_with(OPEN) => self.answered(key, text).map(Cow::into_owned),
            DeValue::String(text) if text.trim().is_empty() => {
                self.fault(key, "expected a text, found an empty one");
                None
            }
            DeValue::String(text) => Some(text.to_string()),
            other => {
                self.wrong_type(key, other, "a text in quotes");
                None
            }
        }
    }

    /// A text that `read` turns into a value.
    pub(super) fn parsed<T, E: Display>(&self, key: &str, read: impl FnOnce(&str) -> Result<T, E>) -> Option<T> {
        let Some(text) = self.text(key) else {
            self.note_expected(key, || read("?").err().map(|error| takes(&error.to_string())));
            return None;
        };
        read(&text).map_err(|error| self.fault(key, error.to_string())).ok()
    }

    /// A rate of money; a bare number is refused for lack of its unit.
    pub(super) fn with_unit<T>(&self, key: &str, read: impl FnOnce(&str) -> Result<T, QuantityError>) -> Option<T> {
        self.note(key, Kind::Quantity);
        let Some(value) = self.value(key) else {
            self.note_expected(key, || match read("1 ?") {
                Err(QuantityError::UnknownUnit { fitting, .. }) => Some(fitting),
                _ => None,
            });
            return None;
        };
        match value.get_ref() {
            DeValue::String(text) => {
                let text = self.answered(key, text)?;
                read(&text).map_err(|error| self.fault(key, error.to_string())).ok()
            }
            DeValue::Integer(number) => self.bare_number(key, number.as_str(), read),
            DeValue::Float(number) => self.bare_number(key, number.as_str(), read),
            other => {
                self.wrong_type(key, other, "a quantity with its unit in quotes");
                None
            }
        }
    }

    fn bare_number<T>(
        &self,
        key: &str,
        number: &str,
        read: impl FnOnce(&str) -> Result<T, QuantityError>,
    ) -> Option<T> {
        let message = read(number).err().map_or_else(
            || format!("`{number}` has no unit; write it in quotes with its unit"),
            |error| format!("{error}; write it in quotes with its unit"),
        );
        self.fault(key, message);
        None
    }

    /// A quantity with its unit.
    pub(super) fn quantity<Q: Quantity>(&self, key: &str) -> Option<Q> {
        self.note_with(key, Kind::Quantity, |fact| fact.takes = Some(Q::symbols()));
        self.with_unit(key, Q::parse)
    }

    /// A quantity in SI units that must lie within `[low, high]` (SI); the default where the key is absent.
    pub(super) fn quantity_or<Q: Quantity>(&self, key: &str, default: f64, low: f64, high: f64) -> f64 {
        self.note_with(key, Kind::Quantity, |fact| {
            let unit = Q::UNITS[0].symbol;
            fact.takes = Some(Q::symbols());
            fact.range = Some([low, high]);
            fact.unit = Some(unit.to_owned());
            fact.default = default.is_finite().then(|| format!("{default} {unit}"));
        });
        let Some(quantity) = self.quantity::<Q>(key) else { return default };
        if (low..=high).contains(&quantity.si()) {
            return quantity.si();
        }
        let unit = Q::UNITS[0].symbol;
        self.fault(key, format!("must lie between {low} and {high} {unit}, found {} {unit}", quantity.si()));
        default
    }

    /// The same without a default.
    pub(super) fn given<Q: Quantity>(&self, key: &str, low: f64, high: f64) -> Option<f64> {
        Some(self.quantity_or::<Q>(key, f64::NAN, low, high)).filter(|value| value.is_finite())
    }

    /// A number without a unit (a count, a share, a multiple) within `[low, high]`; the default where absent.
    pub(super) fn number_or(&self, key: &str, default: f64, low: f64, high: f64) -> f64 {
        self.note_with(key, Kind::Number, |fact| {
            fact.range = Some([low, high]);
            fact.default = Some(default.to_string());
        });
        let Some(value) = self.value(key) else { return default };
        let number = match value.get_ref() {
            DeValue::Integer(number) => number.as_str().replace('_', "").parse::<f64>().ok(),
            DeValue::Float(number) => number.as_str().replace('_', "").parse::<f64>().ok(),
            _ => None,
        };
        match number {
            Some(number) if (low..=high).contains(&number) => number,
            Some(number) => {
                self.fault(key, format!("must lie between {low} and {high}, found {number}"));
                default
            }
            None => {
                self.wrong_type(key, value.get_ref(), "a number");
                default
            }
        }
    }

    /// A whole number within `[low, high]`.
    pub(super) fn integer(&self, key: &str, low: i64, high: i64) -> Option<i64> {
        self.note_with(key, Kind::Integer, |fact| fact.range = Some([low as f64, high as f64]));
        let value = self.value(key)?;
        self.as_integer(key, value, low, high)
    }

    fn as_integer(&self, key: &str, value: &Spanned<DeValue<'_>>, low: i64, high: i64) -> Option<i64> {
        if let DeValue::Integer(number) = value.get_ref()
            && let Ok(number) = i64::from_str_radix(&number.as_str().replace('_', ""), number.radix())
        {
            if (low..=high).contains(&number) {
                return Some(number);
            }
            self.document.push(
                Some(value.span()),
                &self.dotted(key),
                format!("must lie between {low} and {high}, found {number}"),
            );
            return None;
        }
        self.wrong_type(key, value.get_ref(), "a whole number");
        None
    }

    /// Whole numbers within `[low, high]`.
    pub(super) fn integers(&self, key: &str, low: i64, high: i64) -> Option<Vec<i64>> {
        self.note_with(key, Kind::Integers, |fact| fact.range = Some([low as f64, high as f64]));
        match self.value(key)?.get_ref() {
            DeValue::Array(list) => {
                Some(list.iter().filter_map(|value| self.as_integer(key, value, low, high)).collect())
            }
            other => {
                self.wrong_type(key, other, "a list of whole numbers");
                None
            }
        }
    }

    /// Texts, or one text alone.
    pub(super) fn texts(&self, key: &str) -> Option<Vec<String>> {
        self.note(key, Kind::Texts);
        match self.value(key)?.get_ref() {
            DeValue::String(text) => Some(vec![text.to_string()]),
            DeValue::Array(list) => {
                let texts: Vec<_> = list
                    .iter()
                    .filter_map(|value| match value.get_ref() {
                        DeValue::String(text) => Some(text.to_string()),
                        other => {
                            self.wrong_type(key, other, "texts in quotes");
                            None
                        }
                    })
                    .collect();
                (texts.len() == list.len()).then_some(texts)
            }
            other => {
                self.wrong_type(key, other, "a list of texts");
                None
            }
        }
    }

    /// A truth value.
    pub(super) fn boolean(&self, key: &str) -> Option<bool> {
        self.note(key, Kind::Boolean);
        match self.value(key)?.get_ref() {
            DeValue::Boolean(value) => Some(*value),
            other => {
                self.wrong_type(key, other, "true or false");
                None
            }
        }
    }

    /// A calendar date without time.
    pub(super) fn date(&self, key: &str) -> Option<chrono::NaiveDate> {
        self.note(key, Kind::Date);
        let value = self.value(key)?;
        if let DeValue::Datetime(found) = value.get_ref()
            && let (Some(date), None, None) = (found.date, found.time, found.offset)
            && let Some(date) =
                chrono::NaiveDate::from_ymd_opt(i32::from(date.year), u32::from(date.month), u32::from(date.day))
        {
            return Some(date);
        }
        self.wrong_type(key, value.get_ref(), "a date such as 2023-04-29");
        None
    }

    /// A table below this one.
    pub(super) fn section(&self, key: &str) -> Option<Self> {
        self.note(key, Kind::Table);
        let value = self.value(key)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(Self::new(self.document, table, value.span(), self.dotted(key))),
            other => {
                self.wrong_type(key, other, "a table");
                None
            }
        }
    }

    /// The tables of an array of tables, or a single table.
    pub(super) fn sections(&self, key: &str) -> Vec<Self> {
        self.note(key, Kind::Tables);
        let Some(value) = self.value(key) else { return Vec::new() };
        match value.get_ref() {
            DeValue::Table(table) => vec![Self::new(self.document, table, value.span(), self.dotted(key))],
            DeValue::Array(list) => list
                .iter()
                .enumerate()
                .filter_map(|(at, item)| {
                    let path = format!("{}[{}]", self.dotted(key), at + 1);
                    if let DeValue::Table(table) = item.get_ref() {
                        Some(Self::new(self.document, table, item.span(), path))
                    } else {
                        self.wrong_type(key, item.get_ref(), "tables");
                        None
                    }
                })
                .collect(),
            other => {
                self.wrong_type(key, other, "a list of tables");
                Vec::new()
            }
        }
    }

    /// The text of a key that may be a text or a table; `Ok(text)` or `Err(table)`.
    pub(super) fn text_or_section(&self, key: &str) -> Option<Result<String, Self>> {
        self.note(key, Kind::Column);
        // a key may be asked for that is not there
        self.asked.borrow_mut().push(key.to_owned());
        if matches!(self.table.get(key)?.get_ref(), DeValue::Table(_)) {
            self.section(key).map(Err)
        } else {
            self.text(key).map(Ok)
        }
    }

    /// A text, or a list of numbers; `Ok(text)` or `Err(numbers)`.
    pub(super) fn text_or_numbers(&self, key: &str) -> Option<Result<String, Vec<f64>>> {
        self.note(key, Kind::TextOrNumbers);
        self.asked.borrow_mut().push(key.to_owned());
        let DeValue::Array(list) = self.table.get(key)?.get_ref() else { return self.text(key).map(Ok) };
        let number = |value: &Spanned<DeValue<'i>>| match value.get_ref() {
            DeValue::Integer(number) => number.as_str().parse().ok(),
            DeValue::Float(number) => number.as_str().parse().ok(),
            _ => None,
        };
        Some(Err(list.iter().filter_map(number).collect()))
    }

    /// A text or a number; `Ok(text)` or `Err(number)`. A date counts as its text.
    pub(super) fn text_or_number(&self, key: &str) -> Option<Result<String, f64>> {
        self.note(key, Kind::TextOrNumber);
        let number = |text: &str| text.replace('_', "").parse::<f64>().ok().filter(|number| number.is_finite());
        match self.value(key)?.get_ref() {
            DeValue::Integer(found) if number(found.as_str()).is_some() => number(found.as_str()).map(Err),
            DeValue::Float(found) if number(found.as_str()).is_some() => number(found.as_str()).map(Err),
            DeValue::Datetime(_) => self.date(key).map(|date| Ok(date.to_string())),
            DeValue::String(_) => self.text(key).map(Ok),
            other => {
                self.wrong_type(key, other, "a text in quotes or a number");
                None
            }
        }
    }

    /// The name of a column without a unit: a text, or `{ column = "…" }`.
    pub(super) fn column(&self, key: &str) -> Option<String> {
        self.note(key, Kind::Column);
        match self.text_or_section(key)? {
            Ok(name) => Some(name),
            Err(table) => {
                let name = table.required("column", table.text("column"), "the column's name");
                table.finish_known();
                name
            }
        }
    }

    /// Records a fault for each key that nobody asked for.
    pub(super) fn finish_known(&self) {
        let asked = self.asked.borrow();
        let also: Vec<&str> = asked.iter().map(String::as_str).collect();
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if asked.iter().any(|known| known == name) {
                continue;
            }
            let hint = nearest(name, also.iter().copied())
                .map_or_else(|| known_keys(&also), |word| format!("; did you mean `{word}`?"));
            self.document.push(Some(key.span()), &self.dotted(name), format!("unknown key{hint}"));
        }
    }
}

/// What is taken, from the message about a `?`.
fn takes(message: &str) -> String {
    let known =
        message.strip_prefix("unknown").and_then(|rest| rest.split_once("; ")).map_or(message, |(_, known)| known);
    known.trim_start_matches("expected ").replace(", found `?`", "")
}

fn known_keys(known: &[&str]) -> String {
    let mut known = known.to_vec();
    known.sort_unstable();
    known.dedup();
    format!("; known here: {}", known.join(", "))
}

fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text `{text}`"),
        DeValue::Integer(number) => format!("the number `{number}`"),
        DeValue::Float(number) => format!("the number `{number}`"),
        DeValue::Boolean(value) => format!("`{value}`"),
        DeValue::Datetime(value) => format!("the date or time `{value}`"),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}
