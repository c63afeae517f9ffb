//! `benchward sensor`: thermocouples on the bench.

mod check;
mod convert;
mod list;

use benchward_api::Exit;
use clap::Subcommand;

use crate::Session;
use crate::failure::Failure;

const EXAMPLES: &str = "\
Examples:
  benchward sensor check bench-1 board-top --ice --type K --class iec-1 --due-days 365
  benchward sensor list
  benchward sensor convert --thermocouple K --celsius 25 100 260";

/// Check, calibrate, list and convert thermocouples
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Check(check::Arguments),
    Clear(check::Clear),
    List(list::Arguments),
    History(list::History),
    Convert(convert::Arguments),
}

pub(crate) async fn carry_out(session: &Session, verb: &Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::Check(arguments) => check::check(session, arguments).await,
        Verb::Clear(arguments) => check::clear(session, arguments).await,
        Verb::List(arguments) => list::list(session, arguments).await,
        Verb::History(arguments) => list::history(session, arguments).await,
        Verb::Convert(arguments) => convert::convert(session, arguments),
    }
}
