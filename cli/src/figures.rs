//! Figures as people read them: always with their unit, a dash where there is none.

use crate::degrees::{Scale, shown};

/// Shown where there is no value.
pub(crate) const NONE: &str = "-";

/// `79.8 °C`, or on the scale that is shown: of a temperature in °C.
pub(crate) fn celsius(degrees: Option<f64>) -> String {
    degrees.map_or(NONE.into(), |degrees| reading(degrees, 1))
}

/// [`celsius`] with so many decimals.
pub(crate) fn reading(celsius: f64, decimals: usize) -> String {
    let scale = shown();
    format!("{:.decimals$} {}", scale.reading(celsius), scale.unit())
}

/// `0.8 °C`: of a difference of temperatures.
pub(crate) fn difference(celsius: f64, decimals: usize) -> String {
    let scale = shown();
    format!("{:.decimals$} {}", scale.difference(celsius), scale.unit())
}

/// `1.5 °C/s`, with no more decimals than it has, up to three.
pub(crate) fn rate(celsius_per_s: f64) -> String {
    let scale = shown();
    let rounded = (scale.difference(celsius_per_s) * 1000.0).round() / 1000.0;
    format!("{rounded} {}/s", scale.unit())
}

/// `-0.42 °C` of what is added to readings: always with its sign, and in hundredths, as it is stored.
pub(crate) fn offset(degrees: f64) -> String {
    let scale = shown();
    format!("{:+.2} {}", scale.difference(degrees), scale.unit())
}

/// `79.85`, `0.52`, `1204`: a figure whose unit stands beside it, with as many decimals as it can use.
pub(crate) fn figure(value: Option<f64>) -> String {
    value.map_or(NONE.into(), |value| {
        if value.abs() >= 1000.0 {
            format!("{value:.0}")
        } else {
            // Halves go up, as in the sentences of verdicts: both stand side by side.
            format!("{:.2}", (value * 100.0).round() / 100.0)
        }
    })
}

/// A limit as somebody wrote it: no more decimals than it has.
pub(crate) fn limit(value: Option<f64>) -> String {
    value.map_or(NONE.into(), benchward_core::mistake::table::figure)
}

/// What a figure is one of, where the bus sends it with the key of its unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Quantity<'k> {
    /// A temperature.
    Temperature,
    /// A difference of temperatures.
    Difference,
    /// Degrees a second.
    Rate,
    /// Anything else, in this unit.
    Other(&'k str),
}

impl<'k> Quantity<'k> {
    /// Of a line of a window or a figure of a run. Differences have the same key as temperatures and are told by their name.
    pub(crate) fn of(name: &str, key: &'k str) -> Self {
        match key {
            "celsius" if name.contains("spread") || name.starts_with("overshoot") => Self::Difference,
            "celsius" => Self::Temperature,
            "celsius_per_s" => Self::Rate,
            other => Self::Other(other),
        }
    }

    /// What two of them differ by.
    pub(crate) fn apart(self) -> Self {
        match self {
            Self::Temperature => Self::Difference,
            other => other,
        }
    }

    /// The figure on a scale.
    pub(crate) fn on(self, scale: Scale, value: f64) -> f64 {
        match self {
            Self::Temperature => scale.reading(value),
            Self::Difference | Self::Rate => scale.difference(value),
            Self::Other(_) => value,
        }
    }

    /// The figure on the scale that is shown.
    pub(crate) fn shown(self, value: f64) -> f64 {
        self.on(shown(), value)
    }

    /// Its unit on the scale that is shown.
    pub(crate) fn unit(self) -> String {
        match self {
            Self::Temperature | Self::Difference => shown().unit().into(),
            Self::Rate => format!("{}/s", shown().unit()),
            Self::Other(unit) => unit.into(),
        }
    }

    /// [`figure`] with its unit.
    pub(crate) fn figure(self, value: Option<f64>) -> String {
        self.with_unit(figure(value.map(|value| self.shown(value))))
    }

    /// [`limit`] with its unit.
    pub(crate) fn limit(self, value: Option<f64>) -> String {
        self.with_unit(limit(value.map(|value| self.shown(value))))
    }

    fn with_unit(self, figure: String) -> String {
        let unit = self.unit();
        if figure == NONE || unit.is_empty() {
            figure
        } else {
            format!("{figure} {unit}")
        }
    }
}

/// `42 %` of a share from 0 to 1. Heat that is on never shows as 0 %.
pub(crate) fn percent(share: f64) -> String {
    let whole = (share * 100.0).round();
    if whole < 1.0 && share > 0.0 {
        "<1 %".into()
    } else {
        format!("{whole:.0} %")
    }
}

/// `0:07`, `14:20`, `1:02:03`: hours, minutes, seconds. Rounded down: a clock that counts down must not promise more
/// than there is.
pub(crate) fn clock(seconds: f64) -> String {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped; a cast of NaN is 0"
    )]
    let seconds = seconds.clamp(0.0, 1e9) as u64;
    let (hours, minutes, seconds) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    if hours > 0 {
        format!("{hours}:{minutes:02}:{seconds:02}")
    } else {
        format!("{minutes}:{seconds:02}")
    }
}

/// [`clock`] of a value that may be missing.
pub(crate) fn clock_or_none(seconds: Option<f64>) -> String {
    seconds.map_or(NONE.into(), clock)
}

/// `2026-11-25 13:46:33Z` of an RFC 3339 time in UTC: enough for a person; JSON has the milliseconds.
pub(crate) fn moment(time: &str) -> String {
    let seconds = time.split('.').next().unwrap_or(time).trim_end_matches('Z');
    format!("{}Z", seconds.replacen('T', " ", 1))
}

/// Some text or a dash.
pub(crate) fn or_none(text: Option<&str>) -> String {
    text.filter(|text| !text.is_empty()).unwrap_or(NONE).to_owned()
}

/// `1 run`, `3 runs`.
pub(crate) fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_turned_as_what_it_is() {
        // Definitions of the scale: 100 °C is 212 °F; a difference of 10 °C is one of 18 °F.
        for (name, key, value, fahrenheit) in [
            ("peak", "celsius", 100.0, 212.0),
            ("window: spread", "celsius", 10.0, 18.0),
            ("overshoot of stage 1", "celsius", 10.0, 18.0),
            ("rise", "celsius_per_s", 10.0, 18.0),
            ("dwell of stage 2", "s", 10.0, 10.0),
        ] {
            let quantity = Quantity::of(name, key);
            assert!(
                (quantity.on(Scale::Fahrenheit, value) - fahrenheit).abs() < 1e-9,
                "{name}"
            );
            assert!(
                (quantity.on(Scale::Celsius, value) - value).abs() < 1e-9,
                "{name}"
            );
        }
        assert_eq!(Quantity::of("peak", "celsius").apart(), Quantity::Difference);
        assert_eq!(
            Quantity::of("rise", "celsius_per_s").figure(Some(1.5)),
            "1.50 °C/s"
        );
        assert_eq!(Quantity::of("peak", "celsius").limit(None), "-");
        assert_eq!(Quantity::of("window", "").figure(Some(1.0)), "1.00");
    }

    #[test]
    fn figures_read_as_people_write_them() {
        assert_eq!([celsius(Some(79.849)), celsius(None)], ["79.8 °C", "-"]);
        // 63.165 is a little less in binary.
        assert_eq!(
            [figure(Some(63.165)), figure(Some(-63.165)), figure(Some(1.0))],
            ["63.17", "-63.17", "1.00"]
        );
        assert_eq!(
            [percent(0.0), percent(0.0004), percent(0.424), percent(1.0)],
            ["0 %", "<1 %", "42 %", "100 %"]
        );
        assert_eq!(
            [clock(7.9), clock(860.0), clock(3723.0), clock(-3.0)],
            ["0:07", "14:20", "1:02:03", "0:00"]
        );
        assert_eq!(
            [figure(Some(79.849)), figure(Some(-1204.4)), figure(None)],
            ["79.85", "-1204", "-"]
        );
        assert_eq!(
            [limit(Some(80.0)), limit(Some(0.25)), limit(None)],
            ["80", "0.25", "-"]
        );
        assert_eq!(clock(f64::NAN), "0:00");
        assert_eq!(moment("2026-11-25T13:46:33.120Z"), "2026-11-25 13:46:33Z");
        assert_eq!(
            [count(1, "run", "runs"), count(0, "run", "runs")],
            ["1 run", "0 runs"]
        );
    }
}
