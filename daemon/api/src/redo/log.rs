//! What reached a station while a run was open, and what it was told to do about it: from the lab thread to columns. `reading` is the way back.
//!
//! Readings are not kept a second time: a scan says that it is the next row of the run, and only what a row can't say (a value
//! before its calibration offset, a cold junction, a hood) is kept beside. [`mod@benchward_archive::format`] lists the columns.

use std::collections::{BTreeMap, VecDeque};

use benchward_archive::{Column, Table};
use benchward_core::units::{Fraction, Millis};
use benchward_core::{Alarm, Event, Excerpt, InputId, OutputId, Row, Sample, Seq, SupplyCall, Value};
use serde::{Deserialize, Serialize};

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

impl Command {
    /// Its number.
    pub const fn seq(&self) -> Seq {
        match self {
            Self::Heat { seq, .. } | Self::Off(_, seq) | Self::Cut(_, seq) | Self::Restore(_, seq) => *seq,
        }
    }
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
pub(super) const TICK: i64 = 0;
pub(super) const THINK: i64 = 1;
pub(super) const ROW: i64 = 2;
pub(super) const TEXT: i64 = 3;
pub(super) const APPLIED: i64 = 4;
pub(super) const SUPPLY: i64 = 5;
pub(super) const REFUSED_START: i64 = 6;
pub(super) const OTHER_START: i64 = 7;
pub(super) const GAP: i64 = 8;

/// Numbers of columns, as `archive::format` lists them.
pub(super) mod at {
    pub(in super::super) const NUMBER: u64 = 0;
    pub(in super::super) const KIND: u64 = 1;
    pub(in super::super) const NOW: u64 = 2;
    pub(in super::super) const SEQ: u64 = 3;
    pub(in super::super) const COMMANDS: u64 = 4;
    pub(in super::super) const AGE: u64 = 5;
    pub(in super::super) const INSTANCE: u64 = 6;
    pub(in super::super) const RAW: u64 = 7;
    pub(in super::super) const JUNCTION: u64 = 8;
    pub(in super::super) const EXTRAS: u64 = 9;
    pub(in super::super) const EXTRA_INPUT: u64 = 10;
    pub(in super::super) const EXTRA_KIND: u64 = 11;
    pub(in super::super) const AMPS: u64 = 12;
    pub(in super::super) const OUTPUT: u64 = 13;
    pub(in super::super) const BEHIND: u64 = 14;
    pub(in super::super) const FLAGS: u64 = 15;
    pub(in super::super) const APPLIED: u64 = 16;
    pub(in super::super) const COMMAND: u64 = 17;
    pub(in super::super) const COMMAND_OUTPUT: u64 = 18;
    pub(in super::super) const COMMAND_OFFSET: u64 = 19;
    pub(in super::super) const COMMAND_SEQ: u64 = 20;
    pub(in super::super) const FRACTION: u64 = 21;
    pub(in super::super) const CALL: u64 = 22; // to 28
    pub(in super::super) const CALL_QUANTITY: u64 = 29; // to 30
    pub(in super::super) const TEXT: u64 = 31;
    pub(in super::super) const EXCERPT: u64 = 32;
    pub(in super::super) const REMEMBERED: u64 = 1_000;
    pub(in super::super) const RAW_CELSIUS: u64 = 2_000;
    pub(in super::super) const JUNCTION_CELSIUS: u64 = 3_000;
}

/// Channels beyond this are kept as text: masks are integers with a sign.
pub(super) const CHANNELS_MAX: usize = 62;

/// Items of a part of the log: half a minute of a bench with ten readings a second.
const PART_ITEMS: usize = 1_500;

/// Items of the first part, a second's worth: little is lost of a run whose daemon dies soon. Each further one has twice as many.
const FIRST_ITEMS: usize = 50;

/// An event as text, where there is no shorter way.
#[derive(Serialize, Deserialize)]
pub(super) struct Written {
    pub(super) event: Event,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) alarms: Option<Vec<Alarm>>,
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
pub(super) struct Last {
    pub(super) seq: u64,
    pub(super) told: BTreeMap<OutputId, Fraction>,
}

impl Last {
    pub(super) fn after(&mut self, noted: &Noted) {
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

pub(super) fn signed(number: u64) -> i64 {
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
            if let Some(amps) = amps {
                to.float(at::AMPS, amps);
            }
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
