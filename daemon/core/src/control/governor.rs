//! The governor: the most heat from which the board still coasts to a stop below a limit.
//!
//! Heat that is in the element already will reach the board whatever is done now. So the question before each
//! grant is not where the board is, but how high it would go if this were the last heat it got. It is the part
//! of the control that keeps a board from passing its target, and is short for that reason.

use super::filter::{Family, Filter};
use crate::model::{Model, STEP_S, State, Theta};

/// How far a coast is followed, seconds: several lags of the slowest element.
const COAST_S: f64 = 240.0;
/// A coast is followed in steps of this part of the element's lag, and at most of this many seconds: at its peak the
/// board hardly moves, so that the peak is met even so.
const COAST_STEPS: f64 = 16.0;
const COAST_STEP_MAX_S: f64 = 2.0;

/// What becomes of the board if heat is given for a moment and then no more.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Coast {
    /// Highest temperature, °C.
    peak: f64,
    /// Fastest rise, °C/s.
    steepest: f64,
}

fn coast(model: &Model, from: &State, heat: f64, on_s: f64) -> Coast {
    let mut state = *from;
    model.advance(&mut state, on_s, heat);
    let mut coast = Coast {
        peak: from.board.max(state.board),
        steepest: model.slope(&state, 0.0),
    };
    let step = (model.heater_lag / COAST_STEPS).clamp(STEP_S, COAST_STEP_MAX_S);
    let mut passed = 0.0;
    while passed < COAST_S {
        let before = state.board;
        model.coast(&mut state, step);
        passed += step;
        coast.steepest = coast.steepest.max((state.board - before) / step);
        if state.board > coast.peak {
            coast.peak = state.board;
        } else if state.board < before && passed > 3.0 * step {
            break;
        }
    }
    coast
}

/// The most heat for `on_s` seconds after which the board, coasting, neither passes `limit` nor rises faster than `rate`.
pub(super) fn most(model: &Model, from: &State, on_s: f64, limit: f64, rate: f64) -> f64 {
    let full = coast(model, from, 1.0, on_s);
    if full.peak <= limit && full.steepest <= rate {
        return 1.0;
    }
    let none = coast(model, from, 0.0, on_s);
    // Both are nearly linear in the heat of a short time.
    let share = |none: f64, full: f64, limit: f64| {
        if full <= limit {
            1.0
        } else if none >= limit {
            0.0
        } else {
            (limit - none) / (full - none)
        }
    };
    share(none.peak, full.peak, limit).min(share(none.steepest, full.steepest, rate))
}

/// How far the board rises after `heat`, and how that depends on each parameter, with what the filter would
/// believe if it were different.
pub(super) fn sensitivity(family: &Family, filter: &Filter, heat: f64, on_s: f64) -> (f64, Theta) {
    let middle = coast(&family.model, &filter.state, heat, on_s).peak;
    let slopes = Theta::from_fn(|at, _| {
        (coast(&family.neighbours[at], &filter.shadows[at], heat, on_s).peak - middle) / family.nudges[at]
    });
    (middle - filter.state.board, slopes)
}
