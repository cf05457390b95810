//! A DHCP server for IPv4 (RFC 2131 section 4.3): hands out addresses on one port of one place.
//!
//! Frames go through a packet socket, so that it answers clients without an address, and several servers can share a port.
//! It must not know who asks. The hard thing: its messages are read and written by an independent library, so that client
//! and server of the practice line don't share their mistakes.

mod leases;

use std::io;
use std::net::Ipv4Addr;
use std::ops::RangeInclusive;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use dhcproto::v4::Message;
use dhcproto::{Decodable, Decoder, Encodable};
use tokio_util::sync::CancellationToken;

use self::leases::Leases;
use crate::net::netns::Namespace;
use crate::net::packet::{Filter, PacketEvent, PacketSocket};
use crate::wire::dhcp4::{CLIENT_PORT, SERVER_PORT};
use crate::wire::ethernet::{self, Mac};
use crate::wire::{ipv4, udp};

/// What a server hands out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DhcpRoleConfig {
    /// Its identifier (option 54), and the source of its answers.
    pub server: Ipv4Addr,
    /// Addresses to hand out.
    pub range: RangeInclusive<Ipv4Addr>,
    /// Prefix length of the network (option 1).
    pub prefix: u8,
    /// Next hop (option 3); `None` hands out none.
    pub router: Option<Ipv4Addr>,
    /// Name servers (option 6).
    pub resolvers: Vec<Ipv4Addr>,
    /// Domain (option 15).
    pub domain: Option<String>,
    /// Lease time (option 51); T1 and T2 are left to the client.
    pub lease: Duration,
    /// Other options: number and octets.
    pub more: Vec<(u8, Vec<u8>)>,
    /// Takes what is sent and never answers.
    pub is_silent: bool,
}

impl DhcpRoleConfig {
    /// A server of a /24 that gives addresses .50 to .99, an hour each, and names itself as router.
    pub fn for_network(server: Ipv4Addr) -> Self {
        let [a, b, c, _] = server.octets();
        Self {
            server,
            range: Ipv4Addr::new(a, b, c, 50)..=Ipv4Addr::new(a, b, c, 99),
            prefix: 24,
            router: Some(server),
            resolvers: Vec::new(),
            domain: None,
            lease: Duration::from_secs(3600),
            more: Vec::new(),
            is_silent: false,
        }
    }
}

/// Messages that a server got.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct DhcpRoleCounts {
    /// DISCOVER.
    pub discovers: u32,
    /// REQUEST, for this server or another.
    pub requests: u32,
    /// RELEASE of an address that it had handed out.
    pub releases: u32,
    /// DECLINE.
    pub declines: u32,
    /// INFORM.
    pub informs: u32,
    /// What it could not read.
    pub unreadable: u32,
}

/// A running server. Dropping it ends its thread and waits for it.
#[derive(Debug)]
pub struct DhcpRole {
    leases: Arc<Mutex<Leases>>,
    stop: CancellationToken,
    thread: Option<JoinHandle<()>>,
}

impl DhcpRole {
    /// Starts a server on a port of a namespace; it answers from when this returns.
    ///
    /// # Errors
    /// When the port does not exist or no packet socket can be opened.
    pub fn start(namespace: &Namespace, interface: &str, config: DhcpRoleConfig) -> io::Result<Self> {
        let leases = Arc::new(Mutex::new(Leases::new(config)));
        let stop = CancellationToken::new();
        let (ready, is_ready) = std::sync::mpsc::sync_channel(1);
        let (name, ledger, until) = (interface.to_owned(), Arc::clone(&leases), stop.clone());
        let thread = namespace.spawn("dhcp-server", move || {
            let built = tokio::runtime::Builder::new_current_thread().enable_all().build();
            let runtime = match built {
                Ok(runtime) => runtime,
                Err(error) => return drop(ready.send(Err(error))),
            };
            runtime.block_on(async {
                match Port::open(&name) {
                    Ok(port) => {
                        let _ = ready.send(Ok(()));
                        port.serve(&ledger, &until).await;
                    }
                    Err(error) => drop(ready.send(Err(error))),
                }
            });
        });
        let mut role = Self { leases, stop, thread: Some(thread) };
        match is_ready.recv() {
            Ok(Ok(())) => Ok(role),
            Ok(Err(error)) => {
                role.end();
                Err(error)
            }
            Err(_) => Err(io::Error::other("the server's thread ended before it was ready")),
        }
    }

    /// What it got so far.
    pub fn counts(&self) -> DhcpRoleCounts {
        self.leases.lock().unwrap_or_else(PoisonError::into_inner).counts()
    }

    /// Addresses that are handed out now.
    pub fn handed_out(&self) -> Vec<Ipv4Addr> {
        self.leases.lock().unwrap_or_else(PoisonError::into_inner).handed_out()
    }

    fn end(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl Drop for DhcpRole {
    fn drop(&mut self) {
        self.end();
    }
}

/// The server's port.
struct Port {
    socket: PacketSocket,
    mac: Mac,
}

impl Port {
    fn open(name: &str) -> io::Result<Self> {
        let index = nix::net::if_::if_nametoindex(name)?;
        let mac = hardware_address(name)?;
        let socket = PacketSocket::open(index, Filter::Udp { port: SERVER_PORT, with_arp: false }, false)?;
        Ok(Self { socket, mac })
    }

    async fn serve(&self, leases: &Mutex<Leases>, until: &CancellationToken) {
        let mut buffer = [0; 2048];
        loop {
            let event = tokio::select! {
                event = self.socket.next_event(&mut buffer) => event,
                () = until.cancelled() => return,
            };
            match event {
                Ok(PacketEvent::Received { len, .. }) => {
                    if let Some(frame) = self.answer(&buffer[..len], leases) {
                        // A port that is down loses it, as a cable would.
                        let _ = self.socket.try_send(&frame);
                    }
                }
                Ok(PacketEvent::Sent { .. }) => {}
                Err(_) => return,
            }
        }
    }

    fn answer(&self, frame: &[u8], leases: &Mutex<Leases>) -> Option<Vec<u8>> {
        let frame = ethernet::parse(frame).ok()?;
        let packet = ipv4::parse(frame.payload).ok()?;
        let datagram = udp::parse(packet.payload, packet.repr.source, packet.repr.destination).ok()?;
        let mut leases = leases.lock().unwrap_or_else(PoisonError::into_inner);
        let Ok(message) = Message::decode(&mut Decoder::new(datagram.payload)) else {
            leases.count_unreadable();
            return None;
        };
        let answer = leases.answer(&message)?;
        let server = leases.config().server;
        drop(leases);
        self.seal(server, &message, &answer)
    }

    /// Section 4.1: to `ciaddr` where there is one, by broadcast where asked for or for a NAK, else straight to `yiaddr`
    /// at the client's hardware address.
    fn seal(&self, server: Ipv4Addr, question: &Message, answer: &Message) -> Option<Vec<u8>> {
        let mac = Mac(question.chaddr().get(..6)?.try_into().ok()?);
        let is_nak = answer.opts().msg_type() == Some(dhcproto::v4::MessageType::Nak);
        let (to_mac, to) = if is_nak {
            (Mac::BROADCAST, Ipv4Addr::BROADCAST)
        } else if !question.ciaddr().is_unspecified() {
            (mac, question.ciaddr())
        } else if question.flags().broadcast() {
            (Mac::BROADCAST, Ipv4Addr::BROADCAST)
        } else {
            (mac, answer.yiaddr())
        };
        let ports = udp::Repr { source_port: SERVER_PORT, destination_port: CLIENT_PORT };
        let packet = ipv4::Repr::plain(server, to, ipv4::UDP).emit(&ports.emit(&answer.to_vec().ok()?, server, to));
        let header = ethernet::Repr { destination: to_mac, source: self.mac, tags: Vec::new(), ethertype: ethernet::IPV4 };
        Some(header.emit(&packet))
    }
}

/// Hardware address of a port of the calling thread's namespace.
pub(super) fn hardware_address(name: &str) -> io::Result<Mac> {
    let mut all = nix::ifaddrs::getifaddrs()?.filter(|i| i.interface_name == name);
    let octets = all.find_map(|i| i.address?.as_link_addr()?.addr());
    octets.map(Mac).ok_or_else(|| io::Error::new(io::ErrorKind::NotFound, format!("{name} has no hardware address")))
}
