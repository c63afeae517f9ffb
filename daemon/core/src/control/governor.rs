//! The governor: the most heat from which the board still coasts to a stop below a limit.
//!
//! Heat that is in the element already will reach the board whatever is done now. So the question before each
//! grant is not where the board is, but how high it would go if this were the last heat it got; how high, that is, where it is
//! measured: heat on its way through the board is spread by then. It is the part
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
    /// Highest temperature where the board is measured, °C.
    peak: f64,
    /// Fastest rise of the board that takes the heat, °C/s: what it does now the rest of the board does soon.
    steepest: f64,
}

fn coast(model: &Model, from: &State, heat: f64, on_s: f64) -> Coast {
    let mut state = *from;
    model.advance(&mut state, on_s, heat);
    let mut site = model.site(&state);
    let mut coast = Coast {
        peak: model.site(from).max(site),
        steepest: model.slope(&state, 0.0),
    };
    let step = (model.heater_lag / COAST_STEPS).clamp(STEP_S, COAST_STEP_MAX_S);
    let mut passed = 0.0;
    while passed < COAST_S {
        let (before, board_before) = (site, state.board);
        model.coast(&mut state, step);
        site = model.site(&state);
        passed += step;
        coast.steepest = coast.steepest.max((state.board - board_before) / step);
        if site > coast.peak {
            coast.peak = site;
        } else if site < before && passed > 3.0 * step {
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
    (middle - family.model.site(&filter.state), slopes)
}
