//! Charts against published constants and worked examples.

use serde_json::Value;

use super::*;

/// Worked examples with their sources, from NIST/SEMATECH e-Handbook 6.3.2.4 and closed forms.
const SPC: &str = include_str!("../../tests/published/spc_examples.json");
/// Worked examples of capability: e-Handbook 6.1.6, NIST `StRD` data sets, closed forms.
const CAPABILITY: &str = include_str!("../../tests/published/capability.json");
/// Constants of control charts: computed from their integrals, and as printed.
const CONSTANTS: &str = include_str!("../../tests/published/control_chart_constants.csv");
/// NIST `StRD` Michelso: 100 values of the speed of light.
const MICHELSO: &str = include_str!("../../tests/published/strd_michelso.csv");

fn example(file: &str, id: &str) -> Value {
    let file: Value = serde_json::from_str(file).unwrap();
    let found = file["cases"]
        .as_array()
        .unwrap()
        .iter()
        .find(|case| case["id"] == id);
    found.unwrap_or_else(|| panic!("no case {id}")).clone()
}

fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one.as_f64().unwrap())
        .collect()
}

fn near(got: f64, expected: &Value, digits: f64) {
    let expected = expected.as_f64().unwrap();
    assert!((got - expected).abs() <= digits, "{got} is not {expected}");
}

fn limits(low: &Value, high: &Value) -> Limits {
    Limits::new(low.as_f64(), high.as_f64()).unwrap()
}

#[test]
fn constants_are_the_published_ones() {
    let row: Vec<f64> = CONSTANTS
        .lines()
        .find(|line| line.starts_with("2,"))
        .unwrap()
        .split(',')
        .map(|cell| cell.parse().unwrap())
        .collect();
    // n, d2, d3, c4, A2, A3, D3, D4, B3, B4, then as printed d2, A2, D3, D4.
    assert!((D2 - row[1]).abs() < 5e-7 && (D2 - row[10]).abs() < 5e-4, "{D2}");
    assert!((D4 - row[7]).abs() < 5e-7 && (D4 - row[13]).abs() < 5e-4, "{D4}");
    let d3 = (2.0 - 4.0 / std::f64::consts::PI).sqrt();
    assert!((D4 - (1.0 + 3.0 * d3 / D2)).abs() < 1e-12);
    assert!(row[6] < f64::EPSILON, "D3, the lower limit of moving ranges");
}

#[test]
fn individuals_and_moving_ranges_are_as_worked_out() {
    let case = example(SPC, "imr_hand_1");
    let values = numbers(&case["data"]);
    let chart = individuals(&values).unwrap();
    near(chart.mean, &case["mean"], 1e-12);
    near(chart.mean_moving_range, &case["mean_moving_range"], 1e-12);
    near(chart.sigma, &case["sigma_within"], 1e-12);
    near(chart.high, &case["I_UCL"], 1e-12);
    near(chart.low, &case["I_LCL"], 1e-12);
    near(chart.moving_range_high, &case["MR_UCL"], 1e-11);
    assert_eq!(chart.moving_ranges.len(), 4);
    assert!(individuals(&values[..1]).is_none() && individuals(&[1.0, f64::NAN]).is_none());
}

#[test]
fn capability_is_as_worked_out() {
    let case = example(CAPABILITY, "cap_hand_1");
    let chart = individuals(&numbers(&case["data"])).unwrap();
    let limits_of = limits(&case["LSL"], &case["USL"]);
    let within = capability(limits_of, chart.mean, chart.sigma).unwrap();
    near(within.potential.unwrap(), &case["Cp"], 1e-12);
    near(within.centred, &case["Cpk"], 1e-12);
    near(chart.deviation, &case["sigma_overall"], 1e-12);
    let overall = capability(limits_of, chart.mean, chart.deviation).unwrap();
    near(overall.potential.unwrap(), &case["Pp"], 1e-12);
    near(overall.centred, &case["Ppk"], 1e-12);

    let case = example(CAPABILITY, "cpk_nist_1");
    let of = |limits| capability(limits, 16.0, 2.0).unwrap();
    let both = of(limits(&case["LSL"], &case["USL"]));
    near(both.potential.unwrap(), &case["Cp"], 1e-9);
    near(both.centred, &case["Cpk"], 5e-5);
    let upper = of(limits(&Value::Null, &case["USL"]));
    near(upper.centred, &case["Cpu"], 5e-5);
    assert_eq!(upper.potential, None);
    near(of(limits(&case["LSL"], &Value::Null)).centred, &case["Cpl"], 5e-5);
    assert_eq!(capability(limits(&case["LSL"], &case["USL"]), 16.0, 0.0), None);
}

#[test]
fn mean_and_deviation_are_the_certified_ones() {
    let values: Vec<f64> = MICHELSO
        .lines()
        .skip(1)
        .map(|line| line.split(',').nth(1).unwrap().parse().unwrap())
        .collect();
    let case = example(CAPABILITY, "cap_michelso");
    let chart = individuals(&values).unwrap();
    near(chart.mean, &case["certified_mean"], 1e-11);
    near(chart.deviation, &case["certified_sd"], 1e-13);
    let overall = capability(limits(&case["LSL"], &case["USL"]), chart.mean, chart.deviation).unwrap();
    near(overall.potential.unwrap(), &case["Pp"], 1e-11);
    // Ten million and one, three, two: digits are lost where squares are subtracted.
    let case = example(CAPABILITY, "cap_numacc1");
    let chart = individuals(&numbers(&case["data"])).unwrap();
    near(chart.mean, &case["certified_mean"], 1e-9);
    near(chart.deviation, &case["certified_sd"], 1e-9);
}

#[test]
fn the_weighted_mean_is_the_handbooks() {
    let case = example(SPC, "ewma_nist");
    let number = |key: &str| case[key].as_f64().unwrap();
    let values = numbers(&case["data"]);
    let found = weighted(
        &values,
        number("target"),
        number("s"),
        number("lambda"),
        number("limit_factor"),
    );
    near(found.high, &case["published_UCL"], 1e-4);
    near(found.low, &case["published_LCL"], 1e-4);
    for ((got, exact), printed) in found
        .series
        .iter()
        .zip(numbers(&case["ewma"]))
        .zip(numbers(&case["published_ewma_2_decimals"]))
    {
        assert!(
            (got - exact).abs() < 5e-7 && (got - printed).abs() <= 0.005_01,
            "{got} {exact}"
        );
    }
    assert!(
        found
            .series
            .iter()
            .all(|mean| *mean > found.low && *mean < found.high)
    );
}

/// A chart with mean 0 and sigma 1, so that values are their own distance in sigmas.
fn unit_chart() -> Individuals {
    Individuals {
        mean: 0.0,
        mean_moving_range: D2,
        sigma: 1.0,
        deviation: 1.0,
        low: -3.0,
        high: 3.0,
        moving_range_high: D4 * D2,
        moving_ranges: Vec::new(),
    }
}

/// The rules met at the last value, the weighted mean's aside.
fn met(values: &[f64]) -> Vec<(Rule, bool)> {
    signals(values, &unit_chart())
        .into_iter()
        .filter(|signal| signal.at + 1 == values.len() && signal.rule != Rule::WeightedMean)
        .map(|signal| (signal.rule, signal.up))
        .collect()
}

/// One value less, or one not far enough out, and the rule is not met.
#[test]
fn each_rule_is_met_where_it_says_and_not_before() {
    assert_eq!(met(&[3.01]), [(Rule::BeyondThreeSigma, true)]);
    assert_eq!(met(&[-3.01]), [(Rule::BeyondThreeSigma, false)]);
    assert_eq!(met(&[3.0]), []);
    assert_eq!(met(&[2.1, 0.0, 2.1]), [(Rule::TwoOfThree, true)]);
    assert_eq!(met(&[-2.1, -2.1, 0.5, -2.1]), [(Rule::TwoOfThree, false)]);
    assert_eq!(met(&[2.1, 2.1, 0.0]), []);
    assert_eq!(met(&[2.1, 0.0, 0.0, 2.1]), []);
    assert_eq!(met(&[2.1, 0.0, -2.1]), []);
    assert_eq!(met(&[1.1, 1.2, -0.5, 1.3, 1.1]), [(Rule::FourOfFive, true)]);
    assert_eq!(met(&[1.1, 1.2, -0.5, 0.9, 1.1]), []);
    let one_side = [0.5, 0.1, 0.4, 0.3, 0.2, 0.6, 0.1, 0.2];
    assert_eq!(met(&one_side), [(Rule::EightOnOneSide, true)]);
    assert_eq!(met(&one_side[1..]), []);
    let falling = [0.5, 0.3, 0.1, -0.1, -0.3, -0.5];
    assert_eq!(met(&falling), [(Rule::SixTrending, false)]);
    assert_eq!(met(&falling[1..]), []);
    assert_eq!(met(&[0.5, 0.3, 0.1, 0.1, -0.3, -0.5]), []);
}

/// A shift of one sigma is seen by the weighted mean, and no single value is out.
#[test]
fn a_small_lasting_shift_is_seen() {
    let mut values = vec![0.3, -0.3, 0.2, -0.4, 0.1, -0.2];
    let quiet = signals(&values, &unit_chart());
    assert_eq!(quiet, []);
    values.extend([1.3, 1.5, 1.2, 1.6, 1.4, 1.5, 1.3]);
    let found = signals(&values, &unit_chart());
    let first = found
        .iter()
        .find(|signal| signal.rule == Rule::WeightedMean)
        .expect("it drifts");
    assert!(first.up && first.at > 7, "{first:?}");
    assert!(found.iter().all(|signal| signal.rule != Rule::BeyondThreeSigma));
    let still = individuals(&[5.0; 9]).unwrap();
    assert_eq!(signals(&[5.0; 9], &still), []);
}
