//! Which names of the zone were asked for lately, how often and from where: what reached the authority is the truth about caches.
//!
//! It must not know sockets. Bounded: the oldest names are forgotten, and of those who ask for a name only the first are kept.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;

/// Names that are remembered: some visits' worth.
const NAMES: usize = 16_384;
/// Addresses that are remembered for a name.
const ASKERS: usize = 8;

/// What came for one name.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Seen {
    /// Queries, of any type.
    pub(super) queries: u32,
    /// Where the first of them came from, each once.
    pub(super) askers: Vec<IpAddr>,
}

/// The journal.
#[derive(Debug, Default)]
pub(super) struct Journal {
    seen: HashMap<String, Seen>,
    order: VecDeque<String>,
}

impl Journal {
    /// Takes down a query.
    pub(super) fn note(&mut self, name: &str, from: IpAddr) {
        if !self.seen.contains_key(name) {
            if self.order.len() >= NAMES
                && let Some(oldest) = self.order.pop_front()
            {
                self.seen.remove(&oldest);
            }
            self.order.push_back(name.to_owned());
        }
        let seen = self.seen.entry(name.to_owned()).or_default();
        seen.queries = seen.queries.saturating_add(1);
        if !seen.askers.contains(&from) && seen.askers.len() < ASKERS {
            seen.askers.push(from);
        }
    }

    /// What came for a name; nothing when it was not asked for or is forgotten.
    pub(super) fn of(&self, name: &str) -> Seen {
        self.seen.get(name).cloned().unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn queries_are_counted_and_the_oldest_names_forgotten() {
        let mut journal = Journal::default();
        let at = |last| IpAddr::from([192, 0, 2, last]);
        for from in [1, 1, 2] {
            journal.note("a", at(from));
        }
        assert_eq!(journal.of("a"), Seen { queries: 3, askers: vec![at(1), at(2)] });
        (0..50).for_each(|last| journal.note("a", at(last)));
        assert_eq!(journal.of("a").askers.len(), ASKERS);
        (0..NAMES).for_each(|n| journal.note(&format!("n{n}"), at(1)));
        assert_eq!((journal.of("a"), journal.seen.len(), journal.order.len()), (Seen::default(), NAMES, NAMES));
    }
}
