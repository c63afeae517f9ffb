//! The family: benches drawn by seed, from a palm-sized board under a lamp to a backplane on a slow plate.
//!
//! Ranges are physical ranges of board heaters and boards (handbook values of FR-4 and copper, common practice for
//! the heaters, no single source). None of them is taken from the controller under test.

use crate::figures::count;
use benchward_driver_simulated::random::Random;
use benchward_driver_simulated::{Bench, Channels, HeaterKind, PerSensor, Settings};

/// How many benches a set of seeds has.
pub const SET: u64 = 40;

/// Hottest that a bench's top centre must be able to get, °C: the hottest recipe asks for 180 °C, and a bench that can
/// hardly hold that is undersized, whoever controls it.
const STEADY_MIN: f64 = 190.0;

/// A set of seeds. No seed is in two sets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seeds {
    /// To choose a controller's constants with.
    Tuning,
    /// To prove them with; nothing is chosen by looking at it.
    Proof,
    /// Healthy runs for counting false trips.
    Nuisance,
}

impl Seeds {
    const fn first(self) -> u64 {
        match self {
            Seeds::Tuning => 1_000,
            Seeds::Proof => 2_000,
            Seeds::Nuisance => 10_000,
        }
    }

    /// The first `count` benches of the set; [`SET`] of them make the set of the table.
    pub fn plants(self, count: u64) -> Vec<Plant> {
        let seeds: Vec<u64> = (0..count).map(|n| self.first() + n).collect();
        let plants = crate::spread::over(&seeds, |seed| draw(*seed));
        (1..)
            .zip(plants)
            .map(|(number, plant)| Plant { number, ..plant })
            .collect()
    }
}

/// One bench of the family.
#[derive(Debug, Clone, PartialEq)]
pub struct Plant {
    /// Its place in its set, counted from 1.
    pub number: u64,
    /// What the driver is told.
    pub settings: Settings,
    /// Top centre after an hour at full power, °C.
    pub steady_celsius: f64,
}

impl Plant {
    /// The bench, cold.
    ///
    /// # Panics
    /// If the settings are out of bounds, which [`draw`] sees to.
    pub fn bench(&self) -> Bench {
        Bench::new(&self.settings).expect("drawn in bounds")
    }

    /// The same bench with other noise, drafts and mains: another day.
    #[must_use]
    pub fn on_day(&self, day: u64) -> Self {
        let mut other = self.clone();
        other.settings.seed = self.settings.seed.wrapping_add(day.wrapping_mul(1_000_003));
        other
    }
}

/// The bench of a seed. Undersized draws are drawn again, from the next stream of the same seed.
///
/// # Panics
/// If nothing fits in a thousand draws, which would be a mistake in the ranges.
pub fn draw(seed: u64) -> Plant {
    draw_of(seed, None)
}

/// The bench of a seed with a heater of so many watts, and a board that fits it.
///
/// # Panics
/// As [`draw`].
pub fn draw_of(seed: u64, watts: Option<f64>) -> Plant {
    (0..1_000)
        .map(|attempt| attempt_of(seed, attempt, watts))
        .find_map(|settings| {
            let steady_celsius = steady(&settings);
            (steady_celsius >= STEADY_MIN).then_some(Plant {
                number: 0,
                settings,
                steady_celsius,
            })
        })
        .expect("one bench in a few is big enough")
}

/// Top centre after an hour at full power.
fn steady(settings: &Settings) -> f64 {
    let mut bench = Bench::new(settings).expect("drawn in bounds");
    bench.calm();
    bench.advance(3_600.0, 1.0);
    bench.site_celsius(0).unwrap_or(f64::NAN)
}

/// Draws of one stream.
struct Draw(Random);

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.unit()
    }

    fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    fn one_of<T: Copy>(&mut self, list: &[T]) -> T {
        let mut at = self.0.unit();
        for item in list {
            at -= 1.0 / count(list.len());
            if at <= 1e-12 {
                return *item;
            }
        }
        list[list.len() - 1]
    }
}

fn attempt_of(seed: u64, attempt: u64, asked_watts: Option<f64>) -> Settings {
    let mut draw = Draw(Random::new(seed, 1_000 + attempt));
    // Kinds and numbers of channels go round with the seed, so that every set has as many of each.
    let heater = match seed % 4 {
        0 => HeaterKind::Lamp,
        1 => HeaterKind::Ceramic,
        2 => HeaterKind::Plate,
        _ => HeaterKind::Air,
    };
    let channels = 1 + usize::try_from((seed / 4) % 3).unwrap_or(0);
    let board_grams = draw.log_between(21.0, 950.0);
    // Bigger boards are thicker and carry more.
    let usual = 0.28 + 0.17 * (board_grams / 21.0).ln() / (950.0_f64 / 21.0).ln();
    let areal = (usual * draw.between(0.92, 1.08)).clamp(0.28, 0.45);
    // Installed power by the board's area; small boards lie on benches that are made for bigger ones.
    let density_w_per_cm2 = draw.log_between(0.8, 2.6);
    let (area_cm2, watts) = if let Some(watts) = asked_watts {
        (watts / density_w_per_cm2, watts)
    } else {
        let area = board_grams / areal;
        let watts = (area * density_w_per_cm2).clamp(300.0, 3_000.0);
        (area, (watts / 10.0).round() * 10.0)
    };
    let board_grams = area_cm2 * areal;
    let ((lag_low, lag_high), (full_low, full_high)) = match heater {
        HeaterKind::Lamp => ((2.0, 6.0), (600.0, 900.0)),
        HeaterKind::Ceramic => ((8.0, 20.0), (400.0, 600.0)),
        HeaterKind::Plate => ((30.0, 60.0), (270.0, 380.0)),
        HeaterKind::Air => ((2.0, 8.0), (250.0, 380.0)),
    };
    let window_ms = draw.one_of(&[None, Some(500), Some(1_000)]);
    let rate_hz = if draw.0.unit() < 0.08 {
        1.0
    } else {
        draw.one_of(&[4.0, 5.0, 10.0, 20.0])
    };
    Settings {
        board_grams,
        board_square_cm: Some(area_cm2),
        heater,
        watts,
        heater_lag_s: Some(draw.between(lag_low, lag_high)),
        element_celsius: Some(draw.between(full_low, full_high)),
        face_w_per_square_cm: draw.log_between(1.1, 3.0),
        ambient_celsius: draw.between(18.0, 30.0),
        noise_celsius: draw.between(0.05, 0.2),
        step_celsius: draw.one_of(&[0.007_812_5, 0.062_5, 0.25]),
        sensor_lag_s: PerSensor::Each((0..channels).map(|_| draw.between(0.3, 2.0)).collect()),
        contact_error: PerSensor::Each((0..channels).map(|_| draw.between(0.0, 0.04)).collect()),
        edge_share: draw.between(0.65, 0.95),
        convection: draw.between(0.65, 1.6),
        emissivity: draw.between(0.85, 0.93),
        specific_heat: draw.between(850.0, 1_150.0),
        through_w_per_m_k: draw.between(0.28, 0.6),
        along_w_per_m_k: draw.log_between(3.0, 30.0),
        body_lag_s: draw.log_between(300.0, 900.0),
        channels: Channels::Count(channels),
        rate_hz,
        pedal: None,
        hood: None,
        window_ms,
        seed: seed.wrapping_mul(7_919).wrapping_add(attempt),
        draft: draw.between(0.0, 0.12),
        mains_wander: draw.between(0.0, 0.02),
        ..Settings::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seed_always_gives_the_same_bench_and_sets_share_none() {
        let (tuning, again, proof) = (
            Seeds::Tuning.plants(4),
            Seeds::Tuning.plants(4),
            Seeds::Proof.plants(4),
        );
        assert_eq!(tuning, again);
        for plant in &tuning {
            let grams = |plant: &Plant| plant.settings.board_grams.to_bits();
            assert!(proof.iter().all(|other| grams(other) != grams(plant)));
            assert!(plant.settings.check().is_ok());
            assert!(plant.steady_celsius >= STEADY_MIN);
        }
        for kind in [
            HeaterKind::Lamp,
            HeaterKind::Ceramic,
            HeaterKind::Plate,
            HeaterKind::Air,
        ] {
            assert_eq!(tuning.iter().filter(|p| p.settings.heater == kind).count(), 1);
        }
    }

    #[test]
    fn a_choice_reaches_the_whole_list() {
        let mut draw = Draw(Random::new(1, 1));
        let drawn: Vec<u32> = (0..3_000).map(|_| draw.one_of(&[0, 1, 2])).collect();
        for value in 0..3 {
            let share = drawn.iter().filter(|d| **d == value).count();
            assert!((900..1_100).contains(&share), "{value}: {share} of 3000");
        }
    }
}
