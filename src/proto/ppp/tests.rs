//! The subscriber's side against the serving side, and against scripted peers, with a clock that only the test moves.

use std::net::Ipv4Addr;
use std::time::{Duration, Instant};

use proptest::prelude::*;

use super::serving::{REFUSAL, Service, Serving};
use super::terms::{Given, Proof};
use super::*;
use crate::proto::machine::{Arrival, Machine};
use crate::proto::round_trip::{Moment, Settled};
use crate::unit::{Stamp, StampSource};
use crate::wire::ethernet::{self, Mac};
use crate::wire::ppp::{self, Control, code};
use crate::wire::pppoe::{self, Code};

const OWN: Mac = Mac([2, 0, 0x5e, 0, 0, 1]);
const AC: Mac = Mac([2, 0, 0x5e, 0, 0, 0xac]);
const NUMBER: u16 = 0x1234;
const ADDRESS: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 50);
const DNS: [Ipv4Addr; 2] = [Ipv4Addr::new(203, 0, 113, 53), Ipv4Addr::new(203, 0, 113, 54)];
/// One way, set.
const WAY: Duration = Duration::from_millis(5);

fn service(proof: Proof) -> Service {
    Service {
        mru: 1492,
        magic: 0x0506_0708,
        proof,
        account: Login::new("line1", "secret"),
        challenge: vec![9; 16],
        name: "bng-1".to_owned(),
        own: Ipv4Addr::new(198, 51, 100, 1),
        given: Given { address: ADDRESS, dns: DNS },
        interface_identifier: Some([0, 0, 0, 0, 0, 0, 0, 9]),
    }
}

struct Bench {
    session: Session,
    serving: Option<Serving>,
    now: Instant,
    start: Instant,
    /// Frames on their way to the peer and to us, by arrival.
    to_peer: Vec<(Instant, Vec<u8>)>,
    to_us: Vec<(Instant, Vec<u8>)>,
    events: Vec<Event>,
    /// PADTs and LCP codes that we sent.
    farewells: usize,
    codes: Vec<(u16, u8)>,
    /// The peer throws away what comes before this.
    deaf_until: Instant,
}

impl Bench {
    fn new(service: Option<Service>, login: Option<Login>) -> Self {
        let start = Instant::now();
        let settings = Settings {
            own: OWN,
            peer: AC,
            number: NUMBER,
            mru: 1492,
            login,
            magic: 0x0102_0304,
            interface_identifier: [0, 0, 0, 0, 0, 0, 0, 1],
            patience: Duration::from_secs(15),
        };
        Self {
            session: Session::new(settings, start),
            serving: service.map(|service| Serving::new(service, start)),
            now: start,
            start,
            to_peer: Vec::new(),
            to_us: Vec::new(),
            events: Vec::new(),
            farewells: 0,
            codes: Vec::new(),
            deaf_until: start,
        }
    }

    fn moment(&self) -> Moment {
        let ns = self.now.duration_since(self.start).as_nanos() as i64;
        Moment { stamp: Stamp { unix_ns: 1_000_000_000_000 + ns, source: StampSource::Kernel, adapter_ns: None }, at: self.now }
    }

    fn settle(&mut self) {
        while let Some(outgoing) = self.session.transmit(self.now) {
            self.session.on_sent(outgoing.ticket, self.moment());
            let frame = ethernet::parse(&outgoing.bytes).unwrap();
            assert_eq!((frame.repr.source, frame.repr.destination), (OWN, AC));
            if frame.repr.ethertype == pppoe::DISCOVERY {
                let repr = pppoe::parse(frame.payload).unwrap().repr;
                assert_eq!((repr.code, repr.session), (Code::Terminate, NUMBER));
                self.farewells += 1;
                continue;
            }
            let (number, inside) = pppoe::session(frame.payload).unwrap();
            assert_eq!(number, NUMBER);
            let (protocol, information) = ppp::frame(inside).unwrap();
            self.codes.push((protocol, ppp::control(information).unwrap().code));
            self.to_peer.push((self.now + WAY, inside.to_vec()));
        }
        while let Some(frame) = self.serving.as_mut().and_then(Serving::poll) {
            self.to_us.push((self.now + WAY, frame));
        }
        while let Some(event) = self.session.poll_event() {
            self.events.push(event);
        }
    }

    fn hand_over(&mut self, inside: &[u8]) {
        let session = [&pppoe::session_header(NUMBER, inside.len() as u16)[..], inside].concat();
        let header = ethernet::Repr { destination: OWN, source: AC, tags: Vec::new(), ethertype: pppoe::SESSION };
        let arrival = Arrival { moment: self.moment(), tag: None, has_checksum: true };
        self.session.on_frame(&arrival, &header.emit(&session));
    }

    /// Lets both sides talk until a time after the start.
    fn until(&mut self, ms: u64) {
        let end = self.start + Duration::from_millis(ms);
        loop {
            self.settle();
            let serving = self.serving.as_ref().and_then(Serving::next_wake);
            let flights = self.to_peer.iter().chain(&self.to_us).map(|(at, _)| *at).min();
            let next = [self.session.next_wake(), serving, flights].into_iter().flatten().min();
            let Some(next) = next.filter(|next| *next <= end) else { break };
            self.now = next.max(self.now);
            let (due, later): (Vec<_>, Vec<_>) =
                std::mem::take(&mut self.to_peer).into_iter().partition(|(at, _)| *at <= self.now);
            self.to_peer = later;
            for (_, frame) in due {
                if let Some(serving) = self.serving.as_mut().filter(|_| self.now >= self.deaf_until) {
                    serving.on_frame(&frame, self.now);
                }
            }
            let (due, later): (Vec<_>, Vec<_>) = std::mem::take(&mut self.to_us).into_iter().partition(|(at, _)| *at <= self.now);
            self.to_us = later;
            for (_, frame) in due {
                self.hand_over(&frame);
            }
            self.session.on_wake(self.now);
            if let Some(serving) = &mut self.serving {
                serving.on_wake(self.now);
            }
        }
        self.now = end;
    }

    fn ending(&self) -> Option<&Ending> {
        self.events.iter().find_map(|event| match event {
            Event::Over(ending) => Some(ending),
            _ => None,
        })
    }
}

fn login() -> Option<Login> {
    Some(Login::new("line1", "secret"))
}

#[test]
fn a_login_by_either_proof_gives_addresses_and_both_families() {
    // Both sides ask at once, so LCP takes one round trip of 10 ms. PAP takes another; CHAP half of one more, since the
    // challenge comes only once the concentrator knows that the link is open. IPCP takes two: address and resolvers come by
    // Nak, and then are asked for.
    for (proof, want) in [(Proof::ChapMd5, [10, 25, 45]), (Proof::Pap, [10, 20, 40])] {
        let mut bench = Bench::new(Some(service(proof)), login());
        bench.until(2000);
        let reached: Vec<_> =
            bench.events.iter().filter_map(|e| if let Event::Reached(p) = e { Some(*p) } else { None }).collect();
        assert_eq!(reached, [Phase::Login, Phase::Network, Phase::Open], "{proof:?}");
        let got = bench.session.addresses().unwrap();
        assert_eq!((got.own, got.peer, &got.dns[..], got.mtu), (ADDRESS, Some(Ipv4Addr::new(198, 51, 100, 1)), &DNS[..], 1492));
        assert_eq!(got.ipv6, Some(([0, 0, 0, 0, 0, 0, 0, 1], [0, 0, 0, 0, 0, 0, 0, 9])));
        assert_eq!(bench.session.proof(), Some(proof));
        assert!(bench.serving.as_ref().unwrap().is_up());
        let times = bench.session.times();
        let ms = |at: Option<Instant>| at.unwrap().duration_since(times.begun).as_millis();
        assert_eq!([times.link, times.login, times.ipv4].map(ms), want);
    }
}

#[test]
fn a_refused_login_says_so_with_the_peers_words_and_ends_with_padt() {
    for proof in [Proof::ChapMd5, Proof::Pap] {
        let mut bench = Bench::new(Some(service(proof)), Some(Login::new("line1", "wrong")));
        bench.until(3000);
        assert_eq!(bench.ending(), Some(&Ending::Refused(REFUSAL.to_owned())), "{proof:?}");
        assert_eq!((bench.farewells, bench.session.addresses()), (2, None));
    }
    let mut bench = Bench::new(Some(service(Proof::Pap)), None);
    bench.until(3000);
    assert!(matches!(bench.ending(), Some(Ending::Refused(words)) if words.contains("none was given")));
    assert!(bench.codes.iter().all(|(protocol, _)| *protocol == ppp::LCP), "nothing of a login was sent");
}

#[test]
fn a_peer_that_is_still_starting_costs_no_restart_timer() {
    let mut bench = Bench::new(None, login());
    bench.until(900);
    assert_eq!(bench.session.link_requests(), 1);
    // Only now it is up: what we sent before is lost.
    bench.to_peer.clear();
    bench.serving = Some(Serving::new(service(Proof::ChapMd5), bench.now));
    bench.until(1000);
    assert_eq!(bench.session.phase(), Phase::Open);
    assert_eq!(bench.session.link_requests(), 2);
}

#[test]
fn a_silent_peer_is_waited_for_as_long_as_was_set_and_told_by_phase() {
    let mut bench = Bench::new(None, login());
    bench.until(20_000);
    assert_eq!(bench.ending(), Some(&Ending::NoAnswer(Phase::Link)));
    // RFC 1661 section 4.6: every 3 s.
    assert_eq!(bench.codes.iter().filter(|c| **c == (ppp::LCP, code::CONFIGURE_REQUEST)).count(), 5);
    assert_eq!(bench.farewells, 2);
}

#[test]
fn ending_closes_the_link_and_says_farewell_twice() {
    let mut bench = Bench::new(Some(service(Proof::ChapMd5)), login());
    bench.until(2000);
    bench.session.end(bench.now);
    bench.until(3000);
    assert_eq!(bench.ending(), Some(&Ending::Closed));
    assert_eq!(bench.codes.last(), Some(&(ppp::LCP, code::TERMINATE_REQUEST)));
    assert_eq!((bench.farewells, bench.session.next_wake()), (2, None));
    assert!(bench.serving.unwrap().is_over());
}

#[test]
fn a_peer_that_closes_is_told_with_its_words() {
    let mut bench = Bench::new(Some(service(Proof::ChapMd5)), login());
    bench.until(2000);
    bench.serving = None;
    let packet = Control { code: code::TERMINATE_REQUEST, identifier: 3, data: b"idle\x07 time".to_vec() };
    bench.hand_over(&packet.emit(ppp::LCP));
    bench.until(2100);
    assert_eq!(bench.ending(), Some(&Ending::ClosedByPeer(Phase::Open, "idle  time".to_owned())));
    assert_eq!(bench.farewells, 2);
}

#[test]
fn echoes_are_timed_and_their_size_proves_the_mru() {
    let mut bench = Bench::new(Some(service(Proof::ChapMd5)), login());
    assert_eq!(bench.session.echo(8), None, "not before it is open");
    bench.until(2000);
    assert_eq!((bench.session.echo(8), bench.session.echo(1492)), (Some(0), Some(1)));
    bench.until(2100);
    let echoes: Vec<Echo> = bench.session.echoes().collect();
    for (echo, octets) in echoes.iter().zip([8, 1492]) {
        assert_eq!((echo.octets, echo.answered), (octets, Some(octets)));
        assert_eq!(echo.time, Settled::RoundTrip(2 * WAY, StampSource::Kernel));
    }
    // And the peer's are answered with our magic number.
    let asked = Control { code: code::ECHO_REQUEST, identifier: 77, data: vec![1, 1, 1, 1, 42] };
    bench.hand_over(&asked.emit(ppp::LCP));
    let answer = bench.session.transmit(bench.now).unwrap();
    let frame = ethernet::parse(&answer.bytes).unwrap();
    let inside = pppoe::session(frame.payload).unwrap().1;
    let reply = ppp::control(&inside[2..]).unwrap();
    assert_eq!((reply.code, reply.identifier, &reply.data[..]), (code::ECHO_REPLY, 77, &[1, 2, 3, 4, 42][..]));
}

#[test]
fn unknown_protocols_and_options_are_rejected_and_do_no_harm() {
    let mut bench = Bench::new(Some(service(Proof::ChapMd5)), login());
    bench.until(2000);
    // Compression control (RFC 1962), which servers like to offer.
    bench.hand_over(&Control { code: 1, identifier: 1, data: vec![] }.emit(0x80fd));
    bench.settle();
    assert_eq!(bench.codes.last(), Some(&(ppp::LCP, code::PROTOCOL_REJECT)));
    assert_eq!(bench.session.phase(), Phase::Open);
}

#[test]
fn frames_of_other_sessions_and_concentrators_are_not_taken() {
    let mut bench = Bench::new(None, login());
    let request = Control { code: code::CONFIGURE_REQUEST, identifier: 1, data: vec![] }.emit(ppp::LCP);
    let arrival = Arrival { moment: bench.moment(), tag: None, has_checksum: true };
    for (from, number) in [(AC, NUMBER + 1), (Mac([2, 0, 0x5e, 0, 0, 0xad]), NUMBER)] {
        let session = [&pppoe::session_header(number, request.len() as u16)[..], &request].concat();
        let header = ethernet::Repr { destination: OWN, source: from, tags: Vec::new(), ethertype: pppoe::SESSION };
        bench.session.on_frame(&arrival, &header.emit(&session));
    }
    bench.settle();
    assert_eq!(bench.codes, [(ppp::LCP, code::CONFIGURE_REQUEST)], "only our own first request");
}

proptest! {
    // Whatever a peer sends, in whatever order: no panic, no endless talk, and the end is an end.
    #[test]
    fn no_peer_keeps_a_session_from_ending(
        frames in prop::collection::vec((0_usize..7, 0_u8..12, 0_u8..6, prop::collection::vec(any::<u8>(), 0..24)), 0..60),
    ) {
        let mut bench = Bench::new(None, login());
        for (protocol, code, identifier, data) in frames {
            let protocol = [ppp::LCP, ppp::PAP, ppp::CHAP, ppp::IPCP, ppp::IPV6CP, ppp::IPV4, 0x80fd][protocol];
            bench.hand_over(&Control { code, identifier, data }.emit(protocol));
            let now = bench.now;
            bench.session.on_wake(now);
            bench.settle();
        }
        prop_assert!(bench.codes.len() < 400, "{} packets", bench.codes.len());
        let now = bench.now;
        bench.session.end(now);
        let end = bench.now.duration_since(bench.start).as_millis() as u64 + 3000;
        bench.until(end);
        prop_assert!(bench.ending().is_some());
        prop_assert_eq!(bench.session.next_wake(), None);
    }
}
