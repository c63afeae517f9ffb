//! Everything that can happen to a lab, as one closed list.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::calibration::Calibration;
use crate::channel::Sample;
use crate::id::{InputId, InstanceId, OutputId, RequestId, RunId, Seq, StationId};
use crate::limits::LimitName;
use crate::model::BoardModel;
use crate::person::{Origin, Person, Roles};
use crate::predict::Prediction;
use crate::recipe::Recipe;
use crate::units::{Amps, Celsius, Fraction, Millis, Watts};

/// Something happened.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub enum Event {
    /// A driver has started and said what it offers.
    DriverUp {
        /// Which one.
        instance: InstanceId,
        /// Its wired inputs, and how often each is sampled.
        inputs: Vec<InputOffer>,
        /// Its wired outputs.
        outputs: Vec<OutputOffer>,
    },
    /// A driver has ended, or broke the protocol and was ended.
    DriverDown {
        /// Which one.
        instance: InstanceId,
        /// Why.
        loss: Loss,
    },
    /// New values of a driver's inputs.
    Scan {
        /// Which driver.
        instance: InstanceId,
        /// When they were sampled; never later than the `now` it is applied with.
        at: Millis,
        /// The values; inputs that are not wired have been left out.
        values: Vec<(InputId, Value)>,
    },
    /// A driver told its hardware something.
    Applied {
        /// Which output.
        output: OutputId,
        /// The command it answers; `None` where the driver acted by itself.
        seq: Option<Seq>,
        /// What the hardware was told.
        fraction: Fraction,
        /// The permit ran out and the driver went to zero by itself.
        lapsed: bool,
    },
    /// A driver refused a command and set the output to zero.
    Refused {
        /// Which output.
        output: OutputId,
        /// The command it answers.
        seq: Option<Seq>,
        /// What it said.
        text: Arc<str>,
    },
    /// Somebody asks for something.
    Request(Request),
    /// Time has passed. Wanted at [`crate::Lab::wake_at`] or soon after.
    Tick,
    /// There is time to think about one station's readings. Wanted while [`crate::Lab::thinks_since`] says so.
    Think,
}

/// A wired input that a driver offers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct InputOffer {
    /// Which input.
    pub input: InputId,
    /// Time between samples; `None` where the driver doesn't say.
    pub period: Option<Millis>,
}

/// A wired output that a driver offers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OutputOffer {
    /// Which output.
    pub output: OutputId,
    /// Full power, where the driver knows it.
    pub watts: Option<Watts>,
    /// Whether there is a second, independent way to switch it off.
    pub cuts: bool,
    /// Length of its windows, where it is fully on for a share of each; they start at multiples of it on the lab's clock.
    pub window: Option<Millis>,
}

/// One value of a scan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Value {
    /// Of a channel: degrees or a fault, without the channel's calibration offset.
    Sample(Sample),
    /// The same, with the temperature where the thermocouple's wires end.
    Junction {
        /// Degrees or a fault.
        sample: Sample,
        /// The cold junction.
        cold_junction: Celsius,
    },
    /// Of a current input.
    Current(Amps),
    /// Of a presence or permissive input: pressed, closed.
    Active(bool),
    /// Of a presence, permissive or current input that can't be read.
    Unreadable,
}

/// How a driver was lost.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum Loss {
    /// Its process ended, or couldn't be started.
    Exit(Arc<str>),
    /// It sent what the protocol doesn't allow.
    Protocol(Arc<str>),
    /// It said itself that it failed.
    Failed(Arc<str>),
}

impl Loss {
    /// Why, for who says already that it ended.
    pub fn why(&self) -> String {
        match self {
            Self::Exit(text) => text.to_string(),
            Self::Protocol(_) | Self::Failed(_) => format!("it {self}"),
        }
    }
}

impl fmt::Display for Loss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Exit(text) => write!(f, "ended: {text}"),
            Self::Protocol(text) => write!(f, "broke the protocol: {text}"),
            Self::Failed(text) => write!(f, "failed: {text}"),
        }
    }
}

/// A person's request.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Request {
    /// Comes back in the answer.
    pub id: RequestId,
    /// Who asks.
    pub who: Person,
    /// What they may do.
    pub roles: Roles,
    /// By which way it came.
    pub origin: Origin,
    /// What they ask for.
    pub ask: Ask,
}

/// What can be asked for.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub enum Ask {
    /// Carry out a recipe on a board. What it takes is kept with the run's record.
    #[serde(skip)]
    Start {
        /// Where.
        station: StationId,
        /// The recipe.
        recipe: Arc<Recipe>,
        /// Its revision.
        revision: u32,
        /// The board's serial number.
        serial: Arc<str>,
        /// What is known of boards of its kind on this station; `None`: nothing yet.
        model: Option<Arc<BoardModel>>,
        /// What that foretells; kept with the run. `None`: nothing.
        foretold: Option<Arc<Prediction>>,
    },
    /// End the run of a station and let it cool.
    StopRun(StationId),
    /// Take the heat away now and latch it: of one station, or of the whole lab.
    Stop(Option<StationId>),
    /// Confirm presence.
    Present(StationId),
    /// Say that the sensors of a station are on the board, where its run asks for it.
    Confirm(StationId),
    /// Say that the trips of a station have been seen.
    Acknowledge(StationId),
    /// Lift the trips of a station.
    Reset(StationId),
    /// Go on with a tripped run at its stage.
    Resume(StationId),
    /// Move the lab's ceiling.
    SetLabCeiling(Celsius),
    /// Move a station's ceiling; `None` takes it away, so that the lab's counts.
    SetStationCeiling(StationId, Option<Celsius>),
    /// Move a limit of the lab, in its unit; `None`: what is configured or built in counts again.
    SetLimit(LimitName, Option<f64>),
    /// Put another offset in force at a channel.
    Calibrate(Calibration),
    /// Permission to store a recipe (kept by the archive, decided and journalled here).
    PutRecipe {
        /// Its name.
        recipe: Arc<str>,
    },
    /// Permission to store a window (kept by the archive, decided and journalled here).
    PutWindow {
        /// Its name.
        window: Arc<str>,
    },
    /// Permission to judge a run again (kept by the archive, decided and journalled here).
    PutVerdict {
        /// The run.
        run: RunId,
        /// By what, and what it came to, in words.
        text: Arc<str>,
    },
    /// Permission to store what a run says of a kind of board (kept by the archive, decided and journalled here).
    PutBoardModel {
        /// Where the run was.
        station: StationId,
        /// The kind of board.
        board: Arc<str>,
        /// The run's number.
        run: RunId,
    },
    /// The daemon is asked to end: every run ends as stopped, all heat goes off, nothing is latched.
    Shutdown,
    /// Permission to read the configuration again (done by the daemon, decided and journalled here).
    ReadConfig,
}
