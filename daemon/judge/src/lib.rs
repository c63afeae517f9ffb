//! What is said of runs once they are over: whether one kept its window, how many of them vary, how they differ.
//!
//! Nothing here is on the way from a reading to the heat, which is why it isn't in the core. Like the core it is pure: no I/O, no
//! clock; readings in, verdicts and figures out.
//!
//! * [`Judge`] takes the scans of a run one by one and ends in a [`Judgement`]: each line of the window with value, margin and verdict.
//! * [`chart`] has control charts and capability of a figure over many runs.
//! * [`curve`] lays runs over each other and says how they differ.
//!
//! # What isn't known
//!
//! Readings that are no further apart than the window's `gap_s_max` are joined by a straight line. Where they are further apart,
//! or the board was still hot when the readings ended, anything may have happened. So each measure is an interval: what was seen, and what it could
//! have been. A line passes if all of the interval is inside the limits, fails if all of it is outside, and is undecided else.

pub mod chart;
pub mod curve;

mod judgement;
mod meter;
mod trace;

pub use judgement::{ChannelValue, Judged, Judgement, Verdict};
pub use trace::{Board, Ending, Judge, Scan};
