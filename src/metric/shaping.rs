//! What shapes a line, from a train of packets that was sent faster than the line lets through: a shaper or a policer, its rate,
//! its burst, the queue in front of it and how that is looked after.
//!
//! The model is the token bucket (RFC 2697 and 2698 describe the meter, RFC 2475 section 2.3.3 shapers and droppers): it holds up
//! to B octets, fills at the rate r, and lets a packet through when it holds the packet's octets. After an idle time it is full, so
//! with more than r on offer the octets let through follow min(what was sent, B + r t), and the two unknowns are read from the line
//! behind the knee: its slope, and its height where the train began. A shaper keeps what is too much in a queue, a policer drops it.
//!
//! The estimators are our own and hold by the model alone; its tests prove them on simulated buckets, the practice line on the
//! kernel's. It must not know sockets or what was sold. Octets are those of IP packets, one size for the whole train.

mod knee;
mod queue;
#[cfg(test)]
mod tests;

use crate::unit::Interval;

pub use queue::{Drops, Queue, Sharing, late_wait, sharing};

/// One packet of a train.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Passage {
    /// When it was sent, by its sender's clock, nanoseconds.
    pub sent_ns: i64,
    /// When it arrived, by its receiver's clock; `None` when it was lost. The clocks need not agree.
    pub arrived_ns: Option<i64>,
}

/// What is done with packets that are too fast.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// They wait.
    Shaper,
    /// They are dropped.
    Policer,
}

/// A higher rate that a line gives after an idle time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Boost {
    /// Bits per second; all that was sent, if [`Boost::is_at_least`].
    pub rate: f64,
    /// The train was let through whole: the boost may be higher.
    pub is_at_least: bool,
    /// Seconds that it lasted at the train's rate.
    pub seconds: f64,
}

/// What shapes the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    /// What becomes of packets that are too fast.
    pub kind: Kind,
    /// Sustained rate at the IP layer, bits per second, and its interval.
    pub rate: (f64, Interval),
    /// Octets that pass at once after an idle time, and an interval that holds what the packets' size leaves open. `None` when the train does
    /// not tell.
    pub burst: Option<(f64, Interval)>,
    /// A higher rate at the start that is long enough to be noticed.
    pub boost: Option<Boost>,
    /// What waits in front of a shaper.
    pub queue: Option<Queue>,
}

/// What a train tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    /// All of it came through without waiting, at so many bits per second.
    NothingUpTo(f64),
    /// It was held to a rate.
    Held(Shape),
    /// It tells nothing: why.
    Unclear(Unclear),
}

/// Why a train tells nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Unclear {
    /// Too few packets.
    #[error("too few packets of the train arrived")]
    TooFew,
    /// Losses, or a rate, that no token bucket makes.
    #[error("what was lost of the train does not look like a limit of rate")]
    Unsteady,
}

/// Fewer packets tell nothing.
const FEWEST: usize = 200;
/// A train that loses less than this share of its rate was not held (a measurement of 1 % needs more than 1 % between).
const HELD: f64 = 0.97;
/// A queue shorter than this is noise of clocks and of schedulers, nanoseconds.
const NOISE_NS: i64 = 1_000_000;
/// A bucket that gives a higher rate for so long is a boost that people notice, seconds *(ours)*.
const NOTICED: f64 = 0.1;
/// Batches of the rate's interval.
const BATCHES: usize = 10;

/// A packet that came through: both times counted from when the first was sent, the arrival without the empty line's delay.
#[derive(Debug, Clone, Copy)]
pub struct Passed {
    /// When it left the bucket, nanoseconds.
    pub at_ns: i64,
    /// How long it waited, nanoseconds.
    pub waited_ns: i64,
    /// Its place in the train.
    pub index: usize,
}

/// What passed, in the order of arrival.
pub fn passed(train: &[Passage]) -> Vec<Passed> {
    let Some(first) = train.first() else { return Vec::new() };
    let delay = |one: &Passage| Some(one.arrived_ns? - one.sent_ns);
    // The bucket is full when the train begins, so its first packets meet no queue.
    let head = (train.len() / 20).clamp(1, 200);
    let Some(base) = train[..head].iter().filter_map(delay).min().or_else(|| train.iter().filter_map(delay).min()) else {
        return Vec::new();
    };
    let mut passed: Vec<Passed> = train
        .iter()
        .enumerate()
        .filter_map(|(index, one)| {
            let waited_ns = delay(one)? - base;
            Some(Passed { at_ns: one.sent_ns - first.sent_ns + waited_ns, waited_ns, index })
        })
        .collect();
    passed.sort_by_key(|one| one.at_ns);
    passed
}

/// What held a train of IP packets of `octets` each. `confidence` is that of the rate's interval.
pub fn examine(train: &[Passage], octets: f64, confidence: f64) -> Finding {
    let passed = passed(train);
    if passed.len() < FEWEST {
        return Finding::Unclear(Unclear::TooFew);
    }
    let span_ns = train[train.len() - 1].sent_ns - train[0].sent_ns;
    let sent_rate = (train.len() - 1) as f64 * octets * 8e9 / span_ns.max(1) as f64;
    let Some(knee) = knee::find(&passed, octets) else { return Finding::Unclear(Unclear::TooFew) };
    let waits = queue::waits(&passed, knee.at_ns);
    let Some((rate, interval)) = knee::rate_behind(train, &passed, &knee, waits, octets, confidence) else {
        let lost = train.len() - passed.len();
        let is_whole = (lost as f64) < (1.0 - HELD) * train.len() as f64 && !waits;
        return if is_whole { Finding::NothingUpTo(sent_rate) } else { Finding::Unclear(Unclear::Unsteady) };
    };
    if rate > HELD * sent_rate {
        return if waits { Finding::Unclear(Unclear::Unsteady) } else { Finding::NothingUpTo(sent_rate) };
    }
    let kind = if waits { Kind::Shaper } else { Kind::Policer };
    let burst = knee::burst(train, &passed, &knee, kind, rate, octets);
    let boost = burst.and_then(|(burst, _)| {
        let before = knee.rate_before.unwrap_or(sent_rate).min(sent_rate);
        let seconds = knee.at_ns as f64 / 1e9;
        let is_noticed = seconds >= NOTICED && burst * 8.0 >= NOTICED * (before - rate);
        is_noticed.then_some(Boost { rate: before, is_at_least: before > HELD * sent_rate, seconds })
    });
    let queue = waits.then(|| queue::measure(train, &passed, rate)).flatten();
    Finding::Held(Shape { kind, rate: (rate, interval), burst, boost, queue })
}
