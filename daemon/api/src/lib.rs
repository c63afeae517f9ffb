//! What the daemon and its clients share: D-Bus names, proxies, the JSON shapes, the error names, the exit codes.
//!
//! Only this crate and the daemon's `bus` module know D-Bus. The shapes are plain data with the keys that scripts
//! outside the project rely on; they are made from the core's views and the archive's records, never the other
//! way round.

pub mod board;
mod error;
mod exit;
pub mod judging;
pub mod messages;
mod names;
mod proxy;
pub mod redo;
pub mod shapes;

pub use error::Error;
pub use exit::Exit;
pub use names::{
    ARCHIVE_PATH, BOARDS_PATH, BUS_NAME, LAB_PATH, RECIPES_PATH, SENSORS_PATH, STATIONS_PATH, WINDOWS_PATH,
    station_path,
};
pub use proxy::{
    ArchiveProxy, BoardsProxy, LabProxy, RecipesProxy, SensorsProxy, StationProxy, WindowsProxy,
};
