//! Processes of other users, in groups of the test's choice.
//!
//! Users and groups are taken with `setpriv`, so that the groups of a process are not those of the user database, and
//! nothing has to be added to the machine.

use std::process::Command;

use crate::programs::system;

/// A group that every Debian has (base-passwd), with nobody in it: its name and its number. Holds `operate`.
pub const OPERATE: (&str, u32) = ("games", 60);
/// The same for `process`.
pub const PROCESS: (&str, u32) = ("news", 9);
/// The same for `safety`.
pub const SAFETY: (&str, u32) = ("mail", 8);

/// The section of `lab.toml` that gives the roles to these groups.
pub const ROLES: &str = "[roles]\noperate = [\"games\"]\nprocess = [\"news\"]\nsafety = [\"mail\"]\n";

/// Whether this process may take another user. Says so where it may not.
pub fn can_be_others() -> bool {
    let root = rustix::process::geteuid().is_root();
    if !root {
        eprintln!("not tested here: taking another user needs root");
    }
    root
}

/// A command as that user, in exactly those groups beside the one with the user's own number. The program and its arguments
/// come next.
pub fn as_user(uid: u32, groups: &[u32]) -> Command {
    let mut command = system("setpriv", "util-linux");
    command.args([format!("--reuid={uid}"), format!("--regid={uid}")]);
    if groups.is_empty() {
        command.arg("--clear-groups");
    } else {
        let list: Vec<String> = groups.iter().map(ToString::to_string).collect();
        command.arg(format!("--groups={}", list.join(",")));
    }
    command.arg("--");
    command
}
