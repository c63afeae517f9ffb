//! What survives when the daemon is killed in the middle of its work, again and again.

use std::time::Duration;

use benchward_tests::clock::{wall_ms, wall_of};
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::wait::wait_for;

/// How often the daemon is killed, unless `$BENCHWARD_KILLS` says otherwise.
const KILLS: u32 = 10;

/// Readings that may be lost at most, as time before the kill.
const LOST_MS_MAX: i64 = 500;

/// Between two scans. A reading that would have come after the kill is not lost.
const PERIOD_MS: i64 = 100;

/// What the daemon has said yes to. All of it has to be there afterwards.
#[derive(Debug, Default)]
struct Acknowledged {
    runs: Vec<(u64, String)>,
    recipe_revision: u32,
    ceiling: f64,
    station_ceiling: f64,
    presences: usize,
    ceilings: usize,
    /// Entries of the journal, and the hash of the last one.
    entries: u64,
    head: String,
}

fn kills() -> u32 {
    match std::env::var("BENCHWARD_KILLS") {
        Ok(text) => text
            .parse()
            .unwrap_or_else(|error| panic!("BENCHWARD_KILLS={text}: {error}")),
        Err(_) => KILLS,
    }
}

/// When to kill, in ms after the last acknowledged request: spread over a second by the golden ratio, so that no two
/// rounds meet the archive at the same point of its own rhythm.
fn delay(round: u32) -> Duration {
    Duration::from_secs_f64((f64::from(round) * 0.618_033_988_75).fract())
}

#[test]
fn a_killed_daemon_loses_nothing_that_it_acknowledged() {
    let place = Place::new();
    let toml =
        place.simulated("bench-1", "") + &place.simulated("bench-2", "") + &place.simulated("bench-3", "");
    place.configure("", &toml);
    let (mut known, mut killed_wall) = (Acknowledged::default(), 0);

    for round in 0..=kills() {
        let mut daemon = Daemon::start(&place);
        let client = daemon.client();

        // What was acknowledged before the last kill.
        let verified = client.verify();
        assert!(verified.ok, "round {round}: {verified:?}");
        assert!(
            verified.entries >= known.entries,
            "round {round}: the journal is shorter"
        );
        let journal = client.journal();
        if known.entries > 0 {
            let place = usize::try_from(known.entries - 1).expect("a few thousand");
            assert_eq!(
                journal[place].hash, known.head,
                "round {round}: the journal is another one"
            );
        }
        let count = |kind: &str, part: &str| {
            journal
                .iter()
                .filter(|entry| entry.kind == kind && entry.text.contains(part))
                .count()
        };
        assert!(
            count("present", "bench-1") >= known.presences,
            "round {round}: presence"
        );
        for (run, serial) in &known.runs {
            let shown = client.run(*run).run;
            assert_eq!(
                (shown.outcome.as_deref(), &shown.serial),
                (Some("lost"), serial),
                "round {round}: run {run}"
            );
        }
        for (run, _) in known.runs.iter().rev().take(2) {
            let rows = client.readings(*run);
            let last = rows
                .last()
                .unwrap_or_else(|| panic!("round {round}: run {run} has no readings"));
            let older_ms = killed_wall - wall_of(&last["time"]);
            assert!(
                older_ms <= LOST_MS_MAX + PERIOD_MS,
                "round {round}: the last reading of run {run} is {older_ms} ms older than the kill"
            );
        }
        if round > 0 {
            assert_eq!(
                client.tripped("bench-3"),
                ["stop"],
                "round {round}: the trip stands"
            );
            let refused = client
                .start("bench-3", HOLD_NAME, "A-0017")
                .expect_err("a trip stands");
            assert_eq!(refused.word(), "Tripped", "{}", refused.text());
            let status = client.status();
            assert_eq!(
                status.ceiling_celsius.to_bits(),
                known.ceiling.to_bits(),
                "round {round}: the lab's ceiling"
            );
            let station = client.station("bench-2").ceiling_celsius;
            assert_eq!(
                station.to_bits(),
                known.station_ceiling.to_bits(),
                "round {round}: the station's ceiling"
            );
            let recipe = client
                .recipes(async |recipes| recipes.show(HOLD_NAME, 0).await)
                .expect("the recipe");
            let shown: benchward_api::shapes::RecipeShown =
                serde_json::from_str(&recipe).expect("a recipe's shape");
            assert_eq!(shown.revision, known.recipe_revision, "round {round}");
            assert!(
                count("limit", "") >= known.ceilings,
                "round {round}: limits in the journal"
            );
        }
        if round == kills() {
            break;
        }

        // More to lose.
        client.wait_ready(&["bench-1", "bench-2", "bench-3"]);
        known.ceiling = 200.0 + f64::from(round % 50);
        known.station_ceiling = 100.0 + f64::from(round % 50);
        client
            .lab(async |lab| lab.set_ceiling(known.ceiling).await)
            .expect("the owner may");
        let ceiling = known.station_ceiling;
        client
            .ask("bench-2", async |station| station.set_ceiling(ceiling).await)
            .expect("the owner may");
        known.ceilings += 2;
        known.recipe_revision = client
            .put_recipe(&format!("# round {round}\n{HOLD}"))
            .expect("the owner may");
        if round == 0 {
            client
                .ask("bench-3", async |station| station.stop().await)
                .expect("the owner may");
        }
        for station in ["bench-1", "bench-2"] {
            let serial = format!("{station}-{round}");
            let run = client.start(station, HOLD_NAME, &serial).expect("the owner may");
            known.runs.push((run, serial));
        }
        for _ in 0..3 {
            client
                .ask("bench-1", async |station| station.present().await)
                .expect("the owner may");
            known.presences += 1;
        }
        wait_for("readings of both runs", || {
            known
                .runs
                .iter()
                .rev()
                .take(2)
                .all(|(run, _)| client.readings(*run).len() > 3)
                .then_some(())
        });
        let verified = client.verify();
        (known.entries, known.head) = (verified.entries, verified.head);
        std::thread::sleep(delay(round));
        killed_wall = wall_ms();
        daemon.kill();
    }
}
