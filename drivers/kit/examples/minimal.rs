//! A heater on one pin and one sensor: the least that makes a driver.

use std::process::ExitCode;
use std::time::Duration;

use benchward_driver::{Driver, Failure, Inputs, Output, OutputPart, Pace, Parts, Start, Values, wire};

struct Minimal;

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Settings {
    /// The file with the sensor's temperature, in thousandths of a degree.
    sensor_file: std::path::PathBuf,
    /// The file that takes the heater's duty, 0 to 255.
    heater_file: std::path::PathBuf,
}

impl Driver for Minimal {
    const NAME: &'static str = "minimal";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    type Settings = Settings;

    fn open(settings: Settings, _start: &Start) -> Result<Parts, Failure> {
        let input = wire::Input {
            id: "tc1".into(),
            kind: wire::InputKind::Temperature,
            rate_hz: Some(4.0),
            range: None,
        };
        Ok(Parts {
            inputs: vec![input],
            reader: Some(Box::new(Sensor(settings.sensor_file))),
            outputs: vec![OutputPart::steady("heat1", Heater(settings.heater_file)).watts(300.0)],
            simulated: false,
        })
    }
}

struct Sensor(std::path::PathBuf);

impl Inputs for Sensor {
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure> {
        match std::fs::read_to_string(&self.0).map(|text| text.trim().parse::<f64>()) {
            Ok(Ok(thousandths)) => values.temperature("tc1", thousandths / 1_000.0),
            Ok(Err(error)) => values.fault_because("tc1", wire::Fault::Device, error.to_string()),
            Err(error) => values.fault_because("tc1", wire::Fault::Device, error.to_string()),
        }
        Ok(Pace::Every(Duration::from_millis(250)))
    }
}

struct Heater(std::path::PathBuf);

impl Output for Heater {
    fn set(&mut self, fraction: f64) -> Result<f64, Failure> {
        let duty = (fraction * 255.0).floor();
        std::fs::write(&self.0, format!("{duty}\n"))
            .map_err(|e| Failure::new(format!("{}: {e}", self.0.display())))?;
        Ok(duty / 255.0)
    }
}

fn main() -> ExitCode {
    benchward_driver::run::<Minimal>()
}
