//! Who signs certificates.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;

use rcgen::{BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair};

use crate::place::Place;

/// What a certificate is for.
#[derive(Debug, Clone, Copy)]
pub enum For {
    /// Who is connected to, by the name `localhost`.
    Servers,
    /// Who connects.
    Clients,
}

/// An authority with a key of its own.
#[derive(Debug)]
pub struct Authority(Issuer<'static, KeyPair>);

impl Authority {
    /// A new one; its own certificate is in `NAME.pem`.
    ///
    /// # Panics
    /// If that can't be made.
    pub fn new(place: &Place, name: &str) -> Self {
        let key = KeyPair::generate().expect("a key");
        let mut params = CertificateParams::new(Vec::<String>::new()).expect("no names");
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.distinguished_name.push(DnType::CommonName, name);
        let certificate = params.self_signed(&key).expect("a certificate");
        fs::write(place.path(&format!("{name}.pem")), certificate.pem()).expect("ours");
        Self(Issuer::new(params, key))
    }

    /// Signs a certificate for `name`: `NAME.pem`, and its key in `NAME.key`, which its owner alone may read.
    ///
    /// # Panics
    /// If that can't be made.
    pub fn sign(&self, place: &Place, name: &str, purpose: For) {
        let key = KeyPair::generate().expect("a key");
        let mut params = CertificateParams::new(vec!["localhost".to_owned()]).expect("a name");
        params.distinguished_name.push(DnType::CommonName, name);
        params.extended_key_usages.push(match purpose {
            For::Servers => ExtendedKeyUsagePurpose::ServerAuth,
            For::Clients => ExtendedKeyUsagePurpose::ClientAuth,
        });
        let certificate = params.signed_by(&key, &self.0).expect("a certificate");
        fs::write(place.path(&format!("{name}.pem")), certificate.pem()).expect("ours");
        let file = place.path(&format!("{name}.key"));
        fs::write(&file, key.serialize_pem()).expect("ours");
        fs::set_permissions(&file, fs::Permissions::from_mode(0o600)).expect("ours");
    }
}
