//! Run files: written chunk by chunk, sealed once, read at any time. [`crate::format`] says what is in them.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::Write;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::chunk::{ChunkHead, Columns, Place, SCANS_MAX, sum_of_names};
use crate::coarse::{Coarse, LEVELS_MS, Making};
use crate::cursor::Stretch;
use crate::error::{Damage, Error};
use crate::files;
use crate::format::{self, Block, Blocks, IndexEntry, Kind};
use crate::journal::{Entry, Hash};
use crate::reading::{Phase, Value};
use crate::run::RunRecord;
use crate::table::Table;
use crate::wall::Wall;

/// Whose readings a file holds.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum FileKey {
    Run(u64),
    /// Outside runs: one file a station and UTC day.
    Loose {
        station: String,
        day: i32,
    },
}

impl FileKey {
    fn name(&self) -> String {
        match self {
            Self::Run(run) => format!("run-{run:06}"),
            Self::Loose { station, day } => {
                format!("{}.{}", files::file_name(station), Wall::of_day(*day).date())
            }
        }
    }

    /// Where it is written.
    pub(crate) fn open_path(&self, root: &Path) -> PathBuf {
        root.join("open").join(self.name() + ".bwr")
    }

    /// Where it is put when sealed. `started` is the run's start.
    fn sealed_path(&self, root: &Path, started: Wall) -> PathBuf {
        let (folder, day) = match self {
            Self::Run(_) => ("runs", started),
            Self::Loose { day, .. } => ("loose", Wall::of_day(*day)),
        };
        let year: String = day.date().chars().take(4).collect();
        root.join(folder).join(year).join(self.name() + ".bwr")
    }

    /// The sealed files of it that are there. A day may have several, if the wall clock stepped back over midnight.
    pub(crate) fn sealed(&self, root: &Path) -> Result<Vec<PathBuf>, Error> {
        match self {
            Self::Run(_) => {
                let years = files::list(&root.join("runs"))?;
                let name = self.name() + ".bwr";
                Ok(years
                    .into_iter()
                    .rev()
                    .map(|year| year.join(&name))
                    .find(|path| path.exists())
                    .into_iter()
                    .collect())
            }
            Self::Loose { .. } => {
                let first = self.sealed_path(root, Wall::default());
                Ok((1..=u32::MAX)
                    .map(|n| numbered(&first, n))
                    .take_while(|path| path.exists())
                    .collect())
            }
        }
    }
}

/// `x.bwr`, `x-2.bwr`, `x-3.bwr`.
fn numbered(path: &Path, n: u32) -> PathBuf {
    let stem = path
        .file_stem()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    if n == 1 {
        path.to_owned()
    } else {
        path.with_file_name(format!("{stem}-{n}.bwr"))
    }
}

/// The first block of a file, and again when the channels change.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct About {
    pub(crate) lab: String,
    pub(crate) station: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) run: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) day: Option<String>,
    pub(crate) channels: Vec<String>,
    #[serde(default)]
    qualities: Vec<String>,
    #[serde(default)]
    phases: Vec<String>,
    #[serde(default)]
    writer: String,
}

impl About {
    pub(crate) fn new(lab: &str, station: &str, key: &FileKey, channels: &[String]) -> Self {
        let (run, day) = match key {
            FileKey::Run(run) => (Some(*run), None),
            FileKey::Loose { day, .. } => (None, Some(Wall::of_day(*day).date())),
        };
        Self {
            lab: lab.into(),
            station: station.into(),
            run,
            day,
            channels: channels.to_vec(),
            qualities: Value::QUALITIES.map(String::from).to_vec(),
            phases: Phase::ALL.map(|phase| phase.name().into()).to_vec(),
            writer: concat!("benchward-archive ", env!("CARGO_PKG_VERSION")).into(),
        }
    }

    fn key(&self) -> Option<FileKey> {
        match (&self.run, &self.day) {
            (Some(run), _) => Some(FileKey::Run(*run)),
            (None, Some(day)) => {
                let day = format!("{day}T00:00:00Z").parse::<Wall>().ok()?.day();
                Some(FileKey::Loose {
                    station: self.station.clone(),
                    day,
                })
            }
            (None, None) => None,
        }
    }
}

/// A file that is being written.
pub(crate) struct RunFile {
    pub(crate) path: PathBuf,
    pub(crate) file: Arc<File>,
    /// Bytes that are whole; what a failed write left behind them is cut off before the next.
    pub(crate) length: u64,
    spoiled: bool,
    unsynced: bool,
    /// The last one in it.
    about: Option<About>,
    index: Vec<IndexEntry>,
}

impl RunFile {
    /// A new file, with its head.
    pub(crate) fn create(path: PathBuf) -> Result<Self, Error> {
        let file = files::create(&path).map_err(Error::files(&path, "create the file"))?;
        let mut new = Self {
            path,
            file: Arc::new(file),
            length: 0,
            spoiled: false,
            unsynced: true,
            about: None,
            index: Vec::new(),
        };
        new.write(&format::file_head())?;
        if let Some(directory) = new.path.parent() {
            files::sync_directory(directory).map_err(Error::files(directory, "sync the directory"))?;
        }
        Ok(new)
    }

    /// Goes on with a file of which [`survey`] says what is in it.
    pub(crate) fn go_on(path: PathBuf, survey: &Survey) -> Result<Self, Error> {
        let file = fs::OpenOptions::new()
            .read(true)
            .write(true)
            .open(&path)
            .map_err(Error::files(&path, "open the file for writing"))?;
        Ok(Self {
            path,
            file: Arc::new(file),
            length: survey.whole,
            spoiled: survey.whole != survey.length,
            unsynced: true,
            about: survey.about.clone(),
            index: survey.index.clone(),
        })
    }

    /// Writes behind what is whole.
    fn write(&mut self, bytes: &[u8]) -> Result<(), Error> {
        if self.spoiled {
            self.file
                .set_len(self.length)
                .map_err(Error::files(&self.path, "cut off what a failed write left"))?;
        }
        self.spoiled = true;
        self.file
            .write_all_at(bytes, self.length)
            .map_err(Error::files(&self.path, "write"))?;
        self.spoiled = false;
        self.unsynced = true;
        self.length += bytes.len() as u64;
        Ok(())
    }

    fn write_blocks(&mut self, blocks: &[(Kind, Vec<u8>)]) -> Result<(), Error> {
        let mut bytes = Vec::new();
        let mut index = Vec::new();
        for (kind, body) in blocks {
            index.push(IndexEntry::of(&Block {
                at: self.length + bytes.len() as u64,
                kind: *kind,
                body,
            }));
            format::put_block(&mut bytes, *kind, body);
        }
        self.write(&bytes)?;
        self.index.extend(index);
        Ok(())
    }

    /// Appends the record that the run has at its start.
    pub(crate) fn opening(&mut self, about: &About, record: Option<&RunRecord>) -> Result<(), Error> {
        let mut blocks = vec![(Kind::About, json(about))];
        blocks.extend(record.map(|record| (Kind::Run, json(record))));
        self.write_blocks(&blocks)?;
        self.about = Some(about.clone());
        Ok(())
    }

    /// Appends a chunk, and before it what it is about if that changed.
    pub(crate) fn chunk(&mut self, about: &About, columns: &Columns) -> Result<(), Error> {
        let mut blocks = Vec::new();
        if self
            .about
            .as_ref()
            .is_none_or(|known| known.channels != about.channels)
        {
            blocks.push((Kind::About, json(about)));
        }
        blocks.push((Kind::Chunk, columns.encode()));
        self.write_blocks(&blocks)?;
        self.about = Some(about.clone());
        Ok(())
    }

    /// Appends a part of what the run was decided on.
    pub(crate) fn decisions(&mut self, body: &[u8]) -> Result<(), Error> {
        self.write_blocks(&[(Kind::Decisions, body.to_vec())])
    }

    pub(crate) fn sync(&mut self) -> Result<(), Error> {
        if self.unsynced {
            self.file.sync_data().map_err(Error::files(&self.path, "sync"))?;
            self.unsynced = false;
        }
        Ok(())
    }

    /// Rows in its chunks.
    pub(crate) fn rows(&self) -> u64 {
        rows(&self.index)
    }

    /// Nothing is in it yet but its head.
    pub(crate) fn is_empty(&self) -> bool {
        self.index.is_empty()
    }

    pub(crate) fn is_unsynced(&self) -> bool {
        self.unsynced
    }

    /// Adds the record, the journal, index and end; syncs; gives the file its final name. Afterwards it never
    /// changes. When this fails, the file is what it was before and sealing can be tried again.
    pub(crate) fn seal(
        &mut self,
        root: &Path,
        key: &FileKey,
        record: Option<&RunRecord>,
        journal: &[(Hash, Entry)],
    ) -> Result<PathBuf, Error> {
        let mut bytes = vec![0; usize::try_from(self.length).expect("files are far smaller than memory")];
        self.file
            .read_exact_at(&mut bytes, 0)
            .map_err(Error::files(&self.path, "read it again for its sum"))?;
        let whole = bytes.len();
        let levels = coarse(&self.path, bytes.clone());
        let mut index = self.index.clone();
        let mut put = |kind, body: &[u8]| {
            index.push(IndexEntry::of(&Block {
                at: bytes.len() as u64,
                kind,
                body,
            }));
            format::put_block(&mut bytes, kind, body);
        };
        if let Some(about) = &self.about {
            put(Kind::About, &json(about));
        }
        for level in &levels {
            put(Kind::Coarse, &level.table().encode());
        }
        let mut lines = Vec::new();
        for (before, entry) in journal {
            writeln!(lines, "{} {before} {}", entry.n, entry.line).expect("memory takes every write");
            if lines.len() > 1 << 20 {
                put(Kind::Journal, &std::mem::take(&mut lines));
            }
        }
        if !lines.is_empty() {
            put(Kind::Journal, &lines);
        }
        if let Some(record) = record {
            put(Kind::Run, &json(record));
        }
        let closing = format::closing(&bytes, &index);
        bytes.extend(closing);

        let before = self.length;
        let sealed = self
            .write(&bytes[whole..])
            .and_then(|()| self.sync())
            .and_then(|()| {
                put_in_place(
                    &self.path,
                    root,
                    key,
                    record.map_or_else(Wall::default, |record| record.started),
                )
            });
        if sealed.is_err() {
            // The final blocks are written again at the next try: then they may have to say something else.
            (self.length, self.spoiled) = (before, true);
        }
        sealed
    }
}

/// Gives a finished file its final name.
pub(crate) fn put_in_place(path: &Path, root: &Path, key: &FileKey, started: Wall) -> Result<PathBuf, Error> {
    let first = key.sealed_path(root, started);
    let target = match key {
        FileKey::Run(_) if first.exists() => {
            // What is sealed never changes, whatever led here.
            let error = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
            return Err(Error::files(&first, "put the sealed file in its place")(error));
        }
        FileKey::Run(_) => first,
        FileKey::Loose { .. } => (1..=u32::MAX)
            .map(|n| numbered(&first, n))
            .find(|target| !target.exists())
            .expect("some number is free"),
    };
    let directory = target.parent().unwrap_or(root);
    make_directory(directory)?;
    fs::rename(path, &target).map_err(Error::files(path, "rename the sealed file"))?;
    for directory in [directory, path.parent().unwrap_or(root)] {
        files::sync_directory(directory).map_err(Error::files(directory, "sync the directory"))?;
    }
    Ok(target)
}

/// Makes a directory, and the one above it, so that their names survive a power cut.
fn make_directory(path: &Path) -> Result<(), Error> {
    if path.is_dir() {
        return Ok(());
    }
    fs::create_dir_all(path).map_err(Error::files(path, "create the directory"))?;
    let mut above = path.parent();
    for _ in 0..2 {
        let Some(directory) = above else { break };
        files::sync_directory(directory).map_err(Error::files(directory, "sync the directory"))?;
        above = directory.parent();
    }
    Ok(())
}

fn json<T: Serialize>(value: &T) -> Vec<u8> {
    serde_json::to_vec(value).expect("plain values make JSON")
}

/// What is in a file, without its readings.
pub(crate) struct Survey {
    pub(crate) key: Option<FileKey>,
    /// The last one: what the next chunk is about.
    pub(crate) about: Option<About>,
    pub(crate) record: Option<RunRecord>,
    pub(crate) journal: Vec<(Hash, Entry)>,
    /// Place of the last scan in it.
    pub(crate) last_place: Option<Place>,
    /// Highest wall time and last mono time.
    pub(crate) last_time: Option<(Wall, u64)>,
    pub(crate) first_wall: Option<Wall>,
    pub(crate) peak_celsius: Option<f64>,
    index: Vec<IndexEntry>,
    /// Bytes up to the end of the last whole block, and in all.
    pub(crate) whole: u64,
    pub(crate) length: u64,
    pub(crate) sealed: bool,
    /// Damage before the last whole block; what follows it in an unfinished file is torn, not damaged.
    pub(crate) damage: Vec<Damage>,
}

impl Survey {
    /// Rows in its chunks.
    pub(crate) fn rows(&self) -> u64 {
        rows(&self.index)
    }
}

fn rows(index: &[IndexEntry]) -> u64 {
    let chunks = index.iter().filter_map(|entry| entry.chunk);
    chunks.map(|(count, _, _)| u64::from(count)).sum()
}

/// Reads what is in a file.
pub(crate) fn survey(path: &Path) -> Result<Survey, Error> {
    let bytes = fs::read(path).map_err(Error::files(path, "read"))?;
    let mut found = Survey {
        key: None,
        about: None,
        record: None,
        journal: Vec::new(),
        last_place: None,
        last_time: None,
        first_wall: None,
        peak_celsius: None,
        index: Vec::new(),
        whole: 0,
        length: bytes.len() as u64,
        sealed: format::is_sealed(&bytes),
        damage: Vec::new(),
    };
    let mut blocks = match Blocks::of(path, &bytes) {
        Ok(blocks) => blocks,
        // Killed while it was begun: nothing was in it.
        Err(_) if format::file_head().starts_with(&bytes) => return Ok(found),
        Err(damage) => {
            found.damage.push(damage);
            return Ok(found);
        }
    };
    let mut abouts = Vec::new();
    for block in blocks.by_ref() {
        let block = match block {
            Ok(block) => block,
            Err(damage) => {
                found.damage.push(damage);
                continue;
            }
        };
        found.index.push(IndexEntry::of(&block));
        let understood = match block.kind {
            Kind::About => serde_json::from_slice::<About>(block.body).ok().map(|about| {
                found.key = found.key.take().or(about.key());
                abouts.push((block.at, about));
            }),
            Kind::Chunk => ChunkHead::read(block.body).map(|head| {
                found.last_place = found.last_place.max(Some(head.last_place));
                found.first_wall = found.first_wall.or(Some(head.wall.0));
                found.last_time = Some((head.wall.1, head.last_mono_ms));
                found.peak_celsius = hotter(found.peak_celsius, head.peak_celsius());
            }),
            Kind::Run => serde_json::from_slice(block.body)
                .ok()
                .map(|record| found.record = Some(record)),
            Kind::Journal => journal_lines(block.body).map(|entries| found.journal.extend(entries)),
            Kind::Index | Kind::End | Kind::Decisions | Kind::Coarse | Kind::Unknown(_) => Some(()),
        };
        if understood.is_none() {
            let why = "a block that makes no sense".into();
            found.damage.push(Damage {
                path: path.to_owned(),
                at: block.at,
                why,
            });
        }
    }
    found.whole = blocks.whole as u64;
    if !found.sealed {
        // What follows the last chunk and the last decisions was begun by sealing, which begins anew.
        let opening = [Kind::About, Kind::Run]
            .iter()
            .zip(&found.index)
            .take_while(|(kind, entry)| entry.is(**kind));
        let opening = opening.count();
        let keep = found
            .index
            .iter()
            .rposition(|entry| entry.chunk.is_some() || entry.is(Kind::Decisions))
            .map_or(opening, |last| last + 1);
        if let Some(begun) = found.index.get(keep) {
            found.whole = begun.at;
            found.index.truncate(keep);
            found.journal.clear();
        }
        found.damage.retain(|damage| damage.at < found.whole);
        // One that is cut off with the chunk that it came before names nothing any more.
        abouts.retain(|(at, _)| *at < found.whole);
    }
    found.about = abouts.pop().map(|(_, about)| about);
    Ok(found)
}

/// The coarse levels of a file's readings, made of them. A file whose channels change has a set for each.
pub(crate) fn coarse(path: &Path, bytes: Vec<u8>) -> Vec<Coarse> {
    let mut making: Vec<(Arc<[String]>, [Making; LEVELS_MS.len()])> = Vec::new();
    for columns in FileChunks::new(path.to_owned(), bytes).flatten() {
        if making
            .last()
            .is_none_or(|(channels, _)| **channels != *columns.channels)
        {
            making.push((Arc::clone(&columns.channels), LEVELS_MS.map(Making::new)));
        }
        if let Some((_, levels)) = making.last_mut() {
            for scan in columns.scans() {
                for level in &mut *levels {
                    level.take(&scan);
                }
            }
        }
    }
    making
        .iter()
        .flat_map(|(channels, levels)| {
            LEVELS_MS.iter().zip(levels).map(|(step_ms, level)| Coarse {
                step_ms: *step_ms,
                channels: Arc::clone(channels),
                spans: level.spans(),
            })
        })
        .collect()
}

/// The coarse levels that a sealed file has; `None`: it is of a version that wrote none.
pub(crate) fn kept_coarse(path: &Path, bytes: &[u8]) -> Option<Vec<Coarse>> {
    let blocks = Blocks::of(path, bytes).ok()?;
    let levels: Vec<Coarse> = blocks
        .flatten()
        .filter(|block| block.kind == Kind::Coarse)
        .map(|block| Table::decode(block.body).and_then(Coarse::of))
        .collect::<Option<_>>()?;
    (!levels.is_empty()).then_some(levels)
}

/// What a run was decided on: the blocks of a file, in order.
pub(crate) fn decisions(path: &Path, bytes: &[u8]) -> Vec<Result<Table, Damage>> {
    let blocks = match Blocks::of(path, bytes) {
        Ok(blocks) => blocks,
        Err(damage) => return vec![Err(damage)],
    };
    let sealed = format::is_sealed(bytes);
    let (mut found, mut whole) = (Vec::new(), 0);
    for block in blocks {
        match block {
            Ok(block) => {
                whole = block.at;
                if block.kind == Kind::Decisions {
                    found.push(Table::decode(block.body).ok_or_else(|| Damage {
                        path: path.to_owned(),
                        at: block.at,
                        why: "decisions that make no sense".into(),
                    }));
                }
            }
            Err(damage) => found.push(Err(damage)),
        }
    }
    // The torn end of a file that is not sealed is no damage.
    found.retain(|part| sealed || part.as_ref().map_or_else(|damage| damage.at < whole, |_| true));
    found
}

/// The hotter of two, where there are any.
pub(crate) fn hotter(one: Option<f64>, two: Option<f64>) -> Option<f64> {
    one.into_iter().chain(two).max_by(f64::total_cmp)
}

fn journal_lines(body: &[u8]) -> Option<Vec<(Hash, Entry)>> {
    let text = std::str::from_utf8(body).ok()?;
    text.lines()
        .map(|line| {
            let mut parts = line.splitn(3, ' ').skip(1);
            let before: Hash = parts.next()?.parse().ok()?;
            let line = parts.next()?;
            let hash = Hash::of(&[&before.0, line.as_bytes()]);
            Some((before, Entry::parse(hash, line.to_owned()).ok()?))
        })
        .collect()
}

/// Appends rows that are in no file yet.
pub(crate) fn put_waiting(out: &mut Vec<u8>, about: &About, mut columns: Columns) {
    format::put_block(out, Kind::About, &json(about));
    while !columns.is_empty() {
        let chunk = columns.head(SCANS_MAX);
        columns.drop_head(chunk.len());
        format::put_block(out, Kind::Chunk, &chunk.encode());
    }
}

/// Appends what is known of the run by now.
pub(crate) fn put_record(out: &mut Vec<u8>, record: &RunRecord) {
    format::put_block(out, Kind::Run, &json(record));
}

/// The newest record in a run's file.
pub(crate) fn newest_record(path: &Path, bytes: &[u8]) -> Result<RunRecord, Damage> {
    let mut newest = None;
    for block in Blocks::of(path, bytes)?
        .flatten()
        .filter(|block| block.kind == Kind::Run)
    {
        newest = serde_json::from_slice(block.body).ok().or(newest);
    }
    newest.ok_or_else(|| Damage {
        path: path.to_owned(),
        at: 0,
        why: "has no record of a run".into(),
    })
}

/// The chunks of a file, to be decoded one after the other.
pub(crate) struct FileChunks {
    path: PathBuf,
    bytes: Vec<u8>,
    /// In reverse order: the next one is the last.
    chunks: Vec<Result<ChunkAt, Damage>>,
    /// Sets of channels, by the sum of their names.
    channels: BTreeMap<u32, Arc<[String]>>,
}

struct ChunkAt {
    at: u64,
    body: std::ops::Range<usize>,
}

impl FileChunks {
    /// The chunks of a file at a sealed file's place. Nobody writes it any more, so that one without an end has lost some of
    /// itself: that is said after what is there.
    pub(crate) fn of_path(path: &Path) -> Result<Self, Error> {
        let bytes = fs::read(path).map_err(Error::files(path, "read"))?;
        let cut = (!format::is_sealed(&bytes)).then(|| format::no_end(path, bytes.len() as u64));
        let mut chunks = Self::new(path.to_owned(), bytes);
        // Last to be taken.
        chunks.chunks.splice(0..0, cut.map(Err));
        Ok(chunks)
    }

    /// The chunks of the first `length` bytes of a file that is still written.
    pub(crate) fn of_open(path: PathBuf, file: &File, length: u64) -> Result<Self, Error> {
        let mut bytes = vec![0; usize::try_from(length).expect("files are far smaller than memory")];
        file.read_exact_at(&mut bytes, 0)
            .map_err(Error::files(&path, "read"))?;
        Ok(Self::new(path, bytes))
    }

    /// The chunks of a file's bytes.
    pub(crate) fn new(path: PathBuf, bytes: Vec<u8>) -> Self {
        let mut chunks = Vec::new();
        let mut channels = BTreeMap::new();
        let start = bytes.as_ptr() as usize;
        let sealed = format::is_sealed(&bytes);
        match Blocks::of(&path, &bytes) {
            Err(damage) => chunks.push(Err(damage)),
            Ok(mut blocks) => {
                for block in blocks.by_ref() {
                    match block {
                        Err(damage) => chunks.push(Err(damage)),
                        Ok(Block {
                            at,
                            kind: Kind::Chunk,
                            body,
                        }) => {
                            let from = body.as_ptr() as usize - start;
                            let body = from..from + body.len();
                            chunks.push(Ok(ChunkAt { at, body }));
                        }
                        Ok(Block {
                            kind: Kind::About,
                            body,
                            ..
                        }) => {
                            if let Ok(about) = serde_json::from_slice::<About>(body) {
                                channels.insert(sum_of_names(&about.channels), about.channels.into());
                            }
                        }
                        Ok(_) => {}
                    }
                }
                let whole = blocks.whole as u64;
                chunks.retain(|chunk| {
                    sealed || chunk.as_ref().map_or_else(|damage| damage.at < whole, |_| true)
                });
            }
        }
        chunks.reverse();
        Self {
            path,
            bytes,
            chunks,
            channels,
        }
    }

    /// Rows in all chunks.
    pub(crate) fn rows(&self) -> u64 {
        let chunks = self.chunks.iter().flatten();
        chunks.map(|chunk| self.rows_of(chunk)).sum()
    }

    fn rows_of(&self, chunk: &ChunkAt) -> u64 {
        ChunkHead::read(&self.bytes[chunk.body.clone()]).map_or(0, |head| head.count as u64)
    }

    /// Finds the row that comes after `skip` others, and puts it and those behind it in the same chunk, at most `max`, into `stretch`.
    /// Returns whether there was one, or one that can't be read; else `skip` is less by the rows that there are.
    pub(crate) fn rows_at(&mut self, skip: &mut u64, max: usize, stretch: &mut Stretch) -> bool {
        while let Some(chunk) = self.chunks.last() {
            match chunk {
                Ok(chunk) if self.rows_of(chunk) <= *skip => {
                    *skip -= self.rows_of(chunk);
                    self.chunks.pop();
                }
                Ok(chunk) => {
                    let count = self.rows_of(chunk);
                    match self.next() {
                        Some(Ok(columns)) => {
                            let from = usize::try_from(*skip).unwrap_or(usize::MAX);
                            stretch.scans = columns.scans_from(from).take(max).collect();
                            stretch.next += stretch.scans.len() as u64;
                            stretch.channels = columns.channels;
                        }
                        Some(Err(damage)) => {
                            stretch.damage.push(damage);
                            stretch.next += count - *skip;
                        }
                        None => {}
                    }
                    return true;
                }
                Err(_) => {
                    // Where rows are to come from, or at the end: what is before has been told.
                    if let Some(Err(damage)) = self.chunks.pop()
                        && *skip == 0
                    {
                        stretch.damage.push(damage);
                    }
                }
            }
        }
        false
    }

    /// Leaves only chunks that may hold wall times in `from..to`.
    pub(crate) fn within(mut self, from: Wall, to: Wall) -> Self {
        self.chunks.retain(|chunk| match chunk {
            Ok(chunk) => ChunkHead::read(&self.bytes[chunk.body.clone()])
                .is_none_or(|head| head.wall.0 < to && head.wall.1 >= from),
            Err(_) => true,
        });
        self
    }

    /// The channels of the next chunk.
    pub(crate) fn channels(&self) -> Option<&Arc<[String]>> {
        self.chunks
            .iter()
            .rev()
            .find_map(|chunk| self.channels_of(chunk.as_ref().ok()?))
    }

    fn channels_of(&self, chunk: &ChunkAt) -> Option<&Arc<[String]>> {
        self.channels
            .get(&ChunkHead::read(&self.bytes[chunk.body.clone()])?.names)
    }
}

impl Iterator for FileChunks {
    type Item = Result<Columns, Damage>;

    fn next(&mut self) -> Option<Self::Item> {
        Some(self.chunks.pop()?.and_then(|chunk| {
            let channels = self
                .channels_of(&chunk)
                .ok_or("a chunk of channels that its file does not name");
            channels
                .and_then(|channels| Columns::decode(&self.bytes[chunk.body.clone()], channels))
                .map_err(|why| Damage {
                    path: self.path.clone(),
                    at: chunk.at,
                    why: why.into(),
                })
        }))
    }
}
