//! A run's readings for other programs: the formats say the same, an independent reader takes the Parquet file, and nothing half written
//! stays behind.

use std::fs::{self, File};
use std::os::unix::process::ExitStatusExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use benchward_tests::command::{Done, benchward, command};
use benchward_tests::daemon::Daemon;
use benchward_tests::long;
use benchward_tests::place::Place;
use benchward_tests::programs::{file, program};
use benchward_tests::wait::wait_until;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

const RECIPE: &str = "recipe = \"AX-20 preheat\"\n[[stage]]\ntarget_celsius = 50\ndwell_s = 10\n[cooldown]\nsafe_celsius = 45\n";

/// What `DuckDB` makes of a Parquet file, once each of its fields was held against the CSV.
fn compared(parquet: &Path, csv: &Path) -> Value {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .parent()
        .expect("the folder for tests lies in the target folder")
        .join("cli-peer");
    let setup = Command::new(file("../cli/tests/setup"))
        .arg(&folder)
        .output()
        .expect("the setup can be run");
    assert!(
        setup.status.success(),
        "{}",
        String::from_utf8_lossy(&setup.stderr)
    );
    let output = Command::new(folder.join("venv/bin/python"))
        .arg(file("exported.py"))
        .args([parquet, csv])
        .output()
        .expect("its python can be run");
    let done = Done::of(&output);
    assert_eq!(done.code, 0, "{done:?}");
    done.json()
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a path of text")
}

/// The files that a folder holds, hidden ones too.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .expect("the folder is ours")
        .map(|entry| {
            entry
                .expect("it can be listed")
                .file_name()
                .to_string_lossy()
                .into_owned()
        })
        .collect();
    names.sort();
    names
}

/// A file system of 64 KiB, gone with it.
struct Small(PathBuf);

impl Small {
    /// `None` for who may not mount.
    fn at(folder: PathBuf) -> Option<Self> {
        fs::create_dir(&folder).expect("the folder is ours");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=64k", "tmpfs", text(&folder)])
            .status();
        mounted
            .is_ok_and(|status| status.success())
            .then_some(Self(folder))
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

#[test]
fn every_format_says_the_same_and_none_is_left_half_written() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let mut daemon = Daemon::start_with(&place, |command| {
        command.args(["--time-scale", "20"]);
    });
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    client.put_recipe(RECIPE).expect("the owner may");
    let run = client
        .start("bench-1", "AX-20 preheat", "A-\"0001\", ö")
        .expect("it is ready");
    let word = run.to_string();
    let out = place.path("out");
    fs::create_dir(&out).expect("the folder is ours");
    let (parquet, csv) = (out.join("run.parquet"), out.join("run.csv"));
    let export = |format: &str, to: &Path| {
        benchward(
            &place,
            &["run", "export", &word, "--format", format, "-o", text(to)],
        )
    };

    // While it goes on: part of it is in a file, part of it in memory, and both commands see what was there.
    wait_until("there are readings", || {
        export("csv", &csv).code == 0 && fs::read_to_string(&csv).is_ok_and(|text| text.lines().count() > 50)
    });
    assert_eq!(export("parquet", &parquet).code, 0);

    wait_until("the record of the run is closed", || {
        client.run(run).run.ended.is_some()
    });
    let done = export("parquet", &parquet);
    assert_eq!(done.code, 0, "{done:?}");
    assert_eq!(export("csv", &csv).code, 0);
    let found = compared(&parquet, &csv);
    let rows = fs::read_to_string(&csv).expect("it is there").lines().count() - 1;
    assert_eq!(found["rows"], rows, "{found}");
    assert!(done.stdout.contains(&format!("{rows} rows written")), "{done:?}");
    for (column, kind) in [
        ("time", "TIMESTAMP WITH TIME ZONE"),
        ("elapsed_s", "DOUBLE"),
        ("heat", "DOUBLE"),
        ("phase", "VARCHAR"),
        ("stage", "INTEGER"),
    ] {
        assert_eq!(found["types"][column], kind, "{column}: {found}");
    }
    let shown = client.run(run).run;
    for (key, value) in [
        ("run", word.as_str()),
        ("lab", "larkfield"),
        ("station", "bench-1"),
        ("recipe", "AX-20 preheat"),
        ("revision", "1"),
        ("serial", "A-\"0001\", ö"),
        ("operator", &shown.operator),
        ("started", &shown.started),
        ("outcome", "completed"),
        ("verdict", "none"),
    ] {
        assert_eq!(
            found["metadata"][format!("benchward.{key}")],
            value,
            "{key}: {found}"
        );
    }

    // To stdout the same bytes.
    for (format, written) in [("parquet", &parquet), ("csv", &csv)] {
        let mut words = vec!["run", "export", &word, "--format", format];
        for dash in [false, true] {
            if dash {
                words.extend(["-o", "-"]);
            }
            let output = command(&place, &words).output().expect("it can be run");
            assert!(output.status.success());
            assert_eq!(output.stdout, fs::read(written).expect("it is there"), "{format}");
        }
        // A disk that is full says so.
        let full = command(&place, &words)
            .stdout(
                File::options()
                    .write(true)
                    .open("/dev/full")
                    .expect("Linux has it"),
            )
            .output()
            .expect("it can be run");
        let done = Done::of(&full);
        assert_eq!(done.code, 1, "{done:?}");
        assert!(
            done.stderr.contains("can't write to stdout: No space left"),
            "{done:?}"
        );
    }
    assert_eq!(names(&out), ["run.csv", "run.parquet"]);
    if let Some(small) = Small::at(place.path("small")) {
        for format in ["csv", "jsonl", "parquet"] {
            let file = small.0.join(format!("run.{format}"));
            fs::write(&file, "what was there before").expect("there is room for that");
            // No room for more.
            let filler = small.0.join("filler");
            let _ = fs::write(&filler, vec![0; 60_000]);
            let done = export(format, &file);
            assert_eq!(done.code, 1, "{done:?}");
            assert!(
                done.stderr
                    .contains(&format!("can't write {}: No space left", file.display())),
                "{done:?}"
            );
            fs::remove_file(&filler).expect("it is there");
            assert_eq!(names(&small.0), [format!("run.{format}")], "nothing half written");
            assert_eq!(
                fs::read_to_string(&file).expect("it stayed"),
                "what was there before"
            );
            fs::remove_file(&file).expect("it is there");
        }
    } else {
        println!("may not mount: exports to a full disk were left out");
    }

    // The folder of the stopped lab says the same.
    daemon.terminate();
    let folder = place.archive();
    let other = out.join("other.parquet");
    let output = Command::new(program("benchward"))
        .args([
            "--archive",
            text(&folder),
            "run",
            "export",
            &word,
            "--format",
            "parquet",
            "-o",
        ])
        .arg(&other)
        .output()
        .expect("it can be run");
    assert_eq!(Done::of(&output).code, 0);
    assert_eq!(compared(&other, &csv)["rows"], rows);
}

/// Whatever ends an export, of its own will or not, leaves the folder as it was: Ctrl-C is how people give up on a long one.
#[test]
fn what_is_interrupted_leaves_nothing_behind() {
    let mut place = Place::new();
    // Nothing was decided in it.
    place.spoil();
    long::runs(&place.archive(), &[240]);
    let out = place.path("out");
    fs::create_dir(&out).expect("the folder is ours");
    let kept = out.join("run.jsonl");
    for signal in [Signal::INT, Signal::TERM, Signal::HUP, Signal::KILL] {
        // One that is whole before the signal comes proves nothing; that a busy machine lets it.
        let interrupted = (0..20).any(|_| {
            fs::write(&kept, "what was there before").expect("the folder is ours");
            interrupted(&place, &kept, signal)
        });
        assert!(interrupted, "{signal:?} came too late each time");
        assert_eq!(names(&out), ["run.jsonl"], "{signal:?}");
        assert_eq!(
            fs::read_to_string(&kept).expect("it stayed"),
            "what was there before"
        );
    }
}

/// Exports a run and sends a signal once some of it is in a file in that folder, whatever that is called. `false`: it was whole by then.
fn interrupted(place: &Place, file: &Path, signal: Signal) -> bool {
    let folder = file.parent().expect("it has one");
    // Who is started in the background by a shell ignores Ctrl-C, and so would all that it starts.
    let mut export = Command::new("env")
        .arg("--default-signal")
        .arg(program("benchward"))
        .arg("--archive")
        .arg(place.archive())
        .args(["run", "export", "1", "--format", "jsonl", "-o"])
        .arg(file)
        .spawn()
        .expect("it can be run");
    let descriptors = format!("/proc/{}/fd", export.id());
    let mut over = false;
    wait_until("the export is under way", || {
        let under_way = fs::read_dir(&descriptors).is_ok_and(|open| {
            open.flatten().any(|one| {
                fs::read_link(one.path()).is_ok_and(|path| path.starts_with(folder))
                    && fs::metadata(one.path()).is_ok_and(|data| data.len() > 100_000)
            })
        });
        over = export.try_wait().expect("it is ours").is_some();
        under_way || over
    });
    // Once it was waited for, its number may be somebody else's.
    if !over {
        kill_process(Pid::from_child(&export), signal).expect("it is ours");
    }
    let status = export.wait().expect("it ends");
    assert!(
        status.success() || status.signal() == Some(signal.as_raw()),
        "{status}"
    );
    !status.success()
}
