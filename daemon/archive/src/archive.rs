//! Opening an archive: what is found, what is put right, what a person should know of it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use rustix::fs::FlockOperation;
use serde::{Deserialize, Serialize};

use crate::document_file;
use crate::error::{Damage, Error};
use crate::files;
use crate::journal::{Entry, Hash};
use crate::journal_file::{self, JournalFile};
use crate::ledger::{self, Days, Ledger, Trips};
use crate::live::{self, Found, Shared};
use crate::reader::Reader;
use crate::run::{Outcome, RunRecord};
use crate::run_file::{self, FileKey, Survey};
use crate::safety::Safety;
use crate::store::{Group, Store, set_aside};
use crate::wall::Wall;
use crate::writer::{Start, Writer};

/// Format of the directory as a whole. 2: run files have coarse levels and what runs were decided on; a version that knows 1 only
/// would cut the latter off an open file.
pub(crate) const FORMAT: u32 = 2;

/// The archive of one lab.
pub struct Archive;

/// Settings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Options {
    /// With less than so many bytes free, readings outside runs are removed, oldest first, and no longer kept, so that runs and
    /// journal go on.
    pub reserve_bytes: u64,
    /// How many days readings outside runs are kept.
    pub loose_days: u16,
}

impl Default for Options {
    /// 200 MB: days of runs and journal at the usual rates. 30 days: what happened at a bench last month can be looked up.
    fn default() -> Self {
        Self {
            reserve_bytes: 200_000_000,
            loose_days: 30,
        }
    }
}

/// What was found at opening.
#[derive(Clone, Debug, Default)]
pub struct Opened {
    /// Runs that had no end, ended where their readings end: `lost`, unless an outcome was decided already and the board was
    /// cooling. The first [`Writer::tick`] after the next [`Writer::commit`] seals their files: journal entries that name them
    /// and are committed before are in the file.
    pub lost: Vec<RunRecord>,
    /// Trips that stand, by station and interlock.
    pub trips: BTreeMap<String, BTreeMap<String, serde_json::Value>>,
    /// Saved limits, degrees Celsius.
    pub limits: BTreeMap<String, f64>,
    /// The number that [`Writer::next_run`] gives next.
    pub next_run: u64,
    /// The number of the next journal entry.
    pub next_journal: u64,
    /// The journal's newest hash, 64 hex digits.
    pub head: String,
    /// Bytes cut off at the end of files that a crash left torn.
    pub torn_bytes: u64,
    /// Readings (rows) that were in the tail only, and are kept.
    pub recovered_rows: u64,
    /// The store was damaged, gone, or had lost its newest records, and was filled up from the files. Cursors may be gone.
    pub store_lost: bool,
    /// What was set aside, restored or found damaged, a sentence each: for the journal and for people.
    pub notes: Vec<String>,
}

/// `archive.json`.
#[derive(Serialize, Deserialize)]
struct Label {
    format: u32,
    lab: String,
    #[serde(default)]
    created: Option<Wall>,
}

/// How long opening waits for somebody who just now reads the archive without a daemon, or for a daemon that ends.
const LOCK_WAIT: Duration = Duration::from_secs(1);

const LABEL: &str = "archive.json";
const DIRECTORIES: [&str; 5] = ["tail", "open", "runs", "loose", "journal"];

impl Archive {
    /// Opens the archive in `root`, or makes one. See [`Archive::open_with`].
    pub fn open(root: impl AsRef<Path>, lab: &str, now: Wall) -> Result<(Writer, Reader, Opened), Error> {
        Self::open_with(root, lab, now, &Options::default())
    }

    /// Opens the archive in `root`, or makes one, and puts right what a crash left: torn ends are cut, readings in
    /// the tail are kept, runs without an end become `lost`, a damaged store is set aside and made anew.
    ///
    /// # Errors
    /// [`Error::Files`] when the directory cannot be used, [`Error::InUse`], [`Error::NewerFormat`], [`Error::Store`].
    pub fn open_with(
        root: impl AsRef<Path>,
        lab: &str,
        now: Wall,
        options: &Options,
    ) -> Result<(Writer, Reader, Opened), Error> {
        let root = root.as_ref();
        fs::create_dir_all(root).map_err(Error::files(root, "create the directory"))?;
        let lock = lock_for_writing(root)?;
        let label = read_label(root)?;
        let is_new = label.is_none();
        let mut opened = Opened::default();
        if let Some(label) = label.filter(|label| label.format < FORMAT) {
            opened.notes.push(migrate(root, &label, now)?);
        }
        for name in DIRECTORIES {
            let path = root.join(name);
            fs::create_dir_all(&path).map_err(Error::files(&path, "create the directory"))?;
        }
        files::sync_directory(root).map_err(Error::files(root, "sync the directory"))?;

        let quarantine = root.join("quarantine").join(now.to_string().replace(':', "-"));
        let had_store = store_path(root).exists();
        let (store, rescue) = Store::open_or_rescue(&store_path(root), &quarantine)?;
        if let Some(rescue) = rescue {
            opened.store_lost = !rescue.complete;
            let outcome = if rescue.complete {
                "it opened again without its snapshots, complete"
            } else {
                "it is made anew from the run files, the journal's copy and safety.json"
            };
            let aside = rescue.set_aside.display();
            opened.notes.push(format!(
                "the store was damaged ({}); a copy is in {aside}; {outcome}",
                rescue.why
            ));
        }
        if is_new {
            // Last of all that makes an archive: where there is a label, there was a store.
            write_label(root, lab, now)?;
        } else if !had_store {
            opened.store_lost = true;
            opened
                .notes
                .push("the store is gone; it is made anew from the files".into());
        }

        if !is_new && let Some(why) = loss(root, &store)? {
            opened.store_lost = true;
            opened.notes.push(format!(
                "the store has lost records: {why}; it is filled up from the files"
            ));
        }

        let mut found = live::find(root)?;
        opened.recovered_rows = found.recovered_rows;
        opened
            .notes
            .extend(found.damage.iter().map(|damage| format!("damaged: {damage}")));
        cut_torn_ends(&mut found, &mut opened)?;
        finish_sealed(root, &mut found)?;
        for (path, survey) in std::mem::take(&mut found.useless) {
            put_away(&path, &survey, &quarantine, &mut opened)?;
        }

        let mut days = refill(root, &store, &found, &mut opened)?;
        let journal = copy_of_journal(root, &store, &mut opened)?;
        add_unknown_runs(&store, &found, &mut days)?;
        let ledger = Ledger(&store);
        let safety = settle_safety(root, &store, &mut opened)?;
        (opened.trips, opened.limits) = (safety.trips.clone(), safety.limits.clone());

        let (last, head) = ledger.head()?;
        (opened.next_journal, opened.head) = (last + 1, head.to_string());
        opened.next_run = ledger
            .last_run()?
            .max(highest_run(&found, root, opened.store_lost)?)
            + 1;

        let tail_number = found
            .tail_files
            .keys()
            .next_back()
            .copied()
            .unwrap_or(0)
            .max(ledger.tail_number()?)
            + 1;
        store.write(&[ledger::put_tail_number(tail_number)])?;
        let documents = ledger.revisions()?;
        let cursors = ledger.cursors()?;
        let (to_seal, cut_short) = unsealed(root, &store, &mut days)?;

        let files = std::mem::take(&mut found.open);
        let live = std::mem::take(&mut found.live);
        let facts: BTreeMap<u64, Facts> = files
            .iter()
            .filter_map(|(key, (_, survey))| match key {
                FileKey::Run(run) => Some((*run, Facts::of(survey))),
                FileKey::Loose { .. } => None,
            })
            .collect();
        let shared = Arc::new(Shared::new(root.to_owned(), lab.to_owned(), store, live, None));
        shared.damaged.store(found.damage.len() as u64, Ordering::Relaxed);
        for mut run in cut_short {
            facts
                .get(&run.run)
                .copied()
                .unwrap_or_default()
                .with_waiting(&shared, run.run)
                .end(&mut run);
            run.journal_last = run.journal_last.max(Some(last)).filter(|&n| n > 0);
            opened.lost.push(run);
        }
        let start = Start {
            lock,
            journal,
            journal_last: (last, head),
            next_run: opened.next_run,
            days,
            documents,
            cursors,
            safety,
            tail_number,
            tail_files: found.tail_files,
            files,
            to_seal,
            reserve_bytes: options.reserve_bytes,
            loose_days: options.loose_days,
        };
        let mut writer = Writer::new(Arc::clone(&shared), start)?;
        for run in &opened.lost {
            writer.put_run(run)?;
        }
        writer.commit()?;
        writer.pack_everything();
        writer.take_back_cursors()?;
        if writer.health().free_bytes < options.reserve_bytes {
            opened
                .notes
                .push("the disk is nearly full: readings outside runs are not kept".into());
        }
        Ok((writer, Reader::of(shared), opened))
    }

    /// Sets the store aside and makes it anew from the run files, the journal's copy and `safety.json`: for a store that
    /// opens but is wrong. No daemon may be running.
    ///
    /// # Errors
    /// As [`Archive::open_with`], and [`Error::NotAnArchive`].
    pub fn rebuild(root: impl AsRef<Path>, now: Wall) -> Result<Opened, Error> {
        let root = root.as_ref();
        let Some(Label { lab, .. }) = read_label(root)? else {
            return Err(Error::NotAnArchive(root.to_owned()));
        };
        let lock = lock_for_writing(root)?;
        let store = root.join("store");
        let mut aside = None;
        if store.exists() {
            aside = Some(set_aside(
                &store,
                &root.join("quarantine").join(now.to_string().replace(':', "-")),
            )?);
        }
        drop(lock);
        let (writer, _, mut opened) = Self::open(root, &lab, now)?;
        writer.close(now)?;
        opened.store_lost = true;
        opened
            .notes
            .extend(aside.map(|path| format!("the former store is in {}", path.display())));
        Ok(opened)
    }
}

/// Takes the lock that says that a daemon is at work.
fn lock_for_writing(root: &Path) -> Result<File, Error> {
    let path = root.join("lock");
    let mut file = fs::OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&path)
        .map_err(Error::files(&path, "open the lock file"))?;
    let began = Instant::now();
    while rustix::fs::flock(&file, FlockOperation::NonBlockingLockExclusive).is_err() {
        if began.elapsed() >= LOCK_WAIT {
            return Err(in_use(root, &mut file));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    file.set_len(0)
        .and_then(|()| writeln!(file, "pid {}", std::process::id()))
        .map_err(Error::files(&path, "write"))?;
    Ok(file)
}

/// Fails if a daemon is at work. A copy without lock file, or one that cannot be opened, has no daemon.
pub(crate) fn refuse_if_in_use(root: &Path) -> Result<Option<File>, Error> {
    let Ok(mut file) = File::open(root.join("lock")) else {
        return Ok(None);
    };
    match rustix::fs::flock(&file, FlockOperation::NonBlockingLockShared) {
        Ok(()) => Ok(Some(file)),
        Err(_) => Err(in_use(root, &mut file)),
    }
}

fn in_use(root: &Path, lock: &mut File) -> Error {
    let mut holder = String::new();
    let known = lock.read_to_string(&mut holder).is_ok_and(|length| length > 0);
    let holder = if known {
        holder.trim().to_owned()
    } else {
        "process unknown".to_owned()
    };
    Error::InUse {
        path: root.to_owned(),
        holder,
    }
}

/// The lab's name, or `None` if there is no archive. Fails on a newer format.
fn read_label(root: &Path) -> Result<Option<Label>, Error> {
    let path = root.join(LABEL);
    let bytes = match fs::read(&path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        bytes => bytes.map_err(Error::files(&path, "read"))?,
    };
    let label: Label = serde_json::from_slice(&bytes).map_err(|error| {
        Error::Damaged(Damage {
            path: path.clone(),
            at: 0,
            why: error.to_string(),
        })
    })?;
    if label.format > FORMAT {
        return Err(Error::NewerFormat {
            path: root.to_owned(),
            found: label.format,
            known: FORMAT,
        });
    }
    Ok(Some(label))
}

/// Makes an archive of an older format one of this. What the older version would go on with is copied first; the readings of sealed
/// files never change and are linked (runs) or left where they are (outside runs).
///
/// From 1 to 2 nothing is written anew but the label: files of format 1 are read as they are, and what they lack (coarse levels, what runs
/// were decided on) is made when it is asked for, or can't be had.
fn migrate(root: &Path, label: &Label, now: Wall) -> Result<String, Error> {
    let name = format!("format-{}.{}", label.format, now.to_string().replace(':', "-"));
    let (copy, unfinished) = (
        root.join("former").join(&name),
        root.join("former").join(name + ".part"),
    );
    if unfinished.exists() {
        fs::remove_dir_all(&unfinished).map_err(Error::files(&unfinished, "remove the unfinished copy"))?;
    }
    fs::create_dir_all(&unfinished).map_err(Error::files(&unfinished, "create the directory"))?;
    for name in ["store", "journal", "documents", "tail", "open"] {
        if root.join(name).exists() {
            files::copy_tree(&root.join(name), &unfinished.join(name), &|_| false)?;
        }
    }
    for name in [LABEL, "safety.json"] {
        let (from, to) = (root.join(name), unfinished.join(name));
        if from.exists() {
            fs::copy(&from, &to).map_err(Error::files(&from, "copy"))?;
        }
    }
    for year in files::list(&root.join("runs"))? {
        let to = unfinished.join("runs").join(year.file_name().unwrap_or_default());
        fs::create_dir_all(&to).map_err(Error::files(&to, "create the directory"))?;
        for path in files::list(&year)? {
            let to = to.join(path.file_name().unwrap_or_default());
            // A file system without links takes a copy.
            fs::hard_link(&path, &to)
                .or_else(|_| fs::copy(&path, &to).map(drop))
                .map_err(Error::files(&path, "copy"))?;
        }
    }
    fs::rename(&unfinished, &copy).map_err(Error::files(&unfinished, "rename the copy"))?;
    for path in [&*root.join("former"), root] {
        files::sync_directory(path).map_err(Error::files(path, "sync the directory"))?;
    }
    write_label(root, &label.lab, label.created.unwrap_or(now))?;
    Ok(format!(
        "the archive was of format {} and is of format {FORMAT} now; what it was is kept in {}, for as long as you want to go back",
        label.format,
        copy.display()
    ))
}

fn write_label(root: &Path, lab: &str, created: Wall) -> Result<(), Error> {
    let label = Label {
        format: FORMAT,
        lab: lab.into(),
        created: Some(created),
    };
    let json = serde_json::to_vec_pretty(&label).expect("plain values make JSON");
    let path = root.join(LABEL);
    files::write_whole(&path, &json).map_err(Error::files(&path, "write"))
}

/// The lab's name of an archive that is there.
pub(crate) fn lab_of(root: &Path) -> Result<String, Error> {
    read_label(root)?
        .map(|label| label.lab)
        .ok_or_else(|| Error::NotAnArchive(root.to_owned()))
}

fn cut_torn_ends(found: &mut Found, opened: &mut Opened) -> Result<(), Error> {
    for (path, whole, length) in std::mem::take(&mut found.torn) {
        opened.torn_bytes += length - whole;
        let file = fs::OpenOptions::new().write(true).open(&path);
        file.and_then(|file| file.set_len(whole))
            .map_err(Error::files(&path, "cut off the torn end"))?;
    }
    for (_, survey) in found.open.values().filter(|(_, survey)| !survey.sealed) {
        opened.torn_bytes += survey.length - survey.whole;
    }
    Ok(())
}

/// Files that were sealed and had not got their final name when the crash came.
fn finish_sealed(root: &Path, found: &mut Found) -> Result<(), Error> {
    let sealed = found.open.extract_if(.., |_, (_, survey)| survey.sealed);
    for (key, (path, survey)) in sealed {
        let started = survey
            .record
            .as_ref()
            .map_or_else(Wall::default, |record| record.started);
        run_file::put_in_place(&path, root, &key, started)?;
    }
    Ok(())
}

/// An open file that holds nothing, or whose run is sealed already.
fn put_away(path: &Path, survey: &Survey, quarantine: &Path, opened: &mut Opened) -> Result<(), Error> {
    let has_something = survey.last_place.is_some() || survey.record.is_some() || !survey.damage.is_empty();
    if has_something && survey.length > 0 {
        let aside = set_aside(path, quarantine)?;
        opened.notes.push(format!(
            "{} could not be gone on with and is in {}",
            path.display(),
            aside.display()
        ));
    } else {
        opened.torn_bytes += survey.length;
        fs::remove_file(path).map_err(Error::files(path, "remove the empty file"))?;
    }
    Ok(())
}

/// What shows that the store is not what it was when it was last written: it cuts its log at a damaged place and
/// says nothing. Changes nothing.
pub(crate) fn loss(root: &Path, store: &Store) -> Result<Option<String>, Error> {
    let ledger = Ledger(store);
    if ledger.tail_number()? == 0 {
        return Ok(Some("it is empty".into()));
    }
    let (last, _) = ledger.head()?;
    let copied = journal_file::last(&root.join("journal"))?;
    if copied > last {
        return Ok(Some(format!(
            "its journal ends at entry {last}, the copy at {copied}"
        )));
    }
    let (here, there) = (
        ledger.safety_version()?,
        Safety::read(&safety_path(root))?.map_or(0, |safety| safety.version),
    );
    Ok((there > here)
        .then(|| format!("its trips and limits have version {here}, those in safety.json {there}")))
}

fn safety_path(root: &Path) -> PathBuf {
    root.join("safety.json")
}

/// Brings into a store that has lost something what the files have. Changes nothing but the store.
pub(crate) fn refill(root: &Path, store: &Store, found: &Found, opened: &mut Opened) -> Result<Days, Error> {
    let ledger = Ledger(store);
    let mut days = ledger.days()?;
    if !opened.store_lost {
        return Ok(days);
    }
    let mut newest: Option<(Hash, Entry)> = None;
    let (mut groups, mut restored) = (Vec::new(), 0_u64);
    let mut failed = None;
    each_record(root, found, &mut |survey| {
        newest = newest
            .take()
            .into_iter()
            .chain(survey.journal)
            .max_by_key(|(_, entry)| entry.n);
        let Some(record) = survey.record else { return };
        let known = ledger.run(record.run).unwrap_or_else(|failure| {
            failed = Some(failure);
            None
        });
        if known
            .as_ref()
            .is_none_or(|known| record.has_ended() && !known.has_ended())
            && let Ok(group) = ledger::put_run(&record, known.as_ref(), survey.sealed, &mut days)
        {
            groups.push(group);
            groups.extend(recipe_of(&record));
            restored += 1;
        }
    })?;
    document_file::read(root, &mut |kind, document| match ledger.document(
        kind,
        &document.name,
        Some(document.revision),
    ) {
        Ok(Some(_)) => {}
        Ok(None) => groups.extend(ledger::put_document(kind, &document)),
        Err(failure) => failed = Some(failure),
    })?;
    if let Some(failure) = failed {
        return Err(failure.into());
    }
    store.write(&groups)?;
    if restored > 0 {
        opened.notes.push(format!(
            "{restored} runs were brought back into the store from their files"
        ));
    }
    let (last, head) = ledger.head()?;
    let (groups, broken) = journal_beyond(root, last, head)?;
    if !groups.is_empty() {
        let count = groups.len();
        store.write(&groups)?;
        opened.notes.push(format!(
            "{count} journal entries were brought back into the store from its copy"
        ));
    } else if let Some((before, entry)) = newest.filter(|_| last == 0) {
        // Neither store nor copy: the chain goes on behind the last entry that a run file knows.
        let n = entry.n;
        store.write(&[ledger::put_base(n, before), ledger::put_entry(&entry)])?;
        opened.notes.push(format!(
            "the journal before entry {n} is lost; it goes on from the newest one in the run files"
        ));
    }
    if let Some(at) = broken {
        opened.notes.push(format!(
            "the journal's copy does not hold together at entry {at}; it is not used from there on"
        ));
    }
    Ok(days)
}

/// Opens the journal's copy and brings it up to the store.
fn copy_of_journal(root: &Path, store: &Store, opened: &mut Opened) -> Result<JournalFile, Error> {
    let ledger = Ledger(store);
    let (last, head) = ledger.head()?;
    let mut copy = JournalFile::open(root.join("journal"))?;
    if copy.last().0 > last || (copy.last().0 == last && copy.last().1 != head) {
        opened.notes.push(format!(
            "the journal and its copy differ at entry {last}; the copy goes on in a new file"
        ));
        copy.begin_anew();
    }
    let from = copy.last().0 + 1;
    if from <= last {
        let missing: Result<Vec<Entry>, _> = ledger.entries(from).collect();
        copy.append(&missing?)?;
        copy.sync()?;
    }
    Ok(copy)
}

/// Runs of which there is a file or a reading, but no record: the store that knew them is lost, or they began
/// a moment before a crash.
fn add_unknown_runs(store: &Store, found: &Found, days: &mut Days) -> Result<(), Error> {
    let ledger = Ledger(store);
    let mut unknown: BTreeMap<u64, RunRecord> = BTreeMap::new();
    for (key, (_, survey)) in &found.open {
        if let FileKey::Run(run) = key {
            let station = survey
                .about
                .as_ref()
                .map(|about| about.station.clone())
                .unwrap_or_default();
            let started = survey.first_wall.unwrap_or_default();
            let bare = RunRecord {
                run: *run,
                station,
                started,
                ..RunRecord::default()
            };
            unknown.insert(*run, survey.record.clone().unwrap_or(bare));
        }
    }
    for station in &found.live.stations {
        for segment in &station.segments {
            if let (Some(run), Some(first)) = (segment.run, segment.columns.scans().next()) {
                let station = station.name.clone();
                let (started, started_mono_ms) = (first.at, first.mono_ms);
                unknown.entry(run).or_insert(RunRecord {
                    run,
                    station,
                    started,
                    started_mono_ms,
                    ..RunRecord::default()
                });
            }
        }
    }
    for (run, record) in unknown {
        if ledger.run(run)?.is_none() {
            store.write(&[ledger::put_run(&record, None, false, days)?])?;
        }
    }
    Ok(())
}

/// Entries of the copy that continue the chain after `last`, and where it breaks, if it does.
fn journal_beyond(root: &Path, last: u64, head: Hash) -> Result<(Vec<Group>, Option<u64>), Error> {
    let (mut groups, mut broken) = (Vec::new(), None);
    let (mut next, mut before) = (last + 1, head);
    journal_file::read(&root.join("journal"), next, &mut |entry| {
        if groups.is_empty() && last == 0 && entry.n > 1 && broken.is_none() {
            // The copy's own beginning is gone: nothing before its first entry can be checked.
            next = entry.n;
            broken = None;
            groups.push(ledger::put_base(entry.n, before));
            groups.push(ledger::put_entry(&entry));
        } else if broken.is_none()
            && entry.n == next
            && Hash::of(&[&before.0, entry.line.as_bytes()]) == entry.hash
        {
            groups.push(ledger::put_entry(&entry));
        } else {
            broken.get_or_insert(next);
            return;
        }
        next += 1;
        before = entry.hash;
    })?;
    Ok((groups, broken))
}

/// All run files, sealed and open.
fn each_record(root: &Path, found: &Found, each: &mut dyn FnMut(Survey)) -> Result<(), Error> {
    for year in files::list(&root.join("runs"))? {
        for path in files::list(&year)? {
            each(run_file::survey(&path)?);
        }
    }
    for (key, (path, _)) in &found.open {
        if matches!(key, FileKey::Run(_)) {
            each(run_file::survey(path)?);
        }
    }
    Ok(())
}

/// The recipe that a run carried out, as a revision.
fn recipe_of(record: &RunRecord) -> Option<Group> {
    let named = !record.recipe.is_empty() && record.revision > 0;
    let revision = ledger::Revision {
        name: record.recipe.clone(),
        revision: record.revision,
        text: record.recipe_text.clone(),
    };
    named
        .then(|| ledger::put_document(ledger::Document::Recipe, &revision).ok())
        .flatten()
}

/// Trips and limits, the newer of store and `safety.json`; both have them then.
fn settle_safety(root: &Path, store: &Store, opened: &mut Opened) -> Result<Safety, Error> {
    let ledger = Ledger(store);
    let in_store = Safety {
        version: ledger.safety_version()?,
        trips: ledger.trips()?,
        limits: ledger.limits()?,
    };
    let in_file = Safety::read(&safety_path(root))?;
    match in_file {
        Some(in_file) if in_file.version > in_store.version => {
            let gone = each_trip(&in_store.trips)
                .map(|(station, interlock, _)| ledger::put_trip(station, interlock, None));
            let trips = each_trip(&in_file.trips)
                .map(|(station, interlock, trip)| ledger::put_trip(station, interlock, Some(trip)));
            let limits = in_file
                .limits
                .iter()
                .map(|(name, celsius)| ledger::put_limit(name, *celsius));
            let mut groups: Vec<Group> = gone.chain(trips).chain(limits).collect();
            groups.push(ledger::put_safety_version(in_file.version));
            store.write(&groups)?;
            Ok(in_file)
        }
        in_file => {
            if in_file.is_none() && opened.store_lost {
                opened.notes.push(
                    "safety.json is lost too: trips and limits may be missing; check every station".into(),
                );
            }
            if in_file.as_ref() != Some(&in_store) {
                in_store.write(&safety_path(root))?;
            }
            Ok(in_store)
        }
    }
}

fn each_trip(trips: &Trips) -> impl Iterator<Item = (&str, &str, &serde_json::Value)> {
    trips.iter().flat_map(|(station, by_interlock)| {
        by_interlock
            .iter()
            .map(move |(interlock, trip)| (station.as_str(), interlock.as_str(), trip))
    })
}

/// The highest run number that a file or a reading knows: a number is never given twice.
fn highest_run(found: &Found, root: &Path, store_lost: bool) -> Result<u64, Error> {
    let open = found.open.keys().filter_map(|key| match key {
        FileKey::Run(run) => Some(*run),
        FileKey::Loose { .. } => None,
    });
    let segments = found.live.stations.iter().flat_map(|station| &station.segments);
    let mut highest = open
        .chain(segments.filter_map(|segment| segment.run))
        .max()
        .unwrap_or(0);
    if store_lost {
        for year in files::list(&root.join("runs"))? {
            for path in files::list(&year)? {
                let number = path
                    .file_stem()
                    .and_then(|stem| stem.to_str()?.strip_prefix("run-")?.parse().ok());
                highest = highest.max(number.unwrap_or(0));
            }
        }
    }
    Ok(highest)
}

/// Runs whose file is not sealed: those that have ended are to be sealed, those that have not are lost.
fn unsealed(root: &Path, store: &Store, days: &mut Days) -> Result<(BTreeSet<u64>, Vec<RunRecord>), Error> {
    let (mut ended, mut lost) = (BTreeSet::new(), Vec::new());
    for run in Ledger(store).unsealed_runs()? {
        if let Some(path) = FileKey::Run(run.run).sealed(root)?.first() {
            // The crash came between the file and the store.
            let record = run_file::survey(path)?.record.unwrap_or_else(|| run.clone());
            store.write(&[ledger::put_run(&record, Some(&run), true, days)?])?;
        } else if run.has_ended() {
            ended.insert(run.run);
        } else {
            lost.push(run);
        }
    }
    Ok((ended, lost))
}

/// What the readings of a lost run say about its end.
#[derive(Clone, Copy, Default)]
struct Facts {
    last: Option<(Wall, u64)>,
    peak_celsius: Option<f64>,
}

impl Facts {
    fn of(survey: &Survey) -> Self {
        Self {
            last: survey.last_time,
            peak_celsius: survey.peak_celsius,
        }
    }

    fn with_waiting(mut self, shared: &Shared, run: u64) -> Self {
        for station in &shared.live().stations {
            for segment in station.segments.iter().filter(|segment| segment.run == Some(run)) {
                self.last = segment.columns.last_time().or(self.last);
                self.peak_celsius = run_file::hotter(self.peak_celsius, segment.columns.peak_celsius());
            }
        }
        self
    }

    /// Ends the run where its readings end.
    fn end(self, run: &mut RunRecord) {
        let (ended, mono) = self.last.unwrap_or((run.started, run.started_mono_ms));
        // A run whose outcome was decided and whose board was still cooling has lost its end, not its outcome.
        run.outcome.get_or_insert(Outcome::Lost);
        run.ended = Some(ended);
        run.ended_mono_ms = Some(mono);
        run.peak_celsius = run_file::hotter(run.peak_celsius, self.peak_celsius);
    }
}

/// Where the parts of an archive are; for [`Reader::open`](crate::Reader::open).
pub(crate) fn store_path(root: &Path) -> PathBuf {
    root.join("store")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sealed_runs_are_not_looked_at_again() {
        let dir = tempfile::tempdir().unwrap();
        let (mut writer, _, _) = Archive::open(dir.path(), "larkfield", Wall(0)).unwrap();
        for run in 1..=3 {
            writer
                .put_run(&RunRecord {
                    run,
                    ended: Some(Wall(0)),
                    ..RunRecord::default()
                })
                .unwrap();
        }
        writer.close(Wall(0)).unwrap();
        let store = Store::open(&store_path(dir.path())).unwrap();
        assert_eq!(Ledger(&store).unsealed_runs().unwrap(), []);
    }
}
