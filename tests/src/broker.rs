//! A private mosquitto, and `mosquitto_sub` as a subscriber that shares no code with the daemon.

use std::fs::{self, File};
use std::io::{BufRead as _, BufReader};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex, PoisonError};

use rustix::process::{Pid, Signal, kill_process};

use crate::clock::monotonic_ms;
use crate::place::Place;
use crate::programs::system;
use crate::wait::wait_for;

/// Debian packages of the programs that are used here.
pub const PACKAGES: &str = "mosquitto mosquitto-clients";

/// A broker that runs. It ends with this value.
#[derive(Debug)]
pub struct Broker {
    child: Child,
    port: u16,
    config: PathBuf,
}

/// A port that nobody listens at now.
///
/// # Panics
/// If the machine has none.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
    listener.local_addr().expect("it is bound").port()
}

/// The `[mqtt]` section of a lab that publishes to a port of this machine.
pub fn section_at(port: u16) -> String {
    format!("\n[mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\nplain = true\n")
}

impl Broker {
    /// Starts one on a free port.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start(place: &Place) -> Self {
        Self::start_at(place, free_port())
    }

    /// Starts one on that port.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start_at(place: &Place, port: u16) -> Self {
        let lines = format!("listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n");
        Self::start_as(place, port, &lines)
    }

    /// Starts one that remembers sessions and what is queued for them, over its own end and sudden death. `more`: lines of
    /// its configuration.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start_lasting(place: &Place, more: &str) -> Self {
        let port = free_port();
        let folder = place.path("mosquitto");
        fs::create_dir_all(&folder).expect("the folder is ours");
        let anonymous = if more.contains("allow_anonymous") {
            ""
        } else {
            "allow_anonymous true\n"
        };
        // Nothing waits inside it for a subscriber that is there, so that a death takes nothing that was acknowledged.
        let window = if more.contains("max_inflight_messages") {
            ""
        } else {
            "max_inflight_messages 0\n"
        };
        // As root it would become a user that may not write there.
        let lines = format!(
            "user root\nlistener {port} 127.0.0.1\n{anonymous}persistence true\npersistence_location {}/\n\
             autosave_interval 1\nmax_queued_messages 100000\n{window}{more}",
            folder.display()
        );
        Self::start_as(place, port, &lines)
    }

    /// Starts one with that configuration, which has it listen on that port.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start_as(place: &Place, port: u16, lines: &str) -> Self {
        let config = place.path("mosquitto.conf");
        fs::write(&config, lines).expect("the folder is ours");
        let child = run(&config);
        let broker = Self { child, port, config };
        broker.wait_until_up();
        broker
    }

    fn wait_until_up(&self) {
        wait_for("the broker's port", || {
            TcpStream::connect((Ipv4Addr::LOCALHOST, self.port)).ok()
        });
    }

    /// Ends it by a signal and waits for that.
    ///
    /// # Panics
    /// If it can't be signalled.
    pub fn end(&mut self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).expect("the broker can be signalled");
        self.child.wait().expect("the child is ours");
    }

    /// Starts it again after [`Broker::end`].
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn again(&mut self) {
        self.child = run(&self.config);
        self.wait_until_up();
    }

    /// Has it read its access rules and passwords again.
    ///
    /// # Panics
    /// If it can't be signalled.
    pub fn reload(&self) {
        kill_process(Pid::from_child(&self.child), Signal::HUP).expect("the broker can be signalled");
    }

    /// Where it listens.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The `[mqtt]` section of a lab that publishes to it.
    pub fn section(&self) -> String {
        section_at(self.port)
    }

    /// A new subscriber to everything. What is retained comes to it first.
    ///
    /// # Panics
    /// If `mosquitto_sub` can't be started.
    pub fn subscribe(&self) -> Subscriber {
        self.subscribe_as(&["-t", "#"])
    }

    /// A subscriber to every recorded reading, whose session lasts while it or the broker is away.
    ///
    /// # Panics
    /// If `mosquitto_sub` can't be started.
    pub fn keep_history(&self) -> Subscriber {
        let topic = "benchward/+/+/history/+";
        self.subscribe_as(&["-c", "-i", "keeper", "-u", "keeper", "-x", "86400", "-t", topic])
    }

    /// A new subscriber with these arguments of `mosquitto_sub`.
    ///
    /// # Panics
    /// If `mosquitto_sub` can't be started.
    pub fn subscribe_as(&self, arguments: &[&str]) -> Subscriber {
        let mut child = system("mosquitto_sub", PACKAGES)
            .args(["-V", "5", "-h", "127.0.0.1", "-p", &self.port.to_string()])
            .args(["-q", "1", "-F", "%r %q %t %p"])
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("mosquitto_sub can be started");
        let lines = BufReader::new(child.stdout.take().expect("it is piped")).lines();
        let messages = Arc::new(Mutex::new(Vec::new()));
        let heard = messages.clone();
        // It ends with the subscriber's stdout.
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let message = Message::read(&line);
                heard.lock().unwrap_or_else(PoisonError::into_inner).push(message);
            }
        });
        Subscriber { child, messages }
    }
}

fn run(config: &Path) -> Child {
    let log = File::options()
        .create(true)
        .append(true)
        .open(config.with_extension("log"))
        .expect("the folder is ours");
    system("mosquitto", PACKAGES)
        .arg("-c")
        .arg(config)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
        .expect("mosquitto can be started")
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What a subscriber got.
#[derive(Debug, Clone)]
pub struct Message {
    /// When, in ms of `CLOCK_MONOTONIC`.
    pub at_ms: f64,
    /// Whether the broker had kept it.
    pub retained: bool,
    /// Quality of service.
    pub qos: u8,
    /// Its topic.
    pub topic: String,
    /// Its payload, which is always JSON.
    pub payload: serde_json::Value,
}

impl Message {
    fn read(line: &str) -> Self {
        let mut parts = line.splitn(4, ' ');
        let mut part = || {
            parts
                .next()
                .unwrap_or_else(|| panic!("mosquitto_sub said: {line}"))
        };
        Self {
            at_ms: monotonic_ms(),
            retained: part() == "1",
            qos: part().parse().expect("a number"),
            topic: part().to_owned(),
            payload: serde_json::from_str(part()).unwrap_or_else(|error| panic!("{line}: {error}")),
        }
    }
}

/// A `mosquitto_sub` that runs. It ends with this value.
#[derive(Debug)]
pub struct Subscriber {
    child: Child,
    messages: Arc<Mutex<Vec<Message>>>,
}

impl Subscriber {
    /// What `look` finds in all it has got so far.
    pub fn look<T>(&self, look: impl FnOnce(&[Message]) -> T) -> T {
        look(&self.messages.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// All it has got so far.
    pub fn messages(&self) -> Vec<Message> {
        self.messages
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Waits for a message on `topic` that fits.
    ///
    /// # Panics
    /// If none comes, with what came on that topic.
    pub fn wait_for(&self, topic: &str, what: &str, fits: impl Fn(&Message) -> bool) -> Message {
        let last = || {
            self.messages()
                .into_iter()
                .rfind(|message| message.topic == topic)
        };
        let found = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            wait_for(&format!("{topic}: {what}"), || {
                self.messages()
                    .into_iter()
                    .find(|message| message.topic == topic && fits(message))
            })
        }));
        found.unwrap_or_else(|_| panic!("{topic}: {what}; the last there: {:?}", last()))
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
