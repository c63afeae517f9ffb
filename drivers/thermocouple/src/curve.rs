//! One type's reference function in pieces, and how a temperature is found on it.
//!
//! The reference functions are polynomials in temperature (type K adds a bell-shaped exponential above 0 °C),
//! one per stretch of the range. The inverse starts from the published inverse polynomial where there is one,
//! otherwise from a table of knots on the curve, and is then improved by Halley's method until the
//! remaining error is far below what anybody measures. Halley rather than Newton: from a published polynomial,
//! which is off by up to 0.06 °C, one step is enough, and its second derivative comes almost free beside
//! the first.

/// Remaining error that ends the search, °C. Estimated from the second derivative alone, so it is kept well
/// below the 1e-6 °C that the conversion promises.
const SETTLED: f64 = 1e-10;

/// Longest last step, °C, for which the estimate behind [`SETTLED`] is trusted.
const LAST_STEP_MAX: f64 = 0.1;

/// Upper bound on steps. Mostly the first is the last; the rest is for the case that every step has to be a
/// bisection, and 64 of those take the widest piece below the precision of an `f64`.
const STEPS_MAX: usize = 64;

/// How far a step may leave its bracket, °C: covers rounding where the root lies on the bracket's edge.
const BRACKET_SLACK: f64 = 1e-9;

/// `a0 * exp(a1 * (t - a2)^2)`, mV.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Exponential {
    pub(crate) a0: f64,
    pub(crate) a1: f64,
    pub(crate) a2: f64,
}

/// The reference function on one stretch of temperature.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Piece {
    /// Lowest and highest temperature, °C.
    pub(crate) range: [f64; 2],
    /// Voltage at the two ends, mV.
    pub(crate) emf: [f64; 2],
    /// Coefficients in mV, constant first.
    pub(crate) c: &'static [f64],
    pub(crate) exponential: Option<Exponential>,
}

/// Value and first two derivatives of a piece at one temperature: mV, mV/°C, mV/°C².
struct Local {
    emf: f64,
    slope: f64,
    bend: f64,
}

impl Piece {
    pub(crate) const fn polynomial(range: [f64; 2], c: &'static [f64]) -> Self {
        let emf = [horner(c, range[0]), horner(c, range[1])];
        Self {
            range,
            emf,
            c,
            exponential: None,
        }
    }

    pub(crate) const fn with_exponential(
        range: [f64; 2],
        emf: [f64; 2],
        c: &'static [f64],
        exponential: Exponential,
    ) -> Self {
        Self {
            range,
            emf,
            c,
            exponential: Some(exponential),
        }
    }

    /// Voltage at `t`, mV. Meant for `t` inside the range; outside it the polynomial runs away.
    pub(crate) fn emf(&self, t: f64) -> f64 {
        let polynomial = horner(self.c, t);
        match self.exponential {
            None => polynomial,
            Some(Exponential { a0, a1, a2 }) => {
                let u = t - a2;
                polynomial + a0 * (a1 * u * u).exp()
            }
        }
    }

    fn local(&self, t: f64) -> Local {
        let (mut emf, mut slope, mut half_bend) = (0.0, 0.0, 0.0);
        for &c in self.c.iter().rev() {
            half_bend = half_bend * t + slope;
            slope = slope * t + emf;
            emf = emf * t + c;
        }
        let mut bend = 2.0 * half_bend;
        if let Some(Exponential { a0, a1, a2 }) = self.exponential {
            let u = t - a2;
            let bell = a0 * (a1 * u * u).exp();
            let log_slope = 2.0 * a1 * u;
            emf += bell;
            slope += bell * log_slope;
            bend += bell * (log_slope * log_slope + 2.0 * a1);
        }
        Local { emf, slope, bend }
    }

    /// One step of Halley's method towards the temperature whose voltage is `emf`.
    fn step(&self, emf: f64, t: f64) -> Step {
        let at = self.local(t);
        let excess = at.emf - emf;
        let a = 2.0 * at.slope * at.slope;
        let b = excess * at.bend;
        let step = 2.0 * excess * at.slope / (a - b);
        Step {
            excess,
            next: t - step,
            // Halley's error is about (b/a)^2 * step; without the division.
            settled: step.abs() <= LAST_STEP_MAX && b * b * step.abs() <= SETTLED * a * a,
        }
    }

    /// The temperature in `[low, high]` whose voltage is `emf`, °C.
    ///
    /// The voltage has to rise over the whole bracket, and the root has to be in it. A root just outside (by
    /// rounding, or in the gap that two pieces leave where they meet) is moved to the edge.
    /// `start` may be any number but NaN.
    fn solve(&self, emf: f64, start: f64, [low, high]: [f64; 2]) -> f64 {
        let start = start.clamp(low, high);
        let first = self.step(emf, start);
        // From a published polynomial this is nearly always the end.
        if first.settled && first.lands_in(low, high) {
            return first.next.clamp(low, high);
        }
        self.search(emf, start, first, [low, high])
    }

    /// The rest of [`Piece::solve`]: a bracket that shrinks, and bisection where a step would leave it.
    #[cold]
    fn search(&self, emf: f64, start: f64, first: Step, [low, high]: [f64; 2]) -> f64 {
        let (mut below, mut above) = (low, high);
        let (mut t, mut step) = (start, first);
        for _ in 0..STEPS_MAX {
            if step.excess > 0.0 {
                above = t;
            } else {
                below = t;
            }
            if step.lands_in(below, above) {
                t = step.next;
                if step.settled {
                    break;
                }
            } else {
                t = below.midpoint(above);
            }
            step = self.step(emf, t);
        }
        t.clamp(low, high)
    }
}

/// Where one step of the search leads.
struct Step {
    /// Voltage here less the voltage looked for, mV.
    excess: f64,
    next: f64,
    /// What error remains at `next` doesn't matter.
    settled: bool,
}

impl Step {
    /// False for a NaN, too.
    fn lands_in(&self, below: f64, above: f64) -> bool {
        self.next >= below - BRACKET_SLACK && self.next <= above + BRACKET_SLACK
    }
}

/// A published inverse polynomial: temperature from voltage, good to a few hundredths of a degree.
#[derive(Debug)]
pub(crate) struct Published {
    /// Lowest and highest voltage it is meant for, mV.
    pub(crate) emf: [f64; 2],
    /// Coefficients in °C, constant first.
    pub(crate) d: &'static [f64],
}

/// Number of stretches that a table of knots has: so many that a straight line between knots is good enough for the
/// search to end after one step, as from a published polynomial.
const STRETCHES: usize = 128;

/// Points on the curve, equally spaced in temperature: a bracket and a start where no polynomial is published.
#[derive(Debug)]
pub(crate) struct Knots {
    from: f64,
    spacing: f64,
    /// Voltages at `from + i * spacing`, rising, mV.
    emf: [f64; STRETCHES + 1],
}

impl Knots {
    /// Knots from temperature `from` to `to` on rising pieces without exponential term, at compile time.
    pub(crate) const fn of(pieces: &[Piece], from: f64, to: f64) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "128 is exact in an f64")]
        let spacing = (to - from) / STRETCHES as f64;
        let mut emf = [0.0; STRETCHES + 1];
        let mut i = 0;
        while i < emf.len() {
            #[expect(clippy::cast_precision_loss, reason = "at most 128")]
            let t = from + spacing * i as f64;
            let mut p = 0;
            while p + 1 < pieces.len() && t > pieces[p].range[1] {
                p += 1;
            }
            assert!(pieces[p].exponential.is_none());
            emf[i] = horner(pieces[p].c, t);
            assert!(i == 0 || emf[i] > emf[i - 1], "knots have to rise");
            i += 1;
        }
        Self { from, spacing, emf }
    }

    /// Start by straight line between two knots, and the bracket that they make, °C.
    fn start(&self, emf: f64) -> (f64, [f64; 2]) {
        let above = self.emf.partition_point(|&knot| knot < emf).clamp(1, STRETCHES);
        let (e0, e1) = (self.emf[above - 1], self.emf[above]);
        #[expect(clippy::cast_precision_loss, reason = "at most 127")]
        let low = self.from + self.spacing * (above - 1) as f64;
        let share = (emf - e0) / (e1 - e0);
        (low + share * self.spacing, [low, low + self.spacing])
    }
}

/// Everything that is published about one type, plus knots where that leaves a gap.
#[derive(Debug)]
pub(crate) struct Curve {
    /// By rising temperature, end to end.
    pub(crate) pieces: &'static [Piece],
    /// By rising voltage; types R and S overlap, and there the lower one is used to its end.
    pub(crate) published: &'static [Published],
    /// Below the lowest published polynomial.
    pub(crate) knots: Option<Knots>,
}

impl Curve {
    /// Lowest and highest temperature, °C.
    pub(crate) fn range(&self) -> [f64; 2] {
        [
            self.pieces[0].range[0],
            self.pieces[self.pieces.len() - 1].range[1],
        ]
    }

    /// Voltage at `t`, mV, for `t` inside the range. A break belongs to the piece below it.
    pub(crate) fn emf(&self, t: f64) -> f64 {
        let last = self.pieces.len() - 1;
        self.pieces
            .iter()
            .find(|piece| t <= piece.range[1])
            .unwrap_or(&self.pieces[last])
            .emf(t)
    }

    /// Temperature at `emf`, °C, nowhere below `floor`.
    ///
    /// The voltage has to rise from `floor` on, and `emf` has to lie on the curve above `floor` (a voltage
    /// just beyond an end gives that end).
    pub(crate) fn temperature(&self, emf: f64, floor: f64) -> f64 {
        let last = self.pieces.len() - 1;
        let piece = self
            .pieces
            .iter()
            .find(|piece| emf <= piece.emf[1])
            .unwrap_or(&self.pieces[last]);
        let whole = [piece.range[0].max(floor), piece.range[1]];
        match (self.published_for(emf), &self.knots) {
            (Some(polynomial), _) => piece.solve(emf, horner(polynomial.d, emf), whole),
            (None, Some(knots)) => {
                let (start, [low, high]) = knots.start(emf);
                piece.solve(emf, start, [low.max(whole[0]), high.min(whole[1])])
            }
            (None, None) => piece.solve(emf, whole[0].midpoint(whole[1]), whole),
        }
    }

    /// The polynomial to start from: the first that reaches up to `emf`, or the last.
    fn published_for(&self, emf: f64) -> Option<&Published> {
        let first = self.published.first()?;
        if emf < first.emf[0] && self.knots.is_some() {
            return None;
        }
        self.published
            .iter()
            .find(|p| emf <= p.emf[1])
            .or(self.published.last())
    }

    /// What the published inverse polynomial alone says, °C; `None` outside its voltages.
    pub(crate) fn by_published(&self, emf: f64) -> Option<f64> {
        self.published
            .iter()
            .find(|p| (p.emf[0]..=p.emf[1]).contains(&emf))
            .map(|p| horner(p.d, emf))
    }
}

/// Value of the polynomial with coefficients `c`, constant first, at `x`.
pub(crate) const fn horner(c: &[f64], x: f64) -> f64 {
    let mut value = 0.0;
    let mut i = c.len();
    while i > 0 {
        i -= 1;
        value = value * x + c[i];
    }
    value
}

#[cfg(test)]
mod tests {
    use crate::Kind;
    use crate::coefficients::{B_FOLD_END, curve};

    /// Published starts are so good that one step ends the search; this is about all that stands behind it.
    #[test]
    fn the_search_finds_every_temperature_from_any_start() {
        for kind in Kind::ALL {
            for piece in curve(kind).pieces {
                let floor = if kind == Kind::B {
                    B_FOLD_END
                } else {
                    f64::NEG_INFINITY
                };
                let bracket = [piece.range[0].max(floor), piece.range[1]];
                let [low, high] = bracket;
                for i in 0..=200 {
                    let t = (low + (high - low) * f64::from(i) / 200.0).min(high);
                    let emf = piece.emf(t);
                    let nearby = [-0.11, -0.3, 1.0, 10.0].map(|distance| t + distance);
                    for start in [low, high, low.midpoint(high), -1e300, f64::INFINITY]
                        .into_iter()
                        .chain(nearby)
                    {
                        let found = piece.solve(emf, start, bracket);
                        assert!(
                            (found - t).abs() < 3e-7,
                            "type {kind} at {t} °C from {start}: {found}"
                        );
                        assert!((low..=high).contains(&found), "type {kind} from {start}: {found}");
                    }
                }
                // Just beyond an end: the end, and nothing beyond it.
                for (end, beyond) in [(low, -1e-12), (high, 1e-12)] {
                    for start in [low, high, low.midpoint(high)] {
                        let found = piece.solve(piece.emf(end) + beyond, start, bracket);
                        assert!((found - end).abs() < 1e-6, "type {kind} beyond {end} °C: {found}");
                        assert!(
                            (low..=high).contains(&found),
                            "type {kind} beyond {end} °C: {found}"
                        );
                    }
                }
            }
        }
    }
}
