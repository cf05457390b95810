use proptest::prelude::*;

use super::*;

fn key() -> Key {
    Key::new(b"a key of the tests")
}

/// The addresses and transaction of RFC 5769 sections 2.2 and 2.3, whose XOR-MAPPED-ADDRESS values are these octets.
#[test]
fn mapped_addresses_are_covered_as_in_the_published_samples() {
    let transaction = [0xb7, 0xe7, 0xa7, 0x01, 0xbc, 0x34, 0xd6, 0x86, 0xfa, 0x87, 0xdf, 0xae];
    let four = [0x00, 0x01, 0xa1, 0x47, 0xe1, 0x12, 0xa6, 0x43];
    let six =
        [0x00, 0x02, 0xa1, 0x47, 0x01, 0x13, 0xa9, 0xfa, 0xa5, 0xd3, 0xf1, 0x79, 0xbc, 0x25, 0xf4, 0xb5, 0xbe, 0xd2, 0xb9, 0xd9];
    for (octets, address) in [(&four[..], "192.0.2.1:32853"), (&six[..], "[2001:db8:1234:5678:11:2233:4455:6677]:32853")] {
        let attribute = Attribute::parse(0x0020, octets, &transaction).unwrap();
        assert_eq!(attribute, Attribute::MappedAddress(address.parse().unwrap()));
        let mut written = Vec::new();
        attribute.write(&transaction, &mut written);
        assert_eq!(written, octets);
    }
}

#[test]
fn a_message_has_the_octets_of_the_standard() {
    let message = Message::new(Class::Request, *b"abcdefghijkl").with(Attribute::Username(0x0102)).with(Attribute::ChangePort);
    let bytes = message.emit(&key(), None).unwrap();
    assert_eq!(bytes[..8], [0, 1, 0, 8 + 8 + 20, 0x21, 0x12, 0xa4, 0x42]);
    assert_eq!(&bytes[8..20], b"abcdefghijkl");
    assert_eq!(bytes[20..28], [0, 6, 0, 2, 1, 2, 0, 0]);
    assert_eq!(bytes[28..36], [0, 3, 0, 4, 0, 0, 0, 2]);
    assert_eq!(bytes[36..40], [0, 0x1c, 0, 16]);
    assert_eq!(bytes.len(), message.signed_len());
}

#[test]
fn only_the_key_that_signed_verifies_and_every_octet_is_signed() {
    let message = Message::new(Class::Success, [7; 12]).with(Attribute::MappedAddress("198.51.100.2:4000".parse().unwrap()));
    let bytes = message.emit(&key(), Some(100)).unwrap();
    assert!(parse(&bytes).unwrap().is_signed_by(&key()));
    assert!(!parse(&bytes).unwrap().is_signed_by(&Key::new(b"another")));
    for at in 0..message.emit(&key(), None).unwrap().len() {
        let mut spoilt = message.emit(&key(), None).unwrap();
        spoilt[at] ^= 1;
        assert!(!parse(&spoilt).is_ok_and(|m| m.is_signed_by(&key())), "octet {at}");
    }
}

#[test]
fn every_size_from_the_message_on_can_be_had() {
    let message = Message::new(Class::Request, [1; 12]).with(Attribute::Username(9));
    for size in message.signed_len()..300 {
        let bytes = message.emit(&key(), Some(size)).unwrap();
        assert_eq!(bytes.len(), size);
        assert!(parse(&bytes).unwrap().is_signed_by(&key()), "{size}");
    }
    assert_eq!(message.emit(&key(), Some(70_000)), Err(StunError::TooLarge));
}

#[test]
fn every_truncation_is_refused() {
    let message = Message::new(Class::Request, [1; 12]).with(Attribute::Nonce([3; 16])).with(Attribute::ReplySize(1400));
    let bytes = message.emit(&key(), None).unwrap();
    for end in 0..bytes.len() {
        assert!(parse(&bytes[..end]).is_err(), "{end}");
    }
    let longer = [&bytes[..], &[0; 4]].concat();
    assert_eq!(parse(&longer).unwrap_err(), StunError::Length);
}

fn attribute() -> impl Strategy<Value = Attribute> {
    let other = (0x8000_u16..0xc000, proptest::collection::vec(any::<u8>(), 0..40));
    prop_oneof![
        any::<u16>().prop_map(Attribute::Username),
        any::<[u8; 16]>().prop_map(Attribute::Nonce),
        (any::<std::net::IpAddr>(), any::<u16>()).prop_map(|(ip, port)| Attribute::MappedAddress((ip, port).into())),
        Just(Attribute::ChangePort),
        (0_usize..200).prop_map(Attribute::Padding),
        any::<u16>().prop_map(Attribute::ReplySize),
        any::<u16>().prop_map(Attribute::Delay),
        any::<u16>().prop_map(Attribute::TooBig),
        other.prop_map(|(kind, value)| Attribute::Other { kind, value }),
    ]
}

proptest! {
    #[test]
    fn what_is_written_is_read_again(
        class in prop_oneof![Just(Class::Request), Just(Class::Indication), Just(Class::Success), Just(Class::Error)],
        transaction: [u8; 12],
        attributes in proptest::collection::vec(attribute(), 0..6),
    ) {
        let message = Message { class, transaction, attributes };
        let bytes = message.emit(&key(), None).unwrap();
        let read = parse(&bytes).unwrap();
        prop_assert!(read.is_signed_by(&key()));
        prop_assert_eq!(read.message, message);
    }

    #[test]
    fn no_octets_break_the_reader(bytes in proptest::collection::vec(any::<u8>(), 0..120)) {
        let _ = parse(&bytes);
    }
}
