//! Digits that can be read from two metres: five rows of blocks, or ten where there is room.

/// Rows of a digit, in blocks.
pub(super) const ROWS: usize = 5;

/// Columns of a digit, in blocks.
const COLUMNS: usize = 3;

/// What each letter looks like, row by row, three bits each from the left.
const fn shape(letter: char) -> Option<[u8; ROWS]> {
    Some(match letter {
        '0' => [0b111, 0b101, 0b101, 0b101, 0b111],
        '1' => [0b010, 0b110, 0b010, 0b010, 0b111],
        '2' => [0b111, 0b001, 0b111, 0b100, 0b111],
        '3' => [0b111, 0b001, 0b111, 0b001, 0b111],
        '4' => [0b101, 0b101, 0b111, 0b001, 0b001],
        '5' => [0b111, 0b100, 0b111, 0b001, 0b111],
        '6' => [0b111, 0b100, 0b111, 0b101, 0b111],
        '7' => [0b111, 0b001, 0b010, 0b010, 0b010],
        '8' => [0b111, 0b101, 0b111, 0b101, 0b111],
        '9' => [0b111, 0b101, 0b111, 0b001, 0b111],
        '-' => [0, 0, 0b111, 0, 0],
        _ => return None,
    })
}

/// The figure in rows of blocks. `wide`, `high`: cells of a block; two wide and one high are about square.
///
/// Returns `ROWS * high` rows, all of one width; letters other than digits, `-` and `.` are left out.
pub(super) fn rows(figure: &str, wide: usize, high: usize) -> Vec<String> {
    let mut rows = vec![String::new(); ROWS];
    for letter in figure.chars() {
        let gap = if rows[0].is_empty() { 0 } else { wide };
        let (bits, columns) = match (letter, shape(letter)) {
            ('.', _) => ([0, 0, 0, 0, 1], 1),
            (_, Some(bits)) => (bits, COLUMNS),
            _ => continue,
        };
        for (row, bits) in rows.iter_mut().zip(bits) {
            row.push_str(&" ".repeat(gap));
            for column in (0..columns).rev() {
                let block = if bits >> column & 1 == 1 { '█' } else { ' ' };
                row.extend(std::iter::repeat_n(block, wide));
            }
        }
    }
    rows.into_iter()
        .flat_map(|row| std::iter::repeat_n(row, high))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_can_be_told_apart() {
        let all: Vec<_> = ('0'..='9').map(|digit| rows(&digit.to_string(), 1, 1)).collect();
        for (at, one) in all.iter().enumerate() {
            assert!(one.iter().all(|row| row.chars().count() == COLUMNS), "{at}");
            assert!(all.iter().skip(at + 1).all(|other| other != one), "{at}");
        }
    }

    #[test]
    fn a_figure_is_as_large_as_asked() {
        assert_eq!(
            rows("-41.7", 1, 1).join("\n"),
            "    █ █  █    ███\n    █ █ ██      █\n███ ███  █     █ \n      █  █     █ \n      █ ███ █  █ "
        );
        let large = rows("8", 4, 2);
        assert_eq!((large.len(), large[0].chars().count()), (10, 12));
        assert_eq!(rows("?", 2, 1), vec![""; ROWS]);
    }
}
