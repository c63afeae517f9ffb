//! The decisions of Benchward, and nothing else: no I/O, no clock, no async, no logging.
//!
//! [`Lab::take`] is the only door. Events go in with the time at which they are handled, actions come
//! out; the service around this crate carries the actions out with no choices left to make. Given the
//! same events at the same times, the same actions come out, to the bit: there is no map with random
//! order here, no clock, no random number, no environment (`clippy.toml` of this crate refuses them).
//!
//! The modules are the words of the trade, in the order in which a reader meets them.

mod id;
pub mod units;

pub mod mistake;
pub mod model;
pub mod recipe;
pub mod window;

mod calibration;
mod caution;
mod channel;
mod heat_log;
mod numbering;
mod output;
mod person;
mod setup;
mod trend;

mod alarm;
pub mod interlock;
mod limits;
pub mod messages;
mod presence;
mod supply;

mod control;
mod guard;
pub mod plan;
pub mod predict;
mod response;
mod rising;
mod run;
mod station;

mod action;
mod event;
mod excerpt;
mod lab;
mod refusal;
mod view;

pub use action::{About, Action, Entry, EntryKind, Grant, LimitScope, Row, RunChange, Signal, Verdict};
pub use alarm::Alarm;
pub use calibration::{Calibration, OFFSET_MAX, Offset};
pub use channel::{Fault, Quality, Sample};
pub use event::{Ask, Event, InputOffer, Loss, OutputOffer, Request, Value};
pub use excerpt::{Again, Excerpt};
pub use guard::{FirstRun, Waits};
pub use id::{InputId, InstanceId, OutputId, RequestId, RunId, Seq, StationId};
pub use lab::Lab;
pub use limits::{
    CEILING_MAX, CEILING_MIN, Ceiling, CeilingFrom, LimitFrom, LimitName, Limits, Moved, RISE_MAX,
};
pub use person::{Act, Origin, Person, Role, Roles};
pub use refusal::{Answer, Refusal, RefusalKind};
pub use run::{Outcome, Phase, Record, StageRecord, TripRecord};
pub use setup::{
    ChannelSetup, InputUse, OutputRole, OutputSetup, Setup, StandingTrip, StationSetup, SupplySetup,
};
pub use supply::SupplyCall;
pub use view::{ChannelView, InterlockView, LabView, PermissiveView, StationView, SupplyShare, SupplyView};
