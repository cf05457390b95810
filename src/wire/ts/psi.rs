//! Which programs a stream has, and of what they are made: program association and program map table, ISO/IEC 13818-1 clauses 2.4.4.3 to
//! 2.4.4.9 (from memory).
//!
//! ```text
//! PAT | program 2 | 3 bits, PID 13 |  repeated; program 0 names the network's PID
//! PMT | 3 bits, PCR PID 13 | 4 bits, length 12 | descriptors | kind 1 | 3 bits, PID 13 | 4 bits, length 12 | descriptors |  the last four repeated
//! ```

use super::section::Section;

/// Table number of the program association table.
pub const PAT: u8 = 0;
/// Table number of the program map table.
pub const PMT: u8 = 2;

/// The program association table, or one section of it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Pat {
    /// Number of the stream.
    pub stream: u16,
    /// Version, 5 bits.
    pub version: u8,
    /// Programs and the PIDs of their maps; the network's own entry (program 0) left out.
    pub programs: Vec<Program>,
}

/// An entry of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Program {
    /// Program number.
    pub number: u16,
    /// PID of its map.
    pub map_pid: u16,
}

/// A program map table.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Pmt {
    /// Program number.
    pub program: u16,
    /// Version, 5 bits.
    pub version: u8,
    /// PID that carries the program's clock; 1fff when there is none.
    pub pcr_pid: u16,
    /// Descriptors of the program.
    pub descriptors: Vec<u8>,
    /// What it is made of.
    pub streams: Vec<Stream>,
}

/// An elementary stream of a program.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stream {
    /// Kind of coding (table 2-34).
    pub kind: u8,
    /// Its PID.
    pub pid: u16,
    /// Its descriptors.
    pub descriptors: Vec<u8>,
}

impl Stream {
    /// Whether it is video: MPEG-1, MPEG-2, MPEG-4 part 2, AVC, HEVC, VVC (table 2-34 and its amendments, from memory).
    pub fn is_video(&self) -> bool {
        matches!(self.kind, 0x01 | 0x02 | 0x10 | 0x1b | 0x24 | 0x33)
    }

    /// Whether it is sound: MPEG-1, MPEG-2 and MPEG-4 audio, and AC-3 by its number in North America (from memory). Sound that is private data with a
    /// descriptor is not known.
    pub fn is_audio(&self) -> bool {
        matches!(self.kind, 0x03 | 0x04 | 0x0f | 0x11 | 0x81 | 0x87)
    }
}

fn pid(high: u8, low: u8) -> u16 {
    u16::from_be_bytes([high & 0x1f, low])
}

impl Pat {
    /// Reads a section; `None` when it is of another table, or cut.
    pub fn parse(section: &Section<'_>) -> Option<Self> {
        let (entries, rest) = section.body.as_chunks::<4>();
        if section.table_id != PAT || !rest.is_empty() {
            return None;
        }
        let programs =
            entries.iter().map(|[n0, n1, p0, p1]| Program { number: u16::from_be_bytes([*n0, *n1]), map_pid: pid(*p0, *p1) });
        let programs = programs.filter(|program| program.number != 0).collect();
        Some(Self { stream: section.extension, version: section.version, programs })
    }

    /// Writes it as one section; at most 253 programs fit.
    pub fn emit(&self) -> Vec<u8> {
        let entry = |program: &Program| {
            let ([n0, n1], [p0, p1]) = (program.number.to_be_bytes(), program.map_pid.to_be_bytes());
            [n0, n1, 0xe0 | p0, p1]
        };
        let body: Vec<u8> = self.programs.iter().take(253).flat_map(entry).collect();
        of_table(PAT, self.stream, self.version, &body)
    }
}

impl Pmt {
    /// Reads a section; `None` when it is of another table, or cut.
    pub fn parse(section: &Section<'_>) -> Option<Self> {
        let ([p0, p1, l0, l1], rest) = section.body.split_first_chunk::<4>()?;
        if section.table_id != PMT {
            return None;
        }
        let (descriptors, mut rest) = rest.split_at_checked(usize::from(u16::from_be_bytes([l0 & 0x0f, *l1])))?;
        let mut streams = Vec::new();
        while !rest.is_empty() {
            let ([kind, s0, s1, l0, l1], behind) = rest.split_first_chunk::<5>()?;
            let (descriptors, behind) = behind.split_at_checked(usize::from(u16::from_be_bytes([l0 & 0x0f, *l1])))?;
            streams.push(Stream { kind: *kind, pid: pid(*s0, *s1), descriptors: descriptors.to_vec() });
            rest = behind;
        }
        let descriptors = descriptors.to_vec();
        Some(Self { program: section.extension, version: section.version, pcr_pid: pid(*p0, *p1), descriptors, streams })
    }

    /// Writes it as one section. Descriptors that their length can't count are cut.
    pub fn emit(&self) -> Vec<u8> {
        let part = |pid: u16, descriptors: &[u8], body: &mut Vec<u8>| {
            let descriptors = &descriptors[..descriptors.len().min(0x3ff)];
            body.extend((0xe000 | pid & 0x1fff).to_be_bytes());
            body.extend((0xf000 | descriptors.len() as u16).to_be_bytes());
            body.extend(descriptors);
        };
        let mut body = Vec::new();
        part(self.pcr_pid, &self.descriptors, &mut body);
        for stream in &self.streams {
            body.push(stream.kind);
            part(stream.pid, &stream.descriptors, &mut body);
        }
        of_table(PMT, self.program, self.version, &body)
    }
}

fn of_table(table_id: u8, extension: u16, version: u8, body: &[u8]) -> Vec<u8> {
    Section { table_id, extension, version, is_current: true, number: 0, last_number: 0, body }.emit()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_network_s_own_entry_is_no_program() {
        let body = [0, 0, 0xe0, 0x10, 0, 1, 0xe1, 0x00];
        let bytes = of_table(PAT, 7, 0, &body);
        let pat = Pat::parse(&Section::parse(&bytes).unwrap()).unwrap();
        assert_eq!(pat, Pat { stream: 7, version: 0, programs: vec![Program { number: 1, map_pid: 0x100 }] });
    }

    proptest! {
        #[test]
        fn tables_are_read_back_as_they_were_written(
            stream: u16, version in 0..32u8, programs in prop::collection::vec((1..=u16::MAX, 0..0x2000u16), 0..9), pcr_pid in 0..0x2000u16,
            streams in prop::collection::vec((any::<u8>(), 0..0x2000u16, prop::collection::vec(any::<u8>(), 0..9)), 0..5),
        ) {
            let programs = programs.into_iter().map(|(number, map_pid)| Program { number, map_pid }).collect();
            let pat = Pat { stream, version, programs };
            prop_assert_eq!(Pat::parse(&Section::parse(&pat.emit()).unwrap()), Some(pat));
            let streams = streams.into_iter().map(|(kind, pid, descriptors)| Stream { kind, pid, descriptors }).collect();
            let pmt = Pmt { program: stream, version, pcr_pid, descriptors: vec![5, 2, 1, 1], streams };
            prop_assert_eq!(Pmt::parse(&Section::parse(&pmt.emit()).unwrap()), Some(pmt));
        }

        #[test]
        fn no_octets_make_it_stumble(table_id in 0..3u8, body: Vec<u8>) {
            let section = Section { table_id, extension: 1, version: 0, is_current: true, number: 0, last_number: 0, body: &body };
            let _ = (Pat::parse(&section), Pmt::parse(&section));
        }
    }
}
