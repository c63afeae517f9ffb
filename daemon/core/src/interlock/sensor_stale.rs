//! `sensor-stale`: a channel that the run needs has gone silent.
//!
//! Silence is judged by when the newest value was *sampled*, so that a driver that goes on repeating an old
//! value with its true time is caught too.
//!
//! As long as the daemon's own loop is late, the silence is its own and not the sensor's: what was said meanwhile is
//! still to be read. Half a second of it takes the heat away by `clock`; blaming a sensor would send a safety role to
//! look for a fault that isn't there.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct SensorStale;

impl SensorStale {
    #[expect(clippy::unused_self, reason = "the table calls every condition the same way")]
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        if facts.late.is_some() {
            return Observation::Good;
        }
        // A channel whose driver is gone is silent too; `driver-lost` says which and why.
        if let Some((link, loss)) = facts.links.iter().find_map(|link| Some((link, link.loss.as_ref()?))) {
            return Observation::Unknown(format!("driver {} {loss}", link.instance).into());
        }
        for channel in facts.channels {
            let limit = channel.silence_allowed(facts.host.silence_floor);
            match channel.silent_for(facts.now) {
                Some(silent) if silent.since(facts.behind) <= limit => {}
                Some(silent) => {
                    return Observation::Bad(Cause {
                        channel: Some(channel.name.clone()),
                        scan: Some(channel.scans),
                        ..Cause::lasted(
                            Effect::Cut,
                            format!("channel {} has been silent for {silent}, limit {limit}", channel.name),
                            silent,
                            limit,
                        )
                    });
                }
                None => {
                    return Observation::Bad(Cause {
                        channel: Some(channel.name.clone()),
                        ..Cause::plain(Effect::Cut, format!("channel {} has no reading yet", channel.name))
                    });
                }
            }
        }
        Observation::Good
    }
}

/// The figures that it acts at.
pub(super) fn thresholds(in_force: &InForce) -> Vec<Threshold> {
    vec![
        Threshold::fixed("periods", 3.0, "1"),
        Threshold::time("at least", in_force.host.silence_floor),
    ]
}
