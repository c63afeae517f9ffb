//! What is kept of a run, and how runs are asked for.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::wall::Wall;

/// Everything about a run but its readings.
///
/// Unknown keys are ignored and missing ones get their default when an older or newer record is read.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct RunRecord {
    /// Its number.
    pub run: u64,
    /// Where.
    pub station: String,
    /// The recipe's name.
    pub recipe: String,
    /// The recipe's revision.
    pub revision: u32,
    /// The recipe, whole, as it was carried out.
    pub recipe_text: String,
    /// Serial number of the board.
    pub serial: String,
    /// Who started it.
    pub operator: String,
    /// Wall time of the start.
    pub started: Wall,
    /// The core's monotonic time of the start, milliseconds; `elapsed_s` counts from here.
    pub started_mono_ms: u64,
    /// Wall time of the end; `None` while it goes on.
    pub ended: Option<Wall>,
    /// The core's monotonic time of the end, milliseconds.
    pub ended_mono_ms: Option<u64>,
    /// How it ended. Known before the end: readings go on while the board cools. `None` until it is decided.
    pub outcome: Option<Outcome>,
    /// What the process window says.
    pub verdict: Verdict,
    /// Hottest good reading of any channel, degrees Celsius.
    pub peak_celsius: Option<f64>,
    /// The station's channels, with the calibration in force.
    pub channels: Vec<ChannelRecord>,
    /// Stages as they went.
    pub stages: Vec<StageRecord>,
    /// Trips during the run.
    pub trips: Vec<TripRecord>,
    /// Number of the first journal entry that it rests on.
    pub journal_first: Option<u64>,
    /// Number of the last journal entry that it rests on.
    pub journal_last: Option<u64>,
    /// What people wrote about it.
    pub notes: String,
    /// What belongs to the run and has no field of its own: window lines, board model.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub more: BTreeMap<String, serde_json::Value>,
}

impl RunRecord {
    /// Over, readings included. The outcome may be known earlier.
    pub fn has_ended(&self) -> bool {
        self.ended.is_some()
    }
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// All stages done.
    Completed,
    /// A person or the end of the daemon stopped it.
    Stopped,
    /// An interlock acted.
    Tripped,
    /// The daemon died under it.
    Lost,
}

impl Outcome {
    /// `completed`, `stopped`, `tripped`, `lost`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Completed => "completed",
            Self::Stopped => "stopped",
            Self::Tripped => "tripped",
            Self::Lost => "lost",
        }
    }
}

/// What the process window says of a run as a whole.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// There was no window.
    #[default]
    None,
    /// Every line passed.
    Pass,
    /// A line failed.
    Fail,
    /// No line failed, and readings that are missing decide about one.
    Undecided,
}

impl Verdict {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::None, Self::Pass, Self::Fail, Self::Undecided];

    /// `none`, `pass`, `fail`, `undecided`.
    pub fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Undecided => "undecided",
        }
    }
}

/// A channel during a run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ChannelRecord {
    /// Its name, such as `board-top`.
    pub name: String,
    /// The input that it was wired to, such as `rack/tc1`.
    pub input: String,
    /// Added to every reading, degrees Celsius.
    #[serde(deserialize_with = "null_is_nan")]
    pub offset_celsius: f64,
    /// Letter of the thermocouple, where the daemon converted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub thermocouple: Option<String>,
    /// The calibration in force, in words: its date, what it rests on, who stored it.
    pub calibration: Option<String>,
    /// The day (UTC, its beginning) after which that is overdue.
    pub calibration_due: Option<Wall>,
}

/// A stage as it went.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StageRecord {
    /// Which, in the recipe's own counting.
    pub stage: u16,
    /// Its target, degrees Celsius.
    #[serde(deserialize_with = "null_is_nan")]
    pub target_celsius: f64,
    /// When it began.
    pub started: Wall,
    /// When its target was reached.
    pub reached: Option<Wall>,
    /// Time at target, seconds, as measured.
    #[serde(deserialize_with = "null_is_nan")]
    pub dwell_s: f64,
    /// Highest control temperature above the target, degrees Celsius.
    pub overshoot_celsius: Option<f64>,
}

/// JSON has no NaN and writes null for it. That must not make a record unreadable for good.
fn null_is_nan<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(deserializer)?.unwrap_or(f64::NAN))
}

/// A trip during a run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct TripRecord {
    /// Which interlock.
    pub interlock: String,
    /// When.
    pub at: Wall,
    /// When, the core's monotonic time, milliseconds.
    pub mono_ms: u64,
    /// The channel that did it.
    pub channel: Option<String>,
    /// The measured value.
    pub value: Option<f64>,
    /// The limit that it passed.
    pub limit: Option<f64>,
    /// Unit of both, such as `celsius` or `s`.
    pub unit: Option<String>,
    /// The whole in words.
    pub text: String,
}

/// Which runs. All that is given must hold; newest (highest number) first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Query {
    /// Serial number of the board, exactly.
    pub serial: Option<String>,
    /// Name of the recipe, exactly.
    pub recipe: Option<String>,
    /// Station, exactly.
    pub station: Option<String>,
    /// Who started it, exactly.
    pub operator: Option<String>,
    /// How it ended.
    pub outcome: Option<Outcome>,
    /// What its window says.
    pub verdict: Option<Verdict>,
    /// Started at or after.
    pub from: Option<Wall>,
    /// Started before.
    pub to: Option<Wall>,
    /// Only runs with a lower number: the next page.
    pub before_run: Option<u64>,
    /// At most so many; 0 counts as [`Query::PAGE`].
    pub limit: usize,
}

impl Query {
    /// Runs in a page when nothing else is asked for.
    pub const PAGE: usize = 50;

    /// Does this record answer the query? The limit and the page aside.
    pub fn matches(&self, run: &RunRecord) -> bool {
        let same = |wanted: &Option<String>, is: &str| wanted.as_deref().is_none_or(|wanted| wanted == is);
        same(&self.serial, &run.serial)
            && same(&self.recipe, &run.recipe)
            && same(&self.station, &run.station)
            && same(&self.operator, &run.operator)
            && self.outcome.is_none_or(|outcome| run.outcome == Some(outcome))
            && self.verdict.is_none_or(|verdict| run.verdict == verdict)
            && self.from.is_none_or(|from| run.started >= from)
            && self.to.is_none_or(|to| run.started < to)
            && self.before_run.is_none_or(|before| run.run < before)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn records_of_other_versions_are_read() {
        let text =
            r#"{"run": 7, "recipe": "AX-20 backplane", "from_the_future": 1, "stages": [{"dwell_s": null}]}"#;
        let run: RunRecord = serde_json::from_str(text).unwrap();
        assert_eq!(
            (run.run, run.recipe.as_str(), run.verdict),
            (7, "AX-20 backplane", Verdict::None)
        );
        assert!(run.stages[0].dwell_s.is_nan());
    }
}
