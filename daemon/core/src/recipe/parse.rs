//! From the text of a recipe to a [`Recipe`], or to all that is wrong with it.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{
    ABSENT_MAX, ABSENT_MIN, BAND_DEFAULT, BAND_MAX, BAND_MIN, BOARD_GRAMS_MAX, BOARD_GRAMS_MIN, CEILING_MIN,
    ControlBy, Cooldown, DWELL_MAX_S, Grams, NAME_CHARS_MAX, RAMP_MAX_PER_S, RAMP_MIN_PER_S, RUN_MAX,
    RUN_MIN, Recipe, SAFE_DEFAULT, SAFE_MAX, SAFE_MIN, SPREAD_MAX, SPREAD_MIN, STAGES_MAX, Stage, TARGET_MAX,
    TARGET_MIN, TEXT_BYTES_MAX,
};
use crate::mistake::table::{Bounds, Section, Table, document, figure, is_name};
use crate::mistake::{Collector, Mistakes, edits, quote};
use crate::units::{Celsius, Millis};
use crate::window::{self, Limits, Measure, On, SECTIONS, TableOfRecipe, Window};

const TOP: Section = Section {
    place: "at the top of the file, above the first line in brackets",
    keys: &[
        "recipe",
        "board",
        "ceiling_celsius",
        "control",
        "spread_celsius_max",
        "board_grams",
        "confirm_first_run",
        "absent_after_s",
        "run_s_max",
        "stage",
        "cooldown",
        "window",
    ],
};

const STAGE: Section = Section {
    place: "in `[[stage]]`",
    keys: &[
        "target_celsius",
        "ramp_celsius_per_s_max",
        "dwell_s",
        "band_celsius",
    ],
};

const COOLDOWN: Section = Section {
    place: "in `[cooldown]`",
    keys: &["safe_celsius", "fall_celsius_per_s_max"],
};

/// All sections of a recipe, to say where a misplaced key belongs.
static EVERYWHERE: [&Section; 11] = [
    &TOP,
    &STAGE,
    &COOLDOWN,
    SECTIONS[0],
    SECTIONS[1],
    SECTIONS[2],
    SECTIONS[3],
    SECTIONS[4],
    SECTIONS[5],
    SECTIONS[6],
    SECTIONS[7],
];

const TARGET: Bounds = Bounds::within(TARGET_MIN.degrees(), TARGET_MAX.degrees(), "°C");
const CEILING: Bounds = Bounds::within(CEILING_MIN.degrees(), TARGET_MAX.degrees(), "°C");
const SAFE: Bounds = Bounds::within(SAFE_MIN.degrees(), SAFE_MAX.degrees(), "°C");
const SPREAD: Bounds = Bounds::within(SPREAD_MIN.degrees(), SPREAD_MAX.degrees(), "°C");
const BAND: Bounds = Bounds::within(BAND_MIN.degrees(), BAND_MAX.degrees(), "°C");
const RATE: Bounds = Bounds::within(RAMP_MIN_PER_S, RAMP_MAX_PER_S, "°C/s");
const DWELL: Bounds = Bounds::within(0.0, DWELL_MAX_S, "s");
const BOARD: Bounds = Bounds::within(BOARD_GRAMS_MIN, BOARD_GRAMS_MAX, "g");

pub(super) fn recipe(source: &str, text: &str) -> Result<Recipe, Mistakes> {
    let mut collector = Collector::new(source, text);
    let recipe = document(&mut collector, TEXT_BYTES_MAX, "a recipe")
        .and_then(|document| top(&mut collector, document.get_ref()));
    collector.finish(recipe)
}

/// `None` only with a mistake noted.
fn top(collector: &mut Collector<'_>, document: &DeTable<'_>) -> Option<Recipe> {
    let top = Table::open(collector, document, 0..0, TOP.place, &TOP, &EVERYWHERE);
    top.require(collector, "recipe", "\"...\"");
    let name = top.text(collector, "recipe", NAME_CHARS_MAX);
    let board = top.text(collector, "board", NAME_CHARS_MAX);
    let ceiling = top
        .temperature(collector, "ceiling_celsius", CEILING)
        .map(Spanned::into_inner);
    let stages = stages(collector, &top, ceiling);
    let recipe = Recipe {
        control: control(collector, &top),
        spread_max: top
            .difference(collector, "spread_celsius_max", SPREAD)
            .map(Spanned::into_inner),
        board_mass: top
            .number(collector, "board_grams", BOARD)
            .and_then(|grams| Grams::new(grams.into_inner())),
        confirm_first_run: top.flag(collector, "confirm_first_run").unwrap_or(false),
        cooldown: cooldown(collector, &top),
        absent_after: millis(collector, &top, "absent_after_s", ABSENT_MIN, ABSENT_MAX),
        run_max: millis(collector, &top, "run_s_max", RUN_MIN, RUN_MAX),
        window: window(collector, &top, &stages, ceiling),
        name: name.map(Spanned::into_inner).unwrap_or_default().to_owned(),
        board: board.map(|board| board.into_inner().to_owned()),
        ceiling,
        stages,
    };
    // A value that was wrong has left a mistake and a default behind; the default goes nowhere.
    collector.is_clean().then_some(recipe)
}

fn millis(
    collector: &mut Collector<'_>,
    table: &Table<'_, '_>,
    key: &str,
    low: Millis,
    high: Millis,
) -> Option<Millis> {
    let bounds = Bounds::within(low.seconds(), high.seconds(), "s");
    table
        .number(collector, key, bounds)
        .map(|seconds| Millis::from_secs_f64(seconds.into_inner()))
}

fn control(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> ControlBy {
    let Some(found) = top.text(collector, "control", crate::mistake::table::TEXT_CHARS_MAX) else {
        return ControlBy::default();
    };
    let word = *found.get_ref();
    match word {
        "hottest" => return ControlBy::Hottest,
        "coldest" => return ControlBy::Coldest,
        "mean" => return ControlBy::Mean,
        _ => {}
    }
    // A slip here would read as a channel that no station has, and be found only at the bench.
    if let Some(meant) = ["hottest", "coldest"]
        .into_iter()
        .find(|meant| edits(word, meant) <= 2)
    {
        collector.add(
            found.span(),
            format!(
                "`control` is {}: not one of hottest, coldest, mean, and an unlikely channel",
                quote(word)
            ),
            format!("did you mean `{meant}`?"),
        );
    } else if is_name(collector, &found) {
        return ControlBy::Channel(word.to_owned());
    }
    ControlBy::default()
}

fn stages(collector: &mut Collector<'_>, top: &Table<'_, '_>, ceiling: Option<Celsius>) -> Vec<Stage> {
    let tables = top.tables(collector, "stage");
    let none = |stages: &Spanned<DeValue<'_>>| {
        stages
            .get_ref()
            .as_array()
            .is_some_and(|stages| stages.is_empty())
    };
    if top.raw("stage").is_none_or(none) {
        collector.add(
            0..0,
            "the recipe has no stage",
            "add `[[stage]]` on a line of its own and `target_celsius = ...`, `dwell_s = ...` below it",
        );
    }
    if let Some((_, span)) = tables.get(STAGES_MAX) {
        collector.add(
            span.clone(),
            format!(
                "the recipe has {} stages, above the limit of {STAGES_MAX}",
                tables.len()
            ),
            format!("split it into recipes of at most {STAGES_MAX} stages"),
        );
    }
    tables
        .into_iter()
        .take(STAGES_MAX)
        .enumerate()
        .map(|(index, (entries, span))| {
            let place = format!("in stage {}", index + 1);
            let table = Table::open(collector, entries, span, place, &STAGE, &EVERYWHERE);
            stage(collector, &table, index + 1, ceiling)
        })
        .collect()
}

fn stage(
    collector: &mut Collector<'_>,
    table: &Table<'_, '_>,
    number: usize,
    ceiling: Option<Celsius>,
) -> Stage {
    table.require(collector, "target_celsius", "...");
    table.require(collector, "dwell_s", "...");
    let target = table.temperature(collector, "target_celsius", TARGET);
    if let (Some(target), Some(ceiling)) = (&target, ceiling)
        && *target.get_ref() > ceiling
    {
        let (celsius, ceiling) = (figure(target.get_ref().degrees()), figure(ceiling.degrees()));
        collector.add(
            target.span(),
            format!("stage {number}: target {celsius} °C is above the recipe's own ceiling, {ceiling} °C"),
            format!(
                "lower the target to {ceiling} °C or less, or raise `ceiling_celsius` if the board allows it"
            ),
        );
    }
    Stage {
        target: target.map_or(TARGET_MIN, Spanned::into_inner),
        ramp_max: table
            .rate(collector, "ramp_celsius_per_s_max", RATE)
            .map(Spanned::into_inner),
        dwell: table
            .number(collector, "dwell_s", DWELL)
            .map_or(Millis::ZERO, |seconds| {
                Millis::from_secs_f64(seconds.into_inner())
            }),
        band: table
            .difference(collector, "band_celsius", BAND)
            .map_or(BAND_DEFAULT, Spanned::into_inner),
    }
}

fn cooldown(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> Cooldown {
    let Some((entries, span)) = top.table(collector, "cooldown") else {
        return Cooldown::default();
    };
    let table = Table::open(collector, entries, span, COOLDOWN.place, &COOLDOWN, &EVERYWHERE);
    Cooldown {
        safe: table
            .temperature(collector, "safe_celsius", SAFE)
            .map_or(SAFE_DEFAULT, Spanned::into_inner),
        fall_max: table
            .rate(collector, "fall_celsius_per_s_max", RATE)
            .map(Spanned::into_inner),
    }
}

fn window(
    collector: &mut Collector<'_>,
    top: &Table<'_, '_>,
    stages: &[Stage],
    ceiling: Option<Celsius>,
) -> Window {
    let Some((entries, span)) = top.table(collector, "window") else {
        return Window::default();
    };
    let TableOfRecipe { window, peak, dwells } = window::in_recipe(collector, entries, span, &EVERYWHERE);
    // Another channel's peak says nothing of what the recipe steers.
    let limits = window.lines.iter().find_map(|line| {
        let told = matches!(line.measure, Measure::Peak) && matches!(line.on, On::Hottest | On::All);
        told.then_some(line.limits)
    });
    if let (Some(limits), Some(place)) = (limits, peak) {
        reachable(collector, limits, &place, stages, ceiling);
    }
    for dwell in dwells {
        if usize::from(*dwell.get_ref()) > stages.len() && !stages.is_empty() {
            collector.add(
                dwell.span(),
                format!(
                    "the window judges the dwell of stage {}, and the recipe has {} stages",
                    dwell.get_ref(),
                    stages.len()
                ),
                "name one of its stages",
            );
        }
    }
    window
}

/// Notes a mistake where no run that follows the recipe could have its peak inside the window.
fn reachable(
    collector: &mut Collector<'_>,
    peak: Limits,
    place: &Range<usize>,
    stages: &[Stage],
    ceiling: Option<Celsius>,
) {
    if let (Some(ceiling), Some(low)) = (ceiling, peak.low())
        && low > ceiling.degrees()
    {
        let (low, ceiling) = (figure(low), figure(ceiling.degrees()));
        collector.add(
            place.clone(),
            format!(
                "the peak has to be at least {low} °C, which is above the recipe's own ceiling, {ceiling} °C"
            ),
            "lower the peak, or raise `ceiling_celsius` if the board allows it",
        );
    }
    // The hottest channel is at least as hot as what is steered, and that has to come into the band.
    let hottest = stages
        .iter()
        .map(|stage| (stage.target - stage.band, stage))
        .max_by(|a, b| a.0.degrees().total_cmp(&b.0.degrees()));
    if let (Some((reached, stage)), Some(high)) = (hottest, peak.high())
        && reached.degrees() > high
    {
        let (high, reached) = (figure(high), figure(reached.degrees()));
        collector.add(
            place.clone(),
            format!(
                "the peak has to be at most {high} °C, but the stage to {} °C is reached at {reached} °C: no run could pass",
                figure(stage.target.degrees())
            ),
            "raise the upper limit of the peak, or lower the target",
        );
    }
}
