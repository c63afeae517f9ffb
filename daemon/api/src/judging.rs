//! From records and readings of the archive to what `benchward-judge` takes, and back to shapes: the one way in which runs are judged,
//! charted and compared, whether a daemon asks or somebody reads a stopped lab's archive.

mod compare;
mod stats;

use benchward_archive::{self as archive, Document, Reader, RunRecord, Wall};
use benchward_core::Phase;
use benchward_core::recipe::{ControlBy, Recipe};
use benchward_core::window::Window;
use benchward_judge::{Board, Ending, Judge, Judgement, Scan};

use crate::Error;
use crate::shapes::{RunWindow, WindowLine};

pub use compare::{Align, COMPARED_MAX, compare};
pub use stats::{STATS_RUNS_MAX, stats};

fn archive_error(error: archive::Error) -> Error {
    match error {
        archive::Error::NoSuchRun(run) => {
            Error::NoSuch(format!("there is no run {run}; see `benchward run list`"))
        }
        other => Error::Archive(other.to_string()),
    }
}

/// A window that is looked up.
enum Found {
    /// Its name (`None`: the recipe's own), its revision, its limits.
    Window(Option<String>, u32, Window),
    /// There is none to judge by.
    None,
    /// There should be one: why it can't be used, its name, its revision (0: it isn't stored).
    Unusable(String, Option<String>, u32),
}

/// The newest revision of a stored window.
///
/// # Errors
/// [`Error::Archive`]. A window that isn't there, or can't be read, is no error.
fn stored(reader: &Reader, name: &str) -> Result<Found, Error> {
    let Some(found) = reader
        .document(Document::Window, name, None)
        .map_err(archive_error)?
    else {
        let text = format!(
            "there is no window \"{name}\"; store it with `benchward window put`, then `benchward run judge`"
        );
        return Ok(Found::Unusable(text, Some(name.into()), 0));
    };
    Ok(match Window::parse(name, &found.text) {
        Ok(read) => Found::Window(Some(found.name), found.revision, read.window),
        Err(mistakes) => Found::Unusable(
            format!(
                "window \"{name}\" revision {} can't be read: {mistakes}",
                found.revision
            ),
            Some(found.name),
            found.revision,
        ),
    })
}

/// Judges a run: by the newest revision of the stored `window`, or by what its recipe says. `now`: the time that is noted.
/// `None`: its recipe has no window.
///
/// # Errors
/// [`Error::NoSuch`] where `window` isn't stored, [`Error::Invalid`] where it can't be read, [`Error::Archive`]. A recipe's window that
/// isn't stored makes an undecided verdict instead: nothing is passed over.
pub fn judge(
    reader: &Reader,
    record: &RunRecord,
    window: Option<&str>,
    now: Wall,
) -> Result<Option<RunWindow>, Error> {
    let recipe = Recipe::parse(&record.recipe, &record.recipe_text);
    let found = match (window, &recipe) {
        (Some(name), _) => match stored(reader, name)? {
            Found::Unusable(text, _, 0) => return Err(Error::NoSuch(text)),
            Found::Unusable(text, ..) => return Err(Error::Invalid(text)),
            found => found,
        },
        (None, Ok(recipe)) => match &recipe.window.named {
            Some(name) => stored(reader, name)?,
            None if recipe.window.is_empty() => Found::None,
            None => Found::Window(None, record.revision, recipe.window.clone()),
        },
        (None, Err(mistakes)) => Found::Unusable(
            format!("the run's recipe can't be read, so that nobody knows its window: {mistakes}"),
            None,
            record.revision,
        ),
    };
    let (name, revision, window) = match found {
        Found::None => return Ok(None),
        Found::Unusable(text, window, revision) => {
            return Ok(Some(RunWindow {
                window,
                revision,
                judged: now.to_string(),
                verdict: "undecided".into(),
                lines: vec![WindowLine {
                    line: "window".into(),
                    verdict: "undecided".into(),
                    text,
                    ..WindowLine::default()
                }],
            }));
        }
        Found::Window(name, revision, window) => (name, revision, window),
    };
    let judgement = measured(reader, record, recipe.ok().as_ref(), &window)?;
    Ok(Some(RunWindow {
        window: name,
        revision,
        judged: now.to_string(),
        verdict: judgement.verdict.word().into(),
        lines: judgement.lines.iter().map(WindowLine::from).collect(),
    }))
}

fn measured(
    reader: &Reader,
    record: &RunRecord,
    recipe: Option<&Recipe>,
    window: &Window,
) -> Result<Judgement, Error> {
    let channels = channels(reader, record)?;
    let board = Board {
        channels: &channels,
        control: recipe.map_or(&ControlBy::Hottest, |recipe| &recipe.control),
        stages: recipe.map_or(&[], |recipe| &recipe.stages),
        safe: recipe.map_or(benchward_core::recipe::SAFE_DEFAULT, |recipe| {
            recipe.cooldown.safe
        }),
    };
    let mut judge = Judge::new(window, &board);
    let mut last = 0.0;
    each_scan(reader, record, &channels, |scan| {
        last = scan.at_s;
        judge.take(scan);
    })?;
    Ok(judge.finish(Ending {
        at_s: record.ended_mono_ms.map_or(last, |ended| elapsed(record, ended)),
        lost: record.outcome == Some(archive::Outcome::Lost) || record.ended_mono_ms.is_none(),
    }))
}

/// Names of the run's channels: those of its record, else those of its readings.
fn channels(reader: &Reader, record: &RunRecord) -> Result<Vec<String>, Error> {
    if record.channels.is_empty() {
        let mut readings = reader.readings(record.run).map_err(archive_error)?;
        return Ok(readings.channels().to_vec());
    }
    Ok(record
        .channels
        .iter()
        .map(|channel| channel.name.clone())
        .collect())
}

#[expect(
    clippy::cast_precision_loss,
    reason = "milliseconds of a run are far below 2^52"
)]
fn elapsed(record: &RunRecord, mono_ms: u64) -> f64 {
    mono_ms.saturating_sub(record.started_mono_ms) as f64 / 1000.0
}

/// Gives every scan of a run, its readings in the order of `channels`. What is damaged is left out: it is a gap.
fn each_scan(
    reader: &Reader,
    record: &RunRecord,
    channels: &[String],
    mut take: impl FnMut(&Scan<'_>),
) -> Result<(), Error> {
    let mut readings = reader.readings(record.run).map_err(archive_error)?;
    let mut celsius = vec![None; channels.len()];
    while let Some(block) = readings.next_block() {
        let Ok(block) = block else { continue };
        let places: Vec<Option<usize>> = channels
            .iter()
            .map(|name| block.channels.iter().position(|other| other == name))
            .collect();
        for scan in &block.scans {
            for (celsius, place) in celsius.iter_mut().zip(&places) {
                *celsius = place.and_then(|place| scan.values.get(place)?.celsius());
            }
            take(&Scan {
                at_s: elapsed(record, scan.mono_ms),
                celsius: &celsius,
                phase: phase(scan.phase),
                stage: scan.stage,
                target: scan.target_celsius,
            });
        }
    }
    Ok(())
}

const fn phase(phase: archive::Phase) -> Phase {
    match phase {
        archive::Phase::Idle => Phase::Idle,
        archive::Phase::Ramp => Phase::Ramp,
        archive::Phase::Dwell => Phase::Dwell,
        archive::Phase::Cooldown => Phase::Cooldown,
        archive::Phase::Cool | archive::Phase::Ended => Phase::Cool,
    }
}
