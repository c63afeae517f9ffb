//! Others that know Sparkplug: a subscriber that keeps every byte, a host application and decoders on libraries that share no code
//! with the daemon. `tests/sparkplug/setup` installs them.

pub mod hand;

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use benchward_sparkplug::payload::Payload;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use crate::broker::{Broker, PACKAGES};
use crate::clock::wall_ms;
use crate::programs::{file, system};
use crate::wait::wait_for;

/// Where the others are; installed at the first call.
///
/// # Panics
/// If they can't be.
pub fn peers() -> &'static Path {
    static PEERS: OnceLock<PathBuf> = OnceLock::new();
    PEERS.get_or_init(|| {
        let test = std::env::current_exe().expect("a running program has a path");
        // TARGET/PROFILE/deps/TEST
        let target = test.ancestors().nth(3).expect("cargo's target folder");
        let folder = target.join("sparkplug-peer");
        let status = Command::new(file("sparkplug/setup"))
            .arg(&folder)
            .status()
            .expect("a shell");
        assert!(status.success(), "tests/sparkplug/setup: {status}");
        folder
    })
}

/// A message with every byte of it.
#[derive(Debug, Clone)]
pub struct Raw {
    /// When it came, ms since 1970.
    pub at_ms: i64,
    /// Whether the broker had kept it.
    pub retained: bool,
    /// Quality of service.
    pub qos: u8,
    /// Its topic.
    pub topic: String,
    /// Its payload.
    pub bytes: Vec<u8>,
}

impl Raw {
    fn read(line: &str) -> Self {
        let mut parts = line.splitn(4, ' ');
        let mut part = || {
            parts
                .next()
                .unwrap_or_else(|| panic!("mosquitto_sub said: {line}"))
        };
        Self {
            at_ms: wall_ms(),
            retained: part() == "1",
            qos: part().parse().expect("a number"),
            topic: part().to_owned(),
            bytes: unhex(part()),
        }
    }

    /// `NBIRTH` and so on; `STATE` of a host.
    pub fn kind(&self) -> &str {
        let part = |at| self.topic.split('/').nth(at).unwrap_or_default();
        if part(1) == "STATE" { "STATE" } else { part(2) }
    }

    /// Of which device it is.
    pub fn device(&self) -> Option<&str> {
        self.topic.split('/').nth(4)
    }

    /// What it says.
    ///
    /// # Panics
    /// If it is no payload.
    pub fn payload(&self) -> Payload {
        Payload::read(&self.bytes).unwrap_or_else(|error| panic!("{}: {error}", self.topic))
    }

    /// Its bytes, hexadecimal.
    ///
    /// # Panics
    /// Never: half a byte is a digit.
    pub fn hex(&self) -> String {
        let digit = |of: u8| char::from_digit(of.into(), 16).expect("below 16");
        self.bytes
            .iter()
            .flat_map(|byte| [digit(byte >> 4), digit(byte & 15)])
            .collect()
    }
}

fn unhex(text: &str) -> Vec<u8> {
    let digits: Vec<u32> = text
        .chars()
        .map(|c| c.to_digit(16).expect("hexadecimal"))
        .collect();
    digits
        .chunks(2)
        .map(|pair| u8::try_from(pair[0] * 16 + pair[1]).expect("two digits"))
        .collect()
}

/// Lines that a process says, kept as they come. It ends with this value.
#[derive(Debug)]
struct Lines<T> {
    child: Child,
    heard: Arc<Mutex<Vec<T>>>,
}

impl<T: Clone + Send + 'static> Lines<T> {
    fn of(mut command: Command, read: fn(&str) -> T) -> Self {
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("it can be started");
        let lines = BufReader::new(child.stdout.take().expect("it is piped")).lines();
        let heard = Arc::new(Mutex::new(Vec::new()));
        let keeps = heard.clone();
        // It ends with the process's stdout.
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let one = read(&line);
                keeps.lock().unwrap_or_else(PoisonError::into_inner).push(one);
            }
        });
        Self { child, heard }
    }

    fn all(&self) -> Vec<T> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl<T> Drop for Lines<T> {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What a listener hears first: nothing, on a topic of nobody.
const LISTENING: &str = "spBv1.0/listening";

/// A subscriber to everything of Sparkplug.
#[derive(Debug)]
pub struct Listener(Lines<Raw>);

impl Listener {
    /// A new one. What is retained comes to it first.
    ///
    /// # Panics
    /// If the broker doesn't take its subscription.
    pub fn start(broker: &Broker) -> Self {
        Self::started(broker, &[], LISTENING)
    }

    /// One with a password, of somebody who may say of a host of that name that it is gone.
    ///
    /// # Panics
    /// As [`Listener::start`].
    pub fn start_as(broker: &Broker, name: &str, password: &str) -> Self {
        let topic = format!("spBv1.0/STATE/{name}");
        Self::started(broker, &["-u", name, "-P", password], &topic)
    }

    fn started(broker: &Broker, login: &[&str], topic: &str) -> Self {
        let mut command = system("mosquitto_sub", PACKAGES);
        command
            .args(["-V", "5", "-h", "127.0.0.1", "-p", &broker.port().to_string()])
            .args(["-q", "1", "-t", "spBv1.0/#", "-F", "%r %q %t %x"])
            .args(login);
        let listener = Self(Lines::of(command, Raw::read));
        // It listens once it hears this.
        let mut tries = 0;
        wait_for("mosquitto_sub listens", || {
            if tries % 20 == 0 {
                published(broker, login, topic, b"", 1, false);
            }
            tries += 1;
            (!listener.0.all().is_empty()).then_some(())
        });
        listener
    }

    /// All that it has got so far of edge nodes and hosts.
    pub fn messages(&self) -> Vec<Raw> {
        let mut all = self.0.all();
        all.retain(|raw| !raw.bytes.is_empty() || raw.topic.starts_with("spBv1.0/rework/"));
        all
    }

    /// Waits for the message of that kind, beyond the first `after` messages. Returns how many there are up to it.
    pub fn wait_for(&self, after: usize, what: &str, fits: impl Fn(&Raw) -> bool) -> usize {
        wait_for(&format!("a message: {what}"), || {
            let messages = self.messages();
            let at = messages.iter().skip(after).position(&fits)?;
            Some(after + at + 1)
        })
    }
}

/// Publishes once, and waits until the broker has it.
///
/// # Panics
/// If it doesn't take it.
pub fn publish(broker: &Broker, topic: &str, bytes: &[u8], qos: u8, retained: bool) {
    published(broker, &[], topic, bytes, qos, retained);
}

/// [`publish`] with a password; `QoS` 0, since a broker that allows it not is to say nothing.
pub fn publish_as<'a>(broker: &'a Broker, name: &str, password: &str) -> impl Fn(&str, &[u8]) + use<'a> {
    let login = [name, password].map(str::to_owned);
    move |topic, bytes| {
        let [name, password] = &login;
        published(broker, &["-u", name, "-P", password], topic, bytes, 0, false);
    }
}

fn published(broker: &Broker, login: &[&str], topic: &str, bytes: &[u8], qos: u8, retained: bool) {
    let mut command = system("mosquitto_pub", PACKAGES);
    command
        .args(["-V", "5", "-h", "127.0.0.1", "-p", &broker.port().to_string()])
        .args(["-q", &qos.to_string(), "-t", topic])
        .arg(if bytes.is_empty() { "-n" } else { "-s" })
        .args(login)
        .stdin(Stdio::piped());
    if retained {
        command.arg("-r");
    }
    let mut child = command.spawn().expect("mosquitto_pub can be started");
    let mut stdin = child.stdin.take().expect("it is piped");
    if !bytes.is_empty() {
        stdin.write_all(bytes).expect("it reads");
    }
    drop(stdin);
    let status = child.wait().expect("the child is ours");
    assert!(status.success(), "{topic}: {status}");
}

/// The host application.
#[derive(Debug)]
pub struct Host(Lines<Value>);

impl Host {
    /// Starts it and waits until it is online.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start(broker: &Broker, id: &str) -> Self {
        let mut command = Command::new(peers().join("host/debug/benchward-sparkplug-host"));
        command.arg(broker.port().to_string()).arg(id);
        let read = |line: &str| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        let host = Self(Lines::of(command, read));
        host.wait_for(0, "the host is online", |said| said["event"] == "online");
        host
    }

    /// All that it has said so far.
    pub fn said(&self) -> Vec<Value> {
        self.0.all()
    }

    /// Waits until it says something, beyond the first `after` lines. Returns how many there are up to it.
    ///
    /// # Panics
    /// If it doesn't, with what it said instead.
    pub fn wait_for(&self, after: usize, what: &str, fits: impl Fn(&Value) -> bool) -> usize {
        let found = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            wait_for(&format!("the host says: {what}"), || {
                let said = self.said();
                let at = said.iter().skip(after).position(&fits)?;
                Some(after + at + 1)
            })
        }));
        found.unwrap_or_else(|_| {
            panic!(
                "{what}; beyond {after}, the host said {:#?}",
                &self.said()[after..]
            )
        })
    }

    /// Waits for the birth of a device, or of the node. Returns what [`Host::wait_for`] does, and its metrics by name.
    pub fn wait_for_birth(&self, after: usize, device: Option<&str>) -> (usize, Value) {
        let at = self.wait_for(after, &format!("the birth of {device:?}"), |said| {
            said["event"] == "birth" && said["device"].as_str() == device
        });
        (at, self.said()[at - 1]["metrics"].clone())
    }

    /// Asks it to end: it tells its own death and goes.
    ///
    /// # Panics
    /// If it doesn't.
    pub fn terminate(mut self) {
        kill_process(Pid::from_child(&self.0.child), Signal::TERM).expect("it runs");
        let child = &mut self.0.child;
        wait_for("the host's end", || child.try_wait().expect("the child is ours"));
    }
}

/// What a decoder of others makes of messages: one JSON object a message, see `tests/sparkplug/decode.py`.
///
/// # Panics
/// If it fails on any.
pub fn decoded_by(peer: &str, messages: &[Raw]) -> Vec<Value> {
    let folder = peers();
    let mut command = match peer {
        "sparkplug-payload" => {
            let mut node = system("node", "nodejs");
            node.arg(file("sparkplug/decode.js"));
            node.env("NODE_PATH", folder.join("node_modules"));
            node
        }
        package => {
            let mut python = Command::new(folder.join(package).join("bin/python"));
            python.arg(file("sparkplug/decode.py")).arg(package);
            python
        }
    };
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("it can be started");
    let mut stdin = child.stdin.take().expect("it is piped");
    let lines: Vec<String> = messages
        .iter()
        .map(|raw| format!("{} {}\n", raw.topic, raw.hex()))
        .collect();
    let writes = std::thread::spawn(move || stdin.write_all(lines.concat().as_bytes()));
    let output = child.wait_with_output().expect("the child is ours");
    writes.join().expect("it doesn't panic").expect("it reads");
    assert!(output.status.success(), "{peer}: {}", output.status);
    let text = String::from_utf8(output.stdout).expect("text");
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{peer}: {line}: {error}")))
        .collect()
}
