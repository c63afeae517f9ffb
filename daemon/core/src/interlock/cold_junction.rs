//! `cold-junction`: the place where the thermocouple's wires end is too cold, too warm, or jumps.
//!
//! A thermocouple measures the difference between its two ends, so whatever its cold junction is wrong by, the reading
//! is wrong by too: degree for degree, and with no fault that anybody would see. A driver that tells the cold junction
//! beside its value lets it be watched.
//!
//! Acts after [`CONFIRM_SCANS`] scans in a row in which the cold junction is outside [`LOW`] to [`HIGH`], or has moved
//! from the last good one by more than [`JUMP`] a second (never less than that in all, however close two scans are). A
//! terminal block has grams of brass and moves by less than 0.1 °C/s (common practice, no source, as the limit is); what
//! jumps is a broken sensor or a converter that mixes up its channels. The last good one stays the measure while it
//! jumps, so that a value that jumps and stays is confirmed; the allowance grows with time, so that 15 °C are forgiven
//! after 3 s, and a safety role can reset.
//!
//! A channel whose driver doesn't tell a cold junction is never judged: there is nothing to judge.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold, hundredths};
use crate::channel::Channel;
use crate::units::{Celsius, Millis};

/// Lowest and highest cold junction that a converter is specified for.
const LOW: Celsius = Celsius::constant(0.0);
const HIGH: Celsius = Celsius::constant(60.0);
/// How far it may move in a second, °C.
const JUMP: f64 = 5.0;
/// Scans in a row that confirm it.
const CONFIRM_SCANS: u32 = 3;

/// What is remembered of one channel's cold junction.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize)]
struct Seen {
    /// Scans of the channel up to the last look.
    scans: u64,
    /// The last one that was good.
    good: Option<(Millis, f64)>,
    /// Bad ones in a row up to the newest.
    bad: u32,
}

/// For each channel, in the station's order.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct ColdJunction {
    seen: Vec<Seen>,
}

impl ColdJunction {
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        self.seen.resize(facts.channels.len(), Seen::default());
        let mut observation = Observation::Good;
        for (channel, seen) in facts.channels.iter().zip(&mut self.seen) {
            let Some((at, junction)) = channel.cold_junction else {
                *seen = Seen::default();
                if channel.newest.is_none() {
                    observation = super::unread(channel);
                }
                continue;
            };
            let wrong = wrong(at, junction, seen.good);
            if seen.scans != channel.scans {
                seen.scans = channel.scans;
                if wrong.is_some() {
                    seen.bad = seen.bad.saturating_add(1);
                } else {
                    seen.bad = 0;
                    seen.good = Some((at, junction.degrees()));
                }
            }
            let Some(wrong) = wrong else { continue };
            if seen.bad >= CONFIRM_SCANS {
                return bad(channel, &wrong, seen.bad);
            }
            let text = format!("the cold junction of channel {} {}", channel.name, wrong.text);
            observation = Observation::Unknown(text.into());
        }
        observation
    }
}

/// What is wrong with a cold junction: measured, limit, in words.
struct Wrong {
    value: f64,
    limit: f64,
    unit: &'static str,
    text: String,
}

fn wrong(at: Millis, junction: Celsius, good: Option<(Millis, f64)>) -> Option<Wrong> {
    if junction < LOW || junction > HIGH {
        let limit = if junction < LOW { LOW } else { HIGH };
        return Some(Wrong {
            value: junction.degrees(),
            limit: limit.degrees(),
            unit: "Cel",
            text: format!("is at {junction}, limits {LOW} and {HIGH}"),
        });
    }
    let (before, value) = good?;
    let moved = (junction.degrees() - value).abs();
    let limit = JUMP * at.since(before).seconds().max(1.0);
    (moved > limit).then(|| Wrong {
        value: moved,
        limit,
        unit: "K",
        text: format!(
            "jumped by {moved:.1} °C, from {value:.1} °C to {junction}, in {}, limit {JUMP:.1} °C a second",
            at.since(before)
        ),
    })
}

fn bad(channel: &Channel, wrong: &Wrong, scans: u32) -> Observation {
    Observation::Bad(Cause {
        channel: Some(channel.name.clone()),
        value: Some(hundredths(wrong.value)),
        limit: Some(hundredths(wrong.limit)),
        unit: wrong.unit,
        scan: Some(channel.scans),
        ..Cause::plain(
            Effect::Cut,
            format!(
                "the cold junction of channel {} {} ({scans} scans, limit {CONFIRM_SCANS})",
                channel.name, wrong.text
            ),
        )
    })
}

/// The figures that it acts at.
pub(super) fn thresholds(_: &InForce) -> Vec<Threshold> {
    vec![
        Threshold::fixed("lowest", LOW.degrees(), "Cel"),
        Threshold::fixed("highest", HIGH.degrees(), "Cel"),
        Threshold::fixed("jumps by", JUMP, "K"),
        Threshold::fixed("in a row", f64::from(CONFIRM_SCANS), "1"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::bench::Bench;

    /// What it says of the last of these cold junctions, one each tenth of a second.
    fn judged(junctions: &[f64]) -> Observation {
        let (mut bench, mut interlock) = (Bench::new(1), ColdJunction::default());
        let mut newest = Observation::Good;
        for (tenth, junction) in (0..).zip(junctions) {
            bench.read(Millis(tenth * 100), &[80.0]);
            bench.channels[0].cold_junction = Some((bench.now, Celsius::new(*junction).unwrap()));
            newest = interlock.observe(&bench.facts());
        }
        newest
    }

    /// Value and limit, where it acts.
    fn acts(junctions: &[f64]) -> Option<(f64, f64)> {
        match judged(junctions) {
            Observation::Bad(cause) => cause.value.zip(cause.limit),
            _ => None,
        }
    }

    #[test]
    fn it_may_be_at_the_ends_of_its_range_and_not_beyond() {
        assert_eq!(acts(&[60.0; 3]), None);
        assert_eq!(acts(&[60.5; 3]), Some((60.5, 60.0)));
        assert_eq!(acts(&[0.0; 3]), None);
        assert_eq!(acts(&[-0.5; 3]), Some((-0.5, 0.0)));
        // Two scans are not confirmed, and not good either.
        assert!(matches!(judged(&[60.5; 2]), Observation::Unknown(_)));
    }

    #[test]
    fn a_jump_is_more_than_five_degrees_however_close_the_scans() {
        assert_eq!(acts(&[20.0, 25.0, 25.0, 25.0]), None);
        assert_eq!(acts(&[20.0, 25.5, 25.5, 25.5]), Some((5.5, 5.0)));
        assert_eq!(acts(&[20.0, 14.5, 14.5, 14.5]), Some((5.5, 5.0)));
        // A good one in between starts the count again.
        assert_eq!(acts(&[20.0, 25.5, 25.5, 20.0, 25.5, 25.5]), None);
    }

    /// After 2 s it may have moved by 10 °C.
    #[test]
    fn what_is_allowed_grows_with_time() {
        let moved = |by: f64| {
            let mut read = vec![-0.5; 22];
            read[0] = 20.0;
            read[20] = 20.0 + by;
            read.truncate(21);
            judged(&read)
        };
        assert_eq!(moved(10.0), Observation::Good);
        assert!(matches!(moved(10.5), Observation::Bad(_)));
    }
}
