//! The terminal while the live view has it, and as it was before, whatever ends the view.

use std::io::{self, Stdout, Write};
use std::sync::Once;

use crossterm::cursor::{Hide, Show};
use crossterm::queue;
use crossterm::terminal::{
    BeginSynchronizedUpdate, EndSynchronizedUpdate, EnterAlternateScreen, LeaveAlternateScreen,
    disable_raw_mode, enable_raw_mode,
};
use ratatui::Frame;
use ratatui::backend::CrosstermBackend;

/// A terminal in raw mode on its alternate screen. It is as it was before with the end of this value, and where the program panics.
#[derive(Debug)]
pub(super) struct Terminal(ratatui::Terminal<CrosstermBackend<Stdout>>);

impl Terminal {
    /// Takes it.
    ///
    /// # Errors
    /// If there is no terminal.
    pub(super) fn take() -> io::Result<Self> {
        static HOOK: Once = Once::new();
        // A panic's text has to be read where people read, after the alternate screen is gone.
        HOOK.call_once(|| {
            let before = std::panic::take_hook();
            std::panic::set_hook(Box::new(move |panic| {
                give_back();
                before(panic);
            }));
        });
        enable_raw_mode()?;
        let mut out = io::stdout();
        // From here on something has to be given back.
        let taken = queue!(out, EnterAlternateScreen, Hide)
            .and_then(|()| out.flush())
            .and_then(|()| ratatui::Terminal::new(CrosstermBackend::new(out)));
        match taken {
            Ok(terminal) => Ok(Self(terminal)),
            Err(error) => {
                give_back();
                Err(error)
            }
        }
    }

    /// Draws what changed, in one go on a terminal that knows synchronized output (DEC mode 2026).
    pub(super) fn draw(&mut self, picture: impl FnOnce(&mut Frame<'_>)) -> io::Result<()> {
        queue!(self.0.backend_mut(), BeginSynchronizedUpdate)?;
        self.0.draw(picture)?;
        queue!(self.0.backend_mut(), EndSynchronizedUpdate)?;
        self.0.backend_mut().flush()
    }

    /// Forgets what is on the screen, so that the next picture is drawn whole: something else may have written there.
    pub(super) fn clear(&mut self) -> io::Result<()> {
        self.0.clear()
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        give_back();
    }
}

/// The terminal may be gone already: there is nobody to tell.
fn give_back() {
    let mut out = io::stdout();
    let _ = queue!(out, EndSynchronizedUpdate, LeaveAlternateScreen, Show);
    let _ = out.flush();
    let _ = disable_raw_mode();
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Not a test of its own: what [`a_panic_gives_the_terminal_back`] runs on a pseudo terminal.
    #[test]
    #[ignore = "needs a terminal and panics"]
    fn panics_with_a_terminal() {
        let mut terminal = Terminal::take().expect("there is one");
        terminal.draw(|_| {}).expect("it can be drawn on");
        panic!("as it was meant to");
    }

    #[test]
    fn a_panic_gives_the_terminal_back() {
        let this = std::env::current_exe().unwrap();
        let output = std::process::Command::new("script")
            .arg("--quiet")
            .arg("--command")
            .arg(format!(
                "stty -g; {} --ignored --exact --nocapture watch::terminal::tests::panics_with_a_terminal; stty -g",
                this.display()
            ))
            .arg("/dev/null")
            .env("TERM", "xterm-256color")
            .stdin(std::process::Stdio::null())
            .output()
            .expect("`script` of util-linux (Debian: bsdutils) is installed");
        let text = String::from_utf8_lossy(&output.stdout);
        let place = |part: &str| text.find(part).unwrap_or_else(|| panic!("no {part:?}: {text:?}"));
        assert!(place("\u{1b}[?1049h") < place("\u{1b}[?1049l"), "{text:?}");
        assert!(
            place("\u{1b}[?1049l") < place("as it was meant to"),
            "it is read where people read: {text:?}"
        );
        assert!(place("\u{1b}[?25l") < place("\u{1b}[?25h"), "{text:?}");
        let is_setting = |line: &&str| {
            line.len() > 40 && line.bytes().all(|byte| byte.is_ascii_hexdigit() || byte == b':')
        };
        let settings: Vec<&str> = text.lines().map(str::trim).filter(is_setting).collect();
        assert_eq!(settings.len(), 2, "{text:?}");
        assert_eq!(settings[0], settings[1], "the terminal's settings are as before");
    }
}
