//! `long-runs FOLDER MINUTES...`: an archive with a run of so many minutes each, for `tests/measure-report`.

use anyhow::{Context as _, Result};

fn main() -> Result<()> {
    let mut words = std::env::args().skip(1);
    let folder = words.next().context("name a folder, then minutes")?;
    let minutes = words.map(|word| {
        word.parse()
            .with_context(|| format!("`{word}` is no number of minutes"))
    });
    benchward_tests::long::runs(folder.as_ref(), &minutes.collect::<Result<Vec<u64>>>()?);
    Ok(())
}
