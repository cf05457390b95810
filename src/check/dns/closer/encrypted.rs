//! DNS over TLS (RFC 7858) and over HTTPS (RFC 8484) at one resolver: whether it is there, and its times apart.
//!
//! Opportunistic (RFC 7858 section 4.1): nobody vouches for the resolver's name, so its certificate is not held against one,
//! and nothing confidential is asked. Absence is a fact, no flaw.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use http_body_util::{BodyExt, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http2;
use hyper::header::{ACCEPT, CONTENT_TYPE};
use hyper::{Method, Request};
use hyper_util::rt::{TokioExecutor, TokioIo};
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::{ClientConfig, DigitallySignedStruct, Error, SignatureScheme};
use rustls_pki_types::{CertificateDer, ServerName, UnixTime};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

use super::super::exchange::over_stream;
use crate::net::bound;
use crate::wire::dns::{self, Reply};

/// Port of DNS over TLS (RFC 7858 section 3.1) and of HTTPS.
const TLS_PORT: u16 = 853;
const HTTPS_PORT: u16 = 443;
/// Path where nobody says another (RFC 8484 section 4.1.1 has it as an example; common practice).
pub(super) const USUAL_PATH: &str = "/dns-query";
/// For each of connecting, shaking hands and asking.
const STEP: Duration = Duration::from_millis(1500);
/// Octets of an answer that are read at most: a DNS message.
const MOST: usize = 65_535;

/// Times of one lookup.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::check::dns) struct Times {
    /// The connection of TCP.
    pub(in crate::check::dns) connect: Duration,
    /// The handshake of TLS.
    pub(in crate::check::dns) handshake: Duration,
    /// Query to answer; over HTTPS with the settings of HTTP/2.
    pub(in crate::check::dns) lookup: Duration,
    /// Version of TLS, as the library names it.
    pub(in crate::check::dns) version: String,
    /// The answer.
    pub(in crate::check::dns) reply: Reply,
}

/// How far it came before it failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::check::dns) enum Absent {
    /// Nobody takes the connection: the service is not offered, or kept away.
    Connection(String),
    /// A connection, and no TLS.
    Tls(String),
    /// TLS, and no answer.
    Answer(String),
}

impl Absent {
    /// The step and why, in words.
    pub(in crate::check::dns) fn words(&self) -> String {
        match self {
            Self::Connection(why) => format!("no connection: {why}"),
            Self::Tls(why) => format!("no TLS: {why}"),
            Self::Answer(why) => format!("no answer: {why}"),
        }
    }
}

/// A lookup over TLS.
pub(super) async fn over_tls(address: IpAddr, device: &str, query: &[u8]) -> Result<Times, Absent> {
    let (mut stream, connect, handshake) = open(SocketAddr::new(address, TLS_PORT), device, b"dot").await?;
    let started = Instant::now();
    let answer = bounded(over_stream(&mut stream, query)).await.map_err(|error| Absent::Answer(error.to_string()))?;
    let lookup = started.elapsed();
    let reply = dns::parse(&answer).map_err(|flaw| Absent::Answer(flaw.to_string()))?;
    Ok(Times { connect, handshake, lookup, version: version(&stream), reply })
}

/// A lookup over HTTPS, at the path and port that the resolver says, else the usual ones.
pub(super) async fn over_https(
    address: IpAddr,
    device: &str,
    port: Option<u16>,
    path: Option<&str>,
    query: &[u8],
) -> Result<Times, Absent> {
    let to = SocketAddr::new(address, port.unwrap_or(HTTPS_PORT));
    let (stream, connect, handshake) = open(to, device, b"h2").await?;
    let version = version(&stream);
    let started = Instant::now();
    let answer = bounded(post(stream, to, path.unwrap_or(USUAL_PATH), query)).await;
    let answer = answer.map_err(|error| Absent::Answer(error.to_string()))?;
    let lookup = started.elapsed();
    let reply = dns::parse(&answer).map_err(|flaw| Absent::Answer(flaw.to_string()))?;
    Ok(Times { connect, handshake, lookup, version, reply })
}

/// RFC 8484 section 4.1: the message is the body, its number zero.
async fn post(stream: TlsStream<TcpStream>, to: SocketAddr, path: &str, query: &[u8]) -> io::Result<Vec<u8>> {
    let mut query = query.to_vec();
    query.iter_mut().take(2).for_each(|octet| *octet = 0);
    // The path may be a template (RFC 6570): what is in braces is for GET.
    let path = path.split('{').next().filter(|path| path.starts_with('/')).unwrap_or(USUAL_PATH);
    let (mut sender, connection) =
        http2::handshake(TokioExecutor::new(), TokioIo::new(stream)).await.map_err(io::Error::other)?;
    let request = Request::builder()
        .method(Method::POST)
        .uri(format!("https://{to}{path}"))
        .header(CONTENT_TYPE, "application/dns-message")
        .header(ACCEPT, "application/dns-message")
        .body(Full::new(Bytes::from(query)))
        .map_err(io::Error::other)?;
    let talk = async {
        let (head, body) = sender.send_request(request).await.map_err(io::Error::other)?.into_parts();
        if !head.status.is_success() {
            return Err(io::Error::other(format!("HTTP status {}", head.status.as_u16())));
        }
        Ok(Limited::new(body, MOST).collect().await.map_err(io::Error::other)?.to_bytes().to_vec())
    };
    let (talk, connection) = (std::pin::pin!(talk), std::pin::pin!(connection));
    match futures_util::future::select(talk, connection).await {
        futures_util::future::Either::Left((answer, _)) => answer,
        futures_util::future::Either::Right((_, talk)) => talk.await,
    }
}

async fn bounded<T>(what: impl Future<Output = io::Result<T>>) -> io::Result<T> {
    let late = |_| io::Error::new(io::ErrorKind::TimedOut, format!("nothing within {} s", STEP.as_secs_f64()));
    tokio::time::timeout(STEP, what).await.map_err(late)?
}

/// Connects and shakes hands; the time of each.
async fn open(to: SocketAddr, device: &str, protocol: &[u8]) -> Result<(TlsStream<TcpStream>, Duration, Duration), Absent> {
    let started = Instant::now();
    let stream = bounded(bound::connect(to, device)).await.map_err(|error| Absent::Connection(error.to_string()))?;
    let connect = started.elapsed();
    let started = Instant::now();
    let config = config(protocol).map_err(|error| Absent::Tls(error.to_string()))?;
    let name = ServerName::from(to.ip());
    let stream = bounded(TlsConnector::from(Arc::new(config)).connect(name, stream)).await;
    let stream = stream.map_err(|error| Absent::Tls(error.to_string()))?;
    Ok((stream, connect, started.elapsed()))
}

fn version(stream: &TlsStream<TcpStream>) -> String {
    stream.get_ref().1.protocol_version().map(|version| format!("{version:?}")).unwrap_or_default()
}

fn config(protocol: &[u8]) -> Result<ClientConfig, Error> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let verifier = Arc::new(AnyName { provider: Arc::clone(&provider) });
    let mut config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .dangerous()
        .with_custom_certificate_verifier(verifier)
        .with_no_client_auth();
    config.alpn_protocols = vec![protocol.to_vec()];
    Ok(config)
}

/// Takes any certificate whose key the other side holds.
#[derive(Debug)]
struct AnyName {
    provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for AnyName {
    fn verify_server_cert(
        &self,
        _end_entity: &CertificateDer<'_>,
        _intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp_response: &[u8],
        _now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls12_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}
