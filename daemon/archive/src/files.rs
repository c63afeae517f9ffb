//! Files and directories, with the syncs that make a change survive a power cut.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use crate::error::Error;

/// Files are for the daemon's user and its group: records name people.
const MODE: u32 = 0o640;

/// A new file; an old one of that name is emptied.
pub(crate) fn create(path: &Path) -> io::Result<File> {
    OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(true)
        .mode(MODE)
        .open(path)
}

/// Makes names in a directory survive a power cut.
pub(crate) fn sync_directory(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}

/// Replaces a file as a whole: after a power cut it is the old one or the new one.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let new = path.with_extension("new");
    let mut file = create(&new)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&new, path)?;
    path.parent().map_or(Ok(()), sync_directory)
}

/// Bytes that this user may still write on the file system of `path`.
pub(crate) fn free_bytes(path: &Path) -> io::Result<u64> {
    let stat = rustix::fs::statvfs(path)?;
    Ok(stat.f_bavail.saturating_mul(stat.f_frsize))
}

/// Paths in a directory, by name; a directory that is not there is empty.
pub(crate) fn list(path: &Path) -> Result<Vec<std::path::PathBuf>, Error> {
    let entries = match fs::read_dir(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        entries => entries.map_err(Error::files(path, "list the directory"))?,
    };
    let paths: io::Result<Vec<_>> = entries.map(|entry| entry.map(|entry| entry.path())).collect();
    let mut paths = paths.map_err(Error::files(path, "list the directory"))?;
    paths.sort();
    Ok(paths)
}

/// Copies a directory tree, leaving out what `skip` names.
pub(crate) fn copy_tree(from: &Path, to: &Path, skip: &dyn Fn(&Path) -> bool) -> Result<(), Error> {
    fs::create_dir_all(to).map_err(Error::files(to, "create the directory"))?;
    for path in list(from)?.into_iter().filter(|path| !skip(path)) {
        let Some(name) = path.file_name() else { continue };
        let target = to.join(name);
        if path.is_dir() {
            copy_tree(&path, &target, skip)?;
        } else {
            fs::copy(&path, &target).map_err(Error::files(&path, "copy the file"))?;
        }
    }
    Ok(())
}

/// A name as a file name: letters, digits, `-`, `_` and inner dots stay, other bytes become `%xx`; a very long one
/// is cut and told apart by its hash.
pub(crate) fn file_name(name: &str) -> String {
    /// File systems take 255 bytes; the date, a number and the ending need room.
    const LONGEST: usize = 150;
    let mut out = String::new();
    for (at, byte) in name.bytes().enumerate() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' => out.push(char::from(byte)),
            b'.' if at > 0 => out.push('.'),
            _ => {
                use std::fmt::Write as _;
                let _ = write!(out, "%{byte:02x}");
            }
        }
    }
    if out.len() > LONGEST || out.is_empty() {
        let hash = crate::journal::Hash::of(&[name.as_bytes()]).to_string();
        out = format!("{}~{}", &out[..out.len().min(LONGEST - 20)], &hash[..16]);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_keep_names_apart_and_inside() {
        assert_eq!(file_name("bench-1"), "bench-1");
        assert_eq!(file_name("../a b/ö"), "%2e.%2fa%20b%2f%c3%b6");
        let long = |end: &str| file_name(&("x".repeat(300) + end));
        assert!(long("a") != long("b") && long("a").len() < 160);
        assert!(!file_name("").is_empty());
    }

    #[test]
    fn whole_files_are_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("safety.json");
        for text in ["one", "two"] {
            write_whole(&path, text.as_bytes()).unwrap();
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
        assert_eq!(list(dir.path()).unwrap(), [path]);
    }
}
