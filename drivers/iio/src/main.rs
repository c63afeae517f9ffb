//! `benchward-driver-iio`: temperatures from the kernel's own drivers, IIO and hwmon. It reads and never writes.
//!
//! ```toml
//! [driver.rack.settings]
//! rate_hz = 5                          # how often; converters take about 0.1 s for a value
//!
//! [driver.rack.settings.inputs.tc1]
//! name = "max31856"                    # what the device's file `name` says
//! parent = "spi0.0"                    # the end of its parent's path; needed if several have that name
//! thermocouple_type = "K"              # optional: what the converter has to be set to
//! range_celsius = [-50, 400]           # optional: outside is the fault `range`
//!
//! [driver.rack.settings.inputs.case]
//! interface = "hwmon"                  # default: "iio"
//! name = "lm75"
//! channel = "temp1"                    # or label = "..."; needed if the device has several
//! ```
//!
//! Inputs deliver degrees: the converter on the device has compensated its cold junction, and where the device tells that
//! temperature, it goes out beside the value. A device that is absent is the fault `device` on its inputs, until it is there,
//! under whatever number. A value that can't be read is a fault and never the value from before.
//!
//! All inputs are read one after the other on one thread. A bus that hangs makes them all stale; so devices on a bus that can't be
//! trusted are better off in an instance of their own.
//!
//! Some hwmon chips give millivolts of a divider in their `temp` files. The kernel doesn't tell; `range_celsius` can.

mod attribute;
mod channel;
mod device;
mod settings;

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use benchward_driver::{Driver, Failure, Inputs, Pace, Parts, Start, Values, Voice, wire};

use channel::{Channel, Choice, Reading};
use device::{Device, NotFound, Wanted};
use settings::Settings;

/// Between two looks for a device that is absent.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

struct Iio;

impl Driver for Iio {
    const NAME: &'static str = "iio";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    type Settings = Settings;

    fn open(settings: Settings, start: &Start) -> Result<Parts, Failure> {
        settings.check()?;
        let mut inputs = Vec::new();
        let mut points = Vec::new();
        for (id, input) in &settings.inputs {
            let choice = input.choice();
            inputs.push(wire::Input {
                id: id.clone(),
                kind: wire::InputKind::Temperature,
                rate_hz: Some(settings.rate_hz),
                range: choice.range_celsius,
            });
            let mut point = Point {
                id: id.clone(),
                wanted: input.wanted(),
                choice,
                place: Place::Absent {
                    why: String::new(),
                    look_again: Instant::now(),
                },
            };
            point.find_at_start(&settings.root, start.voice())?;
            points.push(point);
        }
        let sensors = Sensors {
            root: settings.root,
            period: Duration::from_secs_f64(1.0 / settings.rate_hz),
            points,
            voice: start.voice().clone(),
        };
        Ok(Parts {
            inputs,
            reader: Some(Box::new(sensors)),
            outputs: Vec::new(),
            simulated: false,
        })
    }
}

struct Sensors {
    root: PathBuf,
    period: Duration,
    points: Vec<Point>,
    voice: Voice,
}

impl Inputs for Sensors {
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure> {
        for point in &mut self.points {
            match point.read(&self.root, &self.voice) {
                Reading::Celsius {
                    celsius,
                    cold_junction,
                } => values.add(
                    &point.id,
                    wire::Value::Temperature {
                        celsius,
                        cold_junction,
                    },
                ),
                Reading::Fault { kind, text } => values.fault_because(&point.id, kind, text),
            }
        }
        Ok(Pace::Every(self.period))
    }
}

/// One input, and where it is read.
struct Point {
    id: String,
    wanted: Wanted,
    choice: Choice,
    place: Place,
}

enum Place {
    Found { device: Device, channel: Box<Channel> },
    Absent { why: String, look_again: Instant },
}

impl Point {
    /// Looks for the device, and refuses what only other settings can put right. A device that is absent may yet come.
    fn find_at_start(&mut self, root: &Path, voice: &Voice) -> Result<(), Failure> {
        let wrong = |id: &str, what: String| Failure::new(format!("inputs.{id}: {what}"));
        match Device::find(root, &self.wanted) {
            Ok(device) => {
                let channel = Channel::of(&device, self.wanted.interface, &self.choice)
                    .map_err(|what| wrong(&self.id, what))?;
                channel
                    .check_thermocouple_type()
                    .map_err(|what| wrong(&self.id, what))?;
                self.place = Place::Found {
                    device,
                    channel: Box::new(channel),
                };
                Ok(())
            }
            Err(NotFound::Ambiguous(what)) => Err(wrong(&self.id, what)),
            Err(NotFound::Missing(what)) => {
                self.absent(what, voice);
                Ok(())
            }
        }
    }

    fn absent(&mut self, why: String, voice: &Voice) {
        let text = format!("input `{}`: {why}", self.id);
        // Said once for each reason; the fault's text repeats it with every scan.
        if !matches!(&self.place, Place::Absent { why: before, .. } if *before == why) {
            voice.notice(wire::Level::Warn, &text);
        }
        self.place = Place::Absent {
            why,
            look_again: Instant::now() + LOOK_AGAIN,
        };
    }

    fn read(&mut self, root: &Path, voice: &Voice) -> Reading {
        let look = match &self.place {
            Place::Found { device, .. } => !device.is_there(),
            Place::Absent { look_again, .. } => *look_again <= Instant::now(),
        };
        if look {
            let found = Device::find(root, &self.wanted)
                .map_err(|e| e.to_string())
                .and_then(|device| {
                    let channel = Channel::of(&device, self.wanted.interface, &self.choice)?;
                    Ok((device, channel))
                });
            match found {
                Ok((device, channel)) => {
                    let text = format!("input `{}`: found at {}", self.id, device.folder.display());
                    voice.notice(wire::Level::Info, &text);
                    self.place = Place::Found {
                        device,
                        channel: Box::new(channel),
                    };
                }
                Err(why) => self.absent(why, voice),
            }
        }
        match &self.place {
            Place::Found { channel, .. } => channel.read(),
            Place::Absent { why, .. } => Reading::Fault {
                kind: wire::Fault::Device,
                text: why.clone(),
            },
        }
    }
}

fn main() -> ExitCode {
    benchward_driver::run::<Iio>()
}
