//! Programs that the demo starts, and ends.

use std::ffi::OsStr;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{ExitStatus, Stdio};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use tokio::process::{Child, Command};
use tokio::time::timeout;

use crate::failure::Failure;

/// How long a program may take to end after SIGTERM. The daemon has 10 s for itself.
const END_WITHIN: Duration = Duration::from_secs(15);

/// Lines of a log that are shown when its program fails.
const LAST_LINES: usize = 12;

/// Finds a program beside this one, else on `PATH`.
pub(super) fn find(name: &str) -> Result<PathBuf, Failure> {
    let me = std::env::current_exe().ok();
    search(name, me.as_deref().and_then(Path::parent)).ok_or_else(|| missing(name, me.as_deref()))
}

/// Finds a program where another one will look for it: beside it, else on `PATH`.
pub(super) fn find_beside(name: &str, other: &Path) -> Result<PathBuf, Failure> {
    search(name, other.parent()).ok_or_else(|| missing(name, Some(other)))
}

fn missing(name: &str, beside: Option<&Path>) -> Failure {
    let folder = beside
        .and_then(Path::parent)
        .map_or_else(String::new, |dir| format!("in {} nor ", dir.display()));
    Failure::failed(format!("`{name}` is neither {folder}on PATH"))
        .hint("in the project's folder `cargo build` builds all programs; a package installs them together")
}

fn search(name: &str, beside: Option<&Path>) -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    beside
        .map(Path::to_owned)
        .into_iter()
        .chain(std::env::split_paths(&path))
        .map(|folder| folder.join(name))
        .find(|program| is_program(program))
}

fn is_program(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    path.metadata()
        .is_ok_and(|found| found.is_file() && found.permissions().mode() & 0o111 != 0)
}

/// [`search`] for a program of the system, which may be in a folder that only administrators have on their `PATH`.
pub(super) fn find_system(name: &str) -> Option<PathBuf> {
    search(name, Some(Path::new("/usr/sbin")))
}

/// A program that runs, in a process group of its own: Ctrl-C is for the demo, which then ends the others in order.
pub(super) struct Program {
    child: Child,
    log: PathBuf,
}

impl Program {
    /// Starts it; what it prints goes to `log`.
    pub(super) fn start(program: &Path, arguments: &[&OsStr], log: &Path) -> Result<Self, Failure> {
        let cannot =
            |error: std::io::Error| Failure::failed(format!("can't start {}: {error}", program.display()));
        let out = File::create(log).map_err(cannot)?;
        let err = out.try_clone().map_err(cannot)?;
        let child = Command::new(program)
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(out)
            .stderr(err)
            .process_group(0)
            .kill_on_drop(true)
            .spawn()
            .map_err(cannot)?;
        Ok(Self {
            child,
            log: log.to_owned(),
        })
    }

    /// How it ended, if it has.
    pub(super) fn has_ended(&mut self) -> Result<Option<ExitStatus>, Failure> {
        self.child
            .try_wait()
            .map_err(|error| Failure::failed(format!("can't see whether a program runs: {error}")))
    }

    /// Waits until it ends.
    pub(super) async fn ended(&mut self) {
        // Only fails if there is nothing to wait for.
        let _ = self.child.wait().await;
    }

    /// Tells it to end, and waits. Killed if it doesn't.
    pub(super) async fn end(mut self) -> Result<(), Failure> {
        let name = self.log.display().to_string();
        if let Some(pid) = self
            .child
            .id()
            .and_then(|id| i32::try_from(id).ok())
            .and_then(Pid::from_raw)
        {
            // It may be ending just now.
            let _ = kill_process(pid, Signal::TERM);
        }
        match timeout(END_WITHIN, self.child.wait()).await {
            Ok(Ok(status)) if status.success() => Ok(()),
            Ok(Ok(status)) => Err(Failure::failed(format!(
                "a program ended with {status}\n{}",
                self.last_words()
            ))),
            Ok(Err(error)) => Err(Failure::failed(format!(
                "can't wait for a program (log {name}): {error}"
            ))),
            Err(_) => {
                let _ = self.child.kill().await;
                Err(Failure::failed(format!(
                    "a program did not end within {} s of SIGTERM and was killed (log {name})",
                    END_WITHIN.as_secs()
                )))
            }
        }
    }

    /// The end of its log.
    pub(super) fn last_words(&self) -> String {
        let text = fs::read(&self.log).unwrap_or_default();
        let text = String::from_utf8_lossy(&text);
        let lines: Vec<&str> = text.lines().collect();
        let last = lines[lines.len().saturating_sub(LAST_LINES)..].join("\n  ");
        format!("the end of {}:\n  {last}", self.log.display())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn runtime() -> tokio::runtime::Runtime {
        tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap()
    }

    #[test]
    fn a_program_ends_when_told_and_its_last_words_are_kept() {
        runtime().block_on(async {
            let folder = tempfile::tempdir().unwrap();
            let log = folder.path().join("log");
            let shell = find("sh").unwrap();
            let script = "trap 'exit 0' TERM; echo up; while :; do sleep 0.05; done";
            let mut program = Program::start(&shell, &["-c".as_ref(), script.as_ref()], &log).unwrap();
            while !program.last_words().ends_with("up") {
                assert!(program.has_ended().unwrap().is_none(), "{}", program.last_words());
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
            program.end().await.unwrap();
        });
    }

    #[test]
    fn a_program_that_fails_says_how() {
        runtime().block_on(async {
            let folder = tempfile::tempdir().unwrap();
            let shell = find("sh").unwrap();
            let arguments = ["-c".as_ref(), "echo broken >&2; exit 3".as_ref()];
            let mut program = Program::start(&shell, &arguments, &folder.path().join("log")).unwrap();
            program.ended().await;
            let Err(Failure::Told { text, .. }) = program.end().await else {
                panic!("it ended well")
            };
            assert!(text.contains('3') && text.ends_with("broken"), "{text}");
        });
    }

    #[test]
    fn a_program_that_isnt_there_names_the_place() {
        let Err(Failure::Told { text, hint, .. }) = find("benchward-nothing") else {
            panic!("it was found")
        };
        assert!(
            text.contains("benchward-nothing") && text.contains("PATH"),
            "{text}"
        );
        assert!(hint.is_some());
    }
}
