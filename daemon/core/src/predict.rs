//! Prediction: when each stage of a recipe arrives and ends, and when the board is safe to handle.
//!
//! The recipe is simulated on the board model (`course`), once with the most likely parameters and twice for
//! each direction in which they are uncertain. What comes out differently makes the range, together with what differs
//! from run to run on the very same board. Where a board could stall short of its target, or so much is open that a time
//! would be a guess, that is said and no time is given: [`When::Open`].
//!
//! It takes time in proportion to the length of the recipe, and can be cut into pieces: [`Forecast`] is the work in
//! progress, [`Prediction`] what it comes to. `outlook` keeps one current while a run goes on.

mod course;
pub(crate) mod outlook;

use nalgebra::SMatrix;

use crate::model::{BoardModel, Model, PARAMETERS, Parameter, State, Theta};
use crate::recipe::Recipe;
use crate::units::Celsius;
use course::{Course, Ended};

pub use course::{Place, Point};
pub use outlook::Foretold;

/// Share of runs that a range is meant to hold.
pub const RANGE_HOLDS: f64 = 0.9;
/// The same in standard deviations of a normal distribution, to either side.
const RANGE_SDS: f64 = 1.645;

/// What differs from run to run on the same board, as a share of each ramp and of the cooling: mains, drafts, where
/// exactly the board lies. From the simulated family's tuning set (`tests/control`).
const RAMP_FLOOR: f64 = 0.025;
const COOLING_FLOOR: f64 = 0.02;
/// The same whatever the length, seconds: readings come when they come, and are noisy.
const FLOOR_S: f64 = 1.0;
/// What the standard errors of a learned model count for here. They are kept wide for the control's sake, each by itself; what
/// a run has really shown of a board are times, of which the errors of the parameters cancel in part.
const ERRORS_COUNT: f64 = 0.5;
/// How much less of a radiating heater's flow a board takes for each 100 °C above what it was seen at, and how much that
/// differs from board to board: models of runs up to 100 °C are too good for stages of 150 °C and more.
const FADE: f64 = 0.2;
const FADE_SD: f64 = 0.08;
/// The first run on a board that nobody has seen: what its own readings tell so far is trusted too much, since they haven't
/// shown how it cools. A tenth of such predictions of the time left on the tuning set missed by more than 30 %.
const UNSEEN_SD: f64 = 0.18;
/// A range that is wider than this to either side, as a factor, is no prediction.
const RANGE_MAX: f64 = 1.6;
/// A target that takes more of the heat there is only to be held lies near the limit of the bench: how long it takes
/// depends on next to nothing.
const HOLDING_MAX: f64 = 0.85;
/// From here on the heat is what governs a ramp, not the board's mass.
const HOLDING_MUCH: f64 = 0.7;
/// Standard deviation of the temperature around a cold bench, °C, and where it had to be guessed since the board was warm.
const ROOM_SD: f64 = 0.7;
const ROOM_GUESSED_SD: f64 = 3.0;
/// A board below this at its start is as warm as the room, °C; and the room where it isn't.
const COLD: f64 = 35.0;
const ROOM: f64 = 24.0;

/// From this share of its full power on a bench has all of it: outputs are told thousandths.
const MOST_ALL: f64 = 0.999;

pub(crate) type Covariance = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// A board and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Start {
    /// Most likely parameters.
    theta: Theta,
    /// Directions in which they are uncertain, one standard deviation long each.
    directions: Vec<Theta>,
    state: State,
    place: Place,
    room: f64,
    room_sd: f64,
    /// Highest temperature that the board was seen at, °C.
    hottest: f64,
    /// Standard deviation, in logarithms, of what isn't known of the board beyond its parameters.
    unseen: f64,
    /// Whether the run is still to be begun.
    fresh: bool,
    /// Share of full power that there is, above 0 to 1.
    most: f64,
}

impl Start {
    /// A board that lies there with `celsius`, no heat yet. `most`: share of the bench's full power that a supply leaves it.
    pub fn at_rest(model: &BoardModel, celsius: f64, most: f64) -> Self {
        let belief = &model.belief;
        let cold = celsius < COLD;
        Self {
            theta: belief.mean,
            directions: (0..PARAMETERS)
                .map(|at| {
                    let mut direction = Theta::zeros();
                    direction[at] = ERRORS_COUNT * belief.sd[at];
                    direction
                })
                .collect(),
            state: State::at_rest(celsius),
            place: Place::Ramp(0),
            room: if cold { celsius } else { ROOM },
            room_sd: if cold { ROOM_SD } else { ROOM_GUESSED_SD },
            hottest: model.hottest,
            unseen: 0.0,
            fresh: true,
            most: most.clamp(0.01, 1.0),
        }
    }

    /// What is taken for the room, °C.
    pub(crate) const fn room(&self) -> f64 {
        self.room
    }

    /// A board in the middle of a run. `known`: whether it had a model before.
    #[expect(clippy::too_many_arguments, reason = "they are the fields")]
    pub(crate) fn underway(
        theta: Theta,
        covariance: &Covariance,
        state: State,
        place: Place,
        room: f64,
        hottest: f64,
        known: bool,
        most: f64,
    ) -> Self {
        let along = |at: usize, by: f64| {
            let mut direction = Theta::zeros();
            direction[at] = by;
            direction
        };
        let directions = covariance.cholesky().map_or_else(
            // Rounding has made it lopsided: each parameter by itself says too much rather than too little.
            || {
                (0..PARAMETERS)
                    .map(|at| along(at, covariance[(at, at)].max(0.0).sqrt()))
                    .collect()
            },
            |lower| {
                let lower = lower.l();
                (0..PARAMETERS).map(|at| lower.column(at).into_owned()).collect()
            },
        );
        Self {
            theta,
            directions,
            state,
            place,
            room,
            room_sd: ROOM_SD,
            hottest,
            unseen: if known { 0.0 } else { UNSEEN_SD },
            fresh: false,
            most: most.clamp(0.01, 1.0),
        }
    }

    /// The course number `at`: 0 is the likeliest, then both ways of each direction, then a warmer and a colder room. `None`:
    /// there are no more.
    fn course(&self, at: usize, recipe: &Recipe) -> Option<Course> {
        let mut theta = self.theta;
        let mut room = self.room;
        let mut fade = FADE * Parameter::Radiant.value(theta[Parameter::Radiant as usize]);
        if let Some(after) = at.checked_sub(1) {
            let (direction, sign) = (after / 2, if after % 2 == 0 { 1.0 } else { -1.0 });
            match direction.cmp(&self.directions.len()) {
                std::cmp::Ordering::Less => theta += self.directions[direction] * sign,
                std::cmp::Ordering::Equal => room += self.room_sd * sign,
                std::cmp::Ordering::Greater if direction == self.directions.len() + 1 => {
                    fade += FADE_SD * sign;
                }
                std::cmp::Ordering::Greater => return None,
            }
        }
        let course = Course::new(
            Model::new(&theta, room).fading(self.hottest, fade),
            self.state,
            self.place,
            self.most,
            recipe,
        );
        Some(if self.fresh { course.not_begun() } else { course })
    }
}

/// A moment that is foretold, in seconds from the start of the prediction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum When {
    /// It is over already.
    Past,
    /// It comes about then.
    Expected(Expected),
    /// Nobody can say.
    Open(Open),
}

/// A moment with its range, seconds; the range is meant to hold nine runs of ten ([`RANGE_HOLDS`]).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// The likeliest.
    pub likely_s: f64,
    /// Not before.
    pub earliest_s: f64,
    /// Not after.
    pub latest_s: f64,
}

/// Why a moment can't be foretold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Open {
    /// The bench can't get the board there: it stays at about so many °C.
    Unreachable {
        /// The stage, counted from 0.
        stage: usize,
        /// °C.
        stays_at: f64,
    },
    /// The bench gets it there, if at all, with next to nothing to spare.
    NearPowerLimit {
        /// The stage, counted from 0.
        stage: usize,
        /// Share of the heat there is that only holds the target.
        holding: f64,
    },
    /// Too little is known of the board yet.
    Unknown,
    /// The surroundings are about as warm as what counts as safe.
    WarmRoom,
}

impl When {
    /// The likeliest moment, where there is one.
    pub const fn expected(&self) -> Option<Expected> {
        match self {
            Self::Expected(expected) => Some(*expected),
            Self::Past | Self::Open(_) => None,
        }
    }
}

/// What the length of a stage depends on most.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Governs {
    /// The dwell: it is longer than the way there.
    Dwell,
    /// The ramp limit.
    RampLimit,
    /// How much heat there is: most of it is lost to the room at this target.
    Power,
    /// The mass of the board and the heater.
    ThermalMass,
}

impl Governs {
    /// As screens and JSON write it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Dwell => "dwell",
            Self::RampLimit => "ramp limit",
            Self::Power => "power",
            Self::ThermalMass => "thermal mass",
        }
    }
}

/// What is foretold of a stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StagePrediction {
    /// Its target.
    pub target: Celsius,
    /// When its target is reached.
    pub arrival: When,
    /// When its dwell is over.
    pub end: When,
    /// What its length depends on.
    pub governs: Governs,
    /// Share of the heat there is that holds its target; 1 where it isn't reached.
    pub holding: f64,
}

/// What is foretold of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// Every stage of the recipe.
    pub stages: Vec<StagePrediction>,
    /// When every channel is below what the recipe calls safe, as far as the control temperature tells.
    pub safe: When,
    /// Share of the bench's full power that was reckoned with.
    pub most: f64,
    /// By how much the last dwell ends later than with all of it, seconds; `None`: not asked, or nobody can say.
    pub delay_s: Option<f64>,
}

impl Prediction {
    /// When the last dwell is over.
    pub fn heat_ends(&self) -> When {
        self.stages.last().map_or(When::Past, |last| last.end)
    }
}

/// The prediction of a recipe, in one go.
pub fn predict(start: &Start, recipe: &Recipe) -> Prediction {
    let mut forecast = Forecast::new(start.clone(), recipe);
    loop {
        if let Some(prediction) = forecast.work(recipe, usize::MAX) {
            return prediction;
        }
    }
}

/// The prediction of a recipe on a board that lies there with `celsius`, on a supply that leaves the bench a share `most` of
/// its power: with what that costs.
pub fn before_start(model: &BoardModel, celsius: f64, recipe: &Recipe, most: f64) -> Prediction {
    let mut prediction = predict(&Start::at_rest(model, celsius, most), recipe);
    if most < MOST_ALL {
        let alone = predict(&Start::at_rest(model, celsius, 1.0), recipe);
        let ends = prediction
            .heat_ends()
            .expected()
            .zip(alone.heat_ends().expected());
        prediction.delay_s = ends.map(|(shared, alone)| (shared.likely_s - alone.likely_s).max(0.0));
    }
    prediction
}

/// The likeliest curve of a recipe, points at least `every_s` seconds apart, until the board is safe or goes no further.
pub fn curve(start: &Start, recipe: &Recipe, every_s: f64) -> Vec<Point> {
    let Some(course) = start.course(0, recipe) else {
        return Vec::new();
    };
    let mut course = course.with_curve(every_s);
    course.advance(recipe, usize::MAX);
    course.curve().to_vec()
}

/// A prediction in the making.
#[derive(Debug, Clone)]
pub struct Forecast {
    start: Start,
    at: usize,
    course: Option<Course>,
    likely: Option<Course>,
    /// Squared logarithms of how much later and how much earlier, for each stage's arrival and end, and for safe.
    spread: Vec<Moment>,
}

/// One moment: the likeliest, and the sums of squares of what the other courses made of it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Moment {
    likely: Option<f64>,
    later: f64,
    earlier: f64,
    /// Another course doesn't get there.
    never: bool,
}

/// Moments of a course: arrival and end of each stage, then safe.
fn moments(course: &Course) -> impl Iterator<Item = Option<f64>> + '_ {
    let safe = match course.ended {
        Some(Ended::Safe(at)) => Some(at),
        Some(Ended::NeverSafe | Ended::Stalled(..)) | None => None,
    };
    course
        .stages
        .iter()
        .flat_map(|stage| [stage.arrival, stage.end])
        .chain(std::iter::once(safe))
}

impl Forecast {
    /// Nothing is done yet.
    pub fn new(start: Start, recipe: &Recipe) -> Self {
        Self {
            course: start.course(0, recipe),
            start,
            at: 0,
            likely: None,
            spread: Vec::new(),
        }
    }

    /// Does about `steps` steps of the model. Returns the prediction once it is done. The recipe is the one that it was begun
    /// with.
    pub fn work(&mut self, recipe: &Recipe, steps: usize) -> Option<Prediction> {
        let mut left = steps;
        while left > 0 {
            let Some(course) = &mut self.course else {
                return Some(self.done(recipe));
            };
            left = course.advance(recipe, left);
            if course.ended.is_some() {
                self.take();
                self.at += 1;
                self.course = self.start.course(self.at, recipe);
                // Another course costs at least this, so that a recipe of nothing comes to an end as well.
                left = left.saturating_sub(1);
            }
        }
        None
    }

    fn take(&mut self) {
        let Some(course) = self.course.take() else { return };
        if self.likely.is_none() {
            self.spread = moments(&course)
                .map(|likely| Moment {
                    likely,
                    ..Moment::default()
                })
                .collect();
            self.likely = Some(course);
            return;
        }
        for (kept, other) in self.spread.iter_mut().zip(moments(&course)) {
            match (kept.likely, other) {
                (Some(likely), Some(other)) => {
                    let off = ((other + FLOOR_S) / (likely + FLOOR_S)).ln();
                    if off > 0.0 {
                        kept.later += off * off;
                    } else {
                        kept.earlier += off * off;
                    }
                }
                (Some(_), None) => kept.never = true,
                (None, _) => {}
            }
        }
    }

    fn done(&self, recipe: &Recipe) -> Prediction {
        let Some(likely) = &self.likely else {
            return Prediction {
                stages: Vec::new(),
                safe: When::Open(Open::Unknown),
                most: self.start.most,
                delay_s: None,
            };
        };
        let first = match self.start.place {
            Place::Ramp(stage) | Place::Dwell(stage, _) => stage,
            Place::Cooling => recipe.stages.len(),
        };
        let mut open: Option<Open> = None;
        let unseen = self.start.unseen;
        // What is known to differ from run to run until now, squared seconds, and the end of the stage before.
        let (mut floor, mut before) = (FLOOR_S * FLOOR_S, 0.0);
        let mut stages = Vec::with_capacity(recipe.stages.len());
        for (at, stage) in likely.stages.iter().enumerate() {
            let dwell_s = recipe.stages[at].dwell.seconds();
            let [arrival, end] = [2 * at, 2 * at + 1].map(|moment| self.spread[moment]);
            let governs = governs(stage, before, dwell_s);
            if at < first {
                stages.push(StagePrediction {
                    target: recipe.stages[at].target,
                    arrival: When::Past,
                    end: When::Past,
                    governs,
                    holding: stage.holding,
                });
                continue;
            }
            let dwelling = matches!(self.start.place, Place::Dwell(stage, _) if stage == at);
            let arrived = if dwelling {
                When::Past
            } else {
                if open.is_none() {
                    open = self.obstacle(likely, at, &arrival);
                }
                let ramp = arrival.likely.unwrap_or(before) - before;
                floor += (RAMP_FLOOR * ramp).powi(2);
                open.map_or_else(|| arrival.when(floor, unseen, Open::Unknown), When::Open)
            };
            if let When::Open(why) = arrived {
                open.get_or_insert(why);
            }
            let ended = open.map_or_else(|| end.when(floor, unseen, Open::Unknown), When::Open);
            before = end.likely.unwrap_or(before);
            stages.push(StagePrediction {
                target: recipe.stages[at].target,
                arrival: arrived,
                end: ended,
                governs,
                holding: stage.holding,
            });
        }
        let safe = self.spread[self.spread.len() - 1];
        if let Some(at) = safe.likely {
            floor += (COOLING_FLOOR * (at - before)).powi(2);
        }
        Prediction {
            stages,
            safe: open.map_or_else(|| safe.when(floor, unseen, Open::WarmRoom), When::Open),
            most: self.start.most,
            delay_s: None,
        }
    }

    /// What stands in the way of a stage's target.
    fn obstacle(&self, likely: &Course, stage: usize, arrival: &Moment) -> Option<Open> {
        if let Some(Ended::Stalled(stalled, stays_at)) = likely.ended
            && stalled == stage
        {
            return Some(Open::Unreachable { stage, stays_at });
        }
        let holding = likely.stages[stage].holding / self.start.most;
        let wide = arrival.later.sqrt() * RANGE_SDS > RANGE_MAX.ln();
        if holding > HOLDING_MAX || (arrival.never || wide) && holding > HOLDING_MUCH {
            return Some(Open::NearPowerLimit {
                stage,
                holding: holding.min(1.0),
            });
        }
        None
    }
}

impl Moment {
    /// `floor`: variance of what differs from run to run, s². `unseen`: see [`Start`]. `never`: why, if another course doesn't get there.
    fn when(&self, floor: f64, unseen: f64, never: Open) -> When {
        let Some(likely) = self.likely else {
            return When::Open(never);
        };
        let floor = floor.sqrt() / (likely + FLOOR_S);
        let side = |squares: f64| (RANGE_SDS * (squares + floor * floor + unseen * unseen).sqrt()).exp();
        let (later, earlier) = (side(self.later), side(self.earlier));
        if self.never {
            return When::Open(never);
        }
        if later.max(earlier) > RANGE_MAX && likely * (later - 1.0) > 20.0 {
            return When::Open(Open::Unknown);
        }
        When::Expected(Expected {
            likely_s: likely,
            earliest_s: ((likely + FLOOR_S) / earlier - FLOOR_S).max(0.0),
            latest_s: (likely + FLOOR_S) * later - FLOOR_S,
        })
    }
}

fn governs(stage: &course::StageCourse, before: f64, dwell_s: f64) -> Governs {
    let ramp = stage.arrival.map_or(f64::INFINITY, |arrival| arrival - before);
    if dwell_s > ramp {
        Governs::Dwell
    } else if stage.limited_s > stage.full_s {
        Governs::RampLimit
    } else if stage.holding > HOLDING_MUCH {
        Governs::Power
    } else {
        Governs::ThermalMass
    }
}

#[cfg(test)]
mod tests;
