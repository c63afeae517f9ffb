//! Sparkplug for real: a broker, the daemon with simulated benches, a host application and decoders of others.

use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use benchward_sparkplug::edge_node::{BD_SEQ, REBIRTH};
use benchward_sparkplug::payload::{self, Payload};
use benchward_tests::authority::{Authority, For};
use benchward_tests::broker::{Broker, free_port};
use benchward_tests::clock::{wall_ms, wall_of};
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::{Place, quoted};
use benchward_tests::programs::{file, program, system};
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::record;
use benchward_tests::sparkplug::hand::{HandBroker, Publish};
use benchward_tests::sparkplug::{Host, Listener, Raw, decoded_by, publish, publish_as};
use benchward_tests::wait::{wait_for, wait_until};
use serde_json::{Value, json};

const STATIONS: [&str; 2] = ["bench-1", "bench-2"];
const TOP: &str = "Channel/board-top";

/// The `[mqtt]` section of a lab that is an edge node; `more`: more keys of `sparkplug`.
fn section(port: u16, more: &str) -> String {
    format!(
        "\n[mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\nplain = false\nsparkplug = {{ group = \"rework\"{more} }}\n"
    )
}

fn configure(place: &Place, port: u16, more: &str) {
    let benches = place.simulated("bench-1", "") + &place.simulated("bench-2", "");
    place.configure("", &(benches + &section(port, more)));
}

/// A simulated bench whose driver, once it is lost, doesn't come back while the file is there that is returned.
fn held(place: &Place, station: &str) -> (String, PathBuf) {
    let file = place.path(&format!("{station}.held"));
    let starts = format!(
        "test -e {} && exit 1; exec {}",
        file.display(),
        program("benchward-driver-simulated").display()
    );
    let bench = format!(
        "\n[station.{station}]\nchannels = {{ board-top = \"tc1\", board-edge = \"tc2\" }}\nheat = \"heat1\"\n\
         [station.{station}.driver]\nprogram = [\"sh\", \"-c\", {starts:?}]\n\
         [station.{station}.driver.settings]\ncontrol = {}\n",
        quoted(&place.control(station))
    );
    (bench, file)
}

/// Kills the driver of a station, which stays away while `file` is there.
fn lose(daemon: &Daemon, place: &Place, station: &str, file: &Path) {
    std::fs::write(file, "").expect("the folder is ours");
    let driver = daemon.driver(place, station);
    rustix::process::kill_process(driver, rustix::process::Signal::KILL).expect("it runs");
}

/// Lets it come back.
fn release(file: &Path) {
    std::fs::remove_file(file).expect("it is there");
}

fn bd_seq(raw: &Raw) -> i64 {
    match raw
        .payload()
        .metrics
        .iter()
        .find(|metric| metric.name.as_deref() == Some(BD_SEQ))
    {
        Some(payload::Metric {
            value: Some(payload::Value::Long(number)),
            ..
        }) => number.cast_signed(),
        other => panic!("{other:?}"),
    }
}

fn is(kind: &str) -> impl Fn(&Raw) -> bool + '_ {
    move |raw| raw.kind() == kind
}

/// Holds all messages of one edge node against the rules of order and numbers. Messages of `QoS` 0 of one client come to one
/// subscriber in the order in which they were sent (MQTT 5.0, 4.6), so that every gap is the edge node's.
fn keeps_the_rules(messages: &[Raw]) {
    let mut next: Option<u64> = None;
    let mut alive: BTreeMap<String, bool> = BTreeMap::new();
    for raw in messages
        .iter()
        .filter(|raw| !matches!(raw.kind(), "STATE" | "NCMD" | "DCMD"))
    {
        assert!(!raw.retained, "{raw:?}");
        let payload = raw.payload();
        assert_eq!(raw.qos, u8::from(raw.kind() == "NDEATH"), "{raw:?}");
        if raw.kind() == "NDEATH" {
            assert_eq!((payload.seq, payload.metrics.len()), (None, 1), "{payload:?}");
            next = None;
            continue;
        }
        if raw.kind() == "NBIRTH" {
            next = Some(0);
            alive.clear();
        }
        let expected = next.unwrap_or_else(|| panic!("nothing comes before a birth: {raw:?}"));
        assert_eq!(payload.seq, Some(expected), "{raw:?}");
        next = Some((expected + 1) % 256);
        let age = payload.timestamp.expect("a time").cast_signed() - raw.at_ms;
        assert!(age.abs() < 60_000, "{raw:?}");
        if let Some(device) = raw.device() {
            match raw.kind() {
                "DBIRTH" => _ = alive.insert(device.to_owned(), true),
                "DDEATH" => assert_eq!(alive.insert(device.to_owned(), false), Some(true), "{raw:?}"),
                _ => assert_eq!(alive.get(device), Some(&true), "{raw:?}"),
            }
        }
    }
}

/// A request for a rebirth.
fn rebirth_request() -> Vec<u8> {
    command(REBIRTH, payload::Value::Boolean(true))
}

fn command(name: &str, value: payload::Value) -> Vec<u8> {
    Payload {
        timestamp: Some(1),
        metrics: vec![payload::Metric {
            name: Some(name.into()),
            timestamp: Some(1),
            value: Some(value),
            ..payload::Metric::default()
        }],
        ..Payload::default()
    }
    .bytes()
}

fn state(online: bool, timestamp: i64) -> Vec<u8> {
    format!(r#"{{"online":{online},"timestamp":{timestamp}}}"#).into_bytes()
}

#[test]
fn a_host_of_another_library_knows_the_lab() {
    for aliases in ["", ", aliases = true"] {
        let place = Place::new();
        let broker = Broker::start(&place);
        let (bench, file) = held(&place, "bench-2");
        let benches = place.simulated("bench-1", "") + &bench;
        place.configure("", &(benches + &section(broker.port(), aliases)));
        let heard = Listener::start(&broker);
        let mut daemon = Daemon::start(&place);
        let client = daemon.client();
        client.wait_ready(&STATIONS);
        heard.wait_for(0, "births", |raw| raw.device() == Some("bench-2"));

        // It comes late: of the node that it hears data of it knows nothing, and asks for a rebirth by itself.
        let host = Host::start(&broker, "line-host");
        client.put_recipe(HOLD).expect("a recipe");
        let run = client.start("bench-1", HOLD_NAME, "A-0017").expect("a run");
        let (at, metrics) = host.wait_for_birth(0, Some("bench-1"));
        let celsius = metrics[TOP]["value"].as_f64().expect("a temperature");
        assert!(
            (celsius - 24.0).abs() < 6.0,
            "the bench stands in a room of 24 °C: {celsius}"
        );
        assert_eq!(metrics[TOP]["type"], "Double");
        assert_eq!(metrics["Run"]["type"], "Int64");
        let (_, metrics) = host.wait_for_birth(0, None);
        assert_eq!(metrics["Alarm"]["value"], json!(false));
        assert_eq!(metrics[REBIRTH]["value"], json!(false));
        host.wait_for(at, "the heat", |said| {
            let metrics = said["metrics"].as_array();
            said["device"] == "bench-1"
                && metrics.is_some_and(|metrics| {
                    metrics.iter().any(|metric| {
                        metric["name"] == "Heat"
                            && metric["value"].as_f64().is_some_and(|heat| heat > 0.0)
                            && metric["historical"] == json!(false)
                    })
                })
        });

        // Somebody's messages with numbers that aren't next: the host misses those between, and asks again. It does so once in
        // five seconds at most, and what it leaves out it never makes up for.
        let births = || heard.messages().iter().filter(|raw| is("NBIRTH")(raw)).count();
        let (at, before) = (host.said().len(), births());
        let mut last = None::<Instant>;
        wait_until("a rebirth over the gap", || {
            if last.is_none_or(|last| last.elapsed() > Duration::from_secs(4)) {
                let gap = Payload {
                    timestamp: Some(wall_ms().cast_unsigned()),
                    seq: Some(200),
                    ..Payload::default()
                };
                publish(
                    &broker,
                    "spBv1.0/rework/DDATA/larkfield/bench-1",
                    &gap.bytes(),
                    0,
                    false,
                );
                last = Some(Instant::now());
            }
            births() > before
        });
        let (at, metrics) = host.wait_for_birth(at, Some("bench-1"));
        assert_eq!(metrics["Run"]["value"], json!(run));
        assert_eq!(metrics["Serial"]["value"], "A-0017");

        // A driver is lost: its device dies. Nobody but the broker can tell of the daemon's own death.
        lose(&daemon, &place, "bench-2", &file);
        let stale = |device: Option<&str>| {
            let device = device.map(str::to_owned);
            move |said: &Value| said["event"] == "stale" && said["device"].as_str() == device.as_deref()
        };
        let at = host.wait_for(at, "bench-2 is stale", stale(Some("bench-2")));
        release(&file);
        let (at, _) = host.wait_for_birth(at, Some("bench-2"));
        daemon.kill();
        for device in [None, Some("bench-1"), Some("bench-2")] {
            host.wait_for(at, "everything is stale", stale(device));
        }
        host.terminate();
    }
}

#[test]
fn others_decode_what_was_published() {
    let place = Place::new();
    let broker = Broker::start(&place);
    configure(&place, broker.port(), "");
    let heard = Listener::start(&broker);
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&STATIONS);
    client.put_recipe(HOLD).expect("a recipe");
    client.start("bench-1", HOLD_NAME, "A-0017").expect("a run");
    heard.wait_for(0, "data", is("DDATA"));
    // A fault is a null with a quality of its own.
    fault::cause(&place.control("bench-1"), r#"{"kind":"open","input":"tc1"}"#);
    client.wait_for_trip("bench-1", "sensor-fault");
    heard.wait_for(0, "a reading that can't be read", |raw| {
        raw.kind() == "DDATA"
            && raw
                .payload()
                .metrics
                .iter()
                .any(|metric| metric.name.as_deref() == Some(TOP) && metric.is_null == Some(true))
    });
    let (_, status) = daemon.terminate();
    assert!(status.success());
    // One was published by the daemon, and one by the broker, which was asked for the will.
    wait_until("both deaths", || {
        heard.messages().iter().filter(|raw| is("NDEATH")(raw)).count() == 2
    });
    let messages = heard.messages();
    keeps_the_rules(&messages);
    let deaths: Vec<i64> = messages
        .iter()
        .filter(|raw| is("NDEATH")(raw))
        .map(bd_seq)
        .collect();
    assert_eq!(deaths, [0, 0], "of the same session");
    assert_eq!(messages.iter().map(Raw::kind).next(), Some("NBIRTH"));
    // Nothing stays at the broker.
    let late = Listener::start(&broker);
    assert!(late.messages().is_empty(), "{:?}", late.messages());

    let ours: Vec<Value> = messages.iter().map(ours).collect();
    for kind in ["NBIRTH", "DBIRTH", "DDATA", "NDEATH"] {
        assert!(messages.iter().any(|raw| is(kind)(raw)), "no {kind} to decode");
    }
    for peer in ["tahutils", "sparkplug-payload", "pysparkplug"] {
        let theirs = decoded_by(peer, &messages);
        assert_eq!(theirs.len(), ours.len(), "{peer}");
        for ((raw, ours), mut theirs) in messages.iter().zip(&ours).zip(theirs) {
            for metric in theirs["metrics"].as_array_mut().into_iter().flatten() {
                // JavaScript has one kind of numbers.
                if metric["type"] == json!(10) && metric["value"].is_number() {
                    metric["value"] = metric["value"].as_f64().into();
                }
            }
            if let Some(number) = theirs.get("bd_seq") {
                assert_eq!(number, &json!(bd_seq(raw)), "{peer}: {}", raw.topic);
                continue;
            }
            let mut ours = ours.clone();
            if peer == "pysparkplug" {
                // It knows of no properties.
                for metric in ours["metrics"].as_array_mut().expect("a list") {
                    metric.as_object_mut().expect("an object").remove("properties");
                }
            }
            assert_eq!(theirs, ours, "{peer}: {} {}", raw.topic, raw.hex());
        }
    }
}

/// A message in the form of the other decoders.
fn ours(raw: &Raw) -> Value {
    let payload = raw.payload();
    let metrics: Vec<Value> = payload
        .metrics
        .iter()
        .map(|metric| {
            let value = match &metric.value {
                None => Value::Null,
                Some(payload::Value::Int(value)) => value.cast_signed().into(),
                Some(payload::Value::Long(value)) => value.cast_signed().into(),
                Some(payload::Value::Double(value)) => (*value).into(),
                Some(payload::Value::Boolean(value)) => (*value).into(),
                Some(payload::Value::String(value)) => value.clone().into(),
                other => panic!("{other:?}"),
            };
            let properties: serde_json::Map<String, Value> = metric
                .properties
                .iter()
                .flat_map(|properties| properties.keys.iter().zip(&properties.values))
                .map(|(key, of)| {
                    let value = match &of.value {
                        Some(payload::PropertyContent::Int(value)) => (*value).into(),
                        Some(payload::PropertyContent::String(value)) => value.clone().into(),
                        other => panic!("{other:?}"),
                    };
                    (key.clone(), value)
                })
                .collect();
            json!({
                "name": metric.name,
                "type": metric.datatype,
                "timestamp": metric.timestamp,
                "value": value,
                "historical": metric.is_historical == Some(true),
                "properties": properties,
            })
        })
        .collect();
    json!({ "timestamp": payload.timestamp, "seq": payload.seq, "metrics": metrics })
}

#[test]
fn births_wait_for_the_primary_host_and_its_death_ends_the_session() {
    let place = Place::new();
    let broker = Broker::start(&place);
    configure(&place, broker.port(), ", primary_host = \"line-host\"");
    let heard = Listener::start(&broker);
    let daemon = Daemon::start(&place);
    wait_until("the edge node waits", || {
        daemon.log().contains("waiting for the primary host")
    });
    publish(&broker, "spBv1.0/STATE/other-host", &state(true, 5), 1, true);
    publish(&broker, "spBv1.0/STATE/line-host", &state(false, 5), 1, true);
    publish(&broker, "spBv1.0/STATE/line-host", b"ONLINE", 1, false);
    wait_until("what is no state is told", || {
        daemon.log().contains("no state of Sparkplug 3.0")
    });
    assert!(heard.messages().iter().all(is("STATE")), "nobody is born yet");

    let host = Host::start(&broker, "line-host");
    host.wait_for_birth(0, Some("bench-2"));
    let at = heard.wait_for(0, "births", |raw| raw.device() == Some("bench-2"));
    // The death of a session that is long over.
    publish(&broker, "spBv1.0/STATE/line-host", &state(false, 6), 1, false);
    wait_until("an older state is told", || {
        daemon.log().contains("older than its last one")
    });
    assert!(!heard.messages().iter().any(is("NDEATH")));

    // It is killed, and its will tells of its death.
    drop(host);
    let at = heard.wait_for(at, "its death", |raw| raw.kind() == "STATE");
    let at = heard.wait_for(at, "the lab's", is("NDEATH"));
    let host = Host::start(&broker, "line-host");
    let at = heard.wait_for(at, "births", |raw| raw.device() == Some("bench-2"));
    let messages = heard.messages();
    let births: Vec<i64> = messages[..at]
        .iter()
        .filter(|raw| is("NBIRTH")(raw))
        .map(bd_seq)
        .collect();
    assert_eq!(births, [0, 1], "each session has a number of its own");
    keeps_the_rules(&messages);
    host.terminate();
    heard.wait_for(at, "a death again", is("NDEATH"));
}

#[test]
fn nothing_but_a_rebirth_can_be_asked_for() {
    let place = Place::new();
    let broker = Broker::start(&place);
    configure(&place, broker.port(), "");
    let heard = Listener::start(&broker);
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&STATIONS);
    client.put_recipe(HOLD).expect("a recipe");
    // A trip that somebody might want to lift.
    client.start("bench-2", HOLD_NAME, "A-0018").expect("a run");
    fault::cause(&place.control("bench-2"), r#"{"kind":"open","input":"tc1"}"#);
    client.wait_for_trip("bench-2", "sensor-fault");
    let at = heard.wait_for(0, "births", |raw| raw.device() == Some("bench-2"));
    let ceiling = client.status().ceiling_celsius;

    let nodes = "spBv1.0/rework/NCMD/larkfield";
    publish(
        &broker,
        nodes,
        &command("Ceiling", payload::Value::Double(400.0)),
        0,
        false,
    );
    let kept = |text: &str| {
        wait_for(&format!("the journal has: {text}"), || {
            let journal = client.journal();
            journal
                .into_iter()
                .find(|entry| entry.kind == "sparkplug" && entry.text.contains(text))
        })
    };
    kept("a command to the lab (\"Ceiling\")");
    for (device, name, value) in [
        ("bench-1", "Heat", payload::Value::Double(1.0)),
        ("bench-1", "Run", payload::Value::Long(1)),
        ("bench-1", "Phase", payload::Value::String("ramp".into())),
        ("bench-2", "Tripped", payload::Value::String(String::new())),
        (
            "bench-2",
            "Interlock/sensor-fault",
            payload::Value::String("clear".into()),
        ),
    ] {
        let topic = format!("spBv1.0/rework/DCMD/larkfield/{device}");
        publish(&broker, &topic, &command(name, value), 0, false);
    }
    publish(&broker, nodes, &[0xff; 64], 0, false);
    publish(&broker, nodes, &[], 0, false);
    publish(&broker, nodes, &vec![0x12; 200_000], 0, false);
    // They are refused together, ten seconds after the first.
    kept("more commands by Sparkplug were refused meanwhile");

    assert_eq!(client.status().ceiling_celsius.to_bits(), ceiling.to_bits());
    assert_eq!(client.tripped("bench-2"), ["sensor-fault"]);
    let idle = client.station("bench-1");
    assert_eq!((idle.phase.as_str(), idle.run), ("idle", None));
    assert!(
        record::changes(&place.record_file("bench-1"))
            .iter()
            .all(|change| change.fraction == 0.0),
        "nothing heats"
    );

    // And that can be asked for by anybody who knows its name.
    publish(&broker, nodes, &rebirth_request(), 0, false);
    heard.wait_for(at, "a rebirth", is("NBIRTH"));
    let messages = heard.messages();
    assert_eq!(
        messages
            .iter()
            .filter(|raw| is("NBIRTH")(raw))
            .map(bd_seq)
            .collect::<Vec<_>>(),
        [0, 0]
    );
    keeps_the_rules(&messages);
}

/// Everything between CONNECT and DISCONNECT, as it goes over the wire.
#[test]
fn a_connection_begins_and_ends_as_the_specification_wants() {
    let place = Place::new();
    let broker = HandBroker::start();
    configure(&place, broker.port(), ", primary_host = \"line-host\"");
    let mut daemon = Daemon::start(&place);
    // Its CONNECT waits for us: by then both benches are there to be born.
    daemon.client().wait_ready(&STATIONS);
    for number in 0..2 {
        let (mut session, connect) = broker.accept();
        assert_eq!(connect.client_id, "benchward-larkfield-sparkplug");
        assert_eq!(
            connect.flags, 0b0000_1110,
            "clean start, a will with QoS 1, not retained"
        );
        assert_eq!(connect.session_expiry.unwrap_or(0), 0);
        assert_eq!(connect.will_topic, "spBv1.0/rework/NDEATH/larkfield");
        let will = |bytes: Vec<u8>| {
            bd_seq(&Raw {
                at_ms: 0,
                retained: false,
                qos: 1,
                topic: "spBv1.0/rework/NDEATH/larkfield".into(),
                bytes,
            })
        };
        assert_eq!(will(connect.will.clone()), number);
        let mut topics = session.subscribed();
        topics.sort();
        let expected = [
            "spBv1.0/STATE/line-host",
            "spBv1.0/rework/DCMD/larkfield/+",
            "spBv1.0/rework/NBIRTH/larkfield",
            "spBv1.0/rework/NCMD/larkfield",
        ];
        assert_eq!(
            topics.iter().map(|(topic, _)| &**topic).collect::<Vec<_>>(),
            expected
        );
        assert!(
            topics.iter().all(|(_, options)| options & 3 == 1),
            "QoS 1: {topics:?}"
        );
        session.publish("spBv1.0/STATE/line-host", &state(true, 100 + number));

        let mut published = Vec::new();
        for device in STATIONS {
            while !published
                .iter()
                .any(|publish: &Publish| publish.topic.ends_with(device))
            {
                let packet = session.packet().expect("births");
                published.push(Publish::read(&packet).unwrap_or_else(|| panic!("{packet:?}")));
            }
        }
        assert_eq!(published[0].topic, "spBv1.0/rework/NBIRTH/larkfield");
        assert!(
            published
                .iter()
                .all(|publish| (publish.qos, publish.retained) == (0, false))
        );

        // Its end: by the host's death, then by ours.
        if number == 0 {
            session.publish("spBv1.0/STATE/line-host", &state(false, 100));
        } else {
            rustix::process::kill_process(daemon.pid(), rustix::process::Signal::TERM).expect("it runs");
        }
        let death = loop {
            let packet = session.packet().expect("a death");
            let publish = Publish::read(&packet).unwrap_or_else(|| panic!("{packet:?}"));
            if publish.topic == "spBv1.0/rework/NDEATH/larkfield" {
                break publish;
            }
        };
        assert_eq!(will(death.payload), number);
        assert!(!death.retained);
        let last = session.packet().expect("a DISCONNECT");
        assert_eq!(
            (last.first, last.rest.first()),
            (0xe0, Some(&4)),
            "Disconnect with Will Message"
        );
        assert_eq!(session.packet(), None, "and it closes");
    }
    assert!(daemon.wait().success());
}

#[test]
fn a_lab_says_nothing_of_sparkplug_unless_it_is_asked_to() {
    let place = Place::new();
    let broker = Broker::start(&place);
    let plain = broker.section() + "sparkplug = { group = \"rework\", enabled = false }\n";
    place.configure("", &(place.simulated("bench-1", "") + &plain));
    let heard = Listener::start(&broker);
    let all = broker.subscribe();
    let mut daemon = Daemon::start(&place);
    daemon.client().wait_ready(&["bench-1"]);
    all.wait_for("benchward/larkfield/bench-1/state", "the lab is there", |_| true);
    daemon.terminate();
    assert!(heard.messages().is_empty(), "{:?}", heard.messages());
}

#[test]
fn readings_of_an_outage_come_later_marked_and_with_their_own_times() {
    let place = Place::new();
    let broker = Broker::start(&place);
    let port = broker.port();
    configure(&place, port, "");
    let heard = Listener::start(&broker);
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&STATIONS);
    client.put_recipe(HOLD).expect("a recipe");
    heard.wait_for(0, "births", |raw| raw.device() == Some("bench-2"));
    let run = client.start("bench-1", HOLD_NAME, "A-0017").expect("a run");
    heard.wait_for(0, "data", is("DDATA"));
    let before = heard.messages();
    assert!(
        before.iter().all(|raw| historical(raw).is_empty()),
        "nothing was missed"
    );
    let last_ms = before.last().expect("data").at_ms;

    drop(broker);
    drop(heard);
    let rows = || client.readings(run).len();
    let there = rows();
    wait_until("readings that nobody hears", || rows() > there + 40);
    let broker = Broker::start_at(&place, port);
    let heard = Listener::start(&broker);
    let at = heard.wait_for(0, "births again", |raw| raw.device() == Some("bench-2"));
    assert!(bd_seq(&heard.messages()[0]) > 0, "a new session");
    let back_ms = heard.messages()[0]
        .payload()
        .timestamp
        .expect("a time")
        .cast_signed();
    assert!(
        heard.messages()[..at]
            .iter()
            .all(|raw| historical(raw).is_empty()),
        "live values first"
    );

    // Every reading of the time between, to the bit and to the millisecond.
    let missed: Vec<(i64, u64)> = client
        .readings(run)
        .iter()
        .map(|row| {
            (
                wall_of(&row["time"]),
                row["board-top_celsius"]
                    .parse::<f64>()
                    .expect("a number")
                    .to_bits(),
            )
        })
        .filter(|(time, _)| (last_ms..back_ms).contains(time))
        .collect();
    assert!(missed.len() > 30, "{}", missed.len());
    let told = || -> Vec<(i64, u64)> { heard.messages().iter().flat_map(historical).collect() };
    wait_until("all that was missed", || {
        let told = told();
        missed.iter().all(|one| told.contains(one))
    });
    let told = told();
    assert!(told.is_sorted_by_key(|(time, _)| *time), "in their order");
    assert!(
        told.iter().all(|(time, _)| *time <= back_ms + 1_000),
        "what was told live isn't told again"
    );
    keeps_the_rules(&heard.messages());
}

/// Temperatures of `board-top` in a message that are marked as historical, with their times.
fn historical(raw: &Raw) -> Vec<(i64, u64)> {
    if raw.kind() != "DDATA" {
        return Vec::new();
    }
    raw.payload()
        .metrics
        .iter()
        .filter(|metric| metric.is_historical == Some(true) && metric.name.as_deref() == Some(TOP))
        .map(|metric| match metric.value {
            Some(payload::Value::Double(celsius)) => {
                (metric.timestamp.expect("a time").cast_signed(), celsius.to_bits())
            }
            ref other => panic!("{other:?}"),
        })
        .collect()
}

#[test]
fn a_lost_driver_is_a_death_of_its_device() {
    let place = Place::new();
    let broker = Broker::start(&place);
    let port = broker.port();
    let (bench, file) = held(&place, "bench-1");
    place.configure(
        "",
        &(bench + &place.simulated("bench-2", "") + &section(port, "")),
    );
    let heard = Listener::start(&broker);
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&STATIONS);
    client.put_recipe(HOLD).expect("a recipe");
    let of_bench =
        |kind: &'static str| move |raw: &Raw| raw.kind() == kind && raw.device() == Some("bench-1");
    let at = heard.wait_for(0, "its birth", of_bench("DBIRTH"));
    lose(&daemon, &place, "bench-1", &file);
    let at = heard.wait_for(at, "its death", of_bench("DDEATH"));
    release(&file);
    heard.wait_for(at, "its birth", of_bench("DBIRTH"));
    keeps_the_rules(&heard.messages());
    client.wait_ready(&STATIONS);
    if !client.tripped("bench-1").is_empty() {
        client
            .ask("bench-1", async |station| station.reset().await)
            .expect("its cause is gone");
    }
    let run = client.start("bench-1", HOLD_NAME, "A-0017").expect("a run");

    // Its readings of an outage can't be told while it is dead. They wait for it.
    wait_until("readings", || !client.readings(run).is_empty());
    drop((broker, heard));
    let (there, left_ms) = (client.readings(run).len(), wall_ms());
    wait_until("readings that nobody hears", || {
        client.readings(run).len() > there + 20
    });
    lose(&daemon, &place, "bench-1", &file);
    wait_until("it is lost", || client.station("bench-1").driver == "down");
    let lost_ms = wall_ms();
    let broker = Broker::start_at(&place, port);
    let heard = Listener::start(&broker);
    heard.wait_for(0, "the other's birth", |raw| raw.device() == Some("bench-2"));
    // What is kept back is handed out by then: the journal's newest entries were told after it.
    client
        .put_recipe(&HOLD.replace("3600", "3601"))
        .expect("a recipe");
    heard.wait_for(0, "data of the lab", is("NDATA"));
    assert!(!heard.messages().iter().any(|raw| raw.device() == Some("bench-1")));
    release(&file);
    heard.wait_for(0, "its birth", of_bench("DBIRTH"));
    let missed: Vec<(i64, u64)> = client
        .readings(run)
        .iter()
        .filter_map(|row| {
            Some((
                wall_of(&row["time"]),
                row["board-top_celsius"].parse::<f64>().ok()?.to_bits(),
            ))
        })
        .filter(|(time, _)| (left_ms..lost_ms).contains(time))
        .collect();
    assert!(missed.len() > 10, "{}", missed.len());
    wait_until("all that was missed", || {
        let told: Vec<_> = heard.messages().iter().flat_map(historical).collect();
        missed.iter().all(|one| told.contains(one))
    });
    keeps_the_rules(&heard.messages());
}

#[test]
fn a_broker_that_says_nothing_delays_no_end() {
    let place = Place::new();
    // Connections wait in its queue: nobody ever accepts them.
    let silent = HandBroker::start();
    configure(&place, silent.port(), "");
    let mut daemon = Daemon::start(&place);
    daemon.client().wait_ready(&STATIONS);
    let (_, status) = daemon.terminate();
    assert!(status.success());
    assert!(
        !daemon.log().contains("ended before everything was done"),
        "it ends in time"
    );
}

/// With certificates in place of passwords, the session comes to the right broker from the right lab, and where it doesn't,
/// the log says which file to look at.
#[test]
fn certificates_let_the_right_lab_in_at_the_right_broker() {
    let place = Place::new();
    let ours = Authority::new(&place, "ours");
    let theirs = Authority::new(&place, "theirs");
    ours.sign(&place, "broker", For::Servers);
    ours.sign(&place, "larkfield", For::Clients);
    theirs.sign(&place, "stranger", For::Clients);
    let (tls, plain) = (free_port(), free_port());
    let path = |name: &str| place.path(name).display().to_string();
    // The lab is who its certificate says. A second door without TLS is for who hears what came through.
    let rules = place.path("rules");
    std::fs::write(
        &rules,
        "topic read spBv1.0/#\nuser larkfield\ntopic readwrite spBv1.0/#\n",
    )
    .expect("the folder is ours");
    let broker = Broker::start_as(
        &place,
        plain,
        &format!(
            "user root\nper_listener_settings true\nlistener {plain} 127.0.0.1\nallow_anonymous true\nlistener {tls} 127.0.0.1\n\
             allow_anonymous false\nacl_file {}\ncafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n\
             use_identity_as_username true\n",
            rules.display(),
            path("ours.pem"),
            path("broker.pem"),
            path("broker.key")
        ),
    );
    let heard = Listener::start(&broker);
    let configure = |authority: &str, client: Option<&str>| {
        let client = client.map_or_else(String::new, |name| {
            format!("certificate_file = \"{name}.pem\"\nkey_file = \"{name}.key\"\n")
        });
        let mqtt = format!(
            "\n[mqtt]\nbroker = \"mqtts://localhost:{tls}\"\nplain = false\nca_file = \"{authority}.pem\"\n{client}\
             sparkplug = {{ group = \"rework\" }}\n"
        );
        place.configure("", &(place.simulated("bench-1", "") + &mqtt));
    };
    for (authority, client, says) in [
        (
            "theirs",
            Some("larkfield"),
            "doesn't come from the authority in `ca_file`",
        ),
        ("ours", None, "set `certificate_file` and `key_file`"),
        ("ours", Some("stranger"), "certificate in `certificate_file`"),
    ] {
        configure(authority, client);
        let mut daemon = Daemon::start(&place);
        wait_until("the refusal in the log", || {
            let log = daemon.log();
            log.lines()
                .any(|line| line.contains("Sparkplug: broker") && line.contains("tried again"))
        });
        let log = daemon.log();
        assert!(log.contains(says), "{client:?} at {authority}: {log}");
        assert!(!log.contains("Sparkplug: connected"), "{client:?} at {authority}");
        // The bench is none the worse for it.
        daemon.client().wait_ready(&["bench-1"]);
        daemon.terminate();
        std::fs::remove_file(daemon.log_file()).expect("ours");
    }
    assert_eq!(heard.messages().len(), 0, "nothing came from any of them");
    configure("ours", Some("larkfield"));
    let mut daemon = Daemon::start(&place);
    heard.wait_for(0, "births", |raw| raw.device() == Some("bench-1"));
    daemon.terminate();
    heard.wait_for(0, "a death", is("NDEATH"));
}

/// A broker acknowledges nothing of what a lab says here. One whose rules drop it is found out all the same.
#[test]
fn births_that_a_broker_drops_are_noticed() {
    let place = Place::new();
    let rules = place.path("rules");
    std::fs::write(
        &rules,
        "topic readwrite spBv1.0/#\ntopic deny spBv1.0/rework/NBIRTH/#\n",
    )
    .expect("the folder is ours");
    let port = free_port();
    let lines = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nacl_file {}\n",
        rules.display()
    );
    let broker = Broker::start_as(&place, port, &lines);
    let heard = Listener::start(&broker);
    configure(&place, port, "");
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    heard.wait_for(0, "what is not dropped", is("DBIRTH"));
    wait_until("the broker's silence in the journal", || {
        client.journal().iter().any(|entry| {
            entry.kind == "sparkplug"
                && entry.text.contains("its own birth back")
                && entry.text.contains("spBv1.0/rework/NBIRTH/larkfield")
        })
    });
    assert!(daemon.log().contains("its own birth back"));
    assert!(!heard.messages().iter().any(|raw| is("NBIRTH")(raw)));
}

/// TLS, passwords and access rules, as `deploy/sparkplug` has them.
#[test]
fn the_example_of_a_broker_works() {
    let place = Place::new();
    for (subject, file, signed) in [("/CN=Plant", "ca", false), ("/CN=localhost", "broker", true)] {
        let path = |end: &str| place.path(&format!("{file}.{end}"));
        let mut openssl = system("openssl", "openssl");
        openssl
            .args([
                "req",
                "-x509",
                "-newkey",
                "ec",
                "-pkeyopt",
                "ec_paramgen_curve:prime256v1",
                "-nodes",
            ])
            .args(["-days", "2", "-subj", subject, "-keyout"])
            .arg(path("key"))
            .arg("-out")
            .arg(path("pem"));
        if signed {
            openssl.args([
                "-addext",
                "subjectAltName=DNS:localhost",
                "-addext",
                "basicConstraints=CA:FALSE",
            ]);
            openssl
                .arg("-CA")
                .arg(place.path("ca.pem"))
                .arg("-CAkey")
                .arg(place.path("ca.key"));
        }
        let output = openssl.output().expect("it can be started");
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
    for (at, name) in ["larkfield", "line-host"].iter().enumerate() {
        let mut passwd = system("mosquitto_passwd", "mosquitto");
        passwd
            .arg("-b")
            .args((at == 0).then_some("-c"))
            .arg(place.path("sparkplug.passwd"));
        assert!(
            passwd
                .args([name, "a password"])
                .status()
                .expect("it can be started")
                .success()
        );
    }
    let deployed = |name: &str| {
        let path = file(&format!("../deploy/sparkplug/{name}"));
        std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    };
    std::fs::write(place.path("sparkplug.acl"), deployed("mosquitto.acl")).expect("the folder is ours");
    let secret = place.path("mqtt.secret");
    std::fs::write(&secret, "a password\n").expect("the folder is ours");
    std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o600)).expect("it is ours");
    let (tls, plain) = (free_port(), free_port());
    let folder = place.folder().display().to_string();
    let conf = deployed("mosquitto.conf")
        .replace("/etc/mosquitto/certs", &folder)
        .replace("/etc/mosquitto", &folder)
        .replace("listener 8883", &format!("listener {tls}"));
    // A second door without TLS for the listener of this test, which hears as the host does.
    let broker = Broker::start_as(
        &place,
        plain,
        &format!("{conf}\nlistener {plain} 127.0.0.1\nuser root\n"),
    );
    let heard = Listener::start_as(&broker, "line-host", "a password");
    let mqtt = format!(
        "\n[mqtt]\nbroker = \"mqtts://localhost:{tls}\"\nusername = \"larkfield\"\nplain = false\n\
         password_file = \"mqtt.secret\"\nca_file = \"ca.pem\"\n\
         sparkplug = {{ group = \"rework\", primary_host = \"line-host\" }}\n"
    );
    place.configure("", &(place.simulated("bench-1", "") + &mqtt));
    let mut daemon = Daemon::start(&place);
    wait_until("the edge node waits", || {
        daemon.log().contains("waiting for the primary host")
    });
    let host = publish_as(&broker, "line-host", "a password");
    host("spBv1.0/STATE/line-host", &state(true, 5));
    let at = heard.wait_for(0, "births", |raw| raw.device() == Some("bench-1"));
    host("spBv1.0/rework/NCMD/larkfield", &rebirth_request());
    heard.wait_for(at, "births again", |raw| raw.device() == Some("bench-1"));
    // Who isn't the host gets no command through, and the lab's own account none of another lab's births.
    let lab = publish_as(&broker, "larkfield", "a password");
    lab(
        "spBv1.0/rework/NCMD/larkfield",
        &command("Heat", payload::Value::Double(1.0)),
    );
    lab("spBv1.0/rework/NBIRTH/elsewhere", &rebirth_request());
    let (_, status) = daemon.terminate();
    assert!(status.success());
    wait_until("both deaths", || {
        heard.messages().iter().filter(|raw| is("NDEATH")(raw)).count() == 2
    });
    assert!(!heard.messages().iter().any(|raw| raw.topic.contains("elsewhere")));
    assert!(
        !daemon.log().contains("refused by Sparkplug"),
        "nothing came through to be refused"
    );
    assert!(
        !daemon.log().contains("its own birth back"),
        "nothing that the lab said was dropped"
    );
    let births = heard.messages().iter().filter(|raw| is("NBIRTH")(raw)).count();
    assert_eq!(births, 2);
}
