//! Recorded readings as a subscriber got them, held against the archive.

use std::collections::BTreeMap;
use std::path::Path;

use benchward_api::shapes;
use benchward_archive::{Cursor, Reader, Series, Value};
use serde_json::json;

use crate::broker::Message;

/// Rows by run and number, as they came over MQTT.
#[derive(Debug, Default)]
pub struct Told {
    rows: BTreeMap<(u64, u64), serde_json::Value>,
    /// Rows that came more than once.
    pub again: usize,
    /// Rows of a run that came before one with a lower number, for the first time.
    pub out_of_order: usize,
}

impl Told {
    /// What is in these messages of `.../history/run`; others are left out.
    ///
    /// # Panics
    /// If one is not what it should be, or says something else of a row than one before.
    pub fn of(messages: &[Message]) -> Self {
        let mut told = Self::default();
        let mut next: BTreeMap<u64, u64> = BTreeMap::new();
        for message in messages
            .iter()
            .filter(|message| message.topic.ends_with("/history/run"))
        {
            let number = |key: &str| {
                let number = message.payload[key].as_u64();
                number.unwrap_or_else(|| panic!("no `{key}` in {message:?}"))
            };
            let (run, first) = (number("run"), number("first"));
            let rows = message.payload["rows"].as_array().expect("rows");
            for (row, number) in rows.iter().zip(first..) {
                if let Some(before) = told.rows.insert((run, number), row.clone()) {
                    assert_eq!(before, *row, "row {number} of run {run}, twice");
                    told.again += 1;
                } else {
                    let next = next.entry(run).or_default();
                    told.out_of_order += usize::from(number < *next);
                    *next = number + 1;
                }
            }
        }
        told
    }

    /// How many different rows came.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether none came.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }
}

/// Numbers of the journal's entries that say where an interlock stands, and what is wrong with what was told of them in
/// `.../history/trip`: those that are missing, that came otherwise than they are kept, or, for the first time, out of order.
///
/// # Panics
/// If a message is not what it should be.
pub fn trips(messages: &[Message], journal: &[shapes::Entry]) -> (usize, Vec<String>) {
    let mut told: BTreeMap<u64, &Message> = BTreeMap::new();
    let mut wrong = Vec::new();
    for message in messages
        .iter()
        .filter(|message| message.topic.ends_with("/history/trip"))
    {
        let n = message.payload["n"].as_u64().expect("a number");
        if told.keys().next_back().is_some_and(|last| n < *last) && !told.contains_key(&n) {
            wrong.push(format!("entry {n} came after a later one"));
        }
        told.insert(n, message);
    }
    let mut count = 0;
    for entry in journal.iter().filter(|entry| {
        ["trip", "warning", "acknowledged", "reset"].contains(&&*entry.kind)
            && entry.data["interlock"].is_string()
    }) {
        count += 1;
        let Some(message) = told.get(&entry.n) else {
            wrong.push(format!("entry {} is missing: {}", entry.n, entry.text));
            continue;
        };
        let station = entry.station.as_deref().expect("a station");
        let same = message.topic.ends_with(&format!("/{station}/history/trip"))
            && message.payload["time"] == json!(entry.at)
            && message.payload["text"] == json!(entry.text)
            && message.payload["run"] == json!(entry.run)
            && message.payload["interlock"] == entry.data["interlock"]
            && message.payload["standing"] == entry.data["standing"];
        if !same {
            wrong.push(format!("entry {} came as {message:?}, and is {entry:?}", entry.n));
        }
    }
    (count, wrong)
}

/// Rows of runs in the archive of a daemon that has ended, and those that were not told, or otherwise.
///
/// # Panics
/// If the archive can't be read.
pub fn missing(told: &Told, archive: &Path) -> (usize, Vec<String>) {
    let reader = Reader::open(archive).expect("the archive of a daemon that has ended");
    let runs = reader.owed(&Cursor::from(0, None), usize::MAX).expect("runs");
    let (mut count, mut missing) = (0, Vec::new());
    for owed in runs {
        let Series::Run(run) = owed.series else { continue };
        let readings = reader.readings(run).expect("its readings");
        for (scan, number) in readings.zip(0..) {
            let scan = scan.expect("whole files");
            count += 1;
            let quality: Vec<&str> = scan.values.iter().map(|value| value.quality()).collect();
            let celsius: Vec<Option<f64>> = scan.values.iter().map(|value: &Value| value.celsius()).collect();
            match told.rows.get(&(run, number)) {
                None => missing.push(format!("run {run} row {number} at {}", scan.at)),
                Some(row) => {
                    // To the bit: what isn't equal is another number.
                    let same = row["time"] == json!(scan.at)
                        && row["celsius"] == json!(celsius)
                        && row["quality"] == json!(quality)
                        && row["heat"] == json!(scan.heat)
                        && row["phase"] == json!(scan.phase.name());
                    if !same {
                        missing.push(format!("run {run} row {number} came as {row}, and is {scan:?}"));
                    }
                }
            }
        }
    }
    (count, missing)
}
