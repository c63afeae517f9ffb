//! The other side: an independent server, a serial line without hardware, and the driver's own process.

use std::fs;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::thread;
use std::time::{Duration, Instant};

use benchward_driver::other_end::OtherEnd;
use benchward_driver::wire::{Describe, FromDriver, Heat, Level, Switching, ToDriver, Value};
use serde_json::json;
use tempfile::TempDir;

/// Long enough for anything that happens at all. Nothing is measured with it.
pub(crate) const PATIENCE: Duration = Duration::from_secs(30);

/// The Python that has pymodbus, or `None` with a printed reason where it can't be installed.
pub(crate) fn python() -> Option<&'static Path> {
    static PYTHON: OnceLock<Option<PathBuf>> = OnceLock::new();
    let found = PYTHON.get_or_init(|| {
        let setup = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/setup");
        let folder = std::env::current_exe()
            .expect("it runs")
            .ancestors()
            .nth(3)
            .expect("a target folder")
            .join("modbus-peer");
        let output = Command::new(setup).arg(folder).output().expect("sh is there");
        if output.status.success() {
            return Some(String::from_utf8_lossy(&output.stdout).trim().into());
        }
        eprintln!(
            "SKIPPED: the independent Modbus server can't be installed: {}",
            String::from_utf8_lossy(&output.stderr)
        );
        None
    });
    found.as_deref()
}

pub(crate) fn wait_for<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let until = Instant::now() + PATIENCE;
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(Instant::now() < until, "waited in vain for {what}");
        thread::sleep(Duration::from_millis(10));
    }
}

/// A process that ends with this value.
pub(crate) struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// How the server is reached.
pub(crate) enum Way {
    Tcp(u16),
    /// The line's process, and the speed that both ends are set to.
    Serial {
        _line: Running,
        baud: u32,
    },
}

/// The server, its units and its record.
pub(crate) struct Server {
    folder: TempDir,
    way: Way,
    process: Option<Running>,
}

impl Server {
    pub(crate) fn over_tcp(units: &serde_json::Value) -> Option<Self> {
        python()?;
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
        let port = listener.local_addr().expect("it is bound").port();
        drop(listener);
        Some(Server::start(units, |_| Way::Tcp(port)))
    }

    /// Over a pair of pseudo-terminals, which carry no parity: 8N1.
    pub(crate) fn over_serial(units: &serde_json::Value) -> Option<Self> {
        python()?;
        Some(Server::start(units, |folder| {
            let end = |name: &str| format!("pty,raw,echo=0,link={}", folder.join(name).display());
            let line = Command::new("socat")
                .args([end("driver"), end("server")])
                .spawn()
                .expect("socat is there");
            Way::Serial {
                _line: Running(line),
                baud: 19_200,
            }
        }))
    }

    /// Over a line that is as slow as a real one.
    pub(crate) fn over_slow_serial(units: &serde_json::Value, baud: u32) -> Option<Self> {
        let python = python()?;
        Some(Server::start(units, |folder| {
            let line = Command::new(python)
                .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/line.py"))
                .args([folder.join("driver"), folder.join("server")])
                .args([baud.to_string(), "10".to_owned()])
                .spawn()
                .expect("python is there");
            Way::Serial {
                _line: Running(line),
                baud,
            }
        }))
    }

    fn start(units: &serde_json::Value, way: impl FnOnce(&Path) -> Way) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        fs::write(folder.path().join("units.json"), units.to_string()).expect("ours");
        let way = way(folder.path());
        let mut server = Server {
            folder,
            way,
            process: None,
        };
        server.go();
        server
    }

    /// Starts it, again after [`Server::stop`].
    pub(crate) fn go(&mut self) {
        let log = fs::File::options()
            .create(true)
            .append(true)
            .open(self.folder.path().join("log"))
            .expect("ours");
        let mut command = Command::new(python().expect("it was there"));
        command
            .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/server.py"))
            .arg(self.folder.path());
        match &self.way {
            Way::Tcp(port) => command.arg("tcp").arg(port.to_string()),
            Way::Serial { baud, .. } => {
                let end = self.folder.path().join("server");
                wait_for("the line", || end.exists().then_some(()));
                command.arg("rtu").arg(end).arg(baud.to_string())
            }
        };
        self.process = Some(Running(
            command
                .stdout(Stdio::null())
                .stderr(log)
                .spawn()
                .expect("python is there"),
        ));
        if let Way::Tcp(port) = self.way {
            wait_for("the server's port", || {
                TcpStream::connect((Ipv4Addr::LOCALHOST, port)).ok()
            });
        }
    }

    pub(crate) fn stop(&mut self) {
        self.process = None;
    }

    pub(crate) fn control(&self, control: &serde_json::Value) {
        let file = self.folder.path().join("control.json");
        fs::write(file.with_extension("new"), control.to_string()).expect("ours");
        fs::rename(file.with_extension("new"), file).expect("ours");
    }

    /// All that units took, as (unit, function, address, first value).
    pub(crate) fn record(&self) -> Vec<(u64, u64, u64, u64)> {
        let text = fs::read_to_string(self.folder.path().join("record.jsonl")).unwrap_or_default();
        let whole = text.rfind('\n').map_or("", |end| &text[..end]);
        let line = |line: &str| {
            let line: serde_json::Value = serde_json::from_str(line).expect("a line of the record");
            let number = |v: &serde_json::Value| v.as_u64().expect("a number");
            (
                number(&line["unit"]),
                number(&line["function"]),
                number(&line["address"]),
                number(&line["values"][0]),
            )
        };
        whole.lines().map(line).collect()
    }

    /// `settings` with the way to this server in them.
    pub(crate) fn settings(&self, mut settings: serde_json::Value) -> serde_json::Value {
        match &self.way {
            Way::Tcp(port) => settings["tcp"] = json!(format!("127.0.0.1:{port}")),
            Way::Serial { baud, .. } => {
                settings["port"] = json!(self.folder.path().join("driver"));
                settings["baud"] = json!(baud);
                settings["parity"] = json!("none");
                settings["stop_bits"] = json!(1);
            }
        }
        settings
    }
}

/// The driver as a process.
pub(crate) struct Driver {
    pub(crate) end: OtherEnd,
    pub(crate) describe: Describe,
    seq: u64,
}

/// Starts one, and returns what it says first.
pub(crate) fn begin(program: &Path, settings: serde_json::Value) -> (OtherEnd, Vec<u8>) {
    let mut end = OtherEnd::start(Command::new(program).stderr(Stdio::null())).expect("it can be started");
    end.listen();
    end.configure("rack", settings, 1.0).expect("it listens");
    let heard = end
        .hear_until(PATIENCE, |m| {
            matches!(m, FromDriver::Describe(_) | FromDriver::Failed { .. })
        })
        .expect("it says something");
    (end, heard.line)
}

impl Driver {
    /// Starts one. A serial server needs a moment before it listens, so it is tried until it describes itself.
    pub(crate) fn start(program: &Path, settings: &serde_json::Value) -> Self {
        wait_for("the driver to describe itself", || {
            let (end, line) = begin(program, settings.clone());
            match FromDriver::parse(&line).expect("a message") {
                FromDriver::Describe(describe) => Some(Driver {
                    end,
                    describe: *describe,
                    seq: 0,
                }),
                _ => None,
            }
        })
    }

    /// Waits for an input to say what fits.
    pub(crate) fn wait_value(&mut self, id: &str, what: &str, mut fits: impl FnMut(&Value<'_>) -> bool) {
        let mut last = String::from("nothing");
        let heard = self.end.hear_until(PATIENCE, |m| {
            let FromDriver::Scan(scan) = m else { return false };
            scan.values.iter().any(|(i, value)| {
                if i == id {
                    last = format!("{value:?}");
                }
                i == id && fits(value)
            })
        });
        assert!(heard.is_some(), "{id}: waited for {what}, it says {last}");
    }

    pub(crate) fn wait_notice(&mut self, part: &str) -> Level {
        let mut found = None;
        self.end.hear_until(PATIENCE, |m| {
            if let FromDriver::Notice { level, text } = m
                && text.contains(part)
            {
                found = Some(*level);
            }
            found.is_some()
        });
        found.unwrap_or_else(|| panic!("no notice with `{part}`"))
    }

    /// Says `heat`, and returns what was applied.
    pub(crate) fn heat(&mut self, output: &str, fraction: f64, valid_ms: u32) -> f64 {
        self.say_heat(output, fraction, valid_ms);
        self.answer()
    }

    /// Says `heat`.
    pub(crate) fn say_heat(&mut self, output: &str, fraction: f64, valid_ms: u32) {
        self.seq += 1;
        let heat = Heat {
            seq: self.seq,
            output: output.into(),
            fraction,
            valid_ms,
            offset_ms: None,
        };
        self.end.say(&ToDriver::Heat(heat)).expect("it listens");
    }

    /// Says `cut`.
    pub(crate) fn cut(&mut self, output: &str) -> f64 {
        self.seq += 1;
        self.end
            .say(&ToDriver::Cut(Switching {
                seq: self.seq,
                output: output.into(),
            }))
            .expect("it listens");
        self.answer()
    }

    /// Says `restore`.
    pub(crate) fn restore(&mut self, output: &str) -> f64 {
        self.seq += 1;
        self.end
            .say(&ToDriver::Restore(Switching {
                seq: self.seq,
                output: output.into(),
            }))
            .expect("it listens");
        self.answer()
    }

    fn answer(&mut self) -> f64 {
        let (wanted, mut fraction) = (self.seq, None);
        self.end.hear_until(PATIENCE, |m| {
            if let FromDriver::Applied(applied) = m
                && applied.seq == Some(wanted)
            {
                fraction = Some(applied.fraction);
            }
            fraction.is_some()
        });
        fraction.expect("an answer")
    }
}
