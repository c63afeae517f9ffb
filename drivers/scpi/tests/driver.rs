//! The driver as a process, against an instrument that shares no code with it: `instrument.py` on scpipy, over TCP, and over a pair of
//! pseudo-terminals that socat bridges to it.

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

use benchward_driver::conformance::{self, Subject};
use benchward_driver::other_end::OtherEnd;
use benchward_driver::wire::{Describe, Fault, FromDriver, InputKind, Value};
use serde_json::{Value as Json, json};

const PATIENCE: Duration = Duration::from_secs(30);
const IDENTITY: &str = "Larkfield Instruments,DM-6,0042,1.07";

/// A child that ends with its owner.
struct Process(Child);

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The instrument.
struct Instrument {
    folder: tempfile::TempDir,
    port: u16,
    process: Option<Process>,
    answers: BTreeMap<String, String>,
    delays: BTreeMap<String, f64>,
}

/// A port that no other test here has. It is below those that the kernel gives to outgoing connections, so that it is still free when
/// an instrument is switched on again.
fn unused_port() -> u16 {
    const LOWEST: u32 = 12_000;
    const PORTS: u32 = 20_000;
    static NEXT: AtomicU32 = AtomicU32::new(0);
    loop {
        let n = std::process::id() * 97 + NEXT.fetch_add(1, Ordering::Relaxed);
        let port = u16::try_from(LOWEST + n % PORTS).unwrap();
        if TcpListener::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
}

impl Instrument {
    fn on() -> Self {
        let port = unused_port();
        let mut instrument = Instrument {
            folder: tempfile::tempdir().unwrap(),
            port,
            process: None,
            answers: BTreeMap::new(),
            delays: BTreeMap::new(),
        };
        instrument.says("*IDN", IDENTITY);
        instrument.switch_on();
        instrument
    }

    fn switch_on(&mut self) {
        let python = Path::new(env!("CARGO_TARGET_TMPDIR")).join("scpi-peer/bin/python");
        assert!(
            python.exists(),
            "{} isn't there: run drivers/scpi/tests/setup",
            python.display()
        );
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/instrument.py");
        let child = Command::new(python)
            .arg(script)
            .arg(self.port.to_string())
            .arg(self.folder.path().join("state.json"))
            .arg(self.folder.path().join("log"))
            .spawn()
            .unwrap();
        self.process = Some(Process(child));
        let until = Instant::now() + PATIENCE;
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(Instant::now() < until, "the instrument never listened");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn switch_off(&mut self) {
        self.process = None;
    }

    fn says(&mut self, key: &str, text: &str) {
        self.answers.insert(key.into(), text.into());
        self.write();
    }

    fn delays(&mut self, key: &str, seconds: f64) {
        self.delays.insert(key.into(), seconds);
        self.write();
    }

    fn write(&self) {
        let new = self.folder.path().join("new");
        let state = json!({"answers": self.answers, "delays": self.delays});
        fs::write(&new, state.to_string()).unwrap();
        fs::rename(new, self.folder.path().join("state.json")).unwrap();
    }

    fn log(&self) -> Vec<String> {
        let text = fs::read_to_string(self.folder.path().join("log")).unwrap_or_default();
        text.lines().map(str::to_owned).collect()
    }

    /// Somebody else sends it a command.
    fn is_sent(&self, command: &str) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        // The answer to the second says that the first has been worked on.
        stream
            .write_all(format!("{command}\n*OPC?\n").as_bytes())
            .unwrap();
        let mut byte = [0];
        stream.read_exact(&mut byte).unwrap();
    }

    fn settings(&self, more: Json) -> Json {
        with(
            json!({"tcp": format!("127.0.0.1:{}", self.port), "rate_hz": 20, "timeout_ms": 5_000}),
            more,
        )
    }

    /// Two inputs, each by a query of its own.
    fn two_inputs(&mut self) -> Json {
        self.says("(@101)", "+2.50000000E+01");
        self.says("(@102)", "+6.00000000E+01");
        json!({"queries": [
            {"query": "MEAS:TEMP? TC,K,(@101)", "inputs": [{"id": "tc1"}]},
            {"query": "MEASure:TEMPerature? TC,K,(@102)", "inputs": [{"id": "tc2"}]},
        ]})
    }
}

fn with(mut settings: Json, more: Json) -> Json {
    let Json::Object(more) = more else {
        panic!("{more}")
    };
    settings.as_object_mut().unwrap().extend(more);
    settings
}

/// A serial line to the instrument: a pair of pseudo-terminals, and a bridge from its far end to the instrument's port. Both outlive
/// the driver's connections, so what is late on them stays late.
struct SerialLine {
    near: PathBuf,
    _processes: [Process; 2],
}

impl SerialLine {
    /// `end`: socat's word for what ends a line on the serial side, `raw` for as it comes.
    fn to(instrument: &Instrument, end: &str) -> Self {
        let near = instrument.folder.path().join("tty-near");
        let far = instrument.folder.path().join("tty-far");
        let socat = |from: String, to: String| {
            let child = Command::new("socat").args([from, to]).spawn();
            Process(child.expect("socat isn't installed: run drivers/scpi/tests/setup"))
        };
        let pty = |path: &Path| format!("pty,raw,echo=0,ignoreeof,link={}", path.display());
        let pair = socat(pty(&near), pty(&far));
        let until = Instant::now() + PATIENCE;
        while !(near.exists() && far.exists()) {
            assert!(Instant::now() < until, "socat made no pseudo-terminals");
            std::thread::sleep(Duration::from_millis(20));
        }
        let bridge = socat(
            format!("{},raw,echo=0,{end}", far.display()),
            format!("TCP:127.0.0.1:{}", instrument.port),
        );
        SerialLine {
            near,
            _processes: [pair, bridge],
        }
    }
}

struct Driver {
    end: OtherEnd,
    describe: Describe,
    notices: Vec<String>,
}

impl Driver {
    fn start(settings: Json) -> Self {
        let mut end = process();
        end.configure("meter", settings, 1.0).unwrap();
        let mut notices = Vec::new();
        loop {
            let heard = end.hear(PATIENCE).expect("no describe came");
            match heard.message().unwrap() {
                FromDriver::Describe(describe) => {
                    return Driver {
                        end,
                        describe: *describe,
                        notices,
                    };
                }
                FromDriver::Notice { text, .. } => notices.push(text.into_owned()),
                other => panic!("{other:?}"),
            }
        }
    }

    /// The values of the next scan, by input.
    fn scan(&mut self) -> BTreeMap<String, Value<'static>> {
        let until = Instant::now() + PATIENCE;
        loop {
            assert!(
                Instant::now() < until,
                "only notices, no scan: {:#?}",
                self.notices
            );
            let heard = self.end.hear(PATIENCE).expect("no scan came");
            match heard.message().unwrap() {
                FromDriver::Scan(scan) => {
                    assert_eq!(scan.values.len(), self.describe.inputs.len(), "{scan:?}");
                    return scan
                        .values
                        .into_iter()
                        .map(|(id, v)| (id.into_owned(), v.into_owned()))
                        .collect();
                }
                FromDriver::Notice { text, .. } => self.notices.push(text.into_owned()),
                other => panic!("{other:?}"),
            }
        }
    }

    /// Scans until one is right. Each is shown to `always` before.
    #[track_caller]
    fn wait_for(
        &mut self,
        what: &str,
        mut always: impl FnMut(&BTreeMap<String, Value<'static>>),
        right: impl Fn(&BTreeMap<String, Value<'static>>) -> bool,
    ) -> BTreeMap<String, Value<'static>> {
        let until = Instant::now() + PATIENCE;
        loop {
            let scan = self.scan();
            always(&scan);
            if right(&scan) {
                return scan;
            }
            assert!(
                Instant::now() < until,
                "never {what}, last {scan:?}, {:#?}",
                self.notices
            );
        }
    }

    #[track_caller]
    fn wait_for_fault(&mut self, id: &str, fault: Fault, text: &str) {
        self.wait_for(
            &format!("{id}: {fault}, {text:?}"),
            |_| (),
            |scan| matches!(&scan[id], Value::Fault { kind, text: Some(t) } if *kind == fault && t.contains(text)),
        );
    }

    #[track_caller]
    fn wait_for_degrees(&mut self, id: &str, expected: f64) {
        self.wait_for(
            &format!("{id}: {expected} °C"),
            |_| (),
            |scan| celsius(&scan[id]).is_some_and(|c| (c - expected).abs() < 1e-9),
        );
    }

    #[track_caller]
    fn wait_for_notice(&mut self, text: &str) {
        let until = Instant::now() + PATIENCE;
        while !self.notices.iter().any(|n| n.contains(text)) {
            assert!(
                Instant::now() < until,
                "no notice with {text:?}: {:#?}",
                self.notices
            );
            self.scan();
        }
    }
}

fn process() -> OtherEnd {
    let mut command = Command::new(env!("CARGO_BIN_EXE_benchward-driver-scpi"));
    let mut end = OtherEnd::start(command.stderr(Stdio::null())).unwrap();
    end.listen();
    end
}

/// The message that it fails with.
fn failed(settings: Json) -> String {
    let mut end = process();
    end.configure("meter", settings, 1.0).unwrap();
    let heard = end
        .hear_until(PATIENCE, |m| matches!(m, FromDriver::Failed { .. }))
        .expect("no failed came");
    assert_eq!(
        end.wait_for_exit(PATIENCE).expect("still running").code(),
        Some(1)
    );
    match heard.message().unwrap() {
        FromDriver::Failed { text } => text.into_owned(),
        other => panic!("{other:?}"),
    }
}

fn celsius(value: &Value<'_>) -> Option<f64> {
    match value {
        Value::Temperature { celsius, .. } => Some(*celsius),
        _ => None,
    }
}

/// What must hold in every scan while answers are late or lost: an input has its own value or a fault.
fn nobody_has_anothers_value(scan: &BTreeMap<String, Value<'static>>) {
    for (id, own) in [("tc1", 25.0), ("tc2", 60.0)] {
        match &scan[id] {
            Value::Temperature { celsius, .. } => assert!((celsius - own).abs() < 1e-9, "{scan:?}"),
            Value::Fault {
                kind: Fault::Device, ..
            } => {}
            other => panic!("{id}: {other:?}"),
        }
    }
}

fn all_good(scan: &BTreeMap<String, Value<'static>>) -> bool {
    scan.values().all(|v| celsius(v).is_some())
}

fn all_faulty(scan: &BTreeMap<String, Value<'static>>) -> bool {
    scan.values().all(|v| matches!(v, Value::Fault { .. }))
}

#[test]
fn it_sets_the_instrument_up_and_measures() {
    let mut instrument = Instrument::on();
    instrument.says("(@101)", "+1.83250000E+02");
    instrument.says("READ", "-12.5,+5.00000000E+00,+212,3.7315E+02 K");
    let mut driver = Driver::start(instrument.settings(json!({
        "identity": "DM-6",
        "setup": ["*RST", "CONF:TEMP TC,K,(@101:104)", "UNIT:TEMP C", "*OPC?"],
        "checks": [{"query": "unit:temperature?", "answer": "C"}],
        "queries": [
            {"query": "MEAS:TEMP? TC,K,(@101)", "inputs": [{"id": "tc1", "range_celsius": [-50, 400]}]},
            {"query": "READ?", "inputs": [
                {"id": "tc2"}, {}, {"id": "tc3", "unit": "fahrenheit"}, {"id": "tc4", "unit": "kelvin"}
            ]},
        ],
    })));
    let offered: Vec<_> = driver
        .describe
        .inputs
        .iter()
        .map(|i| (i.id.as_str(), i.kind, i.rate_hz, i.range))
        .collect();
    let temperature = InputKind::Temperature;
    assert_eq!(
        offered,
        [
            ("tc1", temperature, Some(20.0), Some((-50.0, 400.0))),
            ("tc2", temperature, Some(20.0), None),
            ("tc3", temperature, Some(20.0), None),
            ("tc4", temperature, Some(20.0), None),
        ]
    );
    assert!(driver.describe.outputs.is_empty() && !driver.describe.simulated);
    let scan = driver.wait_for("all good", |_| (), all_good);
    for (id, expected) in [("tc1", 183.25), ("tc2", -12.5), ("tc3", 100.0), ("tc4", 100.0)] {
        assert!(
            (celsius(&scan[id]).unwrap() - expected).abs() < 1e-9,
            "{id}: {scan:?}"
        );
    }
    assert_eq!(instrument.log(), ["*RST", "CONF TC K (@101:104)", "UNIT C"]);
    driver.wait_for_notice(&format!("connected to {IDENTITY}"));

    instrument.says("(@101)", "401");
    driver.wait_for_fault("tc1", Fault::Range, "401 °C is outside range_celsius, -50 to 400");
    // A number in another unit isn't one in ours.
    instrument.says("(@101)", "75.2 F");
    driver.wait_for_fault(
        "tc1",
        Fault::Device,
        "\"75.2 F\" isn't in celsius, which `unit` says",
    );
    instrument.says("(@101)", "24 C");
    driver.wait_for_degrees("tc1", 24.0);
}

#[test]
fn voltages_go_out_with_their_cold_junction() {
    let mut instrument = Instrument::on();
    instrument.says("(@101)", "24.5");
    // Type K at 100 °C, and at -100 °C: 4.096 mV and -3.554 mV (NIST Monograph 175).
    instrument.says("(@102)", "+4.09600000E-03");
    instrument.says("(@103)", "-3.554");
    let mut driver = Driver::start(instrument.settings(json!({"queries": [
        {"query": "MEAS:VOLT:DC? (@102)", "inputs":
            [{"id": "tc2", "unit": "volts", "type": "K", "cold_junction": "block"}]},
        {"query": "MEAS:VOLT:DC? (@103)", "inputs":
            [{"id": "tc3", "unit": "millivolts", "type": "K", "cold_junction_celsius": 0}]},
        {"query": "MEAS:TEMP? RTD,85,(@101)", "inputs": [{"id": "block"}]},
    ]})));
    let kinds: Vec<_> = driver.describe.inputs.iter().map(|i| i.kind).collect();
    let k = InputKind::Thermocouple { letter: 'K' };
    assert_eq!(kinds, [k, k, InputKind::Temperature]);
    let scan = driver.wait_for("measured", |_| (), |s| celsius(&s["block"]).is_some());
    let Value::Thermocouple {
        millivolts,
        cold_junction,
    } = scan["tc2"]
    else {
        panic!("{scan:?}")
    };
    assert!(
        (millivolts - 4.096).abs() < 1e-9 && (cold_junction - 24.5).abs() < 1e-9,
        "{scan:?}"
    );
    let Value::Thermocouple {
        millivolts,
        cold_junction,
    } = scan["tc3"]
    else {
        panic!("{scan:?}")
    };
    assert!(
        (millivolts + 3.554).abs() < 1e-9 && cold_junction.abs() < 1e-9,
        "{scan:?}"
    );

    instrument.says("(@101)", "9.9E37");
    driver.wait_for_fault("tc2", Fault::ColdJunction, "input `block`: open, overload");
    // Its own overload says more than its cold junction's.
    instrument.says("(@102)", "9.9E37");
    driver.wait_for_fault("tc2", Fault::Open, "overload");
    let scan = driver.scan();
    assert!(matches!(scan["tc3"], Value::Thermocouple { .. }), "{scan:?}");
}

#[test]
fn overload_values_are_faults_and_the_other_fields_stay() {
    let mut instrument = Instrument::on();
    instrument.says("READ", "1,2");
    let queries = json!({"queries": [{"query": "READ?", "inputs": [{"id": "tc1"}, {"id": "tc2"}]}]});
    let mut driver = Driver::start(instrument.settings(queries));
    driver.wait_for_degrees("tc1", 1.0);
    for (text, fault) in [
        ("+9.90000000E+37", Fault::Open),
        ("-9.90000000E+37", Fault::Range),
        ("+9.91000000E+37", Fault::Device),
        ("9.9E37", Fault::Open),
        ("-300", Fault::Range),
    ] {
        instrument.says("READ", &format!("{text},30"));
        driver.wait_for_fault("tc1", fault, text);
        let scan = driver.scan();
        assert!(
            celsius(&scan["tc2"]).is_some_and(|c| (c - 30.0).abs() < 1e-9),
            "{scan:?}"
        );
    }
    assert_eq!(
        driver
            .notices
            .iter()
            .filter(|n| n.contains("connecting anew"))
            .count(),
        0
    );
}

/// Answers come after the time-out, when the next question may be out already.
fn late_answers(instrument: &mut Instrument, settings: Json) {
    let mut driver = Driver::start(with(settings, json!({"timeout_ms": 400})));
    driver.wait_for("all good", nobody_has_anothers_value, all_good);
    for key in ["(@101)", "(@102)", "(@101)"] {
        // Late first, wrong second: whatever is on its way then comes too late.
        instrument.delays(key, 1.2);
        instrument.says(key, "111");
        driver.wait_for(
            "late",
            |scan| {
                // Until it is late, nothing else than the values from before may be seen.
                nobody_has_anothers_value(scan);
            },
            |scan| {
                scan.values()
                    .any(|v| matches!(v, Value::Fault { text: Some(t), .. } if t.contains("no answer to")))
            },
        );
        instrument.says(key, if key == "(@101)" { "25" } else { "60" });
        instrument.delays(key, 0.0);
        driver.wait_for("good again", nobody_has_anothers_value, all_good);
        for _ in 0..20 {
            nobody_has_anothers_value(&driver.scan());
        }
    }
    driver.wait_for_notice("within 400 ms; connecting anew");
}

#[test]
fn late_answers_shift_nothing_over_tcp() {
    let mut instrument = Instrument::on();
    let queries = instrument.two_inputs();
    let settings = instrument.settings(queries);
    late_answers(&mut instrument, settings);
}

#[test]
fn late_answers_shift_nothing_over_a_serial_line() {
    let mut instrument = Instrument::on();
    let line = SerialLine::to(&instrument, "raw");
    let settings = with(
        json!({"serial": {"path": line.near, "baud": 115_200}, "rate_hz": 20}),
        instrument.two_inputs(),
    );
    late_answers(&mut instrument, settings);
}

#[test]
fn a_serial_line_measures_with_every_line_end() {
    let mut instrument = Instrument::on();
    let queries = instrument.two_inputs();
    for (serial, theirs, ours) in [
        (json!({"stop_bits": 2}), "raw", "lf"),
        (
            json!({"baud": 19_200, "flow_control": "xon-xoff"}),
            "crnl",
            "crlf",
        ),
        (json!({"data_bits": 7}), "crnl", "lf"),
        (json!({}), "cr", "cr"),
    ] {
        let line = SerialLine::to(&instrument, theirs);
        let serial = with(serial, json!({"path": line.near}));
        let settings = json!({"serial": serial, "line_end": ours, "rate_hz": 20, "identity": "DM-6"});
        let mut driver = Driver::start(with(settings, queries.clone()));
        driver.wait_for(ours, nobody_has_anothers_value, all_good);
        for _ in 0..3 {
            assert!(all_good(&driver.scan()), "{:#?}", driver.notices);
        }
    }
    let mut driver = Driver::start(with(
        json!({"serial": {"path": "/dev/null"}, "rate_hz": 20}),
        queries.clone(),
    ));
    driver.wait_for_fault(
        "tc1",
        Fault::Device,
        "serial.path = \"/dev/null\": it is no serial line",
    );
    let mut driver = Driver::start(with(
        json!({"serial": {"path": "/dev/absent"}, "rate_hz": 20}),
        queries,
    ));
    driver.wait_for_fault(
        "tc1",
        Fault::Device,
        "serial.path = \"/dev/absent\": No such file",
    );
}

#[test]
fn an_instrument_that_was_off_is_set_up_again() {
    let mut instrument = Instrument::on();
    let settings = with(
        instrument.two_inputs(),
        json!({"setup": ["UNIT:TEMP C"], "checks": [{"query": "UNIT:TEMP?", "answer": "C"}]}),
    );
    let mut driver = Driver::start(instrument.settings(settings));
    driver.wait_for("all good", nobody_has_anothers_value, all_good);
    for _ in 0..2 {
        instrument.switch_off();
        driver.wait_for("faulty", nobody_has_anothers_value, all_faulty);
        driver.wait_for_fault("tc2", Fault::Device, "can't reach it at tcp = ");
        for _ in 0..5 {
            assert!(all_faulty(&driver.scan()));
        }
        // It begins in Fahrenheit, as the check would find.
        instrument.switch_on();
        driver.wait_for("good again", nobody_has_anothers_value, all_good);
    }
    assert_eq!(instrument.log(), ["UNIT C", "UNIT C", "UNIT C"]);
}

#[test]
fn an_instrument_may_be_switched_on_later() {
    let mut instrument = Instrument::on();
    instrument.switch_off();
    let queries = instrument.two_inputs();
    let mut driver = Driver::start(instrument.settings(queries));
    driver.wait_for_fault("tc1", Fault::Device, "Connection refused");
    instrument.switch_on();
    driver.wait_for("good", nobody_has_anothers_value, all_good);
}

#[test]
fn answers_that_make_no_sense_are_faults_and_end_the_connection() {
    let mut instrument = Instrument::on();
    let queries = instrument.two_inputs();
    let mut driver = Driver::start(instrument.settings(queries));
    driver.wait_for("all good", nobody_has_anothers_value, all_good);
    let long = "1".repeat(70_000);
    for (answer, text) in [
        ("hello", "\"hello\" is not a number"),
        ("\u{1}\u{7f}\u{fffd};", "has 2 fields, and `inputs` says 1"),
        ("25,60", "\"25,60\" has 2 fields, and `inputs` says 1"),
        ("0x19", "\"0x19\" isn't in celsius"),
        // Two lines for one question: the second belongs to nobody.
        ("25\n60", "an answer nobody asked for: \"60\""),
        (long.as_str(), "has more than 65536 bytes"),
    ] {
        instrument.says("(@101)", answer);
        let known = driver.notices.len();
        driver.wait_for(
            text,
            nobody_has_anothers_value,
            |s| matches!(&s["tc2"], Value::Fault { text: Some(t), .. } if t.contains(text)),
        );
        assert!(
            driver.notices[known..]
                .iter()
                .any(|n| n.ends_with("; connecting anew")),
            "{:#?}",
            driver.notices
        );
        instrument.says("(@101)", "25");
        driver.wait_for("good again", nobody_has_anothers_value, all_good);
    }
}

#[test]
fn the_error_queue_is_told() {
    let mut instrument = Instrument::on();
    instrument.is_sent("NO:SUCH:COMMAND");
    instrument.is_sent("CONF:TEMP TC");
    let queries = instrument.two_inputs();
    let mut driver = Driver::start(instrument.settings(queries));
    driver.wait_for("all good", nobody_has_anothers_value, all_good);
    let left: Vec<&String> = driver
        .notices
        .iter()
        .filter(|n| n.starts_with("left in the error queue: -1"))
        .collect();
    assert_eq!(left.len(), 2, "{:#?}", driver.notices);
    instrument.is_sent("NO:SUCH:COMMAND");
    driver.wait_for_notice("the instrument says -1");
    assert!(all_good(&driver.scan()));
}

#[test]
fn a_round_too_slow_for_its_rate_is_told_once() {
    let mut instrument = Instrument::on();
    let queries = instrument.two_inputs();
    instrument.delays("(@101)", 0.8);
    let mut driver = Driver::start(instrument.settings(queries));
    driver.wait_for_notice("at rate_hz = 20 readings are stale after 0.5 s: lower rate_hz");
    for _ in 0..2 {
        assert!(all_good(&driver.scan()));
    }
    let told = driver
        .notices
        .iter()
        .filter(|n| n.contains("one round of all queries"))
        .count();
    assert_eq!(told, 1, "{:#?}", driver.notices);
}

#[test]
fn what_only_a_person_can_put_right_ends_the_driver() {
    let mut instrument = Instrument::on();
    let settings = with(instrument.settings(json!({})), instrument.two_inputs());
    let message = failed(with(settings.clone(), json!({"identity": "DM-7"})));
    assert_eq!(
        message,
        format!("the instrument is {IDENTITY:?}, and identity = \"DM-7\" isn't in that")
    );
    let message = failed(with(
        settings.clone(),
        json!({"setup": ["*RST", "CONF:TEMPO TC,K,(@101)"]}),
    ));
    assert!(
        message.starts_with("setup, entry 2 of 2, \"CONF:TEMPO TC,K,(@101)\": the instrument says -1"),
        "{message}"
    );
    let checks = json!({"setup": ["*RST"], "checks": [{"query": "UNIT:TEMP?", "answer": "C"}]});
    assert_eq!(
        failed(with(settings.clone(), checks)),
        "check \"UNIT:TEMP?\": the instrument answers \"F\", expected \"C\""
    );
    // What answers but doesn't say who it is may be anything, or out of step.
    instrument.says("*IDN", "+2.5E+01");
    let mut driver = Driver::start(with(
        settings,
        json!({"setup_timeout_ms": 300, "timeout_ms": 300}),
    ));
    driver.wait_for_fault(
        "tc1",
        Fault::Device,
        "four fields are expected, or what `identity` says",
    );
}

#[test]
fn it_keeps_the_rules_of_the_protocol() {
    let mut instrument = Instrument::on();
    let queries = instrument.two_inputs();
    let findings = conformance::check(
        &Subject {
            program: env!("CARGO_BIN_EXE_benchward-driver-scpi").into(),
            arguments: Vec::new(),
            settings: instrument.settings(queries),
            heat: 0.1,
            shows_stderr: false,
        },
        |_| {},
    );
    let broken: Vec<_> = findings.iter().filter(|f| f.kept == Some(false)).collect();
    assert!(broken.is_empty(), "{broken:#?}");
    assert!(findings.iter().any(|f| f.kept == Some(true)), "{findings:#?}");
}

#[test]
fn settings_that_cannot_be_are_told() {
    let queries = json!([{"query": "READ?", "inputs": [{"id": "a"}]}]);
    let tcp = |more: Json| with(json!({"tcp": "127.0.0.1:9", "queries": queries}), more);
    let input = |input: Json| tcp(json!({"queries": [{"query": "READ?", "inputs": [input]}]}));
    for (settings, expected) in [
        (json!({"queries": queries}), "say where the instrument is"),
        (
            tcp(json!({"serial": {"path": "/dev/ttyS0"}})),
            "both `tcp` and `serial`",
        ),
        (
            json!({"serial": {"path": "x", "data_bits": 9}, "queries": queries}),
            "serial.data_bits = 9 is neither 7 nor 8",
        ),
        (
            tcp(json!({"rate_hz": 101})),
            "rate_hz = 101 is outside 0 (excluded) to 100",
        ),
        (
            tcp(json!({"timeout_ms": 5})),
            "timeout_ms = 5 is outside 10 to 30000",
        ),
        (
            json!({"tcp": "meter", "queries": queries}),
            "tcp = \"meter\" isn't HOST:PORT; the port of SCPI instruments is usually 5025",
        ),
        (tcp(json!({"timeout": 5})), "unknown field `timeout`"),
        (tcp(json!({"queries": []})), "there are no queries"),
        (
            tcp(json!({"setup": ["*RST", "A\nB"]})),
            "setup, entry 2: \"A\\nB\" has '\\n' in it",
        ),
        (
            tcp(json!({"queries": [{"query": "READ", "inputs": [{"id": "a"}]}]})),
            "\"READ\" isn't a query",
        ),
        (
            tcp(json!({"queries": [{"query": "READ?", "inputs": [{}]}]})),
            "no input has an id",
        ),
        (
            tcp(json!({"queries": [{"query": "READ?", "inputs": [{"id": "a"}, {"id": "a"}]}]})),
            "input `a` is there twice",
        ),
        (
            input(json!({"id": "a", "unit": "rankine"})),
            "unknown variant `rankine`",
        ),
        (
            input(json!({"id": "a", "unit": "volts"})),
            "input `a`: a voltage needs the thermocouple's type",
        ),
        (
            input(json!({"id": "a", "unit": "volts", "type": "Q"})),
            "type = 'Q' isn't one of BCEJKNRST",
        ),
        (
            input(json!({"id": "a", "unit": "volts", "type": "K"})),
            "a voltage needs its cold junction",
        ),
        (
            input(json!({"id": "a", "unit": "volts", "type": "K", "cold_junction": "b"})),
            "cold_junction = \"b\" isn't a temperature input of this instance",
        ),
        (
            input(json!({"id": "a", "unit": "volts", "type": "K", "cold_junction_celsius": 273})),
            "cold_junction_celsius = 273 is outside -100 to 150",
        ),
        (
            input(json!({"id": "a", "type": "K"})),
            "belong to voltages, and its unit is celsius",
        ),
        (
            input(json!({"id": "a", "range_celsius": [5, 5]})),
            "range_celsius = [5, 5] isn't from low to high",
        ),
    ] {
        let message = failed(settings);
        assert!(message.contains(expected), "{message:?} lacks {expected:?}");
    }
}
