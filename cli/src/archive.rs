//! `benchward archive`: what is done to the folder of an archive while no daemon runs on it.

use std::fmt::Write as _;
use std::path::PathBuf;

use benchward_api::{Exit, shapes};
use benchward_archive::{Archive, LEVELS_MS, Reader, Wall};
use clap::{Args, Subcommand, ValueEnum};

use crate::Session;
use crate::failure::Failure;
use crate::figures::celsius;
use crate::progress::Progress;
use crate::screen::{Paint, Tone};
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward --archive /var/lib/benchward archive check
  benchward --archive /var/lib/benchward archive rebuild
  benchward --archive /mnt/copy archive levels bench-1 --step 5min";

/// Check the archive of a stopped lab, make its index anew from its files, show long spans of it
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Check(Check),
    Rebuild(Rebuild),
    Levels(Levels),
}

const CHECK_EXAMPLES: &str = "\
Examples:
  benchward --archive /mnt/copy archive check";

/// Read every sealed file and the whole journal, and say what is damaged
#[derive(Debug, Args)]
#[command(before_help = CHECK_EXAMPLES)]
pub(crate) struct Check {}

const REBUILD_EXAMPLES: &str = "\
Examples:
  benchward --archive /var/lib/benchward archive rebuild";

/// Make the index of runs, the journal, recipes, trips and limits anew from the archive's files, where the store is damaged, gone, or of
/// another version
///
/// The former store is set aside and kept. The daemon does the same by itself when it can't open its store; this is for one that
/// opens and is wrong. No daemon may be running on it.
#[derive(Debug, Args)]
#[command(before_help = REBUILD_EXAMPLES)]
pub(crate) struct Rebuild {}

const LEVELS_EXAMPLES: &str = "\
Examples:
  benchward --archive /mnt/copy archive levels bench-1
  benchward --archive /mnt/copy --json archive levels bench-1 --days 7 --step 10s";

/// Show lowest, mean and highest readings of a station outside runs over days
#[derive(Debug, Args)]
#[command(before_help = LEVELS_EXAMPLES)]
pub(crate) struct Levels {
    /// The station
    station: String,
    /// The last so many days (UTC)
    #[arg(long, value_name = "N", default_value_t = 30)]
    days: u16,
    /// Length of a span
    #[arg(long, value_enum, default_value_t = Step::FiveMinutes)]
    step: Step,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Step {
    #[value(name = "10s")]
    TenSeconds,
    #[value(name = "5min")]
    FiveMinutes,
}

pub(crate) fn carry_out(session: &Session, verb: &Verb) -> Result<Exit, Failure> {
    let folder = session.archive.as_ref().ok_or_else(|| {
        Failure::wrong_use(
            "this command works on the folder of an archive that no daemon runs on",
            "name it with --archive DIR",
        )
    })?;
    match verb {
        Verb::Check(Check {}) => check(session, folder),
        Verb::Rebuild(Rebuild {}) => rebuild(session, folder),
        Verb::Levels(levels) => show_levels(session, folder, levels),
    }
}

fn check(session: &Session, folder: &PathBuf) -> Result<Exit, Failure> {
    let reader = Reader::open(folder)?;
    let progress = Progress::of_bytes(&session.screen, "reading sealed files");
    let looked = reader.check_files(|done, total| progress.reached(done, total));
    drop(progress);
    let (files, damage) = looked?;
    let progress = Progress::of(&session.screen, "walking the chain of the journal");
    let verified = reader.verify();
    drop(progress);
    let verified = verified?;
    let mut damage: Vec<String> = damage.iter().map(ToString::to_string).collect();
    damage.extend(
        verified
            .first_bad
            .as_ref()
            .map(|(n, why)| format!("the journal does not hold together at entry {n}: {why}")),
    );
    let checked = shapes::ArchiveChecked {
        schema: shapes::SCHEMA,
        ok: damage.is_empty(),
        files,
        damage,
        entries: verified.entries,
        head: verified.head.clone(),
    };
    session.screen.show(&checked, |checked, paint| {
        let mut page = format!(
            "{}: {} sealed files, {} journal entries, head {}\n",
            if checked.ok {
                paint.text(Tone::Good, "undamaged")
            } else {
                paint.text(Tone::Danger, "damaged")
            },
            checked.files,
            checked.entries,
            checked.head
        );
        for line in &checked.damage {
            let _ = writeln!(page, "  {line}");
        }
        page
    })?;
    Ok(if checked.ok { Exit::Done } else { Exit::Failed })
}

fn rebuild(session: &Session, folder: &PathBuf) -> Result<Exit, Failure> {
    let progress = Progress::of(&session.screen, "making the store anew from the files");
    let opened = Archive::rebuild(folder, Wall::now());
    drop(progress);
    let opened = opened?;
    let rebuilt = shapes::ArchiveRebuilt {
        schema: shapes::SCHEMA,
        runs: opened.next_run - 1,
        entries: opened.next_journal - 1,
        head: opened.head,
        notes: opened.notes,
    };
    session.screen.show(&rebuilt, |rebuilt, _| {
        let mut page = format!(
            "made anew from the files: runs up to {}, {} journal entries, head {}\n",
            rebuilt.runs, rebuilt.entries, rebuilt.head
        );
        for note in &rebuilt.notes {
            let _ = writeln!(page, "  {note}");
        }
        page
    })?;
    session
        .screen
        .next(&format!("benchward --archive {} archive check", folder.display()));
    Ok(Exit::Done)
}

fn show_levels(session: &Session, folder: &PathBuf, levels: &Levels) -> Result<Exit, Failure> {
    let reader = Reader::open(folder)?;
    let step_ms = match levels.step {
        Step::TenSeconds => LEVELS_MS[0],
        Step::FiveMinutes => LEVELS_MS[1],
    };
    let today = Wall::now().day();
    let days = today - i32::from(levels.days) + 1..today + 1;
    let found = reader.coarse_of_station(&levels.station, days, step_ms)?;
    let shown = shapes::ArchiveLevels::new(&levels.station, step_ms, &found);
    session.screen.show(&shown, table)?;
    Ok(Exit::Done)
}

fn table(levels: &shapes::ArchiveLevels, paint: Paint) -> String {
    if levels.spans.is_empty() {
        return "no readings outside runs are kept of these days".into();
    }
    let mut table = Table::new(&[
        ("TIME", Side::Left),
        ("CHANNEL", Side::Left),
        ("LOWEST", Side::Right),
        ("MEAN", Side::Right),
        ("HIGHEST", Side::Right),
        ("READINGS", Side::Right),
    ]);
    for span in &levels.spans {
        for channel in &span.channels {
            table.plain([
                span.time.clone(),
                channel.channel.clone(),
                celsius(Some(channel.lowest_celsius)),
                celsius(Some(channel.mean_celsius)),
                celsius(Some(channel.highest_celsius)),
                channel.good.to_string(),
            ]);
        }
    }
    table.render(paint)
}
