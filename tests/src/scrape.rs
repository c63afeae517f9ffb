//! What scrapes the metrics: plain requests by hand, `promtool`, and a Prometheus server.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::process::{Child, Stdio};
use std::time::Duration;

use serde_json::Value;

use crate::daemon::Daemon;
use crate::place::{Place, quoted};
use crate::programs::{file, system};
use crate::wait::{wait_for, wait_within};

/// The section that has the metrics at a free port, which the daemon says in its log.
pub const SECTION: &str = "[metrics]\nlisten = \"127.0.0.1:0\"\n";

/// How long a server needs at most: it looks for its targets each 5 s.
const SCRAPED_WITHIN: Duration = Duration::from_mins(1);

/// Where a daemon serves its metrics.
pub fn address(daemon: &Daemon) -> SocketAddr {
    wait_for("the address of the metrics in the log", || {
        let log = daemon.log();
        let (_, rest) = log.split_once("metrics are at http://")?;
        rest.split_once("/metrics")?.0.parse().ok()
    })
}

/// Sends a request as it is. Returns head and body of what comes until the other end closes.
///
/// # Panics
/// If nobody is there, or the answer is none of HTTP.
pub fn request(at: SocketAddr, request: &str) -> (String, String) {
    let mut stream = TcpStream::connect(at).expect("the metrics' port");
    stream.write_all(request.as_bytes()).expect("it takes a request");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("it answers in text");
    let (head, body) = answer.split_once("\r\n\r\n").expect("a head and a body");
    (head.to_owned(), body.to_owned())
}

/// The page, in the form that `accept` asks for.
pub fn page(at: SocketAddr, accept: &str) -> (String, String) {
    request(
        at,
        &format!("GET /metrics HTTP/1.1\r\nHost: {at}\r\nAccept: {accept}\r\n\r\n"),
    )
}

/// The value of one line of the page, named with its labels in the order that they are written in.
///
/// # Panics
/// If it is no number.
pub fn value(page: &str, name: &str) -> Option<f64> {
    let line = page
        .lines()
        .find_map(|line| line.strip_prefix(name)?.strip_prefix(' '))?;
    Some(
        line.parse()
            .unwrap_or_else(|error| panic!("{name} {line}: {error}")),
    )
}

/// Runs `promtool` with something on its stdin. Returns whether it was content, and what it said.
///
/// # Panics
/// If it can't be run.
pub fn promtool(words: &[&str], stdin: &str) -> (bool, String) {
    let mut child = system("promtool", "prometheus")
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("promtool can be started");
    let mut input = child.stdin.take().expect("it is piped");
    input.write_all(stdin.as_bytes()).expect("promtool reads");
    drop(input);
    let output = child.wait_with_output().expect("promtool ends");
    let said = [output.stdout, output.stderr].concat();
    (
        output.status.success(),
        String::from_utf8_lossy(&said).into_owned(),
    )
}

/// A Prometheus server that scrapes a daemon and knows the alerts of `deploy/prometheus`. It ends with this value.
#[derive(Debug)]
pub struct Prometheus {
    child: Child,
    at: SocketAddr,
}

impl Prometheus {
    /// Starts one.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start(place: &Place, target: SocketAddr) -> Self {
        let at = TcpListener::bind("127.0.0.1:0")
            .and_then(|listener| listener.local_addr())
            .expect("a free port");
        let config = place.path("prometheus.yml");
        let rules = quoted(&file("../deploy/prometheus/benchward.rules.yml"));
        let text = format!(
            "global: {{scrape_interval: 1s, evaluation_interval: 1s}}\nrule_files: [{rules}]\nscrape_configs:\n  \
             - job_name: benchward\n    static_configs: [{{targets: [\"{target}\"]}}]\n"
        );
        fs::write(&config, text).expect("the folder is ours");
        let log = File::create(place.path("prometheus.log")).expect("the folder is ours");
        let child = system("prometheus", "prometheus")
            .arg(format!("--config.file={}", config.display()))
            .arg(format!(
                "--storage.tsdb.path={}",
                place.path("prometheus").display()
            ))
            .arg(format!("--web.listen-address={at}"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("prometheus can be started");
        let server = Self { child, at };
        wait_for("a Prometheus server that is ready", || {
            TcpStream::connect(at).ok()?;
            let (head, _) = request(at, &format!("GET /-/ready HTTP/1.0\r\nHost: {at}\r\n\r\n"));
            head.contains(" 200 ").then_some(())
        });
        server
    }

    /// What it answers to an instant query: labels and value of each series.
    ///
    /// # Panics
    /// If it refuses the query.
    pub fn query(&self, query: &str) -> Vec<(Value, f64)> {
        let mut escaped = String::new();
        for byte in query.bytes() {
            let _ = write!(escaped, "%{byte:02x}");
        }
        let (_, body) = request(
            self.at,
            &format!(
                "GET /api/v1/query?query={escaped} HTTP/1.0\r\nHost: {}\r\n\r\n",
                self.at
            ),
        );
        let answer: Value = serde_json::from_str(&body).unwrap_or_else(|error| panic!("{body}: {error}"));
        assert_eq!(answer["status"], "success", "{query}: {answer}");
        let series = answer["data"]["result"].as_array().expect("a list of series");
        series
            .iter()
            .map(|one| {
                let value = one["value"][1].as_str().expect("a value as text");
                (one["metric"].clone(), value.parse().expect("a number"))
            })
            .collect()
    }

    /// Waits until it knows exactly one series with a value that fits. Returns its labels.
    pub fn wait_for(&self, query: &str, fits: impl Fn(f64) -> bool) -> Value {
        wait_within(
            SCRAPED_WITHIN,
            &format!("Prometheus knows {query}"),
            || match &*self.query(query) {
                [(labels, value)] if fits(*value) => Some(labels.clone()),
                _ => {
                    std::thread::sleep(Duration::from_millis(200));
                    None
                }
            },
        )
    }
}

impl Drop for Prometheus {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
