//! Measures of runs against hand-computed geometry, and what gaps do to verdicts.

use benchward_core::Phase;
use benchward_core::recipe::{ControlBy, Stage};
use benchward_core::units::{Celsius, CelsiusDelta, Millis};
use benchward_core::window::Window;
use benchward_judge::{Board, Ending, Judge, Judgement, Verdict};
use proptest::prelude::*;
use serde_json::Value;

const CASES: &str = include_str!("published/window_cases.json");
const LEAD_FREE: &str = include_str!("../../../deploy/examples/windows/classification-lead-free.toml");

/// Below this a board of these tests is safe to handle.
const SAFE: Celsius = Celsius::constant(61.0);

fn window(lines: &str) -> Window {
    Window::parse("w.toml", &format!("window = \"w\"\n{lines}"))
        .unwrap_or_else(|mistakes| panic!("{mistakes}"))
        .window
}

/// One scan: seconds, good readings, phase, stage, target.
type Row = (f64, Vec<Option<f64>>, Phase, Option<u16>, Option<f64>);

fn row(at: f64, celsius: &[f64]) -> Row {
    (
        at,
        celsius.iter().copied().map(Some).collect(),
        Phase::Ramp,
        Some(1),
        None,
    )
}

fn judge_on(window: &Window, channels: &[&str], rows: &[Row], ending: Ending) -> Judgement {
    let channels: Vec<String> = channels.iter().map(|&name| name.to_owned()).collect();
    let stage = |target: f64| Stage {
        target: Celsius::new(target).unwrap(),
        ramp_max: None,
        dwell: Millis(10_000),
        band: CelsiusDelta::new(2.0).unwrap(),
    };
    let board = Board {
        channels: &channels,
        control: &ControlBy::Channel(channels[0].clone()),
        stages: &[stage(50.0), stage(80.0)],
        safe: SAFE,
    };
    let mut judge = Judge::new(window, &board);
    for (at_s, celsius, phase, stage, target) in rows {
        judge.take(&benchward_judge::Scan {
            at_s: *at_s,
            celsius,
            phase: *phase,
            stage: *stage,
            target: *target,
        });
    }
    judge.finish(ending)
}

fn judge(window: &Window, rows: &[Row]) -> Judgement {
    let at_s = rows.last().map_or(0.0, |row| row.0);
    judge_on(window, &["board-top"], rows, Ending { at_s, lost: false })
}

/// The points of a polyline, each `step` seconds and at its corners.
fn drawn(corners: &[(f64, f64)], step: f64) -> Vec<Row> {
    let mut rows = vec![row(corners[0].0, &[corners[0].1])];
    for pair in corners.windows(2) {
        let ((from, low), (to, high)) = (pair[0], pair[1]);
        let mut at = from + step;
        while at < to {
            rows.push(row(at, &[low + (high - low) * (at - from) / (to - from)]));
            at += step;
        }
        rows.push(row(to, &[high]));
    }
    rows
}

/// Value and verdict of the line that is called so.
fn line(judgement: &Judgement, name: &str) -> (f64, Verdict) {
    let found = judgement
        .lines
        .iter()
        .find(|line| line.line.measure.to_string() == name);
    let found = found.unwrap_or_else(|| panic!("no line `{name}` in {judgement:?}"));
    (found.value.unwrap_or(f64::NAN), found.verdict)
}

fn check(judgement: &Judgement, name: &str, value: f64, verdict: Verdict) {
    let (got, said) = line(judgement, name);
    assert!((got - value).abs() < 1e-6, "{name}: {got} is not {value}");
    assert_eq!(said, verdict, "{name}: {judgement:?}");
}

/// Every measure of the published profile on runs whose geometry is exact, whatever the pace of the readings.
#[test]
fn the_published_profile_measures_as_the_geometry_says() {
    let cases: Value = serde_json::from_str(CASES).unwrap();
    for case in cases["traces"].as_array().unwrap() {
        let supplier = case["role"] == "supplier";
        let tc = case["Tc_degC"].as_f64().unwrap();
        // Who classifies a part has to reach what who uses it must not pass.
        let text = LEAD_FREE
            .replace(
                "peak_celsius = [217, 245]",
                &format!("peak_celsius = [217, {tc}]"),
            )
            .replace(
                "{ celsius = 240, time_s_max = 30 }",
                &if supplier {
                    format!("{{ celsius = {}, time_s_min = 30 }}", tc - 5.0)
                } else {
                    format!("{{ celsius = {}, time_s_max = 30 }}", tc - 5.0)
                },
            );
        let window = Window::parse("w.toml", &text).unwrap().window;
        let corners: Vec<(f64, f64)> = case["breakpoints"]
            .as_array()
            .unwrap()
            .iter()
            .map(|corner| (corner[0].as_f64().unwrap(), corner[1].as_f64().unwrap()))
            .collect();
        let id = &case["id"];
        for step in [0.1, 0.7, 1.9] {
            let found = judge(&window, &drawn(&corners, step));
            let metric = |key: &str| case["metrics"][key].as_f64().unwrap();
            let pass = |key: &str| {
                if case["pass"][key].as_bool().unwrap() {
                    Verdict::Pass
                } else {
                    Verdict::Fail
                }
            };
            let at_peak = format!("above {} °C", tc - 5.0);
            for (name, key, pass_key) in [
                ("peak", "peak_degC", "peak"),
                (
                    "rise from 217 °C to the peak",
                    "avg_ramp_up_217_to_peak_K_per_s",
                    "ramp_up",
                ),
                (
                    "fall from the peak to 217 °C",
                    "avg_ramp_down_peak_to_217_K_per_s",
                    "ramp_down",
                ),
                ("above 217 °C", "time_above_217_s", "time_above_liquidus"),
                (&at_peak, "time_within_5_of_Tc_s", "time_at_peak"),
                ("rising from 150 to 200 °C", "soak_time_150_200_s", "soak"),
                ("time from 25 °C to peak", "time_25_to_peak_s", "time_to_peak"),
            ] {
                check(&found, name, metric(key), pass(pass_key));
            }
            let overall = if case["overall"].as_bool().unwrap() {
                Verdict::Pass
            } else {
                Verdict::Fail
            };
            assert_eq!(found.verdict, overall, "{id} {step}");
            if overall == Verdict::Fail {
                assert_eq!(
                    found.lines[0].verdict,
                    Verdict::Fail,
                    "the worst line comes first"
                );
            }
        }
    }
}

/// 20 to 80 °C at 2 °C/s, held 20 s, back at 1 °C/s: by hand.
#[test]
fn rates_and_times_are_as_by_hand() {
    let rows = drawn(&[(0.0, 20.0), (30.0, 80.0), (50.0, 80.0), (100.0, 30.0)], 0.5);
    let found = judge(
        &window(
            "rise_celsius_per_s_max = 1.9\nfall_celsius_per_s_max = 1\nrate_over_s = 10\n\
             above = { celsius = 70, time_s = [20, 60] }\nbetween = { celsius = [50, 60], time_s_min = 16 }\n\
             time_to_peak = { time_s_max = 29 }\n",
        ),
        &rows,
    );
    check(&found, "rise", 2.0, Verdict::Fail);
    check(&found, "fall", 1.0, Verdict::Pass);
    // 25 s to 30 s, the plateau, and 10 s of the way back.
    check(&found, "above 70 °C", 35.0, Verdict::Pass);
    check(&found, "between 50 and 60 °C", 15.0, Verdict::Fail);
    check(&found, "time to peak", 30.0, Verdict::Fail);
}

/// The mean over 10 s of a rise that lasts 4 s is less than half of its rate, wherever the readings lie.
#[test]
fn a_rate_is_the_mean_over_its_span() {
    let limits = window("rise_celsius_per_s_max = 3\nrate_over_s = 10\n");
    for step in [0.1, 0.3, 1.7] {
        let rows = drawn(&[(0.0, 20.0), (20.0, 20.0), (24.0, 40.0), (60.0, 40.0)], step);
        check(&judge(&limits, &rows), "rise", 2.0, Verdict::Pass);
    }
    let short = judge(&limits, &drawn(&[(0.0, 20.0), (9.0, 60.0)], 0.5));
    assert_eq!(short.verdict, Verdict::Undecided);
    assert!(short.lines[0].text.contains("less than the 10 s"), "{short:?}");
}

/// Stage 2's band is 78 to 82 °C: 1 s on the way up, 20 s there.
#[test]
fn a_dwell_is_the_time_in_the_band_while_its_stage_goes_on() {
    let mut rows = drawn(&[(0.0, 20.0), (30.0, 80.0), (50.0, 80.0), (100.0, 30.0)], 0.5);
    for row in &mut rows {
        (row.2, row.3, row.4) = match row.0 {
            at if at <= 15.0 => (Phase::Ramp, Some(1), Some(50.0)),
            at if at <= 30.0 => (Phase::Ramp, Some(2), Some(80.0)),
            at if at <= 50.0 => (Phase::Dwell, Some(2), Some(80.0)),
            _ => (Phase::Cooldown, Some(2), None),
        };
    }
    let found = judge(
        &window(
            "dwell = [{ stage = 1, time_s = [0.5, 2] }, { stage = 2, time_s = [20, 22] }]\n\
             cooldown = [{ time_s_max = 20 }, { to_celsius = 40, time_s_max = 39 }]\n",
        ),
        &rows,
    );
    check(&found, "dwell of stage 1", 1.0, Verdict::Pass);
    check(&found, "dwell of stage 2", 21.0, Verdict::Pass);
    // The first reading without heat is at 50.5 s; 61 °C are passed at 69 s and 40 °C at 90 s.
    check(&found, "cool-down", 18.5, Verdict::Pass);
    check(&found, "cool-down to 40 °C", 39.5, Verdict::Fail);
}

#[test]
fn every_channel_has_to_keep_a_line_or_the_one_that_is_named() {
    let lines = "peak_celsius = [70, 80]\nspread_celsius_max = 6\n";
    let rows: Vec<Row> = (0..=40)
        .map(|at| {
            let at = f64::from(at);
            row(at, &[20.0 + at.min(20.0) * 2.8, 20.0 + at.min(20.0) * 2.4])
        })
        .chain((41..=60).map(|at| row(f64::from(at), &[50.0, 50.0])))
        .collect();
    let names = ["board-top", "board-edge"];
    let ending = Ending {
        at_s: 60.0,
        lost: false,
    };
    for (channel, value, verdict, of) in [
        ("", 76.0, Verdict::Pass, "hottest"),
        ("channel = \"all\"\n", 68.0, Verdict::Fail, "board-edge"),
        ("channel = \"coldest\"\n", 68.0, Verdict::Fail, "coldest"),
        ("channel = \"mean\"\n", 72.0, Verdict::Pass, "mean"),
        ("channel = \"control\"\n", 76.0, Verdict::Pass, "board-top"),
        ("channel = \"board-edge\"\n", 68.0, Verdict::Fail, "board-edge"),
    ] {
        let found = judge_on(&window(&format!("{channel}{lines}")), &names, &rows, ending);
        check(&found, "peak", value, verdict);
        check(&found, "spread", 8.0, Verdict::Fail);
        let peak = found.lines.iter().find(|line| line.channel == of);
        assert!(peak.is_some(), "{of}: {found:?}");
    }
    let elsewhere = judge_on(
        &window("channel = \"rear\"\npeak_celsius_max = 80\n"),
        &names,
        &rows,
        ending,
    );
    assert_eq!(elsewhere.verdict, Verdict::Undecided);
    assert!(
        elsewhere.lines[0].text.contains("no channel `rear`"),
        "{elsewhere:?}"
    );
    let alone = judge(
        &window("spread_celsius_max = 5\n"),
        &drawn(&[(0.0, 20.0), (9.0, 30.0)], 1.0),
    );
    assert_eq!(alone.verdict, Verdict::Undecided);
    assert!(alone.lines[0].text.contains("needs two channels"), "{alone:?}");
}

/// A channel that falls silent leaves the same gap in the hottest of all, though the other goes on.
#[test]
fn a_silent_channel_leaves_a_gap_in_what_is_made_of_all() {
    let mut rows: Vec<Row> = (0..=60).map(|at| row(f64::from(at), &[40.0, 50.0])).collect();
    for row in &mut rows[20..24] {
        row.1[1] = None;
    }
    let names = ["board-top", "board-edge"];
    let ending = Ending {
        at_s: 60.0,
        lost: false,
    };
    let lines = window(
        "peak_celsius = [45, 55]\nspread_celsius_max = 20\nabove = { celsius = 45, time_s = [50, 61] }\n",
    );
    let found = judge_on(&lines, &names, &rows, ending);
    check(&found, "peak", 50.0, Verdict::Undecided);
    check(&found, "spread", 10.0, Verdict::Undecided);
    // 5 s of 60 weren't seen, and either way the time is inside.
    check(&found, "above 45 °C", 55.0, Verdict::Pass);
    assert!(
        found.lines[0].text.contains("no good reading of all channels")
            && found.lines[0].text.contains("for 5.0 s from 19.0 s on"),
        "{found:?}"
    );
    let bridged = Window {
        gap_max: Millis(5_000),
        ..lines
    };
    assert_eq!(judge_on(&bridged, &names, &rows, ending).verdict, Verdict::Pass);
}

/// One channel was never read; of the other enough is known to say that the hottest was too hot.
#[test]
fn what_failed_has_failed_though_a_channel_was_never_read() {
    let rows: Vec<Row> = (0..=60)
        .map(|at| {
            let mut row = row(f64::from(at), &[if at == 30 { 95.0 } else { 50.0 }]);
            row.1.push(None);
            row
        })
        .collect();
    let ending = Ending {
        at_s: 60.0,
        lost: false,
    };
    let of = |limit: &str| judge_on(&window(limit), &["board-top", "board-edge"], &rows, ending);
    check(&of("peak_celsius_max = 90\n"), "peak", 95.0, Verdict::Fail);
    check(&of("peak_celsius_max = 99\n"), "peak", 95.0, Verdict::Undecided);
}

#[test]
fn what_came_after_the_readings_is_not_taken_for_good() {
    let lines = window("peak_celsius = [70, 90]\nabove = { celsius = 60, time_s = [5, 60] }\n");
    let heating = drawn(&[(0.0, 20.0), (30.0, 80.0)], 0.5);
    let whole = drawn(&[(0.0, 20.0), (30.0, 80.0), (60.0, 50.0)], 0.5);
    let end = |rows: &[Row], lost, later: f64| {
        let at_s = rows.last().unwrap().0 + later;
        judge_on(&lines, &["board-top"], rows, Ending { at_s, lost }).verdict
    };
    assert_eq!(end(&whole, false, 0.0), Verdict::Pass);
    assert_eq!(
        end(&heating, false, 0.0),
        Verdict::Undecided,
        "the board was still hot"
    );
    assert_eq!(end(&whole, true, 0.0), Verdict::Undecided, "nobody saw the end");
    assert_eq!(
        end(&whole, false, 5.0),
        Verdict::Undecided,
        "the last 5 s are missing"
    );
    let nothing = judge(&lines, &[]);
    assert_eq!(nothing.verdict, Verdict::Undecided);
    assert!(nothing.lines[0].text.contains("no good reading"), "{nothing:?}");
    // What failed has failed, whatever wasn't seen.
    let hot = drawn(&[(0.0, 20.0), (30.0, 95.0)], 0.5);
    assert_eq!(end(&hot, true, 0.0), Verdict::Fail);
}

/// What a straight line over a gap would say is no rate that was seen, nor a dwell.
#[test]
fn nothing_is_measured_in_a_gap() {
    let mut rows = drawn(&[(0.0, 20.0), (20.0, 20.0)], 1.0);
    rows.extend(drawn(&[(25.0, 40.0), (45.0, 40.0)], 1.0));
    let rise = judge(&window("rise_celsius_per_s_max = 1\n"), &rows);
    check(&rise, "rise", 0.0, Verdict::Undecided);

    let mut rows = drawn(&[(0.0, 50.0), (30.0, 50.0)], 0.5);
    rows.retain(|row| row.0 <= 10.0 || row.0 >= 14.0);
    rows.extend(drawn(&[(30.5, 49.0), (40.0, 30.0)], 0.5));
    for row in &mut rows {
        (row.2, row.4) = if row.0 <= 30.0 {
            (Phase::Dwell, Some(50.0))
        } else {
            (Phase::Cooldown, None)
        };
    }
    for (limits, verdict) in [
        ("[25, 31]", Verdict::Pass),
        ("[27, 31]", Verdict::Undecided),
        ("[31, 40]", Verdict::Fail),
        ("[10, 29]", Verdict::Undecided),
        ("[10, 25]", Verdict::Fail),
    ] {
        let text = format!("dwell = {{ stage = 1, time_s = {limits} }}\n");
        check(&judge(&window(&text), &rows), "dwell of stage 1", 26.0, verdict);
    }
}

/// 30 s above 60 °C so far, and the board still hot when the readings end: it may be any time more.
#[test]
fn a_time_goes_on_where_the_readings_end_hot() {
    let rows = drawn(&[(0.0, 20.0), (20.0, 80.0), (43.333_333, 80.0)], 0.5);
    for (limits, verdict) in [
        ("time_s_max = 100", Verdict::Undecided),
        ("time_s_min = 25", Verdict::Pass),
        ("time_s_max = 25", Verdict::Fail),
    ] {
        let text = format!("above = {{ celsius = 60, {limits} }}\n");
        check(&judge(&window(&text), &rows), "above 60 °C", 30.0, verdict);
    }
}

/// The first peak, and the first time that it was cool, count for nothing once it is hot again.
#[test]
fn only_the_highest_peak_and_the_last_cooling_count() {
    let mut rows = drawn(
        &[
            (0.0, 20.0),
            (20.0, 70.0),
            (30.0, 40.0),
            (50.0, 90.0),
            (70.0, 50.0),
            (75.0, 65.0),
            (90.0, 20.0),
        ],
        0.5,
    );
    for row in &mut rows {
        row.2 = if row.0 <= 50.0 {
            Phase::Ramp
        } else {
            Phase::Cooldown
        };
    }
    let found = judge(
        &window(
            "fall_from_peak = { to_celsius = 60, celsius_per_s_max = 2.5 }\n\
             rise_to_peak = { from_celsius = 60, celsius_per_s_max = 2.4 }\ncooldown = { time_s_max = 26 }\n",
        ),
        &rows,
    );
    check(&found, "fall from the peak to 60 °C", 2.0, Verdict::Pass);
    check(&found, "rise from 60 °C to the peak", 2.5, Verdict::Fail);
    // 61 °C is passed for good 4/3 s after 75 s; the first reading without heat is at 50.5 s.
    check(&found, "cool-down", 75.0 + 4.0 / 3.0 - 50.5, Verdict::Pass);
}

/// Two drivers may send in the same millisecond: no line joins the two, and the hotter one was there.
#[test]
fn two_readings_at_one_time_are_no_step() {
    let mut rows = drawn(&[(0.0, 20.0), (20.0, 60.0), (60.0, 20.0)], 0.5);
    let at = rows.iter().position(|row| row.0 >= 20.0).unwrap();
    rows.insert(at + 1, row(20.0, &[75.0]));
    let found = judge(
        &window(
            "peak_celsius_max = 70\nrise_celsius_per_s_max = 3\nrate_over_s = 5\nabove = { celsius = 40, time_s_max = 31 }\n",
        ),
        &rows,
    );
    check(&found, "peak", 75.0, Verdict::Fail);
    check(&found, "rise", 2.0, Verdict::Pass);
    check(&found, "above 40 °C", 30.0, Verdict::Pass);
}

/// A piece of time belongs to a stage that both of its ends are in.
#[test]
fn the_step_between_two_stages_belongs_to_neither() {
    let mut rows = drawn(&[(0.0, 80.0), (20.0, 80.0)], 1.0);
    for row in &mut rows {
        let stage = if row.0 <= 10.0 { 1 } else { 2 };
        (row.2, row.3, row.4) = (Phase::Dwell, Some(stage), Some(80.0));
    }
    let found = judge(
        &window("dwell = [{ stage = 1, time_s_min = 1 }, { stage = 2, time_s_min = 1 }]\n"),
        &rows,
    );
    check(&found, "dwell of stage 1", 10.0, Verdict::Pass);
    check(&found, "dwell of stage 2", 9.0, Verdict::Pass);
}

proptest! {
    /// Whatever happened in a gap, a verdict that was given without it stands.
    #[test]
    fn a_verdict_given_over_a_gap_holds_for_every_way_to_fill_it(
        shape in prop::collection::vec((2.0..12.0_f64, 25.0..100.0_f64), 2..7),
        (from, length) in (0.0..1.0_f64, 2.5..20.0_f64),
        fill in prop::collection::vec(20.0..200.0_f64, 40),
    ) {
        let mut corners = vec![(0.0, 25.0)];
        for (seconds, celsius) in shape {
            corners.push((corners.last().unwrap().0 + seconds, celsius));
        }
        corners.push((corners.last().unwrap().0 + 10.0, 30.0));
        let mut whole = drawn(&corners, 0.5);
        let off = corners.last().unwrap().0 - 10.0;
        for row in whole.iter_mut().filter(|row| row.0 > off) {
            row.2 = Phase::Cooldown;
        }
        let begin = from * corners.last().unwrap().0;
        // A record is closed at a reading below the safe temperature: that one is there.
        let last = corners.last().unwrap().0;
        let missing = |at: f64| at > begin && at < (begin + length).min(last);
        let before = whole.iter().rfind(|row| row.0 <= begin).map_or(0.0, |row| row.0);
        let after = whole.iter().find(|row| row.0 > begin && !missing(row.0)).map_or(last, |row| row.0);
        // A shorter one is bridged, which is to say that nothing happened in it.
        prop_assume!(after - before > 2.0);
        let gappy: Vec<Row> = whole.iter().filter(|row| !missing(row.0)).cloned().collect();
        let filled: Vec<Row> = whole
            .iter()
            .zip(fill.iter().cycle())
            .map(|(row, &celsius)| if missing(row.0) {
                let mut row = row.clone();
                row.1 = vec![Some(celsius)];
                row
            } else {
                row.clone()
            })
            .collect();
        let lines = window(
            "rate_over_s = 2\npeak_celsius = [60, 90]\nrise_celsius_per_s_max = 6\nfall_celsius_per_s_max = 6\n\
             above = [{ celsius = 50, time_s = [5, 30] }, { celsius = 80, time_s_max = 4 }]\n\
             between = [{ celsius = [40, 60], time_s = [2, 12] }, { celsius = [40, 60], time_s = [1, 6], rising = true }]\n\
             time_to_peak = [{ time_s_max = 20 }, { from_celsius = 40, time_s_max = 10 }]\n\
             rise_to_peak = { from_celsius = 50, celsius_per_s_max = 4 }\n\
             fall_from_peak = { to_celsius = 50, celsius_per_s_max = 4 }\n\
             cooldown = [{ time_s_max = 6 }, { to_celsius = 40, time_s_min = 8 }]\n",
        );
        let (seen, full) = (judge(&lines, &gappy), judge(&lines, &filled));
        for judged in &seen.lines {
            let of = full.lines.iter().find(|line| line.line == judged.line).unwrap();
            prop_assert!(
                judged.verdict == Verdict::Undecided || judged.verdict == of.verdict,
                "{judged:?} over a gap, {of:?} without"
            );
        }
    }

    /// More readings of the same straight lines change no measure.
    #[test]
    fn measures_do_not_hang_on_the_pace_of_readings(
        shape in prop::collection::vec((2.0..12.0_f64, 25.0..100.0_f64), 2..7),
        step in 0.05..1.9_f64,
    ) {
        let mut corners = vec![(0.0, 25.0)];
        for (seconds, celsius) in shape {
            corners.push((corners.last().unwrap().0 + seconds, celsius));
        }
        let lines = window(
            "rate_over_s = 5\npeak_celsius_max = 90\nrise_celsius_per_s_max = 6\nfall_celsius_per_s_max = 6\n\
             above = { celsius = 50, time_s_max = 10 }\nbetween = { celsius = [40, 60], time_s_max = 12 }\n",
        );
        let (one, other) = (judge(&lines, &drawn(&corners, step)), judge(&lines, &drawn(&corners, 0.5)));
        for judged in &one.lines {
            let of = other.lines.iter().find(|line| line.line == judged.line).unwrap();
            let (a, b) = (judged.value.unwrap_or(-1.0), of.value.unwrap_or(-1.0));
            prop_assert!((a - b).abs() < 1e-6, "{judged:?} {of:?}");
        }
    }
}
