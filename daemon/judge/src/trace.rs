//! The run, scan by scan: which temperatures the lines of a window are judged on, and what was not seen of each.

use benchward_core::Phase;
use benchward_core::mistake::table::figure;
use benchward_core::recipe::{BAND_DEFAULT, ControlBy, Stage};
use benchward_core::units::Celsius;
use benchward_core::window::{Line, Measure, On, Window};

use crate::judgement::{Judgement, Measured, judged};
use crate::meter::{End, Meter, Point};

/// What has to be known of the run beside its readings.
#[derive(Debug, Clone, Copy)]
pub struct Board<'a> {
    /// Names of the channels, in the order of [`Scan::celsius`].
    pub channels: &'a [String],
    /// What the recipe steers.
    pub control: &'a ControlBy,
    /// The recipe's stages.
    pub stages: &'a [Stage],
    /// Below it, the board is safe to handle.
    pub safe: Celsius,
}

/// One scan of the run's station.
#[derive(Debug, Clone, Copy)]
pub struct Scan<'a> {
    /// Seconds since the start of the run; scans come in the order of time.
    pub at_s: f64,
    /// Good readings, °C, one place per channel in the order of [`Board::channels`]; `None` where the channel had none in this scan.
    pub celsius: &'a [Option<f64>],
    /// Where the run was.
    pub phase: Phase,
    /// Its stage, counted from 1.
    pub stage: Option<u16>,
    /// The stage's target, °C, while there was heat.
    pub target: Option<f64>,
}

/// How the run ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ending {
    /// Seconds from its start until its record was closed.
    pub at_s: f64,
    /// Whether nobody saw the end: the daemon died under it.
    pub lost: bool,
}

/// Judges one run.
#[derive(Debug, Clone)]
pub struct Judge {
    lines: Vec<Line>,
    gap_max: f64,
    safe: f64,
    traces: Vec<Trace>,
    /// The newest good reading of each channel.
    newest: Vec<Option<f64>>,
}

/// What a temperature is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Source {
    Channel(usize),
    Hottest,
    Coldest,
    Mean,
    /// Hottest minus coldest.
    Spread,
}

#[derive(Debug, Clone)]
struct Trace {
    source: Source,
    /// As a verdict names it.
    name: String,
    /// Readings since the newest point, of all channels that it is made of. A point comes when all are there, so that a
    /// channel that is silent leaves the same gap in it as in itself.
    fresh: Vec<Option<f64>>,
    last: Option<Point>,
    gaps: u32,
    /// Seconds of the longest gap, and when it began.
    longest: (f64, f64),
    /// With the place of the line in the window.
    meters: Vec<(usize, Meter)>,
}

impl Judge {
    /// Begins. `window` has its lines: one that is only named has none, and every run passes it.
    pub fn new(window: &Window, board: &Board<'_>) -> Self {
        let mut judge = Self {
            lines: window.lines.clone(),
            gap_max: window.gap_max.seconds(),
            safe: board.safe.degrees(),
            traces: Vec::new(),
            newest: vec![None; board.channels.len()],
        };
        for (at, line) in window.lines.iter().enumerate() {
            let band = match line.measure {
                Measure::Dwell { stage } => usize::from(stage)
                    .checked_sub(1)
                    .and_then(|stage| board.stages.get(stage))
                    .map_or(BAND_DEFAULT, |stage| stage.band),
                _ => BAND_DEFAULT,
            };
            for (source, name) in sources(line, board) {
                let meter = Meter::new(
                    line.measure,
                    window.rate_over.seconds(),
                    band.degrees(),
                    board.safe.degrees(),
                );
                judge.trace(source, name).meters.push((at, meter));
            }
        }
        judge
    }

    fn trace(&mut self, source: Source, name: String) -> &mut Trace {
        let at = self
            .traces
            .iter()
            .position(|trace| trace.source == source && trace.name == name);
        let at = at.unwrap_or_else(|| {
            self.traces.push(Trace {
                source,
                name,
                fresh: vec![None; self.newest.len()],
                last: None,
                gaps: 0,
                longest: (0.0, 0.0),
                meters: Vec::new(),
            });
            self.traces.len() - 1
        });
        &mut self.traces[at]
    }

    /// Takes the next scan. A reading that is not finite is none.
    pub fn take(&mut self, scan: &Scan<'_>) {
        for (channel, celsius) in scan.celsius.iter().enumerate().take(self.newest.len()) {
            let Some(celsius) = celsius.filter(|celsius| celsius.is_finite()) else {
                continue;
            };
            self.newest[channel] = Some(celsius);
            let point = Point {
                at: scan.at_s,
                celsius,
                phase: scan.phase,
                stage: scan.stage,
                target: scan.target,
            };
            for trace in &mut self.traces {
                trace.reading(channel, point, self.gap_max);
            }
        }
    }

    /// What the run comes to.
    pub fn finish(self, ending: Ending) -> Judgement {
        let hot = self
            .newest
            .iter()
            .flatten()
            .copied()
            .filter(|&celsius| celsius >= self.safe)
            .fold(None, |hottest: Option<f64>, celsius| {
                Some(hottest.map_or(celsius, |hottest| hottest.max(celsius)))
            });
        let open = if ending.lost {
            Some("the daemon died under the run, and what came after is not known".to_owned())
        } else {
            hot.map(|hot| {
                format!(
                    "the run's record ends at {} °C, above the {} °C that are safe to handle, and what came after is not known",
                    tenths(hot),
                    figure(self.safe)
                )
            })
        };
        let mut measured: Vec<Vec<(String, Measured)>> = vec![Vec::new(); self.lines.len()];
        let alone = self.newest.len() < 2;
        for trace in self.traces {
            let name = trace.name.clone();
            let spread = trace.source == Source::Spread;
            for (line, found) in trace.finish(ending, open.as_deref(), self.gap_max) {
                let found = if spread && alone {
                    Measured::unknown(
                        None,
                        "a spread needs two channels, and the station has one; leave the line out",
                    )
                } else {
                    found
                };
                measured[line].push((name.clone(), found));
            }
        }
        Judgement::of(
            self.lines
                .iter()
                .zip(&measured)
                .map(|(line, measured)| judged(line, measured))
                .collect(),
        )
    }
}

/// The temperatures that a line is judged on; none if it names a channel that isn't there.
fn sources(line: &Line, board: &Board<'_>) -> Vec<(Source, String)> {
    let one = |source, name: &str| vec![(source, name.to_owned())];
    let channel = |name: &str| {
        let at = board.channels.iter().position(|channel| channel == name);
        at.map_or_else(Vec::new, |at| one(Source::Channel(at), name))
    };
    if line.measure == Measure::Spread {
        return one(Source::Spread, On::All.text());
    }
    match &line.on {
        On::All => (0..)
            .zip(board.channels)
            .map(|(at, name)| (Source::Channel(at), name.clone()))
            .collect(),
        On::Hottest => one(Source::Hottest, line.on.text()),
        On::Coldest => one(Source::Coldest, line.on.text()),
        On::Mean => one(Source::Mean, line.on.text()),
        On::Channel(name) => channel(name),
        On::Control => match board.control {
            ControlBy::Hottest => one(Source::Hottest, On::Hottest.text()),
            ControlBy::Coldest => one(Source::Coldest, On::Coldest.text()),
            ControlBy::Mean => one(Source::Mean, On::Mean.text()),
            ControlBy::Channel(name) => channel(name),
        },
    }
}

impl Trace {
    /// A good reading of a channel.
    fn reading(&mut self, channel: usize, point: Point, gap_max: f64) {
        if let Source::Channel(own) = self.source {
            if own == channel {
                self.point(point, gap_max);
            }
            return;
        }
        if self.source == Source::Hottest {
            // Also where another channel is silent: this hot it was, at least.
            self.highest(point);
        }
        self.fresh[channel] = Some(point.celsius);
        if self.fresh.iter().any(Option::is_none) {
            return;
        }
        let all = self.fresh.iter().flatten().copied();
        let hottest = all.clone().fold(f64::NEG_INFINITY, f64::max);
        let coldest = all.clone().fold(f64::INFINITY, f64::min);
        #[expect(clippy::cast_precision_loss, reason = "a station has a handful of channels")]
        let celsius = match self.source {
            Source::Hottest | Source::Channel(_) => hottest,
            Source::Coldest => coldest,
            Source::Mean => all.sum::<f64>() / self.fresh.len() as f64,
            Source::Spread => hottest - coldest,
        };
        self.fresh.fill(None);
        self.point(Point { celsius, ..point }, gap_max);
    }

    fn highest(&mut self, point: Point) {
        for (_, meter) in &mut self.meters {
            if let Meter::Highest(_) = meter {
                meter.point(None, point);
            }
        }
    }

    fn point(&mut self, point: Point, gap_max: f64) {
        let since = self.last.map_or(0.0, |last| last.at);
        let apart = point.at - since;
        if self.last.is_some() && apart <= 0.0 {
            // Twice in the same millisecond: no line can be drawn between.
            self.highest(point);
            return;
        }
        let gap = apart > gap_max;
        if gap {
            self.note_gap(apart, since);
        }
        let before = self.last.filter(|_| !gap);
        for (_, meter) in &mut self.meters {
            if gap {
                meter.gap(self.last, apart, point);
            }
            meter.point(before, point);
        }
        self.last = Some(point);
    }

    fn note_gap(&mut self, seconds: f64, from: f64) {
        self.gaps += 1;
        if seconds > self.longest.0 {
            self.longest = (seconds, from);
        }
    }

    /// What each of its meters comes to, with the place of its line. `open`: why more may have come.
    fn finish(mut self, ending: Ending, open: Option<&str>, gap_max: f64) -> Vec<(usize, Measured)> {
        let since = self.last.map_or(0.0, |last| last.at);
        let mut gap = ending.at_s - since;
        if gap > gap_max {
            self.note_gap(gap, since);
        } else {
            gap = 0.0;
        }
        let unseen = self.unseen(open, gap_max);
        let end = End {
            open: open.is_some(),
            unseen: &unseen,
        };
        let last = self.last;
        self.meters
            .into_iter()
            .map(|(line, meter)| (line, meter.finish(last, gap, end)))
            .collect()
    }

    fn unseen(&self, open: Option<&str>, gap_max: f64) -> String {
        let name = match self.source {
            Source::Channel(_) => &*self.name,
            Source::Hottest | Source::Coldest | Source::Mean | Source::Spread => "all channels",
        };
        let gaps = match (self.last, self.gaps) {
            (None, _) => Some(format!("{name} had no good reading")),
            (Some(_), 0) => None,
            (Some(_), gaps) => {
                let (seconds, from) = self.longest;
                let others = match gaps {
                    1 => String::new(),
                    gaps => format!(", the longest of {gaps} gaps"),
                };
                Some(format!(
                    "no good reading of {name} for {} s from {} s on{others}; up to {} s are bridged",
                    tenths(seconds),
                    tenths(from),
                    figure(gap_max)
                ))
            }
        };
        match (gaps, open) {
            (Some(gaps), Some(open)) => format!("{gaps}; {open}"),
            (Some(gaps), None) => gaps,
            (None, Some(open)) => open.to_owned(),
            (None, None) => String::new(),
        }
    }
}

fn tenths(value: f64) -> String {
    format!("{value:.1}")
}
