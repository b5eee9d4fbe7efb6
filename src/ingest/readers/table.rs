//! What every reader delivers: the columns that were asked for, before units are applied.

use std::collections::BTreeMap;

use geo::{Geometry, LineString, MultiPolygon};

use crate::config::{PositionColumns, ReadSettings};
use crate::geometry::{Crs, CrsError, Projector};
use crate::ingest::IngestError;

/// What a file with geometry is read for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum Shapes {
    /// Its geometry, if any, is not wanted.
    #[default]
    Ignored,
    /// Points.
    Points,
    /// Points, or lines that were driven.
    Tracks,
    /// Polygons.
    Polygons,
}

/// The columns that are wanted from a file of records or a layer of polygons.
#[derive(Debug, Clone)]
pub(crate) struct Wanted {
    /// What geometry.
    pub(crate) shapes: Shapes,
    /// Columns of numbers.
    pub(crate) numbers: Vec<String>,
    /// Columns of texts.
    pub(crate) texts: Vec<String>,
    /// Most bytes that a packed file may unpack to.
    pub(crate) most_unpacked_bytes: u64,
}

impl Default for Wanted {
    fn default() -> Self {
        let most_unpacked_bytes = ReadSettings::default().most_unpacked_bytes;
        Self { shapes: Shapes::default(), numbers: Vec::new(), texts: Vec::new(), most_unpacked_bytes }
    }
}

/// Columns of one file; all have `rows` rows.
#[derive(Debug, Clone, Default)]
pub(crate) struct Table {
    pub(crate) rows: usize,
    /// Missing values are NaN.
    pub(crate) numbers: BTreeMap<String, Vec<f64>>,
    pub(crate) texts: BTreeMap<String, TextColumn>,
    /// The file's own positions (x = longitude or easting), NaN where missing.
    pub(crate) positions: Option<(Vec<f64>, Vec<f64>)>,
    /// The file's own lines, one a row; empty where its geometry is points.
    pub(crate) lines: Vec<LineString<f64>>,
    /// The file's own polygons, as they stand (not repaired).
    pub(crate) polygons: Vec<MultiPolygon<f64>>,
    /// The file's own coordinate reference system.
    pub(crate) crs: Option<Crs>,
}

impl Table {
    /// East and north of each row by columns of numbers or the file's geometry; `None` where that carries none.
    pub(crate) fn positions_by(&self, columns: &PositionColumns) -> Option<(Vec<f64>, Vec<f64>)> {
        match columns.names() {
            None => self.positions.clone(),
            Some([x, y]) => Some((self.numbers[x].clone(), self.numbers[y].clone())),
        }
    }

    /// The rows of another table below its own; both have the same columns.
    pub(crate) fn with(mut self, file: &str, other: Self) -> Result<Self, IngestError> {
        if self.crs != other.crs {
            let name = |crs: &Option<Crs>| crs.as_ref().map_or_else(|| "none".to_owned(), ToString::to_string);
            let reason = format!(
                "its reference system is {}, that of the files before it {}",
                name(&other.crs),
                name(&self.crs)
            );
            return Err(IngestError::crs(file, reason));
        }
        self.rows += other.rows;
        for (name, values) in other.numbers {
            self.numbers.entry(name).or_default().extend(values);
        }
        for (name, texts) in other.texts {
            let own = self.texts.entry(name).or_default();
            texts.iter().for_each(|text| own.push(text));
        }
        if let (Some(own), Some(more)) = (&mut self.positions, other.positions) {
            own.0.extend(more.0);
            own.1.extend(more.1);
        }
        self.lines.extend(other.lines);
        self.polygons.extend(other.polygons);
        Ok(self)
    }

    /// The lines as points at even distances, m, in another reference system: each carries what its line does. With the row of each.
    pub(crate) fn along_lines(mut self, to: &Projector, step_m: f64) -> Result<(Self, Vec<u32>), CrsError> {
        let (mut x, mut y, mut row_of) = (Vec::new(), Vec::new(), Vec::new());
        for (row, line) in std::mem::take(&mut self.lines).into_iter().enumerate() {
            let (mut xs, mut ys): (Vec<f64>, Vec<f64>) = line.into_inner().into_iter().map(|at| (at.x, at.y)).unzip();
            to.convert(&mut xs, &mut ys)?;
            let ends: Vec<(f64, f64)> =
                xs.into_iter().zip(ys).filter(|at| at.0.is_finite() && at.1.is_finite()).collect();
            let lengths: Vec<f64> =
                ends.windows(2).map(|two| (two[1].0 - two[0].0).hypot(two[1].1 - two[0].1)).collect();
            let whole: f64 = lengths.iter().sum();
            let steps = (whole / step_m).round().max(1.0);
            let (mut piece, mut before) = (0, 0.0);
            for point in 0..=steps as usize {
                if !(whole > 0.0) {
                    break;
                }
                let at = whole * point as f64 / steps;
                while piece + 1 < lengths.len() && before + lengths[piece] < at {
                    before += lengths[piece];
                    piece += 1;
                }
                let share = if lengths[piece] > 0.0 { ((at - before) / lengths[piece]).clamp(0.0, 1.0) } else { 0.0 };
                let (from, to) = (ends[piece], ends[piece + 1]);
                x.push(from.0 + share * (to.0 - from.0));
                y.push(from.1 + share * (to.1 - from.1));
                row_of.push(row as u32);
            }
        }
        for values in self.numbers.values_mut() {
            *values = row_of.iter().map(|&row| values[row as usize]).collect();
        }
        for texts in self.texts.values_mut() {
            let mut all = TextColumn::default();
            for &row in &row_of {
                all.push(texts.get(row as usize));
            }
            *texts = all;
        }
        self.rows = row_of.len();
        self.positions = Some((x, y));
        Ok((self, row_of))
    }
}

/// One attribute of a feature.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Cell {
    Missing,
    Number(f64),
    Text(String),
}

/// Fills a table feature by feature.
pub(crate) struct Filler<'w> {
    file: &'w str,
    wanted: &'w Wanted,
    numbers: Vec<Vec<f64>>,
    texts: Vec<TextColumn>,
    x: Vec<f64>,
    y: Vec<f64>,
    lines: Vec<LineString<f64>>,
    polygons: Vec<MultiPolygon<f64>>,
    rows: usize,
}

impl<'w> Filler<'w> {
    pub(crate) fn new(file: &'w str, wanted: &'w Wanted) -> Self {
        Self {
            file,
            wanted,
            numbers: vec![Vec::new(); wanted.numbers.len()],
            texts: vec![TextColumn::default(); wanted.texts.len()],
            x: Vec::new(),
            y: Vec::new(),
            lines: Vec::new(),
            polygons: Vec::new(),
            rows: 0,
        }
    }

    /// Takes room for as many features as a file holds by its size.
    pub(crate) fn reserve(&mut self, rows: usize) {
        self.numbers.iter_mut().for_each(|column| column.reserve(rows));
        self.texts.iter_mut().for_each(|column| column.reserve(rows));
        if matches!(self.wanted.shapes, Shapes::Points | Shapes::Tracks) {
            self.x.reserve(rows);
            self.y.reserve(rows);
        }
    }

    /// Adds a feature; `cell` delivers its attribute by name.
    pub(crate) fn push(
        &mut self,
        geometry: Option<Geometry<f64>>,
        mut cell: impl FnMut(&str) -> Result<Cell, IngestError>,
    ) -> Result<(), IngestError> {
        self.rows += 1;
        let is_line = self.wanted.shapes == Shapes::Tracks && self.holds_line(geometry.as_ref());
        match self.wanted.shapes {
            Shapes::Ignored => {}
            Shapes::Tracks if is_line => self.lines.push(match geometry {
                None => LineString::new(Vec::new()),
                Some(Geometry::LineString(line)) => line,
                Some(Geometry::MultiLineString(mut lines)) if lines.0.len() == 1 => lines.0.remove(0),
                Some(_) => return Err(self.wrong_geometry("single lines, as before it")),
            }),
            Shapes::Points | Shapes::Tracks => {
                let at = match geometry {
                    None => (f64::NAN, f64::NAN),
                    Some(Geometry::Point(point)) => (point.x(), point.y()),
                    Some(Geometry::MultiPoint(points)) if points.0.len() == 1 => (points.0[0].x(), points.0[0].y()),
                    Some(_) => return Err(self.wrong_geometry("points")),
                };
                self.x.push(at.0);
                self.y.push(at.1);
            }
            Shapes::Polygons => self.polygons.push(match geometry {
                None => MultiPolygon::new(Vec::new()),
                Some(Geometry::Polygon(polygon)) => MultiPolygon::new(vec![polygon]),
                Some(Geometry::MultiPolygon(polygons)) => polygons,
                Some(_) => return Err(self.wrong_geometry("polygons")),
            }),
        }
        for (column, name) in self.numbers.iter_mut().zip(&self.wanted.numbers) {
            column.push(match cell(name)? {
                Cell::Missing => f64::NAN,
                Cell::Number(value) => value,
                Cell::Text(text) => number(&text)
                    .map_err(|()| IngestError::cell(self.file, self.rows, name, text.clone(), "a number"))?,
            });
        }
        for (column, name) in self.texts.iter_mut().zip(&self.wanted.texts) {
            match cell(name)? {
                Cell::Missing => column.push(None),
                Cell::Number(value) => column.push(Some(&number_text(value))),
                Cell::Text(text) => column.push(Some(&text)),
            }
        }
        Ok(())
    }

    /// Whether tracks are lines: the first feature with a geometry tells. Those before it lie nowhere.
    fn holds_line(&mut self, geometry: Option<&Geometry<f64>>) -> bool {
        let is_line = matches!(geometry, Some(Geometry::LineString(_) | Geometry::MultiLineString(_)));
        if is_line && self.lines.is_empty() && self.x.iter().all(|x| x.is_nan()) {
            self.lines = vec![LineString::new(Vec::new()); self.x.len()];
            self.x.clear();
            self.y.clear();
            return true;
        }
        !self.lines.is_empty()
    }

    fn wrong_geometry(&self, expected: &str) -> IngestError {
        IngestError::damaged(self.file, format!("feature {} is of another kind; expected {expected}", self.rows))
    }

    pub(crate) fn finish(self, crs: Option<Crs>) -> Table {
        Table {
            rows: self.rows,
            numbers: self.wanted.numbers.iter().cloned().zip(self.numbers).collect(),
            texts: self.wanted.texts.iter().cloned().zip(self.texts).collect(),
            positions: (matches!(self.wanted.shapes, Shapes::Points | Shapes::Tracks) && self.lines.is_empty())
                .then_some((self.x, self.y)),
            lines: self.lines,
            polygons: self.polygons,
            crs,
        }
    }
}

/// A column of texts in one buffer.
#[derive(Debug, Clone, Default)]
pub(crate) struct TextColumn {
    buffer: String,
    /// End of each text; a missing text is `None` in `present`.
    ends: Vec<usize>,
    present: Vec<bool>,
}

impl TextColumn {
    /// Takes room for more texts.
    pub(crate) fn reserve(&mut self, rows: usize) {
        self.ends.reserve(rows);
        self.present.reserve(rows);
    }

    /// Appends a text; blanks around it are dropped, and an empty text is a missing one.
    pub(crate) fn push(&mut self, text: Option<&str>) {
        // most texts begin and end with a letter, a digit or a mark
        let is_bare = |text: &str| {
            let bytes = text.as_bytes();
            bytes.first().is_some_and(u8::is_ascii_graphic) && bytes.last().is_some_and(u8::is_ascii_graphic)
        };
        let text = text.map(|text| if is_bare(text) { text } else { text.trim() }).filter(|text| !text.is_empty());
        self.buffer.push_str(text.unwrap_or(""));
        self.ends.push(self.buffer.len());
        self.present.push(text.is_some());
    }

    pub(crate) fn get(&self, row: usize) -> Option<&str> {
        let start = if row == 0 { 0 } else { self.ends[row - 1] };
        self.present[row].then(|| &self.buffer[start..self.ends[row]])
    }

    /// Number of texts, missing ones included.
    pub(crate) fn len(&self) -> usize {
        self.ends.len()
    }

    /// The texts for which `keep` holds.
    pub(crate) fn kept(&self, keep: &[bool]) -> Self {
        let mut kept = Self::default();
        self.iter().zip(keep).filter(|(_, keep)| **keep).for_each(|(text, _)| kept.push(text));
        kept
    }

    pub(crate) fn iter(&self) -> impl Iterator<Item = Option<&str>> {
        (0..self.ends.len()).map(|row| self.get(row))
    }
}

/// The text of a cell as a number: `None` where it is empty, `Err` where it is no number.
pub(crate) fn number(text: &str) -> Result<f64, ()> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(f64::NAN);
    }
    text.parse().map_err(|_| ())
}

/// A number as an attribute's text: whole numbers without a fraction.
pub(crate) fn number_text(number: f64) -> String {
    if (number - number.round()).abs() < f64::EPSILON && number.abs() < 1e15 {
        format!("{number:.0}")
    } else {
        number.to_string()
    }
}
