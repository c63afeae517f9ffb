//! The readings of a run as columns.

use std::collections::BTreeMap;

use benchward_archive::export::elapsed_s;
use benchward_archive::{Recording, RunRecord, Scans, Value};

/// Readings of one run. All columns are as long as `at_s`; a row is a scan.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Readings {
    /// Seconds since the start of the run.
    pub(crate) at_s: Vec<f64>,
    /// Name of each channel, and its good readings, °C; none where there was no good one.
    pub(crate) channels: Vec<(String, Vec<Option<f64>>)>,
    /// Granted heat, 0 to 1.
    pub(crate) heat: Vec<f64>,
    /// Target of the stage, °C, while there was heat.
    pub(crate) target: Vec<Option<f64>>,
    /// `ramp`, `dwell`, `cooldown`, `cool`, as spans: where the first row of each is, and its stage, counted from 1.
    pub(crate) phases: Vec<(usize, String, Option<u16>)>,
    /// How many readings were no good ones, by what they were.
    pub(crate) bad: BTreeMap<(String, String), usize>,
    /// What could not be read, in words.
    pub(crate) damage: Vec<String>,
}

impl Readings {
    /// Those of a run, its `channels` first.
    pub(crate) fn of(mut run: Recording, channels: &[String]) -> Self {
        let mut readings = Self::new(channels);
        let record = run.record().clone();
        while let Some(block) = run.next_block() {
            match block {
                Ok(block) => readings.take(&record, &block),
                Err(damage) => readings.damage.push(damage.to_string()),
            }
        }
        readings
    }

    fn new(channels: &[String]) -> Self {
        Self {
            channels: channels.iter().map(|name| (name.clone(), Vec::new())).collect(),
            ..Self::default()
        }
    }

    fn take(&mut self, record: &RunRecord, block: &Scans) {
        let before = self.at_s.len();
        for name in &*block.channels {
            if !self.channels.iter().any(|(known, _)| known == name) {
                self.channels.push((name.clone(), vec![None; before]));
            }
        }
        for (name, column) in &mut self.channels {
            let Some(place) = block.channels.iter().position(|other| other == name) else {
                column.resize(before + block.scans.len(), None);
                continue;
            };
            for scan in &block.scans {
                let value = scan.values[place];
                column.push(value.celsius());
                // A channel of a slower driver has nothing in most scans, and that is no fault.
                if !matches!(value, Value::Celsius(_) | Value::Absent) {
                    let quality = value.quality().to_owned();
                    *self.bad.entry((name.clone(), quality)).or_default() += 1;
                }
            }
        }
        for (row, scan) in (before..).zip(&block.scans) {
            self.at_s.push(elapsed_s(record, scan));
            self.heat.push(scan.heat);
            self.target.push(scan.target_celsius);
            let phase = scan.phase.name();
            let last = self.phases.last();
            if last.is_none_or(|(_, known, stage)| *known != phase || *stage != scan.stage) {
                self.phases.push((row, phase.to_owned(), scan.stage));
            }
        }
    }

    /// Rows of each span of [`Readings::phases`]: its first, and the one after its last.
    pub(crate) fn spans(&self) -> impl Iterator<Item = (usize, usize, &str, Option<u16>)> {
        let ends = self
            .phases
            .iter()
            .skip(1)
            .map(|(row, ..)| *row)
            .chain([self.at_s.len()]);
        self.phases
            .iter()
            .zip(ends)
            .map(|((from, phase, stage), to)| (*from, to, phase.as_str(), *stage))
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use benchward_archive::{FaultKind, Phase, Scan, Wall};

    use super::*;

    /// Phase, stage, target, heat, and a reading per channel.
    type Made<'m> = (&'m str, Option<u16>, Option<f64>, f64, &'m [f64]);

    fn scan(
        ms: u64,
        (phase, stage, target, heat, values): (Phase, Option<u16>, Option<f64>, f64, &[Value]),
    ) -> Scan {
        Scan {
            at: Wall(0),
            mono_ms: ms,
            values: values.to_vec(),
            heat,
            phase,
            stage,
            target_celsius: target,
        }
    }

    fn block(names: &[&str], scans: Vec<Scan>) -> Scans {
        Scans {
            channels: names.iter().map(|name| (*name).to_owned()).collect(),
            scans,
        }
    }

    /// Rows a second apart.
    pub(crate) fn readings(names: &[&str], rows: &[Made<'_>]) -> Readings {
        let scans = (0..)
            .step_by(1000)
            .zip(rows)
            .map(|(ms, (phase, stage, target, heat, celsius))| {
                let values: Vec<Value> = celsius.iter().copied().map(Value::Celsius).collect();
                let phase = serde_json::from_value((*phase).into()).unwrap();
                scan(ms, (phase, *stage, *target, *heat, &values))
            });
        let block = block(names, scans.collect());
        let mut readings = Readings::new(&block.channels);
        readings.take(&RunRecord::default(), &block);
        readings
    }

    #[test]
    fn rows_become_columns() {
        let record = RunRecord {
            started_mono_ms: 1000,
            ..RunRecord::default()
        };
        let mut readings = Readings::new(&["b".into(), "a".into()]);
        let first = [Value::Celsius(21.5)];
        readings.take(
            &record,
            &block(
                &["b"],
                vec![scan(1000, (Phase::Ramp, Some(1), Some(60.0), 1.0, &first))],
            ),
        );
        let second = [
            Value::Fault(FaultKind::Open),
            Value::Celsius(22.0),
            Value::Celsius(5.0),
        ];
        readings.take(
            &record,
            &block(
                &["a", "b", "c"],
                vec![scan(1100, (Phase::Cooldown, None, None, 0.0, &second))],
            ),
        );
        let third = [Value::Absent];
        readings.take(
            &record,
            &block(
                &["a"],
                vec![scan(1200, (Phase::Cooldown, None, None, 0.0, &third))],
            ),
        );
        assert_eq!(readings.at_s, [0.0, 0.1, 0.2]);
        assert_eq!(
            readings.channels[0],
            ("b".into(), vec![Some(21.5), Some(22.0), None])
        );
        assert_eq!(readings.channels[1], ("a".into(), vec![None, None, None]));
        assert_eq!(readings.channels[2], ("c".into(), vec![None, Some(5.0), None]));
        assert_eq!(readings.bad, BTreeMap::from([(("a".into(), "open".into()), 1)]));
        let spans: Vec<_> = readings.spans().collect();
        assert_eq!(spans, [(0, 1, "ramp", Some(1)), (1, 3, "cooldown", None)]);
        assert_eq!(
            (readings.heat, readings.target),
            (vec![1.0, 0.0, 0.0], vec![Some(60.0), None, None])
        );
    }
}
