//! Node-RED with the page of benches as `deploy/dashboards` has it.

use std::fs::{self, File};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;

use crate::broker::free_port;
use crate::place::Place;
use crate::programs::{file, system};
use crate::wait::wait_for;

/// Where it is installed; at the first call it is seen to.
///
/// # Panics
/// If it can't be installed.
fn peer() -> &'static Path {
    static PEER: OnceLock<PathBuf> = OnceLock::new();
    PEER.get_or_init(|| {
        let test = std::env::current_exe().expect("a running program has a path");
        // TARGET/PROFILE/deps/TEST
        let target = test.ancestors().nth(3).expect("cargo's target folder");
        let folder = target.join("dashboard-peer");
        let status = Command::new(file("dashboard/setup"))
            .arg(&folder)
            .status()
            .expect("a shell");
        assert!(status.success(), "tests/dashboard/setup: {status}");
        folder
    })
}

/// A dashboard program that runs. It ends with this value.
#[derive(Debug)]
pub struct Dashboard {
    child: Child,
    port: u16,
    log: PathBuf,
}

impl Dashboard {
    /// Starts it with the files as they are shipped, and waits until it serves the page. `settings`: its environment.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start(place: &Place, settings: &[(&str, &str)]) -> Self {
        let folder = place.path("dashboard");
        fs::create_dir_all(&folder).expect("the folder is ours");
        for name in ["flows.json", "flows_cred.json", "settings.js"] {
            let shipped = file("../deploy/dashboards").join(name);
            fs::copy(shipped, folder.join(name)).expect("the folder is ours");
        }
        let port = free_port();
        let log = place.path("dashboard.log");
        let said = File::create(&log).expect("the folder is ours");
        let child = system("node", "nodejs")
            .arg(peer().join("node_modules/node-red/red.js"))
            .arg("--settings")
            .arg(folder.join("settings.js"))
            .arg("--userDir")
            .arg(&folder)
            .env("PORT", port.to_string())
            .envs(settings.iter().copied())
            .stdin(Stdio::null())
            .stdout(said.try_clone().expect("a second handle"))
            .stderr(said)
            .spawn()
            .expect("node can be started");
        let mut dashboard = Self { child, port, log };
        wait_for("the dashboard program", || {
            if let Some(status) = dashboard.child.try_wait().expect("the child is ours") {
                panic!("it ended at once, {status}: {}", dashboard.log());
            }
            TcpStream::connect(("127.0.0.1", port)).ok()
        });
        wait_for("its flow", || {
            dashboard.log().contains("Started flows").then_some(())
        });
        dashboard
    }

    /// Where the page is.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/dashboard/benches", self.port)
    }

    /// Where it listens.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// What it has logged.
    pub fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Memory that it has in RAM, megabytes.
    ///
    /// # Panics
    /// If it is gone.
    pub fn memory_mb(&self) -> f64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("it runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
        let kb = line.and_then(|line| line.split_whitespace().next()?.parse::<f64>().ok());
        kb.expect("the kernel tells it") / 1024.0
    }

    /// Ends it.
    ///
    /// # Panics
    /// If it isn't there.
    pub fn end(&mut self) {
        self.child.kill().expect("it runs");
        self.child.wait().expect("the child is ours");
    }
}

impl Drop for Dashboard {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            eprintln!("--- the dashboard program's log\n{}\n---", self.log());
        }
    }
}
