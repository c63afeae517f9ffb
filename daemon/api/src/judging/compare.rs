//! Runs laid over each other.

use benchward_archive::{self as archive, Reader, RunRecord, Wall};
use benchward_core::window::{GAP_DEFAULT, Unit};
use benchward_judge::curve::{Curve, Difference};

use super::{archive_error, channels, each_scan};
use crate::Error;
use crate::shapes::{
    ComparedCurve, ComparedFigure, ComparedPoint, ComparedRun, Comparison, Run, RunWindow, SCHEMA,
    thousandths,
};

/// Most runs that are laid over each other: more can't be told apart.
pub const COMPARED_MAX: usize = 8;
/// Most whole seconds of a curve that are among its points.
const SECONDS_MAX: usize = 600;

/// Where runs are laid over each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Align {
    /// Where they started.
    Start,
    /// Where the ramp of a stage began, counted from 1.
    Stage(u16),
    /// Where the temperature first came to this many °C.
    Level(f64),
}

/// `start`, `stage 2`, `70`: what a person writes.
impl std::str::FromStr for Align {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "`{text}` is no place to align at; write `start`, `stage 2`, or a level such as `70C` or `158F`"
            )
        };
        let text = text.trim();
        if text == "start" {
            return Ok(Self::Start);
        }
        if let Some(stage) = text.strip_prefix("stage") {
            let stage = stage.trim().parse().map_err(|_| wrong())?;
            return (stage > 0).then_some(Self::Stage(stage)).ok_or_else(wrong);
        }
        let fahrenheit = text.ends_with(['F', 'f']);
        let level: f64 = text
            .trim_end_matches(['C', 'c', 'F', 'f', '°', ' '])
            .parse()
            .map_err(|_| wrong())?;
        let level = if fahrenheit { (level - 32.0) / 1.8 } else { level };
        (level.is_finite() && (-50.0..=400.0).contains(&level))
            .then_some(Self::Level(level))
            .ok_or_else(wrong)
    }
}

impl std::fmt::Display for Align {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Start => f.write_str("start"),
            Self::Stage(stage) => write!(f, "stage {stage}"),
            Self::Level(level) => write!(f, "{} °C", thousandths(*level)),
        }
    }
}

/// Lays runs over each other. `channel`: `hottest`, `coldest`, `mean`, or a channel's name.
///
/// # Errors
/// [`Error::NoSuch`]: a run, a stage or a channel that isn't there; [`Error::Invalid`]: fewer than two runs, more than [`COMPARED_MAX`], or one that
/// never came to the level; [`Error::Archive`].
pub fn compare(reader: &Reader, runs: &[u64], align: Align, channel: &str) -> Result<Comparison, Error> {
    if runs.len() < 2 || runs.len() > COMPARED_MAX {
        return Err(Error::Invalid(format!(
            "{} runs can't be compared; name 2 to {COMPARED_MAX}",
            runs.len()
        )));
    }
    let mut records = Vec::new();
    let mut curves = Vec::new();
    let mut zeros = Vec::new();
    for &run in runs {
        let record = reader.run(run).map_err(archive_error)?;
        let curve = curve(reader, &record, channel)?;
        let zero = zero(&record, &curve, align)?;
        curves.push(curve.counted_from(zero));
        zeros.push(zero);
        records.push(record);
    }
    let differences = runs
        .iter()
        .zip(&curves)
        .skip(1)
        .map(|(&run, curve)| {
            let apart = curve.minus(&curves[0]);
            let found = Difference::of(&apart);
            ComparedCurve {
                run,
                against: runs[0],
                seconds: found.map_or(0, |found| found.seconds),
                mean_celsius: found.map(|found| thousandths(found.mean)),
                rms_celsius: found.map(|found| thousandths(found.rms)),
                worst_celsius: found.map(|found| thousandths(found.worst)),
                worst_at_s: found.map(|found| thousandths(found.worst_at)),
                curve: points(&apart),
            }
        })
        .collect();
    let figures = figures(&records, &curves);
    Ok(Comparison {
        schema: SCHEMA,
        aligned_at: align.to_string(),
        channel: channel.into(),
        runs: records
            .iter()
            .zip(&curves)
            .zip(zeros)
            .map(|((record, curve), zero)| ComparedRun {
                run: Run::from(record),
                zero_s: thousandths(zero),
                curve: points(curve),
            })
            .collect(),
        differences,
        figures,
    })
}

/// One temperature of a run over its seconds. A point of several channels comes when all have been read.
fn curve(reader: &Reader, record: &RunRecord, channel: &str) -> Result<Curve, Error> {
    let channels = channels(reader, record)?;
    let of_all = matches!(channel, "hottest" | "coldest" | "mean");
    let own = channels.iter().position(|name| name == channel);
    if !of_all && own.is_none() {
        return Err(Error::NoSuch(format!(
            "run {} has no channel `{channel}`; it has {}, and `hottest`, `coldest`, `mean` are made of all",
            record.run,
            channels.join(", ")
        )));
    }
    let mut curve = Curve::new(GAP_DEFAULT.seconds());
    let mut fresh: Vec<Option<f64>> = vec![None; channels.len()];
    each_scan(reader, record, &channels, |scan| {
        if let Some(own) = own.filter(|_| !of_all) {
            if let Some(celsius) = scan.celsius[own] {
                curve.push(scan.at_s, celsius);
            }
            return;
        }
        for (fresh, celsius) in fresh.iter_mut().zip(scan.celsius) {
            *fresh = celsius.or(*fresh);
        }
        if fresh.iter().any(Option::is_none) {
            return;
        }
        let all = fresh.iter().flatten().copied();
        #[expect(clippy::cast_precision_loss, reason = "a station has a handful of channels")]
        let celsius = match channel {
            "coldest" => all.fold(f64::INFINITY, f64::min),
            "mean" => all.sum::<f64>() / channels.len() as f64,
            _ => all.fold(f64::NEG_INFINITY, f64::max),
        };
        fresh.fill(None);
        curve.push(scan.at_s, celsius);
    })?;
    Ok(curve)
}

#[expect(
    clippy::cast_precision_loss,
    reason = "milliseconds of a run are far below 2^52"
)]
fn between(from: Wall, to: Wall) -> f64 {
    (to.0 - from.0) as f64 / 1000.0
}

fn zero(record: &RunRecord, curve: &Curve, align: Align) -> Result<f64, Error> {
    match align {
        Align::Start => Ok(0.0),
        Align::Stage(number) => record
            .stages
            .iter()
            .find(|stage| stage.stage == number)
            .map(|stage| between(record.started, stage.started))
            .ok_or_else(|| {
                Error::NoSuch(format!(
                    "run {} didn't come to stage {number}; it had {}",
                    record.run,
                    record.stages.len()
                ))
            }),
        Align::Level(level) => curve.reaches(level).ok_or_else(|| {
            let peak = curve.peak().map_or("it has no reading".into(), |(_, peak)| {
                format!("its highest reading was {peak:.1} °C")
            });
            Error::Invalid(format!(
                "run {} never came to {} °C: {peak}",
                record.run,
                thousandths(level)
            ))
        }),
    }
}

/// Whole seconds, or every second, third, ... of them. Between two of them come the lowest and the highest reading, where the line between
/// the two doesn't reach as far: so the points are bounded, and nothing that stands out is missing.
fn points(curve: &Curve) -> Vec<ComparedPoint> {
    let Some((from, to)) = curve.span() else {
        return Vec::new();
    };
    let (from, to) = (from.ceil(), to.floor());
    #[expect(clippy::cast_precision_loss, reason = "a small constant")]
    let step = ((to - from) / (SECONDS_MAX as f64 - 1.0)).ceil().max(1.0);
    let mut points = Vec::new();
    let mut at = from;
    while at <= to {
        let (here, next) = (curve.at(at), curve.at(at + step));
        points.push(ComparedPoint {
            at_s: at,
            celsius: here.map(thousandths),
        });
        let reached = here.unwrap_or(f64::NAN);
        let (low, high) = (
            reached.min(next.unwrap_or(reached)),
            reached.max(next.unwrap_or(reached)),
        );
        let mut before = None;
        for (at, celsius) in curve.extremes(at, at + step).into_iter().flatten() {
            // Also where the second has no reading near, which is when neither is true.
            if !(low <= celsius && celsius <= high) && before.replace(at) != Some(at) {
                points.push(ComparedPoint {
                    at_s: thousandths(at),
                    celsius: Some(thousandths(celsius)),
                });
            }
        }
        at += step;
    }
    points
}

fn figures(records: &[RunRecord], curves: &[Curve]) -> Vec<ComparedFigure> {
    let mut figures = Vec::new();
    let mut add = |figure: String, unit: &str, values: Vec<Option<f64>>| {
        if values.iter().all(Option::is_none) {
            return;
        }
        let first = values.first().copied().flatten();
        let differences = values
            .iter()
            .map(|value| Some(thousandths((*value)? - first?)))
            .collect();
        figures.push(ComparedFigure {
            figure,
            unit: unit.into(),
            values: values.into_iter().map(|value| value.map(thousandths)).collect(),
            differences,
        });
    };
    let celsius = Unit::Celsius.key();
    let seconds = Unit::Seconds.key();
    let peaks = |pick: fn((f64, f64)) -> f64| curves.iter().map(|curve| curve.peak().map(pick)).collect();
    add("peak".into(), celsius, peaks(|peak| peak.1));
    add("peak at".into(), seconds, peaks(|peak| peak.0));
    let stages = records
        .iter()
        .map(|record| record.stages.len())
        .max()
        .unwrap_or(0);
    for at in 0..stages {
        let of = |pick: fn(&archive::StageRecord) -> Option<f64>| {
            records
                .iter()
                .map(|record| record.stages.get(at).and_then(pick))
                .collect()
        };
        let number = at + 1;
        let ramp = of(|stage| stage.reached.map(|reached| between(stage.started, reached)));
        add(format!("ramp of stage {number}"), seconds, ramp);
        let dwell = of(|stage| stage.reached.map(|_| stage.dwell_s));
        add(format!("dwell of stage {number}"), seconds, dwell);
        let overshoot = of(|stage| stage.overshoot_celsius);
        add(format!("overshoot of stage {number}"), celsius, overshoot);
    }
    let windows: Vec<Option<RunWindow>> = records.iter().map(RunWindow::of).collect();
    let mut named: Vec<(&str, &str)> = Vec::new();
    for line in windows.iter().flatten().flat_map(|window| &window.lines) {
        let of_stage = line.line.starts_with("dwell of stage") || line.line == "peak";
        if !line.unit.is_empty() && !of_stage && !named.iter().any(|(name, _)| *name == line.line) {
            named.push((&line.line, &line.unit));
        }
    }
    for (name, unit) in named {
        let values = windows
            .iter()
            .map(|window| {
                window
                    .as_ref()?
                    .lines
                    .iter()
                    .find(|line| line.line == name)?
                    .value
            })
            .collect();
        add(format!("window: {name}"), unit, values);
    }
    figures
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Eight hours at 2 Hz with one reading that is hotter than all others, one that is colder, and a gap of five minutes.
    #[test]
    fn points_of_a_long_run_are_few_and_reach_as_far_as_its_readings() {
        let mut curve = Curve::new(2.0);
        for n in 0..57_600 {
            let at = f64::from(n) / 2.0;
            let celsius = match n {
                20_001 => 140.5,
                30_003 => 11.25,
                _ => 60.0 + f64::from(n % 7) / 10.0,
            };
            if !(3_000.0..3_300.0).contains(&at) {
                curve.push(at, celsius);
            }
        }
        let points = points(&curve);
        assert!(
            (600..=3 * SECONDS_MAX).contains(&points.len()),
            "{}",
            points.len()
        );
        assert!(points.windows(2).all(|pair| pair[0].at_s < pair[1].at_s));
        for (at_s, celsius) in [(10_000.5, 140.5), (15_001.5, 11.25)] {
            let point = ComparedPoint {
                at_s,
                celsius: Some(celsius),
            };
            assert!(points.contains(&point), "{point:?}");
        }
        let gap = points.iter().filter(|point| point.celsius.is_none());
        assert!(gap.clone().count() > 3 && gap.clone().all(|point| (3_000.0..3_300.0).contains(&point.at_s)));
        let slow = {
            let mut slow = Curve::new(2.0);
            for second in 0..=500 {
                slow.push(f64::from(second), 20.0 + f64::from(second) / 10.0);
            }
            super::points(&slow)
        };
        assert_eq!(slow.len(), 501, "each whole second, and nothing stands out");
    }

    #[test]
    fn places_to_align_at_are_read_as_written() {
        for (text, place) in [
            ("start", Align::Start),
            ("stage 2", Align::Stage(2)),
            ("stage2", Align::Stage(2)),
            ("70", Align::Level(70.0)),
            ("70C", Align::Level(70.0)),
            ("70.5 °C", Align::Level(70.5)),
            ("212F", Align::Level(100.0)),
        ] {
            assert_eq!(text.parse(), Ok(place), "{text}");
            assert_eq!(place.to_string().parse(), Ok(place));
        }
        for text in ["", "stage", "stage 0", "stage -1", "end", "1000", "nan", "inf"] {
            assert!(text.parse::<Align>().unwrap_err().contains("158F"), "{text}");
        }
    }
}
