//! A log read back: the station as it was, and what reached it, with its readings from the rows of the run.

use std::collections::{BTreeMap, VecDeque};

use benchward_archive::{self as archive, Column, Table};
use benchward_core::units::{Amps, Celsius, Fraction, Millis};
use benchward_core::{Event, Excerpt, InputId, InstanceId, OutputId, Sample, Seq, SupplyCall, Value};

use super::kept;
use super::log::{
    APPLIED, CHANNELS_MAX, Command, GAP, Last, Noted, OTHER_START, Part, REFUSED_START, ROW, SUPPLY, TEXT,
    THINK, TICK, Written, at, signed,
};

/// Why a log can't be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unreadable {
    /// A part of it makes no sense.
    #[error("part {0} of what it was decided on makes no sense")]
    Part(i64),
    /// A part is missing.
    #[error("what it was decided on has no part {0}")]
    Missing(i64),
    /// What the station was at the start can't be read.
    #[error("what the station was at the start can't be read by this version: {0}")]
    Excerpt(String),
    /// The readings of a scan are not in the run's file.
    #[error("the readings of {0} ms are not in the run's file")]
    Row(u64),
}

/// Reads a log. Each part is read alone, so that what precedes a damaged one counts.
pub(super) struct Reading<'a> {
    rows: std::slice::Iter<'a, archive::Scan>,
    channels: BTreeMap<usize, InputId>,
    last: Last,
    number: i64,
}

/// The columns of a part while they are read.
struct Taken {
    integers: BTreeMap<u64, VecDeque<i64>>,
    floats: BTreeMap<u64, VecDeque<f64>>,
    text: VecDeque<Vec<u8>>,
}

impl Taken {
    fn integer(&mut self, column: u64) -> Option<i64> {
        self.integers.get_mut(&column)?.pop_front()
    }

    fn natural(&mut self, column: u64) -> Option<u64> {
        u64::try_from(self.integer(column)?).ok()
    }

    fn id(&mut self, column: u64) -> Option<u32> {
        u32::try_from(self.integer(column)?).ok()
    }

    fn float(&mut self, column: u64) -> Option<f64> {
        self.floats.get_mut(&column)?.pop_front()
    }
}

/// The station at the start, as the first part says.
pub(super) fn excerpt(first: &Table) -> Result<Excerpt, Unreadable> {
    let text = first.0.iter().find_map(|(number, column)| match column {
        Column::Bytes(bytes) if *number == at::EXCERPT => Some(bytes),
        _ => None,
    });
    let remembered: Vec<Vec<f64>> = first
        .0
        .iter()
        .filter(|(number, _)| (at::REMEMBERED..at::RAW_CELSIUS).contains(number))
        .filter_map(|(_, column)| match column {
            Column::Floats(values) => Some(values.clone()),
            Column::Integers(_) | Column::Bytes(_) => None,
        })
        .collect();
    let text = text.ok_or(Unreadable::Missing(0))?;
    let excerpt: Excerpt =
        serde_json::from_slice(text).map_err(|error| Unreadable::Excerpt(error.to_string()))?;
    excerpt
        .recall(&remembered)
        .ok_or_else(|| Unreadable::Excerpt("what its channels remember is not all there".into()))
}

impl<'a> Reading<'a> {
    pub(super) fn new(excerpt: &Excerpt, rows: &'a [archive::Scan]) -> Self {
        Self {
            rows: rows.iter(),
            channels: excerpt.channels().collect(),
            last: Last::default(),
            number: 0,
        }
    }

    /// The items of the next part, up to where it can be read.
    pub(super) fn part(&mut self, part: &Table) -> (Vec<Noted>, Result<(), Unreadable>) {
        let mut taken = Taken {
            integers: BTreeMap::new(),
            floats: BTreeMap::new(),
            text: VecDeque::new(),
        };
        for (number, column) in &part.0 {
            match column {
                Column::Integers(values) => {
                    taken.integers.insert(*number, values.iter().copied().collect());
                }
                Column::Floats(values) => {
                    taken.floats.insert(*number, values.iter().copied().collect());
                }
                Column::Bytes(bytes) if *number == at::TEXT => {
                    taken.text = bytes.split(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
                }
                Column::Bytes(_) => {}
            }
        }
        let number = taken.integer(at::NUMBER);
        if number != Some(self.number) {
            return (Vec::new(), Err(Unreadable::Missing(self.number)));
        }
        self.number += 1;
        let count = taken.integers.get(&at::KIND).map_or(0, VecDeque::len);
        let mut items = Vec::with_capacity(count);
        for _ in 0..count {
            match self.item(&mut taken) {
                Ok(noted) => {
                    self.last.after(&noted);
                    items.push(noted);
                }
                Err(why) => return (items, Err(why.unwrap_or(Unreadable::Part(self.number - 1)))),
            }
        }
        (items, Ok(()))
    }

    fn item(&mut self, taken: &mut Taken) -> Result<Noted, Option<Unreadable>> {
        let kind = taken.integer(at::KIND).ok_or(None)?;
        let now = Millis(taken.natural(at::NOW).ok_or(None)?);
        let gap = taken.integer(at::SEQ).ok_or(None)?;
        let seq = Seq(self.last.seq.wrapping_add_signed(gap));
        let commands = taken.natural(at::COMMANDS).ok_or(None)?;
        let part = match kind {
            TICK => Part::Event(Event::Tick),
            THINK => Part::Event(Event::Think),
            ROW => Part::Event(self.scan(taken, now)?),
            TEXT => {
                let text = taken.text.pop_front().ok_or(None)?;
                let written: Written = serde_json::from_slice(&text).map_err(|_| None)?;
                if let Some(alarms) = written.alarms {
                    Part::Among(written.event, alarms)
                } else {
                    self.skip_row(&written.event);
                    Part::Event(written.event)
                }
            }
            APPLIED => Part::Event(self.applied(taken).ok_or(None)?),
            SUPPLY => Part::Supply(supply_call(taken, now, seq).ok_or(None)?),
            REFUSED_START => Part::OtherStart { begun: false },
            OTHER_START => Part::OtherStart { begun: true },
            GAP => Part::Gap,
            _ => return Err(None),
        };
        let commands = (1..=commands)
            .map(|place| command(taken, seq, place))
            .collect::<Option<Vec<_>>>()
            .ok_or(None)?;
        Ok(Noted {
            now,
            seq,
            part,
            commands,
        })
    }

    fn applied(&self, taken: &mut Taken) -> Option<Event> {
        let output = OutputId(taken.id(at::OUTPUT)?);
        let behind = taken.integer(at::BEHIND)?;
        let flags = taken.integer(at::FLAGS)?;
        Some(Event::Applied {
            output,
            seq: (flags & 1 == 1).then(|| Seq(self.last.seq.wrapping_sub(behind.cast_unsigned()))),
            fraction: if flags & 4 == 4 {
                self.last.told.get(&output).copied().unwrap_or(Fraction::ZERO)
            } else {
                Fraction::new(taken.float(at::APPLIED)?).ok()?
            },
            lapsed: flags & 2 == 2,
        })
    }

    /// A scan that was written in full may have a row too.
    fn skip_row(&mut self, event: &Event) {
        if let Event::Scan { at, .. } = event
            && self
                .rows
                .as_slice()
                .first()
                .is_some_and(|row| row.mono_ms == at.0)
        {
            self.rows.next();
        }
    }

    fn scan(&mut self, taken: &mut Taken, now: Millis) -> Result<Event, Option<Unreadable>> {
        let age = taken.integer(at::AGE).ok_or(None)?;
        let at = Millis(now.0.wrapping_sub(age.cast_unsigned()));
        let instance = InstanceId(taken.id(at::INSTANCE).ok_or(None)?);
        let raw = taken.integer(at::RAW).ok_or(None)?;
        let junctions = taken.integer(at::JUNCTION).ok_or(None)?;
        let row = self
            .rows
            .next()
            .filter(|row| row.mono_ms == at.0)
            .ok_or(Some(Unreadable::Row(at.0)))?;
        let mut values = Vec::with_capacity(row.values.len());
        for (channel, value) in row.values.iter().enumerate() {
            let place = u64::try_from(channel).unwrap_or(u64::MAX);
            let set = |mask: i64| channel < CHANNELS_MAX && mask >> channel & 1 == 1;
            let sample = if set(raw) {
                let celsius = taken.float(at::RAW_CELSIUS + place).ok_or(None)?;
                Sample::Good(Celsius::new(celsius).map_err(|_| None)?)
            } else {
                match kept::sample(*value) {
                    Some(sample) => sample,
                    None => continue,
                }
            };
            let input = *self.channels.get(&channel).ok_or(None)?;
            let value = if set(junctions) {
                let cold = taken.float(at::JUNCTION_CELSIUS + place).ok_or(None)?;
                Value::Junction {
                    sample,
                    cold_junction: Celsius::new(cold).map_err(|_| None)?,
                }
            } else {
                Value::Sample(sample)
            };
            values.push((input, value));
        }
        for _ in 0..taken.natural(at::EXTRAS).ok_or(None)? {
            let input = InputId(taken.id(at::EXTRA_INPUT).ok_or(None)?);
            let value = match taken.integer(at::EXTRA_KIND).ok_or(None)? {
                0 => Value::Active(false),
                1 => Value::Active(true),
                2 => Value::Unreadable,
                3 => Value::Current(Amps::new(taken.float(at::AMPS).ok_or(None)?).map_err(|_| None)?),
                _ => return Err(None),
            };
            values.push((input, value));
        }
        Ok(Event::Scan { instance, at, values })
    }
}

fn supply_call(taken: &mut Taken, now: Millis, seq: Seq) -> Option<SupplyCall> {
    let mut numbers = [0; 7];
    for (column, number) in (at::CALL..).zip(&mut numbers) {
        *number = taken.integer(column)?;
    }
    numbers[2] = numbers[2].wrapping_add(signed(now.0));
    numbers[3] = numbers[3].wrapping_add(signed(seq.0));
    let quantities = [
        taken.float(at::CALL_QUANTITY)?,
        taken.float(at::CALL_QUANTITY + 1)?,
    ];
    SupplyCall::from_numbers(numbers.map(i64::cast_unsigned), quantities)
}

fn command(taken: &mut Taken, before: Seq, place: u64) -> Option<Command> {
    let kind = taken.integer(at::COMMAND)?;
    let output = OutputId(taken.id(at::COMMAND_OUTPUT)?);
    let offset = taken.integer(at::COMMAND_OFFSET)?;
    let apart = taken.integer(at::COMMAND_SEQ)?;
    let seq = Seq(before.0.wrapping_add(place).wrapping_add_signed(apart));
    Some(match kind {
        0 => Command::Heat {
            output,
            seq,
            fraction: Fraction::new(taken.float(at::FRACTION)?).ok()?,
            offset: u64::try_from(offset).ok().map(Millis),
        },
        1 => Command::Off(output, seq),
        2 => Command::Cut(output, seq),
        3 => Command::Restore(output, seq),
        _ => return None,
    })
}
