//! Dialogues with a made-up clock: what is sent when, what is made of each answer.

use std::net::Ipv6Addr;

use super::*;
use crate::unit::{Stamp, StampSource};
use crate::wire::dhcp6::{self, CLIENT_PORT, Message, SERVER_PORT, status};
use crate::wire::{ethernet, ipv6, udp};

const MAC: Mac = Mac([2, 0, 0x5e, 0, 0, 9]);
const ID: u32 = 0x5e00_0009;
const SERVER: Ipv6Addr = Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 1);
const BOTH: Purpose = Purpose::Lease { address: true, prefix: true };

fn here() -> Ipv6Addr {
    "fe80::9".parse().unwrap()
}

fn duid(n: u8) -> Duid {
    Duid::of_mac(Mac([2, 0, 0x5e, 0, 0, n]))
}

fn lent(n: u16) -> Item {
    let address = Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, n);
    Item::Address { address, preferred_s: 600, valid_s: 1200, items: vec![] }
}

fn delegated(len: u8) -> Item {
    Item::Prefix { prefix: "2001:db8:d000::".parse().unwrap(), len, preferred_s: 600, valid_s: 1200, items: vec![] }
}

fn addresses(items: Vec<Item>) -> Item {
    Item::Addresses(Association { items, ..Association::new(ID) })
}

fn prefixes(items: Vec<Item>) -> Item {
    Item::Prefixes(Association { items, ..Association::new(ID) })
}

fn no(code: u16) -> Vec<Item> {
    vec![Item::Status(code, "sold out".to_owned())]
}

struct Bench {
    client: Client,
    start: Instant,
    now: Instant,
    /// What was sent, with milliseconds since the start.
    sent: Vec<(u64, Message)>,
    events: Vec<Event>,
}

impl Bench {
    fn new(purpose: Purpose) -> Self {
        let start = Instant::now();
        let settings = Settings {
            mac: MAC,
            source: here(),
            purpose,
            patience: Duration::from_secs(10),
            window: Duration::from_millis(500),
            transaction: 0x77_0000,
            jitter_per_mille: vec![0],
        };
        Self::with(settings, start)
    }

    fn with(settings: Settings, start: Instant) -> Self {
        let mut bench = Self { client: Client::new(settings, start), start, now: start, sent: Vec::new(), events: Vec::new() };
        bench.settle();
        bench
    }

    fn moment(&self) -> Moment {
        let since = self.now.duration_since(self.start);
        Moment {
            stamp: Stamp { unix_ns: 1_000_000_000_000 + since.as_nanos() as i64, source: StampSource::Kernel, adapter_ns: None },
            at: self.now,
        }
    }

    fn settle(&mut self) {
        while let Some(outgoing) = self.client.transmit(self.now) {
            self.client.on_sent(outgoing.ticket, self.moment());
            self.client.on_departure(outgoing.ticket, self.moment());
            let frame = ethernet::parse(&outgoing.bytes).unwrap();
            assert_eq!(frame.repr.destination, Mac([0x33, 0x33, 0, 1, 0, 2]));
            let (header, payload) = ipv6::parse(frame.payload).unwrap();
            let datagram = udp::parse(payload, header.source, header.destination).unwrap();
            assert_eq!(datagram.checksum, udp::Checksum::Right);
            assert_eq!((datagram.repr.source_port, datagram.repr.destination_port), (CLIENT_PORT, SERVER_PORT));
            let (message, flaws) = dhcp6::parse(datagram.payload).unwrap();
            assert_eq!((flaws, message.client()), (vec![], Some(&duid(9))));
            self.sent.push((self.now.duration_since(self.start).as_millis() as u64, message));
        }
        while let Some(event) = self.client.poll_event() {
            self.events.push(event);
        }
    }

    /// Lets the clock run to this many milliseconds after the start, waking when the client wants it.
    fn run_to(&mut self, ms: u64) {
        let end = self.start + Duration::from_millis(ms);
        while let Some(wake) = self.client.next_wake().filter(|wake| *wake <= end) {
            self.now = wake.max(self.now);
            self.client.on_wake(self.now);
            self.settle();
        }
        self.now = end;
    }

    /// An answer to the latest message from a server by its number.
    fn answer(&mut self, server: u8, kind: MessageType, items: Vec<Item>) {
        let transaction = self.sent.last().unwrap().1.transaction().unwrap();
        let message = Message::new(kind, transaction).with(Item::ClientId(duid(9))).with(Item::ServerId(duid(server)));
        self.receive(&items.into_iter().fold(message, Message::with));
    }

    fn receive(&mut self, message: &Message) {
        let frame = frame(message, here(), MAC);
        self.take(&frame);
    }

    fn take(&mut self, frame: &[u8]) {
        let arrival = Arrival { moment: self.moment(), tag: None, has_checksum: true };
        self.client.on_frame(&arrival, frame);
        self.settle();
    }

    fn kinds(&self) -> Vec<(u64, &'static str)> {
        self.sent.iter().map(|(at, message)| (*at, message.kind.name())).collect()
    }

    fn ending(&self) -> Option<Ending> {
        self.events.iter().find_map(|event| if let Event::Over(ending) = event { Some(*ending) } else { None })
    }
}

fn frame(message: &Message, to: Ipv6Addr, mac: Mac) -> Vec<u8> {
    let ports = udp::Repr { source_port: SERVER_PORT, destination_port: CLIENT_PORT };
    let datagram = ports.emit(&message.emit(), SERVER, to);
    let header = ipv6::Repr { source: SERVER, destination: to, next_header: 17, hop_limit: 64, traffic_class: 0, flow_label: 0 };
    let head = ethernet::Repr { destination: mac, source: Mac([2, 0, 0x5e, 0, 0, 1]), tags: vec![], ethertype: ipv6::ETHERTYPE };
    head.emit(&header.emit(&datagram).unwrap())
}

#[test]
fn four_messages_give_an_address_and_a_prefix_and_a_fifth_gives_them_back() {
    let mut bench = Bench::new(BOTH);
    let first = bench.sent[0].1.clone();
    assert_eq!((first.kind, first.is_rapid()), (MessageType::Solicit, true));
    assert!(first.items.contains(&addresses(vec![])) && first.items.contains(&prefixes(vec![])), "{first:?}");
    bench.run_to(40);
    bench.answer(1, MessageType::Advertise, vec![addresses(vec![lent(7)]), prefixes(vec![delegated(56)])]);
    // Section 18.2.1: others have the first wait to answer.
    bench.run_to(999);
    assert_eq!(bench.sent.len(), 1);
    bench.run_to(1000);
    let request = bench.sent[1].1.clone();
    assert_eq!((request.kind, request.server()), (MessageType::Request, Some(&duid(1))));
    assert!(request.items.contains(&addresses(vec![lent(7)])) && request.items.contains(&prefixes(vec![delegated(56)])));
    assert_ne!(request.transaction(), first.transaction(), "an exchange of its own (section 16.1)");
    bench.run_to(1030);
    let resolvers = vec!["2001:db8::53".parse().unwrap()];
    bench.answer(
        1,
        MessageType::Reply,
        vec![addresses(vec![lent(7)]), prefixes(vec![delegated(56)]), Item::Resolvers(resolvers.clone())],
    );
    assert!(bench.events.contains(&Event::Bound));
    let lease = bench.client.lease().unwrap().clone();
    assert_eq!((lease.addresses.len(), lease.prefixes[0].len, &lease.resolvers, lease.is_rapid), (1, 56, &resolvers, false));
    assert_eq!(bench.client.lease_time().unwrap().longest, Duration::from_millis(1030));
    let times: Vec<_> = bench.client.answers().iter().map(|a| bench.client.took(a).unwrap().longest.as_millis()).collect();
    assert_eq!(times, [40, 30]);

    bench.run_to(5000);
    bench.client.release(bench.now);
    bench.settle();
    let release = &bench.sent[2].1;
    assert_eq!((release.kind, release.server()), (MessageType::Release, Some(&duid(1))));
    assert!(release.items.contains(&addresses(vec![lent(7)])) && release.items.contains(&prefixes(vec![delegated(56)])));
    bench.answer(1, MessageType::Reply, vec![Item::Status(status::SUCCESS, String::new())]);
    assert_eq!(bench.ending(), Some(Ending::Released { is_confirmed: true }));
    assert_eq!(bench.client.next_wake(), None);
}

#[test]
fn rapid_commit_needs_two_messages() {
    let mut bench = Bench::new(BOTH);
    bench.run_to(20);
    bench.answer(1, MessageType::Reply, vec![Item::RapidCommit, prefixes(vec![delegated(48)])]);
    let lease = bench.client.lease().unwrap();
    assert_eq!((lease.is_rapid, lease.prefixes[0].len, bench.sent.len()), (true, 48, 1));
    // A REPLY to a SOLICIT without the option is not taken (section 18.2.1).
    let mut bench = Bench::new(BOTH);
    bench.answer(1, MessageType::Reply, vec![prefixes(vec![delegated(48)])]);
    assert_eq!(bench.client.lease(), None);
}

#[test]
fn the_waits_are_those_of_section_15() {
    let mut bench = Bench::new(BOTH);
    bench.run_to(20_000);
    assert_eq!(bench.kinds(), [(0, "SOLICIT"), (1000, "SOLICIT"), (3000, "SOLICIT"), (7000, "SOLICIT")]);
    assert!(bench.sent.iter().all(|(_, message)| message.transaction() == bench.sent[0].1.transaction()));
    let elapsed = |n: usize| bench.sent[n].1.items.iter().find_map(|i| if let Item::Elapsed(t) = i { Some(*t) } else { None });
    assert_eq!([elapsed(0), elapsed(1), elapsed(3)], [Some(0), Some(100), Some(700)]);
    assert_eq!(bench.ending(), Some(Ending::NoAdvertise));

    // RAND of -0.1: of the first SOLICIT's wait it counts above zero.
    let settings = Settings { jitter_per_mille: vec![-100], ..Bench::new(BOTH).client.settings };
    let mut bench = Bench::with(settings, Instant::now());
    bench.run_to(9000);
    assert_eq!(bench.kinds().iter().map(|(at, _)| *at).collect::<Vec<_>>(), [0, 1100, 3190, 7161]);

    let mut bench = Bench::new(BOTH);
    bench.answer(1, MessageType::Advertise, vec![prefixes(vec![delegated(56)])]);
    bench.run_to(30_000);
    let want = [(0, "SOLICIT"), (1000, "REQUEST"), (2000, "REQUEST"), (4000, "REQUEST"), (8000, "REQUEST")];
    assert_eq!((bench.kinds(), bench.ending()), (want.to_vec(), Some(Ending::NoReply)));

    let mut bench = Bench::new(BOTH);
    bench.answer(1, MessageType::Reply, vec![Item::RapidCommit, prefixes(vec![delegated(48)])]);
    bench.client.release(bench.now);
    bench.settle();
    bench.run_to(60_000);
    let want = [(0, "SOLICIT"), (0, "RELEASE"), (1000, "RELEASE"), (3000, "RELEASE"), (7000, "RELEASE")];
    assert_eq!((bench.kinds(), bench.ending()), (want.to_vec(), Some(Ending::Released { is_confirmed: false })));
}

#[test]
fn the_highest_preference_is_chosen_and_255_at_once() {
    let mut bench = Bench::new(BOTH);
    bench.answer(1, MessageType::Advertise, vec![addresses(vec![lent(1)]), prefixes(vec![delegated(56)])]);
    bench.answer(2, MessageType::Advertise, vec![Item::Preference(9), prefixes(vec![delegated(56)])]);
    bench.answer(3, MessageType::Advertise, vec![prefixes(vec![delegated(56)])]);
    bench.run_to(1000);
    assert_eq!(bench.sent[1].1.server(), Some(&duid(2)));
    assert!(bench.sent[1].1.items.contains(&addresses(vec![])), "what was not offered is asked for again");

    let mut bench = Bench::new(BOTH);
    bench.answer(1, MessageType::Advertise, vec![prefixes(vec![delegated(56)])]);
    bench.answer(2, MessageType::Advertise, vec![addresses(vec![lent(1)]), prefixes(vec![delegated(56)])]);
    bench.run_to(1000);
    assert_eq!(bench.sent[1].1.server(), Some(&duid(2)), "who offers more (section 18.2.9)");

    let mut bench = Bench::new(BOTH);
    bench.run_to(5);
    bench.answer(1, MessageType::Advertise, vec![Item::Preference(255), prefixes(vec![delegated(56)])]);
    assert_eq!(bench.kinds(), [(0, "SOLICIT"), (5, "REQUEST")]);

    let mut bench = Bench::new(BOTH);
    bench.run_to(1500);
    bench.answer(1, MessageType::Advertise, vec![prefixes(vec![delegated(56)])]);
    assert_eq!(bench.kinds().last(), Some(&(1500, "REQUEST")), "past the first wait the first one is taken");
}

#[test]
fn a_server_without_prefixes_is_heard_and_its_words_are_kept() {
    let mut bench = Bench::new(BOTH);
    bench.answer(1, MessageType::Advertise, vec![addresses(vec![lent(7)]), prefixes(no(status::NO_PREFIX))]);
    bench.run_to(1000);
    bench.answer(1, MessageType::Reply, vec![addresses(vec![lent(7)]), prefixes(no(status::NO_PREFIX))]);
    let lease = bench.client.lease().unwrap();
    assert_eq!((lease.addresses.len(), lease.prefixes.len()), (1, 0));
    assert_eq!(
        lease.refusals.iter().map(|r| (r.is_prefix, r.told())).collect::<Vec<_>>(),
        [(true, "NoPrefixAvail (sold out)".to_owned())]
    );

    let mut bench = Bench::new(Purpose::Lease { address: false, prefix: true });
    bench.answer(1, MessageType::Advertise, vec![prefixes(no(status::NO_PREFIX))]);
    bench.run_to(20_000);
    assert_eq!(bench.ending(), Some(Ending::NothingOffered));
    assert_eq!(bench.client.answers()[0].unusable, [Unusable::Nothing]);
    assert_eq!(Refusal::all(&bench.client.answers()[0].message)[0].code, status::NO_PREFIX);

    let mut bench = Bench::new(BOTH);
    bench.answer(1, MessageType::Advertise, vec![prefixes(vec![delegated(56)])]);
    bench.run_to(1000);
    bench.answer(1, MessageType::Reply, no(status::UNSPECIFIED_FAILURE));
    assert_eq!(bench.ending(), Some(Ending::Refused));
}

#[test]
fn what_a_client_must_discard_is_kept_and_not_taken() {
    let mut bench = Bench::new(BOTH);
    let transaction = bench.sent[0].1.transaction().unwrap();
    let head = || Message::new(MessageType::Advertise, transaction);
    let offer = || prefixes(vec![delegated(56)]);
    bench.receive(&head().with(Item::ClientId(duid(9))).with(offer()));
    bench.receive(&head().with(Item::ServerId(duid(1))).with(offer()));
    bench.receive(&head().with(Item::ClientId(duid(8))).with(Item::ServerId(duid(1))).with(offer()));
    bench.answer(1, MessageType::Renew, vec![offer()]);
    bench.answer(1, MessageType::Advertise, no(status::NO_ADDRESSES));
    let late = Item::Prefixes(Association { renew_s: 9, rebind_s: 8, items: vec![delegated(56)], id: ID });
    bench.answer(1, MessageType::Advertise, vec![late]);
    let dead = Item::Prefix { prefix: here(), len: 56, preferred_s: 9, valid_s: 8, items: vec![] };
    bench.answer(1, MessageType::Advertise, vec![prefixes(vec![dead])]);
    let reasons: Vec<_> = bench.client.answers().iter().map(|a| a.unusable.clone()).collect();
    let failed = Unusable::Failed { code: status::NO_ADDRESSES, words: "sold out".to_owned() };
    assert_eq!(failed.to_string(), "NoAddrsAvail (sold out)");
    let want = vec![
        vec![Unusable::NoServer],
        vec![Unusable::NoClient],
        vec![Unusable::OtherClient],
        vec![Unusable::Type],
        vec![failed, Unusable::Nothing],
        vec![Unusable::Nothing],
        vec![Unusable::Nothing],
    ];
    assert_eq!(reasons, want);
    bench.run_to(900);
    assert_eq!(bench.sent.len(), 1, "none of them is taken");

    // Another's transaction, another's address, a spoilt checksum, another port.
    let kept = bench.client.answers().len();
    bench.receive(&Message::new(MessageType::Advertise, 1).with(Item::ClientId(duid(9))));
    let good = head().with(Item::ClientId(duid(9))).with(Item::ServerId(duid(1))).with(offer());
    bench.take(&frame(&good, "fe80::8".parse().unwrap(), MAC));
    bench.take(&frame(&good, here(), Mac([2, 0, 0, 0, 0, 8])));
    let mut spoilt = frame(&good, here(), MAC);
    spoilt[14 + 40 + 8 + 9] ^= 1;
    bench.take(&spoilt);
    let whole = frame(&good, here(), MAC);
    for end in 0..whole.len() {
        bench.take(&whole[..end]);
    }
    assert_eq!((bench.client.answers().len(), bench.client.lease()), (kept, None));
    assert!(bench.client.unreadable() > 1);
    bench.receive(&good);
    assert_eq!(bench.client.answers().len(), kept + 1);
}

#[test]
fn settings_alone_take_two_messages() {
    let mut bench = Bench::new(Purpose::Information);
    assert_eq!((bench.kinds(), bench.sent[0].1.server()), (vec![(0, "INFORMATION-REQUEST")], None));
    bench.run_to(1000);
    assert_eq!(bench.sent.len(), 2);
    bench.answer(1, MessageType::Reply, vec![Item::Resolvers(vec![SERVER])]);
    assert_eq!(bench.ending(), Some(Ending::Informed));
    // Sent twice in one transaction: the answer may be to either.
    let took = bench.client.took(&bench.client.answers()[0]).unwrap();
    assert_eq!((took.longest.as_millis(), took.shortest.as_millis()), (1000, 0));
    let mut silent = Bench::new(Purpose::Information);
    silent.run_to(11_000);
    assert_eq!(silent.ending(), Some(Ending::NoInformation));
}

#[test]
fn an_address_that_somebody_else_has_is_declined_and_not_given_back() {
    let mut bench = Bench::new(BOTH);
    bench.answer(1, MessageType::Reply, vec![Item::RapidCommit, addresses(vec![lent(7)]), prefixes(vec![delegated(56)])]);
    let address = bench.client.lease().unwrap().addresses[0].address;
    bench.client.decline(address);
    bench.settle();
    let decline = bench.sent.last().unwrap().1.clone();
    assert_eq!((decline.kind, decline.server()), (MessageType::Decline, Some(&duid(1))));
    assert!(decline.items.contains(&addresses(vec![lent(7)])));
    bench.client.release(bench.now);
    bench.settle();
    let release = &bench.sent.last().unwrap().1;
    assert_eq!((release.addresses().count(), release.prefixes().count()), (0, 1));
}

#[test]
fn a_flood_of_answers_is_bounded() {
    let mut bench = Bench::new(BOTH);
    for n in 0..1000_u16 {
        bench.answer(n as u8, MessageType::Advertise, vec![prefixes(no(status::NO_PREFIX))]);
    }
    assert_eq!(bench.client.answers().len(), MOST_ANSWERS);
}
