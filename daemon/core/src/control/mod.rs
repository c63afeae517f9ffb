//! Control: how much heat a station asks for.
//!
//! Five parts, each in its own file: [`filter`] says where board and element are, [`adapt`] finds out what board
//! it is, [`horizon`] chooses the heat that follows the reference, and [`governor`] has the last word: never more
//! than what lets the board coast to a stop at its target, with room for what isn't known yet of this board. On a
//! board that nobody has seen that room is wide, so that the first heat is small, and it narrows as the board
//! answers. There is nothing to tune by hand. Beside them [`residual`] and [`least`] watch whether the readings are still
//! those of a board. Where one of them is in doubt and the readings do what no board does ([`crate::rising`]), that is enough.
//!
//! Readings come at 1 to 20 Hz; a decision is made every quarter of a second and stands in between.

mod adapt;
mod filter;
mod governor;
mod horizon;
mod least;
mod residual;

use adapt::Adaptation;
use filter::{Began, Family, Filter};
use horizon::{Horizon, Wish};
use least::{Factors, Least};
pub(crate) use residual::Off;
use residual::{ABOVE, Watch};

use crate::model::{Belief, BoardModel, State};
use crate::predict::{Place, Start};
use crate::rising::Rising;
use crate::units::{Celsius, CelsiusPerSecond, Fraction, Millis};

/// Shortest time between two decisions.
const DECIDE_EVERY_S: f64 = 0.25;
/// Time between two looks ahead over the whole horizon.
const THINK_EVERY: Millis = Millis::from_secs(1);
/// Degrees above the target that a coast may reach.
const MARGIN_FAR: f64 = 0.0;
/// The same within [`NEAR`] of the target, so that holding is not the governor's business.
const MARGIN_NEAR: f64 = 0.4;
/// Degrees more above a target that falls: without them heat comes and goes, and the board falls faster in between.
const MARGIN_EASED: f64 = 0.5;
/// Largest doubt that is reckoned with.
const DOUBT_MAX: f64 = 1.5;
/// An explanation is reckoned with while its cost is at most this much above the best one's (twice the logarithm of
/// a ratio of likelihoods), and forgotten above the second.
const PLAUSIBLE: f64 = 6.0;
const IMPOSSIBLE: f64 = 40.0;
/// How much of a ramp limit is used, and how much of the doubt counts for it: what the slope is now has been seen.
const RAMP_SHARE: f64 = 0.97;
const RAMP_CAUTION: f64 = 0.12;
const NEAR: f64 = 0.8;
/// How many standard deviations of the peak are kept free, on a board that nobody has seen and on one that has
/// a model.
const DOUBTS_UNKNOWN: f64 = 1.0;
const DOUBTS_KNOWN: f64 = 0.4;
/// A ramp's reference is at most this far ahead of the board, in seconds of ramp: what was lost to a weak
/// heater must not be caught up by a faster rise.
const LEAD_S: f64 = 1.0;
/// How long the watch on the readings keeps silent at first, seconds: a bead that was just taped down comes to rest.
const SETTLES_S: f64 = 5.0;

/// The loop of one run.
#[derive(Debug, Clone)]
pub(crate) struct Controller {
    beliefs: Vec<Belief>,
    /// Highest temperature that the board was seen at before, °C.
    hottest: f64,
    doubts: f64,
    known: bool,
    /// How fast the board rose before the run, °C/s.
    drift: f64,
    inner: Option<Loop>,
}

/// Below this, °C, what no board does is looked for ([`Rising`]). From there on a bead that comes off falls so far that the
/// model sees it alone, and a draft on a quick board looks like one: 1 of 1,000 healthy runs ended.
const EARLY: f64 = 60.0;

/// What there is from the first reading on.
#[derive(Debug, Clone)]
struct Loop {
    /// How it comes to its targets.
    rising: Option<Rising>,
    /// What may be true, likeliest first; one for a board with a model.
    hypotheses: Vec<Hypothesis>,
    horizon: Horizon,
    /// The ramp's moving target.
    reference: Option<f64>,
    seen: Millis,
    decided: Option<Millis>,
    thought: Option<Millis>,
    wanted: f64,
    heat: f64,
}

/// One explanation of what is seen.
#[derive(Debug, Clone)]
struct Hypothesis {
    family: Family,
    filter: Filter,
    adaptation: Adaptation,
    /// On a board that has a model.
    watch: Option<Watch>,
    /// From the start on a board that has a model, and else from the second stage on: before that its guard watches.
    least: Option<Least>,
    /// Standard deviation of the logarithm of how far the board still rises.
    doubt: f64,
    /// When that is worked out next; `None`: at once.
    doubt_due: Option<Millis>,
}

impl Hypothesis {
    fn new(belief: &Belief, began: Began, known: bool) -> Self {
        let room = began.room();
        let family = Family::new(&belief.mean, belief, room);
        let filter = Filter::beginning(&family, began);
        // How far a board rises is in proportion to how fast it does, and that is where models differ most.
        let watch = known.then(|| Watch::new(&family.model, &filter, belief.sd[0], SETTLES_S));
        let least = known.then(|| Least::new(&family.theta, Factors::LEARNED, room, filter.state, SETTLES_S));
        Self {
            watch,
            least,
            family,
            filter,
            adaptation: Adaptation::new(*belief, began),
            doubt: 0.0,
            doubt_due: None,
        }
    }

    fn observe(&mut self, dt: f64, granted: f64, celsius: f64, target: Option<f64>) {
        self.filter.predict(&self.family, dt, granted);
        self.filter.correct(celsius);
        self.adaptation.saw(dt, granted, celsius);
        if let Some(watch) = &mut self.watch {
            watch.saw(dt, granted, celsius, target);
        }
        if let Some(least) = &mut self.least {
            let wanted = target.is_some_and(|target| celsius < target + ABOVE);
            least.saw(dt, granted, celsius, &self.filter.state, wanted);
        }
    }

    /// Temperature of the board where it is measured, °C.
    fn site(&self) -> f64 {
        self.family.model.site(&self.filter.state)
    }

    /// What the readings are off from what they should be.
    fn off(&self) -> Option<Off> {
        let watch = self.watch.as_ref().and_then(Watch::off);
        let least = self.least.as_ref().and_then(Least::off);
        match (watch, least) {
            (Some(watch), Some(least)) if !watch.detached && least.detached => Some(least),
            (watch, least) => watch.or(least),
        }
    }

    /// What the readings of the next stage are held against: what was known before the run, or, where that is nothing,
    /// what is known now.
    fn begin_stage(&mut self, settles_s: f64) {
        let from = self.filter.state;
        match &mut self.least {
            Some(least) if self.watch.is_some() => least.begin(from, settles_s),
            _ => {
                let room = self.family.model.room();
                let theta = &self.family.theta;
                self.least = Some(Least::new(theta, Factors::SEEN, room, from, settles_s));
            }
        }
    }

    /// Whatever was wrong has been mended: what was expected before counts no more.
    fn resume(&mut self) {
        if let Some(watch) = &mut self.watch {
            watch.forget(SETTLES_S);
        }
        if self.least.is_some() {
            self.begin_stage(SETTLES_S);
        }
    }

    fn learn(&mut self, sharing: usize) {
        // What may not be the board's readings says nothing of the board.
        if self.off().is_some() {
            return;
        }
        if let Some(adapted) = self.adaptation.work(sharing) {
            self.family = adapted.family;
            self.filter = adapted.filter;
            if let Some(watch) = &mut self.watch {
                watch.believed(&self.family.model, &self.filter, self.doubt);
            }
        }
    }

    /// How far the board rises is a product of what isn't known, so that its logarithm is what is normal.
    fn doubt(&mut self, on_s: f64) {
        let (rise, sensitivity) = governor::sensitivity(&self.family, &self.filter, 1.0, on_s);
        self.doubt = (self.adaptation.doubt(&sensitivity) / rise.max(0.5)).min(DOUBT_MAX);
    }

    /// The most heat for `on_s` seconds if this is true.
    fn most(&self, on_s: f64, target: f64, rate: f64, doubts: f64) -> f64 {
        let state = &self.filter.state;
        let site = self.site();
        let margin = if target - site < NEAR {
            MARGIN_NEAR
        } else {
            MARGIN_FAR
        };
        let spare = target + margin - site;
        let caution = (-doubts * self.doubt).exp();
        let limit = site + if spare > 0.0 { spare * caution } else { spare };
        governor::most(
            &self.family.model,
            state,
            on_s,
            limit,
            rate * RAMP_SHARE * caution.powf(RAMP_CAUTION),
        )
    }
}

impl Controller {
    /// For a board with this model, or for one that nobody has seen.
    pub(crate) fn new(known: Option<&BoardModel>, drift: f64) -> Self {
        Self {
            drift,
            beliefs: known.map_or_else(Belief::of_unknown_boards, |known| vec![known.belief]),
            hottest: known.map_or(0.0, |known| known.hottest),
            doubts: if known.is_some() {
                DOUBTS_KNOWN
            } else {
                DOUBTS_UNKNOWN
            },
            known: known.is_some(),
            inner: None,
        }
    }

    /// A new stage towards `target`, or the eased cool-down. A board that nobody has seen before was only seen to warm up: how
    /// fast it falls at most isn't known, so that one in a draft would be taken for one whose bead came off, and get no heat.
    pub(crate) fn begin_stage(&mut self, target: Celsius) {
        let known = self.known;
        if let Some(inner) = &mut self.inner {
            inner.ramp_anew();
            for hypothesis in &mut inner.hypotheses {
                if known || hypothesis.site() < target.degrees() + ABOVE {
                    hypothesis.begin_stage(0.0);
                } else {
                    hypothesis.least = None;
                }
            }
        }
    }

    /// A resumed run.
    pub(crate) fn resume(&mut self) {
        if let Some(inner) = &mut self.inner {
            inner.ramp_anew();
            inner.rising = None;
            for hypothesis in &mut inner.hypotheses {
                hypothesis.resume();
            }
        }
    }

    /// What the readings are off from what they should be, if no explanation that may be true makes them a board's.
    pub(crate) fn off(&self) -> Option<Off> {
        let inner = self.inner.as_ref()?;
        let hypotheses = &inner.hypotheses;
        let mut mildest: Option<Off> = None;
        for hypothesis in plausible(hypotheses) {
            let off = hypothesis.off()?;
            let milder = mildest.is_none_or(|mildest| {
                (off.detached, -off.celsius / off.limit)
                    < (mildest.detached, -mildest.celsius / mildest.limit)
            });
            if milder {
                mildest = Some(off);
            }
        }
        // Either may be wrong about a healthy board; what both say is so.
        let loose = inner.rising.as_ref().and_then(Rising::loose).is_some();
        mildest.map(|off| Off {
            detached: off.detached || loose,
            ..off
        })
    }

    /// What a prediction can start from: the likeliest board as it stands now. `None` before the first reading, and while
    /// another kind of bench is as plausible. `most`: share of full power that there is.
    pub(crate) fn start(&self, place: Place, most: f64) -> Option<Start> {
        let [likeliest, others @ ..] = self.inner.as_ref()?.hypotheses.as_slice() else {
            return None;
        };
        let least = likeliest.adaptation.cost;
        if others
            .iter()
            .any(|other| other.adaptation.cost - least < PLAUSIBLE)
        {
            return None;
        }
        let state: State = likeliest.filter.state;
        Some(Start::underway(
            likeliest.family.theta,
            &likeliest.adaptation.covariance,
            state,
            place,
            likeliest.family.model.room(),
            self.hottest.max(state.board),
            self.beliefs.len() == 1,
            most,
        ))
    }

    /// Takes in a good control temperature, and the heat that was really granted since the one before it.
    /// `target`: where it is to be, if heat may be on.
    pub(crate) fn observe(
        &mut self,
        now: Millis,
        celsius: Celsius,
        granted: Fraction,
        target: Option<Celsius>,
    ) {
        let target = target.map(Celsius::degrees);
        let reading = celsius;
        let celsius = celsius.degrees();
        let Some(inner) = &mut self.inner else {
            let drift = self.drift;
            let began = Began { celsius, drift };
            self.inner = Some(Loop::new(now, began, &self.beliefs, self.known));
            return;
        };
        let dt = now.since(inner.seen).seconds();
        if dt <= 0.0 {
            return;
        }
        inner.seen = now;
        inner.rises(now, reading, dt, granted.share(), target);
        for hypothesis in &mut inner.hypotheses {
            hypothesis.observe(dt, granted.share(), celsius, target);
        }
    }

    /// Heat to ask for now.
    pub(crate) fn decide(
        &mut self,
        now: Millis,
        target: Celsius,
        ramp_max: Option<CelsiusPerSecond>,
    ) -> Fraction {
        let Some(inner) = &mut self.inner else {
            return Fraction::ZERO;
        };
        inner.decide(now, target.degrees(), ramp_max, self.doubts, 0.0)
    }

    /// Heat to ask for now, so that the board falls no faster than `reference` does.
    pub(crate) fn ease(&mut self, now: Millis, reference: Celsius) -> Fraction {
        let Some(inner) = &mut self.inner else {
            return Fraction::ZERO;
        };
        inner.decide(now, reference.degrees(), None, self.doubts, MARGIN_EASED)
    }
}

/// Those that may be true. The likeliest is first.
fn plausible(hypotheses: &[Hypothesis]) -> impl Iterator<Item = &Hypothesis> {
    let least = hypotheses
        .first()
        .map_or(0.0, |likeliest| likeliest.adaptation.cost);
    hypotheses
        .iter()
        .filter(move |hypothesis| hypothesis.adaptation.cost - least < PLAUSIBLE)
}

impl Loop {
    fn new(now: Millis, began: Began, beliefs: &[Belief], known: bool) -> Self {
        Self {
            hypotheses: beliefs
                .iter()
                .map(|belief| Hypothesis::new(belief, began, known))
                .collect(),
            rising: None,
            horizon: Horizon::new(),
            reference: None,
            seen: now,
            decided: None,
            thought: None,
            wanted: 0.0,
            heat: 0.0,
        }
    }

    /// Looks at how it rises, as long as it is early on its way to its target.
    fn rises(&mut self, now: Millis, reading: Celsius, dt: f64, heat: f64, target: Option<f64>) {
        Rising::take(&mut self.rising, false, now, reading, heat, dt);
        let Some(rising) = &mut self.rising else { return };
        if target.is_some_and(|target| reading.degrees() < target.min(EARLY)) {
            rising.look(now, dt);
        } else {
            rising.forget(now);
        }
    }

    /// The ramp starts at the board's own temperature.
    fn ramp_anew(&mut self) {
        self.reference = None;
        self.thought = None;
    }

    /// `above`: how much more than usual a coast may pass the target.
    fn decide(
        &mut self,
        now: Millis,
        target: f64,
        ramp_max: Option<CelsiusPerSecond>,
        doubts: f64,
        above: f64,
    ) -> Fraction {
        let since = self.decided.map_or(DECIDE_EVERY_S, |at| now.since(at).seconds());
        if since < DECIDE_EVERY_S - 1e-3 {
            return Fraction::clamped(self.heat);
        }
        self.decided = Some(now);
        self.weigh();
        // Heat stands until the next decision, which comes with the next reading.
        let on_s = since.clamp(0.5, 2.0);
        self.doubt(now, on_s);
        let rate = ramp_max.map_or(f64::INFINITY, CelsiusPerSecond::per_second);
        let from = self.reference(since, self.hypotheses[0].site(), target, rate);
        if self.thought.is_none_or(|at| now.since(at) >= THINK_EVERY) {
            self.thought = Some(now);
            let wish = Wish {
                from,
                rate,
                target,
                limit: target + 0.5,
            };
            let likeliest = &self.hypotheses[0];
            self.wanted = self.horizon.think(
                &likeliest.family.model,
                &likeliest.filter.state,
                self.heat,
                1.0,
                &wish,
            );
        }
        let most = plausible(&self.hypotheses)
            .map(|hypothesis| hypothesis.most(on_s, target + above, rate, doubts))
            .fold(1.0, f64::min);
        self.heat = self.wanted.min(most).clamp(0.0, 1.0);
        Fraction::clamped(self.heat)
    }

    /// Works out the doubts that are due. The first time it is all; from then on they take turns, so that no decision has
    /// to do all of them.
    fn doubt(&mut self, now: Millis, on_s: f64) {
        let count = self.hypotheses.len();
        for (at, hypothesis) in self.hypotheses.iter_mut().enumerate() {
            let next = match hypothesis.doubt_due {
                None => Millis(THINK_EVERY.0 * (at as u64 + 1) / count as u64),
                Some(due) if now >= due => THINK_EVERY,
                Some(_) => continue,
            };
            hypothesis.doubt_due = Some(now + next);
            hypothesis.doubt(on_s);
        }
    }

    /// Learns, puts the likeliest explanation first, and forgets those that can't be true.
    fn weigh(&mut self) {
        let sharing = self.hypotheses.len();
        for hypothesis in &mut self.hypotheses {
            hypothesis.learn(sharing);
        }
        self.hypotheses
            .sort_by(|one, other| one.adaptation.cost.total_cmp(&other.adaptation.cost));
        let least = self.hypotheses[0].adaptation.cost;
        self.hypotheses
            .retain(|hypothesis| hypothesis.adaptation.cost - least < IMPOSSIBLE);
    }

    /// Moves the ramp's reference on, and says where it is.
    fn reference(&mut self, dt: f64, site: f64, target: f64, rate: f64) -> f64 {
        if !rate.is_finite() {
            self.reference = None;
            return target;
        }
        let before = self.reference.unwrap_or(site);
        let moved = if target >= before {
            (before + rate * dt)
                .min(target)
                .min((site + rate * LEAD_S).max(before))
        } else {
            (before - rate * dt).max(target)
        };
        self.reference = Some(moved);
        moved
    }
}
