//! Supplies: what stations on one circuit may draw together, at any moment.
//!
//! Each scan of a station lays out anew what every station on its supply last asked for: benches that dwell first, since
//! a dwell that is starved is spoilt; then the run that began first. That
//! is where the station should be; of it the station gets what is not still held by others. So each moves only its own
//! on-time, and within two scans of everyone the layout is there.
//!
//! The order among ramps was chosen on twelve boards of three and four benches (`tests/control`). The run foretold to be
//! latest first makes benches with little power to spare take turns, which heats none of them: slower than to start a bench only when
//! rated powers fit, by up to 2.3 times, and on-times that move in every window are cut short by that. The run with least time
//! left first is up to 10 % faster for one recipe and up to 4 % slower for the other. To have begun first never changes, and a person
//! can see it.
//!
//! What was granted is held until nothing can be drawn by it any more: until the driver has confirmed a later
//! command, or so long after that its permit has lapsed.

mod slots;

use serde::{Deserialize, Serialize};

use crate::id::{Seq, StationId};
use crate::interlock::Permit;
use crate::units::{Fraction, Millis, Watts};

pub(crate) use slots::Draw;
use slots::{ALWAYS, Block, Load, SLOTS};

/// How long after a grant nothing is drawn by it: its permit counts from its arrival at the driver, and a station whose
/// driver leaves a command unanswered for a second is tripped.
const HELD: Millis = Millis(Permit::VALID.0 + 1_000);

/// The circuits of a lab, and what each station draws from its own.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Supplies {
    budgets: Vec<Watts>,
    /// One for each station.
    customers: Vec<Customer>,
    /// What was asked of them since it was last looked at; `None`: nobody wants to know.
    #[serde(skip)]
    noted: Option<Vec<SupplyCall>>,
}

/// What a station asked of its supply, gave back, or had confirmed by its driver: what decides about the others beside it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SupplyCall {
    /// Which station.
    pub station: StationId,
    now: Millis,
    call: Call,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Call {
    Share { after: Seq, demand: Demand },
    Release { after: Seq },
    Confirmed { seq: Seq },
}

impl SupplyCall {
    /// As plain numbers, to be kept: station, kind, time, number of the command, how it draws, whether it dwells, since when;
    /// share asked for, rated watts.
    pub fn numbers(&self) -> ([u64; 7], [f64; 2]) {
        let (station, now) = (u64::from(self.station.0), self.now.0);
        match self.call {
            Call::Share { after, demand } => (
                [
                    station,
                    0,
                    now,
                    after.0,
                    demand.draw.code(),
                    u64::from(demand.dwelling),
                    demand.since.0,
                ],
                [demand.asked.share(), demand.rated.watts()],
            ),
            Call::Release { after } => ([station, 1, now, after.0, 0, 0, 0], [0.0; 2]),
            Call::Confirmed { seq } => ([station, 2, now, seq.0, 0, 0, 0], [0.0; 2]),
        }
    }

    /// What [`SupplyCall::numbers`] said; `None` if they make no sense.
    pub fn from_numbers(numbers: [u64; 7], quantities: [f64; 2]) -> Option<Self> {
        let [station, kind, now, seq, draw, dwelling, since] = numbers;
        let (seq, [asked, rated]) = (Seq(seq), quantities);
        Some(Self {
            station: StationId(u32::try_from(station).ok()?),
            now: Millis(now),
            call: match kind {
                0 => Call::Share {
                    after: seq,
                    demand: Demand {
                        asked: Fraction::new(asked).ok()?,
                        rated: Watts::new(rated).ok()?,
                        draw: Draw::from_code(draw)?,
                        dwelling: dwelling == 1,
                        since: Millis(since),
                    },
                },
                1 => Call::Release { after: seq },
                2 => Call::Confirmed { seq },
                _ => return None,
            },
        })
    }
}

/// What a station asks for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Demand {
    /// Share of its rated power.
    pub(crate) asked: Fraction,
    /// What its heaters draw together at full heat.
    pub(crate) rated: Watts,
    pub(crate) draw: Draw,
    /// Whether its run dwells.
    pub(crate) dwelling: bool,
    /// When its run began.
    pub(crate) since: Millis,
}

/// What a station gets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Given {
    pub(crate) share: Fraction,
    /// Where in each window the on-time has to start; `None`: anywhere.
    pub(crate) offset: Option<Millis>,
}

/// What is drawn from a supply.
pub(crate) struct Drawn {
    pub(crate) budget: Watts,
    /// The most that may be on at one moment.
    pub(crate) most: Watts,
    /// Each station on it: the mean that it asks for, and the mean that it gets.
    pub(crate) stations: Vec<(StationId, Watts, Watts)>,
}

/// Sums of what was finite and not negative.
fn clamped(watts: f64) -> Watts {
    Watts::new(watts.max(0.0)).unwrap_or(Watts::ZERO)
}

/// A station as its supply sees it.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Customer {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    supply: Option<usize>,
    /// What it last asked for, and when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    demand: Option<(Demand, Millis)>,
    /// What may be on: oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    holds: Vec<Hold>,
}

/// Something that was granted.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct Hold {
    block: Block,
    /// Its commands have numbers above this one.
    after: Seq,
    /// From then on nothing is drawn by it.
    until: Millis,
}

impl Customer {
    fn hold(&mut self, now: Millis, block: Block, after: Seq) {
        self.holds.retain(|hold| now < hold.until);
        let until = now + HELD;
        match self.holds.last_mut() {
            // The same again: no need to remember it twice.
            Some(last) if (last.block.on, last.block.watts) == (block.on, block.watts) => last.until = until,
            _ => self.holds.push(Hold { block, after, until }),
        }
    }

    /// The most that it may be drawing in each slot.
    fn load(&self, now: Millis) -> Load {
        std::array::from_fn(|slot| {
            self.holds
                .iter()
                .filter(|hold| now < hold.until)
                .map(|hold| hold.block.at(slot))
                .fold(0.0, f64::max)
        })
    }
}

impl Supplies {
    pub(crate) fn new(budgets: Vec<Watts>, stations: Vec<Option<usize>>) -> Self {
        let customer = |supply| Customer {
            supply,
            demand: None,
            holds: Vec::new(),
        };
        Self {
            budgets,
            customers: stations.into_iter().map(customer).collect(),
            noted: None,
        }
    }

    /// What has to do with one station: its own supply and who else is on it.
    pub(crate) fn around(&self, station: StationId) -> Self {
        let mut around = self.clone();
        around.noted = None;
        for (at, customer) in around.customers.iter_mut().enumerate() {
            let other = StationId(u32::try_from(at).unwrap_or(u32::MAX));
            if other != station && !self.shared_by(station, other) {
                *customer = Customer {
                    supply: None,
                    demand: None,
                    holds: Vec::new(),
                };
            }
        }
        around
    }

    /// From now on what is asked is noted, for [`Supplies::noted`].
    pub(crate) fn note(&mut self) {
        self.noted.get_or_insert_default();
    }

    /// What was asked since the last time, where it is noted.
    pub(crate) fn noted(&mut self) -> Vec<SupplyCall> {
        self.noted.as_mut().map(std::mem::take).unwrap_or_default()
    }

    fn noting(&mut self, station: StationId, now: Millis, call: Call) {
        let shared = self.shared(station);
        if let Some(noted) = self.noted.as_mut().filter(|_| shared) {
            noted.push(SupplyCall { station, now, call });
        }
    }

    /// Does again what was noted.
    pub(crate) fn again(&mut self, noted: &SupplyCall) {
        let SupplyCall { station, now, call } = *noted;
        match call {
            Call::Share { after, demand } => drop(self.share(now, station, after, demand)),
            Call::Release { after } => self.release(now, station, after),
            Call::Confirmed { seq } => self.confirmed(station, seq),
        }
    }

    /// What `station` may have of what it asks for, and holds it for it. `after`: the commands that carry it to the
    /// drivers have numbers above this one.
    pub(crate) fn share(&mut self, now: Millis, station: StationId, after: Seq, demand: Demand) -> Given {
        self.noting(station, now, Call::Share { after, demand });
        let at = station.index();
        let unasked = Given {
            share: demand.asked,
            offset: None,
        };
        let Some(customer) = self.customers.get_mut(at) else {
            return unasked;
        };
        let Some(supply) = customer.supply else {
            return unasked;
        };
        customer.demand = Some((demand, now));
        let Some(budget) = self.budgets.get(supply).copied() else {
            return Given {
                share: Fraction::ZERO,
                offset: None,
            };
        };
        let target = self.target(now, supply, budget, at);
        let mut others: Load = [0.0; SLOTS];
        for (other, customer) in self.customers.iter().enumerate() {
            if other != at && customer.supply == Some(supply) {
                for (sum, watts) in others.iter_mut().zip(customer.load(now)) {
                    *sum += watts;
                }
            }
        }
        let Demand { draw, rated, .. } = demand;
        let block = slots::fit(
            budget,
            &others,
            target.on,
            target.start,
            draw,
            rated,
            target.share,
        );
        self.customers[at].hold(now, block, after);
        Given {
            share: block.share,
            offset: matches!(draw, Draw::Windowed(_)).then(|| block.offset()),
        }
    }

    /// Where the station at `at` should be once everyone on its supply is where they should be.
    fn target(&self, now: Millis, supply: usize, budget: Watts, at: usize) -> Block {
        let mut asking: Vec<(usize, Demand)> = self
            .customers
            .iter()
            .enumerate()
            .filter(|(_, customer)| customer.supply == Some(supply))
            .filter_map(|(one, customer)| customer.demand.map(|(demand, asked)| (one, demand, asked)))
            .filter(|(_, _, asked)| now < *asked + HELD)
            .map(|(one, demand, _)| (one, demand))
            .collect();
        asking.sort_by_key(|(one, demand)| (!demand.dwelling, demand.since, *one));
        let mut load: Load = [0.0; SLOTS];
        let mut end = 0;
        for (one, demand) in asking {
            let Demand {
                asked, rated, draw, ..
            } = demand;
            let block = slots::fit(budget, &load, ALWAYS, end, draw, rated, asked);
            if one == at {
                return block;
            }
            block.add_to(&mut load);
            if block.on != 0 {
                end = block.end;
            }
        }
        Block::NOTHING
    }

    /// The station asks for nothing any more. `after`: the commands that switch it off have numbers above this one.
    pub(crate) fn release(&mut self, now: Millis, station: StationId, after: Seq) {
        self.noting(station, now, Call::Release { after });
        if let Some(customer) = self.customers.get_mut(station.index()) {
            customer.demand = None;
            customer.hold(now, Block::NOTHING, after);
        }
    }

    /// Every heater of the station has answered the command `seq` or a later one: what came before is not on any more.
    pub(crate) fn confirmed(&mut self, station: StationId, seq: Seq) {
        self.noting(station, Millis::ZERO, Call::Confirmed { seq });
        if let Some(customer) = self.customers.get_mut(station.index())
            && let Some(newest) = customer.holds.iter().rposition(|hold| hold.after < seq)
        {
            customer.holds.drain(..newest);
        }
    }

    /// Share of `rated` watts that the others on the station's supply leave a run of it that began then, by what they ask for
    /// now: 1 where there is no supply. Those count that are served before it. How long they will ask for as much, nobody
    /// knows.
    pub(crate) fn left(&self, now: Millis, station: StationId, rated: Watts, since: Millis) -> f64 {
        let at = station.index();
        let Some(customer) = self.customers.get(at) else {
            return 1.0;
        };
        let (Some(supply), Some(budget)) = (customer.supply, self.budget(station)) else {
            return 1.0;
        };
        let taken: f64 = self
            .customers
            .iter()
            .enumerate()
            .filter(|(one, other)| *one != at && other.supply == Some(supply))
            .filter_map(|(one, other)| other.demand.map(|(demand, asked)| (one, demand, asked)))
            .filter(|(one, demand, asked)| {
                now < *asked + HELD && (demand.dwelling || (demand.since, *one) < (since, at))
            })
            .map(|(_, demand, _)| demand.asked.share() * demand.rated.watts())
            .sum();
        ((budget.watts() - taken) / rated.watts().max(1.0)).clamp(0.0, 1.0)
    }

    /// What is drawn from each supply now, in their order, for who looks.
    pub(crate) fn drawn(&self, now: Millis) -> Vec<Drawn> {
        let of = |supply: usize| {
            let mut drawn = Drawn {
                budget: self.budgets[supply],
                most: Watts::ZERO,
                stations: Vec::new(),
            };
            let mut load: Load = [0.0; SLOTS];
            for (at, customer) in (0..).zip(&self.customers) {
                if customer.supply != Some(supply) {
                    continue;
                }
                for (sum, watts) in load.iter_mut().zip(customer.load(now)) {
                    *sum += watts;
                }
                let asks = customer.demand.filter(|(_, asked)| now < *asked + HELD);
                let gets = customer.holds.last().filter(|hold| now < hold.until);
                drawn.stations.push((
                    StationId(at),
                    clamped(asks.map_or(0.0, |(demand, _)| demand.asked.share() * demand.rated.watts())),
                    clamped(gets.map_or(0.0, |hold| hold.block.mean())),
                ));
            }
            drawn.most = clamped(load.into_iter().fold(0.0, f64::max));
            drawn
        };
        (0..self.budgets.len()).map(of).collect()
    }

    /// What the station's supply gives; `None`: it is on none.
    pub(crate) fn budget(&self, station: StationId) -> Option<Watts> {
        let supply = self.customers.get(station.index())?.supply?;
        self.budgets.get(supply).copied()
    }

    /// Whether the station is on a supply at all.
    pub(crate) fn shared(&self, station: StationId) -> bool {
        self.customers
            .get(station.index())
            .is_some_and(|customer| customer.supply.is_some())
    }

    /// Whether two stations are on the same supply.
    pub(crate) fn shared_by(&self, one: StationId, other: StationId) -> bool {
        let of = |station: StationId| self.customers.get(station.index())?.supply;
        of(one).is_some_and(|supply| of(other) == Some(supply))
    }
}

#[cfg(test)]
mod tests;
