//! The estimate of what can't be read: how hot the element is, where the board really is, what disturbs it.
//!
//! An extended Kalman filter on the board model with the heat that was really granted. Source of the form: Simon,
//! *Optimal State Estimation* (2006), hybrid extended Kalman filter; from memory.
//!
//! Beside it run its *shadows*: one per parameter, each with that parameter a little different, corrected by the same
//! gain. They say what the filter would believe if the parameter were different, without which nobody could tell how
//! much a forecast depends on it: a board that warms faster is thought to have a cooler element, since the slope
//! has been seen.

use nalgebra::{SMatrix, SVector};

use crate::model::{Belief, Model, PARAMETERS, State, Theta};

const STATES: usize = 6;
type Covariance = SMatrix<f64, STATES, STATES>;

/// Standard deviation of a reading about the model's, °C: noise and steps of a usual converter.
const READING_SD: f64 = 0.2;

/// A model with its neighbours: the same with one parameter nudged each.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Family {
    pub(super) theta: Theta,
    pub(super) model: Model,
    pub(super) neighbours: [Model; PARAMETERS],
    pub(super) nudges: Theta,
}

impl Family {
    /// Nudges are a part of the standard deviation that was believed at first: enough to be no rounding, small
    /// enough to be linear.
    pub(super) fn new(theta: &Theta, belief: &Belief, room: f64) -> Self {
        let nudges = belief.sd.map(|sd| (0.1 * sd).max(0.01));
        Self {
            theta: *theta,
            model: Model::new(theta, room),
            neighbours: std::array::from_fn(|at| {
                let mut theta = *theta;
                theta[at] += nudges[at];
                Model::new(&theta, room)
            }),
            nudges,
        }
    }
}

/// How a run began: the first reading, °C, and how fast it rose without heat, °C/s; zero where that was nothing to speak of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Began {
    pub(super) celsius: f64,
    pub(super) drift: f64,
}

impl Began {
    /// What it says of element and board, by a model.
    pub(super) fn state(self, model: &Model) -> State {
        model.drifting(self.celsius, self.drift)
    }

    /// The temperature of the room, °C: a board that starts warm, or is being warmed, says nothing of it.
    pub(super) fn room(self) -> f64 {
        if self.celsius >= 35.0 {
            24.0
        } else if self.drift > 0.0 {
            self.celsius.min(24.0)
        } else {
            self.celsius
        }
    }
}

/// The filter: the state with its covariance, and its shadows.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Filter {
    pub(super) state: State,
    pub(super) shadows: [State; PARAMETERS],
    covariance: Covariance,
}

fn vector(state: &State) -> SVector<f64, STATES> {
    SVector::from([
        state.element,
        state.board,
        state.reading,
        state.warm,
        state.slow,
        state.disturbance,
    ])
}

fn state(vector: &SVector<f64, STATES>) -> State {
    State {
        element: vector[0],
        board: vector[1],
        reading: vector[2],
        warm: vector[3].clamp(0.0, 1.0),
        slow: vector[4],
        disturbance: vector[5],
    }
}

impl Filter {
    /// Where a run begins. `family`: its shadows begin where the same is seen of them.
    pub(super) fn beginning(family: &Family, began: Began) -> Self {
        let state = began.state(&family.model);
        Self {
            shadows: std::array::from_fn(|at| began.state(&family.neighbours[at])),
            ..Self::around(state)
        }
    }

    pub(super) fn around(state: State) -> Self {
        // A board that comes from another bench, or lies on one that was just used, is not quite at rest.
        let element = (0.3 * (state.element - state.board)).max(3.0);
        let sd = [element, 0.5, 0.3, 0.05, 1.0, 0.01];
        Self {
            state,
            shadows: [state; PARAMETERS],
            covariance: Covariance::from_diagonal(&SVector::from(sd.map(|sd: f64| sd * sd))),
        }
    }

    /// Lets `dt` seconds pass with `heat`.
    pub(super) fn predict(&mut self, family: &Family, dt: f64, heat: f64) {
        for (model, shadow) in family.neighbours.iter().zip(&mut self.shadows) {
            model.advance(shadow, dt, heat);
        }
        self.predict_alone(&family.model, dt, heat);
    }

    /// The same for who doesn't look at the shadows.
    pub(super) fn predict_alone(&mut self, model: &Model, dt: f64, heat: f64) {
        // Steps of differences: large against rounding, small against curvature.
        const NUDGE: [f64; STATES] = [0.5, 0.1, 0.1, 0.01, 0.1, 0.01];
        /// Variance per second of what the model doesn't know.
        const WANDER: [f64; STATES] = [10.0, 5e-3, 2e-3, 4e-8, 1e-3, 4e-4];
        let before = vector(&self.state);
        let advanced = |from: &SVector<f64, STATES>| {
            let mut at = state(from);
            model.advance(&mut at, dt, heat);
            vector(&at)
        };
        let after = advanced(&before);
        let mut transition = Covariance::identity();
        for column in 0..STATES {
            let mut nudged = before;
            nudged[column] += NUDGE[column];
            let difference = (advanced(&nudged) - after) / NUDGE[column];
            transition.set_column(column, &difference);
        }
        let mut covariance = transition * self.covariance * transition.transpose();
        for at in 0..STATES {
            covariance[(at, at)] += WANDER[at] * dt;
        }
        self.covariance = covariance;
        self.state = state(&after);
    }

    /// Takes in a reading.
    pub(super) fn correct(&mut self, celsius: f64) {
        const READING: usize = 2;
        let column = self.covariance.column(READING).into_owned();
        let gain = column / (column[READING] + READING_SD * READING_SD);
        for at in std::iter::once(&mut self.state).chain(&mut self.shadows) {
            *at = state(&(vector(at) + gain * (celsius - at.reading)));
        }
        let covariance = self.covariance - gain * column.transpose();
        // Rounding must not make it lopsided over hours.
        self.covariance = (covariance + covariance.transpose()) * 0.5;
        if !(vector(&self.state).sum() + self.covariance.sum()).is_finite() {
            *self = Self::around(State::at_rest(celsius));
        }
    }
}
