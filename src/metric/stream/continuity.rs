//! The continuity counter of a PID, ISO/IEC 13818-1 clause 2.4.3.3 (from memory), and what TR 101 290 1.4 counts as an error: a wrong order, a packet
//! more than twice, a lost packet (RFC 6990 section 3).

/// State of one PID.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Continuity {
    last: Option<u8>,
    repeated: bool,
}

/// What a packet was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// In order, or the first, or one without payload.
    InOrder,
    /// The one legal repetition.
    Repetition,
    /// Another counter, announced as such.
    Announced,
    /// An error.
    Error {
        /// Packets of this PID that are missing, modulo 16: 0 for one that came more than twice.
        missing: u8,
    },
}

impl Continuity {
    /// Takes a packet with its counter. `is_copy` tells whether its payload is that of the packet before; it is asked only where it matters.
    pub fn on_packet(&mut self, counter: u8, has_payload: bool, announced: bool, is_copy: impl FnOnce() -> bool) -> Step {
        let counter = counter & 0x0f;
        let Some(last) = self.last.replace(counter) else { return Step::InOrder };
        let was_repeated = std::mem::take(&mut self.repeated);
        if announced {
            return Step::Announced;
        }
        let expected = if has_payload { (last + 1) & 0x0f } else { last };
        if counter == expected {
            // Only a packet with payload ends the chance of a repetition.
            self.repeated = was_repeated && !has_payload;
            return Step::InOrder;
        }
        if has_payload && counter == last && is_copy() {
            self.repeated = true;
            return if was_repeated { Step::Error { missing: 0 } } else { Step::Repetition };
        }
        Step::Error { missing: counter.wrapping_sub(expected) & 0x0f }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(packets: &[(u8, bool, bool, bool)]) -> Vec<Step> {
        let mut continuity = Continuity::default();
        packets
            .iter()
            .map(|(counter, payload, announced, copy)| continuity.on_packet(*counter, *payload, *announced, || *copy))
            .collect()
    }

    #[test]
    fn one_repetition_is_legal_and_a_jump_is_an_error() {
        // ISO/IEC 13818-1 clause 2.4.3.3 by hand: 14 15 0 1 1 2 4 has one legal repetition, and one error at 4.
        let of = |counter, copy| (counter, true, false, copy);
        let got = steps(&[of(14, false), of(15, false), of(0, false), of(1, false), of(1, true), of(2, false), of(4, false)]);
        use Step::{Error, InOrder, Repetition};
        assert_eq!(got, [InOrder, InOrder, InOrder, InOrder, Repetition, InOrder, Error { missing: 1 }]);
    }

    #[test]
    fn a_third_copy_and_a_false_copy_are_errors() {
        let third = steps(&[(5, true, false, false), (5, true, false, true), (5, true, false, true), (6, true, false, false)]);
        assert_eq!(third[1..], [Step::Repetition, Step::Error { missing: 0 }, Step::InOrder]);
        let other = steps(&[(5, true, false, false), (5, true, false, false)]);
        assert_eq!(other[1], Step::Error { missing: 15 }, "the same counter with another payload");
    }

    #[test]
    fn packets_without_payload_do_not_count_and_announced_jumps_are_none() {
        let got = steps(&[(5, true, false, false), (5, false, false, false), (5, false, false, false), (6, true, false, false)]);
        assert_eq!(got, [Step::InOrder; 4]);
        let got = steps(&[(5, true, false, false), (11, true, true, false), (12, true, false, false), (14, false, false, false)]);
        assert_eq!(got[1..], [Step::Announced, Step::InOrder, Step::Error { missing: 2 }]);
    }

    #[test]
    fn after_an_error_it_goes_on_from_there() {
        let got = steps(&[(1, true, false, false), (9, true, false, false), (10, true, false, false)]);
        assert_eq!(got[1..], [Step::Error { missing: 7 }, Step::InOrder]);
    }
}
