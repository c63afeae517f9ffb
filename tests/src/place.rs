//! A folder of its own for one lab: configuration, socket, archive, the drivers' records and control sockets.

use std::fmt::Write as _;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::programs::file;
use crate::redone;

/// The folder. It is gone with this value, after every run in its archive was decided again.
#[derive(Debug)]
pub struct Place {
    folder: TempDir,
    spoiled: bool,
}

impl Place {
    /// An empty one. Other users may look into it, as into the folders of an installed daemon.
    ///
    /// # Panics
    /// If there is no room for it.
    #[expect(
        clippy::new_without_default,
        reason = "it makes a folder; `default` would hide that"
    )]
    pub fn new() -> Self {
        let folder = tempfile::Builder::new()
            .prefix("bw-")
            .tempdir()
            .expect("a temporary folder");
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).expect("it is ours");
        let place = Self {
            folder,
            spoiled: false,
        };
        fs::create_dir(place.records()).expect("it is ours");
        place
    }

    /// From here on its archive is not what the daemon wrote: its runs are not decided again.
    pub fn spoil(&mut self) {
        self.spoiled = true;
    }

    /// A path in it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The configuration.
    pub fn config(&self) -> PathBuf {
        self.path("lab.toml")
    }

    /// The private socket.
    pub fn socket(&self) -> PathBuf {
        self.path("bus")
    }

    /// The archive.
    pub fn archive(&self) -> PathBuf {
        self.path("archive")
    }

    /// Where drivers keep their own records.
    pub fn records(&self) -> PathBuf {
        self.path("records")
    }

    /// The control socket of a simulated bench that has one.
    pub fn control(&self, station: &str) -> PathBuf {
        self.path(&format!("{station}.control"))
    }

    /// Writes the configuration: `[lab]` of this place with `lab_lines` in it, then `rest`.
    ///
    /// # Panics
    /// If it can't be written.
    pub fn configure(&self, lab_lines: &str, rest: &str) {
        let text = format!(
            "[lab]\nname = \"larkfield\"\narchive = {}\nsocket = {}\n{lab_lines}\n{rest}",
            quoted(&self.archive()),
            quoted(&self.socket())
        );
        fs::write(self.config(), text).expect("the folder is ours");
    }

    /// A station with a simulated bench of its own: channels `board-top` and `board-edge`, heat, a hood, and a control
    /// socket for faults. `settings`: more lines of the driver's settings.
    pub fn simulated(&self, station: &str, settings: &str) -> String {
        format!(
            "\n[station.{station}]\nchannels = {{ board-top = \"tc1\", board-edge = \"tc2\" }}\nheat = \"heat1\"\n\
             permissive = {{ hood = \"hood\" }}\n[station.{station}.driver]\nprogram = \"simulated\"\n\
             [station.{station}.driver.settings]\ncontrol = {}\n{settings}\n",
            quoted(&self.control(station))
        )
    }

    /// A station with the driver in `drivers/bench.py`, written apart from the project's own code in another
    /// language. It records each command when it comes, so that it tells when grants came. Once the file
    /// [`Place::trouble`] is there, it makes the `trouble` (see the driver).
    pub fn witness(&self, station: &str, trouble: Option<&str>) -> String {
        let mut text = format!(
            "\n[station.{station}]\nchannels = {{ board-top = \"tc1\" }}\nheat = \"heat1\"\n\
             [station.{station}.driver]\nprogram = [\"python3\", {}]\n[station.{station}.driver.settings]\n\
             record = {}\n",
            quoted(&file("drivers/bench.py")),
            quoted(&self.record_file(station))
        );
        if let Some(trouble) = trouble {
            let _ = writeln!(
                text,
                "trouble = {trouble:?}\nat_file = {}",
                quoted(&self.trouble(station))
            );
        }
        text
    }

    /// An instance of the witness that belongs to no station.
    pub fn witness_driver(&self, instance: &str) -> String {
        format!(
            "\n[driver.{instance}]\nprogram = [\"python3\", {}]\n[driver.{instance}.settings]\nrecord = {}\n",
            quoted(&file("drivers/bench.py")),
            quoted(&self.record_file(instance))
        )
    }

    /// The file whose appearance begins the trouble of a witness.
    pub fn trouble(&self, station: &str) -> PathBuf {
        self.path(&format!("{station}.trouble"))
    }

    /// The record of the driver of a station.
    pub fn record_file(&self, station: &str) -> PathBuf {
        self.records().join(format!("{station}.jsonl"))
    }

    /// Where it is.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        if !self.spoiled && !std::thread::panicking() {
            redone::all(&self.archive());
        }
    }
}

/// A path as a string of TOML.
///
/// # Panics
/// If it is no text.
pub fn quoted(path: &Path) -> String {
    format!("{:?}", path.to_str().expect("paths of tests are text"))
}
