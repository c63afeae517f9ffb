//! The page of benches in `deploy/dashboards`, as somebody in the shop has it: the files as they are shipped, in a real dashboard
//! program at a real broker with the access rules that are shipped, looked at with a real browser.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use benchward_tests::broker::{Broker, PACKAGES, free_port};
use benchward_tests::browser::Browser;
use benchward_tests::daemon::Daemon;
use benchward_tests::dashboard::Dashboard;
use benchward_tests::fault;
use benchward_tests::place::{Place, quoted};
use benchward_tests::programs::{file, system};
use benchward_tests::wait::{wait_for, wait_until, wait_within};
use rustix::process::Signal;
use serde_json::{Value, json};

const RECIPE: &str = "recipe = \"AX-20 backplane\"\nceiling_celsius = 130\n[[stage]]\ntarget_celsius = 60\ndwell_s = 40\n\
                      [[stage]]\ntarget_celsius = 90\ndwell_s = 60\n[cooldown]\nsafe_celsius = 45\n";
const NAME: &str = "AX-20 backplane";

/// A broker with the access rules that come with the project, and the accounts in them. Their passwords are their names.
fn broker(place: &Place) -> Broker {
    let passwords = place.path("passwords");
    fs::write(&passwords, "").expect("ours");
    for user in ["larkfield", "panel-1", "dashboard"] {
        let status = system("mosquitto_passwd", PACKAGES)
            .arg("-b")
            .arg(&passwords)
            .args([user, user])
            .status();
        assert!(status.expect("mosquitto_passwd can be started").success());
        let secret = place.path(&format!("{user}.secret"));
        fs::write(&secret, format!("{user}\n")).expect("ours");
        fs::set_permissions(&secret, fs::Permissions::from_mode(0o600)).expect("ours");
    }
    let port = free_port();
    // As in the shipped mosquitto.conf, it remembers who is to be told what.
    let kept = place.path("mosquitto");
    fs::create_dir(&kept).expect("ours");
    Broker::start_as(
        place,
        port,
        &format!(
            "user root\nlistener {port} 127.0.0.1\nallow_anonymous false\npassword_file {}\nacl_file {}\n\
             persistence true\npersistence_location {}/\nautosave_interval 1\n",
            passwords.display(),
            file("../deploy/mqtt/acl").display(),
            kept.display()
        ),
    )
}

fn configure(place: &Place, broker: &Broker, stations: &[&str]) {
    let benches: String = stations.iter().map(|name| place.simulated(name, "")).collect();
    let section = format!(
        "{}username = \"larkfield\"\npassword_file = {}\n[mqtt.live]\nstate_heartbeat_s = 2\n",
        broker.section(),
        quoted(&place.path("larkfield.secret"))
    );
    place.configure("", &(benches + &section));
}

fn daemon(place: &Place) -> Daemon {
    Daemon::start_with(place, |command| {
        command.args(["--time-scale", "5"]);
    })
}

fn dashboard(place: &Place, broker: &Broker, more: &[(&str, &str)]) -> Dashboard {
    let (address, secret) = (
        format!("mqtt://127.0.0.1:{}", broker.port()),
        place.path("dashboard.secret"),
    );
    let mut settings = vec![
        ("BENCHWARD_BROKER", &*address),
        ("BENCHWARD_LAB", "larkfield"),
        ("BENCHWARD_PASSWORD_FILE", secret.to_str().expect("text")),
    ];
    settings.extend(more);
    Dashboard::start(place, &settings)
}

/// The page, as somebody sees it.
struct Page(Browser);

impl Page {
    fn open(dashboard: &Dashboard) -> Self {
        let mut browser = Browser::start();
        browser.open_at(&dashboard.address(), 1920, false);
        Self(browser)
    }

    /// The names of the benches, from above.
    fn benches(&mut self) -> Value {
        self.0
            .value("[...document.querySelectorAll('[data-bench]')].map(bench => bench.dataset.bench)")
    }

    /// The text of a part of a bench; empty if there is none.
    fn text(&mut self, bench: &str, part: &str) -> String {
        let found = self.0.value(&format!(
            "(document.querySelector('[data-bench={bench}] {part}') || {{innerText: ''}}).innerText"
        ));
        found.as_str().unwrap_or_default().to_owned()
    }

    /// The temperature that is shown.
    fn celsius(&mut self, bench: &str) -> Option<f64> {
        self.text(bench, ".celsius").strip_suffix(" °C")?.parse().ok()
    }

    fn wait_for(&mut self, bench: &str, part: &str, text: &str) {
        let mut last = String::new();
        let came = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            wait_until("the page", || {
                last = self.text(bench, part);
                last.contains(text)
            });
        }));
        assert!(
            came.is_ok(),
            "{bench} {part}: waited for `{text}`, it says `{last}`"
        );
    }

    /// What stands above all benches.
    fn everybody(&mut self) -> String {
        let all = "[...document.querySelectorAll('.everybody')].map(word => word.innerText).join('\\n')";
        self.0.value(all).as_str().unwrap_or_default().to_owned()
    }

    fn everything(&mut self) -> String {
        self.0
            .value("document.querySelector('.benches').innerText")
            .as_str()
            .unwrap_or_default()
            .to_owned()
    }

    /// Nothing that could be taken for what is now.
    fn is_stale(&mut self, bench: &str) {
        self.wait_for(bench, ".phase", "STALE");
        assert_eq!(self.celsius(bench), None);
        self.wait_for(bench, ".handle", "NOT KNOWN");
        self.wait_for(bench, ".do", "heat: not known");
    }
}

#[test]
fn a_page_shows_every_bench_live_and_says_when_it_does_not() {
    let place = Place::new();
    let mut broker = broker(&place);
    configure(&place, &broker, &["bench-1", "bench-2"]);
    let mut dashboard = dashboard(&place, &broker, &[]);
    let mut page = Page::open(&dashboard);
    wait_until("a page without benches", || {
        page.everybody().contains("No bench has spoken yet")
    });

    // Benches come by themselves, and their values are those of the daemon.
    let mut lab = daemon(&place);
    let client = lab.client();
    client.wait_ready(&["bench-1", "bench-2"]);
    wait_until("two benches", || page.benches() == json!(["bench-1", "bench-2"]));
    page.wait_for("bench-2", ".phase", "idle");
    page.wait_for("bench-2", ".handle", "not judged");
    let shown = wait_for("a temperature", || page.celsius("bench-2"));
    let read = client.station("bench-2").control_celsius.expect("it is read");
    assert!((shown - read).abs() < 2.0, "{shown} is shown, {read} is read");
    page.wait_for("bench-2", ".now", "ceiling 260 °C");

    // A run.
    client.put_recipe(RECIPE).expect("a recipe");
    wait_for("a run", || client.start("bench-1", NAME, "A-0017").ok());
    page.wait_for("bench-1", ".phase", "ramp, stage 1 of 2");
    page.wait_for("bench-1", ".now", "target 60 °C");
    page.wait_for("bench-1", ".now", "ceiling 130 °C");
    page.wait_for("bench-1", ".handle", "HOT: HANDS OFF");
    page.wait_for("bench-1", ".board", "board A-0017");
    wait_until("a heat that is shown", || {
        let heat = page.text("bench-1", ".heat");
        heat.split_whitespace()
            .nth(1)
            .and_then(|share| share.parse::<f64>().ok())
            > Some(0.0)
    });
    wait_until("a temperature that rises", || {
        page.celsius("bench-1") > Some(35.0)
    });
    let chart = "document.querySelector('[data-bench=bench-1] .line').getAttribute('d')";
    let drawn = page.0.value(chart).as_str().expect("a path").to_owned();
    wait_until("a chart that goes on", || {
        let now = page.0.value(chart);
        now.as_str()
            .is_some_and(|now| now.len() > drawn.len() && now.contains('L'))
    });
    assert_eq!(page.text("bench-2", ".phase"), "idle", "the other is as it was");

    // A trip, in words, at its bench and in the list of what happened.
    fault::cause(&place.control("bench-1"), r#"{"kind":"open","input":"tc1"}"#);
    page.wait_for("bench-1", ".phase", "TRIPPED, heat off");
    page.wait_for("bench-1", ".words", "sensor-fault");
    page.wait_for("bench-1", ".words", "Channel board-top: open");
    wait_until("the trip in the list", || {
        page.everything().contains("bench-1, sensor-fault")
    });

    // The daemon ends: nothing is current. It comes again with a bench more: nobody has touched the page.
    lab.terminate();
    page.is_stale("bench-1");
    page.is_stale("bench-2");
    assert!(
        page.everybody()
            .contains("larkfield: the lab's daemon is away since")
    );
    configure(&place, &broker, &["bench-1", "bench-2", "bench-3"]);
    lab = daemon(&place);
    wait_until("a third bench", || {
        page.benches() == json!(["bench-1", "bench-2", "bench-3"])
    });
    page.wait_for("bench-3", ".phase", "idle");
    page.wait_for("bench-1", ".phase", "TRIPPED");
    assert_eq!(page.everybody(), "");

    // Killed without a word: the broker says so by its last will.
    lab.kill();
    for bench in ["bench-1", "bench-2", "bench-3"] {
        page.is_stale(bench);
    }
    // A page that is opened only now knows no better.
    let mut late = Page::open(&dashboard);
    late.is_stale("bench-2");
    drop(late);

    // A daemon that hangs is dead to its broker, too, but later; its values run out before.
    lab = daemon(&place);
    page.wait_for("bench-2", ".phase", "idle");
    lab.pause();
    page.is_stale("bench-2");
    lab.go_on();
    page.wait_for("bench-2", ".phase", "idle");

    // The broker is away, and comes again.
    broker.end(Signal::TERM);
    page.is_stale("bench-2");
    wait_until("why it is stale", || {
        page.everybody().contains("no connection to the broker")
    });
    // A trip that nobody can hear of now is told once they can.
    let client = lab.client();
    let stop = |station: &str| {
        client
            .ask(station, async |station| station.stop().await)
            .expect("the owner may");
        client.wait_for_trip(station, "stop");
    };
    stop("bench-2");
    // The page's program comes back first; that the broker keeps trips for it is tried at the end.
    lab.pause();
    let connected = |dashboard: &Dashboard| dashboard.log().matches("Connected to broker").count();
    let before = connected(&dashboard);
    broker.again();
    wait_until("both connections of the page's program", || {
        connected(&dashboard) >= before + 2
    });
    lab.go_on();
    page.wait_for("bench-2", ".words", "pressed stop");
    wait_until("a trip of the outage", || {
        page.everything().contains("bench-2, stop (told later)")
    });

    println!("the dashboard program has {:.0} MB", dashboard.memory_mb());
    // All of it came from this one address.
    let ours = format!("127.0.0.1:{}/", dashboard.port());
    let foreign: Vec<String> = page
        .0
        .requests()
        .into_iter()
        .filter(|url| !url.contains(&ours) && !url.starts_with("data:") && !url.starts_with("blob:"))
        .collect();
    assert_eq!(foreign, [""; 0], "a page in a shop has no internet");

    // The dashboard program itself is gone: only the page can say so.
    wait_until("all is current again", || page.everybody().is_empty());
    dashboard.end();
    page.is_stale("bench-2");
    wait_until("why it is stale", || page.everybody().contains("no news for"));
    // What trips meanwhile the broker keeps for it.
    stop("bench-3");
    let dashboard = self::dashboard(&place, &broker, &[]);
    let mut page = Page::open(&dashboard);
    page.wait_for("bench-3", ".phase", "TRIPPED");
    wait_until("a trip while the program was away", || {
        page.everything().contains("bench-3, stop")
    });
}

#[test]
fn the_flow_reads_and_does_nothing_else() {
    let text = fs::read_to_string(file("../deploy/dashboards/flows.json")).expect("the flow");
    let flow: Value = serde_json::from_str(&text).expect("JSON");
    for node in flow.as_array().expect("nodes") {
        let kind = node["type"].as_str().expect("a type");
        // What there may be in it. None of these publishes, writes a file, runs a program or asks the network; the one that talks to
        // the broker also has no birth, will or goodbye to say.
        assert!(
            [
                "tab",
                "inject",
                "function",
                "mqtt in",
                "mqtt-broker",
                "status",
                "ui-template",
                "ui-base",
                "ui-page",
                "ui-group",
                "ui-theme"
            ]
            .contains(&kind),
            "{kind}: {node}"
        );
        assert!(node["credentials"].is_null(), "{node}");
        if kind == "mqtt-broker" {
            for topic in ["birthTopic", "closeTopic", "willTopic"] {
                assert_eq!(node[topic], "", "{topic}");
            }
        }
        if kind == "ui-template" {
            assert_eq!(node["wires"], json!([[]]), "what the page says goes nowhere");
        }
    }
    // It is what its sources make.
    let made = Command::new("node")
        .arg(file("../deploy/dashboards/benches/make"))
        .arg("--check")
        .output()
        .expect("node can be started");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
}

#[test]
fn a_password_that_others_may_read_is_refused() {
    let place = Place::new();
    let secret = place.path("dashboard.secret");
    fs::write(&secret, "dashboard\n").expect("ours");
    fs::set_permissions(&secret, fs::Permissions::from_mode(0o644)).expect("ours");
    let output = Command::new("node")
        .arg(file("../deploy/dashboards/settings.js"))
        .env("BENCHWARD_PASSWORD_FILE", &secret)
        .output()
        .expect("node can be started");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(!output.status.success());
    assert!(
        said.contains("dashboard.secret has the mode 0644") && said.contains("chmod 0640"),
        "{said}"
    );
}

/// Not a test of its own: makes the picture that the README shows, where `BENCHWARD_PICTURE` says. `tests/render-dashboard`
/// calls it.
#[test]
fn a_picture_for_the_readme() {
    let Some(picture) = std::env::var_os("BENCHWARD_PICTURE") else {
        return;
    };
    let place = Place::new();
    let broker = broker(&place);
    configure(&place, &broker, &["bench-1", "bench-2", "bench-3"]);
    // At its own pace, so that the lab's times are those of the page's clock.
    let lab = Daemon::start(&place);
    let dashboard = dashboard(&place, &broker, &[("BENCHWARD_CHART_MINUTES", "10")]);
    let mut page = Page::open(&dashboard);
    let client = lab.client();
    client.wait_ready(&["bench-1", "bench-2", "bench-3"]);
    client.put_recipe(RECIPE).expect("a recipe");
    let wait = |what: &str, is: &mut dyn FnMut() -> bool| {
        wait_within(Duration::from_mins(12), what, || {
            std::thread::sleep(Duration::from_millis(200));
            is().then_some(())
        });
    };
    wait_for("a run", || client.start("bench-3", NAME, "A-0016").ok());
    wait("a second stage", &mut || {
        page.text("bench-3", ".phase").contains("dwell, stage 2 of 2")
    });
    wait_for("a run", || client.start("bench-2", NAME, "A-0018").ok());
    wait("a second stage", &mut || {
        page.text("bench-2", ".phase").contains("ramp, stage 2 of 2")
    });
    fault::cause(&place.control("bench-2"), r#"{"kind":"open","input":"tc2"}"#);
    wait("a board that has cooled", &mut || {
        page.celsius("bench-3").is_some_and(|celsius| celsius < 56.0)
            && !page.text("bench-3", ".phase").contains("stage")
    });
    wait_for("a run", || client.start("bench-1", NAME, "A-0017").ok());
    wait("a dwell, and a board that is safe", &mut || {
        page.text("bench-1", ".phase").contains("stage 2") && page.text("bench-3", ".handle").contains("SAFE")
    });
    fs::write(Path::new(&picture), page.0.picture()).expect("the picture can be written");
}
