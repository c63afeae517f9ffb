//! The inverse undoes the reference function over whole ranges, and says nothing absurd to any input.

use benchward_thermocouple::{
    Celsius, ConversionError, Kind, Millivolts, by_published_polynomial, emf, inverse, invertible_range,
    measured_emf, range, temperature,
};
use proptest::prelude::*;

/// What the conversion promises, °C.
const PROMISED: f64 = 1e-6;

fn celsius(degrees: f64) -> Celsius {
    Celsius::new(degrees).expect("a temperature")
}

fn off(kind: Kind, t: f64) -> f64 {
    let voltage = emf(kind, celsius(t)).expect("inside the range");
    (inverse(kind, voltage).expect("invertible").degrees() - t).abs()
}

fn check_whole_range(kind: Kind) {
    const POINTS: u32 = 100_000;
    let [low, high] = invertible_range(kind).map(Celsius::degrees);
    let mut last = f64::NEG_INFINITY;
    for i in 0..POINTS {
        let t = (low + (high - low) * f64::from(i) / f64::from(POINTS - 1)).clamp(low, high);
        let voltage = emf(kind, celsius(t)).expect("inside the range");
        assert!(voltage.millivolts() > last, "type {kind} has to rise at {t} °C");
        last = voltage.millivolts();
        let off = (inverse(kind, voltage).expect("invertible").degrees() - t).abs();
        assert!(off < PROMISED, "type {kind} at {t} °C is off by {off:e} °C");
    }
}

macro_rules! whole_ranges {
    ($($name:ident: $kind:ident),*) => {$(
        #[test]
        fn $name() {
            check_whole_range(Kind::$kind);
        }
    )*};
}

whole_ranges!(
    type_b_comes_back: B, type_c_comes_back: C, type_e_comes_back: E, type_j_comes_back: J,
    type_k_comes_back: K, type_n_comes_back: N, type_r_comes_back: R, type_s_comes_back: S,
    type_t_comes_back: T
);

/// Where pieces of a reference function or of the published polynomials meet, and where polynomials stop.
#[test]
fn temperatures_next_to_every_break_come_back() {
    let breaks = [
        -200.0, 0.0, 250.0, 400.0, 500.0, 600.0, 630.615, 700.0, 760.0, 1000.0, 1064.0, 1064.18, 1200.0,
        1664.5,
    ];
    for kind in Kind::ALL {
        let [low, high] = invertible_range(kind).map(Celsius::degrees);
        for middle in breaks {
            for distance in [0.0, 1e-9, 1e-7, 1e-6, 1e-5, 1e-3, 0.1] {
                for t in [middle - distance, middle + distance] {
                    if t < low || t > high {
                        continue;
                    }
                    // Type C's pieces overlap here by 7.2e-6 °C: see the crate's page.
                    let overlap = kind == Kind::C && (t - 630.615).abs() < 8e-6;
                    let bound = if overlap { 8e-6 } else { PROMISED };
                    let off = off(kind, t);
                    assert!(off < bound, "type {kind} at {t} °C is off by {off:e} °C");
                }
            }
        }
    }
}

/// The point of solving: the polynomials alone are off by hundredths.
#[test]
fn published_polynomials_alone_would_not_do() {
    for kind in [Kind::E, Kind::J, Kind::K, Kind::N, Kind::T] {
        let worst = (0..2000_u32)
            .map(|i| f64::from(i) * 0.2)
            .map(|t| {
                let voltage = emf(kind, celsius(t)).expect("inside the range");
                let polynomial = by_published_polynomial(kind, voltage)
                    .expect("above 0 °C")
                    .degrees();
                (polynomial - t).abs()
            })
            .fold(0.0, f64::max);
        assert!((0.005..0.06).contains(&worst), "type {kind}: {worst}");
    }
}

fn any_kind() -> impl Strategy<Value = Kind> {
    prop::sample::select(Kind::ALL.to_vec())
}

/// Any bit pattern, and values near those that matter.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<u64>().prop_map(f64::from_bits),
        -300.0..2500.0,
        -12.0..80.0,
        -0.01..0.01,
        any::<f64>(),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_input_panics_or_gives_what_is_no_number(kind in any_kind(), a in any_number(), b in any_number()) {
        let [low, high] = range(kind);
        for (voltage, cold) in [(a, b), (b, a), (a, 0.0), (b, 25.0)] {
            let (Ok(voltage), Ok(cold)) = (Millivolts::new(voltage), Celsius::new(cold)) else { continue };
            match temperature(kind, voltage, cold) {
                Ok(t) => prop_assert!(t >= low && t <= high, "{t:?}"),
                Err(ConversionError::Ambiguous { temperature: [falling, rising], .. }) => {
                    prop_assert!(kind == Kind::B && falling <= rising && falling >= low);
                    prop_assert!(rising <= invertible_range(kind)[0]);
                }
                Err(error) => prop_assert!(error.to_string().len() < 200, "{error}"),
            }
            if let Ok(e) = emf(kind, cold) {
                prop_assert!(e.millivolts().is_finite());
            }
            if let Ok(e) = measured_emf(kind, cold, cold) {
                prop_assert!(e.millivolts().abs() < 1e-12);
            }
            if let Some(t) = by_published_polynomial(kind, voltage) {
                prop_assert!(t.degrees().is_finite());
            }
        }
    }

    #[test]
    fn hotter_means_more_voltage_and_the_other_way_round(kind in any_kind(), a in 0.0..1.0_f64, b in 0.0..1.0_f64) {
        let [low, high] = invertible_range(kind);
        let [bottom, top] = [low, high].map(|t| emf(kind, t).expect("an end").millivolts());
        let at = |share: f64| {
            let voltage = Millivolts::new((bottom + (top - bottom) * share).clamp(bottom, top)).expect("finite");
            inverse(kind, voltage).expect("inside the range").degrees()
        };
        // Type C's overlap at 630.615 °C is the one place where order may be lost, by 7.2e-6 °C.
        prop_assert!(a > b || at(a) <= at(b) + 8e-6);
    }

    #[test]
    fn compensation_undoes_itself(kind in any_kind(), share in 0.0..1.0_f64, cold in 0.0..60.0_f64) {
        let [low, high] = invertible_range(kind).map(Celsius::degrees);
        let hot = celsius((low + (high - low) * share).clamp(low, high));
        let measured = measured_emf(kind, hot, celsius(cold)).expect("inside the range");
        // At type B's lower end the sum may come out a rounding error below zero.
        prop_assume!(kind != Kind::B || hot.degrees() > 42.14);
        let back = temperature(kind, measured, celsius(cold)).expect("inside the range");
        let bound = if kind == Kind::C && (hot.degrees() - 630.615).abs() < 1e-4 { 8e-6 } else { PROMISED };
        prop_assert!((back.degrees() - hot.degrees()).abs() < bound, "{hot:?}: {back:?}");
    }
}
