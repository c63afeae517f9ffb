//! From one run to the next recipe: a board is learned, a recipe for it is planned and stored, its run says beforehand what
//! will come when and keeps saying it, and what came is compared. With the real daemon and a simulated bench in scaled time.

use benchward_api::shapes;
use benchward_archive::Wall;
use benchward_tests::client::Client;
use benchward_tests::command::{Done, benchward};
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::wait::wait_until;

const BOARD: &str = "AX-20 backplane";

const PREHEAT: &str = "recipe = \"AX-20 preheat\"\nboard = \"AX-20 backplane\"\n[[stage]]\ntarget_celsius = 80\n\
                       dwell_s = 30\n[cooldown]\nsafe_celsius = 50\n";

fn done(place: &Place, words: &[&str]) -> Done {
    let done = benchward(place, words);
    assert_eq!(done.code, 0, "{done:?}");
    done
}

fn wait_ended(client: &Client, run: u64) {
    wait_until(&format!("the record of run {run} is closed"), || {
        client.run(run).run.ended.is_some()
    });
}

fn seconds(from: &str, to: &str) -> f64 {
    let time = |text: &str| text.parse::<Wall>().expect("a time").0;
    let ms = i32::try_from(time(to) - time(from)).expect("a run is shorter");
    f64::from(ms) / 1_000.0
}

/// Within a third and a few seconds: a busy machine and a lab ten times as fast as the clock; the figures are measured elsewhere.
fn near(foretold: &shapes::Moment, came_s: f64) {
    let likely = foretold.likely_s.unwrap_or_else(|| panic!("{foretold:?}"));
    assert!(
        (likely - came_s).abs() < 0.33 * came_s + 5.0,
        "{foretold:?}, and it came after {came_s} s"
    );
    let (earliest, latest) = (foretold.earliest_s.expect("one"), foretold.latest_s.expect("one"));
    assert!(earliest < likely && likely < latest, "{foretold:?}");
}

#[test]
fn a_run_teaches_a_recipe_is_planned_and_what_was_foretold_comes() {
    let place = Place::new();
    // A board in a draught cools soon.
    place.configure("", &place.simulated("bench-1", "convection = 1.6\n"));
    let daemon = Daemon::start_with(&place, |command| {
        command.args(["--time-scale", "10"]);
    });
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    client.put_recipe(PREHEAT).expect("the owner may");
    let plan = [
        "--json",
        "board",
        "plan",
        BOARD,
        "--station",
        "bench-1",
        "--final",
        "95",
        "--ramp-max",
        "1.2",
        "--dwell",
        "20",
        "--safe",
        "50",
    ];
    let unknown = benchward(&place, &plan);
    assert_eq!(
        (unknown.code, &unknown.json()["error"]),
        (2, &"NoSuch".into()),
        "{unknown:?}"
    );

    // Of a board that nobody knows, nothing is promised at its start.
    let start = |recipe: &str| {
        let words = [
            "run", "start", "bench-1", "--recipe", recipe, "--serial", "A-0017",
        ];
        done(&place, &words).stdout
    };
    let first = start("AX-20 preheat");
    assert!(!first.contains("safe to handle"), "{first}");
    wait_ended(&client, 1);
    assert_eq!(client.run(1).prediction, None);
    done(&place, &["board", "learn", "1"]);

    let said: shapes::BoardPlan = serde_json::from_str(&done(&place, &plan).stdout).expect("a plan");
    assert_eq!((said.revision, said.model_revision), (None, 1));
    assert!(said.curve.len() > 50 && said.unknown.is_empty(), "{said:?}");
    let channels: Vec<&str> = said.channels.iter().map(|one| &*one.channel).collect();
    assert_eq!(channels, ["board-top", "board-edge"]);
    assert!(said.spread.is_some() && said.said.is_empty(), "{said:?}");
    assert!(benchward(&place, &["recipe", "show", &said.recipe]).code != 0);
    let mut wrong = plan.to_vec();
    wrong.extend(["--supply-share", "1.5"]);
    let wrong = benchward(&place, &wrong);
    assert_eq!(
        (wrong.code, &wrong.json()["error"]),
        (2, &"Invalid".into()),
        "{wrong:?}"
    );
    let mut put = plan[1..].to_vec();
    put.extend(["--put", "--spread-max", "30"]);
    put.extend(["--part", "board-edge:140", "--part", "relay:150"]);
    let page = done(&place, &put).stdout;
    for part in [
        "target_celsius = 95",
        "ramp_celsius_per_s_max = 1.2",
        "governed by",
        "AT THE END OF THE DWELL",
        "the spread comes to",
        "`board-edge` gets to",
        "how hot `relay` gets can't be told",
        "revision 1",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }

    let second = start(&said.recipe);
    for part in ["stage 1", "heat ends", "safe to handle", "between"] {
        assert!(second.contains(part), "{part}: {second}");
    }
    // It is kept current: what is shown counts from another moment than the start.
    let began = client.run(2).run.started;
    wait_until("the prediction is made anew", || {
        let shown = client.status().stations[0].prediction.clone();
        shown.is_some_and(|shown| {
            shown
                .from
                .as_deref()
                .is_some_and(|from| seconds(&began, from) > 5.0)
        })
    });
    wait_ended(&client, 2);
    let run = client.run(2);
    assert_eq!(run.run.outcome.as_deref(), Some("completed"));
    let foretold = run.prediction.clone().expect("it was foretold");
    let reached = run.stages[0].reached.as_deref().expect("it got there");
    near(&foretold.stages[0].arrival, seconds(&run.run.started, reached));
    let safe = run.journal.iter().find(|entry| entry.kind == "safe");
    let safe = &safe.expect("it cooled").at;
    near(&foretold.safe, seconds(&run.run.started, safe));
    let page = done(&place, &["run", "show", "2"]).stdout;
    assert!(
        page.contains("FORETOLD AFTER") && page.contains("CAME AFTER"),
        "{page}"
    );
}
