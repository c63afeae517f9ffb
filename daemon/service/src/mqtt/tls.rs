//! Why a broker and a lab don't trust each other, in words that say what to do.

use std::error::Error;
use std::io::{self, ErrorKind};

use benchward_config::Mqtt;
use rustls::{AlertDescription, CertificateError};

/// An error of a connection that the broker had not admitted yet, with what to do about it where TLS is why.
pub(crate) fn explained(error: anyhow::Error, settings: &Mqtt) -> anyhow::Error {
    if !settings.broker.tls {
        return error;
    }
    match hint(&error, settings.client.is_some()) {
        Some(hint) => {
            // Libraries wrap such an error in itself: its outside and its root say all.
            let (outside, root) = (error.to_string(), error.root_cause().to_string());
            if outside == root {
                anyhow::anyhow!("{hint} ({root})")
            } else {
                anyhow::anyhow!("{outside}: {hint} ({root})")
            }
        }
        None => error,
    }
}

/// What to do. `certified`: the lab has a certificate of its own.
fn hint(error: &anyhow::Error, certified: bool) -> Option<&'static str> {
    let theirs = "the broker doesn't take the certificate in `certificate_file`: it has to come from an authority that the broker \
                  knows, to be for clients, and in its time";
    let none = "the broker wants a certificate of the lab: set `certificate_file` and `key_file`, or turn off its `require_certificate`";
    let refused = if certified { theirs } else { none };
    match error.chain().find_map(of_rustls) {
        Some(rustls::Error::InvalidCertificate(why)) => Some(match why {
            CertificateError::UnknownIssuer | CertificateError::BadSignature => {
                "the broker's certificate doesn't come from the authority in `ca_file`; is it the right broker?"
            }
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
                "the broker's certificate is for another name than the one in `broker`"
            }
            CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
                "the broker's certificate is past its time: renew it, and look at this host's clock"
            }
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                "the broker's certificate is for a later time: look at this host's clock"
            }
            _ => "the broker's certificate can't be trusted",
        }),
        Some(rustls::Error::AlertReceived(AlertDescription::CertificateRequired)) => Some(none),
        Some(rustls::Error::AlertReceived(_)) => Some(refused),
        Some(_) => None,
        // rumqttc hands on the words of an alert that comes after the handshake, and not the error itself.
        None if says(error, "received fatal alert: CertificateRequired") => Some(none),
        None if says(error, "received fatal alert") => Some(refused),
        // Brokers close the connection behind their alert, and what is sent meanwhile has the kernel throw the alert away.
        None => {
            let closed = error
                .chain()
                .filter_map(|cause| cause.downcast_ref::<io::Error>())
                .any(|cause| {
                    matches!(
                        cause.kind(),
                        ErrorKind::ConnectionReset
                            | ErrorKind::BrokenPipe
                            | ErrorKind::ConnectionAborted
                            | ErrorKind::UnexpectedEof
                    )
                });
            closed.then_some(if certified {
                "the broker ended it before it let the lab in; if that is for the certificate in `certificate_file`, it has to come from \
                 an authority that the broker knows, to be for clients, and in its time"
            } else {
                "the broker ended it before it let the lab in; if it wants a certificate of the lab, set `certificate_file` and `key_file`"
            })
        }
    }
}

fn says(error: &anyhow::Error, words: &str) -> bool {
    error.chain().any(|cause| cause.to_string().contains(words))
}

/// The error of the TLS library in another, which an error of the operating system's kind may hide.
fn of_rustls<'e>(error: &'e (dyn Error + 'static)) -> Option<&'e rustls::Error> {
    error.downcast_ref::<rustls::Error>().or_else(|| {
        let inside = error.downcast_ref::<io::Error>()?.get_ref()?;
        of_rustls(inside)
    })
}

#[cfg(test)]
mod tests {
    use anyhow::Context as _;

    use super::*;

    fn said(error: rustls::Error, certified: bool) -> String {
        // As the libraries hand it up: in an error of the operating system's kind, with words around it.
        let wrapped =
            Err::<(), _>(io::Error::new(ErrorKind::InvalidData, error)).context("connection to the broker");
        hint(&wrapped.unwrap_err(), certified)
            .unwrap_or_default()
            .to_owned()
    }

    #[test]
    fn each_reason_says_which_file_to_look_at() {
        use AlertDescription::{BadCertificate, CertificateRequired, UnknownCA};
        let alert = rustls::Error::AlertReceived;
        let theirs = |why| rustls::Error::InvalidCertificate(why);
        for (error, certified, part) in [
            (
                alert(CertificateRequired),
                false,
                "set `certificate_file` and `key_file`",
            ),
            (
                alert(UnknownCA),
                true,
                "doesn't take the certificate in `certificate_file`",
            ),
            (
                alert(BadCertificate),
                true,
                "doesn't take the certificate in `certificate_file`",
            ),
            (
                theirs(CertificateError::UnknownIssuer),
                true,
                "authority in `ca_file`",
            ),
            (theirs(CertificateError::NotValidForName), true, "another name"),
            (theirs(CertificateError::Expired), false, "past its time"),
        ] {
            let said = said(error, certified);
            assert!(said.contains(part), "{part}: {said}");
        }
        let hidden = anyhow::anyhow!("state: IO: received fatal alert: CertificateRequired");
        assert!(hint(&hidden, false).is_some_and(|said| said.contains("set `certificate_file`")));
        let hidden = anyhow::anyhow!("state: IO: received fatal alert: UnknownCA");
        assert!(hint(&hidden, true).is_some_and(|said| said.contains("doesn't take the certificate")));
        let cut: anyhow::Error = io::Error::from(ErrorKind::ConnectionReset).into();
        assert!(hint(&cut, false).is_some_and(|said| said.contains("`certificate_file`")));
        let full: anyhow::Error = io::Error::from(ErrorKind::StorageFull).into();
        assert_eq!(hint(&full, false), None);
    }
}
