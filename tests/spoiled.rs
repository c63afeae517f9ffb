//! What comes from outside while the daemon runs, spoiled: arguments of every member of the bus, whole messages, and what arrives
//! over MQTT. Never a crash, never heat, and an error that names what it is about.
//!
//! Each goes on for 20 s, or as many as `$BENCHWARD_SPOIL_S` says. Seeds are files in `fuzz/seeds`. A call that fails is
//! put down in `fuzz/regressions/dbus.jsonl`, whose calls are made first from then on.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, TcpStream};
use std::os::unix::net::UnixStream;
use std::time::{Duration, Instant};

use benchward_api::{
    ARCHIVE_PATH, BOARDS_PATH, LAB_PATH, RECIPES_PATH, SENSORS_PATH, WINDOWS_PATH, station_path,
};
use benchward_fuzz::{edits, spoiled};
use benchward_tests::broker::Broker;
use benchward_tests::client::{Client, authenticated};
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::programs::file;
use benchward_tests::recipe::HOLD;
use benchward_tests::record::changes;
use benchward_tests::wait::wait_until;
use proptest::strategy::{Strategy, ValueTree as _};
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};
use serde::{Deserialize, Serialize};
use zbus::DBusError as _;
use zbus::wire::{Structure, Variant};

const STATION: &str = "bench-1";
const OTHER: &str = "bench-2";

/// Calls that failed once, and some that are easily answered wrong.
const REGRESSIONS: &str = "fuzz/regressions/dbus.jsonl";

/// How long an answer may take.
const ANSWER_WITHIN: Duration = Duration::from_secs(20);

/// Messages that are spoiled as a whole.
const MESSAGES: usize = 400;

fn how_long() -> Duration {
    let set = std::env::var("BENCHWARD_SPOIL_S").ok();
    let seconds = set.map(|text| {
        text.parse()
            .unwrap_or_else(|error| panic!("BENCHWARD_SPOIL_S={text}: {error}"))
    });
    Duration::from_secs(seconds.unwrap_or(20))
}

/// The lines of a file of JSON values.
fn lines<T: for<'de> Deserialize<'de>>(name: &str) -> Vec<T> {
    let text = fs::read_to_string(file(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
    let parsed = text.lines().map(|line| serde_json::from_str(line));
    parsed
        .map(|line| line.unwrap_or_else(|error| panic!("{name}: {error}")))
        .collect()
}

/// Draws. Its seed is another one each time, and printed.
struct Dice(TestRunner);

impl Dice {
    fn new() -> Self {
        let time = benchward_tests::clock::wall_ms().to_le_bytes();
        let seed: [u8; 32] = std::array::from_fn(|at| time[at % time.len()]);
        println!("seed {seed:?}");
        Self(TestRunner::new_with_rng(
            Config::default(),
            TestRng::from_seed(RngAlgorithm::ChaCha, &seed),
        ))
    }

    fn draw<T: std::fmt::Debug>(&mut self, from: impl Strategy<Value = T>) -> T {
        from.new_tree(&mut self.0).expect("it can be drawn").current()
    }

    fn below(&mut self, most: usize) -> usize {
        self.draw(0..most)
    }

    fn one_of<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        let at = self.below(list.len());
        &list[at]
    }

    /// One of the seeds, spoiled or as it is.
    fn text(&mut self, seeds: &[String]) -> String {
        let edits = self.draw(edits());
        let seed = self.one_of(seeds);
        // A string of D-Bus holds no zero (D-Bus Specification, "Basic types").
        String::from_utf8_lossy(&spoiled(seed.as_bytes(), &edits)).replace('\0', "")
    }
}

/// An argument.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Argument {
    S(String),
    /// A number by its bits: JSON has no word for some.
    D(u64),
    T(u64),
    U(u32),
    B(bool),
    At(Vec<u64>),
}

impl Argument {
    /// One of that type.
    fn draw(of: &str, dice: &mut Dice, seeds: &[String]) -> Self {
        const NUMBERS: [f64; 14] = [
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            -0.0,
            0.0,
            1e-320,
            -1.0,
            10.0,
            39.9,
            60.0,
            260.0,
            400.1,
            1e300,
            -1e300,
        ];
        const WHOLE: [u64; 8] = [
            0,
            1,
            2,
            1_000,
            u32::MAX as u64,
            i64::MAX as u64,
            u64::MAX - 1,
            u64::MAX,
        ];
        let whole = *dice.one_of(&WHOLE);
        match of {
            // What there is gets a call farther than what there isn't.
            "s" if dice.below(3) == 0 => {
                Self::S((*dice.one_of(&["hold", STATION, "board-top", "run-max"])).into())
            }
            "s" => Self::S(dice.text(seeds)),
            "d" => Self::D(dice.one_of(&NUMBERS).to_bits()),
            "t" => Self::T(whole),
            "u" => Self::U(u32::try_from(whole).unwrap_or(u32::MAX)),
            "b" => Self::B(whole.is_multiple_of(2)),
            "at" => Self::At((0..dice.below(5)).map(|_| *dice.one_of(&WHOLE)).collect()),
            other => panic!("a member takes an argument of type `{other}`: teach this test to make some"),
        }
    }

    fn variant(&self) -> Variant<'static> {
        match self {
            Self::S(text) => text.clone().into(),
            Self::D(bits) => f64::from_bits(*bits).into(),
            Self::T(whole) => (*whole).into(),
            Self::U(whole) => (*whole).into(),
            Self::B(yes) => (*yes).into(),
            Self::At(list) => list.clone().into(),
        }
    }

    /// What an error about it would say, where that is plain.
    fn named(&self) -> Option<String> {
        match self {
            Self::S(text) => {
                let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == ' ';
                (text.len() < 40 && text.chars().all(plain)).then(|| text.trim().to_owned())
            }
            Self::T(whole) => Some(whole.to_string()),
            Self::U(whole) => Some(whole.to_string()),
            Self::D(_) | Self::B(_) | Self::At(_) => None,
        }
    }
}

/// A call.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Call {
    interface: String,
    member: String,
    arguments: Vec<Argument>,
}

impl Call {
    fn path(&self) -> String {
        match self.interface.rsplit('.').next().unwrap_or_default() {
            "Station1" => station_path(STATION),
            "Archive1" => ARCHIVE_PATH.into(),
            "Recipes1" => RECIPES_PATH.into(),
            "Windows1" => WINDOWS_PATH.into(),
            "Boards1" => BOARDS_PATH.into(),
            "Sensors1" => SENSORS_PATH.into(),
            _ => LAB_PATH.into(),
        }
    }

    fn message(&self) -> zbus::Message {
        let (path, member) = (self.path(), &*self.member);
        let call = zbus::Message::method_call(path, member).interface(&*self.interface);
        if self.arguments.is_empty() {
            return call.build(&()).expect("a message");
        }
        let body = self
            .arguments
            .iter()
            .fold(Structure::builder(), |body, one| body.append_field(one.variant()));
        call.build(&body.build().expect("fields")).expect("a message")
    }

    /// What is wrong with an answer, if anything is.
    fn judge(&self, answer: Result<zbus::Message, zbus::Error>) -> Result<(), String> {
        let (name, text) = match answer {
            Ok(_) => return Ok(()),
            Err(zbus::Error::MethodError(name, text, _)) => (name.to_string(), text.unwrap_or_default()),
            // What the library answers by itself.
            Err(zbus::Error::FDO(error)) => (
                error.name().to_string(),
                error.description().unwrap_or_default().to_owned(),
            ),
            Err(other) => return Err(format!("no answer: {other}")),
        };
        let known = ["io.benchward.Error.", "org.freedesktop.DBus.Error."];
        if !known.iter().any(|prefix| name.starts_with(prefix)) {
            return Err(format!("an error without a name that is known: {name}: {text}"));
        }
        if text.trim().len() < 10 || text.contains("panicked") {
            return Err(format!("{name} says nothing: \"{text}\""));
        }
        if name.ends_with(".NoSuch") {
            let mut named = self.arguments.iter().map(Argument::named);
            if named.len() > 0 && named.all(|one| one.is_some_and(|one| !text.contains(&one))) {
                return Err(format!("{name} doesn't name what there isn't: \"{text}\""));
            }
        }
        Ok(())
    }
}

/// A connection of its own, so that what is answered is seen as it came.
struct Caller {
    runtime: tokio::runtime::Runtime,
    connection: zbus::Connection,
}

impl Caller {
    fn connect(place: &Place) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .expect("a thread for the caller");
        let connection = runtime.block_on(async {
            let stream = UnixStream::connect(place.socket()).expect("the daemon is there");
            let builder = zbus::connection::Builder::unix_stream(stream)
                .p2p()
                .method_timeout(ANSWER_WITHIN);
            builder.build().await.expect("a handshake with the daemon")
        });
        Self { runtime, connection }
    }

    fn call(&self, call: &Call) -> Result<zbus::Message, zbus::Error> {
        let body = call.message();
        self.runtime.block_on(async {
            let (path, member) = (call.path(), &*call.member);
            let interface = Some(&*call.interface);
            let connection = &self.connection;
            if call.arguments.is_empty() {
                return connection
                    .call_method(None::<&str>, path, interface, member, &())
                    .await;
            }
            let body = body.body();
            let body: Structure<'_> = body.deserialize()?;
            connection
                .call_method(None::<&str>, path, interface, member, &body)
                .await
        })
    }

    /// Every method of the daemon's own interfaces, with the types of what it takes.
    fn methods(&self) -> Vec<(String, String, Vec<String>)> {
        let mut found = Vec::new();
        for own in [
            "Lab1", "Station1", "Archive1", "Recipes1", "Windows1", "Boards1", "Sensors1",
        ] {
            let interface = format!("io.benchward.{own}");
            let of_path = Call {
                interface: interface.clone(),
                member: String::new(),
                arguments: Vec::new(),
            };
            let text: String = self.runtime.block_on(async {
                let introspect = "org.freedesktop.DBus.Introspectable";
                let path = of_path.path();
                let asked =
                    self.connection
                        .call_method(None::<&str>, path, Some(introspect), "Introspect", &());
                asked
                    .await
                    .expect("an answer")
                    .body()
                    .deserialize()
                    .expect("a text")
            });
            let inside = text
                .split(&format!("<interface name=\"{interface}\""))
                .nth(1)
                .expect("the interface");
            let inside = inside.split("</interface>").next().unwrap_or_default();
            for method in inside.split("<method name=\"").skip(1) {
                let name = method.split('"').next().unwrap_or_default().to_owned();
                let whole = method.split("</method>").next().unwrap_or_default();
                // A method without arguments closes itself.
                let whole = if method[name.len()..].starts_with("\"/>") {
                    ""
                } else {
                    whole
                };
                let taken = whole
                    .split("<arg ")
                    .skip(1)
                    .filter(|arg| arg.contains("direction=\"in\""));
                let of = |arg: &str| arg.split("type=\"").nth(1)?.split('"').next().map(str::to_owned);
                found.push((interface.clone(), name, taken.filter_map(of).collect()));
            }
        }
        assert!(found.len() > 30, "{found:?}");
        found
    }
}

/// No output has been told to heat.
fn no_heat(place: &Place, what: &str) {
    let hot = changes(&place.record_file(STATION))
        .into_iter()
        .find(|change| change.fraction > 0.0);
    assert_eq!(hot, None, "heat after {what}");
}

/// The daemon is as it was: it answers, its journal holds, and none of its tasks has panicked.
fn is_well(daemon: &mut Daemon, client: &Client) {
    assert!(daemon.runs(), "the daemon has died");
    client.status();
    assert!(client.verify().ok);
    assert!(
        !daemon.log().contains("panicked"),
        "a task of the daemon has panicked"
    );
}

#[test]
fn every_call_is_answered_and_nothing_heats() {
    let place = Place::new();
    // With an open hood no run starts, whatever a call happens to say: any heat is a mistake.
    place.configure("", &place.simulated(STATION, "hood = false\n"));
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&[STATION]);
    client.put_recipe(HOLD).expect("a recipe");
    let caller = Caller::connect(&place);
    let methods = caller.methods();
    let mut seeds: Vec<String> = lines("fuzz/seeds/dbus/strings.jsonl");
    for folder in ["recipes", "windows"] {
        let files =
            fs::read_dir(file(&format!("../deploy/examples/{folder}"))).expect("it is in the project");
        seeds.extend(
            files
                .flatten()
                .filter_map(|one| fs::read_to_string(one.path()).ok()),
        );
    }
    seeds.push(HOLD.to_owned());

    let attempt = |call: &Call| {
        let wrong = call.judge(caller.call(call));
        if let Err(why) = wrong {
            let line = serde_json::to_string(call).expect("it is JSON");
            let kept = fs::File::options().append(true).open(file(REGRESSIONS));
            let kept = kept.and_then(|mut kept| writeln!(kept, "{line}"));
            panic!("{why}\n{line}\nkept in {REGRESSIONS}: {kept:?}");
        }
    };
    let known: Vec<Call> = lines(REGRESSIONS);
    known.iter().for_each(attempt);
    let (mut dice, mut calls, began) = (Dice::new(), 0, Instant::now());
    while began.elapsed() < how_long() {
        let (interface, member, takes) = dice.one_of(&methods).clone();
        let mut arguments: Vec<Argument> = takes
            .iter()
            .map(|of| Argument::draw(of, &mut dice, &seeds))
            .collect();
        // Now and then other arguments than it takes.
        if dice.below(8) == 0 {
            let of = *dice.one_of(&["s", "d", "t", "u", "b", "at"]);
            let other = Argument::draw(of, &mut dice, &seeds);
            let at = dice.below(arguments.len() + 1);
            match dice.below(3) {
                0 => arguments.insert(at, other),
                1 if at < arguments.len() => arguments[at] = other,
                _ => arguments.truncate(at),
            }
        }
        attempt(&Call {
            interface,
            member,
            arguments,
        });
        calls += 1;
        if calls % 20 == 0 {
            // A stop that was called stands in the way of every start.
            let _ = client.ask(STATION, async |station| station.reset().await);
            no_heat(&place, &format!("{calls} calls"));
        }
    }
    println!("{calls} calls of {} members", methods.len());
    no_heat(&place, "all calls");
    is_well(&mut daemon, &client);

    for at in 0..MESSAGES {
        let (interface, member, takes) = dice.one_of(&methods).clone();
        let arguments = takes
            .iter()
            .map(|of| Argument::draw(of, &mut dice, &seeds))
            .collect();
        let message = Call {
            interface,
            member,
            arguments,
        }
        .message();
        let bytes = spoiled(message.data(), &dice.draw(edits()));
        let mut stream = authenticated(&place.socket());
        // The daemon may end a connection that makes no sense.
        let _ = stream.write_all(&bytes);
        if at % 50 == 0 {
            no_heat(&place, "a spoiled message");
            is_well(&mut daemon, &client);
        }
    }
    no_heat(&place, "all messages");
    is_well(&mut daemon, &client);
    let (_, ended) = daemon.terminate();
    assert_eq!(ended.code(), Some(0), "{ended}");
    drop(client);
    // What was stored by all that is no reason not to come up.
    let again = Daemon::start(&place);
    assert!(again.client().verify().ok);
}

/// A publisher by hand (MQTT Version 3.1.1, OASIS Standard, sections 3.1 to 3.3).
struct Publisher {
    stream: TcpStream,
    port: u16,
}

impl Publisher {
    fn connect(port: u16) -> Self {
        let mut stream = TcpStream::connect((Ipv4Addr::LOCALHOST, port)).expect("the broker is there");
        stream
            .write_all(b"\x10\x11\x00\x04MQTT\x04\x02\x00\x3c\x00\x05spoil")
            .expect("the broker takes it");
        let mut answer = [0; 4];
        stream.read_exact(&mut answer).expect("CONNACK");
        assert_eq!(answer, [0x20, 2, 0, 0], "the broker lets us in");
        Self { stream, port }
    }

    /// Publishes once, at most once delivered. A broker that ends the connection over it is connected to again.
    fn publish(&mut self, topic: &str, payload: &[u8], retained: bool) {
        let topic_bytes = u16::try_from(topic.len()).expect("short").to_be_bytes();
        let mut packet = vec![0x30 | u8::from(retained)];
        let mut left = 2 + topic.len() + payload.len();
        loop {
            let more = if left > 127 { 0x80 } else { 0 };
            packet.push(u8::try_from(left % 128).expect("seven bits") | more);
            left /= 128;
            if left == 0 {
                break;
            }
        }
        packet.extend_from_slice(&topic_bytes);
        packet.extend_from_slice(topic.as_bytes());
        packet.extend_from_slice(payload);
        if self.stream.write_all(&packet).is_err() {
            *self = Self::connect(self.port);
        }
    }
}

#[test]
fn whatever_arrives_over_mqtt_heats_nothing_and_lifts_nothing() {
    let place = Place::new();
    let broker = Broker::start(&place);
    let section = format!("{}allow = [\"present\", \"stop\"]\n", broker.section());
    let stations = place.simulated(STATION, "") + &place.simulated(OTHER, "");
    place.configure("", &format!("{stations}{section}"));
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&[STATION, OTHER]);
    client.put_recipe(HOLD).expect("a recipe");
    let stopped = client.ask(OTHER, async |station| station.stop().await);
    stopped.expect("the owner may");
    let ceiling = client.status().ceiling_celsius;
    wait_until("the daemon is connected", || {
        daemon.log().contains("MQTT: connected")
    });

    let topics: Vec<String> = lines("fuzz/seeds/mqtt/topics.jsonl");
    let payloads: Vec<String> = lines("fuzz/seeds/mqtt/payloads.jsonl");
    let mut publisher = Publisher::connect(broker.port());
    let (mut dice, mut messages, began) = (Dice::new(), 0, Instant::now());
    while began.elapsed() < how_long() {
        let topic = match dice.below(3) {
            // Wildcards are for subscribers (section 4.7).
            0 => dice.text(&topics).replace(['+', '#'], "x"),
            _ => dice.one_of(&topics).clone(),
        };
        if topic.is_empty() || topic.len() > 1_000 {
            continue;
        }
        let edits = dice.draw(edits());
        let mut payload = spoiled(dice.one_of(&payloads).as_bytes(), &edits);
        if dice.below(200) == 0 {
            payload.resize(300_000, b'7');
        }
        let retained = dice.below(4) == 0;
        publisher.publish(&topic, &payload, retained);
        messages += 1;
        // As fast as a daemon can say what came of it.
        std::thread::sleep(Duration::from_millis(1));
        if messages % 500 == 0 {
            no_heat(&place, "a message");
            assert!(daemon.runs(), "the daemon has died");
        }
    }
    println!("{messages} messages");
    publisher.publish("benchward/larkfield/bench-1/stop", b"1", false);
    wait_until("the last of them is heeded", || {
        client.tripped(STATION) == ["stop"]
    });
    no_heat(&place, "all messages");
    assert_eq!(
        client.tripped(OTHER),
        ["stop"],
        "nothing from outside lifts a trip"
    );
    let after = client.status();
    assert_eq!(
        after.ceiling_celsius.to_bits(),
        ceiling.to_bits(),
        "nor moves a limit"
    );
    assert!(
        after.stations.iter().all(|station| station.run.is_none()),
        "nor starts a run"
    );
    is_well(&mut daemon, &client);
}
