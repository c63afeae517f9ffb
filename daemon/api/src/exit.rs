//! Exit codes of the command line.

/// How a command ended. Scripts rely on the numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Done.
    Done = 0,
    /// Failed.
    Failed = 1,
    /// Wrong use: arguments or files.
    WrongUse = 2,
    /// The caller lacks a role.
    NotPermitted = 3,
    /// Refused by an interlock or a limit.
    Refused = 4,
    /// No daemon to ask.
    NoDaemon = 5,
}

impl From<Exit> for std::process::ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}
