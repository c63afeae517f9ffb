//! The journal: what was decided and who asked for it, each entry holding on to the one before.
//!
//! # What is hashed
//!
//! An entry is stored as a *line*: one JSON object in UTF-8 without line breaks, with the keys `n`, `at`,
//! `mono_ms`, `kind`, `station`, `run`, `who`, `text`, `data` in this order, made once when the entry is numbered and kept
//! byte for byte. Its hash is
//!
//! ```text
//! hash(n) = SHA-256( hash(n-1) as 32 bytes  followed by  the bytes of line n )        hash(0) = 32 zero bytes
//! ```
//!
//! so that any program with SHA-256 can walk the chain. Nothing is hashed but these bytes: the number and
//! the times are in the line.
//!
//! The store is the journal's home. The files in `journal/` repeat it in plain text ([`crate::journal_file`]).

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::wall::Wall;

/// What a caller hands in.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct JournalEntry {
    /// Wall time.
    pub at: Wall,
    /// The core's monotonic time, milliseconds.
    pub mono_ms: u64,
    /// What sort of entry, such as `trip`, `limit`, `run-started`.
    pub kind: String,
    /// The station that it is about.
    pub station: Option<String>,
    /// The run that it is about.
    pub run: Option<u64>,
    /// The person who asked for it.
    pub who: Option<String>,
    /// What a person reads.
    pub text: String,
    /// What a program reads.
    pub data: serde_json::Value,
}

impl JournalEntry {
    /// An entry about the lab as a whole.
    pub fn new(at: Wall, mono_ms: u64, kind: impl Into<String>, text: impl Into<String>) -> Self {
        Self {
            at,
            mono_ms,
            kind: kind.into(),
            text: text.into(),
            ..Self::default()
        }
    }

    /// About this station.
    #[must_use]
    pub fn station(mut self, station: impl Into<String>) -> Self {
        self.station = Some(station.into());
        self
    }

    /// About this run.
    #[must_use]
    pub fn run(mut self, run: u64) -> Self {
        self.run = Some(run);
        self
    }

    /// Asked for by this person.
    #[must_use]
    pub fn who(mut self, who: impl Into<String>) -> Self {
        self.who = Some(who.into());
        self
    }

    /// With this for programs.
    #[must_use]
    pub fn data(mut self, data: serde_json::Value) -> Self {
        self.data = data;
        self
    }
}

/// An entry as it is kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its number; the first is 1.
    pub n: u64,
    /// What was handed in.
    pub entry: JournalEntry,
    /// Its hash, over the one before and the line.
    pub hash: Hash,
    /// The bytes that were hashed.
    pub line: String,
}

/// The line's shape: the number, then the entry's own keys.
#[derive(Serialize, Deserialize)]
struct Line<E> {
    n: u64,
    #[serde(flatten)]
    entry: E,
}

/// Longest line that is kept, bytes. The store's values must stay under 128 KiB: it puts larger ones into
/// files of their own that no sync of ours reaches.
pub(crate) const LINE_MAX: usize = 100 * 1024;

impl Entry {
    /// Numbers and hashes an entry. What would be longer than [`LINE_MAX`] keeps the beginning of its text, and
    /// its data is replaced by their size and SHA-256: an entry is never refused.
    pub(crate) fn seal(n: u64, before: Hash, mut entry: JournalEntry) -> Self {
        let write = |entry: &JournalEntry| {
            serde_json::to_string(&Line { n, entry }).expect("text keys and plain values always make JSON")
        };
        let mut line = write(&entry);
        if line.len() > LINE_MAX {
            let data = entry.data.to_string();
            entry.data = serde_json::json!({
                "too_large": { "data_bytes": data.len(), "data_sha256": Hash::of(&[data.as_bytes()]).to_string(),
                    "text_bytes": entry.text.len(), "text_sha256": Hash::of(&[entry.text.as_bytes()]).to_string() }
            });
            for text in [
                Some(&mut entry.text),
                Some(&mut entry.kind),
                entry.station.as_mut(),
                entry.who.as_mut(),
            ]
            .into_iter()
            .flatten()
            {
                truncate_to(text, LINE_MAX / 64);
            }
            line = write(&entry);
        }
        Self {
            n,
            hash: Hash::of(&[&before.0, line.as_bytes()]),
            entry,
            line,
        }
    }

    /// Reads a kept line. Does not look at the hash: the chain is checked by walking it.
    pub(crate) fn parse(hash: Hash, line: String) -> Result<Self, String> {
        let Line { n, entry } =
            serde_json::from_str(&line).map_err(|error| format!("not an entry: {error}"))?;
        Ok(Self { n, entry, hash, line })
    }
}

/// Cuts at a character's edge.
fn truncate_to(text: &mut String, bytes: usize) {
    if text.len() > bytes {
        let edge = (0..=bytes)
            .rev()
            .find(|&at| text.is_char_boundary(at))
            .unwrap_or(0);
        text.truncate(edge);
        text.push('…');
    }
}

/// A SHA-256; written as 64 hex digits.
#[derive(Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hash(pub [u8; 32]);

impl Hash {
    /// What the chain begins with.
    pub const ZERO: Self = Self([0; 32]);

    pub(crate) fn of(parts: &[&[u8]]) -> Self {
        let mut sha = Sha256::new();
        for part in parts {
            sha.update(part);
        }
        Self(sha.finalize().into())
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(out, "{byte:02x}"))
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, out)
    }
}

impl FromStr for Hash {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        let mut hash = Self::ZERO;
        if text.len() != 64 || !text.is_ascii() {
            return Err(());
        }
        for (at, byte) in hash.0.iter_mut().enumerate() {
            *byte = u8::from_str_radix(&text[2 * at..2 * at + 2], 16).map_err(|_| ())?;
        }
        Ok(hash)
    }
}

/// From which end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Order {
    /// From the beginning on.
    #[default]
    OldestFirst,
    /// From the end backwards.
    NewestFirst,
}

/// Which entries. All that is given must hold.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct JournalQuery {
    /// Begin with this number; absent: the first, or the newest.
    pub from: Option<u64>,
    /// From there on or backwards.
    pub order: Order,
    /// About this station.
    pub station: Option<String>,
    /// About this run.
    pub run: Option<u64>,
    /// Of this kind.
    pub kind: Option<String>,
    /// At most so many; 0 counts as [`JournalQuery::PAGE`].
    pub limit: usize,
}

impl JournalQuery {
    /// Entries in a page when nothing else is asked for.
    pub const PAGE: usize = 100;

    pub(crate) fn matches(&self, entry: &JournalEntry) -> bool {
        let same = |wanted: &Option<String>, is: Option<&str>| wanted.is_none() || wanted.as_deref() == is;
        same(&self.station, entry.station.as_deref())
            && same(&self.kind, Some(&entry.kind))
            && self.run.is_none_or(|run| entry.run == Some(run))
    }
}

/// What a walk along the chain found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verified {
    /// Every entry is there, in its place, and unchanged.
    pub ok: bool,
    /// Entries looked at.
    pub entries: u64,
    /// Number of the first one; more than 1 only if the journal's beginning was lost with a store.
    pub first: u64,
    /// Hash of the newest one, 64 hex digits: compare it with what was printed or published.
    pub head: String,
    /// The first bad entry and what is wrong with it.
    pub first_bad: Option<(u64, String)>,
}

/// Walks a chain entry by entry.
pub(crate) struct Walk {
    next: Option<u64>,
    before: Hash,
    found: Verified,
}

impl Walk {
    /// Begins before entry 1, or, after a loss, with the hash of the entry before `first`.
    pub(crate) fn new(first: u64, before: Hash) -> Self {
        let found = Verified {
            ok: true,
            entries: 0,
            first,
            head: before.to_string(),
            first_bad: None,
        };
        Self {
            next: Some(first),
            before,
            found,
        }
    }

    /// The next entry as it is kept: the number of its place, its hash and its line.
    pub(crate) fn step(&mut self, place: u64, hash: Hash, line: &str) {
        self.found.entries += 1;
        let bad = match (self.next, Entry::parse(hash, line.to_owned())) {
            (Some(next), _) if place != next => {
                Some((next, format!("missing; the next one there is {place}")))
            }
            (_, Err(why)) => Some((place, why)),
            (_, Ok(entry)) if entry.n != place => Some((place, format!("says that it is entry {}", entry.n))),
            _ if Hash::of(&[&self.before.0, line.as_bytes()]) != hash => Some((
                place,
                "its hash is not that of its text and the entry before".to_owned(),
            )),
            _ => None,
        };
        if self.found.first_bad.is_none() && bad.is_some() {
            self.found.ok = false;
            self.found.first_bad = bad;
        }
        self.next = place.checked_add(1);
        self.before = hash;
        self.found.head = hash.to_string();
    }

    /// Something in the place of an entry that cannot be read at all.
    pub(crate) fn bad(&mut self, place: u64, why: String) {
        self.found.entries += 1;
        self.found.ok = false;
        self.found.first_bad.get_or_insert((place, why));
        self.next = place.checked_add(1);
    }

    pub(crate) fn end(self) -> Verified {
        self.found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sha256_of_the_published_example() {
        // FIPS 180-4 example "abc" (NIST, SHA256.pdf of the example values; also RFC 6234, section 8.5).
        assert_eq!(
            Hash::of(&[b"a", b"bc"]).to_string(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        let hash = Hash::of(&[b"x"]);
        assert_eq!(hash.to_string().parse(), Ok(hash));
        assert_eq!("é".repeat(32).parse::<Hash>(), Err(()));
    }

    #[test]
    fn an_entry_too_large_is_kept_in_part_and_says_so() {
        let mut entry = JournalEntry::new(Wall(0), 0, "note", "é".repeat(LINE_MAX));
        entry.data = serde_json::json!("y".repeat(LINE_MAX));
        let kept = Entry::seal(1, Hash::ZERO, entry);
        assert!(
            kept.line.len() < LINE_MAX && kept.entry.text.ends_with("é…"),
            "{}",
            kept.line.len()
        );
        assert_eq!(kept.entry.data["too_large"]["text_bytes"], 2 * LINE_MAX);
        assert_eq!(Entry::parse(kept.hash, kept.line.clone()).unwrap(), kept);
    }

    #[test]
    fn the_walk_names_the_first_bad_entry() {
        let mut before = Hash::ZERO;
        let entries: Vec<Entry> = (1..=5)
            .map(|n| {
                let entry = Entry::seal(n, before, JournalEntry::new(Wall(7), n, "k", "t"));
                before = entry.hash;
                entry
            })
            .collect();
        let walk = |entries: &[Entry]| {
            let mut walk = Walk::new(1, Hash::ZERO);
            for entry in entries {
                walk.step(entry.n, entry.hash, &entry.line);
            }
            walk.end()
        };
        let whole = walk(&entries);
        assert!(whole.ok && whole.entries == 5 && whole.head == before.to_string());

        let mut gap = entries.clone();
        gap.remove(2);
        assert_eq!(walk(&gap).first_bad.unwrap().0, 3);
        let mut swapped = entries.clone();
        swapped.swap(1, 2);
        assert_eq!(walk(&swapped).first_bad.unwrap().0, 2);
        let mut changed = entries.clone();
        changed[3].line = changed[3].line.replace("\"t\"", "\"T\"");
        assert_eq!(walk(&changed).first_bad.unwrap().0, 4);
        // Rewritten with a hash that fits its own text: the next one gives it away.
        changed[3].hash = Hash::of(&[&changed[2].hash.0, changed[3].line.as_bytes()]);
        assert_eq!(walk(&changed).first_bad.unwrap().0, 5);
    }
}
