//! DHCP and DHCPv6: written whole but for what authenticates.
//!
//! Values of the trade (options 43, 82, 90's head, 125) stay: they are what a fault is found by.

/// Authentication: DHCP option 90 (RFC 3118), DHCPv6 option 11 (RFC 8415 section 21.11). Protocol, algorithm, method and replay
/// counter stay, what proves is cleared.
const AUTHENTICATION_V4: u8 = 90;
const AUTHENTICATION_V6: u16 = 11;
const AUTHENTICATION_HEAD: usize = 11;
/// Both ends speak from ports of the protocol; anything else at them is not it.
pub(super) const V4: Protocol = Protocol { ports: [67, 68], mask: v4 };
pub(super) const V6: Protocol = Protocol { ports: [546, 547], mask: |message| v6(message, 0) };
const COOKIE: [u8; 4] = [99, 130, 83, 99];
const COOKIE_AT: usize = 236;
/// `sname` and `file`, which may hold options (RFC 2132 section 9.3).
const SERVER_NAME: std::ops::Range<usize> = 44..108;
const BOOT_FILE: std::ops::Range<usize> = 108..236;
const OVERLOAD: u8 = 52;
/// Relays within relays.
const MOST_DEPTH: usize = 8;
const RELAY_MESSAGE: u16 = 9;

/// One of the two.
pub(super) struct Protocol {
    ports: [u16; 2],
    mask: fn(&mut [u8]) -> Option<()>,
}

/// Masks a UDP datagram; `None` when it is not of the protocol.
pub(super) fn udp(datagram: &mut [u8], protocol: Protocol) -> Option<()> {
    const HEADER: usize = 8;
    let (source, destination) = (super::number(datagram, 0)?, super::number(datagram, 2)?);
    if !protocol.ports.contains(&source) || !protocol.ports.contains(&destination) {
        return None;
    }
    let end = usize::from(super::number(datagram, 4)?).clamp(HEADER, datagram.len().max(HEADER));
    (protocol.mask)(datagram.get_mut(HEADER..end)?)?;
    super::clear(datagram, end);
    Some(())
}

fn v4(message: &mut [u8]) -> Option<()> {
    if message.get(COOKIE_AT..COOKIE_AT + 4)? != COOKIE {
        return None;
    }
    let mut kept = 0;
    let overload = options_v4(&mut message[COOKIE_AT + 4..], &mut kept);
    if overload & 1 != 0 {
        options_v4(&mut message[BOOT_FILE], &mut kept);
    }
    if overload & 2 != 0 {
        options_v4(&mut message[SERVER_NAME], &mut kept);
    }
    Some(())
}

/// Walks options and masks; returns the value of option 52. `kept` counts what was kept of an authentication that comes in
/// several pieces (RFC 3396).
fn options_v4(options: &mut [u8], kept: &mut usize) -> u8 {
    let (mut at, mut overload) = (0, 0);
    while let Some(code) = options.get(at).copied() {
        match code {
            0 => at += 1,
            255 => {
                // Padding behind the end is none of the message.
                super::clear(options, at + 1);
                break;
            }
            _ => {
                let len = usize::from(options.get(at + 1).copied().unwrap_or(0));
                let value = (at + 2).min(options.len())..(at + 2 + len).min(options.len());
                if code == AUTHENTICATION_V4 {
                    let keep = AUTHENTICATION_HEAD.saturating_sub(*kept).min(value.len());
                    *kept += keep;
                    options[value.start + keep..value.end].fill(0);
                } else if code == OVERLOAD {
                    overload = options.get(value.start).copied().unwrap_or(0);
                }
                at = at + 2 + len;
            }
        }
    }
    overload
}

fn v6(message: &mut [u8], depth: usize) -> Option<()> {
    let is_relayed = matches!(*message.first()?, 12 | 13);
    let mut at = if is_relayed { 34 } else { 4 };
    while let (Some(code), Some(len)) = (super::number(message, at), super::number(message, at + 2)) {
        let value = at + 4..(at + 4 + usize::from(len)).min(message.len());
        match code {
            AUTHENTICATION_V6 => super::clear(&mut message[value.clone()], AUTHENTICATION_HEAD),
            RELAY_MESSAGE if depth < MOST_DEPTH => {
                v6(&mut message[value.clone()], depth + 1);
            }
            RELAY_MESSAGE => message[value.clone()].fill(0),
            _ => {}
        }
        at = value.end.max(at + 4);
    }
    // What is left is too short for an option.
    super::clear(message, at);
    Some(())
}
