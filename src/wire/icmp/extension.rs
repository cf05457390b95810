//! Extensions of ICMP errors (RFC 4884) and the MPLS label stack in them (RFC 4950).
//!
//! ```text
//! |version|      reserved         |           checksum            |   extension header
//! |            length             |   class-num   |    c-type     |   object header, length includes it
//! |                object payload ...                             |
//! ```

use super::Flaw;
use crate::wire::checksum::internet;

/// Octets to which the quoted packet is padded at least when extensions follow (RFC 4884 section 3).
pub const QUOTE_LEN: usize = 128;

const HEADER_LEN: usize = 4;
const VERSION: u8 = 2;
/// Class and type of an incoming MPLS label stack (RFC 4950 section 3).
const MPLS: (u8, u8) = (1, 1);

/// The extension objects of one error, in the order sent.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Extensions {
    /// The objects.
    pub objects: Vec<Object>,
}

/// One extension object.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Object {
    /// The MPLS label stack with which the packet came in, top first.
    MplsStack(Vec<MplsEntry>),
    /// An object of another class, kept as it is.
    Unknown {
        /// Class-Num.
        class: u8,
        /// C-Type.
        kind: u8,
        /// Payload.
        payload: Vec<u8>,
    },
}

/// One entry of a label stack (RFC 3032 section 2.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MplsEntry {
    /// Label, 20 bits.
    pub label: u32,
    /// Traffic class, 3 bits (once "experimental").
    pub traffic_class: u8,
    /// Bottom of stack.
    pub bottom: bool,
    /// TTL.
    pub ttl: u8,
}

impl MplsEntry {
    fn from_word(word: [u8; 4]) -> Self {
        let value = u32::from_be_bytes(word);
        Self { label: value >> 12, traffic_class: (value >> 9 & 7) as u8, bottom: value & 0x100 != 0, ttl: value as u8 }
    }

    fn to_word(self) -> [u8; 4] {
        ((self.label & 0xf_ffff) << 12
            | u32::from(self.traffic_class & 7) << 9
            | u32::from(self.bottom) << 8
            | u32::from(self.ttl))
        .to_be_bytes()
    }
}

impl Extensions {
    /// True without any object.
    pub fn is_empty(&self) -> bool {
        self.objects.is_empty()
    }

    /// All entries of all label stacks.
    pub fn mpls(&self) -> impl Iterator<Item = MplsEntry> {
        self.objects.iter().filter_map(|o| if let Object::MplsStack(stack) = o { Some(stack) } else { None }).flatten().copied()
    }

    /// Writes the whole extension structure with its checksum.
    pub fn emit(&self) -> Vec<u8> {
        let mut bytes = vec![VERSION << 4, 0, 0, 0];
        for object in &self.objects {
            let (class, kind, payload) = match object {
                Object::MplsStack(stack) => (MPLS.0, MPLS.1, stack.iter().flat_map(|e| e.to_word()).collect()),
                Object::Unknown { class, kind, payload } => (*class, *kind, payload.clone()),
            };
            bytes.extend(u16::try_from(HEADER_LEN + payload.len()).unwrap_or(u16::MAX).to_be_bytes());
            bytes.extend([class, kind]);
            bytes.extend(payload);
        }
        let checksum = internet(&bytes);
        bytes[2..4].copy_from_slice(&checksum.to_be_bytes());
        bytes
    }
}

/// Splits the body of an error into the quoted packet and the extensions behind it.
pub(super) fn split<'a>(body: &'a [u8], length: usize, tolerant: bool, flaws: &mut Vec<Flaw>) -> (&'a [u8], Extensions) {
    if length > 0 {
        if length < QUOTE_LEN || length > body.len() {
            flaws.push(Flaw::QuoteLength(length));
        }
        return match body.split_at_checked(length) {
            // The whole body may be quote: then the length says only that there is no padding.
            Some((quote, [])) => (quote, Extensions::default()),
            Some((quote, rest)) => (quote, parse(rest, flaws)),
            None => (body, Extensions::default()),
        };
    }
    // RFC 4884 section 5.5: routers of before it put the structure behind 128 octets without telling. Only a valid
    // version and a checksum that is present and right make it one.
    if tolerant
        && let Some((quote, rest)) = body.split_at_checked(QUOTE_LEN)
        && rest.len() >= HEADER_LEN
        && rest[0] >> 4 == VERSION
        && rest[2..4] != [0, 0]
        && internet(rest) == 0
    {
        return (quote, parse(rest, flaws));
    }
    (body, Extensions::default())
}

/// Reads the extension structure as far as it is sound.
pub(super) fn parse(bytes: &[u8], flaws: &mut Vec<Flaw>) -> Extensions {
    let mut found = Extensions::default();
    let Some((header, mut rest)) = bytes.split_first_chunk::<HEADER_LEN>() else {
        flaws.push(Flaw::ExtensionObjectLength(u16::try_from(bytes.len()).unwrap_or(u16::MAX)));
        return found;
    };
    if header[0] >> 4 != VERSION {
        flaws.push(Flaw::ExtensionVersion(header[0] >> 4));
        return found;
    }
    // RFC 4884 section 7: zero means that no checksum was sent.
    if header[2..4] != [0, 0] && internet(bytes) != 0 {
        flaws.push(Flaw::ExtensionChecksum);
        return found;
    }
    while !rest.is_empty() {
        let length = rest.get(..2).map_or(0, |l| u16::from_be_bytes([l[0], l[1]]));
        let Some((object, behind)) = rest.split_at_checked(usize::from(length)).filter(|(o, _)| o.len() >= HEADER_LEN) else {
            flaws.push(Flaw::ExtensionObjectLength(length));
            break;
        };
        rest = behind;
        let (class, kind, payload) = (object[2], object[3], &object[HEADER_LEN..]);
        let (words, ragged) = payload.as_chunks::<4>();
        if (class, kind) == MPLS && ragged.is_empty() {
            found.objects.push(Object::MplsStack(words.iter().map(|w| MplsEntry::from_word(*w)).collect()));
        } else {
            found.objects.push(Object::Unknown { class, kind, payload: payload.to_vec() });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Labels of RFC 4950 figure 1; the octets follow from sections 2 and 3 by hand.
    const LABELS: [(u32, [u8; 12]); 2] = [
        (100_048, [0x20, 0, 0xc5, 0x88, 0, 8, 1, 1, 0x18, 0x6d, 1, 1]),
        (100_016, [0x20, 0, 0xc5, 0x8a, 0, 8, 1, 1, 0x18, 0x6b, 1, 1]),
    ];

    #[test]
    fn label_stacks_of_rfc_4950_are_read_and_written() {
        for (label, bytes) in LABELS {
            let entry = MplsEntry { label, traffic_class: 0, bottom: true, ttl: 1 };
            let extensions = Extensions { objects: vec![Object::MplsStack(vec![entry])] };
            let mut flaws = Vec::new();
            assert_eq!(parse(&bytes, &mut flaws), extensions);
            assert_eq!(flaws, []);
            assert_eq!(extensions.emit(), bytes);
            assert_eq!(extensions.mpls().collect::<Vec<_>>(), [entry]);
        }
    }

    #[test]
    fn a_zero_checksum_is_none_and_a_wrong_one_refuses_all() {
        let mut bytes = LABELS[0].1;
        bytes[2..4].fill(0);
        let mut flaws = Vec::new();
        assert_eq!(parse(&bytes, &mut flaws).objects.len(), 1);
        assert_eq!(flaws, []);
        bytes[2] = 1;
        assert!(parse(&bytes, &mut flaws).is_empty());
        assert_eq!(flaws, [Flaw::ExtensionChecksum]);
    }

    #[test]
    fn objects_that_do_not_fit_end_the_walk() {
        for (length, kept) in [([0, 0], 0), ([0, 3], 0), ([0, 9], 0), ([0xff, 0xff], 0), ([0, 8], 1)] {
            let mut bytes = LABELS[0].1;
            bytes[2..4].fill(0);
            bytes[4..6].copy_from_slice(&length);
            let mut flaws = Vec::new();
            assert_eq!(parse(&bytes, &mut flaws).objects.len(), kept, "{length:?}");
            assert_eq!(flaws.is_empty(), kept == 1);
        }
    }

    #[test]
    fn extensions_without_a_length_are_read_only_when_tolerant() {
        let mut body = vec![0x45; QUOTE_LEN];
        body.extend(LABELS[0].1);
        let mut flaws = Vec::new();
        assert!(split(&body, 0, false, &mut flaws).1.is_empty());
        let (quote, extensions) = split(&body, 0, true, &mut flaws);
        assert_eq!((quote.len(), extensions.objects.len()), (QUOTE_LEN, 1));
        assert_eq!(flaws, []);
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            stack in prop::collection::vec((0..1_u32 << 20, 0..8_u8, any::<bool>(), any::<u8>()), 0..6),
            other in prop::collection::vec((2..=255_u8, any::<u8>(), prop::collection::vec(any::<u8>(), 0..40)), 0..4),
        ) {
            let stack = stack.into_iter()
                .map(|(label, traffic_class, bottom, ttl)| MplsEntry { label, traffic_class, bottom, ttl }).collect();
            let mut objects = vec![Object::MplsStack(stack)];
            objects.extend(other.into_iter().map(|(class, kind, payload)| Object::Unknown { class, kind, payload }));
            let extensions = Extensions { objects };
            let mut flaws = Vec::new();
            prop_assert_eq!(parse(&extensions.emit(), &mut flaws), extensions);
            prop_assert!(flaws.is_empty());
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..300), length: u8, tolerant: bool) {
            split(&bytes, usize::from(length), tolerant, &mut Vec::new());
            parse(&bytes, &mut Vec::new());
        }
    }
}
