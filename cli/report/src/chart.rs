//! Charts: from data to a [`Drawing`].
//!
//! A chart is one or more [`Panel`]s below each other, each a frame with two scales. Curves are drawn with no more points than can be
//! seen ([`thinned`]).

use crate::drawing::{Anchor, Dash, Drawing, Mark, Point, Shape, Stroke};
use crate::fonts;
use crate::ink::Ink;

/// Size of the letters of scales and labels.
pub const LETTERS: f64 = 11.0;

/// A scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What it shows, with its unit.
    pub label: String,
    /// Its lower end.
    pub low: f64,
    /// Its upper end, above the lower one.
    pub high: f64,
    /// Places that are named.
    pub ticks: Vec<(f64, String)>,
}

/// A frame with two scales, in a drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Its left side.
    pub left: f64,
    /// Its upper side.
    pub top: f64,
    /// Its width.
    pub width: f64,
    /// Its height.
    pub height: f64,
    /// The scale from left to right.
    pub x: Axis,
    /// The scale from below to above.
    pub y: Axis,
}

/// How a curve looks, and what it is called.
#[derive(Debug, Clone, PartialEq)]
pub struct Style {
    /// Its name.
    pub name: String,
    /// Its line, if it has one.
    pub stroke: Option<Stroke>,
    /// Its mark, if it has one.
    pub mark: Option<(Mark, Ink)>,
}

impl Style {
    /// That of the curve `at`, counted from 0: colour, dash and mark of its own.
    pub fn of(at: usize, name: impl Into<String>) -> Self {
        let ink = Ink::Series(at);
        Self {
            name: name.into(),
            stroke: Some(Stroke {
                ink,
                width: 1.6,
                dash: Dash::of(at),
            }),
            mark: Some((Mark::of(at), ink)),
        }
    }

    /// A line without marks.
    pub fn line(ink: Ink, dash: Dash, width: f64, name: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            stroke: Some(Stroke { ink, width, dash }),
            mark: None,
        }
    }

    /// Marks without a line.
    pub fn marks(mark: Mark, ink: Ink, name: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            stroke: None,
            mark: Some((mark, ink)),
        }
    }
}

/// The smallest of 1, 2, 5, 10, ... times a power of ten that cuts `span` into at most `most` pieces.
fn step(span: f64, most: f64) -> f64 {
    let least = (span / most).max(1.0e-9);
    let power = 10.0_f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * power)
        .find(|step| *step >= least * (1.0 - 1.0e-9))
        .unwrap_or(10.0 * power)
}

/// Multiples of `step` from `low` to `high`.
fn multiples(low: f64, high: f64, step: f64) -> Vec<f64> {
    let first = (low / step - 1.0e-9).ceil();
    let last = (high / step + 1.0e-9).floor();
    let mut ticks = Vec::new();
    let mut at = first;
    while at <= last && ticks.len() < 200 {
        // Never "-0".
        ticks.push(if at == 0.0 { 0.0 } else { at * step });
        at += 1.0;
    }
    ticks
}

impl Axis {
    /// A scale of figures around `low` to `high`, widened to whole steps.
    pub fn figures(label: impl Into<String>, low: f64, high: f64, ticks_max: u32) -> Self {
        let (low, high) = apart(low, high);
        let step = step(high - low, f64::from(ticks_max));
        let (low, high) = (
            (low / step + 1.0e-9).floor() * step,
            (high / step - 1.0e-9).ceil() * step,
        );
        let decimals = decimals(step);
        Self {
            label: label.into(),
            low,
            high,
            ticks: multiples(low, high, step)
                .into_iter()
                .map(|value| (value, format!("{value:.decimals$}")))
                .collect(),
        }
    }

    /// A scale of seconds, named as minutes and seconds or as hours; exactly from `low` to `high`.
    pub fn time(label: impl Into<String>, low: f64, high: f64, ticks_max: u32) -> Self {
        const STEPS: [f64; 15] = [
            1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1_800.0, 3_600.0, 7_200.0,
            14_400.0,
        ];
        let (low, high) = apart(low, high);
        let most = f64::from(ticks_max);
        let step = STEPS
            .into_iter()
            .find(|step| (high - low) / step <= most)
            .unwrap_or_else(|| step((high - low) / 3_600.0, most) * 3_600.0);
        Self {
            label: label.into(),
            low,
            high,
            ticks: multiples(low, high, step)
                .into_iter()
                .map(|seconds| (seconds, clock(seconds)))
                .collect(),
        }
    }

    /// A scale of places that each have a name, at 0, 1, 2, ...; as many are named as find room.
    pub fn places(label: impl Into<String>, names: &[String], ticks_max: usize) -> Self {
        let every = names.len().div_ceil(ticks_max.max(1)).max(1);
        #[expect(clippy::cast_precision_loss, reason = "thousands at most")]
        let place = |at: usize| at as f64;
        Self {
            label: label.into(),
            low: -0.5,
            high: place(names.len().max(1)) - 0.5,
            ticks: names
                .iter()
                .enumerate()
                .filter(|(at, _)| at % every == 0)
                .map(|(at, name)| (place(at), name.clone()))
                .collect(),
        }
    }

    fn share(&self, value: f64) -> f64 {
        (value - self.low) / (self.high - self.low)
    }
}

/// Two ends that differ.
fn apart(low: f64, high: f64) -> (f64, f64) {
    if !(low.is_finite() && high.is_finite()) {
        return (0.0, 1.0);
    }
    let least = f64::max(low.abs() * 1.0e-6, 1.0e-3);
    if high - low > least {
        (low, high)
    } else {
        (low - least, high + least)
    }
}

fn decimals(step: f64) -> usize {
    [1.0, 0.1, 0.01, 0.001]
        .iter()
        .position(|least| step >= least * 0.999)
        .unwrap_or(4)
}

/// `1:30`, `-0:10`, `1:00:00` of seconds.
pub fn clock(seconds: f64) -> String {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped; a cast of NaN is 0"
    )]
    let whole = seconds.abs().round().clamp(0.0, 1.0e9) as u64;
    let sign = if seconds < 0.0 && whole > 0 { "-" } else { "" };
    let (hours, minutes, seconds) = (whole / 3_600, whole / 60 % 60, whole % 60);
    if hours > 0 {
        format!("{sign}{hours}:{minutes:02}:{seconds:02}")
    } else {
        format!("{sign}{minutes}:{seconds:02}")
    }
}

impl Panel {
    /// The place of a pair of values in the drawing.
    pub fn at(&self, x: f64, y: f64) -> Point {
        (
            self.left + self.x.share(x) * self.width,
            self.top + (1.0 - self.y.share(y)) * self.height,
        )
    }

    /// Right side.
    pub fn right(&self) -> f64 {
        self.left + self.width
    }

    /// Lower side.
    pub fn bottom(&self) -> f64 {
        self.top + self.height
    }

    /// Scales, names and the frame. `below`: whether the places of the scale from left to right are named.
    pub fn scales(&self, drawing: &mut Drawing, below: bool) {
        let grid = Stroke {
            ink: Ink::Grid,
            width: 0.7,
            dash: Dash::Solid,
        };
        for (value, name) in &self.y.ticks {
            let (_, y) = self.at(self.x.low, *value);
            drawing.line(&[(self.left, y), (self.right(), y)], grid);
            drawing.words(
                (self.left - 6.0, y + LETTERS * 0.35),
                Anchor::End,
                name,
                Ink::Faint,
                false,
            );
        }
        let mut free_from = f64::NEG_INFINITY;
        for (value, name) in &self.x.ticks {
            let (x, _) = self.at(*value, self.y.low);
            drawing.line(&[(x, self.top), (x, self.bottom())], grid);
            let half = fonts::width(name, LETTERS, false) / 2.0;
            // Names that would run into each other or out of the drawing are left out.
            if below && x - half >= free_from && x + half <= drawing.width && x - half >= 0.0 {
                drawing.words(
                    (x, self.bottom() + LETTERS + 4.0),
                    Anchor::Middle,
                    name,
                    Ink::Faint,
                    false,
                );
                free_from = x + half + 6.0;
            }
        }
        drawing.words(
            (0.0, self.top - 12.0),
            Anchor::Start,
            &self.y.label,
            Ink::Words,
            true,
        );
        if below {
            drawing.words(
                (self.right(), self.bottom() + 2.0 * LETTERS + 9.0),
                Anchor::End,
                &self.x.label,
                Ink::Words,
                true,
            );
        }
        let frame = [
            (self.left, self.top),
            (self.right(), self.top),
            (self.right(), self.bottom()),
            (self.left, self.bottom()),
            (self.left, self.top),
        ];
        drawing.line(
            &frame,
            Stroke {
                ink: Ink::Faint,
                width: 0.8,
                dash: Dash::Solid,
            },
        );
    }

    /// A rectangle between values, cut at the frame.
    pub fn area(
        &self,
        drawing: &mut Drawing,
        (x_low, x_high): (f64, f64),
        (y_low, y_high): (f64, f64),
        ink: Ink,
    ) {
        let clamp = |axis: &Axis, value: f64| value.clamp(axis.low, axis.high);
        let (left, bottom) = self.at(clamp(&self.x, x_low), clamp(&self.y, y_low));
        let (right, top) = self.at(clamp(&self.x, x_high), clamp(&self.y, y_high));
        if right > left && bottom > top {
            drawing.shapes.push(Shape::Area {
                points: vec![(left, top), (right, top), (right, bottom), (left, bottom)],
                ink,
            });
        }
    }

    /// A level from `x_low` to `x_high`, cut at the frame; nothing where it is outside.
    pub fn level(&self, drawing: &mut Drawing, y: f64, (x_low, x_high): (f64, f64), stroke: Stroke) {
        let (from, to) = (x_low.max(self.x.low), x_high.min(self.x.high));
        if to > from && (self.y.low..=self.y.high).contains(&y) {
            drawing.line(&[self.at(from, y), self.at(to, y)], stroke);
        }
    }

    /// A line from below to above; nothing where it is outside.
    pub fn upright(&self, drawing: &mut Drawing, x: f64, stroke: Stroke) {
        if (self.x.low..=self.x.high).contains(&x) {
            let (x, _) = self.at(x, self.y.low);
            drawing.line(&[(x, self.top), (x, self.bottom())], stroke);
        }
    }

    /// A curve in pieces: between them there is nothing. Points outside the frame are moved to its side.
    pub fn curve(&self, drawing: &mut Drawing, pieces: &[Vec<(f64, f64)>], style: &Style) {
        let mut marked_to = f64::NEG_INFINITY;
        for piece in pieces {
            let placed: Vec<Point> = piece
                .iter()
                .map(|&(x, y)| self.at(x.clamp(self.x.low, self.x.high), y.clamp(self.y.low, self.y.high)))
                .collect();
            let seen = thinned(&placed);
            if let Some(stroke) = style.stroke
                && seen.len() > 1
            {
                drawing.line(&seen, stroke);
            }
            let Some((mark, ink)) = style.mark else { continue };
            if style.stroke.is_none() || seen.len() == 1 {
                for &at in &seen {
                    drawing.shapes.push(Shape::Marker { at, mark, ink });
                }
                continue;
            }
            // A mark now and then is enough to tell which curve it is.
            for &at in &placed {
                if at.0 >= marked_to {
                    drawing.shapes.push(Shape::Marker { at, mark, ink });
                    marked_to = at.0 + MARK_EVERY;
                }
            }
        }
    }

    /// A word at a place inside, moved as far as it takes to stay within the frame.
    pub fn note(&self, drawing: &mut Drawing, (x, y): Point, text: &str, ink: Ink, strong: bool) {
        let text = fonts::fitted(text, LETTERS, strong, self.width - 8.0);
        let width = fonts::width(&text, LETTERS, strong);
        let left = x.min(self.right() - 4.0 - width).max(self.left + 4.0);
        let base = y.min(self.bottom() - 4.0).max(self.top + LETTERS);
        if strong {
            // It may stand across lines.
            drawing.shapes.push(Shape::Area {
                points: vec![
                    (left - 2.0, base - LETTERS),
                    (left + width + 2.0, base - LETTERS),
                    (left + width + 2.0, base + 3.0),
                    (left - 2.0, base + 3.0),
                ],
                ink: Ink::Ground,
            });
        }
        drawing.words((left, base), Anchor::Start, &text, ink, strong);
    }
}

/// Distance of the marks of a curve.
const MARK_EVERY: f64 = 90.0;

impl Drawing {
    /// An empty one.
    pub fn new(width: f64, height: f64) -> Self {
        Self {
            width,
            height,
            shapes: Vec::new(),
        }
    }

    fn line(&mut self, points: &[Point], stroke: Stroke) {
        self.shapes.push(Shape::Line {
            points: points.to_vec(),
            stroke,
        });
    }

    fn words(&mut self, at: Point, anchor: Anchor, text: &str, ink: Ink, strong: bool) {
        self.shapes.push(Shape::Words {
            at,
            anchor,
            text: crate::visible(text),
            size: LETTERS,
            ink,
            strong,
        });
    }

    /// What the curves are called, from `left` on in as many rows as it takes. Returns the height that it took.
    pub fn legend(&mut self, (left, top): Point, width: f64, styles: &[Style]) -> f64 {
        const SAMPLE: f64 = 30.0;
        const ROW: f64 = 17.0;
        let (mut x, mut y) = (left, top + LETTERS);
        for style in styles {
            let name = fonts::fitted(&crate::visible(&style.name), LETTERS, false, width - SAMPLE - 6.0);
            let needed = SAMPLE + 6.0 + fonts::width(&name, LETTERS, false);
            if x > left && x + needed > left + width {
                (x, y) = (left, y + ROW);
            }
            let middle = y - LETTERS * 0.35;
            if let Some(stroke) = style.stroke {
                self.line(&[(x, middle), (x + SAMPLE, middle)], stroke);
            }
            if let Some((mark, ink)) = style.mark {
                self.shapes.push(Shape::Marker {
                    at: (x + SAMPLE / 2.0, middle),
                    mark,
                    ink,
                });
            }
            self.words((x + SAMPLE + 6.0, y), Anchor::Start, &name, Ink::Words, false);
            x += needed + 16.0;
        }
        y + 5.0 - top
    }
}

/// How far a drawn curve may be from one with all points, in points of the drawing: nobody sees that.
pub const OFF_MAX: f64 = 0.2;

/// Fewer points for the same curve: no point that is left out is further than [`OFF_MAX`] from the line that is drawn.
///
/// Ramer, Douglas and Peucker's way, without recursion. Before it, runs of points in the same column of a tenth of a point are reduced to their
/// first, lowest, highest and last, so that a million readings take no longer than a few thousand.
pub fn thinned(points: &[Point]) -> Vec<Point> {
    let points = in_columns(points);
    if points.len() < 3 {
        return points;
    }
    let mut kept = vec![false; points.len()];
    kept[0] = true;
    kept[points.len() - 1] = true;
    let mut open = vec![(0, points.len() - 1)];
    while let Some((from, to)) = open.pop() {
        let mut worst = (0.0, 0);
        for at in from + 1..to {
            let off = distance(points[at], points[from], points[to]);
            if off > worst.0 {
                worst = (off, at);
            }
        }
        if worst.0 > OFF_MAX - COLUMN {
            kept[worst.1] = true;
            open.push((from, worst.1));
            open.push((worst.1, to));
        }
    }
    points
        .into_iter()
        .zip(kept)
        .filter_map(|(point, kept)| kept.then_some(point))
        .collect()
}

/// Width of a column in which only the extremes count.
const COLUMN: f64 = 0.1;

fn in_columns(points: &[Point]) -> Vec<Point> {
    let mut reduced: Vec<Point> = Vec::new();
    let mut from = 0;
    while from < points.len() {
        let column = (points[from].0 / COLUMN).floor();
        let to = points[from..]
            .iter()
            .position(|point| (point.0 / COLUMN).floor() > column)
            .map_or(points.len(), |length| from + length);
        let run = &points[from..to];
        if run.len() <= 4 {
            reduced.extend_from_slice(run);
        } else {
            let place = |better: fn(f64, f64) -> bool| {
                (0..run.len()).fold(
                    0,
                    |best, at| if better(run[at].1, run[best].1) { at } else { best },
                )
            };
            let mut places = [0, place(|a, b| a < b), place(|a, b| a > b), run.len() - 1];
            places.sort_unstable();
            for (at, &place) in places.iter().enumerate() {
                if at == 0 || places[at - 1] != place {
                    reduced.push(run[place]);
                }
            }
        }
        from = to;
    }
    reduced
}

/// Distance of a point from the line between two others.
fn distance((x, y): Point, (x0, y0): Point, (x1, y1): Point) -> f64 {
    let (dx, dy) = (x1 - x0, y1 - y0);
    let length = dx.hypot(dy);
    if length == 0.0 {
        return (x - x0).hypot(y - y0);
    }
    let along = (((x - x0) * dx + (y - y0) * dy) / (length * length)).clamp(0.0, 1.0);
    (x - x0 - along * dx).hypot(y - y0 - along * dy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn scales_have_round_places() {
        let names = |axis: &Axis| {
            axis.ticks
                .iter()
                .map(|(_, name)| name.clone())
                .collect::<Vec<_>>()
        };
        let axis = Axis::figures("Temperature, °C", 23.1, 131.0, 7);
        assert_eq!(names(&axis), ["20", "40", "60", "80", "100", "120", "140"]);
        assert_eq!((axis.low, axis.high), (20.0, 140.0));
        assert_eq!(
            names(&Axis::figures("", 0.0, 0.9, 5)),
            ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
        );
        assert!(names(&Axis::figures("", 5.0, 5.0, 4)).len() > 1);
        assert_eq!(names(&Axis::figures("", f64::NAN, 5.0, 4))[0], "0.0");
        assert_eq!(
            names(&Axis::time("", -12.0, 130.0, 6)),
            ["0:00", "0:30", "1:00", "1:30", "2:00"]
        );
        assert_eq!(
            names(&Axis::time("", 0.0, 7_300.0, 5)),
            ["0:00", "0:30:00", "1:00:00", "1:30:00", "2:00:00"].map(|name| name.replace("0:30:00", "30:00"))
        );
        assert_eq!(clock(-75.4), "-1:15");
        let runs: Vec<String> = (7..12).map(|run| run.to_string()).collect();
        assert_eq!(names(&Axis::places("run", &runs, 3)), ["7", "9", "11"]);
    }

    #[test]
    fn values_find_their_place() {
        let panel = Panel {
            left: 50.0,
            top: 10.0,
            width: 100.0,
            height: 200.0,
            x: Axis::time("", 0.0, 10.0, 5),
            y: Axis::figures("", 0.0, 100.0, 5),
        };
        assert_eq!(panel.at(0.0, 0.0), (50.0, 210.0));
        assert_eq!(panel.at(10.0, 100.0), (150.0, 10.0));
        let mut drawing = Drawing::new(200.0, 250.0);
        panel.curve(
            &mut drawing,
            &[vec![(0.0, 20.0), (99.0, 400.0)]],
            &Style::of(1, "x"),
        );
        let Shape::Line { points, .. } = &drawing.shapes[0] else {
            panic!("{drawing:?}")
        };
        assert_eq!(points, &[(50.0, 170.0), (150.0, 10.0)]);
        panel.level(&mut drawing, 101.0, (0.0, 5.0), Style::of(0, "").stroke.unwrap());
        assert_eq!(drawing.shapes.len(), 3, "outside there is no level");
    }

    #[test]
    fn a_legend_stays_within_its_width() {
        let mut drawing = Drawing::new(200.0, 100.0);
        let styles: Vec<Style> = (0..4)
            .map(|at| Style::of(at, format!("a long name of channel {at}")))
            .collect();
        let height = drawing.legend((10.0, 0.0), 180.0, &styles);
        assert!((height - (LETTERS + 3.0 * 17.0 + 5.0)).abs() < 1e-9, "{height}");
        for shape in &drawing.shapes {
            if let Shape::Words { at, text, size, .. } = shape {
                assert!(at.0 + fonts::width(text, *size, false) <= 190.0 + 1e-9, "{text}");
            }
        }
    }

    proptest! {
        /// What is left out can't be seen, whatever the curve does.
        #[test]
        fn no_point_is_off_the_drawn_line(
            steps in prop::collection::vec((0.0..0.4_f64, -30.0..30.0_f64), 1..400)
        ) {
            let mut x = 0.0;
            let points: Vec<Point> = steps.iter().map(|&(dx, y)| { x += dx; (x, y) }).collect();
            let seen = thinned(&points);
            prop_assert_eq!(seen.first(), points.first());
            prop_assert_eq!(seen.last(), points.last());
            for &point in &points {
                let off = seen
                    .windows(2)
                    .map(|pair| distance(point, pair[0], pair[1]))
                    .fold(if seen.len() == 1 { 0.0 } else { f64::INFINITY }, f64::min);
                prop_assert!(off <= OFF_MAX, "{point:?} is {off} off");
            }
        }
    }

    #[test]
    fn a_straight_line_needs_two_points_and_a_spike_is_kept() {
        let mut points: Vec<Point> = (0..10_000).map(|at| (f64::from(at) * 0.05, 20.0)).collect();
        assert_eq!(thinned(&points).len(), 2);
        points[5_000].1 = 90.0;
        assert!(thinned(&points).iter().any(|point| point.1 > 89.0));
    }
}
