//! Duplication of packets, RFC 5560 section 5.3.
//!
//! Lost packets are taken out first: the figures are per distinct packet that arrived.

/// Copies received of a stream.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Duplication {
    /// Distinct packets that arrived.
    pub distinct: u64,
    /// All copies that arrived, the first ones included.
    pub copies: u64,
    /// Packets of which more than one copy arrived.
    pub replicated: u64,
}

impl Duplication {
    /// From the number of copies that arrived of each packet sent; zero is a lost packet.
    pub fn from_copies(copies: impl IntoIterator<Item = u32>) -> Self {
        let mut this = Self::default();
        copies.into_iter().for_each(|copies| this.on_packet(copies));
        this
    }

    /// Takes one packet of which so many copies arrived.
    pub fn on_packet(&mut self, copies: u32) {
        self.distinct += u64::from(copies > 0);
        self.copies += u64::from(copies);
        self.replicated += u64::from(copies > 1);
    }

    /// Extra copies per distinct packet, 0 for none (RFC 5560 section 5.2, packet duplication fraction). May exceed 1.
    /// `None` when nothing arrived.
    pub fn fraction(&self) -> Option<f64> {
        (self.distinct > 0).then(|| (self.copies - self.distinct) as f64 / self.distinct as f64)
    }

    /// Share of distinct packets that arrived more than once (RFC 5560 section 5.3, replicated-packet rate).
    pub fn replicated_ratio(&self) -> Option<f64> {
        (self.distinct > 0).then(|| self.replicated as f64 / self.distinct as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_examples_of_rfc_5560_section_5_3_come_out() {
        // Sent 1 2 3 4; arrivals as printed; fraction and replicated-packet rate in percent.
        for (arrivals, fraction, replicated) in [
            (&[1usize, 2, 3, 4][..], 0.0, 0.0),
            (&[1, 1, 2, 2, 3, 3, 4, 4], 100.0, 100.0),
            (&[1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4], 200.0, 100.0),
            (&[1, 1, 1, 2, 3, 3, 3, 4], 100.0, 50.0),
        ] {
            let mut copies = [0u32; 4];
            for &packet in arrivals {
                copies[packet - 1] += 1;
            }
            let got = Duplication::from_copies(copies);
            assert_eq!(got.fraction(), Some(fraction / 100.0), "{arrivals:?}");
            assert_eq!(got.replicated_ratio(), Some(replicated / 100.0), "{arrivals:?}");
        }
    }

    #[test]
    fn lost_packets_take_no_part() {
        let got = Duplication::from_copies([2, 0, 0, 1]);
        assert_eq!((got.distinct, got.fraction()), (2, Some(0.5)));
        assert_eq!(Duplication::from_copies([0, 0]).fraction(), None);
    }
}
