//! Arguments of `benchwardd`, and its log.

use std::path::PathBuf;

use clap::{Args, Parser, ValueEnum};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

use crate::host::journal::{self, Datagrams, Journal};

/// The Benchward daemon: looks after every bench of a lab.
///
/// Software interlocks add to, and never replace, the heater's own thermal cut-out, fuses, guards and the emergency
/// stop. Local electrical and fire codes and qualified people decide.
#[derive(Debug, Parser)]
#[command(
    version,
    about,
    after_help = "Example: benchwardd --config lab.toml\nAsk it things with `benchward status`."
)]
pub(crate) struct Options {
    /// The configuration; else `$BENCHWARD_CONFIG`, else /etc/benchward/lab.toml
    #[arg(long, value_name = "FILE")]
    pub(crate) config: Option<PathBuf>,
    /// Lab seconds a second, for demos and tests; only where every driver is simulated
    #[arg(long, value_name = "K", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub(crate) time_scale: u32,
    #[command(flatten)]
    pub(crate) log: Log,
}

/// How to log.
#[derive(Debug, Args)]
pub(crate) struct Log {
    /// What to log: a level, or a filter such as `info,benchwardd::mqtt=debug`; else `$BENCHWARD_LOG`, else `info`
    #[arg(long = "log", value_name = "FILTER")]
    filter: Option<String>,
    /// How to write it
    #[arg(long = "log-format", value_name = "FORM", default_value = "text")]
    format: LogFormat,
    /// The journal's socket, for `--log-format journal`
    #[arg(long, value_name = "SOCKET", default_value = journal::SOCKET)]
    journal: PathBuf,
}

/// Forms of the log.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum LogFormat {
    /// Lines for people.
    Text,
    /// One JSON object a line.
    Json,
    /// Entries of the systemd journal with fields such as `BENCHWARD_STATION`; text where there is no journal.
    Journal,
}

impl Log {
    /// Starts logging to stderr or the journal, through a thread of its own: a terminal, pipe or journal that nobody reads
    /// stops the log and not the daemon. What doesn't fit into its queue is dropped. The guard flushes when it is dropped.
    pub(crate) fn start(&self) -> tracing_appender::non_blocking::WorkerGuard {
        let filter = self
            .filter
            .clone()
            .or_else(|| std::env::var("BENCHWARD_LOG").ok());
        let filter = filter.unwrap_or_else(|| "info".into());
        let filter = EnvFilter::try_new(&filter).unwrap_or_else(|_| EnvFilter::new("info"));
        let no_journal = match self.format {
            LogFormat::Journal => match Datagrams::to(&self.journal) {
                Ok(datagrams) => {
                    let (writer, guard) = tracing_appender::non_blocking(datagrams);
                    tracing_subscriber::registry()
                        .with(filter)
                        .with(Journal(writer))
                        .init();
                    return guard;
                }
                Err(error) => Some(error),
            },
            LogFormat::Text | LogFormat::Json => None,
        };
        let (writer, guard) = tracing_appender::non_blocking(std::io::stderr());
        let log = tracing_subscriber::fmt()
            .with_env_filter(filter)
            .with_writer(writer)
            .with_target(false);
        match self.format {
            LogFormat::Text | LogFormat::Journal => log.with_ansi(false).init(),
            LogFormat::Json => log.json().init(),
        }
        if let Some(error) = no_journal {
            let socket = self.journal.display();
            tracing::warn!("there is no journal at {socket}: {error}; this is the log instead");
        }
        guard
    }
}
