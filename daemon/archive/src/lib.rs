//! Runs, readings and journal of one lab: kept for years, through kill -9, power cuts and full disks.
//!
//! One daemon owns an archive. It opens it with [`Archive::open`], gives the [`Writer`] to one thread and
//! hands out clones of the [`Reader`] to everybody else. A copy, or the archive of a stopped lab, is read
//! with [`Reader::open`] and stays as it is. Everything here is synchronous and blocks on the disk. Times
//! of records are arguments; a clock is looked at only to pace the archive's own work on the disk.
//!
//! # The writing thread
//!
//! ```no_run
//! # use benchward_archive::*;
//! # fn now() -> Wall { Wall(0) }
//! # fn main() -> Result<(), Error> {
//! let (mut writer, reader, found) = Archive::open("/var/lib/benchward", "larkfield", now())?;
//! for run in &found.lost { /* tell people */ }
//! let bench = writer.station("bench-1", &["board-top", "board-edge"])?;      // once, and when channels change
//!
//! // each scan: only memory is touched, the disk is not waited for
//! writer.append(&Row { station: bench, run: Some(12), at: now(), mono_ms: 41_250,
//!     values: &[Value::Celsius(81.5), Value::Fault(FaultKind::Open)],
//!     heat: 0.42, phase: Phase::Ramp, stage: Some(1), target_celsius: Some(150.0) })?;
//! // each decision: numbered at once, waiting in memory
//! let n = writer.journal(JournalEntry::new(now(), 41_250, "grant", "bench-1: heat 0.42").station("bench-1").run(12));
//!
//! // when the queue is empty, and at least every 100 ms
//! let durable = writer.commit();          // journal and small records: on the disk when this returns Ok
//! writer.tick(now());                     // readings to the tail, chunks, sealing, retries after failures
//! # Ok(()) }
//! ```
//!
//! [`Writer::commit`] fails when the disk does; nothing is lost by that: what could not be written waits in
//! memory and is tried again by each later `commit` and `tick`. No method panics or waits for ever because of
//! a disk. [`Writer::health`] says what a person should know.
//!
//! # Layout of the directory
//!
//! ```text
//! archive.json                 format version and lab name; an unknown newer version is refused
//! lock                         held by the daemon (flock)
//! safety.json                  trips that stand and saved limits, a copy beside the store's
//! store/                       sled: runs and indexes, documents, limits, trips, cursors, journal   (store)
//! journal/0000000001.bwj       the journal again, as plain lines, to survive the loss of the store
//! documents/recipe/...         every revision of recipes, windows, board models and calibrations, a second time
//! tail/0000000012.bwt          readings not yet packed                                             (tail)
//! open/run-000012.bwr          chunks of runs and days that go on                                  (run file)
//! runs/2026/run-000012.bwr     sealed: never changes again
//! loose/2026/bench-1.2026-11-25.bwr   readings outside runs, a file per station and day (UTC), sealed
//! quarantine/2026-11-25T...    what could not be read and was set aside
//! former/format-1.2026-...     what an archive of an older format was before it became one of this
//! ```
//!
//! [`mod@format`] describes the run files byte by byte.

pub mod export;
pub mod format;

mod archive;
mod board_model;
mod bytes;
mod calibration;
mod cursor;
mod error;
mod files;
mod health;
mod journal;
mod reader;
mod reading;
mod recording;
mod retention;
mod run;
mod wall;
mod writer;

mod chunk;
mod coarse;
mod column;
mod document_file;
mod journal_file;
mod ledger;
mod live;
mod run_file;
mod safety;
mod store;
mod table;
mod tail;

pub use archive::{Archive, Opened, Options};
pub use board_model::{BoardModel, BoardModelRecord, BoardModels, FollowerRecord, ParameterRecord};
pub use calibration::{Calibration, CalibrationRecord, Calibrations, CheckRecord};
pub use coarse::{Coarse, LEVELS_MS, Level, Span};
pub use cursor::{Cursor, NotASeries, Owed, Series, Stretch};
pub use error::{Damage, Error};
pub use health::Health;
pub use journal::{Entry, Hash, JournalEntry, JournalQuery, Order, Verified};
pub use ledger::{Document, Revision};
pub use reader::{Reader, Readings};
pub use reading::{FaultKind, Phase, Row, Scan, Scans, StationIx, Value};
pub use recording::Recording;
pub use run::{ChannelRecord, Outcome, Query, RunRecord, StageRecord, TripRecord, Verdict};
pub use table::{Column, Table};

pub use wall::Wall;
pub use writer::Writer;
