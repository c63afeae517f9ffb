//! The thread that reads the inputs.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use super::ending::{Ending, Why};
use super::time::LabTime;
use super::voice::Voice;
use super::{Failure, Inputs, Pace, Values};
use crate::clock::monotonic_ms;
use crate::wire::{FromDriver, Scan};

/// Between two signs of life of a driver that has nothing to read; the protocol asks for one a second.
const SIGN_OF_LIFE: Duration = Duration::from_millis(400);

/// No two scans closer than this in real time, however fast the lab's time passes.
const SHORTEST: Duration = Duration::from_micros(200);

pub(super) struct Sampler {
    pub(super) inputs: Option<Box<dyn Inputs>>,
    pub(super) declared: BTreeSet<String>,
    pub(super) voice: Voice,
    pub(super) ending: Arc<Ending>,
    pub(super) time: LabTime,
}

impl Sampler {
    pub(super) fn start(mut self) -> std::io::Result<()> {
        thread::Builder::new().name("inputs".into()).spawn(move || {
            if let Err(failure) = self.run() {
                self.ending.begin(Why::Failed, failure.to_string());
            }
        })?;
        Ok(())
    }

    fn run(&mut self) -> Result<(), Failure> {
        let mut due = Instant::now();
        let mut values = Values::default();
        while !self.ending.has_begun() {
            let pace = match &mut self.inputs {
                Some(inputs) => {
                    values.start(monotonic_ms());
                    inputs.scan(&mut values)?
                }
                None => Pace::Idle,
            };
            let period = match pace {
                Pace::Every(period) => period,
                Pace::Idle => SIGN_OF_LIFE,
                Pace::End => {
                    self.send(&mut values)?;
                    self.ending.begin(Why::Close, "");
                    return Ok(());
                }
            };
            // Nothing to say means silence, unless there is never anything to say.
            if !values.list.is_empty() || pace == Pace::Idle {
                self.send(&mut values)?;
            }
            due += self.time.real(period).max(SHORTEST);
            let now = Instant::now();
            match due.checked_duration_since(now) {
                Some(wait) => thread::sleep(wait),
                // Late: missed scans stay missed, rather than coming all at once.
                None => due = now,
            }
        }
        Ok(())
    }

    fn send(&self, values: &mut Values) -> Result<(), Failure> {
        let mut seen = BTreeSet::new();
        for (id, _) in &values.list {
            if !self.declared.contains(&**id) {
                return Err(Failure::new(format!(
                    "a value for input `{id}`, which `describe` doesn't name"
                )));
            }
            if !seen.insert(&**id) {
                return Err(Failure::new(format!("two values for input `{id}` in one scan")));
            }
        }
        let at_ms = self.time.is_real().then_some(values.at_ms);
        self.voice.say(&FromDriver::Scan(Scan {
            at_ms,
            values: std::mem::take(&mut values.list),
        }));
        Ok(())
    }
}
