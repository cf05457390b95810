//! A way to a SIP server, and a conversation over it: datagrams, a stream, a stream inside TLS.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustls::RootCertStore;
use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, ServerName};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::UdpSocket;
use tokio_util::sync::CancellationToken;

use super::super::Context;
use super::super::dns::exchange::any_port;
use super::super::web::connector;
use crate::net::bound;
use crate::proto::sip::Conversation;
use crate::proto::sip::service::Service;
use crate::wire::sip::frame::Framer;
use crate::wire::sip::{Message, Transport};

/// A connection is waited for so long, TLS as long again.
const CONNECT_WAIT: Duration = Duration::from_secs(4);
/// Octets of a datagram.
const DATAGRAM: usize = 65_535;

/// Either end of a stream.
trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}

impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

enum Inner {
    Datagrams(UdpSocket),
    Stream(Box<dyn Stream>, Framer),
}

/// An open way.
pub(super) struct Channel {
    inner: Inner,
    local: SocketAddr,
    /// TCP handshake, and TLS.
    pub(super) connect: Option<Duration>,
    pub(super) secure: Option<Duration>,
}

/// Why there is none.
#[derive(Debug)]
pub(super) struct Closed {
    /// In words.
    pub(super) why: String,
    /// The certificate alone is what is wrong.
    pub(super) is_certificate: bool,
    /// The test set can't speak what the server wants: nothing is known of the service.
    pub(super) is_beyond_us: bool,
}

impl From<io::Error> for Closed {
    fn from(error: io::Error) -> Self {
        let tls = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>());
        let is_certificate = matches!(tls, Some(rustls::Error::InvalidCertificate(_)));
        let is_beyond_us = matches!(tls, Some(rustls::Error::AlertReceived(rustls::AlertDescription::ProtocolVersion)));
        let why = match error.kind() {
            _ if is_beyond_us => "its host speaks only versions of TLS before 1.2, which RFC 8996 forbids".to_owned(),
            io::ErrorKind::ConnectionRefused => "its host refuses: nothing listens there".to_owned(),
            _ => error.to_string(),
        };
        Self { why, is_certificate, is_beyond_us }
    }
}

impl From<String> for Closed {
    fn from(why: String) -> Self {
        Self { why, is_certificate: false, is_beyond_us: false }
    }
}

impl Channel {
    /// Opens a way over the visit's interface.
    pub(super) async fn open(context: &Context, service: &Service, transport: Transport, to: SocketAddr) -> Result<Self, Closed> {
        let device = context.interface.name.as_str();
        if transport == Transport::Udp {
            return Ok(Self::datagrams(device, to).await?);
        }
        let mut channel = Self::stream(device, to).await?;
        if transport == Transport::Tls {
            let tls = connector(authorities(service)?, &[]).await?;
            let name = match service.domain.address() {
                Some(address) => ServerName::from(address),
                // RFC 5922 section 7.1: the certificate is the domain's, whatever host DNS names.
                None => ServerName::try_from(service.domain.host.clone()).map_err(io::Error::other)?,
            };
            let Inner::Stream(stream, _) = channel.inner else { return Err(Closed::from("no stream".to_owned())) };
            let begun = Instant::now();
            let secured = tokio::time::timeout(CONNECT_WAIT, tls.connect(name, stream)).await;
            let secured = secured.map_err(|_| "no end of the TLS handshake in time".to_owned())??;
            channel.secure = Some(begun.elapsed());
            channel.inner = Inner::Stream(Box::new(secured), Framer::default());
        }
        Ok(channel)
    }

    /// A socket that hears from there alone.
    pub(super) async fn datagrams(device: &str, to: SocketAddr) -> io::Result<Self> {
        let socket = UdpSocket::bind(any_port(to)).await?;
        socket.bind_device(Some(device.as_bytes()))?;
        socket.connect(to).await?;
        let local = socket.local_addr()?;
        Ok(Self { inner: Inner::Datagrams(socket), local, connect: None, secure: None })
    }

    /// A connection of TCP.
    pub(super) async fn stream(device: &str, to: SocketAddr) -> io::Result<Self> {
        let begun = Instant::now();
        let connecting = tokio::time::timeout(CONNECT_WAIT, bound::connect(to, device)).await;
        let stream = connecting.map_err(|_| io::Error::new(io::ErrorKind::TimedOut, "no connection in time"))??;
        let (connect, local) = (Some(begun.elapsed()), stream.local_addr()?);
        Ok(Self { inner: Inner::Stream(Box::new(stream), Framer::default()), local, connect, secure: None })
    }

    /// This end's address, which requests name.
    pub(super) fn local(&self) -> SocketAddr {
        self.local
    }

    /// Drives a conversation to its end; true when it was cut short.
    pub(super) async fn converse(&mut self, talk: &mut impl Conversation, cancel: &CancellationToken) -> bool {
        let mut buffer = vec![0; DATAGRAM];
        loop {
            while let Some(octets) = talk.transmit(Instant::now()) {
                if let Err(error) = self.send(&octets).await {
                    talk.on_broken(&Closed::from(error).why);
                }
            }
            if talk.is_over() {
                return false;
            }
            let wake = talk.next_wake().unwrap_or_else(Instant::now);
            tokio::select! {
                () = cancel.cancelled() => return true,
                () = tokio::time::sleep_until(wake.into()) => talk.on_wake(Instant::now()),
                // Cancel safe: a read takes octets or does not.
                received = self.receive(&mut buffer) => match received {
                    Ok(messages) => messages.iter().for_each(|message| talk.on_message(Instant::now(), message)),
                    Err(error) => talk.on_broken(&Closed::from(error).why),
                },
            }
        }
    }

    async fn send(&mut self, octets: &[u8]) -> io::Result<()> {
        match &mut self.inner {
            Inner::Datagrams(socket) => socket.send(octets).await.map(|_| ()),
            Inner::Stream(stream, _) => {
                stream.write_all(octets).await?;
                stream.flush().await
            }
        }
    }

    /// What came: a datagram that is no message is passed over, a stream that is none is an error.
    async fn receive(&mut self, buffer: &mut [u8]) -> io::Result<Vec<Message>> {
        match &mut self.inner {
            Inner::Datagrams(socket) => {
                let len = socket.recv(buffer).await?;
                Ok(Message::parse(&buffer[..len]).into_iter().collect())
            }
            Inner::Stream(stream, framer) => {
                let len = stream.read(buffer).await?;
                if len == 0 {
                    return Err(io::Error::other("the server closed the connection"));
                }
                framer.push(&buffer[..len]);
                let mut messages = Vec::new();
                while let Some(framed) = framer.next_message().map_err(io::Error::other)? {
                    messages.push(framed.message);
                }
                Ok(messages)
            }
        }
    }
}

/// Whose certificates are trusted: those of the profile, else the system's.
fn authorities(service: &Service) -> Result<Option<Arc<RootCertStore>>, String> {
    let Some(pem) = &service.authorities else { return Ok(None) };
    let mut roots = RootCertStore::empty();
    for certificate in CertificateDer::pem_slice_iter(pem.as_bytes()) {
        let certificate = certificate.map_err(|error| format!("the profile's certificate authority can't be read: {error}"))?;
        roots.add(certificate).map_err(|error| format!("the profile's certificate authority can't be used: {error}"))?;
    }
    Ok(Some(Arc::new(roots)))
}

/// An address of a family that this line has.
pub(super) fn is_usable(context: &Context, address: IpAddr) -> bool {
    context.known.has(crate::unit::Family::of(address))
}
