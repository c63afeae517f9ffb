//! How long a verdict takes: a day's run, ten scans a second on four channels, by the published lead-free window.
//!
//! `cargo run --release -p benchward-judge --example pace`

use std::time::Instant;

use benchward_core::Phase;
use benchward_core::recipe::ControlBy;
use benchward_core::units::Celsius;
use benchward_core::window::Window;
use benchward_judge::{Board, Ending, Judge, Scan};

fn main() {
    let text = include_str!("../../../deploy/examples/windows/classification-lead-free.toml");
    let text =
        format!("{text}rise_celsius_per_s_max = 3\nfall_celsius_per_s_max = 6\nspread_celsius_max = 10\n");
    let window = Window::parse("lead-free", &text)
        .expect("it is in the tests")
        .window;
    let channels: Vec<String> = (1..=4).map(|number| format!("tc{number}")).collect();
    let board = Board {
        channels: &channels,
        control: &ControlBy::Hottest,
        stages: &[],
        safe: Celsius::constant(45.0),
    };
    let scans = 24 * 3600 * 10;
    let began = Instant::now();
    let mut judge = Judge::new(&window, &board);
    for scan in 0..scans {
        let at_s = f64::from(scan) * 0.1;
        let celsius = 130.0 + 120.0 * (at_s / 300.0).sin();
        judge.take(&Scan {
            at_s,
            celsius: &[
                Some(celsius),
                Some(celsius - 1.0),
                Some(celsius - 2.0),
                Some(celsius - 3.0),
            ],
            phase: Phase::Dwell,
            stage: Some(1),
            target: Some(130.0),
        });
    }
    let judgement = judge.finish(Ending {
        at_s: 86_400.0,
        lost: false,
    });
    let took = began.elapsed();
    println!(
        "{scans} scans of 4 channels, {} lines: {:.0} ms, {:.0} ns a scan; {}",
        judgement.lines.len(),
        took.as_secs_f64() * 1e3,
        took.as_secs_f64() * 1e9 / f64::from(scans),
        judgement.verdict.word()
    );
}
