//! What can go wrong with one exchange, in words for the person who has to look for it.

use std::time::{Duration, Instant};

use crate::pdu::Exception;

/// Why a question has no answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Trouble {
    /// There is no line to ask on.
    #[error("{0}")]
    Down(String),
    /// The unit can't be asked for anything before then. Nothing was put on the line.
    #[error("the unit was late with an answer and is given time to say it")]
    Later(Instant),
    /// Nothing came.
    #[error("no answer within {} ms", .0.as_millis())]
    Silent(Duration),
    /// Something came that isn't an answer.
    #[error(
        "{0} bytes came that are no answer: noise, a wrong baud rate or parity, or two units with one id"
    )]
    Garbled(usize),
    /// A whole answer, but from somebody else.
    #[error("unit {0} answered instead")]
    OtherUnit(u8),
    /// The unit refuses.
    #[error("exception {}: {}", .0.0, .0.words())]
    Exception(Exception),
}

impl Trouble {
    /// Whether asking again at once may help.
    pub(crate) fn may_pass(&self) -> bool {
        match self {
            Trouble::Silent(_) | Trouble::Garbled(_) | Trouble::OtherUnit(_) => true,
            Trouble::Exception(exception) => exception.may_pass(),
            Trouble::Down(_) | Trouble::Later(_) => false,
        }
    }
}
