//! One line, one thread, many who want something on it.
//!
//! Only the bus thread talks to the units. Outputs hand it one question at a time and wait for the answer, on their own threads;
//! inputs are read in between. In this order:
//!
//! 1. cuts, then zeros: whatever takes heat away;
//! 2. watchdogs that are due, since a unit that misses one switches its bench off;
//! 3. heat, and reading that is due, in turn when there is both: eight controllers that change their mind ten times a
//!    second must not keep anybody from reading the temperatures.
//!
//! What is on the line already is waited for, so a cut waits for one exchange at most. Repeating a question means
//! queueing again.

use std::collections::BTreeMap;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use benchward_driver::clock::monotonic_ms;
use benchward_driver::wire::Level;
use benchward_driver::{Failure, Voice};

use crate::line::Line;
use crate::pdu::{Answer, Request};
use crate::poll::{Outcomes, Polling};
use crate::settings::Watchdog;
use crate::trouble::Trouble;

/// How soon something has to be on the line. The order is the order of precedence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Urgency {
    /// A second switch opens.
    Cut,
    /// Heat goes to zero.
    Zero,
    /// Heat.
    Heat,
}

/// How long a watchdog goes on being fed if nobody stops it.
#[derive(Debug, Clone, Copy)]
pub(crate) enum FeedUntil {
    /// Until then, whatever happens to the output's thread.
    Then(Instant),
    /// Until it is stopped.
    Stopped,
}

/// A way to the bus thread. Clones lead to the same thread.
#[derive(Debug, Clone)]
pub(crate) struct Bus(Arc<Shared>);

#[derive(Debug)]
struct Shared {
    /// Held to add or take a question, never during an exchange.
    queue: Mutex<Queue>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct Queue {
    waiting: BTreeMap<(Urgency, u64), Question>,
    arrived: u64,
    feeds: Vec<Feed>,
    /// Heat had its turn; reading that is due comes before more heat.
    reading_next: bool,
}

#[derive(Debug)]
struct Question {
    urgency: Urgency,
    unit: u8,
    request: Request,
    answer: SyncSender<Result<Answer, Trouble>>,
}

/// One watchdog register and whether it is fed.
#[derive(Debug)]
struct Feed {
    watchdog: Watchdog,
    count: u16,
    until: Option<FeedUntil>,
    due: Instant,
    failing: bool,
}

/// What the bus thread does next.
enum Next {
    Ask(Question),
    Feed(usize, u8, Request),
    Read,
}

impl Bus {
    /// Starts the thread. It ends with the process.
    ///
    /// # Errors
    /// If there can be no thread.
    pub(crate) fn start(
        line: Line,
        polling: Polling,
        outcomes: Arc<Outcomes>,
        watchdogs: &[Watchdog],
        voice: Voice,
    ) -> Result<Self, Failure> {
        let now = Instant::now();
        let feed = |watchdog: &Watchdog| Feed {
            watchdog: *watchdog,
            count: 0,
            until: None,
            due: now,
            failing: false,
        };
        let queue = Queue {
            feeds: watchdogs.iter().map(feed).collect(),
            ..Queue::default()
        };
        let bus = Bus(Arc::new(Shared {
            queue: Mutex::new(queue),
            changed: Condvar::new(),
        }));
        let of_thread = bus.clone();
        thread::Builder::new()
            .name("bus".into())
            .spawn(move || of_thread.run(line, polling, &outcomes, &voice))?;
        Ok(bus)
    }

    /// Asks once and waits for the answer.
    ///
    /// # Errors
    /// [`Trouble`]
    pub(crate) fn ask(&self, urgency: Urgency, unit: u8, request: Request) -> Result<Answer, Trouble> {
        let (sender, receiver) = sync_channel(1);
        let mut queue = self.lock();
        queue.arrived += 1;
        let place = (urgency, queue.arrived);
        queue.waiting.insert(
            place,
            Question {
                urgency,
                unit,
                request,
                answer: sender,
            },
        );
        drop(queue);
        self.0.changed.notify_one();
        receiver
            .recv()
            .unwrap_or_else(|_| Err(Trouble::Down("the bus thread has ended".into())))
    }

    /// Feeds a watchdog, from now on.
    pub(crate) fn feed(&self, watchdog: usize, until: FeedUntil) {
        let mut queue = self.lock();
        let feed = &mut queue.feeds[watchdog];
        if feed.until.is_none() {
            feed.due = Instant::now();
        }
        feed.until = Some(until);
        drop(queue);
        self.0.changed.notify_one();
    }

    /// Stops feeding it. Takes effect before anything else is put on the line.
    pub(crate) fn starve(&self, watchdog: usize) {
        self.lock().feeds[watchdog].until = None;
    }

    fn lock(&self) -> MutexGuard<'_, Queue> {
        self.0.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn run(&self, mut line: Line, mut polling: Polling, outcomes: &Outcomes, voice: &Voice) {
        loop {
            match self.next(polling.next_due()) {
                Next::Ask(question) => {
                    if question.urgency < Urgency::Heat {
                        line.hurry();
                    }
                    let answer = line.exchange(question.unit, question.request);
                    // Whoever asked may be gone with the end of the process.
                    let _ = question.answer.send(answer);
                }
                Next::Feed(place, unit, request) => {
                    let outcome = line.exchange(unit, request);
                    self.note_fed(place, &outcome, voice);
                }
                Next::Read => {
                    let ask = |unit, request| line.exchange(unit, request);
                    polling.take_turn(Instant::now(), monotonic_ms(), ask, outcomes);
                }
            }
        }
    }

    /// Sleeps until there is something to do.
    fn next(&self, read_due: Option<Instant>) -> Next {
        let mut queue = self.lock();
        loop {
            let now = Instant::now();
            if let Some(next) = queue.next(now, read_due) {
                return next;
            }
            let wake = queue
                .feeds
                .iter()
                .filter_map(Feed::next_due)
                .chain(read_due)
                .min();
            let wait = wake.map_or(Duration::from_secs(1), |at| at.saturating_duration_since(now));
            queue = self
                .0
                .changed
                .wait_timeout(queue, wait)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }

    fn note_fed(&self, place: usize, outcome: &Result<Answer, Trouble>, voice: &Voice) {
        let mut queue = self.lock();
        let feed = &mut queue.feeds[place];
        let was_failing = std::mem::replace(&mut feed.failing, outcome.is_err());
        let unit = feed.watchdog.unit_id;
        drop(queue);
        if let Err(trouble) = outcome
            && !was_failing
        {
            voice.notice(
                Level::Warn,
                &format!("the watchdog of unit {unit} can't be fed: {trouble}"),
            );
        }
    }
}

impl Queue {
    fn next(&mut self, now: Instant, read_due: Option<Instant>) -> Option<Next> {
        let read_due = read_due.is_some_and(|due| due <= now);
        let first = self.waiting.first_key_value().map(|((urgency, _), _)| *urgency);
        if let Some(Urgency::Cut | Urgency::Zero) = first {
            return self.waiting.pop_first().map(|(_, question)| Next::Ask(question));
        }
        for (place, feed) in self.feeds.iter_mut().enumerate() {
            if feed.next_due().is_some_and(|due| due <= now) {
                return Some(Next::Feed(place, feed.watchdog.unit_id, feed.step(now)));
            }
        }
        if first.is_some() && !(self.reading_next && read_due) {
            self.reading_next = true;
            return self.waiting.pop_first().map(|(_, question)| Next::Ask(question));
        }
        self.reading_next = false;
        read_due.then_some(Next::Read)
    }
}

impl Feed {
    /// When it has to be fed next, if it is to be fed then.
    fn next_due(&self) -> Option<Instant> {
        match self.until? {
            FeedUntil::Then(until) if self.due >= until => None,
            FeedUntil::Then(_) | FeedUntil::Stopped => Some(self.due),
        }
    }

    fn step(&mut self, now: Instant) -> Request {
        self.due = now + Duration::from_millis(u64::from(self.watchdog.every_ms));
        self.count = self.count.checked_add(1).unwrap_or(1);
        Request::WriteRegister {
            address: self.watchdog.address,
            value: self.watchdog.value.unwrap_or(self.count),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const REQUEST: Request = Request::WriteCoil {
        address: 0,
        on: false,
    };

    fn queue(waiting: &[Urgency]) -> Queue {
        let mut queue = Queue::default();
        for (urgency, unit) in waiting.iter().zip(1..) {
            let question = Question {
                urgency: *urgency,
                unit,
                request: REQUEST,
                answer: sync_channel(1).0,
            };
            queue.waiting.insert((*urgency, u64::from(unit)), question);
        }
        queue
    }

    /// What comes on the line, one after the other, while reading is due all the time.
    fn order(mut queue: Queue, now: Instant) -> String {
        let step = |_| match queue.next(now, Some(now)) {
            Some(Next::Ask(question)) => format!("{:?} {}", question.urgency, question.unit),
            Some(Next::Feed(..)) => "feed".to_owned(),
            Some(Next::Read) => "read".to_owned(),
            None => "nothing".to_owned(),
        };
        (0..8).map(step).collect::<Vec<_>>().join(", ")
    }

    #[test]
    fn cuts_come_first_and_heat_leaves_room_for_reading() {
        use Urgency::{Cut, Heat, Zero};
        let now = Instant::now();
        let mut queue = queue(&[Heat, Heat, Zero, Heat, Cut, Zero]);
        queue.feeds.push(Feed {
            watchdog: Watchdog {
                unit_id: 1,
                address: 0,
                every_ms: 100,
                value: None,
            },
            count: 0,
            until: Some(FeedUntil::Stopped),
            due: now,
            failing: false,
        });
        let wanted = "Cut 5, Zero 3, Zero 6, feed, Heat 1, read, Heat 2, read";
        assert_eq!(order(queue, now), wanted);
    }

    #[test]
    fn a_watchdog_is_fed_until_its_time_is_over() {
        let start = Instant::now();
        let until = start + Duration::from_millis(250);
        let mut feed = Feed {
            watchdog: Watchdog {
                unit_id: 1,
                address: 7,
                every_ms: 100,
                value: None,
            },
            count: 0,
            until: Some(FeedUntil::Then(until)),
            due: start,
            failing: false,
        };
        let mut written = Vec::new();
        while let Some(due) = feed.next_due() {
            let Request::WriteRegister { address: 7, value } = feed.step(due) else {
                panic!()
            };
            written.push((due.duration_since(start).as_millis(), value));
        }
        assert_eq!(written, [(0, 1), (100, 2), (200, 3)]);
    }
}
