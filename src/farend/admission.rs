//! Who may do what now: sessions, and loads against the far end's capacity.
//!
//! Pure bookkeeping: time is handed in, so that every limit is tested without waiting. Two visits never measure each other:
//! loads run one at a time per capacity share, and a load that does not fit is refused with the time to come back. A visit's own
//! two loads, one each way, may run at once: it fills both ways on purpose.

mod calls;

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

/// Limits of a far end.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Rate that loads may take together, Mbit/s.
    pub capacity_mbit: f64,
    /// Sessions at once, of all agents.
    pub sessions: usize,
    /// Sessions at once per token.
    pub sessions_per_token: usize,
    /// A session without a request ends after this.
    pub idle: Duration,
    /// Longest load.
    pub load_time: Duration,
    /// Time of all loads of a session together.
    pub session_load_time: Duration,
    /// Streams of a load.
    pub streams: u16,
}

impl Default for Limits {
    /// 1 Gbit/s, 64 sessions (8 per token), 15 min idle, 2 min a load, 20 min a session, 64 streams.
    fn default() -> Self {
        Self {
            capacity_mbit: 1000.0,
            sessions: 64,
            sessions_per_token: 8,
            idle: Duration::from_secs(15 * 60),
            load_time: Duration::from_secs(120),
            session_load_time: Duration::from_secs(20 * 60),
            streams: 64,
        }
    }
}

/// Why something is not admitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refused {
    /// All sessions are taken.
    #[error("all {0} sessions are taken")]
    Sessions(usize),
    /// All sessions of this token are taken.
    #[error("all {0} sessions of this token are taken")]
    SessionsOfToken(usize),
    /// Other loads take the capacity.
    #[error("another visit is filling the line to this far end")]
    Busy {
        /// When enough will be free at the latest.
        retry_after: Duration,
    },
    /// The session has used up its load time.
    #[error("this session has used up its {0} s of load")]
    UsedUp(u64),
    /// A limit of one load.
    #[error("a load may have 1 to {streams} streams and take at most {seconds} s")]
    TooLarge {
        /// Streams at most.
        streams: u16,
        /// Seconds at most.
        seconds: u64,
    },
    /// The way back was probed too often of late.
    #[error("the way back was probed too often in the last minute")]
    Often {
        /// When the next is admitted.
        retry_after: Duration,
    },
    /// As many test calls as it takes are under way.
    #[error("as many test calls as this far end takes are under way: {of_session} of a session, {of_all} in all")]
    Calls {
        /// At most of one session.
        of_session: usize,
        /// At most of all.
        of_all: usize,
        /// When the next is admitted at the latest.
        retry_after: Duration,
    },
    /// No such session.
    #[error("no such session: it ended, or was idle too long")]
    NoSession,
}

/// The book.
#[derive(Debug)]
pub struct Admission {
    limits: Limits,
    sessions: BTreeMap<String, Session>,
    loads: BTreeMap<String, Load>,
    /// Whose way back was probed when, in the last minute; kept beyond a session's end.
    probed: Vec<(Instant, String)>,
    calls: Vec<calls::Calls>,
}

#[derive(Debug)]
struct Session {
    token_label: String,
    last_used_at: Instant,
    load_time_used: Duration,
}

#[derive(Debug)]
struct Load {
    session: String,
    share_mbit: f64,
    ends_at: Instant,
}

impl Admission {
    /// An empty book.
    pub fn new(limits: Limits) -> Self {
        Self { limits, sessions: BTreeMap::new(), loads: BTreeMap::new(), probed: Vec::new(), calls: Vec::new() }
    }

    /// Opens a session. `id` must be new.
    ///
    /// # Errors
    /// When the far end or the token has all its sessions.
    pub fn open(&mut self, now: Instant, id: &str, token_label: &str) -> Result<(), Refused> {
        if self.sessions.len() >= self.limits.sessions {
            return Err(Refused::Sessions(self.limits.sessions));
        }
        if self.sessions.values().filter(|s| s.token_label == token_label).count() >= self.limits.sessions_per_token {
            return Err(Refused::SessionsOfToken(self.limits.sessions_per_token));
        }
        let session = Session { token_label: token_label.to_owned(), last_used_at: now, load_time_used: Duration::ZERO };
        self.sessions.insert(id.to_owned(), session);
        Ok(())
    }

    /// Notes that a session is used by a token.
    ///
    /// # Errors
    /// When it is not open, or another token's.
    pub fn touch(&mut self, now: Instant, id: &str, token_label: &str) -> Result<(), Refused> {
        let session = self.sessions.get_mut(id).filter(|s| s.token_label == token_label).ok_or(Refused::NoSession)?;
        session.last_used_at = now;
        Ok(())
    }

    /// Closes a session and its loads.
    pub fn close(&mut self, id: &str) {
        self.sessions.remove(id);
        self.loads.retain(|_, load| load.session != id);
        self.end_calls_of(id);
    }

    /// The sessions that were idle too long, closed by this call.
    pub fn expire(&mut self, now: Instant) -> Vec<String> {
        let idle = self.limits.idle;
        let late = |s: &Session| now.saturating_duration_since(s.last_used_at) >= idle;
        let ended: Vec<String> = self.sessions.iter().filter(|(_, s)| late(s)).map(|(id, _)| id.clone()).collect();
        for id in &ended {
            self.close(id);
        }
        ended
    }

    /// When the next session will have been idle too long, if none is used until then.
    pub fn next_expiry(&self) -> Option<Instant> {
        self.sessions.values().map(|s| s.last_used_at + self.limits.idle).min()
    }

    /// Admits a load of a session. `expected_mbit` of zero takes the whole capacity.
    ///
    /// # Errors
    /// When it does not fit, with the time to come back.
    pub fn admit(
        &mut self,
        now: Instant,
        (session, load): (&str, &str),
        time: Duration,
        streams: u16,
        expected_mbit: f64,
    ) -> Result<(), Refused> {
        let Limits { load_time, session_load_time, streams: most, .. } = self.limits;
        if streams == 0 || streams > most || time > load_time {
            return Err(Refused::TooLarge { streams: most, seconds: load_time.as_secs() });
        }
        let used = self.sessions.get(session).ok_or(Refused::NoSession)?.load_time_used;
        if used + time > session_load_time {
            return Err(Refused::UsedUp(session_load_time.as_secs()));
        }
        self.place(now, (session, load), time, expected_mbit)?;
        if let Some(session) = self.sessions.get_mut(session) {
            session.load_time_used += time;
        }
        Ok(())
    }

    /// Admits a load of a peer that has no session here but a key of its own.
    ///
    /// # Errors
    /// [`Refused::Busy`] when it does not fit.
    pub fn admit_guest(&mut self, now: Instant, load: &str, time: Duration, expected_mbit: f64) -> Result<(), Refused> {
        self.place(now, ("", load), time.min(self.limits.load_time), expected_mbit)
    }

    /// Gives a load its share of the capacity, if there is room.
    fn place(&mut self, now: Instant, (session, load): (&str, &str), time: Duration, expected_mbit: f64) -> Result<(), Refused> {
        let capacity_mbit = self.limits.capacity_mbit;
        self.loads.retain(|_, load| load.ends_at > now);
        let share_mbit = if expected_mbit > 0.0 { expected_mbit.min(capacity_mbit) } else { capacity_mbit };
        let taken: f64 = self.loads.values().map(|load| load.share_mbit).sum();
        let is_own = |load: &&Load| !session.is_empty() && load.session == session;
        let own = self.loads.values().filter(is_own).count();
        // With nobody else there, a second load of its own measures no other visit.
        let is_alone = own < OWN_AT_ONCE && own == self.loads.len();
        if !is_alone && taken + share_mbit > capacity_mbit {
            return Err(Refused::Busy { retry_after: self.free_after(now, share_mbit) });
        }
        let entry = Load { session: session.to_owned(), share_mbit, ends_at: now + time + END_GRACE };
        self.loads.insert(load.to_owned(), entry);
        Ok(())
    }

    /// Admits probes of a session's way back: six a minute, and sixty for all sessions *(ours)*.
    ///
    /// # Errors
    /// [`Refused::Often`] with the time to come back.
    pub fn admit_probes(&mut self, now: Instant, session: &str) -> Result<(), Refused> {
        if !self.sessions.contains_key(session) {
            return Err(Refused::NoSession);
        }
        self.probed.retain(|(at, _)| now.saturating_duration_since(*at) < MINUTE);
        let own: Vec<Instant> = self.probed.iter().filter(|(_, whose)| whose == session).map(|(at, _)| *at).collect();
        let oldest = if own.len() >= PROBES_A_MINUTE {
            own.first().copied()
        } else {
            self.probed.first().map(|(at, _)| *at).filter(|_| self.probed.len() >= PROBES_A_MINUTE_OF_ALL)
        };
        if let Some(oldest) = oldest {
            return Err(Refused::Often { retry_after: (oldest + MINUTE).saturating_duration_since(now) });
        }
        self.probed.push((now, session.to_owned()));
        Ok(())
    }

    /// Ends a load: its share is free.
    pub fn finish(&mut self, load: &str) {
        self.loads.remove(load);
    }

    /// After which time enough loads will have ended for a share.
    fn free_after(&self, now: Instant, share_mbit: f64) -> Duration {
        let mut ends: Vec<(Instant, f64)> = self.loads.values().map(|load| (load.ends_at, load.share_mbit)).collect();
        ends.sort_by_key(|(at, _)| *at);
        let mut taken: f64 = ends.iter().map(|(_, share)| share).sum();
        for (at, share) in ends {
            taken -= share;
            if taken <= 0.0 || taken + share_mbit <= self.limits.capacity_mbit {
                return at.saturating_duration_since(now);
            }
        }
        Duration::ZERO
    }
}

const MINUTE: Duration = Duration::from_secs(60);
/// How often a session's way back is probed within a minute, and how often those of all sessions.
const PROBES_A_MINUTE: usize = 6;
const PROBES_A_MINUTE_OF_ALL: usize = 60;
/// Loads of one visit at once, whatever their shares: one each way.
const OWN_AT_ONCE: usize = 2;
/// What a load may take beyond its time: connecting, and what a deep buffer still holds when the sender ends.
const END_GRACE: Duration = Duration::from_secs(5);

#[cfg(test)]
mod tests {
    use super::*;

    const S: Duration = Duration::from_secs(1);

    fn book(capacity_mbit: f64) -> (Admission, Instant) {
        let now = Instant::now();
        let mut book = Admission::new(Limits { capacity_mbit, sessions: 3, sessions_per_token: 2, ..Limits::default() });
        book.open(now, "a", "van 7").unwrap();
        book.open(now, "b", "van 8").unwrap();
        (book, now)
    }

    #[test]
    fn a_second_load_waits_until_the_first_has_ended() {
        let (mut book, now) = book(1000.0);
        book.admit(now, ("a", "1"), 10 * S, 4, 0.0).unwrap();
        let refused = book.admit(now + S, ("b", "2"), 10 * S, 4, 0.0);
        assert_eq!(refused, Err(Refused::Busy { retry_after: 14 * S }));
        book.finish("1");
        book.admit(now + S, ("b", "2"), 10 * S, 4, 0.0).unwrap();
    }

    #[test]
    fn a_visit_may_fill_both_ways_at_once_when_nobody_else_is_there() {
        let (mut book, now) = book(1000.0);
        book.admit(now, ("a", "down"), 10 * S, 4, 0.0).unwrap();
        book.admit(now, ("a", "up"), 10 * S, 4, 0.0).unwrap();
        assert!(matches!(book.admit(now, ("a", "third"), 10 * S, 4, 0.0), Err(Refused::Busy { .. })));
        assert!(matches!(book.admit(now, ("b", "2"), 10 * S, 4, 1.0), Err(Refused::Busy { .. })));
        book.finish("down");
        assert!(matches!(book.admit(now, ("b", "2"), 10 * S, 4, 1.0), Err(Refused::Busy { .. })));
        book.finish("up");
        book.admit(now, ("b", "2"), 10 * S, 4, 600.0).unwrap();
        assert!(matches!(book.admit(now, ("a", "down"), 10 * S, 4, 600.0), Err(Refused::Busy { .. })));
    }

    #[test]
    fn a_load_that_never_finished_frees_its_share_by_itself() {
        let (mut book, now) = book(1000.0);
        book.admit(now, ("a", "1"), 10 * S, 4, 0.0).unwrap();
        book.admit(now + 16 * S, ("b", "2"), 10 * S, 4, 0.0).unwrap();
    }

    #[test]
    fn small_loads_share_the_capacity_and_one_larger_than_all_of_it_runs_alone() {
        let (mut book, now) = book(1000.0);
        book.admit(now, ("a", "1"), S, 4, 400.0).unwrap();
        book.admit(now, ("b", "2"), S, 4, 600.0).unwrap();
        assert!(matches!(book.admit(now, ("b", "3"), S, 4, 1.0), Err(Refused::Busy { .. })));
        book.finish("1");
        book.finish("2");
        book.admit(now, ("a", "4"), S, 4, 5000.0).unwrap();
    }

    #[test]
    fn sessions_are_bounded_in_all_and_per_token_and_end_when_idle() {
        let (mut book, now) = book(1000.0);
        book.open(now, "c", "van 7").unwrap();
        assert_eq!(book.open(now, "d", "van 9"), Err(Refused::Sessions(3)));
        book.close("b");
        assert_eq!(book.open(now, "d", "van 7"), Err(Refused::SessionsOfToken(2)));
        book.touch(now + 600 * S, "a", "van 7").unwrap();
        assert_eq!(book.touch(now, "a", "van 8"), Err(Refused::NoSession), "another token's session is none");
        assert_eq!(book.next_expiry(), Some(now + 900 * S));
        assert_eq!(book.expire(now + 900 * S), ["c"]);
        assert_eq!(book.touch(now + 900 * S, "c", "van 7"), Err(Refused::NoSession));
    }

    #[test]
    fn the_way_back_is_probed_six_times_a_minute_and_a_new_session_is_no_way_round() {
        let (mut book, now) = book(1000.0);
        for second in 0..6 {
            book.admit_probes(now + second * S, "a").unwrap();
        }
        assert_eq!(book.admit_probes(now + 10 * S, "a"), Err(Refused::Often { retry_after: 50 * S }));
        book.admit_probes(now + 10 * S, "b").unwrap();
        book.admit_probes(now + 60 * S, "a").unwrap();
        assert_eq!(book.admit_probes(now, "x"), Err(Refused::NoSession));
        for session in 0..60 {
            let id = format!("new {session}");
            book.close("b");
            book.open(now, &id, "van 9").unwrap();
            let admitted = book.admit_probes(now + 130 * S, &id);
            assert!(admitted.is_ok(), "{session}: {admitted:?}");
            book.close(&id);
        }
        assert_eq!(book.admit_probes(now + 131 * S, "a"), Err(Refused::Often { retry_after: 59 * S }));
    }

    #[test]
    fn loads_are_bounded_in_time_and_streams() {
        let (mut book, now) = book(1000.0);
        assert!(matches!(book.admit(now, ("a", "1"), 121 * S, 4, 0.0), Err(Refused::TooLarge { .. })));
        assert!(matches!(book.admit(now, ("a", "1"), S, 65, 0.0), Err(Refused::TooLarge { .. })));
        for load in 0..10 {
            book.admit(now, ("a", &load.to_string()), 120 * S, 4, 0.0).unwrap();
            book.finish(&load.to_string());
        }
        assert_eq!(book.admit(now, ("a", "x"), S, 4, 0.0), Err(Refused::UsedUp(1200)));
    }
}
