//! What the decisions cost: CPU time of the thread, each event by itself. One run at a time, since others on the machine
//! would still cost caches.

use std::fmt::Write as _;

use anyhow::Result;

use crate::contest::Contest;
use crate::figures::{count, largest, percentile};
use crate::lab;
use crate::recipes;
use crate::run::Conditions;

/// Benches that are measured: they cover the kinds of heater.
const BENCHES: usize = 8;

/// The rows: a scan, which takes heat away at once, and a thought, which says how much a station gets.
///
/// # Errors
/// If the product refuses to start.
pub fn rows(contest: &Contest) -> Result<String> {
    let mut text =
        "\nCPU time of a decision, 4 readings a second, recipe A. Aim: a thought within 1 ms.\n\n".to_owned();
    let _ = writeln!(
        text,
        "{:24} {:>8} {:>9} {:>9} {:>9} {:>9}",
        "", "count", "mean us", "p99 us", "p99.9 us", "max us"
    );
    let Some(recipe) = recipes::of('A') else {
        return Ok(text);
    };
    for known in [false, true] {
        let (mut scans, mut thoughts) = (Vec::new(), Vec::new());
        for (at, plant) in contest.plants().iter().enumerate().take(BENCHES) {
            let model = if known { contest.learned(at)? } else { None };
            let (_, _, _, costs) = lab::watched(plant, &recipe.recipe, model, &Conditions::default())?;
            scans.extend(costs.scans);
            thoughts.extend(costs.thoughts);
        }
        let whose = if known { "known board" } else { "first run" };
        for (what, costs) in [("scan", scans), ("thought", thoughts)] {
            let us = |seconds: Option<f64>| {
                seconds.map_or("-".to_owned(), |seconds| format!("{:.1}", seconds * 1e6))
            };
            let mean = costs.iter().sum::<f64>() / count(costs.len().max(1));
            let _ = writeln!(
                text,
                "{:24} {:>8} {:>9} {:>9} {:>9} {:>9}",
                format!("{what}, {whose}"),
                costs.len(),
                us(Some(mean)),
                us(percentile(&costs, 99.0)),
                us(percentile(&costs, 99.9)),
                us(largest(&costs))
            );
        }
    }
    Ok(text)
}
