//! What is shown of a lab: a picture of its state at one moment, without the inner data.

use std::sync::Arc;

use crate::alarm::Alarm;
use crate::channel::Quality;
use crate::guard::Waits;
use crate::id::RunId;
use crate::interlock::{InForce, InterlockName};
use crate::limits::{Ceiling, LimitFrom, LimitName};
use crate::predict::Foretold;
use crate::run::Phase;
use crate::units::{Celsius, Fraction, Millis, Watts};

/// A whole lab.
#[derive(Debug, Clone, PartialEq)]
pub struct LabView {
    /// Its name.
    pub name: Arc<str>,
    /// Its ceiling.
    pub ceiling: Celsius,
    /// Its limits beside the ceiling: what counts where no recipe says less, and where it comes from.
    pub limits: [(LimitName, Option<f64>, LimitFrom); 3],
    /// Alarms of the whole lab that stand.
    pub alarms: Vec<Alarm>,
    /// Its supplies, in the order of their names.
    pub supplies: Vec<SupplyView>,
    /// Its stations, in the order of the configuration.
    pub stations: Vec<StationView>,
}

/// One supply, and what is drawn from it now.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyView {
    /// Its name.
    pub name: Arc<str>,
    /// What may be drawn at any moment.
    pub watts: Watts,
    /// The most that may be on at one moment, by what is granted.
    pub most: Watts,
    /// The stations on it.
    pub stations: Vec<SupplyShare>,
}

/// What one station has of its supply.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyShare {
    /// The station's name.
    pub station: Arc<str>,
    /// What it asks for, as a mean.
    pub asks: Watts,
    /// What it gets, as a mean.
    pub gets: Watts,
}

impl LabView {
    /// A limit of the lab, in its unit, and where it comes from; `None`: what each run's recipe or plan says.
    pub fn limit(&self, limit: LimitName) -> (Option<f64>, LimitFrom) {
        self.limits
            .iter()
            .find(|(name, _, _)| *name == limit)
            .map_or((None, LimitFrom::BuiltIn), |(_, value, from)| (*value, *from))
    }
}

/// One station.
#[derive(Debug, Clone, PartialEq)]
pub struct StationView {
    /// Its name.
    pub name: Arc<str>,
    /// Where its run is.
    pub phase: Phase,
    /// The run in progress.
    pub run: Option<RunId>,
    /// Recipe of that run.
    pub recipe: Option<String>,
    /// Serial number of its board.
    pub serial: Option<Arc<str>>,
    /// Its stage, counted from 1, and how many there are.
    pub stage: Option<(u16, u16)>,
    /// Target of the stage, while heat may be on.
    pub target: Option<Celsius>,
    /// What is steered, as far as it can be read.
    pub control: Option<Celsius>,
    /// Heat that was last granted.
    pub heat: Fraction,
    /// The ceiling that counts here now.
    pub ceiling: Ceiling,
    /// The station's own ceiling.
    pub own_ceiling: Option<Celsius>,
    /// The limits that count here now.
    pub in_force: InForce,
    /// What is less safe here than usual and no trip, in words.
    pub cautions: Vec<String>,
    /// Its permissives.
    pub permissives: Vec<PermissiveView>,
    /// Its readings follow its heat: a board model can be held against them.
    pub follows_heat: bool,
    /// Its channels.
    pub channels: Vec<ChannelView>,
    /// Its interlocks.
    pub interlocks: Vec<InterlockView>,
    /// How long until heat goes off because nobody is there; `None` while there is no heat.
    pub presence_left: Option<Millis>,
    /// What its run waits for: a person who confirms its sensors.
    pub waits: Option<Waits>,
    /// How much of the dwell is left; `None` outside a dwell.
    pub dwell_left: Option<Millis>,
    /// How long a tripped run can still be resumed.
    pub resume_left: Option<Millis>,
    /// What is foretold of its run; `None`: nothing can be yet.
    pub foretold: Option<Foretold>,
    /// Share of its full power that others on its supply would leave a run that began now.
    pub supply_left: Fraction,
    /// Whether all its drivers are up.
    pub driver_up: bool,
}

/// One channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelView {
    /// Its name.
    pub name: Arc<str>,
    /// Its temperature, if fresh and good.
    pub celsius: Option<Celsius>,
    /// What its newest sample is worth.
    pub quality: Quality,
}

/// One permissive.
#[derive(Debug, Clone, PartialEq)]
pub struct PermissiveView {
    /// Its name.
    pub name: Arc<str>,
    /// Whether it is closed; `None`: it can't be read, and counts as open.
    pub closed: Option<bool>,
}

/// One interlock.
#[derive(Debug, Clone, PartialEq)]
pub struct InterlockView {
    /// Its name.
    pub name: InterlockName,
    /// `clear`, `warning`, `tripped` or `acknowledged`.
    pub standing: &'static str,
    /// What it says; empty while clear.
    pub text: String,
}
