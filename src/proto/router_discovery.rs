//! Router discovery of IPv6 without I/O (RFC 4861 section 6.3.7): asks, and keeps every advertisement that comes.
//!
//! It knows no socket and no clock, and configures nothing. The hard thing: an advertisement that answers goes to all hosts
//! (section 6.2.6), so it can't be told from one that would have come anyway; the time to the first is an upper bound.
//!
//! Departures: no random wait before the first solicitation (section 6.3.7, meant for a street after a power cut), and the
//! second goes after one second instead of four *(ours)*, for want of time on a doorstep.

use std::collections::VecDeque;
use std::net::Ipv6Addr;
use std::time::{Duration, Instant};

use super::machine::{Arrival, Machine, Outgoing};
use super::round_trip::{Flight, Moment, Settled};
use crate::wire::ethernet::{self, Mac};
use crate::wire::ra::{self, Advertisement, Flaw};
use crate::wire::{icmp, ipv6};

/// All routers' group on Ethernet (RFC 2464 section 7).
const ALL_ROUTERS_MAC: Mac = Mac([0x33, 0x33, 0, 0, 0, 2]);
/// `MAX_RTR_SOLICITATIONS` (section 10).
const MOST_SOLICITATIONS: usize = 3;
const FIRST_WAIT: Duration = Duration::from_secs(1);
/// Advertisements that are kept; a broken or hostile network may send any number.
const MOST_KEPT: usize = 64;

/// What is asked, and how long is waited.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// Hardware address of the port.
    pub mac: Mac,
    /// Link-local address of the port; unspecified when it has none.
    pub source: Ipv6Addr,
    /// For the first advertisement.
    pub patience: Duration,
    /// For other routers after the first.
    pub window: Duration,
}

/// An advertisement that came.
#[derive(Debug, Clone)]
pub struct Heard {
    /// The router's address.
    pub from: Ipv6Addr,
    /// Hardware address that sent it.
    pub mac: Mac,
    /// When.
    pub arrived: Moment,
    /// VLAN number that it came with.
    pub vlan: Option<u16>,
    /// What it said.
    pub advertisement: Advertisement,
    /// Why a host would drop it, or what is odd.
    pub flaws: Vec<Flaw>,
}

impl Heard {
    /// Whether a host takes it (section 6.1.2).
    pub fn is_valid(&self) -> bool {
        !self.flaws.iter().any(|flaw| flaw.makes_invalid())
    }
}

/// It is over: patience or the window has ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Over;

/// A discovery under way.
#[derive(Debug)]
pub struct RouterDiscovery {
    settings: Settings,
    solicitations: Vec<Option<Flight>>,
    queue: VecDeque<Outgoing>,
    heard: Vec<Heard>,
    unreadable: u64,
    again_at: Instant,
    ends_at: Instant,
    state: State,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Waiting,
    Ended,
    Told,
}

impl RouterDiscovery {
    /// Begins: the first solicitation is wanted at once.
    pub fn new(settings: Settings, now: Instant) -> Self {
        let mut this = Self {
            settings,
            solicitations: Vec::new(),
            queue: VecDeque::new(),
            heard: Vec::new(),
            unreadable: 0,
            again_at: now + FIRST_WAIT,
            ends_at: now + settings.patience,
            state: State::Waiting,
        };
        this.solicit();
        this
    }

    /// All advertisements in order of arrival.
    pub fn heard(&self) -> &[Heard] {
        &self.heard
    }

    /// Advertisements that could not be read.
    pub fn unreadable(&self) -> u64 {
        self.unreadable
    }

    /// Solicitations that were sent.
    pub fn solicitations_sent(&self) -> usize {
        self.solicitations.iter().flatten().count()
    }

    /// From the latest solicitation before it to the first valid advertisement.
    pub fn first_time(&self) -> Option<Settled> {
        let first = self.heard.iter().find(|heard| heard.is_valid())?;
        let before = |flight: &&Flight| flight.began().at <= first.arrived.at;
        let mut flight = *self.solicitations.iter().flatten().rfind(before)?;
        flight.on_arrival(first.arrived);
        Some(flight.settle(true))
    }

    fn solicit(&mut self) {
        let packet = ra::emit_solicitation(self.settings.source, self.settings.mac);
        let header = ethernet::Repr {
            destination: ALL_ROUTERS_MAC,
            source: self.settings.mac,
            tags: Vec::new(),
            ethertype: ipv6::ETHERTYPE,
        };
        self.queue.push_back(Outgoing { ticket: self.solicitations.len() as u64, bytes: header.emit(&packet) });
        self.solicitations.push(None);
    }

    fn has_valid(&self) -> bool {
        self.heard.iter().any(Heard::is_valid)
    }
}

impl Machine for RouterDiscovery {
    type Event = Over;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        let Ok(frame) = ethernet::parse(frame) else { return };
        let Some((header, payload)) = ipv6::parse(frame.payload).ok().filter(|_| frame.repr.ethertype == ipv6::ETHERTYPE) else {
            return;
        };
        if self.state != State::Waiting || header.next_header != icmp::NEXT_HEADER_V6 {
            return;
        }
        match ra::parse(&header, payload, arrival.has_checksum) {
            Ok((advertisement, flaws)) if self.heard.len() < MOST_KEPT => {
                let had_valid = self.has_valid();
                self.heard.push(Heard {
                    from: header.source,
                    mac: frame.repr.source,
                    arrived: arrival.moment,
                    vlan: arrival.tag.map(|tag| tag.vlan()),
                    advertisement,
                    flaws,
                });
                if !had_valid && self.has_valid() {
                    self.ends_at = arrival.moment.at + self.settings.window;
                }
            }
            Err(ra::Error::Truncated(_)) => self.unreadable += 1,
            Ok(_) | Err(ra::Error::Foreign) => {}
        }
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some(flight) = self.solicitations.get_mut(ticket as usize) {
            *flight = Some(Flight::new(submitted));
        }
    }

    fn on_send_failed(&mut self, _: u64) {}

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        if let Some(Some(flight)) = self.solicitations.get_mut(ticket as usize) {
            flight.on_departure(moment);
        }
    }

    fn on_wake(&mut self, now: Instant) {
        if self.state != State::Waiting {
            return;
        }
        if now >= self.ends_at {
            self.state = State::Ended;
        } else if now >= self.again_at && !self.has_valid() && self.solicitations.len() < MOST_SOLICITATIONS {
            self.again_at = now + FIRST_WAIT * 2;
            self.solicit();
        }
    }

    fn transmit(&mut self, _: Instant) -> Option<Outgoing> {
        self.queue.pop_front()
    }

    fn next_wake(&self) -> Option<Instant> {
        if self.state != State::Waiting {
            return None;
        }
        let asks_again = !self.has_valid() && self.solicitations.len() < MOST_SOLICITATIONS;
        Some(if asks_again { self.again_at.min(self.ends_at) } else { self.ends_at })
    }

    fn poll_event(&mut self) -> Option<Over> {
        if self.state != State::Ended {
            return None;
        }
        self.state = State::Told;
        Some(Over)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::{Stamp, StampSource};

    const ROUTER: Ipv6Addr = Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 1);

    struct Bench {
        discovery: RouterDiscovery,
        start: Instant,
        now: Instant,
        sent: Vec<Vec<u8>>,
        over: bool,
    }

    impl Bench {
        fn new() -> Self {
            let start = Instant::now();
            let settings = Settings {
                mac: Mac([2, 0, 0x5e, 0, 0, 9]),
                source: "fe80::9".parse().unwrap(),
                patience: Duration::from_millis(5000),
                window: Duration::from_millis(500),
            };
            let discovery = RouterDiscovery::new(settings, start);
            let mut this = Self { discovery, start, now: start, sent: Vec::new(), over: false };
            this.settle();
            this
        }

        fn moment(&self) -> Moment {
            let ns = self.now.duration_since(self.start).as_nanos() as i64;
            Moment {
                stamp: Stamp { unix_ns: 1_000_000_000_000 + ns, source: StampSource::Kernel, adapter_ns: None },
                at: self.now,
            }
        }

        fn settle(&mut self) {
            while let Some(outgoing) = self.discovery.transmit(self.now) {
                self.discovery.on_sent(outgoing.ticket, self.moment());
                self.sent.push(outgoing.bytes);
            }
            self.over |= self.discovery.poll_event().is_some();
        }

        fn until(&mut self, ms: u64) {
            let end = self.start + Duration::from_millis(ms);
            while let Some(wake) = self.discovery.next_wake().filter(|wake| *wake <= end) {
                self.now = wake.max(self.now);
                self.discovery.on_wake(self.now);
                self.settle();
            }
            self.now = end;
        }

        fn hear(&mut self, from: Ipv6Addr, hop_limit: u8) {
            let payload = [ra::ADVERTISEMENT, 0, 0, 0, 64, 0, 7, 8, 0, 0, 0, 0, 0, 0, 0, 0];
            let header = ipv6::Repr {
                source: from,
                destination: "ff02::1".parse().unwrap(),
                next_header: icmp::NEXT_HEADER_V6,
                hop_limit,
                traffic_class: 0,
                flow_label: 0,
            };
            let frame = ethernet::Repr {
                destination: Mac([0x33, 0x33, 0, 0, 0, 1]),
                source: Mac([2, 0, 0x5e, 0, 0, 1]),
                tags: Vec::new(),
                ethertype: ipv6::ETHERTYPE,
            };
            let arrival = Arrival { moment: self.moment(), tag: None, has_checksum: false };
            self.discovery.on_frame(&arrival, &frame.emit(&header.emit(&payload).unwrap()));
        }
    }

    #[test]
    fn silence_is_asked_thrice_and_then_it_is_over() {
        let mut bench = Bench::new();
        for (ms, sent) in [(999, 1), (1000, 2), (2999, 2), (3000, 3), (4999, 3)] {
            bench.until(ms);
            assert_eq!((bench.sent.len(), bench.over), (sent, false), "{ms}");
        }
        bench.until(5000);
        assert!(bench.over && bench.discovery.heard().is_empty());
        assert_eq!(bench.sent[0][..6], ALL_ROUTERS_MAC.0);
    }

    #[test]
    fn the_first_valid_one_opens_the_window_in_which_others_are_heard_too() {
        let mut bench = Bench::new();
        bench.until(1020);
        bench.hear(ROUTER, 64);
        assert!(bench.discovery.next_wake() > Some(bench.now + Duration::from_millis(500)), "an invalid one opens none");
        bench.until(1040);
        bench.hear(ROUTER, 255);
        bench.until(1400);
        bench.hear("fe80::2".parse().unwrap(), 255);
        bench.until(1539);
        assert!(!bench.over);
        bench.until(1540);
        assert!(bench.over);
        let valid: Vec<bool> = bench.discovery.heard().iter().map(Heard::is_valid).collect();
        assert_eq!((valid, bench.sent.len()), (vec![false, true, true], 2));
        // From the second solicitation, at 1000 ms.
        let time = bench.discovery.first_time();
        assert_eq!(time, Some(Settled::RoundTrip(Duration::from_millis(40), StampSource::Kernel)));
    }
}
