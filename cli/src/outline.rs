//! A curve of bounded length that has every extreme: what charts of long spans are drawn from.
//!
//! A chart has some hundred columns and a shift of readings some hundred thousand points. Points that share a column are kept as the
//! first, the lowest, the highest and the last of them, at their own times, so that what is drawn reaches exactly as far up and down as
//! what was read. Means would hide what somebody looks for in a chart: the one reading that was too hot.
//!
//! Nobody has to know beforehand how long a span will be: whenever there are too many columns, they get twice as wide.

/// Seconds, and a value.
pub(crate) type Point = (f64, f64);

/// A curve in the making.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Outline {
    columns_max: usize,
    /// Width of a column; 0 while every point has its own.
    step_s: f64,
    columns: Vec<Column>,
}

/// What a column of a chart has to show.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Column {
    first: Point,
    lowest: Point,
    highest: Point,
    last: Point,
}

impl Column {
    const fn of(point: Point) -> Self {
        Self {
            first: point,
            lowest: point,
            highest: point,
            last: point,
        }
    }

    /// With what a later one has.
    fn and(self, later: Self) -> Self {
        Self {
            first: self.first,
            lowest: if later.lowest.1 < self.lowest.1 {
                later.lowest
            } else {
                self.lowest
            },
            highest: if later.highest.1 > self.highest.1 {
                later.highest
            } else {
                self.highest
            },
            last: later.last,
        }
    }

    /// One to four points, in the order of time.
    fn points(self) -> impl Iterator<Item = Point> {
        let (one, other) = if self.lowest.0 <= self.highest.0 {
            (self.lowest, self.highest)
        } else {
            (self.highest, self.lowest)
        };
        let mut before = None;
        [self.first, one, other, self.last]
            .into_iter()
            .filter(move |point| before.replace(*point) != Some(*point))
    }
}

impl Outline {
    /// Without points. There will be at most four for each of `columns_max` columns.
    pub(crate) fn new(columns_max: usize) -> Self {
        Self {
            columns_max: columns_max.max(2),
            step_s: 0.0,
            columns: Vec::new(),
        }
    }

    /// Of points in the order of time.
    pub(crate) fn of(columns_max: usize, points: impl IntoIterator<Item = Point>) -> Self {
        let mut outline = Self::new(columns_max);
        for point in points {
            outline.push(point);
        }
        outline
    }

    /// Adds a point that is no earlier than the one before.
    pub(crate) fn push(&mut self, point: Point) {
        self.take(Column::of(point));
        while self.columns.len() > self.columns_max {
            self.step_s = if self.step_s > 0.0 {
                2.0 * self.step_s
            } else {
                let span = point.0 - self.columns[0].first.0;
                #[expect(clippy::cast_precision_loss, reason = "some hundred columns")]
                let half_full = 2.0 * span / self.columns_max as f64;
                // Points of one moment share a column, too.
                half_full.max(1.0e-3)
            };
            for column in std::mem::take(&mut self.columns) {
                self.take(column);
            }
        }
    }

    fn take(&mut self, column: Column) {
        let number = |point: Point| (point.0 / self.step_s).floor();
        match self.columns.last_mut() {
            Some(last) if self.step_s > 0.0 && number(last.first) >= number(column.first) => {
                *last = last.and(column);
            }
            _ => self.columns.push(column),
        }
    }

    /// Forgets the columns that ended before `from`.
    pub(crate) fn forget_before(&mut self, from: f64) {
        self.columns.retain(|column| column.last.0 >= from);
    }

    /// Width of a column, s; 0 where every point is kept.
    pub(crate) const fn step_s(&self) -> f64 {
        self.step_s
    }

    /// The points that are kept, in the order of time.
    pub(crate) fn points(&self) -> impl Iterator<Item = Point> {
        self.columns.iter().flat_map(|column| column.points())
    }

    /// The points in pieces, each of which ends where nothing comes for longer than `gap_s` and than a column is wide: a shorter gap
    /// can't be seen.
    pub(crate) fn pieces(&self, gap_s: f64) -> Vec<Vec<Point>> {
        let gap_s = gap_s.max(self.step_s);
        let mut pieces: Vec<Vec<Point>> = Vec::new();
        for point in self.points() {
            match pieces.last_mut() {
                Some(piece) if piece.last().is_some_and(|last| point.0 - last.0 <= gap_s) => {
                    piece.push(point);
                }
                _ => pieces.push(vec![point]),
            }
        }
        pieces
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// However many points there are and however they lie: few are kept, all of them real, in order, the first, the last and both extremes
        /// among them; and no part of the curve reaches further or less far than what was read there.
        #[test]
        fn nothing_that_stands_out_is_lost(
            steps in prop::collection::vec((0_u8..30, -50_i16..50), 1..600),
            columns_max in 2_usize..40,
        ) {
            let mut at = 0.0;
            let points: Vec<Point> = steps.iter().map(|&(later, value)| { at += f64::from(later) / 10.0; (at, f64::from(value)) }).collect();
            let outline = Outline::of(columns_max, points.iter().copied());
            let kept: Vec<Point> = outline.points().collect();
            prop_assert!(kept.len() <= 4 * columns_max, "{}", kept.len());
            prop_assert!(kept.windows(2).all(|pair| pair[0].0 <= pair[1].0), "{kept:?}");
            prop_assert!(kept.iter().all(|point| points.contains(point)));
            prop_assert_eq!((kept.first(), kept.last()), (points.first(), points.last()));
            if points.len() <= columns_max {
                prop_assert_eq!(&kept, &points);
            }
            for point in &points {
                prop_assert!(
                    outline.columns.iter().any(|column| (column.first.0..=column.last.0).contains(&point.0)
                        && (column.lowest.1..=column.highest.1).contains(&point.1)),
                    "{point:?} is outside what is drawn"
                );
            }
            prop_assert!(outline.columns.iter().all(|column| column.last.0 - column.first.0 <= outline.step_s()));
            prop_assert_eq!(outline.pieces(0.0).iter().flatten().count(), kept.len());
        }
    }

    #[test]
    fn pieces_end_where_nothing_was_read_for_longer_than_a_column() {
        // 1,000 s at 10 Hz, silent from 300 to 310 and from 600 to 700.
        let read = (0..10_000)
            .map(|n| (f64::from(n) / 10.0, 20.0))
            .filter(|point| !(300.0..310.0).contains(&point.0) && !(600.0..700.0).contains(&point.0));
        let whole = Outline::of(100_000, read.clone());
        assert_eq!((whole.step_s(), whole.pieces(2.0).len()), (0.0, 3));
        let coarse = Outline::of(50, read);
        assert!((20.0..=40.0).contains(&coarse.step_s()), "{}", coarse.step_s());
        let pieces = coarse.pieces(2.0);
        assert_eq!(pieces.len(), 2, "10 s are less than a column");
        assert_eq!(
            (pieces[0].last(), pieces[1].first()),
            (Some(&(599.9, 20.0)), Some(&(700.0, 20.0)))
        );
    }

    #[test]
    fn points_of_one_moment_end_too() {
        assert_eq!(
            Outline::of(4, (0..100).map(|n| (5.0, f64::from(n))))
                .points()
                .count(),
            2
        );
    }

    #[test]
    fn what_is_old_is_forgotten() {
        let mut outline = Outline::of(10, (0..8).map(|n| (f64::from(n), 1.0)));
        outline.forget_before(5.0);
        assert_eq!(outline.points().next(), Some((5.0, 1.0)));
    }
}
