//! Interarrival jitter of RFC 3550 section 6.4.1, in real and in integer form.
//!
//! Packets are taken in order of arrival, not of sequence number. Only the relative transit time (arrival less sending
//! time) goes in, in one unit of the caller's choice, so clocks of the two ends need not agree.

/// The running estimate `J += (|D| - J) / 16` in real numbers.
#[derive(Debug, Clone, Copy, Default)]
pub struct Jitter {
    transit: Option<i64>,
    jitter: f64,
    differences: u64,
}

impl Jitter {
    /// Takes the next packet to arrive. The first only sets the transit time.
    pub fn on_arrival(&mut self, transit: i64) {
        if let Some(before) = self.transit.replace(transit) {
            let difference = transit.abs_diff(before) as f64;
            // RFC 3550 section 6.4.1: gain 1/16.
            self.jitter += (difference - self.jitter) / 16.0;
            self.differences += 1;
        }
    }

    /// The estimate in the unit of the transit times; `None` before the second packet.
    pub fn value(&self) -> Option<f64> {
        (self.differences > 0).then_some(self.jitter)
    }

    /// Differences that went in.
    pub fn differences(&self) -> u64 {
        self.differences
    }
}

/// The integer form of RFC 3550 appendix A.8, for timestamps that count in a media clock. State is the jitter times 16.
#[derive(Debug, Clone, Copy, Default)]
pub struct IntegerJitter {
    transit: Option<u32>,
    state: u32,
}

impl IntegerJitter {
    /// Takes the next packet: arrival less media timestamp, modulo 2^32.
    pub fn on_arrival(&mut self, transit: u32) {
        if let Some(before) = self.transit.replace(transit) {
            let difference = (transit.wrapping_sub(before) as i32).unsigned_abs();
            self.state = self.state.wrapping_add(difference).wrapping_sub((self.state.wrapping_add(8)) >> 4);
        }
    }

    /// The value for a receiver report: truncated.
    pub fn reported(&self) -> u32 {
        self.state >> 4
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn real_form_follows_rfc_3550_section_6_4_1() {
        // The recurrence worked by hand for transit times 0, 16, 0, 16, 0.
        let mut jitter = Jitter::default();
        jitter.on_arrival(0);
        assert_eq!(jitter.value(), None, "the first packet adds no jitter");
        for (transit, want) in [(16, 1.0), (0, 1.9375), (16, 2.81640625), (0, 3.640380859375)] {
            jitter.on_arrival(transit);
            assert_eq!(jitter.value(), Some(want));
        }
        assert_eq!(jitter.differences(), 4);
    }

    #[test]
    fn integer_form_follows_rfc_3550_appendix_a_8() {
        let mut jitter = IntegerJitter::default();
        jitter.on_arrival(0);
        assert_eq!(jitter.reported(), 0);
        for (transit, state, reported) in [(16, 16, 1), (0, 31, 1), (16, 45, 2), (0, 58, 3)] {
            jitter.on_arrival(transit);
            assert_eq!((jitter.state, jitter.reported()), (state, reported));
        }
    }

    #[test]
    fn a_constant_clock_offset_cancels() {
        let (mut plain, mut moved) = (Jitter::default(), Jitter::default());
        for transit in [5, 9, 4, 4, 30] {
            plain.on_arrival(transit);
            moved.on_arrival(transit - 1_000_000_007);
        }
        assert_eq!(plain.value(), moved.value());
    }

    #[test]
    fn integer_transit_may_wrap() {
        let mut jitter = IntegerJitter::default();
        jitter.on_arrival(u32::MAX - 7);
        jitter.on_arrival(8);
        assert_eq!(jitter.state, 16);
    }
}
