//! SHA-256 (FIPS 180-4) and octets as hexadecimal digits, spelled the same way everywhere.

use std::fmt::Write as _;

use ring::digest::{SHA256, digest};

/// SHA-256 of octets.
pub fn sha256(octets: &[u8]) -> [u8; 32] {
    let mut out = [0; 32];
    out.copy_from_slice(digest(&SHA256, octets).as_ref());
    out
}

/// The same in words, as records have it: `sha256:` and 64 hexadecimal digits.
pub fn sha256_words(octets: &[u8]) -> String {
    format!("sha256:{}", hexadecimal(&sha256(octets)))
}

/// Octets as small hexadecimal digits, two each.
pub fn hexadecimal(octets: &[u8]) -> String {
    octets.iter().fold(String::with_capacity(octets.len() * 2), |mut text, octet| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{octet:02x}");
        text
    })
}

/// Octets from hexadecimal digits, small or large; `None` for anything else and for an odd number of digits.
pub fn from_hexadecimal(digits: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> = digits.chars().map(|c| c.to_digit(16).map(|digit| digit as u8)).collect::<Option<_>>()?;
    digits.len().is_multiple_of(2).then(|| digits.chunks_exact(2).map(|pair| pair[0] << 4 | pair[1]).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_come_back_as_octets_and_nothing_else_does() {
        assert_eq!(from_hexadecimal("00fFa5"), Some(vec![0, 255, 165]));
        assert_eq!(hexadecimal(&[0, 255, 165]), "00ffa5");
        assert_eq!([from_hexadecimal("abc"), from_hexadecimal("0g"), from_hexadecimal("é0")], [None, None, None]);
    }

    #[test]
    fn the_digest_is_that_of_the_text() {
        // FIPS 180-4 test vector of the three letters "abc".
        assert_eq!(sha256_words(b"abc"), "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
