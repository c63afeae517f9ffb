//! Documents once more, as plain files: recipes, windows, board models and calibrations are people's work, and must not hang on the store alone.
//!
//! `documents/KIND/NAME.NNNNNN.json`, a file a revision, with `name`, `revision`, `text`. Written after the store, never changed.

use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::Error;
use crate::files;
use crate::ledger::{Document, Revision};

#[derive(Serialize, Deserialize)]
struct Kept<S> {
    name: S,
    revision: u32,
    text: S,
}

fn folder(kind: Document) -> &'static str {
    match kind {
        Document::Recipe => "recipe",
        Document::Window => "window",
        Document::BoardModel => "board-model",
        Document::Calibration => "calibration",
    }
}

/// Writes a revision; one that is there stays.
pub(crate) fn write(root: &Path, kind: Document, document: &Revision) -> Result<(), Error> {
    let directory = root.join("documents").join(folder(kind));
    let path = directory.join(format!(
        "{}.{:06}.json",
        files::file_name(&document.name),
        document.revision
    ));
    if path.exists() {
        return Ok(());
    }
    fs::create_dir_all(&directory).map_err(Error::files(&directory, "create the directory"))?;
    let kept = Kept {
        name: &document.name,
        revision: document.revision,
        text: &document.text,
    };
    let json = serde_json::to_vec_pretty(&kept).expect("plain values make JSON");
    files::write_whole(&path, &json).map_err(Error::files(&path, "write"))
}

/// Gives all revisions to `each`; a file that makes no sense is left out.
pub(crate) fn read(root: &Path, each: &mut dyn FnMut(Document, Revision)) -> Result<(), Error> {
    for kind in Document::ALL {
        for path in files::list(&root.join("documents").join(folder(kind)))? {
            let bytes = fs::read(&path).map_err(Error::files(&path, "read"))?;
            if let Ok(Kept { name, revision, text }) = serde_json::from_slice::<Kept<String>>(&bytes) {
                each(kind, Revision { name, revision, text });
            }
        }
    }
    Ok(())
}
