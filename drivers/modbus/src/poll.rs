//! Who is read when: neighbouring registers in one question, every question in its turn.
//!
//! The question that has waited longest goes first, so a line that is asked too much of serves all units alike. A
//! unit that doesn't answer costs the others time; after [`REST_AFTER`] rounds without an answer it is asked once in
//! [`REST`] only, and its inputs report the fault meanwhile.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use benchward_driver::Voice;
use benchward_driver::wire::Level;

use crate::pdu::{Answer, Request, Table};
use crate::settings::Settings;
use crate::trouble::Trouble;

/// Most registers or bits of one question. At 9600 baud this takes 100 ms, which a cut may have to wait.
const MOST_IN_BLOCK: u16 = 32;

/// Rounds without an answer after which a unit is asked less often.
const REST_AFTER: u32 = 3;

/// How often a unit is asked that doesn't answer.
const REST: Duration = Duration::from_secs(1);

/// No two notices about one unit closer than this.
const NOTICE_EVERY: Duration = Duration::from_secs(10);

/// How often repeated exchanges are told, if there were any.
const REPEATS_EVERY: Duration = Duration::from_mins(1);

/// Neighbouring bits or registers of one unit that are read together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Block {
    pub(crate) unit: u8,
    pub(crate) table: Table,
    pub(crate) address: u16,
    pub(crate) count: u16,
    pub(crate) period: Duration,
}

impl Block {
    /// All that the settings' inputs need, cold junctions included. Only direct neighbours with one rate are joined: a
    /// unit may refuse to read across a gap.
    pub(crate) fn all_of(settings: &Settings) -> Vec<Block> {
        let mut wanted = Vec::new();
        for input in settings.inputs.values() {
            let period = Duration::from_secs_f64(1.0 / settings.rate_hz(input));
            wanted.push(Block {
                unit: input.unit_id,
                table: input.function,
                address: input.address,
                count: input.count(),
                period,
            });
            if let Some(cold) = &input.cold_junction {
                wanted.push(Block {
                    unit: cold.unit_id.unwrap_or(input.unit_id),
                    table: cold.function,
                    address: cold.address,
                    count: cold.scaled().number.registers(),
                    period,
                });
            }
        }
        wanted.sort_by_key(|b| (b.unit, b.table, b.period, b.address, b.count));
        let mut blocks: Vec<Block> = Vec::new();
        for next in wanted {
            if let Some(last) = blocks.last_mut()
                && (last.unit, last.table, last.period) == (next.unit, next.table, next.period)
                && u32::from(next.address) <= u32::from(last.address) + u32::from(last.count)
            {
                let count = (next.address - last.address + next.count).max(last.count);
                if count <= MOST_IN_BLOCK {
                    last.count = count;
                    continue;
                }
            }
            blocks.push(next);
        }
        blocks
    }

    pub(crate) fn request(&self) -> Request {
        Request::Read {
            table: self.table,
            address: self.address,
            count: self.count,
        }
    }

    /// Whether it holds all of these.
    pub(crate) fn holds(&self, unit: u8, table: Table, address: u16, count: u16, period: Duration) -> bool {
        (self.unit, self.table, self.period) == (unit, table, period)
            && self.address <= address
            && u32::from(address) + u32::from(count) <= u32::from(self.address) + u32::from(self.count)
    }
}

/// What came of reading one block.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    /// Which block, by its place in the list.
    pub(crate) block: usize,
    /// When it was asked for, [`benchward_driver::clock::monotonic_ms`].
    pub(crate) at_ms: f64,
    pub(crate) answer: Result<Answer, Trouble>,
}

/// The newest outcomes, on their way from the bus thread to the thread that sends scans. One place per block, so a
/// reader that is late finds the newest and nothing piles up.
#[derive(Debug, Default)]
pub(crate) struct Outcomes {
    list: Mutex<VecDeque<Outcome>>,
    changed: Condvar,
}

impl Outcomes {
    fn lock(&self) -> MutexGuard<'_, VecDeque<Outcome>> {
        self.list.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn put(&self, outcome: Outcome) {
        let mut list = self.lock();
        match list.iter_mut().find(|o| o.block == outcome.block) {
            Some(old) => *old = outcome,
            None => list.push_back(outcome),
        }
        drop(list);
        self.changed.notify_one();
    }

    /// The oldest one that nobody took yet, if there is one within that time.
    pub(crate) fn take(&self, within: Duration) -> Option<Outcome> {
        let list = self.lock();
        let (mut list, _) = self
            .changed
            .wait_timeout_while(list, within, |list| list.is_empty())
            .unwrap_or_else(PoisonError::into_inner);
        list.pop_front()
    }
}

#[derive(Debug)]
struct Turn {
    block: Block,
    due: Instant,
    tries_left: u32,
}

/// How one unit has answered lately.
#[derive(Debug)]
struct Health {
    failed_rounds: u32,
    failing_since: Option<Instant>,
    ask_again_at: Instant,
    last_notice: Option<Instant>,
    exchanges: u32,
    repeats: u32,
    counted_since: Instant,
    /// Somebody was told that it fails.
    told: bool,
}

/// All blocks and their turns. Owned by the bus thread.
#[derive(Debug)]
pub(crate) struct Polling {
    turns: Vec<Turn>,
    health: BTreeMap<u8, Health>,
    retries: u32,
    /// How long a unit is left alone that didn't answer.
    late: Duration,
    voice: Voice,
}

impl Polling {
    pub(crate) fn new(blocks: &[Block], retries: u32, late: Duration, voice: Voice) -> Self {
        let now = Instant::now();
        let turns = blocks
            .iter()
            .map(|block| Turn {
                block: *block,
                due: now,
                tries_left: retries,
            })
            .collect();
        let health = blocks
            .iter()
            .map(|block| (block.unit, Health::new(now)))
            .collect();
        Polling {
            turns,
            health,
            retries,
            late,
            voice,
        }
    }

    /// When the next question is due, which may be long ago.
    pub(crate) fn next_due(&self) -> Option<Instant> {
        self.turns.iter().map(|turn| turn.due).min()
    }

    /// Asks the question that has waited longest.
    pub(crate) fn take_turn(
        &mut self,
        now: Instant,
        at_ms: f64,
        ask: impl FnOnce(u8, Request) -> Result<Answer, Trouble>,
        outcomes: &Outcomes,
    ) {
        let Some((place, turn)) = self.turns.iter_mut().enumerate().min_by_key(|(_, turn)| turn.due) else {
            return;
        };
        let unit = turn.block.unit;
        let Some(health) = self.health.get_mut(&unit) else {
            return;
        };
        let resting = health.failed_rounds >= REST_AFTER;
        let answer = if resting && now < health.ask_again_at {
            let rounds = health.failed_rounds;
            Err(Trouble::Down(format!(
                "unit {unit} hasn't answered {rounds} times in a row"
            )))
        } else {
            let answer = ask(unit, turn.block.request());
            if let Err(Trouble::Later(until)) = answer {
                turn.due = until;
                return;
            }
            let repeat = matches!(&answer, Err(trouble) if trouble.may_pass());
            health.exchanges += 1;
            health.repeats += u32::from(repeat);
            if repeat && turn.tries_left > 0 && !resting {
                turn.tries_left -= 1;
                return;
            }
            health.note(unit, &answer, self.retries, &self.voice);
            answer
        };
        turn.tries_left = self.retries;
        // Late questions aren't asked twice to make up for it.
        turn.due = (turn.due + turn.block.period).max(now);
        if matches!(answer, Err(Trouble::Silent(_))) {
            turn.due = turn.due.max(Instant::now() + self.late);
        }
        outcomes.put(Outcome {
            block: place,
            at_ms,
            answer,
        });
    }
}

impl Health {
    fn new(now: Instant) -> Self {
        Health {
            failed_rounds: 0,
            failing_since: None,
            ask_again_at: now,
            last_notice: None,
            exchanges: 0,
            repeats: 0,
            counted_since: now,
            told: false,
        }
    }

    fn note(&mut self, unit: u8, answer: &Result<Answer, Trouble>, retries: u32, voice: &Voice) {
        let now = Instant::now();
        let quiet = self
            .last_notice
            .is_none_or(|at| now.duration_since(at) >= NOTICE_EVERY);
        match answer {
            // The line tells about itself.
            Err(Trouble::Down(_) | Trouble::Later(_)) => {}
            Err(trouble) => {
                self.failed_rounds += 1;
                self.ask_again_at = now + REST;
                self.failing_since.get_or_insert(now);
                if quiet && !self.told {
                    let tries = if trouble.may_pass() { retries + 1 } else { 1 };
                    voice.notice(
                        Level::Warn,
                        &format!(
                            "unit {unit}: {trouble} (asked {tries} x); its inputs report the fault `device`"
                        ),
                    );
                    self.last_notice = Some(now);
                    self.told = true;
                }
            }
            Ok(_) => {
                if let Some(since) = self.failing_since.take()
                    && self.told
                {
                    let seconds = now.duration_since(since).as_secs_f64();
                    let rounds = self.failed_rounds;
                    let text =
                        format!("unit {unit} answers again after {seconds:.1} s and {rounds} failed rounds");
                    voice.notice(Level::Info, &text);
                    self.told = false;
                }
                self.failed_rounds = 0;
            }
        }
        if now.duration_since(self.counted_since) >= REPEATS_EVERY {
            if self.repeats > 0 && self.failed_rounds == 0 {
                let text = format!(
                    "unit {unit}: {} of {} exchanges had no answer",
                    self.repeats, self.exchanges
                );
                voice.notice(Level::Warn, &text);
            }
            self.counted_since = now;
            self.exchanges = 0;
            self.repeats = 0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blocks(inputs: &str) -> Vec<(u8, u16, u16)> {
        let settings: Settings = serde_json::from_str(&format!("{{\"inputs\":{{{inputs}}}}}")).unwrap();
        Block::all_of(&settings)
            .iter()
            .map(|b| (b.unit, b.address, b.count))
            .collect()
    }

    fn input(id: &str, unit: u8, address: u16, more: &str) -> String {
        format!(
            "\"{id}\":{{\"kind\":\"temperature\",\"unit_id\":{unit},\"function\":\"input-register\",\
             \"address\":{address}{more}}}"
        )
    }

    #[test]
    fn neighbours_are_read_together() {
        let float = ",\"type\":\"float32\"";
        let list = [
            input("a", 1, 0, float),
            input("b", 1, 2, float),
            input("same as b", 1, 2, ",\"type\":\"int16\""),
            input("behind a gap", 1, 5, float),
            input("at another rate", 1, 4, ",\"type\":\"int16\",\"rate_hz\":1"),
            input("of another unit", 2, 7, float),
        ];
        // At 5 Hz: 0 to 3, and 5 to 6. The slower one is a block of its own.
        assert_eq!(
            blocks(&list.join(",")),
            [(1, 0, 4), (1, 5, 2), (1, 4, 1), (2, 7, 2)]
        );
        let many: Vec<_> = (0..40)
            .map(|n| input(&n.to_string(), 1, n, ",\"type\":\"int16\""))
            .collect();
        assert_eq!(blocks(&many.join(",")), [(1, 0, 32), (1, 32, 8)]);
    }
}
