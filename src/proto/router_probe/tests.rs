//! Two routers and a made-up clock: who answers, who passes on.

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
        Self::asking(destination, mac, false)
    }

    fn asking(destination: Option<&str>, mac: Option<Mac>, asks: bool) -> Self {
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
            resolver: Some(at("2001:db8:53::53")).filter(|_| asks),
            identifier: 77,
        };
        let mut bench = Self { probe: RouterProbe::new(settings, start), start, now: start, sent: vec![], is_over: false };
        bench.settle();
        bench
    }

    fn moment(&self) -> Moment {
        let since = self.now.duration_since(self.start).as_nanos() as i64;
        Moment { stamp: Stamp { unix_ns: 1_000_000_000 + since, source: StampSource::Kernel, adapter_ns: None }, at: self.now }
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
    let asked: Vec<u64> = bench.sent.iter().filter(|(_, frame)| frame[54] == 135 && frame[77] == 2).map(|(ms, _)| *ms).collect();
    assert_eq!(asked, [0, 1000, 2000]);
    let found = bench.probe.found();
    assert_eq!((found[1].mac, found[1].leads_out, bench.is_over), (None, None, true), "unasked answers do not count");
}

#[test]
fn a_resolver_s_answer_proves_a_way_out_where_no_echo_is_answered() {
    let mut bench = Bench::asking(Some("2001:db8:203::10"), None, true);
    bench.neighbour(1, true);
    bench.neighbour(2, true);
    let question = bench.sent.iter().find(|(_, frame)| frame[20] == 17).map(|(_, frame)| frame[14..].to_vec()).expect("sent");
    let (asked, payload) = ipv6::parse(&question).unwrap();
    let datagram = udp::parse(payload, asked.source, asked.destination).unwrap();
    let (mut answer, ports) = (datagram.payload.to_vec(), datagram.repr);
    assert_eq!((datagram.checksum, ports.destination_port), (udp::Checksum::Right, 53));
    let back = udp::Repr { source_port: 53, destination_port: ports.source_port };
    let header = ipv6::Repr { source: asked.destination, destination: asked.source, ..asked };
    // Its own question is no answer; with the QR bit and REFUSED it is (RFC 1035 section 4.1.1).
    for (flags, want) in [([0x01, 0x00], Some(false)), ([0x81, 0x05], Some(true))] {
        answer[2..4].copy_from_slice(&flags);
        let datagram = back.emit(&answer, header.source, header.destination);
        bench.receive(Mac([2, 0, 0x5e, 0, 0, 1]), &header.emit(&datagram).unwrap());
        assert_eq!(bench.probe.found()[0].leads_out, want);
    }
    assert_eq!(bench.probe.found()[1].leads_out, Some(false));
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
