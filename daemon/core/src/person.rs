//! Who asks, in which role, and by which way the request came.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

/// Somebody who asks for something. The service learns the name from the bus or the socket, never from
/// the caller.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Person {
    /// Account name, or what the way in is called (`pedal`, `mqtt`).
    pub name: Arc<str>,
}

impl Person {
    /// A person by account name.
    pub fn new(name: &str) -> Self {
        Self { name: name.into() }
    }
}

impl fmt::Display for Person {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)
    }
}

/// What a person may do is given by roles; one person may hold several.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Runs boards at a bench.
    Operate,
    /// Sets up recipes, windows and board models.
    Process,
    /// Sets limits, calibrates sensors and lifts cuts.
    Safety,
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Operate => "operate",
            Self::Process => "process",
            Self::Safety => "safety",
        })
    }
}

/// The roles that one person holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Roles {
    /// Holds `operate`.
    pub operate: bool,
    /// Holds `process`.
    pub process: bool,
    /// Holds `safety`.
    pub safety: bool,
}

impl Roles {
    /// No role: may stop the whole lab, like everybody, and nothing else.
    pub const NONE: Self = Self {
        operate: false,
        process: false,
        safety: false,
    };
    /// Every role: a lab of one person.
    pub const ALL: Self = Self {
        operate: true,
        process: true,
        safety: true,
    };

    /// Whether `role` is held.
    pub const fn holds(self, role: Role) -> bool {
        match role {
            Role::Operate => self.operate,
            Role::Process => self.process,
            Role::Safety => self.safety,
        }
    }

    /// Whether any role is held.
    pub const fn any(self) -> bool {
        self.operate || self.process || self.safety
    }

    /// Whether a holder of these roles may do `act`: the table of who may do what, in one place.
    pub const fn may(self, act: Act) -> bool {
        match act {
            Act::StopLab => true,
            Act::Run | Act::ResetHeatOff => self.any(),
            Act::PutRecipe | Act::PutWindow | Act::PutVerdict | Act::PutBoardModel => self.process,
            Act::ResetCut | Act::SetLimit | Act::Calibrate | Act::ReadConfig => self.safety,
        }
    }
}

/// What roles decide about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// Stop the whole lab.
    StopLab,
    /// Start, stop, resume, confirm presence or sensors, acknowledge.
    Run,
    /// Lift a trip whose effect was "heat off".
    ResetHeatOff,
    /// Lift a trip whose effect was "cut".
    ResetCut,
    /// Move a ceiling.
    SetLimit,
    /// Change the offset of a channel.
    Calibrate,
    /// Have the configuration read again, which says who holds the roles.
    ReadConfig,
    /// Store a new revision of a recipe.
    PutRecipe,
    /// Store a new revision of a window.
    PutWindow,
    /// Judge a run again.
    PutVerdict,
    /// Store what a run says of a kind of board.
    PutBoardModel,
}

impl Act {
    /// What a person has to hold for it, as text for an error.
    pub const fn needs(self) -> &'static str {
        match self {
            Self::StopLab => "no role",
            Self::Run | Self::ResetHeatOff => "any of the roles `operate`, `process`, `safety`",
            Self::PutRecipe | Self::PutWindow | Self::PutVerdict | Self::PutBoardModel => {
                "the role `process`"
            }
            Self::ResetCut | Self::SetLimit | Self::Calibrate | Self::ReadConfig => "the role `safety`",
        }
    }

    /// The act in words, for an error.
    pub const fn words(self) -> &'static str {
        match self {
            Self::StopLab => "stop the whole lab",
            Self::Run => "run boards",
            Self::ResetHeatOff => "reset a trip",
            Self::ResetCut => "reset a trip that cut the heat",
            Self::SetLimit => "set a limit",
            Self::Calibrate => "calibrate a sensor",
            Self::ReadConfig => "have the configuration read again",
            Self::PutRecipe => "store a recipe",
            Self::PutWindow => "store a window",
            Self::PutVerdict => "judge a run again",
            Self::PutBoardModel => "store a board model",
        }
    }
}

/// The way a request came in.
///
/// From outside, the lab can only be made cooler: whatever arrives by network may stop heat and confirm
/// presence, whoever sent it and whatever roles they hold elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Origin {
    /// The local bus or socket, which vouches for the caller.
    Local,
    /// MQTT or HTTP.
    Network,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_role_is_held_by_itself() {
        let all = [Role::Operate, Role::Process, Role::Safety];
        let only = [
            Roles {
                operate: true,
                ..Roles::NONE
            },
            Roles {
                process: true,
                ..Roles::NONE
            },
            Roles {
                safety: true,
                ..Roles::NONE
            },
        ];
        for (at, role) in all.into_iter().enumerate() {
            assert!(Roles::ALL.holds(role) && !Roles::NONE.holds(role), "{role}");
            for (of, roles) in only.into_iter().enumerate() {
                assert_eq!(roles.holds(role), at == of, "{role}");
            }
        }
        assert_eq!(all.map(|role| role.to_string()), ["operate", "process", "safety"]);
    }
}
