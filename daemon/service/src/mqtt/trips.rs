//! Every change of an interlock's standing, from the journal: in order, once or more, none missing.
//!
//! A trip is said live to whoever is there at that moment. What happened while the broker or the network was away, or in the last
//! moment of a daemon that was killed, is in the journal; a cursor of its own says how far that was acknowledged. So nobody who
//! comes in the morning has to guess whether the night was quiet.
//!
//! It knows nothing of MQTT: [`super::history`] takes what is next, publishes it, and says what the broker has.

use std::collections::VecDeque;
use std::time::Duration;

use benchward_archive::{Cursor, Entry, Error, JournalQuery, Reader, Wall};
use serde_json::{Value, json};
use tokio::time::Instant;
use tracing::warn;

use crate::archive::Keep;
use crate::bus::Shared;

/// Name of the cursor in the archive.
const CONSUMER: &str = "plain-trips";
/// Entries that are read at a time; so many wait here at most.
const READ_MAX: usize = 500;
/// How often the cursor is given to the archive while it moves. So much is published once more after a kill.
const KEEP_EVERY: Duration = Duration::from_millis(500);
/// Where the cursor was lost with the archive's store, it begins with the entries of so many days.
const AGAIN_MS: i64 = 7 * 86_400_000;
/// Kinds of entries that say where an interlock stands.
const KINDS: [&str; 4] = ["trip", "warning", "acknowledged", "reset"];

/// What is to be passed on, and how far that is done.
///
/// # Invariants
/// - An entry is handed out once it is on the disk, never before, so that no cursor is ahead of the journal.
/// - The cursor stands before the oldest entry that was not acknowledged, whatever was acknowledged behind it.
pub(super) struct Trips {
    reader: Reader,
    keep: Keep,
    /// Entries before it are too old to be told.
    not_before: Wall,
    /// The cursor.
    done: u64,
    /// Number of the entry that is read next.
    next: u64,
    /// Read, and to be published, in order.
    ready: VecDeque<Entry>,
    /// Handed out, in order, and whether it was acknowledged.
    sent: VecDeque<(u64, bool)>,
    kept: Instant,
    unkept: bool,
    trouble: String,
}

impl Trips {
    /// From the cursor on; of a lab that publishes for the first time, from now on. `lost`: the archive's store was lost, and
    /// the cursor with it.
    ///
    /// # Errors
    /// If the archive can't be read.
    pub(super) fn start(shared: &Shared, lost: bool) -> Result<Self, Error> {
        let head = shared.reader.head()?.0;
        let (done, not_before) = match shared.reader.cursor(CONSUMER)? {
            Some(cursor) => (cursor.entries().min(head), Wall(i64::MIN)),
            None if lost => (0, shared.clock.wall_now().plus_ms(-AGAIN_MS)),
            None => (head, Wall(i64::MIN)),
        };
        Ok(Self {
            reader: shared.reader.clone(),
            keep: shared.keep.clone(),
            not_before,
            done,
            next: done + 1,
            ready: VecDeque::new(),
            sent: VecDeque::new(),
            kept: Instant::now(),
            // Where it begins is known even if the daemon dies before the broker was ever there.
            unkept: true,
            trouble: String::new(),
        })
    }

    /// Begins anew at the cursor: a connection is new, or what was handed out was refused.
    pub(super) fn begin(&mut self) {
        self.next = self.done + 1;
        self.ready.clear();
        self.sent.clear();
    }

    /// Looks for new entries, and gives the cursor to the archive where it has moved. To be called a few times a second; not to be
    /// cancelled.
    pub(super) async fn look(&mut self) {
        while self.ready.is_empty() && self.next <= self.keep.standing().entries {
            let (reader, from) = (self.reader.clone(), self.next);
            let query = JournalQuery {
                from: Some(from),
                limit: READ_MAX,
                ..JournalQuery::default()
            };
            let read = tokio::task::spawn_blocking(move || reader.journal(&query)).await;
            let entries = match read {
                Ok(Ok(entries)) => entries,
                Ok(Err(error)) => return self.failed(error.to_string()),
                Err(error) => return self.failed(error.to_string()),
            };
            let Some(last) = entries.last() else { return };
            self.trouble.clear();
            self.next = last.n + 1;
            let since = self.not_before;
            self.ready
                .extend(entries.into_iter().filter(|entry| is_told(entry, since)));
        }
        self.settle();
        if self.unkept && self.kept.elapsed() >= KEEP_EVERY {
            self.give();
        }
    }

    fn failed(&mut self, text: String) {
        if text != self.trouble {
            warn!("trips can't be read from the journal to pass them on, and are tried again: {text}");
            self.trouble = text;
        }
    }

    /// The next one to publish, which counts as handed out.
    pub(super) fn next(&mut self) -> Option<Entry> {
        let entry = self.ready.pop_front()?;
        self.sent.push_back((entry.n, false));
        Some(entry)
    }

    /// The broker has entry `n`.
    pub(super) fn acknowledge(&mut self, n: u64) {
        // One that was handed out before a new beginning is handed out again.
        if let Some(sent) = self.sent.iter_mut().find(|sent| sent.0 == n) {
            sent.1 = true;
        }
        self.settle();
    }

    /// Moves the cursor as far as nothing before it waits.
    fn settle(&mut self) {
        while self.sent.front().is_some_and(|(_, acknowledged)| *acknowledged) {
            self.sent.pop_front();
        }
        let waits = self.sent.front().map(|sent| sent.0);
        let waits = waits.or_else(|| self.ready.front().map(|entry| entry.n));
        let done = waits.unwrap_or(self.next).saturating_sub(1);
        if done > self.done {
            self.done = done;
            self.unkept = true;
        }
    }

    /// Gives the cursor to the archive.
    pub(super) fn give(&mut self) {
        if self.unkept {
            self.keep.cursor(CONSUMER, Cursor::of_entries(self.done));
            self.kept = Instant::now();
            self.unkept = false;
        }
    }
}

/// Whether an entry says where an interlock stands, and is new enough. Entries of versions that didn't name the interlock in their
/// data are not told.
fn is_told(entry: &Entry, since: Wall) -> bool {
    let kept = &entry.entry;
    KINDS.contains(&kept.kind.as_str())
        && kept.station.is_some()
        && ["interlock", "standing"]
            .iter()
            .all(|key| kept.data.get(*key).is_some_and(Value::is_string))
        && kept.at.0 >= since.0
}

/// What is published of an entry. `before`: number of the newest entry when the present connection began. Numbers are compared and
/// not times, since a wall clock may step.
pub(super) fn payload(entry: &Entry, before: u64) -> Value {
    let kept = &entry.entry;
    json!({
        "n": entry.n,
        "interlock": kept.data["interlock"],
        "standing": kept.data["standing"],
        "run": kept.run,
        "text": kept.text,
        "time": kept.at,
        "late": entry.n <= before,
    })
}
