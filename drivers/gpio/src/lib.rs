//! A bench on the lines of a GPIO chip: a solid-state relay that heats, a contactor above it, a pedal, a hood.
//!
//! ```toml
//! [driver.pins.settings]
//! chip = "/dev/gpiochip0"
//! rate_hz = 20                     # how often pedal and hood are told, 1 to 100
//!
//! [driver.pins.settings.heat.heat1]
//! line = 17                        # the solid-state relay
//! window_ms = 1000                 # time-proportioned over this, 20 to 1000
//! min_on_ms = 10                   # on and off for this long at least, at most half a window
//! watts = 800
//! contactor = { line = 27, active_low = true }
//!
//! [driver.pins.settings.presence.pedal]
//! line = 5
//! active_low = true                # pressed pulls the line down
//! bias = "pull-up"                 # or "pull-down", "none"; without it the line stays as it is
//! debounce_ms = 20                 # counts once it has been the same for so long, 0 to 1000
//!
//! [driver.pins.settings.permissive.hood]
//! line = 6
//! ```
//!
//! [`Gpio`] is the driver on any [`Chip`]; the program runs it on [`CharacterDevice`].
//!
//! A contactor is open until heat is first wanted, and opens on `cut` and when the driver ends in order. It closes in front of
//! its relay, so that a driver that starts under a standing trip closes nothing.

mod chip;
mod debounce;
mod settings;

use std::collections::BTreeMap;
use std::marker::PhantomData;
use std::time::Duration;

use benchward_driver::clock::monotonic_ms;
use benchward_driver::{Driver, Failure, Inputs, OutputPart, Pace, Parts, Relay, Start, Values, wire};

pub use chip::{Bias, CharacterDevice, Chip, InputLine, OutputLine, Wiring};
pub use settings::{Contactor, Heat, Sense, Settings};

use debounce::Debounce;

/// Between two looks at the inputs. A bouncing contact is told from a pressed one by several of them.
const LOOK: Duration = Duration::from_millis(5);

/// The driver, on the lines of a chip.
#[derive(Debug)]
pub struct Gpio<C>(PhantomData<C>);

impl<C: Chip> Driver for Gpio<C> {
    const NAME: &'static str = "gpio";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    type Settings = Settings;

    fn open(settings: Settings, _start: &Start) -> Result<Parts, Failure> {
        settings.check().map_err(Failure::new)?;
        let chip = C::open(&settings.chip)?;
        let mut outputs = Vec::new();
        for (id, heat) in &settings.heat {
            let relay = SolidState {
                heat: chip.output(heat.line, heat.active_low, &format!("benchward {id}"))?,
                contactor: match &heat.contactor {
                    None => None,
                    Some(Contactor { line, active_low }) => {
                        Some(chip.output(*line, *active_low, &format!("benchward {id} contactor"))?)
                    }
                },
                closed: false,
            };
            let mut part = OutputPart::relay(id, heat.window_ms, relay)
                .min_on_ms(heat.min_on_ms)
                .cuts(heat.contactor.is_some());
            if let Some(watts) = heat.watts {
                part = part.watts(watts);
            }
            outputs.push(part);
        }
        let now_ms = monotonic_ms();
        let mut contacts = Vec::new();
        contacts.extend(open_contacts(
            &chip,
            &settings.presence,
            wire::InputKind::Presence,
            now_ms,
        )?);
        contacts.extend(open_contacts(
            &chip,
            &settings.permissive,
            wire::InputKind::Permissive,
            now_ms,
        )?);
        let inputs = contacts
            .iter()
            .map(|contact| wire::Input {
                id: contact.id.clone(),
                kind: contact.kind,
                rate_hz: Some(settings.rate_hz),
                range: None,
            })
            .collect();
        let reader = (!contacts.is_empty()).then(|| {
            Box::new(Contacts {
                all: contacts,
                every_ms: 1_000.0 / settings.rate_hz,
                due_ms: now_ms,
            }) as Box<dyn Inputs>
        });
        Ok(Parts {
            inputs,
            reader,
            outputs,
            simulated: false,
        })
    }
}

/// A solid-state relay, and the contactor above it where there is one.
struct SolidState {
    heat: Box<dyn OutputLine>,
    contactor: Option<Box<dyn OutputLine>>,
    /// The contactor is closed.
    closed: bool,
}

impl SolidState {
    fn contactor(&mut self, closed: bool) -> Result<(), Failure> {
        if let Some(contactor) = &mut self.contactor {
            contactor.set(closed)?;
        }
        self.closed = closed;
        Ok(())
    }
}

impl Relay for SolidState {
    fn switch(&mut self, on: bool) -> Result<(), Failure> {
        if on && !self.closed {
            self.contactor(true)?;
        }
        self.heat.set(on)
    }

    fn cut(&mut self) -> Result<(), Failure> {
        self.contactor(false)
    }

    // `restore` leaves the contactor open: it closes with the heat that is then granted.
}

impl Drop for SolidState {
    fn drop(&mut self) {
        // The relay has been told before, and answered or not: this is the second switch's turn, for what it can do.
        let _ = self.heat.set(false);
        let _ = self.contactor(false);
    }
}

/// A yes/no input.
struct Contact {
    id: String,
    kind: wire::InputKind,
    line: Box<dyn InputLine>,
    debounce: Debounce,
    /// It was active at some time since it was told last: a short press counts.
    pressed: bool,
    trouble: Option<String>,
}

fn open_contacts(
    chip: &impl Chip,
    list: &BTreeMap<String, Sense>,
    kind: wire::InputKind,
    now_ms: f64,
) -> Result<Vec<Contact>, Failure> {
    list.iter()
        .map(|(id, sense)| {
            let wiring = Wiring {
                active_low: sense.active_low,
                bias: sense.bias,
            };
            Ok(Contact {
                id: id.clone(),
                kind,
                line: chip.input(sense.line, wiring, &format!("benchward {id}"))?,
                debounce: Debounce::new(f64::from(sense.debounce_ms), now_ms),
                pressed: false,
                trouble: None,
            })
        })
        .collect()
}

impl Contact {
    fn look(&mut self, now_ms: f64) {
        match self.line.active() {
            Ok(active) => {
                self.trouble = None;
                self.pressed |= self.debounce.sampled(now_ms, active);
            }
            Err(failure) => {
                // What can't be read is neither pressed nor shut, and has to be the same for a while again afterwards.
                self.debounce.lost(now_ms);
                self.pressed = false;
                self.trouble = Some(failure.to_string());
            }
        }
    }

    fn tell(&mut self, values: &mut Values) {
        if let Some(text) = &self.trouble {
            values.fault_because(&self.id, wire::Fault::Device, text.clone());
            return;
        }
        let active = match self.kind {
            wire::InputKind::Presence => self.pressed,
            _ => self.debounce.active(),
        };
        values.active(&self.id, active);
        self.pressed = self.debounce.active();
    }
}

/// All of them.
struct Contacts {
    all: Vec<Contact>,
    every_ms: f64,
    due_ms: f64,
}

impl Inputs for Contacts {
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure> {
        let now_ms = monotonic_ms();
        for contact in &mut self.all {
            contact.look(now_ms);
        }
        if now_ms >= self.due_ms {
            for contact in &mut self.all {
                contact.tell(values);
            }
            // Scans missed by being late stay missed.
            self.due_ms = (self.due_ms + self.every_ms).max(now_ms);
        }
        Ok(Pace::Every(LOOK))
    }
}
