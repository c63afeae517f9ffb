//! Whether each driver is there, may be started, and offers what the stations are wired to.
//!
//! Hardware is there only once: while a daemon may hold it, no second process is started, and what the daemon says counts.

use std::ffi::OsString;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use benchward_api::shapes;
use benchward_config::{Config, Instance, Program};
use benchward_driver::conformance::{self, Subject};
use benchward_driver::wire::Describe;

use super::Finding;
use crate::figures::count;

/// Any of the bits that let somebody execute a file.
const EXECUTABLE: u32 = 0o111;

/// `held`: whether a daemon may hold the hardware. `status`: what it shows.
pub(super) fn look(config: &Config, held: bool, status: Option<&shapes::Status>) -> Vec<Finding> {
    let looked = config.drivers.iter().map(|(name, instance)| {
        let (program, arguments) = command(instance);
        let finding = match found(&program) {
            Err(text) => Finding::wrong(
                "driver",
                text,
                "install it beside benchwardd or on PATH, executable; or mend `program` of it in lab.toml",
            ),
            Ok(path) if held => running(config, name, &path, status),
            Ok(path) => started(config, name, &path, arguments, instance),
        };
        finding.of(name)
    });
    looked.collect()
}

/// Program and arguments of an instance.
fn command(instance: &Instance) -> (OsString, Vec<OsString>) {
    match &instance.program {
        Program::Short(name) => {
            let found = crate::driver::program(&name.into());
            // A short name is never a command, as the daemon has it.
            if found == OsString::from(name) {
                (format!("benchward-driver-{name}").into(), Vec::new())
            } else {
                (found, Vec::new())
            }
        }
        Program::Command(words) => {
            let mut words = words.iter().map(OsString::from);
            (words.next().unwrap_or_default(), words.collect())
        }
    }
}

/// The file that a program is, looked for on `PATH` where it has no folder.
fn found(program: &OsString) -> Result<PathBuf, String> {
    let path = Path::new(program);
    let candidates: Vec<PathBuf> = if path.components().count() > 1 {
        vec![path.to_owned()]
    } else {
        let paths = std::env::var_os("PATH").unwrap_or_default();
        std::env::split_paths(&paths)
            .map(|folder| folder.join(path))
            .collect()
    };
    let Some(file) = candidates.into_iter().find(|path| path.is_file()) else {
        return Err(format!("there is no program {}", path.display()));
    };
    let mode = file.metadata().map_or(0, |data| data.permissions().mode());
    if mode & EXECUTABLE == 0 {
        return Err(format!("{} is not executable", file.display()));
    }
    Ok(file)
}

/// A daemon may hold the hardware: what it says of the stations that hang on it.
fn running(config: &Config, name: &str, path: &Path, status: Option<&shapes::Status>) -> Finding {
    let down: Vec<&str> = status
        .iter()
        .flat_map(|status| &status.stations)
        .filter(|station| station.driver != "up" && wired(config, name, &station.station))
        .map(|station| station.station.as_str())
        .collect();
    match (status, down.as_slice()) {
        (Some(_), []) => Finding::ok("driver", format!("{} runs under the daemon", path.display())),
        (Some(_), down) => Finding::wrong(
            "driver",
            format!(
                "{} is down under the daemon, and with it {}",
                path.display(),
                down.join(", ")
            ),
            "the daemon's log says why: `journalctl -u benchward`",
        ),
        (None, _) => Finding::look(
            "driver",
            format!(
                "{} is there; not started, since a daemon may hold its hardware",
                path.display()
            ),
            "mend what is wrong with the daemon first",
        ),
    }
}

/// Whether a station is wired to an instance.
fn wired(config: &Config, instance: &str, station: &str) -> bool {
    let Some(station) = config.stations.iter().find(|one| one.name == station) else {
        return false;
    };
    let inputs = station
        .channels
        .iter()
        .map(|channel| &channel.input)
        .chain(&station.presence)
        .chain(&station.current)
        .chain(station.permissives.iter().map(|(_, input)| input));
    let outputs = station.heat.iter().chain(&station.contactor);
    inputs.map(|one| &one.instance).any(|one| one == instance)
        || outputs.map(|one| &one.instance).any(|one| one == instance)
}

/// Nobody holds the hardware: what the driver says of itself. Nothing is heated.
fn started(
    config: &Config,
    name: &str,
    path: &Path,
    arguments: Vec<OsString>,
    instance: &Instance,
) -> Finding {
    let subject = Subject {
        program: path.into(),
        arguments,
        settings: instance.settings.clone(),
        // Of a check that isn't made here.
        heat: 0.01,
        shows_stderr: false,
    };
    match conformance::describe(&subject) {
        Ok(describe) => offers(config, name, path, &describe),
        Err(text) => Finding::wrong(
            "driver",
            format!("{} doesn't start: {text}", path.display()),
            "is its hardware connected, and may this account use it? `benchward driver check` looks closer, and heats",
        ),
    }
}

/// Whether it offers what stations are wired to.
fn offers(config: &Config, name: &str, path: &Path, describe: &Describe) -> Finding {
    let mut missing = Vec::new();
    for station in &config.stations {
        let inputs = station
            .channels
            .iter()
            .map(|channel| &channel.input)
            .chain(&station.presence)
            .chain(&station.current)
            .chain(station.permissives.iter().map(|(_, input)| input));
        for input in inputs.filter(|input| input.instance == name) {
            if !describe.inputs.iter().any(|one| one.id == input.input) {
                missing.push(format!("input `{}` of {}", input.input, station.name));
            }
        }
        let outputs = station.heat.iter().chain(&station.contactor);
        for output in outputs.filter(|output| output.instance == name) {
            if !describe.outputs.iter().any(|one| one.id == output.output) {
                missing.push(format!("output `{}` of {}", output.output, station.name));
            }
        }
    }
    let what = format!(
        "{}: {} {}, {}, {}",
        path.display(),
        describe.name,
        describe.version,
        count(describe.inputs.len(), "input", "inputs"),
        count(describe.outputs.len(), "output", "outputs")
    );
    if missing.is_empty() {
        Finding::ok("driver", what)
    } else {
        Finding::wrong(
            "driver",
            format!("{what}; it doesn't offer {}", missing.join(", ")),
            "mend the wiring in lab.toml: `benchward driver check` lists what a driver offers",
        )
    }
}

#[cfg(test)]
mod tests {
    use super::super::Verdict;
    use super::*;
    use crate::status::tests::{dwelling, lab};

    fn config() -> Config {
        let text = "[lab]\nname = \"larkfield\"\n[driver.rack]\nprogram = \"modbus\"\n[station.bench-1]\n\
                    driver = { program = \"simulated\" }\nchannels = { board-top = \"tc1\", board-edge = \"rack/tc2\" }\nheat = \"heat1\"\n\
                    [station.bench-2]\ndriver = { program = \"simulated\" }\nchannels = { board-top = \"tc1\" }\nheat = \"heat1\"\n";
        Config::parse("lab.toml", text).unwrap()
    }

    #[test]
    fn a_driver_under_a_daemon_is_as_the_daemon_says() {
        let mut down = dwelling("bench-1");
        down.driver = "down".into();
        let status = lab(vec![down, dwelling("bench-2")]);
        let of = |name: &str, status| running(&config(), name, Path::new("/d"), status);
        assert_eq!(
            of("rack", Some(&status)).verdict,
            Verdict::Wrong,
            "a channel hangs on it"
        );
        assert_eq!(of("bench-2", Some(&status)).verdict, Verdict::Ok);
        assert_eq!(of("bench-2", None).verdict, Verdict::Look);
        assert!(wired(&config(), "rack", "bench-1") && !wired(&config(), "rack", "bench-2"));
    }

    #[test]
    fn a_program_has_to_be_there_and_executable() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("driver");
        let look = || found(&file.clone().into_os_string());
        assert!(look().unwrap_err().starts_with("there is no program"));
        std::fs::write(&file, "#!/bin/sh\n").unwrap();
        assert!(look().unwrap_err().ends_with("is not executable"));
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o755)).unwrap();
        assert_eq!(look().unwrap(), file);
        assert!(found(&"sh".into()).is_ok(), "on PATH");
    }
}
