//! IGMP and MLD: packets as they come, each message written again, and a host that hears it.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use doorstep::proto::membership::Host;
use doorstep::unit::Family;
use doorstep::wire::membership::{Heard, Message, Query, Record, RecordKind, Version};
use doorstep::wire::{igmp, mld};

/// A packet of either; what can be written is read back the same.
pub fn membership(data: &[u8]) {
    match igmp::read(data) {
        Ok(heard) => walk(&heard, |message| igmp::packet([192, 0, 2, 1].into(), message).map(|packet| igmp::read(&packet))),
        Err(error) => super::show(&error),
    }
    for has_checksum in [false, true] {
        match mld::read(data, has_checksum) {
            Ok(heard) => walk(&heard, |message| mld::packet(LOCAL.into(), message).map(|packet| mld::read(&packet, true))),
            Err(error) => super::show(&error),
        }
    }
    if let Ok((message, flaws)) = igmp::parse(data) {
        std::hint::black_box((format!("{message:?}"), flaws));
    }
}

const LOCAL: [u16; 8] = [0xfe80, 0, 0, 0, 0, 0, 0, 1];

fn walk(heard: &Heard, again: impl Fn(&Message) -> Option<Result<Heard, doorstep::wire::membership::Error>>) {
    heard.flaws.iter().for_each(super::show);
    let written = again(&heard.message);
    // Response time zero of version 2 would be version 1; times are written by their next smaller code, which is their own.
    let is_exact = !matches!(&heard.message, Message::Query(query) if query.version == Version::Igmp2);
    if let Some(written) = written.filter(|_| is_exact) {
        assert_eq!(written.map(|heard| heard.message), Ok(heard.message.clone()));
    }
    let now = Instant::now();
    let mut host = Host::new(Family::of(heard.source), None, 1);
    host.join(now, group(heard.source), None);
    while host.transmit(now).is_some() {}
    host.on_message(now, &heard.message);
    for _ in 0..8 {
        let at = host.next_wake().unwrap_or(now).max(now);
        while host.transmit(at).is_some() {}
    }
}

fn group(of: IpAddr) -> IpAddr {
    if of.is_ipv4() { [233, 252, 0, 1].into() } else { [0xff0e, 0, 0, 0, 0, 0, 0, 1].into() }
}

fn query(version: Version, group: Option<IpAddr>, sources: Vec<IpAddr>) -> Message {
    let (max_response, interval) = (Duration::from_secs(10), version.has_sources().then_some(Duration::from_secs(125)));
    Message::Query(Query { version, group, max_response, suppress: false, robustness: 2, interval, sources })
}

pub fn seeds() -> Vec<Vec<u8>> {
    let (four, six): (IpAddr, IpAddr) = ([232, 0, 1, 1].into(), [0xff3e, 0, 0, 0, 0, 0, 0x8000, 1].into());
    let records = |group: IpAddr, source: IpAddr| {
        Message::Records(vec![
            Record { kind: RecordKind::Allow, group, sources: vec![source; 2] },
            Record { kind: RecordKind::ToExclude, group, sources: Vec::new() },
        ])
    };
    let ipv4 = [
        query(Version::Igmp1, None, Vec::new()),
        query(Version::Igmp2, Some(four), Vec::new()),
        query(Version::Igmp3, Some(four), vec![[192, 0, 2, 9].into(); 3]),
        Message::Report { version: Version::Igmp1, group: four },
        Message::Report { version: Version::Igmp2, group: four },
        Message::Leave(four),
        records(four, [192, 0, 2, 9].into()),
    ];
    let ipv6 = [
        query(Version::Mld1, None, Vec::new()),
        query(Version::Mld2, Some(six), vec![LOCAL.into(); 3]),
        Message::Report { version: Version::Mld1, group: six },
        Message::Leave(six),
        records(six, LOCAL.into()),
    ];
    let four = ipv4.iter().filter_map(|message| igmp::packet([192, 0, 2, 1].into(), message));
    four.chain(ipv6.iter().filter_map(|message| mld::packet(LOCAL.into(), message))).collect()
}

pub fn worst() -> Vec<Vec<u8>> {
    let many = |group: IpAddr, source: IpAddr| {
        Message::Records((0..40).map(|_| Record { kind: RecordKind::Block, group, sources: vec![source; 30] }).collect())
    };
    let four = igmp::packet([192, 0, 2, 1].into(), &many([232, 0, 1, 1].into(), [192, 0, 2, 9].into()));
    let six = mld::packet(LOCAL.into(), &many([0xff3e, 0, 0, 0, 0, 0, 0x8000, 1].into(), LOCAL.into()));
    // A count of records that are not there.
    let mut short = vec![0x22, 0, 0, 0, 0, 0, 0xff, 0xff];
    short.resize(1400, 0);
    four.into_iter().chain(six).chain([short]).collect()
}
