//! `stop`: somebody pressed stop.
//!
//! A press is a moment, not a state: its cause is gone at once, and what keeps the heat off is the latch.
//! Stopping one station is "heat off"; stopping the whole lab is a cut, since whoever stops everything has
//! seen something that a safety role should look at.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct Stop;

impl Stop {
    #[expect(clippy::unused_self, reason = "the table calls every condition the same way")]
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        match facts.stop {
            None => Observation::Good,
            Some(press) if press.whole_lab => {
                Observation::Bad(Cause::plain(Effect::Cut, format!("{} stopped the whole lab", press.by)))
            }
            Some(press) => {
                Observation::Bad(Cause::plain(Effect::HeatOff, format!("{} pressed stop here", press.by)))
            }
        }
    }
}

/// The figures that it acts at.
pub(super) fn thresholds(_: &InForce) -> Vec<Threshold> {
    Vec::new()
}
