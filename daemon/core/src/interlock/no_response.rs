//! `no-response`: nearly all the heat there is, for a minute or more, and the steered temperature doesn't follow.
//!
//! What is judged is the temperature that the run steers by, since that is what decides how long the heat stays on: a
//! dead heater, a board that isn't there, a bead that hangs beside it. It is asked while that temperature is below the
//! target, after [`OVER`] ([`OVER_HOT`]) with a mean heat, as the drivers confirmed it, above [`DEMAND`].
//!
//! A heavy board near what its bench can reach doesn't rise by 3 °C in a minute either, with everything well. So there
//! are two rules, and between them it is left alone:
//!
//! * **Cool**, below [`COOL`]: it has to rise by [`RISE`] in [`OVER`]. A bench that can't pass 60 °C on full power is
//!   one that doesn't heat.
//! * **Hot**, from there on: it must not fall in each third of [`OVER_HOT`], by [`RISE`] and [`FALL_SHARE`] of its excess in
//!   all. At its limit a board stands still; when the heater dies it cools from then on. A draft of 30 s or a sag of the
//!   mains for a minute can't do that: they are over within two thirds of it, and the board turns. Nor may the fall be
//!   one that is coming to its end ([`TURNING`]).
//!
//! A heater that has lost half its power, or a bead that is off a hot board, takes the board model to see; it comes in
//! by `Facts::residual`, see `sensor-detached`.
//!
//! The heat and the temperatures are remembered over a restart of the run's heat, but a time counts only if all of it
//! belongs to this heat.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold, hundredths};
use crate::trend::Trend;
use crate::units::{CelsiusDelta, Millis};

/// Time without response, of a cool board and of a hot one.
const OVER: Millis = Millis::from_secs(60);
const OVER_HOT: Millis = Millis::from_secs(90);
/// Mean share of full power that should show.
const DEMAND: f64 = 0.9;
/// Rise that is missed in a cool board, fall that is too much in a hot one, °C.
const RISE: f64 = 3.0;
/// Fall in each third of the time that is more than noise, °C.
const FALL: f64 = 0.5;
/// Share of its excess over the room that a hot board has to lose in [`OVER_HOT`]: without heat the slowest loses 24 %,
/// and 15 % less mains voltage takes 28 % of the power, which costs such a board at its bench's limit 7 % of its excess.
const FALL_SHARE: f64 = 0.15;
/// The room, as cool as a bench's room may be, °C.
const ROOM: f64 = 20.0;
/// A fall that has become less than this share of what it was is one that ends: a plate that was let cool takes a
/// minute of full power until it warms the board again. Without heat a board's fall loses a third of itself in that time
/// at most, by its own time constant of minutes.
const TURNING: f64 = 0.6;
/// Up to where a board has to rise, °C.
const COOL: f64 = 60.0;

/// The last minute and a half of the steered temperature, and the start of heat that it belongs to.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct NoResponse {
    /// Forgotten when heat begins, and so not kept with an excerpt.
    #[serde(skip)]
    steered: Trend,
    since: Millis,
    /// Scans of the station's channels up to the last look.
    scans: u64,
    /// What it came to.
    found: Option<Found>,
}

/// No response: how far the temperature moved, where to, and which rule it broke.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct Found {
    moved: f64,
    celsius: f64,
    cool: bool,
    /// How far a hot one may fall.
    allowed: f64,
}

impl NoResponse {
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        let Some(heating) = facts.heating else {
            // No heat, no response to miss: the cause ends with the heat.
            self.found = None;
            return Observation::Good;
        };
        if heating.since != self.since {
            self.steered.forget();
            self.since = heating.since;
        }
        let scans = facts.channels.iter().map(|channel| channel.scans).sum();
        if scans != self.scans
            && let Some(control) = facts.control
        {
            self.scans = scans;
            self.steered.take(facts.now, control);
            self.found = self.look(facts, heating.since);
        }
        let Some(found) = self.found else { return Observation::Good };
        let text = if found.cool {
            format!(
                "{OVER} of more than {:.0} % of full power moved the board by {:.1} °C, to {:.1} °C, limit {RISE:.1} °C up",
                DEMAND * 100.0,
                found.moved,
                found.celsius
            )
        } else {
            format!(
                "the board fell without a pause by {:.1} °C, to {:.1} °C, in {OVER_HOT} of more than {:.0} % of full power, \
                 limit {:.1} °C",
                -found.moved,
                found.celsius,
                DEMAND * 100.0,
                found.allowed
            )
        };
        Observation::Bad(Cause {
            value: Some(hundredths(found.moved)),
            limit: Some(if found.cool { RISE } else { -hundredths(found.allowed) }),
            unit: "K",
            ..Cause::plain(Effect::Cut, text)
        })
    }

    fn look(&self, facts: &Facts<'_>, since: Millis) -> Option<Found> {
        let (control, target) = (facts.control?, facts.target?);
        // Nearer than the rise that is asked for, it need not rise that much.
        let cool = control.degrees() < COOL;
        let over = if cool { OVER } else { OVER_HOT };
        if (target - control).degrees() <= RISE || facts.now.since(since) < over {
            return None;
        }
        let heat = facts.heat.mean(Millis(facts.now.0.saturating_sub(over.0)), facts.now)?;
        if heat <= DEMAND {
            return None;
        }
        let slack = slowest(facts);
        let change = |from: u64, to: u64| {
            self.steered
                .change(Millis(from), Millis(to), slack)
                .map(CelsiusDelta::degrees)
        };
        let moved = change(over.0, 0)?;
        let third = over.0 / 3;
        // Newest third last.
        let thirds: Option<Vec<f64>> = (0..3)
            .rev()
            .map(|part| change((part + 1) * third, part * third))
            .collect();
        let allowed = RISE.max(FALL_SHARE * (control.degrees() - ROOM));
        let fell = moved < -allowed
            && thirds.is_some_and(|thirds| {
                thirds.iter().all(|moved| *moved < -FALL) && thirds[2] <= TURNING * thirds[0]
            });
        (if cool { moved < RISE } else { fell }).then_some(Found {
            moved,
            celsius: control.degrees(),
            cool,
            allowed,
        })
    }
}

/// The longest time between two readings of a channel.
fn slowest(facts: &Facts<'_>) -> Millis {
    facts
        .channels
        .iter()
        .map(|channel| channel.period)
        .fold(Millis::ZERO, Millis::max)
}

/// The figures that it acts at.
pub(super) fn thresholds(_: &InForce) -> Vec<Threshold> {
    vec![
        Threshold::fixed("heat above", DEMAND, "1"),
        Threshold::time("for", OVER),
        Threshold::time("hot for", OVER_HOT),
        Threshold::fixed("rise below", RISE, "K"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::bench::Bench;

    /// A bench on full power whose one channel reads `celsius` each second from zero on.
    fn judged(celsius: &[f64]) -> Observation {
        let (mut bench, mut interlock) = (Bench::new(1), NoResponse::default());
        bench.heat(1.0);
        let mut newest = Observation::Good;
        for (second, celsius) in (0..).zip(celsius) {
            bench.read(Millis::from_secs(second), &[*celsius]);
            newest = interlock.observe(&bench.facts());
        }
        newest
    }

    fn acts(celsius: &[f64]) -> bool {
        matches!(judged(celsius), Observation::Bad(_))
    }

    #[test]
    fn a_cool_board_has_to_rise_by_three_degrees_in_a_minute() {
        let rise = |by: f64| {
            let mut read = vec![20.0; 60];
            read.push(20.0 + by);
            read
        };
        assert!(!acts(&rise(3.0)));
        assert!(acts(&rise(2.75)));
        // Not before the minute is over.
        assert!(!acts(&[20.0; 60]));
    }

    /// Readings four seconds apart still say how much it rose.
    #[test]
    fn a_slow_channel_is_judged_as_well() {
        let (mut bench, mut interlock) = (Bench::new(1), NoResponse::default());
        bench.channels[0].period = Millis::from_secs(4);
        bench.heat(1.0);
        let acted = (0..40).any(|scan| {
            bench.read(Millis::from_secs(scan * 4 + scan % 2), &[20.0]);
            matches!(interlock.observe(&bench.facts()), Observation::Bad(_))
        });
        assert!(acted);
    }

    /// From 60 °C on a board may have come to what its bench can reach.
    #[test]
    fn a_hot_board_need_not_rise() {
        assert!(acts(&[59.75; 100]));
        assert!(!acts(&[60.0; 100]));
    }

    /// What a board reads that falls by these steps to 100 °C, each at the end of a third of the time.
    fn fall(thirds: [f64; 3]) -> Vec<f64> {
        let mut at = 100.0 + thirds.iter().sum::<f64>();
        let mut read = vec![at];
        for third in thirds {
            read.extend([at; 29]);
            at -= third;
            read.push(at);
        }
        read
    }

    #[test]
    fn a_hot_board_that_falls_in_each_third_of_the_time_has_no_heat() {
        assert!(acts(&fall([10.0, 8.0, 8.0])));
        assert!(!acts(&fall([10.0, 0.5, 10.0])), "no more than noise in the second third");
        assert!(acts(&fall([10.0, 0.75, 10.0])));
    }

    /// 15 % of its excess of 80 °C is what it may lose.
    #[test]
    fn a_sag_of_the_mains_is_no_dead_heater() {
        assert!(!acts(&fall([5.0, 4.0, 3.0])));
        assert!(acts(&fall([5.0, 4.25, 3.0])));
    }

    #[test]
    fn a_fall_that_comes_to_its_end_is_none() {
        assert!(!acts(&fall([10.0, 8.0, 5.75])));
        assert!(acts(&fall([10.0, 8.0, 6.0])), "not less than the share that ends one");
    }
}
