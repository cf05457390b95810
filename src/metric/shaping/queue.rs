//! The queue in front of a shaper: how deep it is, when it begins to drop, and whether flows share it.

use super::{NOISE_NS, Passage, Passed};

/// When a queue drops.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drops {
    /// It dropped nothing as long as the train lasted: it is deeper than was seen.
    None,
    /// Only when it is full: a plain fifo.
    WhenFull,
    /// Long before its longest delay: it is managed (RFC 7567 section 4.3).
    Early,
}

/// A queue.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Queue {
    /// Longest that packets wait, seconds; at least so long if it dropped none.
    pub seconds: f64,
    /// Octets of IP packets that wait then: delay times rate.
    pub octets: f64,
    /// When it drops.
    pub drops: Drops,
}

/// Whether packets waited: their delay behind the knee rose and stayed.
pub(super) fn waits(passed: &[Passed], knee_ns: i64) -> bool {
    let behind = passed.iter().filter(|one| one.at_ns > knee_ns).map(|one| one.waited_ns).collect();
    part(behind, 0.5).is_some_and(|median| median > NOISE_NS)
}

/// Depth and habit of the queue. `rate` in bits per second.
pub(super) fn measure(train: &[Passage], passed: &[Passed], rate: f64) -> Option<Queue> {
    let mut waited: Vec<(usize, i64)> = passed.iter().map(|one| (one.index, one.waited_ns)).collect();
    waited.sort_unstable();
    let longest = part(waited.iter().map(|(_, ns)| *ns).collect(), 0.99)?;
    // Who comes right behind a packet that was dropped finds the queue as that one did.
    let at_losses: Vec<i64> = waited
        .iter()
        .filter(|(index, _)| index.checked_sub(1).is_some_and(|before| train[before].arrived_ns.is_none()))
        .map(|(_, ns)| *ns)
        .collect();
    let queue = |ns: i64, drops| {
        let seconds = ns as f64 / 1e9;
        Queue { seconds, octets: seconds * rate / 8.0, drops }
    };
    if at_losses.len() < 10 {
        return Some(queue(longest, Drops::None));
    }
    let first = part(at_losses[..10].to_vec(), 0.5)?;
    let full = part(at_losses, 0.5)?;
    // A fifo drops at one depth and no other; a managed queue first drops while the delay has still far to grow.
    let is_early = first + NOISE_NS < longest / 2;
    Some(if is_early { queue(longest, Drops::Early) } else { queue(full, Drops::WhenFull) })
}

/// The value below which a share of the others lie.
fn part(mut values: Vec<i64>, share: f64) -> Option<i64> {
    values.sort_unstable();
    let at = (values.len().checked_sub(1)? as f64 * share) as usize;
    values.get(at).copied()
}

/// Median of how long packets of the train's second half waited, seconds; `None` when none of them came.
pub fn late_wait(train: &[Passage]) -> Option<f64> {
    let half = train.len() / 2;
    let waited = super::passed(train).into_iter().filter(|one| one.index >= half).map(|one| one.waited_ns).collect();
    part(waited, 0.5).map(|ns| ns as f64 / 1e9)
}

/// Whether another flow waits behind the train.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sharing {
    /// It waits as long: one queue for all.
    OneQueue,
    /// It does not: flows have queues of their own.
    OwnQueues,
}

/// Longest share of the train's delay that a flow with a queue of its own shows, and least of one that shares it.
const APART: (f64, f64) = (0.25, 0.6);
/// A train that waited less than this does not tell them apart, seconds.
const TELLS: f64 = 0.005;

/// Whether a sparse flow beside the train shared its queue: from the rises of both over their idle delays, in seconds.
pub fn sharing(train_rise: f64, other_rise: f64) -> Option<Sharing> {
    if train_rise < TELLS {
        return None;
    }
    let share = other_rise / train_rise;
    if share < APART.0 {
        Some(Sharing::OwnQueues)
    } else if share > APART.1 {
        Some(Sharing::OneQueue)
    } else {
        None
    }
}
