//! Devices: phones that were paired, each by a code that works once.
//!
//! A code is made on the computer's own page and shown as a picture. The phone sends it back once and
//! gets a cookie of its own. Codes and cookies are gone when the program ends.

use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard};
use std::time::{Duration, Instant};

use axum::http::{HeaderMap, Method, header};

use super::lock::lock;

/// A code that is not used by then no longer works.
const CODE_TIME: Duration = Duration::from_secs(5 * 60);

/// Without a request from a phone for so long the bench closes for phones.
const IDLE_TIME: Duration = Duration::from_secs(2 * 3600);

/// Wrong codes in a row after which the code at hand no longer works: guessing is hopeless anyway.
const MOST_WRONG_CODES: u32 = 10;

/// Most devices at once.
const MOST_DEVICES: usize = 20;

/// Name of the cookie.
const COOKIE: &str = "hingewise";

/// Bytes of a code or a cookie: as many as a key of AES-128 has.
const SECRET_BYTES: usize = 16;

/// A paired device.
#[derive(Debug, Clone, PartialEq)]
pub struct Device {
    /// Its place in the list, for revoking it.
    pub number: u64,
    /// What kind of device it is.
    pub name: String,
    /// From where it came last.
    pub address: IpAddr,
    secret: String,
}

#[derive(Default)]
struct Paired {
    code: Option<(String, Instant)>,
    wrong_codes: u32,
    devices: Vec<Device>,
    last_number: u64,
    last_used: Option<Instant>,
}

/// The paired devices.
#[derive(Default)]
pub struct Devices(Mutex<Paired>);

impl Devices {
    fn lock(&self) -> MutexGuard<'_, Paired> {
        lock(&self.0)
    }

    /// A new code; an earlier one no longer works.
    ///
    /// # Errors
    /// The system gives no random numbers.
    pub fn new_code(&self) -> std::io::Result<String> {
        let code = secret()?;
        let mut paired = self.lock();
        paired.code = Some((code.clone(), Instant::now()));
        paired.wrong_codes = 0;
        paired.last_used = Some(Instant::now());
        Ok(code)
    }

    /// Pairs a device by its code, and hands the value of its cookie on; `None` for a wrong code.
    pub fn pair(&self, code: &str, name: &str, address: IpAddr) -> Option<String> {
        let mut paired = self.lock();
        let (right, made) = paired.code.as_ref()?;
        let is_right = same(right, code) && made.elapsed() < CODE_TIME;
        if !is_right {
            paired.wrong_codes += 1;
            if paired.wrong_codes >= MOST_WRONG_CODES {
                paired.code = None;
            }
            return None;
        }
        let secret = secret().ok()?;
        paired.code = None;
        paired.last_number += 1;
        let device = Device {
            number: paired.last_number,
            name: name.to_owned(),
            address,
            secret: secret.clone(),
        };
        paired.devices.push(device);
        if paired.devices.len() > MOST_DEVICES {
            paired.devices.remove(0);
        }
        paired.last_used = Some(Instant::now());
        Some(secret)
    }

    /// Whether a request comes from a paired device.
    pub fn knows(&self, headers: &HeaderMap, address: IpAddr) -> bool {
        let Some(secret) = cookie(headers) else {
            return false;
        };
        let mut paired = self.lock();
        let device = (paired.devices.iter_mut()).find(|device| same(&device.secret, secret));
        let Some(device) = device else {
            return false;
        };
        device.address = address;
        paired.last_used = Some(Instant::now());
        true
    }

    /// The code that works at present.
    pub fn code(&self) -> Option<String> {
        let paired = self.lock();
        let (code, made) = paired.code.as_ref()?;
        (made.elapsed() < CODE_TIME).then(|| code.clone())
    }

    /// Begins the idle hours.
    pub fn begin(&self) {
        self.lock().last_used = Some(Instant::now());
    }

    /// All paired devices.
    pub fn list(&self) -> Vec<Device> {
        self.lock().devices.clone()
    }

    /// Forgets one device.
    pub fn revoke(&self, number: u64) {
        self.lock().devices.retain(|device| device.number != number);
    }

    /// Forgets all devices and the code.
    pub fn forget_all(&self) {
        *self.lock() = Paired::default();
    }

    /// Whether no phone has asked for anything for two hours.
    pub fn is_idle(&self) -> bool {
        let used = self.lock().last_used;
        used.is_none_or(|used| used.elapsed() > IDLE_TIME)
    }
}

/// The header that gives a device its cookie.
pub fn set_cookie(secret: &str) -> String {
    format!("{COOKIE}={secret}; HttpOnly; SameSite=Strict; Path=/")
}

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let cookies = headers.get_all(header::COOKIE).into_iter();
    let mut pairs = cookies
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='));
    pairs
        .find(|(name, _)| *name == COOKIE)
        .map(|(_, value)| value)
}

/// What a paired device may ask for: to read, to send clips, to measure them, to
/// film live, to tick numbers off.
pub fn may(method: &Method, path: &str) -> bool {
    if path.starts_with("/phone") || path.starts_with("/api/phone") {
        return false;
    }
    if [Method::GET, Method::HEAD].contains(method) {
        return true;
    }
    let parts: Vec<&str> = path.trim_matches('/').split('/').collect();
    matches!(
        parts[..],
        ["api", "clips", ..]
            | ["api", "measurements"]
            | ["api", "live" | "guidance", ..]
            | ["cautions"]
            | ["aircraft", _, "upload" | "film" | "live"]
            | ["measurements", _, "numbers"]
            | ["camera", "upload" | "live"]
    )
}

/// Compares in a time that does not depend on where they differ.
fn same(a: &str, b: &str) -> bool {
    let differing = a
        .bytes()
        .zip(b.bytes())
        .fold(0, |all, (a, b)| all | (a ^ b));
    a.len() == b.len() && differing == 0
}

/// Hexadecimal digits drawn by lot.
///
/// # Errors
/// The system gives no random numbers.
pub fn secret() -> std::io::Result<String> {
    use std::io::Read;
    let mut bytes = [0; SECRET_BYTES];
    std::fs::File::open("/dev/urandom")?.read_exact(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    const PHONE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 168, 1, 7));

    fn with_cookie(secret: &str) -> HeaderMap {
        let mut headers = HeaderMap::new();
        let value = format!("a=b; {COOKIE}={secret}");
        headers.insert(header::COOKIE, value.parse().unwrap());
        headers
    }

    #[test]
    fn a_code_pairs_one_device_once() {
        let devices = Devices::default();
        assert_eq!(devices.pair("", "phone", PHONE), None);
        let code = devices.new_code().unwrap();
        assert_eq!(devices.pair("wrong", "phone", PHONE), None);
        let secret = devices.pair(&code, "phone", PHONE).unwrap();
        assert_eq!(devices.pair(&code, "another", PHONE), None);
        assert!(devices.knows(&with_cookie(&secret), PHONE));
        assert!(!devices.knows(&with_cookie(&code), PHONE));
        assert!(!devices.knows(&HeaderMap::new(), PHONE));
        devices.revoke(devices.list()[0].number);
        assert!(!devices.knows(&with_cookie(&secret), PHONE));
    }

    #[test]
    fn guessing_ends_the_code() {
        let devices = Devices::default();
        let code = devices.new_code().unwrap();
        for _ in 0..MOST_WRONG_CODES {
            assert_eq!(devices.pair("0", "phone", PHONE), None);
        }
        assert_eq!(devices.pair(&code, "phone", PHONE), None);
    }

    #[test]
    fn a_paired_device_reads_films_and_changes_nothing_else() {
        for path in [
            "/api/clips",
            "/api/clips/f0",
            "/api/measurements",
            "/aircraft/a0/upload",
            "/measurements/m0/numbers",
            "/aircraft/a0/live",
            "/api/live/l0/frames",
            "/api/guidance/g0/frames",
        ] {
            assert!(may(&Method::POST, path), "{path}");
        }
        for path in [
            "/aircraft/new",
            "/aircraft/a0/edit",
            "/aircraft/a0/text",
            "/aircraft/a0/print",
            "/camera/new",
            "/camera/c0",
            "/measurements/m0",
            "/measurements/m0/entered",
            "/api/measurements/m0/resume",
            "/api/phone/revoke",
            "/phone",
        ] {
            assert!(!may(&Method::POST, path), "{path}");
        }
        assert!(!may(&Method::GET, "/phone"));
        assert!(!may(&Method::DELETE, "/api/measurements/m0"));
        assert!(may(&Method::GET, "/aircraft/a0"));
    }
}
