use super::super::membership::{Record, RecordKind};
use super::*;
use proptest::prelude::*;

fn octets(hex: &str) -> Vec<u8> {
    let digits: Vec<char> = hex.chars().filter(|c| !c.is_whitespace()).collect();
    digits.chunks(2).map(|pair| u8::from_str_radix(&pair.iter().collect::<String>(), 16).unwrap()).collect()
}

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

fn asked(version: Version, group: Option<&str>, ms: u64) -> Query {
    Query {
        version,
        group: group.map(ip),
        max_response: Duration::from_millis(ms),
        suppress: false,
        robustness: 0,
        interval: None,
        sources: Vec::new(),
    }
}

/// Whole packets written by scapy 2.5, with what they say.
fn golden() -> Vec<(&'static str, &'static str, Message)> {
    let group = ip("ff3e::1");
    vec![
        (
            "6000000000200001fe800000000000000000000000000002ff3e00000000000000000000000000013a0005020000010083007faa00000000\
             ff3e0000000000000000000000000001",
            "fe80::2",
            Message::Report { version: Version::Mld1, group },
        ),
        (
            "6000000000200001fe800000000000000000000000000002ff0200000000000000000000000000023a0005020000010084007ee500000000\
             ff3e0000000000000000000000000001",
            "fe80::2",
            Message::Leave(group),
        ),
        (
            "6000000000200001fe800000000000000000000000000001ff0200000000000000000000000000013a000502000001008200591727100000\
             00000000000000000000000000000000",
            "fe80::1",
            Message::Query(asked(Version::Mld1, None, 10_000)),
        ),
        (
            "6000000000480001fe800000000000000000000000000002ff0200000000000000000000000000163a000502000001008f00bdd300000002\
             04000000ff0e000000000000000000000000000105000001ff3e000000000000000000008000000120010db8000000000000000000000009",
            "fe80::2",
            Message::Records(vec![
                Record { kind: RecordKind::ToExclude, group: ip("ff0e::1"), sources: Vec::new() },
                Record { kind: RecordKind::Allow, group: ip("ff3e::8000:1"), sources: vec![ip("2001:db8::9")] },
            ]),
        ),
        (
            "6000000000340001fe800000000000000000000000000001ff3e00000000000000000000800000013a000502000001008200446e03e80000\
             ff3e00000000000000000000800000010a7d000120010db8000000000000000000000009",
            "fe80::1",
            Message::Query(Query {
                suppress: true,
                robustness: 2,
                interval: Some(Duration::from_secs(125)),
                sources: vec![ip("2001:db8::9")],
                ..asked(Version::Mld2, Some("ff3e::8000:1"), 1000)
            }),
        ),
    ]
}

#[test]
fn golden_octets_both_ways() {
    for (hex, source, message) in golden() {
        let bytes = octets(hex);
        let heard = read(&bytes, true).unwrap();
        assert_eq!((&heard.message, &heard.flaws[..], heard.source), (&message, &[][..], ip(source)));
        assert_eq!(heard.destination, IpAddr::from(destination(&message)));
        assert_eq!(packet(source.parse().unwrap(), &message).unwrap(), bytes, "{hex}");
    }
}

#[test]
fn what_is_odd_is_told() {
    let whole = octets(golden()[1].0);
    let odd = |changes: &[(usize, u8)], has_checksum| {
        let mut bytes = whole.clone();
        changes.iter().for_each(|(at, value)| bytes[*at] = *value);
        read(&bytes, has_checksum).map(|heard| (heard.is_dropped(), heard.flaws))
    };
    assert_eq!(odd(&[(7, 255)], true), Ok((false, vec![Flaw::HopLimit(255)])));
    assert_eq!(odd(&[(71, 9)], true), Ok((true, vec![Flaw::Checksum])));
    assert_eq!(odd(&[(71, 9)], false), Ok((false, vec![])));
    // Padding in the option's place.
    assert_eq!(odd(&[(42, 1)], true), Ok((false, vec![Flaw::NoRouterAlert])));
    assert_eq!(odd(&[(8, 0x20)], false), Ok((true, vec![Flaw::Source])));
    // Neighbour discovery is somebody else's.
    assert_eq!(odd(&[(48, 135)], true), Err(Error::Another));
    assert_eq!(odd(&[(40, 17)], true), Err(Error::Another));
    assert_eq!(odd(&[(41, 9)], true), Err(Error::Another));
}

#[test]
fn a_report_may_come_from_a_host_without_an_address_and_a_query_may_not() {
    let flaws = |message: &Message| read(&packet(Ipv6Addr::UNSPECIFIED, message).unwrap(), true).unwrap().flaws;
    assert_eq!(flaws(&Message::Records(Vec::new())), []);
    assert_eq!(flaws(&Message::Query(asked(Version::Mld2, None, 10_000))), [Flaw::Source]);
}

#[test]
fn every_truncation_is_refused() {
    for (hex, ..) in golden() {
        let bytes = octets(hex);
        for len in 0..bytes.len() {
            assert!(read(&bytes[..len], true).is_err(), "{hex} at {len}");
        }
        let (header, payload) = ipv6::parse(&bytes).unwrap();
        let message = &payload[8..];
        for len in 0..message.len() {
            match parse(&header, &message[..len], true) {
                Err(_) => {}
                Ok((_, flaws)) => assert!(len == SHORT && flaws.contains(&Flaw::Checksum), "{hex} at {len}"),
            }
        }
    }
    let query = |len: usize| {
        let bytes = octets(golden()[4].0);
        let (header, payload) = ipv6::parse(&bytes).unwrap();
        parse(&header, &payload[8..8 + len], true).map(|_| ())
    };
    assert_eq!([25, 27].map(query), [25, 27].map(|len| Err(Error::QueryLength(len))));
}

#[test]
fn what_is_of_the_other_family_is_not_written() {
    for message in [
        Message::Report { version: Version::Igmp2, group: ip("233.252.0.1") },
        Message::Leave(ip("233.252.0.1")),
        Message::Query(asked(Version::Igmp3, None, 1)),
        Message::Other(7),
    ] {
        assert_eq!(packet(Ipv6Addr::UNSPECIFIED, &message), None, "{message:?}");
    }
}

proptest! {
    #[test]
    fn what_is_written_is_read_back(
        source: u16, group: u128, ms in 0_u32..0x8000, flags in 0_u8..16, seconds in 0_u64..128, sources in prop::collection::vec(any::<u128>(), 0..5),
    ) {
        let source = Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, source);
        let group = IpAddr::from(Ipv6Addr::from(group | 1));
        let query = Query {
            version: Version::Mld2, group: Some(group), max_response: Duration::from_millis(ms.into()), suppress: flags & 8 != 0,
            robustness: flags & 7, interval: Some(Duration::from_secs(seconds)),
            sources: sources.into_iter().map(|s| Ipv6Addr::from(s).into()).collect(),
        };
        for message in [Message::Query(query), Message::Leave(group), Message::Report { version: Version::Mld1, group }] {
            let heard = read(&packet(source, &message).unwrap(), true).unwrap();
            prop_assert_eq!((heard.message, heard.flaws), (message, Vec::new()));
        }
    }

    #[test]
    fn no_octets_make_it_stumble(mut bytes in prop::collection::vec(any::<u8>(), 0..120), kind in 0_usize..4, options: u8) {
        let _ = read(&bytes, true);
        let (header, _) = ipv6::parse(&octets(golden()[0].0)).map(|(header, rest)| (header, rest.to_vec())).unwrap();
        if let Some(first) = bytes.first_mut() {
            *first = [QUERY, REPORT_1, DONE, REPORT_2][kind];
        }
        let _ = parse(&header, &bytes, true);
        let framed = [&[NEXT_HEADER_V6, options % 8][..], &bytes].concat();
        if let Some(packet) = header.emit(&framed) {
            let _ = read(&packet, false);
        }
    }
}
