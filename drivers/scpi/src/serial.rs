//! Opens a serial line and sets it up: raw, exclusive, non-blocking.

use std::io;
use std::os::fd::OwnedFd;

use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::termios::{self, ControlModes, InputModes, OptionalActions, QueueSelector};

use crate::settings::{FlowControl, Parity, SerialSettings};

/// Opens it, and throws away what has come in before.
///
/// # Errors
/// What the kernel says; a setting that the line can't do is named.
pub(crate) fn open(settings: &SerialSettings) -> io::Result<OwnedFd> {
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = rustix::fs::open(&settings.path, flags, Mode::empty())?;
    if !termios::isatty(&file) {
        return Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "it is no serial line",
        ));
    }
    // Nobody else may open it as long as we have it; on a line that is ours already, opening it above failed with EBUSY.
    termios::ioctl_tiocexcl(&file)?;

    let mut modes = termios::tcgetattr(&file)?;
    modes.make_raw();
    modes.control_modes &= !(ControlModes::CSIZE
        | ControlModes::PARENB
        | ControlModes::PARODD
        | ControlModes::CSTOPB
        | ControlModes::CRTSCTS);
    modes.control_modes |= ControlModes::CREAD | ControlModes::CLOCAL;
    modes.control_modes |= match settings.data_bits {
        7 => ControlModes::CS7,
        _ => ControlModes::CS8,
    };
    modes.control_modes |= match settings.parity {
        Parity::None => ControlModes::empty(),
        Parity::Even => ControlModes::PARENB,
        Parity::Odd => ControlModes::PARENB | ControlModes::PARODD,
    };
    if settings.stop_bits == 2 {
        modes.control_modes |= ControlModes::CSTOPB;
    }
    modes.input_modes &= !(InputModes::IXON | InputModes::IXOFF);
    match settings.flow_control {
        FlowControl::None => {}
        FlowControl::XonXoff => modes.input_modes |= InputModes::IXON | InputModes::IXOFF,
        FlowControl::RtsCts => modes.control_modes |= ControlModes::CRTSCTS,
    }
    let refused = |errno: Errno| {
        io::Error::other(format!(
            "the line can't do {} baud, {} data bits, parity {:?}, {} stop bits: {errno}",
            settings.baud, settings.data_bits, settings.parity, settings.stop_bits
        ))
    };
    modes.set_speed(settings.baud).map_err(refused)?;
    termios::tcsetattr(&file, OptionalActions::Now, &modes).map_err(refused)?;
    termios::tcflush(&file, QueueSelector::IOFlush)?;
    Ok(file)
}
