use super::*;
use crate::wire::{Input, InputKind, Output};

fn line(message: &FromDriver<'_>) -> String {
    let mut out = Vec::new();
    message.write_line(&mut out);
    String::from_utf8(out).unwrap()
}

/// Parses, compares, writes, and parses what was written.
#[track_caller]
fn check(text: &str, expected: &FromDriver<'_>) {
    let parsed = FromDriver::parse(text.as_bytes()).unwrap();
    assert_eq!(&parsed, expected);
    let written = line(&parsed);
    assert!(
        written.ends_with('\n') && !written[..written.len() - 1].contains('\n'),
        "{written:?}"
    );
    assert_eq!(
        &FromDriver::parse(written.as_bytes()).unwrap(),
        expected,
        "written as {written}"
    );
}

/// `part` must be in the message, and the column must be told if `column` says so.
#[track_caller]
fn check_malformed(text: &[u8], part: &str) {
    let error = FromDriver::parse(text).unwrap_err();
    let shown = error.to_string();
    assert!(shown.contains(part), "{shown:?} doesn't say {part:?}");
    assert!(error.excerpt().chars().count() <= 120);
}

fn celsius(celsius: f64, cold_junction: Option<f64>) -> Value<'static> {
    Value::Temperature {
        celsius,
        cold_junction,
    }
}

#[test]
fn the_scan_of_the_protocol_page() {
    check(
        r#"{"msg":"scan","at_ms":123456.7,"values":{
             "tc1":{"celsius":41.25,"cold_junction":24.9},
             "tc2":{"millivolts":1.612,"cold_junction":24.9},
             "tc3":{"fault":"open"},
             "amps":{"amps":3.4},
             "pedal":{"active":true},
             "hood":{"active":false}}}"#,
        &FromDriver::Scan(Scan {
            at_ms: Some(123_456.7),
            values: vec![
                ("tc1".into(), celsius(41.25, Some(24.9))),
                (
                    "tc2".into(),
                    Value::Thermocouple {
                        millivolts: 1.612,
                        cold_junction: 24.9,
                    },
                ),
                (
                    "tc3".into(),
                    Value::Fault {
                        kind: Fault::Open,
                        text: None,
                    },
                ),
                ("amps".into(), Value::Amps(3.4)),
                ("pedal".into(), Value::Active(true)),
                ("hood".into(), Value::Active(false)),
            ],
        }),
    );
    check(
        r#"{"msg":"scan","values":{}}"#,
        &FromDriver::Scan(Scan::default()),
    );
}

#[test]
fn the_describe_of_the_protocol_page() {
    let temperature = |id: &str, range| Input {
        id: id.into(),
        kind: InputKind::Temperature,
        rate_hz: Some(10.0),
        range,
    };
    check(
        r#"{"msg":"describe","protocol":1,"name":"modbus","version":"0.3.0",
           "inputs":[
             {"id":"tc1","kind":"temperature","rate_hz":10,"range":[-50,400]},
             {"id":"tc2","kind":"thermocouple","type":"K","rate_hz":10},
             {"id":"pedal","kind":"presence"},
             {"id":"hood","kind":"permissive","colour":"blue"}],
           "outputs":[{"id":"heat1","kind":"heat","watts":800,"cuts":true,"window_ms":1000}]}"#,
        &FromDriver::Describe(Box::new(Describe {
            name: "modbus".into(),
            version: "0.3.0".into(),
            inputs: vec![
                temperature("tc1", Some((-50.0, 400.0))),
                Input {
                    kind: InputKind::Thermocouple { letter: 'K' },
                    ..temperature("tc2", None)
                },
                Input {
                    kind: InputKind::Presence,
                    rate_hz: None,
                    ..temperature("pedal", None)
                },
                Input {
                    kind: InputKind::Permissive,
                    rate_hz: None,
                    ..temperature("hood", None)
                },
            ],
            outputs: vec![Output {
                id: "heat1".into(),
                watts: Some(800.0),
                cuts: true,
                window_ms: Some(1_000),
            }],
            simulated: false,
        })),
    );
}

#[test]
fn answers_notices_and_failures() {
    let applied = Applied {
        seq: Some(812),
        output: "heat1".into(),
        fraction: 0.42,
        at_ms: Some(123_460.1),
        cut: false,
        lapsed: false,
        fired: None,
    };
    check(
        r#"{"msg":"applied","seq":812,"output":"heat1","fraction":0.42,"at_ms":123460.1}"#,
        &FromDriver::Applied(applied.clone()),
    );
    check(
        r#"{"fraction":0,"cut":true,"seq":813,"fired":0.41,"output":"heat1","msg":"applied"}"#,
        &FromDriver::Applied(Applied {
            seq: Some(813),
            fraction: 0.0,
            at_ms: None,
            cut: true,
            fired: Some(0.41),
            ..applied.clone()
        }),
    );
    check(
        r#"{"msg":"applied","output":"heat1","fraction":0,"lapsed":true}"#,
        &FromDriver::Applied(Applied {
            seq: None,
            fraction: 0.0,
            at_ms: None,
            lapsed: true,
            ..applied
        }),
    );
    check(
        r#"{"msg":"refused","seq":9,"output":"heat1","text":"cut"}"#,
        &FromDriver::Refused(Refused {
            seq: Some(9),
            output: "heat1".into(),
            text: "cut".into(),
        }),
    );
    check(
        "{\"msg\":\"notice\",\"level\":\"warn\",\"text\":\"RS-485 \\u0022retry\\u0022 3\"}\r\n",
        &FromDriver::Notice {
            level: Level::Warn,
            text: "RS-485 \"retry\" 3".into(),
        },
    );
    check(
        r#"{"msg":"failed","text":"/dev/ttyUSB0 is gone"}"#,
        &FromDriver::Failed {
            text: "/dev/ttyUSB0 is gone".into(),
        },
    );
}

#[test]
fn what_is_not_known_is_ignored_not_wrong() {
    check(
        r#"{"msg":"telemetry","at_ms":"noon"}"#,
        &FromDriver::Unknown {
            msg: "telemetry".into(),
        },
    );
    check(
        r#"{"msg":"scan","later":[1,{"a":2}],"values":{"tc1":{"celsius":1,"unit":"C"}}}"#,
        &FromDriver::Scan(Scan {
            at_ms: None,
            values: vec![("tc1".into(), celsius(1.0, None))],
        }),
    );
    // A fault beside a value: the fault counts.
    check(
        r#"{"msg":"scan","values":{"tc1":{"celsius":1,"fault":"short","text":"to ground"}}}"#,
        &FromDriver::Scan(Scan {
            at_ms: None,
            values: vec![(
                "tc1".into(),
                Value::Fault {
                    kind: Fault::Short,
                    text: Some("to ground".into()),
                },
            )],
        }),
    );
}

#[test]
fn ids_without_escapes_are_not_copied() {
    let text = br#"{"msg":"scan","values":{"tc1":{"celsius":1},"t\u0063":{"celsius":2}}}"#;
    let FromDriver::Scan(scan) = FromDriver::parse(text).unwrap() else {
        panic!("not a scan")
    };
    assert!(matches!(scan.values[0].0, Cow::Borrowed("tc1")));
    assert_eq!(scan.values[1].0, "tc");
}

#[test]
fn lines_that_are_not_messages_say_what_and_where() {
    for (text, part) in [
        (&b""[..], "EOF"),
        (b"hello", "expected value, at column 1: `hello`"),
        (b"[1,2]", ""),
        (b"{}", "missing field `msg`"),
        (b"{\"msg\":3}", "invalid type: integer `3`, expected a string"),
        (b"{\"msg\":\"notice\",\"msg\":\"scan\"}", "duplicate field `msg`"),
        (
            b"{\"msg\":\"scan\",\"msg\":\"notice\",\"values\":{}}",
            "duplicate field `msg`",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{}} {}",
            "trailing characters, at column 28",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{\"tc1\":{\"celsius\":NaN}}}",
            "expected value, at column 42",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{\"tc1\":{\"celsius\":1e999}}}",
            "number out of range",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{\"tc1\":{\"celsius\":-Infinity}}}",
            "invalid number",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{\"tc1\":{\"celsius\":null}}}",
            "has none of celsius",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{\"tc1\":{\"celsius\":\"41\"}}}",
            "invalid type: string \"41\"",
        ),
        (b"{\"msg\":\"scan\",\"values\":{\"tc1\":41}}", "invalid type"),
        (
            b"{\"msg\":\"scan\",\"values\":[]}",
            "an object of input ids and values",
        ),
        (b"{\"msg\":\"scan\"}", "missing field `values`"),
        (
            b"{\"msg\":\"scan\",\"values\":{\"a\":{\"amps\":1},\"a\":{\"amps\":2}}}",
            "input `a` is there twice",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{\"a\":{\"amps\":1,\"active\":true}}}",
            "more than one of",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{\"a\":{\"millivolts\":1}}}",
            "need a cold_junction",
        ),
        (
            b"{\"msg\":\"scan\",\"values\":{\"a\":{\"fault\":\"bent\"}}}",
            "fault `bent` isn't one of open",
        ),
        (b"{\"msg\":\"scan\",\"values\":{\"a\":{\"amps\":1}", "EOF"),
        (
            b"{\"msg\":\"notice\",\"level\":\"warn\",\"text\":\"\xff\"}",
            "not UTF-8, at column 40",
        ),
        (
            b"{\"msg\":\"notice\",\"level\":\"loud\",\"text\":\"\"}",
            "level `loud` isn't one of info",
        ),
        (
            b"{\"msg\":\"applied\",\"output\":\"h\",\"fraction\":1.01}",
            "fraction 1.01 is outside 0 to 1",
        ),
        (
            b"{\"msg\":\"applied\",\"output\":\"h\",\"fraction\":-0.1}",
            "fraction -0.1 is outside",
        ),
        (b"{\"msg\":\"applied\",\"fraction\":0}", "missing field `output`"),
        (
            b"{\"msg\":\"applied\",\"seq\":-1,\"output\":\"h\",\"fraction\":0}",
            "integer `-1`",
        ),
    ] {
        check_malformed(text, part);
    }
    let mut long = br#"{"msg":"notice","level":"info","text":""#.to_vec();
    long.resize(crate::wire::MAX_LINE_BYTES + 1, b'x');
    check_malformed(&long, "longer than 65536 bytes");
}

#[test]
fn describe_is_checked() {
    let describe = |inputs: &str, outputs: &str| {
        format!(
            r#"{{"msg":"describe","protocol":1,"name":"d","version":"1","inputs":[{inputs}],"outputs":[{outputs}]}}"#
        )
    };
    let tc = |fields: &str| format!(r#"{{"id":"tc1","kind":"temperature",{fields}}}"#);
    let long_id = format!(r#"{{"id":"{}","kind":"presence"}}"#, "i".repeat(65));
    for (inputs, outputs, part) in [
        (
            &*tc(r#""rate_hz":0"#),
            "",
            "input `tc1`: rate_hz 0 is outside 0 (excluded) to 100",
        ),
        (&tc(r#""rate_hz":100.5"#), "", "rate_hz 100.5 is outside"),
        (
            &tc(r#""range":[0,1]"#),
            "",
            "input `tc1`: a temperature needs a rate_hz",
        ),
        (
            &tc(r#""rate_hz":1,"range":[5,5]"#),
            "",
            "range [5, 5] isn't from low to high",
        ),
        (
            r#"{"id":"p","kind":"presence"},{"id":"p","kind":"permissive"}"#,
            "",
            "input `p` is there twice",
        ),
        (r#"{"id":"","kind":"presence"}"#, "", "is empty"),
        (r#"{"id":"a\n","kind":"presence"}"#, "", "isn't printable"),
        (&long_id, "", "has 65 characters, 64 at most"),
        (
            r#"{"id":"x","kind":"pressure"}"#,
            "",
            "kind `pressure` isn't one of temperature",
        ),
        (
            r#"{"id":"x","kind":"thermocouple","rate_hz":1}"#,
            "",
            "a thermocouple needs a type",
        ),
        (
            r#"{"id":"x","kind":"thermocouple","rate_hz":1,"type":"k"}"#,
            "",
            "type `k` isn't a capital letter",
        ),
        ("", r#"{"id":"h","kind":"fan"}"#, "kind `fan` isn't heat"),
        (
            "",
            r#"{"id":"h","kind":"heat","watts":-1}"#,
            "-1 watts isn't zero or more",
        ),
        (
            "",
            r#"{"id":"h","kind":"heat","window_ms":1001}"#,
            "window_ms 1001 isn't",
        ),
        (
            "",
            r#"{"id":"h","kind":"heat","window_ms":0}"#,
            "window_ms 0 isn't",
        ),
        (
            "",
            r#"{"id":"h","kind":"heat"},{"id":"h","kind":"heat"}"#,
            "output `h` is there twice",
        ),
    ] {
        check_malformed(describe(inputs, outputs).as_bytes(), part);
    }
    check_malformed(
        br#"{"msg":"describe","protocol":2,"name":"d","version":"1"}"#,
        "protocol 2 isn't spoken here, only 1",
    );
    let bounds = describe(
        &tc(r#""rate_hz":100"#),
        r#"{"id":"tc1","kind":"heat","window_ms":1000,"watts":0}"#,
    );
    assert!(FromDriver::parse(bounds.as_bytes()).is_ok());
}

#[test]
fn a_value_that_is_not_finite_goes_out_as_a_fault() {
    for value in [f64::NAN, f64::INFINITY] {
        let scan = FromDriver::Scan(Scan {
            at_ms: None,
            values: vec![("tc1".into(), celsius(value, None))],
        });
        let written = line(&scan);
        let FromDriver::Scan(back) = FromDriver::parse(written.as_bytes()).unwrap() else {
            panic!("{written}")
        };
        assert!(
            matches!(
                back.values[0].1,
                Value::Fault {
                    kind: Fault::Range,
                    ..
                }
            ),
            "{written}"
        );
    }
}
