//! A bench that isn't there: an energy balance of heater, bench and board, the sensors on it, and the
//! faults that they can have.
//!
//! Pure: no clock, no I/O, no randomness but its own generator. Time is a parameter and the same seed gives the same
//! readings, so that tests of the control loop can use a [`Bench`] directly:
//!
//! ```
//! use benchward_driver_simulated::{Bench, Settings, Reading};
//!
//! let mut bench = Bench::new(&Settings { board_grams: 90.0, ..Settings::default() }).unwrap();
//! for _ in 0..600 {
//!     bench.advance(0.1, 1.0);
//! }
//! let Reading::Celsius(top) = bench.readings()[0].1 else { panic!() };
//! assert!(top > 60.0, "{top} °C after a minute at full power");
//! ```
//!
//! # What is modelled
//!
//! [`network`] holds temperatures, heat capacities and the links between them, linear and by radiation. [`Bench`] builds one with seven nodes:
//! the heating element with its own lag, the bench's body, the board's underside and top, each at the centre and at the edge, and a heavy
//! component on the top. The element reaches the underside and the body; top and component lose heat to the room. On top of it
//! come sensors with lag, contact error, noise and the steps of a converter, a supply voltage that wanders and a draft that comes and goes.
//!
//! The figures are plausible, not measured: no bench stood model. They are a family of plants to test a controller on, not a prediction for a
//! real board.

mod bench;
pub mod faults;
pub mod network;
pub mod random;
mod settings;

pub use bench::{Bench, Node, Reading};
pub use settings::{Channels, HeaterKind, PerSensor, Settings, WrongSettings};
