//! The rows of the control loops: every bench through every recipe by every method.

use std::fmt::Write as _;
use std::sync::OnceLock;

use anyhow::{Context as _, Result, anyhow};

use crate::family::{Plant, SET, Seeds};
use crate::figures::{count, largest, percentile, shown};
use crate::fopdt::{self, Fopdt};
use crate::knowledge::{self, Model};
use crate::lab;
use crate::method::Pi;
use crate::recipes::{self, Named};
use crate::run::{self, Conditions, Plain, Run, Scored};
use crate::spread;

/// Who controls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The product, on a board that it has never seen.
    First,
    /// The product, with a model learned from one run on the board.
    Learned,
    /// The product, with a model whose parameters are each 30 % off.
    OffBy30,
    /// One PI for all benches, tuned on the median bench of the tuning set.
    Fixed,
    /// A PI for each bench, tuned by a step test on it.
    Simc,
}

impl By {
    /// All, in the order of the table.
    pub const ALL: [Self; 5] = [Self::First, Self::Learned, Self::OffBy30, Self::Fixed, Self::Simc];

    /// As the table writes it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::First => "first",
            Self::Learned => "learned",
            Self::OffBy30 => "off-30",
            Self::Fixed => "fixed",
            Self::Simc => "simc",
        }
    }

    /// The methods of that name; `lab` are all of the product's.
    pub fn named(name: &str) -> Vec<Self> {
        let product = |by: &Self| matches!(by, Self::First | Self::Learned | Self::OffBy30);
        Self::ALL
            .into_iter()
            .filter(|by| by.text() == name || name == "lab" && product(by))
            .collect()
    }

    /// What it is to keep to.
    const fn aims(self) -> Option<Aims> {
        match self {
            Self::First => Some(Aims {
                overshoot: (0.9, 3.0),
                arrival: (1.07, 1.30),
                dwell_rms: 1.3,
                ramp_excess: 0.05,
            }),
            Self::Learned => Some(Aims {
                overshoot: (1.0, 3.0),
                arrival: (1.04, 1.12),
                dwell_rms: 0.65,
                ramp_excess: 0.05,
            }),
            Self::OffBy30 | Self::Fixed | Self::Simc => None,
        }
    }
}

/// What a row is to stay at or below.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Aims {
    /// p95 and maximum, °C.
    overshoot: (f64, f64),
    /// p50 and p95.
    arrival: (f64, f64),
    /// p95, °C.
    dwell_rms: f64,
    /// p95, °C/s.
    ramp_excess: f64,
}

/// The benches and what had to be found out about them first.
pub struct Contest {
    plants: Vec<Plant>,
    fixed: Fopdt,
    each: Vec<Option<Fopdt>>,
    learned: OnceLock<Vec<Result<Option<Model>>>>,
}

/// A run's figures; the run itself is dropped.
struct Ran {
    bench: u64,
    letter: char,
    scores: Vec<Scored>,
    stages: usize,
    completed: bool,
    trips: Vec<String>,
    energy_j: f64,
}

impl Contest {
    /// Draws the first `benches` of a set and tests the steps that the PI loops are tuned by.
    ///
    /// # Errors
    /// If the tuning set has no step that can be fitted.
    pub fn new(seeds: Seeds, benches: u64) -> Result<Self> {
        let plants = seeds.plants(benches);
        let fits: Vec<Fopdt> = spread::over(&Seeds::Tuning.plants(SET), fopdt::of_bench)
            .into_iter()
            .flatten()
            .collect();
        let fixed = Fopdt::median(&fits).context("no step response of the tuning set could be fitted")?;
        let each = spread::over(&plants, fopdt::of_bench);
        Ok(Self {
            plants,
            fixed,
            each,
            learned: OnceLock::new(),
        })
    }

    /// The benches.
    pub fn plants(&self) -> &[Plant] {
        &self.plants
    }

    /// What the product has learned of a bench, counted from 0.
    ///
    /// # Errors
    /// If the run that is learned from is refused.
    pub fn learned(&self, bench: usize) -> Result<Option<&Model>> {
        let all = self
            .learned
            .get_or_init(|| spread::over(&self.plants, knowledge::of_bench));
        match &all[bench] {
            Ok(model) => Ok(model.as_ref()),
            Err(error) => Err(anyhow!("{error:#}")),
        }
    }

    /// One run; `None` where the product has no model to run it with.
    ///
    /// # Errors
    /// If the bench can't be put under that control.
    pub fn run(&self, bench: usize, recipe: &Named, by: By, conditions: &Conditions) -> Result<Option<Run>> {
        let plant = self
            .plants
            .get(bench)
            .with_context(|| format!("there is no bench {}, only 1 to {}", bench + 1, self.plants.len()))?;
        let recipe = &recipe.recipe;
        let pi = |fopdt: Fopdt| {
            let mut plain = Plain::new(recipe, Box::new(Pi::simc(fopdt)));
            run::run(plant, recipe, &mut plain, conditions)
        };
        let product = |known: Option<&Model>| Ok(Some(lab::alone(plant, recipe, known, conditions)?.0));
        match by {
            By::First => product(None),
            By::Learned => match self.learned(bench)? {
                Some(model) => product(Some(model)),
                None => Ok(None),
            },
            By::OffBy30 => match self.learned(bench)? {
                Some(model) => product(Some(&knowledge::off_by_30(model, plant))),
                None => Ok(None),
            },
            By::Fixed => Ok(Some(pi(self.fixed))),
            By::Simc => {
                let fit = self.each[bench]
                    .with_context(|| format!("bench {}: its step response can't be fitted", bench + 1))?;
                Ok(Some(pi(fit)))
            }
        }
    }

    fn all(&self, by: By) -> Result<Vec<Ran>> {
        let mut jobs = Vec::new();
        for recipe in recipes::all() {
            for bench in 0..self.plants.len() {
                jobs.push((bench, recipe.clone()));
            }
        }
        let ran = spread::over(&jobs, |(bench, recipe)| -> Result<Option<Ran>> {
            let run = self.run(*bench, recipe, by, &Conditions::default())?;
            Ok(run.map(|run| Ran {
                bench: self.plants[*bench].number,
                letter: recipe.letter,
                scores: run.scores(&recipe.recipe),
                stages: recipe.recipe.stages.len(),
                completed: run.completed,
                trips: run.trips.iter().map(|trip| trip.interlock.clone()).collect(),
                energy_j: run.energy_j,
            }))
        });
        let ran = ran.into_iter().collect::<Result<Vec<_>>>()?;
        Ok(ran.into_iter().flatten().collect())
    }

    /// The table's rows.
    ///
    /// # Errors
    /// The first run that couldn't be made.
    pub fn rows(&self, methods: &[By]) -> Result<String> {
        let mut text = format!(
            "Control: {} benches, recipes A, B and C; figures over all stages, aims in brackets. `never arrived`: stages\nthat ended before the site was within 1 °C of its target; they have no arrival and no dwell.\n\n",
            self.plants.len(),
        );
        let _ = writeln!(
            text,
            "{:8} {:>21} {:>17} {:>15} {:>12} {:>11}",
            "method", "overshoot °C", "arrival/bound", "dwell RMS °C", "ramp excess", "never"
        );
        let _ = writeln!(
            text,
            "{:8} {:>6} {:>6} {:>7} {:>8} {:>8} {:>7} {:>7} {:>12} {:>11} {:>6} {:>6} {:>9}",
            "",
            "p50",
            "p95",
            "max",
            "p50",
            "p95",
            "p50",
            "p95",
            "p95 °C/s",
            "arrived",
            "trips",
            "done",
            "kJ/run"
        );
        for by in methods {
            let ran = self.all(*by)?;
            if ran.is_empty() {
                let _ = writeln!(text, "{:8} the product has no board model yet", by.text());
            } else {
                text.push_str(&row(*by, &ran));
            }
        }
        Ok(text)
    }

    /// Every stage by itself, as CSV: to find the bench behind a figure.
    ///
    /// # Errors
    /// The first run that couldn't be made.
    pub fn stages(&self, methods: &[By]) -> Result<String> {
        let mut text = String::from(
            "method,bench,recipe,stage,overshoot_celsius,arrival_s,bound_s,dwell_rms_celsius,ramp_excess_celsius_per_s,trips\n",
        );
        let number = |value: Option<f64>| value.map_or(String::new(), |value| format!("{value:.4}"));
        for by in methods {
            for ran in self.all(*by)? {
                for scored in &ran.scores {
                    let _ = writeln!(
                        text,
                        "{},{},{},{},{:.4},{},{},{},{},{}",
                        by.text(),
                        ran.bench,
                        ran.letter,
                        scored.stage + 1,
                        scored.score.overshoot,
                        number(scored.score.arrival_s),
                        number(scored.bound_s),
                        number(scored.score.dwell_rms),
                        number(scored.score.ramp_excess),
                        ran.trips.join(" ")
                    );
                }
            }
        }
        Ok(text)
    }
}

fn row(by: By, ran: &[Ran]) -> String {
    let scores = || ran.iter().flat_map(|ran| &ran.scores);
    let overshoot: Vec<f64> = scores().map(|s| s.score.overshoot).collect();
    let arrival: Vec<f64> = scores().filter_map(Scored::arrival_by_bound).collect();
    let rms: Vec<f64> = scores().filter_map(|s| s.score.dwell_rms).collect();
    let ramp: Vec<f64> = scores().filter_map(|s| s.score.ramp_excess).collect();
    let stages: usize = ran.iter().map(|ran| ran.stages).sum();
    let arrived = scores().filter(|s| s.score.arrival_s.is_some()).count();
    let trips: usize = ran.iter().map(|ran| ran.trips.len()).sum();
    let done = ran.iter().filter(|ran| ran.completed).count();
    let energy: f64 = ran.iter().map(|ran| ran.energy_j).sum();
    let at = |values: &[f64], percent| shown(percentile(values, percent));
    let mut text = format!(
        "{:8} {:>6} {:>6} {:>7} {:>8} {:>8} {:>7} {:>7} {:>12} {:>11} {:>6} {:>6} {:>9.0}\n",
        by.text(),
        at(&overshoot, 50.0),
        at(&overshoot, 95.0),
        shown(largest(&overshoot)),
        at(&arrival, 50.0),
        at(&arrival, 95.0),
        at(&rms, 50.0),
        at(&rms, 95.0),
        at(&ramp, 95.0),
        stages - arrived,
        trips,
        done,
        energy / count(ran.len()) / 1_000.0
    );
    if let Some(aims) = by.aims() {
        let bracket = |aim: f64| format!("[{aim:.2}]");
        let _ = writeln!(
            text,
            "{:8} {:>6} {:>6} {:>7} {:>8} {:>8} {:>7} {:>7} {:>12} {:>11} {:>6}",
            "  aim",
            "",
            bracket(aims.overshoot.0),
            bracket(aims.overshoot.1),
            bracket(aims.arrival.0),
            bracket(aims.arrival.1),
            "",
            bracket(aims.dwell_rms),
            bracket(aims.ramp_excess),
            "[0]",
            "[0]"
        );
    }
    text
}
