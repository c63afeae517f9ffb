//! The chart of the live view: measured curves, what is foretold, levels.
//!
//! Curves are dots of an eighth of a cell, each with its letter here and there and at its newest point, so that they can be told
//! apart without colour. In ASCII the letters are the curve.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::figures;
use crate::outline::Point;

/// Columns of the scale at the left.
const SCALE: u16 = 9;

/// Columns between two letters on a curve.
const LETTER_EVERY: usize = 16;

/// Dots of a braille letter, by column and row (Unicode, block "Braille Patterns").
const DOTS: [[u8; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

/// A measured curve.
#[derive(Debug)]
pub(super) struct Curve {
    pub(super) letter: char,
    pub(super) style: Style,
    pub(super) points: Vec<Point>,
}

/// A temperature that counts, from side to side.
#[derive(Debug)]
pub(super) struct Level {
    pub(super) celsius: f64,
    pub(super) text: String,
    pub(super) style: Style,
}

/// What is drawn.
#[derive(Debug)]
pub(super) struct Chart {
    pub(super) curves: Vec<Curve>,
    pub(super) foretold: Vec<Point>,
    pub(super) ceiling: Level,
    pub(super) target: Option<Level>,
    /// First and last second.
    pub(super) span_s: (f64, f64),
    /// What stands below them.
    pub(super) feet: (String, String),
    pub(super) ascii: bool,
    pub(super) faint: Style,
}

impl Chart {
    /// Lowest and highest temperature: all there is, and the ceiling where it is near.
    fn scale(&self) -> (f64, f64) {
        let (from, to) = self.span_s;
        let seen = self
            .curves
            .iter()
            .flat_map(|curve| &curve.points)
            .chain(&self.foretold)
            .filter(|point| (from..=to).contains(&point.0));
        let (mut low, mut high) = seen.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), point| {
            (low.min(point.1), high.max(point.1))
        });
        if !low.is_finite() {
            (low, high) = (20.0, 30.0);
        }
        if let Some(target) = &self.target {
            (low, high) = (low.min(target.celsius), high.max(target.celsius));
        }
        let ceiling = self.ceiling.celsius;
        if ceiling > high && ceiling - high < (high - low).max(40.0) {
            high = ceiling;
        }
        // Room that noise doesn't move.
        (
            ((low - 2.0) / 10.0).floor() * 10.0,
            ((high + 2.0) / 10.0).ceil() * 10.0,
        )
    }

    /// Draws it; below four rows or 24 columns nothing.
    pub(super) fn draw(&self, area: Rect, buffer: &mut Buffer) {
        if area.height < 4 || area.width < 24 {
            return;
        }
        let (low, high) = self.scale();
        let field = Rect::new(
            area.x + SCALE + 1,
            area.y,
            area.width - SCALE - 1,
            area.height - 2,
        );
        let (columns, rows) = (usize::from(field.width), usize::from(field.height));
        let edge = if self.ascii { "|" } else { "│" };
        for row in 0..field.height {
            if row % 3 == 0 || row + 1 == field.height {
                #[expect(clippy::cast_precision_loss, reason = "a few dozen rows")]
                let value = high - f64::from(row) / (rows - 1) as f64 * (high - low);
                let label = figures::reading(value, 0);
                buffer.set_stringn(
                    area.x,
                    area.y + row,
                    format!("{label:>width$}", width = usize::from(SCALE)),
                    SCALE.into(),
                    self.faint,
                );
            }
            buffer.set_string(area.x + SCALE, area.y + row, edge, self.faint);
        }
        let (corner, line) = if self.ascii { ("+", "-") } else { ("└", "─") };
        let bottom = area.y + field.height;
        buffer.set_string(area.x + SCALE, bottom, corner, self.faint);
        buffer.set_string(field.x, bottom, line.repeat(columns), self.faint);
        buffer.set_stringn(field.x, bottom + 1, &self.feet.0, columns, self.faint);
        let width = u16::try_from(self.feet.1.chars().count()).unwrap_or(field.width);
        buffer.set_stringn(
            (field.x + field.width).saturating_sub(width),
            bottom + 1,
            &self.feet.1,
            columns,
            self.faint,
        );
        let grid = Grid {
            field,
            low,
            high,
            from_s: self.span_s.0,
            to_s: self.span_s.1.max(self.span_s.0 + 1.0),
            across: if self.ascii { 1 } else { 2 },
            down: if self.ascii { 1 } else { 4 },
        };
        if let Some(target) = &self.target {
            draw_level(target, if self.ascii { "-" } else { "╌" }, &grid, buffer);
        }
        self.draw_ceiling(&grid, buffer);
        for dot in grid.along(&self.foretold).into_iter().flatten() {
            let (x, y) = grid.cell((dot.column, dot.row));
            // Every other column: it isn't measured.
            if (x - field.x).is_multiple_of(2) {
                buffer[(x, y)]
                    .set_symbol(if self.ascii { "." } else { "·" })
                    .set_style(self.faint);
            }
        }
        // In the order of letters; where curves meet the later one shows, and all letters come last.
        for curve in &self.curves {
            self.draw_curve(curve, &grid, buffer);
        }
        let mut taken = Vec::new();
        for (at, curve) in self.curves.iter().enumerate() {
            Self::draw_letters(at, curve, &grid, &mut taken, buffer);
        }
    }

    fn draw_ceiling(&self, grid: &Grid, buffer: &mut Buffer) {
        let field = grid.field;
        if self.ceiling.celsius > grid.high {
            let arrow = if self.ascii { "^" } else { "↑" };
            let text = format!("{arrow} {}", self.ceiling.text);
            let width = u16::try_from(text.chars().count()).unwrap_or(field.width);
            let x = field.x + field.width.saturating_sub(width);
            buffer.set_stringn(x, field.y, text, field.width.into(), self.faint);
        } else {
            draw_level(&self.ceiling, if self.ascii { "=" } else { "━" }, grid, buffer);
        }
    }

    fn draw_curve(&self, curve: &Curve, grid: &Grid, buffer: &mut Buffer) {
        let mut dots = std::collections::BTreeMap::<(u16, u16), u8>::new();
        let mut before: Option<(u16, u16)> = None;
        for dot in grid.along(&curve.points) {
            let Some(Dot {
                column, top, bottom, ..
            }) = dot
            else {
                before = None;
                continue;
            };
            // Down or up from the last column, so that a steep curve has no holes.
            let (from, to) = match before {
                Some((_, last)) if last < top => (last + 1, bottom),
                Some((last, _)) if last > bottom => (top, last - 1),
                _ => (top, bottom),
            };
            for row in from..=to {
                let bit = DOTS[usize::from(column % grid.across)][usize::from(row % grid.down)];
                *dots.entry(grid.cell((column, row))).or_default() |= bit;
            }
            before = Some((top, bottom));
        }
        for (cell, bits) in dots {
            let cell = &mut buffer[cell];
            let known = cell
                .symbol()
                .chars()
                .next()
                .map_or(0, |symbol| u32::from(symbol) ^ 0x2800);
            let symbol = if self.ascii {
                curve.letter.to_ascii_lowercase()
            } else {
                let both = u32::from(bits) | if known < 0x100 { known } else { 0 };
                char::from_u32(0x2800 | both).unwrap_or(' ')
            };
            cell.set_char(symbol).set_style(curve.style);
        }
    }

    /// Letters of a curve, apart from those of others: `taken` says where there are some.
    fn draw_letters(at: usize, curve: &Curve, grid: &Grid, taken: &mut Vec<(u16, u16)>, buffer: &mut Buffer) {
        let cells: Vec<(u16, u16)> = grid
            .along(&curve.points)
            .into_iter()
            .flatten()
            .map(|dot| grid.cell((dot.column, dot.row)))
            .collect();
        let newest = cells.last().copied();
        for cell in cells {
            let column = usize::from(cell.0 - grid.field.x);
            let turn = column % LETTER_EVERY == (4 + 3 * at) % LETTER_EVERY;
            if (turn || Some(cell) == newest) && !taken.contains(&cell) {
                taken.push(cell);
                buffer[cell].set_char(curve.letter).set_style(curve.style);
            }
        }
    }
}

/// A line from side to side with its text at the left.
fn draw_level(level: &Level, line: &str, grid: &Grid, buffer: &mut Buffer) {
    let field = grid.field;
    let room = usize::from(field.width);
    if let Some(row) = grid.row(level.celsius) {
        let y = field.y + row / grid.down;
        buffer.set_string(field.x, y, line.repeat(room), level.style);
        let text = format!(" {} ", level.text);
        buffer.set_stringn(field.x + 1, y, text, room.saturating_sub(1), level.style);
    }
}

/// What a curve has in a column of dots. Rows count from the top.
#[derive(Debug, Clone, Copy)]
struct Dot {
    column: u16,
    /// Where it is in the middle of the column.
    row: u16,
    /// How far it reaches up and down in the column, the middle included.
    top: u16,
    bottom: u16,
}

/// Dots on a field of cells.
struct Grid {
    field: Rect,
    low: f64,
    high: f64,
    from_s: f64,
    to_s: f64,
    /// Dots of a cell.
    across: u16,
    down: u16,
}

impl Grid {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share within 0 and 1 of some hundred dots"
    )]
    fn row(&self, celsius: f64) -> Option<u16> {
        let share = (self.high - celsius) / (self.high - self.low);
        let rows = self.field.height * self.down;
        (0.0..=1.0)
            .contains(&share)
            .then(|| (share * f64::from(rows - 1)).round() as u16)
    }

    /// The cell of a dot.
    fn cell(&self, (x, y): (u16, u16)) -> (u16, u16) {
        (self.field.x + x / self.across, self.field.y + y / self.down)
    }

    /// A dot for each column of dots that the points reach over; none where they are off the scale. Points may be further apart than
    /// columns: between two of them the line counts. They may be closer: then the lowest and the highest of a column count, too.
    fn along(&self, points: &[Point]) -> Vec<Option<Dot>> {
        let columns = self.field.width * self.across;
        let (Some(first), Some(last)) = (points.first(), points.last()) else {
            return Vec::new();
        };
        let step = (self.to_s - self.from_s) / f64::from(columns);
        let mut next = 0;
        (0..columns)
            .filter_map(|column| {
                let begins = self.from_s + f64::from(column) * step;
                let at = begins + 0.5 * step;
                // The newest point has a column even where its middle is still ahead.
                if at < first.0 - step || at > last.0 + step {
                    return None;
                }
                let from = points.partition_point(|point| point.0 < begins);
                let within = points[from..]
                    .iter()
                    .take_while(|point| point.0 < begins + step)
                    .map(|point| point.1);
                while next + 1 < points.len() && points[next + 1].0 <= at {
                    next += 1;
                }
                let (one, other) = (points[next], points[(next + 1).min(points.len() - 1)]);
                let length = other.0 - one.0;
                let share = if length > 0.0 {
                    ((at - one.0) / length).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                let middle = one.1 + share * (other.1 - one.1);
                let (low, high) = within.fold((middle, middle), |(low, high), value| {
                    (low.min(value), high.max(value))
                });
                let dot = || {
                    Some(Dot {
                        column,
                        row: self.row(middle)?,
                        top: self.row(high)?,
                        bottom: self.row(low)?,
                    })
                };
                Some(dot())
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A shift on some dozen columns: one reading that was hotter than all others, and one that was colder, are where they were.
    #[test]
    fn one_reading_of_a_shift_is_seen() {
        let points: Vec<Point> = (0..28_800)
            .map(|second| {
                let celsius = match second {
                    9_999 => 118.0,
                    20_001 => 12.0,
                    _ => 60.0,
                };
                (f64::from(second), celsius)
            })
            .collect();
        let grid = Grid {
            field: Rect::new(0, 0, 70, 12),
            low: 0.0,
            high: 130.0,
            from_s: 0.0,
            to_s: 28_800.0,
            across: 2,
            down: 4,
        };
        let dots: Vec<Dot> = grid.along(&points).into_iter().flatten().collect();
        assert_eq!(dots.len(), 140);
        let usual = grid.row(60.0).unwrap();
        let hot: Vec<u16> = dots
            .iter()
            .filter(|dot| dot.top < usual)
            .map(|dot| dot.column)
            .collect();
        let cold: Vec<u16> = dots
            .iter()
            .filter(|dot| dot.bottom > usual)
            .map(|dot| dot.column)
            .collect();
        assert_eq!((hot, cold), (vec![48], vec![97]));
        assert_eq!(
            (dots[48].top, dots[97].bottom),
            (grid.row(118.0).unwrap(), grid.row(12.0).unwrap())
        );
        assert!(dots.iter().all(|dot| dot.row == usual));
    }
}
