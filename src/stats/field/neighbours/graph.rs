//! Which rows lie nearest before each row.

use super::super::{Columns, Lists};

/// Squared distance of the farthest neighbour, at most by that of the row before in most rows.
const NEXT_ROW: f64 = 1.3;
/// Width of a lane, by the side of the square that a row has to itself on average (ours; it changes the time, not the result).
const LANE: f64 = 2.0;

/// What rounding may take from the distance of a lane.
const SLACK: f64 = 1.0 - 1e-9;

/// Positions along the axis of greater extent and along the other, and the distance below which settings count as alike.
#[derive(Debug, Clone)]
pub(super) struct Places {
    pub(super) lead: Vec<f64>,
    pub(super) follow: Vec<f64>,
    pub(super) tolerance: f64,
}

/// The rows in their order, each with its neighbours among those before it and its setting.
#[derive(Debug, Clone)]
pub(super) struct Graph {
    pub(super) order: Vec<u32>,
    /// Neighbours (rows) of each row of the order, the nearest first.
    pub(super) neighbours: Lists<u32>,
    /// Setting of each row of the order.
    pub(super) setting: Vec<u32>,
    pub(super) levels: Levels,
}

/// The levels of a random effect about each row of an order. Empty without a random effect.
#[derive(Debug, Clone, Default)]
pub(super) struct Levels {
    /// Those about the row, its own first.
    pub(super) present: Lists<u32>,
    /// The row's parts of its own.
    pub(super) own: Lists<f64>,
    pub(super) of_neighbours: Lists<NeighbourLevel>,
}

/// A part that a neighbour has of a level: the place of each in its list.
#[derive(Debug, Clone, Copy)]
pub(super) struct NeighbourLevel {
    pub(super) neighbour: u32,
    pub(super) level: u32,
    pub(super) part: f64,
}

impl Levels {
    pub(super) fn new(columns: &Columns, order: &[u32], neighbours: &Lists<u32>) -> Self {
        let mut all = Self::default();
        if columns.random == 0 {
            return all;
        }
        let (mut present, mut of_neighbours) = (Vec::new(), Vec::new());
        for (index, &row) in order.iter().enumerate() {
            let own = columns.levels.get(row as usize);
            present.clear();
            of_neighbours.clear();
            present.extend(own.iter().map(|&(level, _)| level));
            for (neighbour, &other) in neighbours.get(index).iter().enumerate() {
                for &(level, part) in columns.levels.get(other as usize) {
                    let at = present.iter().position(|known| *known == level).unwrap_or_else(|| {
                        present.push(level);
                        present.len() - 1
                    });
                    of_neighbours.push(NeighbourLevel { neighbour: neighbour as u32, level: at as u32, part });
                }
            }
            all.own.push(own.iter().map(|&(_, part)| part));
            all.present.push(present.iter().copied());
            all.of_neighbours.push(of_neighbours.iter().copied());
        }
        all
    }
}

impl Places {
    /// Every row, along the leading axis.
    pub(super) fn order(&self) -> Vec<u32> {
        let mut order: Vec<u32> = (0..self.lead.len() as u32).collect();
        order.sort_by(|&a, &b| {
            let (one, other) = (a as usize, b as usize);
            (self.lead[one].total_cmp(&self.lead[other]))
                .then(self.follow[one].total_cmp(&self.follow[other]))
                .then(a.cmp(&b))
        });
        order
    }
}

/// Rows of an order so far, by where they lie across it.
pub(super) struct RowsBefore<'p> {
    places: &'p Places,
    from: f64,
    width: f64,
    /// Places in the order and rows, as they came.
    lanes: Vec<Vec<(u32, u32)>>,
    /// Squared distance within which the next row looks first.
    guess: f64,
    /// Squared distances, places in the order and rows: the nearest so far, and of equally near ones those that came last.
    found: Vec<(f64, u32, u32)>,
}

impl<'p> RowsBefore<'p> {
    pub(super) fn new(places: &'p Places) -> Self {
        let span = |values: &[f64]| {
            let low = values.iter().fold(f64::INFINITY, |a, &b| a.min(b));
            (low, values.iter().fold(f64::NEG_INFINITY, |a, &b| a.max(b)) - low)
        };
        let ((_, ahead), (from, across)) = (span(&places.lead), span(&places.follow));
        let rows = places.lead.len();
        let width = LANE * (ahead * across / rows as f64).sqrt();
        let count = if width > 0.0 { (across / width).ceil().clamp(1.0, rows as f64) } else { 1.0 };
        let lanes = vec![Vec::new(); count as usize];
        Self { places, from, width: across / count, lanes, guess: f64::INFINITY, found: Vec::new() }
    }

    fn lane(&self, row: usize) -> usize {
        let at = (self.places.follow[row] - self.from) / self.width;
        // a lane without width gives no number, which is 0 here
        (at as usize).min(self.lanes.len() - 1)
    }

    /// A row that comes next in the order.
    pub(super) fn push(&mut self, index: u32, row: u32) {
        let lane = self.lane(row as usize);
        self.lanes[lane].push((index, row));
    }

    /// The nearest rows so far, the nearest first.
    pub(super) fn nearest(&mut self, row: u32, count: usize) -> impl Iterator<Item = u32> {
        // rows beside each other have their neighbours about as far away
        let within = NEXT_ROW * self.guess;
        self.guess = self.look(row as usize, count, within);
        if self.found.len() < count && within.is_finite() {
            self.guess = self.look(row as usize, count, f64::INFINITY);
        }
        self.found.iter().map(|&(_, _, row)| row)
    }

    /// Fills `found` with the nearest within a squared distance, and gives that of the last where there are enough.
    fn look(&mut self, row: usize, count: usize, within: f64) -> f64 {
        self.found.clear();
        let home = self.lane(row);
        let mut farthest = within;
        for step in 0..self.lanes.len() {
            // how far away the next lanes begin at least, on either side
            let left = home.checked_sub(step).filter(|_| step > 0);
            let right = Some(home + step).filter(|&lane| lane < self.lanes.len());
            let offset = self.places.follow[row] - self.from;
            let reach = |edge: f64, side: f64| (side * (offset - edge * self.width)).max(0.0).powi(2);
            let mut is_near = false;
            for (lane, squared) in [
                (left, left.map_or(0.0, |lane| reach(lane as f64 + 1.0, 1.0))),
                (right, right.filter(|_| step > 0).map_or(0.0, |lane| reach(lane as f64, -1.0))),
            ] {
                if let Some(lane) = lane
                    && squared * SLACK <= farthest
                {
                    is_near = true;
                    farthest = self.look_in(lane, row, count, farthest);
                }
            }
            if !is_near {
                break;
            }
        }
        farthest
    }

    fn look_in(&mut self, lane: usize, row: usize, count: usize, mut farthest: f64) -> f64 {
        let Places { lead, follow, .. } = self.places;
        for &(index, other) in self.lanes[lane].iter().rev() {
            let ahead = (lead[row] - lead[other as usize]).powi(2);
            if ahead > farthest {
                break; // all others of the lane lie farther back
            }
            let squared = ahead + (follow[row] - follow[other as usize]).powi(2);
            let is_nearer = |known: &(f64, u32, u32)| squared < known.0 || (squared <= known.0 && index > known.1);
            if self.found.len() == count {
                if !self.found.last().is_some_and(is_nearer) {
                    continue;
                }
                self.found.pop();
            } else if !(squared < farthest) {
                continue;
            }
            let at = self.found.iter().rposition(|known| !is_nearer(known)).map_or(0, |before| before + 1);
            self.found.insert(at, (squared, index, other));
            if self.found.len() == count {
                farthest = self.found[count - 1].0;
            }
        }
        farthest
    }
}
