//! Prints how benches of all kinds heat and cool: to look at after changing the model.

use benchward_driver_simulated::{Bench, HeaterKind, Node, Settings};

fn main() {
    println!(
        "heater   board  watts  to 100 °C  coasts to  steady full  75 to 45 °C   (with fan)  edge at 100 °C"
    );
    for heater in [
        HeaterKind::Lamp,
        HeaterKind::Ceramic,
        HeaterKind::Plate,
        HeaterKind::Air,
    ] {
        for (board_grams, watts) in [(21.0, 300.0), (90.0, 800.0), (250.0, 1_200.0), (952.0, 3_000.0)] {
            let settings = Settings {
                heater,
                board_grams,
                watts,
                draft: 0.0,
                mains_wander: 0.0,
                ..Settings::default()
            };
            let (up, coast, edge) = rise(&settings);
            let steady = steady(&settings);
            let down = fall(&settings);
            let blown = fall(&Settings {
                fan: true,
                ..settings
            });
            println!(
                "{:8} {board_grams:4} g {watts:5} W {up:8.0} s {coast:8.1} °C {steady:9.0} °C {down:10.0} s {blown:12.0} s {edge:11.1} °C",
                format!("{heater:?}").to_lowercase(),
            );
        }
    }
}

fn until(bench: &mut Bench, heat: f64, done: impl Fn(f64) -> bool) -> f64 {
    let start = bench.time_s();
    while !done(bench.celsius(Node::TopCentre)) && bench.time_s() - start < 7_200.0 {
        bench.advance(0.1, heat);
    }
    bench.time_s() - start
}

fn bench(settings: &Settings) -> Bench {
    Bench::new(settings).expect("settings in bounds")
}

fn rise(settings: &Settings) -> (f64, f64, f64) {
    let mut bench = bench(settings);
    let time = until(&mut bench, 1.0, |c| c >= 100.0);
    let edge = bench.celsius(Node::TopEdge);
    let mut peak: f64 = 0.0;
    for _ in 0..1_200 {
        bench.advance(0.1, 0.0);
        peak = peak.max(bench.celsius(Node::TopCentre));
    }
    (time, peak, edge)
}

fn steady(settings: &Settings) -> f64 {
    let mut bench = bench(settings);
    bench.advance(7_200.0, 1.0);
    bench.celsius(Node::TopCentre)
}

fn fall(settings: &Settings) -> f64 {
    let mut bench = bench(settings);
    until(&mut bench, 0.5, |c| c >= 75.0);
    bench.advance(5.0, 0.0);
    until(&mut bench, 0.0, |c| c <= 75.0);
    until(&mut bench, 0.0, |c| c <= 45.0)
}
