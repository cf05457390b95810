//! Against messages that an independent library (scapy 2.5) wrote, and every way to spoil them.

use proptest::prelude::*;

use super::*;
use crate::wire::ethernet::Mac;

/// Written by scapy: rapid commit, IA_NA 1, IA_PD 2, four options asked for.
const SOLICIT: &str = "011234560001000a0003000102005e000009000800020064000600080017001800400052000e00000003000c00000001000000000000\
    00000019000c000000020000000000000000";
/// Written by scapy: preference 7, an address, a /56, two resolvers, two domains, a status with words.
const REPLY: &str = "071234560001000a0003000102005e0000090002000e000100012b00000002005e0000010007000107000300280000000100000\
    12c000001e00005001820010db800000000000000000000010000000258000004b000190029000000020000012c000001e0001a00190000\
    0258000004b03820010db8d000000000000000000000000017002020010db800000000000000000000005320010db800000000000000000\
    00000540018001e076578616d706c65036e657400036c6162076578616d706c65036e657400000d0006000066696e65";
/// Written by scapy: nothing to hand out, and classes of enterprise 32473, the one for examples (RFC 5612).
const ADVERTISE: &str = "026543210001000a0003000102005e0000090002000e000100012b00000002005e0000010003001b000000010000000000000000\
    000d000b00026e6f6e65206c65667400190012000000020000000000000000000d000200060010000900007ed900036162630011000a0000\
    7ed9000100027879000f00060004686f6d65";
/// Written by scapy: a relay's envelope around an INFORMATION-REQUEST.
const RELAYED: &str = "0c0120010db8000000000000000000000001fe80000000000000000000000000000900120005706f727437000900040b000001";

fn octets(hex: &str) -> Vec<u8> {
    let digits: Vec<char> = hex.chars().filter(|c| !c.is_whitespace()).collect();
    digits.chunks(2).map(|pair| u8::from_str_radix(&pair.iter().collect::<String>(), 16).unwrap()).collect()
}

fn address(text: &str) -> Ipv6Addr {
    text.parse().unwrap()
}

fn client() -> Item {
    Item::ClientId(Duid::of_mac(Mac([2, 0, 0x5e, 0, 0, 9])))
}

fn server() -> Item {
    Item::ServerId(Duid(vec![0, 1, 0, 1, 0x2b, 0, 0, 0, 2, 0, 0x5e, 0, 0, 1]))
}

#[test]
fn what_a_reference_library_wrote_is_read_in_every_field_and_written_the_same() {
    let solicit = Message::new(MessageType::Solicit, 0x12_3456)
        .with(client())
        .with(Item::Elapsed(100))
        .with(Item::Request(vec![23, 24, 64, 82]))
        .with(Item::RapidCommit)
        .with(Item::Addresses(Association::new(1)))
        .with(Item::Prefixes(Association::new(2)));
    let leaf = Item::Address { address: address("2001:db8::100"), preferred_s: 600, valid_s: 1200, items: vec![] };
    let prefix = Item::Prefix { prefix: address("2001:db8:d000::"), len: 56, preferred_s: 600, valid_s: 1200, items: vec![] };
    let reply = Message::new(MessageType::Reply, 0x12_3456)
        .with(client())
        .with(server())
        .with(Item::Preference(7))
        .with(Item::Addresses(Association { id: 1, renew_s: 300, rebind_s: 480, items: vec![leaf] }))
        .with(Item::Prefixes(Association { id: 2, renew_s: 300, rebind_s: 480, items: vec![prefix] }))
        .with(Item::Resolvers(vec![address("2001:db8::53"), address("2001:db8::54")]))
        .with(Item::Search(vec!["example.net".to_owned(), "lab.example.net".to_owned()]))
        .with(Item::Status(0, "fine".to_owned()));
    let empty = |id, code, words: &str| Association { items: vec![Item::Status(code, words.to_owned())], ..Association::new(id) };
    let advertise = Message::new(MessageType::Advertise, 0x65_4321)
        .with(client())
        .with(server())
        .with(Item::Addresses(empty(1, status::NO_ADDRESSES, "none left")))
        .with(Item::Prefixes(empty(2, status::NO_PREFIX, "")))
        .with(Item::VendorClass(32_473, vec![b"abc".to_vec()]))
        .with(Item::VendorOptions(32_473, vec![(1, b"xy".to_vec())]))
        .with(Item::UserClass(vec![b"home".to_vec()]));
    let relayed = Message {
        kind: MessageType::RelayForward,
        head: Head::Relay { hops: 1, link: address("2001:db8::1"), peer: address("fe80::9") },
        items: vec![Item::Interface(b"port7".to_vec()), Item::Relayed(vec![11, 0, 0, 1])],
    };
    for (hex, want) in [(SOLICIT, solicit), (REPLY, reply), (ADVERTISE, advertise), (RELAYED, relayed)] {
        let bytes = octets(hex);
        assert_eq!(parse(&bytes).unwrap(), (want.clone(), vec![]));
        assert_eq!(want.emit(), bytes);
    }
}

#[test]
fn what_a_client_asks_of_a_message_is_found() {
    let reply = parse(&octets(REPLY)).unwrap().0;
    assert_eq!((reply.transaction(), reply.preference(), reply.is_rapid()), (Some(0x12_3456), 7, false));
    assert_eq!((reply.status(), reply.resolvers().len()), (Some((0, "fine")), 2));
    let told = reply.server().unwrap();
    assert_eq!(told.mac(), Some(Mac([2, 0, 0x5e, 0, 0, 1])));
    assert_eq!(told.to_string(), "00:01:00:01:2b:00:00:00:02:00:5e:00:00:01 (hardware address and time)");
    let advertise = parse(&octets(ADVERTISE)).unwrap().0;
    assert_eq!(advertise.prefixes().next().unwrap().status(), Some((status::NO_PREFIX, "")));
    assert_eq!(advertise.addresses().next().unwrap().status().map(|(code, _)| status::name(code)), Some(Some("NoAddrsAvail")));
    assert!(parse(&octets(SOLICIT)).unwrap().0.is_rapid());
    assert_eq!(parse(&octets(RELAYED)).unwrap().0.transaction(), None);
}

#[test]
fn a_message_cut_anywhere_is_refused_or_told() {
    for hex in [SOLICIT, REPLY, ADVERTISE, RELAYED] {
        let whole = octets(hex);
        let head = if hex == RELAYED { 34 } else { 4 };
        let full = parse(&whole).unwrap().0;
        for end in 0..whole.len() {
            match parse(&whole[..end]) {
                Err(Error::Truncated { len, wanted }) => assert!(end < head && len == end && wanted <= head, "{end}"),
                Ok((cut, flaws)) => {
                    assert!(end >= head && cut != full, "{end}");
                    let at_an_option = full.items.iter().scan(head, |at, item| {
                        let mut bytes = Vec::new();
                        option::emit_all(std::slice::from_ref(item), &mut bytes);
                        *at += bytes.len();
                        Some(*at)
                    });
                    let is_between = end == head || at_an_option.into_iter().any(|at| at == end);
                    assert_eq!(flaws.is_empty(), is_between, "{end}: {flaws:?}");
                }
            }
        }
    }
}

/// A message with these octets as its options.
fn with(options: &[u8]) -> (Vec<Item>, Vec<Flaw>) {
    let (message, flaws) = parse(&[&[7, 0, 0, 1], options].concat()).unwrap();
    (message.items, flaws)
}

#[test]
fn options_of_the_wrong_form_are_kept_as_they_came_and_told() {
    for option in [
        &[0, 1, 0, 2, 0, 3][..],
        &[0, 3, 0, 11, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0],
        &[0, 6, 0, 3, 0, 1, 0],
        &[0, 7, 0, 2, 0, 1],
        &[0, 8, 0, 1, 0],
        &[0, 13, 0, 1, 0],
        &[0, 14, 0, 1, 0],
        &[0, 15, 0, 0],
        &[0, 16, 0, 5, 0, 0, 0, 1, 9],
        &[0, 17, 0, 6, 0, 0, 0, 1, 0, 9],
        &[0, 23, 0, 4, 0, 0, 0, 0],
        &[0, 23, 0, 0],
        &[0, 24, 0, 3, 9, b'a', 0],
        &[0, 64, 0, 6, 1, b'a', 0, 1, b'b', 0],
        &[0, 82, 0, 2, 0, 0],
    ] {
        let (items, flaws) = with(option);
        assert_eq!((flaws.as_slice(), items.len()), (&[Flaw::Form(u16::from(option[1]))][..], 1), "{option:?}");
        assert!(matches!(items[0], Item::Other(..)));
    }
}

#[test]
fn what_is_odd_is_told_and_read_all_the_same() {
    assert_eq!(parse(&[99, 0, 0, 1]).unwrap().1, [Flaw::UnknownType(99)]);
    assert_eq!(with(&[0, 7, 0, 1, 1, 0, 7, 0, 1, 2]).1, [Flaw::Repeated(7)]);
    assert_eq!(with(&[0, 7, 0, 1, 1, 0, 7]).1, [Flaw::LeftOver(2)]);
    assert_eq!(with(&[0, 7, 0, 9, 1]).1, [Flaw::Cut { code: 7, claimed: 9, left: 1 }]);
    let emitted = |item: Item| Message::new(MessageType::Reply, 1).with(item).emit();
    let told = |item: Item| parse(&emitted(item)).unwrap().1;
    let leaf = |preferred_s| Item::Address { address: address("2001:db8::1"), preferred_s, valid_s: 60, items: vec![] };
    let prefix = |text: &str| Item::Prefix { prefix: address(text), len: 56, preferred_s: 0, valid_s: 60, items: vec![] };
    let of = |items: Vec<Item>| Association { id: 9, renew_s: 0, rebind_s: 0, items };
    assert_eq!(told(leaf(60)), [Flaw::Misplaced(5)]);
    assert_eq!(told(Item::Addresses(of(vec![leaf(61)]))), [Flaw::Lifetimes]);
    assert_eq!(told(Item::Addresses(of(vec![prefix("2001:db8::")]))), [Flaw::Misplaced(26)]);
    assert_eq!(told(Item::Prefixes(of(vec![prefix("2001:db8:0:ff00::")]))), [], "bits within the length");
    assert_eq!(told(Item::Prefixes(of(vec![prefix("2001:db8:0:1ff::1")]))), [Flaw::PrefixBits(56)]);
    let times = |renew_s, rebind_s| told(Item::Prefixes(Association { id: 9, renew_s, rebind_s, items: vec![] }));
    // Sections 21.4 and 21.21: only where both are given.
    assert_eq!((times(7, 6), times(7, 0), times(7, 7)), (vec![Flaw::Times(9)], vec![], vec![]));
    let deep = (0..6).fold(Item::RapidCommit, |inside, _| Item::Addresses(of(vec![inside])));
    assert_eq!(told(deep).last(), Some(&Flaw::Form(3)), "options in options end somewhere");
}

fn any_item() -> impl Strategy<Value = Item> {
    let octets = || prop::collection::vec(any::<u8>(), 1..20);
    let name = "[a-z]{1,9}(\\.[a-z]{1,9}){0,2}";
    let leaf = prop_oneof![
        prop::collection::vec(any::<u8>(), 3..=130).prop_map(|duid| Item::ClientId(Duid(duid))),
        prop::collection::vec(any::<u8>(), 3..=130).prop_map(|duid| Item::ServerId(Duid(duid))),
        prop::collection::vec(any::<u16>(), 0..6).prop_map(Item::Request),
        any::<u8>().prop_map(Item::Preference),
        any::<u16>().prop_map(Item::Elapsed),
        octets().prop_map(Item::Relayed),
        (any::<u16>(), "[ -~]{0,20}").prop_map(|(code, words)| Item::Status(code, words)),
        Just(Item::RapidCommit),
        prop::collection::vec(octets(), 1..3).prop_map(Item::UserClass),
        (any::<u32>(), prop::collection::vec(octets(), 0..3)).prop_map(|(n, all)| Item::VendorClass(n, all)),
        (any::<u32>(), prop::collection::vec((any::<u16>(), octets()), 0..3)).prop_map(|(n, all)| Item::VendorOptions(n, all)),
        octets().prop_map(Item::Interface),
        prop::collection::vec(any::<u128>().prop_map(Ipv6Addr::from), 1..4).prop_map(Item::Resolvers),
        prop::collection::vec(name, 1..4).prop_map(Item::Search),
        any::<u32>().prop_map(Item::Refresh),
        name.prop_map(Item::Aftr),
        any::<u32>().prop_map(Item::SolMaxRt),
        any::<u32>().prop_map(Item::InfMaxRt),
        (100..u16::MAX, octets()).prop_map(|(code, value)| Item::Other(code, value)),
    ];
    leaf.prop_recursive(3, 12, 3, |inside| {
        let inside = prop::collection::vec(inside, 0..3);
        let all = (any::<[u32; 3]>(), inside.clone()).prop_map(|([id, renew_s, rebind_s], items)| Association {
            id,
            renew_s,
            rebind_s,
            items,
        });
        prop_oneof![
            all.clone().prop_map(Item::Addresses),
            all.prop_map(Item::Prefixes),
            (any::<u32>(), inside.clone()).prop_map(|(id, items)| Item::Temporary { id, items }),
            (any::<u128>(), any::<[u32; 2]>(), inside.clone()).prop_map(|(address, [preferred_s, valid_s], items)| {
                Item::Address { address: address.into(), preferred_s, valid_s, items }
            }),
            (any::<u128>(), 0..=128_u8, any::<[u32; 2]>(), inside).prop_map(|(prefix, len, [preferred_s, valid_s], items)| {
                Item::Prefix { prefix: prefix.into(), len, preferred_s, valid_s, items }
            }),
        ]
    })
}

proptest! {
    #[test]
    fn what_is_written_is_read_back(
        number in 0..=15_u8, transaction in 0..1_u32 << 24, hops: u8, addresses: [u128; 2],
        items in prop::collection::vec(any_item(), 0..5),
    ) {
        let kind = MessageType::of(number);
        let [link, peer] = addresses.map(Ipv6Addr::from);
        let head = if kind.is_relayed() { Head::Relay { hops, link, peer } } else { Head::Transaction(transaction) };
        let message = Message { kind, head, items };
        prop_assert_eq!(parse(&message.emit()).unwrap().0, message);
    }

    #[test]
    fn no_octets_make_it_stumble(bytes: Vec<u8>, spoilt in 0..260_usize, value: u8) {
        let _ = parse(&bytes);
        let mut reply = octets(REPLY);
        if let Some(octet) = reply.get_mut(spoilt) {
            *octet = value;
        }
        let (message, _) = parse(&reply).unwrap();
        prop_assert_eq!(parse(&message.emit()).unwrap().0, message);
    }
}
