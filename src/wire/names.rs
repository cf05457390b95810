//! Lists of domain names without compression (RFC 1035 section 3.1), as router advertisements and DHCPv6 carry them.
//!
//! ```text
//! | length 1 | label | ... | 0 |   repeated
//! ```
//!
//! It knows nobody's options. The one catch: a label may hold any octet, a dot too; such a name can't be told in plain
//! words, and the whole list counts as unreadable.

/// Longest label and longest name in octets (RFC 1035 section 2.3.4).
const LONGEST_LABEL: usize = 63;
const LONGEST_NAME: usize = 255;

/// Reads a list; `None` when a name is cut, too long, or has labels of other than visible characters.
///
/// Where `padded`, the first empty name ends the list, and what follows it is padding (RFC 8106 section 5.2); elsewhere an empty
/// name is an error.
pub fn parse(mut bytes: &[u8], padded: bool) -> Option<Vec<String>> {
    let mut names = Vec::new();
    while !bytes.is_empty() {
        let (name, rest) = one(bytes)?;
        if name.is_empty() {
            return padded.then_some(names);
        }
        names.push(name);
        bytes = rest;
    }
    Some(names)
}

fn one(bytes: &[u8]) -> Option<(String, &[u8])> {
    let mut name = String::new();
    let mut rest = bytes;
    loop {
        let (&len, behind) = rest.split_first()?;
        if bytes.len() - behind.len() > LONGEST_NAME {
            return None;
        }
        if len == 0 {
            return Some((name, behind));
        }
        let (label, behind) = behind.split_at_checked(usize::from(len)).filter(|_| usize::from(len) <= LONGEST_LABEL)?;
        if !label.iter().all(|octet| octet.is_ascii_graphic() && *octet != b'.') {
            return None;
        }
        if !name.is_empty() {
            name.push('.');
        }
        name.extend(label.iter().map(|octet| char::from(*octet)));
        rest = behind;
    }
}

/// Writes a list. Labels beyond their longest are cut, empty ones left out.
pub fn emit(names: &[String]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for name in names {
        for label in name.split('.').filter(|label| !label.is_empty()) {
            let label = &label.as_bytes()[..label.len().min(LONGEST_LABEL)];
            bytes.push(label.len() as u8);
            bytes.extend(label);
        }
        bytes.push(0);
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn lists_end_with_their_octets_or_with_padding() {
        let bytes = b"\x07example\x03net\0\x03lab\x07example\x04test\0";
        let names = ["example.net".to_owned(), "lab.example.test".to_owned()];
        assert_eq!(parse(bytes, false).unwrap(), names);
        assert_eq!(emit(&names), bytes);
        let padded = [&bytes[..], &[0; 5]].concat();
        assert_eq!(parse(&padded, true).unwrap(), names);
        assert_eq!(parse(&padded, false), None);
        for end in 1..bytes.len() {
            assert_eq!(parse(&bytes[..end], false).is_some(), end == 13, "{end}");
        }
        for wrong in [&b"\x40a\0"[..], b"\x03a.b\0", b"\x01 \0", &[b"\x3f".as_slice(), &[b'a'; 63]].concat().repeat(4)] {
            assert_eq!(parse(wrong, true), None);
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(names in prop::collection::vec("[a-z0-9_-]{1,63}(\\.[A-Za-z0-9]{1,20}){0,4}", 0..4)) {
            prop_assert_eq!(parse(&emit(&names), false).unwrap(), names);
        }

        #[test]
        fn no_octets_make_it_stumble(bytes: Vec<u8>, padded: bool) {
            if let Some(names) = parse(&bytes, padded) {
                prop_assert_eq!(parse(&emit(&names), padded), Some(names));
            }
        }
    }
}
