//! What reached a station while a run was open, and what it was told to do about it: from the lab thread to columns and back.
//!
//! Readings are not kept a second time: a scan says that it is the next row of the run, and only what a row can't say (a value
//! before its calibration offset, a cold junction, a hood) is kept beside. [`mod@benchward_archive::format`] lists the columns.

use std::collections::{BTreeMap, VecDeque};

use benchward_archive::{self as archive, Column, Table};
use benchward_core::units::{Amps, Celsius, Fraction, Millis};
use benchward_core::{
    Alarm, Event, Excerpt, InputId, InstanceId, OutputId, Row, Sample, Seq, SupplyCall, Value,
};
use serde::{Deserialize, Serialize};

use super::kept;

/// One thing that reached the station.
#[derive(Debug, Clone)]
pub struct Noted {
    /// When it was handled.
    pub now: Millis,
    /// Number of the lab's last command before those that came of it.
    pub seq: Seq,
    /// What it was.
    pub part: Part,
    /// What the station's outputs were told on it, in order.
    pub commands: Vec<Command>,
}

/// What reached the station.
#[derive(Debug, Clone)]
pub enum Part {
    /// An event, or the part of it that is about the station.
    Event(Event),
    /// The same with the alarms of other stations that stood then, where they count.
    Among(Event, Vec<Alarm>),
    /// A call of another station on the supply that both are on.
    Supply(SupplyCall),
    /// Another run was asked for here: refused, or begun in place of this one.
    OtherStart {
        /// Whether it began.
        begun: bool,
    },
    /// From here on something is missing: it came faster than it could be kept.
    Gap,
}

/// What an output was told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Command {
    /// To heat for a moment.
    Heat {
        /// Which.
        output: OutputId,
        /// Number of the command.
        seq: Seq,
        /// Share of full power.
        fraction: Fraction,
        /// Where in each window it starts.
        offset: Option<Millis>,
    },
    /// Zero.
    Off(OutputId, Seq),
    /// Zero, and the second switch opens.
    Cut(OutputId, Seq),
    /// It takes heat again.
    Restore(OutputId, Seq),
}

impl std::fmt::Display for Command {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Heat {
                output,
                seq,
                fraction,
                offset,
            } => {
                write!(f, "output {output}: heat {} (command {seq}", fraction.share())?;
                if let Some(offset) = offset {
                    write!(f, ", {} ms into its window", offset.0)?;
                }
                f.write_str(")")
            }
            Self::Off(output, seq) => write!(f, "output {output}: off (command {seq})"),
            Self::Cut(output, seq) => write!(f, "output {output}: cut (command {seq})"),
            Self::Restore(output, seq) => write!(f, "output {output}: takes heat again (command {seq})"),
        }
    }
}

// Kinds of items.
const TICK: i64 = 0;
const THINK: i64 = 1;
const ROW: i64 = 2;
const TEXT: i64 = 3;
const APPLIED: i64 = 4;
const SUPPLY: i64 = 5;
const REFUSED_START: i64 = 6;
const OTHER_START: i64 = 7;
const GAP: i64 = 8;

/// Numbers of columns, as `archive::format` lists them.
mod at {
    pub(super) const NUMBER: u64 = 0;
    pub(super) const KIND: u64 = 1;
    pub(super) const NOW: u64 = 2;
    pub(super) const SEQ: u64 = 3;
    pub(super) const COMMANDS: u64 = 4;
    pub(super) const AGE: u64 = 5;
    pub(super) const INSTANCE: u64 = 6;
    pub(super) const RAW: u64 = 7;
    pub(super) const JUNCTION: u64 = 8;
    pub(super) const EXTRAS: u64 = 9;
    pub(super) const EXTRA_INPUT: u64 = 10;
    pub(super) const EXTRA_KIND: u64 = 11;
    pub(super) const AMPS: u64 = 12;
    pub(super) const OUTPUT: u64 = 13;
    pub(super) const BEHIND: u64 = 14;
    pub(super) const FLAGS: u64 = 15;
    pub(super) const APPLIED: u64 = 16;
    pub(super) const COMMAND: u64 = 17;
    pub(super) const COMMAND_OUTPUT: u64 = 18;
    pub(super) const COMMAND_OFFSET: u64 = 19;
    pub(super) const COMMAND_SEQ: u64 = 20;
    pub(super) const FRACTION: u64 = 21;
    pub(super) const CALL: u64 = 22; // to 28
    pub(super) const CALL_QUANTITY: u64 = 29; // to 30
    pub(super) const TEXT: u64 = 31;
    pub(super) const EXCERPT: u64 = 32;
    pub(super) const REMEMBERED: u64 = 1_000;
    pub(super) const RAW_CELSIUS: u64 = 2_000;
    pub(super) const JUNCTION_CELSIUS: u64 = 3_000;
}

/// Channels beyond this are kept as text: masks are integers with a sign.
const CHANNELS_MAX: usize = 62;

/// Items of a part of the log: half a minute of a bench with ten readings a second.
const PART_ITEMS: usize = 1_500;

/// Items of the first part, a second's worth: little is lost of a run whose daemon dies soon. Each further one has twice as many.
const FIRST_ITEMS: usize = 50;

/// An event as text, where there is no shorter way.
#[derive(Serialize, Deserialize)]
struct Written {
    event: Event,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    alarms: Option<Vec<Alarm>>,
}

/// The log of one run while it is written.
pub struct Log {
    excerpt: Option<Excerpt>,
    /// The channel of each input.
    channels: BTreeMap<InputId, usize>,
    items: VecDeque<Noted>,
    /// Scans among the items that wait for their rows, and rows that are in the run's file.
    rows: VecDeque<(Millis, Vec<Option<Sample>>)>,
    number: i64,
    last: Last,
}

/// What the next item is written as a difference from.
#[derive(Debug, Clone, Default)]
struct Last {
    seq: u64,
    told: BTreeMap<OutputId, Fraction>,
}

impl Last {
    fn after(&mut self, noted: &Noted) {
        self.seq = noted.seq.0;
        for command in &noted.commands {
            let (output, seq, fraction) = match *command {
                Command::Heat {
                    output,
                    seq,
                    fraction,
                    ..
                } => (output, seq, fraction),
                Command::Off(output, seq) | Command::Cut(output, seq) | Command::Restore(output, seq) => {
                    (output, seq, Fraction::ZERO)
                }
            };
            self.seq = self.seq.max(seq.0);
            self.told.insert(output, fraction);
        }
    }
}

/// Columns in the making.
#[derive(Default)]
struct Columns {
    integers: BTreeMap<u64, Vec<i64>>,
    floats: BTreeMap<u64, Vec<f64>>,
    text: Vec<u8>,
}

impl Columns {
    fn integer(&mut self, column: u64, value: i64) {
        self.integers.entry(column).or_default().push(value);
    }

    fn float(&mut self, column: u64, value: f64) {
        self.floats.entry(column).or_default().push(value);
    }
}

fn signed(number: u64) -> i64 {
    number.cast_signed()
}

fn difference(later: u64, earlier: u64) -> i64 {
    later.wrapping_sub(earlier).cast_signed()
}

impl Log {
    /// The log of the run that begins with the next item.
    pub fn new(excerpt: Excerpt) -> Self {
        Self {
            channels: excerpt
                .channels()
                .map(|(channel, input)| (input, channel))
                .collect(),
            excerpt: Some(excerpt),
            items: VecDeque::new(),
            rows: VecDeque::new(),
            number: 0,
            last: Last::default(),
        }
    }

    /// Takes an item. Rows come after the scans that they are of.
    pub fn note(&mut self, noted: Noted) {
        self.items.push_back(noted);
    }

    /// A row was put into the run's file.
    pub fn row(&mut self, row: &Row) {
        self.rows.push_back((row.at, row.values.clone()));
    }

    /// A part to be kept, if there is enough for one.
    pub fn part(&mut self) -> Option<Table> {
        let enough = FIRST_ITEMS << self.number.clamp(0, 8);
        (self.items.len() >= enough.min(PART_ITEMS))
            .then(|| self.write(false))
            .flatten()
    }

    /// All that is left.
    pub fn rest(&mut self) -> Option<Table> {
        self.write(true)
    }

    fn write(&mut self, all: bool) -> Option<Table> {
        let mut columns = Columns::default();
        let before = self.items.len();
        while let Some(noted) = self.items.front() {
            if !all && self.rows.is_empty() && self.waits(noted) {
                break;
            }
            let noted = self.items.pop_front()?;
            self.put(&mut columns, &noted);
            self.last.after(&noted);
        }
        if before == self.items.len() && self.excerpt.is_none() {
            return None;
        }
        let mut out: Vec<(u64, Column)> = vec![(at::NUMBER, Column::Integers(vec![self.number]))];
        self.number += 1;
        out.extend(
            columns
                .integers
                .into_iter()
                .map(|(number, values)| (number, Column::Integers(values))),
        );
        out.extend(
            columns
                .floats
                .into_iter()
                .map(|(number, values)| (number, Column::Floats(values))),
        );
        if !columns.text.is_empty() {
            out.push((at::TEXT, Column::Bytes(columns.text)));
        }
        if let Some(excerpt) = self.excerpt.take()
            && let Ok(text) = serde_json::to_vec(&excerpt)
        {
            out.push((at::EXCERPT, Column::Bytes(text)));
            out.extend((at::REMEMBERED..).zip(excerpt.columns().into_iter().map(Column::Floats)));
        }
        out.sort_by_key(|(number, _)| *number);
        Some(Table(out))
    }

    /// A scan with readings, whose row is still to come.
    fn waits(&self, noted: &Noted) -> bool {
        match &noted.part {
            Part::Event(Event::Scan { values, .. }) => {
                values.iter().any(|(input, _)| self.channels.contains_key(input))
            }
            _ => false,
        }
    }

    fn put(&mut self, to: &mut Columns, noted: &Noted) {
        to.integer(at::NOW, signed(noted.now.0));
        to.integer(at::SEQ, difference(noted.seq.0, self.last.seq));
        to.integer(
            at::COMMANDS,
            i64::try_from(noted.commands.len()).unwrap_or(i64::MAX),
        );
        let kind = match &noted.part {
            Part::Event(event @ Event::Scan { .. }) => {
                if self.put_scan(to, noted.now, event) {
                    ROW
                } else {
                    put_text(to, event, None)
                }
            }
            Part::Event(Event::Tick) => TICK,
            Part::Event(Event::Think) => THINK,
            Part::Event(Event::Applied {
                output,
                seq,
                fraction,
                lapsed,
            }) => {
                to.integer(at::OUTPUT, output.0.into());
                to.integer(at::BEHIND, seq.map_or(0, |seq| difference(self.last.seq, seq.0)));
                let told = self.last.told.get(output).copied().unwrap_or(Fraction::ZERO);
                let as_told = told.share().to_bits() == fraction.share().to_bits();
                to.integer(
                    at::FLAGS,
                    i64::from(seq.is_some()) | i64::from(*lapsed) << 1 | i64::from(as_told) << 2,
                );
                if !as_told {
                    to.float(at::APPLIED, fraction.share());
                }
                APPLIED
            }
            Part::Event(event) => put_text(to, event, None),
            Part::Among(event, alarms) => put_text(to, event, Some(alarms.clone())),
            Part::Supply(call) => {
                let (numbers, quantities) = call.numbers();
                let [station, kind, now, seq, draw, dwelling, since] = numbers.map(signed);
                let numbers = [
                    station,
                    kind,
                    now.wrapping_sub(signed(noted.now.0)),
                    seq.wrapping_sub(signed(noted.seq.0)),
                    draw,
                    dwelling,
                    since,
                ];
                (at::CALL..)
                    .zip(numbers)
                    .for_each(|(column, value)| to.integer(column, value));
                (at::CALL_QUANTITY..)
                    .zip(quantities)
                    .for_each(|(column, value)| to.float(column, value));
                SUPPLY
            }
            Part::OtherStart { begun: false } => REFUSED_START,
            Part::OtherStart { begun: true } => OTHER_START,
            Part::Gap => GAP,
        };
        to.integer(at::KIND, kind);
        for (place, command) in (1..).zip(&noted.commands) {
            let (kind, output, seq, offset) = match *command {
                Command::Heat {
                    output,
                    seq,
                    fraction,
                    offset,
                } => {
                    to.float(at::FRACTION, fraction.share());
                    (0, output, seq, offset)
                }
                Command::Off(output, seq) => (1, output, seq, None),
                Command::Cut(output, seq) => (2, output, seq, None),
                Command::Restore(output, seq) => (3, output, seq, None),
            };
            to.integer(at::COMMAND, kind);
            to.integer(at::COMMAND_OUTPUT, output.0.into());
            to.integer(at::COMMAND_OFFSET, offset.map_or(-1, |offset| signed(offset.0)));
            to.integer(at::COMMAND_SEQ, difference(seq.0, noted.seq.0) - place);
        }
    }

    /// Writes a scan as the next row and what that doesn't say. Returns whether that can be done.
    fn put_scan(&mut self, to: &mut Columns, now: Millis, scan: &Event) -> bool {
        let Event::Scan { instance, at, values } = scan else {
            return false;
        };
        let of = |(input, value): &(InputId, Value)| Some((*self.channels.get(input)?, *value));
        let readings: BTreeMap<usize, Value> = values.iter().filter_map(of).collect();
        let count = values.iter().filter_map(of).count();
        let Some((row_at, row)) = self.rows.front().filter(|_| count > 0) else {
            return false;
        };
        let there = row.iter().filter(|value| value.is_some()).count();
        if row_at != at
            || count != readings.len()
            || count != there
            || row.len() > CHANNELS_MAX
            || !self.channels.values().all(|channel| *channel < row.len())
        {
            // Not the row of this scan. One that belongs to none is of no use to a later one either.
            if row_at <= at {
                self.rows.pop_front();
            }
            return false;
        }
        let (mut raw, mut junctions) = (0_i64, 0_i64);
        let (mut raws, mut colds) = (Vec::new(), Vec::new());
        for (&channel, value) in &readings {
            let (sample, cold) = match value {
                Value::Sample(sample) => (*sample, None),
                Value::Junction {
                    sample,
                    cold_junction,
                } => (*sample, Some(*cold_junction)),
                Value::Current(_) | Value::Active(_) | Value::Unreadable => return false,
            };
            if let Some(cold) = cold {
                junctions |= 1 << channel;
                colds.push((channel, cold.degrees()));
            }
            match (sample, row[channel]) {
                (Sample::Good(celsius), Some(Sample::Good(kept))) => {
                    if celsius.degrees().to_bits() != kept.degrees().to_bits() {
                        raw |= 1 << channel;
                        raws.push((channel, celsius.degrees()));
                    }
                }
                (Sample::Fault(fault), Some(Sample::Fault(kept))) if fault == kept => {}
                _ => return false,
            }
        }
        let mut extras = Vec::new();
        for (input, value) in values
            .iter()
            .filter(|(input, _)| !self.channels.contains_key(input))
        {
            extras.push(match value {
                Value::Active(false) => (*input, 0, None),
                Value::Active(true) => (*input, 1, None),
                Value::Unreadable => (*input, 2, None),
                Value::Current(amps) => (*input, 3, Some(amps.amps())),
                Value::Sample(_) | Value::Junction { .. } => return false,
            });
        }
        to.integer(at::EXTRAS, i64::try_from(extras.len()).unwrap_or(i64::MAX));
        for (input, kind, amps) in extras {
            to.integer(at::EXTRA_INPUT, input.0.into());
            to.integer(at::EXTRA_KIND, kind);
            amps.into_iter().for_each(|amps| to.float(at::AMPS, amps));
        }
        to.integer(at::AGE, difference(now.0, at.0));
        to.integer(at::INSTANCE, instance.0.into());
        to.integer(at::RAW, raw);
        to.integer(at::JUNCTION, junctions);
        let place = |channel: usize| u64::try_from(channel).unwrap_or(u64::MAX);
        for (channel, celsius) in raws {
            to.float(at::RAW_CELSIUS + place(channel), celsius);
        }
        for (channel, celsius) in colds {
            to.float(at::JUNCTION_CELSIUS + place(channel), celsius);
        }
        self.rows.pop_front();
        true
    }
}

fn put_text(to: &mut Columns, event: &Event, alarms: Option<Vec<Alarm>>) -> i64 {
    let written = Written {
        event: event.clone(),
        alarms,
    };
    // Every event but a start has a text, and a start comes as what it is to this run.
    match serde_json::to_writer(&mut to.text, &written) {
        Ok(()) => {
            to.text.push(b'\n');
            TEXT
        }
        Err(_) => GAP,
    }
}

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
                match written.alarms {
                    Some(alarms) => Part::Among(written.event, alarms),
                    None => {
                        self.skip_row(&written.event);
                        Part::Event(written.event)
                    }
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
