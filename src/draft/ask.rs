//! Questions: what the data do not decide, asked once an archive.

use std::collections::BTreeMap;

/// A question; its answer stands in `[answers]` of archive.toml.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// The key under `[answers]`.
    pub key: String,
    /// What is asked.
    pub asks: String,
    /// The answers that come into question, the most probable first, with their probabilities.
    pub answers: Vec<(String, f64)>,
    /// What decides it.
    pub decides: String,
}

/// The questions of an archive.
#[derive(Debug, Clone, Default)]
pub(super) struct Questions {
    asked: BTreeMap<String, Question>,
    taken: Vec<String>,
}

impl Questions {
    /// With the keys that an archive has asked by already.
    pub(super) fn besides(taken: Vec<String>) -> Self {
        Self { asked: BTreeMap::new(), taken }
    }

    /// Asks, or finds the same question asked before; returns what stands in the settings for the answer.
    pub(super) fn ask(&mut self, stem: &str, asks: &str, answers: Vec<(String, f64)>, decides: &str) -> String {
        let alike = |known: &Question| {
            let texts = |answers: &[(String, f64)]| {
                let mut texts: Vec<String> = answers.iter().map(|answer| answer.0.clone()).collect();
                texts.sort();
                texts
            };
            known.asks == asks && texts(&known.answers) == texts(&answers)
        };
        let known = self.asked.values().find(|known| alike(known)).map(|known| known.key.clone());
        let key = known.unwrap_or_else(|| {
            let mut key = stem.to_owned();
            let mut number = 1;
            while self.asked.contains_key(&key) || self.taken.contains(&key) {
                number += 1;
                key = format!("{stem}_{number}");
            }
            let question = Question { key: key.clone(), asks: asks.to_owned(), answers, decides: decides.to_owned() };
            self.asked.insert(key.clone(), question);
            key
        });
        format!("?{key}")
    }

    pub(super) fn all(&self) -> Vec<Question> {
        self.asked.values().cloned().collect()
    }
}
