use proptest::prelude::*;

use super::*;
use crate::wire::ethernet::{Mac, Tag};
use crate::wire::{dhcp4, ipv4 as ip, udp};

const HERE: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 50);
const THERE: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 7);
const SECRET: &[u8] = b"S3cr3t-of-the-line";
const NAME: &[u8] = b"ann@example.net";

fn frame(ethertype: u16, tags: &[Tag], payload: &[u8]) -> Vec<u8> {
    let repr = ethernet::Repr {
        destination: Mac([2, 0, 0x5e, 0, 0, 2]),
        source: Mac([2, 0, 0x5e, 0, 0, 1]),
        tags: tags.to_vec(),
        ethertype,
    };
    repr.emit(payload)
}

/// A PPP packet in a session: protocol, code, identifier 1, data.
fn ppp(protocol: u16, code: u8, data: &[u8]) -> Vec<u8> {
    let len = (data.len() + 4) as u16;
    let body = [&protocol.to_be_bytes()[..], &[code, 1], &len.to_be_bytes(), data].concat();
    let packet = [&[0x11, 0, 0x12, 0x34][..], &(body.len() as u16).to_be_bytes(), &body].concat();
    frame(pppoe::SESSION, &[], &packet)
}

fn holds(octets: &[u8], piece: &[u8]) -> bool {
    octets.windows(piece.len()).any(|window| window == piece)
}

fn kept(frame: &[u8]) -> Vec<u8> {
    let masked = mask(frame).expect("control");
    assert_eq!(masked.octets.len(), frame.len(), "lengths stay true");
    assert_eq!(masked.is_changed, masked.octets != frame);
    masked.octets
}

#[test]
fn names_and_passwords_of_pap_are_masked_and_their_lengths_stay() {
    // RFC 1334 section 2.2.1.
    let data = [&[NAME.len() as u8], NAME, &[SECRET.len() as u8], SECRET].concat();
    let request = ppp(0xc023, 1, &data);
    let masked = kept(&request);
    assert!(!holds(&masked, SECRET) && !holds(&masked, NAME) && !holds(&masked, b"ann"));
    assert_eq!(masked[..26], request[..26], "headers stay");
    assert_eq!(masked[26], NAME.len() as u8);
    assert_eq!(masked[27 + NAME.len()], SECRET.len() as u8);
    let message = [&[NAME.len() as u8], NAME].concat();
    for code in [2, 3] {
        assert!(!holds(&kept(&ppp(0xc023, code, &message)), NAME), "a message may repeat the name");
    }
}

#[test]
fn a_pap_request_with_lying_lengths_leaks_nothing() {
    for name_len in [0, 1, 14, 16, 200, 255] {
        let data = [&[name_len], NAME, &[SECRET.len() as u8], SECRET].concat();
        for code in [0, 1, 2, 3, 9] {
            let masked = kept(&ppp(0xc023, code, &data));
            assert!(!holds(&masked, b"S3cr") && !holds(&masked, b"@exa"), "{name_len} {code}");
        }
    }
}

#[test]
fn responses_of_chap_are_masked_and_challenges_stay() {
    // RFC 1994 section 4.1.
    let value = [&[16], &[0xab; 16][..], NAME].concat();
    let challenge = ppp(0xc223, 1, &value);
    assert_eq!(kept(&challenge), challenge);
    let response = kept(&ppp(0xc223, 2, &value));
    assert!(!holds(&response, &[0xab; 2]) && !holds(&response, b"ann"));
    assert_eq!(response[26], 16, "the length of the value stays");
    for code in [3, 4] {
        // RFC 2759 section 5: success holds the server's proof.
        assert!(!holds(&kept(&ppp(0xc223, code, b"S=0123456789ABCDEF M=welcome ann")), b"0123"));
    }
}

#[test]
fn eap_keeps_its_type_only() {
    let masked = kept(&ppp(0xc227, 2, &[&[1], NAME].concat()));
    assert_eq!(masked[26], 1);
    assert!(!holds(&masked, b"ann"));
}

#[test]
fn options_of_lcp_stay_and_what_was_rejected_or_echoed_does_not() {
    let configure = ppp(0xc021, 1, &[1, 4, 5, 0xd4, 3, 4, 0xc0, 0x23, 5, 6, 1, 2, 3, 4]);
    assert_eq!(kept(&configure), configure);
    let rejected = kept(&ppp(0xc021, 8, &[&[0xc0, 0x23, 1, 1, 0, 20][..], NAME, SECRET].concat()));
    assert!(!holds(&rejected, b"ann") && holds(&rejected, &[0xc0, 0x23]));
    for code in [7, 9, 10, 11, 12, 200] {
        assert!(!holds(&kept(&ppp(0xc021, code, &[&[1, 2, 3, 4], SECRET].concat())), b"S3cr"), "{code}");
    }
    let addresses = ppp(0x8021, 3, &[3, 6, 198, 51, 100, 9, 129, 6, 203, 0, 113, 53]);
    assert_eq!(kept(&addresses), addresses);
}

#[test]
fn data_of_a_session_is_nobodys_business() {
    let datagram = |port| udp::Repr { source_port: 40_000, destination_port: port }.emit(SECRET, HERE, THERE);
    let packet = ip::Repr::plain(HERE, THERE, ip::UDP).emit(&datagram(5060));
    let inner = [&[0x11, 0, 0, 9][..], &(packet.len() as u16 + 2).to_be_bytes(), &[0, 0x21], &packet].concat();
    assert_eq!(mask(&frame(pppoe::SESSION, &[], &inner)), None);
    for port in [53, 67, 80, 443, 546] {
        let packet = ip::Repr::plain(HERE, THERE, ip::UDP).emit(&datagram(port));
        assert_eq!(mask(&frame(ethernet::IPV4, &[], &packet)), None, "{port}: also at a port of DHCP it is none");
    }
    let tcp = ip::Repr::plain(HERE, THERE, 6).emit(&[0; 20]);
    assert_eq!(mask(&frame(ethernet::IPV4, &[], &tcp)), None);
    assert_eq!(mask(&frame(0x88cc, &[], SECRET)), None);
    assert_eq!(mask(&[1; 13]), None);
}

fn echo(payload: &[u8]) -> Vec<u8> {
    let mut message = [&[8, 0, 0, 0, 0, 7, 0, 1][..], payload].concat();
    let sum = crate::wire::checksum::internet(&message);
    message[2..4].copy_from_slice(&sum.to_be_bytes());
    ip::Repr::plain(HERE, THERE, 1).emit(&message)
}

#[test]
fn an_echo_keeps_eight_octets_and_a_right_checksum() {
    let tags = [Tag { kind: ethernet::PROVIDER_TAG, control: 100 }, Tag { kind: ethernet::TAG, control: 7 }];
    for tags in [&tags[..0], &tags[..1], &tags[..]] {
        let masked = mask(&frame(ethernet::IPV4, tags, &echo(&[b"12345678", SECRET].concat()))).expect("control");
        assert!(masked.is_changed && !masked.is_checksum_wrong);
        let at = 14 + 4 * tags.len() + 20;
        assert_eq!(&masked.octets[at + 8..at + 16], b"12345678");
        assert!(!holds(&masked.octets, b"S3cr"));
        let message = &masked.octets[at..at + 16 + SECRET.len()];
        assert_eq!(crate::wire::checksum::internet(message), 0, "right again (RFC 1071)");
    }
    let third = [tags[0], tags[1], tags[1]];
    assert_eq!(mask(&frame(ethernet::IPV4, &third, &echo(b""))), None, "three tags are not understood");
}

#[test]
fn a_checksum_that_was_wrong_stays_wrong_and_is_told() {
    let mut packet = echo(SECRET);
    packet[22] ^= 0x55;
    let masked = mask(&frame(ethernet::IPV4, &[], &packet)).expect("control");
    assert!(masked.is_checksum_wrong);
    assert_eq!(masked.octets[14 + 22], packet[22]);
}

#[test]
fn an_icmp_error_keeps_headers_of_what_it_quotes() {
    let quoted = ip::Repr::plain(HERE, THERE, ip::UDP)
        .emit(&udp::Repr { source_port: 40_000, destination_port: 33_434 }.emit(SECRET, HERE, THERE));
    let error = ip::Repr::plain(THERE, HERE, 1).emit(&[&[11, 0, 0, 0, 0, 0, 0, 0][..], &quoted].concat());
    let masked = kept(&frame(ethernet::IPV4, &[], &error));
    let at = 14 + 20 + 8;
    assert_eq!(masked[at..at + 28], quoted[..28]);
    assert!(!holds(&masked, b"S3cr"));
}

#[test]
fn padding_is_cleared_and_fragments_are_not_written() {
    let mut arp =
        frame(ethernet::ARP, &[], &[0, 1, 8, 0, 6, 4, 0, 1, 2, 0, 0x5e, 0, 0, 1, 192, 0, 2, 50, 0, 0, 0, 0, 0, 0, 192, 0, 2, 1]);
    arp.resize(42, 0);
    let padded = [&arp[..], SECRET].concat();
    let masked = kept(&padded);
    assert_eq!(masked[..42], arp[..42]);
    assert!(masked[42..].iter().all(|octet| *octet == 0));
    let mut fragment = echo(SECRET);
    fragment[7] = 5;
    assert_eq!(mask(&frame(ethernet::IPV4, &[], &fragment)), None);
}

fn dhcp(options: &[(u8, &[u8])]) -> Vec<u8> {
    let asked = dhcp4::Repr::request(dhcp4::MessageType::Request, 7, [2, 0, 0x5e, 0, 0, 1]);
    let message = options.iter().fold(asked, |repr, (code, value)| repr.with(*code, value.to_vec())).emit();
    let datagram = udp::Repr { source_port: 68, destination_port: 67 }.emit(&message, HERE, THERE);
    frame(ethernet::IPV4, &[], &ip::Repr::plain(HERE, THERE, ip::UDP).emit(&datagram))
}

#[test]
fn dhcp_is_written_whole_but_for_what_authenticates() {
    let plain = dhcp(&[(82, &[1, 4, b'p', b'o', b'r', b't']), (43, SECRET), (60, b"vendor"), (12, b"laptop")]);
    assert_eq!(kept(&plain), plain, "vendor and relay values stay");
    // RFC 3118 section 2: protocol, algorithm, method, replay counter of 8, then the proof.
    let proof = [&[0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8][..], SECRET].concat();
    let masked = mask(&dhcp(&[(90, &proof), (12, b"laptop")])).expect("control");
    assert!(holds(&masked.octets, &proof[..11]) && holds(&masked.octets, b"laptop") && !holds(&masked.octets, b"S3cr"));
    assert!(!masked.is_checksum_wrong);
    let ip = ip::parse(&masked.octets[14..]).expect("valid");
    let datagram = udp::parse(ip.payload, HERE, THERE).expect("valid");
    assert_eq!(datagram.checksum, udp::Checksum::Right);
    // In pieces (RFC 3396): 300 octets.
    let long = [&proof[..11], &[0xab; 289]].concat();
    assert!(!holds(&kept(&dhcp(&[(90, &long)])), &[0xab; 2]));
}

#[test]
fn dhcpv6_keys_are_masked_also_behind_a_relay() {
    let client = Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 1);
    let server = Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 2);
    // Reply with a client identifier and a reconfigure key (RFC 8415 section 20.4.1).
    let key = [&[3, 1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1][..], &[0xab; 16]].concat();
    let option = |code: u16, value: &[u8]| [&code.to_be_bytes()[..], &(value.len() as u16).to_be_bytes(), value].concat();
    let reply = [&[7, 1, 2, 3][..], &option(1, b"\0\x03\0\x01client"), &option(11, &key), &option(23, &[0x20; 16])].concat();
    let relayed = [&[13, 0][..], &[0; 32], &option(9, &reply)].concat();
    for message in [reply, relayed] {
        let mut datagram = [&[2, 0x23, 2, 0x22][..], &(message.len() as u16 + 8).to_be_bytes(), &[0, 0], &message].concat();
        let sum =
            Sum::new().with_pseudo_header(server.into(), client.into(), UDP, datagram.len() as u32).with(&datagram).checksum();
        datagram[6..8].copy_from_slice(&sum.to_be_bytes());
        let repr =
            ipv6::Repr { source: server, destination: client, next_header: UDP, hop_limit: 64, traffic_class: 0, flow_label: 0 };
        let masked = mask(&frame(ipv6::ETHERTYPE, &[], &repr.emit(&datagram).expect("it fits"))).expect("control");
        assert!(!holds(&masked.octets, &[0xab; 2]) && holds(&masked.octets, b"client") && holds(&masked.octets, &[0x20; 16]));
        let body = &masked.octets[54..];
        let sum = Sum::new().with_pseudo_header(server.into(), client.into(), UDP, body.len() as u32).with(body);
        assert_eq!((sum.folded(), masked.is_checksum_wrong), (0xffff, false));
    }
}

proptest! {
    #[test]
    fn any_octets_are_masked_or_left_out(octets in prop::collection::vec(any::<u8>(), 0..400), which in 0..8_usize) {
        let ethertype = [0x0800, 0x0806, 0x86dd, 0x8863, 0x8864, 0x8100, 0x88a8, 0x1234][which];
        let whole = frame(ethertype, &[], &octets);
        if let Some(masked) = mask(&whole) {
            prop_assert_eq!(masked.octets.len(), whole.len());
            // Masking again changes nothing more.
            prop_assert_eq!(mask(&masked.octets).map(|again| again.octets), Some(masked.octets));
        }
    }

    #[test]
    fn no_octet_of_a_secret_survives_in_any_order_of_codes(code in any::<u8>(), protocol in 0..3_usize, cut in 0..40_usize) {
        let data = [&[NAME.len() as u8], NAME, &[SECRET.len() as u8], SECRET].concat();
        let whole = ppp([0xc023, 0xc223, 0xc227][protocol], code, &data);
        // A challenge of CHAP asks and proves nothing.
        if protocol == 1 && code == 1 {
            return Ok(());
        }
        if let Some(masked) = mask(&whole[..whole.len() - cut.min(whole.len() - 14)]) {
            prop_assert!(!holds(&masked.octets, b"S3c") && !holds(&masked.octets, b"nn@"));
        }
    }
}
