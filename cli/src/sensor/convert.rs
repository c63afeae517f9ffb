//! `benchward sensor convert`.

use benchward_api::{Exit, shapes};
use benchward_thermocouple::{Celsius, Kind, Millivolts, NotA, measured_emf, temperature};
use clap::Args;
use serde::Serialize;

use crate::Session;
use crate::degrees::{Scale, Typed};
use crate::failure::Failure;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward sensor convert --thermocouple K --celsius 25 100 260
  benchward sensor convert --thermocouple K --millivolts 4.096 --cold-junction 24.5
  benchward sensor convert --thermocouple T --celsius -20 --json";

/// Convert between temperatures and thermocouple voltages by the ITS-90 reference functions; needs no daemon
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Type of the thermocouple: B, C, E, J, K, N, R, S or T
    #[arg(long, value_name = "TYPE")]
    thermocouple: Kind,
    #[command(flatten)]
    given: Given,
    /// Temperature of the terminals where the voltage is measured, in °C, or such as 75F
    #[arg(long, value_name = "CELSIUS", default_value = "0", value_parser = degrees, allow_negative_numbers = true)]
    cold_junction: Celsius,
}

/// What is converted.
#[derive(Debug, Args)]
#[group(required = true, multiple = false)]
struct Given {
    /// Temperatures of the junction, in °C, or such as 300F
    #[arg(long, value_name = "CELSIUS", num_args = 1.., value_parser = degrees, allow_negative_numbers = true)]
    celsius: Vec<Celsius>,
    /// Voltages measured at the terminals, in mV
    #[arg(long, value_name = "MV", num_args = 1.., value_parser = voltage, allow_negative_numbers = true)]
    millivolts: Vec<Millivolts>,
}

pub(super) fn number<T>(text: &str, make: impl Fn(f64) -> Result<T, NotA>) -> Result<T, String> {
    let value = text.parse().map_err(|_| "not a number".to_owned())?;
    make(value).map_err(|error| error.to_string())
}

pub(super) fn degrees(text: &str) -> Result<Celsius, String> {
    let typed = Typed::parse(text)?.celsius(Scale::Celsius)?;
    Celsius::new(typed.degrees()).map_err(|error| error.to_string())
}

fn voltage(text: &str) -> Result<Millivolts, String> {
    number(text, Millivolts::new)
}

/// `--json` of `sensor convert`.
#[derive(Debug, Serialize)]
struct Conversion {
    schema: u32,
    values: Vec<Pair>,
}

#[derive(Debug, Clone, Copy, Serialize)]
struct Pair {
    celsius: f64,
    millivolts: f64,
}

pub(super) fn convert(session: &Session, convert: &Arguments) -> Result<Exit, Failure> {
    let conversion = Conversion {
        schema: shapes::SCHEMA,
        values: convert.pairs()?,
    };
    session.screen.show(&conversion, |conversion, paint| {
        let mut table = Table::new(&[("°C", Side::Right), ("mV", Side::Right)]);
        for pair in &conversion.values {
            table.plain([format!("{:.3}", pair.celsius), format!("{:.4}", pair.millivolts)]);
        }
        table.render(paint)
    })?;
    Ok(Exit::Done)
}

impl Arguments {
    /// Temperatures and voltages side by side, in the order given. All or none.
    fn pairs(&self) -> Result<Vec<Pair>, Failure> {
        let (kind, cold) = (self.thermocouple, self.cold_junction);
        let wrong = |error: benchward_thermocouple::ConversionError| Failure::invalid(error.to_string());
        let from_celsius = self.given.celsius.iter().map(|celsius| {
            let emf = measured_emf(kind, *celsius, cold).map_err(wrong)?;
            Ok(Pair {
                celsius: celsius.degrees(),
                millivolts: emf.millivolts(),
            })
        });
        let from_millivolts = self.given.millivolts.iter().map(|millivolts| {
            let celsius = temperature(kind, *millivolts, cold).map_err(wrong)?;
            Ok(Pair {
                celsius: celsius.degrees(),
                millivolts: millivolts.millivolts(),
            })
        });
        from_celsius.chain(from_millivolts).collect()
    }
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Debug, Parser)]
    struct Typed {
        #[command(flatten)]
        convert: Arguments,
    }

    fn pairs(typed: &str) -> Result<Vec<Pair>, Failure> {
        let typed = ["convert"].into_iter().chain(typed.split(' '));
        Typed::try_parse_from(typed)
            .unwrap_or_else(|error| panic!("{error}"))
            .convert
            .pairs()
    }

    /// Values of the ITS-90 tables in NIST Standard Reference Database 60, type K: 25 °C 1.000 mV, 100 °C 4.096 mV,
    /// 260 °C 10.561 mV, -100 °C -3.554 mV.
    const TABLE: [(f64, f64); 4] = [(25.0, 1.000), (100.0, 4.096), (260.0, 10.561), (-100.0, -3.554)];

    #[test]
    fn both_columns_are_those_of_the_published_tables() {
        let from_celsius = pairs("--thermocouple K --celsius 25 100 260 -100").expect("in range");
        let from_millivolts = pairs("--thermocouple K --millivolts 1 4.096 10.561 -3.554").expect("in range");
        assert_eq!((from_celsius.len(), from_millivolts.len()), (4, 4));
        for ((celsius, millivolts), (there, back)) in TABLE
            .into_iter()
            .zip(from_celsius.into_iter().zip(from_millivolts))
        {
            assert!(
                (there.millivolts - millivolts).abs() <= 0.0005,
                "{celsius} °C: {there:?}"
            );
            // Half a unit of the table's last digit is worth up to 0.017 °C here.
            assert!(
                (back.celsius - celsius).abs() <= 0.017,
                "{millivolts} mV: {back:?}"
            );
        }
    }

    #[test]
    fn the_cold_junction_counts_as_a_voltage() {
        // 4.096 mV measured at 25 °C are 5.096 mV in the table, between 124 °C (5.084 mV) and 125 °C (5.124 mV).
        let found = pairs("--thermocouple k --millivolts 4.096 --cold-junction 25").expect("in range");
        assert!((124.0..125.0).contains(&found[0].celsius), "{found:?}");
        let back = pairs("--thermocouple K --celsius 25 --cold-junction 25").expect("in range");
        assert!(back[0].millivolts.abs() < 1e-12, "{back:?}");
    }

    #[test]
    fn what_is_out_of_range_is_wrong_use_and_names_the_range() {
        let Err(Failure::Told { text, exit, .. }) = pairs("--thermocouple K --celsius 25 1400") else {
            panic!("1400 °C is beyond type K")
        };
        assert_eq!(exit, Exit::WrongUse);
        assert!(text.contains("1372"), "{text}");
    }
}
