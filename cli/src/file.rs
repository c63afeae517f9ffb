//! Files that are written whole or not at all.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use crate::failure::Failure;

/// A file under another name until it is whole: what broke on the way must not pass for a record.
pub(crate) struct Part {
    part: NamedTempFile,
    file: PathBuf,
}

impl Part {
    /// Begins one that will be `file`, in the same folder.
    pub(crate) fn of(file: &Path) -> Result<Self, Failure> {
        let folder = file
            .parent()
            .filter(|folder| !folder.as_os_str().is_empty())
            .unwrap_or(Path::new("."));
        let part = tempfile::Builder::new()
            .prefix(".benchward-")
            .permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666))
            .tempfile_in(folder)
            .map_err(|error| cannot(file, &error))?;
        Ok(Self {
            part,
            file: file.to_owned(),
        })
    }

    /// Where to write.
    pub(crate) fn out(&mut self) -> &mut File {
        self.part.as_file_mut()
    }

    /// It is whole: syncs it and gives it its name. One that was there is replaced.
    pub(crate) fn finish(self) -> Result<(), Failure> {
        self.part
            .as_file()
            .sync_all()
            .map_err(|error| cannot(&self.file, &error))?;
        self.part
            .persist(&self.file)
            .map_err(|error| cannot(&self.file, &error.error))?;
        Ok(())
    }
}

/// Writes a whole file.
pub(crate) fn write(file: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let mut part = Part::of(file)?;
    part.out()
        .write_all(bytes)
        .map_err(|error| cannot(file, &error))?;
    part.finish()
}

pub(crate) fn cannot(file: &Path, error: &io::Error) -> Failure {
    Failure::failed(format!("can't write {}: {error}", file.display()))
}
