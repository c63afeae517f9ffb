//! How well a stage was carried out, from the true temperature over time.

use crate::bound::NEAR;

/// Time over which a slope is taken, seconds: what a process engineer's ramp is judged by, longer than any noise.
const SLOPE_S: f64 = 4.0;

/// The true temperature at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sight {
    /// Seconds since the run's start.
    pub time_s: f64,
    /// °C.
    pub celsius: f64,
}

/// A stage as it was asked for and as it went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// °C.
    pub target: f64,
    /// °C/s.
    pub ramp_max: Option<f64>,
    /// When it began, seconds.
    pub began_s: f64,
    /// When its dwell, or the try at it, ended.
    pub ended_s: f64,
    /// Until when the temperature is still this stage's: later than its end only after the last one.
    pub watched_s: f64,
}

/// Figures of one stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Highest above the target while it was watched, °C; 0 if it never was above.
    pub overshoot: f64,
    /// From the stage's start to 1 °C below the target, seconds; `None`: never.
    pub arrival_s: Option<f64>,
    /// Root mean square of the error from arrival to the dwell's end, °C.
    pub dwell_rms: Option<f64>,
    /// Highest slope over four seconds less the limit, °C/s; `None` without a limit. Below zero: never as fast as allowed.
    pub ramp_excess: Option<f64>,
}

/// Scores a stage. `sights` are evenly spaced in time, in order, and may go beyond the stage at both ends.
pub fn stage(sights: &[Sight], course: &Course) -> Score {
    let within = |from: f64, to: f64| {
        let first = sights.partition_point(|sight| sight.time_s < from - 1e-9);
        let past = sights.partition_point(|sight| sight.time_s <= to + 1e-9);
        &sights[first.min(past)..past]
    };
    let overshoot = within(course.began_s, course.watched_s)
        .iter()
        .map(|sight| sight.celsius - course.target)
        .fold(0.0, f64::max);
    let own = within(course.began_s, course.ended_s);
    let arrived = own.iter().find(|sight| sight.celsius >= course.target - NEAR);
    let dwell_rms = arrived.map(|arrived| {
        let dwell = within(arrived.time_s, course.ended_s);
        let sum: f64 = dwell
            .iter()
            .map(|sight| (sight.celsius - course.target).powi(2))
            .sum();
        (sum / f64::from(u32::try_from(dwell.len()).unwrap_or(u32::MAX))).sqrt()
    });
    let ramp_excess = course.ramp_max.and_then(|limit| {
        let mut fastest: Option<f64> = None;
        let mut before = own.iter();
        let mut behind = before.next()?;
        for sight in own {
            while sight.time_s - behind.time_s > SLOPE_S + 1e-9 {
                behind = before.next()?;
            }
            if sight.time_s - behind.time_s > SLOPE_S - 1e-3 {
                let slope = (sight.celsius - behind.celsius) / (sight.time_s - behind.time_s);
                fastest = Some(fastest.map_or(slope, |fastest| fastest.max(slope)));
            }
        }
        fastest.map(|fastest| fastest - limit)
    });
    Score {
        overshoot,
        arrival_s: arrived.map(|arrived| arrived.time_s - course.began_s),
        dwell_rms,
        ramp_excess,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sights(until_s: f64, celsius: impl Fn(f64) -> f64) -> Vec<Sight> {
        (0..10_000)
            .map(|n| f64::from(n) * 0.1)
            .take_while(|time_s| *time_s <= until_s)
            .map(|time_s| Sight {
                time_s,
                celsius: celsius(time_s),
            })
            .collect()
    }

    const COURSE: Course = Course {
        target: 100.0,
        ramp_max: Some(1.5),
        began_s: 10.0,
        ended_s: 100.0,
        watched_s: 160.0,
    };

    #[test]
    fn a_ramp_into_a_dwell_three_degrees_too_hot() {
        // 2 °C/s from 40 °C at 10 s, over to a dwell at 103 °C, and a bump to 108 °C after the end.
        let made = sights(200.0, |t| {
            if t > 120.0 {
                108.0
            } else {
                (40.0 + 2.0 * (t - 10.0)).clamp(40.0, 103.0)
            }
        });
        let score = stage(&made, &COURSE);
        assert!((score.overshoot - 8.0).abs() < 1e-9, "{score:?}");
        // 99 °C is 29.5 s after the start.
        assert!((score.arrival_s.unwrap() - 29.5).abs() < 1e-6, "{score:?}");
        assert!((score.dwell_rms.unwrap() - 2.95).abs() < 0.05, "{score:?}");
        assert!((score.ramp_excess.unwrap() - 0.5).abs() < 1e-6, "{score:?}");
        let inner = Course {
            watched_s: 100.0,
            ramp_max: None,
            ..COURSE
        };
        let score = stage(&made, &inner);
        assert!((score.overshoot - 3.0).abs() < 1e-9);
        assert_eq!(score.ramp_excess, None);
    }

    #[test]
    fn a_slope_is_taken_over_four_seconds() {
        // A jump of 8 °C within the first second: there are no four seconds yet to judge it by, and later it counts as 2 °C/s.
        let made = sights(200.0, |t| 40.0 + 8.0 * (t - 10.0).clamp(0.0, 1.0));
        let score = stage(&made, &COURSE);
        assert!((score.ramp_excess.unwrap() - 0.5).abs() < 1e-6, "{score:?}");
    }

    #[test]
    fn what_never_arrives_has_no_arrival_and_no_dwell() {
        let made = sights(200.0, |t| (40.0 + t).min(98.9));
        let score = stage(&made, &COURSE);
        assert_eq!((score.arrival_s, score.dwell_rms), (None, None));
        assert!(score.overshoot.abs() < 1e-12);
        assert!((score.ramp_excess.unwrap() + 0.5).abs() < 1e-6);
    }

    #[test]
    fn what_happens_before_a_stage_is_not_its_own() {
        let made = sights(200.0, |t| if t < 9.95 { 300.0 } else { 50.0 });
        let score = stage(&made, &COURSE);
        assert!(score.overshoot.abs() < 1e-12 && score.arrival_s.is_none());
        assert!((score.ramp_excess.unwrap() + 1.5).abs() < 1e-9);
    }
}
