//! How thorough the next visit is to be.
//!
//! Light visits come often, heavy ones seldom. A light one that fails calls a thorough one, with the control traffic captured, at once;
//! while the trouble lasts those come at twice the pause each time. What a day may move bounds them all: a heavy one that does not fit is
//! made light, what else does not fit is left out.

use std::fmt;

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::memory::{Last, Memory, Spent};
use super::schedule::Schedule;
use crate::record::Verdict;

/// After the first thorough visit, none for so long; twice that after the second, and so on.
pub const FIRST_PAUSE: SignedDuration = SignedDuration::from_hours(1);
/// The pause grows no longer.
pub const LONGEST_PAUSE: SignedDuration = SignedDuration::from_hours(24);
/// Missed moments are counted up to here: a machine that was off for a year need not count every one.
const MOST_MISSED: usize = 10_000;

/// What a visit is made for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// To see whether all is well.
    Light,
    /// To prove what was sold.
    Heavy,
    /// To catch a fault while it is there: as a heavy one, with the control traffic captured.
    Thorough,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Light => "light",
            Self::Heavy => "heavy",
            Self::Thorough => "thorough",
        })
    }
}

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Policy {
    /// When light visits are due.
    pub light: Schedule,
    /// When heavy ones are.
    pub heavy: Option<Schedule>,
    /// Octets that a day's visits may move.
    pub daily_octets: Option<u64>,
    /// Whether a failing light visit calls a thorough one.
    pub goes_after: bool,
}

/// The next visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Due {
    /// When.
    pub at: Timestamp,
    /// What for.
    pub kind: Kind,
}

/// What becomes of a visit that is due.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Choice {
    /// It is made as this kind; `instead` says why it is a lighter one than was due.
    Make {
        /// What for.
        kind: Kind,
        /// Why not as it was due.
        instead: Option<String>,
    },
    /// It is left out.
    LeaveOut(String),
}

/// A watch: what was asked for, and what it remembers.
#[derive(Debug, Clone)]
pub struct Watch {
    policy: Policy,
    memory: Memory,
}

impl Watch {
    /// Goes on from what is remembered.
    pub fn new(policy: Policy, memory: Memory) -> Self {
        Self { policy, memory }
    }

    /// What is to be kept.
    pub fn memory(&self) -> &Memory {
        &self.memory
    }

    /// The next visit, at or after `now`; `None` when the watch is over.
    ///
    /// The first is due at once. One whose moment has passed is due now, once, however many were missed.
    pub fn next(&mut self, now: Timestamp) -> Option<Due> {
        self.memory.mended(now, LONGEST_PAUSE);
        self.memory.next = self.due(now);
        self.memory.next
    }

    fn due(&self, now: Timestamp) -> Option<Due> {
        let not_quiet = |at: Timestamp| match self.policy.light.quiet_until(at) {
            Some(Some(end)) => end,
            _ => at,
        };
        let is_over = |at: Timestamp| self.policy.light.until.is_some_and(|until| at >= until);
        if self.memory.thorough_wanted {
            let at = not_quiet(now);
            return (!is_over(at)).then_some(Due { at, kind: Kind::Thorough });
        }
        let due = |schedule: &Schedule, last: Option<Timestamp>, kind| {
            let at = match last {
                Some(last) => schedule.due_after(last.min(now), self.memory.seed)?,
                None => now,
            };
            let at = not_quiet(at.max(now));
            (!is_over(at)).then_some(Due { at, kind })
        };
        let light = due(&self.policy.light, self.memory.last_visit, Kind::Light);
        let heavy = self.policy.heavy.as_ref().and_then(|schedule| due(schedule, self.memory.last_heavy, Kind::Heavy));
        // At the same moment the heavier one: it shows what the light one would.
        light.into_iter().chain(heavy).min_by(|a, b| a.at.cmp(&b.at).then(b.kind.cmp(&a.kind)))
    }

    /// Decides what becomes of a visit that is due now. `needs`: octets that a visit of a kind moves at most. A visit that is made counts
    /// against the day from here on, whatever becomes of it.
    pub fn choose(&mut self, due: Due, now: Timestamp, needs: impl Fn(Kind) -> u64) -> Choice {
        if let Some(last) = self.memory.last_visit {
            // The one that is due now is not missed.
            let passed = self.policy.light.missed(last, now, MOST_MISSED) as u64;
            self.memory.counts.missed += passed.saturating_sub(1);
        }
        self.memory.last_visit = Some(now);
        self.memory.next = None;
        if due.kind != Kind::Light {
            self.memory.last_heavy = Some(now);
        }
        self.memory.thorough_wanted = false;
        let left = self.left_today(now);
        // A light one in the place of a thorough one would show what has just been seen.
        let kinds: &[Kind] = if due.kind == Kind::Heavy { &[Kind::Heavy, Kind::Light] } else { &[due.kind] };
        let Some(kind) = kinds.iter().copied().find(|kind| left.is_none_or(|left| needs(*kind) <= left)) else {
            self.memory.counts.spared += 1;
            if due.kind == Kind::Thorough {
                self.memory.no_thorough_before = now.checked_add(FIRST_PAUSE).ok();
            }
            return Choice::LeaveOut(format!("a {} visit does not fit into what the day may still move", due.kind));
        };
        self.spend(now, needs(kind));
        if kind == due.kind {
            return Choice::Make { kind, instead: None };
        }
        self.memory.counts.spared += 1;
        Choice::Make { kind, instead: Some(format!("a {} visit does not fit into what the day may still move", due.kind)) }
    }

    /// Tells how a visit ended. `verdict` is `None` where none could be made; `told`: where its record is, or why there is none.
    pub fn ended(&mut self, kind: Kind, at: Timestamp, verdict: Option<Verdict>, told: String) {
        let memory = &mut self.memory;
        match verdict {
            Some(verdict) => {
                memory.counts.made += 1;
                memory.counts.failed += u64::from(verdict == Verdict::Fail);
            }
            None => memory.counts.broken += 1,
        }
        memory.last = Some(Last { at, kind, verdict, told });
        let pause_is_over = memory.no_thorough_before.is_none_or(|until| at >= until);
        match (kind, verdict) {
            (Kind::Thorough, _) => {
                memory.thorough = memory.thorough.saturating_add(1);
                memory.no_thorough_before = at.checked_add(pause(memory.thorough)).ok();
            }
            (Kind::Light, Some(Verdict::Fail)) => memory.thorough_wanted = self.policy.goes_after && pause_is_over,
            // Trouble that comes and goes within a pause is the same trouble. A light visit fills no line, so that it may prove less than all.
            (_, Some(_)) if pause_is_over => {
                memory.thorough = 0;
                memory.no_thorough_before = None;
            }
            _ => {}
        }
    }

    /// What the day may still move; `None` is unbounded.
    pub fn left_today(&self, now: Timestamp) -> Option<u64> {
        let today = now.to_zoned_datetime(self.policy.light.zone.clone()).date();
        let spent = self.memory.spent.filter(|spent| spent.day == today).map_or(0, |spent| spent.octets);
        self.policy.daily_octets.map(|daily| daily.saturating_sub(spent))
    }

    fn spend(&mut self, now: Timestamp, octets: u64) {
        let day = now.to_zoned_datetime(self.policy.light.zone.clone()).date();
        let before = self.memory.spent.filter(|spent| spent.day == day).map_or(0, |spent| spent.octets);
        self.memory.spent = Some(Spent { day, octets: before.saturating_add(octets) });
    }
}

/// The pause after the `n`th thorough visit, 1 for the first.
fn pause(n: u32) -> SignedDuration {
    let doubled = 1_i32.checked_shl(n.saturating_sub(1).min(20)).unwrap_or(i32::MAX);
    FIRST_PAUSE.saturating_mul(doubled).min(LONGEST_PAUSE)
}

#[cfg(test)]
mod tests;
