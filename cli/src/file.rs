//! Files that are written whole or not at all.

use std::fs::File;
use std::io::{self, Write};
use std::os::fd::{AsFd, AsRawFd as _};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use rustix::fs::{AtFlags, CWD, Mode, OFlags};
use tempfile::NamedTempFile;

use crate::failure::Failure;

/// A file without its name until it is whole: what broke on the way must not pass for a record, nor lie about.
pub(crate) struct Part {
    part: Unnamed,
    file: PathBuf,
}

/// What the file is until then.
enum Unnamed {
    /// It has no name at all, so that the kernel takes it away whatever ends this program: Ctrl-C, a kill, a power cut.
    Nowhere(File),
    /// On a file system that has no such files (FAT, older network file systems) it has a hidden name. An error and a panic take it away;
    /// what ends this program at once does not.
    Hidden(NamedTempFile),
}

fn hidden() -> tempfile::Builder<'static, 'static> {
    let mut names = tempfile::Builder::new();
    names.prefix(".benchward-");
    names
}

impl Unnamed {
    fn in_folder(folder: &Path) -> io::Result<Self> {
        let flags = OFlags::TMPFILE | OFlags::WRONLY | OFlags::CLOEXEC;
        match rustix::fs::openat(CWD, folder, flags, Mode::from_raw_mode(0o666)) {
            Ok(file) if itself(&file).exists() => Ok(Self::Nowhere(File::from(file))),
            // A folder that isn't there, or isn't ours, is told by the next call as well.
            _ => hidden()
                .permissions(std::fs::Permissions::from_mode(0o666))
                .tempfile_in(folder)
                .map(Self::Hidden),
        }
    }

    fn file(&self) -> &File {
        match self {
            Self::Nowhere(file) => file,
            Self::Hidden(file) => file.as_file(),
        }
    }

    /// Gives it the name; a file that has it is replaced. Only renaming does that, so that it has a hidden name for as long as two calls take.
    fn named(self, folder: &Path, file: &Path) -> io::Result<()> {
        match self {
            Self::Nowhere(part) => {
                let link = |name: &Path| {
                    rustix::fs::linkat(CWD, itself(&part), CWD, name, AtFlags::SYMLINK_FOLLOW)
                        .map_err(io::Error::from)
                };
                let linked = hidden().make_in(folder, link)?;
                linked.persist(file).map_err(|error| error.error)?;
            }
            Self::Hidden(part) => {
                part.persist(file).map_err(|error| error.error)?;
            }
        }
        Ok(())
    }
}

/// Where the kernel shows an open file: what a file without a name can be linked from.
fn itself(file: &impl AsFd) -> PathBuf {
    format!("/proc/self/fd/{}", file.as_fd().as_raw_fd()).into()
}

fn folder_of(file: &Path) -> &Path {
    file.parent()
        .filter(|folder| !folder.as_os_str().is_empty())
        .unwrap_or(Path::new("."))
}

impl Part {
    /// Begins one that will be `file`, in the same folder.
    pub(crate) fn of(file: &Path) -> Result<Self, Failure> {
        Ok(Self {
            part: Unnamed::in_folder(folder_of(file)).map_err(|error| cannot(file, &error))?,
            file: file.to_owned(),
        })
    }

    /// Where to write.
    pub(crate) fn out(&self) -> &File {
        self.part.file()
    }

    /// It is whole: syncs it and gives it its name. One that was there is replaced.
    pub(crate) fn finish(self) -> Result<(), Failure> {
        let synced = self.part.file().sync_all();
        synced
            .and_then(|()| self.part.named(folder_of(&self.file), &self.file))
            .map_err(|error| cannot(&self.file, &error))
    }
}

/// Writes a whole file.
pub(crate) fn write(file: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let part = Part::of(file)?;
    part.out()
        .write_all(bytes)
        .map_err(|error| cannot(file, &error))?;
    part.finish()
}

pub(crate) fn cannot(file: &Path, error: &io::Error) -> Failure {
    Failure::failed(format!("can't write {}: {error}", file.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = std::fs::read_dir(folder).unwrap();
        entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect()
    }

    /// Both kinds, and the same to whoever reads the file afterwards.
    #[test]
    fn a_file_has_its_name_once_it_is_whole() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("run.csv");
        for (text, unnamed) in [
            ("one", Unnamed::in_folder(folder.path()).unwrap()),
            (
                "two",
                Unnamed::Hidden(hidden().tempfile_in(folder.path()).unwrap()),
            ),
            ("three", Unnamed::in_folder(folder.path()).unwrap()),
        ] {
            unnamed.file().write_all(text.as_bytes()).unwrap();
            let part = Part {
                part: unnamed,
                file: file.clone(),
            };
            part.finish().unwrap();
            assert_eq!(std::fs::read_to_string(&file).unwrap(), text);
        }
        assert_eq!(names(folder.path()), ["run.csv"]);
        let given_up = Part::of(&folder.path().join("other.csv")).unwrap();
        given_up.out().write_all(b"half").unwrap();
        drop(given_up);
        assert_eq!(names(folder.path()), ["run.csv"]);
        assert!(Part::of(&folder.path().join("missing/run.csv")).is_err());
    }
}
