//! What a driver says.

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::fmt;

use serde::Deserialize;
use serde::de::{Deserializer, MapAccess, Visitor};

use super::json::{self, ObjectLine, Text};
use super::{Describe, Malformed};

/// One line from a driver. Ids and texts borrow from the line where they can.
#[derive(Debug, Clone, PartialEq)]
pub enum FromDriver<'a> {
    /// What it offers; the answer to `configure`.
    Describe(Box<Describe>),
    /// Newest values of some of its inputs, and its sign of life.
    Scan(Scan<'a>),
    /// What an output's hardware was told, after it was told.
    Applied(Applied<'a>),
    /// A command that wasn't carried out; that output is at zero.
    Refused(Refused<'a>),
    /// Something for the log.
    Notice {
        /// How bad it is.
        level: Level,
        /// What it is.
        text: Cow<'a, str>,
    },
    /// The driver can't go on; its outputs go to zero and it exits.
    Failed {
        /// Why.
        text: Cow<'a, str>,
    },
    /// A message that this version doesn't know. To be logged once and ignored.
    Unknown {
        /// Its `msg`.
        msg: Cow<'a, str>,
    },
}

/// Newest values of some inputs.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Scan<'a> {
    /// When they were sampled, milliseconds of `CLOCK_MONOTONIC`; `None`: arrival counts.
    pub at_ms: Option<f64>,
    /// Input id and value, in the driver's order; no id twice.
    pub values: Vec<(Cow<'a, str>, Value<'a>)>,
}

/// What an input delivered.
#[derive(Debug, Clone, PartialEq)]
pub enum Value<'a> {
    /// A converted temperature.
    Temperature {
        /// Degrees Celsius.
        celsius: f64,
        /// The cold junction, degrees Celsius, where there is one.
        cold_junction: Option<f64>,
    },
    /// A raw thermocouple voltage.
    Thermocouple {
        /// Millivolts between the leads.
        millivolts: f64,
        /// The cold junction, degrees Celsius.
        cold_junction: f64,
    },
    /// A yes/no input.
    Active(bool),
    /// A current, amperes.
    Amps(f64),
    /// No value, and why.
    Fault {
        /// What is wrong with it.
        kind: Fault,
        /// More about it, where the driver can tell.
        text: Option<Cow<'a, str>>,
    },
}

/// Why an input has no value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// The sensor is broken or unplugged.
    Open,
    /// The leads touch each other, ground or supply.
    Short,
    /// The value is outside what the input can measure.
    Range,
    /// The cold junction can't be measured.
    ColdJunction,
    /// The converter doesn't answer.
    Device,
}

impl Fault {
    /// All of them.
    pub const ALL: [Fault; 5] = [
        Fault::Open,
        Fault::Short,
        Fault::Range,
        Fault::ColdJunction,
        Fault::Device,
    ];

    /// The word on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Fault::Open => "open",
            Fault::Short => "short",
            Fault::Range => "range",
            Fault::ColdJunction => "cold-junction",
            Fault::Device => "device",
        }
    }

    /// The fault with this word on the wire.
    pub fn from_word(word: &str) -> Option<Self> {
        Fault::ALL.into_iter().find(|f| f.word() == word)
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// What an output's hardware was told.
#[derive(Debug, Clone, PartialEq)]
pub struct Applied<'a> {
    /// The command answered; `None` when the driver acted by itself (a lapse).
    pub seq: Option<u64>,
    /// Which output.
    pub output: Cow<'a, str>,
    /// What it was told, 0 to 1.
    pub fraction: f64,
    /// When, milliseconds of `CLOCK_MONOTONIC`.
    pub at_ms: Option<f64>,
    /// Heat is refused until `restore`.
    pub cut: bool,
    /// The permit ran out.
    pub lapsed: bool,
    /// Share of the last window that a time-proportioned output was really on, 0 to 1.
    pub fired: Option<f64>,
}

/// A command that wasn't carried out.
#[derive(Debug, Clone, PartialEq)]
pub struct Refused<'a> {
    /// The command answered.
    pub seq: Option<u64>,
    /// Which output, as the command named it.
    pub output: Cow<'a, str>,
    /// Why.
    pub text: Cow<'a, str>,
}

/// How bad a notice is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// Worth knowing.
    Info,
    /// Something is not as it should be, and it goes on.
    Warn,
    /// Something failed.
    Error,
}

impl Level {
    /// The word on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Level::Info => "info",
            Level::Warn => "warn",
            Level::Error => "error",
        }
    }
}

impl<'a> FromDriver<'a> {
    /// Reads one line, with or without its `\n`.
    ///
    /// # Errors
    /// [`Malformed`] for anything that isn't a message of the protocol: not UTF-8, over 64 KiB, not
    /// a JSON object, a missing or mistyped field, a number that isn't finite, a fraction outside 0..1, a
    /// duplicate id, and for `describe` all that [`Describe::check`] finds.
    pub fn parse(line: &'a [u8]) -> Result<Self, Malformed> {
        let (msg, text) = json::name_of(line)?;
        let wrong = |what: String| Malformed::new(what, None, line);
        match &*msg {
            "scan" => {
                let fields: ScanLine<'_> = json::fields(text)?;
                let values = fields.values.0;
                if let Some(id) = repeated(&values) {
                    return Err(wrong(format!("input `{id}` is there twice")));
                }
                Ok(FromDriver::Scan(Scan {
                    at_ms: fields.at_ms,
                    values,
                }))
            }
            "applied" => {
                let fields: AppliedLine<'_> = json::fields(text)?;
                let fraction = share("fraction", fields.fraction).map_err(wrong)?;
                let fired = fields
                    .fired
                    .map(|f| share("fired", f))
                    .transpose()
                    .map_err(wrong)?;
                Ok(FromDriver::Applied(Applied {
                    seq: fields.seq,
                    output: fields.output,
                    fraction,
                    at_ms: fields.at_ms,
                    cut: fields.cut,
                    lapsed: fields.lapsed,
                    fired,
                }))
            }
            "refused" => {
                let fields: RefusedLine<'_> = json::fields(text)?;
                Ok(FromDriver::Refused(Refused {
                    seq: fields.seq,
                    output: fields.output,
                    text: fields.text,
                }))
            }
            "notice" => {
                let fields: NoticeLine<'_> = json::fields(text)?;
                let level = [Level::Info, Level::Warn, Level::Error]
                    .into_iter()
                    .find(|l| l.word() == fields.level)
                    .ok_or_else(|| {
                        wrong(format!("level `{}` isn't one of info, warn, error", fields.level))
                    })?;
                Ok(FromDriver::Notice {
                    level,
                    text: fields.text,
                })
            }
            "failed" => {
                let fields: FailedLine<'_> = json::fields(text)?;
                Ok(FromDriver::Failed { text: fields.text })
            }
            "describe" => Ok(FromDriver::Describe(Box::new(Describe::parse(text)?))),
            _ => Ok(FromDriver::Unknown { msg }),
        }
    }

    /// Appends the line, with its `\n`.
    ///
    /// A value that isn't finite can't be written; it goes out as a `range` fault.
    pub fn write_line(&self, out: &mut Vec<u8>) {
        match self {
            FromDriver::Describe(describe) => describe.write(out),
            FromDriver::Scan(scan) => scan.write(out),
            FromDriver::Applied(applied) => ObjectLine::new(out, "applied")
                .whole("seq", applied.seq)
                .text("output", &applied.output)
                .number("fraction", Some(applied.fraction))
                .flag("cut", applied.cut)
                .flag("lapsed", applied.lapsed)
                .number("fired", applied.fired)
                .number("at_ms", applied.at_ms.map(json::to_microseconds))
                .end(),
            FromDriver::Refused(refused) => ObjectLine::new(out, "refused")
                .whole("seq", refused.seq)
                .text("output", &refused.output)
                .text("text", &refused.text)
                .end(),
            FromDriver::Notice { level, text } => {
                ObjectLine::new(out, "notice")
                    .text("level", level.word())
                    .text("text", text)
                    .end();
            }
            FromDriver::Failed { text } => ObjectLine::new(out, "failed").text("text", text).end(),
            FromDriver::Unknown { msg } => ObjectLine::new(out, msg).end(),
        }
    }
}

impl Scan<'_> {
    fn write(&self, out: &mut Vec<u8>) {
        let mut line = ObjectLine::new(out, "scan").number("at_ms", self.at_ms.map(json::to_microseconds));
        let out = line.key("values");
        out.push(b'{');
        for (n, (id, value)) in self.values.iter().enumerate() {
            if n > 0 {
                out.push(b',');
            }
            json::string(out, id);
            out.push(b':');
            value.write(out);
        }
        out.push(b'}');
        line.end();
    }
}

impl Value<'_> {
    fn write(&self, out: &mut Vec<u8>) {
        let not_finite = Value::Fault {
            kind: Fault::Range,
            text: Some("not a finite number".into()),
        };
        match *self {
            Value::Temperature {
                celsius,
                cold_junction,
            } => {
                if !celsius.is_finite() {
                    return not_finite.write(out);
                }
                out.extend_from_slice(br#"{"celsius":"#);
                json::number(out, celsius);
                if let Some(cold) = cold_junction.filter(|c| c.is_finite()) {
                    out.extend_from_slice(br#","cold_junction":"#);
                    json::number(out, cold);
                }
            }
            Value::Thermocouple {
                millivolts,
                cold_junction,
            } => {
                if !(millivolts.is_finite() && cold_junction.is_finite()) {
                    return not_finite.write(out);
                }
                out.extend_from_slice(br#"{"millivolts":"#);
                json::number(out, millivolts);
                out.extend_from_slice(br#","cold_junction":"#);
                json::number(out, cold_junction);
            }
            Value::Active(active) => {
                out.extend_from_slice(br#"{"active":"#);
                out.extend_from_slice(if active { b"true" } else { b"false" });
            }
            Value::Amps(amps) => {
                if !amps.is_finite() {
                    return not_finite.write(out);
                }
                out.extend_from_slice(br#"{"amps":"#);
                json::number(out, amps);
            }
            Value::Fault { kind, ref text } => {
                out.extend_from_slice(br#"{"fault":"#);
                json::string(out, kind.word());
                if let Some(text) = text {
                    out.extend_from_slice(br#","text":"#);
                    json::string(out, text);
                }
            }
        }
        out.push(b'}');
    }

    /// The same value with nothing borrowed.
    pub fn into_owned(self) -> Value<'static> {
        match self {
            Value::Temperature {
                celsius,
                cold_junction,
            } => Value::Temperature {
                celsius,
                cold_junction,
            },
            Value::Thermocouple {
                millivolts,
                cold_junction,
            } => Value::Thermocouple {
                millivolts,
                cold_junction,
            },
            Value::Active(active) => Value::Active(active),
            Value::Amps(amps) => Value::Amps(amps),
            Value::Fault { kind, text } => Value::Fault {
                kind,
                text: text.map(|t| Cow::Owned(t.into_owned())),
            },
        }
    }
}

/// Up to here comparing every pair is quicker than building a set.
const FEW: usize = 16;

fn repeated<'v>(values: &'v [(Cow<'_, str>, Value<'_>)]) -> Option<&'v str> {
    if values.len() <= FEW {
        let mut rest = values;
        while let Some(((id, _), tail)) = rest.split_first() {
            if tail.iter().any(|(other, _)| other == id) {
                return Some(id);
            }
            rest = tail;
        }
        return None;
    }
    let mut seen = BTreeSet::new();
    values.iter().map(|(id, _)| &**id).find(|id| !seen.insert(*id))
}

/// A number from 0 to 1; minus zero becomes zero.
fn share(what: &str, value: f64) -> Result<f64, String> {
    if (0.0..=1.0).contains(&value) {
        Ok(value + 0.0)
    } else {
        Err(format!("{what} {value} is outside 0 to 1"))
    }
}

#[derive(Deserialize)]
struct ScanLine<'a> {
    at_ms: Option<f64>,
    #[serde(borrow)]
    values: Values<'a>,
    // Named only so that a second `msg` is an error here too.
    #[serde(rename = "msg", borrow)]
    _msg: Text<'a>,
}

struct Values<'a>(Vec<(Cow<'a, str>, Value<'a>)>);

impl<'de: 'a, 'a> Deserialize<'de> for Values<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct ValuesVisitor;
        impl<'de> Visitor<'de> for ValuesVisitor {
            type Value = Values<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object of input ids and values")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Values<'de>, A::Error> {
                let mut values = Vec::with_capacity(map.size_hint().unwrap_or(8));
                while let Some(id) = map.next_key::<Text<'de>>()? {
                    let fields = map.next_value::<ValueLine<'de>>()?;
                    let value = fields.read(&id.0).map_err(serde::de::Error::custom)?;
                    values.push((id.0, value));
                }
                Ok(Values(values))
            }
        }
        deserializer.deserialize_map(ValuesVisitor)
    }
}

#[derive(Deserialize)]
struct ValueLine<'a> {
    celsius: Option<f64>,
    millivolts: Option<f64>,
    cold_junction: Option<f64>,
    active: Option<bool>,
    amps: Option<f64>,
    #[serde(borrow)]
    fault: Option<Text<'a>>,
    #[serde(borrow)]
    text: Option<Text<'a>>,
}

impl<'a> ValueLine<'a> {
    fn read(self, id: &str) -> Result<Value<'a>, String> {
        if let Some(word) = self.fault {
            // A fault beside a value: believe the fault.
            let kind = Fault::from_word(&word.0).ok_or_else(|| {
                format!(
                    "input `{id}`: fault `{}` isn't one of open, short, range, cold-junction, device",
                    word.0
                )
            })?;
            return Ok(Value::Fault {
                kind,
                text: self.text.map(|t| t.0),
            });
        }
        match (self.celsius, self.millivolts, self.active, self.amps) {
            (Some(celsius), None, None, None) => Ok(Value::Temperature {
                celsius,
                cold_junction: self.cold_junction,
            }),
            (None, Some(millivolts), None, None) => match self.cold_junction {
                Some(cold_junction) => Ok(Value::Thermocouple {
                    millivolts,
                    cold_junction,
                }),
                None => Err(format!(
                    "input `{id}`: millivolts need a cold_junction beside them"
                )),
            },
            (None, None, Some(active), None) => Ok(Value::Active(active)),
            (None, None, None, Some(amps)) => Ok(Value::Amps(amps)),
            (None, None, None, None) => Err(format!(
                "input `{id}` has none of celsius, millivolts, active, amps, fault"
            )),
            _ => Err(format!(
                "input `{id}` has more than one of celsius, millivolts, active, amps"
            )),
        }
    }
}

#[derive(Deserialize)]
struct AppliedLine<'a> {
    seq: Option<u64>,
    #[serde(borrow)]
    output: Cow<'a, str>,
    fraction: f64,
    at_ms: Option<f64>,
    #[serde(default)]
    cut: bool,
    #[serde(default)]
    lapsed: bool,
    fired: Option<f64>,
}

#[derive(Deserialize)]
struct RefusedLine<'a> {
    seq: Option<u64>,
    #[serde(borrow)]
    output: Cow<'a, str>,
    #[serde(borrow, default)]
    text: Cow<'a, str>,
}

#[derive(Deserialize)]
struct NoticeLine<'a> {
    #[serde(borrow)]
    level: Cow<'a, str>,
    #[serde(borrow, default)]
    text: Cow<'a, str>,
}

#[derive(Deserialize)]
struct FailedLine<'a> {
    #[serde(borrow, default)]
    text: Cow<'a, str>,
}

#[cfg(test)]
mod tests;
