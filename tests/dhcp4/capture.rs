//! DHCP as others see it.

use std::net::Ipv4Addr;

use doorstep::net::netns::Namespace;

use crate::common_capture::Capture;

/// A DHCP message as tshark reads it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Seen {
    /// Seconds since the epoch.
    pub(crate) at: f64,
    /// Option 53.
    pub(crate) kind: u8,
    pub(crate) transaction: u32,
    pub(crate) source: Ipv4Addr,
    pub(crate) client: Ipv4Addr,
    pub(crate) yours: Ipv4Addr,
    /// Numbers of all options, in order.
    pub(crate) options: Vec<u8>,
    /// tshark found the IP and the UDP checksum right.
    pub(crate) checksums_are_right: bool,
    /// What tshark complains about.
    pub(crate) complaints: String,
}

/// Begins to capture DHCP on a port.
pub(crate) fn start(place: &Namespace, port: &str) -> Capture {
    Capture::start(place, port, "udp port 67 or udp port 68")
}

/// Ends the capture and has tshark read it.
pub(crate) fn end(capture: Capture) -> Vec<Seen> {
    capture.end(FIELDS).iter().map(message).collect()
}

const FIELDS: [&str; 10] = [
    "frame.time_epoch",
    "dhcp.option.dhcp",
    "dhcp.id",
    "ip.src",
    "dhcp.ip.client",
    "dhcp.ip.your",
    "dhcp.option.type",
    "ip.checksum.status",
    "udp.checksum.status",
    "_ws.expert.message",
];

fn message(parts: &[String; 10]) -> Seen {
    let text = parts.join("|");
    let text = text.as_str();
    let [at, kind, id, source, client, yours, options, ip, udp, complaints] = parts.each_ref().map(String::as_str);
    Seen {
        at: at.parse().expect(text),
        kind: kind.parse().expect(text),
        transaction: u32::from_str_radix(id.trim_start_matches("0x"), 16).expect(text),
        source: source.parse().expect(text),
        client: client.parse().expect(text),
        yours: yours.parse().expect(text),
        options: options.split(',').map(|o| o.parse().expect(text)).collect(),
        // 1 is "good" in tshark's own numbering.
        checksums_are_right: (ip, udp) == ("1", "1"),
        complaints: complaints.to_owned(),
    }
}
