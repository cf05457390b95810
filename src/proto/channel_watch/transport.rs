//! The transport stream of a channel, packet by packet: what TR 101 290 counts in its first priority, and of its second CRC, clock and stamps.
//!
//! PIDs that no table names are followed for their continuity as well; their number is bounded, and what goes beyond is counted.

mod report;

use super::picture;
use super::tables::{Gather, Programs};
use crate::metric::stream::continuity::{Continuity, Step};
use crate::metric::stream::reference::{self, Reference};
use crate::metric::stream::repetition::Repetition;
use crate::metric::stream::sync::{Change, Sync};
use crate::metric::stream::{PID_EVERY_NS, PTS_EVERY_NS, TABLE_EVERY_NS};
use crate::wire::ts::pes::{self, Start};
use crate::wire::ts::psi::{self, Pat, Pmt};
use crate::wire::ts::section::Section;
pub use report::{Counts, ProgramReport, Report};

use crate::wire::ts::{Adaptation, Error, Header, NULL_PID, PACKET_LEN, PAT_PID, Packet, Pcr, pcr};

/// PIDs that are followed.
const PIDS: usize = 256;
/// Random access is to come again; no standard bounds it, so no time is too long.
const NEVER_NS: i64 = i64::MAX;

#[derive(Debug, Clone)]
struct Pid {
    pid: u16,
    continuity: Continuity,
    /// Known losses before its last packet.
    losses: u64,
    last: Box<[u8; PACKET_LEN]>,
    seen: Repetition,
    gather: Option<Gather>,
    /// Kind of the video that it carries.
    video: Option<u8>,
    is_media: bool,
    stamps: Repetition,
    random_access: Repetition,
    clock: Option<Box<Clock>>,
}

#[derive(Debug, Clone, Default)]
struct Clock {
    last: Option<Pcr>,
    reference: Reference,
}

/// The watcher.
#[derive(Debug, Clone)]
pub struct Transport {
    sync: Sync,
    counts: Counts,
    /// Place of each PID in the list, plus one.
    places: Box<[u16; 1 << 13]>,
    pids: Vec<Pid>,
    programs: Programs,
    pat_seen: Repetition,
    maps_seen: Vec<(u16, u16, Repetition)>,
    /// Octets of the stream so far, those known as lost among them.
    octets: u64,
    /// Losses that somebody else told.
    known_losses: u64,
    first_random_access_ns: Option<i64>,
    shown_after_ns: Option<i64>,
}

impl Default for Transport {
    fn default() -> Self {
        Self {
            sync: Sync::default(),
            counts: Counts::default(),
            places: Box::new([0; 1 << 13]),
            pids: Vec::new(),
            programs: Programs::default(),
            pat_seen: Repetition::default(),
            maps_seen: Vec::new(),
            octets: 0,
            known_losses: 0,
            first_random_access_ns: None,
            shown_after_ns: None,
        }
    }
}

impl Transport {
    /// Packets that the counters show as missing so far.
    pub fn missing(&self) -> u64 {
        self.counts.missing
    }

    /// When the first point of random access came whose program's tables were known.
    pub fn first_random_access_ns(&self) -> Option<i64> {
        self.first_random_access_ns
    }

    /// Rate of the stream by the first clock that has one, bits per second.
    pub fn rate(&self) -> Option<f64> {
        self.pids.iter().find_map(|pid| pid.clock.as_ref()?.reference.recent_rate())
    }

    /// So many packets are known to be lost here.
    pub fn on_known_loss(&mut self, packets: u64) {
        self.octets += packets * PACKET_LEN as u64;
        self.known_losses += 1;
        self.pids.iter_mut().filter_map(|pid| pid.gather.as_mut()).for_each(Gather::on_loss);
    }

    /// Something is lost, and nobody knows how much.
    pub fn on_unknown_loss(&mut self) {
        self.pids.iter_mut().filter_map(|pid| pid.clock.as_mut()).for_each(|clock| clock.reference.on_loss());
    }

    /// A datagram had octets behind its last whole packet.
    pub fn on_left_over(&mut self) {
        self.counts.left_over += 1;
    }

    /// Takes a packet of a datagram that arrived at `at_ns`, behind `into` octets of the same datagram.
    pub fn on_packet(&mut self, at_ns: i64, into: u32, bytes: &[u8; PACKET_LEN]) {
        self.counts.packets += 1;
        let before = self.octets;
        self.octets += PACKET_LEN as u64;
        let header = Header::parse(bytes);
        self.counts.sync_octet_errors += u64::from(header.is_none());
        let change = self.sync.on_octet(header.is_some());
        self.counts.sync_losses += u64::from(change == Some(Change::Lost));
        let Some(header) = header else {
            self.counts.out_of_sync += u64::from(self.sync.is_lost());
            return;
        };
        if self.sync.is_lost() {
            self.counts.out_of_sync += 1;
            return;
        }
        if header.transport_error {
            // Nothing in it can be relied on, its PID least (clause 2.4.3.3).
            self.counts.transport_errors += 1;
            return;
        }
        if header.pid == NULL_PID {
            self.counts.null += 1;
            return;
        }
        self.counts.scrambled += u64::from(header.scrambling != 0);
        let (field, payload) = match Packet::parse(bytes) {
            Ok(packet) => (packet.adaptation.unwrap_or_default(), packet.payload),
            Err(Error::Adaptation { .. } | Error::Sync(_)) => {
                self.counts.bad_fields += 1;
                (Adaptation::default(), &[][..])
            }
        };
        self.counts.bad_fields += u64::from(field.is_cut);
        let Some(place) = self.place(header.pid) else {
            self.counts.beyond += 1;
            return;
        };
        let arrived = Arrived { at_ns, into, octet: before, nulls: self.counts.null, header, field, payload };
        if self.follow(place, &arrived, bytes) {
            self.look_into(place, &arrived);
        }
    }

    fn place(&mut self, pid: u16) -> Option<usize> {
        let place = self.places.get_mut(usize::from(pid))?;
        if *place == 0 {
            if self.pids.len() == PIDS {
                return None;
            }
            self.pids.push(Pid::new(pid));
            *place = self.pids.len() as u16;
        }
        Some(usize::from(*place) - 1)
    }

    /// Continuity; false for a packet that says nothing new.
    fn follow(&mut self, place: usize, arrived: &Arrived<'_>, bytes: &[u8; PACKET_LEN]) -> bool {
        let (header, counts, pid) = (&arrived.header, &mut self.counts, &mut self.pids[place]);
        let len = arrived.payload.len();
        let step = pid.continuity.on_packet(header.counter, header.has_payload, arrived.field.discontinuity, || {
            pid.last[PACKET_LEN - len..] == bytes[PACKET_LEN - len..]
        });
        if header.has_payload {
            *pid.last = *bytes;
        }
        pid.seen.on_seen(arrived.at_ns, PID_EVERY_NS);
        let is_explained = std::mem::replace(&mut pid.losses, self.known_losses) != self.known_losses;
        match step {
            Step::InOrder => {}
            Step::Announced => counts.announced += 1,
            Step::Repetition => {
                counts.repetitions += 1;
                return false;
            }
            Step::Error { missing } => {
                counts.continuity_errors += 1;
                counts.missing += u64::from(missing);
                if let Some(gather) = &mut pid.gather {
                    gather.on_loss();
                }
                if !is_explained {
                    self.on_unknown_loss();
                }
                return missing > 0;
            }
        }
        true
    }

    fn look_into(&mut self, place: usize, arrived: &Arrived<'_>) {
        let header = &arrived.header;
        if let Some(mut gather) = self.pids[place].gather.take() {
            self.read_tables(&mut gather, arrived);
            // Which PIDs are tables may have changed; this one stays what it is until its next packet.
            self.pids[place].gather = Some(gather);
            return;
        }
        let pid = &mut self.pids[place];
        if let (Some(pcr), Some(clock)) = (arrived.field.pcr, &mut pid.clock) {
            clock.on_reference(pcr, arrived);
        }
        let start = (header.unit_start && header.scrambling == 0).then(|| Start::parse(arrived.payload)).flatten();
        if pid.is_media && start.is_some_and(|start| start.pts.is_some()) {
            pid.stamps.on_seen(arrived.at_ns, PTS_EVERY_NS);
        }
        let Some(kind) = pid.video else { return };
        let by_code =
            |start: &Start| picture::is_random_access(kind, arrived.payload.get(start.header_len..).unwrap_or_default());
        if arrived.field.random_access || start.as_ref().is_some_and(by_code) {
            pid.random_access.on_seen(arrived.at_ns, NEVER_NS);
            if self.first_random_access_ns.is_none() {
                self.first_random_access_ns = Some(arrived.at_ns);
                self.shown_after_ns = start.and_then(|start| self.shown_after(arrived.header.pid, start.pts?));
            }
        }
    }

    /// From now until a stamp of a program's stream, by its clock.
    fn shown_after(&self, pid: u16, pts: u64) -> Option<i64> {
        let is_of = |map: &&Pmt| map.streams.iter().any(|stream| stream.pid == pid);
        let map = self.programs.followed.iter().filter_map(|one| one.map.as_ref()).find(is_of)?;
        let clock = self.pids.iter().find(|one| one.pid == map.pcr_pid)?.clock.as_ref()?.last?;
        let ahead = Pcr::new(pts % pes::WRAP * 300).ticks_since(clock);
        Some(ahead * 1000 / (pcr::HZ as i64 / 1_000_000)).filter(|ahead| *ahead >= 0)
    }

    fn read_tables(&mut self, gather: &mut Gather, arrived: &Arrived<'_>) {
        if arrived.header.scrambling != 0 {
            self.counts.table_errors += 1;
            return;
        }
        let mut changed = false;
        gather.on_payload(arrived.header.unit_start, arrived.payload, |section| match section {
            Ok(section) => changed |= self.on_section(arrived, &section),
            Err(_) => self.counts.crc_errors += 1,
        });
        if changed {
            self.assign();
        }
    }

    /// Returns whether the tables changed.
    fn on_section(&mut self, arrived: &Arrived<'_>, section: &Section<'_>) -> bool {
        let (pid, at_ns) = (arrived.header.pid, arrived.at_ns);
        if pid == PAT_PID {
            if section.table_id != psi::PAT {
                self.counts.table_errors += 1;
                return false;
            }
            self.pat_seen.on_seen(at_ns, TABLE_EVERY_NS);
            return Pat::parse(section).is_some_and(|pat| section.is_current && self.programs.on_pat(&pat));
        }
        let Some(pmt) = Pmt::parse(section).filter(|_| section.is_current) else { return false };
        let Some(changed) = self.programs.on_pmt(pid, &pmt) else { return false };
        match self.maps_seen.iter_mut().find(|(number, map_pid, _)| (*number, *map_pid) == (pmt.program, pid)) {
            Some((_, _, seen)) => seen.on_seen(at_ns, TABLE_EVERY_NS),
            None => {
                let mut seen = Repetition::default();
                seen.on_seen(at_ns, TABLE_EVERY_NS);
                self.maps_seen.push((pmt.program, pid, seen));
                false
            }
        };
        changed
    }

    /// Gives each PID its part by the tables.
    fn assign(&mut self) {
        let programs = self.programs.clone();
        for pid in &mut self.pids {
            (pid.video, pid.is_media) = (None, false);
        }
        let is_map = |pid: u16| programs.followed.iter().any(|one| one.program.map_pid == pid);
        for pid in self.pids.iter_mut().filter(|pid| pid.pid != PAT_PID && !is_map(pid.pid)) {
            pid.gather = None;
        }
        for one in &programs.followed {
            if let Some(place) = self.place(one.program.map_pid) {
                self.pids[place].gather.get_or_insert_default();
            }
            let Some(map) = &one.map else { continue };
            for stream in &map.streams {
                let Some(place) = self.place(stream.pid) else { continue };
                let pid = &mut self.pids[place];
                pid.video = stream.is_video().then_some(stream.kind).or(pid.video);
                pid.is_media |= stream.is_video() || stream.is_audio();
            }
            if let Some(place) = self.place(map.pcr_pid).filter(|_| map.pcr_pid != NULL_PID) {
                self.pids[place].clock.get_or_insert_default();
            }
        }
        self.maps_seen.retain(|(number, pid, _)| {
            programs.followed.iter().any(|one| (one.program.number, one.program.map_pid) == (*number, *pid))
        });
    }
}

/// A packet as it arrived.
struct Arrived<'a> {
    at_ns: i64,
    into: u32,
    octet: u64,
    nulls: u64,
    header: Header,
    field: Adaptation<'a>,
    payload: &'a [u8],
}

impl Pid {
    fn new(pid: u16) -> Self {
        Self {
            pid,
            continuity: Continuity::default(),
            losses: 0,
            last: Box::new([0; PACKET_LEN]),
            seen: Repetition::default(),
            gather: (pid == PAT_PID).then(Gather::default),
            video: None,
            is_media: false,
            stamps: Repetition::default(),
            random_access: Repetition::default(),
            clock: None,
        }
    }
}

impl Clock {
    fn on_reference(&mut self, pcr: Pcr, arrived: &Arrived<'_>) {
        let step = self.last.replace(pcr).map(|last| pcr.ticks_since(last));
        self.reference.on_arrival(reference::Arrival {
            step,
            announced: arrived.field.discontinuity,
            octet: arrived.octet,
            into: arrived.into,
            nulls: arrived.nulls,
            at_ns: arrived.at_ns,
        });
    }
}
