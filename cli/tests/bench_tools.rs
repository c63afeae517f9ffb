//! The commands that need no daemon, as a script sees them: stdout, stderr and exit code.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

fn benchward(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_benchward"))
        .args(arguments)
        .output()
        .unwrap()
}

fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn sensor_convert_prints_both_columns() {
    // Type T in the ITS-90 tables (NIST Standard Reference Database 60): -20 °C is -0.757 mV, 100 °C is 4.279 mV.
    let output = benchward(&[
        "sensor",
        "convert",
        "--thermocouple",
        "T",
        "--celsius",
        "-20",
        "100",
        "--json",
    ]);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let json: Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(json["schema"], 1);
    for (at, (celsius, millivolts)) in [(-20.0, -0.757), (100.0, 4.279)].into_iter().enumerate() {
        let pair = &json["values"][at];
        assert_eq!(pair["celsius"], celsius);
        assert!(
            (pair["millivolts"].as_f64().unwrap() - millivolts).abs() <= 0.0005,
            "{pair}"
        );
    }
    let output = benchward(&[
        "sensor",
        "convert",
        "--thermocouple",
        "K",
        "--millivolts",
        "-3.554",
        "4.096",
    ]);
    // The reference function of type K says -3.55363 mV at -100 °C and 4.09623 mV at 100 °C; the tables round these, and
    // at 30.5 and 41.4 µV/°C the rounding is worth hundredths of a degree.
    assert_eq!(
        stdout(&output),
        "      °C       mV\n-100.012  -3.5540\n  99.994   4.0960\n"
    );
}

#[test]
fn sensor_convert_refuses_what_is_out_of_range_or_no_number() {
    for (arguments, says) in [
        (&["--thermocouple", "K", "--celsius", "1400"][..], "1372"),
        (&["--thermocouple", "K", "--millivolts", "60"], "54.886"),
        (&["--thermocouple", "K", "--celsius", "warm"], "not a number"),
        (&["--thermocouple", "A", "--celsius", "20"], "the types are B, C"),
        (
            &["--thermocouple", "K", "--celsius", "20", "--millivolts", "1"],
            "cannot be used with",
        ),
        (&["--thermocouple", "K"], "--celsius"),
    ] {
        let output = benchward(&[&["sensor", "convert"], arguments].concat());
        let stderr = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {stderr}");
        assert!(stderr.contains(says), "{arguments:?}: {stderr}");
        assert_eq!(stdout(&output), "");
    }
}

fn broken_driver() -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../drivers/kit/tests/broken.py");
    file.display().to_string()
}

#[test]
fn driver_check_exits_with_1_and_names_the_rule_that_is_broken() {
    let folder = tempfile::tempdir().unwrap();
    let settings = folder.path().join("settings.toml");
    std::fs::write(&settings, "breaks = \"close\"\n").unwrap();
    let settings = settings.display().to_string();
    let driver = broken_driver();
    let output = benchward(&[
        "driver",
        "check",
        "python3",
        &driver,
        "--settings",
        &settings,
        "--json",
    ]);
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    let json: Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(
        (&json["schema"], &json["kept"]),
        (&Value::from(1), &Value::from(false))
    );
    let broken: Vec<&Value> = json["rules"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|entry| entry["kept"] == false)
        .map(|entry| &entry["rule"])
        .collect();
    assert_eq!(broken, ["close"]);
    assert!(
        json["rules"]
            .as_array()
            .unwrap()
            .iter()
            .any(|entry| entry["kept"].is_null())
    );
}

#[test]
fn driver_check_exits_with_0_when_nothing_is_broken() {
    let output = benchward(&["driver", "check", "python3", &broken_driver()]);
    let table = stdout(&output);
    assert_eq!(output.status.code(), Some(0), "{table}");
    assert!(
        table.contains("lapse             kept    `lapsed` after"),
        "{table}"
    );
    assert!(
        table.ends_with("27 rules kept, 0 broken, 1 that could not be tried or don't apply\n"),
        "{table}"
    );
    assert!(String::from_utf8_lossy(&output.stderr).contains("caution: this heats"));
}

#[test]
fn driver_check_needs_settings_that_can_be_read() {
    let output = benchward(&["driver", "check", "simulated", "--settings", "/no/such.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("/no/such.toml can't be read"));
}
