//! `benchward driver list`: the drivers of the running lab, and those that are installed.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::PathBuf;

use benchward_api::{Exit, shapes};
use clap::Args;
use serde::Serialize;

use super::{PREFIX, folders};
use crate::Session;
use crate::daemon::parsed;
use crate::failure::Failure;
use crate::figures::NONE;
use crate::screen::{Paint, Tone};
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward driver list
  benchward --json driver list";

/// List the drivers of the running lab, what each offers and where it is wired to, and those that are installed
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct List {}

/// `--json` of `driver list`.
#[derive(Debug, Serialize)]
struct Listed {
    schema: u32,
    /// Of the running daemon; absent where there is none.
    drivers: Option<Vec<shapes::Driver>>,
    /// Short names of installed drivers, each with its program.
    installed: BTreeMap<String, PathBuf>,
}

pub(super) async fn list(session: &Session, _: &List) -> Result<Exit, Failure> {
    let running: Option<shapes::Drivers> = match session.daemon().await {
        Ok(daemon) => Some(parsed(&daemon.ask(daemon.lab().await?.drivers()).await?)?),
        // What is installed can be told without one.
        Err(failure) if failure.is_no_daemon() => None,
        Err(failure) => return Err(failure),
    };
    let listed = Listed {
        schema: shapes::SCHEMA,
        drivers: running.map(|running| running.drivers),
        installed: installed(&folders()),
    };
    session.screen.show(&listed, text)?;
    Ok(Exit::Done)
}

/// Programs in these folders that are drivers by their names; the first folder counts.
fn installed(folders: &[PathBuf]) -> BTreeMap<String, PathBuf> {
    let mut installed = BTreeMap::new();
    let files = folders
        .iter()
        .flat_map(|folder| std::fs::read_dir(folder).into_iter().flatten().flatten());
    for file in files {
        let Some(name) = file
            .file_name()
            .to_str()
            .and_then(|name| name.strip_prefix(PREFIX).map(str::to_owned))
        else {
            continue;
        };
        let runs = file
            .path()
            .metadata()
            .is_ok_and(|data| data.is_file() && data.permissions().mode() & 0o111 != 0);
        // Build tools leave files such as `.d` beside programs.
        if runs && !name.contains('.') {
            installed.entry(name).or_insert_with(|| file.path());
        }
    }
    installed
}

fn text(listed: &Listed, paint: Paint) -> String {
    let mut text = match &listed.drivers {
        None => "no daemon is running here\n".to_owned(),
        Some(drivers) => table(drivers, paint),
    };
    let names: Vec<&str> = listed.installed.keys().map(String::as_str).collect();
    let names = if names.is_empty() {
        "none".into()
    } else {
        names.join(", ")
    };
    let _ = write!(text, "\ninstalled: {names}");
    text
}

fn table(drivers: &[shapes::Driver], paint: Paint) -> String {
    let mut table = Table::new(&[
        ("DRIVER", Side::Left),
        ("IS", Side::Left),
        ("SAYS", Side::Left),
        ("STARTED AGAIN", Side::Right),
        ("OFFERS", Side::Left),
        ("WIRED TO", Side::Left),
    ]);
    for driver in drivers {
        let tone = if driver.standing == "up" {
            Tone::Good
        } else {
            Tone::Danger
        };
        let again = if driver.restarts == 0 {
            Tone::Plain
        } else {
            Tone::Warning
        };
        let says = driver.says.clone().unwrap_or_else(|| driver.program.join(" "));
        let mut first = Some([
            (driver.driver.clone(), Tone::Strong),
            (driver.standing.clone(), tone),
            (says, Tone::Plain),
            (driver.restarts.to_string(), again),
        ]);
        for (offer, wired) in ports(driver) {
            let blank = [const { String::new() }; 4].map(|cell| (cell, Tone::Plain));
            let head = first.take().unwrap_or(blank);
            table.row(
                head.into_iter()
                    .chain([(offer, Tone::Plain), (wired, Tone::Plain)]),
            );
        }
        if let Some(head) = first {
            let none = [(NONE.to_owned(), Tone::Plain), (NONE.to_owned(), Tone::Plain)];
            table.row(head.into_iter().chain(none));
        }
    }
    table.render(paint)
}

/// Each input and output, and where it is wired to.
fn ports(driver: &shapes::Driver) -> Vec<(String, String)> {
    let wired = |station: &Option<String>, wired_as: &Option<String>| match (station, wired_as) {
        (Some(station), Some(wired_as)) => format!("{station}, {wired_as}"),
        _ => NONE.to_owned(),
    };
    let inputs = driver.inputs.iter().map(|input| {
        let rate = input
            .rate_hz
            .map(|rate| format!(", {rate} Hz"))
            .unwrap_or_default();
        let kind = input.kind.as_deref().unwrap_or("input");
        (
            format!("{}: {kind}{rate}", input.input),
            wired(&input.station, &input.wired_as),
        )
    });
    let outputs = driver.outputs.iter().map(|output| {
        let watts = output
            .watts
            .map(|watts| format!(", {watts} W"))
            .unwrap_or_default();
        (
            format!("{}: output{watts}", output.output),
            wired(&output.station, &output.wired_as),
        )
    });
    inputs.chain(outputs).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drivers_are_shown_with_what_they_offer_and_where_it_goes() {
        let driver = shapes::Driver {
            driver: "rack".into(),
            program: vec!["/usr/bin/benchward-driver-modbus".into()],
            standing: "up".into(),
            restarts: 2,
            says: Some("modbus 0.1.0".into()),
            inputs: vec![
                shapes::DriverInput {
                    input: "tc1".into(),
                    kind: Some("thermocouple".into()),
                    rate_hz: Some(10.0),
                    station: Some("bench-1".into()),
                    wired_as: Some("channel board-top".into()),
                },
                shapes::DriverInput {
                    input: "tc2".into(),
                    kind: Some("thermocouple".into()),
                    rate_hz: Some(10.0),
                    station: None,
                    wired_as: None,
                },
            ],
            outputs: vec![shapes::DriverOutput {
                output: "heat1".into(),
                watts: Some(800.0),
                station: Some("bench-1".into()),
                wired_as: Some("heat".into()),
            }],
        };
        let down = shapes::Driver {
            driver: "spare".into(),
            standing: "down".into(),
            says: None,
            inputs: Vec::new(),
            outputs: Vec::new(),
            ..driver.clone()
        };
        let listed = Listed {
            schema: shapes::SCHEMA,
            drivers: Some(vec![driver, down]),
            installed: BTreeMap::from([("gpio".into(), "/usr/bin/benchward-driver-gpio".into())]),
        };
        assert_eq!(
            text(&listed, Paint::NONE),
            "\
DRIVER  IS    SAYS                              STARTED AGAIN  OFFERS                    WIRED TO
rack    up    modbus 0.1.0                                  2  tc1: thermocouple, 10 Hz  bench-1, channel board-top
                                                               tc2: thermocouple, 10 Hz  -
                                                               heat1: output, 800 W      bench-1, heat
spare   down  /usr/bin/benchward-driver-modbus              2  -                         -

installed: gpio"
        );
        let nobody = Listed {
            drivers: None,
            installed: BTreeMap::new(),
            ..listed
        };
        assert_eq!(
            text(&nobody, Paint::NONE),
            "no daemon is running here\n\ninstalled: none"
        );
    }

    #[test]
    fn programs_are_drivers_by_name_and_right_and_the_first_folder_counts() {
        let folders = [(); 2].map(|()| tempfile::tempdir().unwrap());
        let put = |folder: usize, name: &str, mode: u32| {
            let file = folders[folder].path().join(name);
            std::fs::write(&file, "").unwrap();
            std::fs::set_permissions(&file, std::fs::Permissions::from_mode(mode)).unwrap();
        };
        put(0, "benchward-driver-gpio", 0o755);
        put(1, "benchward-driver-gpio", 0o755);
        put(1, "benchward-driver-iio", 0o755);
        put(0, "benchward-driver-scpi", 0o644);
        put(0, "benchward-driver-gpio.d", 0o755);
        put(0, "gpio", 0o755);
        let paths = [folders[0].path().to_owned(), folders[1].path().to_owned()];
        let expected = [
            ("gpio", paths[0].join("benchward-driver-gpio")),
            ("iio", paths[1].join("benchward-driver-iio")),
        ];
        let found = installed(&paths);
        assert_eq!(
            found
                .iter()
                .map(|(name, path)| (&**name, path.clone()))
                .collect::<Vec<_>>(),
            expected
        );
    }
}
