//! Runs laid over each other.

/// A temperature over time, joined by straight lines.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Curve {
    /// Seconds and °C, in the order of time.
    points: Vec<(f64, f64)>,
    /// Points further apart than this are not joined, s.
    gap_max: f64,
}

/// By how much one curve is above another, at every whole second that both have.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// How many seconds both have.
    pub seconds: usize,
    /// Mean, °C.
    pub mean: f64,
    /// Root mean square, °C.
    pub rms: f64,
    /// The largest in size, °C.
    pub worst: f64,
    /// When that was, s.
    pub worst_at: f64,
}

impl Curve {
    /// Without points. `gap_max`: points further apart than this many seconds are not joined.
    pub const fn new(gap_max: f64) -> Self {
        Self {
            points: Vec::new(),
            gap_max,
        }
    }

    /// Adds a point. One that isn't later than the one before, or isn't finite, is left out.
    pub fn push(&mut self, at: f64, celsius: f64) {
        let later = self.points.last().is_none_or(|last| at > last.0);
        if later && at.is_finite() && celsius.is_finite() {
            self.points.push((at, celsius));
        }
    }

    /// Moves it so that what was at `zero` is at 0.
    #[must_use]
    pub fn counted_from(mut self, zero: f64) -> Self {
        for point in &mut self.points {
            point.0 -= zero;
        }
        self
    }

    /// First and last time, s.
    pub fn span(&self) -> Option<(f64, f64)> {
        Some((self.points.first()?.0, self.points.last()?.0))
    }

    /// The temperature at a time; `None` outside, and in gaps.
    pub fn at(&self, at: f64) -> Option<f64> {
        let after = self.points.partition_point(|point| point.0 < at);
        let &(next, high) = self.points.get(after)?;
        if next <= at {
            return Some(high);
        }
        let &(before, low) = self.points.get(after.checked_sub(1)?)?;
        (next - before <= self.gap_max).then(|| low + (high - low) * (at - before) / (next - before))
    }

    /// When it first came to `level` from below, or began at or above it.
    pub fn reaches(&self, level: f64) -> Option<f64> {
        let at = self.points.iter().position(|point| point.1 >= level)?;
        let (after, high) = self.points[at];
        let Some(&(before, low)) = at.checked_sub(1).and_then(|before| self.points.get(before)) else {
            return Some(after);
        };
        Some(before + (after - before) * (level - low) / (high - low))
    }

    /// The highest point: when, and how hot.
    pub fn peak(&self) -> Option<(f64, f64)> {
        self.points
            .iter()
            .copied()
            .reduce(|highest, point| if point.1 > highest.1 { point } else { highest })
    }

    /// The lowest and the highest point after `from` and before `to`, in the order of time.
    pub fn extremes(&self, from: f64, to: f64) -> Option<[(f64, f64); 2]> {
        let begins = self.points.partition_point(|point| point.0 <= from);
        let ends = self.points.partition_point(|point| point.0 < to);
        let within = self.points.get(begins..ends)?.iter().copied();
        let lowest = within
            .clone()
            .reduce(|lowest, point| if point.1 < lowest.1 { point } else { lowest })?;
        let highest = within.reduce(|highest, point| if point.1 > highest.1 { point } else { highest })?;
        Some(if lowest.0 <= highest.0 {
            [lowest, highest]
        } else {
            [highest, lowest]
        })
    }

    /// How far this is above `other` at each whole second that both have.
    #[must_use]
    pub fn minus(&self, other: &Self) -> Self {
        let mut apart = Self::new(1.0);
        if let (Some((a, b)), Some((c, d))) = (self.span(), other.span()) {
            let mut at = a.max(c).ceil();
            while at <= b.min(d) {
                if let (Some(this), Some(that)) = (self.at(at), other.at(at)) {
                    apart.push(at, this - that);
                }
                at += 1.0;
            }
        }
        apart
    }
}

impl Difference {
    /// Of what [`Curve::minus`] gave. `None` if there is no whole second that both have.
    pub fn of(apart: &Curve) -> Option<Self> {
        let first = apart.points.first()?;
        let (mut sum, mut squares, mut worst) = (0.0, 0.0, first);
        for point in &apart.points {
            sum += point.1;
            squares += point.1 * point.1;
            if point.1.abs() > worst.1.abs() {
                worst = point;
            }
        }
        #[expect(clippy::cast_precision_loss, reason = "seconds of a run")]
        let seconds = apart.points.len() as f64;
        Some(Self {
            seconds: apart.points.len(),
            mean: sum / seconds,
            rms: (squares / seconds).sqrt(),
            worst: worst.1,
            worst_at: worst.0,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(points: &[(f64, f64)]) -> Curve {
        let mut curve = Curve::new(20.0);
        for &(at, celsius) in points {
            curve.push(at, celsius);
        }
        curve
    }

    fn near(got: Option<f64>, expected: Option<f64>) {
        match (got, expected) {
            (Some(got), Some(expected)) => assert!((got - expected).abs() < 1e-12, "{got} {expected}"),
            (got, expected) => assert_eq!(got, expected),
        }
    }

    #[test]
    fn between_points_there_are_straight_lines_and_in_gaps_nothing() {
        let curve = curve(&[
            (0.0, 20.0),
            (10.0, 40.0),
            (40.0, 60.0),
            (40.0, 99.0),
            (50.0, f64::NAN),
        ]);
        near(curve.at(0.0), Some(20.0));
        near(curve.at(2.5), Some(25.0));
        near(curve.at(10.0), Some(40.0));
        near(curve.at(25.0), None);
        near(curve.at(40.0), Some(60.0));
        near(curve.at(-1.0), None);
        near(curve.at(41.0), None);
        near(curve.reaches(30.0), Some(5.0));
        near(curve.reaches(10.0), Some(0.0));
        near(curve.reaches(61.0), None);
        assert_eq!(curve.peak(), Some((40.0, 60.0)));
        assert_eq!(curve.counted_from(10.0).span(), Some((-10.0, 30.0)));
    }

    /// 2 °C apart for the first half of 10 s, growing to 7 °C: sums of whole seconds by hand.
    #[test]
    fn differences_are_as_by_hand() {
        let low = curve(&[(0.0, 20.0), (20.0, 20.0)]);
        let high = curve(&[(0.5, 22.0), (5.0, 22.0), (10.0, 27.0), (12.0, 27.0)]);
        let apart = high.minus(&low);
        let found = Difference::of(&apart).unwrap();
        // Seconds 1 to 5 at 2, then 3 4 5 6 7, then 7 7.
        let by_hand = [2.0, 2.0, 2.0, 2.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 7.0, 7.0];
        assert_eq!(found.seconds, by_hand.len());
        near(Some(found.mean), Some(by_hand.iter().sum::<f64>() / 12.0));
        near(
            Some(found.rms),
            Some((by_hand.iter().map(|one| one * one).sum::<f64>() / 12.0).sqrt()),
        );
        near(Some(found.worst), Some(7.0));
        near(Some(found.worst_at), Some(10.0));
        near(
            Difference::of(&low.minus(&high)).map(|found| found.worst),
            Some(-7.0),
        );
        let later = curve(&[(30.0, 20.0), (40.0, 20.0)]);
        assert_eq!(Difference::of(&high.minus(&later)), None);
        near(apart.at(5.5), Some(2.5));
        near(apart.at(0.5), None);
    }

    #[test]
    fn extremes_are_those_between_two_times_in_the_order_of_time() {
        let curve = curve(&[(0.0, 99.0), (1.0, 30.0), (2.0, 10.0), (3.0, 20.0), (4.0, -9.0)]);
        assert_eq!(curve.extremes(0.0, 4.0), Some([(1.0, 30.0), (2.0, 10.0)]));
        assert_eq!(curve.extremes(1.0, 4.0), Some([(2.0, 10.0), (3.0, 20.0)]));
        assert_eq!(curve.extremes(0.5, 1.5), Some([(1.0, 30.0), (1.0, 30.0)]));
        assert_eq!(curve.extremes(0.0, 1.0), None);
        assert_eq!(curve.extremes(9.0, 0.0), None);
    }
}
