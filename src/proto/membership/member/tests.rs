use std::time::Duration;

use super::*;
use crate::unit::{Stamp, StampSource};
use crate::wire::ethernet::Tag;
use crate::wire::membership::{Query, RecordKind};

const OWN: Mac = Mac([2, 0, 0x5e, 0, 0, 1]);
const OTHER: Mac = Mac([2, 0, 0x5e, 0, 0, 2]);
const HOST: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 50);
const ROUTER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
const GROUP: Ipv4Addr = Ipv4Addr::new(233, 252, 0, 1);

fn moment(at: Instant) -> Moment {
    Moment { stamp: Stamp { unix_ns: 1, source: StampSource::Kernel, adapter_ns: None }, at }
}

fn member(stacks: &[TagStack]) -> Member {
    let settings = |stack: &TagStack| Settings { stack: *stack, ipv4: HOST, ipv6: Ipv6Addr::UNSPECIFIED, version: None };
    Member::new(OWN, stacks.iter().map(settings).collect(), 3)
}

fn frame(source: Mac, ethertype: u16, packet: &[u8]) -> Vec<u8> {
    ethernet::Repr { destination: Mac::BROADCAST, source, tags: Vec::new(), ethertype }.emit(packet)
}

fn hear(member: &mut Member, tag: Option<u16>, frame: &[u8]) {
    let tag = tag.map(|vlan| Tag { kind: ethernet::TAG, control: vlan });
    member.on_frame(&Arrival { moment: moment(Instant::now()), tag, has_checksum: true }, frame);
}

fn packet_of_channel() -> Vec<u8> {
    let ports = udp::Repr { source_port: 1, destination_port: 5000 };
    ipv4::Repr::plain(ROUTER, GROUP, ipv4::UDP).emit(&ports.emit(b"stream", ROUTER, GROUP))
}

fn query() -> Vec<u8> {
    let query = Query {
        version: Version::Igmp3,
        group: None,
        max_response: Duration::from_secs(1),
        suppress: false,
        robustness: 2,
        interval: Some(Duration::from_secs(125)),
        sources: Vec::new(),
    };
    igmp::packet(ROUTER, &Message::Query(query)).unwrap()
}

#[test]
fn a_join_is_a_frame_to_the_group_of_reports_in_its_vlan_and_is_told_with_both_times() {
    let now = Instant::now();
    let mut member = member(&[TagStack::NONE, TagStack::single(10)]);
    member.join(now, 1, GROUP.into(), None);
    let Outgoing { ticket, bytes } = member.transmit(now).unwrap();
    let parsed = ethernet::parse(&bytes).unwrap();
    assert_eq!((parsed.repr.source, parsed.repr.destination), (OWN, Mac([1, 0, 0x5e, 0, 0, 22])));
    assert_eq!(parsed.repr.tags, TagStack::single(10).tags());
    let heard = igmp::read(parsed.payload).unwrap();
    assert_eq!((heard.source, heard.flaws.len()), (IpAddr::from(HOST), 0));
    let Message::Records(records) = heard.message else { panic!() };
    assert_eq!((records[0].kind, records[0].group), (RecordKind::ToExclude, IpAddr::from(GROUP)));
    assert!(member.transmit(now).is_none());
    member.on_sent(ticket, moment(now));
    member.on_departure(ticket, moment(now));
    for stamped in [false, true] {
        let Some(Event::Told { plane, groups, is_stamped, .. }) = member.poll_event() else { panic!() };
        assert_eq!((plane, groups, is_stamped), (1, vec![IpAddr::from(GROUP)], stamped));
    }
    // The repetition is no news.
    let again = member.next_wake().unwrap();
    let repeated = member.transmit(again).unwrap();
    member.on_sent(repeated.ticket, moment(again));
    assert_eq!(member.poll_event(), None);
    member.join(again, 1, Ipv4Addr::new(233, 252, 0, 2).into(), None);
    let unsent = member.transmit(again).unwrap();
    member.on_send_failed(unsent.ticket);
    assert_eq!(member.failed(), 1);
}

#[test]
fn what_comes_in_a_vlan_is_told_there_and_elsewhere_only_counted() {
    let mut member = member(&[TagStack::single(10)]);
    let channel = frame(OTHER, ethernet::IPV4, &packet_of_channel());
    hear(&mut member, Some(10), &channel);
    let Some(Event::Datagram(found)) = member.poll_event() else { panic!() };
    assert_eq!((found.group, found.source, found.port), (GROUP.into(), ROUTER.into(), 5000));
    assert_eq!((found.payload.as_slice(), found.octets), (b"stream".as_slice(), 34));
    for tag in [None, Some(11), Some(11)] {
        hear(&mut member, tag, &channel);
    }
    assert_eq!(member.poll_event(), None);
    let elsewhere: Vec<_> = member.elsewhere().iter().map(|((_, vlan), count)| (*vlan, *count)).collect();
    assert_eq!(elsewhere, [(0, 1), (11, 2)]);
    hear(&mut member, Some(11), &frame(OTHER, ethernet::IPV4, &query()));
    assert!(member.queriers(0, Family::Ipv4).unwrap().all().is_empty());
    hear(&mut member, Some(10), &frame(OTHER, ethernet::IPV4, &query()));
    assert_eq!(member.queriers(0, Family::Ipv4).unwrap().all().len(), 1);
}

#[test]
fn unsound_messages_are_dropped_and_counted_and_own_ones_are_only_heard_where_the_kernel_sends_them() {
    let mut member = member(&[TagStack::NONE]);
    let mut spoilt = query();
    // QQIC.
    let at = spoilt.len() - 3;
    spoilt[at] ^= 1;
    hear(&mut member, None, &frame(OTHER, ethernet::IPV4, &spoilt));
    assert_eq!((member.odd(), member.queriers(0, Family::Ipv4).unwrap().all().len()), (1, 0));
    let own = igmp::packet(HOST, &Message::Report { version: Version::Igmp2, group: GROUP.into() }).unwrap();
    hear(&mut member, None, &frame(OWN, ethernet::IPV4, &own));
    assert!(matches!(member.poll_event(), Some(Event::Told { is_stamped: true, .. })));
    for (ethertype, octets) in [(ethernet::IPV4, vec![0x45; 3]), (ipv6::ETHERTYPE, vec![0x60; 50]), (ethernet::ARP, vec![0; 28])]
    {
        hear(&mut member, None, &frame(OTHER, ethertype, &octets));
    }
    assert_eq!(member.poll_event(), None);
}
