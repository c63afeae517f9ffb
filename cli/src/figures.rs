//! Figures as people read them: always with their unit, a dash where there is none.

use crate::degrees::shown;

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
            format!("{value:.2}")
        }
    })
}

/// A limit as somebody wrote it: no more decimals than it has.
pub(crate) fn limit(value: Option<f64>) -> String {
    value.map_or(NONE.into(), benchward_core::mistake::table::figure)
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
    fn figures_read_as_people_write_them() {
        assert_eq!([celsius(Some(79.849)), celsius(None)], ["79.8 °C", "-"]);
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
