//! A sensor with a known error is checked, corrected, kept, due, with the real daemon and a simulated bench: the room is at
//! 0.6 °C, so that every sensor reads 0.6 °C too much for one who holds it into ice.

use benchward_api::shapes;
use benchward_archive::{Archive, CalibrationRecord, CheckRecord, Reader, Wall};
use benchward_tests::client::Client;
use benchward_tests::command::{Done, benchward};
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::Place;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::wait::{wait_for, wait_until};

/// What the sensors read too much, °C.
const ERROR: f64 = 0.6;

/// How far a mean of two seconds may be from it: noise of 0.05 °C over 20 readings is 0.011 °C; five times that.
const WITHIN: f64 = 0.06;

/// How far a single reading may be from it: five times the noise.
const ONE_WITHIN: f64 = 0.25;

fn cold_room(place: &Place) -> String {
    place.simulated("bench-1", &format!("ambient_celsius = {ERROR}"))
}

/// `benchward sensor WORDS --json`.
fn sensor(place: &Place, words: &[&str]) -> Done {
    let words: Vec<&str> = ["--json", "sensor"].iter().chain(words).copied().collect();
    benchward(place, &words)
}

fn checked(done: &Done) -> shapes::SensorChecked {
    assert_eq!(done.code, 0, "{done:?}");
    serde_json::from_str(&done.stdout).expect("a check")
}

fn refused(done: &Done, code: i32, error: &str, part: &str) {
    assert_eq!(
        (done.code, &done.json()["error"]),
        (code, &error.into()),
        "{done:?}"
    );
    assert_eq!(done.json()["schema"], 1);
    let text = done.json()["text"].as_str().expect("a sentence").to_owned();
    assert!(text.contains(part), "{text}");
}

fn listed(place: &Place, words: &[&str]) -> Vec<shapes::Sensor> {
    let words: Vec<&str> = words
        .iter()
        .chain(&["--json", "sensor", "list"])
        .copied()
        .collect();
    let done = benchward(place, &words);
    assert_eq!(done.code, 0, "{done:?}");
    let sensors: shapes::Sensors = serde_json::from_str(&done.stdout).expect("a list");
    sensors.sensors
}

fn near(value: f64, wanted: f64, within: f64) -> bool {
    (value - wanted).abs() <= within
}

/// What a channel of bench-1 reads now.
fn reads(client: &Client, channel: &str) -> Option<f64> {
    let channels = client.station("bench-1").channels;
    channels.into_iter().find(|one| one.channel == channel)?.celsius
}

fn wait_reads(client: &Client, channel: &str, wanted: f64) {
    wait_until(&format!("{channel} reads {wanted} °C"), || {
        reads(client, channel).is_some_and(|celsius| near(celsius, wanted, ONE_WITHIN))
    });
}

#[test]
fn a_check_corrects_the_readings_is_kept_and_can_be_withdrawn() {
    let place = Place::new();
    place.configure("", &cold_room(&place));
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    wait_reads(&client, "board-top", ERROR);
    let check = [
        "check",
        "bench-1",
        "board-top",
        "--ice",
        "--type",
        "K",
        "--class",
        "iec-1",
        "--seconds",
        "2",
        "--due-days",
        "365",
        "--note",
        "slush of the kitchen",
    ];

    // Tried only: what would come of it, and nothing else.
    let dry: Vec<&str> = check.iter().chain(&["--dry-run"]).copied().collect();
    let tried = checked(&sensor(&place, &dry));
    assert!(
        !tried.stored && near(tried.calibration.offset_celsius, -ERROR, WITHIN),
        "{tried:?}"
    );
    assert_eq!(listed(&place, &[])[0].offset_from, "configuration");

    let found = checked(&sensor(&place, &check));
    assert!(found.stored);
    let calibration = &found.calibration;
    let offset = calibration.offset_celsius;
    assert!(near(offset, -ERROR, WITHIN), "{calibration:?}");
    assert_eq!(
        (
            calibration.revision,
            calibration.offset_before_celsius.abs() < 1e-9
        ),
        (1, true)
    );
    assert_eq!(
        (&*calibration.note, &*calibration.input),
        ("slush of the kitchen", "bench-1/tc1")
    );
    let rests_on = calibration.check.as_ref().expect("a check");
    assert!(near(rests_on.deviation_celsius, ERROR, WITHIN), "{rests_on:?}");
    assert!(
        rests_on.readings >= 15 && rests_on.sd_celsius < 0.15,
        "{rests_on:?}"
    );
    assert_eq!(
        (&*rests_on.verdict, rests_on.tolerance_celsius),
        ("inside", Some(1.5))
    );
    assert!(
        near(rests_on.margin.expect("a margin"), 0.6, WITHIN),
        "{rests_on:?}"
    );

    // Looked at again at once, there is no more to correct: what was read before is no part of it.
    client.wait_ready(&["bench-1"]);
    let ice = r#"{"ice":true,"seconds":2}"#;
    match client.sensors(async |sensors| sensors.check("bench-1", "board-top", ice, false).await) {
        Ok(text) => {
            let again: shapes::SensorChecked = serde_json::from_str(&text).expect("a check");
            assert!(
                near(again.calibration.offset_celsius, -ERROR, 3.0 * WITHIN),
                "{again:?}"
            );
        }
        Err(error) => assert!(
            error.word() == "NotReady" && !error.text().contains("moved"),
            "{error}"
        ),
    }

    // From the next scan on; the other channel as before.
    wait_reads(&client, "board-top", 0.0);
    wait_reads(&client, "board-edge", ERROR);
    let entry = client
        .journal()
        .into_iter()
        .rfind(|entry| entry.kind == "calibration")
        .expect("a journal entry");
    assert_eq!(entry.who.as_deref(), Some(&*calibration.by));
    assert!(
        near(entry.data["value"].as_f64().expect("a value"), offset, 1e-9),
        "{entry:?}"
    );
    assert_eq!(entry.data["channel"], "board-top");
    assert!(entry.text.contains("ice point"), "{}", entry.text);

    // A run has it in its record, and nothing moves under it.
    client.put_recipe(HOLD).expect("the owner may");
    let run = client.start("bench-1", HOLD_NAME, "A-0017").expect("it is ready");
    let shown = client.run(run);
    assert_eq!(shown.sensors.len(), 2, "{shown:?}");
    let top = &shown.sensors[0];
    assert!(near(top.offset_celsius, offset, 1e-9), "{top:?}");
    let words = top.calibration.as_deref().expect("a calibration");
    assert!(
        words.contains("ice point") && words.contains(&calibration.by) && words.contains("revision 1"),
        "{words}"
    );
    assert_eq!((&top.calibration_due, top.overdue), (&calibration.due, false));
    assert_eq!(
        (
            shown.sensors[1].calibration.as_deref(),
            &*shown.sensors[1].channel
        ),
        (None, "board-edge")
    );
    refused(&sensor(&place, &check), 4, "NotReady", "run 1 is in ramp");
    refused(&sensor(&place, &dry), 4, "NotReady", "run 1 is in ramp");
    refused(
        &sensor(&place, &["clear", "bench-1", "board-top"]),
        4,
        "NotReady",
        "run 1 is in ramp",
    );
    let text = benchward(&place, &["run", "show", "1"]).stdout;
    assert!(
        text.contains(&format!("{offset:+.2} °C")) && text.contains("ice point"),
        "{text}"
    );

    // It is there with no daemon, and after a restart.
    daemon.terminate();
    let archive = place.archive();
    let kept = listed(&place, &["--archive", archive.to_str().expect("text")]);
    assert_eq!(kept.len(), 1);
    assert!(near(kept[0].offset_celsius, offset, 1e-9), "{kept:?}");
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    let now = &listed(&place, &[])[0];
    assert!(
        near(now.offset_celsius, offset, 1e-9) && now.offset_from == "calibration",
        "{now:?}"
    );
    wait_until("board-top reads less than board-edge by the offset", || {
        let both = reads(&client, "board-top").zip(reads(&client, "board-edge"));
        both.is_some_and(|(top, edge)| top < edge)
    });

    // Withdrawn, the configuration's counts, and the history says so.
    let done = sensor(&place, &["clear", "bench-1", "board-top", "--note", "new sensor"]);
    assert_eq!(done.code, 0, "{done:?}");
    let now = &listed(&place, &[])[0];
    assert!(
        now.offset_celsius.abs() < 1e-9 && now.offset_from == "configuration",
        "{now:?}"
    );
    let done = sensor(&place, &["history", "bench-1", "board-top"]);
    let history: shapes::SensorHistory = serde_json::from_str(&done.stdout).expect("a history");
    let past: Vec<_> = history
        .calibrations
        .iter()
        .map(|one| (one.revision, one.check.is_some(), &*one.note))
        .collect();
    assert_eq!(
        past,
        [(1, true, "slush of the kitchen"), (2, false, "new sensor")]
    );
}

#[test]
fn what_cannot_be_right_is_refused_and_changes_nothing() {
    let place = Place::new();
    let restless = place.simulated("bench-2", "noise_celsius = 2.0");
    place.configure("", &(cold_room(&place) + &restless));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1", "bench-2"]);
    let check = |station, channel, more: &[&str]| {
        let words = ["check", station, channel, "--seconds", "2"];
        let words: Vec<&str> = words.iter().chain(more).copied().collect();
        sensor(&place, &words)
    };
    refused(&check("bench-9", "board-top", &["--ice"]), 2, "NoSuch", "bench-9");
    refused(
        &check("bench-1", "board", &["--ice"]),
        2,
        "NoSuch",
        "board-top, board-edge",
    );
    refused(
        &check("bench-1", "board-top", &["--boiling"]),
        2,
        "Invalid",
        "air pressure",
    );
    refused(
        &check("bench-1", "board-top", &["--ice", "--due", "2020-01-01"]),
        2,
        "Invalid",
        "is over",
    );
    refused(
        &check("bench-1", "board-top", &["--reference", "30"]),
        4,
        "OffsetOutOfBounds",
        "+29.",
    );
    refused(
        &check("bench-1", "board-top", &["--reference", "30", "--dry-run"]),
        4,
        "OffsetOutOfBounds",
        "+29.",
    );
    refused(
        &check("bench-2", "board-top", &["--reference", "24"]),
        4,
        "NotReady",
        "limit 0.",
    );
    fault::cause(&place.control("bench-1"), r#"{"kind":"open","input":"tc1"}"#);
    wait_for("an open sensor", || {
        let channels = client.station("bench-1").channels;
        (channels[0].quality == "open").then_some(())
    });
    refused(&check("bench-1", "board-top", &["--ice"]), 4, "NotReady", "open");
    assert!(
        listed(&place, &[])
            .iter()
            .all(|sensor| sensor.calibration.is_none())
    );
    assert!(client.journal().iter().all(|entry| entry.kind != "calibration"));
}

/// A calibration of last year, put where a daemon of last year would have put it.
fn calibrated_last_year(place: &Place) -> Wall {
    let now = Wall::now();
    let due = Wall::of_day(now.day() - 1);
    let (mut writer, _, _) = Archive::open(place.archive(), "larkfield", now).expect("an archive");
    let record = CalibrationRecord {
        station: "bench-1".into(),
        channel: "board-top".into(),
        input: "bench-1/tc1".into(),
        at: Wall::of_day(due.day() - 365),
        by: "safe1".into(),
        offset_celsius: -ERROR,
        check: Some(CheckRecord {
            method: "ice".into(),
            ..CheckRecord::default()
        }),
        due: Some(due),
        ..CalibrationRecord::default()
    };
    writer.put_calibration(&record).expect("it fits");
    writer.commit().expect("it is kept");
    writer.close(now).expect("it closes");
    due
}

#[test]
fn past_its_due_date_it_warns_everywhere_and_heat_goes_on() {
    let place = Place::new();
    place.configure("", &cold_room(&place));
    let due = calibrated_last_year(&place).date();
    let said = format!("calibration of bench-1/board-top was due on {due}");
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    // It counts all the same.
    wait_reads(&client, "board-top", 0.0);

    let warnings = client.status().calibration_warnings;
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert_eq!(
        (&*warnings[0].text, warnings[0].due.as_deref()),
        (&*said, Some(&*due))
    );
    for words in [&["status"][..], &["status", "bench-1"], &["sensor", "list"]] {
        let text = benchward(&place, words).stdout;
        assert!(text.contains(&said), "{words:?}: {text}");
    }
    wait_until("the warning in the journal", || {
        client.journal().iter().any(|entry| entry.text == said)
    });
    assert!(daemon.log().contains(&said), "{}", daemon.log());

    client.put_recipe(HOLD).expect("the owner may");
    let run = client.start("bench-1", HOLD_NAME, "A-0017").expect("it is ready");
    wait_until("heat", || client.station("bench-1").heat > 0.0);
    let sensors = client.run(run).sensors;
    assert!(sensors[0].overdue && !sensors[1].overdue, "{sensors:?}");
    assert_eq!(sensors[0].calibration_due.as_deref(), Some(&*due));
    let text = benchward(&place, &["run", "show", "1"]).stdout;
    assert!(text.contains(&format!("OVERDUE, was due on {due}")), "{text}");
    assert_eq!(client.tripped("bench-1"), [""; 0]);
    // Once a day, not with each look.
    let times = client.journal().iter().filter(|entry| entry.text == said).count();
    assert_eq!(times, 1);
    daemon.terminate();
    let reader = Reader::open(place.archive()).expect("it can be read");
    assert_eq!(reader.calibrations().expect("they can be read").found.len(), 1);
}
