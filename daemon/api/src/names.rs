//! Names on the bus.

/// The daemon's name on a bus.
pub const BUS_NAME: &str = "io.benchward.Lab1";
/// The whole lab.
pub const LAB_PATH: &str = "/io/benchward/Lab1";
/// Stations are below this path.
pub const STATIONS_PATH: &str = "/io/benchward/Lab1/station";
/// Runs, readings, journal.
pub const ARCHIVE_PATH: &str = "/io/benchward/Lab1/archive";
/// Recipes.
pub const RECIPES_PATH: &str = "/io/benchward/Lab1/recipes";
/// Boards and what is known of them.
pub const BOARDS_PATH: &str = "/io/benchward/Lab1/boards";
/// Windows, and runs judged by them.
pub const WINDOWS_PATH: &str = "/io/benchward/Lab1/windows";
/// Sensors and their calibrations.
pub const SENSORS_PATH: &str = "/io/benchward/Lab1/sensors";

/// The object path of a station.
///
/// A path element may hold letters, digits and `_` only (D-Bus specification, "Valid Object Paths"). Every other
/// byte of the name becomes `_` and two hexadecimal digits, so that two names never share a path.
pub fn station_path(name: &str) -> String {
    use std::fmt::Write as _;
    let mut path = format!("{STATIONS_PATH}/");
    for byte in name.bytes() {
        if byte.is_ascii_alphanumeric() {
            path.push(char::from(byte));
        } else {
            // Writing to a `String` can't fail.
            let _ = write!(path, "_{byte:02x}");
        }
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_station_name_becomes_a_valid_path() {
        assert_eq!(station_path("bench-1"), "/io/benchward/Lab1/station/bench_2d1");
        assert_ne!(station_path("a-b"), station_path("a_b"));
        assert!(zbus::wire::ObjectPath::try_from(station_path("bench-1")).is_ok());
    }
}
