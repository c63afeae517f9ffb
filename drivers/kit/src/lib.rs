//! What a Benchward driver is made of: the wire messages of driver protocol 1, and the harness that
//! a driver written in Rust runs in.
//!
//! - [`wire`]: every message of the protocol, both directions. The daemon uses it too.
//! - [`harness`]: runs a [`Driver`]: framing, permits that lapse on threads of their own, zero on
//!   every way out, pacing, time-proportioned relays. It opens with a whole driver to start from.
//! - [`clock`]: the monotonic clock that both ends of the pipe share.
//! - [`conformance`]: runs a driver in any language through the rules of the protocol.
//! - [`other_end`]: plays the daemon's part towards one driver process, for checks and tests.
//! - [`window`]: when a time-proportioned relay is on.

pub mod clock;
pub mod conformance;
pub mod harness;
pub mod other_end;
mod record;
pub mod window;
pub mod wire;

pub use harness::{
    Driver, Failure, Inputs, Output, OutputPart, Pace, Parts, Relay, Stall, Start, Values, Voice, run,
};
