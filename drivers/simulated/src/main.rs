//! `benchward-driver-simulated`: a bench that isn't there, as a driver.
//!
//! Inputs `tc1` ..., `pedal`, `hood` and `amps` as set, output `heat1`. The settings and their defaults are
//! [`benchward_driver_simulated::Settings`], the faults [`benchward_driver_simulated::faults`].
//!
//! Faults on command: with `control = "/path/of.sock"` the driver listens on that unix socket. Each line is one fault as JSON, such as
//! `{"kind":"peel","input":"tc1","over_s":8}`; the answer is `ok` or `error: ...`. `{"kind":"clear"}` ends all faults.

mod control;

use std::process::ExitCode;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::Duration;

use benchward_driver::harness::LabTime;
use benchward_driver::{
    Driver, Failure, Inputs, Output, OutputPart, Pace, Parts, Relay, Stall, Start, Values, Voice, wire,
};
use benchward_driver_simulated::faults::Kind;
use benchward_driver_simulated::{Bench, Reading, Settings};

/// How often a hanging driver looks whether it may go on.
const HANG_LOOK: Duration = Duration::from_millis(20);

/// Lines that are no messages, one a scan, in turn.
const GARBAGE: [&[u8]; 4] = [
    b"\xff\xfe\x00 not text\n",
    b"{\"msg\":\"scan\",\"values\":{\"tc1\":\n",
    b"]]]]\n",
    b"{\"celsius\":NaN}\n",
];

struct Simulated;

impl Driver for Simulated {
    const NAME: &'static str = "simulated";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    type Settings = Settings;

    fn open(settings: Settings, start: &Start) -> Result<Parts, Failure> {
        let bench = Bench::new(&settings).map_err(|e| Failure::new(e.to_string()))?;
        let world = World(Arc::new(Mutex::new(Inner {
            sensor_ids: bench.sensor_ids(),
            bench,
            time: start.time(),
            speed: settings.speed,
            advanced: Duration::ZERO,
            heat: 0.0,
        })));
        if let Some(path) = &settings.control {
            control::listen(path, world.clone())
                .map_err(|e| Failure::new(format!("control = {}: {e}", path.display())))?;
        }

        let mut inputs: Vec<wire::Input> = settings
            .sensor_ids()
            .into_iter()
            .map(|id| input(id, wire::InputKind::Temperature, settings.rate_hz))
            .collect();
        for (offered, id, kind) in [
            (settings.pedal.is_some(), "pedal", wire::InputKind::Presence),
            (settings.hood.is_some(), "hood", wire::InputKind::Permissive),
            (settings.current, "amps", wire::InputKind::Current),
        ] {
            if offered {
                inputs.push(input(id.to_owned(), kind, settings.rate_hz));
            }
        }
        let heater = Heater {
            world: world.clone(),
            has_contactor: settings.cuts,
        };
        let output = match settings.window_ms {
            Some(window) => OutputPart::relay("heat1", window, heater),
            None => OutputPart::steady("heat1", heater),
        };
        let sensors = Sensors {
            world,
            period: Duration::from_secs_f64(1.0 / settings.rate_hz),
            pedal: settings.pedal,
            hood: settings.hood,
            current: settings.current,
            voice: start.voice().clone(),
            stall: start.stall().clone(),
            garbled: 0,
        };
        Ok(Parts {
            inputs,
            reader: Some(Box::new(sensors)),
            outputs: vec![output.watts(settings.watts).cuts(settings.cuts)],
            simulated: true,
        })
    }
}

fn input(id: String, kind: wire::InputKind, rate_hz: f64) -> wire::Input {
    let range = (kind == wire::InputKind::Temperature).then_some((-50.0, 500.0));
    wire::Input {
        id,
        kind,
        rate_hz: Some(rate_hz),
        range,
    }
}

/// The bench, shared by the threads that read it, heat it and break it. Its lock is held for as long as some
/// steps of the model take.
#[derive(Clone)]
struct World(Arc<Mutex<Inner>>);

struct Inner {
    bench: Bench,
    sensor_ids: Vec<String>,
    time: LabTime,
    speed: f64,
    /// Up to where the bench has been advanced, in the lab's time since the start.
    advanced: Duration,
    heat: f64,
}

impl World {
    /// The bench as it is now.
    fn now(&self) -> MutexGuard<'_, Inner> {
        let mut inner = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let now = inner.time.elapsed();
        let passed = now.saturating_sub(inner.advanced);
        inner.advanced = now;
        let (dt_s, heat) = (passed.as_secs_f64() * inner.speed, inner.heat);
        inner.bench.advance(dt_s, heat);
        inner
    }
}

struct Sensors {
    world: World,
    period: Duration,
    pedal: Option<bool>,
    hood: Option<bool>,
    current: bool,
    voice: Voice,
    stall: Stall,
    garbled: usize,
}

impl Inputs for Sensors {
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure> {
        let mut world = self.world.now();
        if world.bench.suffers(Kind::Crash) {
            std::process::abort();
        }
        if world.bench.suffers(Kind::Failed) {
            return Err(Failure::new("the simulated hardware is gone"));
        }
        if world.bench.suffers(Kind::Hang) {
            drop(world);
            self.hang();
            return Ok(Pace::Every(self.period));
        }
        if world.bench.suffers(Kind::Garbage) {
            self.garbled += 1;
            self.voice.raw(GARBAGE[self.garbled % GARBAGE.len()]);
            return Ok(Pace::Every(self.period));
        }
        if world.bench.suffers(Kind::Silence) {
            return Ok(Pace::Every(self.period));
        }
        for (id, reading) in world.bench.readings() {
            match reading {
                Reading::Celsius(celsius) => values.temperature(&id, celsius),
                Reading::Fault(fault) => values.fault(&id, fault),
            }
        }
        let bench = &world.bench;
        if let Some(pressed) = self.pedal {
            values.active("pedal", pressed || bench.suffers(Kind::Pedal));
        }
        if let Some(shut) = self.hood {
            let shut = (shut || bench.suffers(Kind::HoodShut)) && !bench.suffers(Kind::HoodOpen);
            values.active("hood", shut);
        }
        if self.current {
            values.amps("amps", bench.amps());
        }
        Ok(Pace::Every(self.period))
    }
}

impl Sensors {
    /// Nothing is read or said until the fault is over. The harness's permits go on lapsing.
    fn hang(&self) {
        self.stall.hold();
        while self.world.now().bench.suffers(Kind::Hang) {
            thread::sleep(HANG_LOOK);
        }
        self.stall.release();
    }
}

struct Heater {
    world: World,
    has_contactor: bool,
}

impl Heater {
    fn heat(&self, heat: f64) {
        // Up to now with the heat there was, from now on with the new one.
        self.world.now().heat = heat;
    }

    fn contactor(&self, open: bool) {
        if self.has_contactor {
            self.world.now().bench.open_contactor(open);
        }
    }
}

impl Output for Heater {
    fn set(&mut self, fraction: f64) -> Result<f64, Failure> {
        self.heat(fraction);
        Ok(fraction)
    }

    fn cut(&mut self) -> Result<(), Failure> {
        self.contactor(true);
        Ok(())
    }

    fn restore(&mut self) -> Result<(), Failure> {
        self.contactor(false);
        Ok(())
    }
}

impl Relay for Heater {
    fn switch(&mut self, on: bool) -> Result<(), Failure> {
        self.heat(if on { 1.0 } else { 0.0 });
        Ok(())
    }

    fn cut(&mut self) -> Result<(), Failure> {
        Output::cut(self)
    }

    fn restore(&mut self) -> Result<(), Failure> {
        Output::restore(self)
    }
}

fn main() -> ExitCode {
    benchward_driver::run::<Simulated>()
}
