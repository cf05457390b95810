//! The way from the far end back to the agent, hop by hop: which probe goes when, what its answer says, and when it is over.
//!
//! Rounds of probes with a rising hop limit (RFC 792 time exceeded, RFC 4443 section 3.3) go until the limit at which the agent itself
//! answers is known; later rounds go no further. It must not know sockets, sessions or who asks.

use std::net::IpAddr;
use std::time::{Duration, Instant};

/// Hops at most.
pub const MAX_HOPS: u8 = 30;
/// Probes of each hop limit *(ours)*: fewer than a common kernel's limit of six errors at once lets through (its `icmp_ratelimit`; common practice).
pub const ROUNDS: u8 = 3;
/// From probe to probe *(ours)*.
pub const GAP: Duration = Duration::from_millis(10);
/// How long the last probe's answer is waited for *(ours)*.
const WAITING_TIME: Duration = Duration::from_secs(1);
/// After this it is over whatever is outstanding *(ours)*.
pub const TIME_LIMIT: Duration = Duration::from_secs(3);

/// A probe that is to be sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ask {
    /// Its number, which comes back with the answer.
    pub number: u32,
    /// Its TTL or hop limit.
    pub hop: u8,
}

/// What an answer says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Said {
    /// A router: the hop limit is used up.
    Exceeded(IpAddr),
    /// A router or a host: it does not carry the probe on, or nobody is there.
    Refused(IpAddr),
    /// The agent: it arrived.
    Arrived,
}

#[derive(Debug, Clone)]
struct Probe {
    sent_at: Instant,
    answer: Option<(Said, Duration)>,
}

/// One hop of the way.
#[derive(Debug, Clone, PartialEq)]
pub struct Hop {
    /// Its number, from the far end.
    pub hop: u8,
    /// Probes sent.
    pub sent: u32,
    /// Who answered how often, in the order in which they first did; the agent's own answers have no address.
    pub answers: Vec<(Option<IpAddr>, u32)>,
    /// Round trip of each answered probe.
    pub round_trips: Vec<Duration>,
}

/// What was found.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Way {
    /// The hops up to the agent, or to the last that answered.
    pub hops: Vec<Hop>,
    /// Least hop limit with which the agent was reached.
    pub length: Option<u8>,
    /// Who did not carry a probe on, and at which hop limit.
    pub refused: Option<(u8, IpAddr)>,
    /// Errors that quote too little of a probe to tell which one.
    pub unplaced: u32,
}

/// The machine.
#[derive(Debug)]
pub struct WayBack {
    began_at: Instant,
    probes: Vec<Option<Probe>>,
    next: usize,
    due_at: Instant,
    ends: Option<u8>,
    unplaced: u32,
}

impl WayBack {
    /// Begins at `now`.
    pub fn new(now: Instant) -> Self {
        let probes = vec![None; usize::from(MAX_HOPS) * usize::from(ROUNDS)];
        Self { began_at: now, probes, next: 0, due_at: now, ends: None, unplaced: 0 }
    }

    fn hop_of(at: usize) -> u8 {
        // The remainder is below 30.
        (at % usize::from(MAX_HOPS)) as u8 + 1
    }

    /// The probe that is to be sent now; tell [`Self::asked`] whether it was.
    pub fn due(&mut self, now: Instant) -> Option<Ask> {
        // Behind the hop where they end no more are needed.
        while self.next < self.probes.len() && self.ends.is_some_and(|ends| Self::hop_of(self.next) > ends) {
            self.next += 1;
        }
        let is_due = self.next < self.probes.len() && now >= self.due_at && now < self.began_at + TIME_LIMIT;
        is_due.then(|| Ask { number: self.next as u32, hop: Self::hop_of(self.next) })
    }

    /// The probe that was due went at `now`, or the system did not take it.
    pub fn asked(&mut self, now: Instant, was_sent: bool) {
        if let Some(probe) = self.probes.get_mut(self.next) {
            *probe = was_sent.then_some(Probe { sent_at: now, answer: None });
            self.next += 1;
            self.due_at = now + GAP;
        }
    }

    /// An answer to a probe came at `now`; of several the first counts.
    pub fn on_answer(&mut self, now: Instant, number: u32, said: Said) {
        let at = number as usize;
        let Some(probe) = self.probes.get_mut(at).and_then(Option::as_mut).filter(|probe| probe.answer.is_none()) else { return };
        probe.answer = Some((said, now.saturating_duration_since(probe.sent_at)));
        if !matches!(said, Said::Exceeded(_)) {
            let hop = Self::hop_of(at);
            self.ends = Some(self.ends.map_or(hop, |ends| ends.min(hop)));
        }
    }

    /// An error came that does not tell its probe.
    pub fn on_unplaced(&mut self) {
        self.unplaced = self.unplaced.saturating_add(1);
    }

    fn is_all_sent(&self) -> bool {
        let ends = self.ends.unwrap_or(MAX_HOPS);
        (self.next..self.probes.len()).all(|at| Self::hop_of(at) > ends)
    }

    /// Probes that matter and have no answer yet.
    fn waits(&self) -> bool {
        let ends = self.ends.unwrap_or(MAX_HOPS);
        let mut sent = self.probes.iter().enumerate().filter(|(at, _)| Self::hop_of(*at) <= ends);
        sent.any(|(_, probe)| probe.as_ref().is_some_and(|probe| probe.answer.is_none()))
    }

    /// When it is to be looked at again; `None` when it is over.
    pub fn next_wake(&self, now: Instant) -> Option<Instant> {
        let limit = self.began_at + TIME_LIMIT;
        let wake = if self.is_all_sent() {
            let last = self.probes.iter().flatten().map(|probe| probe.sent_at).max()?;
            if self.waits() { last + WAITING_TIME } else { return None }
        } else {
            return (now < limit).then(|| self.due_at.min(limit));
        };
        let wake = wake.min(limit);
        (now < wake).then_some(wake)
    }

    /// What was found so far.
    pub fn report(&self) -> Way {
        let with = |wanted: fn(&Said) -> bool| {
            let is = move |probe: &Option<Probe>| probe.as_ref().and_then(|p| p.answer).is_some_and(|(said, _)| wanted(&said));
            self.probes.iter().enumerate().filter(move |(_, probe)| is(probe)).map(|(at, _)| at)
        };
        let length = with(|said| *said == Said::Arrived).map(Self::hop_of).min();
        let refused = with(|said| matches!(said, Said::Refused(_))).min_by_key(|at| Self::hop_of(*at)).and_then(|at| {
            let (said, _) = self.probes[at].as_ref()?.answer?;
            if let Said::Refused(by) = said { Some((Self::hop_of(at), by)) } else { None }
        });
        let last = with(|_| true).map(Self::hop_of).max().unwrap_or(0);
        let last = self.ends.map_or(last, |ends| ends.min(last));
        let hops = (1..=last).map(|hop| self.hop(hop)).collect();
        Way {
            hops,
            length,
            refused: refused.filter(|(hop, _)| length.is_none_or(|length| *hop < length)),
            unplaced: self.unplaced,
        }
    }

    fn hop(&self, hop: u8) -> Hop {
        let mut found = Hop { hop, sent: 0, answers: Vec::new(), round_trips: Vec::new() };
        for probe in self.probes.iter().skip(usize::from(hop) - 1).step_by(usize::from(MAX_HOPS)).flatten() {
            found.sent += 1;
            let Some((said, round_trip)) = probe.answer else { continue };
            let by = match said {
                Said::Exceeded(by) | Said::Refused(by) => Some(by),
                Said::Arrived => None,
            };
            match found.answers.iter_mut().find(|(known, _)| *known == by) {
                Some((_, count)) => *count += 1,
                None => found.answers.push((by, 1)),
            }
            found.round_trips.push(round_trip);
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);

    fn router(hop: u8) -> IpAddr {
        IpAddr::from([198, 51, 100, hop])
    }

    /// Runs it against a way of `length` whose answers take `delay`; hops of `silent` say nothing. What was sent, and how long it took.
    fn run(length: Option<u8>, delay: Duration, silent: &[u8]) -> (Way, Vec<u8>, Duration) {
        let start = Instant::now();
        let (mut now, mut machine, mut sent, mut under_way) = (start, WayBack::new(start), Vec::new(), Vec::new());
        loop {
            while let Some(position) = under_way.iter().position(|(at, _): &(Instant, Ask)| *at <= now) {
                let (at, ask) = under_way.remove(position);
                let arrives = length.is_some_and(|length| ask.hop >= length);
                let said = if arrives { Said::Arrived } else { Said::Exceeded(router(ask.hop)) };
                if !silent.contains(&ask.hop) {
                    machine.on_answer(at, ask.number, said);
                }
            }
            while let Some(ask) = machine.due(now) {
                machine.asked(now, true);
                sent.push(ask.hop);
                under_way.push((now + delay, ask));
            }
            let Some(wake) = machine.next_wake(now) else { break };
            assert!(wake > now, "it would spin");
            now = under_way.iter().map(|(at, _)| *at).chain([wake]).filter(|at| *at > now).min().unwrap();
        }
        (machine.report(), sent, now - start)
    }

    #[test]
    fn three_probes_a_hop_and_none_behind_the_agent_once_it_has_answered() {
        let (way, sent, took) = run(Some(4), 25 * MS, &[2]);
        assert_eq!(way.length, Some(4));
        let answers: Vec<_> = way.hops.iter().map(|hop| (hop.hop, hop.sent, hop.answers.clone())).collect();
        let told = |hop| vec![(Some(router(hop)), 3)];
        assert_eq!(answers, [(1, 3, told(1)), (2, 3, vec![]), (3, 3, told(3)), (4, 3, vec![(None, 3)])]);
        assert!(way.hops[0].round_trips.iter().all(|time| *time == 25 * MS));
        // Two or three more were under way in the first round.
        assert!(sent.len() <= 15, "{sent:?}");
        assert!(took < Duration::from_millis(1300), "{took:?}");
    }

    #[test]
    fn a_way_on_which_all_answer_ends_with_the_last_answer() {
        let (way, _, took) = run(Some(3), 5 * MS, &[]);
        assert_eq!((way.length, way.hops.len()), (Some(3), 3));
        assert!(took < 200 * MS, "{took:?}");
    }

    #[test]
    fn nobody_and_late_answers_are_bounded_in_count_and_time() {
        let all: Vec<u8> = (1..=MAX_HOPS).collect();
        let (way, sent, took) = run(None, 5 * MS, &all);
        assert_eq!((way.length, way.hops.len(), sent.len()), (None, 0, 90));
        assert!(took <= TIME_LIMIT, "{took:?}");
        let (way, sent, took) = run(Some(2), Duration::from_secs(10), &[]);
        assert_eq!((way.length, sent.len()), (None, 90));
        assert!(took <= TIME_LIMIT);
    }

    #[test]
    fn a_refusal_ends_the_way_and_what_was_never_sent_counts_nowhere() {
        let start = Instant::now();
        let mut machine = WayBack::new(start);
        let first = machine.due(start).unwrap();
        machine.asked(start, false);
        assert_eq!(machine.due(start), None, "the next one has its own moment");
        let second = machine.due(start + GAP).unwrap();
        machine.asked(start + GAP, true);
        machine.on_answer(start + GAP, first.number, Said::Arrived);
        machine.on_answer(start + 2 * GAP, second.number, Said::Refused(router(9)));
        machine.on_answer(start + 2 * GAP, second.number, Said::Arrived);
        machine.on_answer(start, u32::MAX, Said::Arrived);
        machine.on_unplaced();
        let way = machine.report();
        assert_eq!((way.length, way.refused, way.unplaced), (None, Some((2, router(9))), 1));
        assert_eq!((way.hops[0].sent, way.hops[1].sent), (0, 1));
    }
}
