//! Every member of every interface, called by processes of real users in no, one and all roles, through a system bus with
//! the policy in `deploy/dbus` and over the daemon's own socket: allowed exactly where the table below says.
//!
//! `dbus-send` calls, a program that shares no code with the daemon. What there is to call is asked of the running daemon:
//! a member that this table doesn't have fails the test.

use std::collections::BTreeSet;

use benchward_api::{
    ARCHIVE_PATH, BOARDS_PATH, LAB_PATH, RECIPES_PATH, SENSORS_PATH, WINDOWS_PATH, station_path,
};
use benchward_tests::bus::Bus;
use benchward_tests::client::Client;
use benchward_tests::command::Done;
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use benchward_tests::programs::system;
use benchward_tests::user::{OPERATE, PROCESS, ROLES, SAFETY, as_user, can_be_others};
use benchward_tests::wait::{wait_for, wait_until};

const STATION: &str = "bench-1";

/// Somebody: a user of every Debian (base-passwd) that owns nothing here, and the roles of its process.
struct Caller {
    uid: u32,
    name: &'static str,
    operate: bool,
    process: bool,
    safety: bool,
}

const fn caller(uid: u32, name: &'static str, [operate, process, safety]: [bool; 3]) -> Caller {
    Caller {
        uid,
        name,
        operate,
        process,
        safety,
    }
}

const ALL: Caller = caller(10, "uucp", [true, true, true]);

const CALLERS: &[Caller] = &[
    caller(1, "daemon", [false, false, false]),
    // Where groups hold the roles, the account of the daemon has none of itself.
    caller(0, "root", [false, false, false]),
    caller(2, "bin", [true, false, false]),
    caller(3, "sys", [false, true, false]),
    caller(7, "lp", [false, false, true]),
    ALL,
];

impl Caller {
    fn groups(&self) -> Vec<u32> {
        let held = [
            (self.operate, OPERATE),
            (self.process, PROCESS),
            (self.safety, SAFETY),
        ];
        held.iter()
            .filter(|(holds, _)| *holds)
            .map(|(_, (_, gid))| *gid)
            .collect()
    }
}

/// Who may.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Who {
    Everybody,
    AnyRole,
    Process,
    Safety,
    /// Nobody, whoever they are: no property can be written, and the library says that there is none to write.
    Nobody,
}

impl Who {
    fn has(self, caller: &Caller) -> bool {
        match self {
            Self::Everybody => true,
            Self::AnyRole => caller.operate || caller.process || caller.safety,
            Self::Process => caller.process,
            Self::Safety => caller.safety,
            Self::Nobody => false,
        }
    }
}

/// How the bench is before a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Before {
    /// However it is: nothing depends on it.
    Any,
    /// No run, nothing latched.
    Idle,
    /// A run.
    Running,
    /// A run that was stopped at the bench: heat off.
    HeatOff,
    /// A run that was stopped with the whole lab: cut.
    Cut,
    /// No run, and a calibration of `board-top`.
    Calibrated,
}

struct Row {
    interface: &'static str,
    member: &'static str,
    who: Who,
    before: Before,
    /// As `dbus-send` takes them.
    arguments: &'static [&'static str],
    /// What those get who may: nothing for an answer, else the last part of an error's name.
    answer: &'static str,
}

const fn row(
    interface: &'static str,
    member: &'static str,
    who: Who,
    before: Before,
    arguments: &'static [&'static str],
    answer: &'static str,
) -> Row {
    Row {
        interface,
        member,
        who,
        before,
        arguments,
        answer,
    }
}

const LAB: &str = "io.benchward.Lab1";
const STATIONS: &str = "io.benchward.Station1";
const ARCHIVE: &str = "io.benchward.Archive1";
const RECIPES: &str = "io.benchward.Recipes1";
const WINDOWS: &str = "io.benchward.Windows1";
const BOARDS: &str = "io.benchward.Boards1";
const SENSORS: &str = "io.benchward.Sensors1";
const PROPERTIES: &str = "org.freedesktop.DBus.Properties";
const PEER: &str = "org.freedesktop.DBus.Peer";
const INTROSPECTABLE: &str = "org.freedesktop.DBus.Introspectable";
const OBJECT_MANAGER: &str = "org.freedesktop.DBus.ObjectManager";

const CHECK: &str = "string:{\"reference_celsius\":24,\"seconds\":2,\"ice\":false,\"note\":\"\"}";
const PLAN: &str = "string:{\"board\":\"AX-20 backplane\",\"station\":\"bench-1\",\"recipe\":\"quick\",\
                    \"target_celsius\":100,\"dwell_s\":10,\"parts\":[]}";
const RECIPE: &str = "string:recipe = \"hold\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 3600\n";
const WINDOW: &str = "string:window = \"tight\"\npeak_celsius_max = 40\n";

/// Run 1 is over; a recipe and a window are stored. A `NoSuch` below is what a caller is told who may ask.
#[rustfmt::skip] // one line a row
const MATRIX: &[Row] = {
    use Before::{Any, Calibrated, Cut, HeatOff, Idle, Running};
    use Who::{AnyRole, Everybody, Nobody, Process, Safety};
    &[
        row(LAB, "Status", Everybody, Any, &[], ""),
        row(LAB, "Limits", Everybody, Any, &[], ""),
        row(LAB, "Roles", Everybody, Any, &[], ""),
        row(LAB, "Drivers", Everybody, Any, &[], ""),
        row(LAB, "SetCeiling", Safety, Any, &["double:250"], ""),
        row(LAB, "SetLimit", Safety, Any, &["string:absent-after", "double:600"], ""),
        row(LAB, "ClearLimit", Safety, Any, &["string:absent-after"], ""),
        row(LAB, "RereadConfig", Safety, Any, &[], ""),
        row(SENSORS, "List", Everybody, Any, &[], ""),
        row(SENSORS, "History", Everybody, Any, &["string:bench-1", "string:board-top"], ""),
        row(SENSORS, "Check", Everybody, Idle, &["string:bench-1", "string:board-top", CHECK, "boolean:false"], ""),
        row(SENSORS, "Check", Safety, Idle, &["string:bench-1", "string:board-top", CHECK, "boolean:true"], ""),
        row(SENSORS, "Clear", Safety, Calibrated, &["string:bench-1", "string:board-top", "string:"], ""),
        row(SENSORS, "Clear", Safety, Any, &["string:bench-1", "string:board-edge", "string:"], ""),
        row(STATIONS, "Start", AnyRole, Idle, &["string:hold", "string:A-0017"], ""),
        row(STATIONS, "Present", AnyRole, Running, &[], ""),
        row(STATIONS, "Confirm", AnyRole, Running, &[], "NothingToConfirm"),
        row(STATIONS, "Stop", AnyRole, Running, &[], ""),
        row(STATIONS, "Acknowledge", AnyRole, HeatOff, &[], ""),
        row(STATIONS, "Reset", AnyRole, HeatOff, &[], ""),
        row(STATIONS, "Reset", Safety, Cut, &[], ""),
        row(STATIONS, "Resume", AnyRole, Any, &[], "NothingToResume"),
        row(STATIONS, "SetCeiling", Safety, Any, &["double:240"], ""),
        row(STATIONS, "ClearCeiling", Safety, Any, &[], ""),
        row(LAB, "StopAll", Everybody, Running, &[], ""),
        row(STATIONS, "StopRun", AnyRole, Running, &[], ""),
        row(ARCHIVE, "Runs", Everybody, Any, &["string:{}"], ""),
        row(ARCHIVE, "Run", Everybody, Any, &["uint64:1"], ""),
        row(ARCHIVE, "Export", Everybody, Any, &["uint64:1", "string:csv"], ""),
        row(ARCHIVE, "Journal", Everybody, Any, &["string:{}"], ""),
        row(ARCHIVE, "Trips", Everybody, Any, &["string:{}"], ""),
        row(ARCHIVE, "Verify", Everybody, Any, &[], ""),
        row(ARCHIVE, "Stats", Everybody, Any, &["string:{}", "string:"], ""),
        row(ARCHIVE, "Compare", Everybody, Any, &["array:uint64:1,2", "string:start", "string:hottest"], ""),
        row(ARCHIVE, "Redo", Everybody, Any, &["uint64:1"], ""),
        row(RECIPES, "List", Everybody, Any, &[], ""),
        row(RECIPES, "Show", Everybody, Any, &["string:hold", "uint32:0"], ""),
        row(RECIPES, "Put", Process, Any, &[RECIPE], ""),
        row(WINDOWS, "List", Everybody, Any, &[], ""),
        row(WINDOWS, "Show", Everybody, Any, &["string:tight", "uint32:0"], ""),
        row(WINDOWS, "Put", Process, Any, &[WINDOW], ""),
        row(WINDOWS, "Judge", Everybody, Any, &["uint64:1", "string:tight", "boolean:false"], ""),
        row(WINDOWS, "Judge", Process, Any, &["uint64:1", "string:tight", "boolean:true"], ""),
        row(BOARDS, "List", Everybody, Any, &[], ""),
        row(BOARDS, "Show", Everybody, Any, &["string:AX-20 backplane", "string:"], "NoSuch"),
        row(BOARDS, "Learn", Everybody, Any, &["uint64:1", "string:", "boolean:false"], "NothingLearned"),
        row(BOARDS, "Learn", Process, Any, &["uint64:1", "string:", "boolean:true"], "NothingLearned"),
        row(BOARDS, "Plan", Everybody, Any, &[PLAN], "NoSuch"),
        row(PEER, "Ping", Everybody, Any, &[], ""),
        row(PEER, "GetMachineId", Everybody, Any, &[], ""),
        row(INTROSPECTABLE, "Introspect", Everybody, Any, &[], ""),
        row(OBJECT_MANAGER, "GetManagedObjects", Everybody, Any, &[], ""),
        row(PROPERTIES, "GetAll", Everybody, Any, &["string:io.benchward.Lab1"], ""),
        row(PROPERTIES, "Get", Everybody, Any, &["string:io.benchward.Lab1", "string:Ceiling"], ""),
        row(PROPERTIES, "Set", Nobody, Any, &["string:io.benchward.Lab1", "string:Ceiling", "variant:double:300"], "UnknownProperty"),
    ]
};

/// What is told to everybody who is connected, and what [`Who`] has nothing to say about.
const SIGNALS: &[(&str, &str)] = &[
    (LAB, "AlarmChanged"),
    (LAB, "InterlockChanged"),
    (LAB, "PhaseChanged"),
    (LAB, "RunEnded"),
    (PROPERTIES, "PropertiesChanged"),
    (OBJECT_MANAGER, "InterfacesAdded"),
    (OBJECT_MANAGER, "InterfacesRemoved"),
];

/// Where an interface is.
fn path_of(interface: &str) -> String {
    match interface {
        STATIONS => station_path(STATION),
        ARCHIVE => ARCHIVE_PATH.into(),
        RECIPES => RECIPES_PATH.into(),
        WINDOWS => WINDOWS_PATH.into(),
        BOARDS => BOARDS_PATH.into(),
        SENSORS => SENSORS_PATH.into(),
        _ => LAB_PATH.into(),
    }
}

/// The way to the daemon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Bus,
    Socket,
}

struct Shop {
    daemon: Daemon,
    client: Client,
    bus: Bus,
    place: Place,
}

impl Shop {
    fn open() -> Self {
        let place = Place::new();
        let bus = Bus::start_as_system(&place, "root");
        place.configure(
            "bus = \"system\"",
            &format!("{ROLES}{}", place.simulated(STATION, "")),
        );
        let daemon = Daemon::start_with(&place, |command| {
            command.env("DBUS_SYSTEM_BUS_ADDRESS", bus.address());
        });
        let client = daemon.client();
        client.wait_ready(&[STATION]);
        bus.wait_for_lab();
        let shop = Self {
            daemon,
            client,
            bus,
            place,
        };
        shop.all(RECIPES, "Put", &[RECIPE]);
        shop.all(WINDOWS, "Put", &[WINDOW]);
        for _ in 0..2 {
            shop.bring(Before::Running);
            shop.bring(Before::Idle);
        }
        shop
    }

    /// Calls a member. Returns what was printed, or the last part of the error's name and what was said.
    fn call(
        &self,
        way: Way,
        caller: &Caller,
        path: &str,
        full: &str,
        arguments: &[&str],
    ) -> Result<String, (String, String)> {
        let address = match way {
            Way::Bus => format!("--bus={}", self.bus.address()),
            Way::Socket => format!("--peer=unix:path={}", self.place.socket().display()),
        };
        let output = as_user(caller.uid, &caller.groups())
            .arg(system("dbus-send", "dbus-bin").get_program())
            .args([
                &*address,
                "--print-reply=literal",
                "--reply-timeout=30000",
                "--dest=io.benchward.Lab1",
                path,
                full,
            ])
            .args(arguments)
            .output()
            .expect("setpriv can be started");
        let done = Done::of(&output);
        if done.code == 0 {
            return Ok(done.stdout);
        }
        let (name, text) = done
            .stderr
            .strip_prefix("Error ")
            .and_then(|rest| rest.split_once(": "))
            .unwrap_or_else(|| panic!("{full}: {done:?}"));
        let last = name.rsplit('.').next().unwrap_or_default();
        Err((last.to_owned(), text.to_owned()))
    }

    /// [`Shop::call`] in every role, where nothing may go wrong.
    fn all(&self, interface: &str, member: &str, arguments: &[&str]) {
        let full = format!("{interface}.{member}");
        let done = self.call(Way::Socket, &ALL, &path_of(interface), &full, arguments);
        done.unwrap_or_else(|error| panic!("{full}: {error:?}"));
    }

    fn calibrated(&self) -> bool {
        let sensors = self
            .client
            .sensors(async |sensors| sensors.list().await)
            .expect("the sensors");
        let sensors: serde_json::Value = serde_json::from_str(&sensors).expect("JSON");
        sensors["sensors"][0]["calibration"].is_object()
    }

    /// Makes the bench be so.
    fn bring(&self, before: Before) {
        let station = self.client.station(STATION);
        let tripped = !self.client.tripped(STATION).is_empty();
        let running = station.run.is_some() && matches!(&*station.phase, "ramp" | "dwell") && !tripped;
        match before {
            Before::Any => {}
            Before::Idle => {
                if tripped {
                    self.all(STATIONS, "Reset", &[]);
                }
                if station.run.is_some() {
                    self.all(STATIONS, "StopRun", &[]);
                }
                wait_until("an idle bench", || {
                    let station = self.client.station(STATION);
                    station.run.is_none()
                        && self.client.tripped(STATION).is_empty()
                        && station.channels.iter().all(|channel| channel.quality == "good")
                });
            }
            Before::Running if running => {}
            Before::Running => {
                self.bring(Before::Idle);
                self.all(STATIONS, "Start", &["string:hold", "string:A-0017"]);
            }
            Before::HeatOff if self.client.tripped(STATION) == ["stop"] => {}
            Before::HeatOff => {
                self.bring(Before::Running);
                self.all(STATIONS, "Stop", &[]);
            }
            Before::Cut => {
                self.bring(Before::Running);
                self.all(LAB, "StopAll", &[]);
            }
            Before::Calibrated => {
                self.bring(Before::Idle);
                if !self.calibrated() {
                    let words = ["string:bench-1", "string:board-top", CHECK, "boolean:true"];
                    wait_for("a calibration", || {
                        let full = format!("{SENSORS}.Check");
                        let done = self.call(Way::Socket, &ALL, SENSORS_PATH, &full, &words);
                        done.ok()
                    });
                }
            }
        }
    }

    fn try_row(&self, way: Way, caller: &Caller, row: &Row) {
        self.bring(row.before);
        let full = format!("{}.{}", row.interface, row.member);
        let path = path_of(row.interface);
        let refused = || {
            let journal = self.client.journal();
            journal
                .into_iter()
                .filter(|entry| entry.kind == "refused")
                .count()
        };
        let refusals = refused();
        let mut answer = self.call(way, caller, &path, &full, row.arguments);
        let too_early = |answer: &Result<String, (String, String)>| matches!(answer, Err((name, _)) if name == "NotReady");
        if too_early(&answer) {
            // A check needs readings of two seconds with the offset that counts now.
            answer = wait_for(&format!("{full} of a bench that is ready"), || {
                let answer = self.call(way, caller, &path, &full, row.arguments);
                (!too_early(&answer)).then_some(answer)
            });
        }
        let who = format!(
            "{way:?}: {full} by {} in {:?}, bench {:?}: {answer:?}",
            caller.name,
            caller.groups(),
            row.before
        );
        let said = match &answer {
            Ok(_) => "",
            Err((name, _)) => name,
        };
        if row.who == Who::Nobody || row.who.has(caller) {
            assert_eq!(said, row.answer, "{who}");
        } else {
            assert_eq!(said, "NotPermitted", "{who}");
            assert!(
                answer.is_err_and(|(_, text)| text.contains(caller.name)),
                "it says who: {who}"
            );
            assert!(refused() > refusals, "the journal has it: {who}");
        }
    }
}

/// Everything that a daemon offers: kind, interface, name, and how it may be accessed, where it is a property.
type Member = (String, String, String, String);

/// What introspection text says: of an object and of all below it, which the daemon puts into the same text.
fn members(text: &str) -> BTreeSet<Member> {
    let (mut interface, mut found) = (String::new(), BTreeSet::new());
    for tag in text.split('<').skip(1) {
        let attribute = |name: &str| {
            let rest = tag.split_once(&format!(" {name}=\""))?.1;
            Some(rest.split_once('"')?.0.to_owned())
        };
        let (kind, name) = (tag.split(' ').next(), attribute("name").unwrap_or_default());
        match kind {
            Some("interface") => interface = name,
            Some(kind @ ("method" | "property" | "signal")) => {
                let access = attribute("access").unwrap_or_default();
                found.insert((kind.to_owned(), interface.clone(), name, access));
            }
            _ => {}
        }
    }
    found
}

fn may_exactly_what_the_matrix_says(way: Way) {
    if !can_be_others() {
        return;
    }
    let shop = Shop::open();
    let full = format!("{INTROSPECTABLE}.Introspect");
    let text = shop.call(way, &CALLERS[0], "/", &full, &[]);
    let found = members(&text.unwrap_or_else(|error| panic!("{error:?}")));
    let of = |wanted: &str| -> BTreeSet<(&str, &str)> {
        let kind = found.iter().filter(|(kind, ..)| kind == wanted);
        kind.map(|(_, interface, name, _)| (&**interface, &**name))
            .collect()
    };
    let methods = MATRIX.iter().map(|row| (row.interface, row.member)).collect();
    assert_eq!(of("method"), methods, "methods that there are, and the matrix");
    assert_eq!(of("signal"), SIGNALS.iter().copied().collect(), "signals");
    for caller in CALLERS {
        for row in MATRIX {
            shop.try_row(way, caller, row);
        }
        for (_, interface, name, access) in found.iter().filter(|(kind, ..)| kind == "property") {
            assert_eq!(access, "read", "{interface}.{name} can't be written");
            let words = [format!("string:{interface}"), format!("string:{name}")];
            let words: Vec<&str> = words.iter().map(String::as_str).collect();
            let full = format!("{PROPERTIES}.Get");
            let read = shop.call(way, caller, &path_of(interface), &full, &words);
            read.unwrap_or_else(|error| panic!("{interface}.{name} by {}: {error:?}", caller.name));
        }
    }
    drop(shop.daemon);
}

#[test]
fn over_the_bus_everybody_may_exactly_what_the_matrix_says() {
    may_exactly_what_the_matrix_says(Way::Bus);
}

#[test]
fn over_the_socket_everybody_may_exactly_what_the_matrix_says() {
    may_exactly_what_the_matrix_says(Way::Socket);
}

#[test]
fn nobody_else_can_be_the_lab_on_a_system_bus() {
    if !can_be_others() {
        return;
    }
    let place = Place::new();
    // Nobody is the lab yet, so that only the policy is in the way.
    let bus = Bus::start_as_system(&place, "daemon");
    let own = |uid: u32, groups: &[u32]| {
        let output = as_user(uid, groups)
            .arg(system("busctl", "systemd").get_program())
            .arg(format!("--address={}", bus.address()))
            .args([
                "call",
                "org.freedesktop.DBus",
                "/org/freedesktop/DBus",
                "org.freedesktop.DBus",
            ])
            .args(["RequestName", "su", benchward_api::BUS_NAME, "4"])
            .output()
            .expect("setpriv can be started");
        Done::of(&output)
    };
    for (uid, groups) in [
        (2, vec![]),
        (0, vec![]),
        (2, vec![OPERATE.1, PROCESS.1, SAFETY.1]),
    ] {
        let done = own(uid, &groups);
        assert_ne!(done.code, 0, "uid {uid} is the lab: {done:?}");
        assert!(done.stderr.contains("Access denied"), "{done:?}");
    }
    let done = own(1, &[]);
    assert_eq!(
        (done.code, done.stdout.trim()),
        (0, "u 1"),
        "its account may: {done:?}"
    );
}

/// Without the policy the system bus lets nothing through: what the test above sees pass, passes because of it.
#[test]
fn a_system_bus_passes_only_what_the_policy_names() {
    if !can_be_others() {
        return;
    }
    let shop = Shop::open();
    let call = |full: &str| shop.call(Way::Bus, &CALLERS[0], LAB_PATH, full, &[]);
    call("io.benchward.Lab1.Status").expect("looking is for everybody");
    let (name, text) = call("io.benchward.Other1.Status").expect_err("nobody named it");
    assert_eq!(name, "AccessDenied", "{text}");
    drop(shop.daemon);
}
