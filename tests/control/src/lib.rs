//! The proof of the heat control: how well it heats a family of simulated benches, as a table of figures.
//!
//! Everything runs in simulated time and is the same to the bit for the same seeds. The product's control runs inside
//! the whole core, through `Lab::apply`, interlocks included; the loops it is compared with live here.
//!
//! ```text
//! cargo run --release -p benchward-control-table
//! ```
//!
//! What is called true temperature is that of the *site*: what a well taped bead without lag and noise reads there. The
//! contact error is part of it, since nothing in a run can tell it.

pub mod bound;
pub mod census;
pub mod channels;
pub mod contest;
pub mod cooling;
pub mod cost;
pub mod family;
pub mod faults;
pub mod figures;
pub mod first_run;
pub mod fopdt;
pub mod knowledge;
pub mod lab;
pub mod method;
pub mod nuisance;
pub mod prediction;
pub mod recipes;
pub mod relay;
pub mod run;
pub mod score;
pub mod spread;
pub mod supply;
pub mod trace;
