//! The gateway's counters beside the port's, look by look: what the line carried, and what of it was the agent's.
//!
//! Pure: looks come in. The hard thing is whom to believe: counters wrap at 32 bits, stand still for seconds where a
//! gateway refreshes them seldom, and leave out what its hardware forwards.

use std::time::{Duration, Instant};

use crate::unit::Direction;
use crate::wire::igd::action::gained;

/// One look at both.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    /// When the gateway answered.
    pub at: Instant,
    /// Octets that the gateway received from the line, by its counter.
    pub line_down: u64,
    /// Octets that it sent to the line.
    pub line_up: u64,
    /// Octets that the agent's port received, Ethernet without frame check sequence.
    pub port_down: u64,
    /// Octets that it sent.
    pub port_up: u64,
}

/// Looks in order.
#[derive(Debug, Clone, Default)]
pub struct Tally(Vec<Look>);

/// What was counted from the first look to the last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gained {
    /// Octets on the line, by the gateway.
    pub line: u64,
    /// Octets at the agent's port.
    pub port: u64,
}

impl Tally {
    /// Adds a look.
    pub fn add(&mut self, look: Look) {
        self.0.push(look);
    }

    /// From the first look to the last.
    pub fn span(&self) -> Duration {
        match (self.0.first(), self.0.last()) {
            (Some(first), Some(last)) => last.at.duration_since(first.at),
            _ => Duration::ZERO,
        }
    }

    /// Looks that were taken.
    pub fn looks(&self) -> usize {
        self.0.len()
    }

    /// What was gained; `None` with less than two looks, and where the gateway's counter began anew.
    pub fn gained(&self, direction: Direction) -> Option<Gained> {
        let (first, last) = (self.0.first()?, self.0.last()?);
        let steps = self.0.windows(2).map(|pair| gained(line(&pair[0], direction), line(&pair[1], direction)));
        let sum: u64 = steps.sum::<Option<u64>>().filter(|_| self.0.len() > 1)?;
        Some(Gained { line: sum, port: port(last, direction).saturating_sub(port(first, direction)) })
    }

    /// The longest time for which the gateway's counter did not move while the port's did.
    pub fn longest_standstill(&self, direction: Direction) -> Duration {
        let (mut longest, mut since) = (Duration::ZERO, None);
        for pair in self.0.windows(2) {
            let stands = line(&pair[0], direction) == line(&pair[1], direction);
            since = if stands { since.or(Some(pair[0])) } else { None };
            if let Some(began) = since.filter(|began| port(began, direction) < port(&pair[1], direction)) {
                longest = longest.max(pair[1].at.duration_since(began.at));
            }
        }
        longest
    }
}

fn line(look: &Look, direction: Direction) -> u64 {
    match direction {
        Direction::Down => look.line_down,
        Direction::Up => look.line_up,
    }
}

fn port(look: &Look, direction: Direction) -> u64 {
    match direction {
        Direction::Down => look.port_down,
        Direction::Up => look.port_up,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Looks a second apart; line and port downstream.
    fn tally(looks: &[(u64, u64)]) -> Tally {
        let start = Instant::now();
        let mut tally = Tally::default();
        for (second, (line_down, port_down)) in looks.iter().copied().enumerate() {
            let at = start + Duration::from_secs(second as u64);
            tally.add(Look { at, line_down, line_up: 0, port_down, port_up: 0 });
        }
        tally
    }

    #[test]
    fn gains_add_up_over_wraps_that_the_ends_alone_would_hide() {
        let turn = 1_u64 << 32;
        // Twice round, 3 GB a look: the ends alone would show 9 GB less two turns.
        let looks = tally(&[(0, 0), (3_000_000_000, 1), (6_000_000_000 % turn, 2), (9_000_000_000 % turn, 3)]);
        assert_eq!(looks.gained(Direction::Down), Some(Gained { line: 9_000_000_000, port: 3 }));
        assert_eq!((looks.span(), looks.looks()), (Duration::from_secs(3), 4));
    }

    #[test]
    fn one_look_and_a_counter_that_began_anew_tell_nothing() {
        assert_eq!(tally(&[(7, 7)]).gained(Direction::Down), None);
        assert_eq!(tally(&[(6_000_000_000, 0), (10, 5)]).gained(Direction::Down), None);
        assert_eq!(Tally::default().span(), Duration::ZERO);
    }

    #[test]
    fn a_counter_that_is_refreshed_seldom_shows_how_long_it_stood() {
        let looks = tally(&[(0, 0), (0, 10), (0, 20), (0, 30), (30, 40), (40, 50), (40, 60)]);
        assert_eq!(looks.longest_standstill(Direction::Down), Duration::from_secs(3));
        assert_eq!(tally(&[(5, 9), (5, 9), (5, 9)]).longest_standstill(Direction::Down), Duration::ZERO, "nothing moved");
    }
}
