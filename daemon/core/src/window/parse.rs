//! From the text of a window to a [`Window`], or to all that is wrong with it.

use std::ops::Range;

use toml::Spanned;
use toml::de::DeTable;

use super::{LINES_MAX, Limits, Line, Measure, NAME_CHARS_MAX, NamedWindow, On, TEXT_BYTES_MAX, Window};
use crate::mistake::table::{Bounds, Section, TEXT_CHARS_MAX, Table, document, figure, is_name};
use crate::mistake::{Collector, Mistakes, edits, quote};
use crate::recipe::{
    RAMP_MAX_PER_S, RAMP_MIN_PER_S, RUN_MAX, SPREAD_MAX, SPREAD_MIN, STAGES_MAX, TARGET_MAX, TARGET_MIN,
};
use crate::units::{Celsius, Millis};

/// The keys that lines are written with, in a recipe and in a document of its own.
macro_rules! keys {
    ($($first:literal),*) => {
        &[
            $($first,)*
            "channel",
            "rate_over_s",
            "gap_s_max",
            "peak_celsius",
            "peak_celsius_min",
            "peak_celsius_max",
            "rise_celsius_per_s_max",
            "fall_celsius_per_s_max",
            "rise_to_peak",
            "fall_from_peak",
            "above",
            "between",
            "dwell",
            "spread_celsius_max",
            "time_to_peak",
            "cooldown",
        ]
    };
}

/// A recipe's `[window]`.
static IN_RECIPE: Section = Section {
    place: "in `[window]`",
    keys: keys!("named"),
};

/// A window's own file.
static TOP: Section = Section {
    place: "at the top of the file",
    keys: keys!("window", "source"),
};

static ABOVE: Section = Section {
    place: "in `above` of `[window]`",
    keys: &["celsius", "time_s", "time_s_min", "time_s_max", "channel"],
};
static BETWEEN: Section = Section {
    place: "in `between` of `[window]`",
    keys: &[
        "celsius",
        "rising",
        "time_s",
        "time_s_min",
        "time_s_max",
        "channel",
    ],
};
static DWELL: Section = Section {
    place: "in `dwell` of `[window]`",
    keys: &["stage", "time_s", "time_s_min", "time_s_max", "channel"],
};
static TIME_TO_PEAK: Section = Section {
    place: "in `time_to_peak` of `[window]`",
    keys: &["from_celsius", "time_s", "time_s_min", "time_s_max", "channel"],
};
static COOLDOWN: Section = Section {
    place: "in `cooldown` of `[window]`",
    keys: &["to_celsius", "time_s", "time_s_min", "time_s_max", "channel"],
};
static RISE_TO_PEAK: Section = Section {
    place: "in `rise_to_peak` of `[window]`",
    keys: &["from_celsius", "celsius_per_s_max", "channel"],
};
static FALL_FROM_PEAK: Section = Section {
    place: "in `fall_from_peak` of `[window]`",
    keys: &["to_celsius", "celsius_per_s_max", "channel"],
};

/// Every section of a recipe's window, to say where a misplaced key belongs.
pub(crate) static SECTIONS: [&Section; 8] = [
    &IN_RECIPE,
    &ABOVE,
    &BETWEEN,
    &DWELL,
    &TIME_TO_PEAK,
    &COOLDOWN,
    &RISE_TO_PEAK,
    &FALL_FROM_PEAK,
];

/// As [`SECTIONS`], of a document of its own.
static OF_DOCUMENT: [&Section; 8] = [
    &TOP,
    &ABOVE,
    &BETWEEN,
    &DWELL,
    &TIME_TO_PEAK,
    &COOLDOWN,
    &RISE_TO_PEAK,
    &FALL_FROM_PEAK,
];

const TEMPERATURE: Bounds = Bounds::within(TARGET_MIN.degrees(), TARGET_MAX.degrees(), "°C");
const SPREAD: Bounds = Bounds::within(SPREAD_MIN.degrees(), SPREAD_MAX.degrees(), "°C");
const RATE: Bounds = Bounds::within(RAMP_MIN_PER_S, RAMP_MAX_PER_S, "°C/s");
/// Over less than a second a rate is the converter's noise; over more than ten minutes it is no rate.
const RATE_OVER: Bounds = Bounds::within(1.0, 600.0, "s");
/// A gap shorter than a fast driver's period is in every run; one of a minute hides a whole peak.
const GAP: Bounds = Bounds::within(0.1, 60.0, "s");

/// Times: as long as the longest run.
fn time() -> Bounds {
    Bounds::within(0.0, RUN_MAX.seconds(), "s")
}

pub(super) fn window(source: &str, text: &str) -> Result<NamedWindow, Mistakes> {
    let mut collector = Collector::new(source, text);
    let window = document(&mut collector, TEXT_BYTES_MAX, "a window")
        .and_then(|document| named(&mut collector, document.get_ref()));
    collector.finish(window)
}

/// `None` only with a mistake noted.
fn named(collector: &mut Collector<'_>, document: &DeTable<'_>) -> Option<NamedWindow> {
    let table = Table::open(collector, document, 0..0, TOP.place, &TOP, &OF_DOCUMENT);
    table.require(collector, "window", "\"...\"");
    let name = table.text(collector, "window", NAME_CHARS_MAX);
    let source = table.text(collector, "source", TEXT_CHARS_MAX);
    let (window, _) = lines(collector, &table, &OF_DOCUMENT);
    if window.lines.is_empty() && collector.is_clean() {
        collector.add(
            0..0,
            "the window has no line, so that nothing is judged by it",
            "add one, such as `peak_celsius = [..., ...]`",
        );
    }
    collector.is_clean().then(|| NamedWindow {
        name: name.map(Spanned::into_inner).unwrap_or_default().to_owned(),
        source: source.map(|source| source.into_inner().to_owned()),
        window,
    })
}

/// A recipe's `[window]`, with what a recipe wants to compare it with.
pub(crate) struct TableOfRecipe {
    /// What was read.
    pub(crate) window: Window,
    /// Where the limits of the peak stand.
    pub(crate) peak: Option<Range<usize>>,
    /// The stages that dwell lines name, and where.
    pub(crate) dwells: Vec<Spanned<u16>>,
}

/// Reads a recipe's `[window]`. `everywhere`: all sections of the recipe.
pub(crate) fn in_recipe(
    collector: &mut Collector<'_>,
    entries: &DeTable<'_>,
    span: Range<usize>,
    everywhere: &[&Section],
) -> TableOfRecipe {
    let table = Table::open(collector, entries, span, IN_RECIPE.place, &IN_RECIPE, everywhere);
    let (mut window, places) = lines(collector, &table, everywhere);
    if let Some(name) = table.text(collector, "named", NAME_CHARS_MAX) {
        if !window.lines.is_empty() {
            collector.add(
                name.span(),
                format!(
                    "`named` says that {} counts, and there are lines beside it",
                    quote(name.get_ref())
                ),
                "keep either `named` or the lines",
            );
        }
        window.named = Some((*name.get_ref()).to_owned());
    }
    TableOfRecipe {
        window,
        peak: places.peak,
        dwells: places.dwells,
    }
}

#[derive(Default)]
struct Places {
    peak: Option<Range<usize>>,
    dwells: Vec<Spanned<u16>>,
}

fn lines(collector: &mut Collector<'_>, table: &Table<'_, '_>, everywhere: &[&Section]) -> (Window, Places) {
    let mut reader = Reader {
        everywhere,
        channel: on(collector, table),
        lines: Vec::new(),
        places: Places::default(),
    };
    reader.read(collector, table);
    if reader.lines.len() > LINES_MAX {
        collector.add(
            table.span(),
            format!(
                "the window has {} lines, above the limit of {LINES_MAX}",
                reader.lines.len()
            ),
            format!("keep at most {LINES_MAX}"),
        );
    }
    let millis = |seconds: Spanned<f64>| Millis::from_secs_f64(seconds.into_inner());
    let mut window = Window {
        lines: reader.lines,
        ..Window::default()
    };
    if let Some(over) = table.number(collector, "rate_over_s", RATE_OVER) {
        window.rate_over = millis(over);
    }
    if let Some(gap) = table.number(collector, "gap_s_max", GAP) {
        window.gap_max = millis(gap);
    }
    (window, reader.places)
}

/// `channel` of a table.
fn on(collector: &mut Collector<'_>, table: &Table<'_, '_>) -> Option<On> {
    let found = table.text(collector, "channel", TEXT_CHARS_MAX)?;
    let word = *found.get_ref();
    if let Some((_, on)) = On::WORDS.into_iter().find(|(known, _)| *known == word) {
        return Some(on);
    }
    // A slip here would read as a channel that no station has, and be found only when a run is judged.
    if let Some(meant) = ["hottest", "coldest", "control"]
        .into_iter()
        .find(|meant| edits(word, meant) <= 2)
    {
        collector.add(
            found.span(),
            format!(
                "`channel` is {}: not one of all, hottest, coldest, mean, control, and an unlikely channel",
                quote(word)
            ),
            format!("did you mean `{meant}`?"),
        );
        return None;
    }
    is_name(collector, &found).then(|| On::Channel(word.to_owned()))
}

/// The key pair that one limit alone is written with, and the key for both.
struct Spellings {
    both: &'static str,
    min: &'static str,
    max: &'static str,
}

const TIME: Spellings = Spellings {
    both: "time_s",
    min: "time_s_min",
    max: "time_s_max",
};
const PEAK: Spellings = Spellings {
    both: "peak_celsius",
    min: "peak_celsius_min",
    max: "peak_celsius_max",
};

struct Reader<'e> {
    everywhere: &'e [&'e Section],
    /// The window's own `channel`.
    channel: Option<On>,
    lines: Vec<Line>,
    places: Places,
}

impl Reader<'_> {
    fn read(&mut self, collector: &mut Collector<'_>, table: &Table<'_, '_>) {
        let pair = table.temperatures(collector, PEAK.both, TEMPERATURE).map(|pair| {
            let (low, high) = *pair.get_ref();
            Spanned::new(pair.span(), (low.degrees(), high.degrees()))
        });
        let [low, high] = [PEAK.min, PEAK.max].map(|key| {
            let found = table.temperature(collector, key, TEMPERATURE)?;
            Some(Spanned::new(found.span(), found.get_ref().degrees()))
        });
        let place = [&low, &high].into_iter().flatten().map(Spanned::span).next();
        self.places.peak = pair.as_ref().map(Spanned::span).or(place);
        let limits = either(collector, table, &PEAK, pair, low, high);
        self.add(Measure::Peak, limits, None);

        for (key, measure) in [
            ("rise_celsius_per_s_max", Measure::Rise),
            ("fall_celsius_per_s_max", Measure::Fall),
        ] {
            let limit = table.rate(collector, key, RATE);
            let limits = limit.and_then(|rate| Limits::new(None, Some(rate.get_ref().per_second())));
            self.add(measure, limits, None);
        }
        for (key, section) in [
            ("rise_to_peak", &RISE_TO_PEAK),
            ("fall_from_peak", &FALL_FROM_PEAK),
        ] {
            for (entries, span) in table.tables(collector, key) {
                let line = Table::open(collector, entries, span, section.place, section, self.everywhere);
                let level = if key == "rise_to_peak" {
                    "from_celsius"
                } else {
                    "to_celsius"
                };
                line.require(collector, level, "...");
                line.require(collector, "celsius_per_s_max", "...");
                let celsius = line
                    .temperature(collector, level, TEMPERATURE)
                    .map(Spanned::into_inner);
                let rate = line.rate(collector, "celsius_per_s_max", RATE);
                let limits = rate.and_then(|rate| Limits::new(None, Some(rate.get_ref().per_second())));
                let own = on(collector, &line);
                let Some(celsius) = celsius else { continue };
                let measure = if key == "rise_to_peak" {
                    Measure::RiseToPeak { from: celsius }
                } else {
                    Measure::FallFromPeak { to: celsius }
                };
                self.add(measure, limits, own);
            }
        }

        self.timed(collector, table, "above", &ABOVE, |collector, line, _| {
            line.require(collector, "celsius", "...");
            let celsius = line.temperature(collector, "celsius", TEMPERATURE)?.into_inner();
            Some(Measure::Above { celsius })
        });
        self.timed(collector, table, "between", &BETWEEN, |collector, line, _| {
            line.require(collector, "celsius", "[..., ...]");
            let rising = line.flag(collector, "rising").unwrap_or(false);
            let (low, high) = line.temperatures(collector, "celsius", TEMPERATURE)?.into_inner();
            Some(Measure::Between { low, high, rising })
        });
        self.timed(collector, table, "dwell", &DWELL, |collector, line, places| {
            line.require(collector, "stage", "...");
            let stage = stage(collector, line)?;
            places.dwells.push(stage.clone());
            Some(Measure::Dwell {
                stage: stage.into_inner(),
            })
        });
        let spread = table.difference(collector, "spread_celsius_max", SPREAD);
        let limits = spread.and_then(|spread| Limits::new(None, Some(spread.get_ref().degrees())));
        if let Some(limits) = limits {
            // Whatever `channel` says: it takes all of them.
            self.lines.push(Line {
                measure: Measure::Spread,
                on: On::All,
                limits,
            });
        }
        self.timed(
            collector,
            table,
            "time_to_peak",
            &TIME_TO_PEAK,
            |collector, line, _| {
                let from = level(collector, line, "from_celsius")?;
                Some(Measure::TimeToPeak { from })
            },
        );
        self.timed(collector, table, "cooldown", &COOLDOWN, |collector, line, _| {
            let to = level(collector, line, "to_celsius")?;
            Some(Measure::Cooldown { to })
        });
    }

    fn add(&mut self, measure: Measure, limits: Option<Limits>, own: Option<On>) {
        let Some(limits) = limits else { return };
        let on = own
            .or_else(|| self.channel.clone())
            .unwrap_or_else(|| measure.on());
        self.lines.push(Line { measure, on, limits });
    }

    /// Lines whose limits are times: one table or a list of them under `key`.
    fn timed(
        &mut self,
        collector: &mut Collector<'_>,
        table: &Table<'_, '_>,
        key: &str,
        section: &'static Section,
        measure: impl Fn(&mut Collector<'_>, &Table<'_, '_>, &mut Places) -> Option<Measure>,
    ) {
        for (entries, span) in table.tables(collector, key) {
            let line = Table::open(collector, entries, span, section.place, section, self.everywhere);
            let found = measure(collector, &line, &mut self.places);
            if !line.has(TIME.min) && !line.has(TIME.max) {
                line.require(collector, TIME.both, "[..., ...]");
            }
            let pair = line.pair(collector, TIME.both, time());
            let [low, high] = [TIME.min, TIME.max].map(|key| line.number(collector, key, time()));
            let limits = either(collector, &line, &TIME, pair, low, high);
            let own = on(collector, &line);
            if let Some(measure) = found {
                self.add(measure, limits, own);
            }
        }
    }
}

/// A temperature that may be left out; `None` outside if it is there and wrong.
#[expect(
    clippy::option_option,
    reason = "left out is fine, wrong is not, and a mistake is noted already"
)]
fn level(collector: &mut Collector<'_>, line: &Table<'_, '_>, key: &str) -> Option<Option<Celsius>> {
    let found = line
        .temperature(collector, key, TEMPERATURE)
        .map(Spanned::into_inner);
    (found.is_some() || !line.has(key)).then_some(found)
}

fn stage(collector: &mut Collector<'_>, line: &Table<'_, '_>) -> Option<Spanned<u16>> {
    #[expect(clippy::cast_precision_loss, reason = "a small constant")]
    let bounds = Bounds::within(1.0, STAGES_MAX as f64, "");
    let found = line.number(collector, "stage", bounds)?;
    let number = *found.get_ref();
    if number.fract() != 0.0 {
        line.wrong(
            collector,
            "stage",
            &format!("is {}, and stages are counted 1, 2, 3", figure(number)),
            "write the number of a stage",
        );
        return None;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a whole number within its bounds"
    )]
    let stage = number as u16;
    Some(Spanned::new(found.span(), stage))
}

/// The limits, written as a pair or each alone.
fn either(
    collector: &mut Collector<'_>,
    table: &Table<'_, '_>,
    keys: &Spellings,
    pair: Option<Spanned<(f64, f64)>>,
    low: Option<Spanned<f64>>,
    high: Option<Spanned<f64>>,
) -> Option<Limits> {
    let alone = [keys.min, keys.max].into_iter().find(|key| table.has(key));
    if let Some(alone) = alone
        && table.has(keys.both)
    {
        table.wrong(
            collector,
            alone,
            &format!("stands beside `{}`, which says the same", keys.both),
            format!("keep `{}`, or the limits alone", keys.both),
        );
        return None;
    }
    if let Some(pair) = pair {
        let (low, high) = pair.into_inner();
        return Limits::new(Some(low), Some(high));
    }
    if let (Some(low), Some(high)) = (&low, &high)
        && low.get_ref() >= high.get_ref()
    {
        table.wrong(
            collector,
            keys.max,
            &format!("is not above `{}`, which leaves no width", keys.min),
            "raise the upper limit or lower the other",
        );
        return None;
    }
    Limits::new(low.map(Spanned::into_inner), high.map(Spanned::into_inner))
}
