//! `benchward run report`: what settles an argument about a board, on pages.

mod chart;

use std::fmt::Write as _;

use benchward_api::{Exit, shapes};
use benchward_archive::Wall;
use benchward_core::EntryKind;
use benchward_core::recipe::{ControlBy, Recipe};
use benchward_report::chart::clock as minutes;
use benchward_report::{Block, Cell, Document, Fact, Side, Table, Tone};
use clap::Args;

use crate::Session;
use crate::caution::CAUTION;
use crate::degrees::{Scale, shown};
use crate::failure::Failure;
use crate::figures::{
    NONE, Quantity, celsius, clock, clock_or_none, difference, moment, offset, or_none, percent, rate,
};
use crate::foretold;
use crate::pages::{Form, Output};
use crate::readings::Readings;
use crate::records::Records;
use crate::spoken::spoken;

const EXAMPLES: &str = "\
Examples:
  benchward run report 12 -o run-12.html
  benchward run report 12 -o run-12.pdf --paper letter
  benchward run report 12 --format html > run-12.html
  benchward --archive /var/lib/benchward run report 12 -o run-12.pdf";

/// Everything that is on record of one run, as a page for a browser or as PDF: chart, verdict, trips, sensors, journal
///
/// One file with nothing outside it. It says which entries of the journal it rests on and the hash of the newest, so that a changed
/// record can be told.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Number of the run
    run: u64,
    #[command(flatten)]
    output: Output,
}

pub(super) async fn report(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let form = arguments.output.form()?.unwrap_or(Form::Html);
    let evidence = gather(&session.records().await?, arguments.run).await?;
    arguments.output.write(session, form, &document(&evidence))
}

/// What a report rests on.
struct Evidence {
    lab: String,
    made: Wall,
    run: shapes::RunShown,
    readings: Readings,
    /// Records of trips and warnings of this run, the oldest first.
    trips: Vec<shapes::TripRecord>,
    /// Of each sensor, the calibration in force, where it can still be found.
    calibrations: Vec<Option<shapes::Calibration>>,
    verified: shapes::Verified,
}

async fn gather(records: &Records, number: u64) -> Result<Evidence, Failure> {
    let run = records.run(number).await?;
    let readings = Readings::of(records.recording(number).await?, &run.channels);
    let query = shapes::TripQuery {
        all: true,
        station: Some(run.run.station.clone()),
        limit: Some(usize::MAX),
    };
    let mut trips = records.trips(&query).await?.trips;
    trips.retain(|trip| trip.run == Some(number));
    trips.reverse();
    let mut calibrations = Vec::new();
    for sensor in &run.sensors {
        let mut found = None;
        if let Some(words) = &sensor.calibration {
            // A channel that the lab doesn't have any more is no reason to have no report: the run's own record says the most of it.
            let history = records.sensor_history(&run.run.station, &sensor.channel).await;
            found = history
                .map(|history| history.calibrations)
                .unwrap_or_default()
                .into_iter()
                .find(|one| words.ends_with(&format!("(revision {})", one.revision)));
        }
        calibrations.push(found);
    }
    Ok(Evidence {
        lab: records.lab().await?,
        made: Wall::now(),
        verified: records.verify().await?,
        run,
        readings,
        trips,
        calibrations,
    })
}

/// Seconds from one RFC 3339 time to another.
fn seconds(from: &str, to: &str) -> Option<f64> {
    let (from, to): (Wall, Wall) = (from.parse().ok()?, to.parse().ok()?);
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of a run")]
    Some((to.0 - from.0) as f64 / 1_000.0)
}

fn document(evidence: &Evidence) -> Document {
    let shown = &evidence.run;
    let run = &shown.run;
    let recipe = Recipe::parse(&run.recipe, &shown.recipe_text).ok();
    let mut blocks = vec![headline(shown)];
    notices(evidence, &mut blocks);
    blocks.push(Block::Heading("The run".into()));
    blocks.push(Block::Facts(facts(evidence, recipe.as_ref())));
    blocks.push(Block::Heading("Temperatures and heat".into()));
    chart::blocks(evidence, recipe.as_ref(), &mut blocks);
    blocks.push(Block::Heading("Verdict".into()));
    verdict(shown, &mut blocks);
    if !shown.stages.is_empty() {
        blocks.push(Block::Heading("Stages".into()));
        blocks.push(Block::Table(stages(shown, recipe.as_ref())));
    }
    blocks.push(Block::Heading("What was foretold, and what came".into()));
    foretold(shown, &mut blocks);
    blocks.push(Block::Heading("Trips and warnings".into()));
    trips(evidence, &mut blocks);
    blocks.push(Block::Heading("Sensors".into()));
    sensors(evidence, &mut blocks);
    blocks.push(Block::Heading("The chart as a table".into()));
    blocks.extend(chart::steps(&evidence.readings).map(Block::Table));
    blocks.push(Block::Table(chart::extremes(&evidence.readings)));
    blocks.push(Block::Heading("Recipe".into()));
    blocks.push(Block::Text(format!(
        "\"{}\", revision {}, as it was carried out. Its temperatures are as they were written.",
        run.recipe, run.revision
    )));
    blocks.push(Block::Verbatim(shown.recipe_text.trim_end().to_owned()));
    blocks.push(Block::Heading("Journal".into()));
    journal(evidence, &mut blocks);
    blocks.push(Block::Heading("Cautions".into()));
    cautions(&mut blocks);
    let head: String = evidence.verified.head.chars().take(16).collect();
    Document {
        title: format!("Run {} on board {}", run.run, or_none(Some(&run.serial))),
        subtitle: format!(
            "{} · {} · lab {} · report made {}",
            run.recipe,
            run.station,
            evidence.lab,
            moment(&evidence.made.to_string())
        ),
        description: format!(
            "Record of run {} of \"{}\" revision {} on board {} at {}",
            run.run, run.recipe, run.revision, run.serial, run.station
        ),
        foot: format!(
            "Benchward {} · lab {} · run {} · board {} · journal head {head}",
            env!("CARGO_PKG_VERSION"),
            evidence.lab,
            run.run,
            run.serial
        ),
        blocks,
    }
}

fn outcome_tone(outcome: Option<&str>) -> Tone {
    match outcome {
        Some("completed") => Tone::Good,
        Some("tripped" | "lost") => Tone::Bad,
        _ => Tone::Warning,
    }
}

pub(super) fn verdict_tone(verdict: &str) -> Tone {
    match verdict {
        "pass" => Tone::Good,
        "fail" => Tone::Bad,
        "undecided" => Tone::Warning,
        _ => Tone::Plain,
    }
}

fn headline(shown: &shapes::RunShown) -> Block {
    let run = &shown.run;
    let outcome = run.outcome.as_deref();
    let verdict = match &*run.verdict {
        "none" => "not judged",
        other => other,
    };
    Block::Headline(vec![
        Fact::new("Board", or_none(Some(&run.serial))),
        Fact::new("Outcome", outcome.unwrap_or("going on")).tone(outcome_tone(outcome)),
        Fact::new("Verdict", verdict).tone(verdict_tone(&run.verdict)),
        Fact::new("Highest reading", celsius(run.peak_celsius)),
    ])
}

/// What a reader must know before anything else.
fn notices(evidence: &Evidence, blocks: &mut Vec<Block>) {
    let shown = &evidence.run;
    let mut notice = |tone, label: &str, text: String| blocks.push(Block::Notice(tone, label.into(), text));
    if shown.run.ended.is_none() {
        notice(
            Tone::Warning,
            "Not over",
            format!(
                "The record of this run is not closed. This is what was known at {}.",
                moment(&evidence.made.to_string())
            ),
        );
    }
    for damage in &evidence.readings.damage {
        notice(
            Tone::Bad,
            "Readings are missing",
            format!("Part of the run can't be read: {damage}"),
        );
    }
    if let Some(bad) = &evidence.verified.first_bad {
        notice(
            Tone::Bad,
            "The journal does not hold",
            format!(
                "Entry {}: {}. What this report says of decisions is not proved by it.",
                bad.n, bad.text
            ),
        );
    }
    for caution in &shown.cautions {
        notice(
            Tone::Warning,
            "Less safe than usual",
            spoken(caution).into_owned(),
        );
    }
    for sensor in shown.sensors.iter().filter(|sensor| sensor.overdue) {
        notice(
            Tone::Warning,
            "Calibration overdue",
            format!(
                "The sensor of {} was to be checked by {}, before this run.",
                sensor.channel,
                or_none(sensor.calibration_due.as_deref())
            ),
        );
    }
}

fn steered(control: &ControlBy) -> String {
    match control {
        ControlBy::Hottest => "the hottest channel".into(),
        ControlBy::Coldest => "the coldest channel".into(),
        ControlBy::Mean => "the mean of all channels".into(),
        ControlBy::Channel(name) => format!("channel {name}"),
    }
}

fn facts(evidence: &Evidence, recipe: Option<&Recipe>) -> Vec<Fact> {
    let shown = &evidence.run;
    let run = &shown.run;
    let lasted = run
        .ended
        .as_deref()
        .and_then(|ended| seconds(&run.started, ended));
    let mut facts = vec![
        Fact::new("Board", or_none(Some(&run.serial))),
        Fact::new("Recipe", format!("\"{}\", revision {}", run.recipe, run.revision)),
        Fact::new("Station", &run.station),
        Fact::new("Started by", or_none(Some(&run.operator))),
        Fact::new("Started", moment(&run.started)),
        Fact::new(
            "Record closed",
            match (&run.ended, lasted) {
                (Some(ended), Some(lasted)) => format!("{}, after {}", moment(ended), clock(lasted)),
                _ => NONE.into(),
            },
        ),
        Fact::new("Outcome", run.outcome.as_deref().unwrap_or("going on"))
            .tone(outcome_tone(run.outcome.as_deref())),
        Fact::new(
            "Verdict",
            match &shown.judged_by {
                Some(by) => format!("{}, by {}, judged {}", run.verdict, by.text, moment(&by.judged)),
                None => "not judged: there was no window".into(),
            },
        )
        .tone(verdict_tone(&run.verdict)),
        Fact::new(
            "What was known of the board",
            shown
                .board_model
                .as_ref()
                .map(|model| format!("\"{}\": {}", model.board, model.words()))
                .or_else(|| shown.first_run.as_ref().map(shapes::RunGuard::words))
                .unwrap_or_else(|| "nothing is on record".into()),
        ),
    ];
    if !shown.ceilings.is_empty() {
        facts.push(Fact::new("Ceiling", ceilings(shown)));
    }
    if let Some(recipe) = recipe {
        facts.push(Fact::new("Steered by", steered(&recipe.control)));
        if shown.ceilings.is_empty() {
            let own = recipe
                .ceiling
                .map_or(NONE.into(), |ceiling| celsius(Some(ceiling.degrees())));
            facts.push(Fact::new("Recipe's ceiling", own));
        }
        facts.push(Fact::new(
            "Safe to handle below",
            celsius(Some(recipe.cooldown.safe.degrees())),
        ));
    }
    facts.push(Fact::new(
        "Safe to handle",
        match safe_after(shown) {
            Some((at, after)) => format!("{}, after {}: every channel was below", moment(&at), clock(after)),
            None => "not announced".into(),
        },
    ));
    facts
}

/// `130.0 °C, set by the recipe; from 1:20 on 110.0 °C, set by the lab`.
fn ceilings(shown: &shapes::RunShown) -> String {
    let mut text = String::new();
    for (number, ceiling) in shown.ceilings.iter().enumerate() {
        if number > 0 {
            let after = seconds(&shown.run.started, &ceiling.at).unwrap_or_default();
            let _ = write!(text, "; from {} on ", at(after));
        }
        let _ = write!(
            text,
            "{}, set by {}",
            celsius(Some(ceiling.celsius)),
            ceiling.from
        );
    }
    text
}

/// When the board was announced safe to handle, and how long after the start.
fn safe_after(shown: &shapes::RunShown) -> Option<(String, f64)> {
    let entry = shown.journal.iter().find(|entry| entry.kind == "safe")?;
    Some((entry.at.clone(), seconds(&shown.run.started, &entry.at)?))
}

fn verdict(shown: &shapes::RunShown, blocks: &mut Vec<Block>) {
    let Some(by) = &shown.judged_by else {
        blocks.push(Block::Text(
            "The recipe has no window, so that nothing was judged.".into(),
        ));
        return;
    };
    let mut table = Table::new(
        format!("Each line of {}, the worst first", by.text),
        &[
            ("Line", Side::Left),
            ("Value", Side::Right),
            ("Low limit", Side::Right),
            ("High limit", Side::Right),
            ("Margin", Side::Right),
            ("Channel", Side::Left),
            ("Verdict", Side::Left),
        ],
    );
    for line in &shown.window {
        let quantity = Quantity::of(&line.line, &line.unit);
        table.row([
            Cell::from(&*line.line),
            quantity.figure(line.value).into(),
            quantity.limit(line.low).into(),
            quantity.limit(line.high).into(),
            line.margin
                .map_or(NONE.into(), |margin| format!("{:.0} %", margin * 100.0))
                .into(),
            or_none(Some(&line.channel)).into(),
            (line.verdict.clone(), verdict_tone(&line.verdict)).into(),
        ]);
    }
    blocks.push(Block::Table(table));
    for line in shown.window.iter().filter(|line| line.verdict != "pass") {
        blocks.push(Block::Notice(
            verdict_tone(&line.verdict),
            line.verdict.clone(),
            line.text.clone(),
        ));
    }
    blocks.push(Block::Text(
        "The margin is the distance to the nearer limit as a share of half the window's width, below 0 % outside; with one limit it is a \
         share of that limit, temperatures counted from 25 °C. Between readings up to 2 s apart, unless the window says otherwise, a \
         straight line is taken; where more is missing, a line that depends on it is undecided."
            .into(),
    ));
}

fn stages(shown: &shapes::RunShown, recipe: Option<&Recipe>) -> Table {
    let mut table = Table::new(
        "Times are minutes and seconds; `began` counts from the start of the run",
        &[
            ("Stage", Side::Left),
            ("Target", Side::Right),
            ("Band", Side::Right),
            ("Ramp limit", Side::Right),
            ("Began", Side::Right),
            ("Ramp took", Side::Right),
            ("Dwell asked", Side::Right),
            ("Dwell in band", Side::Right),
            ("Overshoot", Side::Right),
        ],
    );
    for stage in &shown.stages {
        let asked = recipe.and_then(|recipe| recipe.stages.get(usize::from(stage.stage).checked_sub(1)?));
        let reached = stage.reached.is_some();
        table.row([
            Cell::from(stage.stage.to_string()),
            celsius(Some(stage.target_celsius)).into(),
            asked
                .map_or(NONE.into(), |asked| {
                    format!("± {}", difference(asked.band.degrees(), 1))
                })
                .into(),
            asked
                .and_then(|asked| asked.ramp_max)
                .map_or(NONE.into(), |ramp| rate(ramp.per_second()))
                .into(),
            clock_or_none(seconds(&shown.run.started, &stage.started)).into(),
            if reached {
                Cell::from(clock_or_none(stage.ramp_s))
            } else {
                ("not reached".to_owned(), Tone::Warning).into()
            },
            asked
                .map_or(NONE.into(), |asked| clock(asked.dwell.seconds()))
                .into(),
            clock(stage.dwell_s).into(),
            stage
                .overshoot_celsius
                .filter(|_| reached)
                .map_or(NONE.into(), |above| difference(above, 1))
                .into(),
        ]);
    }
    table
}

fn foretold(shown: &shapes::RunShown, blocks: &mut Vec<Block>) {
    let Some(prediction) = &shown.prediction else {
        blocks.push(Block::Text(
            "Nothing was foretold at the start: the board was unknown here, or its model could say nothing."
                .into(),
        ));
        return;
    };
    let mut table = Table::new(
        format!(
            "Foretold before the start, from the start of the run; ranges are meant to hold {} of runs",
            percent(prediction.range_holds)
        ),
        &[
            ("What", Side::Left),
            ("Foretold after", Side::Left),
            ("Came after", Side::Right),
            ("In range", Side::Left),
            ("Depends on", Side::Left),
        ],
    );
    let mut row = |what: String, moment: &shapes::Moment, came: Option<f64>, governs: &str| {
        let within = moment.earliest_s.zip(moment.latest_s).zip(came);
        let within = match within {
            // Whole seconds are shown, and a range may be missed by less.
            Some(((from, _), came)) if came < from => {
                (format!("no, {:.1} s early", from - came), Tone::Warning)
            }
            Some(((_, to), came)) if came > to => (format!("no, {:.1} s late", came - to), Tone::Warning),
            Some(_) => ("yes".to_owned(), Tone::Good),
            None => (NONE.into(), Tone::Plain),
        };
        table.row([
            Cell::from(what),
            foretold::length(moment).into(),
            clock_or_none(came).into(),
            within.into(),
            governs.into(),
        ]);
    };
    for stage in &prediction.stages {
        let came = shown.stages.iter().find(|one| one.stage == stage.stage);
        let came = came.and_then(|one| seconds(&shown.run.started, one.reached.as_deref()?));
        row(
            format!("stage {} at {}", stage.stage, celsius(Some(stage.target_celsius))),
            &stage.arrival,
            came,
            &stage.governs,
        );
    }
    row(
        "safe to handle".into(),
        &prediction.safe,
        safe_after(shown).map(|(_, after)| after),
        "",
    );
    blocks.push(Block::Table(table));
}

fn trips(evidence: &Evidence, blocks: &mut Vec<Block>) {
    let shown = &evidence.run;
    if evidence.trips.is_empty() && shown.trips.is_empty() {
        blocks.push(Block::Text(
            "No interlock acted during this run, and none warned.".into(),
        ));
        return;
    }
    let by = |at: &Option<String>, who: &Option<String>, nobody: &str| match (at, who) {
        (Some(at), Some(who)) => format!("{} by {who}", moment(at)),
        (Some(at), None) => moment(at),
        (None, _) => nobody.to_owned(),
    };
    for trip in &evidence.trips {
        let warning = trip.kind == "warning";
        let tone = if warning { Tone::Warning } else { Tone::Bad };
        let label = format!(
            "{} {}{}, {}",
            trip.kind,
            trip.interlock,
            if trip.lab_alarm {
                ", alarm of the whole lab"
            } else {
                ""
            },
            moment(&trip.raised)
        );
        blocks.push(Block::Notice(tone, label, spoken(&trip.text).into_owned()));
        let mut facts = vec![Fact::new(
            "After the start",
            clock_or_none(seconds(&shown.run.started, &trip.raised)),
        )];
        if let Some(channel) = &trip.channel {
            facts.push(Fact::new("Channel", channel));
        }
        if trip.value.is_some() || trip.limit.is_some() {
            facts.push(Fact::new("Value and limit", value_and_limit(trip)));
        }
        if let Some(effect) = &trip.effect {
            facts.push(Fact::new("What was done", effect));
        }
        if !warning {
            facts.push(Fact::new(
                "Acknowledged",
                by(&trip.acknowledged, &trip.acknowledged_by, "by nobody"),
            ));
        }
        facts.push(match (&trip.cleared, &trip.cleared_by, warning) {
            (Some(at), None, false) => {
                Fact::new("Over", format!("{}: a later trip took its place", moment(at)))
            }
            (_, _, true) => Fact::new("Over", by(&trip.cleared, &trip.cleared_by, "it stands")),
            (_, _, false) => Fact::new(
                "Reset",
                by(&trip.cleared, &trip.cleared_by, "by nobody: it stands"),
            ),
        });
        blocks.push(Block::Facts(facts));
    }
    // Of versions that didn't name the interlock in their entries, or older than the journal is looked back.
    let known = |trip: &shapes::Trip| {
        evidence
            .trips
            .iter()
            .any(|record| record.interlock == trip.interlock && record.kind == "trip")
    };
    for trip in shown.trips.iter().filter(|trip| !known(trip)) {
        blocks.push(Block::Notice(
            Tone::Bad,
            format!("trip {}, {}", trip.interlock, moment(&trip.at)),
            format!(
                "{} Who acknowledged and reset it is to be looked up in the journal.",
                spoken(&trip.text)
            ),
        ));
    }
}

/// UCUM codes as people write them.
fn value_and_limit(trip: &shapes::TripRecord) -> String {
    let quantity = match &*trip.unit {
        "Cel" => Quantity::Temperature,
        "Cel/s" => Quantity::Rate,
        "K" => Quantity::Difference,
        "1" => Quantity::Other(""),
        other => Quantity::Other(other),
    };
    match (trip.value, trip.limit) {
        (Some(_), Some(_)) => format!(
            "{}, limit {}",
            quantity.figure(trip.value),
            quantity.limit(trip.limit)
        ),
        (Some(_), None) => quantity.figure(trip.value),
        (None, _) => format!("limit {}", quantity.limit(trip.limit)),
    }
}

fn sensors(evidence: &Evidence, blocks: &mut Vec<Block>) {
    let mut table = Table::new(
        "What was added to the readings of each channel, and what that rests on",
        &[
            ("Channel", Side::Left),
            ("Input", Side::Left),
            ("Offset", Side::Right),
            ("Calibration", Side::Left),
            ("Class", Side::Left),
            ("Found", Side::Left),
            ("Due", Side::Left),
        ],
    );
    for (sensor, calibration) in evidence.run.sensors.iter().zip(&evidence.calibrations) {
        let check = calibration
            .as_ref()
            .and_then(|calibration| calibration.check.as_ref());
        let class = check.map_or(NONE.into(), |check| match (&check.thermocouple, &check.class) {
            (Some(letter), Some(class)) => format!("type {letter}, {class}"),
            (Some(letter), None) => format!("type {letter}"),
            (None, class) => or_none(class.as_deref()),
        });
        let found = check.map_or(NONE.into(), |check| {
            let mut text = format!(
                "{} at {}",
                offset(check.deviation_celsius),
                celsius(Some(check.reference_celsius))
            );
            if let Some(tolerance) = check.tolerance_celsius {
                let _ = write!(
                    text,
                    ", tolerance {}: {}",
                    difference(tolerance, 2),
                    check.verdict
                );
            }
            text
        });
        table.row([
            Cell::from(&*sensor.channel),
            sensor.input.as_str().into(),
            offset(sensor.offset_celsius).into(),
            sensor
                .calibration
                .as_deref()
                .unwrap_or("none: the configuration's offset counted")
                .into(),
            class.into(),
            found.into(),
            match &sensor.calibration_due {
                Some(due) if sensor.overdue => (format!("{due}: OVERDUE"), Tone::Warning).into(),
                Some(due) => due.as_str().into(),
                None => NONE.into(),
            },
        ]);
    }
    if table.rows.is_empty() {
        blocks.push(Block::Text("No sensor is on record.".into()));
    } else {
        blocks.push(Block::Table(table));
    }
}

/// Lines of the journal that are printed at most; the rest is counted.
const LINES_MAX: usize = 300;

/// A line of the journal's table: an entry, or several of the same in a row.
struct Line<'e> {
    first: &'e shapes::Entry,
    last: &'e shapes::Entry,
    count: usize,
}

/// Presence is confirmed every few minutes, and page after page of that would hide what matters: what one person confirmed in a row is one line.
/// Every other entry has its own.
fn lines(entries: &[shapes::Entry]) -> Vec<Line<'_>> {
    let mut lines: Vec<Line<'_>> = Vec::new();
    for entry in entries {
        match lines.last_mut() {
            Some(line)
                if entry.kind == EntryKind::Present.text()
                    && entry.kind == line.last.kind
                    && entry.who.is_some()
                    && entry.who == line.last.who
                    && entry.text == line.last.text =>
            {
                line.last = entry;
                line.count += 1;
            }
            _ => lines.push(Line {
                first: entry,
                last: entry,
                count: 1,
            }),
        }
    }
    lines
}

fn journal(evidence: &Evidence, blocks: &mut Vec<Block>) {
    let (entries, verified) = (&evidence.run.journal, &evidence.verified);
    let mut facts = Vec::new();
    if let (Some(first), Some(last)) = (entries.first(), entries.last()) {
        facts.push(Fact::new(
            "This report rests on",
            format!("entries {} to {}", first.n, last.n),
        ));
        facts.push(Fact::new(format!("Hash of entry {}", last.n), &last.hash));
    }
    facts.push(Fact::new(
        format!("Hash of the newest entry, {}", verified.entries),
        &verified.head,
    ));
    facts.push(
        Fact::new(
            "Chain",
            match &verified.first_bad {
                None => format!(
                    "every entry holds, walked when this report was made, {}",
                    moment(&evidence.made.to_string())
                ),
                Some(bad) => format!("broken at entry {}: {}", bad.n, bad.text),
            },
        )
        .tone(if verified.first_bad.is_none() {
            Tone::Good
        } else {
            Tone::Bad
        }),
    );
    blocks.push(Block::Facts(facts));
    blocks.push(Block::Text(
        "Each entry holds the hash of the one before. `benchward journal verify` walks the chain and prints the newest hash: while the entries above \
         are in it with these hashes, what this report says of decisions has not been changed since."
            .into(),
    ));
    let mut table = Table::new(
        "Entries of this run",
        &[
            ("Entry", Side::Left),
            ("Time (UTC)", Side::Left),
            ("Kind", Side::Left),
            ("Who", Side::Left),
            ("What", Side::Left),
        ],
    );
    let lines = lines(entries);
    for Line { first, last, count } in lines.iter().take(LINES_MAX) {
        let tone = match &*first.kind {
            "trip" => Tone::Bad,
            "warning" | "refused" => Tone::Warning,
            _ => Tone::Plain,
        };
        let (number, time, text) = if *count == 1 {
            (first.n.to_string(), moment(&first.at), first.text.clone())
        } else {
            (
                format!("{} to {}", first.n, last.n),
                format!("{} to {}", moment(&first.at), moment(&last.at)),
                format!("{} ({count} times)", first.text),
            )
        };
        table.row([
            Cell::from(number),
            time.into(),
            (first.kind.clone(), tone).into(),
            or_none(first.who.as_deref()).into(),
            text.into(),
        ]);
    }
    if !table.rows.is_empty() {
        blocks.push(Block::Table(table));
    }
    let command = format!("`benchward journal list --run {}`", evidence.run.run.run);
    if lines.iter().any(|line| line.count > 1) {
        blocks.push(Block::Text(format!(
            "Presence that one person confirmed several times in a row is one line; {command} has each entry."
        )));
    }
    let more: usize = lines.iter().skip(LINES_MAX).map(|line| line.count).sum();
    if more > 0 {
        blocks.push(Block::Text(format!("and {more} more; {command} shows all")));
    }
}

fn cautions(blocks: &mut Vec<Block>) {
    let mut caution = CAUTION.replace('\n', " ");
    if let Some(first) = caution.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    for (label, text) in [
        ("Burns and fire", format!("{caution}.").replace("..", ".")),
        (
            "Safe to handle",
            "means that every thermocouple read below a temperature that somebody chose. One that has come off reads the room, and a \
             board is hot long after its heater is off."
                .into(),
        ),
        (
            "What is measured",
            "is what the sensors read where they were. Parts and places without a sensor may have been hotter or colder. Sensors drift; see \
             their calibrations."
                .into(),
        ),
        (
            "Who decides",
            "Local electrical and fire codes and qualified people. This report is a record of what was measured and decided; it approves nothing."
                .into(),
        ),
    ] {
        blocks.push(Block::Notice(Tone::Plain, label.into(), text));
    }
    if shown() == Scale::Fahrenheit {
        blocks.push(Block::Text(
            "Figures are in °F. Names of window lines, what is said of them, the recipe and the journal's entries name °C, as they were written."
                .into(),
        ));
    }
}

/// A time on the chart: minutes and seconds from the start.
fn at(seconds: f64) -> String {
    minutes(seconds)
}

#[cfg(test)]
mod tests;
