//! Test calls: bounded per session and in all, and over by themselves. They fill no line, so they need no share of the capacity and run beside loads.

use std::time::{Duration, Instant};

use super::{Admission, Refused};

/// Calls at once of one session, and of all *(ours)*: 256 of 80 kbit/s are 20 Mbit/s.
const AT_ONCE: usize = 34;
const AT_ONCE_OF_ALL: usize = 256;

/// Calls that were admitted together.
#[derive(Debug)]
pub(super) struct Calls {
    session: String,
    id: String,
    count: usize,
    ends_at: Instant,
}

impl Admission {
    /// Admits `count` calls of a session at once, which end within `time`.
    ///
    /// # Errors
    /// [`Refused::Calls`] with the time to come back.
    pub fn admit_calls(
        &mut self,
        now: Instant,
        (session, id): (&str, &str),
        count: usize,
        time: Duration,
    ) -> Result<(), Refused> {
        if !self.sessions.contains_key(session) {
            return Err(Refused::NoSession);
        }
        self.calls.retain(|calls| calls.ends_at > now);
        let is_own = |calls: &&Calls| calls.session == session;
        let own: usize = self.calls.iter().filter(is_own).map(|calls| calls.count).sum();
        let all: usize = self.calls.iter().map(|calls| calls.count).sum();
        if own + count > AT_ONCE || all + count > AT_ONCE_OF_ALL {
            let ends = self.calls.iter().map(|calls| calls.ends_at).min();
            let retry_after = ends.map_or(Duration::ZERO, |at| at.saturating_duration_since(now));
            return Err(Refused::Calls { of_session: AT_ONCE, of_all: AT_ONCE_OF_ALL, retry_after });
        }
        // What opening them and waiting for late packets takes on top.
        let ends_at = now + time + super::END_GRACE;
        self.calls.push(Calls { session: session.to_owned(), id: id.to_owned(), count, ends_at });
        Ok(())
    }

    /// Ends calls that were admitted together.
    pub fn finish_calls(&mut self, id: &str) {
        self.calls.retain(|calls| calls.id != id);
    }

    /// Ends all calls of a session.
    pub(super) fn end_calls_of(&mut self, session: &str) {
        self.calls.retain(|calls| calls.session != session);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::farend::admission::Limits;

    const S: Duration = Duration::from_secs(1);

    #[test]
    fn calls_are_bounded_per_session_and_in_all_and_end_by_themselves() {
        let now = Instant::now();
        let mut book = Admission::new(Limits { sessions_per_token: 64, ..Limits::default() });
        for session in 0..9 {
            book.open(now, &format!("s{session}"), "van 7").unwrap();
        }
        book.admit_calls(now, ("s0", "a"), 17, 10 * S).unwrap();
        book.admit_calls(now, ("s0", "b"), 17, 10 * S).unwrap();
        let refused = book.admit_calls(now + S, ("s0", "c"), 1, 10 * S);
        assert_eq!(refused, Err(Refused::Calls { of_session: 34, of_all: 256, retry_after: 14 * S }));
        book.finish_calls("b");
        book.admit_calls(now + S, ("s0", "c"), 17, 10 * S).unwrap();
        for session in 1..7 {
            book.admit_calls(now, (&format!("s{session}"), "x"), 34, 20 * S).unwrap();
        }
        // 238 are under way.
        assert!(matches!(book.admit_calls(now, ("s7", "y"), 19, S), Err(Refused::Calls { .. })));
        book.admit_calls(now, ("s7", "y"), 18, S).unwrap();
        book.close("s1");
        book.admit_calls(now, ("s8", "z"), 34, S).unwrap();
        assert_eq!(book.admit_calls(now, ("nobody", "z"), 1, S), Err(Refused::NoSession));
        book.admit_calls(now + 25 * S, ("s0", "d"), 34, S).expect("all have ended by themselves");
    }

    #[test]
    fn calls_run_beside_a_load_that_takes_all() {
        let now = Instant::now();
        let mut book = Admission::new(Limits::default());
        book.open(now, "s", "van 7").unwrap();
        for load in ["down", "up"] {
            book.admit(now, ("s", load), S, 4, 0.0).unwrap();
        }
        book.admit_calls(now, ("s", "a"), 2, S).unwrap();
    }
}
