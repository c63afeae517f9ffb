//! Windows as texts, and what comes of them.

use super::*;

const LEAD_FREE: &str = include_str!("../../../../deploy/examples/windows/classification-lead-free.toml");
const LEADED: &str = include_str!("../../../../deploy/examples/windows/classification-leaded.toml");

fn parse(text: &str) -> NamedWindow {
    Window::parse("w.toml", text).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

/// Text and fix of each mistake, a mistake a line.
fn check(text: &str, expected: &[&str]) {
    let mistakes = Window::parse("w.toml", text).expect_err(text);
    let short: Vec<String> = mistakes
        .iter()
        .map(|m| format!("{} -> {}", m.text(), m.fix().unwrap_or("-")))
        .collect();
    assert_eq!(short, expected, "for this text:\n{text}");
}

/// What each line is called, is judged on, and its limits.
fn read_aloud(window: &Window) -> Vec<String> {
    let limit = |limit: Option<f64>| limit.map_or("-".into(), figure);
    window
        .lines
        .iter()
        .map(|line| {
            format!(
                "{} | {} | {} {} {}",
                line.measure,
                line.on.text(),
                limit(line.limits.low()),
                limit(line.limits.high()),
                line.measure.unit().symbol()
            )
        })
        .collect()
}

#[test]
fn every_line_is_read() {
    let read = parse(
        "window = \"all of it\"\nsource = \"this test\"\nrate_over_s = 5\ngap_s_max = 1.5\n\
         peak_celsius = [72, 80]\nrise_celsius_per_s_max = 3\nfall_celsius_per_s_max = 4\n\
         rise_to_peak = { from_celsius = 60, celsius_per_s_max = 2 }\n\
         fall_from_peak = { to_fahrenheit = 140, fahrenheit_per_s_max = 3.6, channel = \"board-top\" }\n\
         above = [{ celsius = 70, time_s = [20, 60] }, { fahrenheit = 167, time_s_max = 30, channel = \"all\" }]\n\
         between = [{ celsius = [50, 60], time_s_min = 5 }, { fahrenheit = [122, 140], time_s = [1, 2], rising = true }]\n\
         dwell = { stage = 2, time_s = [30, 40] }\nspread_celsius_max = 10\n\
         time_to_peak = [{ time_s_max = 300 }, { from_celsius = 25, time_s = [10, 240], channel = \"coldest\" }]\n\
         cooldown = [{ time_s_max = 600 }, { to_celsius = 60, time_s_max = 400, channel = \"mean\" }]\n",
    );
    assert_eq!(
        (&*read.name, read.source.as_deref()),
        ("all of it", Some("this test"))
    );
    assert_eq!(
        (read.window.rate_over, read.window.gap_max),
        (Millis(5_000), Millis(1_500))
    );
    assert_eq!(
        read_aloud(&read.window),
        [
            "peak | hottest | 72 80 °C",
            "rise | all | - 3 °C/s",
            "fall | all | - 4 °C/s",
            "rise from 60 °C to the peak | hottest | - 2 °C/s",
            "fall from the peak to 60 °C | board-top | - 2 °C/s",
            "above 70 °C | hottest | 20 60 s",
            "above 75 °C | all | - 30 s",
            "between 50 and 60 °C | hottest | 5 - s",
            "rising from 50 to 60 °C | hottest | 1 2 s",
            "dwell of stage 2 | control | 30 40 s",
            "spread | all | - 10 °C",
            "time to peak | hottest | - 300 s",
            "time from 25 °C to peak | coldest | 10 240 s",
            "cool-down | all | - 600 s",
            "cool-down to 60 °C | mean | - 400 s",
        ]
    );
}

#[test]
fn one_channel_counts_for_every_line_that_names_none() {
    let read = parse(
        "window = \"w\"\nchannel = \"board-edge\"\npeak_celsius_max = 80\nspread_celsius_max = 5\n\
         above = [{ celsius = 70, time_s_max = 9 }, { celsius = 75, time_s_max = 9, channel = \"hottest\" }]\n",
    );
    assert_eq!(
        read_aloud(&read.window),
        [
            "peak | board-edge | - 80 °C",
            "above 70 °C | board-edge | - 9 s",
            "above 75 °C | hottest | - 9 s",
            "spread | all | - 5 °C",
        ]
    );
}

#[test]
fn all_mistakes_are_told_at_once() {
    check(
        "windw = \"w\"\nchannel = \"hotest\"\npeak_celsius = [80, 72]\nrate_over_s = 0\n\
         rise_celsius_per_s_max = \"3\"\nabove = { celcius = 70 }\n\
         between = { celsius = 70, time_s_min = 9, time_s_max = 9 }\n\
         dwell = { stage = 1.5, time_s = [1, 2], time_s_max = 3 }\ncooldown = { to_celsius = 500, time_s = [1, 2] }\n",
        &[
            "`window` is missing at the top of the file -> add `window = \"...\"`",
            "unknown key `windw` at the top of the file -> did you mean `window`?",
            "`channel` is `hotest`: not one of all, hottest, coldest, mean, control, and an unlikely channel \
             -> did you mean `hottest`?",
            "`peak_celsius` goes from 80 to 72 °C, which leaves no width \
             -> write two numbers, the lower first, within 0 and 400 °C",
            "`rate_over_s` is 0 s, below the limit of 1 s -> write a number within 1 and 600 s",
            "`rise_celsius_per_s_max` has to be a number, not text: `\"3\"` \
             -> write it without quotes: `3`, within 0.001 and 50 °C/s",
            "`celsius` is missing in `above` of `[window]` -> add `celsius = ...`",
            "`time_s` is missing in `above` of `[window]` -> add `time_s = [..., ...]`",
            "unknown key `celcius` in `above` of `[window]` -> did you mean `celsius`?",
            "`celsius` has to be a list of two numbers, not a number \
             -> write two numbers, the lower first, within 0 and 400 °C",
            "`time_s_max` is not above `time_s_min`, which leaves no width \
             -> raise the upper limit or lower the other",
            "`stage` is 1.5, and stages are counted 1, 2, 3 -> write the number of a stage",
            "`time_s_max` stands beside `time_s`, which says the same -> keep `time_s`, or the limits alone",
            "`to_celsius` is 500 °C, above the limit of 400 °C -> write a number within 0 and 400 °C",
        ],
    );
}

#[test]
fn a_window_without_a_line_judges_nothing() {
    check(
        "window = \"w\"\nrate_over_s = 5\n",
        &[
            "the window has no line, so that nothing is judged by it -> add one, such as `peak_celsius = [..., ...]`",
        ],
    );
    let many = "{ celsius = 70, time_s = [1, 2] },".repeat(LINES_MAX + 1);
    check(
        &format!("window = \"w\"\nabove = [{many}]\n"),
        &["the window has 65 lines, above the limit of 64 -> keep at most 64"],
    );
}

#[test]
fn a_recipe_names_a_window_or_has_its_own() {
    let recipe = |window: &str| {
        crate::recipe::Recipe::parse(
            "r.toml",
            &format!("recipe = \"r\"\n[[stage]]\ntarget_celsius = 50\ndwell_s = 1\n[window]\n{window}\n"),
        )
    };
    let named = recipe("named = \"lead-free\"").unwrap().window;
    assert_eq!(
        (named.named.as_deref(), named.lines.len()),
        (Some("lead-free"), 0)
    );
    assert!(!named.is_empty() && Window::default().is_empty());
    let mistakes = recipe("named = \"lead-free\"\npeak_celsius_max = 80").unwrap_err();
    assert!(
        mistakes
            .to_string()
            .contains("fix: keep either `named` or the lines"),
        "{mistakes}"
    );
}

#[test]
fn limits_have_a_width() {
    assert!(Limits::new(Some(1.0), Some(2.0)).is_some());
    assert!(Limits::new(Some(1.0), None).is_some() && Limits::new(None, Some(1.0)).is_some());
    for (low, high) in [
        (None, None),
        (Some(2.0), Some(2.0)),
        (Some(3.0), Some(2.0)),
        (Some(f64::NAN), Some(2.0)),
        (None, Some(f64::INFINITY)),
    ] {
        assert!(Limits::new(low, high).is_none(), "{low:?} {high:?}");
    }
}

/// J-STD-020 (D, D.1, E) Table 5-2, user's side, for a classification temperature of 245 °C (lead-free, over 2000 mm³) and of
/// 220 °C (leaded): figure by figure.
#[test]
fn the_templates_have_the_published_figures() {
    assert_eq!(
        read_aloud(&parse(LEAD_FREE).window),
        [
            "peak | all | 217 245 °C",
            "rise from 217 °C to the peak | all | - 3 °C/s",
            "fall from the peak to 217 °C | all | - 6 °C/s",
            "above 217 °C | all | 60 150 s",
            "above 240 °C | all | - 30 s",
            "rising from 150 to 200 °C | all | 60 120 s",
            "time from 25 °C to peak | all | - 480 s",
        ]
    );
    assert_eq!(
        read_aloud(&parse(LEADED).window),
        [
            "peak | all | 183 220 °C",
            "rise from 183 °C to the peak | all | - 3 °C/s",
            "fall from the peak to 183 °C | all | - 6 °C/s",
            "above 183 °C | all | 60 150 s",
            "above 215 °C | all | - 20 s",
            "rising from 100 to 150 °C | all | 60 120 s",
            "time from 25 °C to peak | all | - 360 s",
        ]
    );
    for text in [LEAD_FREE, LEADED] {
        assert!(parse(text).source.unwrap().contains("J-STD-020"));
    }
}
