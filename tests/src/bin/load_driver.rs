//! One light driver for measuring: four temperatures at 10 Hz, one heat output, one thread, one poll.
//!
//! It notes `CLOCK_MONOTONIC` just before it writes a scan and again when it has read the command that the scan
//! caused, and keeps every difference. There is no heater behind it, so there is nothing that could lapse.
//!
//! Drivers of real hardware don't scan in step. Each of these begins at its own place within the period, and each
//! scan is up to [`JITTER_MS`] early or late; both are drawn from the driver's number, so that every run of the
//! measurement has the same pattern.

use std::collections::VecDeque;
use std::fs;
use std::io::{self, BufRead as _, Read as _, Write as _};
use std::os::fd::AsFd as _;
use std::process::ExitCode;

use anyhow::{Context as _, bail};
use benchward_driver::clock::monotonic_ms;
use benchward_driver::wire::{
    Applied, Describe, FromDriver, Input, InputKind, Lines, Output, Scan, ToDriver, Value,
};
use benchward_tests::load::{Plan, Report, Settings};
use rustix::event::{PollFd, PollFlags, Timespec, poll};

/// Between two scans.
const PERIOD_MS: f64 = 100.0;
/// How far a scan may be from its place, either way: a converter's conversion time wanders that much.
const JITTER_MS: f64 = 2.0;
/// What the channels read about while all is well. The target of the recipe is never reached.
const CELSIUS: f64 = 80.0;
/// A scan that got no answer for so long gets none.
const ANSWER_WITHIN_MS: f64 = 1_000.0;
/// How often the driver looks whether there is a plan, in scans.
const LOOK_FOR_PLAN_EVERY: u64 = 5;

const INPUTS: [&str; 4] = ["tc1", "tc2", "tc3", "tc4"];
const OUTPUT: &str = "heat1";

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn run() -> anyhow::Result<()> {
    // Only the first line is read this way, and the daemon says nothing more before it has heard `describe`.
    let mut first = String::new();
    io::stdin().lock().read_line(&mut first)?;
    let ToDriver::Configure(configure) = ToDriver::parse(first.trim_end().as_bytes())? else {
        bail!("the first line is no `configure`: {first}");
    };
    let settings: Settings = serde_json::from_value(configure.settings).context("settings")?;
    let mut driver = Driver::new(settings);
    let ended = driver.live();
    fs::write(&driver.settings.report, serde_json::to_vec(&driver.report)?)
        .with_context(|| format!("can't write {}", driver.settings.report.display()))?;
    ended
}

/// Where the driver is with making its station trip.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Heat {
    /// No heat is granted.
    None,
    /// Each scan is answered by `heat`.
    Granted,
    /// As before; after so many scans comes one above the ceiling.
    GrantedUntil { scans: u64 },
    /// The scan above the ceiling was written at this time.
    Hot { written_ms: f64 },
}

/// What a scan is sent for.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Part {
    /// Nothing is measured.
    Unmeasured,
    /// Heating goes on steadily, and nobody is connected.
    Steady,
    /// Stations are cut and reset.
    AmongCuts,
}

struct Driver {
    settings: Settings,
    random: Random,
    plan: Option<Plan>,
    heat: Heat,
    cuts_left: u32,
    /// Scans whose `heat` has not come yet: when they were written, and what is measured with them.
    waiting: VecDeque<(f64, Part)>,
    report: Report,
    line: Vec<u8>,
}

impl Driver {
    fn new(settings: Settings) -> Self {
        Self {
            random: Random(settings.seed),
            settings,
            plan: None,
            heat: Heat::None,
            cuts_left: 0,
            waiting: VecDeque::new(),
            report: Report::default(),
            line: Vec::new(),
        }
    }

    /// Scans and answers until it is told to close or its stdin ends.
    fn live(&mut self) -> anyhow::Result<()> {
        let mut stdin = fs::File::from(io::stdin().as_fd().try_clone_to_owned()?);
        let mut lines = Lines::new();
        let mut buffer = [0; 4096];
        self.say(&FromDriver::Describe(Box::new(describe())))?;
        let began = monotonic_ms() + self.random.share() * PERIOD_MS;
        let mut count: u64 = 0;
        let mut due = began;
        loop {
            let now = monotonic_ms();
            if now >= due {
                self.scan(count, now - due)?;
                // A driver that was held up goes on with the scan that is due next; it doesn't send a heap of old ones.
                let after = monotonic_ms();
                while due <= after {
                    count += 1;
                    let jitter = (self.random.share() * 2.0 - 1.0) * JITTER_MS;
                    due = began + PERIOD_MS * as_f64(count) + jitter;
                }
            }
            let mut waits_for = [PollFd::new(&stdin, PollFlags::IN)];
            match poll(&mut waits_for, Some(&timespec((due - monotonic_ms()).max(0.0)))) {
                Ok(0) | Err(rustix::io::Errno::INTR) => continue,
                Ok(_) => {}
                Err(error) => return Err(error).context("waiting for stdin"),
            }
            let read = stdin.read(&mut buffer)?;
            let read_ms = monotonic_ms();
            if read == 0 {
                return Ok(());
            }
            lines.push(&buffer[..read]);
            while let Some(line) = lines.next_line() {
                let line = line?.to_owned();
                if !self.take(&ToDriver::parse(&line)?, read_ms)? {
                    return Ok(());
                }
            }
        }
    }

    /// Writes one scan. `late_ms`: how late it is.
    fn scan(&mut self, count: u64, late_ms: f64) -> anyhow::Result<()> {
        if self.plan.is_none() && count.is_multiple_of(LOOK_FOR_PLAN_EVERY) {
            self.look_for_plan();
        }
        let now = monotonic_ms();
        let hot = self.hot_is_due(now);
        let mut line = std::mem::take(&mut self.line);
        line.clear();
        self.values(hot, now).write_line(&mut line);
        let written_ms = monotonic_ms();
        io::stdout().write_all(&line)?;
        io::stdout().flush()?;
        self.line = line;
        match (hot, self.heat) {
            (true, _) => self.heat = Heat::Hot { written_ms },
            (false, Heat::Granted | Heat::GrantedUntil { .. }) => {
                let part = self.part(written_ms);
                if part == Part::Steady {
                    self.report.late_ms.push(late_ms);
                }
                self.waiting.push_back((written_ms, part));
            }
            (false, Heat::None | Heat::Hot { .. }) => {}
        }
        self.give_up_on_old(written_ms);
        Ok(())
    }

    /// What a scan that is written at this time is for.
    fn part(&self, written_ms: f64) -> Part {
        match &self.plan {
            Some(plan) if (plan.grants_from_ms..plan.grants_until_ms).contains(&written_ms) => Part::Steady,
            Some(plan) if plan.cuts > 0 && written_ms >= plan.cuts_from_ms => Part::AmongCuts,
            Some(_) | None => Part::Unmeasured,
        }
    }

    /// What one scan says: four channels a little apart, in steps of 1/16 °C as a converter gives them.
    fn values(&mut self, hot: bool, now: f64) -> FromDriver<'static> {
        let about = self
            .plan
            .as_ref()
            .filter(|_| hot)
            .map_or(CELSIUS, |plan| plan.hot_celsius);
        let values = INPUTS.iter().zip([0.0, 1.0, 2.0, 3.0]).map(|(id, apart)| {
            // A hot scan is hot on every channel, whatever the noise.
            let noise = if hot { 0.0 } else { self.random.share() - apart };
            let celsius = ((about + noise) * 16.0).round() / 16.0;
            (
                (*id).into(),
                Value::Temperature {
                    celsius,
                    cold_junction: Some(24.9375),
                },
            )
        });
        FromDriver::Scan(Scan {
            at_ms: Some(now),
            values: values.collect(),
        })
    }

    /// Whether the scan that is sent now is to be above the ceiling.
    fn hot_is_due(&mut self, now: f64) -> bool {
        let Some(plan) = &self.plan else { return false };
        match &mut self.heat {
            Heat::Granted if self.cuts_left > 0 && now >= plan.cuts_from_ms => {
                let (low, high) = plan.pause_scans;
                let scans = low + self.random.next() % (high - low).max(1);
                self.heat = Heat::GrantedUntil { scans };
                false
            }
            Heat::GrantedUntil { scans: 0 } => true,
            Heat::GrantedUntil { scans } => {
                *scans -= 1;
                false
            }
            Heat::None | Heat::Granted | Heat::Hot { .. } => false,
        }
    }

    /// Takes one line. Returns whether to go on.
    fn take(&mut self, message: &ToDriver<'_>, read_ms: f64) -> anyhow::Result<bool> {
        let (seq, fraction, cut) = match message {
            ToDriver::Heat(heat) => {
                if let Some((written_ms, part)) = self.waiting.pop_front() {
                    let took_ms = read_ms - written_ms;
                    match part {
                        Part::Unmeasured => {}
                        Part::Steady => self.report.grant_ms.push(took_ms),
                        Part::AmongCuts => self.report.grant_among_cuts_ms.push(took_ms),
                    }
                }
                // `heat` of the scan before a hot one may still be on its way while the cut is awaited.
                if self.heat == Heat::None {
                    self.heat = Heat::Granted;
                }
                (heat.seq, heat.fraction, false)
            }
            ToDriver::Cut(cut) => {
                if let Heat::Hot { written_ms } = self.heat {
                    self.report.cut_ms.push(read_ms - written_ms);
                    self.cuts_left = self.cuts_left.saturating_sub(1);
                }
                self.heat = Heat::None;
                self.waiting.clear();
                (cut.seq, 0.0, true)
            }
            ToDriver::Restore(restore) => (restore.seq, 0.0, false),
            ToDriver::Close => return Ok(false),
            ToDriver::Configure(_) | ToDriver::Refuse { .. } | ToDriver::Unknown { .. } => return Ok(true),
        };
        self.say(&FromDriver::Applied(Applied {
            seq: Some(seq),
            output: OUTPUT.into(),
            fraction,
            at_ms: Some(monotonic_ms()),
            cut,
            lapsed: false,
            fired: None,
        }))?;
        Ok(true)
    }

    /// An answer that never comes must neither be waited for nor be mistaken for the next scan's.
    fn give_up_on_old(&mut self, now: f64) {
        while self
            .waiting
            .front()
            .is_some_and(|(written_ms, _)| now - written_ms > ANSWER_WITHIN_MS)
        {
            self.waiting.pop_front();
            self.report.unanswered += 1;
        }
        if let Heat::Hot { written_ms } = self.heat
            && now - written_ms > ANSWER_WITHIN_MS
        {
            self.report.unanswered += 1;
            self.heat = Heat::None;
        }
    }

    /// The plan is there when the runs have begun. It is moved into place whole.
    fn look_for_plan(&mut self) {
        let read = fs::read(&self.settings.plan).ok();
        self.plan = read.and_then(|text| serde_json::from_slice(&text).ok());
        self.cuts_left = self.plan.as_ref().map_or(0, |plan| plan.cuts);
    }

    fn say(&mut self, message: &FromDriver<'_>) -> io::Result<()> {
        self.line.clear();
        message.write_line(&mut self.line);
        let mut stdout = io::stdout();
        stdout.write_all(&self.line)?;
        stdout.flush()
    }
}

fn describe() -> Describe {
    let input = |id: &str| Input {
        id: id.into(),
        kind: InputKind::Temperature,
        rate_hz: Some(1_000.0 / PERIOD_MS),
        range: Some((-50.0, 400.0)),
    };
    Describe {
        name: "load".into(),
        version: env!("CARGO_PKG_VERSION").into(),
        inputs: INPUTS.iter().map(|id| input(id)).collect(),
        outputs: vec![Output {
            id: OUTPUT.into(),
            watts: Some(800.0),
            cuts: true,
            window_ms: None,
        }],
        simulated: false,
    }
}

/// Numbers that look random and are the same every time: the generator `splitmix64` (Steele, Lea, Flood: *Fast
/// splittable pseudorandom number generators*, 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// 0 to 1.
    fn share(&mut self) -> f64 {
        as_f64(self.next() >> 11) / as_f64(1 << 53)
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "counts stay far below 2^53; random numbers are cut to 53 bits"
)]
fn as_f64(count: u64) -> f64 {
    count as f64
}

#[expect(clippy::cast_possible_truncation, reason = "at most a period")]
fn timespec(ms: f64) -> Timespec {
    Timespec {
        tv_sec: (ms / 1e3) as i64,
        tv_nsec: ((ms % 1e3) * 1e6) as i64,
    }
}
