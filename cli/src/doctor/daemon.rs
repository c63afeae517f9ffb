//! Whether the daemon is there, on its socket and on its bus, and is the one that belongs to this configuration.

use std::path::PathBuf;

use benchward_api::{Exit, shapes};
use benchward_config::{self as config, Config};

use super::Finding;
use crate::Session;
use crate::arguments::Bus;
use crate::daemon::Daemon;
use crate::failure::Failure;

/// What is known of the daemon afterwards.
#[derive(Debug, Default)]
pub(super) struct Known {
    /// Whether a daemon runs that may hold the hardware: one that answers, and one that doesn't but is there.
    pub(super) held: bool,
    /// What it shows.
    pub(super) status: Option<shapes::Status>,
}

pub(super) async fn look(session: &Session, config: Option<&Config>, findings: &mut Vec<Finding>) -> Known {
    let mut known = Known::default();
    let socket = session.socket.clone().or_else(|| socket_of(config?));
    match Daemon::reach(socket.as_deref(), Bus::None).await {
        Ok(daemon) => {
            known.held = true;
            match daemon.status().await {
                Ok(status) => {
                    findings.push(Finding::ok("daemon", format!("answers at {}", daemon.place())));
                    findings.push(version(&daemon.version().await.unwrap_or_default()));
                    if let Some(config) = config {
                        findings.extend(belongs(config, &status));
                    }
                    known.status = Some(status);
                }
                Err(failure) => findings.push(Finding::failed("daemon", failure)),
            }
        }
        Err(failure) => {
            // Whoever may not ask it, or gets no answer, doesn't know that there is none.
            known.held = !matches!(&failure, Failure::Told { exit: Exit::NoDaemon, text, .. } if text.starts_with("no daemon"));
            findings.push(Finding::failed("daemon", failure));
        }
    }
    let bus = match config.map(|config| config.lab.bus) {
        Some(config::Bus::System) => Bus::System,
        Some(config::Bus::Session) => Bus::Session,
        Some(config::Bus::None) | None => return known,
    };
    match Daemon::reach(None, bus).await {
        Ok(daemon) => match daemon.version().await {
            Ok(version) => findings.push(Finding::ok(
                "bus",
                format!("version {version} answers on {}", daemon.place()),
            )),
            Err(failure) => findings.push(Finding::failed("bus", failure)),
        },
        Err(failure) => findings.push(Finding::failed("bus", failure)),
    }
    known
}

fn socket_of(config: &Config) -> Option<PathBuf> {
    config.lab.socket.clone()
}

/// The daemon's version beside this program's.
fn version(daemon: &str) -> Finding {
    let ours = env!("CARGO_PKG_VERSION");
    if daemon == ours {
        Finding::ok("version", format!("daemon and command line are {ours}"))
    } else {
        Finding::wrong(
            "version",
            format!("the daemon is {daemon}, this command line is {ours}"),
            "install both from one release, then restart the daemon when no board is hot",
        )
    }
}

/// Whether the daemon runs by this file.
fn belongs(config: &Config, status: &shapes::Status) -> Option<Finding> {
    let mut theirs: Vec<&str> = status.stations.iter().map(|one| one.station.as_str()).collect();
    let mut ours: Vec<&str> = config.stations.iter().map(|one| one.name.as_str()).collect();
    theirs.sort_unstable();
    ours.sort_unstable();
    if config.lab.name == status.lab && ours == theirs {
        return None;
    }
    Some(Finding::look(
        "configuration",
        format!(
            "the daemon runs lab \"{}\" with {}; the file says \"{}\" with {}",
            status.lab,
            theirs.join(", "),
            config.lab.name,
            ours.join(", ")
        ),
        "restart the daemon to have it read the file, or name its file with --config",
    ))
}

#[cfg(test)]
mod tests {
    use super::super::Verdict;
    use super::*;
    use crate::status::tests::{dwelling, lab};

    #[test]
    fn another_version_is_wrong() {
        assert_eq!(version(env!("CARGO_PKG_VERSION")).verdict, Verdict::Ok);
        let other = version("0.0.9");
        assert_eq!(other.verdict, Verdict::Wrong);
        assert!(other.text.contains("0.0.9"), "{other:?}");
    }

    #[test]
    fn a_daemon_of_another_file_is_to_look_at() {
        let text = "[lab]\nname = \"larkfield\"\n[station.bench-1]\ndriver = { program = \"simulated\" }\nchannels = { board-top = \"tc1\" }\nheat = \"heat1\"\n";
        let config = Config::parse("lab.toml", text).unwrap();
        assert_eq!(belongs(&config, &lab(vec![dwelling("bench-1")])), None);
        let other = belongs(&config, &lab(vec![dwelling("bench-1"), dwelling("bench-2")])).unwrap();
        assert_eq!(other.verdict, Verdict::Look);
        assert!(other.text.contains("bench-1, bench-2"), "{other:?}");
    }
}
