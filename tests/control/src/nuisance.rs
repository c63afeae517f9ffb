//! What must not end a run: nothing at all, a draft, a sag of the mains, a lamp, a hood that was open before the start.

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

/// A work lamp is switched on and off.
fn lamp() -> Fault {
    Fault {
        for_s: Some(60.0),
        ..Fault::now(Kind::Lamp)
    }
}

/// Somebody lays the board in and shuts the hood; a cool board in cooler air, and the start a moment later.
fn door() -> Vec<Fault> {
    let hood = Fault {
        for_s: Some(1.0),
        ..Fault::now(Kind::HoodOpen)
    };
    vec![hood, draft()]
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
        "\nNuisance: {} fresh benches. A 30 s draft is 2.5 times the convection and air 3 °C colder, a sag is 15 % of the voltage for\n60 s, a lamp 300 W/m² on the board for 60 s; they come in the middle of ramp 1 or 2 or 8 s into the last dwell. A door is a hood\nthat is shut 1 s before the start, with a draft. Aim: no run ended.\n\n{:24} {:14} {:>6} {:>6} {:>22}  by\n{:24} {:14} {:>6} {:>6} {:>14} {:>7}\n",
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
        ("healthy", Disturbance::None, HEALTHY),
        ("draft", Disturbance::Under(draft()), DISTURBED),
        ("sag", Disturbance::Under(sag()), DISTURBED),
        ("lamp", Disturbance::Under(lamp()), DISTURBED),
        ("door", Disturbance::Before(door()), DISTURBED),
    ] {
        for (board, models) in [("first run", &none), ("known board", &learned)] {
            if board == "known board" && models.iter().all(Option::is_none) {
                let _ = writeln!(text, "{name:24} {board:14} the product has no board model yet");
                continue;
            }
            let jobs = jobs(scaled(runs), plants.len());
            let results = spread::over(&jobs, |job| {
                one(&plants[job.bench], models[job.bench].as_ref(), *job, &fault)
            });
            let results = results.into_iter().collect::<Result<Vec<_>>>()?;
            text.push_str(&line(name, board, &results));
        }
    }
    Ok(text)
}

/// A thousand healthy runs: 250 fresh benches, each with nothing, a draft, a lamp and a door, first runs and known boards in turn.
/// Every false trip is told with its bench, interlock and time. A share of the benches.
///
/// # Errors
/// A run that was refused.
pub fn thousand(share: f64) -> Result<String> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a few hundred"
    )]
    let benches = (250.0 * share).ceil() as u64;
    // Others than those of the rows above.
    let plants: Vec<Plant> = Seeds::Nuisance
        .plants(BENCHES + benches)
        .split_off(usize::try_from(BENCHES).unwrap_or(0));
    let places: Vec<usize> = (0..plants.len()).collect();
    // Every other bench has been learned from.
    let learned = spread::over(&places, |bench| match bench % 2 {
        0 => Ok(None),
        _ => knowledge::of_bench(&plants[*bench]),
    });
    let learned = learned.into_iter().collect::<Result<Vec<Option<Model>>>>()?;
    let disturbances = [
        ("nothing", Disturbance::None),
        ("draft", Disturbance::Under(draft())),
        ("lamp", Disturbance::Under(lamp())),
        ("door", Disturbance::Before(door())),
    ];
    let mut jobs = Vec::new();
    for bench in 0..plants.len() {
        for at in 0..disturbances.len() {
            let turn = bench / 2 + at;
            jobs.push((at, Job { bench, turn }));
        }
    }
    let came = spread::over(&jobs, |(at, job)| {
        one(
            &plants[job.bench],
            learned[job.bench].as_ref(),
            *job,
            &disturbances[*at].1,
        )
    });
    let came = came.into_iter().collect::<Result<Vec<_>>>()?;
    let mut text = format!(
        "\nHealthy runs: {} fresh benches, half of them known, each with {}. Aim: no run ended.\n\n",
        plants.len(),
        disturbances.each_ref().map(|(name, _)| *name).join(", ")
    );
    let mut ended = 0;
    for ((at, job), came) in jobs.iter().zip(&came) {
        let Some(by) = &came.ended_by else { continue };
        ended += 1;
        let _ = writeln!(
            text,
            "bench {} ({}), recipe {}, {}: {by}{}",
            plants[job.bench].number,
            if learned[job.bench].is_some() {
                "known"
            } else {
                "first run"
            },
            came.recipe,
            disturbances[*at].0,
            came.at_s.map_or(String::new(), |at| format!(" after {at:.1} s"))
        );
    }
    let _ = writeln!(text, "{} runs, {ended} ended", came.len());
    Ok(text)
}

/// What came of a run: the first trip's interlock, whether it was done, and the highest excess over the target.
struct Came {
    ended_by: Option<String>,
    /// When that was, seconds since the start, if it was a trip.
    at_s: Option<f64>,
    recipe: char,
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

/// What happens to a run that is to get through.
#[derive(Clone)]
enum Disturbance {
    None,
    /// At the moment of the bench's turn.
    Under(Fault),
    /// Just before the start.
    Before(Vec<Fault>),
}

fn one(plant: &Plant, model: Option<&Model>, job: Job, disturbance: &Disturbance) -> Result<Came> {
    let (recipe, moment) = turn(job.turn);
    let conditions = Conditions {
        upset: match disturbance {
            Disturbance::None => None,
            Disturbance::Under(fault) => Some(Upset {
                moment,
                faults: vec![fault.clone()],
            }),
            Disturbance::Before(faults) => Some(Upset {
                moment: Moment::BeforeStart,
                faults: faults.clone(),
            }),
        },
        ..Conditions::default()
    };
    // Another day than the one that a model was learned on.
    let day = 2 + u64::try_from(job.turn).unwrap_or(0);
    let (run, _) = lab::alone(&plant.on_day(day), &recipe.recipe, model, &conditions)?;
    Ok(Came {
        ended_by: ended_by(&run),
        at_s: run.trips.first().map(|trip| trip.at.seconds()),
        recipe: recipe.letter,
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
        for fault in [draft(), sag(), lamp()].into_iter().chain(door()) {
            assert_eq!(fault.check(&["tc1".to_owned()]), Ok(()));
        }
    }
}
