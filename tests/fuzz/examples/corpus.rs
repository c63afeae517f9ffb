//! Writes what each target of `tests/fuzz/guided` begins with: the good texts that the tests spoil.
//!
//! `cargo run -p benchward-fuzz --example corpus -- FOLDER` makes a folder per target in it.

use std::path::PathBuf;
use std::{env, fs, io};

use benchward_fuzz::{Kept, seeds};

fn main() -> io::Result<()> {
    let folder = env::args_os()
        .nth(1)
        .map(PathBuf::from)
        .ok_or_else(|| io::Error::other("the folder to write to is missing: corpus FOLDER"))?;
    let lines = seeds(&["seeds/driver-lines"]).concat();
    let lines = lines.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec);
    let run_file = vec![Kept::new().whole];
    for (target, texts) in [
        ("driver_lines", lines.collect()),
        ("configuration", seeds(&["../../deploy/examples/lab.toml"])),
        ("recipe", seeds(&["../../deploy/examples/recipes"])),
        ("window", seeds(&["../../deploy/examples/windows"])),
        ("run_file", run_file.clone()),
        ("run_file_with_right_sums", run_file),
    ] {
        let to = folder.join(target);
        fs::create_dir_all(&to)?;
        for (n, text) in texts.iter().enumerate() {
            fs::write(to.join(format!("seed-{n}")), text)?;
        }
    }
    Ok(())
}
