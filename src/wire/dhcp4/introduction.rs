//! How a client introduces itself: the options by which a provider tells a customer's device from any other.
//!
//! Plain data and its octets. It must not know who says it or why; limits that only a person can break are told where the
//! person writes (the profile).

use super::option::code;
use super::tlv::Tlv;

/// What a client says of itself beyond its hardware address, and what it asks for. The default says nothing.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Introduction {
    /// Vendor class identifier (option 60, RFC 2132 section 9.13).
    pub vendor_class: Option<Vec<u8>>,
    /// Client identifier (option 61) with its type octet, as it goes on the wire; `None` is hardware type and address.
    pub client_identifier: Option<Vec<u8>>,
    /// User classes (option 77, RFC 3004).
    pub user_classes: Vec<Vec<u8>>,
    /// Options to ask for, in order (option 55); `None` leaves it to the client.
    pub parameter_list: Option<Vec<u8>>,
    /// What is said to single vendors (options 124 and 125, RFC 3925).
    pub vendors: Vec<Vendor>,
}

/// What is said under one enterprise number.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Vendor {
    /// The number, of IANA's list.
    pub enterprise: u32,
    /// Vendor classes (option 124).
    pub classes: Vec<Vec<u8>>,
    /// Sub-options of option 125: number and octets.
    pub options: Vec<(u8, Vec<u8>)>,
}

impl Introduction {
    /// The options that stand in DISCOVER, REQUEST and INFORM, without identifier and parameter list. Lengths beyond an
    /// octet are cut off by the caller's care: every part must fit in 255.
    pub fn options(&self) -> Vec<Tlv> {
        let mut options = Vec::new();
        options.extend(self.vendor_class.iter().map(|class| Tlv::new(code::VENDOR_CLASS, class.clone())));
        if !self.user_classes.is_empty() {
            options
                .push(Tlv::new(code::USER_CLASS, self.user_classes.iter().flat_map(|class| counted(class)).collect::<Vec<u8>>()));
        }
        for (number, part) in [
            (code::VENDOR_CLASSES, Vendor::class_octets as fn(&Vendor) -> Vec<u8>),
            (code::VENDOR_OPTIONS, Vendor::option_octets),
        ] {
            let parts = self.vendors.iter().map(|vendor| (vendor.enterprise, part(vendor))).filter(|(_, data)| !data.is_empty());
            let data: Vec<u8> =
                parts.flat_map(|(enterprise, data)| [&enterprise.to_be_bytes()[..], &counted(&data)].concat()).collect();
            if !data.is_empty() {
                options.push(Tlv::new(number, data));
            }
        }
        options
    }
}

impl Vendor {
    /// What stands behind enterprise number and length in option 124 (RFC 3925 section 3).
    pub fn class_octets(&self) -> Vec<u8> {
        self.classes.iter().flat_map(|class| counted(class)).collect()
    }

    /// What stands behind enterprise number and length in option 125 (RFC 3925 section 4).
    pub fn option_octets(&self) -> Vec<u8> {
        self.options.iter().flat_map(|(number, data)| [&[*number][..], &counted(data)].concat()).collect()
    }
}

/// Octets behind their number.
fn counted(data: &[u8]) -> Vec<u8> {
    [&[data.len() as u8][..], data].concat()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::dhcp4::option::{Value, decode};
    use proptest::prelude::*;

    #[test]
    fn the_octets_are_those_of_the_standards() {
        let introduction = Introduction {
            vendor_class: Some(b"gateway".to_vec()),
            user_classes: vec![b"data".to_vec(), vec![7]],
            // 32473 is the number for examples (RFC 5612).
            vendors: vec![
                Vendor { enterprise: 32473, classes: vec![b"cpe".to_vec()], options: vec![(1, b"x1".to_vec()), (4, Vec::new())] },
                Vendor { enterprise: 1, classes: Vec::new(), options: vec![(9, vec![0xff])] },
            ],
            ..Introduction::default()
        };
        let written: Vec<(u8, Vec<u8>)> = introduction.options().into_iter().map(|o| (o.code, o.data)).collect();
        // RFC 2132 section 9.13; RFC 3004 section 4; RFC 3925 sections 3 and 4: worked by hand.
        let expected: [(u8, &[u8]); 4] = [
            (60, b"gateway"),
            (77, b"\x04data\x01\x07"),
            (124, b"\x00\x00\x7e\xd9\x04\x03cpe"),
            (125, b"\x00\x00\x7e\xd9\x06\x01\x02x1\x04\x00\x00\x00\x00\x01\x03\x09\x01\xff"),
        ];
        assert_eq!(written, expected.map(|(code, data)| (code, data.to_vec())));
        assert_eq!(Introduction::default().options(), []);
    }

    fn octets() -> impl Strategy<Value = Vec<u8>> {
        prop::collection::vec(any::<u8>(), 1..20)
    }

    proptest! {
        #[test]
        fn what_is_said_is_read_back(
            user_classes in prop::collection::vec(octets(), 1..5),
            enterprise: u32,
            classes in prop::collection::vec(octets(), 1..5),
            options in prop::collection::vec((any::<u8>(), octets()), 1..5),
        ) {
            let vendor = Vendor { enterprise, classes: classes.clone(), options: options.clone() };
            let introduction = Introduction { user_classes: user_classes.clone(), vendors: vec![vendor], ..Introduction::default() };
            let read: Vec<Value> = introduction.options().iter().map(|o| decode(o.code, &o.data).value).collect();
            prop_assert_eq!(read, vec![
                Value::Classes(user_classes),
                Value::VendorClasses(vec![(enterprise, classes)]),
                Value::VendorOptions(vec![(enterprise, options)]),
            ]);
        }
    }
}
