//! How long readings outside runs stay, and what goes when the disk is short. Runs and journal never go.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::files;
use crate::wall::Wall;

/// How often old files are looked for.
const SWEEP_EVERY: Duration = Duration::from_mins(1);
/// Files that go in one look, a second apart, while the disk is short: a day of a bench is a megabyte or two, so that this is faster
/// than any lab writes.
const REMOVED_A_LOOK: usize = 8;

pub(crate) struct Retention {
    days: u16,
    reserve_bytes: u64,
    swept: Option<Instant>,
    /// While the disk is short or refuses.
    trouble: Option<Trouble>,
    notes: Vec<String>,
}

/// A time in which something was given up.
struct Trouble {
    since: Wall,
    dropped_before: u64,
    removed: u64,
    /// Newest day that was removed.
    through: Option<i32>,
}

impl Retention {
    pub(crate) fn new(days: u16, reserve_bytes: u64) -> Self {
        Self {
            days,
            reserve_bytes,
            swept: None,
            trouble: None,
            notes: Vec::new(),
        }
    }

    /// Something that somebody should know later.
    pub(crate) fn note(&mut self, text: String) {
        self.notes.push(text);
    }

    pub(crate) fn notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }

    /// Removes what is old, and while the disk is `short` what is oldest. Returns what was removed.
    pub(crate) fn look(&mut self, root: &Path, now: Wall, short: bool) -> Vec<PathBuf> {
        let due = self.swept.is_none_or(|swept| swept.elapsed() >= SWEEP_EVERY);
        if !due && !short {
            return Vec::new();
        }
        let mut kept = sealed_days(root);
        kept.sort();
        let mut removed = Vec::new();
        if due {
            self.swept = Some(Instant::now());
            let oldest = now.day().saturating_sub(self.days.into());
            let old: Vec<_> = kept.extract_if(.., |(day, _)| *day < oldest).collect();
            let through = old.last().map(|(day, _)| *day);
            let before = removed.len();
            removed.extend(old.into_iter().map(|(_, path)| path).filter(|path| remove(path)));
            let count = removed.len() - before;
            if let Some(through) = through.filter(|_| count > 0) {
                self.notes.push(format!(
                    "{count} files of readings outside runs, through {}, were removed: older than {} days",
                    Wall::of_day(through).date(),
                    self.days
                ));
            }
        }
        if short {
            for (day, path) in kept.iter().take(REMOVED_A_LOOK) {
                if files::free_bytes(root).is_ok_and(|free| free >= self.reserve_bytes) {
                    break;
                }
                if remove(path) {
                    removed.push(path.clone());
                    if let Some(trouble) = &mut self.trouble {
                        trouble.removed += 1;
                        trouble.through = trouble.through.max(Some(*day));
                    }
                }
            }
        }
        removed
    }

    /// Whether the disk is in `trouble` now, and how many scans were dropped since the start.
    pub(crate) fn told(&mut self, now: Wall, trouble: bool, dropped: u64) {
        match (&self.trouble, trouble) {
            (None, true) => {
                self.trouble = Some(Trouble {
                    since: now,
                    dropped_before: dropped,
                    removed: 0,
                    through: None,
                });
            }
            (Some(then), false) => {
                let lost = dropped - then.dropped_before;
                let through = then
                    .through
                    .map(|day| format!(", through {},", Wall::of_day(day).date()))
                    .unwrap_or_default();
                if lost == 0 && then.removed == 0 {
                    // Whatever it was, nothing was given up.
                    self.trouble = None;
                    return;
                }
                self.notes.push(format!(
                    "the disk was full, or refused, from {} to {now}: {lost} scans of readings were not kept, {} files of readings \
                     outside runs{through} were removed",
                    then.since, then.removed
                ));
                self.trouble = None;
            }
            (None, false) | (Some(_), true) => {}
        }
    }
}

/// Sealed files of readings outside runs, with their day.
fn sealed_days(root: &Path) -> Vec<(i32, PathBuf)> {
    let years = files::list(&root.join("loose")).unwrap_or_default();
    let paths = years
        .iter()
        .flat_map(|year| files::list(year).unwrap_or_default());
    paths
        .filter_map(|path| {
            let stem = path.file_stem()?.to_str()?;
            // `bench-1.2026-11-25`, `bench-1.2026-11-25-2`.
            let date = stem.rsplit_once('.')?.1.get(..10)?;
            let day = format!("{date}T00:00:00Z").parse::<Wall>().ok()?.day();
            Some((day, path))
        })
        .collect()
}

fn remove(path: &Path) -> bool {
    match fs::remove_file(path) {
        Ok(()) => true,
        Err(error) => {
            tracing::warn!("{} can't be removed: {error}", path.display());
            false
        }
    }
}
