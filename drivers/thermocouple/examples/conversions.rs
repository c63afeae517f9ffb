//! Prints what the conversions are good for: `cargo run --release -p benchward-thermocouple --example conversions`.
//!
//! Against published values: the printed tables of NIST Standard Reference Database 60 (tests/data/README.md).
//! Beside it, the same with the published inverse polynomials alone, and with the library `thermocouple` from crates.io.

use std::hint::black_box;
use std::time::Instant;

use benchward_thermocouple::{
    Celsius, Kind, Millivolts, by_published_polynomial, emf, inverse, invertible_range, range,
};
use thermocouple::{
    BType, Celsius as Degrees, EType, JType, KType, Millivolts as Volts, NType, RType, SType, TType,
    ThermocoupleCore,
};

/// Points over each range.
const POINTS: u32 = 100_000;

/// Passes over all points per timing; the best counts, because the machine may be doing other things.
const PASSES: usize = 15;

static TABLES: &str = include_str!("../tests/data/tc_table_points.csv");

fn main() {
    forward_against_tables();
    println!();
    accuracy_of_inverse();
    println!();
    speed_of_inverse();
}

fn celsius(degrees: f64) -> Celsius {
    Celsius::new(degrees).expect("a finite temperature")
}

fn millivolts(value: f64) -> Millivolts {
    Millivolts::new(value).expect("a finite voltage")
}

fn voltage(kind: Kind, degrees: f64) -> f64 {
    emf(kind, celsius(degrees))
        .expect("inside the range")
        .millivolts()
}

/// Temperatures over the invertible range, ends included, rising.
fn temperatures(kind: Kind) -> impl Iterator<Item = f64> {
    let [low, high] = invertible_range(kind).map(Celsius::degrees);
    (0..POINTS).map(move |i| {
        let share = f64::from(i) / f64::from(POINTS - 1);
        (low + (high - low) * share).clamp(low, high)
    })
}

fn forward_against_tables() {
    println!("Voltage from temperature, against the printed tables (mV, three decimals)");
    println!(
        "type | range °C      | table points | off in last digit | largest deviation mV | other library mV"
    );
    println!(
        "-----|---------------|--------------|-------------------|----------------------|-----------------"
    );
    for kind in Kind::ALL {
        let (mut points, mut off, mut worst) = (0, 0, 0.0_f64);
        for line in TABLES.lines().skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            if fields[0] != kind.letter() {
                continue;
            }
            let degrees: f64 = fields[1].parse().expect("a number");
            let printed: f64 = fields[2].parse().expect("a number");
            let ours = voltage(kind, degrees);
            points += 1;
            off += usize::from(
                format!("{ours:.3}").trim_start_matches('-') != fields[2].trim_start_matches('-'),
            );
            worst = worst.max((ours - printed).abs());
        }
        let other = temperatures(kind)
            .filter_map(|t| Some((other_voltage(kind, t)? - voltage(kind, t)).abs()))
            .reduce(f64::max);
        let [low, high] = range(kind).map(Celsius::degrees);
        let (off, worst) = if points == 0 {
            ("no table".to_owned(), "-".to_owned())
        } else {
            (off.to_string(), format!("{worst:.6}"))
        };
        let other = other.map_or_else(|| "-".to_owned(), |d| format!("{d:.1e}"));
        println!(
            "{kind:4} | {:13} | {points:12} | {off:>17} | {worst:>20} | {other:>16}",
            format!("{low} .. {high}")
        );
    }
}

fn accuracy_of_inverse() {
    println!("Temperature from voltage: largest |inverse(emf(t)) - t| at {POINTS} points, °C");
    println!(
        "type | invertible °C    | exact inverse | published polynomial (share of range) | other library"
    );
    println!(
        "-----|------------------|---------------|---------------------------------------|--------------"
    );
    for kind in Kind::ALL {
        let (mut exact, mut published, mut covered, mut other) = (0.0_f64, 0.0_f64, 0_u32, None::<f64>);
        for t in temperatures(kind) {
            let e = voltage(kind, t);
            let back = inverse(kind, millivolts(e)).expect("invertible").degrees();
            exact = exact.max((back - t).abs());
            if let Some(back) = by_published_polynomial(kind, millivolts(e)) {
                covered += 1;
                published = published.max((back.degrees() - t).abs());
                if let Some(back) = other_temperature(kind, e) {
                    other = Some(other.unwrap_or(0.0).max((back - t).abs()));
                }
            }
        }
        let [low, high] = invertible_range(kind).map(Celsius::degrees);
        let published = if covered == 0 {
            "none".to_owned()
        } else {
            format!(
                "{published:.4} ({:.0} %)",
                100.0 * f64::from(covered) / f64::from(POINTS)
            )
        };
        let other = other.map_or_else(|| "-".to_owned(), |d| format!("{d:.4}"));
        println!(
            "{kind:4} | {:16} | {exact:13.1e} | {published:>37} | {other:>13}",
            format!("{low:.2} .. {high}")
        );
    }
}

fn speed_of_inverse() {
    println!("One inverse, nanoseconds; {POINTS} voltages in scattered order, best of {PASSES} passes");
    println!("(over the voltages that have a published polynomial, and over the whole range)");
    println!("type | exact, whole | exact | published polynomial | other library");
    println!("-----|--------------|-------|----------------------|--------------");
    for kind in Kind::ALL {
        let whole: Vec<f64> = scattered(temperatures(kind).map(|t| voltage(kind, t)).collect());
        let covered: Vec<f64> = whole
            .iter()
            .copied()
            .filter(|&e| by_published_polynomial(kind, millivolts(e)).is_some())
            .collect();
        let exact = |&e: &f64| inverse(kind, millivolts(e)).map_or(0.0, Celsius::degrees);
        let polynomial =
            |&e: &f64| by_published_polynomial(kind, millivolts(e)).map_or(0.0, Celsius::degrees);
        let over_whole = time(&whole, exact);
        if covered.is_empty() {
            println!(
                "{kind:4} | {over_whole:12.1} | {:>5} | {:>20} | {:>13}",
                "-", "-", "-"
            );
        } else {
            println!(
                "{kind:4} | {over_whole:12.1} | {:5.1} | {:20.1} | {:13.1}",
                time(&covered, exact),
                time(&covered, polynomial),
                time(&covered, |&e| other_temperature(kind, e).unwrap_or(0.0)),
            );
        }
    }
}

/// The same voltages in an order that no branch predictor follows.
fn scattered(mut voltages: Vec<f64>) -> Vec<f64> {
    // A fixed sequence (Knuth's MMIX constants), so that every run times the same work.
    let mut state = 1_u64;
    for i in (1..voltages.len()).rev() {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let j = usize::try_from(state >> 33).expect("31 bits") % (i + 1);
        voltages.swap(i, j);
    }
    voltages
}

fn time(voltages: &[f64], convert: impl Fn(&f64) -> f64) -> f64 {
    let mut best = f64::INFINITY;
    for _ in 0..PASSES {
        let start = Instant::now();
        for e in voltages {
            black_box(convert(black_box(e)));
        }
        best = best.min(start.elapsed().as_secs_f64());
    }
    #[expect(clippy::cast_precision_loss, reason = "at most a hundred thousand")]
    let count = voltages.len() as f64;
    best * 1e9 / count
}

/// Same question to the other library; it has no type C and panics outside its polynomials.
fn other_temperature(kind: Kind, e: f64) -> Option<f64> {
    let zero = Degrees(0.0);
    let e = Volts(e);
    let t: Degrees = match kind {
        Kind::B => BType::new().with_reference_temperature(zero).sense_temperature(e),
        Kind::C => return None,
        Kind::E => EType::new().with_reference_temperature(zero).sense_temperature(e),
        Kind::J => JType::new().with_reference_temperature(zero).sense_temperature(e),
        Kind::K => KType::new().with_reference_temperature(zero).sense_temperature(e),
        Kind::N => NType::new().with_reference_temperature(zero).sense_temperature(e),
        Kind::R => RType::new().with_reference_temperature(zero).sense_temperature(e),
        Kind::S => SType::new().with_reference_temperature(zero).sense_temperature(e),
        Kind::T => TType::new().with_reference_temperature(zero).sense_temperature(e),
    };
    Some(t.0)
}

/// As above, from temperature to voltage.
fn other_voltage(kind: Kind, t: f64) -> Option<f64> {
    let zero = Degrees(0.0);
    let t = Degrees(t);
    let e = match kind {
        Kind::B => BType::new().with_reference_temperature(zero).sense_voltage(t),
        Kind::C => return None,
        Kind::E => EType::new().with_reference_temperature(zero).sense_voltage(t),
        Kind::J => JType::new().with_reference_temperature(zero).sense_voltage(t),
        Kind::K => KType::new().with_reference_temperature(zero).sense_voltage(t),
        Kind::N => NType::new().with_reference_temperature(zero).sense_voltage(t),
        Kind::R => RType::new().with_reference_temperature(zero).sense_voltage(t),
        Kind::S => SType::new().with_reference_temperature(zero).sense_voltage(t),
        Kind::T => TType::new().with_reference_temperature(zero).sense_voltage(t),
    };
    Some(e.0)
}
