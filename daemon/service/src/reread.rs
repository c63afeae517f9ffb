//! The configuration, read again while benches heat.
//!
//! What faces people and the plant is exchanged: `display` in `[lab]`, `[roles]`, `[mqtt]`, `[metrics]`. What a bench is made
//! of, and what limits it, waits for the next start, when nothing heats: a file that somebody edits must not rewire a bench
//! that is hot. A file with a mistake in it changes nothing.

use std::path::PathBuf;
use std::sync::Arc;

use benchward_api::{Error, shapes};
use benchward_config::{Config, LoadError};
use tokio::signal::unix::Signal;
use tokio::sync::{mpsc, oneshot, watch};
use tracing::{info, warn};

use crate::bus::Shared;
use crate::callers::Callers;
use crate::outward::Outward;

/// Where the answer to one asking goes.
type Asked = oneshot::Sender<Result<shapes::ConfigReread, Error>>;

/// Asks for the configuration to be read again.
#[derive(Debug, Clone)]
pub(crate) struct Rereads(mpsc::Sender<Asked>);

impl Rereads {
    /// The way to ask, and where it leads.
    pub(crate) fn new() -> (Self, mpsc::Receiver<Asked>) {
        // One after the other: each takes as long as a broker takes to be left.
        let (to, from) = mpsc::channel(1);
        (Self(to), from)
    }

    /// Reads it, and returns what came of it once it counts. Whether somebody may ask is for the caller to have decided.
    pub(crate) async fn ask(&self) -> Result<shapes::ConfigReread, Error> {
        let ending = || Error::Unavailable("the daemon is ending".into());
        let (answer, answered) = oneshot::channel();
        self.0.send(answer).await.map_err(|_| ending())?;
        answered.await.map_err(|_| ending())?
    }
}

/// The configuration in force.
pub(crate) struct InForce {
    /// Where it came from, and comes from again.
    pub(crate) file: PathBuf,
    /// What counts now: of what waits for the next start, as it was at the last.
    pub(crate) config: Config,
    /// What is published and served by it.
    pub(crate) outward: Outward,
    pub(crate) shared: Arc<Shared>,
}

impl InForce {
    /// Reads the file again at each asking and each hang-up signal, until `end` turns true; then says goodbye to the plant.
    pub(crate) async fn keep(
        mut self,
        mut asked: mpsc::Receiver<Asked>,
        mut hang_up: Signal,
        mut end: watch::Receiver<bool>,
    ) {
        loop {
            let who = tokio::select! {
                Some(answer) = asked.recv() => Some(answer),
                Some(()) = hang_up.recv() => None,
                _ = end.changed() => break,
            };
            let came_of_it = self.read_again().await;
            if let Some(answer) = who {
                // Who asked may have gone; it counts all the same.
                let _ = answer.send(came_of_it);
            }
        }
        self.outward.end().await;
    }

    async fn read_again(&mut self) -> Result<shapes::ConfigReread, Error> {
        let file = self.file.clone();
        let read = tokio::task::spawn_blocking(move || Config::load(&file)).await;
        let new = match read {
            Ok(Ok(new)) => new,
            Ok(Err(error)) => return Err(self.stays(&text_of(error))),
            Err(error) => return Err(self.stays(&error.to_string())),
        };
        let now = self.exchange(&new).await;
        let next_start = waits(&self.config, &new);
        let text = match (&*now.join(", "), &*next_start.join(", ")) {
            ("", "") => "configuration read again: nothing in it differs".to_owned(),
            (now, "") => format!("configuration read again: now in force: {now}"),
            ("", waits) => format!("configuration read again: from the next start on: {waits}"),
            (now, waits) => {
                format!("configuration read again: now in force: {now}; from the next start on: {waits}")
            }
        };
        info!("{text}");
        self.shared.keep.own("config", text);
        Ok(shapes::ConfigReread {
            schema: shapes::SCHEMA,
            file: self.file.display().to_string(),
            now,
            next_start,
        })
    }

    /// Says that nothing has changed, and why.
    fn stays(&self, why: &str) -> Error {
        warn!("the configuration was not read again, all stays as it was: {why}");
        let text = format!("configuration not read again, all stays as it was: {why}");
        self.shared.keep.own("config", text.clone());
        Error::Invalid(text)
    }

    /// Puts in force what can be, and returns what differed.
    async fn exchange(&mut self, new: &Config) -> Vec<String> {
        let mut now = Vec::new();
        let config = &mut self.config;
        if config.lab.display != new.lab.display {
            config.lab.display = new.lab.display;
            self.shared.display.store(Arc::new(new.lab.display));
            now.push("`display` in [lab]".to_owned());
        }
        if config.roles != new.roles {
            config.roles.clone_from(&new.roles);
            self.shared
                .callers
                .store(Arc::new(Callers::new(new.roles.as_ref())));
            now.push("[roles]".to_owned());
        }
        if config.mqtt != new.mqtt {
            config.mqtt.clone_from(&new.mqtt);
            self.outward.publish(new.mqtt.clone()).await;
            now.push("[mqtt]".to_owned());
        }
        if config.metrics != new.metrics {
            config.metrics = new.metrics;
            self.outward.measure(new.metrics).await;
            now.push("[metrics]".to_owned());
        }
        now
    }
}

fn text_of(error: LoadError) -> String {
    match error {
        LoadError::Unreadable { source, path } => format!("can't read {}: {source}", path.display()),
        LoadError::Mistakes(mistakes) => mistakes.to_string(),
    }
}

/// What in a file differs from what is in force and waits for the next start, each by its place in the file.
fn waits(in_force: &Config, new: &Config) -> Vec<String> {
    let mut waits = Vec::new();
    let lab = (&in_force.lab, &new.lab);
    for (differs, key) in [
        (lab.0.name != lab.1.name, "name"),
        (lab.0.archive != lab.1.archive, "archive"),
        (lab.0.socket != lab.1.socket, "socket"),
        (lab.0.bus != lab.1.bus, "bus"),
    ] {
        if differs {
            waits.push(format!("`{key}` in [lab]"));
        }
    }
    if in_force.ceiling != new.ceiling {
        waits.push("[ceiling] (`benchward limit set --lab` moves it now)".to_owned());
    }
    if in_force.absent_after != new.absent_after {
        waits.push("[presence] (`benchward limit set --absent-after` moves it now)".to_owned());
    }
    if in_force.archive != new.archive {
        waits.push("[archive]".to_owned());
    }
    sections("supply", &in_force.supplies, &new.supplies, &mut waits);
    // A station's own driver is written in its section.
    let own = |name: &str| {
        let all = in_force.stations.iter().chain(&new.stations);
        all.into_iter().any(|station| station.name == name)
    };
    let drivers = |config: &Config| {
        let shared = config.drivers.iter().filter(|(name, _)| !own(name));
        shared.map(|(name, one)| (name.clone(), one.clone())).collect()
    };
    sections("driver", &drivers(in_force), &drivers(new), &mut waits);
    let stations = |config: &Config| {
        let all = config.stations.iter().cloned();
        all.map(|one| {
            let driver = config.drivers.get(&one.name).cloned();
            (one.name.clone(), (one, driver))
        })
        .collect()
    };
    sections("station", &stations(in_force), &stations(new), &mut waits);
    waits
}

/// Sections of one kind that came, went or changed.
fn sections<T: PartialEq>(
    kind: &str,
    in_force: &std::collections::BTreeMap<String, T>,
    new: &std::collections::BTreeMap<String, T>,
    waits: &mut Vec<String>,
) {
    for (name, one) in new {
        match in_force.get(name) {
            None => waits.push(format!("[{kind}.{name}] (new)")),
            Some(before) if before != one => waits.push(format!("[{kind}.{name}]")),
            Some(_) => {}
        }
    }
    for name in in_force.keys().filter(|name| !new.contains_key(*name)) {
        waits.push(format!("[{kind}.{name}] (gone)"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAB: &str = "[lab]\nname = \"larkfield\"\n[driver.rack]\nprogram = \"modbus\"\n[supply.bay-a]\nvolts = 230\namps = 16\n\
        [station.bench-1]\ndriver = { program = \"simulated\" }\nchannels = { board-top = \"tc1\" }\nheat = \"heat1\"\n\
        [station.bench-2]\nchannels = { board-top = \"rack/tc1\" }\n";

    fn waits_after(change: impl Fn(&str) -> String) -> Vec<String> {
        let parsed = |text: &str| Config::parse("lab.toml", text).expect("no mistakes");
        waits(&parsed(LAB), &parsed(&change(LAB)))
    }

    #[test]
    fn nothing_waits_where_nothing_differs_or_it_counts_at_once() {
        assert_eq!(waits_after(str::to_owned), [""; 0]);
        let outward = |text: &str| {
            text.replace("larkfield\"", "larkfield\"\ndisplay = \"fahrenheit\"")
                + "[metrics]\n[mqtt]\nbroker = \"mqtt://127.0.0.1\"\n[roles]\nsafety = [\"safety\"]\n"
        };
        assert_eq!(waits_after(outward), [""; 0]);
    }

    #[test]
    fn what_a_bench_is_made_of_waits_each_by_its_section() {
        let rewired = |text: &str| {
            text.replace("\"heat1\"", "\"heat2\"")
                .replace("\"modbus\"", "\"scpi\"")
                .replace("amps = 16", "amps = 10")
                .replace("bench-2", "bench-3")
        };
        let expected = [
            "[supply.bay-a]",
            "[driver.rack]",
            "[station.bench-1]",
            "[station.bench-3] (new)",
            "[station.bench-2] (gone)",
        ];
        assert_eq!(waits_after(rewired), expected);
    }

    #[test]
    fn a_stations_own_driver_is_told_as_the_station() {
        let other = |text: &str| text.replace("\"simulated\"", "\"scpi\"");
        assert_eq!(waits_after(other), ["[station.bench-1]"]);
    }

    #[test]
    fn limits_wait_and_say_what_moves_them_now() {
        let limits = |text: &str| {
            format!("{text}[ceiling]\ncelsius = 200\n[presence]\nabsent_after_s = 60\n[archive]\noutside_runs_days = 3\n")
                .replace("name = \"larkfield\"", "name = \"elsewhere\"\nbus = \"system\"")
        };
        assert_eq!(
            waits_after(limits),
            [
                "`name` in [lab]",
                "`bus` in [lab]",
                "[ceiling] (`benchward limit set --lab` moves it now)",
                "[presence] (`benchward limit set --absent-after` moves it now)",
                "[archive]"
            ]
        );
    }
}
