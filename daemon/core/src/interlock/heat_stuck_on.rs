//! `heat-stuck-on`: no heat is commanded, the drivers have confirmed that, and yet there is heat. A welded relay, a
//! shorted triac. The second switch opens, and the whole lab is told: if that switch doesn't open either, somebody has to
//! pull a plug.
//!
//! It counts at all times, on an idle bench too. Both ways to know ask first whether there has been no heat *for certain*
//! ([`HeatLog::zero_since`](crate::heat_log::HeatLog::zero_since)): none granted, none applied, every command answered.
//!
//! 1. **Current**, where a driver offers an input that measures it: more than [`AMPS`] for [`FLOWS`], in every reading,
//!    from [`SETTLES`] after the heat went to zero. A relay may finish a window of 1 s before that.
//! 2. **Temperature**: [`COASTED`] after the heat went to zero a channel rises by more than [`RISE`] in [`WITHIN`],
//!    steadily (each third of it by [`GOES_ON`] or more), is at [`WARM`] or more, and every other channel that can be read
//!    rises too ([`OTHERS_RISE`]). What a heater has stored is given off by then: the slowest plate has a time constant
//!    of 45 s, and what is left of it lifts a board by less.
//!
//! The extra conditions of the second are for a bench with people at it. A hand on a bead brings it to 37 °C at most. A
//! bead that is taped onto a board still hot from another bench jumps once and then stands still. A soldering iron or a
//! hot-air tool near one bead doesn't lift the others; near the only one it may trip this, and a trip is the right
//! answer to a board that heats by nobody's command.
//!
//! Source of rise and times: simulation of boards from 21 to 950 g on four kinds of heater.

use serde::{Deserialize, Serialize};

use super::{Cause, Current, Effect, Facts, InForce, Observation, Threshold, hundredths};
use crate::channel::Channel;
use crate::units::{CelsiusDelta, Millis};

/// What flows though nothing should, amperes: 70 W at 230 V. Above the leakage of a snubber (some mA) and the zero error
/// of a current transformer (common practice, no source).
const AMPS: f64 = 0.3;
/// How long it has to flow.
const FLOWS: Millis = Millis::from_secs(1);
/// How long a heater may take to be off after it was told to: the longest window of a relay.
const SETTLES: Millis = Millis::from_secs(1);

/// How long heat has been off before a rise says anything.
const COASTED: Millis = Millis::from_secs(60);
/// How long a hot bench may still warm the next, cold board that is put on it: many time constants of the slowest plate.
/// Until then a rise counts only above what has been read in this time, with heat and without: stored heat can't bring
/// that back. A run that gives the next board a little heat and waits doesn't make the bench forget the last one.
const GIVEN_OFF: Millis = Millis::from_secs(600);
/// Time in which a rise is measured.
const WITHIN: Millis = Millis::from_secs(15);
/// Rise in that time, °C.
const RISE: f64 = 3.0;
/// Rise in each third of it, °C.
const GOES_ON: f64 = 0.5;
/// Rise of every other channel, °C.
const OTHERS_RISE: f64 = 0.5;
/// Warmer than a hand, °C.
const WARM: f64 = 40.0;

/// Since when current has flowed that shouldn't, by the time of its readings.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct HeatStuckOn {
    flows_since: Option<Millis>,
    highest: Highest,
}

/// The highest that each channel read lately, but for rises that nobody can explain: of a time that began then, and of the
/// [`GIVEN_OFF`] before it.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct Highest {
    #[serde(with = "crate::excerpt::any_floats")]
    lately: (Millis, Vec<f64>),
    #[serde(with = "crate::excerpt::any_floats")]
    before: (Millis, Vec<f64>),
}

impl Highest {
    /// `explained`: whether there is heat, or was just now.
    fn take(&mut self, now: Millis, channels: &[Channel], explained: bool) {
        let none = || (now, vec![f64::NEG_INFINITY; channels.len()]);
        if self.lately.1.len() != channels.len() {
            (self.lately, self.before) = (none(), none());
        }
        if now.since(self.lately.0) >= GIVEN_OFF {
            self.before = std::mem::replace(&mut self.lately, none());
        }
        for (channel, highest) in channels.iter().zip(&mut self.lately.1) {
            if let Some(good) = channel.good
                && (explained || rises(channel).is_none())
            {
                *highest = highest.max(good.degrees());
            }
        }
    }

    /// Of the channel in this place, °C.
    fn of(&self, at: usize) -> f64 {
        self.lately.1[at].max(self.before.1[at])
    }
}

impl HeatStuckOn {
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        let zero_since = facts.heat.zero_since();
        let explained = zero_since.is_none_or(|since| facts.now.since(since) < COASTED);
        self.highest.take(facts.now, facts.channels, explained);
        let Some(zero_since) = zero_since else {
            self.flows_since = None;
            return Observation::Unknown("it is not confirmed yet that the heat is off".into());
        };
        let mut observation = Observation::Good;
        if let Some(current) = facts.current {
            if let Some(cause) = self.current(current, zero_since) {
                return Observation::Bad(cause);
            }
            match current.newest {
                None => observation = Observation::Unknown(format!("{} has no reading yet", current.name).into()),
                Some((_, amps)) if amps.amps() > AMPS => {
                    observation = Observation::Unknown(format!("{amps} flow through {}", current.name).into());
                }
                Some(_) => {}
            }
        }
        if explained {
            return observation;
        }
        let stored = facts.now.since(zero_since) < GIVEN_OFF;
        let highest = &self.highest;
        let rising = facts
            .channels
            .iter()
            .enumerate()
            .filter(|(at, channel)| !stored || channel.good.is_some_and(|good| good.degrees() > highest.of(*at)))
            .find_map(|(at, channel)| Some((at, channel, rises(channel)?)));
        if let Some((at, channel, rise)) = rising
            && others_rise(facts.channels, at)
        {
            return Observation::Bad(Cause {
                channel: Some(channel.name.clone()),
                value: Some(hundredths(rise)),
                limit: Some(RISE),
                unit: "K",
                scan: Some(channel.scans),
                ..Cause::plain(
                    Effect::Cut,
                    format!(
                        "channel {} rose {rise:.1} °C in {WITHIN} though the heat has been off for {}, limit {RISE:.1} °C: \
                         the heater is stuck on; if it goes on, pull its plug",
                        channel.name,
                        facts.now.since(zero_since)
                    ),
                )
            });
        }
        observation
    }

    fn current(&mut self, current: &Current, zero_since: Millis) -> Option<Cause> {
        // An input that has gone silent says nothing any more: what it said last was that the current flowed or not.
        let (at, amps) = current.newest?;
        if amps.amps() <= AMPS || at.since(zero_since) < SETTLES {
            self.flows_since = None;
            return None;
        }
        let lasted = at.since(*self.flows_since.get_or_insert(at));
        (lasted >= FLOWS).then(|| Cause {
            value: Some(hundredths(amps.amps())),
            limit: Some(AMPS),
            unit: "A",
            ..Cause::plain(
                Effect::Cut,
                format!(
                    "{} of current flow through {} for {lasted} though the heat is off, limit {AMPS} A: the heater is \
                     stuck on; if it goes on, pull its plug",
                    amps, current.name
                ),
            )
        })
    }
}

/// By how much the channel rose, if that is more than stored heat explains.
fn rises(channel: &Channel) -> Option<f64> {
    let change = |from: u64, to: u64| {
        channel
            .trend
            .change(Millis(from), Millis(to), channel.period)
            .map(CelsiusDelta::degrees)
    };
    let rise = change(WITHIN.0, 0).filter(|rise| *rise > RISE)?;
    let third = WITHIN.0 / 3;
    let goes_on = (0..3).all(|part| change((part + 1) * third, part * third).is_some_and(|rise| rise >= GOES_ON));
    (goes_on && channel.good?.degrees() >= WARM).then_some(rise)
}

/// Whether every channel but `at` that can be read rises too.
fn others_rise(channels: &[Channel], at: usize) -> bool {
    channels
        .iter()
        .enumerate()
        .filter(|(one, _)| *one != at)
        .filter_map(|(_, channel)| channel.trend.change(WITHIN, Millis::ZERO, channel.period))
        .all(|change| change.degrees() >= OTHERS_RISE)
}

/// The figures that it acts at.
pub(super) fn thresholds(_: &InForce) -> Vec<Threshold> {
    vec![
        Threshold::fixed("current above", AMPS, "A"),
        Threshold::time("flows for", FLOWS),
        Threshold::fixed("rise above", RISE, "K"),
        Threshold::time("rises within", WITHIN),
        Threshold::time("heat off for", COASTED),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::bench::Bench;
    use crate::units::Amps;

    /// The second at which it acts on a bench without heat from zero on, with so much current.
    fn acts_on_current(amps: f64) -> Option<u64> {
        let (mut bench, mut interlock) = (Bench::new(1), HeatStuckOn::default());
        (0..10).find(|second| {
            bench.read(Millis::from_secs(*second), &[30.0]);
            let current = Current {
                name: "draw".into(),
                newest: Some((bench.now, Amps::new(amps).unwrap())),
            };
            let mut facts = bench.facts();
            facts.current = Some(&current);
            matches!(interlock.observe(&facts), Observation::Bad(_))
        })
    }

    /// As long as any flows, a trip isn't lifted.
    #[test]
    fn current_that_flows_leaves_it_open() {
        let mut bench = Bench::new(1);
        bench.read(Millis::ZERO, &[30.0]);
        let judged = |amps: f64| {
            let current = Current {
                name: "draw".into(),
                newest: Some((bench.now, Amps::new(amps).unwrap())),
            };
            let mut facts = bench.facts();
            facts.current = Some(&current);
            HeatStuckOn::default().observe(&facts)
        };
        assert_eq!(judged(0.3), Observation::Good);
        assert!(matches!(judged(0.31), Observation::Unknown(_)));
    }

    /// Counted from a second after the heat went, when every relay has finished its window.
    #[test]
    fn current_has_to_flow_for_a_second() {
        assert_eq!(acts_on_current(0.31), Some(2));
        assert_eq!(acts_on_current(0.3), None);
    }

    /// The second at which it acts on a channel of a bench without heat from zero on that reads `celsius(second)`.
    fn acts(celsius: impl Fn(f64) -> f64) -> Option<u32> {
        let (mut bench, mut interlock) = (Bench::new(1), HeatStuckOn::default());
        (0..700).find(|second| {
            bench.read(Millis::from_secs(u64::from(*second)), &[celsius(f64::from(*second))]);
            matches!(interlock.observe(&bench.facts()), Observation::Bad(_))
        })
    }

    /// Rises by a quarter of a degree each second from `since` on.
    fn rising(from: f64, since: f64, second: f64) -> f64 {
        from + 0.25 * (second - since).max(0.0)
    }

    #[test]
    fn a_rise_of_more_than_three_degrees_is_heat() {
        // 3 °C are reached at 72 s.
        assert_eq!(acts(|second| rising(40.0, 60.0, second)), Some(73));
        // Not before it is warmer than a hand: 40 °C at 80 s.
        assert_eq!(acts(|second| rising(35.0, 60.0, second)), Some(80));
    }

    /// What the heater has stored lifts the board for a minute.
    #[test]
    fn a_rise_counts_a_minute_after_the_heat() {
        assert_eq!(acts(|second| rising(40.0, 40.0, second)), Some(60));
    }

    /// 46 °C are reached for the second time at 124 s.
    #[test]
    fn stored_heat_may_bring_a_board_to_where_it_was() {
        let again = |second: f64| {
            if second < 60.0 { 46.0 } else { rising(40.0, 100.0, second) }
        };
        assert_eq!(acts(again), Some(125));
    }

    /// A person's warm board, put on the bench a minute after the heat, counts as well: 46 °C again at 124 s.
    #[test]
    fn what_was_read_without_heat_counts_too() {
        let again = |second: f64| match second {
            ..60.0 => 42.0,
            60.0..80.0 => 46.0,
            _ => rising(40.0, 100.0, second),
        };
        assert_eq!(acts(again), Some(125));
    }

    #[test]
    fn stored_heat_is_given_off_after_ten_minutes() {
        let again = |second: f64| {
            if second < 60.0 { 90.0 } else { rising(40.0, 580.0, second) }
        };
        assert_eq!(acts(again), Some(600));
    }
}
