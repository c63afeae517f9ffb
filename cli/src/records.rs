//! Runs, journal and recipes, from the running daemon or from the archive of a stopped one: the same shapes either way.

use std::fs::File;
use std::os::fd::OwnedFd;
use std::path::Path;

use benchward_api::judging::{self, Align};
use benchward_api::redo;
use benchward_api::shapes::{self, SCHEMA};
use benchward_archive::{Document, JournalQuery, Order, Query, Reader, Recording, Revision, Wall};

use crate::daemon::{Daemon, parsed};
use crate::failure::Failure;

/// Where records come from.
pub(crate) enum Records {
    /// A running daemon.
    Daemon(Daemon),
    /// The folder of a stopped lab, or a copy.
    Folder(Reader),
}

impl Records {
    /// Opens the folder of a stopped lab.
    pub(crate) fn open(folder: &Path) -> Result<Self, Failure> {
        Ok(Self::Folder(Reader::open(folder)?))
    }

    /// Runs that match, newest first.
    pub(crate) async fn runs(&self, query: &Query) -> Result<shapes::Runs, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let (archive, query) = (daemon.archive().await?, run_query(query)?);
                parsed(&daemon.ask_records(archive.runs(&query)).await?)
            }
            Self::Folder(reader) => Ok(shapes::Runs {
                schema: SCHEMA,
                runs: reader.runs(query)?.iter().map(shapes::Run::from).collect(),
            }),
        }
    }

    /// One run with its journal.
    pub(crate) async fn run(&self, run: u64) -> Result<shapes::RunShown, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let archive = daemon.archive().await?;
                parsed(&daemon.ask_records(archive.run(run)).await?)
            }
            Self::Folder(reader) => {
                let record = reader.run(run)?;
                let query = JournalQuery {
                    run: Some(run),
                    limit: usize::MAX,
                    ..JournalQuery::default()
                };
                let mut journal = reader.journal(&query)?;
                journal.sort_by_key(|entry| entry.n);
                Ok(shapes::RunShown::new(&record, &journal))
            }
        }
    }

    /// Journal entries that match.
    pub(crate) async fn journal(&self, query: &JournalQuery) -> Result<shapes::Journal, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let (archive, query) = (daemon.archive().await?, journal_query(query)?);
                parsed(&daemon.ask_records(archive.journal(&query)).await?)
            }
            Self::Folder(reader) => Ok(shapes::Journal {
                schema: SCHEMA,
                entries: reader.journal(query)?.iter().map(shapes::Entry::from).collect(),
            }),
        }
    }

    /// Trips and warnings that match, newest first.
    pub(crate) async fn trips(&self, query: &shapes::TripQuery) -> Result<shapes::TripRecords, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let (archive, query) = (daemon.archive().await?, written(query)?);
                parsed(&daemon.ask_records(archive.trips(&query)).await?)
            }
            Self::Folder(reader) => Ok(shapes::TripRecords::read(reader, query)?),
        }
    }

    /// Decides a run again.
    pub(crate) async fn redo(&self, run: u64) -> Result<shapes::Redone, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let archive = daemon.archive().await?;
                parsed(&daemon.ask_records(archive.redo(run)).await?)
            }
            Self::Folder(reader) => Ok(redo::redo(reader, run)?),
        }
    }

    /// Walks the chain of the journal.
    pub(crate) async fn verify(&self) -> Result<shapes::Verified, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let archive = daemon.archive().await?;
                parsed(&daemon.ask_records(archive.verify()).await?)
            }
            Self::Folder(reader) => Ok(shapes::Verified::from(&reader.verify()?)),
        }
    }

    /// The newest revision of every recipe.
    pub(crate) async fn recipes(&self) -> Result<shapes::Recipes, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let recipes = daemon.recipes().await?;
                parsed(&daemon.ask_records(recipes.list()).await?)
            }
            Self::Folder(reader) => Ok(shapes::Recipes {
                schema: SCHEMA,
                recipes: reader.recipes()?.iter().map(shapes::RecipeRow::from).collect(),
            }),
        }
    }

    /// One recipe; `None`: its newest revision.
    pub(crate) async fn recipe(
        &self,
        name: &str,
        revision: Option<u32>,
    ) -> Result<shapes::RecipeShown, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let recipes = daemon.recipes().await?;
                parsed(
                    &daemon
                        .ask_records(recipes.show(name, revision.unwrap_or(0)))
                        .await?,
                )
            }
            Self::Folder(reader) => {
                Ok(document(reader, (Document::Recipe, "recipe"), name, revision)?.into())
            }
        }
    }

    /// The newest revision of every window.
    pub(crate) async fn windows(&self) -> Result<shapes::Windows, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let windows = daemon.windows().await?;
                parsed(&daemon.ask_records(windows.list()).await?)
            }
            Self::Folder(reader) => {
                let windows = reader.documents(Document::Window)?;
                Ok(shapes::Windows {
                    schema: SCHEMA,
                    windows: windows.iter().map(shapes::WindowRow::from).collect(),
                })
            }
        }
    }

    /// One window; `None`: its newest revision.
    pub(crate) async fn window(
        &self,
        name: &str,
        revision: Option<u32>,
    ) -> Result<shapes::WindowShown, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let windows = daemon.windows().await?;
                let shown = windows.show(name, revision.unwrap_or(0));
                parsed(&daemon.ask_records(shown).await?)
            }
            Self::Folder(reader) => {
                Ok(document(reader, (Document::Window, "window"), name, revision)?.into())
            }
        }
    }

    /// Judges a run again. `store`: whether a daemon keeps the verdict; a folder's records stay as they are.
    pub(crate) async fn judge(
        &self,
        run: u64,
        window: Option<&str>,
        store: bool,
    ) -> Result<shapes::RunJudged, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let windows = daemon.windows().await?;
                let judged = windows.judge(run, window.unwrap_or_default(), store);
                parsed(&daemon.ask_records(judged).await?)
            }
            Self::Folder(reader) => {
                let record = reader.run(run)?;
                let judged = judging::judge(reader, &record, window, Wall::now())?.ok_or_else(|| {
                    Failure::wrong_use(
                        format!("the recipe of run {run} has no window"),
                        "name one with --window; `benchward window list` lists them",
                    )
                })?;
                Ok(shapes::RunJudged {
                    schema: SCHEMA,
                    run,
                    stored: false,
                    judged,
                })
            }
        }
    }

    /// Charts of the window lines of the runs that match.
    pub(crate) async fn stats(
        &self,
        query: &Query,
        window: Option<&str>,
    ) -> Result<shapes::RunStats, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let (archive, query) = (daemon.archive().await?, run_query(query)?);
                let stats = archive.stats(&query, window.unwrap_or_default());
                parsed(&daemon.ask_records(stats).await?)
            }
            Self::Folder(reader) => Ok(judging::stats(reader, query, window)?),
        }
    }

    /// Runs laid over each other.
    pub(crate) async fn compare(
        &self,
        runs: &[u64],
        align: Align,
        channel: &str,
    ) -> Result<shapes::Comparison, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let archive = daemon.archive().await?;
                let align = align.to_string();
                parsed(&daemon.ask_records(archive.compare(runs, &align, channel)).await?)
            }
            Self::Folder(reader) => Ok(judging::compare(reader, runs, align, channel)?),
        }
    }

    /// What is known of every kind of board on every station.
    pub(crate) async fn boards(&self) -> Result<shapes::Boards, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let boards = daemon.boards().await?;
                parsed(&daemon.ask_records(boards.list()).await?)
            }
            Self::Folder(reader) => Ok(shapes::Boards::from(&reader.board_models()?)),
        }
    }

    /// The sensors with the offsets in force.
    pub(crate) async fn sensors(&self) -> Result<shapes::Sensors, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let sensors = daemon.sensors().await?;
                parsed(&daemon.ask_records(sensors.list()).await?)
            }
            Self::Folder(reader) => {
                let kept = reader.calibrations()?;
                let now = Wall::now();
                Ok(shapes::Sensors {
                    schema: SCHEMA,
                    sensors: kept
                        .found
                        .iter()
                        .map(|one| shapes::Sensor::as_kept(one, now))
                        .collect(),
                })
            }
        }
    }

    /// Every calibration of a channel.
    pub(crate) async fn sensor_history(
        &self,
        station: &str,
        channel: &str,
    ) -> Result<shapes::SensorHistory, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let sensors = daemon.sensors().await?;
                parsed(&daemon.ask_records(sensors.history(station, channel)).await?)
            }
            Self::Folder(reader) => Ok(shapes::SensorHistory::new(
                station,
                channel,
                &reader.calibrations_of(station, channel)?,
            )),
        }
    }

    /// The readings of a run.
    pub(crate) async fn recording(&self, run: u64) -> Result<Recording, Failure> {
        match self {
            Self::Daemon(daemon) => {
                let archive = daemon.archive().await?;
                let file = daemon.ask_records(archive.export(run, "run-file")).await?;
                let name = format!("the record of run {run}");
                Ok(Recording::of_file(
                    Path::new(&name),
                    File::from(OwnedFd::from(file)),
                )?)
            }
            Self::Folder(reader) => Ok(reader.recording(run)?),
        }
    }

    /// What the lab is called.
    pub(crate) async fn lab(&self) -> Result<String, Failure> {
        match self {
            Self::Daemon(daemon) => Ok(daemon.lab().await?.name().await.unwrap_or_default()),
            Self::Folder(reader) => Ok(reader.lab().to_owned()),
        }
    }
}

/// A query for runs, as the bus takes it.
fn run_query(query: &Query) -> Result<String, Failure> {
    written(&shapes::RunQuery {
        serial: query.serial.clone(),
        recipe: query.recipe.clone(),
        station: query.station.clone(),
        operator: query.operator.clone(),
        outcome: query.outcome.map(|outcome| outcome.name().into()),
        verdict: query.verdict.map(|verdict| verdict.name().into()),
        from: query.from.map(|from| from.to_string()),
        to: query.to.map(|to| to.to_string()),
        before_run: query.before_run,
        limit: Some(query.limit),
    })
}

/// A query for journal entries, as the bus takes it.
fn journal_query(query: &JournalQuery) -> Result<String, Failure> {
    written(&shapes::JournalQuery {
        from: query.from,
        newest_first: query.order == Order::NewestFirst,
        station: query.station.clone(),
        run: query.run,
        kind: query.kind.clone(),
        limit: Some(query.limit),
    })
}

fn written(query: &impl serde::Serialize) -> Result<String, Failure> {
    serde_json::to_string(query).map_err(|error| Failure::failed(format!("can't write the query: {error}")))
}

/// A text that people write and the archive keeps in revisions; `what`: what it is called.
fn document(
    reader: &Reader,
    (kind, what): (Document, &str),
    name: &str,
    revision: Option<u32>,
) -> Result<Revision, Failure> {
    if let Some(found) = reader.document(kind, name, revision)? {
        return Ok(found);
    }
    let known = reader.documents(kind)?;
    let what = match revision {
        Some(_) => format!("such revision of the {what}"),
        None => what.to_owned(),
    };
    Err(Failure::no_such(
        &what,
        name,
        known.iter().map(|known| known.name.as_str()),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is asked of a daemon is what is asked of a folder.
    #[test]
    fn queries_survive_the_bus() {
        let query = Query {
            station: Some("bench-1".into()),
            outcome: Some(benchward_archive::Outcome::Tripped),
            verdict: Some(benchward_archive::Verdict::Undecided),
            from: Some(Wall(1_234_567_890_007)),
            before_run: Some(9),
            limit: 5,
            ..Query::default()
        };
        let asked: shapes::RunQuery = serde_json::from_str(&run_query(&query).unwrap()).unwrap();
        assert_eq!(asked.to_archive().unwrap(), query);
        let query = JournalQuery {
            kind: Some("trip".into()),
            order: Order::NewestFirst,
            limit: 7,
            ..JournalQuery::default()
        };
        let asked: shapes::JournalQuery = serde_json::from_str(&journal_query(&query).unwrap()).unwrap();
        assert_eq!(asked.to_archive(), query);
    }
}
