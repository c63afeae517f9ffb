//! The readings of a run as columns, from what an export writes: the same lines whether a daemon sends them or a folder is read.

use std::io::{self, Write};

use serde::Deserialize;
use std::collections::BTreeMap;

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

#[derive(Deserialize)]
struct Row {
    elapsed_s: f64,
    channels: BTreeMap<String, Reading>,
    heat: f64,
    phase: String,
    stage: Option<u16>,
    target_celsius: Option<f64>,
}

#[derive(Deserialize)]
struct Reading {
    celsius: Option<f64>,
    quality: String,
}

impl Readings {
    fn take(&mut self, line: &[u8]) -> serde_json::Result<()> {
        let mut row: Row = serde_json::from_slice(line)?;
        let before = self.at_s.len();
        self.at_s.push(row.elapsed_s);
        self.heat.push(row.heat);
        self.target.push(row.target_celsius);
        for (name, column) in &mut self.channels {
            let reading = row.channels.remove(name);
            column.push(reading.as_ref().and_then(|reading| reading.celsius));
            // A channel of a slower driver has nothing in most scans, and that is no fault.
            if let Some(reading) = reading.filter(|reading| !matches!(&*reading.quality, "good" | "absent")) {
                *self.bad.entry((name.clone(), reading.quality)).or_default() += 1;
            }
        }
        for (name, reading) in row.channels {
            let mut column = vec![None; before];
            column.push(reading.celsius);
            self.channels.push((name, column));
        }
        let last = self.phases.last();
        if last.is_none_or(|(_, phase, stage)| *phase != row.phase || *stage != row.stage) {
            self.phases.push((before, row.phase, row.stage));
        }
        Ok(())
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

/// Where the lines of an export go: it keeps no more of them than the one that is not whole yet.
#[derive(Debug, Default)]
pub(crate) struct Lines {
    rest: Vec<u8>,
    readings: Readings,
}

impl Lines {
    /// `channels`: in which order they are wanted; others come after them.
    pub(crate) fn new(channels: &[String]) -> Self {
        let mut lines = Self::default();
        lines.readings.channels = channels.iter().map(|name| (name.clone(), Vec::new())).collect();
        lines
    }

    /// All that came.
    pub(crate) fn finish(self) -> Readings {
        let mut readings = self.readings;
        if !self.rest.is_empty() {
            readings.damage.push("the readings end within a row".into());
        }
        readings
    }
}

impl Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut new = bytes;
        while let Some(end) = new.iter().position(|byte| *byte == b'\n') {
            let taken = if self.rest.is_empty() {
                self.readings.take(&new[..end])
            } else {
                self.rest.extend_from_slice(&new[..end]);
                let whole = std::mem::take(&mut self.rest);
                self.readings.take(&whole)
            };
            taken.map_err(io::Error::other)?;
            new = &new[end + 1..];
        }
        self.rest.extend_from_slice(new);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Phase, stage, target, heat, and a reading per channel.
    type Made<'m> = (&'m str, Option<u16>, Option<f64>, f64, &'m [f64]);

    /// Rows a second apart.
    pub(crate) fn readings(names: &[&str], rows: &[Made<'_>]) -> Readings {
        let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
        let mut lines = Lines::new(&names);
        for (at, (phase, stage, target, heat, celsius)) in rows.iter().enumerate() {
            let channels: serde_json::Map<_, _> = names
                .iter()
                .zip(*celsius)
                .map(|(name, celsius)| {
                    (
                        name.clone(),
                        serde_json::json!({"celsius": celsius, "quality": "good"}),
                    )
                })
                .collect();
            let row = serde_json::json!({
                "time": "", "elapsed_s": at, "channels": channels, "heat": heat, "phase": phase, "stage": stage,
                "target_celsius": target,
            });
            writeln!(lines, "{row}").unwrap();
        }
        lines.finish()
    }

    #[test]
    fn rows_become_columns_however_they_are_cut() {
        let text = "{\"time\":\"\",\"elapsed_s\":0.0,\"channels\":{\"b\":{\"celsius\":21.5,\"quality\":\"good\"}},\"heat\":1,\"phase\":\"ramp\",\
                    \"stage\":1,\"target_celsius\":60}\n\
                    {\"time\":\"\",\"elapsed_s\":0.1,\"channels\":{\"a\":{\"celsius\":null,\"quality\":\"open\"},\"b\":{\"celsius\":22,\
                    \"quality\":\"good\"},\"c\":{\"celsius\":5,\"quality\":\"good\"}},\"heat\":0,\"phase\":\"cooldown\",\"stage\":null,\"target_celsius\":null}\n";
        for piece in [1, 7, 1000] {
            let mut lines = Lines::new(&["b".into(), "a".into()]);
            for bytes in text.as_bytes().chunks(piece) {
                lines.write_all(bytes).unwrap();
            }
            let readings = lines.finish();
            assert_eq!(readings.at_s, [0.0, 0.1]);
            assert_eq!(readings.channels[0], ("b".into(), vec![Some(21.5), Some(22.0)]));
            assert_eq!(readings.channels[1], ("a".into(), vec![None, None]));
            assert_eq!(readings.channels[2], ("c".into(), vec![None, Some(5.0)]));
            assert_eq!(readings.bad[&("a".into(), "open".into())], 1);
            let spans: Vec<_> = readings.spans().collect();
            assert_eq!(spans, [(0, 1, "ramp", Some(1)), (1, 2, "cooldown", None)]);
            assert_eq!(readings.damage, [""; 0]);
        }
        let mut lines = Lines::new(&[]);
        lines.write_all(b"{\"elapsed_s\"").unwrap();
        assert_eq!(lines.finish().damage.len(), 1);
        assert!(Lines::new(&[]).write_all(b"no row\n").is_err());
    }
}
