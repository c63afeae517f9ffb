//! What an instrument's answers mean: numbers, overload values, units, entries of the error queue, identification.
//!
//! By SCPI-99 volume 1: numbers are NR1, NR2 or NR3 (`23`, `23.5`, `+2.35E+01`); 9.9E37 stands for positive infinity, which is
//! an overload or an open input, -9.9E37 for negative infinity, 9.91E37 for "not a number". They are never readings.

use serde::Deserialize;

/// From here on a number stands for something else. What an instrument can measure ends long before.
const LARGEST: f64 = 9.8e37;

/// Between 9.9E37, infinity, and 9.91E37, not a number.
const INFINITY_TO_NAN: f64 = 9.905e37;

/// Longest number with its unit. What is longer isn't even looked at.
const MAX_NUMBER_BYTES: usize = 64;

/// Longest piece of an answer that is repeated in a message.
const QUOTED_CHARS: usize = 60;

/// What a number is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Unit {
    #[default]
    Celsius,
    Fahrenheit,
    Kelvin,
    Millivolts,
    Volts,
}

impl Unit {
    /// A temperature, not a voltage.
    pub(crate) fn is_temperature(self) -> bool {
        match self {
            Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin => true,
            Unit::Millivolts | Unit::Volts => false,
        }
    }

    /// The word in the settings.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Unit::Celsius => "celsius",
            Unit::Fahrenheit => "fahrenheit",
            Unit::Kelvin => "kelvin",
            Unit::Millivolts => "millivolts",
            Unit::Volts => "volts",
        }
    }

    /// The number in degrees Celsius, or in millivolts.
    pub(crate) fn to_wire(self, number: f64) -> f64 {
        match self {
            Unit::Celsius | Unit::Millivolts => number,
            Unit::Fahrenheit => (number - 32.0) / 1.8,
            Unit::Kelvin => number - 273.15,
            Unit::Volts => number * 1e3,
        }
    }

    /// What an instrument may write behind a number in this unit, if it is set to write units.
    fn suffixes(self) -> &'static [&'static str] {
        match self {
            Unit::Celsius => &["C", "CEL", "DEGC"],
            Unit::Fahrenheit => &["F", "FAR", "DEGF"],
            Unit::Kelvin => &["K"],
            Unit::Millivolts => &["MV", "MVDC"],
            Unit::Volts => &["V", "VDC"],
        }
    }
}

/// What one field says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Measured {
    /// In the unit it was asked in.
    Number(f64),
    /// Above what can be measured, or an open input.
    Overload,
    /// Below what can be measured.
    NegativeOverload,
    /// The instrument has no measurement.
    NotANumber,
}

/// Takes an answer apart at its commas, and at the semicolons between the answers of a chain of queries. Quoted text stays whole.
pub(crate) fn fields(answer: &str) -> Vec<&str> {
    let mut fields = Vec::new();
    let mut quote = None;
    let mut from = 0;
    for (at, c) in answer.char_indices() {
        match (quote, c) {
            (None, '"' | '\'') => quote = Some(c),
            (Some(open), c) if c == open => quote = None,
            (None, ',' | ';') => {
                fields.push(answer[from..at].trim());
                from = at + 1;
            }
            _ => {}
        }
    }
    fields.push(answer[from..].trim());
    fields
}

/// Reads one field.
///
/// # Errors
/// In words, if it is no number or says another unit.
pub(crate) fn measured(field: &str, unit: Unit) -> Result<Measured, String> {
    match field.to_ascii_uppercase().as_str() {
        "INF" | "+INF" => return Ok(Measured::Overload),
        "NINF" | "-INF" => return Ok(Measured::NegativeOverload),
        "NAN" | "+NAN" | "-NAN" => return Ok(Measured::NotANumber),
        _ => {}
    }
    let (number, suffix) =
        number_and_suffix(field).ok_or_else(|| format!("{} is not a number", quoted(field)))?;
    let suffix = suffix.trim_start_matches('°').to_ascii_uppercase();
    if !(suffix.is_empty() || unit.suffixes().contains(&suffix.as_str())) {
        return Err(format!(
            "{} isn't in {}, which `unit` says",
            quoted(field),
            unit.word()
        ));
    }
    Ok(if number <= -LARGEST {
        Measured::NegativeOverload
    } else if number < LARGEST {
        Measured::Number(number)
    } else if number < INFINITY_TO_NAN {
        Measured::Overload
    } else {
        Measured::NotANumber
    })
}

/// The number at the start, as long as it can be, and what comes after it.
fn number_and_suffix(field: &str) -> Option<(f64, &str)> {
    if field.len() > MAX_NUMBER_BYTES {
        return None;
    }
    let digits = field
        .find(|c: char| !(c.is_ascii_digit() || "+-.eE".contains(c)))
        .unwrap_or(field.len());
    // `E` may begin what comes after, so the longest start that is a number counts.
    (1..=digits).rev().find_map(|end| {
        let number = field[..end].parse().ok()?;
        Some((number, field[end..].trim()))
    })
}

/// An entry of the error queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct ErrorEntry {
    /// 0 is "no error"; negative ones are the standard's, positive ones the maker's.
    pub(crate) code: i64,
    /// The whole entry.
    pub(crate) text: String,
}

impl ErrorEntry {
    /// Reads `-113,"Undefined header"`; `None` if it isn't like that.
    pub(crate) fn parse(answer: &str) -> Option<Self> {
        let (code, _) = answer.split_once(',').unwrap_or((answer, ""));
        Some(ErrorEntry {
            code: code.trim().parse().ok()?,
            text: clip(answer),
        })
    }
}

/// Whether this is an answer to `*IDN?`: four fields, of which the first is a maker and no number. A late answer
/// to another query isn't taken for one.
pub(crate) fn is_identification(answer: &str) -> bool {
    let fields = answer.split(',').collect::<Vec<_>>();
    fields.len() >= 4 && number_and_suffix(fields[0].trim()).is_none() && !fields[0].trim().is_empty()
}

/// Whether two short answers say the same, apart from quotes, case and spaces at the ends.
pub(crate) fn says(answer: &str, expected: &str) -> bool {
    let bare = |text: &str| text.trim().trim_matches(['"', '\'']).trim().to_ascii_uppercase();
    bare(answer) == bare(expected)
}

/// An answer in a message.
pub(crate) fn quoted(answer: &str) -> String {
    format!("{:?}", clip(answer))
}

fn clip(answer: &str) -> String {
    let answer = answer.trim();
    match answer.char_indices().nth(QUOTED_CHARS) {
        None => answer.to_owned(),
        Some((at, _)) => format!("{}...", &answer[..at]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_every_form_of_the_standard() {
        for (field, number) in [
            ("23", 23.0),
            ("-23.5", -23.5),
            ("+1.83250000E+02", 183.25),
            ("1e-3", 0.001),
            (".5", 0.5),
            ("5.", 5.0),
            ("23.5 C", 23.5),
            ("+2.35E+01CEL", 23.5),
            ("23.5°C", 23.5),
        ] {
            assert_eq!(
                measured(field, Unit::Celsius),
                Ok(Measured::Number(number)),
                "{field}"
            );
        }
        assert_eq!(measured("1.5VDC", Unit::Volts), Ok(Measured::Number(1.5)));
        assert_eq!(measured("1.5 mV", Unit::Millivolts), Ok(Measured::Number(1.5)));
    }

    /// SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: infinity is 9.9E37, not-a-number is 9.91E37.
    #[test]
    fn values_that_stand_for_something_else_are_no_readings() {
        for (field, expected) in [
            ("9.9E37", Measured::Overload),
            ("+9.90000000E+37", Measured::Overload),
            ("-9.9E37", Measured::NegativeOverload),
            ("-9.90000000E+37", Measured::NegativeOverload),
            ("9.91E37", Measured::NotANumber),
            ("+9.91000000E+37", Measured::NotANumber),
            ("1E38", Measured::NotANumber),
            ("1E999", Measured::NotANumber),
            ("INF", Measured::Overload),
            ("-inf", Measured::NegativeOverload),
            ("NAN", Measured::NotANumber),
        ] {
            assert_eq!(measured(field, Unit::Celsius), Ok(expected), "{field}");
        }
    }

    #[test]
    fn what_is_no_number_or_in_another_unit_is_told() {
        for (field, unit, expected) in [
            ("", Unit::Celsius, "\"\" is not a number"),
            ("warm", Unit::Celsius, "\"warm\" is not a number"),
            ("E5", Unit::Celsius, "\"E5\" is not a number"),
            ("+-", Unit::Celsius, "\"+-\" is not a number"),
            (
                &"1".repeat(65),
                Unit::Celsius,
                &format!("\"{}...\" is not a number", "1".repeat(60)),
            ),
            ("infinity", Unit::Celsius, "\"infinity\" is not a number"),
            (
                "75.2 F",
                Unit::Celsius,
                "\"75.2 F\" isn't in celsius, which `unit` says",
            ),
            ("24 C", Unit::Volts, "\"24 C\" isn't in volts, which `unit` says"),
            (
                "1.2.3",
                Unit::Celsius,
                "\"1.2.3\" isn't in celsius, which `unit` says",
            ),
            (
                "12 34",
                Unit::Celsius,
                "\"12 34\" isn't in celsius, which `unit` says",
            ),
        ] {
            assert_eq!(measured(field, unit), Err(expected.to_owned()), "{field}");
        }
    }

    /// Fixed points of the scales: water's triple point, and where Celsius and Fahrenheit meet.
    #[test]
    fn units_become_degrees_celsius_and_millivolts() {
        for (unit, number, expected) in [
            (Unit::Kelvin, 273.16, 0.01),
            (Unit::Fahrenheit, -40.0, -40.0),
            (Unit::Fahrenheit, 212.0, 100.0),
            (Unit::Celsius, 25.5, 25.5),
            (Unit::Volts, 0.004_096, 4.096),
            (Unit::Millivolts, 4.096, 4.096),
        ] {
            assert!(
                (unit.to_wire(number) - expected).abs() < 1e-9,
                "{unit:?} {number}"
            );
        }
    }

    #[test]
    fn fields_end_at_commas_and_semicolons_outside_quotes() {
        assert_eq!(fields("+1.0,2 , 3"), ["+1.0", "2", "3"]);
        assert_eq!(fields("1;2"), ["1", "2"]);
        assert_eq!(fields("\"a,b\",2"), ["\"a,b\"", "2"]);
        assert_eq!(fields(""), [""]);
    }

    #[test]
    fn error_entries_and_identifications_are_told_from_readings() {
        assert_eq!(ErrorEntry::parse("0,\"No error\"").unwrap().code, 0);
        assert_eq!(ErrorEntry::parse("+0,\"No error\"").unwrap().code, 0);
        let entry = ErrorEntry::parse("-113,\"Undefined header\"").unwrap();
        assert_eq!(
            (entry.code, entry.text.as_str()),
            (-113, "-113,\"Undefined header\"")
        );
        assert_eq!(ErrorEntry::parse("+2.35E+01"), None);
        assert_eq!(ErrorEntry::parse("hello"), None);

        assert!(is_identification("Larkfield Instruments,DM-6,0042,1.07"));
        assert!(!is_identification("+2.35E+01"));
        assert!(!is_identification("1.0,2.0,3.0,4.0"));
        assert!(!is_identification("-113,\"a,b,c,d\""));
        assert!(says("\"C\"", "c") && !says("F", "C"));
    }
}
