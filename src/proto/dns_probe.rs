//! Lookups sent to one resolver at a steady pace, each exactly once, and what became of them.
//!
//! A lookup that is not answered is not sent again: how often that happens is the figure. It must not know sockets or what
//! the names are for. The hard thing is what comes back: only an answer with the number *and* the name of a lookup that is
//! still open counts (RFC 5452 section 9.1); all else is counted apart.

use std::time::{Duration, Instant};

use super::round_trip::{Flight, Moment, Settled};
use crate::unit::StampSource;
use crate::wire::dns::{self, Reply};

/// One lookup to make.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lookup {
    /// Message number, random, unique in a run.
    pub id: u16,
    /// Name to look up.
    pub name: String,
}

/// What became of a lookup.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fate {
    /// Not sent yet, or waiting.
    Open,
    /// An answer in time; the time is missing when the clocks disagreed about it.
    Answered(Reply, Option<(Duration, StampSource)>),
    /// No answer within the wait.
    Silent,
    /// The test set could not send it: not the resolver's fault.
    NotSent,
}

/// The machine.
#[derive(Debug)]
pub struct DnsProbe {
    lookups: Vec<Slot>,
    next: usize,
    next_at: Instant,
    interval: Duration,
    wait: Duration,
    strays: u64,
    unreadable: u64,
}

#[derive(Debug)]
struct Slot {
    lookup: Lookup,
    sent_at: Option<Instant>,
    flight: Option<Flight>,
    reply: Option<Reply>,
    is_over: bool,
}

impl DnsProbe {
    /// Makes the lookups in order, one per `interval` from `start`, each waiting at most `wait`.
    pub fn new(start: Instant, lookups: Vec<Lookup>, interval: Duration, wait: Duration) -> Self {
        let slot = |lookup| Slot { lookup, sent_at: None, flight: None, reply: None, is_over: false };
        let lookups = lookups.into_iter().map(slot).collect();
        Self { lookups, next: 0, next_at: start, interval, wait, strays: 0, unreadable: 0 }
    }

    /// The next query that is due, with its position; the caller then tells whether it was sent.
    pub fn transmit(&mut self, now: Instant) -> Option<(usize, Vec<u8>)> {
        loop {
            if self.next >= self.lookups.len() || now < self.next_at {
                return None;
            }
            let at = self.next;
            self.next += 1;
            // The schedule stands: a late wake-up does not shift what follows.
            self.next_at += self.interval;
            let slot = &mut self.lookups[at];
            slot.sent_at = Some(now);
            match dns::query(slot.lookup.id, &slot.lookup.name) {
                Some(bytes) => return Some((at, bytes)),
                None => slot.is_over = true,
            }
        }
    }

    /// The query at this position went out.
    pub fn on_sent(&mut self, at: usize, moment: Moment) {
        if let Some(slot) = self.lookups.get_mut(at) {
            slot.flight = Some(Flight::new(moment));
        }
    }

    /// The system refused to send it.
    pub fn on_send_failed(&mut self, at: usize) {
        if let Some(slot) = self.lookups.get_mut(at) {
            slot.is_over = true;
        }
    }

    /// A transmit stamp.
    pub fn on_departure(&mut self, at: usize, moment: Moment) {
        if let Some(flight) = self.lookups.get_mut(at).and_then(|slot| slot.flight.as_mut()) {
            flight.on_departure(moment);
        }
    }

    /// Takes a datagram from the resolver.
    pub fn on_packet(&mut self, moment: Moment, bytes: &[u8]) {
        let Ok(reply) = dns::parse(bytes) else {
            self.unreadable += 1;
            return;
        };
        let wait = self.wait;
        let open = self.lookups.iter_mut().find(|slot| {
            let is_in_time = slot.sent_at.is_some_and(|sent| moment.at <= sent + wait);
            let fits = slot.lookup.id == reply.id && same_name(&slot.lookup.name, &reply.name);
            is_in_time && fits && !slot.is_over && slot.reply.is_none() && slot.flight.is_some()
        });
        match open {
            Some(slot) => {
                if let Some(flight) = slot.flight.as_mut() {
                    flight.on_arrival(moment);
                }
                slot.reply = Some(reply);
            }
            None => self.strays += 1,
        }
    }

    /// Ends the wait of lookups whose time has passed.
    pub fn on_wake(&mut self, now: Instant) {
        let wait = self.wait;
        for slot in &mut self.lookups {
            if slot.reply.is_none() && slot.sent_at.is_some_and(|sent| now > sent + wait) {
                slot.is_over = true;
            }
        }
    }

    /// When something is due next; `None` when all lookups have ended.
    pub fn next_wake(&self) -> Option<Instant> {
        let next_send = (self.next < self.lookups.len()).then_some(self.next_at);
        let waiting = |slot: &&Slot| slot.reply.is_none() && !slot.is_over;
        // One nanosecond beyond the wait: an answer exactly at its end is in time.
        let ends = self.lookups[..self.next].iter().filter(waiting).filter_map(|slot| slot.sent_at);
        ends.map(|sent| sent + self.wait + Duration::from_nanos(1)).chain(next_send).min()
    }

    /// Answers that belong to no open lookup: late, doubled, or made up by somebody.
    pub fn strays(&self) -> u64 {
        self.strays
    }

    /// Datagrams that are no DNS answer.
    pub fn unreadable(&self) -> u64 {
        self.unreadable
    }

    /// What became of each lookup, in order. Call it at the end: a transmit stamp that never came is then done without.
    pub fn fates(&self) -> Vec<Fate> {
        self.lookups.iter().map(Slot::fate).collect()
    }
}

impl Slot {
    fn fate(&self) -> Fate {
        match (&self.reply, &self.flight) {
            (Some(reply), Some(flight)) => {
                let time = match flight.settle(true) {
                    Settled::RoundTrip(time, source) => Some((time, source)),
                    Settled::NotYet | Settled::ClocksDisagree => None,
                };
                Fate::Answered(reply.clone(), time)
            }
            (_, None) if self.is_over => Fate::NotSent,
            (None, Some(_)) if self.is_over => Fate::Silent,
            _ => Fate::Open,
        }
    }
}

/// Names are the same whatever their case (RFC 1035 section 2.3.3) and with or without the final dot.
fn same_name(asked: &str, answered: &str) -> bool {
    asked.trim_end_matches('.').eq_ignore_ascii_case(answered.trim_end_matches('.'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::Stamp;

    const MS: Duration = Duration::from_millis(1);

    fn moment(start: Instant, ms: u32) -> Moment {
        let stamp = Stamp {
            unix_ns: 1_700_000_000_000_000_000 + i64::from(ms) * 1_000_000,
            source: StampSource::Kernel,
            adapter_ns: None,
        };
        Moment { stamp, at: start + ms * MS }
    }

    fn probe(start: Instant, names: &[&str]) -> DnsProbe {
        let lookup = |(n, name): (usize, &&str)| Lookup { id: n as u16 + 1, name: (*name).to_owned() };
        DnsProbe::new(start, names.iter().enumerate().map(lookup).collect(), 50 * MS, 1000 * MS)
    }

    fn answer(query: &[u8]) -> Vec<u8> {
        let mut answer = query.to_vec();
        answer[2] |= 0x80;
        answer
    }

    #[test]
    fn each_lookup_is_sent_once_at_its_time_and_timed_from_stamp_to_stamp() {
        let start = Instant::now();
        let mut probe = probe(start, &["a.test", "b.test"]);
        let (at, query) = probe.transmit(start).unwrap();
        assert_eq!(at, 0);
        assert!(probe.transmit(start + 49 * MS).is_none());
        probe.on_sent(0, moment(start, 0));
        probe.on_departure(0, moment(start, 1));
        probe.on_packet(moment(start, 13), &answer(&query));
        // The wake-up for the second comes late; a third would still be due at 100 ms.
        let (_, second) = probe.transmit(start + 70 * MS).unwrap();
        probe.on_sent(1, moment(start, 70));
        assert_eq!(probe.next_wake(), Some(start + 1070 * MS + Duration::from_nanos(1)));
        probe.on_wake(start + 1071 * MS);
        assert_eq!(probe.next_wake(), None);
        probe.on_packet(moment(start, 1072), &answer(&second));
        let fates = probe.fates();
        assert!(matches!(&fates[0], Fate::Answered(_, Some((time, StampSource::Kernel))) if *time == 12 * MS));
        assert_eq!(fates[1], Fate::Silent);
        assert_eq!(probe.strays(), 1, "the late answer");
    }

    #[test]
    fn answers_of_another_number_or_name_or_twice_do_not_count() {
        let start = Instant::now();
        let mut probe = probe(start, &["a.test"]);
        let (_, query) = probe.transmit(start).unwrap();
        probe.on_sent(0, moment(start, 0));
        let mut other_id = answer(&query);
        other_id[1] ^= 1;
        let mut other_name = answer(&query);
        other_name[13] = b'z';
        for bytes in [&other_id, &other_name, &vec![0; 5]] {
            probe.on_packet(moment(start, 5), bytes);
        }
        assert_eq!((probe.strays(), probe.unreadable()), (2, 1));
        assert_eq!(probe.fates(), [Fate::Open]);
        probe.on_packet(moment(start, 6), &answer(&query));
        probe.on_packet(moment(start, 7), &answer(&query));
        assert_eq!(probe.strays(), 3);
        assert!(matches!(probe.fates()[0], Fate::Answered(..)));
    }

    #[test]
    fn what_the_test_set_could_not_send_is_not_the_resolvers_silence() {
        let start = Instant::now();
        let mut probe = probe(start, &["a.test", &"x".repeat(70)]);
        probe.transmit(start).unwrap();
        probe.on_send_failed(0);
        assert!(probe.transmit(start + 50 * MS).is_none(), "no such domain name can be");
        assert_eq!(probe.fates(), [Fate::NotSent, Fate::NotSent]);
        assert_eq!(probe.next_wake(), None);
    }
}
