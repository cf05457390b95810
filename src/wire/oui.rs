//! Who made a station, as far as its hardware address tells (IEEE 802 clause 8.2).
//!
//! The address says whether its maker was assigned it or whether somebody made it up; the maker's name stands in the
//! public list of assignments, which is not part of this program. It reads that list as text, in both forms that IEEE
//! publishes; it must not know where the list lies.

use super::ethernet::Mac;

/// How a hardware address came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Assignment {
    /// For several stations: no station has it.
    Group,
    /// Made up where it is used (the U/L bit): a virtual, random or configured address. It names no maker.
    Local,
    /// Assigned by the maker out of the block with these first octets.
    Universal([u8; 3]),
}

/// What the bits of an address say.
pub fn assignment(mac: Mac) -> Assignment {
    let [first, second, third, ..] = mac.0;
    if mac.is_group() {
        Assignment::Group
    } else if first & 2 != 0 {
        Assignment::Local
    } else {
        Assignment::Universal([first, second, third])
    }
}

/// Characters of a maker's name that are kept.
const LONGEST_NAME: usize = 80;

/// The holder of a block, from the list of assignments: as text ("00-00-5E   (hex)  NAME") or as CSV ("MA-L,00005E,NAME,...").
/// Control characters are replaced. `None` when the block isn't listed.
pub fn holder(list: &str, block: [u8; 3]) -> Option<String> {
    let [a, b, c] = block;
    let (dashed, bare) = (format!("{a:02X}-{b:02X}-{c:02X}"), format!("{a:02X}{b:02X}{c:02X}"));
    let found = list.lines().find_map(|line| {
        let as_text = || line.trim_start().strip_prefix(dashed.as_str())?.trim_start().strip_prefix("(hex)").map(str::to_owned);
        let as_csv = || line.strip_prefix("MA-L,")?.strip_prefix(bare.as_str())?.strip_prefix(',').map(first_field);
        as_text().or_else(as_csv)
    })?;
    let name: String =
        found.trim().chars().take(LONGEST_NAME).map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c }).collect();
    (!name.is_empty()).then_some(name)
}

/// The first field of a CSV line (RFC 4180): quoted where it holds a comma, a quote in it doubled.
fn first_field(line: &str) -> String {
    let Some(quoted) = line.strip_prefix('"') else {
        return line.split(',').next().unwrap_or_default().to_owned();
    };
    let mut field = String::new();
    let mut characters = quoted.chars().peekable();
    while let Some(c) = characters.next() {
        if c == '"' && characters.next_if_eq(&'"').is_none() {
            break;
        }
        field.push(c);
    }
    field
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_bits_tell_assigned_from_made_up() {
        for (mac, expected) in [
            ([0x00, 0x00, 0x5e, 0x10, 0, 1], Assignment::Universal([0x00, 0x00, 0x5e])),
            ([0xfc, 1, 2, 3, 4, 5], Assignment::Universal([0xfc, 1, 2])),
            ([0x02, 0x00, 0x5e, 0, 1, 2], Assignment::Local),
            ([0xfe, 0, 0, 0, 0, 1], Assignment::Local),
            ([0xff; 6], Assignment::Group),
            ([0x01, 0, 0x5e, 0, 0, 1], Assignment::Group),
        ] {
            assert_eq!(assignment(Mac(mac)), expected, "{mac:02x?}");
        }
    }

    #[test]
    fn both_published_forms_are_read() {
        // Names invented; the forms are those of the published lists.
        let text = "OUI/MA-L\t\tOrganization\ncompany_id\t\tOrganization\n\n\
            02-11-22   (hex)\t\tExample Gateways\r\n021122     (base 16)\t\tExample Gateways\n\t\t\t\tExample Street 1\n\n\
            00-00-5E   (hex)\t\tExample Numbers\n";
        let csv = "Registry,Assignment,Organization Name,Organization Address\r\n\
            MA-L,021122,Example Gateways,Example Street 1\r\n\
            MA-L,00005E,\"Example \"\"Numbers\"\", Limited\",\"Street, 2\"\r\n";
        assert_eq!(holder(text, [0, 0, 0x5e]).as_deref(), Some("Example Numbers"));
        assert_eq!(holder(text, [2, 0x11, 0x22]).as_deref(), Some("Example Gateways"));
        assert_eq!(holder(csv, [0, 0, 0x5e]).as_deref(), Some("Example \"Numbers\", Limited"));
        assert_eq!(holder(csv, [2, 0x11, 0x22]).as_deref(), Some("Example Gateways"));
        assert_eq!((holder(text, [9, 9, 9]), holder(csv, [9, 9, 9]), holder("", [0, 0, 0])), (None, None, None));
    }

    #[test]
    fn what_is_broken_or_hostile_names_nobody_or_is_made_harmless() {
        assert_eq!(holder("00-00-5E   (hex)\t\t \n", [0, 0, 0x5e]), None);
        assert_eq!(holder("MA-L,00005E,", [0, 0, 0x5e]), None);
        assert_eq!(holder("MA-L,00005E,\"open", [0, 0, 0x5e]).as_deref(), Some("open"));
        assert_eq!(holder("00-00-5E (hex) a\u{1b}[31m", [0, 0, 0x5e]).as_deref(), Some("a\u{fffd}[31m"));
        let long = format!("00-00-5E (hex) {}", "x".repeat(5000));
        assert_eq!(holder(&long, [0, 0, 0x5e]).map(|name| name.len()), Some(LONGEST_NAME));
    }

    proptest! {
        #[test]
        fn any_text_is_survived_and_what_was_written_is_found(list: String, block: [u8; 3], name in "[A-Za-z][A-Za-z ,\"]{0,30}[A-Za-z]") {
            let _ = holder(&list, block);
            let [a, b, c] = block;
            let csv = format!("MA-L,{a:02X}{b:02X}{c:02X},\"{}\",x", name.replace('"', "\"\""));
            prop_assert_eq!(holder(&csv, block), Some(name.clone()));
            prop_assert_eq!(holder(&format!("{a:02X}-{b:02X}-{c:02X}   (hex)\t\t{name}"), block), Some(name));
        }
    }
}
