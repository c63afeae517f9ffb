//! `benchward journal`: what was decided and who asked for it.

use benchward_api::{Exit, shapes};
use benchward_archive::{JournalQuery, Order};
use clap::{Args, Subcommand};

use crate::Session;
use crate::failure::Failure;
use crate::figures::{count, moment, or_none};
use crate::progress::Progress;
use crate::screen::{Paint, Tone};
use crate::spoken::spoken;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward journal list --station bench-2
  benchward journal verify";

/// List the journal and walk its chain
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    List(List),
    Verify(Verify),
}

const LIST_EXAMPLES: &str = "\
Examples:
  benchward journal list                           the newest entries
  benchward journal list --kind trip --limit 10
  benchward journal list --run 12 --oldest-first
  benchward --archive /var/lib/benchward journal list";

/// List journal entries, newest first
#[derive(Debug, Args)]
#[command(before_help = LIST_EXAMPLES)]
pub(crate) struct List {
    /// Only entries about this station
    #[arg(long, value_name = "STATION")]
    station: Option<String>,
    /// Only entries about this run
    #[arg(long, value_name = "N")]
    run: Option<u64>,
    /// Only entries of this kind, such as `trip`, `limit`, `run-started`
    #[arg(long, value_name = "KIND")]
    kind: Option<String>,
    /// Begin at this entry
    #[arg(long, value_name = "N")]
    from: Option<u64>,
    /// Oldest first
    #[arg(long)]
    oldest_first: bool,
    /// At most so many
    #[arg(long, value_name = "N", default_value_t = JournalQuery::PAGE)]
    limit: usize,
}

const VERIFY_EXAMPLES: &str = "\
Examples:
  benchward journal verify
  benchward --archive /mnt/copy journal verify";

/// Walk the whole chain; say the first bad entry, print the hash of the newest
#[derive(Debug, Args)]
#[command(before_help = VERIFY_EXAMPLES)]
pub(crate) struct Verify {}

pub(crate) async fn carry_out(session: &Session, verb: Verb) -> Result<Exit, Failure> {
    let records = session.records().await?;
    match verb {
        Verb::List(list) => {
            let journal = records.journal(&query(list)).await?;
            session.screen.show(&journal, table)?;
            Ok(Exit::Done)
        }
        Verb::Verify(Verify {}) => {
            let progress = Progress::of(&session.screen, "walking the chain of the journal");
            let verified = records.verify().await;
            drop(progress);
            let verified = verified?;
            session.screen.show(&verified, verdict)?;
            Ok(if verified.ok { Exit::Done } else { Exit::Failed })
        }
    }
}

fn query(list: List) -> JournalQuery {
    JournalQuery {
        from: list.from,
        order: if list.oldest_first {
            Order::OldestFirst
        } else {
            Order::NewestFirst
        },
        station: list.station,
        run: list.run,
        kind: list.kind,
        limit: list.limit,
    }
}

/// Entries with who and what; texts are last, so that they may be long.
pub(crate) fn table(journal: &shapes::Journal, paint: Paint) -> String {
    if journal.entries.is_empty() {
        return "no entry matches".into();
    }
    let mut table = Table::new(&[
        ("N", Side::Right),
        ("TIME", Side::Left),
        ("KIND", Side::Left),
        ("RUN", Side::Right),
        ("WHO", Side::Left),
        ("WHAT", Side::Left),
    ]);
    for entry in &journal.entries {
        let tone = match entry.kind.as_str() {
            "trip" => Tone::Danger,
            "warning" | "refused" => Tone::Warning,
            _ => Tone::Plain,
        };
        table.row([
            (entry.n.to_string(), Tone::Plain),
            (moment(&entry.at), Tone::Plain),
            (entry.kind.clone(), tone),
            (
                entry
                    .run
                    .map_or(crate::figures::NONE.into(), |run| run.to_string()),
                Tone::Plain,
            ),
            (or_none(entry.who.as_deref()), Tone::Plain),
            (spoken(&entry.text).into_owned(), Tone::Plain),
        ]);
    }
    table.render(paint)
}

fn verdict(verified: &shapes::Verified, paint: Paint) -> String {
    let entries = count(
        usize::try_from(verified.entries).unwrap_or(usize::MAX),
        "entry",
        "entries",
    );
    match &verified.first_bad {
        None if verified.ok => format!(
            "{}: {entries}, head {}",
            paint.text(Tone::Good, "journal holds"),
            verified.head
        ),
        None => format!("{}: {entries}", paint.text(Tone::Danger, "JOURNAL BROKEN")),
        Some(bad) => format!(
            "{}: entry {} {}\nof {entries}, head {}; keep the archive as it is and compare with the heads on your run \
             reports",
            paint.text(Tone::Danger, "JOURNAL BROKEN"),
            bad.n,
            bad.text,
            verified.head
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_are_a_table_with_the_text_last() {
        let journal = shapes::Journal {
            schema: 1,
            entries: vec![
                shapes::Entry {
                    n: 12,
                    at: "2026-11-25T13:46:33.120Z".into(),
                    kind: "trip".into(),
                    station: Some("bench-2".into()),
                    run: Some(7),
                    who: None,
                    text: "bench-2: `operator-absent` tripped".into(),
                    data: serde_json::Value::Null,
                    hash: "00".into(),
                },
                shapes::Entry {
                    n: 3,
                    at: "2026-11-25T13:40:00.000Z".into(),
                    kind: "limit".into(),
                    station: None,
                    run: None,
                    who: Some("safe1".into()),
                    text: "ceiling of the lab is 240.0 °C".into(),
                    data: serde_json::Value::Null,
                    hash: "00".into(),
                },
            ],
        };
        assert_eq!(
            table(&journal, Paint::NONE),
            "
 N  TIME                  KIND   RUN  WHO    WHAT
12  2026-11-25 13:46:33Z  trip     7  -      bench-2: `operator-absent` tripped
 3  2026-11-25 13:40:00Z  limit    -  safe1  ceiling of the lab is 240.0 °C
"
            .trim_start_matches('\n')
        );
    }

    #[test]
    fn a_broken_chain_says_where() {
        let broken = shapes::Verified {
            schema: 1,
            ok: false,
            entries: 40,
            head: "ab".into(),
            first_bad: Some(shapes::FirstBad {
                n: 17,
                text: "does not continue entry 16".into(),
            }),
        };
        let text = verdict(&broken, Paint::NONE);
        assert!(
            text.starts_with("JOURNAL BROKEN: entry 17 does not continue entry 16\nof 40 entries"),
            "{text}"
        );
        let whole = shapes::Verified {
            ok: true,
            first_bad: None,
            ..broken
        };
        assert_eq!(verdict(&whole, Paint::NONE), "journal holds: 40 entries, head ab");
        let value = serde_json::to_value(&whole).unwrap();
        assert_eq!(
            (&value["ok"], &value["entries"], &value["head"]),
            (&true.into(), &40.into(), &"ab".into())
        );
    }
}
