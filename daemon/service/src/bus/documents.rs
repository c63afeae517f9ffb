//! Texts that people write and the archive keeps in revisions: what recipes and windows have in common on the bus.

use benchward_api::Error;
use benchward_archive::{Document, Reader, Revision};

use super::archive_error;

/// One of them. `noun`: what it is called to people, and the command's name. `revision`: 0 for the newest.
///
/// # Errors
/// [`Error::NoSuch`], [`Error::Archive`].
pub(super) fn stored(
    reader: &Reader,
    (kind, noun): (Document, &str),
    name: &str,
    revision: u32,
) -> Result<Revision, Error> {
    let wanted = (revision != 0).then_some(revision);
    let found = reader.document(kind, name, wanted).map_err(archive_error)?;
    found.ok_or_else(|| {
        Error::NoSuch(match wanted {
            None => format!("there is no {noun} \"{name}\"; see `benchward {noun} list`"),
            Some(revision) => format!("there is no revision {revision} of {noun} \"{name}\""),
        })
    })
}
