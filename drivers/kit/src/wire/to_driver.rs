//! What the daemon says to a driver.

use std::borrow::Cow;

use serde::Deserialize;
use serde_json::Value as Json;

use super::json::{self, ObjectLine};
use super::{MAX_TIME_SCALE, MAX_VALID_MS, Malformed, PROTOCOL};

/// One line to a driver.
#[derive(Debug, Clone, PartialEq)]
pub enum ToDriver<'a> {
    /// The first line.
    Configure(Box<Configure>),
    /// The permit to heat, for a moment.
    Heat(Heat<'a>),
    /// Zero, the second switch open, and no heat until `restore`.
    Cut(Switching<'a>),
    /// Heat may be granted again.
    Restore(Switching<'a>),
    /// Zero and exit.
    Close,
    /// Only when parsed: a command that is understood but can't be carried out as it stands. The driver sets the output
    /// to zero and answers `refused`.
    Refuse {
        /// The command to answer.
        seq: u64,
        /// Which output.
        output: Cow<'a, str>,
        /// Why not.
        text: String,
    },
    /// Only when parsed: a message that this version doesn't know.
    Unknown {
        /// Its `msg`.
        msg: Cow<'a, str>,
    },
}

/// `configure`: who the driver is and how it is set.
#[derive(Debug, Clone, PartialEq)]
pub struct Configure {
    /// The instance's name in the configuration.
    pub instance: String,
    /// The instance's settings as they stand in the configuration: an object.
    pub settings: Json,
    /// How many seconds of the lab pass in one second; 1 but for demos and tests.
    pub time_scale: f64,
}

/// `heat`: a fraction of full power, valid for a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Heat<'a> {
    /// Repeated in the answer.
    pub seq: u64,
    /// Which output.
    pub output: Cow<'a, str>,
    /// 0 to 1.
    pub fraction: f64,
    /// From arrival, milliseconds of the lab's time, 1 to [`MAX_VALID_MS`].
    pub valid_ms: u32,
    /// Where in each window the on-time starts, milliseconds.
    pub offset_ms: Option<f64>,
}

/// `cut` or `restore`.
#[derive(Debug, Clone, PartialEq)]
pub struct Switching<'a> {
    /// Repeated in the answer.
    pub seq: u64,
    /// Which output.
    pub output: Cow<'a, str>,
}

impl<'a> ToDriver<'a> {
    /// Reads one line, with or without its `\n`.
    ///
    /// A `heat` that names its `seq` and `output` but whose `fraction`, `valid_ms` or `offset_ms` is missing or
    /// out of bounds comes out as [`ToDriver::Refuse`]. `valid_ms` above 1500 comes out as 1500.
    ///
    /// # Errors
    /// [`Malformed`] for anything else that isn't a message of the protocol.
    pub fn parse(line: &'a [u8]) -> Result<Self, Malformed> {
        let (msg, text) = json::name_of(line)?;
        match &*msg {
            "heat" => {
                let fields: HeatLine<'_> = json::fields(text)?;
                Ok(fields.read())
            }
            "cut" => {
                let fields: SwitchingLine<'_> = json::fields(text)?;
                Ok(ToDriver::Cut(Switching {
                    seq: fields.seq,
                    output: fields.output,
                }))
            }
            "restore" => {
                let fields: SwitchingLine<'_> = json::fields(text)?;
                Ok(ToDriver::Restore(Switching {
                    seq: fields.seq,
                    output: fields.output,
                }))
            }
            "close" => Ok(ToDriver::Close),
            "configure" => {
                let fields: ConfigureLine<'_> = json::fields(text)?;
                let configure = fields
                    .read()
                    .map_err(|what| Malformed::new(what, None, text.as_bytes()))?;
                Ok(ToDriver::Configure(Box::new(configure)))
            }
            _ => Ok(ToDriver::Unknown { msg }),
        }
    }

    /// Appends the line, with its `\n`. [`ToDriver::Refuse`] writes nothing: it exists only on the driver's side.
    pub fn write_line(&self, out: &mut Vec<u8>) {
        match self {
            ToDriver::Configure(configure) => {
                let mut line = ObjectLine::new(out, "configure")
                    .whole("protocol", Some(u64::from(PROTOCOL)))
                    .text("instance", &configure.instance);
                #[expect(clippy::float_cmp, reason = "exactly 1 is what a missing field means")]
                if configure.time_scale != 1.0 {
                    line = line.number("time_scale", Some(configure.time_scale));
                }
                json::serialize(line.key("settings"), &configure.settings);
                line.end();
            }
            ToDriver::Heat(heat) => ObjectLine::new(out, "heat")
                .whole("seq", Some(heat.seq))
                .text("output", &heat.output)
                .number("fraction", Some(heat.fraction))
                .whole("valid_ms", Some(u64::from(heat.valid_ms)))
                .number("offset_ms", heat.offset_ms)
                .end(),
            ToDriver::Cut(switching) => switching.write(out, "cut"),
            ToDriver::Restore(switching) => switching.write(out, "restore"),
            ToDriver::Close => ObjectLine::new(out, "close").end(),
            ToDriver::Refuse { .. } => {}
            ToDriver::Unknown { msg } => ObjectLine::new(out, msg).end(),
        }
    }
}

impl Switching<'_> {
    fn write(&self, out: &mut Vec<u8>, msg: &str) {
        ObjectLine::new(out, msg)
            .whole("seq", Some(self.seq))
            .text("output", &self.output)
            .end();
    }
}

#[derive(Deserialize)]
struct HeatLine<'a> {
    seq: u64,
    #[serde(borrow)]
    output: Cow<'a, str>,
    // Any JSON here: a wrong one concerns this output only and is refused, not malformed.
    #[serde(default)]
    fraction: Json,
    #[serde(default)]
    valid_ms: Json,
    #[serde(default)]
    offset_ms: Json,
}

impl<'a> HeatLine<'a> {
    fn read(self) -> ToDriver<'a> {
        let HeatLine {
            seq,
            output,
            fraction,
            valid_ms,
            offset_ms,
        } = self;
        match amounts(&fraction, &valid_ms, &offset_ms) {
            Ok((fraction, valid_ms, offset_ms)) => ToDriver::Heat(Heat {
                seq,
                output,
                fraction,
                valid_ms,
                offset_ms,
            }),
            Err(text) => ToDriver::Refuse { seq, output, text },
        }
    }
}

fn amounts(fraction: &Json, valid_ms: &Json, offset_ms: &Json) -> Result<(f64, u32, Option<f64>), String> {
    let share = match fraction.as_f64() {
        Some(share) if (0.0..=1.0).contains(&share) => share + 0.0,
        _ if fraction.is_null() => return Err("fraction is missing".into()),
        _ => return Err(format!("fraction {fraction} is outside 0 to 1")),
    };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 1 and 1500 by then"
    )]
    let valid = match valid_ms.as_f64() {
        Some(ms) if ms >= 1.0 => ms.min(f64::from(MAX_VALID_MS)) as u32,
        _ if valid_ms.is_null() => return Err("valid_ms is missing".into()),
        _ => return Err(format!("valid_ms {valid_ms} is below 1")),
    };
    let offset = match offset_ms.as_f64() {
        Some(ms) if ms >= 0.0 => Some(ms),
        _ if offset_ms.is_null() => None,
        _ => return Err(format!("offset_ms {offset_ms} is below 0")),
    };
    Ok((share, valid, offset))
}

#[derive(Deserialize)]
struct SwitchingLine<'a> {
    seq: u64,
    #[serde(borrow)]
    output: Cow<'a, str>,
}

#[derive(Deserialize)]
struct ConfigureLine<'a> {
    protocol: u64,
    #[serde(borrow)]
    instance: Cow<'a, str>,
    #[serde(default)]
    settings: Json,
    time_scale: Option<f64>,
}

impl ConfigureLine<'_> {
    fn read(self) -> Result<Configure, String> {
        if self.protocol != u64::from(PROTOCOL) {
            return Err(format!(
                "protocol {} isn't spoken here, only {PROTOCOL}",
                self.protocol
            ));
        }
        let time_scale = self.time_scale.unwrap_or(1.0);
        if !(time_scale > 0.0 && time_scale <= MAX_TIME_SCALE) {
            return Err(format!(
                "time_scale {time_scale} is outside 0 (excluded) to {MAX_TIME_SCALE}"
            ));
        }
        let settings = match self.settings {
            Json::Null => Json::Object(serde_json::Map::new()),
            settings @ Json::Object(_) => settings,
            other => return Err(format!("settings must be an object, not {other}")),
        };
        Ok(Configure {
            instance: self.instance.into_owned(),
            settings,
            time_scale,
        })
    }
}

#[cfg(test)]
mod tests;
