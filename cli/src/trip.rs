//! `benchward trip`: an interlock has acted; a person has seen it, a person lifts it.

use benchward_api::Exit;
use clap::{Args, Subcommand};

use crate::Session;
use crate::failure::Failure;
use crate::stop::done;

const EXAMPLES: &str = "\
Examples:
  benchward trip ack bench-2
  benchward trip reset bench-2";

/// Acknowledge and reset trips
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Ack(Ack),
    Reset(Reset),
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
    let daemon = session.daemon().await?;
    match verb {
        Verb::Ack(Ack { station: name }) => {
            let station = daemon.station(&name).await?;
            let text = daemon.ask(station.acknowledge()).await?;
            done(session, text, &format!("benchward trip reset {name}"))
        }
        Verb::Reset(Reset { station: name }) => {
            let station = daemon.station(&name).await?;
            let text = daemon.ask(station.reset()).await?;
            done(session, text, &format!("benchward status {name}"))
        }
    }
}
