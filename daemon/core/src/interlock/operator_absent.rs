//! `operator-absent`: heat is on and nobody has confirmed to be there for the limit.
//!
//! Warns at 80 % of the limit, so that somebody who is there can confirm before the heat goes.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};
use crate::limits::LimitName;
use crate::units::Millis;

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct OperatorAbsent;

impl OperatorAbsent {
    #[expect(clippy::unused_self, reason = "the table calls every condition the same way")]
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        // No heat, no duty to be there: the clock starts with the heat, and confirming ends the cause.
        let Some(heating) = facts.heating else { return Observation::Good };
        let absent = facts.presence.absent_for(facts.now, heating.since);
        let limit = facts.absent_after;
        if absent >= limit {
            Observation::Bad(Cause::lasted(
                Effect::HeatOff,
                format!("nobody confirmed presence for {absent}, limit {limit}"),
                absent,
                limit,
            ))
        } else if absent >= warn_at(limit) {
            Observation::Warn(
                format!("nobody confirmed presence for {absent}; heat goes off at {limit}: confirm presence").into(),
            )
        } else {
            Observation::Good
        }
    }
}

/// 80 % of the limit.
fn warn_at(limit: Millis) -> Millis {
    Millis(limit.0 / 5 * 4)
}

/// The figures that it acts at.
pub(super) fn thresholds(in_force: &InForce) -> Vec<Threshold> {
    let (limit, from) = in_force.absent_after;
    vec![
        Threshold::moved(LimitName::AbsentAfter, limit.seconds(), from),
        Threshold::time("warns after", warn_at(limit)),
    ]
}
