//! Driver protocol 1: one JSON object per line over stdin and stdout, at most 64 KiB a line.
//!
//! [`FromDriver`] is what a driver says, [`ToDriver`] what the daemon says; both can be parsed and
//! written, so that daemon, harness, conformance checks and tests share one idea of the protocol.
//! Nothing here does I/O; [`Lines`] cuts a byte stream into lines within the limit.
//!
//! Unknown fields are ignored. An unknown `msg` is a variant of its own, not an error. Everything
//! else that isn't as the protocol says is [`Malformed`], with the column and an excerpt.
//!
//! Units: temperatures in degrees Celsius, voltages in millivolts, currents in amperes, heat as a
//! fraction 0..1 of full power, `at_ms` in milliseconds of `CLOCK_MONOTONIC`. No number that gets
//! through the parser is infinite or not a number.

mod describe;
mod from_driver;
mod json;
mod lines;
mod malformed;
mod to_driver;

pub use describe::{Describe, Input, InputKind, Output};
pub use from_driver::{Applied, Fault, FromDriver, Level, Refused, Scan, Value};
pub use lines::{LineTooLong, Lines};
pub use malformed::Malformed;
pub use to_driver::{Configure, Heat, Switching, ToDriver};

/// The protocol version spoken here, as in `configure` and `describe`.
pub const PROTOCOL: u32 = 1;

/// Longest line, in bytes, without its `\n`: a scan of 1,000 inputs fits, a runaway doesn't fill memory.
pub const MAX_LINE_BYTES: usize = 64 * 1024;

/// Longest time that a heat command stays valid, in milliseconds; more counts as this.
///
/// This is the first invariant's bound: heat outlives a silent daemon by no more than this.
pub const MAX_VALID_MS: u32 = 1_500;

/// Fastest rate an input may announce, in scans a second.
pub const MAX_RATE_HZ: f64 = 100.0;

/// Longest window of a time-proportioned output, in milliseconds. Longer windows would outlast a permit.
pub const MAX_WINDOW_MS: u32 = 1_000;

/// Longest id of an input or output, in characters.
pub const MAX_ID_CHARS: usize = 64;

/// Largest `time_scale`. Beyond it a 1.5 s permit is shorter than a scheduler's time slice.
pub const MAX_TIME_SCALE: f64 = 1_000.0;
