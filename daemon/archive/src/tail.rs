//! The tail: readings not yet packed, in plain files that are only ever appended to.
//!
//! `tail/NNNNNNNNNN.bwt`. A file begins with `BWTAIL` `1a` `0a` and continues with records: 4 bytes length of the body, 4 bytes
//! CRC-32 over these 4 and the body, the body. The first byte of a body says what follows:
//!
//! * 1, *station*: JSON `ix`, `name`, `channels`. Every file names the stations before their first scan, so that each can be read alone.
//! * 2, *scans*: one after the other, each as differences from the station's scan before in the same file (at first: zero everywhere, no run):
//!   varint `ix`; a byte of flags; signed varint mono; then what the flags announce, bit 0: signed varint wall minus mono, bit 1: varint run + 1 or 0, bit 2: f64 heat,
//!   bit 3: byte phase, bit 4: varint stage + 1 or 0, bit 5: f64 target or NaN; then per channel a byte: 0 to 7 as qualities in [`crate::format`], 0 followed
//!   by an f64; 8 followed by an f32 that is the same number; 9 the same reading as before.
//!
//! A record counts when its sum is right; reading stops at the first that does not, and that is where the file is cut.
//!
//! A file is deleted once every scan in it is in a chunk and that chunk is on the disk. A scan's *place* is file number x 2^32 +
//! its number in the file; chunks remember the place of their last scan, so that nothing is packed twice after a crash.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};

use crate::bytes::{Put, Take};
use crate::chunk::{Place, ScanRef};
use crate::error::{Damage, Error};
use crate::files;
use crate::reading::{Phase, Value};
use crate::wall::Wall;

const MAGIC: [u8; 8] = *b"BWTAIL\x1a\n";
/// A new file after this time, so that old ones can go.
const ROTATE_AFTER: Duration = Duration::from_mins(1);
/// Or after this length: 1000 stations of 16 channels reach it in about a minute.
const ROTATE_BYTES: u64 = 64 << 20;
/// On a short disk a file of this length is long enough.
const LET_GO_BYTES: u64 = 256 << 10;
/// A sync after this time at the latest. With ticks each 100 ms no more than 250 ms pass between two syncs.
const SYNC_AFTER: Duration = Duration::from_millis(140);
/// What may wait in memory while the disk refuses; the scans themselves wait to be packed anyway.
const WAITING_BYTES: usize = 8 << 20;
/// A record is closed at this length, so that a damaged length cannot ask for much memory.
const RECORD_BYTES: usize = 64 << 10;

const STATION: u8 = 1;
const SCANS: u8 = 2;
const SAME: u8 = 9;
const SHORT: u8 = 8;

/// A station as a tail file names it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct StationName {
    pub(crate) ix: u16,
    pub(crate) name: String,
    pub(crate) channels: Vec<String>,
}

/// What a station's next scan is written as a difference from.
#[derive(Clone, Debug)]
struct Before {
    mono: i64,
    offset: i64,
    run: Option<u64>,
    heat: f64,
    phase: Phase,
    stage: Option<u16>,
    target: f64,
    values: Vec<Value>,
}

impl Before {
    fn new(width: usize) -> Self {
        Self {
            mono: 0,
            offset: 0,
            run: None,
            heat: 0.0,
            phase: Phase::Idle,
            stage: None,
            target: f64::NAN,
            values: vec![Value::Absent; width],
        }
    }

    fn put(&mut self, out: &mut Vec<u8>, run: Option<u64>, scan: &ScanRef<'_>) {
        let mono = scan.mono_ms.cast_signed();
        let offset = scan.at.0.wrapping_sub(mono);
        let target = scan.target_celsius.unwrap_or(f64::NAN);
        let changed = [
            offset != self.offset,
            run != self.run,
            scan.heat.to_bits() != self.heat.to_bits(),
            scan.phase != self.phase,
            scan.stage != self.stage,
            target.to_bits() != self.target.to_bits(),
        ];
        out.put_u8(
            (0..)
                .zip(changed)
                .map(|(bit, changed)| u8::from(changed) << bit)
                .sum(),
        );
        out.put_signed(mono.wrapping_sub(self.mono));
        if changed[0] {
            out.put_signed(offset.wrapping_sub(self.offset));
        }
        if changed[1] {
            out.put_varint(run.map_or(0, |run| run + 1));
        }
        if changed[2] {
            out.put_f64(scan.heat);
        }
        if changed[3] {
            out.put_u8(scan.phase.code());
        }
        if changed[4] {
            out.put_varint(scan.stage.map_or(0, |stage| u64::from(stage) + 1));
        }
        if changed[5] {
            out.put_f64(target);
        }
        for (value, before) in scan.values.iter().zip(&self.values) {
            match *value {
                value if value == *before => out.put_u8(SAME),
                Value::Celsius(celsius) => {
                    #[expect(
                        clippy::cast_possible_truncation,
                        reason = "compared to the bit in the next line"
                    )]
                    let short = celsius as f32;
                    if f64::from(short).to_bits() == celsius.to_bits() {
                        out.put_u8(SHORT);
                        out.put_u32(short.to_bits());
                    } else {
                        out.put_u8(0);
                        out.put_f64(celsius);
                    }
                }
                other => out.put_u8(other.code()),
            }
        }
        (self.mono, self.offset, self.run, self.heat) = (mono, offset, run, scan.heat);
        (self.phase, self.stage, self.target) = (scan.phase, scan.stage, target);
        self.values.copy_from_slice(scan.values);
    }

    fn take(&mut self, take: &mut Take<'_>) -> Option<()> {
        let flags = take.u8()?;
        let changed = |bit: u8| flags >> bit & 1 == 1;
        self.mono = self.mono.wrapping_add(take.signed()?);
        if changed(0) {
            self.offset = self.offset.wrapping_add(take.signed()?);
        }
        if changed(1) {
            self.run = take.varint()?.checked_sub(1);
        }
        if changed(2) {
            self.heat = take.f64()?;
        }
        if changed(3) {
            self.phase = Phase::from_code(take.u8()?)?;
        }
        if changed(4) {
            self.stage = take
                .varint()?
                .checked_sub(1)
                .map(u16::try_from)
                .transpose()
                .ok()?;
        }
        if changed(5) {
            self.target = take.f64()?;
        }
        for value in &mut self.values {
            match take.u8()? {
                SAME => {}
                SHORT => *value = Value::Celsius(f32::from_bits(take.u32()?).into()),
                0 => *value = Value::Celsius(take.f64()?),
                code => *value = Value::without_number(code)?,
            }
        }
        Some(())
    }

    fn scan(&self) -> ScanRef<'_> {
        ScanRef {
            at: Wall(self.offset.wrapping_add(self.mono)),
            mono_ms: self.mono.cast_unsigned(),
            values: &self.values,
            heat: self.heat,
            phase: self.phase,
            stage: self.stage,
            target_celsius: Some(self.target).filter(|target| !target.is_nan()),
        }
    }
}

/// The tail while it is written.
pub(crate) struct Tail {
    directory: PathBuf,
    stations: BTreeMap<u16, (Arc<StationName>, Before)>,
    /// Number of the file that is written or comes next.
    number: u64,
    /// Scans in it so far.
    scans: u32,
    /// `None` until the first write, and after a failure that spoiled the file.
    file: Option<Current>,
    /// Older files, by number.
    old: BTreeMap<u64, PathBuf>,
    /// Closed records that are not yet in the file.
    waiting: Vec<u8>,
    /// The scans record that still grows.
    record: Vec<u8>,
}

struct Current {
    path: PathBuf,
    file: File,
    /// Bytes that are whole; what a failed write left behind them is cut off before the next.
    length: u64,
    spoiled: bool,
    began: Instant,
    let_go: bool,
    unsynced: Option<Instant>,
}

impl Tail {
    /// A tail that goes on with file `number`; `old` are files that still hold scans.
    pub(crate) fn new(directory: PathBuf, number: u64, old: BTreeMap<u64, PathBuf>) -> Self {
        Self {
            directory,
            stations: BTreeMap::new(),
            number,
            scans: 0,
            file: None,
            old,
            waiting: Vec::new(),
            record: Vec::new(),
        }
    }

    /// From here on `ix` is this station with these channels.
    pub(crate) fn station(&mut self, station: StationName) {
        self.close_record();
        put_record(&mut self.waiting, STATION, &json(&station));
        let before = Before::new(station.channels.len());
        self.stations.insert(station.ix, (Arc::new(station), before));
    }

    /// Appends a scan, in memory, and says its place. The station is known, the width is right.
    pub(crate) fn push(&mut self, ix: u16, run: Option<u64>, scan: &ScanRef<'_>) -> Place {
        let place = self.number << 32 | u64::from(self.scans);
        self.scans += 1;
        self.record.put_varint(ix.into());
        let (_, before) = self
            .stations
            .get_mut(&ix)
            .expect("the writer registers stations before it appends");
        before.put(&mut self.record, run, scan);
        if self.record.len() >= RECORD_BYTES {
            self.close_record();
        }
        place
    }

    fn close_record(&mut self) {
        if !self.record.is_empty() {
            put_record(&mut self.waiting, SCANS, &self.record);
            self.record.clear();
        }
    }

    /// Writes what waits to the file; syncs it when that is due, or `now`.
    pub(crate) fn write(&mut self, sync_now: bool) -> Result<(), Error> {
        self.close_record();
        if self.file.is_none() && self.waiting.is_empty() {
            return Ok(());
        }
        let result = self.write_and_sync(sync_now);
        if result.is_err() && self.waiting.len() > WAITING_BYTES {
            // The scans stay in memory to be packed; only their copy in the tail is given up. What follows must not
            // build on it: it goes to a new file.
            self.rotate();
        }
        result
    }

    fn write_and_sync(&mut self, sync_now: bool) -> Result<(), Error> {
        let current = match &mut self.file {
            Some(current) => current,
            empty => {
                let path = self.directory.join(format!("{:010}.bwt", self.number));
                let file = files::create(&path).map_err(Error::files(&path, "create the tail file"))?;
                files::sync_directory(&self.directory)
                    .map_err(Error::files(&self.directory, "sync the directory"))?;
                let (began, unsynced) = (Instant::now(), Some(Instant::now()));
                empty.insert(Current {
                    path,
                    file,
                    length: 0,
                    spoiled: false,
                    began,
                    let_go: false,
                    unsynced,
                })
            }
        };
        let Current {
            path,
            file,
            length,
            spoiled,
            unsynced,
            ..
        } = current;
        if *spoiled {
            file.set_len(*length)
                .map_err(Error::files(&*path, "cut off what a failed write left"))?;
            file.seek(SeekFrom::Start(*length))
                .map_err(Error::files(&*path, "go on writing"))?;
            *spoiled = false;
        }
        if *length == 0 {
            *spoiled = true;
            file.write_all(&MAGIC).map_err(Error::files(&*path, "write"))?;
            *spoiled = false;
            *length = MAGIC.len() as u64;
        }
        if !self.waiting.is_empty() {
            *spoiled = true;
            file.write_all(&self.waiting)
                .map_err(Error::files(&*path, "write readings"))?;
            *spoiled = false;
            *length += self.waiting.len() as u64;
            self.waiting.clear();
            unsynced.get_or_insert_with(Instant::now);
        }
        if unsynced.is_some_and(|since| sync_now || since.elapsed() >= SYNC_AFTER) {
            file.sync_data().map_err(Error::files(&*path, "sync readings"))?;
            *unsynced = None;
        }
        Ok(())
    }

    /// Goes on in a new file when the present one is old or long enough. Everything is written before.
    pub(crate) fn rotate_if_due(&mut self) -> Result<(), Error> {
        let due = self.file.as_ref().is_some_and(|current| {
            current.let_go || current.began.elapsed() >= ROTATE_AFTER || current.length >= ROTATE_BYTES
        });
        if due && self.scans > 0 {
            self.write(true)?;
            self.rotate();
        }
        Ok(())
    }

    /// Goes on in a new file with the next [`Tail::rotate_if_due`], however young the present one is: so that it can be deleted.
    pub(crate) fn let_go(&mut self) {
        if let Some(current) = &mut self.file
            && current.length > LET_GO_BYTES
        {
            current.let_go = true;
        }
    }

    fn rotate(&mut self) {
        if let Some(current) = self.file.take() {
            self.old.insert(self.number, current.path);
        }
        self.number += 1;
        self.scans = 0;
        self.record.clear();
        self.waiting.clear();
        let stations: Vec<_> = self
            .stations
            .values()
            .map(|(station, _)| StationName::clone(station))
            .collect();
        for station in stations {
            self.station(station);
        }
    }

    /// Deletes files of which all scans lie before `first_needed`: those are packed and on the disk.
    pub(crate) fn delete_before(&mut self, first_needed: Place) -> Result<(), Error> {
        while let Some(entry) = self
            .old
            .first_entry()
            .filter(|entry| *entry.key() < first_needed >> 32)
        {
            let path = entry.get();
            match fs::remove_file(path) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    return Err(Error::files(path, "remove the packed tail file")(error));
                }
                _ => entry.remove(),
            };
        }
        Ok(())
    }

    /// The place that the next scan will have.
    pub(crate) fn next_place(&self) -> Place {
        self.number << 32 | u64::from(self.scans)
    }

    /// There are files that could go.
    pub(crate) fn has_old(&self) -> bool {
        !self.old.is_empty()
    }
}

fn json(station: &StationName) -> Vec<u8> {
    serde_json::to_vec(station).expect("names and numbers always make JSON")
}

fn put_record(out: &mut Vec<u8>, kind: u8, body: &[u8]) {
    let length = u32::try_from(body.len() + 1)
        .expect("records are closed early")
        .to_le_bytes();
    let mut sum = crc32fast::Hasher::new();
    sum.update(&length);
    sum.update(&[kind]);
    sum.update(body);
    out.put(&length);
    out.put_u32(sum.finalize());
    out.put_u8(kind);
    out.put(body);
}

/// A scan as the tail gives it back.
pub(crate) struct TailScan<'a> {
    pub(crate) station: &'a Arc<StationName>,
    pub(crate) run: Option<u64>,
    pub(crate) place: Place,
    pub(crate) scan: ScanRef<'a>,
}

/// Reads a tail file's bytes, giving each scan to `each`. Returns how many bytes are whole, and what
/// is wrong with the rest, if there is a rest.
pub(crate) fn read(
    path: &Path,
    number: u64,
    bytes: &[u8],
    each: &mut dyn FnMut(TailScan<'_>),
) -> (u64, Option<Damage>) {
    let damage = |at: usize, why: &str| {
        Some(Damage {
            path: path.to_owned(),
            at: at as u64,
            why: why.into(),
        })
    };
    if bytes.len() < MAGIC.len() || bytes[..MAGIC.len()] != MAGIC {
        return (0, damage(0, "does not begin like a tail file"));
    }
    let mut stations: BTreeMap<u16, (Arc<StationName>, Before)> = BTreeMap::new();
    let mut scans = 0_u64;
    let mut at = MAGIC.len();
    while at < bytes.len() {
        let mut take = Take(&bytes[at..]);
        let record = (|| {
            let length = take.u32()?;
            let sum = take.u32()?;
            let body = take.take(usize::try_from(length).ok()?)?;
            let mut found = crc32fast::Hasher::new();
            found.update(&length.to_le_bytes());
            found.update(body);
            (found.finalize() == sum).then_some(body)
        })();
        let Some(body) = record else {
            return (at as u64, damage(at, "a torn or damaged record"));
        };
        let understood = match body.split_first() {
            Some((&STATION, body)) => serde_json::from_slice(body).ok().map(|station: StationName| {
                let before = Before::new(station.channels.len());
                stations.insert(station.ix, (Arc::new(station), before));
            }),
            Some((&SCANS, body)) => (|| {
                let mut take = Take(body);
                while !take.is_empty() {
                    let (station, before) = stations.get_mut(&u16::try_from(take.varint()?).ok()?)?;
                    before.take(&mut take)?;
                    each(TailScan {
                        station,
                        run: before.run,
                        place: number << 32 | scans,
                        scan: before.scan(),
                    });
                    scans += 1;
                }
                Some(())
            })(),
            _ => None,
        };
        if understood.is_none() {
            return (at as u64, damage(at, "a record that makes no sense"));
        }
        at = bytes.len() - take.0.len();
    }
    (at as u64, None)
}

/// The tail files of a directory, by number.
pub(crate) fn files_in(directory: &Path) -> Result<BTreeMap<u64, PathBuf>, Error> {
    let number = |path: &PathBuf| path.file_name()?.to_str()?.strip_suffix(".bwt")?.parse().ok();
    Ok(files::list(directory)?
        .into_iter()
        .filter_map(|path| Some((number(&path)?, path)))
        .collect())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::chunk::tests::{any_scan, scan_ref};
    use crate::reading::Scan;

    fn owned(scan: &ScanRef<'_>) -> Scan {
        Scan {
            at: scan.at,
            mono_ms: scan.mono_ms,
            values: scan.values.to_vec(),
            heat: scan.heat,
            phase: scan.phase,
            stage: scan.stage,
            target_celsius: scan.target_celsius,
        }
    }

    fn station(ix: u16, width: usize) -> StationName {
        StationName {
            ix,
            name: format!("bench-{ix}"),
            channels: (0..width).map(|n| n.to_string()).collect(),
        }
    }

    type Kept = (u16, Option<u64>, Place, Scan);

    fn read_all(path: &Path) -> (Vec<Kept>, u64, Option<Damage>) {
        let number = path.file_stem().unwrap().to_str().unwrap().parse().unwrap();
        let mut found = Vec::new();
        let (whole, damage) = read(path, number, &fs::read(path).unwrap(), &mut |kept| {
            found.push((kept.station.ix, kept.run, kept.place, owned(&kept.scan)));
        });
        (found, whole, damage)
    }

    fn sample(directory: &Path) -> Vec<Kept> {
        let mut tail = Tail::new(directory.to_owned(), 3, BTreeMap::new());
        tail.station(station(0, 2));
        tail.station(station(7, 0));
        let mut kept = Vec::new();
        for n in 0..20_u32 {
            let scan = Scan {
                at: Wall(1000 + 100 * i64::from(n)),
                mono_ms: 100 * u64::from(n),
                values: vec![Value::Celsius(21.25 + f64::from(n) / 128.0), Value::Celsius(20.1)],
                heat: 0.5,
                phase: Phase::Ramp,
                stage: Some(1),
                target_celsius: Some(150.0),
            };
            let bare = Scan {
                values: vec![],
                ..scan.clone()
            };
            kept.push((0, Some(4), tail.push(0, Some(4), &scan_ref(&scan)), scan));
            kept.push((7, None, tail.push(7, None, &scan_ref(&bare)), bare));
            tail.write(false).unwrap();
        }
        kept
    }

    #[test]
    fn a_tail_torn_at_any_byte_gives_what_was_whole() {
        let directory = tempfile::tempdir().unwrap();
        let kept = sample(directory.path());
        let path = directory.path().join("0000000003.bwt");
        let (found, whole, damage) = read_all(&path);
        assert_eq!((found, damage), (kept.clone(), None));
        let bytes = fs::read(&path).unwrap();
        assert_eq!(whole, bytes.len() as u64);
        let mut last = 0;
        for length in 0..bytes.len() {
            fs::write(&path, &bytes[..length]).unwrap();
            let (found, whole, damage) = read_all(&path);
            assert_eq!(found, kept[..found.len()]);
            assert!(found.len() >= last && whole <= length as u64);
            assert_eq!(
                damage.is_none(),
                whole == length as u64 && length > 0,
                "cut to {length}"
            );
            last = found.len();
        }
        assert_eq!(last, kept.len() - 2, "the last record was torn, and nothing else");
    }

    #[test]
    fn a_flipped_byte_is_never_taken_for_a_reading() {
        let directory = tempfile::tempdir().unwrap();
        let kept = sample(directory.path());
        let path = directory.path().join("0000000003.bwt");
        let bytes = fs::read(&path).unwrap();
        for at in 0..bytes.len() {
            let mut broken = bytes.clone();
            broken[at] ^= 0x10;
            fs::write(&path, &broken).unwrap();
            let (found, whole, damage) = read_all(&path);
            assert!(damage.is_some() && whole <= at as u64, "byte {at}");
            assert_eq!(found, kept[..found.len()], "byte {at}");
        }
    }

    #[test]
    fn a_disk_that_refuses_for_long_costs_bounded_memory() {
        let parent = tempfile::tempdir().unwrap();
        let directory = parent.path().join("tail");
        let mut tail = Tail::new(directory.clone(), 1, BTreeMap::new());
        tail.station(station(0, 64));
        let push = |tail: &mut Tail, n: u32| {
            let value = Value::Celsius(1.0 / f64::from(n + 3));
            let values = vec![value; 64];
            let scan = Scan {
                at: Wall(0),
                mono_ms: n.into(),
                values,
                heat: 0.0,
                phase: Phase::Idle,
                stage: None,
                target_celsius: None,
            };
            tail.push(0, None, &scan_ref(&scan))
        };
        for n in 0..40_000 {
            push(&mut tail, n);
            if n % 100 == 0 {
                assert!(tail.write(false).is_err(), "there is no directory");
                assert!(
                    tail.waiting.len() < WAITING_BYTES + (1 << 20),
                    "{} bytes wait",
                    tail.waiting.len()
                );
            }
        }
        // What is written afterwards stands on its own.
        fs::create_dir(&directory).unwrap();
        tail.write(true).unwrap();
        let place = push(&mut tail, 40_000);
        tail.write(true).unwrap();
        let (found, _, damage) = read_all(files_in(&directory).unwrap().values().next().unwrap());
        assert_eq!(damage, None);
        let (_, _, last, scan) = found.last().unwrap();
        assert_eq!((*last, scan.mono_ms), (place, 40_000));
        assert_eq!(scan.values[63], Value::Celsius(1.0 / 40_003.0));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]

        #[test]
        fn any_scans_come_back_to_the_bit(scans in prop::collection::vec((0..2_u16, prop::option::of(0..u64::MAX - 1), any_scan(3)), 1..60), rotate in 0..60_usize) {
            let directory = tempfile::tempdir().unwrap();
            let mut tail = Tail::new(directory.path().to_owned(), 1, BTreeMap::new());
            tail.station(station(0, 3));
            tail.station(station(1, 3));
            let mut kept = Vec::new();
            for (at, (ix, run, scan)) in scans.into_iter().enumerate() {
                if at == rotate {
                    tail.write(true).unwrap();
                    tail.rotate();
                }
                kept.push((ix, run, tail.push(ix, run, &scan_ref(&scan)), scan));
            }
            tail.write(true).unwrap();
            let mut found = Vec::new();
            for path in files_in(directory.path()).unwrap().values() {
                let (scans, _, damage) = read_all(path);
                prop_assert_eq!(damage, None);
                found.extend(scans);
            }
            prop_assert_eq!(&found, &kept);
            prop_assert!(kept.windows(2).all(|pair| pair[0].2 < pair[1].2), "places rise");
            tail.delete_before(tail.next_place()).unwrap();
            prop_assert_eq!(files_in(directory.path()).unwrap().len(), 1, "the current file stays");
        }
    }
}
