//! The program as a script sees it: stdout, stderr and exit code, for every answer that a daemon can give.
//!
//! The daemon here is a small one that serves the same interfaces over a real private socket and answers what the
//! test wants: most refusals of the real one take a hot bench to provoke. The real one is tried in the project's
//! end-to-end tests.

use std::io::Read;
use std::os::unix::net::UnixListener;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use benchward_api::{Error, LAB_PATH, RECIPES_PATH, shapes, station_path};
use serde_json::Value;

/// Serves a lab with one station, `bench-1`, until the test ends.
fn daemon(socket: &Path) {
    let listener = UnixListener::bind(socket).unwrap();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        runtime.block_on(async move {
            listener.set_nonblocking(true).unwrap();
            let listener = tokio::net::UnixListener::from_std(listener).unwrap();
            loop {
                let (stream, _) = listener.accept().await.unwrap();
                tokio::spawn(async move {
                    let connection = zbus::connection::Builder::unix_stream(stream.into_std().unwrap())
                        .server(zbus::Guid::generate())
                        .p2p()
                        .serve_at(LAB_PATH, Lab)
                        .serve_at(RECIPES_PATH, Recipes)
                        .serve_at(station_path("bench-1"), Station)
                        .build()
                        .await
                        .unwrap();
                    connection.closed().await;
                });
            }
        });
    });
}

struct Lab;

#[expect(
    clippy::unused_self,
    clippy::unnecessary_wraps,
    reason = "an interface's methods have this shape"
)]
#[zbus::interface(name = "io.benchward.Lab1")]
impl Lab {
    fn status(&self) -> Result<String, Error> {
        let status = serde_json::json!({
            "schema": 1, "lab": "larkfield", "ceiling_celsius": 260.0, "archive": "",
            "stations": [{
                "station": "bench-1", "phase": "idle", "run": null, "recipe": null, "serial": null, "stage": null,
                "stages": null, "target_celsius": null, "control_celsius": 24.0, "heat": 0.0,
                "ceiling_celsius": 260.0, "ceiling_from": "the lab",
                "channels": [{"channel": "board-top", "celsius": 24.0, "quality": "good"}],
                "interlocks": [], "presence_left_s": null, "dwell_left_s": null, "resume_left_s": null,
                "driver": "up",
            }],
        });
        Ok(status.to_string())
    }

    fn stop_all(&self) -> Result<String, Error> {
        Ok("the whole lab is stopped".into())
    }
}

struct Station;

#[expect(clippy::unused_self, reason = "an interface's methods have this shape")]
#[zbus::interface(name = "io.benchward.Station1")]
impl Station {
    /// Starts any recipe but those that are named after an error: that is what it is answered with.
    fn start(&self, recipe: &str, serial: &str) -> Result<u64, Error> {
        assert_eq!(serial, "A-1");
        let text = format!("bench-1 refuses \"{recipe}\": 285 °C is above 260 °C");
        let error: fn(String) -> Error = match recipe {
            "NotPermitted" => Error::NotPermitted,
            "NotFromNetwork" => Error::NotFromNetwork,
            "CeilingExceeded" => Error::CeilingExceeded,
            "CeilingOutOfBounds" => Error::CeilingOutOfBounds,
            "OffsetOutOfBounds" => Error::OffsetOutOfBounds,
            "Tripped" => Error::Tripped,
            "CauseStands" => Error::CauseStands,
            "Busy" => Error::Busy,
            "NotReady" => Error::NotReady,
            "NothingToConfirm" => Error::NothingToConfirm,
            "NothingToResume" => Error::NothingToResume,
            "NoSuch" => Error::NoSuch,
            "Invalid" => Error::Invalid,
            "Archive" => Error::Archive,
            "Unavailable" => Error::Unavailable,
            _ => return Ok(12),
        };
        Err(error(text))
    }
}

/// Knows no recipe and lets nobody store one.
struct Recipes;

#[expect(clippy::unused_self, reason = "an interface's methods have this shape")]
#[zbus::interface(name = "io.benchward.Recipes1")]
impl Recipes {
    fn show(&self, recipe: &str, revision: u32) -> Result<String, Error> {
        assert_eq!(revision, 0, "the newest is asked for");
        Err(Error::NoSuch(format!("there is no recipe \"{recipe}\"")))
    }

    fn put(&self, text: &str) -> Result<u32, Error> {
        assert!(text.starts_with("recipe = "), "the file as it is");
        Err(Error::NotPermitted(
            "op1 may not store a recipe: it takes the role `process`".into(),
        ))
    }
}

/// The program with nothing of the environment that could change what it does.
fn benchward() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_benchward"));
    for name in [
        "BENCHWARD_SOCKET",
        "BENCHWARD_CONFIG",
        "RUNTIME_DIRECTORY",
        "XDG_RUNTIME_DIR",
        "NO_COLOR",
    ] {
        command.env_remove(name);
    }
    command
}

/// Its output, exit code first.
struct Said {
    exit: i32,
    out: String,
    err: String,
}

impl From<Output> for Said {
    fn from(output: Output) -> Self {
        Self {
            exit: output.status.code().expect("not killed"),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

/// Runs it against the small daemon.
fn asked(arguments: &[&str]) -> Said {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("bus");
    daemon(&socket);
    benchward()
        .arg("--socket")
        .arg(&socket)
        .args(arguments)
        .output()
        .unwrap()
        .into()
}

/// Runs it alone.
fn alone(arguments: &[&str]) -> Said {
    benchward().args(arguments).output().unwrap().into()
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

/// Each named error ends with the code that scripts rely on, under its own name, with its sentence.
#[test]
fn every_refusal_has_its_exit_code_and_keeps_its_name() {
    for (error, exit) in [
        ("NotPermitted", 3),
        ("NotFromNetwork", 3),
        ("CeilingExceeded", 4),
        ("CeilingOutOfBounds", 4),
        ("OffsetOutOfBounds", 4),
        ("Tripped", 4),
        ("CauseStands", 4),
        ("Busy", 4),
        ("NotReady", 4),
        ("NothingToConfirm", 4),
        ("NothingToResume", 4),
        ("NoSuch", 2),
        ("Invalid", 2),
        ("Archive", 1),
        ("Unavailable", 5),
    ] {
        let said = asked(&[
            "--json", "run", "start", "bench-1", "--recipe", error, "--serial", "A-1",
        ]);
        assert_eq!(said.exit, exit, "{error}: {}", said.err);
        let object = json(&said.out);
        assert_eq!((&object["schema"], &object["error"]), (&1.into(), &error.into()));
        assert!(
            object["text"]
                .as_str()
                .unwrap()
                .ends_with("285 °C is above 260 °C"),
            "{object}"
        );
        assert!(said.err.contains("285 °C is above 260 °C"), "{}", said.err);
    }
}

#[test]
fn a_start_gives_the_number_of_the_run() {
    let said = asked(&[
        "run", "start", "bench-1", "--recipe", "AX-20", "--serial", "A-1", "--json",
    ]);
    assert_eq!(
        (said.exit, json(&said.out)),
        (
            0,
            serde_json::json!({"schema": 1, "run": 12, "board_model": null, "prediction": null})
        )
    );
    assert_eq!(said.err, "", "with --json there is nothing else to say");
    let said = asked(&["run", "start", "bench-1", "--recipe", "AX-20", "--serial", "A-1"]);
    assert_eq!(
        said.out,
        "run 12 of \"AX-20\" has started at bench-1: heat is on\n"
    );
    assert_eq!(said.err, "next: benchward watch bench-1\n");
}

#[test]
fn a_recipe_file_is_checked_before_anybody_is_asked_and_stored_only_by_who_may() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("ax-20.toml");
    let file = file.to_str().unwrap();
    std::fs::write(
        file,
        "recipe = \"AX-20\"\n[[stage]]\ntarget_celsius = \"hot\"\ndwell_s = 1\n",
    )
    .unwrap();
    let said = alone(&[
        "--socket",
        "/nowhere/bus",
        "run",
        "start",
        "bench-1",
        "--recipe",
        file,
        "--serial",
        "A-1",
    ]);
    assert_eq!(said.exit, 2, "{}", said.err);
    assert!(
        said.err.contains(":3:") && said.err.contains("^^^"),
        "{}",
        said.err
    );
    std::fs::write(
        file,
        "recipe = \"AX-20\"\n[[stage]]\ntarget_celsius = 80\ndwell_s = 1\n",
    )
    .unwrap();
    let said = asked(&["run", "start", "bench-1", "--recipe", file, "--serial", "A-1"]);
    assert_eq!(said.exit, 3, "{}", said.err);
    assert!(
        said.err.contains("role `process`") && said.err.contains("hint"),
        "{}",
        said.err
    );
}

#[test]
fn stopping_everything_asks_nothing() {
    let said = asked(&["stop"]);
    assert_eq!(
        (said.exit, &*said.out),
        (0, "the whole lab is stopped\n"),
        "{}",
        said.err
    );
    assert_eq!(said.err, "next: benchward status\n");
}

#[test]
fn a_station_that_isnt_there_is_wrong_use_for_every_command_that_names_one() {
    for arguments in [
        &["status", "bench-9"][..],
        &["watch", "bench-9", "--once"],
        &["present", "bench-9"],
        &["stop", "bench-9"],
        &["trip", "ack", "bench-9"],
        &["trip", "reset", "bench-9"],
        &["run", "stop", "bench-9"],
        &["run", "resume", "bench-9"],
        &["limit", "set", "--station", "bench-9", "200"],
    ] {
        let said = asked(arguments);
        assert_eq!(said.exit, 2, "{arguments:?}: {}", said.err);
        assert!(
            said.err.contains("there is no station `bench-9`"),
            "{arguments:?}: {}",
            said.err
        );
        assert!(
            said.err.contains("there is bench-1"),
            "{arguments:?}: {}",
            said.err
        );
        assert_eq!(said.out, "", "{arguments:?}");
    }
}

#[test]
fn status_is_json_with_its_schema() {
    let said = asked(&["--json", "status"]);
    let status: shapes::Status = serde_json::from_str(&said.out).unwrap();
    assert_eq!((said.exit, status.schema, &*status.lab), (0, 1, "larkfield"));
    assert_eq!(said.out.lines().count(), 1, "one object");
}

#[test]
fn without_a_daemon_it_says_where_it_looked() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("bus");
    let said = alone(&["--json", "--socket", socket.to_str().unwrap(), "stop"]);
    assert_eq!(said.exit, 5);
    assert!(
        said.err.contains(socket.to_str().unwrap()) && said.err.contains("not there"),
        "{}",
        said.err
    );
    assert!(said.err.contains("hint: start it with"), "{}", said.err);
    assert_eq!(json(&said.out)["error"], "Unavailable");
    // A socket whose daemon has gone.
    drop(UnixListener::bind(&socket).unwrap());
    let said = alone(&["--socket", socket.to_str().unwrap(), "status"]);
    assert_eq!(said.exit, 5);
    assert!(said.err.contains("nobody listens any more"), "{}", said.err);
}

/// A daemon that hangs takes connections and says nothing.
#[test]
fn a_daemon_that_hangs_is_told_from_one_that_isnt_there() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("bus");
    let _listener = UnixListener::bind(&socket).unwrap();
    let said = alone(&["--socket", socket.to_str().unwrap(), "stop"]);
    assert_eq!(said.exit, 5);
    assert!(
        said.err.contains("did not answer") && said.err.contains("emergency stop"),
        "{}",
        said.err
    );
}

#[test]
fn wrong_arguments_are_told_apart_from_everything_else() {
    for arguments in [
        &["run", "start", "bench-1"][..],
        &["limit", "set", "240"],
        &["limit", "set", "--lab", "none"],
        &["limit", "set", "--lab", "--station", "bench-1", "240"],
        &["limit", "set", "--lab", "warm"],
        &["run", "list", "--from", "yesterday"],
        &["demo", "--speed", "0"],
        &["roast"],
        &[],
    ] {
        let said = alone(arguments);
        assert_eq!((said.exit, &*said.out), (2, ""), "{arguments:?}: {}", said.err);
        assert_ne!(said.err, "", "{arguments:?}");
    }
    let said = alone(&["--json", "roast"]);
    assert_eq!((said.exit, &json(&said.out)["error"]), (2, &"Invalid".into()));
    let said = alone(&["--archive", "/nowhere", "stop"]);
    assert_eq!(said.exit, 2, "an archive can't be stopped: {}", said.err);
}

#[test]
fn all_mistakes_of_a_file_are_shown_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("lab.toml");
    std::fs::write(
        &file,
        "[lab]\nnam = \"larkfield\"\n[ceiling]\ncelsius = \"hot\"\n",
    )
    .unwrap();
    let said = alone(&["config", "check", file.to_str().unwrap()]);
    assert_eq!((said.exit, &*said.out), (2, ""), "{}", said.err);
    assert!(
        said.err.contains(":2:1: ") && said.err.contains(":4:11: "),
        "{}",
        said.err
    );
    let said = alone(&["--json", "config", "check", file.to_str().unwrap()]);
    let object = json(&said.out);
    assert_eq!(
        (said.exit, &object["ok"], &object["schema"]),
        (2, &false.into(), &1.into())
    );
    assert!(object["mistakes"].as_array().unwrap().len() >= 2, "{object}");
}

#[test]
fn nobody_reads_and_nobody_is_told() {
    let mut child = benchward()
        .args(["--help"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let mut err = String::new();
    child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
    child.wait().unwrap();
    assert_eq!(err, "");
    // The same for data.
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("bus");
    daemon(&socket);
    let mut child = benchward()
        .arg("--socket")
        .arg(&socket)
        .arg("watch")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    err.clear();
    child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
    assert_eq!((child.wait().unwrap().code(), &*err), (Some(0), ""));
}

#[test]
fn colour_is_only_where_it_is_welcome() {
    assert!(!asked(&["status"]).out.contains('\x1b'), "no terminal reads");
    assert!(asked(&["--color", "always", "status"]).out.contains('\x1b'));
    assert!(!asked(&["--color", "never", "status"]).out.contains('\x1b'));
}
