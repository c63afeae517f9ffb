//! Every conversion against published values. Sources: tests/data/README.md, named again beside each check.

use benchward_thermocouple::reference_point::{
    ICE_POINT, standard_pressure, water_boiling_point, water_boiling_point_at,
};
use benchward_thermocouple::tolerance::{Class, NoTolerance, tolerance};
use benchward_thermocouple::{
    Celsius, ConversionError, Kilopascals, Kind, Metres, Millivolts, by_published_polynomial, emf, inverse,
    measured_emf, range, temperature,
};

/// Lines of a table without its heading, split at commas.
fn rows(csv: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    csv.lines().skip(1).map(|line| line.split(',').collect())
}

fn number(field: &str) -> f64 {
    field.parse().unwrap_or_else(|error| panic!("{field}: {error}"))
}

fn kind(field: &str) -> Kind {
    field.parse().expect("a letter")
}

fn celsius(degrees: f64) -> Celsius {
    Celsius::new(degrees).expect("a temperature")
}

fn millivolts(value: f64) -> Millivolts {
    Millivolts::new(value).expect("a voltage")
}

/// Source: printed tables of NIST Standard Reference Database 60.
#[test]
fn voltages_equal_the_printed_tables_to_the_last_digit() {
    let mut points = 0;
    for row in rows(include_str!("data/tc_table_points.csv")) {
        let voltage = emf(kind(row[0]), celsius(number(row[1])))
            .expect("inside the range")
            .millivolts();
        let ours = format!("{voltage:.3}");
        assert_eq!(
            ours.replace("-0.000", "0.000"),
            row[2].replace("-0.000", "0.000"),
            "type {} at {} °C is {voltage} mV",
            row[0],
            row[1]
        );
        points += 1;
    }
    assert_eq!(points, 604);
}

/// Another transcription of the same listing, by other people: the crate `thermocouple` 0.1.3.
#[test]
fn voltages_equal_those_of_an_independent_library() {
    use thermocouple::ThermocoupleCore;
    let zero = thermocouple::Celsius(0.0);
    macro_rules! compare {
        ($($kind:ident $other:ident),*) => {$(
            let other = thermocouple::$other::new().with_reference_temperature(zero);
            let [low, high] = range(Kind::$kind).map(Celsius::degrees);
            let mut t = low;
            while t <= high {
                let theirs = other.sense_voltage(thermocouple::Celsius(t)).0;
                let ours = emf(Kind::$kind, celsius(t)).expect("inside the range").millivolts();
                // A break belongs to either side, and the sides differ by up to 7.5e-8 mV.
                assert!((ours - theirs).abs() < 1e-7, "type {} at {t} °C: {ours}, {theirs}", Kind::$kind);
                t += 0.5;
            }
        )*};
    }
    compare!(B BType, E EType, J JType, K KType, N NType, R RType, S SType, T TType);
}

/// Source: exact inversion by independent programs, four decimals, and the published polynomials' error bands.
#[test]
fn inverse_equals_independent_inversion_and_lies_in_the_published_bands() {
    let mut points = 0;
    for row in rows(include_str!("data/tc_inverse_points.csv")) {
        let (kind, voltage) = (kind(row[0]), millivolts(number(row[1])));
        let exact = inverse(kind, voltage).expect("inside the range").degrees();
        assert!(
            (exact - number(row[2])).abs() < 0.6e-4,
            "type {kind} at {voltage}: {exact}"
        );
        let polynomial = by_published_polynomial(kind, voltage)
            .expect("a polynomial")
            .degrees();
        assert!(
            (polynomial - number(row[3])).abs() < 0.6e-4,
            "type {kind} at {voltage}: {polynomial}"
        );
        // The bands are printed to two decimals.
        let off = polynomial - exact;
        assert!(
            off > number(row[4]) - 0.005 && off < number(row[5]) + 0.005,
            "type {kind} at {voltage}: {off}"
        );
        points += 1;
    }
    assert_eq!(points, 126);
}

/// Source: worked examples with published answers, named per row of the file.
#[test]
fn cold_junction_examples_come_out_as_published() {
    let mut points = 0;
    for row in rows(include_str!("data/tc_cjc_examples.csv")) {
        let (id, kind) = (row[0], kind(row[1]));
        let cold = celsius(number(row[3]));
        let measured = millivolts(number(row[5]));
        let hot = temperature(kind, measured, cold).expect("inside the range");
        assert!((hot.degrees() - number(row[8])).abs() < 0.6e-3, "{id}: {hot}");
        // Published to the degree, or to the tenth.
        let (published, in_unit) = (
            number(row[6]),
            if row[7] == "degF" {
                hot.degrees() * 1.8 + 32.0
            } else {
                hot.degrees()
            },
        );
        // Half of the last digit; B's answers follow from a printed voltage, worth 0.3 °F.
        assert!(
            (in_unit - published).abs() < 0.51,
            "{id}: {in_unit}, published {published}"
        );
        // And the other way.
        let back = measured_emf(kind, hot, cold).expect("inside the range");
        assert!(
            (back.millivolts() - measured.millivolts()).abs() < 1e-9,
            "{id}: {back}"
        );
        points += 1;
    }
    assert_eq!(points, 11);
}

/// Source: computed by an independent package, six decimals.
#[test]
fn measured_voltages_equal_independent_ones() {
    let mut points = 0;
    for row in rows(include_str!("data/tc_cjc_computed.csv")) {
        let (kind, cold, hot) = (kind(row[0]), celsius(number(row[1])), celsius(number(row[2])));
        let measured = measured_emf(kind, hot, cold).expect("inside the range");
        assert!(
            (measured.millivolts() - number(row[3])).abs() < 0.6e-6,
            "type {kind} {hot} {cold}: {measured}"
        );
        let back = temperature(kind, millivolts(number(row[3])), cold).expect("inside the range");
        assert!(
            (back.degrees() - hot.degrees()).abs() < 1e-4,
            "type {kind} {hot} {cold}: {back}"
        );
        points += 1;
    }
    assert_eq!(points, 75);
}

#[test]
fn ends_of_every_range_convert_as_computed_and_as_printed() {
    for kind in Kind::ALL {
        for end in range(kind) {
            if kind == Kind::B && end == Celsius::ZERO {
                continue;
            }
            let voltage = emf(kind, end).expect("an end").millivolts();
            let back = inverse(kind, millivolts(voltage)).expect("an end");
            assert!(
                (back.degrees() - end.degrees()).abs() < 1e-6,
                "type {kind}: {back}"
            );
            let printed = (voltage * 1000.0).round() / 1000.0;
            let back = inverse(kind, millivolts(printed)).expect("an end as printed");
            // Half a microvolt is 1.3 °C at the flattest end, type N's.
            assert!(
                (back.degrees() - end.degrees()).abs() < 1.5,
                "type {kind}: {back}"
            );
        }
    }
}

/// At 760 °C type J's pieces leave 42.918641333 to 42.918641408 mV to neither.
#[test]
fn a_voltage_between_two_pieces_is_their_break() {
    let t = inverse(Kind::J, millivolts(42.918_641_37))
        .expect("inside the range")
        .degrees();
    assert!((t - 760.0).abs() < 1e-9, "{t}");
}

#[test]
fn beyond_the_ends_the_error_names_the_range() {
    let text = |error: ConversionError| error.to_string();
    assert_eq!(
        text(emf(Kind::K, celsius(1372.1)).unwrap_err()),
        "1372.1 °C is outside the range of type K, -270 °C to 1372 °C"
    );
    assert_eq!(
        text(inverse(Kind::K, millivolts(54.887)).unwrap_err()),
        "54.887 mV is outside the range of type K, -6.458 mV to 54.886 mV (-270 °C to 1372 °C)"
    );
    assert_eq!(
        text(inverse(Kind::K, millivolts(-6.459)).unwrap_err()),
        "-6.459 mV is outside the range of type K, -6.458 mV to 54.886 mV (-270 °C to 1372 °C)"
    );
    assert_eq!(
        text(temperature(Kind::S, millivolts(1.0), celsius(-51.0)).unwrap_err()),
        "cold junction at -51 °C is outside the range of type S, -50 °C to 1768.1 °C"
    );
}

/// Source: printed table of NIST Standard Reference Database 60: 0.000 mV at 0 °C, -0.003 at 20 °C, 0.000 at 40 °C,
/// 0.291 mV at 250 °C.
#[test]
fn type_b_is_refused_where_two_temperatures_give_one_voltage() {
    let both = |mv: f64| match inverse(Kind::B, millivolts(mv)) {
        Err(ConversionError::Ambiguous { temperature, .. }) => temperature.map(Celsius::degrees),
        other => panic!("{mv} mV: {other:?}"),
    };
    for mv in [0.0, -0.0005, -0.001, -0.002, -0.0025] {
        for t in both(mv) {
            let voltage = emf(Kind::B, celsius(t)).expect("inside the range").millivolts();
            assert!((voltage - mv).abs() < 1e-12, "{mv} mV at {t} °C: {voltage}");
        }
        let [falling, rising] = both(mv);
        assert!(
            falling < 21.03 && rising > 21.01 && rising < 42.1322,
            "{mv} mV: {falling}, {rising}"
        );
    }
    // As printed, a little below the lowest voltage there is: both are the lowest point.
    for t in both(-0.003) {
        assert!((t - 21.020).abs() < 0.001, "{t}");
    }
    assert_eq!(
        inverse(Kind::B, millivolts(-0.004)).unwrap_err().to_string(),
        "-0.004 mV is outside the range of type B, 0 mV to 13.82 mV (42.1321 °C to 1820 °C)"
    );
    assert!(
        inverse(Kind::B, millivolts(0.0))
            .unwrap_err()
            .to_string()
            .starts_with("0 mV is ambiguous for type B")
    );
    // From just above zero on there is one temperature, also below the published polynomials.
    let just_above = inverse(Kind::B, millivolts(1e-6))
        .expect("one temperature")
        .degrees();
    assert!((just_above - 42.136).abs() < 0.001, "{just_above}");
    let at_250 = inverse(Kind::B, millivolts(0.291))
        .expect("one temperature")
        .degrees();
    assert!((at_250 - 250.0).abs() < 0.3, "{at_250}");
}

/// Source: summaries of IEC 60584-1 and ASTM E230.
#[test]
fn tolerances_equal_the_standards() {
    let mut points = 0;
    for row in rows(include_str!("data/tc_tolerance_points.csv")) {
        let class = match (row[0], row[2]) {
            ("IEC", "1") => Class::Iec1,
            ("IEC", "2") => Class::Iec2,
            ("IEC", "3") => Class::Iec3,
            ("ASTM", "standard") => Class::AstmStandard,
            ("ASTM", "special") => Class::AstmSpecial,
            other => panic!("{other:?}"),
        };
        let t = celsius(number(row[3]));
        let allowed = tolerance(kind(row[1]), class, t).expect("a tolerance").degrees();
        assert!((allowed - number(row[4])).abs() < 0.6e-4, "{row:?}: {allowed}");
        points += 1;
    }
    assert_eq!(points, 28);
}

/// Source: IEC 60584-1 (platinum classes 1 pivot at 1100 °C; class 3 below 0 °C by magnitude), ASTM E230.
#[test]
fn tolerances_at_pivots_ends_and_below_zero() {
    let at = |kind, class, t| tolerance(kind, class, celsius(t)).map(|d| (d.degrees() * 1e4).round() / 1e4);
    assert_eq!(at(Kind::S, Class::Iec1, 1100.0), Ok(1.0));
    assert_eq!(at(Kind::R, Class::Iec1, 1600.0), Ok(2.5));
    assert_eq!(at(Kind::R, Class::Iec2, 600.0), Ok(1.5));
    assert_eq!(at(Kind::R, Class::Iec2, 1000.0), Ok(2.5));
    assert_eq!(at(Kind::B, Class::Iec3, 1700.0), Ok(8.5));
    assert_eq!(at(Kind::K, Class::Iec3, -200.0), Ok(3.0));
    assert_eq!(at(Kind::T, Class::Iec3, -40.0), Ok(1.0));
    assert_eq!(at(Kind::K, Class::AstmStandard, -200.0), Ok(4.0));
    assert_eq!(at(Kind::K, Class::AstmStandard, 0.0), Ok(2.2));
    assert_eq!(at(Kind::K, Class::AstmStandard, 1260.0), Ok(9.45));
    assert_eq!(at(Kind::C, Class::AstmStandard, 1000.0), Ok(10.0));
    assert_eq!(
        at(Kind::R, Class::Iec3, 20.0).unwrap_err().to_string(),
        "IEC 60584-1 class 3 gives no tolerance for type R"
    );
    let error = at(Kind::K, Class::AstmStandard, 1261.0).unwrap_err();
    assert!(matches!(error, NoTolerance::Temperature { .. }));
    assert_eq!(
        error.to_string(),
        "ASTM E230 standard gives a tolerance for type K from -200 °C to 1260 °C, not at 1261 °C"
    );
}

/// Source: the tables themselves, as public summaries of IEC 60584-1 and ASTM E230 print them: each row at both ends and
/// between, against its own rule.
#[test]
fn every_row_of_both_standards_is_there() {
    let mut rows_seen = 0;
    for row in rows(include_str!("data/tc_tolerances.csv")) {
        // Type A is not converted here.
        let Ok(kind) = row[1].parse::<Kind>() else {
            assert_eq!(row[1], "A");
            continue;
        };
        let class = match (&row[0][..4], row[2]) {
            ("IEC ", "1") => Class::Iec1,
            ("IEC ", "2") => Class::Iec2,
            ("IEC ", "3") => Class::Iec3,
            ("ASTM", "standard") => Class::AstmStandard,
            ("ASTM", "special") => Class::AstmSpecial,
            other => panic!("{other:?}"),
        };
        let figure = |field: &str| {
            if field.is_empty() { 0.0 } else { number(field) }
        };
        let (low, high, fixed, percent) = (number(row[3]), number(row[4]), figure(row[5]), figure(row[6]));
        // The text of ASTM E230 gives type C 4.4 °C at least, which its table leaves out.
        let fixed = if (kind, class) == (Kind::C, Class::AstmStandard) {
            4.4
        } else {
            fixed
        };
        for share in [0.0, 0.2, 0.5, 0.9, 1.0] {
            let t = low + share * (high - low);
            let published = if percent > 0.0 {
                fixed.max(percent / 100.0 * t.abs())
            } else {
                // Platinum, class 1.
                fixed + 0.003 * (t - 1100.0).max(0.0)
            };
            let allowed = tolerance(kind, class, celsius(t)).expect("in the row").degrees();
            assert!((allowed - published).abs() < 1e-9, "{row:?} at {t}: {allowed}");
        }
        rows_seen += 1;
    }
    assert_eq!(rows_seen, 41);
}

/// Source: ITS-90 text, Table 1, and the definition of the ice point; IAPWS-95 and IAPWS-IF97 for boiling water.
#[test]
fn reference_points_are_where_the_fixed_points_say() {
    let points = include_str!("data/fixed_points.csv");
    let t90 = |point: &str| {
        let line = points
            .lines()
            .find(|line| line.contains(point))
            .expect("the point");
        let rest = line.strip_prefix('"').and_then(|line| line.split_once("\","));
        let (_, rest) = rest.or_else(|| line.split_once(',')).expect("columns");
        number(rest.split(',').next().expect("a column"))
    };
    assert!((ICE_POINT.degrees() - t90("ice point")).abs() < 1e-9);
    assert!((t90("triple point of water") - t90("ice point") - 0.01).abs() < 1e-9);
    let normal = Kilopascals::new(101.325).expect("a pressure");
    let boils = water_boiling_point(normal).expect("it boils").degrees();
    assert!(
        (boils - t90("water boiling at 101325 Pa")).abs() < 0.6e-3,
        "{boils}"
    );
}

#[test]
fn tolerance_classes_parse_from_their_words() {
    for class in Class::ALL {
        assert_eq!(class.word().parse(), Ok(class));
    }
    assert!("iec-4".parse::<Class>().is_err());
}

/// Source: IAPWS-IF97 release, Table 36 (saturation temperature from pressure).
#[test]
fn boiling_point_reproduces_the_verification_values() {
    let mut points = 0;
    for row in rows(include_str!("data/water_boiling_if97_verification.csv")) {
        let value = number(row[1].split(' ').next().expect("a number"));
        let published = number(row[2]);
        // Table 35 gives pressure from temperature; the backward equation has to lead back within its own
        // consistency of a few microkelvin.
        let (megapascals, kelvin, within) = if row[0] == "T_sat" {
            (value, published, 0.6e-6)
        } else {
            (published, value, 2e-5)
        };
        let pressure = Kilopascals::new(megapascals * 1000.0).expect("a pressure");
        let t = water_boiling_point(pressure).expect("boils").degrees() + 273.15;
        assert!((t - kelvin).abs() < within, "{row:?}: {t}");
        points += 1;
    }
    assert_eq!(points, 6);
}

/// Source: IAPWS-IF97 and IAPWS-95 evaluated by two packages; they differ by 0.0003 °C at most.
#[test]
fn boiling_point_equals_both_formulations_at_air_pressures() {
    for row in rows(include_str!("data/water_boiling.csv")) {
        let pressure = Kilopascals::new(number(row[0])).expect("a pressure");
        let t = water_boiling_point(pressure).expect("boils").degrees();
        assert!((t - number(row[1])).abs() < 0.6e-4, "{row:?}: {t}");
        assert!((t - number(row[2])).abs() < 4e-4, "{row:?}: {t}");
    }
}

/// Source: ISO 2533 barometric formula, then IAPWS-IF97.
#[test]
fn boiling_point_falls_with_height_as_the_standard_atmosphere_says() {
    for row in rows(include_str!("data/water_boiling_altitude.csv")) {
        let height = Metres::new(number(row[0])).expect("a height");
        let pressure = standard_pressure(height)
            .expect("in the lowest layer")
            .kilopascals();
        assert!((pressure - number(row[1])).abs() < 0.6e-3, "{row:?}: {pressure}");
        let t = water_boiling_point_at(height).expect("boils").degrees();
        assert!((t - number(row[2])).abs() < 0.6e-2, "{row:?}: {t}");
    }
    assert_eq!(ICE_POINT.degrees().to_bits(), 0.0_f64.to_bits());
}

#[test]
fn no_reference_point_where_water_does_not_boil_or_the_atmosphere_ends() {
    let kpa = |p| Kilopascals::new(p).expect("a pressure");
    assert!(water_boiling_point(kpa(0.611)).is_err());
    assert!(water_boiling_point(kpa(0.611_213)).is_ok());
    assert!((water_boiling_point(kpa(22_064.0)).expect("critical").degrees() - 373.946).abs() < 0.001);
    assert_eq!(
        water_boiling_point(kpa(22_065.0)).unwrap_err().to_string(),
        "water has no boiling point at 22065 kPa; it boils from 0.611213 kPa to 22064 kPa"
    );
    assert!(water_boiling_point_at(Metres::new(11_001.0).expect("a height")).is_err());
}
