//! The attributes of a STUN message that this program reads and writes; others are kept as octets.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use super::{MAGIC, Transaction};

/// One attribute.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Attribute {
    /// USERNAME (RFC 8489 section 14.3): with us the number of the session.
    Username(u16),
    /// NONCE (section 14.10): with us the proof that its sender receives at the address that it sends from.
    Nonce([u8; 16]),
    /// XOR-MAPPED-ADDRESS (section 14.2): where the request came from.
    MappedAddress(SocketAddr),
    /// CHANGE-REQUEST (RFC 5780 section 7.2) for the port: answer from the other port.
    ChangePort,
    /// PADDING (RFC 5780 section 7.6), as so many octets.
    Padding(usize),
    /// Ours: the answer is to be a datagram of so many octets.
    ReplySize(u16),
    /// Ours: the answer is to come after so many seconds.
    Delay(u16),
    /// Ours: an earlier answer to this address was too large for a router on the way, which named this MTU.
    TooBig(u16),
    /// Any other.
    Other {
        /// Type.
        kind: u16,
        /// Value without its padding.
        value: Vec<u8>,
    },
}

const USERNAME: u16 = 0x0006;
const CHANGE_REQUEST: u16 = 0x0003;
const NONCE: u16 = 0x0015;
const XOR_MAPPED_ADDRESS: u16 = 0x0020;
const PADDING: u16 = 0x0026;
const REPLY_SIZE: u16 = 0xc0d0;
const DELAY: u16 = 0xc0d1;
const TOO_BIG: u16 = 0xc0d2;
/// CHANGE-REQUEST's bit for the port; that for the address is 4.
const CHANGE_PORT: [u8; 4] = [0, 0, 0, 2];

impl Attribute {
    /// Reads a value; `None` when it does not fit its type.
    pub(super) fn parse(kind: u16, value: &[u8], transaction: &Transaction) -> Option<Self> {
        let number = || Some(u16::from_be_bytes(value.try_into().ok()?));
        Some(match kind {
            USERNAME if value.len() == 2 => Self::Username(number()?),
            NONCE if value.len() == 16 => Self::Nonce(value.try_into().ok()?),
            XOR_MAPPED_ADDRESS => Self::MappedAddress(mapped(value, transaction)?),
            CHANGE_REQUEST if value == CHANGE_PORT => Self::ChangePort,
            PADDING if value.iter().all(|octet| *octet == 0) => Self::Padding(value.len()),
            REPLY_SIZE => Self::ReplySize(number()?),
            DELAY => Self::Delay(number()?),
            TOO_BIG => Self::TooBig(number()?),
            kind => Self::Other { kind, value: value.to_vec() },
        })
    }

    pub(super) fn kind(&self) -> u16 {
        match self {
            Self::Username(_) => USERNAME,
            Self::Nonce(_) => NONCE,
            Self::MappedAddress(_) => XOR_MAPPED_ADDRESS,
            Self::ChangePort => CHANGE_REQUEST,
            Self::Padding(_) => PADDING,
            Self::ReplySize(_) => REPLY_SIZE,
            Self::Delay(_) => DELAY,
            Self::TooBig(_) => TOO_BIG,
            Self::Other { kind, .. } => *kind,
        }
    }

    pub(super) fn value_len(&self) -> usize {
        match self {
            Self::Username(_) | Self::ReplySize(_) | Self::Delay(_) | Self::TooBig(_) => 2,
            Self::Nonce(_) => 16,
            Self::MappedAddress(SocketAddr::V4(_)) => 8,
            Self::MappedAddress(SocketAddr::V6(_)) => 20,
            Self::ChangePort => 4,
            Self::Padding(octets) => *octets,
            Self::Other { value, .. } => value.len(),
        }
    }

    pub(super) fn write(&self, transaction: &Transaction, bytes: &mut Vec<u8>) {
        match self {
            Self::Username(n) | Self::ReplySize(n) | Self::Delay(n) | Self::TooBig(n) => bytes.extend(n.to_be_bytes()),
            Self::Nonce(nonce) => bytes.extend(nonce),
            Self::ChangePort => bytes.extend(CHANGE_PORT),
            Self::Padding(octets) => bytes.resize(bytes.len() + octets, 0),
            Self::Other { value, .. } => bytes.extend(value),
            Self::MappedAddress(address) => {
                let port = address.port() ^ u16::from_be_bytes([MAGIC[0], MAGIC[1]]);
                let family = if address.is_ipv4() { 1 } else { 2 };
                bytes.extend([0, family]);
                bytes.extend(port.to_be_bytes());
                match address.ip() {
                    IpAddr::V4(ip) => bytes.extend(covered(ip.octets(), transaction)),
                    IpAddr::V6(ip) => bytes.extend(covered(ip.octets(), transaction)),
                }
            }
        }
    }
}

/// XOR-MAPPED-ADDRESS: family, then port and address under the cookie and the transaction.
fn mapped(value: &[u8], transaction: &Transaction) -> Option<SocketAddr> {
    let (&[_, family, p0, p1], address) = value.split_first_chunk()?;
    let port = u16::from_be_bytes([p0 ^ MAGIC[0], p1 ^ MAGIC[1]]);
    let ip = match family {
        1 => IpAddr::V4(Ipv4Addr::from(covered(address.try_into().ok()?, transaction))),
        2 => IpAddr::V6(Ipv6Addr::from(covered(address.try_into().ok()?, transaction))),
        _ => return None,
    };
    Some(SocketAddr::new(ip, port))
}

fn covered<const N: usize>(address: [u8; N], transaction: &Transaction) -> [u8; N] {
    let mut octets = address;
    for (octet, cover) in octets.iter_mut().zip(MAGIC.iter().chain(transaction)) {
        *octet ^= cover;
    }
    octets
}
