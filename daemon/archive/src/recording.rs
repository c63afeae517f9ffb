//! All that is there of one run's readings, with its record: from an archive, or from a run file that was handed over.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::error::{Damage, Error};
use crate::reader::Readings;
use crate::reading::{Scans, Value};
use crate::run::RunRecord;
use crate::run_file::{self, FileChunks};

/// A run's record and readings, in blocks that all have the same channels.
pub struct Recording {
    record: RunRecord,
    channels: std::sync::Arc<[String]>,
    readings: Readings,
}

impl Recording {
    pub(crate) fn new(record: RunRecord, mut readings: Readings) -> Self {
        let mut channels: Vec<String> = record
            .channels
            .iter()
            .map(|channel| channel.name.clone())
            .collect();
        let mut known: BTreeSet<String> = channels.iter().cloned().collect();
        // Channels change with the configuration only, and that not during a run: the first block tells, as a rule.
        for name in readings.channels().iter() {
            if known.insert(name.clone()) {
                channels.push(name.clone());
            }
        }
        Self {
            record,
            channels: channels.into(),
            readings,
        }
    }

    /// What [`Reader::run_file`](crate::Reader::run_file) gave, from its beginning; `name` is what damage is told of.
    ///
    /// # Errors
    /// [`Error::Files`] if it cannot be read, [`Error::Damaged`] if it is no run file.
    pub fn of_file(name: &Path, mut file: File) -> Result<Self, Error> {
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(Error::files(name, "read"))?;
        let record = run_file::newest_record(name, &bytes).map_err(Error::Damaged)?;
        let chunks = FileChunks::new(name.to_owned(), bytes);
        let readings = Readings::of_file(record.run, chunks);
        Ok(Self::new(record, readings))
    }

    /// The run's record, as it is in the archive, or in the file.
    pub fn record(&self) -> &RunRecord {
        &self.record
    }

    /// Names of the channels: the record's, then others that readings have; in the order of the values of each scan.
    pub fn channels(&self) -> &[String] {
        &self.channels
    }

    /// The next rows. A damaged place comes out as an error, and the rows behind it follow.
    pub fn next_block(&mut self) -> Option<Result<Scans, Damage>> {
        let block = self.readings.next_block()?;
        Some(block.map(|block| {
            if *block.channels == *self.channels {
                return block;
            }
            let places: Vec<Option<usize>> = self
                .channels
                .iter()
                .map(|name| block.channels.iter().position(|other| other == name))
                .collect();
            let mut scans = block.scans;
            for scan in &mut scans {
                scan.values = places
                    .iter()
                    .map(|place| place.map_or(Value::Absent, |place| scan.values[place]))
                    .collect();
            }
            Scans {
                channels: std::sync::Arc::clone(&self.channels),
                scans,
            }
        }))
    }
}
