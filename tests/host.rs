//! The daemon and the host around it: its service manager, logind, the journal, and the files that `deploy/` installs.

use std::fs;
use std::path::Path;
use std::time::Duration;

use benchward_tests::bus::Bus;
use benchward_tests::clock::monotonic_ms;
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::manager::{Journald, Logind, NotifySocket};
use benchward_tests::place::Place;
use benchward_tests::programs::{file, program, system};
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::record;
use benchward_tests::scrape;
use benchward_tests::user::can_be_others;
use benchward_tests::wait::{wait_for, wait_until};
use nix::sys::ptrace;
use nix::sys::wait::{WaitPidFlag, waitpid};
use nix::unistd::Pid;

/// A watchdog that is fed three times a second: short for a service, long for a busy machine.
const WATCHDOG: Duration = Duration::from_secs(1);

/// A bench that is heating under a daemon.
fn heat(place: &Place, daemon: &Daemon) -> u64 {
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    client.put_recipe(HOLD).expect("a recipe");
    let from = monotonic_ms();
    let run = client.start("bench-1", HOLD_NAME, "A-1").expect("a run");
    record::wait_for_heat(&place.record_file("bench-1"), from);
    run
}

#[test]
fn ready_is_said_when_every_driver_has_sent_a_scan() {
    let place = Place::new();
    let manager = NotifySocket::new(&place);
    place.configure(
        "",
        &(place.simulated("bench-1", "") + &place.simulated("bench-2", "")),
    );
    let mut daemon = Daemon::start_with(&place, |command| manager.tell(command, None));
    manager.wait_for("READY=1");
    for station in ["bench-1", "bench-2"] {
        let channels = daemon.client().station(station).channels;
        assert!(
            channels.iter().all(|channel| channel.quality == "good"),
            "{channels:?}"
        );
    }
    heat(&place, &daemon);
    manager.wait_for("STATUS=2 stations, heat at bench-1");
    fault::cause(&place.control("bench-1"), r#"{"kind":"open","input":"tc1"}"#);
    manager.wait_for("STATUS=2 stations, no heat; tripped: bench-1");
    daemon.client().wait_for_trip("bench-1", "sensor-fault");
    let (_, status) = daemon.terminate();
    assert!(status.success(), "{status}");
    manager.wait_for("STOPPING=1");
}

#[test]
fn ready_is_said_in_time_though_a_bench_says_nothing() {
    let place = Place::new();
    let manager = NotifySocket::new(&place);
    let mute = "\n[station.bench-2]\nchannels = { board-top = \"tc1\" }\n[station.bench-2.driver]\n\
                program = [\"sleep\", \"1000\"]\n";
    place.configure("", &(place.simulated("bench-1", "") + mute));
    let began = monotonic_ms();
    let daemon = Daemon::start_with(&place, |command| manager.tell(command, None));
    let ready = manager.wait_for("READY=1");
    let waited_ms = ready.at_ms - began;
    assert!(
        waited_ms > 6_900.0,
        "ready after {waited_ms} ms, with no scan of bench-2 yet"
    );
    wait_until("a word about it in the log", || {
        daemon.log().contains("not every driver has sent a scan")
    });
}

/// The lab thread alone is held still, by a debugger's means: the process goes on, and all its other threads. What comes of it has to
/// come from the lab thread's own silence.
#[test]
fn a_lab_thread_that_is_stuck_feeds_no_watchdog() {
    let place = Place::new();
    let manager = NotifySocket::new(&place);
    place.configure("", &(place.simulated("bench-1", "") + scrape::SECTION));
    let daemon = Daemon::start_with(&place, |command| manager.tell(command, Some(WATCHDOG)));
    manager.wait_for("READY=1");
    heat(&place, &daemon);
    for _ in 0..3 {
        manager.wait_for("WATCHDOG=1");
    }
    let metrics = scrape::address(&daemon);

    let stuck = Stuck::hold(thread_named(&daemon, "lab"));
    let stuck_ms = monotonic_ms();
    manager.drain();

    // Others are served, from the last picture of the lab.
    let client = daemon.client();
    wait_until("metrics that say how long the lab thread has been stuck", || {
        let (_, page) = scrape::page(metrics, "text/plain");
        scrape::value(&page, "benchward_loop_age_seconds").is_some_and(|age| age > 2.5)
    });
    assert_eq!(client.station("bench-1").phase, "ramp");
    let fed: Vec<_> = manager
        .drain()
        .into_iter()
        .filter(|message| message.text.contains("WATCHDOG=1"))
        .collect();
    assert!(fed.is_empty(), "stuck since {stuck_ms}, and still: {fed:?}");
    // Heat has lapsed by itself meanwhile.
    let zero = record::wait_for_zero(&place.record_file("bench-1"), stuck_ms);
    assert_eq!(zero.why, "lapsed", "{zero:?}");
    assert!(zero.at_ms - stuck_ms < 1_600.0, "{zero:?} after {stuck_ms}");

    drop(stuck);
    manager.wait_for("WATCHDOG=1");
    client.wait_for_trip("bench-1", "clock");
}

/// A thread that is held still, as a debugger does it. It goes on with this value's end.
struct Stuck(Pid);

impl Stuck {
    fn hold(thread: Pid) -> Self {
        ptrace::seize(thread, ptrace::Options::empty()).expect("a thread of our own child");
        let stuck = Self(thread);
        ptrace::interrupt(thread).expect("a thread that is seized");
        waitpid(thread, Some(WaitPidFlag::__WALL)).expect("it stands still");
        stuck
    }
}

impl Drop for Stuck {
    fn drop(&mut self) {
        // In a test that fails as well: a process with a thread that is held can't be waited for.
        let _ = ptrace::detach(self.0, None);
    }
}

fn thread_named(daemon: &Daemon, name: &str) -> Pid {
    let tasks = format!("/proc/{}/task", daemon.pid().as_raw_nonzero());
    wait_for(&format!("the thread `{name}`"), || {
        fs::read_dir(&tasks)
            .ok()?
            .flatten()
            .find(|task| fs::read_to_string(task.path().join("comm")).is_ok_and(|comm| comm.trim() == name))
            .and_then(|task| task.file_name().to_str()?.parse().ok().map(Pid::from_raw))
    })
}

#[test]
fn a_host_that_sleeps_or_shuts_down_waits_until_all_heat_is_off() {
    let mut place = Place::new();
    let bus = Bus::start(&place);
    let logind = Logind::start(&place, &bus);
    place.configure("", &place.simulated("bench-1", ""));
    let mut daemon = Daemon::start_with(&place, |command| {
        command.env("DBUS_SYSTEM_BUS_ADDRESS", bus.address());
    });
    daemon.client().wait_ready(&["bench-1"]);
    assert!(!logind.locks(&bus).contains("Benchward"), "there is no heat");

    for what in ["Shutdown", "Sleep"] {
        let run = heat(&place, &daemon);
        wait_until("the lock on sleep and shutdown", || {
            let locks = logind.locks(&bus);
            // One each: one on both is refused by a real logind.
            let delays = |what: &str| {
                let why = "\"benches are being heated; their heat is cut first\" \"delay\"";
                locks.contains(&format!("\"{what}\" \"Benchward\" {why}"))
            };
            delays("shutdown") && delays("sleep")
        });
        let before = monotonic_ms();
        logind.prepare_for(&bus, what, true);
        wait_until("the lock to be let go", || {
            !logind.locks(&bus).contains("Benchward")
        });
        // By then the heat is off, the run has its outcome, and both are on the disk.
        let zero = record::wait_for_zero(&place.record_file("bench-1"), before);
        assert!(zero.at_ms > before, "{zero:?}");
        let ended = daemon.client().run(run);
        assert_eq!(ended.run.outcome.as_deref(), Some("stopped"), "{ended:?}");
        let journal = daemon.client().journal();
        assert!(
            journal
                .iter()
                .any(|entry| entry.text.contains("about to sleep or to shut down")),
            "{journal:?}"
        );
        // Until it is said that the host goes on, no lock would help, and none is taken.
        logind.prepare_for(&bus, what, false);
    }
    let run = heat(&place, &daemon);
    wait_until("the lock again", || logind.locks(&bus).contains("Benchward"));
    // A daemon that dies holds nothing up.
    daemon.kill();
    wait_until("the dead daemon's lock to be gone", || {
        !logind.locks(&bus).contains("Benchward")
    });
    let daemon = Daemon::start(&place);
    assert_eq!(daemon.client().run(run).run.outcome.as_deref(), Some("lost"));
    place.spoil();
}

#[test]
fn a_bus_without_logind_costs_nothing_but_the_lock() {
    let place = Place::new();
    let bus = Bus::start(&place);
    place.configure("", &place.simulated("bench-1", ""));
    let daemon = Daemon::start_with(&place, |command| {
        command.env("DBUS_SYSTEM_BUS_ADDRESS", bus.address());
    });
    heat(&place, &daemon);
    wait_until("a word about it in the log", || {
        daemon.log().contains("logind doesn't delay the host's sleep")
    });
    assert_eq!(daemon.client().station("bench-1").phase, "ramp");
}

#[test]
fn the_journal_can_be_asked_for_a_bench_a_run_and_a_trip() {
    if !can_be_others() {
        return;
    }
    let place = Place::new();
    let journald = Journald::start();
    place.configure(
        "",
        &(place.simulated("bench-1", "") + &place.simulated("bench-2", "")),
    );
    let daemon = Daemon::start_with(&place, |command| {
        command
            .args(["--log-format", "journal", "--journal"])
            .arg(journald.socket());
    });
    let run = heat(&place, &daemon);
    fault::cause(&place.control("bench-1"), r#"{"kind":"open","input":"tc1"}"#);
    daemon.client().wait_for_trip("bench-1", "sensor-fault");
    let trip = wait_for("the trip in the journal", || {
        let found = journald.entries(&[
            "BENCHWARD_TRIP=sensor-fault",
            "BENCHWARD_STATION=bench-1",
            &format!("BENCHWARD_RUN={run}"),
        ]);
        found.into_iter().next()
    });
    assert_eq!(trip["SYSLOG_IDENTIFIER"], "benchwardd", "{trip}");
    assert_eq!(trip["PRIORITY"], "4", "{trip}");
    assert!(
        trip["MESSAGE"]
            .as_str()
            .is_some_and(|text| text.contains("board-top")),
        "{trip}"
    );
    assert!(
        journald
            .entries(&["BENCHWARD_STATION=bench-2", "BENCHWARD_TRIP=sensor-fault"])
            .is_empty()
    );
    let begun = journald.entries(&[&format!("BENCHWARD_RUN={run}"), "PRIORITY=6"]);
    assert!(
        begun.iter().any(|entry| entry["MESSAGE"]
            .as_str()
            .is_some_and(|text| text.contains("begins"))),
        "{begun:?}"
    );
    assert_eq!(daemon.log(), "", "nothing on stderr beside it");

    // A journal that doesn't read stops the log and nothing else.
    rustix::process::kill_process(journald.pid(), rustix::process::Signal::STOP).expect("it is ours");
    fault::cause(&place.control("bench-1"), r#"{"kind":"clear"}"#);
    for _ in 0..20 {
        daemon.client().put_recipe(HOLD).expect("a recipe");
    }
    assert!(daemon.client().station("bench-2").channels[0].quality == "good");
}

#[test]
fn without_a_journal_the_log_is_text() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let daemon = Daemon::start_with(&place, |command| {
        command
            .args(["--log-format", "journal", "--journal"])
            .arg(place.path("nobody"));
    });
    wait_until("a word about it in the log", || {
        daemon.log().contains("there is no journal at")
    });
}

/// The unit as this machine can check it: with the programs of the build in place of those that a package installs.
fn unit(place: &Place) -> std::path::PathBuf {
    let text = fs::read_to_string(file("../deploy/systemd/benchwardd.service")).expect("the unit");
    let installed = "/usr/bin/benchwardd";
    assert_eq!(text.matches(installed).count(), 1, "{text}");
    let path = place.path("benchwardd.service");
    let built = program("benchwardd");
    fs::write(&path, text.replace(installed, &built.display().to_string())).expect("the folder is ours");
    path
}

fn ran(command: &mut std::process::Command) -> (bool, String) {
    let output = command.output().expect("it can be started");
    let text = [output.stdout, output.stderr].concat();
    (
        output.status.success(),
        String::from_utf8_lossy(&text).into_owned(),
    )
}

#[test]
fn the_unit_is_well_formed_and_its_sandbox_tight() {
    let place = Place::new();
    let unit = unit(&place);
    let (fine, said) = ran(system("systemd-analyze", "systemd")
        .args(["verify", "--man=no", "--recursive-errors=yes"])
        .arg(&unit));
    assert!(fine && said.is_empty(), "{said}");
    // 2.0 of 10; `--threshold` counts in tenths.
    let (fine, said) = ran(system("systemd-analyze", "systemd")
        .args(["security", "--offline=true", "--threshold=20"])
        .arg(&unit));
    assert!(fine, "{said}");
    assert!(said.contains("Overall exposure level"), "{said}");
}

#[test]
fn accounts_groups_and_folders_are_made_as_they_should_be() {
    if !can_be_others() {
        return;
    }
    let place = Place::new();
    let root = place.path("root");
    for folder in ["etc/benchward", "usr/lib"] {
        fs::create_dir_all(root.join(folder)).expect("the folder is ours");
    }
    fs::write(root.join("etc/benchward/mqtt.secret"), "x").expect("the folder is ours");
    let within = format!("--root={}", root.display());
    let (fine, said) = ran(system("systemd-sysusers", "systemd")
        .arg(&within)
        .arg(file("../deploy/sysusers.d/benchward.conf")));
    assert!(fine, "{said}");
    let read = |name: &str| fs::read_to_string(root.join(name)).expect("it was made");
    let passwd = read("etc/passwd");
    let account: Vec<&str> = passwd
        .lines()
        .find(|line| line.starts_with("benchward:"))
        .expect("the account")
        .split(':')
        .collect();
    assert_eq!(&account[5..], ["/var/lib/benchward", "/usr/sbin/nologin"]);
    let groups = read("etc/group");
    for role in ["operate", "process", "safety"] {
        assert!(
            groups
                .lines()
                .any(|line| line.starts_with(&format!("benchward-{role}:")) && line.ends_with(':')),
            "nobody has a role by being there: {groups}"
        );
    }
    let (fine, said) = ran(system("systemd-tmpfiles", "systemd")
        .arg(&within)
        .arg("--create")
        .arg(file("../deploy/tmpfiles.d/benchward.conf")));
    assert!(fine, "{said}");
    let mode = |name: &str| {
        use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
        let found = fs::metadata(root.join(name)).expect("it is there");
        (
            found.permissions().mode() & 0o777,
            found.uid(),
            found.gid().to_string(),
        )
    };
    let gid = account[3].to_owned();
    assert_eq!(mode("etc/benchward"), (0o750, 0, gid.clone()));
    assert_eq!(mode("etc/benchward/mqtt.secret"), (0o640, 0, gid));
}

#[test]
fn what_the_unit_needs_is_made_by_the_files_beside_it() {
    let read = |name: &str| {
        let path = file("../deploy").join(name);
        fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    };
    let (unit, accounts, policy) = (
        read("systemd/benchwardd.service"),
        read("sysusers.d/benchward.conf"),
        read("dbus/io.benchward.Lab1.conf"),
    );
    assert!(unit.contains("\nUser=benchward\n") && accounts.contains("\nu benchward "));
    assert!(policy.contains("<policy user=\"benchward\">"));
    let activation = read("dbus/io.benchward.Lab1.service");
    assert!(activation.contains(&format!("\nName={}\n", benchward_api::BUS_NAME)));
    assert!(activation.contains("\nSystemdService=benchwardd.service\n"));
    // Every opening has its reason above it.
    let lines: Vec<&str> = unit.lines().collect();
    for (at, line) in lines.iter().enumerate() {
        let opens = [
            "DeviceAllow=",
            "SupplementaryGroups=",
            "RestrictAddressFamilies=",
            "IPAddressAllow=",
            "LimitNICE=",
        ];
        if opens.iter().any(|key| line.starts_with(key)) {
            let reason = lines[..at]
                .iter()
                .rev()
                .take_while(|line| !line.is_empty())
                .any(|line| line.starts_with('#'));
            assert!(reason, "no reason beside `{line}`");
        }
    }
    assert!(Path::new(&file("../deploy/udev/60-benchward.rules")).is_file());
}
