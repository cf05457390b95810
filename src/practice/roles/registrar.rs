//! The provider's SIP registrar on the practice line: OPTIONS, and REGISTER with a digest, over UDP and TCP.
//!
//! It knows one account, at which a customer's device is registered already. Everything else is refused, an INVITE among it: the practice line
//! carries no calls. A silent one takes packets and connections and never answers.

use std::collections::BTreeMap;
use std::io;
use std::net::{Ipv6Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream, UdpSocket};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::Service;
use crate::net::netns::Namespace;
use crate::practice::config::SipService;
use crate::proto::sip::account::Account;
use crate::wire::sip::digest::Credentials;
use crate::wire::sip::field::value;
use crate::wire::sip::frame::Framer;
use crate::wire::sip::{Message, PORT, Start, write};

/// The domain that it serves.
pub(in crate::practice) const DOMAIN: &str = "voice.example.net";
/// Its account.
const USER: &str = "line1";
const PASSWORD: &str = "practice";
/// The customer's own device, registered before any visit.
const DEVICE: &str = "sip:line1@192.0.2.99:5060";
/// Seconds that a registration lasts at most.
const LONGEST: u32 = 3600;
/// Connections at once; further ones wait in the kernel's queue.
const CONNECTIONS: usize = 64;
/// A connection may last so long.
const WAIT: Duration = Duration::from_secs(60);
/// Octets of a datagram that are read.
const DATAGRAM: usize = 65_535;

/// The account of the practice line's SIP service. It opens nothing else.
pub fn sip_account() -> Account {
    Account::new(USER, None, PASSWORD).unwrap_or_else(|| unreachable!("it has a name"))
}

/// A running registrar. Dropping it ends its thread and waits for it.
#[derive(Debug)]
pub struct RegistrarRole {
    _service: Service,
}

impl RegistrarRole {
    /// Starts it in a place, at all of its addresses.
    ///
    /// # Errors
    /// When port 5060 can't be had.
    pub fn start(place: &Namespace, manner: SipService) -> io::Result<Self> {
        // Both versions: the kernel's default takes IPv4 on these sockets too.
        let open = || {
            let (listener, datagrams) = (
                std::net::TcpListener::bind((Ipv6Addr::UNSPECIFIED, PORT))?,
                std::net::UdpSocket::bind((Ipv6Addr::UNSPECIFIED, PORT))?,
            );
            listener.set_nonblocking(true)?;
            datagrams.set_nonblocking(true)?;
            Ok((TcpListener::from_std(listener)?, UdpSocket::from_std(datagrams)?))
        };
        let serve = move |(listener, datagrams), until: CancellationToken| async move {
            match manner {
                SipService::Serving => serve(listener, datagrams, until).await,
                // The sockets are held, and nobody reads them.
                SipService::Silent => {
                    let _held = (listener, datagrams);
                    until.cancelled().await;
                }
            }
        };
        Ok(Self { _service: Service::start(place, "registrar", open, serve)? })
    }
}

/// Bindings of the one account: contact, and when it ends.
#[derive(Debug)]
struct Registrar {
    account: Account,
    nonce: String,
    bindings: Mutex<BTreeMap<String, Instant>>,
}

async fn serve(listener: TcpListener, datagrams: UdpSocket, until: CancellationToken) {
    let device = (DEVICE.to_owned(), Instant::now() + Duration::from_secs(LONGEST.into()));
    let nonce = format!("{:032x}", rand::random::<u128>());
    let registrar = Arc::new(Registrar { account: sip_account(), nonce, bindings: Mutex::new([device].into()) });
    let mut connections = JoinSet::new();
    let mut buffer = vec![0; DATAGRAM];
    loop {
        let is_full = connections.len() >= CONNECTIONS;
        tokio::select! {
            () = until.cancelled() => return,
            Some(_) = connections.join_next() => {}
            received = datagrams.recv_from(&mut buffer) => {
                let Ok((len, peer)) = received else { continue };
                if let Some(answer) = Message::parse(&buffer[..len]).ok().and_then(|message| registrar.answer(&message, peer)) {
                    let _ = datagrams.send_to(&answer, peer).await;
                }
            }
            accepted = listener.accept(), if !is_full => match accepted {
                Ok((stream, peer)) => drop(connections.spawn(tokio::time::timeout(WAIT, attend(stream, peer, Arc::clone(&registrar))))),
                // Out of descriptors: let some be closed.
                Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
            },
        }
    }
}

/// A peer that goes away early is no matter.
async fn attend(mut stream: TcpStream, peer: SocketAddr, registrar: Arc<Registrar>) -> io::Result<()> {
    let (mut framer, mut piece) = (Framer::default(), [0; 2048]);
    loop {
        let len = stream.read(&mut piece).await?;
        if len == 0 {
            return Ok(());
        }
        framer.push(&piece[..len]);
        while let Some(framed) = framer.next_message().map_err(io::Error::other)? {
            if let Some(answer) = registrar.answer(&framed.message, peer) {
                stream.write_all(&answer).await?;
            }
        }
    }
}

impl Registrar {
    /// What it answers; `None` to an answer, and to an ACK.
    fn answer(&self, message: &Message, peer: SocketAddr) -> Option<Vec<u8>> {
        let Start::Request { method, .. } = &message.start else { return None };
        let server = ("Server", "Example Valley registrar (practice)".to_owned());
        let told = |status: (u16, &str), mut more: Vec<(&str, String)>| {
            more.push(server.clone());
            Some(write::response(message, peer, status, "registrar", &more, b""))
        };
        match method.as_str() {
            "OPTIONS" => told((200, "OK"), vec![("Allow", "OPTIONS, REGISTER".to_owned())]),
            "REGISTER" if !self.is_proven(message) => {
                let challenge = format!("Digest realm=\"{DOMAIN}\", nonce=\"{}\", qop=\"auth\", algorithm=SHA-256", self.nonce);
                told((401, "Unauthorized"), vec![("WWW-Authenticate", challenge)])
            }
            "REGISTER" => told((200, "OK"), self.bound(message)),
            "ACK" => None,
            _ => told((405, "Method Not Allowed"), vec![("Allow", "OPTIONS, REGISTER".to_owned())]),
        }
    }

    fn is_proven(&self, message: &Message) -> bool {
        let given = message.first("Authorization").and_then(|text| Credentials::parse(text).ok());
        given.is_some_and(|given| given.value("nonce") == Some(&self.nonce) && self.account.is_proven_by(&given, "REGISTER"))
    }

    /// Takes the contacts (RFC 3261 section 10.3) and lists what is bound then.
    fn bound(&self, message: &Message) -> Vec<(&'static str, String)> {
        let now = Instant::now();
        let mut bindings = self.bindings.lock().unwrap_or_else(PoisonError::into_inner);
        bindings.retain(|_, until| *until > now);
        for contact in message.contacts() {
            let seconds = value(&contact.parameters, "expires").and_then(|text| text.parse().ok());
            let seconds = seconds.or_else(|| message.seconds("Expires")).unwrap_or(LONGEST).min(LONGEST);
            match seconds {
                0 => drop(bindings.remove(&contact.uri)),
                _ => drop(bindings.insert(contact.uri, now + Duration::from_secs(seconds.into()))),
            }
        }
        let left = |until: &Instant| until.saturating_duration_since(now).as_secs_f64().ceil();
        bindings.iter().map(|(contact, until)| ("Contact", format!("<{contact}>;expires={}", left(until)))).collect()
    }
}
