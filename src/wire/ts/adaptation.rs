//! The adaptation field, ISO/IEC 13818-1 clause 2.4.3.4 (from memory).
//!
//! ```text
//! | discontinuity, random access, priority, PCR, OPCR, splice, private, extension: 1 bit each | PCR 6 | OPCR 6 | splice 1 | private 1 + n | ...
//! ```
//!
//! Its length octet stands before it and is the packet's business. Extension and stuffing are skipped.

use super::Pcr;

const PCR: u8 = 0x10;
const OPCR: u8 = 0x08;
const SPLICE: u8 = 0x04;
const PRIVATE: u8 = 0x02;

/// What it says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Adaptation<'a> {
    /// Clock or counter of this PID go on from other values here, and that is meant so.
    pub discontinuity: bool,
    /// A decoder can begin with what starts in this packet.
    pub random_access: bool,
    /// Ranks above others of its PID.
    pub elementary_priority: bool,
    /// The program's clock.
    pub pcr: Option<Pcr>,
    /// The clock of the stream that this one was made from.
    pub original_pcr: Option<Pcr>,
    /// Packets of this PID until a splicing point.
    pub splice_countdown: Option<i8>,
    /// Private data.
    pub private: Option<&'a [u8]>,
    /// What its flags announce goes beyond its end.
    pub is_cut: bool,
}

impl<'a> Adaptation<'a> {
    /// Reads a field, without its length octet.
    pub fn parse(field: &'a [u8]) -> Self {
        let Some((&flags, mut rest)) = field.split_first() else { return Self::default() };
        let mut read = Self {
            discontinuity: flags & 0x80 != 0,
            random_access: flags & 0x40 != 0,
            elementary_priority: flags & 0x20 != 0,
            ..Self::default()
        };
        read.is_cut = read.take(flags, &mut rest).is_none();
        read
    }

    fn take(&mut self, flags: u8, rest: &mut &'a [u8]) -> Option<()> {
        let clock = |rest: &mut &'a [u8]| rest.split_off(..6)?.first_chunk().copied().map(Pcr::parse);
        if flags & PCR != 0 {
            self.pcr = Some(clock(rest)?);
        }
        if flags & OPCR != 0 {
            self.original_pcr = Some(clock(rest)?);
        }
        if flags & SPLICE != 0 {
            self.splice_countdown = Some(rest.split_off_first()?.cast_signed());
        }
        if flags & PRIVATE != 0 {
            let length = usize::from(*rest.split_off_first()?);
            self.private = Some(rest.split_off(..length)?);
        }
        Some(())
    }

    /// Writes it, without length octet and stuffing. Private data beyond 255 octets are cut.
    pub fn emit(&self) -> Vec<u8> {
        let bit = |is: bool, place: u8| u8::from(is) << place;
        let mut field = vec![
            bit(self.discontinuity, 7)
                | bit(self.random_access, 6)
                | bit(self.elementary_priority, 5)
                | bit(self.pcr.is_some(), 4)
                | bit(self.original_pcr.is_some(), 3)
                | bit(self.splice_countdown.is_some(), 2)
                | bit(self.private.is_some(), 1),
        ];
        for clock in [self.pcr, self.original_pcr].into_iter().flatten() {
            field.extend(clock.emit());
        }
        field.extend(self.splice_countdown.map(i8::cast_unsigned));
        if let Some(private) = self.private {
            let private = &private[..private.len().min(255)];
            field.push(private.len() as u8);
            field.extend(private);
        }
        field
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_field_that_announces_more_than_it_has_is_told_as_cut() {
        let whole = Adaptation { pcr: Some(Pcr::new(5)), private: Some(&[1, 2, 3]), ..Adaptation::default() };
        let field = whole.emit();
        for end in 1..field.len() {
            assert!(Adaptation::parse(&field[..end]).is_cut, "{end}");
        }
        assert_eq!(Adaptation::parse(&[]), Adaptation::default(), "a length of 0 is one octet of stuffing");
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back_with_any_stuffing(
            bits: [bool; 3], pcr in prop::option::of(any::<u64>()), original in prop::option::of(any::<u64>()),
            splice_countdown: Option<i8>, private in prop::option::of(prop::collection::vec(any::<u8>(), 0..60)), stuffing in 0..9_usize,
        ) {
            let [discontinuity, random_access, elementary_priority] = bits;
            let (pcr, original_pcr) = (pcr.map(Pcr::new), original.map(Pcr::new));
            let private = private.as_deref();
            let wanted = Adaptation {
                discontinuity, random_access, elementary_priority, pcr, original_pcr, splice_countdown, private, is_cut: false,
            };
            let mut field = wanted.emit();
            field.resize(field.len() + stuffing, 0xff);
            prop_assert_eq!(Adaptation::parse(&field), wanted);
        }

        #[test]
        fn no_octets_make_it_stumble(field: Vec<u8>) {
            Adaptation::parse(&field).emit();
        }
    }
}
