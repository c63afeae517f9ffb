//! What a run says of its board is learned, kept, shown and used by the next run, with the real daemon and a simulated bench
//! in scaled time.

use benchward_api::shapes;
use benchward_archive::{Archive, Document, Wall};
use benchward_tests::client::Client;
use benchward_tests::command::{Done, benchward};
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::wait::wait_until;

/// The kind of board of both recipes.
const BOARD: &str = "AX-20 backplane";

/// Heats and dwells for long enough to tell.
const PREHEAT: &str = "recipe = \"AX-20 preheat\"\nboard = \"AX-20 backplane\"\n[[stage]]\ntarget_celsius = 90\n\
                       dwell_s = 40\n";

/// Another recipe for the same kind of board.
const DRY: &str =
    "recipe = \"AX-20 dry\"\nboard = \"AX-20 backplane\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 600\n";

fn in_scaled_time(place: &Place) -> Daemon {
    let daemon = Daemon::start_with(place, |command| {
        command.args(["--time-scale", "10"]);
    });
    daemon.client().wait_ready(&["bench-1"]);
    daemon
}

/// `benchward board WORDS --json`.
fn board(place: &Place, words: &[&str]) -> Done {
    let words: Vec<&str> = ["--json", "board"].iter().chain(words).copied().collect();
    benchward(place, &words)
}

fn learned(done: &Done) -> shapes::BoardLearned {
    assert_eq!(done.code, 0, "{done:?}");
    serde_json::from_str(&done.stdout).expect("what was learned")
}

fn boards(done: &Done) -> shapes::Boards {
    assert_eq!(done.code, 0, "{done:?}");
    serde_json::from_str(&done.stdout).expect("boards")
}

fn refused(done: &Done, code: i32, error: &str, part: &str) {
    let said = (done.code, &done.json()["error"]);
    assert_eq!(said, (code, &error.into()), "{done:?}");
    let text = done.json()["text"].as_str().expect("a sentence").to_owned();
    assert!(text.contains(part), "{text}");
}

fn started(place: &Place, recipe: &str) -> Done {
    let done = benchward(
        place,
        &[
            "run", "start", "bench-1", "--recipe", recipe, "--serial", "A-0017",
        ],
    );
    assert_eq!(done.code, 0, "{done:?}");
    done
}

fn wait_ended(client: &Client, run: u64) {
    wait_until(&format!("the record of run {run} is closed"), || {
        client.run(run).run.ended.is_some()
    });
}

fn beginning(client: &Client, run: u64) -> String {
    let mut journal = client.journal().into_iter();
    let entry = journal.find(|entry| entry.kind == "run-started" && entry.run == Some(run));
    entry.expect("a beginning").text
}

#[test]
fn a_run_teaches_and_the_next_one_knows() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let mut daemon = in_scaled_time(&place);
    let client = daemon.client();
    for recipe in [PREHEAT, DRY] {
        client.put_recipe(recipe).expect("the owner may");
    }
    assert_eq!(boards(&board(&place, &["list"])).models, []);
    refused(&board(&place, &["show", BOARD]), 2, "NoSuch", BOARD);
    refused(&board(&place, &["learn", "7"]), 2, "NoSuch", "run 7");

    // A run that was stopped at once says what is missing, and one that heats has to end first.
    let first = started(&place, "AX-20 preheat");
    assert!(
        first.stdout.contains("first run on an unknown board"),
        "{first:?}"
    );
    refused(&board(&place, &["learn", "1"]), 4, "NotReady", "still heats");
    client
        .ask("bench-1", async |station| station.stop_run().await)
        .expect("anybody may stop");
    wait_ended(&client, 1);
    refused(
        &board(&place, &["learn", "1"]),
        1,
        "NothingLearned",
        "at least 60 are needed",
    );
    assert!(client.journal().iter().all(|entry| entry.kind != "board-model"));

    started(&place, "AX-20 preheat");
    wait_ended(&client, 2);
    assert_eq!(client.run(2).run.outcome.as_deref(), Some("completed"));
    assert_eq!(client.run(2).board_model, None);
    assert!(!beginning(&client, 2).contains("known board"));

    let tried = learned(&board(&place, &["learn", "2", "--dry-run"]));
    assert_eq!((tried.stored, tried.model.revision), (false, 0));
    assert_eq!(boards(&board(&place, &["list"])).models, []);

    let found = learned(&board(&place, &["learn", "2"]));
    let model = &found.model;
    assert!(found.stored && found.schema == 1);
    assert_eq!(
        (&*model.board, &*model.station, model.revision, model.run),
        (BOARD, "bench-1", 1, 2)
    );
    assert!((model.room_celsius - 24.0).abs() < 1.0, "{model:?}");
    assert!(
        model.rms_celsius < 2.0 && model.worst_celsius >= model.rms_celsius,
        "{model:?}"
    );
    let determined: Vec<&str> = model
        .parameters
        .iter()
        .filter(|one| one.determined)
        .map(|one| &*one.parameter)
        .collect();
    assert_eq!(model.parameters.len(), 8);
    assert!(
        determined.contains(&"rise_celsius_per_s") && determined.contains(&"heater_lag_s"),
        "{determined:?}"
    );
    for one in &model.parameters {
        assert!(one.value > 0.0 && one.standard_error > 0.0, "{one:?}");
        assert_eq!(one.determined, one.text.is_empty(), "{one:?}");
    }
    let entry = client
        .journal()
        .into_iter()
        .rfind(|entry| entry.kind == "board-model")
        .expect("a journal entry");
    assert_eq!(entry.who.as_deref(), Some(&*model.by));
    assert_eq!(entry.station.as_deref(), Some("bench-1"));
    assert!(
        entry.text.contains(BOARD) && entry.text.contains("run 2"),
        "{}",
        entry.text
    );

    let listed = boards(&board(&place, &["list"]));
    assert_eq!(listed.models.as_slice(), std::slice::from_ref(model));
    let shown = boards(&board(&place, &["show", BOARD, "--station", "bench-1"]));
    assert_eq!(shown.models, listed.models);
    refused(
        &board(&place, &["show", BOARD, "--station", "bench-2"]),
        2,
        "NoSuch",
        "bench-2",
    );
    let text = benchward(&place, &["board", "show", BOARD]).stdout;
    assert!(
        text.contains("rise_celsius_per_s") && text.contains("run 2"),
        "{text}"
    );

    // The next run on such a board knows it, whatever its recipe is called.
    let known = "(revision 1, learned from run 2)";
    let next = started(&place, "AX-20 dry");
    assert!(next.stdout.contains(&format!("known board {known}")), "{next:?}");
    let text = beginning(&client, 3);
    assert!(
        text.contains(&format!("known board \"{BOARD}\" {known}")),
        "{text}"
    );
    let kept = client.run(3).board_model.expect("it is in the record");
    assert_eq!((&*kept.board, kept.revision, kept.learned_from), (BOARD, 1, 2));
    let text = benchward(&place, &["run", "show", "3"]).stdout;
    assert!(text.contains(&format!("known board {known}")), "{text}");

    // It is there with no daemon, and after a restart.
    daemon.terminate();
    let archive = place.archive();
    let folder = archive.to_str().expect("text");
    assert_eq!(
        boards(&board(&place, &["list", "--archive", folder])).models,
        listed.models
    );
    let daemon = in_scaled_time(&place);
    let client = daemon.client();
    assert_eq!(boards(&board(&place, &["list"])).models, listed.models);
    client.wait_ready(&["bench-1"]);
    let run = client
        .start("bench-1", "AX-20 preheat", "A-0018")
        .expect("it is ready");
    assert!(beginning(&client, run).contains(known));

    // Under another name it is another board.
    let other = learned(&board(&place, &["learn", "2", "--board", "QM-4 front end"]));
    assert_eq!((&*other.model.board, other.model.revision), ("QM-4 front end", 1));
    assert_eq!(boards(&board(&place, &["list"])).models.len(), 2);
    refused(
        &board(&place, &["learn", "2", "--board", &"b".repeat(61)]),
        2,
        "Invalid",
        "61 characters",
    );
}

#[test]
fn a_model_that_makes_no_sense_steers_nothing() {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let now = Wall::now();
    let (mut writer, _, _) = Archive::open(place.archive(), "larkfield", now).expect("an archive");
    let hot = r#"{"schema":1,"board":"AX-20 backplane","station":"bench-1","run":7,"parameters":[
        {"name":"rise_celsius_per_s","value":1e9,"standard_error":1e8}]}"#;
    for (board, text) in [(BOARD, hot), ("QM-4 front end", "no JSON")] {
        writer
            .put_document(Document::BoardModel, &format!("{board} @ bench-1"), text)
            .expect("it fits");
    }
    writer.commit().expect("it is kept");
    writer.close(now).expect("it closes");

    let daemon = in_scaled_time(&place);
    let client = daemon.client();
    let listed = boards(&board(&place, &["list"]));
    assert!(
        listed.models[0]
            .text
            .contains("`rise_celsius_per_s` is 1000000000"),
        "{listed:?}"
    );
    assert!(
        listed.unreadable[0].contains("QM-4 front end @ bench-1"),
        "{listed:?}"
    );
    client.put_recipe(PREHEAT).expect("the owner may");
    let recipe = DRY.replace("AX-20", "QM-4").replace("backplane", "front end");
    client.put_recipe(&recipe).expect("the owner may");
    for (run, (recipe, said)) in (1..).zip([
        ("AX-20 preheat", "outside 0.001 to 100"),
        ("QM-4 dry", "can't be read"),
    ]) {
        let first = started(&place, recipe);
        assert!(
            first.stdout.contains("first run on an unknown board"),
            "{first:?}"
        );
        assert_eq!(client.run(run).board_model, None);
        wait_until("the journal says why", || {
            client
                .journal()
                .iter()
                .any(|entry| entry.kind == "board-model" && entry.text.contains(said))
        });
        client
            .ask("bench-1", async |station| station.stop_run().await)
            .expect("anybody may stop");
        wait_ended(&client, run);
    }
}
