//! One temperature of a device: which files it is made of, and what they say now.
//!
//! By the kernel's ABI documents (`sysfs-bus-iio`, `sysfs-bus-iio-temperature-max31856`, `hwmon/sysfs-interface`):
//! an IIO temperature is (raw + offset) x scale, or `input` where the kernel has worked it out; both are in thousandths of
//! a degree Celsius, as is hwmon's `input`.

use std::path::PathBuf;

use benchward_driver::wire::Fault;
use rustix::io::Errno;

use crate::attribute::{self, Unread};
use crate::device::{Device, Interface};

/// Divided by, rather than multiplied with its inverse: thousandths become the nearest number there is.
const MILLI: f64 = 1e3;

/// Nothing is colder.
const ABSOLUTE_ZERO_CELSIUS: f64 = -273.15;

/// Which temperature of a device, and what is expected of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Choice {
    /// Its name in the files, such as `temp`, `temp1`, `temp_object`.
    pub(crate) channel: Option<String>,
    /// What its `label` file says.
    pub(crate) label: Option<String>,
    /// What `thermocouple_type` has to say.
    pub(crate) thermocouple_type: Option<char>,
    /// Values outside are a fault, degrees Celsius.
    pub(crate) range_celsius: Option<(f64, f64)>,
}

/// What a channel says now.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Reading {
    Celsius {
        celsius: f64,
        cold_junction: Option<f64>,
    },
    Fault {
        kind: Fault,
        text: String,
    },
}

/// The files that one temperature is made of.
#[derive(Debug)]
pub(crate) struct Channel {
    device_name: String,
    value: Source,
    cold_junction: Option<Source>,
    flags: Vec<Flag>,
    thermocouple_type: Option<(PathBuf, char)>,
    range_celsius: Option<(f64, f64)>,
}

#[derive(Debug)]
enum Source {
    /// Thousandths of a degree.
    Input(PathBuf),
    Raw {
        raw: PathBuf,
        scale: PathBuf,
        offset: Option<PathBuf>,
        /// The raw value is a 16-bit word that may come without its sign.
        unsigned_word: bool,
    },
}

/// A file that is 1 when something is wrong.
#[derive(Debug)]
struct Flag {
    path: PathBuf,
    file: String,
    kind: Fault,
}

impl Channel {
    /// The files of the chosen temperature.
    ///
    /// # Errors
    /// In words, if the device has no such temperature, or more than one and none was chosen.
    pub(crate) fn of(device: &Device, interface: Interface, choice: &Choice) -> Result<Self, String> {
        let files = Files {
            device,
            names: device.files(),
        };
        let stems = files.stems(interface);
        let stem = files.choose(interface, &stems, choice)?;
        let (value, cold_junction, flags) = match interface {
            Interface::Hwmon => (
                Source::Input(files.path(&format!("{stem}_input"))),
                None,
                files
                    .flag(format!("{stem}_fault"), Fault::Open)
                    .into_iter()
                    .collect(),
            ),
            Interface::Iio => (
                files.source(&stem, &stems)?,
                files.cold_junction_of(&stem, &stems)?,
                files.device_flags(),
            ),
        };
        let thermocouple_type = match choice.thermocouple_type {
            None => None,
            Some(letter) => {
                let file = files.first_of(&[
                    format!("in_{stem}_thermocouple_type"),
                    "in_temp_thermocouple_type".into(),
                ]);
                let path = file.ok_or_else(|| {
                    format!("{device} doesn't say its thermocouple type: leave `thermocouple_type` out")
                })?;
                Some((path, letter))
            }
        };
        Ok(Channel {
            device_name: device.name.clone(),
            value,
            cold_junction,
            flags,
            thermocouple_type,
            range_celsius: choice.range_celsius,
        })
    }

    /// Whether the converter is set to the thermocouple that is expected.
    ///
    /// # Errors
    /// In words, if it isn't or doesn't say.
    pub(crate) fn check_thermocouple_type(&self) -> Result<(), String> {
        let Some((path, expected)) = &self.thermocouple_type else {
            return Ok(());
        };
        let text = attribute::text(path).map_err(|e| e.to_string())?;
        if text.trim() == expected.to_string() {
            return Ok(());
        }
        Err(format!(
            "{}: the converter is set to thermocouple type `{text}`, expected `{expected}`; set it in the device tree, \
             or by `echo {expected}` into that file where it may be written",
            path.display()
        ))
    }

    /// Reads it. The value comes first and the flags after it: a fault that shows in between counts.
    pub(crate) fn read(&self) -> Reading {
        if let Err(text) = self.check_thermocouple_type() {
            return fault(Fault::Device, text);
        }
        let value = self.value.millidegrees();
        if let Some(reading) = self.flagged(value.as_ref().err()) {
            return reading;
        }
        let celsius = match value {
            Ok(millidegrees) => millidegrees / MILLI,
            Err(unread) => return self.unread(&unread),
        };
        let cold_junction = match self.cold_junction.as_ref().map(Source::millidegrees).transpose() {
            Ok(millidegrees) => millidegrees.map(|m| m / MILLI),
            // The converter has compensated with what can't be read now.
            Err(unread) => return fault(Fault::ColdJunction, unread.to_string()),
        };
        let (low, high) = self.range_celsius.unwrap_or((ABSOLUTE_ZERO_CELSIUS, f64::MAX));
        if !(low..=high).contains(&celsius) {
            let bound = match self.range_celsius {
                Some((low, high)) => format!("outside range_celsius, {low} to {high}"),
                None => format!("below absolute zero, {ABSOLUTE_ZERO_CELSIUS} °C"),
            };
            return fault(Fault::Range, format!("{celsius} °C is {bound}"));
        }
        Reading::Celsius {
            celsius,
            cold_junction,
        }
    }

    /// A fault that the device's flags tell. A good number beside a raised flag isn't believed.
    fn flagged(&self, unread: Option<&Unread>) -> Option<Reading> {
        let mut raised: Vec<&Flag> = Vec::new();
        for flag in &self.flags {
            match attribute::flag(&flag.path) {
                Ok(false) => {}
                Ok(true) => raised.push(flag),
                // The error of the value itself says more.
                Err(_) if unread.is_some() => {}
                Err(error) => return Some(fault(Fault::Device, error.to_string())),
            }
        }
        let kind = raised.iter().map(|f| f.kind).min()?;
        let files: Vec<&str> = raised.iter().map(|f| f.file.as_str()).collect();
        let mut text = format!("{} = 1", files.join(" = 1, "));
        if let Some(unread) = unread {
            text = format!("{text}; {unread}");
        }
        Some(fault(kind, text))
    }

    fn unread(&self, unread: &Unread) -> Reading {
        match unread.errno() {
            // That driver has one error for its chip's one fault bit, and no files that say more.
            Some(Errno::INVAL) if self.device_name == "maxim_thermocouple" => fault(
                Fault::Open,
                format!("{unread}: the converter sees an open or shorted thermocouple"),
            ),
            Some(Errno::BUSY) => fault(
                Fault::Device,
                format!("{unread}: some program runs the device's buffer"),
            ),
            Some(Errno::NODATA) => fault(
                Fault::Device,
                format!("{unread}: the sensor is switched off (its `_enable` file)"),
            ),
            _ => fault(Fault::Device, unread.to_string()),
        }
    }
}

impl Source {
    /// Thousandths of a degree Celsius.
    fn millidegrees(&self) -> Result<f64, Unread> {
        match self {
            Source::Input(path) => attribute::number(path),
            Source::Raw {
                raw,
                scale,
                offset,
                unsigned_word,
            } => {
                let mut raw = attribute::number(raw)?;
                if *unsigned_word && raw > f64::from(i16::MAX) {
                    raw -= 65_536.0;
                }
                let offset = offset.as_deref().map_or(Ok(0.0), attribute::number)?;
                Ok((raw + offset) * attribute::number(scale)?)
            }
        }
    }
}

fn fault(kind: Fault, text: String) -> Reading {
    Reading::Fault { kind, text }
}

/// A device's files while a channel is put together.
struct Files<'d> {
    device: &'d Device,
    names: Vec<String>,
}

impl Files<'_> {
    fn path(&self, file: &str) -> PathBuf {
        self.device.folder.join(file)
    }

    fn has(&self, file: &str) -> bool {
        self.names.iter().any(|n| n == file)
    }

    fn first_of(&self, files: &[String]) -> Option<PathBuf> {
        files.iter().find(|f| self.has(f)).map(|f| self.path(f))
    }

    /// The names of the device's temperatures: `temp`, `temp1`, `temp_ambient`, `temp_object` ...
    fn stems(&self, interface: Interface) -> Vec<String> {
        let stem = |file: &str| -> Option<String> {
            let stem = match interface {
                Interface::Iio => {
                    let rest = file.strip_prefix("in_")?;
                    rest.strip_suffix("_raw")
                        .or_else(|| rest.strip_suffix("_input"))?
                }
                Interface::Hwmon => file.strip_suffix("_input")?,
            };
            let rest = stem.strip_prefix("temp")?;
            let digits = rest.trim_start_matches(|c: char| c.is_ascii_digit());
            (digits.is_empty() || digits.starts_with('_')).then(|| stem.to_owned())
        };
        let mut stems: Vec<String> = self.names.iter().filter_map(|n| stem(n)).collect();
        stems.sort();
        stems.dedup();
        stems
    }

    fn choose(&self, interface: Interface, stems: &[String], choice: &Choice) -> Result<String, String> {
        let device = self.device;
        let prefix = match interface {
            Interface::Iio => "in_",
            Interface::Hwmon => "",
        };
        let there = if stems.is_empty() {
            "none".to_owned()
        } else {
            format!("`{}`", stems.join("`, `"))
        };
        if let Some(channel) = &choice.channel {
            if stems.contains(channel) {
                return Ok(channel.clone());
            }
            return Err(format!("{device} has no channel `{channel}`; it has: {there}"));
        }
        let fitting: Vec<&String> = match &choice.label {
            Some(label) => stems
                .iter()
                .filter(|s| {
                    attribute::text(&self.path(&format!("{prefix}{s}_label"))).is_ok_and(|l| l == *label)
                })
                .collect(),
            // The cold junction is never meant unless it is named.
            None => stems.iter().filter(|s| !s.ends_with("_ambient")).collect(),
        };
        match (fitting.as_slice(), &choice.label) {
            ([one], _) => Ok((*one).clone()),
            ([], Some(label)) => Err(format!(
                "{device} has no channel labelled `{label}`; it has: {there}"
            )),
            (_, Some(label)) => Err(format!(
                "{device} has more than one channel labelled `{label}`: name one by `channel`; it has: {there}"
            )),
            (_, None) => Err(format!(
                "{device}: name one channel by `channel`; it has: {there}"
            )),
        }
    }

    /// How an IIO temperature is read.
    ///
    /// Scale and offset may be the channel's own or shared by all temperatures, and then they are called as those of an unnumbered
    /// channel `temp` would be. So where there is one, its offset counts for another channel only if its scale does.
    fn source(&self, stem: &str, stems: &[String]) -> Result<Source, String> {
        let input = format!("in_{stem}_input");
        if self.has(&input) {
            return Ok(Source::Input(self.path(&input)));
        }
        let own_scale = format!("in_{stem}_scale");
        let shares = !self.has(&own_scale) || !stems.iter().any(|s| s == "temp");
        let scale = self
            .first_of(&[own_scale, "in_temp_scale".into()])
            .ok_or_else(|| {
                format!(
                    "{} has in_{stem}_raw but no scale that says what it means in degrees",
                    self.device
                )
            })?;
        let shared_offset = shares.then(|| "in_temp_offset".to_owned());
        let offsets: Vec<String> = [format!("in_{stem}_offset")]
            .into_iter()
            .chain(shared_offset)
            .collect();
        Ok(Source::Raw {
            raw: self.path(&format!("in_{stem}_raw")),
            scale,
            offset: self.first_of(&offsets),
            // The kernel's first version of that driver hands out the register as it is: 65536 - n below 0 °C.
            unsigned_word: matches!(self.device.name.as_str(), "mcp9600" | "mcp9601"),
        })
    }

    /// The cold junction of a thermocouple's channel, if the device tells it.
    fn cold_junction_of(&self, stem: &str, stems: &[String]) -> Result<Option<Source>, String> {
        let number = stem.strip_prefix("temp").unwrap_or(stem);
        if !number.bytes().all(|b| b.is_ascii_digit()) {
            return Ok(None);
        }
        let ambient = [format!("{stem}_ambient"), "temp_ambient".to_owned()]
            .into_iter()
            .find(|a| stems.contains(a));
        ambient.map(|a| self.source(&a, stems)).transpose()
    }

    fn flag(&self, file: String, kind: Fault) -> Option<Flag> {
        let path = self.path(&file);
        self.has(&file).then_some(Flag { path, file, kind })
    }

    /// `fault_oc` is an open circuit, `fault_ovuv` a voltage outside the supply's; any other is the device's own.
    fn device_flags(&self) -> Vec<Flag> {
        let kind = |file: &str| match file {
            "fault_oc" => Fault::Open,
            "fault_ovuv" => Fault::Range,
            _ => Fault::Device,
        };
        self.names
            .iter()
            .filter(|n| n.starts_with("fault_"))
            .filter_map(|n| self.flag(n.clone(), kind(n)))
            .collect()
    }
}
