//! `rise-too-fast`: a channel rises faster than a board may, and faster than a healthy bench heats one.
//!
//! The slope is the least-squares line through the readings of the last [`SMOOTHED_OVER`] (three of them at least, so
//! two periods of a channel that is read more slowly than once a second). It acts when that slope has been above
//! the limit, [`RISE_MAX`](crate::limits::RISE_MAX) unless a safety role has set another, for [`CONFIRM`] of the channel's own time.
//!
//! Why these figures:
//!
//! * 6 °C/s is above what a bench is asked for (reflow profiles stay at or below 3 °C/s; IPC/JEDEC J-STD-020, from
//!   memory) and what the lightest board on the quickest heater does of itself, so what is faster is a heater out of
//!   control, a bead on the element, or a value that jumps.
//! * Noise of 0.2 °C (standard deviation) makes a slope of 0.05 °C/s at 20 Hz and 0.14 °C/s at 1 Hz over 2 s; a
//!   converter's step of 0.25 °C at most 0.2 °C/s. Both are far from 6.
//! * One wild reading lifts the slope only until the next ones are in: at 1 Hz it is over at the next reading, at
//!   20 Hz within 0.4 s for a reading 100 °C off. A value that jumps and stays, by 11 °C or more, is confirmed: the
//!   thermocouple is not telling of the board any more (or a bead was pressed on again while the heat was on).
//!
//! Only readings from after the heat became possible count: a bead that was taped on just before a start reads a jump.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};
use crate::limits::LimitName;
use crate::channel::Channel;
use crate::units::{CelsiusPerSecond, Millis};

/// How long it has to last.
const CONFIRM: Millis = Millis::from_secs(1);
/// Length of the line through the readings.
const SMOOTHED_OVER: Millis = Millis::from_secs(2);

/// For each channel, in the station's order: the sample time since which its slope has been above the limit.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct RiseTooFast {
    over_since: Vec<Option<Millis>>,
}

impl RiseTooFast {
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        self.over_since.resize(facts.channels.len(), None);
        // Where no heat is possible, what is asked is whether the cause of a trip still stands.
        let limit = facts.rise_max.per_second();
        let since = facts.heating.map_or(Millis::ZERO, |heating| heating.since);
        let mut observation = Observation::Good;
        for (channel, over_since) in facts.channels.iter().zip(&mut self.over_since) {
            let Some((at, slope)) = slope(channel, since).filter(|(_, slope)| slope.per_second() > limit) else {
                *over_since = None;
                continue;
            };
            let lasted = at.since(*over_since.get_or_insert(at));
            if lasted >= CONFIRM {
                let rate = slope.per_second();
                return Observation::Bad(Cause {
                    channel: Some(channel.name.clone()),
                    value: Some(super::hundredths(rate)),
                    limit: Some(limit),
                    unit: "Cel/s",
                    scan: Some(channel.scans),
                    ..Cause::plain(
                        Effect::Cut,
                        format!(
                            "channel {} rises {rate:.1} °C/s (for {lasted}), limit {limit:.1} °C/s for {CONFIRM}",
                            channel.name
                        ),
                    )
                });
            }
            let text = format!("channel {} rises {:.1} °C/s, limit {limit:.1} °C/s", channel.name, slope.per_second());
            observation = Observation::Unknown(text.into());
        }
        observation
    }
}

/// When the channel was last sampled, and how fast it rises.
fn slope(channel: &Channel, since: Millis) -> Option<(Millis, CelsiusPerSecond)> {
    let (at, _) = channel.newest?;
    let over = SMOOTHED_OVER.max(channel.period * 2);
    Some((at, channel.trend.slope(over, since)?))
}

/// The figures that it acts at.
pub(super) fn thresholds(in_force: &InForce) -> Vec<Threshold> {
    let (limit, from) = in_force.rise_max;
    vec![
        Threshold::moved(LimitName::RiseMax, limit.per_second(), from),
        Threshold::time("smoothed over", SMOOTHED_OVER),
        Threshold::time("confirmed after", CONFIRM),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::bench::Bench;

    /// The second at which it acts on a board that rises by so much a second; the limit is 6 °C/s.
    fn acts(rise: f64) -> Option<u32> {
        let (mut bench, mut interlock) = (Bench::new(1), RiseTooFast::default());
        (0..30_u32).find(|second| {
            bench.read(Millis::from_secs(u64::from(*second)), &[30.0 + rise * f64::from(*second)]);
            matches!(interlock.observe(&bench.facts()), Observation::Bad(_))
        })
    }

    #[test]
    fn the_limit_itself_is_allowed() {
        assert_eq!(acts(6.0), None);
        assert!(acts(6.25).is_some());
    }
}
