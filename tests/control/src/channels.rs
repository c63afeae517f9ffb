//! How well a plan foretells the other channels of a board: their temperatures, and the spread at the end of the dwell.

use std::fmt::Write as _;
use std::sync::Arc;

use anyhow::{Context as _, Result};
use benchward_core::model::follow::Follower;
use benchward_core::plan::{Plan, Requirements, plan};
use benchward_core::{Row, Sample};

use crate::family::Plant;
use crate::faults::with_channels;
use crate::figures::{count, largest, percentile, shown};
use crate::knowledge::{self, Model};
use crate::lab;
use crate::run::{Conditions, LEAD};
use crate::spread;

/// Channels of each bench.
const CHANNELS: usize = 3;
/// What is planned: final temperature, °C, and least dwell, s.
const PLANNED: [(f64, f64); 2] = [(120.0, 60.0), (150.0, 30.0)];
/// Spread that is asked for, °C.
const ASKED_SPREAD: f64 = 8.0;

/// What was foretold and what came, °C, and by how much it may be off.
#[derive(Debug, Clone, Copy)]
struct Pair {
    foretold: f64,
    margin: f64,
    came: f64,
}

impl Pair {
    fn error(self) -> f64 {
        (self.foretold - self.came).abs()
    }
}

/// What came of a plan.
#[derive(Debug, Default)]
struct Came {
    at_end: Vec<Pair>,
    hottest: Vec<Pair>,
    spread: Option<Pair>,
    /// What was asked of the spread was promised.
    promised: bool,
}

/// The row: boards learned from recipe A, planned for two temperatures with a spread of 8 degrees.
///
/// # Errors
/// A run or a plan that was refused.
pub fn row(plants: &[Plant]) -> Result<String> {
    let plants: Vec<Plant> = plants
        .iter()
        .map(|plant| with_channels(plant, CHANNELS))
        .collect();
    let learned = spread::over(&plants, knowledge::with_channels_of)
        .into_iter()
        .collect::<Result<Vec<_>>>()?;
    let jobs: Vec<_> = plants
        .iter()
        .zip(&learned)
        .filter_map(|(plant, known)| known.as_ref().map(|known| (plant, known)))
        .flat_map(|(plant, known)| PLANNED.map(|what| (plant, known, what)))
        .collect();
    let came: Vec<Came> = spread::over(&jobs, |(plant, (model, followers), what)| {
        one(plant, model, followers, *what)
    })
    .into_iter()
    .collect::<Result<Vec<_>>>()?
    .into_iter()
    .flatten()
    .collect();
    let mut text = format!(
        "\nChannels: {CHANNELS} on each of {} benches, learned from one run of recipe A, planned for 120 and 150 °C; errors in °C. Ranges are\nmeant to hold 90 %. A spread of {ASKED_SPREAD} °C is asked for.\n\n{:22} {:>6} {:>6} {:>6} {:>6} {:>8}\n",
        plants.len(),
        "",
        "of",
        "p50",
        "p90",
        "max",
        "held"
    );
    let all = |of: fn(&Came) -> &[Pair]| came.iter().flat_map(of).copied().collect::<Vec<_>>();
    for (name, pairs) in [
        ("at the dwell's end", all(|came| &came.at_end)),
        ("hottest", all(|came| &came.hottest)),
        ("spread", all(|came| came.spread.as_slice())),
    ] {
        let errors: Vec<f64> = pairs.iter().map(|pair| pair.error()).collect();
        let held = pairs.iter().filter(|pair| pair.error() <= pair.margin).count();
        let _ = writeln!(
            text,
            "{name:22} {:>6} {:>6} {:>6} {:>6} {:>7.0}%",
            errors.len(),
            shown(percentile(&errors, 50.0)),
            shown(percentile(&errors, 90.0)),
            shown(largest(&errors)),
            100.0 * count(held) / count(errors.len().max(1)),
        );
    }
    let spreads = |promised: bool| {
        came.iter()
            .filter(move |came| came.promised == promised)
            .filter_map(|came| came.spread)
    };
    let kept = spreads(true).filter(|pair| pair.came <= ASKED_SPREAD).count();
    let had = spreads(false).filter(|pair| pair.came <= ASKED_SPREAD).count();
    let _ = writeln!(
        text,
        "{ASKED_SPREAD} °C promised {} times and kept {kept} times; said to be out of reach {} times, and there {had} times all the same.",
        spreads(true).count(),
        spreads(false).count(),
    );
    Ok(text)
}

fn one(
    plant: &Plant,
    model: &Model,
    followers: &[Follower],
    (target, dwell_s): (f64, f64),
) -> Result<Option<Came>> {
    let asked = Requirements {
        name: "planned".into(),
        target,
        ramp_max: Some(1.5),
        dwell_s,
        safe: None,
        spread_max: Some(ASKED_SPREAD),
        parts: Vec::new(),
    };
    let start = plant.settings.ambient_celsius;
    let planned = plan(model, followers, start, 1.0, &asked).context("the plan")?;
    if planned.spread.is_none() {
        return Ok(None);
    }
    // What is foretold is held against a run that nothing holds back.
    let mut recipe = planned.recipe.clone();
    recipe.spread_max = None;
    let (run, rows) = lab::alone(plant, &Arc::new(recipe), Some(model), &Conditions::default())?;
    let Some(ended_s) = run
        .begun
        .last()
        .filter(|_| run.completed)
        .map(|stage| stage.ended_s)
    else {
        return Ok(None);
    };
    Ok(Some(compare(&planned, &rows, ended_s + LEAD.seconds())))
}

/// `ended_s`: end of the dwell by the rows' clock.
fn compare(planned: &Plan, rows: &[Row], ended_s: f64) -> Came {
    let mut came = Came {
        promised: planned.said.first().is_some_and(|said| said.contains("comes to")),
        ..Came::default()
    };
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (at, channel) in planned.channels.iter().enumerate() {
        let read = || {
            rows.iter().filter_map(|row| match row.values.get(at) {
                Some(Some(Sample::Good(celsius))) => Some((row.at.seconds(), celsius.degrees())),
                _ => None,
            })
        };
        // Noise is no temperature: means of two seconds.
        let near: Vec<f64> = read()
            .filter(|(time, _)| (time - ended_s).abs() <= 1.0)
            .map(|(_, celsius)| celsius)
            .collect();
        let end = near.iter().sum::<f64>() / count(near.len());
        let hottest = read()
            .map(|(_, celsius)| celsius)
            .fold(f64::NEG_INFINITY, f64::max);
        for (pairs, figure, came) in [
            (&mut came.at_end, channel.at_end, end),
            (&mut came.hottest, channel.hottest, hottest),
        ] {
            pairs.push(Pair {
                foretold: figure.celsius,
                margin: figure.margin,
                came,
            });
        }
        (low, high) = (low.min(end), high.max(end));
    }
    came.spread = planned.spread.map(|spread| Pair {
        foretold: spread.celsius,
        margin: spread.margin,
        came: high - low,
    });
    came
}
