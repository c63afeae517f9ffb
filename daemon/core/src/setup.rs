//! What a lab is made of, as the configuration and the archive say it at the start.
//!
//! Everything that may be looked up by name outside is a place in one of these lists inside.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::id::{InputId, InstanceId, OutputId, RunId, StationId};
use crate::interlock::{Effect, InterlockName};
use crate::limits::Moved;
use crate::units::{Celsius, CelsiusDelta, Millis};

/// A whole lab.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The lab's name.
    pub name: Arc<str>,
    /// How many times as fast as the wall clock the lab's time goes. Above 1 only for a lab whose drivers
    /// are all simulated. Limits that guard against a slow *host* are given in real time, and so count
    /// this many times as long in lab time.
    pub time_scale: u64,
    /// Names of the driver instances.
    pub instances: Vec<Arc<str>>,
    /// The stations.
    pub stations: Vec<StationSetup>,
    /// Circuits shared by stations.
    pub supplies: Vec<SupplySetup>,
    /// Every wired input: which instance it belongs to, its id there, and what it is used for.
    pub inputs: Vec<(InstanceId, Arc<str>, InputUse)>,
    /// Every wired output.
    pub outputs: Vec<OutputSetup>,
    /// Ceiling of the whole lab.
    pub ceiling: Celsius,
    /// How long heat may be on without anybody confirming to be there.
    pub absent_after: Millis,
    /// Number of the next run.
    pub next_run: RunId,
    /// Limits that a safety role has moved: they count in place of the ceilings and the absence limit here.
    pub moved: Moved,
    /// Trips that stood when the daemon last stopped.
    pub standing_trips: Vec<StandingTrip>,
}

/// One station.
#[derive(Debug, Clone)]
pub struct StationSetup {
    /// Name, as in the configuration.
    pub name: Arc<str>,
    /// Its channels.
    pub channels: Vec<ChannelSetup>,
    /// Names of its permissives.
    pub permissives: Vec<Arc<str>>,
    /// Place of its supply in [`Setup::supplies`].
    pub supply: Option<usize>,
    /// Its own ceiling.
    pub ceiling: Option<Celsius>,
    /// Its readings follow its heat. Those of a recording that is played again don't, and no board model is held against
    /// them.
    pub follows_heat: bool,
}

/// One channel of a station.
#[derive(Debug, Clone)]
pub struct ChannelSetup {
    /// Name, as in the configuration.
    pub name: Arc<str>,
    /// Calibration: added to every reading.
    pub offset: CelsiusDelta,
}

/// What a wired input is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum InputUse {
    /// Channel number `1` (counted from 0) of a station.
    Channel(StationId, usize),
    /// The station's presence input.
    Presence(StationId),
    /// Permissive number `1` (counted from 0) of a station.
    Permissive(StationId, usize),
    /// Measures what the station's heaters draw.
    Current(StationId),
}

impl InputUse {
    /// The station it is wired to.
    pub const fn station(self) -> StationId {
        match self {
            Self::Channel(station, _)
            | Self::Presence(station)
            | Self::Permissive(station, _)
            | Self::Current(station) => station,
        }
    }
}

/// One wired output.
#[derive(Debug, Clone)]
pub struct OutputSetup {
    /// The instance that it belongs to.
    pub instance: InstanceId,
    /// Its id there.
    pub name: Arc<str>,
    /// The station that it serves.
    pub station: StationId,
    /// What it does there.
    pub role: OutputRole,
}

/// What an output does for its station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum OutputRole {
    /// Heats.
    Heat,
    /// Is a second switch in the heater's supply: opened on `cut`, never given heat.
    Contactor,
}

/// A circuit shared by stations.
#[derive(Debug, Clone)]
pub struct SupplySetup {
    /// Name, as in the configuration.
    pub name: Arc<str>,
    /// What may be drawn from it at any time: volts x amperes x continuous share.
    pub watts: crate::units::Watts,
}

/// A trip that stood when the daemon last stopped, as the archive kept it.
#[derive(Debug, Clone)]
pub struct StandingTrip {
    /// Where.
    pub station: StationId,
    /// Which interlock.
    pub interlock: InterlockName,
    /// What it did.
    pub effect: Effect,
    /// The text it was announced with.
    pub text: Arc<str>,
    /// Who acknowledged it, if somebody did.
    pub acknowledged_by: Option<Arc<str>>,
}

impl Setup {
    /// The id of an input by instance and name, if it is wired.
    pub fn input(&self, instance: InstanceId, name: &str) -> Option<InputId> {
        let at = self
            .inputs
            .iter()
            .position(|(owner, input, _)| *owner == instance && &**input == name)?;
        u32::try_from(at).ok().map(InputId)
    }

    /// The id of an output by instance and name, if it is wired.
    pub fn output(&self, instance: InstanceId, name: &str) -> Option<OutputId> {
        let at = self
            .outputs
            .iter()
            .position(|output| output.instance == instance && &*output.name == name)?;
        u32::try_from(at).ok().map(OutputId)
    }

    /// The name of a station; empty for an id that isn't of this lab.
    pub fn station_name(&self, station: StationId) -> Arc<str> {
        self.stations
            .get(station.index())
            .map(|station| station.name.clone())
            .unwrap_or_default()
    }

    /// The station of that name.
    pub fn station(&self, name: &str) -> Option<StationId> {
        let at = self.stations.iter().position(|station| &*station.name == name)?;
        u32::try_from(at).ok().map(StationId)
    }
}
