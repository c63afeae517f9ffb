//! # Run files, byte by byte (format 1)
//!
//! A run file (`*.bwr`) holds the readings of one run, or those of one station and one UTC day outside
//! runs. It can be read with this page, a JSON reader, CRC-32, and for the columns a reader of the pco format
//! (`pco` for Rust, `pcodec` for Python; standalone files, any version since 1.0). Nothing outside the file is needed.
//!
//! All numbers are little-endian. `f64` is IEEE 754 binary64. *Varint* is unsigned LEB128: 7 bits a byte, lowest
//! first, top bit set when more follow. *Signed varint* is a varint of the folded number: 0, -1, 1, -2, 2 are written as 0, 1, 2, 3, 4. CRC-32 is the one of
//! IEEE 802.3 and zip (check value of `123456789`: `cbf43926`). Times: *wall* is milliseconds since
//! 1970-01-01T00:00:00Z, may step; *mono* is the daemon's own milliseconds, never goes back within a run.
//!
//! ## The file
//!
//! | offset | size | |
//! |---|---|---|
//! | 0 | 8 | `89 42 57 52 0d 0a 1a 0a` (`BWR`, and what shows a transfer that changed line ends) |
//! | 8 | 2 | format of the file: 1 |
//! | 10 | 6 | zero |
//! | 16 | | blocks, one after the other, to the end of the file |
//!
//! ## A block
//!
//! | offset | size | |
//! |---|---|---|
//! | 0 | 4 | `BWbk` |
//! | 4 | 1 | kind |
//! | 5 | 1 | version of the kind: 1 |
//! | 6 | 2 | zero |
//! | 8 | 4 | length of the body |
//! | 12 | 4 | CRC-32 of the body |
//! | 16 | 4 | CRC-32 of bytes 0 to 15 |
//! | 20 | | body |
//!
//! A block whose sums are wrong is lost alone: search on for the next `BWbk` with a right header sum. Skip kinds and
//! versions that you do not know.
//!
//! | kind | name | body |
//! |---|---|---|
//! | 1 | about | at the beginning, when channels change, and once more in a sealed file, in case the first is damaged. JSON: `lab`, `station`, `run` (number) or `day` (`2026-11-25`), `channels` (names, in column order), and for the reader without this page `qualities`, `phases` (names by number), `writer` |
//! | 2 | chunk | consecutive scans, below; its channels are those of the `about` blocks with the same sum of names |
//! | 3 | run | JSON: the run's record. The last one counts; an earlier one is from the run's start |
//! | 4 | journal | lines of text, a journal entry that names this run each: its number, a space, the hash of the entry before it in the journal in hex, a space, the entry's JSON. Its own hash is SHA-256(hash before as 32 bytes, then the bytes of the JSON): compare it with the journal's |
//! | 5 | coarse level | lowest, highest, mean per span of 10 s or 5 min, below; in sealed files since format 2 of the directory |
//! | 6 | index | below |
//! | 7 | end | below; the last block of a sealed file |
//! | 8 | decisions | what the run was decided on, below |
//!
//! A file without an end block is not finished: its daemon still writes it, or died. What is whole in it counts.
//!
//! ## A chunk
//!
//! | offset | size | |
//! |---|---|---|
//! | 0 | 2 | scans, at least 1 |
//! | 2 | 2 | channels |
//! | 4 | 4 | CRC-32 of the channels' names, each followed by a line feed |
//! | 8 | 8 | place of its last scan in the writer's tail files (file number x 2^32 + scan); means nothing outside |
//! | 16 | 8 | mono of the first scan |
//! | 24 | 8 | mono of the last scan |
//! | 32 | 8 | lowest wall time, signed |
//! | 40 | 8 | highest wall time, signed |
//! | 48 | | per channel: varint count of good readings; if not 0: f64 lowest, f64 highest of them (by IEEE 754 totalOrder); varint count of spans that are not good, each: varint scans since the span before, varint length, 1 byte quality |
//! | | | columns, each: varint length in bytes, then the column |
//!
//! So the first part answers overviews without decoding a column. Columns, in this order:
//!
//! 1. mono, integers
//! 2. wall minus mono, integers
//! 3. heat (0 to 1), f64
//! 4. phase, integers
//! 5. stage, integers: 0 none, else stage + 1
//! 6. target in degrees Celsius, f64, NaN where there is none
//! 7. and on: per channel the *good* readings in degrees Celsius, f64; scans within a span of another quality have none here
//!
//! Sums and differences of integers wrap at 64 bits.
//!
//! ## Columns
//!
//! A column of *n* integers (64 bits, signed) begins with a byte that says how it is written:
//!
//! | byte | then |
//! |---|---|
//! | 0 | signed varint: all *n* are this |
//! | 1 | varint number of runs, then per run: signed varint difference from the value of the run before (first: from 0), varint length |
//! | 2 | pco standalone, 64-bit signed |
//! | 3 | pco standalone, 32-bit signed |
//! | 4 | signed varint first, signed varint step, then a column of *n* - 1 integers (0 to 3): value - value before - step |
//! | 5 | signed varint first, signed varint step, then a column of *n* integers (0 to 3): value - (first + position x step) |
//! | 6 | signed varint first, byte *a*, byte *b*, then a column of *n* - 1 integers (0 to 3): how much each value is above what is expected, below |
//!
//! What is expected (linear exponential smoothing in integers; `>>` is the arithmetic shift, rounding down): at first *L* = first x 2^16, *T* = 0. For each
//! following value: *P* = *L* + *T*; value = number in the column + ((*P* + 2^15) `>>` 16); *E* = value x 2^16 - *P*; *L* = *P* + (*E* `>>` *a*); *T* = *T* + (*E* `>>` *b*).
//!
//! A column of *n* f64:
//!
//! | byte | then |
//! |---|---|
//! | 0 | f64: all are this |
//! | 1 | varint number of runs, then per run: f64, varint length |
//! | 2 | pco standalone, f64 |
//! | 3 | varint scale, then a column of *n* integers: value = integer / scale, both taken as f64, exact to the bit |
//!
//! A column of nothing (*n* = 0) is empty.
//!
//! ## Tables
//!
//! The body of the two kinds that follow: varint count of columns, each: varint number, 1 byte type (0 integers, 1 f64, 2
//! bytes), varint count *n*, varint length in bytes, then the column (bytes: as they are).
//!
//! ## A coarse level
//!
//! A table. Column 0: one value, length of a span in ms of wall time. 1: bytes, names of the channels, a line feed after each. 2: per span its number
//! (beginning divided by length); spans without scans are left out. 3: scans. 4: mean heat, to a thousandth. Then for channel *c* (0 the first) from
//! column 8 + 4*c*: good readings; and for spans that have some: lowest, highest, mean to a thousandth of a degree.
//!
//! ## Decisions
//!
//! What reached the run's station while its record was open, and what its outputs were told. A core of this program that is given the
//! station as it was (column 32) and these items decides again. A table; an item takes one value from each column that its kind has:
//!
//! | column | what |
//! |---|---|
//! | 0 | one value: number of this part of the run's decisions, from 0; one that is missing is lost |
//! | 1 | kind: 0 time passed, 1 a thought about the newest readings, 2 a scan that is the run's next row, 3 anything else as JSON, 4 a driver's answer, 5 a call on the shared supply, 6 another start was refused, 7 another start (the first item: this run's own), 8 something is missing from here on |
//! | 2 | mono time at which it was handled |
//! | 3 | number of the command before those that came of it, minus that of the last command of the item before (at first: 0) |
//! | 4 | how many commands came of it |
//! | 5, 6 | kind 2: milliseconds from sampling to handling; number of the driver |
//! | 7, 8 | kind 2: channels (bit 0 the first) whose reading was another before its offset: in 2000 + channel; that had a cold junction: in 3000 + channel |
//! | 9 to 12 | kind 2: count of other inputs; each: its number, 0 open 1 closed 2 unreadable 3 amperes; amperes |
//! | 13 to 16 | kind 4: output; number of the last command minus that of the answered one; bit 0 it answers one, bit 1 its permit ran out, bit 2 its share is the one it was last told; else the share |
//! | 17 to 21 | each command: 0 heat 1 off 2 cut 3 takes heat again; output; milliseconds into its window or -1; its number minus the one expected; for heat the share |
//! | 22 to 30 | kind 5: station, 0 asks 1 gives back 2 confirmed, time and command as differences, how it draws, whether it dwells, since when, share, watts |
//! | 31 | kind 3: a line of JSON each |
//! | 32, 1000 to 1999 | in part 0: the station as JSON of this program's own, and what its channels and heat were in the last two minutes |
//!
//! ## Index and end
//!
//! Index: varint count, then per block since the beginning of the file: 1 byte kind, varint distance from the offset of the
//! block before (first: from 0), and for a chunk varint scans, signed varint from the mono of the last scan of the chunk before (first: from 0) to that of its first scan,
//! varint from its first to its last.
//!
//! End: 8 bytes offset of the index block, 8 bytes offset of this end block, 32 bytes SHA-256 of all bytes of the file before
//! this end block. So `head -c OFFSET FILE | sha256sum` checks a file with standard tools; the end block is the file's last 68 bytes.

use std::path::Path;

use crate::bytes::{Put, Take};
use crate::error::Damage;
use crate::journal::Hash;

/// First bytes of a run file.
pub const MAGIC: [u8; 8] = *b"\x89BWR\r\n\x1a\n";
/// The format that this version writes.
pub const FORMAT: u16 = 1;
/// Length of what precedes the first block.
pub(crate) const FILE_HEAD: usize = 16;

const MARK: [u8; 4] = *b"BWbk";
const BLOCK_HEAD: usize = 20;
/// Length of the end block, head and body.
const END: usize = BLOCK_HEAD + 48;

/// Kinds of blocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    About,
    Chunk,
    Run,
    Journal,
    Index,
    End,
    Decisions,
    Coarse,
    /// Of a later version.
    Unknown(u8),
}

impl Kind {
    fn code(self) -> u8 {
        match self {
            Self::About => 1,
            Self::Chunk => 2,
            Self::Run => 3,
            Self::Journal => 4,
            Self::Index => 6,
            Self::End => 7,
            Self::Decisions => 8,
            Self::Coarse => 5,
            Self::Unknown(code) => code,
        }
    }

    fn from(code: u8, version: u8) -> Self {
        match (code, version) {
            (1, 1) => Self::About,
            (2, 1) => Self::Chunk,
            (3, 1) => Self::Run,
            (4, 1) => Self::Journal,
            (6, 1) => Self::Index,
            (7, 1) => Self::End,
            (8, 1) => Self::Decisions,
            (5, 1) => Self::Coarse,
            (code, _) => Self::Unknown(code),
        }
    }
}

/// What a new file begins with.
pub(crate) fn file_head() -> Vec<u8> {
    let mut bytes = MAGIC.to_vec();
    bytes.put_u16(FORMAT);
    bytes.resize(FILE_HEAD, 0);
    bytes
}

/// Appends a block.
pub(crate) fn put_block(out: &mut Vec<u8>, kind: Kind, body: &[u8]) {
    let start = out.len();
    out.put(&MARK);
    out.put_u8(kind.code());
    out.put_u8(1);
    out.put_u16(0);
    out.put_u32(u32::try_from(body.len()).expect("bodies are far below 4 GiB"));
    out.put_u32(crc32fast::hash(body));
    let sum = crc32fast::hash(&out[start..]);
    out.put_u32(sum);
    out.put(body);
}

/// A whole block of a file.
#[derive(Clone, Copy)]
pub(crate) struct Block<'a> {
    /// Its offset in the file.
    pub(crate) at: u64,
    pub(crate) kind: Kind,
    pub(crate) body: &'a [u8],
}

/// Walks the blocks of a file; damaged places come out as what they are, and the walk goes on behind them.
pub(crate) struct Blocks<'a> {
    path: &'a Path,
    bytes: &'a [u8],
    at: usize,
    /// End of the last whole block: what is worth keeping of an unfinished file.
    pub(crate) whole: usize,
}

impl<'a> Blocks<'a> {
    /// `bytes`: the whole file.
    pub(crate) fn of(path: &'a Path, bytes: &'a [u8]) -> Result<Self, Damage> {
        let damage = |why: String| Damage {
            path: path.to_owned(),
            at: 0,
            why,
        };
        if bytes.len() < FILE_HEAD || bytes[..8] != MAGIC {
            return Err(damage("does not begin like a run file".into()));
        }
        match u16::from_le_bytes([bytes[8], bytes[9]]) {
            FORMAT => Ok(Self {
                path,
                bytes,
                at: FILE_HEAD,
                whole: FILE_HEAD,
            }),
            newer => Err(damage(format!("has format {newer}; this version reads {FORMAT}"))),
        }
    }

    fn block(&self, at: usize) -> Option<Result<(Kind, &'a [u8]), &'static str>> {
        let head = self.bytes.get(at..at + BLOCK_HEAD)?;
        let mut take = Take(head);
        if take.take(4)? != MARK
            || crc32fast::hash(&head[..16]) != u32::from_le_bytes(head[16..].try_into().ok()?)
        {
            return None;
        }
        let (kind, version) = (take.u8()?, take.u8()?);
        take.u16()?;
        let (length, sum) = (take.u32()? as usize, take.u32()?);
        let Some(body) = self.bytes.get(at + BLOCK_HEAD..at + BLOCK_HEAD + length) else {
            return Some(Err("ends within a block"));
        };
        if crc32fast::hash(body) != sum {
            return Some(Err("the sum of a block is wrong"));
        }
        Some(Ok((Kind::from(kind, version), body)))
    }
}

impl<'a> Iterator for Blocks<'a> {
    type Item = Result<Block<'a>, Damage>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.at >= self.bytes.len() {
            return None;
        }
        let at = self.at;
        let why = match self.block(at) {
            Some(Ok((kind, body))) => {
                self.at = at + BLOCK_HEAD + body.len();
                self.whole = self.at;
                return Some(Ok(Block {
                    at: at as u64,
                    kind,
                    body,
                }));
            }
            Some(Err(why)) => why,
            None => "no block where one should begin",
        };
        // A wrong body leaves its length believable, yet a search costs little and errs never.
        self.at = (at + 1..self.bytes.len().saturating_sub(BLOCK_HEAD - 1))
            .find(|&next| self.bytes[next..].starts_with(&MARK) && self.block(next).is_some())
            .unwrap_or(self.bytes.len());
        Some(Err(Damage {
            path: self.path.to_owned(),
            at: at as u64,
            why: why.into(),
        }))
    }
}

/// An entry of the index.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct IndexEntry {
    pub(crate) at: u64,
    pub(crate) kind: u8,
    /// For a chunk: scans, mono of the first and of the last.
    pub(crate) chunk: Option<(u16, u64, u64)>,
}

impl IndexEntry {
    pub(crate) fn of(block: &Block<'_>) -> Self {
        let chunk = (block.kind == Kind::Chunk)
            .then(|| {
                let mut take = Take(block.body);
                let count = take.u16()?;
                take.take(14)?;
                Some((count, take.u64()?, take.u64()?))
            })
            .flatten();
        Self {
            at: block.at,
            kind: block.kind.code(),
            chunk,
        }
    }
}

impl IndexEntry {
    pub(crate) fn is(&self, kind: Kind) -> bool {
        self.kind == kind.code()
    }
}

/// The index and end blocks for a file that so far is `bytes`.
pub(crate) fn closing(bytes: &[u8], entries: &[IndexEntry]) -> Vec<u8> {
    let mut body = Vec::new();
    body.put_len(entries.len());
    let (mut offset, mut mono) = (0, 0_u64);
    for entry in entries {
        body.put_u8(entry.kind);
        body.put_varint(entry.at - offset);
        offset = entry.at;
        if let Some((count, first, last)) = entry.chunk {
            body.put_varint(count.into());
            body.put_signed(first.wrapping_sub(mono).cast_signed());
            body.put_varint(last.wrapping_sub(first));
            mono = last;
        }
    }
    let mut out = Vec::new();
    put_block(&mut out, Kind::Index, &body);
    let mut end = Vec::new();
    end.put_u64(bytes.len() as u64);
    end.put_u64((bytes.len() + out.len()) as u64);
    end.put(&Hash::of(&[bytes, &out]).0);
    put_block(&mut out, Kind::End, &end);
    out
}

/// Is there a whole end block? Then the file was sealed.
pub(crate) fn is_sealed(bytes: &[u8]) -> bool {
    end_of(bytes).is_some()
}

/// What the end block says: offset of the index, offset of the end, sum.
fn end_of(bytes: &[u8]) -> Option<(u64, u64, [u8; 32])> {
    let at = bytes.len().checked_sub(END).filter(|&at| at >= FILE_HEAD)?;
    let blocks = Blocks {
        path: Path::new(""),
        bytes,
        at,
        whole: 0,
    };
    let Some(Ok((Kind::End, body))) = blocks.block(at) else {
        return None;
    };
    let mut take = Take(body);
    Some((take.u64()?, take.u64()?, take.take(32)?.try_into().ok()?))
}

fn index_of(body: &[u8], chunk_code: u8) -> Option<Vec<IndexEntry>> {
    let mut take = Take(body);
    let (mut offset, mut mono) = (0_u64, 0_u64);
    let mut entries = Vec::new();
    for _ in 0..take.len()? {
        let kind = take.u8()?;
        offset = offset.checked_add(take.varint()?)?;
        let chunk = if kind == chunk_code {
            let count = u16::try_from(take.varint()?).ok()?;
            let first = mono.wrapping_add(take.signed()?.cast_unsigned());
            mono = first.wrapping_add(take.varint()?);
            Some((count, first, mono))
        } else {
            None
        };
        entries.push(IndexEntry {
            at: offset,
            kind,
            chunk,
        });
    }
    take.is_empty().then_some(entries)
}

/// What is said of a file of that length which has no end block.
pub(crate) fn no_end(path: &Path, length: u64) -> Damage {
    Damage {
        path: path.to_owned(),
        at: length,
        why: "no end: the file was cut off or never sealed".into(),
    }
}

/// Checks a sealed file as a whole: every block, the index, and the sum over all.
pub(crate) fn check_sealed(path: &Path, bytes: &[u8]) -> Vec<Damage> {
    let damage = |at: u64, why: &str| Damage {
        path: path.to_owned(),
        at,
        why: why.into(),
    };
    let blocks = match Blocks::of(path, bytes) {
        Ok(blocks) => blocks,
        Err(bad) => return vec![bad],
    };
    let (mut found, mut entries, mut index) = (Vec::new(), Vec::new(), None);
    for block in blocks {
        match block {
            Err(bad) => found.push(bad),
            Ok(Block {
                at,
                kind: Kind::Index,
                body,
            }) => index = Some((at, index_of(body, Kind::Chunk.code()))),
            Ok(Block { kind: Kind::End, .. }) => {}
            Ok(block) => entries.push(IndexEntry::of(&block)),
        }
    }
    match end_of(bytes) {
        None => found.push(no_end(path, bytes.len() as u64)),
        Some((index_at, end_at, sum)) => {
            let before = &bytes[..bytes.len() - END];
            if end_at != before.len() as u64 || Hash::of(&[before]).0 != sum {
                found.push(damage(
                    end_at,
                    "the SHA-256 of the file is not the one that it was sealed with",
                ));
            }
            if index != Some((index_at, Some(entries))) {
                found.push(damage(index_at, "the index is not that of the blocks"));
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> (Vec<u8>, Vec<Vec<u8>>) {
        let bodies: Vec<Vec<u8>> = (0..5_u8).map(|n| (0..200).map(|at| at ^ n).collect()).collect();
        let mut bytes = file_head();
        for body in &bodies {
            put_block(&mut bytes, Kind::Run, body);
        }
        (bytes, bodies)
    }

    #[test]
    fn crc32_is_the_one_that_the_page_promises() {
        // Check value of CRC-32/ISO-HDLC, RevEng catalogue of parametrised CRC algorithms.
        assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
    }

    #[test]
    fn a_flipped_byte_costs_one_block_wherever_it_is() {
        let (bytes, bodies) = sample();
        let path = Path::new("x.bwr");
        for at in FILE_HEAD..bytes.len() {
            let mut broken = bytes.clone();
            broken[at] ^= 0x40;
            let walked: Vec<_> = Blocks::of(path, &broken).unwrap().collect();
            let hit = (at - FILE_HEAD) / (BLOCK_HEAD + 200);
            let good: Vec<&[u8]> = walked.iter().flatten().map(|block| block.body).collect();
            let expected: Vec<&[u8]> = bodies
                .iter()
                .enumerate()
                .filter(|&(n, _)| n != hit)
                .map(|(_, body)| &body[..])
                .collect();
            assert_eq!(good, expected, "byte {at}");
            assert_eq!(
                walked.iter().filter(|block| block.is_err()).count(),
                1,
                "byte {at}"
            );
        }
    }

    #[test]
    fn a_cut_keeps_all_whole_blocks() {
        let (bytes, _) = sample();
        for length in FILE_HEAD..bytes.len() {
            let mut blocks = Blocks::of(Path::new("x.bwr"), &bytes[..length]).unwrap();
            let whole = blocks.by_ref().flatten().count();
            assert_eq!(whole, (length - FILE_HEAD) / (BLOCK_HEAD + 200));
            assert_eq!(blocks.whole, FILE_HEAD + whole * (BLOCK_HEAD + 200));
        }
    }

    #[test]
    fn every_flipped_byte_of_a_sealed_file_is_found() {
        let (mut bytes, _) = sample();
        let path = Path::new("x.bwr");
        let entries: Vec<_> = Blocks::of(path, &bytes)
            .unwrap()
            .flatten()
            .map(|block| IndexEntry::of(&block))
            .collect();
        let closing = closing(&bytes, &entries);
        bytes.extend(closing);
        assert_eq!(check_sealed(path, &bytes), []);
        assert!(is_sealed(&bytes));
        for at in 0..bytes.len() {
            bytes[at] ^= 1;
            assert_ne!(check_sealed(path, &bytes), [], "byte {at}");
            bytes[at] ^= 1;
        }
        for length in 0..bytes.len() {
            assert_ne!(check_sealed(path, &bytes[..length]), [], "cut to {length}");
        }
        // An index that is whole, and not that of this file.
        let (mut wrong, _) = sample();
        wrong.extend(super::closing(&wrong, &entries[1..]));
        assert!(check_sealed(path, &wrong)[0].why.contains("index"));
    }
}
