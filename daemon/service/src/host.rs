//! The host that the daemon runs on: its service manager, its log, its going to sleep and shutting down.
//!
//! All of it is optional and found by the environment, as each of them says it in public documents: `$NOTIFY_SOCKET` and
//! `$WATCHDOG_USEC` (`sd_notify(3)`, `sd_watchdog_enabled(3)`), the system bus by `$DBUS_SYSTEM_BUS_ADDRESS`, the journal's
//! socket by `--journal`. Where there is none of them, nothing is missing but them.

pub(crate) mod journal;
pub(crate) mod manager;
mod power;

use std::sync::Arc;
use std::time::Duration;

use tokio::time::{Instant, MissedTickBehavior, interval};
use tracing::{info, warn};

use crate::bus::Shared;
use crate::link::DESCRIBE_WITHIN;
use manager::Manager;
pub(crate) use power::watch as watch_power;

/// How long the first scans are waited for: as long as a driver has to describe itself, and a slow input's first value. A
/// bench that is unplugged must not keep the others' lab from being ready.
const READY_WITHIN: Duration = DESCRIBE_WITHIN.saturating_add(Duration::from_secs(2));

/// How often it is looked at whether they are there, and how often the manager may be told something new.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Tells the service manager that the lab is ready, once every driver has sent a scan or had its time for it, and from then on
/// what it does, in a line. Returns at once where there is no manager.
pub(crate) async fn tell_manager(shared: Arc<Shared>) {
    let Some(manager) = Manager::of_environment() else {
        return;
    };
    let began = Instant::now();
    let mut look = interval(LOOK_EVERY);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut ready = false;
    let mut said = String::new();
    // The picture that there was when every driver had sent a scan: who is told "ready" finds the scans in the one after it.
    let mut without = None;
    loop {
        look.tick().await;
        if without.is_none() && shared.vitals.all_scanned() {
            without = Some(shared.lab.view());
        }
        let all = without
            .as_ref()
            .is_some_and(|without| !Arc::ptr_eq(without, &shared.lab.view()));
        if !ready && (all || began.elapsed() >= READY_WITHIN) {
            ready = true;
            manager.tell("READY=1");
            if all {
                info!("ready: every driver has sent a scan");
            } else {
                warn!("ready, though not every driver has sent a scan within {READY_WITHIN:?}");
            }
        }
        let status = status(&shared);
        if status != said {
            manager.tell(&format!("STATUS={status}"));
            said = status;
        }
    }
}

/// Tells the service manager that the daemon ends because it was asked to.
pub(crate) fn tell_stopping() {
    if let Some(manager) = Manager::of_environment() {
        manager.tell("STOPPING=1\nSTATUS=ending: all heat is cut and every run ends");
    }
}

/// What the lab does, in a line for `systemctl status`.
fn status(shared: &Shared) -> String {
    let view = shared.lab.view();
    let list = |names: Vec<&str>| names.join(", ");
    let heating: Vec<&str> = view
        .stations
        .iter()
        .filter(|station| power::heats(station))
        .map(|station| &*station.name)
        .collect();
    let tripped: Vec<&str> = view
        .stations
        .iter()
        .filter(|station| {
            let latched = |standing| matches!(standing, "tripped" | "acknowledged");
            station.interlocks.iter().any(|one| latched(one.standing))
        })
        .map(|station| &*station.name)
        .collect();
    let mut text = match (view.stations.len(), heating.is_empty()) {
        (1, true) => "1 station, no heat".to_owned(),
        (count, true) => format!("{count} stations, no heat"),
        (count, false) => format!("{count} stations, heat at {}", list(heating)),
    };
    if !tripped.is_empty() {
        text = format!("{text}; tripped: {}", list(tripped));
    }
    text
}
