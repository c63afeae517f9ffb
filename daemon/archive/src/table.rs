//! Columns of numbers and of what else there is: coarse levels, and what a run was decided on, of which the archive doesn't know
//! what it means.

use crate::bytes::{Put, Take};
use crate::column;

/// Most values of a column that are read, so that a damaged count can't ask for much memory.
const VALUES_MAX: usize = 1 << 20;

/// A column.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Integers.
    Integers(Vec<i64>),
    /// Floating point numbers, to the bit.
    Floats(Vec<f64>),
    /// Anything else.
    Bytes(Vec<u8>),
}

/// Columns by number, ascending. [`mod@crate::format`] says what they hold.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table(pub Vec<(u64, Column)>);

impl Table {
    /// The body of a block.
    pub(crate) fn encode(&self) -> Vec<u8> {
        let mut out = Vec::new();
        out.put_len(self.0.len());
        let mut written = Vec::new();
        for (number, column) in &self.0 {
            written.clear();
            let (kind, count) = match column {
                Column::Integers(values) => {
                    column::put_times(&mut written, values);
                    let mut other = Vec::new();
                    column::put_integers(&mut other, values);
                    if other.len() < written.len() {
                        written = other;
                    }
                    (0, values.len())
                }
                Column::Floats(values) => {
                    column::put_floats(&mut written, values);
                    (1, values.len())
                }
                Column::Bytes(bytes) => {
                    written.extend_from_slice(bytes);
                    (2, bytes.len())
                }
            };
            out.put_varint(*number);
            out.put_u8(kind);
            out.put_len(count);
            out.put_len(written.len());
            out.put(&written);
        }
        out
    }

    /// Reads the body of a block; `None` if it makes no sense.
    pub(crate) fn decode(body: &[u8]) -> Option<Self> {
        let mut take = Take(body);
        let mut columns = Vec::new();
        for _ in 0..take.len()? {
            let number = take.varint()?;
            let kind = take.u8()?;
            let count = take.len()?;
            let length = take.len()?;
            let bytes = take.take(length)?;
            let few = count <= VALUES_MAX;
            columns.push((
                number,
                match kind {
                    0 if few => Column::Integers(column::integers(bytes, count)?),
                    1 if few => Column::Floats(column::floats(bytes, count)?),
                    2 => Column::Bytes(bytes.to_vec()),
                    _ => return None,
                },
            ));
        }
        take.is_empty().then_some(Self(columns))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn any_column() -> impl Strategy<Value = Column> {
        prop_oneof![
            prop::collection::vec(any::<i64>(), 0..40).prop_map(Column::Integers),
            prop::collection::vec(0..5_i64, 0..400).prop_map(Column::Integers),
            prop::collection::vec((0..4000_i32).prop_map(|n| f64::from(n) / 1000.0), 0..400)
                .prop_map(Column::Floats),
            prop::collection::vec(any::<u8>(), 0..40).prop_map(Column::Bytes),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        #[test]
        fn any_columns_come_back(columns in prop::collection::vec((any::<u64>(), any_column()), 0..6)) {
            let decisions = Table(columns);
            prop_assert_eq!(Table::decode(&decisions.encode()), Some(decisions));
        }

        #[test]
        fn rubbish_is_refused_or_read_but_never_worse(body in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = Table::decode(&body);
        }
    }
}
