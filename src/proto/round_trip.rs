//! One probe's time in flight, from the stamps of both ends.
//!
//! It knows no packet. The hard thing: the transmit stamp may come after the answer, or never; and the wall clock that
//! stamps count may be stepped in between.

use std::time::{Duration, Instant};

use crate::unit::{Stamp, StampSource, StampSpan};

/// A moment by both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    /// Wall clock, and who read it.
    pub stamp: Stamp,
    /// Monotonic clock.
    pub at: Instant,
}

/// A probe on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Flight {
    submitted: Moment,
    departed: Option<Moment>,
    arrived: Option<Moment>,
}

/// What is known of a flight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settled {
    /// The answer, or the transmit stamp that makes it exact, is still to come.
    NotYet,
    /// The round trip and the weaker source of its two stamps.
    RoundTrip(Duration, StampSource),
    /// Answered, but wall clock and monotonic clock disagree about the time: not to be used, not lost either.
    ClocksDisagree,
}

impl Flight {
    /// A flight that begins with the moment before the send call.
    pub fn new(submitted: Moment) -> Self {
        Self { submitted, departed: None, arrived: None }
    }

    /// The moment of the transmit stamp if there is one, else that before the send call.
    pub fn began(&self) -> Moment {
        self.departed.unwrap_or(self.submitted)
    }

    /// Takes the transmit stamp; only the first one counts.
    pub fn on_departure(&mut self, moment: Moment) {
        self.departed.get_or_insert(moment);
    }

    /// Takes the arrival of the answer; only the first one counts.
    pub fn on_arrival(&mut self, moment: Moment) {
        self.arrived.get_or_insert(moment);
    }

    /// True once an answer came.
    pub fn is_answered(&self) -> bool {
        self.arrived.is_some()
    }

    /// The round trip. Without a transmit stamp it is `NotYet`, unless `is_final`: then the user stamp has to do.
    pub fn settle(&self, is_final: bool) -> Settled {
        let Some(arrived) = self.arrived else { return Settled::NotYet };
        if self.departed.is_none() && !is_final {
            return Settled::NotYet;
        }
        let began = self.began();
        // Saturates to zero when the order is reversed, which the comparison then refuses if it is more than a trifle.
        let monotonic = arrived.at.saturating_duration_since(began.at);
        match arrived.stamp.span_since(began.stamp, monotonic) {
            StampSpan::Agreed(span, source) => Settled::RoundTrip(span, source),
            StampSpan::ClocksDisagree => Settled::ClocksDisagree,
        }
    }
}

/// How long an answer took.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Took {
    /// From the first message that it can answer: what a user waits, never flattering.
    pub longest: Duration,
    /// From the last one. The same unless the message was sent again in the same transaction.
    pub shortest: Duration,
    /// The weakest stamp behind it.
    pub stamped_by: StampSource,
}

impl Took {
    /// The times between messages of one transaction and an answer to it.
    pub fn between(sends: impl Iterator<Item = Flight>, arrived: Moment) -> Option<Self> {
        let spans: Vec<(Duration, StampSource)> = sends
            .filter(|flight| flight.began().at <= arrived.at)
            .map(|mut flight| {
                let monotonic = arrived.at.saturating_duration_since(flight.began().at);
                flight.on_arrival(arrived);
                match flight.settle(true) {
                    Settled::RoundTrip(span, source) => (span, source),
                    // The wall clock was stepped in between: the monotonic clock of this program has to do.
                    Settled::ClocksDisagree | Settled::NotYet => (monotonic, StampSource::User),
                }
            })
            .collect();
        let (longest, stamped_by) = *spans.iter().max_by_key(|(span, _)| *span)?;
        let shortest = spans.iter().map(|(span, _)| *span).min().unwrap_or(longest);
        Some(Self { longest, shortest, stamped_by })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moment(start: Instant, ms: u64, source: StampSource) -> Moment {
        Moment {
            stamp: Stamp { unix_ns: 1_000_000_000_000 + ms as i64 * 1_000_000, source, adapter_ns: None },
            at: start + Duration::from_millis(ms),
        }
    }

    #[test]
    fn the_round_trip_runs_between_kernel_stamps_in_whatever_order_they_come() {
        let start = Instant::now();
        let mut flight = Flight::new(moment(start, 0, StampSource::User));
        flight.on_arrival(moment(start, 21, StampSource::Kernel));
        assert_eq!(flight.settle(false), Settled::NotYet);
        flight.on_departure(moment(start, 1, StampSource::Kernel));
        flight.on_arrival(moment(start, 90, StampSource::Kernel));
        assert_eq!(flight.settle(false), Settled::RoundTrip(Duration::from_millis(20), StampSource::Kernel));
    }

    #[test]
    fn without_a_transmit_stamp_the_user_stamp_has_to_do_and_is_named() {
        let start = Instant::now();
        let mut flight = Flight::new(moment(start, 0, StampSource::User));
        flight.on_arrival(moment(start, 21, StampSource::Kernel));
        assert_eq!(flight.settle(true), Settled::RoundTrip(Duration::from_millis(21), StampSource::User));
    }

    #[test]
    fn a_clock_step_in_flight_is_neither_loss_nor_delay() {
        let start = Instant::now();
        let mut flight = Flight::new(moment(start, 0, StampSource::User));
        flight.on_departure(moment(start, 0, StampSource::Kernel));
        let mut arrived = moment(start, 20, StampSource::Kernel);
        arrived.stamp.unix_ns -= 500_000_000;
        flight.on_arrival(arrived);
        assert_eq!(flight.settle(false), Settled::ClocksDisagree);
    }
}
