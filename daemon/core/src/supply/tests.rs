use std::collections::VecDeque;

use proptest::prelude::*;

use super::*;

fn watts(watts: f64) -> Watts {
    Watts::new(watts).unwrap()
}

/// 15 A at 120 V, four fifths of it: 1440 W (NEC 210.20(A), as commonly applied).
fn wall(stations: usize) -> Supplies {
    Supplies::new(vec![watts(120.0 * 15.0 * 0.8)], vec![Some(0); stations])
}

fn demand(asked: f64, rated: f64, draw: Draw) -> Demand {
    Demand {
        asked: Fraction::clamped(asked),
        rated: watts(rated),
        draw,
        dwelling: false,
        since: Millis::ZERO,
    }
}

/// Lays stations out `rounds` times over, each confirmed at once.
fn settle(supplies: &mut Supplies, demands: &[Demand], rounds: u64) -> Vec<Given> {
    let (mut given, mut seq) = (Vec::new(), 0);
    for round in 0..rounds {
        given.clear();
        for (at, demand) in (0..).zip(demands) {
            given.push(supplies.share(Millis(round * 100), StationId(at), Seq(seq), *demand));
            seq += 1;
            supplies.confirmed(StationId(at), Seq(seq));
        }
    }
    given
}

fn shares(given: &[Given]) -> Vec<f64> {
    given.iter().map(|given| given.share.share()).collect()
}

const SECOND: Draw = Draw::Windowed(SLOTS);

#[test]
fn steady_heaters_share_as_a_mean() {
    let mut supplies = Supplies::new(vec![watts(1_440.0)], vec![Some(0), Some(0), None]);
    let given = settle(
        &mut supplies,
        &[
            demand(1.0, 800.0, Draw::Steady),
            demand(1.0, 800.0, Draw::Steady),
            demand(1.0, 5_000.0, Draw::Steady),
        ],
        2,
    );
    assert_eq!(shares(&given), [1.0, 0.8, 1.0]);
    assert!(given.iter().all(|given| given.offset.is_none()));
}

/// Two of 800 W never fit 1440 W at once: they take turns within the second.
#[test]
fn relays_take_turns() {
    let given = settle(
        &mut wall(2),
        &[demand(0.41, 800.0, SECOND), demand(1.0, 800.0, SECOND)],
        2,
    );
    assert_eq!(shares(&given), [0.41, 0.58]);
    assert_eq!(
        (given[0].offset, given[1].offset),
        (Some(Millis(0)), Some(Millis(420)))
    );
}

/// Three of 600 W where two fit at once: the second on-time of a slot begins where the first row is full.
#[test]
fn equal_on_times_are_wrapped_round_without_a_gap() {
    let given = settle(&mut wall(3), &[demand(0.66, 600.0, SECOND); 3], 3);
    assert_eq!(shares(&given), [0.66, 0.66, 0.66]);
    assert_eq!(given[2].offset, Some(Millis(320)));
}

#[test]
fn a_dwell_goes_first_then_the_run_that_began_first() {
    let late = Demand {
        since: Millis(5),
        ..demand(1.0, 800.0, SECOND)
    };
    let dwelling = Demand {
        asked: Fraction::clamped(0.3),
        since: Millis(9),
        dwelling: true,
        ..late
    };
    let given = settle(&mut wall(3), &[late, demand(0.5, 800.0, SECOND), dwelling], 4);
    assert_eq!(shares(&given), [0.2, 0.5, 0.3]);
}

#[test]
fn what_was_granted_is_held_until_it_is_confirmed_or_has_lapsed() {
    let full = demand(1.0, 800.0, SECOND);
    let ask = |supplies: &mut Supplies, ms| supplies.share(Millis(ms), StationId(1), Seq(9), full).share;
    let mut supplies = wall(2);
    supplies.share(Millis(0), StationId(0), Seq(0), full);
    supplies.release(Millis(100), StationId(0), Seq(1));
    assert_eq!(ask(&mut supplies, 200), Fraction::ZERO);
    // What is confirmed is the heat, not that it is off.
    supplies.confirmed(StationId(0), Seq(1));
    assert_eq!(ask(&mut supplies, 300), Fraction::ZERO);
    let mut silent = supplies.clone();
    supplies.confirmed(StationId(0), Seq(2));
    assert_eq!(ask(&mut supplies, 400), Fraction::ONE);
    assert_eq!(ask(&mut silent, HELD.0 - 1), Fraction::ZERO);
    assert_eq!(ask(&mut silent, HELD.0), Fraction::ONE);
}

/// One that asks for nothing any more, without having been released, keeps nobody waiting for long.
#[test]
fn a_silent_station_is_forgotten() {
    let full = demand(1.0, 800.0, SECOND);
    let mut supplies = wall(2);
    supplies.share(Millis(0), StationId(0), Seq(0), full);
    let given = supplies.share(HELD, StationId(1), Seq(1), full);
    assert_eq!(given.share, Fraction::ONE);
}

/// What a heater that was told `given` draws at a millisecond, by the protocol alone.
fn drawn(window_ms: Option<u64>, rated: f64, given: Given, ms: u64) -> f64 {
    let Some(window) = window_ms else {
        return given.share.share() * rated;
    };
    let offset = given.offset.unwrap_or(Millis::ZERO).0;
    let into = (ms + window - offset % window) % window;
    let on = f64::from(u32::try_from(into).unwrap())
        < given.share.share() * f64::from(u32::try_from(window).unwrap()) - 1e-9;
    if on { rated } else { 0.0 }
}

/// A station and its driver, which takes its time.
#[derive(Debug, Clone)]
struct Bench {
    rated: f64,
    window_ms: Option<u64>,
    /// On their way to the driver: number, what it says, when it was granted.
    sent: VecDeque<(u64, Given, u64)>,
    /// What the hardware does, and until when.
    does: Option<(Given, u64)>,
    /// On its way back.
    answer: Option<u64>,
}

#[derive(Debug, Clone)]
enum Step {
    Wait(u64),
    Ask(usize, f64, bool),
    Release(usize),
    Deliver(usize),
    Answer(usize),
}

fn step() -> impl Strategy<Value = Step> {
    let share = prop_oneof![
        Just(0.0),
        Just(1.0),
        (0_u32..=1_000).prop_map(|n| f64::from(n) / 1_000.0)
    ];
    prop_oneof![
        3 => (1_u64..300).prop_map(Step::Wait),
        6 => (0_usize..5, share, any::<bool>()).prop_map(|(at, share, dwelling)| Step::Ask(at, share, dwelling)),
        1 => (0_usize..5).prop_map(Step::Release),
        5 => (0_usize..5).prop_map(Step::Deliver),
        5 => (0_usize..5).prop_map(Step::Answer),
    ]
}

fn window() -> impl Strategy<Value = Option<u64>> {
    prop_oneof![
        4 => Just(Some(1_000)),
        1 => prop::sample::select(vec![Some(20), Some(200), Some(500), Some(300), Some(50), None]),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is asked and however late drivers are, together they never draw more than the budget at any moment.
    #[test]
    fn the_sum_stays_inside_at_every_moment(
        budget in 500.0..3_000.0_f64,
        benches in prop::collection::vec((prop::sample::select(vec![400.0, 800.0, 1_000.0, 1_500.0]), window()), 2..5),
        steps in prop::collection::vec(step(), 1..150),
    ) {
        let mut supplies = Supplies::new(vec![watts(budget)], vec![Some(0); benches.len()]);
        let mut benches: Vec<Bench> = benches
            .into_iter()
            .map(|(rated, window_ms)| Bench { rated, window_ms, sent: VecDeque::new(), does: None, answer: None })
            .collect();
        let (mut now, mut seq) = (0_u64, 0_u64);
        for step in steps {
            let count = benches.len();
            match step {
                Step::Wait(ms) => now += ms,
                Step::Ask(at, share, dwelling) => {
                    let at = at % count;
                    let window = benches[at].window_ms.map(Millis);
                    let asked = Demand { dwelling, ..demand(share, benches[at].rated, Draw::of(window)) };
                    let station = StationId(u32::try_from(at).unwrap());
                    let given = supplies.share(Millis(now), station, Seq(seq), asked);
                    prop_assert!(given.share.share() <= share + 1e-12);
                    seq += 1;
                    benches[at].sent.push_back((seq, given, now));
                }
                Step::Release(at) => {
                    let at = at % count;
                    supplies.release(Millis(now), StationId(u32::try_from(at).unwrap()), Seq(seq));
                    seq += 1;
                    let off = Given { share: Fraction::ZERO, offset: None };
                    benches[at].sent.push_back((seq, off, now));
                }
                Step::Deliver(at) => {
                    let bench = &mut benches[at % count];
                    if let Some((seq, given, _)) = bench.sent.pop_front() {
                        bench.does = Some((given, now + Permit::VALID.0));
                        bench.answer = Some(seq);
                    }
                }
                Step::Answer(at) => {
                    let at = at % count;
                    if let Some(seq) = benches[at].answer.take() {
                        supplies.confirmed(StationId(u32::try_from(at).unwrap()), Seq(seq));
                    }
                }
            }
            for bench in &mut benches {
                // A driver that leaves a command unread for so long is cut.
                bench.sent.retain(|(_, _, sent)| now < sent + 1_000);
                bench.does = bench.does.filter(|(_, until)| now < *until);
            }
            for ms in 0..1_000 {
                let sum: f64 = benches
                    .iter()
                    .filter_map(|bench| bench.does.map(|(given, _)| drawn(bench.window_ms, bench.rated, given, ms)))
                    .sum();
                prop_assert!(sum <= budget + 1e-3, "{sum} W of {budget} W at {ms} ms into a second");
            }
        }
    }

    /// One bench alone on a supply that can carry it gets all that it asks for, whoever was there before.
    #[test]
    fn one_alone_gets_all(
        rated in 1.0..1_440.0_f64,
        window in window(),
        asked in (0_u32..=1_000).prop_map(|n| f64::from(n) / 1_000.0),
        before in (0_u32..=1_000).prop_map(|n| f64::from(n) / 1_000.0),
    ) {
        let mut supplies = wall(2);
        supplies.share(Millis(0), StationId(1), Seq(0), demand(before, 800.0, SECOND));
        supplies.release(Millis(50), StationId(1), Seq(1));
        supplies.confirmed(StationId(1), Seq(2));
        let given = supplies.share(Millis(100), StationId(0), Seq(2), demand(asked, rated, Draw::of(window.map(Millis))));
        prop_assert_eq!(given.share, Fraction::clamped(asked));
    }

    /// Wherever the on-times of equal relays lie, three rounds later each has its place: nothing that fits is left out.
    #[test]
    fn a_layout_is_reached_from_any_other(
        first in prop::collection::vec((0_u32..=50, any::<bool>()), 4),
        then in prop::collection::vec((0_u32..=50, any::<bool>()), 4),
        at_once in 1_u32..=4,
    ) {
        let asked = |wanted: &[(u32, bool)]| -> Vec<Demand> {
            wanted
                .iter()
                .map(|(slots, dwelling)| Demand {
                    dwelling: *dwelling,
                    ..demand(f64::from(*slots) / 50.0, 600.0, SECOND)
                })
                .collect()
        };
        let mut supplies = Supplies::new(vec![watts(600.0 * f64::from(at_once))], vec![Some(0); 4]);
        settle(&mut supplies, &asked(&first), 4);
        let given = settle(&mut supplies, &asked(&then), 4);
        let wanted: u32 = then.iter().map(|(slots, _)| slots).sum();
        let sum: f64 = shares(&given).iter().sum::<f64>() * 50.0;
        prop_assert!((sum - f64::from(wanted.min(50 * at_once))).abs() < 0.3, "{sum} of {wanted}");
    }
}

#[test]
fn what_is_left_is_what_those_served_before_do_not_ask_for() {
    let mut supplies = wall(4);
    let [first, second, last] = [0, 1, 2].map(StationId);
    let left = |supplies: &Supplies, now, station, since| supplies.left(now, station, watts(800.0), since);
    let alone = left(&supplies, Millis::ZERO, last, Millis::ZERO);
    assert!((alone - 1.0).abs() < 1e-12, "{alone}");
    let asked = |asked, dwelling, since| Demand {
        dwelling,
        since: Millis(since),
        ..demand(asked, 800.0, Draw::Steady)
    };
    supplies.share(Millis(100), first, Seq(0), asked(1.0, false, 10));
    supplies.share(Millis(100), second, Seq(1), asked(0.25, true, 90));
    // 1440 W less 800 W less 200 W, of 800 W.
    let now = Millis(200);
    let found = left(&supplies, now, last, now);
    assert!((found - 0.55).abs() < 1e-12, "{found}");
    // Who began before the first is served before it; a dwell comes before everybody.
    let found = left(&supplies, now, last, Millis(5));
    assert!(
        (found - 1.0).abs() < 1e-12,
        "1240 W are more than it takes: {found}"
    );
    // What nobody asks for any more is there again, and a station without a supply has all.
    let found = left(&supplies, Millis(100) + HELD, last, Millis(9_000));
    assert!((found - 1.0).abs() < 1e-12, "{found}");
    supplies.release(now, first, Seq(2));
    let found = left(&supplies, now, last, now);
    assert!((found - 1.0).abs() < 1e-12, "{found}");
    let free = Supplies::new(vec![watts(100.0)], vec![None]);
    let found = left(&free, now, first, now);
    assert!((found - 1.0).abs() < 1e-12, "{found}");
}

#[test]
fn who_looks_sees_what_each_asks_and_gets_and_the_most_at_one_moment() {
    let mut supplies = wall(3);
    let full = demand(1.0, 800.0, SECOND);
    let demands = [full, full];
    let given = settle(&mut supplies, &demands, 3);
    let drawn = supplies.drawn(Millis(250));
    let [supply] = &drawn[..] else {
        panic!("there is one")
    };
    assert!(supply.most.watts() <= supply.budget.watts());
    assert_eq!(supply.stations.len(), 3);
    for ((at, asks, gets), given) in supply.stations.iter().zip(&given) {
        assert!((asks.watts() - 800.0).abs() < 1e-9, "{at}");
        assert!(
            (gets.watts() - given.share.share() * 800.0).abs() < 1e-6,
            "{at}: {gets:?} {given:?}"
        );
    }
    // The third asks for nothing.
    assert_eq!(
        (supply.stations[2].1, supply.stations[2].2),
        (Watts::ZERO, Watts::ZERO)
    );
    // Once all permits have lapsed nothing is on: the last was given at 200 ms.
    let lapsed = supplies.drawn(Millis(200) + HELD);
    assert_eq!(lapsed[0].most, Watts::ZERO);
    for (_, asks, gets) in &lapsed[0].stations {
        assert_eq!((*asks, *gets), (Watts::ZERO, Watts::ZERO));
    }
    let just_before = supplies.drawn(Millis(199) + HELD);
    assert_eq!(
        just_before[0].stations, supply.stations,
        "{:?}",
        just_before[0].stations
    );
}

#[test]
fn what_is_on_at_one_moment_adds_up() {
    let mut supplies = wall(2);
    let demands = [
        demand(0.5, 800.0, Draw::Steady),
        demand(0.25, 400.0, Draw::Steady),
    ];
    settle(&mut supplies, &demands, 2);
    let most = supplies.drawn(Millis(100))[0].most.watts();
    assert!((most - 500.0).abs() < 1e-6, "{most}");
}

#[test]
fn what_others_leave_counts_those_on_the_same_supply_for_as_long_as_they_ask() {
    let at = |station: u32| StationId(station);
    let mut supplies = Supplies::new(
        vec![watts(1000.0), watts(1000.0)],
        vec![Some(0), Some(0), Some(1)],
    );
    let half = demand(0.5, 800.0, Draw::Steady);
    for station in 0..3 {
        supplies.share(Millis(100), at(station), Seq(u64::from(station)), half);
    }
    let left = |now: u64, station: u32| supplies.left(Millis(now), at(station), watts(1200.0), Millis(900));
    // 400 W of the other one on the same supply, neither its own nor those of the other supply.
    assert!((left(200, 0) - 0.5).abs() < 1e-9, "{}", left(200, 0));
    assert!((left(200, 2) - 1000.0 / 1200.0).abs() < 1e-9, "{}", left(200, 2));
    assert!((left(100 + HELD.0 - 1, 0) - 0.5).abs() < 1e-9);
    assert!((left(100 + HELD.0, 0) - 1000.0 / 1200.0).abs() < 1e-9);
}

#[test]
fn what_was_noted_comes_back_from_its_numbers() {
    let mut supplies = wall(2);
    supplies.note();
    let draws = [Draw::Steady, Draw::AnyTime, Draw::Windowed(1), SECOND];
    for (round, draw) in (1..).zip(draws) {
        let asked = Demand {
            dwelling: round % 2 == 0,
            since: Millis(70 + round),
            ..demand(0.25, 800.0, draw)
        };
        supplies.share(Millis(100 + round), StationId(1), Seq(round), asked);
    }
    supplies.release(Millis(300), StationId(0), Seq(8));
    supplies.confirmed(StationId(1), Seq(9));
    let noted = supplies.noted();
    assert_eq!(noted.len(), draws.len() + 2);
    for call in noted {
        let (numbers, quantities) = call.numbers();
        assert_eq!(SupplyCall::from_numbers(numbers, quantities), Some(call));
    }
}

#[test]
fn numbers_that_make_no_sense_are_no_call() {
    let sound = ([1, 0, 100, 7, 2 + 50, 1, 70], [0.25, 800.0]);
    let call = |change: &dyn Fn(&mut [u64; 7], &mut [f64; 2])| {
        let (mut numbers, mut quantities) = sound;
        change(&mut numbers, &mut quantities);
        SupplyCall::from_numbers(numbers, quantities)
    };
    assert!(call(&|_, _| {}).is_some());
    assert_eq!(call(&|numbers, _| numbers[0] = 1 << 32), None, "no such station");
    assert_eq!(call(&|numbers, _| numbers[1] = 3), None, "no such kind");
    assert_eq!(call(&|numbers, _| numbers[4] = 2), None, "a window of no slot");
    assert_eq!(
        call(&|numbers, _| numbers[4] = 2 + 51),
        None,
        "a window of more than a second"
    );
    assert_eq!(
        call(&|_, quantities| quantities[0] = 1.1),
        None,
        "more than full heat"
    );
    assert_eq!(
        call(&|_, quantities| quantities[1] = -1.0),
        None,
        "less than no power"
    );
}

#[test]
fn the_same_again_is_remembered_once() {
    let mut supplies = wall(2);
    let full = demand(1.0, 800.0, Draw::Steady);
    for round in 0..20 {
        supplies.share(Millis(round * 100), StationId(0), Seq(round), full);
    }
    assert_eq!(supplies.customers[0].holds.len(), 1);
}

#[test]
fn what_was_noted_around_a_station_comes_to_the_same_when_it_is_done_again() {
    let mut supplies = Supplies::new(
        vec![watts(1_000.0), watts(1_000.0)],
        vec![Some(0), Some(0), Some(1), None],
    );
    let half = demand(0.5, 800.0, SECOND);
    for station in 0..4 {
        supplies.share(Millis(100), StationId(station), Seq(u64::from(station)), half);
    }
    let mut around = supplies.around(StationId(0));
    let shown = |supplies: &Supplies, now| -> Vec<_> {
        let drawn = supplies.drawn(Millis(now));
        drawn
            .into_iter()
            .map(|drawn| (drawn.most, drawn.stations))
            .collect()
    };
    // Those on its own supply as they are; nobody else.
    let (whole, part) = (shown(&supplies, 150), shown(&around, 150));
    assert_eq!(part, [whole[0].clone(), (Watts::ZERO, Vec::new())]);

    supplies.note();
    let demands = [demand(1.0, 800.0, SECOND), demand(0.3, 800.0, SECOND)];
    for (station, demand) in (0..).zip(demands) {
        supplies.share(Millis(200), StationId(station), Seq(10), demand);
    }
    supplies.release(Millis(300), StationId(1), Seq(11));
    supplies.confirmed(StationId(1), Seq(12));
    // Who is on no supply has nothing to do with anybody's.
    supplies.share(Millis(300), StationId(3), Seq(13), half);
    let noted = supplies.noted();
    assert_eq!(noted.len(), 4);
    assert_eq!(supplies.noted(), [], "they were taken");
    for call in &noted {
        around.again(call);
    }
    assert_ne!(shown(&supplies, 350)[0], whole[0]);
    assert_eq!(shown(&around, 350)[0], shown(&supplies, 350)[0]);
}
