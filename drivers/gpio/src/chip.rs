//! The lines of a GPIO chip, and the kernel's character device.

use std::path::{Path, PathBuf};

use benchward_driver::Failure;
use gpiocdev::Request;
use gpiocdev::line::Value;
use serde::Deserialize;

/// A chip whose lines can be switched and read.
pub trait Chip: Sized {
    /// Opens the chip at this path.
    ///
    /// # Errors
    /// If it isn't there or isn't one.
    fn open(path: &Path) -> Result<Self, Failure>;

    /// Takes a line as an output that starts inactive.
    ///
    /// # Errors
    /// If there is no such line, or somebody else has it. `consumer` says who has it from now on.
    fn output(&self, line: u32, active_low: bool, consumer: &str) -> Result<Box<dyn OutputLine>, Failure>;

    /// Takes a line as an input.
    ///
    /// # Errors
    /// As for [`Chip::output`].
    fn input(&self, line: u32, wiring: Wiring, consumer: &str) -> Result<Box<dyn InputLine>, Failure>;
}

/// How an input is wired.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Wiring {
    /// Low counts as active.
    pub active_low: bool,
    /// What holds the line while nothing drives it; `None` leaves that as it is.
    pub bias: Option<Bias>,
}

/// What holds a line while nothing drives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bias {
    /// A resistor to the supply.
    PullUp,
    /// A resistor to ground.
    PullDown,
    /// Nothing.
    None,
}

/// A line that is switched.
pub trait OutputLine: Send {
    /// Switches it. Active is high, or low if the line is active-low.
    ///
    /// # Errors
    /// If the chip is gone.
    fn set(&mut self, active: bool) -> Result<(), Failure>;
}

/// A line that is read.
pub trait InputLine: Send {
    /// Whether it is active now.
    ///
    /// # Errors
    /// If the chip is gone.
    fn active(&mut self) -> Result<bool, Failure>;
}

/// A chip of the kernel: `/dev/gpiochipN`.
#[derive(Debug)]
pub struct CharacterDevice {
    path: PathBuf,
    lines: u32,
}

impl CharacterDevice {
    fn failure(&self, line: u32, what: &str, error: &gpiocdev::Error) -> Failure {
        Failure::new(format!(
            "{}: line {line} can't be {what}: {error}",
            self.path.display()
        ))
    }

    fn check(&self, line: u32) -> Result<(), Failure> {
        if line < self.lines {
            return Ok(());
        }
        Err(Failure::new(format!(
            "{}: there is no line {line}, only 0 to {}; `gpioinfo` lists them",
            self.path.display(),
            self.lines.saturating_sub(1)
        )))
    }
}

impl Chip for CharacterDevice {
    fn open(path: &Path) -> Result<Self, Failure> {
        let info = gpiocdev::Chip::from_path(path)
            .and_then(|chip| chip.info())
            .map_err(|error| {
                Failure::new(format!(
                    "chip = \"{}\" can't be used: {error}; name one of /dev/gpiochip*, and let this account read and write it",
                    path.display()
                ))
            })?;
        Ok(CharacterDevice {
            path: path.to_owned(),
            lines: info.num_lines,
        })
    }

    fn output(&self, line: u32, active_low: bool, consumer: &str) -> Result<Box<dyn OutputLine>, Failure> {
        self.check(line)?;
        let mut builder = Request::builder();
        builder
            .on_chip(&self.path)
            .with_consumer(consumer)
            .with_line(line);
        if active_low {
            builder.as_active_low();
        }
        let request = builder
            .as_output(Value::Inactive)
            .request()
            .map_err(|error| self.failure(line, "taken as an output", &error))?;
        Ok(Box::new(Taken { request, line }))
    }

    fn input(&self, line: u32, wiring: Wiring, consumer: &str) -> Result<Box<dyn InputLine>, Failure> {
        self.check(line)?;
        let mut builder = Request::builder();
        builder
            .on_chip(&self.path)
            .with_consumer(consumer)
            .with_line(line);
        builder.as_input();
        if wiring.active_low {
            builder.as_active_low();
        }
        if let Some(bias) = wiring.bias {
            builder.with_bias(match bias {
                Bias::PullUp => gpiocdev::line::Bias::PullUp,
                Bias::PullDown => gpiocdev::line::Bias::PullDown,
                Bias::None => gpiocdev::line::Bias::Disabled,
            });
        }
        let request = builder
            .request()
            .map_err(|error| self.failure(line, "taken as an input", &error))?;
        Ok(Box::new(Taken { request, line }))
    }
}

/// A line that this process has. The kernel gives it back when this is dropped.
struct Taken {
    request: Request,
    line: u32,
}

impl OutputLine for Taken {
    fn set(&mut self, active: bool) -> Result<(), Failure> {
        let value = if active { Value::Active } else { Value::Inactive };
        self.request
            .set_lone_value(value)
            .map_err(|error| Failure::new(format!("line {} can't be switched: {error}", self.line)))
    }
}

impl InputLine for Taken {
    fn active(&mut self) -> Result<bool, Failure> {
        let value = self
            .request
            .lone_value()
            .map_err(|error| Failure::new(format!("line {} can't be read: {error}", self.line)))?;
        Ok(value == Value::Active)
    }
}
