//! What nobody should use this program without having read.

/// Shown under the first page of help and when the demo starts, after the word `Caution`.
pub(crate) const CAUTION: &str = "\
hot boards and heaters burn skin and start fires. Benchward's interlocks add to, and never replace, the
heater's own thermal cut-out, fuses, guards and emergency stop. Local electrical and fire codes and qualified people
decide what is allowed; stay with a heated board.";
