//! The one who writes: readings into memory and tail, packed into run files; everything else into the store.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fs::File;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::PoisonError;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use crate::board_model::BoardModelRecord;
use crate::calibration::CalibrationRecord;
use crate::chunk::{Columns, SCANS_MAX, ScanRef};
use crate::cursor::Cursor;
use crate::document_file;
use crate::error::Error;
use crate::files;
use crate::health::Health;
use crate::journal::{Entry, Hash, JournalEntry};
use crate::journal_file::JournalFile;
use crate::ledger::{self, Days, Document, Revision};
use crate::live::{OpenView, Shared};
use crate::reader::Reader;
use crate::reading::{Row, StationIx};
use crate::retention::Retention;
use crate::run::RunRecord;
use crate::run_file::{About, FileKey, RunFile, Survey};
use crate::safety::Safety;
use crate::store::{Failure, Group, Store, VALUE_MAX};
use crate::table::Table;
use crate::tail::{StationName, Tail};
use crate::wall::Wall;

/// Rows that may wait in memory when the disk refuses them: two minutes of 200 stations at 10 Hz, an hour of seven;
/// about 25 MB with four channels.
const WAITING_ROWS_MAX: usize = 250_000;
/// A slow station's scans are packed after this time though a chunk isn't full, so that its tail can go.
const PACK_AFTER_MS: u64 = 600_000;
/// Chunks in one tick: a few milliseconds of work, and 200 stations that fill up together are through in 2 s.
const CHUNKS_A_TICK: usize = 12;
/// Runs and days that are sealed in one tick.
const SEALS_A_TICK: usize = 2;
/// Files that are synced in one tick when tail files are to go.
const SYNCS_A_TICK: usize = 8;
/// How often tail files are looked at for removal.
const TRIM_EVERY: Duration = Duration::from_secs(10);
/// How often free space is asked for, and the journal's copy is synced.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Pause before a failed store is opened again; it doubles up to the second.
const REOPEN_AFTER: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(10));
/// Free space without which a failed store isn't opened again: sled writes a segment (512 KiB) and a snapshot at once.
const REOPEN_BYTES: u64 = 4 << 20;
/// What runs were decided on may wait in memory, while the disk refuses it, up to this length: an hour of ten benches.
const DECISIONS_MAX: usize = 8 << 20;
/// Entries that are copied in one go after the journal's copy fell behind.
const COPY_BATCH: usize = 5000;

/// Writes the archive. There is one, in one thread; see [`crate`].
pub struct Writer {
    shared: Arc<Shared>,
    /// Held as long as the writer lives.
    _lock: File,
    tail: Tail,
    /// Rows in memory, a little too high at times: counted exactly whenever something was packed.
    waiting: usize,
    files: BTreeMap<FileKey, RunFile>,

    /// What waits for the store, in order.
    pending: Vec<Group>,
    /// Marks of sealed files; they can wait, since opening looks at the files too.
    sealed: Vec<Group>,
    /// The end of a run is among it.
    pending_end: bool,
    /// The journal entries among it.
    pending_entries: Vec<Entry>,
    /// Entries that are in the store and not yet in its copy.
    uncopied: Vec<Entry>,
    /// Documents that have no second copy yet.
    pending_documents: Vec<(Document, Revision)>,
    /// Number and hash of the newest entry.
    last: (u64, Hash),
    /// Number of the newest entry that is on the disk.
    durable: u64,
    /// Parts of what runs were decided on that are not in their files yet, oldest first, and their length.
    decisions: VecDeque<(u64, Vec<u8>)>,
    decisions_bytes: usize,
    copy: JournalFile,
    copy_trouble: Option<String>,

    /// Runs that go on, and those that wait for the store.
    runs: BTreeMap<u64, RunRecord>,
    /// Runs that take no more readings.
    ended: BTreeSet<u64>,
    to_seal: BTreeSet<u64>,
    /// Runs whose file is not begun.
    to_open: BTreeSet<u64>,
    next_run: u64,
    days: Days,
    documents: BTreeMap<(Document, String), (u32, Hash)>,
    cursors: BTreeMap<String, Cursor>,
    safety: Safety,
    safety_waits: bool,

    away: Option<Away>,
    /// What is wrong with tail and run files.
    trouble: Option<String>,
    dropped_rows: u64,
    reserve_bytes: u64,
    retention: Retention,
    free_bytes: u64,
    looked: Instant,
    trimmed: Instant,
    /// The station that is packed first in the next tick, so that all have their turn.
    turn: usize,
}

/// The store failed.
struct Away {
    why: String,
    corrupt: bool,
    pause: Duration,
    since: Instant,
}

/// What [`Archive::open`](crate::Archive::open) found.
pub(crate) struct Start {
    pub(crate) lock: File,
    pub(crate) journal: JournalFile,
    pub(crate) journal_last: (u64, Hash),
    pub(crate) next_run: u64,
    pub(crate) days: Days,
    pub(crate) documents: Vec<(Document, String, u32, Hash)>,
    pub(crate) cursors: BTreeMap<String, Cursor>,
    pub(crate) safety: Safety,
    pub(crate) tail_number: u64,
    pub(crate) tail_files: BTreeMap<u64, PathBuf>,
    pub(crate) files: BTreeMap<FileKey, (PathBuf, Survey)>,
    pub(crate) to_seal: BTreeSet<u64>,
    pub(crate) reserve_bytes: u64,
    pub(crate) loose_days: u16,
}

impl Writer {
    pub(crate) fn new(shared: Arc<Shared>, start: Start) -> Result<Self, Error> {
        let mut documents = BTreeMap::new();
        for (kind, name, revision, hash) in start.documents {
            let newest = documents.entry((kind, name)).or_insert((revision, hash));
            if revision > newest.0 {
                *newest = (revision, hash);
            }
        }
        let mut files = BTreeMap::new();
        for (key, (path, survey)) in start.files {
            let file = RunFile::go_on(path, &survey)?;
            shared.live().open.insert(key.clone(), view(&file));
            files.insert(key, file);
        }
        let mut tail = Tail::new(shared.root.join("tail"), start.tail_number, start.tail_files);
        let waiting = {
            let live = shared.live();
            for (ix, station) in (0..).zip(&live.stations) {
                tail.station(StationName {
                    ix,
                    name: station.name.clone(),
                    channels: station.channels.to_vec(),
                });
            }
            live.waiting_rows()
        };
        let now = Instant::now();
        let free_bytes =
            files::free_bytes(&shared.root).map_err(Error::files(&shared.root, "ask for free space"))?;
        Ok(Self {
            shared,
            _lock: start.lock,
            tail,
            waiting,
            files,
            pending: Vec::new(),
            sealed: Vec::new(),
            pending_end: false,
            pending_entries: Vec::new(),
            uncopied: Vec::new(),
            pending_documents: Vec::new(),
            last: start.journal_last,
            durable: start.journal_last.0,
            decisions: VecDeque::new(),
            decisions_bytes: 0,
            copy: start.journal,
            copy_trouble: None,
            runs: BTreeMap::new(),
            ended: start.to_seal.clone(),
            to_seal: start.to_seal,
            to_open: BTreeSet::new(),
            next_run: start.next_run,
            days: start.days,
            documents,
            cursors: start.cursors,
            safety: start.safety,
            safety_waits: false,
            away: None,
            trouble: None,
            dropped_rows: 0,
            reserve_bytes: start.reserve_bytes,
            retention: Retention::new(start.loose_days, start.reserve_bytes),
            free_bytes,
            looked: now,
            trimmed: now,
            turn: 0,
        })
    }

    // ---- readings ----

    /// Makes a station known, or gives it other channels. Its rows have a value per channel from here on.
    ///
    /// # Errors
    /// [`Error::TooLarge`] beyond 65535 stations or channels.
    pub fn station(&mut self, name: &str, channels: &[&str]) -> Result<StationIx, Error> {
        let channels: Vec<String> = channels.iter().map(|&channel| channel.to_owned()).collect();
        let at = self.shared.live().station(name, &channels);
        let few = |what: &str, count: usize| {
            u16::try_from(count).map_err(|_| Error::TooLarge {
                what: what.into(),
                bytes: count,
                limit: u16::MAX.into(),
            })
        };
        few("number of channels", channels.len())?;
        let ix = few("number of stations", at)?;
        self.tail.station(StationName {
            ix,
            name: name.to_owned(),
            channels,
        });
        Ok(StationIx(ix))
    }

    /// Takes a scan of a station, into memory: the disk is not waited for. A run takes readings until [`Writer::put_run`] ends it;
    /// later ones count as outside runs.
    ///
    /// Under the reserve of free space, rows outside runs are dropped, and all rows when too many wait; [`Health::dropped_rows`] counts them.
    ///
    /// # Errors
    /// [`Error::WrongWidth`] if there isn't one value per channel.
    pub fn append(&mut self, row: &Row<'_>) -> Result<(), Error> {
        let run = row.run.filter(|run| !self.ended.contains(run) && *run < u64::MAX);
        let mut live = self.shared.live();
        let station = live.stations.get_mut(usize::from(row.station.0));
        let Some(station) = station.filter(|station| station.channels.len() == row.values.len()) else {
            let (name, wanted) = live
                .stations
                .get(usize::from(row.station.0))
                .map_or(("unknown", 0), |station| (&station.name, station.channels.len()));
            return Err(Error::WrongWidth {
                station: name.into(),
                found: row.values.len(),
                wanted,
            });
        };
        if self.waiting >= WAITING_ROWS_MAX || (run.is_none() && self.free_bytes < self.reserve_bytes) {
            self.dropped_rows += 1;
            return Ok(());
        }
        let scan = ScanRef {
            at: row.at,
            mono_ms: row.mono_ms,
            values: row.values,
            heat: row.heat,
            phase: row.phase,
            stage: row.stage,
            target_celsius: row.target_celsius,
        };
        let place = self.tail.push(row.station.0, run, &scan);
        station.push(run, &scan, place);
        self.waiting += 1;
        Ok(())
    }

    /// Readings that were dropped since the start.
    pub fn dropped_rows(&self) -> u64 {
        self.dropped_rows
    }

    /// Takes a part of what a run was decided on, into memory: the disk is not waited for. It goes into the run's file with the next
    /// [`Writer::tick`]s. A crash loses what is not there yet; parts carry numbers, so that one that is missing shows.
    pub fn decisions(&mut self, run: u64, part: &Table) {
        let body = part.encode();
        if self.decisions_bytes + body.len() <= DECISIONS_MAX {
            self.decisions_bytes += body.len();
            self.decisions.push_back((run, body));
        }
    }

    /// Writes and syncs all readings to the tail, now.
    pub fn sync(&mut self) -> Result<(), Error> {
        self.tail.write(true)
    }

    // ---- what is small and stays: in memory until `commit` ----

    /// Numbers an entry, chains it to the one before, and keeps it in memory for [`Writer::commit`]. Never fails and never drops: an entry
    /// over 100 KiB keeps the beginning of its text, and size and SHA-256 of the rest.
    pub fn journal(&mut self, entry: JournalEntry) -> u64 {
        let entry = Entry::seal(self.last.0 + 1, self.last.1, entry);
        self.last = (entry.n, entry.hash);
        self.pending.push(ledger::put_entry(&entry));
        self.pending_entries.push(entry);
        self.last.0
    }

    /// Hash of the newest entry, on the disk or not yet, in 64 hex digits.
    pub fn head(&self) -> String {
        self.last.1.to_string()
    }

    /// A number for a new run.
    pub fn next_run(&mut self) -> u64 {
        let run = self.next_run;
        self.next_run += 1;
        run
    }

    /// Puts a run's record, or replaces it. One with `ended` takes no more readings, and the first [`Writer::tick`] after the next
    /// [`Writer::commit`] seals its file with this record and the journal entries that name it. A later change is kept in the store only.
    ///
    /// # Errors
    /// [`Error::TooLarge`]: the recipe or the rest is over 120 KiB.
    pub fn put_run(&mut self, run: &RunRecord) -> Result<(), Error> {
        let old = match self.runs.get(&run.run) {
            Some(old) => Some(old.clone()),
            // Without a store the old index entries stay; queries look at the record too and leave them out.
            None => self.shared.ask(|ledger| ledger.run(run.run)).unwrap_or_default(),
        };
        let over = match &old {
            Some(old) => old.has_ended(),
            // A new run, or the store is away: then the file tells.
            None => !FileKey::Run(run.run).sealed(&self.shared.root)?.is_empty(),
        };
        let sealed = over && !self.to_seal.contains(&run.run);
        self.pending
            .push(ledger::put_run(run, old.as_ref(), sealed, &mut self.days)?);
        if run.has_ended() {
            self.ended.insert(run.run);
            self.pending_end = true;
            self.to_open.remove(&run.run);
            if !over {
                self.to_seal.insert(run.run);
            }
        } else if !self.files.contains_key(&FileKey::Run(run.run)) {
            self.to_open.insert(run.run);
        }
        self.next_run = self.next_run.max(run.run.saturating_add(1));
        self.runs.insert(run.run, run.clone());
        Ok(())
    }

    /// Puts a trip that stands.
    ///
    /// # Errors
    /// [`Error::TooLarge`] over 120 KiB.
    pub fn put_trip(
        &mut self,
        station: &str,
        interlock: &str,
        trip: &serde_json::Value,
    ) -> Result<(), Error> {
        let bytes = trip.to_string().len();
        if bytes > VALUE_MAX {
            let what = format!("trip {interlock} of {station}");
            return Err(Error::TooLarge {
                what,
                bytes,
                limit: VALUE_MAX,
            });
        }
        self.pending
            .push(ledger::put_trip(station, interlock, Some(trip)));
        self.safety
            .trips
            .entry(station.into())
            .or_default()
            .insert(interlock.into(), trip.clone());
        self.safety_waits = true;
        Ok(())
    }

    /// A trip no longer stands.
    pub fn clear_trip(&mut self, station: &str, interlock: &str) {
        self.pending.push(ledger::put_trip(station, interlock, None));
        if let Some(trips) = self.safety.trips.get_mut(station) {
            trips.remove(interlock);
            if trips.is_empty() {
                self.safety.trips.remove(station);
            }
        }
        self.safety_changed();
    }

    /// To be called right after the change was put: the two must not be parted by a commit.
    fn safety_changed(&mut self) {
        self.safety.version += 1;
        self.pending.push(ledger::put_safety_version(self.safety.version));
        self.safety_waits = true;
    }

    /// Saves a limit, degrees Celsius. The key is the caller's: `lab`, `station/bench-1`. What is not finite is no limit, and ignored.
    pub fn put_limit(&mut self, key: &str, celsius: f64) {
        if !celsius.is_finite() {
            return;
        }
        self.pending.push(ledger::put_limit(key, celsius));
        self.safety.limits.insert(key.into(), celsius);
        self.safety_changed();
    }

    /// Saved limits, degrees Celsius, on the disk or not yet.
    pub fn limits(&self) -> &BTreeMap<String, f64> {
        &self.safety.limits
    }

    /// Puts a recipe and returns its revision: that of the newest one if the text is the same, else the next.
    ///
    /// # Errors
    /// [`Error::TooLarge`] over 120 KiB.
    pub fn put_recipe(&mut self, name: &str, text: &str) -> Result<u32, Error> {
        self.put_document(Document::Recipe, name, text)
    }

    /// As [`Writer::put_recipe`], for all that has revisions.
    ///
    /// # Errors
    /// [`Error::TooLarge`] over 120 KiB.
    pub fn put_document(&mut self, kind: Document, name: &str, text: &str) -> Result<u32, Error> {
        let hash = Hash::of(&[text.as_bytes()]);
        let newest = self.documents.get(&(kind, name.to_owned())).copied();
        if let Some((revision, _)) = newest.filter(|(_, newest)| *newest == hash) {
            return Ok(revision);
        }
        let revision = newest.map_or(0, |(revision, _)| revision) + 1;
        let document = Revision {
            name: name.into(),
            revision,
            text: text.into(),
        };
        self.pending.push(ledger::put_document(kind, &document)?);
        self.pending_documents.push((kind, document));
        self.documents.insert((kind, name.into()), (revision, hash));
        Ok(revision)
    }

    /// Puts a calibration of a channel and returns its revision.
    ///
    /// # Errors
    /// [`Error::TooLarge`] over 120 KiB.
    pub fn put_calibration(&mut self, record: &CalibrationRecord) -> Result<u32, Error> {
        let name = CalibrationRecord::document(&record.station, &record.channel);
        self.put_document(Document::Calibration, &name, &record.text())
    }

    /// Puts what was learned of a kind of board on a station, and returns its revision.
    ///
    /// # Errors
    /// [`Error::TooLarge`] over 120 KiB.
    pub fn put_board_model(&mut self, record: &BoardModelRecord) -> Result<u32, Error> {
        let name = BoardModelRecord::document(&record.board, &record.station);
        self.put_document(Document::BoardModel, &name, &record.text())
    }

    /// Notes how far a consumer has been acknowledged.
    ///
    /// # Errors
    /// [`Error::TooLarge`] over 120 KiB.
    pub fn put_cursor(&mut self, consumer: &str, cursor: &Cursor) -> Result<(), Error> {
        self.pending.push(ledger::put_cursor(consumer, cursor)?);
        self.cursors.insert(consumer.into(), cursor.clone());
        Ok(())
    }

    /// How far a consumer has been acknowledged, on the disk or not yet.
    pub fn cursor(&self, consumer: &str) -> Option<&Cursor> {
        self.cursors.get(consumer)
    }

    /// Takes cursors back to the rows that are there, at opening: of what a crash took, a consumer may have had more, and the rows that
    /// come in their place are new.
    pub(crate) fn take_back_cursors(&mut self) -> Result<(), Error> {
        let reader = Reader::of(Arc::clone(&self.shared));
        for (consumer, mut cursor) in self.cursors.clone() {
            if cursor.take_back(|series| reader.rows_in(series).ok()) {
                self.put_cursor(&consumer, &cursor)?;
            }
        }
        self.commit().map(|_| ())
    }

    /// Brings all that waits (not the readings) to the disk. When this returns `Ok`, it survives a power cut; the number is that of the newest
    /// journal entry, and all up to it are safe.
    ///
    /// # Errors
    /// [`Error::Store`] when the store fails now, [`Error::StoreAway`] while it is to be opened again. What waits goes on waiting and is tried again
    /// by every later call of this and of [`Writer::tick`].
    pub fn commit(&mut self) -> Result<u64, Error> {
        let stored = self.write_store();
        // Also without a store: a trip that stands must outlive the daemon.
        self.keep_copies();
        stored.map(|()| self.durable)
    }

    fn write_store(&mut self) -> Result<(), Error> {
        self.bring_back_store()?;
        self.pending.append(&mut self.sealed);
        if self.pending.is_empty() {
            return Ok(());
        }
        if self.pending_end {
            // A run that is known to have ended has its last readings. Should the tail fail, they go into its file at once; should that fail, too,
            // they wait in memory, and a crash costs them: the end is not held back, nor is what else waits.
            if self.tail.write(true).is_err() {
                let ended: Vec<u64> = self.to_seal.iter().copied().collect();
                let _ = ended.into_iter().try_for_each(|run| self.pack_run(run));
            }
            // And what it was decided on. Should its file fail, that is tried again until the file is sealed.
            let _ = self.write_decisions().and_then(|()| self.sync_ended());
            self.pending_end = false;
        }
        let written = match &*self.shared.store() {
            Ok(store) => store.write(&self.pending),
            Err(why) => return Err(Error::StoreAway(why.clone())),
        };
        written.map_err(|failure| self.put_store_away(failure))?;
        self.pending.clear();
        self.durable = self.last.0;
        self.runs.retain(|_, run| !run.has_ended());
        self.uncopied.append(&mut self.pending_entries);
        Ok(())
    }

    /// Number and hash of the newest journal entry, 64 hex digits, where it is on the disk: what can be told to others. `None` while newer
    /// ones wait.
    pub fn kept_head(&self) -> Option<(u64, String)> {
        (self.durable == self.last.0).then(|| (self.last.0, self.head()))
    }

    /// Number of the newest journal entry that is on the disk.
    pub fn durable(&self) -> u64 {
        self.durable
    }

    /// Closes a store that failed. It does not recover by itself, however much space there is.
    fn put_store_away(&mut self, failure: Failure) -> Error {
        tracing::warn!(
            "archive store failed: {}; what it was to write waits in memory",
            failure.text
        );
        let pause = REOPEN_AFTER.0;
        let Failure { text, corrupt } = failure;
        *self.shared.store.write().unwrap_or_else(PoisonError::into_inner) = Err(text.clone());
        self.away = Some(Away {
            why: text.clone(),
            corrupt,
            pause,
            since: Instant::now(),
        });
        Error::Store(text)
    }

    fn bring_back_store(&mut self) -> Result<(), Error> {
        let Some(away) = &mut self.away else { return Ok(()) };
        let refuse = |why: &str| Err(Error::StoreAway(why.to_owned()));
        if away.corrupt || away.since.elapsed() < away.pause {
            return refuse(&away.why);
        }
        away.since = Instant::now();
        away.pause = (away.pause * 2).min(REOPEN_AFTER.1);
        if files::free_bytes(&self.shared.root).is_ok_and(|free| free < REOPEN_BYTES) {
            return refuse(&away.why);
        }
        match Store::open(&crate::archive::store_path(&self.shared.root)) {
            Ok(store) => {
                *self.shared.store.write().unwrap_or_else(PoisonError::into_inner) = Ok(store);
                self.away = None;
                tracing::info!("archive store is back");
                Ok(())
            }
            Err(failure) => {
                // With files that need more than a new try, a restart does what is needed; runs go on without.
                (away.why, away.corrupt) = (failure.text, failure.corrupt);
                refuse(&away.why)
            }
        }
    }

    /// Writes what is kept twice. A failure is no loss: the store has it, and it is tried again.
    fn keep_copies(&mut self) {
        let copied = self
            .copy_journal()
            .and_then(|()| self.copy_safety())
            .and_then(|()| self.copy_documents());
        if let Err(error) = &copied
            && self.copy_trouble.is_none()
        {
            tracing::warn!("what is kept twice cannot be written a second time: {error}");
        }
        self.copy_trouble = copied.err().map(|error| error.to_string());
    }

    /// Brings the journal's copy up to the store.
    fn copy_journal(&mut self) -> Result<(), Error> {
        let next = self.copy.last().0 + 1;
        if self
            .uncopied
            .first()
            .is_some_and(|entry| entry.n == next || next == 1)
        {
            self.copy.append(&self.uncopied)?;
            self.uncopied.clear();
        } else if next <= self.durable {
            // The copy fell behind: what it lacks comes from the store, a part at a time.
            self.uncopied.clear();
            let missing: Result<Vec<Entry>, Failure> = self
                .shared
                .ask(|ledger| Ok(ledger.entries(next).take(COPY_BATCH).collect()))?;
            self.copy.append(&missing?)?;
        }
        self.uncopied.truncate(COPY_BATCH);
        Ok(())
    }

    fn copy_safety(&mut self) -> Result<(), Error> {
        if self.safety_waits {
            self.safety.write(&self.shared.root.join("safety.json"))?;
            self.safety_waits = false;
        }
        Ok(())
    }

    fn copy_documents(&mut self) -> Result<(), Error> {
        while let Some((kind, document)) = self.pending_documents.last() {
            document_file::write(&self.shared.root, *kind, document)?;
            self.pending_documents.pop();
        }
        Ok(())
    }

    // ---- what goes on by itself ----

    /// Does what is due: readings to the tail (synced at least every 250 ms if this is called at least every 100 ms), full chunks, the
    /// sealing of what has ended, the removal of tail files, a new try after failures. Never fails: see [`Writer::health`].
    pub fn tick(&mut self, now: Wall) {
        let look = self.looked.elapsed() >= LOOK_EVERY;
        if look {
            self.looked = Instant::now();
            if let Ok(free) = files::free_bytes(&self.shared.root) {
                self.free_bytes = free;
            }
            self.make_room(now);
        }
        let tail = self.tail.write(false);
        if self.away.is_some() || (look && !(self.pending.is_empty() && self.sealed.is_empty())) {
            // The failure is in `health`, and was logged when it began.
            let _ = self.commit();
        }
        if look {
            self.keep_copies();
            if let Err(error) = self.copy.sync() {
                self.copy_trouble = Some(error.to_string());
            }
        }
        let files = self
            .begin_files()
            .and_then(|()| self.write_decisions())
            .and_then(|()| self.pack(CHUNKS_A_TICK, false))
            .and_then(|()| self.seal_some(now));
        let trim = if self.trimmed.elapsed() >= TRIM_EVERY {
            self.trim()
        } else {
            Ok(())
        };
        let result = tail.and(files).and(trim).and_then(|()| self.tail.rotate_if_due());
        match (result, &self.trouble) {
            (Ok(()), Some(_)) => {
                tracing::info!("archive files can be written again");
                self.trouble = None;
            }
            (Ok(()), None) => {}
            (Err(error), before) => {
                if before.is_none() {
                    tracing::warn!("archive files: {error}; readings wait in memory");
                }
                self.trouble = Some(error.to_string());
            }
        }
    }

    /// Removes readings outside runs that are old enough, and older ones first while there is less room than the reserve.
    fn make_room(&mut self, now: Wall) {
        let short = self.free_bytes < self.reserve_bytes;
        let trouble = short || self.trouble.is_some() || self.away.is_some();
        self.retention.told(now, trouble, self.dropped_rows);
        let removed = self.retention.look(&self.shared.root, now, short);
        for (consumer, cursor) in &self.cursors {
            for (series, rows) in removed.iter().filter_map(|path| cursor.lost_with(path)) {
                self.retention.note(format!(
                    "{series}: readings were removed before `{consumer}` had passed them on; it has been acknowledged {rows} rows of \
                     them, the others it will never have"
                ));
            }
        }
        if !removed.is_empty()
            && let Ok(free) = files::free_bytes(&self.shared.root)
        {
            self.free_bytes = free;
        }
        if short {
            // What is packed is in the tail a second time: that goes now and not in a minute.
            self.tail.let_go();
            self.trimmed = self.looked.checked_sub(TRIM_EVERY).unwrap_or(self.looked);
        }
    }

    /// What has happened to the archive since the last time that somebody should know later: for the journal.
    pub fn notes(&mut self) -> Vec<String> {
        self.retention.notes()
    }

    /// Begins the files of new runs, so that their records are on the disk twice.
    fn begin_files(&mut self) -> Result<(), Error> {
        for run in self.to_open.clone() {
            if let Some(record) = self.runs.get(&run).cloned() {
                let about = self.about(&record, &FileKey::Run(run));
                self.file(&FileKey::Run(run), &about)?;
            }
            self.to_open.remove(&run);
        }
        Ok(())
    }

    /// Brings what runs were decided on into their files.
    fn write_decisions(&mut self) -> Result<(), Error> {
        while let Some((run, body)) = self.decisions.front().cloned() {
            let key = FileKey::Run(run);
            // A run whose file is sealed takes no more; one that has ended is known to the store only.
            let record = match self.runs.get(&run) {
                Some(record) => Some(record.clone()),
                None if self.to_seal.contains(&run) => self.shared.ask(|ledger| ledger.run(run))?,
                None => None,
            };
            if let Some(record) = record {
                let about = self.about(&record, &key);
                self.file(&key, &about)?.decisions(&body)?;
                let file = self.files.get(&key).map(view);
                self.shared
                    .live()
                    .open
                    .extend(file.map(|file| (key.clone(), file)));
            }
            self.decisions_bytes -= body.len();
            self.decisions.pop_front();
        }
        Ok(())
    }

    /// Syncs the files of runs that have ended.
    fn sync_ended(&mut self) -> Result<(), Error> {
        for run in &self.to_seal {
            if let Some(file) = self.files.get_mut(&FileKey::Run(*run)) {
                file.sync()?;
            }
        }
        Ok(())
    }

    fn about(&self, record: &RunRecord, key: &FileKey) -> About {
        let channels: Vec<String> = record
            .channels
            .iter()
            .map(|channel| channel.name.clone())
            .collect();
        About::new(&self.shared.lab, &record.station, key, &channels)
    }

    /// The open file, made if it isn't there.
    fn file(&mut self, key: &FileKey, about: &About) -> Result<&mut RunFile, Error> {
        if !self.files.contains_key(key) {
            let file = RunFile::create(key.open_path(&self.shared.root))?;
            self.files.insert(key.clone(), file);
        }
        let file = self.files.get_mut(key).expect("it was there or was just made");
        if file.is_empty() {
            let record = match key {
                FileKey::Run(run) => self.runs.get(run),
                FileKey::Loose { .. } => None,
            };
            file.opening(about, record)?;
            self.shared.live().open.insert(key.clone(), view(file));
        }
        Ok(file)
    }

    /// Packs what fills a chunk, can't grow any more, or has waited long; with `all`, everything.
    fn pack(&mut self, mut chunks: usize, all: bool) -> Result<(), Error> {
        let stations = self.shared.live().stations.len();
        let mut packed = false;
        for offset in 0..stations {
            let at = (self.turn + offset) % stations;
            while chunks > 0
                && let Some((key, columns)) = self.next_chunk(at, all)
            {
                self.pack_chunk(at, &key, &columns)?;
                chunks -= 1;
                packed = true;
            }
        }
        if packed {
            self.turn = self.turn.wrapping_add(1);
            self.waiting = self.shared.live().waiting_rows();
        }
        Ok(())
    }

    /// A copy of what is to be packed next of a station.
    fn next_chunk(&self, at: usize, all: bool) -> Option<(FileKey, Columns)> {
        let live = self.shared.live();
        let station = &live.stations[at];
        let segment = station.segments.front()?;
        let waited = segment
            .columns
            .span()
            .is_some_and(|(first, last)| last.saturating_sub(first) >= PACK_AFTER_MS);
        let ready = all || station.segments.len() > 1 || segment.columns.len() >= SCANS_MAX || waited;
        (ready && !segment.columns.is_empty())
            .then(|| (segment.key(&station.name), segment.columns.head(SCANS_MAX)))
    }

    fn pack_chunk(&mut self, at: usize, key: &FileKey, columns: &Columns) -> Result<(), Error> {
        let name = self.shared.live().stations[at].name.clone();
        let about = About::new(&self.shared.lab, &name, key, &columns.channels);
        let file = self.file(key, &about)?;
        file.chunk(&about, columns)?;
        let new = view(file);
        // Both at once: a reader sees these scans in the file or in memory, never twice and never not at all.
        let mut live = self.shared.live();
        live.open.insert(key.clone(), new);
        let segments = &mut live.stations[at].segments;
        if let Some(segment) = segments.front_mut() {
            segment.columns.drop_head(columns.len());
            if segment.columns.is_empty() {
                segments.pop_front();
            }
        }
        Ok(())
    }

    /// Packs what a crash left, at opening. What can't be packed now waits in memory.
    pub(crate) fn pack_everything(&mut self) {
        if let Err(error) = self.pack(usize::MAX, true) {
            tracing::warn!("archive files: {error}; readings wait in memory");
            self.trouble = Some(error.to_string());
        }
    }

    /// Seals runs that have ended and days that are over.
    fn seal_some(&mut self, now: Wall) -> Result<(), Error> {
        // The file names the record and the journal as they are in the store.
        if self.pending.is_empty() && self.away.is_none() {
            for run in self
                .to_seal
                .iter()
                .copied()
                .take(SEALS_A_TICK)
                .collect::<Vec<_>>()
            {
                self.seal_run(run)?;
            }
        }
        let over: Vec<FileKey> = self
            .files
            .keys()
            .filter(|key| {
                matches!(key, FileKey::Loose { day, .. } if *day < now.day()) && !self.has_waiting(key)
            })
            .take(SEALS_A_TICK)
            .cloned()
            .collect();
        for key in over {
            self.seal_file(&key, None, &[])?;
        }
        Ok(())
    }

    fn has_waiting(&self, key: &FileKey) -> bool {
        let live = self.shared.live();
        let mut stations = live.stations.iter();
        stations.any(|station| {
            station
                .segments
                .iter()
                .any(|segment| segment.key(&station.name) == *key)
        })
    }

    /// Packs all readings of a run.
    fn pack_run(&mut self, run: u64) -> Result<(), Error> {
        let holds = |live: &crate::live::Live, at: usize| {
            live.stations[at]
                .segments
                .iter()
                .any(|segment| segment.run == Some(run))
        };
        let stations = self.shared.live().stations.len();
        for at in 0..stations {
            while holds(&self.shared.live(), at)
                && let Some((key, columns)) = self.next_chunk(at, true)
            {
                self.pack_chunk(at, &key, &columns)?;
            }
        }
        self.waiting = self.shared.live().waiting_rows();
        Ok(())
    }

    fn seal_run(&mut self, run: u64) -> Result<(), Error> {
        self.write_decisions()?;
        self.pack_run(run)?;
        let key = FileKey::Run(run);
        let Some(record) = self.shared.ask(|ledger| ledger.run(run))? else {
            self.to_seal.remove(&run);
            return Ok(());
        };
        let journal = self.shared.ask(|ledger| {
            let entries = ledger.entries_of_run(run)?;
            entries
                .into_iter()
                .map(|entry| Ok((ledger.hash_before(entry.n)?, entry)))
                .collect::<Result<Vec<_>, _>>()
        })?;
        let about = self.about(&record, &key);
        self.file(&key, &about)?;
        self.seal_file(&key, Some(&record), &journal)?;
        self.to_seal.remove(&run);
        self.sealed.push(ledger::mark_sealed(run));
        Ok(())
    }

    fn seal_file(
        &mut self,
        key: &FileKey,
        record: Option<&RunRecord>,
        journal: &[(Hash, Entry)],
    ) -> Result<(), Error> {
        if let Some(file) = self.files.get_mut(key) {
            file.seal(&self.shared.root, key, record, journal)?;
            self.shared.live().open.remove(key);
            self.files.remove(key);
        }
        Ok(())
    }

    /// Syncs the run files, then deletes the tail files that are not needed any more.
    fn trim(&mut self) -> Result<(), Error> {
        if !self.tail.has_old() {
            self.trimmed = Instant::now();
            return Ok(());
        }
        let mut unsynced = self.files.values_mut().filter(|file| file.is_unsynced());
        for file in unsynced.by_ref().take(SYNCS_A_TICK) {
            file.sync()?;
        }
        if unsynced.next().is_none() {
            let first_needed = self
                .shared
                .live()
                .first_needed()
                .unwrap_or_else(|| self.tail.next_place());
            self.tail.delete_before(first_needed)?;
            self.trimmed = Instant::now();
        }
        Ok(())
    }

    /// How the archive is doing. The text changes when the state does, not with every row.
    pub fn health(&self) -> Health {
        let mut wrong = Vec::new();
        if let Some(away) = &self.away {
            let remedy = if away.corrupt {
                "it is damaged: restart the daemon, which makes it anew from the files"
            } else {
                "it is tried again"
            };
            wrong.push(format!(
                "the store failed ({}); {remedy}; records wait in memory",
                away.why
            ));
        }
        if let Some(trouble) = &self.trouble {
            wrong.push(format!("{trouble}; readings wait in memory"));
        }
        wrong.extend(self.copy_trouble.clone());
        if self.free_bytes < self.reserve_bytes {
            wrong.push(format!(
                "less than {} MB are free at {}: readings outside runs are removed, oldest first, and not kept; free space",
                self.reserve_bytes / 1_000_000,
                self.shared.root.display()
            ));
        }
        Health {
            ok: wrong.is_empty(),
            text: wrong.join("; "),
            dropped_rows: self.dropped_rows,
            waiting_rows: self.waiting as u64,
            pending_journal: self.pending.len() as u64,
            free_bytes: self.free_bytes,
            damaged: self.shared.damaged.load(Ordering::Relaxed),
        }
    }

    /// Brings everything to the disk, seals what has ended, and ends. Dropping the writer does the same but for days that are over, and keeps
    /// quiet about failures.
    ///
    /// # Errors
    /// The first failure; the rest is done all the same.
    pub fn close(mut self, now: Wall) -> Result<(), Error> {
        self.finish().and(self.seal_some(now))
    }

    fn finish(&mut self) -> Result<(), Error> {
        let committed = self.commit().map(|_| ());
        let tail = self.tail.write(true);
        let packed = self.pack(usize::MAX, true);
        let sealed = if committed.is_ok() {
            let runs: Vec<u64> = self.to_seal.iter().copied().collect();
            runs.into_iter().try_for_each(|run| self.seal_run(run))
        } else {
            Ok(())
        };
        let synced = self.files.values_mut().try_for_each(RunFile::sync);
        let marked = self.write_store();
        committed
            .and(tail)
            .and(packed)
            .and(sealed)
            .and(synced)
            .and(marked)
            .and(self.copy.sync())
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        let _ = self.finish();
        // Readers that outlive the writer must not keep the store from being opened again.
        *self.shared.store.write().unwrap_or_else(PoisonError::into_inner) =
            Err("the archive is closed".into());
    }
}

fn view(file: &RunFile) -> OpenView {
    OpenView {
        path: file.path.clone(),
        file: Arc::clone(&file.file),
        length: file.length,
        rows: file.rows(),
    }
}
