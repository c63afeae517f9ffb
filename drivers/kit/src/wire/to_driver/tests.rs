use super::*;

fn line(message: &ToDriver<'_>) -> String {
    let mut out = Vec::new();
    message.write_line(&mut out);
    String::from_utf8(out).unwrap()
}

#[track_caller]
fn check(text: &str, expected: &ToDriver<'_>) {
    let parsed = ToDriver::parse(text.as_bytes()).unwrap();
    assert_eq!(&parsed, expected);
    let written = line(&parsed);
    assert_eq!(
        &ToDriver::parse(written.as_bytes()).unwrap(),
        expected,
        "written as {written}"
    );
}

#[track_caller]
fn check_refused(fields: &str, part: &str) {
    let text = format!(r#"{{"msg":"heat","seq":5,"output":"heat1",{fields}}}"#);
    let parsed = ToDriver::parse(text.as_bytes()).unwrap();
    let ToDriver::Refuse { seq: 5, output, text } = parsed else {
        panic!("{parsed:?}")
    };
    assert_eq!(output, "heat1");
    assert!(text.contains(part), "{text:?} doesn't say {part:?}");
}

fn heat(valid_ms: u32) -> Heat<'static> {
    Heat {
        seq: 812,
        output: "heat1".into(),
        fraction: 0.42,
        valid_ms,
        offset_ms: None,
    }
}

#[test]
fn the_commands_of_the_protocol_page() {
    check(
        r#"{"msg":"heat","seq":812,"output":"heat1","fraction":0.42,"valid_ms":1500}"#,
        &ToDriver::Heat(heat(1_500)),
    );
    check(
        r#"{"offset_ms":250.5,"msg":"heat","seq":812,"output":"heat1","fraction":0.42,"valid_ms":1}"#,
        &ToDriver::Heat(Heat {
            offset_ms: Some(250.5),
            ..heat(1)
        }),
    );
    check(
        r#"{"msg":"cut","seq":813,"output":"heat1"}"#,
        &ToDriver::Cut(Switching {
            seq: 813,
            output: "heat1".into(),
        }),
    );
    check(
        r#"{"msg":"restore","seq":900,"output":"heat1"}"#,
        &ToDriver::Restore(Switching {
            seq: 900,
            output: "heat1".into(),
        }),
    );
    check(r#"{"msg":"close"}"#, &ToDriver::Close);
    check(
        r#"{"msg":"greet","seq":"x"}"#,
        &ToDriver::Unknown { msg: "greet".into() },
    );
    check(
        r#"{"msg":"configure","protocol":1,"instance":"bench-1","settings":{"port":"/dev/ttyUSB0"},"time_scale":60}"#,
        &ToDriver::Configure(Box::new(Configure {
            instance: "bench-1".into(),
            settings: serde_json::json!({"port": "/dev/ttyUSB0"}),
            time_scale: 60.0,
        })),
    );
    check(
        r#"{"msg":"configure","protocol":1,"instance":"bench-1"}"#,
        &ToDriver::Configure(Box::new(Configure {
            instance: "bench-1".into(),
            settings: serde_json::json!({}),
            time_scale: 1.0,
        })),
    );
}

#[test]
fn more_validity_than_allowed_counts_as_the_most_allowed() {
    for (asked, counts) in [
        ("1501", 1_500),
        ("86400000", 1_500),
        ("1e300", 1_500),
        ("1499.9", 1_499),
    ] {
        let text =
            format!(r#"{{"msg":"heat","seq":812,"output":"heat1","fraction":0.42,"valid_ms":{asked}}}"#);
        assert_eq!(
            ToDriver::parse(text.as_bytes()).unwrap(),
            ToDriver::Heat(heat(counts)),
            "{asked}"
        );
    }
}

#[test]
fn what_concerns_one_output_is_refused() {
    check_refused(r#""valid_ms":1500"#, "fraction is missing");
    check_refused(
        r#""fraction":1.0001,"valid_ms":1500"#,
        "fraction 1.0001 is outside 0 to 1",
    );
    check_refused(r#""fraction":-0.01,"valid_ms":1500"#, "outside 0 to 1");
    check_refused(r#""fraction":"full","valid_ms":1500"#, "outside 0 to 1");
    check_refused(r#""fraction":0.5"#, "valid_ms is missing");
    check_refused(r#""fraction":0.5,"valid_ms":null"#, "valid_ms is missing");
    check_refused(r#""fraction":0.5,"valid_ms":0"#, "valid_ms 0 is below 1");
    check_refused(r#""fraction":0.5,"valid_ms":0.9"#, "is below 1");
    check_refused(r#""fraction":0.5,"valid_ms":-1500"#, "is below 1");
    check_refused(r#""fraction":0.5,"valid_ms":true"#, "is below 1");
    check_refused(
        r#""fraction":0.5,"valid_ms":1500,"offset_ms":-1"#,
        "offset_ms -1 is below 0",
    );
}

#[test]
fn what_concerns_nobody_in_particular_is_malformed() {
    for text in [
        r#"{"msg":"heat","output":"heat1","fraction":0.5,"valid_ms":1500}"#,
        r#"{"msg":"heat","seq":1,"fraction":0.5,"valid_ms":1500}"#,
        r#"{"msg":"heat","seq":1,"output":"heat1","fraction":1e999,"valid_ms":1500}"#,
        r#"{"msg":"heat","seq":1,"output":"heat1","fraction":0.5,"fraction":0.6,"valid_ms":1500}"#,
        r#"{"msg":"cut","seq":1}"#,
        r#"{"msg":"configure","protocol":3,"instance":"a"}"#,
        r#"{"msg":"configure","protocol":1,"instance":"a","settings":[]}"#,
        r#"{"msg":"configure","protocol":1,"instance":"a","time_scale":0}"#,
        r#"{"msg":"configure","protocol":1,"instance":"a","time_scale":1001}"#,
        "garbage",
    ] {
        assert!(ToDriver::parse(text.as_bytes()).is_err(), "{text}");
    }
}
