//! `benchward status`: what every bench does now, worst first, and what to do about it.

use std::fmt::Write as _;

use benchward_api::{Exit, shapes};
use clap::Args;

use crate::Session;
use crate::failure::Failure;
use crate::figures::{NONE, celsius, clock, clock_or_none, count, or_none, percent};
use crate::foretold;
use crate::screen::{Paint, Tone};
use crate::spoken::spoken;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward status                all benches, worst first
  benchward status bench-1        one bench with its channels
  benchward --json status         for a program";

/// Show what every bench does now, worst first
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Only this station, with all its channels
    pub(crate) station: Option<String>,
}

pub(crate) async fn status(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let status = session.daemon_to_show().await?.status().await?;
    let status = only(status, arguments.station.as_deref())?;
    session.screen.show(&status, |status, paint| {
        match (&arguments.station, status.stations.as_slice()) {
            (Some(_), [station]) => {
                alarms(status, paint) + &one(station, paint) + &calibrations(status, paint)
            }
            _ => all(status, paint),
        }
    })?;
    Ok(Exit::Done)
}

/// Keeps the station of that name; all if there is none named.
pub(crate) fn only(mut status: shapes::Status, station: Option<&str>) -> Result<shapes::Status, Failure> {
    let Some(name) = station else { return Ok(status) };
    if !status.stations.iter().any(|station| station.station == name) {
        return Err(Failure::no_such(
            "station",
            name,
            status.stations.iter().map(|one| one.station.as_str()),
        ));
    }
    status.stations.retain(|station| station.station == name);
    status
        .calibration_warnings
        .retain(|warning| warning.station == name);
    Ok(status)
}

/// How much a station needs a person, least first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Need {
    /// Nothing goes on.
    Idle,
    /// Safe to handle: a board waits to be taken.
    Cool,
    /// Heat is off, the board is hot.
    Cooldown,
    /// Heat may be on.
    Heating,
    /// No driver, no heat.
    DriverDown,
    /// A run waits for a person.
    Waits,
    /// An interlock is about to act.
    Warning,
    /// Tripped, and somebody has seen it.
    Acknowledged,
    /// Tripped, and nobody has seen it.
    Tripped,
}

impl Need {
    pub(crate) fn of(station: &shapes::Station) -> Self {
        let standings = |wanted: &str| {
            station
                .interlocks
                .iter()
                .any(|interlock| interlock.standing == wanted)
        };
        if standings("tripped") {
            Self::Tripped
        } else if standings("acknowledged") {
            Self::Acknowledged
        } else if standings("warning") {
            Self::Warning
        } else if station.driver != "up" {
            Self::DriverDown
        } else if station.waits_for.is_some() {
            Self::Waits
        } else {
            match station.phase.as_str() {
                "ramp" | "dwell" => Self::Heating,
                "cooldown" => Self::Cooldown,
                "cool" => Self::Cool,
                _ => Self::Idle,
            }
        }
    }

    pub(crate) const fn tone(self) -> Tone {
        match self {
            Self::Tripped => Tone::Danger,
            Self::Acknowledged | Self::Warning | Self::Waits | Self::DriverDown => Tone::Warning,
            Self::Heating => Tone::Strong,
            Self::Cool => Tone::Good,
            Self::Cooldown => Tone::Plain,
            Self::Idle => Tone::Faint,
        }
    }

    /// Catches the eye without colour.
    pub(crate) const fn mark(self) -> &'static str {
        match self {
            Self::Tripped | Self::Acknowledged => "!!",
            Self::Warning | Self::Waits | Self::DriverDown => "!",
            Self::Heating => "*",
            Self::Cooldown => "~",
            Self::Cool | Self::Idle => "",
        }
    }
}

/// The state of a station in one or two words.
pub(crate) fn state(station: &shapes::Station) -> String {
    let phase = phase(station);
    match Need::of(station) {
        Need::Tripped => "TRIPPED".into(),
        Need::Acknowledged => "tripped, seen".into(),
        Need::Warning => format!("{phase} WARNING"),
        Need::DriverDown => "NO DRIVER".into(),
        Need::Waits => format!("{phase} WAITS"),
        Need::Cool => "cool, safe".into(),
        Need::Idle | Need::Cooldown | Need::Heating => phase,
    }
}

/// The phase with the stage, where there is heat: `dwell 1/2`.
fn phase(station: &shapes::Station) -> String {
    match (station.phase.as_str(), station.stage, station.stages) {
        (phase @ ("ramp" | "dwell"), Some(stage), Some(stages)) => format!("{phase} {stage}/{stages}"),
        (phase, _, _) => phase.to_owned(),
    }
}

/// The stations that need a person most come first.
pub(crate) fn worst_first(status: &shapes::Status) -> Vec<&shapes::Station> {
    let mut stations: Vec<&shapes::Station> = status.stations.iter().collect();
    stations.sort_by(|one, other| {
        Need::of(other)
            .cmp(&Need::of(one))
            .then(one.station.cmp(&other.station))
    });
    stations
}

/// Every station in a row, worst first, then what a person should read.
pub(crate) fn all(status: &shapes::Status, paint: Paint) -> String {
    let stations = worst_first(status);
    let mut text = alarms(status, paint);
    let _ = write!(
        text,
        "{}: {}, ceiling {}\n\n",
        paint.text(Tone::Strong, &status.lab),
        count(stations.len(), "station", "stations"),
        celsius(Some(status.ceiling_celsius))
    );
    let mut table = Table::new(&[
        ("", Side::Left),
        ("STATION", Side::Left),
        ("STATE", Side::Left),
        ("CONTROL", Side::Right),
        ("TARGET", Side::Right),
        ("HEAT", Side::Right),
        ("CEILING", Side::Right),
        ("PRESENCE", Side::Right),
        ("RUN", Side::Right),
    ]);
    for station in &stations {
        let need = Need::of(station);
        table.row([
            (need.mark().into(), need.tone()),
            (station.station.clone(), Tone::Plain),
            (state(station), need.tone()),
            (control(station), Tone::Plain),
            (celsius(station.target_celsius), Tone::Plain),
            (percent(station.heat), Tone::Plain),
            (celsius(Some(station.ceiling_celsius)), Tone::Plain),
            (clock_or_none(station.presence_left_s), Tone::Plain),
            (
                station.run.map_or(NONE.into(), |run| run.to_string()),
                Tone::Plain,
            ),
        ]);
    }
    text.push_str(&table.render(paint));
    text.push_str(&supplies(status));
    let mut said = String::new();
    for station in &stations {
        say(&mut said, station, paint);
    }
    if !status.archive.is_empty() {
        let _ = writeln!(
            said,
            "{}",
            paint.text(Tone::Warning, &format!("archive: {}", status.archive))
        );
    }
    said.push_str(&calibrations(status, paint));
    if !said.is_empty() {
        text.push('\n');
        text.push_str(&said);
    }
    text
}

/// What is drawn from each supply that stations share, a line each.
fn supplies(status: &shapes::Status) -> String {
    let mut text = String::new();
    for supply in &status.supplies {
        let whole = |watts: f64| format!("{watts:.0}");
        let shares: Vec<String> = supply
            .stations
            .iter()
            .filter(|share| share.asks_watts >= 0.5 || share.gets_watts >= 0.5)
            .map(|share| {
                let (asks, gets) = (whole(share.asks_watts), whole(share.gets_watts));
                if asks == gets {
                    format!("{} {gets} W", share.station)
                } else {
                    format!("{} {gets} of {asks} W", share.station)
                }
            })
            .collect();
        let shares = if shares.is_empty() {
            "nothing is drawn".to_owned()
        } else {
            format!(
                "{} W at most at one moment: {}",
                whole(supply.most_watts),
                shares.join(", ")
            )
        };
        let _ = writeln!(
            text,
            "\nsupply {}, {} W: {shares}",
            supply.supply,
            whole(supply.watts)
        );
    }
    text
}

/// Alarms of the whole lab: on every screen, above all else.
pub(crate) fn alarms(status: &shapes::Status, paint: Paint) -> String {
    let mut said = String::new();
    for alarm in &status.alarms {
        let (tone, verb) = if alarm.standing == "tripped" {
            (Tone::Danger, "ack")
        } else {
            (Tone::Warning, "reset")
        };
        let _ = writeln!(
            said,
            "{}",
            paint.text(tone, &format!("!! {}", spoken(&alarm.text)))
        );
        let _ = writeln!(
            said,
            "    {} benchward trip {verb} {}\n",
            paint.text(Tone::Faint, "next:"),
            alarm.station
        );
    }
    said
}

/// Calibrations to see to, each with the command for it.
pub(crate) fn calibrations(status: &shapes::Status, paint: Paint) -> String {
    let mut said = String::new();
    for warning in &status.calibration_warnings {
        let _ = writeln!(said, "{}", paint.text(Tone::Warning, &spoken(&warning.text)));
        let _ = writeln!(
            said,
            "    {} benchward sensor check {} {} --ice",
            paint.text(Tone::Faint, "next:"),
            warning.station,
            warning.channel
        );
    }
    said
}

/// What is steered; the hottest good channel where that can't be said.
pub(crate) fn control(station: &shapes::Station) -> String {
    match station.control_celsius {
        Some(degrees) => celsius(Some(degrees)),
        None => hottest(station).map_or(NONE.into(), |degrees| format!("({})", celsius(Some(degrees)))),
    }
}

/// The hottest good reading.
pub(crate) fn hottest(station: &shapes::Station) -> Option<f64> {
    station
        .channels
        .iter()
        .filter_map(|channel| channel.celsius)
        .reduce(f64::max)
}

/// What a person does next about something at a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Next {
    Present,
    Acknowledge,
    Reset,
    Confirm,
    Resume,
}

impl Next {
    /// The command for it.
    pub(crate) fn command(self, station: &str) -> String {
        let verb = match self {
            Self::Present => "present",
            Self::Acknowledge => "trip ack",
            Self::Reset => "trip reset",
            Self::Confirm => "run confirm",
            Self::Resume => "run resume",
        };
        format!("benchward {verb} {station}")
    }
}

/// Something that a person should know of a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Said {
    pub(crate) tone: Tone,
    /// Begins with the station's name.
    pub(crate) text: String,
    pub(crate) next: Option<Next>,
}

/// What a person should know of a station.
pub(crate) fn said(station: &shapes::Station) -> Vec<Said> {
    let name = &station.station;
    let mut all = Vec::new();
    let mut line = |tone: Tone, said: &str, next: Option<Next>| {
        let text = if said.starts_with(name.as_str()) {
            said.to_owned()
        } else {
            format!("{name}: {said}")
        };
        let text = spoken(&text).into_owned();
        all.push(Said { tone, text, next });
    };
    for channel in station
        .channels
        .iter()
        .filter(|channel| channel.quality != "good")
    {
        line(
            Tone::Warning,
            &format!(
                "channel {} reads no temperature: {}",
                channel.channel, channel.quality
            ),
            None,
        );
    }
    for permissive in station.permissives.iter().filter(|one| one.reads != "closed") {
        let how = if permissive.reads == "open" {
            "is open"
        } else {
            "can't be read and counts as open"
        };
        line(
            Tone::Plain,
            &format!(
                "permissive {} {how}: no heat until it is closed",
                permissive.permissive
            ),
            None,
        );
    }
    for caution in &station.cautions {
        line(Tone::Warning, caution, None);
    }
    for interlock in &station.interlocks {
        match interlock.standing.as_str() {
            "warning" if interlock.interlock == "operator-absent" => {
                line(Tone::Warning, &interlock.text, Some(Next::Present));
            }
            "warning" => line(
                Tone::Warning,
                &format!("{} (`{}`)", interlock.text, interlock.interlock),
                None,
            ),
            "tripped" => line(Tone::Danger, &interlock.text, Some(Next::Acknowledge)),
            "acknowledged" => line(Tone::Warning, &interlock.text, Some(Next::Reset)),
            _ => {}
        }
    }
    if let Some(asked) = &station.waits_for {
        let left = station.confirm_left_s.unwrap_or_default();
        line(
            Tone::Warning,
            &format!(
                "heat is off until somebody looks: {asked} The run ends in {}",
                clock(left)
            ),
            Some(Next::Confirm),
        );
    }
    if let Some(left) = station.resume_left_s {
        let run = station.run.unwrap_or_default();
        let latched = matches!(Need::of(station), Need::Tripped | Need::Acknowledged);
        let (when, next) = if latched {
            ("once it is reset, ", None)
        } else {
            ("", Some(Next::Resume))
        };
        line(
            Tone::Plain,
            &format!("{when}run {run} can be resumed for {} more", clock(left)),
            next,
        );
    }
    if station.driver != "up" {
        line(
            Tone::Warning,
            "its driver is down; the daemon starts it again by itself, its log says why",
            None,
        );
    }
    all
}

/// [`said`] as lines, each with the command for it.
pub(crate) fn say(text: &mut String, station: &shapes::Station, paint: Paint) {
    for said in said(station) {
        let _ = writeln!(text, "{}", paint.text(said.tone, &said.text));
        if let Some(next) = said.next {
            let _ = writeln!(
                text,
                "    {} {}",
                paint.text(Tone::Faint, "next:"),
                next.command(&station.station)
            );
        }
    }
}

/// One station, with all there is to know.
pub(crate) fn one(station: &shapes::Station, paint: Paint) -> String {
    let need = Need::of(station);
    let mut text = format!(
        "{}  {}\n\n",
        paint.text(Tone::Strong, &station.station),
        paint.text(need.tone(), &state(station))
    );
    let mut figure = |label: &str, value: &str| {
        let _ = writeln!(text, "  {label:<10}{value}");
    };
    if let Some(run) = station.run {
        figure(
            "run",
            &format!(
                "{run}, \"{}\", board {}",
                or_none(station.recipe.as_deref()),
                or_none(station.serial.as_deref())
            ),
        );
    }
    let target = station.target_celsius.map_or(String::new(), |target| {
        format!(", target {}", celsius(Some(target)))
    });
    figure("control", &format!("{}{target}", control(station)));
    if let Some(left) = station.dwell_left_s {
        figure("dwell", &format!("{} left", clock(left)));
    }
    for (label, value) in station
        .prediction
        .as_ref()
        .map(foretold::ahead)
        .unwrap_or_default()
    {
        figure(&label, &value);
    }
    figure(
        "heat",
        &format!("{}  {}", bar(station.heat), percent(station.heat)),
    );
    figure(
        "ceiling",
        &format!(
            "{}, set by {}",
            celsius(Some(station.ceiling_celsius)),
            station.ceiling_from
        ),
    );
    if let Some(left) = station.presence_left_s {
        figure("presence", &format!("confirm within {}", clock(left)));
    }
    figure("driver", &station.driver);
    text.push('\n');
    let mut table = Table::new(&[
        ("  CHANNEL", Side::Left),
        ("READS", Side::Right),
        ("QUALITY", Side::Left),
    ]);
    for channel in &station.channels {
        let tone = if channel.quality == "good" {
            Tone::Plain
        } else {
            Tone::Warning
        };
        table.row([
            (format!("  {}", channel.channel), Tone::Plain),
            (celsius(channel.celsius), Tone::Plain),
            (channel.quality.clone(), tone),
        ]);
    }
    text.push_str(&table.render(paint));
    let mut said = String::new();
    say(&mut said, station, paint);
    if !said.is_empty() {
        text.push('\n');
        text.push_str(&said);
    }
    text
}

/// A bar of 20 places for a share from 0 to 1.
fn bar(share: f64) -> String {
    bar_of(20, share)
}

/// A bar of so many places for a share from 0 to 1; never empty while the share isn't.
pub(crate) fn bar_of(places: usize, share: f64) -> String {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "clamped to the number of places"
    )]
    let full = ((share * places as f64).ceil().clamp(0.0, places as f64)) as usize;
    format!("[{}{}]", "#".repeat(full), ".".repeat(places - full))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A station as the daemon shows it while it holds at its first target.
    pub(crate) fn dwelling(name: &str) -> shapes::Station {
        shapes::Station {
            station: name.into(),
            phase: "dwell".into(),
            run: Some(7),
            recipe: Some("AX-20 backplane".into()),
            serial: Some("A-0017".into()),
            stage: Some(1),
            stages: Some(2),
            target_celsius: Some(80.0),
            control_celsius: Some(79.84),
            heat: 0.124,
            ceiling_celsius: 130.0,
            ceiling_from: "the recipe".into(),
            permissives: Vec::new(),
            follows_heat: true,
            cautions: Vec::new(),
            channels: vec![
                shapes::Channel {
                    channel: "board-top".into(),
                    celsius: Some(79.84),
                    quality: "good".into(),
                },
                shapes::Channel {
                    channel: "board-edge".into(),
                    celsius: Some(77.1),
                    quality: "good".into(),
                },
            ],
            interlocks: vec![shapes::Interlock {
                interlock: "operator-absent".into(),
                standing: "clear".into(),
                text: String::new(),
            }],
            presence_left_s: Some(860.4),
            waits_for: None,
            confirm_left_s: None,
            dwell_left_s: Some(23.9),
            prediction: Some(foretold::tests::prediction()),
            resume_left_s: None,
            driver: "up".into(),
        }
    }

    /// A station that was switched off because nobody was there.
    pub(crate) fn tripped(name: &str) -> shapes::Station {
        shapes::Station {
            phase: "cooldown".into(),
            target_celsius: None,
            control_celsius: Some(66.2),
            heat: 0.0,
            presence_left_s: None,
            dwell_left_s: None,
            prediction: None,
            resume_left_s: Some(552.0),
            interlocks: vec![shapes::Interlock {
                interlock: "operator-absent".into(),
                standing: "tripped".into(),
                text: format!(
                    "{name} is off (`operator-absent`): nobody confirmed presence for 2 min, limit 2 min. Heat is off."
                ),
            }],
            ..dwelling(name)
        }
    }

    pub(crate) fn idle(name: &str) -> shapes::Station {
        shapes::Station {
            phase: "idle".into(),
            run: None,
            recipe: None,
            serial: None,
            stage: None,
            stages: None,
            target_celsius: None,
            control_celsius: None,
            heat: 0.0,
            presence_left_s: None,
            dwell_left_s: None,
            prediction: None,
            channels: vec![shapes::Channel {
                channel: "board-top".into(),
                celsius: None,
                quality: "open".into(),
            }],
            ..dwelling(name)
        }
    }

    pub(crate) fn lab(stations: Vec<shapes::Station>) -> shapes::Status {
        shapes::Status {
            schema: 1,
            lab: "larkfield".into(),
            at: "2026-11-25T14:03:22.120Z".into(),
            ceiling_celsius: 260.0,
            alarms: Vec::new(),
            archive: String::new(),
            calibration_warnings: Vec::new(),
            supplies: Vec::new(),
            stations,
        }
    }

    #[test]
    fn supplies_say_what_each_bench_asks_and_gets() {
        let share = |station: &str, asks_watts, gets_watts| shapes::SupplyShare {
            station: station.into(),
            asks_watts,
            gets_watts,
        };
        let mut status = lab(vec![dwelling("bench-1")]);
        status.supplies = vec![
            shapes::Supply {
                supply: "bay-a".into(),
                watts: 1440.0,
                most_watts: 1400.0,
                stations: vec![
                    share("bench-1", 96.0, 96.2),
                    share("bench-2", 800.0, 640.0),
                    share("bench-3", 0.0, 0.0),
                ],
            },
            shapes::Supply {
                supply: "bay-b".into(),
                watts: 2944.0,
                most_watts: 0.0,
                stations: vec![share("bench-4", 0.0, 0.0)],
            },
        ];
        assert_eq!(
            supplies(&status),
            "\nsupply bay-a, 1440 W: 1400 W at most at one moment: bench-1 96 W, bench-2 640 of 800 W\n\
             \nsupply bay-b, 2944 W: nothing is drawn\n"
        );
    }

    #[test]
    fn the_worst_comes_first_and_says_what_to_do() {
        let status = lab(vec![dwelling("bench-1"), tripped("bench-2"), idle("bench-3")]);
        assert_eq!(
            all(&status, Paint::NONE),
            "\
larkfield: 3 stations, ceiling 260.0 °C

    STATION  STATE      CONTROL   TARGET  HEAT   CEILING  PRESENCE  RUN
!!  bench-2  TRIPPED    66.2 °C        -   0 %  130.0 °C         -    7
*   bench-1  dwell 1/2  79.8 °C  80.0 °C  12 %  130.0 °C     14:20    7
    bench-3  idle             -        -   0 %  130.0 °C         -    -

bench-2 is off (`operator-absent`): nobody confirmed presence for 2 min, limit 2 min. Heat is off.
    next: benchward trip ack bench-2
bench-2: once it is reset, run 7 can be resumed for 9:12 more
bench-3: channel board-top reads no temperature: open
"
        );
    }

    #[test]
    fn one_bench_shows_its_channels() {
        assert_eq!(
            one(&dwelling("bench-1"), Paint::NONE),
            "\
bench-1  dwell 1/2

  run       7, \"AX-20 backplane\", board A-0017
  control   79.8 °C, target 80.0 °C
  dwell     0:23 left
  stage 1   14:04:00Z, between 14:03:48 and 14:04:12
  stage 2   14:07:00Z, between 14:06:40 and 14:07:20
  heat ends 14:08:00Z, between 14:07:40 and 14:08:20
  safe      14:32Z, between 14:29 and 14:35
  heat      [###.................]  12 %
  ceiling   130.0 °C, set by the recipe
  presence  confirm within 14:20
  driver    up

  CHANNEL       READS  QUALITY
  board-top   79.8 °C  good
  board-edge  77.1 °C  good
"
        );
    }

    #[test]
    fn an_overdue_calibration_is_said_with_the_command_for_it() {
        let mut status = lab(vec![dwelling("bench-1"), dwelling("bench-2")]);
        status.calibration_warnings = vec![shapes::CalibrationWarning {
            station: "bench-1".into(),
            channel: "board-top".into(),
            due: Some("2026-11-24".into()),
            text: "calibration of bench-1/board-top was due on 2026-11-24".into(),
        }];
        let said = "\
calibration of bench-1/board-top was due on 2026-11-24
    next: benchward sensor check bench-1 board-top --ice
";
        let text = all(&status, Paint::NONE);
        assert!(text.ends_with(&format!("\n{said}")), "{text}");
        let here = only(status.clone(), Some("bench-1")).unwrap();
        assert_eq!(calibrations(&here, Paint::NONE), said);
        let there = only(status, Some("bench-2")).unwrap();
        assert_eq!(calibrations(&there, Paint::NONE), "");
    }

    #[test]
    fn an_alarm_of_the_lab_is_on_every_screen() {
        let mut status = lab(vec![idle("bench-1"), dwelling("bench-2")]);
        status.alarms = vec![shapes::Alarm {
            station: "bench-1".into(),
            interlock: "heat-stuck-on".into(),
            standing: "tripped".into(),
            acknowledged_by: None,
            text: "lab alarm: bench-1 heats by itself".into(),
        }];
        let said = "!! lab alarm: bench-1 heats by itself\n    next: benchward trip ack bench-1\n\n";
        assert!(all(&status, Paint::NONE).starts_with(said));
        let elsewhere = only(status.clone(), Some("bench-2")).unwrap();
        assert_eq!(alarms(&elsewhere, Paint::NONE), said);
        status.alarms[0].standing = "acknowledged".into();
        assert!(alarms(&status, Paint::NONE).contains("next: benchward trip reset bench-1"));
    }

    #[test]
    fn what_is_less_safe_than_usual_is_said() {
        let mut station = dwelling("bench-1");
        station.cautions = vec!["the ceiling is raised to 300.0 °C".into()];
        station.permissives = [("hood", "open"), ("fan", "unread"), ("door", "closed")]
            .map(|(permissive, reads)| shapes::Permissive {
                permissive: permissive.into(),
                reads: reads.into(),
            })
            .into();
        let said = "\
bench-1: permissive hood is open: no heat until it is closed
bench-1: permissive fan can't be read and counts as open: no heat until it is closed
bench-1: the ceiling is raised to 300.0 °C
";
        let text = one(&station, Paint::NONE);
        assert!(text.ends_with(&format!("\n{said}")), "{text}");
        let text = all(&lab(vec![station]), Paint::NONE);
        assert!(text.ends_with(&format!("\n{said}")), "{text}");
    }

    #[test]
    fn needs_are_told_apart() {
        let mut station = dwelling("bench-1");
        assert_eq!(Need::of(&station), Need::Heating);
        station.interlocks[0].standing = "warning".into();
        assert_eq!(
            (Need::of(&station), state(&station)),
            (Need::Warning, "dwell 1/2 WARNING".into())
        );
        station.interlocks[0].standing = "acknowledged".into();
        station.driver = "down".into();
        assert_eq!(
            (Need::of(&station), state(&station)),
            (Need::Acknowledged, "tripped, seen".into())
        );
        station.interlocks[0].standing = "clear".into();
        assert_eq!(
            (Need::of(&station), state(&station)),
            (Need::DriverDown, "NO DRIVER".into())
        );
    }

    #[test]
    fn a_station_that_isnt_there_names_those_that_are() {
        let failure = only(lab(vec![idle("bench-1"), idle("bench-2")]), Some("bench-9")).unwrap_err();
        assert_eq!(failure.error(), "NoSuch");
        let Failure::Told { text, hint, .. } = failure else {
            panic!("nobody would be told")
        };
        assert_eq!(text, "there is no station `bench-9`");
        assert_eq!(hint.as_deref(), Some("there is bench-1, bench-2"));
    }

    /// The keys that scripts rely on.
    #[test]
    fn the_json_has_the_promised_keys() {
        let value = serde_json::to_value(lab(vec![dwelling("bench-1")])).unwrap();
        assert_eq!(value["schema"], 1);
        assert_eq!(value["lab"], "larkfield");
        let station = &value["stations"][0];
        for key in [
            "station",
            "phase",
            "run",
            "stage",
            "target_celsius",
            "control_celsius",
            "heat",
            "ceiling_celsius",
            "channels",
            "interlocks",
            "presence_left_s",
            "driver",
        ] {
            assert!(station.get(key).is_some(), "{key}");
        }
        for key in ["channel", "celsius", "quality"] {
            assert!(station["channels"][0].get(key).is_some(), "{key}");
        }
        for key in ["interlock", "standing", "text"] {
            assert!(station["interlocks"][0].get(key).is_some(), "{key}");
        }
    }

    #[test]
    fn a_bar_is_never_empty_while_heat_is_on() {
        assert_eq!(bar(0.0), "[....................]");
        assert_eq!(bar(0.001), "[#...................]");
        assert_eq!(bar(1.0), "[####################]");
    }
}
