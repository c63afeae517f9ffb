//! A bench where all is well, for the tests of interlocks: each test changes what it is about.

use super::{Facts, Heating, HostLimits, Link, Permissive};
use crate::channel::{Channel, Sample};
use crate::heat_log::HeatLog;
use crate::id::{InstanceId, OutputId, StationId};
use crate::limits::{Limits, RISE_MAX};
use crate::output::Output;
use crate::presence::Presence;
use crate::setup::OutputRole;
use crate::units::{Celsius, CelsiusDelta, Fraction, Millis};

/// The channels of a bench, as many as are needed.
const NAMES: [&str; 3] = ["board-top", "board-edge", "heater-plate"];

/// A station that heats from time zero on, towards 200 °C, under a ceiling of 260 °C.
pub(super) struct Bench {
    pub(super) now: Millis,
    pub(super) channels: Vec<Channel>,
    pub(super) permissives: Vec<Permissive>,
    /// One heater.
    pub(super) outputs: Vec<Output>,
    pub(super) links: Vec<Link>,
    presence: Presence,
    heat: HeatLog,
}

impl Bench {
    /// With that many channels, each read once a second.
    pub(super) fn new(channels: usize) -> Self {
        let channel = |name: &&str| {
            let mut channel = Channel::new((*name).into(), CelsiusDelta::constant(0.0));
            channel.period = Millis::from_secs(1);
            channel
        };
        Self {
            now: Millis::ZERO,
            channels: NAMES[..channels].iter().map(channel).collect(),
            permissives: Vec::new(),
            outputs: vec![Output::new(
                OutputId(0),
                "heat1".into(),
                InstanceId(0),
                OutputRole::Heat,
            )],
            links: Vec::new(),
            presence: Presence::default(),
            heat: HeatLog::default(),
        }
    }

    /// From now on the heater has that share of full power.
    pub(super) fn heat(&mut self, share: f64) {
        self.outputs[0].applied = Fraction::new(share).unwrap();
        self.look();
    }

    fn look(&mut self) {
        self.heat.look(self.now, self.outputs[0].applied, &self.outputs);
    }

    /// It is `now`, and each channel reads what is said, °C.
    pub(super) fn read(&mut self, now: Millis, celsius: &[f64]) {
        self.now = now;
        for (channel, celsius) in self.channels.iter_mut().zip(celsius) {
            channel.take(now, Sample::Good(Celsius::new(*celsius).unwrap()));
        }
        self.look();
    }

    /// What the station would show its interlocks; it steers by the first channel.
    pub(super) fn facts(&self) -> Facts<'_> {
        Facts {
            now: self.now,
            channels: &self.channels,
            permissives: &self.permissives,
            outputs: &self.outputs,
            links: &self.links,
            instances: &[],
            presence: &self.presence,
            ceiling: Limits::new(Celsius::constant(260.0), vec![None]).effective(StationId(0), None),
            absent_after: Millis::from_secs(900),
            rise_max: RISE_MAX,
            heating: Some(Heating {
                since: Millis::ZERO,
                total: self.now,
                limit: Millis::from_secs(3600),
            }),
            control: self.channels.first().and_then(|channel| channel.good),
            target: Some(Celsius::constant(200.0)),
            heat: &self.heat,
            current: None,
            residual: None,
            late: None,
            behind: Millis::ZERO,
            stop: None,
            host: HostLimits::new(1),
        }
    }
}
