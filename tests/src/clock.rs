//! The clocks of the machine that tests and programs share.

use std::time::{SystemTime, UNIX_EPOCH};

pub use benchward_driver::clock::monotonic_ms;

/// Wall time, milliseconds since 1970.
///
/// # Panics
/// If the machine's clock stands before 1970.
pub fn wall_ms() -> i64 {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .expect("the clock stands after 1970");
    i64::try_from(since.as_millis()).expect("milliseconds fit until long after this project")
}

/// A time as the archive writes it, in milliseconds since 1970.
///
/// # Panics
/// If it isn't RFC 3339.
pub fn wall_of(text: &str) -> i64 {
    text.parse::<benchward_archive::Wall>()
        .unwrap_or_else(|error| panic!("\"{text}\" is no time: {error:?}"))
        .0
}
