//! The lab thread's side of one driver process: its two pipes, its lines turned into events, its mailbox.
//!
//! Everything here is non-blocking. Ids are looked up once, when the driver describes itself; after that a scan costs
//! one parse and a few map look-ups.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::sync::Arc;

use benchward_core::units::{Amps, Celsius, Fraction, Millis, Watts};
use benchward_core::{
    Event, Fault, InputId, InputOffer, InputUse, InstanceId, Loss, OutputId, OutputOffer, Sample, Seq, Setup,
    Value,
};
use benchward_driver::wire::{self, Configure, Describe, FromDriver, InputKind, Lines, ToDriver};
use benchward_thermocouple::{self as thermocouple, Kind};

use crate::clock::Clock;
use crate::mailbox::Mailbox;
use crate::wiring::{Instance, Wiring};

/// How long a driver has to describe itself, real time.
pub(crate) const DESCRIBE_WITHIN: std::time::Duration = std::time::Duration::from_secs(5);

/// How long a driver may say nothing, or leave a command unanswered, before it counts as hung and is started again, real
/// time. Its stations have been tripped since half a second or a second; this is about getting the bench back, and long
/// enough not to end a driver whose device is slow to come back.
const HUNG_AFTER_MS: f64 = 5_000.0;

/// Malformed lines in a row that count as a broken protocol.
const MALFORMED_MAX: u32 = 10;

/// How much is read of one driver before the others have their turn: a pipe's worth.
const READ_AT_ONCE: usize = 64 * 1024;

/// Most lines a second, over all, that a driver may send before it counts as broken: the fastest input rate of the
/// protocol for a few hundred outputs' answers. It keeps one driver from taking the lab thread for itself.
const LINES_PER_SECOND_MAX: u32 = 20_000;

/// What a wired input is, and how its thermocouple converts.
#[derive(Debug, Clone, Copy)]
struct Wired {
    input: InputId,
    kind: Option<Kind>,
}

/// What there is to read of a driver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Intake {
    /// Nothing, until the poll says so.
    Empty,
    /// Something, maybe.
    More,
    /// What is left, and then its end: the poll has said that it closed its stdout, and says so once.
    Ending,
}

/// One driver process, from the lab thread's side.
pub(crate) struct Link {
    pub(crate) instance: InstanceId,
    pub(crate) generation: u64,
    name: Arc<str>,
    stdin: File,
    stdout: File,
    lines: Lines,
    pub(crate) mailbox: Mailbox,
    /// What it said of itself. `None` until it has.
    pub(crate) described_as: Option<Arc<Describe>>,
    /// `None` until it has described itself.
    inputs: Option<BTreeMap<String, Wired>>,
    outputs: BTreeMap<String, OutputId>,
    malformed: u32,
    unknown_said: bool,
    started_ms: f64,
    /// When it last said anything.
    heard_ms: f64,
    /// How long it may say nothing; `None` where it only speaks when something happens.
    silence_ms_max: Option<f64>,
    /// Since when it owes an answer to a command.
    owes_since_ms: Option<f64>,
    /// The present second of real time, and the lines in it.
    rate: (u64, u32),
    /// Whether there may be more to read.
    intake: Intake,
    /// Whether the poll watches its stdin. Only while something waits to be written: a pipe reports each time that
    /// the driver has read something, and that would wake the lab thread for nothing twice per command.
    pub(crate) watched: bool,
}

/// What one turn of reading came to.
pub(crate) enum Turn {
    /// Go on.
    Alive,
    /// The driver is lost.
    Lost(Loss),
    /// The lab can't go on with this driver at all: it isn't simulated, and the lab's time is scaled.
    Unfit(String),
}

/// What is told to the log from the lab thread, which itself never writes anywhere.
#[derive(Debug)]
pub(crate) struct Notice {
    pub(crate) instance: Arc<str>,
    pub(crate) level: wire::Level,
    pub(crate) text: String,
}

impl Link {
    pub(crate) fn new(
        instance: &Instance,
        generation: u64,
        stdin: OwnedFd,
        stdout: OwnedFd,
        setup: &Setup,
        clock: &Clock,
    ) -> Self {
        let mut first = Vec::new();
        ToDriver::Configure(Box::new(Configure {
            instance: instance.name.to_string(),
            settings: instance.settings.clone(),
            #[expect(clippy::cast_precision_loss, reason = "scales are small whole numbers")]
            time_scale: clock.scale() as f64,
        }))
        .write_line(&mut first);
        let outputs: BTreeMap<String, OutputId> = setup
            .outputs
            .iter()
            .enumerate()
            .filter(|(_, output)| output.instance == instance.id)
            .filter_map(|(at, output)| Some((output.name.to_string(), OutputId(u32::try_from(at).ok()?))))
            .collect();
        let slots: Vec<(OutputId, Arc<str>)> = outputs
            .iter()
            .map(|(name, id)| (*id, Arc::from(name.as_str())))
            .collect();
        Self {
            instance: instance.id,
            generation,
            name: instance.name.clone(),
            stdin: File::from(stdin),
            stdout: File::from(stdout),
            lines: Lines::new(),
            mailbox: Mailbox::new(slots, first),
            described_as: None,
            inputs: None,
            outputs,
            malformed: 0,
            unknown_said: false,
            started_ms: crate::clock::monotonic_ms(),
            heard_ms: crate::clock::monotonic_ms(),
            silence_ms_max: None,
            owes_since_ms: None,
            rate: (0, 0),
            intake: Intake::More,
            watched: false,
        }
    }

    pub(crate) fn stdin(&self) -> BorrowedFd<'_> {
        self.stdin.as_fd()
    }

    pub(crate) fn stdout(&self) -> BorrowedFd<'_> {
        self.stdout.as_fd()
    }

    /// Whether there may be more to read.
    pub(crate) fn readable(&self) -> bool {
        self.intake != Intake::Empty
    }

    /// There may be more to read. `ending`: its end comes after that.
    pub(crate) fn may_read(&mut self, ending: bool) {
        if ending {
            self.intake = Intake::Ending;
        } else if self.intake == Intake::Empty {
            self.intake = Intake::More;
        }
    }

    /// Why it is to be ended and started again, if it is: it doesn't describe itself, hangs, or doesn't answer.
    #[expect(clippy::cast_precision_loss, reason = "five thousand")]
    pub(crate) fn overdue(&self, monotonic_ms: f64) -> Option<Loss> {
        let why = if self.inputs.is_none() {
            let late = monotonic_ms - self.started_ms > DESCRIBE_WITHIN.as_millis() as f64;
            late.then(|| "it did not describe itself within 5 s".to_owned())
        } else if let Some(max) = self
            .silence_ms_max
            .filter(|max| monotonic_ms - self.heard_ms > *max)
        {
            Some(format!("it has said nothing for {:.0} s", max / 1000.0))
        } else {
            let late = self
                .owes_since_ms
                .is_some_and(|since| monotonic_ms - since > HUNG_AFTER_MS);
            late.then(|| {
                format!(
                    "it has not answered a command for {:.0} s",
                    HUNG_AFTER_MS / 1000.0
                )
            })
        };
        why.map(|why| Loss::Protocol(why.as_str().into()))
    }

    /// When what is being read of it came, `CLOCK_MONOTONIC` in milliseconds.
    pub(crate) fn heard_ms(&self) -> f64 {
        self.heard_ms
    }

    /// It is being told something that it has to answer.
    pub(crate) fn owes(&mut self, monotonic_ms: f64) {
        self.owes_since_ms.get_or_insert(monotonic_ms);
    }

    /// Writes what waits, as far as the pipe takes it.
    ///
    /// # Errors
    /// The pipe is broken: the driver is going.
    pub(crate) fn write(&mut self, now: Millis) -> io::Result<()> {
        self.mailbox.write(&mut self.stdin, now)
    }

    /// Reads what is there, up to a bound, and turns lines into events, which `apply` is called with one by one.
    pub(crate) fn read(
        &mut self,
        buffer: &mut [u8],
        wiring: &Wiring,
        clock: &Clock,
        notices: &mut dyn FnMut(Notice),
        apply: &mut dyn FnMut(&mut Self, Event),
    ) -> Turn {
        let room = buffer.len().min(READ_AT_ONCE);
        let count = match self.stdout.read(&mut buffer[..room]) {
            Ok(0) => return Turn::Lost(Loss::Exit("it closed its output".into())),
            Ok(count) => count,
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                self.intake = Intake::Empty;
                return Turn::Alive;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => return Turn::Alive,
            Err(error) => {
                return Turn::Lost(Loss::Exit(
                    format!("its output can't be read: {error}").as_str().into(),
                ));
            }
        };
        // A pipe that gave less than there was room for is empty now, and the poll says when there is more
        // (epoll(7)). Its end has been said already, and is still to be read.
        if count < room && self.intake == Intake::More {
            self.intake = Intake::Empty;
        }
        self.heard_ms = crate::clock::monotonic_ms();
        // Taken out while lines borrow from it, put back afterwards.
        let mut lines = std::mem::take(&mut self.lines);
        lines.push(&buffer[..count]);
        let mut turn = Turn::Alive;
        while let Some(line) = lines.next_line() {
            let done = match line {
                Ok([]) => Turn::Alive,
                Ok(line) => match FromDriver::parse(line) {
                    Ok(message) => {
                        self.malformed = 0;
                        self.take(message, wiring, clock, notices, apply)
                    }
                    Err(malformed) => self.malformed(malformed.to_string(), notices),
                },
                Err(_) => self.malformed(
                    format!("a line is longer than {} bytes", wire::MAX_LINE_BYTES),
                    notices,
                ),
            };
            let done = match done {
                Turn::Alive => self.count_line(clock),
                done @ (Turn::Lost(_) | Turn::Unfit(_)) => done,
            };
            if !matches!(done, Turn::Alive) {
                turn = done;
                break;
            }
        }
        self.lines = lines;
        turn
    }

    fn count_line(&mut self, clock: &Clock) -> Turn {
        let second = clock.now().0 / (1000 * clock.scale());
        if self.rate.0 == second {
            self.rate.1 += 1;
        } else {
            self.rate = (second, 1);
        }
        let allowed = LINES_PER_SECOND_MAX.saturating_mul(u32::try_from(clock.scale()).unwrap_or(u32::MAX));
        if self.rate.1 > allowed {
            return Turn::Lost(Loss::Protocol(
                format!("it sent more than {allowed} lines in a second")
                    .as_str()
                    .into(),
            ));
        }
        Turn::Alive
    }

    fn malformed(&mut self, text: String, notices: &mut dyn FnMut(Notice)) -> Turn {
        self.malformed += 1;
        if self.malformed >= MALFORMED_MAX {
            return Turn::Lost(Loss::Protocol(
                format!("{MALFORMED_MAX} malformed lines in a row, the last one: {text}")
                    .as_str()
                    .into(),
            ));
        }
        notices(Notice {
            instance: self.name.clone(),
            level: wire::Level::Warn,
            text,
        });
        Turn::Alive
    }

    fn take(
        &mut self,
        message: FromDriver<'_>,
        wiring: &Wiring,
        clock: &Clock,
        notices: &mut dyn FnMut(Notice),
        apply: &mut dyn FnMut(&mut Self, Event),
    ) -> Turn {
        match message {
            FromDriver::Describe(describe) => match self.described(&describe, wiring, clock) {
                Ok(event) => {
                    self.described_as = Some(Arc::from(describe));
                    apply(self, event);
                }
                Err(turn) => return turn,
            },
            FromDriver::Scan(scan) => {
                let Some(inputs) = &self.inputs else {
                    return Turn::Lost(Loss::Protocol("it sent a scan before it described itself".into()));
                };
                let at = scan.at_ms.filter(|_| clock.scale() == 1);
                let at = at.map_or_else(|| clock.now(), |at| clock.at_monotonic(at));
                let values = scan
                    .values
                    .iter()
                    .filter_map(|(id, value)| {
                        let wired = inputs.get(&**id)?;
                        Some((wired.input, value_of(value, wired.kind)))
                    })
                    .collect();
                apply(
                    self,
                    Event::Scan {
                        instance: self.instance,
                        at,
                        values,
                    },
                );
            }
            FromDriver::Applied(applied) => {
                if applied.seq.is_some() {
                    self.owes_since_ms = None;
                }
                if let Some(output) = self.outputs.get(&*applied.output).copied() {
                    let seq = applied.seq.map(Seq);
                    let fraction = Fraction::clamped(applied.fraction);
                    apply(
                        self,
                        Event::Applied {
                            output,
                            seq,
                            fraction,
                            lapsed: applied.lapsed,
                        },
                    );
                }
            }
            FromDriver::Refused(refused) => {
                self.owes_since_ms = None;
                if let Some(output) = self.outputs.get(&*refused.output).copied() {
                    let text = Arc::from(&*refused.text);
                    apply(
                        self,
                        Event::Refused {
                            output,
                            seq: refused.seq.map(Seq),
                            text,
                        },
                    );
                }
            }
            FromDriver::Notice { level, text } => {
                notices(Notice {
                    instance: self.name.clone(),
                    level,
                    text: text.into_owned(),
                });
            }
            FromDriver::Failed { text } => return Turn::Lost(Loss::Failed(Arc::from(&*text))),
            FromDriver::Unknown { msg } => {
                if !self.unknown_said {
                    self.unknown_said = true;
                    let text = format!("sends `{msg}`, which this version doesn't know; ignored from now on");
                    notices(Notice {
                        instance: self.name.clone(),
                        level: wire::Level::Warn,
                        text,
                    });
                }
            }
        }
        Turn::Alive
    }

    /// Matches what the driver offers with what is wired to it.
    fn described(&mut self, describe: &Describe, wiring: &Wiring, clock: &Clock) -> Result<Event, Turn> {
        if clock.scale() != 1 && !describe.simulated {
            return Err(Turn::Unfit(format!(
                "driver {} is not simulated, and only a lab of simulated drivers may run {} times as fast; leave out \
                 `--time-scale`",
                self.name,
                clock.scale()
            )));
        }
        let failed = |text: String| Err(Turn::Lost(Loss::Failed(text.as_str().into())));
        let mut known = BTreeMap::new();
        let mut offers = Vec::new();
        for (at, (owner, id, used)) in wiring.setup.inputs.iter().enumerate() {
            if *owner != self.instance {
                continue;
            }
            let Some(input) = describe.inputs.iter().find(|input| input.id == **id) else {
                let there: Vec<&str> = describe.inputs.iter().map(|input| input.id.as_str()).collect();
                return failed(format!(
                    "it has no input `{id}` as the configuration says; it offers {}",
                    if there.is_empty() {
                        "none".into()
                    } else {
                        there.join(", ")
                    }
                ));
            };
            let fits = match used {
                InputUse::Channel(..) => {
                    matches!(
                        input.kind,
                        InputKind::Temperature | InputKind::Thermocouple { .. }
                    )
                }
                InputUse::Presence(_) => matches!(input.kind, InputKind::Presence),
                InputUse::Permissive(..) => matches!(input.kind, InputKind::Permissive),
                InputUse::Current(_) => matches!(input.kind, InputKind::Current),
            };
            if !fits {
                return failed(format!(
                    "its input `{id}` is of the kind `{}` and is wired as {}",
                    input.kind.word(),
                    match used {
                        InputUse::Channel(..) => "a channel",
                        InputUse::Presence(_) => "a presence input",
                        InputUse::Permissive(..) => "a permissive",
                        InputUse::Current(_) => "a current input",
                    }
                ));
            }
            let wanted = wiring.kinds.get(at).copied().flatten();
            let kind = match input.kind {
                InputKind::Thermocouple { letter } => wanted.or_else(|| letter.to_string().parse().ok()),
                InputKind::Temperature | InputKind::Presence | InputKind::Permissive | InputKind::Current => {
                    None
                }
            };
            let input_id = InputId(u32::try_from(at).unwrap_or(u32::MAX));
            let period = input.rate_hz.map(|rate| Millis::from_secs_f64(1.0 / rate));
            offers.push(InputOffer {
                input: input_id,
                period,
            });
            known.insert(
                id.to_string(),
                Wired {
                    input: input_id,
                    kind,
                },
            );
        }
        let mut outputs = Vec::new();
        for (name, id) in &self.outputs {
            let Some(output) = describe.outputs.iter().find(|output| output.id == *name) else {
                let there: Vec<&str> = describe.outputs.iter().map(|output| output.id.as_str()).collect();
                return failed(format!(
                    "it has no output `{name}` as the configuration says; it offers {}",
                    if there.is_empty() {
                        "none".into()
                    } else {
                        there.join(", ")
                    }
                ));
            };
            let watts = output.watts.and_then(|watts| Watts::new(watts).ok());
            outputs.push(OutputOffer {
                output: *id,
                watts,
                cuts: output.cuts,
                window: output.window_ms.map(|ms| Millis(u64::from(ms))),
            });
        }
        self.inputs = Some(known);
        // The protocol has one without inputs speak once a second. One whose inputs have no rate speaks when something
        // happens.
        let rates = describe.inputs.iter().map(|input| input.rate_hz);
        self.silence_ms_max = if describe.inputs.is_empty() {
            Some(HUNG_AFTER_MS)
        } else {
            rates
                .flatten()
                .reduce(f64::max)
                .map(|rate| (3_000.0 / rate).max(HUNG_AFTER_MS))
        };
        Ok(Event::DriverUp {
            instance: self.instance,
            inputs: offers,
            outputs,
        })
    }
}

/// One value of a scan as the core takes it.
fn value_of(value: &wire::Value<'_>, kind: Option<Kind>) -> Value {
    match value {
        wire::Value::Temperature {
            celsius,
            cold_junction,
        } => with_junction(
            Celsius::new(*celsius).map_or(Sample::Fault(Fault::Range), Sample::Good),
            *cold_junction,
        ),
        wire::Value::Thermocouple {
            millivolts,
            cold_junction,
        } => with_junction(convert(kind, *millivolts, *cold_junction), Some(*cold_junction)),
        wire::Value::Active(active) => Value::Active(*active),
        wire::Value::Amps(amps) => Amps::new(*amps).map_or(Value::Unreadable, Value::Current),
        wire::Value::Fault { kind, .. } => Value::Sample(Sample::Fault(match kind {
            wire::Fault::Open => Fault::Open,
            wire::Fault::Short => Fault::Short,
            wire::Fault::Range => Fault::Range,
            wire::Fault::ColdJunction => Fault::ColdJunction,
            wire::Fault::Device => Fault::Device,
        })),
    }
}

/// A channel's value with its cold junction, where the driver tells one that can be a temperature.
fn with_junction(sample: Sample, cold_junction: Option<f64>) -> Value {
    match cold_junction.map(Celsius::new) {
        Some(Ok(cold_junction)) => Value::Junction {
            sample,
            cold_junction,
        },
        // Colder than anything can be: as good as not measured.
        Some(Err(_)) => Value::Sample(Sample::Fault(Fault::ColdJunction)),
        None => Value::Sample(sample),
    }
}

/// Millivolts and cold junction to a temperature by the reference functions of the type.
fn convert(kind: Option<Kind>, millivolts: f64, cold_junction: f64) -> Sample {
    let Some(kind) = kind else {
        return Sample::Fault(Fault::Device);
    };
    let Ok(millivolts) = thermocouple::Millivolts::new(millivolts) else {
        return Sample::Fault(Fault::Range);
    };
    let Ok(junction) = thermocouple::Celsius::new(cold_junction) else {
        return Sample::Fault(Fault::ColdJunction);
    };
    match thermocouple::temperature(kind, millivolts, junction) {
        Ok(celsius) => Celsius::new(celsius.degrees()).map_or(Sample::Fault(Fault::Range), Sample::Good),
        Err(thermocouple::ConversionError::ColdJunction { .. }) => Sample::Fault(Fault::ColdJunction),
        Err(_) => Sample::Fault(Fault::Range),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cold_junction_and_a_current_reach_the_core() {
        let degrees = Celsius::constant;
        let celsius = |cold_junction| wire::Value::Temperature {
            celsius: 41.25,
            cold_junction,
        };
        let sample = Sample::Good(degrees(41.25));
        assert_eq!(value_of(&celsius(None), None), Value::Sample(sample));
        assert_eq!(
            value_of(&celsius(Some(24.9)), None),
            Value::Junction {
                sample,
                cold_junction: degrees(24.9)
            }
        );
        assert_eq!(
            value_of(&celsius(Some(-300.0)), None),
            Value::Sample(Sample::Fault(Fault::ColdJunction))
        );
        let millivolts = wire::Value::Thermocouple {
            millivolts: 0.0,
            cold_junction: 24.9,
        };
        let Value::Junction {
            sample: Sample::Good(celsius),
            cold_junction,
        } = value_of(&millivolts, Some(Kind::K))
        else {
            panic!("no temperature with its cold junction");
        };
        assert!((celsius - cold_junction).degrees().abs() < 1e-6);
        assert_eq!(
            value_of(&wire::Value::Amps(3.4), None),
            Value::Current(Amps::new(3.4).unwrap())
        );
    }
}
