use super::*;
use crate::settings::Channels;

/// No noise, no drafts, no wandering mains, ideal sensors.
fn quiet() -> Settings {
    Settings {
        noise_celsius: 0.0,
        step_celsius: 0.0,
        contact_error: 0.0.into(),
        draft: 0.0,
        mains_wander: 0.0,
        ..Settings::default()
    }
}

const BOARD: [Node; 5] = [
    Node::BottomCentre,
    Node::BottomEdge,
    Node::TopCentre,
    Node::TopEdge,
    Node::Component,
];

fn celsius_of(bench: &mut Bench, sensor: usize) -> f64 {
    match bench.readings()[sensor].1 {
        Reading::Celsius(celsius) => celsius,
        Reading::Fault(fault) => panic!("sensor {sensor}: {fault}"),
    }
}

/// Heats until a place has a temperature; how long it took.
fn heat_to(bench: &mut Bench, node: Node, celsius: f64, heat: f64) -> f64 {
    let start = bench.time_s();
    while bench.celsius(node) < celsius {
        bench.advance(0.1, heat);
        assert!(
            bench.time_s() - start < 7_200.0,
            "never at {celsius} °C: {} °C",
            bench.celsius(node)
        );
    }
    bench.time_s() - start
}

fn cool_to(bench: &mut Bench, node: Node, celsius: f64) -> f64 {
    let start = bench.time_s();
    while bench.celsius(node) > celsius {
        bench.advance(0.1, 0.0);
        assert!(bench.time_s() - start < 7_200.0, "never at {celsius} °C");
    }
    bench.time_s() - start
}

#[test]
fn what_is_supplied_is_stored_or_lost() {
    for kind in [
        HeaterKind::Lamp,
        HeaterKind::Ceramic,
        HeaterKind::Plate,
        HeaterKind::Air,
    ] {
        for board_grams in [21.0, 90.0, 952.0] {
            // With everything that disturbs, since none of it may make energy.
            let settings = Settings {
                heater: kind,
                board_grams,
                draft: 0.2,
                mains_wander: 0.05,
                ..Settings::default()
            };
            let mut bench = Bench::new(&settings).unwrap();
            for second in 0..600 {
                bench.advance(1.0, if second % 100 < 60 { 0.8 } else { 0.0 });
                let balance = bench.supplied_j() - bench.stored_j() - bench.lost_j();
                assert!(
                    balance.abs() <= 1e-9 * bench.supplied_j(),
                    "{kind:?} {board_grams} g: {balance} J of {} J appeared or vanished",
                    bench.supplied_j()
                );
            }
            // 360 s at 80 % of 800 W, give or take the mains.
            assert!(
                (bench.supplied_j() / 230_400.0 - 1.0).abs() < 0.2,
                "{} J",
                bench.supplied_j()
            );
            assert!(bench.lost_j() > 0.0 && bench.stored_j() > 0.0);
        }
    }
}

#[test]
fn a_cold_bench_without_heat_stays_as_it_is() {
    let mut bench = Bench::new(&Settings {
        draft: 0.3,
        ..Settings::default()
    })
    .unwrap();
    bench.advance(3_600.0, 0.0);
    for node in BOARD.into_iter().chain([Node::Element, Node::Body]) {
        assert!(
            (bench.celsius(node) - 24.0).abs() < 1e-9,
            "{node:?}: {}",
            bench.celsius(node)
        );
    }
}

#[test]
fn without_heat_nothing_gets_hotter_than_the_hottest() {
    let mut bench = Bench::new(&quiet()).unwrap();
    heat_to(&mut bench, Node::TopCentre, 120.0, 1.0);
    let all = |b: &Bench| {
        BOARD
            .into_iter()
            .chain([Node::Element, Node::Body])
            .map(|n| b.celsius(n))
            .fold(f64::MIN, f64::max)
    };
    let mut hottest = all(&bench);
    for _ in 0..6_000 {
        bench.advance(0.1, 0.0);
        let now = all(&bench);
        assert!(now <= hottest + 1e-9, "{now} °C after {hottest} °C");
        hottest = now;
    }
    bench.advance(14_400.0, 0.0);
    assert!((all(&bench) - 24.0).abs() < 0.01, "hours later: {}", all(&bench));
}

#[test]
fn a_bench_of_800_w_heats_and_cools_like_one() {
    let mut bench = Bench::new(&quiet()).unwrap();
    let up = heat_to(&mut bench, Node::TopCentre, 100.0, 1.0);
    assert!((45.0..130.0).contains(&up), "24 to 100 °C in {up} s");
    let mut full = bench.clone();
    full.advance(3_600.0, 1.0);
    let steady = full.celsius(Node::TopCentre);
    assert!(
        (195.0..420.0).contains(&steady),
        "steady {steady} °C at full power"
    );
    // Heat stored in the element carries the board on.
    let mut peak: f64 = 0.0;
    for _ in 0..1_200 {
        bench.advance(0.1, 0.0);
        peak = peak.max(bench.celsius(Node::TopCentre));
    }
    assert!((101.5..119.0).contains(&peak), "coasted to {peak} °C");

    let mut dwelling = Bench::new(&quiet()).unwrap();
    heat_to(&mut dwelling, Node::TopCentre, 75.0, 0.5);
    let mut fanned = Bench::new(&Settings { fan: true, ..quiet() }).unwrap();
    heat_to(&mut fanned, Node::TopCentre, 75.0, 0.5);
    let down = cool_to(&mut dwelling, Node::TopCentre, 45.0);
    assert!((90.0..480.0).contains(&down), "75 to 45 °C in {down} s");
    let blown = cool_to(&mut fanned, Node::TopCentre, 45.0);
    assert!(blown < 0.7 * down, "{blown} s with the fan, {down} s without");
}

#[test]
fn heaters_lag_in_their_order_and_heavier_boards_are_slower() {
    let time = |heater, board_grams| {
        let mut bench = Bench::new(&Settings {
            heater,
            board_grams,
            watts: 1_500.0,
            ..quiet()
        })
        .unwrap();
        heat_to(&mut bench, Node::TopCentre, 40.0, 1.0)
    };
    let lamp = time(HeaterKind::Lamp, 90.0);
    let ceramic = time(HeaterKind::Ceramic, 90.0);
    let plate = time(HeaterKind::Plate, 90.0);
    assert!(
        lamp < ceramic && ceramic < plate,
        "lamp {lamp}, ceramic {ceramic}, plate {plate} s"
    );
    let (light, heavy) = (time(HeaterKind::Ceramic, 21.0), time(HeaterKind::Ceramic, 952.0));
    assert!(light < heavy, "{light} s and {heavy} s");
}

#[test]
fn the_centre_leads_the_edge_and_the_underside_leads_the_top_while_heating() {
    let mut bench = Bench::new(&quiet()).unwrap();
    heat_to(&mut bench, Node::TopCentre, 100.0, 1.0);
    let [bottom, bottom_edge, top, top_edge, component] = BOARD.map(|n| bench.celsius(n));
    assert!(bottom > top && bottom_edge > top_edge && top > top_edge && top > component);
    assert!(top - top_edge < 40.0, "centre {top} °C, edge {top_edge} °C");
    assert!(
        bench.celsius(Node::Element) > 250.0,
        "element {} °C",
        bench.celsius(Node::Element)
    );
}

#[test]
fn time_may_be_cut_up_in_any_way() {
    let whole = {
        let mut bench = Bench::new(&Settings::default()).unwrap();
        bench.advance(60.0, 0.7);
        bench.readings()
    };
    for parts in [3, 7, 600, 4_000] {
        let mut bench = Bench::new(&Settings::default()).unwrap();
        for _ in 0..parts {
            bench.advance(60.0 / f64::from(parts), 0.7);
        }
        assert_eq!(bench.readings(), whole, "in {parts} parts");
    }
}

#[test]
fn the_same_seed_gives_the_same_readings_and_another_seed_others() {
    let run = |seed| {
        let mut bench = Bench::new(&Settings {
            seed,
            ..Settings::default()
        })
        .unwrap();
        (0..300)
            .flat_map(|_| {
                bench.advance(0.1, 0.6);
                bench.readings()
            })
            .collect::<Vec<_>>()
    };
    assert_eq!(run(5), run(5));
    assert_ne!(run(5), run(6));
}

#[test]
fn readings_have_the_noise_the_step_and_the_lag_that_were_asked_for() {
    let settings = Settings {
        noise_celsius: 0.2,
        step_celsius: 0.0625,
        ..Settings::default()
    };
    let mut bench = Bench::new(&settings).unwrap();
    let list: Vec<f64> = (0..20_000).map(|_| celsius_of(&mut bench, 0)).collect();
    let mean = list.iter().sum::<f64>() / 20_000.0;
    let deviation = (list.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 20_000.0).sqrt();
    assert!((mean - 24.0).abs() < 0.01, "mean {mean}");
    // The converter's step adds step²/12 to the variance.
    let expected = (0.2_f64.powi(2) + 0.0625_f64.powi(2) / 12.0).sqrt();
    assert!(
        (deviation - expected).abs() < 0.005,
        "deviation {deviation} instead of {expected}"
    );
    assert!(list.iter().all(|x| (x / 0.0625).fract() == 0.0));

    // A first-order sensor trails a ramp by its time constant.
    let mut bench = Bench::new(&Settings {
        sensor_lag_s: 2.0.into(),
        ..quiet()
    })
    .unwrap();
    bench.advance(60.0, 1.0);
    let before = bench.celsius(Node::TopCentre);
    let read = celsius_of(&mut bench, 0);
    bench.advance(1.0, 1.0);
    let slope = bench.celsius(Node::TopCentre) - before;
    let trail = (before - read) / slope;
    assert!((trail - 2.0).abs() < 0.2, "trails by {trail} s");
}

#[test]
fn a_peeling_bead_goes_over_to_the_air_within_its_time() {
    let peel = Fault {
        at_s: Some(100.0),
        over_s: Some(8.0),
        ..Fault::of(Kind::Peel, "tc1")
    };
    let mut bench = Bench::new(&Settings {
        faults: vec![peel],
        sensor_lag_s: 0.3.into(),
        ..quiet()
    })
    .unwrap();
    bench.advance(99.0, 0.5);
    let on = celsius_of(&mut bench, 0) - 24.0;
    assert!(on > 20.0);
    bench.advance(5.0, 0.5);
    let half = celsius_of(&mut bench, 0) - 24.0;
    assert!((0.45..0.75).contains(&(half / on)), "{half} of {on}");
    bench.advance(6.0, 0.5);
    let off = celsius_of(&mut bench, 0) - 24.0;
    let board = bench.celsius(Node::TopCentre) - 24.0;
    assert!((off / board - 0.12).abs() < 0.02, "{off} of {board}");
    // The other one stays on.
    let edge = celsius_of(&mut bench, 1);
    assert!((edge - bench.celsius(Node::TopEdge)).abs() < 3.0);
}

#[test]
fn sensor_faults_are_reported_and_a_stuck_value_does_not_move() {
    let mut bench = Bench::new(&Settings {
        channels: Channels::Count(8),
        ..Settings::default()
    })
    .unwrap();
    bench.advance(10.0, 0.5);
    let before = celsius_of(&mut bench, 5);
    for (kind, input) in [
        (Kind::Open, "tc1"),
        (Kind::Short, "tc2"),
        (Kind::Range, "tc3"),
        (Kind::ColdJunction, "tc4"),
        (Kind::Device, "tc5"),
        (Kind::Stuck, "tc6"),
    ] {
        bench.cause(Fault::of(kind, input));
    }
    for _ in 0..50 {
        bench.advance(1.0, 1.0);
        let readings: Vec<Reading> = bench.readings().into_iter().map(|(_, r)| r).collect();
        assert_eq!(readings[0], Reading::Fault(wire::Fault::Open));
        assert_eq!(readings[1], Reading::Fault(wire::Fault::Short));
        assert_eq!(readings[2], Reading::Fault(wire::Fault::Range));
        assert_eq!(readings[3], Reading::Fault(wire::Fault::ColdJunction));
        assert_eq!(readings[4], Reading::Fault(wire::Fault::Device));
        assert_eq!(readings[5], Reading::Celsius(before));
        assert!(matches!(readings[6], Reading::Celsius(_)));
    }
    bench.cause(Fault::now(Kind::Clear));
    bench.advance(0.1, 1.0);
    assert!(celsius_of(&mut bench, 5) > before + 5.0);
}

#[test]
fn a_heater_that_is_stuck_on_heats_until_the_contactor_opens() {
    let mut bench = Bench::new(&quiet()).unwrap();
    bench.cause(Fault::now(Kind::HeaterStuckOn));
    bench.advance(10.0, 0.0);
    assert!((bench.amps() - 800.0 / 230.0).abs() < 1e-9);
    bench.open_contactor(true);
    bench.advance(0.1, 0.0);
    assert!(bench.amps().abs() < 1e-9);
    bench.open_contactor(false);
    bench.cause(Fault::now(Kind::HeaterDead));
    bench.advance(0.1, 1.0);
    assert!(bench.amps().abs() < 1e-9);
}

#[test]
fn a_gust_cools_and_a_sag_heats_less() {
    let mut calm = Bench::new(&quiet()).unwrap();
    calm.advance(200.0, 0.5);
    let (mut windy, mut weak) = (calm.clone(), calm.clone());
    windy.cause(Fault::now(Kind::Gust));
    weak.cause(Fault::now(Kind::Sag));
    for bench in [&mut calm, &mut windy, &mut weak] {
        bench.advance(30.0, 0.5);
    }
    let [calm, windy, weak] = [calm, windy, weak].map(|b| b.celsius(Node::TopCentre));
    assert!(windy < calm - 2.0, "{windy} °C in the gust, {calm} °C without");
    assert!(weak < calm - 2.0, "{weak} °C in the sag, {calm} °C without");
}

#[test]
fn settings_out_of_bounds_are_told_all_at_once() {
    let text = r#"{"board_grams": 1, "watts": 0, "edge_share": 3, "heater_lag_s": 0, "channels": 9, "faults": [{"kind":"open","input":"tc1"},{"kind":"hang","input":"x"}]}"#;
    let settings: Settings = serde_json::from_str(text).unwrap();
    let error = settings.check().unwrap_err().to_string();
    for part in [
        "board_grams = 1 is outside 5 to 3000 g",
        "watts = 0 is outside 10 to 10000 W",
        "channels: 1 to 8 sensors",
        "faults, entry 2",
        "edge_share = 3 is outside 0.2 to 1.5",
        "heater_lag_s = 0 is outside 0.5 to 300 s",
    ] {
        assert!(error.contains(part), "{error:?} doesn't say {part:?}");
    }
    for text in [
        r#"{"board_gramms": 90}"#,
        r#"{"heater": "fire"}"#,
        r#"{"channels": "all"}"#,
    ] {
        assert!(serde_json::from_str::<Settings>(text).is_err(), "{text}");
    }
    let places: Settings = serde_json::from_str(r#"{"channels": ["component", "bottom-edge"]}"#).unwrap();
    assert_eq!(
        places.channels.places().unwrap(),
        [Node::Component, Node::BottomEdge]
    );
}

#[test]
fn each_sensor_may_have_a_lag_and_an_error_of_its_own() {
    let settings: Settings =
        serde_json::from_str(r#"{"sensor_lag_s": [0.3, 2], "contact_error": [0.04, 0], "noise_celsius": 0}"#)
            .unwrap();
    let mut bench = Bench::new(&settings).unwrap();
    bench.advance(120.0, 0.5);
    let excess = bench.celsius(Node::TopCentre) - 24.0;
    let site = bench.site_celsius(0).unwrap() - 24.0;
    assert!((site / excess - 0.96).abs() < 1e-9, "{site} of {excess}");
    assert!((bench.site_celsius(1).unwrap() - bench.celsius(Node::TopEdge)).abs() < 1e-9);
    assert_eq!(bench.site_celsius(2), None);
    // On a ramp each trails what it sits on by its own time constant.
    let before = [0, 1].map(|n| bench.site_celsius(n).unwrap());
    let read = [0, 1].map(|n| celsius_of(&mut bench, n));
    bench.advance(1.0, 0.5);
    for (n, lag) in [(0, 0.3), (1, 2.0)] {
        let trail = (before[n] - read[n]) / (bench.site_celsius(n).unwrap() - before[n]);
        assert!((trail - lag).abs() < 0.1, "sensor {n} trails by {trail} s");
    }
    let wrong: Settings = serde_json::from_str(r#"{"sensor_lag_s": [1, 1, 1]}"#).unwrap();
    let error = wrong.check().unwrap_err().to_string();
    assert!(
        error.contains("sensor_lag_s lists 3 values for 2 sensors"),
        "{error}"
    );
}

#[test]
fn what_a_board_and_its_heater_are_like_can_be_set() {
    let time = |change: fn(&mut Settings)| {
        let mut settings = quiet();
        change(&mut settings);
        let mut bench = Bench::new(&settings).unwrap();
        let up = heat_to(&mut bench, Node::TopCentre, 100.0, 1.0);
        (up, bench)
    };
    let (usual, bench) = time(|_| {});
    let edge = |bench: &Bench| bench.celsius(Node::TopCentre) - bench.celsius(Node::TopEdge);
    let slower: [fn(&mut Settings); 4] = [
        |s| s.heater_lag_s = Some(40.0),
        |s| s.convection = 3.0,
        |s| s.specific_heat = 1_300.0,
        |s| s.through_w_per_m_k = 0.1,
    ];
    for (n, change) in slower.into_iter().enumerate() {
        let (up, _) = time(change);
        assert!(up > 1.05 * usual, "change {n}: {up} s, usually {usual} s");
    }
    let (_, uneven) = time(|s| s.edge_share = 0.5);
    assert!(edge(&uneven) > edge(&bench) + 3.0);
    let (_, even) = time(|s| s.along_w_per_m_k = 60.0);
    assert!(edge(&even) < edge(&bench) - 1.0);
    let element = |celsius| {
        let settings = Settings {
            element_celsius: celsius,
            ..quiet()
        };
        let mut bench = Bench::new(&settings).unwrap();
        bench.advance(3_600.0, 1.0);
        bench.celsius(Node::Element)
    };
    assert!(element(Some(600.0)) > element(None) + 50.0);
    let body = |lag| {
        let settings = Settings {
            body_lag_s: lag,
            ..quiet()
        };
        let mut bench = Bench::new(&settings).unwrap();
        bench.advance(300.0, 0.5);
        bench.celsius(Node::Body)
    };
    assert!(body(200.0) > body(500.0) + 5.0);
    let (denser, _) = time(|s| s.face_w_per_square_cm = 2.0);
    assert!(denser < 0.9 * usual, "{denser} s, usually {usual} s");
    let shine = |emissivity| {
        let settings = Settings {
            emissivity,
            ..quiet()
        };
        let mut bench = Bench::new(&settings).unwrap();
        bench.advance(3_600.0, 0.5);
        bench.celsius(Node::TopCentre)
    };
    assert!(shine(0.2) > shine(0.9) + 5.0);
}

#[test]
fn a_calmed_bench_has_no_draft_and_nominal_mains() {
    let mut bench = Bench::new(&Settings {
        draft: 0.3,
        mains_wander: 0.1,
        ..quiet()
    })
    .unwrap();
    bench.advance(100.0, 0.5);
    assert!((bench.amps() - 400.0 / 230.0).abs() > 1e-6);
    bench.calm();
    for _ in 0..100 {
        bench.advance(1.0, 0.5);
        assert!((bench.amps() - 400.0 / 230.0).abs() < 1e-12);
    }
}

#[test]
fn beads_can_be_half_off_bridged_reversed_and_exchanged() {
    let read = |faults: Vec<Fault>| {
        let settings = Settings {
            sensor_lag_s: 0.3.into(),
            ..quiet()
        };
        let mut bench = Bench::new(&settings).unwrap();
        bench.advance(100.0, 0.5);
        for fault in faults {
            bench.cause(fault);
        }
        bench.advance(10.0, 0.0);
        let values = [0, 1].map(|n| celsius_of(&mut bench, n));
        (values, bench)
    };
    let ([healthy, edge], bench) = read(Vec::new());
    let excess = bench.celsius(Node::TopCentre) - 24.0;
    let ([half, _], _) = read(vec![Fault {
        lost: Some(0.6),
        ..Fault::of(Kind::Lifted, "tc1")
    }]);
    assert!(((half - 24.0) / excess - (0.4 + 0.6 * 0.12)).abs() < 0.01);
    let ([room, still], _) = read(vec![Fault::of(Kind::Bridged, "tc1")]);
    assert!(
        (room - 24.0).abs() < 0.01 && (still - edge).abs() < 1e-9,
        "{room}, {still}"
    );
    let ([body, _], bench) = read(vec![Fault {
        place: Some(Node::Body),
        ..Fault::of(Kind::Bridged, "tc1")
    }]);
    assert!((body - bench.celsius(Node::Body)).abs() < 0.2, "{body}");
    let ([reversed, _], _) = read(vec![Fault::of(Kind::Reversed, "tc1")]);
    assert!((reversed + healthy - 48.0).abs() < 0.01, "{reversed}, {healthy}");
    let (exchanged, _) = read(vec![Fault::now(Kind::Exchanged)]);
    assert!((exchanged[0] - edge).abs() < 1e-12 && (exchanged[1] - healthy).abs() < 1e-12);
}

#[test]
fn half_a_heater_draws_half_and_a_cold_gust_cools_below_the_room() {
    let mut bench = Bench::new(&quiet()).unwrap();
    bench.cause(Fault::now(Kind::HeaterHalf));
    bench.advance(1.0, 0.6);
    assert!((bench.amps() - 0.3 * 800.0 / 230.0).abs() < 1e-9);

    let mut bench = Bench::new(&quiet()).unwrap();
    bench.cause(Fault {
        factor: Some(5.0),
        colder_celsius: Some(3.0),
        for_s: Some(7_200.0),
        ..Fault::now(Kind::Gust)
    });
    bench.advance(7_200.0, 0.0);
    let cold = bench.celsius(Node::TopCentre);
    assert!((cold - 21.0).abs() < 0.1, "{cold} °C");
    let balance = bench.supplied_j() - bench.stored_j() - bench.lost_j();
    assert!(balance.abs() < 1e-6, "{balance} J");
    bench.advance(7_200.0, 0.0);
    assert!((bench.celsius(Node::TopCentre) - 24.0).abs() < 0.1);
}

#[test]
fn a_new_board_is_cold_and_takes_no_energy_from_nowhere() {
    let mut bench = Bench::new(&quiet()).unwrap();
    bench.advance(120.0, 1.0);
    let element = bench.celsius(Node::Element);
    bench.change_board();
    for node in BOARD {
        assert!((bench.celsius(node) - 24.0).abs() < 1e-12);
    }
    assert!((bench.celsius(Node::Element) - element).abs() < 1e-12);
    let balance = bench.supplied_j() - bench.stored_j() - bench.lost_j();
    assert!(balance.abs() < 1e-6 * bench.supplied_j(), "{balance} J");
}

#[test]
fn a_lamp_brings_what_it_says_and_the_balance_holds() {
    let settings = Settings {
        board_square_cm: Some(300.0),
        emissivity: 0.8,
        ..quiet()
    };
    let mut bench = Bench::new(&settings).unwrap();
    bench.cause(Fault {
        w_per_square_cm: Some(0.1),
        for_s: Some(10.0),
        ..Fault::now(Kind::Lamp)
    });
    bench.advance(10.0, 0.0);
    // 0.1 W/cm² on 300 cm² that take 80 % of it, for 10 s: 240 J. Two faces that get 2 °C warmer lose up to 20 J of it
    // meanwhile (25 W/m²K, the mean of the rise).
    let stored = bench.stored_j();
    assert!((220.0..240.0).contains(&stored), "{stored} J");
    let balance = bench.supplied_j() - bench.stored_j() - bench.lost_j();
    assert!(balance.abs() < 1e-6, "{balance} J");
    bench.advance(60.0, 0.0);
    assert!(bench.stored_j() < stored, "it is off again");
}
