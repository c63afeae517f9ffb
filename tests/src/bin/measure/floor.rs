//! The floor: the same drivers, the same lines, the same pipes, and no work between.
//!
//! A process that waits as the daemon's lab thread does (edge-triggered poll, non-blocking reads until there is nothing
//! more), reads a scan line, and at once writes a line of the length of `heat`. What it takes is what the machine
//! takes; what the daemon takes beyond that is the daemon's.

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::{AsRawFd as _, OwnedFd};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use anyhow::Context as _;
use benchward_driver::clock::monotonic_ms;
use benchward_driver::wire::{Configure, Heat, Lines, ToDriver};
use mio::unix::SourceFd;
use mio::{Events, Interest, Poll, Token};

use crate::process::CpuTime;
use crate::samples::{Figures, Samples};
use crate::trial::{Ground, SETTLE_MS, load_driver, sleep_until, write_plan};

/// Nice value of the echoing process where it may be set: that of the daemon's lab thread.
const NICE: i32 = -10;

/// Word on the command line of the echoing process.
pub(crate) const ECHO: &str = "echo";

/// What the floor came to.
#[derive(Debug, Clone, Default)]
pub(crate) struct Floor {
    pub(crate) grant: Samples,
    pub(crate) late: Samples,
    pub(crate) unanswered: u32,
    /// CPU of the echoing process, per cent of one core, and over how many trials it is the sum.
    cpu_percent: f64,
    trials: u32,
}

impl Floor {
    /// Runs `stations` drivers against an echoing process for `seconds` and adds what they measured.
    pub(crate) fn measure(&mut self, stations: usize, seconds: f64) -> anyhow::Result<()> {
        let ground = Ground::new()?;
        let mut echo = Command::new(std::env::current_exe()?)
            .arg(ECHO)
            .arg(ground.path())
            .arg(stations.to_string())
            .stdin(Stdio::piped())
            .spawn()
            .context("the echoing process can't be started")?;
        // Everybody has described themselves and scans by then; a late driver would only have fewer samples.
        let plan = write_plan(&ground, stations, seconds, 2.0 * SETTLE_MS, 0)?;
        sleep_until(plan.grants_from_ms);
        let before = CpuTime::of(echo.id())?;
        sleep_until(plan.grants_until_ms);
        self.cpu_percent += CpuTime::of(echo.id())?.percent_since(&before, seconds).0;
        self.trials += 1;
        sleep_until(plan.grants_until_ms + SETTLE_MS);
        // The end of its stdin is the end of the trial.
        drop(echo.stdin.take());
        let status = echo.wait()?;
        anyhow::ensure!(status.success(), "the echoing process ended with {status}");
        for report in ground.reports(stations)? {
            self.grant.add(report.grant_ms);
            self.late.add(report.late_ms);
            self.unanswered += report.unanswered;
        }
        Ok(())
    }

    /// CPU of the echoing process, per cent of one core.
    pub(crate) fn cpu_percent(&self) -> f64 {
        self.cpu_percent / f64::from(self.trials.max(1))
    }

    pub(crate) fn figures(self) -> (Figures, Figures) {
        (self.grant.figures(), self.late.figures())
    }
}

/// One driver, from the echoing side.
struct Line {
    child: Child,
    stdin: File,
    stdout: File,
    lines: Lines,
}

/// The echoing process: `folder` is the trial's ground. Ends when its stdin does.
pub(crate) fn echo(folder: &Path, stations: usize) -> anyhow::Result<()> {
    // Drivers started from here would have it too.
    let mut drivers = (0..stations)
        .map(|index| start(folder, index))
        .collect::<anyhow::Result<Vec<_>>>()?;
    let _ = rustix::process::setpriority_process(None, NICE);
    let mut poll = Poll::new()?;
    let mut events = Events::with_capacity(1_024);
    let end = Token(stations);
    let own_stdin = io::stdin().as_raw_fd();
    poll.registry()
        .register(&mut SourceFd(&own_stdin), end, Interest::READABLE)?;
    for (index, driver) in drivers.iter().enumerate() {
        let fd = driver.stdout.as_raw_fd();
        poll.registry()
            .register(&mut SourceFd(&fd), Token(index), Interest::READABLE)?;
    }
    let mut heat = Vec::new();
    let fraction = 1.0;
    ToDriver::Heat(Heat {
        seq: 100_000,
        output: "heat1".into(),
        fraction,
        valid_ms: 1_400,
        offset_ms: None,
    })
    .write_line(&mut heat);
    let mut buffer = vec![0; 64 * 1_024];
    let mut ending = false;
    while !ending {
        match poll.poll(&mut events, Some(Duration::from_millis(250))) {
            Err(error) if error.kind() != io::ErrorKind::Interrupted => return Err(error.into()),
            _ => {}
        }
        for event in &events {
            match drivers.get_mut(event.token().0) {
                Some(driver) => driver.answer(&mut buffer, &heat)?,
                None => ending = true,
            }
        }
    }
    let mut close = Vec::new();
    ToDriver::Close.write_line(&mut close);
    for driver in &mut drivers {
        driver.stdin.write_all(&close)?;
    }
    for driver in &mut drivers {
        driver.child.wait()?;
    }
    Ok(())
}

fn start(folder: &Path, index: usize) -> anyhow::Result<Line> {
    let (program, settings) = load_driver(folder, index)?;
    let mut child = Command::new(program)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()?;
    let mut stdin = File::from(OwnedFd::from(child.stdin.take().context("it was asked for")?));
    let stdout = File::from(OwnedFd::from(child.stdout.take().context("it was asked for")?));
    rustix::io::ioctl_fionbio(&stdout, true)?;
    let mut line = Vec::new();
    let settings = serde_json::to_value(settings)?;
    ToDriver::Configure(Box::new(Configure {
        instance: format!("bench-{index}"),
        settings,
        time_scale: 1.0,
    }))
    .write_line(&mut line);
    stdin.write_all(&line)?;
    Ok(Line {
        child,
        stdin,
        stdout,
        lines: Lines::new(),
    })
}

impl Line {
    /// Reads until there is nothing more. Each scan is answered; what else a driver says is read and forgotten.
    fn answer(&mut self, buffer: &mut [u8], heat: &[u8]) -> anyhow::Result<()> {
        loop {
            let count = match self.stdout.read(buffer) {
                Ok(0) => anyhow::bail!("a load driver ended before its time, at {:.0} ms", monotonic_ms()),
                Ok(count) => count,
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
                Err(error) => return Err(error.into()),
            };
            self.lines.push(&buffer[..count]);
            while let Some(line) = self.lines.next_line() {
                if line?.starts_with(br#"{"msg":"scan""#) {
                    self.stdin.write_all(heat)?;
                }
            }
        }
    }
}
