//! Against packets that an independent library (scapy 2.5) wrote, and every way to spoil them.

use proptest::prelude::*;

use super::*;

/// Written by scapy: flags O and high preference, MTU 1492, a prefix, two resolvers, two domains, a route of low preference.
const ADVERTISED: &str = "6000000000a83afffe800000000000000000000000000001ff0200000000000000000000000000018600e2d44048070800007530\
    000003e8010102005e00000105010000000005d4030440c000015180000038400000000020010db8007700000000000000000000\
    1905000000000e1020010db800530000000000000000005320010db80053000000000000000000541f05000000000e1007657861\
    6d706c65036e657400076578616d706c650474657374000000000000180330180000025820010db8010000000000000000000000";
/// Written by scapy, from fe80::2 and 02:00:5e:00:00:02.
const SOLICITED: &str = "6000000000103afffe800000000000000000000000000002ff020000000000000000000000000002\
    85001c2a00000000010102005e000002";

fn octets(hex: &str) -> Vec<u8> {
    let digits: Vec<char> = hex.chars().filter(|c| !c.is_whitespace()).collect();
    digits.chunks(2).map(|pair| u8::from_str_radix(&pair.iter().collect::<String>(), 16).unwrap()).collect()
}

fn read(bytes: &[u8]) -> Result<(Advertisement, Vec<Flaw>), Error> {
    let (header, payload) = ipv6::parse(bytes).unwrap();
    parse(&header, payload, true)
}

fn address(text: &str) -> Ipv6Addr {
    text.parse().unwrap()
}

#[test]
fn what_a_reference_library_wrote_is_read_in_every_field() {
    let (seen, flaws) = read(&octets(ADVERTISED)).unwrap();
    assert_eq!(flaws, []);
    let want = Advertisement {
        hop_limit: 64,
        managed: false,
        other: true,
        preference: Preference::High,
        router_lifetime_s: 1800,
        reachable_ms: 30_000,
        retransmit_ms: 1000,
        items: vec![
            Item::SourceMac(Mac([2, 0, 0x5e, 0, 0, 1])),
            Item::Mtu(1492),
            Item::Prefix {
                prefix: address("2001:db8:77::"),
                len: 64,
                on_link: true,
                autonomous: true,
                valid_s: 86_400,
                preferred_s: 14_400,
            },
            Item::Resolvers { lifetime_s: 3600, addresses: vec![address("2001:db8:53::53"), address("2001:db8:53::54")] },
            Item::Search { lifetime_s: 3600, domains: vec!["example.net".to_owned(), "example.test".to_owned()] },
            Item::Route { prefix: address("2001:db8:100::"), len: 48, preference: Preference::Low, lifetime_s: 600 },
        ],
    };
    assert_eq!(seen, want);
    assert_eq!(want.emit(address("fe80::1"), address("ff02::1")).unwrap(), octets(ADVERTISED));
}

#[test]
fn a_solicitation_is_as_a_reference_library_writes_it_and_bare_without_an_address() {
    assert_eq!(emit_solicitation(address("fe80::2"), Mac([2, 0, 0x5e, 0, 0, 2])), octets(SOLICITED));
    let bare = emit_solicitation(Ipv6Addr::UNSPECIFIED, Mac([2, 0, 0x5e, 0, 0, 2]));
    assert_eq!(bare.len(), ipv6::HEADER_LEN + 8, "no hardware address (RFC 4861 section 4.1)");
}

#[test]
fn each_reason_to_drop_it_of_section_6_1_2_is_told() {
    let spoilt = |at: usize, value: u8| {
        let mut bytes = octets(ADVERTISED);
        bytes[at] = value;
        read(&bytes).unwrap().1
    };
    assert_eq!(spoilt(7, 64), [Flaw::HopLimit(64)]);
    assert!(matches!(spoilt(8, 0x20)[..], [Flaw::Source(_), Flaw::Checksum { .. }]));
    assert!(matches!(spoilt(42, 0)[..], [Flaw::Checksum { .. }]));
    assert!(matches!(spoilt(41, 1)[..], [Flaw::Checksum { .. }, Flaw::Code(1)]));
    assert!(matches!(spoilt(57, 0)[..], [Flaw::Checksum { .. }, Flaw::EmptyOption]));
    assert!(matches!(spoilt(57, 200)[..], [Flaw::Checksum { .. }, Flaw::CutOption(1)]));
    assert!(Flaw::EmptyOption.makes_invalid() && !Flaw::Lifetimes.makes_invalid());
}

#[test]
fn options_of_the_wrong_form_are_kept_as_they_came_and_told() {
    let fixed = [ADVERTISEMENT, 0, 0, 0, 64, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
    let header = ipv6::Repr {
        source: address("fe80::1"),
        destination: address("ff02::1"),
        next_header: NEXT_HEADER_V6,
        hop_limit: HOP_LIMIT,
        traffic_class: 0,
        flow_label: 0,
    };
    let read = |option: &[u8]| parse(&header, &[&fixed, option].concat(), false).unwrap();
    // An MTU of two units; a prefix of one; resolvers without an address; a name that ends behind its option.
    for option in [
        &[5, 2, 0, 0, 0, 0, 5, 0xdc, 0, 0, 0, 0, 0, 0, 0, 0][..],
        &[3, 1, 64, 0xc0, 0, 0, 0, 0],
        &[25, 1, 0, 0, 0, 0, 0, 9],
        &[31, 2, 0, 0, 0, 0, 0, 9, 63, b'a', 0, 0, 0, 0, 0, 0],
    ] {
        let (seen, flaws) = read(option);
        assert_eq!((flaws.as_slice(), seen.items.len()), (&[Flaw::OptionForm(option[0])][..], 1), "{option:?}");
        assert!(matches!(seen.items[0], Item::Other(..)));
    }
    // RFC 4862 section 5.5.3 c: preferred 9 s, valid 8.
    let prefix = [&[3, 4, 64, 0xc0, 0, 0, 0, 8, 0, 0, 0, 9, 0, 0, 0, 0][..], &[0; 16]].concat();
    assert_eq!(read(&prefix).1, [Flaw::Lifetimes]);
}

#[test]
fn what_is_none_is_refused() {
    let mut bytes = octets(ADVERTISED);
    bytes[40] = 135;
    assert_eq!(read(&bytes), Err(Error::Foreign));
    let (header, payload) = ipv6::parse(&octets(ADVERTISED)).map(|(header, payload)| (header, payload.to_vec())).unwrap();
    for end in 1..16 {
        assert_eq!(parse(&header, &payload[..end], true), Err(Error::Truncated(end)));
    }
}

fn any_item() -> impl Strategy<Value = Item> {
    let address = || any::<u128>().prop_map(Ipv6Addr::from);
    let preference = prop_oneof![Just(Preference::Low), Just(Preference::Medium), Just(Preference::High)];
    prop_oneof![
        any::<[u8; 6]>().prop_map(|mac| Item::SourceMac(Mac(mac))),
        any::<[u8; 6]>().prop_map(|mac| Item::TargetMac(Mac(mac))),
        any::<u32>().prop_map(Item::Mtu),
        (address(), 0..=128_u8, any::<[bool; 2]>(), any::<[u32; 2]>()).prop_map(
            |(prefix, len, [on_link, autonomous], [valid_s, preferred_s])| {
                Item::Prefix { prefix, len, on_link, autonomous, valid_s, preferred_s }
            }
        ),
        (any::<u32>(), prop::collection::vec(address(), 1..4))
            .prop_map(|(lifetime_s, addresses)| Item::Resolvers { lifetime_s, addresses }),
        (any::<u32>(), prop::collection::vec("[a-z]{1,9}(\\.[a-z]{1,9}){0,2}", 1..4))
            .prop_map(|(lifetime_s, domains)| Item::Search { lifetime_s, domains }),
        (address(), 0..=128_u8, preference, any::<u32>()).prop_map(|(prefix, len, preference, lifetime_s)| Item::Route {
            prefix,
            len,
            preference,
            lifetime_s
        }),
        any::<[u8; 14]>().prop_map(Item::Nat64),
        (100..=u8::MAX, prop::collection::vec(any::<[u8; 8]>(), 0..3))
            .prop_map(|(kind, more)| { Item::Other(kind, [&[1; 6][..], &more.concat()].concat()) }),
    ]
}

proptest! {
    #[test]
    fn what_is_written_is_read_back(
        flags: [bool; 2], small: (u8, u16), times: [u32; 2], items in prop::collection::vec(any_item(), 0..6),
    ) {
        let ([managed, other], (hop_limit, router_lifetime_s), [reachable_ms, retransmit_ms]) = (flags, small, times);
        let preference = Preference::High;
        let said = Advertisement {
            hop_limit, managed, other, preference, router_lifetime_s, reachable_ms, retransmit_ms, items,
        };
        let bytes = said.emit(address("fe80::1"), address("ff02::1")).unwrap();
        let (seen, flaws) = read(&bytes).unwrap();
        prop_assert_eq!(seen, said);
        prop_assert!(flaws.iter().all(|flaw| *flaw == Flaw::Lifetimes), "{flaws:?}");
    }

    #[test]
    fn no_octets_make_it_stumble(mut options in prop::collection::vec(any::<u8>(), 0..200), at in 0..200_usize) {
        let (header, payload) = ipv6::parse(&octets(ADVERTISED)).map(|(header, payload)| (header, payload.to_vec())).unwrap();
        if let Some(octet) = options.get_mut(at) {
            *octet = 1;
        }
        let bytes = [&payload[..16], &options].concat();
        let _ = parse(&header, &bytes, false).unwrap();
    }
}
