//! The largest packet that gets to each hop, and who says when one is too large.
//!
//! It knows no socket: the driver sends what `transmit` returns whole or not at all. A hop is asked with a packet whose hop
//! limit ends there, of sizes that [`super::mtu_search`] names; what passes one hop is the ceiling of the next, so a path of
//! one MTU takes two packets a hop. The hard thing: a router that limits its answers must not look like one behind which
//! large packets vanish; so a packet is sent again at the pace of a usual limit before it is given up.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use super::mtu_search::MtuSearch;
use super::path_flows::{FlowProbe, FlowProber, Marks, Named};
use crate::unit::Family;
use crate::wire::icmp::Meaning;

/// How to probe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HopMtuSettings {
    /// Where the path goes.
    pub destination: IpAddr,
    /// UDP destination port; one that nobody uses.
    pub destination_port: u16,
    /// Hops that answer, nearest first.
    pub hops: Vec<u8>,
    /// The largest IP packet to try: the interface's MTU.
    pub ceiling: u16,
    /// How long an answer is waited for; also the pace of repeats.
    pub waiting_time: Duration,
    /// No probe is sent after this.
    pub time_limit: Duration,
    /// Tells our data from others'.
    pub cookie: u64,
}

/// What gets to a hop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HopMtu {
    /// Hop, from 1.
    pub hop: u8,
    /// Largest IP packet that arrived there, octets.
    pub mtu: u16,
    /// True when larger ones that passed the hop before did not get here.
    pub is_narrower: bool,
    /// Who refused a larger one, and the MTU that it named (0: none that makes sense).
    pub told: Option<(IpAddr, u16)>,
}

/// Packets of one size to one hop at most.
const TRIES: u32 = 3;

/// The machine.
#[derive(Debug)]
pub struct HopMtuMachine {
    settings: HopMtuSettings,
    marks: Marks,
    until: Instant,
    /// Place of the hop that is asked now.
    at: usize,
    search: MtuSearch,
    tries: u32,
    number: usize,
    /// The packet under way: its size and when it is given up.
    open: Option<(u16, Instant)>,
    told_by: Option<(IpAddr, u16)>,
    found: Vec<HopMtu>,
}

impl HopMtuMachine {
    /// A machine that starts at `start`.
    pub fn new(settings: HopMtuSettings, start: Instant) -> Self {
        let HopMtuSettings { destination, destination_port, cookie, .. } = settings;
        Self {
            marks: Marks { destination, destination_port, cookie },
            until: start + settings.time_limit,
            at: 0,
            search: MtuSearch::new(floor(destination), settings.ceiling),
            tries: 0,
            number: 0,
            open: None,
            told_by: None,
            found: Vec::new(),
            settings,
        }
    }

    /// What gets to each hop that was asked to the end.
    pub fn report(&self) -> Vec<HopMtu> {
        self.found.clone()
    }

    fn is_done(&self) -> bool {
        self.at >= self.settings.hops.len()
    }

    /// Goes on to the next size, and to the next hop where there is none.
    fn settle(&mut self) {
        (self.open, self.tries) = (None, 0);
        while !self.is_done() && self.search.size().is_none() {
            let ceiling = self.found.last().map_or(self.settings.ceiling, |hop| hop.mtu);
            let hop = self.settings.hops[self.at];
            let mut next = ceiling;
            if let Some(found) = self.search.found() {
                let (mtu, is_narrower) = (found.mtu, !found.at_ceiling);
                let told = self.told_by.filter(|_| found.told.is_some());
                self.found.push(HopMtu { hop, mtu, is_narrower, told });
                next = mtu;
            }
            // A hop that did not answer even the smallest now is stepped over.
            self.at += 1;
            self.told_by = None;
            self.search = MtuSearch::new(floor(self.settings.destination), next);
        }
    }
}

impl FlowProber for HopMtuMachine {
    fn transmit(&mut self, now: Instant) -> Option<FlowProbe> {
        if self.is_done() || self.open.is_some() || now >= self.until {
            return None;
        }
        let size = self.search.size()?;
        let hop = self.settings.hops[self.at];
        self.tries += 1;
        self.number += 1;
        // The first is soon repeated: a packet that is lost by chance then costs little.
        let waiting_time = self.settings.waiting_time / if self.tries == 1 { 3 } else { 1 };
        self.open = Some((size, now + waiting_time));
        let mut bytes = self.marks.data(self.number, 0);
        bytes.resize(usize::from(size - headers(self.settings.destination)), 0);
        Some(FlowProbe { id: self.number, flow: 0, hop_limit: hop, bytes })
    }

    fn on_send_failed(&mut self, _: usize) {
        // Larger than the interface sends: as good as lost, and nobody's word.
        if let Some((size, _)) = self.open.take() {
            self.search.on_lost(size);
            self.settle();
        }
    }

    fn on_packet(&mut self, now: Instant, from: IpAddr, bytes: &[u8]) {
        let Some((size, deadline)) = self.open else { return };
        let Some((named, meaning)) = self.marks.read(from, bytes) else { return };
        let is_it = match named {
            Named::Number(number) => number == self.number,
            Named::Cut { length, .. } => size - headers(self.settings.destination) + 8 == length,
        };
        if !is_it || now > deadline {
            return;
        }
        match meaning {
            Meaning::PacketTooBig { mtu } => {
                let mtu = u16::try_from(mtu).unwrap_or(u16::MAX);
                self.told_by = Some((from, mtu));
                self.search.on_refused(size, mtu);
            }
            _ => self.search.on_passed(size),
        }
        self.settle();
    }

    fn on_wake(&mut self, now: Instant) {
        let Some((size, deadline)) = self.open.filter(|(_, deadline)| *deadline <= now) else { return };
        debug_assert!(deadline <= now);
        self.open = None;
        if self.tries >= TRIES {
            self.search.on_lost(size);
            self.settle();
        }
    }

    fn next_wake(&self) -> Option<Instant> {
        match self.open {
            Some((_, deadline)) => Some(deadline),
            None if self.is_done() => None,
            // The driver has sent all that is due, so only the end of time leaves something unsent.
            None => None,
        }
    }
}

fn headers(destination: IpAddr) -> u16 {
    match Family::of(destination) {
        Family::Ipv4 => 20 + 8,
        Family::Ipv6 => 40 + 8,
    }
}

/// What every host takes: RFC 791 section 3.1, RFC 8200 section 5.
fn floor(destination: IpAddr) -> u16 {
    match Family::of(destination) {
        Family::Ipv4 => 576,
        Family::Ipv6 => 1280,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::icmp::{self, extension::Extensions};

    /// A made-up path: the MTU of each link, from the test set on; whether the router before it says when it is too small.
    fn run(links: &[(u16, bool)], limit: Option<Duration>) -> (Vec<HopMtu>, usize, Duration) {
        let start = Instant::now();
        let settings = HopMtuSettings {
            destination: [203, 0, 113, 10].into(),
            destination_port: 60_000,
            hops: (1..=links.len() as u8).collect(),
            ceiling: 1500,
            waiting_time: Duration::from_millis(1100),
            time_limit: Duration::from_secs(100),
            cookie: 9,
        };
        let mut machine = HopMtuMachine::new(settings, start);
        let (mut now, mut sent, mut free_at) = (start, 0, start);
        loop {
            machine.on_wake(now);
            while let Some(probe) = machine.transmit(now) {
                sent += 1;
                let size = probe.bytes.len() as u16 + 28;
                let passes = links[..usize::from(probe.hop_limit)].iter().position(|(mtu, _)| *mtu < size);
                let (router, kind, code, rest) = match passes {
                    None => (probe.hop_limit, 11, 0, [0; 4]),
                    Some(at) if links[at].1 => {
                        let [high, low] = links[at].0.to_be_bytes();
                        (at as u8, 3, 4, [0, 0, high, low])
                    }
                    Some(_) => continue,
                };
                if let Some(limit) = limit {
                    if now < free_at {
                        continue;
                    }
                    free_at = now + limit;
                }
                let mut whole = vec![0x45, 0, 0, 0, 0, 0, 0, 0, 1, 17, 0, 0, 192, 0, 2, 50, 203, 0, 113, 10];
                for word in [50_000, 60_000, size - 20, 0] {
                    whole.extend(u16::to_be_bytes(word));
                }
                let quoted = &whole[..28];
                let error = icmp::emit_error(Family::Ipv4, kind, code, rest, quoted, &Extensions::default());
                machine.on_packet(now, [100, 64, router, 1].into(), &error);
            }
            let Some(wake) = machine.next_wake() else { return (machine.report(), sent, now - start) };
            now = now.max(wake);
        }
    }

    #[test]
    fn a_path_of_one_size_takes_two_packets_a_hop() {
        let (found, sent, _) = run(&[(1500, true); 4], None);
        assert_eq!((found.len(), sent), (4, 8));
        assert!(found.iter().all(|hop| hop.mtu == 1500 && !hop.is_narrower && hop.told.is_none()), "{found:?}");
    }

    #[test]
    fn narrow_links_are_told_with_who_said_so_and_who_did_not() {
        let links = [(1500, true), (1500, true), (1492, true), (1492, true), (1400, false), (1400, true)];
        let (found, ..) = run(&links, None);
        let mtus: Vec<u16> = found.iter().map(|hop| hop.mtu).collect();
        assert_eq!(mtus, [1500, 1500, 1492, 1492, 1400, 1400], "{found:?}");
        let narrower: Vec<_> = found.iter().filter(|hop| hop.is_narrower).map(|hop| (hop.hop, hop.told)).collect();
        assert_eq!(narrower, [(3, Some(([100, 64, 2, 1].into(), 1492))), (5, None)]);
    }

    #[test]
    fn a_router_that_limits_its_answers_swallows_nothing() {
        let (found, ..) = run(&[(1500, true); 3], Some(Duration::from_millis(1000)));
        assert!(found.len() == 3 && found.iter().all(|hop| !hop.is_narrower), "{found:?}");
    }
}
