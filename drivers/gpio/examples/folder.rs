//! The driver on a chip made of files, for tests where the kernel has no simulated chip: `line-N` holds the level of line N, 0 or 1.
//! What is switched is also written to `log`, as `AT_MS LINE LEVEL`.

use std::fs::{File, OpenOptions, read_to_string, write};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use benchward_driver::Failure;
use benchward_driver::clock::monotonic_ms;
use benchward_driver_gpio::{Bias, Chip, Gpio, InputLine, OutputLine, Wiring};

struct Folder(PathBuf);

impl Chip for Folder {
    fn open(path: &Path) -> Result<Self, Failure> {
        if path.is_dir() {
            Ok(Folder(path.to_owned()))
        } else {
            Err(Failure::new(format!(
                "chip = \"{}\" isn't a folder",
                path.display()
            )))
        }
    }

    fn output(&self, line: u32, active_low: bool, _consumer: &str) -> Result<Box<dyn OutputLine>, Failure> {
        let log = OpenOptions::new()
            .append(true)
            .create(true)
            .open(self.0.join("log"))?;
        let mut line = Switched {
            file: self.0.join(format!("line-{line}")),
            line,
            active_low,
            log,
        };
        line.set(false)?;
        Ok(Box::new(line))
    }

    fn input(&self, line: u32, wiring: Wiring, _consumer: &str) -> Result<Box<dyn InputLine>, Failure> {
        Ok(Box::new(Read {
            file: self.0.join(format!("line-{line}")),
            wiring,
        }))
    }
}

struct Switched {
    file: PathBuf,
    line: u32,
    active_low: bool,
    log: File,
}

impl OutputLine for Switched {
    fn set(&mut self, active: bool) -> Result<(), Failure> {
        let level = u8::from(active != self.active_low);
        write(&self.file, level.to_string())?;
        let line = format!("{} {} {level}\n", monotonic_ms(), self.line);
        Ok(self.log.write_all(line.as_bytes())?)
    }
}

struct Read {
    file: PathBuf,
    wiring: Wiring,
}

impl InputLine for Read {
    fn active(&mut self) -> Result<bool, Failure> {
        let high = match read_to_string(&self.file) {
            Ok(text) => match text.trim() {
                "0" => false,
                "1" => true,
                // Nobody drives the line.
                "" => self.wiring.bias == Some(Bias::PullUp),
                other => return Err(Failure::new(format!("`{other}` is no level"))),
            },
            Err(_) => self.wiring.bias == Some(Bias::PullUp),
        };
        Ok(high != self.wiring.active_low)
    }
}

fn main() -> ExitCode {
    benchward_driver::run::<Gpio<Folder>>()
}
