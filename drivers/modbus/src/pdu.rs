//! Requests and answers without their framing: what both kinds of line carry.
//!
//! After "MODBUS Application Protocol Specification" V1.1b3. Only what a driver needs: functions 1 to 6. An answer counts only if
//! function, length and, for writes, the echo are what the request asks for; anything else is no answer.

use serde::Deserialize;

/// The four tables of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Table {
    /// Bits that can be written; function 1. "00001" in manuals is address 0.
    Coil,
    /// Bits that can't; function 2. "10001" is address 0.
    DiscreteInput,
    /// Registers that can be written; function 3. "40001" is address 0.
    HoldingRegister,
    /// Registers that can't; function 4. "30001" is address 0.
    InputRegister,
}

impl Table {
    pub(crate) fn holds_bits(self) -> bool {
        matches!(self, Table::Coil | Table::DiscreteInput)
    }

    /// The word in the configuration.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Table::Coil => "coil",
            Table::DiscreteInput => "discrete-input",
            Table::HoldingRegister => "holding-register",
            Table::InputRegister => "input-register",
        }
    }

    fn function(self) -> u8 {
        match self {
            Table::Coil => 1,
            Table::DiscreteInput => 2,
            Table::HoldingRegister => 3,
            Table::InputRegister => 4,
        }
    }
}

/// What a unit is asked. Addresses count from zero, as on the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Request {
    /// `count` bits or registers from `address`.
    Read { table: Table, address: u16, count: u16 },
    /// One coil.
    WriteCoil { address: u16, on: bool },
    /// One holding register.
    WriteRegister { address: u16, value: u16 },
}

/// What a unit says to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Answer {
    Bits(Vec<bool>),
    Registers(Vec<u16>),
    /// Written.
    Done,
}

/// Why an answer isn't one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum NoAnswer {
    /// The unit refuses.
    Exception(Exception),
    /// Not an answer to this request.
    Unfit,
}

/// A refusal, by the code that the unit gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Exception(pub(crate) u8);

impl Exception {
    /// What it means, in words.
    pub(crate) fn words(self) -> &'static str {
        match self.0 {
            1 => "the unit doesn't know this function",
            2 => "the unit has nothing at this address",
            3 => "the unit doesn't take this value or count",
            4 => "the unit failed while doing it",
            5 => "the unit needs longer for it",
            6 => "the unit is busy",
            7 => "the unit refuses it",
            8 => "the unit's memory has a parity error",
            10 => "the gateway has no way to the unit",
            11 => "the unit behind the gateway doesn't answer",
            _ => "a code that the standard doesn't have",
        }
    }

    /// Whether asking again may help.
    pub(crate) fn may_pass(self) -> bool {
        matches!(self.0, 5 | 6 | 11)
    }
}

impl Request {
    /// The function code.
    pub(crate) fn function(self) -> u8 {
        match self {
            Request::Read { table, .. } => table.function(),
            Request::WriteCoil { .. } => 5,
            Request::WriteRegister { .. } => 6,
        }
    }

    pub(crate) fn reads(self) -> bool {
        matches!(self, Request::Read { .. })
    }

    /// Appends its five bytes.
    pub(crate) fn encode(self, out: &mut Vec<u8>) {
        let (address, value) = match self {
            Request::Read { address, count, .. } => (address, count),
            Request::WriteCoil { address, on } => (address, if on { 0xff00 } else { 0 }),
            Request::WriteRegister { address, value } => (address, value),
        };
        out.push(self.function());
        out.extend(address.to_be_bytes());
        out.extend(value.to_be_bytes());
    }

    /// Length in bytes of an answer that isn't a refusal. A refusal has two.
    pub(crate) fn answer_len(self) -> usize {
        match self {
            Request::Read { table, count, .. } if table.holds_bits() => 2 + usize::from(count).div_ceil(8),
            Request::Read { count, .. } => 2 + 2 * usize::from(count),
            Request::WriteCoil { .. } | Request::WriteRegister { .. } => 5,
        }
    }

    /// Reads an answer, from its function code on.
    ///
    /// # Errors
    /// [`NoAnswer`] for a refusal, and for everything that isn't exactly an answer to this request.
    pub(crate) fn answer(self, pdu: &[u8]) -> Result<Answer, NoAnswer> {
        if let [function, code] = *pdu
            && function == self.function() | 0x80
        {
            return Err(NoAnswer::Exception(Exception(code)));
        }
        if pdu.len() != self.answer_len() || pdu[0] != self.function() {
            return Err(NoAnswer::Unfit);
        }
        match self {
            Request::Read { table, count, .. } => {
                if usize::from(pdu[1]) != pdu.len() - 2 {
                    return Err(NoAnswer::Unfit);
                }
                let data = &pdu[2..];
                Ok(if table.holds_bits() {
                    let bit = |n: usize| data[n / 8] >> (n % 8) & 1 == 1;
                    Answer::Bits((0..usize::from(count)).map(bit).collect())
                } else {
                    let registers = data.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]]));
                    Answer::Registers(registers.collect())
                })
            }
            Request::WriteCoil { .. } | Request::WriteRegister { .. } => {
                let mut echo = Vec::with_capacity(5);
                self.encode(&mut echo);
                if pdu == echo {
                    Ok(Answer::Done)
                } else {
                    Err(NoAnswer::Unfit)
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn encoded(request: Request) -> Vec<u8> {
        let mut out = Vec::new();
        request.encode(&mut out);
        out
    }

    /// The examples of V1.1b3, sections 6.1 (coils), 6.3 (holding registers), 6.5 and 6.6 (writes).
    #[test]
    fn examples_of_the_specification() {
        let coils = Request::Read {
            table: Table::Coil,
            address: 19,
            count: 19,
        };
        assert_eq!(encoded(coils), [0x01, 0x00, 0x13, 0x00, 0x13]);
        let Ok(Answer::Bits(bits)) = coils.answer(&[0x01, 0x03, 0xcd, 0x6b, 0x05]) else {
            panic!()
        };
        // "Coils 27-20 are shown as CD hex: 1 1 0 0 1 1 0 1; coil 27 is the MSB"; the last three are 1 0 1.
        assert_eq!(bits[..8], [true, false, true, true, false, false, true, true]);
        assert_eq!(bits[16..], [true, false, true]);

        let holding = Request::Read {
            table: Table::HoldingRegister,
            address: 107,
            count: 3,
        };
        assert_eq!(encoded(holding), [0x03, 0x00, 0x6b, 0x00, 0x03]);
        assert_eq!(
            holding.answer(&[0x03, 0x06, 0x02, 0x2b, 0x00, 0x00, 0x00, 0x64]),
            Ok(Answer::Registers(vec![555, 0, 100]))
        );

        let coil = Request::WriteCoil {
            address: 172,
            on: true,
        };
        assert_eq!(encoded(coil), [0x05, 0x00, 0xac, 0xff, 0x00]);
        assert_eq!(coil.answer(&[0x05, 0x00, 0xac, 0xff, 0x00]), Ok(Answer::Done));

        let register = Request::WriteRegister { address: 1, value: 3 };
        assert_eq!(encoded(register), [0x06, 0x00, 0x01, 0x00, 0x03]);
        assert_eq!(register.answer(&[0x06, 0x00, 0x01, 0x00, 0x03]), Ok(Answer::Done));
        assert_eq!(
            register.answer(&[0x86, 0x04]),
            Err(NoAnswer::Exception(Exception(4)))
        );
    }

    #[test]
    fn what_is_not_exactly_the_answer_is_none() {
        let read = Request::Read {
            table: Table::InputRegister,
            address: 0,
            count: 1,
        };
        let off = Request::WriteCoil {
            address: 7,
            on: false,
        };
        for (request, pdu) in [
            (read, &[0x03, 0x02, 0x00, 0x01][..]), // another function
            (read, &[0x04, 0x04, 0x00, 0x01]),     // a count that isn't what follows
            (read, &[0x04, 0x02, 0x00]),           // too short
            (read, &[0x04, 0x02, 0, 1, 0, 2]),     // too long
            (read, &[]),
            (read, &[0x83, 0x02]),                  // a refusal of something else
            (off, &[0x05, 0x00, 0x07, 0xff, 0x00]), // the echo of the opposite
            (off, &[0x05, 0x00, 0x08, 0x00, 0x00]), // the echo of another coil
        ] {
            assert_eq!(
                request.answer(pdu),
                Err(NoAnswer::Unfit),
                "{request:?} {pdu:02x?}"
            );
        }
    }
}
