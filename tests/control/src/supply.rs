//! Benches on one circuit: what they draw together at any moment, and how long twelve boards take.

use std::fmt::Write as _;

use anyhow::{Result, bail, ensure};
use benchward_core::units::{Millis, Watts};
use benchward_driver_simulated::{Bench, Reading};

use crate::family::{self, Plant};
use crate::figures::{count, largest, shown};
use crate::lab::{self, World};
use crate::recipes::{self, Named};
use crate::relay::Firing;
use crate::run::{Conditions, Place, STEP};
use crate::spread;

/// Boards to be heated.
const JOBS: usize = 12;

/// How long a board's change takes.
const CHANGE: Millis = Millis(60_000);

/// How long before its end the new board is on the bench, warm or not, and its bead taped down.
const TAPED: Millis = Millis(20_000);

/// Longest that the boards may take together: a shift.
const SHIFT: Millis = Millis::from_secs(8 * 3_600);

/// How often what is drawn together is looked at, ms: half a cycle of 50 Hz, below which no burst-fired output switches.
const SLOT_MS: f64 = 10.0;

/// Draws of benches whose times are averaged.
const DRAWS: u64 = 4;

/// Benches on a circuit.
struct Circuit {
    name: &'static str,
    benches: u64,
    bench_watts: f64,
    /// Volts x amperes x the share that may be drawn all the time.
    allowed: f64,
    first_seed: u64,
}

const CIRCUITS: [Circuit; 2] = [
    Circuit {
        name: "3 x 800 W on 10 A",
        benches: 3,
        bench_watts: 800.0,
        allowed: 230.0 * 10.0 * 0.8,
        first_seed: 40_000,
    },
    Circuit {
        name: "4 x 1 kW on 16 A",
        benches: 4,
        bench_watts: 1_000.0,
        allowed: 230.0 * 16.0 * 0.8,
        first_seed: 50_000,
    },
];

/// Who may start when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Policy {
    /// One bench heats at a time.
    One,
    /// A bench starts when its rated power fits beside that of those which heat.
    Rated,
    /// All start when they can, and the product shares the circuit out.
    Together,
    /// All start when they can, on circuits of their own: what sharing costs at all.
    Apart,
}

impl Policy {
    const ALL: [Self; 4] = [Self::One, Self::Rated, Self::Together, Self::Apart];
}

/// What a day came to.
#[derive(Debug, Clone, Default)]
struct Day {
    /// From the first start to the last dwell's end, seconds.
    total_s: f64,
    /// Most that was drawn at a moment, watts.
    peak: f64,
    /// Share of the moments at which more was drawn than is allowed.
    over: f64,
    /// Boards that each bench heated.
    boards: Vec<usize>,
    /// Highest true temperature above the target of its time, °C.
    excess: f64,
}

/// One bench of the day.
struct Seat {
    bench: Bench,
    period: Millis,
    next_scan: Millis,
    /// When the next board is on it; `None` while one is heated.
    free: Option<Millis>,
    boards: usize,
}

fn day(plants: &[Plant], recipe: &Named, policy: Policy, allowed: f64) -> Result<Day> {
    let settings: Vec<_> = plants.iter().map(|plant| &plant.settings).collect();
    let supply = Watts::new(allowed).ok().filter(|_| policy == Policy::Together);
    let mut world = World::new(&settings, supply);
    let mut places: Vec<Seat> = plants
        .iter()
        .map(|plant| {
            let period = Millis::from_secs_f64(1.0 / plant.settings.rate_hz);
            Seat {
                bench: plant.bench(),
                period,
                next_scan: period,
                free: Some(Millis(2_000)),
                boards: 0,
            }
        })
        .collect();
    let mut day = Day::default();
    let (mut left, mut moments, mut over) = (JOBS, 0_u32, 0_u32);
    let mut now = Millis::ZERO;
    let mut first = None;
    let mut last = Millis::ZERO;
    while left > 0 || places.iter().any(|place| place.free.is_none()) {
        ensure!(
            now < SHIFT,
            "bench {} and others: not done within {SHIFT}",
            plants[0].number
        );
        for place in &mut places {
            if place.boards > 0 && place.free == Some(now + TAPED) {
                place.bench.change_board();
            }
        }
        // Who has a board on and may start does: those first that have waited longest.
        let mut waiting: Vec<usize> = (0..places.len())
            .filter(|n| places[*n].free.is_some_and(|free| free <= now))
            .collect();
        waiting.sort_by_key(|n| places[*n].free);
        for n in waiting {
            let rated: f64 = (0..places.len())
                .filter(|other| places[*other].free.is_none())
                .map(|other| plants[other].settings.watts)
                .sum();
            let may = match policy {
                Policy::One => rated <= 0.0,
                Policy::Rated => rated + plants[n].settings.watts <= allowed,
                Policy::Together | Policy::Apart => true,
            };
            if left == 0 || !may {
                continue;
            }
            world.start(now, n, &recipe.recipe, None);
            if let Some(refused) = &world.station(n).refused {
                bail!(
                    "bench {}: \"{}\" was refused: {refused}",
                    n + 1,
                    recipe.recipe.name
                );
            }
            (places[n].free, places[n].boards, left) = (None, places[n].boards + 1, left - 1);
            first.get_or_insert(now);
        }
        // What all of them do until the next step.
        let firing: Vec<Firing> = (0..places.len())
            .map(|n| {
                let station = world.station(n);
                Firing {
                    heat: if station.cut { 0.0 } else { station.heat },
                    window_ms: plants[n].settings.window_ms,
                    offset_ms: station.offset_ms,
                }
            })
            .collect();
        let step_ms = STEP.seconds() * 1_000.0;
        let mut at = SLOT_MS / 2.0;
        while at < step_ms {
            let drawn: f64 = firing
                .iter()
                .zip(plants)
                .map(|(firing, plant)| firing.at(now.seconds() * 1_000.0 + at) * plant.settings.watts)
                .sum();
            day.peak = day.peak.max(drawn);
            moments += 1;
            over += u32::from(drawn > allowed + 1e-6);
            at += SLOT_MS;
        }
        for (place, firing) in places.iter_mut().zip(&firing) {
            place.bench.advance(STEP.seconds(), firing.share(now, step_ms));
        }
        now = now + STEP;
        world.tick(now);
        for (n, place) in places.iter_mut().enumerate() {
            if now >= place.next_scan {
                place.next_scan = place.next_scan + place.period;
                let readings: Vec<Reading> = place.bench.readings().into_iter().map(|(_, r)| r).collect();
                world.scan(now, n, &readings);
            }
            let at = world.station(n).place;
            if let Some(asked) = at.stage().and_then(|stage| recipe.recipe.stages.get(stage)) {
                let site = place.bench.site_celsius(0).unwrap_or(f64::NAN);
                day.excess = day.excess.max(site - asked.target.degrees());
            }
            match at {
                Place::Done if place.free.is_none() => {
                    place.free = Some(now + CHANGE);
                    last = now;
                }
                Place::Tripped => bail!(
                    "\"{}\", {policy:?}, seed {}: bench {} tripped at {now}, heat {:.3}: {}",
                    recipe.recipe.name,
                    plants[n].number,
                    n + 1,
                    world.station(n).heat,
                    world.station(n).trips.first().map_or("?", |trip| &trip.text),
                ),
                _ => {}
            }
        }
    }
    day.total_s = last.since(first.unwrap_or_default()).seconds();
    day.over = f64::from(over) / f64::from(moments.max(1));
    day.boards = places.iter().map(|place| place.boards).collect();
    Ok(day)
}

/// What twelve boards need of energy, over what the circuit allows: no policy is faster.
fn bound_s(plants: &[Plant], recipe: &Named, boards: &[usize], allowed: f64) -> Result<f64> {
    let mut energy = 0.0;
    for (plant, boards) in plants.iter().zip(boards) {
        let (run, _) = lab::alone(plant, &recipe.recipe, None, &Conditions::default())?;
        energy += run.energy_j * count(*boards);
    }
    Ok(energy / allowed)
}

/// The rows: each circuit, with two recipes; and the days that couldn't be carried through.
///
/// # Errors
/// A bound that couldn't be found.
pub fn rows() -> Result<String> {
    let mut text = format!(
        "\nSupply: {JOBS} boards, {} s to change one, means of {DRAWS} draws of benches with burst windows of 1 s. Total times in\nseconds; the bound is energy over what the circuit allows. Aim: never over, and at least 1.05 times as fast as rated.\n\n{:18} {:6} {:>8} {:>8} {:>8} {:>8} {:>8} {:>9} {:>8} {:>8} {:>9} {:>9} {:>10}\n",
        CHANGE.seconds(),
        "circuit",
        "recipe",
        "one",
        "rated",
        "together",
        "apart",
        "bound",
        "v. rated",
        "peak W",
        "allowed",
        "time over",
        "excess °C",
        "(rated)"
    );
    let mut failed = String::new();
    for circuit in &CIRCUITS {
        for letter in ['A', 'B'] {
            let Some(recipe) = recipes::of(letter) else {
                continue;
            };
            let mut jobs = Vec::new();
            for draw in 0..DRAWS {
                for policy in Policy::ALL {
                    jobs.push((draw, policy));
                }
            }
            let shops: Vec<Vec<Plant>> = (0..DRAWS)
                .map(|draw| {
                    (0..circuit.benches)
                        .map(|n| {
                            let seed = circuit.first_seed + draw * 100 + n;
                            family::draw_of(seed, Some(circuit.bench_watts))
                        })
                        .map(|mut plant| {
                            plant.settings.window_ms = Some(1_000);
                            plant
                        })
                        .collect()
                })
                .collect();
            let shop = |draw: u64| usize::try_from(draw).unwrap_or(0);
            let days = spread::over(&jobs, |(draw, policy)| {
                day(&shops[shop(*draw)], &recipe, *policy, circuit.allowed)
            });
            // A draw that one of the policies didn't get through is compared for none.
            let mut kept: Vec<u64> = (0..DRAWS).collect();
            let mut done = Vec::new();
            for ((draw, policy), day) in jobs.iter().zip(days) {
                match day {
                    Ok(day) => done.push((*draw, *policy, day)),
                    Err(error) => {
                        kept.retain(|one| one != draw);
                        let _ = writeln!(failed, "left out: {}, draw {draw}: {error}", circuit.name);
                    }
                }
            }
            if kept.is_empty() {
                let _ = writeln!(text, "{:18} {letter:6} no draw was got through", circuit.name);
                continue;
            }
            let (done, kept) = (&done, &kept);
            let of = |policy: Policy| {
                done.iter()
                    .filter(move |(draw, by, _)| *by == policy && kept.contains(draw))
                    .map(|(_, _, day)| day)
            };
            let mean = |policy| of(policy).map(|day| day.total_s).sum::<f64>() / count(kept.len());
            let mut bound = 0.0;
            for (draw, day) in kept.iter().zip(of(Policy::Together)) {
                bound +=
                    bound_s(&shops[shop(*draw)], &recipe, &day.boards, circuit.allowed)? / count(kept.len());
            }
            let most = |policy, figure: fn(&Day) -> f64| {
                largest(&of(policy).map(figure).collect::<Vec<f64>>()).unwrap_or(f64::NAN)
            };
            let _ = writeln!(
                text,
                "{:18} {letter:6} {:>8.0} {:>8.0} {:>8.0} {:>8.0} {bound:>8.0} {:>9.2} {:>8.0} {:>8.0} {:>8.1}% {:>9} {:>10}",
                circuit.name,
                mean(Policy::One),
                mean(Policy::Rated),
                mean(Policy::Together),
                mean(Policy::Apart),
                mean(Policy::Rated) / mean(Policy::Together),
                most(Policy::Together, |day| day.peak),
                circuit.allowed,
                most(Policy::Together, |day| 100.0 * day.over),
                shown(Some(most(Policy::Together, |day| day.excess))),
                shown(Some(most(Policy::Rated, |day| day.excess))),
            );
        }
    }
    text.push_str(&failed);
    Ok(text)
}

#[cfg(test)]
mod tests {
    use benchward_driver_simulated::HeaterKind;

    use super::*;

    /// A plate that is still warm from the board before: what it does by itself isn't taken for what the heat does.
    #[test]
    fn the_next_board_on_a_warm_bench_comes_to_its_targets() {
        let plants = [family::draw_of(40_002, Some(800.0))];
        assert_eq!(plants[0].settings.heater, HeaterKind::Plate);
        let recipe = recipes::of('A').unwrap();
        let day = day(&plants, &recipe, Policy::Apart, 800.0).unwrap();
        assert!(day.excess < 5.0, "{} °C", day.excess);
    }

    #[test]
    fn one_at_a_time_never_draws_more_than_one_and_apart_is_fastest() {
        let plants: Vec<Plant> = (0..2).map(|n| family::draw_of(60_000 + n, Some(800.0))).collect();
        let recipe = recipes::of('A').unwrap();
        let run = |policy| day(&plants, &recipe, policy, 1_000.0).unwrap();
        let (one, rated, apart) = (run(Policy::One), run(Policy::Rated), run(Policy::Apart));
        assert!((one.peak - 800.0).abs() < 1e-9, "{} W", one.peak);
        // 1000 W hold one of 800 W: the same thing in another way.
        assert!((one.total_s - rated.total_s).abs() < 1e-9);
        assert!(
            apart.total_s < 0.8 * one.total_s,
            "{} s and {} s",
            apart.total_s,
            one.total_s
        );
        assert!(apart.peak > 1_599.0 && apart.over > 0.01);
        assert_eq!(one.boards.iter().sum::<usize>(), JOBS);
        let bound = bound_s(&plants, &recipe, &apart.boards, 1_000.0).unwrap();
        assert!(bound < one.total_s, "{bound} s");
    }
}
