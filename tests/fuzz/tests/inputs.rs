//! Some thousand spoiled inputs for each target, on every run of the tests; for so many seconds with `$BENCHWARD_FUZZ_S`.
//! `tests/fuzz/run` tries more.

use std::time::{Duration, Instant};

use benchward_fuzz::{Kept, configuration, driver_lines, edits, recipe, regressions, seeds, spoiled, window};
use proptest::prelude::{Strategy, any};
use proptest::test_runner::{Config, TestCaseResult, TestRunner};

/// Tries so many cases, unless `$PROPTEST_CASES` says otherwise, and that again until `$BENCHWARD_FUZZ_S` is over. What fails is
/// shrunk and printed.
fn try_cases<S: Strategy>(cases: u32, inputs: &S, test: impl Fn(S::Value) -> TestCaseResult) {
    let set = std::env::var_os("PROPTEST_CASES").is_some();
    let config = Config {
        failure_persistence: None,
        ..Config::default()
    };
    let seconds = std::env::var("BENCHWARD_FUZZ_S").map_or(0, |text| text.parse().expect("whole seconds"));
    let until = Instant::now() + Duration::from_secs(seconds);
    // One runner for all turns: each goes on where the one before came to.
    let mut runner = TestRunner::new(if set { config } else { Config { cases, ..config } });
    loop {
        let tried = runner.run(inputs, &test);
        tried.unwrap_or_else(|failure| panic!("{failure}"));
        if Instant::now() >= until {
            return;
        }
    }
}

/// What was failed on before, good texts as they are, then spoiled ones.
fn attempt(name: &str, folders: &[&str], target: fn(&[u8])) {
    for input in regressions(name) {
        target(&input);
    }
    let seeds = seeds(folders);
    for seed in &seeds {
        target(seed);
    }
    try_cases(4_000, &(any::<u8>(), edits()), |(which, edits)| {
        target(&spoiled(&seeds[usize::from(which) % seeds.len()], &edits));
        Ok(())
    });
}

#[test]
fn driver_lines_are_taken_whole_or_not_at_all() {
    attempt("driver_lines", &["seeds/driver-lines"], driver_lines);
}

#[test]
fn configurations_are_sound_or_refused() {
    attempt(
        "configuration",
        &["../../deploy/examples/lab.toml"],
        configuration,
    );
}

#[test]
fn recipes_are_sound_or_refused() {
    attempt("recipe", &["../../deploy/examples/recipes"], recipe);
}

#[test]
fn windows_are_sound_or_refused() {
    attempt("window", &["../../deploy/examples/windows"], window);
}

#[test]
fn run_files_are_whole_or_said_to_be_damaged() {
    let kept = Kept::new();
    kept.run_file(&kept.whole);
    for input in regressions("run_file") {
        kept.run_file(&input);
    }
    try_cases(200, &edits(), |edits| {
        kept.run_file(&spoiled(&kept.whole, &edits));
        Ok(())
    });
}

#[test]
fn run_files_with_right_sums_are_read_to_their_end_or_refused() {
    let kept = Kept::new();
    kept.run_file_with_right_sums(&kept.whole);
    for input in regressions("run_file_with_right_sums") {
        kept.run_file_with_right_sums(&input);
    }
    try_cases(400, &edits(), |edits| {
        kept.run_file_with_right_sums(&spoiled(&kept.whole, &edits));
        Ok(())
    });
}
