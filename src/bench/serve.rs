//! Serve: sockets, signals, and the limits of connections.

use std::io::{self, Write};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::Service;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{Semaphore, mpsc};
use tokio_rustls::TlsAcceptor;

use super::guard::Peer;
use super::store::Store;
use super::{Bench, router, start_work};
use crate::foreign::is_ignored;

/// The port where none is named: the same at every start, so that a kept address works again.
const USUAL_PORT: u16 = 7465;

/// Connections at once; more wait. A browser opens six.
const MOST_CONNECTIONS: usize = 256;

/// A request whose header has not arrived by then is given up.
const HEADER_TIME: Duration = Duration::from_secs(10);

/// Answers that are still being sent at the end get so long.
const LAST_ANSWERS: Duration = Duration::from_millis(300);

/// Work that is broken off at the end gets so long to remove what it has begun to write.
const LAST_WORK: Duration = Duration::from_millis(1200);

/// What is served, and how.
#[derive(Debug, Clone)]
pub struct Serving {
    /// The folder of model files, profiles, clips and measurements.
    pub folder: PathBuf,
    /// The port asked for.
    pub port: Option<u16>,
    /// Whether the bench opens for phones at once.
    pub lan: bool,
    /// Whether a browser is opened.
    pub open_browser: bool,
}

/// Why nothing can be served.
#[derive(Debug, thiserror::Error, miette::Diagnostic)]
#[non_exhaustive]
pub enum ServeError {
    /// There is no such folder.
    #[error("{} is not a folder that can be read", folder.display())]
    #[diagnostic(help("name the folder that holds your model files, or leave it out"))]
    NoFolder {
        /// The folder.
        folder: PathBuf,
    },
    /// Another bench serves the folder.
    #[error("another bench serves {} already", folder.display())]
    #[diagnostic(help("use the address that it printed, or end it first"))]
    InUse {
        /// The folder.
        folder: PathBuf,
    },
    /// The port is taken.
    #[error("port {port} cannot be used: {cause}")]
    #[diagnostic(help("name another one with --port, or leave it out"))]
    Port {
        /// The port asked for.
        port: u16,
        /// What the system says.
        cause: io::Error,
    },
    /// The system refuses threads or signals.
    #[error("the bench cannot start: {cause}")]
    #[diagnostic(help("close other programs, and try again"))]
    System {
        /// What the system says.
        cause: io::Error,
    },
}

/// Serves until the program is asked to end.
///
/// # Errors
/// The folder or the port cannot be used.
pub fn serve(serving: &Serving) -> Result<(), ServeError> {
    if std::fs::read_dir(&serving.folder).is_err() {
        let folder = serving.folder.clone();
        return Err(ServeError::NoFolder { folder });
    }
    // The bench works inside its folder, as the commands do in the one that they run in, so that
    // both write the same names into a measurement.
    let system = |cause| ServeError::System { cause };
    std::env::set_current_dir(&serving.folder).map_err(system)?;
    // Two benches would take each other's orders.
    let lock = Store::of("".as_ref()).lock().map_err(system)?;
    let Some(_lock) = lock else {
        let folder = serving.folder.clone();
        return Err(ServeError::InUse { folder });
    };
    let listener = listen(serving.port)?;
    listener.set_nonblocking(true).map_err(system)?;
    let port = listener.local_addr().map_err(system)?.port();
    let bench = Bench::open("".as_ref(), port)?;
    start_work(&bench).map_err(system)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .thread_name("bench")
        .enable_all()
        .build()
        .map_err(system)?;
    say_address(&bench.door.address());
    if serving.open_browser {
        open_browser(&bench.door.address());
    }
    if serving.lan {
        let _inside = runtime.enter();
        say_lan(bench.lan.open(&bench));
    }
    let served = runtime.block_on(async {
        tokio::spawn(accept(listener, None, router(bench.clone())));
        asked_to_end().await
    });
    bench.line.end(LAST_WORK);
    runtime.shutdown_timeout(LAST_ANSWERS);
    served.map_err(system)
}

/// The first line of output is the address, so that a program that starts the bench can read it.
fn say_address(address: &str) {
    let mut out = io::stdout().lock();
    let _ = writeln!(out, "{address}");
    let _ = out.flush();
}

/// Says at which address phones are let in; what goes wrong there costs the phones, not the bench.
fn say_lan(opened: io::Result<IpAddr>) {
    let _ = match opened {
        Ok(address) => writeln!(io::stdout(), "open for paired phones at {address}"),
        Err(cause) => writeln!(
            io::stderr(),
            "the bench cannot be opened for phones: {cause}"
        ),
    };
}

/// Opens a browser where the system has one; nothing is lost where it has none.
fn open_browser(address: &str) {
    let opener = if cfg!(target_os = "macos") {
        "open"
    } else {
        "xdg-open"
    };
    let quiet = || std::process::Stdio::null();
    let _ = std::process::Command::new(opener)
        .arg(address)
        .stdin(quiet())
        .stdout(quiet())
        .stderr(quiet())
        .spawn();
}

/// The port asked for, or the usual one, or any that is free.
fn listen(port: Option<u16>) -> Result<TcpListener, ServeError> {
    let bind = |port| TcpListener::bind((Ipv4Addr::LOCALHOST, port));
    let found = match port {
        Some(port) => bind(port),
        None => bind(USUAL_PORT).or_else(|_| bind(0)),
    };
    found.map_err(|cause| ServeError::Port {
        port: port.unwrap_or(USUAL_PORT),
        cause,
    })
}

/// The first byte of an encrypted connection: a handshake record (RFC 8446, 5.1). No method of HTTP
/// begins with it, so one port answers both.
const HANDSHAKE: u8 = 22;

/// Answers whoever connects, for as long as the task runs; encrypted where the other side begins so
/// and there is a certificate.
pub(super) async fn accept(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
) -> io::Result<()> {
    let listener = tokio::net::TcpListener::from_std(listener)?;
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Ok(place) = places.clone().acquire_owned().await else {
            return Ok(());
        };
        let (stream, peer) = match listener.accept().await {
            Ok(connected) => connected,
            // Out of file handles, most often; some come free again.
            Err(_) => {
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            }
        };
        // Small answers are not held back for more.
        let _ = stream.set_nodelay(true);
        let answering = answer_any(stream, peer, tls.clone(), router.clone());
        tokio::spawn(async move {
            answering.await;
            drop(place);
        });
    }
}

async fn answer_any(
    stream: TcpStream,
    address: SocketAddr,
    tls: Option<TlsAcceptor>,
    router: Router,
) {
    let peer = |is_encrypted| Peer {
        address,
        is_encrypted,
    };
    let Some(tls) = tls else {
        return answer(stream, peer(false), router).await;
    };
    let begun = tokio::time::timeout(HEADER_TIME, begins_encrypted(&stream));
    match begun.await {
        Ok(Ok(false)) => answer(stream, peer(false), router).await,
        Ok(Ok(true)) => {
            let shaken = tokio::time::timeout(HEADER_TIME, tls.accept(stream)).await;
            // A browser hangs up here until its person trusts the certificate.
            if let Ok(Ok(stream)) = shaken {
                answer(stream, peer(true), router).await;
            }
        }
        Ok(Err(_)) | Err(_) => {}
    }
}

async fn begins_encrypted(stream: &TcpStream) -> io::Result<bool> {
    let mut first = [0];
    let read = stream.peek(&mut first).await?;
    Ok(read == 1 && first[0] == HANDSHAKE)
}

async fn answer(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    peer: Peer,
    router: Router,
) {
    let inner = TowerToHyperService::new(router);
    let service = hyper::service::service_fn(move |mut request: Request<Incoming>| {
        request.extensions_mut().insert(peer);
        inner.call(request)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_TIME)
        .serve_connection(TokioIo::new(stream), service);
    // Whoever hangs up in the middle has no further interest.
    let _ = connection.await;
}

/// Waits for SIGINT, SIGTERM or SIGHUP; those that the program was started to ignore stay ignored.
async fn asked_to_end() -> io::Result<()> {
    let (sender, mut receiver) = mpsc::channel::<()>(1);
    let kinds = [
        SignalKind::interrupt(),
        SignalKind::terminate(),
        SignalKind::hangup(),
    ];
    let heard = kinds
        .into_iter()
        .filter(|kind| !is_ignored(kind.as_raw_value()));
    for kind in heard {
        let mut arrives = signal(kind)?;
        let sender = sender.clone();
        tokio::spawn(async move {
            arrives.recv().await;
            let _ = sender.send(()).await;
        });
    }
    receiver.recv().await;
    Ok(())
}
