//! The thread that reads stdin: starts the driver, then hands every command to its output.

use std::collections::BTreeSet;
use std::io::Read;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::ending::{Ending, Why};
use super::output::{Cell, Command, Common, Hardware, Station, Windowed};
use super::sampling::Sampler;
use super::time::LabTime;
use super::voice::Voice;
use super::{Driver, Failure, Parts, Stall, Start, Switch};
use crate::record::Record;
use crate::wire::{self, Configure, Describe, FromDriver, Level, Lines, Malformed, Refused, ToDriver};

/// As much as a pipe holds, so that what piled up is seen as a whole.
const READ_BYTES: usize = 64 * 1024;

/// Longest part of a line's name that an answer repeats.
const MAX_ECHO_CHARS: usize = wire::MAX_ID_CHARS;

pub(super) struct Intake {
    pub(super) voice: Voice,
    pub(super) ending: Arc<Ending>,
    pub(super) stall: Stall,
}

/// What runs once `configure` has been answered.
struct Running {
    outputs: Vec<Arc<Cell>>,
    time: LabTime,
    /// Unknown messages that have been mentioned.
    mentioned: BTreeSet<String>,
}

impl Intake {
    pub(super) fn run<D: Driver>(&self, mut stdin: impl Read) {
        let mut lines = Lines::new();
        let mut buffer = vec![0; READ_BYTES];
        let mut running = None;
        loop {
            let count = match stdin.read(&mut buffer) {
                Ok(0) => return self.ending.begin(Why::Eof, ""),
                Ok(count) => count,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
                Err(error) => return self.ending.begin(Why::Eof, format!("stdin: {error}")),
            };
            self.stall.wait();
            let arrived = Instant::now();
            lines.push(&buffer[..count]);
            if let Err((why, text)) = self.take_in::<D>(&mut lines, &mut running, arrived) {
                return self.ending.begin(why, text);
            }
        }
    }

    /// All lines that came with one read.
    fn take_in<D: Driver>(
        &self,
        lines: &mut Lines,
        running: &mut Option<Running>,
        arrived: Instant,
    ) -> Result<(), (Why, String)> {
        let mut commands: Vec<Vec<Command>> = Vec::new();
        let mut garbage: Vec<String> = Vec::new();
        let mut closing = false;
        while !closing && let Some(line) = lines.next_line() {
            let parsed = match line {
                Ok(line) => ToDriver::parse(line).map_err(|malformed: Malformed| malformed.to_string()),
                Err(too_long) => Err(too_long.to_string()),
            };
            let Some(running) = running else {
                *running = Some(
                    self.begin::<D>(parsed)
                        .map_err(|f| (Why::Failed, f.to_string()))?,
                );
                continue;
            };
            commands.resize(running.outputs.len(), Vec::new());
            match parsed {
                Ok(ToDriver::Close) => closing = true,
                Ok(ToDriver::Configure(_)) => {
                    zero_all(&mut commands);
                    garbage.push("`configure` came a second time; it comes once, at the start".to_owned());
                }
                Ok(ToDriver::Unknown { msg }) => running.mention(&msg, &self.voice),
                Ok(command) => {
                    if let Some((at, command)) = self.command(running, command, arrived) {
                        commands[at].push(command);
                    }
                }
                Err(what) => {
                    zero_all(&mut commands);
                    garbage.push(what);
                }
            }
        }
        if let Some(running) = running {
            for (cell, commands) in running.outputs.iter().zip(commands) {
                if !commands.is_empty() {
                    cell.hand_over(commands);
                }
            }
        }
        // Outputs first, then words.
        for what in garbage {
            let text = format!("all outputs to zero, a line from the daemon is wrong: {what}");
            self.voice.notice(Level::Error, &text);
        }
        if closing {
            Err((Why::Close, String::new()))
        } else {
            Ok(())
        }
    }

    /// Which output is meant, and what it is to do. An output that isn't there is refused here.
    fn command(
        &self,
        running: &Running,
        command: ToDriver<'_>,
        arrived: Instant,
    ) -> Option<(usize, Command)> {
        let (seq, id, command) = match command {
            ToDriver::Heat(heat) => {
                let valid = running.time.real(Duration::from_millis(u64::from(heat.valid_ms)));
                let command = Command::Heat {
                    seq: heat.seq,
                    fraction: heat.fraction,
                    until: arrived + valid,
                    offset_ms: heat.offset_ms.unwrap_or(0.0),
                };
                (heat.seq, heat.output, command)
            }
            ToDriver::Refuse { seq, output, text } => (seq, output, Command::Refuse { seq, text }),
            ToDriver::Cut(cut) => (cut.seq, cut.output, Command::Cut { seq: cut.seq }),
            ToDriver::Restore(restore) => {
                (restore.seq, restore.output, Command::Restore { seq: restore.seq })
            }
            ToDriver::Configure(_) | ToDriver::Close | ToDriver::Unknown { .. } => return None,
        };
        if let Some(at) = running.outputs.iter().position(|cell| cell.id() == id) {
            return Some((at, command));
        }
        let known: Vec<&str> = running.outputs.iter().map(|cell| cell.id()).collect();
        let id: String = id.chars().take(MAX_ECHO_CHARS).collect();
        let text = format!("there is no output `{id}` here, only: {}", known.join(", "));
        self.voice.say(&FromDriver::Refused(Refused {
            seq: Some(seq),
            output: id.into(),
            text: text.into(),
        }));
        None
    }

    /// The first line: opens the driver, brings its outputs to zero, describes it and starts its threads.
    fn begin<D: Driver>(&self, first: Result<ToDriver<'_>, String>) -> Result<Running, Failure> {
        let configure = match first {
            Ok(ToDriver::Configure(configure)) => *configure,
            Ok(_) => return Err(Failure::new("the first line must be `configure`")),
            Err(what) => {
                return Err(Failure::new(format!(
                    "the first line must be `configure`: {what}"
                )));
            }
        };
        let Configure {
            instance,
            settings,
            time_scale,
        } = configure;
        let time = LabTime::starting_now(time_scale);
        let record = Record::from_environment(&instance).map_err(Failure::new)?;
        let settings: D::Settings = serde_json::from_value(settings)
            .map_err(|e| Failure::new(format!("settings of `{instance}`: {e}")))?;
        let start = Start {
            instance,
            time,
            voice: self.voice.clone(),
            stall: self.stall.clone(),
        };
        let Parts {
            inputs,
            reader,
            outputs,
            simulated,
        } = D::open(settings, &start)?;
        if !simulated && !time.is_real() {
            return Err(Failure::new(format!(
                "`{}` can't follow time_scale {time_scale}: there is hardware behind it",
                start.instance
            )));
        }

        let common = Common {
            voice: self.voice.clone(),
            ending: Arc::clone(&self.ending),
            record: Arc::new(record),
            time,
        };
        let mut described = Vec::new();
        let mut stations = Vec::new();
        for part in outputs {
            let cell = Cell::new(&part.output.id);
            let mut hardware = match part.switch {
                Switch::Steady(output) => Hardware::Steady(output),
                Switch::Windowed { relay, least_ms } => Hardware::Windowed(Box::new(Windowed::new(
                    relay,
                    part.output.window_ms.unwrap_or(wire::MAX_WINDOW_MS),
                    least_ms,
                    time.now_ms(),
                ))),
            };
            // Whatever ran before this process, heat starts from zero.
            hardware
                .set(0.0, 0.0, &time)
                .map_err(|f| Failure::new(format!("output `{}`: {f}", part.output.id)))?;
            described.push(part.output);
            stations.push((Arc::clone(&cell), Station::new(cell, hardware, common.clone())));
        }
        let describe = Describe {
            name: D::NAME.to_owned(),
            version: D::VERSION.to_owned(),
            inputs,
            outputs: described,
            simulated,
        };
        describe.check().map_err(Failure::new)?;

        let mut cells = Vec::new();
        for (cell, station) in stations {
            self.ending.watch_over(&cell);
            cells.push(cell);
            station
                .start()
                .map_err(|e| Failure::new(format!("no thread for an output: {e}")))?;
        }
        let declared = describe.inputs.iter().map(|i| i.id.clone()).collect();
        self.voice.say(&FromDriver::Describe(Box::new(describe)));
        Sampler {
            inputs: reader,
            declared,
            voice: self.voice.clone(),
            ending: Arc::clone(&self.ending),
            time,
        }
        .start()
        .map_err(|e| Failure::new(format!("no thread for the inputs: {e}")))?;
        Ok(Running {
            outputs: cells,
            time,
            mentioned: BTreeSet::new(),
        })
    }
}

fn zero_all(commands: &mut [Vec<Command>]) {
    for output in commands {
        output.push(Command::Garbage);
    }
}

impl Running {
    fn mention(&mut self, msg: &str, voice: &Voice) {
        /// Enough to notice; a daemon that invents a name a line must not fill memory.
        const MOST: usize = 16;
        let msg: String = msg.chars().take(MAX_ECHO_CHARS).collect();
        if self.mentioned.len() < MOST && self.mentioned.insert(msg.clone()) {
            voice.notice(Level::Info, &format!("`{msg}` isn't known here and is ignored"));
        }
    }
}
