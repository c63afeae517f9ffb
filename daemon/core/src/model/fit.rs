//! Nonlinear least squares for a few parameters: the values that make a sum of squared residuals smallest, and how
//! well the residuals determine them.
//!
//! The minimum is found by the Levenberg-Marquardt rule (the `levenberg-marquardt` crate, MINPACK's algorithm) with slopes by
//! central differences. It knows nothing of boards; [`super::learn`] gives it a simulation, the tests give it the
//! certified sets of the NIST Statistical Reference Datasets.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{Const, DMatrix, DVector, Dyn, OMatrix, SMatrix, SVector};

/// How far parameters are moved to either side for the slopes of the residuals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Nudge {
    /// By this much, whatever the value: for parameters that are logarithms.
    Fixed(f64),
    /// By this share of the parameter's value: for parameters of different size. A parameter of zero is moved by the
    /// share itself.
    Share(f64),
}

impl Nudge {
    fn of(self, value: f64) -> f64 {
        match self {
            Self::Fixed(step) => step,
            Self::Share(share) if value.abs() > 0.0 => share * value.abs(),
            Self::Share(share) => share,
        }
    }
}

/// The best explanation that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit<const P: usize> {
    /// The parameters.
    pub parameters: SVector<f64, P>,
    /// Sum of the squared residuals at them; finite.
    pub sum_of_squares: f64,
    /// `(JᵀJ)⁻¹`, J the slopes of the residuals (n residuals x P parameters) at the parameters: their covariance where
    /// residuals are measured in their own standard deviation. `None` if some parameter changes nothing, or
    /// nothing that another doesn't change likewise.
    pub covariance: Option<SMatrix<f64, P, P>>,
    /// How many residuals there were.
    pub residuals: usize,
}

impl<const P: usize> Fit<P> {
    /// Standard deviation of the residuals, in their unit: what is left over the degrees of freedom, n - P. `None` without any.
    pub fn residual_sd(&self) -> Option<f64> {
        let freedom = self.residuals.checked_sub(P).filter(|freedom| *freedom > 0)?;
        #[expect(clippy::cast_precision_loss, reason = "counts of readings are far below 2^52")]
        let freedom = freedom as f64;
        Some((self.sum_of_squares / freedom).sqrt())
    }

    /// Standard errors of the parameters where each residual is measured in its own standard deviation.
    pub fn standard_errors(&self) -> Option<SVector<f64, P>> {
        Some(self.covariance?.diagonal().map(f64::sqrt))
    }

    /// Standard errors of the parameters where nothing is known of the residuals but that all have the same standard
    /// deviation, which [`Self::residual_sd`] estimates.
    pub fn standard_errors_by_residuals(&self) -> Option<SVector<f64, P>> {
        Some(self.standard_errors()? * self.residual_sd()?)
    }
}

/// Fits P parameters from `start` on.
///
/// `residuals`: n values, the same n for all parameters. `patience`: gives up after that many evaluations of them for each
/// parameter and one more, those for slopes not counted; the best until then is returned.
///
/// Returns `None` if the residuals aren't finite at the start, or there are none.
pub fn fit<const P: usize>(
    residuals: impl Fn(&SVector<f64, P>) -> DVector<f64>,
    start: SVector<f64, P>,
    nudge: Nudge,
    patience: usize,
) -> Option<Fit<P>> {
    let problem = Problem {
        residuals,
        parameters: start,
        nudge,
    };
    let (problem, report) = LevenbergMarquardt::new()
        .with_patience(patience)
        .minimize(problem);
    let at = (problem.residuals)(&problem.parameters);
    let sum_of_squares = 2.0 * report.objective_function;
    (sum_of_squares.is_finite() && !at.is_empty()).then(|| Fit {
        parameters: problem.parameters,
        sum_of_squares,
        covariance: covariance(&problem.slopes(at.len())),
        residuals: at.len(),
    })
}

/// `(JᵀJ)⁻¹` by QR decomposition with columns scaled to one: `JᵀJ` would square the condition of J, which is bad enough where
/// parameters differ in size by decades.
fn covariance<const P: usize>(slopes: &OMatrix<f64, Dyn, Const<P>>) -> Option<SMatrix<f64, P, P>> {
    if slopes.nrows() < P {
        return None;
    }
    let sizes: Vec<f64> = slopes.column_iter().map(|column| column.norm()).collect();
    if !sizes.iter().all(|size| size.is_finite() && *size > 0.0) {
        return None;
    }
    let scaled = DMatrix::from_fn(slopes.nrows(), P, |row, column| {
        slopes[(row, column)] / sizes[column]
    });
    let upper = scaled.qr().r();
    // Below this, what is left of a column once the others are taken out is rounding.
    if upper
        .diagonal()
        .iter()
        .any(|left| left.abs() < 100.0 * f64::EPSILON)
    {
        return None;
    }
    let inverse = upper.solve_upper_triangular(&DMatrix::identity(P, P))?;
    let covariance = &inverse * inverse.transpose();
    Some(SMatrix::from_fn(|row, column| {
        covariance[(row, column)] / (sizes[row] * sizes[column])
    }))
}

/// What is to be fitted, as the library wants it.
struct Problem<F, const P: usize> {
    residuals: F,
    parameters: SVector<f64, P>,
    nudge: Nudge,
}

impl<F: Fn(&SVector<f64, P>) -> DVector<f64>, const P: usize> Problem<F, P> {
    /// Slopes of `rows` residuals by central differences.
    fn slopes(&self, rows: usize) -> OMatrix<f64, Dyn, Const<P>> {
        let mut slopes = OMatrix::<f64, Dyn, Const<P>>::zeros_generic(Dyn(rows), Const::<P>);
        for column in 0..P {
            let (mut up, mut down) = (self.parameters, self.parameters);
            let nudge = self.nudge.of(self.parameters[column]);
            up[column] += nudge;
            down[column] -= nudge;
            // The width as it came out, not as it was meant: of a share of 1e-5 rounding would else be seen.
            let width = up[column] - down[column];
            slopes.set_column(
                column,
                &(((self.residuals)(&up) - (self.residuals)(&down)) / width),
            );
        }
        slopes
    }
}

impl<F: Fn(&SVector<f64, P>) -> DVector<f64>, const P: usize> LeastSquaresProblem<f64, Dyn, Const<P>>
    for Problem<F, P>
{
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Const<P>>;
    type ParameterStorage = Owned<f64, Const<P>>;

    fn set_params(&mut self, parameters: &SVector<f64, P>) {
        self.parameters = *parameters;
    }

    fn params(&self) -> SVector<f64, P> {
        self.parameters
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        Some((self.residuals)(&self.parameters))
    }

    fn jacobian(&self) -> Option<OMatrix<f64, Dyn, Const<P>>> {
        Some(self.slopes((self.residuals)(&self.parameters).len()))
    }
}
