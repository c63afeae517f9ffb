//! A run's readings for other programs: one row a scan.

use std::io::{self, Write};

use serde_json::{Map, Value as Json, json};

use crate::error::Damage;
use crate::reading::Scan;
use crate::recording::Recording;
use crate::run::RunRecord;
use crate::wall::Wall;

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exported {
    /// Rows.
    pub rows: u64,
    /// Places that could not be read: their rows are missing.
    pub damage: Vec<Damage>,
}

/// Comma-separated values (RFC 4180, lines end with a line feed), with a head.
///
/// Columns: `time` (RFC 3339 UTC with milliseconds), `elapsed_s` (since the run's start by the monotonic clock), per channel `NAME_celsius` (the shortest
/// decimal that is the recorded number to the bit; empty without a good reading), `heat` (0 to 1), `phase`, `stage` (empty when there is none), `target_celsius`, and per channel `NAME_quality`:
/// `good`, `stale`, `absent`, or the fault. The quality columns stand last so that the ones before keep their places.
///
/// # Errors
/// When `out` fails.
pub fn csv(mut run: Recording, out: &mut dyn Write) -> io::Result<Exported> {
    let mut head = vec!["time".to_owned(), "elapsed_s".to_owned()];
    let channels = run.channels();
    head.extend(channels.iter().map(|name| quoted(&format!("{name}_celsius"))));
    head.extend(["heat", "phase", "stage", "target_celsius"].map(String::from));
    head.extend(channels.iter().map(|name| quoted(&format!("{name}_quality"))));
    writeln!(out, "{}", head.join(","))?;
    let record = run.record().clone();
    let mut times = Times::default();
    each_block(&mut run, out, |scan, row| {
        times.put(row, scan.at)?;
        write!(row, ",{}", elapsed_s(&record, scan))?;
        for value in &scan.values {
            match value.celsius() {
                Some(celsius) => write!(row, ",{celsius}")?,
                None => row.push(b','),
            }
        }
        write!(row, ",{},{},", scan.heat, scan.phase.name())?;
        if let Some(stage) = scan.stage {
            write!(row, "{stage}")?;
        }
        match scan.target_celsius {
            Some(target) => write!(row, ",{target}")?,
            None => row.push(b','),
        }
        for value in &scan.values {
            row.push(b',');
            row.extend_from_slice(value.quality().as_bytes());
        }
        row.push(b'\n');
        Ok(())
    })
}

/// JSON Lines: an object a scan with `time`, `elapsed_s`, `channels` (by name: `celsius`, a number or null, and `quality`), `heat`, `phase`, `stage`, `target_celsius`.
///
/// # Errors
/// When `out` fails.
pub fn jsonl(mut run: Recording, out: &mut dyn Write) -> io::Result<Exported> {
    let (record, channels) = (run.record().clone(), run.channels().to_vec());
    each_block(&mut run, out, |scan, row| {
        let by_name: Map<String, Json> = channels
            .iter()
            .zip(&scan.values)
            .map(|(name, value)| {
                (
                    name.clone(),
                    json!({ "celsius": value.celsius(), "quality": value.quality() }),
                )
            })
            .collect();
        let line = json!({
            "time": scan.at, "elapsed_s": elapsed_s(&record, scan), "channels": by_name, "heat": scan.heat,
            "phase": scan.phase, "stage": scan.stage, "target_celsius": scan.target_celsius,
        });
        writeln!(row, "{line}")
    })
}

/// Writes the rows, a block at a time.
fn each_block(
    run: &mut Recording,
    out: &mut dyn Write,
    mut put: impl FnMut(&Scan, &mut Vec<u8>) -> io::Result<()>,
) -> io::Result<Exported> {
    let mut exported = Exported {
        rows: 0,
        damage: Vec::new(),
    };
    let mut rows = Vec::new();
    while let Some(block) = run.next_block() {
        match block {
            Ok(block) => {
                rows.clear();
                for scan in &block.scans {
                    put(scan, &mut rows)?;
                    exported.rows += 1;
                }
                out.write_all(&rows)?;
            }
            Err(damage) => exported.damage.push(damage),
        }
    }
    out.flush()?;
    Ok(exported)
}

/// Seconds since the run's start, to the millisecond.
pub fn elapsed_s(record: &RunRecord, scan: &Scan) -> f64 {
    let ms = i128::from(scan.mono_ms) - i128::from(record.started_mono_ms);
    #[expect(clippy::cast_precision_loss, reason = "exact below 285,000 years")]
    let seconds = ms as f64 / 1000.0;
    seconds
}

/// Writes times, most of which are of the same second as the one before.
#[derive(Default)]
struct Times {
    second: Option<i64>,
    /// That second, up to its point.
    text: String,
}

impl Times {
    fn put(&mut self, out: &mut Vec<u8>, at: Wall) -> io::Result<()> {
        let (second, ms) = (at.0.div_euclid(1000), at.0.rem_euclid(1000));
        if self.second != Some(second) {
            let text = Wall(second.saturating_mul(1000)).to_string();
            let Some(text) = text.strip_suffix("000Z") else {
                // Out of the calendar's range.
                return write!(out, "{at}");
            };
            (self.second, self.text) = (Some(second), text.to_owned());
        }
        write!(out, "{}{ms:03}Z", self.text)
    }
}

fn quoted(field: &str) -> String {
    if field.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_those_of_their_type() {
        let mut times = Times::default();
        for at in [
            1_795_611_600_000,
            1_795_611_600_007,
            1_795_611_600_999,
            1_795_611_601_000,
            0,
            -1,
            -1000,
            -62_135_596_800_001,
            i64::MAX,
            i64::MIN,
            5,
        ] {
            let mut out = Vec::new();
            times.put(&mut out, Wall(at)).unwrap();
            assert_eq!(String::from_utf8(out).unwrap(), Wall(at).to_string());
        }
    }
}
