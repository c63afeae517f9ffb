//! What the kernel says of a process and of the machine. Source: `proc_pid_stat(5)`,
//! `proc_pid_status(5)`, `proc_loadavg(5)`.

use std::collections::BTreeMap;
use std::fs;

use anyhow::Context as _;

/// Clock ticks a second in `/proc`: fixed for programs, whatever the kernel's own tick is (`USER_HZ`).
const TICKS_PER_SECOND: f64 = 100.0;

/// Time on a CPU so far, seconds, user and system together.
#[derive(Debug, Clone)]
pub(crate) struct CpuTime {
    whole: f64,
    /// By name of the thread; threads of one name together.
    threads: BTreeMap<String, f64>,
}

impl CpuTime {
    pub(crate) fn of(pid: u32) -> anyhow::Result<Self> {
        let (_, whole) = stat(&format!("/proc/{pid}/stat"))?;
        let mut threads = BTreeMap::new();
        for task in fs::read_dir(format!("/proc/{pid}/task"))? {
            // A thread may end between the two looks.
            if let Ok((name, seconds)) = stat(&task?.path().join("stat").display().to_string()) {
                *threads.entry(name).or_default() += seconds;
            }
        }
        Ok(Self { whole, threads })
    }

    /// Per cent of one core since `before`, which was `seconds` ago: the whole process, and by thread name.
    pub(crate) fn percent_since(&self, before: &Self, seconds: f64) -> (f64, BTreeMap<String, f64>) {
        let percent = |now: f64, then: f64| (now - then) * 100.0 / seconds;
        let threads = self.threads.iter().map(|(name, now)| {
            let then = before.threads.get(name).copied().unwrap_or_default();
            (name.clone(), percent(*now, then))
        });
        (percent(self.whole, before.whole), threads.collect())
    }
}

/// Name and CPU seconds of a `stat` file.
fn stat(path: &str) -> anyhow::Result<(String, f64)> {
    let text = fs::read_to_string(path).with_context(|| path.to_owned())?;
    // The name is in brackets and may hold anything; what follows the last bracket are plain fields from the third on.
    let (before, after) = text
        .rsplit_once(')')
        .with_context(|| format!("{path}: no name"))?;
    let name = before.split_once('(').map_or("", |(_, name)| name);
    let ticks = |field: usize| {
        after
            .split_whitespace()
            .nth(field - 3)
            .and_then(|text| text.parse::<f64>().ok())
    };
    let (user, system) = ticks(14)
        .zip(ticks(15))
        .with_context(|| format!("{path}: no times"))?;
    Ok((name.to_owned(), (user + system) / TICKS_PER_SECOND))
}

/// Memory that is there and the most there ever was, MB (10^6 bytes).
pub(crate) fn memory_mb(pid: u32) -> anyhow::Result<(f64, f64)> {
    let path = format!("/proc/{pid}/status");
    let text = fs::read_to_string(&path).with_context(|| path.clone())?;
    let field = |key: &str| {
        let line = text.lines().find_map(|line| line.strip_prefix(key));
        let kib = line
            .and_then(|rest| rest.split_whitespace().next())
            .and_then(|kib| kib.parse::<f64>().ok());
        kib.map(|kib| kib * 1_024.0 / 1e6)
            .with_context(|| format!("{path}: no {key}"))
    };
    Ok((field("VmRSS:")?, field("VmHWM:")?))
}

/// Processes that wanted to run, on average over the last minute.
pub(crate) fn load_average() -> f64 {
    let text = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    text.split_whitespace()
        .next()
        .and_then(|load| load.parse().ok())
        .unwrap_or(f64::NAN)
}

/// Cores that this process may use.
pub(crate) fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}
