//! The services run in the right places, and are gone or silent where a fault says so.

use std::io::{ErrorKind, Read};
use std::net::{Ipv4Addr, SocketAddr, TcpStream, UdpSocket};
use std::time::Duration;

use dhcproto::v4::{DhcpOption, Flags, Message, MessageType, OptionCode};
use dhcproto::{Decodable, Decoder, Encodable};
use doorstep::practice::topology::{FAR_END_V4, GATEWAY_LAN_V4, LAPTOP_PORT, RESOLVERS_V4};
use doorstep::practice::{Fault, LineConfig, Node, PracticeLine};

use crate::support::{build, ping};

/// A DISCOVER (RFC 2131 table 5) from the laptop by an independent library, and the answer to it.
fn discover(line: &PracticeLine) -> Message {
    line.namespace(Node::Laptop).run(|| {
        let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 68)).expect("bind");
        socket2::SockRef::from(&socket).bind_device(Some(LAPTOP_PORT.as_bytes())).expect("bind to the port");
        socket.set_broadcast(true).expect("broadcast");
        socket.set_read_timeout(Some(Duration::from_secs(5))).expect("timeout");
        let mut request = Message::default();
        request.set_xid(0x7011).set_chaddr(&[2, 0, 0x5e, 0, 1, 1]).set_flags(Flags::default().set_broadcast());
        request.opts_mut().insert(DhcpOption::MessageType(MessageType::Discover));
        socket.send_to(&request.to_vec().expect("encodes"), (Ipv4Addr::BROADCAST, 67)).expect("send");
        let mut buffer = [0; 1500];
        let len = socket.recv(&mut buffer).expect("an offer in time");
        Message::decode(&mut Decoder::new(&buffer[..len])).expect("a DHCP message")
    })
}

#[test]
fn the_gateway_offers_an_address_with_itself_as_router_and_both_resolvers() {
    let line = PracticeLine::build(LineConfig::default()).expect("root");
    let offer = discover(&line);
    assert_eq!(offer.opts().get(OptionCode::MessageType), Some(&DhcpOption::MessageType(MessageType::Offer)));
    assert_eq!(offer.yiaddr().octets()[..3], [192, 0, 2]);
    assert_eq!(offer.opts().get(OptionCode::Router), Some(&DhcpOption::Router(vec![GATEWAY_LAN_V4])));
    assert_eq!(offer.opts().get(OptionCode::DomainNameServer), Some(&DhcpOption::DomainNameServer(RESOLVERS_V4.to_vec())));
    assert_eq!(line.dhcp().map(|d| d.counts().discovers), Some(1));
}

fn faulty(fault: Fault) -> PracticeLine {
    let mut config = LineConfig::default();
    fault.apply(&mut config);
    build(config)
}

#[test]
fn a_line_without_dhcp_has_no_server() {
    assert!(faulty(Fault::NoDhcp).dhcp().is_none());
}

#[test]
fn dead_name_servers_take_queries_and_connections_and_say_nothing() {
    let line = faulty(Fault::DnsDead);
    for server in RESOLVERS_V4 {
        let (datagram, stream) = line.namespace(Node::Laptop).run(move || {
            let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).expect("bind");
            socket.connect((server, 53)).expect("connect");
            socket.send(&[0; 12]).expect("send");
            socket.set_read_timeout(Some(Duration::from_millis(200))).expect("timeout");
            let datagram = socket.recv(&mut [0; 512]).map_err(|e| e.kind());
            let mut stream = TcpStream::connect((server, 53)).expect("a connection is taken");
            stream.set_read_timeout(Some(Duration::from_millis(200))).expect("timeout");
            (datagram, stream.read(&mut [0; 2]).map_err(|e| e.kind()))
        });
        // Refused would be an answer: the host says that nobody is there.
        assert_eq!((datagram, stream), (Err(ErrorKind::WouldBlock), Err(ErrorKind::WouldBlock)), "{server}");
    }
}

#[test]
fn where_the_far_end_is_gone_its_host_answers_pings_and_refuses_connections() {
    let line = faulty(Fault::FarEndGone);
    ping(&line, Node::Laptop, FAR_END_V4.into(), 1).expect("the host answers");
    for port in [443, 8443, 862] {
        let to = SocketAddr::new(FAR_END_V4.into(), port);
        let connect = move || TcpStream::connect_timeout(&to, Duration::from_secs(5)).map(drop);
        let refusal = line.namespace(Node::Laptop).run(connect).expect_err("nobody listens");
        assert_eq!(refusal.kind(), ErrorKind::ConnectionRefused, "{port}");
    }
}
