//! Shapes of windows and of what is said of runs by them: verdicts, charts, comparisons.

use benchward_archive as archive;
use benchward_judge as judge;
use serde::{Deserialize, Serialize};

use super::{SCHEMA, thousandths};

/// `benchward window list`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Windows {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The newest revision of each.
    pub windows: Vec<WindowRow>,
}

/// One window of [`Windows`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WindowRow {
    /// Its name.
    pub window: String,
    /// Its newest revision.
    pub revision: u32,
    /// How many lines it has; 0: this version can't read it.
    pub lines: usize,
    /// Where its figures come from.
    pub source: Option<String>,
}

/// `benchward window show`, `benchward window put`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WindowShown {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Its name.
    pub window: String,
    /// The revision.
    pub revision: u32,
    /// Its text.
    pub text: String,
}

impl From<&archive::Revision> for WindowRow {
    fn from(stored: &archive::Revision) -> Self {
        let read = benchward_core::window::Window::parse(&stored.name, &stored.text).ok();
        Self {
            window: stored.name.clone(),
            revision: stored.revision,
            lines: read.as_ref().map_or(0, |read| read.window.lines.len()),
            source: read.and_then(|read| read.source),
        }
    }
}

impl From<archive::Revision> for WindowShown {
    fn from(stored: archive::Revision) -> Self {
        Self {
            schema: SCHEMA,
            window: stored.name,
            revision: stored.revision,
            text: stored.text,
        }
    }
}

/// One line of a window, judged.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct WindowLine {
    /// Its name.
    pub line: String,
    /// Unit of its figures: `celsius`, `celsius_per_s` or `s`.
    pub unit: String,
    /// What was measured; of several channels, that of the worst. Null: the readings don't say.
    pub value: Option<f64>,
    /// Lower limit.
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
    /// Distance to the nearer limit as a share of half the width, below 0 outside; with one limit as a share of it, temperatures
    /// counted from 25 °C. Null: undecided.
    pub margin: Option<f64>,
    /// `pass`, `fail` or `undecided`.
    pub verdict: String,
    /// The channel that `value` is of, or `hottest`, `coldest`, `mean`, `all`.
    pub channel: String,
    /// In words; where it is undecided, with what was missing.
    pub text: String,
    /// Each channel on its own, where all have to keep the line.
    pub channels: Vec<WindowChannel>,
}

/// A line judged on one channel.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct WindowChannel {
    /// Its name.
    pub channel: String,
    /// As [`WindowLine::value`].
    pub value: Option<f64>,
    /// As [`WindowLine::margin`].
    pub margin: Option<f64>,
    /// `pass`, `fail` or `undecided`.
    pub verdict: String,
}

impl From<&judge::Judged> for WindowLine {
    fn from(judged: &judge::Judged) -> Self {
        let line = &judged.line;
        Self {
            line: line.measure.to_string(),
            unit: line.measure.unit().key().into(),
            value: judged.value.map(thousandths),
            low: line.limits.low().map(thousandths),
            high: line.limits.high().map(thousandths),
            margin: judged.margin.map(thousandths),
            verdict: judged.verdict.word().into(),
            channel: judged.channel.clone(),
            text: judged.text.clone(),
            channels: judged
                .channels
                .iter()
                .map(|one| WindowChannel {
                    channel: one.channel.clone(),
                    value: one.value.map(thousandths),
                    margin: one.margin.map(thousandths),
                    verdict: one.verdict.word().into(),
                })
                .collect(),
        }
    }
}

/// What a run was judged by, and what each line came to. It is kept with the run's record.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct RunWindow {
    /// Name of the stored window; null: the recipe's own.
    pub window: Option<String>,
    /// Revision of that window, or of the recipe.
    pub revision: u32,
    /// When it was judged.
    pub judged: String,
    /// `pass`, `fail` or `undecided`.
    pub verdict: String,
    /// The worst line first.
    pub lines: Vec<WindowLine>,
}

impl RunWindow {
    /// Where a run's record keeps it.
    pub const KEY: &'static str = "window";

    /// That of a run; `None`: there was no window, or the run is of an earlier version.
    pub fn of(record: &archive::RunRecord) -> Option<Self> {
        Self::deserialize(record.more.get(Self::KEY)?).ok()
    }

    /// Puts it, and the run's verdict, into its record.
    pub fn put(&self, record: &mut archive::RunRecord) {
        record.verdict = match &*self.verdict {
            "pass" => archive::Verdict::Pass,
            "fail" => archive::Verdict::Fail,
            _ => archive::Verdict::Undecided,
        };
        record.more.insert(Self::KEY.into(), serde_json::json!(self));
    }

    /// What it was judged by, in words.
    pub fn words(&self) -> String {
        match &self.window {
            Some(window) if self.revision == 0 => format!("window \"{window}\", which isn't stored"),
            Some(window) => format!("window \"{window}\" revision {}", self.revision),
            None => "the recipe's own window".into(),
        }
    }

    /// The verdict with the line that decided it.
    pub fn summary(&self) -> String {
        match self.lines.first().filter(|_| self.verdict != "pass") {
            Some(worst) => format!("{}: {}", self.verdict, worst.text),
            None => self.verdict.clone(),
        }
    }
}

/// `benchward run judge`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunJudged {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The run.
    pub run: u64,
    /// Whether its record has this verdict now; false for a dry run.
    pub stored: bool,
    /// What it comes to.
    #[serde(flatten)]
    pub judged: RunWindow,
}

/// `benchward run stats`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunStats {
    /// [`SCHEMA`].
    pub schema: u32,
    /// How many runs matched.
    pub runs: usize,
    /// How many of them have no verdict, since there was no window.
    pub without_window: usize,
    /// A chart per line of their windows.
    pub lines: Vec<StatsLine>,
}

/// One line of a window over many runs: individuals and moving range.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StatsLine {
    /// The line's name.
    pub line: String,
    /// Unit of all its figures: `celsius`, `celsius_per_s` or `s`.
    pub unit: String,
    /// Lower limit, of the newest run.
    pub low: Option<f64>,
    /// Upper limit, of the newest run.
    pub high: Option<f64>,
    /// How many runs have a value.
    pub n: usize,
    /// How many are left out, since theirs was undecided.
    pub left_out: usize,
    /// Mean; null below two values, as all that follow.
    pub mean: Option<f64>,
    /// Short-term standard deviation: mean moving range / 1.128.
    pub sigma: Option<f64>,
    /// Standard deviation of all values.
    pub deviation: Option<f64>,
    /// Width of the window over 6 sigma; null with one limit.
    pub cp: Option<f64>,
    /// Distance of the mean to the nearer limit over 3 sigma.
    pub cpk: Option<f64>,
    /// As `cp`, with `deviation`.
    pub pp: Option<f64>,
    /// As `cpk`, with `deviation`.
    pub ppk: Option<f64>,
    /// Lower control limit, mean - 3 sigma.
    pub control_low: Option<f64>,
    /// Upper control limit, mean + 3 sigma.
    pub control_high: Option<f64>,
    /// Mean moving range.
    pub moving_range: Option<f64>,
    /// Upper control limit of moving ranges.
    pub moving_range_high: Option<f64>,
    /// The values, oldest first.
    pub values: Vec<StatsValue>,
    /// Run rules that were met, oldest first.
    pub signals: Vec<StatsSignal>,
}

/// One run on a chart.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StatsValue {
    /// The run.
    pub run: u64,
    /// When it started.
    pub started: String,
    /// Its value.
    pub value: f64,
    /// Difference to the one before; null for the first.
    pub moving_range: Option<f64>,
    /// What the line came to in that run.
    pub verdict: String,
}

/// A run rule that was met.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StatsSignal {
    /// The run at which it was.
    pub run: u64,
    /// `beyond-3-sigma`, `2-of-3-beyond-2-sigma`, `4-of-5-beyond-1-sigma`, `8-on-one-side`, `6-in-a-row-trending`, `weighted-mean`.
    pub rule: String,
    /// Whether it points up.
    pub up: bool,
    /// In words.
    pub text: String,
}

/// `benchward run compare`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Where the runs are laid over each other: `start`, `stage 2`, `70 °C`.
    pub aligned_at: String,
    /// The temperature: `hottest`, `coldest`, `mean`, or a channel.
    pub channel: String,
    /// The runs, in the order asked for.
    pub runs: Vec<ComparedRun>,
    /// What each of the others differs by from the first.
    pub differences: Vec<ComparedCurve>,
    /// Figures side by side.
    pub figures: Vec<ComparedFigure>,
}

/// One run of [`Comparison`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparedRun {
    /// The run.
    #[serde(flatten)]
    pub run: super::Run,
    /// Where its zero is, seconds from its own start.
    pub zero_s: f64,
    /// Its curve from there: at most 600 whole seconds, and between them what was lower or higher; 1,800 points at most.
    pub curve: Vec<ComparedPoint>,
}

/// One point of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ComparedPoint {
    /// Seconds from where the runs are aligned.
    pub at_s: f64,
    /// Null in a gap.
    pub celsius: Option<f64>,
}

/// How far a run's curve is above the first run's, at each whole second that both have.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparedCurve {
    /// The run.
    pub run: u64,
    /// The first.
    pub against: u64,
    /// Seconds that both have; 0: none, and the rest is null.
    pub seconds: usize,
    /// Mean.
    pub mean_celsius: Option<f64>,
    /// Root mean square.
    pub rms_celsius: Option<f64>,
    /// The largest in size.
    pub worst_celsius: Option<f64>,
    /// When that was.
    pub worst_at_s: Option<f64>,
    /// How far it is above, over time; points as of [`ComparedRun::curve`].
    #[serde(default)]
    pub curve: Vec<ComparedPoint>,
}

/// One figure of the runs, side by side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparedFigure {
    /// What.
    pub figure: String,
    /// Its unit: `celsius`, `celsius_per_s` or `s`.
    pub unit: String,
    /// One per run.
    pub values: Vec<Option<f64>>,
    /// One per run: above the first run's.
    pub differences: Vec<Option<f64>>,
}
