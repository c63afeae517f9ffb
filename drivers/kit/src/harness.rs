//! Runs a driver by the rules of the protocol, so that a driver only has to know its hardware.
//!
//! What the harness sees to, whatever the driver's code does:
//!
//! - **Permits.** A `heat` command counts for its `valid_ms`, 1.5 s at most, then the output goes to zero. Each output has a
//!   thread of its own for this. Reading inputs happens on another thread and may block as long as it likes.
//! - **Zero on every way out**: stdin closed, SIGTERM, SIGINT, SIGHUP, a line that can't be read, `close`, a panic in any
//!   thread, a failure of the hardware. Outputs first, then whatever else. Outputs are at zero before `describe`, too.
//! - **Telling comes last.** stdout is written by a thread of its own from a bounded queue. A daemon that doesn't read loses
//!   messages, never a lapse.
//! - `cut`, `restore`, refusals, answers, pacing, signs of life, time-proportioned relays, scaled time, and a
//!   record of all output changes for tests (`BENCHWARD_DRIVER_RECORD`, see the source of `record`).
//!
//! What it can't do: end a process that is killed with SIGKILL or aborts. Hardware that has a time-out of its
//! own should be told to use it.
//!
//! # A whole driver
//!
//! ```no_run
#![doc = include_str!("../examples/minimal.rs")]
//! ```
//!
//! # For hardware on a shared bus
//!
//! Inputs and outputs are separate objects on separate threads. If they share a serial line, they share it
//! behind a lock of the driver's own. Keep that lock for one exchange at a time, with a time-out of 100 ms or less, since a lapse has to wait
//! for it. [`Output::set`] that blocks holds up its own output only; a permit that ran out meanwhile is
//! acted on as soon as it returns.
//!
//! # Threads
//!
//! `main` waits for the end and sees it through. `stdin` reads commands, `inputs` reads the hardware, `heat ID` owns one output, `stdout`
//! writes. `signals` waits for signals. A stray `println!` in a driver or a library goes to stderr, which the daemon logs.

mod ending;
mod intake;
mod output;
mod sampling;
mod time;
mod voice;

use std::any::Any;
use std::borrow::Cow;
use std::fs::File;
use std::io;
use std::panic::PanicHookInfo;
use std::process::ExitCode;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread;
use std::time::Duration;

use serde::de::DeserializeOwned;
use signal_hook::consts::signal::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::iterator::Signals;

use crate::wire::{self, Fault, FromDriver, Value};
use ending::{Cause, Ending, Why};
use intake::Intake;

pub use time::LabTime;
pub use voice::Voice;

/// Longest wait for hardware to take zero at the end. With [`FLUSH_WAIT`] and [`STDERR_WAIT`] it stays below the second
/// that `close` allows.
const ZERO_WAIT: Duration = Duration::from_millis(600);

/// Longest wait for the daemon to read the last words.
const FLUSH_WAIT: Duration = Duration::from_millis(150);

/// Longest wait for stderr to take the reason.
const STDERR_WAIT: Duration = Duration::from_millis(100);

/// A kind of driver.
pub trait Driver {
    /// Short name, as in `benchward-driver-NAME`.
    const NAME: &'static str;
    /// Version, usually `env!("CARGO_PKG_VERSION")`.
    const VERSION: &'static str;
    /// The settings from the configuration. Deny unknown fields: a typing error should be told, not ignored.
    type Settings: DeserializeOwned;

    /// Opens the hardware. Has to be done within 5 s, less what the process needs to start.
    ///
    /// # Errors
    /// [`Failure`] in words for the person who set the driver up: what, where, and what would be right.
    fn open(settings: Self::Settings, start: &Start) -> Result<Parts, Failure>;
}

/// What a driver offers, and the objects behind it.
pub struct Parts {
    /// The inputs, as `describe` says them.
    pub inputs: Vec<wire::Input>,
    /// Reads them; `None` for a driver without inputs.
    pub reader: Option<Box<dyn Inputs>>,
    /// The outputs.
    pub outputs: Vec<OutputPart>,
    /// No hardware behind it: it can follow scaled time by [`Start::time`].
    pub simulated: bool,
}

/// What a driver is told when it starts.
pub struct Start {
    instance: String,
    time: LabTime,
    voice: Voice,
    stall: Stall,
}

impl Start {
    /// The instance's name in the configuration.
    pub fn instance(&self) -> &str {
        &self.instance
    }

    /// The lab's time. Only simulated drivers need it.
    pub fn time(&self) -> LabTime {
        self.time
    }

    /// To say something for the daemon's log, now or later.
    pub fn voice(&self) -> &Voice {
        &self.voice
    }

    /// To stop reading stdin and writing stdout on purpose, in a simulation of faults.
    pub fn stall(&self) -> &Stall {
        &self.stall
    }
}

/// Reads the inputs, on a thread of its own.
pub trait Inputs: Send {
    /// Reads what is due and adds it to `values`, which come empty. May block; the time of the call is the scan's `at_ms` unless
    /// [`Values::sampled_at`] says better. A scan that adds nothing sends nothing.
    ///
    /// An input that can't be read is a [`Fault`] among the values, not an error.
    ///
    /// # Errors
    /// [`Failure`] when the driver can't go on: outputs go to zero, the daemon is told, the process ends and is started anew.
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure>;
}

/// When to scan next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// This long after this scan was due, in the lab's time. Scans missed by being late stay missed.
    Every(Duration),
    /// Nothing to read now: a sign of life goes out, and `scan` is called again within half a second.
    Idle,
    /// This was the last: outputs to zero, exit with 0.
    End,
}

/// The values of one scan.
#[derive(Debug, Default)]
pub struct Values {
    at_ms: f64,
    list: Vec<(Cow<'static, str>, Value<'static>)>,
}

impl Values {
    fn start(&mut self, at_ms: f64) {
        self.at_ms = at_ms;
        self.list.clear();
    }

    /// When the values were really sampled, in [`crate::clock::monotonic_ms`].
    pub fn sampled_at(&mut self, at_ms: f64) {
        self.at_ms = at_ms;
    }

    /// A value of any kind. What isn't finite goes out as a `range` fault.
    pub fn add(&mut self, id: &str, value: Value<'static>) {
        self.list.push((Cow::Owned(id.to_owned()), value));
    }

    /// A temperature in degrees Celsius.
    pub fn temperature(&mut self, id: &str, celsius: f64) {
        self.add(
            id,
            Value::Temperature {
                celsius,
                cold_junction: None,
            },
        );
    }

    /// A raw thermocouple voltage in millivolts, with the cold junction in degrees Celsius.
    pub fn thermocouple(&mut self, id: &str, millivolts: f64, cold_junction: f64) {
        self.add(
            id,
            Value::Thermocouple {
                millivolts,
                cold_junction,
            },
        );
    }

    /// A yes/no input.
    pub fn active(&mut self, id: &str, active: bool) {
        self.add(id, Value::Active(active));
    }

    /// A current in amperes.
    pub fn amps(&mut self, id: &str, amps: f64) {
        self.add(id, Value::Amps(amps));
    }

    /// No value, and why.
    pub fn fault(&mut self, id: &str, kind: Fault) {
        self.add(id, Value::Fault { kind, text: None });
    }

    /// No value, and why, with more about it.
    pub fn fault_because(&mut self, id: &str, kind: Fault, text: impl Into<String>) {
        self.add(
            id,
            Value::Fault {
                kind,
                text: Some(Cow::Owned(text.into())),
            },
        );
    }
}

/// The hardware of an output that takes a fraction. Called on the output's own thread only. Dropped after zero when the driver
/// ends in order, before the process does: the place to switch off what is left, within a fraction of a second.
pub trait Output: Send {
    /// Tells the hardware, 0 to 1, and returns what it was told after rounding to what it can do. Zero must always work.
    ///
    /// # Errors
    /// [`Failure`] if the hardware can't be reached: all outputs go to zero and the driver ends.
    fn set(&mut self, fraction: f64) -> Result<f64, Failure>;

    /// Opens the second switch. Called before the `set(0.0)` that follows in any case.
    ///
    /// # Errors
    /// As for [`Output::set`].
    fn cut(&mut self) -> Result<(), Failure> {
        Ok(())
    }

    /// Closes the second switch again.
    ///
    /// # Errors
    /// As for [`Output::set`].
    fn restore(&mut self) -> Result<(), Failure> {
        Ok(())
    }
}

/// The hardware of an output that is on or off. The harness proportions it over windows.
/// Called on the output's own thread only; dropped at the end as an [`Output`] is.
pub trait Relay: Send {
    /// Switches. Off must always work.
    ///
    /// # Errors
    /// [`Failure`] if the hardware can't be reached: all outputs go to zero and the driver ends.
    fn switch(&mut self, on: bool) -> Result<(), Failure>;

    /// Opens the second switch. Called before the `switch(false)` that follows in any case.
    ///
    /// # Errors
    /// As for [`Relay::switch`].
    fn cut(&mut self) -> Result<(), Failure> {
        Ok(())
    }

    /// Closes the second switch again.
    ///
    /// # Errors
    /// As for [`Relay::switch`].
    fn restore(&mut self) -> Result<(), Failure> {
        Ok(())
    }
}

/// One output: what `describe` says about it, and its hardware.
pub struct OutputPart {
    output: wire::Output,
    switch: Switch,
}

enum Switch {
    Steady(Box<dyn Output>),
    Windowed { relay: Box<dyn Relay>, least_ms: u32 },
}

impl OutputPart {
    /// An output that takes a fraction.
    pub fn steady(id: impl Into<String>, hardware: impl Output + 'static) -> Self {
        let output = wire::Output {
            id: id.into(),
            watts: None,
            cuts: false,
            window_ms: None,
        };
        OutputPart {
            output,
            switch: Switch::Steady(Box::new(hardware)),
        }
    }

    /// An output that is on for a share of every `window_ms`, 1 to 1000.
    pub fn relay(id: impl Into<String>, window_ms: u32, hardware: impl Relay + 'static) -> Self {
        let output = wire::Output {
            id: id.into(),
            watts: None,
            cuts: false,
            window_ms: Some(window_ms),
        };
        OutputPart {
            output,
            switch: Switch::Windowed {
                relay: Box::new(hardware),
                least_ms: 0,
            },
        }
    }

    /// A relay stays on, and off, for this long at least; it is given less heat than was granted rather than more. Zero always
    /// acts at once. Without effect on an output that takes a fraction.
    #[must_use]
    pub fn min_on_ms(mut self, min_on_ms: u32) -> Self {
        if let Switch::Windowed { least_ms, .. } = &mut self.switch {
            *least_ms = min_on_ms;
        }
        self
    }

    /// Full power in watts.
    #[must_use]
    pub fn watts(mut self, watts: f64) -> Self {
        self.output.watts = Some(watts);
        self
    }

    /// It has a second, independent way to be switched off.
    #[must_use]
    pub fn cuts(mut self, cuts: bool) -> Self {
        self.output.cuts = cuts;
        self
    }
}

/// Why a driver can't start or go on, in words for the person at the bench.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Failure(String);

impl Failure {
    /// Say what, where, and what would be right.
    pub fn new(text: impl Into<String>) -> Self {
        Failure(text.into())
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        Failure(error.to_string())
    }
}

/// Lets a simulated driver hang: while held, nothing is read from stdin and nothing written to stdout. Permits lapse
/// all the same, and signals end the driver.
#[derive(Debug, Clone, Default)]
pub struct Stall(Arc<(Mutex<bool>, Condvar)>);

impl Stall {
    /// From now on.
    pub fn hold(&self) {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner) = true;
    }

    /// No longer.
    pub fn release(&self) {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner) = false;
        self.0.1.notify_all();
    }

    /// Sleeps while held.
    pub fn wait(&self) {
        let mut held = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        while *held {
            held = self.0.1.wait(held).unwrap_or_else(PoisonError::into_inner);
        }
    }
}

/// Runs a driver on this process's stdin and stdout until it ends. For `main`.
///
/// Exit code 0 after `close`, a closed stdin or a signal; 1 after a failure, a panic, or if
/// some hardware didn't take zero at the end.
pub fn run<D: Driver>() -> ExitCode {
    let ending = Arc::new(Ending::default());
    let voice = Voice::new();
    if let Err(error) = start::<D>(&ending, &voice) {
        // Nothing runs yet that could heat.
        eprintln!("{}: can't start: {error}", D::NAME);
        return ExitCode::FAILURE;
    }
    let Cause { why, text } = ending.wait();
    let hot = ending.wait_for_zero(ZERO_WAIT);
    let mut reason = match why {
        Why::Failed | Why::Panic => text,
        _ if text.is_empty() => String::new(),
        _ => format!("ending: {text}"),
    };
    if let Err(outputs) = &hot {
        let more = format!("outputs that could not be told zero: {}", outputs.join(", "));
        reason = if reason.is_empty() {
            more
        } else {
            format!("{reason}; {more}")
        };
    }
    let in_order = why.is_orderly() && hot.is_ok();
    if !in_order {
        voice.say(&FromDriver::Failed {
            text: Cow::Borrowed(&reason),
        });
    }
    voice.finish(FLUSH_WAIT);
    if !reason.is_empty() {
        write_stderr(format!("{}: {reason}\n", D::NAME));
    }
    if in_order {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn start<D: Driver>(ending: &Arc<Ending>, voice: &Voice) -> io::Result<()> {
    // The real stdout is kept for the protocol; whatever else prints goes to the log.
    let stdout = File::from(rustix::io::fcntl_dupfd_cloexec(rustix::stdio::stdout(), 3)?);
    rustix::stdio::dup2_stdout(rustix::stdio::stderr())?;

    let hook_ending = Arc::clone(ending);
    std::panic::set_hook(Box::new(move |info| {
        // Nothing here may wait, printing least of all: stderr may be a full pipe, and this may be an
        // output's thread. The main thread tells the reason once the outputs are at zero.
        hook_ending.begin(Why::Panic, panic_text(info));
    }));

    let mut signals = Signals::new([SIGTERM, SIGINT, SIGHUP])?;
    let signal_ending = Arc::clone(ending);
    thread::Builder::new().name("signals".into()).spawn(move || {
        if signals.forever().next().is_some() {
            signal_ending.begin(Why::Term, "");
        }
    })?;

    let stall = Stall::default();
    voice.start(stdout, stall.clone(), Arc::clone(ending))?;
    let intake = Intake {
        voice: voice.clone(),
        ending: Arc::clone(ending),
        stall,
    };
    thread::Builder::new()
        .name("stdin".into())
        .spawn(move || intake.run::<D>(io::stdin().lock()))?;
    Ok(())
}

fn panic_text(info: &PanicHookInfo<'_>) -> String {
    let payload: &dyn Any = info.payload();
    let what = payload
        .downcast_ref::<&str>()
        .copied()
        .or_else(|| payload.downcast_ref::<String>().map(String::as_str))
        .unwrap_or("no message");
    let thread = thread::current();
    let thread = thread.name().unwrap_or("unnamed");
    match info.location() {
        Some(place) => format!("panic in thread `{thread}` at {place}: {what}"),
        None => format!("panic in thread `{thread}`: {what}"),
    }
}

/// stderr may be a pipe that nobody empties, and this process has to end.
fn write_stderr(text: String) {
    let done = Arc::new((Mutex::new(false), Condvar::new()));
    let writer_done = Arc::clone(&done);
    let spawned = thread::Builder::new().name("stderr".into()).spawn(move || {
        eprint!("{text}");
        *writer_done.0.lock().unwrap_or_else(PoisonError::into_inner) = true;
        writer_done.1.notify_all();
    });
    if spawned.is_ok() {
        let held = done.0.lock().unwrap_or_else(PoisonError::into_inner);
        // Whether it was written or not, this is the end.
        let _ = done.1.wait_timeout_while(held, STDERR_WAIT, |done| !*done);
    }
}
