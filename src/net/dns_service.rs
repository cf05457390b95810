//! A DNS server over UDP and TCP on given addresses, whatever it answers.
//!
//! The library keeps sockets, framing, EDNS sizes and truncation; [`Answers`] says what is answered. It must not know zones
//! or caches. Replies go to whoever asked and are no larger than the asker's EDNS size over UDP.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use hickory_net::runtime::Time;
use hickory_proto::op::{Edns, Message, MessageType, Metadata, OpCode, Query, ResponseCode};
use hickory_proto::rr::rdata::opt::{EdnsCode, EdnsOption};
use hickory_server::Server;
use hickory_server::server::{Request, RequestHandler, ResponseHandler, ResponseInfo};
use hickory_server::zone_handler::MessageResponseBuilder;
use tokio::net::{TcpListener, UdpSocket};

/// A TCP connection without a request is closed after this (RFC 7766 section 6.2.3: of the order of seconds).
const TCP_IDLE: Duration = Duration::from_secs(10);
/// Answers waiting for one TCP peer to read.
const TCP_BACKLOG: usize = 16;
/// UDP payload that is taken and offered at most (RFC 9715: no fragmentation on any usual path).
const EDNS_OCTETS: u16 = 1232;

/// Decides what is answered.
#[async_trait]
pub trait Answers: Send + Sync + 'static {
    /// The reply to one question; `None` stays silent. Of the message, `answers`, `authorities`, the response code and the
    /// AA, RA bits are used.
    async fn answer(&self, question: &Query, asker: &Asker) -> Option<Message>;
}

/// Who asks, and what it says of itself beside the question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asker {
    /// Where the query came from.
    pub from: IpAddr,
    /// Whether it came over TCP.
    pub is_over_tcp: bool,
    /// UDP payload that it takes (RFC 6891); `None` without EDNS.
    pub edns_octets: Option<u16>,
    /// DO: it wants signatures (RFC 3225).
    pub wants_signatures: bool,
    /// The client's network that it passes on (RFC 7871): address and prefix length.
    pub client_subnet: Option<(IpAddr, u8)>,
}

impl Asker {
    fn of(request: &Request) -> Self {
        let subnet = |edns: &Edns| match edns.option(EdnsCode::Subnet) {
            Some(EdnsOption::Subnet(subnet)) => Some((subnet.addr(), subnet.source_prefix())),
            _ => None,
        };
        Self {
            from: request.src().ip().to_canonical(),
            is_over_tcp: request.protocol() != hickory_net::xfer::Protocol::Udp,
            edns_octets: request.edns.as_ref().map(Edns::max_payload),
            wants_signatures: request.edns.as_ref().is_some_and(|edns| edns.flags().dnssec_ok),
            client_subnet: request.edns.as_ref().and_then(subnet),
        }
    }
}

/// A running DNS server; ends when dropped.
#[derive(Debug)]
pub struct DnsService {
    cancel: tokio_util::sync::CancellationToken,
}

impl DnsService {
    /// Binds UDP and TCP at each address and serves in the current runtime.
    ///
    /// # Errors
    /// When a port can't be had.
    pub async fn start(addresses: &[IpAddr], port: u16, answers: Arc<dyn Answers>) -> io::Result<Self> {
        let mut server = Server::new(Handler(answers));
        for address in addresses {
            let at = SocketAddr::new(*address, port);
            server.register_socket(UdpSocket::bind(at).await?);
            server.register_listener(TcpListener::bind(at).await?, TCP_IDLE, TCP_BACKLOG);
        }
        let cancel = server.shutdown_token().clone();
        // Owned by the token: the task ends when this service is dropped.
        tokio::spawn(async move { drop(server.block_until_done().await) });
        Ok(Self { cancel })
    }
}

impl Drop for DnsService {
    fn drop(&mut self) {
        self.cancel.cancel();
    }
}

struct Handler(Arc<dyn Answers>);

#[async_trait]
impl RequestHandler for Handler {
    async fn handle_request<R: ResponseHandler, T: Time>(&self, request: &Request, mut handle: R) -> ResponseInfo {
        let mut metadata = Metadata::response_from_request(&request.metadata);
        let builder = MessageResponseBuilder::from_message_request(request);
        let question = match (request.metadata.op_code, request.request_info()) {
            (OpCode::Query, Ok(info)) => info.query.original().clone(),
            (_, _) => {
                metadata.response_code = ResponseCode::NotImp;
                let sent = handle.send_response(builder.build_no_records(metadata)).await;
                return sent.unwrap_or_else(|_| silent(metadata));
            }
        };
        let Some(reply) = self.0.answer(&question, &Asker::of(request)).await else { return silent(metadata) };
        metadata.response_code = reply.metadata.response_code;
        metadata.authoritative = reply.metadata.authoritative;
        metadata.recursion_available = reply.metadata.recursion_available;
        let mut edns = Edns::new();
        // The library cuts answers at what is offered here; RFC 6891 section 6.2.3: fewer than 512 octets count as 512.
        let taken = request.edns.as_ref().map_or(EDNS_OCTETS, Edns::max_payload);
        edns.set_max_payload(taken.clamp(512, EDNS_OCTETS))
            .set_dnssec_ok(request.edns.as_ref().is_some_and(|e| e.flags().dnssec_ok));
        let mut builder = builder;
        if request.edns.is_some() {
            builder.edns(&edns);
        }
        let response = builder.build(metadata, &reply.answers, &reply.authorities, None, None);
        handle.send_response(response).await.unwrap_or_else(|_| silent(metadata))
    }
}

/// What the library wants to know of a reply that was not sent.
fn silent(metadata: Metadata) -> ResponseInfo {
    hickory_proto::op::Header { metadata, counts: Default::default() }.into()
}

/// An empty reply with a response code, to be filled.
pub fn reply(code: ResponseCode) -> Message {
    let mut message = Message::new(0, MessageType::Response, OpCode::Query);
    message.metadata.response_code = code;
    message
}
