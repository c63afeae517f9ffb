//! The lab thread: the one place where [`Lab::take`] is called.
//!
//! It reads what drivers say, has it judged, and writes heat commands, all by itself: no other task, queue or lock
//! stands between a reading and a cut. It waits in one place only, for something to read or for the next tick. What
//! else comes of an event (records, journal, signals, answers) goes into queues that never make it wait. How much heat
//! a station gets next is thought about for one station at a time and only when nothing waits to be read, so that a
//! cut waits for one thought at most.

mod noting;

use std::collections::BTreeMap;
use std::io;
use std::os::fd::{AsRawFd, OwnedFd};
use std::sync::Arc;
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use arc_swap::ArcSwap;
use benchward_core::interlock::Permit;
use benchward_core::units::{Fraction, Millis};
use benchward_core::{
    Action, Answer, Ask, Event, InstanceId, Lab, LabView, Loss, Origin, OutputId, Person, Refusal, Request,
    RequestId, Roles, Signal, StationId,
};
use mio::unix::SourceFd;
use mio::{Events, Interest, Poll, Registry, Token, Waker};
use tokio::sync::{mpsc as async_mpsc, oneshot};

use crate::archive::Keep;
use crate::clock::{Clock, monotonic_ms};
use crate::drivers::{Care, care_of};
use crate::host::manager::Watchdog;
use crate::link::{Link, Notice, Turn};
use crate::vitals::Vitals;
use crate::wiring::Wiring;
use noting::Noting;

/// How often the picture that screens and dashboards see is made anew, real time.
const VIEW_EVERY_MS: f64 = 100.0;

/// How long answers and signals wait for a new picture, real time. To make it of a large lab takes longer than to
/// decide, and a driver that has just been sent a cut often shares this thread's CPU: it has the cut when this
/// thread waits again. So the thread waits first, and tells others later.
const TELL_AFTER_MS: f64 = 1.0;

/// Nice value of the lab thread, where it may be set.
const NICE: i32 = -10;

/// How long a thought may be put off for what there is to read, in the lab's time: readings come 20 times a second at
/// most, and those of before are of no use then.
const THINK_WITHIN: Millis = Millis(40);

/// Longest wait when there is no tick to wait for.
const IDLE: Duration = Duration::from_millis(250);

/// Turns of reading that a driver's last words get when its process is gone: a pipe's worth and one to see its end. A
/// child of it that holds the pipe and goes on writing gets no more.
const LAST_TURNS: usize = 4;

/// How long a driver has to end after `close`, by the protocol.
const CLOSE_WITHIN_MS: f64 = 1_000.0;

/// How often the drivers are looked at while they end.
const CLOSING_LOOK: Duration = Duration::from_millis(10);

const WAKER: Token = Token(0);

/// What other tasks ask of the lab thread.
pub(crate) enum Command {
    /// A driver process has started; these are the daemon's ends of its pipes.
    Attach {
        instance: InstanceId,
        generation: u64,
        stdin: OwnedFd,
        stdout: OwnedFd,
    },
    /// A driver process is gone.
    Detach {
        instance: InstanceId,
        generation: u64,
        loss: Loss,
    },
    /// Somebody asks for something.
    Ask {
        who: Person,
        roles: Roles,
        origin: Origin,
        ask: Ask,
        answer: oneshot::Sender<Result<Answer, Refusal>>,
    },
    /// Tell every driver to end; the thread ends after that.
    Close,
}

/// Everybody's way to the lab thread.
#[derive(Clone)]
pub(crate) struct LabHandle {
    commands: mpsc::Sender<Command>,
    waker: Arc<Waker>,
    view: Arc<ArcSwap<LabView>>,
}

impl LabHandle {
    pub(crate) fn send(&self, command: Command) {
        // A lab thread that is gone has ended the daemon; there is nobody to tell.
        let _ = self.commands.send(command);
        let _ = self.waker.wake();
    }

    /// Asks for something and waits for the answer; `None` where the lab thread is gone.
    pub(crate) async fn ask(
        &self,
        who: Person,
        roles: Roles,
        origin: Origin,
        ask: Ask,
    ) -> Option<Result<Answer, Refusal>> {
        let (answer, answered) = oneshot::channel();
        self.send(Command::Ask {
            who,
            roles,
            origin,
            ask,
            answer,
        });
        answered.await.ok()
    }

    /// The newest picture of the lab.
    pub(crate) fn view(&self) -> Arc<LabView> {
        self.view.load_full()
    }
}

/// What the lab thread tells others. Each is a queue that never makes it wait.
pub(crate) struct Told {
    pub(crate) archive: Keep,
    pub(crate) signals: async_mpsc::UnboundedSender<Signal>,
    pub(crate) notices: async_mpsc::UnboundedSender<Notice>,
    pub(crate) care: Vec<async_mpsc::UnboundedSender<Care>>,
    /// The lab can't go on, and why.
    pub(crate) unfit: async_mpsc::UnboundedSender<String>,
    /// What is measured of the lab thread, by itself.
    pub(crate) vitals: Arc<Vitals>,
    /// The service manager's, where it keeps one: fed by this thread and nobody else, so that one that is stuck isn't.
    pub(crate) watchdog: Option<Watchdog>,
}

/// Starts the lab thread.
///
/// # Errors
/// If the kernel has no poll, pipe or thread left for it.
pub(crate) fn start(
    wiring: Arc<Wiring>,
    clock: Arc<Clock>,
    told: impl FnOnce(LabHandle) -> Told + Send + 'static,
) -> io::Result<(LabHandle, thread::JoinHandle<()>)> {
    let poll = Poll::new()?;
    let waker = Arc::new(Waker::new(poll.registry(), WAKER)?);
    let (commands, inbox) = mpsc::channel();
    let mut lab = Lab::new(wiring.setup.clone());
    lab.note_supplies();
    let handle = LabHandle {
        commands,
        waker,
        view: Arc::new(ArcSwap::from_pointee(lab.view())),
    };
    let view = handle.view.clone();
    let told = told(handle.clone());
    let thread = thread::Builder::new().name("lab".into()).spawn(move || {
        // In front of the daemon's own other threads and of ordinary work on the host. Where that isn't allowed the
        // bounds rest on the host's being idle enough, as they do for every program; the permits hold in any case.
        let _ = rustix::process::setpriority_process(Some(rustix::thread::gettid()), NICE);
        LabThread {
            lab,
            clock,
            wiring,
            poll,
            inbox,
            told,
            view,
            links: BTreeMap::new(),
            waiting: BTreeMap::new(),
            next_request: 0,
            buffer: vec![0; 64 * 1024],
            view_due_ms: 0.0,
            untold: Vec::new(),
            noting: Noting::default(),
        }
        .run();
    })?;
    Ok((handle, thread))
}

struct LabThread {
    lab: Lab,
    clock: Arc<Clock>,
    wiring: Arc<Wiring>,
    poll: Poll,
    inbox: mpsc::Receiver<Command>,
    told: Told,
    view: Arc<ArcSwap<LabView>>,
    links: BTreeMap<InstanceId, Link>,
    waiting: BTreeMap<RequestId, oneshot::Sender<Result<Answer, Refusal>>>,
    next_request: u64,
    buffer: Vec<u8>,
    view_due_ms: f64,
    /// What others are told once the picture shows it.
    untold: Vec<Untold>,
    /// What is noted of open runs.
    noting: Noting,
}

/// Something that somebody else is told.
enum Untold {
    Answer(oneshot::Sender<Result<Answer, Refusal>>, Result<Answer, Refusal>),
    Signal(Signal),
}

/// What drivers were told about heat of one event.
struct HeatTold {
    /// Some heat was granted.
    grants: bool,
    /// Some was taken away.
    cuts: bool,
    /// When that was written, by [`monotonic_ms`].
    at_ms: f64,
}

impl LabThread {
    fn run(mut self) {
        let mut events = Events::with_capacity(1024);
        let mut closing = false;
        while !closing {
            let more = self.links.values().any(Link::readable);
            let thinks = self.lab.thinks_since().is_some();
            let wait = match (more || thinks, self.lab.wake_at()) {
                (true, _) => Duration::ZERO,
                (false, Some(at)) => self.clock.until(at),
                (false, None) => IDLE,
            };
            let wait = if self.untold.is_empty() {
                wait
            } else {
                let ms = (self.view_due_ms - monotonic_ms()).max(0.0);
                wait.min(Duration::from_secs_f64(ms / 1000.0))
            };
            if let Err(error) = self.poll.poll(&mut events, Some(wait))
                && error.kind() != io::ErrorKind::Interrupted
            {
                // Without poll there is no lab. Permits lapse; the daemon ends non-zero.
                let _ = self
                    .told
                    .unfit
                    .send(format!("the lab thread can't wait for its drivers: {error}"));
                return;
            }
            self.told.vitals.turn();
            self.tick_if_due();
            for event in &events {
                let Some(instance) = instance_of(event.token()) else {
                    continue;
                };
                let now = self.clock.now();
                if let Some(link) = self.links.get_mut(&instance) {
                    if event.is_readable() || event.is_read_closed() {
                        link.may_read(event.is_read_closed());
                    }
                    if event.is_writable() {
                        write(self.poll.registry(), link, now);
                    }
                }
            }
            self.read_links();
            while let Ok(command) = self.inbox.try_recv() {
                closing |= self.command(command);
            }
            self.think();
            self.housekeeping();
            if let Some(watchdog) = &mut self.told.watchdog {
                watchdog.feed(monotonic_ms());
            }
        }
        self.let_drivers_end(&mut events);
    }

    /// Goes on listening until every driver has closed its output, or had its second for it. A driver that met a closed
    /// pipe while it is being cut would end as one whose daemon has died: at zero, but with its second switch closed.
    fn let_drivers_end(&mut self, events: &mut Events) {
        let until_ms = monotonic_ms() + CLOSE_WITHIN_MS;
        while !self.links.is_empty() && monotonic_ms() < until_ms {
            // Interrupted or not: the links are looked at each time.
            let _ = self.poll.poll(events, Some(CLOSING_LOOK));
            let now = self.clock.now();
            for link in self.links.values_mut() {
                write(self.poll.registry(), link, now);
                link.may_read(false);
            }
            self.read_links();
        }
    }

    /// Has the core take an event and carries out what comes of it: what concerns heat first, up to the write into the driver's
    /// pipe; only then is noted what reached open runs, and everything else done. `current`: the link that is out of the map
    /// because it is being read.
    fn take(&mut self, current: Option<&mut Link>, now: Millis, event: Event) -> HeatTold {
        let before = self.noting.before(&self.lab, now, &event);
        let actions = self.lab.take(now, event);
        self.carry_out_heat(current, &actions, now);
        let is = |what: fn(&Action) -> bool| actions.iter().any(what);
        let told = HeatTold {
            grants: is(|action| matches!(action, Action::Heat(_))),
            cuts: is(|action| matches!(action, Action::Cut { .. } | Action::Off { .. })),
            at_ms: monotonic_ms(),
        };
        let outputs = &self.wiring.setup.outputs;
        let serves = |output: OutputId| {
            let nowhere = StationId(u32::MAX);
            outputs
                .get(output.index())
                .map_or(nowhere, |output| output.station)
        };
        self.noting
            .after(&mut self.lab, before, now, &actions, &self.told.archive, serves);
        self.carry_out_rest(actions, now);
        told
    }

    /// Applies a tick where one is due. Also between two long pieces of work, so that a flood of scans can't make the
    /// loop late.
    fn tick_if_due(&mut self) {
        let now = self.clock.now();
        if self.lab.wake_at().is_none_or(|at| now >= at) {
            self.take(None, now, Event::Tick);
        }
    }

    /// Thinks about one station's readings, unless there is something to read first.
    fn think(&mut self) {
        let Some(since) = self.lab.thinks_since() else {
            return;
        };
        let now = self.clock.now();
        if self.links.values().any(Link::readable) && now.since(since) < THINK_WITHIN {
            return;
        }
        if self.take(None, now, Event::Think).grants {
            self.told.vitals.grant.took_ms(self.real_ms_since(since));
        }
    }

    /// Gives every driver that may have something to say one turn.
    fn read_links(&mut self) {
        let ready: Vec<InstanceId> = self
            .links
            .iter()
            .filter(|(_, link)| link.readable())
            .map(|(instance, _)| *instance)
            .collect();
        for instance in ready {
            self.read_link(instance);
        }
    }

    fn read_link(&mut self, instance: InstanceId) {
        // Taken out of the map while its lines are applied: an action may concern any link, this one too.
        let Some(mut link) = self.links.remove(&instance) else {
            return;
        };
        let mut buffer = std::mem::take(&mut self.buffer);
        let (wiring, clock, notices) = (self.wiring.clone(), self.clock.clone(), self.told.notices.clone());
        let turn = link.read(
            &mut buffer,
            &wiring,
            &clock,
            // The log task is gone only when the daemon ends.
            &mut |notice| drop(notices.send(notice)),
            &mut |link, event| {
                let now = self.clock.now();
                if matches!(event, Event::DriverUp { .. }) {
                    self.told
                        .vitals
                        .described(link.instance, link.described_as.clone());
                }
                let is_scan = self.measure(link, &event, now);
                let heard_ms = link.heard_ms();
                let told = self.take(Some(link), now, event);
                if is_scan && told.cuts {
                    self.told.vitals.cut.took_ms(told.at_ms - heard_ms);
                }
            },
        );
        self.buffer = buffer;
        match turn {
            Turn::Alive => {
                self.links.insert(instance, link);
                self.tick_if_due();
            }
            Turn::Lost(loss) => {
                let why = loss.why();
                care_of(
                    &self.told.care,
                    instance,
                    Care::End {
                        generation: link.generation,
                        why,
                    },
                );
                self.lost(link, loss);
            }
            Turn::Unfit(why) => {
                let _ = self.told.unfit.send(why);
                self.lost(link, Loss::Failed("it can't be used in this lab".into()));
            }
        }
    }

    /// Measures a scan that came, if `event` is one. Returns whether it is.
    fn measure(&self, link: &Link, event: &Event, now: Millis) -> bool {
        let Event::Scan { at, .. } = event else {
            return false;
        };
        let vitals = &self.told.vitals;
        vitals.scanned(link.instance, link.heard_ms());
        // A driver that doesn't say when it measured has measured now.
        let delay_ms = if *at < now { self.real_ms_since(*at) } else { 0.0 };
        vitals.scan_delay.took_ms(delay_ms);
        true
    }

    /// How long ago a moment of the lab was, in real milliseconds. The lab counts whole ones; the one that has begun counts.
    #[expect(
        clippy::cast_precision_loss,
        reason = "milliseconds of a moment ago, small scales"
    )]
    fn real_ms_since(&self, at: Millis) -> f64 {
        (self.clock.now().since(at).0 + 1) as f64 / self.clock.scale() as f64
    }

    /// Closes the pipes of a driver, which by the protocol takes its outputs to zero, and tells the core.
    fn lost(&mut self, link: Link, loss: Loss) {
        let instance = link.instance;
        // Closing takes them out of the poll as well; this only keeps the order tidy.
        let _ = self
            .poll
            .registry()
            .deregister(&mut SourceFd(&link.stdout().as_raw_fd()));
        if link.watched {
            let _ = self
                .poll
                .registry()
                .deregister(&mut SourceFd(&link.stdin().as_raw_fd()));
        }
        drop(link);
        let now = self.clock.now();
        self.take(None, now, Event::DriverDown { instance, loss });
        self.told.vitals.described(instance, None);
    }

    /// Returns whether the thread is to end.
    fn command(&mut self, command: Command) -> bool {
        match command {
            Command::Attach {
                instance,
                generation,
                stdin,
                stdout,
            } => {
                self.attach(instance, generation, stdin, stdout);
            }
            Command::Detach {
                instance,
                generation,
                loss,
            } => {
                match self.links.get(&instance) {
                    // A newer process has its place already, or its end was seen on the pipe.
                    Some(link) if link.generation > generation => {}
                    Some(_) => {
                        // What it said before it went is still in the pipe.
                        for _ in 0..LAST_TURNS {
                            if !self.links.get(&instance).is_some_and(Link::readable) {
                                break;
                            }
                            self.read_link(instance);
                        }
                        if let Some(link) = self.links.remove(&instance) {
                            self.lost(link, loss);
                        }
                    }
                    None => {
                        let now = self.clock.now();
                        self.take(None, now, Event::DriverDown { instance, loss });
                    }
                }
            }
            Command::Ask {
                who,
                roles,
                origin,
                ask,
                answer,
            } => {
                let id = RequestId(self.next_request);
                self.next_request += 1;
                self.waiting.insert(id, answer);
                let now = self.clock.now();
                self.take(
                    None,
                    now,
                    Event::Request(Request {
                        id,
                        who,
                        roles,
                        origin,
                        ask,
                    }),
                );
            }
            Command::Close => {
                let now = self.clock.now();
                for (instance, link) in &mut self.links {
                    link.mailbox.close();
                    // Closing its stdin right after says the same to a driver that has stopped reading.
                    let _ = link.write(now);
                    care_of(&self.told.care, *instance, Care::Close);
                }
                for instance in &self.wiring.instances {
                    care_of(&self.told.care, instance.id, Care::Close);
                }
                return true;
            }
        }
        false
    }

    fn attach(&mut self, instance: InstanceId, generation: u64, stdin: OwnedFd, stdout: OwnedFd) {
        if let Some(old) = self.links.remove(&instance) {
            self.lost(old, Loss::Exit("it was started again".into()));
        }
        let Some(described) = self.wiring.instances.get(instance.index()) else {
            return;
        };
        let mut link = Link::new(
            described,
            generation,
            stdin,
            stdout,
            &self.wiring.setup,
            &self.clock,
        );
        let token = token_of(instance);
        let registered = self.poll.registry().register(
            &mut SourceFd(&link.stdout().as_raw_fd()),
            token,
            Interest::READABLE,
        );
        match registered {
            Ok(()) => {
                let now = self.clock.now();
                write(self.poll.registry(), &mut link, now);
                self.links.insert(instance, link);
            }
            Err(error) => {
                let why = format!("its pipes can't be used: {error}");
                care_of(
                    &self.told.care,
                    instance,
                    Care::End {
                        generation,
                        why: why.clone(),
                    },
                );
                self.lost(link, Loss::Exit(why.as_str().into()));
            }
        }
    }

    /// What isn't urgent: drivers that don't describe themselves, the picture for screens.
    fn housekeeping(&mut self) {
        let now_ms = monotonic_ms();
        if now_ms < self.view_due_ms {
            return;
        }
        self.view_due_ms = now_ms + VIEW_EVERY_MS;
        self.view.store(Arc::new(self.lab.view()));
        if !self.untold.is_empty() {
            self.told.archive.wake();
        }
        for untold in self.untold.drain(..) {
            match untold {
                // Who asked may have gone; the decision stands.
                Untold::Answer(waiting, answer) => drop(waiting.send(answer)),
                Untold::Signal(signal) => drop(self.told.signals.send(signal)),
            }
        }
        let overdue: Vec<InstanceId> = self
            .links
            .iter()
            .filter(|(_, link)| link.overdue(now_ms).is_some())
            .map(|(instance, _)| *instance)
            .collect();
        for instance in overdue {
            // What it said may be waiting to be read: it may be this loop that was late.
            self.read_link(instance);
            let Some(loss) = self.links.get(&instance).and_then(|link| link.overdue(now_ms)) else {
                continue;
            };
            if let Some(link) = self.links.remove(&instance) {
                let why = loss.why();
                care_of(
                    &self.told.care,
                    instance,
                    Care::End {
                        generation: link.generation,
                        why,
                    },
                );
                self.lost(link, loss);
            }
        }
    }

    /// Tells drivers what the actions say about heat, in their order. `current`: as for [`Self::take`].
    fn carry_out_heat(&mut self, mut current: Option<&mut Link>, actions: &[Action], now: Millis) {
        for action in actions {
            match action {
                Action::Heat(grant) => {
                    debug_assert!(Permit::VALID <= Millis(1_500));
                    for (output, seq, fraction) in grant.heats() {
                        self.tell(current.as_deref_mut(), *output, now, |link| {
                            link.mailbox.heat(*output, *seq, *fraction, grant.offset(), now);
                        });
                    }
                }
                Action::Off { output, seq } => self.tell(current.as_deref_mut(), *output, now, |link| {
                    link.mailbox.heat(*output, *seq, Fraction::ZERO, None, now);
                }),
                Action::Cut { output, seq } => self.tell(current.as_deref_mut(), *output, now, |link| {
                    link.mailbox.cut(*output, *seq);
                }),
                Action::Restore { output, seq } => self.tell(current.as_deref_mut(), *output, now, |link| {
                    link.mailbox.restore(*output, *seq);
                }),
                Action::Answer { .. }
                | Action::Signal(_)
                | Action::Journal(_)
                | Action::KeepTrip { .. }
                | Action::DropTrip { .. }
                | Action::KeepLimit { .. }
                | Action::KeepLabLimit { .. }
                | Action::KeepCalibration { .. }
                | Action::Run(_)
                | Action::Record(_) => {}
            }
        }
    }

    /// Hands on what the actions say to people and to the archive, in their order.
    fn carry_out_rest(&mut self, actions: Vec<Action>, now: Millis) {
        for action in actions {
            match action {
                // Told already.
                Action::Heat(_) | Action::Off { .. } | Action::Cut { .. } | Action::Restore { .. } => {}
                Action::Answer { request, answer } => {
                    if let Some(waiting) = self.waiting.remove(&request) {
                        self.tell_later(Untold::Answer(waiting, answer));
                    }
                }
                Action::Signal(signal) => self.tell_later(Untold::Signal(signal)),
                Action::Journal(_)
                | Action::KeepTrip { .. }
                | Action::DropTrip { .. }
                | Action::KeepLimit { .. }
                | Action::KeepLabLimit { .. }
                | Action::KeepCalibration { .. }
                | Action::Run(_)
                | Action::Record(_) => self.told.archive.action(action, now),
            }
        }
    }

    /// Has something told with the next picture, which is due soon.
    fn tell_later(&mut self, what: Untold) {
        self.view_due_ms = self.view_due_ms.min(monotonic_ms() + TELL_AFTER_MS);
        self.untold.push(what);
    }

    /// Puts something into the mailbox of the output's driver and writes what the pipe takes.
    fn tell(
        &mut self,
        current: Option<&mut Link>,
        output: OutputId,
        now: Millis,
        put: impl FnOnce(&mut Link),
    ) {
        let Some(instance) = self
            .wiring
            .setup
            .outputs
            .get(output.index())
            .map(|output| output.instance)
        else {
            return;
        };
        let link = match current {
            Some(link) if link.instance == instance => Some(link),
            _ => self.links.get_mut(&instance),
        };
        // A driver that is gone is at zero already.
        let Some(link) = link else { return };
        put(link);
        link.owes(monotonic_ms());
        write(self.poll.registry(), link, now);
    }
}

/// Writes what waits for a driver, as far as its pipe takes it, and has the poll watch the pipe while it is full.
fn write(registry: &Registry, link: &mut Link, now: Millis) {
    if link.write(now).is_err() {
        // It is going; its end of file or its exit says so.
        link.may_read(false);
        return;
    }
    let (full, fd) = (link.mailbox.is_full(), link.stdin().as_raw_fd());
    let done = match (full, link.watched) {
        (true, false) => registry.register(&mut SourceFd(&fd), token_of(link.instance), Interest::WRITABLE),
        (false, true) => registry.deregister(&mut SourceFd(&fd)),
        (true, true) | (false, false) => Ok(()),
    };
    // A pipe that can't be watched is tried again with the next command; its permit lapses meanwhile.
    link.watched = if done.is_ok() { full } else { link.watched };
}

fn token_of(instance: InstanceId) -> Token {
    Token(instance.index() + 1)
}

fn instance_of(token: Token) -> Option<InstanceId> {
    token
        .0
        .checked_sub(1)
        .and_then(|place| u32::try_from(place).ok())
        .map(InstanceId)
}
