//! What two states of the lab have to share to count as the same one.
//!
//! The lab is looked at through its derived `Debug` text, which holds every field of it, private ones too. So a field
//! that somebody adds counts from that day on, and what is *left out* is the list below and nothing else. A field that
//! is left out by mistake merges states and hides some; one that is left in by mistake only costs time.
//!
//! # Time
//!
//! A moment counts by its age, so that the same thing happening later is the same state. Ages are exact up to a cap
//! and equal from there on. Where each cap is above the limits that the moment is compared with, no decision can tell the
//! merged ages apart; limits of 12 s and more are reached by steps that wait for them. Moments to come count as "to come": the only one that the explored steps
//! can reach by waiting, the end of the time to resume, has a step of its own that waits for it.
//!
//! # What is left out
//!
//! * Numbers that only name things: commands, runs, scans, request texts, causes in words. Nothing is decided by them but
//!   equality and order, and those are kept by what stands beside them (an unanswered command counts by its age).
//! * How much heat is granted: zero or not is what counts.
//! * **What the detectors that look back over seconds to minutes have gathered**: the trends of readings, the log of
//!   heat, the values that stand still, the falls seen. Here the search is a bounded one and not a proof: of two states
//!   that differ in nothing else only the first is carried on. What these detectors *say* is kept (whether the cause
//!   stands, whether they tripped), and the steps that provoke each of them make it happen from every state in which it
//!   can; so latches, permits and resets are searched with each of them bad or well.
//! * The controller, the guard of a first run, the outlook and the run's record: they ask for heat and remember, and decide about no latch. Which of their heat
//!   is granted is decided behind them, by what is kept.

use std::hash::{DefaultHasher, Hasher};

/// How a field counts.
#[derive(Clone, Copy, PartialEq)]
enum Rule {
    /// As it is written; moments by their age up to so many milliseconds.
    Age(u64),
    /// Not at all.
    Skip,
    /// A length of time: as it is, not by its age.
    Length,
    /// A count that matters up to so much.
    Count(u64),
}

/// Ages above it are equal where no other cap is said: longer than the limit of absence, the longest time that is
/// waited for here without a step of its own.
const AGE_MAX: u64 = 5_000;
/// Age of a reading: three of its periods or half a second make it stale, and a loop may be late by as much.
const READING_MAX: u64 = 1_050;

/// Fields that don't count as everything does, by struct and field.
fn rule(of: &str, field: &str) -> Rule {
    match (of, field) {
        // Names, numbers and words.
        (_, "now" | "seq" | "next_run" | "scans" | "record" | "name" | "text" | "behind")
        // When something was said first: shown and never asked.
        | ("Trip" | "Warning", "since")
        | ("Cause", "value" | "limit" | "unit" | "scan" | "channel")
        // What detectors have gathered.
        | ("Channel", "trend")
        | ("HeatLog", "cells" | "last")
        | ("NoResponse", "steered")
        | ("Found", _)
        | ("SensorStuck", "ramp")
        | ("Still", "value" | "since" | "until" | "readings" | "finest" | "before" | "doubted")
        | ("SensorDetached", "falls")
        | ("HeatStuckOn", "highest")
        // What asks for heat, and how long it has: `run-too-long` has a step of its own.
        | ("Run", "controller" | "guard" | "outlook" | "heated_before" | "limit")
        | ("Output", "answered")
        | ("Lab", "host" | "tick" | "supplies" | "inputs" | "outputs" | "instances" | "absent_after") => Rule::Skip,
        (_, "period" | "window") => Rule::Length,
        (_, "newest" | "fault_since" | "cold_junction" | "unanswered" | "open_since" | "over_since" | "flows_since") => {
            Rule::Age(READING_MAX)
        }
        ("Channel", "faults") | ("Seen", "bad") => Rule::Count(3),
        ("Seen", "good") => Rule::Age(3_000),
        (_, "below_since") => Rule::Age(2_000),
        _ => Rule::Age(AGE_MAX),
    }
}

/// Hash of what counts in a `Debug` text, at `now` milliseconds.
pub fn fingerprint(text: &str, now: u64) -> u64 {
    let mut reader = Reader {
        text: text.as_bytes(),
        at: 0,
        now,
        hasher: DefaultHasher::new(),
    };
    reader.value("", Rule::Age(AGE_MAX));
    reader.hasher.finish()
}

/// Walks over a `Debug` text.
struct Reader<'a> {
    text: &'a [u8],
    at: usize,
    now: u64,
    hasher: DefaultHasher,
}

impl<'a> Reader<'a> {
    fn peek(&self) -> u8 {
        self.text.get(self.at).copied().unwrap_or(0)
    }

    fn spaces(&mut self) {
        while matches!(self.peek(), b' ' | b',') {
            self.at += 1;
        }
    }

    /// Letters, digits and what numbers are written with.
    fn word(&mut self) -> &'a [u8] {
        let from = self.at;
        while matches!(self.peek(), b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'_' | b'-' | b'.' | b'+') {
            self.at += 1;
        }
        &self.text[from..self.at]
    }

    fn say(&mut self, rule: Rule, what: &[u8]) {
        if rule != Rule::Skip {
            self.hasher.write(what);
            self.hasher.write_u8(0);
        }
    }

    /// One value, whatever it is.
    fn value(&mut self, of: &str, rule: Rule) {
        self.spaces();
        match self.peek() {
            b'"' => self.string(),
            b'[' => self.list(b']', of, rule),
            b'(' => self.list(b')', of, rule),
            b'{' => self.list(b'}', of, rule),
            0 => {}
            _ => {
                let before = self.at;
                let word = self.word();
                if self.at == before {
                    // A sign that stands alone, such as the `:` of a map.
                    self.at += 1;
                    return;
                }
                let name = std::str::from_utf8(word).unwrap_or_default();
                if self.text.get(self.at..self.at + 2) == Some(b" {") {
                    self.at += 1;
                    self.say(rule, word);
                    self.fields(name, rule);
                } else if self.peek() == b'(' {
                    self.tuple(name, rule);
                } else if let (Rule::Count(most), Ok(count)) = (rule, name.parse::<u64>()) {
                    self.hasher.write_u64(count.min(most));
                } else {
                    self.say(rule, word);
                }
            }
        }
    }

    fn string(&mut self) {
        self.at += 1;
        while !matches!(self.peek(), b'"' | 0) {
            self.at += if self.peek() == b'\\' { 2 } else { 1 };
        }
        self.at += 1;
    }

    fn list(&mut self, end: u8, of: &str, rule: Rule) {
        self.at += 1;
        self.say(rule, b"[");
        loop {
            self.spaces();
            if self.peek() == end || self.peek() == 0 {
                self.at += 1;
                break;
            }
            self.value(of, rule);
        }
        self.say(rule, b"]");
    }

    fn fields(&mut self, of: &str, outer: Rule) {
        self.at += 1;
        loop {
            self.spaces();
            if matches!(self.peek(), b'}' | 0) {
                self.at += 1;
                break;
            }
            let word = self.word();
            if word.is_empty() {
                // `..` of a struct that doesn't show all: nothing to read.
                self.at += 1;
                continue;
            }
            self.at += 1;
            let field = std::str::from_utf8(word).unwrap_or_default();
            let inner = if outer == Rule::Skip {
                Rule::Skip
            } else {
                rule(of, field)
            };
            self.say(inner, word);
            self.value(of, inner);
        }
        self.say(outer, b"}");
    }

    fn tuple(&mut self, name: &str, rule: Rule) {
        match name {
            // Numbers of things.
            "Seq" | "RunId" => {
                self.list(b')', name, Rule::Skip);
            }
            "Millis" => {
                self.at += 1;
                let moment: u64 = std::str::from_utf8(self.word())
                    .unwrap_or_default()
                    .parse()
                    .unwrap_or(0);
                self.at += 1;
                match rule {
                    Rule::Age(most) if moment <= self.now => {
                        self.hasher.write_u64((self.now - moment).min(most));
                    }
                    // The next wake-up is at most a tick away, and its distance decides about lateness.
                    Rule::Age(_) if moment - self.now <= 50 => {
                        self.hasher.write_u64(u64::MAX - (moment - self.now));
                    }
                    Rule::Age(_) => self.hasher.write_u64(u64::MAX),
                    Rule::Length | Rule::Count(_) => self.hasher.write_u64(moment),
                    Rule::Skip => {}
                }
            }
            "Fraction" => {
                self.at += 1;
                let share: f64 = std::str::from_utf8(self.word())
                    .unwrap_or_default()
                    .parse()
                    .unwrap_or(0.0);
                self.at += 1;
                if rule != Rule::Skip {
                    self.hasher.write_u8(u8::from(share > 0.0));
                }
            }
            _ => {
                self.say(rule, name.as_bytes());
                self.list(b')', name, rule);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn later_is_the_same_and_longer_ago_is_not() {
        let at = |moment: u64, now| {
            fingerprint(
                &format!("Presence {{ confirmed: Some(Millis({moment})), pedal: None }}"),
                now,
            )
        };
        assert_eq!(at(1_000, 1_200), at(5_000, 5_200));
        assert_ne!(at(1_000, 1_200), at(1_000, 1_250));
        assert_eq!(at(1_000, 61_000), at(1_000, 91_000));
        assert_ne!(at(1_000, 5_950), at(1_000, 6_000));
    }

    #[test]
    fn names_don_t_count_and_everything_unknown_does() {
        let of = |text: &str| fingerprint(text, 10);
        assert_eq!(
            of("A { name: \"x, }\", b: Seq(1), c: 1 }"),
            of("A { name: \"y\\\"\", b: Seq(2), c: 1 }")
        );
        assert_ne!(of("A { new: 1 }"), of("A { new: 2 }"));
        assert_ne!(of("A { new: [1, 2] }"), of("A { new: [1], b: 2 }"));
        assert_eq!(
            of("Cause { value: Some(2.0), effect: Cut }"),
            of("Cause { value: Some(3.0), effect: Cut }")
        );
        assert_ne!(
            of("Cause { value: None, effect: Cut }"),
            of("Cause { value: None, effect: HeatOff }")
        );
        assert_eq!(of("F { share: Fraction(0.2) }"), of("F { share: Fraction(0.9) }"));
        assert_ne!(of("F { share: Fraction(0.0) }"), of("F { share: Fraction(0.9) }"));
    }
}
