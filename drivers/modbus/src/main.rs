//! `benchward-driver-modbus`: one Modbus line, RTU over a serial port or TCP, shared by any number of stations.
//!
//! ```toml
//! [driver.rack.settings]
//! port = "/dev/ttyUSB0"         # a serial line (RTU) ...
//! baud = 19200                  # 1200 to 4000000
//! parity = "even"               # none | odd | even
//! stop_bits = 1                 # 1 | 2; default 1 with parity, 2 without
//! # tcp = "192.0.2.7:502"       # ... or a network
//! answer_ms = 100               # longest wait for an answer, 5 to 300
//! retries = 2                   # repeats of an exchange without an answer, 0 to 5
//! rate_hz = 5                   # how often each input is read, unless it has a rate_hz of its own
//!
//! [driver.rack.settings.inputs.tc1]
//! kind = "temperature"          # temperature | thermocouple | presence | permissive | current
//! unit_id = 1                   # 1 to 247; with tcp 0 to 255, and 255 for a device that isn't a gateway
//! function = "input-register"   # coil | discrete-input | holding-register | input-register
//! address = 0                   # as on the line, from zero: "30001" in a manual is input-register 0
//! type = "int16"                # int16 | uint16 | int32 | uint32 | float32
//! words = "high-first"          # of 32-bit types: high-first (ABCD) | low-first (CDAB)
//! scale = 0.1                   # value = raw x scale + offset; °C, mV or A
//! offset = 0
//! open = [32767]                # raw values for a broken sensor: the fault `open`; NaN always is one
//! range = [-50, 400]            # outside: the fault `range`
//!
//! [driver.rack.settings.inputs.tc2]
//! kind = "thermocouple"         # delivers millivolts; the daemon converts
//! thermocouple = "K"
//! unit_id = 1
//! function = "input-register"
//! address = 4
//! type = "float32"
//! cold_junction = { function = "input-register", address = 8, type = "int16", scale = 0.1 }   # °C; unit_id if another
//!
//! [driver.rack.settings.inputs.hood]
//! kind = "permissive"
//! unit_id = 1
//! function = "discrete-input"   # or a register, with bit = 0 to 15
//! address = 0
//! active_when = "on"            # on | off
//!
//! [driver.rack.settings.outputs.heat1]
//! unit_id = 2
//! function = "coil"             # on and off in windows; or holding-register, from 0 to full
//! address = 0
//! window_ms = 1000              # coils only, 100 to 1000
//! # full = 1000                 # holding registers only: the value at full power
//! watts = 800
//! read_back = true              # `applied` is what the unit says that it has
//! contactor = { unit_id = 2, address = 1, closed_when = "on" }   # the second switch, a coil
//! watchdog = { unit_id = 2, address = 20, every_ms = 250 }       # a holding register, written while there is heat
//! ```
//!
//! The contactor is told to open when the driver starts, to close with the first heat, and to open with a `cut`.
//!
//! The watchdog register counts up, or holds `value`, while the output is above zero, at least every `every_ms`. It
//! stops with the permit, and with this process, however that ends. Let the unit switch off when it stops.
//!
//! An input that can't be read reports the fault `device` and why. A lost connection or port is opened again. An output whose unit can't be told
//! to heat, or to stop, ends the driver: all other outputs go to zero, and the daemon starts it anew.

mod bus;
mod input;
mod line;
mod number;
mod output;
mod pdu;
mod poll;
mod rtu;
mod settings;
mod tcp;
mod trouble;

use std::net::{SocketAddr, ToSocketAddrs};
use std::process::ExitCode;
use std::sync::Arc;

use benchward_driver::wire::{Level, MAX_WINDOW_MS};
use benchward_driver::{Driver, Failure, OutputPart, Parts, Start};

use bus::Bus;
use input::Reader;
use line::{Line, Place};
use output::Heat;
use pdu::Table;
use poll::{Block, Outcomes, Polling};
use rtu::late_after;
use settings::Settings;

/// The port of Modbus TCP, where the settings name none.
const TCP_PORT: u16 = 502;

/// Above this share of a line's time its units have no time left to think.
const BUSY: f64 = 0.8;

struct Modbus;

impl Driver for Modbus {
    const NAME: &'static str = "modbus";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    type Settings = Settings;

    fn open(settings: Settings, start: &Start) -> Result<Parts, Failure> {
        let mistakes = settings.mistakes();
        if !mistakes.is_empty() {
            return Err(Failure::new(mistakes.join("; ")));
        }
        let voice = start.voice();
        let place = place(&settings).map_err(Failure::new)?;
        let line = Line::open(place, settings.answer_wait(), voice.clone()).map_err(Failure::new)?;
        if settings.port.is_some() && settings.line_share() > BUSY {
            let text = format!(
                "reading takes {:.0} % of the line's time even if every unit answers at once; expect lower rates",
                settings.line_share() * 100.0
            );
            voice.notice(Level::Warn, &text);
        }

        let blocks = Block::all_of(&settings);
        let polling = Polling::new(
            &blocks,
            settings.retries,
            late_after(settings.answer_wait()),
            voice.clone(),
        );
        let outcomes = Arc::new(Outcomes::default());
        let watchdogs: Vec<_> = settings
            .outputs
            .values()
            .filter_map(|output| output.watchdog)
            .collect();
        let bus = Bus::start(line, polling, Arc::clone(&outcomes), &watchdogs, voice.clone())?;

        let inputs = settings
            .inputs
            .iter()
            .map(|(id, input)| input::described(&settings, id, input))
            .collect();
        let reader =
            (!settings.inputs.is_empty()).then(|| Box::new(Reader::new(&settings, &blocks, outcomes)) as _);
        let mut places = 0..watchdogs.len();
        let outputs = settings.outputs.iter().map(|(id, output)| {
            let watchdog = output.watchdog.and_then(|_| places.next());
            let heat = Heat::new(id, output, settings.retries, bus.clone(), watchdog, voice.clone());
            let part = match output.function {
                Table::Coil => OutputPart::relay(id, output.window_ms.unwrap_or(MAX_WINDOW_MS), heat),
                _ => OutputPart::steady(id, heat),
            };
            let part = part.cuts(output.contactor.is_some());
            match output.watts {
                Some(watts) => part.watts(watts),
                None => part,
            }
        });
        Ok(Parts {
            inputs,
            reader,
            outputs: outputs.collect(),
            simulated: false,
        })
    }
}

/// Where the line is. A name is looked up once, here: later it could hold up a cut.
fn place(settings: &Settings) -> Result<Place, String> {
    if let Some(path) = &settings.port {
        return Ok(Place::Serial {
            path: path.clone(),
            serial: settings.serial(),
        });
    }
    let name = settings.tcp.clone().unwrap_or_default();
    let addresses: Vec<SocketAddr> = match name.to_socket_addrs() {
        Ok(addresses) => addresses.collect(),
        // Without a port it isn't an address yet.
        Err(_) => (name.as_str(), TCP_PORT)
            .to_socket_addrs()
            .map_err(|error| {
                format!("tcp = {name:?} isn't an address: {error}; write `HOST` or `HOST:PORT`")
            })?
            .collect(),
    };
    Ok(Place::Tcp { name, addresses })
}

fn main() -> ExitCode {
    benchward_driver::run::<Modbus>()
}
