//! The whole path of a reading: from a driver process to an independent subscriber of a real broker, to a client of the
//! private socket, and to an independent client of a real bus.

use std::time::Duration;

use benchward_api::{
    ARCHIVE_PATH, BOARDS_PATH, LAB_PATH, RECIPES_PATH, SENSORS_PATH, WINDOWS_PATH, station_path,
};
use benchward_tests::broker::{Broker, Message, Subscriber};
use benchward_tests::bus::Bus;
use benchward_tests::clock::{wall_ms, wall_of};
use benchward_tests::command::benchward;
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::Place;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::wait::{PATIENCE, wait_for, wait_until, wait_within};
use serde_json::json;

const STATIONS: [&str; 2] = ["bench-1", "bench-2"];

fn two_benches(place: &Place) -> String {
    place.simulated("bench-1", "") + &place.simulated("bench-2", "")
}

fn is_recent(message: &Message) {
    let time = message.payload["time"]
        .as_str()
        .unwrap_or_else(|| panic!("no time in {message:?}"));
    assert_eq!(
        (time.len(), time.ends_with('Z')),
        (24, true),
        "RFC 3339, UTC, milliseconds: {time}"
    );
    assert!((wall_ms() - wall_of(time)).abs() < 60_000, "{time}");
}

#[test]
fn readings_states_runs_and_trips_reach_an_independent_subscriber() {
    let place = Place::new();
    let broker = Broker::start(&place);
    place.configure("", &(two_benches(&place) + &broker.section()));
    let all = broker.subscribe();
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&STATIONS);

    all.wait_for("benchward/larkfield/online", "the daemon is there", |message| {
        message.payload == json!(true)
    });
    let cold = all.wait_for(
        "benchward/larkfield/bench-1/channel/board-top",
        "a good reading",
        |message| message.payload["quality"] == "good",
    );
    let celsius = cold.payload["celsius"].as_f64().expect("a temperature");
    assert!(
        (celsius - 24.0).abs() < 2.0,
        "the bench stands in a room of 24 °C: {celsius}"
    );
    assert_eq!(cold.qos, 1);
    is_recent(&cold);
    let idle = all.wait_for("benchward/larkfield/bench-1/state", "idle", |message| {
        message.payload["phase"] == "idle"
    });
    assert_eq!(idle.payload["heating"], json!(false));
    is_recent(&idle);

    client.put_recipe(HOLD).expect("a recipe");
    let run = client.start("bench-1", HOLD_NAME, "A-0017").expect("a run");
    let state = all.wait_for("benchward/larkfield/bench-1/state", "ramp", |message| {
        message.payload["phase"] == "ramp"
    });
    assert_eq!(state.payload["run"], json!(run));
    assert_eq!(state.payload["target_celsius"], json!(60.0));
    assert_eq!(state.payload["tripped"], json!([]));
    let started = all.wait_for("benchward/larkfield/bench-1/run", "the run", |message| {
        message.payload["run"] == run
    });
    assert_eq!(
        (&started.payload["recipe"], &started.payload["serial"]),
        (&json!("hold"), &json!("A-0017"))
    );
    all.wait_for(
        "benchward/larkfield/bench-1/channel/board-top",
        "the board gets warm",
        |message| {
            message.payload["celsius"]
                .as_f64()
                .is_some_and(|celsius| celsius > 26.0)
                && message.payload["heat"].as_f64().is_some_and(|heat| heat > 0.0)
        },
    );

    fault::cause(&place.control("bench-1"), r#"{"kind":"open","input":"tc1"}"#);
    let trip = all.wait_for("benchward/larkfield/bench-1/trip", "the trip", |message| {
        message.payload["standing"] == "tripped"
    });
    assert_eq!(trip.payload["interlock"], "sensor-fault");
    assert!(
        trip.payload["text"]
            .as_str()
            .is_some_and(|text| text.contains("board-top")),
        "{trip:?}"
    );
    is_recent(&trip);
    let open = all.wait_for(
        "benchward/larkfield/bench-1/channel/board-top",
        "the fault",
        |message| message.payload["quality"] == "open",
    );
    assert_eq!(open.payload["celsius"], json!(null), "a fault is no number");
    all.wait_for("benchward/larkfield/bench-1/run", "the outcome", |message| {
        message.payload["outcome"] == "tripped"
    });
    all.wait_for(
        "benchward/larkfield/bench-1/state",
        "the trip in the state",
        |message| message.payload["tripped"] == json!(["sensor-fault"]),
    );

    // Who comes later finds everything that lasts, and nothing that was a moment's.
    let late = broker.subscribe();
    late.wait_for("benchward/larkfield/online", "kept", |message| {
        message.retained && message.payload == json!(true)
    });
    // The journal's head, told outside, is that of the entry that it names.
    let head = late.wait_for("benchward/larkfield/journal", "kept", |message| {
        message.retained
            && message.payload["entries"]
                .as_u64()
                .is_some_and(|entries| entries > 0)
    });
    let entry = usize::try_from(head.payload["entries"].as_u64().expect("a number")).expect("a few dozen");
    assert_eq!(
        head.payload["head"],
        json!(daemon.client().journal()[entry - 1].hash)
    );
    late.wait_for("benchward/larkfield/archive", "kept", |message| {
        message.retained && message.payload["ok"] == json!(true)
    });
    for station in STATIONS {
        for topic in ["state", "channel/board-top", "channel/board-edge"] {
            late.wait_for(
                &format!("benchward/larkfield/{station}/{topic}"),
                "kept",
                |message| message.retained,
            );
        }
    }
    let kept = late.wait_for("benchward/larkfield/bench-1/run", "kept", |message| {
        message.retained
    });
    assert_eq!(kept.payload["run"], json!(run));
    assert!(
        late.messages()
            .iter()
            .all(|message| !(message.retained && message.topic.ends_with("/trip")))
    );
    let other = "benchward/larkfield/bench-2/state";
    assert!(
        all.messages()
            .iter()
            .filter(|m| m.topic == other)
            .all(|m| m.payload["tripped"] == json!([]))
    );
}

/// Waits until the subscriber has heard this of `online`, in this order.
fn heard_online(subscriber: &Subscriber, expected: &[bool]) {
    let heard = || -> Vec<bool> {
        let messages = subscriber.messages().into_iter();
        messages
            .filter(|m| m.topic == "benchward/larkfield/online")
            .filter_map(|m| m.payload.as_bool())
            .collect()
    };
    let began = std::time::Instant::now();
    while heard() != expected {
        assert!(
            began.elapsed() < PATIENCE,
            "expected {expected:?} on `online`, heard {:?}",
            heard()
        );
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn the_broker_knows_when_the_daemon_is_gone() {
    let place = Place::new();
    let broker = Broker::start(&place);
    place.configure("", &(two_benches(&place) + &broker.section()));
    let all = broker.subscribe();

    let mut daemon = Daemon::start(&place);
    heard_online(&all, &[true]);
    daemon.kill();
    // Nobody but the broker can say this one.
    heard_online(&all, &[true, false]);

    let mut daemon = Daemon::start(&place);
    heard_online(&all, &[true, false, true]);
    let (_, status) = daemon.terminate();
    assert!(status.success());
    heard_online(&all, &[true, false, true, false]);
    let late = broker.subscribe();
    late.wait_for("benchward/larkfield/online", "kept", |message| {
        message.retained && message.payload == json!(false)
    });
}

#[test]
fn a_broker_that_lost_its_memory_has_it_back() {
    let place = Place::new();
    let broker = Broker::start(&place);
    let port = broker.port();
    place.configure("", &(two_benches(&place) + &broker.section()));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&STATIONS);
    let before = broker.subscribe();
    before.wait_for("benchward/larkfield/bench-2/state", "said", |_| true);
    drop(before);

    drop(broker);
    client.put_recipe(HOLD).expect("a recipe");
    let run = client
        .start("bench-1", HOLD_NAME, "A-0017")
        .expect("heat needs no broker");
    let broker = Broker::start_at(&place, port);

    let after = broker.subscribe();
    after.wait_for("benchward/larkfield/online", "said again", |message| {
        message.payload == json!(true)
    });
    after.wait_for("benchward/larkfield/bench-2/state", "said again", |_| true);
    after.wait_for(
        "benchward/larkfield/bench-2/channel/board-edge",
        "said again",
        |_| true,
    );
    after.wait_for(
        "benchward/larkfield/bench-1/run",
        "what happened meanwhile",
        |m| m.payload["run"] == json!(run),
    );
}

#[test]
fn the_same_objects_are_on_the_socket_and_on_a_bus() {
    let place = Place::new();
    let bus = Bus::start(&place);
    place.configure("bus = \"session\"", &two_benches(&place));
    let daemon = Daemon::start_with(&place, |command| {
        command.env("DBUS_SESSION_BUS_ADDRESS", bus.address());
    });
    let client = daemon.client();
    client.wait_ready(&STATIONS);
    bus.wait_for_lab();
    let signals = bus.listen(&place);
    let (lab, station) = ("io.benchward.Lab1", "io.benchward.Station1");
    let bench_1 = station_path("bench-1");

    // Both list everything.
    let mut objects = client.objects();
    let managed = bus
        .call(
            LAB_PATH,
            "org.freedesktop.DBus.ObjectManager",
            "GetManagedObjects",
            &[],
        )
        .expect("an answer");
    for path in [
        ARCHIVE_PATH,
        RECIPES_PATH,
        BOARDS_PATH,
        WINDOWS_PATH,
        SENSORS_PATH,
        &bench_1,
        &station_path("bench-2"),
    ] {
        assert!(
            objects.iter().any(|object| object == path),
            "{path} is missing on the socket: {objects:?}"
        );
        assert!(managed[0].get(path).is_some(), "{path} is missing on the bus");
    }
    objects.sort();
    let mut on_bus: Vec<String> = managed[0].as_object().expect("objects").keys().cloned().collect();
    on_bus.sort();
    assert_eq!(objects, on_bus);

    // Both show the same lab, and what one changes the other sees.
    assert_eq!(bus.property(LAB_PATH, lab, "Name"), "larkfield");
    assert_eq!(bus.property(LAB_PATH, lab, "Ceiling"), json!(260.0));
    client
        .lab(async |lab| lab.set_ceiling(200.0).await)
        .expect("the owner may");
    wait_until("the ceiling on the bus", || {
        bus.property(LAB_PATH, lab, "Ceiling") == json!(200.0)
    });
    signals.wait_for(LAB_PATH, "PropertiesChanged", |body| {
        body[1]["Ceiling"]["data"] == json!(200.0)
    });
    client.put_recipe(HOLD).expect("a recipe");
    let started = bus
        .call(&bench_1, station, "Start", &["ss", HOLD_NAME, "A-0017"])
        .expect("a run");
    assert_eq!(client.station("bench-1").run, started[0].as_u64());
    assert_eq!(bus.property(&bench_1, station, "Run"), started[0]);
    let seen: u64 = client
        .ask("bench-1", async |station| Ok(station.run().await?))
        .expect("a property");
    assert_eq!(json!(seen), started[0]);
    let status = bus.call(LAB_PATH, lab, "Status", &[]).expect("an answer");
    let status: benchward_api::shapes::Status =
        serde_json::from_str(status[0].as_str().expect("text")).expect("the shape of a status");
    assert_eq!(status.stations[0].serial.as_deref(), Some("A-0017"));

    // Both hear of it.
    signals.wait_for(LAB_PATH, "PhaseChanged", |body| {
        *body == json!(["bench-1", "ramp", 1])
    });
    client.wait_for_signal(LAB_PATH, "PhaseChanged", &["bench-1", "ramp"]);
    signals.wait_for(&bench_1, "PropertiesChanged", |body| {
        body[1]["Phase"]["data"] == "ramp"
    });
    client.wait_for_signal(&bench_1, "PropertiesChanged", &["Phase", "ramp"]);
    signals.wait_for(&bench_1, "PropertiesChanged", |body| {
        body[1].get("Channels").is_some()
    });
    bus.call(&bench_1, station, "Stop", &[])
        .expect("anybody with a role may");
    signals.wait_for(LAB_PATH, "InterlockChanged", |body| {
        body[0] == "bench-1" && body[1] == "stop" && body[2] == "tripped"
    });
    client.wait_for_signal(LAB_PATH, "InterlockChanged", &["bench-1", "stop", "tripped"]);
    signals.wait_for(LAB_PATH, "RunEnded", |body| {
        *body == json!(["bench-1", started[0], "stopped"])
    });
    client.wait_for_signal(LAB_PATH, "RunEnded", &["bench-1", "stopped"]);
    assert_eq!(client.tripped("bench-1"), ["stop"]);
    assert_eq!(client.tripped("bench-2"), [""; 0]);

    // A refusal is one sentence with both figures, on either.
    let refused = bus
        .call(LAB_PATH, lab, "SetCeiling", &["d", "500"])
        .expect_err("far too hot");
    assert!(
        refused.contains("500.0 °C") && refused.contains("400.0 °C"),
        "{refused}"
    );
}

/// Interface, kind, name, arguments, results: what programs outside rely on.
const MEMBERS: &[(&str, &str, &str, &str, &str)] = &[
    ("Lab1", "method", "Status", "-", "s"),
    ("Lab1", "method", "StopAll", "-", "s"),
    ("Lab1", "method", "Drivers", "-", "s"),
    ("Lab1", "method", "Limits", "-", "s"),
    ("Lab1", "method", "RereadConfig", "-", "s"),
    ("Lab1", "method", "Roles", "-", "s"),
    ("Lab1", "method", "SetCeiling", "d", "s"),
    ("Lab1", "method", "SetLimit", "sd", "s"),
    ("Lab1", "method", "ClearLimit", "s", "s"),
    ("Lab1", "property", "Name", "s", ""),
    ("Lab1", "property", "Version", "s", ""),
    ("Lab1", "property", "Display", "s", ""),
    ("Lab1", "property", "Ceiling", "d", ""),
    ("Lab1", "property", "JournalHead", "s", ""),
    ("Lab1", "property", "Alarms", "a(ssss)", ""),
    ("Lab1", "signal", "InterlockChanged", "ssss", "-"),
    ("Lab1", "signal", "AlarmChanged", "ssss", "-"),
    ("Lab1", "signal", "PhaseChanged", "ssq", "-"),
    ("Lab1", "signal", "RunEnded", "sts", "-"),
    ("Station1", "method", "Start", "ss", "t"),
    ("Station1", "method", "StopRun", "-", "s"),
    ("Station1", "method", "Stop", "-", "s"),
    ("Station1", "method", "Present", "-", "s"),
    ("Station1", "method", "Confirm", "-", "s"),
    ("Station1", "method", "Acknowledge", "-", "s"),
    ("Station1", "method", "Reset", "-", "s"),
    ("Station1", "method", "Resume", "-", "s"),
    ("Station1", "method", "SetCeiling", "d", "s"),
    ("Station1", "method", "ClearCeiling", "-", "s"),
    ("Station1", "property", "Name", "s", ""),
    ("Station1", "property", "Phase", "s", ""),
    ("Station1", "property", "Run", "t", ""),
    ("Station1", "property", "Heat", "d", ""),
    ("Station1", "property", "Ceiling", "d", ""),
    ("Station1", "property", "Target", "ad", ""),
    ("Station1", "property", "Channels", "a(sads)", ""),
    ("Station1", "property", "Interlocks", "a(sss)", ""),
    ("Station1", "property", "Driver", "s", ""),
    ("Archive1", "method", "Runs", "s", "s"),
    ("Archive1", "method", "Redo", "t", "s"),
    ("Archive1", "method", "Run", "t", "s"),
    ("Archive1", "method", "Export", "ts", "h"),
    ("Archive1", "method", "Journal", "s", "s"),
    ("Archive1", "method", "Trips", "s", "s"),
    ("Archive1", "method", "Stats", "ss", "s"),
    ("Archive1", "method", "Compare", "atss", "s"),
    ("Archive1", "method", "Verify", "-", "s"),
    ("Recipes1", "method", "List", "-", "s"),
    ("Recipes1", "method", "Show", "su", "s"),
    ("Recipes1", "method", "Put", "s", "u"),
    ("Windows1", "method", "List", "-", "s"),
    ("Windows1", "method", "Show", "su", "s"),
    ("Windows1", "method", "Put", "s", "u"),
    ("Windows1", "method", "Judge", "tsb", "s"),
    ("Boards1", "method", "List", "-", "s"),
    ("Boards1", "method", "Show", "ss", "s"),
    ("Boards1", "method", "Learn", "tsb", "s"),
    ("Boards1", "method", "Plan", "s", "s"),
    ("Sensors1", "method", "List", "-", "s"),
    ("Sensors1", "method", "History", "ss", "s"),
    ("Sensors1", "method", "Check", "sssb", "s"),
    ("Sensors1", "method", "Clear", "sss", "s"),
];

#[test]
fn every_member_is_there_by_introspection() {
    let place = Place::new();
    let bus = Bus::start(&place);
    place.configure("bus = \"session\"", &two_benches(&place));
    let _daemon = Daemon::start_with(&place, |command| {
        command.env("DBUS_SESSION_BUS_ADDRESS", bus.address());
    });
    bus.wait_for_lab();
    let mut found = Vec::new();
    for (interface, path) in [
        ("Lab1", LAB_PATH.to_owned()),
        ("Station1", station_path("bench-1")),
        ("Archive1", ARCHIVE_PATH.to_owned()),
        ("Recipes1", RECIPES_PATH.to_owned()),
        ("Windows1", WINDOWS_PATH.to_owned()),
        ("Boards1", BOARDS_PATH.to_owned()),
        ("Sensors1", SENSORS_PATH.to_owned()),
    ] {
        let full = format!("io.benchward.{interface}");
        let words = ["--no-legend", "introspect", benchward_api::BUS_NAME, &path, &full];
        let text = bus.busctl(&words).expect("it can be introspected");
        for line in text.lines() {
            let mut words = line.split_whitespace();
            let mut word = || words.next().unwrap_or_default().to_owned();
            let (name, kind, arguments, result) = (word(), word(), word(), word());
            // What stands behind a property is its value.
            let result = if kind == "property" { String::new() } else { result };
            found.push((
                interface.to_owned(),
                kind,
                name.trim_start_matches('.').to_owned(),
                arguments,
                result,
            ));
        }
    }
    let owned = |(interface, kind, name, arguments, result): &(&str, &str, &str, &str, &str)| {
        (
            (*interface).to_owned(),
            (*kind).to_owned(),
            (*name).to_owned(),
            (*arguments).to_owned(),
            (*result).to_owned(),
        )
    };
    let mut expected: Vec<_> = MEMBERS.iter().map(owned).collect();
    found.sort();
    expected.sort();
    assert_eq!(found, expected);
}

#[test]
fn a_bus_that_was_away_finds_the_lab_again() {
    let place = Place::new();
    let bus = Bus::start(&place);
    let address = bus.address();
    place.configure("bus = \"session\"", &two_benches(&place));
    let daemon = Daemon::start_with(&place, |command| {
        command.env("DBUS_SESSION_BUS_ADDRESS", address);
    });
    bus.wait_for_lab();
    drop(bus);

    let client = daemon.client();
    client.wait_ready(&STATIONS);
    assert_eq!(
        client.status().lab,
        "larkfield",
        "the private socket needs no bus"
    );

    let bus = Bus::start(&place);
    let words = [LAB_PATH, "io.benchward.Lab1", "Name"];
    let name = wait_within(2 * PATIENCE, "the lab on the new bus", || {
        let words = [
            "--json=short",
            "get-property",
            benchward_api::BUS_NAME,
            words[0],
            words[1],
            words[2],
        ];
        bus.busctl(&words).ok()
    });
    assert!(name.contains("larkfield"), "{name}");
}

#[test]
fn a_client_that_does_not_read_delays_nobody() {
    let place = Place::new();
    place.configure("", &two_benches(&place));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&STATIONS);
    // Sixteen that connect, say hello as D-Bus clients do, ask for the status again and again, and never read.
    let greedy: Vec<_> = (0..16).map(|_| silent_client(&place)).collect();

    client.put_recipe(HOLD).expect("a recipe");
    let run = client.start("bench-1", HOLD_NAME, "A-0017").expect("a run");
    let before = wall_ms();
    for _ in 0..20 {
        client
            .ask("bench-1", async |station| station.present().await)
            .expect("an answer");
    }
    let took = wall_ms() - before;
    assert!(took < 20_000, "twenty answers took {took} ms");
    assert_eq!(client.station("bench-1").run, Some(run));
    assert_eq!(
        client.tripped("bench-1"),
        [""; 0],
        "the lab's loop was not held up"
    );
    drop(greedy);
}

/// A raw connection that has authenticated and then only writes.
fn silent_client(place: &Place) -> std::os::unix::net::UnixStream {
    use std::io::{Read as _, Write as _};
    let mut socket = std::os::unix::net::UnixStream::connect(place.socket()).expect("the daemon listens");
    let uid = rustix::process::getuid().as_raw().to_string();
    let hex = uid
        .bytes()
        .fold(String::new(), |hex, digit| hex + &format!("{digit:02x}"));
    socket
        .write_all(format!("\0AUTH EXTERNAL {hex}\r\n").as_bytes())
        .expect("it reads");
    let mut answer = [0; 64];
    let count = socket.read(&mut answer).expect("an answer");
    assert!(
        answer[..count].starts_with(b"OK "),
        "{:?}",
        String::from_utf8_lossy(&answer[..count])
    );
    socket.write_all(b"BEGIN\r\n").expect("it reads");
    let message = zbus::message::Message::method_call(LAB_PATH, "Status")
        .interface("io.benchward.Lab1")
        .build(&())
        .expect("a message");
    socket.set_nonblocking(true).expect("it is ours");
    // Until the daemon doesn't take any more, or far more than any buffer.
    for _ in 0..10_000 {
        if socket.write_all(message.data()).is_err() {
            break;
        }
    }
    socket
}

/// What two benches ask of a supply that carries one and a quarter of them, and what they get, is on every screen.
#[test]
fn a_shared_supply_shows_who_asks_and_who_gets() {
    let place = Place::new();
    let bench = |name: &str| {
        place
            .simulated(name, "")
            .replace("\nheat = \"heat1\"", "\nheat = \"heat1\"\nsupply = \"bay-a\"")
    };
    let supply = "[supply.bay-a]\nvolts = 100\namps = 12.5\n";
    place.configure("", &format!("{}{}{supply}", bench("bench-1"), bench("bench-2")));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    let stations = ["bench-1", "bench-2"];
    client.wait_ready(&stations);
    let idle = benchward(&place, &["status"]);
    assert!(
        idle.stdout.contains("supply bay-a, 1000 W: nothing is drawn"),
        "{idle:?}"
    );
    client.put_recipe(HOLD).expect("a recipe");
    for (station, serial) in stations.into_iter().zip(["A-0017", "A-0018"]) {
        client.start(station, HOLD_NAME, serial).expect("a run");
    }
    // 2 x 800 W are asked for; the second gets what the first leaves.
    let supply = wait_for("both ask, and one waits for power", || {
        let supply = client.status().supplies.into_iter().next().expect("there is one");
        let asks = supply.stations.iter().all(|share| share.asks_watts > 600.0);
        let waits = supply
            .stations
            .iter()
            .any(|share| share.gets_watts + 100.0 < share.asks_watts);
        (asks && waits).then_some(supply)
    });
    let gets: f64 = supply.stations.iter().map(|share| share.gets_watts).sum();
    assert!(
        gets <= supply.most_watts + 1e-6 && supply.most_watts <= 1000.0,
        "{supply:?}"
    );
    let shown = benchward(&place, &["status"]);
    assert!(
        shown.stdout.contains("W at most at one moment: bench-1"),
        "{shown:?}"
    );
}
