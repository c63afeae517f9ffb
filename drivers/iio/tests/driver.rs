//! The driver as a process, on trees of files as the kernel's ABI documents describe them
//! (`Documentation/ABI/testing/sysfs-bus-iio`, `.../sysfs-bus-iio-temperature-max31856`, `Documentation/hwmon/sysfs-interface.rst`),
//! with the names and scales of its drivers under `drivers/iio/temperature`.
//!
//! Errors are the kernel's own: a link to `/proc/self/mem` reads as EIO, a folder as EISDIR, `/proc/self/attr/current` (without a security
//! module) as EINVAL.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use benchward_driver::conformance::{self, Subject};
use benchward_driver::other_end::OtherEnd;
use benchward_driver::wire::{Describe, Fault, FromDriver, InputKind, Value};
use serde_json::{Value as Json, json};

const PATIENCE: Duration = Duration::from_secs(20);
const PROGRAM: &str = env!("CARGO_BIN_EXE_benchward-driver-iio");

/// A root folder with devices in it.
struct Tree(tempfile::TempDir);

impl Tree {
    fn new() -> Self {
        Tree(tempfile::tempdir().unwrap())
    }

    /// An IIO device below its parent, and the link to it by its number, as the kernel lays them out.
    fn iio(&self, number: u32, parent: &str, name: &str, files: &[(&str, &str)]) -> PathBuf {
        let own = format!("iio:device{number}");
        self.device("bus/iio/devices", &own, &format!("{parent}/{own}"), name, files)
    }

    fn hwmon(&self, number: u32, parent: &str, name: &str, files: &[(&str, &str)]) -> PathBuf {
        let own = format!("hwmon{number}");
        self.device("class/hwmon", &own, &format!("{parent}/hwmon/{own}"), name, files)
    }

    fn device(&self, class: &str, own: &str, at: &str, name: &str, files: &[(&str, &str)]) -> PathBuf {
        let sys = self.0.path().join("sys");
        let folder = sys.join("devices").join(at);
        fs::create_dir_all(&folder).unwrap();
        fs::create_dir_all(sys.join(class)).unwrap();
        symlink(&folder, sys.join(class).join(own)).unwrap();
        for (file, text) in files {
            write(&folder.join(file), text);
        }
        // Last: a device is there once it has its name.
        write(&folder.join("name"), name);
        folder
    }

    fn remove(&self, class: &str, folder: &Path) {
        fs::remove_file(
            self.0
                .path()
                .join("sys")
                .join(class)
                .join(folder.file_name().unwrap()),
        )
        .unwrap();
        fs::remove_dir_all(folder).unwrap();
    }

    fn start(&self, inputs: &Json) -> Driver {
        let settings = json!({"root": self.0.path(), "rate_hz": 50, "inputs": inputs});
        Driver::start(&mut Command::new(PROGRAM), settings)
    }

    /// The message that it fails with.
    fn refused(&self, inputs: &Json) -> String {
        let settings = json!({"root": self.0.path(), "inputs": inputs});
        failed(settings).replace(
            &self.0.path().canonicalize().unwrap().display().to_string(),
            "ROOT",
        )
    }
}

fn write(path: &Path, text: &str) {
    // As the kernel does, a text is there whole or not at all.
    let new = path.with_extension("new");
    fs::write(&new, format!("{text}\n")).unwrap();
    fs::rename(new, path).unwrap();
}

fn replace_by_link(path: &Path, target: &str) {
    let _ = fs::remove_file(path);
    symlink(target, path).unwrap();
}

fn failed(settings: Json) -> String {
    let mut end = OtherEnd::start(&mut Command::new(PROGRAM)).unwrap();
    end.listen();
    end.configure("rack", settings, 1.0).unwrap();
    let heard = end
        .hear_until(PATIENCE, |m| {
            matches!(m, FromDriver::Failed { .. } | FromDriver::Describe(_))
        })
        .expect("neither failed nor describe came");
    let FromDriver::Failed { text } = heard.message().unwrap() else {
        panic!("it took its settings");
    };
    assert_eq!(
        end.wait_for_exit(PATIENCE).expect("still running").code(),
        Some(1)
    );
    text.into_owned()
}

struct Driver {
    end: OtherEnd,
    describe: Describe,
    notices: Vec<String>,
}

impl Driver {
    fn start(command: &mut Command, settings: Json) -> Self {
        let mut end = OtherEnd::start(command).unwrap();
        end.listen();
        end.configure("rack", settings, 1.0).unwrap();
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

    /// The values of the next scan.
    fn scan(&mut self) -> Vec<(String, Value<'static>)> {
        loop {
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

    fn value(&mut self, id: &str) -> Value<'static> {
        let values = self.scan();
        let (_, value) = values.into_iter().find(|(i, _)| i == id).expect("no such input");
        value
    }

    /// Scans until the input's value is right.
    #[track_caller]
    fn wait_for(&mut self, id: &str, what: &str, right: impl Fn(&Value<'_>) -> bool) -> Value<'static> {
        let until = Instant::now() + PATIENCE;
        loop {
            let value = self.value(id);
            if right(&value) {
                return value;
            }
            assert!(
                Instant::now() < until,
                "input `{id}` never was {what}, last {value:?}"
            );
        }
    }

    /// From the first scan that has it on, the fault stays, and no value of before comes back.
    #[track_caller]
    fn stays_faulty(&mut self, id: &str, fault: Fault, texts: &[&str]) {
        let right = |v: &Value<'_>| matches!(v, Value::Fault { kind, .. } if *kind == fault);
        let value = self.wait_for(id, fault.word(), right);
        let Value::Fault { text: Some(text), .. } = &value else {
            panic!("{value:?}");
        };
        for expected in texts {
            assert!(text.contains(expected), "{text:?} lacks {expected:?}");
        }
        for _ in 0..5 {
            assert_eq!(self.value(id), value);
        }
    }
}

fn degrees(value: &Value<'_>) -> (f64, Option<f64>) {
    match value {
        Value::Temperature {
            celsius,
            cold_junction,
        } => (*celsius, *cold_junction),
        other => panic!("{other:?}"),
    }
}

#[track_caller]
fn assert_degrees(value: &Value<'_>, celsius: f64, cold_junction: Option<f64>) {
    let got = degrees(value);
    let near = |a: f64, b: f64| (a - b).abs() < 1e-6;
    let right = near(got.0, celsius)
        && match (got.1, cold_junction) {
            (None, None) => true,
            (Some(a), Some(b)) => near(a, b),
            _ => false,
        };
    assert!(right, "{got:?}, expected {celsius} and {cold_junction:?}");
}

/// Registers and temperatures from the converters' data sheets: MAX31856 (19-7534) tables "linearized thermocouple temperature" and
/// "cold-junction temperature", MAX31855 (19-5793) tables 4 and 5; scales from the kernel's drivers.
#[test]
fn converters_give_the_degrees_of_their_data_sheets() {
    const MAX31856: [&str; 2] = ["7.812500", "15.625000"];
    const MAXIM: [&str; 2] = ["250", "62.500000"];
    for (name, [scale, ambient_scale], raw, ambient_raw, celsius, ambient) in [
        // 0x640000 and 0xF06000 without their 5 lowest bits; 0x7F00 and 0xC900 without their 2 lowest.
        ("max31856", MAX31856, 0x64_0000 >> 5, 0x7F00 >> 2, 1_600.0, 127.0),
        (
            "max31856",
            MAX31856,
            (0xF0_6000 - 0x100_0000) >> 5,
            (0xC900 - 0x1_0000) >> 2,
            -250.0,
            -55.0,
        ),
        ("max31856", MAX31856, 0x06_4F00 >> 5, 0x1900 >> 2, 100.937_5, 25.0),
        // 14 bits and 12 bits, two's complement.
        ("maxim_thermocouple", MAXIM, 0x1900, 0x7F0, 1_600.0, 127.0),
        ("maxim_thermocouple", MAXIM, 0x0FA3, 0x649, 1_000.75, 100.562_5),
        (
            "maxim_thermocouple",
            MAXIM,
            0x3C18 - 0x4000,
            0xC90 - 0x1000,
            -250.0,
            -55.0,
        ),
    ] {
        let tree = Tree::new();
        tree.iio(
            0,
            "spi0.0",
            name,
            &[
                ("in_temp_raw", &raw.to_string()),
                ("in_temp_scale", scale),
                ("in_temp_ambient_raw", &ambient_raw.to_string()),
                ("in_temp_ambient_scale", ambient_scale),
            ],
        );
        let mut driver = tree.start(&json!({"tc1": {"name": name}}));
        assert_degrees(&driver.value("tc1"), celsius, Some(ambient));
    }
}

#[test]
fn a_converter_without_ambient_has_no_cold_junction_to_tell() {
    let tree = Tree::new();
    // A MAX6675: same driver, 12 bits of 0.25 °C.
    tree.iio(
        0,
        "spi0.1",
        "maxim_thermocouple",
        &[("in_temp_raw", "4095"), ("in_temp_scale", "250")],
    );
    let mut driver = tree.start(&json!({"tc1": {"name": "maxim_thermocouple"}}));
    assert_degrees(&driver.value("tc1"), 1_023.75, None);
    let input = &driver.describe.inputs[0];
    assert_eq!((input.kind, input.rate_hz), (InputKind::Temperature, Some(50.0)));
    assert!(driver.describe.outputs.is_empty() && !driver.describe.simulated);
}

/// The driver's first version gives the register as a word without sign, later ones may give it with its sign. Data sheet
/// DS20005426: 0.0625 °C a step, two's complement.
#[test]
fn mcp9600_below_zero_is_right_with_and_without_sign() {
    for (raw, ambient_raw, celsius, ambient) in [
        ("64336", "65456", -75.0, -5.0),
        ("-1200", "-80", -75.0, -5.0),
        ("65535", "0", -0.0625, 0.0),
        ("1600", "392", 100.0, 24.5),
        ("28832", "2000", 1_802.0, 125.0),
    ] {
        let tree = Tree::new();
        tree.iio(
            0,
            "i2c-1/1-0060",
            "mcp9600",
            &[
                ("in_temp_raw", raw),
                ("in_temp_scale", "62.500000"),
                ("in_temp_ambient_raw", ambient_raw),
                ("in_temp_ambient_scale", "62.500000"),
            ],
        );
        let mut driver = tree.start(&json!({"tc1": {"name": "mcp9600"}}));
        assert_degrees(&driver.value("tc1"), celsius, Some(ambient));
    }
    // The sign is that chip's affair: elsewhere a large number is a large number.
    let tree = Tree::new();
    tree.iio(
        0,
        "adc",
        "other",
        &[("in_temp_raw", "64336"), ("in_temp_scale", "1")],
    );
    let mut driver = tree.start(&json!({"tc1": {"name": "other"}}));
    assert_degrees(&driver.value("tc1"), 64.336, None);
}

/// `sysfs-bus-iio`: "(raw + offset) * scale" is in milli degrees Celsius, `input` is so already, and scale and offset may be the
/// channel's own or shared.
#[test]
fn channels_by_number_share_what_they_lack() {
    let tree = Tree::new();
    tree.iio(
        3,
        "adc",
        "board-adc",
        &[
            ("in_temp0_raw", "1000"),
            ("in_temp1_raw", "1000"),
            ("in_temp1_scale", "20"),
            ("in_temp2_input", "23500"),
            ("in_temp_scale", "100"),
            ("in_temp_offset", "-650"),
            ("in_temp0_label", "heatsink"),
        ],
    );
    let mut driver = tree.start(&json!({
        "t0": {"name": "board-adc", "label": "heatsink"},
        "t1": {"name": "board-adc", "channel": "temp1"},
        "t2": {"name": "board-adc", "channel": "temp2"},
    }));
    let values = driver.scan();
    assert_degrees(&values[0].1, 35.0, None);
    assert_degrees(&values[1].1, 7.0, None);
    assert_degrees(&values[2].1, 23.5, None);

    let message = tree.refused(&json!({"t0": {"name": "board-adc"}}));
    assert_eq!(
        message,
        "inputs.t0: `board-adc` on `/sys/devices/adc`: name one channel by `channel`; it has: `temp0`, `temp1`, `temp2`"
    );
    let message = tree.refused(&json!({"t0": {"name": "board-adc", "channel": "temp7"}}));
    assert!(
        message.contains("has no channel `temp7`; it has: `temp0`, `temp1`, `temp2`"),
        "{message}"
    );
    let message = tree.refused(&json!({"t0": {"name": "board-adc", "label": "air"}}));
    assert!(message.contains("has no channel labelled `air`"), "{message}");
}

#[test]
fn an_offset_of_the_hot_side_is_not_the_cold_junctions() {
    let tree = Tree::new();
    tree.iio(
        0,
        "spi0.0",
        "chip",
        &[
            ("in_temp_raw", "900"),
            ("in_temp_offset", "100"),
            ("in_temp_scale", "50"),
            ("in_temp_ambient_raw", "240"),
            ("in_temp_ambient_scale", "100"),
        ],
    );
    let mut driver =
        tree.start(&json!({"tc1": {"name": "chip"}, "cold": {"name": "chip", "channel": "temp_ambient"}}));
    let values = driver.scan();
    assert_degrees(&values[0].1, 24.0, None);
    assert_degrees(&values[1].1, 50.0, Some(24.0));
}

#[test]
fn hwmon_inputs_by_number_and_by_label() {
    let tree = Tree::new();
    tree.hwmon(
        1,
        "i2c-0/0-0048",
        "lm75",
        &[("temp1_input", "25500"), ("temp1_max", "80000")],
    );
    let board = tree.hwmon(
        2,
        "platform/monitor",
        "monitor",
        &[
            ("temp1_input", "41000"),
            ("temp2_input", "-3250"),
            ("temp2_label", "intake"),
            ("temp2_fault", "0"),
        ],
    );
    let mut driver = tree.start(&json!({
        "case": {"interface": "hwmon", "name": "lm75"},
        "intake": {"interface": "hwmon", "name": "monitor", "label": "intake"},
    }));
    let values = driver.scan();
    assert_degrees(&values[0].1, 25.5, None);
    assert_degrees(&values[1].1, -3.25, None);

    // "tempX_fault 1: the value isn't to be trusted", however good it looks.
    write(&board.join("temp2_fault"), "1");
    driver.stays_faulty("intake", Fault::Open, &["temp2_fault = 1"]);
    write(&board.join("temp2_fault"), "0");
    driver.wait_for("intake", "good again", |v| matches!(v, Value::Temperature { .. }));
}

#[test]
fn an_error_of_the_kernel_is_a_fault_and_the_flags_say_which() {
    let tree = Tree::new();
    let folder = tree.iio(
        0,
        "spi0.0",
        "max31856",
        &[
            ("in_temp_raw", "3200"),
            ("in_temp_scale", "7.812500"),
            ("in_temp_ambient_raw", "1536"),
            ("in_temp_ambient_scale", "15.625000"),
            ("fault_oc", "0"),
            ("fault_ovuv", "0"),
        ],
    );
    let mut driver = tree.start(&json!({"tc1": {"name": "max31856"}}));
    assert_degrees(&driver.value("tc1"), 25.0, Some(24.0));
    let raw = folder.join("in_temp_raw");

    write(&folder.join("fault_oc"), "1");
    driver.stays_faulty("tc1", Fault::Open, &["fault_oc = 1"]);
    replace_by_link(&raw, "/proc/self/mem");
    driver.wait_for("tc1", "told with its errno", |v| {
        matches!(v, Value::Fault { kind: Fault::Open, text: Some(t) }
            if t.contains("fault_oc = 1; ") && t.contains("in_temp_raw: EIO"))
    });
    write(&folder.join("fault_oc"), "0");
    write(&folder.join("fault_ovuv"), "1");
    driver.stays_faulty("tc1", Fault::Range, &["fault_ovuv = 1; ", "in_temp_raw: EIO"]);
    write(&folder.join("fault_ovuv"), "0");
    driver.stays_faulty("tc1", Fault::Device, &["in_temp_raw: EIO"]);

    fs::remove_file(&raw).unwrap();
    driver.stays_faulty("tc1", Fault::Device, &["in_temp_raw: ENOENT"]);
    fs::create_dir(&raw).unwrap();
    driver.stays_faulty("tc1", Fault::Device, &["in_temp_raw: EISDIR"]);
    fs::remove_dir(&raw).unwrap();
    for text in ["", "n/a", "0x0C80"] {
        write(&raw, text);
        driver.wait_for("tc1", "no number", |v| {
            matches!(v, Value::Fault { kind: Fault::Device, text: Some(t) } if t.ends_with(&format!("in_temp_raw: {text:?} is not a number")))
        });
    }
    write(&raw, "3200");
    driver.wait_for("tc1", "good again", |v| matches!(v, Value::Temperature { .. }));

    // Without its cold junction the converter's own compensation can't be right.
    replace_by_link(&folder.join("in_temp_ambient_raw"), "/proc/self/mem");
    driver.stays_faulty("tc1", Fault::ColdJunction, &["in_temp_ambient_raw: EIO"]);
    write(&folder.join("in_temp_ambient_raw"), "1536");
    // A flag that can't be read clears nothing.
    write(&folder.join("fault_oc"), "maybe");
    driver.stays_faulty("tc1", Fault::Device, &["fault_oc: \"maybe\" is not 0 or 1"]);
}

#[test]
fn the_converter_with_one_error_for_all_is_open() {
    if fs::read("/proc/self/attr/current").map_err(|e| e.raw_os_error()) != Err(Some(22)) {
        eprintln!(
            "not run: a security module answers /proc/self/attr/current, so there is no EINVAL to be had"
        );
        return;
    }
    let tree = Tree::new();
    let folder = tree.iio(
        0,
        "spi0.0",
        "maxim_thermocouple",
        &[("in_temp_raw", "100"), ("in_temp_scale", "250")],
    );
    let mut driver = tree.start(&json!({"tc1": {"name": "maxim_thermocouple"}}));
    assert_degrees(&driver.value("tc1"), 25.0, None);
    replace_by_link(&folder.join("in_temp_raw"), "/proc/self/attr/current");
    driver.stays_faulty("tc1", Fault::Open, &["EINVAL", "open or shorted"]);
}

#[test]
fn values_outside_what_can_be_are_faults() {
    let tree = Tree::new();
    let folder = tree.iio(0, "adc", "chip", &[("in_temp_input", "25000")]);
    let mut driver = tree.start(&json!({
        "free": {"name": "chip"}, "bound": {"name": "chip", "range_celsius": [-50, 400]},
    }));
    assert_eq!(driver.describe.inputs[0].range, Some((-50.0, 400.0)));
    assert_eq!(driver.describe.inputs[1].range, None);
    write(&folder.join("in_temp_input"), "400001");
    driver.stays_faulty(
        "bound",
        Fault::Range,
        &["400.001 °C is outside range_celsius, -50 to 400"],
    );
    assert_degrees(&driver.value("free"), 400.001, None);
    write(&folder.join("in_temp_input"), "-273151");
    driver.stays_faulty("free", Fault::Range, &["below absolute zero"]);
}

#[test]
fn a_device_is_known_by_name_and_parent_and_never_by_number() {
    let tree = Tree::new();
    let value = |v: &'static str| [("in_temp_input", v)];
    tree.iio(0, "soc/spi1/spi1.0", "max31856", &value("10000"));
    let second = tree.iio(1, "soc/spi1/spi1.1", "max31856", &value("11000"));
    let message = tree.refused(&json!({"tc1": {"name": "max31856"}}));
    assert_eq!(
        message,
        "inputs.tc1: 2 devices fit iio device `max31856`: tell them apart by `parent`; there is: \
         `max31856` on `/sys/devices/soc/spi1/spi1.0`, `max31856` on `/sys/devices/soc/spi1/spi1.1`"
    );

    let mut driver = tree.start(&json!({
        "a": {"name": "max31856", "parent": "spi1.0"},
        "b": {"name": "max31856", "parent": "spi1/spi1.1"},
        "c": {"name": "max31856", "parent": "/sys/devices/soc/spi1/spi1.1"},
    }));
    let values = driver.scan();
    assert_degrees(&values[0].1, 10.0, None);
    assert_degrees(&values[1].1, 11.0, None);
    assert_degrees(&values[2].1, 11.0, None);

    // It goes, and another device takes its number; then it comes back under another one.
    tree.remove("bus/iio/devices", &second);
    driver.stays_faulty(
        "b",
        Fault::Device,
        &["there is no iio device `max31856` on `spi1/spi1.1`"],
    );
    tree.iio(1, "soc/i2c/1-0060", "mcp9600", &value("99000"));
    for _ in 0..120 {
        assert!(matches!(driver.value("b"), Value::Fault { .. }));
    }
    tree.iio(7, "soc/spi1/spi1.1", "max31856", &value("12000"));
    let value = driver.wait_for("b", "back", |v| matches!(v, Value::Temperature { .. }));
    assert_degrees(&value, 12.0, None);
    assert_degrees(&driver.value("a"), 10.0, None);
    assert!(
        driver
            .notices
            .iter()
            .any(|n| n.starts_with("input `b`: found at ") && n.ends_with("iio:device7")),
        "{:#?}",
        driver.notices
    );
    let lost = driver
        .notices
        .iter()
        .filter(|n| n.starts_with("input `b`: there is no "))
        .count();
    // Once without and once with the other device in the list.
    assert_eq!(lost, 2, "{:#?}", driver.notices);
}

#[test]
fn a_device_that_swaps_its_name_at_the_same_place_is_another() {
    let tree = Tree::new();
    let folder = tree.iio(0, "usb1/1-1", "probe", &[("in_temp_input", "20000")]);
    let mut driver = tree.start(&json!({"tc1": {"name": "probe"}}));
    assert_degrees(&driver.value("tc1"), 20.0, None);
    write(&folder.join("name"), "humidity");
    driver.stays_faulty(
        "tc1",
        Fault::Device,
        &["there is no iio device `probe`; there is: `humidity` on"],
    );
}

#[test]
fn a_device_may_come_after_the_start() {
    let tree = Tree::new();
    let mut driver = tree.start(&json!({"tc1": {"name": "max31856"}}));
    driver.stays_faulty(
        "tc1",
        Fault::Device,
        &["there is none at all: is the kernel's driver loaded?"],
    );
    tree.iio(4, "spi0.0", "max31856", &[("in_temp_input", "30000")]);
    let value = driver.wait_for("tc1", "there", |v| matches!(v, Value::Temperature { .. }));
    assert_degrees(&value, 30.0, None);
}

#[test]
fn the_converters_thermocouple_has_to_be_the_expected_one() {
    let tree = Tree::new();
    let folder = tree.iio(
        0,
        "spi0.0",
        "max31856",
        &[("in_temp_input", "30000"), ("in_temp_thermocouple_type", "K")],
    );
    let mut driver = tree.start(&json!({"tc1": {"name": "max31856", "thermocouple_type": "K"}}));
    assert_degrees(&driver.value("tc1"), 30.0, None);
    write(&folder.join("in_temp_thermocouple_type"), "J");
    driver.stays_faulty(
        "tc1",
        Fault::Device,
        &["is set to thermocouple type `J`, expected `K`"],
    );

    let message = tree.refused(&json!({"tc1": {"name": "max31856", "thermocouple_type": "N"}}));
    assert_eq!(
        message,
        "inputs.tc1: ROOT/sys/devices/spi0.0/iio:device0/in_temp_thermocouple_type: the converter is set to thermocouple type `J`, \
         expected `N`; set it in the device tree, or by `echo N` into that file where it may be written"
    );
    tree.iio(1, "spi0.1", "other", &[("in_temp_input", "1")]);
    let message = tree.refused(&json!({"tc1": {"name": "other", "thermocouple_type": "K"}}));
    assert!(message.contains("leave `thermocouple_type` out"), "{message}");
}

#[test]
fn it_keeps_the_rules_of_the_protocol() {
    let tree = Tree::new();
    tree.iio(0, "spi0.0", "max31856", &[("in_temp_input", "30000")]);
    let findings = conformance::check(
        &Subject {
            program: PROGRAM.into(),
            arguments: Vec::new(),
            settings: json!({"root": tree.0.path(), "inputs": {"tc1": {"name": "max31856"}}}),
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
    for (settings, expected) in [
        (json!({"inputs": {}}), "there are no inputs: add one"),
        (
            json!({"rate_hz": 0, "inputs": {"a": {"name": "x"}}}),
            "rate_hz = 0 is outside 0 (excluded) to 100",
        ),
        (
            json!({"inputs": {"a": {"name": "x", "number": 3}}}),
            "unknown field `number`",
        ),
        (
            json!({"inputs": {"a": {"name": "x"}}, "rate": 3}),
            "unknown field `rate`",
        ),
        (
            json!({"inputs": {"a": {"name": "x", "thermocouple_type": "C"}}}),
            "inputs.a: thermocouple_type = 'C' isn't one of BEJKNRST",
        ),
        (
            json!({"inputs": {"a": {"name": "x", "range_celsius": [400, -50]}}}),
            "inputs.a: range_celsius = [400, -50] isn't from low to high",
        ),
        (
            json!({"inputs": {"a": {"name": "x", "channel": "temp", "label": "y"}}}),
            "`channel` and `label` both say which channel",
        ),
        (
            json!({"inputs": {"a": {"interface": "hwmon", "name": "x", "thermocouple_type": "K"}}}),
            "hwmon devices have no thermocouple type",
        ),
    ] {
        let message = failed(settings);
        assert!(message.contains(expected), "{message:?} lacks {expected:?}");
    }
    let tree = Tree::new();
    tree.iio(0, "adc", "chip", &[("in_temp_raw", "1")]);
    let message = tree.refused(&json!({"a": {"name": "chip"}}));
    assert!(message.contains("has in_temp_raw but no scale"), "{message}");
}

/// The unmodified program with its usual root, in a `/sys` that umockdev makes up.
#[test]
fn umockdev_shows_it_a_whole_sysfs() {
    let devices = tempfile::NamedTempFile::new().unwrap();
    fs::write(
        devices.path(),
        "P: /devices/soc/spi0/spi0.0/iio:device3\n\
         E: SUBSYSTEM=iio\n\
         A: name=max31856\\n\n\
         A: in_temp_raw=12800\\n\n\
         A: in_temp_scale=7.812500\\n\n\
         A: in_temp_ambient_raw=1600\\n\n\
         A: in_temp_ambient_scale=15.625000\\n\n\
         A: in_temp_thermocouple_type=K\\n\n\
         A: fault_oc=0\\n\n\
         A: fault_ovuv=0\\n\n\n\
         P: /devices/platform/monitor/hwmon/hwmon5\n\
         E: SUBSYSTEM=hwmon\n\
         A: name=monitor\\n\n\
         A: temp1_input=31500\\n\n\
         A: temp1_fault=0\\n\n",
    )
    .unwrap();
    let mut command = Command::new("umockdev-run");
    command.arg("-d").arg(devices.path()).arg("--").arg(PROGRAM);
    assert!(
        Command::new("umockdev-run").arg("--version").output().is_ok(),
        "umockdev-run isn't installed: run drivers/iio/tests/setup"
    );
    let mut driver = Driver::start(
        &mut command,
        json!({"inputs": {
            "tc1": {"name": "max31856", "parent": "spi0.0", "thermocouple_type": "K"},
            "case": {"interface": "hwmon", "name": "monitor"},
        }}),
    );
    let values = driver.scan();
    assert_degrees(&values[0].1, 31.5, None);
    assert_degrees(&values[1].1, 100.0, Some(25.0));
    // umockdev-run hands no signals on, so the driver ends by its stdin.
    driver.end.close_stdin();
    assert_eq!(
        driver.end.wait_for_exit(PATIENCE).expect("still running").code(),
        Some(0)
    );
}
