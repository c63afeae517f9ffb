//! A Sparkplug 3.0 edge node: what it says, and when.
//!
//! Nothing here reads a clock, opens a socket or waits. [`EdgeNode::apply`] takes what has happened and the time, and returns
//! what is to be done; whoever holds the connection does it. So every rule of a session can be tested by hand, and random
//! histories can be held against all of them.
//!
//! | module | what |
//! |---|---|
//! | [`payload`] | the wire form: protocol buffers, the whole schema |
//! | [`metric`] | what is told of a lab: values, units, qualities; and their wire form |
//! | [`topic`] | names of topics, and what may be part of one |
//! | [`edge_node`] | the session: births, data, deaths, numbers, rebirths, the primary host |
//!
//! The specification is *Eclipse Sparkplug Specification 3.0.0* (also ISO/IEC 20237). Which of its statements hold here, and which
//! test shows it: `CONFORMANCE.md` beside this crate.
//!
//! From outside, nothing can be changed. One command is listened to, the request for a rebirth, and all it does is to have
//! everything said again. Every other command is refused, and whoever reads the journal sees that it came.

pub mod edge_node;
pub mod metric;
pub mod payload;
pub mod topic;

mod refusals;
mod state;

pub use edge_node::{EdgeNode, Input, Message, Output, Sample, Settings};
pub use metric::{Content, Device, Metric, Picture, Quality};
