//! The fit against the certified results of the NIST Statistical Reference Datasets, nonlinear regression. Sources of
//! the files: tests/published/README.md.

use benchward_core::model::fit::{Fit, Nudge, fit};
use nalgebra::{DVector, SVector};

/// Near the cube root of the rounding error, where a central difference is best.
const NUDGE: Nudge = Nudge::Share(1e-5);
/// MGH10 is a long narrow valley from its first starting values.
const PATIENCE: usize = 2000;
/// Digits of the parameters and of the sum of squares that have to be right.
const DIGITS: f64 = 6.0;
/// The same of standard deviations, which take the slopes once more.
const DIGITS_OF_SD: f64 = 6.0;

fn number(field: &str) -> f64 {
    field.parse().unwrap_or_else(|error| panic!("{field}: {error}"))
}

fn rows(csv: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    csv.lines().skip(1).map(|line| line.split(',').collect())
}

fn observations(csv: &'static str) -> Vec<(f64, f64)> {
    rows(csv).map(|row| (number(row[0]), number(row[1]))).collect()
}

/// What is certified of a set's parameters, in their order.
struct Certified<const P: usize> {
    starts: [SVector<f64, P>; 2],
    parameters: SVector<f64, P>,
    sd: SVector<f64, P>,
    sum_of_squares: f64,
    residual_sd: f64,
}

impl<const P: usize> Certified<P> {
    fn of(set: &str) -> Self {
        let lines: Vec<_> = rows(include_str!("published/strd_certified.csv"))
            .filter(|row| row[0] == set)
            .collect();
        assert_eq!(lines.len(), P, "{set}");
        let column = |at: usize| SVector::from_fn(|row, _| number(lines[row][at]));
        let residuals = rows(include_str!("published/strd_residuals.csv"))
            .find(|row| row[0] == set)
            .expect("the set's residuals");
        Self {
            starts: [column(2), column(3)],
            parameters: column(4),
            sd: column(5),
            sum_of_squares: number(residuals[1]),
            residual_sd: number(residuals[2]),
        }
    }

    fn check(&self, start: usize, fit: &Fit<P>) {
        let close = |what: &str, ours: f64, certified: f64, least: f64| {
            // NIST's measure: the logarithm of the relative error, in digits.
            let digits = -((ours - certified) / certified).abs().log10();
            assert!(
                digits >= least,
                "from start {} {what} is {ours}, certified {certified}: {digits:.1} digits of {least}",
                start + 1
            );
        };
        let sd = fit
            .standard_errors_by_residuals()
            .expect("every parameter is determined");
        for at in 0..P {
            let name = format!("b{}", at + 1);
            close(&name, fit.parameters[at], self.parameters[at], DIGITS);
            close(&format!("sd of {name}"), sd[at], self.sd[at], DIGITS_OF_SD);
        }
        close("sum of squares", fit.sum_of_squares, self.sum_of_squares, DIGITS);
        let residual_sd = fit.residual_sd().expect("degrees of freedom");
        close("residual sd", residual_sd, self.residual_sd, DIGITS);
    }
}

/// `y = b1 (1 - exp(-b2 x))`: a first-order rise. Source: NIST Statistical Reference Datasets, Misra1a.
#[test]
fn misra1a_is_fitted_as_certified() {
    let observations = observations(include_str!("published/strd_misra1a.csv"));
    let certified = Certified::<2>::of("misra1a");
    for (at, start) in certified.starts.iter().enumerate() {
        let found = fit(
            |b: &SVector<f64, 2>| {
                DVector::from_iterator(
                    observations.len(),
                    observations
                        .iter()
                        .map(|(x, y)| b[0] * (1.0 - (-b[1] * x).exp()) - y),
                )
            },
            *start,
            NUDGE,
            PATIENCE,
        )
        .expect("a fit");
        certified.check(at, &found);
    }
}

/// `y = b1 exp(b2 / (x + b3))`: a thermistor's resistance by temperature; parameters seven decades apart. Source: NIST Statistical Reference Datasets, MGH10.
#[test]
fn mgh10_is_fitted_as_certified() {
    let observations = observations(include_str!("published/strd_mgh10.csv"));
    let certified = Certified::<3>::of("mgh10");
    for (at, start) in certified.starts.iter().enumerate() {
        let found = fit(
            |b: &SVector<f64, 3>| {
                DVector::from_iterator(
                    observations.len(),
                    observations
                        .iter()
                        .map(|(x, y)| b[0] * (b[1] / (x + b[2])).exp() - y),
                )
            },
            *start,
            NUDGE,
            PATIENCE,
        )
        .expect("a fit");
        certified.check(at, &found);
    }
}

fn line(points: &[(f64, f64)]) -> impl Fn(&SVector<f64, 2>) -> DVector<f64> {
    move |b| DVector::from_iterator(points.len(), points.iter().map(|(x, y)| b[0] + b[1] * x - y))
}

/// Both parameters of a line are the same where all points lie above each other.
#[test]
fn parameters_that_nothing_tells_apart_have_no_standard_errors() {
    let start = SVector::from([1.0, 1.0]);
    let upright = [(2.0, 1.0), (2.0, 1.1), (2.0, 0.9)];
    let found = fit(line(&upright), start, NUDGE, PATIENCE).expect("a fit");
    assert_eq!(found.standard_errors(), None);
    let spread = [(1.0, 1.0), (2.0, 1.1), (3.0, 0.9)];
    let found = fit(line(&spread), start, NUDGE, PATIENCE).expect("a fit");
    assert!(found.standard_errors().is_some());
}

/// As many residuals as parameters leave nothing to judge the residuals by.
#[test]
fn without_degrees_of_freedom_residuals_have_no_deviation() {
    let two = [(1.0, 1.0), (2.0, 1.1)];
    let found = fit(line(&two), SVector::from([1.0, 1.0]), NUDGE, PATIENCE).expect("a fit");
    assert_eq!(found.residual_sd(), None);
    assert_eq!(found.standard_errors_by_residuals(), None);
}

#[test]
fn a_fit_without_finite_residuals_is_none() {
    let start = SVector::from([1.0, 1.0]);
    let wild = fit(
        |_: &SVector<f64, 2>| DVector::from_element(3, f64::NAN),
        start,
        NUDGE,
        PATIENCE,
    );
    assert_eq!(wild, None);
    let empty = fit(|_: &SVector<f64, 2>| DVector::zeros(0), start, NUDGE, PATIENCE);
    assert_eq!(empty, None);
}

/// A line through x = 1, 2, 3 has `JᵀJ` = [3 6; 6 14], whose inverse is [14 -6; -6 3] / 6.
#[test]
fn the_covariance_of_a_line_is_the_inverse_of_its_normal_matrix() {
    let points = [(1.0, 1.0), (2.0, 1.1), (3.0, 0.9)];
    let found = fit(line(&points), SVector::from([1.0, 1.0]), NUDGE, PATIENCE).expect("a fit");
    let covariance = found.covariance.expect("both are determined");
    let expected = nalgebra::Matrix2::new(14.0, -6.0, -6.0, 3.0) / 6.0;
    assert!((covariance - expected).abs().max() < 1e-8, "{covariance}");
}
