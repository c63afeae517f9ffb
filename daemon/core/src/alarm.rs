//! Alarms of the whole lab: what the people at one bench can't settle alone.
//!
//! A heater that is stuck on doesn't care that its own output is cut: if its second switch doesn't open either, somebody
//! has to pull a plug, and whoever is nearest may stand at another bench. So the lab says it everywhere, and does this:
//!
//! * **Until somebody acknowledges it, no run starts or goes on anywhere.** Whoever wants to start one is a person who has
//!   to know; to acknowledge takes any role and a moment.
//! * **Until it is reset, none does on the same supply.** What a stuck heater draws is in nobody's account, so that there is
//!   less left of the supply than the lab believes. A reset takes readings which show that the cause is gone.
//! * **Runs that heat go on.** They are healthy; a board that is spoilt halfway helps nobody.
//!
//! There is no state here. An alarm stands while its interlock is latched, so that it can't be forgotten over a restart
//! where the trip isn't, and to acknowledge and reset the trip is to acknowledge and clear the alarm. The words for that
//! (raised, acknowledged, cleared; latched) are those of ISA-18.2.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::id::StationId;
use crate::interlock::{InterlockName, Standing};
use crate::person::Person;
use crate::station::Station;

impl InterlockName {
    /// Whether a trip of it is an alarm of the whole lab.
    pub const fn alarms_lab(self) -> bool {
        matches!(self, Self::HeatStuckOn)
    }
}

/// An alarm of the whole lab that stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    /// The station whose interlock raised it.
    pub station: StationId,
    /// Its name.
    pub station_name: Arc<str>,
    /// The interlock.
    pub interlock: InterlockName,
    /// Who has seen it; `None`: nobody yet.
    pub acknowledged_by: Option<Person>,
    /// What happened, what the lab does about it, what a person does now.
    pub text: String,
}

impl Alarm {
    /// `tripped` or `acknowledged`, as the standing of its interlock.
    pub const fn standing(&self) -> &'static str {
        match self.acknowledged_by {
            None => "tripped",
            Some(_) => "acknowledged",
        }
    }

    /// Those that a station has raised.
    pub(crate) fn of(station: &Station) -> impl Iterator<Item = Self> {
        station
            .panel
            .standings()
            .filter(|(interlock, _)| interlock.alarms_lab())
            .filter_map(|(interlock, standing)| {
                let (trip, acknowledged_by) = match standing {
                    Standing::Tripped { trip } => (trip, None),
                    Standing::Acknowledged { trip, by } => (trip, Some(by.clone())),
                    Standing::Clear | Standing::Warning { .. } => return None,
                };
                Some(Self {
                    station: station.id,
                    station_name: station.name.clone(),
                    interlock,
                    text: text(&station.name, &trip.cause.text, acknowledged_by.as_ref()),
                    acknowledged_by,
                })
            })
    }
}

/// What everybody is told.
pub(crate) fn text(station: &str, cause: &str, seen_by: Option<&Person>) -> String {
    match seen_by {
        None => format!(
            "lab alarm: {station} heats by itself: {cause}. No run starts in the lab until somebody acknowledges it with \
             `benchward trip ack {station}`"
        ),
        Some(by) => format!(
            "lab alarm, seen by {by}: {station} heats by itself: {cause}. No run starts on its supply until a safety role \
             resets it with `benchward trip reset {station}`"
        ),
    }
}
