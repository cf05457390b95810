//! Where a decoder can begin, for streams that do not set the random-access indicator: by the start codes of the video itself.
//!
//! MPEG-2: a sequence header (ISO/IEC 13818-2). AVC: a sequence parameter set or an IDR picture (H.264 table 7-1). HEVC: a parameter set or a picture of
//! types 16 to 21 (H.265 table 7-1). All from memory. Only the first octets of a picture are looked at.

/// Whether an access unit that begins so can be decoded without those before it. False for kinds that are not known.
pub(super) fn is_random_access(kind: u8, octets: &[u8]) -> bool {
    let begins = |code: u8| match kind {
        0x01 | 0x02 => code == 0xb3,
        0x1b => matches!(code & 0x1f, 5 | 7),
        0x24 => matches!(code >> 1 & 0x3f, 16..=21 | 32 | 33),
        _ => false,
    };
    octets.windows(4).any(|at| at[..3] == [0, 0, 1] && begins(at[3]))
}

#[cfg(test)]
mod tests {
    use super::is_random_access;

    #[test]
    fn each_coding_has_its_codes() {
        for (kind, code, is) in [
            (0x02, 0xb3, true),
            (0x02, 0x00, false),
            (0x1b, 0x67, true),
            (0x1b, 0x65, true),
            (0x1b, 0x41, false),
            (0x24, 0x40, true),
            (0x24, 0x26, true),
            (0x24, 0x02, false),
            (0x03, 0xb3, false),
        ] {
            assert_eq!(is_random_access(kind, &[9, 0, 0, 0, 1, code, 1]), is, "{kind:x} {code:x}");
        }
        assert!(!is_random_access(2, &[0, 0, 1]));
    }
}
