//! A heater that is stuck on, for real: what the whole lab is told, over bus, broker and command line, until somebody has
//! acknowledged and reset it; and the limits that a safety role moves, over a restart.

use benchward_api::shapes;
use benchward_tests::broker::Broker;
use benchward_tests::command::{Done, benchward};
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::Place;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::wait::wait_until;
use serde_json::json;

fn json_of<T: serde::de::DeserializeOwned>(done: &Done) -> T {
    assert_eq!(done.code, 0, "{done:?}");
    serde_json::from_str(&done.stdout).expect("the shape that was promised")
}

fn trips(place: &Place, more: &[&str]) -> Vec<shapes::TripRecord> {
    let words: Vec<&str> = ["--json", "trip", "list"].iter().chain(more).copied().collect();
    json_of::<shapes::TripRecords>(&benchward(place, &words)).trips
}

#[test]
fn a_heater_that_is_stuck_on_concerns_the_whole_lab() {
    let place = Place::new();
    let broker = Broker::start(&place);
    let measured = place
        .simulated("bench-1", "current = true")
        .replace("permissive =", "current = \"amps\"\npermissive =");
    place.configure(
        "",
        &(measured + &place.simulated("bench-2", "") + &broker.section()),
    );
    let all = broker.subscribe();
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1", "bench-2"]);
    client.put_recipe(HOLD).expect("a recipe");
    all.wait_for("benchward/larkfield/alarm", "no alarm", |message| {
        message.payload["alarm"] == json!(false)
    });

    fault::cause(&place.control("bench-1"), r#"{"kind":"heater-stuck-on"}"#);
    client.wait_for_trip("bench-1", "heat-stuck-on");
    let lab = benchward_api::LAB_PATH;
    client.wait_for_signal(lab, "AlarmChanged", &["bench-1", "heat-stuck-on", "tripped"]);
    client.wait_for_signal(lab, "PropertiesChanged", &["Alarms", "bench-1"]);
    all.wait_for("benchward/larkfield/alarm", "the alarm", |message| {
        message.payload["alarms"][0]["station"] == "bench-1"
    });
    let alarms = client.status().alarms;
    let [alarm] = &alarms[..] else {
        panic!("{alarms:?}")
    };
    assert_eq!((&*alarm.station, &*alarm.standing), ("bench-1", "tripped"));
    // On the screen of another bench, too, and nobody starts there.
    let screen = benchward(&place, &["status", "bench-2"]);
    assert!(
        screen.stdout.starts_with("!! lab alarm: bench-1 heats by itself"),
        "{screen:?}"
    );
    let start = [
        "--json", "run", "start", "bench-2", "--recipe", HOLD_NAME, "--serial", "A-0017",
    ];
    let refused = benchward(&place, &start);
    assert_eq!(
        (refused.code, &refused.json()["error"]),
        (4, &json!("LabAlarm")),
        "{refused:?}"
    );
    let standing = trips(&place, &[]);
    let [record] = &standing[..] else {
        panic!("{standing:?}")
    };
    assert!(record.lab_alarm && record.standing == "tripped" && record.acknowledged.is_none());

    // A restart changes nothing about it.
    daemon.kill();
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-2"]);
    assert_eq!(client.status().alarms.len(), 1);
    assert_eq!(benchward(&place, &["trip", "ack", "bench-1"]).code, 0);
    client.wait_for_signal(lab, "AlarmChanged", &["bench-1", "heat-stuck-on", "acknowledged"]);
    assert_eq!(benchward(&place, &start).code, 0);
    client
        .ask("bench-2", async |station| station.stop_run().await)
        .expect("anybody with a role may");

    // The driver's new process has no fault: its cause is gone.
    wait_until("the reset is let", || {
        benchward(&place, &["trip", "reset", "bench-1"]).code == 0
    });
    client.wait_for_signal(lab, "AlarmChanged", &["bench-1", "heat-stuck-on", "clear"]);
    assert_eq!(client.status().alarms, []);
    assert_eq!(trips(&place, &[]), []);
    let over = trips(&place, &["--all"]);
    let record = over
        .iter()
        .find(|one| one.interlock == "heat-stuck-on")
        .expect("a record");
    assert_eq!((&*record.kind, record.effect.as_deref()), ("trip", Some("cut")));
    assert_eq!(record.standing, "clear");
    assert!(
        record.acknowledged_by.is_some() && record.acknowledged_by == record.cleared_by,
        "{record:?}"
    );
    assert!(
        record.acknowledged > Some(record.raised.clone()) && record.cleared > record.acknowledged,
        "{record:?}"
    );
    assert!(record.value > record.limit && record.unit == "A", "{record:?}");
    let (_, status) = daemon.terminate();
    assert!(status.success());
    // The same of the archive at rest.
    let archive = place.archive();
    let folder = archive.to_str().expect("a path in UTF-8");
    let done = benchward(&place, &["--archive", folder, "--json", "trip", "list", "--all"]);
    assert_eq!(json_of::<shapes::TripRecords>(&done).trips, over);
}

#[test]
fn a_limit_that_was_moved_counts_over_a_restart_and_is_shown() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let mut daemon = Daemon::start(&place);
    daemon.client().wait_ready(&["bench-1"]);
    for set in [
        &["--rise-max", "8"][..],
        &["--absent-after", "30min"],
        &["--station", "bench-1", "200C"],
    ] {
        let words: Vec<&str> = ["limit", "set"].iter().chain(set).copied().collect();
        let done = benchward(&place, &words);
        assert_eq!(done.code, 0, "{done:?}");
    }
    let far = benchward(&place, &["--json", "limit", "set", "--rise-max", "11"]);
    assert_eq!(
        (far.code, &far.json()["error"]),
        (4, &json!("LimitOutOfBounds")),
        "{far:?}"
    );
    daemon.kill();

    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    let shown: shapes::Limits = json_of(&benchward(&place, &["--json", "limit", "show"]));
    let value = |name: &str| {
        let limit = shown
            .limits
            .iter()
            .find(|one| one.limit == name)
            .expect("a limit");
        (limit.value, limit.from.as_str())
    };
    assert_eq!(value("rise-max"), (Some(8.0), "the lab"));
    assert_eq!(value("absent-after"), (Some(1800.0), "the lab"));
    assert_eq!(value("run-max"), (None, "the recipe"));
    let threshold = |interlock: &str| {
        let all = &shown.stations[0].interlocks;
        let found = all
            .iter()
            .find(|one| one.interlock == interlock)
            .expect("an interlock");
        (found.thresholds[0].value, found.thresholds[0].from.clone())
    };
    assert_eq!(threshold("rise-too-fast"), (8.0, "the lab".into()));
    assert_eq!(threshold("over-temperature"), (200.0, "the station".into()));
    assert_eq!(
        client.station("bench-1").cautions.len(),
        2,
        "{:?}",
        client.station("bench-1")
    );

    client.put_recipe(HOLD).expect("a recipe");
    let run = client.start("bench-1", HOLD_NAME, "A-0017").expect("a run");
    wait_until("its record says what it goes on under", || {
        client.run(run).cautions.len() == 2
    });
    for set in [["--rise-max", "none"], ["--absent-after", "none"]] {
        assert_eq!(benchward(&place, &["limit", "set", set[0], set[1]]).code, 0);
    }
    wait_until("they have ended", || {
        client.station("bench-1").cautions.is_empty()
    });
    assert_eq!(client.run(run).cautions.len(), 2, "the record keeps them");
}
