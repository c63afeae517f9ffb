//! The rows of the control loops: every bench through every recipe by every method.

use std::fmt::Write as _;

use anyhow::{Context as _, Result, ensure};

use crate::family::{Plant, SET, Seeds};
use crate::figures::{largest, percentile, shown};
use crate::fopdt::{self, Fopdt};
use crate::lab::Alone;
use crate::method::Pi;
use crate::recipes::{self, Named};
use crate::run::{self, Plain, Run, Scored};
use crate::spread;

/// Who controls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The product, on a board that it has never seen.
    Lab,
    /// One PI for all benches, tuned on the median bench of the tuning set.
    Fixed,
    /// A PI for each bench, tuned by a step test on it.
    Simc,
}

impl By {
    /// All, in the order of the table.
    pub const ALL: [Self; 3] = [Self::Lab, Self::Fixed, Self::Simc];

    /// As the table writes it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Lab => "lab",
            Self::Fixed => "fixed",
            Self::Simc => "simc",
        }
    }

    /// What it is to keep to.
    const fn aims(self) -> Option<Aims> {
        match self {
            Self::Lab => Some(Aims {
                overshoot: (0.9, 3.0),
                arrival: (1.07, 1.30),
                dwell_rms: 1.3,
                ramp_excess: 0.05,
            }),
            Self::Fixed | Self::Simc => None,
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
}

/// One run with its figures; the run itself is dropped.
struct Result1 {
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
        Ok(Self { plants, fixed, each })
    }

    /// The benches.
    pub fn plants(&self) -> &[Plant] {
        &self.plants
    }

    /// What the fixed PI is tuned on.
    pub fn fixed(&self) -> Fopdt {
        self.fixed
    }

    /// One run.
    ///
    /// # Errors
    /// If the bench can't be put under that control.
    pub fn run(&self, bench: usize, recipe: &Named, by: By) -> Result<Run> {
        let plant = self
            .plants
            .get(bench)
            .with_context(|| format!("there is no bench {}, only 1 to {}", bench + 1, self.plants.len()))?;
        let recipe = &recipe.recipe;
        let pi = |plant: Fopdt| Plain::new(recipe, Box::new(Pi::simc(plant)));
        match by {
            By::Lab => {
                let mut alone = Alone::new(&plant.settings, recipe);
                let run = run::run(plant, recipe, &mut alone, None);
                ensure!(
                    alone.refused().is_none(),
                    "bench {}: the run was refused: {}",
                    bench + 1,
                    alone.refused().unwrap_or_default()
                );
                Ok(run)
            }
            By::Fixed => Ok(run::run(plant, recipe, &mut pi(self.fixed), None)),
            By::Simc => {
                let fit = self.each[bench]
                    .with_context(|| format!("bench {}: its step response can't be fitted", bench + 1))?;
                Ok(run::run(plant, recipe, &mut pi(fit), None))
            }
        }
    }

    /// The table's rows.
    ///
    /// # Errors
    /// The first run that couldn't be made.
    pub fn rows(&self, methods: &[By]) -> Result<String> {
        let mut text = format!(
            "{} benches, recipes A, B and C. Each figure over all stages; aims in brackets.\n\n{:8} {:>21} {:>17} {:>15} {:>12} {:>11}\n",
            self.plants.len(),
            "method",
            "overshoot °C",
            "arrival/bound",
            "dwell RMS °C",
            "ramp excess",
            "never"
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
            let mut jobs = Vec::new();
            for recipe in recipes::all() {
                for bench in 0..self.plants.len() {
                    jobs.push((bench, recipe.clone()));
                }
            }
            let results = spread::over(&jobs, |(bench, recipe)| -> Result<Result1> {
                let run = self.run(*bench, recipe, *by)?;
                Ok(Result1 {
                    scores: run.scores(&recipe.recipe),
                    stages: recipe.recipe.stages.len(),
                    completed: run.completed,
                    trips: run.trips.iter().map(|trip| trip.interlock.clone()).collect(),
                    energy_j: run.energy_j,
                })
            });
            let results = results.into_iter().collect::<Result<Vec<_>>>()?;
            text.push_str(&row(*by, &results));
        }
        Ok(text)
    }
}

fn row(by: By, results: &[Result1]) -> String {
    let scores = || results.iter().flat_map(|result| &result.scores);
    let overshoot: Vec<f64> = scores().map(|s| s.score.overshoot).collect();
    let arrival: Vec<f64> = scores().filter_map(Scored::arrival_by_bound).collect();
    let rms: Vec<f64> = scores().filter_map(|s| s.score.dwell_rms).collect();
    let ramp: Vec<f64> = scores().filter_map(|s| s.score.ramp_excess).collect();
    let stages: usize = results.iter().map(|result| result.stages).sum();
    let arrived = scores().filter(|s| s.score.arrival_s.is_some()).count();
    let trips: usize = results.iter().map(|result| result.trips.len()).sum();
    let done = results.iter().filter(|result| result.completed).count();
    let energy: f64 = results.iter().map(|result| result.energy_j).sum();
    let runs = f64::from(u32::try_from(results.len()).unwrap_or(u32::MAX));
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
        energy / runs / 1_000.0
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
