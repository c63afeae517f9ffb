//! `benchward`: the command line of Benchward.
//!
//! It asks a running daemon over its private socket or a message bus, or reads the archive of a stopped one. It
//! decides nothing about heat: whatever it asks for, the daemon judges who asks and whether that may be.
//!
//! Data goes to stdout, everything else to stderr. One module per noun holds the arguments, the help and the
//! example of its commands, and what they print.

mod arguments;
mod caution;
mod failure;

mod daemon;
mod degrees;
mod file;
mod moment;
mod outline;
mod readings;
mod records;

mod figures;
mod foretold;
mod pages;
mod plot;
mod progress;
mod screen;
mod table;

mod archive;
mod board;
mod config;
mod demo;
mod doctor;
mod document;
mod driver;
mod journal;
mod limit;
mod messages;
mod present;
mod recipe;
mod role;
mod run;
mod sensor;
mod shell;
mod spoken;
mod status;
mod stop;
mod trip;
mod watch;
mod window;

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use arguments::{Bus, Command, Global};
use benchward_api::Exit;
use daemon::Daemon;
use failure::Failure;
use records::Records;
use screen::Screen;

/// How long the end waits for work that is still blocked, such as a read from a slow pipe.
const GOODBYE: Duration = Duration::from_millis(100);

/// What every command gets: where to print and whom to ask.
pub(crate) struct Session {
    pub(crate) screen: Screen,
    socket: Option<PathBuf>,
    bus: Bus,
    pub(crate) archive: Option<PathBuf>,
}

impl Session {
    fn new(global: Global) -> Self {
        if let Some(scale) = global.degrees {
            degrees::show(scale);
        }
        Self {
            screen: Screen::new(global.json, global.color),
            socket: global.socket,
            bus: global.bus,
            archive: global.archive,
        }
    }

    /// The daemon, for what only a running one can do.
    pub(crate) async fn daemon(&self) -> Result<Daemon, Failure> {
        if let Some(archive) = &self.archive {
            return Err(Failure::wrong_use(
                format!(
                    "{} is a stopped lab's archive, and this command needs a running daemon",
                    archive.display()
                ),
                "leave out --archive",
            ));
        }
        Daemon::reach(self.socket.as_deref(), self.bus).await
    }

    /// [`Session::daemon`], for what shows temperatures: on the scale that its lab is shown in. Not for what has to be quick.
    pub(crate) async fn daemon_to_show(&self) -> Result<Daemon, Failure> {
        let daemon = self.daemon().await?;
        degrees::show_in(&daemon.display().await?);
        Ok(daemon)
    }

    /// Runs, journal and recipes: of the running daemon, or of the archive that `--archive` names.
    pub(crate) async fn records(&self) -> Result<Records, Failure> {
        match &self.archive {
            Some(folder) => Records::open(folder),
            None => Ok(Records::Daemon(self.daemon_to_show().await?)),
        }
    }
}

fn main() -> ExitCode {
    let arguments = match arguments::parse(std::env::args_os()) {
        Ok(arguments) => arguments,
        Err(error) => return arguments::refuse(&error, std::env::args_os()),
    };
    let session = Session::new(arguments.global);
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            return Failure::failed(format!("can't start: {error}"))
                .report(&session.screen)
                .into();
        }
    };
    let exit = match runtime.block_on(carry_out(&session, arguments.command)) {
        Ok(exit) => exit,
        Err(failure) => failure.report(&session.screen),
    };
    runtime.shutdown_timeout(GOODBYE);
    exit.into()
}

async fn carry_out(session: &Session, command: Command) -> Result<Exit, Failure> {
    match command {
        Command::Status(arguments) => status::status(session, &arguments).await,
        Command::Watch(arguments) => watch::watch(session, &arguments).await,
        Command::Present(arguments) => present::present(session, &arguments).await,
        Command::Stop(arguments) => stop::stop(session, &arguments).await,
        Command::Trip(verb) => trip::carry_out(session, verb).await,
        Command::Run(verb) => run::carry_out(session, verb).await,
        Command::Recipe(verb) => recipe::carry_out(session, verb).await,
        Command::Window(verb) => window::carry_out(session, verb).await,
        Command::Role(verb) => role::carry_out(session, &verb).await,
        Command::Limit(verb) => limit::carry_out(session, verb).await,
        Command::Journal(verb) => journal::carry_out(session, verb).await,
        Command::Archive(verb) => archive::carry_out(session, &verb),
        Command::Config(verb) => config::carry_out(session, &verb).await,
        Command::Driver(verb) => driver::carry_out(session, verb).await,
        Command::Board(verb) => board::carry_out(session, &verb).await,
        Command::Sensor(verb) => sensor::carry_out(session, &verb).await,
        Command::Messages(arguments) => messages::messages(session, &arguments),
        Command::Completions(arguments) => shell::completions(session, &arguments),
        Command::Man(arguments) => shell::manual(session, &arguments),
        Command::Doctor(arguments) => doctor::doctor(session, &arguments).await,
        Command::Demo(arguments) => demo::demo(session, &arguments).await,
    }
}
