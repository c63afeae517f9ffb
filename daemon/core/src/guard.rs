//! The guard of a first run: what keeps a bead that was loose from the start from being taken for a heavy board.
//!
//! On a board that has a model, a reading that doesn't do what the model says is noticed. On one that nobody has seen the
//! control learns what it sees, and one channel alone can't tell a bead that hangs beside a light board from one that
//! is taped to a heavy board: both rise slowly, and the loop heats on. So such a run is guarded until its first stage has
//! reached its target, in one of three ways ([`Basis`]):
//!
//! | basis | when | what is held against the run |
//! |---|---|---|
//! | [`Basis::Probe`] | the recipe says `confirm_first_run = true` | a short heating at [`PROBE_HEAT`], then none until a person confirms |
//! | [`Basis::Grams`] | the recipe says `board_grams`, the drivers say their watts | the energy that a board of that mass needs for the rise that is read |
//! | [`Basis::Lightest`] | none of these | the same for the lightest board that such a bench heats |
//!
//! Where there are two channels or more, the slowest one that the run steers by also has to follow the fastest of all. A
//! bead that is bridged at a warm place follows well enough for that; the energy shows it.
//!
//! A bead that comes loose on the way does what no board does: it falls under heat, stops rising from one moment to the
//! next ([`crate::rising`]), or rises by less than the same heat brought at first ([`crate::response`]). The heat stops at once
//! then and a person is asked, however much of the energy is left.
//!
//! # The energy bound
//!
//! ```text
//!   spent  <=  [ STORED + PER_DEGREE * rise + PER_DEGREE_SECOND * integral of rise + PER_SECOND * time ] / density
//! ```
//!
//! in seconds of full power, all terms of the bracket in joules per gram of board. `rise` is the steered temperature above
//! its lowest since the start: a board that comes onto a hot bench cools first. What it stands for:
//!
//! * `STORED`: what element and bench take up before the board shows anything.
//! * `PER_DEGREE`: heat capacity of the board and what goes elsewhere meanwhile. Of what a heater draws, between an eighth (a
//!   small board on a thick plate) and a half (hot air) ends in the board; 850 to 1150 J/kgK is the range of laminates
//!   with copper and parts (from memory).
//! * `PER_DEGREE_SECOND`: what a warm board loses, about 25 W/m²K from both faces at 0.28 g/cm², brought to the heater by the
//!   same share.
//! * `PER_SECOND`: a trickle, so that a board that takes heat worse than any of these still gets on, slowly: what it brings
//!   to a board whose bead is loose, that board loses again.
//! * `density`: rated power per gram, at most [`DENSITY_MAX`]: power beyond it falls beside a board that small. Where mass or
//!   watts are unknown it is that maximum, as for the lightest board, and the bound is one of seconds of full power alone.
//!
//! The bound only ever holds heat back; it trips nothing. Heat goes from full to none over the last [`AHEAD_S`] of what is
//! left. A bead that is loose reads what the air beside the board takes, a tenth to a third of its rise: the reading then
//! allows little, and the heat stops.
//!
//! # When it doesn't fit
//!
//! Heat that is held back for [`ASK_AFTER_S`] in all, or [`ASK_AFTER_OF_MASS_S`] of a board of known mass, goes to zero, and a
//! person is asked to look (`waits`). Whoever may run boards confirms, and the guard is over; the name is kept. If the reading
//! comes to fit by itself meanwhile, the question is withdrawn, once: a second one stands until it is answered. Without an answer
//! the run ends after [`ANSWER_WITHIN`], with heat off and nothing latched.
//!
//! # States
//!
//! ```text
//!             held back for too long, probe done
//!   Watching ------------------------------------> Waiting --nobody confirms--> the run ends
//!      |  ^------- it fits after all (no probe) ------|
//!      | first target reached                         | a person confirms
//!      v             it answers heat less             v
//!   Reached ------------------> Waiting -----------> Over
//! ```
//!
//! # What it deliberately doesn't do
//!
//! It doesn't watch known boards: a tape that peels on one is the business of `sensor-detached`. Past its first target a run is
//! only asked whether it still answers heat as it did: what else there is, was found before. From there on a draft can
//! make a quick board fall. It makes no permit and lifts no limit: what it says is only ever less heat. With two channels it takes
//! for granted that not both are loose.

use std::sync::Arc;

use crate::person::Person;
use crate::recipe::{ControlBy, Grams, Recipe};
use crate::rising::{Loose, Rising};
use crate::trend::REST_SLOPE;
use crate::units::{Celsius, Fraction, Millis, Watts};

/// What element and bench take up before a board shows anything, J per gram of board.
const STORED: f64 = 40.0;
/// What a degree of the board costs at the heater, J/gK.
const PER_DEGREE: f64 = 8.0;
/// What a degree above the start costs each second, W/gK.
const PER_DEGREE_SECOND: f64 = 0.06;
/// The trickle, W/g.
const PER_SECOND: f64 = 0.3;
/// Rated power that can fall on a gram of board, W/g: laminates of 0.28 g/cm² under 1.7 W/cm².
const DENSITY_MAX: f64 = 6.0;
/// Least rated power per gram that is believed, W/g: a board so heavy for its bench takes half an hour to 100 °C.
const DENSITY_MIN: f64 = 0.3;
/// Over so many last seconds of full power heat goes to zero.
const AHEAD_S: f64 = 2.0;
/// The question is withdrawn once so many seconds of full power are free again.
const FREE_AGAIN_S: f64 = 2.0;

/// Heat of a probe, and how long it is at most, seconds of full power.
const PROBE_HEAT: f64 = 0.25;
const PROBE_S: f64 = 6.0;
/// A probe is over once the reading has risen by this much, °C: ten times the noise.
const PROBE_RISE: f64 = 4.0;

/// From a rise of the fastest channel by this much on, °C, the others are compared with it.
const TELLING_RISE: f64 = 12.0;
/// Least share of the fastest channel's rise. A loose bead reads a tenth to a third; edges read 0.65 or more of the
/// centre, and a heavy part that lags behind in a fast ramp catches up while the heat is held.
const SHARE_MIN: f64 = 0.4;

/// Heat held back for so long in all, seconds, is a question to a person. Of taped boards of 80 simulated benches none was held
/// back for longer than 8 s where its mass was known, and 46 s where it wasn't.
const ASK_AFTER_S: f64 = 60.0;
const ASK_AFTER_OF_MASS_S: f64 = 24.0;
/// Held back: less than this share of what the control asks for.
const HELD_SHARE: f64 = 0.5;

/// How long a question waits for its answer.
pub(crate) const ANSWER_WITHIN: Millis = Millis::from_secs(300);

/// What a first run is guarded by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Basis {
    /// A probe that a person confirms.
    Probe,
    /// The energy for a board of this mass with this rated power.
    Grams { grams: Grams, watts: Watts },
    /// The energy for the lightest board of such a bench.
    Lightest,
}

impl Basis {
    fn of(recipe: &Recipe, watts: Option<Watts>) -> Self {
        match (recipe.board_mass, watts) {
            _ if recipe.confirm_first_run => Self::Probe,
            (Some(grams), Some(watts)) => Self::Grams { grams, watts },
            (Some(_), None) | (None, Some(_) | None) => Self::Lightest,
        }
    }

    /// Rated power per gram that is reckoned with, W/g.
    fn density(self) -> f64 {
        match self {
            Self::Grams { grams, watts } => (watts.watts() / grams.grams()).clamp(DENSITY_MIN, DENSITY_MAX),
            Self::Probe | Self::Lightest => DENSITY_MAX,
        }
    }

    /// In words, for records.
    fn words(self) -> String {
        match self {
            Self::Probe => "a probe that a person confirms".into(),
            Self::Grams { grams, watts } => format!(
                "the energy for a board of {} g with {:.0} W",
                grams.grams(),
                watts.watts()
            ),
            Self::Lightest => "the energy for the lightest board of such a bench".into(),
        }
    }
}

/// What is kept of how a first run was guarded.
#[derive(Debug, Clone, PartialEq)]
pub struct FirstRun {
    /// By what, in words.
    pub guarded_by: Arc<str>,
    /// What a person was asked last, if anybody was.
    pub asked: Option<Arc<str>>,
    /// Who confirmed that the sensors are on the board, if anybody had to.
    pub confirmed_by: Option<Person>,
}

/// A question that a run waits with.
#[derive(Debug, Clone, PartialEq)]
pub struct Waits {
    /// What was seen, against which bound, and what to look at.
    pub text: Arc<str>,
    /// How long until the run ends without an answer.
    pub left: Millis,
}

#[derive(Debug, Clone, PartialEq)]
enum State {
    Watching,
    Waiting {
        until: Millis,
        text: Arc<str>,
    },
    /// The first target is reached: only whether it answers heat as it did is still looked at.
    Reached,
    Over,
}

/// The guard of one run.
#[derive(Debug, Clone)]
pub(crate) struct Guard {
    basis: Basis,
    /// Readings of a recording that is played again fall and stop as they like.
    follows_heat: bool,
    state: State,
    /// The steered temperature, and whether all that it is made of were at rest before the run.
    steered: Option<Rising>,
    rested: bool,
    /// Each channel, in the station's order, and whether the run steers by it alone or by all that are marked.
    channels: Vec<(Option<Rising>, bool)>,
    names: Vec<Arc<str>>,
    last: Option<Millis>,
    /// Time between the last two readings, s, until it has been counted as held or not.
    dt: f64,
    /// Heat so far, seconds of full power.
    spent: f64,
    /// Time in which heat was possible and nobody was asked, s; the integral of the rise over it, °C s.
    time: f64,
    warmth: f64,
    /// How long heat was held back, s.
    held: f64,
    /// A question was withdrawn before.
    withdrawn: bool,
    /// Something that the journal has to hear.
    news: Option<News>,
}

/// What came of a look.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum News {
    /// A person is asked.
    Asks(Arc<str>),
    /// The question is withdrawn.
    Fits(String),
    /// Nobody answered in time: the run has to end.
    Unanswered(String),
}

impl Guard {
    /// The guard of a run of `recipe` at a station with these channels, moving by so much each, °C/s, on a board that nobody has
    /// seen. `watts`: rated power of all its heaters, where the drivers say it. `follows_heat`: whether its readings do.
    pub(crate) fn new(
        recipe: &Recipe,
        channels: Vec<(Arc<str>, Option<f64>)>,
        watts: Option<Watts>,
        follows_heat: bool,
    ) -> Self {
        // The hottest of several may be another one by the time that it is held against what one of them did.
        let rests = |drift: Option<f64>| drift.is_some_and(|drift| drift.abs() <= REST_SLOPE);
        let rested = channels.iter().all(|(_, drift)| rests(*drift))
            && (channels.len() == 1 || !matches!(recipe.control, ControlBy::Hottest));
        let names: Vec<Arc<str>> = channels.into_iter().map(|(name, _)| name).collect();
        let steers = |name: &Arc<str>| match &recipe.control {
            // The hottest one steers: one that reads too low changes nothing.
            ControlBy::Hottest => false,
            ControlBy::Coldest | ControlBy::Mean => true,
            ControlBy::Channel(by) => **by == **name,
        };
        Self {
            basis: Basis::of(recipe, watts),
            follows_heat,
            state: State::Watching,
            steered: None,
            rested,
            channels: names.iter().map(|name| (None, steers(name))).collect(),
            names,
            last: None,
            dt: 0.0,
            spent: 0.0,
            time: 0.0,
            warmth: 0.0,
            held: 0.0,
            withdrawn: false,
            news: None,
        }
    }

    /// How the run is guarded, for its record.
    pub(crate) fn first_run(&self) -> FirstRun {
        FirstRun {
            guarded_by: self.basis.words().into(),
            asked: None,
            confirmed_by: None,
        }
    }

    /// Takes in good temperatures (all channels, in the station's order) and the heat that was granted since the last ones.
    pub(crate) fn observe(
        &mut self,
        now: Millis,
        control: Celsius,
        all: &[Option<Celsius>],
        granted: Fraction,
    ) {
        let dt = self.last.map_or(0.0, |last| now.since(last).seconds());
        self.last = Some(now);
        self.dt = dt;
        Rising::take(&mut self.steered, self.rested, now, control, granted.share(), dt);
        for ((rising, _), celsius) in self.channels.iter_mut().zip(all) {
            if let Some(celsius) = celsius {
                Rising::take(rising, self.rested, now, *celsius, granted.share(), dt);
            }
        }
        self.spent += granted.share() * dt;
        if self.state == State::Watching {
            self.time += dt;
            self.warmth += self.rise() * dt;
        }
        if self.follows_heat && self.state != State::Over {
            let steered = self.steered.iter_mut();
            let steering = self.channels.iter_mut().filter(|(_, steers)| *steers);
            let reached = self.state == State::Reached;
            for rising in steered.chain(steering.filter_map(|(rising, _)| rising.as_mut())) {
                if reached {
                    rising.slackens(dt);
                } else {
                    rising.look(now, dt);
                }
            }
        }
    }

    fn rise(&self) -> f64 {
        self.steered.as_ref().map_or(0.0, Rising::rise)
    }

    /// Seconds of full power that may have been spent by now.
    fn allowed(&self) -> f64 {
        (STORED + PER_DEGREE * self.rise() + PER_DEGREE_SECOND * self.warmth + PER_SECOND * self.time)
            / self.basis.density()
    }

    /// The steering channel that rose least and the one of all that rose most, where they are too far apart.
    fn disagree(&self) -> Option<(usize, f64, usize, f64)> {
        let rises = || {
            self.channels
                .iter()
                .enumerate()
                .filter_map(|(at, (rising, steers))| Some((at, rising.as_ref()?.rise(), *steers)))
        };
        let most = rises().max_by(|one, other| one.1.total_cmp(&other.1))?;
        let least = rises()
            .filter(|(_, _, steers)| *steers)
            .min_by(|one, other| one.1.total_cmp(&other.1))?;
        (most.1 >= TELLING_RISE && least.1 < SHARE_MIN * most.1).then_some((least.0, least.1, most.0, most.1))
    }

    /// The steering channel that came loose, if one did, and what was seen; `None` for its place: the steered temperature did.
    fn loose(&self) -> Option<(Option<usize>, &Loose)> {
        let steering = self
            .channels
            .iter()
            .enumerate()
            .filter(|(_, (_, steers))| *steers);
        steering
            .filter_map(|(at, (rising, _))| Some((Some(at), rising.as_ref()?)))
            .chain(self.steered.as_ref().map(|steered| (None, steered)))
            .find_map(|(at, rising)| Some((at, rising.loose()?)))
    }

    /// The most heat that may be given now.
    fn most(&self) -> f64 {
        match self.basis {
            _ if self.disagree().is_some() || self.loose().is_some() => 0.0,
            Basis::Probe if self.rise() >= PROBE_RISE || self.spent >= PROBE_S => 0.0,
            Basis::Probe => PROBE_HEAT,
            Basis::Grams { .. } | Basis::Lightest => {
                ((self.allowed() - self.spent) / AHEAD_S).clamp(0.0, 1.0)
            }
        }
    }

    /// Whether what is read has come to fit what was spent.
    fn fits(&self) -> bool {
        match self.basis {
            Basis::Probe => false,
            Basis::Grams { .. } | Basis::Lightest => {
                self.disagree().is_none()
                    && self.loose().is_none()
                    && self.allowed() - self.spent >= FREE_AGAIN_S
            }
        }
    }

    /// Of the heat that the control asks for, what may be given.
    pub(crate) fn limit(&mut self, now: Millis, asked: Fraction) -> Fraction {
        let dt = std::mem::take(&mut self.dt);
        match &self.state {
            State::Over => asked,
            State::Reached if self.loose().is_none() => asked,
            State::Watching | State::Reached => {
                let given = asked.share().min(self.most());
                if given < HELD_SHARE * asked.share() {
                    self.held += dt;
                }
                let ask_after = match self.basis {
                    Basis::Grams { .. } => ASK_AFTER_OF_MASS_S,
                    Basis::Lightest | Basis::Probe => ASK_AFTER_S,
                };
                let probed = self.basis == Basis::Probe && self.most() <= 0.0;
                if probed || self.loose().is_some() || self.held >= ask_after {
                    self.held = 0.0;
                    let text: Arc<str> = self.question().into();
                    self.news = Some(News::Asks(text.clone()));
                    self.state = State::Waiting {
                        until: now + ANSWER_WITHIN,
                        text,
                    };
                    return Fraction::ZERO;
                }
                Fraction::clamped(given)
            }
            State::Waiting { .. } => {
                if !self.withdrawn && self.fits() {
                    self.withdrawn = true;
                    self.news = Some(News::Fits(format!(
                        "the reading has risen by {:.1} °C and fits the heat: nobody has to confirm",
                        self.rise()
                    )));
                    self.state = State::Watching;
                }
                Fraction::ZERO
            }
        }
    }

    /// What a person is asked: what was seen, against which bound, and what to do.
    fn question(&self) -> String {
        let name = |at: usize| self.names.get(at).map_or("?", |name| &**name);
        let steered: Vec<&str> = (0..self.names.len())
            .filter(|at| self.names.len() == 1 || self.channels[*at].1)
            .map(name)
            .collect();
        let steered = if steered.is_empty() {
            "the hottest channel".to_owned()
        } else {
            steered.join(", ")
        };
        let warmed = self.rise();
        let spent = self.spent;
        if let Some((at, loose)) = self.loose() {
            return format!(
                "{} {loose}: is it taped down, and does the heater heat?",
                at.map_or(&*steered, name)
            );
        }
        match (self.basis, self.disagree()) {
            (_, Some((least, lagging, most, leading))) => format!(
                "{} rose {lagging:.1} °C while {} rose {leading:.1} °C, at least {:.1} °C is expected: is {} taped down?",
                name(least),
                name(most),
                SHARE_MIN * leading,
                name(least)
            ),
            (Basis::Grams { grams, watts }, None) => format!(
                "{steered} rose {warmed:.1} °C for {:.1} kJ, and a board of {} g isn't given more than {:.1} kJ for that: is it taped down?",
                spent * watts.watts() / 1000.0,
                grams.grams(),
                self.allowed() * watts.watts() / 1000.0
            ),
            (Basis::Lightest, None) => format!(
                "{steered} rose {warmed:.1} °C for {spent:.0} s of full power, and no more than {:.0} s are given for that: is it \
                 taped down?",
                self.allowed()
            ),
            (Basis::Probe, None) => {
                format!("{steered} rose {warmed:.1} °C for {spent:.1} s of full power: is it taped down?")
            }
        }
    }

    /// The first target is reached: the reading has risen as far as it had to.
    ///
    /// A probe that nobody confirmed isn't over by that.
    pub(crate) fn reached(&mut self) {
        let fits = match self.state {
            State::Watching => true,
            State::Waiting { .. } => self.loose().is_none(),
            State::Reached | State::Over => false,
        };
        if fits && self.basis != Basis::Probe {
            self.state = State::Reached;
        }
    }

    /// A person says that the sensors are on the board. Returns what they were asked; `None`: nothing.
    pub(crate) fn confirm(&mut self) -> Option<Arc<str>> {
        let State::Waiting { text, .. } = &self.state else {
            return None;
        };
        let text = text.clone();
        self.state = State::Over;
        Some(text)
    }

    /// Heat is possible again after a trip: whatever was asked before is asked anew, if it still has to be.
    pub(crate) fn resume(&mut self, now: Millis) {
        self.last = Some(now);
        for rising in self
            .steered
            .iter_mut()
            .chain(self.channels.iter_mut().filter_map(|(rising, _)| rising.as_mut()))
        {
            rising.forget(now);
        }
        if let State::Waiting { until, .. } = &mut self.state {
            *until = now + ANSWER_WITHIN;
        }
    }

    /// What the run waits for.
    pub(crate) fn waits(&self, now: Millis) -> Option<Waits> {
        match &self.state {
            State::Waiting { until, text } => Some(Waits {
                text: text.clone(),
                left: until.since(now),
            }),
            State::Watching | State::Reached | State::Over => None,
        }
    }

    /// What the station has not heard yet.
    pub(crate) fn news(&mut self, now: Millis) -> Option<News> {
        match &self.state {
            State::Waiting { until, text } if now >= *until => Some(News::Unanswered(format!(
                "nobody confirmed within {ANSWER_WITHIN}: {text}"
            ))),
            State::Watching | State::Waiting { .. } | State::Reached | State::Over => self.news.take(),
        }
    }
}
