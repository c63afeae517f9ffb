//! The driver's settings, checked whole before anything is opened.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use benchward_driver::wire::{MAX_RATE_HZ, MAX_WINDOW_MS};
use serde::Deserialize;

use crate::number::{Number, Words};
use crate::pdu::Table;
use crate::poll::Block;
use crate::rtu::Timing;

/// Settings of one instance: one line, and who is on it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Settings {
    /// A serial port: Modbus RTU.
    pub(crate) port: Option<PathBuf>,
    baud: Option<u32>,
    parity: Option<Parity>,
    stop_bits: Option<u8>,
    /// `HOST` or `HOST:PORT`: Modbus TCP.
    pub(crate) tcp: Option<String>,
    /// Longest wait for an answer.
    #[serde(default = "hundred")]
    answer_ms: u32,
    /// How often an exchange without an answer is repeated.
    #[serde(default = "two")]
    pub(crate) retries: u32,
    /// How often each input is read, unless it says otherwise.
    #[serde(default = "five")]
    rate_hz: f64,
    #[serde(default)]
    pub(crate) inputs: BTreeMap<String, Input>,
    #[serde(default)]
    pub(crate) outputs: BTreeMap<String, Output>,
}

fn hundred() -> u32 {
    100
}

fn two() -> u32 {
    2
}

fn five() -> f64 {
    5.0
}

fn yes() -> bool {
    true
}

/// How bytes stand on a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Serial {
    pub(crate) baud: u32,
    pub(crate) parity: Parity,
    pub(crate) stop_bits: Option<u8>,
}

impl Serial {
    /// By the standard a character has eleven bits: a second stop bit stands in for parity.
    pub(crate) fn stop_bits(self) -> u8 {
        self.stop_bits
            .unwrap_or(if self.parity == Parity::None { 2 } else { 1 })
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Parity {
    None,
    Odd,
    Even,
}

/// What an input delivers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Kind {
    /// Degrees Celsius.
    Temperature,
    /// Millivolts, with the cold junction from a place of its own.
    Thermocouple,
    Presence,
    Permissive,
    /// Amperes.
    Current,
}

impl Kind {
    pub(crate) fn is_yes_or_no(self) -> bool {
        matches!(self, Kind::Presence | Kind::Permissive)
    }
}

/// One input.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Input {
    pub(crate) kind: Kind,
    /// The type letter of a thermocouple.
    pub(crate) thermocouple: Option<char>,
    pub(crate) unit_id: u8,
    pub(crate) function: Table,
    pub(crate) address: u16,
    #[serde(rename = "type")]
    number: Option<Number>,
    #[serde(default)]
    words: Words,
    scale: Option<f64>,
    offset: Option<f64>,
    /// Raw values by which the unit says that the sensor is broken.
    #[serde(default)]
    pub(crate) open: Vec<f64>,
    /// Lowest and highest value, in the input's own unit; outside is the fault `range`.
    pub(crate) range: Option<(f64, f64)>,
    pub(crate) cold_junction: Option<ColdJunction>,
    /// Which bit of a register a yes/no input is; without it, any bit.
    pub(crate) bit: Option<u8>,
    #[serde(default)]
    pub(crate) active_when: OnOff,
    rate_hz: Option<f64>,
}

/// Where a cold junction's temperature in degrees Celsius is read.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ColdJunction {
    /// By default the input's own unit.
    pub(crate) unit_id: Option<u8>,
    pub(crate) function: Table,
    pub(crate) address: u16,
    #[serde(rename = "type")]
    number: Number,
    #[serde(default)]
    words: Words,
    scale: Option<f64>,
    offset: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum OnOff {
    #[default]
    On,
    Off,
}

/// A number in registers and what it means: raw x scale + offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Scaled {
    pub(crate) number: Number,
    pub(crate) words: Words,
    pub(crate) scale: f64,
    pub(crate) offset: f64,
}

impl Input {
    /// How its number is to be read; yes/no inputs in registers are bits of a `uint16`.
    pub(crate) fn scaled(&self) -> Scaled {
        Scaled {
            number: self.number.unwrap_or(Number::Uint16),
            words: self.words,
            scale: self.scale.unwrap_or(1.0),
            offset: self.offset.unwrap_or(0.0),
        }
    }

    /// How many bits or registers it takes.
    pub(crate) fn count(&self) -> u16 {
        if self.function.holds_bits() {
            1
        } else {
            self.scaled().number.registers()
        }
    }
}

impl ColdJunction {
    pub(crate) fn scaled(&self) -> Scaled {
        Scaled {
            number: self.number,
            words: self.words,
            scale: self.scale.unwrap_or(1.0),
            offset: self.offset.unwrap_or(0.0),
        }
    }
}

/// One heat output.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Output {
    pub(crate) unit_id: u8,
    /// `coil`: on or off, proportioned over windows. `holding-register`: zero to `full`.
    pub(crate) function: Table,
    pub(crate) address: u16,
    /// The register's value at full power.
    pub(crate) full: Option<u16>,
    /// The window of a coil.
    pub(crate) window_ms: Option<u32>,
    pub(crate) watts: Option<f64>,
    /// Reads back what was written; `applied` is what was read.
    #[serde(default = "yes")]
    pub(crate) read_back: bool,
    pub(crate) contactor: Option<Contactor>,
    pub(crate) watchdog: Option<Watchdog>,
}

/// The second switch: a coil.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Contactor {
    pub(crate) unit_id: u8,
    pub(crate) address: u16,
    /// The coil's state that lets current through.
    #[serde(default)]
    pub(crate) closed_when: OnOff,
}

/// A holding register by which the unit knows that somebody looks after the heat.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Watchdog {
    pub(crate) unit_id: u8,
    pub(crate) address: u16,
    #[serde(default = "quarter_s")]
    pub(crate) every_ms: u32,
    /// What is written; without it, a number that counts up.
    pub(crate) value: Option<u16>,
}

fn quarter_s() -> u32 {
    250
}

impl Settings {
    pub(crate) fn serial(&self) -> Serial {
        Serial {
            baud: self.baud.unwrap_or(19_200),
            parity: self.parity.unwrap_or(Parity::Even),
            stop_bits: self.stop_bits,
        }
    }

    pub(crate) fn answer_wait(&self) -> Duration {
        Duration::from_millis(u64::from(self.answer_ms))
    }

    pub(crate) fn rate_hz(&self, input: &Input) -> f64 {
        input.rate_hz.unwrap_or(self.rate_hz)
    }

    /// All that is wrong, each with its place, the value and the bound. Nothing is opened for it.
    pub(crate) fn mistakes(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        self.check_line(&mut wrong);
        for (id, input) in &self.inputs {
            self.check_input(&format!("inputs.{id}"), input, &mut wrong);
        }
        for (id, output) in &self.outputs {
            self.check_output(&format!("outputs.{id}"), output, &mut wrong);
        }
        self.check_written_once(&mut wrong);
        if self.inputs.is_empty() && self.outputs.is_empty() {
            wrong.push("there is neither an input nor an output; add `inputs.NAME` or `outputs.NAME`".into());
        }
        if wrong.is_empty() {
            self.check_load(&mut wrong);
        }
        wrong
    }

    fn check_line(&self, wrong: &mut Vec<String>) {
        match (&self.port, &self.tcp) {
            (None, None) => wrong.push(
                "set `port = \"/dev/ttyUSB0\"` for a serial line or `tcp = \"HOST:502\"` for a network"
                    .into(),
            ),
            (Some(_), Some(_)) => {
                wrong.push("`port` and `tcp` are both set; one instance of the driver has one line".into());
            }
            (None, Some(tcp)) => {
                if tcp.trim().is_empty() {
                    wrong.push("tcp is empty; write `HOST` or `HOST:PORT`".into());
                }
                let set = [
                    ("baud", self.baud.is_some()),
                    ("parity", self.parity.is_some()),
                    ("stop_bits", self.stop_bits.is_some()),
                ];
                for (key, _) in set.iter().filter(|(_, set)| *set) {
                    wrong.push(format!("{key} is for serial lines; leave it out with `tcp`"));
                }
            }
            (Some(_), None) => {}
        }
        bound(
            wrong,
            "baud",
            f64::from(self.serial().baud),
            1_200.0,
            4_000_000.0,
            " baud",
        );
        bound(
            wrong,
            "stop_bits",
            f64::from(self.serial().stop_bits()),
            1.0,
            2.0,
            "",
        );
        // A lapse may have to wait for one exchange.
        bound(wrong, "answer_ms", f64::from(self.answer_ms), 5.0, 300.0, " ms");
        bound(wrong, "retries", f64::from(self.retries), 0.0, 5.0, "");
        rate(wrong, "rate_hz", self.rate_hz);
    }

    fn check_unit(&self, place: &str, unit_id: u8, wrong: &mut Vec<String>) {
        if self.tcp.is_none() && !(1..=247).contains(&unit_id) {
            wrong.push(format!(
                "{place}.unit_id = {unit_id} is outside 1 to 247, the ids of a serial line"
            ));
        }
    }

    fn check_input(&self, place: &str, input: &Input, wrong: &mut Vec<String>) {
        self.check_unit(place, input.unit_id, wrong);
        if let Some(hz) = input.rate_hz {
            rate(wrong, &format!("{place}.rate_hz"), hz);
        }
        let table = input.function.word();
        if input.kind.is_yes_or_no() {
            if input.function.holds_bits() && input.bit.is_some() {
                wrong.push(format!(
                    "{place}.bit is for registers; a {table} is one bit already"
                ));
            }
            if input.bit.is_some_and(|bit| bit > 15) {
                wrong.push(format!(
                    "{place}.bit = {} is outside 0 to 15",
                    input.bit.unwrap_or(0)
                ));
            }
            let numeric = [
                ("type", input.number.is_some()),
                ("scale", input.scale.is_some()),
                ("offset", input.offset.is_some()),
                ("open", !input.open.is_empty()),
                ("range", input.range.is_some()),
            ];
            for (key, _) in numeric.iter().filter(|(_, set)| *set) {
                wrong.push(format!("{place}.{key} is for numbers; a yes/no input has none"));
            }
        } else {
            if input.function.holds_bits() {
                wrong.push(format!(
                    "{place}.function = \"{table}\" holds a bit, not a number; \
                     use holding-register or input-register"
                ));
            }
            if input.number.is_none() {
                wrong.push(format!(
                    "{place}.type is missing; one of int16, uint16, int32, uint32, float32"
                ));
            }
            if input.bit.is_some() || input.active_when != OnOff::On {
                wrong.push(format!(
                    "{place}: bit and active_when are for presence and permissive"
                ));
            }
        }
        check_scaled(place, &input.scaled(), input.address, input.function, wrong);
        let (low, high) = input.scaled().number.bounds();
        for raw in &input.open {
            bound(wrong, &format!("{place}.open, a raw value,"), *raw, low, high, "");
        }
        if let Some((low, high)) = input.range
            && !(low.is_finite() && high.is_finite() && low < high)
        {
            wrong.push(format!("{place}.range = [{low}, {high}] isn't from low to high"));
        }
        match (
            input.kind == Kind::Thermocouple,
            input.thermocouple,
            &input.cold_junction,
        ) {
            (true, Some(letter), Some(cold)) => {
                if !letter.is_ascii_uppercase() {
                    wrong.push(format!(
                        "{place}.thermocouple = \"{letter}\" isn't a capital letter such as K"
                    ));
                }
                let place = format!("{place}.cold_junction");
                self.check_unit(&place, cold.unit_id.unwrap_or(input.unit_id), wrong);
                if cold.function.holds_bits() {
                    wrong.push(format!(
                        "{place}.function = \"{}\" holds a bit, not a number; use holding-register or input-register",
                        cold.function.word()
                    ));
                }
                check_scaled(&place, &cold.scaled(), cold.address, cold.function, wrong);
            }
            (true, letter, cold) => {
                if letter.is_none() {
                    wrong.push(format!("{place}.thermocouple is missing, its type such as \"K\""));
                }
                if cold.is_none() {
                    wrong.push(format!(
                        "{place}.cold_junction is missing; a module that compensates by itself \
                         delivers a temperature: kind = \"temperature\""
                    ));
                }
            }
            (false, None, None) => {}
            (false, ..) => wrong.push(format!(
                "{place}: thermocouple and cold_junction are for kind = \"thermocouple\""
            )),
        }
    }

    fn check_output(&self, place: &str, output: &Output, wrong: &mut Vec<String>) {
        self.check_unit(place, output.unit_id, wrong);
        match output.function {
            Table::Coil => {
                if output.full.is_some() {
                    wrong.push(format!(
                        "{place}.full is for holding registers; a coil is on or off"
                    ));
                }
                let window = f64::from(output.window_ms.unwrap_or(MAX_WINDOW_MS));
                bound(
                    wrong,
                    &format!("{place}.window_ms"),
                    window,
                    100.0,
                    f64::from(MAX_WINDOW_MS),
                    " ms",
                );
            }
            Table::HoldingRegister => {
                if output.window_ms.is_some() {
                    wrong.push(format!(
                        "{place}.window_ms is for coils; a register takes a fraction"
                    ));
                }
                match output.full {
                    None => wrong.push(format!(
                        "{place}.full is missing: the register's value at full power"
                    )),
                    Some(0) => wrong.push(format!("{place}.full = 0 is outside 1 to 65535")),
                    Some(_) => {}
                }
            }
            Table::DiscreteInput | Table::InputRegister => wrong.push(format!(
                "{place}.function = \"{}\" can't be written; use coil or holding-register",
                output.function.word()
            )),
        }
        if let Some(watts) = output.watts {
            bound(wrong, &format!("{place}.watts"), watts, 0.0, 1e6, " W");
        }
        if let Some(contactor) = &output.contactor {
            self.check_unit(&format!("{place}.contactor"), contactor.unit_id, wrong);
        }
        if let Some(watchdog) = &output.watchdog {
            let place = format!("{place}.watchdog");
            self.check_unit(&place, watchdog.unit_id, wrong);
            bound(
                wrong,
                &format!("{place}.every_ms"),
                f64::from(watchdog.every_ms),
                50.0,
                500.0,
                " ms",
            );
        }
    }

    /// Two outputs on one coil or register would heat each other's bench.
    fn check_written_once(&self, wrong: &mut Vec<String>) {
        let mut written: BTreeMap<(u8, Table, u16), String> = BTreeMap::new();
        for (id, output) in &self.outputs {
            let contactor = output
                .contactor
                .map(|c| (c.unit_id, Table::Coil, c.address, "contactor"));
            let watchdog = output
                .watchdog
                .map(|w| (w.unit_id, Table::HoldingRegister, w.address, "watchdog"));
            let heat = Some((output.unit_id, output.function, output.address, "heat"));
            for (unit, table, address, what) in [heat, contactor, watchdog].into_iter().flatten() {
                let whose = format!("the {what} of `{id}`");
                if let Some(other) = written.insert((unit, table, address), whose.clone()) {
                    wrong.push(format!(
                        "{whose} and {other} are both the {} {address} of unit {unit}; each needs its own",
                        table.word()
                    ));
                }
            }
        }
    }

    /// A line that can't carry what is asked of it even if every unit answers at once.
    fn check_load(&self, wrong: &mut Vec<String>) {
        if self.port.is_none() {
            return;
        }
        let share = self.line_share();
        if share > 1.0 {
            wrong.push(format!(
                "the inputs' rates need {:.0} % of the line's time at {} baud; \
                 lower rate_hz to {:.1} at most, or raise baud",
                share * 100.0,
                self.serial().baud,
                self.rate_hz / share
            ));
        }
    }

    /// Share of a serial line's time that reading takes at the asked rates, if every unit answers at once.
    pub(crate) fn line_share(&self) -> f64 {
        let timing = Timing::of(self.serial());
        Block::all_of(self)
            .iter()
            .map(|block| timing.exchange(block.request()).as_secs_f64() / block.period.as_secs_f64())
            .sum()
    }
}

fn bound(wrong: &mut Vec<String>, key: &str, value: f64, low: f64, high: f64, unit: &str) {
    if !(low..=high).contains(&value) {
        wrong.push(format!("{key} = {value} is outside {low} to {high}{unit}"));
    }
}

fn rate(wrong: &mut Vec<String>, key: &str, hz: f64) {
    if !(hz > 0.0 && hz <= MAX_RATE_HZ) {
        wrong.push(format!(
            "{key} = {hz} is outside 0 (excluded) to {MAX_RATE_HZ} Hz"
        ));
    }
}

fn check_scaled(place: &str, scaled: &Scaled, address: u16, table: Table, wrong: &mut Vec<String>) {
    if !scaled.scale.is_finite() || scaled.scale == 0.0 {
        wrong.push(format!(
            "{place}.scale = {} isn't a number other than 0",
            scaled.scale
        ));
    }
    if !scaled.offset.is_finite() {
        wrong.push(format!(
            "{place}.offset = {} isn't a finite number",
            scaled.offset
        ));
    }
    if !table.holds_bits() {
        let last = u32::from(address) + u32::from(scaled.number.registers()) - 1;
        if last > u32::from(u16::MAX) {
            wrong.push(format!(
                "{place}.address = {address} leaves no room for two registers; 65534 at most"
            ));
        }
        if scaled.words == Words::LowFirst && scaled.number.registers() == 1 {
            wrong.push(format!(
                "{place}.words is for int32, uint32 and float32; one register has one word"
            ));
        }
    }
}
