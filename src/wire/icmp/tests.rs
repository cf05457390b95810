use std::net::IpAddr;

use proptest::prelude::*;

use super::extension::{MplsEntry, Object};
use super::quote::Transport;
use super::*;

const FAMILIES: [Family; 2] = [Family::Ipv4, Family::Ipv6];

fn read(family: Family, bytes: &[u8]) -> Parsed<'_> {
    parse(family, bytes, Reading::default()).unwrap()
}

/// Layout of RFC 792 page 14 by hand; the checksum is the complement of 0800 + 1234 + 0007 + 6869 = 82a4.
const REQUEST_V4: [u8; 10] = [8, 0, 0x7d, 0x5b, 0x12, 0x34, 0x00, 0x07, 0x68, 0x69];
/// Layout of RFC 4443 section 4.1; the pseudo-header makes the checksum, see the test.
const REQUEST_V6: [u8; 10] = [128, 0, 0, 0, 0x12, 0x34, 0x00, 0x07, 0x68, 0x69];

#[test]
fn echo_requests_are_written_and_read() {
    let echo = Echo { identifier: 0x1234, sequence: 7, payload: b"hi" };
    for (family, bytes) in [(Family::Ipv4, REQUEST_V4), (Family::Ipv6, REQUEST_V6)] {
        assert_eq!(emit_request(family, echo), bytes);
        assert_eq!(read(family, &bytes), Parsed { message: Message::EchoRequest(echo), flaws: vec![] });
    }
}

#[test]
fn the_icmpv6_checksum_covers_the_pseudo_header() {
    let (from, to) = ("2001:db8::1".parse().unwrap(), "2001:db8::2".parse().unwrap());
    let mut bytes = REQUEST_V6;
    fill_checksum_v6(from, to, &mut bytes);
    // By hand: 2 x (2001 + 0db8) + 1 + 2 + length 000a + next header 003a + 8000 + 1234 + 0007 + 6869 = 1565d.
    assert_eq!(bytes[2..4], (!0x565e_u16).to_be_bytes());
    let reading = |from| Reading { pseudo_header: Some((from, to)), tolerant: false };
    assert_eq!(parse(Family::Ipv6, &bytes, reading(from)).unwrap().flaws, []);
    let other = "2001:db8::9".parse().unwrap();
    assert_eq!(parse(Family::Ipv6, &bytes, reading(other)).unwrap().flaws, [Flaw::Checksum]);
}

#[test]
fn a_wrong_checksum_and_a_code_are_flaws_of_a_readable_echo() {
    let mut bytes = REQUEST_V4;
    bytes[1] = 9;
    let parsed = read(Family::Ipv4, &bytes);
    assert!(matches!(parsed.message, Message::EchoRequest(_)));
    assert_eq!(parsed.flaws, [Flaw::Checksum, Flaw::EchoCode(9)]);
}

/// An IPv4 packet from 192.0.2.50 to 203.0.113.10 with TTL 1.
fn packet_v4(protocol: u8, upper: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0x45, 0xb8, 0, (20 + upper.len()) as u8, 0xab, 0xcd, 0x40, 0, 1, protocol, 0, 0];
    bytes.extend([192, 0, 2, 50, 203, 0, 113, 10]);
    bytes.extend(upper);
    bytes
}

/// An IPv6 packet from 2001:db8:77::50 to 2001:db8:203::10 with hop limit 1.
fn packet_v6(next: u8, upper: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0x6b, 0x80, 0, 0, 0, upper.len() as u8, next, 1];
    bytes.extend("2001:db8:77::50".parse::<Ipv6Addr>().unwrap().octets());
    bytes.extend("2001:db8:203::10".parse::<Ipv6Addr>().unwrap().octets());
    bytes.extend(upper);
    bytes
}

fn error_of<'a>(parsed: &'a Parsed<'a>) -> &'a Error {
    match &parsed.message {
        Message::Error(error) => error,
        other => panic!("{other:?}"),
    }
}

const UDP_UPPER: [u8; 12] = [0xc0, 0x01, 0x9c, 0x40, 0, 12, 0x33, 0x44, 1, 2, 3, 4];

#[test]
fn a_quoted_udp_packet_is_read_for_both_families() {
    for (family, kind, packet) in [(Family::Ipv4, 11, packet_v4(17, &UDP_UPPER)), (Family::Ipv6, 3, packet_v6(17, &UDP_UPPER))] {
        let bytes = emit_error(family, kind, 0, [0; 4], &packet, &Extensions::default());
        let parsed = read(family, &bytes);
        let error = error_of(&parsed);
        assert_eq!(parsed.flaws, []);
        assert_eq!(error.meaning, Meaning::HopLimitExceeded);
        let quote = error.quote.as_ref().unwrap();
        let udp = Transport::Udp { source_port: 0xc001, destination_port: 40000, length: 12, checksum: 0x3344 };
        assert_eq!((quote.transport, quote.hop_limit, quote.traffic_class), (udp, 1, 0xb8));
        assert_eq!(quote.payload, [1, 2, 3, 4]);
        let destination: IpAddr = if family == Family::Ipv4 { "203.0.113.10" } else { "2001:db8:203::10" }.parse().unwrap();
        assert_eq!(quote.destination, destination);
    }
}

#[test]
fn quoted_icmp_and_tcp_need_only_eight_octets() {
    let bytes = emit_error(Family::Ipv4, 11, 0, [0; 4], &packet_v4(1, &REQUEST_V4[..8]), &Extensions::default());
    let icmp = Transport::Icmp { kind: 8, code: 0, checksum: 0x7d5b, identifier: 0x1234, sequence: 7 };
    assert_eq!(error_of(&read(Family::Ipv4, &bytes)).quote.as_ref().unwrap().transport, icmp);
    let tcp = [0xc0, 1, 1, 0xbb, 0xde, 0xad, 0xbe, 0xef];
    let bytes = emit_error(Family::Ipv4, 3, 13, [0; 4], &packet_v4(6, &tcp), &Extensions::default());
    let tcp = Transport::Tcp { source_port: 0xc001, destination_port: 443, sequence: 0xdead_beef };
    assert_eq!(error_of(&read(Family::Ipv4, &bytes)).quote.as_ref().unwrap().transport, tcp);
}

#[test]
fn ipv6_extension_headers_before_the_quoted_udp_are_walked() {
    let mut upper = vec![60, 0, 1, 4, 0, 0, 0, 0]; // hop-by-hop, then
    upper.extend([17, 1, 1, 12, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]); // destination options of 16 octets
    upper.extend(UDP_UPPER);
    let bytes = emit_error(Family::Ipv6, 3, 0, [0; 4], &packet_v6(0, &upper), &Extensions::default());
    let parsed = read(Family::Ipv6, &bytes);
    let quote = error_of(&parsed).quote.as_ref().unwrap();
    assert_eq!(quote.protocol, 17);
    assert!(matches!(quote.transport, Transport::Udp { destination_port: 40000, .. }));
}

#[test]
fn meanings_follow_the_standards() {
    // (family, type, code, second word, slug): RFC 792, RFC 1191 section 4, RFC 1122 section 3.2.2.1, RFC 1812 section
    // 5.2.7.1, RFC 4443 sections 3.1 to 3.4.
    let rows = [
        (Family::Ipv4, 3, 0, [0; 4], "unreachable-net"),
        (Family::Ipv4, 3, 1, [0; 4], "unreachable-host"),
        (Family::Ipv4, 3, 2, [0; 4], "unreachable-protocol"),
        (Family::Ipv4, 3, 3, [0; 4], "unreachable-port"),
        (Family::Ipv4, 3, 4, [0, 0, 0x05, 0xd4], "packet-too-big"),
        (Family::Ipv4, 3, 13, [0; 4], "unreachable-prohibited"),
        (Family::Ipv4, 3, 99, [0; 4], "unreachable-unknown"),
        (Family::Ipv4, 11, 0, [0; 4], "hop-limit-exceeded"),
        (Family::Ipv4, 11, 1, [0; 4], "reassembly-timeout"),
        (Family::Ipv4, 12, 0, [9, 0, 0, 0], "parameter-problem"),
        (Family::Ipv6, 1, 0, [0; 4], "unreachable-no-route"),
        (Family::Ipv6, 1, 1, [0; 4], "unreachable-prohibited"),
        (Family::Ipv6, 1, 3, [0; 4], "unreachable-address"),
        (Family::Ipv6, 1, 4, [0; 4], "unreachable-port"),
        (Family::Ipv6, 2, 0, [0, 0, 0x05, 0xd4], "packet-too-big"),
        (Family::Ipv6, 3, 0, [0; 4], "hop-limit-exceeded"),
        (Family::Ipv6, 4, 1, [0, 0, 0, 40], "parameter-problem"),
    ];
    for (family, kind, code, word, slug) in rows {
        let packet = if family == Family::Ipv4 { packet_v4(17, &UDP_UPPER) } else { packet_v6(17, &UDP_UPPER) };
        let bytes = emit_error(family, kind, code, word, &packet, &Extensions::default());
        let parsed = read(family, &bytes);
        let meaning = error_of(&parsed).meaning;
        assert_eq!(meaning.slug(), slug, "{family:?} {kind}/{code}");
        match meaning {
            Meaning::PacketTooBig { mtu } => assert_eq!(mtu, 1492),
            Meaning::ParameterProblem { pointer } => assert_eq!(pointer, if family == Family::Ipv4 { 9 } else { 40 }),
            _ => {}
        }
    }
}

#[test]
fn a_router_that_does_not_tell_its_mtu_is_noticed() {
    let bytes = emit_error(Family::Ipv4, 3, 4, [0; 4], &packet_v4(17, &UDP_UPPER), &Extensions::default());
    assert_eq!(read(Family::Ipv4, &bytes).flaws, [Flaw::MtuMissing]);
}

fn labelled() -> Extensions {
    let entry = MplsEntry { label: 100_048, traffic_class: 0, bottom: true, ttl: 1 };
    Extensions { objects: vec![Object::MplsStack(vec![entry])] }
}

#[test]
fn extensions_stand_behind_a_padded_quote_whose_length_is_told() {
    for (family, kind, packet, octet, words) in
        [(Family::Ipv4, 11, packet_v4(17, &UDP_UPPER), 5, 32), (Family::Ipv6, 3, packet_v6(17, &UDP_UPPER), 4, 16)]
    {
        let bytes = emit_error(family, kind, 0, [0; 4], &packet, &labelled());
        assert_eq!((bytes[octet], bytes.len()), (words, HEADER_LEN + 128 + 12));
        let parsed = read(family, &bytes);
        assert_eq!(parsed.flaws, []);
        assert_eq!(error_of(&parsed).extensions, labelled());
        assert!(error_of(&parsed).quote.is_some());
    }
}

#[test]
fn every_truncation_is_read_or_refused_without_panic() {
    for family in FAMILIES {
        let packet = if family == Family::Ipv4 { packet_v4(17, &UDP_UPPER) } else { packet_v6(17, &UDP_UPPER) };
        let kind = if family == Family::Ipv4 { 11 } else { 3 };
        for reading in [Reading::default(), Reading { tolerant: true, ..Reading::default() }] {
            for whole in [emit_error(family, kind, 0, [0; 4], &packet, &labelled()), REQUEST_V4.to_vec()] {
                for end in 0..whole.len() {
                    assert_eq!(parse(family, &whole[..end], reading).is_err(), end < HEADER_LEN, "{end}");
                }
            }
        }
    }
}

proptest! {
    #[test]
    fn echoes_read_back_as_written(identifier: u16, sequence: u16, payload in prop::collection::vec(any::<u8>(), 0..200)) {
        let echo = Echo { identifier, sequence, payload: &payload };
        for family in FAMILIES {
            let request = emit_request(family, echo);
            prop_assert_eq!(read(family, &request), Parsed { message: Message::EchoRequest(echo), flaws: vec![] });
            let reply = emit_reply(family, echo);
            prop_assert_eq!(read(family, &reply), Parsed { message: Message::EchoReply(echo), flaws: vec![] });
        }
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..400), tolerant: bool) {
        for family in FAMILIES {
            let _ = parse(family, &bytes, Reading { tolerant, pseudo_header: None });
        }
    }
}
