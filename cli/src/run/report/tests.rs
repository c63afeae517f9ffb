//! What a report says, of a run that is made up here; how it looks is tried in a browser, in the project's end-to-end tests.

use benchward_report::html::html;

use super::*;
use crate::readings::tests::readings;

/// A tripped run on a known board, with everything that a report can have to say.
pub(super) fn evidence() -> Evidence {
    let entry = |n: u64, at: &str, kind: &str, who: Option<&str>| shapes::Entry {
        n,
        at: at.into(),
        kind: kind.into(),
        station: Some("bench-2".into()),
        run: Some(12),
        who: who.map(Into::into),
        text: format!("{kind} <i>of</i> run 12"),
        data: serde_json::Value::Null,
        hash: format!("{n:064x}"),
    };
    let run: shapes::RunShown = serde_json::from_value(serde_json::json!({
        "schema": 1, "run": 12, "station": "bench-2", "recipe": "QM-4", "revision": 3, "serial": "<b>Q-8", "operator": "op1",
        "started": "2026-11-25T13:46:33.120Z", "ended": "2026-11-25T14:00:00.120Z", "outcome": "tripped", "verdict": "fail",
        "peak_celsius": 76.3, "channels": ["board-top", "board-edge"],
        "sensors": [
            {"channel": "board-top", "input": "rack/tc1", "offset_celsius": -0.42, "overdue": true,
             "calibration": "2025-11-20, ice point, by safe1 (revision 4)", "calibration_due": "2026-11-20"},
            {"channel": "board-edge", "input": "rack/tc2", "offset_celsius": 0.0, "overdue": false, "calibration": null, "calibration_due": null},
        ],
        "board_model": {"board": "QM-4", "revision": 2, "learned_from": 7},
        "stages": [{"stage": 1, "target_celsius": 50.0, "started": "2026-11-25T13:46:33.120Z", "reached": "2026-11-25T13:47:13.120Z",
                    "ramp_s": 40.0, "dwell_s": 30.0, "overshoot_celsius": 0.8}],
        "window": [{"line": "peak", "unit": "celsius", "value": 84.2, "low": 72.0, "high": 80.0, "margin": -1.05, "verdict": "fail",
                    "channel": "hottest", "text": "peak: 84.2 °C (hottest), 4.2 °C above the limit of 80 °C"}],
        "judged_by": {"window": null, "revision": 3, "judged": "2026-11-25T14:00:01.000Z", "text": "the recipe's own window"},
        "trips": [{"interlock": "operator-absent", "at": "2026-11-25T13:48:33.120Z", "text": "nobody confirmed presence"}],
        "ceilings": [
            {"at": "2026-11-25T13:46:33.120Z", "celsius": 95.0, "from": "the recipe"},
            {"at": "2026-11-25T13:46:35.120Z", "celsius": 90.0, "from": "the station"},
        ],
        "cautions": ["the lab's ceiling is raised to 280 °C"], "journal": [],
        "recipe_text": "recipe = \"QM-4\"\nceiling_celsius = 95\n[[stage]]\ntarget_celsius = 50\ndwell_s = 30\n",
    }))
    .expect("the shape");
    let trip = serde_json::from_value(serde_json::json!({
        "n": 41, "kind": "trip", "station": "bench-2", "run": 12, "interlock": "operator-absent", "effect": "heat off", "lab_alarm": false,
        "standing": "clear", "raised": "2026-11-25T13:48:33.120Z", "text": "nobody confirmed presence for 2 min", "channel": null,
        "value": 120.1, "limit": 120.0, "unit": "s", "acknowledged": "2026-11-25T13:49:00.000Z", "acknowledged_by": "op2",
        "cleared": "2026-11-25T13:50:00.000Z", "cleared_by": "safe1",
    }))
    .expect("the shape");
    let mut prediction = foretold::tests::prediction();
    prediction.stages.truncate(1);
    Evidence {
        lab: "larkfield".into(),
        made: "2026-11-26T08:00:00.000Z".parse().expect("a time"),
        run: shapes::RunShown {
            prediction: Some(prediction),
            journal: vec![
                entry(40, "2026-11-25T13:46:33.120Z", "run-started", Some("op1")),
                entry(41, "2026-11-25T13:48:33.120Z", "trip", None),
                entry(55, "2026-11-25T13:59:59.120Z", "safe", None),
            ],
            ..run
        },
        readings: readings(
            &["board-top", "board-edge"],
            &[
                ("ramp", Some(1), Some(50.0), 1.0, &[24.0, 24.0]),
                ("dwell", Some(1), Some(50.0), 0.4, &[51.0, 47.0]),
                ("cooldown", Some(1), None, 0.0, &[76.3, 70.0]),
                ("cooldown", Some(1), None, 0.0, &[44.0, 40.0]),
            ],
        ),
        trips: vec![trip],
        calibrations: vec![
            Some(shapes::Calibration {
                revision: 4,
                at: "2025-11-20T08:00:00.000Z".into(),
                by: "safe1".into(),
                offset_celsius: -0.42,
                offset_before_celsius: 0.0,
                input: "rack/tc1".into(),
                check: Some(
                    serde_json::from_value(serde_json::json!({
                        "method": "ice", "against": "ice point", "pressure_kpa": null, "altitude_m": null, "reference_celsius": 0.0,
                        "reference_within_celsius": 0.05, "read_celsius": 0.42, "sd_celsius": 0.01, "readings": 100, "over_s": 10.0,
                        "deviation_celsius": 0.42, "thermocouple": "K", "class": "iec-1", "tolerance_celsius": 1.5, "margin": 0.72,
                        "verdict": "inside", "verdict_text": "",
                    }))
                    .expect("the shape"),
                ),
                due: Some("2026-11-20".into()),
                note: String::new(),
            }),
            None,
        ],
        verified: shapes::Verified {
            schema: 1,
            ok: true,
            entries: 90,
            head: format!("{:064x}", 90),
            first_bad: None,
        },
    }
}

/// The words of a page without its markup, a blank between.
fn words(document: &Document) -> String {
    let page = html(document);
    let body = page.split_once("<body>").expect("a body").1;
    let mut text = String::new();
    let mut inside = false;
    for letter in body.chars() {
        match letter {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            letter if !inside => text.push(letter),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn everything_on_record_is_said() {
    let text = words(&document(&evidence()));
    for part in [
        "Run 12 on board &lt;b&gt;Q-8",
        "Outcome tripped",
        "Verdict fail, by the recipe&#39;s own window, judged 2026-11-25 14:00:01Z",
        "\"QM-4\": known board (revision 2, learned from run 7)"
            .replace('"', "&quot;")
            .as_str(),
        "Ceiling 95.0 °C, set by the recipe; from 0:02 on 90.0 °C, set by the station",
        "ceiling 95.0 °C ceiling 90.0 °C",
        "Less safe than usual the lab&#39;s ceiling is raised to 280 °C",
        "Calibration overdue The sensor of board-top was to be checked by 2026-11-20, before this run.",
        "peak 84.20 °C 72 °C 80 °C -105 % hottest fail",
        "peak: 84.2 °C (hottest), 4.2 °C above the limit of 80 °C",
        "1 50.0 °C ± 2.0 °C - 0:00 0:40 0:30 0:30 0.8 °C",
        "stage 1 at 75.0 °C 4:00, between 3:48 and 4:12 0:40 no, 188.0 s early thermal mass",
        "safe to handle 32:00, between 29:00 and 35:00 13:26 no, 934.0 s early",
        "trip operator-absent, 2026-11-25 13:48:33Z nobody confirmed presence for 2 min",
        "Value and limit 120.10 s, limit 120 s",
        "What was done heat off",
        "Acknowledged 2026-11-25 13:49:00Z by op2",
        "Reset 2026-11-25 13:50:00Z by safe1",
        "board-top rack/tc1 -0.42 °C 2025-11-20, ice point, by safe1 (revision 4) type K, iec-1 +0.42 °C at 0.0 °C, tolerance 1.50 °C: inside \
         2026-11-20: OVERDUE",
        "board-edge rack/tc2 +0.00 °C none: the configuration&#39;s offset counted",
        "0:01 dwell 1 50.0 °C 51.0 °C 47.0 °C 40 %",
        "board-top 4 24.0 °C 76.3 °C 0:02 -",
        "This report rests on entries 40 to 55",
        "Hash of the newest entry, 90 000000",
        "every entry holds, walked when this report was made, 2026-11-26 08:00:00Z",
        "40 2026-11-25 13:46:33Z run-started op1 run-started &lt;i&gt;of&lt;/i&gt; run 12",
        "emergency stop. Local electrical and fire codes and qualified people decide",
    ] {
        assert!(text.contains(part), "`{part}` is missing:\n{text}");
    }
}

#[test]
fn what_is_not_proved_or_not_over_is_said_first() {
    let mut evidence = evidence();
    evidence.verified.first_bad = Some(shapes::FirstBad {
        n: 41,
        text: "its hash doesn't fit".into(),
    });
    evidence.run.run.ended = None;
    evidence.readings.damage.push("chunk 3".into());
    evidence.trips.clear();
    let text = words(&document(&evidence));
    let at = |part: &str| {
        text.find(part)
            .unwrap_or_else(|| panic!("`{part}` is missing:\n{text}"))
    };
    for part in [
        "Not over",
        "The journal does not hold Entry 41",
        "Readings are missing Part of the run can&#39;t be read: chunk 3",
    ] {
        assert!(at(part) < at("The run Board"), "{part}");
    }
    at("Chain broken at entry 41");
    // Of a trip that the journal's records don't have, the run's own record is told.
    at("trip operator-absent, 2026-11-25 13:48:33Z nobody confirmed presence Who acknowledged");
}

#[test]
fn a_run_without_readings_or_window_has_a_report() {
    let mut evidence = evidence();
    evidence.readings = Readings::default();
    evidence.run.judged_by = None;
    evidence.run.prediction = None;
    evidence.run.stages.clear();
    evidence.run.recipe_text = "not a recipe".into();
    let text = words(&document(&evidence));
    for part in [
        "There are no readings of this run.",
        "nothing was judged",
        "Nothing was foretold",
    ] {
        assert!(text.contains(part), "`{part}` is missing:\n{text}");
    }
}

/// What one person confirmed in a row is one line with its first and last time; nobody else's and nothing else is drawn in, and the command that
/// has each entry is named.
#[test]
fn presence_confirmed_in_a_row_is_one_line() {
    let mut evidence = evidence();
    let entry = |n: u64, kind: &str, who: &str| shapes::Entry {
        n,
        at: format!("2026-11-25T13:{:02}:00.000Z", n % 60),
        kind: kind.into(),
        station: Some("bench-2".into()),
        run: Some(12),
        who: Some(who.into()),
        text: format!("{who}: {kind}"),
        data: serde_json::Value::Null,
        hash: format!("{n:064x}"),
    };
    let mut entries = vec![entry(1, "run-started", "op1")];
    entries.extend([2, 3, 5, 8].map(|n| entry(n, "present", "op1")));
    entries.extend([9, 10].map(|n| entry(n, "present", "op2")));
    entries.push(entry(11, "present", "op1"));
    entries.extend([12, 13].map(|n| entry(n, "limit", "op1")));
    entries.push(entry(14, "present", "op1"));
    evidence.run.journal = entries;
    let shown: Vec<(u64, u64, usize)> = lines(&evidence.run.journal)
        .iter()
        .map(|line| (line.first.n, line.last.n, line.count))
        .collect();
    assert_eq!(
        shown,
        [
            (1, 1, 1),
            (2, 8, 4),
            (9, 10, 2),
            (11, 11, 1),
            (12, 12, 1),
            (13, 13, 1),
            (14, 14, 1)
        ]
    );
    let text = words(&document(&evidence));
    for part in [
        "2 to 8 2026-11-25 13:02:00Z to 2026-11-25 13:08:00Z present op1 op1: present (4 times)",
        "11 2026-11-25 13:11:00Z present op1 op1: present 12",
        "`benchward journal list --run 12` has each entry.",
        "entries 1 to 14",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }

    // Lines are bounded, entries are counted.
    evidence.run.journal = (1..=310)
        .flat_map(|n| {
            [
                entry(3 * n, "limit", "op1"),
                entry(3 * n + 1, "present", "op1"),
                entry(3 * n + 2, "present", "op1"),
            ]
        })
        .collect();
    let text = words(&document(&evidence));
    assert!(
        text.contains(&format!(
            "and {} more; `benchward journal list --run 12` shows all",
            3 * 160
        )),
        "{text}"
    );
}
