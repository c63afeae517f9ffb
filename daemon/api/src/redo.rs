//! Deciding a run again: what reached its station is fed through the core of this version, and what comes out is held against what
//! is kept: every command to an output, every row, every journal entry of the core about the run. To the bit.

mod kept;
mod log;
mod reading;

use std::collections::VecDeque;
use std::sync::Arc;

use benchward_archive::{self as archive, Document, JournalQuery, Reader, RunRecord};
use benchward_core::recipe::Recipe;
use benchward_core::units::Millis;
use benchward_core::{
    Action, Again, Ask, Entry, EntryKind, Event, Excerpt, OutputId, Request, RequestId, Roles, Row, RunId,
    Seq, StationId,
};

use crate::Error;
use crate::shapes::{self, Redone, RedoneDifference, RunBoardModel};

pub use kept::{data, phase, values};
pub use log::{Command, Log, Noted, Part};
pub use reading::Unreadable;

/// Most journal entries of a run that are looked at.
const ENTRIES_MAX: usize = 1_000_000;

/// A kind of journal entry about a run that is not the core's.
const NOT_THE_CORES: [&str; 2] = ["run-judged", "run-lost"];

/// Commands to the outputs of a station, in order. `serves`: whether an output is the station's.
pub fn commands(actions: &[Action], station: StationId, serves: impl Fn(OutputId) -> bool) -> Vec<Command> {
    let mut commands = Vec::new();
    for action in actions {
        match action {
            Action::Heat(grant) if grant.station() == station => {
                commands.extend(grant.heats().iter().map(|(output, seq, fraction)| Command::Heat {
                    output: *output,
                    seq: *seq,
                    fraction: *fraction,
                    offset: grant.offset(),
                }));
            }
            Action::Off { output, seq } if serves(*output) => commands.push(Command::Off(*output, *seq)),
            Action::Cut { output, seq } if serves(*output) => commands.push(Command::Cut(*output, *seq)),
            Action::Restore { output, seq } if serves(*output) => {
                commands.push(Command::Restore(*output, *seq));
            }
            _ => {}
        }
    }
    commands
}

/// Number of the command before the first of these, or else of the lab's last one.
pub fn before(commands: &[Command], last: Seq) -> Seq {
    commands.first().map_or(last, |first| Seq(first.seq().0 - 1))
}

fn archive_error(error: archive::Error) -> Error {
    match error {
        archive::Error::NoSuchRun(run) => {
            Error::NoSuch(format!("there is no run {run}; see `benchward run list`"))
        }
        other => Error::Archive(other.to_string()),
    }
}

/// Decides a run again.
///
/// # Errors
/// [`Error::NoSuch`]: there is no such run. [`Error::Archive`]: what it was decided on was not kept, or can't be read from the
/// start on. A log that ends early, or has a hole, is no error: the answer says up to where it was decided again.
pub fn redo(reader: &Reader, run: u64) -> Result<Redone, Error> {
    let record = reader.run(run).map_err(archive_error)?;
    let parts = reader.decisions(run).map_err(archive_error)?;
    let cannot = |why: String| Error::Archive(format!("run {run} can't be decided again: {why}"));
    let Some(first) = parts.first() else {
        return Err(cannot(
            "what it was decided on was not kept; it is older than that is, or had just begun".into(),
        ));
    };
    let first = first.as_ref().map_err(|damage| cannot(damage.to_string()))?;
    let excerpt = reading::excerpt(first).map_err(|why| cannot(why.to_string()))?;
    let (rows, damage) = rows(reader, run)?;
    let mut incomplete = damage;
    let mut reading = reading::Reading::new(&excerpt, &rows);
    let mut play = Play::new(reader, record, &excerpt, &rows)?;
    let mut again = excerpt.again();
    'log: for part in &parts {
        let (items, read) = match part {
            Ok(part) => reading.part(part),
            Err(damage) => {
                incomplete = Some(damage.to_string());
                break;
            }
        };
        for noted in &items {
            if matches!(noted.part, Part::Gap) {
                incomplete = Some("from there on events came faster than they could be kept".into());
                break 'log;
            }
            if let Some(difference) = play.step(&mut again, noted) {
                return Ok(play.result(Some(difference), None));
            }
            if play.ended {
                break 'log;
            }
        }
        if let Err(why) = read {
            incomplete = Some(why.to_string());
            break;
        }
    }
    if !play.ended && incomplete.is_none() && play.record.has_ended() {
        incomplete =
            Some("what it was decided on ends there: the daemon died before it had kept more".into());
    }
    if play.ended && incomplete.is_none() {
        let difference = play.left_over();
        return Ok(play.result(difference, None));
    }
    Ok(play.result(None, incomplete))
}

/// The rows of a run, and what is wrong with them.
fn rows(reader: &Reader, run: u64) -> Result<(Vec<archive::Scan>, Option<String>), Error> {
    let mut rows = Vec::new();
    let mut readings = reader.readings(run).map_err(archive_error)?;
    while let Some(block) = readings.next_block() {
        match block {
            Ok(block) => rows.extend(block.scans),
            Err(damage) => return Ok((rows, Some(damage.to_string()))),
        }
    }
    Ok((rows, None))
}

struct Play<'a> {
    record: RunRecord,
    run: RunId,
    station: StationId,
    start: Option<Event>,
    /// Rows and entries that are still to be decided.
    rows: std::slice::Iter<'a, archive::Scan>,
    entries: VecDeque<archive::Entry>,
    /// The core closed the record.
    closed: bool,
    decisions: u64,
    /// The time of the last item.
    now: Millis,
    began: Millis,
    ended: bool,
}

impl<'a> Play<'a> {
    fn new(
        reader: &Reader,
        record: RunRecord,
        excerpt: &Excerpt,
        rows: &'a [archive::Scan],
    ) -> Result<Self, Error> {
        let query = JournalQuery {
            run: Some(record.run),
            limit: ENTRIES_MAX,
            ..JournalQuery::default()
        };
        let mut entries = reader.journal(&query).map_err(archive_error)?;
        entries.sort_by_key(|entry| entry.n);
        entries.retain(|entry| !NOT_THE_CORES.contains(&&*entry.entry.kind));
        Ok(Self {
            run: RunId(record.run),
            station: excerpt.station(),
            start: Some(start(reader, &record, excerpt.station())?),
            record,
            rows: rows.iter(),
            closed: entries
                .iter()
                .any(|entry| entry.entry.kind == EntryKind::RunEnded.text()),
            entries: entries.into(),
            decisions: 0,
            now: excerpt.taken(),
            began: excerpt.taken(),
            ended: false,
        })
    }

    /// Feeds one item in. Returns the first thing that is not what was decided then.
    fn step(&mut self, again: &mut Again, noted: &Noted) -> Option<RedoneDifference> {
        self.now = noted.now;
        let numbers = noted.commands.iter().map(Command::seq);
        let actions = match (&noted.part, self.start.take()) {
            (Part::Supply(call), start) => {
                self.start = start;
                again.supply(call);
                return None;
            }
            // The first event of a log is the start of its run.
            (_, Some(start)) => {
                again.meanwhile(noted.seq, numbers, None);
                again.take(noted.now, start)
            }
            (Part::Event(event), None) => {
                again.meanwhile(noted.seq, numbers, None);
                again.take(noted.now, event.clone())
            }
            (Part::Among(event, alarms), None) => {
                again.meanwhile(noted.seq, numbers, Some(alarms.clone()));
                again.take(noted.now, event.clone())
            }
            (Part::OtherStart { begun }, None) => {
                again.meanwhile(noted.seq, numbers, None);
                again.other_start(noted.now, *begun)
            }
            (Part::Gap, None) => return None,
        };
        self.compare(&actions, noted)
    }

    fn compare(&mut self, actions: &[Action], noted: &Noted) -> Option<RedoneDifference> {
        let commands = commands(actions, self.station, |_| true);
        for at in 0..commands.len().max(noted.commands.len()) {
            let (then, now) = (noted.commands.get(at), commands.get(at));
            if then != now {
                let text = |command: Option<&Command>| {
                    command.map_or("no further command".to_owned(), ToString::to_string)
                };
                return Some(self.differs(noted, text(then), text(now)));
            }
            self.decisions += 1;
        }
        for action in actions {
            match action {
                Action::Record(row) if row.run == Some(self.run) => {
                    if let Some((then, now)) = self.row(row) {
                        return Some(self.differs(noted, then, now));
                    }
                }
                Action::Journal(entry) if entry.run == Some(self.run) => {
                    if let Some((then, now)) = self.entry(entry) {
                        return Some(self.differs(noted, then, now));
                    }
                    self.decisions += 1;
                }
                Action::Run(change) if change.record.run == self.run && change.ended => {
                    self.ended = true;
                    if let Some((then, now)) = self.closed(&change.record) {
                        return Some(self.differs(noted, then, now));
                    }
                }
                _ => {}
            }
        }
        None
    }

    /// A row that was decided again, and the one that is kept, where they are not the same.
    fn row(&mut self, row: &Row) -> Option<(String, String)> {
        let now = Line {
            mono_ms: row.at.0,
            values: values(row),
            heat: row.heat.share(),
            phase: phase(row.phase),
            stage: row.stage,
            target: row.target.map(benchward_core::units::Celsius::degrees),
        };
        let then = self.rows.next().map(Line::of);
        match then {
            Some(then) if then.same(&now) => None,
            Some(then) => Some((then.to_string(), now.to_string())),
            None if self.cut_short() => None,
            None => Some(("no further row".into(), now.to_string())),
        }
    }

    /// Rows and entries may end a moment earlier than the log does where nobody closed the record: what was not kept can't be
    /// compared.
    fn cut_short(&self) -> bool {
        !self.closed
    }

    fn entry(&mut self, entry: &Entry) -> Option<(String, String)> {
        let now = format!(
            "journal `{}`{}: {}{}",
            entry.kind,
            entry
                .who
                .as_ref()
                .map_or(String::new(), |who| format!(" ({who})")),
            entry.text,
            data(entry).map_or(String::new(), |data| format!(" {data}"))
        );
        let Some(then) = self.entries.pop_front() else {
            if self.cut_short() {
                return None;
            }
            return Some(("no further journal entry".into(), now));
        };
        let then = &then.entry;
        let text = format!(
            "journal `{}`{}: {}{}",
            then.kind,
            then.who.as_ref().map_or(String::new(), |who| format!(" ({who})")),
            then.text,
            if then.data.is_null() {
                String::new()
            } else {
                format!(" {}", then.data)
            }
        );
        (text != now || then.mono_ms != self.now.0).then(|| {
            (
                format!("{text} at {} ms", then.mono_ms),
                format!("{now} at {} ms", self.now.0),
            )
        })
    }

    /// The record as it was closed, in what decides about people's work.
    fn closed(&self, record: &benchward_core::Record) -> Option<(String, String)> {
        let then = (
            self.record.outcome.map(|outcome| outcome.name().to_owned()),
            self.record.peak_celsius.map(f64::to_bits),
            self.record
                .stages
                .iter()
                .map(|stage| (stage.dwell_s.to_bits(), stage.overshoot_celsius.map(f64::to_bits)))
                .collect::<Vec<_>>(),
        );
        let now = (
            record.outcome.map(|outcome| outcome.text().to_owned()),
            record.peak.map(|peak| peak.degrees().to_bits()),
            record
                .stages
                .iter()
                .map(|stage| {
                    (
                        stage.dwelt.seconds().to_bits(),
                        stage.reached.map(|_| stage.overshoot.degrees().to_bits()),
                    )
                })
                .collect::<Vec<_>>(),
        );
        (then != now).then(|| {
            (
                format!("the record is closed with outcome, peak and stages {then:?}"),
                format!("it is closed with {now:?}"),
            )
        })
    }

    /// Something was decided then that was not decided again.
    fn left_over(&mut self) -> Option<RedoneDifference> {
        let entry = self.entries.pop_front()?;
        Some(RedoneDifference {
            time: entry.entry.at.to_string(),
            elapsed_s: Millis(entry.entry.mono_ms).since(self.began).seconds(),
            input: "the end of what reached the station".into(),
            recorded: format!("journal `{}`: {}", entry.entry.kind, entry.entry.text),
            decided: "no further journal entry".into(),
        })
    }

    fn differs(&self, noted: &Noted, recorded: String, decided: String) -> RedoneDifference {
        let elapsed = noted.now.since(self.began);
        let wall = archive::Wall(
            self.record
                .started
                .0
                .saturating_add(i64::try_from(elapsed.0).unwrap_or(i64::MAX)),
        );
        RedoneDifference {
            time: wall.to_string(),
            elapsed_s: elapsed.seconds(),
            input: words(&noted.part),
            recorded,
            decided,
        }
    }

    fn result(self, difference: Option<RedoneDifference>, incomplete: Option<String>) -> Redone {
        Redone {
            schema: shapes::SCHEMA,
            run: self.run.0,
            identical: difference.is_none(),
            decisions: self.decisions,
            closed: self.closed,
            elapsed_s: self.now.since(self.began).seconds(),
            incomplete,
            difference,
        }
    }
}

/// A row in a form that can be compared and shown.
struct Line {
    mono_ms: u64,
    values: Vec<archive::Value>,
    heat: f64,
    phase: archive::Phase,
    stage: Option<u16>,
    target: Option<f64>,
}

impl Line {
    fn of(scan: &archive::Scan) -> Self {
        Self {
            mono_ms: scan.mono_ms,
            values: scan.values.clone(),
            heat: scan.heat,
            phase: scan.phase,
            stage: scan.stage,
            target: scan.target_celsius,
        }
    }

    fn same(&self, other: &Self) -> bool {
        self.mono_ms == other.mono_ms
            && self.values == other.values
            && self.heat.to_bits() == other.heat.to_bits()
            && self.phase == other.phase
            && self.stage == other.stage
            && self.target.map(f64::to_bits) == other.target.map(f64::to_bits)
    }
}

impl std::fmt::Display for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "row of {} ms: {:?}, heat {}, {:?}, stage {:?}, target {:?}",
            self.mono_ms, self.values, self.heat, self.phase, self.stage, self.target
        )
    }
}

/// What reached the station, in words.
fn words(part: &Part) -> String {
    match part {
        Part::Event(event) | Part::Among(event, _) => match event {
            Event::Tick => "time passed".into(),
            Event::Think => "a thought about the newest readings".into(),
            Event::Scan { at, values, .. } => format!("scan of {} ms: {values:?}", at.0),
            other => format!("{other:?}"),
        },
        Part::Supply(call) => format!("{call:?}"),
        Part::OtherStart { begun: true } => "another run began here".into(),
        Part::OtherStart { begun: false } => "another run was refused here".into(),
        Part::Gap => "something that is missing".into(),
    }
}

/// The start of a run, made again from its record.
fn start(reader: &Reader, record: &RunRecord, station: StationId) -> Result<Event, Error> {
    let cannot = |why: String| Error::Archive(format!("run {} can't be decided again: {why}", record.run));
    let recipe = Recipe::parse(&record.recipe, &record.recipe_text)
        .map_err(|mistakes| cannot(format!("its recipe can't be read: {mistakes}")))?;
    let model = match record.more.get(RunBoardModel::KEY) {
        None => None,
        Some(kept) => {
            let known: RunBoardModel = serde_json::from_value(kept.clone())
                .map_err(|error| cannot(format!("its board model: {error}")))?;
            let name = archive::BoardModelRecord::document(&known.board, &record.station);
            let document = reader
                .document(Document::BoardModel, &name, Some(known.revision))
                .map_err(archive_error)?;
            let models: archive::BoardModels = document.iter().collect();
            let model = models
                .found
                .first()
                .ok_or_else(|| cannot(format!("revision {} of \"{name}\" is not there", known.revision)))?;
            Some(Arc::new(crate::board::model(model).map_err(cannot)?))
        }
    };
    Ok(Event::Request(Request {
        id: RequestId(0),
        who: benchward_core::Person::new(&record.operator),
        roles: Roles::ALL,
        origin: benchward_core::Origin::Local,
        ask: Ask::Start {
            station,
            recipe: Arc::new(recipe),
            revision: record.revision,
            serial: record.serial.as_str().into(),
            model,
            // It is kept with the run and decides nothing.
            foretold: None,
        },
    }))
}

#[cfg(test)]
mod tests;
