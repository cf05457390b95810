//! The discovery, clause by clause, fed with packets and time.

use std::time::{Duration, Instant};

use proptest::prelude::*;

use super::*;
use crate::unit::{Stamp, StampSource};

const HOST: Mac = Mac([2, 0, 0x5e, 0, 0, 1]);
const AC: Mac = Mac([2, 0, 0x5e, 0, 0, 0xac]);
const OTHER: Mac = Mac([2, 0, 0x5e, 0, 0, 0xad]);

/// A discovery and a clock that only the test moves.
struct Bench {
    discovery: Discovery,
    start: Instant,
    now: Instant,
    sent: Vec<(Mac, Repr<'static>)>,
    events: Vec<Event>,
}

impl Bench {
    fn new(change: impl FnOnce(&mut Settings)) -> Self {
        let start = Instant::now();
        let ms = Duration::from_millis;
        let mut settings = Settings {
            mac: HOST,
            patience: ms(5000),
            window: ms(500),
            confirmation: ms(2500),
            then: Then::OpenAndClose,
            service: Vec::new(),
            max_payload: None,
            run: 0x0102_0304,
        };
        change(&mut settings);
        let mut this =
            Self { discovery: Discovery::new(settings, start), start, now: start, sent: Vec::new(), events: Vec::new() };
        this.settle();
        this
    }

    fn moment(&self) -> Moment {
        let ns = self.now.duration_since(self.start).as_nanos() as i64;
        Moment { stamp: Stamp { unix_ns: 1_000_000_000_000 + ns, source: StampSource::Kernel, adapter_ns: None }, at: self.now }
    }

    fn settle(&mut self) {
        while let Some(outgoing) = self.discovery.transmit(self.now) {
            let moment = self.moment();
            self.discovery.on_sent(outgoing.ticket, moment);
            self.discovery.on_departure(outgoing.ticket, moment);
            let frame = ethernet::parse(&outgoing.bytes).unwrap();
            assert_eq!((frame.repr.source, frame.repr.ethertype), (HOST, DISCOVERY));
            let repr = pppoe::parse(frame.payload).unwrap().repr;
            let tags = repr.tags.iter().map(|tag| Tag::new(tag.number, tag.value.to_vec())).collect();
            self.sent.push((frame.repr.destination, Repr { code: repr.code, session: repr.session, tags }));
        }
        while let Some(event) = self.discovery.poll_event() {
            self.events.push(event);
        }
    }

    /// Goes to a time after the start, waking the machine whenever it wants.
    fn until(&mut self, ms: u64) {
        let end = self.start + Duration::from_millis(ms);
        while let Some(wake) = self.discovery.next_wake().filter(|wake| *wake <= end) {
            self.now = wake.max(self.now);
            self.discovery.on_wake(self.now);
            self.settle();
        }
        self.now = end;
    }

    fn receive(&mut self, from: Mac, code: Code, session: u16, tags: &[(u16, &[u8])]) {
        let tags = tags.iter().map(|(number, value)| Tag::new(*number, *value)).collect();
        let packet = Repr { code, session, tags }.emit().unwrap();
        let header = ethernet::Repr { destination: HOST, source: from, tags: Vec::new(), ethertype: DISCOVERY };
        let arrival = Arrival { moment: self.moment(), tag: None, has_checksum: true };
        self.discovery.on_frame(&arrival, &header.emit(&packet));
        self.settle();
    }

    /// The Host-Uniq of the latest frame of this kind.
    fn uniq(&self, code: Code) -> Vec<u8> {
        let (_, repr) = self.sent.iter().rev().find(|(_, repr)| repr.code == code).unwrap();
        repr.tag(tag::HOST_UNIQ).unwrap().to_vec()
    }

    fn offer(&mut self, from: Mac, more: &[(u16, &[u8])]) {
        let uniq = self.uniq(Code::Initiation);
        let tags = [&[(tag::SERVICE_NAME, &b""[..]), (tag::AC_NAME, b"edge-1"), (tag::HOST_UNIQ, &uniq)], more].concat();
        self.receive(from, Code::Offer, 0, &tags);
    }

    fn codes(&self) -> Vec<Code> {
        self.sent.iter().map(|(_, repr)| repr.code).collect()
    }
}

#[test]
fn a_session_is_offered_opened_and_closed_with_everything_returned_as_it_came() {
    let mut bench = Bench::new(|settings| settings.max_payload = Some(1500));
    assert_eq!(bench.sent[0].0, Mac::BROADCAST);
    // Section 5.1: exactly one Service-Name.
    assert_eq!(bench.sent[0].1.all(tag::SERVICE_NAME).count(), 1);
    assert_eq!(bench.sent[0].1.tag(tag::MAX_PAYLOAD), Some(&[5, 0xdc][..]));
    bench.until(7);
    bench.offer(AC, &[(tag::AC_COOKIE, b"cookie"), (tag::RELAY_SESSION_ID, b"relay"), (tag::MAX_PAYLOAD, &[5, 0xdc])]);
    bench.until(600);
    let (to, request) = bench.sent.last().unwrap();
    assert_eq!((*to, request.code, request.session), (AC, Code::Request, 0));
    assert_eq!(request.all(tag::SERVICE_NAME).count(), 1);
    assert_eq!((request.tag(tag::AC_COOKIE), request.tag(tag::RELAY_SESSION_ID)), (Some(&b"cookie"[..]), Some(&b"relay"[..])));
    let uniq = bench.uniq(Code::Request);
    assert_ne!(uniq, bench.uniq(Code::Initiation));
    bench.receive(AC, Code::Confirmation, 0x1234, &[(tag::SERVICE_NAME, b""), (tag::HOST_UNIQ, &uniq)]);
    bench.until(1000);
    assert_eq!(bench.codes(), [Code::Initiation, Code::Request, Code::Terminate, Code::Terminate]);
    assert!(bench.sent[2..].iter().all(|(to, repr)| *to == AC && repr.session == 0x1234 && repr.tags.is_empty()));
    assert_eq!(bench.events, [Event::Offered(0), Event::Over(Ending::Opened)]);
    let (discovery, ms) = (&bench.discovery, Duration::from_millis);
    let offer = &discovery.offers()[0];
    assert_eq!(discovery.offer_time(offer), Some(Settled::RoundTrip(ms(7), StampSource::Kernel)));
    // The window after the first offer ended at 507 ms, and the confirmation came at 600.
    assert_eq!(discovery.confirmation_time(), Some(Settled::RoundTrip(ms(93), StampSource::Kernel)));
    assert_eq!((offer.max_payload, offer.names.len(), offer.echo), (Some(1500), 1, Echo::Of(0)));
    assert_eq!(discovery.next_wake(), None);
}

#[test]
fn silence_is_asked_again_with_doubled_waits_until_patience_ends() {
    let mut bench = Bench::new(|_| ());
    for (ms, sent) in [(999, 1), (1000, 2), (2999, 2), (3000, 3), (4999, 3)] {
        bench.until(ms);
        assert_eq!(bench.sent.len(), sent, "{ms} ms");
    }
    bench.until(5000);
    assert_eq!(bench.events, [Event::Over(Ending::NoOffer)]);
}

#[test]
fn an_offer_is_timed_from_the_initiation_that_it_answers() {
    let mut bench = Bench::new(|_| ());
    let first = bench.uniq(Code::Initiation);
    bench.until(1040);
    bench.offer(AC, &[]);
    bench.receive(OTHER, Code::Offer, 0, &[(tag::AC_NAME, b"late"), (tag::HOST_UNIQ, &first)]);
    let times: Vec<_> = bench.discovery.offers().iter().map(|offer| bench.discovery.offer_time(offer)).collect();
    let ms = |ms| Some(Settled::RoundTrip(Duration::from_millis(ms), StampSource::Kernel));
    assert_eq!(times, [ms(40), ms(1040)]);
    // Without a Host-Uniq it can't be told which of two it answers.
    bench.receive(OTHER, Code::Offer, 0, &[(tag::AC_NAME, b"bare")]);
    assert_eq!((bench.discovery.offers()[2].echo, bench.discovery.offers()[2].answers), (Echo::Missing, None));
}

#[test]
fn a_refusal_ends_with_the_concentrators_words() {
    for (session, tags) in [(0, vec![(tag::AC_SYSTEM_ERROR, &b"no more sessions"[..])]), (0, vec![]), (0xffff, vec![])] {
        let mut bench = Bench::new(|_| ());
        bench.offer(AC, &[]);
        bench.until(600);
        bench.receive(AC, Code::Confirmation, session, &tags);
        assert_eq!(bench.events.last(), Some(&Event::Over(Ending::Refused)), "{session} {tags:?}");
        let verdict = bench.discovery.verdict().unwrap();
        assert_eq!(verdict.errors.first().map(|(_, text)| text.as_str()), (!tags.is_empty()).then_some("no more sessions"));
    }
}

#[test]
fn a_request_without_an_answer_is_sent_again_and_given_up() {
    let mut bench = Bench::new(|_| ());
    bench.offer(AC, &[]);
    bench.until(10_000);
    // At 0.5 and 1.5 s; 2.5 s after the first it ends, before the third at 3.5 s.
    assert_eq!(bench.codes(), [Code::Initiation, Code::Request, Code::Request]);
    assert_eq!(bench.events.last(), Some(&Event::Over(Ending::NoConfirmation)));
}

#[test]
fn offers_for_others_or_with_errors_are_kept_and_not_asked() {
    let mut bench = Bench::new(|_| ());
    bench.receive(AC, Code::Offer, 0, &[(tag::AC_NAME, b"a"), (tag::HOST_UNIQ, b"somebody")]);
    bench.offer(OTHER, &[(tag::GENERIC_ERROR, b"")]);
    bench.until(6000);
    assert_eq!(bench.events.last(), Some(&Event::Over(Ending::Offered)));
    assert_eq!((bench.discovery.offers().len(), bench.codes()), (2, vec![Code::Initiation]));
}

#[test]
fn an_offered_service_is_asked_for_where_any_is_not_on_offer() {
    let mut bench = Bench::new(|_| ());
    let uniq = bench.uniq(Code::Initiation);
    bench.receive(AC, Code::Offer, 0, &[(tag::SERVICE_NAME, b"internet"), (tag::HOST_UNIQ, &uniq)]);
    bench.until(600);
    assert_eq!(bench.sent[1].1.tag(tag::SERVICE_NAME), Some(&b"internet"[..]));
}

#[test]
fn only_looking_opens_nothing() {
    let mut bench = Bench::new(|settings| settings.then = Then::Look);
    bench.offer(AC, &[]);
    bench.until(6000);
    assert_eq!((bench.codes(), bench.events.last()), (vec![Code::Initiation], Some(&Event::Over(Ending::Offered))));
}

#[test]
fn ended_early_it_waits_shortly_for_a_session_that_is_being_opened_and_closes_it() {
    let mut bench = Bench::new(|_| ());
    bench.offer(AC, &[]);
    bench.until(600);
    let now = bench.now;
    bench.discovery.end(now);
    let uniq = bench.uniq(Code::Request);
    bench.until(700);
    bench.receive(AC, Code::Confirmation, 9, &[(tag::HOST_UNIQ, &uniq)]);
    bench.until(1000);
    assert_eq!(bench.codes()[2..], [Code::Terminate, Code::Terminate]);
    assert_eq!(bench.events.last(), Some(&Event::Over(Ending::Opened)));
}

#[test]
fn a_confirmation_that_comes_too_late_or_twice_is_closed_too() {
    let mut bench = Bench::new(|_| ());
    bench.offer(AC, &[]);
    bench.until(10_000);
    let uniq = bench.uniq(Code::Request);
    bench.receive(AC, Code::Confirmation, 77, &[(tag::HOST_UNIQ, &uniq)]);
    let (to, repr) = bench.sent.last().unwrap();
    assert_eq!((*to, repr.code, repr.session), (AC, Code::Terminate, 77));
}

// RFC 2516 section 5.3: the host chooses one of the offers; that the first usable one is taken at once is ours.
#[test]
fn a_session_to_be_kept_is_asked_for_at_once_and_stays_open() {
    let mut bench = Bench::new(|s| s.then = Then::Keep);
    bench.receive(AC, Code::Offer, 0, &[(tag::AC_NAME, b"bng-1"), (tag::SERVICE_NAME, b"")]);
    assert_eq!(bench.sent.len(), 2, "PADI, and PADR without a wait");
    bench.receive(OTHER, Code::Offer, 0, &[(tag::AC_NAME, b"rogue"), (tag::SERVICE_NAME, b"")]);
    let uniq = bench.sent[1].1.tag(tag::HOST_UNIQ).unwrap().to_vec();
    let tags: [(u16, &[u8]); 2] = [(tag::SERVICE_NAME, b""), (tag::HOST_UNIQ, &uniq)];
    bench.receive(AC, Code::Confirmation, 0x1234, &tags);
    assert_eq!((bench.discovery.kept(), bench.discovery.offers().len()), (Some((AC, 0x1234)), 2));
    bench.receive(AC, Code::Confirmation, 0x1234, &tags);
    bench.until(5000);
    assert_eq!((bench.sent.len(), bench.discovery.kept()), (2, Some((AC, 0x1234))), "said twice, and nothing ends it");
    // A second session that nobody wanted is closed, ours is not.
    bench.receive(OTHER, Code::Confirmation, 0x4321, &tags);
    assert_eq!((bench.sent[2].1.code, bench.sent[2].1.session), (Code::Terminate, 0x4321));
    let now = bench.now;
    bench.discovery.end(now);
    bench.settle();
    assert_eq!((bench.sent[3].1.code, bench.sent[3].1.session), (Code::Terminate, 0x1234));
}

proptest! {
    #[test]
    fn whatever_comes_no_session_of_ours_stays_open(
        steps in prop::collection::vec((0..4_u8, any::<bool>(), any::<u16>(), 0..800_u64), 0..30),
    ) {
        let mut bench = Bench::new(|_| ());
        let mut ms = 0;
        let mut opened = Vec::new();
        for (what, is_ours, session, wait) in steps {
            ms += wait;
            bench.until(ms);
            match what {
                0 => bench.offer(if is_ours { AC } else { OTHER }, &[]),
                1 if bench.codes().contains(&Code::Request) => {
                    let uniq = bench.uniq(Code::Request);
                    bench.receive(AC, Code::Confirmation, session, &[(tag::HOST_UNIQ, &uniq)]);
                    opened.extend((session != 0 && session != 0xffff).then_some(session));
                }
                2 => bench.receive(AC, Code::Terminate, session, &[]),
                _ => bench.receive(OTHER, Code::Confirmation, session, &[(tag::HOST_UNIQ, b"foreign!")]),
            }
        }
        bench.until(ms + 10_000);
        for session in opened {
            let closed = bench.sent.iter().any(|(_, repr)| repr.code == Code::Terminate && repr.session == session);
            prop_assert!(closed, "{session} stays open");
        }
    }
}
