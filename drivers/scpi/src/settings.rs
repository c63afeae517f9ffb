//! What an instance can be set to.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use benchward_driver::{Failure, wire};
use serde::Deserialize;

use crate::answer::Unit;

/// Letters of the thermocouples that the daemon converts.
const THERMOCOUPLE_TYPES: &str = "BCEJKNRST";

/// Longest wait for an answer to a measuring query. A lab can't work with readings rarer than that.
const MAX_TIMEOUT_MS: u64 = 30_000;

/// Longest wait for a setup command, self-tests included.
const MAX_SETUP_TIMEOUT_MS: u64 = 120_000;

/// Settings of one instance, as they stand in the configuration.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Settings {
    /// `HOST:PORT`, by convention port 5025.
    tcp: Option<String>,
    serial: Option<SerialSettings>,
    /// What ends a line, in both directions.
    #[serde(default)]
    pub(crate) line_end: LineEnd,
    /// What the answer to `*IDN?` has to contain.
    pub(crate) identity: Option<String>,
    /// Sent after each connecting, in this order; the error queue is read after each.
    #[serde(default)]
    pub(crate) setup: Vec<String>,
    /// Asked after the setup; each answer has to be as it says.
    #[serde(default)]
    pub(crate) checks: Vec<CheckSettings>,
    /// How often all queries are asked.
    #[serde(default = "one")]
    pub(crate) rate_hz: f64,
    #[serde(default = "two_seconds")]
    timeout_ms: u64,
    #[serde(default = "ten_seconds")]
    setup_timeout_ms: u64,
    /// Takes one entry off the error queue; empty for an instrument that has none.
    #[serde(default = "standard_error_query")]
    pub(crate) error_query: String,
    /// The measuring queries.
    pub(crate) queries: Vec<QuerySettings>,
}

/// A serial line.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SerialSettings {
    pub(crate) path: PathBuf,
    #[serde(default = "usual_baud")]
    pub(crate) baud: u32,
    #[serde(default = "eight")]
    pub(crate) data_bits: u8,
    #[serde(default)]
    pub(crate) parity: Parity,
    #[serde(default = "one_bit")]
    pub(crate) stop_bits: u8,
    #[serde(default)]
    pub(crate) flow_control: FlowControl,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Parity {
    #[default]
    None,
    Even,
    Odd,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum FlowControl {
    #[default]
    None,
    XonXoff,
    RtsCts,
}

/// What ends a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum LineEnd {
    /// As the standard has it. A CR before it is taken off.
    #[default]
    Lf,
    CrLf,
    Cr,
}

impl LineEnd {
    /// What is sent after a command.
    pub(crate) fn bytes(self) -> &'static [u8] {
        match self {
            LineEnd::Lf => b"\n",
            LineEnd::CrLf => b"\r\n",
            LineEnd::Cr => b"\r",
        }
    }

    /// What an answer ends with.
    pub(crate) fn last(self) -> u8 {
        match self {
            LineEnd::Lf | LineEnd::CrLf => b'\n',
            LineEnd::Cr => b'\r',
        }
    }
}

/// A query whose answer is known beforehand, such as `UNIT:TEMP?`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CheckSettings {
    pub(crate) query: String,
    /// Compared without quotes, spaces at the ends and case.
    pub(crate) answer: String,
}

/// One measuring query and what the fields of its answer are.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct QuerySettings {
    pub(crate) query: String,
    /// One for each field of the answer, in its order.
    pub(crate) inputs: Vec<FieldSettings>,
}

/// One field of an answer. Without an id it is passed over: a time, a channel's number.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct FieldSettings {
    pub(crate) id: Option<String>,
    pub(crate) unit: Unit,
    #[serde(rename = "type")]
    letter: Option<char>,
    /// The temperature input that measures the cold junction.
    cold_junction: Option<String>,
    cold_junction_celsius: Option<f64>,
    pub(crate) range_celsius: Option<(f64, f64)>,
}

/// Where the instrument is.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Address {
    Tcp(String),
    Serial(SerialSettings),
}

/// Where a voltage's cold junction comes from.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum ColdJunction {
    Input(String),
    Celsius(f64),
}

fn one() -> f64 {
    1.0
}

fn two_seconds() -> u64 {
    2_000
}

fn ten_seconds() -> u64 {
    10_000
}

fn standard_error_query() -> String {
    "SYST:ERR?".into()
}

fn usual_baud() -> u32 {
    9_600
}

fn eight() -> u8 {
    8
}

fn one_bit() -> u8 {
    1
}

impl Settings {
    /// Checks what the types don't.
    ///
    /// # Errors
    /// The first thing that is wrong, with the bound and what would be right.
    pub(crate) fn check(&self) -> Result<(), Failure> {
        self.check_in_words().map_err(Failure::new)
    }

    fn check_in_words(&self) -> Result<(), String> {
        match (&self.tcp, &self.serial) {
            (Some(tcp), None) => check_host_and_port(tcp)?,
            (None, Some(serial)) => serial.check()?,
            (None, None) => {
                return Err("say where the instrument is: tcp = \"HOST:5025\" or serial = { path = \"/dev/ttyUSB0\" }"
                    .into());
            }
            (Some(_), Some(_)) => return Err("there are both `tcp` and `serial`: leave one out".into()),
        }
        if !(self.rate_hz > 0.0 && self.rate_hz <= wire::MAX_RATE_HZ) {
            return Err(format!(
                "rate_hz = {} is outside 0 (excluded) to {}",
                self.rate_hz,
                wire::MAX_RATE_HZ
            ));
        }
        for (key, ms, most) in [
            ("timeout_ms", self.timeout_ms, MAX_TIMEOUT_MS),
            ("setup_timeout_ms", self.setup_timeout_ms, MAX_SETUP_TIMEOUT_MS),
        ] {
            if !(10..=most).contains(&ms) {
                return Err(format!("{key} = {ms} is outside 10 to {most}"));
            }
        }
        for (n, command) in self.setup.iter().enumerate() {
            check_command(command).map_err(|what| format!("setup, entry {}: {what}", n + 1))?;
        }
        for (n, check) in self.checks.iter().enumerate() {
            check_query(&check.query).map_err(|what| format!("checks, entry {}: {what}", n + 1))?;
        }
        if !self.error_query.is_empty() {
            check_query(&self.error_query).map_err(|what| format!("error_query: {what}"))?;
        }
        self.check_inputs()
    }

    fn check_inputs(&self) -> Result<(), String> {
        let mut fields: BTreeMap<&str, &FieldSettings> = BTreeMap::new();
        for (n, query) in self.queries.iter().enumerate() {
            let place = format!("queries, entry {}", n + 1);
            check_query(&query.query).map_err(|what| format!("{place}: {what}"))?;
            if query.inputs.iter().all(|f| f.id.is_none()) {
                return Err(format!(
                    "{place}: no input has an id, so nothing of {:?} is used",
                    query.query
                ));
            }
            for field in &query.inputs {
                field.check().map_err(|what| format!("{place}: {what}"))?;
                if let Some(id) = &field.id
                    && fields.insert(id, field).is_some()
                {
                    return Err(format!("{place}: input `{id}` is there twice"));
                }
            }
        }
        if fields.is_empty() {
            return Err("there are no queries: add [[queries]] with `query` and `inputs`".into());
        }
        for (id, field) in &fields {
            if let Some(other) = &field.cold_junction
                && !fields
                    .get(other.as_str())
                    .is_some_and(|f| f.unit.is_temperature())
            {
                return Err(format!(
                    "input `{id}`: cold_junction = {other:?} isn't a temperature input of this instance"
                ));
            }
        }
        Ok(())
    }

    /// Where the instrument is. For checked settings.
    pub(crate) fn address(&self) -> Address {
        match (&self.tcp, &self.serial) {
            (_, Some(serial)) => Address::Serial(serial.clone()),
            (tcp, None) => Address::Tcp(tcp.clone().unwrap_or_default()),
        }
    }

    /// How long an answer to a measuring query may take.
    pub(crate) fn timeout(&self) -> Duration {
        Duration::from_millis(self.timeout_ms)
    }

    /// How long an answer may take while connecting and setting up.
    pub(crate) fn setup_timeout(&self) -> Duration {
        Duration::from_millis(self.setup_timeout_ms)
    }
}

impl SerialSettings {
    fn check(&self) -> Result<(), String> {
        if !(50..=4_000_000).contains(&self.baud) {
            return Err(format!("serial.baud = {} is outside 50 to 4000000", self.baud));
        }
        if !(7..=8).contains(&self.data_bits) {
            return Err(format!(
                "serial.data_bits = {} is neither 7 nor 8",
                self.data_bits
            ));
        }
        if !(1..=2).contains(&self.stop_bits) {
            return Err(format!(
                "serial.stop_bits = {} is neither 1 nor 2",
                self.stop_bits
            ));
        }
        Ok(())
    }
}

impl FieldSettings {
    fn check(&self) -> Result<(), String> {
        let Some(id) = &self.id else {
            if *self != FieldSettings::default() {
                return Err(
                    "a field without an id is passed over, so it can't have settings: give it an id".into(),
                );
            }
            return Ok(());
        };
        let wrong = |what: String| Err(format!("input `{id}`: {what}"));
        if self.unit.is_temperature() {
            if self.letter.is_some() || self.cold_junction.is_some() || self.cold_junction_celsius.is_some() {
                return wrong(format!(
                    "`type` and `cold_junction...` belong to voltages, and its unit is {}",
                    self.unit.word()
                ));
            }
            if let Some((low, high)) = self.range_celsius
                && !(low.is_finite() && high.is_finite() && low < high)
            {
                return wrong(format!("range_celsius = [{low}, {high}] isn't from low to high"));
            }
            return Ok(());
        }
        if self.range_celsius.is_some() {
            return wrong(format!(
                "range_celsius belongs to temperatures, and its unit is {}",
                self.unit.word()
            ));
        }
        match self.letter {
            Some(letter) if THERMOCOUPLE_TYPES.contains(letter) => {}
            Some(letter) => {
                return wrong(format!("type = {letter:?} isn't one of {THERMOCOUPLE_TYPES}"));
            }
            None => {
                return wrong(format!(
                    "a voltage needs the thermocouple's type, one of {THERMOCOUPLE_TYPES}"
                ));
            }
        }
        match (&self.cold_junction, self.cold_junction_celsius) {
            (Some(_), None) => Ok(()),
            (None, Some(celsius)) if (-100.0..=150.0).contains(&celsius) => Ok(()),
            (None, Some(celsius)) => wrong(format!(
                "cold_junction_celsius = {celsius} is outside -100 to 150"
            )),
            (None, None) => wrong(
                "a voltage needs its cold junction: cold_junction = \"ID\" of a temperature input at the terminals, \
                 or cold_junction_celsius = X if they are held at X °C"
                    .into(),
            ),
            (Some(_), Some(_)) => {
                wrong("there are both `cold_junction` and `cold_junction_celsius`: leave one out".into())
            }
        }
    }

    /// What `describe` says it is. For checked settings.
    pub(crate) fn kind(&self) -> wire::InputKind {
        match self.letter {
            Some(letter) => wire::InputKind::Thermocouple { letter },
            None => wire::InputKind::Temperature,
        }
    }

    /// Where its cold junction comes from; `None` for a temperature. For checked settings.
    pub(crate) fn cold_junction(&self) -> Option<ColdJunction> {
        match (&self.cold_junction, self.cold_junction_celsius) {
            (Some(id), _) => Some(ColdJunction::Input(id.clone())),
            (None, Some(celsius)) => Some(ColdJunction::Celsius(celsius)),
            (None, None) => None,
        }
    }
}

fn check_host_and_port(tcp: &str) -> Result<(), String> {
    match tcp.rsplit_once(':') {
        Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok_and(|p| p > 0) => Ok(()),
        _ => Err(format!(
            "tcp = {tcp:?} isn't HOST:PORT; the port of SCPI instruments is usually 5025"
        )),
    }
}

/// A command is one line: a line's end inside would make two of it, and their answers would be out of step.
fn check_command(command: &str) -> Result<(), String> {
    if command.trim().is_empty() {
        return Err("the command is empty".into());
    }
    if let Some(odd) = command.chars().find(|c| !(' '..='~').contains(c)) {
        return Err(format!(
            "{command:?} has {odd:?} in it; commands are printable ASCII, and the line's end is added by itself"
        ));
    }
    Ok(())
}

fn check_query(query: &str) -> Result<(), String> {
    check_command(query)?;
    if !query.contains('?') {
        return Err(format!(
            "{query:?} isn't a query: it has no `?`, so there would be no answer"
        ));
    }
    Ok(())
}
