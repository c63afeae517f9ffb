//! `sensor-detached`: a thermocouple is no longer on the board. The tape peels, the bead reads the air, and a loop that
//! believes it heats on.
//!
//! Three ways to know, in the order in which they are asked:
//!
//! 1. **The board model's residual** ([`Facts::residual`]), where there is a model. Its verdict `Detached` acts; a doubt
//!    becomes that while the reading does what no board does ([`crate::rising`]). `Doubt` alone (a small shortfall, which a
//!    draft or a mains sag makes too) is a warning, and the station holds the heat back meanwhile.
//! 2. **A fall faster than a board cools.** A channel that was [`HOT`] or more falls within 2 s by more than [`FALL`] and
//!    by more than [`COOLS`] of its excess over a room of 20 °C each second, in two scans in a row and, where it is less
//!    than [`FALL_SURE`], for [`CONFIRM`]. The lightest boards
//!    (0.28 g/cm², 2800 J/m²K) lose about 1.4 % of their excess a second in a draft of 2.5 times the convection
//!    (2.5 x 11 W/m²K) with their radiation (12 W/m²K); [`COOLS`] is nearly twice that. The limit is physics and not
//!    what this channel did before: what is learned from a fault would hide the next one.
//! 3. **The others disagree.** Over [`FOLLOWS`] a channel falls short of what it should have done by [`SHORT`] or more,
//!    and by more than [`SHORT_SHARE`] ([`SHORT_SHARE_FELL`]) of the others' excess over 20 °C, while there is heat and was in the two
//!    times before ([`HEAT_MIN`]), and the others don't fall ([`OTHERS_FALL`]). Without heat a part on top cools by 10 °C in
//!    that time while the underside is kept warm by the bench, and its lag takes that into the heat that follows.
//!    What it should have done: nothing, or half of its usual share of the others' rise, where it had one in the same
//!    time before. So a bead that falls while the others don't is caught, and one that stops while they rise; the edge
//!    of a board and a heavy part, which are slow at all times, are not. The others are taken at the lowest of them.
//!
//! A draft of 30 s reaches none of these: it moves all channels, and where it cools an edge or a part more than the
//! rest, that is about 5 % of the excess, and 14 % if it hit that spot alone.
//!
//! What isn't seen without a model: a single bead that comes off slowly (over more than about 10 s from a cool board),
//! and one that was loose from the start. A first run has its guard against them until its first target, and a model
//! that it made on the way from then on.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold, Verdict, hundredths};
use crate::channel::Channel;
use crate::units::{CelsiusDelta, Millis};

/// A fall is looked for below this no more: there is hardly an excess to lose.
const HOT: f64 = 28.0;
/// Time in which a fall is measured.
const FALL_WITHIN: Millis = Millis::from_secs(2);
/// Least fall in that time, °C: far above noise of 0.2 °C and steps of 0.25 °C.
const FALL: f64 = 2.5;
/// From here on, °C, two scans are enough. Less may be a burst of disturbance in the wires, and has to stay.
const FALL_SURE: f64 = 5.0;
/// For how long: a fall shows for [`FALL_WITHIN`], a burst is over sooner.
const CONFIRM: Millis = Millis::from_secs(1);
/// Share of its excess that no taped bead loses in a second.
const COOLS: f64 = 0.025;
/// How long after a start a fall doesn't count: a bead that was just taken from a hot board to a cold one falls for
/// several of its lags, and nothing gets hot in that time.
const SETTLES: Millis = Millis::from_secs(12);
/// Scans in a row that confirm a fall: one alone can be a glitch.
const CONFIRM_SCANS: u32 = 2;

/// Time over which channels are compared: longer than the 20 s that a heavy part lags behind.
const FOLLOWS: Millis = Millis::from_secs(20);
/// Least shortfall, °C. A light board whose heat comes back in a draft had a corner 8.2 °C short.
const SHORT: f64 = 8.5;
/// Least shortfall as a share of the others' excess.
const SHORT_SHARE: f64 = 0.15;
/// The same for a channel that fell, as one does in a draft: a part on top of a light board under lamps falls short by
/// 17 % of the excess where heat comes back in the draft.
const SHORT_SHARE_FELL: f64 = 0.19;
/// Mean heat in that time that counts as heat, a share of full power.
const HEAT_MIN: f64 = 0.05;
/// The others may fall by this much, °C, and count as not falling.
const OTHERS_FALL: f64 = 1.0;
/// A rise of the others that shows how a channel follows them, °C.
const TELLING_RISE: f64 = 5.0;

/// The room, as cool as a bench's room may be, °C: a cooler one makes the excess larger than it is taken for.
const ROOM: f64 = 20.0;

/// What is remembered of the channels, in the station's order.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct SensorDetached {
    falls: Vec<Falls>,
}

/// A channel's scans up to the last look, in how many of the last ones in a row it fell too fast, and since when.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize)]
struct Falls {
    scans: u64,
    in_a_row: u32,
    since: Millis,
}

impl SensorDetached {
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        let mut doubt = Observation::Good;
        if let Some(residual) = &facts.residual {
            let text = format!(
                "channel {} reads {} from what the board model expects over {}, limit {}",
                residual.channel, residual.off, residual.horizon, residual.limit
            );
            match residual.verdict {
                Verdict::Doubt => {
                    doubt = Observation::Warn(
                        format!("{text}: heat holds back; look whether it is still taped down").into(),
                    );
                }
                Verdict::Detached => {
                    return Observation::Bad(Cause {
                    channel: Some(residual.channel.clone()),
                    value: Some(hundredths(residual.off.degrees())),
                    limit: Some(hundredths(residual.limit.degrees())),
                    unit: "K",
                    ..Cause::plain(Effect::Cut, text)
                    });
                }
            }
        }
        self.falls.resize(facts.channels.len(), Falls::default());
        for (channel, falls) in facts.channels.iter().zip(&mut self.falls) {
            let settled = facts
                .heating
                .is_none_or(|heating| facts.now.since(heating.since) >= SETTLES);
            let fall = too_fast(channel).filter(|_| settled);
            if falls.scans != channel.scans {
                falls.scans = channel.scans;
                if falls.in_a_row == 0 {
                    falls.since = facts.now;
                }
                falls.in_a_row = if fall.is_some() { falls.in_a_row.saturating_add(1) } else { 0 };
            }
            let confirmed = |fell: f64| {
                falls.in_a_row >= CONFIRM_SCANS
                    && (fell >= FALL_SURE || facts.now.since(falls.since) >= CONFIRM)
            };
            if let Some((fell, limit)) = fall.filter(|(fell, _)| confirmed(*fell)) {
                return bad(
                    channel,
                    fell,
                    limit,
                    format!(
                        "channel {} fell {fell:.1} °C in {FALL_WITHIN}, limit {limit:.1} °C: faster than a board cools",
                        channel.name
                    ),
                );
            }
        }
        if facts.channels.len() < 2 {
            return doubt;
        }
        let heated = |from: Millis, to: Millis| {
            let ago = |length: Millis| Millis(facts.now.0.saturating_sub(length.0));
            facts
                .heat
                .mean(ago(from), ago(to))
                .is_some_and(|heat| heat >= HEAT_MIN)
        };
        if !(0..3).all(|part| heated(FOLLOWS * (part + 1), FOLLOWS * part)) {
            return doubt;
        }
        for (at, channel) in facts.channels.iter().enumerate() {
            if let Some((short, limit, others)) = disagrees(facts.channels, at) {
                return bad(
                    channel,
                    short,
                    limit,
                    format!(
                        "channel {} fell {short:.1} °C short of the others in {FOLLOWS}, limit {limit:.1} °C, while \
                         they rose {others:.1} °C",
                        channel.name
                    ),
                );
            }
        }
        doubt
    }
}

fn bad(channel: &Channel, value: f64, limit: f64, text: String) -> Observation {
    Observation::Bad(Cause {
        channel: Some(channel.name.clone()),
        value: Some(hundredths(value)),
        limit: Some(hundredths(limit)),
        unit: "K",
        scan: Some(channel.scans),
        ..Cause::plain(Effect::Cut, text)
    })
}

/// How far the channel fell and how far it may, where it fell too far.
fn too_fast(channel: &Channel) -> Option<(f64, f64)> {
    let slack = channel.period;
    let from = |ago: Millis| {
        let before = channel.trend.celsius(ago, slack)?.degrees();
        Some((before, -channel.trend.change(ago, Millis::ZERO, slack)?.degrees()))
    };
    // From two moments, a second apart: one wild reading far up is no place to fall from. The later ones are for a board
    // that was rising fast and was far below a little earlier.
    let second = Millis::from_secs(1).max(channel.period);
    [second, FALL_WITHIN.max(second)].into_iter().find_map(|ago| {
        let (a, b) = (from(ago)?, from(ago + second)?);
        let (before, fell) = (a.0.min(b.0), a.1.min(b.1));
        let limit = FALL.max(COOLS * FALL_WITHIN.seconds() * (before - ROOM));
        (before >= HOT && fell > limit).then_some((fell, limit))
    })
}

/// How far channel `at` fell short of what the others say, how far it may, and how far they rose; where it is too far.
fn disagrees(channels: &[Channel], at: usize) -> Option<(f64, f64, f64)> {
    let moved = |channel: &Channel, from: Millis, to: Millis| {
        channel
            .trend
            .change(from, to, channel.period)
            .map(CelsiusDelta::degrees)
    };
    let others = || {
        channels
            .iter()
            .enumerate()
            .filter(|(one, _)| *one != at)
            .map(|(_, channel)| channel)
    };
    // The other one that moved least speaks for all: whatever holds for it holds for the rest.
    let least = |from: Millis, to: Millis| others().filter_map(|channel| moved(channel, from, to)).reduce(f64::min);
    let rose = least(FOLLOWS, Millis::ZERO)?;
    if rose < -OTHERS_FALL {
        return None;
    }
    let own = moved(&channels[at], FOLLOWS, Millis::ZERO)?;
    let share = least(FOLLOWS * 2, FOLLOWS)
        .filter(|before| *before >= TELLING_RISE)
        .and_then(|before| Some((moved(&channels[at], FOLLOWS * 2, FOLLOWS)? / before).clamp(0.0, 1.0)))
        .unwrap_or(0.0);
    let short = 0.5 * share * rose.max(0.0) - own;
    let excess = others()
        .filter_map(|channel| channel.good)
        .map(|good| good.degrees() - ROOM)
        .fold(0.0, f64::max);
    let share = if own < 0.0 { SHORT_SHARE_FELL } else { SHORT_SHARE };
    let limit = SHORT.max(share * excess);
    (short > limit).then_some((short, limit, rose))
}

/// The figures that it acts at.
pub(super) fn thresholds(_: &InForce) -> Vec<Threshold> {
    vec![
        Threshold::fixed("falls by", FALL, "K"),
        Threshold::time("falls within", FALL_WITHIN),
        Threshold::fixed("in a row", f64::from(CONFIRM_SCANS), "1"),
        Threshold::fixed("at once from", FALL_SURE, "K"),
        Threshold::time("less for", CONFIRM),
        Threshold::fixed("behind the others by", SHORT, "K"),
        Threshold::time("others rose within", FOLLOWS),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::bench::Bench;

    /// The first of so many scans, `period` apart, at which it acts on channels that read `celsius(scan)` with that heat.
    fn acts<const N: usize>(period: u64, scans: u32, heat: f64, celsius: impl Fn(f64) -> [f64; N]) -> Option<u32> {
        let (mut bench, mut interlock) = (Bench::new(N), SensorDetached::default());
        for channel in &mut bench.channels {
            channel.period = Millis(period);
        }
        bench.heat(heat);
        (0..=scans).find(|scan| {
            bench.read(Millis(period) * u64::from(*scan), &celsius(f64::from(*scan)));
            matches!(interlock.observe(&bench.facts()), Observation::Bad(_))
        })
    }

    /// One channel, ten scans a second: from the twentieth second on it reads `to` instead of `from`.
    fn drops(from: f64, to: f64) -> Option<u32> {
        acts(100, 240, 0.5, |scan| [if scan < 200.0 { from } else { to }])
    }

    #[test]
    fn a_fall_of_five_degrees_needs_two_scans_and_less_a_second() {
        assert_eq!(drops(60.0, 55.0), Some(201));
        assert_eq!(drops(60.0, 55.25), Some(210));
        assert_eq!(drops(60.0, 57.25), Some(210));
        assert_eq!(drops(60.0, 57.5), None, "no more than the least fall");
    }

    /// Of a hot board a share of its excess over the room counts: 2.5 % a second.
    #[test]
    fn a_hot_board_may_cool_faster() {
        assert_eq!(drops(220.0, 210.0), None);
        assert_eq!(drops(220.0, 209.75), Some(201));
    }

    #[test]
    fn a_fall_from_hand_warm_is_none() {
        assert_eq!(drops(28.0, 25.25), Some(210));
        assert_eq!(drops(27.75, 24.0), None);
    }

    /// The twelfth second is the first that counts, and two scans confirm.
    #[test]
    fn a_fall_just_after_the_start_does_not_count() {
        assert_eq!(acts(1000, 20, 0.5, |second| [90.0 - 3.0 * second]), Some(13));
    }

    /// Two channels, a scan a second: they stand at these temperatures for 40 s and then move by so much in 20 s.
    fn moves(from: [f64; 2], by: [f64; 2], heat: f64) -> bool {
        let celsius = |second: f64| {
            let share = ((second - 40.0) / 20.0).clamp(0.0, 1.0);
            [from[0] + share * by[0], from[1] + share * by[1]]
        };
        acts(1000, 60, heat, celsius).is_some()
    }

    #[test]
    fn a_channel_that_falls_while_the_other_does_not_is_loose() {
        assert!(!moves([40.0, 40.0], [-8.5, 0.0], 0.5));
        assert!(moves([40.0, 40.0], [-8.75, 0.0], 0.5));
        assert!(moves([40.0, 40.0], [0.0, -8.75], 0.5));
        // The other one may fall a little.
        assert!(moves([40.0, 40.0], [-8.75, -1.0], 0.5));
        assert!(!moves([40.0, 40.0], [-8.75, -1.25], 0.5));
        // Without heat nothing is asked.
        assert!(moves([40.0, 40.0], [-9.0, 0.0], 0.05));
        assert!(!moves([40.0, 40.0], [-9.0, 0.0], 0.04));
    }

    /// 19 % of the others' excess of 100 °C.
    #[test]
    fn of_a_hot_board_it_may_fall_further() {
        assert!(!moves([120.0, 120.0], [-18.75, 0.0], 0.5));
        assert!(moves([120.0, 120.0], [-19.25, 0.0], 0.5));
    }

    /// Two channels: both rise by `usual` in 20 s, then one stops and the other rises by `other`, to 120 °C.
    fn stops(usual: f64, other: f64) -> bool {
        let celsius = |second: f64| {
            let first = ((second - 20.0) / 20.0).clamp(0.0, 1.0) * usual;
            let then = ((second - 40.0) / 20.0).clamp(0.0, 1.0) * other;
            let start = 120.0 - usual - other;
            [start + first, start + first + then]
        };
        acts(1000, 60, 0.5, celsius).is_some()
    }

    /// It falls short by half of the others' rise, and more than 15 % of their excess of 100 °C is too much.
    #[test]
    fn a_channel_that_stops_while_the_other_rises_is_loose() {
        assert!(!stops(20.0, 30.0));
        assert!(stops(20.0, 31.0));
        // Only one that was seen to follow: the other has to have risen by 5 °C in the time before.
        assert!(stops(5.0, 31.0));
        assert!(!stops(4.0, 31.0));
    }

    /// Whatever is asked of the others has to hold for each of them.
    #[test]
    fn the_other_that_moves_least_speaks_for_all() {
        let three = |by: [f64; 3]| {
            let celsius = |second: f64| by.map(|by| 40.0 + ((second - 40.0) / 20.0).clamp(0.0, 1.0) * by);
            acts(1000, 60, 0.5, celsius).is_some()
        };
        assert!(three([-9.0, 0.0, 0.0]));
        assert!(!three([-9.0, 0.0, -1.25]));
    }
}
