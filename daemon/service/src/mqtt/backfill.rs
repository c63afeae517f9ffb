//! What has to reach the broker whatever happens: the readings of the archive, in order, behind a cursor.
//!
//! The archive is the queue. A [`Backfill`] hands out its readings for one consumer, oldest first, and moves that consumer's
//! cursor, which is kept in the archive, only over what was acknowledged. It knows nothing of MQTT, of messages or of their form.
//!
//! ```text
//! let mut backfill = Backfill::start("plain", Wanted { outside: false, readings_per_s: 10_000 }, &shared, lost)?;
//! loop {                                    // a connection
//!     backfill.begin();                     // from the cursor on: what was handed out and not acknowledged comes again
//!     while let Some(batch) = backfill.next().await {       // safe to cancel, as in `select!`
//!         publish(&batch);                  // later, when the broker has acknowledged it, with a good reason:
//!         backfill.acknowledge(&batch.receipt());           // in any order; `batch.receipt_to(rows)` for a part of it
//!     }
//! }
//! backfill.close().await;                   // the cursor is on its way into the archive
//! ```
//!
//! # Invariants
//! - A reading is handed out once or more after it was recorded, never not at all, over any number of deaths of broker and
//!   daemon; but for what retention removed before (the archive journals that) and what can't be read any more (journalled here).
//! - Within a series (a run; a station's readings outside runs of one day) they come in the order in which they were recorded.
//!   Series come oldest first.
//! - Memory: at most [`READ_MAX`] rows wait here, and a number per batch that is not acknowledged. A consumer
//!   bounds the latter by taking no more before it has acknowledgements.
//! - At most `readings_per_s` readings (values of channels) are handed out in a second.
//!
//! Which readings: every recorded one of every run. The archive keeps those outside runs too, for some days; they are handed
//! out where they are [`Wanted`]. A consumer that is new begins with what is recorded from then on.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;
use std::sync::mpsc::{self as sync_mpsc, RecvTimeoutError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use benchward_archive::{Cursor, Error, Owed, Reader, Scan, Series};
use tokio::sync::mpsc;
use tracing::{debug, warn};

use crate::archive::Keep;
use crate::bus::Shared;
use crate::clock::Clock;

/// Rows in a batch, at most: ten seconds of a bench.
pub(crate) const ROWS_MAX: usize = 100;
/// Rows that are read at a time: a chunk of the archive.
const READ_MAX: usize = 1_000;
/// How often the archive is asked for new rows. What is new meanwhile comes together.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How often the cursor is given to the archive while it moves. So much is published once more after a kill.
const KEEP_EVERY: Duration = Duration::from_millis(500);
/// Runs that are looked at together: more than go on at once in the largest lab, so that the newest are reached while they go on.
const RUNS_AT_ONCE: usize = 1_000;
/// A consumer whose cursor was lost with the archive's store begins with the runs of so many days.
const DAYS_AGAIN: i64 = 7;
const DAY_MS: i64 = 86_400_000;

/// What a consumer wants.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Wanted {
    /// Readings outside runs, too.
    pub(crate) outside: bool,
    /// At most so many readings a second, at least 1.
    pub(crate) readings_per_s: u32,
}

/// Consecutive rows of a series.
#[derive(Debug, Clone)]
pub(crate) struct Batch {
    /// Of which run, or day outside runs.
    pub(crate) series: Series,
    /// Whose readings.
    pub(crate) station: String,
    /// Names of the channels, in the order of [`Scan::values`].
    pub(crate) channels: Arc<[String]>,
    /// Number of the first row in its series.
    pub(crate) first: u64,
    /// At least one.
    pub(crate) scans: Vec<Scan>,
    /// Number of the row after the last.
    next: u64,
    begun: u64,
}

impl Batch {
    /// What acknowledges the whole batch.
    pub(crate) fn receipt(&self) -> Receipt {
        Receipt {
            series: self.series.clone(),
            first: self.first,
            next: self.next,
        }
    }

    /// What acknowledges the rows `from..to` of it, counted from 0 in this batch: for a batch that becomes several messages.
    pub(crate) fn receipt_of(&self, from: usize, to: usize) -> Receipt {
        Receipt {
            first: self.first + from as u64,
            next: if to >= self.scans.len() {
                self.next
            } else {
                self.first + to as u64
            },
            ..self.receipt()
        }
    }
}

/// What acknowledges rows that were handed out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Receipt {
    series: Series,
    first: u64,
    next: u64,
}

/// The consumer's end.
pub(crate) struct Backfill {
    batches: mpsc::Receiver<Batch>,
    says: sync_mpsc::Sender<Say>,
    thread: JoinHandle<()>,
    /// How often it has begun; batches of before count no more.
    begun: u64,
}

/// What the consumer tells the thread.
enum Say {
    Begin,
    Taken,
    Acknowledged(Receipt),
    PassedOn,
}

impl Backfill {
    /// Starts handing out to `consumer`, whose cursor has that name in the archive. `lost`: the archive's store was lost, and
    /// cursors with it.
    ///
    /// # Errors
    /// If the kernel has no thread left for it.
    pub(crate) fn start(
        consumer: &'static str,
        wanted: Wanted,
        shared: &Shared,
        lost: bool,
    ) -> std::io::Result<Self> {
        let (to, batches) = mpsc::channel(1);
        let (says, said) = sync_mpsc::channel();
        let supplier = Supplier {
            consumer,
            wanted,
            lost,
            reader: shared.reader.clone(),
            keep: shared.keep.clone(),
            clock: shared.clock.clone(),
            to,
            at: BTreeMap::new(),
            acknowledged: BTreeMap::new(),
            begun: 0,
            ready: VecDeque::new(),
            round: Vec::new(),
            looked: None,
            not_before: Instant::now(),
            kept: Instant::now(),
            unkept: false,
            said: BTreeSet::new(),
            trouble: String::new(),
        };
        let thread = thread::Builder::new()
            .name(format!("fill-{consumer}"))
            .spawn(move || supplier.run(&said))?;
        Ok(Self {
            batches,
            says,
            thread,
            begun: 0,
        })
    }

    /// Begins anew at the cursor: a connection is new, or what was handed out was refused.
    pub(crate) fn begin(&mut self) {
        self.begun += 1;
        let _ = self.says.send(Say::Begin);
    }

    /// The next batch; `None` only when the daemon ends. May be cancelled.
    pub(crate) async fn next(&mut self) -> Option<Batch> {
        loop {
            let batch = self.batches.recv().await?;
            let _ = self.says.send(Say::Taken);
            if batch.begun == self.begun {
                return Some(batch);
            }
        }
    }

    /// The broker has these rows. The cursor moves over them once it has all before them, too.
    pub(crate) fn acknowledge(&self, receipt: &Receipt) {
        let _ = self.says.send(Say::Acknowledged(receipt.clone()));
    }

    #[expect(
        dead_code,
        reason = "for a form that doesn't send its live values a second time"
    )]
    /// All that is recorded up to now counts as passed on: for a consumer that publishes live values itself and fills gaps only.
    pub(crate) fn passed_on(&self) {
        let _ = self.says.send(Say::PassedOn);
    }

    /// Ends it. When this returns, the cursor is in the archive's queue.
    pub(crate) async fn close(self) {
        let Self {
            batches,
            says,
            thread,
            ..
        } = self;
        drop((batches, says));
        let _ = tokio::task::spawn_blocking(move || thread.join()).await;
    }
}

/// The thread that reads the archive.
struct Supplier {
    consumer: &'static str,
    wanted: Wanted,
    lost: bool,
    reader: Reader,
    keep: Keep,
    clock: Arc<Clock>,
    to: mpsc::Sender<Batch>,
    /// Number of the row that is handed out next, of series of which something was.
    at: BTreeMap<Series, u64>,
    /// Acknowledged rows that wait for those before them: first and next.
    acknowledged: BTreeMap<Series, BTreeMap<u64, u64>>,
    begun: u64,
    /// Found and not yet taken, oldest first.
    ready: VecDeque<Batch>,
    /// Series that are still to be looked at in this round, the next one last.
    round: Vec<Owed>,
    looked: Option<Instant>,
    /// By the rate.
    not_before: Instant,
    kept: Instant,
    /// The cursor has moved since it was kept.
    unkept: bool,
    /// Damaged places that were told.
    said: BTreeSet<String>,
    trouble: String,
}

impl Supplier {
    fn run(mut self, said: &sync_mpsc::Receiver<Say>) {
        let mut cursor = None;
        loop {
            // Nothing is looked for before somebody is there to take it.
            let mut wait = LOOK_EVERY;
            if self.begun > 0 {
                match self.step(&mut cursor) {
                    Ok(soon) => {
                        wait = soon;
                        self.trouble.clear();
                    }
                    Err(error) => {
                        let text = error.to_string();
                        if text != self.trouble {
                            warn!("readings can't be passed on now, and are tried again: {text}");
                            self.trouble = text;
                        }
                    }
                }
            }
            let mut heard = match said.recv_timeout(wait) {
                Ok(say) => Some(say),
                Err(RecvTimeoutError::Timeout) => None,
                Err(RecvTimeoutError::Disconnected) => break,
            };
            while let Some(say) = heard {
                self.hear(say, &mut cursor);
                heard = said.try_recv().ok();
            }
        }
        if let Some(cursor) = cursor.filter(|_| self.unkept) {
            self.keep.cursor(self.consumer, cursor);
        }
    }

    fn hear(&mut self, say: Say, cursor: &mut Option<Cursor>) {
        match say {
            Say::Begin => {
                self.begun += 1;
                self.ready.clear();
                self.at.clear();
                self.acknowledged.clear();
                self.round.clear();
                self.looked = None;
            }
            Say::Taken => {}
            Say::Acknowledged(receipt) => {
                if let Some(cursor) = cursor {
                    self.acknowledge(&receipt, cursor);
                }
            }
            Say::PassedOn => {
                let end = self
                    .reader
                    .cursor_at_end(self.wanted.outside, self.clock.wall_now().day());
                if let Ok(end) = end {
                    *cursor = Some(end);
                    self.unkept = true;
                    self.hear(Say::Begin, cursor);
                    self.begun -= 1;
                }
            }
        }
    }

    fn acknowledge(&mut self, receipt: &Receipt, cursor: &mut Cursor) {
        let Some(mut rows) = cursor.rows(&receipt.series) else {
            return;
        };
        let waiting = self.acknowledged.entry(receipt.series.clone()).or_default();
        waiting.insert(receipt.first, receipt.next);
        while let Some(entry) = waiting.first_entry().filter(|entry| *entry.key() <= rows) {
            rows = rows.max(entry.remove());
        }
        if waiting.is_empty() {
            self.acknowledged.remove(&receipt.series);
        }
        cursor.advance(&receipt.series, rows);
        self.unkept = true;
    }

    /// Does what there is to do and says how soon there may be more.
    fn step(&mut self, cursor: &mut Option<Cursor>) -> Result<Duration, Error> {
        let cursor = match cursor {
            Some(cursor) => cursor,
            none => none.insert(self.first_cursor()?),
        };
        if self.ready.is_empty() {
            self.find(cursor)?;
        }
        let mut wait = LOOK_EVERY;
        if let Some(batch) = self.ready.pop_front() {
            let now = Instant::now();
            if now < self.not_before {
                wait = self.not_before - now;
                self.ready.push_front(batch);
            } else {
                let readings = batch.scans.len() * batch.channels.len().max(1);
                match self.to.try_send(batch) {
                    Ok(()) => {
                        #[expect(clippy::cast_precision_loss, reason = "a few thousand readings")]
                        let takes = readings as f64 / f64::from(self.wanted.readings_per_s.max(1));
                        self.not_before = now + Duration::from_secs_f64(takes);
                        wait = Duration::ZERO;
                    }
                    // It is woken when there is room.
                    Err(mpsc::error::TrySendError::Full(batch)) => self.ready.push_front(batch),
                    Err(mpsc::error::TrySendError::Closed(_)) => {}
                }
            }
        } else if let Some(looked) = self.looked {
            wait = LOOK_EVERY.saturating_sub(looked.elapsed());
        }
        if self.unkept {
            let left = KEEP_EVERY.saturating_sub(self.kept.elapsed());
            if left.is_zero() {
                self.kept = Instant::now();
                self.unkept = false;
                self.keep.cursor(self.consumer, cursor.clone());
            }
            wait = wait.min(left.max(Duration::from_millis(1)));
        }
        Ok(wait)
    }

    /// The cursor as it was kept; of a new consumer, the archive's end.
    fn first_cursor(&mut self) -> Result<Cursor, Error> {
        let now = self.clock.wall_now();
        self.unkept = true;
        if let Some(mut cursor) = self.reader.cursor(self.consumer)? {
            cursor.with_outside(self.wanted.outside.then(|| now.day()));
            return Ok(cursor);
        }
        if !self.lost {
            debug!(
                "`{}` is new: it begins with what is recorded from now on",
                self.consumer
            );
            return self.reader.cursor_at_end(self.wanted.outside, now.day());
        }
        let since = now.plus_ms(-DAYS_AGAIN * DAY_MS);
        let runs = self.reader.runs(&benchward_archive::Query {
            from: Some(since),
            limit: usize::MAX,
            ..benchward_archive::Query::default()
        })?;
        let first = runs.iter().map(|run| run.run).min();
        let text = format!(
            "how far `{}` had passed readings on was lost with the store: it begins again with those since {since}",
            self.consumer
        );
        warn!("{text}");
        self.keep.own("passed-on", text);
        match first {
            Some(run) => Ok(Cursor::from(run, self.wanted.outside.then(|| since.day()))),
            None => self.reader.cursor_at_end(self.wanted.outside, now.day()),
        }
    }

    /// Looks for what comes next: in a round over all series, the oldest first, each until its newest row.
    fn find(&mut self, cursor: &mut Cursor) -> Result<(), Error> {
        if self.round.is_empty() {
            if self.looked.is_some_and(|looked| looked.elapsed() < LOOK_EVERY) {
                return Ok(());
            }
            self.looked = Some(Instant::now());
            self.round = self.reader.owed(cursor, RUNS_AT_ONCE)?;
            cursor.settle(&self.round, self.clock.wall_now().day());
            self.at.retain(|series, _| cursor.rows(series).is_some());
            self.round.reverse();
        }
        while let Some(owed) = self.round.last().cloned() {
            let from = *self.at.entry(owed.series.clone()).or_insert(owed.rows);
            let stretch = self.reader.rows_after(&owed.series, from, READ_MAX)?;
            for damage in &stretch.damage {
                let text = format!("{}: readings can't be passed on: {damage}", owed.series);
                if self.said.insert(text.clone()) {
                    warn!("{text}");
                    self.keep.own("passed-on", text);
                }
            }
            self.at.insert(owed.series.clone(), stretch.next);
            if stretch.newest {
                // Enough for this round: new ones come all the time, and the others would never have their turn.
                self.round.pop();
            }
            if !stretch.scans.is_empty() {
                let mut first = stretch.first;
                let mut scans = stretch.scans;
                while !scans.is_empty() {
                    let rest = scans.split_off(scans.len().min(ROWS_MAX));
                    let next = first + scans.len() as u64;
                    self.ready.push_back(Batch {
                        series: owed.series.clone(),
                        station: owed.station.clone(),
                        channels: Arc::clone(&stretch.channels),
                        first,
                        scans: std::mem::replace(&mut scans, rest),
                        next,
                        begun: self.begun,
                    });
                    first = next;
                }
                return Ok(());
            }
            if stretch.next > from {
                // Rows that can't be read count as acknowledged: it was said, and they never come.
                let receipt = Receipt {
                    series: owed.series,
                    first: from,
                    next: stretch.next,
                };
                self.acknowledge(&receipt, cursor);
                continue;
            }
            if stretch.ends && cursor.rows(&owed.series).is_none_or(|rows| rows >= stretch.next) {
                cursor.finish(&owed.series);
                self.at.remove(&owed.series);
                self.unkept = true;
            }
            self.round.pop();
        }
        Ok(())
    }
}
