//! The start of a PES packet: whose it is and when it is to be shown, ISO/IEC 13818-1 clause 2.4.3.6 (from memory).
//!
//! ```text
//! | 000001 | stream 1 | length 2 | 10, scrambling 2, priority, alignment, copyright, original | PTS DTS 2, 6 flags | header length 1 | PTS 5 | DTS 5 | ...
//! ```
//!
//! It knows no coding.

/// Stamps count 90 kHz in 33 bits.
pub const WRAP: u64 = 1 << 33;
/// Stream number of the first video and the first audio stream (table 2-22).
pub const VIDEO: u8 = 0xe0;
/// See [`VIDEO`].
pub const AUDIO: u8 = 0xc0;

/// The start of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Start {
    /// Stream number.
    pub stream: u8,
    /// Octets behind the length field; 0 for video of any length.
    pub length: u16,
    /// The payload begins with an access unit.
    pub alignment: bool,
    /// When it is to be shown, in 90 kHz.
    pub pts: Option<u64>,
    /// When it is to be decoded, where that differs.
    pub dts: Option<u64>,
    /// Octets before the payload.
    pub header_len: usize,
}

impl Start {
    /// Reads it; `None` when no PES packet begins here, or it ends inside its header.
    pub fn parse(bytes: &[u8]) -> Option<Self> {
        let ([0, 0, 1, stream, l0, l1], rest) = bytes.split_first_chunk::<6>()? else { return None };
        let mut start = Self { stream: *stream, length: u16::from_be_bytes([*l0, *l1]), header_len: 6, ..Self::default() };
        // Map, padding, private 2, ECM, EMM, directory, DSM-CC and H.222.1 type E have no further head (table 2-21).
        if matches!(stream, 0xbc | 0xbe | 0xbf | 0xf0 | 0xf1 | 0xff | 0xf2 | 0xf8) {
            return Some(start);
        }
        let ([flags, which, header], rest) = rest.split_first_chunk::<3>()?;
        if flags >> 6 != 0b10 {
            return None;
        }
        start.alignment = flags & 0x04 != 0;
        start.header_len = 9 + usize::from(*header);
        let fields = &rest[..rest.len().min(usize::from(*header))];
        let stamp = |at: usize| fields.get(at..)?.first_chunk().and_then(parse_stamp);
        start.pts = if which & 0x80 != 0 { stamp(0) } else { None };
        start.dts = if which >> 6 == 0b11 { stamp(5) } else { None };
        Some(start)
    }

    /// Writes it, up to the payload. `header_len` follows from the stamps.
    pub fn emit(&self) -> Vec<u8> {
        let dts = self.dts.filter(|_| self.pts.is_some());
        let mut bytes = vec![0, 0, 1, self.stream];
        bytes.extend(self.length.to_be_bytes());
        bytes.push(0x80 | u8::from(self.alignment) << 2);
        bytes.push(u8::from(self.pts.is_some()) << 7 | u8::from(dts.is_some()) << 6);
        bytes.push(5 * (u8::from(self.pts.is_some()) + u8::from(dts.is_some())));
        let mark = if dts.is_some() { 0b0011 } else { 0b0010 };
        for (mark, stamp) in [(mark, self.pts), (0b0001, dts)] {
            bytes.extend(stamp.into_iter().flat_map(|stamp| emit_stamp(mark, stamp)));
        }
        bytes
    }
}

/// Four bits of mark, then 3, 15 and 15 bits with a set bit behind each; `None` when one of those is missing.
fn parse_stamp(octets: &[u8; 5]) -> Option<u64> {
    let [b0, b1, b2, b3, b4] = octets.map(u64::from);
    (b0 & b2 & b4 & 1 == 1).then_some((b0 >> 1 & 7) << 30 | b1 << 22 | (b2 >> 1) << 15 | b3 << 7 | b4 >> 1)
}

fn emit_stamp(mark: u8, stamp: u64) -> [u8; 5] {
    let part = |from: u32, bits: u32| (stamp >> from & ((1 << bits) - 1)) as u8;
    [mark << 4 | part(30, 3) << 1 | 1, part(22, 8), part(15, 7) << 1 | 1, part(7, 8), part(0, 7) << 1 | 1]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn stamps_stand_in_their_bits() {
        // By hand: 90 000 is 1 0101 1111 1001 0000 in binary: 0, then 2, then 0x5f90 = 101 1111 1001 0000.
        let start = Start { stream: VIDEO, alignment: true, pts: Some(90_000), header_len: 14, ..Start::default() };
        let bytes = start.emit();
        assert_eq!(bytes, [0, 0, 1, 0xe0, 0, 0, 0x84, 0x80, 5, 0x21, 0, 0x05, 0xbf, 0x21]);
        assert_eq!(Start::parse(&bytes), Some(start));
        assert_eq!(Start::parse(&bytes[..12]).map(|start| start.pts), Some(None), "ends inside its stamp");
        assert_eq!(Start::parse(&bytes[..8]), None);
    }

    #[test]
    fn padding_has_no_further_head() {
        let start = Start::parse(&[0, 0, 1, 0xbe, 0, 2, 0xff, 0xff]).unwrap();
        assert_eq!((start.header_len, start.pts, start.length), (6, None, 2));
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(stream in 0xc0..0xf0u8, length: u16, pts in 0..WRAP, dts in prop::option::of(0..WRAP)) {
            let header_len = if dts.is_some() { 19 } else { 14 };
            let start = Start { stream, length, alignment: false, pts: Some(pts), dts, header_len };
            prop_assert_eq!(Start::parse(&start.emit()), Some(start));
        }

        #[test]
        fn no_octets_make_it_stumble(bytes: Vec<u8>) {
            if let Some(start) = Start::parse(&bytes) {
                start.emit();
            }
        }
    }
}
