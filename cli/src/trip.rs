//! `benchward trip`: an interlock has acted; a person has seen it, a person lifts it, and it stays on record.

use benchward_api::{Exit, shapes};
use clap::{Args, Subcommand};

use crate::Session;
use crate::failure::Failure;
use crate::figures::{moment, or_none};
use crate::screen::{Paint, Tone};
use crate::spoken::spoken;
use crate::stop::done;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward trip list
  benchward trip ack bench-2
  benchward trip reset bench-2";

/// List, acknowledge and reset trips
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    List(List),
    Ack(Ack),
    Reset(Reset),
}

const LIST_EXAMPLES: &str = "\
Examples:
  benchward trip list                              what stands now
  benchward trip list --all --station bench-2      what is over, too
  benchward --archive /var/lib/benchward trip list --all";

/// List trips and warnings: raised, acknowledged, cleared, when and by whom; newest first
#[derive(Debug, Args)]
#[command(before_help = LIST_EXAMPLES)]
pub(crate) struct List {
    /// Those that are over, too
    #[arg(long)]
    all: bool,
    /// Only those of this station
    #[arg(long, value_name = "STATION")]
    station: Option<String>,
    /// At most so many
    #[arg(long, value_name = "N", default_value_t = 100)]
    limit: usize,
}

const ACK_EXAMPLES: &str = "\
Examples:
  benchward trip ack bench-2";

/// Say that the trips of a station have been seen; heat stays away
#[derive(Debug, Args)]
#[command(before_help = ACK_EXAMPLES)]
pub(crate) struct Ack {
    /// The station
    station: String,
}

const RESET_EXAMPLES: &str = "\
Examples:
  benchward trip reset bench-2";

/// Lift the trips of a station once their cause is gone; after a cut this takes the role `safety`
#[derive(Debug, Args)]
#[command(before_help = RESET_EXAMPLES)]
pub(crate) struct Reset {
    /// The station
    station: String,
}

pub(crate) async fn carry_out(session: &Session, verb: Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::List(List { all, station, limit }) => {
            let query = shapes::TripQuery {
                all,
                station,
                limit: Some(limit),
            };
            let trips = session.records().await?.trips(&query).await?;
            session.screen.show(&trips, table)?;
            Ok(Exit::Done)
        }
        Verb::Ack(Ack { station: name }) => {
            let daemon = session.daemon().await?;
            let station = daemon.station(&name).await?;
            let text = daemon.ask(station.acknowledge()).await?;
            done(session, text, &format!("benchward trip reset {name}"))
        }
        Verb::Reset(Reset { station: name }) => {
            let daemon = session.daemon().await?;
            let station = daemon.station(&name).await?;
            let text = daemon.ask(station.reset()).await?;
            done(session, text, &format!("benchward status {name}"))
        }
    }
}

/// A record on two lines: what it is and how far it got, then what happened.
fn table(records: &shapes::TripRecords, paint: Paint) -> String {
    if records.trips.is_empty() {
        return "no trip and no warning stands; `--all` lists those that are over".into();
    }
    let by = |at: &Option<String>, who: &Option<String>| match (at, who) {
        (Some(at), Some(who)) => format!("{} by {who}", moment(at)),
        (at, _) => or_none(at.as_deref().map(moment).as_deref()),
    };
    let mut table = Table::new(&[
        ("STANDING", Side::Left),
        ("STATION", Side::Left),
        ("INTERLOCK", Side::Left),
        ("RAISED", Side::Left),
        ("ACKNOWLEDGED", Side::Left),
        ("CLEARED", Side::Left),
        ("WHAT", Side::Left),
    ]);
    for record in &records.trips {
        let tone = match record.standing.as_str() {
            "tripped" => Tone::Danger,
            "acknowledged" | "warning" => Tone::Warning,
            _ => Tone::Plain,
        };
        let what = if record.lab_alarm {
            format!("(lab alarm) {}", spoken(&record.text))
        } else {
            spoken(&record.text).into_owned()
        };
        table.row([
            (record.standing.clone(), tone),
            (record.station.clone(), Tone::Plain),
            (record.interlock.clone(), Tone::Plain),
            (moment(&record.raised), Tone::Plain),
            (by(&record.acknowledged, &record.acknowledged_by), Tone::Plain),
            (by(&record.cleared, &record.cleared_by), Tone::Plain),
            (what, Tone::Plain),
        ]);
    }
    table.render(paint)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_record_says_how_far_it_got_and_by_whom() {
        let record = shapes::TripRecord {
            n: 41,
            kind: "trip".into(),
            station: "bench-2".into(),
            run: None,
            interlock: "heat-stuck-on".into(),
            effect: Some("cut".into()),
            lab_alarm: true,
            standing: "clear".into(),
            raised: "2026-11-25T08:00:00.000Z".into(),
            text: "bench-2: `heat-stuck-on` tripped (cut)".into(),
            channel: None,
            value: Some(3.4),
            limit: Some(0.3),
            unit: "A".into(),
            acknowledged: Some("2026-11-25T08:01:00.000Z".into()),
            acknowledged_by: Some("op1".into()),
            cleared: Some("2026-11-25T08:09:00.000Z".into()),
            cleared_by: Some("safe1".into()),
        };
        let standing = shapes::TripRecord {
            lab_alarm: false,
            standing: "tripped".into(),
            acknowledged: None,
            acknowledged_by: None,
            cleared: None,
            cleared_by: None,
            ..record.clone()
        };
        let records = shapes::TripRecords {
            schema: 1,
            trips: vec![standing, record],
        };
        assert_eq!(
            table(&records, Paint::NONE),
            "\
STANDING  STATION  INTERLOCK      RAISED                ACKNOWLEDGED                 CLEARED                        WHAT
tripped   bench-2  heat-stuck-on  2026-11-25 08:00:00Z  -                            -                              bench-2: `heat-stuck-on` tripped (cut)
clear     bench-2  heat-stuck-on  2026-11-25 08:00:00Z  2026-11-25 08:01:00Z by op1  2026-11-25 08:09:00Z by safe1  (lab alarm) bench-2: `heat-stuck-on` tripped (cut)
"
        );
    }
}
