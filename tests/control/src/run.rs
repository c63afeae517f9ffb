//! One run: a bench, whoever decides about its heat, and what came of it.

use benchward_core::recipe::Recipe;
use benchward_core::units::{CelsiusPerSecond, Millis};
use benchward_driver_simulated::faults::{Fault, Kind};
use benchward_driver_simulated::{Bench, Reading};

use crate::bound::{self, Site};
use crate::family::Plant;
use crate::method::{Asked, Method};
use crate::recipes::STAGE_MAX_S;
use crate::relay::Firing;
use crate::score::{self, Course, Score, Sight};

/// Step of the world: the lab's tick and the bench's own step.
pub const STEP: Millis = Millis(50);

/// How long the bench is only looked at before the run is started: somebody who tapes a bead down reads it before they start.
pub const LEAD: Millis = Millis(12_000);

/// How long the board is watched after the last dwell unless asked otherwise, seconds: no heater of the family coasts longer.
const AFTER_S: f64 = 60.0;

/// How long it is watched after a trip, seconds.
const AFTER_TRIP_S: f64 = 90.0;

/// Where a run is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Not started.
    Waiting,
    /// On the way to a stage's target; stages are counted from 0.
    Ramp(usize),
    /// At it.
    Dwell(usize),
    /// All stages are done.
    Done,
    /// It was ended by an interlock.
    Tripped,
}

impl Place {
    /// The stage, while there is one.
    pub const fn stage(self) -> Option<usize> {
        match self {
            Self::Ramp(stage) | Self::Dwell(stage) => Some(stage),
            Self::Waiting | Self::Done | Self::Tripped => None,
        }
    }
}

/// A trip: which interlock, and when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trip {
    /// Its name.
    pub interlock: String,
    /// What it said.
    pub text: String,
    /// When, by the run's clock.
    pub at: Millis,
}

/// Whoever decides about the heat of one bench.
pub trait Decides {
    /// New readings, in the sensors' order.
    fn scan(&mut self, now: Millis, readings: &[Reading]);
    /// Whether the next readings find the hood shut.
    fn hood(&mut self, _shut: bool) {}
    /// Time has passed.
    fn tick(&mut self, now: Millis);
    /// The run shall start.
    fn start(&mut self, now: Millis);
    /// Share of full power that the output was told.
    fn heat(&self) -> f64;
    /// Whether the contactor is open.
    fn cut(&self) -> bool;
    /// Where the run is.
    fn place(&self) -> Place;
    /// The trips so far.
    fn trips(&self) -> &[Trip] {
        &[]
    }
}

/// When something goes wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Moment {
    /// Before the run is started.
    BeforeStart,
    /// When the site is half way from a stage's start to its target.
    RampMiddle(usize),
    /// So many seconds into a stage's dwell.
    Dwell(usize, f64),
}

/// Something goes wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Upset {
    /// When.
    pub moment: Moment,
    /// What.
    pub faults: Vec<Fault>,
}

/// What a run is made under.
#[derive(Debug, Clone, PartialEq)]
pub struct Conditions {
    /// What goes wrong.
    pub upset: Option<Upset>,
    /// How long the board is watched after the last dwell, seconds.
    pub after_s: f64,
}

impl Default for Conditions {
    /// Nothing goes wrong.
    fn default() -> Self {
        Self {
            upset: None,
            after_s: AFTER_S,
        }
    }
}

impl From<Upset> for Conditions {
    fn from(upset: Upset) -> Self {
        Self {
            upset: Some(upset),
            ..Self::default()
        }
    }
}

/// One moment of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// The site's true temperature, with the time since the run's start.
    pub sight: Sight,
    /// The newest reading of the control channel.
    pub reading: Option<f64>,
    /// Share of full power that the output was told.
    pub heat: f64,
    /// Where the run was.
    pub place: Place,
}

/// A stage that was begun.
#[derive(Debug, Clone)]
pub struct Begun {
    /// When, seconds since the run's start.
    pub at_s: f64,
    /// When its dwell ended, or the run did.
    pub ended_s: f64,
    /// The bench as it was then.
    pub bench: Bench,
}

/// What came of a run.
#[derive(Debug, Clone)]
pub struct Run {
    /// Every 50 ms from the start.
    pub points: Vec<Point>,
    /// The stages that were begun.
    pub begun: Vec<Begun>,
    /// Whether all stages were done.
    pub completed: bool,
    /// The trips.
    pub trips: Vec<Trip>,
    /// When a person was first asked to look at the sensors, seconds since the start.
    pub asked_s: Option<f64>,
    /// What the heater took, joules.
    pub energy_j: f64,
    /// When something went wrong, seconds since the start; `None`: nothing did.
    pub upset_s: Option<f64>,
}

/// A stage's figures with its bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scored {
    /// The stage, counted from 0.
    pub stage: usize,
    /// Its figures.
    pub score: Score,
    /// The time-optimal bound, seconds, from where the bench stood when the stage began.
    pub bound_s: Option<f64>,
}

impl Scored {
    /// Arrival as a multiple of the bound.
    pub fn arrival_by_bound(&self) -> Option<f64> {
        Some(self.score.arrival_s? / self.bound_s?)
    }
}

impl Run {
    /// The first trip after something went wrong, or at all if nothing did.
    pub fn detected(&self) -> Option<&Trip> {
        let from = self.upset_s.unwrap_or(0.0);
        self.trips.iter().find(|trip| trip.at.seconds() >= from)
    }

    /// How far the site was above the target of its time at most, from `from_s` on; after the last stage its target counts on.
    pub fn excess_from(&self, from_s: f64, recipe: &Recipe) -> f64 {
        let mut stage = 0;
        let mut excess: f64 = 0.0;
        for point in &self.points {
            stage = point.place.stage().unwrap_or(stage);
            if point.sight.time_s >= from_s - 1e-9
                && let Some(asked) = recipe.stages.get(stage)
            {
                excess = excess.max(point.sight.celsius - asked.target.degrees());
            }
        }
        excess
    }

    /// Figures of every stage that was begun.
    pub fn scores(&self, recipe: &Recipe) -> Vec<Scored> {
        let sights: Vec<Sight> = self.points.iter().map(|point| point.sight).collect();
        let end = sights.last().map_or(0.0, |sight| sight.time_s);
        self.begun
            .iter()
            .zip(&recipe.stages)
            .enumerate()
            .map(|(at, (begun, stage))| {
                let (target, ramp_max) = (
                    stage.target.degrees(),
                    stage.ramp_max.map(CelsiusPerSecond::per_second),
                );
                let last = at + 1 == self.begun.len();
                let course = Course {
                    target,
                    ramp_max,
                    began_s: begun.at_s,
                    ended_s: begun.ended_s,
                    watched_s: if last { end } else { begun.ended_s },
                };
                Scored {
                    stage: at,
                    score: score::stage(&sights, &course),
                    bound_s: bound::time_s(&Site::of(&begun.bench), target, ramp_max),
                }
            })
            .collect()
    }
}

/// Puts a bench through a recipe. Ends a while after the last dwell or a trip, or when a stage takes longer than it may.
pub fn run(plant: &Plant, recipe: &Recipe, by: &mut dyn Decides, conditions: &Conditions) -> Run {
    let mut bench = plant.bench();
    let period = Millis::from_secs_f64(1.0 / plant.settings.rate_hz);
    let mut waiting = conditions.upset.as_ref();
    let mut run = Run {
        points: Vec::new(),
        begun: Vec::new(),
        completed: false,
        trips: Vec::new(),
        asked_s: None,
        energy_j: 0.0,
        upset_s: None,
    };
    let mut now = Millis::ZERO;
    let mut next_scan = period;
    let mut reading = None;
    let mut dwell_since = None;
    let mut ended_s: Option<f64> = None;
    loop {
        let time_s = now.seconds() - LEAD.seconds();
        if now == LEAD {
            by.start(now);
        }
        // What has changed since the step before.
        let place = by.place();
        let before = run.points.last().map_or(Place::Waiting, |point| point.place);
        if place.stage() != before.stage() {
            if let Some(ended) = before.stage().and_then(|stage| run.begun.get_mut(stage)) {
                ended.ended_s = time_s;
            }
            if place.stage().is_some() {
                run.begun.push(Begun {
                    at_s: time_s,
                    ended_s: f64::INFINITY,
                    bench: bench.clone(),
                });
            }
        }
        if place != before {
            dwell_since = matches!(place, Place::Dwell(_)).then_some(time_s);
            if matches!(place, Place::Done | Place::Tripped) {
                ended_s = Some(time_s);
            }
        }
        let site = bench.site_celsius(0).unwrap_or(f64::NAN);
        if now >= LEAD {
            run.points.push(Point {
                sight: Sight {
                    time_s,
                    celsius: site,
                },
                reading,
                heat: by.heat(),
                place,
            });
        }
        if let Some(upset) = waiting
            && due(upset.moment, place, site, time_s, dwell_since, &run.begun, recipe)
        {
            for fault in &upset.faults {
                bench.cause(fault.clone());
            }
            run.upset_s = Some(time_s);
            waiting = None;
        }
        let after = if place == Place::Tripped {
            AFTER_TRIP_S
        } else {
            conditions.after_s
        };
        if ended_s.is_some_and(|ended| time_s >= ended + after)
            || place
                .stage()
                .and_then(|stage| run.begun.get(stage))
                .is_some_and(|begun| {
                    time_s >= begun.at_s + STAGE_MAX_S + dwell_s(recipe, run.begun.len() - 1)
                })
        {
            if let Some(begun) = run.begun.last_mut() {
                begun.ended_s = begun.ended_s.min(time_s);
            }
            break;
        }
        // On to the next step.
        bench.open_contactor(by.cut());
        let firing = Firing {
            heat: by.heat(),
            window_ms: plant.settings.window_ms,
            offset_ms: 0,
        };
        bench.advance(STEP.seconds(), firing.share(now, STEP.seconds() * 1_000.0));
        now = now + STEP;
        by.tick(now);
        if now >= next_scan {
            next_scan = next_scan + period;
            let readings: Vec<Reading> = bench.readings().into_iter().map(|(_, reading)| reading).collect();
            if let Some(Reading::Celsius(celsius)) = readings.first() {
                reading = Some(*celsius);
            }
            by.hood(!bench.suffers(Kind::HoodOpen));
            by.scan(now, &readings);
        }
    }
    run.completed = by.place() == Place::Done;
    run.energy_j = bench.supplied_j();
    run.trips = by
        .trips()
        .iter()
        .map(|trip| Trip {
            interlock: trip.interlock.clone(),
            text: trip.text.clone(),
            at: trip.at.since(LEAD),
        })
        .collect();
    run
}

fn dwell_s(recipe: &Recipe, stage: usize) -> f64 {
    recipe
        .stages
        .get(stage)
        .map_or(0.0, |stage| stage.dwell.seconds())
}

/// Whether the moment has come.
fn due(
    moment: Moment,
    place: Place,
    site: f64,
    time_s: f64,
    dwell_since: Option<f64>,
    begun: &[Begun],
    recipe: &Recipe,
) -> bool {
    match moment {
        Moment::BeforeStart => true,
        Moment::RampMiddle(stage) => {
            let (Some(begun), Some(asked)) = (begun.get(stage), recipe.stages.get(stage)) else {
                return false;
            };
            let from = begun.bench.site_celsius(0).unwrap_or(f64::NAN);
            place.stage() == Some(stage) && site >= f64::midpoint(from, asked.target.degrees())
        }
        Moment::Dwell(stage, after_s) => {
            place == Place::Dwell(stage) && dwell_since.is_some_and(|since| time_s >= since + after_s)
        }
    }
}

/// A comparison loop with the stages around it, which go as the product's do: the dwell's clock counts while the reading
/// is inside the band, from the first time it is.
pub struct Plain<'a> {
    recipe: &'a Recipe,
    method: Box<dyn Method>,
    place: Place,
    last: Option<Millis>,
    inside: bool,
    dwelt_s: f64,
    heat: f64,
    begun: bool,
}

impl<'a> Plain<'a> {
    /// Ready to be started.
    pub fn new(recipe: &'a Recipe, method: Box<dyn Method>) -> Self {
        Self {
            recipe,
            method,
            place: Place::Waiting,
            last: None,
            inside: false,
            dwelt_s: 0.0,
            heat: 0.0,
            begun: false,
        }
    }
}

impl Decides for Plain<'_> {
    fn scan(&mut self, now: Millis, readings: &[Reading]) {
        let dt_s = self.last.map_or(0.0, |last| now.since(last).seconds());
        self.last = Some(now);
        let (Some(stage), Some(Reading::Celsius(celsius))) = (self.place.stage(), readings.first().copied())
        else {
            self.heat = 0.0;
            return;
        };
        let asked = &self.recipe.stages[stage];
        let inside = (celsius - asked.target.degrees()).abs() <= asked.band.degrees();
        if matches!(self.place, Place::Dwell(_)) && inside && self.inside {
            self.dwelt_s += dt_s;
        }
        if inside {
            self.place = Place::Dwell(stage);
        }
        self.inside = inside;
        if self.dwelt_s >= asked.dwell.seconds() - 1e-9 {
            (self.dwelt_s, self.inside, self.begun) = (0.0, false, false);
            if stage + 1 == self.recipe.stages.len() {
                (self.place, self.heat) = (Place::Done, 0.0);
                return;
            }
            self.place = Place::Ramp(stage + 1);
        }
        let asked = &self.recipe.stages[self.place.stage().unwrap_or(stage)];
        if !self.begun {
            self.begun = true;
            self.method.begin_stage(celsius);
        }
        self.heat = self
            .method
            .heat(Asked {
                dt_s,
                celsius,
                target: asked.target.degrees(),
                ramp_max: asked.ramp_max.map(CelsiusPerSecond::per_second),
            })
            .clamp(0.0, 1.0);
    }

    fn tick(&mut self, _: Millis) {}

    fn start(&mut self, _: Millis) {
        self.place = Place::Ramp(0);
    }

    fn heat(&self) -> f64 {
        self.heat
    }

    fn cut(&self) -> bool {
        false
    }

    fn place(&self) -> Place {
        self.place
    }
}
