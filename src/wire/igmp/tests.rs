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

const HOST: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 50);
const ROUTER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);

fn asked(version: Version, group: Option<&str>, tenths: u64) -> Query {
    Query {
        version,
        group: group.map(ip),
        max_response: Duration::from_millis(tenths * 100),
        suppress: false,
        robustness: 0,
        interval: None,
        sources: Vec::new(),
    }
}

/// Whole packets written by scapy 2.5, with what they say.
fn golden() -> Vec<(&'static str, Ipv4Addr, Message)> {
    let group = ip("233.252.0.1");
    vec![
        (
            "4600002000000000010278a8c0000232e9fc000194040000121403eee9fc0001",
            HOST,
            Message::Report { version: Version::Igmp1, group },
        ),
        (
            "4600002000000000010278a8c0000232e9fc0001940400001614ffede9fc0001",
            HOST,
            Message::Report { version: Version::Igmp2, group },
        ),
        ("4600002000000000010282a3c0000232e0000002940400001714feede9fc0001", HOST, Message::Leave(group)),
        (
            "4600002000000000010282d5c0000201e0000001940400001164ee9b00000000",
            ROUTER,
            Message::Query(asked(Version::Igmp2, None, 100)),
        ),
        (
            "46c0003400000000010281bbc0000232e00000169404000022003ff30000000204000000e9fc000105000001e8000101c0000209",
            HOST,
            Message::Records(vec![
                Record { kind: RecordKind::ToExclude, group, sources: Vec::new() },
                Record { kind: RecordKind::Allow, group: ip("232.0.1.1"), sources: vec![ip("192.0.2.9")] },
            ]),
        ),
        (
            "46c0002c0000000001027909c0000201e800010194040000110a774ee80001010a8f0002c0000209c000020a",
            ROUTER,
            Message::Query(Query {
                suppress: true,
                robustness: 2,
                interval: Some(Duration::from_secs(248)),
                sources: vec![ip("192.0.2.9"), ip("192.0.2.10")],
                ..asked(Version::Igmp3, Some("232.0.1.1"), 10)
            }),
        ),
    ]
}

#[test]
fn golden_octets_both_ways() {
    for (hex, source, message) in golden() {
        let mut bytes = octets(hex);
        let heard = read(&bytes).unwrap();
        assert_eq!((&heard.message, &heard.flaws[..], heard.source), (&message, &[][..], IpAddr::from(source)));
        assert_eq!(heard.destination, IpAddr::from(destination(&message)));
        if let Message::Report { .. } | Message::Leave(_) = message {
            // The writer leaves a response time in reports, which hosts set to zero (RFC 2236 section 2.2); the sum follows.
            bytes[25] = 0;
            bytes[26..28].fill(0);
            let sum = checksum::internet(&bytes[24..]);
            bytes[26..28].copy_from_slice(&sum.to_be_bytes());
        }
        assert_eq!(packet(source, &message).unwrap(), bytes, "{hex}");
    }
}

#[test]
fn the_version_of_a_query_is_told_by_length_and_code() {
    let of = |query: Query| match parse(&emit(&Message::Query(query)).unwrap()).unwrap().0 {
        Message::Query(query) => (query.version, query.max_response.as_millis()),
        other => panic!("{other:?}"),
    };
    assert_eq!(of(asked(Version::Igmp1, None, 0)), (Version::Igmp1, 0));
    assert_eq!(of(asked(Version::Igmp2, None, 0)), (Version::Igmp2, 100), "a code of zero would be version 1");
    // Version 2 counts straight on to 25.5 s; version 3 floats.
    assert_eq!(of(asked(Version::Igmp2, None, 248)), (Version::Igmp2, 24_800));
    assert_eq!(of(asked(Version::Igmp3, None, 1281)), (Version::Igmp3, 128_000));
    for len in 9..12 {
        let mut bytes = emit(&Message::Query(asked(Version::Igmp3, None, 100))).unwrap();
        bytes.truncate(len);
        assert_eq!(parse(&bytes), Err(Error::QueryLength(len)));
    }
}

#[test]
fn what_is_odd_is_told() {
    let (hex, ..) = golden()[1];
    let odd = |at: usize, value: u8| {
        let mut bytes = octets(hex);
        bytes[at] = value;
        read(&bytes).unwrap().flaws
    };
    assert_eq!(odd(8, 64), [Flaw::HopLimit(64)]);
    assert_eq!(odd(20, 0), [Flaw::NoRouterAlert]);
    assert_eq!(odd(31, 2), [Flaw::Checksum]);
    assert!(read(&octets(hex)[..31]).is_err());
    let mut longer = emit(&Message::Leave(ip("233.252.0.1"))).unwrap();
    longer.extend([0; 3]);
    assert_eq!(parse(&longer).unwrap().1, [Flaw::LeftOver(3)]);
    // Auxiliary data is stepped over; the sum of the changed octets goes up by what they have gained.
    let mut records = emit(&Message::Records(vec![Record {
        kind: RecordKind::IsInclude,
        group: ip("232.0.1.1"),
        sources: vec![ip("192.0.2.9")],
    }]))
    .unwrap();
    records[9] = 1;
    records.extend([1, 2, 3, 4]);
    records[2..4].fill(0);
    let sum = checksum::internet(&records);
    records[2..4].copy_from_slice(&sum.to_be_bytes());
    let (message, flaws) = parse(&records).unwrap();
    assert!(flaws.is_empty() && matches!(message, Message::Records(found) if found[0].sources.len() == 1));
}

#[test]
fn every_truncation_is_refused() {
    for (hex, _, message) in golden() {
        let bytes = emit(&message).unwrap();
        for len in 0..bytes.len() {
            // A query that is cut to eight octets is one of an older version; its sum is wrong then.
            match parse(&bytes[..len]) {
                Err(_) => {}
                Ok((_, flaws)) => assert!(len == SHORT && flaws.contains(&Flaw::Checksum), "{hex} at {len}"),
            }
        }
    }
}

#[test]
fn what_is_of_the_other_family_is_not_written() {
    for message in [
        Message::Report { version: Version::Mld1, group: ip("ff3e::1") },
        Message::Leave(ip("ff3e::1")),
        Message::Query(asked(Version::Mld2, None, 1)),
        Message::Other(7),
    ] {
        assert_eq!(emit(&message), None, "{message:?}");
    }
}

proptest! {
    #[test]
    fn what_is_written_is_read_back(
        groups in prop::collection::vec((1_u8..9, any::<u32>(), prop::collection::vec(any::<u32>(), 0..5)), 0..6),
    ) {
        let v4 = |address: u32| IpAddr::from(Ipv4Addr::from(address));
        let kinds = [RecordKind::IsInclude, RecordKind::IsExclude, RecordKind::ToInclude, RecordKind::ToExclude, RecordKind::Allow,
            RecordKind::Block, RecordKind::Other(7), RecordKind::Other(8)];
        let record = |(kind, group, sources): (u8, u32, Vec<u32>)| Record {
            kind: kinds[usize::from(kind) - 1], group: v4(group), sources: sources.into_iter().map(v4).collect(),
        };
        let message = Message::Records(groups.into_iter().map(record).collect());
        prop_assert_eq!(parse(&emit(&message).unwrap()).unwrap(), (message, Vec::new()));
    }

    #[test]
    fn no_octets_make_it_stumble(mut bytes in prop::collection::vec(any::<u8>(), 0..80), kind in 0_usize..5) {
        let _ = (parse(&bytes), read(&bytes));
        if let Some(first) = bytes.first_mut() {
            *first = [QUERY, REPORT_1, REPORT_2, LEAVE, REPORT_3][kind];
        }
        let _ = parse(&bytes);
    }
}
