//! Invariant 4 on every run of every test: what was decided is decided again, to the bit.

use std::path::Path;

use benchward_api::redo;
use benchward_archive::{Error, JournalQuery, Query, Reader};

use crate::wait::wait_for;

/// Decides all runs of the archive in `folder` again, with the core that the tests are built with. A place where no daemon has been has no archive,
/// and a run that the daemon died under in its first second may have nothing kept.
///
/// # Panics
/// If a run is not decided as it was, or can't be.
pub fn all(folder: &Path) {
    if !folder.is_dir() {
        return;
    }
    // A driver that was just being started when its daemon was killed has the daemon's lock until it is a program of its own.
    let opened = wait_for("the daemon to be gone from its archive", || {
        Some(Reader::open(folder)).filter(|opened| !matches!(opened, Err(Error::InUse { .. })))
    });
    let reader = match opened {
        Ok(reader) => reader,
        Err(Error::NotAnArchive(_)) => return,
        Err(error) => panic!("the runs of this test can't be decided again: {error}"),
    };
    let everything = Query {
        limit: usize::MAX,
        ..Query::default()
    };
    for record in reader.runs(&everything).expect("the runs can be listed") {
        match redo::redo(&reader, record.run) {
            Ok(redone) => {
                assert!(
                    redone.identical && (!redone.closed || redone.incomplete.is_none()),
                    "run {} at {} is not decided again as it was: {redone:#?}",
                    record.run,
                    record.station
                );
                eprintln!(
                    "run {} decided again: {} decisions over {:.1} s",
                    record.run, redone.decisions, redone.elapsed_s
                );
            }
            Err(error) => assert!(!closed(&reader, record.run), "run {}: {error:?}", record.run),
        }
    }
}

/// Whether the daemon closed the record of a run itself.
fn closed(reader: &Reader, run: u64) -> bool {
    let query = JournalQuery {
        run: Some(run),
        limit: usize::MAX,
        ..JournalQuery::default()
    };
    let entries = reader.journal(&query).expect("the journal can be read");
    entries.iter().any(|entry| entry.entry.kind == "run-ended")
}
