//! What hosts have missed: readings of runs, or of all times, that were recorded while no session was born, told later, with their own times and
//! marked as historical.
//!
//! The archive is the queue, behind a cursor ([`Backfill`]). Every recorded row of it comes by here, and counts as told in one of
//! two ways: recorded after the births of this connection, it was told as it happened, by exception; recorded before, it is told
//! now, row by row. Either way the cursor moves over it only once the broker has answered a question that was asked later
//! ([`Connection::ask`](super::connection::Connection::ask)): messages of `QoS` 0 have no acknowledgement of their own. What was not
//! answered when a connection is lost is told again on the next.

use std::collections::{BTreeSet, VecDeque};

use benchward_archive::{Scan, Value};
use benchward_config::{History as Kept, Mqtt};
use benchward_sparkplug::{Content, Input, Quality, Sample};

use super::picture::{HEAT, channel_metric};
use crate::bus::Shared;
use crate::mqtt::backfill::{Backfill, Batch, Receipt, Wanted};

/// Name of the cursor in the archive.
const CONSUMER: &str = "sparkplug";
/// Values in a message, at most: some 7 KiB. Libraries for hosts take 10 KiB, unless they are told otherwise.
const SAMPLES_MAX: usize = 100;
/// Batches that may wait for an answer of the broker.
const UNANSWERED_MAX: usize = 64;

/// The way of the archive's readings to the hosts.
pub(super) struct History {
    /// None: the configuration wants none of it.
    backfill: Option<Backfill>,
    /// Told, and not asked about yet.
    unasked: Vec<Receipt>,
    /// Asked about with the question of this number.
    asked: VecDeque<(u64, Vec<Receipt>)>,
    /// Stations whose history can't be told now: their devices are dead.
    kept_back: BTreeSet<String>,
}

impl History {
    /// Starts at the cursor as it is now: a consumer that is new gets what is recorded from now on. `lost`: the archive's store
    /// was lost, and cursors with it.
    pub(super) fn start(settings: &Mqtt, shared: &Shared, lost: bool) -> std::io::Result<Self> {
        let wanted = Wanted {
            outside: settings.history == Kept::All,
            readings_per_s: settings.history_readings_per_s,
        };
        let backfill = if settings.history == Kept::Off {
            None
        } else {
            let mut backfill = Backfill::start(CONSUMER, wanted, shared, lost)?;
            backfill.begin();
            Some(backfill)
        };
        Ok(Self {
            backfill,
            unasked: Vec::new(),
            asked: VecDeque::new(),
            kept_back: BTreeSet::new(),
        })
    }

    /// A connection is new: what nobody has answered for comes again.
    pub(super) fn begin(&mut self) {
        self.unasked.clear();
        self.asked.clear();
        self.kept_back.clear();
        if let Some(backfill) = &mut self.backfill {
            backfill.begin();
        }
    }

    /// The next batch; for ever none while too much is unanswered. May be cancelled.
    pub(super) async fn next(&mut self) -> Option<Batch> {
        let unanswered = self.unasked.len() + self.asked.iter().map(|(_, asked)| asked.len()).sum::<usize>();
        match &mut self.backfill {
            Some(backfill) if unanswered < UNANSWERED_MAX => backfill.next().await,
            _ => std::future::pending().await,
        }
    }

    /// A batch was told.
    pub(super) fn told(&mut self, batch: &Batch) {
        self.unasked.push(batch.receipt());
    }

    /// A batch can't be told before its device is back.
    pub(super) fn keep_back(&mut self, batch: &Batch) {
        self.kept_back.insert(batch.station.clone());
    }

    /// Devices may be back: `takes` says of which stations history is taken. What was kept back then comes again.
    pub(super) fn look(&mut self, takes: impl Fn(&str) -> bool) {
        if self.kept_back.iter().any(|station| takes(station)) {
            self.kept_back.clear();
            if let Some(backfill) = &mut self.backfill {
                backfill.begin();
            }
        }
    }

    /// Whether a question is to be asked.
    pub(super) fn has_unasked(&self) -> bool {
        !self.unasked.is_empty()
    }

    /// The question of that number was asked.
    pub(super) fn asked(&mut self, question: u64) {
        self.asked
            .push_back((question, std::mem::take(&mut self.unasked)));
    }

    /// The broker has answered all questions up to that number.
    pub(super) fn answered(&mut self, question: u64) {
        while self.asked.front().is_some_and(|(asked, _)| *asked <= question) {
            for receipt in self
                .asked
                .pop_front()
                .into_iter()
                .flat_map(|(_, receipts)| receipts)
            {
                if let Some(backfill) = &self.backfill {
                    backfill.acknowledge(&receipt);
                }
            }
        }
    }

    /// Ends. What is acknowledged is then on its way into the archive.
    pub(super) async fn close(self) {
        if let Some(backfill) = self.backfill {
            backfill.close().await;
        }
    }
}

/// What of a batch was recorded before `born_ms`, ready to be told: in messages of bounded size.
pub(super) fn missed(batch: &Batch, born_ms: u64) -> Vec<Input> {
    let at_ms = |scan: &Scan| u64::try_from(scan.at.0).unwrap_or(0);
    let mut samples = Vec::new();
    let mut heat = None;
    for scan in batch.scans.iter().filter(|scan| at_ms(scan) < born_ms) {
        let at_ms = at_ms(scan);
        for (channel, value) in batch.channels.iter().zip(&scan.values) {
            let (celsius, quality) = match value {
                Value::Celsius(celsius) => (Some(*celsius), Quality::Good),
                Value::Fault(_) => (None, Quality::Bad),
                Value::Stale => (None, Quality::Stale),
                Value::Absent => continue,
            };
            samples.push(Sample {
                at_ms,
                name: channel_metric(channel),
                content: Content::Double(celsius),
                quality: Some(quality),
            });
        }
        let now = Content::Double(Some(scan.heat));
        if heat.as_ref() != Some(&now) {
            samples.push(Sample {
                at_ms,
                name: HEAT.into(),
                content: now.clone(),
                quality: None,
            });
            heat = Some(now);
        }
    }
    samples
        .chunks(SAMPLES_MAX)
        .map(|samples| Input::History {
            device: batch.station.clone(),
            samples: samples.to_vec(),
        })
        .collect()
}
