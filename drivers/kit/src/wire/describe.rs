//! What a driver says about itself: `describe`.

use std::borrow::Cow;
use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::json::{self, ObjectLine};
use super::{MAX_ID_CHARS, MAX_RATE_HZ, MAX_WINDOW_MS, Malformed, PROTOCOL};

/// The inputs and outputs that a driver offers.
///
/// A parsed one has been checked ([`Describe::check`]).
#[derive(Debug, Clone, PartialEq)]
pub struct Describe {
    /// The driver's name, such as `modbus`.
    pub name: String,
    /// The driver's version, as text.
    pub version: String,
    /// What it measures, in its own order.
    pub inputs: Vec<Input>,
    /// What it switches, in its own order.
    pub outputs: Vec<Output>,
    /// No hardware behind it: it can follow a `time_scale`.
    pub simulated: bool,
}

/// One input that a driver offers.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// Unique among the driver's inputs.
    pub id: String,
    /// What it delivers.
    pub kind: InputKind,
    /// Scans a second, above 0 and at most [`MAX_RATE_HZ`]. Always present for temperatures and
    /// thermocouples; yes/no inputs may leave it to the driver's other inputs.
    pub rate_hz: Option<f64>,
    /// Lowest and highest value it can deliver, in its own unit.
    pub range: Option<(f64, f64)>,
}

/// What an input delivers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InputKind {
    /// Degrees Celsius, converted by the driver.
    Temperature,
    /// Raw millivolts and the cold junction's temperature; the daemon converts.
    Thermocouple {
        /// Type letter such as `K`.
        letter: char,
    },
    /// Somebody is at the bench while `active`, or was at the moment it turned active.
    Presence,
    /// Must be `active` for heat.
    Permissive,
    /// What the heater draws, in amperes.
    Current,
}

impl InputKind {
    /// The word on the wire.
    pub fn word(self) -> &'static str {
        match self {
            InputKind::Temperature => "temperature",
            InputKind::Thermocouple { .. } => "thermocouple",
            InputKind::Presence => "presence",
            InputKind::Permissive => "permissive",
            InputKind::Current => "current",
        }
    }
}

/// One heat output that a driver offers.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// Unique among the driver's outputs.
    pub id: String,
    /// Full power in watts, where the driver knows it.
    pub watts: Option<f64>,
    /// It has a second, independent way to be switched off.
    pub cuts: bool,
    /// Window of a time-proportioned output, in milliseconds.
    pub window_ms: Option<u32>,
}

impl Describe {
    /// Checks what the protocol asks for: ids (not empty, printable, unique among the inputs and among the outputs,
    /// at most 64 characters), rates in (0, 100] Hz, ranges the right way round, watts finite and
    /// not negative, windows of 1 to 1000 ms.
    ///
    /// # Errors
    /// The first thing that is wrong, naming the input or output, the value and the bound.
    pub fn check(&self) -> Result<(), String> {
        if self.name.trim().is_empty() {
            return Err("the driver's name is empty".into());
        }
        let mut seen = BTreeSet::new();
        for input in &self.inputs {
            check_id("input", &input.id)?;
            if !seen.insert(&input.id) {
                return Err(format!("input `{}` is there twice", input.id));
            }
            input.check()?;
        }
        seen.clear();
        for output in &self.outputs {
            check_id("output", &output.id)?;
            if !seen.insert(&output.id) {
                return Err(format!("output `{}` is there twice", output.id));
            }
            output.check()?;
        }
        Ok(())
    }

    pub(super) fn parse(text: &str) -> Result<Self, Malformed> {
        let wrong = |what: String| Malformed::new(what, None, text.as_bytes());
        let line: DescribeLine<'_> = json::fields(text)?;
        if line.protocol != u64::from(PROTOCOL) {
            return Err(wrong(format!(
                "protocol {} isn't spoken here, only {PROTOCOL}",
                line.protocol
            )));
        }
        let mut inputs = Vec::with_capacity(line.inputs.len());
        for input in line.inputs {
            inputs.push(input.read().map_err(wrong)?);
        }
        let mut outputs = Vec::with_capacity(line.outputs.len());
        for output in line.outputs {
            outputs.push(output.read().map_err(wrong)?);
        }
        let describe = Describe {
            name: line.name.into_owned(),
            version: line.version.into_owned(),
            inputs,
            outputs,
            simulated: line.simulated,
        };
        describe.check().map_err(wrong)?;
        Ok(describe)
    }

    pub(super) fn write(&self, out: &mut Vec<u8>) {
        let mut line = ObjectLine::new(out, "describe")
            .whole("protocol", Some(u64::from(PROTOCOL)))
            .text("name", &self.name)
            .text("version", &self.version)
            .flag("simulated", self.simulated);
        let inputs: Vec<InputLine<'_>> = self.inputs.iter().map(InputLine::of).collect();
        json::serialize(line.key("inputs"), &inputs);
        let outputs: Vec<OutputLine<'_>> = self.outputs.iter().map(OutputLine::of).collect();
        json::serialize(line.key("outputs"), &outputs);
        line.end();
    }
}

impl Input {
    fn check(&self) -> Result<(), String> {
        let id = &self.id;
        match self.rate_hz {
            Some(rate) if !(rate > 0.0 && rate <= MAX_RATE_HZ) => {
                return Err(format!(
                    "input `{id}`: rate_hz {rate} is outside 0 (excluded) to {MAX_RATE_HZ}"
                ));
            }
            None if matches!(self.kind, InputKind::Temperature | InputKind::Thermocouple { .. }) => {
                return Err(format!("input `{id}`: a {} needs a rate_hz", self.kind.word()));
            }
            _ => {}
        }
        if let Some((low, high)) = self.range
            && !(low.is_finite() && high.is_finite() && low < high)
        {
            return Err(format!(
                "input `{id}`: range [{low}, {high}] isn't from low to high"
            ));
        }
        if let InputKind::Thermocouple { letter } = self.kind
            && !letter.is_ascii_uppercase()
        {
            return Err(format!(
                "input `{id}`: thermocouple type `{letter}` isn't a capital letter"
            ));
        }
        Ok(())
    }
}

impl Output {
    fn check(&self) -> Result<(), String> {
        let id = &self.id;
        if let Some(watts) = self.watts
            && !(watts.is_finite() && watts >= 0.0)
        {
            return Err(format!("output `{id}`: {watts} watts isn't zero or more"));
        }
        if let Some(window) = self.window_ms
            && !(1..=MAX_WINDOW_MS).contains(&window)
        {
            return Err(format!(
                "output `{id}`: window_ms {window} is outside 1 to {MAX_WINDOW_MS}"
            ));
        }
        Ok(())
    }
}

fn check_id(what: &str, id: &str) -> Result<(), String> {
    let count = id.chars().count();
    if count > MAX_ID_CHARS {
        return Err(format!(
            "an {what}'s id has {count} characters, {MAX_ID_CHARS} at most"
        ));
    }
    if id.trim().is_empty() || id.trim() != id || id.chars().any(char::is_control) {
        return Err(format!(
            "{what} id {id:?} is empty, has space at an end or isn't printable"
        ));
    }
    Ok(())
}

#[derive(Deserialize)]
struct DescribeLine<'a> {
    protocol: u64,
    #[serde(borrow)]
    name: Cow<'a, str>,
    #[serde(borrow, default)]
    version: Cow<'a, str>,
    #[serde(borrow, default)]
    inputs: Vec<InputLine<'a>>,
    #[serde(borrow, default)]
    outputs: Vec<OutputLine<'a>>,
    #[serde(default)]
    simulated: bool,
}

#[derive(Deserialize, Serialize)]
struct InputLine<'a> {
    #[serde(borrow)]
    id: Cow<'a, str>,
    #[serde(borrow)]
    kind: Cow<'a, str>,
    #[serde(rename = "type", skip_serializing_if = "Option::is_none")]
    letter: Option<char>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rate_hz: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    range: Option<(f64, f64)>,
}

impl<'a> InputLine<'a> {
    fn read(self) -> Result<Input, String> {
        let kind = match (&*self.kind, self.letter) {
            ("temperature", _) => InputKind::Temperature,
            ("thermocouple", Some(letter)) => InputKind::Thermocouple { letter },
            ("thermocouple", None) => {
                return Err(format!("input `{}`: a thermocouple needs a type", self.id));
            }
            ("presence", _) => InputKind::Presence,
            ("permissive", _) => InputKind::Permissive,
            ("current", _) => InputKind::Current,
            (other, _) => {
                return Err(format!(
                    "input `{}`: kind `{other}` isn't one of temperature, thermocouple, presence, permissive, current",
                    self.id
                ));
            }
        };
        Ok(Input {
            id: self.id.into_owned(),
            kind,
            rate_hz: self.rate_hz,
            range: self.range,
        })
    }

    fn of(input: &'a Input) -> Self {
        InputLine {
            id: Cow::Borrowed(&input.id),
            kind: Cow::Borrowed(input.kind.word()),
            letter: match input.kind {
                InputKind::Thermocouple { letter } => Some(letter),
                _ => None,
            },
            rate_hz: input.rate_hz,
            range: input.range,
        }
    }
}

#[derive(Deserialize, Serialize)]
struct OutputLine<'a> {
    #[serde(borrow)]
    id: Cow<'a, str>,
    #[serde(borrow)]
    kind: Cow<'a, str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    watts: Option<f64>,
    #[serde(default)]
    cuts: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    window_ms: Option<f64>,
}

impl<'a> OutputLine<'a> {
    fn read(self) -> Result<Output, String> {
        let id = self.id;
        if self.kind != "heat" {
            return Err(format!("output `{id}`: kind `{}` isn't heat", self.kind));
        }
        let window_ms = match self.window_ms {
            None => None,
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "the range is checked"
            )]
            Some(ms) if ms.fract() == 0.0 && ms >= 1.0 && ms <= f64::from(MAX_WINDOW_MS) => Some(ms as u32),
            Some(ms) => {
                return Err(format!(
                    "output `{id}`: window_ms {ms} isn't a whole number from 1 to {MAX_WINDOW_MS}"
                ));
            }
        };
        Ok(Output {
            id: id.into_owned(),
            watts: self.watts,
            cuts: self.cuts,
            window_ms,
        })
    }

    fn of(output: &'a Output) -> Self {
        OutputLine {
            id: Cow::Borrowed(&output.id),
            kind: Cow::Borrowed("heat"),
            watts: output.watts,
            cuts: output.cuts,
            window_ms: output.window_ms.map(f64::from),
        }
    }
}
