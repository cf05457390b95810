//! Frames held in the order of their departure, packed in one arena. Pure.

use std::collections::VecDeque;

/// Where a held frame lies and when it leaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Held {
    pub(super) due: u64,
    pub(super) at: usize,
    pub(super) len: usize,
}

/// A first-in first-out queue of frames. Frames lie whole: one that does not fit behind the last goes to the front of
/// the arena, and the rest behind the last is idle until the queue has passed it.
#[derive(Debug)]
pub(super) struct FrameQueue {
    arena: Box<[u8]>,
    held: VecDeque<Held>,
}

impl FrameQueue {
    /// Room for `capacity` octets. Zeroed memory is mapped on first touch, so an idle queue costs nothing.
    pub(super) fn new(capacity: usize) -> Self {
        Self { arena: vec![0; capacity].into_boxed_slice(), held: VecDeque::new() }
    }

    /// Keeps a frame until `due` (not before that of the frame ahead). False when there is no room.
    pub(super) fn push(&mut self, due: u64, frame: &[u8]) -> bool {
        let Some(at) = self.room_for(frame.len()) else { return false };
        self.arena[at..at + frame.len()].copy_from_slice(frame);
        self.held.push_back(Held { due, at, len: frame.len() });
        true
    }

    fn room_for(&self, len: usize) -> Option<usize> {
        let (Some(first), Some(last)) = (self.held.front(), self.held.back()) else {
            return (len <= self.arena.len()).then_some(0);
        };
        let end = last.at + last.len;
        if end > first.at {
            // Not wrapped: behind the last, else before the first.
            if end + len <= self.arena.len() { Some(end) } else { (len <= first.at).then_some(0) }
        } else {
            (end + len <= first.at).then_some(end)
        }
    }

    /// When the next frame leaves.
    pub(super) fn next_due(&self) -> Option<u64> {
        self.held.front().map(|h| h.due)
    }

    /// The frames at the front that are due, at most `limit` (fewer where the index wraps).
    pub(super) fn due(&self, now: u64, limit: usize) -> &[Held] {
        let (front, _) = self.held.as_slices();
        let front = &front[..front.len().min(limit)];
        &front[..front.iter().take_while(|h| h.due <= now).count()]
    }

    /// The memory that [`Held`] points into.
    pub(super) fn arena(&self) -> &[u8] {
        &self.arena
    }

    /// Forgets `count` frames at the front.
    pub(super) fn remove(&mut self, count: usize) {
        self.held.drain(..count.min(self.held.len()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against a plain list: what goes in comes out, whole and in order, and a refusal happens only near full.
        #[test]
        fn frames_come_out_as_they_went_in(steps in prop::collection::vec((any::<bool>(), 1usize..60), 1..400)) {
            let capacity = 400;
            let mut queue = FrameQueue::new(capacity);
            let mut model: VecDeque<(u64, Vec<u8>)> = VecDeque::new();
            for (n, (push, size)) in steps.into_iter().enumerate() {
                if push {
                    let frame = vec![n as u8; size];
                    let used: usize = model.iter().map(|(_, f)| f.len()).sum();
                    if queue.push(n as u64, &frame) {
                        model.push_back((n as u64, frame));
                    } else {
                        prop_assert!(used + size + 59 + size > capacity, "refused {size} with {used} of {capacity} used");
                    }
                } else {
                    let due = queue.due(u64::MAX, size).to_vec();
                    for (held, (when, frame)) in due.iter().zip(&model) {
                        prop_assert_eq!(held.due, *when);
                        prop_assert_eq!(&queue.arena()[held.at..held.at + held.len], frame.as_slice());
                    }
                    queue.remove(due.len());
                    model.drain(..due.len());
                }
                prop_assert_eq!(queue.next_due(), model.front().map(|(when, _)| *when));
            }
        }
    }

    #[test]
    fn only_what_is_due_is_handed_out() {
        let mut queue = FrameQueue::new(100);
        assert!(queue.push(5, &[1; 10]) && queue.push(9, &[2; 10]));
        assert_eq!(queue.due(4, 64).len(), 0);
        assert_eq!(queue.due(5, 64).len(), 1);
        assert_eq!(queue.due(9, 64).len(), 2);
        assert_eq!(queue.due(9, 1).len(), 1);
    }
}
