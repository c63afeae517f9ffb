//! The main job on temperatures that nobody here made: recorded logs, played by `benchward-driver-replayed`.
//!
//! The cut has to come at exactly the scan that the rule of `over-temperature` says: the second in a row above the
//! ceiling, or the first that is 10 °C or more above it, on whichever channel comes first. Which one that is, is
//! computed here from the file, and once more by Python's `csv` module; neither shares code with the daemon.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use benchward_tests::client::Client;
use benchward_tests::daemon::Daemon;
use benchward_tests::place::{Place, quoted};
use benchward_tests::programs::{file, system};
use benchward_tests::record::changes;
use benchward_tests::wait::wait_for;

/// Six channels, a second apart; see `recorded/README.md` for its source.
const RADIANT: &str = "recorded/radiant_shroud_and_cables_6ch.csv";
/// Two sensors in converter steps of 0.32 °C, a second apart; see `recorded/README.md` for its source.
const TWO_HEATERS: &str = "recorded/two_heater_step_50pct.csv";

/// Rows a second while playing. The protocol allows 100.
const SPEED: u32 = 50;

/// A scan as the rule picks it.
#[derive(Debug, Clone, PartialEq)]
struct Picked {
    /// Counted from 1, as the journal does.
    scan: u64,
    channel: String,
    celsius: f64,
    /// Whether it took a second scan in a row.
    confirmed: bool,
}

/// A recorded file: the columns that are played, and the rows.
struct Log {
    columns: Vec<&'static str>,
    rows: Vec<Vec<f64>>,
}

fn read(path: &Path, columns: &[&'static str]) -> Log {
    let mut reader = csv::Reader::from_path(path).expect("the recorded file");
    let head = reader.headers().expect("a head").clone();
    let places: Vec<usize> = columns
        .iter()
        .map(|column| {
            head.iter()
                .position(|name| name == *column)
                .unwrap_or_else(|| panic!("no column {column}"))
        })
        .collect();
    let rows = reader
        .records()
        .map(|row| {
            let row = row.expect("a row");
            places
                .iter()
                .map(|place| row[*place].parse().expect("a number"))
                .collect()
        })
        .collect();
    Log {
        columns: columns.to_vec(),
        rows,
    }
}

/// The rule, by the book.
fn by_the_rule(log: &Log, ceiling: f64) -> Picked {
    for (at, row) in log.rows.iter().enumerate() {
        for (column, &celsius) in row.iter().enumerate() {
            let before = at.checked_sub(1).map(|before| log.rows[before][column]);
            let confirmed = celsius > ceiling && before.is_some_and(|before| before > ceiling);
            if confirmed || celsius >= ceiling + 10.0 {
                return Picked {
                    scan: at as u64 + 1,
                    channel: channel(log.columns[column]),
                    celsius,
                    confirmed,
                };
            }
        }
    }
    panic!("nothing in the file is above {ceiling} °C");
}

/// The same by Python, from the file itself.
fn by_python(path: &Path, log: &Log, ceiling: f64) -> (u64, String, f64) {
    const SCRIPT: &str = "\
import csv, sys
path, ceiling, columns = sys.argv[1], float(sys.argv[2]), sys.argv[3:]
above = dict.fromkeys(columns, 0)
for scan, row in enumerate(csv.DictReader(open(path, newline='')), 1):
    for column in columns:
        value = float(row[column])
        above[column] = above[column] + 1 if value > ceiling else 0
        if above[column] == 2 or value - ceiling >= 10:
            print(scan, value, column, sep=',')
            sys.exit()
";
    let output = system("python3", "python3")
        .args(["-c", SCRIPT])
        .arg(path)
        .arg(ceiling.to_string())
        .args(&log.columns)
        .output()
        .expect("python3 can be started");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let text = String::from_utf8(output.stdout).expect("text");
    let parts: Vec<&str> = text.trim().splitn(3, ',').collect();
    (
        parts[0].parse().expect("a scan"),
        channel(parts[2]),
        parts[1].parse().expect("a temperature"),
    )
}

/// The channel that plays a column.
fn channel(column: &str) -> String {
    column.to_lowercase().replace(' ', "-")
}

/// A lab with one station that plays `path`.
fn configure(place: &Place, path: &Path, log: &Log, ceiling: f64, settings: &str) {
    let (mut wired, mut played) = (String::new(), String::new());
    for (at, column) in log.columns.iter().enumerate() {
        let (comma, input) = (if at == 0 { "" } else { ", " }, at + 1);
        let _ = write!(wired, "{comma}{} = \"tc{input}\"", channel(column));
        let _ = write!(played, "{comma}tc{input} = {column:?}");
    }
    place.configure(
        "",
        &format!(
            "[station.bench-1]\nchannels = {{ {wired} }}\nheat = \"heat1\"\nceiling_celsius = {ceiling}\nfollows_heat = false\n\
             [station.bench-1.driver]\nprogram = \"replayed\"\n[station.bench-1.driver.settings]\n\
             file = {}\ntime_column = \"Time\"\nchannels = {{ {played} }}\nspeed = {SPEED}\nat_end = \"hold\"\n\
             heat = true\ncuts = true\n{settings}\n",
            quoted(path)
        ),
    );
}

/// Checks that the journal's first trip is the one that was picked.
fn tripped_at(client: &Client, picked: &Picked, ceiling: f64) {
    let trip = wait_for("a trip in the journal", || {
        client.journal().into_iter().find(|entry| entry.kind == "trip")
    });
    assert!(
        trip.text.contains("`over-temperature`") && trip.text.contains("(cut)"),
        "{}",
        trip.text
    );
    let told = (
        trip.data["scan"].as_u64().expect("a scan"),
        trip.data["channel"].as_str().expect("a channel"),
        trip.data["value"].as_f64().expect("a value"),
        trip.data["limit"].as_f64().expect("a limit"),
    );
    assert_eq!(
        told,
        (picked.scan, &*picked.channel, picked.celsius, ceiling),
        "{}",
        trip.text
    );
}

/// Plays a file at an idle station: `over-temperature` is armed at all times.
fn idle(path: &Path, columns: &[&'static str], ceiling: f64) -> Picked {
    let log = read(path, columns);
    let picked = by_the_rule(&log, ceiling);
    assert_eq!(
        by_python(path, &log, ceiling),
        (picked.scan, picked.channel.clone(), picked.celsius)
    );
    let place = Place::new();
    configure(&place, path, &log, ceiling, "");
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_for_trip("bench-1", "over-temperature");
    tripped_at(&client, &picked, ceiling);
    let record = place.record_file("bench-1");
    wait_for("the cut in the driver's own record", || {
        changes(&record)
            .into_iter()
            .find(|change| change.why == "cut" && change.fraction <= 0.0)
    });
    picked
}

const SIX: [&str; 6] = ["Shroud", "Cable 1", "Cable 2", "Cable 3", "Cable 4", "Cable 5"];

#[test]
fn the_second_scan_in_a_row_above_the_ceiling_cuts() {
    let picked = idle(&file(RADIANT), &SIX, 200.0);
    // 197.7, 203.2, 208.6 °C stand in rows 41 to 43 of the file.
    assert_eq!(
        picked,
        Picked {
            scan: 43,
            channel: "shroud".into(),
            celsius: 208.6,
            confirmed: true
        }
    );
}

/// Converter steps make the sensor go up and down by 0.32 °C around the ceiling. Single scans above it don't count.
#[test]
fn single_scans_above_the_ceiling_do_not_cut() {
    let (path, ceiling) = (file(TWO_HEATERS), 60.0);
    let log = read(&path, &["T1", "T2"]);
    let picked = idle(&path, &["T1", "T2"], ceiling);
    let first_above = log
        .rows
        .iter()
        .position(|row| row.iter().any(|celsius| *celsius > ceiling));
    let first_above = first_above.expect("something is above") as u64 + 1;
    assert!(
        picked.confirmed && picked.scan > first_above + 1,
        "the file has a single scan first: {first_above}, {picked:?}"
    );
}

/// Every fourth row of the recorded file: between two of them the shroud rises by more than 20 °C.
#[test]
fn one_scan_far_above_the_ceiling_cuts_at_once() {
    let thinned = Place::new();
    let path = thinned.path("every-fourth-row.csv");
    let text = fs::read_to_string(file(RADIANT)).expect("the recorded file");
    let (head, rows) = text.split_once('\n').expect("a head");
    let kept: Vec<&str> = rows.lines().step_by(4).collect();
    fs::write(&path, format!("{head}\n{}\n", kept.join("\n"))).expect("the folder is ours");

    let picked = idle(&path, &SIX, 200.0);
    assert!(!picked.confirmed, "{picked:?}");
    assert!(picked.celsius >= 210.0, "{picked:?}");
}

/// The same while the station heats: the coldest cable is steered, and the shroud passes the ceiling long before.
#[test]
fn a_heating_run_is_cut_at_that_scan() {
    let (path, ceiling) = (file(RADIANT), 200.0);
    let log = read(&path, &SIX);
    let picked = by_the_rule(&log, ceiling);
    assert_eq!(
        by_python(&path, &log, ceiling),
        (picked.scan, picked.channel.clone(), picked.celsius)
    );
    let place = Place::new();
    configure(&place, &path, &log, ceiling, "start_on_heat = true");
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    client
        .put_recipe("recipe = \"steer the coldest\"\nboard_grams = 20000\ncontrol = \"coldest\"\n[[stage]]\ntarget_celsius = 190\ndwell_s = 60\n")
        .expect("a recipe");
    let run = client
        .start("bench-1", "steer the coldest", "A-0017")
        .expect("a run");

    client.wait_for_trip("bench-1", "over-temperature");
    // Heat is off before the record says so.
    let shown = wait_for("the run's outcome", || {
        Some(client.run(run)).filter(|shown| shown.run.outcome.is_some())
    });
    assert_eq!(shown.run.outcome.as_deref(), Some("tripped"));
    let trip = shown
        .journal
        .iter()
        .find(|entry| entry.kind == "trip")
        .expect("the run's trip");
    assert_eq!(trip.data["channel"].as_str(), Some(&*picked.channel));
    assert_eq!(trip.data["value"].as_f64(), Some(picked.celsius));
    assert_eq!(trip.data["limit"].as_f64(), Some(ceiling));

    // The file's first row is repeated until there is heat, so that the scan's number says nothing. The rows of the run
    // do: all of the file up to the one that was picked, with the run going on in every one but that.
    let last = usize::try_from(picked.scan).expect("a few dozen");
    let expected: Vec<Vec<f64>> = log.rows[..last].to_vec();
    let rows = wait_for("the run's readings", || {
        let rows = client.readings(run);
        rows.iter()
            .any(|row| row["shroud_celsius"].parse() == Ok(picked.celsius))
            .then_some(rows)
    });
    let played: Vec<(Vec<f64>, f64, &String)> = rows
        .iter()
        .map(|row| {
            let celsius = SIX.iter().map(|column| {
                row[&format!("{}_celsius", channel(column))]
                    .parse()
                    .expect("a number")
            });
            (
                celsius.collect(),
                row["heat"].parse().expect("a number"),
                &row["phase"],
            )
        })
        .collect();
    let begins = played
        .iter()
        .rposition(|(celsius, _, _)| *celsius == expected[0])
        .expect("the first row was played");
    let played = &played[begins..begins + last];
    for (at, ((celsius, heat, phase), expected)) in played.iter().zip(&expected).enumerate() {
        assert_eq!(celsius, expected, "row {} of the file", at + 1);
        // While a first scan above the ceiling waits for the second one, heat holds back; nothing has tripped yet.
        let waits = expected.iter().any(|celsius| *celsius > ceiling);
        // The cables hardly follow the shroud, so that the guard of a first run may hold heat back from 12 °C of its rise on.
        let held = celsius[0] - played[0].0[0] >= 12.0;
        let (heats, ramps) = (*heat > 0.0, phase.as_str() == "ramp");
        assert_eq!(
            (heats || held && !waits, ramps),
            (!waits, at + 1 < last),
            "row {} of {last}: heat {heat}, phase {phase}",
            at + 1
        );
    }
    // And in the driver's own words: heat, then the cut, and nothing after it.
    let record = changes(&place.record_file("bench-1"));
    let cut = record
        .iter()
        .position(|change| change.why == "cut")
        .expect("a cut in the driver's own record");
    assert!(
        record[..cut].iter().any(|change| change.fraction > 0.0),
        "{record:?}"
    );
    assert!(
        record[cut..].iter().all(|change| change.fraction <= 0.0),
        "{record:?}"
    );
}
