//! Faults on command, at a simulated bench's control socket.

use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::net::UnixStream;
use std::path::Path;

use crate::wait::wait_for;

/// Causes a fault, such as `{"kind":"open","input":"tc1"}`, and returns once the driver has taken it.
///
/// # Panics
/// If the driver isn't there or doesn't take it.
pub fn cause(control: &Path, fault: &str) {
    let mut stream = wait_for("the driver's control socket", || {
        UnixStream::connect(control).ok()
    });
    writeln!(stream, "{fault}").expect("the control socket takes a line");
    let mut answer = String::new();
    BufReader::new(stream)
        .read_line(&mut answer)
        .expect("the control socket answers");
    assert_eq!(answer.trim(), "ok", "the fault {fault}");
}
