//! Loss of each way from both sides' counts (direct measurement, RFC 8972 section 4.5), without any reflector's numbers.
//!
//! Pure. From the first answer to the last, each side's count tells how many packets it sent or received meanwhile. The hard thing: a packet
//! that overtakes another at either end shifts a count by one, and copies count twice; so it says less than the numbers where there are
//! some, and is all there is where a reflector repeats the sender's number.

use std::collections::BTreeSet;

use super::sender::Answer;

/// Sent and lost of both ways, between the first and the last answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    /// Packets sent there.
    pub sent: u32,
    /// Of them lost on the way there.
    pub lost: u32,
    /// Answers sent.
    pub sent_back: u32,
    /// Of them lost on the way back.
    pub lost_back: u32,
}

impl Counted {
    /// From a stream's answers; `None` without two that carry counts, and where the counts contradict each other.
    pub fn of(answers: &[Answer]) -> Option<Self> {
        let counts = || answers.iter().filter_map(|answer| answer.counts);
        let first = counts().min_by_key(|counts| counts.sent_back)?;
        let last = counts().max_by_key(|counts| counts.sent_back)?;
        let sent = last.sent.checked_sub(first.sent)?;
        let received = last.received.checked_sub(first.received)?;
        let sent_back = last.sent_back - first.sent_back;
        let came: BTreeSet<u32> = counts().map(|counts| counts.sent_back).collect();
        let came = u32::try_from(came.len()).ok()?.checked_sub(1)?;
        (sent_back > 0).then(|| Self {
            sent,
            lost: sent.saturating_sub(received),
            sent_back,
            lost_back: sent_back.saturating_sub(came),
        })
    }
}

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use super::*;
    use crate::unit::{Stamp, StampSource};
    use crate::wire::stamp::tlv::Counts;

    fn answers(counts: &[(u32, u32, u32)]) -> Vec<Answer> {
        let stamp = Stamp { unix_ns: 0, source: StampSource::Kernel, adapter_ns: None };
        let of = |&(sent, received, sent_back): &(u32, u32, u32)| Answer {
            sequence: sent - 1,
            reflector_sequence: 0,
            at: Instant::now(),
            stamp,
            reflector_received_ns: 0,
            reflector_sent_ns: 0,
            sender_ttl: 0,
            ttl: None,
            dscp: None,
            dscp_at_reflector: None,
            marked_as_asked: None,
            counts: Some(Counts { sent, received, sent_back }),
            location: None,
            reflector_stamps: None,
            followed_up: false,
        };
        counts.iter().map(of).collect()
    }

    #[test]
    fn each_way_s_loss_is_the_difference_of_its_two_counts() {
        // Worked by hand: ten packets, the fourth and fifth lost on the way there, the answer to the eighth on the way back.
        let counts = [(1, 1, 1), (2, 2, 2), (3, 3, 3), (6, 4, 4), (7, 5, 5), (9, 7, 7), (10, 8, 8)];
        assert_eq!(Counted::of(&answers(&counts)), Some(Counted { sent: 9, lost: 2, sent_back: 7, lost_back: 1 }));
    }

    #[test]
    fn copies_and_overtaking_in_the_middle_lose_nothing() {
        let counts = [(1, 1, 1), (3, 3, 3), (2, 2, 2), (3, 3, 3), (4, 4, 4)];
        assert_eq!(Counted::of(&answers(&counts)), Some(Counted { sent: 3, lost: 0, sent_back: 3, lost_back: 0 }));
    }

    #[test]
    fn one_answer_or_counts_that_run_backwards_say_nothing() {
        assert_eq!(Counted::of(&answers(&[(5, 5, 5)])), None);
        assert_eq!(Counted::of(&answers(&[(5, 5, 5), (3, 3, 9)])), None);
        assert_eq!(Counted::of(&[]), None);
    }
}
