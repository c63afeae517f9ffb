//! From the readings of a run to what `benchward_core::model::learn` takes: control temperature and heat, evenly spaced.

use benchward_archive::{Scans, Value};
use benchward_core::interlock::Permit;
use benchward_core::model::learn::Sample;
use benchward_core::recipe::ControlBy;

/// Readings nearer than this say no more of a board, and take time, s.
const SPACING_S: f64 = 0.5;

/// How long a channel's value counts for scans that don't hold it, ms: the slowest input that is still fresh.
const HELD_MS: u64 = 3_000;

/// A board below this when its run starts has taken the room's temperature, °C.
const COLD: f64 = 35.0;

/// The room where a board was warm when its run started, °C: a heated shop.
pub(crate) const ROOM: f64 = 24.0;

/// What the room is taken for, °C.
pub(crate) fn room(samples: &[Sample]) -> f64 {
    samples
        .first()
        .map(|first| first.celsius)
        .filter(|celsius| *celsius < COLD)
        .unwrap_or(ROOM)
}

/// What there is to learn from.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Gathered {
    /// Control temperature and heat.
    pub(crate) samples: Vec<Sample>,
    /// What each channel read at those samples.
    pub(crate) channels: Vec<(String, Vec<Option<f64>>)>,
}

/// Takes in the readings of a run in their order.
#[derive(Debug)]
pub(crate) struct Gathering {
    by: ControlBy,
    gathered: Gathered,
    /// Newest good value of each channel, and when it was read.
    newest: Vec<Option<(u64, f64)>>,
    /// The row before: when, and the heat that was granted on it.
    before: Option<(u64, f64)>,
    /// Seconds since the last sample, and heat times seconds.
    since: (f64, f64),
}

impl Gathering {
    pub(crate) fn new(by: ControlBy) -> Self {
        Self {
            by,
            gathered: Gathered::default(),
            newest: Vec::new(),
            before: None,
            since: (0.0, 0.0),
        }
    }

    /// Takes in a block of rows.
    pub(crate) fn take(&mut self, block: &Scans) {
        self.newest.resize(block.channels.len(), None);
        let known = &mut self.gathered.channels;
        for name in block.channels.iter().skip(known.len()) {
            // One that comes later, which no run has, was not read until now.
            known.push((name.clone(), vec![None; self.gathered.samples.len()]));
        }
        for scan in &block.scans {
            self.row(&block.channels, scan.mono_ms, &scan.values, scan.heat);
        }
    }

    pub(crate) fn finish(self) -> Gathered {
        self.gathered
    }

    fn row(&mut self, channels: &[String], at: u64, values: &[Value], heat: f64) {
        for (newest, value) in self.newest.iter_mut().zip(values) {
            match value {
                Value::Celsius(celsius) if celsius.is_finite() => *newest = Some((at, *celsius)),
                Value::Celsius(_) | Value::Fault(_) | Value::Stale => *newest = None,
                Value::Absent => {}
            }
        }
        if let Some((then, granted)) = self.before {
            let passed = seconds(at.saturating_sub(then));
            self.since.0 += passed;
            // Rows can be missing. Heat that nobody renews has lapsed.
            self.since.1 += granted * passed.min(Permit::VALID.seconds());
        }
        self.before = Some((at, heat));
        let (dt, energy) = self.since;
        if !self.gathered.samples.is_empty() && dt < SPACING_S {
            return;
        }
        let Some(celsius) = self.control(channels, at) else {
            return;
        };
        let (dt, heat) = if self.gathered.samples.is_empty() {
            (0.0, 0.0)
        } else {
            (dt, energy / dt)
        };
        self.gathered.samples.push(Sample { dt, heat, celsius });
        for ((_, readings), newest) in self.gathered.channels.iter_mut().zip(&self.newest) {
            readings.push(fresh(*newest, at));
        }
        self.since = (0.0, 0.0);
    }

    /// What the recipe steers; `None` where a channel it takes has no good value.
    fn control(&self, channels: &[String], at: u64) -> Option<f64> {
        let fresh = |newest: &Option<(u64, f64)>| fresh(*newest, at);
        if let ControlBy::Channel(name) = &self.by {
            let place = channels.iter().position(|channel| channel == name)?;
            return self.newest.get(place).and_then(fresh);
        }
        let all: Option<Vec<f64>> = self.newest.iter().map(fresh).collect();
        let all = all?;
        match self.by {
            ControlBy::Coldest => all.into_iter().reduce(f64::min),
            ControlBy::Mean => {
                let count = u32::try_from(all.len()).ok().filter(|count| *count > 0)?;
                Some(all.iter().sum::<f64>() / f64::from(count))
            }
            ControlBy::Hottest | ControlBy::Channel(_) => all.into_iter().reduce(f64::max),
        }
    }
}

/// A newest value that still counts.
fn fresh(newest: Option<(u64, f64)>, at: u64) -> Option<f64> {
    newest
        .filter(|(then, _)| at.saturating_sub(*then) <= HELD_MS)
        .map(|(_, celsius)| celsius)
}

#[expect(
    clippy::cast_precision_loss,
    reason = "milliseconds of a run are far below 2^52"
)]
fn seconds(ms: u64) -> f64 {
    ms as f64 / 1_000.0
}

#[cfg(test)]
mod tests {
    use benchward_archive::{FaultKind, Phase, Scan, Wall};

    use super::*;

    fn gathered(by: ControlBy, rows: &[(u64, [Value; 2], f64)]) -> Vec<Sample> {
        let channels = ["board-top".to_owned(), "board-edge".to_owned()];
        let mut gathering = Gathering::new(by);
        gathering.newest.resize(2, None);
        for (at, values, heat) in rows {
            gathering.row(&channels, *at, values, *heat);
        }
        gathering.finish().samples
    }

    fn both(top: f64, edge: f64) -> [Value; 2] {
        [Value::Celsius(top), Value::Celsius(edge)]
    }

    /// (dt, heat, celsius) in thousandths, so that they can be compared.
    fn plain(samples: &[Sample]) -> Vec<(f64, f64, f64)> {
        let round = |value: f64| (value * 1_000.0).round() / 1_000.0;
        samples
            .iter()
            .map(|sample| (round(sample.dt), round(sample.heat), round(sample.celsius)))
            .collect()
    }

    #[test]
    fn heat_is_that_of_the_rows_before_in_the_mean() {
        let rows = [
            (1_000, both(24.0, 23.0), 1.0),
            (1_200, both(25.0, 24.0), 0.5),
            (1_600, both(26.0, 25.0), 0.0),
            (2_100, both(27.0, 26.0), 0.8),
        ];
        // 0.2 s of 1 and 0.4 s of 0.5 in 0.6 s.
        assert_eq!(
            plain(&gathered(ControlBy::Hottest, &rows)),
            [(0.0, 0.0, 24.0), (0.6, 0.667, 26.0), (0.5, 0.0, 27.0)]
        );
    }

    #[test]
    fn heat_that_nobody_renewed_has_lapsed() {
        let rows = [(0, both(24.0, 24.0), 1.0), (7_000, both(30.0, 30.0), 0.0)];
        assert_eq!(plain(&gathered(ControlBy::Hottest, &rows))[1], (7.0, 0.2, 30.0));
    }

    #[test]
    fn the_control_temperature_is_the_recipes() {
        let rows = [(0, both(24.0, 20.0), 0.0)];
        for (by, celsius) in [
            (ControlBy::Hottest, 24.0),
            (ControlBy::Coldest, 20.0),
            (ControlBy::Mean, 22.0),
            (ControlBy::Channel("board-edge".into()), 20.0),
        ] {
            assert_eq!(plain(&gathered(by, &rows)), [(0.0, 0.0, celsius)]);
        }
        assert_eq!(gathered(ControlBy::Channel("board".into()), &rows), []);
    }

    #[test]
    fn a_fault_leaves_a_gap_and_a_slow_channel_does_not() {
        let absent = |top| [Value::Celsius(top), Value::Absent];
        let fault = |top| [Value::Celsius(top), Value::Fault(FaultKind::Open)];
        let rows = [
            (0, both(24.0, 30.0), 0.0),
            (1_000, absent(25.0), 0.0),
            (2_000, fault(26.0), 0.0),
            (3_000, absent(27.0), 0.0),
            (4_000, both(28.0, 34.0), 0.0),
            (8_000, absent(29.0), 0.0),
        ];
        let samples = plain(&gathered(ControlBy::Hottest, &rows));
        assert_eq!(samples, [(0.0, 0.0, 30.0), (1.0, 0.0, 30.0), (3.0, 0.0, 34.0)]);
    }

    #[test]
    fn every_channel_has_a_reading_or_none_at_each_sample() {
        let scan = |mono_ms, values: [Value; 2]| Scan {
            at: Wall(0),
            mono_ms,
            values: values.to_vec(),
            heat: 0.5,
            phase: Phase::Ramp,
            stage: None,
            target_celsius: None,
        };
        let mut gathering = Gathering::new(ControlBy::Channel("board-top".into()));
        gathering.take(&Scans {
            channels: ["board-top".to_owned(), "board-edge".to_owned()].into(),
            scans: vec![
                scan(0, both(24.0, 20.0)),
                scan(1_000, [Value::Celsius(25.0), Value::Absent]),
                scan(2_000, [Value::Celsius(26.0), Value::Fault(FaultKind::Open)]),
            ],
        });
        let gathered = gathering.finish();
        assert_eq!(gathered.samples.len(), 3);
        assert_eq!(
            gathered.channels,
            [
                ("board-top".into(), vec![Some(24.0), Some(25.0), Some(26.0)]),
                ("board-edge".into(), vec![Some(20.0), Some(20.0), None]),
            ]
        );
    }

    #[test]
    fn a_cold_board_is_as_warm_as_the_room() {
        let at = |celsius| {
            room(&[Sample {
                dt: 0.0,
                heat: 0.0,
                celsius,
            }])
        };
        assert!((at(19.5) - 19.5).abs() < 1e-9);
        assert!((at(60.0) - ROOM).abs() < 1e-9);
        assert!((room(&[]) - ROOM).abs() < 1e-9);
    }
}
