//! `benchward run export`.

mod parquet;

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use benchward_api::{Exit, shapes};
use benchward_archive::{Recording, export};
use clap::Args;
use serde::Serialize;

use crate::Session;
use crate::failure::Failure;
use crate::figures::count;
use crate::file::{Part, cannot};
use crate::progress::Progress;
use crate::records::Records;
use crate::screen::Tone;

const EXAMPLES: &str = "\
Examples:
  benchward run export 12 --format csv > run-12.csv
  benchward run export 12 --format jsonl -o run-12.jsonl
  benchward run export 12 --format parquet -o run-12.parquet
  benchward --archive /var/lib/benchward run export 12 --format csv -o run-12.csv";

/// Write the readings of a run, one row a scan, to stdout or a file
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Number of the run
    run: u64,
    /// Comma-separated values with a heading, one JSON object per line, or Apache Parquet: typed columns, with what is known of the run in
    /// the file's metadata
    #[arg(long, default_value = "csv")]
    format: Format,
    /// File to write; one that is there is replaced when the export is whole. `-`: stdout
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// How readings are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    Csv,
    Jsonl,
    Parquet,
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
    let file = arguments.output.as_deref().filter(|file| *file != Path::new("-"));
    if arguments.format == Format::Parquet && file.is_none() && io::stdout().is_terminal() {
        return Err(Failure::wrong_use(
            "a Parquet file is no text that a terminal can show",
            "name a file with -o FILE, or send it on: benchward run export ... | ...",
        ));
    }
    let records = session.records().await?;
    let recording = records.recording(arguments.run).await?;
    let facts = match arguments.format {
        Format::Parquet => facts(&records, arguments.run).await?,
        Format::Csv | Format::Jsonl => Vec::new(),
    };
    // What goes into a pipe or a file leaves the screen free to say that it goes on; readings on the screen say so themselves.
    let progress = (file.is_some() || !io::stdout().is_terminal()).then(|| {
        Progress::of(
            &session.screen,
            format!("writing the readings of run {}", arguments.run),
        )
    });
    let Some(file) = file else {
        let exported = write(arguments.format, recording, facts, &mut io::stdout())?;
        drop(progress);
        return Ok(judge(session, &exported));
    };
    let part = Part::of(file)?;
    let exported =
        write(arguments.format, recording, facts, &mut part.out()).map_err(|error| cannot(file, &error))?;
    part.finish()?;
    drop(progress);
    let written = Written {
        schema: shapes::SCHEMA,
        run: arguments.run,
        file: file.display().to_string(),
        rows: exported.rows,
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

fn write(
    format: Format,
    recording: Recording,
    facts: Vec<(&'static str, String)>,
    out: &mut (impl Write + Send),
) -> io::Result<export::Exported> {
    match format {
        Format::Csv => export::csv(recording, out),
        Format::Jsonl => export::jsonl(recording, out),
        Format::Parquet => parquet::write(recording, facts, out),
    }
}

/// What a Parquet file says of its run, by key.
async fn facts(records: &Records, number: u64) -> Result<Vec<(&'static str, String)>, Failure> {
    let run = records.run(number).await?.run;
    Ok(vec![
        ("lab", records.lab().await?),
        ("station", run.station),
        ("run", run.run.to_string()),
        ("recipe", run.recipe),
        ("revision", run.revision.to_string()),
        ("serial", run.serial),
        ("operator", run.operator),
        ("started", run.started),
        ("ended", run.ended.unwrap_or_default()),
        ("outcome", run.outcome.unwrap_or_default()),
        ("verdict", run.verdict),
    ])
}

/// What could not be read is said, and fails the command although the rest was written.
fn judge(session: &Session, exported: &export::Exported) -> Exit {
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

#[cfg(test)]
mod tests {
    use benchward_archive::{Archive, Phase, Row, RunRecord, Value, Wall};

    use super::*;

    /// Takes so many bytes and then fails as it was told to.
    struct Fails(usize, io::ErrorKind);

    impl Write for Fails {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if self.0 == 0 {
                return Err(self.1.into());
            }
            let taken = bytes.len().min(self.0);
            self.0 -= taken;
            Ok(taken)
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    /// A full disk is told as what it is, and a reader that left is nobody's failure, however far the export had come.
    #[test]
    fn what_fails_to_be_written_is_told_as_the_system_said_it() {
        let dir = tempfile::tempdir().unwrap();
        let (mut writer, reader, _) = Archive::open(dir.path(), "larkfield", Wall(0)).unwrap();
        let station = writer.station("bench-1", &["board-top"]).unwrap();
        writer
            .put_run(&RunRecord {
                run: 1,
                ..RunRecord::default()
            })
            .unwrap();
        writer.commit().unwrap();
        for n in 0..2000 {
            let values = [Value::Celsius(f64::from(n) * 0.1)];
            let row = Row {
                station,
                run: Some(1),
                at: Wall(n.into()),
                mono_ms: u64::try_from(n).unwrap(),
                values: &values,
                heat: 0.0,
                phase: Phase::Ramp,
                stage: None,
                target_celsius: None,
            };
            writer.append(&row).unwrap();
        }
        for format in [Format::Csv, Format::Jsonl, Format::Parquet] {
            let mut whole = Vec::new();
            let written = write(format, reader.recording(1).unwrap(), Vec::new(), &mut whole).unwrap();
            assert_eq!((written.rows, written.damage.len()), (2000, 0));
            for kind in [io::ErrorKind::StorageFull, io::ErrorKind::BrokenPipe] {
                for taken in [0, 1, 10_000, whole.len() - 1] {
                    let mut out = Fails(taken, kind);
                    let failed =
                        write(format, reader.recording(1).unwrap(), Vec::new(), &mut out).unwrap_err();
                    assert_eq!(failed.kind(), kind, "{format:?} after {taken} bytes: {failed}");
                }
            }
        }
        assert!(matches!(
            Failure::from(io::Error::from(io::ErrorKind::BrokenPipe)),
            Failure::NobodyReads
        ));
    }
}
