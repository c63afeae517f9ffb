//! Reports as files: which form, which paper, where to.

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use benchward_api::{Exit, shapes};
use benchward_report::pdf::Paper;
use benchward_report::{Document, html, pdf};
use clap::{Args, ValueEnum};
use serde::Serialize;

use crate::Session;
use crate::failure::Failure;
use crate::file;

/// What a report is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Form {
    /// One HTML file: no script, nothing from elsewhere
    Html,
    /// PDF, with its font in it
    Pdf,
}

/// Sizes of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Sheet {
    A4,
    Letter,
}

/// Where a report goes, and how.
#[derive(Debug, Args)]
#[command(next_help_heading = "Report")]
pub(crate) struct Output {
    /// As a page for a browser or for paper [default: as the file of --output ends]
    #[arg(long, value_name = "FORM")]
    format: Option<Form>,
    /// File to write; one that is there is replaced [default: stdout]
    #[arg(short = 'o', long = "output", id = "output", value_name = "FILE")]
    file: Option<PathBuf>,
    /// Paper of a PDF; an HTML page takes that of the printer
    #[arg(long, value_name = "SIZE", default_value = "a4")]
    paper: Sheet,
}

/// What was written.
#[derive(Debug, Serialize)]
struct Written {
    schema: u32,
    title: String,
    file: String,
    format: &'static str,
    bytes: usize,
}

impl Output {
    /// The form that is asked for; `None`: nothing says that a page is wanted.
    ///
    /// # Errors
    /// A file whose name says neither.
    pub(crate) fn form(&self) -> Result<Option<Form>, Failure> {
        let form = self.format.or_else(|| self.file.as_deref().and_then(by_name));
        match &self.file {
            Some(file) if form.is_none() => Err(Failure::wrong_use(
                format!("{} ends neither in .html nor in .pdf", file.display()),
                "say which with --format",
            )),
            _ => Ok(form),
        }
    }

    /// Writes the document.
    pub(crate) fn write(&self, session: &Session, form: Form, document: &Document) -> Result<Exit, Failure> {
        let (name, bytes) = match form {
            Form::Html => ("html", html::html(document).into_bytes()),
            Form::Pdf => {
                let paper = match self.paper {
                    Sheet::A4 => Paper::A4,
                    Sheet::Letter => Paper::Letter,
                };
                ("pdf", pdf::pdf(document, paper).map_err(Failure::failed)?)
            }
        };
        let Some(file) = &self.file else {
            let mut out = io::stdout().lock();
            if form == Form::Pdf && out.is_terminal() {
                return Err(Failure::wrong_use(
                    "a PDF is nothing for a terminal",
                    "name a file with --output",
                ));
            }
            out.write_all(&bytes)?;
            out.flush()?;
            return Ok(Exit::Done);
        };
        file::write(file, &bytes)?;
        let written = Written {
            schema: shapes::SCHEMA,
            title: document.title.clone(),
            file: file.display().to_string(),
            format: name,
            bytes: bytes.len(),
        };
        session.screen.show(&written, |written, _| {
            format!(
                "{} written to {}, {} bytes",
                written.title, written.file, written.bytes
            )
        })?;
        Ok(Exit::Done)
    }
}

/// `.html` and `.pdf`.
fn by_name(file: &Path) -> Option<Form> {
    let ending = file.extension()?.to_str()?.to_ascii_lowercase();
    match &*ending {
        "html" | "htm" => Some(Form::Html),
        "pdf" => Some(Form::Pdf),
        _ => None,
    }
}
