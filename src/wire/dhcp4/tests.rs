use dhcproto::v4;
use dhcproto::{Decodable, Encodable};
use proptest::prelude::*;

use super::*;

const MAC: [u8; 6] = [2, 0, 0x5e, 0, 0, 1];

fn ip(text: &str) -> Ipv4Addr {
    text.parse().unwrap()
}

fn discover() -> Repr {
    Repr::request(MessageType::Discover, 0x1234_5678, MAC)
        .with(code::CLIENT_IDENTIFIER, [&[1], &MAC[..]].concat())
        .with(code::PARAMETER_LIST, [1, 121, 3, 6])
}

/// A sound OFFER to [`discover`].
fn offer() -> Repr {
    let mut offer = Repr::request(MessageType::Offer, 0x1234_5678, MAC)
        .with(code::SERVER_IDENTIFIER, [192, 0, 2, 1])
        .with(code::LEASE_TIME, 3600_u32.to_be_bytes())
        .with(code::SUBNET_MASK, [255, 255, 255, 0])
        .with(code::ROUTERS, [192, 0, 2, 1])
        .with(code::NAME_SERVERS, [203, 0, 113, 53]);
    offer.operation = Operation::Reply;
    offer.yours = ip("192.0.2.50");
    offer
}

fn flaws_of(repr: &Repr) -> Vec<Flaw> {
    let parsed = parse(&repr.emit()).unwrap();
    let mut flaws = parsed.flaws.clone();
    flaws.extend(examine(&parsed, &discover()));
    flaws
}

#[test]
fn golden_bytes_of_a_discover_both_ways() {
    // Laid out by hand from RFC 2131 figure 1 and RFC 2132 sections 9.6, 9.8, 9.14.
    let mut want = vec![1, 1, 6, 0, 0x12, 0x34, 0x56, 0x78];
    want.resize(28, 0);
    want.extend(MAC);
    want.resize(236, 0);
    want.extend([99, 130, 83, 99, 53, 1, 1, 61, 7, 1, 2, 0, 0x5e, 0, 0, 1, 55, 4, 1, 121, 3, 6, 255]);
    want.resize(300, 0);
    assert_eq!(discover().emit(), want);
    let parsed = parse(&want).unwrap();
    assert_eq!((&parsed.repr, &parsed.flaws[..]), (&discover(), &[][..]));
    assert_eq!(parsed.message_type(), Some(MessageType::Discover));
}

#[test]
fn a_message_of_a_reference_library_reads_the_same() {
    let mut message = v4::Message::new(ip("0.0.0.0"), ip("192.0.2.77"), ip("192.0.2.2"), ip("198.51.100.1"), &MAC);
    message.set_opcode(v4::Opcode::BootReply).set_xid(77).set_secs(3).set_flags(v4::Flags::default().set_broadcast());
    let options = message.opts_mut();
    options.insert(v4::DhcpOption::MessageType(v4::MessageType::Ack));
    options.insert(v4::DhcpOption::ServerIdentifier(ip("192.0.2.1")));
    options.insert(v4::DhcpOption::AddressLeaseTime(7200));
    options.insert(v4::DhcpOption::DomainNameServer(vec![ip("203.0.113.53"), ip("203.0.113.54")]));
    options.insert(v4::DhcpOption::DomainName("example.net".into()));
    options.insert(v4::DhcpOption::InterfaceMtu(1492));
    let bytes = message.to_vec().unwrap();
    let parsed = parse(&bytes).unwrap();
    assert_eq!(parsed.flaws, []);
    let repr = &parsed.repr;
    assert_eq!((repr.operation, repr.transaction, repr.seconds, repr.wants_broadcast()), (Operation::Reply, 77, 3, true));
    assert_eq!((repr.yours, repr.next_server, repr.relay), (ip("192.0.2.77"), ip("192.0.2.2"), ip("198.51.100.1")));
    assert_eq!(parsed.message_type(), Some(MessageType::Ack));
    assert_eq!(parsed.address(code::SERVER_IDENTIFIER), Some(ip("192.0.2.1")));
    assert_eq!(parsed.number(code::LEASE_TIME), Some(7200));
    assert_eq!(parsed.addresses(code::NAME_SERVERS), [ip("203.0.113.53"), ip("203.0.113.54")]);
    assert_eq!(parsed.option(code::DOMAIN_NAME).as_deref(), Some(&b"example.net"[..]));
    assert_eq!(parsed.option(code::INTERFACE_MTU), Some(vec![0x05, 0xd4]));
}

#[test]
fn what_this_writes_is_read_the_same_by_a_reference_library() {
    let routes = [option::ClasslessRoute { network: ip("0.0.0.0"), width: 0, router: ip("192.0.2.1") }];
    let repr = offer().with(code::CLASSLESS_ROUTES, option::emit_classless_routes(&routes));
    let message = v4::Message::decode(&mut dhcproto::Decoder::new(&repr.emit())).unwrap();
    assert_eq!((message.xid(), message.yiaddr(), message.chaddr()), (0x1234_5678, ip("192.0.2.50"), &MAC[..]));
    let get = |code: v4::OptionCode| message.opts().get(code).cloned();
    assert_eq!(get(v4::OptionCode::MessageType), Some(v4::DhcpOption::MessageType(v4::MessageType::Offer)));
    assert_eq!(get(v4::OptionCode::ServerIdentifier), Some(v4::DhcpOption::ServerIdentifier(ip("192.0.2.1"))));
    assert_eq!(get(v4::OptionCode::AddressLeaseTime), Some(v4::DhcpOption::AddressLeaseTime(3600)));
    let Some(v4::DhcpOption::ClasslessStaticRoute(theirs)) = get(v4::OptionCode::ClasslessStaticRoute) else { panic!() };
    assert_eq!((theirs.len(), theirs[0].1), (1, ip("192.0.2.1")));
}

#[test]
fn a_sound_offer_has_no_flaw() {
    assert_eq!(flaws_of(&offer()), []);
}

#[test]
fn what_a_lenient_decoder_swallows_is_told() {
    // All three decode without an error in the reference library, with the option missing.
    let short_server_identifier = Repr { options: vec![Tlv::new(53, [2]), Tlv::new(54, [192, 0, 2])], ..offer() };
    let flaws = flaws_of(&short_server_identifier);
    assert!(flaws.contains(&Flaw::OptionLength { code: 54, length: 3, rule: "4" }), "{flaws:?}");
    assert!(!flaws.contains(&Flaw::ServerIdentifierMissing), "short is not missing: {flaws:?}");
    let odd_routers = offer().with(code::TIME_SERVERS, [192, 0, 2, 1, 9]);
    assert_eq!(flaws_of(&odd_routers), [Flaw::OptionLength { code: 42, length: 5, rule: "a multiple of 4, at least 4" }]);
    let mut bytes = offer().emit();
    let end = bytes.iter().rposition(|octet| *octet == 255).unwrap();
    bytes.truncate(end);
    bytes.extend([12, 9, b'l', b'a']);
    let parsed = parse(&bytes).unwrap();
    assert_eq!(
        parsed.flaws,
        [Flaw::OptionTruncated { place: Place::Options, code: 12, claimed: Some(9), left: 2 }],
        "and nothing after it"
    );
    assert!(v4::Message::decode(&mut dhcproto::Decoder::new(&bytes)).is_ok());
}

#[test]
fn the_options_field_without_an_end_and_with_octets_behind_it() {
    let bytes = offer().emit();
    let end = bytes.iter().rposition(|octet| *octet == 255).unwrap();
    assert_eq!(parse(&bytes[..end]).unwrap().flaws, [Flaw::EndMissing(Place::Options)]);
    assert_eq!(parse(&bytes[..=end]).unwrap().flaws, []);
    let mut behind = bytes[..=end].to_vec();
    behind.extend([0, 0, 7]);
    assert_eq!(parse(&behind).unwrap().flaws, [Flaw::OctetsAfterEnd { place: Place::Options, count: 3 }]);
}

#[test]
fn overload_is_followed_into_file_and_sname_in_that_order() {
    let mut repr = offer().with(code::OVERLOAD, [3]).with(15, *b"exam");
    repr.boot_file[..6].copy_from_slice(&[15, 3, b'p', b'l', b'e', 255]);
    repr.server_name[..7].copy_from_slice(&[0, 15, 3, b'.', b't', b'e', 255]);
    let parsed = parse(&repr.emit()).unwrap();
    assert_eq!(parsed.option(15).as_deref(), Some(&b"example.te"[..]), "RFC 3396 section 5");
    let places: Vec<Place> = parsed.carried.iter().filter(|c| c.tlv.code == 15).map(|c| c.place).collect();
    assert_eq!(places, [Place::Options, Place::File, Place::ServerName]);
    assert_eq!(parsed.flaws, [Flaw::OptionRepeated { code: 15, times: 3 }]);
    assert_eq!(parsed.repr, repr, "what is emitted is read back");
    // Only one of the two.
    repr.options.iter_mut().filter(|o| o.code == 52).for_each(|o| o.data = vec![2]);
    assert_eq!(parse(&repr.emit()).unwrap().option(15).as_deref(), Some(&b"exam.te"[..]));
    // Nonsense is not followed.
    repr.options.iter_mut().filter(|o| o.code == 52).for_each(|o| o.data = vec![4]);
    let parsed = parse(&repr.emit()).unwrap();
    assert_eq!((parsed.option(15).as_deref(), &parsed.flaws[..]), (Some(&b"exam"[..]), &[Flaw::OverloadValue(4)][..]));
    // An overloaded field has an end of its own, and must not overload again.
    let mut nested = offer().with(code::OVERLOAD, [1]);
    nested.boot_file[..3].copy_from_slice(&[52, 1, 3]);
    let flaws = parse(&nested.emit()).unwrap().flaws;
    assert!(flaws.contains(&Flaw::OverloadNested) && flaws.contains(&Flaw::EndMissing(Place::File)), "{flaws:?}");
}

#[test]
fn a_long_option_is_split_and_put_together_again() {
    let long: Vec<u8> = (0..600_u16).map(|n| n as u8).collect();
    let bytes = offer().with(43, long.clone()).emit();
    let parsed = parse(&bytes).unwrap();
    assert_eq!(parsed.carried.iter().filter(|c| c.tlv.code == 43).count(), 3);
    assert_eq!(parsed.option(43), Some(long));
    assert_eq!(parsed.flaws, [], "it did not fit in one piece");
}

#[test]
fn each_departure_from_table_3_of_rfc_2131_is_told_by_name() {
    let without = |code: u8| {
        let mut repr = offer();
        repr.options.retain(|o| o.code != code);
        repr
    };
    let with = |code: u8, data: &[u8]| without(code).with(code, data);
    let yours = |address: &str| Repr { yours: ip(address), ..offer() };
    let mut other_mac = offer();
    other_mac.client_hardware_address[5] = 9;
    let rows: Vec<(Repr, Flaw)> = vec![
        (without(code::SERVER_IDENTIFIER), Flaw::ServerIdentifierMissing),
        (with(code::SERVER_IDENTIFIER, &[0; 4]), Flaw::ServerIdentifierInvalid(ip("0.0.0.0"))),
        (without(code::LEASE_TIME), Flaw::LeaseTimeMissing),
        (with(code::LEASE_TIME, &[0; 4]), Flaw::LeaseTimeZero),
        (yours("0.0.0.0"), Flaw::AddressMissing),
        (yours("192.0.2.255"), Flaw::AddressInvalid(ip("192.0.2.255"))),
        (yours("192.0.2.0"), Flaw::AddressInvalid(ip("192.0.2.0"))),
        (without(code::SUBNET_MASK), Flaw::MaskMissing),
        (with(code::SUBNET_MASK, &[255, 0, 255, 0]), Flaw::MaskInvalid(ip("255.0.255.0"))),
        (without(code::ROUTERS), Flaw::RouterMissing),
        (with(code::ROUTERS, &[198, 51, 100, 1]), Flaw::RouterOutside(ip("198.51.100.1"))),
        (without(code::NAME_SERVERS), Flaw::ResolversMissing),
        (
            offer().with(code::RENEWAL_TIME, 4000_u32.to_be_bytes()),
            Flaw::RenewalTimes { renewal: Some(4000), rebinding: None, lease: 3600 },
        ),
        (
            offer().with(58, 1800_u32.to_be_bytes()).with(59, 900_u32.to_be_bytes()),
            Flaw::RenewalTimes { renewal: Some(1800), rebinding: Some(900), lease: 3600 },
        ),
        (offer().with(code::REQUESTED_ADDRESS, [192, 0, 2, 9]), Flaw::OptionForbidden(50)),
        (offer().with(code::PARAMETER_LIST, [1]), Flaw::OptionForbidden(55)),
        (offer().with(code::MAXIMUM_SIZE, [2, 64]), Flaw::OptionForbidden(57)),
        (offer().with(code::CLIENT_IDENTIFIER, [1, 9]), Flaw::ClientIdentifierAltered),
        (offer().with(code::INTERFACE_MTU, [0, 67]), Flaw::MtuInvalid(67)),
        (other_mac, Flaw::HardwareAddressAltered),
        (Repr { hardware_len: 7, ..offer() }, Flaw::HardwareLength(7)),
        (with(code::MESSAGE_TYPE, &[99]), Flaw::MessageTypeUnknown(99)),
        (without(code::MESSAGE_TYPE), Flaw::MessageTypeMissing),
    ];
    let mut codes = std::collections::BTreeSet::new();
    for (repr, want) in rows {
        assert_eq!(flaws_of(&repr), std::slice::from_ref(&want));
        assert!(want.code().starts_with("dhcp4-") && !want.to_string().is_empty());
        codes.insert(want.code());
    }
    assert!(codes.len() >= 17, "{codes:?}");
}

#[test]
fn what_is_legal_though_unusual_is_no_flaw() {
    // RFC 3021: both addresses of a /31; a /32 with the router elsewhere on the link is told, but the address is sound.
    let mut point_to_point = offer();
    point_to_point.options.retain(|o| o.code != code::SUBNET_MASK && o.code != code::ROUTERS);
    let point_to_point = point_to_point.with(code::SUBNET_MASK, [255, 255, 255, 254]).with(code::ROUTERS, [192, 0, 2, 51]);
    assert_eq!(flaws_of(&point_to_point), []);
    // RFC 6842: the client identifier comes back unchanged.
    assert_eq!(flaws_of(&offer().with(code::CLIENT_IDENTIFIER, [&[1], &MAC[..]].concat())), []);
    // RFC 3442: a default route in option 121 replaces option 3; without one there is no way out.
    let mut by_121 = offer();
    by_121.options.retain(|o| o.code != code::ROUTERS);
    assert_eq!(flaws_of(&by_121.clone().with(code::CLASSLESS_ROUTES, [0, 192, 0, 2, 1])), []);
    assert_eq!(flaws_of(&offer().with(code::CLASSLESS_ROUTES, [8, 10, 192, 0, 2, 1])), [Flaw::RouterMissing]);
    // RFC 2131 section 3.3: a lease without end.
    let mut endless = offer();
    endless.options.iter_mut().filter(|o| o.code == 51).for_each(|o| o.data = vec![0xff; 4]);
    assert_eq!(flaws_of(&endless.with(code::RENEWAL_TIME, [0xff; 4])), []);
}

#[test]
fn option_121_takes_the_place_of_options_3_and_33_and_only_then() {
    let told = |repr: Repr| {
        let routes = parse(&repr.emit()).unwrap().routes();
        routes.iter().map(|r| format!("{}/{} {}", r.network, r.width, r.router)).collect::<Vec<_>>()
    };
    // RFC 2132 section 5.8: pairs without masks, 0.0.0.0 is none; RFC 791 section 3.2: classes A, B and C, and a host.
    let statics = [[10, 0, 0, 0], [172, 16, 0, 0], [203, 0, 113, 0], [203, 0, 113, 7], [0, 0, 0, 0]];
    let statics: Vec<u8> = statics.iter().flat_map(|network| [*network, [192, 0, 2, 9]].concat()).collect();
    let both = offer().with(code::STATIC_ROUTES, statics);
    let classful = ["10.0.0.0/8 192.0.2.9", "172.16.0.0/16 192.0.2.9", "203.0.113.0/24 192.0.2.9", "203.0.113.7/32 192.0.2.9"];
    assert_eq!(told(both.clone()), [&classful[..], &["0.0.0.0/0 192.0.2.1"]].concat());
    let classless = both.clone().with(code::CLASSLESS_ROUTES, [25, 198, 51, 100, 128, 192, 0, 2, 3, 0, 192, 0, 2, 4]);
    assert_eq!(told(classless), ["198.51.100.128/25 192.0.2.3", "0.0.0.0/0 192.0.2.4"], "RFC 3442");
    // One that can't be read is passed over.
    assert_eq!(told(both.with(code::CLASSLESS_ROUTES, [40, 1, 2, 3, 4])).len(), 5);
}

#[test]
fn what_a_relay_leaves_in_is_told() {
    assert_eq!(flaws_of(&offer().with(code::RELAY_INFORMATION, [1, 1, 7])), [Flaw::RelayInformationLeft], "RFC 3046 section 2.1");
}

#[test]
fn an_answer_to_inform_has_no_lease_and_gives_no_address() {
    let mut inform = Repr::request(MessageType::Inform, 1, MAC);
    inform.client = ip("192.0.2.50");
    let mut ack = offer();
    ack.yours = Ipv4Addr::UNSPECIFIED;
    ack.options.iter_mut().filter(|o| o.code == 53).for_each(|o| o.data = vec![5]);
    let examined = |repr: &Repr| examine(&parse(&repr.emit()).unwrap(), &inform);
    assert_eq!(examined(&ack), [Flaw::OptionForbidden(code::LEASE_TIME)], "RFC 2131 section 4.3.5");
    ack.options.retain(|o| o.code != code::LEASE_TIME);
    assert_eq!(examined(&ack), []);
}

#[test]
fn the_network_falls_back_to_the_class_of_the_address() {
    let mut bare = offer();
    bare.options.retain(|o| o.code != code::SUBNET_MASK);
    let parsed = parse(&bare.emit()).unwrap();
    for (address, prefix) in [("10.1.2.3", 8), ("172.16.0.1", 16), ("192.0.2.50", 24)] {
        assert_eq!(parsed.prefix(ip(address)), prefix);
    }
    assert_eq!(parse(&offer().emit()).unwrap().prefix(ip("10.1.2.3")), 24);
}

#[test]
fn every_truncation_is_refused_or_told() {
    let bytes = offer().emit();
    let end = bytes.iter().rposition(|octet| *octet == 255).unwrap();
    for len in 0..FIXED_LEN {
        assert_eq!(parse(&bytes[..len]), Err(Error::Truncated(len)));
    }
    for len in FIXED_LEN..=end {
        assert!(!parse(&bytes[..len]).unwrap().flaws.is_empty(), "{len}");
    }
    let mut other = bytes;
    other[236] = 0;
    assert_eq!(parse(&other), Err(Error::Cookie([0, 130, 83, 99])));
}

fn any_repr() -> impl Strategy<Value = Repr> {
    let head = (any::<u8>(), any::<[u8; 3]>(), any::<(u32, u16, u16)>(), any::<[u32; 4]>(), any::<[u8; 16]>());
    let names = (prop::collection::vec(any::<u8>(), 64), prop::collection::vec(any::<u8>(), 128));
    let options = prop::collection::vec((1_u8..255, prop::collection::vec(any::<u8>(), 0..=255)), 0..8);
    (head, names, options).prop_map(|((operation, small, numbers, addresses, hardware), (server_name, boot_file), options)| {
        Repr {
            operation: operation.into(),
            hardware_type: small[0],
            hardware_len: small[1],
            hops: small[2],
            transaction: numbers.0,
            seconds: numbers.1,
            flags: numbers.2,
            client: addresses[0].into(),
            yours: addresses[1].into(),
            next_server: addresses[2].into(),
            relay: addresses[3].into(),
            client_hardware_address: hardware,
            server_name: server_name.try_into().unwrap(),
            boot_file: boot_file.try_into().unwrap(),
            options: options.into_iter().map(|(code, data)| Tlv { code, data }).collect(),
        }
    })
}

proptest! {
    #[test]
    fn what_is_emitted_is_read_back(repr in any_repr()) {
        prop_assert_eq!(parse(&repr.emit()).unwrap().repr, repr);
    }

    #[test]
    fn reading_then_writing_then_reading_changes_nothing(
        mut bytes in prop::collection::vec(any::<u8>(), 240..700), options in prop::collection::vec(0_u8..10, 0..100),
    ) {
        bytes[236..240].copy_from_slice(&COOKIE);
        // Small numbers make plausible codes and lengths.
        bytes.splice(240..240, options);
        let parsed = parse(&bytes).unwrap();
        prop_assert_eq!(&parse(&parsed.repr.emit()).unwrap().repr, &parsed.repr);
        let _ = examine(&parsed, &discover());
        for flaw in &parsed.flaws {
            prop_assert!(!flaw.to_string().is_empty());
        }
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = parse(&bytes);
    }
}
