//! A real pseudo terminal with a program on it: tmux types, and says what stands on the screen.

use std::process::Command;

use crate::command::Done;
use crate::place::Place;
use crate::programs::{program, system};
use crate::wait::wait_for;

/// A terminal; it and what runs on it end with this value.
#[derive(Debug)]
pub struct Terminal {
    /// Where its server listens: a folder of its own, since a server that ends is not gone at once.
    folder: tempfile::TempDir,
}

impl Terminal {
    /// `columns` by `rows`, with a shell that runs `script` and then stays. The command line is `benchward`, for the lab in
    /// `place`. `variables`: of the environment, as `NAME=VALUE`.
    ///
    /// # Panics
    /// If tmux isn't installed.
    pub fn open(place: &Place, (columns, rows): (u16, u16), variables: &[&str], script: &str) -> Self {
        let terminal = Self {
            folder: tempfile::tempdir().expect("a temporary folder"),
        };
        let program = program("benchward");
        let folder = program.parent().expect("it is in a folder").display();
        let mut tmux = terminal.tmux();
        tmux.args([
            "new-session",
            "-d",
            "-x",
            &columns.to_string(),
            "-y",
            &rows.to_string(),
        ]);
        for variable in variables {
            tmux.args(["-e", variable]);
        }
        // What the server of tmux makes of its surroundings is its own affair; so this is said where it counts.
        let surroundings = format!(
            "export PATH={folder}:$PATH LANG=C.UTF-8 BENCHWARD_SOCKET={}",
            place.socket().display()
        );
        tmux.args(["sh", "-c", &format!("{surroundings}\n{script}\nexec sleep 600")]);
        terminal.run(tmux);
        terminal
    }

    fn tmux(&self) -> Command {
        let mut tmux = system("tmux", "tmux");
        tmux.args(["-u", "-f", "/dev/null", "-S"])
            .arg(self.folder.path().join("tmux"))
            .env_remove("NO_COLOR")
            .env_remove("TMUX")
            .env("LANG", "C.UTF-8");
        tmux
    }

    #[expect(
        clippy::unused_self,
        reason = "reads as what it is: something on this terminal"
    )]
    fn run(&self, mut tmux: Command) -> String {
        let done = Done::of(&tmux.output().expect("tmux can be started"));
        assert_eq!(done.code, 0, "{tmux:?}: {done:?}");
        done.stdout
    }

    /// What stands on the screen.
    pub fn screen(&self) -> String {
        let mut tmux = self.tmux();
        tmux.args(["capture-pane", "-p"]);
        self.run(tmux)
    }

    /// [`Terminal::screen`] with the sequences that colour it.
    pub fn painted(&self) -> String {
        let mut tmux = self.tmux();
        tmux.args(["capture-pane", "-p", "-e"]);
        self.run(tmux)
    }

    /// Presses a key, by the name that tmux has for it.
    pub fn press(&self, key: &str) {
        let mut tmux = self.tmux();
        tmux.args(["send-keys", key]);
        self.run(tmux);
    }

    /// Makes it another size.
    pub fn resize(&self, columns: u16, rows: u16) {
        let mut tmux = self.tmux();
        tmux.args([
            "resize-window",
            "-x",
            &columns.to_string(),
            "-y",
            &rows.to_string(),
        ]);
        self.run(tmux);
    }

    /// Whether a program has the alternate screen, and whether the cursor can be seen.
    ///
    /// # Panics
    /// If tmux doesn't say.
    pub fn state(&self) -> (bool, bool) {
        let mut tmux = self.tmux();
        tmux.args(["display-message", "-p", "#{alternate_on} #{cursor_flag}"]);
        let said = self.run(tmux);
        let mut words = said.split_whitespace().map(|word| word == "1");
        let mut word = || words.next().expect("two words");
        (word(), word())
    }

    /// Waits until all parts stand on the screen; returns it.
    ///
    /// # Panics
    /// If they don't come, with the screen.
    pub fn wait_for(&self, parts: &[&str]) -> String {
        let mut last = String::new();
        let there = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            wait_for(&format!("{parts:?} on the screen"), || {
                last = self.screen();
                parts.iter().all(|part| last.contains(part)).then(|| last.clone())
            })
        }));
        there.unwrap_or_else(|_| panic!("{parts:?} are not on the screen:\n{last}"))
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = self.tmux().arg("kill-server").output();
    }
}
