//! Configurations as texts, and what comes of them.

use std::fmt::Write;
use std::path::PathBuf;

use proptest::prelude::*;
use serde_json::json;

use super::*;

const EXAMPLE: &str = include_str!("../../../deploy/examples/lab.toml");

/// The configuration that scripts rely on, key by key: every key that is promised to stay.
const PROMISED: &str = r#"
[lab]
name = "larkfield"
display = "celsius"
archive = "/var/lib/benchward"
socket = "/run/benchward/bus"
bus = "none"

[ceiling]
celsius = 260

[presence]
absent_after_s = 900

[archive]
outside_runs_days = 45
reserve_mb = 500

[roles]
operate = ["bench"]
process = ["process"]
safety = ["safety"]

[mqtt]
broker = "mqtt://127.0.0.1:1883"
username = "larkfield"
password_file = "/etc/benchward/mqtt.secret"
ca_file = "/etc/benchward/ca.pem"
plain = true
sparkplug = { group = "rework", enabled = false }
allow = []

[metrics]
listen = "127.0.0.1:9464"

[supply.bay-a]
volts = 230
amps = 16
continuous = 0.8

[driver.rack]
program = "modbus"
[driver.rack.settings]
port = "/dev/ttyUSB0"

[station.bench-1]
driver = { program = ["python3", "my_driver.py"], settings = { } }
channels = { board-top = "tc1", board-edge = "tc2" }
heat = "heat1"
presence = "pedal"
current = "amps"
permissive = { hood = "hood" }
supply = "bay-a"
ceiling_celsius = 200

[station.bench-2]
channels = { board-top = "rack/tc1" }
heat = "rack/heat1"
follows_heat = false
"#;

/// The shortest text that is a configuration.
const SHORTEST: &str =
    "[station.bench-1]\ndriver = { program = \"simulated\" }\nchannels = { board-top = \"tc1\" }\n";

fn parse(text: &str) -> Config {
    Config::parse("lab.toml", text).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

/// `shown`: the whole of what a person reads, line by line.
fn check(text: &str, shown: &[&str]) {
    let mistakes = Config::parse("lab.toml", text).expect_err(text);
    assert_eq!(mistakes.to_string(), shown.join("\n"), "for this text:\n{text}");
}

/// Text and fix of each mistake, one a line.
fn check_short(text: &str, expected: &[&str]) {
    let mistakes = Config::parse("lab.toml", text).expect_err(text);
    let short: Vec<String> = mistakes
        .iter()
        .map(|m| format!("{} -> {}", m.text(), m.fix().unwrap_or("-")))
        .collect();
    assert_eq!(short, expected, "for this text:\n{text}");
}

/// The mistakes of a configuration that is right but for these lines before its station.
fn check_before(lines: &str, expected: &[&str]) {
    check_short(&format!("{lines}\n{SHORTEST}"), expected);
}

/// As [`check_before`], for lines of its station.
fn check_station(lines: &str, expected: &[&str]) {
    check_short(&format!("{SHORTEST}{lines}\n"), expected);
}

fn input(instance: &str, input: &str) -> InputRef {
    InputRef {
        instance: instance.to_owned(),
        input: input.to_owned(),
    }
}

fn output(instance: &str, output: &str) -> OutputRef {
    OutputRef {
        instance: instance.to_owned(),
        output: output.to_owned(),
    }
}

fn channel(name: &str, input: InputRef) -> Channel {
    Channel {
        name: name.to_owned(),
        input,
        thermocouple: None,
        offset: CelsiusDelta::constant(0.0),
    }
}

fn text(words: &[&str]) -> Vec<String> {
    words.iter().map(|&word| word.to_owned()).collect()
}

#[test]
fn every_promised_key_is_read() {
    let bench_1 = Station {
        name: "bench-1".to_owned(),
        channels: vec![
            channel("board-top", input("bench-1", "tc1")),
            channel("board-edge", input("bench-1", "tc2")),
        ],
        heat: vec![output("bench-1", "heat1")],
        contactor: None,
        presence: Some(input("bench-1", "pedal")),
        current: Some(input("bench-1", "amps")),
        permissives: vec![("hood".to_owned(), input("bench-1", "hood"))],
        supply: Some("bay-a".to_owned()),
        ceiling: Some(Celsius::constant(200.0)),
        follows_heat: true,
    };
    let bench_2 = Station {
        name: "bench-2".to_owned(),
        channels: vec![channel("board-top", input("rack", "tc1"))],
        heat: vec![output("rack", "heat1")],
        contactor: None,
        presence: None,
        current: None,
        permissives: Vec::new(),
        supply: None,
        ceiling: None,
        follows_heat: false,
    };
    let config = parse(PROMISED);
    assert_eq!(
        config,
        Config {
            lab: LabSection {
                name: "larkfield".to_owned(),
                display: Display::Celsius,
                archive: Some(PathBuf::from("/var/lib/benchward")),
                socket: Some(PathBuf::from("/run/benchward/bus")),
                bus: Bus::None,
            },
            ceiling: Celsius::constant(260.0),
            absent_after: Millis::from_secs(900),
            archive: ArchiveSection {
                outside_runs_days: 45,
                reserve_bytes: 500_000_000,
            },
            roles: Some(Roles {
                operate: text(&["bench"]),
                process: text(&["process"]),
                safety: text(&["safety"]),
            }),
            mqtt: Some(Mqtt {
                broker: Broker {
                    host: "127.0.0.1".to_owned(),
                    port: 1883,
                    tls: false
                },
                username: Some("larkfield".to_owned()),
                password_file: Some(PathBuf::from("/etc/benchward/mqtt.secret")),
                ca_file: Some(PathBuf::from("/etc/benchward/ca.pem")),
                client: None,
                plain: true,
                history: History::Runs,
                history_readings_per_s: 10_000,
                live: Live::default(),
                sparkplug: Some(Sparkplug {
                    group: "rework".to_owned(),
                    enabled: false,
                    primary_host: None,
                    aliases: false,
                }),
                allow: Allow::default(),
            }),
            metrics: Some(Metrics {
                listen: "127.0.0.1:9464".parse().unwrap()
            }),
            supplies: BTreeMap::from([(
                "bay-a".to_owned(),
                Supply {
                    volts: 230.0,
                    amps: 16.0,
                    continuous: Fraction::clamped(0.8)
                },
            )]),
            drivers: BTreeMap::from([
                (
                    "rack".to_owned(),
                    Instance {
                        program: Program::Short("modbus".to_owned()),
                        settings: json!({"port": "/dev/ttyUSB0"}),
                    },
                ),
                (
                    "bench-1".to_owned(),
                    Instance {
                        program: Program::Command(text(&["python3", "my_driver.py"])),
                        settings: json!({}),
                    },
                ),
            ]),
            stations: vec![bench_1, bench_2],
        }
    );
    // 230 V x 16 A x 0.8 = 2944 W.
    assert!((config.supplies["bay-a"].power().watts() - 2944.0).abs() < 1e-9);
}

#[test]
fn what_is_left_out_has_the_defaults_of_the_manual() {
    let config = parse(SHORTEST);
    assert_eq!(config.lab, LabSection::default());
    assert_eq!(config.lab.name, "lab");
    assert_eq!(config.ceiling, Celsius::constant(260.0));
    assert_eq!(config.absent_after, Millis::from_secs(900));
    assert_eq!((config.roles, config.mqtt, config.metrics), (None, None, None));
    assert_eq!(config.drivers["bench-1"].settings, json!({}));
    let mqtt = parse(&format!("[mqtt]\nbroker = \"mqtt://b\"\n{SHORTEST}"))
        .mqtt
        .unwrap();
    assert!(mqtt.plain && mqtt.sparkplug.is_none() && mqtt.allow == Allow::default());
}

#[test]
fn the_example_is_a_configuration() {
    let config = parse(EXAMPLE);
    let names: Vec<&str> = config
        .stations
        .iter()
        .map(|station| station.name.as_str())
        .collect();
    assert_eq!(names, ["bench-1", "bench-2", "bench-3", "oven-1"]);
    assert_eq!(config.stations[0].contactor, Some(output("switches", "k1")));
    let edge = &config.stations[1].channels[1];
    assert_eq!(edge.thermocouple.map(ThermocoupleType::letter), Some('J'));
    assert!((edge.offset.degrees() - 0.3).abs() < 1e-12);
    assert!((config.stations[2].ceiling.unwrap().degrees() - 160.0).abs() < 1e-9);
    assert!(config.stations[3].heat.is_empty());
}

/// The example shows every key there is, so that it can serve as the reference; those that would change
/// what it does stand in it as comments.
#[test]
fn the_example_shows_every_key() {
    for section in parse::EVERYWHERE {
        for key in section.keys {
            let shown = EXAMPLE.lines().any(|line| {
                let line = line.trim_start_matches(['#', ' ']);
                [
                    format!("{key} = "),
                    format!("[{key}]"),
                    format!("[{key}."),
                    format!(".{key}]"),
                ]
                .iter()
                .any(|form| line.contains(form.as_str()))
            });
            assert!(shown, "`{key}` {} isn't in the example", section.place);
        }
    }
}

#[test]
fn all_mistakes_are_shown_at_once() {
    check(
        "[lab]\n\
         nmae = \"larkfield\"\n\
         display = \"kelvin\"\n\
         absent_after_s = 600\n\
         \n\
         [ceiling]\n\
         celsius = 1200\n\
         \n\
         [station.bench-1]\n\
         driver = { program = \"simulated\" }\n\
         heat = \"heat1\"\n\
         \n\
         [station.bench-2]\n\
         channels = { board-top = \"rak/tc1\" }\n\
         heat = \"bench-1/heat1\"\n\
         supply = \"bay-a\"\n",
        &[
            "lab.toml:2:1: unknown key `nmae` in `[lab]`",
            "  2 | nmae = \"larkfield\"",
            "    | ^^^^",
            "fix: did you mean `name`?",
            "",
            "lab.toml:3:11: `display` has to be one of celsius, fahrenheit, not `kelvin`",
            "  3 | display = \"kelvin\"",
            "    |           ^^^^^^^^",
            "fix: write one of: celsius, fahrenheit",
            "",
            "lab.toml:4:1: unknown key `absent_after_s` in `[lab]`",
            "  4 | absent_after_s = 600",
            "    | ^^^^^^^^^^^^^^",
            "fix: `absent_after_s` belongs in `[presence]`",
            "",
            "lab.toml:7:11: `celsius` is 1200 °C, above the limit of 400 °C",
            "  7 | celsius = 1200",
            "    |           ^^^^",
            "fix: write a number within 40 and 400 °C",
            "",
            "lab.toml:9:1: station `bench-1` has no channel: without a sensor nothing may be heated",
            "  9 | [station.bench-1]",
            "    | ^^^^^^^^^^^^^^^^^",
            "fix: add `channels = { board-top = \"tc1\" }`",
            "",
            "lab.toml:14:26: `rak/tc1` names the driver instance `rak`, which isn't in this file",
            "  14 | channels = { board-top = \"rak/tc1\" }",
            "     |                          ^^^^^^^^^",
            "fix: add `[driver.rak]` with its `program`, or name another instance (there is bench-1)",
            "",
            "lab.toml:15:8: `bench-1/heat1` is wired twice: as heat of `bench-1` and as heat of `bench-2`",
            "  15 | heat = \"bench-1/heat1\"",
            "     |        ^^^^^^^^^^^^^^^",
            "fix: wire it once",
            "",
            "lab.toml:16:10: station `bench-2` names the supply `bay-a`, which isn't in this file",
            "  16 | supply = \"bay-a\"",
            "     |          ^^^^^^^",
            "fix: add `[supply.bay-a]` with its `volts` and `amps`",
        ],
    );
}

#[test]
fn a_lab_has_a_station_and_a_station_has_a_sensor() {
    for text in ["", "[lab]\nname = \"larkfield\"\n", "[station]\n"] {
        check_short(
            text,
            &["the lab has no station -> add `[station.bench-1]` with its `driver`, `channels` and `heat`"],
        );
    }
    let fix = "add `channels = { board-top = \"tc1\" }`";
    for text in ["[station.b]\n", "[station.b]\nchannels = {}\n"] {
        check_short(
            text,
            &[&format!(
                "station `b` has no channel: without a sensor nothing may be heated -> {fix}"
            )],
        );
    }
}

#[test]
fn an_input_and_an_output_are_wired_once() {
    check_station(
        "presence = \"tc1\"",
        &[
            "`bench-1/tc1` is wired twice: as channel `board-top` of `bench-1` and as presence of `bench-1` \
             -> wire it once",
        ],
    );
    check_station(
        "heat = [\"h1\", \"h2\", \"h1\"]",
        &["`bench-1/h1` is wired twice: as heat of `bench-1` and as heat of `bench-1` -> wire it once"],
    );
    check_station(
        "heat = \"h1\"\ncontactor = \"bench-1/h1\"",
        &["`bench-1/h1` is wired twice: as heat of `bench-1` and as contactor of `bench-1` -> wire it once"],
    );
    check_station(
        "permissive = { hood = \"hood\" }\n[station.bench-2]\nchannels = { a = { input = \"bench-1/hood\" } }",
        &[
            "`bench-1/hood` is wired twice: as permissive `hood` of `bench-1` and as channel `a` of `bench-2` \
             -> wire it once",
        ],
    );
    // An input and an output may have the same id.
    let config = parse(&format!("{SHORTEST}heat = \"tc1\"\n"));
    assert_eq!(config.stations[0].heat, [output("bench-1", "tc1")]);
}

#[test]
fn a_wire_leads_to_an_instance_of_the_file() {
    let rack = "[driver.rack]\nprogram = \"simulated\"\n";
    check_short(
        &format!("{rack}[station.b]\nchannels = {{ a = \"tc1\" }}\n"),
        &[
            "`tc1` names no driver instance, and station `b` has no driver of its own -> write `\"rack/tc1\"` \
             (there is rack), or give the station a `driver = { program = \"...\" }`",
        ],
    );
    check_short(
        "[station.b]\nchannels = { a = \"tc1\" }\n",
        &[
            "`tc1` names no driver instance, and station `b` has no driver of its own -> write \
             `\"INSTANCE/tc1\"`, or give the station a `driver = { program = \"...\" }`",
        ],
    );
    check_short(
        &format!("{rack}[station.b]\nchannels = {{ a = \"rock/tc1\" }}\n"),
        &[
            "`rock/tc1` names the driver instance `rock`, which isn't in this file -> did you mean `rack/tc1`?",
        ],
    );
    for (wire, shown) in [
        ("rack/", "rack/"),
        ("rack/a/b", "rack/a/b"),
        ("rack/ a", "rack/ a"),
    ] {
        check_short(
            &format!("{rack}[station.b]\nchannels = {{ a = \"{wire}\" }}\n"),
            &[&format!(
                "`{shown}` is not the id of an input or output -> write the id alone (`tc1`), or an instance and \
                 the id (`rack/tc1`)"
            )],
        );
    }
    let ids = |chars| {
        format!(
            "{rack}[station.b]\nchannels = {{ a = \"rack/{}\" }}\nheat = \"rack/h\"\n",
            "i".repeat(chars)
        )
    };
    assert_eq!(parse(&ids(64)).stations[0].channels.len(), 1);
    check_short(
        &ids(65),
        &["an id of 65 characters is above the limit of 64 -> shorten it where the driver gives it"],
    );
    // What a driver calls an input is its own affair: a column of a recording may well have spaces.
    let config = parse(&format!(
        "{rack}[station.b]\nchannels = {{ a = \"rack/Cable 1\" }}\n"
    ));
    assert_eq!(
        config.stations[0].channels,
        [channel("a", input("rack", "Cable 1"))]
    );
    // A station further down may own the instance.
    let config = parse(&format!(
        "[station.a]\nchannels = {{ top = \"bench-1/tc2\" }}\n{SHORTEST}"
    ));
    assert_eq!(
        config.stations[0].channels,
        [channel("top", input("bench-1", "tc2"))]
    );
}

/// An instance or supply with a mistake of its own is still there: one mistake is shown and not three.
#[test]
fn a_mistake_does_not_breed_others() {
    check_short(
        "[supply.bay-a]\nvolts = 230\namps = 0\n[driver.rack]\nprogram = 5\n\
         [station.b]\nchannels = { a = \"rack/tc1\" }\nsupply = \"bay-a\"\n",
        &[
            "`amps` is 0 A, not above 0 A -> write a number above 0 and at most 1000 A",
            "`program` has to be text, not a number -> put it into quotes: `\"5\"`",
        ],
    );
}

#[test]
fn names_fit_bus_paths_and_topics() {
    let rule = "names have 1 to 40 of a to z, 0 to 9 and `-`, a letter first";
    let long = "x".repeat(41);
    for (name, why) in [
        (
            "Larkfield",
            &*format!(
                "the name `Larkfield` doesn't start with a letter a to z -> {rule}, such as `larkfield`"
            ),
        ),
        (
            "1st",
            &format!("the name `1st` doesn't start with a letter a to z -> {rule}, such as `st`"),
        ),
        (
            "bay a",
            &format!("the name `bay a` has ` ` in it -> {rule}, such as `bay-a`"),
        ),
        (
            "a/b",
            &format!("the name `a/b` has `/` in it -> {rule}, such as `a-b`"),
        ),
        (
            "a+",
            &format!("the name `a+` has `+` in it -> {rule}, such as `a`"),
        ),
        (
            "bänk",
            &format!("the name `bänk` has `ä` in it -> {rule}, such as `b-nk`"),
        ),
        (
            "++",
            &format!("the name `++` doesn't start with a letter a to z -> {rule}"),
        ),
        (
            &long,
            &format!(
                "the name `{long}` has 41 characters, above the limit of 40 -> {rule}, such as `{}`",
                &long[1..]
            ),
        ),
    ] {
        check_before(&format!("[lab]\nname = \"{name}\""), &[why]);
        check_short(
            &format!("[station.\"{name}\"]\ndriver = {{ program = \"p\" }}\nchannels = {{ a = \"b\" }}\n"),
            &[why],
        );
        check_station(&format!("permissive = {{ \"{name}\" = \"hood\" }}"), &[why]);
        check_before(&format!("[driver.\"{name}\"]\nprogram = \"p\""), &[why]);
        check_before(&format!("[supply.\"{name}\"]\nvolts = 230\namps = 16"), &[why]);
        check_short(
            &format!("[station.b]\ndriver = {{ program = \"p\" }}\nchannels = {{ \"{name}\" = \"b\" }}\n"),
            &[why],
        );
    }
    let longest = "y".repeat(40);
    assert_eq!(
        parse(&format!("[lab]\nname = \"{longest}\"\n{SHORTEST}"))
            .lab
            .name,
        longest
    );
}

#[test]
fn a_station_with_a_driver_and_a_driver_of_its_name_clash() {
    check_before(
        "[driver.bench-1]\nprogram = \"simulated\"",
        &[
            "`[driver.bench-1]` and the driver of station `bench-1` have the same name -> rename `[driver.bench-1]`, or \
         remove the station's `driver` and wire it as `bench-1/...`",
        ],
    );
    parse("[driver.b]\nprogram = \"simulated\"\n[station.b]\nchannels = { a = \"b/tc1\" }\n");
}

#[test]
fn a_program_is_a_short_name_or_a_command() {
    let program = |value: &str| {
        parse(&format!("[driver.d]\nprogram = {value}\n{SHORTEST}")).drivers["d"]
            .program
            .clone()
    };
    assert_eq!(program("\"iio\""), Program::Short("iio".to_owned()));
    assert_eq!(
        program("\"my_driver-2\""),
        Program::Short("my_driver-2".to_owned())
    );
    assert_eq!(
        program("[\"./d\", \"\", \" --x=y\"]"),
        Program::Command(text(&["./d", "", " --x=y"]))
    );
    for (value, expected) in [
        (
            "\"./d\"",
            "`program` is `./d`, which is not the short name of a driver -> write a command as a list, `program = [\"./d\"]`, or a short name such as `simulated`",
        ),
        (
            "[]",
            "the command in `program` is empty -> write the program first, then its arguments: `[\"python3\", \"my_driver.py\"]`",
        ),
        (
            "[\"\", \"x\"]",
            "the command in `program` is empty -> write the program first, then its arguments: `[\"python3\", \"my_driver.py\"]`",
        ),
        (
            "[\"d\", 5]",
            "every word of `program` has to be text, not a number -> put it into quotes: `\"5\"`",
        ),
        (
            "[\"d\", \"\\u0000\"]",
            "a word of `program` has a zero byte in it -> remove it",
        ),
        (
            "{}",
            "`program` has to be text, not a table -> write one text in quotes",
        ),
    ] {
        check_before(&format!("[driver.d]\nprogram = {value}"), &[expected]);
    }
    check_before(
        "[driver.d]",
        &["`program` is missing in `[driver.d]` -> add `program = \"simulated\"`"],
    );
    check_short(
        "[station.b]\ndriver = \"rack\"\nchannels = { a = \"tc1\" }\n",
        &[
            "`driver` of station `b` has to be a table, not text -> write `driver = { program = \"...\" }`, or name a \
         shared instance where it is wired: `heat = \"rack/heat1\"`",
        ],
    );
}

#[test]
fn settings_reach_the_driver_as_they_are() {
    let settings = parse(&format!(
        "[driver.d]\nprogram = \"p\"\n[driver.d.settings]\nunit = 0x10\ngain = 1.5\nbaud = -9\non = true\n\
         since = 2026-01-02T03:04:05Z\nname = \"é\"\nempty = {{}}\nlist = [1, \"a\", [2.0]]\n\
         [driver.d.settings.deep]\nerkannt = 1\n{SHORTEST}"
    ));
    assert_eq!(
        settings.drivers["d"].settings,
        json!({
            "unit": 16, "gain": 1.5, "baud": -9, "on": true, "since": "2026-01-02T03:04:05Z", "name": "é",
            "empty": {}, "list": [1, "a", [2.0]], "deep": {"erkannt": 1},
        })
    );
}

#[test]
fn settings_that_json_cannot_carry_are_mistakes() {
    for (value, expected) in [
        (
            "nan",
            "`nan` is not a finite number, and JSON has no other -> write a number the driver can take, or text in quotes",
        ),
        (
            "[1, { x = -inf }]",
            "`-inf` is not a finite number, and JSON has no other -> write a number the driver can take, or text in quotes",
        ),
        (
            "1e999",
            "`1e999` is not a finite number, and JSON has no other -> write a number the driver can take, or text in quotes",
        ),
        (
            "9223372036854775808",
            "`9223372036854775808` doesn't fit into 64 bits -> write a number the driver can take, or text in quotes",
        ),
    ] {
        check_before(
            &format!("[driver.d]\nprogram = \"p\"\nsettings = {{ x = {value} }}"),
            &[expected],
        );
    }
    check_before(
        "[driver.d]\nprogram = \"p\"\nsettings = 5",
        &["`settings` has to be a table, not a number -> write \
         `{ key = value, ... }`, or a line with its name in brackets and the keys below"],
    );
    let fits = "x".repeat(60 * 1024 - 8);
    parse(&format!(
        "[driver.d]\nprogram = \"p\"\nsettings = {{ x = \"{fits}\" }}\n{SHORTEST}"
    ));
    let long = "x".repeat(60 * 1024);
    check_before(
        &format!("[driver.d]\nprogram = \"p\"\nsettings = {{ x = \"{long}\" }}"),
        &[
            "the settings take 61448 bytes as JSON, above the limit of 61440 -> put the bulk into a file and its path into \
         the settings",
        ],
    );
}

#[test]
fn values_out_of_bounds_are_shown_with_both_figures() {
    for (lines, expected) in [
        (
            "[ceiling]\ncelsius = 39",
            "`celsius` is 39 °C, below the limit of 40 °C -> write a number within 40 and 400 °C",
        ),
        (
            "[ceiling]\nfahrenheit = 800",
            "`fahrenheit` is 800 °F, above the limit of 752 °F -> write a number within 104 and 752 °F",
        ),
        (
            "[ceiling]\ncelsius = nan",
            "`celsius` has to be a finite number, not `nan` -> write a number within 40 and 400 °C",
        ),
        (
            "[presence]\nabsent_after_s = 9",
            "`absent_after_s` is 9 s, below the limit of 10 s -> write a number within 10 and 14400 s",
        ),
        (
            "[archive]\nreserve_mb = 9",
            "`reserve_mb` is 9 MB, below the limit of 10 MB -> write a number within 10 and 1000000 MB",
        ),
        (
            "[archive]\noutside_runs_days = 3651",
            "`outside_runs_days` is 3651 days, above the limit of 3650 days -> write a number within 1 and 3650 days",
        ),
        (
            "[presence]\nabsent_after_s = 14401",
            "`absent_after_s` is 14401 s, above the limit of 14400 s -> write a number within 10 and 14400 s",
        ),
        (
            "[supply.a]\nvolts = -230\namps = 16",
            "`volts` is -230 V, not above 0 V -> write a number above 0 and at most 1000 V",
        ),
        (
            "[supply.a]\nvolts = 1001\namps = 16",
            "`volts` is 1001 V, above the limit of 1000 V -> write a number above 0 and at most 1000 V",
        ),
        (
            "[supply.a]\nvolts = 230\namps = inf",
            "`amps` has to be a finite number, not `inf` -> write a number above 0 and at most 1000 A",
        ),
        (
            "[supply.a]\nvolts = 230\namps = 16\ncontinuous = 0",
            "`continuous` is 0, not above 0 -> write a number above 0 and at most 1",
        ),
        (
            "[supply.a]\nvolts = 230\namps = 16\ncontinuous = 80",
            "`continuous` is 80, above the limit of 1 -> write a number above 0 and at most 1",
        ),
        (
            "[supply.a]\nvolts = 230",
            "`amps` is missing in `[supply.a]` -> add `amps = 16`",
        ),
    ] {
        check_before(lines, &[expected]);
    }
    for (line, expected) in [
        (
            "ceiling_celsius = 401",
            "`ceiling_celsius` is 401 °C, above the limit of 400 °C -> write a number within 40 and 400 °C",
        ),
        (
            "ceiling_fahrenheit = 100",
            "`ceiling_fahrenheit` is 100 °F, below the limit of 104 °F -> write a number within 104 and 752 °F",
        ),
        (
            "ceiling_celsius = 200\nceiling_fahrenheit = 392",
            "both `ceiling_celsius` and `ceiling_fahrenheit` in `[station.bench-1]` -> keep one of the two",
        ),
    ] {
        check_station(line, &[expected]);
    }
    let bounds = parse(&format!(
        "[ceiling]\nfahrenheit = 752\n[presence]\nabsent_after_s = 14_400\n{SHORTEST}"
    ));
    assert_eq!(
        (bounds.ceiling, bounds.absent_after),
        (Celsius::constant(400.0), Millis::from_secs(14_400))
    );
}

#[test]
fn a_channel_may_say_more_than_its_input() {
    let channels =
        |table: &str| format!("[station.b]\ndriver = {{ program = \"p\" }}\nchannels = {{ a = {table} }}\n");
    let config = parse(&channels(
        "{ input = \"tc1\", thermocouple = \"J\", offset_fahrenheit = -1.8 }",
    ));
    assert_eq!(
        config.stations[0].channels,
        [Channel {
            name: "a".to_owned(),
            input: input("b", "tc1"),
            thermocouple: Some(ThermocoupleType::J),
            offset: CelsiusDelta::constant(-1.0),
        }]
    );
    for (table, expected) in [
        (
            "{}",
            "`input` is missing in channel `a` of `b` -> add `input = \"tc1\"`",
        ),
        (
            "5",
            "channel `a` has to be text, not a number -> put it into quotes: `\"5\"`",
        ),
        (
            "{ input = \"tc1\", thermocouple = \"Q\" }",
            "`thermocouple` has to be one of B, E, J, K, N, R, S, T, not `Q` -> write one of: B, E, J, K, N, R, S, T",
        ),
        (
            "{ input = \"tc1\", thermocouple = \"j\" }",
            "`thermocouple` has to be one of B, E, J, K, N, R, S, T, not `j` -> did you mean `J`?",
        ),
        (
            "{ input = \"tc1\", offset_celsius = 21 }",
            "`offset_celsius` is 21 °C, above the limit of 20 °C -> write a number within -20 and 20 °C",
        ),
        (
            "{ input = \"tc1\", offset = 1 }",
            "unknown key `offset` in channel `a` of `b` -> did you mean `offset_celsius`?",
        ),
    ] {
        check_short(&channels(table), &[expected]);
    }
}

#[test]
fn roles_leave_somebody_to_lift_a_trip() {
    for roles in ["operate = [\"bench\"]", "safety = []"] {
        check_before(
            &format!("[roles]\n{roles}"),
            &[
                "no group has the role safety: nobody could lift a trip or set a ceiling -> add `safety = [\"GROUP\"]`, or \
             remove `[roles]` to give all roles to the daemon's own account",
            ],
        );
    }
    check_before(
        "[roles]\nsafety = [\"a b\"]\noperate = 5",
        &[
            "`a b` is not the name of a unix group -> write one name a text, as `getent group` lists them",
            "`operate` has to be text or a list of texts, not a number -> write `operate = \"...\"` or `operate = [\"...\", \"...\"]`",
        ],
    );
    let roles = parse(&format!("[roles]\nsafety = \"safety\"\n{SHORTEST}"))
        .roles
        .unwrap();
    assert_eq!(
        roles,
        Roles {
            operate: vec![],
            process: vec![],
            safety: text(&["safety"])
        }
    );
}

#[test]
fn a_broker_has_an_address_and_credentials_that_go_together() {
    for (lines, expected) in [
        (
            "",
            "`broker` is missing in `[mqtt]` -> add `broker = \"mqtt://127.0.0.1:1883\"`",
        ),
        (
            "broker = \"127.0.0.1:1883\"",
            "`broker` has no scheme: `127.0.0.1:1883` -> write `mqtt://HOST:1883`, or `mqtts://HOST:8883` for TLS",
        ),
        (
            "broker = \"mqtt://b:99999\"",
            "`broker` has the port `99999`, which is not within 1 and 65535: `mqtt://b:99999` -> write `mqtt://HOST:1883`, or `mqtts://HOST:8883` for TLS",
        ),
        (
            "broker = \"mqtt://b\"\npassword_file = \"x\"",
            "`password_file` stands without `username` -> add `username = \"...\"`",
        ),
        (
            "broker = \"mqtt://b\"\nkey_file = \"x\"",
            "`key_file` stands without `certificate_file` -> add `certificate_file = \"...\"`: the broker gets both or neither",
        ),
        (
            "broker = \"mqtt://b\"\nplain = \"yes\"",
            "`plain` has to be true or false, not text -> write `plain = true` or `plain = false`",
        ),
        (
            "broker = \"mqtt://b\"\nsparkplug = {}",
            "`group` is missing in `sparkplug` of `[mqtt]` -> add `group = \"...\"`",
        ),
        (
            "broker = \"mqtt://b\"\nsparkplug = { group = \"a/b\" }",
            "`group` has `/` in it, which MQTT topics keep for themselves -> leave out `/`, `+` and `#`",
        ),
        (
            "broker = \"mqtt://b\"\nsparkplug = { group = \"\" }",
            "`group` is empty -> write something between the quotes, or remove the line",
        ),
        (
            "broker = \"mqtt://b\"\nsparkplug = { group = \"STATE\" }",
            "`group` is `STATE`, under which hosts say whether they are there -> choose another name",
        ),
        (
            "broker = \"mqtt://b\"\nsparkplug = { group = \"rework\", primary_host = \"#\" }",
            "`primary_host` has `#` in it, which MQTT topics keep for themselves -> leave out `/`, `+` and `#`",
        ),
        (
            "broker = \"mqtt://b\"\nsparkplug = { group = \"rework\", aliases = 1 }",
            "`aliases` has to be true or false, not a number -> write `aliases = true` or `aliases = false`",
        ),
        (
            "broker = \"mqtt://b\"\nsparkplug = { group = \"rework\", primary = \"x\" }",
            "unknown key `primary` in `sparkplug` of `[mqtt]` -> did you mean `primary_host`?",
        ),
        (
            "broker = \"mqtt://b\"\nallow = [\"start\"]",
            "`start` can't be allowed: only present and stop can, the lab gets no hotter by message -> remove it",
        ),
        (
            "broker = \"mqtt://b\"\nallow = [\"presnt\"]",
            "`presnt` can't be allowed: only present and stop can, the lab gets no hotter by message -> did you mean `present`?",
        ),
        (
            "broker = \"mqtt://b\"\nhistory = \"gaps\"",
            "`history` has to be one of runs, all, off, not `gaps` -> write one of: runs, all, off",
        ),
        (
            "broker = \"mqtt://b\"\nhistory_readings_per_s = 50",
            "`history_readings_per_s` is 50 readings a second, below the limit of 100 readings a second -> write a number within 100 and 1000000 readings a second",
        ),
        (
            "broker = \"mqtt://b\"\nlive = { run = { deadband_celsius = 60 } }",
            "`deadband_celsius` is 60 °C, above the limit of 50 °C -> write a number within 0 and 50 °C",
        ),
        (
            "broker = \"mqtt://b\"\nlive = { idle = { at_most_per_s = 11 } }",
            "`at_most_per_s` is 11 a second, above the limit of 10 a second -> write a number within 0.01 and 10 a second",
        ),
        (
            "broker = \"mqtt://b\"\nlive = { state_heartbeat_s = 0.5 }",
            "`state_heartbeat_s` is 0.5 s, below the limit of 1 s -> write a number within 1 and 3600 s",
        ),
        (
            "broker = \"mqtt://b\"\nlive = { run = { at_most_per_s = 0.05 } }",
            "`at_most_per_s` asks for a value each 10 s, and `at_most_per_s` allows one in 20 s -> write `heartbeat_s = 20` or more, or raise `at_most_per_s`",
        ),
        (
            "broker = \"mqtt://b\"\nlive = { run = { at_most_per_s = 0.05, heartbeat_s = 5 } }",
            "`heartbeat_s` asks for a value each 5 s, and `at_most_per_s` allows one in 20 s -> write `heartbeat_s = 20` or more, or raise `at_most_per_s`",
        ),
        (
            "broker = \"mqtt://b\"\nlive = { runs = {} }",
            "unknown key `runs` in `live` of `[mqtt]` -> did you mean `run`?",
        ),
        (
            "broker = \"mqtt://b\"\npassword = \"secret\"\nusername = \"x\"",
            "unknown key `password` in `[mqtt]` -> did you mean `password_file`?",
        ),
    ] {
        check_before(&format!("[mqtt]\n{lines}"), &[expected]);
    }
    let mqtt = parse(&format!(
        "[mqtt]\nbroker = \"mqtts://b\"\ncertificate_file = \"c\"\nkey_file = \"k\"\nallow = [\"stop\", \"present\"]\n{SHORTEST}"
    ))
    .mqtt
    .unwrap();
    assert_eq!(
        mqtt.allow,
        Allow {
            present: true,
            stop: true
        }
    );
    assert_eq!(
        mqtt.client,
        Some(ClientCertificate {
            certificate_file: PathBuf::from("c"),
            key_file: PathBuf::from("k")
        })
    );
}

#[test]
fn metrics_listen_on_an_address() {
    for listen in ["localhost:9464", "9464", "127.0.0.1", "127.0.0.1:99999"] {
        check_before(
            &format!("[metrics]\nlisten = \"{listen}\""),
            &[&format!(
                "`listen` is `{listen}`, which is not an address and a port -> write `127.0.0.1:9464`, or `[::1]:9464`; names \
             such as localhost have several addresses"
            )],
        );
    }
    let metrics = |text: &str| {
        parse(&format!("{text}\n{SHORTEST}"))
            .metrics
            .map(|metrics| metrics.listen.to_string())
    };
    assert_eq!(
        metrics("[metrics]").as_deref(),
        Some("127.0.0.1:9464"),
        "this host alone"
    );
    assert_eq!(
        metrics("[metrics]\nlisten = \"[::]:9000\"").as_deref(),
        Some("[::]:9000")
    );
    assert_eq!(metrics(""), None);
}

#[test]
fn the_socket_fits_where_the_system_keeps_it() {
    let at = |bytes: usize| format!("[lab]\nsocket = \"/{}\"", "s".repeat(bytes - 1));
    assert!(parse(&format!("{}\n{SHORTEST}", at(107))).lab.socket.is_some());
    check_before(
        &at(108),
        &["`socket` has 108 bytes, above the limit of 107 for a socket -> choose a shorter path"],
    );
}

#[test]
fn sizes_have_limits() {
    let stations = |count: usize| -> String {
        (0..count).fold(String::new(), |mut text, n| {
            writeln!(text, "[station.b{n}]\nchannels = {{ a = \"rack/tc{n}\" }}").unwrap();
            text
        })
    };
    let rack = "[driver.rack]\nprogram = \"p\"\n";
    assert_eq!(parse(&format!("{rack}{}", stations(500))).stations.len(), 500);
    check_short(
        &format!("{rack}{}", stations(501)),
        &["501 of `[station.NAME]`, above the limit of 500 -> split the lab into several daemons"],
    );
    let list = |count: usize, of: &dyn Fn(usize) -> String| (0..count).map(of).collect::<Vec<_>>().join(", ");
    let channels = |count| {
        format!(
            "{rack}[station.b]\nchannels = {{ {} }}\n",
            list(count, &|n| format!("c{n} = \"rack/tc{n}\""))
        )
    };
    assert_eq!(parse(&channels(32)).stations[0].channels.len(), 32);
    check_short(
        &channels(33),
        &["station `b` has 33 channels, above the limit of 32 -> split the station into several"],
    );
    check_station(
        &format!("heat = [{}]", list(17, &|n| format!("\"h{n}\""))),
        &["`heat` has 17 wires, above the limit of 16 a station -> split the station into several"],
    );
    check_station(
        &format!("permissive = {{ {} }}", list(17, &|n| format!("p{n} = \"p{n}\""))),
        &["`permissive` has 17 wires, above the limit of 16 a station -> split the station into several"],
    );
}

#[test]
fn channels_and_permissives_keep_the_order_of_the_file() {
    let config = parse(
        "[station.b]\ndriver = { program = \"p\" }\nchannels = { z = \"1\", a = \"2\" }\npermissive = { y = \"3\", b = \"4\" }\n\
         [station.a]\ndriver = { program = \"p\" }\nchannels.m = \"1\"\nchannels.k = \"2\"\n",
    );
    let order: Vec<Vec<&str>> = config
        .stations
        .iter()
        .map(|s| s.channels.iter().map(|c| c.name.as_str()).collect())
        .collect();
    assert_eq!(order, [["z", "a"], ["m", "k"]]);
    let permissives: Vec<&str> = config.stations[0]
        .permissives
        .iter()
        .map(|(name, _)| name.as_str())
        .collect();
    assert_eq!(permissives, ["y", "b"]);
}

#[test]
fn tables_that_are_none_are_mistakes() {
    let fix = "write `{ key = value, ... }`, or a line with its name in brackets and the keys below";
    check_short(
        "lab = 5\nstation = \"x\"\n",
        &[
            &format!("`lab` has to be a table, not a number -> {fix}"),
            &format!("`station` has to be a table, not text -> {fix}"),
        ],
    );
    check_short(
        "[station]\nbench-1 = 5\n",
        &[&format!(
            "`[station.bench-1]` has to be a table, not a number -> {fix}"
        )],
    );
    check_station(
        "[stations.bench-2]",
        &["unknown key `stations` at the top of the file -> did you mean `station`?"],
    );
    check_before(
        "name = \"x\"",
        &["unknown key `name` at the top of the file -> `name` belongs in `[lab]`"],
    );
}

#[test]
fn a_file_is_loaded_and_its_relative_paths_count_from_its_folder() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("lab.toml");
    std::fs::write(
        &file,
        format!(
            "[lab]\narchive = \"archive\"\nsocket = \"/run/x\"\n[mqtt]\nbroker = \"mqtt://b\"\nusername = \"u\"\n\
             password_file = \"secret\"\nca_file = \"ca\"\ncertificate_file = \"c\"\nkey_file = \"k\"\n{SHORTEST}"
        ),
    )
    .unwrap();
    let config = Config::load(&file).unwrap();
    let beside = |name: &str| Some(folder.path().join(name));
    assert_eq!(config.lab.archive, beside("archive"));
    assert_eq!(config.lab.socket, Some(PathBuf::from("/run/x")));
    let mqtt = config.mqtt.unwrap();
    assert_eq!(
        (mqtt.password_file, mqtt.ca_file),
        (beside("secret"), beside("ca"))
    );
    let client = mqtt.client.unwrap();
    assert_eq!(
        (Some(client.certificate_file), Some(client.key_file)),
        (beside("c"), beside("k"))
    );
}

#[test]
fn a_file_that_is_no_configuration_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("lab.toml");
    let shown = file.display();

    let missing = Config::load(&file).unwrap_err();
    assert_eq!(
        missing.to_string(),
        format!("can't read the configuration {shown}")
    );
    assert!(
        matches!(missing, LoadError::Unreadable { source, .. } if source.kind() == std::io::ErrorKind::NotFound)
    );
    assert!(matches!(
        Config::load(folder.path()),
        Err(LoadError::Unreadable { .. })
    ));

    std::fs::write(&file, b"[lab]\nname = \"l\xe4b\"\n").unwrap();
    assert_eq!(
        Config::load(&file).unwrap_err().to_string(),
        format!(
            "{shown}:2:10: byte 0xe4 is not UTF-8 text\n  2 | name = \"l\u{fffd}b\"\n    |          ^\n\
             fix: save the file as UTF-8"
        )
    );
    let mut longest = SHORTEST.as_bytes().to_vec();
    longest.resize(TEXT_BYTES_MAX, b'\n');
    std::fs::write(&file, longest).unwrap();
    assert_eq!(Config::load(&file).unwrap(), parse(SHORTEST));
    std::fs::write(&file, vec![b'#'; TEXT_BYTES_MAX + 1]).unwrap();
    assert_eq!(
        Config::load(&file).unwrap_err().to_string(),
        format!(
            "{shown}:1:1: more than 1048576 bytes are too many for a configuration\nfix: check that this is the right file"
        )
    );
    std::fs::write(&file, "x").unwrap();
    assert!(
        Config::load(&file)
            .unwrap_err()
            .to_string()
            .starts_with(&format!("{shown}:1:2: key with no value, expected `=`"))
    );
}

fn pieces() -> impl Strategy<Value = String> {
    let piece = prop_oneof![
        prop::sample::select(vec![
            "lab",
            "name",
            "station",
            "bench-1",
            "driver",
            "program",
            "settings",
            "channels",
            "heat",
            "rack/tc1",
            "input",
            "thermocouple",
            "supply",
            "volts",
            "mqtt",
            "broker",
            "mqtt://[",
            "mqtt://a:1",
            "allow",
            "roles",
            "safety",
            "metrics",
            "listen",
            "ceiling_celsius",
            "celsius",
            "[",
            "]",
            "[[",
            "]]",
            "=",
            " = ",
            "\n",
            "\r\n",
            "{",
            "}",
            ",",
            ".",
            "\"",
            "'",
            "#",
            "nan",
            "-inf",
            "1e308",
            "70",
            "-1",
            "true",
            "2001-01-01",
            "é",
            "\u{0}",
            "\\",
            "\u{202e}",
            " ",
            "\t",
        ])
        .prop_map(str::to_owned),
        any::<char>().prop_map(String::from),
    ];
    prop::collection::vec(piece, 0..60).prop_map(|pieces| pieces.concat())
}

fn damaged() -> impl Strategy<Value = String> {
    let text = prop::sample::select(vec![EXAMPLE, PROMISED, SHORTEST]);
    let damage = prop::collection::vec((any::<prop::sample::Index>(), 0..4_u8, pieces()), 1..6);
    (text, damage).prop_map(|(text, damage)| {
        let mut chars: Vec<char> = text.chars().collect();
        for (at, kind, piece) in damage {
            if chars.is_empty() {
                break;
            }
            let at = at.index(chars.len());
            match kind {
                0 => drop(chars.remove(at)),
                1 => chars.insert(at, chars[at]),
                2 => drop(chars.splice(at..at, piece.chars())),
                _ => chars.truncate(at.max(1)),
            }
        }
        chars.into_iter().collect()
    })
}

/// Lines of a good file in another order, some left out, some twice: what survives parsing far more often.
fn shuffled() -> impl Strategy<Value = String> {
    let lines: Vec<&'static str> = EXAMPLE.lines().chain(PROMISED.lines()).collect();
    prop::collection::vec(prop::sample::select(lines), 0..40).prop_map(|lines| lines.join("\n"))
}

/// The invariants that this crate promises, checked on whatever came out of a text.
fn holds(text: &str) -> Result<(), TestCaseError> {
    let config = match Config::parse("lab.toml", text) {
        Ok(config) => config,
        Err(mistakes) => {
            for mistake in &mistakes {
                prop_assert!(
                    text.get(mistake.span()).is_some(),
                    "{:?} cuts a letter",
                    mistake.span()
                );
            }
            prop_assert!(mistakes.to_string().chars().all(|c| c == '\n' || !c.is_control()));
            return Ok(());
        }
    };
    let is_name = |name: &str| benchward_core::mistake::table::not_a_name(name).is_none();
    prop_assert!(!config.stations.is_empty());
    prop_assert!(is_name(&config.lab.name));
    prop_assert!(
        config
            .drivers
            .keys()
            .chain(config.supplies.keys())
            .all(|name| is_name(name))
    );
    prop_assert!(config.drivers.values().all(|driver| driver.settings.is_object()));
    let (mut inputs, mut outputs) = (Vec::new(), Vec::new());
    for station in &config.stations {
        prop_assert!(is_name(&station.name));
        prop_assert!(!station.channels.is_empty());
        prop_assert!(
            station
                .supply
                .as_ref()
                .is_none_or(|supply| config.supplies.contains_key(supply))
        );
        inputs.extend(station.channels.iter().map(|channel| &channel.input));
        inputs.extend(&station.presence);
        inputs.extend(&station.current);
        inputs.extend(station.permissives.iter().map(|(_, wire)| wire));
        outputs.extend(&station.heat);
        outputs.extend(&station.contactor);
    }
    prop_assert!(
        inputs
            .iter()
            .all(|wire| config.drivers.contains_key(&wire.instance))
    );
    prop_assert!(
        outputs
            .iter()
            .all(|wire| config.drivers.contains_key(&wire.instance))
    );
    let (wires_in, wires_out) = (inputs.len(), outputs.len());
    inputs.sort();
    inputs.dedup();
    outputs.sort();
    outputs.dedup();
    prop_assert_eq!((inputs.len(), outputs.len()), (wires_in, wires_out));
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_is_a_configuration_or_mistakes(text in any::<String>()) {
        holds(&text)?;
    }

    #[test]
    fn any_pieces_are_a_configuration_or_mistakes(text in pieces()) {
        holds(&text)?;
    }

    #[test]
    fn a_damaged_configuration_is_a_configuration_or_mistakes(text in damaged()) {
        holds(&text)?;
    }

    #[test]
    fn shuffled_lines_are_a_configuration_or_mistakes(text in shuffled()) {
        holds(&format!("{text}\n{SHORTEST}"))?;
    }
}
