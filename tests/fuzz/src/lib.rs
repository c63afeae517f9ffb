//! What comes from outside, and what must not come of it.
//!
//! A target takes bytes and panics where something is wrong: no input may end the daemon, and what is taken has to be sound. An
//! input is a good text of the project's own, spoiled by [`Edit`]s: pure noise would be refused at its first byte, and say
//! nothing of what comes after.

use std::fs;
use std::path::{Path, PathBuf};

use benchward_archive::{Archive, Outcome, Phase, Reader, Row, RunRecord, Value, Wall, export};
use benchward_config::Config;
use benchward_core::CEILING_MAX;
use benchward_core::recipe::Recipe;
use benchward_core::window::Window;
use benchward_driver::wire::{FromDriver, Lines, ToDriver};
use proptest::prelude::{Just, Strategy, any, prop_oneof};

/// One way to spoil a text. Places count round and round, so that each number is one.
#[derive(Debug, Clone)]
pub enum Edit {
    /// Another byte at that place.
    Put(u16, u8),
    /// One bit turned.
    Turn(u16, u8),
    /// Some bytes left out.
    Drop(u16, u8),
    /// Some bytes twice.
    Repeat(u16, u8),
    /// A word that texts of this project are made of.
    Word(u16, u8),
    /// The rest is missing.
    End(u16),
}

/// Words that mean something somewhere.
const WORDS: &[&str] = &[
    "1e999",
    "-0",
    "NaN",
    "inf",
    "1e-320",
    "9223372036854775808",
    "-1",
    "0",
    "null",
    "true",
    "\"\"",
    "[]",
    "{}",
    "[[stage]]",
    "[window]",
    "\u{0}",
    "\u{fffd}",
    "\r\n",
    "celsius",
    "fahrenheit",
    "\"\"\"",
    "#",
    "\\u0000",
    "\\ud800",
    "= ",
    "1979-05-27",
];

/// A few edits, of any kind.
pub fn edits() -> impl Strategy<Value = Vec<Edit>> {
    let place = any::<u16>;
    let edit = prop_oneof![
        (place(), any::<u8>()).prop_map(|(at, byte)| Edit::Put(at, byte)),
        (place(), any::<u8>()).prop_map(|(at, bit)| Edit::Turn(at, bit)),
        (place(), any::<u8>()).prop_map(|(at, count)| Edit::Drop(at, count)),
        (place(), any::<u8>()).prop_map(|(at, count)| Edit::Repeat(at, count)),
        (place(), any::<u8>()).prop_map(|(at, word)| Edit::Word(at, word)),
        place().prop_map(Edit::End),
    ];
    // One spoiled place is what a parser gets furthest with.
    prop_oneof![
        edit.clone().prop_map(|one| vec![one]),
        proptest::collection::vec(edit, 0..8),
        Just(Vec::new()),
    ]
}

/// The text after the edits.
pub fn spoiled(text: &[u8], edits: &[Edit]) -> Vec<u8> {
    let mut bytes = text.to_vec();
    for edit in edits {
        let place = |at: u16| usize::from(at) % (bytes.len() + 1);
        match *edit {
            Edit::Put(at, byte) => {
                let at = place(at);
                if let Some(there) = bytes.get_mut(at) {
                    *there = byte;
                }
            }
            Edit::Turn(at, bit) => {
                let at = place(at);
                if let Some(there) = bytes.get_mut(at) {
                    *there ^= 1 << (bit % 8);
                }
            }
            Edit::Drop(at, count) => {
                let from = place(at);
                let to = (from + usize::from(count)).min(bytes.len());
                bytes.drain(from..to);
            }
            Edit::Repeat(at, count) => {
                let from = place(at);
                let to = (from + usize::from(count)).min(bytes.len());
                let again = bytes[from..to].to_vec();
                bytes.splice(to..to, again);
            }
            Edit::Word(at, word) => {
                let at = place(at);
                let word = WORDS[usize::from(word) % WORDS.len()];
                bytes.splice(at..at, word.bytes());
            }
            Edit::End(at) => {
                let at = place(at);
                bytes.truncate(at);
            }
        }
    }
    bytes
}

/// All files in folders of the project, relative to this package.
///
/// # Panics
/// If there are none.
pub fn seeds(folders: &[&str]) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> = Vec::new();
    for folder in folders {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
        if path.is_file() {
            paths.push(path);
            continue;
        }
        let files = fs::read_dir(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        paths.extend(files.flatten().map(|file| file.path()));
    }
    paths.sort();
    assert!(!paths.is_empty(), "no seeds in {folders:?}");
    paths
        .iter()
        .map(|path| fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display())))
        .collect()
}

/// What a target has failed on before: kept by `tests/fuzz/run --guided`, and committed with what mended it.
///
/// # Panics
/// If a file can't be read.
pub fn regressions(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("regressions")
        .join(target);
    let mut paths: Vec<PathBuf> = fs::read_dir(&folder)
        .map(|files| files.flatten().map(|file| file.path()).collect())
        .unwrap_or_default();
    paths.sort();
    paths
        .iter()
        .map(|path| fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display())))
        .collect()
}

/// What a driver says, cut into lines as it comes, and what a driver is told. What is taken is the same when it is written and
/// read again.
///
/// # Panics
/// If it isn't.
pub fn driver_lines(bytes: &[u8]) {
    let mut lines = Lines::new();
    for piece in bytes.chunks(17) {
        lines.push(piece);
        while let Some(line) = lines.next_line() {
            let Ok(line) = line else { continue };
            if let Ok(message) = FromDriver::parse(line) {
                let mut out = Vec::new();
                message.write_line(&mut out);
                // What is to be refused or ignored is nothing that is written.
                if !out.is_empty() {
                    let again = FromDriver::parse(out.trim_ascii_end());
                    assert_eq!(again.as_ref(), Ok(&message), "{}", String::from_utf8_lossy(&out));
                }
            }
            if let Ok(message) = ToDriver::parse(line) {
                let mut out = Vec::new();
                message.write_line(&mut out);
                if !out.is_empty() {
                    let again = ToDriver::parse(out.trim_ascii_end());
                    assert_eq!(again.as_ref(), Ok(&message), "{}", String::from_utf8_lossy(&out));
                }
            }
        }
    }
}

/// `lab.toml`: taken, or refused with at least one mistake that can be shown.
///
/// # Panics
/// If there is none.
pub fn configuration(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let Err(mistakes) = Config::parse("lab.toml", &text) {
        assert!(!mistakes.to_string().is_empty());
    }
}

/// A recipe: one that is taken stays within what any ceiling allows.
///
/// # Panics
/// If it doesn't, or nothing is said of one that is refused.
pub fn recipe(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    match Recipe::parse("recipe", &text) {
        Ok(recipe) => assert!(!recipe.stages.is_empty() && recipe.highest_target() <= CEILING_MAX),
        Err(mistakes) => assert!(!mistakes.to_string().is_empty()),
    }
}

/// A window by itself: taken, or refused with at least one mistake.
///
/// # Panics
/// If nothing is said of one that is refused.
pub fn window(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let Err(mistakes) = Window::parse("window", &text) {
        assert!(!mistakes.to_string().is_empty());
    }
}

/// An archive with one run in a sealed file.
#[derive(Debug)]
pub struct Kept {
    folder: tempfile::TempDir,
    file: PathBuf,
    /// The file as it was written.
    pub whole: Vec<u8>,
    /// Its readings, exported.
    rows: Vec<u8>,
    scans: usize,
}

impl Kept {
    /// Some hundred scans of two channels, with faults and gaps.
    ///
    /// # Panics
    /// If the disk is full.
    #[expect(
        clippy::new_without_default,
        reason = "it makes a folder; `default` would hide that"
    )]
    pub fn new() -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let scans: u16 = 700;
        let (mut writer, _, _) = Archive::open(folder.path(), "larkfield", Wall(0)).expect("it is new");
        let station = writer
            .station("bench-1", &["board-top", "board-edge"])
            .expect("room");
        let run = RunRecord {
            run: 1,
            ..RunRecord::default()
        };
        writer.put_run(&run).expect("room");
        for n in 0..scans {
            let other = if n % 50 == 7 {
                Value::Absent
            } else {
                Value::Celsius(24.0)
            };
            let row = Row {
                station,
                run: Some(1),
                at: Wall(1_795_611_600_000 + i64::from(n) * 100),
                mono_ms: u64::from(n) * 100,
                values: &[Value::Celsius(24.0 + f64::from(n) / 8.0), other],
                heat: 0.5,
                phase: Phase::Ramp,
                stage: Some(1),
                target_celsius: Some(150.0),
            };
            writer.append(&row).expect("room");
        }
        let ended = RunRecord {
            outcome: Some(Outcome::Completed),
            ended: Some(Wall(0)),
            ..run
        };
        writer.put_run(&ended).expect("room");
        writer.close(Wall(0)).expect("room");
        let reader = Reader::open(folder.path()).expect("it was just written");
        let file = reader
            .sealed_file(1)
            .expect("it was just written")
            .expect("it is sealed");
        let whole = fs::read(&file).expect("it is there");
        let mut rows = Vec::new();
        export::csv(reader.recording(1).expect("it is there"), &mut rows).expect("it was just written");
        Self {
            folder,
            file,
            whole,
            rows,
            scans: scans.into(),
        }
    }

    /// Reads the run from a file of these bytes, in every way that there is. What is damaged is said to be; what is read
    /// without a word of damage is all there, to the last digit.
    ///
    /// # Panics
    /// If it isn't.
    pub fn run_file(&self, bytes: &[u8]) {
        fs::write(&self.file, bytes).expect("the folder is ours");
        let reader = Reader::open(self.folder.path()).expect("the store is whole");
        // Apart from what reading says: that looks at no more than it needs.
        let checked = reader.check_run(1).map_or(1, |damage| damage.len());
        let (mut read, mut damaged) = (0, 0);
        match reader.readings(1) {
            Ok(mut readings) => {
                while let Some(block) = readings.next_block() {
                    match block {
                        Ok(block) => read += block.scans.len(),
                        Err(_) => damaged += 1,
                    }
                }
            }
            Err(_) => damaged += 1,
        }
        let mut rows = Vec::new();
        let exported = reader
            .recording(1)
            .ok()
            .and_then(|run| export::csv(run, &mut rows).ok());
        damaged += exported.map_or(1, |exported| exported.damage.len());
        assert!(
            read <= self.scans || damaged > 0,
            "{read} scans of {}",
            self.scans
        );
        assert!(damaged > 0 || rows == self.rows, "other readings and no damage");
        if bytes == self.whole {
            assert_eq!((checked, damaged), (0, 0), "nothing was spoiled");
        }
    }

    /// The same with the sums of its blocks made right, so that what is damaged gets as far as the decoders. Nothing says then which
    /// readings are right; all of it is read to its end, or refused.
    ///
    /// # Panics
    /// If the disk is full, or a decoder does.
    pub fn run_file_with_right_sums(&self, bytes: &[u8]) {
        fs::write(&self.file, with_right_sums(bytes)).expect("the folder is ours");
        let reader = Reader::open(self.folder.path()).expect("the store is whole");
        let _ = reader.check_run(1);
        if let Ok(run) = reader.recording(1) {
            let _ = export::csv(run, &mut std::io::sink());
        }
    }
}

/// A run file whose blocks have the sums of what is in them, as far as there are blocks; `archive::format` says where they are. A
/// body that is longer than the file ends with it.
fn with_right_sums(bytes: &[u8]) -> Vec<u8> {
    const FILE_HEAD: usize = 16;
    const BLOCK_HEAD: usize = 20;
    let mut out = bytes.to_vec();
    let mut from = FILE_HEAD;
    while out.get(from..from + 4) == Some(b"BWbk".as_slice()) && out.len() >= from + BLOCK_HEAD {
        let room = out.len() - from - BLOCK_HEAD;
        let said = u32::from_le_bytes(out[from + 8..from + 12].try_into().expect("four bytes"));
        let length = usize::try_from(said).map_or(room, |said| said.min(room));
        let end = from + BLOCK_HEAD + length;
        let kept = u32::try_from(length).expect("no longer than what was said");
        out[from + 8..from + 12].copy_from_slice(&kept.to_le_bytes());
        let body = crc32fast::hash(&out[from + BLOCK_HEAD..end]);
        out[from + 12..from + 16].copy_from_slice(&body.to_le_bytes());
        let head = crc32fast::hash(&out[from..from + 16]);
        out[from + 16..from + BLOCK_HEAD].copy_from_slice(&head.to_le_bytes());
        from = end;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_made_right_where_the_archive_looks_for_them() {
        let kept = Kept::new();
        assert_eq!(with_right_sums(&kept.whole), kept.whole, "they were right");
        let mut spoiled = kept.whole.clone();
        let middle = spoiled.len() / 2;
        spoiled[middle] ^= 1;
        let wrong_sums = |bytes: &[u8]| {
            fs::write(&kept.file, bytes).unwrap();
            let damage = Reader::open(kept.folder.path()).unwrap().check_run(1).unwrap();
            damage
                .iter()
                .filter(|damage| damage.to_string().contains("sum"))
                .count()
        };
        assert_eq!(wrong_sums(&spoiled), 1, "what was spoiled shows by its sum");
        assert_eq!(wrong_sums(&with_right_sums(&spoiled)), 0);
    }
}
