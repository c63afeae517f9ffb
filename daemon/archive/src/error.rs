//! What can go wrong, with the place and what to do about it.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// Why the archive could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The directory or a file in it cannot be used.
    #[error("archive {}: cannot {doing}\nhint: {}", path.display(), fix(source))]
    Files {
        /// The file or directory.
        path: PathBuf,
        /// What was tried, such as `create the directory`.
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
    /// There is no archive.
    #[error("{} holds no archive (no archive.json)\nhint: name the directory that `archive` in lab.toml names", .0.display())]
    NotAnArchive(PathBuf),
    /// A daemon holds it.
    #[error("archive {} is in use by a running daemon ({holder})\nhint: ask the daemon instead (leave out --archive), or stop it first, or read a copy", path.display())]
    InUse {
        /// The directory.
        path: PathBuf,
        /// Who, as far as known.
        holder: String,
    },
    /// Written by a later version.
    #[error("archive {} has format {found}; this version knows formats up to {known}\nhint: install the version that wrote it, or a newer one", path.display())]
    NewerFormat {
        /// The directory.
        path: PathBuf,
        /// Format of the directory.
        found: u32,
        /// Highest that this version knows.
        known: u32,
    },
    /// The store failed.
    #[error("archive store: {0}")]
    Store(String),
    /// The store is closed after a failure and is tried again later; nothing that was handed in is lost.
    #[error("archive store is away: {0}; it is tried again, nothing handed in is lost")]
    StoreAway(String),
    /// A text is too long to be kept.
    #[error("{what}: {bytes} bytes are more than the {limit} that are kept")]
    TooLarge {
        /// Which text.
        what: String,
        /// Its length.
        bytes: usize,
        /// The longest that is kept.
        limit: usize,
    },
    /// A row does not fit its station.
    #[error("station {station}: a row with {found} values, but {wanted} channels are registered")]
    WrongWidth {
        /// The station's name.
        station: String,
        /// Values in the row.
        found: usize,
        /// Channels of the station.
        wanted: usize,
    },
    /// No such run.
    #[error("there is no run {0}")]
    NoSuchRun(u64),
    /// A record cannot be read.
    #[error("{0}")]
    Damaged(Damage),
}

impl Error {
    pub(crate) fn files(path: impl AsRef<Path>, doing: &'static str) -> impl FnOnce(io::Error) -> Self {
        let path = path.as_ref().to_owned();
        move |source| Self::Files { path, doing, source }
    }

    /// Is it the disk's being full?
    pub fn is_full(&self) -> bool {
        matches!(self, Self::Files { source, .. } if source.kind() == io::ErrorKind::StorageFull)
    }
}

fn fix(source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::PermissionDenied => {
            "give the daemon's user write permission there (chown), or name another directory as `archive` in lab.toml"
        }
        io::ErrorKind::NotFound => "create the directory above it, or correct `archive` in lab.toml",
        io::ErrorKind::NotADirectory | io::ErrorKind::AlreadyExists => {
            "something else is in the way: move it, or name another directory as `archive` in lab.toml"
        }
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "free space on that file system",
        io::ErrorKind::ReadOnlyFilesystem => {
            "mount it for writing, or name another directory as `archive` in lab.toml"
        }
        _ => "see what the system says, and look at the disk (dmesg)",
    }
}

/// Something in the archive that cannot be read; what is around it still can.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// The file.
    pub path: PathBuf,
    /// Where in it, bytes from its beginning.
    pub at: u64,
    /// What is wrong.
    pub why: String,
}

impl fmt::Display for Damage {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} at byte {}: {}", self.path.display(), self.at, self.why)
    }
}

impl std::error::Error for Damage {}
