//! Where things are when nobody says: the configuration file, the archive, the private socket.
//!
//! Nothing here reads the environment; the caller passes it in, so that tests need not change their own.

use std::ffi::{OsStr, OsString};
use std::path::{Path, PathBuf};

/// The configuration file that is read when nothing else is named.
pub const DEFAULT_FILE: &str = "/etc/benchward/lab.toml";

/// The configuration file: what `--config` names, else what `$BENCHWARD_CONFIG` names, else [`DEFAULT_FILE`].
///
/// `option`: the value of `--config`; `variable`: the value of the variable, where empty counts as not set.
pub fn config_file(option: Option<&Path>, variable: Option<&OsStr>) -> PathBuf {
    option
        .or_else(|| variable.filter(|value| !value.is_empty()).map(Path::new))
        .unwrap_or(Path::new(DEFAULT_FILE))
        .to_owned()
}

/// The archive's folder where the configuration names none: `$STATE_DIRECTORY` (systemd sets it), else
/// `$XDG_STATE_HOME/benchward`, which is `~/.local/state/benchward` where that isn't set either.
///
/// `variable`: looks up an environment variable. `None` if none of them is set, not even `$HOME`.
pub fn archive_folder(variable: impl Fn(&str) -> Option<OsString>) -> Option<PathBuf> {
    service_folder(&variable, "STATE_DIRECTORY").or_else(|| {
        let state = absolute(&variable, "XDG_STATE_HOME")
            .or_else(|| absolute(&variable, "HOME").map(|home| home.join(".local/state")));
        state.map(|state| state.join("benchward"))
    })
}

/// The private D-Bus socket where the configuration names none: `$RUNTIME_DIRECTORY/bus` (systemd sets it), else
/// `$XDG_RUNTIME_DIR/benchward/bus`.
///
/// `variable`: looks up an environment variable. `None` if neither is set: there is no other folder that only
/// this account can write and that is empty after a restart of the host.
pub fn socket_path(variable: impl Fn(&str) -> Option<OsString>) -> Option<PathBuf> {
    service_folder(&variable, "RUNTIME_DIRECTORY")
        .or_else(|| absolute(&variable, "XDG_RUNTIME_DIR").map(|runtime| runtime.join("benchward")))
        .map(|folder| folder.join("bus"))
}

/// A folder that systemd made for the service. With several, which it separates by `:`, the first is ours.
fn service_folder(variable: &impl Fn(&str) -> Option<OsString>, name: &str) -> Option<PathBuf> {
    std::env::split_paths(&variable(name)?)
        .next()
        .filter(|folder| folder.is_absolute())
}

/// The base directory specification has relative paths ignored.
fn absolute(variable: &impl Fn(&str) -> Option<OsString>, name: &str) -> Option<PathBuf> {
    variable(name)
        .map(PathBuf::from)
        .filter(|path| path.is_absolute())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn environment(set: &'static [(&str, &str)]) -> impl Fn(&str) -> Option<OsString> {
        move |name| {
            set.iter()
                .find(|(key, _)| *key == name)
                .map(|(_, value)| OsString::from(value))
        }
    }

    #[test]
    fn the_option_beats_the_variable_beats_the_default() {
        let (a, b) = (Path::new("a.toml"), OsStr::new("b.toml"));
        assert_eq!(config_file(Some(a), Some(b)), a);
        assert_eq!(config_file(None, Some(b)), Path::new("b.toml"));
        assert_eq!(
            config_file(None, Some(OsStr::new(""))),
            Path::new("/etc/benchward/lab.toml")
        );
        assert_eq!(config_file(None, None), Path::new("/etc/benchward/lab.toml"));
    }

    #[test]
    fn the_archive_is_where_the_service_or_the_account_keeps_state() {
        for (set, folder) in [
            (
                &[
                    ("STATE_DIRECTORY", "/var/lib/benchward:/var/lib/x"),
                    ("HOME", "/h"),
                ][..],
                Some("/var/lib/benchward"),
            ),
            (&[("XDG_STATE_HOME", "/s"), ("HOME", "/h")], Some("/s/benchward")),
            (
                &[("XDG_STATE_HOME", "s"), ("HOME", "/h")],
                Some("/h/.local/state/benchward"),
            ),
            (
                &[("STATE_DIRECTORY", ""), ("HOME", "/h")],
                Some("/h/.local/state/benchward"),
            ),
            (&[], None),
        ] {
            assert_eq!(
                archive_folder(environment(set)).as_deref(),
                folder.map(Path::new),
                "{set:?}"
            );
        }
    }

    #[test]
    fn the_socket_is_where_only_this_account_writes() {
        for (set, path) in [
            (
                &[("RUNTIME_DIRECTORY", "/run/benchward"), ("XDG_RUNTIME_DIR", "/r")][..],
                Some("/run/benchward/bus"),
            ),
            (&[("XDG_RUNTIME_DIR", "/r")], Some("/r/benchward/bus")),
            (&[("HOME", "/h")], None),
        ] {
            assert_eq!(
                socket_path(environment(set)).as_deref(),
                path.map(Path::new),
                "{set:?}"
            );
        }
    }
}
