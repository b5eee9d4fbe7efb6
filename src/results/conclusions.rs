//! What the archive as a whole comes to.

use serde::Serialize;

use super::{Choices, DoseCurve, Synthesis, Worth};

/// The conclusions over all site-years.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Conclusions {
    /// Responses over site-years, priced.
    pub synthesis: Synthesis,
    /// What treating is worth over prices and costs.
    pub worth: Vec<Worth>,
    /// The treatments of each crop side by side.
    pub choices: Vec<Choices>,
    /// The response over rates, where several of one kind were tested.
    pub doses: Vec<DoseCurve>,
}
