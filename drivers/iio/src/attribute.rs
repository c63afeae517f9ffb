//! Reading one sysfs attribute: a small text file that the kernel makes up on every read.
//!
//! Nothing is kept between reads. What can't be read is an [`Unread`], never the value from before.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use rustix::io::Errno;

/// The kernel gives an attribute one page.
const PAGE_BYTES: u64 = 4096;

/// Longest piece of a wrong text that is repeated in a message.
const QUOTED_CHARS: usize = 40;

/// Why an attribute gave nothing that counts.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Unread {
    #[error("{}: {}", .path.display(), in_words(.error))]
    Errno { path: PathBuf, error: io::Error },
    #[error("{}: {text:?} is not {expected}", .path.display())]
    Text {
        path: PathBuf,
        text: String,
        expected: &'static str,
    },
}

impl Unread {
    /// The kernel's error number, if it gave one.
    pub(crate) fn errno(&self) -> Option<Errno> {
        match self {
            Unread::Errno { error, .. } => Errno::from_io_error(error),
            Unread::Text { .. } => None,
        }
    }
}

/// Error numbers that drivers of sensors are known to give, with their names: those are what one finds in the kernel's sources.
const NAMES: [(Errno, &str); 14] = [
    (Errno::IO, "EIO"),
    (Errno::INVAL, "EINVAL"),
    (Errno::BUSY, "EBUSY"),
    (Errno::NODATA, "ENODATA"),
    (Errno::NODEV, "ENODEV"),
    (Errno::NOENT, "ENOENT"),
    (Errno::NXIO, "ENXIO"),
    (Errno::REMOTEIO, "EREMOTEIO"),
    (Errno::TIMEDOUT, "ETIMEDOUT"),
    (Errno::AGAIN, "EAGAIN"),
    (Errno::ACCESS, "EACCES"),
    (Errno::ISDIR, "EISDIR"),
    (Errno::PROTO, "EPROTO"),
    (Errno::BADMSG, "EBADMSG"),
];

fn in_words(error: &io::Error) -> String {
    let name = Errno::from_io_error(error).and_then(|e| NAMES.iter().find(|(number, _)| *number == e));
    match name {
        Some((_, name)) => format!("{name}, {error}"),
        None => error.to_string(),
    }
}

/// The attribute's text, without the line's end.
///
/// # Errors
/// Whatever the kernel says, and text that isn't UTF-8.
pub(crate) fn text(path: &Path) -> Result<String, Unread> {
    let errno = |error| Unread::Errno {
        path: path.to_owned(),
        error,
    };
    let mut bytes = Vec::with_capacity(64);
    let file = File::open(path).map_err(errno)?;
    file.take(PAGE_BYTES).read_to_end(&mut bytes).map_err(errno)?;
    match String::from_utf8(bytes) {
        Ok(text) => Ok(text.trim_end().to_owned()),
        Err(error) => Err(wrong(
            path,
            &String::from_utf8_lossy(error.as_bytes()),
            "UTF-8 text",
        )),
    }
}

/// The attribute's number, finite.
///
/// # Errors
/// As for [`text`], and for a text that is no number.
pub(crate) fn number(path: &Path) -> Result<f64, Unread> {
    let text = text(path)?;
    match text.trim().parse() {
        Ok(number) if f64::is_finite(number) => Ok(number),
        _ => Err(wrong(path, &text, "a number")),
    }
}

/// The attribute's yes or no.
///
/// # Errors
/// As for [`text`], and for a text that is neither `0` nor `1`.
pub(crate) fn flag(path: &Path) -> Result<bool, Unread> {
    let text = text(path)?;
    match text.trim() {
        "0" => Ok(false),
        "1" => Ok(true),
        _ => Err(wrong(path, &text, "0 or 1")),
    }
}

fn wrong(path: &Path, text: &str, expected: &'static str) -> Unread {
    Unread::Text {
        path: path.to_owned(),
        text: text.chars().take(QUOTED_CHARS).collect(),
        expected,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(text: &[u8]) -> tempfile::NamedTempFile {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), text).unwrap();
        file
    }

    fn message(of: &Unread, path: &Path) -> String {
        of.to_string().replace(&path.display().to_string(), "FILE")
    }

    #[test]
    fn numbers_as_the_kernel_prints_them() {
        for (text, number) in [
            ("25000\n", 25_000.0),
            ("-250\n", -250.0),
            ("7.812500\n", 7.8125),
            ("0.000000000\n", 0.0),
        ] {
            let file = written(text.as_bytes());
            assert!(
                (super::number(file.path()).unwrap() - number).abs() < 1e-12,
                "{text}"
            );
        }
    }

    #[test]
    fn what_is_no_number_is_quoted() {
        for text in ["", "warm", "0x1900", "nan", "inf", "1 2", "1e999"] {
            let file = written(format!("{text}\n").as_bytes());
            let error = number(file.path()).unwrap_err();
            assert_eq!(
                message(&error, file.path()),
                format!("FILE: {text:?} is not a number")
            );
            assert_eq!(error.errno(), None);
        }
        let file = written(b"\xff\xfe");
        assert!(message(&number(file.path()).unwrap_err(), file.path()).ends_with("is not UTF-8 text"));
        let file = written(b"2\n");
        assert_eq!(
            message(&flag(file.path()).unwrap_err(), file.path()),
            "FILE: \"2\" is not 0 or 1"
        );
    }

    #[test]
    fn the_kernels_errors_keep_their_names() {
        // Reading a folder and reading address 0 of a process's memory are errors that the real kernel gives.
        for (path, name) in [
            ("/proc/self/task", "EISDIR"),
            ("/proc/self/mem", "EIO"),
            ("/proc/self/absent", "ENOENT"),
        ] {
            let error = number(Path::new(path)).unwrap_err();
            assert!(
                error.to_string().starts_with(&format!("{path}: {name}, ")),
                "{error}"
            );
            assert!(error.errno().is_some());
        }
    }
}
