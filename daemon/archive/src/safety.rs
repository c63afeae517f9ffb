//! Standing trips and saved limits in a small file of their own, `safety.json`.
//!
//! The store holds them too. But a store that lost something must not lift a trip or raise a ceiling, so they are kept twice, with a version
//! that rises with each change. The store is written first. So a store with the higher version is what a crash between the two leaves, and a
//! file with the higher version says that the store has lost something.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::Error;
use crate::files;
use crate::ledger::Trips;

/// What is kept twice.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct Safety {
    pub(crate) version: u64,
    pub(crate) trips: Trips,
    /// Degrees Celsius.
    pub(crate) limits: BTreeMap<String, f64>,
}

impl Safety {
    /// Reads the file; `None` if there is none or it makes no sense.
    pub(crate) fn read(path: &Path) -> Result<Option<Self>, Error> {
        match fs::read(path) {
            Ok(bytes) => Ok(serde_json::from_slice(&bytes).ok()),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(Error::files(path, "read")(error)),
        }
    }

    pub(crate) fn write(&self, path: &Path) -> Result<(), Error> {
        let json = serde_json::to_vec_pretty(self).expect("plain values make JSON");
        files::write_whole(path, &json).map_err(Error::files(path, "write"))
    }
}
