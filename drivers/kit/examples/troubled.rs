//! A driver that misbehaves on purpose, with files as its hardware. The harness's tests run it.
//!
//! Each call that its hardware gets leaves a line in the file `hardware`, written by the driver and not by the
//! harness: `AT_MS OUTPUT CALL`, for instance `123460.1 heat1 set 0.42`.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::thread;
use std::time::Duration;

use benchward_driver::clock::monotonic_ms;
use benchward_driver::{
    Driver, Failure, Inputs, Output, OutputPart, Pace, Parts, Relay, Start, Values, wire,
};

struct Troubled;

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Settings {
    /// Where the hardware's calls are written.
    hardware: PathBuf,
    /// How many inputs; each scan carries all of them.
    inputs: usize,
    /// Scans a second.
    rate_hz: f64,
    /// The second scan takes this long.
    scan_blocks_s: f64,
    /// Setting a fraction above 0.9 takes this long.
    set_blocks_s: f64,
    /// Setting a fraction above this panics.
    set_panics_above: f64,
    /// Setting a fraction above this fails.
    set_fails_above: f64,
    /// The scan that comes after this file has appeared panics.
    scan_panics_on: Option<PathBuf>,
    /// A thread of the driver's own panics once this file has appeared.
    thread_panics_on: Option<PathBuf>,
    /// Every scan prints so many bytes to stdout, as a careless library would.
    prints_bytes: usize,
    /// The outputs are relays with this window.
    window_ms: Option<u32>,
    /// It claims not to be hardware.
    simulated: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            hardware: "/dev/null".into(),
            inputs: 1,
            rate_hz: 20.0,
            scan_blocks_s: 0.0,
            set_blocks_s: 0.0,
            set_panics_above: 2.0,
            set_fails_above: 2.0,
            scan_panics_on: None,
            thread_panics_on: None,
            prints_bytes: 0,
            window_ms: None,
            simulated: true,
        }
    }
}

impl Driver for Troubled {
    const NAME: &'static str = "troubled";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    type Settings = Settings;

    fn open(settings: Settings, _start: &Start) -> Result<Parts, Failure> {
        if let Some(path) = settings.thread_panics_on.clone() {
            thread::spawn(move || {
                while !path.exists() {
                    thread::sleep(Duration::from_millis(10));
                }
                panic!("a thread that nobody joins");
            });
        }
        let ids: Vec<String> = (1..=settings.inputs).map(|n| format!("tc{n}")).collect();
        let inputs = ids
            .iter()
            .map(|id| wire::Input {
                id: id.clone(),
                kind: wire::InputKind::Temperature,
                rate_hz: Some(settings.rate_hz),
                range: None,
            })
            .collect();
        let mut outputs = Vec::new();
        for id in ["heat1", "heat2"] {
            let hardware = Hardware {
                id,
                file: OpenOptions::new()
                    .append(true)
                    .create(true)
                    .open(&settings.hardware)?,
                blocks: Duration::from_secs_f64(settings.set_blocks_s),
                panics_above: settings.set_panics_above,
                fails_above: settings.set_fails_above,
            };
            outputs.push(match settings.window_ms {
                None => OutputPart::steady(id, hardware).cuts(true),
                Some(window) => OutputPart::relay(id, window, hardware).cuts(true),
            });
        }
        let simulated = settings.simulated;
        let reader = (settings.inputs > 0).then(|| {
            Box::new(Sensors {
                ids,
                settings,
                scans: 0,
            }) as Box<dyn Inputs>
        });
        Ok(Parts {
            inputs,
            reader,
            outputs,
            simulated,
        })
    }
}

struct Sensors {
    ids: Vec<String>,
    settings: Settings,
    scans: u32,
}

impl Inputs for Sensors {
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure> {
        self.scans += 1;
        if self.scans == 2 {
            thread::sleep(Duration::from_secs_f64(self.settings.scan_blocks_s));
        }
        assert!(
            !self.settings.scan_panics_on.as_ref().is_some_and(|p| p.exists()),
            "the scan was told to"
        );
        if self.settings.prints_bytes > 0 {
            println!("a library says hello {}", "o".repeat(self.settings.prints_bytes));
        }
        for id in &self.ids {
            values.temperature(id, 20.0);
        }
        Ok(Pace::Every(Duration::from_secs_f64(1.0 / self.settings.rate_hz)))
    }
}

struct Hardware {
    id: &'static str,
    file: File,
    blocks: Duration,
    panics_above: f64,
    fails_above: f64,
}

impl Hardware {
    fn note(&mut self, call: &str) -> Result<(), Failure> {
        self.file
            .write_all(format!("{} {} {call}\n", monotonic_ms(), self.id).as_bytes())?;
        Ok(())
    }
}

impl Output for Hardware {
    fn set(&mut self, fraction: f64) -> Result<f64, Failure> {
        assert!(fraction <= self.panics_above, "the hardware was told to");
        if fraction > self.fails_above {
            return Err(Failure::new("/dev/ttyUSB0 is gone"));
        }
        self.note(&format!("set {fraction}"))?;
        if fraction > 0.9 {
            thread::sleep(self.blocks);
        }
        Ok(fraction)
    }

    fn cut(&mut self) -> Result<(), Failure> {
        self.note("cut")
    }

    fn restore(&mut self) -> Result<(), Failure> {
        self.note("restore")
    }
}

impl Relay for Hardware {
    fn switch(&mut self, on: bool) -> Result<(), Failure> {
        self.note(if on { "on" } else { "off" })
    }
}

fn main() -> ExitCode {
    benchward_driver::run::<Troubled>()
}
