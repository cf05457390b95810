use proptest::prelude::*;

use super::*;

fn value(code: u8, data: &[u8]) -> Value {
    let decoded = decode(code, data);
    assert_eq!(decoded.flaw, None, "option {code} {data:?}");
    decoded.value
}

fn ip(text: &str) -> Ipv4Addr {
    text.parse().unwrap()
}

#[test]
fn the_table_is_in_order_and_holds_every_option_of_rfc_2132_that_has_a_number() {
    assert!(table::TABLE.windows(2).all(|pair| pair[0].code < pair[1].code));
    // RFC 2132 sections 3 to 9 define 1 to 61 and 64 to 76; 68, 75 and 76 concern no access line and are left as octets.
    let missing: Vec<u8> = (1..=61).chain(64..=67).chain(69..=74).filter(|code| name(*code).is_none()).collect();
    assert!(missing.is_empty(), "{missing:?}");
    assert_eq!(name(54), Some("server identifier"));
    assert_eq!((name(62), name(0), name(255)), (None, None, None));
}

#[test]
fn the_descriptors_of_rfc_3442_read_as_its_table_says() {
    let rows: [(&str, u8, &[u8]); 7] = [
        ("0.0.0.0", 0, &[0]),
        ("10.0.0.0", 8, &[8, 10]),
        ("10.0.0.0", 24, &[24, 10, 0, 0]),
        ("10.17.0.0", 16, &[16, 10, 17]),
        ("10.27.129.0", 24, &[24, 10, 27, 129]),
        ("10.229.0.128", 25, &[25, 10, 229, 0, 128]),
        ("10.198.122.47", 32, &[32, 10, 198, 122, 47]),
    ];
    let router = ip("192.0.2.1");
    let mut all = (Vec::new(), Vec::new());
    for (network, width, descriptor) in rows {
        let data = [descriptor, &router.octets()].concat();
        let route = ClasslessRoute { network: ip(network), width, router };
        assert_eq!(value(121, &data), Value::Routes(vec![route]), "{network}/{width}");
        assert_eq!(emit_classless_routes(&[route]), data, "{network}/{width}");
        all.0.extend(data);
        all.1.push(route);
    }
    assert_eq!(value(121, &all.0), Value::Routes(all.1));
    // The same section: bits beyond the width are masked.
    let masked = value(121, &[25, 129, 210, 177, 132, 192, 0, 2, 1]);
    assert_eq!(masked.to_string(), "129.210.177.128/25 via 192.0.2.1");
    assert_eq!(value(121, &[24, 192, 0, 2, 0, 0, 0, 0]).to_string(), "192.0.2.0/24 on link");
}

#[test]
fn a_search_list_points_back_into_itself() {
    // Built as the example of RFC 3397 section 2: the second name ends in a pointer to offset 4, names of our own.
    let data = b"\x03eng\x05lines\x04test\x00\x09marketing\xc0\x04";
    assert_eq!(value(119, data), Value::Names(vec!["eng.lines.test".into(), "marketing.lines.test".into()]));
}

#[test]
fn options_of_each_form_read_as_defined() {
    let rows: [(u8, &[u8], &str); 31] = [
        (1, &[255, 255, 255, 0], "255.255.255.0"),
        (2, &[0xff, 0xff, 0xf1, 0xf0], "-3600 s"),
        (3, &[192, 0, 2, 1, 192, 0, 2, 2], "192.0.2.1, 192.0.2.2"),
        (12, b"laptop", "laptop"),
        (15, b"example.net\0\0", "example.net"),
        (19, &[1], "yes"),
        (26, &[0x05, 0xdc], "1500"),
        (33, &[198, 51, 100, 9, 192, 0, 2, 1], "198.51.100.9 192.0.2.1"),
        (43, &[1, 2, 3], "010203"),
        (51, &[0, 1, 0x51, 0x80], "86400 s"),
        (51, &[0xff; 4], "without end"),
        (55, &[1, 121, 3], "1, 121, 3"),
        (60, b"a\x1b[31mb", "a\u{fffd}[31mb"),
        (61, &[1, 2, 0, 0x5e, 0, 0, 1], "type 1, 02005e000001"),
        (80, &[], "present"),
        (82, &[1, 2, 0xaa, 0xbb, 2, 1, 7], "1: aabb, 2: 07"),
        (116, &[0], "no"),
        (117, &[0, 6, 0, 44], "6, 44"),
        (120, b"\x00\x03sip\x07example\x03net\x00", "sip.example.net"),
        (120, &[1, 192, 0, 2, 5], "192.0.2.5"),
        (120, &[1, 192, 0, 2, 5, 192, 0, 2, 6], "192.0.2.5, 192.0.2.6"),
        // RFC 2132 section 8.4: sub-options, with pads and an end; what is none stays as it is.
        (43, b"\x01\x02\x0a\x0b\x00\x02\x03abc\xff\x00", "1: 0a0b, 2: 616263 \"abc\""),
        (43, &[1, 1, 9], "1: 09"),
        (43, &[1, 1, 9, 255, 7], "010109ff07"),
        (43, &[0, 0], "0000"),
        (77, b"\x04data\x01\x07", "64617461 \"data\", 07"),
        (124, &[0, 0, 0x0d, 0xe9, 2, 1, 7], "enterprise 3561: (07)"),
        (125, &[0, 0, 0x0d, 0xe9, 3, 1, 1, 0xff, 0, 0, 0, 1, 0], "enterprise 3561: (1: ff), enterprise 1: ()"),
        // RFC 3361 section 3.1 has two names in one option, each whole.
        (120, b"\x00\x07example\x03net\x00\x03sip\x07example\x03net\x00", "example.net, sip.example.net"),
        (224, &[0xde, 0xad], "dead"),
        (254, &[], ""),
    ];
    for (code, data, text) in rows {
        assert_eq!(value(code, data).to_string(), text, "option {code}");
    }
}

#[test]
fn what_breaks_its_definition_is_kept_as_octets_and_told() {
    let rows: [(u8, &[u8]); 28] = [
        (1, &[255, 255, 255]),
        (3, &[192, 0, 2, 1, 9]),
        (3, &[]),
        (12, b"\0"),
        (15, b"\xff\xfe"),
        (19, &[2]),
        (26, &[5]),
        (33, &[1, 2, 3, 4]),
        (51, &[0, 0, 1]),
        (53, &[1, 2]),
        (54, &[192, 0, 2]),
        (61, &[1]),
        (82, &[1, 9, 0]),
        (82, &[1, 1, 0, 2]),
        (119, b"\x03eng"),
        (119, b"\xc0\x00"),
        (119, b"\x01a\xc0\x05\x01b\x00"),
        (119, b"\x40a"),
        (119, b"\x00"),
        (121, &[33, 1, 2, 3, 4, 5, 6, 7, 8, 9]),
        (121, &[24, 10, 0, 0, 192, 0, 2]),
        (125, &[0, 0, 0, 1, 3, 1]),
        (125, &[0, 0, 0, 1, 2, 1, 5]),
        (124, &[0, 0, 0, 1, 2, 5, 1]),
        (77, b"data"),
        (120, &[2, 192, 0, 2, 5]),
        (120, &[1, 192, 0, 2, 5, 9]),
        (43, &[]),
    ];
    for (code, data) in rows {
        let decoded = decode(code, data);
        assert_eq!(decoded.value, Value::Octets(data.to_vec()), "option {code} {data:?}");
        let flaw = decoded.flaw.unwrap_or_else(|| panic!("option {code} {data:?} has no flaw"));
        assert!(flaw.to_string().starts_with(&format!("option {code} (")), "{flaw}");
    }
}

#[test]
fn names_that_point_at_each_other_end() {
    // Each points to the one before, as deep as a name can be: 126 labels of one letter.
    let mut data = b"\x01a\x00".to_vec();
    for at in 0..200_u16 {
        data.extend([1, b'b']);
        data.extend((0xc000 | if at == 0 { 0 } else { 3 + 4 * (at - 1) }).to_be_bytes());
    }
    let too_long = Some(Flaw::OptionContent { code: 119, what: "a domain name is longer than 253 characters" });
    assert_eq!(decode(119, &data).flaw, too_long);
    let Value::Names(names) = value(119, &data[..3 + 4 * 126]) else { panic!() };
    assert_eq!((names.len(), names.last().map(String::len)), (127, Some(253)));
    // A name by pointers beyond 255 octets.
    let mut long = Vec::new();
    for at in 0..6_u16 {
        long.push(63);
        long.extend([b'x'; 63]);
        if at == 0 { long.push(0) } else { long.extend((0xc000 | if at == 1 { 0 } else { 65 + 66 * (at - 2) }).to_be_bytes()) }
    }
    assert_eq!(decode(119, &long).flaw, too_long);
}

proptest! {
    #[test]
    fn no_octets_make_any_option_panic(code: u8, data in prop::collection::vec(any::<u8>(), 0..300)) {
        let decoded = decode(code, &data);
        let _ = decoded.value.to_string();
        if decoded.flaw.is_some() {
            prop_assert_eq!(decoded.value, Value::Octets(data));
        }
    }

    #[test]
    fn routes_are_read_back(routes in prop::collection::vec((any::<u32>(), 0_u8..=32, any::<u32>()), 1..8)) {
        let routes: Vec<ClasslessRoute> = routes
            .into_iter()
            .map(|(network, width, router)| {
                let mask = u32::MAX.checked_shl(32 - u32::from(width)).unwrap_or(0);
                ClasslessRoute { network: (network & mask).into(), width, router: router.into() }
            })
            .collect();
        prop_assert_eq!(value(121, &emit_classless_routes(&routes)), Value::Routes(routes));
    }
}
