//! Reads checked values out of a TOML table, key by key, and collects what is wrong with them.
//!
//! A derived reader stops at the first mistake. This one is walked by hand: every question for a key either gives
//! the value or leaves a mistake behind, and the walk goes on. Whether all was well is known at the end, from
//! [`Collector::finish`].
//!
//! Numbers with a unit have it in their key (`dwell_s`). Wherever a key has `celsius` in it, the same key with
//! `fahrenheit` is read too and converted; [`Table`] is the one place that does so.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{Collector, nearest, quote};
use crate::units::{Celsius, CelsiusDelta, CelsiusPerSecond};

/// Longest name, characters. It has to fit a table on an 80 column screen beside six other columns.
pub const NAME_CHARS_MAX: usize = 40;

/// Longest text where nothing narrower is said, characters: a path on any file system this runs on fits.
pub const TEXT_CHARS_MAX: usize = 4096;

/// A kind of table of a file: where it stands, and the keys it knows. The list of all of them says where a
/// misplaced key belongs.
#[derive(Debug)]
pub struct Section {
    /// As part of a sentence: "in `[presence]`".
    pub place: &'static str,
    /// Every key it knows, in the order a person would write them; of the pair Celsius and Fahrenheit the first.
    pub keys: &'static [&'static str],
}

impl Section {
    /// Its keys and their twins in Fahrenheit.
    fn spellings(&self) -> impl Iterator<Item = String> {
        self.keys
            .iter()
            .flat_map(|&key| [Some(key.to_owned()), twin(key)])
            .flatten()
    }
}

/// The key in Fahrenheit that says the same as this key in Celsius.
fn twin(key: &str) -> Option<String> {
    key.contains("celsius")
        .then(|| key.replacen("celsius", "fahrenheit", 1))
}

/// Bounds of a number, with its unit.
#[derive(Debug, Clone, Copy)]
pub struct Bounds {
    low: f64,
    high: f64,
    low_included: bool,
    unit: &'static str,
}

impl Bounds {
    /// `low` to `high`, both included. `unit`: as printed after a number, or empty.
    pub const fn within(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            low,
            high,
            low_included: true,
            unit,
        }
    }

    /// Above `low`, up to and including `high`.
    pub const fn above(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            low,
            high,
            low_included: false,
            unit,
        }
    }

    fn too_low(&self, value: f64) -> bool {
        value < self.low || (!self.low_included && value <= self.low)
    }

    /// "within 0 and 86400 s", "above 0 s and at most 60 s".
    fn described(&self, scale: Scale, quantity: Quantity) -> String {
        let (low, high) = (
            figure(scale.shown(quantity, self.low)),
            figure(scale.shown(quantity, self.high)),
        );
        let unit = scale.unit(self.unit);
        let space = if unit.is_empty() { "" } else { " " };
        if self.low_included {
            format!("within {low} and {high}{space}{unit}")
        } else {
            format!("above {low} and at most {high}{space}{unit}")
        }
    }
}

/// What a number of degrees is: the three convert differently between scales.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Quantity {
    Temperature,
    /// Differences and rates.
    Difference,
    /// Not degrees at all.
    Other,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Scale {
    AsIs,
    Fahrenheit,
}

impl Scale {
    /// From what is written to degrees Celsius. 1.8 is exact by definition of the scale.
    fn read(self, quantity: Quantity, written: f64) -> f64 {
        match (self, quantity) {
            (Self::AsIs, _) | (_, Quantity::Other) => written,
            (Self::Fahrenheit, Quantity::Temperature) => (written - 32.0) / 1.8,
            (Self::Fahrenheit, Quantity::Difference) => written / 1.8,
        }
    }

    /// From degrees Celsius to what would be written.
    fn shown(self, quantity: Quantity, celsius: f64) -> f64 {
        match (self, quantity) {
            (Self::AsIs, _) | (_, Quantity::Other) => celsius,
            (Self::Fahrenheit, Quantity::Temperature) => celsius * 1.8 + 32.0,
            (Self::Fahrenheit, Quantity::Difference) => celsius * 1.8,
        }
    }

    fn unit(self, unit: &str) -> String {
        match self {
            Self::AsIs => unit.to_owned(),
            Self::Fahrenheit => unit.replace("°C", "°F"),
        }
    }
}

/// A number as a person would write it: no more than four decimals, none that say nothing.
pub fn figure(value: f64) -> String {
    if value.abs() >= 1.0e9 || (value != 0.0 && value.abs() < 1.0e-4) {
        return format!("{value:e}");
    }
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Reads the text as TOML. `None`, with its mistakes noted, if it is too long or isn't TOML.
///
/// `bytes_max` bounds the text; `what` names it in a sentence ("a recipe").
pub fn document<'t>(
    collector: &mut Collector<'t>,
    bytes_max: usize,
    what: &str,
) -> Option<Spanned<DeTable<'t>>> {
    let text = collector.source();
    if text.len() > bytes_max {
        collector.add(
            0..0,
            format!(
                "{} bytes are too many: {what} has at most {bytes_max}",
                text.len()
            ),
            "check that this is the right file",
        );
        return None;
    }
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let span = error.span().unwrap_or(0..0);
        let (text, fix) = syntax(collector, &span, error.message());
        match fix {
            // An empty place at the very start would stand for the text as a whole.
            Some(fix) => collector.add(if span == (0..0) { 0..1 } else { span }, text, fix),
            None => collector.add_without_fix(span, text),
        }
    }
    // What the rest of a broken text would have meant is a guess, and its mistakes would be guesses too.
    errors.is_empty().then_some(table)
}

/// How the parser's messages begin, and what to do. Its wording is not ours: what isn't listed passes through.
const SYNTAX: &[(&str, &str)] = &[
    ("key with no value", "write `key = value`"),
    (
        "unexpected key or value",
        "write one `key = value` a line, decimals after a point",
    ),
    (
        "unclosed table",
        "end the name in brackets with `]`; it has no spaces",
    ),
    (
        "unclosed array table",
        "end the name in brackets with `]]`; it has no spaces",
    ),
    (
        "unclosed array",
        "end the list with `]`, a comma between its values",
    ),
    (
        "unclosed inline table",
        "end the table with `}`, a comma between its values",
    ),
    (
        "invalid basic string",
        "end text with the quote it began with, on the same line",
    ),
    (
        "invalid literal string",
        "end text with the quote it began with, on the same line",
    ),
    (
        "missing escaped value",
        "write `\\\\` for one `\\`, or put the text into single quotes",
    ),
    (
        "invalid unquoted key",
        "a key has letters a to z, digits, `-` and `_`",
    ),
    ("invalid boolean", "write `true` or `false`"),
    ("unexpected leading zero", "leave the zero out"),
    (
        "cannot recurse further",
        "a table in a table in a table is as deep as anything here goes",
    ),
    (
        "recursion limit",
        "a table in a table in a table is as deep as anything here goes",
    ),
];

/// What the parser says, in the words of this program where they are better, and advice where there is some.
fn syntax(collector: &Collector<'_>, span: &Range<usize>, message: &str) -> (String, Option<String>) {
    let message = message.lines().collect::<Vec<_>>().join(", ");
    let at = collector.quoted(span);
    if message.starts_with("duplicate key") {
        return (
            format!("{at} is given twice"),
            Some("keep one of the two".to_owned()),
        );
    }
    if message.starts_with("string values must be quoted") {
        if span.is_empty() {
            return (
                "a value is missing".to_owned(),
                Some("write a value after `=`".to_owned()),
            );
        }
        let fix = format!(
            "put text into quotes: `\"{}\"`; a number stands alone, its decimals after a point",
            at.trim_matches('`')
        );
        return (format!("{at} is not a value"), Some(fix));
    }
    let fix = SYNTAX
        .iter()
        .find(|(start, _)| message.starts_with(start))
        .map(|(_, fix)| (*fix).to_owned());
    (message, fix)
}

/// A table of the file and what it is called in a sentence.
#[derive(Debug, Clone)]
pub struct Table<'a, 't> {
    entries: &'a DeTable<'t>,
    span: Range<usize>,
    place: String,
    section: &'static Section,
}

/// One key of a table with free keys, in the order of the file.
#[derive(Debug, Clone)]
pub struct Entry<'a, 't> {
    /// The key, and where it stands.
    pub key: Spanned<&'a str>,
    /// What stands after it.
    pub value: &'a Spanned<DeValue<'t>>,
}

impl<'a, 't> Table<'a, 't> {
    /// `place`: where this table stands, as part of a sentence ("in stage 2"). `everywhere`: all sections of the
    /// file, to say where a key belongs that this one doesn't know.
    ///
    /// Notes every unknown key and every pair of Celsius and Fahrenheit.
    pub fn open(
        collector: &mut Collector<'_>,
        entries: &'a DeTable<'t>,
        span: Range<usize>,
        place: impl Into<String>,
        section: &'static Section,
        everywhere: &[&Section],
    ) -> Self {
        let table = Self {
            entries,
            span,
            place: place.into(),
            section,
        };
        let known: Vec<String> = section.spellings().collect();
        for entry in entries_in_order(entries) {
            let key = *entry.key.get_ref();
            if !known.iter().any(|known| known == key) {
                let fix = if collector.is_full() {
                    String::new()
                } else {
                    table.advice(key, &known, everywhere)
                };
                collector.add(
                    entry.key.span(),
                    format!("unknown key {} {}", quote(key), table.place),
                    fix,
                );
            }
        }
        for &key in section.keys {
            let Some(twin) = twin(key) else { continue };
            if let (Some(_), Some((second, _))) =
                (entries.get_key_value(key), entries.get_key_value(twin.as_str()))
            {
                collector.add(
                    second.span(),
                    format!("both `{key}` and `{twin}` {}", table.place),
                    "keep one of the two",
                );
            }
        }
        table
    }

    fn advice(&self, key: &str, known: &[String], everywhere: &[&Section]) -> String {
        let home = everywhere
            .iter()
            .find(|section| section.spellings().any(|spelling| spelling == key));
        if let Some(home) = home {
            format!("`{key}` belongs {}", home.place)
        } else if let Some(meant) = nearest(key, known.iter().map(String::as_str)) {
            format!("did you mean `{meant}`?")
        } else {
            format!("remove it; known here: {}", self.section.keys.join(", "))
        }
    }

    /// Where this table stands, as part of a sentence.
    pub fn place(&self) -> &str {
        &self.place
    }

    /// Where its header stands.
    pub fn span(&self) -> Range<usize> {
        self.span.clone()
    }

    /// Whether the key is there, in either scale, whatever its value is.
    pub fn has(&self, key: &str) -> bool {
        self.scaled(key).is_some()
    }

    /// Notes a mistake if the key is missing. `example`: what could stand after `key = `.
    pub fn require(&self, collector: &mut Collector<'_>, key: &str, example: &str) {
        if !self.has(key) {
            collector.add(
                self.span(),
                format!("`{key}` is missing {}", self.place),
                format!("add `{key} = {example}`"),
            );
        }
    }

    /// Notes that the value of `key` is wrong: "`key` of stage 2 is ...". Nothing happens if the key isn't there.
    pub fn wrong(&self, collector: &mut Collector<'_>, key: &str, text: &str, fix: impl Into<String>) {
        if let Some((spelling, value, _)) = self.scaled(key) {
            collector.add(value.span(), format!("`{spelling}` {text}"), fix);
        }
    }

    fn value(&self, key: &str) -> Option<&'a Spanned<DeValue<'t>>> {
        debug_assert!(
            self.section.keys.contains(&key),
            "{key} is not listed {}",
            self.place
        );
        self.entries.get(key)
    }

    /// The value of `key` or of its twin in Fahrenheit, with the spelling that was used.
    fn scaled(&self, key: &str) -> Option<(String, &'a Spanned<DeValue<'t>>, Scale)> {
        if let Some(value) = self.value(key) {
            return Some((key.to_owned(), value, Scale::AsIs));
        }
        let twin = twin(key)?;
        let value = self.entries.get(twin.as_str())?;
        Some((twin, value, Scale::Fahrenheit))
    }

    /// A finite number, or a mistake. `allowed`: what would be, as part of a sentence.
    fn finite(
        collector: &mut Collector<'_>,
        spelling: &str,
        value: &Spanned<DeValue<'_>>,
        allowed: &str,
    ) -> Option<f64> {
        let number = match value.get_ref() {
            DeValue::Integer(integer) => {
                let integer = i64::from_str_radix(integer.as_str(), integer.radix());
                #[expect(clippy::cast_precision_loss, reason = "no bound is above 2^53")]
                integer.map_or(f64::INFINITY, |integer| integer as f64)
            }
            DeValue::Float(float) => float.as_str().parse().unwrap_or(f64::NAN),
            other => {
                let written = collector.quoted(&value.span());
                let fix = match other.as_str().map(str::trim) {
                    Some(text) if text.parse::<f64>().is_ok_and(f64::is_finite) => {
                        format!("write it without quotes: `{text}`, {allowed}")
                    }
                    _ => format!("write a number {allowed}"),
                };
                let text = format!("`{spelling}` has to be a number, not {}: {written}", kind(other));
                collector.add(value.span(), text, fix);
                return None;
            }
        };
        if !number.is_finite() {
            let text = format!(
                "`{spelling}` has to be a finite number, not {}",
                collector.quoted(&value.span())
            );
            collector.add(value.span(), text, format!("write a number {allowed}"));
            return None;
        }
        Some(number)
    }

    /// A number inside its bounds, in degrees Celsius where it is degrees, or a mistake.
    fn number_of(
        collector: &mut Collector<'_>,
        spelling: &str,
        value: &Spanned<DeValue<'_>>,
        scale: Scale,
        quantity: Quantity,
        bounds: Bounds,
    ) -> Option<Spanned<f64>> {
        // Degrees Fahrenheit come out of the conversion with an error in the last bit (0.18 °F: 0.1 °C less 1e-17);
        // who writes the bound gets the bound.
        const SLACK: f64 = 1.0e-9;
        let allowed = bounds.described(scale, quantity);
        let mut number = scale.read(quantity, Self::finite(collector, spelling, value, &allowed)?);
        for bound in [bounds.low, bounds.high] {
            if scale == Scale::Fahrenheit && (number - bound).abs() < SLACK {
                number = bound;
            }
        }
        let (side, limit) = match (bounds.too_low(number), number > bounds.high) {
            (true, _) if bounds.low_included => ("below the limit of", bounds.low),
            (true, _) => ("not above", bounds.low),
            (false, true) => ("above the limit of", bounds.high),
            (false, false) => return Some(Spanned::new(value.span(), number)),
        };
        let unit = scale.unit(bounds.unit);
        let space = if unit.is_empty() { "" } else { " " };
        let written = collector.quoted(&value.span());
        let text = format!(
            "`{spelling}` is {}{space}{unit}, {side} {}{space}{unit}",
            written.trim_matches('`'),
            figure(scale.shown(quantity, limit))
        );
        collector.add(value.span(), text, format!("write a number {allowed}"));
        None
    }

    fn scaled_number(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        quantity: Quantity,
        bounds: Bounds,
    ) -> Option<Spanned<f64>> {
        let (spelling, value, scale) = self.scaled(key)?;
        Self::number_of(collector, &spelling, value, scale, quantity, bounds)
    }

    /// A number.
    pub fn number(&self, collector: &mut Collector<'_>, key: &str, bounds: Bounds) -> Option<Spanned<f64>> {
        self.scaled_number(collector, key, Quantity::Other, bounds)
    }

    /// A temperature; `bounds` in degrees Celsius.
    pub fn temperature(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        bounds: Bounds,
    ) -> Option<Spanned<Celsius>> {
        let found = self.scaled_number(collector, key, Quantity::Temperature, bounds)?;
        Some(Spanned::new(found.span(), Celsius::new(found.into_inner()).ok()?))
    }

    /// A difference of temperatures; `bounds` in degrees Celsius.
    pub fn difference(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        bounds: Bounds,
    ) -> Option<Spanned<CelsiusDelta>> {
        let found = self.scaled_number(collector, key, Quantity::Difference, bounds)?;
        Some(Spanned::new(
            found.span(),
            CelsiusDelta::new(found.into_inner()).ok()?,
        ))
    }

    /// A rate of temperature; `bounds` in degrees Celsius per second.
    pub fn rate(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        bounds: Bounds,
    ) -> Option<Spanned<CelsiusPerSecond>> {
        let found = self.scaled_number(collector, key, Quantity::Difference, bounds)?;
        Some(Spanned::new(
            found.span(),
            CelsiusPerSecond::new(found.into_inner()).ok()?,
        ))
    }

    fn scaled_pair(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        quantity: Quantity,
        bounds: Bounds,
    ) -> Option<Spanned<(f64, f64)>> {
        let (spelling, value, scale) = self.scaled(key)?;
        let fix = format!(
            "write two numbers, the lower first, {}",
            bounds.described(scale, quantity)
        );
        let Some(array) = value.get_ref().as_array() else {
            collector.add(
                value.span(),
                format!(
                    "`{spelling}` has to be a list of two numbers, not {}",
                    kind(value.get_ref())
                ),
                fix,
            );
            return None;
        };
        if array.len() != 2 {
            collector.add(
                value.span(),
                format!(
                    "`{spelling}` has to be a list of two numbers, not of {}",
                    array.len()
                ),
                fix,
            );
            return None;
        }
        let [low, high] = [0, 1].map(|index| {
            Self::number_of(collector, &spelling, array.get(index)?, scale, quantity, bounds)
                .map(Spanned::into_inner)
        });
        let (low, high) = (low?, high?);
        if low >= high {
            let [low, high] = [low, high].map(|limit| figure(scale.shown(quantity, limit)));
            let unit = scale.unit(bounds.unit);
            collector.add(
                value.span(),
                format!("`{spelling}` goes from {low} to {high} {unit}, which leaves no width"),
                fix,
            );
            return None;
        }
        Some(Spanned::new(value.span(), (low, high)))
    }

    /// Two numbers, the first below the second.
    pub fn pair(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        bounds: Bounds,
    ) -> Option<Spanned<(f64, f64)>> {
        self.scaled_pair(collector, key, Quantity::Other, bounds)
    }

    /// Two temperatures, the first below the second; `bounds` in degrees Celsius.
    pub fn temperatures(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        bounds: Bounds,
    ) -> Option<Spanned<(Celsius, Celsius)>> {
        let found = self.scaled_pair(collector, key, Quantity::Temperature, bounds)?;
        let span = found.span();
        let (low, high) = found.into_inner();
        Some(Spanned::new(
            span,
            (Celsius::new(low).ok()?, Celsius::new(high).ok()?),
        ))
    }

    /// `true` or `false`.
    pub fn flag(&self, collector: &mut Collector<'_>, key: &str) -> Option<bool> {
        let value = self.value(key)?;
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            collector.add(
                value.span(),
                format!("`{key}` has to be true or false, not {}", kind(value.get_ref())),
                format!("write `{key} = true` or `{key} = false`"),
            );
        }
        flag
    }

    /// A line of text: not empty, no control characters, no space at either end, at most `chars_max` characters.
    pub fn text(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        chars_max: usize,
    ) -> Option<Spanned<&'a str>> {
        text_of(collector, &format!("`{key}`"), self.value(key)?, chars_max)
    }

    /// A name: see [`not_a_name`].
    pub fn name(&self, collector: &mut Collector<'_>, key: &str) -> Option<Spanned<&'a str>> {
        let found = text_of(collector, &format!("`{key}`"), self.value(key)?, TEXT_CHARS_MAX)?;
        is_name(collector, &found).then_some(found)
    }

    /// One text or a list of texts; an empty list if the key isn't there.
    pub fn texts(&self, collector: &mut Collector<'_>, key: &str, chars_max: usize) -> Vec<Spanned<&'a str>> {
        let Some(value) = self.value(key) else {
            return Vec::new();
        };
        let label = format!("`{key}`");
        match value.get_ref() {
            DeValue::Array(array) => array
                .iter()
                .filter_map(|value| text_of(collector, &label, value, chars_max))
                .collect(),
            DeValue::String(_) => text_of(collector, &label, value, chars_max).into_iter().collect(),
            other => {
                collector.add(
                    value.span(),
                    format!("{label} has to be text or a list of texts, not {}", kind(other)),
                    format!("write `{key} = \"...\"` or `{key} = [\"...\", \"...\"]`"),
                );
                Vec::new()
            }
        }
    }

    /// One of a few words.
    pub fn choice<T: Copy>(
        &self,
        collector: &mut Collector<'_>,
        key: &str,
        choices: &[(&'static str, T)],
    ) -> Option<T> {
        let found = self.text(collector, key, TEXT_CHARS_MAX)?;
        let word = *found.get_ref();
        let chosen = choices.iter().find(|(choice, _)| *choice == word);
        if chosen.is_none() {
            let words: Vec<&str> = choices.iter().map(|(choice, _)| *choice).collect();
            let fix = nearest(word, words.iter().copied()).map_or_else(
                || format!("write one of: {}", words.join(", ")),
                |meant| format!("did you mean `{meant}`?"),
            );
            collector.add(
                found.span(),
                format!(
                    "`{key}` has to be one of {}, not {}",
                    words.join(", "),
                    quote(word)
                ),
                fix,
            );
        }
        chosen.map(|(_, value)| *value)
    }

    /// The raw value of a key.
    pub fn raw(&self, key: &str) -> Option<&'a Spanned<DeValue<'t>>> {
        self.value(key)
    }

    /// A table below this one, and where it stands.
    pub fn table(&self, collector: &mut Collector<'_>, key: &str) -> Option<(&'a DeTable<'t>, Range<usize>)> {
        table_of(collector, &format!("`{key}`"), self.value(key)?)
    }

    /// The entries of a table with free keys, in the order of the file; none if the key isn't there.
    pub fn entries(&self, collector: &mut Collector<'_>, key: &str) -> Vec<Entry<'a, 't>> {
        self.table(collector, key)
            .map_or_else(Vec::new, |(table, _)| entries_in_order(table))
    }

    /// A list of tables, as in `[[stage]]`; none if the key isn't there. One table alone counts as a list of one.
    pub fn tables(&self, collector: &mut Collector<'_>, key: &str) -> Vec<(&'a DeTable<'t>, Range<usize>)> {
        let Some(value) = self.value(key) else {
            return Vec::new();
        };
        let label = format!("`{key}`");
        match value.get_ref() {
            DeValue::Array(array) => array
                .iter()
                .filter_map(|value| table_of(collector, &label, value))
                .collect(),
            _ => table_of(collector, &label, value).into_iter().collect(),
        }
    }
}

/// The entries of a table in the order of the file. The parser itself keeps them sorted by key.
pub fn entries_in_order<'a, 't>(table: &'a DeTable<'t>) -> Vec<Entry<'a, 't>> {
    let mut entries: Vec<Entry<'a, 't>> = table
        .iter()
        .map(|(key, value)| Entry {
            key: Spanned::new(key.span(), key.get_ref().as_ref()),
            value,
        })
        .collect();
    entries.sort_by_key(|entry| entry.key.span().start);
    entries
}

/// The table in `value`, or a mistake. `label`: what it is called in a sentence.
pub fn table_of<'a, 't>(
    collector: &mut Collector<'_>,
    label: &str,
    value: &'a Spanned<DeValue<'t>>,
) -> Option<(&'a DeTable<'t>, Range<usize>)> {
    let table = value.get_ref().as_table();
    if table.is_none() {
        collector.add(
            value.span(),
            format!("{label} has to be a table, not {}", kind(value.get_ref())),
            "write `{ key = value, ... }`, or a line with its name in brackets and the keys below",
        );
    }
    table.map(|table| (table, value.span()))
}

/// The line of text in `value`, or a mistake. Rules: [`Table::text`].
pub fn text_of<'a>(
    collector: &mut Collector<'_>,
    label: &str,
    value: &'a Spanned<DeValue<'_>>,
    chars_max: usize,
) -> Option<Spanned<&'a str>> {
    let span = value.span();
    let Some(text) = value.get_ref().as_str() else {
        let written = collector.quoted(&span);
        let fix = match value.get_ref() {
            DeValue::Array(_) | DeValue::Table(_) => "write one text in quotes".to_owned(),
            _ => format!("put it into quotes: `\"{}\"`", written.trim_matches('`')),
        };
        collector.add(
            span,
            format!("{label} has to be text, not {}", kind(value.get_ref())),
            fix,
        );
        return None;
    };
    let chars = text.chars().count();
    let (wrong, fix) = if text.is_empty() {
        (
            "is empty".to_owned(),
            "write something between the quotes, or remove the line".to_owned(),
        )
    } else if chars > chars_max {
        (
            format!("has {chars} characters, above the limit of {chars_max}"),
            format!("shorten it to {chars_max}"),
        )
    } else if let Some(control) = text.chars().find(|c| c.is_control()) {
        (
            format!("has the control character U+{:04X} in it", u32::from(control)),
            "write one line of plain text".to_owned(),
        )
    } else if text.trim() != text {
        (
            "has a space at an end".to_owned(),
            format!("write `\"{}\"`", text.trim()),
        )
    } else {
        return Some(Spanned::new(span, text));
    };
    collector.add(span, format!("{label} {wrong}"), fix);
    None
}

/// Why `name` can't name a lab, a station, a channel, a driver instance, a supply or a permissive, if it can't.
///
/// Names become parts of bus paths and of MQTT topics and stand in tables: 1 to [`NAME_CHARS_MAX`] letters a to z,
/// digits and `-`, a letter first.
pub fn not_a_name(name: &str) -> Option<String> {
    let chars = name.chars().count();
    if chars > NAME_CHARS_MAX {
        return Some(format!(
            "has {chars} characters, above the limit of {NAME_CHARS_MAX}"
        ));
    }
    if !name.starts_with(|c: char| c.is_ascii_lowercase()) {
        return Some("doesn't start with a letter a to z".to_owned());
    }
    name.chars()
        .find(|c| !(c.is_ascii_lowercase() || c.is_ascii_digit() || *c == '-'))
        .map(|c| format!("has `{c}` in it"))
}

/// Whether `name` can be a name; notes the mistake if not.
pub fn is_name(collector: &mut Collector<'_>, name: &Spanned<&str>) -> bool {
    let Some(why) = not_a_name(name.get_ref()) else {
        return true;
    };
    let mut near: String = name
        .get_ref()
        .to_lowercase()
        .chars()
        .map(|c| {
            if c.is_ascii_lowercase() || c.is_ascii_digit() {
                c
            } else {
                '-'
            }
        })
        .skip_while(|c| !c.is_ascii_lowercase())
        .take(NAME_CHARS_MAX)
        .collect();
    near.truncate(near.trim_end_matches('-').len());
    let example = if near.is_empty() {
        String::new()
    } else {
        format!(", such as `{near}`")
    };
    collector.add(
        name.span(),
        format!("the name {} {why}", quote(name.get_ref())),
        format!("names have 1 to {NAME_CHARS_MAX} of a to z, 0 to 9 and `-`, a letter first{example}"),
    );
    false
}

/// What a value is, with its article.
pub fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

#[cfg(test)]
mod tests {
    use super::figure;

    #[test]
    fn figures_read_as_a_person_writes_them() {
        for (value, text) in [
            (0.0, "0"),
            (-0.5, "-0.5"),
            (100.0, "100"),
            (49.444_444, "49.4444"),
            (0.0001, "0.0001"),
            (0.000_05, "5e-5"),
            (999_999_999.0, "999999999"),
            (1.0e9, "1e9"),
            (-1.0e300, "-1e300"),
        ] {
            assert_eq!(figure(value), text);
        }
    }
}
