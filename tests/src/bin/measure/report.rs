//! The table, and the same as JSON.

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;

use crate::floor::Floor;
use crate::process::{cores, load_average};
use crate::samples::Figures;
use crate::trial::{Start, Trial};

/// Largest lab that the aims speak of, and a usual one.
const LARGE: u32 = 200;
const USUAL: u32 = 20;

/// Threads that are shown by name; the others count as the rest. The kernel keeps 15 letters of a name.
const THREADS: [&str; 2] = ["lab", "archive"];

/// Everything that was measured.
#[derive(Debug, Serialize)]
pub(crate) struct Table {
    schema: u32,
    version: &'static str,
    /// `release`, or `debug`, whose figures say nothing.
    build: &'static str,
    quick: bool,
    cores: usize,
    load_average_before: f64,
    load_average_after: f64,
    measured: Vec<Measured>,
    aims: Vec<Aim>,
}

/// What was measured with one number of stations.
#[derive(Debug, Serialize)]
pub(crate) struct Measured {
    stations: u32,
    seconds: f64,
    load_average_before: f64,
    load_average_after: f64,
    floor: Figures,
    scan_to_grant: Figures,
    scan_to_grant_among_cuts: Figures,
    scan_to_cut: Figures,
    /// How late drivers woke up for their own scans: what the machine did, with and without the daemon.
    late_at_floor: Figures,
    late: Figures,
    cpu_percent: f64,
    cpu_percent_by_thread: BTreeMap<String, f64>,
    floor_cpu_percent: f64,
    memory_mb: f64,
    memory_peak_mb: f64,
    start: Start,
    floor_unanswered: u32,
    unanswered: u32,
    unasked_trips: BTreeMap<String, u32>,
}

/// Something that is to be reached.
#[derive(Debug, Serialize)]
struct Aim {
    what: String,
    value: Option<f64>,
    limit: f64,
    unit: &'static str,
    /// `None`: there were too few samples to say.
    reached: Option<bool>,
}

impl Measured {
    pub(crate) fn new(stations: u32, seconds: f64, floor: Floor, trial: Trial, load_before: f64) -> Self {
        let floor_cpu_percent = floor.cpu_percent();
        let floor_unanswered = floor.unanswered;
        let (floor, late_at_floor) = floor.figures();
        Self {
            stations,
            seconds,
            load_average_before: load_before,
            load_average_after: load_average(),
            floor,
            scan_to_grant: trial.grant.figures(),
            scan_to_grant_among_cuts: trial.grant_among_cuts.figures(),
            scan_to_cut: trial.cut.figures(),
            late_at_floor,
            late: trial.late.figures(),
            cpu_percent: trial.cpu_percent,
            cpu_percent_by_thread: trial.cpu_percent_by_thread,
            floor_cpu_percent,
            memory_mb: trial.memory_mb,
            memory_peak_mb: trial.memory_peak_mb,
            start: trial.start,
            floor_unanswered,
            unanswered: trial.unanswered,
            unasked_trips: trial.unasked_trips,
        }
    }

    fn times_floor(&self, figures: &Figures) -> Option<f64> {
        figures
            .p50_ms
            .zip(self.floor.p50_ms)
            .map(|(here, floor)| here / floor)
    }

    /// Per cent of a core of the threads of that name; `None`: of all that have no row of their own.
    fn cpu_of(&self, thread: Option<&str>) -> f64 {
        match thread {
            Some(thread) => self
                .cpu_percent_by_thread
                .get(thread)
                .copied()
                .unwrap_or_default(),
            None => {
                self.cpu_percent
                    - THREADS
                        .iter()
                        .map(|thread| self.cpu_of(Some(thread)))
                        .sum::<f64>()
            }
        }
    }
}

impl Table {
    pub(crate) fn begin(quick: bool) -> Self {
        Self {
            schema: 1,
            version: env!("CARGO_PKG_VERSION"),
            build: if cfg!(debug_assertions) {
                "debug"
            } else {
                "release"
            },
            quick,
            cores: cores(),
            load_average_before: load_average(),
            load_average_after: f64::NAN,
            measured: Vec::new(),
            aims: Vec::new(),
        }
    }

    pub(crate) fn add(&mut self, measured: Measured) {
        self.measured.push(measured);
    }

    /// Nothing more is measured: compares with the aims.
    pub(crate) fn end(mut self) -> Self {
        self.load_average_after = load_average();
        let mut aims = Vec::new();
        for measured in &self.measured {
            let count = measured.stations;
            let paths = [
                ("scan-to-grant", &measured.scan_to_grant),
                ("scan-to-cut", &measured.scan_to_cut),
            ];
            for (path, figures) in paths {
                if count == LARGE {
                    aims.push(Aim::below(
                        format!("{path} p99.9 at {count} stations"),
                        figures.p999_ms,
                        5.0,
                        "ms",
                    ));
                }
                let times = measured.times_floor(figures);
                aims.push(Aim::below(
                    format!("{path} p50 at {count}, by the floor's"),
                    times,
                    3.0,
                    "x",
                ));
            }
            if count == USUAL {
                let peak = Some(measured.memory_peak_mb);
                aims.push(Aim::below(
                    format!("most memory at {count} stations"),
                    peak,
                    40.0,
                    "MB",
                ));
                let cpu = Some(measured.cpu_percent);
                aims.push(Aim::below(
                    format!("CPU at {count} stations, of one core"),
                    cpu,
                    3.0,
                    "%",
                ));
            }
        }
        self.aims = aims;
        self
    }
}

impl Aim {
    fn below(what: String, value: Option<f64>, limit: f64, unit: &'static str) -> Self {
        Self {
            what,
            value,
            limit,
            unit,
            reached: value.map(|value| value < limit),
        }
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "benchwardd {}, {} build, {} cores; load average {:.2} before, {:.2} after (our own load is in it){}",
            self.version,
            self.build,
            self.cores,
            self.load_average_before,
            self.load_average_after,
            if self.quick { "; quick: few samples" } else { "" }
        )?;
        writeln!(
            f,
            "4 channels at 10 Hz a station, one driver process each, all heating; MQTT off, archive on disk\n"
        )?;
        self.latencies(f)?;
        self.daemon(f)?;
        writeln!(
            f,
            "{:<46} {:>10} {:>12}   reached here",
            "aim", "below", "measured"
        )?;
        for aim in &self.aims {
            let value = aim
                .value
                .map_or("-".into(), |value| format!("{value:.2} {}", aim.unit));
            let reached = match aim.reached {
                Some(true) => "yes",
                Some(false) => "NO",
                None => "too few samples to say",
            };
            let limit = format!("{} {}", aim.limit, aim.unit);
            writeln!(f, "{:<46} {limit:>10} {value:>12}   {reached}", aim.what)?;
        }
        Ok(())
    }
}

impl Table {
    fn latencies(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:<10} {:<30} {:>8} {:>8} {:>8} {:>8} {:>8} {:>12}",
            "stations", "at the driver's end, ms", "n", "p50", "p99", "p99.9", "max", "p50 / floor"
        )?;
        for measured in &self.measured {
            let rows = [
                ("floor: no work between", &measured.floor, None),
                (
                    "scan-to-grant",
                    &measured.scan_to_grant,
                    measured.times_floor(&measured.scan_to_grant),
                ),
                (
                    "scan-to-grant among cuts",
                    &measured.scan_to_grant_among_cuts,
                    measured.times_floor(&measured.scan_to_grant_among_cuts),
                ),
                (
                    "scan-to-cut",
                    &measured.scan_to_cut,
                    measured.times_floor(&measured.scan_to_cut),
                ),
                ("(driver woke late, floor)", &measured.late_at_floor, None),
                ("(driver woke late, daemon)", &measured.late, None),
            ];
            for (row, (what, figures, times)) in rows.into_iter().enumerate() {
                let stations = if row == 0 {
                    measured.stations.to_string()
                } else {
                    String::new()
                };
                write!(f, "{stations:<10} {what:<30} {:>8}", figures.n)?;
                for value in [figures.p50_ms, figures.p99_ms, figures.p999_ms, figures.max_ms] {
                    write!(
                        f,
                        " {:>8}",
                        value.map_or("-".into(), |value| format!("{value:.3}"))
                    )?;
                }
                writeln!(
                    f,
                    " {:>12}",
                    times.map_or(String::new(), |times| format!("{times:.2}"))
                )?;
            }
        }
        writeln!(f)
    }

    fn daemon(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut row = |what: &str, digits: usize, value: &dyn Fn(&Measured) -> f64| {
            write!(f, "{what:<46}")?;
            for measured in &self.measured {
                write!(f, " {:>10.digits$}", value(measured))?;
            }
            writeln!(f)
        };
        row("stations", 0, &|m| f64::from(m.stations))?;
        row("daemon's CPU, % of one core, no client", 2, &|m| m.cpu_percent)?;
        for thread in THREADS {
            row(&format!("  of that the thread `{thread}`"), 2, &|m| {
                m.cpu_of(Some(thread))
            })?;
        }
        row("  of that the others", 2, &|m| m.cpu_of(None))?;
        row("CPU of the floor's echoing process, %", 2, &|m| {
            m.floor_cpu_percent
        })?;
        row("daemon's memory, MB", 1, &|m| m.memory_mb)?;
        row("  most until then, MB", 1, &|m| m.memory_peak_mb)?;
        row("start to socket, ms", 0, &|m| m.start.socket_ms)?;
        row("start to first reading in the status, ms", 0, &|m| {
            m.start.first_reading_ms
        })?;
        row("start to all readings in the status, ms", 0, &|m| {
            m.start.all_readings_ms
        })?;
        row("scans without an answer, floor", 0, &|m| {
            f64::from(m.floor_unanswered)
        })?;
        row("scans without an answer, daemon", 0, &|m| f64::from(m.unanswered))?;
        row("trips that nobody asked for", 0, &|m| {
            f64::from(m.unasked_trips.values().sum::<u32>())
        })?;
        row("load average before", 2, &|m| m.load_average_before)?;
        row("load average after", 2, &|m| m.load_average_after)?;
        writeln!(f)
    }
}
