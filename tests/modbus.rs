//! A whole run over Modbus: temperatures and heat go through a server that shares no code with the project
//! (`drivers/modbus/tests/server.py`, on pymodbus), and what it was told stands in its own record.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use benchward_tests::broker::free_port;
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::programs::file;
use benchward_tests::record::{changes, wait_for_heat};
use benchward_tests::wait::{wait_for, wait_until};
use serde_json::{Value, json};

/// Warms the server's plant from 24 °C to 35 °C, and holds it.
const RECIPE: &str = "recipe = \"warm\"\nceiling_celsius = 80\n\
                      [[stage]]\ntarget_celsius = 35\ndwell_s = 3600\nband_celsius = 5\n";

/// The server. It ends with this value.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The Python that has pymodbus; `None`, with the reason printed, where that can't be installed.
fn python() -> Option<PathBuf> {
    let folder = std::env::current_exe()
        .expect("it runs")
        .ancestors()
        .nth(3)
        .expect("a target folder")
        .join("modbus-peer");
    let setup = Command::new(file("../drivers/modbus/tests/setup"))
        .arg(folder)
        .output()
        .expect("sh is there");
    if setup.status.success() {
        return Some(String::from_utf8_lossy(&setup.stdout).trim().into());
    }
    eprintln!(
        "SKIPPED: pymodbus can't be installed: {}",
        String::from_utf8_lossy(&setup.stderr)
    );
    None
}

/// All that the unit took: address of the coil, what it was told, and when.
fn coils(folder: &Path) -> Vec<(u64, bool, f64)> {
    let text = fs::read_to_string(folder.join("record.jsonl")).unwrap_or_default();
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    let lines = whole
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).expect("a line of the record"));
    lines
        .filter(|line| line["function"] == 5)
        .map(|line| {
            let on = line["values"][0].as_u64() == Some(1);
            (
                line["address"].as_u64().expect("a number"),
                on,
                line["at_ms"].as_f64().expect("a number"),
            )
        })
        .collect()
}

#[test]
fn a_run_over_modbus_is_cut_in_the_servers_own_record() {
    let Some(python) = python() else { return };
    let place = Place::new();
    let folder = place.path("server");
    fs::create_dir(&folder).expect("ours");
    let units = json!([{"id": 1, "coils": [false, false], "discrete": [true], "input": [240, 240]}]);
    fs::write(folder.join("units.json"), units.to_string()).expect("ours");
    fs::write(folder.join("control.json"), json!({"plant": 1}).to_string()).expect("ours");
    let port = free_port();
    let log = fs::File::create(folder.join("log")).expect("ours");
    let mut command = Command::new(python);
    command
        .arg(file("../drivers/modbus/tests/server.py"))
        .arg(&folder)
        .args(["tcp", &port.to_string()]);
    let _server = Server(
        command
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("python is there"),
    );
    wait_for("the server's port", || {
        std::net::TcpStream::connect(("127.0.0.1", port)).ok()
    });

    place.configure(
        "",
        &format!(
            r#"
[station.bench-1]
channels = {{ board-top = "tc1" }}
heat = "heat1"
permissive = {{ hood = "hood" }}
[station.bench-1.driver]
program = "modbus"
[station.bench-1.driver.settings]
tcp = "127.0.0.1:{port}"
rate_hz = 10
[station.bench-1.driver.settings.inputs]
tc1 = {{ kind = "temperature", unit_id = 1, function = "input-register", address = 0, type = "int16", scale = 0.1 }}
hood = {{ kind = "permissive", unit_id = 1, function = "discrete-input", address = 0 }}
[station.bench-1.driver.settings.outputs.heat1]
unit_id = 1
function = "coil"
address = 0
window_ms = 500
contactor = {{ unit_id = 1, address = 1 }}
"#
        ),
    );
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    client.put_recipe(RECIPE).expect("a recipe");
    let run = client.start("bench-1", "warm", "A-0017").expect("a run");
    let record = place.record_file("bench-1");
    wait_for_heat(&record, 0.0);

    // The plant is warmed by nothing but its coils.
    wait_until("the target", || client.station("bench-1").phase == "dwell");
    let before = coils(&folder);
    assert!(
        before.iter().any(|(address, on, _)| *address == 0 && *on),
        "{before:?}"
    );
    assert_eq!(
        before.iter().rfind(|coil| coil.0 == 1).map(|coil| coil.1),
        Some(true),
        "the contactor: {before:?}"
    );

    // The unit says 95 °C: above the recipe's ceiling.
    fs::write(
        folder.join("control.new"),
        json!({"input": {"1": {"0": 950}}}).to_string(),
    )
    .expect("ours");
    fs::rename(folder.join("control.new"), folder.join("control.json")).expect("ours");
    let text = client.wait_for_trip("bench-1", "over-temperature");
    assert!(text.contains("95"), "{text}");
    // The controller may have been at zero by itself at that moment; the cut is there all the same.
    let cut = wait_for("the cut in the driver's record", || {
        changes(&record).into_iter().find(|change| change.why == "cut")
    });
    let last = |wanted: u64| {
        coils(&folder)
            .into_iter()
            .rfind(|(address, ..)| *address == wanted)
            .expect("it was told")
    };
    wait_until("heat off and contactor open", || !last(0).1 && !last(1).1);
    assert_eq!(client.run(run).run.outcome.as_deref(), Some("tripped"));

    // And it stays so.
    std::thread::sleep(std::time::Duration::from_secs(1));
    let after: Vec<_> = coils(&folder)
        .into_iter()
        .filter(|(_, on, at_ms)| *on && *at_ms > cut.at_ms)
        .collect();
    assert_eq!(after, [], "told on after the cut");
}
