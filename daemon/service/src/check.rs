//! A sensor check: from what a channel reads and a reference to an offset and a verdict.
//!
//! It computes and decides nothing: whether the offset may be put in force is the core's decision.

use benchward_api::Error;
use benchward_api::shapes::CheckRequest;
use benchward_archive::{CheckRecord, Wall};
use benchward_thermocouple::check::{NotJudged, Verdict, judge};
use benchward_thermocouple::reference_point::Reference;
use benchward_thermocouple::tolerance::Class;
use benchward_thermocouple::{Celsius, CelsiusDelta, Kilopascals, Kind, Metres, NotA};

use crate::calibration::Sensor;
use crate::steady::Steady;

/// How long readings are looked at: shorter shows no drift, and longer is no longer one moment.
const SECONDS: std::ops::RangeInclusive<f64> = 2.0..=300.0;

/// Longest note, characters.
const NOTE_MAX: usize = 500;

/// Longest time to the due date, days.
const DUE_DAYS_MAX: u32 = 3_660;

/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;

/// What a request asks for, once it makes sense.
#[derive(Debug)]
pub(crate) struct Check {
    pub(crate) seconds: f64,
    pub(crate) due: Option<Wall>,
    reference: Reference,
    /// Temperature of the reference.
    at: Celsius,
    kind: Option<Kind>,
    class: Option<Class>,
}

fn invalid(text: impl std::fmt::Display) -> Error {
    Error::Invalid(text.to_string())
}

/// A note that can be kept.
///
/// # Errors
/// `Invalid`: too long, or with control characters.
pub(crate) fn note(text: &str) -> Result<(), Error> {
    let length = text.chars().count();
    if length > NOTE_MAX || text.chars().any(char::is_control) {
        return Err(Error::Invalid(format!(
            "the note has {length} characters; it takes at most {NOTE_MAX}, none of them a control character"
        )));
    }
    Ok(())
}

impl Check {
    /// Reads a request about `sensor`. What it leaves out about the sensor is as the configuration says, or as the
    /// calibration in force said.
    ///
    /// # Errors
    /// `Invalid`, with what is wrong and what is possible.
    pub(crate) fn new(request: &CheckRequest, sensor: &Sensor, now: Wall) -> Result<Self, Error> {
        if !SECONDS.contains(&request.seconds) {
            return Err(Error::Invalid(format!(
                "readings of {} s can't be looked at; it takes {} to {} s",
                request.seconds,
                SECONDS.start(),
                SECONDS.end()
            )));
        }
        note(&request.note)?;
        let reference = reference_of(request)?;
        let before = sensor.in_force().and_then(|newest| newest.record.check.as_ref());
        let kind = request
            .thermocouple
            .as_ref()
            .or(sensor.converted_as.as_ref())
            .or_else(|| before?.thermocouple.as_ref());
        let class = request.class.as_ref().or_else(|| before?.class.as_ref());
        Ok(Self {
            seconds: request.seconds,
            due: due_of(request, now)?,
            reference,
            at: reference.celsius().map_err(invalid)?,
            kind: kind.map(|kind| kind.parse()).transpose().map_err(invalid)?,
            class: class.map(|class| class.parse()).transpose().map_err(invalid)?,
        })
    }

    /// The offset that makes `steady`, read with the offset `was`, equal the reference: in hundredths, which is more than a
    /// bench can show.
    pub(crate) fn offset(&self, steady: Steady, was: f64) -> f64 {
        let exact = was + self.at.degrees() - steady.mean;
        // Adding 0 makes -0 a 0.
        (exact * 100.0).round() / 100.0 + 0.0
    }

    /// All that is to be kept of it.
    pub(crate) fn record(&self, steady: Steady, was: f64) -> CheckRecord {
        let raw = steady.mean - was;
        let mut record = CheckRecord {
            reference_celsius: self.at.degrees(),
            reference_within_celsius: self.reference.within().map(CelsiusDelta::degrees),
            read_celsius: steady.mean,
            sd_celsius: steady.sd,
            readings: steady.readings,
            over_s: steady.over_s,
            deviation_celsius: raw - self.at.degrees(),
            thermocouple: self.kind.map(|kind| kind.letter().to_string()),
            class: self.class.map(|class| class.word().to_owned()),
            ..CheckRecord::default()
        };
        match self.reference {
            Reference::Ice => record.method = "ice".into(),
            Reference::BoilingUnder(pressure) => {
                record.method = "boiling".into();
                record.pressure_kpa = Some(pressure.kilopascals());
            }
            Reference::BoilingAt(altitude) => {
                record.method = "boiling".into();
                record.altitude_m = Some(altitude.metres());
            }
            Reference::Thermometer { .. } => record.method = "reference".into(),
        }
        match self.judged(raw) {
            Ok(judged) => {
                record.tolerance_celsius = Some(judged.tolerance.degrees());
                record.margin = Some(judged.margin);
                record.verdict = judged.verdict.word().into();
                if judged.verdict == Verdict::Undecided {
                    record.verdict_text = format!(
                        "the reference itself is good to {} only; a better one decides",
                        self.reference
                            .within()
                            .map_or("nothing".into(), |within| within.to_string())
                    );
                }
            }
            Err(text) => {
                record.verdict = "none".into();
                record.verdict_text = text;
            }
        }
        record
    }

    fn judged(&self, raw: f64) -> Result<benchward_thermocouple::check::Judgement, String> {
        let kind = self.kind.ok_or("no thermocouple type was said")?;
        let class = self.class.ok_or("no tolerance class was said")?;
        let raw = Celsius::new(raw).map_err(|error| error.to_string())?;
        judge(kind, class, self.reference, raw).map_err(|error: NotJudged| error.to_string())
    }
}

fn reference_of(request: &CheckRequest) -> Result<Reference, Error> {
    let quantity = |error: NotA| invalid(error);
    let within = request
        .reference_within_celsius
        .map(|within| CelsiusDelta::new(within.abs()).map_err(quantity))
        .transpose()?;
    let mut asked = Vec::new();
    if request.ice {
        asked.push(Reference::Ice);
    }
    if let Some(pressure) = request.boiling_pressure_kpa {
        asked.push(Reference::BoilingUnder(
            Kilopascals::new(pressure).map_err(quantity)?,
        ));
    }
    if let Some(altitude) = request.boiling_altitude_m {
        asked.push(Reference::BoilingAt(Metres::new(altitude).map_err(quantity)?));
    }
    if let Some(celsius) = request.reference_celsius {
        let celsius = Celsius::new(celsius).map_err(quantity)?;
        asked.push(Reference::Thermometer { celsius, within });
    }
    let [reference] = asked[..] else {
        return Err(Error::Invalid(format!(
            "a check is against one reference and {} were named: ice, boiling water by pressure or by altitude, or a \
             reference thermometer",
            asked.len()
        )));
    };
    if within.is_some() && !matches!(reference, Reference::Thermometer { .. }) {
        return Err(Error::Invalid(
            "the uncertainty of ice and of boiling water is known; it is said of a reference thermometer only".into(),
        ));
    }
    Ok(reference)
}

fn due_of(request: &CheckRequest, now: Wall) -> Result<Option<Wall>, Error> {
    let today = Wall::of_day(now.day());
    match (&request.due, request.due_days) {
        (None, None) => Ok(None),
        (Some(_), Some(_)) => Err(Error::Invalid(
            "the due date is said as a date or in days, not both".into(),
        )),
        (None, Some(days)) if (1..=DUE_DAYS_MAX).contains(&days) => {
            Ok(Some(today.plus_ms(i64::from(days) * DAY_MS)))
        }
        (None, Some(days)) => Err(Error::Invalid(format!(
            "due in {days} days can't be set; it takes 1 to {DUE_DAYS_MAX}"
        ))),
        (Some(date), None) => {
            let due: Wall = format!("{date}T00:00:00Z")
                .parse()
                .map_err(|_| Error::Invalid(format!("\"{date}\" is no date; write 2027-11-25")))?;
            if due < today {
                return Err(Error::Invalid(format!(
                    "the due date {date} is over: today is {} (UTC)",
                    today.date()
                )));
            }
            Ok(Some(due))
        }
    }
}

#[cfg(test)]
mod tests {
    use benchward_archive::{Calibration, CalibrationRecord};

    use super::*;

    /// 2026-11-25T13:00:00Z.
    const NOW: Wall = Wall(1_795_611_600_000);

    /// Ten seconds of readings.
    fn reads(mean: f64) -> Steady {
        Steady {
            mean,
            sd: 0.05,
            readings: 100,
            over_s: 9.9,
        }
    }

    fn sensor(newest: Option<CheckRecord>) -> Sensor {
        Sensor {
            station: "bench-1".into(),
            channel: "board-top".into(),
            input: "bench-1/tc1".into(),
            converted_as: None,
            configured: 0.0,
            newest: newest.map(|check| Calibration {
                revision: 1,
                record: CalibrationRecord {
                    input: "bench-1/tc1".into(),
                    check: Some(check),
                    ..CalibrationRecord::default()
                },
            }),
        }
    }

    fn ice() -> CheckRequest {
        CheckRequest {
            ice: true,
            seconds: 10.0,
            ..CheckRequest::default()
        }
    }

    fn refused(request: &CheckRequest) -> String {
        match Check::new(request, &sensor(None), NOW) {
            Err(Error::Invalid(text)) => text,
            other => panic!("{other:?}"),
        }
    }

    /// A sensor that reads 0.42 °C too much, looked at through an offset of 0.1 °C.
    #[test]
    fn the_offset_and_the_deviation_are_of_the_sensor_itself() {
        let check = Check::new(
            &CheckRequest {
                thermocouple: Some("K".into()),
                class: Some("iec-1".into()),
                ..ice()
            },
            &sensor(None),
            NOW,
        )
        .expect("it makes sense");
        let steady = reads(0.52);
        assert!((check.offset(steady, 0.1) + 0.42).abs() < 1e-12);
        let record = check.record(steady, 0.1);
        assert!((record.deviation_celsius - 0.42).abs() < 1e-9, "{record:?}");
        assert!((record.read_celsius - 0.52).abs() < 1e-9, "{record:?}");
        assert_eq!((&*record.method, &*record.verdict), ("ice", "inside"));
        assert_eq!(record.tolerance_celsius, Some(1.5));
        assert!(
            record.margin.is_some_and(|margin| (margin - 0.72).abs() < 1e-9),
            "{record:?}"
        );
    }

    /// Source: IAPWS-IF97 at 98 kPa, 99.0421 °C, and at 500 m of ISO 2533's atmosphere, 98.31 °C
    /// (`drivers/thermocouple/tests/data`).
    #[test]
    fn boiling_water_is_where_pressure_or_height_puts_it() {
        let against = |request: CheckRequest| {
            let check = Check::new(&request, &sensor(None), NOW).expect("it makes sense");
            let steady = reads(100.0);
            (check.offset(steady, 0.0), check.record(steady, 0.0).against())
        };
        let request = CheckRequest { ice: false, ..ice() };
        let (offset, words) = against(CheckRequest {
            boiling_pressure_kpa: Some(98.0),
            ..request.clone()
        });
        assert_eq!(
            (format!("{offset:.2}"), &*words),
            ("-0.96".into(), "boiling water at 98 kPa")
        );
        let (offset, words) = against(CheckRequest {
            boiling_altitude_m: Some(500.0),
            ..request
        });
        assert_eq!(
            (format!("{offset:.2}"), &*words),
            ("-1.69".into(), "boiling water 500 m above sea level")
        );
    }

    #[test]
    fn type_and_class_are_those_of_the_calibration_before_unless_said() {
        let before = CheckRecord {
            thermocouple: Some("T".into()),
            class: Some("iec-2".into()),
            ..CheckRecord::default()
        };
        let of = |request: &CheckRequest, before: Option<CheckRecord>| {
            let check = Check::new(request, &sensor(before), NOW).expect("it makes sense");
            let steady = reads(0.0);
            let record = check.record(steady, 0.0);
            (
                record.thermocouple,
                record.class,
                record.verdict,
                record.verdict_text,
            )
        };
        let some = |text: &str| Some(text.to_owned());
        assert_eq!(
            of(&ice(), Some(before.clone())),
            (some("T"), some("iec-2"), "inside".into(), String::new())
        );
        let said = CheckRequest {
            class: some("e230-special"),
            ..ice()
        };
        assert_eq!(of(&said, Some(before)).1, some("e230-special"));
        assert_eq!(
            of(&ice(), None),
            (None, None, "none".into(), "no thermocouple type was said".into())
        );
    }

    #[test]
    fn requests_that_make_no_sense_say_why() {
        for (request, said) in [
            (
                CheckRequest { ice: false, ..ice() },
                "one reference and 0 were named",
            ),
            (
                CheckRequest {
                    reference_celsius: Some(20.0),
                    ..ice()
                },
                "one reference and 2 were named",
            ),
            (
                CheckRequest {
                    reference_within_celsius: Some(0.1),
                    ..ice()
                },
                "uncertainty of ice",
            ),
            (
                CheckRequest {
                    ice: false,
                    boiling_altitude_m: Some(12_000.0),
                    ..ice()
                },
                "lowest layer",
            ),
            (
                CheckRequest {
                    seconds: 1.9,
                    ..ice()
                },
                "it takes 2 to 300 s",
            ),
            (
                CheckRequest {
                    class: Some("iec-4".into()),
                    ..ice()
                },
                "the classes are iec-1",
            ),
            (
                CheckRequest {
                    thermocouple: Some("Q".into()),
                    ..ice()
                },
                "Q",
            ),
            (
                CheckRequest {
                    due: Some("2026-11-24".into()),
                    ..ice()
                },
                "today is 2026-11-25",
            ),
            (
                CheckRequest {
                    due: Some("soon".into()),
                    ..ice()
                },
                "write 2027-11-25",
            ),
            (
                CheckRequest {
                    due_days: Some(0),
                    ..ice()
                },
                "1 to 3660",
            ),
            (
                CheckRequest {
                    due: Some("2027-11-25".into()),
                    due_days: Some(3),
                    ..ice()
                },
                "not both",
            ),
            (
                CheckRequest {
                    note: "x".repeat(501),
                    ..ice()
                },
                "501 characters",
            ),
        ] {
            let text = refused(&request);
            assert!(text.contains(said), "{text}");
        }
    }

    #[test]
    fn the_due_date_is_a_day_and_today_is_not_over() {
        let due = |request: &CheckRequest| {
            Check::new(request, &sensor(None), NOW)
                .expect("it makes sense")
                .due
                .map(Wall::date)
        };
        let dated = |date: &str| CheckRequest {
            due: Some(date.into()),
            ..ice()
        };
        assert_eq!(due(&ice()), None);
        assert_eq!(due(&dated("2026-11-25")).as_deref(), Some("2026-11-25"));
        let days = CheckRequest {
            due_days: Some(365),
            ..ice()
        };
        assert_eq!(due(&days).as_deref(), Some("2027-11-25"));
    }
}
