//! How often something that must come again does: the longest time between two, and how many times that was too long.

/// What is known of it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Repetition {
    /// How many came.
    pub count: u64,
    /// When the first came, nanoseconds.
    pub first_ns: Option<i64>,
    /// When the last came.
    pub last_ns: Option<i64>,
    /// Longest time between two, nanoseconds.
    pub longest_ns: i64,
    /// Times that were longer than allowed.
    pub exceeded: u64,
}

impl Repetition {
    /// It came at `at_ns`; returns whether the time since the last one was longer than `most_ns`. A time before the last one counts as the same.
    pub fn on_seen(&mut self, at_ns: i64, most_ns: i64) -> bool {
        self.count += 1;
        self.first_ns.get_or_insert(at_ns);
        let since = self.last_ns.map_or(0, |last| at_ns.saturating_sub(last).max(0));
        self.last_ns = Some(self.last_ns.map_or(at_ns, |last| last.max(at_ns)));
        self.longest_ns = self.longest_ns.max(since);
        let is_over = since > most_ns;
        self.exceeded += u64::from(is_over);
        is_over
    }

    /// The same as if nothing more came until `end_ns`; what never came has been awaited since `begin_ns`.
    #[must_use]
    pub fn until(mut self, begin_ns: i64, end_ns: i64, most_ns: i64) -> Self {
        let open = end_ns.saturating_sub(self.last_ns.unwrap_or(begin_ns)).max(0);
        if open > most_ns {
            self.exceeded += 1;
            self.longest_ns = self.longest_ns.max(open);
        }
        self
    }

    /// Mean time between two, nanoseconds.
    pub fn mean_ns(&self) -> Option<i64> {
        let span = self.last_ns?.saturating_sub(self.first_ns?);
        span.checked_div(i64::try_from(self.count).ok()? - 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_held_against_the_bound_and_an_open_end_counts() {
        let mut seen = Repetition::default();
        let over: Vec<bool> = [0, 400, 901, 1400, 1399].into_iter().map(|at| seen.on_seen(at, 500)).collect();
        assert_eq!(over, [false, false, true, false, false]);
        assert_eq!((seen.count, seen.longest_ns, seen.exceeded, seen.mean_ns()), (5, 501, 1, Some(350)));
        assert_eq!(seen.until(0, 1900, 500).exceeded, 1);
        let later = seen.until(0, 2500, 500);
        assert_eq!((later.exceeded, later.longest_ns), (2, 1100));
        assert_eq!(Repetition::default().until(100, 700, 500).exceeded, 1, "never came");
        assert_eq!(Repetition::default().mean_ns(), None);
    }
}
