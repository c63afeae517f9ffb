//! Runs, documents, trips, limits, cursors and the journal as keys and values of the store.
//!
//! | key | value |
//! |---|---|
//! | `r` run | the run's record, JSON; the recipe's text stands apart, under its hash |
//! | `x` SHA-256 | a text |
//! | `o` run | empty: the run's file is not sealed |
//! | `i` field, 16 bytes of the value's SHA-256, run | empty: the run has this value in this field |
//! | `d` day | lowest and highest number of the runs that began on that UTC day |
//! | `j` number | a journal entry: hash, line |
//! | `k` run, number | empty: the entry names the run |
//! | `b` | the number of the journal's first entry, and the hash before it; absent: 1 and zero |
//! | `c` kind, name, 0, revision | SHA-256 of a document's text |
//! | `t` station, 0, interlock | a standing trip, JSON |
//! | `l` key | a limit, degrees Celsius, f64 |
//! | `u` consumer | how far it has acknowledged |
//! | `n` | number of a recent tail file; set at every opening, so never absent |
//! | `v` | version of trips and limits, as in `safety.json` |
//!
//! Numbers in keys are big-endian, so that their order is the keys'. Runs are listed by number, newest first: a number never goes back, the wall clock may.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::cursor::Cursor;
use crate::error::Error;
use crate::journal::{Entry, Hash, JournalQuery, Order, Verified, Walk};
use crate::run::{Query, RunRecord};
use crate::store::{Failure, Group, Store, VALUE_MAX};
use crate::wall::Wall;

/// What has revisions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Document {
    /// A recipe.
    Recipe,
    /// A process window.
    Window,
    /// A board model.
    BoardModel,
    /// The calibration of a channel.
    Calibration,
}

impl Document {
    pub(crate) const ALL: [Self; 4] = [Self::Recipe, Self::Window, Self::BoardModel, Self::Calibration];

    fn code(self) -> u8 {
        match self {
            Self::Recipe => b'r',
            Self::Window => b'w',
            Self::BoardModel => b'm',
            Self::Calibration => b's',
        }
    }

    fn from_code(code: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.code() == code)
    }

    fn word(self) -> &'static str {
        match self {
            Self::Recipe => "recipe",
            Self::Window => "window",
            Self::BoardModel => "board model",
            Self::Calibration => "calibration of",
        }
    }
}

/// A document as it was put. A revision never changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Revision {
    /// Its name.
    pub name: String,
    /// Counted from 1.
    pub revision: u32,
    /// The whole text.
    pub text: String,
}

/// A run's record as it is stored: the recipe's text by its hash, since thousands of runs share one.
#[derive(Serialize, Deserialize)]
struct Stored<R> {
    text: String,
    record: R,
}

/// As much of a run's record as says whose readings it has.
#[derive(Deserialize)]
pub(crate) struct RunBegun {
    pub(crate) run: u64,
    pub(crate) station: String,
    pub(crate) started: Wall,
}

/// Fields by which runs are found.
const FIELDS: [u8; 6] = *b"aroswv";

/// The values of [`FIELDS`]: serial, recipe, operator, station, outcome, verdict.
fn fields(run: &RunRecord) -> [Option<&str>; 6] {
    [
        Some(&run.serial),
        Some(&run.recipe),
        Some(&run.operator),
        Some(&run.station),
        run.outcome.map(crate::run::Outcome::name),
        Some(run.verdict.name()),
    ]
}

fn wanted(query: &Query) -> [Option<&str>; 6] {
    [
        query.serial.as_deref(),
        query.recipe.as_deref(),
        query.operator.as_deref(),
        query.station.as_deref(),
        query.outcome.map(crate::run::Outcome::name),
        query.verdict.map(crate::run::Verdict::name),
    ]
}

fn key(first: u8, parts: &[&[u8]]) -> Vec<u8> {
    let mut key = vec![first];
    for part in parts {
        key.extend_from_slice(part);
    }
    key
}

/// A name as part of a key: NUL ends names there, so there is none inside.
fn plain(name: &str) -> String {
    name.replace('\0', "\u{fffd}")
}

fn run_key(run: u64) -> Vec<u8> {
    key(b'r', &[&run.to_be_bytes()])
}

fn entry_key(n: u64) -> Vec<u8> {
    key(b'j', &[&n.to_be_bytes()])
}

fn index_prefix(field: u8, value: &str) -> Vec<u8> {
    key(b'i', &[&[field], &Hash::of(&[value.as_bytes()]).0[..16]])
}

/// Days before 1970 come before those after.
fn day_key(day: i32) -> Vec<u8> {
    key(b'd', &[&(day.cast_unsigned() ^ 1 << 31).to_be_bytes()])
}

fn last_u64(key: &[u8]) -> Option<u64> {
    key.last_chunk().copied().map(u64::from_be_bytes)
}

/// The lowest and highest run of each day.
pub(crate) type Days = BTreeMap<i32, (u64, u64)>;

/// Puts a run's record and everything by which it is found; `old` is the record as it was, `sealed` whether its file is.
pub(crate) fn put_run(
    run: &RunRecord,
    old: Option<&RunRecord>,
    sealed: bool,
    days: &mut Days,
) -> Result<Group, Error> {
    let text = Hash::of(&[run.recipe_text.as_bytes()]);
    let record = RunRecord {
        recipe_text: String::new(),
        ..run.clone()
    };
    let value = serde_json::to_vec(&Stored {
        text: text.to_string(),
        record: &record,
    })
    .expect("plain values make JSON");
    for (what, bytes) in [("record", value.len()), ("recipe", run.recipe_text.len())] {
        if bytes > VALUE_MAX {
            return Err(Error::TooLarge {
                what: format!("{what} of run {}", run.run),
                bytes,
                limit: VALUE_MAX,
            });
        }
    }
    let number = run.run.to_be_bytes();
    let mut group = vec![
        (key(b'x', &[&text.0]), Some(run.recipe_text.clone().into_bytes())),
        (run_key(run.run), Some(value)),
        (key(b'o', &[&number]), (!sealed).then(Vec::new)),
    ];
    let old = old.map_or([None; 6], fields);
    for ((field, new), old) in FIELDS.into_iter().zip(fields(run)).zip(old) {
        let at = |value| key(b'i', &[&index_prefix(field, value)[1..], &number]);
        if let Some(old) = old.filter(|_| old != new) {
            group.push((at(old), None));
        }
        if let Some(new) = new.filter(|_| old != new) {
            group.push((at(new), Some(Vec::new())));
        }
    }
    let day = run.started.day();
    let span = days.entry(day).or_insert((run.run, run.run));
    *span = (span.0.min(run.run), span.1.max(run.run));
    let value = [span.0.to_be_bytes(), span.1.to_be_bytes()].concat();
    group.push((day_key(day), Some(value)));
    Ok(group)
}

/// The run's file is sealed.
pub(crate) fn mark_sealed(run: u64) -> Group {
    vec![(key(b'o', &[&run.to_be_bytes()]), None)]
}

/// Puts a journal entry.
pub(crate) fn put_entry(entry: &Entry) -> Group {
    let value = [&entry.hash.0[..], entry.line.as_bytes()].concat();
    let mut group = vec![(entry_key(entry.n), Some(value))];
    if let Some(run) = entry.entry.run {
        group.push((
            key(b'k', &[&run.to_be_bytes(), &entry.n.to_be_bytes()]),
            Some(Vec::new()),
        ));
    }
    group
}

/// The journal begins with `first`, after an entry of hash `before`.
pub(crate) fn put_base(first: u64, before: Hash) -> Group {
    vec![(
        b"b".to_vec(),
        Some([&first.to_be_bytes()[..], &before.0].concat()),
    )]
}

/// Puts a revision of a document.
pub(crate) fn put_document(kind: Document, revision: &Revision) -> Result<Group, Error> {
    let Revision { name, revision, text } = revision;
    let too_large = |bytes, limit| Error::TooLarge {
        what: format!("{} `{name}`", kind.word()),
        bytes,
        limit,
    };
    if text.len() > VALUE_MAX {
        return Err(too_large(text.len(), VALUE_MAX));
    }
    if name.len() > 1024 {
        return Err(too_large(name.len(), 1024));
    }
    let hash = Hash::of(&[text.as_bytes()]);
    let at = key(
        b'c',
        &[
            &[kind.code()],
            plain(name).as_bytes(),
            &[0],
            &revision.to_be_bytes(),
        ],
    );
    Ok(vec![
        (key(b'x', &[&hash.0]), Some(text.clone().into_bytes())),
        (at, Some(hash.0.to_vec())),
    ])
}

/// Puts or clears a standing trip.
pub(crate) fn put_trip(station: &str, interlock: &str, trip: Option<&serde_json::Value>) -> Group {
    let at = key(
        b't',
        &[plain(station).as_bytes(), &[0], plain(interlock).as_bytes()],
    );
    vec![(at, trip.map(|trip| trip.to_string().into_bytes()))]
}

/// Puts a limit.
pub(crate) fn put_limit(name: &str, celsius: f64) -> Group {
    vec![(
        key(b'l', &[name.as_bytes()]),
        Some(celsius.to_be_bytes().to_vec()),
    )]
}

/// Puts how far a consumer has come.
///
/// # Errors
/// [`Error::TooLarge`]: it has begun with too many series at once.
pub(crate) fn put_cursor(consumer: &str, cursor: &Cursor) -> Result<Group, Error> {
    let value = serde_json::to_vec(cursor).expect("plain values make JSON");
    if value.len() > VALUE_MAX {
        return Err(Error::TooLarge {
            what: format!("cursor of {consumer}"),
            bytes: value.len(),
            limit: VALUE_MAX,
        });
    }
    Ok(vec![(key(b'u', &[consumer.as_bytes()]), Some(value))])
}

/// Puts the version of trips and limits.
pub(crate) fn put_safety_version(version: u64) -> Group {
    vec![(b"v".to_vec(), Some(version.to_be_bytes().to_vec()))]
}

/// Puts the number of the newest tail file.
pub(crate) fn put_tail_number(n: u64) -> Group {
    vec![(b"n".to_vec(), Some(n.to_be_bytes().to_vec()))]
}

/// Trips by station and interlock.
pub(crate) type Trips = BTreeMap<String, BTreeMap<String, serde_json::Value>>;

/// The store, read as what it means.
pub(crate) struct Ledger<'a>(pub(crate) &'a Store);

/// A value that is not what its key promises. The store checks what it reads, so this is a fault of ours or of somebody's editing.
fn odd(what: impl std::fmt::Display) -> Failure {
    Failure {
        corrupt: false,
        text: format!("{what} makes no sense"),
    }
}

/// Keys and values of the store, one after the other.
type Entries<'a> = Box<dyn Iterator<Item = Result<(Vec<u8>, Vec<u8>), Failure>> + 'a>;

/// A way down through a list of runs, newest first.
struct Descent<'a> {
    store: &'a Store,
    list: &'a [u8],
    entries: Option<Entries<'a>>,
    /// The run that was reached.
    at: Option<u64>,
}

impl<'a> Descent<'a> {
    /// Steps before the next run is looked up instead: looking one up costs as much as some ten steps. Where several things are asked for,
    /// most ways from one candidate to the next are shorter.
    const STEPS_MAX: usize = 12;

    fn new(store: &'a Store, list: &'a [u8]) -> Self {
        Self {
            store,
            list,
            entries: None,
            at: None,
        }
    }

    /// The newest run of the list that isn't newer than `target`, which never rises.
    fn down_to(&mut self, target: u64) -> Result<Option<u64>, Failure> {
        let mut steps = 0;
        loop {
            match self.at {
                Some(at) if at <= target => return Ok(Some(at)),
                Some(_) if steps < Self::STEPS_MAX => steps += 1,
                Some(_) | None => {
                    let from = [self.list, &target.to_be_bytes()].concat();
                    self.entries = Some(Box::new(self.store.scan_back(self.list, &from)));
                }
            }
            let Some(pair) = self.entries.as_mut().and_then(Iterator::next) else {
                return Ok(None);
            };
            self.at = Some(last_u64(&pair?.0).ok_or_else(|| odd("an index"))?);
        }
    }
}

impl Ledger<'_> {
    fn text(&self, hash: Hash) -> Result<String, Failure> {
        let bytes = self
            .0
            .value(&key(b'x', &[&hash.0]))?
            .ok_or_else(|| odd(format_args!("the reference to text {hash}")))?;
        String::from_utf8(bytes).map_err(|_| odd(format_args!("text {hash}")))
    }

    fn stored_run(
        &self,
        run: u64,
        value: &[u8],
        texts: &mut BTreeMap<String, String>,
    ) -> Result<RunRecord, Failure> {
        let Stored { text, mut record }: Stored<RunRecord> = serde_json::from_slice(value)
            .map_err(|error| odd(format_args!("record of run {run}: {error}; it")))?;
        record.recipe_text = if let Some(known) = texts.get(&text) {
            known.clone()
        } else {
            let hash = text
                .parse()
                .map_err(|()| odd(format_args!("record of run {run}")))?;
            let known = self.text(hash)?;
            texts.entry(text).or_insert(known).clone()
        };
        Ok(record)
    }

    pub(crate) fn run(&self, run: u64) -> Result<Option<RunRecord>, Failure> {
        let value = self.0.value(&run_key(run))?;
        value
            .map(|value| self.stored_run(run, &value, &mut BTreeMap::new()))
            .transpose()
    }

    /// Runs whose file is not sealed.
    pub(crate) fn unsealed_runs(&self) -> Result<Vec<RunRecord>, Failure> {
        let mut runs = Vec::new();
        for pair in self.0.scan(b"o", None) {
            let number = last_u64(&pair?.0).ok_or_else(|| odd("the list of unsealed runs"))?;
            runs.extend(self.run(number)?);
        }
        Ok(runs)
    }

    /// Highest number of a run, 0 if there is none.
    pub(crate) fn last_run(&self) -> Result<u64, Failure> {
        let last = self.0.scan_back(b"r", &run_key(u64::MAX)).next().transpose()?;
        Ok(last.and_then(|(key, _)| last_u64(&key)).unwrap_or(0))
    }

    /// Numbers of the runs that began in these days lie between these, if there are any.
    fn between(&self, query: &Query) -> Result<Option<(u64, u64)>, Failure> {
        if query.from.is_none() && query.to.is_none() {
            return Ok(Some((0, u64::MAX)));
        }
        let from = day_key(query.from.map_or(i32::MIN, Wall::day));
        let to = day_key(query.to.map_or(i32::MAX, Wall::day));
        let mut hull = None;
        for pair in self.0.scan(b"d", Some(&from)) {
            let (key, value) = pair?;
            if key > to {
                break;
            }
            let (low, high) = day_span(&value).ok_or_else(|| odd("the list of days"))?;
            hull = Some(hull.map_or((low, high), |(lowest, highest): (u64, u64)| {
                (lowest.min(low), highest.max(high))
            }));
        }
        Ok(hull)
    }

    /// Version of trips and limits.
    pub(crate) fn safety_version(&self) -> Result<u64, Failure> {
        Ok(self
            .0
            .value(b"v")?
            .and_then(|value| last_u64(&value))
            .unwrap_or(0))
    }

    /// The runs that the query asks for.
    ///
    /// Each given field has a list of run numbers. They are walked downwards together: the lowest of their next
    /// numbers is where all of them go on, so that runs which lack one of the fields are jumped over, not read.
    pub(crate) fn runs(&self, query: &Query) -> Result<Vec<RunRecord>, Failure> {
        let limit = if query.limit == 0 {
            Query::PAGE
        } else {
            query.limit
        };
        let Some((lowest, highest)) = self.between(query)? else {
            return Ok(Vec::new());
        };
        let lists: Vec<Vec<u8>> = FIELDS
            .into_iter()
            .zip(wanted(query))
            .filter_map(|(field, value)| Some(index_prefix(field, value?)))
            .collect();
        // Where nothing is asked for, all runs are the list.
        let all = [vec![b'r']];
        let mut lists: Vec<Descent<'_>> = if lists.is_empty() { &all[..] } else { &lists[..] }
            .iter()
            .map(|list| Descent::new(self.0, list))
            .collect();
        let mut next = match query.before_run {
            Some(0) => None,
            Some(before) => Some(highest.min(before - 1)),
            None => Some(highest),
        };
        let (mut runs, mut texts) = (Vec::new(), BTreeMap::new());
        'candidate: while let Some(target) = next.filter(|&target| target >= lowest && runs.len() < limit) {
            for list in &mut lists {
                let Some(found) = list.down_to(target)? else {
                    break 'candidate;
                };
                if found < target {
                    next = Some(found);
                    continue 'candidate;
                }
            }
            if let Some(value) = self.0.value(&run_key(target))? {
                let run = self.stored_run(target, &value, &mut texts)?;
                if query.matches(&run) {
                    runs.push(run);
                }
            }
            next = target.checked_sub(1);
        }
        Ok(runs)
    }

    pub(crate) fn days(&self) -> Result<Days, Failure> {
        self.0
            .scan(b"d", None)
            .map(|pair| {
                let (key, value) = pair?;
                let day = key
                    .get(1..5)
                    .and_then(|day| day.try_into().ok())
                    .map(u32::from_be_bytes);
                let day = day.ok_or_else(|| odd("the list of days"))?;
                Ok((
                    (day ^ 1 << 31).cast_signed(),
                    day_span(&value).ok_or_else(|| odd("the list of days"))?,
                ))
            })
            .collect()
    }

    /// The newest entry's number and hash; 0 and zero if there is none.
    pub(crate) fn head(&self) -> Result<(u64, Hash), Failure> {
        match self.0.scan_back(b"j", &entry_key(u64::MAX)).next().transpose()? {
            Some((key, value)) => {
                let (n, hash, _) = entry_parts(&key, &value)?;
                Ok((n, hash))
            }
            None => self.base().map(|(first, before)| (first - 1, before)),
        }
    }

    /// Number of the first entry, and the hash before it.
    fn base(&self) -> Result<(u64, Hash), Failure> {
        let Some(value) = self.0.value(b"b")? else {
            return Ok((1, Hash::ZERO));
        };
        let parts = value
            .split_first_chunk::<8>()
            .and_then(|(first, before)| Some((u64::from_be_bytes(*first), Hash(before.try_into().ok()?))));
        parts
            .filter(|(first, _)| *first > 0)
            .ok_or_else(|| odd("the journal's beginning"))
    }

    /// Entries from number `from` on.
    pub(crate) fn entries(&self, from: u64) -> impl Iterator<Item = Result<Entry, Failure>> + '_ {
        self.0.scan(b"j", Some(&entry_key(from))).map(|pair| {
            let (key, value) = pair?;
            entry(&key, &value)
        })
    }

    /// Entries that name the run, oldest first.
    pub(crate) fn entries_of_run(&self, run: u64) -> Result<Vec<Entry>, Failure> {
        let prefix = key(b'k', &[&run.to_be_bytes()]);
        let mut entries = Vec::new();
        for pair in self.0.scan(&prefix, None) {
            let n = last_u64(&pair?.0).ok_or_else(|| odd("an index"))?;
            if let Some(value) = self.0.value(&entry_key(n))? {
                entries.push(entry(&entry_key(n), &value)?);
            }
        }
        Ok(entries)
    }

    /// Hash of the entry before `n`.
    pub(crate) fn hash_before(&self, n: u64) -> Result<Hash, Failure> {
        let (first, before) = self.base()?;
        if n <= first {
            return Ok(before);
        }
        let value = self
            .0
            .value(&entry_key(n - 1))?
            .ok_or_else(|| odd(format_args!("the gap before entry {n}")))?;
        entry_parts(&entry_key(n - 1), &value).map(|(_, hash, _)| hash)
    }

    pub(crate) fn journal(&self, query: &JournalQuery) -> Result<Vec<Entry>, Failure> {
        let limit = if query.limit == 0 {
            JournalQuery::PAGE
        } else {
            query.limit
        };
        let mut entries = Vec::new();
        let mut take = |found: Result<Entry, Failure>| -> Result<bool, Failure> {
            let found = found?;
            if query.matches(&found.entry) {
                entries.push(found);
            }
            Ok(entries.len() < limit)
        };
        let newest_first = query.order == Order::NewestFirst;
        let from = query.from.unwrap_or(if newest_first { u64::MAX } else { 0 });
        if let Some(run) = query.run {
            let mut of_run = self.entries_of_run(run)?;
            of_run.retain(|entry| {
                if newest_first {
                    entry.n <= from
                } else {
                    entry.n >= from
                }
            });
            if newest_first {
                of_run.reverse();
            }
            for found in of_run {
                if !take(Ok(found))? {
                    break;
                }
            }
        } else if newest_first {
            for pair in self.0.scan_back(b"j", &entry_key(from)) {
                if !take(pair.and_then(|(key, value)| entry(&key, &value)))? {
                    break;
                }
            }
        } else {
            for found in self.entries(from) {
                if !take(found)? {
                    break;
                }
            }
        }
        Ok(entries)
    }

    pub(crate) fn verify(&self) -> Result<Verified, Failure> {
        let (first, before) = self.base()?;
        let mut walk = Walk::new(first, before);
        for pair in self.0.scan(b"j", None) {
            let (key, value) = pair?;
            match entry_parts(&key, &value) {
                Ok((n, hash, line)) => walk.step(n, hash, line),
                Err(failure) => walk.bad(last_u64(&key).unwrap_or(0), failure.text),
            }
        }
        Ok(walk.end())
    }

    /// All revisions of all documents, by kind and name, ascending, with the hash of their text.
    pub(crate) fn revisions(&self) -> Result<Vec<(Document, String, u32, Hash)>, Failure> {
        let mut found = Vec::new();
        for pair in self.0.scan(b"c", None) {
            let (key, value) = pair?;
            let parts = (|| {
                let (rest, revision) = key.get(2..)?.split_last_chunk::<4>()?;
                let name = String::from_utf8(rest.strip_suffix(&[0])?.to_vec()).ok()?;
                let hash = Hash(value.try_into().ok()?);
                Some((
                    Document::from_code(*key.get(1)?)?,
                    name,
                    u32::from_be_bytes(*revision),
                    hash,
                ))
            })();
            found.push(parts.ok_or_else(|| odd("a document's key"))?);
        }
        Ok(found)
    }

    /// The newest revision of each document of a kind, by name.
    pub(crate) fn documents(&self, kind: Document) -> Result<Vec<Revision>, Failure> {
        let mut newest = BTreeMap::new();
        for (found, name, revision, hash) in self.revisions()? {
            if found == kind {
                let best = newest.entry(name).or_insert((revision, hash));
                *best = (*best).max((revision, hash));
            }
        }
        newest
            .into_iter()
            .map(|(name, (revision, hash))| {
                Ok(Revision {
                    name,
                    revision,
                    text: self.text(hash)?,
                })
            })
            .collect()
    }

    /// A revision, or the newest.
    pub(crate) fn document(
        &self,
        kind: Document,
        name: &str,
        revision: Option<u32>,
    ) -> Result<Option<Revision>, Failure> {
        let prefix = key(b'c', &[&[kind.code()], plain(name).as_bytes(), &[0]]);
        let at = |revision: u32| [&prefix[..], &revision.to_be_bytes()].concat();
        let found = self
            .0
            .scan_back(&prefix, &at(revision.unwrap_or(u32::MAX)))
            .next()
            .transpose()?;
        let Some((key, value)) = found.filter(|(key, _)| key.len() == prefix.len() + 4) else {
            return Ok(None);
        };
        let number = key.last_chunk().map_or(0, |number| u32::from_be_bytes(*number));
        if revision.is_some_and(|revision| revision != number) {
            return Ok(None);
        }
        let hash = Hash(
            value
                .try_into()
                .map_err(|_| odd(format_args!("{} `{name}`", kind.word())))?,
        );
        Ok(Some(Revision {
            name: name.into(),
            revision: number,
            text: self.text(hash)?,
        }))
    }

    pub(crate) fn trips(&self) -> Result<Trips, Failure> {
        let mut trips = Trips::new();
        for pair in self.0.scan(b"t", None) {
            let (key, value) = pair?;
            let parts = (|| {
                let (station, interlock) = std::str::from_utf8(&key[1..]).ok()?.split_once('\0')?;
                Some((
                    station.to_owned(),
                    interlock.to_owned(),
                    serde_json::from_slice(&value).ok()?,
                ))
            })();
            let (station, interlock, trip) = parts.ok_or_else(|| odd("a standing trip"))?;
            trips.entry(station).or_default().insert(interlock, trip);
        }
        Ok(trips)
    }

    pub(crate) fn limits(&self) -> Result<BTreeMap<String, f64>, Failure> {
        self.named(b"l", |bytes| f64::from_be_bytes(*bytes))
    }

    /// How far each consumer has come. One that can't be read is left out: who has none begins anew.
    pub(crate) fn cursors(&self) -> Result<BTreeMap<String, Cursor>, Failure> {
        let mut cursors = BTreeMap::new();
        for pair in self.0.scan(b"u", None) {
            let (key, value) = pair?;
            let name = String::from_utf8(key[1..].to_vec()).map_err(|_| odd("a key"))?;
            cursors.extend(serde_json::from_slice(&value).ok().map(|cursor| (name, cursor)));
        }
        Ok(cursors)
    }

    pub(crate) fn cursor(&self, consumer: &str) -> Result<Option<Cursor>, Failure> {
        let value = self.0.value(&key(b'u', &[consumer.as_bytes()]))?;
        Ok(value.and_then(|value| serde_json::from_slice(&value).ok()))
    }

    /// Runs from number `from` on that are `wanted`, ascending, at most `limit`.
    pub(crate) fn runs_from(
        &self,
        from: u64,
        limit: usize,
        wanted: impl Fn(u64) -> bool,
    ) -> Result<Vec<RunBegun>, Failure> {
        let mut runs = Vec::new();
        for pair in self.0.scan(b"r", Some(&run_key(from))) {
            if runs.len() >= limit {
                break;
            }
            let (key, value) = pair?;
            let run = last_u64(&key).ok_or_else(|| odd("the key of a run"))?;
            if wanted(run) {
                let stored: Stored<RunBegun> = serde_json::from_slice(&value)
                    .map_err(|error| odd(format_args!("record of run {run}: {error}; it")))?;
                runs.push(stored.record);
            }
        }
        Ok(runs)
    }

    fn named<T>(&self, prefix: &[u8], read: impl Fn(&[u8; 8]) -> T) -> Result<BTreeMap<String, T>, Failure> {
        self.0
            .scan(prefix, None)
            .map(|pair| {
                let (key, value) = pair?;
                let name = String::from_utf8(key[1..].to_vec()).map_err(|_| odd("a key"))?;
                let value = value
                    .as_slice()
                    .try_into()
                    .map_err(|_| odd(format_args!("the value of `{name}`")))?;
                Ok((name, read(value)))
            })
            .collect()
    }

    pub(crate) fn tail_number(&self) -> Result<u64, Failure> {
        Ok(self
            .0
            .value(b"n")?
            .and_then(|value| last_u64(&value))
            .unwrap_or(0))
    }
}

fn day_span(value: &[u8]) -> Option<(u64, u64)> {
    let (low, high) = value.split_first_chunk()?;
    Some((
        u64::from_be_bytes(*low),
        u64::from_be_bytes(high.try_into().ok()?),
    ))
}

fn entry_parts<'a>(key: &[u8], value: &'a [u8]) -> Result<(u64, Hash, &'a str), Failure> {
    let parts = (|| {
        let (hash, line) = value.split_first_chunk()?;
        Some((last_u64(key)?, Hash(*hash), std::str::from_utf8(line).ok()?))
    })();
    parts.ok_or_else(|| odd(format_args!("journal entry {}", last_u64(key).unwrap_or(0))))
}

fn entry(key: &[u8], value: &[u8]) -> Result<Entry, Failure> {
    let (n, hash, line) = entry_parts(key, value)?;
    Entry::parse(hash, line.to_owned()).map_err(|why| odd(format_args!("journal entry {n}: {why}; it")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::{Outcome, Verdict};

    fn sample(run: u64) -> RunRecord {
        let pick = |of: u64| usize::try_from(run % of).unwrap();
        RunRecord {
            run,
            station: format!("bench-{}", run % 3 + 1),
            recipe: ["AX-20 backplane", "QM-4 front end"][pick(2)].into(),
            recipe_text: format!("recipe {}", run % 2),
            serial: format!("SN-{:03}", run % 40),
            operator: format!("op{}", run % 5),
            started: Wall(1_764_000_000_000 + i64::try_from(run).unwrap() * 3_600_000),
            outcome: [
                None,
                Some(Outcome::Completed),
                Some(Outcome::Tripped),
                Some(Outcome::Stopped),
            ][pick(4)],
            verdict: [Verdict::None, Verdict::Pass, Verdict::Fail][pick(3)],
            ended: (!run.is_multiple_of(4)).then_some(Wall(0)),
            ..RunRecord::default()
        }
    }

    /// Every query against the plain definition of what it means.
    #[test]
    fn queries_find_what_matches_and_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(&dir.path().join("store")).unwrap();
        let (mut days, mut all) = (Days::new(), Vec::new());
        for n in 1..=300 {
            let mut run = sample(n);
            // The wall clock steps back a month for a while.
            if (100..150).contains(&n) {
                run.started = run.started.plus_ms(-30 * 86_400_000);
            }
            let group = put_run(
                &RunRecord {
                    outcome: None,
                    ended: None,
                    serial: "typo".into(),
                    ..run.clone()
                },
                None,
                false,
                &mut days,
            );
            store.write(&[group.unwrap()]).unwrap();
            let old = Ledger(&store).run(n).unwrap();
            store
                .write(&[put_run(&run, old.as_ref(), run.has_ended(), &mut days).unwrap()])
                .unwrap();
            all.insert(0, run);
        }
        let ledger = Ledger(&store);
        assert_eq!(ledger.days().unwrap(), days);
        assert_eq!(ledger.last_run().unwrap(), 300);
        assert_eq!(ledger.run(17).unwrap(), Some(sample(17)));
        assert_eq!(ledger.unsealed_runs().unwrap().len(), 75);

        let some = |n: u64, of: u64, text: String| n.is_multiple_of(of).then_some(text);
        let mut found = 0;
        for n in 0..2000_u64 {
            let like = sample(n * 7 % 300 + 1);
            let query = Query {
                serial: some(n, 2, like.serial),
                recipe: some(n, 3, like.recipe),
                station: some(n, 5, like.station),
                operator: some(n, 7, like.operator),
                outcome: like.outcome.filter(|_| n % 4 == 1),
                verdict: Some(like.verdict).filter(|_| n % 11 == 3),
                from: Some(like.started).filter(|_| n % 6 == 1),
                to: Some(like.started.plus_ms(86_400_000 * 9)).filter(|_| n % 12 == 1),
                before_run: Some(n % 320).filter(|_| n % 9 == 5),
                limit: usize::try_from(n % 30).unwrap(),
            };
            let limit = if query.limit == 0 {
                Query::PAGE
            } else {
                query.limit
            };
            let expected: Vec<_> = all
                .iter()
                .filter(|run| query.matches(run))
                .take(limit)
                .cloned()
                .collect();
            assert_eq!(ledger.runs(&query).unwrap(), expected, "{query:?}");
            found += expected.len();
        }
        assert!(found > 5000, "the queries are not all empty: {found}");
        assert_eq!(
            ledger
                .runs(&Query {
                    serial: Some("typo".into()),
                    ..Query::default()
                })
                .unwrap(),
            []
        );
    }

    #[test]
    fn names_that_begin_alike_are_kept_apart() {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(&dir.path().join("store")).unwrap();
        for (name, revision) in [("a", 1), ("a", 2), ("a\0b", 7), ("ab", 1)] {
            let text = format!("{name:?} {revision}");
            let group = put_document(
                Document::Recipe,
                &Revision {
                    name: name.into(),
                    revision,
                    text,
                },
            )
            .unwrap();
            store.write(&[group]).unwrap();
        }
        let ledger = Ledger(&store);
        let found = |name: &str, revision| {
            ledger
                .document(Document::Recipe, name, revision)
                .unwrap()
                .map(|document| document.text)
        };
        assert_eq!(found("a", None).as_deref(), Some("\"a\" 2"));
        assert_eq!(found("a", Some(1)).as_deref(), Some("\"a\" 1"));
        assert_eq!((found("a", Some(3)), found("b", None)), (None, None));
        assert_eq!(ledger.documents(Document::Recipe).unwrap().len(), 3);
        assert_eq!(ledger.documents(Document::Window).unwrap(), []);
    }

    #[test]
    fn what_is_too_large_is_refused_with_figures() {
        let long = "x".repeat(VALUE_MAX + 1);
        let run = RunRecord {
            run: 9,
            recipe_text: long.clone(),
            ..RunRecord::default()
        };
        let text = put_run(&run, None, false, &mut Days::new())
            .unwrap_err()
            .to_string();
        assert_eq!(
            text,
            "recipe of run 9: 122881 bytes are more than the 122880 that are kept"
        );
        assert!(
            put_document(
                Document::Recipe,
                &Revision {
                    name: "a".into(),
                    revision: 1,
                    text: long
                }
            )
            .is_err()
        );
    }
}
