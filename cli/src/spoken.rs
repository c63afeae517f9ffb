//! Sentences that the lab wrote, on the scale that the person reads.
//!
//! The daemon writes in degrees Celsius: journal, records and messages have to say the same to everybody. A person who works in degrees
//! Fahrenheit reads figures on that scale everywhere else, and would take `limit 130.0` of an alarm for one of them.
//!
//! A temperature and a difference of temperatures are written alike, and are converted differently. Which it is follows from the words around it. Where they
//! don't tell, the figure stays in °C, with its unit beside it as ever: a figure on the other scale is a nuisance, a wrong one is a danger.

use std::borrow::Cow;
use std::fmt::Write as _;

use crate::degrees::{Scale, shown};

const UNIT: &str = " °C";

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Reading,
    /// Or a rate.
    Difference,
}

/// What a figure is by the words behind it.
const BEHIND: [(&str, Kind); 7] = [
    ("/s", Kind::Difference),
    (" a second", Kind::Difference),
    (" from what", Kind::Difference),
    (" short of", Kind::Difference),
    (" up", Kind::Difference),
    (" either way", Kind::Difference),
    (" above the limit", Kind::Difference),
];

/// What a figure is by what stands before it; the first that fits counts.
const BEFORE: [(&str, Kind); 20] = [
    ("rose", Kind::Difference),
    ("fell", Kind::Difference),
    ("by", Kind::Difference),
    ("at least", Kind::Difference),
    ("deviation of", Kind::Difference),
    ("read", Kind::Reading),
    ("reads", Kind::Reading),
    ("to", Kind::Reading),
    ("from", Kind::Reading),
    ("at", Kind::Reading),
    ("at about", Kind::Reading),
    ("below", Kind::Reading),
    ("above", Kind::Reading),
    ("through", Kind::Reading),
    ("target", Kind::Reading),
    ("target,", Kind::Reading),
    ("holding", Kind::Reading),
    ("ceiling", Kind::Reading),
    ("aligned at", Kind::Reading),
    ("highest reading was", Kind::Reading),
];

/// Words before a figure that is of the kind of those before it.
const AS_BEFORE: [&str; 7] = ["limit", "limits", "and", "was", "(was", "says", "set,"];

/// The sentence on the scale that is shown.
pub(crate) fn spoken(text: &str) -> Cow<'_, str> {
    spoken_in(shown(), text)
}

fn spoken_in(scale: Scale, text: &str) -> Cow<'_, str> {
    if scale == Scale::Celsius || !text.contains(UNIT) {
        return Cow::Borrowed(text);
    }
    let mut said = String::with_capacity(text.len() + 8);
    // Kinds since the sentence began.
    let mut kinds: Vec<Kind> = Vec::new();
    let mut rest = text;
    while let Some(at) = rest.find(UNIT) {
        let (before, behind) = (&rest[..at], &rest[at + UNIT.len()..]);
        let begins = before
            .rfind(|letter: char| !letter.is_ascii_digit() && letter != '.')
            .map_or(0, |last| {
                last + before[last..].chars().next().map_or(0, char::len_utf8)
            });
        let signed = before[..begins].ends_with(['+', '-']);
        let begins = begins - usize::from(signed);
        let (words, figure) = before.split_at(begins);
        if words.contains(". ") || words.contains("; ") {
            kinds.clear();
        }
        let kind = kind(words, figure, behind, &kinds);
        said.push_str(words);
        if let (Ok(celsius), Some(kind)) = (figure.parse::<f64>(), kind) {
            kinds.push(kind);
            let degrees = match kind {
                Kind::Reading => scale.reading(celsius),
                Kind::Difference => scale.difference(celsius),
            };
            let decimals = figure.split_once('.').map_or(0, |(_, decimals)| decimals.len());
            let sign = if figure.starts_with('+') { "+" } else { "" };
            let _ = write!(said, "{sign}{degrees:.decimals$} {}", scale.unit());
        } else {
            said.push_str(figure);
            said.push_str(UNIT);
        }
        rest = behind;
    }
    said.push_str(rest);
    Cow::Owned(said)
}

/// What a figure is, where the words tell. `before`: since the figure before it. `kinds`: those of the sentence so far.
fn kind(before: &str, figure: &str, behind: &str, kinds: &[Kind]) -> Option<Kind> {
    let before = before.trim_end();
    let ends_with = |words: &str| {
        before
            .strip_suffix(words)
            .is_some_and(|rest| !rest.ends_with(char::is_alphanumeric))
    };
    if let Some((_, kind)) = BEHIND.iter().find(|(words, _)| behind.starts_with(words)) {
        return Some(*kind);
    }
    if figure.starts_with('+') || before.contains("offset") {
        return Some(Kind::Difference);
    }
    if let Some((_, kind)) = BEFORE.iter().find(|(words, _)| ends_with(words)) {
        return Some(*kind);
    }
    if before.contains("ceiling") && !before.contains("by") {
        return Some(Kind::Reading);
    }
    let (first, others) = kinds.split_first()?;
    let alike = others.iter().all(|kind| kind == first);
    (alike && AS_BEFORE.iter().any(|words| ends_with(words))).then_some(*first)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fahrenheit(text: &str) -> String {
        spoken_in(Scale::Fahrenheit, text).into_owned()
    }

    /// What the lab says of temperatures, as its scenarios have it.
    #[test]
    fn temperatures_and_differences_are_told_apart() {
        for (celsius, expected) in [
            (
                "bench-2 is off (`over-temperature`): channel board-edge read 138.2 °C, limit 130.0 °C (set by the recipe). Heat is cut.",
                "bench-2 is off (`over-temperature`): channel board-edge read 280.8 °F, limit 266.0 °F (set by the recipe). Heat is cut.",
            ),
            (
                "channel board-top rose 4.0 °C in 30.0 s though the heat has been off for 1 min, limit 3.0 °C: the heater is stuck on",
                "channel board-top rose 7.2 °F in 30.0 s though the heat has been off for 1 min, limit 5.4 °F: the heater is stuck on",
            ),
            (
                "channel board-top has read 71.25 °C for 60.0 s without any change, limit 60.0 s; it rose 2.0 °C in the 30.0 s before",
                "channel board-top has read 160.25 °F for 60.0 s without any change, limit 60.0 s; it rose 3.6 °F in the 30.0 s before",
            ),
            (
                "the cold junction of channel board-top is at 92.0 °C, limits -20.0 °C and 85.0 °C (3 scans, limit 3)",
                "the cold junction of channel board-top is at 197.6 °F, limits -4.0 °F and 185.0 °F (3 scans, limit 3)",
            ),
            (
                "the cold junction of channel board-top jumped by 9.0 °C, from 20.0 °C to 29.0 °C, in 1.0 s, limit 2.0 °C a second",
                "the cold junction of channel board-top jumped by 16.2 °F, from 68.0 °F to 84.2 °F, in 1.0 s, limit 3.6 °F a second",
            ),
            (
                "channel board-top reads 10.0 °C from what the board model expects over 20.0 s, limit 8.0 °C: heat holds back",
                "channel board-top reads 18.0 °F from what the board model expects over 20.0 s, limit 14.4 °F: heat holds back",
            ),
            (
                "channel board-top fell 5.0 °C short of the others in 20.0 s, limit 4.0 °C, while they rose 10.0 °C",
                "channel board-top fell 9.0 °F short of the others in 20.0 s, limit 7.2 °F, while they rose 18.0 °F",
            ),
            (
                "2 min of more than 90 % of full power moved the board by 0.5 °C, to 25.0 °C, limit 2.0 °C up",
                "2 min of more than 90 % of full power moved the board by 0.9 °F, to 77.0 °F, limit 3.6 °F up",
            ),
            (
                "channel board-top rises 7.5 °C/s (for 1.0 s), limit 6.0 °C/s for 1.0 s",
                "channel board-top rises 13.5 °F/s (for 1.0 s), limit 10.8 °F/s for 1.0 s",
            ),
            (
                "the ceiling is raised to 300.0 °C (set by the lab), the configuration says 260.0 °C",
                "the ceiling is raised to 572.0 °F (set by the lab), the configuration says 500.0 °F",
            ),
            (
                "the limit of rising is raised to 8 °C/s, built in are 6 °C/s",
                "the limit of rising is raised to 14 °F/s, built in are 11 °F/s",
            ),
            (
                "ceiling of the lab is 240.0 °C (was 260.0 °C), set by safe1",
                "ceiling of the lab is 464.0 °F (was 500.0 °F), set by safe1",
            ),
            (
                "offset is -0.4 °C (was +0.0 °C), by ice point, set by safe1",
                "offset is -0.7 °F (was +0.0 °F), by ice point, set by safe1",
            ),
            (
                "stage 1 of \"QM-4\": target 285.0 °C is above the ceiling of bench-2, 260.0 °C (set by the lab); lower the target",
                "stage 1 of \"QM-4\": target 545.0 °F is above the ceiling of bench-2, 500.0 °F (set by the lab); lower the target",
            ),
            (
                "a ceiling of 500.0 °C is outside what can be set, 40.0 °C to 400.0 °C",
                "a ceiling of 932.0 °F is outside what can be set, 104.0 °F to 752.0 °F",
            ),
            (
                "board-top rose 1.5 °C while board-edge rose 10.0 °C, at least 5.0 °C is expected: is board-top taped down?",
                "board-top rose 2.7 °F while board-edge rose 18.0 °F, at least 9.0 °F is expected: is board-top taped down?",
            ),
            (
                "stage 2: this bench doesn't get the board to 180 °C, it stays at about 165 °C; take a lower target",
                "stage 2: this bench doesn't get the board to 356 °F, it stays at about 329 °F; take a lower target",
            ),
            (
                "board A-0017 is safe to handle, every channel is below 45.0 °C",
                "board A-0017 is safe to handle, every channel is below 113.0 °F",
            ),
            (
                "stage 1 of 2 has reached its target, 80.0 °C",
                "stage 1 of 2 has reached its target, 176.0 °F",
            ),
        ] {
            assert_eq!(fahrenheit(celsius), expected);
            assert_eq!(spoken_in(Scale::Celsius, celsius), celsius);
            assert_eq!(fahrenheit(expected), expected, "nothing is converted twice");
        }
    }

    #[test]
    fn what_the_words_do_not_tell_stays_as_it_was_written() {
        for text in [
            "it reads °C",
            "12.0 °C",
            "something 12.0 °C",
            // Both kinds came before: whose limit it is can't be told.
            "limit 3.0 °C",
            "in °C and °F",
        ] {
            assert_eq!(fahrenheit(text), text);
        }
        assert_eq!(
            fahrenheit("it reads 20.00 °C and moved by +0.50 °C in 10.0 s, limit 0.3 °C: wait"),
            "it reads 68.00 °F and moved by +0.90 °F in 10.0 s, limit 0.3 °C: wait"
        );
    }
}
