//! Small charts of plain characters: they work over ssh, in a log, without colour.

/// A field of characters with a scale at its left.
#[derive(Debug)]
pub(crate) struct Plot {
    columns: usize,
    rows: usize,
    low: f64,
    high: f64,
    cells: Vec<char>,
}

/// Where two curves meet.
pub(crate) const BOTH: char = '*';

impl Plot {
    /// `low`, `high`: values at the bottom and at the top; made apart where they aren't.
    pub(crate) fn new(columns: usize, rows: usize, low: f64, high: f64) -> Self {
        let (rows, columns) = (rows.max(2), columns.max(1));
        let least = f64::max(low.abs() * 1.0e-6, 1.0e-3);
        let apart = high - low > least;
        Self {
            columns,
            rows,
            low: if apart { low } else { low - least },
            high: if apart { high } else { high + least },
            cells: vec![' '; columns * rows],
        }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a share of a few dozen rows, within 0 and 1"
    )]
    fn row(&self, value: f64) -> Option<usize> {
        let share = (value - self.low) / (self.high - self.low);
        (0.0..=1.0)
            .contains(&share)
            .then(|| ((1.0 - share) * (self.rows - 1) as f64).round() as usize)
    }

    fn value(&self, row: usize) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a few dozen rows")]
        let share = row as f64 / (self.rows - 1) as f64;
        self.high - share * (self.high - self.low)
    }

    /// A mark; what was there before gives way, unless it is another curve's.
    pub(crate) fn mark(&mut self, column: usize, value: f64, mark: char) {
        let Some(row) = self.row(value).filter(|_| column < self.columns) else {
            return;
        };
        let cell = &mut self.cells[row * self.columns + column];
        *cell = if cell.is_alphanumeric() && *cell != mark || *cell == BOTH {
            BOTH
        } else {
            mark
        };
    }

    /// A level from side to side, behind everything.
    pub(crate) fn level(&mut self, value: f64, mark: char) {
        let Some(row) = self.row(value) else { return };
        for cell in &mut self.cells[row * self.columns..][..self.columns] {
            if *cell == ' ' {
                *cell = mark;
            }
        }
    }

    /// The rows with the values of the scale at the left, 10 columns wide; each line ended.
    pub(crate) fn render(&self, decimals: usize) -> String {
        let mut text = String::new();
        for row in 0..self.rows {
            // Every other one: they would crowd.
            let label = if row % 2 == 0 || row + 1 == self.rows {
                format!("{:8.decimals$}", self.value(row))
            } else {
                " ".repeat(8)
            };
            let cells: String = self.cells[row * self.columns..][..self.columns].iter().collect();
            text.push_str(format!("{label} |{cells}").trim_end());
            text.push('\n');
        }
        text
    }

    /// The line below, with what stands at its left and right end.
    pub(crate) fn foot(&self, left: &str, right: &str) -> String {
        let blanks = self
            .columns
            .saturating_sub(left.chars().count() + right.chars().count());
        format!(
            "{}+{}\n{}{left}{}{right}\n",
            " ".repeat(9),
            "-".repeat(self.columns),
            " ".repeat(10),
            " ".repeat(blanks)
        )
    }
}

/// How many decimals a scale from `low` to `high` needs so that its rows differ.
pub(crate) fn decimals(low: f64, high: f64) -> usize {
    match high - low {
        span if span >= 20.0 => 0,
        span if span >= 2.0 => 1,
        span if span >= 0.2 => 2,
        _ => 3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curves_stand_before_levels_and_meet_in_a_star() {
        let mut plot = Plot::new(6, 5, 0.0, 40.0);
        for (column, value) in [(0, 0.0), (1, 10.0), (2, 20.0), (3, 30.0), (9, 10.0), (5, 99.0)] {
            plot.mark(column, value, 'A');
        }
        for (column, value) in [(1, 20.0), (2, 20.0), (3, 20.0)] {
            plot.mark(column, value, 'B');
        }
        plot.level(20.0, '-');
        assert_eq!(
            plot.render(0) + &plot.foot("0", "5 s"),
            [
                "      40 |\n",
                "         |   A\n",
                "      20 |-B*B--\n",
                "         | A\n",
                "       0 |A\n",
                "         +------\n",
                "          0  5 s\n",
            ]
            .concat()
        );
    }

    #[test]
    fn a_chart_of_one_value_has_a_middle() {
        let mut plot = Plot::new(3, 3, 5.0, 5.0);
        plot.mark(1, 5.0, 'o');
        assert!(
            plot.render(3).lines().nth(1).unwrap().ends_with("| o"),
            "{}",
            plot.render(3)
        );
        assert_eq!(
            [
                decimals(0.0, 100.0),
                decimals(0.0, 5.0),
                decimals(0.0, 0.5),
                decimals(0.0, 0.0)
            ],
            [0, 1, 2, 3]
        );
    }
}
