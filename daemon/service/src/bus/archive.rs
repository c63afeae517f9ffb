//! `io.benchward.Archive1` at `/io/benchward/Lab1/archive`.

use std::fs::File;
use std::io::{self, Write};

use benchward_api::judging::{self, STATS_RUNS_MAX};
use benchward_api::{Error, redo, shapes};
use benchward_archive::{self as archive, JournalQuery, Query, Recording, export};
use tracing::warn;
use zbus::wire::OwnedFd;

use super::{Door, archive_error, blocking, json, read_json};

/// Most journal entries of one answer: a bus message may hold 128 MiB, and a screen far less.
const ENTRIES_MAX: usize = 10_000;
/// Most runs of one answer.
const RUNS_MAX: usize = 10_000;

pub(super) struct Archive(pub(super) Door);

#[zbus::interface(name = "io.benchward.Archive1")]
impl Archive {
    /// Runs that match `query`, newest first, as JSON (`shapes::Runs`). `query`: a JSON object (`shapes::RunQuery`);
    /// `{}` for the newest page. Needs no role.
    ///
    /// Errors: `Invalid`, `Archive`.
    async fn runs(&self, query: String) -> Result<String, Error> {
        let query: shapes::RunQuery = read_json("query", &query)?;
        let query = Query {
            limit: query.limit.unwrap_or(Query::PAGE).min(RUNS_MAX),
            ..query.to_archive()?
        };
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let runs = reader.runs(&query).map_err(archive_error)?;
            json(&shapes::Runs {
                schema: shapes::SCHEMA,
                runs: runs.iter().map(shapes::Run::from).collect(),
            })
        })
        .await
    }

    /// One run with its stages, trips and journal entries, as JSON (`shapes::RunShown`). Needs no role.
    ///
    /// Errors: `NoSuch`, `Archive`.
    async fn run(&self, run: u64) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let record = reader.run(run).map_err(|error| no_such(run, error))?;
            let query = JournalQuery {
                run: Some(run),
                limit: ENTRIES_MAX,
                ..JournalQuery::default()
            };
            let journal = reader.journal(&query).map_err(archive_error)?;
            json(&shapes::RunShown::new(&record, &journal))
        })
        .await
    }

    /// The readings of a run. `format`: `csv` or `jsonl` through a pipe, one row a scan; or `run-file`, a file as the archive keeps it, with all
    /// that is there so far, which whoever asks takes apart and this process need not. Needs no role.
    ///
    /// Errors: `NoSuch`, `Invalid`, `Archive`.
    async fn export(&self, run: u64, format: String) -> Result<OwnedFd, Error> {
        let rows: fn(Recording, &mut dyn Write) -> io::Result<export::Exported> = match &*format {
            "csv" => export::csv,
            "jsonl" => export::jsonl,
            "run-file" => {
                let reader = self.0.shared.reader.clone();
                return blocking(move || {
                    let file = reader.run_file(run).map_err(|error| no_such(run, error))?;
                    Ok(OwnedFd::from(std::os::fd::OwnedFd::from(file)))
                })
                .await;
            }
            _ => {
                return Err(Error::Invalid(format!(
                    "the format \"{format}\" is not known; it is `csv`, `jsonl` or `run-file`"
                )));
            }
        };
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let recording = reader.recording(run).map_err(|error| no_such(run, error))?;
            let (read, write) = rustix::pipe::pipe_with(rustix::pipe::PipeFlags::CLOEXEC)
                .map_err(|e| Error::Archive(e.to_string()))?;
            // A thread of its own: it waits for the client, which may take its time or go away.
            std::thread::Builder::new()
                .name("export".into())
                .spawn(move || match rows(recording, &mut File::from(write)) {
                    Ok(exported) => {
                        for damage in exported.damage {
                            warn!("export of run {run} lacks rows: {damage}");
                        }
                    }
                    Err(error) => warn!("export of run {run} ended early: {error}"),
                })
                .map_err(archive_error)?;
            Ok(OwnedFd::from(read))
        })
        .await
    }

    /// Journal entries that match `query`, as JSON (`shapes::Journal`). `query`: a JSON object
    /// (`shapes::JournalQuery`). Needs no role.
    ///
    /// Errors: `Invalid`, `Archive`.
    async fn journal(&self, query: String) -> Result<String, Error> {
        let query: shapes::JournalQuery = read_json("query", &query)?;
        let mut query = query.to_archive();
        query.limit = query.limit.min(ENTRIES_MAX);
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let entries = reader.journal(&query).map_err(archive_error)?;
            json(&shapes::Journal {
                schema: shapes::SCHEMA,
                entries: entries.iter().map(shapes::Entry::from).collect(),
            })
        })
        .await
    }

    /// Feeds what reached the station of a run through the core again and compares what is decided with what was, as JSON
    /// (`shapes::Redone`). Needs no role. One at a time: an hour's run takes seconds of a core.
    ///
    /// Errors: `NoSuch`, `Archive` (what it was decided on was not kept).
    async fn redo(&self, run: u64) -> Result<String, Error> {
        static ONE: tokio::sync::Mutex<()> = tokio::sync::Mutex::const_new(());
        let _one = ONE.lock().await;
        let reader = self.0.shared.reader.clone();
        // What has been decided by now is to be in the files first.
        self.0.shared.keep.barrier().await.map_err(Error::Archive)?;
        blocking(move || json(&redo::redo(&reader, run)?)).await
    }

    /// Trips and warnings, each from raised to cleared, newest first, as JSON (`shapes::TripRecords`). `query`: a JSON object
    /// (`shapes::TripQuery`); `{}` for those that stand. Needs no role.
    ///
    /// Errors: `Invalid`, `Archive`.
    async fn trips(&self, query: String) -> Result<String, Error> {
        let query: shapes::TripQuery = read_json("query", &query)?;
        let reader = self.0.shared.reader.clone();
        blocking(move || json(&shapes::TripRecords::read(&reader, &query).map_err(archive_error)?)).await
    }

    /// Charts of the window lines of the runs that match `query`, as JSON (`shapes::RunStats`). `query`: as for `Runs`; without a limit, the
    /// newest 10,000. `window`: judge each by the newest revision of that stored window; empty: by the verdicts that are kept. Needs no role.
    ///
    /// Errors: `Invalid`, `NoSuch` (window), `Archive`.
    async fn stats(&self, query: String, window: String) -> Result<String, Error> {
        let query: shapes::RunQuery = read_json("query", &query)?;
        let query = Query {
            limit: query.limit.unwrap_or(STATS_RUNS_MAX).min(STATS_RUNS_MAX),
            ..query.to_archive()?
        };
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let window = (!window.is_empty()).then_some(&*window);
            json(&judging::stats(&reader, &query, window)?)
        })
        .await
    }

    /// Runs laid over each other, as JSON (`shapes::Comparison`). `align`: `start`, `stage 2`, or a level such as `70C` or `158F`.
    /// `channel`: `hottest`, `coldest`, `mean`, or a channel's name. Needs no role.
    ///
    /// Errors: `Invalid`, `NoSuch` (run, stage, channel), `Archive`.
    async fn compare(&self, runs: Vec<u64>, align: String, channel: String) -> Result<String, Error> {
        let align = align.parse().map_err(Error::Invalid)?;
        let reader = self.0.shared.reader.clone();
        blocking(move || json(&judging::compare(&reader, &runs, align, &channel)?)).await
    }

    /// Walks the journal's chain; the result as JSON (`shapes::Verified`). Needs no role.
    ///
    /// Errors: `Archive`.
    async fn verify(&self) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || json(&shapes::Verified::from(&reader.verify().map_err(archive_error)?))).await
    }
}

fn no_such(run: u64, error: archive::Error) -> Error {
    match error {
        archive::Error::NoSuchRun(_) => {
            Error::NoSuch(format!("there is no run {run}; see `benchward run list`"))
        }
        other => Error::Archive(other.to_string()),
    }
}
