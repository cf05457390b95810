//! Which names are asked for, and what the truth about each is. Pure: random numbers come in.

use std::net::{IpAddr, Ipv4Addr};

use super::Counts;
use crate::proto::dns_probe::Lookup;
use crate::wire::dns::{Code, Reply, address_of_label};

/// Why a name is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// Nobody has asked for it before.
    Uncached,
    /// The first lookup of the name that is then asked for again: fills the cache, and is not counted as cached.
    Priming,
    /// Asked for before.
    Cached,
    /// Must not exist.
    Nonexistent,
}

/// What is true of a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Truth {
    /// It has this address and no other.
    Address(Ipv4Addr),
    /// It does not exist.
    NoSuchName,
}

impl Truth {
    /// Whether an answer is false; failures and empty answers claim nothing.
    pub(super) fn is_belied_by(self, reply: &Reply) -> bool {
        match self {
            Self::Address(address) => {
                reply.code == Code::NoSuchName || reply.addresses.iter().any(|given| *given != IpAddr::V4(address))
            }
            Self::NoSuchName => !reply.addresses.is_empty(),
        }
    }
}

/// One name to ask for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Question {
    pub(super) name: String,
    pub(super) purpose: Purpose,
    pub(super) truth: Truth,
    /// Whether only the far end's zone can answer it: a failure may then be the zone's and not the resolver's.
    pub(super) is_of_zone: bool,
}

/// All that one resolver is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Questions {
    /// Over UDP, in order.
    pub(super) over_udp: Vec<Question>,
    /// Message numbers of those, unique.
    ids: Vec<u16>,
    /// Over TCP, in order.
    pub(super) over_tcp: Vec<Question>,
    /// A name of the zone whose answer does not fit a datagram.
    pub(super) large: Option<String>,
}

impl Questions {
    /// `run` makes the names of this run unlike all others; `random` draws message numbers (RFC 5452 section 9.2).
    pub(super) fn new(run: u64, zone: Option<&str>, counts: Counts, mut random: impl FnMut() -> u16) -> Self {
        let Counts { uncached, cached, nonexistent, over_tcp } = counts;
        let known = |purpose, label: String| match zone {
            Some(zone) => {
                let truth = Truth::Address(address_of_label(&label));
                Question { name: format!("{label}.u.{}.", zone.trim_end_matches('.')), purpose, truth, is_of_zone: true }
            }
            None => Question { name: format!("{label}.invalid."), purpose, truth: Truth::NoSuchName, is_of_zone: false },
        };
        let unique = |kind: char, n: usize| format!("{kind}{n}-{run:016x}");
        let mut over_udp: Vec<Question> = vec![known(Purpose::Priming, unique('c', 0))];
        let absent = |n: usize| {
            // In turns below `invalid` and below the zone: a resolver may lie about one and not about the other.
            let below = zone.filter(|_| n.is_multiple_of(2));
            let parent = below.map_or("invalid", |zone| zone.trim_end_matches('.'));
            Question {
                name: format!("{}.{parent}.", unique('n', n)),
                purpose: Purpose::Nonexistent,
                truth: Truth::NoSuchName,
                is_of_zone: below.is_some(),
            }
        };
        // Mixed, so that a resolver that limits its answers is not silent for one kind only.
        for n in 0..uncached.max(cached).max(nonexistent) {
            over_udp.extend((n < uncached).then(|| known(Purpose::Uncached, unique('u', n))));
            over_udp.extend((n < cached).then(|| known(Purpose::Cached, unique('c', 0))));
            over_udp.extend((n < nonexistent).then(|| absent(n)));
        }
        let mut ids = Vec::with_capacity(over_udp.len());
        while ids.len() < over_udp.len() {
            let id = random();
            if !ids.contains(&id) {
                ids.push(id);
            }
        }
        let over_tcp = (0..over_tcp).map(|n| known(Purpose::Uncached, unique('t', n))).collect();
        let large = zone.map(|zone| format!("{}.big.{}.", unique('l', 0), zone.trim_end_matches('.')));
        Self { over_udp, ids, over_tcp, large }
    }

    /// The lookups over UDP, for the machine.
    pub(super) fn lookups(&self) -> Vec<Lookup> {
        let lookup = |(question, id): (&Question, &u16)| Lookup { id: *id, name: question.name.clone() };
        self.over_udp.iter().zip(&self.ids).map(lookup).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    const COUNTS: Counts = Counts { uncached: 30, cached: 10, nonexistent: 4, over_tcp: 3 };

    fn numbers() -> impl FnMut() -> u16 {
        let mut n = 0;
        // Every number twice: doubles must be drawn again.
        move || {
            n += 1;
            n / 2
        }
    }

    #[test]
    fn unique_names_are_unique_and_the_cached_one_is_asked_for_once_before() {
        let questions = Questions::new(7, Some("probe.example.net"), COUNTS, numbers());
        let of = |purpose| questions.over_udp.iter().filter(move |q| q.purpose == purpose).map(|q| q.name.clone());
        assert_eq!(of(Purpose::Uncached).collect::<BTreeSet<_>>().len(), 30);
        let cached: BTreeSet<_> = of(Purpose::Cached).collect();
        assert_eq!(cached, of(Purpose::Priming).collect());
        assert_eq!(questions.over_udp[0].purpose, Purpose::Priming);
        assert_eq!(of(Purpose::Nonexistent).filter(|n| n.ends_with(".invalid.")).count(), 2);
        let ids: BTreeSet<_> = questions.lookups().iter().map(|l| l.id).collect();
        assert_eq!(ids.len(), questions.over_udp.len());
        assert!(questions.over_udp.iter().all(|q| q.name.split('.').all(|label| label.len() <= 63)));
    }

    #[test]
    fn only_a_claim_against_the_truth_is_false() {
        let reply = |code, addresses: &[&str]| Reply {
            id: 1,
            name: String::new(),
            code,
            is_truncated: false,
            addresses: addresses.iter().map(|a| a.parse().unwrap()).collect(),
            answers: addresses.len(),
        };
        let here = Truth::Address(Ipv4Addr::new(198, 18, 0, 1));
        let rows: &[(&str, Truth, Reply, bool)] = &[
            ("the true address", here, reply(Code::NoError, &["198.18.0.1"]), false),
            ("another address", here, reply(Code::NoError, &["192.0.2.80"]), true),
            ("the true one and another", here, reply(Code::NoError, &["198.18.0.1", "192.0.2.80"]), true),
            ("denied", here, reply(Code::NoSuchName, &[]), true),
            ("a failure claims nothing", here, reply(Code::ServerFailure, &[]), false),
            ("a missing name is missing", Truth::NoSuchName, reply(Code::NoSuchName, &[]), false),
            ("a missing name has an address", Truth::NoSuchName, reply(Code::NoError, &["192.0.2.80"]), true),
        ];
        for (row, truth, reply, is_false) in rows {
            assert_eq!(truth.is_belied_by(reply), *is_false, "{row}");
        }
    }
}
