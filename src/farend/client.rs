//! The agent's side of the control connection.
//!
//! Opens a session over HTTPS with the far end's certificate pinned, bound to the port under test. It must not know what is
//! measured. The hard thing is to say *why* there is no session: each [`ClientError`] is one cause with its own next step.

mod calls;
mod loads;
pub mod objects;
mod pin;
mod way_back;

use std::io::{self, ErrorKind};
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::api::{KnownGrant, OLDEST_PROTOCOL, PROTOCOL, Refusal, RefusalCode, Secret, SessionGrant, SessionRequest};
use crate::net::bound;
use crate::net::tcp_info::tcp_info;
use crate::wire::stamp::Key;
use pin::Pin;

/// Time for connecting: three SYNs of RFC 6298 (0, 1, 3 s) fit, so that one lost packet does not decide.
const CONNECT_WAIT: Duration = Duration::from_secs(5);
/// Time for one answer. The longest is that of a finished load, whose streams may take 4 s to end.
const ANSWER_WAIT: Duration = Duration::from_secs(8);

/// An idle control connection is closed after this, before the far end does it.
const POOL_WAIT: Duration = Duration::from_secs(15);

/// Where the far end is and how to be let in.
#[derive(Clone)]
pub struct FarEndTarget {
    /// Host name or address.
    pub host: String,
    /// Control port (HTTPS).
    pub port: u16,
    /// Token that the far end's host handed out. Never in a record or log.
    pub token: String,
    /// SHA-256 of the far end's certificate, 32 octets.
    pub fingerprint: [u8; 32],
    /// Zone that the far end is the authority of, if it offers one.
    pub zone: Option<String>,
}

impl std::fmt::Debug for FarEndTarget {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("FarEndTarget").field("host", &self.host).field("port", &self.port).finish_non_exhaustive()
    }
}

/// Why the far end can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// The name has no address.
    #[error("the far end's name {host} was not resolved: {why}")]
    NotResolved {
        /// The name.
        host: String,
        /// What the resolver said.
        why: String,
    },
    /// The host answers, but nothing listens.
    #[error("the far end's host {0} refuses the connection: its service is not running, or a firewall rejects it")]
    Refused(SocketAddr),
    /// Nothing answers.
    #[error("the far end at {0} does not answer within {wait} s", wait = CONNECT_WAIT.as_secs())]
    Silent(SocketAddr),
    /// The network says that it can't be reached.
    #[error("the far end at {address} can't be reached: {source}")]
    Unreachable {
        /// Where.
        address: SocketAddr,
        /// What the kernel said.
        source: io::Error,
    },
    /// Another certificate than the pinned one.
    #[error(
        "the certificate at {address} is not the invited far end's (its fingerprint is {found}, not {wanted}): ask its host for a \
         new invitation, or look for what intercepts the connection"
    )]
    Fingerprint {
        /// Where.
        address: SocketAddr,
        /// What was shown.
        found: String,
        /// What was pinned.
        wanted: String,
    },
    /// The token was refused.
    #[error("the far end refuses the token ({0}): ask its host for a new invitation")]
    Token(String),
    /// All sessions are taken.
    #[error("the far end is full ({0}): try again in some minutes")]
    Full(String),
    /// Another load runs.
    #[error("the far end is busy: {message}{}", retry_after_s.map(|s| format!("; free in {s} s at the latest")).unwrap_or_default())]
    Busy {
        /// In words.
        message: String,
        /// When to try again.
        retry_after_s: Option<u64>,
    },
    /// No protocol that both speak.
    #[error("{0}")]
    Protocol(String),
    /// The session has ended at the far end.
    #[error("the far end has ended the session: {0}")]
    Ended(String),
    /// Nothing listens any more where a session was open.
    #[error("the far end's host refuses connections that it took before: its service has ended")]
    Gone,
    /// TLS or HTTP went wrong otherwise.
    #[error("the connection to the far end broke: {0}")]
    Broken(String),
}

impl ClientError {
    /// Stable name for isolation.
    pub fn code(&self) -> &'static str {
        match self {
            Self::NotResolved { .. } => "farend-unresolved",
            Self::Refused(_) => "farend-refused",
            Self::Silent(_) => "farend-silent",
            Self::Unreachable { .. } => "farend-unreachable",
            Self::Fingerprint { .. } => "farend-fingerprint-mismatch",
            Self::Token(_) => "farend-token-refused",
            Self::Full(_) => "farend-full",
            Self::Busy { .. } => "farend-busy",
            Self::Protocol(_) => "farend-version",
            Self::Ended(_) => "farend-session-ended",
            Self::Gone => "farend-gone",
            Self::Broken(_) => "farend-broken",
        }
    }
}

/// An open session with the far end.
#[derive(Debug)]
pub struct Session {
    /// Address that the control connection reached.
    pub address: IpAddr,
    /// The reflector for two-way measurement, if the far end runs one.
    pub stamp: Option<StampOffer>,
    /// The view of this agent's addresses, if the far end offers one.
    pub view: Option<ViewOffer>,
    /// Whether it does capacity tests.
    pub capacity: bool,
    /// Whether the far end sends and receives trains of packets.
    pub trains: bool,
    /// Whether the far end probes the way back.
    pub way_back: bool,
    /// Whether the far end takes part in test calls.
    pub calls: bool,
    /// Whether it has large and small objects, and a page, over HTTP/2.
    pub objects: bool,
    /// The known answer over plain HTTP, if it gives one.
    pub known: Option<KnownOffer>,
    /// The known answer over SIP, if it gives one.
    pub sip: Option<KnownOffer>,
    /// Maximum segment size that this agent's SYN asked for.
    pub segment_size_sent: Option<u16>,
    /// The same as it arrived at the far end, where that could be seen.
    pub segment_size_seen: Option<u16>,
    /// Where data connections go.
    pub data_address: SocketAddr,
    /// This agent's address as the far end sees it.
    pub seen_as: IpAddr,
    /// Other addresses that the far end says it listens at.
    pub also_at: Vec<IpAddr>,
    /// Version of the far end's program.
    pub version: String,
    /// What opening it took.
    pub timing: Timing,
    http: reqwest::Client,
    pin: Arc<Pin>,
    device: String,
    control: SocketAddr,
    base: String,
    token: String,
    id: Secret,
}

/// Times of opening a session.
#[derive(Debug, Clone, Copy)]
pub struct Timing {
    /// TCP connection set-up.
    pub connect: Duration,
    /// TLS and the first answer, with a connection of its own.
    pub hello: Duration,
}

/// What an agent needs to ask the far end where its packets come from.
#[derive(Debug, Clone)]
pub struct ViewOffer {
    /// The two UDP ports at the session's address.
    pub ports: [SocketAddr; 2],
    /// Number of the session in requests.
    pub session: u16,
    /// Key that signs requests and answers.
    pub key: Key,
}

/// What an agent needs to ask for a known answer.
#[derive(Debug, Clone)]
pub struct KnownOffer {
    /// Where, over plain HTTP or over SIP.
    pub at: SocketAddr,
    /// Names the session there.
    pub id: String,
    /// Key that signs answers.
    pub key: Key,
}

/// What an agent needs to use the far end's STAMP reflector.
#[derive(Debug, Clone)]
pub struct StampOffer {
    /// UDP port at the session's address.
    pub port: u16,
    /// Session identifier (RFC 8972 section 3); zero for none.
    pub ssid: u16,
    /// Key of authenticated packets; with one, they are used.
    pub key: Option<Key>,
}

impl Session {
    /// Opens a session with the far end at an address, over the named interface.
    ///
    /// # Errors
    /// The cause, one of [`ClientError`].
    pub async fn open(target: &FarEndTarget, address: IpAddr, device: &str) -> Result<Self, ClientError> {
        let at = SocketAddr::new(address, target.port);
        let (connect, segment_size_sent) = connect(at, device).await?;
        let pin = Arc::new(Pin::new(target.fingerprint));
        let http = http_client(&pin, device)?;
        let base = format!("https://{at}/v1/sessions");
        let started = Instant::now();
        let request = SessionRequest { protocol: PROTOCOL, oldest: OLDEST_PROTOCOL };
        let grant: Result<SessionGrant, ClientError> = call(http.post(&base).json(&request), &target.token).await;
        // TLS tells the refused certificate as one of many handshake errors; the pin knows what it saw.
        let grant = match (grant, pin.refused()) {
            (Err(_), Some(found)) => {
                let wanted = super::invitation::format_fingerprint(&target.fingerprint);
                return Err(ClientError::Fingerprint { address: at, found, wanted });
            }
            (grant, _) => grant?,
        };
        let timing = Timing { connect, hello: started.elapsed() };
        let stamp = grant.stamp.map(|stamp| StampOffer {
            port: stamp.port,
            ssid: stamp.ssid,
            key: stamp.key.octets().map(|octets| Key::new(&octets)),
        });
        let view = grant.view.and_then(|view| {
            let ports = view.ports.map(|port| SocketAddr::new(address, port));
            Some(ViewOffer { ports, session: view.session, key: Key::new(&view.key.octets()?) })
        });
        let offer = |known: KnownGrant| {
            Some(KnownOffer { at: SocketAddr::new(address, known.port), id: known.id, key: Key::new(&known.key.octets()?) })
        };
        let (known, sip) = (grant.known.and_then(offer), grant.sip.and_then(offer));
        Ok(Self {
            address,
            stamp,
            view,
            capacity: grant.capacity,
            trains: grant.trains,
            way_back: grant.way_back,
            calls: grant.calls,
            objects: grant.objects,
            known,
            sip,
            segment_size_sent,
            segment_size_seen: grant.segment_size,
            data_address: SocketAddr::new(address, grant.data_port),
            seen_as: grant.seen_as,
            also_at: grant.also_at,
            version: grant.version,
            timing,
            http,
            pin,
            device: device.to_owned(),
            control: at,
            base,
            token: target.token.clone(),
            id: grant.session,
        })
    }

    /// Ends the session; the far end frees what it kept for it.
    ///
    /// # Errors
    /// When the far end does not answer; it then ends the session by itself.
    pub async fn close(&self) -> Result<(), ClientError> {
        call(self.http.delete(format!("{}/{}", self.base, self.id.expose())), &self.token).await
    }

    async fn post<T: DeserializeOwned>(&self, path: &str, body: &impl Serialize) -> Result<T, ClientError> {
        call(self.http.post(format!("{}{path}", self.base)).json(body), &self.token).await
    }
}

/// The far end's addresses, as typed or as the system's resolver says, IPv4 first.
///
/// # Errors
/// [`ClientError::NotResolved`].
pub async fn resolve(target: &FarEndTarget) -> Result<Vec<IpAddr>, ClientError> {
    if let Ok(address) = target.host.parse() {
        return Ok(vec![address]);
    }
    let failed = |why: String| ClientError::NotResolved { host: target.host.clone(), why };
    let lookup = tokio::net::lookup_host((target.host.as_str(), target.port));
    let found = tokio::time::timeout(CONNECT_WAIT, lookup).await.map_err(|_| failed("no answer in time".to_owned()))?;
    let mut addresses: Vec<IpAddr> = found.map_err(|error| failed(error.to_string()))?.map(|at| at.ip()).collect();
    addresses.sort();
    addresses.dedup();
    if addresses.is_empty() { Err(failed("it has no address".to_owned())) } else { Ok(addresses) }
}

/// Times a TCP connection, and tells the ways in which there is none apart. With it comes the segment size that was asked for.
async fn connect(to: SocketAddr, device: &str) -> Result<(Duration, Option<u16>), ClientError> {
    let unreachable = |source| ClientError::Unreachable { address: to, source };
    let started = Instant::now();
    match tokio::time::timeout(CONNECT_WAIT, bound::connect(to, device)).await {
        Ok(Ok(stream)) => {
            let took = started.elapsed();
            let size = tcp_info(&stream).ok().and_then(|info| u16::try_from(info.advertised_segment).ok());
            Ok((took, size))
        }
        Ok(Err(error)) if error.kind() == ErrorKind::ConnectionRefused => Err(ClientError::Refused(to)),
        Ok(Err(error)) if error.kind() == ErrorKind::TimedOut => Err(ClientError::Silent(to)),
        Ok(Err(error)) => Err(unreachable(error)),
        Err(_) => Err(ClientError::Silent(to)),
    }
}

fn http_client(pin: &Arc<Pin>, device: &str) -> Result<reqwest::Client, ClientError> {
    let broken = |error: String| ClientError::Broken(error);
    let tls = pin.client_config().map_err(|error| broken(error.to_string()))?;
    reqwest::Client::builder()
        .tls_backend_preconfigured(tls)
        .no_proxy()
        .interface(device)
        .connect_timeout(CONNECT_WAIT)
        .pool_idle_timeout(POOL_WAIT)
        .timeout(ANSWER_WAIT)
        .build()
        .map_err(|error| broken(causes(&error)))
}

/// Sends a request and reads the answer as JSON, or the refusal.
async fn call<T: DeserializeOwned>(request: reqwest::RequestBuilder, token: &str) -> Result<T, ClientError> {
    let body = answer(request, token).await?;
    serde_json::from_slice(&body).map_err(|_| ClientError::Broken("the answer is not that of a far end".to_owned()))
}

/// Sends a request and reads the octets of the answer, or the refusal.
async fn answer(request: reqwest::RequestBuilder, token: &str) -> Result<Vec<u8>, ClientError> {
    let broken = |error: reqwest::Error| {
        if is_refusal(&error) { ClientError::Gone } else { ClientError::Broken(causes(&error.without_url())) }
    };
    let answer = request.bearer_auth(token).send().await.map_err(broken)?;
    let status = answer.status();
    let body = answer.bytes().await.map_err(broken)?;
    if status.is_success() {
        return Ok(body.to_vec());
    }
    let Ok(Refusal { code, message, retry_after_s }) = serde_json::from_slice(&body) else {
        return Err(ClientError::Broken(format!("the answer is not that of a far end (HTTP status {status})")));
    };
    Err(match code {
        RefusalCode::Token => ClientError::Token(message),
        RefusalCode::Protocol => ClientError::Protocol(message),
        RefusalCode::Full => ClientError::Full(message),
        RefusalCode::Busy => ClientError::Busy { message, retry_after_s },
        RefusalCode::Unknown => ClientError::Ended(message),
        RefusalCode::Request | RefusalCode::Other => ClientError::Broken(message),
    })
}

/// Whether the host refused the connection, somewhere among the causes.
fn is_refusal(error: &(dyn std::error::Error + 'static)) -> bool {
    let mut causes = std::iter::successors(Some(error), |e| e.source());
    causes.any(|e| e.downcast_ref::<io::Error>().is_some_and(|e| e.kind() == ErrorKind::ConnectionRefused))
}

/// An error with its causes; the library's own text leaves them out.
pub(crate) fn causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(next) = cause {
        text = format!("{text}: {next}");
        cause = next.source();
    }
    text
}
