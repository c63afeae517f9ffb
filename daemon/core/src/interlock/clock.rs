//! `clock`: the daemon's own loop was late.
//!
//! Stopped and continued, suspended, starved of processor time: whatever happened, readings from before it say
//! nothing about now, and a loop that was late once may be late again. The drivers' permits have lapsed by
//! then; this makes it known and leaves the decision to go on to a person.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct Clock;

impl Clock {
    #[expect(clippy::unused_self, reason = "the table calls every condition the same way")]
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        match facts.late {
            None => Observation::Good,
            Some(late) => Observation::Bad(Cause::lasted(
                Effect::HeatOff,
                format!("the daemon's loop was {late} late, limit {}", facts.host.late_max),
                late,
                facts.host.late_max,
            )),
        }
    }
}

/// The figures that it acts at.
pub(super) fn thresholds(in_force: &InForce) -> Vec<Threshold> {
    vec![Threshold::time("late by", in_force.host.late_max)]
}
