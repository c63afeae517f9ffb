//! An identity per kind of thing, so that one can't be passed for another.

use std::fmt;

use serde::{Deserialize, Serialize};

macro_rules! id {
    ($(#[$doc:meta])* $name:ident($inner:ty)) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub struct $name(pub $inner);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    };
}

id!(
    /// A station, by its place in [`crate::Setup::stations`].
    StationId(u32)
);
id!(
    /// An instance of a driver, by its place in [`crate::Setup::instances`].
    InstanceId(u32)
);
id!(
    /// A wired input, by its place in [`crate::Setup::inputs`].
    InputId(u32)
);
id!(
    /// A wired output, by its place in [`crate::Setup::outputs`].
    OutputId(u32)
);
id!(
    /// A run. Numbers go up by one and are never used again.
    RunId(u64)
);
id!(
    /// A person's request, numbered by whoever passes it in; the answer carries the same number.
    RequestId(u64)
);
id!(
    /// Number of a command to a driver; goes up by one over the whole lab.
    Seq(u64)
);

impl StationId {
    /// Place in [`crate::Setup::stations`].
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

impl InstanceId {
    /// Place in [`crate::Setup::instances`].
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

impl InputId {
    /// Place in [`crate::Setup::inputs`].
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

impl OutputId {
    /// Place in [`crate::Setup::outputs`].
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}
