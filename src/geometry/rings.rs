//! Edges of rings, prepared for the questions that are asked of them a million times.

use geo::kernels::{Kernel, RobustKernel};
use geo::{Coord, LineString, MultiPolygon, Orientation};

/// One straight edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Edge {
    pub(super) a: Coord<f64>,
    pub(super) b: Coord<f64>,
}

impl Edge {
    pub(super) fn low_y(&self) -> f64 {
        self.a.y.min(self.b.y)
    }

    pub(super) fn high_y(&self) -> f64 {
        self.a.y.max(self.b.y)
    }

    pub(super) fn low_x(&self) -> f64 {
        self.a.x.min(self.b.x)
    }

    pub(super) fn high_x(&self) -> f64 {
        self.a.x.max(self.b.x)
    }

    /// Which side of the edge a point lies on; exact.
    pub(super) fn side(&self, at: Coord<f64>) -> Orientation {
        RobustKernel::orient2d(self.a, self.b, at)
    }

    pub(super) fn squared_distance(&self, at: Coord<f64>) -> f64 {
        let (dx, dy) = (self.b.x - self.a.x, self.b.y - self.a.y);
        let length2 = dx * dx + dy * dy;
        let share = if length2 > 0.0 {
            (((at.x - self.a.x) * dx + (at.y - self.a.y) * dy) / length2).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let (ex, ey) = (self.a.x + share * dx - at.x, self.a.y + share * dy - at.y);
        ex * ex + ey * ey
    }
}

/// All rings of a multi-polygon, shells and holes.
pub fn rings(ground: &MultiPolygon<f64>) -> impl Iterator<Item = &LineString<f64>> {
    ground.iter().flat_map(|polygon| std::iter::once(polygon.exterior()).chain(polygon.interiors()))
}

/// The edges of a ring, without those of no length.
pub(super) fn edges(ring: &LineString<f64>) -> impl Iterator<Item = Edge> {
    ring.lines().map(|line| Edge { a: line.start, b: line.end }).filter(|edge| edge.a != edge.b)
}

/// Where a point lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Inside,
    Boundary,
    Outside,
}

/// The edges of one multi-polygon in horizontal bands, so that a point is compared only with the edges at its height.
///
/// The even-odd rule over all rings decides what is inside, so holes and separate parts need no special case.
#[derive(Debug, Clone)]
pub(super) struct Bands {
    low_y: f64,
    per_metre: f64,
    /// Start of each band in `edges`, one more than there are bands.
    starts: Vec<u32>,
    /// An edge stands in every band that it touches.
    edges: Vec<Edge>,
}

impl Bands {
    pub(super) fn new(ground: &MultiPolygon<f64>) -> Self {
        let all: Vec<Edge> = rings(ground).flat_map(edges).collect();
        let low_y = all.iter().map(Edge::low_y).fold(f64::INFINITY, f64::min);
        let high_y = all.iter().map(Edge::high_y).fold(f64::NEG_INFINITY, f64::max);
        let height = high_y - low_y;
        let mut bands = if height > 0.0 { (all.len() / 2).clamp(1, 65_536) } else { 1 };
        // Tall edges stand in many bands: fewer bands then, so that memory stays proportional to the edges.
        loop {
            let copies: f64 = all.iter().map(|edge| (edge.high_y() - edge.low_y()) / height * bands as f64 + 1.0).sum();
            if bands == 1 || copies <= 8.0 * all.len() as f64 {
                break;
            }
            bands = bands.div_ceil(2);
        }
        let mut prepared = Self {
            low_y,
            per_metre: if bands == 1 { 0.0 } else { bands as f64 / height },
            starts: vec![0; bands + 1],
            edges: Vec::new(),
        };
        let span = |edge: &Edge| (prepared.band(edge.low_y()), prepared.band(edge.high_y()));
        let mut starts = vec![0_u32; bands + 1];
        for (low, high) in all.iter().map(span) {
            for count in &mut starts[low + 1..=high + 1] {
                *count += 1;
            }
        }
        for band in 0..bands {
            starts[band + 1] += starts[band];
        }
        let mut next = starts.clone();
        let nowhere = Edge { a: Coord::zero(), b: Coord::zero() };
        let mut placed = vec![nowhere; starts[bands] as usize];
        for edge in &all {
            let (low, high) = span(edge);
            for slot in &mut next[low..=high] {
                placed[*slot as usize] = *edge;
                *slot += 1;
            }
        }
        prepared.starts = starts;
        prepared.edges = placed;
        prepared
    }

    pub(super) fn is_empty(&self) -> bool {
        self.edges.is_empty()
    }

    /// The band of a height; the same monotone function for points and edges, so that no edge is missed by rounding.
    fn band(&self, y: f64) -> usize {
        (((y - self.low_y) * self.per_metre) as usize).min(self.starts.len() - 2)
    }

    fn in_band(&self, band: usize) -> &[Edge] {
        &self.edges[self.starts[band] as usize..self.starts[band + 1] as usize]
    }

    pub(super) fn locate(&self, at: Coord<f64>) -> Place {
        let mut inside = false;
        for edge in self.in_band(self.band(at.y)) {
            if at.y < edge.low_y() || at.y > edge.high_y() || at.x > edge.high_x() {
                continue;
            }
            let crosses = (edge.a.y > at.y) != (edge.b.y > at.y);
            if at.x < edge.low_x() {
                inside ^= crosses;
                continue;
            }
            match edge.side(at) {
                Orientation::Collinear => return Place::Boundary,
                side => inside ^= crosses && (side == Orientation::CounterClockwise) == (edge.b.y > edge.a.y),
            }
        }
        if inside { Place::Inside } else { Place::Outside }
    }

    /// Whether any edge meets the box `[low_x, high_x] × [low_y, high_y]`'s shadow: exact enough to tell that a polygon
    /// holds all of the box or none of it.
    pub(super) fn touches(&self, low: Coord<f64>, high: Coord<f64>) -> bool {
        (self.band(low.y)..=self.band(high.y)).any(|band| {
            self.in_band(band).iter().any(|edge| {
                edge.low_x() <= high.x && edge.high_x() >= low.x && edge.low_y() <= high.y && edge.high_y() >= low.y
            })
        })
    }

    /// Squared distance to the nearest edge.
    pub(super) fn squared_distance(&self, at: Coord<f64>) -> f64 {
        let bands = self.starts.len() - 1;
        let middle = self.band(at.y.max(self.low_y));
        let mut best = f64::INFINITY;
        // Bands are searched outwards from the point's own until they are farther than the nearest edge found.
        for step in 0..bands {
            let gap = if step == 0 || self.per_metre <= 0.0 { 0.0 } else { (step - 1) as f64 / self.per_metre };
            let beyond = self.gap_outside(at.y);
            if (gap + beyond).powi(2) > best {
                break;
            }
            let (below, above) = (middle.checked_sub(step), middle + step);
            for band in below.into_iter().chain((step > 0 && above < bands).then_some(above)) {
                for edge in self.in_band(band) {
                    best = best.min(edge.squared_distance(at));
                }
            }
        }
        best
    }

    /// How far the height lies outside all bands.
    fn gap_outside(&self, y: f64) -> f64 {
        let height = if self.per_metre > 0.0 { (self.starts.len() - 1) as f64 / self.per_metre } else { 0.0 };
        if self.per_metre > 0.0 { (self.low_y - y).max(y - self.low_y - height).max(0.0) } else { 0.0 }
    }
}
