//! One test under way, as either side sees it: load one way, status the other, until both have agreed that it is over.
//!
//! The server decides: it moves along the rate table and says when the time is up. A side that hears nothing holds back after a
//! second and gives up after three (RFC 9946), so a test always ends.

use std::time::{Duration, Instant};

use super::adjust::{Adjuster, Sign};
use super::receiving::{Counts, Receiver};
use super::sending::{Sender, Sent, TrainBuffer};
use super::table::{self, Sizes};
use super::{Row, Terms};
use crate::wire::capacity::{CapacityKeys, Load, SendingRate, Status, Stop, SubInterval, Trailer};

/// Without a status for so long a sender of load holds back.
const HOLD_BACK: Duration = Duration::from_secs(1);
/// Without a packet for so long a side gives up.
const GIVE_UP: Duration = Duration::from_secs(3);
/// What the server adds to the test time, so that the last sub-interval is whole and its status is sent.
const RUN_OUT: Duration = Duration::from_millis(150);
/// How long the server waits for the client to agree on the end.
const AGREEING: Duration = Duration::from_secs(1);
/// What a client waits beyond the test time for the server to end it.
const OVERTIME: Duration = Duration::from_secs(2);
/// Packets with which a client says that it agrees.
const FAREWELLS: u8 = 3;

/// Which side this is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// It asked for the test and follows.
    Client,
    /// It moves along the rate table, up to this row, with packets of these sizes.
    Server(Sizes, usize),
}

/// How status packets are signed.
#[derive(Debug, Clone)]
pub struct Signing {
    /// The test's keys.
    pub keys: CapacityKeys,
    /// Number of the shared one.
    pub number: u8,
}

/// How a test ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// Both sides agreed, or the client never said so.
    Complete,
    /// The other side was not heard any more.
    Silent,
    /// This side was told to stop.
    Stopped,
}

#[derive(Debug, Clone)]
enum Part {
    Sends(Sender),
    Receives(Box<Receiver>),
}

/// A test under way.
#[derive(Debug, Clone)]
pub struct Flow {
    terms: Terms,
    part: Part,
    adjuster: Option<(Adjuster, Sizes)>,
    signing: Option<Signing>,
    began: Instant,
    heard_at: Instant,
    /// Anything was heard at all.
    has_heard: bool,
    status_due: Option<Instant>,
    /// When a missing status counts as a bad report, and how many were missing in a row.
    feedback_late: (Instant, u32),
    ending_since: Option<Instant>,
    farewells_left: Option<u8>,
    end: Option<End>,
    told: Vec<SubInterval>,
    told_up_to: u32,
    signs: (u32, u32),
    wrongly_signed: u64,
    highest_row: usize,
}

impl Flow {
    /// Begins. `sends` tells whether this side sends the load; `first` is how a client was told to begin.
    pub fn new(now: Instant, side: Side, terms: Terms, sends: bool, first: SendingRate, signing: Option<Signing>) -> Self {
        let adjuster = match side {
            Side::Client => None,
            Side::Server(sizes, last_row) => {
                let row = terms.row.map_or(0, Row::number);
                Some((Adjuster::new(&terms, row, last_row, matches!(terms.row, Some(Row::Fixed(_)))), sizes))
            }
        };
        let first = adjuster.as_ref().map_or(first, |(adjuster, sizes)| table::sending_rate(adjuster.row(), *sizes));
        let part = if sends {
            Part::Sends(Sender::new(now, first))
        } else {
            Part::Receives(Box::new(Receiver::new(terms.sub_interval)))
        };
        let highest_row = adjuster.as_ref().map_or(0, |(adjuster, _)| adjuster.row());
        Self {
            terms,
            part,
            adjuster,
            signing,
            began: now,
            heard_at: now,
            has_heard: false,
            status_due: None,
            feedback_late: (now + terms.high + terms.feedback * 2, 0),
            ending_since: None,
            farewells_left: None,
            end: None,
            told: Vec::new(),
            told_up_to: 0,
            signs: (0, 0),
            wrongly_signed: 0,
            highest_row,
        }
    }

    /// How it ended, once it has.
    pub fn end(&self) -> Option<End> {
        self.end
    }

    /// Ends it at once; the other side finds out by the silence.
    pub fn stop(&mut self) {
        self.end.get_or_insert(End::Stopped);
    }

    /// What this side sent of load.
    pub fn sent(&self) -> Option<Sent> {
        match &self.part {
            Part::Sends(sender) => Some(sender.sent()),
            Part::Receives(_) => None,
        }
    }

    /// What this side received of load.
    pub fn received(&self) -> Option<Counts> {
        match &self.part {
            Part::Sends(_) => None,
            Part::Receives(receiver) => Some(receiver.counts()),
        }
    }

    /// The sub-intervals as the receiver of load saw them, here or over there.
    pub fn sub_intervals(&self) -> &[SubInterval] {
        match &self.part {
            Part::Sends(_) => &self.told,
            Part::Receives(receiver) => receiver.ended(),
        }
    }

    /// Reports that said "good", and that said "bad"; known to a server only.
    pub fn signs(&self) -> Option<(u32, u32)> {
        self.adjuster.as_ref().map(|_| self.signs)
    }

    /// The highest rate that a server asked for, Mbit/s at the IP layer.
    pub fn highest_mbit(&self) -> Option<f64> {
        self.adjuster.as_ref().map(|_| table::mbit(self.highest_row))
    }

    /// Status packets with a wrong signature.
    pub fn wrongly_signed(&self) -> u64 {
        self.wrongly_signed
    }

    fn is_server(&self) -> bool {
        self.adjuster.is_some()
    }

    /// A packet came, by the wall clock at `arrived_ns`.
    pub fn on_packet(&mut self, now: Instant, arrived_ns: i64, octets: &[u8]) {
        if matches!(self.part, Part::Receives(_)) {
            if let Ok(header) = Load::parse(octets) {
                self.on_load(now, arrived_ns, &header, octets.len());
            }
        } else if let Ok(status) = Status::parse(octets) {
            let signed = self
                .signing
                .as_ref()
                .is_none_or(|signing| octets.len() == Status::LEN && signing.keys.verifies(!self.is_server(), octets));
            if signed { self.on_status(now, &status) } else { self.wrongly_signed += 1 }
        }
    }

    fn heard(&mut self, now: Instant) {
        self.heard_at = self.heard_at.max(now);
        self.has_heard = true;
    }

    fn on_load(&mut self, now: Instant, arrived_ns: i64, header: &Load, octets: usize) {
        self.heard(now);
        let Part::Receives(receiver) = &mut self.part else { return };
        match (header.stop, self.adjuster.is_some()) {
            // Not load any more: the client agrees, or the server wants to end.
            (Stop::Agreed, true) => self.end = self.end.or(Some(End::Complete)),
            (Stop::Wanted | Stop::Agreed, false) => {
                receiver.end_sub_intervals(now);
                if self.farewells_left.is_none() {
                    (self.farewells_left, self.status_due) = (Some(FAREWELLS), Some(now));
                }
            }
            _ => {
                let is_first = receiver.began().is_none();
                receiver.on_load(now, header, octets, arrived_ns);
                if is_first {
                    self.status_due = Some(now + self.terms.feedback);
                }
            }
        }
    }

    fn on_status(&mut self, now: Instant, status: &Status) {
        self.heard(now);
        let Part::Sends(sender) = &mut self.part else { return };
        sender.on_status(now, status.sequence, status.sent);
        sender.pause(now, false);
        if status.sub_interval > self.told_up_to {
            self.told_up_to = status.sub_interval;
            self.told.push(status.saved);
        }
        self.feedback_late = (now + self.terms.high + self.terms.feedback * 2, 0);
        if self.adjuster.is_some() {
            match status.stop {
                Stop::Agreed => self.end = self.end.or(Some(End::Complete)),
                _ if self.ending_since.is_none() => self.adjust(now, Some(status)),
                _ => {}
            }
        } else if status.stop == Stop::Active {
            sender.set_rate(now, status.rate);
        } else if self.farewells_left.is_none() {
            sender.close(now, Stop::Agreed);
            self.farewells_left = Some(FAREWELLS);
        }
    }

    /// A report, or that there was none, moves the rate.
    fn adjust(&mut self, now: Instant, status: Option<&Status>) {
        let Some((adjuster, sizes)) = &mut self.adjuster else { return };
        let (errors, delay) = match status {
            // Each time that none came counts as a bad report (RFC 9097 section 8.1).
            None => (u64::MAX, None),
            Some(status) => {
                let order =
                    if self.terms.ignores_order { 0 } else { u64::from(status.out_of_order) + u64::from(status.duplicates) };
                let delay = (status.round_trip_variation != Status::NONE).then(|| f64::from(status.round_trip_variation));
                (u64::from(status.lost) + order, delay)
            }
        };
        match adjuster.on_report(errors, delay) {
            Sign::Good => self.signs.0 += 1,
            Sign::Bad => self.signs.1 += 1,
            Sign::Neither => {}
        }
        self.highest_row = self.highest_row.max(adjuster.row());
        let rate = table::sending_rate(adjuster.row(), *sizes);
        if let Part::Sends(sender) = &mut self.part {
            sender.set_rate(now, rate);
        }
    }

    /// Calls for what time brings; harmless at any time.
    pub fn on_wake(&mut self, now: Instant) {
        if self.end.is_some() {
            return;
        }
        let silent = now.saturating_duration_since(self.heard_at);
        let over = now.saturating_duration_since(self.began);
        if self.farewells_left == Some(0) {
            self.end = Some(End::Complete);
        } else if silent >= GIVE_UP {
            self.end = Some(End::Silent);
        } else if let Some(since) = self.ending_since {
            if now.saturating_duration_since(since) >= AGREEING {
                self.end = Some(End::Complete);
            }
        } else if self.is_server() {
            self.end_on_time(now);
        } else if over >= self.terms.time + OVERTIME + GIVE_UP {
            // A server that never ends is left.
            self.end = Some(End::Complete);
        }
        if let Part::Sends(sender) = &mut self.part {
            if silent >= HOLD_BACK && self.has_heard {
                sender.pause(now, true);
            }
            if self.adjuster.is_some() && self.ending_since.is_none() && now >= self.feedback_late.0 {
                let repeats = self.feedback_late.1 + 1;
                self.feedback_late = (now + self.terms.high + self.terms.feedback * (2 + repeats), repeats);
                self.adjust(now, None);
            }
        }
    }

    fn end_on_time(&mut self, now: Instant) {
        let from = match &self.part {
            Part::Sends(_) => Some(self.began),
            Part::Receives(receiver) => receiver.began(),
        };
        if from.is_some_and(|from| now.saturating_duration_since(from) >= self.terms.time + RUN_OUT) {
            self.ending_since = Some(now);
            if let Part::Sends(sender) = &mut self.part {
                sender.close(now, Stop::Wanted);
            }
        }
    }

    /// Writes the next train of load that is due; false when none is.
    pub fn fill(&mut self, now: Instant, unix_ns: i64, train: &mut TrainBuffer) -> bool {
        let Part::Sends(sender) = &mut self.part else { return false };
        let filled = self.end.is_none() && sender.fill(now, unix_ns, train);
        if let (true, Some(left)) = (filled, &mut self.farewells_left) {
            *left = left.saturating_sub(1);
        }
        filled
    }

    /// The next status packet that is due.
    pub fn status(&mut self, now: Instant, unix_ns: i64) -> Option<Vec<u8>> {
        self.status_due.filter(|due| *due <= now && self.end.is_none())?;
        let Part::Receives(receiver) = &mut self.part else { return None };
        let mut status = receiver.status(now, unix_ns);
        status.hears_nothing = now.saturating_duration_since(self.heard_at) >= HOLD_BACK;
        status.stop = match (self.farewells_left, self.ending_since) {
            (Some(_), _) => Stop::Agreed,
            (None, Some(_)) => Stop::Wanted,
            (None, None) => Stop::Active,
        };
        if let Some(left) = &mut self.farewells_left {
            *left = left.saturating_sub(1);
        } else if self.ending_since.is_none() {
            self.adjust(now, Some(&status));
        }
        if let Some((adjuster, sizes)) = &self.adjuster {
            status.rate = table::sending_rate(adjuster.row(), *sizes);
        }
        // The next on its grid, unless this one came far too late.
        let next = self.status_due.map_or(now, |due| due + self.terms.feedback);
        self.status_due = Some(if next > now { next } else { now + self.terms.feedback });
        let Some(signing) = &self.signing else { return Some(status.emit()) };
        status.trailer = Trailer { mode: 2, unix_time: status.sent.seconds, key: signing.number };
        let mut octets = status.emit();
        signing.keys.sign(self.is_server(), &mut octets);
        Some(octets)
    }

    /// When something may be due again.
    pub fn next_wake(&self) -> Instant {
        let looks = self.heard_at + if self.is_server() && self.ending_since.is_some() { AGREEING } else { GIVE_UP };
        let load = match &self.part {
            Part::Sends(sender) => sender.next_wake(),
            Part::Receives(_) => None,
        };
        let late = (self.adjuster.is_some() && matches!(self.part, Part::Sends(_))).then_some(self.feedback_late.0);
        let over = match (&self.part, self.is_server()) {
            (Part::Receives(receiver), true) => receiver.began().map(|began| began + self.terms.time + RUN_OUT),
            (_, true) => Some(self.began + self.terms.time + RUN_OUT),
            (_, false) => Some(self.began + self.terms.time + OVERTIME + GIVE_UP),
        };
        let over = over.filter(|_| self.ending_since.is_none());
        [load, self.status_due, late, over].into_iter().flatten().fold(looks, Instant::min)
    }
}
