//! `benchward-driver-gpio`: see the library for its settings.

use std::process::ExitCode;

use benchward_driver_gpio::{CharacterDevice, Gpio};

fn main() -> ExitCode {
    benchward_driver::run::<Gpio<CharacterDevice>>()
}
