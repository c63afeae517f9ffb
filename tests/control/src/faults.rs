//! What goes wrong on the bench: is it found, how soon, and how hot does the board get meanwhile.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use anyhow::Result;
use benchward_driver_simulated::faults::{Fault, Kind};
use benchward_driver_simulated::{Channels, Node, PerSensor};

use crate::family::Plant;
use crate::figures::{largest, percentile, shown};
use crate::knowledge::{self, Model};
use crate::lab;
use crate::recipes::{self, CONTROL, Named};
use crate::run::{Conditions, Moment, Run, Upset};
use crate::spread;

/// How long into the last dwell a fault comes, seconds.
const INTO_DWELL_S: f64 = 8.0;

/// One thing that goes wrong.
struct Case {
    name: &'static str,
    fault: Fault,
    /// A mistake of whoever set the bench up is there before the start and never comes later.
    only_before: bool,
    /// It takes two sensors.
    two: bool,
}

fn cases() -> Vec<Case> {
    let bead = |kind| Fault::of(kind, CONTROL);
    let case = |name, fault| Case {
        name,
        fault,
        only_before: false,
        two: false,
    };
    let peel = |name, over_s| {
        case(
            name,
            Fault {
                over_s: Some(over_s),
                ..bead(Kind::Peel)
            },
        )
    };
    vec![
        peel("peel over 2 s", 2.0),
        peel("peel over 8 s", 8.0),
        peel("peel over 20 s", 20.0),
        case(
            "60 % of contact lost",
            Fault {
                lost: Some(0.6),
                ..bead(Kind::Lifted)
            },
        ),
        case("bridged in the air", bead(Kind::Bridged)),
        case(
            "bridged at the body",
            Fault {
                place: Some(Node::Body),
                ..bead(Kind::Bridged)
            },
        ),
        case("reading stuck", bead(Kind::Stuck)),
        case("heater stuck on", Fault::now(Kind::HeaterStuckOn)),
        case("heater dead", Fault::now(Kind::HeaterDead)),
        case("half the heater", Fault::now(Kind::HeaterHalf)),
        Case {
            only_before: true,
            ..case("wires reversed", bead(Kind::Reversed))
        },
        Case {
            only_before: true,
            two: true,
            ..case("beads exchanged", Fault::now(Kind::Exchanged))
        },
    ]
}

/// When, and how the table calls it.
fn moments(recipe: &Named) -> [(&'static str, Moment); 4] {
    let last = recipe.recipe.stages.len() - 1;
    [
        ("ramp 1", Moment::RampMiddle(0)),
        ("ramp 2", Moment::RampMiddle(1)),
        ("last dwell", Moment::Dwell(last, INTO_DWELL_S)),
        ("before", Moment::BeforeStart),
    ]
}

/// The bench with so many of its sensors, or more of the same.
pub fn with_channels(plant: &Plant, count: usize) -> Plant {
    let mut plant = plant.clone();
    let settings = &mut plant.settings;
    for each in [&mut settings.sensor_lag_s, &mut settings.contact_error] {
        if let PerSensor::Each(values) = each {
            let last = values.last().copied().unwrap_or_default();
            values.resize(count, last);
        }
    }
    settings.channels = Channels::Count(count);
    plant
}

/// The recipe that a bench is tried with: every other bench gets the hotter one.
fn recipe_for(plant: &Plant) -> Option<Named> {
    recipes::of(if plant.number % 2 == 1 { 'A' } else { 'B' })
}

/// What came of one try.
struct Tried {
    /// The fault came at all; false where the run was over or refused before.
    upset: bool,
    /// Which interlock found it, or the guard of a first run, which asks a person and gives no heat; and after how many
    /// seconds.
    found: Option<(String, f64)>,
    /// A trip before anything was wrong.
    early: bool,
    /// °C above the target of the time, from the fault on.
    excess: f64,
}

fn tried(run: &Run, recipe: &Named) -> Tried {
    let upset_s = run.upset_s;
    // A fault from before the start counts from the start: nobody heats before.
    let since = upset_s.unwrap_or(0.0).max(0.0);
    let tripped = run
        .detected()
        .map(|trip| (trip.interlock.clone(), trip.at.seconds() - since));
    let asked = run
        .asked_s
        .filter(|at| *at >= since)
        .map(|at| ("guard".to_owned(), at - since));
    Tried {
        upset: upset_s.is_some() && !run.begun.is_empty(),
        found: tripped
            .into_iter()
            .chain(asked)
            .min_by(|one, other| one.1.total_cmp(&other.1)),
        early: upset_s.is_none() && !run.trips.is_empty(),
        excess: run.excess_from(upset_s.unwrap_or(0.0), &recipe.recipe),
    }
}

/// What the figures are to be at most, in a ramp.
const AIMS: &str = "\nAims for what is lost of contact, in ramps and in dwells: all of it found; excess at most 6 °C on a known board and 25 °C on a first\nrun, where it peels over 20 s 15 and 26 °C. The lab's ceiling is out of the way.\n";

/// The rows for benches with one channel and with two, on first runs and, where the product can learn, on known boards.
///
/// # Errors
/// A run that was refused without a reason.
pub fn rows(plants: &[Plant]) -> Result<String> {
    let mut text = AIMS.to_owned();
    for channels in [1, 2] {
        let plants: Vec<Plant> = plants
            .iter()
            .map(|plant| with_channels(plant, channels))
            .collect();
        let learned = spread::over(&plants, knowledge::of_bench)
            .into_iter()
            .collect::<Result<Vec<Option<Model>>>>()?;
        let none: Vec<Option<Model>> = plants.iter().map(|_| None).collect();
        for (name, models) in [("a first run", &none), ("a known board", &learned)] {
            let _ = writeln!(
                text,
                "\nFaults on {name}, {channels} channel{}: {} benches, recipe A on odd and B on even ones. Delay to the first trip or\nquestion of a first run's guard; excess of the true temperature over the target of its time, from the fault to 90 s after the cut.\n",
                if channels == 1 { "" } else { "s" },
                plants.len()
            );
            if channels > 0 && name == "a known board" && models.iter().all(Option::is_none) {
                text.push_str("the product has no board model yet\n");
                continue;
            }
            text.push_str(&section(&plants, models, channels)?);
        }
    }
    Ok(text)
}

fn section(plants: &[Plant], models: &[Option<Model>], channels: usize) -> Result<String> {
    let mut text = format!(
        "{:21} {:10} {:>8} {:>13} {:>15}  found by\n{:21} {:10} {:>8} {:>6} {:>6} {:>7} {:>7}\n",
        "", "", "found", "delay s", "excess °C", "fault", "in", "", "p50", "p95", "p95", "max"
    );
    let benches: Vec<(&Plant, &Option<Model>)> = plants.iter().zip(models).collect();
    for case in cases() {
        if case.two && channels < 2 {
            continue;
        }
        for at in 0..4 {
            if case.only_before && at < 3 {
                continue;
            }
            let results = spread::over(&benches, |(plant, model)| -> Result<Option<(&str, Tried)>> {
                let Some(recipe) = recipe_for(plant) else {
                    return Ok(None);
                };
                let (when, moment) = moments(&recipe)[at];
                let upset = Upset {
                    moment,
                    faults: vec![case.fault.clone()],
                };
                let (run, _) = lab::alone(plant, &recipe.recipe, model.as_ref(), &Conditions::from(upset))?;
                Ok(Some((when, tried(&run, &recipe))))
            });
            let results = results.into_iter().collect::<Result<Vec<_>>>()?;
            let results: Vec<(&str, Tried)> = results.into_iter().flatten().collect();
            let when = results.first().map_or("", |(when, _)| *when);
            let all: Vec<&Tried> = results.iter().map(|(_, tried)| tried).collect();
            text.push_str(&line(case.name, when, &all));
        }
    }
    Ok(text)
}

fn line(name: &str, when: &str, all: &[&Tried]) -> String {
    let upset: Vec<&&Tried> = all.iter().filter(|tried| tried.upset).collect();
    let delays: Vec<f64> = upset
        .iter()
        .filter_map(|tried| tried.found.as_ref().map(|(_, delay)| *delay))
        .collect();
    let excess: Vec<f64> = upset.iter().map(|tried| tried.excess).collect();
    let mut by: BTreeMap<&str, usize> = BTreeMap::new();
    for (interlock, _) in upset.iter().filter_map(|tried| tried.found.as_ref()) {
        *by.entry(interlock).or_default() += 1;
    }
    let mut by: Vec<String> = by.iter().map(|(name, count)| format!("{name} {count}")).collect();
    let early = all.iter().filter(|tried| tried.early).count();
    if early > 0 {
        by.push(format!("{early} tripped before"));
    }
    format!(
        "{name:21} {when:10} {:>8} {:>6} {:>6} {:>7} {:>7}  {}\n",
        format!("{}/{}", delays.len(), upset.len()),
        percentile(&delays, 50.0).map_or("-".to_owned(), |delay| format!("{delay:.1}")),
        percentile(&delays, 95.0).map_or("-".to_owned(), |delay| format!("{delay:.1}")),
        shown(percentile(&excess, 95.0)),
        shown(largest(&excess)),
        by.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::family;

    #[test]
    fn every_fault_can_be_caused_on_its_benches() {
        let plant = family::draw(1_000);
        for channels in [1, 2] {
            let bench = with_channels(&plant, channels);
            assert_eq!(bench.settings.check(), Ok(()));
            let ids = bench.settings.sensor_ids();
            assert_eq!(ids.len(), channels);
            for case in cases().into_iter().filter(|case| channels > 1 || !case.two) {
                assert_eq!(case.fault.check(&ids), Ok(()), "{}", case.name);
            }
        }
    }

    #[test]
    fn a_broken_wire_is_found_at_once_and_a_fault_comes_when_it_should() {
        let plant = with_channels(&family::draw(1_001), 1);
        let recipe = recipes::of('A').unwrap();
        for (moment, stage) in [(Moment::RampMiddle(1), 1), (Moment::Dwell(2, INTO_DWELL_S), 2)] {
            let upset = Upset {
                moment,
                faults: vec![Fault::of(Kind::Open, CONTROL)],
            };
            let (run, _) = lab::alone(&plant, &recipe.recipe, None, &Conditions::from(upset)).unwrap();
            let tried = tried(&run, &recipe);
            assert!(tried.upset && !tried.early);
            let (interlock, delay) = tried.found.unwrap();
            assert_eq!(interlock, "sensor-fault");
            assert!((0.0..2.0).contains(&delay), "{delay} s");
            assert_eq!(run.begun.len(), stage + 1);
            // Watched until a minute and a half after the trip.
            let end = run.points.last().unwrap().sight.time_s;
            assert!((end - run.upset_s.unwrap() - delay - 90.0).abs() < 0.2);
        }
    }
}
