//! The way in for phones: a second listener at this computer's address in its network, closed unless
//! it was asked for, and closed again when no phone has used it for two hours.

use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener, UdpSocket};
use std::sync::{Mutex, MutexGuard};
use std::time::Duration;

use tokio::task::AbortHandle;

use super::lock::lock;
use super::{Shared, certificate, router, serve};

/// How often it is looked whether phones still use it.
const LOOK_EVERY: Duration = Duration::from_secs(60);

/// An address set aside for documentation (RFC 5737): nothing is ever sent to it.
const ELSEWHERE: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::new(192, 0, 2, 1)), 9);

struct Open {
    address: IpAddr,
    tasks: [AbortHandle; 2],
}

/// The way in for phones.
#[derive(Default)]
pub struct Lan(Mutex<Option<Open>>);

impl Lan {
    fn lock(&self) -> MutexGuard<'_, Option<Open>> {
        lock(&self.0)
    }

    /// Where phones are let in, if they are.
    pub fn address(&self) -> Option<IpAddr> {
        self.lock().as_ref().map(|open| open.address)
    }

    /// Lets phones in, at the port of the bench. Has to be called inside the runtime.
    ///
    /// # Errors
    /// This computer is in no network, or the port is taken there.
    pub fn open(&self, bench: &Shared) -> io::Result<IpAddr> {
        if let Some(address) = self.address() {
            return Ok(address);
        }
        let address = own_address()?;
        let listener = TcpListener::bind((address, bench.door.port()))?;
        listener.set_nonblocking(true)?;
        let tls = certificate::acceptor(&bench.store, address)?;
        bench.devices.begin();
        let accepting = serve::accept(listener, Some(tls), router(bench.clone()));
        let accepting = tokio::spawn(accepting);
        let shared = bench.clone();
        let watching = tokio::spawn(async move {
            while !shared.devices.is_idle() {
                tokio::time::sleep(LOOK_EVERY).await;
            }
            shared.lan.close(&shared);
        });
        *self.lock() = Some(Open {
            address,
            tasks: [accepting.abort_handle(), watching.abort_handle()],
        });
        Ok(address)
    }

    /// Lets no phone in any more, and forgets those that were paired.
    pub fn close(&self, bench: &Shared) {
        bench.devices.forget_all();
        if let Some(open) = self.lock().take() {
            open.tasks.iter().for_each(AbortHandle::abort);
        }
    }
}

/// The address from which this computer reaches others.
fn own_address() -> io::Result<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0))?;
    // This only chooses the way; no packet leaves.
    socket.connect(ELSEWHERE)?;
    let address = socket.local_addr()?.ip();
    match address.is_loopback() || address.is_unspecified() {
        true => Err(io::Error::other(
            "this computer is not connected to a network",
        )),
        false => Ok(address),
    }
}
