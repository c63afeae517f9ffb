//! What an instance can be set to.

use std::collections::BTreeMap;
use std::path::PathBuf;

use benchward_driver::{Failure, wire};
use serde::Deserialize;

use crate::channel::Choice;
use crate::device::{Interface, Wanted};

/// Letters that `thermocouple_type` of the kernel's ABI may say.
const THERMOCOUPLE_TYPES: &str = "BEJKNRST";

/// Settings of one instance, as they stand in the configuration.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Settings {
    /// Where `sys` is: `/`, but for tests.
    #[serde(default = "root")]
    pub(crate) root: PathBuf,
    /// How often all inputs are read, above 0 and at most 100. Thermocouple converters take about 0.1 s for a value.
    #[serde(default = "five")]
    pub(crate) rate_hz: f64,
    /// The inputs by their ids.
    pub(crate) inputs: BTreeMap<String, InputSettings>,
}

/// One input.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct InputSettings {
    #[serde(default)]
    interface: Interface,
    name: String,
    parent: Option<PathBuf>,
    channel: Option<String>,
    label: Option<String>,
    thermocouple_type: Option<char>,
    range_celsius: Option<(f64, f64)>,
}

fn root() -> PathBuf {
    PathBuf::from("/")
}

fn five() -> f64 {
    5.0
}

impl Settings {
    /// Checks what the types don't.
    ///
    /// # Errors
    /// The first thing that is wrong, with the bound and what would be right.
    pub(crate) fn check(&self) -> Result<(), Failure> {
        if !(self.rate_hz > 0.0 && self.rate_hz <= wire::MAX_RATE_HZ) {
            return Err(Failure::new(format!(
                "rate_hz = {} is outside 0 (excluded) to {}",
                self.rate_hz,
                wire::MAX_RATE_HZ
            )));
        }
        if self.inputs.is_empty() {
            return Err(Failure::new(
                "there are no inputs: add one, such as inputs.tc1 = { name = \"max31856\" }",
            ));
        }
        for (id, input) in &self.inputs {
            input
                .check()
                .map_err(|what| Failure::new(format!("inputs.{id}: {what}")))?;
        }
        Ok(())
    }
}

impl InputSettings {
    fn check(&self) -> Result<(), String> {
        if self.channel.is_some() && self.label.is_some() {
            return Err("`channel` and `label` both say which channel: leave one out".into());
        }
        if let Some(letter) = self.thermocouple_type {
            if !THERMOCOUPLE_TYPES.contains(letter) {
                return Err(format!(
                    "thermocouple_type = {letter:?} isn't one of {THERMOCOUPLE_TYPES}"
                ));
            }
            if self.interface == Interface::Hwmon {
                return Err("hwmon devices have no thermocouple type: leave `thermocouple_type` out".into());
            }
        }
        if let Some((low, high)) = self.range_celsius
            && !(low.is_finite() && high.is_finite() && low < high)
        {
            return Err(format!("range_celsius = [{low}, {high}] isn't from low to high"));
        }
        Ok(())
    }

    /// Which device it is on.
    pub(crate) fn wanted(&self) -> Wanted {
        Wanted {
            interface: self.interface,
            name: self.name.clone(),
            parent: self.parent.clone(),
        }
    }

    /// Which of the device's temperatures it is.
    pub(crate) fn choice(&self) -> Choice {
        Choice {
            channel: self.channel.clone(),
            label: self.label.clone(),
            thermocouple_type: self.thermocouple_type,
            range_celsius: self.range_celsius,
        }
    }
}
