//! Loss as an RTP receiver counts it, RFC 3550 section 6.4.1 and appendix A.3.
//!
//! Counts may be negative: copies are received more often than expected. The report's fields clamp, the figures here do not.

/// What a receiver knows at a moment.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Received {
    /// First sequence number.
    pub base: u32,
    /// Highest sequence number, extended by its cycles.
    pub extended_max: u32,
    /// Packets received, copies and late ones included.
    pub received: u32,
}

impl Received {
    /// Packets expected so far.
    pub fn expected(&self) -> u32 {
        self.extended_max.wrapping_sub(self.base).wrapping_add(1)
    }

    /// Packets lost so far; negative with copies.
    pub fn lost(&self) -> i64 {
        i64::from(self.expected()) - i64::from(self.received)
    }

    /// The cumulative field of a report: clamped to 24 bits, signed.
    pub fn lost_field(&self) -> i32 {
        self.lost().clamp(-0x80_0000, 0x7f_ffff) as i32
    }

    /// The fraction field: share lost since `prior`, in 1/256; zero when nothing was expected or less than nothing lost.
    pub fn fraction_field(&self, prior: &Self) -> u8 {
        let expected = self.expected().wrapping_sub(prior.expected());
        let lost = i64::from(expected) - i64::from(self.received.wrapping_sub(prior.received));
        if expected == 0 || lost <= 0 { 0 } else { ((lost << 8) / i64::from(expected)).min(255) as u8 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_follow_rfc_3550_appendix_a_3() {
        let prior = Received { base: 100, extended_max: 199, received: 100 };
        assert_eq!((prior.expected(), prior.lost(), prior.lost_field()), (100, 0, 0));
        // A quarter of the next hundred is lost: 25/100 of 256 is 64.
        let now = Received { extended_max: 299, received: 175, ..prior };
        assert_eq!((now.lost(), now.fraction_field(&prior)), (25, 64));
        assert_eq!(now.fraction_field(&now), 0, "nothing was expected");
    }

    #[test]
    fn copies_make_the_count_negative_and_the_fraction_zero() {
        let prior = Received { base: 0, extended_max: 9, received: 10 };
        let now = Received { base: 0, extended_max: 19, received: 25 };
        assert_eq!((now.lost(), now.lost_field(), now.fraction_field(&prior)), (-5, -5, 0));
        let flood = Received { base: 0, extended_max: 0, received: 0x0100_0000 };
        assert_eq!(flood.lost_field(), -0x80_0000);
        let gone = Received { base: 0, extended_max: 0x0100_0000, received: 0 };
        assert_eq!(gone.lost_field(), 0x7f_ffff);
        assert_eq!(gone.fraction_field(&Received::default()), 255, "all of 256 do not fit the field");
    }
}
