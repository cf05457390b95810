//! DHCP of both families, DNS, ICMP, PPPoE and PPP, VLAN tags, router advertisements, and the mask of a capture.

use std::net::{Ipv4Addr, Ipv6Addr};

use doorstep::unit::Family;
use doorstep::wire::dhcp4::{self, MessageType, option};
use doorstep::wire::dns::{dns64, facts};
use doorstep::wire::icmp::{self, Message, Reading};
use doorstep::wire::{dns as dns_message, icmp::extension::Extensions};

use doorstep::wire::{dhcp6 as dhcp6_message, ipv6, nd, pppoe as discovery, ra as router, stun as viewed};

use super::show;

/// DHCP for IPv4: every option in every form, the examination of an answer, and writing again.
pub fn dhcp4(data: &[u8]) {
    let parsed = match dhcp4::parse(data) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    for flaw in &parsed.flaws {
        show(flaw);
        assert!(!flaw.code().is_empty());
    }
    for decoded in parsed.decoded() {
        std::hint::black_box((decoded.value.to_string(), decoded.name));
        assert_eq!(decoded.name, option::name(decoded.code));
        decoded.flaw.iter().for_each(show);
        let octets = parsed.option(decoded.code).expect("what is decoded is there");
        assert_eq!(option::decode(decoded.code, &octets), decoded);
        if let option::Value::Routes(routes) = &decoded.value {
            // Host bits may have been cleared, so the octets may differ, but not the meaning.
            assert_eq!(option::decode(decoded.code, &option::emit_classless_routes(routes)).value, decoded.value);
        }
    }
    for code in 0..=u8::MAX {
        let is_there = parsed.carried.iter().any(|c| c.tlv.code == code);
        assert_eq!(parsed.option(code).is_some(), is_there, "option {code}");
        std::hint::black_box((parsed.address(code), parsed.addresses(code), parsed.number(code)));
    }
    std::hint::black_box((parsed.message_type().map(|kind| (kind.number(), kind.name())), parsed.default_route()));
    assert!((1..=32).contains(&parsed.prefix(parsed.repr.yours)));
    let request = dhcp4::Repr::request(MessageType::Discover, 7, [2, 0, 0, 0, 0, 1]);
    let inform = dhcp4::Repr::request(MessageType::Inform, 7, [2, 0, 0, 0, 0, 1]);
    for asked in [&request, &inform, &parsed.repr] {
        dhcp4::examine(&parsed, asked).iter().for_each(show);
    }

    let again = dhcp4::parse(&parsed.repr.emit()).expect("what was written is readable");
    assert_eq!((&again.repr, &again.carried), (&parsed.repr, &parsed.carried));
    // Writing mends the options field and breaks nothing.
    assert!(again.flaws.iter().all(|flaw| parsed.flaws.contains(flaw)), "{:?} after {:?}", again.flaws, parsed.flaws);
}

/// DNS: an answer, and names as far as the octets are text.
pub fn dns(data: &[u8]) {
    if let Ok(closer) = dns_message::closer::parse(data) {
        assert_eq!(Ok(&closer.reply), dns_message::parse(data).as_ref(), "both readers say the same of what both read");
        let (texts, six) = (&closer.texts, closer.ipv6());
        std::hint::black_box((facts::AskedFrom::read(texts), facts::Arrivals::read(texts), dns64::Prefix::learn(&six)));
    }
    match dns_message::parse(data) {
        Ok(reply) => {
            assert!(reply.addresses.len() <= reply.answers);
            std::hint::black_box((reply.is_usable(), format!("{reply:?}")));
            asked_again(&reply.name);
        }
        Err(flaw) => show(&flaw),
    }
    let text = String::from_utf8_lossy(data);
    std::hint::black_box(dns_message::address_of_label(&text));
    // A name has 255 octets at most (RFC 1035 section 2.3.4); longer text is refused soon enough without being asked often.
    for word in text.split_whitespace().take(4) {
        asked_again(word);
    }
}

/// A name that can be asked for is a query, and comes back from its answer as it was, in small letters.
fn asked_again(name: &str) {
    let Some(mut bytes) = dns_message::query(0x1234, name) else { return };
    assert_eq!(dns_message::parse(&bytes), Err(dns_message::Flaw::NotAnAnswer));
    // QR (RFC 1035 section 4.1.1): the same question in an answer.
    bytes[2] |= 0x80;
    let reply = dns_message::parse(&bytes).expect("our own query, answered");
    assert_eq!((reply.id, reply.answers), (0x1234, 0));
    let mut twice = dns_message::query(0x1234, &reply.name).expect("a name that came back can be asked for");
    twice[2] |= 0x80;
    assert_eq!(dns_message::parse(&twice), Ok(reply));
}

/// ICMP of both families in every way of reading, with quotes, extensions and label stacks.
pub fn icmp(data: &[u8]) {
    let (from, to) = (Ipv6Addr::LOCALHOST, Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 1));
    for family in [Family::Ipv4, Family::Ipv6] {
        for tolerant in [false, true] {
            for pseudo_header in [None, Some((from, to))] {
                let reading = Reading { pseudo_header, tolerant };
                match icmp::parse(family, data, reading) {
                    Ok(parsed) => walk_icmp(family, data, reading, &parsed),
                    Err(error) => show(&error),
                }
            }
        }
    }
    super::path::answers(data);
}

fn walk_icmp(family: Family, data: &[u8], reading: Reading, parsed: &icmp::Parsed<'_>) {
    parsed.flaws.iter().for_each(show);
    match &parsed.message {
        Message::EchoRequest(echo) | Message::EchoReply(echo) => {
            let is_request = matches!(parsed.message, Message::EchoRequest(_));
            let mut bytes = if is_request { icmp::emit_request(family, *echo) } else { icmp::emit_reply(family, *echo) };
            if let Some((from, to)) = reading.pseudo_header.filter(|_| family == Family::Ipv6) {
                icmp::fill_checksum_v6(from, to, &mut bytes);
            }
            let again = icmp::parse(family, &bytes, reading).expect("what was written is readable");
            assert_eq!((&again.message, again.flaws.as_slice()), (&parsed.message, [].as_slice()));
        }
        Message::Error(error) => {
            std::hint::black_box((error.meaning.words(), error.meaning.slug(), error.meaning.is_port_unreachable()));
            std::hint::black_box(format!("{:?}", error.quote));
            let entries = error.extensions.mpls().inspect(|entry| assert!(entry.label < 1 << 20 && entry.traffic_class < 8));
            // RFC 4950 section 3: four octets per entry, and what is read can't be more than what came.
            assert!(entries.count() * 4 <= data.len());
            written_again(family, data, error);
        }
        Message::Other { .. } => {}
    }
}

/// An error written anew about the same octets has the same meaning and the same extensions.
fn written_again(family: Family, data: &[u8], error: &icmp::Error) {
    let mut rest = [data[4], data[5], data[6], data[7]];
    let extended = !error.extensions.is_empty();
    if extended {
        // The length attribute (RFC 4884 section 4), which is the writer's to fill.
        rest[if family == Family::Ipv4 { 1 } else { 0 }] = 0;
    }
    let quoted = data[icmp::HEADER_LEN..].get(..200).unwrap_or_else(|| &data[icmp::HEADER_LEN..]);
    let bytes = icmp::emit_error(family, error.kind, error.code, rest, quoted, &error.extensions);
    let again = icmp::parse(family, &bytes, Reading::default()).expect("what was written is readable");
    let Message::Error(again) = again.message else { panic!("an error became {again:?}") };
    assert_eq!((again.kind, again.code, again.meaning), (error.kind, error.code, error.meaning));
    if extended {
        assert_eq!(again.extensions, error.extensions);
    }
    assert_eq!(Extensions::default().emit().len(), 4);
    std::hint::black_box(Ipv4Addr::UNSPECIFIED);
}

/// PPPoE discovery: tags, flaws, and writing again.
pub fn pppoe(data: &[u8]) {
    let parsed = match discovery::parse(data) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    parsed.flaws.iter().for_each(show);
    for tag in &parsed.repr.tags {
        std::hint::black_box(discovery::tag::name(tag.number));
        assert!(parsed.repr.all(tag.number).any(|value| value == &*tag.value));
    }
    let written = parsed.repr.emit().expect("what was read fits");
    let again = discovery::parse(&written).expect("what is written can be read");
    assert_eq!(again.repr, parsed.repr);
    // Only a session number can still be odd: cut tags are not written.
    assert!(again.flaws.iter().all(|flaw| matches!(flaw, discovery::Flaw::Session { .. })));
}

/// Router advertisements and neighbours' messages behind an IPv6 header.
pub fn ra(data: &[u8]) {
    let (header, payload) = match ipv6::parse(data) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    assert_eq!(header.emit(payload).as_deref(), data.get(..ipv6::HEADER_LEN + payload.len()));
    for has_checksum in [false, true] {
        match router::parse(&header, payload, has_checksum) {
            Ok((said, flaws)) => {
                std::hint::black_box(format!("{said:?}"));
                flaws.iter().for_each(show);
            }
            Err(error) => show(&error),
        }
        if let Some(message) = nd::parse(&header, payload, has_checksum) {
            let bytes = message.emit(header.source, header.destination);
            let (header, payload) = ipv6::parse(&bytes).expect("what was written is readable");
            assert_eq!(nd::parse(&header, payload, true), Some(message));
        }
    }
}

/// The mask of a capture: lengths stay, masking again changes nothing, and what is written is a block that can be walked.
pub fn mask(data: &[u8]) {
    use doorstep::wire::pcapng::{Packet, Way, packet};
    let Some(masked) = doorstep::wire::mask::mask(data) else { return };
    assert_eq!((masked.octets.len(), masked.is_changed), (data.len(), masked.octets != data));
    let again = doorstep::wire::mask::mask(&masked.octets).expect("still control");
    assert_eq!((again.octets.as_slice(), again.is_changed), (masked.octets.as_slice(), false));
    let written = packet(&Packet { at_ns: 1, way: Way::In, octets: &masked.octets, whole_len: 1514, comment: None });
    assert_eq!(written[4..8], written[written.len() - 4..]);
}

/// DHCPv6 messages.
pub fn dhcp6(data: &[u8]) {
    let (message, flaws) = match dhcp6_message::parse(data) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    flaws.iter().for_each(show);
    message.client().into_iter().chain(message.server()).for_each(show);
    std::hint::black_box((message.status(), message.resolvers(), message.addresses().count(), message.prefixes().count()));
    let (again, _) = dhcp6_message::parse(&message.emit()).expect("what was written is readable");
    assert_eq!(again, message);
}

/// A PPPoE session's frame with PPP's control packets inside: what is read is written back.
pub fn ppp(data: &[u8]) {
    use doorstep::wire::ppp;
    let frame = match discovery::session(data) {
        Ok((number, frame)) => {
            let header = discovery::session_header(number, frame.len() as u16);
            assert_eq!([&header[..], frame].concat(), data[..header.len() + frame.len()]);
            frame
        }
        Err(error) => {
            show(&error);
            data
        }
    };
    let Ok((protocol, information)) = ppp::frame(frame) else { return };
    std::hint::black_box(ppp::protocol_name(protocol));
    let packet = match ppp::control(information) {
        Ok(packet) => packet,
        Err(error) => return show(&error),
    };
    let (again, written) = (packet.emit(protocol), ppp::frame(frame).expect("read before").1);
    assert_eq!(again[2..], written[..ppp::CONTROL_LEN + packet.data.len()]);
    match ppp::settings(&packet.data) {
        Ok(settings) => assert_eq!(ppp::emit_settings(&settings), packet.data),
        Err(error) => show(&error),
    }
    let _ = ppp::pap_request(&packet.data).map(|(name, password)| ppp::emit_pap_request(name, password));
    if let Ok((value, name)) = ppp::chap_value(&packet.data) {
        assert_eq!(ppp::emit_chap_value(value, name), packet.data);
    }
}

/// VLAN tags around frames: what is pushed is stripped. The first four octets are the tags' numbers.
pub fn vlan(data: &[u8]) {
    use doorstep::wire::vlan::TagStack;
    let Some((numbers, frame)) = data.split_first_chunk::<4>() else { return };
    let number = |at: usize| u16::from_be_bytes([numbers[at], numbers[at + 1]]) & 0x0fff;
    for stack in [TagStack::NONE, TagStack::single(number(0)), TagStack::double(number(0), number(2))] {
        std::hint::black_box((stack.to_string(), stack.strip(stack.tags().first().copied(), frame)));
        let tagged = stack.push(frame);
        let is_plain = frame.len() >= 14 && !matches!(frame[12..14], [0x81, 0] | [0x88, 0xa8]);
        if is_plain && stack.tags().iter().all(|tag| tag.vlan() != 0) {
            let aside = if stack.is_none() { tagged.clone() } else { [&tagged[..12], &tagged[16..]].concat() };
            let got = stack.strip(stack.tags().first().copied(), &aside).map(|pieces| pieces.concat());
            assert_eq!(got.as_deref(), Some(frame));
        }
    }
    let _ = String::from_utf8_lossy(data).parse::<TagStack>();
}

/// STUN: what is read can be written again, and a signature fits one key only.
pub fn stun(data: &[u8]) {
    let key = doorstep::wire::stamp::Key::new(b"a key of the seeds");
    let received = match viewed::parse(data) {
        Ok(received) => received,
        Err(error) => return show(&error),
    };
    assert!(!received.is_signed_by(&doorstep::wire::stamp::Key::new(b"no key of anybody")));
    std::hint::black_box(received.is_signed_by(&key));
    // Octets that pad a value need not be zero, and a message without a signature is shorter: the meaning stays.
    if let Ok(written) = received.message.emit(&key, None) {
        let again = viewed::parse(&written).expect("what was written is readable");
        assert!(again.is_signed_by(&key));
        assert_eq!(again.message, received.message);
    }
}

/// The segment size of a SYN.
pub fn syn(data: &[u8]) {
    std::hint::black_box(doorstep::wire::syn::segment_size(data));
}
