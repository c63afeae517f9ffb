//! What the configuration says about the lines.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use benchward_driver::wire;
use serde::Deserialize;

use crate::chip::Bias;

/// Shortest window, in milliseconds: one period of a 50 Hz mains, which a solid-state relay can't divide.
const MIN_WINDOW_MS: u32 = 20;

/// Longest debounce, in milliseconds: beyond it a pedal feels dead.
const MAX_DEBOUNCE_MS: u32 = 1_000;

/// Settings of an instance.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// The chip, such as `/dev/gpiochip0`.
    pub chip: PathBuf,
    /// How often inputs are told, 1 to 100 Hz.
    #[serde(default = "rate_hz")]
    pub rate_hz: f64,
    /// Heat outputs by their ids.
    #[serde(default)]
    pub heat: BTreeMap<String, Heat>,
    /// Presence inputs by their ids.
    #[serde(default)]
    pub presence: BTreeMap<String, Sense>,
    /// Permissive inputs by their ids.
    #[serde(default)]
    pub permissive: BTreeMap<String, Sense>,
}

/// A solid-state relay.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Heat {
    /// Number of its line on the chip.
    pub line: u32,
    /// Low switches it on.
    #[serde(default)]
    pub active_low: bool,
    /// Length of a window, 20 to 1000 ms.
    #[serde(default = "window_ms")]
    pub window_ms: u32,
    /// Shortest on-time and off-time, at most half a window, in milliseconds.
    #[serde(default = "min_on_ms")]
    pub min_on_ms: u32,
    /// Full power of the heater in watts.
    pub watts: Option<f64>,
    /// The second switch.
    pub contactor: Option<Contactor>,
}

/// A contactor above a relay.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Contactor {
    /// Number of its line on the chip.
    pub line: u32,
    /// Low closes it.
    #[serde(default)]
    pub active_low: bool,
}

/// A pedal, a hood, or another contact.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sense {
    /// Number of its line on the chip.
    pub line: u32,
    /// Low counts as active.
    #[serde(default)]
    pub active_low: bool,
    /// What holds the line while nothing drives it.
    pub bias: Option<Bias>,
    /// How long a state has to last until it counts, 0 to 1000 ms.
    #[serde(default = "debounce_ms")]
    pub debounce_ms: u32,
}

fn rate_hz() -> f64 {
    20.0
}

fn window_ms() -> u32 {
    wire::MAX_WINDOW_MS
}

fn min_on_ms() -> u32 {
    // Half a period of a 50 Hz mains: what a relay that switches at zero crossings can do.
    10
}

fn debounce_ms() -> u32 {
    20
}

impl Settings {
    /// Checks every number against its bound, and that no line and no id is used twice.
    ///
    /// # Errors
    /// All that is wrong, one after the other.
    pub fn check(&self) -> Result<(), String> {
        let mut wrong = Vec::new();
        let rate = self.rate_hz;
        if !(1.0..=wire::MAX_RATE_HZ).contains(&rate) {
            wrong.push(format!(
                "rate_hz = {rate} is outside 1 to {} Hz",
                wire::MAX_RATE_HZ
            ));
        }
        let mut users: Vec<(u32, String)> = Vec::new();
        for (id, heat) in &self.heat {
            heat.check(id, &mut wrong);
            users.push((heat.line, format!("heat.{id}")));
            if let Some(contactor) = &heat.contactor {
                users.push((contactor.line, format!("heat.{id}.contactor")));
            }
        }
        let mut ids = BTreeSet::new();
        for (table, list) in [("presence", &self.presence), ("permissive", &self.permissive)] {
            for (id, sense) in list {
                if !ids.insert(id) {
                    wrong.push(format!(
                        "presence.{id} and permissive.{id} are one id for two inputs"
                    ));
                }
                let debounce = sense.debounce_ms;
                if debounce > MAX_DEBOUNCE_MS {
                    wrong.push(format!(
                        "{table}.{id}.debounce_ms = {debounce} is outside 0 to {MAX_DEBOUNCE_MS} ms"
                    ));
                }
                users.push((sense.line, format!("{table}.{id}")));
            }
        }
        if users.is_empty() {
            wrong.push("there is no line in use: add heat, presence or permissive".into());
        }
        users.sort();
        for pair in users.windows(2) {
            if let [(line, one), (other, two)] = pair
                && line == other
            {
                wrong.push(format!(
                    "line {line} is used by {one} and by {two}; a line has one use"
                ));
            }
        }
        if wrong.is_empty() {
            Ok(())
        } else {
            Err(wrong.join("; "))
        }
    }
}

impl Heat {
    fn check(&self, id: &str, wrong: &mut Vec<String>) {
        let window = self.window_ms;
        if !(MIN_WINDOW_MS..=wire::MAX_WINDOW_MS).contains(&window) {
            wrong.push(format!(
                "heat.{id}.window_ms = {window} is outside {MIN_WINDOW_MS} to {} ms",
                wire::MAX_WINDOW_MS
            ));
        } else if self.min_on_ms > window / 2 {
            wrong.push(format!(
                "heat.{id}.min_on_ms = {} is above {} ms, half of its window: nothing between off and full would be left",
                self.min_on_ms,
                window / 2
            ));
        }
        if let Some(watts) = self.watts
            && !(watts.is_finite() && watts > 0.0)
        {
            wrong.push(format!(
                "heat.{id}.watts = {watts} isn't above 0 W; leave it out if it isn't known"
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str) -> Result<(), String> {
        let settings: Settings = toml::from_str(text).map_err(|error| error.to_string())?;
        settings.check()
    }

    #[test]
    fn a_whole_bench() {
        let text = "chip = \"/dev/gpiochip0\"\nrate_hz = 20\n\
            [heat.heat1]\nline = 17\nwindow_ms = 1000\nmin_on_ms = 20\nwatts = 800\n\
            contactor = { line = 27, active_low = true }\n\
            [presence.pedal]\nline = 5\nactive_low = true\nbias = \"pull-up\"\ndebounce_ms = 20\n\
            [permissive.hood]\nline = 6\n";
        assert_eq!(check(text), Ok(()));
    }

    #[test]
    fn mistakes_name_place_value_and_bound_and_come_all_at_once() {
        for (text, says) in [
            ("", "add heat, presence or permissive"),
            (
                "rate_hz = 200\n[presence.a]\nline = 1",
                "rate_hz = 200 is outside 1 to 100 Hz",
            ),
            (
                "[heat.a]\nline = 1\nwindow_ms = 1001",
                "heat.a.window_ms = 1001 is outside 20 to 1000 ms",
            ),
            (
                "[heat.a]\nline = 1\nwindow_ms = 100\nmin_on_ms = 51",
                "heat.a.min_on_ms = 51 is above 50 ms",
            ),
            (
                "[heat.a]\nline = 1\nwatts = 0",
                "heat.a.watts = 0 isn't above 0 W",
            ),
            (
                "[presence.a]\nline = 1\ndebounce_ms = 1001",
                "presence.a.debounce_ms = 1001 is outside 0 to 1000 ms",
            ),
            (
                "[presence.a]\nline = 1\n[permissive.a]\nline = 2",
                "one id for two inputs",
            ),
            (
                "[heat.a]\nline = 4\ncontactor = { line = 4 }",
                "line 4 is used by heat.a and by heat.a.contactor",
            ),
            ("[heat.a]\nline = 1\nwindow = 100", "unknown field `window`"),
            ("[presence.a]\nline = 1\nbias = \"up\"", "unknown variant `up`"),
        ] {
            let error = check(&format!("chip = \"/dev/gpiochip0\"\n{text}")).unwrap_err();
            assert!(error.contains(says), "{text}\n{error}");
        }
        let both = check("chip = \"c\"\nrate_hz = 0\n[heat.a]\nline = 1\nwindow_ms = 5").unwrap_err();
        assert!(both.contains("rate_hz") && both.contains("window_ms"), "{both}");
    }
}
