//! JSON shapes. Keys carry units; times are RFC 3339 in UTC with milliseconds; every top-level object holds
//! `"schema": 1`. Scripts rely on the keys: add, don't rename.

mod board;
mod driver;
mod folder;
mod guard;
mod limit;
mod prediction;
mod redone;
mod role;
mod sensor;
mod trip;
mod window;

use benchward_archive as archive;
use benchward_core::units::Millis;
use benchward_core::{LabView, Phase, Quality, StationView, SupplyView};
use serde::{Deserialize, Serialize};

pub use board::{BoardChannel, BoardLearned, BoardModel, BoardParameter, Boards, RunBoardModel};
pub use driver::{Driver, DriverInput, DriverOutput, Drivers};
pub use folder::{ArchiveChecked, ArchiveLevels, ArchiveRebuilt, LevelChannel, LevelSpan};
pub use guard::RunGuard;
pub use limit::{InterlockLimits, LabLimit, Limits, StationLimits, Threshold};
pub use prediction::{
    BoardPlan, CurvePoint, Moment, PlanRequest, PlannedChannel, PlannedFigure, Prediction, StagePrediction,
};
pub use redone::{Redone, RedoneDifference};
pub use role::{RoleGroup, RoleHeld, Roles};
pub use sensor::{
    Calibration, CalibrationWarning, CheckRequest, RunSensor, Sensor, SensorCheck, SensorChecked,
    SensorHistory, Sensors, overdue_text,
};
pub use trip::{Alarm, TripQuery, TripReader, TripRecord, TripRecords};
pub use window::{
    ComparedCurve, ComparedFigure, ComparedPoint, ComparedRun, Comparison, RunJudged, RunStats, RunWindow,
    StatsLine, StatsSignal, StatsValue, WindowChannel, WindowLine, WindowRow, WindowShown, Windows,
};

/// Version of every shape on this page.
pub const SCHEMA: u32 = 1;

/// `benchward status`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The lab's name.
    pub lab: String,
    /// When this was so, by the lab's clock: what moments of predictions are to be compared with.
    #[serde(default)]
    pub at: String,
    /// The lab's ceiling.
    pub ceiling_celsius: f64,
    /// Alarms of the whole lab that stand.
    #[serde(default)]
    pub alarms: Vec<Alarm>,
    /// State of the archive: empty while all is well, else what a person should know.
    pub archive: String,
    /// Calibrations that a person should see to, such as those past their due date.
    #[serde(default)]
    pub calibration_warnings: Vec<CalibrationWarning>,
    /// The supplies that stations share, and what is drawn from each now.
    #[serde(default)]
    pub supplies: Vec<Supply>,
    /// The stations, in the order of their names.
    pub stations: Vec<Station>,
}

/// One supply of [`Status`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Supply {
    /// Its name.
    pub supply: String,
    /// What may be drawn from it at any moment.
    pub watts: f64,
    /// The most that may be on at one moment now.
    pub most_watts: f64,
    /// The stations on it.
    pub stations: Vec<SupplyShare>,
}

/// What one station has of its supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplyShare {
    /// Its name.
    pub station: String,
    /// What it asks for, as a mean.
    pub asks_watts: f64,
    /// What it gets, as a mean.
    pub gets_watts: f64,
}

impl From<&SupplyView> for Supply {
    fn from(view: &SupplyView) -> Self {
        Self {
            supply: view.name.to_string(),
            watts: thousandths(view.watts.watts()),
            most_watts: thousandths(view.most.watts()),
            stations: view
                .stations
                .iter()
                .map(|share| SupplyShare {
                    station: share.station.to_string(),
                    asks_watts: thousandths(share.asks.watts()),
                    gets_watts: thousandths(share.gets.watts()),
                })
                .collect(),
        }
    }
}

/// One station of [`Status`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Station {
    /// Its name.
    pub station: String,
    /// `idle`, `ramp`, `dwell`, `cooldown` or `cool`.
    pub phase: String,
    /// The run in progress.
    pub run: Option<u64>,
    /// Its recipe.
    pub recipe: Option<String>,
    /// Its board.
    pub serial: Option<String>,
    /// Its stage, counted from 1.
    pub stage: Option<u16>,
    /// How many stages there are.
    pub stages: Option<u16>,
    /// Target of the stage, while heat may be on.
    pub target_celsius: Option<f64>,
    /// The temperature that is steered.
    pub control_celsius: Option<f64>,
    /// Heat that was last granted, 0 to 1.
    pub heat: f64,
    /// Effective ceiling.
    pub ceiling_celsius: f64,
    /// Who set it: `the lab`, `the station` or `the recipe`.
    pub ceiling_from: String,
    /// Its channels.
    pub channels: Vec<Channel>,
    /// Its permissives.
    #[serde(default)]
    pub permissives: Vec<Permissive>,
    /// Whether its readings follow its heat; `false`: no board model watches them.
    #[serde(default = "yes")]
    pub follows_heat: bool,
    /// What is less safe here than usual and no trip, each until it ends: raised limits, readings that don't follow the heat.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// Its interlocks.
    pub interlocks: Vec<Interlock>,
    /// Until heat goes off because nobody is there.
    pub presence_left_s: Option<f64>,
    /// What its run waits for: a person who confirms its sensors; null: nothing.
    #[serde(default)]
    pub waits_for: Option<String>,
    /// How long until the run ends without that.
    #[serde(default)]
    pub confirm_left_s: Option<f64>,
    /// Left of the dwell.
    pub dwell_left_s: Option<f64>,
    /// How long a tripped run can still be resumed.
    pub resume_left_s: Option<f64>,
    /// What is foretold of its run, kept current; null: nothing can be yet.
    #[serde(default)]
    pub prediction: Option<Prediction>,
    /// `up` or `down`.
    pub driver: String,
}

/// One channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Channel {
    /// Its name.
    pub channel: String,
    /// Its temperature; null where there is none.
    pub celsius: Option<f64>,
    /// `good`, `stale`, or the fault: `open`, `short`, `range`, `cold-junction`, `device`.
    pub quality: String,
}

const fn yes() -> bool {
    true
}

/// One permissive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Permissive {
    /// Its name.
    pub permissive: String,
    /// `closed`, `open`, or `unread`, which counts as open.
    pub reads: String,
}

/// One interlock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Interlock {
    /// Its name.
    pub interlock: String,
    /// `clear`, `warning`, `tripped` or `acknowledged`.
    pub standing: String,
    /// What it says; empty while clear.
    pub text: String,
}

impl Station {
    /// The shape of a station. `wall`: wall time of a moment of the lab's clock.
    pub fn new(view: &StationView, wall: impl Fn(Millis) -> archive::Wall) -> Self {
        Self {
            station: view.name.to_string(),
            phase: view.phase.text().into(),
            run: view.run.map(|run| run.0),
            recipe: view.recipe.clone(),
            serial: view.serial.as_deref().map(Into::into),
            stage: view.stage.map(|(stage, _)| stage),
            stages: view.stage.map(|(_, count)| count),
            target_celsius: view.target.map(|celsius| thousandths(celsius.degrees())),
            control_celsius: view.control.map(|celsius| thousandths(celsius.degrees())),
            heat: thousandths(view.heat.share()),
            ceiling_celsius: thousandths(view.ceiling.celsius.degrees()),
            ceiling_from: view.ceiling.from.to_string(),
            channels: view
                .channels
                .iter()
                .map(|channel| Channel {
                    channel: channel.name.to_string(),
                    celsius: channel
                        .celsius
                        .filter(|_| channel.quality == Quality::Good)
                        .map(|celsius| thousandths(celsius.degrees())),
                    quality: channel.quality.to_string(),
                })
                .collect(),
            permissives: view
                .permissives
                .iter()
                .map(|permissive| Permissive {
                    permissive: permissive.name.to_string(),
                    reads: match permissive.closed {
                        Some(true) => "closed",
                        Some(false) => "open",
                        None => "unread",
                    }
                    .into(),
                })
                .collect(),
            follows_heat: view.follows_heat,
            cautions: view.cautions.clone(),
            interlocks: view
                .interlocks
                .iter()
                .map(|interlock| Interlock {
                    interlock: interlock.name.text().into(),
                    standing: interlock.standing.into(),
                    text: interlock.text.clone(),
                })
                .collect(),
            presence_left_s: view.presence_left.map(Millis::seconds),
            waits_for: view.waits.as_ref().map(|waits| waits.text.to_string()),
            confirm_left_s: view.waits.as_ref().map(|waits| waits.left.seconds()),
            dwell_left_s: view.dwell_left.map(Millis::seconds),
            resume_left_s: view.resume_left.map(Millis::seconds),
            prediction: prediction(view, wall),
            driver: if view.driver_up { "up" } else { "down" }.into(),
        }
    }
}

impl Status {
    /// The shape of a lab. `at`: now. `archive`: what a person should know of the archive; empty while all is well. `wall`: wall
    /// time of a moment of the lab's clock.
    pub fn new(
        view: &LabView,
        at: archive::Wall,
        archive: String,
        calibration_warnings: Vec<CalibrationWarning>,
        wall: impl Fn(Millis) -> archive::Wall,
    ) -> Self {
        Self {
            schema: SCHEMA,
            lab: view.name.to_string(),
            at: at.to_string(),
            ceiling_celsius: thousandths(view.ceiling.degrees()),
            alarms: view.alarms.iter().map(Alarm::from).collect(),
            archive,
            calibration_warnings,
            supplies: view.supplies.iter().map(Supply::from).collect(),
            stations: view
                .stations
                .iter()
                .map(|station| Station::new(station, &wall))
                .collect(),
        }
    }
}

/// What is foretold of a station's run, as far as it is still ahead.
fn prediction(view: &StationView, wall: impl Fn(Millis) -> archive::Wall) -> Option<Prediction> {
    let foretold = view.foretold.as_ref()?;
    let shape = Prediction::new(&foretold.prediction, Some(wall(foretold.from)));
    let stage = view.stage.map_or(0, |(stage, _)| stage);
    let heats = matches!(view.phase, Phase::Ramp | Phase::Dwell);
    Some(shape.gone_on(stage, heats, view.phase == Phase::Dwell))
}

/// Screens and dashboards need no more than a thousandth; archives keep every bit.
pub fn thousandths(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

/// `benchward run start`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Started {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The run's number.
    pub run: u64,
    /// What is known of its kind of board; null: it is a first run.
    pub board_model: Option<RunBoardModel>,
    /// What is foretold of it; null: nothing.
    pub prediction: Option<Prediction>,
}

/// A command that did something and says what the state is now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Done {
    /// [`SCHEMA`].
    pub schema: u32,
    /// What the state is now.
    pub text: String,
}

/// A command that failed, on stdout with `--json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Failed {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Name of the error.
    pub error: String,
    /// Its sentence.
    pub text: String,
}

/// `benchward run list`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Runs {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Newest first.
    pub runs: Vec<Run>,
}

/// One run of [`Runs`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// Its number.
    pub run: u64,
    /// Where.
    pub station: String,
    /// Recipe.
    pub recipe: String,
    /// Its revision.
    pub revision: u32,
    /// The board.
    pub serial: String,
    /// Who started it.
    pub operator: String,
    /// When it started.
    pub started: String,
    /// When its record was closed.
    pub ended: Option<String>,
    /// `completed`, `stopped`, `tripped`, `lost`; null while that is open.
    pub outcome: Option<String>,
    /// `pass`, `fail`, `undecided` or `none`.
    pub verdict: String,
    /// Highest reading of any channel.
    pub peak_celsius: Option<f64>,
}

/// `benchward run show`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunShown {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The run.
    #[serde(flatten)]
    pub run: Run,
    /// Its channels.
    pub channels: Vec<String>,
    /// The sensors of its channels, with the offsets in force.
    #[serde(default)]
    pub sensors: Vec<RunSensor>,
    /// What was known of its kind of board; null: nothing, or the run is of an earlier version.
    #[serde(default)]
    pub board_model: Option<RunBoardModel>,
    /// How it was guarded, where the board was unknown; null: it was known, or the run is of an earlier version.
    #[serde(default)]
    pub first_run: Option<RunGuard>,
    /// What was foretold before its start; null: nothing.
    #[serde(default)]
    pub prediction: Option<Prediction>,
    /// Its stages.
    pub stages: Vec<Stage>,
    /// Lines of the window it was judged by, the worst first.
    pub window: Vec<WindowLine>,
    /// Which window that was; null: there was none.
    #[serde(default)]
    pub judged_by: Option<JudgedBy>,
    /// Its trips.
    pub trips: Vec<Trip>,
    /// What was less safe than usual while it went on: raised limits, readings that didn't follow the heat, permissives that
    /// were opened.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// The ceilings that counted, the first from its start; empty: the run is of an earlier version.
    #[serde(default)]
    pub ceilings: Vec<RunCeiling>,
    /// Its entries in the journal.
    pub journal: Vec<Entry>,
    /// The recipe's text, whole.
    pub recipe_text: String,
}

/// A ceiling that counted during a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunCeiling {
    /// From when on.
    pub at: String,
    /// The temperature.
    pub celsius: f64,
    /// Who set it: `the lab`, `the station` or `the recipe`.
    pub from: String,
}

impl RunCeiling {
    /// Where a run's record has them: its key in [`archive::RunRecord::more`].
    pub const KEY: &str = "ceilings";
}

/// One stage of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// Counted from 1.
    pub stage: u16,
    /// Its target.
    pub target_celsius: f64,
    /// When its ramp began.
    pub started: String,
    /// When the target was reached.
    pub reached: Option<String>,
    /// Time from the beginning of its ramp to the target.
    pub ramp_s: Option<f64>,
    /// Measured time in the band.
    pub dwell_s: f64,
    /// How far the control temperature went above the target.
    pub overshoot_celsius: Option<f64>,
}

/// The window that a run was judged by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct JudgedBy {
    /// Name of the stored window; null: the recipe's own.
    pub window: Option<String>,
    /// Revision of that window, or of the recipe.
    pub revision: u32,
    /// When it was judged.
    pub judged: String,
    /// In words.
    pub text: String,
}

/// One trip of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trip {
    /// The interlock.
    pub interlock: String,
    /// When.
    pub at: String,
    /// What happened.
    pub text: String,
}

/// One journal entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Its number.
    pub n: u64,
    /// When.
    pub at: String,
    /// Kind of decision.
    pub kind: String,
    /// Where.
    pub station: Option<String>,
    /// In which run.
    pub run: Option<u64>,
    /// Who asked for it.
    pub who: Option<String>,
    /// In words.
    pub text: String,
    /// Figures.
    pub data: serde_json::Value,
    /// Its hash, hexadecimal.
    pub hash: String,
}

/// `benchward journal list`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Journal {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The entries.
    pub entries: Vec<Entry>,
}

/// `benchward journal verify`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verified {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Whether every entry holds.
    pub ok: bool,
    /// How many there are.
    pub entries: u64,
    /// Hash of the newest, hexadecimal.
    pub head: String,
    /// The first bad entry and what is wrong with it.
    pub first_bad: Option<FirstBad>,
}

/// The first bad entry of a journal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FirstBad {
    /// Its number.
    pub n: u64,
    /// What is wrong with it.
    pub text: String,
}

/// `benchward recipe list`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recipes {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The newest revision of each.
    pub recipes: Vec<RecipeRow>,
}

/// One recipe of [`Recipes`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecipeRow {
    /// Its name.
    pub recipe: String,
    /// Its newest revision.
    pub revision: u32,
    /// How many stages it has.
    pub stages: usize,
    /// Its highest target.
    pub highest_celsius: f64,
    /// Its own ceiling.
    pub ceiling_celsius: Option<f64>,
}

/// `benchward recipe show`, `benchward recipe put`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecipeShown {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Its name.
    pub recipe: String,
    /// The revision.
    pub revision: u32,
    /// Its text.
    pub text: String,
}

impl From<&archive::Revision> for RecipeRow {
    /// One that this version can't read any more still has its name.
    fn from(stored: &archive::Revision) -> Self {
        let recipe = benchward_core::recipe::Recipe::parse(&stored.name, &stored.text).ok();
        Self {
            recipe: stored.name.clone(),
            revision: stored.revision,
            stages: recipe.as_ref().map_or(0, |recipe| recipe.stages.len()),
            highest_celsius: recipe
                .as_ref()
                .map_or(0.0, |recipe| thousandths(recipe.highest_target().degrees())),
            ceiling_celsius: recipe
                .and_then(|recipe| recipe.ceiling)
                .map(|ceiling| thousandths(ceiling.degrees())),
        }
    }
}

impl From<archive::Revision> for RecipeShown {
    fn from(stored: archive::Revision) -> Self {
        Self {
            schema: SCHEMA,
            recipe: stored.name,
            revision: stored.revision,
            text: stored.text,
        }
    }
}

/// `benchward recipe check`, `benchward config check`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Checked {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Whether there is nothing wrong.
    pub ok: bool,
    /// The file.
    pub file: String,
    /// What is wrong.
    pub mistakes: Vec<Mistake>,
}

/// `benchward config reload`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ConfigReread {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The file that the daemon has read.
    pub file: String,
    /// What differed and counts now, each by its place in the file.
    pub now: Vec<String>,
    /// What differs and counts from the next start on.
    pub next_start: Vec<String>,
}

/// One mistake in a file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mistake {
    /// Line, counted from 1.
    pub line: usize,
    /// Column in characters, counted from 1.
    pub column: usize,
    /// What is wrong.
    pub text: String,
    /// How to mend it.
    pub fix: Option<String>,
}

impl From<&archive::RunRecord> for Run {
    fn from(record: &archive::RunRecord) -> Self {
        Self {
            run: record.run,
            station: record.station.clone(),
            recipe: record.recipe.clone(),
            revision: record.revision,
            serial: record.serial.clone(),
            operator: record.operator.clone(),
            started: record.started.to_string(),
            ended: record.ended.map(|at| at.to_string()),
            outcome: record.outcome.map(|outcome| outcome.name().into()),
            verdict: record.verdict.name().into(),
            peak_celsius: record.peak_celsius.map(thousandths),
        }
    }
}

impl RunShown {
    /// A run with its journal entries.
    pub fn new(record: &archive::RunRecord, journal: &[archive::Entry]) -> Self {
        let window = RunWindow::of(record);
        Self {
            schema: SCHEMA,
            run: Run::from(record),
            judged_by: window.as_ref().map(|window| JudgedBy {
                window: window.window.clone(),
                revision: window.revision,
                judged: window.judged.clone(),
                text: window.words(),
            }),
            channels: record
                .channels
                .iter()
                .map(|channel| channel.name.clone())
                .collect(),
            sensors: record
                .channels
                .iter()
                .map(|channel| RunSensor::new(channel, record.started))
                .collect(),
            board_model: RunBoardModel::of(record),
            first_run: RunGuard::of(record),
            prediction: Prediction::of(record),
            stages: record
                .stages
                .iter()
                .map(|stage| Stage {
                    stage: stage.stage,
                    target_celsius: thousandths(stage.target_celsius),
                    started: stage.started.to_string(),
                    reached: stage.reached.map(|at| at.to_string()),
                    ramp_s: stage.reached.map(|at| seconds_between(stage.started, at)),
                    dwell_s: thousandths(stage.dwell_s),
                    overshoot_celsius: stage.overshoot_celsius.map(thousandths),
                })
                .collect(),
            window: window.map(|window| window.lines).unwrap_or_default(),
            trips: record
                .trips
                .iter()
                .map(|trip| Trip {
                    interlock: trip.interlock.clone(),
                    at: trip.at.to_string(),
                    text: trip.text.clone(),
                })
                .collect(),
            cautions: record
                .more
                .get("cautions")
                .and_then(|cautions| serde_json::from_value(cautions.clone()).ok())
                .unwrap_or_default(),
            ceilings: record
                .more
                .get(RunCeiling::KEY)
                .and_then(|ceilings| Vec::deserialize(ceilings).ok())
                .unwrap_or_default(),
            journal: journal.iter().map(Entry::from).collect(),
            recipe_text: record.recipe_text.clone(),
        }
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "milliseconds of a run are far below 2^52"
)]
fn seconds_between(from: archive::Wall, to: archive::Wall) -> f64 {
    (to.0 - from.0) as f64 / 1000.0
}

impl From<&archive::Entry> for Entry {
    fn from(entry: &archive::Entry) -> Self {
        Self {
            n: entry.n,
            at: entry.entry.at.to_string(),
            kind: entry.entry.kind.clone(),
            station: entry.entry.station.clone(),
            run: entry.entry.run,
            who: entry.entry.who.clone(),
            text: entry.entry.text.clone(),
            data: entry.entry.data.clone(),
            hash: entry.hash.to_string(),
        }
    }
}

impl From<&archive::Verified> for Verified {
    fn from(verified: &archive::Verified) -> Self {
        Self {
            schema: SCHEMA,
            ok: verified.ok,
            entries: verified.entries,
            head: verified.head.clone(),
            first_bad: verified.first_bad.as_ref().map(|(n, text)| FirstBad {
                n: *n,
                text: text.clone(),
            }),
        }
    }
}

/// Which runs are asked for. Every key may be left out; what is given has to match exactly.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RunQuery {
    /// Serial number of the board.
    pub serial: Option<String>,
    /// Name of the recipe.
    pub recipe: Option<String>,
    /// The station.
    pub station: Option<String>,
    /// Who started it.
    pub operator: Option<String>,
    /// `completed`, `stopped`, `tripped` or `lost`.
    pub outcome: Option<String>,
    /// `pass`, `fail`, `undecided` or `none`.
    pub verdict: Option<String>,
    /// Started at or after (RFC 3339).
    pub from: Option<String>,
    /// Started before (RFC 3339).
    pub to: Option<String>,
    /// Runs with a lower number only: the next page.
    pub before_run: Option<u64>,
    /// How many at most.
    pub limit: Option<usize>,
}

impl RunQuery {
    /// The same for the archive.
    ///
    /// # Errors
    /// [`crate::Error::Invalid`] where a time, an outcome or a verdict can't be read.
    pub fn to_archive(&self) -> Result<archive::Query, crate::Error> {
        let time = |text: &Option<String>| {
            text.as_ref()
                .map(|text| {
                    text.parse::<archive::Wall>().map_err(|_| {
                        crate::Error::Invalid(format!("\"{text}\" is not a time; write 2026-11-25T08:00:00Z"))
                    })
                })
                .transpose()
        };
        let outcome = self
            .outcome
            .as_deref()
            .map(|word| {
                use archive::Outcome::{Completed, Lost, Stopped, Tripped};
                [Completed, Stopped, Tripped, Lost]
                    .into_iter()
                    .find(|outcome| outcome.name() == word)
                    .ok_or_else(|| {
                        crate::Error::Invalid(format!(
                            "\"{word}\" is no outcome; it is `completed`, `stopped`, `tripped` or `lost`"
                        ))
                    })
            })
            .transpose()?;
        let verdict = self
            .verdict
            .as_deref()
            .map(|word| {
                archive::Verdict::ALL
                    .into_iter()
                    .find(|verdict| verdict.name() == word)
                    .ok_or_else(|| {
                        crate::Error::Invalid(format!(
                            "\"{word}\" is no verdict; it is `pass`, `fail`, `undecided` or `none`"
                        ))
                    })
            })
            .transpose()?;
        Ok(archive::Query {
            serial: self.serial.clone(),
            recipe: self.recipe.clone(),
            station: self.station.clone(),
            operator: self.operator.clone(),
            outcome,
            from: time(&self.from)?,
            to: time(&self.to)?,
            before_run: self.before_run,
            limit: self.limit.unwrap_or(archive::Query::PAGE),
            verdict,
        })
    }
}

/// Which journal entries are asked for. Every key may be left out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct JournalQuery {
    /// From this number on, in the order asked for.
    pub from: Option<u64>,
    /// Newest first instead of oldest first.
    pub newest_first: bool,
    /// Of this station.
    pub station: Option<String>,
    /// Of this run.
    pub run: Option<u64>,
    /// Of this kind.
    pub kind: Option<String>,
    /// How many at most.
    pub limit: Option<usize>,
}

impl JournalQuery {
    /// The same for the archive.
    pub fn to_archive(&self) -> archive::JournalQuery {
        archive::JournalQuery {
            from: self.from,
            order: if self.newest_first {
                archive::Order::NewestFirst
            } else {
                archive::Order::OldestFirst
            },
            station: self.station.clone(),
            run: self.run,
            kind: self.kind.clone(),
            limit: self.limit.unwrap_or(archive::JournalQuery::PAGE),
        }
    }
}
