//! The scale that people read and type temperatures in: the only place where degrees Fahrenheit are made.
//!
//! The lab's configuration says which (`display`), unless the person does (`--degrees`). It is for figures on screens alone: JSON, records and everything that
//! goes to the daemon are degrees Celsius. Sentences that the daemon wrote name that unit; `spoken` puts them on this scale.

use std::sync::OnceLock;

use benchward_core::units::Celsius;

/// A scale of temperatures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Scale {
    Celsius,
    Fahrenheit,
}

/// Set once, by the first answer of a daemon, before anything is shown.
static SHOWN: OnceLock<Scale> = OnceLock::new();

/// Shows temperatures as the daemon says from now on.
pub(crate) fn show_in(display: &str) {
    let scale = if display == "fahrenheit" {
        Scale::Fahrenheit
    } else {
        Scale::Celsius
    };
    show(scale);
}

/// Shows temperatures on this scale from now on, whatever is said later: the person's word comes before the lab's.
pub(crate) fn show(scale: Scale) {
    // A process has one person and one daemon; who came first counts.
    let _ = SHOWN.set(scale);
}

/// The scale that is shown.
pub(crate) fn shown() -> Scale {
    #[cfg(test)]
    if let Some(scale) = tests::SHOWN_HERE.get() {
        return scale;
    }
    SHOWN.get().copied().unwrap_or(Scale::Celsius)
}

impl Scale {
    pub(crate) const fn unit(self) -> &'static str {
        match self {
            Self::Celsius => "°C",
            Self::Fahrenheit => "°F",
        }
    }

    /// A temperature in °C, on this scale.
    pub(crate) fn reading(self, celsius: f64) -> f64 {
        match self {
            Self::Celsius => celsius,
            Self::Fahrenheit => celsius * 1.8 + 32.0,
        }
    }

    /// A difference of temperatures, or a rate, in °C, on this scale: without the offset of its zero.
    pub(crate) fn difference(self, celsius: f64) -> f64 {
        match self {
            Self::Celsius => celsius,
            Self::Fahrenheit => celsius * 1.8,
        }
    }

    /// A temperature on this scale, in °C.
    fn celsius(self, degrees: f64) -> f64 {
        match self {
            Self::Celsius => degrees,
            Self::Fahrenheit => (degrees - 32.0) / 1.8,
        }
    }
}

/// A temperature as it was typed: `150C`, `300 °F`, or a bare number on the scale that is shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Typed {
    degrees: f64,
    scale: Option<Scale>,
}

impl Typed {
    /// Reads one.
    ///
    /// # Errors
    /// What isn't a number with or without a scale, for people.
    pub(crate) fn parse(text: &str) -> Result<Self, String> {
        let typed = Self::figure(text)
            .ok_or_else(|| "not a number: write degrees such as 240, 240C or 400F".to_owned())?;
        // Whatever a bare number turns out to be, absolute zero is the end of it.
        typed.celsius(typed.scale.unwrap_or(Scale::Fahrenheit))?;
        Ok(typed)
    }

    /// A finite number with or without a scale.
    fn figure(text: &str) -> Option<Self> {
        let lower = text.trim().to_lowercase();
        let (number, scale) = match (lower.strip_suffix('f'), lower.strip_suffix('c')) {
            (Some(number), _) => (number, Some(Scale::Fahrenheit)),
            (None, Some(number)) => (number, Some(Scale::Celsius)),
            (None, None) => (lower.as_str(), None),
        };
        let degrees = number
            .trim_end_matches([' ', '°'])
            .parse()
            .ok()
            .filter(|degrees: &f64| degrees.is_finite())?;
        Some(Self { degrees, scale })
    }

    /// In degrees Celsius. `bare`: the scale of a bare number.
    ///
    /// # Errors
    /// What is below absolute zero, for people.
    pub(crate) fn celsius(self, bare: Scale) -> Result<Celsius, String> {
        Celsius::new(self.scale.unwrap_or(bare).celsius(self.degrees)).map_err(|error| error.to_string())
    }
}

/// A difference of temperatures, or a rate, as it was typed: `1.5`, `1.5C/s`, `3F`; a bare number is on the scale that is shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TypedDifference(Typed);

impl TypedDifference {
    /// Reads one.
    ///
    /// # Errors
    /// What isn't a number with or without a scale, for people.
    pub(crate) fn parse(text: &str) -> Result<Self, String> {
        let text = text.trim();
        Typed::figure(text.strip_suffix("/s").unwrap_or(text))
            .map(Self)
            .ok_or_else(|| {
                "not a number: write degrees such as 4, 4C or 7F; of a rate, 4, 4C/s or 7F/s".to_owned()
            })
    }

    /// In degrees Celsius, or those a second. `bare`: the scale of a bare number.
    pub(crate) fn celsius(self, bare: Scale) -> f64 {
        match self.0.scale.unwrap_or(bare) {
            Scale::Celsius => self.0.degrees,
            Scale::Fahrenheit => self.0.degrees / 1.8,
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use proptest::prelude::*;

    thread_local! {
        /// What this test's thread shows: there is one scale in a process, and tests share one.
        pub(super) static SHOWN_HERE: std::cell::Cell<Option<Scale>> = const { std::cell::Cell::new(None) };
    }

    /// What `show` does, in degrees Fahrenheit.
    pub(crate) fn in_fahrenheit<T>(show: impl FnOnce() -> T) -> T {
        SHOWN_HERE.set(Some(Scale::Fahrenheit));
        let shown = show();
        SHOWN_HERE.set(None);
        shown
    }

    #[test]
    fn known_temperatures() {
        // Definitions of the scale: ice 32 °F, boiling water 212 °F, and -40 is -40.
        for (celsius, fahrenheit) in [(0.0, 32.0), (100.0, 212.0), (-40.0, -40.0)] {
            assert!((Scale::Fahrenheit.reading(celsius) - fahrenheit).abs() < 1e-9);
            assert!((Scale::Celsius.reading(celsius) - celsius).abs() < 1e-9);
        }
        assert!((Scale::Fahrenheit.difference(10.0) - 18.0).abs() < 1e-9);
        assert!((Scale::Fahrenheit.difference(0.0)).abs() < 1e-9);
    }

    #[test]
    fn a_bare_number_is_on_the_scale_that_is_shown() {
        let celsius = |text: &str, bare| Typed::parse(text).unwrap().celsius(bare).unwrap().degrees();
        for text in ["240C", "240c", "240 °C", " 240 C "] {
            assert!((celsius(text, Scale::Fahrenheit) - 240.0).abs() < 1e-9, "{text}");
        }
        for text in ["300F", "300 °f"] {
            assert!(
                (celsius(text, Scale::Celsius) - 148.888_888).abs() < 1e-5,
                "{text}"
            );
        }
        assert!((celsius("300", Scale::Celsius) - 300.0).abs() < 1e-9);
        assert!((celsius("300", Scale::Fahrenheit) - 148.888_888).abs() < 1e-5);
        for text in ["", "hot", "240K", "nan", "inf", "-300C", "C", "-500"] {
            assert!(Typed::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_typed_difference_has_no_zero_of_its_own() {
        let celsius = |text: &str, bare| TypedDifference::parse(text).unwrap().celsius(bare);
        for text in ["4", "4C", "4 C/s", "4 °C/s", "7.2F", "7.2 °F/s"] {
            assert!((celsius(text, Scale::Celsius) - 4.0).abs() < 1e-9, "{text}");
        }
        assert!((celsius("9", Scale::Fahrenheit) - 5.0).abs() < 1e-9);
        assert!((celsius("-300C", Scale::Fahrenheit) + 300.0).abs() < 1e-9);
        for text in ["", "fast", "4K", "nan", "4C/min"] {
            assert!(TypedDifference::parse(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn there_and_back(celsius in -273.15..2_000.0_f64) {
            for scale in [Scale::Celsius, Scale::Fahrenheit] {
                prop_assert!((scale.celsius(scale.reading(celsius)) - celsius).abs() < 1e-9);
            }
        }

        #[test]
        fn what_is_shown_can_be_typed(celsius in 0.0..400.0_f64) {
            for scale in [Scale::Celsius, Scale::Fahrenheit] {
                let text = format!("{:.1} {}", scale.reading(celsius), scale.unit());
                let typed = Typed::parse(&text).unwrap();
                // Whatever is shown meanwhile; to a tenth of a degree.
                for bare in [Scale::Celsius, Scale::Fahrenheit] {
                    prop_assert!((typed.celsius(bare).unwrap().degrees() - celsius).abs() < 0.051);
                }
            }
        }

        #[test]
        fn a_difference_is_one_of_readings(from in 0.0..400.0_f64, to in 0.0..400.0_f64) {
            for scale in [Scale::Celsius, Scale::Fahrenheit] {
                let of_readings = scale.reading(to) - scale.reading(from);
                prop_assert!((scale.difference(to - from) - of_readings).abs() < 1e-9);
            }
        }
    }
}
