//! Invariant 4 on every run of every test: what was decided is decided again, to the bit.

use std::path::Path;

use benchward_api::redo;
use benchward_archive::{Error, Outcome, Query, Reader};

/// Decides all runs of the archive in `folder` again, with the core that the tests are built with. A place where no daemon has been has no archive,
/// and a run that the daemon died under in its first second may have nothing kept.
///
/// # Panics
/// If a run is not decided as it was, or can't be.
pub fn all(folder: &Path) {
    let reader = match Reader::open(folder) {
        Ok(reader) => reader,
        Err(Error::NotAnArchive(_)) => return,
        Err(error) => panic!("the runs of this test can't be decided again: {error}"),
    };
    let everything = Query {
        limit: usize::MAX,
        ..Query::default()
    };
    for record in reader.runs(&everything).expect("the runs can be listed") {
        let cut_short = record.ended.is_none() || record.outcome == Some(Outcome::Lost);
        match redo::redo(&reader, record.run) {
            Ok(redone) => {
                assert!(
                    redone.identical && (cut_short || redone.incomplete.is_none()),
                    "run {} at {} is not decided again as it was: {redone:#?}",
                    record.run,
                    record.station
                );
                eprintln!(
                    "run {} decided again: {} decisions over {:.1} s",
                    record.run, redone.decisions, redone.elapsed_s
                );
            }
            Err(error) => assert!(cut_short, "run {}: {error:?}", record.run),
        }
    }
}
