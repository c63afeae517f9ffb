//! Faults on command, over a unix socket: one JSON object a line, each answered by `ok` or `error: ...`.

use std::fs;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::fs::FileTypeExt;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::Path;
use std::thread;

use benchward_driver_simulated::faults::Fault;

use crate::World;

/// Longest command.
const MAX_LINE_BYTES: u64 = 4_096;

/// Starts listening. A socket left over from an earlier process is replaced; anything else is not.
pub(crate) fn listen(path: &Path, world: World) -> io::Result<()> {
    if fs::symlink_metadata(path).is_ok_and(|m| m.file_type().is_socket()) {
        fs::remove_file(path)?;
    }
    let listener = UnixListener::bind(path)?;
    thread::Builder::new().name("control".into()).spawn(move || {
        for stream in listener.incoming().flatten() {
            let world = world.clone();
            // One that doesn't end its line must not keep out the next one.
            let serve = move || drop(serve(stream, &world));
            if thread::Builder::new()
                .name("control".into())
                .spawn(serve)
                .is_err()
            {
                return;
            }
        }
    })?;
    Ok(())
}

fn serve(stream: UnixStream, world: &World) -> io::Result<()> {
    let mut answers = stream.try_clone()?;
    let mut lines = BufReader::new(stream);
    loop {
        let mut line = String::new();
        if (&mut lines).take(MAX_LINE_BYTES).read_line(&mut line)? == 0 {
            return Ok(());
        }
        let answer = match command(&line, world) {
            Ok(()) => "ok\n".to_owned(),
            Err(error) => format!("error: {error}\n"),
        };
        answers.write_all(answer.as_bytes())?;
    }
}

fn command(line: &str, world: &World) -> Result<(), String> {
    let fault: Fault = serde_json::from_str(line).map_err(|e| e.to_string())?;
    let mut world = world.now();
    fault.check(&world.sensor_ids)?;
    world.bench.cause(fault);
    Ok(())
}
