//! `over-temperature`: no channel may pass the effective ceiling.
//!
//! Acts at the second scan in a row above the ceiling: one scan alone can be a glitch of the converter. Well
//! above it, [`AT_ONCE_ABOVE`], one scan is enough, since a glitch that far up is worth a cut too.
//!
//! It has no memory of its own: the channel keeps its last two good values, and both are compared with the
//! ceiling that counts *now*. So a ceiling that somebody lowers acts at the next evaluation on what has
//! already been read.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};
use crate::units::CelsiusDelta;

/// How far above the ceiling one scan is enough.
const AT_ONCE_ABOVE: CelsiusDelta = CelsiusDelta::constant(10.0);

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct OverTemperature;

impl OverTemperature {
    // `&mut self` as every condition has it; this one happens to remember nothing.
    #[expect(clippy::unused_self, reason = "the table calls every condition the same way")]
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        let limit = facts.ceiling.celsius;
        let mut observation = Observation::Good;
        for channel in facts.channels {
            let Some(value) = channel.good else {
                observation = super::unread(channel);
                continue;
            };
            let confirmed = value > limit && channel.good_before.is_some_and(|before| before > limit);
            let far_above = value >= limit + AT_ONCE_ABOVE;
            if confirmed || far_above {
                return Observation::Bad(Cause {
                    effect: Effect::Cut,
                    text: format!(
                        "channel {} read {value}, limit {limit} (set by {})",
                        channel.name, facts.ceiling.from
                    )
                    .into(),
                    channel: Some(channel.name.clone()),
                    value: Some(value.degrees()),
                    limit: Some(limit.degrees()),
                    unit: "Cel",
                    scan: Some(channel.scans),
                });
            }
        }
        observation
    }
}

/// The figures that it acts at.
pub(super) fn thresholds(in_force: &InForce) -> Vec<Threshold> {
    vec![
        Threshold::ceiling(in_force.ceiling),
        Threshold::fixed("in a row", 2.0, "1"),
        Threshold::fixed("at once above the ceiling by", AT_ONCE_ABOVE.degrees(), "K"),
    ]
}
