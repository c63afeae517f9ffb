//! The configuration is read again while a bench heats: what faces people and the plant counts at once, what a bench is made of
//! waits, and a file with a mistake changes nothing. No bench notices any of it.

use std::fs;

use benchward_tests::broker::{Broker, free_port, section_at};
use benchward_tests::client::Client;
use benchward_tests::command::benchward;
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::record;
use benchward_tests::scrape;
use benchward_tests::user::{OPERATE, ROLES, SAFETY, as_user, can_be_others};
use benchward_tests::wait::wait_for;
use rustix::process::{Signal, kill_process};

/// Where a broker is told whether the lab is there.
const ONLINE: &str = "benchward/larkfield/online";

/// Heat on a bench, of which nothing may be lost.
struct Heats<'a> {
    place: &'a Place,
    client: &'a Client,
}

impl<'a> Heats<'a> {
    fn begin(place: &'a Place, client: &'a Client) -> Self {
        client.wait_ready(&["bench-1"]);
        client.put_recipe(HOLD).expect("a recipe");
        client.start("bench-1", HOLD_NAME, "A-0017").expect("a run");
        record::wait_for_heat(&place.record_file("bench-1"), 0.0);
        Self { place, client }
    }

    /// The run goes on, nothing has tripped, and heat was never taken away.
    fn goes_on(&self) {
        let station = self.client.station("bench-1");
        assert!(station.run.is_some(), "{station:?}");
        assert!(
            station.interlocks.iter().all(|one| one.standing == "clear"),
            "{station:?}"
        );
        for change in record::changes(&self.place.record_file("bench-1")) {
            assert_eq!(change.why, "heat", "{change:?}");
        }
    }
}

fn journal(client: &Client) -> String {
    client
        .journal()
        .into_iter()
        .filter(|entry| entry.kind == "config")
        .map(|entry| entry.text)
        .collect::<Vec<_>>()
        .join("\n")
}

#[test]
fn broker_metrics_and_scale_are_exchanged_under_heat() {
    let place = Place::new();
    let elsewhere = Place::new();
    let (first, second) = (Broker::start(&place), Broker::start(&elsewhere));
    let bench = place.simulated("bench-1", "");
    place.configure("", &format!("{bench}{}", first.section()));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    let heats = Heats::begin(&place, &client);
    let (at_first, at_second) = (first.subscribe(), second.subscribe());
    at_first.wait_for(ONLINE, "the lab is there", |message| message.payload == true);

    place.configure(
        "display = \"fahrenheit\"",
        &format!("{bench}{}{}", second.section(), scrape::SECTION),
    );
    let done = benchward(&place, &["--json", "config", "reload"]);
    assert_eq!(done.code, 0, "{done:?}");
    let said: serde_json::Value = serde_json::from_str(&done.stdout).expect("JSON");
    assert_eq!(
        said["now"],
        serde_json::json!(["`display` in [lab]", "[mqtt]", "[metrics]"])
    );
    assert_eq!(said["next_start"], serde_json::json!([]));
    // The broker that was left was told so; the other one has the lab.
    at_first.wait_for(ONLINE, "goodbye", |message| message.payload == false);
    at_second.wait_for(ONLINE, "the lab is here", |message| message.payload == true);
    at_second.wait_for("benchward/larkfield/bench-1/history/run", "the run", |_| true);
    let page = scrape::page(scrape::address(&daemon), "text/plain").1;
    assert!(page.contains("benchward_heat_ratio"), "{page}");
    let status = benchward(&place, &["status"]);
    assert!(status.stdout.contains("°F"), "{status:?}");
    heats.goes_on();

    // Away from a broker that has died, to one that isn't there: nothing waits for either.
    drop(second);
    place.configure("", &format!("{bench}{}", section_at(free_port())));
    let done = benchward(&place, &["config", "reload"]);
    assert_eq!(done.code, 0, "{done:?}");
    assert!(
        done.stdout
            .contains("from now on, `display` in [lab], [mqtt], [metrics]"),
        "{done:?}"
    );
    heats.goes_on();

    let again = benchward(&place, &["config", "reload"]);
    assert!(again.stdout.contains("says what counts already"), "{again:?}");
}

#[test]
fn what_a_bench_is_made_of_waits_and_a_mistake_changes_nothing() {
    let place = Place::new();
    let bench = place.simulated("bench-1", "");
    place.configure("", &bench);
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    let heats = Heats::begin(&place, &client);

    place.configure(
        "display = \"fahrenheit\"",
        &format!(
            "{bench}{}[ceiling]\ncelsius = 300\n",
            place.simulated("bench-2", "")
        ),
    );
    let done = benchward(&place, &["config", "reload"]);
    assert_eq!(done.code, 0, "{done:?}");
    for waits in [
        "from the daemon's next start on",
        "[station.bench-2] (new)",
        "[ceiling]",
    ] {
        assert!(done.stdout.contains(waits), "{done:?}");
    }
    assert_eq!(client.status().stations.len(), 1);
    let limits = benchward(&place, &["--json", "limit", "show"]);
    assert!(limits.stdout.contains("260"), "{limits:?}");

    // With the mistake comes a section that would count at once: it doesn't.
    place.configure("display = \"celsius\"\nnmae = 3", &bench);
    let refused = benchward(&place, &["config", "reload"]);
    assert_eq!(refused.code, 2, "{refused:?}");
    for named in ["lab.toml", "nmae", "all stays as it was"] {
        assert!(refused.stderr.contains(named), "{refused:?}");
    }
    assert!(benchward(&place, &["status"]).stdout.contains("°F"));

    fs::remove_file(place.config()).expect("it is ours");
    let gone = benchward(&place, &["config", "reload"]);
    assert_eq!(gone.code, 2, "{gone:?}");
    assert!(gone.stderr.contains("can't read"), "{gone:?}");

    // By signal, as a service manager does it; the journal says what came of it.
    place.configure("", &bench);
    kill_process(daemon.pid(), Signal::HUP).expect("it is ours");
    let journal = wait_for("what came of the signal", || {
        let journal = journal(&client);
        journal
            .contains("now in force: `display` in [lab]")
            .then_some(journal)
    });
    assert!(journal.contains("all stays as it was"), "{journal}");
    assert!(benchward(&place, &["status"]).stdout.contains("°C"));
    heats.goes_on();
}

#[test]
fn roles_are_exchanged_by_who_holds_safety_and_by_nobody_else() {
    if !can_be_others() {
        return;
    }
    let place = Place::new();
    let bench = place.simulated("bench-1", "");
    place.configure("", &format!("{ROLES}{bench}"));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    let reload = |(_, gid): (&str, u32)| {
        let output = as_user(2, &[gid])
            .arg(benchward_tests::programs::program("benchward"))
            .arg("--socket")
            .arg(place.socket())
            .args(["config", "reload"])
            .output()
            .expect("setpriv can be started");
        benchward_tests::command::Done::of(&output)
    };
    // From now on it is the other group that has `safety`.
    let swapped = ROLES
        .replace("safety = [\"mail\"]", "safety = [\"games\"]")
        .replace("operate = [\"games\"]", "operate = [\"mail\"]");
    place.configure("", &format!("{swapped}{bench}"));
    let refused = reload(OPERATE);
    assert_eq!(refused.code, 3, "{refused:?}");
    assert!(refused.stderr.contains("the role `safety`"), "{refused:?}");
    let done = reload(SAFETY);
    assert_eq!(done.code, 0, "{done:?}");
    assert!(done.stdout.contains("[roles]"), "{done:?}");
    // The same two, the other way round.
    assert_eq!(reload(SAFETY).code, 3);
    assert_eq!(reload(OPERATE).code, 0);
    let journal = journal(&client);
    assert!(
        journal.contains("has the configuration read again") && journal.contains("now in force: [roles]"),
        "{journal}"
    );
}
