//! The far end as one process: control over HTTPS, the STAMP reflector, TCP sources and sinks.
//!
//! [`Server::start`] binds everything and returns; the tasks run in the current runtime until [`Server::shutdown`]. What may
//! be done is decided by [`super::admission`]; this file joins. It sleeps while nobody comes. Tasks: one per listener, one
//! per reflector, one that ends idle sessions; all owned by the [`Server`].

mod calls;
mod capacity;
mod known;
mod multiplexed;
mod objects;
mod routes;
mod sip;
mod tls;
mod trains;
mod way_back;

use std::collections::BTreeMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::net::TcpListener;
use tokio::sync::Notify;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::admission::{Admission, Limits};
use super::capacity::service::{self, CapacityService};
use super::certificate::Identity;
use super::objects::Held;
use super::reflector::{ReflectorHandle, ReflectorService, SessionTable};
use super::source_sink::{self, RunningLoad, Secrets};
use super::token::{TokenError, Tokens};
use super::view::ViewService;
use super::zone::{Zone, ZoneOptions};
use crate::net::tcp_info::save_syns;
use crate::proto::stamp::reflector::Config;
use crate::wire::stamp::Key;
use capacity::{CapacityDoor, CapacityTests};

pub use capacity::PeerKeys;

/// What a far end is started with.
#[derive(Debug)]
pub struct ServeOptions {
    /// Addresses to listen on.
    pub listen: Vec<IpAddr>,
    /// Port of the control connection; zero lets the system choose (with one address).
    pub control_port: u16,
    /// Port of the data connections; zero as above.
    pub data_port: u16,
    /// Port of the STAMP reflector; zero as above, `None` runs none.
    pub stamp_port: Option<u16>,
    /// First of the two UDP ports of the view, the other is the next; zero lets the system choose both, `None` runs none.
    pub view_port: Option<u16>,
    /// UDP port of the set-up of capacity tests (RFC 9946); zero as above, `None` does none.
    pub capacity_port: Option<u16>,
    /// TCP port of the known answer over plain HTTP; zero as above, `None` gives none.
    pub known_port: Option<u16>,
    /// Port of the known answer over SIP, UDP and TCP; zero as above, `None` gives none.
    pub sip_port: Option<u16>,
    /// Keys of peers that may test capacity without a session: number and key.
    pub capacity_peers: PeerKeys,
    /// Certificate and key.
    pub identity: Identity,
    /// Who may come.
    pub tokens: TokenSource,
    /// Limits.
    pub limits: Limits,
    /// Zone that it is the authority of; `None` runs no DNS service.
    pub zone: Option<ZoneOptions>,
}

/// Where tokens are looked up.
#[derive(Debug)]
pub enum TokenSource {
    /// In this file, read at each request: a token that is taken back is refused at once.
    File(PathBuf),
    /// These.
    Fixed(Tokens),
}

impl TokenSource {
    fn label_of(&self, token: &str) -> Result<Option<String>, TokenError> {
        match self {
            Self::File(path) => Ok(Tokens::read(path)?.label_of(token).map(str::to_owned)),
            Self::Fixed(tokens) => Ok(tokens.label_of(token).map(str::to_owned)),
        }
    }
}

/// Why a far end can't start.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// A port can't be had.
    #[error("cannot listen at {address} for {what}: {source}{}", advice(source, *address))]
    Bind {
        /// Where.
        address: SocketAddr,
        /// For what.
        what: &'static str,
        /// Why.
        source: io::Error,
    },
    /// The zone can't be served.
    #[error("cannot serve the zone {zone} at port {port}: {source}{}", advice(source, SocketAddr::new(IpAddr::from([0; 4]), *port)))]
    Zone {
        /// Which.
        zone: String,
        /// Where.
        port: u16,
        /// Why.
        source: io::Error,
    },
    /// Certificate and key do not fit.
    #[error("the certificate can't be used: {0}")]
    Certificate(#[from] rustls::Error),
}

fn advice(source: &io::Error, address: SocketAddr) -> String {
    match source.kind() {
        io::ErrorKind::PermissionDenied if address.port() < 1024 => {
            "; ports below 1024 need a right: run it with sudo, or choose another port".to_owned()
        }
        io::ErrorKind::AddrInUse => "; another program has that port: end it, or choose another port".to_owned(),
        _ => String::new(),
    }
}

/// A running far end.
#[derive(Debug)]
pub struct Server {
    control: Vec<SocketAddr>,
    fingerprint: [u8; 32],
    cancel: CancellationToken,
    tasks: JoinSet<()>,
    state: Arc<State>,
    _authority: Option<Zone>,
}

/// What the handlers share.
#[derive(Debug)]
pub(super) struct State {
    tokens: TokenSource,
    zone: Option<String>,
    /// Addresses that it was told to listen at, as far as they name one.
    listens_at: Vec<IpAddr>,
    data_port: u16,
    stamp_port: Option<u16>,
    book: Mutex<Admission>,
    sessions: Mutex<BTreeMap<String, OpenSession>>,
    secrets: Secrets,
    stamp: SessionTable,
    views: SessionTable,
    view_ports: Option<[u16; 2]>,
    reflectors: Vec<ReflectorHandle>,
    capacity: CapacityTests,
    capacity_port: Option<u16>,
    known_port: Option<u16>,
    sip_port: Option<u16>,
    capacity_mbit: f64,
    opened: Notify,
    idle: Duration,
}

/// One open session.
#[derive(Debug)]
struct OpenSession {
    source: IpAddr,
    ssid: Option<u16>,
    /// Number at the view.
    viewed: Option<u16>,
    /// Identifier and key of its known answer.
    known: (String, Key),
    loads: BTreeMap<String, Arc<RunningLoad>>,
    trains: BTreeMap<String, trains::RunningTrain>,
    /// Test calls; they end when they are taken out.
    calls: BTreeMap<String, calls::RunningCalls>,
    /// Probes of the way back, the latest.
    probes: Option<way_back::RunningProbes>,
    /// Loads of objects; each ends when it is taken out.
    objects: BTreeMap<String, Held>,
}

impl Server {
    /// Binds the ports and starts the tasks in the current runtime.
    ///
    /// # Errors
    /// Names the port that can't be had, and what to do.
    pub async fn start(options: ServeOptions) -> Result<Self, ServeError> {
        let ServeOptions { listen, control_port, data_port, stamp_port, view_port, identity, tokens, limits, zone, .. } = options;
        let mut set_ups = Vec::new();
        let cancel = CancellationToken::new();
        let mut tasks = JoinSet::new();
        let (stamp, views) = (SessionTable::default(), SessionTable::default());
        let mut view_ports = None;
        let (mut knowns, mut sips) = (Vec::new(), Vec::new());
        let (mut controls, mut datas, mut reflectors, mut stamp_bound) = (Vec::new(), Vec::new(), Vec::new(), None);
        let zone_name = zone.as_ref().map(|zone| zone.name.clone());
        let authority = match zone {
            Some(zone) => {
                let (name, port) = (zone.name.clone(), zone.port);
                let failed = |source| ServeError::Zone { zone: name, port, source };
                Some(Zone::start(&listen, zone).await.map_err(failed)?)
            }
            None => None,
        };
        let listens_at = listen.iter().copied().filter(|address| !address.is_unspecified()).collect();
        for address in listen {
            let (listener, at) = bind(address, control_port, "the control connection")?;
            // Where a kernel can't, the view lacks one figure.
            let _ = save_syns(&listener);
            controls.push((listener, at));
            datas.push(bind(address, data_port, "data connections")?);
            if let Some(port) = options.known_port {
                knowns.push(bind(address, port, "the known answer over plain HTTP")?);
            }
            if let Some(port) = options.sip_port {
                sips.push(sip::bind(address, port)?);
            }
            if let Some(port) = view_port {
                let failed = |source| ServeError::Bind { address: SocketAddr::new(address, port), what: "the view", source };
                let service = ViewService::bind(address, port, views.clone()).map_err(failed)?;
                view_ports = Some(service.ports().map_err(failed)?);
                let cancel = cancel.clone();
                tasks.spawn(async move { service.run(cancel).await });
            }
            if let Some(port) = options.capacity_port {
                let at = SocketAddr::new(address, port);
                let failed = |source| ServeError::Bind { address: at, what: "the set-up of capacity tests", source };
                set_ups.push(service::bind(at).map_err(failed)?);
            }
            let Some(port) = stamp_port else { continue };
            let at = SocketAddr::new(address, port);
            let failed = |source| ServeError::Bind { address: at, what: "the STAMP reflector", source };
            let service = ReflectorService::bind(at, None, stamp.clone(), Config::default()).map_err(failed)?;
            stamp_bound = Some(service.local_addr().map_err(failed)?.port());
            reflectors.push(service.handle());
            let cancel = cancel.clone();
            tasks.spawn(async move {
                service.run(cancel).await;
            });
        }
        let state = Arc::new(State {
            tokens,
            zone: zone_name,
            listens_at,
            data_port: datas.first().map_or(data_port, |(_, at)| at.port()),
            stamp_port: stamp_bound,
            book: Mutex::new(Admission::new(limits)),
            sessions: Mutex::default(),
            secrets: Secrets::default(),
            stamp,
            views,
            view_ports,
            reflectors,
            capacity: CapacityTests::new(options.capacity_peers),
            capacity_port: set_ups.first().and_then(|socket| Some(socket.local_addr().ok()?.port())),
            known_port: knowns.first().map(|(_, at)| at.port()),
            sip_port: sips.first().map(|ports| ports.port),
            capacity_mbit: limits.capacity_mbit,
            opened: Notify::new(),
            idle: limits.idle,
        });
        let tls = Arc::new(identity.server_config()?);
        let mut control = Vec::new();
        for (listener, address) in controls {
            control.push(address);
            tasks.spawn(tls::serve(listener, Arc::clone(&tls), routes::router(Arc::clone(&state)), cancel.clone()));
        }
        for (listener, _) in datas {
            tasks.spawn(source_sink::accept(listener, state.secrets.clone(), cancel.clone()));
        }
        for (listener, _) in knowns {
            tasks.spawn(known::serve(listener, Arc::clone(&state), cancel.clone()));
        }
        for ports in sips {
            tasks.spawn(sip::serve(ports, Arc::clone(&state), cancel.clone()));
        }
        for socket in set_ups {
            let service = CapacityService::new(socket, CapacityDoor(Arc::downgrade(&state)));
            tasks.spawn(service.serve(cancel.clone()));
        }
        tasks.spawn(expire(Arc::clone(&state), cancel.clone()));
        Ok(Self { control, fingerprint: identity.fingerprint(), cancel, tasks, state, _authority: authority })
    }

    /// Where the control connection is answered.
    pub fn control_addresses(&self) -> &[SocketAddr] {
        &self.control
    }

    /// SHA-256 of the certificate.
    pub fn fingerprint(&self) -> [u8; 32] {
        self.fingerprint
    }

    /// Open sessions now.
    pub fn sessions(&self) -> usize {
        self.state.sessions().len()
    }

    /// Ends loads, sessions and tasks, at most `grace`; requests that are being answered are answered first.
    pub async fn shutdown(mut self, grace: Duration) {
        self.cancel.cancel();
        let open: Vec<String> = self.state.sessions().keys().cloned().collect();
        for id in open {
            self.state.close(&id);
        }
        let all = async { while self.tasks.join_next().await.is_some() {} };
        // What is left after the grace is aborted when the set is dropped.
        let _ = tokio::time::timeout(grace, all).await;
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.cancel.cancel();
        for session in self.state.sessions().values() {
            session.loads.values().for_each(|load| load.stop());
        }
    }
}

impl State {
    fn sessions(&self) -> MutexGuard<'_, BTreeMap<String, OpenSession>> {
        self.sessions.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn book(&self) -> MutexGuard<'_, Admission> {
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends a session: its loads stop, the reflector forgets it.
    fn close(&self, id: &str) {
        self.book().close(id);
        let Some(session) = self.sessions().remove(id) else { return };
        session.loads.values().for_each(|load| load.stop());
        if let Some(ssid) = session.ssid {
            self.stamp.end(ssid);
        }
        if let Some(number) = session.viewed {
            self.views.end(number);
        }
        let others = self.sessions().values().any(|other| other.source == session.source);
        if !others {
            self.reflectors.iter().for_each(|reflector| reflector.forget(session.source));
        }
    }
}

/// Ends sessions that were idle too long. Sleeps while there is none.
async fn expire(state: Arc<State>, cancel: CancellationToken) {
    loop {
        let next = state.book().next_expiry();
        let due = async {
            match next {
                Some(at) => tokio::time::sleep_until(at.into()).await,
                None => state.opened.notified().await,
            }
        };
        tokio::select! {
            () = cancel.cancelled() => return,
            () = due => {}
        }
        let ended = state.book().expire(Instant::now());
        for id in ended {
            state.close(&id);
        }
    }
}

fn bind(address: IpAddr, port: u16, what: &'static str) -> Result<(TcpListener, SocketAddr), ServeError> {
    let at = SocketAddr::new(address, port);
    let listen = || -> io::Result<(TcpListener, SocketAddr)> {
        let socket = socket2::Socket::new(socket2::Domain::for_address(at), socket2::Type::STREAM, None)?;
        socket.set_reuse_address(true)?;
        if address.is_ipv6() {
            // A wildcard of each IP version can then be bound beside the other.
            socket.set_only_v6(true)?;
        }
        socket.set_nonblocking(true)?;
        socket.bind(&at.into())?;
        socket.listen(256)?;
        let listener = TcpListener::from_std(socket.into())?;
        let bound = listener.local_addr()?;
        Ok((listener, bound))
    };
    listen().map_err(|source| ServeError::Bind { address: at, what, source })
}
