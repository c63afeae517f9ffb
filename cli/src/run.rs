//! `benchward run`: one recipe carried out on one board at one station by one operator.

mod compare;
mod export;
mod judge;
mod list;
mod redo;
mod report;
pub(crate) mod show;
mod start;
mod stats;

use benchward_api::Exit;
use clap::{Args, Subcommand};

use crate::Session;
use crate::failure::Failure;
use crate::stop::done;

const EXAMPLES: &str = "\
Examples:
  benchward run start bench-1 --recipe \"AX-20 backplane\" --serial A-0017
  benchward run confirm bench-1
  benchward run list --station bench-1
  benchward run show 12
  benchward run report 12 -o run-12.html
  benchward run judge 12 --dry-run
  benchward run stats --recipe \"AX-20 backplane\"
  benchward run compare 12 15
  benchward run redo 12
  benchward run export 12 --format csv -o run-12.csv";

/// Start, stop and resume runs; list, show, report, judge, chart, compare, decide again and export those that were
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Start(start::Arguments),
    Stop(Stop),
    Resume(Resume),
    Confirm(Confirm),
    List(list::Arguments),
    Show(show::Arguments),
    Report(report::Arguments),
    Judge(judge::Arguments),
    Stats(stats::Arguments),
    Compare(compare::Arguments),
    Redo(redo::Arguments),
    Export(export::Arguments),
}

const STOP_EXAMPLES: &str = "\
Examples:
  benchward run stop bench-1";

/// End the run of a station; the heat goes off and the board cools, nothing is latched
#[derive(Debug, Args)]
#[command(before_help = STOP_EXAMPLES)]
pub(crate) struct Stop {
    /// The station
    station: String,
}

const RESUME_EXAMPLES: &str = "\
Examples:
  benchward run resume bench-1";

/// Go on with a tripped run at its stage, within 10 min of the trip and once it is reset
#[derive(Debug, Args)]
#[command(before_help = RESUME_EXAMPLES)]
pub(crate) struct Resume {
    /// The station
    station: String,
}

const CONFIRM_EXAMPLES: &str = "\
Examples:
  benchward run confirm bench-1";

/// Say that you have looked and the sensors are on the board, where a first run waits for that
#[derive(Debug, Args)]
#[command(before_help = CONFIRM_EXAMPLES)]
pub(crate) struct Confirm {
    /// The station
    station: String,
}

pub(crate) async fn carry_out(session: &Session, verb: Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::Start(arguments) => start::start(session, &arguments).await,
        Verb::Stop(Stop { station: name }) => {
            let daemon = session.daemon().await?;
            let station = daemon.station(&name).await?;
            let text = daemon.ask(station.stop_run()).await?;
            done(session, text, &format!("benchward watch {name}"))
        }
        Verb::Resume(Resume { station: name }) => {
            let daemon = session.daemon().await?;
            let station = daemon.station(&name).await?;
            let text = daemon.ask(station.resume()).await?;
            done(session, text, &format!("benchward watch {name}"))
        }
        Verb::Confirm(Confirm { station: name }) => {
            let daemon = session.daemon().await?;
            let station = daemon.station(&name).await?;
            let text = daemon.ask(station.confirm()).await?;
            done(session, text, &format!("benchward watch {name}"))
        }
        Verb::List(arguments) => list::list(session, arguments).await,
        Verb::Show(arguments) => show::show(session, &arguments).await,
        Verb::Report(arguments) => report::report(session, &arguments).await,
        Verb::Judge(arguments) => judge::judge(session, &arguments).await,
        Verb::Stats(arguments) => stats::stats(session, arguments).await,
        Verb::Compare(arguments) => compare::compare(session, &arguments).await,
        Verb::Redo(arguments) => redo::redo(session, &arguments).await,
        Verb::Export(arguments) => export::export(session, &arguments).await,
    }
}
