//! How far a new thermocouple of a class may be off: IEC 60584-1 and ASTM E230 as data.
//!
//! Both standards give, per type and class and within bounds of temperature, the larger of a fixed number of degrees
//! and a share of the temperature in °C (its magnitude, below zero). They speak of wire as delivered; what use
//! has done to it since is what a calibration finds out.

use std::fmt;
use std::str::FromStr;

use self::Class::{AstmSpecial, AstmStandard, Iec1, Iec2, Iec3};
use crate::Kind::{self, B, C, E, J, K, N, R, S, T};
use crate::units::{Celsius, CelsiusDelta};

/// A tolerance class of one of the two standards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Class {
    /// IEC 60584-1, class 1.
    Iec1,
    /// IEC 60584-1, class 2.
    Iec2,
    /// IEC 60584-1, class 3: below 40 °C for base metals, and a wider class for type B.
    Iec3,
    /// ASTM E230, standard tolerances.
    AstmStandard,
    /// ASTM E230, special tolerances.
    AstmSpecial,
}

/// A text that names no tolerance class.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is not a tolerance class; the classes are iec-1, iec-2, iec-3, e230-standard and e230-special"
)]
pub struct UnknownClass(String);

impl Class {
    /// All classes, IEC first.
    pub const ALL: [Self; 5] = [
        Self::Iec1,
        Self::Iec2,
        Self::Iec3,
        Self::AstmStandard,
        Self::AstmSpecial,
    ];

    /// The word for it in settings and on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Iec1 => "iec-1",
            Self::Iec2 => "iec-2",
            Self::Iec3 => "iec-3",
            Self::AstmStandard => "e230-standard",
            Self::AstmSpecial => "e230-special",
        }
    }
}

impl fmt::Display for Class {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Iec1 => "IEC 60584-1 class 1",
            Self::Iec2 => "IEC 60584-1 class 2",
            Self::Iec3 => "IEC 60584-1 class 3",
            Self::AstmStandard => "ASTM E230 standard",
            Self::AstmSpecial => "ASTM E230 special",
        })
    }
}

impl FromStr for Class {
    type Err = UnknownClass;

    fn from_str(text: &str) -> Result<Self, UnknownClass> {
        Self::ALL
            .into_iter()
            .find(|class| class.word() == text)
            .ok_or_else(|| UnknownClass(text.to_owned()))
    }
}

/// Why a standard gives no tolerance.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoTolerance {
    /// The class doesn't exist for this type at any temperature.
    #[error("{class} gives no tolerance for type {kind}")]
    Class {
        /// Type of the thermocouple.
        kind: Kind,
        /// The class asked for.
        class: Class,
    },
    /// The class exists for this type, but not at this temperature.
    #[error("{class} gives a tolerance for type {kind} from {low} to {high}, not at {given}")]
    Temperature {
        /// Type of the thermocouple.
        kind: Kind,
        /// The class asked for.
        class: Class,
        /// The temperature asked for.
        given: Celsius,
        /// Lowest temperature of the class.
        low: Celsius,
        /// Highest temperature of the class.
        high: Celsius,
    },
}

/// Largest deviation, either way, that `class` allows a thermocouple of type `kind` at `temperature`.
///
/// # Errors
/// [`NoTolerance`] if the class isn't defined for the type, or not at this temperature. Its bounds are inclusive.
pub fn tolerance(kind: Kind, class: Class, temperature: Celsius) -> Result<CelsiusDelta, NoTolerance> {
    let t = temperature.degrees();
    let mut bounds: Option<[f64; 2]> = None;
    for row in ROWS.iter().filter(|row| row.kind == kind && row.class == class) {
        if (row.from..=row.to).contains(&t) {
            return Ok(CelsiusDelta::finite(row.rule.at(t)));
        }
        let [low, high] = bounds.unwrap_or([row.from, row.to]);
        bounds = Some([low.min(row.from), high.max(row.to)]);
    }
    Err(match bounds {
        None => NoTolerance::Class { kind, class },
        Some([low, high]) => NoTolerance::Temperature {
            kind,
            class,
            given: temperature,
            low: Celsius::within_range(low),
            high: Celsius::within_range(high),
        },
    })
}

/// How a tolerance follows from the temperature.
#[derive(Debug, Clone, Copy)]
enum Rule {
    /// The larger of so many degrees and so many percent of the magnitude of the temperature.
    Larger { degrees: f64, percent: f64 },
    /// So many degrees up to 1100 °C, and 0.3 % of what is above that in addition.
    From1100 { degrees: f64 },
}

impl Rule {
    fn at(self, t: f64) -> f64 {
        match self {
            Self::Larger { degrees, percent } => degrees.max(percent / 100.0 * t.abs()),
            Self::From1100 { degrees } => degrees + 0.003 * (t - 1100.0).max(0.0),
        }
    }
}

/// One line of a standard's table.
struct Row {
    kind: Kind,
    class: Class,
    from: f64,
    to: f64,
    rule: Rule,
}

const fn row(kind: Kind, class: Class, from: f64, to: f64, degrees: f64, percent: f64) -> Row {
    Row {
        kind,
        class,
        from,
        to,
        rule: Rule::Larger { degrees, percent },
    }
}

const fn row_from_1100(kind: Kind, class: Class, from: f64, to: f64, degrees: f64) -> Row {
    Row {
        kind,
        class,
        from,
        to,
        rule: Rule::From1100 { degrees },
    }
}

/// The two standards' tables. Columns: type, class, from and to in °C, degrees, percent.
static ROWS: &[Row] = &[
    // IEC 60584-1:2013.
    row(T, Iec1, -40.0, 350.0, 0.5, 0.4),
    row(T, Iec2, -40.0, 350.0, 1.0, 0.75),
    row(T, Iec3, -200.0, 40.0, 1.0, 1.5),
    row(E, Iec1, -40.0, 800.0, 1.5, 0.4),
    row(E, Iec2, -40.0, 900.0, 2.5, 0.75),
    row(E, Iec3, -200.0, 40.0, 2.5, 1.5),
    row(J, Iec1, -40.0, 750.0, 1.5, 0.4),
    row(J, Iec2, -40.0, 750.0, 2.5, 0.75),
    row(K, Iec1, -40.0, 1000.0, 1.5, 0.4),
    row(N, Iec1, -40.0, 1000.0, 1.5, 0.4),
    row(K, Iec2, -40.0, 1200.0, 2.5, 0.75),
    row(N, Iec2, -40.0, 1200.0, 2.5, 0.75),
    row(K, Iec3, -200.0, 40.0, 2.5, 1.5),
    row(N, Iec3, -200.0, 40.0, 2.5, 1.5),
    row_from_1100(R, Iec1, 0.0, 1600.0, 1.0),
    row(R, Iec2, 0.0, 1600.0, 1.5, 0.25),
    row_from_1100(S, Iec1, 0.0, 1600.0, 1.0),
    row(S, Iec2, 0.0, 1600.0, 1.5, 0.25),
    row(B, Iec2, 600.0, 1700.0, 1.5, 0.25),
    row(B, Iec3, 600.0, 1700.0, 4.0, 0.5),
    row(C, Iec2, 426.0, 2315.0, 0.0, 1.0),
    // ASTM E230.
    row(T, AstmStandard, 0.0, 370.0, 1.0, 0.75),
    row(T, AstmSpecial, 0.0, 370.0, 0.5, 0.4),
    row(J, AstmStandard, 0.0, 760.0, 2.2, 0.75),
    row(J, AstmSpecial, 0.0, 760.0, 1.1, 0.4),
    row(E, AstmStandard, 0.0, 870.0, 1.7, 0.5),
    row(E, AstmSpecial, 0.0, 870.0, 1.0, 0.4),
    row(K, AstmStandard, 0.0, 1260.0, 2.2, 0.75),
    row(K, AstmSpecial, 0.0, 1260.0, 1.1, 0.4),
    row(N, AstmStandard, 0.0, 1260.0, 2.2, 0.75),
    row(N, AstmSpecial, 0.0, 1260.0, 1.1, 0.4),
    row(R, AstmStandard, 0.0, 1480.0, 1.5, 0.25),
    row(R, AstmSpecial, 0.0, 1480.0, 0.6, 0.1),
    row(S, AstmStandard, 0.0, 1480.0, 1.5, 0.25),
    row(S, AstmSpecial, 0.0, 1480.0, 0.6, 0.1),
    row(B, AstmStandard, 870.0, 1700.0, 0.0, 0.5),
    row(B, AstmSpecial, 870.0, 1700.0, 0.0, 0.25),
    // The percentage stands in the table, the 4.4 °C in the text: without them nothing would pass at 0 °C.
    row(C, AstmStandard, 0.0, 2315.0, 4.4, 1.0),
    row(T, AstmStandard, -200.0, 0.0, 1.0, 1.5),
    row(E, AstmStandard, -200.0, 0.0, 1.7, 1.0),
    row(K, AstmStandard, -200.0, 0.0, 2.2, 2.0),
];
