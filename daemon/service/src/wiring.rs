//! From the configuration to what the core and the driver links need: every name becomes a place in a list.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use benchward_archive as archive;
use benchward_config::{Config, InputRef, OutputRef, Program};
use benchward_core::interlock::{Effect, InterlockName};
use benchward_core::units::{Celsius, CelsiusDelta};
use benchward_core::{
    ChannelSetup, InputUse, InstanceId, LimitName, Moved, OutputRole, OutputSetup, RunId, Setup,
    StandingTrip, StationId, StationSetup, SupplySetup,
};
use benchward_thermocouple::Kind;

use crate::calibration::{Sensor, Sensors};

/// Key under which the archive keeps the lab's ceiling.
const LAB_CEILING: &str = "ceiling";

/// Key under which the archive keeps a station's ceiling. A station's name can't hold a `:`.
fn station_ceiling(station: &str) -> String {
    format!("ceiling:{station}")
}

/// Key of a limit in the archive.
pub(crate) fn limit_key(station: Option<&str>) -> String {
    station.map_or_else(|| LAB_CEILING.to_owned(), station_ceiling)
}

/// What a limit is kept as where a safety role took it away: a limit in the archive is a number.
pub(crate) const NOT_SET: f64 = 0.0;

/// One instance of a driver, as it is started.
#[derive(Debug, Clone)]
pub(crate) struct Instance {
    pub(crate) id: InstanceId,
    pub(crate) name: Arc<str>,
    pub(crate) command: Vec<String>,
    pub(crate) settings: serde_json::Value,
}

/// What the wiring of a lab comes to.
#[derive(Debug, Clone)]
pub(crate) struct Wiring {
    pub(crate) setup: Setup,
    pub(crate) instances: Vec<Instance>,
    /// For each input of [`Setup::inputs`]: the thermocouple type that its channel asks for.
    pub(crate) kinds: Vec<Option<Kind>>,
    /// The sensors as they were when the daemon started; [`crate::archive::Keep::sensors`] has them as they are.
    pub(crate) sensors: Sensors,
}

/// Lays out the lab that `config` describes, as `found` in the archive says that it stood.
///
/// `calibrations`: the newest of each channel. `beside`: the folder of the daemon's own program, where drivers are looked for
/// first.
pub(crate) fn lay_out(
    config: &Config,
    found: &archive::Opened,
    calibrations: &[archive::Calibration],
    scale: u64,
    beside: Option<&Path>,
) -> Wiring {
    let mut instances: Vec<Instance> = Vec::new();
    let mut places: BTreeMap<&str, InstanceId> = BTreeMap::new();
    for (name, instance) in &config.drivers {
        let id = InstanceId(place(instances.len()));
        places.insert(name, id);
        instances.push(Instance {
            id,
            name: name.as_str().into(),
            command: command(&instance.program, beside),
            settings: instance.settings.clone(),
        });
    }
    let supplies: Vec<&String> = config.supplies.keys().collect();
    let mut wiring = Wiring {
        setup: Setup {
            name: config.lab.name.as_str().into(),
            time_scale: scale,
            instances: instances.iter().map(|instance| instance.name.clone()).collect(),
            stations: Vec::new(),
            supplies: config
                .supplies
                .iter()
                .map(|(name, supply)| SupplySetup {
                    name: name.as_str().into(),
                    watts: supply.power(),
                })
                .collect(),
            inputs: Vec::new(),
            outputs: Vec::new(),
            ceiling: config.ceiling,
            moved: moved(config, found),
            absent_after: config.absent_after,
            next_run: RunId(found.next_run),
            standing_trips: Vec::new(),
        },
        instances,
        kinds: Vec::new(),
        sensors: Sensors::default(),
    };
    for (at, station) in config.stations.iter().enumerate() {
        let id = StationId(place(at));
        // The configuration has checked that every instance that is named is there.
        let instance = |name: &str| places.get(name).copied().unwrap_or(InstanceId(u32::MAX));
        let mut input = |from: &InputRef, used: InputUse, kind: Option<Kind>| {
            wiring
                .setup
                .inputs
                .push((instance(&from.instance), from.input.as_str().into(), used));
            wiring.kinds.push(kind);
        };
        for (channel, wired) in station.channels.iter().enumerate() {
            let kind = wired
                .thermocouple
                .and_then(|kind| kind.letter().to_string().parse().ok());
            input(&wired.input, InputUse::Channel(id, channel), kind);
        }
        for (permissive, (_, wired)) in station.permissives.iter().enumerate() {
            input(wired, InputUse::Permissive(id, permissive), None);
        }
        if let Some(wired) = &station.presence {
            input(wired, InputUse::Presence(id), None);
        }
        if let Some(wired) = &station.current {
            input(wired, InputUse::Current(id), None);
        }
        let mut output = |to: &OutputRef, role: OutputRole| {
            wiring.setup.outputs.push(OutputSetup {
                instance: instance(&to.instance),
                name: to.output.as_str().into(),
                station: id,
                role,
            });
        };
        station
            .heat
            .iter()
            .for_each(|heat| output(heat, OutputRole::Heat));
        station
            .contactor
            .iter()
            .for_each(|contactor| output(contactor, OutputRole::Contactor));
        let sensors = sensors_of(station, calibrations);
        wiring.setup.stations.push(StationSetup {
            name: station.name.as_str().into(),
            channels: station
                .channels
                .iter()
                .zip(&sensors)
                .map(|(channel, sensor)| ChannelSetup {
                    name: channel.name.as_str().into(),
                    offset: CelsiusDelta::new(sensor.offset()).unwrap_or(channel.offset),
                })
                .collect(),
            permissives: station
                .permissives
                .iter()
                .map(|(name, _)| name.as_str().into())
                .collect(),
            supply: station
                .supply
                .as_ref()
                .and_then(|name| supplies.iter().position(|supply| *supply == name)),
            ceiling: station.ceiling,
            follows_heat: station.follows_heat,
        });
        wiring.sensors.0.push(sensors);
        wiring
            .setup
            .standing_trips
            .extend(standing(id, &station.name, found));
    }
    wiring
}

/// What a safety role has moved since the first start.
fn moved(config: &Config, found: &archive::Opened) -> Moved {
    let stations = (0..).map(StationId).zip(&config.stations);
    let limits = LimitName::ALL.into_iter();
    Moved {
        ceiling: kept(found, LAB_CEILING),
        stations: stations
            .filter_map(|(id, station)| {
                let kept = *found.limits.get(&station_ceiling(&station.name))?;
                if kept <= NOT_SET {
                    return Some((id, None));
                }
                // What can't be a temperature leaves the configuration's.
                Some((id, Some(Celsius::new(kept).ok()?)))
            })
            .collect(),
        limits: limits
            .filter_map(|limit| Some((limit, *found.limits.get(limit.text())?)))
            .filter(|(_, value)| *value > NOT_SET)
            .collect(),
    }
}

/// The sensors of one station, with the newest calibration of each.
fn sensors_of(station: &benchward_config::Station, calibrations: &[archive::Calibration]) -> Vec<Sensor> {
    let newest = |channel: &str| {
        calibrations
            .iter()
            .find(|one| one.record.station == station.name && one.record.channel == channel)
    };
    station
        .channels
        .iter()
        .map(|channel| Sensor {
            station: station.name.as_str().into(),
            channel: channel.name.as_str().into(),
            input: format!("{}/{}", channel.input.instance, channel.input.input),
            converted_as: channel.thermocouple.map(|kind| kind.letter().to_string()),
            configured: channel.offset.degrees(),
            newest: newest(&channel.name).cloned(),
        })
        .collect()
}

/// The trips of one station that the archive says stood when the last daemon ended.
fn standing(id: StationId, name: &str, found: &archive::Opened) -> Vec<StandingTrip> {
    let Some(trips) = found.trips.get(name) else {
        return Vec::new();
    };
    trips
        .iter()
        .map(|(interlock, trip)| StandingTrip {
            station: id,
            // A trip of an interlock that this version doesn't have still has to be seen and reset by a person: it
            // is latched as a press of stop.
            interlock: InterlockName::parse(interlock).unwrap_or(InterlockName::Stop),
            // What can't be read is taken for the worse.
            effect: trip["effect"]
                .as_str()
                .and_then(Effect::parse)
                .unwrap_or(Effect::Cut),
            text: trip["text"]
                .as_str()
                .unwrap_or("tripped before the daemon was started again")
                .into(),
            acknowledged_by: trip["acknowledged_by"].as_str().map(Into::into),
        })
        .collect()
}

fn kept(found: &archive::Opened, key: &str) -> Option<Celsius> {
    found
        .limits
        .get(key)
        .and_then(|celsius| Celsius::new(*celsius).ok())
}

fn place(at: usize) -> u32 {
    u32::try_from(at).unwrap_or(u32::MAX)
}

/// The command that starts a driver: a short name stands for `benchward-driver-NAME`, beside the daemon's own
/// program where it is there, else from `PATH`.
fn command(program: &Program, beside: Option<&Path>) -> Vec<String> {
    match program {
        Program::Command(command) => command.clone(),
        Program::Short(name) => {
            let file = format!("benchward-driver-{name}");
            let here = beside
                .map(|folder| folder.join(&file))
                .filter(|path| path.is_file());
            vec![here.map_or(file, |path| path.display().to_string())]
        }
    }
}
