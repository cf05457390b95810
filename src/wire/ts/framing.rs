//! How transport packets lie in a datagram: 188 octets each; 192 with a time stamp of four before each; 204 with 16 of error correction
//! behind each (the last two from memory: recorders' files, and ETSI EN 300 421 for the Reed-Solomon code).

use super::{PACKET_LEN, SYNC};

/// One way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Framing {
    /// 188 octets.
    #[default]
    Plain,
    /// 192: four octets before each packet.
    Stamped,
    /// 204: sixteen octets behind each packet.
    Corrected,
}

impl Framing {
    /// All, the usual first.
    pub const ALL: [Self; 3] = [Self::Plain, Self::Stamped, Self::Corrected];

    /// Octets from one packet to the next.
    pub const fn stride(self) -> usize {
        match self {
            Self::Plain => PACKET_LEN,
            Self::Stamped => PACKET_LEN + 4,
            Self::Corrected => PACKET_LEN + 16,
        }
    }

    /// Octets before the sync octet.
    pub const fn lead(self) -> usize {
        if matches!(self, Self::Stamped) { 4 } else { 0 }
    }

    /// The way by which a datagram holds whole packets only, each with its sync octet; `None` when it is none.
    pub fn of(datagram: &[u8]) -> Option<Self> {
        let fits = |framing: &Self| {
            datagram.len().is_multiple_of(framing.stride())
                && datagram.chunks_exact(framing.stride()).all(|one| one[framing.lead()] == SYNC)
        };
        Self::ALL.into_iter().filter(|_| !datagram.is_empty()).find(fits)
    }

    /// Whole packets in a datagram; what is left over at its end is not among them.
    pub fn packets(self, datagram: &[u8]) -> impl Iterator<Item = &[u8; PACKET_LEN]> {
        datagram.chunks_exact(self.stride()).filter_map(move |one| one.get(self.lead()..)?.first_chunk())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_way_is_known_by_length_and_sync_octets() {
        for framing in Framing::ALL {
            let mut one = vec![1; framing.stride()];
            one[framing.lead()] = SYNC;
            for count in [1, 7, 10] {
                let datagram = one.repeat(count);
                assert_eq!(Framing::of(&datagram), Some(framing), "{count}");
                assert_eq!(framing.packets(&datagram).count(), count);
                assert!(framing.packets(&datagram).all(|packet| packet[0] == SYNC));
                assert_eq!(Framing::of(&datagram[..datagram.len() - 1]), None);
            }
        }
        assert_eq!(Framing::of(&[]), None);
        assert_eq!(Framing::of(&[0; 1316]), None);
    }
}
