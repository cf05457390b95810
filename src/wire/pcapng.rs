//! Capture files that any analyser opens: pcapng (draft-ietf-opsawg-pcapng), written block by block.
//!
//! ```text
//! | block type 4 | total length 4 | body, padded to 4 | total length 4 |
//! ```
//!
//! It writes little endian and counts time in nanoseconds. It must not know files or frames.

/// Block types (section 4 and its registry).
const SECTION: u32 = 0x0a0d_0d0a;
const INTERFACE: u32 = 1;
const STATISTICS: u32 = 5;
const ENHANCED_PACKET: u32 = 6;
const BYTE_ORDER_MAGIC: u32 = 0x1a2b_3c4d;
/// LINKTYPE_ETHERNET.
const ETHERNET: u16 = 1;

/// Option codes: of every block, then of the block that they stand in.
const COMMENT: u16 = 1;
const SECTION_APPLICATION: u16 = 4;
const INTERFACE_NAME: u16 = 2;
const INTERFACE_RESOLUTION: u16 = 9;
const PACKET_FLAGS: u16 = 2;
const STATISTICS_DROPS: u16 = 5;

/// Which way a frame went through the port.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// It came in.
    In,
    /// It went out.
    Out,
}

/// A frame to be written.
#[derive(Debug, Clone, Copy)]
pub struct Packet<'a> {
    /// Nanoseconds since 1970, UTC.
    pub at_ns: u64,
    /// Which way.
    pub way: Way,
    /// Its octets from the destination address on, without frame check sequence.
    pub octets: &'a [u8],
    /// Octets that it had on the wire.
    pub whole_len: u32,
    /// A remark.
    pub comment: Option<&'a str>,
}

/// The head of a file with one Ethernet port: what wrote it, a remark, the port's name.
pub fn head(application: &str, comment: &str, interface: &str) -> Vec<u8> {
    let mut section = Vec::new();
    section.extend(BYTE_ORDER_MAGIC.to_le_bytes());
    section.extend(1_u16.to_le_bytes());
    section.extend(0_u16.to_le_bytes());
    // Length of the section: not known while it is written.
    section.extend(u64::MAX.to_le_bytes());
    option(&mut section, COMMENT, comment.as_bytes());
    option(&mut section, SECTION_APPLICATION, application.as_bytes());
    end_of_options(&mut section);
    let mut port = Vec::new();
    port.extend(ETHERNET.to_le_bytes());
    port.extend([0; 2]);
    // No limit on the octets of a frame.
    port.extend(0_u32.to_le_bytes());
    option(&mut port, INTERFACE_NAME, interface.as_bytes());
    option(&mut port, INTERFACE_RESOLUTION, &[9]);
    end_of_options(&mut port);
    [block(SECTION, &section), block(INTERFACE, &port)].concat()
}

/// One frame.
pub fn packet(packet: &Packet<'_>) -> Vec<u8> {
    let Packet { at_ns, way, octets, whole_len, comment } = *packet;
    let mut body = Vec::with_capacity(octets.len() + 64);
    body.extend(0_u32.to_le_bytes());
    body.extend(((at_ns >> 32) as u32).to_le_bytes());
    body.extend((at_ns as u32).to_le_bytes());
    body.extend((octets.len() as u32).to_le_bytes());
    body.extend(whole_len.to_le_bytes());
    padded(&mut body, octets);
    comment.iter().for_each(|text| option(&mut body, COMMENT, text.as_bytes()));
    let flags = match way {
        Way::In => 1_u32,
        Way::Out => 2,
    };
    option(&mut body, PACKET_FLAGS, &flags.to_le_bytes());
    end_of_options(&mut body);
    block(ENHANCED_PACKET, &body)
}

/// The end: frames that were not written for want of room in the receive queue, and a remark.
pub fn end(at_ns: u64, drops: u64, comment: &str) -> Vec<u8> {
    let mut body = Vec::new();
    body.extend(0_u32.to_le_bytes());
    body.extend(((at_ns >> 32) as u32).to_le_bytes());
    body.extend((at_ns as u32).to_le_bytes());
    option(&mut body, COMMENT, comment.as_bytes());
    option(&mut body, STATISTICS_DROPS, &drops.to_le_bytes());
    end_of_options(&mut body);
    block(STATISTICS, &body)
}

fn block(kind: u32, body: &[u8]) -> Vec<u8> {
    let length = (body.len() as u32 + 12).to_le_bytes();
    [&kind.to_le_bytes(), &length, body, &length].concat()
}

/// Appends an option; what does not fit its length of 16 bits is cut.
fn option(body: &mut Vec<u8>, code: u16, value: &[u8]) {
    let value = &value[..value.len().min(usize::from(u16::MAX))];
    body.extend(code.to_le_bytes());
    body.extend((value.len() as u16).to_le_bytes());
    padded(body, value);
}

fn end_of_options(body: &mut Vec<u8>) {
    body.extend([0; 4]);
}

fn padded(body: &mut Vec<u8>, octets: &[u8]) {
    body.extend(octets);
    body.resize(body.len().next_multiple_of(4), 0);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_frame_is_written_as_the_draft_draws_it() {
        let written = packet(&Packet {
            at_ns: 0x0102_0304_0506_0708,
            way: Way::Out,
            octets: &[0xaa; 5],
            whole_len: 60,
            comment: Some("x"),
        });
        // Section 4.3, figure "Enhanced Packet Block"; written down by hand.
        let wanted: [&[u8]; 13] = [
            &[6, 0, 0, 0],
            &[60, 0, 0, 0],
            &[0, 0, 0, 0],
            &[4, 3, 2, 1],
            &[8, 7, 6, 5],
            &[5, 0, 0, 0],
            &[60, 0, 0, 0],
            &[0xaa, 0xaa, 0xaa, 0xaa, 0xaa, 0, 0, 0],
            &[1, 0, 1, 0, b'x', 0, 0, 0],
            &[2, 0, 4, 0],
            &[2, 0, 0, 0],
            &[0, 0, 0, 0],
            &[60, 0, 0, 0],
        ];
        assert_eq!(written, wanted.concat());
    }

    /// Walks a file as a reader does that knows no block: type and body.
    fn blocks(mut file: &[u8]) -> Vec<(u32, &[u8])> {
        let mut found = Vec::new();
        while !file.is_empty() {
            let number = |at: usize| u32::from_le_bytes(file[at..at + 4].try_into().expect("four"));
            let length = number(4) as usize;
            assert!(length.is_multiple_of(4) && length >= 12 && number(length - 4) as usize == length);
            found.push((number(0), &file[8..length - 4]));
            file = &file[length..];
        }
        found
    }

    #[test]
    fn a_file_begins_with_its_section_and_its_port() {
        let file = [head("doorstep 0", "masked", "lan0"), end(5, 7, "done")].concat();
        let kinds: Vec<u32> = blocks(&file).iter().map(|(kind, _)| *kind).collect();
        assert_eq!(kinds, [SECTION, INTERFACE, STATISTICS]);
        assert_eq!(&file[8..12], &[0x4d, 0x3c, 0x2b, 0x1a], "the magic tells the order of octets");
    }

    proptest! {
        #[test]
        fn blocks_stay_aligned_whatever_they_hold(octets in prop::collection::vec(any::<u8>(), 0..200), comment in ".{0,40}") {
            let at_ns = 1_700_000_000_123_456_789;
            let one = packet(&Packet { at_ns, way: Way::In, octets: &octets, whole_len: 1514, comment: Some(&comment) });
            let file = [head("a", &comment, "b"), one, end(at_ns, 0, &comment)].concat();
            let read = blocks(&file);
            prop_assert_eq!(read.len(), 4);
            prop_assert_eq!(&read[2].1[20..20 + octets.len()], &octets[..]);
        }
    }
}
