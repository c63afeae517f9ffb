//! What the tests with real processes are made of: the daemon, a broker, a bus, clients, the drivers' own records.
//!
//! A test sets up a [`place::Place`], starts what it needs in it, makes something happen, and looks at what others saw of
//! it. Nothing here waits for a fixed time where it can wait for the thing itself; the bounds that are promised are
//! measured on `CLOCK_MONOTONIC`, at the driver's end.

pub mod attack;
pub mod authority;
pub mod broker;
pub mod browser;
pub mod bus;
pub mod client;
pub mod clock;
pub mod command;
pub mod daemon;
pub mod dashboard;
pub mod fault;
pub mod history;
pub mod load;
pub mod long;
pub mod manager;
pub mod place;
pub mod programs;
pub mod proxy;
pub mod recipe;
pub mod record;
pub mod redone;
pub mod scrape;
pub mod sparkplug;
pub mod terminal;
pub mod user;
pub mod wait;
