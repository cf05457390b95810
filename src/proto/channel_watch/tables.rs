//! Tables out of transport packets: sections are gathered, programs followed. Bounded: a section is cut at its longest, programs are counted.

use crate::wire::ts::psi::{Pat, Pmt, Program};
use crate::wire::ts::section::{self, Section};

/// Programs that are followed; of more none is missed in a channel of television *(ours)*.
const PROGRAMS: usize = 32;

/// Gathers the sections of one PID.
#[derive(Debug, Clone, Default)]
pub(super) struct Gather {
    octets: Vec<u8>,
    /// A section began, and nothing of it was lost.
    is_open: bool,
}

impl Gather {
    /// Something is missing: what was begun is of no use.
    pub(super) fn on_loss(&mut self) {
        self.is_open = false;
        self.octets.clear();
    }

    /// Takes a packet's payload and hands over each section that it ends.
    pub(super) fn on_payload(
        &mut self,
        unit_start: bool,
        payload: &[u8],
        mut each: impl FnMut(Result<Section<'_>, section::Error>),
    ) {
        let mut rest = payload;
        if unit_start {
            // A pointer to where the first new section begins (clause 2.4.4.1); what stands before ends the old one.
            let Some((pointer, behind)) = payload.split_first() else { return };
            let Some((end_of_old, new)) = behind.split_at_checked(usize::from(*pointer)) else { return self.on_loss() };
            self.add(end_of_old, &mut each);
            self.on_loss();
            self.is_open = true;
            rest = new;
        }
        self.add(rest, &mut each);
    }

    fn add(&mut self, octets: &[u8], each: &mut impl FnMut(Result<Section<'_>, section::Error>)) {
        if !self.is_open {
            return;
        }
        self.octets.extend(octets);
        // Stuffing of ff behind the last section (clause 2.4.4.1).
        while let Some(length) = section::length(&self.octets).filter(|_| self.octets.first() != Some(&0xff)) {
            if self.octets.len() < length {
                break;
            }
            each(Section::parse(&self.octets[..length]));
            self.octets.drain(..length);
        }
        if self.octets.first() == Some(&0xff) || self.octets.len() > section::LONGEST {
            self.on_loss();
        }
    }
}

/// A program that is followed.
#[derive(Debug, Clone)]
pub(super) struct Followed {
    pub(super) program: Program,
    pub(super) map: Option<Pmt>,
}

/// All programs.
#[derive(Debug, Clone, Default)]
pub(super) struct Programs {
    version: Option<u8>,
    pub(super) followed: Vec<Followed>,
    /// Programs that were named beyond those that are followed.
    pub(super) beyond: usize,
}

impl Programs {
    /// Takes a section of the association table; returns whether anything changed.
    pub(super) fn on_pat(&mut self, pat: &Pat) -> bool {
        let is_new = self.version.replace(pat.version) != Some(pat.version);
        if is_new {
            // What is named no more is followed no more.
            self.followed.retain(|one| pat.programs.contains(&one.program));
            self.beyond = 0;
        }
        let before = self.followed.len();
        for program in &pat.programs {
            if self.followed.iter().any(|one| one.program == *program) {
                continue;
            }
            if self.followed.len() < PROGRAMS {
                self.followed.push(Followed { program: *program, map: None });
            } else if is_new {
                self.beyond += 1;
            }
        }
        is_new || before != self.followed.len()
    }

    /// Takes a map that came on a PID; returns whether anything changed. `None` when no program has its map there.
    pub(super) fn on_pmt(&mut self, pid: u16, pmt: &Pmt) -> Option<bool> {
        let one = self.followed.iter_mut().find(|one| one.program == Program { number: pmt.program, map_pid: pid })?;
        let changed = one.map.as_ref() != Some(pmt);
        if changed {
            one.map = Some(pmt.clone());
        }
        Some(changed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gathered(packets: &[(bool, Vec<u8>)]) -> Vec<Result<u16, section::Error>> {
        let mut gather = Gather::default();
        let mut found = Vec::new();
        for (unit_start, payload) in packets {
            gather.on_payload(*unit_start, payload, |section| found.push(section.map(|section| section.extension)));
        }
        found
    }

    fn section(extension: u16, len: usize) -> Vec<u8> {
        let body = vec![0x11; len];
        Section { table_id: 2, extension, version: 0, is_current: true, number: 0, last_number: 0, body: &body }.emit()
    }

    #[test]
    fn sections_over_several_packets_and_several_in_one_are_found() {
        let (long, short) = (section(1, 400), section(2, 20));
        let first = (true, [&[0], &long[..183]].concat());
        let second = (false, long[183..367].to_vec());
        let pointer = [(long.len() - 367) as u8];
        let third = (true, [&pointer, &long[367..], &short, &short, &[0xff; 60]].concat());
        assert_eq!(gathered(&[first.clone(), second, third.clone()]), [Ok(1), Ok(2), Ok(2)]);
        // Without the middle the long one fails its sum or is cut; the others are whole.
        assert_eq!(gathered(&[first, third.clone()]), [Ok(2), Ok(2)]);
        assert_eq!(gathered(&[(false, long[..184].to_vec()), third]), [Ok(2), Ok(2)]);
    }

    #[test]
    fn a_wrong_pointer_and_endless_sections_are_let_go() {
        assert_eq!(gathered(&[(true, vec![200, 0, 0])]), []);
        let mut endless = vec![0, 2, 0xbf, 0xff];
        endless.resize(184, 0);
        let packets: Vec<(bool, Vec<u8>)> =
            std::iter::once((true, endless)).chain((0..50).map(|_| (false, vec![0; 184]))).collect();
        let mut gather = Gather::default();
        for (unit_start, payload) in &packets {
            gather.on_payload(*unit_start, payload, |_| ());
            assert!(gather.octets.len() <= section::LONGEST + 184);
        }
    }

    #[test]
    fn programs_follow_the_latest_version() {
        let pat = |version, pids: &[u16]| {
            let programs = pids.iter().map(|pid| Program { number: *pid, map_pid: *pid }).collect();
            Pat { stream: 1, version, programs }
        };
        let mut programs = Programs::default();
        assert!(programs.on_pat(&pat(0, &[1, 2])) && !programs.on_pat(&pat(0, &[1, 2])));
        assert_eq!(programs.on_pmt(2, &Pmt { program: 2, ..Pmt::default() }), Some(true));
        assert_eq!(programs.on_pmt(2, &Pmt { program: 2, ..Pmt::default() }), Some(false));
        assert_eq!(programs.on_pmt(7, &Pmt { program: 2, ..Pmt::default() }), None);
        assert!(programs.on_pat(&pat(1, &[2, 3])));
        let numbers: Vec<(u16, bool)> = programs.followed.iter().map(|one| (one.program.number, one.map.is_some())).collect();
        assert_eq!(numbers, [(2, true), (3, false)]);
        let many: Vec<u16> = (1..100).collect();
        programs.on_pat(&pat(2, &many));
        assert_eq!((programs.followed.len(), programs.beyond), (PROGRAMS, 99 - PROGRAMS));
    }
}
