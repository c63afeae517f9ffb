//! The journal once more, as plain text: what a person can search with `grep`, and what brings the journal back
//! when a store is lost.
//!
//! `journal/NNNNNNNNNN.bwj`, named after its first entry. A line per entry: the hash in 64 hex digits, a space, the
//! entry's JSON. Lines are written after the store has the entry, and synced at least every second while there is something to sync.

use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::error::Error;
use crate::files;
use crate::journal::{Entry, Hash, LINE_MAX};

/// A new file beyond this length.
const FILE_BYTES: u64 = 64 << 20;

/// The copy while it is written.
pub(crate) struct JournalFile {
    directory: PathBuf,
    file: Option<(PathBuf, File)>,
    length: u64,
    spoiled: bool,
    unsynced: bool,
    /// Number and hash of the last entry in it.
    last: (u64, Hash),
}

impl JournalFile {
    /// Opens the newest file; a torn last line is cut off by the first write.
    pub(crate) fn open(directory: PathBuf) -> Result<Self, Error> {
        let mut new = Self {
            directory,
            file: None,
            length: 0,
            spoiled: false,
            unsynced: false,
            last: (0, Hash::ZERO),
        };
        let Some(path) = files_in(&new.directory)?.pop() else {
            return Ok(new);
        };
        let mut file = fs::OpenOptions::new()
            .read(true)
            .write(true)
            .open(&path)
            .map_err(Error::files(&path, "open the journal's copy for writing"))?;
        let read = Error::files(&path, "read the journal's copy");
        (new.length, new.last) = last_line(&mut file).map_err(read)?;
        new.spoiled = true;
        new.file = Some((path, file));
        Ok(new)
    }

    /// Number and hash of the last entry; 0 and zero if there is none.
    pub(crate) fn last(&self) -> (u64, Hash) {
        self.last
    }

    /// Leaves what is there as it is; the next entry, whatever its number, begins a new file.
    pub(crate) fn begin_anew(&mut self) {
        (self.file, self.last) = (None, (0, Hash::ZERO));
    }

    /// Appends entries that follow the last one.
    pub(crate) fn append(&mut self, entries: &[Entry]) -> Result<(), Error> {
        let Some(first) = entries.first() else {
            return Ok(());
        };
        if self.length >= FILE_BYTES {
            self.sync()?;
            self.file = None;
        }
        if self.file.is_none() {
            let path = (0..=usize::MAX)
                .map(|n| {
                    self.directory
                        .join(format!("{:010}{}.bwj", first.n, "-".repeat(n)))
                })
                .find(|path| !path.exists())
                .expect("some name is free");
            let file = files::create(&path).map_err(Error::files(&path, "create the journal's copy"))?;
            files::sync_directory(&self.directory)
                .map_err(Error::files(&self.directory, "sync the directory"))?;
            self.file = Some((path, file));
            self.length = 0;
        }
        let Some((path, file)) = &mut self.file else {
            return Ok(());
        };
        if self.spoiled {
            file.set_len(self.length)
                .map_err(Error::files(&*path, "cut off what a failed write left"))?;
        }
        let mut text = Vec::new();
        for entry in entries {
            writeln!(text, "{} {}", entry.hash, entry.line).expect("memory takes every write");
        }
        self.spoiled = true;
        file.seek(SeekFrom::Start(self.length))
            .and_then(|_| file.write_all(&text))
            .map_err(Error::files(&*path, "write the journal's copy"))?;
        self.spoiled = false;
        self.unsynced = true;
        self.length += text.len() as u64;
        self.last = entries.last().map_or(self.last, |entry| (entry.n, entry.hash));
        Ok(())
    }

    pub(crate) fn sync(&mut self) -> Result<(), Error> {
        if let Some((path, file)) = self.file.as_ref().filter(|_| self.unsynced) {
            file.sync_data()
                .map_err(Error::files(path, "sync the journal's copy"))?;
            self.unsynced = false;
        }
        Ok(())
    }
}

/// Number of the last entry of the copy, 0 if there is none; changes nothing.
pub(crate) fn last(directory: &Path) -> Result<u64, Error> {
    let Some(path) = files_in(directory)?.pop() else {
        return Ok(0);
    };
    let read = Error::files(&path, "read the journal's copy");
    let last = File::open(&path)
        .and_then(|mut file| last_line(&mut file))
        .map_err(read)?;
    Ok(last.1.0)
}

/// The end of the last whole line that is an entry, and that entry.
fn last_line(file: &mut File) -> std::io::Result<(u64, (u64, Hash))> {
    let length = file.metadata()?.len();
    let mut reach = (2 * LINE_MAX as u64).min(length);
    loop {
        let start = length - reach;
        file.seek(SeekFrom::Start(start))?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        let mut end = bytes.len();
        while let Some(stop) = bytes[..end].iter().rposition(|&byte| byte == b'\n') {
            let begin = bytes[..stop]
                .iter()
                .rposition(|&byte| byte == b'\n')
                .map_or(0, |before| before + 1);
            if let Some(entry) = parse(&bytes[begin..stop]) {
                return Ok((start + stop as u64 + 1, (entry.n, entry.hash)));
            }
            end = stop;
        }
        if start == 0 {
            return Ok((0, (0, Hash::ZERO)));
        }
        reach = (reach * 8).min(length);
    }
}

fn parse(line: &[u8]) -> Option<Entry> {
    let (hash, line) = std::str::from_utf8(line).ok()?.split_once(' ')?;
    Entry::parse(hash.parse().ok()?, line.to_owned()).ok()
}

fn files_in(directory: &Path) -> Result<Vec<PathBuf>, Error> {
    let mut paths = files::list(directory)?;
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "bwj"));
    Ok(paths)
}

/// Gives all entries from number `from` on to `each`, oldest first; lines that are none are left out: whoever
/// needs an unbroken chain sees it by the numbers and hashes.
pub(crate) fn read(directory: &Path, from: u64, each: &mut dyn FnMut(Entry)) -> Result<(), Error> {
    let paths = files_in(directory)?;
    let first = |path: &PathBuf| path.file_stem()?.to_str()?.get(..10)?.parse::<u64>().ok();
    for (at, path) in paths.iter().enumerate() {
        if paths.get(at + 1).and_then(first).is_some_and(|next| next <= from) {
            continue;
        }
        let file = File::open(path).map_err(Error::files(path, "read the journal's copy"))?;
        let mut lines = BufReader::new(file);
        let mut line = Vec::new();
        while lines
            .read_until(b'\n', &mut line)
            .map_err(Error::files(path, "read the journal's copy"))?
            > 0
        {
            if let Some(entry) = line
                .strip_suffix(b"\n")
                .and_then(parse)
                .filter(|entry| entry.n >= from)
            {
                each(entry);
            }
            line.clear();
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::JournalEntry;
    use crate::wall::Wall;

    #[test]
    fn a_copy_torn_at_any_byte_goes_on_after_its_last_whole_line() {
        let dir = tempfile::tempdir().unwrap();
        let mut before = Hash::ZERO;
        let entries: Vec<Entry> = (1..=4)
            .map(|n| {
                let entry = Entry::seal(n, before, JournalEntry::new(Wall(0), n, "note", "two\nlines"));
                before = entry.hash;
                entry
            })
            .collect();
        let mut copy = JournalFile::open(dir.path().to_owned()).unwrap();
        copy.append(&entries[..2]).unwrap();
        copy.append(&entries[2..3]).unwrap();
        copy.sync().unwrap();
        let path = dir.path().join("0000000001.bwj");
        let bytes = fs::read(&path).unwrap();
        for length in 0..=bytes.len() {
            fs::write(&path, &bytes[..length]).unwrap();
            let mut copy = JournalFile::open(dir.path().to_owned()).unwrap();
            let lines = bytes[..length].split(|&byte| byte == b'\n').count() - 1;
            assert_eq!(copy.last().0, lines as u64, "cut to {length}");
            copy.append(&entries[lines..]).unwrap();
            let mut found = Vec::new();
            read(dir.path(), 2, &mut |entry| found.push(entry)).unwrap();
            assert_eq!(found, entries[1..], "cut to {length}");
        }
    }
}
