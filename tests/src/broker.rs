//! A private mosquitto, and `mosquitto_sub` as a subscriber that shares no code with the daemon.

use std::fs::{self, File};
use std::io::{BufRead as _, BufReader};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex, PoisonError};

use crate::clock::monotonic_ms;
use crate::place::Place;
use crate::programs::system;
use crate::wait::wait_for;

pub(crate) const PACKAGES: &str = "mosquitto mosquitto-clients";

/// A broker that runs. It ends with this value.
#[derive(Debug)]
pub struct Broker {
    child: Child,
    port: u16,
}

/// A port that nobody listens at now.
///
/// # Panics
/// If the machine has none.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
    listener.local_addr().expect("it is bound").port()
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
        Self::start_with(
            place,
            port,
            &format!("listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"),
        )
    }

    /// Starts one with a configuration, which has a listener on that port.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start_with(place: &Place, port: u16, conf: &str) -> Self {
        let config = place.path("mosquitto.conf");
        fs::write(&config, conf).expect("the folder is ours");
        let log = File::create(place.path("mosquitto.log")).expect("the folder is ours");
        let child = system("mosquitto", PACKAGES)
            .arg("-c")
            .arg(config)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("mosquitto can be started");
        let broker = Self { child, port };
        wait_for("the broker's port", || {
            TcpStream::connect((Ipv4Addr::LOCALHOST, port)).ok()
        });
        broker
    }

    /// Where it listens.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The `[mqtt]` section of a lab that publishes to it.
    pub fn section(&self) -> String {
        format!(
            "\n[mqtt]\nbroker = \"mqtt://127.0.0.1:{}\"\nplain = true\n",
            self.port
        )
    }

    /// A new subscriber to everything. What is retained comes to it first.
    ///
    /// # Panics
    /// If `mosquitto_sub` can't be started.
    pub fn subscribe(&self) -> Subscriber {
        let mut child = system("mosquitto_sub", PACKAGES)
            .args(["-V", "5", "-h", "127.0.0.1", "-p", &self.port.to_string()])
            .args(["-q", "1", "-t", "#", "-F", "%r %q %t %p"])
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
