//! Runs are judged by their window when they are over, again on request, charted and compared, with the real daemon and a simulated
//! bench in scaled time; and what was measured is what an independent program measures on the exported file.

use std::path::PathBuf;
use std::process::Command;

use benchward_api::shapes;
use benchward_tests::client::Client;
use benchward_tests::command::{Done, benchward};
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::programs::file;
use benchward_tests::wait::wait_until;
use serde_json::Value;

/// With a window of its own that a run of it keeps.
const KEPT: &str = "recipe = \"AX-20 preheat\"\n[[stage]]\ntarget_celsius = 50\ndwell_s = 10\n[[stage]]\ntarget_celsius = 70\n\
                    dwell_s = 20\n[window]\npeak_celsius = [66, 90]\nrise_celsius_per_s_max = 10\nfall_celsius_per_s_max = 10\n\
                    above = { celsius = 60, time_s = [20, 2000] }\nbetween = { celsius = [40, 60], time_s_min = 1 }\n\
                    dwell = { stage = 2, time_s = [15, 200] }\nspread_celsius_max = 40\n\
                    time_to_peak = { from_celsius = 30, time_s_max = 2000 }\ncooldown = { time_s_max = 20000 }\n\
                    [cooldown]\nsafe_celsius = 50\n";

/// The same stages, judged by a stored window.
const NAMED: &str = "recipe = \"AX-20 named\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 5\n[cooldown]\nsafe_celsius = 50\n\
                     [window]\nnamed = \"tight\"\n";

/// No run on the way to 60 °C keeps it.
const TIGHT: &str = "window = \"tight\"\npeak_celsius = [20, 40]\nrise_to_peak = { from_celsius = 55, celsius_per_s_max = 50 }\n";

fn in_scaled_time(place: &Place) -> Daemon {
    let daemon = Daemon::start_with(place, |command| {
        command.args(["--time-scale", "20"]);
    });
    daemon.client().wait_ready(&["bench-1"]);
    daemon
}

fn ask(place: &Place, words: &[&str]) -> Done {
    let words: Vec<&str> = ["--json"].iter().chain(words).copied().collect();
    benchward(place, &words)
}

fn answer(done: &Done) -> Value {
    assert_eq!(done.code, 0, "{done:?}");
    done.json()
}

fn refused(done: &Done, code: i32, error: &str, part: &str) {
    assert_eq!(
        (done.code, &done.json()["error"]),
        (code, &error.into()),
        "{done:?}"
    );
    let text = done.json()["text"].as_str().expect("a sentence").to_owned();
    assert!(text.contains(part), "{text}");
}

fn over(client: &Client, recipe: &str, serial: &str) -> u64 {
    client.wait_ready(&["bench-1"]);
    let run = client.start("bench-1", recipe, serial).expect("it is ready");
    wait_until(&format!("the record of run {run} is closed"), || {
        client.run(run).run.ended.is_some()
    });
    run
}

fn wrote(place: &Place, name: &str, text: &str) -> String {
    let path = place.path(name);
    std::fs::write(&path, text).expect("the folder is ours");
    path.to_str().expect("text").to_owned()
}

/// Runs the independent computation on a run's exported file.
fn by_numpy(place: &Place, run: u64, window: &str) -> Value {
    let csv: PathBuf = place.path(&format!("run-{run}.csv"));
    let csv = csv.to_str().expect("text");
    let done = benchward(
        place,
        &["run", "export", &run.to_string(), "--format", "csv", "-o", csv],
    );
    assert_eq!(done.code, 0, "{done:?}");
    // The system's own: numpy comes as its package, and another python on the PATH may lack it.
    let output = Command::new("/usr/bin/python3")
        .args([file("judged.py").to_str().expect("text"), csv, window])
        .output()
        .expect("`apt-get install python3-numpy`, or let `tests/run` do it");
    let done = Done::of(&output);
    assert_eq!(done.code, 0, "{done:?}");
    done.json()
}

/// The value of each line is what numpy makes of the exported file.
fn same_as_numpy(lines: &[shapes::WindowLine], measured: &Value) {
    for line in lines {
        let expected = measured[&line.line]
            .as_f64()
            .unwrap_or_else(|| panic!("{} wasn't measured: {measured}", line.line));
        let value = line.value.unwrap_or(f64::NAN);
        assert!(
            (value - expected).abs() <= 0.002,
            "{}: {value}, numpy says {expected}",
            line.line
        );
    }
    assert_eq!(
        lines.len(),
        measured.as_object().expect("measures").len(),
        "{measured}"
    );
}

#[test]
fn runs_are_judged_when_they_are_over_and_again() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let mut daemon = in_scaled_time(&place);
    let client = daemon.client();
    for recipe in [KEPT, NAMED] {
        client.put_recipe(recipe).expect("the owner may");
    }
    // A stored window, with its mistakes told before.
    let wrong = wrote(
        &place,
        "wrong.toml",
        "window = \"tight\"\npeak_celsius = [40, 20]\nabov = 3\n",
    );
    let done = ask(&place, &["window", "check", &wrong]);
    assert_eq!(
        (done.code, done.json()["mistakes"].as_array().map(Vec::len)),
        (2, Some(2)),
        "{done:?}"
    );
    refused(&ask(&place, &["window", "show", "tight"]), 2, "NoSuch", "tight");
    let kept = over(&client, "AX-20 preheat", "A-0001");
    let unjudged = over(&client, "AX-20 named", "A-0002");

    // The recipe's own window: every line passes, and each value is numpy's.
    let shown = client.run(kept);
    assert_eq!(shown.run.verdict, "pass", "{:?}", shown.window);
    assert_eq!(shown.window.len(), 9);
    let by = shown.judged_by.expect("it was judged");
    assert_eq!((by.window.as_deref(), by.revision), (None, 1));
    let margins: Vec<f64> = shown
        .window
        .iter()
        .map(|line| line.margin.expect("decided"))
        .collect();
    assert!(margins.is_sorted(), "the worst comes first: {margins:?}");
    let recipe = wrote(&place, "kept.toml", KEPT);
    same_as_numpy(&shown.window, &by_numpy(&place, kept, &recipe));
    let entry = shown
        .journal
        .iter()
        .find(|entry| entry.kind == "run-judged")
        .expect("an entry");
    assert!(
        entry.text.contains("judged by the recipe's own window: pass"),
        "{}",
        entry.text
    );
    assert!(shown.journal.last().is_some_and(|last| last.n == entry.n));

    // A window that isn't there leaves the run undecided, never passed.
    let shown = client.run(unjudged);
    assert_eq!(shown.run.verdict, "undecided");
    assert!(
        shown.window[0].text.contains("there is no window \"tight\""),
        "{:?}",
        shown.window
    );
    let tight = wrote(&place, "tight.toml", TIGHT);
    assert_eq!(answer(&ask(&place, &["window", "put", &tight]))["revision"], 1);
    assert_eq!(
        answer(&ask(&place, &["window", "put", &tight]))["revision"],
        1,
        "the same text"
    );
    assert_eq!(
        answer(&ask(&place, &["window", "list"]))["windows"][0]["lines"],
        2
    );
    assert_eq!(answer(&ask(&place, &["window", "show", "tight"]))["text"], TIGHT);
    let (kept_word, unjudged_word) = (kept.to_string(), unjudged.to_string());
    let tried = answer(&ask(&place, &["run", "judge", &unjudged_word, "--dry-run"]));
    assert_eq!(
        (&tried["verdict"], &tried["stored"]),
        (&"fail".into(), &false.into())
    );
    assert_eq!(
        client.run(unjudged).run.verdict,
        "undecided",
        "a dry run keeps nothing"
    );
    let judged = answer(&ask(&place, &["run", "judge", &unjudged_word]));
    assert_eq!(
        (&judged["verdict"], &judged["window"], &judged["revision"]),
        (&"fail".into(), &"tight".into(), &1.into())
    );
    assert_eq!(judged["lines"][0]["line"], "peak", "{judged}");
    let shown = client.run(unjudged);
    assert_eq!(shown.run.verdict, "fail");
    same_as_numpy(&shown.window, &by_numpy(&place, unjudged, &tight));
    let entry = client
        .journal()
        .into_iter()
        .rfind(|entry| entry.kind == "verdict")
        .expect("an entry");
    assert!(
        entry.who.is_some() && entry.text.contains("by window \"tight\" revision 1: fail"),
        "{}",
        entry.text
    );
    refused(&ask(&place, &["run", "judge", "99"]), 2, "NoSuch", "run 99");
    refused(
        &ask(&place, &["run", "judge", &kept_word, "--window", "loose"]),
        2,
        "NoSuch",
        "loose",
    );

    // From here on its runs are judged by it at once, by the revision that is newest then.
    let second = TIGHT.replace("40]", "41]");
    assert_eq!(
        client
            .windows(async |windows| windows.put(&second).await)
            .expect("the owner may"),
        2
    );
    let next = over(&client, "AX-20 named", "A-0003");
    let by = client.run(next).judged_by.expect("it was judged");
    assert_eq!((by.window.as_deref(), by.revision), (Some("tight"), 2));

    // Lists are filtered by verdict.
    for (verdict, runs) in [
        ("pass", vec![kept]),
        ("fail", vec![next, unjudged]),
        ("undecided", vec![]),
        ("none", vec![]),
    ] {
        let listed = answer(&ask(&place, &["run", "list", "--verdict", verdict]));
        let found: Vec<u64> = listed["runs"]
            .as_array()
            .expect("runs")
            .iter()
            .filter_map(|run| run["run"].as_u64())
            .collect();
        assert_eq!(found, runs, "{verdict}");
    }
    let text = benchward(&place, &["run", "show", &unjudged_word]).stdout;
    assert!(
        text.contains("fail, by window \"tight\" revision 1") && text.contains("above the limit of 40 °C"),
        "{text}"
    );

    // Charts and comparisons, the same with a daemon and without.
    let stats = ["run", "stats", "--window", "tight", "--line", "peak"];
    let compare = [
        "run",
        "compare",
        &unjudged_word,
        &next.to_string(),
        &kept_word,
        "--align",
        "55C",
    ];
    let charted = answer(&ask(&place, &stats));
    let compared = answer(&ask(&place, &compare));
    let line = &charted["lines"][0];
    assert_eq!(
        (&line["n"], &charted["runs"]),
        (&3.into(), &3.into()),
        "{charted}"
    );
    let values: Vec<f64> = line["values"]
        .as_array()
        .expect("values")
        .iter()
        .filter_map(|value| value["value"].as_f64())
        .collect();
    let peaks: Vec<f64> = [kept, unjudged, next]
        .iter()
        .filter_map(|&run| client.run(run).run.peak_celsius)
        .collect();
    assert!(
        values
            .iter()
            .zip(&peaks)
            .all(|(value, peak)| (value - peak).abs() < 1e-9),
        "{values:?} {peaks:?}"
    );
    let mean = values.iter().sum::<f64>() / 3.0;
    let range = f64::midpoint((values[1] - values[0]).abs(), (values[2] - values[1]).abs());
    let near = |key: &str, expected: f64| {
        let got = line[key].as_f64().unwrap_or(f64::NAN);
        assert!(
            (got - expected).abs() < 1e-3 * (1.0 + expected.abs()),
            "{key}: {got} {expected}"
        );
    };
    // The constant as it is printed, to three decimals.
    near("mean", mean);
    near("sigma", range / 1.128);
    near("cpk", f64::min(41.0 - mean, mean - 20.0) / (3.0 * range / 1.128));
    near("control_high", mean + 3.0 * range / 1.128);
    assert_eq!(compared["aligned_at"], "55 °C");
    let heights: Vec<f64> = compared["figures"][0]["values"]
        .as_array()
        .expect("peaks")
        .iter()
        .filter_map(Value::as_f64)
        .collect();
    assert!((heights[2] - peaks[0]).abs() < 0.001, "{heights:?} {peaks:?}");
    let at_zero = |run: usize| {
        let curve = compared["runs"][run]["curve"].as_array().expect("a curve");
        let point = curve
            .iter()
            .find(|point| point["at_s"] == 0.0)
            .expect("zero is on the curve");
        point["celsius"].as_f64().expect("a reading")
    };
    assert!((0..3).all(|run| (at_zero(run) - 55.0).abs() < 0.01), "{compared}");
    refused(
        &ask(
            &place,
            &["run", "compare", &kept_word, &unjudged_word, "--align", "stage 2"],
        ),
        2,
        "NoSuch",
        "stage 2",
    );
    refused(
        &ask(
            &place,
            &["run", "compare", &kept_word, &unjudged_word, "--channel", "rear"],
        ),
        2,
        "NoSuch",
        "rear",
    );
    let drawn = benchward(&place, &["run", "compare", &kept_word, &unjudged_word]).stdout;
    assert!(drawn.lines().all(|line| line.chars().count() <= 100), "{drawn}");

    daemon.terminate();
    let archive = place.archive();
    let folder = ["--archive", archive.to_str().expect("text")];
    let offline = |words: &[&str]| answer(&ask(&place, &[words, &folder].concat()));
    assert_eq!(offline(&stats), charted);
    assert_eq!(offline(&compare), compared);
    assert_eq!(offline(&["window", "list"])["windows"][0]["revision"], 2);
    let again = offline(&["run", "judge", &unjudged_word]);
    assert_eq!((&again["revision"], &again["stored"]), (&2.into(), &false.into()));
}

/// A daemon that dies under a run leaves readings that end hot: nothing is passed by them, and what failed has failed.
#[test]
fn a_lost_run_is_judged_by_what_there_is_and_never_passed() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let mut daemon = in_scaled_time(&place);
    let client = daemon.client();
    for (name, peak) in [("wide", "[20, 200]"), ("low", "[20, 30]")] {
        let recipe = format!(
            "recipe = \"{name}\"\n[[stage]]\ntarget_celsius = 32\ndwell_s = 3600\n[window]\npeak_celsius = {peak}\n"
        );
        client.put_recipe(&recipe).expect("the owner may");
    }
    drop(client);
    for (run, (recipe, verdict)) in (1..).zip([("wide", "undecided"), ("low", "fail")]) {
        let client = daemon.client();
        client.wait_ready(&["bench-1"]);
        assert_eq!(
            client.start("bench-1", recipe, "A-0001").expect("it is ready"),
            run
        );
        wait_until("the board is warm", || {
            client.run(run).run.peak_celsius.is_some_and(|peak| peak > 31.0)
                || client
                    .station("bench-1")
                    .control_celsius
                    .is_some_and(|now| now > 31.0)
        });
        // What was read is on the disk half a second later.
        std::thread::sleep(std::time::Duration::from_millis(700));
        daemon.kill();
        daemon = in_scaled_time(&place);
        let client = daemon.client();
        wait_until("the lost run is judged", || client.run(run).run.verdict != "none");
        let shown = client.run(run);
        assert_eq!(
            (shown.run.outcome.as_deref(), &*shown.run.verdict),
            (Some("lost"), verdict),
            "{:?}",
            shown.window
        );
        if verdict == "undecided" {
            assert!(
                shown.window[0].text.contains("the daemon died under the run"),
                "{:?}",
                shown.window
            );
        }
        wait_until("the station can be used again", || {
            let tripped = client.tripped("bench-1");
            if !tripped.is_empty() {
                let _ = client.ask("bench-1", async |station| station.reset().await);
            }
            tripped.is_empty()
        });
    }
}
