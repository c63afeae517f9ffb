//! `benchward doctor` on installations that are broken in real ways: what it says of each, and that it only looks.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::process::Stdio;

use benchward_tests::authority::{Authority, For};
use benchward_tests::broker::{Broker, free_port};
use benchward_tests::command::{Done, benchward};
use benchward_tests::daemon::Daemon;
use benchward_tests::place::{Place, quoted};
use benchward_tests::programs::system;
use benchward_tests::wait::wait_for;
use serde_json::Value;

fn doctor(place: &Place) -> (Done, Vec<Value>) {
    let config = place.config();
    let config = config.to_str().expect("paths of tests are text");
    let done = benchward(place, &["--json", "doctor", "--config", config]);
    let checks = done.json()["checks"].as_array().expect("a list").clone();
    (done, checks)
}

/// Findings of a check, as `verdict: text`.
fn of(checks: &[Value], check: &str, which: Option<&str>) -> Vec<String> {
    let text = |one: &Value, key: &str| one[key].as_str().unwrap_or_default().to_owned();
    checks
        .iter()
        .filter(|one| one["check"] == check && which.is_none_or(|which| one["of"] == which))
        .map(|one| format!("{}: {}", text(one, "verdict"), text(one, "text")))
        .collect()
}

/// The only finding of a check begins with this and has that in it.
#[track_caller]
fn says(checks: &[Value], check: &str, which: Option<&str>, verdict: &str, part: &str) {
    let found = of(checks, check, which);
    let fits = |one: &String| one.starts_with(&format!("{verdict}: ")) && one.contains(part);
    assert!(
        found.iter().any(fits),
        "no {verdict} with {part:?}: {found:?}\n{checks:#?}"
    );
    // Whatever isn't as it should be says what to do.
    let mute = checks
        .iter()
        .find(|one| one["verdict"] != "ok" && one["fix"].as_str().is_none_or(str::is_empty));
    assert_eq!(mute, None);
}

#[test]
fn a_lab_that_runs_is_looked_at_and_left_alone() {
    let place = Place::new();
    let broker = Broker::start(&place);
    place.configure("", &(place.simulated("bench-1", "") + &broker.section()));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    let (drivers, journal) = (daemon.drivers(), client.journal().len());
    let (done, checks) = doctor(&place);
    assert_eq!(done.code, 0, "{checks:#?}");
    says(&checks, "configuration", None, "ok", "1 station");
    says(&checks, "daemon", None, "ok", "answers at");
    says(&checks, "version", None, "ok", env!("CARGO_PKG_VERSION"));
    says(&checks, "broker", None, "ok", "lets the lab in, without a login");
    says(&checks, "driver", Some("bench-1"), "ok", "runs under the daemon");
    says(&checks, "archive", None, "ok", "the daemon writes it");
    says(&checks, "clock", None, "ok", "monotonic time");
    says(&checks, "roles", None, "ok", "no [roles]");
    assert_eq!(daemon.drivers(), drivers, "the same processes");
    assert_eq!(client.journal().len(), journal, "nothing was decided");
    assert_eq!(client.station("bench-1").driver, "up");

    // One that hangs may hold its hardware all the same: no second process.
    daemon.pause();
    let (done, checks) = doctor(&place);
    daemon.go_on();
    assert_eq!(done.code, 1, "{checks:#?}");
    says(&checks, "daemon", None, "wrong", "did not answer within 5 s");
    says(&checks, "driver", Some("bench-1"), "look", "not started");
    client.wait_ready(&["bench-1"]);
}

/// No daemon: drivers are started, once each, and say what they offer; nothing is heated.
#[test]
fn without_a_daemon_each_driver_describes_itself() {
    let mut place = Place::new();
    place.spoil();
    let blunt = place.path("blunt");
    fs::write(&blunt, "#!/bin/sh\n").expect("the folder is ours");
    fs::set_permissions(&blunt, fs::Permissions::from_mode(0o644)).expect("it is ours");
    let station = |name: &str, program: &str, input: &str| {
        format!(
            "[station.{name}]\ndriver = {{ program = {program} }}\nchannels = {{ board-top = \"{input}\" }}\nheat = \"heat1\"\n"
        )
    };
    let rest = place.witness("bench-1", None)
        + &station("bench-2", "\"simulated\"", "tc9")
        + &station("bench-3", "[\"/nowhere/driver\"]", "tc1")
        + &station("bench-4", &format!("[{}]", quoted(&blunt)), "tc1")
        + &station("bench-5", "[\"false\"]", "tc1");
    place.configure("", &rest);
    let (done, checks) = doctor(&place);
    assert_eq!(done.code, 1, "{checks:#?}");
    says(&checks, "daemon", None, "wrong", "no daemon: tried");
    says(&checks, "driver", Some("bench-1"), "ok", "input");
    says(
        &checks,
        "driver",
        Some("bench-2"),
        "wrong",
        "doesn't offer input `tc9` of bench-2",
    );
    says(
        &checks,
        "driver",
        Some("bench-3"),
        "wrong",
        "there is no program /nowhere/driver",
    );
    says(&checks, "driver", Some("bench-4"), "wrong", "is not executable");
    says(
        &checks,
        "driver",
        Some("bench-5"),
        "wrong",
        "it ended without `describe`",
    );
    says(&checks, "archive", None, "look", "isn't there yet");
    // The driver's own record of every command that came.
    let record = fs::read_to_string(place.record_file("bench-1")).expect("the driver was started");
    assert!(!record.contains("\"heat\""), "{record}");
}

#[test]
fn a_configuration_with_mistakes_is_told_and_the_rest_is_looked_at() {
    let place = Place::new();
    place.configure(
        "colour = \"blue\"",
        &place.simulated("bench-1", "").replace("heat1", "heat 1"),
    );
    let (done, checks) = doctor(&place);
    assert_eq!(done.code, 1);
    says(&checks, "configuration", None, "wrong", "has 1 mistake");
    says(&checks, "clock", None, "ok", "monotonic time");
    let missing = benchward(&place, &["doctor", "--config", "/nowhere/lab.toml"]);
    assert_eq!(missing.code, 1, "{missing:?}");
    assert!(
        missing.stdout.contains("WRONG  configuration") && missing.stdout.contains("-> name the file"),
        "{missing:?}"
    );
}

#[test]
fn a_broker_that_wants_a_certificate_is_told_from_one_that_is_not_there() {
    let place = Place::new();
    let ours = Authority::new(&place, "ours");
    ours.sign(&place, "broker", For::Servers);
    ours.sign(&place, "larkfield", For::Clients);
    let port = free_port();
    let path = |name: &str| place.path(name).display().to_string();
    let _broker = Broker::start_as(
        &place,
        port,
        &format!(
            "user root\nallow_anonymous true\nlistener {port} 127.0.0.1\ncafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n",
            path("ours.pem"),
            path("broker.pem"),
            path("broker.key")
        ),
    );
    let configure = |client: &str| {
        let section =
            format!("\n[mqtt]\nbroker = \"mqtts://localhost:{port}\"\nca_file = \"ours.pem\"\n{client}");
        place.configure("", &(place.simulated("bench-1", "") + &section));
    };
    configure("");
    let (_, checks) = doctor(&place);
    says(&checks, "broker", None, "wrong", "come to no connection");
    configure("certificate_file = \"larkfield.pem\"\nkey_file = \"larkfield.key\"\n");
    let (_, checks) = doctor(&place);
    says(&checks, "broker", None, "ok", "lets the lab in");
}

#[test]
fn a_broker_that_refuses_the_login_is_told_from_one_that_is_not_there() {
    let place = Place::new();
    let (port, users) = (free_port(), place.path("users"));
    let made = system("mosquitto_passwd", "mosquitto")
        .args(["-b", "-c"])
        .arg(&users)
        .args(["bench", "right"])
        .output()
        .expect("mosquitto's own tool can be started");
    assert!(made.status.success(), "{made:?}");
    fs::set_permissions(&users, fs::Permissions::from_mode(0o644)).expect("it is ours");
    let listens = place.path("mosquitto.conf");
    let text = format!(
        "listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {}\npersistence false\n",
        users.display()
    );
    fs::write(&listens, text).expect("the folder is ours");
    let mut broker = system("mosquitto", "mosquitto")
        .arg("-c")
        .arg(&listens)
        .stderr(Stdio::null())
        .spawn()
        .expect("mosquitto can be started");
    wait_for("the broker's port", || {
        std::net::TcpStream::connect(("127.0.0.1", port)).ok()
    });
    let secret = place.path("secret");
    let configure = |word: &str, mode: u32| {
        fs::write(&secret, format!("{word}\n")).expect("the folder is ours");
        fs::set_permissions(&secret, fs::Permissions::from_mode(mode)).expect("it is ours");
        let section = format!(
            "\n[mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\nplain = true\nusername = \"bench\"\npassword_file = {}\n",
            quoted(&secret)
        );
        place.configure("", &(place.simulated("bench-1", "") + &section));
    };
    configure("wrong", 0o600);
    let (_, checks) = doctor(&place);
    says(
        &checks,
        "broker",
        None,
        "wrong",
        "doesn't accept the login as `bench`",
    );
    configure("right", 0o644);
    let (_, checks) = doctor(&place);
    says(&checks, "broker", None, "ok", "lets the lab in as `bench`");
    says(
        &checks,
        "broker",
        None,
        "look",
        "everybody can read the password file",
    );
    broker.kill().expect("it is ours");
    broker.wait().expect("it is ours");
    let (_, checks) = doctor(&place);
    says(&checks, "broker", None, "wrong", "can't be reached");
    fs::remove_file(&secret).expect("it is ours");
    let (_, checks) = doctor(&place);
    says(&checks, "broker", None, "wrong", "secret can't be read");
}

#[test]
fn too_little_room_and_nobody_to_reset() {
    let place = Place::new();
    let rest = "[archive]\nreserve_mb = 1000000\n[roles]\noperate = [\"root\"]\nprocess = [\"no-such-group-here\"]\nsafety = [\"tape\"]\n";
    place.configure("", &(rest.to_owned() + &place.simulated("bench-1", "")));
    let (done, checks) = doctor(&place);
    assert_eq!(done.code, 1);
    says(&checks, "disk", None, "wrong", "1000000 MB are the reserve");
    says(&checks, "role", Some("operate"), "ok", "root");
    says(
        &checks,
        "role",
        Some("process"),
        "wrong",
        "no group `no-such-group-here`",
    );
    // Of Debian's own groups; nobody is in it by default.
    says(
        &checks,
        "role",
        Some("safety"),
        "wrong",
        "nobody is in tape: nobody can reset a cut",
    );

    let memory = tempfile::Builder::new()
        .prefix("bw-")
        .tempdir_in("/dev/shm")
        .expect("Linux has it");
    let text = fs::read_to_string(place.config()).expect("it is ours");
    let elsewhere = text.replace(&quoted(&place.archive()), &quoted(&memory.path().join("archive")));
    fs::write(place.config(), elsewhere).expect("it is ours");
    let (_, checks) = doctor(&place);
    says(&checks, "disk", None, "wrong", "in memory: every record is gone");
}
