//! `benchward present`: somebody is at the bench.

use benchward_api::Exit;
use clap::Args;

use crate::Session;
use crate::failure::Failure;
use crate::stop::done;

const EXAMPLES: &str = "\
Examples:
  benchward present bench-1";

/// Confirm that somebody is at the bench, so that its heat may stay on
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// The station
    station: String,
}

pub(crate) async fn present(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let daemon = session.daemon().await?;
    let station = daemon.station(&arguments.station).await?;
    let text = daemon.ask(station.present()).await?;
    done(session, text, &format!("benchward watch {}", arguments.station))
}
