//! The program clock reference: a sample of the encoder's clock of 27 MHz (ISO/IEC 13818-1 clause 2.4.2.2 and 2.4.3.5, from memory).
//!
//! ```text
//! | base 33 bits of 90 kHz | 6 bits set | extension 9 bits, 0 to 299 of 27 MHz |
//! ```

/// Ticks per second.
pub const HZ: u64 = 27_000_000;
/// It begins again at zero after 2^33 ticks of 90 kHz: 26 h 30 min.
pub const WRAP: u64 = (1 << 33) * 300;

/// A sample, in ticks of 27 MHz below [`WRAP`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Pcr(u64);

impl Pcr {
    /// From ticks of 27 MHz, modulo its range.
    pub fn new(ticks: u64) -> Self {
        Self(ticks % WRAP)
    }

    /// Ticks of 27 MHz.
    pub fn ticks(self) -> u64 {
        self.0
    }

    /// From its six octets. An extension above 299, which is not legal, counts as it stands.
    pub fn parse(octets: [u8; 6]) -> Self {
        let [b0, b1, b2, b3, b4, b5] = octets;
        let all = u64::from_be_bytes([0, 0, b0, b1, b2, b3, b4, b5]);
        Self::new((all >> 15) * 300 + (all & 0x1ff))
    }

    /// Its six octets.
    pub fn emit(self) -> [u8; 6] {
        let all = (self.0 / 300) << 15 | 0x3f << 9 | self.0 % 300;
        let [_, _, octets @ ..] = all.to_be_bytes();
        octets
    }

    /// Ticks from `earlier` to here, the shorter way round: negative when it lies before.
    pub fn ticks_since(self, earlier: Self) -> i64 {
        let ahead = (self.0 + WRAP - earlier.0) % WRAP;
        if ahead > WRAP / 2 { ahead as i64 - WRAP as i64 } else { ahead as i64 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn base_and_extension_stand_in_their_bits() {
        // By hand: base 1 is bit 15, six reserved bits set, extension 2.
        assert_eq!(Pcr::new(302).emit(), [0, 0, 0, 0, 0x80 | 0x7e, 2]);
        assert_eq!(Pcr::parse([0, 0, 0, 0, 0x80, 2]), Pcr::new(302));
        assert_eq!(Pcr::new(WRAP - 1).emit(), [0xff, 0xff, 0xff, 0xff, 0xff, 0x2b]);
    }

    #[test]
    fn differences_go_the_shorter_way_round() {
        assert_eq!(Pcr::new(100).ticks_since(Pcr::new(WRAP - 200)), 300);
        assert_eq!(Pcr::new(WRAP - 200).ticks_since(Pcr::new(100)), -300);
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(ticks in 0..WRAP) {
            prop_assert_eq!(Pcr::parse(Pcr::new(ticks).emit()).ticks(), ticks);
        }

        #[test]
        fn no_octets_make_it_stumble(octets: [u8; 6]) {
            prop_assert!(Pcr::parse(octets).ticks() < WRAP);
        }
    }
}
