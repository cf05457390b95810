//! The question whether what rests on a check's figures is certain, asked while it runs.
//!
//! A check does not know who answers, nor by which limits: it hands over the readings that it has so far, with intervals that hold at every moment, and ends
//! early, or goes on beyond its plan, as it is told. So it still judges nothing.

use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::reading::{Reading, Sequential};
use crate::unit::Stretch;

/// Whether more samples could change what follows from these readings.
pub type Question = Arc<dyn Fn(&[Reading]) -> bool + Send + Sync>;

/// Lets a check end once it is settled what follows from its figures.
#[derive(Clone)]
pub struct Settling {
    is_settled: Question,
    stretch: Stretch,
}

impl Settling {
    /// `is_settled` must not block; it is asked at most some dozens of times.
    pub fn new(is_settled: Question, stretch: Stretch) -> Self {
        Self { is_settled, stretch }
    }

    /// How far the check may go.
    pub fn stretch(&self) -> Stretch {
        self.stretch
    }

    /// What readings say of a stream with such a plan.
    pub fn of(&self, planned: u64) -> Sequential {
        Sequential { planned, most: self.stretch.most_of(planned) }
    }
}

impl fmt::Debug for Settling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Settling").field("stretch", &self.stretch).finish_non_exhaustive()
    }
}

/// Several streams of one check that end together: what each has shown so far, and the word that it is enough.
#[derive(Debug)]
pub(super) struct Course {
    settling: Settling,
    shown: Mutex<Vec<Vec<Reading>>>,
    enough: CancellationToken,
}

impl Course {
    /// For so many streams, none of which has shown anything.
    pub(super) fn new(settling: Settling, streams: usize) -> Self {
        Self { settling, shown: Mutex::new(vec![Vec::new(); streams]), enough: CancellationToken::new() }
    }

    /// Fires when all is settled.
    pub(super) fn enough(&self) -> &CancellationToken {
        &self.enough
    }

    pub(super) fn settling(&self) -> &Settling {
        &self.settling
    }

    /// Takes what a stream shows by now, in place of what it showed before. Where it `asks`, all that is shown decides whether it is enough.
    pub(super) fn show(&self, stream: usize, readings: Vec<Reading>, asks: bool) {
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(slot) = shown.get_mut(stream) {
            *slot = readings;
        }
        if asks && (self.settling.is_settled)(&shown.concat()) {
            self.enough.cancel();
        }
    }
}

/// Whoever looks on while a stream runs, at the moments that its stretch names, and ends it once enough is seen. `T` is what the stream shows.
pub(super) struct Watch<T> {
    /// Of this stream's own plan.
    planned: u64,
    stretch: Stretch,
    next: u64,
    take: Arc<dyn Fn(T) + Send + Sync>,
    enough: CancellationToken,
    looking: Option<JoinHandle<()>>,
}

impl<T: 'static> Watch<T> {
    /// `take` gets what a stream with such a plan shows, and may let the course end.
    pub(super) fn new(course: &Course, planned: u64, take: impl Fn(T) + Send + Sync + 'static) -> Self {
        let stretch = course.settling.stretch;
        let (next, enough) = (stretch.next_look(planned, 0), course.enough.clone());
        Self { planned, stretch, next, take: Arc::new(take), enough, looking: None }
    }

    /// Fires when the stream is to end.
    pub(super) fn enough(&self) -> CancellationToken {
        self.enough.clone()
    }

    /// Whether it is time for a look, when the fate of so many packets shows, and no other look is still at work.
    pub(super) fn is_due(&self, decided: u64) -> bool {
        decided >= self.next && self.looking.as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// Looks, on a thread of its own, so that no packet waits for it.
    pub(super) fn look(&mut self, decided: u64, shown: impl FnOnce() -> T + Send + 'static) {
        self.next = self.stretch.next_look(self.planned, decided);
        let take = Arc::clone(&self.take);
        self.looking = Some(tokio::task::spawn_blocking(move || take(shown())));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::Interval;

    fn loss(value: f64) -> Reading {
        Reading::new("twoway.loss_ratio", value, 10, Interval { low: None, high: None, confidence: 0.95 })
    }

    #[test]
    fn streams_end_together_by_what_all_of_them_show() {
        let is_settled: Question = Arc::new(|readings| readings.len() == 2 && readings.iter().all(|one| one.value == 0.0));
        let course = Course::new(Settling::new(is_settled, Stretch::USUAL), 2);
        course.show(0, vec![loss(0.0)], true);
        course.show(1, vec![loss(0.5)], true);
        assert!(!course.enough().is_cancelled());
        course.show(1, vec![loss(0.0)], false);
        assert!(!course.enough().is_cancelled(), "not asked");
        course.show(0, vec![loss(0.0)], true);
        assert!(course.enough().is_cancelled());
    }
}
