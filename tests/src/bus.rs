//! A private message bus, and `busctl` as a client that shares no code with the daemon.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};

use serde_json::Value;

use crate::place::Place;
use crate::programs::{file, system};
use crate::wait::{wait_for, wait_until};

/// A bus that runs. It ends with this value.
#[derive(Debug)]
pub struct Bus {
    child: Child,
    socket: PathBuf,
}

impl Bus {
    /// Starts one that lets everybody talk to everybody.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start(place: &Place) -> Self {
        Self::start_with(place, |socket| {
            format!(
                "<!DOCTYPE busconfig PUBLIC \"-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN\" \
                 \"http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd\">\n\
                 <busconfig><type>session</type><listen>unix:path={}</listen><auth>EXTERNAL</auth>\
                 <policy context=\"default\"><allow send_destination=\"*\" eavesdrop=\"true\"/>\
                 <allow eavesdrop=\"true\"/><allow own=\"*\"/><allow user=\"*\"/></policy></busconfig>\n",
                socket.display()
            )
        })
    }

    /// Starts one that lets through what the machine's system bus does, and what `deploy/dbus` adds to that; `owner`: the
    /// account that may be the lab, in place of the one in that file, which this machine needn't have.
    ///
    /// The system bus's own configuration is taken, without what reaches beyond the test: its socket, its account, the files
    /// that it includes, the services that it starts.
    ///
    /// # Panics
    /// If it doesn't come up, or either file isn't there.
    pub fn start_as_system(place: &Place, owner: &str) -> Self {
        const THEIRS: &str = "/usr/share/dbus-1/system.conf";
        const REACH_OUT: [&str; 9] = [
            "<user>",
            "<fork/>",
            "<syslog/>",
            "<pidfile>",
            "<listen>",
            "<include",
            "<servicehelper>",
            "<standard_system_servicedirs",
            "</busconfig>",
        ];
        let read = |path: &Path| {
            fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
        };
        let theirs = read(Path::new(THEIRS));
        let theirs: Vec<&str> = theirs
            .lines()
            .filter(|line| !REACH_OUT.iter().any(|tag| line.trim_start().starts_with(tag)))
            .collect();
        let ours = read(&file("../deploy/dbus/io.benchward.Lab1.conf"));
        let account = "<policy user=\"benchward\">";
        assert_eq!(ours.matches(account).count(), 1, "one account may be the lab");
        let ours = ours.replace(account, &format!("<policy user=\"{owner}\">"));
        let included = place.path("io.benchward.Lab1.conf");
        fs::write(&included, ours).expect("the folder is ours");
        Self::start_with(place, |socket| {
            format!(
                "{}\n<listen>unix:path={}</listen>\n<include>{}</include>\n</busconfig>\n",
                theirs.join("\n"),
                socket.display(),
                included.display()
            )
        })
    }

    fn start_with(place: &Place, config: impl FnOnce(&Path) -> String) -> Self {
        let socket = place.path("dbus.sock");
        let path = place.path("dbus.conf");
        fs::write(&path, config(&socket)).expect("the folder is ours");
        let log = File::create(place.path("dbus.log")).expect("the folder is ours");
        let child = system("dbus-daemon", "dbus")
            .arg(format!("--config-file={}", path.display()))
            .arg("--nofork")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("dbus-daemon can be started");
        let bus = Self { child, socket };
        wait_until("the bus's socket", || {
            std::os::unix::net::UnixStream::connect(&bus.socket).is_ok()
        });
        bus
    }

    /// Its address.
    pub fn address(&self) -> String {
        format!("unix:path={}", self.socket.display())
    }

    /// Runs `busctl` with `words`. Returns what it printed, or what it said was wrong.
    ///
    /// # Errors
    /// Its stderr, where it failed.
    ///
    /// # Panics
    /// If it can't be run.
    pub fn busctl(&self, words: &[&str]) -> Result<String, String> {
        let output = system("busctl", "systemd")
            .arg(format!("--address={}", self.address()))
            .args(words)
            .output()
            .expect("busctl can be started");
        let text = |bytes| String::from_utf8_lossy(bytes).into_owned();
        if output.status.success() {
            Ok(text(&output.stdout))
        } else {
            Err(text(&output.stderr))
        }
    }

    /// Calls a method of the lab's. Returns `data` of what `busctl` prints as JSON.
    ///
    /// # Errors
    /// Its stderr, where it failed.
    ///
    /// # Panics
    /// If what it prints isn't JSON.
    pub fn call(
        &self,
        path: &str,
        interface: &str,
        member: &str,
        arguments: &[&str],
    ) -> Result<Value, String> {
        let mut words = vec![
            "--json=short",
            "call",
            benchward_api::BUS_NAME,
            path,
            interface,
            member,
        ];
        words.extend(arguments);
        self.busctl(&words).map(|text| data(&text))
    }

    /// Reads a property of the lab's.
    ///
    /// # Panics
    /// If there is none.
    pub fn property(&self, path: &str, interface: &str, name: &str) -> Value {
        let words = [
            "--json=short",
            "get-property",
            benchward_api::BUS_NAME,
            path,
            interface,
            name,
        ];
        data(
            &self
                .busctl(&words)
                .unwrap_or_else(|error| panic!("{path} {interface} {name}: {error}")),
        )
    }

    /// Waits until the lab is there.
    pub fn wait_for_lab(&self) {
        wait_until("the lab's name on the bus", || {
            self.call(benchward_api::LAB_PATH, "org.freedesktop.DBus.Peer", "Ping", &[])
                .is_ok()
        });
    }

    /// Listens to the lab's signals, with `busctl monitor`. Returns once it listens.
    ///
    /// # Panics
    /// If it can't.
    pub fn listen(&self, place: &Place) -> Listener {
        let said = place.path("monitor.json");
        let child = system("busctl", "systemd")
            .arg(format!("--address={}", self.address()))
            .args(["--json=short", "monitor", benchward_api::BUS_NAME])
            .stdin(Stdio::null())
            .stdout(File::create(&said).expect("the folder is ours"))
            .stderr(Stdio::null())
            .spawn()
            .expect("busctl can be started");
        let listener = Listener { child, said };
        // It says nothing of its own when it is ready; a property change of the benches' noise tells.
        wait_for("a first message at the monitor", || {
            listener.messages().into_iter().next()
        });
        listener
    }
}

/// Nothing is printed for a method without a result.
fn data(text: &str) -> Value {
    if text.is_empty() {
        return Value::Null;
    }
    let mut value: Value =
        serde_json::from_str(text).unwrap_or_else(|error| panic!("busctl printed {text}: {error}"));
    value["data"].take()
}

impl Drop for Bus {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A `busctl monitor` that runs. It ends with this value.
#[derive(Debug)]
pub struct Listener {
    child: Child,
    said: PathBuf,
}

impl Listener {
    /// All it has heard so far, as `busctl` writes it: `type`, `path`, `interface`, `member`, `payload`.
    pub fn messages(&self) -> Vec<Value> {
        let text = fs::read_to_string(&self.said).unwrap_or_default();
        text.lines()
            .filter_map(|line| serde_json::from_str(line).ok())
            .collect()
    }

    /// Waits for a signal `member` whose arguments fit.
    pub fn wait_for(&self, path: &str, member: &str, fits: impl Fn(&Value) -> bool) -> Value {
        wait_for(&format!("signal {member} of {path} on the bus"), || {
            self.messages().into_iter().find(|message| {
                message["type"] == "signal"
                    && message["path"] == path
                    && message["member"] == member
                    && fits(&message["payload"]["data"])
            })
        })
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
