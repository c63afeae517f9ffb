//! The course: one recipe on one model, from a state on, as the control would take the board through it.
//!
//! The control itself thinks anew every second, a hundred times more than a forecast may cost. What it comes to is
//! simple, though: full heat, or as much as the ramp allows, until the board would coast over its target; then as
//! little as brings it there; then what it loses. So that is what is simulated. The coast is looked at seldom while it is
//! far from the target.
//!
//! A course is made step by step, so that it can be cut into pieces of bounded work ([`Course::advance`]).

use crate::model::{Model, State};
use crate::recipe::Recipe;
use crate::units::CelsiusPerSecond;

/// How far above its target a coast may go. The control mostly comes a little higher than it means to.
const MARGIN: f64 = 0.1;
/// How much of a ramp limit is used in the mean. The control means to stay below it by 3 %; what it doesn't know carries it up.
const RAMP_SHARE: f64 = 1.0;
/// How long it takes until a stage's heat is there, seconds: a reading, a decision, a burst window. From the tuning set of
/// `tests/control`, as are the other figures of this file that have no source.
const BEGIN_S: f64 = 1.2;
/// Longest step, seconds.
const STEP_S: f64 = 1.0;
/// Longest step while it cools, seconds.
const COOLING_STEP_S: f64 = 5.0;
/// Longest that a stage's way to its target is followed, seconds.
const RAMP_MAX_S: f64 = 7_200.0;
/// A board that would take this long at its present rate has stalled, seconds.
const STALLED_S: f64 = 3_600.0;
/// Longest that a cooling is followed, seconds.
const COOLING_MAX_S: f64 = 6.0 * 3_600.0;
/// How far a coast is followed, seconds, and its steps.
const COAST_S: f64 = 300.0;
/// How long a dwell is simulated in full until only what changes slowly is followed, in lags of element and reading.
const SETTLED_LAGS: f64 = 4.0;
/// Longest piece of a settled dwell, seconds: the bench's own warm-up is followed that finely.
const HELD_S: f64 = 60.0;
/// Most pieces of a settled dwell.
const HELD_PIECES: f64 = 20.0;
/// How long every channel has to be below the safe temperature; what a run asks.
const SAFE_FOR_S: f64 = 2.0;
/// A disturbance that is felt now is gone after about this time, seconds: drafts and mains come and go.
const DISTURBED_S: f64 = 60.0;

/// Where a run is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Place {
    /// On the way to a stage's target; stages are counted from 0.
    Ramp(usize),
    /// At it, for so many seconds of its dwell.
    Dwell(usize, f64),
    /// Heat is off.
    Cooling,
}

/// What a stage comes to on one model.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct StageCourse {
    /// When its target is reached, seconds from the start of the course; `None`: before it, or never.
    pub(super) arrival: Option<f64>,
    /// When its dwell is over.
    pub(super) end: Option<f64>,
    /// Seconds of its ramp at all the heat there is, and below that because of the ramp limit.
    pub(super) full_s: f64,
    pub(super) limited_s: f64,
    /// Heat that holds the target at the end of the dwell; 1 where it wasn't reached.
    pub(super) holding: f64,
}

/// Why a course goes no further.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Ended {
    /// The board is safe to handle, seconds from the start.
    Safe(f64),
    /// It never is: the surroundings are too warm.
    NeverSafe,
    /// This stage's target isn't reached: the board stays at so many °C.
    Stalled(usize, f64),
}

/// A point of the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Seconds from the start.
    pub at_s: f64,
    /// Control temperature, °C.
    pub celsius: f64,
    /// Heat, 0 to 1.
    pub heat: f64,
}

/// One recipe on one model.
#[derive(Debug, Clone)]
pub(super) struct Course {
    model: Model,
    pub(super) state: State,
    most: f64,
    place: Place,
    pub(super) time: f64,
    /// When the stage's ramp or dwell, or the cooling, began.
    since: f64,
    /// Whether the heat that is stored is enough to get to the target.
    coasting: bool,
    /// When the coast is looked at next.
    look: f64,
    pub(super) stages: Vec<StageCourse>,
    pub(super) ended: Option<Ended>,
    /// Points so many seconds apart, where a curve is wanted.
    curve: Option<(f64, Vec<Point>)>,
}

impl Course {
    pub(super) fn new(model: Model, state: State, place: Place, most: f64, recipe: &Recipe) -> Self {
        Self {
            model,
            state,
            most,
            place,
            time: 0.0,
            since: 0.0,
            coasting: false,
            look: 0.0,
            stages: vec![StageCourse::default(); recipe.stages.len()],
            ended: None,
            curve: None,
        }
    }

    /// A course that is to be begun first.
    pub(super) fn not_begun(mut self) -> Self {
        self.time += BEGIN_S;
        self.since = self.time;
        self
    }

    /// Keeps a curve of points at least `every_s` seconds apart.
    pub(super) fn with_curve(mut self, every_s: f64) -> Self {
        self.curve = Some((every_s, Vec::new()));
        self.point(0.0);
        self
    }

    pub(super) fn curve(&self) -> &[Point] {
        self.curve.as_ref().map_or(&[], |(_, points)| points)
    }

    /// Goes on until it has ended, or `work` steps of the model have been made (a coast more at most). Returns what is left of them.
    pub(super) fn advance(&mut self, recipe: &Recipe, mut work: usize) -> usize {
        while self.ended.is_none() && work > 0 {
            let done = match self.place {
                Place::Ramp(stage) => self.ramp(recipe, stage),
                Place::Dwell(stage, dwelt) => self.dwell(recipe, stage, dwelt),
                Place::Cooling => self.cool(recipe),
            };
            work = work.saturating_sub(done);
        }
        work
    }

    fn point(&mut self, heat: f64) {
        let (at_s, celsius) = (self.time, self.state.reading);
        if let Some((every_s, points)) = &mut self.curve
            && points.last().is_none_or(|last| at_s >= last.at_s + *every_s)
        {
            points.push(Point { at_s, celsius, heat });
        }
    }

    /// Lets a short time pass.
    fn step(&mut self, dt: f64, heat: f64) {
        self.model.step(&mut self.state, dt, heat);
        self.state.disturbance *= (-dt / DISTURBED_S).exp();
        self.time += dt;
        self.point(heat);
    }

    fn dt(&self, longest: f64) -> f64 {
        longest.min(0.5 * self.model.element_lag(&self.state))
    }

    /// Temperature of the board where it is measured, °C.
    fn site(&self) -> f64 {
        self.model.site(&self.state)
    }

    /// Heat that brings the board to `target`, no faster than `rate`.
    fn settling(&self, target: f64, rate: f64) -> f64 {
        // As quick as the element can follow, and no quicker than the reading.
        let lag = self.model.element_lag(&self.state);
        let within = (1.2 * self.model.sensor_lag).max(6.0).max(0.3 * lag);
        let wanted = ((target - self.state.board) / within).clamp(-rate, rate);
        let element = self
            .model
            .element_for(&self.state, self.model.flow_for(&self.state, wanted));
        let element_rate = (element - self.state.element) / (0.25 * lag).max(2.0);
        self.model
            .heat_for(&self.state, element_rate)
            .clamp(0.0, self.most)
    }

    /// Highest temperature of the board if it got no more heat, and how many steps that took to find out.
    fn coast(&self) -> (f64, usize) {
        let mut state = self.state;
        let (mut peak, mut passed, mut steps) = (self.site(), 0.0, 0);
        let mut before = peak;
        while passed < COAST_S {
            let dt = 2.0_f64.min(0.5 * self.model.element_lag(&state));
            self.model.step(&mut state, dt, 0.0);
            passed += dt;
            steps += 1;
            let site = self.model.site(&state);
            peak = peak.max(site);
            if site < before {
                break;
            }
            before = site;
        }
        (peak, steps)
    }

    fn ramp(&mut self, recipe: &Recipe, stage: usize) -> usize {
        let asked = &recipe.stages[stage];
        let (target, band) = (asked.target.degrees(), asked.band.degrees());
        let rate = asked.ramp_max.map_or(f64::INFINITY, |rate| {
            RAMP_SHARE * CelsiusPerSecond::per_second(rate)
        });
        let mut done = 1;
        let miss = target - self.state.reading;
        if miss.abs() <= band {
            self.arrive(stage);
            return done;
        }
        if target <= self.site() {
            self.coasting = true;
        }
        if !self.coasting && self.time >= self.look {
            let (peak, steps) = self.coast();
            done += steps;
            let left = target + MARGIN - peak;
            if left <= 0.0 {
                self.coasting = true;
            } else {
                // No coast grows faster than with all the heat; half of the way there is looked at again.
                let fastest = (self.model.rise * self.most).min(rate).max(1e-3);
                self.look = self.time + (0.5 * left / fastest).max(0.25);
            }
        }
        let heat = if self.coasting {
            // What is stored in the element brings the board there; heat on top of it would carry it over.
            let left = target - self.site();
            let within = self.model.element_lag(&self.state).max(6.0);
            if left > 1.0 && self.model.slope(&self.state, 0.0) > left / within {
                0.0
            } else {
                self.settling(target, rate)
            }
        } else if rate.is_finite() {
            self.settling(f64::INFINITY, rate)
        } else {
            self.most
        };
        let dt = self.dt(STEP_S);
        let (before, from) = (self.state.reading, self.time);
        self.step(dt, heat);
        if !self.coasting {
            let kept = &mut self.stages[stage];
            if heat >= self.most - 1e-3 {
                kept.full_s += dt;
            } else {
                kept.limited_s += dt;
            }
        }
        let after = self.state.reading;
        let edge = if miss > 0.0 { target - band } else { target + band };
        if (before - edge) * (after - edge) <= 0.0 && (after - before).abs() > 0.0 {
            // Between the two steps.
            self.time = from + dt * (edge - before) / (after - before);
            self.arrive(stage);
            return done;
        }
        let passed = self.time - self.since;
        let speed = (after - before) / dt * miss.signum();
        if passed > RAMP_MAX_S || passed > 120.0 && speed * STALLED_S < miss.abs() - band {
            self.stages[stage].holding = 1.0;
            self.ended = Some(Ended::Stalled(stage, self.state.board));
        }
        done
    }

    fn arrive(&mut self, stage: usize) {
        self.stages[stage].arrival = Some(self.time);
        self.place = Place::Dwell(stage, 0.0);
        self.since = self.time;
    }

    fn dwell(&mut self, recipe: &Recipe, stage: usize, dwelt: f64) -> usize {
        let asked = &recipe.stages[stage];
        let target = asked.target.degrees();
        let left = asked.dwell.seconds() - dwelt;
        if left <= 1e-9 {
            let kept = &mut self.stages[stage];
            kept.end = Some(self.time);
            let held = State {
                board: target,
                reading: target,
                ..self.state
            };
            let mut held = held;
            kept.holding = self.model.hold(&mut held, 0.0);
            self.begin(recipe, stage + 1);
            return 1;
        }
        let settled = SETTLED_LAGS * (self.model.heater_lag + self.model.sensor_lag) + 10.0;
        let dt = if self.time - self.since < settled {
            let rate = asked.ramp_max.map_or(f64::INFINITY, |rate| {
                RAMP_SHARE * CelsiusPerSecond::per_second(rate)
            });
            let dt = self.dt(STEP_S).min(left);
            self.step(dt, self.settling(target, rate));
            dt
        } else {
            let dt = HELD_S.max(left / HELD_PIECES).min(left);
            self.state.board = target;
            self.state.disturbance = 0.0;
            let heat = self.model.hold(&mut self.state, dt);
            self.time += dt;
            self.point(heat);
            dt
        };
        self.place = Place::Dwell(stage, dwelt + dt);
        1
    }

    fn begin(&mut self, recipe: &Recipe, stage: usize) {
        if stage < recipe.stages.len() {
            self.time += BEGIN_S;
        }
        self.since = self.time;
        self.look = self.time;
        self.coasting = false;
        self.place = if stage < recipe.stages.len() {
            Place::Ramp(stage)
        } else {
            Place::Cooling
        };
    }

    fn cool(&mut self, recipe: &Recipe) -> usize {
        let safe = recipe.cooldown.safe.degrees();
        let before = self.state.reading;
        if before < safe {
            self.ended = Some(Ended::Safe(self.time + SAFE_FOR_S));
            return 1;
        }
        // Where a recipe eases the fall, it takes what keeps it that slow.
        let fall = recipe.cooldown.fall_max.map(CelsiusPerSecond::per_second);
        let dt = self.dt(if fall.is_some() { STEP_S } else { COOLING_STEP_S });
        let heat = fall.map_or(0.0, |rate| self.settling(f64::NEG_INFINITY, rate));
        let from = self.time;
        self.step(dt, heat);
        let after = self.state.reading;
        if after < safe {
            self.ended = Some(Ended::Safe(
                from + dt * (before - safe) / (before - after) + SAFE_FOR_S,
            ));
        } else if self.time - self.since > COOLING_MAX_S {
            self.ended = Some(Ended::NeverSafe);
        }
        1
    }
}
