//! How well the product foretells a recipe on a board that it has learned from another one.

use std::fmt::Write as _;

use anyhow::Result;
use benchward_core::predict::Expected;
use benchward_core::recipe::Recipe;
use benchward_driver_simulated::Reading;

use crate::contest::{By, Contest};
use crate::figures::{count, largest, percentile};
use crate::knowledge::{self, Foretold, Times};
use crate::lab;
use crate::recipes;
use crate::run::{Conditions, LEAD, Run};
use crate::spread;

/// How long a board is watched until it is safe to handle, seconds. Heavy ones take a quarter of an hour.
const COOLING_S: f64 = 3_600.0;

/// What was measured of a run. `None`: it didn't get that far.
fn measured(run: &Run, recipe: &Recipe) -> Option<Times> {
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
    Some(Times {
        ramps_s,
        total_s,
        cooling_s: cool.sight.time_s - total_s,
    })
}

/// Errors of predictions in percent of what was measured, how often the ranges held, and how often nothing was foretold.
#[derive(Debug, Default, PartialEq)]
struct Errors {
    ramps: Kind,
    totals: Kind,
    coolings: Kind,
}

#[derive(Debug, Default, PartialEq)]
struct Kind {
    errors: Vec<f64>,
    /// Width of the ranges in percent of what was foretold.
    widths: Vec<f64>,
    held: usize,
    /// Said as such: near the bench's power limit, or out of its reach.
    open: usize,
}

impl Kind {
    /// `at`: the moment in the run. `length` and `foretold`: what the error is of.
    fn add(&mut self, expected: Expected, at: f64, foretold: f64, length: f64) {
        self.errors.push(100.0 * (foretold / length - 1.0).abs());
        self.widths
            .push(100.0 * (expected.latest_s - expected.earliest_s) / expected.likely_s);
        self.held += usize::from((expected.earliest_s..=expected.latest_s).contains(&at));
    }
}

impl Errors {
    /// `begins_s`: when each stage began, seconds from the start.
    fn add(&mut self, foretold: &Foretold, begins_s: &[f64], measured: &Times) {
        let stages = foretold.arrivals.iter().zip(&foretold.begins_s);
        for ((arrival, begin), (ramp, began)) in stages.zip(measured.ramps_s.iter().zip(begins_s)) {
            match (arrival, begin) {
                (Some(arrival), Some(begin)) => {
                    self.ramps
                        .add(*arrival, began + ramp, arrival.likely_s - begin, *ramp);
                }
                _ => self.ramps.open += 1,
            }
        }
        let total = measured.total_s;
        match foretold.total {
            Some(expected) => self.totals.add(expected, total, expected.likely_s, total),
            None => self.totals.open += 1,
        }
        let cooling = measured.cooling_s;
        match foretold.safe.zip(foretold.total) {
            Some((safe, ends)) => {
                self.coolings
                    .add(safe, total + cooling, safe.likely_s - ends.likely_s, cooling);
            }
            None => self.coolings.open += 1,
        }
    }
}

/// A line for each kind of moment.
fn table(errors: &Errors) -> String {
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{:10} {:>6} {:>6} {:>6} {:>6} {:>8} {:>12} {:>12}",
        "", "of", "p50", "p90", "max", "range", "held", "said open"
    );
    for (name, kind) in [
        ("ramps", &errors.ramps),
        ("total", &errors.totals),
        ("cooling", &errors.coolings),
    ] {
        let at = |percent| percentile(&kind.errors, percent).unwrap_or(f64::NAN);
        let of = kind.errors.len();
        let _ = writeln!(
            text,
            "{name:10} {of:>6} {:>6.1} {:>6.1} {:>6.1} {:>7.1}% {:>11.0}% {:>12}",
            at(50.0),
            at(90.0),
            largest(&kind.errors).unwrap_or(f64::NAN),
            percentile(&kind.widths, 50.0).unwrap_or(f64::NAN),
            100.0 * count(kind.held) / count(of.max(1)),
            kind.open,
        );
    }
    text
}

/// What was foretold, and when each stage began and what was measured, where the run got that far.
type Came = (Foretold, Option<(Vec<f64>, Times)>);

/// The row: models learned from recipe A, asked about B and C.
///
/// # Errors
/// A run that was refused.
pub fn row(contest: &Contest) -> Result<String> {
    let mut text = String::from(
        "\nPrediction: a model learned from one run of recipe A foretells B and C; errors in percent of what was measured.\nAims: ramps 2.5 (p50) and 10 (p90), cooling 3.5 and 12; ranges hold 90 %.\n\n",
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
    let pairs = spread::over(&jobs, |(bench, recipe)| -> Result<Option<Came>> {
        let Some(model) = contest.learned(*bench)? else {
            return Ok(None);
        };
        let mut readings = contest.plants()[*bench].bench().readings().into_iter();
        let Some((_, Reading::Celsius(celsius))) = readings.next() else {
            return Ok(None);
        };
        let foretold = knowledge::predict(model, &recipe.recipe, celsius);
        let Some(run) = contest.run(*bench, recipe, By::Learned, &conditions)? else {
            return Ok(None);
        };
        let begins: Vec<f64> = run.begun.iter().map(|begun| begun.at_s).collect();
        let came = measured(&run, &recipe.recipe).map(|measured| (begins, measured));
        Ok(Some((foretold, came)))
    });
    let mut errors = Errors::default();
    // Runs that didn't get to their end, and those of them of which that had been said.
    let (mut unfinished, mut said) = (0, 0);
    for pair in pairs {
        match pair? {
            Some((foretold, Some((begins, measured)))) => {
                errors.add(&foretold, &begins, &measured);
            }
            Some((foretold, None)) => {
                unfinished += 1;
                said += usize::from(foretold.total.is_none());
            }
            None => {}
        }
    }
    text.push_str(&table(&errors));
    let _ = writeln!(
        text,
        "range: median width. {unfinished} runs didn't get to safe to handle; of {said} of them that had been said."
    );
    Ok(text)
}

/// What was foretold on the way of a run on a board that nobody had seen.
#[derive(Debug, Default)]
struct Underway {
    /// When safe to handle was first foretold, in percent of the time until then.
    first: Vec<f64>,
    safe: Kind,
    /// Runs of which it never was.
    never: usize,
}

impl Underway {
    fn add(&mut self, foretold: &[benchward_core::predict::Foretold], measured: &Times) {
        let safe_s = measured.total_s + measured.cooling_s;
        let mut first = true;
        for one in foretold {
            let from_s = one.from.since(LEAD).seconds();
            let Some(expected) = one.prediction.safe.expected() else {
                self.safe.open += 1;
                continue;
            };
            if first {
                self.first.push(100.0 * from_s / safe_s);
                first = false;
            }
            // What is left, from the moment that it counts from. The last seconds are no time to foretell.
            let left = safe_s - from_s;
            if left > 30.0 {
                self.safe.add(expected, left, expected.likely_s, left);
            }
        }
        self.never += usize::from(first);
    }
}

/// The row of predictions on the way: first runs of B and C on boards that nobody has seen.
///
/// # Errors
/// A run that was refused.
pub fn underway(contest: &Contest) -> Result<String> {
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
    let came = spread::over(&jobs, |(bench, recipe)| {
        lab::watched(&contest.plants()[*bench], &recipe.recipe, None, &conditions)
            .map(|(run, _, foretold, _)| measured(&run, &recipe.recipe).map(|measured| (foretold, measured)))
    });
    let mut all = Underway::default();
    let mut unfinished = 0;
    for one in came {
        match one? {
            Some((foretold, measured)) => all.add(&foretold, &measured),
            None => unfinished += 1,
        }
    }
    let at = |values: &[f64], percent| percentile(values, percent).unwrap_or(f64::NAN);
    let of = all.safe.errors.len();
    Ok(format!(
        "\nSafe to handle, foretold on the way of a first run on an unknown board: first after {:.0} % of the time until then in the \
         median ({:.0} % at p90), never in {} of {} runs. {of} predictions of what was left: errors {:.1} % (p50), {:.1} % (p90), \
         ranges {:.0} % wide in the median, {:.0} % held. {} times nothing was promised. {unfinished} runs didn't get there.\n",
        at(&all.first, 50.0),
        at(&all.first, 90.0),
        all.never,
        jobs.len(),
        at(&all.safe.errors, 50.0),
        at(&all.safe.errors, 90.0),
        at(&all.safe.widths, 50.0),
        100.0 * count(all.safe.held) / count(of.max(1)),
        all.safe.open,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::family;

    #[test]
    fn errors_are_shares_of_what_was_measured() {
        let at = |likely_s: f64| {
            Some(Expected {
                likely_s,
                earliest_s: 0.9 * likely_s,
                latest_s: 1.1 * likely_s,
            })
        };
        let mut errors = Errors::default();
        errors.add(
            &Foretold {
                arrivals: vec![at(55.0), None],
                begins_s: vec![Some(0.0), Some(85.0)],
                total: at(210.0),
                safe: at(610.0),
            },
            &[0.0, 80.0],
            &Times {
                ramps_s: vec![50.0, 100.0],
                total_s: 200.0,
                cooling_s: 500.0,
            },
        );
        let expected = [10.0, 5.0, 20.0];
        let kinds = [&errors.ramps, &errors.totals, &errors.coolings];
        for (kind, expected) in kinds.into_iter().zip(expected) {
            assert_eq!(kind.errors.len(), 1);
            assert!(
                (kind.errors[0] - expected).abs() < 1e-9,
                "{kind:?}, not {expected}"
            );
            assert!((kind.widths[0] - 20.0).abs() < 1e-9);
        }
        assert_eq!(kinds.map(|kind| (kind.held, kind.open)), [(1, 1), (1, 0), (0, 0)]);
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
