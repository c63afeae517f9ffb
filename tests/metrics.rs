//! `OpenMetrics`: read by tools that share no code with the daemon, and by clients that mean no good.

use std::collections::BTreeSet;
use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use benchward_tests::clock::monotonic_ms;
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::Place;
use benchward_tests::programs::file;
use benchward_tests::recipe::{HOLD, HOLD_NAME};
use benchward_tests::record;
use benchward_tests::scrape::{self, Prometheus};
use benchward_tests::wait::{wait_for, wait_until};

const OPENMETRICS: &str = "application/openmetrics-text; version=1.0.0,text/plain;version=0.0.4;q=0.5";

#[test]
fn what_happens_on_a_bench_is_on_the_page_and_promtool_has_nothing_to_say() {
    let place = Place::new();
    place.configure(
        "",
        &(place.simulated("bench-1", "") + &place.simulated("bench-2", "") + scrape::SECTION),
    );
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1", "bench-2"]);
    let at = scrape::address(&daemon);
    let classic = || scrape::page(at, "text/plain").1;
    let is = |page: &str, name: &str, fits: &dyn Fn(f64) -> bool| {
        let value = scrape::value(page, name);
        assert!(value.is_some_and(fits), "{name}: {value:?}\n{page}");
    };

    client.put_recipe(HOLD).expect("a recipe");
    client.start("bench-1", HOLD_NAME, "A-1").expect("a run");
    record::wait_for_heat(&place.record_file("bench-1"), 0.0);
    let heated = wait_for("heat on the page", || {
        let page = classic();
        scrape::value(&page, "benchward_heat_ratio{station=\"bench-1\"}")
            .is_some_and(|heat| heat > 0.0)
            .then_some(page)
    });
    let above_20 = |celsius: f64| celsius > 20.0 && celsius < 60.0;
    is(
        &heated,
        "benchward_channel_celsius{station=\"bench-1\",channel=\"board-top\"}",
        &above_20,
    );
    is(
        &heated,
        "benchward_target_celsius{station=\"bench-1\"}",
        &|celsius| celsius > 59.9,
    );
    is(
        &heated,
        "benchward_phase{station=\"bench-1\",phase=\"ramp\"}",
        &|on| on > 0.5,
    );
    is(
        &heated,
        "benchward_phase{station=\"bench-2\",phase=\"idle\"}",
        &|on| on > 0.5,
    );
    is(&heated, "benchward_heat_ratio{station=\"bench-2\"}", &|heat| {
        heat == 0.0
    });
    is(
        &heated,
        "benchward_reaction_seconds_count{act=\"grant\"}",
        &|count| count > 0.5,
    );
    is(&heated, "benchward_scan_delay_seconds_count", &|count| {
        count > 0.5
    });
    is(&heated, "benchward_loop_age_seconds", &|age| age < 5.0);
    is(
        &heated,
        "benchward_scan_age_seconds{driver=\"bench-1\"}",
        &|age| age < 5.0,
    );
    is(&heated, "benchward_archive_well", &|well| well > 0.5);
    is(
        &heated,
        "benchward_trips_total{station=\"bench-1\",interlock=\"sensor-fault\"}",
        &|trips| trips == 0.0,
    );

    fault::cause(&place.control("bench-1"), r#"{"kind":"open","input":"tc1"}"#);
    client.wait_for_trip("bench-1", "sensor-fault");
    let tripped = "benchward_interlock_tripped{station=\"bench-1\",interlock=\"sensor-fault\"}";
    let page = wait_for("the trip on the page", || {
        let page = classic();
        scrape::value(&page, tripped)
            .is_some_and(|on| on > 0.5)
            .then_some(page)
    });
    is(
        &page,
        "benchward_trips_total{station=\"bench-1\",interlock=\"sensor-fault\"}",
        &|trips| (trips - 1.0).abs() < 0.1,
    );
    is(&page, "benchward_reaction_seconds_count{act=\"cut\"}", &|count| {
        count > 0.5
    });
    // An open thermocouple has no temperature, and not its last one either.
    let lost = "{station=\"bench-1\",channel=\"board-top\"}";
    assert_eq!(
        scrape::value(&page, &format!("benchward_channel_celsius{lost}")),
        None,
        "{page}"
    );
    is(&page, &format!("benchward_channel_good{lost}"), &|good| {
        good == 0.0
    });

    let pid = daemon.driver(&place, "bench-2");
    rustix::process::kill_process(pid, rustix::process::Signal::KILL).expect("the driver can be killed");
    let restarted = "benchward_driver_restarts_total{driver=\"bench-2\"}";
    wait_until("the driver's restart on the page", || {
        scrape::value(&classic(), restarted).is_some_and(|times| (times - 1.0).abs() < 0.1)
    });

    let (content, said) = scrape::promtool(&["check", "metrics"], &classic());
    assert!(content && said.is_empty(), "promtool: {said}");
    // What is served is in the README, and what is there is served.
    let readme = std::fs::read_to_string(file("../README.md")).expect("the README");
    let told: BTreeSet<&str> = readme
        .split('`')
        .filter(|word| {
            word.strip_prefix("benchward_")
                .is_some_and(|rest| rest.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'_'))
        })
        .collect();
    let page = classic();
    let served: BTreeSet<&str> = page
        .lines()
        .filter_map(|line| line.strip_prefix("# TYPE ")?.split(' ').next())
        .collect();
    assert_eq!(served, told, "served, and told in the README");
    let (head, open) = scrape::page(at, OPENMETRICS);
    assert!(
        head.to_ascii_lowercase()
            .contains("content-type: application/openmetrics-text; version=1.0.0"),
        "{head}"
    );
    assert!(open.ends_with("# EOF\n"), "{open}");
    assert!(
        open.contains("# UNIT benchward_channel_celsius celsius\n")
            && open.contains("# TYPE benchward_trips counter\n"),
        "{open}"
    );
}

#[test]
fn a_prometheus_server_scrapes_answers_and_raises_the_alert_for_a_trip() {
    let place = Place::new();
    place.configure("", &(place.simulated("bench-1", "") + scrape::SECTION));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    let server = Prometheus::start(&place, scrape::address(&daemon));
    server.wait_for(
        "benchward_channel_celsius{station=\"bench-1\",channel=\"board-top\"}",
        |celsius| (celsius - 24.0).abs() < 3.0,
    );
    let build = server.wait_for("benchward_build_info", |one| (one - 1.0).abs() < 0.1);
    assert_eq!(build["version"], env!("CARGO_PKG_VERSION"));
    assert_eq!(build["lab"], "larkfield");
    assert!(
        server
            .query("ALERTS{alertname!=\"BenchwardAway\",alertstate=\"firing\"}")
            .is_empty()
    );

    client.put_recipe(HOLD).expect("a recipe");
    client.start("bench-1", HOLD_NAME, "A-1").expect("a run");
    server.wait_for("benchward_heat_ratio{station=\"bench-1\"}", |heat| heat > 0.0);
    fault::cause(&place.control("bench-1"), r#"{"kind":"open","input":"tc1"}"#);
    server.wait_for(
        "benchward_trips_total{station=\"bench-1\",interlock=\"sensor-fault\"}",
        |trips| (trips - 1.0).abs() < 0.1,
    );
    let alert = server.wait_for(
        "ALERTS{alertname=\"BenchTripped\",alertstate=\"firing\",interlock=\"sensor-fault\"}",
        |_| true,
    );
    assert_eq!(alert["station"], "bench-1");

    // Every panel that deploy/dashboards recommends has something to show: a channel is lost and a trip stands by now.
    let readme = std::fs::read_to_string(file("../deploy/dashboards/README.md")).expect("the README");
    let (_, panels) = readme.split_once("```promql\n").expect("the queries");
    let (panels, _) = panels.split_once("```").expect("their end");
    let queries: Vec<&str> = panels.lines().filter(|line| !line.starts_with('#')).collect();
    assert!(queries.len() > 8, "{queries:?}");
    for query in queries {
        wait_until(query, || !server.query(query).is_empty());
    }
}

#[test]
fn the_alerts_fire_when_they_should_and_only_then() {
    let rules = file("../deploy/prometheus/benchward.rules.yml");
    let tests = file("metrics/alerts.yml");
    for words in [["check", "rules"], ["test", "rules"]] {
        let path = if words[0] == "test" { &tests } else { &rules };
        let (content, said) = scrape::promtool(&[words[0], words[1], &path.display().to_string()], "");
        assert!(content && said.contains("SUCCESS"), "{words:?}: {said}");
    }
}

#[test]
fn other_paths_methods_and_nonsense_are_answered_and_change_nothing() {
    let place = Place::new();
    place.configure("", &(place.simulated("bench-1", "") + scrape::SECTION));
    let daemon = Daemon::start(&place);
    let at = scrape::address(&daemon);
    for (request, status) in [
        ("GET / HTTP/1.1\r\nHost: a\r\n\r\n", "404"),
        (
            "POST /metrics HTTP/1.1\r\nHost: a\r\nContent-Length: 4\r\n\r\nstop",
            "405",
        ),
        ("DELETE /metrics HTTP/1.1\r\nHost: a\r\n\r\n", "405"),
        ("GET /../metrics HTTP/1.1\r\nHost: a\r\n\r\n", "404"),
        ("\u{7f}\u{1}nonsense\r\n\r\n", "400"),
    ] {
        let (head, _) = scrape::request(at, request);
        assert!(
            head.starts_with(&format!("HTTP/1.1 {status} ")),
            "{request:?}: {head}"
        );
    }
    let (head, body) = scrape::request(at, "HEAD /metrics HTTP/1.1\r\nHost: a\r\n\r\n");
    assert!(
        head.starts_with("HTTP/1.1 200 ") && body.is_empty(),
        "{head}\n{body}"
    );
}

#[test]
fn slow_and_hostile_clients_are_nothing_to_the_lab() {
    let place = Place::new();
    place.configure("", &(place.simulated("bench-1", "") + scrape::SECTION));
    let daemon = Daemon::start(&place);
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    client.put_recipe(HOLD).expect("a recipe");
    client.start("bench-1", HOLD_NAME, "A-1").expect("a run");
    let driver_record = place.record_file("bench-1");
    record::wait_for_heat(&driver_record, 0.0);
    let at = scrape::address(&daemon);
    let before = monotonic_ms();

    // More than there is room for: half a head, an endless head, many requests of which no answer is read.
    let mut idle = Vec::new();
    for turn in 0..60 {
        let mut stream = TcpStream::connect(at).expect("the metrics' port");
        let sent = match turn % 3 {
            0 => stream.write_all(b"GET /metrics HTTP/1.1\r\nHost: a\r\nX-Half: "),
            1 => stream.write_all(&vec![b'x'; 64 * 1024]),
            _ => stream.write_all("GET /metrics HTTP/1.1\r\nHost: a\r\n\r\n".repeat(500).as_bytes()),
        };
        // What is refused in the middle of being sent has been refused.
        drop(sent);
        idle.push(stream);
    }
    // And a few that ask as fast as they can.
    let end = AtomicBool::new(false);
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                while !end.load(Ordering::Relaxed) {
                    let Ok(mut stream) = TcpStream::connect(at) else {
                        continue;
                    };
                    let _ = stream.set_read_timeout(Some(Duration::from_millis(200)));
                    let _ = stream.write_all(b"GET /metrics HTTP/1.0\r\n\r\n");
                    let _ = stream.read_to_end(&mut Vec::new());
                }
            });
        }
        let until = Instant::now() + Duration::from_secs(5);
        while Instant::now() < until {
            assert!(client.tripped("bench-1").is_empty(), "{:?}", client.status());
            std::thread::sleep(Duration::from_millis(100));
        }
        end.store(true, Ordering::Relaxed);
    });
    // Nothing lapsed: every grant came in time.
    let lapsed: Vec<_> = record::changes(&driver_record)
        .into_iter()
        .filter(|change| change.at_ms > before && change.why != "heat")
        .collect();
    assert!(lapsed.is_empty(), "{lapsed:?}");
    assert_eq!(client.station("bench-1").phase, "ramp", "the run goes on");
    // Whoever was slow has lost its place by now or soon, and who asks properly is answered.
    let (head, _) = wait_for("an answer among them", || {
        let mut stream = TcpStream::connect(at).ok()?;
        stream.set_read_timeout(Some(Duration::from_secs(2))).ok()?;
        stream.write_all(b"GET /metrics HTTP/1.0\r\n\r\n").ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        let (head, body) = answer.split_once("\r\n\r\n")?;
        Some((head.to_owned(), body.to_owned()))
    });
    assert!(head.contains("200 OK"), "{head}");
    drop(idle);
}
