//! Sends load: bursts of two transmitters at the rate that it was told, and never more than it is late for.

use std::time::{Duration, Instant};

use crate::wire::capacity::{Load, SendingRate, Stop, WireTime};

/// Bursts that fell due while the machine was held up are sent late up to here; older ones are left out and counted.
const LATEST: Duration = Duration::from_millis(5);
/// Between packets that only say that the test is over.
const CLOSING: Duration = Duration::from_millis(20);
/// Most octets of one train, and most datagrams.
const TRAIN: (usize, usize) = (65_507, 64);

/// A sender of load.
#[derive(Debug, Clone)]
pub struct Sender {
    rate: SendingRate,
    /// When each transmitter's next burst is due; `None` while it is off.
    due: [Option<Instant>; 2],
    /// Datagrams that are due now, by transmitter, and the second one's add-on.
    pending: [u32; 3],
    header: Load,
    /// Last status: when it was sent by the peer's clock, and when it arrived.
    heard: Option<(WireTime, Instant)>,
    status_number: u32,
    sent: Sent,
    is_paused: bool,
    closing_at: Option<Instant>,
}

/// What was sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Sent {
    /// Datagrams.
    pub datagrams: u64,
    /// Octets of their UDP payload.
    pub octets: u64,
    /// Datagrams that were left out since the machine was held up.
    pub left_out: u64,
}

/// Octets of a train, kept from one to the next since little changes.
#[derive(Debug)]
pub struct TrainBuffer {
    octets: Vec<u8>,
    used: usize,
    size: usize,
}

impl Default for TrainBuffer {
    fn default() -> Self {
        Self { octets: vec![0; TRAIN.0], used: 0, size: 0 }
    }
}

impl TrainBuffer {
    /// All payloads.
    pub fn octets(&self) -> &[u8] {
        &self.octets[..self.used]
    }

    /// Octets of each.
    pub fn size(&self) -> usize {
        self.size
    }
}

impl Sender {
    /// Begins now.
    pub fn new(now: Instant, rate: SendingRate) -> Self {
        let mut sender = Self {
            rate: SendingRate::default(),
            due: [None; 2],
            pending: [0; 3],
            header: Load::default(),
            heard: None,
            status_number: 0,
            sent: Sent::default(),
            is_paused: false,
            closing_at: None,
        };
        sender.set_rate(now, rate);
        sender
    }

    /// Sends at this rate from now on.
    pub fn set_rate(&mut self, now: Instant, rate: SendingRate) {
        if rate == self.rate {
            return;
        }
        self.rate = bounded(rate);
        self.pending = [0; 3];
        let intervals = [self.rate.interval_1, self.rate.interval_2];
        for (due, interval) in self.due.iter_mut().zip(intervals) {
            let span = Duration::from_micros(interval.into());
            // The burst that is under way keeps its time, so that changes of rate add none.
            *due = (interval > 0).then(|| due.map_or(now, |at| at.min(now + span)));
        }
    }

    /// A status came: what it tells goes back with the load.
    pub fn on_status(&mut self, now: Instant, number: u32, sent: WireTime) {
        let missed = number.saturating_sub(self.status_number.saturating_add(1));
        self.header.status_errors = self.header.status_errors.saturating_add(u16::try_from(missed).unwrap_or(u16::MAX));
        self.status_number = self.status_number.max(number);
        self.heard = Some((sent, now));
    }

    /// Whether it holds back since nobody answers.
    pub fn pause(&mut self, now: Instant, is_paused: bool) {
        if self.is_paused && !is_paused {
            self.due = self.due.map(|due| due.map(|_| now));
        }
        self.is_paused = is_paused;
        self.header.hears_nothing = is_paused;
    }

    /// Says from now on that the test is over; sends little more.
    pub fn close(&mut self, now: Instant, stop: Stop) {
        self.header.stop = stop;
        self.pending = [0; 3];
        self.closing_at.get_or_insert(now);
    }

    /// What was sent so far.
    pub fn sent(&self) -> Sent {
        self.sent
    }

    /// When there is something to send.
    pub fn next_wake(&self) -> Option<Instant> {
        if self.closing_at.is_some() || self.is_paused {
            return self.closing_at;
        }
        self.due.iter().flatten().min().copied()
    }

    /// Writes the next train that is due; false when none is.
    pub fn fill(&mut self, now: Instant, unix_ns: i64, train: &mut TrainBuffer) -> bool {
        if let Some(at) = self.closing_at {
            if at > now {
                return false;
            }
            self.closing_at = Some(now + CLOSING);
            self.write(now, unix_ns, Load::LEN, 1, train);
            return true;
        }
        if self.is_paused {
            return false;
        }
        if self.pending == [0; 3] {
            self.take_due(now);
        }
        let payloads = [self.rate.payload_1, self.rate.payload_2, self.rate.addon_2];
        let Some(which) = (0..3).find(|which| self.pending[*which] > 0) else { return false };
        let size = payloads[which] as usize;
        let count = (self.pending[which] as usize).min(TRAIN.0 / size).min(TRAIN.1);
        self.pending[which] -= count as u32;
        self.write(now, unix_ns, size, count, train);
        true
    }

    /// Moves what is due into what is pending.
    fn take_due(&mut self, now: Instant) {
        let of = [(self.rate.interval_1, self.rate.burst_1), (self.rate.interval_2, self.rate.burst_2)];
        for (which, (interval, burst)) in of.into_iter().enumerate() {
            let Some(due) = self.due[which].filter(|at| *at <= now) else { continue };
            let span = Duration::from_micros(interval.into());
            let late = now.duration_since(due);
            let bursts = late.as_micros() / u128::from(interval.max(1)) + 1;
            let kept = bursts.min(LATEST.as_micros() / u128::from(interval.max(1)) + 1);
            self.sent.left_out += (bursts - kept) as u64 * u64::from(burst);
            self.pending[which] = (kept as u32).saturating_mul(burst);
            if which == 1 && self.rate.addon_2 > 0 {
                self.pending[2] = kept as u32;
            }
            self.due[which] = Some(due + span * u32::try_from(bursts).unwrap_or(u32::MAX));
        }
    }

    fn write(&mut self, now: Instant, unix_ns: i64, size: usize, count: usize, train: &mut TrainBuffer) {
        let mut header = Load {
            sequence: self.header.sequence.wrapping_add(1),
            payload: size as u16,
            sent: WireTime::from_unix_ns(unix_ns),
            ..self.header
        };
        if let Some((sent, arrived)) = self.heard {
            header.status_sent = sent;
            header.held_ms = u16::try_from(now.saturating_duration_since(arrived).as_millis()).unwrap_or(u16::MAX);
        }
        let octets = header.emit();
        for (at, datagram) in train.octets.chunks_exact_mut(size).take(count).enumerate() {
            datagram[..Load::LEN].copy_from_slice(&octets);
            Load::renumber(datagram, header.sequence.wrapping_add(at as u32));
        }
        (train.used, train.size) = (size * count, size);
        self.header.sequence = self.header.sequence.wrapping_add(count as u32);
        self.sent.datagrams += count as u64;
        self.sent.octets += (size * count) as u64;
    }
}

/// A rate that a peer names may be nonsense: payloads hold a header and fit a datagram, bursts a second of the fastest row.
fn bounded(rate: SendingRate) -> SendingRate {
    let payload = |octets: u32| octets.clamp(Load::LEN as u32, 65_507);
    let burst = |count: u32| count.min(1 << 20);
    SendingRate {
        payload_1: payload(rate.payload_1),
        burst_1: burst(rate.burst_1),
        payload_2: payload(rate.payload_2),
        burst_2: burst(rate.burst_2),
        addon_2: if rate.addon_2 == 0 { 0 } else { payload(rate.addon_2) },
        ..rate
    }
}
