//! `sensor-fault`: a channel that the run needs reports a fault.
//!
//! Acts after three scans or half a second of it, whichever comes first: a single bad conversion is common,
//! and until it is confirmed the heat holds back (see `station`). Every wired channel is needed: a channel
//! that nobody needs is not wired.
//!
//! Time in which the daemon's own loop was late doesn't count: the next scan may be waiting to be read.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};
use crate::channel::Sample;
use crate::units::Millis;

/// Faulty scans in a row that confirm it.
const CONFIRM_SCANS: u32 = 3;
/// How long a fault may last, for a channel that is sampled slowly.
const CONFIRM_TIME: Millis = Millis(500);

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct SensorFault;

impl SensorFault {
    #[expect(clippy::unused_self, reason = "the table calls every condition the same way")]
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        let mut observation = Observation::Good;
        for channel in facts.channels {
            let fault = match channel.newest {
                Some((_, Sample::Good(_))) => continue,
                Some((_, Sample::Fault(fault))) => fault,
                None => {
                    observation = super::unread(channel);
                    continue;
                }
            };
            let lasted = channel.fault_since.map_or(Millis::ZERO, |since| facts.now.since(since).since(facts.behind));
            if channel.faults >= CONFIRM_SCANS || lasted >= CONFIRM_TIME {
                return Observation::Bad(Cause {
                    channel: Some(channel.name.clone()),
                    scan: Some(channel.scans),
                    ..Cause::plain(
                        Effect::Cut,
                        format!(
                            "channel {} reports the fault `{fault}` ({} scans, {lasted}); limit {CONFIRM_SCANS} \
                             scans or {CONFIRM_TIME}",
                            channel.name, channel.faults
                        ),
                    )
                });
            }
            observation = Observation::Unknown(format!("channel {} reports the fault `{fault}`", channel.name).into());
        }
        observation
    }
}

/// The figures that it acts at.
pub(super) fn thresholds(_: &InForce) -> Vec<Threshold> {
    vec![
        Threshold::fixed("in a row", f64::from(CONFIRM_SCANS), "1"),
        Threshold::time("or for", CONFIRM_TIME),
    ]
}
