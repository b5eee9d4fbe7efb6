//! Lists of a few entries each, one behind the other.

/// Lists, by number.
#[derive(Debug, Clone)]
pub struct Lists<T> {
    all: Vec<T>,
    ends: Vec<usize>,
}

impl<T> Default for Lists<T> {
    fn default() -> Self {
        Self { all: Vec::new(), ends: Vec::new() }
    }
}

impl<T> Lists<T> {
    /// One more list.
    pub fn push(&mut self, list: impl IntoIterator<Item = T>) {
        self.all.extend(list);
        self.ends.push(self.all.len());
    }

    /// A list.
    pub fn get(&self, at: usize) -> &[T] {
        let start = at.checked_sub(1).map_or(0, |before| self.ends[before]);
        &self.all[start..self.ends[at]]
    }

    /// Number of lists.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// All lists in turn.
    pub fn iter(&self) -> impl Iterator<Item = &[T]> {
        (0..self.len()).map(|at| self.get(at))
    }
}
