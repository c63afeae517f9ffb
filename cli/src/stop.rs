//! `benchward stop`: the heat goes, now. It asks nobody and looks nothing up first.

use benchward_api::{Exit, shapes};
use clap::Args;

use crate::Session;
use crate::failure::Failure;

const EXAMPLES: &str = "\
Examples:
  benchward stop                  every bench, now, no question; needs no role
  benchward stop bench-2          one bench";

/// Take the heat away and latch it: of one station, or of all of them
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Only this station; without it, everything stops
    station: Option<String>,
}

pub(crate) async fn stop(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let daemon = session.daemon().await?;
    let Some(name) = &arguments.station else {
        let lab = daemon.lab().await?;
        let text = daemon.ask(lab.stop_all()).await?;
        return done(session, text, "benchward status");
    };
    let station = daemon.station_unseen(name).await?;
    match daemon.ask(station.stop()).await {
        Ok(text) => done(session, text, &format!("benchward status {name}")),
        // Only now is there time to look whether the name is right.
        Err(failure) => {
            daemon.station(name).await?;
            Err(failure)
        }
    }
}

/// Says what the state is now, and the likely next command.
pub(crate) fn done(session: &Session, text: String, next: &str) -> Result<Exit, Failure> {
    let done = shapes::Done {
        schema: shapes::SCHEMA,
        text,
    };
    session.screen.show(&done, |done, _| done.text.clone())?;
    session.screen.next(next);
    Ok(Exit::Done)
}
