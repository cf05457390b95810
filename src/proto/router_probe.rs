//! Whether advertised routers are there, and whether each leads out (RFC 4861 section 7.2, RFC 4443 section 4).
//!
//! Each router is asked for its hardware address; who answers gets echo requests for a host far away to pass on, whatever the
//! system's own routes say. It knows no socket and no clock. The hard thing: a host has one way out at a time, an examiner tries
//! every router's; so replies are told apart by their sequence number.

use std::collections::VecDeque;
use std::net::Ipv6Addr;
use std::time::{Duration, Instant};

use super::machine::{Arrival, Machine, Moment, Outgoing};
use super::round_trip::{Flight, Took};
use crate::unit::Family;
use crate::wire::ethernet::{self, Mac};
use crate::wire::icmp::{self, Echo};
use crate::wire::{ipv6, nd};

/// `MAX_MULTICAST_SOLICIT` and `RETRANS_TIMER` (RFC 4861 section 10).
const MOST_SOLICITATIONS: u32 = 3;
const SOLICITATION_WAIT: Duration = Duration::from_secs(1);
/// Echo requests through each router, and their distance; a reply counts until the last one's time is over (ours).
const ECHOES: u32 = 4;
const ECHO_WAIT: Duration = Duration::from_millis(400);
/// As kernels begin with (common practice).
const HOP_LIMIT: u8 = 64;
/// Tells our echoes from others'.
const COOKIE: &[u8] = b"way out through this router?";

/// A router to be tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Candidate {
    /// Its link-local address.
    pub address: Ipv6Addr,
    /// Its hardware address, where there is nothing to ask for: on a link without such addresses.
    pub mac: Option<Mac>,
    /// Our address to send through it from; without one it is only asked whether it is there.
    pub source: Option<Ipv6Addr>,
}

/// What is tried.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Hardware address of the port.
    pub mac: Mac,
    /// Link-local address of the port.
    pub link_local: Ipv6Addr,
    /// The routers.
    pub routers: Vec<Candidate>,
    /// A host far away that answers echoes; without one no way out is tried.
    pub destination: Option<Ipv6Addr>,
    /// Of the echoes, drawn by the caller.
    pub identifier: u16,
}

/// What was found about one router.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Probed {
    /// Its link-local address.
    pub address: Ipv6Addr,
    /// Hardware address in its answer; `None` when it gave none.
    pub mac: Option<Mac>,
    /// Whether it says of itself that it is a router.
    pub says_router: bool,
    /// How long its answer took.
    pub answered_in: Option<Took>,
    /// Whether an echo through it came back; `None` when it was not tried.
    pub leads_out: Option<bool>,
}

/// All is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Over;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Asking,
    Echoing,
    Done,
}

#[derive(Debug)]
struct Router {
    found: Probed,
    source: Option<Ipv6Addr>,
    stage: Stage,
    sends: u32,
    again_at: Instant,
    flights: Vec<Flight>,
}

/// The attempt.
#[derive(Debug)]
pub struct RouterProbe {
    settings: Settings,
    routers: Vec<Router>,
    /// Which router each ticket is a solicitation for.
    tickets: Vec<Option<usize>>,
    outbox: VecDeque<Outgoing>,
    is_told: bool,
}

impl RouterProbe {
    /// Begins: all routers are asked at once.
    pub fn new(settings: Settings, now: Instant) -> Self {
        let routers = settings.routers.iter().map(|candidate| Router {
            found: Probed {
                address: candidate.address,
                mac: candidate.mac,
                says_router: false,
                answered_in: None,
                leads_out: None,
            },
            source: candidate.source,
            stage: Stage::Asking,
            sends: 0,
            again_at: now,
            flights: Vec::new(),
        });
        let mut routers: Vec<Router> = routers.collect();
        for router in routers.iter_mut().filter(|router| router.found.mac.is_some()) {
            router.is_there(settings.destination.is_some(), now);
        }
        let mut this = Self { settings, routers, tickets: Vec::new(), outbox: VecDeque::new(), is_told: false };
        this.wake(now);
        this
    }

    /// What was found so far, in the order of the settings.
    pub fn found(&self) -> Vec<Probed> {
        self.routers.iter().map(|router| router.found).collect()
    }

    fn wake(&mut self, now: Instant) {
        for at in 0..self.routers.len() {
            let router = &mut self.routers[at];
            if now < router.again_at {
                continue;
            }
            let (most, wait) = match router.stage {
                Stage::Asking => (MOST_SOLICITATIONS, SOLICITATION_WAIT),
                Stage::Echoing => (ECHOES, ECHO_WAIT),
                Stage::Done => continue,
            };
            if router.sends == most {
                router.stage = Stage::Done;
                continue;
            }
            router.sends += 1;
            router.again_at = now + wait;
            match router.stage {
                Stage::Asking => self.ask(at),
                _ => self.echo(at),
            }
        }
    }

    fn ask(&mut self, at: usize) {
        let target = self.routers[at].found.address;
        let (group, group_mac) = nd::solicited_node(target);
        let message = nd::Message::Solicitation { target, mac: Some(self.settings.mac) };
        let packet = message.emit(self.settings.link_local, group);
        self.post(group_mac, &packet, Some(at));
    }

    fn echo(&mut self, at: usize) {
        let router = &self.routers[at];
        let (Some(mac), Some(source), Some(destination)) = (router.found.mac, router.source, self.settings.destination) else {
            return;
        };
        let sequence = at as u16 * ECHOES as u16 + router.sends as u16 - 1;
        let echo = Echo { identifier: self.settings.identifier, sequence, payload: COOKIE };
        let mut message = icmp::emit_request(Family::Ipv6, echo);
        icmp::fill_checksum_v6(source, destination, &mut message);
        let header = ipv6::Repr {
            source,
            destination,
            next_header: icmp::NEXT_HEADER_V6,
            hop_limit: HOP_LIMIT,
            traffic_class: 0,
            flow_label: 0,
        };
        let packet = header.emit(&message).unwrap_or_default();
        self.post(mac, &packet, None);
    }

    fn post(&mut self, destination: Mac, packet: &[u8], solicits: Option<usize>) {
        let header = ethernet::Repr { destination, source: self.settings.mac, tags: Vec::new(), ethertype: ipv6::ETHERTYPE };
        let ticket = self.tickets.len() as u64;
        self.tickets.push(solicits);
        self.outbox.push_back(Outgoing { ticket, bytes: header.emit(packet) });
    }

    fn on_neighbour(&mut self, arrival: &Arrival, message: nd::Message, sender: Mac) {
        let nd::Message::Advertisement { target, mac, is_router, is_solicited: true } = message else { return };
        let asked = |router: &&mut Router| router.found.address == target && router.stage == Stage::Asking;
        let Some(router) = self.routers.iter_mut().find(asked) else { return };
        // Only where the address is known already may it be left out (RFC 4861 section 4.4).
        router.found.mac = Some(mac.unwrap_or(sender));
        router.found.says_router = is_router;
        router.found.answered_in = Took::between(router.flights.iter().copied(), arrival.moment);
        router.is_there(self.settings.destination.is_some(), arrival.moment.at);
        self.wake(arrival.moment.at);
    }

    fn on_echo(&mut self, header: &ipv6::Repr, payload: &[u8]) {
        let reading = icmp::Reading { pseudo_header: None, tolerant: false };
        let Ok(icmp::Parsed { message: icmp::Message::EchoReply(echo), .. }) = icmp::parse(Family::Ipv6, payload, reading) else {
            return;
        };
        let is_ours = echo.identifier == self.settings.identifier && echo.payload == COOKIE;
        if !is_ours || Some(header.source) != self.settings.destination {
            return;
        }
        let at = usize::from(echo.sequence / ECHOES as u16);
        if let Some(router) = self.routers.get_mut(at).filter(|router| router.source == Some(header.destination)) {
            router.found.leads_out = Some(true);
            router.stage = Stage::Done;
        }
    }
}

impl Router {
    /// Its hardware address is known: the way out is next, where there is one to try.
    fn is_there(&mut self, has_destination: bool, now: Instant) {
        if self.source.is_some() && has_destination {
            self.found.leads_out = Some(false);
            (self.stage, self.sends, self.again_at) = (Stage::Echoing, 0, now);
        } else {
            self.stage = Stage::Done;
        }
    }
}

impl Machine for RouterProbe {
    type Event = Over;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        let Ok(frame) = ethernet::parse(frame) else { return };
        if frame.repr.ethertype != ipv6::ETHERTYPE || arrival.tag.is_some_and(|tag| tag.vlan() != 0) {
            return;
        }
        let Ok((header, payload)) = ipv6::parse(frame.payload) else { return };
        if header.next_header != icmp::NEXT_HEADER_V6 {
            return;
        }
        match nd::parse(&header, payload, arrival.has_checksum) {
            Some(message) => self.on_neighbour(arrival, message, frame.repr.source),
            None => self.on_echo(&header, payload),
        }
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some(Some(at)) = self.tickets.get(ticket as usize) {
            self.routers[*at].flights.push(Flight::new(submitted));
        }
    }

    fn on_send_failed(&mut self, _: u64) {}

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        if let Some(Some(at)) = self.tickets.get(ticket as usize)
            && let Some(flight) = self.routers[*at].flights.last_mut()
        {
            flight.on_departure(moment);
        }
    }

    fn on_wake(&mut self, now: Instant) {
        self.wake(now);
    }

    fn transmit(&mut self, now: Instant) -> Option<Outgoing> {
        self.wake(now);
        self.outbox.pop_front()
    }

    fn next_wake(&self) -> Option<Instant> {
        self.routers.iter().filter(|router| router.stage != Stage::Done).map(|router| router.again_at).min()
    }

    fn poll_event(&mut self) -> Option<Over> {
        let is_over = self.outbox.is_empty() && self.routers.iter().all(|router| router.stage == Stage::Done);
        (is_over && !std::mem::replace(&mut self.is_told, is_over)).then_some(Over)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::{Stamp, StampSource};

    const MAC: Mac = Mac([2, 0, 0x5e, 0, 0, 9]);

    fn at(text: &str) -> Ipv6Addr {
        text.parse().unwrap()
    }

    /// Two routers: fe80::1 answers and passes on, fe80::2 does what the test says.
    struct Bench {
        probe: RouterProbe,
        start: Instant,
        now: Instant,
        sent: Vec<(u64, Vec<u8>)>,
        is_over: bool,
    }

    impl Bench {
        fn new(destination: Option<&str>) -> Self {
            Self::with(destination, None)
        }

        fn with(destination: Option<&str>, mac: Option<Mac>) -> Self {
            let start = Instant::now();
            let router = |n| {
                let address = Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, n);
                Candidate { address, mac, source: Some(at("2001:db8::9")) }
            };
            let settings = Settings {
                mac: MAC,
                link_local: at("fe80::9"),
                routers: vec![router(1), router(2)],
                destination: destination.map(at),
                identifier: 77,
            };
            let mut bench = Self { probe: RouterProbe::new(settings, start), start, now: start, sent: vec![], is_over: false };
            bench.settle();
            bench
        }

        fn moment(&self) -> Moment {
            let since = self.now.duration_since(self.start).as_nanos() as i64;
            Moment { stamp: Stamp { unix_ns: 1_000_000_000 + since, source: StampSource::Kernel }, at: self.now }
        }

        fn settle(&mut self) {
            while let Some(out) = self.probe.transmit(self.now) {
                self.probe.on_sent(out.ticket, self.moment());
                self.sent.push((self.now.duration_since(self.start).as_millis() as u64, out.bytes));
            }
            self.is_over |= self.probe.poll_event().is_some();
        }

        fn run_to(&mut self, ms: u64) {
            let end = self.start + Duration::from_millis(ms);
            while let Some(wake) = self.probe.next_wake().filter(|wake| *wake <= end) {
                self.now = wake.max(self.now);
                self.probe.on_wake(self.now);
                self.settle();
            }
            self.now = end;
            self.settle();
        }

        fn receive(&mut self, mac: Mac, packet: &[u8]) {
            let header = ethernet::Repr { destination: MAC, source: mac, tags: vec![], ethertype: ipv6::ETHERTYPE };
            let arrival = Arrival { moment: self.moment(), tag: None, has_checksum: true };
            self.probe.on_frame(&arrival, &header.emit(packet));
            self.settle();
        }

        fn neighbour(&mut self, n: u8, is_solicited: bool) {
            let target = Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, n.into());
            let mac = Mac([2, 0, 0x5e, 0, 0, n]);
            let message = nd::Message::Advertisement { target, mac: Some(mac), is_router: true, is_solicited };
            self.receive(mac, &message.emit(target, at("fe80::9")));
        }

        fn echo(&mut self, sequence: u16, from: &str, payload: &[u8]) {
            let (source, destination) = (at(from), at("2001:db8::9"));
            let mut message = icmp::emit_reply(Family::Ipv6, Echo { identifier: 77, sequence, payload });
            icmp::fill_checksum_v6(source, destination, &mut message);
            let header = ipv6::Repr { source, destination, next_header: 58, hop_limit: 60, traffic_class: 0, flow_label: 0 };
            self.receive(Mac([2, 0, 0x5e, 0, 0, 1]), &header.emit(&message).unwrap());
        }
    }

    #[test]
    fn a_router_that_passes_on_is_told_from_one_that_is_there_and_does_not() {
        let mut bench = Bench::new(Some("2001:db8:203::10"));
        bench.run_to(3);
        bench.neighbour(1, true);
        bench.neighbour(2, true);
        let echoes: Vec<_> = bench.sent[2..].iter().map(|(_, frame)| (frame[5], frame[14 + 40])).collect();
        assert_eq!(echoes, [(1, 128), (2, 128)], "one echo to each router's hardware address");
        bench.echo(0, "2001:db8:203::10", COOKIE);
        // A stranger's, one of other data, and one of a number that was never sent through anybody.
        bench.echo(ECHOES as u16, "2001:db8:203::11", COOKIE);
        bench.echo(ECHOES as u16, "2001:db8:203::10", b"other");
        bench.echo(99, "2001:db8:203::10", COOKIE);
        bench.run_to(1590);
        assert!(!bench.is_over);
        bench.run_to(1700);
        assert!(bench.is_over);
        let found = bench.probe.found();
        assert_eq!(found.iter().map(|one| one.leads_out).collect::<Vec<_>>(), [Some(true), Some(false)]);
        assert_eq!(found[0].answered_in.unwrap().longest, Duration::from_millis(3));
        assert_eq!((found[0].mac, found[0].says_router), (Some(Mac([2, 0, 0x5e, 0, 0, 1])), true));
    }

    #[test]
    fn who_does_not_answer_is_asked_three_times_a_second_apart() {
        let mut bench = Bench::new(Some("2001:db8:203::10"));
        bench.neighbour(1, true);
        bench.neighbour(2, false);
        bench.echo(0, "2001:db8:203::10", COOKIE);
        bench.run_to(10_000);
        let asked: Vec<u64> =
            bench.sent.iter().filter(|(_, frame)| frame[54] == 135 && frame[77] == 2).map(|(ms, _)| *ms).collect();
        assert_eq!(asked, [0, 1000, 2000]);
        let found = bench.probe.found();
        assert_eq!((found[1].mac, found[1].leads_out, bench.is_over), (None, None, true), "unasked answers do not count");
    }

    #[test]
    fn on_a_link_without_hardware_addresses_nobody_is_asked_for_one() {
        let mut bench = Bench::with(Some("2001:db8:203::10"), Some(Mac::default()));
        assert!(bench.sent.iter().all(|(_, frame)| frame[54] == 128), "echoes at once");
        bench.echo(0, "2001:db8:203::10", COOKIE);
        bench.run_to(2000);
        let found = bench.probe.found();
        assert_eq!((found[0].leads_out, found[1].leads_out, bench.is_over), (Some(true), Some(false), true));
    }

    #[test]
    fn without_a_host_far_away_only_presence_is_found() {
        let mut bench = Bench::new(None);
        bench.neighbour(1, true);
        bench.neighbour(2, true);
        assert!(bench.is_over);
        assert!(bench.probe.found().iter().all(|one| one.mac.is_some() && one.leads_out.is_none()));
        assert_eq!(bench.probe.next_wake(), None);
    }
}
