//! Recipes as texts, and what comes of them.

use proptest::prelude::*;

use super::*;
use crate::window::{Limits, Line, Measure, On, Window};

const AX_20: &str = include_str!("../../../../deploy/examples/recipes/ax-20-backplane.toml");
const QM_4: &str = include_str!("../../../../deploy/examples/recipes/qm-4-front-end.toml");
const PSU_310: &str = include_str!("../../../../deploy/examples/recipes/psu-310-supply.toml");

/// The shortest text that is a recipe.
const SHORTEST: &str = "recipe = \"r\"\n[[stage]]\ntarget_celsius = 50\ndwell_s = 30\n";

fn parse(text: &str) -> Recipe {
    Recipe::parse("r.toml", text).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

fn mistakes(text: &str) -> String {
    match Recipe::parse("r.toml", text) {
        Ok(recipe) => panic!("{text} was taken for {recipe:?}"),
        Err(mistakes) => mistakes.to_string(),
    }
}

/// `shown`: the whole of what a person reads, line by line.
fn check(text: &str, shown: &[&str]) {
    assert_eq!(mistakes(text), shown.join("\n"), "for this text:\n{text}");
}

/// The mistakes of a recipe that is right but for one line: text and fix of each, a mistake a line.
fn check_top(line: &str, expected: &[&str]) {
    check_short(&format!("{line}\n{SHORTEST}"), expected);
}

/// As [`check_top`], for a line of a stage.
fn check_stage(line: &str, expected: &[&str]) {
    check_short(&format!("{SHORTEST}{line}\n"), expected);
}

fn check_short(text: &str, expected: &[&str]) {
    let mistakes = Recipe::parse("r.toml", text).expect_err(text);
    let short: Vec<String> = mistakes
        .iter()
        .map(|m| format!("{} -> {}", m.text(), m.fix().unwrap_or("-")))
        .collect();
    assert_eq!(short, expected, "for this text:\n{text}");
}

fn celsius(degrees: f64) -> Celsius {
    Celsius::new(degrees).unwrap()
}

fn line(measure: Measure, on: On, low: Option<f64>, high: Option<f64>) -> Line {
    Line {
        measure,
        on,
        limits: Limits::new(low, high).unwrap(),
    }
}

fn delta(degrees: f64) -> CelsiusDelta {
    CelsiusDelta::new(degrees).unwrap()
}

fn rate(per_second: f64) -> CelsiusPerSecond {
    CelsiusPerSecond::new(per_second).unwrap()
}

/// The recipe of the design, key by key.
#[test]
fn a_whole_recipe_is_read() {
    let recipe = parse(
        "recipe = \"AX-20 backplane preheat\"\nceiling_celsius = 130\ncontrol = \"hottest\"\n\
         spread_celsius_max = 12\nboard_grams = 120\nconfirm_first_run = true\nabsent_after_s = 600\nrun_s_max = 1800\n\
         [[stage]]\ntarget_celsius = 50\nramp_celsius_per_s_max = 1.5\ndwell_s = 30\nband_celsius = 3\n\
         [[stage]]\ntarget_celsius = 75\ndwell_s = 30.5\n\
         [cooldown]\nsafe_celsius = 40\nfall_celsius_per_s_max = 2\n\
         [window]\npeak_celsius = [72, 80]\nrise_celsius_per_s_max = 3\n\
         above = { celsius = 70, time_s = [20, 60] }\nspread_celsius_max = 10\n",
    );
    assert_eq!(
        recipe,
        Recipe {
            name: "AX-20 backplane preheat".to_owned(),
            board: None,
            ceiling: Some(celsius(130.0)),
            control: ControlBy::Hottest,
            confirm_first_run: true,
            spread_max: Some(delta(12.0)),
            board_mass: Grams::new(120.0),
            stages: vec![
                Stage {
                    target: celsius(50.0),
                    ramp_max: Some(rate(1.5)),
                    dwell: Millis(30_000),
                    band: delta(3.0)
                },
                Stage {
                    target: celsius(75.0),
                    ramp_max: None,
                    dwell: Millis(30_500),
                    band: delta(2.0)
                },
            ],
            cooldown: Cooldown {
                safe: celsius(40.0),
                fall_max: Some(rate(2.0))
            },
            window: Window {
                lines: vec![
                    line(Measure::Peak, On::Hottest, Some(72.0), Some(80.0)),
                    line(Measure::Rise, On::All, None, Some(3.0)),
                    line(
                        Measure::Above {
                            celsius: celsius(70.0)
                        },
                        On::Hottest,
                        Some(20.0),
                        Some(60.0)
                    ),
                    line(Measure::Spread, On::All, None, Some(10.0)),
                ],
                ..Window::default()
            },
            absent_after: Some(Millis(600_000)),
            run_max: Some(Millis(1_800_000)),
        }
    );
}

#[test]
fn the_kind_of_board_is_the_recipes_name_unless_it_says_another() {
    assert_eq!(parse(SHORTEST).board(), "r");
    let named = parse(&format!("board = \"AX-20 backplane\"\n{SHORTEST}"));
    assert_eq!((named.board(), &*named.name), ("AX-20 backplane", "r"));
    check_top(
        "board = 20",
        &["`board` has to be text, not a number -> put it into quotes: `\"20\"`"],
    );
    let long = "b".repeat(NAME_CHARS_MAX + 1);
    assert!(mistakes(&format!("board = \"{long}\"\n{SHORTEST}")).contains("61 characters"));
}

#[test]
fn the_shortest_recipe_has_the_defaults_of_the_manual() {
    assert_eq!(
        parse(SHORTEST),
        Recipe {
            name: "r".to_owned(),
            board: None,
            ceiling: None,
            control: ControlBy::Hottest,
            spread_max: None,
            board_mass: None,
            confirm_first_run: false,
            stages: vec![Stage {
                target: celsius(50.0),
                ramp_max: None,
                dwell: Millis(30_000),
                band: delta(2.0)
            }],
            cooldown: Cooldown {
                safe: celsius(45.0),
                fall_max: None
            },
            window: Window::default(),
            absent_after: None,
            run_max: None,
        }
    );
}

#[test]
fn the_examples_are_recipes() {
    for (text, name, targets) in [
        (AX_20, "AX-20 backplane preheat", [80.0, 115.0]),
        (QM_4, "QM-4 front end preheat", [50.0, 75.0]),
        (PSU_310, "PSU-310 supply preheat", [80.0, 110.0]),
    ] {
        let recipe = parse(text);
        assert_eq!(recipe.name, name);
        let read: Vec<f64> = recipe.stages.iter().map(|stage| stage.target.degrees()).collect();
        assert!(
            read.iter()
                .zip(targets)
                .all(|(read, target)| (read - target).abs() < 1e-9),
            "{read:?}"
        );
        assert!((recipe.highest_target().degrees() - targets[1]).abs() < 1e-9);
    }
}

/// Water freezes at 32 °F and boils at 212 °F (definition of the scale): temperatures shift by 32, differences and
/// rates only stretch by 1.8.
#[test]
fn fahrenheit_is_converted_by_what_the_number_is() {
    let recipe = parse(
        "recipe = \"r\"\nceiling_fahrenheit = 248\nspread_fahrenheit_max = 18\n\
         [[stage]]\ntarget_fahrenheit = 212\ndwell_s = 0\nband_fahrenheit = 3.6\nramp_fahrenheit_per_s_max = 1.8\n\
         [cooldown]\nsafe_fahrenheit = 104\nfall_fahrenheit_per_s_max = 3.6\n\
         [window]\npeak_fahrenheit = [208.4, 215.6]\nabove = { fahrenheit = 32, time_s = [1, 2] }\n\
         rise_fahrenheit_per_s_max = 9\nspread_fahrenheit_max = 9\n",
    );
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} is not {b}");
    near(recipe.ceiling.unwrap().degrees(), 120.0);
    near(recipe.spread_max.unwrap().degrees(), 10.0);
    near(recipe.stages[0].target.degrees(), 100.0);
    near(recipe.stages[0].band.degrees(), 2.0);
    near(recipe.stages[0].ramp_max.unwrap().per_second(), 1.0);
    near(recipe.cooldown.safe.degrees(), 40.0);
    near(recipe.cooldown.fall_max.unwrap().per_second(), 2.0);
    let [peak, rise, above, spread] = &recipe.window.lines[..] else {
        panic!("{:?}", recipe.window.lines)
    };
    near(peak.limits.low().unwrap(), 98.0);
    near(peak.limits.high().unwrap(), 102.0);
    near(rise.limits.high().unwrap(), 5.0);
    let Measure::Above { celsius } = above.measure else {
        panic!("{above:?}")
    };
    near(celsius.degrees(), 0.0);
    near(spread.limits.high().unwrap(), 5.0);
}

/// 752 °F is 400 °C, whatever the last bit of the conversion says.
#[test]
fn a_bound_in_fahrenheit_is_inside() {
    let at = |degrees| format!("recipe = \"r\"\n[[stage]]\ntarget_fahrenheit = {degrees}\ndwell_s = 1\n");
    assert_eq!(parse(&at("752")).stages[0].target, TARGET_MAX);
    assert_eq!(parse(&at("32")).stages[0].target, TARGET_MIN);
    let band = |degrees| format!("{SHORTEST}band_fahrenheit = {degrees}\n");
    assert_eq!(parse(&band("0.18")).stages[0].band, BAND_MIN);
    assert_eq!(parse(&band("90")).stages[0].band, BAND_MAX);
    check_stage(
        "band_fahrenheit = 0.1799",
        &[
            "`band_fahrenheit` is 0.1799 °F, below the limit of 0.18 °F -> write a number within 0.18 and 90 °F",
        ],
    );
    check_short(
        &at("752.1"),
        &[
            "`target_fahrenheit` is 752.1 °F, above the limit of 752 °F -> write a number within 32 and 752 °F",
        ],
    );
    check_short(
        &at("31"),
        &["`target_fahrenheit` is 31 °F, below the limit of 32 °F -> write a number within 32 and 752 °F"],
    );
}

#[test]
fn control_is_a_rule_or_a_channel() {
    let control = |word: &str| parse(&format!("control = \"{word}\"\n{SHORTEST}")).control;
    assert_eq!(control("hottest"), ControlBy::Hottest);
    assert_eq!(control("coldest"), ControlBy::Coldest);
    assert_eq!(control("mean"), ControlBy::Mean);
    assert_eq!(control("board-top"), ControlBy::Channel("board-top".to_owned()));
    check_top(
        "control = \"hotest\"",
        &[
            "`control` is `hotest`: not one of hottest, coldest, mean, and an unlikely channel \
             -> did you mean `hottest`?",
        ],
    );
    for (word, meant) in [
        ("hotes", "hottest"),
        ("coldst", "coldest"),
        ("Hottest", "hottest"),
    ] {
        assert!(
            mistakes(&format!("control = \"{word}\"\n{SHORTEST}"))
                .contains(&format!("did you mean `{meant}`?"))
        );
    }
    assert_eq!(control("hot-one"), ControlBy::Channel("hot-one".to_owned()));
    check_top(
        "control = \"Board Top\"",
        &["the name `Board Top` doesn't start with a letter a to z \
             -> names have 1 to 40 of a to z, 0 to 9 and `-`, a letter first, such as `board-top`"],
    );
}

/// What a person sees who made one mistake of each kind: all of them, in the order of the file.
#[test]
fn all_mistakes_are_shown_at_once() {
    check(
        "recipe = 20\n\
         ceiling_celsius = 130\n\
         contrl = \"mean\"\n\
         \n\
         [[stage]]\n\
         target_celsius = 285\n\
         dwell_s = \"30\"\n\
         \n\
         [[stage]]\n\
         target_celsius = nan\n\
         target_fahrenheit = 200\n\
         dwell_s = 90000\n\
         safe_celsius = 45\n\
         \n\
         [window]\n\
         peak_celsius = [80, 72]\n",
        &[
            "r.toml:1:10: `recipe` has to be text, not a number",
            "  1 | recipe = 20",
            "    |          ^^",
            "fix: put it into quotes: `\"20\"`",
            "",
            "r.toml:3:1: unknown key `contrl` at the top of the file, above the first line in brackets",
            "  3 | contrl = \"mean\"",
            "    | ^^^^^^",
            "fix: did you mean `control`?",
            "",
            "r.toml:6:18: stage 1: target 285 °C is above the recipe's own ceiling, 130 °C",
            "  6 | target_celsius = 285",
            "    |                  ^^^",
            "fix: lower the target to 130 °C or less, or raise `ceiling_celsius` if the board allows it",
            "",
            "r.toml:7:11: `dwell_s` has to be a number, not text: `\"30\"`",
            "  7 | dwell_s = \"30\"",
            "    |           ^^^^",
            "fix: write it without quotes: `30`, within 0 and 86400 s",
            "",
            "r.toml:10:18: `target_celsius` has to be a finite number, not `nan`",
            "  10 | target_celsius = nan",
            "     |                  ^^^",
            "fix: write a number within 0 and 400 °C",
            "",
            "r.toml:11:1: both `target_celsius` and `target_fahrenheit` in stage 2",
            "  11 | target_fahrenheit = 200",
            "     | ^^^^^^^^^^^^^^^^^",
            "fix: keep one of the two",
            "",
            "r.toml:12:11: `dwell_s` is 90000 s, above the limit of 86400 s",
            "  12 | dwell_s = 90000",
            "     |           ^^^^^",
            "fix: write a number within 0 and 86400 s",
            "",
            "r.toml:13:1: unknown key `safe_celsius` in stage 2",
            "  13 | safe_celsius = 45",
            "     | ^^^^^^^^^^^^",
            "fix: `safe_celsius` belongs in `[cooldown]`",
            "",
            "r.toml:16:16: `peak_celsius` goes from 80 to 72 °C, which leaves no width",
            "  16 | peak_celsius = [80, 72]",
            "     |                ^^^^^^^^",
            "fix: write two numbers, the lower first, within 0 and 400 °C",
        ],
    );
}

#[test]
fn what_is_not_toml_is_shown_where_it_stands() {
    check(
        "recipe = AX-20\ndwell 30\n[[stage]\n",
        &[
            "r.toml:1:10: `AX-20` is not a value",
            "  1 | recipe = AX-20",
            "    |          ^^^^^",
            "fix: put text into quotes: `\"AX-20\"`; a number stands alone, its decimals after a point",
            "",
            "r.toml:2:7: key with no value, expected `=`",
            "  2 | dwell 30",
            "    |       ^",
            "fix: write `key = value`",
            "",
            "r.toml:3:9: unclosed array table, expected `]`",
            "  3 | [[stage]",
            "    |         ^",
            "fix: end the name in brackets with `]]`; it has no spaces",
        ],
    );
    check_short(
        "recipe = \"a\"\nrecipe = \"b\"\n",
        &["`recipe` is given twice -> keep one of the two"],
    );
    for (text, expected) in [
        (
            "[stage\n",
            "unclosed table, expected `]` -> end the name in brackets with `]`; it has no spaces",
        ),
        (
            "a = [1,\n",
            "unclosed array, expected `]` -> end the list with `]`, a comma between its values",
        ),
        (
            "a = {b = 1\n",
            "unclosed inline table, expected `}` -> end the table with `}`, a comma between its values",
        ),
        (
            "a = \"b\n",
            "invalid basic string, expected `\"` -> end text with the quote it began with, on the same line",
        ),
        (
            "a = 'b\n",
            "invalid literal string, expected `'` -> end text with the quote it began with, on the same line",
        ),
        (
            "a = \"\\q\"\n",
            "missing escaped value, expected `b`, `e`, `f`, `n`, `r`, `\\`, `\"`, `x`, `u`, `U` -> write `\\\\` for one `\\`, or put the text into single quotes",
        ),
        (
            "é = 1\n",
            "invalid unquoted key, expected letters, numbers, `-`, `_` -> a key has letters a to z, digits, `-` and `_`",
        ),
        (
            "a = True\n",
            "invalid boolean, expected `true` -> write `true` or `false`",
        ),
        (
            "a = 01\n",
            "unexpected leading zero, expected nothing -> leave the zero out",
        ),
        (
            "a = 1,5\n",
            "unexpected key or value, expected newline, `#` -> write one `key = value` a line, decimals after a point",
        ),
    ] {
        check_short(text, &[expected]);
    }
    check_short("recipe =\n", &["a value is missing -> write a value after `=`"]);
}

#[test]
fn what_is_missing_is_named() {
    check_short(
        "",
        &[
            "`recipe` is missing at the top of the file, above the first line in brackets -> add `recipe = \"...\"`",
            "the recipe has no stage -> add `[[stage]]` on a line of its own and `target_celsius = ...`, \
             `dwell_s = ...` below it",
        ],
    );
    check_short(
        "recipe = \"r\"\nstage = []\n",
        &[
            "the recipe has no stage -> add `[[stage]]` on a line of its own and `target_celsius = ...`, \
             `dwell_s = ...` below it",
        ],
    );
    check_short(
        "recipe = \"r\"\n[[stage]]\n[window]\nabove = {}\n",
        &[
            "`target_celsius` is missing in stage 1 -> add `target_celsius = ...`",
            "`dwell_s` is missing in stage 1 -> add `dwell_s = ...`",
            "`celsius` is missing in `above` of `[window]` -> add `celsius = ...`",
            "`time_s` is missing in `above` of `[window]` -> add `time_s = [..., ...]`",
        ],
    );
}

/// Every bounded key just outside its bound, on the side that a person would get wrong.
#[test]
fn values_out_of_bounds_are_shown_with_both_figures() {
    for (line, expected) in [
        (
            "ceiling_celsius = 39.9",
            "`ceiling_celsius` is 39.9 °C, below the limit of 40 °C -> write a number within 40 and 400 °C",
        ),
        (
            "ceiling_celsius = 400.1",
            "`ceiling_celsius` is 400.1 °C, above the limit of 400 °C -> write a number within 40 and 400 °C",
        ),
        (
            "spread_celsius_max = 0.4",
            "`spread_celsius_max` is 0.4 °C, below the limit of 0.5 °C -> write a number within 0.5 and 200 °C",
        ),
        (
            "spread_celsius_max = 201",
            "`spread_celsius_max` is 201 °C, above the limit of 200 °C -> write a number within 0.5 and 200 °C",
        ),
        (
            "board_grams = 0",
            "`board_grams` is 0 g, below the limit of 0.1 g -> write a number within 0.1 and 50000 g",
        ),
        (
            "board_grams = 1e300",
            "`board_grams` is 1e300 g, above the limit of 50000 g -> write a number within 0.1 and 50000 g",
        ),
        (
            "absent_after_s = 9",
            "`absent_after_s` is 9 s, below the limit of 10 s -> write a number within 10 and 14400 s",
        ),
        (
            "absent_after_s = 14401",
            "`absent_after_s` is 14401 s, above the limit of 14400 s -> write a number within 10 and 14400 s",
        ),
        (
            "run_s_max = -1",
            "`run_s_max` is -1 s, below the limit of 10 s -> write a number within 10 and 172800 s",
        ),
        (
            "run_s_max = 172801",
            "`run_s_max` is 172801 s, above the limit of 172800 s -> write a number within 10 and 172800 s",
        ),
    ] {
        check_top(line, &[expected]);
    }
    for (line, expected) in [
        (
            "ramp_celsius_per_s_max = 0",
            "`ramp_celsius_per_s_max` is 0 °C/s, below the limit of 0.001 °C/s -> write a number within 0.001 and 50 °C/s",
        ),
        (
            "ramp_celsius_per_s_max = 51",
            "`ramp_celsius_per_s_max` is 51 °C/s, above the limit of 50 °C/s -> write a number within 0.001 and 50 °C/s",
        ),
        (
            "ramp_fahrenheit_per_s_max = 91",
            "`ramp_fahrenheit_per_s_max` is 91 °F/s, above the limit of 90 °F/s -> write a number within 0.0018 and 90 °F/s",
        ),
        (
            "band_celsius = 0.05",
            "`band_celsius` is 0.05 °C, below the limit of 0.1 °C -> write a number within 0.1 and 50 °C",
        ),
        (
            "band_celsius = 51",
            "`band_celsius` is 51 °C, above the limit of 50 °C -> write a number within 0.1 and 50 °C",
        ),
        (
            "[cooldown]\nsafe_celsius = 52",
            "`safe_celsius` is 52 °C, above the limit of 51 °C -> write a number within 25 and 51 °C",
        ),
        (
            "[cooldown]\nsafe_celsius = 24",
            "`safe_celsius` is 24 °C, below the limit of 25 °C -> write a number within 25 and 51 °C",
        ),
        (
            "[cooldown]\nfall_celsius_per_s_max = -2",
            "`fall_celsius_per_s_max` is -2 °C/s, below the limit of 0.001 °C/s -> write a number within 0.001 and 50 °C/s",
        ),
        (
            "[window]\npeak_celsius = [72, 401]",
            "`peak_celsius` is 401 °C, above the limit of 400 °C -> write a number within 0 and 400 °C",
        ),
        (
            "[window]\npeak_celsius = [72]",
            "`peak_celsius` has to be a list of two numbers, not of 1 -> write two numbers, the lower first, within 0 and 400 °C",
        ),
        (
            "[window]\npeak_celsius = 72",
            "`peak_celsius` has to be a list of two numbers, not a number -> write two numbers, the lower first, within 0 and 400 °C",
        ),
        (
            "[window]\nabove = { celsius = 70, time_s = [60, 60] }",
            "`time_s` goes from 60 to 60 s, which leaves no width -> write two numbers, the lower first, within 0 and 172800 s",
        ),
        (
            "[window]\nabove = { celsius = 70, time_s = [-1, 60] }",
            "`time_s` is -1 s, below the limit of 0 s -> write a number within 0 and 172800 s",
        ),
    ] {
        check_stage(line, &[expected]);
    }
}

/// TOML has `nan` and `inf`, and numbers that no `f64` or `i64` holds. None gets in: no threshold would trip on one.
#[test]
fn numbers_that_are_none_are_mistakes() {
    for number in [
        "nan",
        "-nan",
        "inf",
        "+inf",
        "-inf",
        "1e999",
        "99999999999999999999",
    ] {
        check_top(
            &format!("ceiling_celsius = {number}"),
            &[&format!(
                "`ceiling_celsius` has to be a finite number, not `{number}` -> write a number within 40 and 400 °C"
            )],
        );
    }
    // Other ways to write a number are fine.
    assert_eq!(
        parse(&format!("ceiling_celsius = 0x64\n{SHORTEST}")).ceiling,
        Some(celsius(100.0))
    );
    assert_eq!(
        parse(&format!("board_grams = 1_000.5\n{SHORTEST}")).board_mass,
        Grams::new(1000.5)
    );
}

#[test]
fn values_of_another_type_are_mistakes() {
    for (line, expected) in [
        (
            "ceiling_celsius = \"130 C\"",
            "`ceiling_celsius` has to be a number, not text: `\"130 C\"` -> write a number within 40 and 400 °C",
        ),
        (
            "ceiling_celsius = true",
            "`ceiling_celsius` has to be a number, not true or false: `true` -> write a number within 40 and 400 °C",
        ),
        (
            "ceiling_celsius = 2001-01-01",
            "`ceiling_celsius` has to be a number, not a date or time: `2001-01-01` -> write a number within 40 and 400 °C",
        ),
        (
            "control = [\"hottest\"]",
            "`control` has to be text, not a list -> write one text in quotes",
        ),
        (
            "window = 5",
            "`window` has to be a table, not a number -> write `{ key = value, ... }`, or a line with its name in brackets and the keys below",
        ),
        (
            "cooldown = \"off\"",
            "`cooldown` has to be a table, not text -> write `{ key = value, ... }`, or a line with its name in brackets and the keys below",
        ),
    ] {
        check_top(line, &[expected]);
    }
    check_short(
        "recipe = \"r\"\nstage = [1, { target_celsius = 50, dwell_s = 3 }]\n",
        &[
            "`stage` has to be a table, not a number -> write `{ key = value, ... }`, or a line with its name in \
             brackets and the keys below",
        ],
    );
}

#[test]
fn a_recipe_name_is_one_line_of_text() {
    let long = "x".repeat(61);
    for (name, expected) in [
        (
            "",
            "`recipe` is empty -> write something between the quotes, or remove the line",
        ),
        (" AX-20", "`recipe` has a space at an end -> write `\"AX-20\"`"),
        (
            "AX\\t20",
            "`recipe` has the control character U+0009 in it -> write one line of plain text",
        ),
        (
            &long,
            "`recipe` has 61 characters, above the limit of 60 -> shorten it to 60",
        ),
    ] {
        check_short(
            &format!("recipe = \"{name}\"\n[[stage]]\ntarget_celsius = 50\ndwell_s = 30\n"),
            &[expected],
        );
    }
    assert_eq!(
        parse(&SHORTEST.replace("\"r\"", "\"Grundplatine Größe 2\"")).name,
        "Grundplatine Größe 2"
    );
}

/// A run that does what the recipe says must be able to pass.
#[test]
fn a_window_that_no_run_can_meet_is_a_mistake() {
    check_stage(
        "[window]\npeak_celsius = [20, 47.9]",
        &[
            "the peak has to be at most 47.9 °C, but the stage to 50 °C is reached at 48 °C: no run could pass \
             -> raise the upper limit of the peak, or lower the target",
        ],
    );
    parse(&format!("{SHORTEST}[window]\npeak_celsius = [20, 48]\n"));
    check_short(
        &format!("ceiling_celsius = 60\n{SHORTEST}[window]\npeak_celsius = [61, 70]\n"),
        &[
            "the peak has to be at least 61 °C, which is above the recipe's own ceiling, 60 °C \
             -> lower the peak, or raise `ceiling_celsius` if the board allows it",
        ],
    );
    parse(&format!(
        "ceiling_celsius = 60\n{SHORTEST}[window]\npeak_celsius = [60, 70]\n"
    ));
}

#[test]
fn a_window_judges_stages_that_there_are() {
    check_stage(
        "[window]\ndwell = { stage = 2, time_s = [10, 20] }",
        &["the window judges the dwell of stage 2, and the recipe has 1 stages -> name one of its stages"],
    );
    parse(&format!(
        "{SHORTEST}[window]\ndwell = {{ stage = 1, time_s = [10, 20] }}\n"
    ));
}

#[test]
fn a_target_may_be_at_the_ceiling_and_not_above_it() {
    parse(&format!("ceiling_celsius = 50\n{SHORTEST}"));
    check_top(
        "ceiling_fahrenheit = 121",
        &[
            "stage 1: target 50 °C is above the recipe's own ceiling, 49.4444 °C \
             -> lower the target to 49.4444 °C or less, or raise `ceiling_celsius` if the board allows it",
        ],
    );
}

#[test]
fn stages_have_a_limit() {
    let stages = |count| {
        format!(
            "recipe = \"r\"\n{}",
            "[[stage]]\ntarget_celsius = 50\ndwell_s = 1\n".repeat(count)
        )
    };
    assert_eq!(parse(&stages(64)).stages.len(), 64);
    check_short(
        &stages(65),
        &["the recipe has 65 stages, above the limit of 64 -> split it into recipes of at most 64 stages"],
    );
}

#[test]
fn one_stage_may_stand_alone() {
    let alone = SHORTEST.replace("[[stage]]", "[stage]");
    assert_eq!(parse(&alone), parse(SHORTEST));
}

#[test]
fn a_text_has_a_limit() {
    let padded = |bytes: usize| format!("{SHORTEST}#{}", "x".repeat(bytes - SHORTEST.len() - 1));
    parse(&padded(TEXT_BYTES_MAX));
    check(
        &padded(TEXT_BYTES_MAX + 1),
        &[
            "r.toml:1:1: 65537 bytes are too many: a recipe has at most 65536",
            "fix: check that this is the right file",
        ],
    );
}

/// TOML puts every key below `[[stage]]` into that stage: the message says where the key goes.
#[test]
fn a_key_in_the_wrong_place_is_told_where_it_belongs() {
    check_stage(
        "board_grams = 120",
        &["unknown key `board_grams` in stage 1 \
             -> `board_grams` belongs at the top of the file, above the first line in brackets"],
    );
    check_top(
        "dwell_s = 30",
        &[
            "unknown key `dwell_s` at the top of the file, above the first line in brackets \
             -> `dwell_s` belongs in `[[stage]]`",
        ],
    );
    check_stage(
        "humidity = 3",
        &["unknown key `humidity` in stage 1 \
             -> remove it; known here: target_celsius, ramp_celsius_per_s_max, dwell_s, band_celsius"],
    );
    check_stage(
        "target_farenheit = 3",
        &["unknown key `target_farenheit` in stage 1 -> did you mean `target_fahrenheit`?"],
    );
}

#[test]
fn a_mass_is_a_number_above_zero() {
    assert!(
        Grams::new(0.0).is_none() && Grams::new(f64::NAN).is_none() && Grams::new(f64::INFINITY).is_none()
    );
    assert_eq!(Grams::new(0.5).map(Grams::grams), Some(0.5));
}

/// Nesting is bounded by the parser: no text can exhaust the stack.
#[test]
fn deep_nesting_is_a_mistake() {
    for text in [
        format!("{}a = 1\n", "a.".repeat(20_000)),
        format!("[{}a]\n", "a.".repeat(20_000)),
        format!("a = {}\n", "[".repeat(60_000)),
        format!("a = {}\n", "{a=".repeat(20_000)),
    ] {
        assert!(
            mistakes(&text).contains("fix: a table in a table in a table is as deep as anything here goes"),
            "{}",
            mistakes(&text)
        );
    }
}

/// Pieces that recipes are made of, so that random texts get past the first character.
fn pieces() -> impl Strategy<Value = String> {
    let piece = prop_oneof![
        prop::sample::select(vec![
            "recipe",
            "ceiling_celsius",
            "control",
            "stage",
            "target_celsius",
            "target_fahrenheit",
            "dwell_s",
            "window",
            "above",
            "peak_celsius",
            "time_s",
            "cooldown",
            "[",
            "]",
            "[[",
            "]]",
            "=",
            " = ",
            "\n",
            "\r\n",
            "{",
            "}",
            ",",
            ".",
            "\"",
            "'",
            "\"\"\"",
            "#",
            "nan",
            "-inf",
            "1e308",
            "0x7f",
            "70",
            "-1",
            "true",
            "2001-01-01",
            "é",
            "\u{0}",
            "\\",
            "\u{202e}",
            "\u{feff}",
            " ",
            "\t",
        ])
        .prop_map(str::to_owned),
        any::<char>().prop_map(String::from),
    ];
    prop::collection::vec(piece, 0..60).prop_map(|pieces| pieces.concat())
}

/// A good recipe with some of its characters replaced, removed or doubled.
fn damaged() -> impl Strategy<Value = String> {
    let text = prop::sample::select(vec![AX_20, QM_4, PSU_310]);
    let damage = prop::collection::vec((any::<prop::sample::Index>(), 0..4_u8, pieces()), 1..6);
    (text, damage).prop_map(|(text, damage)| {
        let mut chars: Vec<char> = text.chars().collect();
        for (at, kind, piece) in damage {
            if chars.is_empty() {
                break;
            }
            let at = at.index(chars.len());
            match kind {
                0 => drop(chars.remove(at)),
                1 => chars.insert(at, chars[at]),
                2 => drop(chars.splice(at..at, piece.chars())),
                _ => chars.truncate(at.max(1)),
            }
        }
        chars.into_iter().collect()
    })
}

/// Whatever came out of a text is inside every bound, and whatever is wrong with it can be shown.
fn holds(text: &str) -> Result<(), TestCaseError> {
    match Recipe::parse("r.toml", text) {
        Ok(recipe) => {
            prop_assert!((1..=STAGES_MAX).contains(&recipe.stages.len()));
            prop_assert!((1..=NAME_CHARS_MAX).contains(&recipe.name.chars().count()));
            for stage in &recipe.stages {
                prop_assert!(stage.target >= TARGET_MIN && stage.target <= TARGET_MAX);
                prop_assert!(stage.target <= recipe.ceiling.unwrap_or(TARGET_MAX));
                prop_assert!(stage.band >= BAND_MIN && stage.band <= BAND_MAX);
                prop_assert!(stage.dwell.seconds() <= DWELL_MAX_S);
                prop_assert!(stage.ramp_max.is_none_or(|ramp| ramp.per_second() > 0.0));
            }
            prop_assert!(recipe.cooldown.safe >= SAFE_MIN && recipe.cooldown.safe <= SAFE_MAX);
        }
        Err(mistakes) => {
            prop_assert!(mistakes.iter().count() > 0);
            for mistake in &mistakes {
                prop_assert!(mistake.line() >= 1 && mistake.column() >= 1);
                prop_assert!(
                    text.get(mistake.span()).is_some(),
                    "{:?} cuts a letter",
                    mistake.span()
                );
                prop_assert!(!mistake.text().is_empty());
            }
            prop_assert!(mistakes.to_string().chars().all(|c| c == '\n' || !c.is_control()));
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_is_a_recipe_or_mistakes(text in any::<String>()) {
        holds(&text)?;
    }

    #[test]
    fn any_pieces_are_a_recipe_or_mistakes(text in pieces()) {
        holds(&text)?;
    }

    #[test]
    fn a_damaged_recipe_is_a_recipe_or_mistakes(text in damaged()) {
        holds(&text)?;
    }

    /// What is written comes back, in either scale.
    #[test]
    fn numbers_come_back_as_written(target in 0.0..=400.0_f64, dwell in 0..=86_400_u32, ramp in 0.001..=50.0_f64) {
        let text = format!(
            "recipe = \"r\"\n[[stage]]\ntarget_celsius = {target}\ndwell_s = {dwell}\nramp_celsius_per_s_max = {ramp}\n\
             [[stage]]\ntarget_fahrenheit = {}\ndwell_s = 0\nramp_fahrenheit_per_s_max = {}\n",
            target * 1.8 + 32.0,
            ramp * 1.8,
        );
        let recipe = parse(&text);
        let [written, converted] = &recipe.stages[..] else { panic!("{recipe:?}") };
        prop_assert_eq!(written.target, celsius(target));
        prop_assert_eq!(written.dwell, Millis::from_secs(u64::from(dwell)));
        prop_assert_eq!(written.ramp_max, Some(rate(ramp)));
        prop_assert!((converted.target.degrees() - target).abs() < 1e-9);
        prop_assert!((converted.ramp_max.unwrap().per_second() - ramp).abs() < 1e-9);
    }
}
