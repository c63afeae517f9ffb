//! The benches of a set: what they are like and how fast they could be.

use std::fmt::Write as _;

use crate::bound::{self, Site};
use crate::family::Plant;
use crate::figures::{percentile, shown};
use crate::spread;

/// The stages whose bounds are shown: from, to in °C and the limit of the ramp. Each starts where the one before in its
/// recipe ends at best.
const STAGES: [(&str, f64, Option<f64>); 3] = [
    ("->50", 50.0, None),
    ("->100", 100.0, None),
    ("->180", 180.0, Some(1.5)),
];

/// One line for each bench, and the distribution of its bounds from the cold.
pub fn rows(plants: &[Plant]) -> String {
    let mut text = String::from(
        "bench heater   board g  watts  lag s element steady  rate window  ch   bound from cold to 50, 100, 180 °C at 1.5 °C/s\n",
    );
    let bounds = spread::over(plants, |plant| {
        STAGES.map(|(_, target, ramp)| bound::time_s(&Site::of(&plant.bench()), target, ramp))
    });
    for (plant, bounds) in plants.iter().zip(&bounds) {
        let settings = &plant.settings;
        let _ = writeln!(
            text,
            "{:5} {:8} {:7.0} {:6.0} {:6.1} {:7.0} {:6.0} {:5} {:6} {:3}   {:>7} {:>7} {:>7}",
            plant.number,
            format!("{:?}", settings.heater).to_lowercase(),
            settings.board_grams,
            settings.watts,
            settings.heater_lag_s.unwrap_or(f64::NAN),
            settings.element_celsius.unwrap_or(f64::NAN),
            plant.steady_celsius,
            settings.rate_hz,
            settings.window_ms.unwrap_or(0),
            settings.sensor_ids().len(),
            shown(bounds[0]),
            shown(bounds[1]),
            shown(bounds[2]),
        );
    }
    for (n, (name, ..)) in STAGES.iter().enumerate() {
        let times: Vec<f64> = bounds.iter().filter_map(|bounds| bounds[n]).collect();
        let _ = write!(text, "{name:6} s");
        for percent in [0.0, 25.0, 50.0, 75.0, 100.0] {
            let _ = write!(text, " {:>8}", shown(percentile(&times, percent)));
        }
        text.push('\n');
    }
    text
}
