//! Wrong configurations, wrong recipes, drivers that aren't there or send nonsense, folders and ports that can't be
//! used: each with the programs as they are installed. Whatever is wrong is told with its place, its value and what to
//! do; whatever still works goes on working.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener};
use std::path::PathBuf;
use std::time::Duration;

use benchward_tests::broker::free_port;
use benchward_tests::client::Client;
use benchward_tests::clock::monotonic_ms;
use benchward_tests::command::{Done, benchward};
use benchward_tests::daemon::{self, Daemon};
use benchward_tests::place::Place;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::record::{changes, wait_for_heat};
use benchward_tests::wait::{wait_for, wait_until};

/// Runs a daemon that can't start, to its end.
fn refused(place: &Place, words: &[&str]) -> Done {
    let log = place.path("refused.log");
    let file = fs::File::create(&log).expect("the folder is ours");
    let mut child = daemon::command(place)
        .args(words)
        .stdout(file.try_clone().expect("a second handle"))
        .stderr(file)
        .spawn()
        .expect("benchwardd can be started");
    let mut waited = 0;
    let status = loop {
        match child.try_wait().expect("the child is ours") {
            Some(status) => break status,
            None if waited < 3_000 => {
                waited += 1;
                std::thread::sleep(Duration::from_millis(10));
            }
            None => {
                let _ = child.kill();
                let _ = child.wait();
                panic!(
                    "the daemon runs, and should not: {}",
                    fs::read_to_string(&log).unwrap_or_default()
                );
            }
        }
    };
    let stderr = fs::read_to_string(&log).expect("the log is ours");
    Done {
        code: status.code().unwrap_or_else(|| panic!("{status}: {stderr}")),
        stdout: String::new(),
        stderr,
    }
}

fn says(text: &str, parts: &[&str]) {
    for part in parts {
        assert!(text.contains(part), "\"{part}\" is not said:\n{text}");
    }
}

/// The daemon and `benchward config check` both refuse a configuration, with exit code 2 and the same words.
fn wrong_configuration(rest: &str, mistakes: usize, parts: &[&str]) {
    let place = Place::new();
    place.configure("", rest);
    let config = place.config();
    let config = config.to_str().expect("text");

    let daemon = refused(&place, &[]);
    assert_eq!(daemon.code, 2, "{}", daemon.stderr);
    says(&daemon.stderr, parts);
    // Each mistake shows the line that it stands in.
    assert_eq!(
        daemon.stderr.matches("\nfix: ").count(),
        mistakes,
        "{}",
        daemon.stderr
    );

    let checked = benchward(&place, &["config", "check", config]);
    assert_eq!(checked.code, 2, "{checked:?}");
    says(&format!("{}{}", checked.stdout, checked.stderr), parts);

    let json = benchward(&place, &["--json", "config", "check", config]);
    assert_eq!(json.code, 2, "{json:?}");
    let json = json.json();
    assert_eq!(
        (json["ok"].as_bool(), json["schema"].as_u64()),
        (Some(false), Some(1)),
        "{json}"
    );
    assert_eq!(
        json["mistakes"].as_array().map(Vec::len),
        Some(mistakes),
        "{json}"
    );
    assert!(
        !place.archive().exists(),
        "nothing is made for a configuration that is refused"
    );
}

const STATION: &str = "[station.bench-1]\ndriver = { program = \"simulated\" }\nheat = \"heat1\"\n";

#[test]
fn an_unknown_key_is_told_with_its_line_and_the_likely_one() {
    wrong_configuration(
        &format!("{STATION}chanels = {{ board-top = \"tc1\" }}\nchannels = {{ board-edge = \"tc2\" }}\n"),
        1,
        &["lab.toml:9:1", "chanels", "channels"],
    );
}

#[test]
fn a_wrong_type_is_told_with_its_value() {
    wrong_configuration(
        &format!("[ceiling]\ncelsius = \"hot\"\n{STATION}channels = {{ board-top = \"tc1\" }}\n"),
        1,
        &["lab.toml:7:11", "celsius", "\"hot\""],
    );
}

#[test]
fn two_mistakes_are_told_at_once() {
    wrong_configuration(
        &format!(
            "[presence]\nabsent_after = 900\n[ceiling]\ncelsius = 900\n{STATION}channels = {{ board-top = \"tc1\" }}\n"
        ),
        2,
        &["lab.toml:7:1", "absent_after_s", "lab.toml:9:11", "900", "400"],
    );
}

#[test]
fn a_station_without_sensors_is_refused() {
    wrong_configuration(STATION, 1, &["bench-1", "channels"]);
    wrong_configuration(
        &format!("{STATION}channels = {{}}\n"),
        1,
        &["bench-1", "channels"],
    );
}

#[test]
fn duplicate_wiring_is_refused() {
    let rack = "[driver.rack]\nprogram = \"simulated\"\n";
    // Two stations that drive one heater.
    wrong_configuration(
        &format!(
            "{rack}[station.bench-1]\nchannels = {{ board-top = \"rack/tc1\" }}\nheat = \"rack/heat1\"\n\
             [station.bench-2]\nchannels = {{ board-top = \"rack/tc2\" }}\nheat = \"rack/heat1\"\n"
        ),
        1,
        &["rack/heat1", "bench-1", "bench-2"],
    );
    // One sensor for two places.
    wrong_configuration(
        &format!("{STATION}channels = {{ board-top = \"tc1\", board-edge = \"tc1\" }}\n"),
        1,
        &["tc1", "board-top", "board-edge"],
    );
}

#[test]
fn a_configuration_that_is_not_there_or_no_text_is_refused() {
    let place = Place::new();
    let done = refused(&place, &[]);
    assert_eq!(done.code, 2, "{}", done.stderr);
    says(&done.stderr, &["lab.toml", "--config"]);

    fs::write(place.config(), b"[lab]\nname = \"\xff\xfe\"\n").expect("the folder is ours");
    let done = refused(&place, &[]);
    assert_eq!(done.code, 2, "{}", done.stderr);
    says(&done.stderr, &["lab.toml", "UTF-8"]);
}

#[test]
fn a_recipe_above_the_ceiling_is_refused_with_both_figures() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);

    // Above the lab's ceiling: a recipe for another lab, so that it can be kept here but not run.
    let hot = "recipe = \"hot\"\n[[stage]]\ntarget_celsius = 150\ndwell_s = 10\n[[stage]]\ntarget_celsius = 285\ndwell_s = 10\n";
    client.put_recipe(hot).expect("a recipe");
    let error = client
        .start("bench-1", "hot", "A-0017")
        .expect_err("it is above the ceiling");
    assert_eq!(error.word(), "CeilingExceeded");
    says(
        &error.text(),
        &["stage 2", "hot", "285.0 °C", "260.0 °C", "bench-1"],
    );
    let done = benchward(
        &place,
        &[
            "--json", "run", "start", "bench-1", "--recipe", "hot", "--serial", "A-0017",
        ],
    );
    assert_eq!(done.code, 4, "{done:?}");
    assert_eq!(done.json()["error"], "CeilingExceeded");
    says(
        done.json()["text"].as_str().expect("a sentence"),
        &["285.0 °C", "260.0 °C"],
    );
    assert_eq!(
        changes(&place.record_file("bench-1")),
        [],
        "the driver was told nothing"
    );
    assert!(
        client
            .journal()
            .iter()
            .any(|entry| entry.kind == "refused" && entry.text.contains("285.0 °C"))
    );

    // Above the recipe's own: wrong in itself.
    let own = place.path("own.toml");
    fs::write(&own, format!("ceiling_celsius = 250\n{hot}")).expect("the folder is ours");
    let own = own.to_str().expect("text");
    for words in [["recipe", "check", own], ["recipe", "put", own]] {
        let done = benchward(&place, &words);
        assert_eq!(done.code, 2, "{done:?}");
        says(&format!("{}{}", done.stdout, done.stderr), &["285", "250"]);
    }

    // Lowered afterwards: what ran before is refused from now on.
    client.put_recipe(HOLD).expect("a recipe");
    client
        .lab(async |lab| lab.set_ceiling(50.0).await)
        .expect("the owner may");
    let error = client
        .start("bench-1", HOLD_NAME, "A-0017")
        .expect_err("60 °C are above 50 °C");
    assert_eq!(error.word(), "CeilingExceeded");
    says(&error.text(), &["60.0 °C", "50.0 °C"]);
}

#[test]
fn a_recipe_with_mistakes_is_refused_with_all_of_them() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let daemon = Daemon::start(&place);
    let text = "recipe = \"r\"\n[[stage]]\ntarget_celcius = 60\ndwell_s = \"long\"\n";
    let error = daemon.client().put_recipe(text).expect_err("it is wrong");
    assert_eq!(error.word(), "Invalid");
    says(
        &error.text(),
        &["target_celcius", "target_celsius", "dwell_s", "long"],
    );
    for number in ["nan", "inf", "1e999"] {
        let text = format!("recipe = \"r\"\n[[stage]]\ntarget_celsius = {number}\ndwell_s = 1\n");
        let error = daemon.client().put_recipe(&text).expect_err("no temperature");
        assert_eq!(error.word(), "Invalid", "{number}: {}", error.text());
    }
}

/// Starts a daemon with a bad bench-1 and a good bench-2, and heats bench-2. The good one is a witness, whose record
/// has every command, changed or not.
fn beside_a_good_bench(place: &Place, bad: &str) -> (Daemon, Client) {
    place.configure("", &format!("{bad}{}", place.witness("bench-2", None)));
    let daemon = Daemon::start(place);
    let client = daemon.client();
    client.wait_ready(&["bench-2"]);
    client.put_recipe(HOLD).expect("a recipe");
    client
        .start("bench-2", HOLD_NAME, "A-0017")
        .expect("the good bench works");
    wait_for_heat(&place.record_file("bench-2"), 0.0);
    (daemon, client)
}

/// The bad bench can't heat, and says why; the good one heats.
fn cannot_heat(place: &Place, daemon: &Daemon, client: &Client, parts: &[&str]) {
    let error = client
        .start("bench-1", HOLD_NAME, "A-0018")
        .expect_err("it can't heat");
    assert!(
        matches!(error.word(), "NotReady" | "Tripped"),
        "{}: {}",
        error.word(),
        error.text()
    );
    says(&error.text(), parts);
    says(&daemon.log(), parts);
    assert!(
        changes(&place.record_file("bench-1"))
            .iter()
            .all(|change| change.fraction <= 0.0)
    );
    let now = monotonic_ms();
    wait_for_heat(&place.record_file("bench-2"), now);
    assert_eq!(client.tripped("bench-2"), [""; 0]);
}

#[test]
fn a_driver_that_is_not_there_leaves_its_station_down_and_the_others_working() {
    let place = Place::new();
    let bad = "[station.bench-1]\ndriver = { program = [\"/nonexistent/driver\"] }\nchannels = { board-top = \"tc1\" }\nheat = \"heat1\"\n";
    let (daemon, client) = beside_a_good_bench(&place, bad);
    assert_eq!(client.station("bench-1").driver, "down");
    assert_eq!(client.station("bench-1").channels[0].celsius, None);
    cannot_heat(&place, &daemon, &client, &["/nonexistent/driver", "No such file"]);
}

#[test]
fn a_wrong_input_in_the_wiring_is_told_with_the_right_ones() {
    let place = Place::new();
    let bad = "[station.bench-1]\ndriver = { program = \"simulated\" }\nchannels = { board-top = \"tc9\" }\nheat = \"heat1\"\n";
    let (daemon, client) = beside_a_good_bench(&place, bad);
    wait_until("it is down", || client.station("bench-1").driver == "down");
    cannot_heat(&place, &daemon, &client, &["tc9", "tc1, tc2"]);
}

#[test]
fn a_wrong_setting_of_a_driver_is_told_in_its_own_words() {
    let place = Place::new();
    let bad = "[station.bench-1]\nchannels = { board-top = \"tc1\" }\nheat = \"heat1\"\n[station.bench-1.driver]\nprogram = \
               \"simulated\"\n[station.bench-1.driver.settings]\nwatts = -5\n";
    let (daemon, client) = beside_a_good_bench(&place, bad);
    wait_until("it is down", || client.station("bench-1").driver == "down");
    cannot_heat(&place, &daemon, &client, &["watts", "-5", "10 to 10000 W"]);
}

/// A driver whose readings turn into `trouble` while it heats; the daemon and the other bench live.
fn nonsense(trouble: &str) -> (Place, Daemon, Client) {
    let place = Place::new();
    let bad = place.witness("bench-1", Some(trouble));
    let (daemon, client) = beside_a_good_bench(&place, &bad);
    client.wait_ready(&["bench-1"]);
    client.start("bench-1", HOLD_NAME, "A-0018").expect("a run");
    wait_for_heat(&place.record_file("bench-1"), 0.0);
    fs::write(place.trouble("bench-1"), "").expect("the folder is ours");
    (place, daemon, client)
}

/// Heat is off, `driver-lost` or the readings' own interlock has tripped, and the other bench heats.
fn no_heat_on_nonsense(trouble: &str, parts: &[&str]) {
    let (place, daemon, client) = nonsense(trouble);
    wait_for("bench-1 trips", || {
        (!client.tripped("bench-1").is_empty()).then_some(())
    });
    wait_until("heat is zero", || {
        changes(&place.record_file("bench-1"))
            .last()
            .is_some_and(|change| change.fraction <= 0.0)
    });
    wait_until(&format!("the log says {parts:?}"), || {
        parts.iter().all(|part| daemon.log().contains(part))
    });
    // It is started again and goes on with its nonsense; nothing of that is taken for a reading.
    std::thread::sleep(Duration::from_secs(1));
    for channel in client.station("bench-1").channels {
        assert_ne!(
            (channel.quality.as_str(), channel.celsius.is_some()),
            ("good", true),
            "{channel:?}"
        );
    }
    let now = monotonic_ms();
    wait_for_heat(&place.record_file("bench-2"), now);
    assert_eq!(client.tripped("bench-2"), [""; 0]);
}

#[test]
fn invalid_utf_8_is_no_reading() {
    no_heat_on_nonsense("invalid-utf8", &["UTF-8"]);
}

#[test]
fn not_a_number_is_no_reading() {
    no_heat_on_nonsense("nan", &["malformed"]);
}

#[test]
fn infinity_is_no_reading() {
    no_heat_on_nonsense("infinite", &["malformed"]);
}

#[test]
fn a_temperature_that_cannot_be_is_no_heat() {
    let (place, _daemon, client) = nonsense("huge");
    wait_for("bench-1 trips", || {
        (!client.tripped("bench-1").is_empty()).then_some(())
    });
    wait_until("heat is zero", || {
        changes(&place.record_file("bench-1"))
            .last()
            .is_some_and(|change| change.fraction <= 0.0)
    });
    // What the archive keeps of it can be read again.
    let run = client
        .journal()
        .into_iter()
        .rfind(|entry| entry.kind == "trip")
        .and_then(|trip| trip.run);
    assert!(!client.readings(run.expect("the trip of a run")).is_empty());
}

#[test]
fn half_a_line_is_no_reading() {
    let (place, _daemon, client) = nonsense("unfinished");
    client.wait_for_trip("bench-1", "sensor-stale");
    wait_until("heat is zero", || {
        changes(&place.record_file("bench-1"))
            .last()
            .is_some_and(|change| change.fraction <= 0.0)
            || client.station("bench-1").heat <= 0.0
    });
}

/// Resident memory of a process, bytes.
fn resident(pid: rustix::process::Pid) -> u64 {
    let status = fs::read_to_string(format!("/proc/{}/status", pid.as_raw_nonzero())).expect("it runs");
    let line = status
        .lines()
        .find(|line| line.starts_with("VmRSS:"))
        .expect("the kernel says how much");
    line.split_whitespace()
        .nth(1)
        .and_then(|kib| kib.parse::<u64>().ok())
        .expect("a number")
        * 1024
}

#[test]
fn lines_of_a_megabyte_cost_no_memory_and_nobody_elses_time() {
    let (place, daemon, client) = nonsense("long-lines");
    let before = resident(daemon.pid());
    std::thread::sleep(Duration::from_secs(3));
    let grown = resident(daemon.pid()).saturating_sub(before);
    // Thirty megabytes have come by then.
    assert!(grown < 8 << 20, "the daemon has grown by {grown} bytes");
    says(&daemon.log(), &["bench-1", "65536"]);
    let now = monotonic_ms();
    wait_for_heat(&place.record_file("bench-2"), now);
    assert_eq!(client.tripped("bench-2"), [""; 0]);
}

#[test]
fn an_archive_that_is_no_folder_is_told_with_its_path() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    fs::write(place.archive(), "not a folder").expect("the folder is ours");
    let done = refused(&place, &[]);
    assert_eq!(done.code, 1, "{}", done.stderr);
    says(
        &done.stderr,
        &[place.archive().to_str().expect("text"), "archive"],
    );
    assert_eq!(
        fs::read_to_string(place.archive()).expect("it is ours"),
        "not a folder",
        "left alone"
    );
    assert!(!place.socket().exists());
}

/// A folder that can't be written: read-only for everybody where root may set that, by permission otherwise.
#[test]
fn an_archive_that_cannot_be_written_is_told_with_its_path() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    fs::create_dir(place.archive()).expect("the folder is ours");
    let _sealed = Sealed::new(place.archive());
    if fs::write(place.archive().join("probe"), "").is_ok() {
        eprintln!("not tested here: this file system or user can't seal a folder");
        return;
    }
    let done = refused(&place, &[]);
    assert_eq!(done.code, 1, "{}", done.stderr);
    says(&done.stderr, &[place.archive().to_str().expect("text")]);
    assert!(!place.socket().exists());
}

/// A folder that nobody can write into until this is dropped.
struct Sealed(PathBuf);

impl Sealed {
    fn new(folder: PathBuf) -> Self {
        use std::os::unix::fs::PermissionsExt as _;
        fs::set_permissions(&folder, fs::Permissions::from_mode(0o555)).expect("it is ours");
        // Root is not held up by permissions.
        let _ = std::process::Command::new("chattr")
            .arg("+i")
            .arg(&folder)
            .stderr(std::process::Stdio::null())
            .status();
        Self(folder)
    }
}

impl Drop for Sealed {
    fn drop(&mut self) {
        use std::os::unix::fs::PermissionsExt as _;
        let _ = std::process::Command::new("chattr")
            .arg("-i")
            .arg(&self.0)
            .stderr(std::process::Stdio::null())
            .status();
        let _ = fs::set_permissions(&self.0, fs::Permissions::from_mode(0o755));
    }
}

#[test]
fn a_socket_in_use_is_told_with_its_path() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let first = Daemon::start(&place);

    // Another lab that is to use the same socket.
    let other = Place::new();
    fs::write(
        other.config(),
        format!(
            "[lab]\nname = \"other\"\narchive = {:?}\nsocket = {:?}\n{}",
            other.archive(),
            place.socket(),
            other.simulated("bench-9", "")
        ),
    )
    .expect("the folder is ours");
    let done = refused(&other, &[]);
    assert_eq!(done.code, 1, "{}", done.stderr);
    says(
        &done.stderr,
        &[place.socket().to_str().expect("text"), "another daemon", "socket"],
    );

    // A second daemon for the same lab.
    let done = refused(&place, &[]);
    assert_eq!(done.code, 1, "{}", done.stderr);
    says(&done.stderr, &[place.archive().to_str().expect("text")]);

    assert_eq!(first.client().status().lab, "larkfield", "the first one goes on");
}

#[test]
fn a_file_where_the_socket_should_be_is_left_alone() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    fs::write(place.socket(), "somebody's notes").expect("the folder is ours");
    let done = refused(&place, &[]);
    assert_eq!(done.code, 1, "{}", done.stderr);
    says(&done.stderr, &[place.socket().to_str().expect("text")]);
    assert_eq!(
        fs::read_to_string(place.socket()).expect("it is ours"),
        "somebody's notes"
    );
}

/// `serve`: what the other program does with a connection.
fn broker_that_is_none(port: u16, serve: impl Fn(std::net::TcpStream) + Send + 'static) {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).expect("the port is free");
    std::thread::spawn(move || listener.incoming().flatten().for_each(&serve));
}

fn heats_without_mqtt(port: u16, parts: &[&str]) {
    let place = Place::new();
    let mqtt = format!("\n[mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\n");
    place.configure("", &(place.simulated("bench-1", "") + &mqtt));
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    client.put_recipe(HOLD).expect("a recipe");
    client
        .start("bench-1", HOLD_NAME, "A-0017")
        .expect("heat needs no broker");
    wait_for_heat(&place.record_file("bench-1"), 0.0);
    let address = format!("127.0.0.1:{port}");
    wait_until("the log names the broker", || daemon.log().contains(&address));
    says(&daemon.log(), parts);
    let (_, status) = daemon.terminate();
    assert!(status.success(), "{status}");
}

#[test]
fn a_broker_that_is_not_there_is_told_and_heat_goes_on() {
    heats_without_mqtt(free_port(), &["MQTT", "refused"]);
}

#[test]
fn a_port_of_another_program_is_told_and_heat_goes_on() {
    let port = free_port();
    broker_that_is_none(port, |mut stream| {
        let mut hello = [0; 256];
        let _ = stream.read(&mut hello);
        let _ = stream.write_all(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n");
    });
    heats_without_mqtt(port, &["MQTT", "connection to the broker"]);
}

#[test]
fn a_port_that_never_answers_is_told_and_heat_goes_on() {
    let port = free_port();
    broker_that_is_none(port, std::mem::forget);
    heats_without_mqtt(port, &["MQTT", "connection to the broker"]);
}

#[test]
fn scaled_time_is_for_simulated_drivers_alone() {
    let place = Place::new();
    place.configure(
        "",
        &(place.witness("bench-1", None) + &place.simulated("bench-2", "")),
    );
    let done = refused(&place, &["--time-scale", "10"]);
    assert_eq!(done.code, 1, "{}", done.stderr);
    says(&done.stderr, &["bench-1", "not simulated", "10", "--time-scale"]);
    assert!(
        changes(&place.record_file("bench-1"))
            .iter()
            .all(|change| change.fraction <= 0.0)
    );

    let done = refused(&place, &["--time-scale", "0"]);
    assert_eq!(done.code, 2, "{}", done.stderr);
    says(&done.stderr, &["--time-scale", "1..=1000"]);
}
