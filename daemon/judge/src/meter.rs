//! One measure of one temperature, fed with points, the straight lines between them, and gaps.

use std::collections::VecDeque;

use benchward_core::Phase;
use benchward_core::window::Measure;

use crate::judgement::Measured;

/// A temperature at a time, and where the run was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Point {
    /// Seconds since the start of the run.
    pub(crate) at: f64,
    /// Degrees Celsius; for a spread, their difference.
    pub(crate) celsius: f64,
    pub(crate) phase: Phase,
    /// Counted from 1.
    pub(crate) stage: Option<u16>,
    pub(crate) target: Option<f64>,
}

/// How a temperature's readings ended.
#[derive(Debug, Clone, Copy)]
pub(crate) struct End<'a> {
    /// Whether more may have come that nobody saw.
    pub(crate) open: bool,
    /// What wasn't seen, in words; empty if all was.
    pub(crate) unseen: &'a str,
}

/// What it takes to know one measure. Each holds a few numbers, and [`Rate`] the points of its own span.
#[derive(Debug, Clone)]
pub(crate) enum Meter {
    Highest(Option<f64>),
    Rate(Rate),
    RiseToPeak(RiseToPeak),
    FallFromPeak(FallFromPeak),
    /// Time inside a range of temperatures that is the same all the time.
    Inside(Inside),
    Dwell(Dwell),
    TimeToPeak(TimeToPeak),
    Cooldown(Cooldown),
}

#[derive(Debug, Clone)]
pub(crate) struct Rate {
    /// Seconds.
    over: f64,
    /// 1 for a rise, -1 for a fall.
    sign: f64,
    fastest: Option<f64>,
    recent: VecDeque<(f64, f64)>,
}

#[derive(Debug, Clone)]
pub(crate) struct RiseToPeak {
    from: f64,
    /// When it last came to `from` from below.
    came: Option<f64>,
    /// The peak, when it was first there, and when it had come to `from` before.
    peak: Option<(f64, f64, Option<f64>)>,
}

#[derive(Debug, Clone)]
pub(crate) struct FallFromPeak {
    to: f64,
    /// The peak and when it was last there.
    peak: Option<(f64, f64)>,
    /// When it first passed `to` after that.
    passed: Option<f64>,
}

#[derive(Debug, Clone)]
pub(crate) struct Inside {
    low: f64,
    high: f64,
    /// Only until `high` is first reached.
    rising: bool,
    over: bool,
    seconds: f64,
    /// Seconds of which nothing is known.
    unseen: f64,
    /// `seconds` before the first of them: `high` may have been reached in there.
    sure: Option<f64>,
}

#[derive(Debug, Clone)]
pub(crate) struct Dwell {
    stage: u16,
    band: f64,
    seconds: f64,
    unseen: f64,
}

#[derive(Debug, Clone)]
pub(crate) struct TimeToPeak {
    from: Option<f64>,
    /// When it first came to `from`.
    came: Option<f64>,
    peak: Option<(f64, f64)>,
}

#[derive(Debug, Clone)]
pub(crate) struct Cooldown {
    to: f64,
    /// When the heat ended: the first point of the cool-down.
    off: Option<f64>,
    /// When it came below `to` and stayed there.
    below: Option<f64>,
    gap: bool,
}

/// When the straight line from `a` to `b` is at `level`; both sides of it.
fn crossing(a: Point, b: Point, level: f64) -> f64 {
    a.at + (b.at - a.at) * (level - a.celsius) / (b.celsius - a.celsius)
}

/// For how long the straight line from `a` to `b` is within `low..high`, both included.
fn within(a: Point, b: Point, low: f64, high: f64) -> f64 {
    let (bottom, top) = if a.celsius <= b.celsius {
        (a.celsius, b.celsius)
    } else {
        (b.celsius, a.celsius)
    };
    let span = b.at - a.at;
    if bottom >= low && top <= high {
        span
    } else if top < low || bottom > high {
        0.0
    } else {
        // Not level here: one end is inside and the other isn't, or the ends lie on both sides.
        span * ((top.min(high) - bottom.max(low)) / (top - bottom))
    }
}

impl Meter {
    /// `band`: of the stage that a dwell names. `safe`: below which a board is safe to handle. °C.
    pub(crate) fn new(measure: Measure, rate_over: f64, band: f64, safe: f64) -> Self {
        let inside = |low: f64, high: f64, rising: bool| {
            Self::Inside(Inside {
                low,
                high,
                rising,
                over: false,
                seconds: 0.0,
                unseen: 0.0,
                sure: None,
            })
        };
        let rate = |sign: f64| {
            Self::Rate(Rate {
                over: rate_over,
                sign,
                fastest: None,
                recent: VecDeque::new(),
            })
        };
        match measure {
            Measure::Peak | Measure::Spread => Self::Highest(None),
            Measure::Rise => rate(1.0),
            Measure::Fall => rate(-1.0),
            Measure::RiseToPeak { from } => Self::RiseToPeak(RiseToPeak {
                from: from.degrees(),
                came: None,
                peak: None,
            }),
            Measure::FallFromPeak { to } => Self::FallFromPeak(FallFromPeak {
                to: to.degrees(),
                peak: None,
                passed: None,
            }),
            Measure::Above { celsius } => inside(celsius.degrees(), f64::INFINITY, false),
            Measure::Between { low, high, rising } => inside(low.degrees(), high.degrees(), rising),
            Measure::Dwell { stage } => Self::Dwell(Dwell {
                stage,
                band,
                seconds: 0.0,
                unseen: 0.0,
            }),
            Measure::TimeToPeak { from } => Self::TimeToPeak(TimeToPeak {
                from: from.map(benchward_core::units::Celsius::degrees),
                came: None,
                peak: None,
            }),
            Measure::Cooldown { to } => Self::Cooldown(Cooldown {
                to: to.map_or(safe, benchward_core::units::Celsius::degrees),
                off: None,
                below: None,
                gap: false,
            }),
        }
    }

    /// A reading. `before`: the one that a straight line joins it with; `None`: it is the first, or a gap was before it.
    pub(crate) fn point(&mut self, before: Option<Point>, point: Point) {
        match self {
            Self::Highest(highest) => {
                *highest = Some(highest.map_or(point.celsius, |highest| highest.max(point.celsius)));
            }
            Self::Rate(rate) => rate.point(before.is_some(), point),
            Self::RiseToPeak(rise) => rise.point(before, point),
            Self::FallFromPeak(fall) => fall.point(before, point),
            Self::Inside(inside) => inside.point(before, point),
            Self::Dwell(dwell) => dwell.point(before, point),
            Self::TimeToPeak(time) => time.point(before, point),
            Self::Cooldown(cooldown) => cooldown.point(before, point),
        }
    }

    /// Nothing is known between the two; `None`: since the start of the run.
    pub(crate) fn gap(&mut self, before: Option<Point>, seconds: f64, after: Point) {
        match self {
            Self::Inside(inside) if !inside.over => {
                inside.unseen += seconds;
                inside.sure.get_or_insert(inside.seconds);
            }
            Self::Dwell(dwell) => dwell.gap(before, seconds, after),
            Self::Cooldown(cooldown) => {
                cooldown.gap |= matches!(after.phase, Phase::Cooldown | Phase::Cool);
            }
            Self::Inside(_)
            | Self::Highest(_)
            | Self::Rate(_)
            | Self::RiseToPeak(_)
            | Self::FallFromPeak(_)
            | Self::TimeToPeak(_) => {}
        }
    }

    /// What it comes to. `last`: the last reading; `gap`: seconds without any between that and the run's end, if it is one.
    pub(crate) fn finish(self, last: Option<Point>, gap: f64, end: End<'_>) -> Measured {
        let Some(last) = last else {
            return match self {
                // Of all channels one was never read; this hot another was.
                Self::Highest(Some(highest)) => Measured {
                    high: f64::INFINITY,
                    why: end.unseen.into(),
                    ..Measured::exactly(highest)
                },
                _ => Measured::unknown(None, end.unseen),
            };
        };
        let all_seen = end.unseen.is_empty();
        // What can only be more than what was seen.
        let at_least = |seen: Option<f64>, nothing: &str| match seen {
            None => Measured::unknown(None, if all_seen { nothing } else { end.unseen }),
            Some(seen) if all_seen => Measured::exactly(seen),
            Some(seen) => Measured {
                high: f64::INFINITY,
                why: end.unseen.into(),
                ..Measured::exactly(seen)
            },
        };
        // What could have been anything.
        let only_if_all_seen = |seen: Option<f64>, nothing: &str| match seen {
            None => Measured::unknown(None, if all_seen { nothing } else { end.unseen }),
            Some(seen) if all_seen => Measured::exactly(seen),
            seen @ Some(_) => Measured::unknown(seen, end.unseen),
        };
        // A time: of it `sure` whatever wasn't seen, and up to `unseen` more. `over`: nothing that came later counts.
        let total = |seen: f64, sure: f64, unseen: f64, over: bool| {
            let high = match (over, end.open) {
                (true, _) => seen + unseen,
                (false, false) => seen + unseen + gap,
                (false, true) => f64::INFINITY,
            };
            let exact = sure >= seen && high <= seen;
            Measured {
                seen: Some(seen),
                low: sure,
                high,
                why: if exact { String::new() } else { end.unseen.into() },
            }
        };
        match self {
            Self::Highest(highest) => at_least(highest, ""),
            Self::Rate(rate) => at_least(
                rate.fastest,
                &format!(
                    "the readings span less than the {} s over which rates are taken",
                    rate.over
                ),
            ),
            Self::RiseToPeak(rise) => {
                let mean = rise.peak.and_then(|(peak, at, came)| {
                    let came = came?;
                    (at > came).then(|| (peak - rise.from) / (at - came))
                });
                only_if_all_seen(mean, &format!("it never came through {} °C", rise.from))
            }
            Self::FallFromPeak(fall) => {
                let mean = fall.peak.and_then(|(peak, at)| {
                    let passed = fall.passed?;
                    (passed > at).then(|| (peak - fall.to) / (passed - at))
                });
                only_if_all_seen(mean, &format!("it never fell through {} °C", fall.to))
            }
            Self::Inside(inside) => {
                let sure = inside.sure.filter(|_| inside.rising).unwrap_or(inside.seconds);
                total(inside.seconds, sure, inside.unseen, inside.over)
            }
            Self::Dwell(dwell) => {
                let over = last.phase == Phase::Cooldown
                    || last.phase == Phase::Cool
                    || last.stage.is_some_and(|stage| stage > dwell.stage);
                total(dwell.seconds, dwell.seconds, dwell.unseen, over)
            }
            Self::TimeToPeak(time) => {
                let seconds = time.peak.and_then(|(_, at)| match time.from {
                    None => Some(at),
                    Some(_) => time.came.map(|came| at - came),
                });
                let nothing = format!("it never came to {} °C", time.from.unwrap_or_default());
                only_if_all_seen(seconds, &nothing)
            }
            Self::Cooldown(cooldown) => {
                let Some(off) = cooldown.off else {
                    return Measured::unknown(None, "the heat didn't end before the readings did");
                };
                match cooldown.below {
                    Some(below) if !cooldown.gap && gap <= 0.0 && !end.open => Measured::exactly(below - off),
                    Some(below) => Measured::unknown(Some(below - off), end.unseen),
                    None => Measured {
                        high: f64::INFINITY,
                        why: format!("it was not below {} °C when the readings ended", cooldown.to),
                        ..Measured::exactly(last.at - off)
                    },
                }
            }
        }
    }
}

impl Rate {
    /// The mean rate over every span of `over` seconds that begins or ends at a reading: between those the mean of
    /// straight lines has no extreme.
    fn point(&mut self, joined: bool, point: Point) {
        if !joined {
            self.recent.clear();
        }
        let previous = self.recent.back().copied();
        self.recent.push_back((point.at, point.celsius));
        let now = (point.at, point.celsius);
        if let Some(previous) = previous {
            while let Some(&begin) = self.recent.front() {
                let end = begin.0 + self.over;
                if end > point.at {
                    break;
                }
                if end >= previous.0 {
                    self.take((between(previous, now, end) - begin.1) / self.over);
                }
                // One point at or before the beginning of the newest span has to stay.
                if self
                    .recent
                    .get(1)
                    .is_some_and(|next| next.0 + self.over <= point.at)
                {
                    self.recent.pop_front();
                } else {
                    break;
                }
            }
        }
        let begin = point.at - self.over;
        if let (Some(&first), Some(&second)) = (self.recent.front(), self.recent.get(1))
            && first.0 <= begin
        {
            self.take((point.celsius - between(first, second, begin)) / self.over);
        }
    }

    fn take(&mut self, rate: f64) {
        let rate = self.sign * rate;
        self.fastest = Some(self.fastest.map_or(rate, |fastest| fastest.max(rate)));
    }
}

/// The straight line through `a` and `b` at `at`.
fn between(a: (f64, f64), b: (f64, f64), at: f64) -> f64 {
    a.1 + (b.1 - a.1) * (at - a.0) / (b.0 - a.0)
}

impl RiseToPeak {
    fn point(&mut self, before: Option<Point>, point: Point) {
        match before {
            None if point.celsius >= self.from && self.came.is_none() => self.came = Some(point.at),
            Some(before) if before.celsius < self.from && point.celsius >= self.from => {
                self.came = Some(crossing(before, point, self.from));
            }
            _ => {}
        }
        if self.peak.is_none_or(|(peak, ..)| point.celsius > peak) {
            let came = self.came.filter(|_| point.celsius >= self.from);
            self.peak = Some((point.celsius, point.at, came));
        }
    }
}

impl FallFromPeak {
    fn point(&mut self, before: Option<Point>, point: Point) {
        if self.peak.is_none_or(|(peak, _)| point.celsius >= peak) {
            self.peak = Some((point.celsius, point.at));
            self.passed = None;
        } else if let Some(before) = before
            && self.passed.is_none()
            && before.celsius > self.to
            && point.celsius <= self.to
        {
            self.passed = Some(crossing(before, point, self.to));
        }
    }
}

impl Inside {
    fn point(&mut self, before: Option<Point>, point: Point) {
        if self.over {
            return;
        }
        if let Some(before) = before {
            self.seconds += within(before, point, self.low, self.high);
        }
        self.over = self.rising && point.celsius >= self.high;
    }
}

impl Dwell {
    fn point(&mut self, before: Option<Point>, point: Point) {
        let (Some(before), Some(target)) = (before, point.target) else {
            return;
        };
        if point.stage == Some(self.stage) && before.stage == point.stage {
            self.seconds += within(before, point, target - self.band, target + self.band);
        }
    }

    fn gap(&mut self, before: Option<Point>, seconds: f64, after: Point) {
        let heating = |point: &Point| matches!(point.phase, Phase::Ramp | Phase::Dwell);
        let began = before.and_then(|before| before.stage).unwrap_or(0) <= self.stage;
        let heated = before.is_none_or(|before| heating(&before));
        let not_before = !heating(&after) || after.stage.is_none_or(|stage| stage >= self.stage);
        if began && heated && not_before {
            self.unseen += seconds;
        }
    }
}

impl TimeToPeak {
    fn point(&mut self, before: Option<Point>, point: Point) {
        if let Some(from) = self.from
            && self.came.is_none()
            && point.celsius >= from
        {
            self.came = Some(match before {
                Some(before) if before.celsius < from => crossing(before, point, from),
                _ => point.at,
            });
        }
        if self.peak.is_none_or(|(peak, _)| point.celsius > peak) {
            self.peak = Some((point.celsius, point.at));
        }
    }
}

impl Cooldown {
    fn point(&mut self, before: Option<Point>, point: Point) {
        let cooling = matches!(point.phase, Phase::Cooldown | Phase::Cool);
        if !cooling {
            // A run that was resumed heats again.
            self.off = None;
            self.below = None;
            return;
        }
        let off = *self.off.get_or_insert(point.at);
        if point.celsius >= self.to {
            self.below = None;
        } else if self.below.is_none() {
            self.below = Some(match before {
                Some(before) if before.celsius >= self.to && before.at >= off => {
                    crossing(before, point, self.to)
                }
                _ => point.at,
            });
        }
    }
}
