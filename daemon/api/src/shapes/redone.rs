//! The shape of `benchward run redo`.

use serde::{Deserialize, Serialize};

/// `benchward run redo`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Redone {
    /// [`super::SCHEMA`].
    pub schema: u32,
    /// The run.
    pub run: u64,
    /// Whether everything that could be decided again was decided as it was then.
    pub identical: bool,
    /// Commands and journal entries that were the same.
    pub decisions: u64,
    /// Whether the record was closed then. If not, the run goes on, or the daemon died under it, and its end is not there to be compared.
    pub closed: bool,
    /// How much of the run that was, seconds.
    pub elapsed_s: f64,
    /// Why it is not all of the run; `None`: it is.
    pub incomplete: Option<String>,
    /// The first difference.
    pub difference: Option<RedoneDifference>,
}

/// A decision that is not what it was.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RedoneDifference {
    /// When.
    pub time: String,
    /// Seconds from the start of the run.
    pub elapsed_s: f64,
    /// What reached the station then.
    pub input: String,
    /// What was decided then.
    pub recorded: String,
    /// What is decided now.
    pub decided: String,
}
