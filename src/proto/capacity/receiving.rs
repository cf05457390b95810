//! Receives load: counts what came, in which order and when, by feedback interval and by sub-interval.

use std::time::{Duration, Instant};

use crate::wire::capacity::{Delays, Load, Status, SubInterval, WireTime};

/// Numbers of the last packets that are remembered, to tell a duplicate from a late one (RFC 9946: 32).
const LOOK_BACK: usize = 32;

/// A receiver of load.
#[derive(Debug, Clone)]
pub struct Receiver {
    sub_interval: Duration,
    began: Option<Instant>,
    /// The next number that is expected.
    expected: u32,
    recent: [u32; LOOK_BACK],
    feedback: Interval,
    current: Interval,
    ended: Vec<SubInterval>,
    status_number: u32,
    /// Least difference of arrival and sending, nanoseconds.
    least_one_way: Option<i64>,
    least_round_trip: Option<i64>,
    minimum_changed: bool,
    /// Last status that was echoed, so that each gives one sample.
    echoed: WireTime,
    all: Counts,
}

/// What was received in all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Load packets.
    pub datagrams: u64,
    /// Octets of their UDP payload.
    pub octets: u64,
    /// Lost.
    pub lost: u64,
    /// Out of order.
    pub out_of_order: u64,
    /// Received more than once.
    pub duplicates: u64,
    /// Least round trip, nanoseconds.
    pub least_round_trip: Option<i64>,
}

#[derive(Debug, Clone, Copy)]
struct Interval {
    from: Option<Instant>,
    datagrams: u32,
    octets: u64,
    lost: u32,
    out_of_order: u32,
    duplicates: u32,
    one_way: Delays,
    /// Least, largest and last round trip above its least, milliseconds.
    round_trip: Option<(u32, u32, u32)>,
}

impl Interval {
    const EMPTY: Self = Self {
        from: None,
        datagrams: 0,
        octets: 0,
        lost: 0,
        out_of_order: 0,
        duplicates: 0,
        one_way: Delays { min: 0, max: 0, sum: 0, count: 0 },
        round_trip: None,
    };

    fn span_us(&self, now: Instant) -> u32 {
        let span = self.from.map_or(Duration::ZERO, |from| now.saturating_duration_since(from));
        u32::try_from(span.as_micros()).unwrap_or(u32::MAX)
    }

    fn add_round_trip(&mut self, ms: u32) {
        self.round_trip = Some(match self.round_trip {
            None => (ms, ms, ms),
            Some((min, max, _)) => (min.min(ms), max.max(ms), ms),
        });
    }
}

fn whole_ms(ns: i64) -> u32 {
    u32::try_from(ns.max(0) / 1_000_000).unwrap_or(u32::MAX)
}

impl Receiver {
    /// One that has received nothing yet.
    pub fn new(sub_interval: Duration) -> Self {
        Self {
            sub_interval,
            began: None,
            expected: 1,
            recent: [0; LOOK_BACK],
            feedback: Interval::EMPTY,
            current: Interval::EMPTY,
            ended: Vec::new(),
            status_number: 0,
            least_one_way: None,
            least_round_trip: None,
            minimum_changed: false,
            echoed: WireTime::default(),
            all: Counts::default(),
        }
    }

    /// When the first packet came.
    pub fn began(&self) -> Option<Instant> {
        self.began
    }

    /// What came in all.
    pub fn counts(&self) -> Counts {
        Counts { least_round_trip: self.least_round_trip, ..self.all }
    }

    /// The sub-intervals that have ended.
    pub fn ended(&self) -> &[SubInterval] {
        &self.ended
    }

    /// A packet came: its header, octets of UDP payload, and the wall clock's time of its arrival.
    pub fn on_load(&mut self, now: Instant, header: &Load, octets: usize, arrived_ns: i64) {
        if self.began.is_none() {
            (self.began, self.feedback.from, self.current.from) = (Some(now), Some(now), Some(now));
            // What was sent before this side was ready is nobody's loss.
            self.expected = header.sequence;
        }
        self.end_sub_intervals(now);
        self.order(header.sequence);
        self.all.datagrams += 1;
        self.all.octets += octets as u64;
        for interval in [&mut self.feedback, &mut self.current] {
            interval.datagrams = interval.datagrams.saturating_add(1);
            interval.octets += octets as u64;
        }
        self.delays(header, arrived_ns);
    }

    /// Order, loss and copies. A late packet is taken off the lost again.
    fn order(&mut self, number: u32) {
        let place = number as usize % LOOK_BACK;
        let ahead = number.wrapping_sub(self.expected);
        if ahead < u32::MAX / 2 {
            for lost in [&mut self.feedback.lost, &mut self.current.lost] {
                *lost = lost.saturating_add(ahead);
            }
            self.all.lost += u64::from(ahead);
            self.expected = number.wrapping_add(1);
        } else if self.recent[place] == number {
            for interval in [&mut self.feedback, &mut self.current] {
                interval.duplicates = interval.duplicates.saturating_add(1);
            }
            self.all.duplicates += 1;
            return;
        } else {
            for interval in [&mut self.feedback, &mut self.current] {
                interval.out_of_order = interval.out_of_order.saturating_add(1);
                interval.lost = interval.lost.saturating_sub(1);
            }
            self.all.out_of_order += 1;
            self.all.lost = self.all.lost.saturating_sub(1);
        }
        self.recent[place] = number;
    }

    fn delays(&mut self, header: &Load, arrived_ns: i64) {
        // Whatever a peer's clock says, and ours.
        let difference = arrived_ns.saturating_sub(header.sent.unix_ns());
        let least = self.least_one_way.map_or(difference, |least| least.min(difference));
        self.minimum_changed |= self.least_one_way != Some(least);
        self.least_one_way = Some(least);
        let above = whole_ms(difference.saturating_sub(least));
        self.feedback.one_way.add(above);
        self.current.one_way.add(above);
        // The first echo of a status: later ones were held longer, and the holding is known to a millisecond only.
        if !header.status_sent.is_set() || header.status_sent == self.echoed {
            return;
        }
        self.echoed = header.status_sent;
        let held = i64::from(header.held_ms) * 1_000_000;
        let trip = arrived_ns.saturating_sub(header.status_sent.unix_ns()).saturating_sub(held).max(0);
        let least = self.least_round_trip.map_or(trip, |least| least.min(trip));
        self.minimum_changed |= self.least_round_trip != Some(least);
        self.least_round_trip = Some(least);
        let above = whole_ms(trip - least);
        self.feedback.add_round_trip(above);
        self.current.add_round_trip(above);
    }

    /// Ends the sub-intervals whose time is over.
    pub fn end_sub_intervals(&mut self, now: Instant) {
        let Some(began) = self.began else { return };
        while let Some(from) = self.current.from.filter(|from| now.saturating_duration_since(*from) >= self.sub_interval) {
            // Ends on its grid, so that the next is as long: packets of a held-up reader go to the next.
            let end = from + self.sub_interval;
            let ended = self.current;
            self.ended.push(SubInterval {
                datagrams: ended.datagrams,
                octets: ended.octets,
                span_us: ended.span_us(end),
                lost: ended.lost,
                out_of_order: ended.out_of_order,
                duplicates: ended.duplicates,
                one_way: ended.one_way,
                round_trip: ended.round_trip.map_or((Status::NONE, Status::NONE), |(min, max, _)| (min, max)),
                ended_ms: u32::try_from(end.duration_since(began).as_millis()).unwrap_or(u32::MAX),
            });
            self.current = Interval { from: Some(end), ..Interval::EMPTY };
        }
    }

    /// Draws up a status over the feedback interval and begins the next.
    pub fn status(&mut self, now: Instant, unix_ns: i64) -> Status {
        self.end_sub_intervals(now);
        let interval = self.feedback;
        self.status_number = self.status_number.wrapping_add(1);
        let status = Status {
            sequence: self.status_number,
            sub_interval: u32::try_from(self.ended.len()).unwrap_or(u32::MAX),
            saved: self.ended.last().copied().unwrap_or_default(),
            lost: interval.lost,
            out_of_order: interval.out_of_order,
            duplicates: interval.duplicates,
            clock_delta_min: self.least_one_way.map_or(0, whole_ms),
            one_way: interval.one_way,
            round_trip_min: self.least_round_trip.map_or(Status::NONE, whole_ms),
            round_trip_variation: interval.round_trip.map_or(Status::NONE, |(_, _, last)| last),
            minimum_changed: self.minimum_changed,
            span_us: interval.span_us(now),
            datagrams: interval.datagrams,
            octets: u32::try_from(interval.octets).unwrap_or(u32::MAX),
            sent: WireTime::from_unix_ns(unix_ns),
            ..Status::default()
        };
        self.minimum_changed = false;
        self.feedback = Interval { from: Some(now), ..Interval::EMPTY };
        status
    }
}
