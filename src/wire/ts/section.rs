//! Sections of tables: their frame, number and CRC-32, ISO/IEC 13818-1 clauses 2.4.4 and annex A (from memory).
//!
//! ```text
//! | table 1 | syntax 1, private 1, 2 bits, length 12 | extension 2 | 2 bits, version 5, current 1 | number 1 | last 1 | body | CRC 4 |
//! ```
//!
//! It knows no table. Only sections with that long head are read; the short ones carry nothing that is needed here.

/// Longest section of a program table: a length of 1021 and the three octets before (clause 2.4.4.1).
pub const LONGEST: usize = 1024;
/// Octets before the length counts.
pub const BEFORE_LENGTH: usize = 3;
/// Octets of the head.
const HEAD: usize = 8;
const CRC: usize = 4;

/// A section.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Section<'a> {
    /// Which table.
    pub table_id: u8,
    /// The stream's number in a program association table, the program's in a program map table.
    pub extension: u16,
    /// Version of the table, 5 bits.
    pub version: u8,
    /// False for a table that will hold later.
    pub is_current: bool,
    /// Its number among the table's sections.
    pub number: u8,
    /// The last number.
    pub last_number: u8,
    /// The table's own part.
    pub body: &'a [u8],
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends before its length says.
    #[error("section ends after {len} of {wanted} octets")]
    Truncated {
        /// Octets that there are.
        len: usize,
        /// Octets that there must be.
        wanted: usize,
    },
    /// Has the short head, or a length too small for the long one.
    #[error("section of table {0:#04x} has no long head")]
    Short(u8),
    /// The CRC is wrong.
    #[error("section of table {table_id:#04x} has a wrong CRC")]
    Crc {
        /// Which table.
        table_id: u8,
    },
}

/// Octets of the section that begins here; `None` where that can't be seen yet.
pub fn length(bytes: &[u8]) -> Option<usize> {
    let [_, high, low, ..] = *bytes else { return None };
    Some(BEFORE_LENGTH + usize::from(u16::from_be_bytes([high & 0x0f, low])))
}

impl<'a> Section<'a> {
    /// Reads the section that begins here; octets behind its end are left alone.
    ///
    /// # Errors
    /// When it can't be read.
    pub fn parse(bytes: &'a [u8]) -> Result<Self, Error> {
        let wanted = length(bytes).ok_or(Error::Truncated { len: bytes.len(), wanted: BEFORE_LENGTH })?;
        let whole = bytes.get(..wanted).ok_or(Error::Truncated { len: bytes.len(), wanted })?;
        let short = Error::Short(bytes[0]);
        if bytes[1] & 0x80 == 0 {
            return Err(short);
        }
        let (head, rest) = whole.split_first_chunk::<HEAD>().ok_or(short)?;
        let body_len = rest.len().checked_sub(CRC).ok_or(short)?;
        if crc32(whole) != 0 {
            return Err(Error::Crc { table_id: head[0] });
        }
        let [table_id, _, _, e0, e1, version, number, last_number] = *head;
        Ok(Self {
            table_id,
            extension: u16::from_be_bytes([e0, e1]),
            version: version >> 1 & 0x1f,
            is_current: version & 1 != 0,
            number,
            last_number,
            body: &rest[..body_len],
        })
    }

    /// Writes it with its CRC. A body that the length can't count is cut.
    pub fn emit(&self) -> Vec<u8> {
        let body = &self.body[..self.body.len().min(0xfff - (HEAD - BEFORE_LENGTH) - CRC)];
        let length = (HEAD - BEFORE_LENGTH + body.len() + CRC) as u16;
        let mut bytes = vec![self.table_id];
        bytes.extend((0xb000 | length).to_be_bytes());
        bytes.extend(self.extension.to_be_bytes());
        bytes.extend([0xc0 | (self.version & 0x1f) << 1 | u8::from(self.is_current), self.number, self.last_number]);
        bytes.extend(body);
        bytes.extend(crc32(&bytes).to_be_bytes());
        bytes
    }
}

/// Remainders of each octet by the polynomial of annex A, 04c11db7.
const REMAINDERS: [u32; 256] = {
    let mut table = [0; 256];
    let mut octet = 0;
    while octet < 256 {
        let mut value = (octet as u32) << 24;
        let mut bit = 0;
        while bit < 8 {
            value = if value & 0x8000_0000 != 0 { value << 1 ^ 0x04c1_1db7 } else { value << 1 };
            bit += 1;
        }
        table[octet] = value;
        octet += 1;
    }
    table
};

/// The CRC of annex A: begins with all ones, nothing is turned round; over a whole section it is 0.
pub fn crc32(bytes: &[u8]) -> u32 {
    bytes.iter().fold(u32::MAX, |crc, octet| crc << 8 ^ REMAINDERS[usize::from((crc >> 24) as u8 ^ octet)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_crc_of_the_usual_check_string() {
        // Check value of CRC-32/MPEG-2 over "123456789" in catalogues of CRCs (common practice, from memory).
        assert_eq!(crc32(b"123456789"), 0x0376_e6e7);
    }

    fn sample(body: &[u8]) -> Section<'_> {
        Section { table_id: 2, extension: 0x1234, version: 5, is_current: true, number: 0, last_number: 1, body }
    }

    #[test]
    fn a_cut_or_changed_section_is_refused() {
        let whole = sample(&[1, 2, 3]).emit();
        assert_eq!(Section::parse(&whole), Ok(sample(&[1, 2, 3])));
        assert_eq!(Section::parse(&[whole.as_slice(), &[0xff; 9]].concat()), Ok(sample(&[1, 2, 3])), "stuffing behind it");
        for end in 0..whole.len() {
            assert!(matches!(Section::parse(&whole[..end]), Err(Error::Truncated { .. })), "{end}");
        }
        for at in 0..whole.len() * 8 {
            let mut changed = whole.clone();
            changed[at / 8] ^= 1 << (at % 8);
            assert!(Section::parse(&changed).is_err(), "bit {at}");
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(table_id: u8, extension: u16, version in 0..32u8, is_current: bool, number: u8, body: Vec<u8>) {
            let section = Section { table_id, extension, version, is_current, number, last_number: 255, body: &body };
            let bytes = section.emit();
            prop_assert_eq!(Section::parse(&bytes), Ok(section));
        }

        #[test]
        fn no_octets_make_it_stumble(bytes: Vec<u8>) {
            let _ = Section::parse(&bytes);
        }
    }
}
