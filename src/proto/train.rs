//! When the packets of a train go, and what came of one. No socket and no clock: time is handed in as nanoseconds.

use std::collections::HashSet;

use crate::wire::train::{Arrival, Packet};

/// The pace of a sender: every packet has its time beforehand. A sender that was held up makes up for it at no more than twice the
/// pace, so that it does not fill a bucket by its own bursts.
#[derive(Debug, Clone)]
pub struct Pacer {
    spacing_ns: i64,
    packets: u32,
    next: u32,
    last_ns: Option<i64>,
}

impl Pacer {
    /// So many packets, one each `spacing_ns`.
    pub fn new(packets: u32, spacing_ns: i64) -> Self {
        Self { spacing_ns, packets, next: 0, last_ns: None }
    }

    /// The next packet's number and time since the start; `None` when all were sent.
    pub fn due(&self) -> Option<(u32, i64)> {
        let planned = i64::from(self.next) * self.spacing_ns;
        let at = self.last_ns.map_or(planned, |last| planned.max(last + self.spacing_ns / 2));
        (self.next < self.packets).then_some((self.next, at))
    }

    /// The packet that was due has been sent.
    pub fn sent(&mut self, now_ns: i64) {
        self.last_ns = Some(now_ns);
        self.next += 1;
    }
}

/// After the last packet, or the train's time, so long nothing more is waited for.
const QUIET_NS: i64 = 500_000_000;
/// A buffer may hold what it has for so long.
const DRAIN_NS: i64 = 3_000_000_000;
/// Whoever hears nothing at all waits so long.
const SILENT_NS: i64 = 3_000_000_000;

/// What a receiver notes.
#[derive(Debug, Clone)]
pub struct Arrivals {
    packets: u32,
    time_ns: i64,
    began_ns: i64,
    first: Option<(i64, i64)>,
    last_ns: i64,
    seen: HashSet<u32>,
    list: Vec<Arrival>,
}

impl Arrivals {
    /// For a train of `packets` that takes `time_ns`; listening since `now_ns`.
    pub fn new(now_ns: i64, packets: u32, time_ns: i64) -> Self {
        let list = Vec::with_capacity(packets as usize);
        Self { packets, time_ns, began_ns: now_ns, first: None, last_ns: now_ns, seen: HashSet::new(), list }
    }

    /// A packet came at `now_ns` on the listener's own clock; the kernel stamped it at `stamp_ns` on a clock of its own. Copies, and
    /// numbers beyond the train, are not noted.
    pub fn on_packet(&mut self, now_ns: i64, stamp_ns: i64, packet: Packet) {
        self.last_ns = now_ns;
        if packet.sequence >= self.packets || !self.seen.insert(packet.sequence) {
            return;
        }
        let (_, first_ns) = *self.first.get_or_insert((now_ns, stamp_ns));
        let sent_ns = i64::try_from(packet.sent_ns).unwrap_or(i64::MAX);
        self.list.push(Arrival { sequence: packet.sequence, sent_ns, arrived_ns: stamp_ns - first_ns });
    }

    /// Whether nothing more is to be expected.
    pub fn is_over(&self, now_ns: i64) -> bool {
        let Some((first_ns, _)) = self.first else { return now_ns - self.began_ns > SILENT_NS };
        let is_quiet = now_ns - self.last_ns > QUIET_NS;
        let is_past = now_ns - first_ns > self.time_ns;
        self.list.len() as u32 == self.packets || (is_past && is_quiet) || now_ns - first_ns > self.time_ns + DRAIN_NS
    }

    /// What came, in the order in which it came.
    pub fn into_list(self) -> Vec<Arrival> {
        self.list
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_packet_has_its_time_and_a_late_sender_catches_up_at_twice_the_pace() {
        let mut pacer = Pacer::new(5, 1000);
        assert_eq!(pacer.due(), Some((0, 0)));
        pacer.sent(0);
        assert_eq!(pacer.due(), Some((1, 1000)));
        pacer.sent(3500);
        assert_eq!(pacer.due(), Some((2, 4000)), "planned at 2000, half a spacing after the last");
        pacer.sent(4000);
        assert_eq!(pacer.due(), Some((3, 4500)));
        pacer.sent(4500);
        assert_eq!(pacer.due(), Some((4, 5000)));
        pacer.sent(5000);
        assert_eq!(pacer.due(), None);
    }

    #[test]
    fn a_receiver_waits_for_what_a_buffer_holds_and_not_for_ever() {
        let second = 1_000_000_000;
        let packet = |sequence| Packet { sequence, sent_ns: 5 };
        let mut arrivals = Arrivals::new(0, 3, second);
        assert!(!arrivals.is_over(2 * second) && arrivals.is_over(4 * second), "nothing came");
        arrivals.on_packet(second, 77, packet(0));
        arrivals.on_packet(second, 78, packet(0));
        arrivals.on_packet(second, 79, packet(3));
        assert!(!arrivals.is_over(second + second / 2), "the train's time is not over");
        arrivals.on_packet(2 * second, 177, packet(2));
        assert!(!arrivals.is_over(2 * second + 1) && arrivals.is_over(2 * second + QUIET_NS + 1));
        arrivals.on_packet(2 * second, 178, packet(1));
        assert!(arrivals.is_over(2 * second), "all came");
        let want = |sequence, arrived_ns| Arrival { sequence, sent_ns: 5, arrived_ns };
        assert_eq!(arrivals.into_list(), [want(0, 0), want(2, 100), want(1, 101)]);
    }
}
