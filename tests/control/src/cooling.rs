//! Eased cool-down: how much steeper than its limit does the board fall.

use std::fmt::Write as _;
use std::sync::Arc;

use anyhow::{Context as _, Result};
use benchward_core::units::CelsiusPerSecond;

use crate::family::Plant;
use crate::figures::{largest, percentile, shown};
use crate::lab;
use crate::recipes;
use crate::run::{Conditions, Place, Run};
use crate::spread;

/// Time over which a slope is taken, seconds.
const OVER_S: f64 = 10.0;

/// The rows: recipe A with each limit, and without one.
///
/// # Errors
/// A run that was refused.
pub fn rows(plants: &[Plant]) -> Result<String> {
    let mut text = format!(
        "\nEased cool-down from 100 °C: {} benches, recipe A, first runs. Steepest fall of the true temperature over {OVER_S} s from the\nlast dwell to the end of the easing, and in the minute after the dwell without a limit.\n\n{:>12} {:>8} {:>23} {:>23}\n{:>12} {:>8} {:>7} {:>7} {:>7} {:>7} {:>7} {:>7}\n",
        plants.len(),
        "",
        "",
        "steepest °C/s",
        "above the limit",
        "limit °C/s",
        "done",
        "p50",
        "p95",
        "max",
        "p50",
        "p95",
        "max"
    );
    for limit in [None, Some(0.4), Some(0.2), Some(0.1)] {
        let runs = spread::over(plants, |plant| one(plant, limit))
            .into_iter()
            .collect::<Result<Vec<(bool, f64)>>>()?;
        let done = runs.iter().filter(|(done, _)| *done).count();
        let steepest: Vec<f64> = runs.iter().map(|(_, steepest)| *steepest).collect();
        let above: Vec<f64> = limit.map_or_else(Vec::new, |limit| {
            steepest
                .iter()
                .map(|steepest| (steepest - limit).max(0.0))
                .collect()
        });
        let _ = writeln!(
            text,
            "{:>12} {done:>8} {:>7} {:>7} {:>7} {:>7} {:>7} {:>7}",
            limit.map_or("none".to_owned(), |limit| format!("{limit}")),
            shown(percentile(&steepest, 50.0)),
            shown(percentile(&steepest, 95.0)),
            shown(largest(&steepest)),
            shown(percentile(&above, 50.0)),
            shown(percentile(&above, 95.0)),
            shown(largest(&above)),
        );
    }
    Ok(text)
}

/// Whether the run was done, and its steepest fall.
fn one(plant: &Plant, limit: Option<f64>) -> Result<(bool, f64)> {
    let named = recipes::of('A').context("there is no recipe A")?;
    let mut recipe = (*named.recipe).clone();
    recipe.cooldown.fall_max = limit
        .map(|limit| CelsiusPerSecond::new(limit).map_err(|_| anyhow::anyhow!("{limit} °C/s is no rate")))
        .transpose()?;
    let last = recipe.stages.len() - 1;
    let (run, _) = lab::alone(plant, &Arc::new(recipe), None, &Conditions::default())?;
    Ok((run.completed, steepest(&run, last, limit.is_none())))
}

/// Steepest fall from the last dwell on, °C/s; `on`: also in what is watched after the end.
fn steepest(run: &Run, last: usize, on: bool) -> f64 {
    let sights: Vec<(f64, f64)> = run
        .points
        .iter()
        .filter(|point| point.place == Place::Dwell(last) || on && point.place == Place::Done)
        .map(|point| (point.sight.time_s, point.sight.celsius))
        .collect();
    let mut from = 0;
    let mut steepest: f64 = 0.0;
    for (time_s, celsius) in &sights {
        while time_s - sights[from].0 > OVER_S + 1e-6 {
            from += 1;
        }
        let (before_s, before) = sights[from];
        if time_s - before_s >= OVER_S - 0.1 {
            steepest = steepest.max((before - celsius) / (time_s - before_s));
        }
    }
    steepest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::family;

    #[test]
    fn a_fall_is_eased() {
        let plant = family::draw(1_000);
        let (done, free) = one(&plant, None).unwrap();
        let (eased_done, eased) = one(&plant, Some(0.2)).unwrap();
        assert!(done && eased_done);
        assert!(free > 0.3, "{free}");
        assert!(eased < 0.25, "{eased}");
    }
}
