//! What is told of drivers: what each offers, beside what of it is wired to where.

use benchward_api::shapes;
use benchward_core::{InputUse, InstanceId, OutputRole, Setup, StationId};
use benchward_driver::wire::Describe;

use super::Shared;
use crate::wiring::Instance;

/// Every instance, by name.
pub(super) fn list(shared: &Shared) -> shapes::Drivers {
    let wiring = &shared.wiring;
    let mut drivers: Vec<_> = wiring
        .instances
        .iter()
        .map(|instance| {
            let said = shared.vitals.description(instance.id);
            let restarts = shared.vitals.restarts(instance.id);
            driver(&wiring.setup, instance, said.as_deref(), restarts)
        })
        .collect();
    drivers.sort_by(|one, other| one.driver.cmp(&other.driver));
    shapes::Drivers {
        schema: shapes::SCHEMA,
        drivers,
    }
}

fn driver(setup: &Setup, instance: &Instance, said: Option<&Describe>, restarts: u64) -> shapes::Driver {
    let (mut inputs, mut outputs) = (
        wired_inputs(setup, instance.id),
        wired_outputs(setup, instance.id),
    );
    for offered in said.into_iter().flat_map(|said| &said.inputs) {
        let at = inputs.iter().position(|one| one.input == offered.id);
        let at = at.unwrap_or_else(|| {
            inputs.push(shapes::DriverInput {
                input: offered.id.clone(),
                kind: None,
                rate_hz: None,
                station: None,
                wired_as: None,
            });
            inputs.len() - 1
        });
        inputs[at].kind = Some(offered.kind.word().to_owned());
        inputs[at].rate_hz = offered.rate_hz;
    }
    for offered in said.into_iter().flat_map(|said| &said.outputs) {
        let at = outputs.iter().position(|one| one.output == offered.id);
        let at = at.unwrap_or_else(|| {
            outputs.push(shapes::DriverOutput {
                output: offered.id.clone(),
                watts: None,
                station: None,
                wired_as: None,
            });
            outputs.len() - 1
        });
        outputs[at].watts = offered.watts;
    }
    shapes::Driver {
        driver: instance.name.to_string(),
        program: instance.command.clone(),
        standing: if said.is_some() { "up" } else { "down" }.to_owned(),
        restarts,
        says: said.map(|said| format!("{} {}", said.name, said.version)),
        inputs,
        outputs,
    }
}

fn station_name(setup: &Setup, id: StationId) -> Option<String> {
    setup
        .stations
        .get(id.index())
        .map(|station| station.name.to_string())
}

fn wired_inputs(setup: &Setup, instance: InstanceId) -> Vec<shapes::DriverInput> {
    let station = |id: StationId| setup.stations.get(id.index());
    let inputs = setup.inputs.iter().filter(|(owner, _, _)| *owner == instance);
    inputs
        .map(|(_, id, used)| {
            let wired_as = match used {
                InputUse::Channel(at, channel) => station(*at)
                    .and_then(|station| station.channels.get(*channel))
                    .map(|channel| format!("channel {}", channel.name)),
                InputUse::Permissive(at, permissive) => station(*at)
                    .and_then(|station| station.permissives.get(*permissive))
                    .map(|name| format!("permissive {name}")),
                InputUse::Presence(_) => Some("presence".to_owned()),
                InputUse::Current(_) => Some("current".to_owned()),
            };
            shapes::DriverInput {
                input: id.to_string(),
                kind: None,
                rate_hz: None,
                station: station_name(setup, used.station()),
                wired_as,
            }
        })
        .collect()
}

fn wired_outputs(setup: &Setup, instance: InstanceId) -> Vec<shapes::DriverOutput> {
    let outputs = setup.outputs.iter().filter(|output| output.instance == instance);
    outputs
        .map(|output| shapes::DriverOutput {
            output: output.name.to_string(),
            watts: None,
            station: station_name(setup, output.station),
            wired_as: Some(
                match output.role {
                    OutputRole::Heat => "heat",
                    OutputRole::Contactor => "contactor",
                }
                .to_owned(),
            ),
        })
        .collect()
}
