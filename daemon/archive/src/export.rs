//! A run's readings for other programs: one row a scan.

use std::collections::BTreeSet;
use std::io::{self, Write};

use serde_json::{Map, Value as Json, json};

use crate::error::{Damage, Error};
use crate::reader::{Reader, Readings};
use crate::reading::{Scan, Scans, Value};
use crate::run::RunRecord;

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exported {
    /// Rows.
    pub rows: u64,
    /// Places that could not be read: their rows are missing.
    pub damage: Vec<Damage>,
}

/// Why an export failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The archive.
    #[error(transparent)]
    Archive(#[from] Error),
    /// Where it was to go.
    #[error("cannot write the export: {0}")]
    Write(#[from] io::Error),
}

/// Comma-separated values (RFC 4180, lines end with a line feed), with a head.
///
/// Columns: `time` (RFC 3339 UTC with milliseconds), `elapsed_s` (since the run's start by the monotonic clock), per channel `NAME_celsius` (the shortest
/// decimal that is the recorded number to the bit; empty without a good reading), `heat` (0 to 1), `phase`, `stage` (empty when there is none), `target_celsius`, and per channel `NAME_quality`:
/// `good`, `stale`, `absent`, or the fault. The quality columns stand last so that the ones before keep their places.
///
/// # Errors
/// [`ExportError::Archive`] without such a run, [`ExportError::Write`].
pub fn csv(reader: &Reader, run: u64, out: &mut dyn Write) -> Result<Exported, ExportError> {
    let record = reader.run(run)?;
    let readings = reader.readings(run)?;
    let channels = channels(&record, reader.readings(run)?);
    let mut out = io::BufWriter::with_capacity(1 << 16, out);
    let mut head = vec!["time".to_owned(), "elapsed_s".to_owned()];
    head.extend(channels.iter().map(|name| quoted(&format!("{name}_celsius"))));
    head.extend(["heat", "phase", "stage", "target_celsius"].map(String::from));
    head.extend(channels.iter().map(|name| quoted(&format!("{name}_quality"))));
    writeln!(out, "{}", head.join(","))?;
    let exported = each_row(readings, &channels, |scan, values| {
        write!(out, "{},{}", scan.at, elapsed(&record, scan))?;
        for value in values {
            match value.celsius() {
                Some(celsius) => write!(out, ",{celsius}")?,
                None => write!(out, ",")?,
            }
        }
        write!(out, ",{},{},", scan.heat, scan.phase.name())?;
        if let Some(stage) = scan.stage {
            write!(out, "{stage}")?;
        }
        match scan.target_celsius {
            Some(target) => write!(out, ",{target}")?,
            None => write!(out, ",")?,
        }
        for value in values {
            write!(out, ",{}", value.quality())?;
        }
        writeln!(out)
    })?;
    out.flush()?;
    Ok(exported)
}

/// JSON Lines: an object a scan with `time`, `elapsed_s`, `channels` (by name: `celsius`, a number or null, and `quality`), `heat`, `phase`, `stage`, `target_celsius`.
///
/// # Errors
/// [`ExportError::Archive`] without such a run, [`ExportError::Write`].
pub fn jsonl(reader: &Reader, run: u64, out: &mut dyn Write) -> Result<Exported, ExportError> {
    let record = reader.run(run)?;
    let readings = reader.readings(run)?;
    let channels = channels(&record, reader.readings(run)?);
    let mut out = io::BufWriter::with_capacity(1 << 16, out);
    let exported = each_row(readings, &channels, |scan, values| {
        let by_name: Map<String, Json> = channels
            .iter()
            .zip(values)
            .map(|(name, value)| {
                (
                    name.clone(),
                    json!({ "celsius": value.celsius(), "quality": value.quality() }),
                )
            })
            .collect();
        let line = json!({
            "time": scan.at, "elapsed_s": elapsed(&record, scan), "channels": by_name, "heat": scan.heat,
            "phase": scan.phase, "stage": scan.stage, "target_celsius": scan.target_celsius,
        });
        writeln!(out, "{line}")
    })?;
    out.flush()?;
    Ok(exported)
}

/// The record's channels, then others that readings have.
fn channels(record: &RunRecord, mut readings: Readings) -> Vec<String> {
    let mut names: Vec<String> = record
        .channels
        .iter()
        .map(|channel| channel.name.clone())
        .collect();
    let mut known: BTreeSet<String> = names.iter().cloned().collect();
    // Channels change with the configuration only, and that not during a run: the first block tells, as a rule.
    for name in readings.channels().iter() {
        if known.insert(name.clone()) {
            names.push(name.clone());
        }
    }
    names
}

fn each_row(
    mut readings: Readings,
    channels: &[String],
    mut write: impl FnMut(&Scan, &[Value]) -> io::Result<()>,
) -> io::Result<Exported> {
    let mut exported = Exported {
        rows: 0,
        damage: Vec::new(),
    };
    let mut values = vec![Value::Absent; channels.len()];
    while let Some(block) = readings.next_block() {
        let Scans {
            channels: found,
            scans,
        } = match block {
            Ok(scans) => scans,
            Err(damage) => {
                exported.damage.push(damage);
                continue;
            }
        };
        let places: Vec<Option<usize>> = channels
            .iter()
            .map(|name| found.iter().position(|other| other == name))
            .collect();
        for scan in &scans {
            for (value, place) in values.iter_mut().zip(&places) {
                *value = place.map_or(Value::Absent, |place| scan.values[place]);
            }
            write(scan, &values)?;
            exported.rows += 1;
        }
    }
    Ok(exported)
}

/// Seconds since the run's start, to the millisecond.
fn elapsed(record: &RunRecord, scan: &Scan) -> f64 {
    let ms = i128::from(scan.mono_ms) - i128::from(record.started_mono_ms);
    #[expect(clippy::cast_precision_loss, reason = "exact below 285,000 years")]
    let seconds = ms as f64 / 1000.0;
    seconds
}

fn quoted(field: &str) -> String {
    if field.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}
