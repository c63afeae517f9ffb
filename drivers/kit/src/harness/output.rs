//! One heat output: its permit, its hardware, and the thread that owns both.
//!
//! Each output has a thread of its own. Nothing else touches its hardware, so a lapse can't race with a
//! heat command, and hardware that blocks holds up its own output only. The thread takes a lock ([`Cell`])
//! for as long as it takes to empty a list, never while it talks to hardware or anybody else.
//!
//! Order of everything here: hardware first, then the record, then the daemon.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use super::ending::{Ending, Why};
use super::time::LabTime;
use super::voice::Voice;
use super::{Failure, Output, Relay};
use crate::record::Record;
use crate::window::{Fired, Firing};
use crate::wire::{Applied, FromDriver, Level, Refused};

/// Between two attempts to bring hardware to zero that doesn't answer. The process ends soon; until then it is tried.
const ZERO_RETRY: Duration = Duration::from_millis(50);

/// Most commands that wait for hardware that blocks. The newest decide, so the oldest may go unanswered.
const MAX_WAITING: usize = 64;

/// What an output is asked to do.
#[derive(Debug, Clone)]
pub(super) enum Command {
    /// Heat until then.
    Heat {
        seq: u64,
        fraction: f64,
        until: Instant,
        offset_ms: f64,
    },
    /// A heat command that can't be carried out: zero, and say why.
    Refuse { seq: u64, text: String },
    /// Zero, second switch open, no heat until restored.
    Cut { seq: u64 },
    /// Heat may be granted again.
    Restore { seq: u64 },
    /// The daemon sent something that nobody can read: zero.
    Garbage,
}

impl Command {
    /// Whether it decides about the level, so that heat asked for earlier no longer matters.
    fn sets_level(&self) -> bool {
        !matches!(self, Command::Restore { .. })
    }
}

/// Where the output's thread is told things. Written by the thread that reads stdin and by [`Ending`].
#[derive(Debug)]
pub(super) struct Cell {
    id: String,
    state: Mutex<CellState>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct CellState {
    commands: Vec<Command>,
    ending: Option<Why>,
    at_zero: bool,
}

impl Cell {
    pub(super) fn new(id: &str) -> Arc<Self> {
        Arc::new(Cell {
            id: id.to_owned(),
            state: Mutex::default(),
            changed: Condvar::new(),
        })
    }

    pub(super) fn id(&self) -> &str {
        &self.id
    }

    fn lock(&self) -> MutexGuard<'_, CellState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Commands in the order they came. Those read from the pipe together are handed over together, so that
    /// a heat command doesn't flash up in front of the `cut` right behind it.
    pub(super) fn hand_over(&self, commands: impl IntoIterator<Item = Command>) {
        let mut state = self.lock();
        state.commands.extend(commands);
        let surplus = state.commands.len().saturating_sub(MAX_WAITING);
        // A cut must survive whatever is thrown away.
        let mut removed = 0;
        state.commands.retain(|c| {
            let keep = removed >= surplus || matches!(c, Command::Cut { .. } | Command::Restore { .. });
            removed += usize::from(!keep);
            keep
        });
        drop(state);
        self.changed.notify_all();
    }

    /// Zero, for good.
    pub(super) fn end(&self, why: Why) {
        self.lock().ending.get_or_insert(why);
        self.changed.notify_all();
    }

    /// Sleeps until there is something to do, or until then.
    fn wait(&self, until: Option<Instant>) -> (Vec<Command>, Option<Why>) {
        let mut state = self.lock();
        loop {
            if state.ending.is_some() || !state.commands.is_empty() {
                return (std::mem::take(&mut state.commands), state.ending);
            }
            let Some(until) = until else {
                state = self.changed.wait(state).unwrap_or_else(PoisonError::into_inner);
                continue;
            };
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return (Vec::new(), None);
            }
            state = self
                .changed
                .wait_timeout(state, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }

    fn report_zero(&self) {
        self.lock().at_zero = true;
        self.changed.notify_all();
    }

    pub(super) fn wait_for_zero(&self, until: Instant) -> bool {
        let mut state = self.lock();
        while !state.at_zero {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            state = self
                .changed
                .wait_timeout(state, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
        true
    }
}

/// How an output is switched.
pub(super) enum Hardware {
    /// Takes a fraction.
    Steady(Box<dyn Output>),
    /// On or off, proportioned over windows.
    Windowed(Box<Windowed>),
}

/// A relay and where it stands in its windows.
pub(super) struct Windowed {
    relay: Box<dyn Relay>,
    window_ms: f64,
    /// On and off last this long at least.
    least_ms: f64,
    firing: Firing,
    fired: Fired,
    on: bool,
}

impl Windowed {
    pub(super) fn new(relay: Box<dyn Relay>, window_ms: u32, least_ms: u32, now_ms: f64) -> Self {
        let window_ms = f64::from(window_ms);
        Windowed {
            relay,
            window_ms,
            least_ms: f64::from(least_ms),
            firing: Firing::new(window_ms, 0.0, 0.0),
            fired: Fired::new(window_ms, now_ms),
            on: false,
        }
    }

    /// Whether the relay should be on. One that is off isn't switched on for the rest of an on-time, unless there is half of the
    /// least time left: what is left of a whole one is always a little less, by as much as this thread wakes up late.
    fn on_at(&self, now_ms: f64) -> bool {
        self.firing.on_at(now_ms) && (self.on || self.firing.on_for(now_ms) >= self.least_ms / 2.0)
    }

    fn switch(&mut self, on: bool, time: &LabTime) -> Result<(), Failure> {
        self.relay.switch(on)?;
        self.on = on;
        self.fired.switched(time.now_ms(), on);
        Ok(())
    }
}

impl Hardware {
    /// Tells the hardware. Zero is told always, even if it should be there already.
    ///
    /// Returns what it was told, 0 to 1.
    pub(super) fn set(&mut self, fraction: f64, offset_ms: f64, time: &LabTime) -> Result<f64, Failure> {
        match self {
            Hardware::Steady(output) => {
                let told = output.set(fraction)?;
                if !(0.0..=1.0).contains(&told) {
                    return Err(Failure::new(format!(
                        "the driver set {told}, which is outside 0 to 1"
                    )));
                }
                Ok(told)
            }
            Hardware::Windowed(windowed) => {
                let fraction = Firing::deliverable(windowed.window_ms, fraction, windowed.least_ms);
                windowed.firing = Firing::new(windowed.window_ms, fraction, offset_ms);
                let on = windowed.on_at(time.now_ms());
                if on != windowed.on || !on {
                    windowed.switch(on, time)?;
                }
                Ok(fraction)
            }
        }
    }

    fn cut(&mut self) -> Result<(), Failure> {
        match self {
            Hardware::Steady(output) => output.cut(),
            Hardware::Windowed(windowed) => windowed.relay.cut(),
        }
    }

    fn restore(&mut self) -> Result<(), Failure> {
        match self {
            Hardware::Steady(output) => output.restore(),
            Hardware::Windowed(windowed) => windowed.relay.restore(),
        }
    }

    /// When a relay has to be switched inside its window.
    fn next_edge(&self, time: &LabTime) -> Option<Instant> {
        match self {
            Hardware::Steady(_) => None,
            Hardware::Windowed(windowed) => windowed
                .firing
                .next_edge(time.now_ms())
                .map(|ms| time.instant(ms)),
        }
    }

    /// Switches a relay if its window says so; the new state if it did.
    fn keep_window(&mut self, time: &LabTime) -> Result<Option<bool>, Failure> {
        let Hardware::Windowed(windowed) = self else {
            return Ok(None);
        };
        let on = windowed.on_at(time.now_ms());
        if on == windowed.on {
            return Ok(None);
        }
        windowed.switch(on, time)?;
        Ok(Some(on))
    }

    fn fired(&mut self, time: &LabTime) -> Option<f64> {
        match self {
            Hardware::Steady(_) => None,
            Hardware::Windowed(windowed) => windowed.fired.last_window(time.now_ms()),
        }
    }
}

/// What all threads of one driver share.
#[derive(Clone)]
pub(super) struct Common {
    pub(super) voice: Voice,
    pub(super) ending: Arc<Ending>,
    pub(super) record: Arc<Record>,
    pub(super) time: LabTime,
}

/// The state of one output, owned by its thread.
pub(super) struct Station {
    cell: Arc<Cell>,
    hardware: Hardware,
    common: Common,
    /// What the hardware was told last.
    fraction: f64,
    /// When heat ends unless it is renewed. There while a permit is running, at whatever fraction.
    until: Option<Instant>,
    cut: bool,
    /// Heat commands that a later one overtook; they are answered with what the later one led to.
    overtaken: Vec<u64>,
}

/// How one answer looks.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Answer {
    Plain(Option<u64>),
    Lapsed(Option<u64>),
}

impl Station {
    pub(super) fn new(cell: Arc<Cell>, hardware: Hardware, common: Common) -> Self {
        Station {
            cell,
            hardware,
            common,
            fraction: 0.0,
            until: None,
            cut: false,
            overtaken: Vec::new(),
        }
    }

    /// Starts the output's thread. The hardware is at zero by then.
    pub(super) fn start(self) -> std::io::Result<()> {
        let name = format!("heat {}", self.cell.id);
        thread::Builder::new().name(name).spawn(move || self.run())?;
        Ok(())
    }

    fn run(mut self) {
        loop {
            let edge = self.hardware.next_edge(&self.common.time);
            let wake = [self.until, edge].into_iter().flatten().min();
            let (commands, ending) = self.cell.wait(wake);
            if let Some(why) = ending {
                // A cut that came together with the end opens the second switch all the same. Whether that works or
                // not, zero follows.
                let cut: Vec<Command> = commands
                    .into_iter()
                    .filter(|command| matches!(command, Command::Cut { .. }))
                    .collect();
                if !cut.is_empty() {
                    let _ = catch_unwind(AssertUnwindSafe(|| self.step(cut)));
                }
                self.zero_for_good(why);
                return;
            }
            // A driver's code may panic in here. The panic hook has begun the ending by then, so the next
            // turn of this loop brings this output to zero.
            match catch_unwind(AssertUnwindSafe(|| self.step(commands))) {
                Ok(Ok(())) => {}
                Ok(Err(failure)) => {
                    // This one's zero is tried again in `zero_for_good`; here it mustn't wait for anything.
                    self.common
                        .ending
                        .begin(Why::Failed, format!("output `{}`: {failure}", self.cell.id));
                }
                Err(_) => self
                    .common
                    .ending
                    .begin(Why::Panic, "a panic that left no message"),
            }
        }
    }

    fn step(&mut self, commands: Vec<Command>) -> Result<(), Failure> {
        let deciding = commands.iter().rposition(Command::sets_level);
        for (n, command) in commands.into_iter().enumerate() {
            match command {
                Command::Heat { seq, .. } if self.cut => self.refuse(seq, "cut; `restore` first"),
                Command::Heat { seq, .. } if Some(n) < deciding => self.overtaken.push(seq),
                Command::Heat {
                    seq,
                    fraction,
                    until,
                    offset_ms,
                } => {
                    if until <= Instant::now() {
                        // The hardware kept us so long that this permit is over before it began.
                        self.lapse(Some(seq))?;
                    } else {
                        // Before the hardware is told: should that block or fail, the permit ends all the same.
                        self.until = Some(until);
                        self.tell(fraction, offset_ms, "heat", Some(seq))?;
                        self.answer(Answer::Plain(Some(seq)));
                    }
                }
                Command::Refuse { seq, text } => {
                    self.until = None;
                    self.tell(0.0, 0.0, "refused", Some(seq))?;
                    self.refuse(seq, &text);
                }
                Command::Cut { seq } => {
                    self.until = None;
                    self.cut = true;
                    // The second switch first: it may work where the first one doesn't. Both are tried whatever happens.
                    let opened = self.hardware.cut();
                    self.tell(0.0, 0.0, "cut", Some(seq))?;
                    opened?;
                    self.record("cut", Some(seq), None);
                    self.answer(Answer::Plain(Some(seq)));
                }
                Command::Restore { seq } => {
                    self.hardware.restore()?;
                    self.cut = false;
                    self.record("restore", Some(seq), None);
                    self.answer(Answer::Plain(Some(seq)));
                }
                Command::Garbage => {
                    self.until = None;
                    self.tell(0.0, 0.0, "garbage", None)?;
                    self.answer(Answer::Plain(None));
                }
            }
        }
        if self.until.is_some_and(|until| until <= Instant::now()) {
            self.lapse(None)?;
        }
        if let Some(on) = self.hardware.keep_window(&self.common.time)? {
            self.record("window", None, Some(on));
        }
        Ok(())
    }

    fn lapse(&mut self, seq: Option<u64>) -> Result<(), Failure> {
        self.tell(0.0, 0.0, "lapsed", seq)?;
        self.until = None;
        self.answer(Answer::Lapsed(seq));
        Ok(())
    }

    /// Tells the hardware, and the record if that changed anything.
    fn tell(&mut self, fraction: f64, offset_ms: f64, why: &str, seq: Option<u64>) -> Result<(), Failure> {
        let told = self.hardware.set(fraction, offset_ms, &self.common.time)?;
        #[expect(clippy::float_cmp, reason = "any change at all is one")]
        let changed = told != self.fraction;
        self.fraction = told;
        // A cut is recorded once its second switch is open, too.
        if changed && why != "cut" {
            self.record(why, seq, None);
        }
        Ok(())
    }

    fn record(&self, why: &str, seq: Option<u64>, on: Option<bool>) {
        if let Err(error) = self
            .common
            .record
            .change(&self.cell.id, self.fraction, why, seq, on)
        {
            self.common.voice.notice(
                Level::Error,
                &format!("the driver's record can't be written: {error}"),
            );
        }
    }

    fn answer(&mut self, answer: Answer) {
        let (seq, lapsed) = match answer {
            Answer::Plain(seq) => (seq, false),
            Answer::Lapsed(seq) => (seq, true),
        };
        let fired = self.hardware.fired(&self.common.time);
        let at_ms = self.common.time.at_ms();
        let overtaken = std::mem::take(&mut self.overtaken);
        for (seq, lapsed) in overtaken
            .into_iter()
            .map(|s| (Some(s), false))
            .chain([(seq, lapsed)])
        {
            self.common.voice.say(&FromDriver::Applied(Applied {
                seq,
                output: self.cell.id.as_str().into(),
                fraction: self.fraction,
                at_ms,
                cut: self.cut,
                lapsed,
                fired,
            }));
        }
    }

    fn refuse(&mut self, seq: u64, text: &str) {
        // Whatever was overtaken by a refused command led to zero; that is what a refusal says.
        let overtaken = std::mem::take(&mut self.overtaken);
        for seq in overtaken.into_iter().chain([seq]) {
            self.common.voice.say(&FromDriver::Refused(Refused {
                seq: Some(seq),
                output: self.cell.id.as_str().into(),
                text: text.into(),
            }));
        }
    }

    /// Zero, tried until it works or the process is gone.
    fn zero_for_good(mut self, why: Why) {
        loop {
            let tried = catch_unwind(AssertUnwindSafe(|| {
                self.hardware.set(0.0, 0.0, &self.common.time)
            }));
            if matches!(tried, Ok(Ok(_))) {
                break;
            }
            thread::sleep(ZERO_RETRY);
        }
        self.fraction = 0.0;
        self.record(why.word(), None, None);
        self.answer(Answer::Plain(None));
        let cell = Arc::clone(&self.cell);
        // The process ends as soon as zero is reported, so hardware that has more to switch off does it now, by its `Drop`.
        // Should that panic, this output is at zero all the same.
        let _ = catch_unwind(AssertUnwindSafe(|| drop(self)));
        cell.report_zero();
    }
}
