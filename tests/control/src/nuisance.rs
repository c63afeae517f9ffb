//! What must not end a run: nothing at all, a draft, a sag of the mains.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use anyhow::Result;
use benchward_driver_simulated::faults::{Fault, Kind};

use crate::family::{Plant, Seeds};
use crate::figures::{count, largest, percentile, shown};
use crate::knowledge::{self, Model};
use crate::lab;
use crate::recipes::{self, Named};
use crate::run::{Conditions, Moment, Run, Upset};
use crate::spread;

/// Healthy runs. None ended of so many: fewer than 0.6 % would be, with 95 % confidence (rule of three).
const HEALTHY: usize = 500;

/// Runs with a draft, and as many with a sag.
const DISTURBED: usize = 200;

/// Benches that these runs are made on; each gets several.
const BENCHES: u64 = 170;

fn draft() -> Fault {
    Fault {
        factor: Some(2.5),
        colder_celsius: Some(3.0),
        for_s: Some(30.0),
        ..Fault::now(Kind::Gust)
    }
}

fn sag() -> Fault {
    Fault {
        for_s: Some(60.0),
        ..Fault::now(Kind::Sag)
    }
}

/// One run to be made: a bench, counted from 0, and what for.
#[derive(Clone, Copy)]
struct Job {
    bench: usize,
    /// Which of the bench's runs it is; decides about recipe and moment.
    turn: usize,
}

fn jobs(runs: usize, benches: usize) -> Vec<Job> {
    (0..runs)
        .map(|n| Job {
            bench: n % benches,
            turn: n / benches + n % benches,
        })
        .collect()
}

/// The rows: so many runs on fresh benches, and how many of them ended before they were done. A share of the runs with
/// fewer `benches`.
///
/// # Errors
/// A run that was refused.
pub fn rows(share: f64) -> Result<String> {
    let scaled = |runs: usize| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a few hundred"
        )]
        let runs = (count(runs) * share).ceil() as usize;
        runs.max(1)
    };
    let benches = u64::try_from(scaled(usize::try_from(BENCHES).unwrap_or(1))).unwrap_or(BENCHES);
    let plants = Seeds::Nuisance.plants(benches);
    let learned = spread::over(&plants, knowledge::of_bench)
        .into_iter()
        .collect::<Result<Vec<Option<Model>>>>()?;
    let none: Vec<Option<Model>> = plants.iter().map(|_| None).collect();
    let mut text = format!(
        "\nNuisance: {} fresh benches. A 30 s draft is 2.5 times the convection and air 3 °C colder, a sag is 15 % of the voltage for\n60 s; both come in the middle of ramp 1 or 2 or 8 s into the last dwell. Aim: no run ended.\n\n{:24} {:14} {:>6} {:>6} {:>22}  by\n{:24} {:14} {:>6} {:>6} {:>14} {:>7}\n",
        plants.len(),
        "",
        "",
        "",
        "",
        "excess °C",
        "",
        "",
        "runs",
        "ended",
        "p95",
        "max"
    );
    for (name, fault, runs) in [
        ("healthy", None, HEALTHY),
        ("draft", Some(draft()), DISTURBED),
        ("sag", Some(sag()), DISTURBED),
    ] {
        for (board, models) in [("first run", &none), ("known board", &learned)] {
            if board == "known board" && models.iter().all(Option::is_none) {
                let _ = writeln!(text, "{name:24} {board:14} the product has no board model yet");
                continue;
            }
            let jobs = jobs(scaled(runs), plants.len());
            let results = spread::over(&jobs, |job| {
                one(
                    &plants[job.bench],
                    models[job.bench].as_ref(),
                    *job,
                    fault.as_ref(),
                )
            });
            let results = results.into_iter().collect::<Result<Vec<_>>>()?;
            text.push_str(&line(name, board, &results));
        }
    }
    Ok(text)
}

/// What came of a run: the first trip's interlock, whether it was done, and the highest excess over the target.
struct Came {
    ended_by: Option<String>,
    excess: f64,
}

/// The recipe of a bench's turn, and when its disturbance comes.
fn turn(turn: usize) -> (Named, Moment) {
    let mut all = recipes::all();
    let (recipe, when) = (turn % all.len(), turn / all.len() % 3);
    let recipe = all.swap_remove(recipe);
    let last = recipe.recipe.stages.len() - 1;
    let moment = match when {
        0 => Moment::RampMiddle(0),
        1 => Moment::RampMiddle(1),
        _ => Moment::Dwell(last, 8.0),
    };
    (recipe, moment)
}

fn one(plant: &Plant, model: Option<&Model>, job: Job, fault: Option<&Fault>) -> Result<Came> {
    let (recipe, moment) = turn(job.turn);
    let conditions = Conditions {
        upset: fault.map(|fault| Upset {
            moment,
            faults: vec![fault.clone()],
        }),
        ..Conditions::default()
    };
    // Another day than the one that a model was learned on.
    let day = 2 + u64::try_from(job.turn).unwrap_or(0);
    let (run, _) = lab::alone(&plant.on_day(day), &recipe.recipe, model, &conditions)?;
    Ok(Came {
        ended_by: ended_by(&run),
        excess: run.excess_from(0.0, &recipe.recipe),
    })
}

fn ended_by(run: &Run) -> Option<String> {
    match run.trips.first() {
        Some(trip) => Some(trip.interlock.clone()),
        None if !run.completed => Some("not done in time".into()),
        None => None,
    }
}

fn line(name: &str, board: &str, all: &[Came]) -> String {
    let mut by: BTreeMap<&str, usize> = BTreeMap::new();
    for interlock in all.iter().filter_map(|came| came.ended_by.as_deref()) {
        *by.entry(interlock).or_default() += 1;
    }
    let excess: Vec<f64> = all.iter().map(|came| came.excess).collect();
    let by_text: Vec<String> = by.iter().map(|(name, count)| format!("{name} {count}")).collect();
    format!(
        "{name:24} {board:14} {:>6} {:>6} {:>14} {:>7}  {}\n",
        all.len(),
        by.values().sum::<usize>(),
        shown(percentile(&excess, 95.0)),
        shown(largest(&excess)),
        by_text.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_recipe_meets_every_moment() {
        let mut seen = std::collections::BTreeSet::new();
        for job in jobs(DISTURBED, 170) {
            let (recipe, moment) = turn(job.turn);
            seen.insert(format!("{} {moment:?}", recipe.letter));
        }
        assert_eq!(seen.len(), 9, "{seen:?}");
    }

    #[test]
    fn the_disturbances_are_ones_that_a_bench_takes() {
        for fault in [draft(), sag()] {
            assert_eq!(fault.check(&["tc1".to_owned()]), Ok(()));
        }
    }
}
