//! What the watcher of a transport stream tells.

use super::{Pid, Transport};
use crate::metric::stream::reference;
use crate::metric::stream::repetition::Repetition;
use crate::metric::stream::{PID_EVERY_NS, PTS_EVERY_NS, TABLE_EVERY_NS};
use crate::proto::channel_watch::tables::Followed;
use crate::wire::ts::NULL_PID;
use crate::wire::ts::psi::Pmt;

/// Counts that need no other word than their names.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Transport packets, null packets and unreadable ones among them.
    pub packets: u64,
    /// Null packets.
    pub null: u64,
    /// Sync octets that are not 47 (TR 101 290 1.2).
    pub sync_octet_errors: u64,
    /// Times that step was lost (1.1).
    pub sync_losses: u64,
    /// Packets that passed while it was lost.
    pub out_of_sync: u64,
    /// Continuity errors (1.4).
    pub continuity_errors: u64,
    /// Packets that the counters show as missing: modulo 16 for each error, so at least.
    pub missing: u64,
    /// Legal repetitions.
    pub repetitions: u64,
    /// Jumps that were announced.
    pub announced: u64,
    /// Packets with the transport error indicator (2.1).
    pub transport_errors: u64,
    /// Scrambled packets.
    pub scrambled: u64,
    /// Packets whose adaptation field does not fit, or says more than it holds.
    pub bad_fields: u64,
    /// Sections of the two tables with a wrong CRC (2.2).
    pub crc_errors: u64,
    /// Sections on PID 0 that are no association table, and packets of either table that are scrambled (1.3, 1.5).
    pub table_errors: u64,
    /// Datagrams that do not hold whole packets only.
    pub left_over: u64,
    /// Packets of PIDs beyond those that are followed.
    pub beyond: u64,
}

/// A program and what came of it.
#[derive(Debug, Clone)]
pub struct ProgramReport {
    /// Program number.
    pub number: u16,
    /// PID of its map.
    pub map_pid: u16,
    /// Its map; `None` when it never came whole.
    pub map: Option<Pmt>,
    /// When its map came.
    pub map_seen: Repetition,
    /// What it names and what did not come for [`PID_EVERY_NS`]: video, sound and clock.
    pub missing: Vec<u16>,
    /// Presentation stamps, of the stream that let wait for them most; `None` when none could be read.
    pub stamps: Option<Repetition>,
    /// Points of random access in its video.
    pub random_access: Repetition,
    /// Its clock.
    pub clock: Option<reference::Found>,
}

/// What was found.
#[derive(Debug, Clone, Default)]
pub struct Report {
    /// Counts.
    pub counts: Counts,
    /// When the association table came.
    pub pat_seen: Repetition,
    /// Programs, in the table's order.
    pub programs: Vec<ProgramReport>,
    /// Programs beyond those that are followed.
    pub programs_beyond: usize,
    /// See [`Transport::first_random_access_ns`].
    pub first_random_access_ns: Option<i64>,
    /// From that point's arrival until its picture is to be shown, by its stamp and the clock, nanoseconds.
    pub shown_after_ns: Option<i64>,
}

impl Transport {
    /// What was found of a stream that was listened to from `begin_ns` to `end_ns`.
    pub fn report(&self, begin_ns: i64, end_ns: i64) -> Report {
        let programs = self.programs.followed.iter().map(|one| self.program(one, begin_ns, end_ns)).collect();
        Report {
            counts: self.counts,
            pat_seen: self.pat_seen.until(begin_ns, end_ns, TABLE_EVERY_NS),
            programs,
            programs_beyond: self.programs.beyond,
            first_random_access_ns: self.first_random_access_ns,
            shown_after_ns: self.shown_after_ns,
        }
    }

    fn program(&self, one: &Followed, begin_ns: i64, end_ns: i64) -> ProgramReport {
        let (number, map_pid) = (one.program.number, one.program.map_pid);
        let map_seen = self.maps_seen.iter().find(|(of, pid, _)| (*of, *pid) == (number, map_pid));
        let map_seen = map_seen.map_or_else(Repetition::default, |(_, _, seen)| *seen).until(begin_ns, end_ns, TABLE_EVERY_NS);
        // What the program names is awaited since it named it.
        let named_ns = map_seen.first_ns.unwrap_or(end_ns);
        let map = one.map.as_ref();
        let of_pid = |pid: u16| self.pids.iter().find(|one| one.pid == pid);
        let is_missing = |pid: u16| {
            let seen = of_pid(pid).map_or_else(Repetition::default, |one| one.seen);
            seen.until(named_ns, end_ns, PID_EVERY_NS).exceeded > 0
        };
        let media = |map: &Pmt| -> Vec<u16> {
            map.streams.iter().filter(|stream| stream.is_video() || stream.is_audio()).map(|stream| stream.pid).collect()
        };
        let media = map.map(media).unwrap_or_default();
        let clock_pid = map.map(|map| map.pcr_pid).filter(|pid| *pid != NULL_PID);
        let mut missing: Vec<u16> = media.iter().copied().chain(clock_pid).filter(|pid| is_missing(*pid)).collect();
        missing.sort_unstable();
        missing.dedup();
        let stamps = media.iter().filter_map(|pid| of_pid(*pid)).map(|one: &Pid| one.stamps).filter(|stamps| stamps.count > 0);
        let stamps = stamps
            .map(|stamps| stamps.until(begin_ns, end_ns, PTS_EVERY_NS))
            .max_by_key(|stamps| (stamps.exceeded, stamps.longest_ns));
        let video = media.iter().filter_map(|pid| of_pid(*pid)).find(|one| one.video.is_some());
        let clock: Option<reference::Found> =
            clock_pid.and_then(of_pid).and_then(|one| one.clock.as_ref()).map(|clock| clock.reference.found());
        ProgramReport {
            number,
            map_pid,
            map: map.cloned(),
            map_seen,
            missing,
            stamps,
            random_access: video.map(|one| one.random_access).unwrap_or_default(),
            clock,
        }
    }
}
