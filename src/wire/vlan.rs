//! The VLAN tags that a line is handed over with (IEEE 802.1Q; two of them: IEEE 802.1ad), put on frames and taken off.
//!
//! It knows no payload and no socket. The one catch: a packet socket gets a frame without its outermost tag, which the kernel has
//! put aside; so taking off is asked with that tag beside the frame.

use std::fmt;
use std::str::FromStr;

use super::ethernet::{PROVIDER_TAG, TAG, Tag};

/// Octets of one tag.
pub const TAG_LEN: usize = 4;
/// Octets of the two addresses, behind which the tags stand.
const ADDRESSES_LEN: usize = 12;
/// VLAN numbers are 1 to 4094: 0 is no VLAN, 4095 is reserved (IEEE 802.1Q clause 9.6).
const LAST: u16 = 4094;

/// The tags of a handoff, outer first: none, a customer's, or a provider's with a customer's inside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct TagStack {
    tags: [Tag; 2],
    len: usize,
}

/// Not a handoff's tags.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no VLAN: write a number from 1 to 4094, or outer.inner, for instance 35 or 100.35")]
pub struct NoTagStack(String);

impl FromStr for TagStack {
    type Err = NoTagStack;

    fn from_str(text: &str) -> Result<Self, NoTagStack> {
        let no = || NoTagStack(text.chars().take(40).collect());
        let number = |text: &str| match text.parse::<u16>() {
            Ok(vlan @ 1..=LAST) if text.bytes().all(|b| b.is_ascii_digit()) => Ok(vlan),
            _ => Err(no()),
        };
        match text.split_once('.') {
            None => Ok(Self::single(number(text)?)),
            Some((outer, inner)) => Ok(Self::double(number(outer)?, number(inner)?)),
        }
    }
}

impl fmt::Display for TagStack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.tags() {
            [] => f.write_str("untagged"),
            [only] => write!(f, "{}", only.vlan()),
            tags => write!(f, "{}.{}", tags[0].vlan(), tags[1].vlan()),
        }
    }
}

impl TagStack {
    /// No tag.
    pub const NONE: Self = Self { tags: [Tag { kind: TAG, control: 0 }; 2], len: 0 };

    /// A customer's tag (EtherType 0x8100). Only the lower 12 bits of the number count.
    pub fn single(vlan: u16) -> Self {
        let tag = Tag { kind: TAG, control: vlan & 0x0fff };
        Self { tags: [tag, Self::NONE.tags[1]], len: 1 }
    }

    /// Just this tag, with its kind and priority.
    pub fn of(tag: Tag) -> Self {
        Self { tags: [tag, Self::NONE.tags[1]], len: 1 }
    }

    /// A provider's tag (EtherType 0x88a8) with a customer's inside.
    pub fn double(outer: u16, inner: u16) -> Self {
        let tags = [Tag { kind: PROVIDER_TAG, control: outer & 0x0fff }, Tag { kind: TAG, control: inner & 0x0fff }];
        Self { tags, len: 2 }
    }

    /// The same with a priority (0 to 7) in every tag.
    #[must_use]
    pub fn with_priority(mut self, priority: u8) -> Self {
        for tag in &mut self.tags[..self.len] {
            tag.control = tag.control & 0x0fff | u16::from(priority & 7) << 13;
        }
        self
    }

    /// The tags, outer first.
    pub fn tags(&self) -> &[Tag] {
        &self.tags[..self.len]
    }

    /// Outer and inner VLAN number, 0 where there is none.
    pub fn numbers(&self) -> (u16, u16) {
        let number = |at: usize| self.tags().get(at).map_or(0, |tag| tag.vlan());
        (number(0), number(1))
    }

    /// True when frames have no tag.
    pub fn is_none(&self) -> bool {
        self.len == 0
    }

    /// Octets that the tags add to a frame.
    pub fn octets(&self) -> usize {
        self.len * TAG_LEN
    }

    /// Octets by which an IP packet must be smaller than the port's MTU: one tag may stick out of it, two may not (packet(7)).
    pub fn octets_inside_mtu(&self) -> usize {
        if self.len > 1 { self.octets() } else { 0 }
    }

    /// The tags as they stand in a frame.
    pub fn bytes(&self) -> impl Iterator<Item = u8> {
        self.tags().iter().flat_map(|tag| tag.kind.to_be_bytes().into_iter().chain(tag.control.to_be_bytes()))
    }

    /// The frame with these tags behind its addresses. A frame without both addresses stays as it is.
    pub fn push(&self, frame: &[u8]) -> Vec<u8> {
        let Some((addresses, rest)) = frame.split_at_checked(ADDRESSES_LEN) else { return frame.to_vec() };
        let mut tagged = Vec::with_capacity(frame.len() + self.octets());
        tagged.extend_from_slice(addresses);
        tagged.extend(self.bytes());
        tagged.extend_from_slice(rest);
        tagged
    }

    /// The two parts of a received frame that make the untagged one, when it has just these VLAN numbers: `outermost` was
    /// put aside by the kernel, all others stand in the frame. Kind and priority of a tag do not matter; without tags a bare
    /// priority tag (VLAN 0) is taken off too.
    pub fn strip<'a>(&self, outermost: Option<Tag>, frame: &'a [u8]) -> Option<[&'a [u8]; 2]> {
        let (addresses, mut rest) = frame.split_at_checked(ADDRESSES_LEN)?;
        let mut wanted = self.tags().iter();
        match (outermost.filter(|tag| tag.vlan() != 0), wanted.next()) {
            (None, None) => {}
            (Some(got), Some(want)) if got.vlan() == want.vlan() => {}
            _ => return None,
        }
        for want in wanted {
            let (tag, behind) = rest.split_first_chunk::<TAG_LEN>()?;
            let [k0, k1, c0, c1] = *tag;
            let got = Tag { kind: u16::from_be_bytes([k0, k1]), control: u16::from_be_bytes([c0, c1]) };
            if !matches!(got.kind, TAG | PROVIDER_TAG) || got.vlan() != want.vlan() {
                return None;
            }
            rest = behind;
        }
        // A tag more than the handoff has is another VLAN.
        let is_tagged = rest.first_chunk::<2>().is_some_and(|kind| matches!(u16::from_be_bytes(*kind), TAG | PROVIDER_TAG));
        (!is_tagged).then_some([addresses, rest])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::ethernet::{self, Mac};
    use proptest::prelude::*;

    const FRAME: [u8; 16] = [2, 0, 0x5e, 0, 0, 1, 2, 0, 0x5e, 0, 0, 2, 0x88, 0x63, 0x11, 9];

    #[test]
    fn what_is_typed_is_read_and_nonsense_says_what_to_write() {
        assert_eq!("35".parse(), Ok(TagStack::single(35)));
        assert_eq!("100.35".parse(), Ok(TagStack::double(100, 35)));
        for wrong in ["", "0", "4095", "65536", "-1", "+5", "1.2.3", "a", "35.", ".35", "35.0"] {
            let error = wrong.parse::<TagStack>().expect_err(wrong);
            assert!(error.to_string().contains("1 to 4094"), "{error}");
        }
        let text = |t: TagStack| t.to_string();
        assert_eq!(
            [text(TagStack::NONE), text(TagStack::single(7)), text(TagStack::double(100, 35))],
            ["untagged", "7", "100.35"]
        );
    }

    // IEEE 802.1Q clause 9.6: priority in the top three bits; 802.1ad clause 9.5: the service tag's EtherType is 0x88a8. Both
    // as an independent library writes them in the tests of `ethernet`.
    #[test]
    fn tags_stand_behind_the_addresses_outer_first() {
        let tagged = TagStack::double(100, 35).with_priority(5).push(&FRAME);
        assert_eq!(tagged[..12], FRAME[..12]);
        assert_eq!(tagged[12..20], [0x88, 0xa8, 0xa0, 100, 0x81, 0, 0xa0, 35]);
        assert_eq!(tagged[20..], FRAME[12..]);
        let parsed = ethernet::parse(&tagged).unwrap();
        assert_eq!(parsed.repr.source, Mac([2, 0, 0x5e, 0, 0, 2]));
        assert_eq!(parsed.repr.tags, TagStack::double(100, 35).with_priority(5).tags());
        assert_eq!(TagStack::NONE.push(&FRAME), FRAME);
    }

    #[test]
    fn only_frames_of_the_same_vlan_are_taken() {
        let tag = |vlan| Some(Tag { kind: TAG, control: vlan });
        let whole = Some([&FRAME[..12], &FRAME[12..]]);
        assert_eq!(TagStack::NONE.strip(None, &FRAME), whole);
        assert_eq!(TagStack::NONE.strip(tag(0xe000), &FRAME), whole, "a bare priority");
        assert_eq!(TagStack::NONE.strip(tag(35), &FRAME), None);
        assert_eq!(TagStack::single(35).strip(tag(0x6023), &FRAME), whole, "any priority");
        assert_eq!(TagStack::single(35).strip(tag(36), &FRAME), None);
        assert_eq!(TagStack::single(35).strip(None, &FRAME), None);
        let inner = TagStack::single(35).push(&FRAME);
        assert_eq!(TagStack::double(100, 35).strip(tag(100), &inner), whole);
        assert_eq!(TagStack::double(100, 36).strip(tag(100), &inner), None);
        assert_eq!(TagStack::double(100, 35).strip(tag(100), &FRAME), None);
        assert_eq!(TagStack::single(100).strip(tag(100), &inner), None, "one tag more is another VLAN");
    }

    proptest! {
        #[test]
        fn what_is_pushed_is_stripped(
            outer in 1_u16..4095, inner in 1_u16..4095, priority in 0_u8..8, payload in prop::collection::vec(any::<u8>(), 0..64),
        ) {
            let mut frame = FRAME[..14].to_vec();
            frame.extend(payload);
            let stack = TagStack::double(outer, inner).with_priority(priority);
            let tagged = stack.push(&frame);
            // The kernel's part: the outermost tag is put aside.
            let put_aside = [&tagged[..12], &tagged[16..]].concat();
            prop_assert_eq!(stack.strip(Some(stack.tags()[0]), &put_aside).map(|p| p.concat()), Some(frame));
        }

        #[test]
        fn no_bytes_make_it_panic(bytes: Vec<u8>, control: u16) {
            for stack in [TagStack::NONE, TagStack::single(35), TagStack::double(100, 35)] {
                let _ = (stack.push(&bytes), stack.strip(Some(Tag { kind: TAG, control }), &bytes));
            }
        }

        #[test]
        fn no_text_makes_it_panic(text: String) {
            let _ = text.parse::<TagStack>();
        }
    }
}
