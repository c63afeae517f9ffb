//! From what was measured to verdicts.

use std::cmp::Ordering;

use benchward_core::mistake::table::figure;
use benchward_core::window::{Limits, Line, Measure, On, Unit};

/// Limits are included, and sums of interpolated times come out with an error in their last bits (a few 1e-13 of a run's
/// seconds): who is this near to a limit is at it.
const SLACK: f64 = 1.0e-9;

/// Where temperatures are counted from when a margin is a share of a single limit: 25 °C, where the published
/// classification profile begins. A share of the Celsius scale's own zero would say nothing.
const ROOM_CELSIUS: f64 = 25.0;

/// What a line, or a run, comes to. In the order of a list: what has to be seen first stands first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// Outside the limits, whatever wasn't seen.
    Fail,
    /// What wasn't seen decides.
    Undecided,
    /// Inside the limits, whatever wasn't seen.
    Pass,
}

impl Verdict {
    /// `fail`, `undecided`, `pass`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Fail => "fail",
            Self::Undecided => "undecided",
            Self::Pass => "pass",
        }
    }
}

/// What was measured: seen, and what it could have been.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Measured {
    /// What the readings say; `None`: they say nothing.
    pub(crate) seen: Option<f64>,
    /// The lowest that it could have been.
    pub(crate) low: f64,
    /// The highest that it could have been.
    pub(crate) high: f64,
    /// Why the two differ; empty if they don't.
    pub(crate) why: String,
}

impl Measured {
    pub(crate) fn exactly(value: f64) -> Self {
        Self {
            seen: Some(value),
            low: value,
            high: value,
            why: String::new(),
        }
    }

    pub(crate) fn unknown(seen: Option<f64>, why: impl Into<String>) -> Self {
        Self {
            seen,
            low: f64::NEG_INFINITY,
            high: f64::INFINITY,
            why: why.into(),
        }
    }
}

/// A line of a window, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The line.
    pub line: Line,
    /// What was measured; of several channels, that of the worst. `None`: the readings don't say.
    pub value: Option<f64>,
    /// Distance to the nearer limit as a share of half the width, below zero outside; with one limit, as a share of that limit
    /// (temperatures counted from 25 °C). `None` unless decided.
    pub margin: Option<f64>,
    /// What it comes to.
    pub verdict: Verdict,
    /// The channel that `value` is of, or the word of the line, such as `hottest`.
    pub channel: String,
    /// In words, with what was missing where it is undecided.
    pub text: String,
    /// Each channel on its own, in their order, where all have to keep the line.
    pub channels: Vec<ChannelValue>,
}

/// A line judged on one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelValue {
    /// Its name.
    pub channel: String,
    /// As [`Judged::value`].
    pub value: Option<f64>,
    /// As [`Judged::margin`].
    pub margin: Option<f64>,
    /// What it comes to.
    pub verdict: Verdict,
}

/// A run, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// `Fail` if a line fails, else `Undecided` if one is, else `Pass`.
    pub verdict: Verdict,
    /// The worst first: failed, undecided, passed, and by margin within.
    pub lines: Vec<Judged>,
}

impl Judgement {
    pub(crate) fn of(mut lines: Vec<Judged>) -> Self {
        lines.sort_by(|a, b| worse(a.verdict, a.margin, b.verdict, b.margin));
        Self {
            verdict: lines
                .iter()
                .map(|line| line.verdict)
                .min()
                .unwrap_or(Verdict::Pass),
            lines,
        }
    }
}

fn worse(verdict: Verdict, margin: Option<f64>, other: Verdict, others: Option<f64>) -> Ordering {
    let key = |margin: Option<f64>| margin.unwrap_or(0.0);
    verdict
        .cmp(&other)
        .then_with(|| key(margin).total_cmp(&key(others)))
}

/// A line, from what was measured of each channel (or of the one temperature) that it is judged on.
pub(crate) fn judged(line: &Line, measured: &[(String, Measured)]) -> Judged {
    let each: Vec<(ChannelValue, &Measured)> = measured
        .iter()
        .map(|(channel, measured)| {
            let verdict = verdict(line.limits, measured);
            let decided = verdict != Verdict::Undecided;
            let value = ChannelValue {
                channel: channel.clone(),
                value: measured.seen,
                margin: measured
                    .seen
                    .filter(|_| decided)
                    .map(|value| margin(line.measure.unit(), line.limits, value)),
                verdict,
            };
            (value, measured)
        })
        .collect();
    let worst = each
        .iter()
        .min_by(|(a, _), (b, _)| worse(a.verdict, a.margin, b.verdict, b.margin));
    let Some((worst, of)) = worst else {
        return Judged {
            line: line.clone(),
            value: None,
            margin: None,
            verdict: Verdict::Undecided,
            channel: line.on.text().to_owned(),
            text: format!(
                "{}: the run has no channel `{}`; name one of the station's channels",
                line.measure,
                line.on.text()
            ),
            channels: Vec::new(),
        };
    };
    Judged {
        line: line.clone(),
        value: worst.value,
        margin: worst.margin,
        verdict: worst.verdict,
        channel: worst.channel.clone(),
        text: words(line, worst, of),
        channels: if line.on == On::All && each.len() > 1 {
            each.iter().map(|(value, _)| value.clone()).collect()
        } else {
            Vec::new()
        },
    }
}

fn verdict(limits: Limits, measured: &Measured) -> Verdict {
    let low = limits.low().map_or(f64::NEG_INFINITY, |low| low - SLACK);
    let high = limits.high().map_or(f64::INFINITY, |high| high + SLACK);
    if measured.low >= low && measured.high <= high {
        Verdict::Pass
    } else if measured.high < low || measured.low > high {
        Verdict::Fail
    } else {
        Verdict::Undecided
    }
}

fn margin(unit: Unit, limits: Limits, value: f64) -> f64 {
    let zero = if unit == Unit::Celsius { ROOM_CELSIUS } else { 0.0 };
    match (limits.low(), limits.high()) {
        (Some(low), Some(high)) => (value - low).min(high - value) / ((high - low) / 2.0),
        (Some(low), None) => (value - low) / share_of(low - zero),
        (None, Some(high)) => (high - value) / share_of(high - zero),
        (None, None) => 0.0,
    }
}

/// A single limit at zero has no size to take a share of.
fn share_of(size: f64) -> f64 {
    size.abs().max(1.0e-3)
}

fn words(line: &Line, worst: &ChannelValue, of: &Measured) -> String {
    let unit = line.measure.unit().symbol();
    let shown = |value: f64| format!("{} {unit}", figure((value * 100.0).round() / 100.0));
    let value = worst.value.map_or("nothing measured".into(), shown);
    let channel = &worst.channel;
    let seen = match (line.measure, &line.on) {
        (Measure::Spread, _) => format!("{}: {value}", line.measure),
        (_, On::Hottest | On::Coldest | On::Mean) => format!("{}: {value} ({channel})", line.measure),
        (_, On::All | On::Control | On::Channel(_)) => format!("{}: {value} at {channel}", line.measure),
    };
    match (worst.verdict, worst.value) {
        (Verdict::Pass, _) | (Verdict::Fail, None) => seen,
        (Verdict::Undecided, _) => format!("{seen}; {}", of.why),
        (Verdict::Fail, Some(value)) => {
            let missed = match (line.limits.low(), line.limits.high()) {
                (Some(low), _) if value < low => {
                    format!("{} below the limit of {}", shown(low - value), shown(low))
                }
                (_, Some(high)) => format!("{} above the limit of {}", shown(value - high), shown(high)),
                _ => String::new(),
            };
            format!("{seen}, {missed}")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(measure: Measure, low: Option<f64>, high: Option<f64>) -> Line {
        Line {
            measure,
            on: On::All,
            limits: Limits::new(low, high).unwrap(),
        }
    }

    fn interval(low: f64, high: f64) -> Measured {
        Measured {
            seen: Some(low),
            low,
            high,
            why: "x".into(),
        }
    }

    #[test]
    fn a_verdict_holds_for_all_that_could_have_been() {
        let limits = Limits::new(Some(20.0), Some(60.0)).unwrap();
        for (low, high, expected) in [
            (20.0, 60.0, Verdict::Pass),
            (19.0, 60.0, Verdict::Undecided),
            (20.0, 61.0, Verdict::Undecided),
            (0.0, f64::INFINITY, Verdict::Undecided),
            (0.0, 19.9, Verdict::Fail),
            (60.1, f64::INFINITY, Verdict::Fail),
            (20.0 - 1e-12, 60.0 + 1e-12, Verdict::Pass),
        ] {
            assert_eq!(verdict(limits, &interval(low, high)), expected, "{low} {high}");
        }
        let unseen = Measured::unknown(None, "x");
        assert_eq!(verdict(limits, &unseen), Verdict::Undecided);
    }

    /// "distance to the nearer limit, as a share of half the window's width".
    #[test]
    fn margins_are_as_by_hand() {
        let peak = |low, high, value| margin(Unit::Celsius, Limits::new(low, high).unwrap(), value);
        let rate = |high, value| {
            margin(
                Unit::CelsiusPerSecond,
                Limits::new(None, Some(high)).unwrap(),
                value,
            )
        };
        for (got, by_hand) in [
            (peak(Some(72.0), Some(80.0), 76.0), 1.0),
            (peak(Some(72.0), Some(80.0), 73.0), 0.25),
            (peak(Some(72.0), Some(80.0), 80.0), 0.0),
            (peak(Some(72.0), Some(80.0), 82.0), -0.5),
            (peak(None, Some(245.0), 223.0), 0.1),
            (peak(Some(225.0), None, 245.0), 0.1),
            (rate(3.0, 1.5), 0.5),
            (rate(3.0, 4.5), -0.5),
        ] {
            assert!((got - by_hand).abs() < 1e-12, "{got} {by_hand}");
        }
    }

    #[test]
    fn the_worst_channel_speaks_and_the_worst_line_comes_first() {
        let at = |name: &str, value| (name.to_owned(), Measured::exactly(value));
        let peak = judged(
            &line(Measure::Peak, Some(72.0), Some(80.0)),
            &[at("board-top", 76.0), at("board-edge", 70.5)],
        );
        assert_eq!((peak.verdict, &*peak.channel), (Verdict::Fail, "board-edge"));
        assert_eq!(
            peak.text,
            "peak: 70.5 °C at board-edge, 1.5 °C below the limit of 72 °C"
        );
        assert_eq!(peak.channels.len(), 2);
        let hottest = Line {
            on: On::Hottest,
            ..peak.line.clone()
        };
        assert_eq!(
            judged(&hottest, &[at("hottest", 76.0)]).text,
            "peak: 76 °C (hottest)"
        );
        let rise = judged(&line(Measure::Rise, None, Some(3.0)), &[at("board-top", 1.0)]);
        let fall = judged(&line(Measure::Fall, None, Some(3.0)), &[at("board-top", 2.9)]);
        let gone = judged(&line(Measure::Spread, None, Some(3.0)), &[]);
        let all = Judgement::of(vec![rise.clone(), gone.clone(), fall.clone(), peak.clone()]);
        assert_eq!(all.verdict, Verdict::Fail);
        assert_eq!(all.lines, [peak, gone.clone(), fall, rise.clone()]);
        assert_eq!(
            Judgement::of(vec![rise.clone(), gone]).verdict,
            Verdict::Undecided
        );
        assert_eq!(Judgement::of(vec![rise]).verdict, Verdict::Pass);
    }
}
