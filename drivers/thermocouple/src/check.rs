//! A sensor held against a known temperature: how far off it is, and whether its class allows that.
//!
//! ```
//! use benchward_thermocouple::check::{Verdict, judge};
//! use benchward_thermocouple::reference_point::Reference;
//! use benchward_thermocouple::tolerance::Class;
//! use benchward_thermocouple::{Celsius, Kind};
//!
//! // Type K of IEC class 1 in ice water: 1.5 °C are allowed, 0.9 °C were found.
//! let judged = judge(Kind::K, Class::Iec1, Reference::Ice, Celsius::new(0.9)?)?;
//! assert_eq!((judged.verdict, judged.tolerance.degrees()), (Verdict::Inside, 1.5));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

use crate::Kind;
use crate::reference_point::{NoReferencePoint, Reference};
use crate::tolerance::{Class, NoTolerance, tolerance};
use crate::units::{Celsius, CelsiusDelta};

/// What a check says about a sensor and its class.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Off by no more than the tolerance, whatever the reference is off by.
    Inside,
    /// Off by more than the tolerance, whatever the reference is off by.
    Outside,
    /// So near the tolerance that the reference's own uncertainty decides: it takes a better reference.
    Undecided,
}

impl Verdict {
    /// The word for it in records.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Inside => "inside",
            Self::Outside => "outside",
            Self::Undecided => "undecided",
        }
    }
}

/// A sensor, judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// Inside its class or not.
    pub verdict: Verdict,
    /// What the sensor read above the reference, uncorrected.
    pub deviation: CelsiusDelta,
    /// What its class allows at that temperature, either way.
    pub tolerance: CelsiusDelta,
    /// What is left of the tolerance, as a share of it; negative outside.
    pub margin: f64,
}

/// Why a sensor can't be judged.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NotJudged {
    /// The reference has no temperature.
    #[error(transparent)]
    Reference(#[from] NoReferencePoint),
    /// The class says nothing here.
    #[error(transparent)]
    Tolerance(#[from] NoTolerance),
}

/// Judges a thermocouple of type `kind` that reads `measured`, without any correction, where `reference` is.
///
/// The reference's uncertainty is a guard band on both sides of the tolerance: within it the verdict is
/// [`Verdict::Undecided`] (JCGM 106:2012, "Evaluation of measurement data - The role of measurement uncertainty in
/// conformity assessment", 8.3). An uncertainty that nobody said counts as none.
///
/// # Errors
/// [`NotJudged`] where the reference has no temperature, or the class no tolerance for the type at that temperature.
pub fn judge(
    kind: Kind,
    class: Class,
    reference: Reference,
    measured: Celsius,
) -> Result<Judgement, NotJudged> {
    let at = reference.celsius()?;
    let allowed = tolerance(kind, class, at)?.degrees();
    let deviation = measured.degrees() - at.degrees();
    let left = allowed - deviation.abs();
    let within = reference.within().map_or(0.0, |within| within.degrees().abs());
    let verdict = if left.abs() < within {
        Verdict::Undecided
    } else if left >= 0.0 {
        Verdict::Inside
    } else {
        Verdict::Outside
    };
    Ok(Judgement {
        verdict,
        deviation: CelsiusDelta::finite(deviation),
        tolerance: CelsiusDelta::finite(allowed),
        // No class allows nothing; one that did would leave no margin.
        margin: if allowed > 0.0 { left / allowed } else { 0.0 },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Metres;

    fn celsius(degrees: f64) -> Celsius {
        Celsius::new(degrees).expect("a temperature")
    }

    fn thermometer(at: f64, within: Option<f64>) -> Reference {
        Reference::Thermometer {
            celsius: celsius(at),
            within: within.map(|within| CelsiusDelta::new(within).expect("a difference")),
        }
    }

    /// Type K, IEC class 1, at 25 °C: 1.5 °C (`tc_tolerance_points.csv`).
    fn at_25(measured: f64, within: Option<f64>) -> Judgement {
        judge(Kind::K, Class::Iec1, thermometer(25.0, within), celsius(measured))
            .expect("the class has a tolerance there")
    }

    #[test]
    fn the_tolerance_itself_is_inside_and_either_side_counts() {
        for (measured, verdict) in [
            (25.0, Verdict::Inside),
            (26.5, Verdict::Inside),
            (23.5, Verdict::Inside),
            (26.51, Verdict::Outside),
            (23.49, Verdict::Outside),
        ] {
            assert_eq!(at_25(measured, None).verdict, verdict, "{measured}");
        }
        let judged = at_25(24.4, None);
        assert!((judged.deviation.degrees() + 0.6).abs() < 1e-9, "{judged:?}");
        assert!((judged.margin - 0.6).abs() < 1e-9, "{judged:?}");
        assert!(
            (at_25(28.0, None).margin + 1.0).abs() < 1e-9,
            "outside is negative"
        );
    }

    #[test]
    fn within_the_reference_s_own_uncertainty_nothing_is_decided() {
        for (measured, verdict) in [
            (26.29, Verdict::Inside),
            (26.35, Verdict::Undecided),
            (26.65, Verdict::Undecided),
            (23.31, Verdict::Undecided),
            (26.71, Verdict::Outside),
        ] {
            assert_eq!(at_25(measured, Some(0.2)).verdict, verdict, "{measured}");
        }
    }

    #[test]
    fn a_boiling_point_from_height_decides_only_about_gross_errors() {
        let boiling = Reference::BoilingAt(Metres::new(500.0).expect("a height"));
        let at = boiling.celsius().expect("it boils").degrees();
        let judged =
            |off: f64| judge(Kind::K, Class::Iec1, boiling, celsius(at + off)).map(|one| one.verdict);
        assert_eq!(judged(0.4), Ok(Verdict::Inside));
        assert_eq!(judged(0.6), Ok(Verdict::Undecided));
        assert_eq!(judged(2.6), Ok(Verdict::Outside));
    }

    #[test]
    fn where_the_class_says_nothing_there_is_no_verdict() {
        let error = judge(Kind::B, Class::Iec2, Reference::Ice, celsius(0.1)).unwrap_err();
        assert_eq!(
            error.to_string(),
            "IEC 60584-1 class 2 gives a tolerance for type B from 600 °C to 1700 °C, not at 0 °C"
        );
        let high = Reference::BoilingAt(Metres::new(12_000.0).expect("a height"));
        assert!(matches!(
            judge(Kind::K, Class::Iec2, high, celsius(60.0)),
            Err(NotJudged::Reference(_))
        ));
    }
}
