//! From the frame up: Ethernet with its tags, ARP, IPv4, UDP, and what UDP carries.

use std::net::Ipv4Addr;

use doorstep::wire::{arp, dhcp4, dns, ethernet, ipv4, udp};

use super::show;

/// A frame, and each layer also by itself.
pub fn link(data: &[u8]) {
    frame(data);
    neighbour(data);
    packet(data);
    datagram(data, Ipv4Addr::new(192, 0, 2, 1), Ipv4Addr::new(198, 51, 100, 7));
}

fn frame(data: &[u8]) {
    let parsed = match ethernet::parse(data) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    std::hint::black_box(format!("{} {} {:?}", parsed.repr.source, parsed.repr.destination, parsed.flaws));
    assert!(parsed.repr.tags.iter().all(|tag| tag.vlan() < 4096));
    let bytes = parsed.repr.emit(parsed.payload);
    let again = ethernet::parse(&bytes).expect("what was written is readable");
    assert_eq!((&again.repr, &again.flaws), (&parsed.repr, &parsed.flaws));
    // A short frame is padded; nothing else is added.
    assert!(again.payload.starts_with(parsed.payload) && bytes.len() == data.len().max(ethernet::SHORTEST));
    match parsed.repr.ethertype {
        ethernet::ARP => neighbour(parsed.payload),
        ethernet::IPV4 => packet(parsed.payload),
        _ => {}
    }
}

fn neighbour(data: &[u8]) {
    match arp::parse(data) {
        Ok(repr) => assert_eq!(repr.emit(), data[..arp::LEN]),
        Err(error) => show(&error),
    }
}

fn packet(data: &[u8]) {
    let parsed = match ipv4::parse(data) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    let bytes = parsed.repr.emit(parsed.payload);
    let again = ipv4::parse(&bytes).expect("what was written is readable");
    assert_eq!((&again.repr, again.payload), (&parsed.repr, parsed.payload));
    let sound = |flaw: &&ipv4::Flaw| !matches!(flaw, ipv4::Flaw::Checksum { .. } | ipv4::Flaw::ReservedBit);
    // Writing fills the checksum and clears the bit that must be zero; the rest is the sender's word.
    assert_eq!(again.flaws.iter().collect::<Vec<_>>(), parsed.flaws.iter().filter(sound).collect::<Vec<_>>());
    if parsed.repr.protocol == ipv4::UDP && !parsed.repr.is_fragment() {
        datagram(parsed.payload, parsed.repr.source, parsed.repr.destination);
    }
}

fn datagram(data: &[u8], source: Ipv4Addr, destination: Ipv4Addr) {
    let parsed = match udp::parse(data, source, destination) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    assert_eq!(udp::HEADER_LEN + parsed.payload.len() + parsed.left_over, data.len());
    let bytes = parsed.repr.emit(parsed.payload, source, destination);
    let again = udp::parse(&bytes, source, destination).expect("what was written is readable");
    assert_eq!((again.repr, again.payload, again.left_over), (parsed.repr, parsed.payload, 0));
    assert_eq!(again.checksum, udp::Checksum::Right);
    if let udp::Checksum::Wrong { right, .. } = parsed.checksum {
        assert_eq!(bytes[6..8], right.to_be_bytes(), "what would have been right is what is written");
    }
    match (parsed.repr.source_port, parsed.repr.destination_port) {
        (dhcp4::SERVER_PORT, _) | (_, dhcp4::SERVER_PORT) => super::dhcp4(parsed.payload),
        (53, _) => drop(std::hint::black_box(dns::parse(parsed.payload))),
        _ => {}
    }
}
