//! A run: one recipe carried out on one board at one station by one operator.
//!
//! ```text
//!   Ramp <------ outside nothing changes back; the dwell clock pauses ------+
//!    |  control temperature enters the band                                 |
//!    v                                                                      |
//!   Dwell -- dwell done, stages left --> Ramp (next stage) -----------------+
//!    |
//!    | last dwell done / stopped                 trip (from Ramp, Dwell or Easing)
//!    |  (first Easing, if the recipe limits        v
//!    v   the fall)                              Suspended --resume within 10 min--> Ramp (same stage), Easing
//!   Cooling --every channel safe--> ended          | time over, or told to stop
//!                                                  +--> Cooling
//! ```
//!
//! While a fall is eased, heat may be on, and all that goes with heat counts: presence, permits, the run's longest time.
//! It is over when the steered temperature is below the safe one, or when for [`EASED_FOR`] no heat was needed: a board
//! that falls more slowly by itself falls more slowly still as it gets cooler.
//!
//! An outcome is set as soon as it is decided; the run's readings go on until the board is safe to handle or
//! the next run starts, so that the record shows how it cooled.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::control::{Controller, Off};
use crate::guard::{FirstRun, Guard, News, Waits};
use crate::id::{RunId, StationId};
use crate::interlock::InterlockName;
use crate::limits::Ceiling;
use crate::model::BoardModel;
use crate::person::Person;
use crate::predict::outlook::{Foretold, Outlook};
use crate::predict::{Place, Prediction};
use crate::recipe::{ControlBy, Recipe, Stage};
use crate::trend::REST_SLOPE;
use crate::units::{Celsius, CelsiusDelta, Fraction, Millis, Watts};

/// How long a tripped run may be resumed.
pub(crate) const RESUME_WITHIN: Millis = Millis::from_secs(600);

/// Longest that a run may heat unless its recipe says otherwise.
pub(crate) const RUN_MAX: Millis = Millis::from_secs(4 * 3600);

/// A plan is never taken for shorter than this, so that twice of it leaves time for a heavy board.
const PLAN_MIN: Millis = Millis::from_secs(600);

/// Rate at which a board is planned to rise where nothing is known of it, °C/s: a heavy board on a weak bench.
const PLAN_RATE: f64 = 0.25;

/// How long every channel has to be below the safe temperature: noise must not announce it.
const SAFE_FOR: Millis = Millis::from_secs(2);

/// No heat needed for so long: the board falls slowly enough by itself. Longer than the slowest element goes on warming a
/// board after its heat is off.
const EASED_FOR: Millis = Millis::from_secs(90);

/// How far the reference of an eased fall may be from the board, °C: what a slow board is late must not be caught up by a
/// faster fall.
const EASE_LEAD: f64 = 1.0;

/// Where a run is, as people see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Phase {
    /// No run, and nothing known to be hot.
    Idle,
    /// On the way to a stage's target.
    Ramp,
    /// At a stage's target.
    Dwell,
    /// Heat is off and the board is hot.
    Cooldown,
    /// Safe to handle.
    Cool,
}

impl Phase {
    /// As screens and records write it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Idle => "idle",
            Self::Ramp => "ramp",
            Self::Dwell => "dwell",
            Self::Cooldown => "cooldown",
            Self::Cool => "cool",
        }
    }
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// Every stage was carried out.
    Completed,
    /// A person ended it, or the daemon was told to end.
    Stopped,
    /// An interlock ended it.
    Tripped,
    /// The daemon died under it. Said by the archive when it finds such a run.
    Lost,
}

impl Outcome {
    /// As screens and records write it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Completed => "completed",
            Self::Stopped => "stopped",
            Self::Tripped => "tripped",
            Self::Lost => "lost",
        }
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

/// What is kept of a run. Times are by the lab's clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Its number.
    pub run: RunId,
    /// Where.
    pub station: StationId,
    /// The recipe, whole.
    pub recipe: Arc<Recipe>,
    /// Its revision.
    pub revision: u32,
    /// The board's serial number.
    pub serial: Arc<str>,
    /// Who started it.
    pub operator: Person,
    /// What was known of the kind of board; `None`: nothing, it was unknown here.
    pub model: Option<Arc<BoardModel>>,
    /// How it was guarded, where the board was unknown.
    pub first_run: Option<FirstRun>,
    /// What was foretold before it began; `None`: nothing could be.
    pub foretold: Option<Arc<Prediction>>,
    /// When it started.
    pub started: Millis,
    /// When its record was closed.
    pub ended: Option<Millis>,
    /// How it ended, once that is decided.
    pub outcome: Option<Outcome>,
    /// Highest good reading of any channel.
    pub peak: Option<Celsius>,
    /// The stages that were begun.
    pub stages: Vec<StageRecord>,
    /// The trips during it.
    pub trips: Vec<TripRecord>,
    /// What was less safe than usual while it went on, in words: raised limits, readings that don't follow the heat, permissives
    /// that were opened.
    pub cautions: Vec<Arc<str>>,
    /// The ceilings that counted, each with when it began to; the first from the start.
    pub ceilings: Vec<(Millis, Ceiling)>,
}

/// What is kept of one stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StageRecord {
    /// Its target.
    pub target: Celsius,
    /// When its ramp began.
    pub began: Millis,
    /// When the control temperature first entered the band.
    pub reached: Option<Millis>,
    /// How long it has been inside the band since.
    pub dwelt: Millis,
    /// When the dwell was done.
    pub done: Option<Millis>,
    /// How far the control temperature went above the target while the stage lasted; zero or more.
    pub overshoot: CelsiusDelta,
}

/// What is kept of one trip.
#[derive(Debug, Clone, PartialEq)]
pub struct TripRecord {
    /// Which interlock.
    pub interlock: InterlockName,
    /// What it said.
    pub text: Arc<str>,
    /// When.
    pub at: Millis,
    /// Who acknowledged it.
    pub acknowledged_by: Option<Person>,
    /// Who reset it.
    pub reset_by: Option<Person>,
}

/// Where a run is, with what each place needs.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum State {
    /// Heat may be on; the control temperature has not been in the band yet.
    Ramp,
    /// Heat may be on; the dwell clock runs while `inside`. `last`: when it was last looked at.
    Dwell { inside: bool, last: Millis },
    /// Every dwell is done, and heat may be on so that the board doesn't fall faster than `reference` does. `idle`: since
    /// when none was needed.
    Easing {
        reference: Celsius,
        last: Millis,
        idle: Option<Millis>,
    },
    /// Tripped; a person may resume it until then.
    Suspended { until: Millis, cooled: Cooled },
    /// Heat is off for good.
    Cooling { cooled: Cooled },
}

/// How far a board has cooled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Cooled {
    /// When every channel last came below the safe temperature.
    below_since: Option<Millis>,
    /// It has been there for long enough: safe to handle.
    pub(crate) safe: bool,
}

/// What a step of a run came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Progress {
    /// Nothing new.
    Same,
    /// A stage's target was reached.
    Reached,
    /// A dwell is over and the next stage has begun.
    NextStage,
    /// The last dwell is over: heat eases the fall.
    Easing,
    /// Nothing is left to do: the board cools.
    Finished,
}

/// A run in progress.
#[derive(Debug, Clone)]
pub(crate) struct Run {
    pub(crate) record: Record,
    pub(crate) state: State,
    /// The stage that it is at, counted from 0.
    pub(crate) stage: usize,
    controller: Controller,
    /// Watches a run on an unknown board until its first target.
    guard: Option<Guard>,
    outlook: Outlook,
    /// Heat has been possible since then; `None` while it isn't.
    heat_since: Option<Millis>,
    /// How long it was possible before that.
    pub(crate) heated_before: Millis,
    /// How long it may be in all.
    pub(crate) limit: Millis,
}

/// How fast a board rises that nobody heats, °C/s: the bench is still warm from the last one. Zero where that is nothing to
/// speak of, and for what falls: a model that is at rest knows that it cools.
fn drift_of(control: &ControlBy, channels: &[(Arc<str>, Option<f64>)]) -> f64 {
    let steers = |name: &Arc<str>| match control {
        ControlBy::Channel(by) => **by == **name,
        ControlBy::Hottest | ControlBy::Coldest | ControlBy::Mean => true,
    };
    let drifts = || {
        let steering = channels.iter().filter(|(name, _)| steers(name));
        steering.filter_map(|(_, drift)| *drift)
    };
    let mean = drifts().sum::<f64>() / f64::from(u32::try_from(drifts().count().max(1)).unwrap_or(1));
    if mean > REST_SLOPE { mean } else { 0.0 }
}

impl Run {
    /// `channels`: the station's, in its order, and how fast each moves now, °C/s, if that is known; `watts`: rated power of all its
    /// heaters, where the drivers say it; `follows_heat`: whether its readings do.
    pub(crate) fn begin(
        mut record: Record,
        now: Millis,
        channels: Vec<(Arc<str>, Option<f64>)>,
        watts: Option<Watts>,
        follows_heat: bool,
    ) -> Self {
        let drift = drift_of(&record.recipe.control, &channels);
        let guard = record
            .model
            .is_none()
            .then(|| Guard::new(&record.recipe, channels, watts, follows_heat));
        record.first_run = guard.as_ref().map(Guard::first_run);
        let limit = heat_limit(&record.recipe);
        let outlook = Outlook::new(now, record.foretold.clone());
        let controller = Controller::new(record.model.as_deref(), drift);
        let mut run = Self {
            outlook,
            record,
            state: State::Ramp,
            stage: 0,
            controller,
            guard,
            heat_since: Some(now),
            heated_before: Millis::ZERO,
            limit,
        };
        run.begin_stage(now);
        run
    }

    /// Whether heat may be on: since when, and how long in all.
    pub(crate) fn heating(&self, now: Millis) -> Option<(Millis, Millis)> {
        self.heat_since
            .map(|since| (since, self.heated_before + now.since(since)))
    }

    pub(crate) fn recipe(&self) -> &Arc<Recipe> {
        &self.record.recipe
    }

    /// The stage that it is at.
    pub(crate) fn current(&self) -> &Stage {
        // A recipe has at least one stage, and `stage` only moves to stages that are there.
        &self.record.recipe.stages[self.stage]
    }

    pub(crate) fn phase(&self) -> Phase {
        match self.state {
            State::Ramp => Phase::Ramp,
            State::Dwell { .. } => Phase::Dwell,
            State::Suspended { cooled, .. } | State::Cooling { cooled } if cooled.safe => Phase::Cool,
            State::Easing { .. } | State::Suspended { .. } | State::Cooling { .. } => Phase::Cooldown,
        }
    }

    /// Whether heat may be on.
    pub(crate) const fn may_heat(&self) -> bool {
        matches!(
            self.state,
            State::Ramp | State::Dwell { .. } | State::Easing { .. }
        )
    }

    /// Where the board shall be: the stage's target, or the moving one of an eased fall.
    pub(crate) fn target(&self) -> Celsius {
        match self.state {
            State::Easing { reference, .. } => reference,
            State::Ramp | State::Dwell { .. } | State::Suspended { .. } | State::Cooling { .. } => {
                self.current().target
            }
        }
    }

    /// Takes in a good control temperature while heat may be on.
    pub(crate) fn progress(&mut self, now: Millis, control: Celsius) -> Progress {
        if matches!(self.state, State::Easing { .. }) {
            return self.ease(now, control);
        }
        let stage = *self.current();
        let above = control - stage.target;
        let inside = above.degrees().abs() <= stage.band.degrees();
        let Some(kept) = self.record.stages.last_mut() else {
            return Progress::Same;
        };
        if kept.reached.is_some() && above > kept.overshoot {
            kept.overshoot = above;
        }
        match self.state {
            State::Ramp if inside => {
                self.state = State::Dwell {
                    inside: true,
                    last: now,
                };
                self.outlook.moved_on();
                if kept.reached.is_none() {
                    kept.reached = Some(now);
                }
                if let Some(guard) = &mut self.guard {
                    guard.reached();
                }
                if kept.dwelt >= stage.dwell {
                    self.end_stage(now, control)
                } else {
                    Progress::Reached
                }
            }
            State::Dwell { inside: before, last } => {
                // Only time with the control temperature inside at both ends counts.
                if before && inside {
                    kept.dwelt = kept.dwelt + now.since(last);
                }
                self.state = State::Dwell { inside, last: now };
                if kept.dwelt >= stage.dwell {
                    self.end_stage(now, control)
                } else {
                    Progress::Same
                }
            }
            State::Ramp | State::Easing { .. } | State::Suspended { .. } | State::Cooling { .. } => {
                Progress::Same
            }
        }
    }

    /// Moves the reference of an eased fall on.
    fn ease(&mut self, now: Millis, control: Celsius) -> Progress {
        let cooldown = self.record.recipe.cooldown;
        let State::Easing {
            reference,
            last,
            idle,
        } = &mut self.state
        else {
            return Progress::Same;
        };
        let Some(rate) = cooldown.fall_max else {
            return Progress::Same;
        };
        let way = rate.per_second() * now.since(*last).seconds();
        // It only ever falls, and a board that has fallen too far isn't warmed again.
        let moved = (reference.degrees() - way)
            .max(control.degrees() - EASE_LEAD)
            .min(control.degrees() + EASE_LEAD)
            .max(cooldown.safe.degrees())
            .min(reference.degrees());
        (*reference, *last) = (Celsius::new(moved).unwrap_or(*reference), now);
        let slow = idle.is_some_and(|since| now.since(since) >= EASED_FOR);
        if control < cooldown.safe || slow {
            self.cool(now, Outcome::Completed);
            Progress::Finished
        } else {
            Progress::Same
        }
    }

    /// Takes in a good control temperature and that of every channel, in the station's order, and the heat that was granted
    /// since the ones before.
    pub(crate) fn observe(
        &mut self,
        now: Millis,
        control: Celsius,
        channels: &[Option<Celsius>],
        granted: Fraction,
    ) {
        let target = self.heat_since.map(|_| self.target());
        self.controller.observe(now, control, granted, target);
        if let Some(guard) = &mut self.guard {
            guard.observe(now, control, channels, granted);
        }
    }

    /// What it waits for, where a person has to confirm that the sensors are on the board.
    pub(crate) fn waits(&self, now: Millis) -> Option<Waits> {
        self.guard.as_ref()?.waits(now)
    }

    /// What its guard has to say.
    pub(crate) fn news(&mut self, now: Millis) -> Option<News> {
        let news = self.guard.as_mut()?.news(now);
        if let (Some(News::Asks(text)), Some(kept)) = (&news, &mut self.record.first_run) {
            kept.asked = Some(text.clone());
        }
        news
    }

    /// A person confirms that the sensors are on the board. Returns what they were asked; `None`: nothing.
    pub(crate) fn confirm(&mut self, who: &Person) -> Option<Arc<str>> {
        let asked = self.guard.as_mut()?.confirm()?;
        if let Some(kept) = &mut self.record.first_run {
            kept.confirmed_by = Some(who.clone());
        }
        Some(asked)
    }

    /// Heat to ask for.
    pub(crate) fn ask(&mut self, now: Millis) -> Fraction {
        if let State::Easing { reference, idle, .. } = &mut self.state {
            let asked = self.controller.ease(now, *reference);
            *idle = asked.is_zero().then(|| idle.unwrap_or(now));
            return asked;
        }
        let stage = *self.current();
        let asked = self.controller.decide(now, stage.target, stage.ramp_max);
        match &mut self.guard {
            Some(guard) => guard.limit(now, asked),
            None => asked,
        }
    }

    /// What is foretold of it now.
    pub(crate) fn foretold(&self) -> Option<&Foretold> {
        self.outlook.foretold()
    }

    /// Keeps what is foretold current, a small piece at a time. `most`: share of full power that its supply leaves it.
    pub(crate) fn look_ahead(&mut self, now: Millis, most: f64) {
        let place = match self.state {
            State::Ramp => Place::Ramp(self.stage),
            State::Dwell { .. } => {
                let dwelt = self.record.stages.last().map_or(Millis::ZERO, |kept| kept.dwelt);
                Place::Dwell(self.stage, dwelt.seconds())
            }
            State::Suspended { cooled, .. } | State::Cooling { cooled } if cooled.safe => return,
            State::Suspended { .. } | State::Cooling { .. } | State::Easing { .. } => Place::Cooling,
        };
        let controller = &self.controller;
        self.outlook
            .work(now, &self.record.recipe, || controller.start(place, most));
    }

    /// An interlock has acted: no heat; a person may resume.
    pub(crate) fn suspend(&mut self, now: Millis) {
        self.end_heat(now);
        self.record.outcome = Some(Outcome::Tripped);
        // The stages don't come as was foretold, if at all; how the board cools is foretold anew.
        self.outlook.forget();
        self.state = State::Suspended {
            until: now + RESUME_WITHIN,
            cooled: Cooled::default(),
        };
    }

    /// Goes on at the stage where it was; the dwell so far counts.
    pub(crate) fn resume(&mut self, now: Millis) {
        self.record.outcome = None;
        let done = self
            .record
            .stages
            .last()
            .is_some_and(|stage| stage.done.is_some());
        self.state = if done {
            State::Easing {
                reference: self.current().target,
                last: now,
                idle: None,
            }
        } else {
            State::Ramp
        };
        self.heat_since = Some(now);
        self.controller.resume();
        if let Some(guard) = &mut self.guard {
            guard.resume(now);
        }
        self.outlook.forget();
    }

    /// How far the readings are off from what they should be, while heat may be on.
    pub(crate) fn off(&self) -> Option<Off> {
        self.heat_since.and_then(|_| self.controller.off())
    }

    /// Heat is off for good.
    pub(crate) fn cool(&mut self, now: Millis, outcome: Outcome) {
        self.end_heat(now);
        self.record.outcome = Some(outcome);
        if outcome == Outcome::Completed {
            self.outlook.moved_on();
        } else {
            self.outlook.forget();
        }
        self.state = State::Cooling {
            cooled: Cooled::default(),
        };
    }

    /// Whether the board has just become safe to handle, or has just ceased to be. `hottest`: of all channels, `None`
    /// where one has no good reading.
    pub(crate) fn cooled(&mut self, now: Millis, hottest: Option<Celsius>) -> Option<bool> {
        let below = hottest.is_some_and(|hottest| hottest < self.record.recipe.cooldown.safe);
        let (State::Cooling { cooled } | State::Suspended { cooled, .. }) = &mut self.state else {
            return None;
        };
        let before = cooled.safe;
        if below {
            let since = *cooled.below_since.get_or_insert(now);
            cooled.safe = cooled.safe || now.since(since) >= SAFE_FOR;
        } else {
            *cooled = Cooled::default();
        }
        (cooled.safe != before).then_some(cooled.safe)
    }

    /// Takes in the hottest good reading.
    pub(crate) fn peak(&mut self, hottest: Celsius) {
        self.record.peak = Some(self.record.peak.map_or(hottest, |peak| peak.max(hottest)));
    }

    fn end_heat(&mut self, now: Millis) {
        if let Some(since) = self.heat_since.take() {
            self.heated_before = self.heated_before + now.since(since);
        }
    }

    fn begin_stage(&mut self, now: Millis) {
        self.controller.begin_stage(self.current().target);
        self.outlook.moved_on();
        self.state = State::Ramp;
        self.record.stages.push(StageRecord {
            target: self.current().target,
            began: now,
            reached: None,
            dwelt: Millis::ZERO,
            done: None,
            overshoot: CelsiusDelta::constant(0.0),
        });
    }

    fn end_stage(&mut self, now: Millis, control: Celsius) -> Progress {
        if let Some(kept) = self.record.stages.last_mut() {
            kept.done = Some(now);
        }
        if self.stage + 1 < self.record.recipe.stages.len() {
            self.stage += 1;
            self.begin_stage(now);
            Progress::NextStage
        } else if self.record.recipe.cooldown.fall_max.is_some() && control > self.record.recipe.cooldown.safe
        {
            self.controller.begin_stage(self.record.recipe.cooldown.safe);
            self.state = State::Easing {
                reference: control,
                last: now,
                idle: None,
            };
            Progress::Easing
        } else {
            self.cool(now, Outcome::Completed);
            Progress::Finished
        }
    }
}

/// How long a recipe is planned to heat, where nothing is known of the board: its dwells, its ramps at their
/// limit or at [`PLAN_RATE`], whichever is slower, from 20 °C, and its eased fall.
pub(crate) fn plan_length(recipe: &Recipe) -> Millis {
    let mut from = Celsius::constant(20.0);
    let mut length = Millis::ZERO;
    for stage in &recipe.stages {
        let rate = stage
            .ramp_max
            .map_or(PLAN_RATE, |ramp| ramp.per_second().min(PLAN_RATE));
        let way = (stage.target - from).degrees().abs();
        length = length + Millis::from_secs_f64(way / rate) + stage.dwell;
        from = stage.target;
    }
    if let Some(fall) = recipe.cooldown.fall_max {
        let way = (from - recipe.cooldown.safe).degrees().max(0.0);
        length = length + Millis::from_secs_f64(way / fall.per_second());
    }
    length.max(PLAN_MIN)
}

/// How long a run of it may heat: what the recipe says, or twice the plan and at most four hours.
fn heat_limit(recipe: &Recipe) -> Millis {
    recipe
        .run_max
        .unwrap_or_else(|| Millis((plan_length(recipe) * 2).0.min(RUN_MAX.0)))
}
