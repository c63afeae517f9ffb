//! Who may what.

use serde::{Deserialize, Serialize};

/// `benchward role show`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Roles {
    /// [`SCHEMA`](super::SCHEMA).
    pub schema: u32,
    /// Who asked, as the daemon sees it.
    pub user: String,
    /// Roles that who asked holds.
    pub holds: Vec<String>,
    /// The account that holds every role, where the configuration names no groups; else absent.
    pub account: Option<String>,
    /// `operate`, `process`, `safety`, with the groups that hold each.
    pub roles: Vec<RoleHeld>,
}

/// One role.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoleHeld {
    /// Its name.
    pub role: String,
    /// The unix groups that hold it.
    pub groups: Vec<RoleGroup>,
}

/// One group.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoleGroup {
    /// Its name.
    pub group: String,
    /// Whether the system had it when the daemon looked; one that it didn't have holds nothing.
    pub there: bool,
}
