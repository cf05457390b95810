//! A train of packets that shows what shapes the line: our own format, between agent and far end.
//!
//! ```text
//! opening   | magic 3 | 1 | secret 32 |                           shows the secret once, opens the way through translators
//! ready     | magic 3 | 2 | name 8 |                              the opening came
//! packet    | magic 3 | 3 | name 8 | sequence 4 | sent 8 | ... |  sent: nanoseconds since the train's first packet was due
//! report    | sent 4 | dropped 4 | ( sequence 4 | sent 4 | arrived 4 )* |  times in units of 100 ns; arrived since the first arrival
//! ```
//!
//! Big-endian. The name is the last 8 octets of the secret, which is used once. It must not know when what is sent.

/// First octets of each datagram.
const MAGIC: [u8; 3] = [0x64, 0x74, 0x01];
const OPENING: u8 = 1;
const READY: u8 = 2;
const PACKET: u8 = 3;
/// Octets of the secret.
pub const SECRET_LEN: usize = 32;
/// Octets of a packet's own fields; the rest pads.
pub const HEADER: usize = 24;
/// Octets of one arrival in the list, and of what stands before the list.
const ARRIVAL: usize = 12;
const BEFORE: usize = 8;
/// Unit of times in the list, nanoseconds.
const UNIT_NS: i64 = 100;

/// What a datagram is told by.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Secret([u8; SECRET_LEN]);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(..)")
    }
}

/// Name of a train in its packets.
pub type Name = [u8; 8];

impl Secret {
    /// From octets; `None` when they are not 32.
    pub fn new(octets: &[u8]) -> Option<Self> {
        octets.try_into().ok().map(Self)
    }

    /// The name that goes with it.
    pub fn name(&self) -> Name {
        let mut name = [0; 8];
        name.copy_from_slice(&self.0[SECRET_LEN - 8..]);
        name
    }

    /// The opening datagram.
    pub fn opening(&self) -> Vec<u8> {
        [&MAGIC, [OPENING].as_slice(), &self.0].concat()
    }

    /// Whether a datagram is its opening. Compared in constant time.
    pub fn opens(&self, datagram: &[u8]) -> bool {
        let Some(shown) = datagram.strip_prefix(&MAGIC).and_then(|rest| rest.strip_prefix(&[OPENING])) else { return false };
        shown.len() == SECRET_LEN && shown.iter().zip(self.0).fold(0, |differs, (a, b)| differs | (a ^ b)) == 0
    }
}

/// The answer to an opening.
pub fn ready(name: Name) -> Vec<u8> {
    [&MAGIC, [READY].as_slice(), &name].concat()
}

/// Whether a datagram says that the opening came.
pub fn is_ready(datagram: &[u8], name: Name) -> bool {
    datagram == ready(name)
}

/// A packet of the train as it is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet {
    /// Its place, from 0.
    pub sequence: u32,
    /// Nanoseconds since the first one was due, by the sender's clock.
    pub sent_ns: u64,
}

impl Packet {
    /// Writes the fields at the beginning of a datagram of at least [`HEADER`] octets; a shorter one is left alone.
    pub fn write(&self, name: Name, datagram: &mut [u8]) {
        let Some(head) = datagram.first_chunk_mut::<HEADER>() else { return };
        head[..3].copy_from_slice(&MAGIC);
        head[3] = PACKET;
        head[4..12].copy_from_slice(&name);
        head[12..16].copy_from_slice(&self.sequence.to_be_bytes());
        head[16..].copy_from_slice(&self.sent_ns.to_be_bytes());
    }

    /// Reads one of the named train.
    pub fn parse(datagram: &[u8], name: Name) -> Option<Self> {
        let head = datagram.first_chunk::<HEADER>()?;
        if head[..3] != MAGIC || head[3] != PACKET || head[4..12] != name {
            return None;
        }
        let sequence = u32::from_be_bytes(head[12..16].try_into().ok()?);
        Some(Self { sequence, sent_ns: u64::from_be_bytes(head[16..].try_into().ok()?) })
    }
}

/// One packet that arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// Its place in the train.
    pub sequence: u32,
    /// Nanoseconds since the train's first packet was due, by the sender's clock.
    pub sent_ns: i64,
    /// Nanoseconds since the first arrival, by the receiver's clock.
    pub arrived_ns: i64,
}

/// What one side of a train did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Report {
    /// Packets that it sent.
    pub sent: u32,
    /// Datagrams that its own receive queue dropped.
    pub dropped: u32,
    /// Packets that it received, in the order in which they came.
    pub arrivals: Vec<Arrival>,
}

impl Report {
    /// Writes it.
    pub fn emit(&self) -> Vec<u8> {
        let mut octets = Vec::with_capacity(BEFORE + self.arrivals.len() * ARRIVAL);
        octets.extend(self.sent.to_be_bytes());
        octets.extend(self.dropped.to_be_bytes());
        let in_units = |ns: i64| u32::try_from(ns / UNIT_NS).unwrap_or(if ns < 0 { 0 } else { u32::MAX });
        for one in &self.arrivals {
            octets.extend(one.sequence.to_be_bytes());
            octets.extend(in_units(one.sent_ns).to_be_bytes());
            octets.extend(in_units(one.arrived_ns).to_be_bytes());
        }
        octets
    }

    /// Reads it; `None` when it is cut.
    pub fn parse(octets: &[u8]) -> Option<Self> {
        let word = |octets: &[u8], at: usize| octets.get(at..at + 4)?.try_into().ok().map(u32::from_be_bytes);
        let list = octets.get(BEFORE..).filter(|list| list.len().is_multiple_of(ARRIVAL))?;
        let arrivals = list.chunks_exact(ARRIVAL).map(|one| {
            let in_ns = |units: u32| i64::from(units) * UNIT_NS;
            Some(Arrival { sequence: word(one, 0)?, sent_ns: in_ns(word(one, 4)?), arrived_ns: in_ns(word(one, 8)?) })
        });
        Some(Self { sent: word(octets, 0)?, dropped: word(octets, 4)?, arrivals: arrivals.collect::<Option<_>>()? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn secret() -> Secret {
        Secret::new(&std::array::from_fn::<u8, SECRET_LEN, _>(|at| at as u8)).unwrap()
    }

    #[test]
    fn an_opening_is_known_by_its_secret_alone() {
        let opening = secret().opening();
        assert_eq!(opening.len(), 36);
        assert!(secret().opens(&opening));
        for at in 0..opening.len() {
            let mut other = opening.clone();
            other[at] ^= 1;
            assert!(!secret().opens(&other) && !secret().opens(&opening[..at]), "{at}");
        }
        assert!(is_ready(&ready(secret().name()), secret().name()) && !is_ready(&opening, secret().name()));
        assert!(Secret::new(&opening).is_none());
        assert_eq!(format!("{:?}", secret()), "Secret(..)");
    }

    #[test]
    fn packets_are_read_as_they_were_written_and_only_those_of_the_train() {
        let packet = Packet { sequence: 7, sent_ns: 1_234_567_890_123 };
        let mut datagram = vec![0; 100];
        packet.write(secret().name(), &mut datagram);
        assert_eq!(Packet::parse(&datagram, secret().name()), Some(packet));
        assert_eq!(Packet::parse(&datagram, [0; 8]), None);
        for length in 0..HEADER {
            assert_eq!(Packet::parse(&datagram[..length], secret().name()), None);
            packet.write(secret().name(), &mut datagram.clone()[..length]);
        }
    }

    #[test]
    fn lists_go_and_come_back_to_100_ns_and_cut_ones_are_refused() {
        let arrivals =
            [Arrival { sequence: 0, sent_ns: 0, arrived_ns: 0 }, Arrival { sequence: 9, sent_ns: 123_456_700, arrived_ns: 200 }];
        let report = Report { sent: 10, dropped: 3, arrivals: arrivals.to_vec() };
        let octets = report.emit();
        assert_eq!(Report::parse(&octets), Some(report));
        for length in (0..octets.len()).filter(|length| *length < 8 || (length - 8) % 12 != 0) {
            assert_eq!(Report::parse(&octets[..length]), None, "{length}");
        }
    }
}
