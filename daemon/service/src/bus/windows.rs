//! `io.benchward.Windows1` at `/io/benchward/Lab1/windows`.

use benchward_api::{Error, judging, shapes};
use benchward_archive::{self as archive, Document, Reader, RunRecord};
use benchward_core::window::Window;
use benchward_core::{Act, Ask, RunId};
use zbus::message::Header;

use super::documents::stored;
use super::{Door, archive_error, blocking, json};

pub(super) struct Windows(pub(super) Door);

#[zbus::interface(name = "io.benchward.Windows1")]
impl Windows {
    /// The newest revision of every window, as JSON (`shapes::Windows`). Needs no role.
    async fn list(&self) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let windows = reader.documents(Document::Window).map_err(archive_error)?;
            json(&shapes::Windows {
                schema: shapes::SCHEMA,
                windows: windows.iter().map(shapes::WindowRow::from).collect(),
            })
        })
        .await
    }

    /// One window, as JSON (`shapes::WindowShown`). `revision`: 0 for the newest. Needs no role.
    ///
    /// Errors: `NoSuch`.
    async fn show(&self, window: String, revision: u32) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let stored = stored(&reader, (Document::Window, "window"), &window, revision)?;
            json(&shapes::WindowShown::from(stored))
        })
        .await
    }

    /// Stores a window under the name in its text. The same text again is the same revision. Returns the revision.
    /// Role `process`.
    ///
    /// Errors: `NotPermitted`, `Invalid` (with every mistake of the text), `Archive`.
    async fn put(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        text: String,
    ) -> Result<u32, Error> {
        let read = Window::parse("window", &text).map_err(|mistakes| Error::Invalid(mistakes.to_string()))?;
        let ask = Ask::PutWindow {
            window: read.name.as_str().into(),
        };
        self.0.ask(connection, &header, ask).await?;
        self.0
            .shared
            .keep
            .window(read.name, text)
            .await
            .map_err(Error::Archive)
    }

    /// Judges a run that is over again. `window`: a stored one, by its newest revision; empty: what the run's recipe says. `store`:
    /// whether its record has that verdict from now on; without, nothing changes and no role is needed. Returns what it comes to, as
    /// JSON (`shapes::RunJudged`). Role `process` to store.
    ///
    /// Errors: `NotPermitted`, `NoSuch` (run, window), `Invalid` (a recipe without a window), `NotReady` (a run that goes on), `Archive`.
    async fn judge(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        run: u64,
        window: String,
        store: bool,
    ) -> Result<String, Error> {
        let shared = &self.0.shared;
        let credentials = self.0.credentials(connection, &header).await?;
        if store && !shared.callers.load().roles(&credentials).may(Act::PutVerdict) {
            // The core refuses, and the journal says so, before any work is done.
            let text = "not judged".into();
            let ask = Ask::PutVerdict {
                run: RunId(run),
                text,
            };
            self.0.ask(connection, &header, ask).await?;
        }
        let (reader, now) = (shared.reader.clone(), shared.clock.wall_now());
        let judged = blocking(move || {
            let record = over(&reader, run)?;
            let window = (!window.is_empty()).then_some(&*window);
            judging::judge(&reader, &record, window, now)?.ok_or_else(|| {
                Error::Invalid(format!(
                    "the recipe of run {run} has no window; name one with `--window`, see `benchward window list`"
                ))
            })
        })
        .await?;
        if store {
            let text = format!("by {}: {}", judged.words(), judged.summary()).into();
            let ask = Ask::PutVerdict {
                run: RunId(run),
                text,
            };
            self.0.ask(connection, &header, ask).await?;
            shared
                .keep
                .verdict(run, judged.clone())
                .await
                .map_err(Error::Archive)?;
        }
        json(&shapes::RunJudged {
            schema: shapes::SCHEMA,
            run,
            stored: store,
            judged,
        })
    }
}

/// The record of a run that is over.
fn over(reader: &Reader, run: u64) -> Result<RunRecord, Error> {
    let record = reader.run(run).map_err(|error| match error {
        archive::Error::NoSuchRun(_) => {
            Error::NoSuch(format!("there is no run {run}; see `benchward run list`"))
        }
        other => archive_error(other),
    })?;
    if !record.has_ended() {
        return Err(Error::NotReady(format!(
            "run {run} at {} goes on; it is judged when its board is safe to handle",
            record.station
        )));
    }
    Ok(record)
}
