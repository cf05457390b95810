//! Asking the far end's view over a socket of one's own: sends a request again until it is answered, and takes what comes.
//!
//! It must not know what an answer is for.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use crate::farend::client::ViewOffer;
use crate::net::stamped::{SendWith, StampedEvent, StampedSocket};
use crate::unit::Family;
use crate::wire::stun::{self, Attribute, Class, Message, Transaction};

/// Octets of a request for a plain answer: above those of the answer over IPv6 with all that it may carry.
pub(super) const PLAIN: usize = 120;
/// Tries of one question: of a line that loses 5 % each way, one in 1000 is then taken for silent.
pub(super) const TRIES: u32 = 3;
/// First wait for an answer; later ones follow the round trips seen (RFC 8489 section 6.2.1 begins with 500 ms).
const FIRST_WAIT: Duration = Duration::from_millis(500);
/// Least wait: an answer may stand behind others in a queue.
const LEAST_WAIT: Duration = Duration::from_millis(150);

/// A socket and what is needed to ask.
#[derive(Debug)]
pub(super) struct Asker {
    socket: StampedSocket,
    offer: ViewOffer,
    local: SocketAddr,
    nonce: Option<[u8; 16]>,
    wait: Duration,
    buffer: Vec<u8>,
}

/// What a question is.
#[derive(Debug, Clone, Default)]
pub(super) struct Question {
    /// Which of the far end's ports; 0 or 1.
    pub(super) port: usize,
    /// Octets of UDP payload; zero takes [`PLAIN`].
    pub(super) size: usize,
    /// Hop limit.
    pub(super) hops: Option<u8>,
    /// What is asked for; the nonce goes along by itself once there is one.
    pub(super) wishes: Vec<Attribute>,
}

/// An answer.
#[derive(Debug, Clone, Copy)]
pub(super) struct Answer {
    /// Where the far end saw the request come from.
    pub(super) seen: SocketAddr,
    /// What a router said of an earlier, larger answer.
    pub(super) too_big: Option<u16>,
}

/// What came of a question.
#[derive(Debug, Clone, Copy)]
pub(super) enum Heard {
    /// The far end's answer.
    Answer(Answer),
    /// A router's error about the request.
    Router {
        /// Who sent it.
        from: IpAddr,
        /// ICMP type.
        kind: u8,
        /// ICMP code.
        code: u8,
        /// Next-hop MTU, where it has one.
        mtu: u32,
    },
    /// Nothing, in all tries.
    Silence,
    /// The system did not send it.
    NotSent,
}

impl Asker {
    /// A socket on a port of its own, through an interface from its address `from`; packets leave whole or not at all.
    ///
    /// # Errors
    /// What the system says to the socket.
    pub(super) fn open(offer: &ViewOffer, from: IpAddr, device: &str) -> io::Result<Self> {
        let any = Family::of(from).any_address();
        let socket = StampedSocket::udp(SocketAddr::new(any, 0), Some(device))?;
        socket.never_fragment()?;
        let local = SocketAddr::new(from, socket.local_addr()?.port());
        Ok(Self { socket, offer: offer.clone(), local, nonce: None, wait: FIRST_WAIT, buffer: vec![0; 65_536] })
    }

    /// Its own address and port.
    pub(super) fn local(&self) -> SocketAddr {
        self.local
    }

    /// Waits no longer for an answer than the round trips seen suggest; the first question waits longest.
    ///
    /// # Errors
    /// What the system says to a receive.
    pub(super) async fn ask(&mut self, question: &Question) -> io::Result<Heard> {
        self.ask_times(question, TRIES).await
    }

    /// The same with a number of tries.
    ///
    /// # Errors
    /// What the system says to a receive.
    pub(super) async fn ask_times(&mut self, question: &Question, tries: u32) -> io::Result<Heard> {
        let mut sent_any = false;
        for _ in 0..tries {
            let Some(transaction) = self.send(question) else { continue };
            sent_any = true;
            let began = Instant::now();
            match self.listen(&transaction, began + self.wait).await? {
                Heard::Silence => {}
                heard => {
                    if matches!(heard, Heard::Answer(_)) {
                        self.wait = (began.elapsed() * 4).clamp(LEAST_WAIT, FIRST_WAIT * 4).max(self.wait / 4);
                    }
                    return Ok(heard);
                }
            }
        }
        Ok(if sent_any { Heard::Silence } else { Heard::NotSent })
    }

    /// Sends a question without waiting; `None` when the system did not.
    pub(super) fn send(&self, question: &Question) -> Option<Transaction> {
        let transaction: Transaction = rand::random();
        let mut request = Message::new(Class::Request, transaction).with(Attribute::Username(self.offer.session));
        request.attributes.extend(self.nonce.map(Attribute::Nonce));
        request.attributes.extend(question.wishes.iter().cloned());
        let size = if question.size == 0 { PLAIN } else { question.size };
        let bytes = request.emit(&self.offer.key, Some(size)).ok()?;
        let with = SendWith { ttl: question.hops, ..SendWith::default() };
        self.socket.try_send_to(&bytes, *self.offer.ports.get(question.port)?, with).ok().map(|_| transaction)
    }

    /// Waits for the answer to a transaction, or a router's error, until a moment.
    ///
    /// # Errors
    /// What the system says to a receive.
    pub(super) async fn listen(&mut self, transaction: &Transaction, until: Instant) -> io::Result<Heard> {
        loop {
            let event = match tokio::time::timeout_at(until.into(), self.socket.next_event(&mut self.buffer)).await {
                Ok(event) => event?,
                Err(_) => return Ok(Heard::Silence),
            };
            match event {
                StampedEvent::Received { len, from, .. } if self.offer.ports.iter().any(|port| same(*port, from)) => {
                    let Ok(received) = stun::parse(self.buffer.get(..len).unwrap_or_default()) else { continue };
                    let message = &received.message;
                    if message.transaction != *transaction
                        || message.class != Class::Success
                        || !received.is_signed_by(&self.offer.key)
                    {
                        continue;
                    }
                    let (mut seen, mut too_big) = (None, None);
                    for attribute in &message.attributes {
                        match attribute {
                            Attribute::MappedAddress(address) => seen = Some(*address),
                            Attribute::Nonce(nonce) => self.nonce = Some(*nonce),
                            Attribute::TooBig(mtu) => too_big = Some(*mtu),
                            _ => {}
                        }
                    }
                    if let Some(seen) = seen {
                        return Ok(Heard::Answer(Answer { seen, too_big }));
                    }
                }
                // An error about an earlier question of this socket may come late: only those who ask with few hops or large
                // packets get any, and they ask one question at a time.
                StampedEvent::IcmpError { kind, code, offender: Some(from), info, .. } => {
                    return Ok(Heard::Router { from: from.to_canonical(), kind, code, mtu: info });
                }
                _ => {}
            }
        }
    }
}

fn same(a: SocketAddr, b: SocketAddr) -> bool {
    a.port() == b.port() && a.ip().to_canonical() == b.ip().to_canonical()
}
