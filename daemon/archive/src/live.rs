//! What the writer and the readers share, and how it is found again after a stop.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock, RwLockReadGuard};

use crate::chunk::{Columns, Place, ScanRef};
use crate::error::{Damage, Error};
use crate::ledger::Ledger;
use crate::run_file::{self, FileKey, Survey};
use crate::store::Store;
use crate::tail;

/// Shared by the writer and all readers of one archive.
pub(crate) struct Shared {
    pub(crate) root: PathBuf,
    pub(crate) lab: String,
    /// The writer replaces the store after a failure, and then waits here until readers have left the old one; readers
    /// hold the lock for one query at a time. `Err` says why there is none.
    pub(crate) store: RwLock<Result<Store, String>>,
    /// The writer changes it for microseconds at a time and never holds it while it waits for a disk; readers copy what they need.
    live: Mutex<Live>,
    /// Damaged places met since opening.
    pub(crate) damaged: AtomicU64,
    /// The copy of the store that a reader of a stopped lab works on; removed with it, and after the store is closed.
    _copy: Option<tempfile::TempDir>,
}

/// Readings that are in no finished file.
#[derive(Default)]
pub(crate) struct Live {
    pub(crate) stations: Vec<Station>,
    pub(crate) open: BTreeMap<FileKey, OpenView>,
}

/// A station's readings that wait to be packed.
pub(crate) struct Station {
    pub(crate) name: String,
    pub(crate) channels: Arc<[String]>,
    /// Oldest first; each goes to one file. Only the last one still grows.
    pub(crate) segments: VecDeque<Segment>,
}

/// Consecutive scans that belong into one file.
pub(crate) struct Segment {
    pub(crate) run: Option<u64>,
    pub(crate) day: i32,
    pub(crate) columns: Columns,
}

/// A file that is still written, as a reader sees it.
#[derive(Clone)]
pub(crate) struct OpenView {
    pub(crate) path: PathBuf,
    pub(crate) file: Arc<File>,
    pub(crate) length: u64,
    /// Rows in its chunks.
    pub(crate) rows: u64,
}

impl Segment {
    pub(crate) fn key(&self, station: &str) -> FileKey {
        match self.run {
            Some(run) => FileKey::Run(run),
            None => FileKey::Loose {
                station: station.to_owned(),
                day: self.day,
            },
        }
    }
}

impl Station {
    pub(crate) fn new(name: String, channels: Arc<[String]>) -> Self {
        Self {
            name,
            channels,
            segments: VecDeque::new(),
        }
    }

    /// Adds a scan behind the others; its width is right.
    pub(crate) fn push(&mut self, run: Option<u64>, scan: &ScanRef<'_>, place: Place) {
        let day = scan.at.day();
        let fits = |segment: &Segment| {
            segment.run == run
                && (run.is_some() || segment.day == day)
                && Arc::ptr_eq(&segment.columns.channels, &self.channels)
        };
        if !self.segments.back().is_some_and(fits) {
            self.segments.push_back(Segment {
                run,
                day,
                columns: Columns::new(Arc::clone(&self.channels)),
            });
        }
        if let Some(segment) = self.segments.back_mut() {
            segment.columns.push(scan, place);
        }
    }
}

impl Live {
    /// The lowest place that is still needed in the tail.
    pub(crate) fn first_needed(&self) -> Option<Place> {
        let segments = self.stations.iter().flat_map(|station| &station.segments);
        segments.filter_map(|segment| segment.columns.first_place()).min()
    }

    pub(crate) fn waiting_rows(&self) -> usize {
        self.stations
            .iter()
            .flat_map(|station| &station.segments)
            .map(|segment| segment.columns.len())
            .sum()
    }

    /// Segments of a file that are not in it yet, in order.
    pub(crate) fn segments_of<'a>(&'a self, key: &'a FileKey) -> impl Iterator<Item = &'a Segment> {
        self.stations.iter().flat_map(move |station| {
            let segments = station.segments.iter();
            segments.filter(move |segment| match key {
                FileKey::Run(run) => segment.run == Some(*run),
                FileKey::Loose { station: name, day } => {
                    segment.run.is_none() && segment.day == *day && station.name == *name
                }
            })
        })
    }

    /// Whether a file is not sealed, or not even begun.
    pub(crate) fn has_unsealed(&self, key: &FileKey) -> bool {
        self.open.contains_key(key) || self.segments_of(key).next().is_some()
    }

    /// Number of a station, which is added if it is new.
    pub(crate) fn station(&mut self, name: &str, channels: &[String]) -> usize {
        let at = self
            .stations
            .iter()
            .position(|station| station.name == name)
            .unwrap_or_else(|| {
                self.stations.push(Station::new(name.to_owned(), channels.into()));
                self.stations.len() - 1
            });
        let station = &mut self.stations[at];
        if *station.channels != *channels {
            station.channels = channels.into();
        }
        at
    }
}

impl Shared {
    pub(crate) fn new(
        root: PathBuf,
        lab: String,
        store: Store,
        live: Live,
        copy: Option<tempfile::TempDir>,
    ) -> Self {
        let (store, live) = (RwLock::new(Ok(store)), Mutex::new(live));
        Self {
            root,
            lab,
            store,
            live,
            damaged: AtomicU64::new(0),
            _copy: copy,
        }
    }

    pub(crate) fn live(&self) -> MutexGuard<'_, Live> {
        self.live.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn store(&self) -> RwLockReadGuard<'_, Result<Store, String>> {
        self.store.read().unwrap_or_else(PoisonError::into_inner)
    }

    /// Asks the store, if it is there.
    pub(crate) fn ask<T>(
        &self,
        question: impl FnOnce(Ledger<'_>) -> Result<T, crate::store::Failure>,
    ) -> Result<T, Error> {
        match &*self.store() {
            Ok(store) => Ok(question(Ledger(store))?),
            Err(why) => Err(Error::StoreAway(why.clone())),
        }
    }
}

/// What the files of an archive hold beside the store.
pub(crate) struct Found {
    /// Files under `open/`.
    pub(crate) open: BTreeMap<FileKey, (PathBuf, Survey)>,
    /// Files under `open/` with nothing in them that could be read, or whose place is taken.
    pub(crate) useless: Vec<(PathBuf, Survey)>,
    /// Readings that are in the tail and in no file.
    pub(crate) live: Live,
    pub(crate) tail_files: BTreeMap<u64, PathBuf>,
    /// Torn ends of tail files: where they are whole.
    pub(crate) torn: Vec<(PathBuf, u64, u64)>,
    pub(crate) recovered_rows: u64,
    pub(crate) damage: Vec<Damage>,
}

/// Looks at the open files and the tail; changes nothing.
pub(crate) fn find(root: &Path) -> Result<Found, Error> {
    let mut found = Found {
        open: BTreeMap::new(),
        useless: Vec::new(),
        live: Live::default(),
        tail_files: tail::files_in(&root.join("tail"))?,
        torn: Vec::new(),
        recovered_rows: 0,
        damage: Vec::new(),
    };
    let mut packed = Packed {
        root,
        last: BTreeMap::new(),
        looked: BTreeSet::new(),
        sealed_runs: BTreeMap::new(),
    };
    for path in crate::files::list(&root.join("open"))? {
        if path.extension().is_none_or(|ending| ending != "bwr") {
            continue;
        }
        let survey = run_file::survey(&path)?;
        found.damage.extend(survey.damage.iter().cloned());
        let key = survey.key.clone();
        match key.filter(|key| !found.open.contains_key(key)) {
            Some(key) if matches!(key, FileKey::Loose { .. }) || key.sealed(root)?.is_empty() => {
                packed.note(&survey);
                found.open.insert(key, (path, survey));
            }
            _ => found.useless.push((path, survey)),
        }
    }

    for (&number, path) in &found.tail_files {
        let bytes = fs::read(path).map_err(Error::files(path, "read the tail file"))?;
        let mut failed = None;
        let (whole, damage) = tail::read(path, number, &bytes, &mut |kept| match packed.has(
            &kept.station.name,
            kept.run,
            kept.scan.at.day(),
            kept.place,
        ) {
            Ok(true) => {}
            Ok(false) => {
                let at = found.live.station(&kept.station.name, &kept.station.channels);
                found.live.stations[at].push(kept.run, &kept.scan, kept.place);
                found.recovered_rows += 1;
            }
            Err(error) => failed = Some(error),
        });
        if let Some(error) = failed {
            return Err(error);
        }
        if whole < bytes.len() as u64 {
            found.torn.push((path.clone(), whole, bytes.len() as u64));
            // A torn end is what a crash leaves. Torn in an older file, behind which others follow, it is damage.
            if found.tail_files.keys().next_back() != Some(&number) {
                found.damage.extend(damage);
            }
        }
    }
    Ok(found)
}

/// Which scans of the tail are in chunks already.
struct Packed<'a> {
    root: &'a Path,
    /// Place of each station's last packed scan: a station's scans are packed in their order.
    last: BTreeMap<String, Place>,
    /// Days of which the sealed files were looked at.
    looked: BTreeSet<(String, i32)>,
    sealed_runs: BTreeMap<u64, bool>,
}

impl Packed<'_> {
    fn note(&mut self, survey: &Survey) {
        if let (Some(about), Some(place)) = (&survey.about, survey.last_place) {
            let last = self.last.entry(about.station.clone()).or_insert(place);
            *last = (*last).max(place);
        }
    }

    fn has(&mut self, station: &str, run: Option<u64>, day: i32, place: Place) -> Result<bool, Error> {
        if let Some(run) = run {
            let sealed = if let Some(sealed) = self.sealed_runs.get(&run) {
                *sealed
            } else {
                let sealed = FileKey::Run(run).sealed(self.root)?;
                for path in &sealed {
                    self.note(&run_file::survey(path)?);
                }
                self.sealed_runs.insert(run, !sealed.is_empty());
                !sealed.is_empty()
            };
            if sealed {
                return Ok(true);
            }
        } else if self.looked.insert((station.to_owned(), day)) {
            for path in (FileKey::Loose {
                station: station.to_owned(),
                day,
            })
            .sealed(self.root)?
            {
                self.note(&run_file::survey(&path)?);
            }
        }
        Ok(self.last.get(station).is_some_and(|&last| place <= last))
    }
}
