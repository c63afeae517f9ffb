//! Faults of the daemon and of drivers, caused for real, with the time to zero heat taken from the drivers' own records.

use std::fs;
use std::path::Path;
use std::time::Duration;

use benchward_api::shapes::Entry;
use benchward_tests::client::Client;
use benchward_tests::clock::{monotonic_ms, wall_ms, wall_of};
use benchward_tests::command::benchward;
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::Place;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::record::{changes, longest_gap_ms, wait_for_heat, wait_for_zero};
use benchward_tests::wait::{wait_for, wait_until};
use rustix::process::{Pid, Signal, kill_process, test_kill_process};

/// The permit: heat is zero this long after the daemon's death, whatever it died of.
const PERMIT_MS: f64 = 1_500.0;

/// A station whose driver fails is tripped within this.
const TRIP_MS: i64 = 1_000;

/// Longest time without a heat command at a station that has nothing to do with the fault: five scan periods. A
/// station that waited for another one would be without for as long as the fault lasts, a second and more.
const UNDISTURBED_MS: f64 = 500.0;

/// How long a bystander is watched after a fault.
const WATCHED: Duration = Duration::from_secs(3);

/// Starts the daemon with these stations, and a run of [`HOLD`] on each of them.
fn heating(place: &Place, stations: &[&str], toml: &str) -> (Daemon, Client) {
    place.configure("", toml);
    let daemon = Daemon::start(place);
    let client = daemon.client();
    client.wait_ready(stations);
    client.put_recipe(HOLD).expect("a recipe");
    for station in stations {
        client.start(station, HOLD_NAME, "A-0017").expect("a run");
        wait_for_heat(&place.record_file(station), 0.0);
    }
    (daemon, client)
}

fn is_gone(pid: Pid) -> bool {
    // A process that nobody has waited for yet is gone for all that matters here.
    let stat = fs::read_to_string(format!("/proc/{}/stat", pid.as_raw_nonzero())).unwrap_or_default();
    test_kill_process(pid).is_err() || stat.contains(") Z ")
}

/// The first trip of an interlock of a station in the journal at or after a moment: milliseconds after it, and the text.
fn first_trip(client: &Client, station: &str, interlock: &str, from_wall_ms: i64) -> (i64, String) {
    let quoted = format!("`{interlock}`");
    wait_for(&format!("a trip {quoted} of {station} in the journal"), || {
        client
            .journal()
            .into_iter()
            .find(|entry| {
                entry.kind == "trip"
                    && entry.station.as_deref() == Some(station)
                    && entry.text.contains(&quoted)
                    && wall_of(&entry.at) >= from_wall_ms
            })
            .map(|entry| (wall_of(&entry.at) - from_wall_ms, entry.text))
    })
}

fn no_heat(record: &Path, from_ms: f64) {
    let hot: Vec<_> = changes(record)
        .into_iter()
        .filter(|change| change.at_ms > from_ms && change.fraction > 0.0)
        .collect();
    assert_eq!(hot, [], "{}: heat after {from_ms} ms", record.display());
}

#[test]
fn a_killed_daemon_leaves_no_heat_and_a_lost_run() {
    let place = Place::new();
    let toml = place.simulated("bench-1", "") + &place.witness("bench-2", None);
    let (mut daemon, client) = heating(&place, &["bench-1", "bench-2"], &toml);
    let runs = [
        client.station("bench-1").run.expect("a run"),
        client.station("bench-2").run.expect("a run"),
    ];
    let drivers = daemon.drivers();
    assert_eq!(drivers.len(), 2);

    let killed = daemon.kill();

    for station in ["bench-1", "bench-2"] {
        let zero = wait_for_zero(&place.record_file(station), killed);
        let took = zero.at_ms - killed;
        assert!(
            took <= PERMIT_MS,
            "{station}: heat was zero {took:.0} ms after the daemon was killed: {zero:?}"
        );
    }
    wait_until("the drivers end by themselves", || {
        drivers.iter().all(|pid| is_gone(*pid))
    });
    for station in ["bench-1", "bench-2"] {
        no_heat(&place.record_file(station), killed + PERMIT_MS);
    }

    let again = Daemon::start(&place);
    let client = again.client();
    for run in runs {
        assert_eq!(client.run(run).run.outcome.as_deref(), Some("lost"), "run {run}");
    }
    assert!(client.verify().ok);
}

#[test]
fn a_paused_daemon_leaves_no_heat_until_a_person_goes_on() {
    let place = Place::new();
    let toml = place.simulated("bench-1", "") + &place.witness("bench-2", None);
    let (daemon, client) = heating(&place, &["bench-1", "bench-2"], &toml);

    let paused = daemon.pause();

    for station in ["bench-1", "bench-2"] {
        let zero = wait_for_zero(&place.record_file(station), paused);
        let took = zero.at_ms - paused;
        assert_eq!(
            zero.why, "lapsed",
            "{station}: nobody was there to take the heat away: {zero:?}"
        );
        assert!(
            took <= PERMIT_MS,
            "{station}: heat was zero {took:.0} ms after the daemon was stopped"
        );
    }

    let resumed = daemon.go_on();
    for station in ["bench-1", "bench-2"] {
        let text = client.wait_for_trip(station, "clock");
        assert!(text.contains("late"), "{text}");
    }
    // Long enough for twenty readings, any of which would bring heat if nothing were latched.
    std::thread::sleep(Duration::from_secs(2));
    for station in ["bench-1", "bench-2"] {
        no_heat(&place.record_file(station), resumed);
    }

    let reset = monotonic_ms();
    client
        .ask("bench-1", async |station| station.reset().await)
        .expect("the owner may reset");
    std::thread::sleep(Duration::from_secs(1));
    no_heat(&place.record_file("bench-1"), reset);
    client
        .ask("bench-1", async |station| station.resume().await)
        .expect("a run that can be resumed");
    wait_for_heat(&place.record_file("bench-1"), reset);
    no_heat(&place.record_file("bench-2"), resumed);
}

#[test]
fn a_daemon_that_is_asked_to_end_cuts_and_says_goodbye() {
    let place = Place::new();
    let toml = place.simulated("bench-1", "") + &place.witness("bench-2", None);
    let (mut daemon, client) = heating(&place, &["bench-1", "bench-2"], &toml);
    let runs = [
        client.station("bench-1").run.expect("a run"),
        client.station("bench-2").run.expect("a run"),
    ];
    let drivers = daemon.drivers();

    let (asked, status) = daemon.terminate();

    assert_eq!(status.code(), Some(0), "{status}");
    for station in ["bench-1", "bench-2"] {
        let record = place.record_file(station);
        let zero = wait_for_zero(&record, asked);
        assert_eq!(zero.why, "cut", "{station}: {zero:?}");
        assert!(
            zero.at_ms - asked <= PERMIT_MS,
            "{station}: cut after {:.0} ms",
            zero.at_ms - asked
        );
        no_heat(&record, zero.at_ms);
        assert!(
            changes(&record).iter().any(|change| change.why == "close"),
            "{station}: was told to close"
        );
    }
    assert!(
        drivers.iter().all(|pid| is_gone(*pid)),
        "the daemon waits for its drivers"
    );
    assert!(!place.socket().exists(), "the socket goes with the daemon");

    let again = Daemon::start(&place);
    let client = again.client();
    for run in runs {
        let shown = client.run(run).run;
        assert_eq!(shown.outcome.as_deref(), Some("stopped"), "run {run}");
        assert!(shown.ended.is_some(), "run {run} has an end");
    }
    assert_eq!(
        client.tripped("bench-1"),
        [""; 0],
        "an end that was asked for trips nothing"
    );
}

/// What a driver did wrong, and what came of it.
struct Case {
    /// The interlock that sees it first.
    trips: &'static str,
    /// What the journal says of the driver.
    says: &'static str,
}

/// Breaks the driver of bench-1 while bench-2 and bench-3 heat, and looks at all of them.
fn driver_fails(fails: impl FnOnce(&Place, &Daemon), case: &Case) {
    let place = Place::new();
    let toml =
        place.simulated("bench-1", "") + &place.witness("bench-2", None) + &place.witness("bench-3", None);
    let stations = ["bench-1", "bench-2", "bench-3"];
    let (daemon, client) = heating(&place, &stations, &toml);
    let before = daemon.drivers();

    let (began, began_wall) = (monotonic_ms(), wall_ms());
    fails(&place, &daemon);

    let (took, text) = first_trip(&client, "bench-1", case.trips, began_wall);
    assert!(
        took <= TRIP_MS,
        "bench-1 tripped {took} ms after its driver failed: {text}"
    );
    let lost = wait_for("the driver's end in the journal", || {
        let found = |entry: &Entry| entry.kind == "driver" && wall_of(&entry.at) >= began_wall;
        client
            .journal()
            .into_iter()
            .find(|entry| found(entry) && entry.text.contains("bench-1"))
    });
    assert!(lost.text.contains(case.says), "{}", lost.text);
    let run = client.station("bench-1").run.expect("its run waits for a person");
    assert_eq!(client.run(run).run.outcome.as_deref(), Some("tripped"));
    // Of a process that is dead at once the hardware's own timeout takes care; of any other the permit.
    if let Some(zero) = changes(&place.record_file("bench-1"))
        .into_iter()
        .find(|change| change.at_ms > began && change.fraction <= 0.0)
    {
        assert!(zero.at_ms - began <= PERMIT_MS, "{zero:?}");
    }

    let after = wait_for("a new process of the driver", || {
        let now = daemon
            .drivers()
            .into_iter()
            .filter(|pid| !before.contains(pid))
            .find(|pid| !is_gone(*pid));
        now.filter(|_| client.station("bench-1").driver == "up")
    });
    assert_eq!(daemon.driver(&place, "bench-1"), after);
    assert!(
        !client.tripped("bench-1").is_empty(),
        "that it is back lifts no trip"
    );

    let watched = (monotonic_ms() - began).max(0.0);
    std::thread::sleep(WATCHED.saturating_sub(Duration::from_secs_f64(watched / 1000.0)));
    let until = monotonic_ms();
    for station in ["bench-2", "bench-3"] {
        let gap = longest_gap_ms(&place.record_file(station), began, until);
        assert!(
            gap < UNDISTURBED_MS,
            "{station} was without a heat command for {gap:.0} ms"
        );
        assert_eq!(client.tripped(station), [""; 0], "{station}");
        assert!(
            changes(&place.record_file(station))
                .iter()
                .all(|change| change.why == "heat"),
            "{station}"
        );
    }
    no_heat(&place.record_file("bench-1"), began + PERMIT_MS);
}

#[test]
fn drivers_are_listed_with_what_they_offer_and_how_they_are() {
    let place = Place::new();
    let gone = "\n[station.bench-2]\nchannels = { board-top = \"tc1\" }\n[station.bench-2.driver]\nprogram = [\"sleep\", \"1000\"]\n";
    place.configure("", &(place.simulated("bench-1", "") + gone));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    let list = || benchward(&place, &["--json", "driver", "list"]).json();
    let listed = list();
    let (first, second) = (&listed["drivers"][0], &listed["drivers"][1]);
    assert_eq!(
        (&first["driver"], &first["standing"]),
        (&"bench-1".into(), &"up".into())
    );
    assert!(
        first["says"]
            .as_str()
            .is_some_and(|says| says.starts_with("simulated ")),
        "{listed}"
    );
    let inputs = first["inputs"].as_array().expect("a list");
    let hood = inputs
        .iter()
        .find(|one| one["input"] == "hood")
        .expect("it offers one");
    assert_eq!(
        (&hood["kind"], &hood["wired_as"]),
        (&"permissive".into(), &"permissive hood".into())
    );
    // It offers a pedal too, which is wired to nothing here.
    let pedal = inputs
        .iter()
        .find(|one| one["input"] == "pedal")
        .expect("it offers one");
    assert_eq!(
        (&pedal["kind"], &pedal["station"]),
        (&"presence".into(), &().into())
    );
    assert_eq!(first["outputs"][0]["wired_as"], "heat");
    // One that doesn't describe itself is down, and shown with what is wired to it.
    assert_eq!(
        (&second["standing"], &second["says"]),
        (&"down".into(), &().into())
    );
    assert_eq!(second["inputs"][0]["wired_as"], "channel board-top");
    assert!(listed["installed"]["simulated"].is_string(), "{listed}");

    kill_process(daemon.driver(&place, "bench-1"), Signal::KILL).expect("the driver runs");
    wait_until("it was started again and is up", || {
        let first = &list()["drivers"][0];
        first["restarts"] == 1 && first["standing"] == "up"
    });
    drop(daemon);
    let nobody = benchward(&place, &["--json", "driver", "list"]);
    assert_eq!(
        (nobody.code, &nobody.json()["drivers"]),
        (0, &().into()),
        "{nobody:?}"
    );
}

#[test]
fn a_killed_driver_trips_its_station_alone_and_is_started_again() {
    driver_fails(
        |place, daemon| kill_process(daemon.driver(place, "bench-1"), Signal::KILL).expect("the driver runs"),
        &Case {
            trips: "driver-lost",
            says: "ended",
        },
    );
}

/// Causes a fault of the simulated bench.
fn on_command(fault: &str, case: &Case) {
    driver_fails(|place, _| fault::cause(&place.control("bench-1"), fault), case);
}

#[test]
fn a_driver_that_crashes_trips_its_station_alone_and_is_started_again() {
    on_command(
        r#"{"kind":"crash"}"#,
        &Case {
            trips: "driver-lost",
            says: "ended",
        },
    );
}

#[test]
fn a_driver_that_gives_up_trips_its_station_alone_and_is_started_again() {
    on_command(
        r#"{"kind":"failed"}"#,
        &Case {
            trips: "driver-lost",
            says: "the simulated hardware is gone",
        },
    );
}

#[test]
fn a_driver_that_hangs_trips_its_station_alone_and_is_started_again() {
    on_command(
        r#"{"kind":"hang"}"#,
        &Case {
            trips: "sensor-stale",
            says: "said nothing",
        },
    );
}

#[test]
fn a_driver_that_talks_garbage_trips_its_station_alone_and_is_started_again() {
    on_command(
        r#"{"kind":"garbage"}"#,
        &Case {
            trips: "sensor-stale",
            says: "malformed",
        },
    );
}

/// Starts a run on a witness that will have `trouble`, and on two beside it; begins the trouble. Returns when.
fn in_trouble(place: &Place, trouble: &str, settings: &str) -> (Daemon, Client, f64, i64) {
    let toml = place.witness("bench-1", Some(trouble))
        + settings
        + &place.witness("bench-2", None)
        + &place.simulated("bench-3", "");
    let (daemon, client) = heating(place, &["bench-1", "bench-2", "bench-3"], &toml);
    let (began, began_wall) = (monotonic_ms(), wall_ms());
    fs::write(place.trouble("bench-1"), "").expect("the folder is ours");
    (daemon, client, began, began_wall)
}

fn undisturbed(place: &Place, client: &Client, from_ms: f64) {
    let until = monotonic_ms();
    let gap = longest_gap_ms(&place.record_file("bench-2"), from_ms, until);
    assert!(
        gap < UNDISTURBED_MS,
        "bench-2 was without a heat command for {gap:.0} ms"
    );
    for station in ["bench-2", "bench-3"] {
        assert_eq!(client.tripped(station), [""; 0], "{station}");
        let ended = changes(&place.record_file(station))
            .into_iter()
            .find(|change| change.why != "heat");
        assert_eq!(ended, None, "{station}");
    }
}

/// The driver goes on sending scans, so that the daemon goes on granting, into a pipe of one page that nobody reads.
#[test]
fn a_driver_that_stops_reading_loses_its_permit_and_delays_nobody() {
    let place = Place::new();
    let (_daemon, client, began, began_wall) = in_trouble(&place, "deaf", "rate_hz = 100\n");

    let zero = wait_for_zero(&place.record_file("bench-1"), began);
    assert_eq!(zero.why, "lapsed", "{zero:?}");
    assert!(
        zero.at_ms - began <= PERMIT_MS,
        "zero after {:.0} ms",
        zero.at_ms - began
    );
    let text = client.wait_for_trip("bench-1", "driver-lost");
    let (took, _) = first_trip(&client, "bench-1", "driver-lost", began_wall);
    assert!(text.contains("not confirmed"), "{text}");
    // A second without an answer by the protocol, and one loop.
    assert!(
        (TRIP_MS - 50..TRIP_MS + 500).contains(&took),
        "tripped after {took} ms"
    );
    // It still sends scans; what it owes has it ended and started again, not deaf from the start of the new process.
    let gone = wait_for("the end of the deaf process in the journal", || {
        client.journal().into_iter().find(|entry| {
            entry.kind == "driver" && entry.text.contains("bench-1") && entry.text.contains("answered")
        })
    });
    assert!(wall_of(&gone.at) - began_wall >= 5_000, "{}", gone.text);
    no_heat(&place.record_file("bench-1"), zero.at_ms);
    undisturbed(&place, &client, began);
}

#[test]
fn a_driver_that_floods_the_daemon_delays_nobody() {
    let place = Place::new();
    let (_daemon, client, began, _) = in_trouble(&place, "flood", "");
    std::thread::sleep(WATCHED);
    undisturbed(&place, &client, began);
}

#[test]
fn a_driver_that_refuses_heat_trips_its_station_alone() {
    let place = Place::new();
    let (_daemon, client, began, began_wall) = in_trouble(&place, "refuse", "");
    let text = client.wait_for_trip("bench-1", "driver-lost");
    assert!(text.contains("refused") && text.contains("won't"), "{text}");
    let (took, _) = first_trip(&client, "bench-1", "driver-lost", began_wall);
    assert!(took <= TRIP_MS, "tripped after {took} ms");
    std::thread::sleep(WATCHED);
    undisturbed(&place, &client, began);
}

#[test]
fn a_driver_that_always_dies_is_started_again_less_and_less_often() {
    let place = Place::new();
    let starts = place.path("starts");
    let script = format!(
        "date +%s%3N >> {}; echo no such bus >&2; exit 3",
        starts.display()
    );
    place.configure(
        "",
        &format!(
            "[station.bench-1]\ndriver = {{ program = [\"sh\", \"-c\", {script:?}] }}\n\
             channels = {{ board-top = \"tc1\" }}\nheat = \"heat1\"\n{}",
            place.witness("bench-2", None)
        ),
    );
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-2"]);
    let times: Vec<i64> = wait_for("four starts", || {
        let text = fs::read_to_string(&starts).unwrap_or_default();
        let times: Vec<i64> = text.lines().filter_map(|line| line.parse().ok()).collect();
        (times.len() >= 4).then_some(times)
    });
    let apart: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    for (apart, least) in apart.iter().zip([500, 1_000, 2_000]) {
        assert!(
            *apart >= least - 20,
            "started again after {apart} ms, at least {least}: {times:?}"
        );
    }
    assert_eq!(client.station("bench-1").driver, "down");
    // The log says why, in the driver's own words.
    assert!(daemon.log().contains("no such bus"), "{}", daemon.log());
    client.put_recipe(HOLD).expect("a recipe");
    client
        .start("bench-2", HOLD_NAME, "A-0017")
        .expect("the other bench works");
}
