//! Who may do what, with real users and groups: the kernel or the bus says who calls, and nobody is asked.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;

use benchward_api::{LAB_PATH, station_path};
use benchward_tests::bus::Bus;
use benchward_tests::client::Client;
use benchward_tests::command::Done;
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::programs::program;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::user::{OPERATE, PROCESS, ROLES, SAFETY, as_user, can_be_others};

/// A user that every Debian has, and that owns nothing here.
const OTHER: (&str, u32) = ("daemon", 1);

/// A lab with one bench, and the command line where every user can run it.
struct Shop {
    place: Place,
    daemon: Daemon,
    client: Client,
    bus: Bus,
}

impl Shop {
    fn open(roles: &str) -> Self {
        let place = Place::new();
        let bus = Bus::start(&place);
        place.configure(
            "bus = \"session\"",
            &format!("{roles}{}", place.simulated("bench-1", "")),
        );
        let copy = place.path("benchward");
        fs::copy(program("benchward"), &copy).expect("the folder is ours");
        fs::set_permissions(&copy, fs::Permissions::from_mode(0o755)).expect("it is ours");
        fs::write(place.path("hold.toml"), HOLD).expect("the folder is ours");
        let daemon = Daemon::start_with(&place, |command| {
            command.env("DBUS_SESSION_BUS_ADDRESS", bus.address());
        });
        let client = daemon.client();
        client.wait_ready(&["bench-1"]);
        bus.wait_for_lab();
        Self {
            place,
            daemon,
            client,
            bus,
        }
    }

    /// `benchward WORDS` over the private socket as another user.
    fn run(&self, uid: u32, groups: &[u32], words: &[&str]) -> Done {
        let output = as_user(uid, groups)
            .arg(self.place.path("benchward"))
            .arg("--json")
            .arg("--socket")
            .arg(self.place.socket())
            .args(words)
            .env_remove("BENCHWARD_SOCKET")
            .output()
            .expect("setpriv can be started");
        Done::of(&output)
    }

    fn allowed(&self, uid: u32, groups: &[u32], words: &[&str]) {
        let done = self.run(uid, groups, words);
        assert_eq!(done.code, 0, "uid {uid} in {groups:?} may {words:?}: {done:?}");
    }

    fn denied(&self, uid: u32, groups: &[u32], words: &[&str]) {
        let done = self.run(uid, groups, words);
        assert_eq!(
            done.code, 3,
            "uid {uid} in {groups:?} may not {words:?}: {done:?}"
        );
        assert_eq!(done.json()["error"], "NotPermitted", "{done:?}");
        let (name, _) = OTHER;
        let who = if uid == 0 { "root" } else { name };
        let entry = self
            .client
            .journal()
            .into_iter()
            .rfind(|entry| entry.kind == "refused")
            .expect("a journal entry");
        assert_eq!(entry.who.as_deref(), Some(who), "{}", entry.text);
        assert!(
            done.json()["text"]
                .as_str()
                .is_some_and(|text| text.contains(who)),
            "{done:?}"
        );
    }

    fn start_words(&self) -> [&'static str; 7] {
        assert_eq!(self.client.station("bench-1").run, None);
        [
            "run", "start", "bench-1", "--recipe", HOLD_NAME, "--serial", "A-0017",
        ]
    }
}

#[test]
fn without_roles_the_owner_has_all_and_others_may_look_and_stop() {
    if !can_be_others() {
        return;
    }
    let shop = Shop::open("");
    let recipe = shop.place.path("hold.toml");
    let put = ["recipe", "put", recipe.to_str().expect("text")];
    let (_, other) = OTHER;

    shop.denied(other, &[], &put);
    shop.allowed(0, &[], &put);
    let start = shop.start_words();
    shop.denied(other, &[], &start);
    shop.denied(other, &[0], &["present", "bench-1"]);
    shop.denied(other, &[], &["limit", "set", "--lab", "200C"]);
    shop.allowed(0, &[], &start);
    shop.allowed(0, &[], &["limit", "set", "--lab", "200C"]);

    let of = |uid| shop.run(uid, &[], &["role", "show"]).json();
    assert_eq!(
        of(0)["holds"],
        serde_json::json!(["operate", "process", "safety"])
    );
    assert_eq!(
        (&of(other)["holds"], &of(other)["account"]),
        (&serde_json::json!([]), &"root".into())
    );

    shop.allowed(other, &[], &["status"]);
    shop.allowed(other, &[], &["run", "list"]);
    shop.allowed(other, &[], &["journal", "verify"]);
    // In an emergency nobody is asked who they are.
    shop.allowed(other, &[], &["stop"]);
    assert_eq!(shop.client.tripped("bench-1"), ["stop"]);
    let pressed = shop
        .client
        .journal()
        .into_iter()
        .rfind(|entry| entry.kind == "trip")
        .expect("the trip");
    assert!(
        pressed.text.contains(OTHER.0),
        "who pressed it is known: {}",
        pressed.text
    );
    shop.denied(other, &[], &["trip", "reset", "bench-1"]);
    drop(shop.daemon);
}

#[test]
fn roles_are_the_groups_that_the_process_has() {
    if !can_be_others() {
        return;
    }
    let shop = Shop::open(ROLES);
    let recipe = shop.place.path("hold.toml");
    let put = ["recipe", "put", recipe.to_str().expect("text")];
    let (uid, (_, operate), (_, process), (_, safety)) = (OTHER.1, OPERATE, PROCESS, SAFETY);

    // What a process holds is what its groups hold, and it can look.
    let done = shop.run(uid, &[operate, safety], &["role", "show"]);
    assert_eq!(
        done.json()["holds"],
        serde_json::json!(["operate", "safety"]),
        "{done:?}"
    );
    assert_eq!(
        done.json()["roles"][2]["groups"][0]["group"],
        SAFETY.0,
        "{done:?}"
    );

    // Recipes: process alone.
    shop.denied(uid, &[operate, safety], &put);
    shop.allowed(uid, &[process], &put);
    // Windows: likewise.
    let window = shop.place.path("tight.toml");
    fs::write(&window, "window = \"tight\"\npeak_celsius_max = 40\n").expect("the folder is ours");
    let put = ["window", "put", window.to_str().expect("text")];
    shop.denied(uid, &[operate, safety], &put);
    shop.allowed(uid, &[process], &put);
    shop.allowed(uid, &[], &["window", "show", "tight"]);
    // An offset: safety alone stores and withdraws it, whoever may look at what it would be.
    let check = [
        "sensor",
        "check",
        "bench-1",
        "board-top",
        "--reference",
        "24",
        "--seconds",
        "2",
    ];
    let dry: Vec<&str> = check.iter().chain(&["--dry-run"]).copied().collect();
    let clear = ["sensor", "clear", "bench-1", "board-top"];
    shop.allowed(uid, &[], &dry);
    shop.denied(uid, &[operate], &check);
    shop.denied(uid, &[operate, process], &check);
    shop.allowed(uid, &[safety], &check);
    shop.denied(uid, &[operate, process], &clear);
    shop.allowed(uid, &[safety], &clear);
    // What was read with another offset doesn't count any more; a run needs a new reading.
    shop.client.wait_ready(&["bench-1"]);
    // Runs, presence: any role.
    let start = shop.start_words();
    shop.denied(uid, &[], &start);
    shop.allowed(uid, &[operate], &start);
    for role in [operate, process, safety] {
        shop.allowed(uid, &[role], &["present", "bench-1"]);
    }
    // Limits: safety alone. Also the daemon's own user holds what its groups say, and no more.
    let limit = ["limit", "set", "--lab", "200C"];
    shop.denied(uid, &[operate, process], &limit);
    shop.denied(0, &[], &limit);
    shop.allowed(uid, &[safety], &limit);
    // A cut: safety resets. Pressing stop for the whole lab is one.
    shop.allowed(uid, &[], &["stop"]);
    shop.allowed(uid, &[operate], &["trip", "ack", "bench-1"]);
    // What a run says of its board: process alone stores it, whoever may look at what it would be. This run says nothing.
    let learn = ["board", "learn", "1"];
    shop.denied(uid, &[operate, safety], &learn);
    for (groups, words) in [
        (&[][..], &["board", "learn", "1", "--dry-run"][..]),
        (&[process][..], &learn[..]),
    ] {
        let done = shop.run(uid, groups, words);
        assert_eq!(
            (done.code, &done.json()["error"]),
            (1, &"NothingLearned".into()),
            "{done:?}"
        );
    }
    // A verdict: process alone replaces it. This run goes on.
    let judge = ["run", "judge", "1"];
    shop.denied(uid, &[operate, safety], &judge);
    let dry = ["run", "judge", "1", "--dry-run"];
    for (groups, words) in [(&[][..], &dry[..]), (&[process][..], &judge[..])] {
        let done = shop.run(uid, groups, words);
        assert_eq!(
            (done.code, &done.json()["error"]),
            (4, &"NotReady".into()),
            "{done:?}"
        );
    }
    shop.denied(uid, &[operate, process], &["trip", "reset", "bench-1"]);
    assert_eq!(shop.client.tripped("bench-1"), ["stop"]);
    shop.allowed(uid, &[safety], &["trip", "reset", "bench-1"]);
    assert_eq!(shop.client.tripped("bench-1"), [""; 0]);
    drop(shop.daemon);
}

#[test]
fn on_a_bus_the_bus_says_who_calls() {
    if !can_be_others() {
        return;
    }
    let shop = Shop::open(ROLES);
    let ceiling = |uid: u32, groups: &[u32], celsius: &str| {
        let words = [LAB_PATH, "io.benchward.Lab1", "SetCeiling", "d", celsius];
        let output = as_user(uid, groups)
            .args([
                "busctl",
                &format!("--address={}", shop.bus.address()),
                "call",
                benchward_api::BUS_NAME,
            ])
            .args(words)
            .output()
            .expect("setpriv can be started");
        Done::of(&output)
    };
    let denied = ceiling(OTHER.1, &[OPERATE.1, PROCESS.1], "190");
    assert_ne!(denied.code, 0);
    assert!(
        denied.stderr.contains(OTHER.0) && denied.stderr.contains("safety"),
        "{denied:?}"
    );
    assert!((shop.client.status().ceiling_celsius - 260.0).abs() < 1e-9);
    let allowed = ceiling(OTHER.1, &[SAFETY.1], "190");
    assert_eq!(allowed.code, 0, "{allowed:?}");
    assert!((shop.client.status().ceiling_celsius - 190.0).abs() < 1e-9);
    let entry = shop
        .client
        .journal()
        .into_iter()
        .rfind(|entry| entry.kind == "limit")
        .expect("a journal entry");
    assert_eq!(entry.who.as_deref(), Some(OTHER.0));
    // Without a role, looking is for everybody.
    let path = station_path("bench-1");
    let look = as_user(OTHER.1, &[])
        .args([
            "busctl",
            &format!("--address={}", shop.bus.address()),
            "get-property",
            benchward_api::BUS_NAME,
        ])
        .args([path.as_str(), "io.benchward.Station1", "Phase"])
        .output()
        .expect("setpriv can be started");
    assert!(String::from_utf8_lossy(&look.stdout).contains("idle"));
    drop(shop.daemon);
}
