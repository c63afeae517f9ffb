//! The drivers' own records: what an output was told, and when, by `CLOCK_MONOTONIC`.

use std::path::Path;

use serde::Deserialize;

use crate::wait::wait_for;

/// One line of a record.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Change {
    /// When, in milliseconds of `CLOCK_MONOTONIC`.
    pub at_ms: f64,
    /// The output.
    pub output: String,
    /// What it was told.
    pub fraction: f64,
    /// Why: `heat`, `cut`, `lapsed`, `eof` and so on.
    pub why: String,
}

/// All whole lines of a record; none where there is no file yet.
///
/// # Panics
/// If a whole line can't be read.
pub fn changes(record: &Path) -> Vec<Change> {
    let text = std::fs::read_to_string(record).unwrap_or_default();
    // A line that is being written has no end yet.
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    whole
        .lines()
        .map(|line| {
            serde_json::from_str(line).unwrap_or_else(|error| panic!("{}: {line}: {error}", record.display()))
        })
        .collect()
}

/// Waits until the output has been told to heat, after that moment. Returns the change.
pub fn wait_for_heat(record: &Path, after_ms: f64) -> Change {
    wait_for(
        &format!("heat in the driver's record {}", record.display()),
        || {
            changes(record)
                .into_iter()
                .find(|change| change.at_ms > after_ms && change.fraction > 0.0)
        },
    )
}

/// Waits until the output stands at zero. Returns the change at which it came to that, if it came after that moment;
/// the last change otherwise.
///
/// # Panics
/// If it doesn't, or there never was a change.
pub fn wait_for_zero(record: &Path, after_ms: f64) -> Change {
    wait_for(
        &format!("zero heat in the driver's record {}", record.display()),
        || {
            let changes = changes(record);
            changes.last().filter(|last| last.fraction <= 0.0)?;
            let hot = changes.iter().rposition(|change| change.fraction > 0.0);
            let first = hot.map_or(0, |hot| hot + 1);
            // A change that was under way at the moment may still have been heat; what matters is the last zero run.
            changes
                .get(first)
                .filter(|zero| zero.at_ms > after_ms)
                .or(changes.last())
                .cloned()
        },
    )
}

/// Longest time between two heat commands after each other in `from_ms..=to_ms`, and from its ends to the nearest, in ms.
///
/// # Panics
/// If there is no heat command in it.
pub fn longest_gap_ms(record: &Path, from_ms: f64, to_ms: f64) -> f64 {
    let within = from_ms..=to_ms;
    let mut times: Vec<f64> = changes(record)
        .iter()
        .filter(|change| change.why == "heat" && within.contains(&change.at_ms))
        .map(|change| change.at_ms)
        .collect();
    assert!(
        !times.is_empty(),
        "{} has no heat command from {from_ms} to {to_ms} ms",
        record.display()
    );
    times.insert(0, from_ms);
    times.push(to_ms);
    times.windows(2).map(|pair| pair[1] - pair[0]).fold(0.0, f64::max)
}
