//! The broker is away, dies, refuses, or the network in between goes wrong: a subscriber whose session lasts ends with every
//! recorded reading of every run, to the bit, and every trip, and the daemon's memory stays as it was.
//!
//! Labs run faster than time, so that seconds are minutes of readings.

use std::time::{Duration, Instant};

use benchward_tests::broker::{Broker, Subscriber, section_at};
use benchward_tests::client::Client;
use benchward_tests::clock::wall_of;
use benchward_tests::daemon::Daemon;
use benchward_tests::history::{Told, missing, trips};
use benchward_tests::place::Place;
use benchward_tests::proxy::Proxy;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::wait::{wait_for, wait_until, wait_within};
use rustix::process::Signal;

const STATIONS: [&str; 2] = ["bench-1", "bench-2"];
/// Lab seconds a second: two benches with two channels at 10 Hz make 160 readings a second. More, and a busy machine is too late
/// for the interlocks, which end the runs.
const SCALE: &str = "4";
/// Time for a gap to be filled on a busy machine.
const PATIENCE: Duration = Duration::from_mins(2);
/// Memory that a daemon may gain over an outage, MB: what it records meanwhile is on the disk.
const GAIN_MB: f64 = 10.0;

/// Two benches with a run each, and somebody who keeps all readings.
struct Shop {
    client: Client,
    daemon: Daemon,
    keeper: Subscriber,
    broker: Broker,
    runs: Vec<u64>,
    /// Last, since what goes before shows what is in it when a test fails.
    place: Place,
}

impl Shop {
    /// `port`: where the daemon believes the broker to be. `more`: lines of `[mqtt]`.
    fn open(place: Place, broker: Broker, port: u16, more: &str) -> Self {
        let keeper = broker.keep_history();
        // Its session is on the disk before anything is published: a broker that died would have forgotten it.
        let saved = place.path("mosquitto/mosquitto.db");
        wait_until("the broker's memory", || {
            std::fs::read(&saved).is_ok_and(|bytes| bytes.windows(6).any(|word| word == b"keeper"))
        });
        let benches = place.simulated(STATIONS[0], "") + &place.simulated(STATIONS[1], "");
        let presence = "[presence]\nabsent_after_s = 14400\n";
        place.configure("", &format!("{presence}{benches}{}{more}", section_at(port)));
        let daemon = start(&place);
        let client = daemon.client();
        client.wait_ready(&STATIONS);
        client.put_recipe(HOLD).expect("a recipe");
        // A busy machine may have let a reading go stale meanwhile.
        let start = |station| wait_for("a run", || client.start(station, HOLD_NAME, "A-0017").ok());
        let runs = STATIONS.map(start).to_vec();
        Self {
            client,
            daemon,
            keeper,
            broker,
            runs,
            place,
        }
    }

    fn told(&self) -> usize {
        self.keeper.look(|messages| Told::of(messages).len())
    }

    /// [`Shop::told`] once nothing more comes, while the broker is away.
    fn told_and_settled(&self) -> usize {
        let mut told = self.told();
        loop {
            std::thread::sleep(Duration::from_millis(200));
            let again = self.told();
            if again == told {
                return told;
            }
            told = again;
        }
    }

    fn wait_for_more(&self, than: usize) {
        wait_within(PATIENCE, "recorded readings", || {
            (self.told() > than).then_some(())
        });
    }

    /// Ends the runs, waits until everything was told, ends the daemon, and holds what came against the archive.
    fn close(mut self, what: &str) {
        for station in STATIONS {
            let _ = self.client.ask(station, async |station| station.stop().await);
        }
        wait_within(PATIENCE, "cool boards", || {
            let over = |station: &&str| self.client.station(station).run.is_none();
            STATIONS.iter().all(over).then_some(())
        });
        let rows = |run: &u64| self.client.readings(*run).len();
        let recorded: usize = self.runs.iter().map(rows).sum();
        self.wait_for_more(recorded - 1);
        let journal = self.client.journal();
        let trips = || self.keeper.look(|messages| trips(messages, &journal));
        wait_within(PATIENCE, "the trips", || trips().1.is_empty().then_some(()));
        let journalled = trips();
        assert!(
            journalled.0 >= STATIONS.len(),
            "each was stopped, which is a trip"
        );
        let memory = self.daemon.memory_mb();
        self.daemon.terminate();
        let told = self.keeper.look(Told::of);
        let (rows, missing) = missing(&told, &self.place.archive());
        println!(
            "\n{what}: {rows} rows recorded, {} came, {} of them again, {} out of order, missing {}; {} trips and what became of them; \
             memory at the end {memory:.1} MB",
            told.len(),
            told.again,
            told.out_of_order,
            missing.len(),
            journalled.0
        );
        assert!(rows > 500, "so few rows prove nothing: {rows}");
        assert!(
            missing.is_empty(),
            "{what}: {:#?} ...",
            &missing[..missing.len().min(5)]
        );
        assert_eq!(told.out_of_order, 0, "in order within a run");
    }
}

fn start(place: &Place) -> Daemon {
    Daemon::start_with(place, |command| {
        command.args(["--time-scale", SCALE]);
    })
}

fn shop(more: &str) -> Shop {
    let place = Place::new();
    let broker = Broker::start_lasting(&place, "");
    let port = broker.port();
    Shop::open(place, broker, port, more)
}

#[test]
fn a_broker_that_restarts_and_dies_again_and_again_costs_no_reading() {
    let times: u32 = std::env::var("BENCHWARD_RESTARTS").map_or(6, |times| times.parse().expect("a number"));
    let mut shop = shop("");
    shop.wait_for_more(200);
    let before = shop.daemon.memory_mb();
    for time in 0..times {
        shop.broker
            .end(if time % 2 == 0 { Signal::TERM } else { Signal::KILL });
        // More than had come by then: so the keeper is there again at the next death. What a broker has acknowledged and holds
        // for somebody who is away is lost with it until it has saved that, and no publisher can help it.
        let told = shop.told_and_settled();
        shop.broker.again();
        shop.wait_for_more(told);
    }
    let after = shop.daemon.memory_mb();
    println!("memory: {before:.1} MB before, {after:.1} MB after");
    assert!(after < before + GAIN_MB, "{before:.1} MB became {after:.1} MB");
    shop.close(&format!("{times} restarts, half of them kill -9"));
}

#[test]
fn a_long_outage_is_filled_behind_the_live_values_and_costs_no_memory() {
    // Slow enough that the gap takes longer than the live values need to show that they don't wait: four a second, whether they
    // change or not.
    let place = Place::new();
    let broker = Broker::start_lasting(&place, "");
    let proxy = Proxy::start(broker.port());
    let more = "history_readings_per_s = 600\nlive = { run = { heartbeat_s = 1 } }\n";
    let mut shop = Shop::open(place, broker, proxy.port(), more);
    shop.wait_for_more(200);
    let before = shop.daemon.memory_mb();
    shop.broker.end(Signal::TERM);
    let mut most = before;
    let away = Instant::now();
    // Two minutes of the lab.
    while away.elapsed() < Duration::from_secs(30) {
        std::thread::sleep(Duration::from_millis(500));
        most = most.max(shop.daemon.memory_mb());
    }
    // Nothing comes through until somebody listens who hears what comes first: the retained head of the journal says that they do.
    proxy.stall(true);
    shop.broker.again();
    let told = shop.told();
    let topics = ["+/+/channel/+", "+/+/history/+", "+/journal"].map(|topic| format!("benchward/{topic}"));
    let arguments: Vec<&str> = topics.iter().flat_map(|topic| ["-t", topic]).collect();
    let live = shop.broker.subscribe_as(&arguments);
    wait_until("the journal's head", || {
        live.look(|messages| !messages.is_empty())
    });
    proxy.stall(false);
    shop.wait_for_more(told + 2_000);
    let messages = live.messages();
    most = most.max(shop.daemon.memory_mb());
    println!("memory: {before:.1} MB before, {most:.1} MB at most during the outage and its filling");
    assert!(most < before + GAIN_MB, "{before:.1} MB became {most:.1} MB");

    // Live first, and all the time.
    let is_live = |topic: &str| topic.contains("/channel/");
    let first = messages
        .iter()
        .find(|message| !message.topic.ends_with("/journal"));
    assert!(
        first.is_some_and(|message| is_live(&message.topic)),
        "live values go first: {first:?}"
    );
    let times: Vec<(f64, i64)> = messages
        .iter()
        .filter(|message| !message.retained && is_live(&message.topic))
        .map(|message| {
            (
                message.at_ms,
                wall_of(message.payload["time"].as_str().expect("a time")),
            )
        })
        .collect();
    // The lab's clock runs 4 times as fast as ours: how far each value lags behind the freshest, in our time.
    let origin = times.first().map_or(0, |(_, wall)| *wall);
    #[expect(clippy::cast_precision_loss, reason = "a few minutes, in milliseconds")]
    let ahead = |(at, wall): &(f64, i64)| (*wall - origin) as f64 / 4.0 - at;
    let freshest = times.iter().map(ahead).fold(f64::MIN, f64::max);
    let latest = times
        .iter()
        .map(|time| freshest - ahead(time))
        .fold(0.0, f64::max);
    println!(
        "{} live values while the gap was filled, at most {latest:.0} ms late",
        times.len()
    );
    assert!(
        times.len() > 20,
        "live values come while the gap is filled: {}",
        times.len()
    );
    assert!(latest < 3_000.0, "a live value was {latest:.0} ms late");
    shop.close("away for two minutes of the lab");
}

#[test]
fn a_network_that_is_cut_in_the_middle_of_packets_costs_no_reading() {
    let place = Place::new();
    let broker = Broker::start_lasting(&place, "");
    let proxy = Proxy::start(broker.port());
    let shop = Shop::open(place, broker, proxy.port(), "");
    shop.wait_for_more(200);
    // Lengths that end in fixed headers, topics, properties and payloads.
    for bytes in [1, 3, 40, 777, 5_000, 2, 9_001, 333] {
        let (told, cuts) = (shop.told(), proxy.cuts());
        proxy.cut_after(bytes);
        wait_until("the cut", || proxy.cuts() > cuts);
        shop.wait_for_more(told);
    }
    let told = shop.told();
    proxy.stall(true);
    std::thread::sleep(Duration::from_secs(3));
    proxy.stall(false);
    shop.wait_for_more(told);
    shop.close("cut 8 times, stalled once");
}

#[test]
fn a_connection_that_stalls_for_good_is_given_up() {
    let place = Place::new();
    let broker = Broker::start_lasting(&place, "");
    let proxy = Proxy::start(broker.port());
    let shop = Shop::open(place, broker, proxy.port(), "");
    shop.wait_for_more(200);
    proxy.stall(true);
    // Without a word from TCP. The old connections stay stuck; new ones work.
    wait_within(PATIENCE, "the daemon to give it up", || {
        let log = shop.daemon.log();
        (log.contains("tried again") && log.contains("recorded readings")).then_some(())
    });
    let told = shop.told();
    proxy.stall(false);
    shop.wait_for_more(told);
    shop.close("stalled until it was given up");
}

#[test]
fn a_slow_network_and_a_window_of_one_cost_no_reading_and_delay_no_live_value() {
    let place = Place::new();
    let broker = Broker::start_lasting(&place, "max_inflight_messages 1\n");
    let proxy = Proxy::start(broker.port());
    let shop = Shop::open(place, broker, proxy.port(), "");
    shop.wait_for_more(200);
    let before = shop.daemon.memory_mb();
    // A third of what two benches make: the gap grows.
    proxy.slow(3_000);
    let live = shop.broker.subscribe_as(&["-t", "benchward/+/+/channel/+"]);
    let mut most = before;
    for _ in 0..30 {
        std::thread::sleep(Duration::from_millis(500));
        most = most.max(shop.daemon.memory_mb());
    }
    println!("memory: {before:.1} MB before, {most:.1} MB at most");
    assert!(most < before + GAIN_MB, "{before:.1} MB became {most:.1} MB");
    let count = live.look(|messages| messages.iter().filter(|message| !message.retained).count());
    println!("{count} live values in 15 s");
    assert!(count > 60, "live values have their own way: {count}");
    drop(live);
    proxy.slow(0);
    shop.close("slow, with a window of one");
}

#[test]
fn what_the_broker_refuses_comes_once_it_is_allowed() {
    let place = Place::new();
    let rules = place.path("acl");
    let keeper = "user keeper\ntopic readwrite #\n";
    let all_but = "topic readwrite #\ntopic deny benchward/+/+/history/#\n";
    // Who keeps the readings may read them: `deny` counts for both, so this one has a rule by name.
    std::fs::write(&rules, format!("{all_but}{keeper}")).expect("ours");
    let broker = Broker::start_lasting(
        &place,
        &format!("max_inflight_messages 100\nacl_file {}\n", rules.display()),
    );
    let port = broker.port();
    let shop = Shop::open(place, broker, port, "");
    wait_within(PATIENCE, "the refusal", || {
        shop.daemon
            .log()
            .contains("refuses recorded readings (NotAuthorized)")
            .then_some(())
    });
    assert_eq!(shop.told(), 0);
    let journal = shop.client.journal();
    assert!(
        journal
            .iter()
            .any(|entry| entry.text.contains("the broker refuses recorded readings")),
        "it is journalled"
    );
    std::fs::write(&rules, format!("topic readwrite #\n{keeper}")).expect("ours");
    shop.broker.reload();
    shop.wait_for_more(500);
    shop.close("refused, then allowed");
}

#[test]
fn a_daemon_that_is_killed_while_it_fills_a_gap_goes_on_where_it_was() {
    let mut shop = shop("history_readings_per_s = 600\n");
    shop.wait_for_more(200);
    shop.broker.end(Signal::TERM);
    std::thread::sleep(Duration::from_secs(15));
    shop.broker.again();
    for _ in 0..3 {
        let told = shop.told();
        shop.wait_for_more(told + 300);
        shop.daemon.kill();
        shop.daemon = start(&shop.place);
        shop.client = shop.daemon.client();
    }
    // The runs were lost with the first death; their readings are not.
    shop.client.wait_ready(&STATIONS);
    shop.close("killed three times in the gap");
}

#[test]
fn a_trip_while_nobody_could_hear_it_comes_with_its_own_time() {
    let mut shop = shop("");
    shop.wait_for_more(600);
    let trip = |shop: &Shop, station: &str| {
        shop.client
            .ask(station, async |station| station.stop().await)
            .expect("the owner may");
        shop.client.wait_for_trip(station, "stop");
    };
    let came = |shop: &Shop, station: &str, what: &str, late: bool| {
        shop.keeper.wait_for(
            &format!("benchward/larkfield/{station}/history/trip"),
            what,
            |message| message.payload["standing"] == "tripped" && message.payload["late"] == late,
        )
    };
    trip(&shop, "bench-1");
    came(&shop, "bench-1", "a trip that everybody could hear", false);
    // A clean end: what was acknowledged until then is known from there on.
    shop.daemon.terminate();
    shop.daemon = start(&shop.place);
    shop.client = shop.daemon.client();
    shop.client.wait_ready(&STATIONS);
    shop.broker.end(Signal::TERM);
    trip(&shop, "bench-2");
    // And nobody is left who remembers it but the disk.
    shop.daemon.kill();
    shop.daemon = start(&shop.place);
    shop.client = shop.daemon.client();
    shop.broker.again();
    let told = came(&shop, "bench-2", "a trip that nobody could hear", true);
    assert!(!told.retained, "{told:?}");
    let again = shop.keeper.look(|messages| {
        let first = messages.iter().filter(|message| {
            message.topic == "benchward/larkfield/bench-1/history/trip"
                && message.payload["standing"] == "tripped"
        });
        first.count()
    });
    assert_eq!(again, 1, "what was acknowledged long before doesn't come again");
    shop.close("a trip during an outage, then a kill");
}
