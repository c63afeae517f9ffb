//! Rows and columns on a screen.

use crate::screen::{Paint, Tone};

/// Which side of its column a cell keeps to: words left, figures right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    Left,
    Right,
}

/// A table that is as wide as its content needs.
#[derive(Debug)]
pub(crate) struct Table {
    columns: Vec<(&'static str, Side)>,
    rows: Vec<Vec<(String, Tone)>>,
}

impl Table {
    /// `columns`: heading and side of each.
    pub(crate) fn new(columns: &[(&'static str, Side)]) -> Self {
        Self {
            columns: columns.to_vec(),
            rows: Vec::new(),
        }
    }

    /// Adds a row with one cell per column.
    pub(crate) fn row(&mut self, cells: impl IntoIterator<Item = (String, Tone)>) {
        let cells: Vec<_> = cells.into_iter().collect();
        debug_assert_eq!(cells.len(), self.columns.len(), "a cell per column");
        self.rows.push(cells);
    }

    /// Adds a row without colour.
    pub(crate) fn plain<const N: usize>(&mut self, cells: [String; N]) {
        self.row(cells.map(|cell| (cell, Tone::Plain)));
    }

    /// Heading and rows, each line ended; two blanks between columns, none at the end.
    pub(crate) fn render(&self, paint: Paint) -> String {
        let width = |text: &str| text.chars().count();
        let widths: Vec<usize> = (0..self.columns.len())
            .map(|at| {
                let cells = self.rows.iter().map(|row| width(&row[at].0));
                cells.chain([width(self.columns[at].0)]).max().unwrap_or(0)
            })
            .collect();
        let mut text = String::new();
        let heading: Vec<_> = self
            .columns
            .iter()
            .map(|(name, _)| ((*name).to_owned(), Tone::Faint))
            .collect();
        for row in std::iter::once(&heading).chain(&self.rows) {
            let mut line = String::new();
            let last = row.iter().rposition(|(cell, _)| !cell.is_empty()).unwrap_or(0);
            for (at, (cell, tone)) in row.iter().enumerate().take(last + 1) {
                let blanks = " ".repeat(widths[at].saturating_sub(width(cell)));
                if at > 0 {
                    line.push_str("  ");
                }
                let cell = paint.text(*tone, cell);
                match self.columns[at].1 {
                    Side::Left if at == last => line.push_str(&cell),
                    Side::Left => line.extend([&*cell, &*blanks]),
                    Side::Right => line.extend([&*blanks, &*cell]),
                }
            }
            text.push_str(&line);
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_keep_left_and_figures_right() {
        let mut table = Table::new(&[
            ("STATION", Side::Left),
            ("HEAT", Side::Right),
            ("RUN", Side::Left),
        ]);
        table.plain(["bench-1".into(), "100 %".into(), "7".into()]);
        table.plain(["oven".into(), "-".into(), String::new()]);
        assert_eq!(
            table.render(Paint::NONE),
            "STATION   HEAT  RUN\nbench-1  100 %  7\noven         -\n"
        );
    }
}
