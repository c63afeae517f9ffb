//! The receding horizon: the heat of the next while that brings the board along its reference.
//!
//! Seven moves, short ones first, are chosen so that the squared distance from the reference, steep for what is
//! above the limit, and the changes of heat are least together: two Gauss-Newton steps on rollouts of the model,
//! each a small quadratic programme with heat between none and full, solved by projected coordinate descent. The
//! first move is carried out and the rest is thought over again a second later.
//!
//! Source of the form: Rawlings, Mayne and Diehl, *Model Predictive Control* (2017); move blocking and soft
//! constraints from memory.

use nalgebra::{SMatrix, SVector};

use crate::model::{Model, State};

const MOVES: usize = 7;
/// Lengths of the moves, in parts of the horizon.
const PARTS: [f64; MOVES] = [1.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0];
/// Step of the rollouts, seconds.
const STEP_S: f64 = 1.0;
/// Most steps of a horizon.
const STEPS_MAX: usize = 200;
/// How much worse a degree above the limit is than one beside the reference.
const EXCESS: f64 = 10.0;
/// Price of a change of heat from move to move, °C² for the whole range.
const CHANGE: f64 = 0.2;

type Moves = SVector<f64, MOVES>;

/// The moves that were thought out last.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Horizon {
    moves: Moves,
}

/// What the board shall do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Wish {
    /// Where the reference is now, °C.
    pub(super) from: f64,
    /// How fast it moves, °C/s; infinite where nothing limits it.
    pub(super) rate: f64,
    /// Where it ends.
    pub(super) target: f64,
    /// What the board shall not pass.
    pub(super) limit: f64,
}

impl Wish {
    fn after(&self, seconds: f64) -> f64 {
        if self.rate.is_finite() {
            let way = self.rate * seconds;
            if self.target >= self.from {
                (self.from + way).min(self.target)
            } else {
                (self.from - way).max(self.target)
            }
        } else {
            self.target
        }
    }
}

impl Horizon {
    pub(super) fn new() -> Self {
        Self {
            moves: Moves::zeros(),
        }
    }

    /// Heat for the next second.
    pub(super) fn think(&mut self, model: &Model, from: &State, before: f64, most: f64, wish: &Wish) -> f64 {
        let length = (3.0 * (model.heater_lag + model.sensor_lag)).clamp(25.0, 160.0);
        let parts: f64 = PARTS.iter().sum();
        // In whole steps, at least one a move.
        let mut ends = [0_usize; MOVES];
        let mut end = 0.0;
        for (at, part) in PARTS.iter().enumerate() {
            end += length * part / parts / STEP_S;
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "at most 200"
            )]
            let whole = end.round() as usize;
            ends[at] = whole.max(at + 1).min(STEPS_MAX);
        }
        for _ in 0..2 {
            self.improve(model, from, before, most, wish, &ends);
        }
        self.moves[0]
    }

    fn improve(
        &mut self,
        model: &Model,
        from: &State,
        before: f64,
        most: f64,
        wish: &Wish,
        ends: &[usize; MOVES],
    ) {
        const NUDGE: f64 = 0.05;
        let steps = ends[MOVES - 1];
        let mut path = [0.0; STEPS_MAX];
        let mut starts = [*from; MOVES];
        let mut state = *from;
        let mut at = 0;
        for (block, end) in ends.iter().enumerate() {
            starts[block] = state;
            while at < *end {
                model.advance(&mut state, STEP_S, self.moves[block]);
                path[at] = model.site(&state);
                at += 1;
            }
        }
        let mut error = [0.0; STEPS_MAX];
        let mut weight = [0.0; STEPS_MAX];
        let mut pull = [0.0; STEPS_MAX];
        for at in 0..steps {
            #[expect(clippy::cast_precision_loss, reason = "at most 200")]
            let seconds = (at + 1) as f64 * STEP_S;
            error[at] = wish.after(seconds) - path[at];
            let excess = path[at] - wish.limit;
            // The reference pulls with weight 1, the limit with its own once it is passed.
            weight[at] = 1.0 + if excess > 0.0 { EXCESS } else { 0.0 };
            pull[at] = error[at] - if excess > 0.0 { EXCESS * excess } else { 0.0 };
        }
        // Gradient and Gauss-Newton Hessian of the cost in the moves.
        let mut hessian = SMatrix::<f64, MOVES, MOVES>::zeros();
        let mut gradient = Moves::zeros();
        let mut slopes = [[0.0; MOVES]; STEPS_MAX];
        for block in 0..MOVES {
            let mut state = starts[block];
            let first = if block == 0 { 0 } else { ends[block - 1] };
            // Nudged towards the inside of the range.
            let nudge = if self.moves[block] > 0.5 { -NUDGE } else { NUDGE };
            let mut move_at = block;
            for at in first..steps {
                while at >= ends[move_at] {
                    move_at += 1;
                }
                let heat = self.moves[move_at] + if move_at == block { nudge } else { 0.0 };
                model.advance(&mut state, STEP_S, heat);
                slopes[at][block] = (model.site(&state) - path[at]) / nudge;
            }
        }
        for at in 0..steps {
            let row = &slopes[at];
            for i in 0..MOVES {
                gradient[i] -= row[i] * pull[at];
                for j in 0..=i {
                    hessian[(i, j)] += weight[at] * row[i] * row[j];
                }
            }
        }
        for i in 0..MOVES {
            for j in 0..i {
                hessian[(j, i)] = hessian[(i, j)];
            }
        }
        let mut previous = before;
        for i in 0..MOVES {
            let change = self.moves[i] - previous;
            gradient[i] += CHANGE * change;
            hessian[(i, i)] += CHANGE;
            if i > 0 {
                gradient[i - 1] -= CHANGE * change;
                hessian[(i - 1, i - 1)] += CHANGE;
                hessian[(i, i - 1)] -= CHANGE;
                hessian[(i - 1, i)] -= CHANGE;
            }
            previous = self.moves[i];
        }
        let mut step = Moves::zeros();
        for _ in 0..30 {
            for i in 0..MOVES {
                let curvature = hessian[(i, i)];
                if curvature <= 1e-12 {
                    continue;
                }
                let mut slope = gradient[i];
                for j in 0..MOVES {
                    slope += hessian[(i, j)] * step[j];
                }
                let wanted = step[i] - slope / curvature;
                step[i] = wanted.max(-self.moves[i]).min(most - self.moves[i]);
            }
        }
        self.moves = (self.moves + step).map(|heat| {
            if heat.is_finite() {
                heat.clamp(0.0, most)
            } else {
                0.0
            }
        });
    }
}
