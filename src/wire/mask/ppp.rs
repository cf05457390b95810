//! PPP in a PPPoE session (RFC 2516, RFC 1661): its own protocols without their secrets, and what control IP carries in it.

use super::{Kept, clear, ipv4, ipv6, number, pppoe};

/// Protocol numbers (RFC 1661 section 2): network layer, network control from 0x8000, link control from 0xc000.
const IPV4: u16 = 0x0021;
const IPV6: u16 = 0x0057;
const NETWORK_CONTROL: std::ops::RangeInclusive<u16> = 0x8000..=0xbfff;
const LCP: u16 = 0xc021;
const PAP: u16 = 0xc023;
const CHAP: u16 = 0xc223;
const EAP: u16 = 0xc227;

/// Masks a packet of a session; `None` for data.
pub(super) fn session(packet: &mut [u8]) -> Option<Kept> {
    let header = pppoe::HEADER_LEN + 2;
    let end = (pppoe::HEADER_LEN + usize::from(number(packet, 4)?)).min(packet.len());
    let protocol = number(packet, pppoe::HEADER_LEN)?;
    let body = packet.get_mut(header..end)?;
    let inner = match protocol {
        IPV4 => ipv4(body)?,
        IPV6 => ipv6(body)?,
        LCP => packet_of(body, lcp)?,
        PAP => packet_of(body, pap)?,
        CHAP => packet_of(body, chap)?,
        EAP => packet_of(body, eap)?,
        protocol if NETWORK_CONTROL.contains(&protocol) => packet_of(body, network_control)?,
        _ => return None,
    };
    Some(Kept { len: header + inner.len, ..inner })
}

/// Code, identifier, length (RFC 1661 section 5); the mask gets the code and what follows the length.
fn packet_of(body: &mut [u8], mask: fn(u8, &mut [u8])) -> Option<Kept> {
    let end = usize::from(number(body, 2)?).clamp(4, body.len());
    mask(body[0], &mut body[4..end]);
    Some(Kept::whole(end))
}

/// Options, and reasons in words, are control. What was rejected, echoed or discarded may be anything (sections 5.6 to 5.9,
/// RFC 1570 section 2).
fn lcp(code: u8, data: &mut [u8]) {
    match code {
        1..=6 => {}
        // Protocol-Reject keeps the number of the protocol.
        8 => clear(data, 2),
        // Echo-Request, Echo-Reply, Discard-Request and later ones keep the magic number.
        9..=13 => clear(data, 4),
        _ => clear(data, 0),
    }
}

/// Codes 1 to 7 of RFC 1661 section 5 as each network control protocol has them; a rejected packet may be anything.
fn network_control(code: u8, data: &mut [u8]) {
    if !(1..=6).contains(&code) {
        clear(data, 0);
    }
}

/// RFC 1334 section 2: peer's name and password, each behind its length; then a message, which may repeat the name.
fn pap(code: u8, data: &mut [u8]) {
    if code != 1 {
        return behind_length(data, 0);
    }
    let name = usize::from(data.first().copied().unwrap_or(0));
    let password_at = (1 + name).min(data.len());
    data[1.min(password_at)..password_at].fill(0);
    behind_length(data, password_at);
}

/// Keeps the length octet at an offset and clears all behind it.
fn behind_length(data: &mut [u8], at: usize) {
    clear(data, at + 1);
}

/// RFC 1994 section 4: a challenge asks and stays; a response proves and names, and a message may hold a proof as well
/// (RFC 2759 section 5).
fn chap(code: u8, data: &mut [u8]) {
    match code {
        1 => {}
        // The length of the value stays.
        2 => clear(data, 1),
        _ => clear(data, 0),
    }
}

/// RFC 3748 section 4: the type stays, what is exchanged under it does not.
fn eap(_: u8, data: &mut [u8]) {
    clear(data, 1);
}
