//! Repair packets beside media in RTP: recognised, not decoded.
//!
//! ```text
//! RFC 5109    | E 0, L, P X CC | M PT | SN base 2 | TS 4 | length 2 | level: octets 2, mask 2 or 6, repair | ...
//! column/row  | SN base 2 | length 2 | E 1, PT | mask 3 | TS 4 | N D type 3 index 3 | offset 1 | NA 1 | SN base ext 1 | repair
//! RFC 8627    | R F P X CC | M PT | length 2 | TS 4 | per source: SN base 2, then mask (F 0) or L 1, D 1 (F 1) | repair
//! ```
//!
//! The second is that of the Pro-MPEG forum, later SMPTE 2022-1, on the media's port + 2 (columns) and + 4 (rows): fields and ports
//! from memory, as is RFC 6015, which has the same header; the layout was held against a public reader's documentation.
//! The catch: no fixed payload type says what a packet is. So each form must be whole and lie near the media that it repairs.

use super::{MP2T, Packet};

/// What kind of repair a packet carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Fec {
    /// Uneven level protection (RFC 5109).
    UnevenLevel,
    /// Parity over a column: packets a row's length apart (Pro-MPEG, SMPTE 2022-1, RFC 6015).
    Column,
    /// Parity over a row: packets one behind the other.
    Row,
    /// Flexible parity (RFC 8627).
    Flexible,
}

/// The media beside which it was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Media {
    /// Its synchronisation source.
    pub ssrc: u32,
    /// Its latest sequence number.
    pub sequence: u16,
}

/// How far from the media's latest packet the first repaired one may lie: twice the most that 2022-1 allows in a block, and the delay of a
/// block in front of its repair *(ours)*.
const NEAR: u16 = 3000;

impl Media {
    fn is_near(self, base: u16) -> bool {
        self.sequence.wrapping_sub(base) <= NEAR || base.wrapping_sub(self.sequence) <= NEAR
    }
}

/// What a packet repairs the media by; `None` when it is none of these.
pub fn recognise(packet: &Packet<'_>, media: Media) -> Option<Fec> {
    if packet.header.payload_type == MP2T {
        return None;
    }
    let at = packet.payload;
    if packet.contributors().any(|source| source == media.ssrc) && is_flexible(at, packet.csrc.len(), media) {
        Some(Fec::Flexible)
    } else if let Some(direction) = parity(at, media) {
        Some(direction)
    } else {
        is_uneven(at, media).then_some(Fec::UnevenLevel)
    }
}

fn word(at: &[u8], from: usize) -> Option<u16> {
    Some(u16::from_be_bytes([*at.get(from)?, *at.get(from + 1)?]))
}

/// SMPTE 2022-1 and RFC 6015: extended, no mask, parity, and a block that is not empty.
fn parity(at: &[u8], media: Media) -> Option<Fec> {
    let header = at.first_chunk::<16>()?;
    let is_extended = header[4] & 0x80 != 0;
    let has_mask = header[5..8] != [0; 3];
    let [.., flags, offset, count, _] = *header;
    // N is 0, type 0 is parity, index 0.
    if !is_extended || has_mask || flags & 0xbf != 0 || offset == 0 || count == 0 || !media.is_near(word(at, 0)?) {
        return None;
    }
    Some(if flags & 0x40 != 0 { Fec::Row } else { Fec::Column })
}

/// RFC 5109 sections 7.3 and 7.4: not extended, and levels that fill the payload exactly.
fn is_uneven(at: &[u8], media: Media) -> bool {
    let levels = || {
        let flags = *at.first()?;
        let mask_len = if flags & 0x40 != 0 { 6 } else { 2 };
        let mut left = at.get(10..)?;
        let mut count = 0;
        while !left.is_empty() {
            let protected = usize::from(word(left, 0)?);
            let mask = left.get(2..2 + mask_len)?;
            if mask.iter().all(|octet| *octet == 0) || protected == 0 {
                return None;
            }
            left = left.get(2 + mask_len + protected..)?;
            count += 1;
        }
        (flags & 0x80 == 0 && count > 0 && media.is_near(word(at, 2)?)).then_some(())
    };
    levels().is_some()
}

/// RFC 8627 section 4.2.2: with R = 1 a packet sent again, else rows and columns (F = 1) or masks (F = 0).
fn is_flexible(at: &[u8], sources: usize, media: Media) -> bool {
    let whole = || {
        let flags = *at.first()?;
        match flags >> 6 {
            0b10 => (at.len() >= 12).then_some(()),
            0b01 => (0..sources).find_map(|one| {
                let [columns, near] = [*at.get(8 + one * 4 + 2)?, u8::from(media.is_near(word(at, 8 + one * 4)?))];
                (columns > 0 && near > 0).then_some(())
            }),
            0b00 => {
                let mask = word(at, 10)?;
                (mask & 0x7fff != 0 || mask & 0x8000 == 0).then_some(())?;
                media.is_near(word(at, 8)?).then_some(())
            }
            _ => None,
        }
    };
    whole().is_some()
}

#[cfg(test)]
mod tests {
    use super::super::Header;
    use super::*;

    const MEDIA: Media = Media { ssrc: 0x1122_3344, sequence: 1000 };

    fn of(payload: &[u8], csrc: &[[u8; 4]]) -> Option<Fec> {
        let header = Header { payload_type: 96, sequence: 7, ssrc: 0, ..Header::default() };
        recognise(&Packet { header, csrc, extension: None, payload, padding: 0 }, MEDIA)
    }

    /// By the figures of SMPTE 2022-1 from memory: a block of 10 columns and 5 rows.
    fn smpte(base: u16, is_row: bool) -> Vec<u8> {
        let [b0, b1] = base.to_be_bytes();
        let (flags, offset, count) = if is_row { (0x40, 1, 10) } else { (0, 10, 5) };
        let mut octets = vec![b0, b1, 5, 0x24, 0x80 | 33, 0, 0, 0, 1, 2, 3, 4, flags, offset, count, 0];
        octets.extend([0xa5; 1316]);
        octets
    }

    #[test]
    fn columns_and_rows_are_told_apart_and_belong_to_the_media_beside() {
        assert_eq!(of(&smpte(950, false), &[]), Some(Fec::Column));
        assert_eq!(of(&smpte(990, true), &[]), Some(Fec::Row));
        assert_eq!(of(&smpte(20_000, true), &[]), None, "of some other media");
        let mut masked = smpte(950, false);
        masked[6] = 1;
        assert_eq!(of(&masked, &[]), None);
    }

    #[test]
    fn uneven_levels_fill_their_packet() {
        // RFC 5109 section 7: ten octets, then a level of 20 octets over two packets and one of 6 over three.
        let head = [0x00, 33, 3, 0xe0, 0, 0, 0, 9, 0, 60];
        let levels = [&[0, 20, 0xc0, 0][..], &[1; 20], &[0, 6, 0xe0, 0], &[2; 6]].concat();
        let whole = [&head[..], &levels].concat();
        assert_eq!(of(&whole, &[]), Some(Fec::UnevenLevel));
        assert_eq!(of(&whole[..whole.len() - 1], &[]), None);
        let long_mask = [&[0x40, 33, 3, 0xe0, 0, 0, 0, 9, 0, 60, 0, 2, 0x80, 0, 0, 0, 0, 0][..], &[7; 2]].concat();
        assert_eq!(of(&long_mask, &[]), Some(Fec::UnevenLevel));
    }

    #[test]
    fn flexible_repair_names_its_source() {
        let csrc = [MEDIA.ssrc.to_be_bytes()];
        let fixed = [&[0x40, 33, 0, 9, 0, 0, 0, 1, 3, 0xe0, 10, 5][..], &[0; 100]].concat();
        assert_eq!(of(&fixed, &csrc), Some(Fec::Flexible));
        assert_ne!(of(&fixed, &[[9; 4]]), Some(Fec::Flexible));
        let masked = [&[0x00, 33, 0, 9, 0, 0, 0, 1, 3, 0xe0, 0x80 | 0x60, 0][..], &[0; 100]].concat();
        assert_eq!(of(&masked, &csrc), Some(Fec::Flexible));
        let again = [&[0x80, 33, 3, 0xe8, 0, 0, 0, 1, 1, 2, 3, 4][..], &[0; 100]].concat();
        assert_eq!(of(&again, &csrc), Some(Fec::Flexible));
    }

    #[test]
    fn media_and_noise_are_no_repair() {
        let header = Header { payload_type: MP2T, ..Header::default() };
        let payload = smpte(950, false);
        assert_eq!(recognise(&Packet { header, csrc: &[], extension: None, payload: &payload, padding: 0 }, MEDIA), None);
        for len in 0..40 {
            assert_eq!(of(&vec![0; len], &[]), None, "{len}");
        }
    }
}
