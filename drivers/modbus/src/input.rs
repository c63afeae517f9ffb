//! From what the bus thread read to the values of a scan.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use benchward_driver::wire::{self, Fault};
use benchward_driver::{Failure, Inputs, Pace, Values};

use crate::pdu::Answer;
use crate::poll::{Block, Outcome, Outcomes};
use crate::settings::{Input, Kind, OnOff, Scaled, Settings};
use crate::trouble::Trouble;

/// Longest sleep of a scan that has nothing to say, so that the end of the driver is noticed.
const LOOK: Duration = Duration::from_millis(250);

/// All inputs of a line.
#[derive(Debug)]
pub(crate) struct Reader {
    outcomes: Arc<Outcomes>,
    entries: Vec<Entry>,
    /// The newest outcome of each block that holds a cold junction.
    cold: BTreeMap<usize, Outcome>,
}

#[derive(Debug)]
struct Entry {
    id: String,
    input: Input,
    at: Spot,
    cold: Option<(Spot, Scaled)>,
}

/// Where something is: which block, and how far into it.
#[derive(Debug, Clone, Copy)]
struct Spot {
    block: usize,
    offset: usize,
    period: Duration,
}

/// No value, and why.
struct NoValue {
    kind: Fault,
    text: String,
}

impl Reader {
    /// `blocks`: as [`Block::all_of`] gives them for the same settings.
    pub(crate) fn new(settings: &Settings, blocks: &[Block], outcomes: Arc<Outcomes>) -> Self {
        let spot = |unit, table, address, count, period| {
            let block = blocks
                .iter()
                .position(|b| b.holds(unit, table, address, count, period));
            let block = block.expect("there is a block for every input");
            Spot {
                block,
                offset: usize::from(address - blocks[block].address),
                period,
            }
        };
        let entries = settings.inputs.iter().map(|(id, input)| {
            let period = Duration::from_secs_f64(1.0 / settings.rate_hz(input));
            let cold = input.cold_junction.map(|cold| {
                let unit = cold.unit_id.unwrap_or(input.unit_id);
                let count = cold.scaled().number.registers();
                (
                    spot(unit, cold.function, cold.address, count, period),
                    cold.scaled(),
                )
            });
            Entry {
                id: id.clone(),
                input: input.clone(),
                at: spot(
                    input.unit_id,
                    input.function,
                    input.address,
                    input.count(),
                    period,
                ),
                cold,
            }
        });
        Reader {
            outcomes,
            entries: entries.collect(),
            cold: BTreeMap::new(),
        }
    }

    fn keep_if_cold(&mut self, outcome: &Outcome) {
        let holds_cold = |entry: &Entry| entry.cold.is_some_and(|(spot, _)| spot.block == outcome.block);
        if self.entries.iter().any(holds_cold) {
            self.cold.insert(outcome.block, outcome.clone());
        }
    }
}

impl Inputs for Reader {
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure> {
        // One block a scan, as soon as it is there: its values were sampled at one time.
        if let Some(outcome) = self.outcomes.take(LOOK) {
            values.sampled_at(outcome.at_ms);
            self.keep_if_cold(&outcome);
            for entry in self
                .entries
                .iter()
                .filter(|entry| entry.at.block == outcome.block)
            {
                entry.put(&outcome, &self.cold, values);
            }
        }
        Ok(Pace::Every(Duration::ZERO))
    }
}

impl Entry {
    fn put(&self, outcome: &Outcome, cold: &BTreeMap<usize, Outcome>, values: &mut Values) {
        let put = match self.input.kind {
            Kind::Temperature => self
                .number(outcome)
                .map(|celsius| values.temperature(&self.id, celsius)),
            Kind::Current => self.number(outcome).map(|amps| values.amps(&self.id, amps)),
            Kind::Presence | Kind::Permissive => self
                .yes_or_no(outcome)
                .map(|active| values.active(&self.id, active)),
            Kind::Thermocouple => self.number(outcome).and_then(|millivolts| {
                let Some(cold) = self.cold_celsius(outcome, cold)? else {
                    // Its turn comes within a period.
                    return Ok(());
                };
                values.thermocouple(&self.id, millivolts, cold);
                Ok(())
            }),
        };
        if let Err(NoValue { kind, text }) = put {
            values.fault_because(&self.id, kind, text);
        }
    }

    fn number(&self, outcome: &Outcome) -> Result<f64, NoValue> {
        let scaled = self.input.scaled();
        let raw = raw(outcome, self.at, scaled)?;
        if raw.is_nan() || self.input.open.contains(&raw) {
            let text = format!("the unit says {raw} for a broken sensor");
            return Err(NoValue {
                kind: Fault::Open,
                text,
            });
        }
        let value = raw * scaled.scale + scaled.offset;
        match self.input.range {
            Some((low, high)) if !(low..=high).contains(&value) => {
                let text = format!("{value} is outside {low} to {high}");
                Err(NoValue {
                    kind: Fault::Range,
                    text,
                })
            }
            _ => Ok(value),
        }
    }

    fn yes_or_no(&self, outcome: &Outcome) -> Result<bool, NoValue> {
        let on = match answered(outcome)? {
            Answer::Bits(bits) => bits.get(self.at.offset).copied(),
            Answer::Registers(registers) => {
                registers
                    .get(self.at.offset)
                    .map(|register| match self.input.bit {
                        Some(bit) => register >> bit & 1 == 1,
                        None => *register != 0,
                    })
            }
            Answer::Done => None,
        };
        let on = on.ok_or_else(too_short)?;
        Ok(on == (self.input.active_when == OnOff::On))
    }

    /// The cold junction's newest temperature; `None` while it has never been read.
    fn cold_celsius(&self, main: &Outcome, cold: &BTreeMap<usize, Outcome>) -> Result<Option<f64>, NoValue> {
        let Some((spot, scaled)) = self.cold else {
            return Ok(None);
        };
        let Some(outcome) = cold.get(&spot.block) else {
            return Ok(None);
        };
        let wrong = |text| NoValue {
            kind: Fault::ColdJunction,
            text,
        };
        let age_ms = main.at_ms - outcome.at_ms;
        // As old as a reading may be before it counts as stale.
        let oldest_ms = (3_000.0 * spot.period.as_secs_f64()).max(500.0);
        if age_ms > oldest_ms {
            return Err(wrong(format!(
                "the cold junction was last read {age_ms:.0} ms ago"
            )));
        }
        let celsius = raw(outcome, spot, scaled).map_err(|no| wrong(no.text))? * scaled.scale + scaled.offset;
        if !celsius.is_finite() {
            return Err(wrong(format!("the cold junction reads {celsius}")));
        }
        Ok(Some(celsius))
    }
}

fn answered(outcome: &Outcome) -> Result<&Answer, NoValue> {
    outcome.answer.as_ref().map_err(|trouble: &Trouble| NoValue {
        kind: Fault::Device,
        text: trouble.to_string(),
    })
}

fn raw(outcome: &Outcome, spot: Spot, scaled: Scaled) -> Result<f64, NoValue> {
    let Answer::Registers(registers) = answered(outcome)? else {
        return Err(too_short());
    };
    let registers = registers.get(spot.offset..).unwrap_or_default();
    scaled
        .number
        .decode(registers, scaled.words)
        .ok_or_else(too_short)
}

fn too_short() -> NoValue {
    NoValue {
        kind: Fault::Device,
        text: "the answer is too short".into(),
    }
}

/// How `describe` says an input.
pub(crate) fn described(settings: &Settings, id: &str, input: &Input) -> wire::Input {
    wire::Input {
        id: id.to_owned(),
        kind: match (input.kind, input.thermocouple) {
            (Kind::Thermocouple, Some(letter)) => wire::InputKind::Thermocouple { letter },
            (Kind::Temperature | Kind::Thermocouple, _) => wire::InputKind::Temperature,
            (Kind::Presence, _) => wire::InputKind::Presence,
            (Kind::Permissive, _) => wire::InputKind::Permissive,
            (Kind::Current, _) => wire::InputKind::Current,
        },
        rate_hz: Some(settings.rate_hz(input)),
        range: input.range,
    }
}
