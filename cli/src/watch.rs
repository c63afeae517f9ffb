//! `benchward watch`: the same, kept current.
//!
//! On a terminal the picture is drawn over itself; each line is overwritten and only its rest erased, so that nothing
//! flickers. Elsewhere plain lines come out, or JSON Lines with `--json`.

use std::fmt::Write as _;
use std::io::{self, IsTerminal, Write};
use std::time::Duration;

use benchward_api::{Exit, shapes};
use clap::Args;
use tokio::signal::unix::{SignalKind, signal};
use tokio::time::MissedTickBehavior;

use crate::Session;
use crate::daemon::Daemon;
use crate::failure::Failure;
use crate::figures::{celsius, clock, percent};
use crate::foretold;
use crate::screen::wrapped;
use crate::status::{self, Need};

/// How often the picture is drawn: fast enough for a rising board, slow enough to be read.
const DRAWN_EVERY: Duration = Duration::from_millis(250);

/// How often a line per station goes to a file or a program.
const SAID_EVERY: Duration = Duration::from_secs(1);

const EXAMPLES: &str = "\
Examples:
  benchward watch                       all benches, worst first; Ctrl-C ends
  benchward watch bench-1               one bench with its channels
  benchward watch --once                one look
  benchward --json watch                one object a second, for a program";

/// Show what the benches do, kept current
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Only this station, with all its channels
    station: Option<String>,
    /// Show it once and end
    #[arg(long)]
    once: bool,
}

pub(crate) async fn watch(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let daemon = session.daemon_to_show().await?;
    let station = arguments.station.as_deref();
    let first = status::only(daemon.status().await?, station)?;
    let drawn = io::stdout().is_terminal() && !session.screen.is_json();
    if arguments.once {
        show(session, &first, station)?;
        return Ok(Exit::Done);
    }
    if drawn {
        draw(session, daemon, station).await
    } else {
        tell(session, daemon, station).await
    }
}

fn show(session: &Session, status: &shapes::Status, station: Option<&str>) -> io::Result<()> {
    session
        .screen
        .show(status, |status, paint| picture(status, station, paint))
}

fn picture(status: &shapes::Status, station: Option<&str>, paint: crate::screen::Paint) -> String {
    match (station, status.stations.as_slice()) {
        (Some(_), [station]) => {
            status::alarms(status, paint)
                + &status::one(station, paint)
                + &status::calibrations(status, paint)
        }
        _ => status::all(status, paint),
    }
}

/// Lines, for whatever isn't a terminal.
async fn tell(session: &Session, daemon: Daemon, station: Option<&str>) -> Result<Exit, Failure> {
    let mut tick = tokio::time::interval(SAID_EVERY);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tick.tick().await;
        let status = status::only(daemon.status().await?, station)?;
        if session.screen.is_json() {
            session.screen.json(&status)?;
        } else {
            let now = benchward_archive::Wall::now().to_string();
            let alarms = status.alarms.iter().map(|alarm| format!("{now} {}", alarm.text));
            let stations = status.stations.iter().map(|station| line(&now, station));
            let lines: Vec<String> = alarms.chain(stations).collect();
            session.screen.print(&lines.join("\n"))?;
        }
    }
}

/// One station on one line.
fn line(now: &str, station: &shapes::Station) -> String {
    let mut line = format!("{now} {} {}", station.station, status::state(station));
    for (label, value) in [
        (
            "control",
            station.control_celsius.map(|degrees| celsius(Some(degrees))),
        ),
        (
            "target",
            station.target_celsius.map(|degrees| celsius(Some(degrees))),
        ),
        ("heat", Some(percent(station.heat))),
        ("presence", station.presence_left_s.map(clock)),
    ] {
        if let Some(value) = value {
            let _ = write!(line, ", {label} {value}");
        }
    }
    if let Some(asked) = &station.waits_for {
        let _ = write!(
            line,
            "; heat is off: {asked} `benchward run confirm {}`",
            station.station
        );
    }
    if let Some(safe) = station
        .prediction
        .as_ref()
        .and_then(|prediction| foretold::moment(&prediction.safe))
    {
        let _ = write!(line, ", safe to handle {safe}");
    }
    if Need::of(station) >= Need::Warning {
        for interlock in station
            .interlocks
            .iter()
            .filter(|interlock| interlock.standing != "clear")
        {
            let _ = write!(line, "; {}", interlock.text);
        }
    }
    line
}

/// Leaves the cursor as it was, whatever ends the picture.
struct Cursor;

impl Cursor {
    fn hide() -> io::Result<Self> {
        let mut out = io::stdout().lock();
        out.write_all(b"\x1b[?25l\x1b[2J")?;
        out.flush()?;
        Ok(Self)
    }
}

impl Drop for Cursor {
    fn drop(&mut self) {
        // The terminal may be gone already.
        let _ = io::stdout().write_all(b"\x1b[?25h\n");
        let _ = io::stdout().flush();
    }
}

/// The picture, on a terminal.
async fn draw(session: &Session, mut daemon: Daemon, station: Option<&str>) -> Result<Exit, Failure> {
    let (mut interrupt, mut terminate) =
        match (signal(SignalKind::interrupt()), signal(SignalKind::terminate())) {
            (Ok(interrupt), Ok(terminate)) => (interrupt, terminate),
            (Err(error), _) | (_, Err(error)) => {
                return Err(Failure::failed(format!("can't wait for signals: {error}")));
            }
        };
    let mut tick = tokio::time::interval(DRAWN_EVERY);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let _cursor = Cursor::hide()?;
    loop {
        tokio::select! {
            _ = interrupt.recv() => return Ok(Exit::Done),
            _ = terminate.recv() => return Ok(Exit::Done),
            _ = tick.tick() => {}
        }
        let text = match daemon.status().await {
            Ok(status) => picture(&status::only(status, station)?, station, session.screen.paint()),
            Err(failure) => {
                if let Ok(back) = session.daemon().await {
                    daemon = back;
                }
                lost(failure)
            }
        };
        let ending = "\nCtrl-C ends watching; benchward stop takes all heat away";
        let (rows, columns) = size();
        io::stdout()
            .lock()
            .write_all(frame(&format!("{text}{ending}"), rows, columns).as_bytes())?;
        io::stdout().flush()?;
    }
}

/// The picture while nobody answers: old figures would be taken for new ones.
fn lost(failure: Failure) -> String {
    let text = match failure {
        Failure::Told { text, .. } => text,
        Failure::NobodyReads => String::new(),
    };
    format!(
        "NO DAEMON\n\n{text}\n\nHeat lapses by itself within 1.5 s of the daemon's last word. Trying again.\n"
    )
}

/// Rows and columns of the terminal.
pub(crate) fn size() -> (usize, usize) {
    match rustix::termios::tcgetwinsize(io::stdout()) {
        Ok(size) if size.ws_row > 0 && size.ws_col > 0 => (size.ws_row.into(), size.ws_col.into()),
        _ => (24, 80),
    }
}

/// Everything that redraws the screen with `text`: from the top left corner, each line and then the rest erased, what
/// doesn't fit left out. Synchronized output (DEC mode 2026) keeps a terminal that knows it from showing half of it.
fn frame(text: &str, rows: usize, columns: usize) -> String {
    let mut frame = String::from("\x1b[?2026h\x1b[H");
    let mut lines = text
        .lines()
        .flat_map(|line| wrapped(line, columns))
        .take(rows)
        .peekable();
    while let Some(line) = lines.next() {
        frame.push_str(&line);
        frame.push_str("\x1b[K");
        if lines.peek().is_some() {
            frame.push_str("\r\n");
        }
    }
    frame.push_str("\x1b[J\x1b[?2026l");
    frame
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::tests::{dwelling, tripped};

    #[test]
    fn a_line_holds_what_a_log_needs() {
        assert_eq!(
            line("2026-11-25T13:46:33.120Z", &dwelling("bench-1")),
            "2026-11-25T13:46:33.120Z bench-1 dwell 1/2, control 79.8 °C, target 80.0 °C, heat 12 %, presence 14:20, \
             safe to handle 14:32Z, between 14:29 and 14:35"
        );
        assert!(line("", &tripped("bench-2")).ends_with("limit 2 min. Heat is off."));
    }

    #[test]
    fn a_frame_fits_the_terminal() {
        let drawn = frame("one\ntwo is too wide\nthree", 3, 8);
        assert_eq!(
            drawn,
            "\x1b[?2026h\x1b[Hone\x1b[K\r\ntwo is\x1b[K\r\ntoo wide\x1b[K\x1b[J\x1b[?2026l"
        );
        assert!(
            !drawn.ends_with("\r\n"),
            "the last line must not scroll the screen"
        );
    }
}
