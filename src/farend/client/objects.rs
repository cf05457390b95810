//! Connections of HTTP/2 to the far end, made one by one and timed step by step: for whoever measures what a fetch takes.
//!
//! The certificate is pinned like that of the control connection. It must not know what is made of the times.

use std::convert::Infallible;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use http_body_util::BodyExt;
use hyper::body::{Body, Bytes, Frame, Incoming};
use hyper::client::conn::http2;
use hyper::{Method, Request, Response};
use hyper_util::rt::{TokioExecutor, TokioIo};
use rustls::client::Resumption;
use rustls_pki_types::ServerName;
use tokio::task::JoinHandle;
use tokio_rustls::TlsConnector;

use super::{ClientError, Session};
use crate::farend::api::ObjectsGrant;
use crate::farend::objects::{PIECE, WAITING};
use crate::net::bound;

/// Octets that the far end may send ahead: what the draft on responsiveness reckons with (4 MB).
const WINDOW: u32 = 4 * 1024 * 1024;
/// Makes connections to the far end of a session.
#[derive(Clone)]
pub struct Connector {
    to: SocketAddr,
    device: String,
    tls: TlsConnector,
}

impl std::fmt::Debug for Connector {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Connector").field("to", &self.to).field("device", &self.device).finish_non_exhaustive()
    }
}

/// What opening a connection took.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Opening {
    /// TCP handshake.
    pub connect: Duration,
    /// TLS 1.3 handshake, one round trip until the client may send (RFC 8446 section 2).
    pub secure: Duration,
}

/// What a fetch gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fetched {
    /// Octets of its body.
    pub octets: u64,
    /// From asking to the answer's head.
    pub first: Duration,
    /// From asking to the answer's end.
    pub whole: Duration,
}

/// An open connection; dropped, it is closed.
#[derive(Debug)]
pub struct Connection {
    send: http2::SendRequest<Upload>,
    task: JoinHandle<()>,
    authority: String,
}

impl Drop for Connection {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Session {
    /// Makes further connections to where this session is.
    ///
    /// # Errors
    /// When TLS can't be set up on this machine.
    pub fn connector(&self) -> Result<Connector, ClientError> {
        let mut tls = self.pin.client_config().map_err(|error| ClientError::Broken(error.to_string()))?;
        tls.alpn_protocols = vec![b"h2".to_vec()];
        // Each handshake is whole, as one with a new server is.
        tls.resumption = Resumption::disabled();
        Ok(Connector { to: self.control, device: self.device.clone(), tls: TlsConnector::from(Arc::new(tls)) })
    }

    /// Path of the large object of a load.
    pub fn large_object(&self, grant: &ObjectsGrant) -> String {
        format!("/v1/sessions/{}/objects/{}/large", self.id.expose(), grant.load.expose())
    }

    /// Path of the page, or of one of its parts.
    pub fn page_path(&self, part: Option<usize>) -> String {
        let part = part.map(|part| format!("/{part}")).unwrap_or_default();
        format!("/v1/sessions/{}/page{part}", self.id.expose())
    }

    /// Where its control connection goes.
    pub fn control(&self) -> SocketAddr {
        self.control
    }

    /// Path of its small one.
    pub fn small_object(&self, grant: &ObjectsGrant) -> String {
        format!("/v1/sessions/{}/objects/{}/small", self.id.expose(), grant.load.expose())
    }
}

impl Connector {
    /// Opens a connection; the caller bounds it.
    ///
    /// # Errors
    /// What the network or the other side says; `Unsupported` when it has no HTTP/2.
    pub async fn open(&self) -> io::Result<(Connection, Opening)> {
        let started = Instant::now();
        let stream = bound::connect(self.to, &self.device).await?;
        let connect = started.elapsed();
        stream.set_nodelay(true)?;
        socket2::SockRef::from(&stream).set_tcp_notsent_lowat(WAITING as u32)?;
        let started = Instant::now();
        let mut stream = self.tls.connect(ServerName::from(self.to.ip()), stream).await?;
        let secure = started.elapsed();
        if stream.get_ref().1.alpn_protocol() != Some(b"h2") {
            return Err(io::Error::new(io::ErrorKind::Unsupported, "the far end has no HTTP/2"));
        }
        stream.get_mut().1.set_buffer_limit(Some(WAITING));
        let (send, connection) = http2::Builder::new(TokioExecutor::new())
            .initial_stream_window_size(WINDOW)
            .initial_connection_window_size(WINDOW)
            .max_send_buf_size(WAITING)
            .handshake(TokioIo::new(stream))
            .await
            .map_err(io::Error::other)?;
        let task = tokio::spawn(async move {
            // Its end is seen by the requests on it.
            let _ = connection.await;
        });
        Ok((Connection { send, task, authority: self.to.to_string() }, Opening { connect, secure }))
    }
}

impl Connection {
    /// Fetches a small object whole.
    ///
    /// # Errors
    /// When the connection breaks, or the far end does not give it.
    pub async fn fetch(&self, path: &str) -> io::Result<Fetched> {
        let started = Instant::now();
        let answer = self.ask(Method::GET, path, Upload::nothing()).await?;
        let first = started.elapsed();
        let octets = read(answer, &AtomicU64::new(0)).await?;
        Ok(Fetched { octets, first, whole: started.elapsed() })
    }

    /// Fetches a large object to its end, adding what comes to a count.
    ///
    /// # Errors
    /// As [`Connection::fetch`].
    pub async fn download(&self, path: &str, count: &AtomicU64) -> io::Result<u64> {
        read(self.ask(Method::GET, path, Upload::nothing()).await?, count).await
    }

    /// Sends a large object until it is stopped or the far end wants no more, adding what was handed on to a count.
    ///
    /// # Errors
    /// As [`Connection::fetch`].
    pub async fn upload(&self, path: &str, count: Arc<AtomicU64>, stop: Arc<AtomicBool>) -> io::Result<u64> {
        let upload = Upload { piece: Some(piece()), count, stop };
        read(self.ask(Method::POST, path, upload).await?, &AtomicU64::new(0)).await
    }

    async fn ask(&self, method: Method, path: &str, body: Upload) -> io::Result<Response<Incoming>> {
        let uri = format!("https://{}{path}", self.authority);
        let request = Request::builder().method(method).uri(uri).body(body).map_err(io::Error::other)?;
        let mut send = self.send.clone();
        send.ready().await.map_err(io::Error::other)?;
        let answer = send.send_request(request).await.map_err(io::Error::other)?;
        if answer.status().is_success() {
            return Ok(answer);
        }
        Err(io::Error::other(format!("the far end does not give the object (HTTP status {})", answer.status())))
    }
}

async fn read(answer: Response<Incoming>, count: &AtomicU64) -> io::Result<u64> {
    let (mut body, mut octets) = (answer.into_body(), 0);
    while let Some(frame) = body.frame().await {
        let len = frame.map_err(io::Error::other)?.data_ref().map_or(0, Bytes::len) as u64;
        octets += len;
        count.fetch_add(len, Ordering::Relaxed);
    }
    Ok(octets)
}

/// What can't be compressed on the way.
fn piece() -> Bytes {
    let mut octets = vec![0; PIECE];
    rand::fill(&mut octets[..]);
    Bytes::from(octets)
}

/// The body of a request: nothing, or one piece over and over.
#[derive(Debug)]
struct Upload {
    piece: Option<Bytes>,
    count: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
}

impl Upload {
    fn nothing() -> Self {
        Self { piece: None, count: Arc::default(), stop: Arc::default() }
    }
}

impl Body for Upload {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        let piece = self.piece.as_ref().filter(|_| !self.stop.load(Ordering::Relaxed));
        Poll::Ready(piece.map(|piece| {
            self.count.fetch_add(piece.len() as u64, Ordering::Relaxed);
            Ok(Frame::data(piece.clone()))
        }))
    }

    fn is_end_stream(&self) -> bool {
        self.piece.is_none()
    }
}
