//! Starting points, steps and properties.
//!
//! # Starting points
//!
//! A lab that has just been started; one that heats; and for each interlock of the table one that has just tripped by it,
//! by real events, its cause still there where it lasts. From each of them every order of steps is played, so that the
//! depth is what comes *after* a trip: acknowledging, its cause going, resets by everyone, resuming, heat, another trip,
//! a restart in between.
//!
//! # Steps
//!
//! The small ones are single events or one wake-up, so that every order of scans, wake-ups and requests is among them.
//! The long ones let pass what the timers of the interlocks need, in real wake-ups and scans:
//!
//! | step | passes | for |
//! |---|---|---|
//! | `Ahead` `Think` | nothing | readings that are taken in now and thought about later, with anything in between |
//! | `Tick` | 50 ms, one wake-up | orders of wake-ups and scans |
//! | `Silence` | 0.6 s, wake-ups and no scan | stale readings (0.5 s), permissives (0.2 s), faults (0.5 s) |
//! | `Hang` | 2.5 s, not even wake-ups | late loop (0.5 s), permits (1.5 s), confirmations (1 s) |
//! | `Pass` | 2.5 s, wake-ups and scans | safe to handle (2 s), current (1 s + 1 s), confirmations (1 s) |
//! | `Away` | 5.2 s, wake-ups and scans, nobody there | absence (5 s here), its warning |
//! | `Rise` `Fall` `Stick` `Dead` `Long` | what provokes each detector that looks back | the interlocks of that name |
//! | `Expire` | 10 min | the time to resume |

use std::collections::BTreeSet;
use std::fmt;
use std::hash::{Hash, Hasher};
use std::sync::{Arc, Mutex};

use benchward_core::interlock::InterlockName;
use benchward_core::units::{Celsius, Millis};
use benchward_core::{Ask, LimitName};
use stateright::{Checker, Model, Property};

use crate::world::{Broken, CEILING, LOW_CEILING, Layout, RUN_MAX, Reading, Who, World, id};

/// One step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Step {
    /// A scan of a station that reads this, and goes on to.
    Scan(usize, Reading),
    /// The same, and nothing is thought about until `Think`.
    Ahead(usize, Reading),
    /// What waits longest is thought about.
    Think,
    /// A scan in which the pedal is pressed, after one in which it is not.
    Pedal(usize),
    /// The hood is opened or shut; the next scan shows it.
    Hood,
    /// One wake-up.
    Tick,
    /// Wake-ups and no scan.
    Silence,
    /// Nothing, and then a wake-up that is late.
    Hang,
    /// Wake-ups and scans.
    Pass,
    /// The same for as long as nobody may be absent.
    Away,
    /// A driver starts, again or for the first time.
    Up(usize),
    /// A driver dies.
    Down(usize),
    /// A driver ceases to confirm, or confirms again.
    Mute(usize),
    /// A driver refuses what an output was told.
    Refuse(usize),
    /// Current begins to flow at a station though no heat is commanded, or ceases to.
    Flow(usize),
    /// A board that rises faster than any may.
    Rise,
    /// A bead that falls off.
    Fall,
    /// A value that stands still.
    Stick,
    /// A board that doesn't follow its heat.
    Dead,
    /// A run that takes longer than it may.
    Long,
    /// The time to resume.
    Expire,
    /// The daemon dies and is started on what the archive kept.
    Restart,
    /// Somebody asks.
    Person(Who, What),
}

/// What a person asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum What {
    /// Start a run.
    Start(usize),
    /// End it.
    StopRun(usize),
    /// Stop a station.
    Stop(usize),
    /// Stop all of them.
    StopLab,
    /// Confirm presence.
    Present(usize),
    /// Have seen the trips.
    Acknowledge(usize),
    /// Lift them.
    Reset(usize),
    /// Go on with the run.
    Resume(usize),
    /// Lower the lab's ceiling below what is read.
    LowerCeiling,
    /// Put it back.
    RaiseCeiling,
    /// Move the longest time that a run may heat to less than [`RUN_MAX`].
    ShortenRuns,
    /// Take that back.
    UsualRuns,
    /// Move the fastest rise to less than any other.
    SlowRise,
    /// Move the limit of absence to more than configured.
    ProlongAbsence,
}

impl What {
    fn ask(self) -> Ask {
        match self {
            Self::Start(station) => World::start(id(station)),
            Self::StopRun(station) => Ask::StopRun(id(station)),
            Self::Stop(station) => Ask::Stop(Some(id(station))),
            Self::StopLab => Ask::Stop(None),
            Self::Present(station) => Ask::Present(id(station)),
            Self::Acknowledge(station) => Ask::Acknowledge(id(station)),
            Self::Reset(station) => Ask::Reset(id(station)),
            Self::Resume(station) => Ask::Resume(id(station)),
            Self::LowerCeiling => Ask::SetLabCeiling(Celsius::constant(LOW_CEILING)),
            Self::RaiseCeiling => Ask::SetLabCeiling(Celsius::constant(CEILING)),
            // Each at a bound of what can be set.
            Self::ShortenRuns => Ask::SetLimit(LimitName::RunMax, Some(10.0)),
            Self::UsualRuns => Ask::SetLimit(LimitName::RunMax, None),
            Self::SlowRise => Ask::SetLimit(LimitName::RiseMax, Some(0.5)),
            Self::ProlongAbsence => Ask::SetLimit(LimitName::AbsentAfter, Some(10.0)),
        }
    }
}

/// A world and how many steps it is away from where it started.
#[derive(Clone)]
pub struct State {
    world: Arc<World>,
    steps: usize,
    fingerprint: u64,
}

impl State {
    fn new(mut world: World, steps: usize) -> Self {
        world.compare();
        Self {
            fingerprint: world.fingerprint(),
            world: Arc::new(world),
            steps,
        }
    }
}

impl State {
    /// Whether there is a way back from it; see [`World::way_back`].
    pub fn way_back(&self) -> Result<(), String> {
        self.world.way_back()
    }

    /// What is wrong with it, in words.
    pub fn story(&self) -> &str {
        &self.world.story
    }
}

impl Hash for State {
    fn hash<H: Hasher>(&self, hasher: &mut H) {
        self.fingerprint.hash(hasher);
    }
}

impl PartialEq for State {
    fn eq(&self, other: &Self) -> bool {
        self.fingerprint == other.fingerprint
    }
}

impl fmt::Debug for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:016x}: {}", self.fingerprint, self.world.story)
    }
}

/// What is explored, and how far.
#[derive(Debug, Clone)]
pub struct Bench {
    layout: Layout,
    steps: usize,
    reached: Arc<Mutex<Reached>>,
}

/// What a search came to.
#[derive(Debug)]
pub struct Found {
    /// States that steps led to.
    pub generated: usize,
    /// How many of them are different.
    pub different: usize,
    /// Steps from a starting point to the states farthest away.
    pub depth: usize,
    /// What was seen on the way.
    pub reached: Reached,
    /// Each property that doesn't hold: the sentence, the way there (the starting point first), and what was wrong.
    pub broken: Vec<(&'static str, Vec<String>, String)>,
}

impl Bench {
    /// Explores `layout` up to so many steps from each of its starting points.
    pub fn new(layout: Layout, steps: usize) -> Self {
        Self {
            layout,
            steps,
            reached: Arc::default(),
        }
    }

    /// Searches breadth first, on one thread, so that every state is met by its shortest way and "so many steps" is
    /// exact.
    pub fn search(&self) -> Found {
        let checker = self.clone().checker().spawn_bfs().join();
        let points = self.starting_points();
        let mut broken: Vec<_> = checker
            .discoveries()
            .into_iter()
            .map(|(name, path)| {
                let last = path.last_state();
                let wrong = match last.way_back() {
                    Err(why) if last.story().is_empty() => why,
                    _ => last.story().to_owned(),
                };
                let from = path.clone().into_states().first().and_then(|first| {
                    points
                        .iter()
                        .find(|(_, world)| world.fingerprint() == first.fingerprint)
                        .map(|(name, _)| name.clone())
                });
                let mut way = vec![from.unwrap_or_default()];
                way.extend(path.into_actions().iter().map(|step| format!("{step:?}")));
                (name, way, wrong)
            })
            .collect();
        broken.sort();
        Found {
            generated: checker.state_count(),
            different: checker.unique_state_count(),
            depth: checker.max_depth() - 1,
            reached: self
                .reached
                .lock()
                .map(|reached| reached.clone())
                .unwrap_or_default(),
            broken,
        }
    }

    /// The worlds that it starts from, each with a name.
    pub fn starting_points(&self) -> Vec<(String, World)> {
        let new = World::new(self.layout);
        let mut ready = new.clone();
        for driver in 0..ready.drivers() {
            ready.start_driver(driver);
        }
        for station in 0..ready.stations() {
            ready.read(station, Reading::Good);
            ready.read(station, Reading::Good);
        }
        let mut heating = ready.clone();
        for station in 0..heating.stations() {
            play(&mut heating, Step::Person(Who::Op, What::Start(station)));
            heating.read(station, Reading::Good);
        }
        let mut points = vec![
            ("new".to_owned(), new),
            ("ready".to_owned(), ready),
            ("heating".to_owned(), heating.clone()),
        ];
        let ways: Vec<&[Step]> = match self.layout {
            Layout::One => vec![
                &[Step::Scan(0, Reading::Far)],
                &[Step::Away],
                &[
                    Step::Scan(0, Reading::Fault),
                    Step::Scan(0, Reading::Fault),
                    Step::Scan(0, Reading::Fault),
                ],
                &[Step::Scan(0, Reading::Absent), Step::Silence],
                &[Step::Fall],
                &[Step::Stick],
                &[
                    Step::Scan(0, Reading::WarmJunction),
                    Step::Scan(0, Reading::WarmJunction),
                    Step::Scan(0, Reading::WarmJunction),
                ],
                &[Step::Rise],
                &[Step::Dead],
                &[
                    Step::Person(Who::Op, What::StopRun(0)),
                    Step::Pass,
                    Step::Flow(0),
                    Step::Pass,
                ],
                &[Step::Down(0)],
                &[Step::Long],
                &[Step::Hood, Step::Scan(0, Reading::Good), Step::Silence],
                &[Step::Person(Who::Op, What::Stop(0))],
                &[Step::Person(Who::Visitor, What::StopLab)],
                &[Step::Hang],
            ],
            Layout::Two => vec![
                &[Step::Down(1)],
                &[Step::Down(2)],
                &[Step::Person(Who::Visitor, What::StopLab)],
                &[Step::Scan(1, Reading::Far)],
                // An alarm of the whole lab, while nobody heats.
                &[
                    Step::Person(Who::Op, What::StopRun(0)),
                    Step::Person(Who::Op, What::StopRun(1)),
                    Step::Pass,
                    Step::Flow(1),
                    Step::Pass,
                ],
            ],
        };
        for way in ways {
            let mut world = heating.clone();
            for step in way {
                play(&mut world, *step);
            }
            points.push((format!("{way:?}"), world));
        }
        points
    }
}

/// Carries out one step.
fn play(world: &mut World, step: Step) {
    match step {
        Step::Scan(station, reading) => world.read(station, reading),
        Step::Ahead(station, reading) => world.read_ahead(station, reading),
        Step::Think => world.think(),
        Step::Pedal(station) => {
            world.scan(station, Some(false));
            world.scan(station, Some(true));
        }
        Step::Hood => world.hood(0),
        Step::Tick => world.tick(),
        Step::Silence => world.silence(Millis(600)),
        Step::Hang => world.hang(Millis(2_500)),
        Step::Pass => world.pass(Millis(2_500)),
        Step::Away => world.pass(Millis(5_200)),
        Step::Up(driver) => world.start_driver(driver),
        Step::Down(driver) => world.end_driver(driver),
        Step::Mute(driver) => world.mute(driver),
        Step::Refuse(output) => world.refuse(output),
        Step::Flow(station) => world.amps(station),
        Step::Rise => {
            world.long(0, Millis(6_000), 12.0);
            world.usual(0);
        }
        Step::Fall => {
            world.long(0, Millis(14_000), 2.0);
            world.long(0, Millis(4_000), -12.0);
            world.usual(0);
        }
        // It rises as it should, and then stands still.
        Step::Stick => {
            world.long(0, Millis(25_000), 0.5);
            world.freeze(0, Millis(45_000));
            world.usual(0);
        }
        // It moves, but not by what it should: a hot one has to fall without a pause.
        Step::Dead => {
            world.long(0, Millis(64_000), -0.4);
            world.usual(0);
        }
        // Slowly up, so that nothing else acts.
        Step::Long => {
            world.long(0, Millis(RUN_MAX.0 + 2_000), 0.3);
            world.usual(0);
        }
        Step::Expire => world.long(0, Millis(605_000), 0.0),
        Step::Restart => world.restart(),
        Step::Person(who, what) => world.ask(who, what.ask()),
    }
}

impl Model for Bench {
    type State = State;
    type Action = Step;

    fn init_states(&self) -> Vec<State> {
        self.starting_points()
            .into_iter()
            .map(|(_, world)| State::new(world, 0))
            .collect()
    }

    fn actions(&self, state: &State, steps: &mut Vec<Step>) {
        if state.steps >= self.steps || !state.world.broken.is_empty() {
            return;
        }
        let world = &*state.world;
        steps.extend([Step::Tick, Step::Silence, Step::Hang, Step::Pass, Step::Restart]);
        for station in 0..world.stations() {
            use Reading::{Absent, Far, Fault, Good, High, WarmJunction};
            if world.served(station) || self.layout == Layout::One {
                let readings: &[Reading] = match self.layout {
                    Layout::One => &[Good, High, Far, Fault, WarmJunction, Absent],
                    Layout::Two => &[Good, High, Far, Fault],
                };
                steps.extend(readings.iter().map(|reading| Step::Scan(station, *reading)));
                if world.heating(station) {
                    steps.push(Step::Ahead(station, Good));
                }
            }
            let asks = [
                (Who::Op, What::Start(station)),
                (Who::Op, What::Stop(station)),
                (Who::Op, What::Acknowledge(station)),
                (Who::Op, What::Reset(station)),
                (Who::Op, What::Resume(station)),
                (Who::Safe, What::Reset(station)),
            ];
            steps.extend(asks.map(|(who, what)| Step::Person(who, what)));
        }
        if world.thinks() {
            steps.push(Step::Think);
        }
        for driver in 0..world.drivers() {
            if world.up(driver) {
                steps.extend([Step::Down(driver), Step::Mute(driver)]);
            } else {
                steps.push(Step::Up(driver));
            }
        }
        steps.extend([
            Step::Person(Who::Visitor, What::StopLab),
            Step::Person(Who::Safe, What::LowerCeiling),
            Step::Person(Who::Safe, What::RaiseCeiling),
        ]);
        if self.layout == Layout::One {
            let asks = [
                (Who::Op, What::StopRun(0)),
                (Who::Op, What::Present(0)),
                (Who::Op, What::RaiseCeiling),
                (Who::Proc, What::Reset(0)),
                (Who::Visitor, What::Reset(0)),
                (Who::Network, What::Start(0)),
                (Who::Network, What::Present(0)),
                (Who::Network, What::Stop(0)),
                (Who::Network, What::Reset(0)),
                (Who::Network, What::Resume(0)),
            ];
            steps.extend(asks.map(|(who, what)| Step::Person(who, what)));
            steps.extend([Step::Hood, Step::Refuse(0), Step::Pedal(0)]);
            if world.heating(0) && world.served(0) && !world.latched(0) {
                steps.extend([
                    Step::Away,
                    Step::Rise,
                    Step::Fall,
                    Step::Stick,
                    Step::Dead,
                    Step::Long,
                ]);
            } else {
                steps.push(Step::Flow(0));
            }
            if world.suspended(0) {
                steps.push(Step::Expire);
            }
            steps.push(Step::Person(Who::Op, What::ShortenRuns));
            // What is moved counts for all that comes after it. Before the trips is enough: in every order they would double the
            // search.
            if state.steps == 0 && !world.latched(0) {
                let moves = [What::ShortenRuns, What::SlowRise, What::ProlongAbsence];
                steps.extend(moves.map(|what| Step::Person(Who::Safe, what)));
                steps.push(Step::Person(Who::Network, What::ShortenRuns));
            }
            if world.moved() {
                steps.push(Step::Person(Who::Safe, What::UsualRuns));
            }
        } else if !world.heating(1) {
            steps.push(Step::Flow(1));
        }
    }

    fn next_state(&self, state: &State, step: Step) -> Option<State> {
        let mut world = World::clone(&state.world);
        play(&mut world, step);
        let next = State::new(world, state.steps + 1);
        if let Ok(mut reached) = self.reached.lock() {
            reached.see(&next);
        }
        Some(next)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        fn not<const AT: usize>(_: &Bench, state: &State) -> bool {
            let (what, _) = Broken::ALL[AT];
            if what == Broken::NoWayBack && !state.world.broken.contains(&what) {
                return state.world.way_back().is_ok();
            }
            !state.world.broken.contains(&what)
        }
        let always: [fn(&Self, &State) -> bool; 13] = [
            not::<0>, not::<1>, not::<2>, not::<3>, not::<4>, not::<5>, not::<6>, not::<7>, not::<8>,
            not::<9>, not::<10>, not::<11>, not::<12>,
        ];
        Broken::ALL
            .iter()
            .zip(always)
            .map(|((_, name), condition)| Property::always(name, condition))
            .collect()
    }
}

/// What was reached.
#[derive(Debug, Clone, Default)]
pub struct Reached {
    /// Interlocks that tripped.
    pub tripped: BTreeSet<InterlockName>,
    /// Interlocks that were reset.
    pub reset: BTreeSet<InterlockName>,
    /// States behind a resumed run.
    pub resumed: u64,
    /// States behind a restart with a trip.
    pub restarted_tripped: u64,
    /// States with heat.
    pub hot: u64,
    /// States with a latched trip.
    pub latched: u64,
}

impl Reached {
    /// Takes in one state.
    fn see(&mut self, state: &State) {
        let world = &*state.world;
        self.tripped.extend(&world.tripped);
        self.reset.extend(&world.reset);
        self.resumed += u64::from(world.resumed);
        self.restarted_tripped += u64::from(world.restarted_tripped);
        self.hot += u64::from((0..world.stations()).any(|station| world.hot(station)));
        self.latched += u64::from((0..world.stations()).any(|station| world.latched(station)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three steps are enough to see every interlock reset.
    #[test]
    fn every_trip_is_lifted_within_three_steps() {
        let ways: [&[Step]; 4] = [
            &[Step::Scan(0, Reading::Good), Step::Scan(0, Reading::Good)],
            &[Step::Flow(0), Step::Scan(0, Reading::Good)],
            &[Step::Hood, Step::Scan(0, Reading::Good)],
            &[Step::Up(0), Step::Scan(0, Reading::Good)],
        ];
        let more: &[Step] = &[Step::Pass, Step::Pass];
        for (name, world) in Bench::new(Layout::One, 0).starting_points() {
            let Some(interlock) = world.tripped.first() else {
                continue;
            };
            let lifted = ways.iter().chain([&more]).any(|way| {
                let mut world = world.clone();
                way.iter().for_each(|step| play(&mut world, *step));
                play(&mut world, Step::Person(Who::Safe, What::Reset(0)));
                world.reset.contains(interlock)
            });
            assert!(lifted, "{interlock} of {name}");
        }
    }
}
