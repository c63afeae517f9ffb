//! `run-too-long`: the run takes longer than its limit, so something is not as planned.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};
use crate::limits::LimitName;

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct RunTooLong;

impl RunTooLong {
    #[expect(clippy::unused_self, reason = "the table calls every condition the same way")]
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        match facts.heating {
            Some(heating) if heating.total > heating.limit => Observation::Bad(Cause::lasted(
                Effect::HeatOff,
                format!("the run has heated for {}, limit {}", heating.total, heating.limit),
                heating.total,
                heating.limit,
            )),
            Some(_) | None => Observation::Good,
        }
    }
}

/// The figures that it acts at.
pub(super) fn thresholds(in_force: &InForce) -> Vec<Threshold> {
    in_force
        .run_max
        .map(|(limit, from)| Threshold::moved(LimitName::RunMax, limit.seconds(), from))
        .into_iter()
        .collect()
}
