//! The soil map of a simulated field.

use geo::{Coord, LineString, Polygon};

pub use crate::config::DRAINAGE_CLASSES;

/// The soil map: bands across the field between wavy lines, and at most one pond within them.
#[derive(Debug, Clone, PartialEq)]
pub struct SoilPlan {
    /// Lines from low to high v: `v = base + amplitude sin(2π u / wavelength + phase)`. They must not cross.
    pub lines: Vec<WavyLine>,
    /// Drainage class (index) of each band, one more than there are lines.
    pub classes: Vec<usize>,
    /// An ellipse of another class.
    pub pond: Option<Pond>,
    /// Whether each band is tiled: `yes`, `no` or `unknown`.
    pub tiled: Vec<&'static str>,
}

/// A line between two soils.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WavyLine {
    /// Mean v, m.
    pub base: f64,
    /// Height of the waves, m.
    pub amplitude: f64,
    /// Length of the waves, m.
    pub wavelength: f64,
    /// Where they begin, radians.
    pub phase: f64,
}

impl WavyLine {
    /// v at u, m.
    pub fn at(&self, u: f64) -> f64 {
        self.base + self.amplitude * (std::f64::consts::TAU * u / self.wavelength + self.phase).sin()
    }
}

/// An ellipse with axes along u and v.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pond {
    /// Centre across, m.
    pub u: f64,
    /// Centre along, m.
    pub v: f64,
    /// Half axis across, m.
    pub across_m: f64,
    /// Half axis along, m.
    pub along_m: f64,
    /// Drainage class (index).
    pub class: usize,
}

impl SoilPlan {
    /// One class everywhere.
    pub fn uniform(class: usize) -> Self {
        Self { lines: Vec::new(), classes: vec![class], pond: None, tiled: vec!["unknown"] }
    }

    /// The band that holds a place.
    fn band(&self, u: f64, v: f64) -> usize {
        self.lines.iter().filter(|line| v >= line.at(u)).count()
    }

    /// The drainage class (index) at a place.
    pub fn class_at(&self, u: f64, v: f64) -> usize {
        self.column(u).class_at(v)
    }

    /// The soils along one row.
    pub(super) fn column(&self, u: f64) -> SoilColumn<'_> {
        let pond = self.pond.and_then(|pond| {
            let aside = (u - pond.u) / pond.across_m;
            let half = pond.along_m * (1.0 - aside * aside).max(0.0).sqrt();
            (half > 0.0).then_some((pond.v - half, pond.v + half, pond.class))
        });
        SoilColumn { lines: self.lines.iter().map(|line| line.at(u)).collect(), classes: &self.classes, pond }
    }

    /// The map units as polygons over the rectangle from `low` to `high`, with class (index) and tiling. Neighbours have the same
    /// vertices along their common line; the pond is a hole in its band and a unit of its own.
    pub fn polygons(&self, low: (f64, f64), high: (f64, f64)) -> Vec<(Polygon<f64>, usize, &'static str)> {
        const STEP_M: f64 = 8.0;
        let steps = ((high.0 - low.0) / STEP_M).ceil().max(1.0) as usize;
        let across = |step: usize| low.0 + (high.0 - low.0) * step as f64 / steps as f64;
        let edge = |line: usize| -> Vec<Coord<f64>> {
            match line {
                0 => vec![Coord { x: low.0, y: low.1 }, Coord { x: high.0, y: low.1 }],
                line if line > self.lines.len() => vec![Coord { x: low.0, y: high.1 }, Coord { x: high.0, y: high.1 }],
                line => (0..=steps)
                    .map(|step| Coord { x: across(step), y: self.lines[line - 1].at(across(step)) })
                    .collect(),
            }
        };
        let pond = self.pond.map(|pond| {
            let ring: LineString<f64> = (0..48)
                .map(|at| {
                    let (sin, cos) = (f64::from(at) / 48.0 * std::f64::consts::TAU).sin_cos();
                    Coord { x: pond.u + pond.across_m * cos, y: pond.v + pond.along_m * sin }
                })
                .collect();
            (ring, pond)
        });
        let mut units: Vec<_> = (0..self.classes.len())
            .map(|band| {
                let mut ring = edge(band);
                ring.extend(edge(band + 1).into_iter().rev());
                let holes = pond
                    .iter()
                    .filter(|(_, pond)| self.band(pond.u, pond.v) == band)
                    .map(|(ring, _)| ring.clone())
                    .collect();
                (Polygon::new(LineString(ring), holes), self.classes[band], self.tiled[band])
            })
            .collect();
        if let Some((ring, pond)) = pond {
            units.push((Polygon::new(ring, Vec::new()), pond.class, "no"));
        }
        units
    }
}

/// The soils along one row: for the same question at many places.
#[derive(Debug)]
pub(super) struct SoilColumn<'p> {
    lines: Vec<f64>,
    classes: &'p [usize],
    pond: Option<(f64, f64, usize)>,
}

impl SoilColumn<'_> {
    /// The drainage class (index) at v.
    pub(super) fn class_at(&self, v: f64) -> usize {
        match self.pond {
            Some((low, high, class)) if v > low && v < high => class,
            _ => self.classes[self.lines.iter().filter(|&&line| v >= line).count()],
        }
    }
}
