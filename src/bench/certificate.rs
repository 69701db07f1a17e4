//! The certificate for phones: browsers give a page the camera over an encrypted connection only.
//!
//! No authority can vouch for a computer in a home network, so the bench signs its own certificate,
//! and the phone asks its person once whether to trust it. The certificate is kept for as long as
//! the address stays the same, so that the phone asks again only when it has to.

use std::io;
use std::net::IpAddr;
use std::sync::Arc;

use rcgen::{CertificateParams, DnType, KeyPair};
use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer};
use serde::{Deserialize, Serialize};
use tokio_rustls::TlsAcceptor;

use super::store::Store;

/// How long a certificate is used, days: browsers refuse those that are valid for longer than 398
/// (CA/Browser Forum, Baseline Requirements 6.3.2).
const DAYS: i64 = 390;

/// Name in the store.
const NAME: &str = "https.json";

/// A certificate with its key. The store keeps files that only their owner can read.
#[derive(Serialize, Deserialize)]
struct Kept {
    address: IpAddr,
    /// The last day on which it is used, such as 2027-01-31.
    until: String,
    /// In DER (ITU-T X.690).
    certificate: Vec<u8>,
    /// In PKCS #8 (RFC 5958).
    key: Vec<u8>,
}

/// What encrypts connections to an address of this computer.
///
/// # Errors
/// The certificate can be neither made nor kept.
pub fn acceptor(store: &Store, address: IpAddr) -> io::Result<TlsAcceptor> {
    let today = jiff::Zoned::now().date();
    let kept: Option<Kept> = store.read(NAME);
    let usable = kept.filter(|kept| kept.address == address && kept.until > today.to_string());
    let kept = match usable {
        Some(kept) => kept,
        None => {
            let made = make(address, today).map_err(io::Error::other)?;
            store.write(NAME, &made)?;
            made
        }
    };
    let chain = vec![CertificateDer::from(kept.certificate)];
    let key = PrivateKeyDer::from(PrivatePkcs8KeyDer::from(kept.key));
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(io::Error::other)?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .map_err(io::Error::other)?;
    Ok(TlsAcceptor::from(Arc::new(config)))
}

fn make(address: IpAddr, today: jiff::civil::Date) -> Result<Kept, rcgen::Error> {
    let until = today.saturating_add(jiff::Span::new().days(DAYS));
    let mut asked = CertificateParams::new(vec![address.to_string()])?;
    let name = "hingewise bench on your own computer";
    asked.distinguished_name.push(DnType::CommonName, name);
    // A day of grace on both sides: the clocks of two devices differ.
    let moment = |day: jiff::civil::Date| {
        let (month, day_of_month) = (day.month().unsigned_abs(), day.day().unsigned_abs());
        rcgen::date_time_ymd(day.year().into(), month, day_of_month)
    };
    asked.not_before = moment(today.saturating_sub(jiff::Span::new().days(1)));
    asked.not_after = moment(until.saturating_add(jiff::Span::new().days(1)));
    let key = KeyPair::generate()?;
    let certificate = asked.self_signed(&key)?;
    Ok(Kept {
        address,
        until: until.to_string(),
        certificate: certificate.der().to_vec(),
        key: key.serialize_der(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_kept_until_the_address_changes() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::of(folder.path());
        let bytes = |address: [u8; 4]| {
            acceptor(&store, address.into()).unwrap();
            store.read::<Kept>(NAME).unwrap().certificate
        };
        let first = bytes([192, 168, 1, 7]);
        assert_eq!(bytes([192, 168, 1, 7]), first);
        assert_ne!(bytes([192, 168, 1, 8]), first);
    }

    #[cfg(unix)]
    #[test]
    fn others_cannot_read_the_key() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let store = Store::of(folder.path());
        acceptor(&store, [192, 168, 1, 7].into()).unwrap();
        let mode = std::fs::metadata(store.path(NAME))
            .unwrap()
            .permissions()
            .mode();
        assert_eq!(mode & 0o077, 0, "{mode:o}");
    }
}
