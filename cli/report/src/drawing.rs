//! A picture as data: what [`crate::html`] writes as SVG and [`crate::pdf`] as vectors of a page.
//!
//! Coordinates are points (1/72 inch on paper, CSS pixels on a screen), x to the right, y down, from the upper left corner.

use crate::ink::Ink;

/// A place in a drawing.
pub type Point = (f64, f64);

/// A picture.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drawing {
    /// Its width.
    pub width: f64,
    /// Its height.
    pub height: f64,
    /// What is drawn, the hindmost first.
    pub shapes: Vec<Shape>,
}

/// A part of a picture.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A filled polygon.
    Area {
        /// Its corners.
        points: Vec<Point>,
        /// Its colour.
        ink: Ink,
    },
    /// Straight lines from point to point.
    Line {
        /// At least two.
        points: Vec<Point>,
        /// How it looks.
        stroke: Stroke,
    },
    /// A small sign.
    Marker {
        /// Its middle.
        at: Point,
        /// Which.
        mark: Mark,
        /// Its colour.
        ink: Ink,
    },
    /// A line of words.
    Words {
        /// Where its base line begins, has its middle or ends.
        at: Point,
        /// Which of these.
        anchor: Anchor,
        /// The words.
        text: String,
        /// Size of the letters.
        size: f64,
        /// Their colour.
        ink: Ink,
        /// Whether bold.
        strong: bool,
    },
}

/// How a line looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// Its colour.
    pub ink: Ink,
    /// Its width.
    pub width: f64,
    /// Its dashes.
    pub dash: Dash,
}

/// Dashes, by which lines are told apart without colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dash {
    /// None.
    Solid,
    /// Long ones.
    Long,
    /// Short ones.
    Short,
    /// Dots.
    Dots,
    /// A dash and a dot.
    DashDot,
    /// A dash and two dots.
    DashDotDot,
}

/// Signs, by which lines and points are told apart without colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// A disc.
    Disc,
    /// A square.
    Square,
    /// A triangle that points up.
    Triangle,
    /// A square on its corner.
    Diamond,
    /// A triangle that points down.
    Wedge,
    /// A circle.
    Ring,
    /// Two lines that cross.
    Cross,
}

/// Which part of a line of words its place is that of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Its beginning.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

impl Dash {
    /// Lengths of lines and gaps in turn, in points; nothing: no gaps.
    pub const fn lengths(self) -> &'static [f64] {
        match self {
            Self::Solid => &[],
            Self::Long => &[7.0, 3.0],
            Self::Short => &[3.5, 2.5],
            Self::Dots => &[1.2, 2.2],
            Self::DashDot => &[7.0, 2.2, 1.4, 2.2],
            Self::DashDotDot => &[7.0, 2.2, 1.4, 2.2, 1.4, 2.2],
        }
    }

    /// That of the curve `at`.
    pub const fn of(at: usize) -> Self {
        [
            Self::Solid,
            Self::Long,
            Self::Dots,
            Self::DashDot,
            Self::Short,
            Self::DashDotDot,
        ][at % 6]
    }
}

impl Mark {
    /// That of the curve `at`.
    pub const fn of(at: usize) -> Self {
        [
            Self::Disc,
            Self::Square,
            Self::Triangle,
            Self::Diamond,
            Self::Wedge,
            Self::Ring,
        ][at % 6]
    }

    /// Its outline around (0, 0): corners of a closed polygon, or, of a cross, two lines.
    pub(crate) fn outline(self) -> Vec<Vec<Point>> {
        let radius = 3.0;
        let ring = |corners: u32, from: f64, radius: f64| -> Vec<Point> {
            (0..corners)
                .map(|corner| {
                    let angle = from + std::f64::consts::TAU * f64::from(corner) / f64::from(corners);
                    (radius * angle.cos(), radius * angle.sin())
                })
                .collect()
        };
        let quarter = std::f64::consts::FRAC_PI_2;
        match self {
            Self::Disc | Self::Ring => vec![ring(16, 0.0, radius)],
            Self::Square => vec![ring(4, quarter / 2.0, radius * 1.25)],
            Self::Triangle => vec![ring(3, -quarter, radius * 1.3)],
            Self::Wedge => vec![ring(3, quarter, radius * 1.3)],
            Self::Diamond => vec![ring(4, 0.0, radius * 1.3)],
            Self::Cross => vec![
                vec![(-radius, -radius), (radius, radius)],
                vec![(-radius, radius), (radius, -radius)],
            ],
        }
    }

    /// Whether it is filled; else it is drawn as lines.
    pub(crate) const fn filled(self) -> bool {
        !matches!(self, Self::Ring | Self::Cross)
    }
}
