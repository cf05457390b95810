use std::net::{Ipv4Addr, UdpSocket};
use std::time::Duration;

use proptest::prelude::*;

use super::*;
use crate::net::build::{End, Site};
use crate::net::configure;
use crate::net::netns::Namespace;
use crate::net::tun::Kind;
use crate::wire::ethernet::Repr;

const OWN: Mac = Mac([2, 0, 0x5e, 0, 0, 1]);
const PEER: Mac = Mac([2, 0, 0x5e, 0, 0, 2]);

fn session(stack: TagStack, own: Mac, peer: Mac) -> Envelope {
    Envelope::Session { stack, own, peer, number: 0x1234 }
}

fn wrapped(envelope: Envelope, frame: &[u8]) -> Option<Vec<u8>> {
    let mut slot = vec![0; SLOT];
    slot[HEADROOM..HEADROOM + frame.len()].copy_from_slice(frame);
    let begin = envelope.wrap(&mut slot, frame.len())?;
    Some(slot[begin..HEADROOM + frame.len()].to_vec())
}

/// As the kernel hands a frame over: the outermost tag put aside.
fn received(stack: TagStack, frame: &[u8]) -> Vec<u8> {
    if stack.is_none() { frame.to_vec() } else { [&frame[..12], &frame[16..]].concat() }
}

// RFC 2516 section 4 and appendix B: 0x8864, 0x11, code 0, session, length of PPP protocol and packet, protocol 0x0021.
#[test]
fn an_ip_packet_is_put_into_a_session() {
    let packet = [&[0x45, 0, 0, 30][..], &[7; 26]].concat();
    let frame = wrapped(session(TagStack::single(35).with_priority(1), OWN, PEER), &packet).unwrap();
    let parsed = ethernet::parse(&frame).unwrap();
    assert_eq!((parsed.repr.destination, parsed.repr.source), (PEER, OWN));
    assert_eq!((parsed.repr.tags[0].vlan(), parsed.repr.tags[0].control >> 13), (35, 1));
    assert_eq!((parsed.repr.ethertype, &parsed.payload[..8]), (0x8864, &[0x11, 0, 0x12, 0x34, 0, 32, 0, 0x21][..]));
    assert_eq!(parsed.payload[8..], packet);
    assert_eq!(wrapped(session(TagStack::NONE, OWN, PEER), &[0x00; 20]), None, "neither IPv4 nor IPv6");
}

#[test]
fn what_is_not_of_the_session_is_not_unwrapped() {
    let there = session(TagStack::NONE, PEER, OWN);
    let frame = wrapped(there, &[0x60; 46]).unwrap();
    let here = session(TagStack::NONE, OWN, PEER);
    assert_eq!(here.unwrap(&frame).map(|p| p.concat()), Some(vec![0x60; 46]));
    assert_eq!(session(TagStack::NONE, OWN, OWN).unwrap(&frame), None, "another concentrator");
    assert_eq!(session(TagStack::NONE, PEER, PEER).unwrap(&frame), None, "not for us");
    assert_eq!(here.unwrap(&frame[..40]), None, "cut");
}

proptest! {
    #[test]
    fn what_is_wrapped_is_unwrapped(
        outer in 1_u16..4095, inner in 1_u16..4095, depth in 0_usize..3, payload in prop::collection::vec(any::<u8>(), 46..1500),
    ) {
        let stack = [TagStack::NONE, TagStack::single(outer), TagStack::double(outer, inner)][depth];
        let frame = Repr { destination: PEER, source: OWN, tags: Vec::new(), ethertype: 0x0800 }.emit(&payload);
        let tagged = wrapped(Envelope::Tags(stack), &frame).unwrap();
        prop_assert_eq!(&tagged, &stack.push(&frame));
        let got = Envelope::Tags(stack).unwrap(&received(stack, &tagged)).map(|p| p.concat());
        prop_assert_eq!(got, Some(frame));
        let packet = [&[0x45][..], &payload].concat();
        let sent = wrapped(session(stack, OWN, PEER), &packet).unwrap();
        let got = session(stack, PEER, OWN).unwrap(&received(stack, &sent)).map(|p| p.concat());
        prop_assert_eq!(got, Some(packet));
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..1600)) {
        for stack in [TagStack::NONE, TagStack::single(35), TagStack::double(100, 35)] {
            for envelope in [Envelope::Tags(stack), session(stack, OWN, PEER)] {
                let _ = (envelope.unwrap(&bytes), wrapped(envelope, &bytes));
            }
        }
    }
}

/// Two places and a cable; each side has a port of its own in the envelope, with an address.
struct Pair {
    sites: [Site; 2],
    carriers: [Option<Carrier>; 2],
}

const ADDRESSES: [Ipv4Addr; 2] = [Ipv4Addr::new(192, 0, 2, 1), Ipv4Addr::new(192, 0, 2, 2)];

impl Pair {
    fn lay(kind: Kind, envelopes: [Envelope; 2]) -> Self {
        let places = ["near", "far"].map(|name| Namespace::new(name).expect("root"));
        let mut sites = places.each_ref().map(|place| Site::open(place).expect("site"));
        let ends = [0, 1].map(|n| End { site: &places[n], name: ["p0", "p1"][n], mac: [OWN, PEER][n].0 });
        sites[0].cable(&ends[0], &ends[1]).expect("veth");
        let mut this = Self { sites, carriers: [None, None] };
        for (n, envelope) in envelopes.into_iter().enumerate() {
            let port = ["p0", "p1"][n];
            let site = &mut this.sites[n];
            let index = site.index(port).expect("made");
            site.raise(port, index).expect("up");
            let carrier = site.namespace().run(move || {
                let tun = Tun::open(kind).expect("tun");
                let mac = (kind == Kind::Ethernet).then_some([OWN, PEER][n].0);
                let (index, runtime) = (tun.index(), tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap());
                runtime.block_on(configure::raise(index, 1492, mac)).expect("raised");
                Carrier::start(port, tun, envelope).expect("carrier")
            });
            site.address(carrier.port().1, ADDRESSES[n].into(), 24).expect("address");
            this.carriers[n] = Some(carrier);
        }
        this
    }

    /// Sends one datagram from near to far; the octets that came.
    fn try_datagram(&self, octets: usize) -> Option<usize> {
        let bound = |n: usize| self.sites[n].namespace().run(move || UdpSocket::bind((ADDRESSES[n], 4000)).expect("bound"));
        let (near, far) = (bound(0), bound(1));
        far.set_read_timeout(Some(Duration::from_millis(1000))).expect("set");
        // The first one may wait for the neighbour's address; on a port without a link layer it does not.
        near.send_to(&vec![5; octets], (ADDRESSES[1], 4000)).expect("sent");
        far.recv(&mut [0; 2000]).ok()
    }
}

#[test]
fn datagrams_pass_through_vlans_and_sessions_and_not_into_others() {
    let (one, two) = (TagStack::single(35), TagStack::double(100, 35));
    let tags = |a, b| Pair::lay(Kind::Ethernet, [Envelope::Tags(a), Envelope::Tags(b)]).try_datagram(1400);
    assert_eq!(tags(one, one), Some(1400));
    assert_eq!(tags(two, two), Some(1400));
    assert_eq!(tags(TagStack::NONE, TagStack::NONE), Some(1400));
    assert_eq!(tags(one, TagStack::single(36)), None);
    assert_eq!(tags(one, TagStack::NONE), None);
    assert_eq!(tags(two, TagStack::double(100, 36)), None);
    assert_eq!(tags(two, TagStack::single(100)), None);
    for stack in [TagStack::NONE, one, two] {
        let ends = [session(stack, OWN, PEER), session(stack, PEER, OWN)];
        // 1492 of IP is a full frame. Of two tags a port takes none beyond its MTU, so there is room for eight octets less.
        let octets = if stack == two { 1456 } else { 1464 };
        assert_eq!(Pair::lay(Kind::Ip, ends).try_datagram(octets), Some(octets), "{stack}");
        let other = Envelope::Session { stack, own: PEER, peer: OWN, number: 0x1235 };
        assert_eq!(Pair::lay(Kind::Ip, [ends[0], other]).try_datagram(100), None, "another session");
    }
}

#[test]
fn nothing_is_left_when_a_carrier_ends() {
    let stack = TagStack::single(35);
    let mut pair = Pair::lay(Kind::Ethernet, [Envelope::Tags(stack), Envelope::Tags(stack)]);
    let carried = pair.carriers[1].as_ref().map(Carrier::carried).expect("there");
    assert_eq!(carried.own_drops, 0);
    let names = || pair.sites[0].namespace().run(|| crate::net::build::interfaces().expect("list"));
    assert!(names().iter().any(|name| name.starts_with("doorstep")));
    pair.carriers[0] = None;
    assert!(!names().iter().any(|name| name.starts_with("doorstep")));
}
