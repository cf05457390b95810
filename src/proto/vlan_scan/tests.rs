//! The search, fed with answers of servers in VLANs.

use super::*;
use crate::unit::{Stamp, StampSource};
use crate::wire::ethernet::Tag;

const HOST: Mac = Mac([2, 0, 0x5e, 0, 0, 1]);
const SERVER: Mac = Mac([2, 0, 0x5e, 0, 0, 9]);

struct Bench {
    scan: VlanScan,
    start: Instant,
    now: Instant,
    /// What was sent: when, and as it stood.
    sent: Vec<(Instant, Vec<u8>)>,
}

impl Bench {
    fn new(stacks: Vec<TagStack>) -> Self {
        let start = Instant::now();
        let scan = VlanScan::new(Settings { mac: HOST, stacks, run: 0x0102_0300 }, start);
        Self { scan, start, now: start, sent: Vec::new() }
    }

    fn moment(&self) -> Moment {
        Moment { stamp: Stamp { unix_ns: 0, source: StampSource::Kernel, adapter_ns: None }, at: self.now }
    }

    /// Until a time after the start; what a server would answer to each frame is handed over 2 ms later.
    fn until(&mut self, end: Duration, answer: impl Fn(&[u8]) -> Option<(Option<Tag>, Vec<u8>)>) {
        let end = self.start + end;
        loop {
            while let Some(outgoing) = self.scan.transmit(self.now) {
                self.scan.on_sent(outgoing.ticket, self.moment());
                self.sent.push((self.now, outgoing.bytes.clone()));
                if let Some((tag, frame)) = answer(&outgoing.bytes) {
                    let moment = Moment { at: self.now + Duration::from_millis(2), ..self.moment() };
                    self.scan.on_frame(&Arrival { moment, tag, has_checksum: true }, &frame);
                }
            }
            let Some(wake) = self.scan.next_wake().filter(|wake| *wake <= end) else { break };
            self.now = wake.max(self.now);
            self.scan.on_wake(self.now);
        }
        self.now = end;
    }
}

/// A concentrator that answers in one VLAN, as the kernel hands its answer over.
fn concentrator(stack: TagStack) -> impl Fn(&[u8]) -> Option<(Option<Tag>, Vec<u8>)> {
    move |asked| {
        let frame = ethernet::parse(asked).unwrap();
        if frame.repr.ethertype != DISCOVERY || frame.repr.tags != stack.tags() {
            return None;
        }
        let uniq = pppoe::parse(frame.payload).unwrap().repr.tag(tag::HOST_UNIQ).unwrap().to_vec();
        let tags = vec![PppoeTag::new(tag::AC_NAME, b"edge-1".to_vec()), PppoeTag::new(tag::HOST_UNIQ, uniq)];
        let packet = pppoe::Repr { code: Code::Offer, session: 0, tags }.emit().unwrap();
        let inner = stack.tags().get(1..).unwrap_or_default().to_vec();
        let answer = ethernet::Repr { destination: HOST, source: SERVER, tags: inner, ethertype: DISCOVERY }.emit(&packet);
        Some((stack.tags().first().copied(), answer))
    }
}

#[test]
fn each_vlan_is_asked_twice_for_each_service_spread_over_time() {
    let stacks = vec![TagStack::NONE, TagStack::single(35), TagStack::double(100, 35)];
    let mut bench = Bench::new(stacks.clone());
    bench.until(Duration::from_secs(10), |_| None);
    assert_eq!(bench.sent.len(), 3 * 3 * 2);
    for stack in stacks {
        let of = |ethertype| {
            let is = |bytes: &[u8]| {
                let repr = ethernet::parse(bytes).unwrap().repr;
                repr.tags == stack.tags() && repr.ethertype == ethertype && repr.source == HOST
            };
            bench.sent.iter().filter(|(_, bytes)| is(bytes)).count()
        };
        assert_eq!([of(DISCOVERY), of(ethernet::IPV4), of(ipv6::ETHERTYPE)], [2, 2, 2], "{stack}");
    }
    let gaps = bench.sent.windows(2).map(|w| w[1].0 - w[0].0);
    assert!(gaps.clone().all(|gap| gap >= SPACING), "{:?}", gaps.min());
    assert_eq!((bench.scan.poll_event(), bench.scan.poll_event(), bench.scan.next_wake()), (Some(Event::Over), None, None));
}

#[test]
fn twenty_vlans_take_less_than_five_seconds() {
    assert!(duration(21) < Duration::from_secs(5), "{:?}", duration(21));
}

#[test]
fn who_answers_is_told_once_with_its_vlan() {
    for stack in [TagStack::NONE, TagStack::single(35), TagStack::double(100, 35)] {
        let mut bench = Bench::new(vec![TagStack::NONE, TagStack::single(7), TagStack::single(35), TagStack::double(100, 35)]);
        bench.until(Duration::from_secs(10), concentrator(stack));
        let after = Duration::from_millis(2);
        let want = Answer { stack, service: Service::Pppoe, from: SERVER, name: "edge-1".to_owned(), after };
        assert_eq!(bench.scan.answers(), [want]);
    }
}

#[test]
fn answers_to_others_and_in_unasked_vlans_are_not_taken() {
    let mut bench = Bench::new(vec![TagStack::single(35)]);
    // In VLAN 36, what was asked in 35.
    bench.until(Duration::from_secs(10), |asked| {
        concentrator(TagStack::single(35))(asked).map(|(_, frame)| (TagStack::single(36).tags().first().copied(), frame))
    });
    assert_eq!(bench.scan.answers(), []);
    // With another host's mark.
    let mut bench = Bench::new(vec![TagStack::single(35)]);
    bench.until(Duration::from_secs(10), |asked| {
        concentrator(TagStack::single(35))(asked).map(|(tag, mut frame)| {
            let at = frame.windows(4).position(|w| w == [1, 2, 3, 0]).expect("our mark");
            frame[at] = 9;
            (tag, frame)
        })
    });
    assert_eq!(bench.scan.answers(), []);
}
