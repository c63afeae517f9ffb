//! `benchward run export`.

use std::io::{self, BufWriter, Write};
use std::path::PathBuf;

use benchward_api::{Exit, shapes};
use clap::Args;
use serde::Serialize;

use crate::Session;
use crate::failure::Failure;
use crate::figures::count;
use crate::file::Part;
use crate::records::{Exported, Format};
use crate::screen::Tone;

const EXAMPLES: &str = "\
Examples:
  benchward run export 12 --format csv > run-12.csv
  benchward run export 12 --format jsonl -o run-12.jsonl
  benchward --archive /var/lib/benchward run export 12 --format csv -o run-12.csv";

/// Write the readings of a run, one row a scan, to stdout or a file
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Number of the run
    run: u64,
    /// Comma-separated values with a heading, or one JSON object per line
    #[arg(long, default_value = "csv")]
    format: Format,
    /// File to write; one that is there is replaced when the export is whole
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// What went into a file.
#[derive(Debug, Serialize)]
struct Written {
    schema: u32,
    run: u64,
    file: String,
    rows: u64,
}

pub(super) async fn export(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let records = session.records().await?;
    let Some(file) = &arguments.output else {
        let mut out = BufWriter::with_capacity(256 * 1024, io::stdout().lock());
        let exported = records.export(arguments.run, arguments.format, &mut out).await?;
        out.flush()?;
        return Ok(judge(session, &exported));
    };
    let mut part = Part::of(file)?;
    let exported = records
        .export(arguments.run, arguments.format, part.out())
        .await?;
    part.finish()?;
    let heading = u64::from(arguments.format == Format::Csv);
    let written = Written {
        schema: shapes::SCHEMA,
        run: arguments.run,
        file: file.display().to_string(),
        rows: exported.lines.saturating_sub(heading),
    };
    session.screen.show(&written, |written, _| {
        let rows = usize::try_from(written.rows).unwrap_or(usize::MAX);
        format!(
            "run {}: {} written to {}",
            written.run,
            count(rows, "row", "rows"),
            written.file
        )
    })?;
    Ok(judge(session, &exported))
}

/// What could not be read is said, and fails the command although the rest was written.
fn judge(session: &Session, exported: &Exported) -> Exit {
    for damage in &exported.damage {
        session.screen.say(
            Tone::Danger,
            "error",
            &format!("part of the run can't be read: {damage}"),
        );
    }
    if exported.damage.is_empty() {
        Exit::Done
    } else {
        Exit::Failed
    }
}
