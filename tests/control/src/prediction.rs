//! How well the product foretells a recipe on a board that it has learned from another one.

use std::fmt::Write as _;

use anyhow::Result;
use benchward_core::recipe::Recipe;
use benchward_driver_simulated::Reading;

use crate::contest::{By, Contest};
use crate::figures::{largest, percentile};
use crate::knowledge::{self, Predicted};
use crate::recipes;
use crate::run::{Conditions, Run};
use crate::spread;

/// How long a board is watched until it is safe to handle, seconds. Heavy ones take a quarter of an hour.
const COOLING_S: f64 = 3_600.0;

/// What was measured of a run, in the words of [`Predicted`]. `None`: it didn't get that far.
fn measured(run: &Run, recipe: &Recipe) -> Option<Predicted> {
    let ramps_s = run
        .scores(recipe)
        .iter()
        .map(|scored| scored.score.arrival_s)
        .collect::<Option<Vec<f64>>>()?;
    let total_s = run.begun.last().filter(|_| run.completed)?.ended_s;
    let safe = recipe.cooldown.safe.degrees();
    let cool = run
        .points
        .iter()
        .find(|point| point.sight.time_s >= total_s && point.sight.celsius < safe)?;
    Some(Predicted {
        ramps_s,
        total_s,
        cooling_s: cool.sight.time_s - total_s,
    })
}

/// Errors of a prediction in percent of what was measured: of each ramp, of the total, of the cooling.
#[derive(Debug, Default, PartialEq)]
struct Errors {
    ramps: Vec<f64>,
    totals: Vec<f64>,
    coolings: Vec<f64>,
}

impl Errors {
    fn add(&mut self, predicted: &Predicted, measured: &Predicted) {
        let percent = |predicted: f64, measured: f64| 100.0 * (predicted / measured - 1.0).abs();
        for (predicted, measured) in predicted.ramps_s.iter().zip(&measured.ramps_s) {
            self.ramps.push(percent(*predicted, *measured));
        }
        self.totals.push(percent(predicted.total_s, measured.total_s));
        self.coolings
            .push(percent(predicted.cooling_s, measured.cooling_s));
    }
}

/// The row: models learned from recipe A, asked about B and C.
///
/// # Errors
/// A run that was refused.
pub fn row(contest: &Contest) -> Result<String> {
    let mut text = String::from(
        "\nPrediction: a model learned from one run of recipe A foretells B and C; errors in percent of what was measured.\nAims: ramps 4 (p50) and 12 (p90), cooling 5 and 15.\n\n",
    );
    let mut jobs = Vec::new();
    for letter in ['B', 'C'] {
        if let Some(recipe) = recipes::of(letter) {
            for bench in 0..contest.plants().len() {
                jobs.push((bench, recipe.clone()));
            }
        }
    }
    let conditions = Conditions {
        after_s: COOLING_S,
        ..Conditions::default()
    };
    let pairs = spread::over(
        &jobs,
        |(bench, recipe)| -> Result<Option<(Predicted, Predicted)>> {
            let readings: Vec<Reading> = contest.plants()[*bench]
                .bench()
                .readings()
                .into_iter()
                .map(|(_, reading)| reading)
                .collect();
            let Some(predicted) = contest
                .learned(*bench)?
                .and_then(|model| knowledge::predict(model, &recipe.recipe, &readings))
            else {
                return Ok(None);
            };
            let run = contest.run(*bench, recipe, By::Learned, &conditions)?;
            let measured = run.and_then(|run| measured(&run, &recipe.recipe));
            Ok(measured.map(|measured| (predicted, measured)))
        },
    );
    let mut errors = Errors::default();
    for pair in pairs {
        if let Some((predicted, measured)) = pair? {
            errors.add(&predicted, &measured);
        }
    }
    if errors.totals.is_empty() {
        text.push_str("the product has no board model yet\n");
        return Ok(text);
    }
    let _ = writeln!(
        text,
        "{:10} {:>6} {:>6} {:>6} {:>6}",
        "", "of", "p50", "p90", "max"
    );
    for (name, values) in [
        ("ramps", &errors.ramps),
        ("total", &errors.totals),
        ("cooling", &errors.coolings),
    ] {
        let at = |percent| percentile(values, percent).unwrap_or(f64::NAN);
        let _ = writeln!(
            text,
            "{name:10} {:>6} {:>6.1} {:>6.1} {:>6.1}",
            values.len(),
            at(50.0),
            at(90.0),
            largest(values).unwrap_or(f64::NAN)
        );
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{family, lab};

    #[test]
    fn errors_are_shares_of_what_was_measured() {
        let times = |ramps: &[f64], total_s, cooling_s| Predicted {
            ramps_s: ramps.to_vec(),
            total_s,
            cooling_s,
        };
        let mut errors = Errors::default();
        errors.add(
            &times(&[55.0, 90.0], 210.0, 400.0),
            &times(&[50.0, 100.0], 200.0, 500.0),
        );
        let expected = [10.0, 10.0, 5.0, 20.0];
        let all = errors.ramps.iter().chain(&errors.totals).chain(&errors.coolings);
        for (found, expected) in all.zip(expected) {
            assert!((found - expected).abs() < 1e-9, "{found}, not {expected}");
        }
    }

    #[test]
    fn a_run_is_measured_up_to_safe_to_handle() {
        let plant = family::draw(1_000);
        let recipe = recipes::of('A').unwrap().recipe;
        let conditions = Conditions {
            after_s: COOLING_S,
            ..Conditions::default()
        };
        let (run, _) = lab::alone(&plant, &recipe, None, &conditions).unwrap();
        let end = run.begun.last().unwrap().ended_s;
        // The bench of this seed gets within 1 °C of every target.
        let found = measured(&run, &recipe).unwrap();
        assert_eq!(found.ramps_s.len(), 3);
        assert!((found.total_s - end).abs() < 1e-9 && found.cooling_s > 5.0);
        let (short, _) = lab::alone(&plant, &recipe, None, &Conditions::default()).unwrap();
        assert_eq!(
            measured(&short, &recipe),
            None,
            "it wasn't watched until it was cool"
        );
    }
}
