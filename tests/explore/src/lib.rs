//! The proof of the interlocks: every order of events to a depth, against the real core.
//!
//! ```text
//! cargo run --release -p benchward-explore -- --steps 4
//! ```
//!
//! [`model::Bench`] is an explicit-state model (for the library `stateright`) whose transitions are calls of
//! `benchward_core::Lab::apply` and `take` and nothing else; [`world`] plays the drivers, the archive and the judge; [`fingerprint`]
//! says when two states are the same, and what that leaves out.

pub mod fingerprint;
pub mod model;
pub mod world;
