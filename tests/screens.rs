//! The live view in a real pseudo terminal, beside a real daemon with simulated benches: what people see, what their keys do, and the
//! terminal as it was before at every end.

use std::fs;

use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::Place;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::terminal::Terminal;
use benchward_tests::wait::{wait_for, wait_until};

const SMALL: (u16, u16) = (80, 24);

/// Two benches that wait for a run.
fn lab() -> (Place, Daemon) {
    let place = Place::new();
    let benches = place.simulated("bench-1", "") + &place.simulated("bench-2", "");
    place.configure("", &benches);
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1", "bench-2"]);
    client.put_recipe(HOLD).expect("the owner may");
    (place, daemon)
}

/// `benchward WORDS` between two looks at the terminal's settings; what it came to stands in the file `end`.
fn between_looks(place: &Place, words: &str) -> String {
    let file = |name: &str| place.path(name).display().to_string();
    format!(
        "stty -g > {before}; benchward {words}; echo $? > {code}; stty -g > {after}; mv {code} {end}",
        before = file("before"),
        after = file("after"),
        code = file("code"),
        end = file("end"),
    )
}

/// The terminal is as before, and the command ended with `code`.
fn given_back(place: &Place, terminal: &Terminal, code: &str) {
    let read = |name: &str| fs::read_to_string(place.path(name)).ok();
    let end = wait_for("the end of the view", || read("end"));
    assert_eq!(end.trim(), code, "{}", terminal.screen());
    assert_eq!(read("before"), read("after"), "the settings of the terminal");
    assert_eq!(
        terminal.state(),
        (false, true),
        "no alternate screen any more, and the cursor is there"
    );
    fs::remove_file(place.path("end")).expect("it was there");
}

#[test]
fn a_trip_is_seen_and_a_key_acknowledges_it() {
    let (mut place, mut daemon) = lab();
    // Killed below: its runs are told apart elsewhere.
    place.spoil();
    let client = daemon.client();
    let run = client.start("bench-2", HOLD_NAME, "A-0018").expect("it is ready");
    let script = between_looks(&place, "watch");
    let terminal = Terminal::open(&place, SMALL, &["NO_COLOR=1"], &script);
    terminal.wait_for(&[
        "larkfield: 2 benches, nobody is needed",
        ">*   2 bench-2",
        "ramp 1/1",
        "x STOP ALL",
    ]);
    // By its number, which doesn't change with its place.
    terminal.press("2");
    terminal.wait_for(&[
        "bench-2  ramp 1/1",
        &format!("run {run}, \"hold\", board A-0018"),
        "A board-top",
        "ceiling",
    ]);
    fault::cause(&place.control("bench-2"), r#"{"kind":"open","input":"tc1"}"#);
    let screen = terminal.wait_for(&[
        "!!! TRIPPED: HEAT IS OFF !!!",
        "`sensor-fault`",
        "press a: you have seen it",
        "A board-top OPEN",
    ]);
    assert!(screen.lines().all(|line| line.chars().count() <= 80), "{screen}");
    let painted = terminal.painted();
    assert!(
        !painted.contains("\u{1b}["),
        "no colour, and no bold: {painted:?}"
    );
    terminal.press("a");
    terminal.wait_for(&[
        "!!! TRIPPED, SEEN: HEAT IS OFF !!!",
        "bench-2: 1 acknowledged",
        "benchward trip reset bench-2",
    ]);
    assert_eq!(
        client.standing("bench-2", "sensor-fault").standing,
        "acknowledged"
    );
    let entry = client
        .journal()
        .into_iter()
        .rfind(|entry| entry.kind == "acknowledged");
    assert_eq!(entry.and_then(|entry| entry.station).as_deref(), Some("bench-2"));

    // Old figures would be taken for new ones.
    daemon.kill();
    let screen = terminal.wait_for(&["!!! NO DAEMON !!!", "Heat lapses by itself"]);
    assert!(!screen.contains("board-top"), "{screen}");
    let _daemon = Daemon::start(&place);
    terminal.wait_for(&["bench-2  tripped, seen", "A board-top"]);
    // Another size is drawn whole.
    terminal.resize(60, 20);
    terminal.wait_for(&["bench-2  tripped, seen"]);
    terminal.press("Escape");
    terminal.wait_for(&["larkfield: 2 benches, 1 needs somebody"]);
    terminal.press("q");
    given_back(&place, &terminal, "0");
}

#[test]
fn keys_confirm_presence_and_stop() {
    let (place, daemon) = lab();
    let client = daemon.client();
    for bench in ["bench-1", "bench-2"] {
        client.start(bench, HOLD_NAME, "A-0019").expect("it is ready");
    }
    let terminal = Terminal::open(&place, SMALL, &[], "benchward watch bench-1");
    terminal.wait_for(&["bench-1  ramp 1/1", "presence"]);
    assert!(
        terminal.painted().contains("\u{1b}["),
        "colour where nobody refused it"
    );
    let confirmed = || {
        let entries = client.journal().into_iter();
        entries
            .filter(|entry| entry.text.ends_with("confirmed presence"))
            .count()
    };
    let before = confirmed();
    terminal.press("p");
    wait_until("presence is confirmed", || confirmed() > before);
    terminal.press("s");
    terminal.wait_for(&["TRIPPED: HEAT IS OFF"]);
    assert_eq!(client.tripped("bench-1"), ["stop"]);
    assert!(client.tripped("bench-2").is_empty(), "that one goes on");
    terminal.press("x");
    client.wait_for_trip("bench-2", "stop");
}

#[test]
fn the_terminal_is_given_back_at_every_end() {
    let (place, daemon) = lab();
    let pid_of_watch = || {
        let pids = fs::read_dir("/proc").expect("Linux").flatten();
        let socket = place.socket().display().to_string();
        pids.filter_map(|entry| entry.file_name().to_str()?.parse::<i32>().ok())
            .find(|pid| {
                let words = fs::read_to_string(format!("/proc/{pid}/cmdline")).unwrap_or_default();
                let environment = fs::read(format!("/proc/{pid}/environ")).unwrap_or_default();
                words.starts_with("benchward\0watch")
                    && String::from_utf8_lossy(&environment).contains(&socket)
            })
    };
    for end in ["C-c", "TERM", "INT", "HUP"] {
        let script = between_looks(&place, "watch bench-1");
        let terminal = Terminal::open(&place, SMALL, &[], &script);
        terminal.wait_for(&["bench-1  idle", "q quit"]);
        assert_eq!(
            terminal.state(),
            (true, false),
            "a page of its own, without a cursor"
        );
        if end == "C-c" {
            terminal.press(end);
        } else {
            let pid = rustix::process::Pid::from_raw(pid_of_watch().expect("it runs")).expect("a process");
            let signal = match end {
                "TERM" => rustix::process::Signal::TERM,
                "INT" => rustix::process::Signal::INT,
                _ => rustix::process::Signal::HUP,
            };
            rustix::process::kill_process(pid, signal).expect("it is ours");
        }
        given_back(&place, &terminal, "0");
    }
    drop(daemon);
}

/// A program or a file reads lines, whatever the terminal could do.
#[test]
fn without_a_terminal_it_is_lines() {
    let (place, _daemon) = lab();
    let mut child = benchward_tests::command::command(&place, &["watch", "bench-1"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("benchward can be started");
    let out = std::io::BufReader::new(child.stdout.take().expect("it is piped"));
    let line = std::io::BufRead::lines(out)
        .next()
        .expect("a line")
        .expect("it is text");
    child.kill().expect("it is ours");
    child.wait().expect("it is ours");
    assert!(
        line.contains("bench-1 idle") && line.ends_with("heat 0 %") && !line.contains('\u{1b}'),
        "{line:?}"
    );
}

/// How far long work is, is for a person at a terminal alone, and nothing of it stays.
#[test]
fn long_work_says_how_far_it_is() {
    let (mut place, mut daemon) = lab();
    place.spoil();
    let client = daemon.client();
    let run = client.start("bench-1", HOLD_NAME, "A-0020").expect("it is ready");
    client
        .ask("bench-1", async |station| station.stop_run().await)
        .expect("the owner may");
    wait_until("the run has ended", || client.run(run).run.outcome.is_some());
    drop(client);
    daemon.terminate();
    let archive = place.archive().display().to_string();
    let words = format!(
        "{} --archive {archive} archive check",
        benchward_tests::programs::program("benchward").display()
    );
    let output = benchward_tests::programs::system("script", "bsdutils")
        .args(["--quiet", "--command", &words, "/dev/null"])
        .env("TERM", "xterm-256color")
        .stdin(std::process::Stdio::null())
        .output()
        .expect("`script` can be started");
    let seen = String::from_utf8_lossy(&output.stdout);
    assert!(seen.contains("reading sealed files ["), "{seen:?}");
    assert!(seen.contains("walking the chain of the journal ..."), "{seen:?}");
    let result = seen.rfind("undamaged").unwrap_or_else(|| panic!("{seen:?}"));
    assert!(
        !seen[result..].contains("walking"),
        "the result stands alone: {seen:?}"
    );
    for words in [vec!["archive", "check"], vec!["--json", "archive", "check"]] {
        let output = std::process::Command::new(benchward_tests::programs::program("benchward"))
            .args(["--archive", &archive])
            .args(&words)
            .output()
            .expect("benchward can be started");
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{words:?}");
    }
}
