//! Measures the path of a reading, at the driver's end of it, and prints every figure beside what the machine takes for
//! the same lines with no work between.
//!
//! For each number of stations: half of the floor, a daemon under load, the other half of the floor. Machines are
//! shared and noisy; what stands side by side was measured within the same minutes.

mod floor;
mod process;
mod report;
mod samples;
mod trial;

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context as _;
use clap::Parser;

use crate::floor::{ECHO, Floor};
use crate::report::{Measured, Table};

/// Measures scan-to-grant, scan-to-cut, CPU, memory and start of benchwardd
///
/// Every station has four channels at 10 Hz and a driver process of its own, and all of them heat. Times are taken at the
/// driver's end with `CLOCK_MONOTONIC`: from just before a scan is written until the command that it causes has been read.
#[derive(Debug, Parser)]
#[command(
    name = "tests/measure",
    after_help = "Example: tests/measure --json figures.json"
)]
struct Options {
    /// Fewer seconds and fewer cuts, for trying; too few samples for the rarest cases
    #[arg(long)]
    quick: bool,
    /// Also write the figures here
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Numbers of stations
    #[arg(long, value_name = "N,...", value_delimiter = ',', default_values_t = [1, 20, 200],
        value_parser = clap::value_parser!(u32).range(1..=1000))]
    stations: Vec<u32>,
}

/// How long and how often is measured.
struct Effort {
    /// Steady heating, and floor, seconds.
    seconds: f64,
    /// Cuts of each station.
    cuts: u32,
}

/// Enough for a 99.9th percentile where that takes minutes and not hours. A station alone makes 10 samples a second.
fn effort(quick: bool, stations: u32) -> Effort {
    let (seconds, cuts) = match (quick, stations) {
        (true, 1) => (10.0, 10),
        (true, 2..100) => (10.0, 5),
        (true, _) => (10.0, 2),
        (false, 1) => (120.0, 60),
        (false, 2..100) => (60.0, 50),
        (false, _) => (60.0, 10),
    };
    Effort { seconds, cuts }
}

fn main() -> ExitCode {
    let done = match std::env::args().collect::<Vec<_>>().as_slice() {
        [_, word, folder, stations] if word == ECHO => stations
            .parse()
            .context("number of stations")
            .and_then(|stations| floor::echo(folder.as_ref(), stations)),
        _ => measure(&Options::parse()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn measure(options: &Options) -> anyhow::Result<()> {
    let mut table = Table::begin(options.quick);
    for stations in options.stations.iter().copied() {
        let effort = effort(options.quick, stations);
        let count = usize::try_from(stations)?;
        eprintln!(
            "{stations} stations: {:.0} s of heating, {} cuts each, {:.0} s of floor ...",
            effort.seconds, effort.cuts, effort.seconds
        );
        let load_before = process::load_average();
        let mut floor = Floor::default();
        floor.measure(count, effort.seconds / 2.0).context("floor")?;
        let trial = trial::measure(count, effort.seconds, effort.cuts).context("daemon")?;
        floor.measure(count, effort.seconds / 2.0).context("floor")?;
        table.add(Measured::new(stations, effort.seconds, floor, trial, load_before));
    }
    let table = table.end();
    print!("{table}");
    if let Some(path) = &options.json {
        let mut text = serde_json::to_string_pretty(&table)?;
        text.push('\n');
        std::fs::write(path, text).with_context(|| format!("can't write {}", path.display()))?;
    }
    Ok(())
}
