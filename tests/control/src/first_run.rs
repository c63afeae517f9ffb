//! A bead that was loose before the first run began: how hot does the board get, and what does the guard cost healthy runs.

use std::fmt::Write as _;
use std::sync::Arc;

use anyhow::{Context as _, Result};
use benchward_core::recipe::{BOARD_GRAMS_MAX, Grams, Recipe};
use benchward_driver_simulated::Node;
use benchward_driver_simulated::faults::{Fault, Kind};

use crate::family::Plant;
use crate::faults::with_channels;
use crate::figures::{largest, percentile, shown};
use crate::lab;
use crate::recipes::{self, CONTROL};
use crate::run::{Conditions, Moment, Place, Upset};
use crate::spread;

/// What the run is guarded by.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Guarded {
    /// As good as nothing: the recipe says that the board is as heavy as any.
    Not,
    /// Nothing is known of the board.
    Lightest,
    /// The recipe says its mass.
    Grams,
    /// There are two channels.
    Channels,
}

impl Guarded {
    const ALL: [Self; 4] = [Self::Not, Self::Lightest, Self::Grams, Self::Channels];

    const fn words(self) -> &'static str {
        match self {
            Self::Not => "unguarded",
            Self::Lightest => "mass unknown",
            Self::Grams => "board_grams",
            Self::Channels => "two channels",
        }
    }

    fn plant(self, plant: &Plant) -> Plant {
        with_channels(plant, if self == Self::Channels { 2 } else { 1 })
    }

    fn recipe(self, recipe: &Recipe, plant: &Plant) -> Arc<Recipe> {
        let mut recipe = recipe.clone();
        recipe.board_mass = match self {
            Self::Not => Grams::new(BOARD_GRAMS_MAX),
            Self::Grams => Grams::new(plant.settings.board_grams),
            Self::Lightest | Self::Channels => None,
        };
        Arc::new(recipe)
    }
}

fn cases() -> Vec<(&'static str, Option<Fault>)> {
    let bead = |kind| Fault::of(kind, CONTROL);
    let peel = |over_s| {
        Some(Fault {
            over_s: Some(over_s),
            ..bead(Kind::Peel)
        })
    };
    vec![
        ("healthy", None),
        ("peels over 2 s", peel(2.0)),
        ("peels over 8 s", peel(8.0)),
        ("peels over 20 s", peel(20.0)),
        ("bridged in the air", Some(bead(Kind::Bridged))),
        (
            "bridged at the body",
            Some(Fault {
                place: Some(Node::Body),
                ..bead(Kind::Bridged)
            }),
        ),
        ("wires reversed", Some(bead(Kind::Reversed))),
        ("reading stuck", Some(bead(Kind::Stuck))),
    ]
}

/// What came of one run.
struct Came {
    excess: f64,
    arrival_s: Option<f64>,
    asked: bool,
    completed: bool,
    tripped: bool,
}

/// The rows, on recipe A for odd benches and on recipe B for even ones, healthy ones on both.
///
/// # Errors
/// A run that was refused without a reason.
pub fn rows(plants: &[Plant]) -> Result<String> {
    let mut text = format!(
        "\nLoose from the start, first run: {} benches, recipe A on odd and B on even ones, healthy runs on both. Nobody confirms.\nExcess of the true temperature over the target of its time; arrival at the first target. Aim with board_grams or two\nchannels: 30 °C.\n\n{:20} {:13} {:>5} {:>6} {:>6} {:>8} {:>15} {:>15}\n{:20} {:13} {:>5} {:>6} {:>6} {:>8} {:>7} {:>7} {:>7} {:>7}\n",
        plants.len(),
        "",
        "",
        "",
        "",
        "",
        "",
        "excess °C",
        "arrival s",
        "",
        "guarded by",
        "runs",
        "asked",
        "tripped",
        "done",
        "p95",
        "max",
        "p50",
        "p95"
    );
    for (name, fault) in cases() {
        for guarded in Guarded::ALL {
            let jobs: Vec<(&Plant, char)> = plants
                .iter()
                .flat_map(|plant| {
                    let odd = plant.number % 2 == 1;
                    ['A', 'B']
                        .into_iter()
                        .filter(move |letter| fault_free(name) || (*letter == 'A') == odd)
                        .map(move |letter| (plant, letter))
                })
                .collect();
            let came = spread::over(&jobs, |(plant, letter)| {
                one(plant, *letter, guarded, fault.as_ref())
            })
            .into_iter()
            .collect::<Result<Vec<Came>>>()?;
            text.push_str(&line(name, guarded, &came));
        }
    }
    Ok(text)
}

fn fault_free(name: &str) -> bool {
    name == "healthy"
}

fn one(plant: &Plant, letter: char, guarded: Guarded, fault: Option<&Fault>) -> Result<Came> {
    let plant = guarded.plant(plant);
    let named = recipes::of(letter).context("there is no such recipe")?;
    let recipe = guarded.recipe(&named.recipe, &plant);
    let conditions = Conditions {
        upset: fault.map(|fault| Upset {
            moment: Moment::BeforeStart,
            faults: vec![fault.clone()],
        }),
        ..Conditions::default()
    };
    let (run, _) = lab::alone(&plant, &recipe, None, &conditions)?;
    Ok(Came {
        excess: run.excess_from(0.0, &recipe),
        arrival_s: run
            .points
            .iter()
            .find(|point| matches!(point.place, Place::Dwell(_)))
            .map(|point| point.sight.time_s),
        asked: run.asked_s.is_some(),
        completed: run.completed,
        tripped: !run.trips.is_empty(),
    })
}

fn line(name: &str, guarded: Guarded, all: &[Came]) -> String {
    let of = |is: fn(&Came) -> bool| all.iter().filter(|came| is(came)).count();
    let excess: Vec<f64> = all.iter().map(|came| came.excess).collect();
    let arrivals: Vec<f64> = all.iter().filter_map(|came| came.arrival_s).collect();
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{name:20} {:13} {:>5} {:>6} {:>6} {:>8} {:>7} {:>7} {:>7} {:>7}",
        guarded.words(),
        all.len(),
        of(|came| came.asked),
        of(|came| came.tripped),
        of(|came| came.completed),
        shown(percentile(&excess, 95.0)),
        shown(largest(&excess)),
        shown(percentile(&arrivals, 50.0)),
        shown(percentile(&arrivals, 95.0)),
    );
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::family;

    #[test]
    fn a_loose_bead_is_asked_about_and_a_taped_one_is_not() {
        let plant = Plant {
            number: 1,
            ..family::draw(1_000)
        };
        let cases = cases();
        for guarded in [Guarded::Lightest, Guarded::Grams, Guarded::Channels] {
            let healthy = one(&plant, 'A', guarded, None).unwrap();
            assert!(healthy.completed && !healthy.asked, "{}", guarded.words());
            let loose = one(&plant, 'A', guarded, cases[2].1.as_ref()).unwrap();
            assert!(loose.asked && !loose.completed, "{}", guarded.words());
            assert!(loose.excess < 30.0, "{}: {}", guarded.words(), loose.excess);
        }
        // The same without a guard: it is there for something.
        let loose = one(&plant, 'A', Guarded::Not, cases[2].1.as_ref()).unwrap();
        assert!(loose.excess > 60.0, "{}", loose.excess);
    }
}
