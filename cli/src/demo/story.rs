//! What the demo tells, and how.

use std::io::{self, IsTerminal, Write};
use std::time::Instant;

use benchward_api::shapes;

use crate::figures::{celsius, clock, percent};
use crate::screen::{Screen, Tone, wrapped};

/// Longest part of an MQTT message that is shown, characters.
const PAYLOAD_CHARS_MAX: usize = 100;

/// Where the text of a line begins, after time and station.
const INDENT: usize = 17;

/// The teller. With `--json` it tells on stderr, since stdout is for the object.
pub(super) struct Story<'s> {
    screen: &'s Screen,
    speed: f64,
    began: Instant,
    /// Of the terminal, where one reads.
    columns: Option<usize>,
}

impl<'s> Story<'s> {
    pub(super) fn new(screen: &'s Screen, speed: u32) -> Self {
        let columns = io::stdout().is_terminal().then(crate::screen::columns);
        Self {
            screen,
            speed: f64::from(speed),
            began: Instant::now(),
            columns,
        }
    }

    /// The lab's time counts from now.
    pub(super) fn begin(&mut self) {
        self.began = Instant::now();
    }

    /// Lab seconds since [`Story::begin`].
    pub(super) fn now_s(&self) -> f64 {
        self.began.elapsed().as_secs_f64() * self.speed
    }

    fn line(&self, text: &str) -> io::Result<()> {
        if self.screen.is_json() {
            // Nobody has to read the story.
            let _ = writeln!(io::stderr(), "{text}");
            Ok(())
        } else {
            self.screen.print(&format!("{text}\n"))
        }
    }

    /// On stderr: it is no part of the story, and has to be read all the same.
    pub(super) fn caution(&self, text: &str) {
        self.screen.say(Tone::Danger, "Caution", text);
    }

    pub(super) fn heading(&self, text: &str) -> io::Result<()> {
        self.line(&format!("\n{}", self.screen.paint().text(Tone::Strong, text)))
    }

    pub(super) fn say(&self, text: &str) -> io::Result<()> {
        self.line(&format!("  {text}"))
    }

    /// A line at a time, about a station. On a terminal it is broken between words.
    fn at(&self, station: &str, tone: Tone, text: &str) -> io::Result<()> {
        let paint = self.screen.paint();
        let pieces = match self.columns {
            Some(columns) => wrapped(text, columns.saturating_sub(INDENT)),
            None => vec![text.to_owned()],
        };
        let mut head = format!("{:>6}  {station:<8} ", clock(self.now_s()));
        for piece in pieces {
            self.line(&format!("{head}{}", paint.text(tone, &piece)))?;
            head = " ".repeat(INDENT);
        }
        Ok(())
    }

    /// What a person does.
    pub(super) fn deed(&self, station: &str, words: &str) -> io::Result<()> {
        self.at(station, Tone::Strong, words)
    }

    /// A message that came over the broker.
    pub(super) fn mqtt(&self, topic: &str, payload: &str) -> io::Result<()> {
        self.at("mqtt", Tone::Faint, &format!("{topic} {}", shortened(payload)))
    }

    /// All benches on a line.
    pub(super) fn temperatures(&self, status: &shapes::Status) -> io::Result<()> {
        let benches: Vec<String> = status
            .stations
            .iter()
            .map(|station| {
                let hottest = station
                    .channels
                    .iter()
                    .filter_map(|channel| channel.celsius)
                    .reduce(f64::max);
                format!(
                    "{} {}, heat {}",
                    station.station,
                    celsius(hottest),
                    percent(station.heat)
                )
            })
            .collect();
        self.at("", Tone::Faint, &benches.join(" | "))
    }

    /// An entry of the daemon's journal. `status`: of the same moment, where the full text of a trip stands.
    pub(super) fn entry(&self, entry: &shapes::Entry, status: &shapes::Status) -> io::Result<()> {
        let Some((tone, text)) = words(entry, status) else {
            return Ok(());
        };
        self.at(entry.station.as_deref().unwrap_or("lab"), tone, &text)
    }
}

/// What is told of an entry. The people's own acts are told when they do them; what only matters to an auditor is left
/// to `journal list`.
fn words(entry: &shapes::Entry, status: &shapes::Status) -> Option<(Tone, String)> {
    let station = entry.station.as_deref().unwrap_or_default();
    let text = entry
        .text
        .strip_prefix(&format!("{station}: "))
        .unwrap_or(&entry.text)
        .to_owned();
    Some(match entry.kind.as_str() {
        "run-started" | "stage" | "run-outcome" => (Tone::Plain, text),
        "safe" => (Tone::Good, text),
        // The journal names the interlock once more at the end.
        "warning" => (
            Tone::Warning,
            text.split(" (`").next().unwrap_or(&text).to_owned(),
        ),
        "trip" => {
            let shown = status
                .stations
                .iter()
                .filter(|one| one.station == station)
                .flat_map(|one| &one.interlocks)
                .find(|one| one.standing == "tripped" && text.contains(&one.interlock))
                .map(|one| one.text.clone());
            (Tone::Danger, shown.unwrap_or(text))
        }
        _ => return None,
    })
}

/// The beginning of a text, on one line.
fn shortened(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|letter| if letter.is_control() { ' ' } else { letter })
        .collect();
    if plain.chars().count() <= PAYLOAD_CHARS_MAX {
        plain
    } else {
        plain
            .chars()
            .take(PAYLOAD_CHARS_MAX)
            .chain(" ...".chars())
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::tests::{lab, tripped};

    fn entry(kind: &str, text: &str) -> shapes::Entry {
        shapes::Entry {
            n: 1,
            at: String::new(),
            kind: kind.into(),
            station: Some("bench-2".into()),
            run: None,
            who: None,
            text: text.into(),
            data: serde_json::Value::Null,
            hash: String::new(),
        }
    }

    #[test]
    fn a_trip_is_told_with_what_to_do() {
        let status = lab(vec![tripped("bench-2")]);
        let (tone, text) = words(&entry("trip", "bench-2: `operator-absent` tripped"), &status).unwrap();
        assert_eq!(tone, Tone::Danger);
        assert!(text.ends_with("Heat is off."), "{text}");
        // Where it no longer stands, what the journal says has to do.
        let (_, text) = words(&entry("trip", "bench-2: `clock` tripped"), &status).unwrap();
        assert_eq!(text, "`clock` tripped");
    }

    #[test]
    fn acts_of_people_are_not_told_twice() {
        assert!(
            words(
                &entry("present", "bench-2: op1 confirmed presence"),
                &lab(Vec::new())
            )
            .is_none()
        );
    }

    #[test]
    fn a_warning_names_its_interlock_once() {
        let (_, text) = words(
            &entry(
                "warning",
                "bench-2: warning `operator-absent` is over (`operator-absent`)",
            ),
            &lab(Vec::new()),
        )
        .unwrap();
        assert_eq!(text, "warning `operator-absent` is over");
    }

    #[test]
    fn long_messages_are_cut() {
        assert_eq!(shortened("{\"a\":\n1}"), "{\"a\": 1}");
        assert_eq!(shortened(&"x".repeat(300)).chars().count(), PAYLOAD_CHARS_MAX + 4);
    }
}
