//! How fast recorded readings are published, beside a bare loop of the same client library that sends the same messages to the
//! same broker within the same minute. Only the ratio says something about the daemon; the rates are the machine's.

use std::process::ExitCode;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use benchward_archive::{Archive, Cursor, Outcome, Phase, Row, RunRecord, Value, Wall};
use benchward_tests::broker::{Broker, free_port};
use benchward_tests::daemon::Daemon;
use benchward_tests::place::Place;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PublishProperties};
use rumqttc::v5::{AsyncClient, Event, MqttOptions};

/// Rows of the run that is published, each with two channels: ten hours of a bench.
const ROWS: u64 = 360_000;
const CHANNELS: [&str; 2] = ["board-top", "board-edge"];
const TOPIC: &str = "benchward/larkfield/bench-1/history/run";
/// Messages in flight, as many as the daemon has.
const WINDOW: u16 = 16;
const PATIENCE: Duration = Duration::from_mins(5);

fn main() -> ExitCode {
    match measure() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("publishing: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn measure() -> anyhow::Result<()> {
    let mut place = Place::new();
    // Its run was never decided.
    place.spoil();
    record(&place)?;
    let port = free_port();
    let lines = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\n"
    );
    let broker = Broker::start_as(&place, port, &lines);
    let section = format!("{}history_readings_per_s = 1000000\n", broker.section());
    place.configure("", &(place.simulated("bench-1", "") + &section));
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let (messages, daemon_s, memory_mb) = runtime.block_on(async {
        let mut ear = Ear::open(port).await?;
        let daemon = Daemon::start(&place);
        let heard = ear.rows(ROWS).await?;
        anyhow::Ok((heard.0, heard.1, daemon.memory_mb()))
    })?;
    let bare_s = runtime.block_on(bare(port, &messages))?;
    let bytes: usize = messages.iter().map(Vec::len).sum();
    let count = messages.len();
    #[expect(clippy::cast_precision_loss, reason = "counts of a few hundred thousand")]
    let (readings, each) = ((ROWS * 2) as f64, bytes as f64 / count as f64);
    println!(
        "publishing {readings} recorded readings in {count} messages of {each:.0} bytes, QoS 1, {WINDOW} in flight"
    );
    println!(
        "  daemon, from its archive   {:>9.0} readings/s   {memory_mb:.0} MB",
        readings / daemon_s
    );
    println!(
        "  bare loop of the client    {:>9.0} readings/s",
        readings / bare_s
    );
    println!("  ratio                      {:>9.2}", bare_s / daemon_s);
    Ok(())
}

/// An archive with one run that ended and was passed on to nobody.
fn record(place: &Place) -> anyhow::Result<()> {
    let began = Wall::now().plus_ms(-86_400_000);
    let (mut writer, _, _) = Archive::open(place.archive(), "larkfield", began)?;
    let station = writer.station("bench-1", &CHANNELS)?;
    let run = RunRecord {
        run: 1,
        station: "bench-1".into(),
        recipe: "hold".into(),
        started: began,
        ..RunRecord::default()
    };
    writer.put_run(&run)?;
    for n in 0..ROWS {
        // A converter's grid, so that the numbers are as long as real ones.
        let celsius = f64::from(u32::try_from(n % 20_000)?) / 128.0;
        writer.append(&Row {
            station,
            run: Some(1),
            at: began.plus_ms(i64::try_from(n * 100)?),
            mono_ms: n * 100,
            values: &[Value::Celsius(celsius), Value::Celsius(celsius + 0.375)],
            heat: 0.421,
            phase: Phase::Dwell,
            stage: Some(1),
            target_celsius: Some(150.0),
        })?;
        if n % 600 == 0 {
            writer.tick(began);
        }
    }
    let ended = began.plus_ms(i64::try_from(ROWS * 100)?);
    writer.put_run(&RunRecord {
        ended: Some(ended),
        outcome: Some(Outcome::Completed),
        ..run
    })?;
    writer.put_cursor("plain", &Cursor::from(0, None))?;
    writer.close(ended)?;
    Ok(())
}

fn options(id: &str, port: u16) -> MqttOptions {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_max_packet_size(Some(1 << 20));
    options.set_outgoing_inflight_upper_limit(WINDOW);
    options
}

/// Who listens.
struct Ear(
    rumqttc::v5::EventLoop,
    #[expect(dead_code, reason = "the connection ends with it")] AsyncClient,
);

impl Ear {
    async fn open(port: u16) -> anyhow::Result<Self> {
        let (client, mut events) = AsyncClient::new(options("ear", port), 16);
        client.subscribe(TOPIC, QoS::AtLeastOnce).await?;
        while !matches!(events.poll().await?, Event::Incoming(Packet::SubAck(_))) {}
        Ok(Self(events, client))
    }

    /// Listens until so many rows of the run have come. Returns the messages, and the seconds from the first to the last.
    async fn rows(&mut self, rows: u64) -> anyhow::Result<(Vec<Vec<u8>>, f64)> {
        let mut messages = Vec::new();
        let (mut heard, mut began) = (0, None);
        while heard < rows {
            let event = tokio::time::timeout(PATIENCE, self.0.poll()).await;
            let event = event.with_context(|| format!("{heard} of {rows} rows came, and then none"))??;
            if let Event::Incoming(Packet::Publish(message)) = event {
                began.get_or_insert_with(Instant::now);
                heard += count(&message.payload);
                messages.push(message.payload.to_vec());
            }
        }
        let seconds = began.map_or(0.0, |began| began.elapsed().as_secs_f64());
        Ok((messages, seconds))
    }
}

/// Rows in a message: each has one time.
fn count(payload: &[u8]) -> u64 {
    payload.windows(7).filter(|word| word == b"\"time\":").count() as u64
}

/// The same messages by a loop that does nothing else. Returns the seconds from the first to the last, as they came.
async fn bare(port: u16, messages: &[Vec<u8>]) -> anyhow::Result<f64> {
    let mut ear = Ear::open(port).await?;
    let (client, mut events) = AsyncClient::new(options("bare", port), usize::from(WINDOW));
    let polled = tokio::spawn(async move { while events.poll().await.is_ok() {} });
    let sent = messages.to_vec();
    let sending = tokio::spawn(async move {
        for message in sent {
            let properties = PublishProperties {
                payload_format_indicator: Some(1),
                content_type: Some("application/json".into()),
                user_properties: vec![("schema".into(), "benchward/history/1".into())],
                ..PublishProperties::default()
            };
            client
                .publish_with_properties(TOPIC, QoS::AtLeastOnce, false, message, properties)
                .await?;
        }
        anyhow::Ok(client)
    });
    let (_, seconds) = ear.rows(ROWS).await?;
    let _client = sending.await??;
    polled.abort();
    Ok(seconds)
}
