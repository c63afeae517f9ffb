//! What the product knows of a board before a run, learned from one run on it, and what it foretells with that.

use anyhow::Result;
use benchward_core::model::follow::{Follower, follow};
use benchward_core::model::learn;
use benchward_core::predict::{self, Expected, Start};
use benchward_core::recipe::Recipe;
use benchward_core::units::{Celsius, CelsiusDelta};
use benchward_core::{Row, Sample};
use benchward_driver_simulated::random::Random;

use crate::family::Plant;
use crate::lab;
use crate::recipes;
use crate::run::Conditions;

/// A board model.
pub type Model = benchward_core::model::BoardModel;

/// By how much a model that is off is off.
pub const OFF: f64 = 1.3;

/// The day of the run that is learned from: not one that is measured.
const LEARNING_DAY: u64 = 1;

/// How long a board is watched after its run, so that its cooling is learned too, seconds.
const COOLING_S: f64 = 600.0;

/// What the product learns from one run of recipe A, controlled as a first run is, with its cool-down. `None`: nothing.
///
/// # Errors
/// If the run is refused.
pub fn of_bench(plant: &Plant) -> Result<Option<Model>> {
    Ok(with_channels_of(plant)?.map(|(model, _)| model))
}

/// The same with how the channels follow.
///
/// # Errors
/// If the run is refused.
pub fn with_channels_of(plant: &Plant) -> Result<Option<(Model, Vec<Follower>)>> {
    let Some(recipe) = recipes::of('A') else {
        return Ok(None);
    };
    let conditions = Conditions {
        after_s: COOLING_S,
        ..Conditions::default()
    };
    let (_, rows) = lab::alone(&plant.on_day(LEARNING_DAY), &recipe.recipe, None, &conditions)?;
    Ok(learn(&rows, plant))
}

/// Learns from the readings of a run.
fn learn(rows: &[Row], plant: &Plant) -> Option<(Model, Vec<Follower>)> {
    let mut samples = Vec::new();
    let mut channels: Vec<Vec<Option<f64>>> = vec![Vec::new(); rows.first()?.values.len()];
    let mut heat = 0.0;
    let mut before = None;
    for row in rows {
        let read = |at: usize| match row.values.get(at) {
            Some(Some(Sample::Good(celsius))) => Some(*celsius),
            _ => None,
        };
        let Some(celsius) = read(0) else {
            continue;
        };
        for (at, channel) in channels.iter_mut().enumerate() {
            channel.push(read(at).map(Celsius::degrees));
        }
        samples.push(learn::Sample {
            dt: before.map_or(0.0, |before| row.at.since(before).seconds()),
            heat,
            celsius: celsius.degrees(),
        });
        heat = row.heat.share();
        before = Some(row.at);
    }
    let room = plant.settings.ambient_celsius;
    let learned = learn::learn(&samples, room)
        .inspect_err(|why| eprintln!("bench {}: {why}", plant.number))
        .ok()?;
    // One channel is the control temperature.
    let others = if channels.len() > 1 {
        channels.as_slice()
    } else {
        &[]
    };
    let followers = others
        .iter()
        .zip(plant.settings.sensor_ids())
        .filter_map(|(readings, id)| follow(&learned, room, &samples, &id.into(), readings))
        .collect();
    let model = Model {
        board: "AX-20 backplane".into(),
        revision: 1,
        learned_from: 1,
        belief: learned.belief,
        hottest: learned.hottest,
    };
    Some((model, followers))
}

/// A model whose parameters are each multiplied by the next of [`off_factors`].
#[must_use]
pub fn off_by_30(model: &Model, plant: &Plant) -> Model {
    let mut off = model.clone();
    for (at, factor) in (0..4).zip(off_factors(plant.number)) {
        off.belief.mean[at] += factor.ln();
        off.belief.sd[at] = off.belief.sd[at].max(0.25);
    }
    off
}

/// [`OFF`] or its inverse, one after the other as the bench's seed decides.
pub fn off_factors(seed: u64) -> impl Iterator<Item = f64> {
    /// A stream that nothing else of a bench draws from.
    const STREAM: u64 = 30;
    let mut coin = Random::new(seed, STREAM);
    std::iter::repeat_with(move || if coin.unit() < 0.5 { OFF } else { 1.0 / OFF })
}

/// How long a recipe takes, by what a model says or by what came.
#[derive(Debug, Clone, PartialEq)]
pub struct Times {
    /// For each stage: from its start to 1 °C below its target, seconds.
    pub ramps_s: Vec<f64>,
    /// From the start to the last dwell's end, seconds.
    pub total_s: f64,
    /// From there until the control channel is below the recipe's safe temperature, seconds.
    pub cooling_s: f64,
}

/// What is asked of a model before a run. `None` each: it says that it can't say.
#[derive(Debug, Clone, PartialEq)]
pub struct Foretold {
    /// From the start to 1 °C below each stage's target.
    pub arrivals: Vec<Option<Expected>>,
    /// From the start to the end of the stage before, seconds.
    pub begins_s: Vec<Option<f64>>,
    /// From the start to the last dwell's end.
    pub total: Option<Expected>,
    /// From the start to safe to handle.
    pub safe: Option<Expected>,
}

/// What a model says of a recipe, from a bench whose control channel reads `celsius`.
pub fn predict(model: &Model, recipe: &Recipe, celsius: f64) -> Foretold {
    let start = Start::at_rest(model, celsius, 1.0);
    let prediction = predict::predict(&start, recipe);
    // The table counts from the start of a stage to 1 °C below its target, the recipe to the edge of its band.
    let mut narrow = recipe.clone();
    for stage in &mut narrow.stages {
        stage.band = CelsiusDelta::constant(1.0);
    }
    let arrivals = predict::predict(&start, &narrow);
    let ends = prediction.stages.iter().map(|stage| stage.end);
    let begins = ends.map(|end| end.expected().map(|end| end.likely_s));
    Foretold {
        arrivals: arrivals
            .stages
            .iter()
            .map(|stage| stage.arrival.expected())
            .collect(),
        begins_s: std::iter::once(Some(0.0))
            .chain(begins)
            .take(recipe.stages.len())
            .collect(),
        total: prediction.heat_ends().expected(),
        safe: prediction.safe.expected(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factors_are_off_either_way_and_the_same_for_a_seed() {
        let drawn: Vec<f64> = off_factors(5).take(1_000).collect();
        let up = drawn.iter().filter(|factor| **factor > 1.0).count();
        assert!((400..600).contains(&up), "{up} of 1000 up");
        assert!(drawn.iter().all(|f| (f.ln().abs() - OFF.ln()).abs() < 1e-12));
        assert!(
            off_factors(5)
                .zip(&drawn)
                .take(1_000)
                .all(|(a, b)| a.to_bits() == b.to_bits())
        );
        assert!(
            off_factors(6)
                .zip(&drawn)
                .take(1_000)
                .any(|(a, b)| a.to_bits() != b.to_bits())
        );
    }
}
