//! `benchward sensor check` and `benchward sensor clear`.

use std::fmt::Write as _;
use std::time::Duration;

use benchward_api::{Error, Exit, shapes};
use benchward_thermocouple::tolerance::Class;
use benchward_thermocouple::{Kilopascals, Kind, Metres};
use clap::Args;

use super::convert::number;
use crate::Session;
use crate::daemon::parsed;
use crate::degrees::{Scale, Typed, TypedDifference, shown};
use crate::failure::Failure;
use crate::figures::{difference, offset, reading};
use crate::screen::{Paint, Tone};
use crate::stop::done;

const EXAMPLES: &str = "\
Examples:
  benchward sensor check bench-1 board-top --ice --type K --class iec-1 --due-days 365
  benchward sensor check bench-1 board-top --boiling --pressure-kpa 98.2
  benchward sensor check bench-1 board-top --boiling --altitude-m 520 --dry-run
  benchward sensor check bench-1 board-top --reference 121.4 --uncertainty 0.2 --note \"dry block, certificate 0417\"";

/// Check a sensor against a known temperature and store its offset as a calibration; takes the role `safety`
///
/// Put the sensor where the temperature is known and let it settle: a stirred slush of crushed ice and water, boiling
/// water, or anything beside a better thermometer. What it reads for some seconds is compared with that. The offset found
/// replaces the one in force, `offset_celsius` of the configuration included, and counts from the next scan on.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// The station
    station: String,
    /// The channel
    channel: String,
    #[command(flatten)]
    against: Against,
    /// Absolute air pressure where the water boils, in kPa, as a barometer in the room says
    #[arg(long, value_name = "KPA", conflicts_with_all = ["ice", "reference", "altitude_m"], value_parser = pressure)]
    pressure_kpa: Option<Kilopascals>,
    /// Height above sea level where the water boils, in m; good to about 1 °C, since weather moves the pressure
    #[arg(long, value_name = "METRES", conflicts_with_all = ["ice", "reference"], value_parser = height, allow_negative_numbers = true)]
    altitude_m: Option<Metres>,
    /// How far off the reference thermometer may be, as its certificate says: 0.2C, 0.4F, or a bare number on the scale that the lab
    /// shows
    #[arg(long, value_name = "DEGREES", conflicts_with_all = ["ice", "boiling"], value_parser = uncertainty)]
    uncertainty: Option<TypedDifference>,
    /// Type of the thermocouple: B, C, E, J, K, N, R, S or T [default: as configured or as last time]
    #[arg(long = "type", value_name = "TYPE")]
    kind: Option<Kind>,
    /// Its tolerance class: iec-1, iec-2, iec-3, e230-standard or e230-special [default: as last time]
    #[arg(long, value_name = "CLASS")]
    class: Option<Class>,
    /// How long it is read
    #[arg(long, value_name = "S", default_value = "10", value_parser = seconds)]
    seconds: f64,
    /// Due again after so many days
    #[arg(long, value_name = "N", conflicts_with = "due", value_parser = clap::value_parser!(u32).range(1..=3660))]
    due_days: Option<u32>,
    /// Due again after this day (UTC), such as 2027-11-25
    #[arg(long, value_name = "DATE")]
    due: Option<String>,
    /// What is to be kept with it, such as the number of a certificate
    #[arg(long, value_name = "TEXT", default_value = "")]
    note: String,
    /// Only say what would come of it; takes no role
    #[arg(long)]
    dry_run: bool,
}

/// What the sensor is held against.
#[derive(Debug, Args)]
#[group(required = true, multiple = false)]
struct Against {
    /// Against melting ice, 0 °C
    #[arg(long)]
    ice: bool,
    /// Against boiling water; say --pressure-kpa or --altitude-m
    #[arg(long)]
    boiling: bool,
    /// Against a better thermometer that shows this temperature: 121.4C, 250.5F, or a bare number on the scale that the lab
    /// shows
    #[arg(long, value_name = "DEGREES", value_parser = Typed::parse, allow_negative_numbers = true)]
    reference: Option<Typed>,
}

const CLEAR_EXAMPLES: &str = "\
Examples:
  benchward sensor clear bench-1 board-top --note \"new sensor\"";

/// Withdraw the calibration of a channel, so that the configured offset counts; takes the role `safety`
#[derive(Debug, Args)]
#[command(before_help = CLEAR_EXAMPLES)]
pub(crate) struct Clear {
    /// The station
    station: String,
    /// The channel
    channel: String,
    /// Why
    #[arg(long, value_name = "TEXT", default_value = "")]
    note: String,
}

fn pressure(text: &str) -> Result<Kilopascals, String> {
    number(text, Kilopascals::new)
}

fn height(text: &str) -> Result<Metres, String> {
    number(text, Metres::new)
}

fn within(text: &str, low: f64, high: f64, unit: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|value| (low..=high).contains(value))
        .ok_or_else(|| format!("it takes a number from {low} to {high} {unit}"))
}

fn uncertainty(text: &str) -> Result<TypedDifference, String> {
    let typed = TypedDifference::parse(text)?;
    // On whichever scale: the daemon knows the bound to the point.
    (0.0..=18.0)
        .contains(&typed.celsius(Scale::Celsius))
        .then_some(typed)
        .ok_or_else(|| "it takes a number from 0 to 10 °C, 18 °F".into())
}

fn seconds(text: &str) -> Result<f64, String> {
    within(text, 2.0, 300.0, "s")
}

impl Arguments {
    fn request(&self) -> Result<shapes::CheckRequest, Failure> {
        if self.against.boiling && self.pressure_kpa.is_none() && self.altitude_m.is_none() {
            return Err(Failure::wrong_use(
                "where water boils depends on the air pressure",
                "say --pressure-kpa as a barometer in the room shows it, or --altitude-m",
            ));
        }
        Ok(shapes::CheckRequest {
            ice: self.against.ice,
            boiling_pressure_kpa: self.pressure_kpa.map(Kilopascals::kilopascals),
            boiling_altitude_m: self.altitude_m.map(Metres::metres),
            reference_celsius: self
                .against
                .reference
                .map(|typed| typed.celsius(shown()))
                .transpose()
                .map_err(Failure::invalid)?
                .map(benchward_core::units::Celsius::degrees),
            reference_within_celsius: self.uncertainty.map(|typed| typed.celsius(shown())),
            seconds: self.seconds,
            thermocouple: self.kind.map(|kind| kind.letter().to_string()),
            class: self.class.map(|class| class.word().to_owned()),
            due: self.due.clone(),
            due_days: self.due_days,
            note: self.note.clone(),
        })
    }
}

pub(super) async fn check(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    // Nonsense is refused before anybody is asked.
    arguments.request()?;
    let daemon = session.daemon_to_show().await?;
    // Again, now that it is known which scale a bare number is on.
    let request = serde_json::to_string(&arguments.request()?)
        .map_err(|error| Failure::failed(format!("can't write the check: {error}")))?;
    let sensors = daemon.sensors().await?;
    let (station, channel) = (&*arguments.station, &*arguments.channel);
    // What is wrong with the request itself is wrong now. A sensor that hasn't settled yet may have by then.
    let early = daemon
        .ask(async {
            match sensors.check(station, channel, &request, false).await {
                Ok(_) | Err(Error::NotReady(_) | Error::OffsetOutOfBounds(_)) => Ok(()),
                Err(error) => Err(error),
            }
        })
        .await;
    early?;
    if !session.screen.is_json() {
        session.screen.say(
            Tone::Faint,
            "reading",
            &format!("{station}/{channel} for {} s", arguments.seconds),
        );
    }
    tokio::time::sleep(Duration::from_secs_f64(arguments.seconds)).await;
    let checked: shapes::SensorChecked = parsed(
        &daemon
            .ask(sensors.check(station, channel, &request, !arguments.dry_run))
            .await?,
    )?;
    session.screen.show(&checked, page)?;
    if checked.stored {
        session.screen.next("benchward sensor list");
    }
    Ok(Exit::Done)
}

pub(super) async fn clear(session: &Session, arguments: &Clear) -> Result<Exit, Failure> {
    let daemon = session.daemon_to_show().await?;
    let sensors = daemon.sensors().await?;
    let text = daemon
        .ask(sensors.clear(&arguments.station, &arguments.channel, &arguments.note))
        .await?;
    done(session, text, "benchward sensor list")
}

/// What is said of a sensor and its class.
pub(super) fn verdict(check: &shapes::SensorCheck) -> (String, Tone) {
    match &*check.verdict {
        "inside" => ("inside its class".into(), Tone::Good),
        "outside" => ("OUTSIDE its class".into(), Tone::Danger),
        "undecided" => (format!("undecided: {}", check.verdict_text), Tone::Warning),
        _ => (format!("none: {}", check.verdict_text), Tone::Plain),
    }
}

fn page(checked: &shapes::SensorChecked, paint: Paint) -> String {
    let calibration = &checked.calibration;
    let Some(check) = &calibration.check else {
        return String::new();
    };
    let mut text = format!(
        "{}/{}  {}, {}\n\n",
        checked.station,
        checked.channel,
        check
            .thermocouple
            .as_ref()
            .map_or("type unknown".into(), |kind| format!("type {kind}")),
        check.class.as_deref().unwrap_or("class unknown")
    );
    let mut line = |label: &str, value: &str| {
        let _ = writeln!(text, "  {label:<11}{value}");
    };
    let known = check
        .reference_within_celsius
        .map_or(", how well is not said".into(), |within| {
            format!(" ± {}", difference(within, 2))
        });
    line(
        "against",
        &format!(
            "{}, {}{known}",
            check.against,
            reading(check.reference_celsius, 2)
        ),
    );
    line(
        "read",
        &format!(
            "{}, standard deviation {} ({} readings in {:.1} s)",
            reading(check.read_celsius, 2),
            difference(check.sd_celsius, 2),
            check.readings,
            check.over_s
        ),
    );
    let allowed = check
        .tolerance_celsius
        .zip(check.margin)
        .map_or(String::new(), |(tolerance, margin)| {
            format!(
                ", tolerance ± {}, margin {:.0} %",
                difference(tolerance, 2),
                margin * 100.0
            )
        });
    line(
        "deviation",
        &format!("{} without any offset{allowed}", offset(check.deviation_celsius)),
    );
    let (said, tone) = verdict(check);
    line("verdict", &paint.text(tone, &said));
    let (now, before) = (
        offset(calibration.offset_celsius),
        offset(calibration.offset_before_celsius),
    );
    line(
        "offset",
        &if checked.stored {
            format!(
                "{now} from now on, was {before}; revision {}, stored by {}",
                calibration.revision, calibration.by
            )
        } else {
            format!("would be {now}, is {before}; nothing was stored")
        },
    );
    if let Some(due) = &calibration.due {
        line("due", due);
    }
    text
}

#[cfg(test)]
pub(super) mod tests {
    use clap::Parser;

    use super::*;

    pub(in crate::sensor) fn checked() -> shapes::SensorChecked {
        shapes::SensorChecked {
            schema: 1,
            station: "bench-1".into(),
            channel: "board-top".into(),
            stored: true,
            calibration: shapes::Calibration {
                revision: 3,
                at: "2026-11-25T13:46:33.120Z".into(),
                by: "safe1".into(),
                offset_celsius: -0.42,
                offset_before_celsius: 0.0,
                input: "rack/tc1".into(),
                check: Some(shapes::SensorCheck {
                    method: "ice".into(),
                    against: "ice point".into(),
                    pressure_kpa: None,
                    altitude_m: None,
                    reference_celsius: 0.0,
                    reference_within_celsius: Some(0.05),
                    read_celsius: 0.421,
                    sd_celsius: 0.05,
                    readings: 100,
                    over_s: 9.9,
                    deviation_celsius: 0.421,
                    thermocouple: Some("K".into()),
                    class: Some("iec-1".into()),
                    tolerance_celsius: Some(1.5),
                    margin: Some(0.719),
                    verdict: "inside".into(),
                    verdict_text: String::new(),
                }),
                due: Some("2027-11-25".into()),
                note: String::new(),
            },
        }
    }

    #[derive(Debug, Parser)]
    struct Typed {
        #[command(flatten)]
        check: Arguments,
    }

    fn typed(text: &str) -> Result<shapes::CheckRequest, String> {
        let words = ["check", "bench-1", "board-top"]
            .into_iter()
            .chain(text.split(' '));
        let parsed = Typed::try_parse_from(words).map_err(|error| error.to_string())?;
        parsed.check.request().map_err(|failure| match failure {
            Failure::Told { text, .. } => text,
            Failure::NobodyReads => String::new(),
        })
    }

    #[test]
    fn a_check_is_told_on_a_page() {
        let mut checked = checked();
        assert_eq!(
            page(&checked, Paint::NONE),
            "\
bench-1/board-top  type K, iec-1

  against    ice point, 0.00 °C ± 0.05 °C
  read       0.42 °C, standard deviation 0.05 °C (100 readings in 9.9 s)
  deviation  +0.42 °C without any offset, tolerance ± 1.50 °C, margin 72 %
  verdict    inside its class
  offset     -0.42 °C from now on, was +0.00 °C; revision 3, stored by safe1
  due        2027-11-25
"
        );
        checked.stored = false;
        let text = page(&checked, Paint::NONE);
        assert!(
            text.contains("offset     would be -0.42 °C, is +0.00 °C; nothing was stored"),
            "{text}"
        );
    }

    #[test]
    fn one_reference_and_what_belongs_to_it() {
        assert!(typed("--ice").expect("it makes sense").ice);
        let boiling = typed("--boiling --pressure-kpa 98.2").expect("it makes sense");
        assert_eq!(boiling.boiling_pressure_kpa, Some(98.2));
        let boiling = typed("--boiling --altitude-m -20").expect("it makes sense");
        assert_eq!(boiling.boiling_altitude_m, Some(-20.0));
        let reference = typed("--reference 121.4 --uncertainty 0.2").expect("it makes sense");
        assert_eq!(
            (reference.reference_celsius, reference.reference_within_celsius),
            (Some(121.4), Some(0.2))
        );
        for wrong in [
            "--seconds 10",
            "--ice --boiling --altitude-m 1",
            "--boiling",
            "--boiling --altitude-m 1 --pressure-kpa 98",
            "--ice --pressure-kpa 98",
            "--ice --uncertainty 0.1",
            "--reference 1 --uncertainty -1",
            "--ice --seconds 1",
            "--ice --type Q",
            "--ice --class iec-4",
            "--ice --due-days 0",
            "--ice --due-days 3 --due 2027-11-25",
        ] {
            assert!(typed(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_verdict_is_told_apart_without_colour() {
        let mut check = checked().calibration.check.expect("a check");
        let mut said = |verdict_word: &str, text: &str| {
            check.verdict = verdict_word.into();
            check.verdict_text = text.into();
            verdict(&check).0
        };
        assert_eq!(said("outside", ""), "OUTSIDE its class");
        assert_eq!(said("undecided", "why"), "undecided: why");
        assert_eq!(said("none", "no class"), "none: no class");
    }
}
