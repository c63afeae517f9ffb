//! `benchward limit`: the limits that interlocks act at.

use std::fmt::Write as _;

use benchward_api::{Exit, shapes};
use clap::{ArgGroup, Args, Subcommand};

use crate::Session;
use crate::daemon::parsed;
use crate::degrees::{Typed, TypedDifference, shown};
use crate::failure::Failure;
use crate::figures::{celsius, clock};
use crate::screen::{Paint, Tone};
use crate::spoken::spoken;
use crate::stop::done;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward limit show
  benchward limit show bench-1
  benchward limit set --lab 240C
  benchward limit set --station bench-1 200C
  benchward limit set --absent-after 10min";

/// Show and set the limits that interlocks act at
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Show(Show),
    Set(Set),
}

const SHOW_EXAMPLES: &str = "\
Examples:
  benchward limit show               ceilings and the lab's limits
  benchward limit show bench-1       every interlock: its figures, where each comes from, and where it stands";

/// Show the limits in force and where each comes from
#[derive(Debug, Args)]
#[command(before_help = SHOW_EXAMPLES)]
pub(crate) struct Show {
    /// Every interlock of this station
    station: Option<String>,
}

const SET_EXAMPLES: &str = "\
Examples:
  benchward limit set --lab 240C
  benchward limit set --station bench-1 200C
  benchward limit set --station bench-1 400F      in degrees Fahrenheit
  benchward limit set --station bench-1 none      only the lab's counts again
  benchward limit set --absent-after 10min        600, 600s, 10min or 0.5h
  benchward limit set --rise-max 4C/s
  benchward limit set --run-max none              what recipes and plans say counts again";

/// Move a limit; it counts from the next scan on, on running benches too. Takes the role `safety`
#[derive(Debug, Args)]
#[command(before_help = SET_EXAMPLES, group = ArgGroup::new("whose").required(true).args(["lab", "station", "absent_after", "rise_max", "run_max"]))]
#[expect(
    clippy::struct_excessive_bools,
    reason = "a flag for each limit; exactly one is given"
)]
pub(crate) struct Set {
    /// The ceiling of the whole lab
    #[arg(long)]
    lab: bool,
    /// The own ceiling of this station
    #[arg(long, value_name = "STATION")]
    station: Option<String>,
    /// How long heat may be on without anybody confirming to be there
    #[arg(long)]
    absent_after: bool,
    /// How fast a channel may rise, °C/s
    #[arg(long)]
    rise_max: bool,
    /// How long a run may heat; it only lowers what recipes and plans say
    #[arg(long)]
    run_max: bool,
    /// Degrees (240C, 400F, or a bare number on the scale that the lab shows), a time or a rate; `none` takes back what was
    /// set
    #[arg(allow_negative_numbers = true)]
    value: String,
}

impl Set {
    /// The limit of the lab that is meant, if it isn't a ceiling.
    const fn lab_limit(&self) -> Option<&'static str> {
        match (self.absent_after, self.rise_max, self.run_max) {
            (true, _, _) => Some("absent-after"),
            (_, true, _) => Some("rise-max"),
            (_, _, true) => Some("run-max"),
            (false, false, false) => None,
        }
    }
}

/// Reads a limit of the lab in its unit: `600`, `10min`, `4`, `4 C/s`; `none` is `None`.
fn figure(limit: &str, text: &str) -> Result<Option<f64>, String> {
    let text = text.trim().to_lowercase();
    if text == "none" {
        return Ok(None);
    }
    let units: &[(&str, f64)] = match limit {
        "rise-max" => {
            return TypedDifference::parse(&text)
                .map(|rate| Some(rate.celsius(shown())))
                .map_err(|_| format!("`{text}` is no rate; write 4, 4 C/s, 7 F/s, or `none`"));
        }
        _ => &[("min", 60.0), ("h", 3600.0), ("s", 1.0), ("", 1.0)],
    };
    units
        .iter()
        .find_map(|(unit, times)| Some(text.strip_suffix(unit)?.trim().parse::<f64>().ok()? * times))
        .filter(|value| value.is_finite())
        .map(Some)
        .ok_or_else(|| format!("`{text}` is no time; write 600, 600s, 10min, 2h, or `none`"))
}

/// A ceiling as it was typed.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Ceiling {
    /// At this temperature.
    At(Typed),
    /// There is none.
    None,
}

/// Reads `240`, `240C`, `240 °C`, `400F`, `none`.
fn ceiling(text: &str) -> Result<Ceiling, String> {
    let lower = text.trim().to_lowercase();
    if lower == "none" {
        return Ok(Ceiling::None);
    }
    Typed::parse(text)
        .map(Ceiling::At)
        .map_err(|error| format!("{error}, or `none`"))
}

pub(crate) async fn carry_out(session: &Session, verb: Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::Show(show) => {
            let daemon = session.daemon_to_show().await?;
            let lab = daemon.lab().await?;
            let mut limits: shapes::Limits = parsed(&daemon.ask(lab.limits()).await?)?;
            if let Some(name) = &show.station {
                let names: Vec<String> = limits.stations.iter().map(|one| one.station.clone()).collect();
                if !names.contains(name) {
                    return Err(Failure::no_such(
                        "station",
                        name,
                        names.iter().map(String::as_str),
                    ));
                }
                limits.stations.retain(|station| station.station == *name);
            }
            session.screen.show(&limits, |limits, paint| {
                match (&show.station, limits.stations.as_slice()) {
                    (Some(_), [station]) => interlocks(station, paint),
                    _ => table(limits, paint),
                }
            })?;
            Ok(Exit::Done)
        }
        Verb::Set(set) => {
            let text = set_to(session, &set).await?;
            done(session, text, "benchward limit show")
        }
    }
}

async fn set_to(session: &Session, set: &Set) -> Result<String, Failure> {
    if let Some(limit) = set.lab_limit() {
        // What is no figure on any scale is told without a daemon; which scale a bare one is on, the lab says.
        figure(limit, &set.value).map_err(Failure::invalid)?;
        let daemon = session.daemon_to_show().await?;
        let value = figure(limit, &set.value).map_err(Failure::invalid)?;
        let lab = daemon.lab().await?;
        return match value {
            Some(value) => daemon.ask(lab.set_limit(limit, value)).await,
            None => daemon.ask(lab.clear_limit(limit)).await,
        };
    }
    let ceiling = ceiling(&set.value).map_err(Failure::invalid)?;
    match (&set.station, ceiling) {
        (None, Ceiling::None) => Err(Failure::wrong_use(
            "the lab always has a ceiling, it can't be `none`",
            "name a temperature, or the station whose own ceiling is to go: --station STATION none",
        )),
        (None, Ceiling::At(at)) => {
            let daemon = session.daemon_to_show().await?;
            let at = at.celsius(shown()).map_err(Failure::invalid)?;
            let lab = daemon.lab().await?;
            daemon.ask(lab.set_ceiling(at.degrees())).await
        }
        (Some(name), ceiling) => {
            let daemon = session.daemon_to_show().await?;
            let station = daemon.station(name).await?;
            match ceiling {
                Ceiling::At(at) => {
                    let at = at.celsius(shown()).map_err(Failure::invalid)?;
                    daemon.ask(station.set_ceiling(at.degrees())).await
                }
                Ceiling::None => daemon.ask(station.clear_ceiling()).await,
            }
        }
    }
}

/// To a hundredth, without zeros at the end.
fn short(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// A figure with its unit, as people read it.
fn with_unit(value: f64, unit: &str) -> String {
    let scale = shown();
    match unit {
        "Cel" => format!("{} {}", short(scale.reading(value)), scale.unit()),
        "K" => format!("{} {}", short(scale.difference(value)), scale.unit()),
        "Cel/s" => format!("{} {}/s", short(scale.difference(value)), scale.unit()),
        "1" => value.to_string(),
        unit => format!("{value} {unit}"),
    }
}

/// `40 to 400 °C`.
fn between(lowest: f64, highest: f64, unit: &str) -> String {
    let lowest = with_unit(lowest, unit);
    let figure = lowest.split(' ').next().unwrap_or_default();
    format!("{figure} to {}", with_unit(highest, unit))
}

/// Every interlock of a station: where it stands, its figures, where each comes from, and how far it can be moved.
fn interlocks(station: &shapes::StationLimits, paint: Paint) -> String {
    let mut text = format!("{}\n\n", paint.text(Tone::Strong, &station.station));
    let mut table = Table::new(&[
        ("INTERLOCK", Side::Left),
        ("STANDING", Side::Left),
        ("ACTS AT", Side::Left),
        ("VALUE", Side::Right),
        ("FROM", Side::Left),
        ("CAN BE SET", Side::Left),
    ]);
    for interlock in &station.interlocks {
        let tone = match interlock.standing.as_str() {
            "tripped" => Tone::Danger,
            "acknowledged" | "warning" => Tone::Warning,
            _ => Tone::Plain,
        };
        let mut first = (interlock.interlock.clone(), interlock.standing.clone());
        if interlock.thresholds.is_empty() {
            let mut row = [first.0, first.1, "-".into(), "-".into(), "-".into(), "-".into()]
                .map(|cell| (cell, Tone::Plain));
            row[1].1 = tone;
            table.row(row);
            continue;
        }
        for threshold in &interlock.thresholds {
            let (name, standing) = std::mem::take(&mut first);
            let bounds = threshold.bounds.map_or("-".to_owned(), |[lowest, highest]| {
                between(lowest, highest, &threshold.unit)
            });
            table.row([
                (name, Tone::Plain),
                (standing, tone),
                (threshold.name.clone(), Tone::Plain),
                (with_unit(threshold.value, &threshold.unit), Tone::Plain),
                (threshold.from.clone(), Tone::Plain),
                (bounds, Tone::Plain),
            ]);
        }
    }
    text.push_str(&table.render(paint));
    for caution in &station.cautions {
        let _ = writeln!(text, "\n{}", paint.text(Tone::Warning, &spoken(caution)));
    }
    text
}

fn table(limits: &shapes::Limits, paint: Paint) -> String {
    let [lowest, highest] = limits.ceiling_bounds_celsius.map(|bound| shown().reading(bound));
    let mut table = Table::new(&[
        ("STATION", Side::Left),
        ("OWN CEILING", Side::Right),
        ("COUNTS NOW", Side::Right),
        ("SET BY", Side::Left),
    ]);
    for station in &limits.stations {
        table.plain([
            station.station.clone(),
            celsius(station.ceiling_celsius),
            celsius(Some(station.effective_celsius)),
            station.from.clone(),
        ]);
    }
    let mut text = format!(
        "ceiling of the lab: {} (can be set from {lowest:.0} to {highest:.0} {})\nheat goes off when nobody confirms \
         presence for {}\n\n",
        celsius(Some(limits.ceiling_celsius)),
        shown().unit(),
        clock(limits.absent_after_s),
    );
    if !limits.limits.is_empty() {
        let mut lab = Table::new(&[
            ("LIMIT", Side::Left),
            ("VALUE", Side::Right),
            ("FROM", Side::Left),
            ("CAN BE SET", Side::Left),
        ]);
        for limit in &limits.limits {
            let [lowest, highest] = limit.bounds;
            lab.plain([
                limit.limit.clone(),
                limit
                    .value
                    .map_or("-".into(), |value| with_unit(value, &limit.unit)),
                limit.from.clone(),
                between(lowest, highest, &limit.unit),
            ]);
        }
        let _ = writeln!(text, "{}", lab.render(paint));
    }
    text.push_str(&table.render(paint));
    for station in &limits.stations {
        for caution in &station.cautions {
            let said = format!("{}: {}", station.station, spoken(caution));
            let _ = write!(text, "\n{}", paint.text(Tone::Warning, &said));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::degrees::tests::in_fahrenheit;

    #[test]
    fn a_ceiling_may_be_typed_in_several_ways() {
        let degrees = |text: &str| match ceiling(text) {
            Ok(Ceiling::At(at)) => at.celsius(shown()).unwrap().degrees(),
            other => panic!("{text}: {other:?}"),
        };
        for text in ["240", "240C", "240c", "240 °C", "240.0", " 240 C "] {
            assert!((degrees(text) - 240.0).abs() < 1e-9, "{text}");
        }
        // 400 °F is 204.4 °C, (400 - 32) / 1.8.
        assert!((degrees("400F") - 204.444_444).abs() < 1e-5);
        assert_eq!(ceiling("None"), Ok(Ceiling::None));
        for text in ["", "hot", "240K", "nan", "inf", "-300C"] {
            assert!(ceiling(text).is_err(), "{text}");
        }
    }

    #[test]
    fn limits_say_which_one_counts() {
        let limits = shapes::Limits {
            schema: 1,
            ceiling_celsius: 260.0,
            ceiling_bounds_celsius: [40.0, 400.0],
            absent_after_s: 900.0,
            limits: vec![
                shapes::LabLimit {
                    limit: "rise-max".into(),
                    value: Some(4.0),
                    unit: "Cel/s".into(),
                    from: "the lab".into(),
                    bounds: [0.5, 10.0],
                },
                shapes::LabLimit {
                    limit: "run-max".into(),
                    value: None,
                    unit: "s".into(),
                    from: "the recipe".into(),
                    bounds: [10.0, 172_800.0],
                },
            ],
            stations: vec![
                shapes::StationLimits {
                    station: "bench-1".into(),
                    ceiling_celsius: Some(200.0),
                    effective_celsius: 130.0,
                    from: "the recipe".into(),
                    cautions: Vec::new(),
                    interlocks: Vec::new(),
                },
                shapes::StationLimits {
                    station: "bench-2".into(),
                    ceiling_celsius: None,
                    effective_celsius: 260.0,
                    from: "the lab".into(),
                    cautions: Vec::new(),
                    interlocks: Vec::new(),
                },
            ],
        };
        assert_eq!(
            table(&limits, Paint::NONE),
            "\
ceiling of the lab: 260.0 °C (can be set from 40 to 400 °C)
heat goes off when nobody confirms presence for 15:00

LIMIT      VALUE  FROM        CAN BE SET
rise-max  4 °C/s  the lab     0.5 to 10 °C/s
run-max        -  the recipe  10 to 172800 s

STATION  OWN CEILING  COUNTS NOW  SET BY
bench-1     200.0 °C    130.0 °C  the recipe
bench-2            -    260.0 °C  the lab
"
        );
    }

    #[test]
    fn times_and_rates_may_be_typed_in_several_ways() {
        for text in ["600", "600s", "600 s", "10min", "10 MIN"] {
            assert_eq!(figure("absent-after", text), Ok(Some(600.0)), "{text}");
        }
        assert_eq!(figure("run-max", "2h"), Ok(Some(7200.0)));
        for text in ["4", "4C/s", "4 °C/s"] {
            assert_eq!(figure("rise-max", text), Ok(Some(4.0)), "{text}");
        }
        for text in ["4C/s", "7.2F/s", "7.2"] {
            assert_eq!(
                in_fahrenheit(|| figure("rise-max", text)),
                Ok(Some(4.0)),
                "{text}"
            );
        }
        assert_eq!(figure("rise-max", "None"), Ok(None));
        for text in ["", "soon", "nan", "inf", "10 days"] {
            assert!(figure("run-max", text).is_err(), "{text}");
        }
        assert!(figure("rise-max", "4min").is_err());
    }

    #[test]
    fn an_interlock_says_its_figures_and_where_each_comes_from() {
        let threshold = |name: &str, value, unit: &str, from: &str, bounds| shapes::Threshold {
            name: name.into(),
            value,
            unit: unit.into(),
            from: from.into(),
            bounds,
        };
        let interlock = |interlock: &str, standing: &str, thresholds| shapes::InterlockLimits {
            interlock: interlock.into(),
            standing: standing.into(),
            text: String::new(),
            thresholds,
        };
        let station = shapes::StationLimits {
            station: "bench-1".into(),
            ceiling_celsius: None,
            effective_celsius: 130.0,
            from: "the recipe".into(),
            cautions: vec!["the limit of rising is raised to 8 °C/s".into()],
            interlocks: vec![
                interlock(
                    "over-temperature",
                    "tripped",
                    vec![
                        threshold("ceiling", 130.0, "Cel", "the recipe", Some([40.0, 400.0])),
                        threshold("in a row", 2.0, "1", "built in", None),
                    ],
                ),
                interlock("stop", "clear", Vec::new()),
            ],
        };
        let shown = in_fahrenheit(|| interlocks(&station, Paint::NONE));
        for part in ["   266 °F  the recipe  104 to 752 °F\n", "is raised to 14 °F/s\n"] {
            assert!(shown.contains(part) && !shown.contains("°C"), "{part}:\n{shown}");
        }
        assert_eq!(
            interlocks(&station, Paint::NONE),
            "\
bench-1

INTERLOCK         STANDING  ACTS AT    VALUE  FROM        CAN BE SET
over-temperature  tripped   ceiling   130 °C  the recipe  40 to 400 °C
                            in a row       2  built in    -
stop              clear     -              -  -           -

the limit of rising is raised to 8 °C/s
"
        );
    }
}
