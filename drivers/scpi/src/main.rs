//! `benchward-driver-scpi`: temperatures and voltages from instruments that speak SCPI (IEEE 488.2), over TCP or a serial line. It offers
//! inputs only.
//!
//! ```toml
//! [driver.meter.settings]
//! tcp = "192.168.7.20:5025"            # or serial = { path = "/dev/ttyUSB0", baud = 9600, data_bits = 8, parity = "none",
//!                                      #               stop_bits = 1, flow_control = "none" }
//! identity = "DM-6"                    # optional: what the answer to *IDN? has to contain
//! setup = ["*RST", "CONF:TEMP TC,K,(@101:103)", "UNIT:TEMP C"]     # sent at every connecting
//! checks = [{ query = "UNIT:TEMP?", answer = "C" }]                # asked after it
//! rate_hz = 1                          # how often all queries are asked
//! timeout_ms = 2000                    # for one answer; setup_timeout_ms = 10000 while setting up
//! line_end = "lf"                      # or "crlf", "cr"
//! error_query = "SYST:ERR?"            # "" for an instrument without an error queue
//!
//! [[driver.meter.settings.queries]]    # one query for several inputs: one entry for each field of the answer
//! query = "READ?"
//! inputs = [{ id = "tc1", range_celsius = [-50, 400] }, { id = "block" }, {}]     # {}: a field to pass over
//!
//! [[driver.meter.settings.queries]]    # a thermocouple's voltage: the daemon converts it
//! query = "MEAS:VOLT:DC? (@104)"
//! inputs = [{ id = "tc4", unit = "volts", type = "K", cold_junction = "block" }]  # or cold_junction_celsius = 0
//! ```
//!
//! Units are `celsius` (the default), `kelvin`, `fahrenheit`, `volts` and `millivolts`. If the instrument writes units behind its numbers, they
//! have to be those.
//!
//! An answer that is late or makes no sense ends the connection, since whatever comes after it could belong to another question; the
//! driver connects anew. Meanwhile all inputs have the fault `device`. An overload is the fault `open`, or `range` on the negative side.
//! A wrong instrument, a setup that it refuses, or a check that fails ends the driver with the reason: only a person can help.

mod answer;
mod instrument;
mod line;
mod serial;
mod settings;

use std::collections::BTreeMap;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use benchward_driver::wire::{Fault, Level, Value};
use benchward_driver::{Driver, Failure, Inputs, Pace, Parts, Start, Values, Voice, wire};

use answer::{Measured, measured, quoted};
use instrument::{Instrument, NotReady};
use line::Trouble;
use settings::{ColdJunction, FieldSettings, QuerySettings, Settings};

/// Between two looks at the error queue while measuring.
const ERROR_LOOK: Duration = Duration::from_secs(5);

/// First and longest wait before another try to connect, after the first one at once.
const FIRST_WAIT: Duration = Duration::from_millis(500);
const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// The daemon calls an input stale after this many periods, and never before [`SHORTEST_STALE`].
const STALE_PERIODS: u32 = 3;
const SHORTEST_STALE: Duration = Duration::from_millis(500);

/// Nothing is colder.
const ABSOLUTE_ZERO_CELSIUS: f64 = -273.15;

struct Scpi;

impl Driver for Scpi {
    const NAME: &'static str = "scpi";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    type Settings = Settings;

    fn open(settings: Settings, start: &Start) -> Result<Parts, Failure> {
        settings.check()?;
        // What it offers is known without the instrument, which may need longer to get ready than `describe` may take.
        let inputs = settings
            .queries
            .iter()
            .flat_map(|q| &q.inputs)
            .filter_map(|field| {
                Some(wire::Input {
                    id: field.id.clone()?,
                    kind: field.kind(),
                    rate_hz: Some(settings.rate_hz),
                    range: field.range_celsius,
                })
            })
            .collect();
        let meter = Meter {
            period: Duration::from_secs_f64(1.0 / settings.rate_hz),
            settings,
            voice: start.voice().clone(),
            state: State::Lost {
                why: "not connected yet".into(),
                try_again: Instant::now(),
            },
            failures: 0,
            told: None,
            told_slow: false,
        };
        Ok(Parts {
            inputs,
            reader: Some(Box::new(meter)),
            outputs: Vec::new(),
            simulated: false,
        })
    }
}

struct Meter {
    settings: Settings,
    period: Duration,
    voice: Voice,
    state: State,
    /// Connections and rounds that went wrong since the last good round.
    failures: u32,
    /// The trouble that was told last, so that it is told once.
    told: Option<String>,
    told_slow: bool,
}

enum State {
    Connected {
        instrument: Instrument,
        look_for_errors: Instant,
    },
    Lost {
        why: String,
        try_again: Instant,
    },
}

/// What a round of queries gave: a value or a fault for every input that was asked.
type Round = BTreeMap<String, Value<'static>>;

impl Inputs for Meter {
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure> {
        let begun = Instant::now();
        self.connect_if_due()?;
        let round = self.round();
        self.tell_if_slow(begun.elapsed());
        for (id, value) in round {
            values.add(&id, value);
        }
        Ok(Pace::Every(self.period))
    }
}

impl Meter {
    fn connect_if_due(&mut self) -> Result<(), Failure> {
        if !matches!(&self.state, State::Lost { try_again, .. } if *try_again <= Instant::now()) {
            return Ok(());
        }
        match Instrument::connect(&self.settings, &self.voice) {
            Ok(instrument) => {
                self.state = State::Connected {
                    instrument,
                    look_for_errors: Instant::now() + ERROR_LOOK,
                };
                Ok(())
            }
            Err(NotReady::Trouble(trouble)) => {
                self.lose(&trouble);
                Ok(())
            }
            Err(NotReady::Wrong(what)) => Err(Failure::new(what)),
        }
    }

    /// Gives the connection up.
    fn lose(&mut self, trouble: &Trouble) {
        let why = trouble.to_string();
        let wait = match self.failures {
            0 => Duration::ZERO,
            n => (FIRST_WAIT * 2_u32.saturating_pow(n - 1)).min(LONGEST_WAIT),
        };
        self.failures = self.failures.saturating_add(1).min(16);
        if self.told.as_ref() != Some(&why) {
            self.voice.notice(Level::Warn, &format!("{why}; connecting anew"));
            self.told = Some(why.clone());
        }
        self.state = State::Lost {
            why,
            try_again: Instant::now() + wait,
        };
    }

    fn round(&mut self) -> Round {
        let mut round = Round::new();
        let mut trouble = None;
        if let State::Connected {
            instrument,
            look_for_errors,
        } = &mut self.state
        {
            for query in &self.settings.queries {
                let answer = instrument.ask(&query.query).and_then(|a| values_in(query, &a));
                match answer {
                    Ok(values) => round.extend(values),
                    Err(t) => {
                        trouble = Some(t);
                        break;
                    }
                }
            }
            if trouble.is_none() && *look_for_errors <= Instant::now() {
                *look_for_errors = Instant::now() + ERROR_LOOK;
                match instrument.errors() {
                    Ok(errors) => {
                        for entry in errors {
                            self.voice
                                .notice(Level::Warn, &format!("the instrument says {}", entry.text));
                        }
                    }
                    Err(t) => trouble = Some(t),
                }
            }
            if let Some(trouble) = &trouble {
                self.lose(trouble);
            } else {
                self.failures = 0;
                self.told = None;
            }
        }
        let why = match &self.state {
            State::Lost { why, .. } => why.as_str(),
            State::Connected { .. } => "",
        };
        let fields: Vec<&FieldSettings> = self.settings.queries.iter().flat_map(|q| &q.inputs).collect();
        for id in fields.iter().filter_map(|f| f.id.as_ref()) {
            round
                .entry(id.clone())
                .or_insert_with(|| fault(Fault::Device, why.to_owned()));
        }
        for field in fields {
            compensate(field, &mut round);
        }
        round
    }

    fn tell_if_slow(&mut self, took: Duration) {
        let bound = (self.period * STALE_PERIODS).max(SHORTEST_STALE);
        if took > bound && !self.told_slow && matches!(self.state, State::Connected { .. }) {
            self.told_slow = true;
            self.voice.notice(
                Level::Warn,
                &format!(
                    "one round of all queries took {:.1} s, and at rate_hz = {} readings are stale after {:.1} s: lower rate_hz, \
                     or ask for several channels by one query",
                    took.as_secs_f64(),
                    self.settings.rate_hz,
                    bound.as_secs_f64()
                ),
            );
        }
    }
}

/// The values in an answer. Voltages still lack their cold junction if another input measures it.
///
/// # Errors
/// If it isn't an answer to this query. All of it is refused then: nothing tells which of its numbers are meant.
fn values_in(query: &QuerySettings, answer: &str) -> Result<Vec<(String, Value<'static>)>, Trouble> {
    let senseless = |what: String| Trouble::Senseless {
        question: quoted(&query.query),
        what,
    };
    let fields = answer::fields(answer);
    if fields.len() != query.inputs.len() {
        return Err(senseless(format!(
            "{} has {} fields, and `inputs` says {}",
            quoted(answer),
            fields.len(),
            query.inputs.len()
        )));
    }
    let mut values = Vec::with_capacity(fields.len());
    for (field, text) in query.inputs.iter().zip(fields) {
        let Some(id) = &field.id else { continue };
        let value = match measured(text, field.unit).map_err(senseless)? {
            Measured::Number(number) => value_of(field, number),
            Measured::Overload => fault(Fault::Open, format!("overload, {text}: open, or above the range")),
            Measured::NegativeOverload => fault(
                Fault::Range,
                format!("negative overload, {text}: below the range"),
            ),
            Measured::NotANumber => fault(
                Fault::Device,
                format!("{text}: the instrument has no measurement"),
            ),
        };
        values.push((id.clone(), value));
    }
    Ok(values)
}

fn value_of(field: &FieldSettings, number: f64) -> Value<'static> {
    let number = field.unit.to_wire(number);
    if !field.unit.is_temperature() {
        let cold_junction = match field.cold_junction() {
            Some(ColdJunction::Celsius(celsius)) => celsius,
            // Filled in by `compensate`; until then it can't be taken for a temperature.
            _ => f64::NAN,
        };
        return Value::Thermocouple {
            millivolts: number,
            cold_junction,
        };
    }
    let (low, high) = field.range_celsius.unwrap_or((ABSOLUTE_ZERO_CELSIUS, f64::MAX));
    if !(low..=high).contains(&number) {
        let bound = match field.range_celsius {
            Some(_) => format!("outside range_celsius, {low} to {high}"),
            None => format!("below absolute zero, {ABSOLUTE_ZERO_CELSIUS} °C"),
        };
        return fault(Fault::Range, format!("{number} °C is {bound}"));
    }
    Value::Temperature {
        celsius: number,
        cold_junction: None,
    }
}

/// Puts the cold junction that another input has measured in this round beside a voltage.
fn compensate(field: &FieldSettings, round: &mut Round) {
    let (Some(id), Some(ColdJunction::Input(other))) = (&field.id, field.cold_junction()) else {
        return;
    };
    let Some(Value::Thermocouple { millivolts, .. }) = round.get(id) else {
        return;
    };
    let compensated = match round.get(&other) {
        Some(Value::Temperature { celsius, .. }) => Value::Thermocouple {
            millivolts: *millivolts,
            cold_junction: *celsius,
        },
        Some(Value::Fault { kind, text }) => fault(
            Fault::ColdJunction,
            format!("input `{other}`: {kind}, {}", text.as_deref().unwrap_or("")),
        ),
        _ => fault(Fault::ColdJunction, format!("input `{other}` has no value")),
    };
    round.insert(id.clone(), compensated);
}

fn fault(kind: Fault, text: String) -> Value<'static> {
    Value::Fault {
        kind,
        text: Some(text.into()),
    }
}

fn main() -> ExitCode {
    benchward_driver::run::<Scpi>()
}
