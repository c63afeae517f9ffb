//! The live view on a terminal: what it knows, which key does what, and the loop that keeps both current.
//!
//! Nothing here starts heat: keys stop, acknowledge and confirm presence. Whatever else there is to do is shown as a command.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use benchward_api::{Exit, shapes};
use benchward_archive::Wall;
use crossterm::event::{self, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;
use tokio::time::MissedTickBehavior;

use super::course::Course;
use super::terminal::Terminal;
use super::view::{self, Look, News, Page, Scene};
use crate::Session;
use crate::arguments::Bus;
use crate::daemon::Daemon;
use crate::failure::Failure;
use crate::readings::Readings;
use crate::records::Records;
use crate::screen::Tone;
use crate::status;

/// How often the lab is asked and the picture drawn: fast enough for a rising board, slow enough to be read.
const DRAWN_EVERY: Duration = Duration::from_millis(250);

/// Older news are none: a person would take them for what is.
const NEWS_LAST: Duration = Duration::from_secs(2);

/// Between two tries to reach a daemon that is gone.
const TRIED_EVERY: Duration = Duration::from_secs(1);

/// How long the answer to a key stays.
const ANSWER_LASTS: Duration = Duration::from_secs(10);

/// How long the thread that reads keys waits for one before it looks whether it is still needed.
const KEY_WITHIN: Duration = Duration::from_millis(200);

/// What a key asks of the daemon.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Asked {
    Present(String),
    Acknowledge(String),
    Stop(String),
    StopAll,
}

/// What comes in.
enum Came {
    Key(KeyEvent),
    Resized,
    Lab(Box<shapes::Status>),
    Nobody(String),
    Answer(Result<String, Failure>),
    /// A run's record, and what was read of it so far.
    Run(String, Box<shapes::RunShown>, Readings),
}

/// What follows of a key.
#[derive(Debug, PartialEq, Eq)]
enum Follows {
    Nothing,
    Ask(Asked),
    End,
}

/// All that the view knows.
struct Live {
    news: News,
    newest: Instant,
    page: Page,
    chosen: Option<String>,
    courses: BTreeMap<String, Course>,
    answer: Option<(Instant, Tone, String)>,
    look: Look,
}

impl Live {
    fn new(first: shapes::Status, station: Option<&str>, look: Look) -> Self {
        let mut live = Self {
            news: News::Nobody(String::new()),
            newest: Instant::now(),
            page: station.map_or(Page::All, |name| Page::One(name.to_owned())),
            chosen: station.map(str::to_owned),
            courses: BTreeMap::new(),
            answer: None,
            look,
        };
        live.take(first);
        live
    }

    /// Takes what the lab shows now. Returns stations with a run whose beginning wasn't seen.
    fn take(&mut self, lab: shapes::Status) -> Vec<(String, u64)> {
        let at = lab.at.parse().unwrap_or_else(|_| Wall::now());
        let mut unseen = Vec::new();
        for station in &lab.stations {
            let course = self.courses.entry(station.station.clone()).or_default();
            if let Some(run) = course.take(at, station) {
                unseen.push((station.station.clone(), run));
            }
        }
        if self.chosen.is_none() {
            // Once, so that a key never means another bench because that one got worse just now.
            self.chosen = status::worst_first(&lab).first().map(|one| one.station.clone());
        }
        self.news = News::Lab(Box::new(lab));
        self.newest = Instant::now();
        unseen
    }

    /// Benches as they are shown now.
    fn shown(&self) -> Vec<String> {
        match &self.news {
            News::Lab(lab) => status::worst_first(lab)
                .into_iter()
                .map(|one| one.station.clone())
                .collect(),
            News::Nobody(_) => Vec::new(),
        }
    }

    /// The bench with this number, counted from 1 in the order of the lab, which never changes.
    fn numbered(&self, number: usize) -> Option<String> {
        match &self.news {
            News::Lab(lab) => lab
                .stations
                .get(number.checked_sub(1)?)
                .map(|one| one.station.clone()),
            News::Nobody(_) => None,
        }
    }

    fn choose(&mut self, name: String) {
        if matches!(self.page, Page::One(_)) {
            self.page = Page::One(name.clone());
        }
        self.chosen = Some(name);
    }

    /// Goes up or down the benches.
    fn go(&mut self, down: bool) {
        let shown = self.shown();
        let at = shown.iter().position(|name| Some(name) == self.chosen.as_ref());
        let to = match at {
            Some(at) if down => at + 1,
            Some(at) => at.saturating_sub(1),
            None => 0,
        };
        if let Some(name) = shown.get(to) {
            self.choose(name.clone());
        }
    }

    fn press(&mut self, key: KeyEvent) -> Follows {
        if key.kind == KeyEventKind::Release {
            return Follows::Nothing;
        }
        let chosen = self.chosen.clone();
        let of_bench = |asked: fn(String) -> Asked| match &chosen {
            Some(name) => Follows::Ask(asked(name.clone())),
            None => Follows::Nothing,
        };
        match key.code {
            KeyCode::Char('c' | 'd') if key.modifiers.contains(KeyModifiers::CONTROL) => return Follows::End,
            KeyCode::Char('q' | 'Q') => return Follows::End,
            KeyCode::Char('p' | 'P') => return of_bench(Asked::Present),
            KeyCode::Char('a' | 'A') => return of_bench(Asked::Acknowledge),
            KeyCode::Char('s' | 'S') => return of_bench(Asked::Stop),
            // Even where nobody answers just now: it may again the moment this is asked.
            KeyCode::Char('x' | 'X') => return Follows::Ask(Asked::StopAll),
            KeyCode::Char(digit @ '1'..='9') => {
                if let Some(name) = digit
                    .to_digit(10)
                    .and_then(|number| self.numbered(number as usize))
                {
                    self.page = Page::One(name.clone());
                    self.chosen = Some(name);
                }
            }
            KeyCode::Up => self.go(false),
            KeyCode::Down | KeyCode::Tab => self.go(true),
            KeyCode::Enter | KeyCode::Right => {
                if let Some(name) = chosen {
                    self.page = Page::One(name);
                }
            }
            KeyCode::Esc | KeyCode::Left | KeyCode::Backspace => self.page = Page::All,
            _ => {}
        }
        Follows::Nothing
    }

    fn say(&mut self, tone: Tone, text: String) {
        self.answer = Some((Instant::now(), tone, text));
    }

    /// Lets what is too old go.
    fn age(&mut self) {
        if self
            .answer
            .as_ref()
            .is_some_and(|(since, ..)| since.elapsed() > ANSWER_LASTS)
        {
            self.answer = None;
        }
        let silent = self.newest.elapsed();
        if matches!(self.news, News::Lab(_)) && silent > NEWS_LAST {
            self.news = News::Nobody(format!(
                "the daemon has said nothing for {} s: it hangs, is stopped, or this machine is too busy",
                silent.as_secs()
            ));
        }
    }

    fn scene(&self) -> Scene<'_> {
        Scene {
            news: &self.news,
            page: &self.page,
            chosen: self.chosen.as_deref(),
            courses: &self.courses,
            answer: self.answer.as_ref().map(|(_, tone, text)| (*tone, text.as_str())),
            look: self.look,
        }
    }
}

/// Where the daemon is found again.
#[derive(Debug, Clone)]
struct Place {
    socket: Option<PathBuf>,
    bus: Bus,
}

impl Place {
    async fn reach(&self) -> Result<Daemon, Failure> {
        Daemon::reach(self.socket.as_deref(), self.bus).await
    }
}

/// Shows it until somebody ends it.
pub(super) async fn show(
    session: &Session,
    daemon: Daemon,
    first: shapes::Status,
    station: Option<&str>,
    look: Look,
) -> Result<Exit, Failure> {
    let no_signals = |error| Failure::failed(format!("can't wait for signals: {error}"));
    let mut interrupt = signal(SignalKind::interrupt()).map_err(no_signals)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(no_signals)?;
    let mut hang_up = signal(SignalKind::hangup()).map_err(no_signals)?;
    let place = Place {
        socket: session.socket.clone(),
        bus: session.bus,
    };
    let mut live = Live::new(first, station, look);
    let unseen: Vec<(String, u64)> = match &live.news {
        News::Lab(lab) => lab
            .stations
            .iter()
            .filter_map(|one| Some((one.station.clone(), one.run?)))
            .collect(),
        News::Nobody(_) => Vec::new(),
    };
    let (send, mut came) = mpsc::channel(64);
    let mut terminal =
        Terminal::take().map_err(|error| Failure::failed(format!("can't use this terminal: {error}")))?;
    let keys = send.clone();
    std::thread::spawn(move || read_keys(&keys));
    tokio::spawn(ask_again_and_again(place.clone(), Some(daemon), send.clone()));
    for (station, run) in unseen {
        look_back(place.clone(), station, run, send.clone());
    }
    let mut tick = tokio::time::interval(DRAWN_EVERY);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        let draw = tokio::select! {
            _ = interrupt.recv() => return Ok(Exit::Done),
            _ = terminate.recv() => return Ok(Exit::Done),
            _ = hang_up.recv() => return Ok(Exit::Done),
            _ = tick.tick() => true,
            Some(one) = came.recv() => match one {
                Came::Lab(lab) => {
                    for (station, run) in live.take(*lab) {
                        look_back(place.clone(), station, run, send.clone());
                    }
                    // The tick draws it.
                    false
                }
                Came::Nobody(why) => {
                    live.news = News::Nobody(why);
                    true
                }
                Came::Run(station, shown, readings) => {
                    if let Some(course) = live.courses.get_mut(&station) {
                        course.told(&shown, &readings);
                    }
                    false
                }
                Came::Answer(Ok(text)) => {
                    live.say(Tone::Good, text);
                    true
                }
                Came::Answer(Err(failure)) => {
                    live.say(Tone::Danger, words(failure));
                    true
                }
                Came::Resized => {
                    terminal.clear()?;
                    true
                }
                Came::Key(key) => {
                    match live.press(key) {
                        Follows::End => return Ok(Exit::Done),
                        Follows::Ask(asked) => {
                            live.say(Tone::Plain, "asking the daemon ...".into());
                            tokio::spawn(ask(place.clone(), asked, send.clone()));
                        }
                        Follows::Nothing => {}
                    }
                    true
                }
            },
        };
        if draw {
            live.age();
            terminal.draw(|frame| view::draw(&live.scene(), frame))?;
        }
    }
}

/// Keys until nobody wants them any more.
fn read_keys(keys: &mpsc::Sender<Came>) {
    while !keys.is_closed() {
        let came = match event::poll(KEY_WITHIN) {
            Ok(false) => continue,
            Ok(true) => match event::read() {
                Ok(event::Event::Key(key)) => Came::Key(key),
                Ok(event::Event::Resize(..)) => Came::Resized,
                Ok(_) => continue,
                Err(_) => return,
            },
            // The terminal is gone; the signal for that ends the view.
            Err(_) => return,
        };
        if keys.blocking_send(came).is_err() {
            return;
        }
    }
}

/// Asks the lab what it does, and finds it again where it was lost.
async fn ask_again_and_again(place: Place, mut daemon: Option<Daemon>, news: mpsc::Sender<Came>) {
    let mut tick = tokio::time::interval(DRAWN_EVERY);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tick.tick().await;
        let answer = match &daemon {
            Some(daemon) => daemon.status().await,
            None => match place.reach().await {
                Ok(back) => {
                    daemon = Some(back);
                    continue;
                }
                Err(failure) => Err(failure),
            },
        };
        let came = match answer {
            Ok(status) => Came::Lab(Box::new(status)),
            Err(failure) => {
                daemon = None;
                Came::Nobody(words(failure))
            }
        };
        let lost = matches!(came, Came::Nobody(_));
        if news.send(came).await.is_err() {
            return;
        }
        if lost {
            tokio::time::sleep(TRIED_EVERY).await;
        }
    }
}

/// Does what a key asked for, on a connection of its own: a question that hangs must not keep a stop waiting.
async fn ask(place: Place, asked: Asked, answers: mpsc::Sender<Came>) {
    let answer = async {
        let daemon = place.reach().await?;
        match asked {
            Asked::StopAll => {
                let lab = daemon.lab().await?;
                daemon.ask(lab.stop_all()).await
            }
            Asked::Stop(name) => {
                let station = daemon.station_unseen(&name).await?;
                daemon.ask(station.stop()).await
            }
            Asked::Present(name) => {
                let station = daemon.station_unseen(&name).await?;
                daemon.ask(station.present()).await
            }
            Asked::Acknowledge(name) => {
                let station = daemon.station_unseen(&name).await?;
                daemon.ask(station.acknowledge()).await
            }
        }
    };
    let answer = answer.await;
    // Nobody is there to be told once the view has ended.
    let _ = answers.send(Came::Answer(answer)).await;
}

/// Asks for the beginning of a run, on a thread of its own: there may be a shift of readings, and keys mustn't wait for them. A
/// chart without its beginning is still a chart: what fails is left out.
fn look_back(place: Place, station: String, run: u64, answers: mpsc::Sender<Came>) {
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let Ok(runtime) = runtime else { return };
        runtime.block_on(async {
            let Ok(daemon) = place.reach().await else { return };
            let records = Records::Daemon(daemon);
            let Ok(shown) = records.run(run).await else { return };
            let readings = records
                .recording(run)
                .await
                .map(|run| Readings::of(run, &shown.channels))
                .unwrap_or_default();
            let _ = answers.send(Came::Run(station, Box::new(shown), readings)).await;
        });
    });
}

/// What a failure says, and what to do about it.
fn words(failure: Failure) -> String {
    match failure {
        Failure::Told { text, hint, .. } => match hint {
            Some(hint) => format!("{text} ({hint})"),
            None => text,
        },
        Failure::NobodyReads => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::tests::{dwelling, idle, lab, tripped};

    fn live() -> Live {
        let look = Look {
            colour: false,
            ascii: false,
        };
        let lab = lab(vec![dwelling("bench-1"), tripped("bench-2"), idle("bench-3")]);
        Live::new(lab, None, look)
    }

    fn press(live: &mut Live, code: KeyCode) -> Follows {
        live.press(KeyEvent::new(code, KeyModifiers::NONE))
    }

    #[test]
    fn keys_are_about_the_bench_that_is_chosen() {
        let mut live = live();
        assert_eq!(
            live.chosen.as_deref(),
            Some("bench-2"),
            "the worst, to begin with"
        );
        let asked = |asked: fn(String) -> Asked, name: &str| Follows::Ask(asked(name.into()));
        assert_eq!(
            press(&mut live, KeyCode::Char('a')),
            asked(Asked::Acknowledge, "bench-2")
        );
        assert_eq!(
            press(&mut live, KeyCode::Char('p')),
            asked(Asked::Present, "bench-2")
        );
        press(&mut live, KeyCode::Down);
        assert_eq!(
            press(&mut live, KeyCode::Char('s')),
            asked(Asked::Stop, "bench-1")
        );
        press(&mut live, KeyCode::Char('3'));
        assert_eq!(live.page, Page::One("bench-3".into()));
        assert_eq!(
            press(&mut live, KeyCode::Char('s')),
            asked(Asked::Stop, "bench-3")
        );
        press(&mut live, KeyCode::Down);
        press(&mut live, KeyCode::Up);
        assert_eq!(
            live.page,
            Page::One("bench-1".into()),
            "the next one up of those shown"
        );
        press(&mut live, KeyCode::Esc);
        assert_eq!(live.page, Page::All);
        press(&mut live, KeyCode::Enter);
        assert_eq!(live.page, Page::One("bench-1".into()));
        press(&mut live, KeyCode::Char('9'));
        assert_eq!(live.page, Page::One("bench-1".into()), "there is no ninth");
        assert_eq!(press(&mut live, KeyCode::Char('x')), Follows::Ask(Asked::StopAll));
        assert_eq!(press(&mut live, KeyCode::Char('q')), Follows::End);
        let control_c = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
        assert_eq!(live.press(control_c), Follows::End);
    }

    /// Whatever is pressed, the daemon is asked for nothing that gives heat: a new question needs a line here.
    #[test]
    fn no_key_starts_heat() {
        let mut asked = std::collections::BTreeSet::new();
        for letter in ' '..='~' {
            if let Follows::Ask(what) = press(&mut live(), KeyCode::Char(letter)) {
                asked.insert(format!("{what:?}"));
            }
        }
        assert_eq!(
            asked.into_iter().collect::<Vec<_>>(),
            [
                "Acknowledge(\"bench-2\")",
                "Present(\"bench-2\")",
                "Stop(\"bench-2\")",
                "StopAll"
            ]
        );
    }

    #[test]
    fn a_bench_that_gets_worse_takes_no_key_from_another() {
        let mut live = live();
        press(&mut live, KeyCode::Down);
        assert_eq!(live.chosen.as_deref(), Some("bench-1"));
        live.take(lab(vec![
            dwelling("bench-1"),
            tripped("bench-2"),
            tripped("bench-3"),
        ]));
        assert_eq!(live.chosen.as_deref(), Some("bench-1"));
        live.take(lab(vec![tripped("bench-1")]));
        assert_eq!(live.chosen.as_deref(), Some("bench-1"));
    }

    #[test]
    fn old_news_are_none() {
        let mut live = live();
        live.age();
        assert!(matches!(live.news, News::Lab(_)));
        live.newest = Instant::now().checked_sub(Duration::from_secs(3)).unwrap();
        live.age();
        let News::Nobody(why) = &live.news else {
            panic!("3 s is too old")
        };
        assert!(why.contains("nothing for 3 s"), "{why}");
        assert!(live.shown().is_empty() && live.numbered(1).is_none());
    }
}
