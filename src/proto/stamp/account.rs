//! From a sender's notes to what the line did: round trip, and each direction apart.
//!
//! The reflector numbers its own packets (RFC 8762 section 4.3), so a missing answer tells its direction: a hole in the
//! reflector's numbers was lost on the way back, a packet that got no number on the way there. What lies behind the last
//! answer can't be told apart and is kept as undetermined. Forward order and duplication are seen through the answers
//! that came back; a packet whose answer was lost shows in neither.
//!
//! The hard thing is the clocks: delays of one direction compare two of them, so steps are cut out and a certain
//! drift is taken off before the variation is formed ([`crate::metric::clock`]).

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::time::Duration;

use super::counted::Counted;
use super::sender::{Answer, Notes, Sent, Tally};
use crate::metric::clock::{self, Drift, Exchange};
use crate::metric::delay_variation;
use crate::metric::duplicate::Duplication;
use crate::metric::reorder::{Arrival, Reordering};
use crate::unit::{Stamp, StampSource, StampSpan};
use crate::wire::stamp::tlv;

/// Whether the reflector's numbers can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reflector {
    /// It is known to count its own packets.
    Stateful,
    /// Not known. A stateless one repeats the sender's numbers: directions are told apart only if any answer differs.
    Unknown,
}

/// What became of a stream.
#[derive(Debug, Clone)]
pub struct Account {
    /// Packets of the stream that were sent.
    pub sent: u64,
    /// Those without an answer in time.
    pub lost: u64,
    /// Those whose answer came after the wait; they count as lost.
    pub late: u64,
    /// How long an answer might take.
    pub wait: Duration,
    /// Round trip less the reflector's own time, nanoseconds, by sequence number; `None` is lost or discarded.
    pub round_trip: Vec<Option<i64>>,
    /// Whether each packet of the stream was answered in time.
    pub answered: Vec<bool>,
    /// When each packet of the stream was sent, since the first.
    pub sent_after: Vec<Duration>,
    /// By how much each packet of the stream left later than its slot had fixed, by sequence number: the test set's own.
    pub behind_schedule: Vec<Duration>,
    /// Round trips discarded because a clock was stepped between their stamps, or the stamps contradict each other.
    pub discarded: u64,
    /// Answered packets left out of the delays since only this program's own stamp was there while most have the kernel's.
    pub unstamped: u64,
    /// Weakest source of the stamps that were used; `None` without any answer.
    pub stamped_by: Option<StampSource>,
    /// The two directions, when the reflector's numbers tell them apart.
    pub ways: Option<Ways>,
    /// The test set's own doing.
    pub tally: Tally,
    /// Loss of each way by both sides' counts.
    pub counted: Option<Counted>,
    /// What the answers tell about marking and distance.
    pub seen: Seen,
}

/// The two directions.
#[derive(Debug, Clone)]
pub struct Ways {
    /// From the sender to the reflector.
    pub forward: Way,
    /// From the reflector to the sender.
    pub backward: Way,
    /// Packets at the end of the stream whose direction of loss can't be told.
    pub undetermined: u64,
    /// Steps of one clock against the other; delays are from the longest stretch between them.
    pub clock_steps: u64,
    /// Answers outside that stretch: not used for the variation.
    pub outside_stretch: u64,
    /// Drift of the reflector's clock, and whether it was taken off.
    pub drift: Option<Drift>,
}

/// One direction.
#[derive(Debug, Clone, Default)]
pub struct Way {
    /// Packets sent in this direction whose fate is known.
    pub sent: u64,
    /// Those lost.
    pub lost: u64,
    /// Order of arrival.
    pub reordering: Reordering,
    /// Copies.
    pub duplication: Duplication,
    /// Delay above the least of the stream (PDV, RFC 5481), nanoseconds, by the stream's sequence number.
    pub variation: Vec<Option<i64>>,
    /// Whether each packet of known fate was lost, in the order of sending.
    pub fates: Vec<bool>,
    /// Lost packets whose place among their neighbours can't be told: both directions lost some of the same stretch.
    pub misplaced: u64,
    /// Transit times in order of arrival, nanoseconds with an unknown offset: for jitter (RFC 3550 section 6.4.1).
    pub transits: Vec<i64>,
}

/// Markings and hops seen.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Seen {
    /// DSCP with which packets reached the reflector, and how many.
    pub dscp_at_reflector: BTreeMap<u8, u64>,
    /// DSCP with which answers came back.
    pub dscp_back: BTreeMap<u8, u64>,
    /// The same of those that the reflector said to have marked as it was asked to: what differs was changed on the way.
    pub dscp_back_of_marked: BTreeMap<u8, u64>,
    /// Answers that the reflector said not to have marked so: its own policy.
    pub marked_otherwise: u64,
    /// TTL with which packets reached the reflector.
    pub ttl_at_reflector: BTreeMap<u8, u64>,
    /// TTL with which answers came back.
    pub ttl_back: BTreeMap<u8, u64>,
    /// Where the reflector saw packets come from, and how many.
    pub sources: BTreeMap<tlv::Location, u64>,
    /// How the reflector said that it takes its stamps.
    pub reflector_stamps: Option<tlv::TimestampInformation>,
    /// Answers whose T3 is what a later one told of their leaving.
    pub followed_up: u64,
}

/// A first answer in time, with its round trip.
struct Sample<'a> {
    sent: &'a Sent,
    answer: &'a Answer,
    round_trip: i64,
    source: StampSource,
}

impl Account {
    /// Draws up the account.
    pub fn of(notes: Notes, reflector: Reflector) -> Self {
        let Notes { stream_len, wait, sent, answers, tally } = notes;
        let stream_len = stream_len.min(sent.len());
        let mut in_time = vec![false; stream_len];
        let (mut late, mut discarded) = (0, 0);
        let mut samples: Vec<Option<Sample<'_>>> = (0..stream_len).map(|_| None).collect();
        for answer in &answers {
            let index = answer.sequence as usize;
            let (Some(sent), Some(seen)) = (sent.get(index), in_time.get_mut(index)) else { continue };
            if *seen {
                continue;
            }
            // RFC 2681 section 2.8.2: beyond the waiting time it is lost.
            let monotonic = answer.at.saturating_duration_since(sent.at);
            if monotonic > wait {
                late += 1;
                continue;
            }
            *seen = true;
            match round_trip(sent, answer, monotonic) {
                Some((round_trip, source)) => samples[index] = Some(Sample { sent, answer, round_trip, source }),
                None => discarded += 1,
            }
        }
        let (unstamped, stamped_by) = keep_best_stamps(&mut samples);
        let first_at = sent.first().map(|s| s.at);
        let sent_after =
            sent[..stream_len].iter().map(|s| first_at.map_or(Duration::ZERO, |at| s.at.saturating_duration_since(at)));
        let answered = in_time.iter().filter(|seen| **seen).count() as u64;
        Self {
            sent: stream_len as u64,
            lost: stream_len as u64 - answered,
            late,
            wait,
            round_trip: samples.iter().map(|s| s.as_ref().map(|s| s.round_trip)).collect(),
            sent_after: sent_after.collect(),
            behind_schedule: sent[..stream_len].iter().map(|s| s.at.saturating_duration_since(s.due_at)).collect(),
            answered: in_time,
            discarded,
            unstamped,
            stamped_by,
            ways: told_apart(reflector, &answers).then(|| Ways::of(stream_len, &sent, &answers, &samples)),
            counted: Counted::of(&answers),
            seen: Seen::of(&answers),
            tally,
        }
    }
}

/// `(T4 - T1) - (T3 - T2)` and the weaker source; `None` when a clock was stepped in between.
fn round_trip(sent: &Sent, answer: &Answer, monotonic: Duration) -> Option<(i64, StampSource)> {
    let StampSpan::Agreed(span, source) = answer.stamp.span_since(sent.stamp, monotonic) else { return None };
    let span = i64::try_from(span.as_nanos()).ok()?;
    // The reflector's own time can't be negative or longer than all of it: its clock was stepped, or it errs. The
    // 2^-32 s of the packet's stamps round by less than a nanosecond.
    let inside = answer.reflector_sent_ns.saturating_sub(answer.reflector_received_ns);
    (-1..=span).contains(&inside).then(|| (span - inside.max(0), source))
}

/// Takes out the few samples with a weaker stamp than nearly all others have; they would add this program's own delay.
fn keep_best_stamps(samples: &mut [Option<Sample<'_>>]) -> (u64, Option<StampSource>) {
    let total = samples.iter().flatten().count();
    let kernel = samples.iter().flatten().filter(|s| s.source < StampSource::User).count();
    let mut unstamped = 0;
    if kernel < total && kernel * 10 >= total * 9 {
        for sample in samples.iter_mut().filter(|s| s.as_ref().is_some_and(|s| s.source == StampSource::User)) {
            *sample = None;
            unstamped += 1;
        }
    }
    (unstamped, samples.iter().flatten().map(|s| s.source).max())
}

fn told_apart(reflector: Reflector, answers: &[Answer]) -> bool {
    match reflector {
        Reflector::Stateful => !answers.is_empty(),
        Reflector::Unknown => answers.iter().any(|a| a.reflector_sequence != a.sequence),
    }
}

impl Ways {
    fn of(stream_len: usize, sent: &[Sent], answers: &[Answer], samples: &[Option<Sample<'_>>]) -> Self {
        // First copies of the reflector's packets, by its number.
        let mut by_number: BTreeMap<u32, &Answer> = BTreeMap::new();
        let mut copies_back: BTreeMap<u32, u32> = BTreeMap::new();
        for answer in answers {
            by_number.entry(answer.reflector_sequence).or_insert(answer);
            *copies_back.entry(answer.reflector_sequence).or_default() += 1;
        }
        let mut copies_there: BTreeMap<u32, u32> = BTreeMap::new();
        for answer in by_number.values() {
            *copies_there.entry(answer.sequence).or_default() += 1;
        }
        let (forward, backward, undetermined) = losses(stream_len, &by_number, &copies_there);

        // Section 4.1 of RFC 4737 counts first copies only.
        let mut seen = HashSet::new();
        let there: Vec<Arrival> = by_number
            .values()
            .filter(|a| seen.insert(a.sequence))
            .map(|a| Arrival { sequence: a.sequence.into(), at: a.reflector_received_ns, octets: 1 })
            .collect();
        let mut seen = HashSet::new();
        let back: Vec<Arrival> = answers
            .iter()
            .filter(|a| seen.insert(a.reflector_sequence))
            .map(|a| Arrival { sequence: a.reflector_sequence.into(), at: a.stamp.unix_ns, octets: 1 })
            .collect();
        let start = by_number.keys().next().map_or(0, |&r| u64::from(r));
        let mut this = Self {
            forward: Way {
                sent: forward.0,
                lost: forward.1,
                reordering: Reordering::of(&there, 0),
                duplication: Duplication::from_copies(copies_there.into_values()),
                ..Way::default()
            },
            backward: Way {
                sent: backward.0,
                lost: backward.1,
                reordering: Reordering::of(&back, start),
                duplication: Duplication::from_copies(copies_back.into_values()),
                ..Way::default()
            },
            undetermined,
            clock_steps: 0,
            outside_stretch: 0,
            drift: None,
        };
        (this.forward.fates, this.backward.fates, this.forward.misplaced) = fates(stream_len, &by_number);
        this.backward.misplaced = this.forward.misplaced;
        this.delays(samples, sent.first().map(|s| s.stamp));
        this
    }

    /// Fills in variation and transit times of both ways.
    fn delays(&mut self, samples: &[Option<Sample<'_>>], origin: Option<Stamp>) {
        let used: Vec<(usize, Exchange)> = samples
            .iter()
            .enumerate()
            .filter_map(|(index, sample)| {
                let Sample { sent, answer, .. } = sample.as_ref()?;
                let exchange = Exchange {
                    sent: sent.stamp.unix_ns,
                    far_received: answer.reflector_received_ns,
                    far_sent: answer.reflector_sent_ns,
                    received: answer.stamp.unix_ns,
                };
                Some((index, exchange))
            })
            .collect();
        let exchanges: Vec<Exchange> = used.iter().map(|(_, e)| *e).collect();
        let mut starts = clock::steps(&exchanges);
        self.clock_steps = starts.len().saturating_sub(1) as u64;
        starts.push(exchanges.len());
        let Some(stretch) = starts.windows(2).map(|w| w[0]..w[1]).max_by_key(|range| range.len()) else { return };
        self.outside_stretch = (exchanges.len() - stretch.len()) as u64;
        self.drift = clock::drift(&exchanges[stretch.clone()]);
        let rate = self.drift.filter(Drift::is_certain).map_or(0.0, |d| d.rate);
        let origin = origin.map_or(0, |s| s.unix_ns);
        // What the far clock has gained since the start is taken off its stamps.
        let gained = |at: i64| (at.saturating_sub(origin) as f64 * rate) as i64;
        let (mut there, mut back) = (vec![None; samples.len()], vec![None; samples.len()]);
        let mut back_arrivals = Vec::new();
        let mut there_arrivals = Vec::new();
        for (index, e) in &used[stretch] {
            let forward = e.far_received.saturating_sub(e.sent) - gained(e.sent);
            let backward = e.received.saturating_sub(e.far_sent) + gained(e.received);
            there[*index] = Some(forward);
            back[*index] = Some(backward);
            there_arrivals.push((e.far_received, forward));
            back_arrivals.push((e.received, backward));
        }
        for (way, delays, mut arrivals) in [(&mut self.forward, there, there_arrivals), (&mut self.backward, back, back_arrivals)]
        {
            way.variation = delay_variation::pdv(&delays);
            arrivals.sort_unstable_by_key(|(at, _)| *at);
            way.transits = arrivals.into_iter().map(|(_, transit)| transit).collect();
        }
    }
}

/// The fates of the packets there and back, in the order of sending, and how many of them have an uncertain place.
///
/// A hole in the reflector's numbers was lost on the way back, exactly there; which packet it answered is not known, only that it was one without an
/// answer, sent about when its neighbours were: the first such behind the answer before the hole. The others without an answer were lost on the way
/// there. A run of packets without answers that lost some each way has places that can't be told.
fn fates(stream_len: usize, by_number: &BTreeMap<u32, &Answer>) -> (Vec<bool>, Vec<bool>, u64) {
    let in_stream = || by_number.iter().filter(|(_, answer)| (answer.sequence as usize) < stream_len);
    let (Some((&first, _)), Some((&last, _)), Some(end)) =
        (in_stream().next(), in_stream().next_back(), in_stream().map(|(_, answer)| answer.sequence as usize).max())
    else {
        return (Vec::new(), Vec::new(), 0);
    };
    let mut answered = vec![false; end + 1];
    for (_, answer) in in_stream() {
        answered[answer.sequence as usize] = true;
    }
    let mut unanswered: BTreeSet<usize> = (0..=end).filter(|sequence| !answered[*sequence]).collect();
    let mut back = Vec::with_capacity((last - first) as usize + 1);
    let mut before = 0;
    for number in first..=last {
        let Some(answer) = by_number.get(&number) else {
            back.push(true);
            let near = unanswered.range(before..).next().or_else(|| unanswered.range(..before).next_back()).copied();
            if let Some(sequence) = near {
                unanswered.remove(&sequence);
            }
            continue;
        };
        back.push(false);
        before = answer.sequence as usize;
    }
    let there: Vec<bool> = (0..=end).map(|sequence| unanswered.contains(&sequence)).collect();
    let mut misplaced = 0;
    for run in (0..=end).collect::<Vec<_>>().split(|sequence| answered[*sequence]) {
        let lost_there = run.iter().filter(|sequence| there[**sequence]).count();
        misplaced += lost_there.min(run.len() - lost_there) as u64;
    }
    (there, back, misplaced)
}

type SentAndLost = (u64, u64);

/// Sent and lost of either way, and what can't be told.
fn losses(
    stream_len: usize,
    by_number: &BTreeMap<u32, &Answer>,
    copies_there: &BTreeMap<u32, u32>,
) -> (SentAndLost, SentAndLost, u64) {
    let (Some((&first_number, first)), Some((&last_number, _)), Some((&last_sent, _))) =
        (by_number.first_key_value(), by_number.last_key_value(), copies_there.last_key_value())
    else {
        return ((0, 0), (0, 0), stream_len as u64);
    };
    let distinct_there = copies_there.len() as u64;
    let distinct_back = by_number.len() as u64;
    let copies = distinct_back - distinct_there;
    // A new sender's first packet gets number 0. A first number above what was sent until then means that the reflector
    // still counts an earlier stream from the same port: then its count starts with our first answer.
    let (from_sent, from_number) =
        if u64::from(first_number) > u64::from(first.sequence) + copies { (first.sequence, first_number) } else { (0, 0) };
    let reflected = u64::from(last_number - from_number) + 1;
    let sent_there = u64::from(last_sent.saturating_sub(from_sent)) + 1;
    // The answer to a closing packet arrived by construction: it closes the count and isn't part of it.
    let closing = u64::from(last_sent as usize >= stream_len);
    let forward = (sent_there - closing, sent_there.saturating_sub(reflected - copies.min(reflected)));
    let backward = (reflected - closing.min(reflected), reflected.saturating_sub(distinct_back));
    let undetermined = (stream_len as u64).saturating_sub(u64::from(last_sent) + 1) + u64::from(from_sent);
    (forward, backward, undetermined)
}

impl Seen {
    fn of(answers: &[Answer]) -> Self {
        let mut this = Self::default();
        for answer in answers {
            if let Some(location) = answer.location.filter(|known| this.sources.len() < 16 || this.sources.contains_key(known)) {
                *this.sources.entry(location).or_default() += 1;
            }
            this.reflector_stamps = answer.reflector_stamps.or(this.reflector_stamps);
            this.followed_up += u64::from(answer.followed_up);
            this.marked_otherwise += u64::from(answer.marked_as_asked == Some(false));
            let pairs = [
                (&mut this.dscp_at_reflector, answer.dscp_at_reflector),
                (&mut this.dscp_back, answer.dscp),
                (&mut this.dscp_back_of_marked, answer.dscp.filter(|_| answer.marked_as_asked == Some(true))),
                (&mut this.ttl_at_reflector, (answer.sender_ttl > 0).then_some(answer.sender_ttl)),
                (&mut this.ttl_back, answer.ttl),
            ];
            for (counts, value) in pairs {
                if let Some(value) = value {
                    *counts.entry(value).or_default() += 1;
                }
            }
        }
        this
    }
}

#[cfg(test)]
mod tests;
