//! What one temperature does on its way to a target: how far it rose, and whether it did what no board does.
//!
//! No model of the board is asked, only physics:
//!
//! * **It fell.** What warms a board warms it on: once heat of [`HEATED`] of full power has brought a rise, only a draft takes
//!   from it, and that no more than [`DRAFT_TAKES`] of its excess a second. Without that heat, and until it shows, a board
//!   cools by no more than [`COOLS`] of it.
//! * **It stopped.** What a reading rises by comes from a warm element, which cools over [`ELEMENT_S`] or longer. So a board that
//!   rises goes on for a while whatever becomes of the heat, and a bead that lost most of its contact doesn't.
//! * **It slackened.** Heat brings what the same heat brought before ([`crate::response`]; only asked of what was at rest when the
//!   run began).
//!
//! Any of them has to be seen for [`STAYS_S`], and is kept then: with what is left of its contact such a bead follows the board
//! again, at a distance that nobody sees from then on.

use std::fmt;

use crate::response::{Response, Short};
use crate::trend::Trend;
use crate::units::{Celsius, Millis};

/// Time constant of the mean that a rise is taken from, seconds.
const SMOOTH_S: f64 = 1.0;
/// Least fall or shortfall, °C: several times noise of 0.2 °C and steps of 0.25 °C.
const FALL: f64 = 1.25;
/// From this mean heat on, a share of full power, and once it has brought a rise by the second figure, °C, nothing falls but
/// in a draft.
const HEATED: f64 = 0.4;
const RISEN: f64 = 1.0;
/// Share of its excess over the room that a draft takes from such a board in a second: half as much convection again as
/// there was, of the lightest boards (11 W/m²K, 2800 J/m²K).
const DRAFT_TAKES: f64 = 0.006;
/// Share of its excess over the room, as cool as one may be, that no taped bead loses in a second.
const COOLS: f64 = 0.025;
const ROOM: f64 = 20.0;
/// Shortest lag of an element, seconds: lamps (from memory: 2 to 6 s).
const ELEMENT_S: f64 = 2.0;
/// Time constant of the mean heat, seconds: shorter than what a warm element still brings after the heat is gone.
const RECENT_S: f64 = 3.0;
/// The slope that goes on is taken over this time, and has to be this much, °C/s, before it says anything.
const SLOPE_OVER: Millis = Millis(1_500);
const SLOPE_MIN: f64 = 0.5;
/// And so long after it a reading is held against it.
const AFTER: [Millis; 4] = [Millis(1_000), Millis(1_500), Millis(2_000), Millis(3_000)];
/// From readings further apart than this, seconds, no slope over that time is taken.
const APART_S: f64 = 0.6;
/// How long a bead takes to come to the temperature of what it was just taped to.
const SETTLES: Millis = Millis::from_secs(6);
/// How long a burst of disturbance in the wires may last, seconds.
const STAYS_S: f64 = 0.5;

/// What was seen of a bead that is no longer on the board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Loose {
    /// It fell from there to there, °C.
    Fell(f64, f64),
    /// It rose at that rate, °C/s, and stopped at that temperature, °C.
    Stopped(f64, f64),
    /// It rose by so much, and the same heat brought so much before, less what a board loses, °C.
    Slackened(f64, f64),
}

impl fmt::Display for Loose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Loose::Fell(from, to) => write!(
                f,
                "fell from {from:.1} °C to {to:.1} °C, which no board does with this heat"
            ),
            Loose::Stopped(rate, at) => write!(
                f,
                "rose by {rate:.1} °C/s and stopped at {at:.1} °C from one moment to the next"
            ),
            Loose::Slackened(by, least) => write!(
                f,
                "rose by {by:.1} °C with heat that before brought it {least:.1} °C at the least"
            ),
        }
    }
}

/// A temperature since the run began.
#[derive(Debug, Clone)]
pub(crate) struct Rising {
    since: Millis,
    trend: Trend,
    /// Mean heat of the last [`RECENT_S`], a share of full power.
    heat: f64,
    /// Smoothed, and the lowest of that so far, °C.
    now: f64,
    lowest: f64,
    /// The last two readings: a single wild one is neither a highest nor a fall.
    last: [f64; 2],
    /// Its lowest since the start, and the least that a board would read by now that was seen to rise from there, °C.
    trough: f64,
    top: f64,
    /// Its lowest since there is heat, °C, and whether the heat has brought a rise since then.
    foot: f64,
    warming: bool,
    /// How it answers heat, if it was at rest before the first, and what that said last.
    response: Option<Response>,
    short: Option<Short>,
    /// What is being seen, and for how long, s.
    seen: Option<Loose>,
    seen_s: f64,
}

impl Rising {
    /// Takes in a reading, `dt` seconds after the one before, and the heat of that time, a share of full power. `rested`: it stood
    /// still before the run, so that what it does is what heat does to it.
    pub(crate) fn take(
        rising: &mut Option<Self>,
        rested: bool,
        at: Millis,
        reading: Celsius,
        heat: f64,
        dt: f64,
    ) {
        let celsius = reading.degrees();
        let rising = rising.get_or_insert_with(|| Self {
            since: at,
            trend: Trend::default(),
            heat: 0.0,
            now: celsius,
            lowest: celsius,
            last: [celsius; 2],
            trough: celsius,
            top: celsius,
            foot: celsius,
            warming: false,
            response: rested.then(Response::default),
            short: None,
            seen: None,
            seen_s: 0.0,
        });
        rising.trend.take(at, reading);
        rising.heat += (heat - rising.heat) * (dt / RECENT_S).min(1.0);
        rising.now += (celsius - rising.now) * (dt / SMOOTH_S).min(1.0);
        rising.lowest = rising.lowest.min(rising.now);
        rising.last = [celsius, rising.last[0]];
        rising.short = rising
            .response
            .as_mut()
            .and_then(|response| response.take(at, rising.now, heat, dt));
    }

    /// Looks at it, `dt` seconds after the last look.
    pub(crate) fn look(&mut self, at: Millis, dt: f64) {
        if self.loose().is_some() {
            return;
        }
        self.seen = self.fell(dt);
        if self.seen.is_none() && dt <= APART_S {
            self.seen = self.stopped(at);
        }
        if self.seen.is_none() {
            self.seen = self.slackened();
        }
        self.stays(dt);
    }

    /// Looks only whether it answers heat as it did.
    pub(crate) fn slackens(&mut self, dt: f64) {
        if self.loose().is_none() {
            self.seen = self.slackened();
            self.stays(dt);
        }
    }

    fn slackened(&self) -> Option<Loose> {
        let short = self.short.filter(|short| short.by() >= FALL)?;
        Some(Loose::Slackened(short.rose, short.least))
    }

    fn stays(&mut self, dt: f64) {
        self.seen_s = if self.seen.is_some() {
            self.seen_s + dt
        } else {
            0.0
        };
    }

    fn fell(&mut self, dt: f64) -> Option<Loose> {
        let (lower, higher) = (self.last[0].min(self.last[1]), self.last[0].max(self.last[1]));
        if self.heat < HEATED {
            (self.foot, self.warming) = (higher, false);
        }
        self.foot = self.foot.min(higher);
        self.warming |= lower >= self.foot + RISEN;
        let cools = if self.warming { DRAFT_TAKES } else { COOLS };
        self.top -= cools * (self.top - ROOM).max(0.0) * dt;
        self.top = self.top.max(lower);
        if higher < self.trough {
            (self.trough, self.top) = (higher, higher);
        }
        (self.top - higher >= FALL && self.top - self.trough >= RISEN)
            .then_some(Loose::Fell(self.top, higher))
    }

    fn stopped(&self, at: Millis) -> Option<Loose> {
        let now = self.last[0].max(self.last[1]);
        // From two moments, half a second apart: what one wild reading makes of a slope isn't one.
        AFTER.into_iter().find_map(|ago| {
            let (one, rate) = self.least(at, ago)?;
            let (other, _) = self.least(at, ago + Millis(500))?;
            (one.min(other) - now >= FALL).then_some(Loose::Stopped(rate, now))
        })
    }

    /// What a board reads now at the least after it rose until so long ago, °C, and how fast it rose, °C/s.
    fn least(&self, at: Millis, ago: Millis) -> Option<(f64, f64)> {
        if at.since(self.since) < SETTLES + SLOPE_OVER + ago {
            return None;
        }
        let from = self.trend.celsius(ago, Millis::ZERO)?.degrees();
        let rose = self.trend.change(ago + SLOPE_OVER, ago, Millis::ZERO)?.degrees();
        let (rate, t) = (rose / SLOPE_OVER.seconds(), ago.seconds());
        let goes_on = rate * ELEMENT_S * (1.0 - (-t / ELEMENT_S).exp());
        let cools = COOLS * (from - ROOM).max(0.0) * t;
        (rate >= SLOPE_MIN).then_some((from + goes_on - cools, rate))
    }

    /// Whether the bead is no longer on the board, and what was seen of that.
    pub(crate) fn loose(&self) -> Option<&Loose> {
        self.seen.as_ref().filter(|_| self.seen_s >= STAYS_S)
    }

    /// How far it rose from its lowest, °C.
    pub(crate) fn rise(&self) -> f64 {
        self.now - self.lowest
    }

    /// Whatever was wrong has been mended: what was seen before counts no more, except for how far it rose.
    pub(crate) fn forget(&mut self, at: Millis) {
        self.trend.forget();
        self.since = at;
        (self.trough, self.top) = (self.last[0], self.last[0]);
        (self.foot, self.warming, self.heat) = (self.last[0], false, 0.0);
        (self.seen, self.seen_s) = (None, 0.0);
        (self.response, self.short) = (None, None);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is seen first, and when, of a bead that reads `celsius(second)` four times a second under heat of `heat(second)`.
    fn seen(
        seconds: u64,
        heat: impl Fn(f64) -> f64,
        celsius: impl Fn(f64) -> f64,
    ) -> Option<(f64, Loose, Option<Rising>)> {
        seen_every(250, seconds, heat, celsius)
    }

    /// The same from readings so many milliseconds apart.
    fn seen_every(
        period: u64,
        seconds: u64,
        heat: impl Fn(f64) -> f64,
        celsius: impl Fn(f64) -> f64,
    ) -> Option<(f64, Loose, Option<Rising>)> {
        let mut rising = None;
        (0..=1000 * seconds / period).find_map(|scan| {
            let at = Millis(5_000_000 + period * scan);
            let dt = Millis(period).seconds();
            let second = at.since(Millis(5_000_000)).seconds();
            Rising::take(
                &mut rising,
                false,
                at,
                Celsius::new(celsius(second)).unwrap(),
                heat(second),
                dt,
            );
            let one = rising.as_mut()?;
            one.look(at, dt);
            let loose = *one.loose()?;
            Some((second, loose, rising.clone()))
        })
    }

    fn when(seconds: u64, heat: impl Fn(f64) -> f64, celsius: impl Fn(f64) -> f64) -> Option<f64> {
        seen(seconds, heat, celsius).map(|(at, ..)| at)
    }

    /// Rises by 0.4 °C/s, slower than what can be seen to stop, and falls at the fortieth second by so much.
    fn falls(by: f64) -> impl Fn(f64) -> f64 {
        move |second| {
            if second < 40.0 {
                25.0 + 0.4 * second
            } else {
                40.9 - by
            }
        }
    }

    /// Two readings in a row confirm the fall, and half a second more.
    #[test]
    fn what_is_heated_does_not_fall() {
        assert_eq!(when(60, |_| 1.0, falls(1.5)), Some(40.5));
        assert_eq!(when(60, |_| HEATED + 0.01, falls(1.5)), Some(40.5));
        assert_eq!(when(60, |_| 1.0, falls(1.25)), None);
        let (_, loose, _) = seen(60, |_| 1.0, falls(2.0)).unwrap();
        assert_eq!(
            loose.to_string(),
            "fell from 40.7 °C to 38.9 °C, which no board does with this heat"
        );
    }

    /// It rises to 36 °C, 16 °C above the room, where a board may lose 0.4 °C a second, and loses a share of that.
    #[test]
    fn what_is_not_heated_cools() {
        let cools = |rate: f64| {
            move |second: f64| {
                if second < 40.0 {
                    20.0 + 0.4 * second
                } else {
                    20.0 + 16.0 * (-rate * (second - 40.0)).exp()
                }
            }
        };
        let heat = |second: f64| if second < 40.0 { 1.0 } else { 0.3 };
        assert_eq!(when(90, heat, cools(0.02)), None);
        assert!(when(90, heat, cools(0.08)).is_some_and(|at| at < 44.0));
        // Heat is back, and the element isn't warm yet.
        let comes_back = |second: f64| if (40.0..50.0).contains(&second) { 0.0 } else { 1.0 };
        assert_eq!(when(60, comes_back, cools(0.02)), None);
    }

    /// Taken from a hot board to this one it falls faster than any board, and then rises with it.
    #[test]
    fn a_bead_that_comes_from_a_hot_board_falls_first() {
        let falls = |second: f64| 25.0 + 60.0 * (-second / 2.0).exp() + 0.4 * second;
        assert_eq!(when(60, |_| 1.0, falls), None);
        assert_eq!(when(60, |_| 0.0, falls), None);
    }

    /// A board that comes hot from the bench before cools at first, and an element takes a minute to turn that around.
    #[test]
    fn a_board_that_was_hot_may_cool_until_the_heat_has_shown() {
        let board = |second: f64| {
            if second < 60.0 {
                60.0 - 0.4 * second
            } else {
                36.0 + 0.4 * (second - 60.0)
            }
        };
        assert_eq!(when(120, |_| 1.0, board), None);
        let peels = |second: f64| if second < 80.0 { board(second) } else { 42.0 };
        assert!(when(120, |_| 1.0, peels).is_some_and(|at| at < 85.0));
    }

    /// 1.5 °C/s for 10 s, and then what the shortest element and the fastest cooling leave of it, or a slow fall.
    #[test]
    fn what_rises_goes_on_for_a_while() {
        let from = |second: f64| 20.0 + 1.5 * second.min(10.0);
        let coasts = |second: f64| {
            let after = (second - 10.0).max(0.0);
            from(second) + 1.5 * ELEMENT_S * (1.0 - (-after / ELEMENT_S).exp()) - 0.02 * 15.0 * after
        };
        let heat = |second: f64| if second < 10.0 { 1.0 } else { 0.0 };
        assert_eq!(when(15, heat, coasts), None);
        let loose_at_10_s = |second: f64| from(second) - 0.3 * (second - 10.0).max(0.0);
        let (at, loose, _) = seen(15, heat, loose_at_10_s).unwrap();
        assert!((11.0..13.5).contains(&at), "{at} s");
        let Loose::Stopped(rate, celsius) = loose else {
            panic!("{loose}");
        };
        // Two readings a second are enough for a slope, one isn't.
        let steep = |second: f64| from(second) - 0.9 * (second - 10.0).max(0.0);
        assert!(seen_every(500, 13, heat, steep).is_some());
        assert!(seen_every(1_000, 13, heat, steep).is_none());
        assert!(
            (1.2..1.51).contains(&rate) && (34.0..35.1).contains(&celsius),
            "{loose}"
        );
    }

    /// It rises by 1 °C/s for ten seconds and then by less and less for ten more: too gently to be seen to stop.
    #[test]
    fn what_was_at_rest_answers_heat_as_it_did() {
        let slackens = |second: f64| {
            let after = (second - 10.0).clamp(0.0, 10.0);
            25.0 + second.min(10.0) + after - after * after / 20.0
        };
        let look = |rested| {
            let mut rising = None;
            (0..400_u32).find_map(|scan| {
                let second = 0.25 * f64::from(scan);
                let at = Millis(5_000_000 + 250 * u64::from(scan));
                let celsius = Celsius::new(slackens(second)).unwrap();
                Rising::take(&mut rising, rested, at, celsius, 1.0, 0.25);
                let one = rising.as_mut()?;
                one.look(at, 0.25);
                Some((second, *one.loose()?))
            })
        };
        let (at, loose) = look(true).unwrap();
        assert!((17.0..24.0).contains(&at), "{at} s");
        let Loose::Slackened(rose, least) = loose else {
            panic!("{loose}");
        };
        assert!(rose < 3.0 && least >= rose + FALL, "{loose}");
        assert_eq!(
            loose.to_string(),
            format!("rose by {rose:.1} °C with heat that before brought it {least:.1} °C at the least")
        );
        assert_eq!(look(false), None, "it began as it was moving");
    }

    /// A bead that comes to a warm board's temperature after the start stops as well.
    #[test]
    fn a_bead_that_was_just_taped_down_stops_early() {
        assert_eq!(
            when(30, |_| 0.0, |second| 45.0 - 20.0 * (-second / 1.5).exp()),
            None
        );
    }

    /// 3 °C up for half a second, and a reading here and there that is wild.
    #[test]
    fn a_burst_in_the_wires_is_nothing() {
        let burst =
            |second: f64| 25.0 + 0.4 * second + if (40.0..40.4).contains(&second) { -3.0 } else { 0.0 };
        assert_eq!(when(60, |_| 1.0, burst), None);
        let wild = |second: f64| {
            let up = if second.rem_euclid(10.0) < 0.1 { 5.0 } else { 0.0 };
            25.0 + 0.4 * second + up
        };
        assert_eq!(when(60, |_| 1.0, wild), None);
    }

    /// Seen once is kept: the reading goes on with what is left of the contact. A repair makes up for it.
    #[test]
    fn what_was_seen_stays_until_it_is_mended() {
        let (_, _, mut rising) = seen(60, |_| 1.0, falls(2.0)).unwrap();
        for scan in 0..40 {
            let at = Millis(5_050_000 + 250 * scan);
            Rising::take(&mut rising, false, at, Celsius::constant(45.0), 1.0, 0.25);
            rising.as_mut().unwrap().look(at, 0.25);
            assert!(rising.as_ref().unwrap().loose().is_some());
        }
        let rising = rising.as_mut().unwrap();
        rising.forget(Millis(5_061_000));
        rising.look(Millis(5_061_000), 0.25);
        assert!(rising.loose().is_none());
        assert!(rising.rise() > 19.0, "how far it rose is not forgotten");
    }
}
