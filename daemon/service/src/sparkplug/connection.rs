//! One MQTT 5 connection, packet by packet.
//!
//! The packets are rumqttc's; its client isn't used here, for three reasons. A Sparkplug session has to end with reason 0x04,
//! *Disconnect with Will Message*, and that client always says 0x00. It takes messages into a queue of its own, which would be
//! told after an outage, with the numbers of another session. And messages of `QoS` 0 are never acknowledged: whether the broker
//! has read them is only to be known by a question that it answers in order, a PINGREQ behind them, which that client asks by
//! itself or not at all.

use std::future::Future;
use std::io::{self, ErrorKind};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context as _, bail, ensure};
use benchward_config::Mqtt;
use benchward_sparkplug::Message;
use bytes::BytesMut;
use rumqttc::TlsConfiguration;
use rumqttc::tokio_rustls::TlsConnector;
use rumqttc::v5::mqttbytes::v5::{
    Connect, ConnectProperties, ConnectReturnCode, DisconnectReasonCode, Filter, LastWill, Login, Packet,
    PingReq, PubAck, Publish, Subscribe,
};
use rumqttc::v5::mqttbytes::{Error, QoS};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout};

use crate::mqtt::connection::{credentials, read, secret};

/// How long it may take until the way to the broker is open.
const OPEN_WITHIN: Duration = Duration::from_secs(10);
/// And until a packet is written: a broker that doesn't read for that long is gone. Less than the daemon may take for its end.
const WRITTEN_WITHIN: Duration = Duration::from_secs(5);
/// How often the broker is asked whether it is there, unless it wants that more often.
const KEEP_ALIVE: Duration = Duration::from_secs(10);
/// How long the broker may take to close a connection that was ended.
const CLOSED_WITHIN: Duration = Duration::from_secs(2);
/// Longest packet that is taken.
const PACKET_BYTES_MAX: u32 = 256 * 1024;

/// DISCONNECT, one byte follows: reason 0x04, *Disconnect with Will Message*.
const DISCONNECT_WITH_WILL: [u8; 3] = [0xe0, 0x01, 0x04];

trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

/// A connection. Whatever goes wrong with it is its end.
pub(super) struct Connection {
    stream: Box<dyn Stream>,
    unread: BytesMut,
    keep_alive: Duration,
    packet_bytes_max: Option<u32>,
    heard: Instant,
    asked: Instant,
    /// Questions so far, and answers to them, which come in their order.
    questions: u64,
    answers: u64,
    next_id: u16,
}

impl Connection {
    /// Opens the way to the broker, with TLS where the configuration says so. Nothing is said on it yet.
    pub(super) async fn open(settings: &Mqtt) -> anyhow::Result<Self> {
        let broker = &settings.broker;
        let opened = timeout(OPEN_WITHIN, async {
            let stream = TcpStream::connect((&*broker.host, broker.port)).await?;
            stream.set_nodelay(true)?;
            if !broker.tls {
                return Ok(Box::new(stream) as Box<dyn Stream>);
            }
            let name = ServerName::try_from(broker.host.clone())
                .with_context(|| format!("{} is no name that a certificate can have", broker.host))?;
            let connector = TlsConnector::from(tls(settings)?);
            let stream = connector.connect(name, stream).await?;
            anyhow::Ok(Box::new(stream) as Box<dyn Stream>)
        });
        let stream = match opened.await {
            Ok(opened) => opened?,
            Err(_) => bail!("no answer within {OPEN_WITHIN:?}"),
        };
        let now = Instant::now();
        Ok(Self {
            stream,
            unread: BytesMut::new(),
            keep_alive: KEEP_ALIVE,
            packet_bytes_max: None,
            heard: now,
            asked: now,
            questions: 0,
            answers: 0,
            next_id: 1,
        })
    }

    /// Says who we are and what is to be said once we are gone. A session that outlives the connection isn't wanted.
    pub(super) async fn connect(
        &mut self,
        client_id: String,
        settings: &Mqtt,
        will: Message,
    ) -> anyhow::Result<()> {
        let connect = Connect {
            keep_alive: u16::try_from(KEEP_ALIVE.as_secs()).unwrap_or(u16::MAX),
            client_id,
            clean_start: true,
            properties: Some(ConnectProperties {
                session_expiry_interval: Some(0),
                max_packet_size: Some(PACKET_BYTES_MAX),
                ..ConnectProperties::new()
            }),
        };
        let will = LastWill::new(will.topic, will.payload, qos(will.at_least_once), false, None);
        let login = credentials(settings)?.map(|(username, password)| Login::new(username, password));
        self.write(&Packet::Connect(connect, Some(will), login)).await
    }

    /// Subscribes with `QoS` 1.
    pub(super) async fn subscribe(&mut self, topics: Vec<String>) -> anyhow::Result<()> {
        let filters = topics
            .into_iter()
            .map(|topic| Filter::new(topic, QoS::AtLeastOnce));
        let mut subscribe = Subscribe::new_many(filters, None);
        subscribe.pkid = self.id();
        self.write(&Packet::Subscribe(subscribe)).await
    }

    /// Publishes, not retained. Returns once it is on its way.
    pub(super) async fn publish(&mut self, message: Message) -> anyhow::Result<()> {
        let mut publish = Publish::new(message.topic, qos(message.at_least_once), message.payload, None);
        if message.at_least_once {
            publish.pkid = self.id();
        }
        self.write(&Packet::Publish(publish)).await
    }

    /// Asks something that the broker answers once it has read everything before. Returns the question's number.
    pub(super) async fn ask(&mut self) -> anyhow::Result<u64> {
        self.asked = Instant::now();
        self.write(&Packet::PingReq(PingReq)).await?;
        self.questions += 1;
        Ok(self.questions)
    }

    /// Number of the last question that was answered.
    pub(super) fn answered(&self) -> u64 {
        self.answers
    }

    /// Asks the broker whether it is there, when it is time for that.
    pub(super) async fn keep_alive(&mut self) -> anyhow::Result<()> {
        let silent = self.heard.elapsed();
        ensure!(
            silent < self.keep_alive * 3 / 2,
            "it has said nothing for {silent:.1?}"
        );
        if self.asked.elapsed() >= self.keep_alive / 2 {
            self.ask().await?;
        }
        Ok(())
    }

    /// The next packet. Nothing is lost if the caller stops waiting for it.
    pub(super) async fn next(&mut self) -> anyhow::Result<Packet> {
        let packet = loop {
            match Packet::read(&mut self.unread, Some(PACKET_BYTES_MAX)) {
                Ok(packet) => break packet,
                Err(Error::InsufficientBytes(_)) => {}
                Err(error) => bail!("it sent what is no MQTT 5: {error}"),
            }
            if self.stream.read_buf(&mut self.unread).await? == 0 {
                return Err(io::Error::new(ErrorKind::UnexpectedEof, "it closed the connection").into());
            }
        };
        self.heard = Instant::now();
        Ok(packet)
    }

    /// Does what a packet asks of this end of the connection. To be called with each one: [`Connection::next`] only reads, since
    /// whoever stops waiting for it must not leave half a packet written.
    pub(super) async fn mind(&mut self, packet: &Packet) -> anyhow::Result<()> {
        match packet {
            Packet::ConnAck(ack) => {
                ensure!(
                    ack.code == ConnectReturnCode::Success,
                    "it refused the connection: {:?}; check `username` and `password_file`",
                    ack.code
                );
                if let Some(properties) = &ack.properties {
                    self.packet_bytes_max = properties.max_packet_size;
                    if let Some(seconds) = properties.server_keep_alive {
                        self.keep_alive = Duration::from_secs(seconds.max(1).into());
                    }
                }
            }
            Packet::Publish(publish) if publish.qos == QoS::AtLeastOnce => {
                self.write(&Packet::PubAck(PubAck::new(publish.pkid, None)))
                    .await?;
            }
            Packet::PingResp(_) => self.answers += 1,
            Packet::Disconnect(disconnect) => {
                let hint = match disconnect.reason_code {
                    DisconnectReasonCode::SessionTakenOver => {
                        ": another client has the same id; is there a second daemon for this lab?"
                    }
                    _ => "",
                };
                bail!("it ended the connection: {:?}{hint}", disconnect.reason_code);
            }
            _ => {}
        }
        Ok(())
    }

    /// Ends the connection and has the broker publish the will.
    pub(super) async fn disconnect(mut self) {
        let goodbye = async {
            // By hand (MQTT 5.0, 3.14): rumqttc 0.25.1 writes a reason without properties with a byte too many, and with empty
            // properties as reason 0x00.
            self.stream.write_all(&DISCONNECT_WITH_WILL).await?;
            self.stream.shutdown().await?;
            // Closed before the broker has read all, the connection would be reset, and what it has not read be lost.
            while self.stream.read_buf(&mut self.unread).await? > 0 {
                self.unread.clear();
            }
            anyhow::Ok(())
        };
        // A broker that is gone has the will already.
        let _ = timeout(CLOSED_WITHIN, goodbye).await;
    }

    async fn write(&mut self, packet: &Packet) -> anyhow::Result<()> {
        let mut bytes = BytesMut::new();
        packet
            .write(&mut bytes, self.packet_bytes_max)
            .map_err(|error| anyhow::anyhow!("a message can't be sent: {error}"))?;
        let written = async {
            self.stream.write_all(&bytes).await?;
            self.stream.flush().await
        };
        within(written).await?.context("it can't be written to")
    }

    /// Packet ids: any that isn't in use; at most two are, for a moment.
    fn id(&mut self) -> u16 {
        let id = self.next_id;
        self.next_id = self.next_id.checked_add(1).unwrap_or(1);
        id
    }
}

async fn within<T>(future: impl Future<Output = T>) -> anyhow::Result<T> {
    timeout(WRITTEN_WITHIN, future)
        .await
        .with_context(|| format!("it has read nothing for {WRITTEN_WITHIN:?}"))
}

const fn qos(at_least_once: bool) -> QoS {
    if at_least_once {
        QoS::AtLeastOnce
    } else {
        QoS::AtMostOnce
    }
}

/// TLS with the lab's own authority where one is named, else with the certificates of the system.
fn tls(settings: &Mqtt) -> anyhow::Result<Arc<ClientConfig>> {
    let Some(ca_file) = &settings.ca_file else {
        ensure!(
            settings.client.is_none(),
            "a client certificate needs `ca_file`, the authority of the broker"
        );
        return match TlsConfiguration::default() {
            TlsConfiguration::Rustls(config) => Ok(config),
            TlsConfiguration::Simple { .. } => bail!("the certificates of the system can't be read"),
        };
    };
    let mut roots = RootCertStore::empty();
    for certificate in certificates(ca_file, "authority's certificate")? {
        roots
            .add(certificate)
            .with_context(|| format!("{}", ca_file.display()))?;
    }
    let config = ClientConfig::builder().with_root_certificates(roots);
    let config = match &settings.client {
        None => config.with_no_client_auth(),
        Some(client) => {
            let key = secret(&client.key_file, "key file")?;
            let key = PrivateKeyDer::from_pem_slice(&key)
                .with_context(|| format!("the key file {} has no private key", client.key_file.display()))?;
            config.with_client_auth_cert(certificates(&client.certificate_file, "certificate")?, key)?
        }
    };
    Ok(Arc::new(config))
}

/// The certificates in a PEM file: at least one.
fn certificates(file: &Path, what: &str) -> anyhow::Result<Vec<CertificateDer<'static>>> {
    let found: Vec<_> = CertificateDer::pem_slice_iter(&read(file, what)?)
        .collect::<Result<_, _>>()
        .with_context(|| format!("the {what} {} isn't PEM", file.display()))?;
    ensure!(
        !found.is_empty(),
        "the {what} {} has no certificate in it",
        file.display()
    );
    Ok(found)
}
