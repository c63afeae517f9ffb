//! Laying on-times side by side: a second in 50 slots of 20 ms, one cycle of 50 Hz each, below which no relay that
//! fires whole cycles switches.
//!
//! Every window of a supply starts with a second of the clock that daemon and drivers share, so that what is on in a
//! slot of one second is on in the same slot of the next. Pure: who is on when comes in, where there is room comes out.

use serde::{Deserialize, Serialize};

use crate::units::{Fraction, Millis, Watts};

/// Slots of a second.
pub(super) const SLOTS: usize = 50;

/// How long a slot is.
const SLOT: Millis = Millis(20);

/// The common window that every output's own window has to divide.
const SECOND: Millis = Millis(1_000);

/// Watts that sums of floating-point numbers may be off by.
const ROUNDING: f64 = 1e-6;

/// Watts in each slot.
pub(super) type Load = [f64; SLOTS];

/// How an output draws what it was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum Draw {
    /// Its share of its rated power, all the time.
    Steady,
    /// Its rated power for its share of each window of so many slots, from where it is told.
    Windowed(usize),
    /// Its rated power for its share of windows that don't fit into slots: any moment may be one of them.
    AnyTime,
}

impl Draw {
    /// What an output with this window does; `None`: it says none.
    pub(crate) fn of(window: Option<Millis>) -> Self {
        match window {
            None => Self::Steady,
            Some(Millis(ms)) if ms >= SLOT.0 && ms.is_multiple_of(SLOT.0) && SECOND.0.is_multiple_of(ms) => {
                Self::Windowed(usize::try_from(ms / SLOT.0).unwrap_or(SLOTS))
            }
            Some(_) => Self::AnyTime,
        }
    }

    /// As one number, to be kept.
    pub(super) fn code(self) -> u64 {
        match self {
            Self::Steady => 0,
            Self::AnyTime => 1,
            Self::Windowed(slots) => u64::try_from(slots).unwrap_or(u64::MAX).saturating_add(2),
        }
    }

    /// What [`Draw::code`] said; `None` if it makes no sense.
    pub(super) fn from_code(code: u64) -> Option<Self> {
        match code {
            0 => Some(Self::Steady),
            1 => Some(Self::AnyTime),
            slots => usize::try_from(slots - 2)
                .ok()
                .filter(|slots| (1..=SLOTS).contains(slots))
                .map(Self::Windowed),
        }
    }

    /// What heaters that are told the same draw together.
    pub(crate) fn together(self, other: Self) -> Self {
        if self == other { self } else { Self::AnyTime }
    }

    /// Whether a part of `rated` can be had from `budget` at all: what is fired is fired in full.
    pub(crate) fn can_carry(self, budget: Watts, rated: Watts) -> bool {
        self == Self::Steady || rated.watts() <= budget.watts() + ROUNDING
    }
}

/// What one station's heaters draw while a command holds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Block {
    /// Share of the rated power, as a mean.
    pub(super) share: Fraction,
    /// The slot of each window in which the on-time starts.
    pub(super) start: usize,
    /// The slot after it.
    pub(super) end: usize,
    /// A bit for each slot of the second in which it draws.
    pub(super) on: u64,
    /// What it draws there.
    pub(super) watts: f64,
}

impl Block {
    pub(super) const NOTHING: Self = Self {
        share: Fraction::ZERO,
        start: 0,
        end: 0,
        on: 0,
        watts: 0.0,
    };

    /// Watts as a mean.
    #[expect(clippy::cast_precision_loss, reason = "a small number of slots")]
    pub(super) fn mean(&self) -> f64 {
        (0..SLOTS).map(|slot| self.at(slot)).sum::<f64>() / SLOTS as f64
    }

    /// Watts in `slot`.
    pub(super) fn at(&self, slot: usize) -> f64 {
        if self.on & (1 << slot) == 0 {
            0.0
        } else {
            self.watts
        }
    }

    /// Where in each window the on-time starts.
    pub(super) fn offset(&self) -> Millis {
        SLOT * u64::try_from(self.start).unwrap_or(0)
    }

    pub(super) fn add_to(&self, load: &mut Load) {
        for (slot, sum) in load.iter_mut().enumerate() {
            *sum += self.at(slot);
        }
    }
}

/// A bit for each slot of the second.
pub(super) const ALWAYS: u64 = (1 << SLOTS) - 1;

/// The most of `asked` that `budget` has room for beside `others`, in the slots of `within` only.
///
/// The on-time of a windowed output is one piece, which may wrap round its window's end. Of pieces that are equally long, it
/// is the first that starts at or after the slot `from`: laid one after the other and wrapped round like that, on-times of
/// equal power leave no gap (the wrap-around rule: `McNaughton`, Scheduling with deadlines and loss functions, Management
/// Science 6(1), 1959).
pub(super) fn fit(
    budget: Watts,
    others: &Load,
    within: u64,
    from: usize,
    draw: Draw,
    rated: Watts,
    asked: Fraction,
) -> Block {
    let (budget, rated) = (budget.watts(), rated.watts());
    if asked.is_zero() {
        return Block::NOTHING;
    }
    let most = others.iter().copied().fold(0.0, f64::max);
    let everywhere = within == ALWAYS;
    match draw {
        Draw::Steady => {
            let left = if everywhere { (budget - most).max(0.0) } else { 0.0 };
            let share = if rated > left {
                Fraction::clamped((left / rated).min(asked.share())).thousandths()
            } else {
                asked
            };
            Block {
                share,
                start: 0,
                end: 0,
                on: ALWAYS,
                watts: rated * share.share(),
            }
        }
        Draw::AnyTime if everywhere && most + rated <= budget + ROUNDING => Block {
            share: asked,
            start: 0,
            end: 0,
            on: ALWAYS,
            watts: rated,
        },
        Draw::AnyTime => Block::NOTHING,
        Draw::Windowed(length) => {
            let every = |slot: usize| (slot..SLOTS).step_by(length);
            let free: Vec<bool> = (0..length)
                .map(|slot| {
                    every(slot).all(|at| within & (1 << at) != 0 && others[at] + rated <= budget + ROUNDING)
                })
                .collect();
            let wanted = needed(length, asked);
            let (mut start, mut longest) = (0, 0);
            for at in (from..from + length).map(|at| at % length) {
                let room = (0..wanted).take_while(|n| free[(at + n) % length]).count();
                if room > longest {
                    (start, longest) = (at, room);
                }
                if room == wanted {
                    break;
                }
            }
            if longest == 0 {
                return Block::NOTHING;
            }
            let on = (0..longest)
                .flat_map(|n| every((start + n) % length))
                .fold(0, |on, slot| on | 1 << slot);
            Block {
                share: Fraction::clamped(ratio(longest, length).min(asked.share())),
                start,
                end: (start + longest) % length,
                on,
                watts: rated,
            }
        }
    }
}

/// Whole slots of a window of `length` that hold a share of it.
fn needed(length: usize, share: Fraction) -> usize {
    (1..length)
        .find(|slots| ratio(*slots, length) >= share.share())
        .unwrap_or(length)
}

fn ratio(slots: usize, length: usize) -> f64 {
    let count = |n: usize| u32::try_from(n).map_or(f64::INFINITY, f64::from);
    count(slots) / count(length)
}

#[cfg(test)]
mod tests {
    use super::*;

    const EMPTY: Load = [0.0; SLOTS];

    fn watts(watts: f64) -> Watts {
        Watts::new(watts).unwrap()
    }

    #[test]
    fn only_windows_that_fill_a_second_with_whole_slots_can_be_laid() {
        let draw = |ms| Draw::of(Some(Millis(ms)));
        assert_eq!(Draw::of(None), Draw::Steady);
        for (ms, slots) in [(20, 1), (40, 2), (100, 5), (200, 10), (500, 25), (1_000, 50)] {
            assert_eq!(draw(ms), Draw::Windowed(slots), "{ms} ms");
        }
        for ms in [1, 10, 30, 50, 80, 250, 300, 960, 1_010, 2_000] {
            assert_eq!(draw(ms), Draw::AnyTime, "{ms} ms");
        }
        assert_eq!(draw(500).together(draw(500)), Draw::Windowed(25));
        assert_eq!(draw(500).together(draw(1_000)), Draw::AnyTime);
        assert_eq!(draw(500).together(Draw::Steady), Draw::AnyTime);
    }

    #[test]
    fn an_on_time_wraps_round_the_end_of_its_window() {
        let others = std::array::from_fn(|slot| if (10..40).contains(&slot) { 800.0 } else { 0.0 });
        let block = fit(
            watts(1_000.0),
            &others,
            ALWAYS,
            0,
            Draw::Windowed(50),
            watts(800.0),
            Fraction::clamped(0.391),
        );
        assert_eq!((block.start, block.end, block.on.count_ones()), (40, 10, 20));
        assert_eq!(block.offset(), Millis(800));
        assert!((block.share.share() - 0.391).abs() < 1e-12);
        assert_eq!(block.on & 1 << 10, 0);
        assert_ne!(block.on & 1 << 9, 0);
    }

    #[test]
    fn of_equally_long_pieces_the_first_from_there_on_is_taken() {
        // Room from 0 on and from 25 on, 20 slots each.
        let others = std::array::from_fn(|slot| if slot % 25 < 20 { 0.0 } else { 800.0 });
        let start = |from| {
            fit(
                watts(1_000.0),
                &others,
                ALWAYS,
                from,
                Draw::Windowed(50),
                watts(800.0),
                Fraction::ONE,
            )
            .start
        };
        assert_eq!([0, 10, 30].map(start), [0, 25, 0]);
    }

    #[test]
    fn a_shorter_window_finds_room_in_each_of_its_turns() {
        let others = std::array::from_fn(|slot| if (10..15).contains(&slot) { 800.0 } else { 0.0 });
        let block = fit(
            watts(1_000.0),
            &others,
            ALWAYS,
            0,
            Draw::Windowed(25),
            watts(800.0),
            Fraction::ONE,
        );
        assert_eq!((block.start, block.on.count_ones()), (15, 40));
        assert!((block.share.share() - 0.8).abs() < 1e-12);
    }

    #[test]
    fn what_fires_at_any_time_gets_all_or_nothing() {
        let one = |budget| {
            let half = Fraction::clamped(0.5);
            fit(
                watts(budget),
                &EMPTY,
                ALWAYS,
                0,
                Draw::AnyTime,
                watts(800.0),
                half,
            )
        };
        assert_eq!(
            (one(800.0).share, one(800.0).watts),
            (Fraction::clamped(0.5), 800.0)
        );
        assert_eq!(one(799.0), Block::NOTHING);
    }

    #[test]
    fn a_supply_that_gives_just_what_is_drawn_carries_it() {
        for draw in [Draw::AnyTime, Draw::Windowed(50)] {
            assert!(draw.can_carry(watts(800.0), watts(800.0)), "{draw:?}");
            assert!(!draw.can_carry(watts(799.0), watts(800.0)), "{draw:?}");
        }
        assert!(
            Draw::Steady.can_carry(watts(1.0), watts(800.0)),
            "a part of it is had"
        );
        // Where all of it fits nothing is taken off what was asked, not even what makes it round.
        let asked = Fraction::clamped(0.123_456_7);
        let block = fit(watts(800.0), &EMPTY, ALWAYS, 0, Draw::Steady, watts(800.0), asked);
        assert_eq!(block.share, asked);
    }
}
