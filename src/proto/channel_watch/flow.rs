//! The RTP side of a channel: numbers lost, late and twice, and the jitter of arrivals. Bounded: what lies more than a window behind is decided.
//!
//! Sequence numbers are followed as RFC 3550 appendix A.1 does. One thing is ours: a jump that the time stamps and the arrivals explain is an outage of that
//! many packets and no new start, however long it was.

use std::collections::VecDeque;

use crate::metric::dependence::design_effect;
use crate::metric::duplicate::Duplication;
use crate::metric::jitter;
use crate::metric::reorder::{Arrival, Reordering};
use crate::metric::rtp_loss::Received;
use crate::wire::rtp::{Header, MP2T_CLOCK};

/// A number so far ahead is a gap (MAX_DROPOUT of RFC 3550 appendix A.1).
const FARTHEST_AHEAD: u16 = 3000;
/// A number so far behind is a late one (MAX_MISORDER there is 100, half of a tenth of a second of high definition; *ours*).
const FARTHEST_BEHIND: u16 = 1000;
/// Numbers whose copies are still counted.
const WINDOW: u64 = 4096;
/// Arrivals that are looked at together for their order, and how many of the ones before are kept as what they may have overtaken.
const BLOCK: usize = 4096;
const BEFORE: usize = 512;
/// Transit times kept for the jitter: its filter has forgotten older ones (15/16 to the power of 1024).
const TRANSITS: usize = 1024;
/// Time stamps and arrivals agree on an outage within this.
const AGREE_NS: i64 = 500_000_000;
/// Runs of loss that are kept, for how much they cluster.
const RUNS: usize = 8192;
/// Packets over which that is looked at.
const LOOKED_AT: usize = 1 << 20;

/// What a packet was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// The next one, or one behind a gap of so many.
    Next {
        /// Numbers that are missing before it.
        missing: u64,
    },
    /// Came after a later one.
    Late,
    /// Came before.
    Copy,
    /// Far from where it should be: the next one tells.
    Doubtful,
    /// Another stream begins, or the same from the beginning.
    Restart,
}

/// What was found of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Packets received, copies and late ones included.
    pub received: u64,
    /// Packets expected: those received and those lost.
    pub expected: u64,
    /// Packets that never came.
    pub lost: u64,
    /// Factor by which the sample of packets is smaller than it looks, since losses cluster.
    pub loss_effect: f64,
    /// Longest run of packets lost one behind the other.
    pub longest_loss: u64,
    /// Copies.
    pub duplication: Duplication,
    /// Packets that came after a later one (RFC 4737 type-P-reordered).
    pub reordered: u64,
    /// How many packets overtook one, at most (RFC 4737 section 4.2.1).
    pub reordering_extent: u64,
    /// Interarrival jitter at the end (RFC 3550 section 6.4.1) in nanoseconds, with its 95 % interval; `None` for fewer than two packets.
    pub jitter_ns: Option<(f64, crate::unit::Interval)>,
    /// Times that another source or sequence began.
    pub restarts: u64,
    /// The last source.
    pub ssrc: u32,
    /// Its payload type.
    pub payload_type: u8,
    /// Its packets as a receiver report counts them, copies as received (RFC 3550 appendix A.3).
    pub counted: Received,
}

/// The follower.
#[derive(Debug, Clone, Default)]
pub struct Flow {
    current: Option<Current>,
    received: u64,
    duplication: Duplication,
    lost: u64,
    expected: u64,
    runs: Vec<(u32, u32)>,
    /// Length of the run of loss that is open.
    losing: u64,
    longest_loss: u64,
    arrivals: Vec<Arrival>,
    /// Of these, how many were looked at with the block before.
    looked_at: usize,
    is_disordered: bool,
    reordered: u64,
    extent: u64,
    transits: VecDeque<i64>,
    restarts: u64,
}

/// The sequence that is followed.
#[derive(Debug, Clone)]
struct Current {
    ssrc: u32,
    payload_type: u8,
    /// Highest number, unwrapped.
    highest: u64,
    /// First number that is not decided yet.
    open: u64,
    /// Copies of each number of the window, by its remainder.
    copies: Box<[u8]>,
    doubtful: Option<u16>,
    /// Time stamp of the highest, unwrapped, and its arrival.
    timestamp: i64,
    at_ns: i64,
    /// Mean nanoseconds from one packet to the next, smoothed.
    spacing_ns: f64,
    /// As a receiver report counts.
    counted: Received,
}

impl Current {
    fn new(at_ns: i64, header: &Header) -> Self {
        // One cycle up, so that numbers before the first one exist.
        let highest = u64::from(header.sequence) + (1 << 16);
        Self {
            ssrc: header.ssrc,
            payload_type: header.payload_type,
            highest,
            open: highest,
            copies: vec![0; WINDOW as usize].into_boxed_slice(),
            doubtful: None,
            timestamp: i64::from(header.timestamp),
            at_ns,
            spacing_ns: 0.0,
            counted: Received { base: highest as u32, extended_max: highest as u32, received: 0 },
        }
    }

    fn unwrapped_timestamp(&self, header: &Header) -> i64 {
        self.timestamp + i64::from(header.timestamp.wrapping_sub(self.timestamp as u32).cast_signed())
    }

    /// How many numbers an outage took that ends with this packet; `None` when its time stamp and its arrival do not agree.
    fn outage(&self, at_ns: i64, header: &Header) -> Option<u64> {
        let waited = at_ns - self.at_ns;
        let told = ticks_ns(self.unwrapped_timestamp(header) - self.timestamp);
        let ahead = u64::from(header.sequence.wrapping_sub(self.highest as u16));
        if (told - waited).abs() > AGREE_NS || waited <= 0 || self.spacing_ns <= 0.0 {
            return None;
        }
        // Whole cycles by the time that passed.
        let fits = waited as f64 / self.spacing_ns;
        let cycles = ((fits - ahead as f64) / 65_536.0).round();
        let all = ahead + cycles.max(0.0) as u64 * 65_536;
        (0.5..2.0).contains(&(all as f64 / fits)).then_some(all)
    }
}

fn ticks_ns(ticks: i64) -> i64 {
    ticks.saturating_mul(1_000_000_000 / i64::from(MP2T_CLOCK / 9)) / 9
}

impl Flow {
    /// Source and latest number of the media; `None` before any.
    pub fn media(&self) -> Option<(u32, u16)> {
        self.current.as_ref().map(|current| (current.ssrc, current.highest as u16))
    }

    /// Takes a packet with `octets` of payload.
    pub fn on_packet(&mut self, at_ns: i64, header: &Header, octets: u64) -> Verdict {
        self.received += 1;
        let verdict = self.place(at_ns, header);
        match verdict {
            Verdict::Next { .. } | Verdict::Restart | Verdict::Late => self.note(at_ns, header, octets, verdict),
            Verdict::Copy | Verdict::Doubtful => {}
        }
        verdict
    }

    fn place(&mut self, at_ns: i64, header: &Header) -> Verdict {
        let Some(current) = self.current.as_mut().filter(|current| current.ssrc == header.ssrc) else {
            let is_first = self.current.is_none();
            self.restart(at_ns, header);
            return if is_first { Verdict::Next { missing: 0 } } else { Verdict::Restart };
        };
        current.counted.received = current.counted.received.saturating_add(1);
        let ahead = header.sequence.wrapping_sub(current.highest as u16);
        let behind = 0_u16.wrapping_sub(ahead);
        if ahead == 0 || behind <= FARTHEST_BEHIND {
            let number = current.highest - u64::from(behind);
            return self.take_old(number);
        }
        if ahead < FARTHEST_AHEAD {
            current.doubtful = None;
            return self.advance(at_ns, header, u64::from(ahead));
        }
        if let Some(outage) = current.outage(at_ns, header).filter(|_| current.doubtful.is_none()) {
            return self.advance(at_ns, header, outage);
        }
        // Two in a row from another place are a new begin.
        if current.doubtful.replace(header.sequence.wrapping_add(1)) == Some(header.sequence) {
            self.restart(at_ns, header);
            return Verdict::Restart;
        }
        Verdict::Doubtful
    }

    fn restart(&mut self, at_ns: i64, header: &Header) {
        self.look_at_order();
        self.arrivals.clear();
        self.looked_at = 0;
        self.transits.clear();
        if let Some(mut old) = self.current.take() {
            self.restarts += 1;
            let end = old.highest + 1;
            self.decide(&mut old, end);
        }
        let mut current = Current::new(at_ns, header);
        current.copies[(current.highest % WINDOW) as usize] = 1;
        current.counted.received = 1;
        self.current = Some(current);
    }

    /// A number that is not above the highest.
    fn take_old(&mut self, number: u64) -> Verdict {
        let Some(current) = &mut self.current else { return Verdict::Copy };
        if number < current.open {
            // Before the first one: nobody expects it.
            return Verdict::Late;
        }
        let copies = &mut current.copies[(number % WINDOW) as usize];
        *copies = copies.saturating_add(1);
        if *copies > 1 { Verdict::Copy } else { Verdict::Late }
    }

    fn advance(&mut self, at_ns: i64, header: &Header, ahead: u64) -> Verdict {
        let Some(mut current) = self.current.take() else { return Verdict::Doubtful };
        let highest = current.highest + ahead;
        self.decide(&mut current, (highest + 1).saturating_sub(WINDOW));
        current.copies[(highest % WINDOW) as usize] = 1;
        let spacing = (at_ns - current.at_ns).max(0) as f64 / ahead as f64;
        current.spacing_ns =
            if current.spacing_ns == 0.0 { spacing } else { current.spacing_ns + (spacing - current.spacing_ns) / 64.0 };
        current.timestamp = current.unwrapped_timestamp(header);
        current.at_ns = at_ns;
        current.highest = highest;
        current.counted.extended_max = highest as u32;
        self.current = Some(current);
        Verdict::Next { missing: ahead - 1 }
    }

    /// Decides all numbers below `end`: what has not come is lost.
    fn decide(&mut self, current: &mut Current, end: u64) {
        // Beyond the window of the highest nothing has come.
        let held = end.min(current.highest + 1);
        while current.open < held {
            let copies = std::mem::take(&mut current.copies[(current.open % WINDOW) as usize]);
            self.duplication.on_packet(u32::from(copies));
            self.fate(copies == 0, 1);
            current.open += 1;
        }
        if current.open < end {
            self.fate(true, end - current.open);
            current.open = end;
        }
    }

    fn fate(&mut self, is_lost: bool, count: u64) {
        self.expected += count;
        let goes_on = self.losing > 0;
        self.losing = if is_lost { self.losing + count } else { 0 };
        self.longest_loss = self.longest_loss.max(self.losing);
        self.lost += if is_lost { count } else { 0 };
        let many = u32::try_from(count).unwrap_or(u32::MAX);
        let has_room = self.runs.len() < RUNS;
        match (self.runs.last_mut(), is_lost) {
            (Some((received, 0)), false) => *received = received.saturating_add(many),
            (Some((_, lost)), true) if goes_on || *lost == 0 => *lost = lost.saturating_add(many),
            _ if has_room => self.runs.push(if is_lost { (0, many) } else { (many, 0) }),
            _ => {}
        }
    }

    /// Order and transit time.
    fn note(&mut self, at_ns: i64, header: &Header, octets: u64, verdict: Verdict) {
        let Some(current) = &self.current else { return };
        let number = match verdict {
            Verdict::Late => current.highest - u64::from((current.highest as u16).wrapping_sub(header.sequence)),
            _ => current.highest,
        };
        let transit = at_ns.saturating_sub(ticks_ns(current.unwrapped_timestamp(header)));
        if self.transits.len() == TRANSITS {
            self.transits.pop_front();
        }
        self.transits.push_back(transit);
        self.is_disordered |= verdict == Verdict::Late;
        self.arrivals.push(Arrival { sequence: number, at: at_ns, octets });
        if self.arrivals.len() >= BEFORE + BLOCK {
            self.look_at_order();
        }
    }

    fn look_at_order(&mut self) {
        if std::mem::take(&mut self.is_disordered) {
            let (reordered, extent) = order_of(&self.arrivals, self.looked_at);
            self.reordered += reordered;
            self.extent = self.extent.max(extent);
        }
        let old = self.arrivals.len().saturating_sub(BEFORE);
        self.arrivals.drain(..old);
        self.looked_at = self.arrivals.len();
    }

    /// What was found; `None` when there was no RTP.
    pub fn report(&self) -> Option<Report> {
        let mut whole = self.clone();
        whole.look_at_order();
        let mut current = whole.current.take()?;
        let end = current.highest + 1;
        whole.decide(&mut current, end);
        let transits: Vec<i64> = whole.transits.iter().copied().collect();
        Some(Report {
            received: whole.received,
            expected: whole.expected,
            lost: whole.lost,
            loss_effect: whole.loss_effect(),
            longest_loss: whole.longest_loss,
            duplication: whole.duplication,
            reordered: whole.reordered,
            reordering_extent: whole.extent,
            jitter_ns: jitter::of_stream(&transits, 0.95),
            restarts: whole.restarts,
            ssrc: current.ssrc,
            payload_type: current.payload_type,
            counted: current.counted,
        })
    }

    /// From the runs, each stretch without loss shortened so far that all fit: what lies far apart is not related.
    fn loss_effect(&self) -> f64 {
        if self.lost == 0 {
            return 1.0;
        }
        let most = LOOKED_AT / (self.runs.len() + 1);
        let of = |is_lost: bool, count: u32| std::iter::repeat_n(is_lost, (count as usize).min(most));
        design_effect(self.runs.iter().flat_map(|(received, lost)| of(false, *received).chain(of(true, *lost))))
    }
}

/// Reordered packets and the largest extent among arrivals from `from` on.
fn order_of(arrivals: &[Arrival], from: usize) -> (u64, u64) {
    let first = arrivals.first().map_or(0, |first| first.sequence);
    let found = Reordering::of(arrivals, first);
    let new = found.reordered.iter().filter(|one| one.index >= from);
    new.fold((0, 0), |(count, extent), one| (count + 1, extent.max(one.extent)))
}
