//! The ones who read: at the same time as the writer, or from a copy.

use std::collections::{BTreeMap, VecDeque};
use std::fs::File;
use std::io::{Seek, Write};
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use crate::archive::{self, Opened};
use crate::board_model::{BoardModelRecord, BoardModels};
use crate::calibration::{CalibrationRecord, Calibrations};
use crate::chunk::Columns;
use crate::coarse::{Coarse, Making};
use crate::error::{Damage, Error};
use crate::files;
use crate::format;
use crate::journal::{Entry, Hash, JournalQuery, Verified};
use crate::ledger::{Document, Revision};
use crate::live::{self, OpenView, Shared};
use crate::reading::{Scan, Scans};
use crate::recording::Recording;
use crate::run::{Query, RunRecord};
use crate::run_file::{self, About, FileChunks, FileKey};
use crate::store::Store;
use crate::table::Table;
use crate::wall::Wall;

/// Reads the archive; clones share everything. No call waits for the writer's disk work.
#[derive(Clone)]
pub struct Reader(pub(crate) Arc<Shared>);

impl Reader {
    pub(crate) fn of(shared: Arc<Shared>) -> Self {
        Self(shared)
    }

    /// Reads a copy, or the archive of a stopped lab, and changes nothing in it: the store is copied to a temporary
    /// directory. A store that is missing or damaged is made anew there from the files.
    ///
    /// # Errors
    /// [`Error::InUse`] when a daemon runs on it, [`Error::NotAnArchive`], [`Error::NewerFormat`], [`Error::Files`].
    pub fn open(root: impl AsRef<Path>) -> Result<Self, Error> {
        let root = root.as_ref();
        let lab = archive::lab_of(root)?;
        // Held until all that a starting daemon would change has been read.
        let _lock = archive::refuse_if_in_use(root)?;
        let copy = tempfile::Builder::new()
            .prefix("benchward-archive-")
            .tempdir()
            .map_err(Error::files(
                std::env::temp_dir(),
                "make a directory for a copy of the store",
            ))?;
        let path = archive::store_path(copy.path());
        files::copy_tree(&archive::store_path(root), &path, &|_| false)?;
        let (store, _) = Store::open_or_rescue(&path, &copy.path().join("quarantine"))?;
        let mut found = live::find(root)?;
        let store_lost = archive::loss(root, &store)?.is_some();
        archive::refill(
            root,
            &store,
            &found,
            &mut Opened {
                store_lost,
                ..Opened::default()
            },
        )?;
        let mut live = std::mem::take(&mut found.live);
        for (key, (path, survey)) in &found.open {
            let file = Arc::new(File::open(path).map_err(Error::files(path, "read"))?);
            live.open.insert(
                key.clone(),
                OpenView {
                    path: path.clone(),
                    file,
                    length: survey.whole,
                    rows: survey.rows(),
                },
            );
        }
        let shared = Shared::new(root.to_owned(), lab, store, live, Some(copy));
        shared.damaged.store(found.damage.len() as u64, Ordering::Relaxed);
        Ok(Self(Arc::new(shared)))
    }

    /// Name of the lab.
    pub fn lab(&self) -> &str {
        &self.0.lab
    }

    // ---- runs ----

    /// A run's record.
    ///
    /// # Errors
    /// [`Error::NoSuchRun`].
    pub fn run(&self, run: u64) -> Result<RunRecord, Error> {
        self.0.ask(|ledger| ledger.run(run))?.ok_or(Error::NoSuchRun(run))
    }

    /// The runs that the query asks for, newest first.
    pub fn runs(&self, query: &Query) -> Result<Vec<RunRecord>, Error> {
        self.0.ask(|ledger| ledger.runs(query))
    }

    /// A run's readings in their order, also of a run that goes on: up to the last row that was appended.
    ///
    /// # Errors
    /// [`Error::NoSuchRun`] if there is neither a reading nor a record.
    pub fn readings(&self, run: u64) -> Result<Readings, Error> {
        let key = FileKey::Run(run);
        let mut readings = self.live(&key);
        if readings.is_empty() {
            for path in key.sealed(&self.0.root)? {
                readings
                    .sources
                    .push_back(Source::File(FileChunks::of_path(&path)?));
            }
        }
        if readings.is_empty() {
            self.run(run)?;
        }
        Ok(readings)
    }

    /// A run's record and readings.
    ///
    /// # Errors
    /// As [`Reader::run`] and [`Reader::readings`].
    pub fn recording(&self, run: u64) -> Result<Recording, Error> {
        Ok(Recording::new(self.run(run)?, self.readings(run)?))
    }

    /// A run as a file for another program, to be read with [`Recording::of_file`]: the sealed file itself, or, while the run goes on, one in memory
    /// that is made of all that is there so far. Nothing is decoded for that.
    ///
    /// # Errors
    /// [`Error::NoSuchRun`], [`Error::Files`] if the file cannot be read.
    pub fn run_file(&self, run: u64) -> Result<File, Error> {
        let key = FileKey::Run(run);
        let live = self.live(&key);
        if live.is_empty()
            && let Some(path) = key.sealed(&self.0.root)?.first()
        {
            return File::open(path).map_err(Error::files(path, "read"));
        }
        let record = self.run(run)?;
        let mut bytes = format::file_head();
        for source in live.sources {
            match source {
                Source::Open(open) => {
                    bytes.resize(usize::try_from(open.length).unwrap_or(0), 0);
                    open.file
                        .read_exact_at(&mut bytes, 0)
                        .map_err(Error::files(&open.path, "read"))?;
                }
                Source::Waiting(columns) => {
                    let about = About::new(&self.0.lab, &record.station, &key, &columns.channels);
                    run_file::put_waiting(&mut bytes, &about, columns);
                }
                Source::File(_) => {}
            }
        }
        run_file::put_record(&mut bytes, &record);
        let memory = rustix::fs::memfd_create("run", rustix::fs::MemfdFlags::CLOEXEC);
        memory
            .map_err(std::io::Error::from)
            .and_then(|memory| {
                let mut file = File::from(memory);
                file.write_all(&bytes)?;
                file.rewind()?;
                Ok(file)
            })
            .map_err(Error::files(&self.0.root, "make a copy of a run in memory"))
    }

    /// A station's readings outside runs with a wall time in `from..to`, in the order in which they were recorded.
    pub fn loose(&self, station: &str, from: Wall, to: Wall) -> Result<Readings, Error> {
        let mut readings = self.readings_of(None);
        readings.within = Some((from, to));
        // Days of which there is something, so that a span of years costs nothing.
        let mut days: Vec<i32> = {
            let live = self.0.live();
            let waiting = live
                .stations
                .iter()
                .filter(|other| other.name == station)
                .flat_map(|other| &other.segments);
            let open = live.open.keys().filter_map(|key| match key {
                FileKey::Loose { station: other, day } if other == station => Some(*day),
                _ => None,
            });
            waiting
                .filter(|segment| segment.run.is_none())
                .map(|segment| segment.day)
                .chain(open)
                .collect()
        };
        let prefix = files::file_name(station) + ".";
        for year in files::list(&self.0.root.join("loose"))? {
            for path in files::list(&year)? {
                let name = path.file_name().unwrap_or_default().to_string_lossy();
                let date = name.strip_prefix(&prefix).and_then(|rest| rest.get(..10));
                let day = date
                    .and_then(|date| format!("{date}T00:00:00Z").parse::<Wall>().ok())
                    .map(Wall::day);
                days.extend(day);
            }
        }
        days.retain(|&day| Wall::of_day(day) < to && Wall::of_day(day.saturating_add(1)) > from);
        days.sort_unstable();
        days.dedup();
        for day in days {
            let key = FileKey::Loose {
                station: station.to_owned(),
                day,
            };
            // One moment's view: nothing was sealed while this looked. A file that has its final name already and is still listed as
            // open is known by its inode.
            let mut sealed = key.sealed(&self.0.root)?;
            let live = loop {
                let live = self.live(&key);
                let again = key.sealed(&self.0.root)?;
                if again == sealed {
                    break live;
                }
                sealed = again;
            };
            let open = live.sources.iter().find_map(|source| match source {
                Source::Open(open) => open.file.metadata().ok().map(|file| file.ino()),
                Source::File(_) | Source::Waiting(_) => None,
            });
            for path in sealed {
                let inode = std::fs::metadata(&path)
                    .map_err(Error::files(&path, "read"))?
                    .ino();
                if Some(inode) != open {
                    readings
                        .sources
                        .push_back(Source::File(FileChunks::of_path(&path)?.within(from, to)));
                }
            }
            readings.sources.extend(live.sources);
        }
        Ok(readings)
    }

    /// The coarse levels of a run, or of a station's readings outside runs: what charts of long spans are made of. `step_ms`: one of
    /// `LEVELS_MS`. Sealed files say them without a reading being decoded; of what is not sealed they are made here.
    ///
    /// # Errors
    /// [`Error::Files`] if a file cannot be read, [`Error::NoSuchRun`].
    pub fn coarse_of_run(&self, run: u64, step_ms: i64) -> Result<Vec<Coarse>, Error> {
        match FileKey::Run(run).sealed(&self.0.root)?.first() {
            Some(path) => coarse_of_file(path, step_ms),
            None => Ok(coarse_of(self.readings(run)?, step_ms)),
        }
    }

    /// As [`Reader::coarse_of_run`], for a station's readings outside runs, in whole UTC days.
    ///
    /// # Errors
    /// As there.
    pub fn coarse_of_station(
        &self,
        station: &str,
        days: std::ops::Range<i32>,
        step_ms: i64,
    ) -> Result<Vec<Coarse>, Error> {
        let mut levels = Vec::new();
        for day in days {
            let key = FileKey::Loose {
                station: station.to_owned(),
                day,
            };
            for path in key.sealed(&self.0.root)? {
                levels.extend(coarse_of_file(&path, step_ms)?);
            }
            let live = self.live(&key);
            if !live.is_empty() {
                levels.extend(coarse_of(live, step_ms));
            }
        }
        Ok(levels)
    }

    fn readings_of(&self, run: Option<u64>) -> Readings {
        Readings {
            shared: Some(Arc::clone(&self.0)),
            run,
            within: None,
            sources: VecDeque::new(),
            block: Vec::new().into_iter(),
            channels: Arc::new([]),
        }
    }

    /// What is in an open file and in memory, as of one moment.
    fn live(&self, key: &FileKey) -> Readings {
        let run = match key {
            FileKey::Run(run) => Some(*run),
            FileKey::Loose { .. } => None,
        };
        let mut readings = self.readings_of(run);
        let live = self.0.live();
        readings
            .sources
            .extend(live.open.get(key).cloned().map(Source::Open));
        for station in &live.stations {
            for segment in station
                .segments
                .iter()
                .filter(|segment| segment.key(&station.name) == *key)
            {
                readings
                    .sources
                    .push_back(Source::Waiting(segment.columns.clone()));
            }
        }
        readings
    }

    /// Checks a sealed run file as a whole: every block, the index, the SHA-256. Empty: all is well, or the run goes on.
    ///
    /// # Errors
    /// [`Error::Files`] if it cannot be read.
    pub fn check_run(&self, run: u64) -> Result<Vec<Damage>, Error> {
        let mut damage = Vec::new();
        for path in FileKey::Run(run).sealed(&self.0.root)? {
            let bytes = std::fs::read(&path).map_err(Error::files(&path, "read"))?;
            damage.extend(format::check_sealed(&path, &bytes));
        }
        Ok(damage)
    }

    /// [`Reader::check_run`] for every sealed file: of runs, and of readings outside runs. Returns how many there are beside what is
    /// damaged in them. `looked`: hears after each how many bytes have been looked at, and how many there are.
    ///
    /// # Errors
    /// [`Error::Files`] if one cannot be read.
    pub fn check_files(&self, mut looked: impl FnMut(u64, u64)) -> Result<(u64, Vec<Damage>), Error> {
        let mut paths = Vec::new();
        for folder in ["runs", "loose"] {
            for year in files::list(&self.0.root.join(folder))? {
                paths.extend(files::list(&year)?);
            }
        }
        let total = paths
            .iter()
            .filter_map(|path| path.metadata().ok())
            .map(|data| data.len())
            .sum();
        let (mut count, mut done, mut damage) = (0, 0, Vec::new());
        for path in paths {
            let bytes = std::fs::read(&path).map_err(Error::files(&path, "read"))?;
            damage.extend(format::check_sealed(&path, &bytes));
            count += 1;
            done += bytes.len() as u64;
            looked(done, total);
        }
        Ok((count, damage))
    }

    /// What a run was decided on, in the order in which it was kept, as far as it is in the run's file: empty where the run is of a
    /// version that kept nothing.
    ///
    /// # Errors
    /// [`Error::NoSuchRun`], [`Error::Files`] if the file cannot be read.
    pub fn decisions(&self, run: u64) -> Result<Vec<Result<Table, Damage>>, Error> {
        let key = FileKey::Run(run);
        let open = self.0.live().open.get(&key).cloned();
        if let Some(open) = open {
            let mut bytes = vec![0; usize::try_from(open.length).unwrap_or(0)];
            open.file
                .read_exact_at(&mut bytes, 0)
                .map_err(Error::files(&open.path, "read"))?;
            return Ok(run_file::decisions(&open.path, &bytes));
        }
        match key.sealed(&self.0.root)?.first() {
            Some(path) => {
                let bytes = std::fs::read(path).map_err(Error::files(path, "read"))?;
                Ok(run_file::decisions(path, &bytes))
            }
            None => self.run(run).map(|_| Vec::new()),
        }
    }

    /// The sealed file of a run; `None` while it goes on.
    ///
    /// # Errors
    /// [`Error::Files`] if the directory cannot be read.
    pub fn sealed_file(&self, run: u64) -> Result<Option<std::path::PathBuf>, Error> {
        Ok(FileKey::Run(run).sealed(&self.0.root)?.pop())
    }

    // ---- journal ----

    /// The entries that the query asks for. Entries appear here once they are on the disk.
    pub fn journal(&self, query: &JournalQuery) -> Result<Vec<Entry>, Error> {
        self.0.ask(|ledger| ledger.journal(query))
    }

    /// Walks the whole chain.
    pub fn verify(&self) -> Result<Verified, Error> {
        self.0.ask(|ledger| ledger.verify())
    }

    /// Number and hash of the newest entry on the disk; 0 and zero if there is none.
    pub fn head(&self) -> Result<(u64, Hash), Error> {
        self.0.ask(|ledger| ledger.head())
    }

    // ---- what is small and stays ----

    /// The newest revision of each recipe, by name.
    pub fn recipes(&self) -> Result<Vec<Revision>, Error> {
        self.documents(Document::Recipe)
    }

    /// A revision of a recipe, or the newest.
    pub fn recipe(&self, name: &str, revision: Option<u32>) -> Result<Option<Revision>, Error> {
        self.document(Document::Recipe, name, revision)
    }

    /// The newest revision of each document of a kind, by name.
    pub fn documents(&self, kind: Document) -> Result<Vec<Revision>, Error> {
        self.0.ask(|ledger| ledger.documents(kind))
    }

    /// A revision of a document, or the newest.
    pub fn document(
        &self,
        kind: Document,
        name: &str,
        revision: Option<u32>,
    ) -> Result<Option<Revision>, Error> {
        self.0.ask(|ledger| ledger.document(kind, name, revision))
    }

    /// The newest calibration of each channel that has one, by station and channel.
    pub fn calibrations(&self) -> Result<Calibrations, Error> {
        Ok(self.documents(Document::Calibration)?.iter().collect())
    }

    /// All calibrations of a channel, oldest first.
    pub fn calibrations_of(&self, station: &str, channel: &str) -> Result<Calibrations, Error> {
        let name = CalibrationRecord::document(station, channel);
        let newest = self.document(Document::Calibration, &name, None)?;
        let mut documents = Vec::new();
        for revision in 1..=newest.map_or(0, |newest| newest.revision) {
            documents.extend(self.document(Document::Calibration, &name, Some(revision))?);
        }
        Ok(documents.iter().collect())
    }

    /// The newest model of each kind of board on each station, by board and station.
    pub fn board_models(&self) -> Result<BoardModels, Error> {
        Ok(self.documents(Document::BoardModel)?.iter().collect())
    }

    /// The newest model of a kind of board on a station. Holds at most one, read or not.
    pub fn board_model(&self, board: &str, station: &str) -> Result<BoardModels, Error> {
        let name = BoardModelRecord::document(board, station);
        let newest = self.document(Document::BoardModel, &name, None)?;
        Ok(newest.iter().collect())
    }

    /// Trips that stand, by station and interlock.
    pub fn trips(&self) -> Result<BTreeMap<String, BTreeMap<String, serde_json::Value>>, Error> {
        self.0.ask(|ledger| ledger.trips())
    }

    /// Saved limits, degrees Celsius.
    pub fn limits(&self) -> Result<BTreeMap<String, f64>, Error> {
        self.0.ask(|ledger| ledger.limits())
    }
}

fn coarse_of_file(path: &Path, step_ms: i64) -> Result<Vec<Coarse>, Error> {
    let bytes = std::fs::read(path).map_err(Error::files(path, "read"))?;
    let mut levels = run_file::kept_coarse(path, &bytes).unwrap_or_else(|| run_file::coarse(path, bytes));
    levels.retain(|level| level.step_ms == step_ms);
    Ok(levels)
}

/// The level of readings that are in no sealed file.
fn coarse_of(mut readings: Readings, step_ms: i64) -> Vec<Coarse> {
    let mut levels: Vec<(Arc<[String]>, Making)> = Vec::new();
    while let Some(block) = readings.next_block() {
        let Ok(block) = block else { continue };
        if levels
            .last()
            .is_none_or(|(channels, _)| **channels != *block.channels)
        {
            levels.push((block.channels, Making::new(step_ms)));
        }
        if let Some((_, making)) = levels.last_mut() {
            for scan in &block.scans {
                making.take(scan);
            }
        }
    }
    levels
        .iter()
        .map(|(channels, making)| Coarse {
            step_ms,
            channels: Arc::clone(channels),
            spans: making.spans(),
        })
        .collect()
}

/// Readings, row by row, or in blocks with [`Readings::next_block`]. A damaged place comes out as an error, and the rows behind it follow.
pub struct Readings {
    /// Who counts damage; nobody where the file came from elsewhere.
    shared: Option<Arc<Shared>>,
    run: Option<u64>,
    within: Option<(Wall, Wall)>,
    sources: VecDeque<Source>,
    block: std::vec::IntoIter<Scan>,
    channels: Arc<[String]>,
}

enum Source {
    File(FileChunks),
    Open(OpenView),
    Waiting(Columns),
}

impl Readings {
    /// Those of a file that came from elsewhere.
    pub(crate) fn of_file(run: u64, chunks: FileChunks) -> Self {
        Self {
            shared: None,
            run: Some(run),
            within: None,
            sources: VecDeque::from([Source::File(chunks)]),
            block: Vec::new().into_iter(),
            channels: Arc::new([]),
        }
    }

    fn is_empty(&self) -> bool {
        self.sources.is_empty()
    }

    /// The run; `None` for readings outside runs.
    pub fn run(&self) -> Option<u64> {
        self.run
    }

    /// Names of the channels of the row that came last, before the first row: of the first; in the order of [`Scan::values`].
    pub fn channels(&mut self) -> Arc<[String]> {
        if self.channels.is_empty() {
            let first = self.sources.iter_mut().find_map(|source| {
                if let Source::Open(open) = source
                    && let Ok(chunks) = FileChunks::of_open(open.path.clone(), &open.file, open.length)
                {
                    *source = Source::File(chunks);
                }
                match source {
                    Source::File(chunks) => chunks.channels().cloned(),
                    Source::Waiting(columns) => Some(Arc::clone(&columns.channels)),
                    Source::Open(_) => None,
                }
            });
            self.channels = first.unwrap_or_else(|| Arc::new([]));
        }
        Arc::clone(&self.channels)
    }

    /// The next rows that have the same channels.
    pub fn next_block(&mut self) -> Option<Result<Scans, Damage>> {
        loop {
            let columns = match self.sources.front_mut()? {
                Source::Open(open) => {
                    let chunks = FileChunks::of_open(open.path.clone(), &open.file, open.length);
                    let path = open.path.clone();
                    match chunks {
                        Ok(chunks) => {
                            self.sources[0] = Source::File(chunks);
                            continue;
                        }
                        Err(error) => {
                            self.sources.pop_front();
                            return Some(Err(self.damaged(Damage {
                                path,
                                at: 0,
                                why: error.to_string(),
                            })));
                        }
                    }
                }
                Source::File(chunks) => match chunks.next() {
                    Some(Ok(columns)) => columns,
                    Some(Err(damage)) => return Some(Err(self.damaged(damage))),
                    None => {
                        self.sources.pop_front();
                        continue;
                    }
                },
                Source::Waiting(columns) => {
                    let columns = columns.clone();
                    self.sources.pop_front();
                    columns
                }
            };
            self.channels = Arc::clone(&columns.channels);
            let within = self.within;
            let wanted = |scan: &Scan| within.is_none_or(|(from, to)| scan.at >= from && scan.at < to);
            let scans: Vec<Scan> = columns.scans().filter(wanted).collect();
            if !scans.is_empty() {
                return Some(Ok(Scans {
                    channels: columns.channels,
                    scans,
                }));
            }
        }
    }

    fn damaged(&self, damage: Damage) -> Damage {
        if let Some(shared) = &self.shared {
            shared.damaged.fetch_add(1, Ordering::Relaxed);
        }
        damage
    }
}

impl Iterator for Readings {
    type Item = Result<Scan, Damage>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(scan) = self.block.next() {
                return Some(Ok(scan));
            }
            match self.next_block()? {
                Ok(scans) => self.block = scans.scans.into_iter(),
                Err(damage) => return Some(Err(damage)),
            }
        }
    }
}
