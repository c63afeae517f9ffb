//! How a temperature has moved: the last minute and a half of a channel's readings, thinned to what slopes and changes need.
//!
//! Single readings say little about movement: at 20 Hz a step of 0.25 °C from one to the next looks like 5 °C/s.
//! So readings are kept as means of half seconds, with how many went into each, and everything asked of them is asked
//! of many: a slope by least squares over at least three of them, a change between two means. A channel that is
//! read once a second has one reading in every other half second, and every answer is the same as from the readings
//! themselves.
//!
//! It knows nothing of limits; the interlocks ask.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::units::{Celsius, CelsiusDelta, CelsiusPerSecond, Millis};

/// Length of one mean.
const MEAN_OVER: Millis = Millis(500);

/// How far back anything is asked: 90 s and as much again as a slow channel may be apart.
const KEPT: Millis = Millis::from_secs(94);

/// A temperature is at rest that drifts by no more than this, °C/s: several times what noise of 0.2 °C makes of a slope over
/// [`DRIFT_OVER`], and less than what an element that is still warm brings.
pub(crate) const REST_SLOPE: f64 = 0.08;
const DRIFT_OVER: Millis = Millis::from_secs(8);
/// What drifts upwards does so in every third of that time: by this share of what an even rise would be, but for noise, °C.
const EVEN_SHARE: f64 = 0.6;
const EVEN_CELSIUS: f64 = 0.3;

/// The mean of the readings of one half second.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Mean {
    /// Which half second, counted from the clock's zero.
    half: u64,
    /// Mean time of its readings.
    at: f64,
    celsius: f64,
    count: f64,
}

/// The last minute and a half of good readings.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(crate) struct Trend {
    /// Oldest first, at most one per half second. Kept as columns; see [`Trend::columns`].
    #[serde(skip)]
    means: VecDeque<Mean>,
}

impl Trend {
    /// Takes in a good reading. One that was sampled before the half second of the newest is not taken: it changes
    /// nothing about where the temperature goes.
    pub(crate) fn take(&mut self, at: Millis, celsius: Celsius) {
        let half = at.0 / MEAN_OVER.0;
        let (at, celsius) = (at.seconds(), celsius.degrees());
        match self.means.back_mut() {
            Some(newest) if half < newest.half => return,
            Some(newest) if half == newest.half => {
                newest.count += 1.0;
                newest.at += (at - newest.at) / newest.count;
                newest.celsius += (celsius - newest.celsius) / newest.count;
            }
            Some(_) | None => self.means.push_back(Mean {
                half,
                at,
                celsius,
                count: 1.0,
            }),
        }
        let oldest = half.saturating_sub(KEPT.0 / MEAN_OVER.0);
        while self.means.front().is_some_and(|mean| mean.half < oldest) {
            self.means.pop_front();
        }
    }

    /// Forgets everything: whatever is read next has nothing to do with what was read before.
    pub(crate) fn forget(&mut self) {
        self.means.clear();
    }

    /// What it remembers as columns of numbers: half second, mean time (s), mean temperature (°C), count. n values each.
    #[expect(
        clippy::cast_precision_loss,
        reason = "half seconds are exact far beyond any clock's age"
    )]
    pub(crate) fn columns(&self) -> [Vec<f64>; 4] {
        let column = |of: &dyn Fn(&Mean) -> f64| self.means.iter().map(of).collect();
        [
            column(&|mean| mean.half as f64),
            column(&|mean| mean.at),
            column(&|mean| mean.celsius),
            column(&|mean| mean.count),
        ]
    }

    /// Remembers what [`Trend::columns`] said; `None` if they are not four of one length.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a number that was cast the other way; any other saturates"
    )]
    pub(crate) fn recall(&mut self, columns: &[Vec<f64>]) -> Option<()> {
        let [half, at, celsius, count] = columns else {
            return None;
        };
        let n = half.len();
        if [at, celsius, count].iter().any(|column| column.len() != n) {
            return None;
        }
        self.means = (0..n)
            .map(|i| Mean {
                half: half[i] as u64,
                at: at[i],
                celsius: celsius[i],
                count: count[i],
            })
            .collect();
        Some(())
    }

    /// Slope by least squares over the readings of the last `over` up to the newest one, none of them from before
    /// `since`. `None` with fewer than three means, or less than half of `over` between the first and the last.
    pub(crate) fn slope(&self, over: Millis, since: Millis) -> Option<CelsiusPerSecond> {
        let newest = self.means.back()?;
        let from = (newest.at - over.seconds()).max(since.seconds()) - 1e-6;
        let within = || self.means.iter().rev().take_while(|mean| mean.at >= from);
        let first = within().last()?;
        if within().count() < 3 || newest.at - first.at < over.seconds() / 2.0 {
            return None;
        }
        // Each mean counts as often as readings went into it. Times and temperatures are taken from the newest, so
        // that nothing is lost in the difference of large numbers. Times are also taken from their own mean; that of
        // the temperatures would cancel.
        let (mut n, mut t) = (0.0, 0.0);
        for mean in within() {
            n += mean.count;
            t += mean.count * (mean.at - newest.at);
        }
        let t = t / n;
        let (mut over, mut under) = (0.0, 0.0);
        for mean in within() {
            let apart = mean.at - newest.at - t;
            over += mean.count * apart * (mean.celsius - newest.celsius);
            under += mean.count * apart * apart;
        }
        CelsiusPerSecond::new(over / under).ok()
    }

    /// How fast it has moved of late, °C/s; `None` where it wasn't read for [`DRIFT_OVER`], or rose in one go: that is a bead which
    /// was just taped to something warmer, and says nothing of where that goes.
    pub(crate) fn drift(&self) -> Option<f64> {
        let slack = Millis::from_secs(1);
        let all = self.change(DRIFT_OVER, Millis::ZERO, slack)?.degrees();
        let slope = self.slope(DRIFT_OVER, Millis::ZERO)?.per_second();
        let third = Millis(DRIFT_OVER.0 / 3);
        let least = EVEN_SHARE * all / 3.0 - EVEN_CELSIUS;
        let even = (0..3).all(|at| {
            let change = self.change(third * (at + 1), third * at, slack);
            change.is_some_and(|change| change.degrees() >= least)
        });
        (slope <= REST_SLOPE || even).then_some(slope)
    }

    /// The temperature `ago` before the newest reading, as the mean of the half second there. `None` where there is
    /// none within `slack` of that time.
    fn mean_ago(&self, ago: Millis, slack: Millis) -> Option<Mean> {
        let wanted = self.means.back()?.at - ago.seconds();
        // Their times go up, so the nearest is on either side of where the wanted one would be.
        let after = self.means.partition_point(|mean| mean.at < wanted);
        let nearest = [after.checked_sub(1), Some(after)]
            .into_iter()
            .flatten()
            .filter_map(|at| self.means.get(at))
            .min_by(|a, b| (a.at - wanted).abs().total_cmp(&(b.at - wanted).abs()))?;
        ((nearest.at - wanted).abs() <= slack.seconds().max(MEAN_OVER.seconds())).then_some(*nearest)
    }

    /// How far the temperature moved from `from` before the newest reading to `to` before it. `slack`: how far off
    /// those times the readings may be, the channel's own period. `None` where nothing was read there.
    pub(crate) fn change(&self, from: Millis, to: Millis, slack: Millis) -> Option<CelsiusDelta> {
        let (first, last) = (self.mean_ago(from, slack)?, self.mean_ago(to, slack)?);
        (first.half < last.half)
            .then(|| CelsiusDelta::new(last.celsius - first.celsius).ok())
            .flatten()
    }

    /// The temperature `ago` before the newest reading, as for [`Trend::change`].
    pub(crate) fn celsius(&self, ago: Millis, slack: Millis) -> Option<Celsius> {
        Celsius::new(self.mean_ago(ago, slack)?.celsius).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A trend of `seconds` of readings, `hz` a second, each `at(time)`.
    fn trend(seconds: u64, hz: u64, at: impl Fn(f64) -> f64) -> Trend {
        let mut trend = Trend::default();
        for step in 0..=seconds * hz {
            let now = Millis(5_000_000 + step * 1000 / hz);
            let since = now.since(Millis(5_000_000)).seconds();
            trend.take(now, Celsius::new(at(since)).unwrap());
        }
        trend
    }

    fn slope(trend: &Trend) -> f64 {
        trend.slope(Millis(2_000), Millis::ZERO).unwrap().per_second()
    }

    #[test]
    fn a_straight_line_has_its_slope_at_every_rate() {
        for hz in [1, 2, 4, 10, 20] {
            let line = trend(10, hz, |t| 30.0 + 4.0 * t);
            assert!((slope(&line) - 4.0).abs() < 1e-9, "{hz} Hz: {}", slope(&line));
            let change = line
                .change(Millis(8_000), Millis(2_000), Millis(1000 / hz))
                .unwrap();
            assert!((change.degrees() - 24.0).abs() < 2.1, "{hz} Hz: {change}");
        }
    }

    /// 0.25 °C to and fro at 20 Hz is 5 °C/s from reading to reading.
    #[test]
    fn steps_of_a_converter_are_no_slope() {
        let steps = trend(10, 20, |t| {
            if (t * 20.0).round() % 2.0 == 0.0 {
                100.0
            } else {
                100.25
            }
        });
        assert!(slope(&steps).abs() < 0.05, "{}", slope(&steps));
    }

    #[test]
    fn too_little_is_no_slope() {
        let short = trend(0, 20, |_| 20.0);
        assert_eq!(short.slope(Millis(2_000), Millis::ZERO), None);
        let two = trend(1, 1, |_| 20.0);
        assert_eq!(two.slope(Millis(2_000), Millis::ZERO), None);
        let three = trend(2, 1, |_| 20.0);
        assert!(slope(&three).abs() < 1e-12);
        // Half of the time that is asked for is enough.
        let half = trend(1, 2, |t| 20.0 + t);
        assert!((slope(&half) - 1.0).abs() < 1e-9);
        // Not from before a moment.
        let long = trend(10, 10, |t| 20.0 + t);
        assert_eq!(long.slope(Millis(2_000), Millis(5_009_200)), None);
    }

    /// At 1 Hz too, and under noise of 0.2 °C.
    #[test]
    fn at_rest_is_what_has_stood_still_for_eight_seconds() {
        let rests = |trend: &Trend| trend.drift().is_some_and(|drift| drift.abs() <= REST_SLOPE);
        let noisy = |t: f64| 20.0 + 0.2 * (t * 17.0).sin();
        for hz in [1, 4, 20] {
            assert!(rests(&trend(9, hz, noisy)), "{hz} Hz");
            assert_eq!(trend(6, hz, noisy).drift(), None, "{hz} Hz: too short");
            for drift in [-0.3, -0.1, -0.06, 0.06, 0.1, 0.3] {
                let drifts = trend(30, hz, |t| 20.0 + drift * t);
                assert!((drifts.drift().unwrap() - drift).abs() < 1e-6);
                assert_eq!(rests(&drifts), drift.abs() < 0.08);
            }
        }
    }

    /// A bead that was taped down 1 to 7 s ago, lagging by 0.7 to 1.6 s (common practice, no source), on a board 5 °C warmer or more. Beside it a plate's rise.
    #[test]
    fn a_bead_that_comes_to_rest_is_no_drift() {
        for ago in 1..=7 {
            for lag in [0.7, 1.2, 1.6] {
                for warmer in [5.0, 10.0, 30.0] {
                    let taped = |t: f64| {
                        let since = (t - 20.0 + f64::from(ago)).max(0.0);
                        20.0 + warmer * (1.0 - (-since / lag).exp())
                    };
                    let drift = trend(20, 4, taped).drift();
                    assert!(
                        drift.is_none_or(|drift| drift <= REST_SLOPE),
                        "{ago} s, {lag} s, {warmer} °C: {drift:?}"
                    );
                }
            }
        }
        for lag in [15.0, 20.0, 40.0] {
            for rate in [0.3, 0.6, 1.5] {
                let plate = trend(20, 4, |t| 20.0 + rate * lag * (1.0 - (-t / lag).exp()));
                assert!(plate.drift().is_some(), "{rate} °C/s, {lag} s");
            }
        }
    }

    #[test]
    fn a_minute_and_a_half_is_kept_and_no_more() {
        let long = trend(600, 10, |t| t);
        assert_eq!(
            long.means.len(),
            189,
            "94 s of half seconds and the one that goes on"
        );
        let back = long.celsius(Millis::from_secs(90), Millis(100)).unwrap();
        assert!((back.degrees() - 510.0).abs() < 0.6, "{back}");
        assert_eq!(long.celsius(Millis::from_secs(100), Millis(100)), None);
    }

    #[test]
    fn what_is_older_than_the_newest_changes_nothing() {
        let mut line = trend(10, 10, |t| t);
        let before = slope(&line);
        line.take(Millis(5_001_000), Celsius::constant(300.0));
        assert!((slope(&line) - before).abs() < 1e-12);
    }

    /// One reading that is near both times says nothing about what happened between them.
    #[test]
    fn a_change_is_between_two_means() {
        let one = trend(0, 1, |_| 20.0);
        assert!(one.celsius(Millis(400), Millis(500)).is_some());
        assert_eq!(one.change(Millis(400), Millis::ZERO, Millis(500)), None);
    }

    #[test]
    fn columns_bring_back_what_they_were_made_of() {
        let line = trend(10, 4, |t| 30.0 + 4.0 * t);
        let mut again = Trend::default();
        assert_eq!(again.recall(&line.columns()), Some(()));
        assert_eq!(again.means, line.means);
        assert_eq!(again.recall(&line.columns()[..3]), None, "a column is missing");
        let mut uneven = line.columns();
        uneven[2].pop();
        assert_eq!(again.recall(&uneven), None, "a column is shorter");
    }

    #[test]
    fn what_is_forgotten_has_no_slope() {
        let mut line = trend(10, 10, |t| t);
        line.forget();
        assert_eq!(line.slope(Millis(2_000), Millis::ZERO), None);
        assert_eq!(line.celsius(Millis::ZERO, Millis(500)), None);
    }
}
