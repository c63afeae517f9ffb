//! Where the programs under test are: built beside the test itself, or in `$BENCHWARD_BIN`.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The folder that holds the programs, when they shall not be looked for.
const VARIABLE: &str = "BENCHWARD_BIN";

/// The path of one of the project's programs, such as `benchwardd`.
///
/// # Panics
/// If it isn't there, with the command that builds it.
pub fn program(name: &str) -> PathBuf {
    let path = folder().join(name);
    assert!(
        path.is_file(),
        "{} is missing: run `cargo build --workspace`, or name the folder of the programs with ${VARIABLE}",
        path.display()
    );
    path
}

/// A program of the system that tests need.
///
/// # Panics
/// If it isn't installed, with the package that has it.
pub fn system(name: &str, package: &str) -> Command {
    let paths = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&paths)
        // Where Debian keeps daemons; the PATH of a plain user leaves it out.
        .chain([PathBuf::from("/usr/sbin"), PathBuf::from("/sbin")])
        .map(|folder| folder.join(name))
        .find(|path| path.is_file());
    match found {
        Some(path) => Command::new(path),
        None => panic!("`{name}` isn't installed: `apt-get install {package}`, or let `tests/run` do it"),
    }
}

/// A file of this package, such as `recorded/NAME.csv`.
pub fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// Found once a process. Without `$BENCHWARD_BIN` it is brought up to date first: `cargo test` alone doesn't build
/// the programs of other packages.
fn folder() -> &'static Path {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        if let Some(set) = std::env::var_os(VARIABLE) {
            return set.into();
        }
        let test = std::env::current_exe().expect("a running program has a path");
        // TARGET/PROFILE/deps/TEST
        let profile = test
            .ancestors()
            .nth(2)
            .expect("cargo puts tests into a folder of the target folder");
        let target = profile
            .parent()
            .expect("the profile's folder is in the target folder");
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let mut build = Command::new(cargo);
        build
            .args(["build", "--quiet", "--workspace", "--bins", "--target-dir"])
            .arg(target);
        if profile.file_name().is_some_and(|name| name == "release") {
            build.arg("--release");
        }
        let status = build
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .status()
            .expect("cargo can be started");
        assert!(status.success(), "the programs under test can't be built");
        profile.to_owned()
    })
}
