//! Refused commands, told at a bounded rate: whoever floods the edge node doesn't fill the journal, which is kept for good.

/// Between two entries, ms.
const APART_MS: u64 = 10_000;

/// What was refused, and when that was last told.
#[derive(Debug, Default)]
pub(crate) struct Refusals {
    told_ms: Option<u64>,
    untold: u64,
}

impl Refusals {
    /// One more. Returns what to tell now, if anything.
    pub(crate) fn one(&mut self, now_ms: u64, text: String) -> Option<String> {
        if self.is_early(now_ms) {
            self.untold += 1;
            return None;
        }
        self.told_ms = Some(now_ms);
        Some(text)
    }

    /// What is still to be told, once it is time.
    pub(crate) fn rest(&mut self, now_ms: u64) -> Option<String> {
        if self.untold == 0 || self.is_early(now_ms) {
            return None;
        }
        self.told_ms = Some(now_ms);
        let count = std::mem::take(&mut self.untold);
        Some(format!(
            "{count} more commands by Sparkplug were refused meanwhile"
        ))
    }

    /// A clock that was set back is no reason to be silent.
    fn is_early(&self, now_ms: u64) -> bool {
        self.told_ms.is_some_and(|told| told.abs_diff(now_ms) < APART_MS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_is_an_entry_each_ten_seconds() {
        let mut refusals = Refusals::default();
        let mut told = Vec::new();
        for now in (0..25_000).step_by(5) {
            told.extend(refusals.rest(now));
            told.extend(refusals.one(now, "refused".into()));
        }
        told.extend(refusals.rest(30_000));
        assert_eq!(
            told,
            [
                "refused",
                "1999 more commands by Sparkplug were refused meanwhile",
                "2000 more commands by Sparkplug were refused meanwhile",
                "1000 more commands by Sparkplug were refused meanwhile",
            ]
        );
        assert_eq!(refusals.rest(90_000), None, "nothing is told twice");
    }
}
