//! What comes over MQTT: every message as its schema says it, to those who have the right certificate or password. And what
//! goes in: presence and stop where they are allowed, and nothing else.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use benchward_tests::authority::{Authority, For};
use benchward_tests::broker::{Broker, Message, PACKAGES, free_port};
use benchward_tests::client::Client;
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::{Place, quoted};
use benchward_tests::programs::{file, system};
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::wait::{wait_for, wait_until};
use jsonschema::Validator;
use serde_json::{Value, json};

const STATION: &str = "bench-1";

/// The schemas in `deploy/mqtt/schema`, by name.
fn schemas() -> BTreeMap<String, Validator> {
    let folder = file("../deploy/mqtt/schema");
    let files = fs::read_dir(&folder).expect("the schemas").flatten();
    files
        .map(|entry| {
            let path = entry.path();
            let text = fs::read_to_string(&path).expect("a schema");
            let schema: Value = serde_json::from_str(&text).expect("JSON");
            jsonschema::meta::validate(&schema).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            let validator = jsonschema::options()
                .should_validate_formats(true)
                .build(&schema)
                .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
            (name, validator)
        })
        .collect()
}

/// Which schema says what is on a topic.
fn schema_of(topic: &str) -> &str {
    let words: Vec<&str> = topic.split('/').collect();
    match words[..] {
        ["benchward", "larkfield", what] | ["benchward", "larkfield", _, what] => what,
        ["benchward", "larkfield", _, "channel", _] => "channel",
        ["benchward", "larkfield", _, "history", "run" | "outside"] => "history",
        ["benchward", "larkfield", _, "history", "trip"] => "history-trip",
        _ => panic!("a topic that nobody documented: {topic}"),
    }
}

fn start_run(client: &Client, station: &str) -> u64 {
    wait_for("a run", || client.start(station, HOLD_NAME, "A-0017").ok())
}

#[test]
fn every_message_is_what_its_schema_says() {
    let place = Place::new();
    let broker = Broker::start(&place);
    let stuck = place
        .simulated("bench-2", "current = true")
        .replace("permissive =", "current = \"amps\"\npermissive =");
    let section = format!("{}history = \"all\"\n", broker.section());
    place.configure("", &(place.simulated(STATION, "") + &stuck + &section));
    let all = broker.subscribe();
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&[STATION, "bench-2"]);
    client.put_recipe(HOLD).expect("a recipe");
    all.wait_for("benchward/larkfield/bench-2/history/outside", "readings", |_| {
        true
    });
    let run = start_run(&client, STATION);
    let came = |topic: &str, what: &str, fits: &dyn Fn(&Message) -> bool| {
        all.wait_for(&format!("benchward/larkfield/{topic}"), what, fits);
    };
    came("bench-1/history/run", "readings", &|message| {
        message.payload["run"] == run
    });
    fault::cause(&place.control("bench-2"), r#"{"kind":"heater-stuck-on"}"#);
    client.wait_for_trip("bench-2", "heat-stuck-on");
    came("alarm", "an alarm", &|message| message.payload["alarm"] == true);
    came("bench-2/state", "a trip in words", &|message| {
        message.payload["interlocks"]
            .as_array()
            .is_some_and(|interlocks| {
                interlocks.iter().any(|one| {
                    one["interlock"] == "heat-stuck-on"
                        && one["text"].as_str().is_some_and(|text| text.contains("limit"))
                })
            })
    });
    came("bench-1/control", "heat towards a target", &|message| {
        message.payload["target_celsius"].is_number() && message.payload["heat"].as_f64() > Some(0.0)
    });
    fault::cause(&place.control(STATION), r#"{"kind":"open","input":"tc1"}"#);
    came("bench-1/run", "an outcome", &|message| {
        message.payload["outcome"] == "tripped"
    });
    came("bench-1/history/run", "a fault", &|message| {
        message.payload["rows"]
            .as_array()
            .is_some_and(|rows| rows.iter().any(|row| row["quality"][0] == "open"))
    });
    daemon.terminate();
    came("online", "the end", &|message| message.payload == false);

    let schemas = schemas();
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    let messages = all.messages();
    for message in &messages {
        let name = schema_of(&message.topic);
        let schema = schemas
            .get(name)
            .unwrap_or_else(|| panic!("no schema for {}", message.topic));
        let wrong: Vec<String> = schema
            .iter_errors(&message.payload)
            .map(|error| format!("{}: {error}", error.instance_path()))
            .collect();
        assert!(
            wrong.is_empty(),
            "{}: {}\n{wrong:#?}",
            message.topic,
            message.payload
        );
        *seen.entry(name).or_default() += 1;
    }
    println!("{} messages: {seen:?}", messages.len());
    let unseen: Vec<&String> = schemas
        .keys()
        .filter(|name| !seen.contains_key(&***name))
        .collect();
    assert!(
        unseen.is_empty(),
        "schemas of messages that never came: {unseen:?}"
    );
    // A schema that takes everything would have passed, too.
    for (name, wrong) in [
        ("online", json!("true")),
        (
            "channel",
            json!({"celsius": "24", "quality": "good", "heat": 0, "run": null, "time": "2026-11-25T10:00:00.000Z"}),
        ),
        (
            "channel",
            json!({"celsius": 24, "quality": "fine", "heat": 0, "run": null, "time": "2026-11-25T10:00:00.000Z"}),
        ),
        (
            "channel",
            json!({"celsius": 24, "quality": "good", "heat": 0, "run": null, "time": "yesterday"}),
        ),
        (
            "control",
            json!({"celsius": 24, "target_celsius": null, "heat": 1.5, "run": null, "time": "2026-11-25T10:00:00.000Z"}),
        ),
        (
            "history",
            json!({"station": "bench-1", "run": 1, "first": 0, "channels": ["a"], "rows": []}),
        ),
        (
            "history-trip",
            json!({"n": 0, "interlock": "stop", "standing": "tripped", "run": null, "text": "", "late": false,
                   "time": "2026-11-25T10:00:00.000Z"}),
        ),
        (
            "run",
            json!({"run": 1, "outcome": "lucky", "time": "2026-11-25T10:00:00.000Z"}),
        ),
    ] {
        assert!(!schemas[name].is_valid(&wrong), "{name} takes {wrong}");
    }
}

#[test]
fn who_comes_late_hears_how_the_last_run_ended() {
    let place = Place::new();
    let broker = Broker::start(&place);
    place.configure("", &(place.simulated(STATION, "") + &broker.section()));
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&[STATION]);
    client.put_recipe(HOLD).expect("a recipe");
    let run = start_run(&client, STATION);
    client
        .ask(STATION, async |station| station.stop().await)
        .expect("the owner may");
    wait_until("the record is closed", || client.station(STATION).run.is_none());
    let kept = || {
        let late = broker.subscribe_as(&["-t", "benchward/+/+/run"]);
        let first = wait_for("what is kept of the run", || {
            late.look(|messages| messages.first().cloned())
        });
        assert!(first.retained);
        first.payload
    };
    let is_over = |payload: &Value| payload["run"] == run && payload["outcome"] == "stopped";
    wait_until("its outcome, after its phases", || is_over(&kept()));
    // A broker that has forgotten it, or was away when it ended, has it again from the archive.
    daemon.terminate();
    publish_kept(&broker, "bench-1/run", r#"{"run":1,"phase":"cooldown"}"#);
    let _daemon = Daemon::start(&place);
    wait_until("its outcome, from the archive", || is_over(&kept()));
}

/// Puts a retained message where the lab would.
fn publish_kept(broker: &Broker, topic: &str, payload: &str) {
    let status = system("mosquitto_pub", PACKAGES)
        .args(["-V", "5", "-h", "127.0.0.1", "-p", &broker.port().to_string()])
        .args(["-q", "1", "-r", "-m", payload, "-t"])
        .arg(format!("benchward/larkfield/{topic}"))
        .status();
    assert!(status.expect("mosquitto_pub can be started").success(), "{topic}");
}

#[test]
fn messages_carry_what_mqtt_5_has_for_them() {
    let place = Place::new();
    let broker = Broker::start(&place);
    place.configure("", &(place.simulated(STATION, "") + &broker.section()));
    let daemon = Daemon::start(&place);
    daemon.client().wait_ready(&[STATION]);
    for (topic, properties) in [
        (
            "bench-1/channel/board-top",
            "application/json 1 schema:benchward/channel/1",
        ),
        ("bench-1/state", "application/json 1 schema:benchward/state/1"),
        ("online", "application/json 1 schema:benchward/online/1"),
    ] {
        let said = properties_of(&broker, topic);
        let (said, expires) = said.rsplit_once(" expires").unwrap_or((&said, ""));
        assert_eq!(said, properties, "{topic}");
        let expires = expires.trim().parse::<u64>().ok();
        match topic {
            "online" => assert_eq!(expires.unwrap_or(0), 0, "{topic} stays"),
            _ => assert!(
                expires.is_some_and(|s| (1..=180).contains(&s)),
                "{topic}: {expires:?}"
            ),
        }
    }
}

/// Content type, payload format, user properties and expiry of what is retained on a topic.
fn properties_of(broker: &Broker, topic: &str) -> String {
    let output = system("mosquitto_sub", PACKAGES)
        .args(["-V", "5", "-h", "127.0.0.1", "-p", &broker.port().to_string()])
        .args([
            "-t",
            &format!("benchward/larkfield/{topic}"),
            "-C",
            "1",
            "-W",
            "20",
        ])
        .args(["-F", "%C %F %P expires %E"])
        .output()
        .expect("mosquitto_sub can be started");
    String::from_utf8_lossy(&output.stdout).trim_end().to_owned()
}

fn publish(broker: &Broker, topic: &str, payload: &str) {
    let status = system("mosquitto_pub", PACKAGES)
        .args([
            "-V",
            "5",
            "-h",
            "127.0.0.1",
            "-p",
            &broker.port().to_string(),
            "-q",
            "1",
        ])
        .args(["-t", topic, "-m", payload])
        .status();
    assert!(status.expect("mosquitto_pub can be started").success(), "{topic}");
}

fn journalled(client: &Client, parts: &[&str]) {
    wait_until(&format!("an entry with {parts:?}"), || {
        client
            .journal()
            .iter()
            .any(|entry| entry.kind == "mqtt-refused" && parts.iter().all(|part| entry.text.contains(part)))
    });
}

#[test]
fn presence_and_stop_are_heeded_only_where_they_are_allowed() {
    for (allow, refused, heeded) in [
        ("[]", Some(("bench-1/stop", "doesn't have \"stop\"")), None),
        ("[]", Some(("stop", "doesn't have \"stop\"")), None),
        ("[]", Some(("bench-1/present", "doesn't have \"present\"")), None),
        (
            "[\"present\"]",
            Some(("bench-1/stop", "doesn't have \"stop\"")),
            None,
        ),
        (
            "[\"stop\"]",
            Some(("bench-1/present", "doesn't have \"present\"")),
            Some("bench-1/stop"),
        ),
        (
            "[\"stop\"]",
            Some(("bench-7/stop", "no station `bench-7`")),
            Some("stop"),
        ),
    ] {
        let place = Place::new();
        let broker = Broker::start(&place);
        let section = format!("{}allow = {allow}\n", broker.section());
        place.configure("", &(place.simulated(STATION, "") + &section));
        let daemon = Daemon::start(&place);
        let client = daemon.client();
        client.wait_ready(&[STATION]);
        wait_until("the daemon listens", || daemon.log().contains("MQTT: connected"));
        // What is retained from before is not asked for.
        if let Some((topic, why)) = refused {
            wait_until(&format!("{topic} is refused"), || {
                publish(&broker, &format!("benchward/larkfield/{topic}"), "1");
                daemon.log().contains("was refused")
            });
            journalled(&client, &[topic, why]);
            assert_eq!(
                client.tripped(STATION),
                Vec::<String>::new(),
                "{topic} with {allow}"
            );
        }
        if let Some(topic) = heeded {
            publish(&broker, &format!("benchward/larkfield/{topic}"), "1");
            client.wait_for_trip(STATION, "stop");
        }
    }
}

#[test]
fn no_message_starts_heat_raises_a_limit_or_lifts_a_trip() {
    let place = Place::new();
    let broker = Broker::start(&place);
    let section = format!("{}allow = [\"present\", \"stop\"]\n", broker.section());
    let stations = place.simulated(STATION, "") + &place.simulated("bench-2", "");
    place.configure("", &(stations + &section));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&[STATION, "bench-2"]);
    client.put_recipe(HOLD).expect("a recipe");
    client
        .ask("bench-2", async |station| station.stop().await)
        .expect("it stops");
    client.wait_for_trip("bench-2", "stop");
    wait_until("the daemon listens", || daemon.log().contains("MQTT: connected"));
    let before = client.status();
    let presence = r#"{"time":"2026-11-25T10:00:00Z"}"#;
    let run = r#"{"recipe":"hold","serial":"A-0017","station":"bench-1"}"#;
    let limit = r#"{"celsius":400,"ceiling_celsius":400,"station":"bench-1"}"#;
    let requests = [
        ("bench-1/start", run),
        ("bench-1/run", run),
        ("bench-1/run/start", run),
        ("start", run),
        ("run/start", run),
        ("bench-1/resume", ""),
        ("bench-1/heat", "1"),
        ("bench-1/heat", r#"{"fraction":1,"valid_ms":1500}"#),
        (
            "bench-1/state",
            r#"{"phase":"ramp","heating":true,"target_celsius":60}"#,
        ),
        ("bench-1/target", "200"),
        ("bench-1/ceiling", limit),
        ("bench-1/limit", limit),
        ("limit/set", limit),
        ("ceiling", "400"),
        ("ceiling_celsius", "400"),
        ("recipe/put", HOLD),
        ("bench-2/reset", ""),
        ("bench-2/reset", r#"{"interlock":"stop"}"#),
        ("bench-2/trip", r#"{"interlock":"stop","standing":"clear"}"#),
        ("bench-2/acknowledge", ""),
        ("bench-2/trip/reset", ""),
        ("bench-2/resume", ""),
        ("reset", ""),
        ("alarm", r#"{"alarm":false,"alarms":[]}"#),
        ("online", "false"),
        ("bench-1/present", "false"),
        ("bench-1/present", presence),
        ("bench-1/history/run", run),
        ("bench-1/channel/board-top", r#"{"celsius":20}"#),
    ];
    for (topic, payload) in requests {
        publish(&broker, &format!("benchward/larkfield/{topic}"), payload);
        // The same where Sparkplug would have it.
        publish(
            &broker,
            &format!("spBv1.0/rework/DCMD/larkfield/{topic}"),
            payload,
        );
    }
    let heats = || client.status().stations.iter().any(|station| station.heat > 0.0);
    assert!(!heats());
    publish(&broker, "benchward/larkfield/bench-1/stop", "");
    client.wait_for_trip(STATION, "stop");
    // The broker keeps the order, so all the others have been looked at.
    let after = client.status();
    assert!(!heats(), "nothing heats");
    assert!(
        after.stations.iter().all(|station| station.run.is_none()),
        "no run"
    );
    assert_eq!(client.tripped("bench-2"), ["stop"], "nothing lifts a trip");
    assert_eq!(after.ceiling_celsius.to_bits(), before.ceiling_celsius.to_bits());
    for (one, other) in before.stations.iter().zip(&after.stations) {
        assert_eq!(one.ceiling_celsius.to_bits(), other.ceiling_celsius.to_bits());
    }
    journalled(&client, &["bench-1/start", "nothing can be asked for there"]);
}

fn allow(file: &Path, mode: u32) {
    fs::set_permissions(file, fs::Permissions::from_mode(mode)).expect("ours");
}

#[test]
fn tls_asks_for_the_right_authority_and_certificate() {
    let place = Place::new();
    let ours = Authority::new(&place, "ours");
    let theirs = Authority::new(&place, "theirs");
    ours.sign(&place, "broker", For::Servers);
    ours.sign(&place, "lab", For::Clients);
    theirs.sign(&place, "stranger", For::Clients);
    ours.sign(&place, "other-broker", For::Servers);
    let (port, tls) = (free_port(), free_port());
    let path = |name: &str| place.path(name).display().to_string();
    // One door for the lab, and one without TLS for who looks at what came through it.
    let broker = Broker::start_as(
        &place,
        port,
        &format!(
            "user root\nallow_anonymous true\nlistener {port} 127.0.0.1\nlistener {tls} 127.0.0.1\ncafile {}\ncertfile {}\n\
             keyfile {}\nrequire_certificate true\n",
            path("ours.pem"),
            path("broker.pem"),
            path("broker.key")
        ),
    );
    let all = broker.subscribe();
    let configure = |authority: &str, client: Option<&str>| {
        let client = client.map_or_else(String::new, |name| {
            let file = |ending: &str| quoted(&place.path(&format!("{name}.{ending}")));
            format!("certificate_file = {}\nkey_file = {}\n", file("pem"), file("key"))
        });
        let section = format!(
            "[mqtt]\nbroker = \"mqtts://localhost:{tls}\"\nca_file = {}\n{client}",
            quoted(&place.path(&format!("{authority}.pem")))
        );
        place.configure("", &(place.simulated(STATION, "") + &section));
    };
    let wants = "`certificate_file`";
    for (what, authority, client, says) in [
        (
            "a broker of another authority",
            "theirs",
            Some("lab"),
            "doesn't come from the authority in `ca_file`",
        ),
        ("no certificate", "ours", None, wants),
        (
            "a certificate of another authority",
            "ours",
            Some("stranger"),
            wants,
        ),
        ("a certificate for brokers", "ours", Some("other-broker"), wants),
    ] {
        configure(authority, client);
        let mut daemon = Daemon::start(&place);
        let said = wait_for(what, || {
            let log = daemon.log();
            let mut lines = log.lines();
            let line = lines.find(|line| line.contains("MQTT: connection") && line.contains("tried again"));
            line.map(str::to_owned)
        });
        println!("{what}: {said}");
        assert!(said.contains(says), "{what}: {said}");
        assert!(!daemon.log().contains("MQTT: connected"), "{what}");
        daemon.client().wait_ready(&[STATION]);
        daemon.terminate();
        fs::remove_file(daemon.log_file()).expect("ours");
    }
    assert!(
        all.look(<[Message]>::is_empty),
        "nothing went to anybody without both"
    );
    // A key that everybody may read is refused, and taken as soon as it is none's but the daemon's.
    allow(&place.path("lab.key"), 0o644);
    configure("ours", Some("lab"));
    let daemon = Daemon::start(&place);
    wait_until("the key's mode", || {
        daemon.log().contains("lab.key has the mode 0644")
    });
    allow(&place.path("lab.key"), 0o600);
    all.wait_for("benchward/larkfield/online", "the lab", |message| {
        message.payload == json!(true)
    });
    all.wait_for("benchward/larkfield/bench-1/state", "a state", |_| true);
}

#[test]
fn a_password_is_read_from_a_file_that_only_the_daemon_sees() {
    let place = Place::new();
    let passwords = place.path("passwords");
    let status = system("mosquitto_passwd", PACKAGES)
        .args(["-b", "-c"])
        .arg(&passwords)
        .args(["larkfield", "open, please"])
        .status();
    assert!(status.expect("mosquitto_passwd can be started").success());
    let (port, plain) = (free_port(), free_port());
    let broker = Broker::start_as(
        &place,
        plain,
        &format!(
            "user root\nper_listener_settings true\nlistener {plain} 127.0.0.1\nallow_anonymous true\nlistener {port} 127.0.0.1\n\
             allow_anonymous false\npassword_file {}\n",
            passwords.display()
        ),
    );
    let all = broker.subscribe();
    let secret = place.path("mqtt.secret");
    fs::write(&secret, "wrong\n").expect("ours");
    allow(&secret, 0o604);
    place.configure(
        "",
        &format!(
            "{}[mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\nusername = \"larkfield\"\npassword_file = {}\n",
            place.simulated(STATION, ""),
            quoted(&secret)
        ),
    );
    let daemon = Daemon::start(&place);
    wait_until("the file's mode", || {
        daemon.log().contains("mqtt.secret has the mode 0604")
    });
    allow(&secret, 0o640);
    wait_until("the refusal", || {
        let log = daemon.log();
        log.contains("refused the connection") && log.contains("check `username`, `password_file`")
    });
    assert!(!daemon.log().contains("MQTT: connected"));
    // Read anew for each connection: whoever mends it needn't start the daemon again.
    fs::write(&secret, "open, please\n").expect("ours");
    all.wait_for("benchward/larkfield/online", "the lab", |message| {
        message.payload == json!(true)
    });
}

#[test]
fn the_access_rules_that_come_with_it_let_the_lab_publish_and_a_dashboard_only_look() {
    let place = Place::new();
    let passwords = place.path("passwords");
    fs::write(&passwords, "").expect("ours");
    for user in ["larkfield", "panel-1", "dashboard"] {
        let status = system("mosquitto_passwd", PACKAGES)
            .arg("-b")
            .arg(&passwords)
            .args([user, user])
            .status();
        assert!(status.expect("mosquitto_passwd can be started").success());
    }
    let port = free_port();
    let rules = file("../deploy/mqtt/acl");
    let broker = Broker::start_as(
        &place,
        port,
        &format!(
            "user root\nlistener {port} 127.0.0.1\nallow_anonymous false\npassword_file {}\nacl_file {}\n",
            passwords.display(),
            rules.display()
        ),
    );
    let all = broker.subscribe_as(&["-u", "dashboard", "-P", "dashboard", "-t", "#"]);
    let secret = place.path("mqtt.secret");
    fs::write(&secret, "larkfield\n").expect("ours");
    allow(&secret, 0o600);
    let section = format!(
        "{}username = \"larkfield\"\npassword_file = {}\nallow = [\"present\", \"stop\"]\n",
        broker.section(),
        quoted(&secret)
    );
    place.configure("", &(place.simulated(STATION, "") + &section));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&[STATION]);
    client.put_recipe(HOLD).expect("a recipe");
    let run = start_run(&client, STATION);
    all.wait_for(
        "benchward/larkfield/bench-1/history/run",
        "a dashboard sees it",
        |message| message.payload["run"] == run,
    );
    let ask = |user: &str, topic: &str| {
        let status = system("mosquitto_pub", PACKAGES)
            .args(["-V", "5", "-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
            .args(["-u", user, "-P", user, "-m", "1", "-t"])
            .arg(format!("benchward/larkfield/{topic}"))
            .status();
        status.expect("mosquitto_pub can be started");
    };
    ask("dashboard", "bench-1/stop");
    ask("dashboard", "bench-1/state");
    ask("panel-1", "bench-1/start");
    ask("panel-1", "bench-1/present");
    wait_until("the panel's presence", || {
        client
            .journal()
            .iter()
            .any(|entry| entry.kind == "present" && entry.text.contains("bench-1"))
    });
    assert_eq!(
        client.tripped(STATION),
        Vec::<String>::new(),
        "a dashboard stops nothing"
    );
    ask("panel-1", "stop");
    client.wait_for_trip(STATION, "stop");
    let log = daemon.log();
    assert!(
        !log.contains("refuse"),
        "nothing of the lab was refused, and nothing foreign got in:\n{log}"
    );
}
