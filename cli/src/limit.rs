//! `benchward limit`: the ceilings.

use benchward_api::{Exit, shapes};
use clap::{ArgGroup, Args, Subcommand};

use crate::Session;
use crate::daemon::parsed;
use crate::degrees::{Typed, shown};
use crate::failure::Failure;
use crate::figures::{celsius, clock};
use crate::screen::Paint;
use crate::stop::done;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward limit show
  benchward limit set --lab 240C
  benchward limit set --station bench-1 200C";

/// Show and set the temperatures that no channel may pass
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Show(Show),
    Set(Set),
}

const SHOW_EXAMPLES: &str = "\
Examples:
  benchward limit show";

/// Show every ceiling, and which one counts
#[derive(Debug, Args)]
#[command(before_help = SHOW_EXAMPLES)]
pub(crate) struct Show {}

const SET_EXAMPLES: &str = "\
Examples:
  benchward limit set --lab 240C
  benchward limit set --station bench-1 200C
  benchward limit set --station bench-1 400F      in degrees Fahrenheit
  benchward limit set --station bench-1 none      only the lab's counts again";

/// Move a ceiling; it counts from the next scan on, on running benches too. Takes the role `safety`
#[derive(Debug, Args)]
#[command(before_help = SET_EXAMPLES, group = ArgGroup::new("whose").required(true).args(["lab", "station"]))]
pub(crate) struct Set {
    /// The ceiling of the whole lab
    #[arg(long)]
    lab: bool,
    /// The own ceiling of this station
    #[arg(long, value_name = "STATION")]
    station: Option<String>,
    /// Degrees: 240C, 400F, or a bare number on the scale that the lab shows; `none` takes a station's own ceiling away
    #[arg(value_parser = ceiling, allow_negative_numbers = true)]
    ceiling: Ceiling,
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
        Verb::Show(Show {}) => {
            let daemon = session.daemon_to_show().await?;
            let lab = daemon.lab().await?;
            let limits: shapes::Limits = parsed(&daemon.ask(lab.limits()).await?)?;
            session.screen.show(&limits, table)?;
            Ok(Exit::Done)
        }
        Verb::Set(set) => {
            let text = match (&set.station, set.ceiling) {
                (None, Ceiling::None) => {
                    return Err(Failure::wrong_use(
                        "the lab always has a ceiling, it can't be `none`",
                        "name a temperature, or the station whose own ceiling is to go: --station STATION none",
                    ));
                }
                (None, Ceiling::At(at)) => {
                    let daemon = session.daemon_to_show().await?;
                    let at = at.celsius(shown()).map_err(Failure::invalid)?;
                    let lab = daemon.lab().await?;
                    daemon.ask(lab.set_ceiling(at.degrees())).await?
                }
                (Some(name), ceiling) => {
                    let daemon = session.daemon_to_show().await?;
                    let station = daemon.station(name).await?;
                    match ceiling {
                        Ceiling::At(at) => {
                            let at = at.celsius(shown()).map_err(Failure::invalid)?;
                            daemon.ask(station.set_ceiling(at.degrees())).await?
                        }
                        Ceiling::None => daemon.ask(station.clear_ceiling()).await?,
                    }
                }
            };
            done(session, text, "benchward limit show")
        }
    }
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
    format!(
        "ceiling of the lab: {} (can be set from {lowest:.0} to {highest:.0} {})\nheat goes off when nobody confirms \
         presence for {}\n\n{}",
        celsius(Some(limits.ceiling_celsius)),
        shown().unit(),
        clock(limits.absent_after_s),
        table.render(paint)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

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
            stations: vec![
                shapes::StationLimits {
                    station: "bench-1".into(),
                    ceiling_celsius: Some(200.0),
                    effective_celsius: 130.0,
                    from: "the recipe".into(),
                },
                shapes::StationLimits {
                    station: "bench-2".into(),
                    ceiling_celsius: None,
                    effective_celsius: 260.0,
                    from: "the lab".into(),
                },
            ],
        };
        assert_eq!(
            table(&limits, Paint::NONE),
            "\
ceiling of the lab: 260.0 °C (can be set from 40 to 400 °C)
heat goes off when nobody confirms presence for 15:00

STATION  OWN CEILING  COUNTS NOW  SET BY
bench-1     200.0 °C    130.0 °C  the recipe
bench-2            -    260.0 °C  the lab
"
        );
    }
}
