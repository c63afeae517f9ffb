//! sled, and all that is known about it. No other module names it.
//!
//! Traps of sled 0.34.7, each measured, and what is done about it:
//!
//! * `flush()` never syncs the device: after it, [`Store::write`] calls `sync_data` on the log file, and only then
//!   has anything been kept.
//! * Values of 128 KiB and more become files of their own beside the log, which no sync of ours reaches: nobody
//!   stores such values ([`VALUE_MAX`]).
//! * After an I/O error every later write fails, even when there is space again: the caller drops the store and
//!   opens it anew.
//! * A kill while a snapshot is written can leave a file that makes the next opening fail as corrupt although the log is
//!   whole: [`Store::open_or_rescue`] tries again without the snapshots, which are only an abbreviation.
//! * Damage in the middle of the log is taken for its torn end: sled cuts there and opens as if nothing were missing. Only others can tell: the
//!   journal's copy, `safety.json` and the run files know what a store must have, and [`crate::archive`] asks them at every opening.
//! * A closed store may hold its file lock a little longer, in a thread of sled's pool: opening waits for it. Whether another process is at
//!   work is settled before, by the archive's own lock.
//! * Opening may panic on damage: the panic is caught.

use std::fs::{self, File};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::error::Error;
use crate::files;

/// Longest value, bytes; sled's own limit is 131072 for what stays in the log.
pub(crate) const VALUE_MAX: usize = 120 * 1024;

/// What sled says while the store's former owner has not let go.
const LOCKED: &str = "could not acquire lock";
/// How long that may take. Seen: a few milliseconds, on a loaded machine.
const LOCK_WAIT: Duration = Duration::from_secs(3);

/// A key and its value, as a scan gives them.
pub(crate) type Pair = Result<(Vec<u8>, Vec<u8>), Failure>;

/// What goes into the store together or not at all.
pub(crate) type Group = Vec<(Vec<u8>, Option<Vec<u8>>)>;

/// The open store.
pub(crate) struct Store {
    db: sled::Db,
    /// sled's log file, for the sync that sled does not do.
    log: File,
}

/// Why the store failed.
#[derive(Debug)]
pub(crate) struct Failure {
    /// The files are damaged, as far as sled can tell.
    pub(crate) corrupt: bool,
    pub(crate) text: String,
}

impl From<sled::Error> for Failure {
    fn from(error: sled::Error) -> Self {
        let corrupt = matches!(
            error,
            sled::Error::Corruption { .. } | sled::Error::ReportableBug(_)
        );
        Self {
            corrupt,
            text: error.to_string(),
        }
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self {
            corrupt: false,
            text: error.to_string(),
        }
    }
}

impl From<Failure> for Error {
    fn from(failure: Failure) -> Self {
        Self::Store(failure.text)
    }
}

/// What [`Store::open_or_rescue`] had to do.
pub(crate) struct Rescue {
    /// Where the damaged store was put.
    pub(crate) set_aside: PathBuf,
    /// The store was opened without its snapshots: all that was kept is there. Otherwise it is empty.
    pub(crate) complete: bool,
    pub(crate) why: String,
}

impl Store {
    /// Opens or creates the store.
    pub(crate) fn open(path: &Path) -> Result<Self, Failure> {
        let began = Instant::now();
        loop {
            match Self::try_open(path) {
                Err(failure) if failure.text.contains(LOCKED) && began.elapsed() < LOCK_WAIT => {
                    std::thread::sleep(Duration::from_millis(5));
                }
                opened => return opened,
            }
        }
    }

    fn try_open(path: &Path) -> Result<Self, Failure> {
        let opened = catch_unwind(AssertUnwindSafe(|| {
            // What lives here is small: runs, documents, the journal's newest entries. No background thread
            // flushes, since every write is flushed and synced by hand.
            sled::Config::new()
                .path(path)
                .cache_capacity(8 << 20)
                .flush_every_ms(None)
                .open()
        }));
        let db = opened.unwrap_or_else(|_| {
            Err(sled::Error::ReportableBug(
                "the store's own code panicked on its files".into(),
            ))
        })?;
        let log = File::open(path.join("db"))?;
        files::sync_directory(path)?;
        Ok(Self { db, log })
    }

    /// Opens the store; a damaged one is first set aside under `quarantine`, then opened without its
    /// snapshots, then replaced by an empty one.
    pub(crate) fn open_or_rescue(path: &Path, quarantine: &Path) -> Result<(Self, Option<Rescue>), Error> {
        let why = match Self::open(path) {
            Ok(store) => return Ok((store, None)),
            Err(Failure { corrupt: false, text }) => return Err(cannot_open(path, &text)),
            Err(Failure { corrupt: true, text }) => text,
        };
        let set_aside = set_aside(path, quarantine)?;
        let is_snapshot = |path: &Path| {
            path.file_name()
                .is_some_and(|name| name.to_string_lossy().starts_with("snap."))
        };
        files::copy_tree(&set_aside, path, &is_snapshot)?;
        match Self::open(path) {
            Ok(store) => {
                return Ok((
                    store,
                    Some(Rescue {
                        set_aside,
                        complete: true,
                        why,
                    }),
                ));
            }
            Err(Failure { corrupt: false, text }) => return Err(cannot_open(path, &text)),
            Err(Failure { corrupt: true, .. }) => {}
        }
        fs::remove_dir_all(path).map_err(Error::files(path, "remove the damaged copy of the store"))?;
        let store = Self::open(path)?;
        Ok((
            store,
            Some(Rescue {
                set_aside,
                complete: false,
                why,
            }),
        ))
    }

    /// Writes the groups in order. When this returns, all of them survive a power cut; when it fails, a beginning
    /// of them may have been kept, never a part of a group.
    pub(crate) fn write<'a>(&self, groups: impl IntoIterator<Item = &'a Group>) -> Result<(), Failure> {
        /// Keys in a batch, so that a long wait for space doesn't end in one huge batch.
        const BATCH: usize = 1000;
        let mut groups = groups.into_iter().peekable();
        while groups.peek().is_some() {
            let mut batch = sled::Batch::default();
            let mut count = 0;
            while count < BATCH
                && let Some(group) = groups.next()
            {
                for (key, value) in group {
                    match value {
                        Some(value) => batch.insert(&key[..], &value[..]),
                        None => batch.remove(&key[..]),
                    }
                }
                count += group.len();
            }
            self.db.apply_batch(batch)?;
        }
        self.db.flush()?;
        self.log.sync_data()?;
        Ok(())
    }

    pub(crate) fn value(&self, key: &[u8]) -> Result<Option<Vec<u8>>, Failure> {
        Ok(self.db.get(key)?.map(|value| value.to_vec()))
    }

    /// Keys with this prefix and their values, ascending; `from` on, if given (a whole key).
    pub(crate) fn scan<'a>(
        &'a self,
        prefix: &'a [u8],
        from: Option<&[u8]>,
    ) -> impl Iterator<Item = Pair> + use<'a> {
        let start = from.unwrap_or(prefix).to_vec();
        self.db
            .range(start..)
            .map(|pair| {
                pair.map(|(key, value)| (key.to_vec(), value.to_vec()))
                    .map_err(Failure::from)
            })
            .take_while(move |pair| pair.as_ref().map_or(true, |(key, _)| key.starts_with(prefix)))
    }

    /// As [`Store::scan`], descending from `from` (included) on.
    pub(crate) fn scan_back<'a>(
        &'a self,
        prefix: &'a [u8],
        from: &[u8],
    ) -> impl Iterator<Item = Pair> + use<'a> {
        self.db
            .range(..=from.to_vec())
            .rev()
            .map(|pair| {
                pair.map(|(key, value)| (key.to_vec(), value.to_vec()))
                    .map_err(Failure::from)
            })
            .take_while(move |pair| pair.as_ref().map_or(true, |(key, _)| key.starts_with(prefix)))
    }
}

fn cannot_open(path: &Path, text: &str) -> Error {
    let path = path.display();
    Error::Store(format!(
        "cannot open {path}: {text}\nhint: free space there, and let the daemon's user read and write it"
    ))
}

/// Moves something damaged under `quarantine`, to a name that is free.
pub(crate) fn set_aside(path: &Path, quarantine: &Path) -> Result<PathBuf, Error> {
    fs::create_dir_all(quarantine).map_err(Error::files(quarantine, "create the directory"))?;
    let name = path
        .file_name()
        .map_or_else(|| "thing".into(), |name| name.to_string_lossy().into_owned());
    let target = (0..=u32::MAX)
        .map(|n| {
            quarantine.join(if n == 0 {
                name.clone()
            } else {
                format!("{name}-{n}")
            })
        })
        .find(|target| !target.exists())
        .expect("some number is free");
    fs::rename(path, &target).map_err(Error::files(path, "move it into quarantine"))?;
    Ok(target)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn group(key: &str, value: &str) -> Group {
        vec![(key.into(), Some(value.into()))]
    }

    #[test]
    fn scans_stay_inside_their_prefix() {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(&dir.path().join("store")).unwrap();
        let groups: Vec<Group> = ["a1", "b1", "b2", "b3", "c1"].map(|key| group(key, key)).into();
        store.write(&groups).unwrap();
        let keys = |pairs: &mut dyn Iterator<Item = Result<(Vec<u8>, Vec<u8>), Failure>>| -> Vec<String> {
            pairs
                .map(|pair| String::from_utf8(pair.unwrap().0).unwrap())
                .collect()
        };
        assert_eq!(keys(&mut store.scan(b"b", None)), ["b1", "b2", "b3"]);
        assert_eq!(keys(&mut store.scan(b"b", Some(b"b2"))), ["b2", "b3"]);
        assert_eq!(keys(&mut store.scan_back(b"b", b"b2")), ["b2", "b1"]);
        store.write(&[vec![(b"b2".to_vec(), None)]]).unwrap();
        assert_eq!(store.value(b"b2").unwrap(), None);
    }

    #[test]
    fn a_bad_snapshot_costs_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let (path, quarantine) = (dir.path().join("store"), dir.path().join("quarantine"));
        let groups: Vec<Group> = (0..500).map(|n| group(&format!("k{n:04}"), "v")).collect();
        Store::open(&path).unwrap().write(&groups).unwrap();
        drop(Store::open(&path).unwrap());
        let snapshots: Vec<_> = files::list(&path)
            .unwrap()
            .into_iter()
            .filter(|path| path.file_name().unwrap().to_string_lossy().starts_with("snap."))
            .collect();
        assert!(!snapshots.is_empty(), "opening writes one");
        for snapshot in snapshots {
            fs::write(snapshot, b"").unwrap();
        }
        let (store, rescue) = Store::open_or_rescue(&path, &quarantine).unwrap();
        assert_eq!(store.scan(b"k", None).flatten().count(), 500);
        // Whether sled takes an empty snapshot for damage is its own affair; if so, everything must be there still.
        assert!(rescue.is_none_or(|rescue| rescue.complete));
    }

    #[test]
    fn a_ruined_store_is_set_aside_and_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let (path, quarantine) = (dir.path().join("store"), dir.path().join("quarantine"));
        Store::open(&path).unwrap().write(&[group("k", "v")]).unwrap();
        fs::write(path.join("conf"), [0x5a; 100]).unwrap();
        fs::write(path.join("db"), vec![0x5a; 100_000]).unwrap();
        let (store, rescue) = Store::open_or_rescue(&path, &quarantine).unwrap();
        let rescue = rescue.expect("it was damaged");
        assert!(
            !rescue.complete && rescue.set_aside.join("conf").exists(),
            "{}",
            rescue.why
        );
        store.write(&[group("k", "w")]).unwrap();
        assert_eq!(store.value(b"k").unwrap().as_deref(), Some(&b"w"[..]));
    }
}
