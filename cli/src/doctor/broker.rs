//! Whether the broker of the configuration is there and lets the lab in.

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::time::Duration;

use benchward_config::Mqtt;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, Packet};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, MqttOptions};
use rumqttc::{TlsConfiguration, Transport};

use super::Finding;

/// How long the broker may take to answer.
const PATIENCE: Duration = Duration::from_secs(5);

/// Bits of a file's mode that let others read it.
const OTHERS_READ: u32 = 0o004;

pub(super) async fn look(mqtt: &Mqtt) -> Vec<Finding> {
    let place = format!("{}:{}", mqtt.broker.host, mqtt.broker.port);
    let mut findings = Vec::new();
    findings.extend(mqtt.password_file.as_deref().and_then(password_file));
    findings.push(match options(mqtt) {
        Ok(options) => connect(options, &place, mqtt.broker.tls).await,
        Err(text) => Finding::wrong(
            "broker",
            text,
            "give the daemon's account and yours read access to it, or mend its path in [mqtt]",
        ),
    });
    findings
}

/// A password that everybody can read.
fn password_file(file: &Path) -> Option<Finding> {
    let mode = file.metadata().ok()?.permissions().mode();
    (mode & OTHERS_READ != 0).then(|| {
        Finding::look(
            "broker",
            format!("everybody can read the password file {}", file.display()),
            format!("`chmod o-r {}`", file.display()),
        )
    })
}

/// As the daemon connects, under another name: a broker ends the older of two clients of one name.
fn options(mqtt: &Mqtt) -> Result<MqttOptions, String> {
    let read = |file: &Path| {
        std::fs::read(file).map_err(|error| format!("{} can't be read: {error}", file.display()))
    };
    let name = format!("benchward-doctor-{}", std::process::id());
    let mut options = MqttOptions::new(name, mqtt.broker.host.clone(), mqtt.broker.port);
    options.set_clean_start(true);
    options.set_connection_timeout(PATIENCE.as_secs());
    if let Some(username) = &mqtt.username {
        let password = match &mqtt.password_file {
            Some(file) => String::from_utf8_lossy(&read(file)?).into_owned(),
            None => String::new(),
        };
        options.set_credentials(username, password.trim_end_matches(['\r', '\n']));
    }
    if mqtt.broker.tls {
        options.set_transport(match &mqtt.ca_file {
            None => Transport::tls_with_default_config(),
            Some(ca_file) => Transport::tls_with_config(TlsConfiguration::Simple {
                ca: read(ca_file)?,
                alpn: None,
                client_auth: match &mqtt.client {
                    Some(client) => Some((read(&client.certificate_file)?, read(&client.key_file)?)),
                    None => None,
                },
            }),
        });
    }
    Ok(options)
}

async fn connect(options: MqttOptions, place: &str, tls: bool) -> Finding {
    let login = options
        .credentials()
        .map_or(", without a login".to_owned(), |login| {
            format!(" as `{}`", login.username)
        });
    let (client, mut events) = AsyncClient::new(options, 8);
    let answer = tokio::time::timeout(PATIENCE, async {
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Packet::ConnAck(_))) => return Ok(()),
                Ok(_) => {}
                Err(error) => return Err(error),
            }
        }
    });
    match answer.await {
        Ok(Ok(())) => {
            // A goodbye, so that the broker doesn't wait for a client that is gone.
            let _ = client.try_disconnect();
            let _ = tokio::time::timeout(PATIENCE, events.poll()).await;
            Finding::ok("broker", format!("{place} lets the lab in{login}"))
        }
        Ok(Err(error)) => refused(place, &login, tls, &error),
        Err(_) => Finding::wrong(
            "broker",
            format!("{place} does not answer within {} s", PATIENCE.as_secs()),
            "is it a broker for MQTT 5, and does a firewall let this machine reach it?",
        ),
    }
}

/// Why not, in words.
fn refused(place: &str, login: &str, tls: bool, error: &ConnectionError) -> Finding {
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => Finding::wrong(
            "broker",
            format!("{place} doesn't accept the login{login}"),
            "mend `username` and `password_file` in [mqtt], or the broker's list of users",
        ),
        ConnectionError::ConnectionRefused(code) => Finding::wrong(
            "broker",
            format!("{place} refuses the connection{login}: {code:?}"),
            "see the broker's log",
        ),
        // Refused connections come as such in every library; what else comes with TLS is mostly about certificates.
        other if tls && !other.to_string().contains("refused") => Finding::wrong(
            "broker",
            format!("{place} and this lab come to no connection: {other}"),
            "in [mqtt] `ca_file` has to hold the authority of the broker's certificate, `certificate_file` and `key_file` the lab's own where \
             the broker wants one, and `broker` the name in its certificate; the daemon's log says which",
        ),
        other => Finding::wrong(
            "broker",
            format!("{place} can't be reached: {other}"),
            "start the broker, or mend `broker` in [mqtt]; the lab runs without it, dashboards don't",
        ),
    }
}
