//! The driver against a server that shares no code with it, over TCP and over a serial line made of pseudo-terminals.

mod peer;

use std::collections::BTreeMap;
use std::path::Path;
use std::thread;
use std::time::{Duration, Instant};

use benchward_driver::conformance::{self, Subject};
use benchward_driver::wire::{Fault, FromDriver, InputKind, Level, Value};
use peer::{Driver, PATIENCE, Server, begin, wait_for};
use serde_json::json;

fn program() -> &'static Path {
    Path::new(env!("CARGO_BIN_EXE_benchward-driver-modbus"))
}

/// Waits until the record has this, somewhere behind the first `after` lines.
#[track_caller]
fn wait_for_record(server: &Server, after: usize, wanted: &[(u64, u64, u64, u64)]) {
    wait_for(&format!("{wanted:?} in the server's record"), || {
        let record = server.record();
        let mut rest = record.get(after..)?.iter();
        wanted.iter().all(|line| rest.any(|l| l == line)).then_some(())
    });
}

fn close(value: f64, wanted: f64) -> bool {
    (value - wanted).abs() < 1e-6
}

fn celsius(wanted: f64) -> impl Fn(&Value<'_>) -> bool {
    move |value| matches!(value, Value::Temperature { celsius, .. } if close(*celsius, wanted))
}

fn fault(wanted: Fault, part: &str) -> impl Fn(&Value<'_>) -> bool {
    move |value| matches!(value, Value::Fault { kind, text } if *kind == wanted && text.as_deref().unwrap_or("").contains(part))
}

/// Units with one number of each type and order, encoded by the server's own library.
fn numbers() -> serde_json::Value {
    json!([
        {"id": 1, "coils": [true, false], "discrete": [false, true, false],
         "holding": [0b100, {"type": "int32", "words": "low-first", "value": -123_456}],
         "input": [
            65_411,                                                           // 0
            {"type": "uint16", "value": 64_000},                              // 1
            {"type": "int32", "value": -123_456},                             // 2
            {"type": "uint32", "value": 3_000_000_000_u32},                   // 4
            {"type": "uint32", "words": "low-first", "value": 3_000_000_000_u32}, // 6
            {"type": "float32", "value": 183.25},                             // 8
            {"type": "float32", "words": "low-first", "value": 183.25},       // 10
            32_767,                                                           // 12
            0x7fc0, 0                                                         // 13: NaN
         ]},
        {"id": 9, "input": [{"type": "float32", "value": 4.096}, 245, 5, 3_000]}
    ])
}

fn numbers_settings() -> serde_json::Value {
    let input = |address: u16, number: &str| json!({"kind": "temperature", "unit_id": 1, "function": "input-register", "address": address, "type": number});
    let with = |mut input: serde_json::Value, more: serde_json::Value| {
        input
            .as_object_mut()
            .unwrap()
            .extend(more.as_object().unwrap().clone());
        input
    };
    let bit = |kind: &str, function: &str, address: u16, more: serde_json::Value| {
        with(
            json!({"kind": kind, "unit_id": 1, "function": function, "address": address}),
            more,
        )
    };
    json!({"rate_hz": 2, "retries": 3, "inputs": {
        "int16": with(input(0, "int16"), json!({"scale": 0.1, "offset": 100})),
        "uint16": with(input(1, "uint16"), json!({"scale": 0.01})),
        "int32": with(input(2, "int32"), json!({"scale": 0.001})),
        "int32-low": with(input(1, "int32"), json!({"function": "holding-register", "words": "low-first", "scale": 0.001})),
        "uint32": with(input(4, "uint32"), json!({"scale": 1e-8})),
        "uint32-low": with(input(6, "uint32"), json!({"words": "low-first", "scale": 1e-8})),
        "float32": input(8, "float32"),
        "float32-low": with(input(10, "float32"), json!({"words": "low-first"})),
        "open": with(input(12, "int16"), json!({"scale": 0.1, "open": [-32_768, 32_767]})),
        "nan": input(13, "float32"),
        "range": with(input(0, "int16"), json!({"range": [-50, 400]})),
        "tc": {"kind": "thermocouple", "thermocouple": "K", "unit_id": 9, "function": "input-register", "address": 0,
               "type": "float32",
               "cold_junction": {"function": "input-register", "address": 2, "type": "int16", "scale": 0.1}},
        "amps": {"kind": "current", "unit_id": 9, "function": "input-register", "address": 3, "type": "uint16"},
        "pedal": bit("presence", "coil", 0, json!({})),
        "hood": bit("permissive", "discrete-input", 1, json!({})),
        "fan": bit("permissive", "discrete-input", 2, json!({"active_when": "off"})),
        "bit": bit("permissive", "holding-register", 0, json!({"bit": 2})),
        "other-bit": bit("permissive", "holding-register", 0, json!({"bit": 3})),
    }})
}

fn values_of_all_types(server: &Server) {
    let mut driver = Driver::start(program(), &server.settings(numbers_settings()));
    let tc = driver.describe.inputs.iter().find(|i| i.id == "tc").unwrap();
    assert_eq!(tc.kind, InputKind::Thermocouple { letter: 'K' });
    for (id, wanted) in [
        ("int16", 100.0 - 12.5),
        ("uint16", 640.0),
        ("int32", -123.456),
        ("int32-low", -123.456),
        ("uint32", 30.0),
        ("uint32-low", 30.0),
        ("float32", 183.25),
        ("float32-low", 183.25),
    ] {
        driver.wait_value(id, &format!("{wanted} °C"), celsius(wanted));
    }
    driver.wait_value("open", "open", fault(Fault::Open, "32767"));
    driver.wait_value("nan", "open", fault(Fault::Open, "NaN"));
    driver.wait_value(
        "range",
        "range",
        fault(Fault::Range, "-125 is outside -50 to 400"),
    );
    driver.wait_value("tc", "4.096 mV with the cold junction at 24.5 °C", |value| {
        matches!(value, Value::Thermocouple { millivolts, cold_junction }
            if close(*millivolts, f64::from(4.096_f32)) && close(*cold_junction, 24.5))
    });
    driver.wait_value(
        "amps",
        "5 A",
        |value| matches!(value, Value::Amps(amps) if close(*amps, 5.0)),
    );
    for (id, wanted) in [
        ("pedal", true),
        ("hood", true),
        ("fan", true),
        ("bit", true),
        ("other-bit", false),
    ] {
        driver.wait_value(id, &wanted.to_string(), |value| *value == Value::Active(wanted));
    }
}

#[test]
fn values_of_all_types_over_tcp() {
    let Some(server) = Server::over_tcp(&numbers()) else {
        return;
    };
    values_of_all_types(&server);
}

#[test]
fn values_of_all_types_over_a_serial_line() {
    let Some(server) = Server::over_serial(&numbers()) else {
        return;
    };
    values_of_all_types(&server);
}

/// One channel, one coil with a contactor, one register with a watchdog.
fn bench() -> serde_json::Value {
    json!([{"id": 1, "coils": [true, true, false], "holding": [77, 0, 0], "input": [250, 250]},
           {"id": 2, "input": [260]}])
}

fn channel(unit: u8) -> serde_json::Value {
    json!({"kind": "temperature", "unit_id": unit, "function": "input-register", "address": 0, "type": "int16",
           "scale": 0.1})
}

fn bench_settings() -> serde_json::Value {
    json!({"retries": 3, "inputs": {"tc1": channel(1), "tc2": channel(2)}, "outputs": {
        "coil": {"unit_id": 1, "function": "coil", "address": 0, "window_ms": 200, "watts": 800,
                 "contactor": {"unit_id": 1, "address": 1}},
        "register": {"unit_id": 1, "function": "holding-register", "address": 0, "full": 1_000,
                     "watchdog": {"unit_id": 1, "address": 1, "every_ms": 100}}}})
}

const COIL: u64 = 5;
const REGISTER: u64 = 6;

fn heat_and_cut(server: &Server) {
    let mut driver = Driver::start(program(), &server.settings(bench_settings()));
    assert!(
        driver
            .describe
            .outputs
            .iter()
            .any(|o| o.id == "coil" && o.cuts && o.window_ms == Some(200))
    );
    // Before it describes itself: the heat off, the contactor open, whatever was there.
    wait_for_record(server, 0, &[(1, COIL, 1, 0), (1, COIL, 0, 0)]);
    wait_for_record(server, 0, &[(1, REGISTER, 0, 0)]);

    let start = server.record().len();
    assert!(close(driver.heat("coil", 1.0, 1_500), 1.0));
    wait_for_record(server, start, &[(1, COIL, 1, 1), (1, COIL, 0, 1)]);
    let before_cut = server.record().len();
    assert!(close(driver.cut("coil"), 0.0));
    // The contactor first: it may work where the other switch doesn't.
    wait_for_record(server, before_cut, &[(1, COIL, 1, 0), (1, COIL, 0, 0)]);
    driver.restore("coil");
    wait_for_record(server, before_cut, &[(1, COIL, 0, 0), (1, COIL, 1, 1)]);
    driver.heat("coil", 0.5, 1_500);
    wait_for_record(
        server,
        before_cut,
        &[(1, COIL, 1, 1), (1, COIL, 0, 1), (1, COIL, 0, 0), (1, COIL, 0, 1)],
    );

    // What is applied is what the unit has: thousandths.
    let start = server.record().len();
    assert!(close(driver.heat("register", 0.424_2, 400), 0.424));
    wait_for_record(server, start, &[(1, REGISTER, 0, 424)]);
    // The watchdog counts while the permit lasts, and not after.
    let feeds = |from: usize| {
        let fed = server
            .record()
            .into_iter()
            .skip(from)
            .filter(|l| (l.1, l.2) == (REGISTER, 1));
        fed.map(|l| l.3).collect::<Vec<_>>()
    };
    wait_for("three feeds", || {
        driver.heat("register", 0.424_2, 400);
        (feeds(start).len() >= 3).then_some(())
    });
    let counted = feeds(0);
    assert!(
        counted.windows(2).all(|pair| pair[1] == pair[0] + 1),
        "{counted:?}"
    );
    let start = server.record().len();
    wait_for_record(server, start, &[(1, REGISTER, 0, 0)]);
    let lapsed = feeds(0).len();
    // Long enough for five more.
    thread::sleep(Duration::from_millis(500));
    assert_eq!(feeds(0).len(), lapsed, "fed without a permit");
    driver.end.close_stdin();
    assert!(driver.end.wait_for_exit(PATIENCE).unwrap().success());
    let last = |address| {
        server
            .record()
            .into_iter()
            .rfind(|l| (l.1, l.2) == (COIL, address))
            .unwrap()
    };
    assert_eq!(last(0), (1, COIL, 0, 0));
}

#[test]
fn heat_and_cut_in_the_servers_record_over_tcp() {
    let Some(server) = Server::over_tcp(&bench()) else {
        return;
    };
    heat_and_cut(&server);
}

#[test]
fn heat_and_cut_in_the_servers_record_over_a_serial_line() {
    let Some(server) = Server::over_serial(&bench()) else {
        return;
    };
    heat_and_cut(&server);
}

#[test]
fn what_the_unit_keeps_is_what_is_applied() {
    let Some(server) = Server::over_tcp(&bench()) else {
        return;
    };
    let mut driver = Driver::start(program(), &server.settings(bench_settings()));
    server.control(&json!({"clamp": [0, 800]}));
    driver.say_heat("register", 1.0, 1_500);
    driver.wait_notice("unit 1 took 800 instead of 1000");
    assert!(close(driver.heat("register", 1.0, 1_500), 0.8));
    // A unit that doesn't let go of its heat: nothing can be promised any more.
    server.control(&json!({"clamp": [500, 500]}));
    driver.say_heat("register", 0.0, 1_500);
    let failed = driver
        .end
        .hear_until(PATIENCE, |m| matches!(m, FromDriver::Failed { .. }))
        .expect("it gives up");
    let text = String::from_utf8_lossy(&failed.line).into_owned();
    assert!(
        text.contains("unit 1 has 500 at holding-register 0 after it was told 0"),
        "{text}"
    );
}

#[test]
fn a_server_that_goes_and_comes_back() {
    let Some(mut server) = Server::over_tcp(&bench()) else {
        return;
    };
    let mut settings = bench_settings();
    settings["outputs"] = json!({});
    let mut driver = Driver::start(program(), &server.settings(settings));
    driver.wait_value("tc1", "25 °C", celsius(25.0));
    server.stop();
    driver.wait_value("tc1", "the fault", fault(Fault::Device, "127.0.0.1"));
    server.go();
    driver.wait_value("tc1", "25 °C again", celsius(25.0));
}

#[test]
fn a_server_that_goes_while_there_is_heat_ends_the_driver() {
    let Some(mut server) = Server::over_tcp(&bench()) else {
        return;
    };
    let mut driver = Driver::start(program(), &server.settings(bench_settings()));
    driver.heat("register", 0.3, 1_500);
    server.stop();
    let failed = driver
        .end
        .hear_until(PATIENCE, |m| matches!(m, FromDriver::Failed { .. }))
        .expect("it gives up");
    let text = String::from_utf8_lossy(&failed.line).into_owned();
    assert!(
        text.contains("holding-register 0") && text.contains("could not be told zero"),
        "{text}"
    );
    assert!(!driver.end.wait_for_exit(PATIENCE).unwrap().success());
}

#[test]
fn a_bad_line() {
    let Some(server) = Server::over_serial(&bench()) else {
        return;
    };
    let mut settings = bench_settings();
    settings["outputs"] = json!({});
    settings["retries"] = json!(1);
    let mut driver = Driver::start(program(), &server.settings(settings));
    driver.wait_value("tc1", "25 °C", celsius(25.0));

    // Unit 2 is fine all the while.
    for (mode, words) in [
        ("corrupt", "bytes came that are no answer"),
        ("slow", "no answer within 100 ms"),
        ("mute", "no answer"),
    ] {
        server.control(&json!({"mode": mode, "unit": 1, "wait_s": 0.25, "input": {"1": {"0": 0}}}));
        driver.wait_value("tc1", mode, fault(Fault::Device, words));
        if mode != "slow" {
            driver.wait_value("tc2", "26 °C", celsius(26.0));
        }
        server.control(&json!({}));
        driver.wait_value("tc1", "0 °C, for that is what was set", celsius(0.0));
        // What was answered late never counts as an answer to somebody else's question.
        driver.wait_value("tc2", "26 °C", celsius(26.0));
    }
    // Bytes that belong to nothing cost nothing.
    server.control(&json!({"mode": "noise", "input": {"1": {"0": 300}}}));
    driver.wait_value("tc1", "30 °C", celsius(30.0));
}

fn two_channels_apart() -> serde_json::Value {
    let mut input = vec![0; 20];
    (input[0], input[10]) = (250, 999);
    json!([{"id": 1, "input": input}])
}

#[test]
fn a_late_answer_never_passes_for_another_channels_over_a_serial_line() {
    let Some(server) = Server::over_serial(&two_channels_apart()) else {
        return;
    };
    late_answers(&server);
}

#[test]
fn a_late_answer_never_passes_for_another_channels_over_tcp() {
    let Some(server) = Server::over_tcp(&two_channels_apart()) else {
        return;
    };
    late_answers(&server);
}

fn late_answers(server: &Server) {
    let mut settings = json!({"inputs": {"cool": channel(1), "hot": channel(1)}});
    settings["inputs"]["hot"]["address"] = json!(10);
    let mut driver = Driver::start(program(), &server.settings(settings));
    driver.wait_value("hot", "99.9 °C", celsius(99.9));
    server.control(&json!({"mode": "slow", "wait_s": 0.13}));
    let (mut seen, mut faults, began) = (0, 0, Instant::now());
    while began.elapsed() < Duration::from_secs(4) {
        driver.end.hear_until(PATIENCE, |m| {
            let FromDriver::Scan(scan) = m else { return false };
            for (id, value) in &scan.values {
                let right = if id == "hot" { 99.9 } else { 25.0 };
                match value {
                    Value::Temperature { celsius, .. } => {
                        assert!(close(*celsius, right), "{id} reads {celsius}");
                    }
                    _ => faults += 1,
                }
                seen += 1;
            }
            true
        });
    }
    assert!(seen > 4, "{seen} values, {faults} of them faults");
}

#[test]
fn a_unit_that_is_not_there_costs_the_others_little() {
    let Some(server) = Server::over_serial(&json!([{"id": 1, "input": [250]}, {"id": 7}])) else {
        return;
    };
    server.control(&json!({"mode": "mute", "unit": 7}));
    let settings = json!({"rate_hz": 10, "inputs": {"tc1": channel(1), "absent": channel(7)}});
    let mut driver = Driver::start(program(), &server.settings(settings));
    assert_eq!(
        driver.wait_notice("unit 7: no answer within 100 ms (asked 3 x)"),
        Level::Warn
    );
    driver.wait_value(
        "absent",
        "the fault",
        fault(Fault::Device, "no answer within 100 ms"),
    );
    driver.wait_value("absent", "rest", fault(Fault::Device, "hasn't answered 3 times"));
    let (mut good, began) = (0, Instant::now());
    while began.elapsed() < Duration::from_secs(2) {
        good += u32::from(
            driver
                .end
                .hear_until(
                    PATIENCE,
                    |m| matches!(m, FromDriver::Scan(scan) if scan.values.iter().any(|(id, _)| id == "tc1")),
                )
                .is_some(),
        );
    }
    // 20 if all goes well. A unit that were asked twice in its every turn would leave half of them.
    assert!(good > 13, "{good} readings of the unit that is there in 2 s");
}

#[test]
fn an_address_that_is_not_there_is_named() {
    let Some(server) = Server::over_tcp(&bench()) else {
        return;
    };
    let mut settings = json!({"inputs": {"tc1": channel(1), "far": channel(1)}});
    settings["inputs"]["far"]["address"] = json!(500);
    let mut driver = Driver::start(program(), &server.settings(settings));
    driver.wait_value(
        "far",
        "why",
        fault(Fault::Device, "exception 2: the unit has nothing at this address"),
    );
    driver.wait_value("tc1", "25 °C", celsius(25.0));
}

#[test]
fn a_unit_that_answers_for_another_is_named() {
    let Some(server) = Server::over_tcp(&bench()) else {
        return;
    };
    let mut driver = Driver::start(
        program(),
        &server.settings(json!({"inputs": {"tc1": channel(1)}})),
    );
    server.control(&json!({"mode": "other-unit", "unit": 1}));
    driver.wait_value("tc1", "why", fault(Fault::Device, "unit 5 answered instead"));
    server.control(&json!({}));
    driver.wait_value("tc1", "25 °C", celsius(25.0));
}

#[test]
fn mistakes_in_the_settings_are_told_all_at_once_with_nothing_opened() {
    let (_, line) = begin(
        program(),
        json!({"port": "/nowhere/tty", "baud": 300, "answer_ms": 900, "inputs": {
            "tc1": {"kind": "temperature", "unit_id": 0, "function": "coil", "address": 0},
            "tc2": {"kind": "thermocouple", "unit_id": 1, "function": "input-register", "address": 65_535, "type": "float32"},
            "hood": {"kind": "permissive", "unit_id": 1, "function": "coil", "address": 1, "scale": 2}},
          "outputs": {
            "heat1": {"unit_id": 1, "function": "holding-register", "address": 3},
            "heat2": {"unit_id": 1, "function": "holding-register", "address": 3, "full": 10}}}),
    );
    let FromDriver::Failed { text } = FromDriver::parse(&line).unwrap() else {
        panic!("it opened that")
    };
    for part in [
        "baud = 300 is outside 1200 to 4000000 baud",
        "answer_ms = 900 is outside 5 to 300 ms",
        "inputs.tc1.unit_id = 0 is outside 1 to 247",
        "inputs.tc1.function = \"coil\" holds a bit",
        "inputs.tc1.type is missing",
        "inputs.tc2.thermocouple is missing",
        "inputs.tc2.cold_junction is missing",
        "inputs.tc2.address = 65535 leaves no room",
        "inputs.hood.scale is for numbers",
        "outputs.heat1.full is missing",
        "the heat of `heat2` and the heat of `heat1` are both the holding-register 3 of unit 1",
    ] {
        assert!(text.contains(part), "`{part}` isn't in: {text}");
    }
    assert!(!text.contains("can't be opened"), "{text}");
}

#[test]
fn a_line_that_is_asked_too_much_of_is_told() {
    let mut inputs = serde_json::Map::new();
    for unit in 1..=8 {
        inputs.insert(format!("tc{unit}"), channel(unit));
    }
    let (_, line) = begin(
        program(),
        json!({"port": "/nowhere/tty", "baud": 9600, "rate_hz": 10, "inputs": inputs}),
    );
    let FromDriver::Failed { text } = FromDriver::parse(&line).unwrap() else {
        panic!("it opened that")
    };
    // Eight exchanges of 22 characters of 11 bits, ten times a second: 19360 bits on a line of 9600.
    assert!(
        text.contains("need 202 % of the line's time at 9600 baud") && text.contains("to 5.0 at most"),
        "{text}"
    );
}

#[test]
fn it_keeps_every_rule_of_the_protocol() {
    let Some(server) = Server::over_tcp(&bench()) else {
        return;
    };
    let mut settings = server.settings(bench_settings());
    // The rules about heat are tried on the first output; both kinds have their turn.
    for left_out in ["register", "coil"] {
        settings["outputs"] = bench_settings()["outputs"].clone();
        settings["outputs"].as_object_mut().unwrap().remove(left_out);
        let subject = Subject {
            program: program().into(),
            arguments: Vec::new(),
            settings: settings.clone(),
            heat: 0.2,
            shows_stderr: false,
        };
        let findings = conformance::check(&subject, |_| {});
        let broken: Vec<_> = findings
            .iter()
            .filter(|finding| finding.kept == Some(false))
            .collect();
        assert!(broken.is_empty(), "without {left_out}: {broken:#?}");
        assert!(
            findings
                .iter()
                .filter(|finding| finding.kept == Some(true))
                .count()
                > 20,
            "{findings:#?}"
        );
    }
}

/// Figures: eight stations of four channels on one serial line, the scan rate reached beside the line's limit.
///
/// The limit is what the line itself takes: question and answer at its baud rate, and 3.5 characters of silence after
/// each. The line here takes its time for every byte; the units are pymodbus, which need time to think as real ones do.
/// What those two leave over is measured in the same run by asking the same questions with nothing around them ("bare").
#[test]
#[ignore = "figures, a minute long: cargo test --release -p benchward-driver-modbus -- --ignored --nocapture eight"]
fn eight_stations_on_one_line() {
    const MEASURED: Duration = Duration::from_secs(8);
    println!("8 stations x 4 channels (int16), one exchange a station, 8N1; scans a second per station");
    println!("  baud    limit     bare   driver: slowest   fastest station   slowest of limit   of bare");
    for baud in [9_600, 19_200, 38_400, 115_200] {
        let pause_s = if baud > 19_200 {
            0.001_75
        } else {
            35.0 / f64::from(baud)
        };
        let limit = 1.0 / (8.0 * (f64::from(QUESTION + ANSWER) * 10.0 / f64::from(baud) + 2.0 * pause_s));
        let units: Vec<_> = (1..=8)
            .map(|id| json!({"id": id, "input": [id, id, id, id]}))
            .collect();
        let Some(server) = Server::over_slow_serial(&json!(units), baud) else {
            return;
        };
        let mut inputs = serde_json::Map::new();
        for unit in 1..=8 {
            for address in 0..4 {
                let mut input = channel(unit);
                input["address"] = json!(address);
                inputs.insert(format!("bench-{unit}-tc{address}"), input);
            }
        }
        // As much as it takes without being refused.
        let settings = server.settings(json!({"rate_hz": (limit * 0.999).min(100.0), "inputs": inputs}));
        let mut driver = Driver::start(program(), &settings);
        for unit in 1..=8 {
            let id = format!("bench-{unit}-tc0");
            driver.wait_value(&id, "a reading", |v| matches!(v, Value::Temperature { .. }));
        }
        let mut counts: BTreeMap<String, u32> = BTreeMap::new();
        let began = Instant::now();
        while began.elapsed() < MEASURED {
            driver.end.hear_until(PATIENCE, |m| {
                let FromDriver::Scan(scan) = m else { return false };
                for (id, value) in &scan.values {
                    if id.ends_with("tc0") && matches!(value, Value::Temperature { .. }) {
                        *counts.entry(id.to_string()).or_default() += 1;
                    }
                }
                true
            });
        }
        let seconds = began.elapsed().as_secs_f64();
        let rates = || counts.values().map(|count| f64::from(*count) / seconds);
        let (slowest, fastest) = (rates().fold(f64::MAX, f64::min), rates().fold(0.0, f64::max));
        driver.end.close_stdin();
        driver.end.wait_for_exit(PATIENCE);
        let bare = bare_rate(settings["port"].as_str().unwrap(), baud, MEASURED);
        println!(
            "{baud:>6} {limit:>8.2} {bare:>8.2} {slowest:>17.2} {fastest:>17.2} {:>16.0} % {:>7.0} %",
            100.0 * slowest / limit,
            100.0 * slowest / bare
        );
    }
}

/// Bytes of a question, and of an answer with four registers.
const QUESTION: u8 = 8;
const ANSWER: u8 = 5 + 2 * 4;

/// Rounds of eight exchanges a second, one exchange after the other, with nothing checked.
fn bare_rate(port: &str, baud: u32, during: Duration) -> f64 {
    let mut port = serial2::SerialPort::open(port, baud).unwrap();
    port.set_read_timeout(Duration::from_secs(1)).unwrap();
    let (began, mut exchanges) = (Instant::now(), 0_u32);
    while began.elapsed() < during {
        let unit = u8::try_from(exchanges % 8 + 1).unwrap();
        let mut question = vec![unit, 4, 0, 0, 0, 4];
        let crc = question.iter().fold(0xffff_u16, |crc, byte| {
            (0..8).fold(crc ^ u16::from(*byte), |crc, _| crc >> 1 ^ (0xa001 * (crc & 1)))
        });
        question.extend(crc.to_le_bytes());
        port.write_all(&question).unwrap();
        port.read_exact(&mut [0; ANSWER as usize]).unwrap();
        exchanges += 1;
    }
    f64::from(exchanges) / 8.0 / began.elapsed().as_secs_f64()
}
