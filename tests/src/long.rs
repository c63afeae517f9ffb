//! An archive with long runs, written by the archive's own writer: hours of readings in a moment.

use std::path::Path;

use benchward_archive::{Archive, Outcome, Phase, Row, RunRecord, StageRecord, Value, Wall};

/// 2026-11-25T06:00:00Z, and no whole span of a coarse level: runs begin when somebody starts them.
const START: Wall = Wall(1_795_586_403_217);
/// Scans a second.
const HERTZ: u64 = 10;
/// What is called what, and how far it is from the control temperature, °C.
const CHANNELS: [(&str, f64); 4] = [
    ("board-top", 0.0),
    ("board-edge", -6.5),
    ("under", 3.0),
    ("part-u7", -2.25),
];
/// The recipe that was carried out.
const RECIPE: &str = "recipe = \"AX-20 bake\"\nceiling_celsius = 130\n[[stage]]\ntarget_celsius = 105\ndwell_s = 600\nband_celsius = 3\n\
                      [cooldown]\nsafe_celsius = 45\n";

/// What is in such a run and in no mean of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rare {
    /// One reading of `board-edge`, the highest of the run: seconds from the start, and °C.
    pub highest: (f64, f64),
    /// One reading of `board-top`, the lowest of the run.
    pub lowest: (f64, f64),
    /// From when to when nothing was read.
    pub silent_s: (f64, f64),
    /// One scan with heat in the cooldown: when, and how much.
    pub heat: (f64, f64),
}

/// Numbers that look random and are the same each time (splitmix64).
struct Noise(u64);

impl Noise {
    /// Near a Gaussian with a standard deviation of 0.05 °C, on a converter's grid.
    #[expect(clippy::cast_precision_loss, reason = "53 bits are kept")]
    fn celsius(&mut self) -> f64 {
        let sum: f64 = (0..4)
            .map(|_| {
                self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
                let mut z = self.0;
                z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
                z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
                ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
            })
            .sum();
        (sum - 2.0) * 0.0866
    }
}

/// Writes an archive into `folder` with a run of so many minutes for each of `minutes`, numbered from 1: up to 105 °C, held, and the last
/// third cooling.
///
/// # Panics
/// If it can't be written.
#[expect(clippy::cast_precision_loss, reason = "scans of a few days")]
pub fn runs(folder: &Path, minutes: &[u64]) -> Vec<Rare> {
    let (mut writer, _, _) = Archive::open(folder, "larkfield", START).expect("an empty folder");
    let names: Vec<&str> = CHANNELS.iter().map(|(name, _)| *name).collect();
    let station = writer.station("bench-1", &names).expect("a name");
    let (mut noise, mut now, mut mono_ms, mut found) = (Noise(7), START, 5_000, Vec::new());
    for (run, &minutes) in (1..).zip(minutes) {
        let seconds = (minutes * 60) as f64;
        let rare = Rare {
            highest: ((seconds * 0.4137).floor() + 0.3, 118.734_375),
            lowest: ((seconds * 0.5219).floor() + 0.7, 12.5),
            silent_s: ((seconds * 0.25).floor(), (seconds * 0.25).floor() + 20.0),
            heat: ((seconds * 0.8).floor() + 0.1, 0.875),
        };
        let (started, started_mono_ms) = (now, mono_ms);
        let hot_from_s = (minutes * 15).min(400);
        let hot_from = hot_from_s as f64;
        let cool_from = (seconds * 2.0 / 3.0).floor();
        let mut record = RunRecord {
            run,
            station: "bench-1".into(),
            recipe: "AX-20 bake".into(),
            revision: 1,
            recipe_text: RECIPE.into(),
            serial: format!("A-{run:04}"),
            operator: "op1".into(),
            started,
            started_mono_ms,
            stages: vec![StageRecord {
                stage: 1,
                target_celsius: 105.0,
                started,
                reached: Some(started.plus_ms((hot_from_s * 1_000).cast_signed())),
                dwell_s: cool_from - hot_from,
                overshoot_celsius: Some(0.5),
            }],
            ..RunRecord::default()
        };
        writer.put_run(&record).expect("it is written");
        let scans = minutes * 60 * HERTZ;
        for n in 0..=scans {
            let at = n as f64 / HERTZ as f64;
            let is = |moment: f64| (at - moment).abs() < 0.04;
            let hot = if at < hot_from {
                24.0 + 81.0 * at / hot_from
            } else if at < cool_from {
                105.0
            } else {
                24.0 + 81.0 * (-(at - cool_from) / (seconds / 8.0)).exp()
            };
            let warm = (hot - 24.0) / 81.0;
            if !(rare.silent_s.0..rare.silent_s.1).contains(&at) {
                let mut celsius = CHANNELS
                    .map(|(_, apart)| ((hot + apart * warm + noise.celsius()) * 128.0).round() / 128.0);
                if is(rare.highest.0) {
                    celsius[1] = rare.highest.1;
                }
                if is(rare.lowest.0) {
                    celsius[0] = rare.lowest.1;
                }
                let (phase, stage, target, heat) = match at {
                    at if at < hot_from => (Phase::Ramp, Some(1), Some(105.0), 0.92),
                    // Twice a minute another share, as control gives it.
                    at if at < cool_from => (
                        Phase::Dwell,
                        Some(1),
                        Some(105.0),
                        0.3 + 0.01 * (at / 30.0).floor() % 0.2,
                    ),
                    _ => (
                        Phase::Cooldown,
                        None,
                        None,
                        if is(rare.heat.0) { rare.heat.1 } else { 0.0 },
                    ),
                };
                writer
                    .append(&Row {
                        station,
                        run: Some(run),
                        at: now,
                        mono_ms,
                        values: &celsius.map(Value::Celsius),
                        heat,
                        phase,
                        stage,
                        target_celsius: target,
                    })
                    .expect("it is taken");
            }
            now = now.plus_ms(1_000 / HERTZ.cast_signed());
            mono_ms += 1_000 / HERTZ;
            if n % 6_000 == 0 {
                writer.commit().expect("it is written");
                writer.tick(now);
            }
        }
        record.ended = Some(now);
        record.ended_mono_ms = Some(mono_ms);
        record.outcome = Some(Outcome::Completed);
        record.peak_celsius = Some(rare.highest.1);
        writer.put_run(&record).expect("it is written");
        writer.commit().expect("it is written");
        found.push(rare);
        now = now.plus_ms(60_000);
        mono_ms += 60_000;
    }
    writer.close(now).expect("it is closed");
    found
}
